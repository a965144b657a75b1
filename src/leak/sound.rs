//! A sound that somebody else recorded x a recording in which it plays -> where it stands there.
//!
//! A lesson's video has none of the guide's chirps: it is known by its own wave. Each of its pieces is correlated with
//! the whole recording, and the places of the pieces must agree: one start, and clocks that run apart by no more than
//! devices do. All bands of the recording weigh alike (Knapp & Carter 1976, "The generalized correlation
//! method for estimation of time delay", IEEE Trans. ASSP 24:320). What a pupil plays after a piece resembles it in rhythm, but its wave is another.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::find::MOST_SKEW;
use super::limit::median;
use super::low::{Band, LOW_HZ};
use super::matched::TO_SIGMA;
use super::room::{inverse, spectrum};
use super::{Lock, Ppm};
use crate::units::Seconds;

/// Places of a piece that are looked at, and how near each other two may lie, in seconds.
const PLACES: usize = 8;
const APART_S: f64 = 0.005;
/// A piece agrees with a start and a clock if one of its places lies so near, in seconds: what plays is the same to the
/// sample, what is echoed spreads by 10 ms and more.
const NEAR_S: f64 = 0.001;
/// And stands so far above the usual correlation of the piece, in standard deviations. By chance the highest of a million
/// places of Gaussian noise reaches 5; knocks in a room have heavier tails, and must agree besides.
const STANDS_OUT: f64 = 6.0;
/// So many pieces must agree, and this share of them: noise hides some. Of an echo 10 ms around its place one in thirteen
/// lies near enough, with the right sign.
const LEAST: usize = 4;
const SHARE: f64 = 0.6;
/// Clocks are measured only where the pieces lie so far apart, in seconds: over less, a place is not sure enough.
const LONG_S: f64 = 30.0;
/// Best places of a piece through which lines are tried.
const ANCHORS: usize = 3;
/// Width over which the recording's bands are levelled, in hertz: wider than a room's modes are apart, narrower than what a
/// phone takes away.
const LEVELLED_HZ: f64 = 40.0;

/// A place of a piece: lag of the sound in samples of the low band, how far it stands out, and whether upside down.
#[derive(Clone, Copy)]
struct Seen {
    at: f64,
    lag: f64,
    z: f64,
    turned: bool,
}

/// Where a sound stands in a recording, both in the band of [`super::Low`]. `pieces`: from and to, the loudest of the
/// sound; where it is silent there is nothing to know it by.
pub fn find_sound(sound: &Band, pieces: &[(Seconds, Seconds)], recording: &Band) -> Option<Lock> {
    let (sound, recording) = (sound.samples(), recording.samples());
    let seen = Correlator::new(&sound, &recording, pieces)?.seen(pieces);
    // Through the best places of every two pieces, the line on which most of the others lie.
    let mut best: Vec<Seen> = Vec::new();
    for (k, own) in seen.iter().enumerate() {
        for a in own.iter().take(ANCHORS) {
            for b in seen[k + 1..].iter().flat_map(|other| other.iter().take(ANCHORS)) {
                let skew = (b.lag - a.lag) / (b.at - a.at);
                if a.turned == b.turned && skew.abs() <= MOST_SKEW * 1e-6 {
                    let found = agreeing(&seen, a, skew);
                    if worth(&found) > worth(&best) {
                        best = found;
                    }
                }
            }
        }
    }
    if best.len() < LEAST || (best.len() as f64) < SHARE * pieces.len() as f64 {
        return None;
    }
    let (lag, skew) = line(&best);
    Some(Lock { start: Seconds::of(lag / LOW_HZ), skew: Ppm(skew), certainty: worth(&best) / best.len() as f64 })
}

fn worth(places: &[Seen]) -> f64 {
    places.iter().map(|s| s.z).sum()
}

