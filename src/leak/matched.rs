//! The limited band -> how well each of the guide's sounds matches at each sample.
//!
//! Matched filter: correlation with the sound put through the same limiter, weighted by its own envelope, of unit energy.
//! By fast convolution (overlap-save).

use realfft::RealFftPlanner;
use realfft::num_complex::Complex;

use super::limit::{limit, median};
use super::low::Low;
use crate::guide::Sound;
use crate::onset::EAR_RATE;

/// Silence around a sound before it is limited: the limiter's filters ring.
const AROUND: usize = 100;
/// A sound's envelope is its level over this many samples, 2 ms.
const ENVELOPE: usize = 22;
/// Shortest transform.
const SHORTEST: usize = 4096;
/// From the median of absolute values to the standard deviation of Gaussian noise.
pub(super) const TO_SIGMA: f32 = 1.4826;

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

/// Matches of all `sounds` in the low band of a recording.
pub(super) fn matches(low: &[f32], sounds: &[Sound]) -> Vec<Match> {
    let limited = limit(low);
    let templates: Vec<Vec<f32>> = sounds.iter().map(|s| template(*s)).collect();
    let longest = templates.iter().map(Vec::len).max().unwrap_or(0);
    let len = (4 * longest).next_power_of_two().max(SHORTEST);
    let mut planner = RealFftPlanner::<f32>::new();
    let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
    let mut scratch = vec![Complex::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
    let spectrum = |mut x: Vec<f32>, scratch: &mut [Complex<f32>]| {
        let mut out = forward.make_output_vec();
        x.resize(len, 0.0);
        // Lengths fit by construction, so neither direction can fail.
        let _ = forward.process_with_scratch(&mut x, &mut out, scratch);
        out
    };
    let spectra: Vec<Vec<Complex<f32>>> = templates.iter().map(|t| spectrum(t.clone(), &mut scratch)).collect();
    let mut out: Vec<Match> =
        sounds.iter().map(|s| Match { sound: *s, values: Vec::with_capacity(low.len()) }).collect();
    let step = len - longest;
    let mut piece = vec![0.0; len];
    let mut product = forward.make_output_vec();
    for from in (0..low.len()).step_by(step.max(1)) {
        // Correlation at sample i needs what follows; a sound begins AROUND after its template does.
        let sample = |i: isize| usize::try_from(i).ok().and_then(|i| limited.get(i)).copied().unwrap_or(0.0);
        let block: Vec<f32> = (0..len as isize).map(|k| sample(from as isize - AROUND as isize + k)).collect();
        let heard = spectrum(block, &mut scratch);
        for (row, template) in out.iter_mut().zip(&spectra) {
            for ((p, a), b) in product.iter_mut().zip(&heard).zip(template) {
                *p = a * b.conj();
            }
            // The first and last number of a real spectrum are real.
            for edge in [0, len / 2] {
                product[edge].im = 0.0;
            }
            let _ = inverse.process_with_scratch(&mut product, &mut piece, &mut scratch);
            let n = step.min(low.len() - from);
            row.values.extend(piece[..n].iter().map(|v| v / len as f32));
        }
    }
    for row in &mut out {
        let mut some: Vec<f32> = row.values.iter().step_by(7).map(|v| v.abs()).collect();
        let noise = (TO_SIGMA * median(&mut some)).max(1e-6);
        for v in &mut row.values {
            *v /= noise;
        }
    }
    out
}
