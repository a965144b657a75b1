//! Sound -> [`Onset`]s: every strike, placed to a fraction of a millisecond, with its level and how sure we are.

use crate::units::{Decibels, SampleRate, Seconds};

/// The rate at which everything is heard; recordings are brought to it by `audio`. 44.1 kHz: what phones and browsers
/// record at or near, and twice the highest frequency that helps.
pub const EAR_RATE: SampleRate = match SampleRate::new(44_100) {
    Some(rate) => rate,
    None => unreachable!(),
};

/// Something heard that may be a strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// From the first sample of the recording.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// Mean power of the 50 ms from `at` on, relative to full scale.
    pub level: Decibels,
    /// Probability that it is a strike.
    pub certainty: f64,
    /// How far it stands above what sounded just before and around it, in decibels.
    pub prominence: Decibels,
}

/// How quiet a strike may be and still be heard, over a stretch of the recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Audibility {
    /// Start of the stretch; it lasts until the next one's start.
    pub from: Seconds,
    /// A strike below this level is hidden by noise here, relative to full scale as [`Onset::level`].
    pub threshold: Decibels,
}