/// Of each piece the place that lies on a line.
fn agreeing(seen: &[Vec<Seen>], from: &Seen, skew: f64) -> Vec<Seen> {
    let near =
        |s: &Seen| (s.lag - from.lag - skew * (s.at - from.at)).abs() <= NEAR_S * LOW_HZ && s.turned == from.turned;
    seen.iter().filter_map(|places| places.iter().find(|s| near(s)).copied()).collect()
}

/// Lag of the sound's first sample, and parts in a million, by weighted least squares.
fn line(places: &[Seen]) -> (f64, f64) {
    let all: f64 = places.iter().map(|s| s.z).sum();
    let mean = |f: &dyn Fn(&Seen) -> f64| places.iter().map(|s| s.z * f(s)).sum::<f64>() / all;
    let (at, lag) = (mean(&|s| s.at), mean(&|s| s.lag));
    let ends = places.iter().map(|s| s.at).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), x| (a.min(x), b.max(x)));
    if ends.1 - ends.0 < LONG_S * LOW_HZ {
        return (lag, 0.0);
    }
    let (both, own) = (mean(&|s| (s.at - at) * (s.lag - lag)), mean(&|s| (s.at - at).powi(2)));
    let skew = (both / own).clamp(-MOST_SKEW * 1e-6, MOST_SKEW * 1e-6);
    (lag - skew * at, skew * 1e6)
}

struct Correlator<'a> {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
    sound: &'a [f32],
    /// Of the recording, levelled once for itself and once for the piece.
    spectrum: Vec<Complex<f32>>,
    /// Energy of the levelled recording before each sample.
    energy: Vec<f64>,
    size: usize,
}

/// One over the magnitude of the bands around each bin.
fn levelling(spectrum: &[Complex<f32>], size: usize) -> Vec<f32> {
    let half = (0.5 * LEVELLED_HZ / LOW_HZ * size as f64) as usize;
    let mut sums = vec![0.0f64; spectrum.len() + 1];
    for (k, bin) in spectrum.iter().enumerate() {
        sums[k + 1] = sums[k] + f64::from(bin.norm_sqr());
    }
    // A band with a millionth of the mean power holds nothing but rounding.
    let least = 1e-6 * sums[spectrum.len()] / spectrum.len() as f64 + 1e-30;
    (0..spectrum.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half + 1).min(spectrum.len()));
            (1.0 / ((sums[to] - sums[from]) / (to - from) as f64 + least).sqrt()) as f32
        })
        .collect()
}

