//! A piece of sound -> band powers, their floors, levels: all that the network and the placing look at.
//!
//! The network sees a power `P` over its floor `F` as [`INPUT_SCALE`]` * ln(1 + P / F)`, so noise reads much the same at
//! any gain.

use fearless_simd::{Level, dispatch, f32x8, prelude::*};
use rustfft::FftPlanner;

use super::affine::Rows;
use super::filters::{STREAMS, passes};
use super::floor::{Floor, GROUP, quantile_of_powers};
use super::lanes::{fast_ln, ln_all, transpose};
use super::spectrum::{LONG_BANDS, LONG_HOP, SHORT_BANDS, SHORT_HOP, Transform, short_middle_hz};
use crate::units::EAR_RATE;

/// Brings what the network sees near to one. Already in the weights of its first layers.
pub(crate) const INPUT_SCALE: f32 = 0.4;

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
    /// Power of all short bands, frame by frame.
    pub(crate) total: Vec<f32>,
    /// The most that this is on average over [`LEVEL_FRAMES`].
    loudest: f32,
    /// Quiet power of each placing stream.
    pub(crate) quiet: [f32; STREAMS],
}

/// The quietest quarter of the frames gives a stream's quiet power, but never less than 40 dB under its loud one.
const QUIET_QUANTILE: f64 = 0.25;
const LOUD_QUANTILE: f64 = 0.985;
const QUIET_BELOW_LOUD: f32 = 1e-4;
/// Frames over which a level is taken (10 ms), an odd number.
const LEVEL_FRAMES: usize = 7;
/// A level is `scale * ln(ratio + least) + added`: from 0, 60 dB below the loudest of the piece or less, to 2.77 there.
const LEVEL_SCALE: f32 = 0.2;
const LEVEL_LEAST: f32 = 1e-6;
const LEVEL_ADDED: f32 = 2.77;

/// Mean power of the samples from the sum of band powers: a one-sided spectrum of N samples holds N/2 times it.
pub(crate) fn mean_power(bands: f32) -> f32 {
    bands * (2.0 / 256.0)
}

impl Front {
    pub(crate) fn new(transforms: &Transforms, x: &[f32]) -> Self {
        let short = transforms.short.frames(x);
        let long = transforms.long.frames(x);
        let (short_floor, long_floor) = (Floor::track(&short, SHORT_HOP), Floor::track(&long, LONG_HOP));
        let mut powers = Vec::with_capacity(short.len());
        let quiet = std::array::from_fn(|stream| {
            let shares: [f32; SHORT_BANDS] = std::array::from_fn(|band| passes(stream, short_middle_hz(band)) as f32);
            powers.clear();
            powers.extend(short.iter().map(|frame| mean_power(frame.iter().zip(&shares).map(|(p, s)| p * s).sum())));
            let loud = quantile_of_powers(&powers, LOUD_QUANTILE);
            quantile_of_powers(&powers, QUIET_QUANTILE).max(QUIET_BELOW_LOUD * loud)
        });
        let total = short.iter().map(|frame| frame.iter().sum()).collect();
        let mut front = Front { short, long, short_floor, long_floor, total, loudest: 0.0, quiet };
        front.loudest = (0..front.total.len()).map(|frame| front.around(frame)).fold(0.0, f32::max);
        front
    }

    /// Mean power of the frames around one, silence outside the piece.
    fn around(&self, frame: usize) -> f32 {
        let half = LEVEL_FRAMES / 2;
        let near = &self.total[frame.saturating_sub(half)..(frame + half + 1).min(self.total.len())];
        near.iter().sum::<f32>() / LEVEL_FRAMES as f32
    }

    /// How loud it is around a short frame, measured by the loudest of the piece; 0 in silence.
    pub(crate) fn level(&self, frame: usize) -> f32 {
        if self.loudest > 0.0 {
            LEVEL_SCALE * fast_ln(self.around(frame) / self.loudest + LEVEL_LEAST) + LEVEL_ADDED
        } else {
            0.0
        }
    }

    /// What the network sees of a long frame; the nearest where it lies outside the piece.
    pub(crate) fn long_input(&self, frame: isize) -> [f32; LONG_BANDS] {
        let frame = frame.clamp(0, self.long.len() as isize - 1) as usize;
        let floor = self.long_floor.at(frame);
        let powers = &self.long[frame];
        std::array::from_fn(|band| INPUT_SCALE * fast_ln((powers[band] + floor[band]) / floor[band]))
    }

