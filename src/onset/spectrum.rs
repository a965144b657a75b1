//! Samples -> band powers in overlapping frames: a short transform that shows when, a long one that shows what.
//!
//! Frame `i` is centred on sample `i * hop`; the signal is zero outside. A band's power is the sum over its bins of
//! `|X_k|^2 / sum(w^2)`, a bin that straddles an edge counted by its overlap, so white noise of unit variance gives each
//! band the number of bins in it. Window: Hann (Harris 1978).

use std::sync::Arc;

use fearless_simd::{Level, dispatch, prelude::*};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

use super::lanes::{WIDEST, whole_dot};
use crate::units::{EAR_RATE, Samples};

/// Bands of the short transform.
pub(crate) const SHORT_BANDS: usize = 16;
/// Bands of the long transform.
pub(crate) const LONG_BANDS: usize = 24;
/// Samples between short frames: 1.45 ms.
pub(crate) const SHORT_HOP: usize = 64;
/// Samples between long frames: 5.8 ms.
pub(crate) const LONG_HOP: usize = 256;
/// Samples in a short frame: 5.8 ms, a stick's contact and the first of its ring.
const SHORT_LEN: usize = 256;
/// Samples in a long frame: 23 ms, fine enough to part a bucket's lowest modes from hum.
const LONG_LEN: usize = 1024;
/// Edges of the short bands in hertz: one bin (172 Hz) each below 1 kHz, then thirds of an octave.
const SHORT_EDGES: [f64; SHORT_BANDS + 1] = [
    100.0, 280.0, 460.0, 640.0, 820.0, 1000.0, 1300.0, 1700.0, 2200.0, 2800.0, 3500.0, 4500.0, 5800.0, 7500.0,
    10_000.0, 13_000.0, 16_500.0,
];
/// Edges of the long bands: one bin (43 Hz) each below 250 Hz, then quarters of an octave.
const LONG_EDGES: [f64; LONG_BANDS + 1] = [
    60.0, 103.0, 146.0, 189.0, 232.0, 280.0, 340.0, 410.0, 500.0, 600.0, 720.0, 870.0, 1050.0, 1270.0, 1550.0, 1900.0,
    2350.0, 2900.0, 3600.0, 4500.0, 5700.0, 7300.0, 9500.0, 12_000.0, 15_500.0,
];

/// The middle of a short band, on a logarithmic scale.
pub(crate) fn short_middle_hz(band: usize) -> f64 {
    (SHORT_EDGES[band] * SHORT_EDGES[band + 1]).sqrt()
}

/// Which frame of a transform; the only way from a frame to a time is [`FrameIndex::centre`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FrameIndex(pub(crate) usize);

impl FrameIndex {
    /// The sample at its centre.
    pub(crate) fn centre(self, hop: usize) -> Samples {
        Samples((self.0 * hop) as u64)
    }
}

/// The bins of one band with their weights, filled up with zeros to whole registers.
struct Band {
    first: usize,
    weights: Vec<f32>,
}

/// Complex numbers transformed at a time: their windowed samples and their spectra fit the nearest cache together.
const BATCH: usize = 2048;

/// One transform: its window and its bands.
pub(crate) struct Transform<const BANDS: usize> {
    fft: Arc<dyn Fft<f32>>,
    window: Vec<f32>,
    bands: Vec<Band>,
    /// The bins that any band needs.
    bins: std::ops::Range<usize>,
    hop: usize,
}

impl Transform<SHORT_BANDS> {
    pub(crate) fn short(planner: &mut FftPlanner<f32>) -> Self {
        Transform::new(planner, SHORT_LEN, SHORT_HOP, &SHORT_EDGES)
    }
}

impl Transform<LONG_BANDS> {
    pub(crate) fn long(planner: &mut FftPlanner<f32>) -> Self {
        Transform::new(planner, LONG_LEN, LONG_HOP, &LONG_EDGES)
    }
}

