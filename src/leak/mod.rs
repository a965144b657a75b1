//! The guide heard in a recording: found, made the clock, and taken out.
//!
//! In: the low band of a recording ([`Low`]) and the guide that may be in it; out: a [`Lock`] that says where the guide
//! begins and how fast its device's clock runs. Then: all samples of the recording; out: the recording without the guide,
//! and what may still be hidden where it sounded. Pure.
//!
//! Limits: guides with fewer than eight sounds in the recording are not looked for; a guide that plays the part is taken
//! out less deeply than clicks, since its sounds ring and lie under strikes.

mod arrival;
mod clock;
mod find;
mod frames;
mod limit;
mod low;
mod matched;
mod refine;
mod sinc;
mod smooth;
mod take_out;

pub use clock::GuideClock;
pub use low::Low;

use crate::guide::{Guide, LONGEST, Sound};
use crate::units::Seconds;

/// Millionths.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Ppm(pub f64);

/// Where the guide is in a recording: what stands at `t` in the guide stands at `start + t (1 + skew)` in the recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lock {
    /// The guide's first sample; before the recording if negative.
    pub start: Seconds,
    /// By how much the recorder counts more seconds than the player.
    pub skew: Ppm,
    /// How far the match stands above chance, in its standard deviations.
    pub certainty: f64,
}

impl Lock {
    /// Where a moment of the guide stands in the recording.
    pub fn at(&self, guide: Seconds) -> Seconds {
        self.start + Seconds::of(guide.get() * (1.0 + self.skew.0 * 1e-6))
    }
}

/// A sound of the guide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct RefCue {
    at: Seconds,
    sound: Sound,
    sign: i8,
    gain: f64,
}

/// A guide that may be in a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    cues: Vec<RefCue>,
}

impl Reference {
    /// All sounds of a guide.
    pub fn of(guide: &Guide) -> Reference {
        let cues = guide.events.iter().map(|e| RefCue {
            at: e.at.to_seconds(guide.rate),
            sound: e.sound,
            sign: e.sign,
            gain: e.gain,
        });
        Reference { cues: cues.collect() }
    }

    /// The sounds there are.
    fn sounds(&self) -> Vec<Sound> {
        let mut out: Vec<Sound> = self.cues.iter().map(|c| c.sound).collect();
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// Looks for the guide in the low band of a recording. Also says how far the best place stands above chance.
pub fn find(reference: &Reference, low: &[f32]) -> (Option<Lock>, f64) {
    find::find(reference, &matched::matches(low, &reference.sounds()))
}

/// A recording without its guide.
#[derive(Clone, Debug)]
pub struct Removed {
    /// What is left.
    pub left: Vec<f32>,
    /// What was taken out.
    pub leak: Vec<f32>,
    /// The guide's clock, with the devices' wander.
    pub clock: GuideClock,
}

/// Takes the guide out of a recording at [`crate::onset::EAR_RATE`].
pub fn remove(reference: &Reference, samples: &[f32], lock: &Lock) -> Removed {
    let apart = take_out::take_out(reference, samples, lock);
    Removed { left: apart.left, leak: apart.leak, clock: apart.clock }
}

#[cfg(test)]
mod tests;