    /// What the network sees of long frames, before [`INPUT_SCALE`], a row a band, from a column on; 0 outside the piece.
    pub(crate) fn put_long(&self, level: Level, first: isize, count: usize, rows: &mut Rows, at: usize) {
        dispatch!(level, simd => put(simd, &self.long, &self.long_floor, first, count, rows, at));
    }

    /// The same of short frames.
    pub(crate) fn put_short(&self, level: Level, first: isize, count: usize, rows: &mut Rows, at: usize) {
        dispatch!(level, simd => put(simd, &self.short, &self.short_floor, first, count, rows, at));
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

/// `count` is rounded up to [`GROUP`]: the rows must have room for that.
#[inline(always)]
fn put<S: Simd, const BANDS: usize>(
    simd: S,
    powers: &[[f32; BANDS]],
    floor: &Floor<BANDS>,
    first: isize,
    count: usize,
    rows: &mut Rows,
    at: usize,
) {
    let count = count.next_multiple_of(GROUP);
    let one = f32x8::splat(simd, 1.0);
    for chunk in (0..count).step_by(GROUP) {
        for band in (0..BANDS).step_by(GROUP) {
            let mut ratios = [one; GROUP];
            for (k, ratio) in ratios.iter_mut().enumerate() {
                let frame = first + (chunk + k) as isize;
                if frame >= 0 && (frame as usize) < powers.len() {
                    let frame = frame as usize;
                    let floor = floor.around(frame).group(simd, band);
                    *ratio = (f32x8::from_slice(simd, &powers[frame][band..band + GROUP]) + floor) / floor;
                }
            }
            for (k, row) in transpose(ratios).iter().enumerate() {
                let to = (band + k) * rows.width + at + chunk;
                row.store_slice(&mut rows.data[to..to + GROUP]);
            }
        }
    }
    for band in 0..BANDS {
        ln_all(simd, &mut rows.row_mut(band)[at..at + count]);
    }
}

fn nearest(sample: usize, ms: f32, hop: usize, count: usize) -> usize {
    let at = sample as f32 + ms * EAR_RATE.get() as f32 / 1e3;
    ((at / hop as f32).round().max(0.0) as usize).min(count.saturating_sub(1))
}

#[cfg(test)]
mod tests {
    use super::super::affine::tests::numbers;
    use super::*;

    #[test]
    fn the_network_sees_each_band_in_its_row_and_nothing_outside_the_piece() {
        let front = Front::new(&Transforms::new(), &numbers(20_000, 3));
        let mut rows = Rows::new(LONG_BANDS, 112);
        front.put_long(Level::new(), -5, 93, &mut rows, 2);
        let mut short = Rows::new(SHORT_BANDS, 40);
        front.put_short(Level::new(), 290, 30, &mut short, 0);
        for column in 0..93 {
            let frame = column as isize - 5;
            let inside = (0..front.long.len() as isize).contains(&frame);
            let expected = front.long_input(frame);
            for (band, expected) in expected.into_iter().enumerate() {
                let found = INPUT_SCALE * rows.row(band)[2 + column];
                assert!((found - if inside { expected } else { 0.0 }).abs() < 1e-5, "{column} {band}");
            }
        }
        for column in 0..30 {
            let expected = front.short.get(290 + column).map(|powers| {
                let floor = front.short_floor.at(290 + column);
                std::array::from_fn::<f32, SHORT_BANDS, _>(|b| (1.0 + powers[b] / floor[b]).ln())
            });
            for (band, expected) in expected.unwrap_or_default().into_iter().enumerate() {
                assert!((short.row(band)[column] - expected).abs() < 1e-5, "{column} {band}");
            }
        }
    }

    #[test]
    fn the_loudest_has_the_highest_level_and_silence_none() {
        let mut x = vec![0.0; 30_000];
        x[10_000..10_200].copy_from_slice(&numbers(200, 5));
        let front = Front::new(&Transforms::new(), &x);
        let levels: Vec<f32> = (0..front.short.len()).map(|frame| front.level(frame)).collect();
        assert!((levels.iter().copied().fold(0.0, f32::max) - LEVEL_ADDED).abs() < 1e-5);
        assert!(levels[400].abs() < 0.01, "{}", levels[400]);
        let silence = Front::new(&Transforms::new(), &[0.0; 10_000]);
        assert!(silence.level(50).abs() < 1e-9);
    }
}
