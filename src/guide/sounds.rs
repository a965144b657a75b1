//! What a guide is made of: soft chirps for the beat, struck surfaces from damped modes.
//!
//! Every sound has a largest sample of 1 and begins at its first sample. A chirp is a tone that glides up while a raised
//! cosine opens it over 10 ms: loud to a person, no attack to the ear of this program. Against a stroke of the same peak,
//! which rises by 40 in the ear's measure, a click of 2 ms gives 32, a tone that opens over 10 ms gives 7.

use std::f64::consts::{PI, TAU};

use crate::part::Surface;
use crate::units::{SampleRate, Seconds};

/// A sound of the guide.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Sound {
    /// A beat.
    Beat,
    /// The first beat of a bar.
    Accent,
    /// A stroke of the part.
    Stroke(Surface),
}

impl Sound {
    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Sound::Beat => "beat",
            Sound::Accent => "accent",
            Sound::Stroke(surface) => surface.word(),
        }
    }

    /// The sound at a rate, as a guide plays it.
    pub fn samples(self, rate: SampleRate) -> Vec<f32> {
        match self {
            Sound::Beat => chirp(BEAT_HZ, rate),
            Sound::Accent => chirp(ACCENT_HZ, rate),
            Sound::Stroke(surface) => strike(surface, SOFT_ATTACK, rate),
        }
    }
}

/// The glides, in hertz: where small loudspeakers speak and phones hear well, and so wide that the match of a chirp with
/// itself is half a millisecond long.
const BEAT_HZ: (f64, f64) = (900.0, 3000.0);
const ACCENT_HZ: (f64, f64) = (1300.0, 4000.0);
/// Length of a chirp, its opening and its closing.
const CHIRP: Seconds = Seconds::from_millis(50.0);
const OPENING: Seconds = Seconds::from_millis(10.0);
const CLOSING: Seconds = Seconds::from_millis(15.0);

/// How a surface opens in a guide: soft enough to disturb the ear little, short enough to be felt as a stroke.
pub const SOFT_ATTACK: Seconds = Seconds::from_millis(4.0);
/// How a surface opens where nobody plays at the same time: as a stick does.
pub const PLAIN_ATTACK: Seconds = Seconds::from_millis(0.4);

/// Length of a surface's sound and of its closing.
const STRIKE: Seconds = Seconds::from_millis(250.0);
const STRIKE_CLOSING: Seconds = Seconds::from_millis(45.0);

fn count(length: Seconds, rate: SampleRate) -> usize {
    (length.get() * f64::from(rate.get())).round().max(1.0) as usize
}

fn opened_and_closed(x: &mut [f64], opening: usize, closing: usize) {
    let n = x.len();
    for (k, v) in x.iter_mut().take(opening).enumerate() {
        *v *= 0.5 - 0.5 * (PI * k as f64 / opening as f64).cos();
    }
    for (k, v) in x.iter_mut().skip(n.saturating_sub(closing)).enumerate() {
        *v *= 0.5 + 0.5 * (PI * k as f64 / closing as f64).cos();
    }
}

fn to_peak(x: &[f64]) -> Vec<f32> {
    let peak = x.iter().fold(1e-12, |m: f64, v| m.max(v.abs()));
    x.iter().map(|v| (v / peak) as f32).collect()
}

fn chirp((from, to): (f64, f64), rate: SampleRate) -> Vec<f32> {
    let n = count(CHIRP, rate);
    let mut x: Vec<f64> = (0..n)
        .map(|k| {
            let t = k as f64 / f64::from(rate.get());
            (TAU * (from * t + (to - from) * t * t / 2.0 / CHIRP.get())).sin()
        })
        .collect();
    opened_and_closed(&mut x, count(OPENING, rate), count(CLOSING, rate));
    to_peak(&x)
}

/// How a surface rings: modes as (hertz, decay in seconds), the n-th with the amplitude 1/n, and noise as (amplitude,
/// decay in seconds).
struct Body {
    modes: &'static [(f64, f64)],
    noise: (f64, f64),
    /// How often it sounds within a few milliseconds: hands do not meet all at once.
    bursts: &'static [f64],
}

