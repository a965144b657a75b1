//! A wav file that a recording is still growing -> its new samples, at the rate of the ear.
//!
//! Of several channels the one whose samples change most is given: strikes are changes. Only files of
//! [`GrowingWav`](super::GrowingWav) are followed: their samples stand in a known way.

use std::fs::File;
use std::io::{Read, Result, Seek, SeekFrom};
use std::path::Path;

use super::growing::{FULL, HEADER, WIDTH};
use crate::resample::Resampler;
use crate::units::{EAR_RATE, SampleRate, Samples};

/// A recording that is followed while it grows.
pub struct Follow {
    file: File,
    /// Samples of one channel read so far.
    read: u64,
    channels: Vec<Channel>,
}

struct Channel {
    resampler: Resampler,
    heard: Vec<f32>,
    last: f32,
    change: f64,
}

impl Follow {
    /// Opens a recording under way.
    ///
    /// # Errors
    /// If it cannot be opened.
    pub fn open(path: &Path, rate: SampleRate, channels: u16) -> Result<Follow> {
        let channel = || {
            let resampler = Resampler::new(rate, EAR_RATE).ok_or(std::io::ErrorKind::Unsupported)?;
            Ok(Channel { resampler, heard: Vec::new(), last: 0.0, change: 0.0 })
        };
        let channels = (0..channels.max(1)).map(|_| channel()).collect::<Result<_>>()?;
        Ok(Follow { file: File::open(path)?, read: 0, channels })
    }

    /// Reads on, up to so many samples of one channel in all.
    ///
    /// # Errors
    /// If the disk fails.
    pub fn read_to(&mut self, length: Samples) -> Result<()> {
        let count = length.0.saturating_sub(self.read);
        let frame = WIDTH * self.channels.len() as u64;
        let mut bytes = vec![0; usize::try_from(count * frame).unwrap_or(0)];
        self.file.seek(SeekFrom::Start(HEADER + self.read * frame))?;
        self.file.read_exact(&mut bytes)?;
        self.read += count;
        let width = WIDTH as usize;
        for (k, channel) in self.channels.iter_mut().enumerate() {
            let of_channel = bytes.chunks_exact(frame as usize).filter_map(|f| f.get(k * width..(k + 1) * width));
            let samples: Vec<f32> = of_channel
                .map(|b| (i32::from_le_bytes([0, b[0], b[1], b[2]]) >> 8) as f32 / FULL)
                .inspect(|v| {
                    channel.change += f64::from(v - channel.last).powi(2);
                    channel.last = *v;
                })
                .collect();
            channel.resampler.push(&samples, &mut channel.heard);
        }
        Ok(())
    }

    /// All that was read, at the rate of the ear.
    pub fn samples(&self) -> &[f32] {
        let loudest = self.channels.iter().max_by(|a, b| a.change.total_cmp(&b.change));
        loudest.map_or(&[], |c| c.heard.as_slice())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::audio::GrowingWav;

    #[test]
    fn what_grows_is_heard_sample_by_sample_and_the_dead_channel_is_not() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("grows.wav");
        let mut wav = GrowingWav::create(&path, EAR_RATE, 2).unwrap();
        let mut follow = Follow::open(&path, EAR_RATE, 2).unwrap();
        assert!(follow.samples().is_empty());
        let wave = |k: usize| ((k * 7919) % 2000) as f32 / 2048.0 - 0.5;
        for piece in 0..3 {
            let piece: Vec<f32> = (piece * 500..(piece + 1) * 500).flat_map(|k| [0.001, wave(k)]).collect();
            wav.append(&piece).unwrap();
            follow.read_to(wav.length()).unwrap();
        }
        let heard = follow.samples();
        assert_eq!(heard.len(), 1500);
        assert!(heard.iter().enumerate().all(|(k, v)| (v - wave(k)).abs() < 1e-6));
        // More than there is cannot be read, and is no reason to fall over.
        assert!(follow.read_to(Samples(9000)).is_err());
    }
}
