//! Band powers -> noise floors; quantiles of many numbers.

use fearless_simd::{Level, dispatch, f32x8, i32x8, prelude::*};

use crate::stats::rank;
use crate::units::EAR_RATE;

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
/// The floor is never more than 45 dB below a band's loud level, so a clean take looks to the model like one at 45 dB:
/// `10^-4.5`.
const FLOOR_BELOW_LOUD: f32 = 3.162_277_7e-5;
/// The same against the mean loud level of all bands, for bands that a phone cuts off: `10^-5.5`.
const FLOOR_BELOW_ALL: f32 = 3.162_277_7e-6;
/// Smallest floor, far below one step of a 24-bit recording: keeps digital silence from dividing by zero.
const FLOOR_MIN: f32 = 1e-14;

/// Bands are handled in groups of so many, one a lane; both transforms have whole groups.
pub(crate) const GROUP: usize = 8;

/// Noise floor per band between block centres.
pub(crate) struct Floor<const BANDS: usize> {
    blocks: Vec<[f32; BANDS]>,
    least: [f32; BANDS],
    block_len: usize,
}

/// Bits of a power that its quantiles keep: those below are worth .4 % of it, a sixtieth of a decibel.
const KEPT_BITS: std::ops::Range<u32> = 15..31;

/// As [`crate::stats::quantile`], for values of at least zero, which keep their order; without the bits below [`KEPT_BITS`].
///
/// Such values are ordered as their bits are, so the answer is found bit by bit from the top: a bit is set if no more
/// values than the rank lie below the number with it.
pub(crate) fn quantile_of_powers(values: &[f32], q: f64) -> f32 {
    #[inline(always)]
    fn find<S: Simd>(simd: S, values: &[f32], k: usize) -> f32 {
        let mut found = 0i32;
        let whole = values.chunks_exact(S::f32s::LEN);
        let tail = whole.remainder();
        for bit in KEPT_BITS.rev() {
            let tried = found | 1 << bit;
            let mut below = S::i32s::splat(simd, 0);
            for values in whole.clone() {
                let bits: S::i32s = S::f32s::from_slice(simd, values).bitcast();
                below -= bits.simd_lt(S::i32s::splat(simd, tried)).to_vector();
            }
            let mut count = 0;
            for &lane in below.as_slice() {
                count += lane as usize;
            }
            for value in tail {
                count += usize::from((value.to_bits() as i32) < tried);
            }
            if count <= k {
                found = tried;
            }
        }
        f32::from_bits(found as u32)
    }
    if values.is_empty() {
        return 0.0;
    }
    let k = rank(values.len(), q);
    dispatch!(Level::new(), simd => find(simd, values, k))
}

/// [`quantile_of_powers`] of each band; 0 without frames.
#[inline(always)]
fn quantile_of_bands<S: Simd, const BANDS: usize>(simd: S, frames: &[[f32; BANDS]], q: f64) -> [f32; BANDS] {
    let mut out = [0.0; BANDS];
    if frames.is_empty() {
        return out;
    }
    let k = i32x8::splat(simd, rank(frames.len(), q) as i32);
    for (first, out) in (0..BANDS).step_by(GROUP).zip(out.as_chunks_mut::<GROUP>().0) {
        let mut found = i32x8::splat(simd, 0);
        for bit in KEPT_BITS.rev() {
            let tried = found | 1 << bit;
            let mut below = i32x8::splat(simd, 0);
            for frame in frames {
                let bits: i32x8<S> = f32x8::from_slice(simd, &frame[first..first + GROUP]).bitcast();
                below -= bits.simd_lt(tried).to_vector();
            }
            found = below.simd_le(k).select(tried, found);
        }
        let found: f32x8<S> = found.bitcast();
        found.store_slice(out);
    }
    out
}

impl<const BANDS: usize> Floor<BANDS> {
    pub(crate) fn track(frames: &[[f32; BANDS]], hop: usize) -> Self {
        dispatch!(Level::new(), simd => Self::track_with(simd, frames, hop))
    }

    #[inline(always)]
    fn track_with<S: Simd>(simd: S, frames: &[[f32; BANDS]], hop: usize) -> Self {
        let block_len = ((FLOOR_BLOCK_S * f64::from(EAR_RATE.get()) / hop as f64) as usize).max(8);
        let count = (frames.len() / block_len).max(1);
        let mut quiet = Vec::with_capacity(count);
        for i in 0..count {
            let end = if i + 1 == count { frames.len() } else { (i + 1) * block_len };
            quiet.push(quantile_of_bands(simd, &frames[i * block_len..end], FLOOR_QUANTILE));
        }
        let loud = quantile_of_bands(simd, frames, LOUD_QUANTILE);
        let mean = loud.iter().sum::<f32>() / BANDS as f32;
        let least = loud.map(|l| FLOOR_BELOW_LOUD * l + FLOOR_BELOW_ALL * mean + FLOOR_MIN);
        let mut blocks = Vec::with_capacity(count);
        for i in 0..count {
            let near = i.saturating_sub(FLOOR_NEIGHBOURS)..(i + FLOOR_NEIGHBOURS + 1).min(count);
            blocks.push(quantile_of_bands(simd, &quiet[near], FLOOR_SMOOTH_QUANTILE));
        }
        Floor { blocks, least, block_len }
    }