impl<'a> Correlator<'a> {
    fn new(sound: &'a [f32], recording: &[f32], pieces: &[(Seconds, Seconds)]) -> Option<Correlator<'a>> {
        let longest = pieces.iter().map(|p| ((p.1 - p.0).get() * LOW_HZ) as usize).max()?;
        let size = (recording.len() + longest + 1).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let (forward, back) = (planner.plan_fft_forward(size), planner.plan_fft_inverse(size));
        let mut spectrum = spectrum(&forward, recording, size);
        let weights = levelling(&spectrum, size);
        let level = |spectrum: &mut [Complex<f32>]| spectrum.iter_mut().zip(&weights).for_each(|(bin, w)| *bin *= *w);
        level(&mut spectrum);
        let levelled = inverse(&back, spectrum.clone(), size);
        level(&mut spectrum);
        let mut energy = vec![0.0; recording.len() + 1];
        for (k, v) in levelled.iter().take(recording.len()).enumerate() {
            energy[k + 1] = energy[k] + f64::from(*v).powi(2);
        }
        Some(Correlator { forward, back, sound, spectrum, energy, size })
    }

    /// The places of each piece that stand out most.
    fn seen(&self, pieces: &[(Seconds, Seconds)]) -> Vec<Vec<Seen>> {
        pieces.iter().map(|piece| self.places(*piece).unwrap_or_default()).collect()
    }

    fn places(&self, piece: (Seconds, Seconds)) -> Option<Vec<Seen>> {
        let sample = |at: Seconds| ((at.get() * LOW_HZ).max(0.0) as usize).min(self.sound.len());
        let (from, to) = (sample(piece.0), sample(piece.1));
        let count = (self.energy.len() - 1).checked_sub(to - from)?;
        let mut bins = spectrum(&self.forward, &self.sound[from..to], self.size);
        bins.iter_mut().zip(&self.spectrum).for_each(|(bin, whole)| *bin = bin.conj() * whole);
        let mut found = inverse(&self.back, bins, self.size);
        found.truncate(count);
        // Over what sounds there; digital silence matches nothing.
        let least = 1e-9 * self.energy.last().copied().unwrap_or(0.0) + 1e-12;
        for (k, v) in found.iter_mut().enumerate() {
            *v /= (self.energy[k + to - from] - self.energy[k] + least).sqrt() as f32;
        }
        let mut sizes: Vec<f32> = found.iter().map(|v| v.abs()).collect();
        let spread = f64::from(TO_SIGMA * median(&mut sizes));
        let apart = (APART_S * LOW_HZ) as usize;
        let mut out = Vec::new();
        while out.len() < PLACES {
            let Some((k, v)) = found.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else { break };
            let (z, turned) = (f64::from(v.abs()) / spread.max(1e-30), *v < 0.0);
            if z < STANDS_OUT {
                break;
            }
            out.push(Seen { at: from as f64, lag: k as f64 - from as f64, z, turned });
            found[k.saturating_sub(apart)..(k + apart + 1).min(count)].fill(0.0);
        }
        Some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Knocks at the given seconds, each of its own colour.
    fn knocks(at: &[f64], seconds: f64, seed: u32) -> Vec<f32> {
        let mut x = vec![0.0f32; (seconds * LOW_HZ) as usize];
        for (n, t) in at.iter().enumerate() {
            let hz = 300.0 + 97.0 * f64::from(seed) + 173.0 * n as f64;
            for k in 0..1100usize {
                let s = k as f64 / LOW_HZ;
                if let Some(v) = x.get_mut((t * LOW_HZ) as usize + k) {
                    *v += ((std::f64::consts::TAU * hz * s).sin() * (-s / 0.02).exp()) as f32;
                }
            }
        }
        x
    }

    #[test]
    fn a_sound_is_found_by_its_wave_and_not_by_its_rhythm() {
        let calls: Vec<f64> = (0..8).flat_map(|k| [0.0, 0.31, 0.5].map(|t| 2.0 + 6.0 * f64::from(k) + t)).collect();
        let sound = knocks(&calls, 52.0, 1);
        let pieces: Vec<_> =
            (0..8).map(|k| 2.0 + 6.0 * f64::from(k)).map(|t| (Seconds::of(t), Seconds::of(t + 1.0))).collect();
        // A hand keeps to a rhythm within some 15 ms.
        let mut chance = 5u32;
        let mut hand = || {
            chance = chance.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            0.05 * (f64::from(chance >> 8) / f64::from(1 << 24) - 0.5)
        };
        let echoes: Vec<f64> = calls.iter().map(|t| t + 3.0 + 1.7 + hand()).collect();
        let mut noise = 7u32;
        let mut recording = knocks(&echoes, 56.0, 5);
        for v in &mut recording {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            *v += (noise >> 8) as f32 / 8.4e8 - 0.01;
        }
        let band = |x: &[f32]| x.iter().copied().collect::<Band>();
        // The echoes alone have its rhythm.
        assert_eq!(find_sound(&band(&sound), &pieces, &band(&recording)), None);
        let late = (1.7 * LOW_HZ) as usize;
        for (k, v) in sound.iter().enumerate() {
            recording[k + late] += 0.2 * v;
        }
        let lock = find_sound(&band(&sound), &pieces, &band(&recording)).unwrap();
        assert!((lock.start.get() - 1.7).abs() < 2e-4, "{lock:?}");
        assert!(lock.skew.0.abs() < 5.0, "{lock:?}");
        assert_eq!(find_sound(&band(&sound), &pieces, &band(&recording[..100])), None);
        assert_eq!(find_sound(&band(&sound), &[], &band(&recording)), None);
    }
}
