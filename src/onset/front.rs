//! A piece of sound -> band powers, floors, rise functions and placed candidates: all that the decisions look at.

use rustfft::FftPlanner;

use super::EAR_RATE;
use super::filters::STREAMS;
use super::floor::{Floor, quantile_of_powers};
use super::place::{Candidate, Placer};
use super::rise::{Coarse, candidates, long_rise, short_rise};
use super::spectrum::{LONG_BANDS, LONG_HOP, SHORT_BANDS, SHORT_HOP, Transform};

/// The two transforms; made once, used for every piece.
pub(crate) struct Transforms {
    pub(super) short: Transform<SHORT_BANDS>,
    pub(super) long: Transform<LONG_BANDS>,
}

impl Transforms {
    pub(crate) fn new() -> Self {
        let mut planner = FftPlanner::new();
        Transforms { short: Transform::short(&mut planner), long: Transform::long(&mut planner) }
    }
}

/// What is known of a piece before anything is decided.
pub(crate) struct Front {
    pub(crate) short: Vec<[f32; SHORT_BANDS]>,
    pub(crate) long: Vec<[f32; LONG_BANDS]>,
    pub(crate) short_floor: Floor<SHORT_BANDS>,
    pub(crate) long_floor: Floor<LONG_BANDS>,
    /// .9 and .97 quantiles of the short rise function over the piece.
    pub(crate) rise_quantiles: [f32; 2],
    pub(crate) long_rise: Vec<f32>,
    pub(crate) candidates: Vec<Candidate>,
    /// Rises too small for a strike, in order of time: they only tell how restless the sound is.
    pub(crate) small: Vec<Coarse>,
    /// Quiet power of each placing stream.
    pub(crate) quiet: [f32; STREAMS],
}

/// Share of each short band that passes each placing stream (300 Hz high-pass, 2 kHz high-pass, 150..1500 Hz).
const STREAM_SHARES: [[f32; SHORT_BANDS]; STREAMS] = [
    [0.6, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0],
    [0.0, 0.0, 0.2, 0.9, 1.0, 1.0, 1.0, 1.0],
    [1.0, 1.0, 0.6, 0.0, 0.0, 0.0, 0.0, 0.0],
];
/// The quietest quarter of the frames gives a stream's quiet power, but never less than 40 dB under its loud one; both
/// as for the floors of `rise`.
const QUIET_QUANTILE: f64 = 0.25;
const LOUD_QUANTILE: f64 = 0.985;
const QUIET_BELOW_LOUD: f32 = 1e-4;

/// Mean power of the samples from the sum of band powers: a one-sided spectrum of N samples holds N/2 times it.
pub(crate) fn mean_power(bands: impl Iterator<Item = f32>) -> f32 {
    bands.sum::<f32>() * (2.0 / 256.0)
}

/// Mean power of a frame that passes a placing stream.
#[inline(always)]
fn passing(frame: &[f32; SHORT_BANDS], shares: &[f32; SHORT_BANDS]) -> f32 {
    mean_power(frame.iter().zip(shares).map(|(p, s)| p * s))
}

/// A smaller rise is no strike: in noise at 20 dB half of all candidates rise less, and of the 1,166 that are likelier a
/// strike than not two, of the 1,512 that may be one six; in a quiet room none of 1,167 (150 takes of
/// `scripts/sounds/takes.py`). From 2.5 on soft strokes were called missed whose sound had been faintly heard
/// (`scripts/classroom`).
const WORTH_PLACING: f32 = 2.0;

impl Front {
    pub(crate) fn new(transforms: &Transforms, x: &[f32]) -> Self {
        let short = transforms.short.frames(x);
        let long = transforms.long.frames(x);
        let short_floor = Floor::track(&short, SHORT_HOP);
        let long_floor = Floor::track(&long, LONG_HOP);
        let rise = short_rise(&short, &short_floor);
        let long_rise = long_rise(&long, &long_floor);
        let mut powers = Vec::with_capacity(short.len());
        let quiet = STREAM_SHARES.map(|shares| {
            powers.clear();
            powers.extend(short.iter().map(|frame| passing(frame, &shares)));
            let loud = quantile_of_powers(&powers, LOUD_QUANTILE);
            quantile_of_powers(&powers, QUIET_QUANTILE).max(QUIET_BELOW_LOUD * loud)
        });
        let (strong, mut small): (Vec<Coarse>, Vec<Coarse>) =
            candidates(&rise, &long_rise).into_iter().partition(|c| c.rise >= WORTH_PLACING);
        let candidates = Placer::new(quiet).place(x, &strong);
        // What rises on the slope of another's attack is that attack.
        small.retain(|c| {
            let look = c.look();
            let next = candidates.partition_point(|found| (found.at as isize) < look.start);
            candidates.get(next).is_none_or(|found| found.at as isize >= look.end)
        });
        let rise_quantiles = [0.9, 0.97].map(|q| quantile_of_powers(&rise, q));
        Front { short, long, short_floor, long_floor, rise_quantiles, long_rise, candidates, small, quiet }
    }

    /// Mean power that passes the first placing stream over the 10 ms from a sample on, from the short frames.
    pub(crate) fn power_after(&self, sample: usize) -> f32 {
        let frames = &self.short[self.short_frame(sample, 0.0)..=self.short_frame(sample, 10.0)];
        frames.iter().map(|frame| passing(frame, &STREAM_SHARES[0])).sum::<f32>() / frames.len() as f32
    }

    /// The short frame nearest to a time in milliseconds from a sample.
    pub(crate) fn short_frame(&self, sample: usize, ms: f32) -> usize {
        nearest(sample, ms, SHORT_HOP, self.short.len())
    }

    /// The long frame nearest to a time in milliseconds from a sample.
    pub(crate) fn long_frame(&self, sample: usize, ms: f32) -> usize {
        nearest(sample, ms, LONG_HOP, self.long.len())
    }
}

fn nearest(sample: usize, ms: f32, hop: usize, count: usize) -> usize {
    let at = sample as f32 + ms * EAR_RATE.get() as f32 / 1e3;
    ((at / hop as f32).round().max(0.0) as usize).min(count.saturating_sub(1))
}
