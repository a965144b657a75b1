//! A stretch of sound <-> overlapping frames of its spectrum: 512 samples, a root of a Hann window on both ways.

use std::sync::Arc;

use fearless_simd::{Level, dispatch};
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

/// Samples in a frame: 12 ms, as long as a room keeps a click's sweep apart, 86 Hz a bin.
pub(super) const FRAME: usize = 512;
/// Samples from frame to frame.
pub(super) const HOP: usize = 256;
/// Bins kept, from the first on: to 13.8 kHz, past all that a loudspeaker makes of the guide.
pub(super) const BINS: usize = 160;
const FIRST_BIN: usize = 1;

/// A number of the spectrum.
pub(super) type Bin = Complex<f32>;

/// The transforms.
pub(super) struct Frames {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    /// What overlapping squared windows add up to.
    overlap: f32,
    time: Vec<f32>,
    spectrum: Vec<Bin>,
    scratch: Vec<Bin>,
}

/// Frames that lie wholly within so many samples.
pub(super) fn count(samples: usize) -> usize {
    samples.checked_sub(FRAME).map_or(0, |n| n / HOP + 1)
}

impl Frames {
    pub(super) fn new() -> Frames {
        let mut planner = RealFftPlanner::new();
        let (forward, inverse) = (planner.plan_fft_forward(FRAME), planner.plan_fft_inverse(FRAME));
        let hann = |k: usize| 0.5 - 0.5 * (std::f64::consts::TAU * k as f64 / FRAME as f64).cos();
        Frames {
            window: (0..FRAME).map(|k| hann(k).sqrt() as f32).collect(),
            overlap: FRAME as f32 / HOP as f32 / 2.0,
            time: vec![0.0; FRAME],
            spectrum: forward.make_output_vec(),
            scratch: vec![Bin::default(); forward.get_scratch_len().max(inverse.get_scratch_len())],
            forward,
            inverse,
        }
    }

    /// Spectra of the first `count` frames of `x`, times `factor`, into `out` ([`BINS`] numbers a frame). What lies beyond `x`
    /// is silence.
    pub(super) fn forward(&mut self, x: &[f32], factor: f32, count: usize, out: &mut Vec<Bin>) {
        out.clear();
        for f in 0..count {
            let piece = x.get(f * HOP..).unwrap_or_default();
            let piece = &piece[..piece.len().min(FRAME)];
            self.time[piece.len()..].fill(0.0);
            for ((t, v), w) in self.time.iter_mut().zip(piece).zip(&self.window) {
                *t = v * w * factor;
            }
            // Lengths fit by construction.
            let _ = self.forward.process_with_scratch(&mut self.time, &mut self.spectrum, &mut self.scratch);
            out.extend_from_slice(&self.spectrum[FIRST_BIN..FIRST_BIN + BINS]);
        }
    }

    /// The sound of some frames, `len` samples.
    pub(super) fn inverse(&mut self, frames: &[Bin], len: usize) -> Vec<f32> {
        let mut out = vec![0.0; len];
        for (f, bins) in frames.as_chunks::<BINS>().0.iter().enumerate() {
            self.spectrum.fill(Bin::default());
            self.spectrum[FIRST_BIN..FIRST_BIN + BINS].copy_from_slice(bins);
            let _ = self.inverse.process_with_scratch(&mut self.spectrum, &mut self.time, &mut self.scratch);
            let scale = 1.0 / (FRAME as f32 * self.overlap);
            for ((o, v), w) in out.iter_mut().skip(f * HOP).zip(&self.time).zip(&self.window) {
                *o += v * w * scale;
            }
        }
        out
    }
}

/// Powers smoothed over three frames and five bins, the edges repeated.
pub(super) fn smoothed(powers: &[f32], out: &mut Vec<f32>) {
    dispatch!(Level::new(), _simd => smooth(powers, out));
}

#[inline(always)]
fn smooth(powers: &[f32], out: &mut Vec<f32>) {
    let n = powers.len() / BINS;
    out.clear();
    out.resize(n * BINS, 0.0);
    let mut sum = [0.0f32; BINS + 4];
    for (f, row) in out.as_chunks_mut::<BINS>().0.iter_mut().enumerate() {
        let frame = |k: usize| &powers[k * BINS..(k + 1) * BINS];
        let (a, b, c) = (frame(f.saturating_sub(1)), frame(f), frame((f + 1).min(n - 1)));
        for k in 0..BINS {
            sum[k + 2] = a[k] + b[k] + c[k];
        }
        (sum[0], sum[1]) = (sum[2], sum[2]);
        (sum[BINS + 2], sum[BINS + 3]) = (sum[BINS + 1], sum[BINS + 1]);
        for k in 0..BINS {
            row[k] = (sum[k] + sum[k + 1] + sum[k + 2] + sum[k + 3] + sum[k + 4]) * (1.0 / 15.0);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_give_the_sound_back() {
        let x: Vec<f32> = (0..4096).map(|k| (k as f32 * 0.3).sin() * (k as f32 * 0.001).cos()).collect();
        let mut frames = Frames::new();
        let mut spectra = Vec::new();
        frames.forward(&x, 2.0, count(x.len()), &mut spectra);
        let y = frames.inverse(&spectra, x.len());
        for (a, b) in x.iter().zip(&y).skip(FRAME).take(4096 - 2 * FRAME) {
            assert!((2.0 * a - b).abs() < 1e-3, "{a} {b}");
        }
    }

    #[test]
    fn even_powers_stay_as_they_are() {
        let mut out = Vec::new();
        smoothed(&vec![2.0; 5 * BINS], &mut out);
        assert!(out.len() == 5 * BINS && out.iter().all(|v| (v - 2.0).abs() < 1e-5));
    }
}
