//! Sound -> [`Onset`]s: every strike, placed to a fraction of a millisecond, with its level and how sure we are.
//!
//! Two transforms, one short and one long, give band powers over a tracked noise floor (`spectrum`, `floor`, `front`). One
//! small network reads them over time (`network`): its coarse path sees what rings and what is about to (`coarse`), its
//! fine one, where that finds anything, votes for the moments of strikes (`fine`, `votes`), and each candidate is held
//! against the others of the piece (`company`). What is likely enough is placed to the sample at a change of power
//! (`place`); two more networks correct the place and say how far it may be off (`features`, `perceptron`). What comes
//! again as evenly as a clock is none (`clock`). All weights stand in `assets/ear.safetensors`, fitted by
//! `scripts/ear/fit.py` and `scripts/ear/place.py`.
//!
//! A recording is heard in pieces of about a minute and a half, so that memory does not grow with its length.

mod affine;
mod clock;
mod coarse;
mod company;
mod ear;
mod features;
mod filters;
mod fine;
mod floor;
mod front;
mod held;
mod lanes;
mod model;
mod network;
mod perceptron;
mod place;
mod spectrum;
mod tensors;
mod votes;

pub(crate) use clock::TICK;
#[doc(hidden)]
pub use ear::fitting;
pub use ear::{Ear, Heard, Struck};
pub(crate) use lanes::dot;

use crate::units::{Decibels, Seconds};

/// The fitted numbers the ear hears with: what tells two ears apart.
pub fn weights() -> &'static [u8] {
    model::WEIGHTS
}

/// Two strikes given out are at least this far apart: nearer ones are one event to any ear (order threshold about 20 ms,
/// Hirsh 1959), and two hands this near are together.
const APART_S: f64 = 0.010;
/// Candidates above this probability are likelier a strike than not.
const LIKELIER: f32 = 0.5;

/// Something heard that may be a strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Onset {
    /// From the first sample of the recording.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// Mean power of the 50 ms from `at` on, relative to full scale.
    pub level: Decibels,
    /// Probability that it is a strike; an onset is likelier one than not.
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

impl Audibility {
    /// Of stretches in order of time: between two times a strike must reach this level at least. Nothing is known, and
    /// nothing is changed, before the first.
    pub(crate) fn raise(stretches: &mut Vec<Audibility>, from: Seconds, to: Seconds, least: Decibels) {
        let first = stretches.partition_point(|a| a.from <= from);
        let Some(before) = first.checked_sub(1).map(|k| stretches[k].threshold) else { return };
        let end = stretches.partition_point(|a| a.from < to).max(first);
        let after = Audibility { from: to, threshold: stretches[end - 1].threshold };
        let raised = |from, threshold: Decibels| Audibility { from, threshold: Decibels(threshold.0.max(least.0)) };
        let within: Vec<Audibility> = stretches[first..end].iter().map(|a| raised(a.from, a.threshold)).collect();
        stretches.splice(first..end, std::iter::once(raised(from, before)).chain(within).chain([after]));
    }
}
