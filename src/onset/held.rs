//! The sound a piece is decided on, held in one place.
//!
//! A minute of sound is 10 MB. Asked for in pages of 4 KB as it grows, the system takes 2,500 turns to give it, a tenth of
//! all the time `strikes` needs; in large pages it takes six. So it is asked for once, as one map in large pages, of which
//! only what is written to is given. Where there are no maps, the heap does.

use memmap2::MmapMut;

/// Samples, at most so many as were asked for.
pub(super) struct Held {
    place: Place,
    len: usize,
}

enum Place {
    Map(MmapMut),
    Heap(Vec<f32>),
}

impl Held {
    /// Room for so many samples.
    pub(super) fn with_room(most: usize) -> Held {
        let place = match MmapMut::map_anon(most * size_of::<f32>()) {
            Ok(map) => {
                // Where the system has no large pages, small ones are what it gives.
                #[cfg(target_os = "linux")]
                let _ = map.advise(memmap2::Advice::HugePage);
                Place::Map(map)
            }
            Err(_) => Place::Heap(vec![0.0; most]),
        };
        Held { place, len: 0 }
    }

    /// Adds samples at the end. There must be room for them.
    pub(super) fn push(&mut self, samples: &[f32]) {
        let len = self.len;
        self.all()[len..len + samples.len()].copy_from_slice(samples);
        self.len += samples.len();
    }

    /// Leaves out the first so many.
    pub(super) fn forget(&mut self, first: usize) {
        let len = self.len;
        self.all().copy_within(first..len, 0);
        self.len -= first;
    }

    fn all(&mut self) -> &mut [f32] {
        match &mut self.place {
            Place::Map(map) => bytemuck::cast_slice_mut(map),
            Place::Heap(samples) => samples,
        }
    }
}

impl std::ops::Deref for Held {
    type Target = [f32];

    fn deref(&self) -> &[f32] {
        match &self.place {
            Place::Map(map) => &bytemuck::cast_slice(map)[..self.len],
            Place::Heap(samples) => &samples[..self.len],
        }
    }
}
