//! Samples -> band powers in overlapping frames: a short transform that shows when, a long one that shows what.
//!
//! Frame `i` is centred on sample `i * hop`; the signal is zero outside. A band's power is the sum over its bins of
//! `|X_k|^2 / sum(w^2)`, a bin that straddles an edge counted by its overlap, so white noise of unit variance gives each
//! band the number of bins in it. Window: Hann (Harris 1978).

use std::sync::Arc;

use realfft::{RealFftPlanner, RealToComplex};

use super::EAR_RATE;
use crate::units::Samples;

/// Bands of the short transform.
pub(crate) const SHORT_BANDS: usize = 8;
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
/// Edges of the short bands in hertz: what 172 Hz bins allow below 2 kHz, thirds of an octave to an octave above.
const SHORT_EDGES: [f64; SHORT_BANDS + 1] =
    [170.0, 500.0, 1000.0, 1800.0, 3000.0, 4500.0, 6500.0, 9500.0, 14_000.0];
/// The long bands share this range equally on a logarithmic scale.
const LONG_RANGE: (f64, f64) = (80.0, 14_000.0);

/// Which frame of a transform; the only way from a frame to a time is [`FrameIndex::centre`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct FrameIndex(pub(crate) usize);

impl FrameIndex {
    /// The sample at its centre.
    pub(crate) fn centre(self, hop: usize) -> Samples {
        Samples((self.0 * hop) as u64)
    }
}

/// The bins of one band with their weights.
struct Band {
    first: usize,
    weights: Vec<f32>,
}

/// One transform: its window and its bands.
pub(crate) struct Transform<const BANDS: usize> {
    fft: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    bands: Vec<Band>,
    hop: usize,
}

impl Transform<SHORT_BANDS> {
    pub(crate) fn short(planner: &mut RealFftPlanner<f32>) -> Self {
        Transform::new(planner, SHORT_LEN, SHORT_HOP, &SHORT_EDGES)
    }
}

impl Transform<LONG_BANDS> {
    pub(crate) fn long(planner: &mut RealFftPlanner<f32>) -> Self {
        let (low, high) = LONG_RANGE;
        let edges: Vec<f64> =
            (0..=LONG_BANDS).map(|i| low * (high / low).powf(i as f64 / LONG_BANDS as f64)).collect();
        Transform::new(planner, LONG_LEN, LONG_HOP, &edges)
    }
}

impl<const BANDS: usize> Transform<BANDS> {
    fn new(planner: &mut RealFftPlanner<f32>, len: usize, hop: usize, edges: &[f64]) -> Self {
        let window: Vec<f64> =
            (0..len).map(|n| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * n as f64 / (len - 1) as f64).cos()).collect();
        let energy: f64 = window.iter().map(|w| w * w).sum();
        let bin = f64::from(EAR_RATE.get()) / len as f64;
        let bands = edges
            .windows(2)
            .map(|edge| {
                let overlap = |k: usize| {
                    let (low, high) = ((k as f64 - 0.5) * bin, (k as f64 + 0.5) * bin);
                    ((high.min(edge[1]) - low.max(edge[0])) / bin).max(0.0)
                };
                let inside: Vec<usize> = (0..=len / 2).filter(|&k| overlap(k) > 0.0).collect();
                let first = inside.first().copied().unwrap_or(0);
                Band { first, weights: inside.iter().map(|&k| (overlap(k) / energy) as f32).collect() }
            })
            .collect();
        let window = window.into_iter().map(|w| w as f32).collect();
        Transform { fft: planner.plan_fft_forward(len), window, bands, hop }
    }

    /// Band powers of every frame whose centre lies in the signal.
    pub(crate) fn frames(&self, x: &[f32]) -> Vec<[f32; BANDS]> {
        let len = self.window.len();
        let half = len / 2;
        let count = x.len() / self.hop + 1;
        let mut out = Vec::with_capacity(count);
        let mut frame = self.fft.make_input_vec();
        let mut bins = self.fft.make_output_vec();
        let mut scratch = self.fft.make_scratch_vec();
        let mut power = vec![0.0f32; bins.len()];
        for i in 0..count {
            let centre = i * self.hop;
            if centre >= half && centre + half <= x.len() {
                for ((y, &v), &w) in frame.iter_mut().zip(&x[centre - half..centre + half]).zip(&self.window) {
                    *y = v * w;
                }
            } else {
                for (k, (y, &w)) in frame.iter_mut().zip(&self.window).enumerate() {
                    let at = (centre + k).checked_sub(half).and_then(|at| x.get(at));
                    *y = at.copied().unwrap_or(0.0) * w;
                }
            }
            // The lengths come from the plan itself, so the transform cannot refuse them.
            if self.fft.process_with_scratch(&mut frame, &mut bins, &mut scratch).is_err() {
                break;
            }
            for (p, b) in power.iter_mut().zip(&bins) {
                *p = b.re * b.re + b.im * b.im;
            }
            let mut bands = [0.0f32; BANDS];
            for (sum, band) in bands.iter_mut().zip(&self.bands) {
                *sum = dot(&power[band.first..band.first + band.weights.len()], &band.weights);
            }
            out.push(bands);
        }
        out
    }
}

