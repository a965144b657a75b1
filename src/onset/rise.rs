//! Band powers over their floors -> rise functions -> coarse candidates.
//!
//! A rise function sums over bands the logarithm of how much louder the sound is just after a moment than just before
//! it, both over the local noise floor: a log-spectral flux (Dixon 2006; Böck & Widmer 2013 take the maximum of the
//! frames before for the same reason) whose compression follows the noise.

use fearless_simd::{Level, dispatch, f32x8, prelude::*};

use super::EAR_RATE;
use super::floor::{Floor, GROUP};
use super::lanes::ln_all;
use super::spectrum::{LONG_BANDS, LONG_HOP, SHORT_BANDS, SHORT_HOP};

/// Which transform a candidate was seen by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Seen {
    /// The short one: a sharp attack.
    Short,
    /// Only the long one: a soft or low attack.
    Long,
}

/// A coarse candidate.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Coarse {
    /// Sample at the centre of the frame where the rise function peaks.
    pub(crate) at: usize,
    /// Value of the rise function, that of the long transform brought to the scale of the short one.
    pub(crate) rise: f32,
    /// By which transform.
    pub(crate) seen: Seen,
}

/// Which frames a rise function compares: means of those after against the largest of those before, both over so many
/// times the floor.
struct Shape<const AFTER: usize, const BEFORE: usize> {
    after: [usize; AFTER],
    before: [usize; BEFORE],
    floors: f32,
}

/// The short frames before and after an attack that hold nothing of the other side, and one more for each.
const SHORT_SHAPE: Shape<2, 3> = Shape { after: [1, 2], before: [2, 3, 4], floors: 2.0 };
const LONG_SHAPE: Shape<1, 2> = Shape { after: [2], before: [2, 3], floors: 1.5 };

/// Rise function of the short transform, one value a frame.
pub(crate) fn short_rise(frames: &[[f32; SHORT_BANDS]], floor: &Floor<SHORT_BANDS>) -> Vec<f32> {
    dispatch!(Level::new(), simd => SHORT_SHAPE.rise(simd, frames, floor))
}

/// Rise function of the long transform, one value a frame.
pub(crate) fn long_rise(frames: &[[f32; LONG_BANDS]], floor: &Floor<LONG_BANDS>) -> Vec<f32> {
    dispatch!(Level::new(), simd => LONG_SHAPE.rise(simd, frames, floor))
}

/// Frames whose ratios are kept until their logarithms are taken together.
const TOGETHER: usize = 32;

impl<const AFTER: usize, const BEFORE: usize> Shape<AFTER, BEFORE> {
    #[inline(always)]
    fn rise<S: Simd, const BANDS: usize>(&self, simd: S, frames: &[[f32; BANDS]], floor: &Floor<BANDS>) -> Vec<f32> {
        let mut out = Vec::with_capacity(frames.len());
        let mut ratios = [[0.0f32; BANDS]; TOGETHER];
        for first in (0..frames.len()).step_by(TOGETHER) {
            let count = TOGETHER.min(frames.len() - first);
            for (ratios, i) in ratios[..count].iter_mut().zip(first..) {
                self.ratios(simd, frames, floor, i, ratios);
            }
            // A sum of logarithms: the product would overflow.
            ln_all(simd, ratios[..count].as_flattened_mut());
            for logarithms in &ratios[..count] {
                let mut sum = f32x8::splat(simd, 0.0);
                for group in logarithms.as_chunks::<GROUP>().0 {
                    sum += f32x8::from_slice(simd, group);
                }
                out.push(sum.reduce_sum());
            }
        }
        out
    }

    /// How much louder each band is after a frame than before, but at least 1.
    #[inline(always)]
    fn ratios<S: Simd, const BANDS: usize>(
        &self,
        simd: S,
        frames: &[[f32; BANDS]],
        floor: &Floor<BANDS>,
        i: usize,
        out: &mut [f32; BANDS],
    ) {
        let last = frames.len() - 1;
        let floor = floor.around(i);
        for (first, out) in (0..BANDS).step_by(GROUP).zip(out.as_chunks_mut::<GROUP>().0) {
            let group = first..first + GROUP;
            let mut after = f32x8::splat(simd, 0.0);
            for distance in self.after {
                after += f32x8::from_slice(simd, &frames[(i + distance).min(last)][group.clone()]);
            }
            let mut before = f32x8::splat(simd, 0.0);
            for distance in self.before {
                before = before.max(f32x8::from_slice(simd, &frames[i.saturating_sub(distance)][group.clone()]));
            }
            let floor = floor.group(simd, first) * self.floors;
            let ratio = (after * (1.0 / AFTER as f32) + floor) / (before + floor);
            ratio.max(1.0).store_slice(out);
        }
    }
}

