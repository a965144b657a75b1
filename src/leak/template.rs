//! What one sound of the guide leaves in a recording, and where each of the guide's sounds lies in it.

use super::Reference;
use super::frames::{Bin, FRAME, HOP};
use crate::guide::Sound;
use crate::units::EAR_RATE;

/// Samples before a sound that its template covers, 46 ms: speakers' filters and codecs ring ahead.
pub(super) const AHEAD: usize = 4 * FRAME;
/// How long a room keeps a sound: 1.15 s. Shorter templates left 10 dB more in a long hall.
pub(super) const LENGTH: usize = 50_700 / HOP * HOP;

/// A sound of the guide, for the work on it.
#[derive(Clone)]
pub(super) struct Cue {
    /// In the guide, seconds, and its first sample there.
    pub(super) at: f64,
    pub(super) sample: i64,
    pub(super) kind: usize,
    pub(super) sign: f32,
    pub(super) amp: f32,
    /// Followed gain.
    pub(super) gain: f32,
    /// It lies within the recording.
    pub(super) used: bool,
    /// Frames of it that lie within the recording.
    pub(super) inside: (usize, usize),
}

/// What a sound of the guide leaves in the recording.
#[derive(Default)]
pub(super) struct Template {
    pub(super) bins: Vec<Bin>,
    /// Squared standard error of each bin.
    pub(super) error: Vec<f32>,
    /// As sound, [`AHEAD`] samples before it on.
    pub(super) sound: Vec<f32>,
}

/// The guide's sounds, in order.
pub(super) fn cues(reference: &Reference, sounds: &[Sound]) -> Vec<Cue> {
    let rate = f64::from(EAR_RATE.get());
    let mut cues: Vec<Cue> = (reference.cues.iter())
        .map(|c| Cue {
            at: c.at.get(),
            sample: (c.at.get() * rate).round() as i64,
            kind: sounds.iter().position(|s| *s == c.sound).unwrap_or(0),
            sign: f32::from(c.sign),
            amp: c.gain as f32,
            gain: 1.0,
            used: false,
            inside: (0, 0),
        })
        .collect();
    cues.sort_by_key(|c| c.sample);
    cues
}