    /// What the floor at a frame is made of.
    #[inline(always)]
    pub(crate) fn around(&self, frame: usize) -> Around<'_, BANDS> {
        let place = (frame as f32 / self.block_len as f32 - 0.5).max(0.0);
        let last = self.blocks.len().saturating_sub(1);
        let i = (place as usize).min(last);
        Around {
            blocks: [&self.blocks[i], &self.blocks[(i + 1).min(last)]],
            share: (place - i as f32).clamp(0.0, 1.0),
            least: &self.least,
        }
    }

    /// The floor at a frame: linear between block centres, level beyond them.
    pub(crate) fn at(&self, frame: usize) -> [f32; BANDS] {
        let Around { blocks: [a, b], share, least } = self.around(frame);
        std::array::from_fn(|k| (a[k] + share * (b[k] - a[k])).max(least[k]) + FLOOR_MIN)
    }
}

/// The floor at a frame, before it is worked out.
pub(crate) struct Around<'a, const BANDS: usize> {
    blocks: [&'a [f32; BANDS]; 2],
    share: f32,
    least: &'a [f32; BANDS],
}

impl<const BANDS: usize> Around<'_, BANDS> {
    /// As [`Floor::at`], for the bands from `first` on.
    #[inline(always)]
    pub(crate) fn group<S: Simd>(&self, simd: S, first: usize) -> f32x8<S> {
        let group = first..first + GROUP;
        let a = f32x8::from_slice(simd, &self.blocks[0][group.clone()]);
        let b = f32x8::from_slice(simd, &self.blocks[1][group.clone()]);
        let least = f32x8::from_slice(simd, &self.least[group]);
        ((b - a) * self.share + a).max(least) + FLOOR_MIN
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::stats::quantile;

    /// Powers over sixteen decades, and silence.
    fn powers(n: usize, seed: u64) -> Vec<f32> {
        let mut rng = crate::rng::Rng(seed);
        (0..n).map(|_| if rng.below(7) == 0 { 0.0 } else { (rng.unit() as f32 * 37.0 - 34.0).exp() }).collect()
    }

    /// Without the bits that are not kept.
    fn kept(value: f32) -> u32 {
        value.to_bits() >> KEPT_BITS.start << KEPT_BITS.start
    }

    #[test]
    fn quantiles_found_bit_by_bit_are_those_of_the_sorted_values() {
        for n in [1, 2, 7, 16, 33, 500, 4097] {
            let values = powers(n, n as u64);
            let mut sorted = values.clone();
            sorted.sort_by(f32::total_cmp);
            for q in [0.0, 0.25, 0.5, 0.985, 1.0] {
                let expected = sorted[((n - 1) as f64 * q).round() as usize];
                assert_eq!(quantile_of_powers(&values, q).to_bits(), kept(expected), "{n} {q}");
                assert_eq!(quantile(&mut values.clone(), q).to_bits(), expected.to_bits(), "{n} {q}");
            }
        }
    }

    #[test]
    fn each_band_has_its_own_quantile() {
        let frames: Vec<[f32; 24]> = powers(24 * 275, 5).as_chunks().0.to_vec();
        let found = dispatch!(Level::new(), simd => quantile_of_bands(simd, &frames, 0.25));
        for (band, found) in found.into_iter().enumerate() {
            let mut column: Vec<f32> = frames.iter().map(|f| f[band]).collect();
            assert_eq!(found.to_bits(), kept(quantile(&mut column, 0.25)), "{band}");
        }
    }

    #[test]
    fn a_floor_lies_between_its_block_centres_and_not_below_its_least() {
        let floor = Floor::<8> {
            blocks: vec![[1.0; 8], [3.0; 8]],
            least: [0.5, 2.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5],
            block_len: 10,
        };
        for (frame, expected) in [(0, 1.0), (5, 1.0), (10, 2.0), (15, 3.0), (40, 3.0)] {
            let found = floor.at(frame);
            assert!((found[0] - expected).abs() < 1e-6, "{frame}");
            assert!((found[1] - expected.max(2.5)).abs() < 1e-6, "{frame}");
            let group = dispatch!(Level::new(), simd => *floor.around(frame).group(simd, 0).as_array());
            assert!(group.iter().zip(found).all(|(a, b)| (a - b).abs() < 1e-6), "{frame}");
        }
    }
}