/// Frames on either side among which a peak must be the largest.
const PEAK_NEIGHBOURS: usize = 4;
/// Least short rise of a candidate: low, since the decision comes later; gives about thirty candidates a second in noise.
const SHORT_LEAST: f32 = 1.2;
/// Least long rise.
const LONG_LEAST: f32 = 4.0;
/// The long transform's rise sums three times as many bands.
const LONG_SCALE: f32 = 1.0 / 3.0;
/// A long peak this near a short one is the same event.
const SAME_EVENT_S: f64 = 0.015;

fn peaks(rise: &[f32], least: f32) -> impl Iterator<Item = usize> + '_ {
    let mut previous = None;
    (0..rise.len()).filter(move |&i| {
        let near = &rise[i.saturating_sub(PEAK_NEIGHBOURS)..(i + PEAK_NEIGHBOURS + 1).min(rise.len())];
        let peak = rise[i] > least && near.iter().all(|&v| v <= rise[i]) && previous != Some(i.wrapping_sub(1));
        if peak {
            previous = Some(i);
        }
        peak
    })
}

/// Peaks of both rise functions in order of time.
pub(crate) fn candidates(short: &[f32], long: &[f32]) -> Vec<Coarse> {
    let mut out: Vec<Coarse> =
        peaks(short, SHORT_LEAST).map(|i| Coarse { at: i * SHORT_HOP, rise: short[i], seen: Seen::Short }).collect();
    let near = (SAME_EVENT_S * f64::from(EAR_RATE.get())) as usize;
    let sharp: Vec<usize> = out.iter().map(|c| c.at).collect();
    out.extend(peaks(long, LONG_LEAST).filter_map(|i| {
        let at = i * LONG_HOP;
        let next = sharp.partition_point(|&s| s + near < at);
        let alone = sharp.get(next).is_none_or(|&s| s > at + near);
        alone.then(|| Coarse { at, rise: long[i] * LONG_SCALE, seen: Seen::Long })
    }));
    out.sort_by_key(|c| c.at);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_long_peak_counts_where_no_short_one_is_near_and_stands_at_its_own_time() {
        let (mut short, mut long) = (vec![0.0; 400], vec![0.0; 100]);
        // Short peaks at samples 3200 and 16000; long ones at 3328 (3 ms later), at 9984 and at 16896 (20 ms later).
        (short[50], short[250]) = (9.0, 6.0);
        (long[13], long[39], long[66]) = (30.0, 12.0, 15.0);
        let found: Vec<(usize, f32, Seen)> = candidates(&short, &long).iter().map(|c| (c.at, c.rise, c.seen)).collect();
        let expected =
            [(3200, 9.0, Seen::Short), (9984, 4.0, Seen::Long), (16_000, 6.0, Seen::Short), (16_896, 5.0, Seen::Long)];
        assert_eq!(found, expected);
    }

    #[test]
    fn a_peak_is_above_the_least_and_the_largest_of_its_neighbourhood() {
        let at = |rise: &[f32]| peaks(rise, 1.0).collect::<Vec<_>>();
        assert_eq!(at(&[0.0, 0.9, 0.0, 1.1, 0.0]), [3]);
        // Four frames apart the larger one counts, five apart both; of two equal neighbours the first.
        assert_eq!(at(&[0.0, 2.0, 0.0, 0.0, 0.0, 3.0]), [5]);
        assert_eq!(at(&[0.0, 2.0, 0.0, 0.0, 0.0, 0.0, 3.0]), [1, 6]);
        assert_eq!(at(&[0.0, 2.0, 2.0, 0.0]), [1]);
    }
}