/// Sum of products, in eight lanes so that the compiler can use wide registers.
pub(crate) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut lanes = [0.0f32; 8];
    let (a8, b8) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f32 = a8.remainder().iter().zip(b8.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a8.zip(b8) {
        for k in 0..8 {
            lanes[k] += x[k] * y[k];
        }
    }
    lanes.iter().sum::<f32>() + tail
}

/// Natural logarithm to about 1e-6 in absolute terms, for positive normal numbers; made of steps that the compiler can
/// run side by side. Mantissa in `[sqrt(1/2), sqrt(2))`, series of `2 artanh((m-1)/(m+1))` to the ninth power.
pub(crate) fn fast_ln(x: f32) -> f32 {
    let bits = x.to_bits().wrapping_sub(0x3f35_04f3);
    let exponent = (bits as i32) >> 23;
    let m = f32::from_bits((bits & 0x007f_ffff).wrapping_add(0x3f35_04f3));
    let s = (m - 1.0) / (m + 1.0);
    let z = s * s;
    let series = 2.0 * s * (1.0 + z * (1.0 / 3.0 + z * (1.0 / 5.0 + z * (1.0 / 7.0 + z * (1.0 / 9.0)))));
    exponent as f32 * std::f32::consts::LN_2 + series
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fast_ln_agrees_with_ln_over_the_whole_range_of_powers() {
        for k in 0..40_000 {
            let x = 1e-18f32 * 1.003f32.powi(k % 26_000).max(1e-3);
            assert!((fast_ln(x) - x.ln()).abs() < 2e-5 * x.ln().abs().max(1.0), "{x}");
        }
    }

    #[test]
    fn a_sine_gives_its_band_the_power_of_its_definition() {
        // A sine of amplitude a on a bin: sum over bins of |X|^2 / sum(w^2) = a^2/4 * (sum w)^2/sum(w^2) * (1 + 2/4) for
        // Hann's three lines of amplitude 1, 1/2, 1/2 (Harris 1978); sum(w)^2/sum(w^2) -> N/1.5, so a^2 N / 4.
        let rate = f64::from(EAR_RATE.get());
        let f = 9.0 * rate / LONG_LEN as f64 * 4.0;
        let x: Vec<f32> =
            (0..44_100).map(|n| (0.5 * (2.0 * std::f64::consts::PI * f * n as f64 / rate).sin()) as f32).collect();
        let frames = Transform::long(&mut RealFftPlanner::new()).frames(&x);
        let total: f32 = frames[80].iter().sum();
        assert!((total / (0.25 * LONG_LEN as f32 / 4.0) - 1.0).abs() < 0.01, "{total}");
    }

    #[test]
    fn frame_i_is_centred_on_sample_i_times_hop() {
        let mut x = vec![0.0f32; 4096];
        x[SHORT_HOP * 20] = 1.0;
        let frames = Transform::short(&mut RealFftPlanner::new()).frames(&x);
        let loudest = (0..frames.len()).max_by(|&a, &b| frames[a][5].total_cmp(&frames[b][5]));
        assert_eq!(loudest.map(|i| FrameIndex(i).centre(SHORT_HOP)), Some(Samples((SHORT_HOP * 20) as u64)));
    }
}