impl<const BANDS: usize> Transform<BANDS> {
    fn new(planner: &mut FftPlanner<f32>, len: usize, hop: usize, edges: &[f64]) -> Self {
        let window: Vec<f64> =
            (0..len).map(|n| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * n as f64 / (len - 1) as f64).cos()).collect();
        let energy: f64 = window.iter().map(|w| w * w).sum();
        let bin = f64::from(EAR_RATE.get()) / len as f64;
        let mut bins = len / 2..0;
        let bands = edges
            .windows(2)
            .map(|edge| {
                let overlap = |k: usize| {
                    let (low, high) = ((k as f64 - 0.5) * bin, (k as f64 + 0.5) * bin);
                    ((high.min(edge[1]) - low.max(edge[0])) / bin).max(0.0)
                };
                let inside: Vec<usize> = (0..=len / 2).filter(|&k| overlap(k) > 0.0).collect();
                let first = inside.first().copied().unwrap_or(0);
                bins = bins.start.min(first)..bins.end.max(first + inside.len());
                // A quarter, since `two_powers` gives four times the power.
                let mut weights: Vec<f32> = inside.iter().map(|&k| (0.25 * overlap(k) / energy) as f32).collect();
                weights.resize(weights.len().next_multiple_of(WIDEST), 0.0);
                Band { first, weights }
            })
            .collect();
        let window = window.into_iter().map(|w| w as f32).collect();
        Transform { fft: planner.plan_fft_forward(len), window, bands, bins, hop }
    }

    /// Band powers of every frame whose centre lies in the signal.
    pub(crate) fn frames(&self, x: &[f32]) -> Vec<[f32; BANDS]> {
        dispatch!(Level::new(), simd => self.frames_with(simd, x))
    }

    /// Two frames at a time, as real and imaginary part of one transform.
    #[inline(always)]
    fn frames_with<S: Simd>(&self, simd: S, x: &[f32]) -> Vec<[f32; BANDS]> {
        let len = self.window.len();
        let count = x.len() / self.hop + 1;
        let mut out = Vec::with_capacity(count + 1);
        let pairs = BATCH / len;
        let mut windowed = vec![Complex::ZERO; BATCH];
        let mut spectra = vec![Complex::ZERO; BATCH];
        let mut scratch = vec![Complex::ZERO; self.fft.get_outofplace_scratch_len()];
        let mut powers = [vec![0.0f32; len], vec![0.0f32; len]];
        let mut edges = [vec![0.0f32; len], vec![0.0f32; len]];
        for first in (0..count).step_by(2 * pairs) {
            let pairs = pairs.min((count - first).div_ceil(2));
            for (pair, frame) in windowed.chunks_exact_mut(len).take(pairs).zip((first..).step_by(2)) {
                let [a, b] = &mut edges;
                window_two(simd, [self.stretch(x, frame, a), self.stretch(x, frame + 1, b)], &self.window, pair);
            }
            let used = pairs * len;
            self.fft.process_outofplace_with_scratch(&mut windowed[..used], &mut spectra[..used], &mut scratch);
            for spectrum in spectra[..used].chunks_exact(len) {
                two_powers(simd, spectrum, self.bins.clone(), &mut powers);
                for powers in &powers {
                    let mut bands = [0.0f32; BANDS];
                    for (sum, band) in bands.iter_mut().zip(&self.bands) {
                        *sum = whole_dot(simd, &powers[band.first..band.first + band.weights.len()], &band.weights);
                    }
                    out.push(bands);
                }
            }
        }
        out.truncate(count);
        out
    }

    /// The samples of a frame; those of a frame at an edge of the signal are put together in `edge`.
    fn stretch<'a>(&self, x: &'a [f32], frame: usize, edge: &'a mut [f32]) -> &'a [f32] {
        let half = edge.len() / 2;
        let centre = frame * self.hop;
        if centre >= half && centre + half <= x.len() {
            return &x[centre - half..centre + half];
        }
        for (k, v) in edge.iter_mut().enumerate() {
            *v = (centre + k).checked_sub(half).and_then(|at| x.get(at)).copied().unwrap_or(0.0);
        }
        edge
    }
}

