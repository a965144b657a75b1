//! The limited band -> how well each of the guide's sounds matches at each sample.
//!
//! Matched filter: correlation with the sound put through the same limiter, weighted by its own envelope, of unit energy.
//! By fast convolution (overlap-save).

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::limit::{limit, median};
use super::low::Low;
use crate::guide::Sound;
use crate::onset::EAR_RATE;
use crate::stats::MAD_TO_SD;

/// Silence around a sound before it is limited: the limiter's filters ring.
const AROUND: usize = 100;
/// A sound's envelope is its level over this many samples, 2 ms.
const ENVELOPE: usize = 22;
/// Shortest transform.
const SHORTEST: usize = 4096;
/// From the median of absolute values to the standard deviation of Gaussian noise.
pub(super) const TO_SIGMA: f32 = MAD_TO_SD as f32;

/// The limiter makes noise of any level match by 3 to 4 (takes of `scripts/measure_leak.py`, white noise); where it is less
/// there is silence without any noise, in which everything would stand out.
const LEAST_NOISE: f32 = 0.5;

/// How well a sound matches, sample by sample.
pub(super) struct Match {
    /// Which sound.
    pub(super) sound: Sound,
    /// Value where the sound would begin at sample `i` of the low band, in units of its own noise.
    pub(super) values: Vec<f32>,
}

/// A sound as it comes out of the limiter, and where it begins there.
fn template(sound: Sound) -> Vec<f32> {
    let mut low = Low::new();
    let quarter = super::low::QUARTER;
    low.push(&vec![0.0; AROUND * quarter]);
    low.push(&sound.samples(EAR_RATE));
    low.push(&vec![0.0; AROUND * quarter]);
    let plain = low.finish();
    let limited = limit(&plain);
    let level = |i: usize| {
        let near = &plain[i.saturating_sub(ENVELOPE / 2)..(i + ENVELOPE / 2 + 1).min(plain.len())];
        (near.iter().map(|v| v * v).sum::<f32>() / near.len().max(1) as f32).sqrt()
    };
    let mut out: Vec<f32> = limited.iter().enumerate().map(|(i, v)| v * level(i)).collect();
    let norm = out.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-12);
    for v in &mut out {
        *v /= norm;
    }
    out
}

/// Finds sounds in the low band.
pub(super) struct Matcher {
    sounds: Vec<Sound>,
    spectra: Vec<Vec<Complex<f32>>>,
    longest: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Room for a piece of the band, and for its spectrum and a product.
    piece: Vec<f32>,
    heard: Vec<Complex<f32>>,
    product: Vec<Complex<f32>>,
}

impl Matcher {
    pub(super) fn new(sounds: &[Sound]) -> Matcher {
        let templates: Vec<Vec<f32>> = sounds.iter().map(|s| template(*s)).collect();
        let longest = templates.iter().map(Vec::len).max().unwrap_or(0);
        let len = (4 * longest).next_power_of_two().max(SHORTEST);
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let mut scratch = vec![Complex::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        let spectrum = |mut x: Vec<f32>| {
            let mut out = forward.make_output_vec();
            x.resize(len, 0.0);
            // Lengths fit by construction, so neither direction can fail.
            let _ = forward.process_with_scratch(&mut x, &mut out, &mut scratch);
            out
        };
        let spectra = templates.into_iter().map(spectrum).collect();
        Matcher {
            sounds: sounds.to_vec(),
            spectra,
            longest,
            piece: vec![0.0; len],
            heard: forward.make_output_vec(),
            product: forward.make_output_vec(),
            forward,
            inverse,
            scratch,
        }
    }

    /// The sounds that are looked for, in order.
    pub(super) fn sounds(&self) -> &[Sound] {
        &self.sounds
    }

    /// Matches of all sounds where they would begin at samples `from..to` of the low band, into `out`, which is empty or was filled
    /// here.
    pub(super) fn matches(&mut self, low: &[f32], from: usize, to: usize, out: &mut Vec<Match>) {
        // Correlation at a sample needs what follows; a sound begins AROUND after its template does.
        let begin = from.saturating_sub(AROUND);
        let limited = limit(&low[begin..(to + self.longest).min(low.len())]);
        let sample =
            |i: usize| (i + from).checked_sub(AROUND + begin).and_then(|i| limited.get(i)).copied().unwrap_or(0.0);
        let count = to - from;
        if out.is_empty() {
            out.extend(self.sounds.iter().map(|s| Match { sound: *s, values: Vec::new() }));
        }
        for row in out.iter_mut() {
            row.values.clear();
            row.values.reserve_exact(count);
        }
        let len = self.piece.len();
        let step = (len - self.longest).max(1);
        for first in (0..count).step_by(step) {
            for (k, v) in self.piece.iter_mut().enumerate() {
                *v = sample(first + k);
            }
            let _ = self.forward.process_with_scratch(&mut self.piece, &mut self.heard, &mut self.scratch);
            for (row, template) in out.iter_mut().zip(&self.spectra) {
                for ((p, a), b) in self.product.iter_mut().zip(&self.heard).zip(template) {
                    *p = a * b.conj();
                }
                // The first and last number of a real spectrum are real.
                for edge in [0, len / 2] {
                    self.product[edge].im = 0.0;
                }
                let _ = self.inverse.process_with_scratch(&mut self.product, &mut self.piece, &mut self.scratch);
                let n = step.min(count - first);
                row.values.extend_from_slice(&self.piece[..n]);
            }
        }
        for row in out {
            let mut some: Vec<f32> = row.values.iter().step_by(7).map(|v| v.abs()).collect();
            let noise = (TO_SIGMA * median(&mut some)).max(LEAST_NOISE * len as f32);
            for v in &mut row.values {
                *v /= noise;
            }
        }
    }
}