/// Modes that sound like the thing on small loudspeakers; chosen by ear, measured on nothing.
const fn body(surface: Surface) -> Body {
    match surface {
        Surface::Centre => Body {
            modes: &[(190.0, 0.06), (430.0, 0.05), (780.0, 0.03), (1250.0, 0.02)],
            noise: (0.25, 0.006),
            bursts: &[0.0],
        },
        Surface::Rim => Body {
            modes: &[(620.0, 0.03), (1330.0, 0.02), (2470.0, 0.015), (3100.0, 0.01)],
            noise: (0.3, 0.006),
            bursts: &[0.0],
        },
        Surface::Click => {
            Body { modes: &[(1900.0, 0.012), (2900.0, 0.008), (4300.0, 0.006)], noise: (0.2, 0.006), bursts: &[0.0] }
        }
        Surface::Pat => {
            Body { modes: &[(150.0, 0.03), (280.0, 0.02), (520.0, 0.012)], noise: (0.6, 0.010), bursts: &[0.0] }
        }
        Surface::Clap => Body {
            modes: &[(1050.0, 0.012), (1500.0, 0.010), (2300.0, 0.006)],
            noise: (1.0, 0.012),
            bursts: &[0.0, 0.007, 0.013],
        },
    }
}

/// Noise that is the same every time: a linear congruential generator (Knuth's constants), its upper bits, in -1..1.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) as f64 / f64::from(1u32 << 30) - 1.0
    }
}

/// A struck surface: a quarter of a second that opens within `attack`.
pub fn strike(surface: Surface, attack: Seconds, rate: SampleRate) -> Vec<f32> {
    let Body { modes, noise, bursts } = body(surface);
    let hertz = f64::from(rate.get());
    let mut x = vec![0.0; count(STRIKE, rate)];
    let mut source = Noise(surface.index() as u64 + 1);
    for burst in bursts {
        let from = (burst * hertz).round() as usize;
        for (k, v) in x.iter_mut().skip(from).enumerate() {
            let t = k as f64 / hertz;
            let rung: f64 = modes
                .iter()
                .enumerate()
                .filter(|(_, (f, _))| *f < 0.45 * hertz)
                .map(|(i, (f, decay))| (-t / decay).exp() * (TAU * f * t).sin() / (i + 1) as f64)
                .sum();
            *v += rung + noise.0 * (-t / noise.1).exp() * source.next();
        }
    }
    opened_and_closed(&mut x, count(attack, rate), count(STRIKE_CLOSING, rate));
    to_peak(&x)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rate(hertz: u32) -> SampleRate {
        SampleRate::new(hertz).unwrap()
    }

    #[test]
    fn every_sound_begins_and_ends_in_silence_and_reaches_full_scale() {
        let all = [Sound::Beat, Sound::Accent].into_iter().chain(Surface::ALL.map(Sound::Stroke));
        for sound in all {
            for hertz in [16_000, 44_100, 48_000] {
                let x = sound.samples(rate(hertz));
                let peak = x.iter().fold(0.0f32, |m, v| m.max(v.abs()));
                assert!((peak - 1.0).abs() < 1e-6, "{sound:?} at {hertz}: {peak}");
                assert!(x[0].abs() < 1e-3 && x[x.len() - 1].abs() < 1e-2, "{sound:?} at {hertz}");
            }
        }
    }

    #[test]
    fn a_chirp_opens_over_ten_milliseconds() {
        let x = Sound::Beat.samples(rate(48_000));
        let peak = |from: usize, to: usize| x[from..to].iter().fold(0.0f32, |m, v| m.max(v.abs()));
        assert!(peak(0, 96) < 0.1, "{}", peak(0, 96));
        assert!(peak(192, 288) < 0.8 && peak(480, 600) > 0.95);
    }

    #[test]
    fn surfaces_differ_and_a_plain_attack_is_sharper() {
        let hz = rate(44_100);
        let energy = |x: &[f32]| x.iter().take(88).map(|v| f64::from(*v).powi(2)).sum::<f64>();
        for surface in Surface::ALL {
            let (soft, plain) = (strike(surface, SOFT_ATTACK, hz), strike(surface, PLAIN_ATTACK, hz));
            assert!(energy(&plain) > 2.0 * energy(&soft), "{surface:?}");
            for other in Surface::ALL.into_iter().filter(|o| *o != surface) {
                assert_ne!(plain, strike(other, PLAIN_ATTACK, hz));
            }
        }
    }
}
