//! Samples at [`EAR_RATE`] -> the band in which a guide is looked for, at a quarter of the rate.
//!
//! A windowed-sinc low-pass of linear phase whose delay is taken off: sample `n` stands at `n / LOW_HZ` seconds. It is kept in
//! 16 bits: 22 kB a second, 54 MB where it ends with the longest guide.

use std::f64::consts::PI;

use fearless_simd::{Level, dispatch};

use crate::guide::LONGEST;
use crate::onset::dot;
use crate::units::{EAR_RATE, Seconds};

/// Samples of the ear that make one here.
pub(super) const QUARTER: usize = 4;
/// Samples a second: 11 025, enough for the guide's chirps, which end at 4 kHz.
pub(super) const LOW_HZ: f64 = EAR_RATE.get() as f64 / QUARTER as f64;
/// A recording begins so long before its guide, at most, as far as one is looked for: a minute to put the phone down.
const BEFORE: Seconds = Seconds::from_millis(60e3);
/// Half the filter's length in samples of the ear, and where it cuts: flat to 4.3 kHz, the highest band looked at, and
/// 50 dB down where what folds back would reach it.
const HALF: usize = 40;
const CUT_HZ: f64 = 5500.0;

/// Samples that share a step, 6 ms.
const SHARED: usize = 64;

/// The low band of a recording. Each sample is off by 1/65534 of the loudest within 6 ms at most, 96 dB under it: a guide
/// that is looked for 40 dB under the strikes is known to another 56.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Band {
    values: Vec<i16>,
    /// What a number stands for, [`SHARED`] numbers after another.
    steps: Vec<f32>,
    /// Samples that have no step yet.
    rest: Vec<f32>,
}

impl FromIterator<f32> for Band {
    fn from_iter<I: IntoIterator<Item = f32>>(samples: I) -> Band {
        let mut band = Band::default();
        samples.into_iter().for_each(|v| band.push(v));
        band
    }
}

impl Band {
    fn push(&mut self, sample: f32) {
        self.rest.push(sample);
        if self.rest.len() == SHARED {
            let most = self.rest.iter().fold(0.0f32, |most, v| most.max(v.abs()));
            let (step, per) = (most / f32::from(i16::MAX), f32::from(i16::MAX) / most.max(f32::MIN_POSITIVE));
            self.steps.push(step);
            self.values.extend(self.rest.iter().map(|v| (v * per).round() as i16));
            self.rest.clear();
        }
    }

    /// How many samples there are.
    pub fn len(&self) -> usize {
        self.values.len() + self.rest.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Samples `from..to`, as far as there are any.
    pub(super) fn between(&self, from: usize, to: usize) -> Vec<f32> {
        let to = to.min(self.len());
        let from = from.min(to);
        let kept = self.values.len();
        let mut out = Vec::with_capacity(to - from);
        let mut at = from;
        while at < to.min(kept) {
            let end = ((at / SHARED + 1) * SHARED).min(to);
            let step = self.steps.get(at / SHARED).copied().unwrap_or(0.0);
            out.extend(self.values[at..end].iter().map(|v| f32::from(*v) * step));
            at = end;
        }
        out.extend_from_slice(&self.rest[at.saturating_sub(kept).min(self.rest.len())..to.saturating_sub(kept)]);
        out
    }

    /// All of them.
    pub(super) fn samples(&self) -> Vec<f32> {
        self.between(0, self.len())
    }
}

/// The low band of a recording that arrives in blocks.
pub struct Low {
    taps: Vec<f32>,
    /// Samples of the ear not yet used up; the first stands `HALF` before the next output.
    waiting: Vec<f32>,
    out: Band,
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
            out: Band::default(),
            most: ((LONGEST.get() + BEFORE.get()) * LOW_HZ) as usize,
        }
    }

    /// The low band of a recording that is there as a whole.
    pub fn of(samples: &[f32]) -> Band {
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
    pub fn finish(mut self) -> Band {
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
fn filter(x: &[f32], taps: &[f32], out: &mut Band) -> usize {
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
            low.finish().samples()
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

    #[test]
    fn what_is_kept_is_96_db_off_at_most_and_can_be_had_in_pieces() {
        let x: Vec<f32> =
            (0..1000).map(|k| (-f64::from(k) / 90.0).exp() * f64::from(k).sin()).map(|v| v as f32).collect();
        let band: Band = x.iter().copied().collect();
        let all = band.samples();
        assert_eq!((band.len(), all.len()), (1000, 1000));
        for (near, kept) in x.chunks(SHARED).zip(all.chunks(SHARED)) {
            let most = near.iter().fold(0.0f32, |most, v| most.max(v.abs()));
            assert!(near.iter().zip(kept).all(|(a, b)| (a - b).abs() <= 1.01 * most / 65_534.0));
        }
        for (from, to) in [(0, 1000), (63, 65), (64, 128), (900, 2000), (959, 962), (980, 990), (1000, 1001), (5, 5)] {
            assert_eq!(band.between(from, to), all[from..to.min(1000)], "{from} {to}");
        }
        let silence: Band = [0.0; 70].into_iter().collect();
        assert!(silence.samples().iter().all(|v| v.to_bits() == 0));
    }
}
