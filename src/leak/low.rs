//! Samples at [`EAR_RATE`] -> the band in which a guide is looked for, at a quarter of the rate.
//!
//! A windowed-sinc low-pass of linear phase whose delay is taken off: sample `n` stands at `n / LOW_HZ` seconds.

use std::f64::consts::PI;

use fearless_simd::{Level, dispatch};

use super::LONGEST;
use crate::guide::LONGEST as LONGEST_GUIDE;
use crate::onset::{EAR_RATE, dot};

/// Samples of the ear that make one here.
pub(super) const QUARTER: usize = 4;
/// Samples a second: 11 025, enough for the guide's chirps, which end at 4 kHz.
pub(super) const LOW_HZ: f64 = EAR_RATE.get() as f64 / QUARTER as f64;
/// Half the filter's length in samples of the ear, and where it cuts: flat to 4.3 kHz, the highest band looked at, and
/// 50 dB down where what folds back would reach it.
const HALF: usize = 40;
const CUT_HZ: f64 = 5500.0;

/// The low band of a recording that arrives in blocks.
pub struct Low {
    taps: Vec<f32>,
    /// Samples of the ear not yet used up; the first stands `HALF` before the next output.
    waiting: Vec<f32>,
    out: Vec<f32>,
    most: usize,
}

impl Default for Low {
    fn default() -> Self {
        Low::new()
    }
}

impl Low {
    /// Nothing yet.
    pub fn new() -> Low {
        let wave = |k: usize| {
            let t = k as f64 - HALF as f64;
            let w = 2.0 * CUT_HZ / f64::from(EAR_RATE.get());
            let sinc = if k == HALF { w } else { (PI * w * t).sin() / (PI * t) };
            let x = PI * t / (HALF as f64 + 1.0);
            sinc * (0.42 + 0.5 * x.cos() + 0.08 * (2.0 * x).cos())
        };
        let raw: Vec<f64> = (0..=2 * HALF).map(wave).collect();
        let sum: f64 = raw.iter().sum();
        Low {
            taps: raw.iter().map(|v| (v / sum) as f32).collect(),
            waiting: vec![0.0; HALF],
            out: Vec::new(),
            most: ((LONGEST.get().max(LONGEST_GUIDE.get()) + 60.0) * LOW_HZ) as usize,
        }
    }

    /// The low band of a recording that is there as a whole.
    pub fn of(samples: &[f32]) -> Vec<f32> {
        let mut low = Low::new();
        low.push(samples);
        low.finish()
    }

    /// Takes the next block. What lies beyond the longest guide is left out.
    pub fn push(&mut self, block: &[f32]) {
        if self.out.len() >= self.most {
            return;
        }
        self.waiting.extend_from_slice(block);
        self.filter();
    }

    /// All of it.
    pub fn finish(mut self) -> Vec<f32> {
        self.waiting.extend(std::iter::repeat_n(0.0, HALF));
        self.filter();
        self.out
    }

    fn filter(&mut self) {
        let at = dispatch!(Level::new(), _simd => filter(&self.waiting, &self.taps, &mut self.out));
        self.waiting.drain(..at);
    }
}

/// Filters what is there; says how much of it is done with.
#[inline(always)]
fn filter(x: &[f32], taps: &[f32], out: &mut Vec<f32>) -> usize {
    let mut at = 0;
    while let Some(near) = x.get(at..at + taps.len()) {
        out.push(dot::<16>(near, taps));
        at += QUARTER;
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_keeps_its_level_and_its_place_and_what_folds_back_is_gone() {
        let tone = |hz: f64, k: usize, rate: f64| (2.0 * PI * hz * k as f64 / rate).sin();
        let low = |hz: f64| {
            let x: Vec<f32> = (0..44_100).map(|k| tone(hz, k, 44_100.0) as f32).collect();
            let mut low = Low::new();
            for block in x.chunks(1000) {
                low.push(block);
            }
            low.finish()
        };
        for hz in [500.0, 2000.0, 4200.0] {
            let y = low(hz);
            assert_eq!(y.len(), 11_025);
            for (k, v) in y.iter().enumerate().skip(100).take(10_000) {
                assert!((f64::from(*v) - tone(hz, k, LOW_HZ)).abs() < 0.02, "{hz} Hz at {k}");
            }
        }
        assert!(low(7500.0)[100..10_000].iter().all(|v| v.abs() < 2e-3));
    }
}
