//! A sound that somebody else recorded x a recording in which it plays -> where it stands there.
//!
//! A lesson's video has none of the guide's chirps: it is known by its own wave. Each of its pieces is correlated with
//! the whole recording, and the places of the pieces must agree: one start, and clocks that run apart by no more than
//! devices do. All bands of the recording weigh alike (Knapp & Carter 1976, "The generalized correlation
//! method for estimation of time delay", IEEE Trans. ASSP 24:320). What a pupil plays after a piece resembles it in rhythm, but its
//! wave is another. A recording of more than three minutes is looked through in blocks, each of which overlaps the next by a piece.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::laid::MOST_SKEW;
use super::low::{Band, LOW_HZ};
use super::matched::TO_SIGMA;
use super::room::{inverse, spectrum};
use super::{Lock, Ppm};
use crate::stats::quantile;
use crate::units::Seconds;

/// Samples of the low band that are looked at a time, with a piece: three minutes.
const BLOCK: usize = 1 << 21;
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

/// A sound that may play in a recording: the loudest pieces of it, in the band of [`super::Low`]; where it is silent there is
/// nothing to know it by.
#[derive(Clone, Debug, PartialEq)]
pub struct Pieces(Vec<(usize, Vec<f32>)>);

impl Pieces {
    /// Pieces of a sound, from and to.
    pub fn of(sound: &Band, pieces: &[(Seconds, Seconds)]) -> Pieces {
        let sample = |at: Seconds| ((at.get() * LOW_HZ).max(0.0) as usize).min(sound.len());
        let piece = |(from, to): &(Seconds, Seconds)| (sample(*from), sound.between(sample(*from), sample(*to)));
        Pieces(pieces.iter().map(piece).collect())
    }
}

/// Where a sound stands in a recording.
pub fn find_sound(pieces: &Pieces, recording: &Band) -> Option<Lock> {
    let seen = seen(&pieces.0, recording)?;
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
    if best.len() < LEAST || (best.len() as f64) < SHARE * seen.len() as f64 {
        return None;
    }
    let (lag, skew) = line(&best);
    Some(Lock { start: Seconds::of(lag / LOW_HZ), skew: Ppm(skew), certainty: worth(&best) / best.len() as f64 })
}

/// The places of each piece that stand out most.
fn seen(pieces: &[(usize, Vec<f32>)], recording: &Band) -> Option<Vec<Vec<Seen>>> {
    let longest = pieces.iter().map(|p| p.1.len()).max()?;
    let block = BLOCK.max(4 * longest) - longest - 1;
    let mut out: Vec<Vec<Seen>> = vec![Vec::new(); pieces.len()];
    let mut from = 0;
    loop {
        let there = recording.between(from, from + block);
        let last = from + there.len() >= recording.len();
        let correlator = Correlator::new(&there, longest);
        for ((at, piece), seen) in pieces.iter().zip(&mut out) {
            for place in correlator.places(piece).unwrap_or_default() {
                let lag = (from + place.0) as f64 - *at as f64;
                let new = Seen { at: *at as f64, lag, z: place.1, turned: place.2 };
                // What lies in two blocks is one place.
                match seen.iter_mut().find(|other| (other.lag - lag).abs() < APART_S * LOW_HZ) {
                    Some(other) if other.z < new.z => *other = new,
                    Some(_) => {}
                    None => seen.push(new),
                }
            }
        }
        if last {
            break;
        }
        from += block - longest;
    }
    for seen in &mut out {
        seen.sort_by(|a, b| b.z.total_cmp(&a.z));
        seen.truncate(PLACES);
    }
    Some(out)
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

struct Correlator {
    forward: Arc<dyn RealToComplex<f32>>,
    back: Arc<dyn ComplexToReal<f32>>,
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

impl Correlator {
    fn new(recording: &[f32], longest: usize) -> Correlator {
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
        Correlator { forward, back, spectrum, energy, size }
    }

    /// The places of a piece that stand out most: sample, how far, and whether upside down.
    fn places(&self, piece: &[f32]) -> Option<Vec<(usize, f64, bool)>> {
        let count = (self.energy.len() - 1).checked_sub(piece.len())?;
        let mut bins = spectrum(&self.forward, piece, self.size);
        bins.iter_mut().zip(&self.spectrum).for_each(|(bin, whole)| *bin = bin.conj() * whole);
        let mut found = inverse(&self.back, bins, self.size);
        found.truncate(count);
        // Over what sounds there; digital silence matches nothing.
        let least = 1e-9 * self.energy.last().copied().unwrap_or(0.0) + 1e-12;
        for (k, v) in found.iter_mut().enumerate() {
            *v /= (self.energy[k + piece.len()] - self.energy[k] + least).sqrt() as f32;
        }
        let mut sizes: Vec<f32> = found.iter().map(|v| v.abs()).collect();
        let spread = f64::from(TO_SIGMA * quantile(&mut sizes, 0.5));
        let apart = (APART_S * LOW_HZ) as usize;
        let mut out = Vec::new();
        while out.len() < PLACES {
            let Some((k, v)) = found.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())) else { break };
            let (z, turned) = (f64::from(v.abs()) / spread.max(1e-30), *v < 0.0);
            if z < STANDS_OUT {
                break;
            }
            out.push((k, z, turned));
            found[k.saturating_sub(apart)..(k + apart + 1).min(count)].fill(0.0);
        }
        Some(out)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng::Rng;

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
        let mut chance = Rng(5);
        let mut hand = || 0.025 * chance.signed();
        let echoes: Vec<f64> = calls.iter().map(|t| t + 3.0 + 1.7 + hand()).collect();
        let mut recording = knocks(&echoes, 56.0, 5);
        recording.iter_mut().zip(Rng(7).noise(60 * LOW_HZ as usize, 0.01)).for_each(|(v, noise)| *v += noise);
        let band = |x: &[f32]| x.iter().copied().collect::<Band>();
        let known = Pieces::of(&band(&sound), &pieces);
        // The echoes alone have its rhythm.
        assert_eq!(find_sound(&known, &band(&recording)), None);
        let late = (1.7 * LOW_HZ) as usize;
        for (k, v) in sound.iter().enumerate() {
            recording[k + late] += 0.2 * v;
        }
        let lock = find_sound(&known, &band(&recording)).unwrap();
        assert!((lock.start.get() - 1.7).abs() < 2e-4, "{lock:?}");
        assert!(lock.skew.0.abs() < 5.0, "{lock:?}");
        // Where blocks meet it is one sound too.
        let mut long = vec![1e-4f32; BLOCK - 30 * LOW_HZ as usize];
        long.iter_mut().enumerate().for_each(|(k, v)| *v *= ((k * 7919) % 17) as f32 - 8.0);
        let before = long.len() as f64 / LOW_HZ;
        long.extend_from_slice(&recording);
        let there = find_sound(&known, &band(&long)).unwrap();
        assert!((there.start.get() - before - lock.start.get()).abs() < 2e-4, "{there:?} {lock:?}");
        assert_eq!(find_sound(&known, &band(&recording[..100])), None);
        assert_eq!(find_sound(&Pieces::of(&band(&sound), &[]), &band(&recording)), None);
    }
}
