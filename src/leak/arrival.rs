//! Templates over the guide's own sounds -> the room's answer; its first strong peak is the direct sound.
//!
//! Regularised division of spectra, `H = sum n T conj(S) / (sum n |S|^2 + .001 max)`, between 500 and 4500 Hz. It corrects
//! the place found by matching, which for sounds that ring is off by milliseconds.

use realfft::num_complex::Complex;
use rustfft::FftPlanner;

use super::refine::first_peak;
use super::template::{AHEAD, Cue, Template};
use crate::guide::Sound;
use crate::units::{EAR_RATE, Seconds};

const LEN: usize = 8192;
/// How much finer the answer is looked at than the samples.
const FINE: usize = 4;
/// The direct sound lies this near where it was thought, and is so high beside the largest.
const NEAR_S: f64 = 0.045;
const SHARE: f32 = 0.65;
const BEFORE_S: f64 = 0.04;
const REGULAR: f32 = 1e-3;
/// The band of the answer.
const BAND_HZ: (f64, f64) = (500.0, 4500.0);

/// How much later than thought the direct sound comes.
pub(super) fn arrival(sounds: &[Sound], templates: &[Template], cues: &[Cue]) -> Seconds {
    let rate = f64::from(EAR_RATE.get());
    let mut planner = FftPlanner::<f32>::new();
    let forward = planner.plan_fft_forward(LEN);
    let mut over = vec![Complex::new(0.0f32, 0.0); LEN];
    let mut under = vec![0.0f32; LEN];
    for (kind, (sound, template)) in sounds.iter().zip(templates).enumerate() {
        let n = cues.iter().filter(|c| c.used && c.kind == kind).count() as f32;
        let spectrum = |x: &mut dyn Iterator<Item = f32>| {
            let mut z: Vec<Complex<f32>> = x.take(LEN).map(|v| Complex::new(v, 0.0)).collect();
            z.resize(LEN, Complex::default());
            forward.process(&mut z);
            z
        };
        // The end fades out, since the template goes on.
        let fade = |k: usize| if k + 1024 < LEN { 1.0 } else { (LEN - k) as f32 / 1024.0 };
        let heard = spectrum(&mut template.sound.iter().enumerate().map(|(k, v)| v * fade(k)));
        let played = sound.samples(EAR_RATE);
        let plain = spectrum(&mut std::iter::repeat_n(0.0, AHEAD).chain(played));
        for ((o, u), (a, b)) in over.iter_mut().zip(&mut under).zip(heard.iter().zip(&plain)) {
            *o += a * b.conj() * n;
            *u += b.norm_sqr() * n;
        }
    }
    let most = under.iter().fold(0.0f32, |m, v| m.max(*v));
    if most <= 0.0 || over.iter().all(|v| v.norm_sqr() < 1e-30) {
        return Seconds::ZERO;
    }
    // The analytic signal: positive frequencies alone.
    let mut fine = vec![Complex::new(0.0f32, 0.0); LEN * FINE];
    for k in 1..LEN / 2 {
        let f = k as f64 * rate / LEN as f64;
        let band = 1.0 / (1.0 + (BAND_HZ.0 / f).powi(4)) / (1.0 + (f / BAND_HZ.1).powi(8));
        fine[k] = over[k] * (band as f32 / (under[k] + REGULAR * most));
    }
    planner.plan_fft_inverse(LEN * FINE).process(&mut fine);
    let near = (NEAR_S * rate) as usize * FINE;
    let answer: Vec<f32> = (0..2 * near).map(|k| fine[(k + LEN * FINE - near) % (LEN * FINE)].norm()).collect();
    let at = first_peak(&answer, 1, (BEFORE_S * rate) as usize * FINE, SHARE);
    Seconds::of((at as f64 - near as f64) / FINE as f64 / rate)
}