/// Two windowed frames as real and imaginary parts.
#[inline(always)]
fn window_two<S: Simd>(simd: S, frames: [&[f32]; 2], window: &[f32], out: &mut [Complex<f32>]) {
    let lanes = S::f32s::LEN;
    let [a, b] = [frames[0].chunks_exact(lanes), frames[1].chunks_exact(lanes)];
    let out = bytemuck::cast_slice_mut::<_, f32>(out).chunks_exact_mut(2 * lanes);
    for (((a, b), w), out) in a.zip(b).zip(window.chunks_exact(lanes)).zip(out) {
        let w = S::f32s::from_slice(simd, w);
        let (low, high) = (S::f32s::from_slice(simd, a) * w).interleave(S::f32s::from_slice(simd, b) * w);
        low.store_slice(&mut out[..lanes]);
        high.store_slice(&mut out[lanes..]);
    }
}

/// Four times the powers `|X_k|^2` of two real frames from the transform `Z` of the first plus `i` times the second:
/// `2 X_k = Z_k + conj Z_{N-k}` and `2 i Y_k = Z_k - conj Z_{N-k}` (Oppenheim & Schafer, symmetry of the transform).
/// Some bins beyond the range are filled as well.
#[inline(always)]
fn two_powers<S: Simd>(simd: S, spectrum: &[Complex<f32>], bins: std::ops::Range<usize>, powers: &mut [Vec<f32>; 2]) {
    let lanes = S::f32s::LEN;
    for k in bins.step_by(lanes) {
        let mirror = spectrum.len() + 1 - k - lanes;
        let (re, im) = parts(simd, &spectrum[k..k + lanes]);
        let (mirror_re, mirror_im) = parts(simd, &spectrum[mirror..mirror + lanes]);
        let (mirror_re, mirror_im) = (mirror_re.reverse(), mirror_im.reverse());
        let (a, b) = (re + mirror_re, im - mirror_im);
        a.mul_add(a, b * b).store_slice(&mut powers[0][k..k + lanes]);
        let (a, b) = (re - mirror_re, im + mirror_im);
        a.mul_add(a, b * b).store_slice(&mut powers[1][k..k + lanes]);
    }
}

/// Real and imaginary parts of a register's worth of numbers.
#[inline(always)]
fn parts<S: Simd>(simd: S, z: &[Complex<f32>]) -> (S::f32s, S::f32s) {
    let (low, high) = bytemuck::cast_slice(z).split_at(S::f32s::LEN);
    S::f32s::from_slice(simd, low).deinterleave(S::f32s::from_slice(simd, high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_gives_its_band_the_power_of_its_definition() {
        // A sine of amplitude a on a bin: sum over bins of |X|^2 / sum(w^2) = a^2/4 * (sum w)^2/sum(w^2) * (1 + 2/4) for
        // Hann's three lines of amplitude 1, 1/2, 1/2 (Harris 1978); sum(w)^2/sum(w^2) -> N/1.5, so a^2 N / 4.
        let rate = f64::from(EAR_RATE.get());
        let f = 9.0 * rate / LONG_LEN as f64 * 4.0;
        let x: Vec<f32> =
            (0..44_100).map(|n| (0.5 * (2.0 * std::f64::consts::PI * f * n as f64 / rate).sin()) as f32).collect();
        let frames = Transform::long(&mut FftPlanner::new()).frames(&x);
        let total: f32 = frames[80].iter().sum();
        assert!((total / (0.25 * LONG_LEN as f32 / 4.0) - 1.0).abs() < 0.01, "{total}");
    }

    #[test]
    fn frame_i_is_centred_on_sample_i_times_hop() {
        let mut x = vec![0.0f32; 4096];
        x[SHORT_HOP * 20] = 1.0;
        let frames = Transform::short(&mut FftPlanner::new()).frames(&x);
        let loudest = (0..frames.len()).max_by(|&a, &b| frames[a][5].total_cmp(&frames[b][5]));
        assert_eq!(loudest.map(|i| FrameIndex(i).centre(SHORT_HOP)), Some(Samples((SHORT_HOP * 20) as u64)));
    }
}
