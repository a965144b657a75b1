//! Band powers -> noise floors -> rise functions -> coarse candidates.
//!
//! A rise function sums over bands the logarithm of how much louder the sound is just after a moment than just before
//! it, both over the local noise floor: a log-spectral flux (Dixon 2006; Böck & Widmer 2013 take the maximum of the
//! frames before for the same reason) whose compression follows the noise.

use super::EAR_RATE;
use super::lanes::fast_ln;
use super::spectrum::{LONG_HOP, SHORT_HOP};

/// Block over which a quiet level is taken.
const FLOOR_BLOCK_S: f64 = 0.4;
/// Quantile of a block's frames that counts as its quiet level: strikes and their ring fill less than three quarters.
const FLOOR_QUANTILE: f64 = 0.25;
/// Neighbouring blocks on either side over which the quiet level is smoothed (2.4 s).
const FLOOR_NEIGHBOURS: usize = 6;
/// Quantile of the neighbouring blocks' levels: below the middle, because a busy passage raises most of them.
const FLOOR_SMOOTH_QUANTILE: f64 = 0.3;
/// The loud level of a band: its strikes, even where they are sparse.
const LOUD_QUANTILE: f64 = 0.985;
/// The floor is never more than 40 dB below a band's loud level, so a clean take looks to the model like one at 40 dB.
const FLOOR_BELOW_LOUD: f32 = 1e-4;
/// The same against the mean loud level of all bands, for bands that a phone cuts off.
const FLOOR_BELOW_ALL: f32 = 1e-5;
/// Smallest floor, far below one step of a 24-bit recording: keeps digital silence from dividing by zero.
const FLOOR_MIN: f32 = 1e-14;

/// Noise floor per band between block centres.
pub(crate) struct Floor<const BANDS: usize> {
    blocks: Vec<[f32; BANDS]>,
    least: [f32; BANDS],
    block_len: usize,
}

/// The value at quantile `q` of the slice, which is reordered; 0 for an empty one.
pub(crate) fn quantile(values: &mut [f32], q: f64) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let k = ((values.len() - 1) as f64 * q).round() as usize;
    *values.select_nth_unstable_by(k, f32::total_cmp).1
}

impl<const BANDS: usize> Floor<BANDS> {
    pub(crate) fn track(frames: &[[f32; BANDS]], hop: usize) -> Self {
        let block_len = ((FLOOR_BLOCK_S * f64::from(EAR_RATE.get()) / hop as f64) as usize).max(8);
        let count = (frames.len() / block_len).max(1);
        let mut column: Vec<f32> = Vec::with_capacity(frames.len());
        let mut quiet = vec![[0.0f32; BANDS]; count];
        let mut loud = [0.0f32; BANDS];
        for b in 0..BANDS {
            for (i, block) in quiet.iter_mut().enumerate() {
                let end = if i + 1 == count { frames.len() } else { (i + 1) * block_len };
                column.clear();
                column.extend(frames[i * block_len..end].iter().map(|f| f[b]));
                block[b] = quantile(&mut column, FLOOR_QUANTILE);
            }
            column.clear();
            column.extend(frames.iter().map(|f| f[b]));
            loud[b] = quantile(&mut column, LOUD_QUANTILE);
        }
        let mean = loud.iter().sum::<f32>() / BANDS as f32;
        let least = loud.map(|l| FLOOR_BELOW_LOUD * l + FLOOR_BELOW_ALL * mean + FLOOR_MIN);
        let blocks = (0..count)
            .map(|i| {
                let near = &quiet[i.saturating_sub(FLOOR_NEIGHBOURS)..(i + FLOOR_NEIGHBOURS + 1).min(count)];
                std::array::from_fn(|b| {
                    column.clear();
                    column.extend(near.iter().map(|q| q[b]));
                    quantile(&mut column, FLOOR_SMOOTH_QUANTILE)
                })
            })
            .collect();
        Floor { blocks, least, block_len }
    }

    /// The floor at a frame: linear between block centres, level beyond them.
    pub(crate) fn at(&self, frame: usize) -> [f32; BANDS] {
        let place = (frame as f32 / self.block_len as f32 - 0.5).max(0.0);
        let last = self.blocks.len().saturating_sub(1);
        let i = (place as usize).min(last);
        let (a, b) = (&self.blocks[i], &self.blocks[(i + 1).min(last)]);
        let share = (place - i as f32).clamp(0.0, 1.0);
        std::array::from_fn(|k| (a[k] + share * (b[k] - a[k])).max(self.least[k]) + FLOOR_MIN)
    }
}

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

/// Sum of logarithms of ratios of at least one; a product would overflow.
fn log_sum<const BANDS: usize>(ratios: [f32; BANDS]) -> f32 {
    ratios.into_iter().map(|r| fast_ln(r.max(1.0))).sum()
}

/// Rise function of the short transform, one value a frame.
pub(crate) fn short_rise<const BANDS: usize>(frames: &[[f32; BANDS]], floor: &Floor<BANDS>) -> Vec<f32> {
    let last = frames.len().saturating_sub(1);
    let at = |i: isize| &frames[i.clamp(0, last as isize) as usize];
    (0..frames.len() as isize)
        .map(|i| {
            let f = floor.at(i as usize);
            let (before, after) = ([at(i - 2), at(i - 3), at(i - 4)], [at(i + 1), at(i + 2)]);
            log_sum(std::array::from_fn::<f32, BANDS, _>(|b| {
                let pre = before[0][b].max(before[1][b]).max(before[2][b]);
                ((after[0][b] + after[1][b]) * 0.5 + 2.0 * f[b]) / (pre + 2.0 * f[b])
            }))
        })
        .collect()
}

/// Rise function of the long transform, one value a frame.
pub(crate) fn long_rise<const BANDS: usize>(frames: &[[f32; BANDS]], floor: &Floor<BANDS>) -> Vec<f32> {
    let last = frames.len().saturating_sub(1);
    let at = |i: isize| &frames[i.clamp(0, last as isize) as usize];
    (0..frames.len() as isize)
        .map(|i| {
            let f = floor.at(i as usize);
            let (before, after) = ([at(i - 2), at(i - 3)], at(i + 2));
            log_sum(std::array::from_fn::<f32, BANDS, _>(|b| {
                (after[b] + 1.5 * f[b]) / (before[0][b].max(before[1][b]) + 1.5 * f[b])
            }))
        })
        .collect()
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
    let mut out: Vec<Coarse> = peaks(short, SHORT_LEAST)
        .map(|i| Coarse { at: i * SHORT_HOP, rise: short[i], seen: Seen::Short })
        .collect();
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
