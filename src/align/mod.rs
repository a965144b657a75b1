//! Strikes x [`Timeline`] -> [`Alignment`]: each strike to the stroke it was meant to be, or to none.
//!
//! Has never seen a sample: a strike here is a time, a level and probabilities.

use crate::part::Surface;
#[allow(unused_imports)] // named in the docs
use crate::part::Timeline;
use crate::units::{Bpm, Decibels, Seconds};

/// A strike as the aligner sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strike {
    /// When, from the start of the recording.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// How loud, relative to full scale.
    pub level: Decibels,
    /// Probability that there was a strike at all.
    pub certainty: f64,
    /// Probability of each surface in the order of [`Surface::ALL`]; all equal when nothing is known.
    pub surface: [f64; Surface::COUNT],
}

/// What a matched or unmatched strike was taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// The first stroke matched, wherever the take begins.
    Start,
    /// In time with the tracked pulse.
    Match,
    /// Matched, but off the pulse on its own: one rushed or late note.
    Displaced,
    /// Matched, and the pulse goes on from here: a hesitation, a late or an early entry.
    Shift,
    /// Matched, and the tempo is new from here.
    NewTempo,
    /// Went on somewhere else without losing the beat.
    Jump,
    /// Went on somewhere else after a pause.
    JumpAfterPause,
    /// Nobody wrote it.
    Extra,
    /// Nobody wrote it, and it fell in a written rest.
    InRest,
    /// The second half of a double: a rebound, or a hand of both-at-once that came late.
    Double,
    /// Tapped before the piece began.
    CountIn,
    /// A stick that fell and bounced.
    Bounce,
}

/// One strike's place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// What it was taken for.
    pub step: Step,
    /// Index into [`Timeline::strokes`]; `None` for the unmatched steps.
    pub stroke: Option<usize>,
    /// Where the tracked pulse put that stroke; the strike's own time for unmatched steps.
    pub pulse: Seconds,
    /// The tracked tempo.
    pub bpm: Bpm,
}

/// The answer of the aligner.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// One for each strike, in order.
    pub placed: Vec<Placed>,
    /// The player's own timing jitter around the pulse, one standard deviation.
    pub jitter: Seconds,
    /// How surfaces were mixed up in this take: written (row) to heard (column), rows sum to 1.
    pub confusion: [[f64; Surface::COUNT]; Surface::COUNT],
    /// Cost of the whole path in nats (minus log probability); comparable between runs on the same strikes.
    pub cost: f64,
    /// Cost of the best account in which the take has nothing to do with the part; a recording of something else has
    /// `unrelated_cost` at or below `cost`.
    pub unrelated_cost: f64,
}
