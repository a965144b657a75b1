//! The sound around a strike -> [`Features`]: how strong each band of frequencies is in the click, the early and the
//! late body of the sound.
//!
//! Input: samples at [`EAR_RATE`] and the position of the strike among them; from 25 ms before
//! it to 60 ms after it is looked at, and what is not there counts as silence. Output: 40 band levels relative to the
//! strike's own level, in decibels, so that a microphone's or a room's colour is one offset common to a whole take.
//! What sounded just before the strike (noise, the last one still ringing) is taken off each band. Silence gives the
//! floor in every band and the lowest level there is.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::units::{Decibels, EAR_RATE, Seconds};

/// Number of band levels of a strike.
pub const BANDS: usize = 40;

/// The stretches listened to, from the strike: the click of the contact, the early body, the late body.
/// Source: windows of a study on one-shots in rooms (chosen by hand, then left alone).
const WINDOWS: [(Seconds, Seconds); 3] = [
    (Seconds::from_millis(-1.0), Seconds::from_millis(7.0)),
    (Seconds::from_millis(4.0), Seconds::from_millis(24.0)),
    (Seconds::from_millis(20.0), Seconds::from_millis(60.0)),
];

/// What sounded before: it ends where the earliest strike placed a little late would begin.
const BEFORE: (Seconds, Seconds) = (Seconds::from_millis(-24.5), Seconds::from_millis(-1.5));

/// Edges of the bands of the first window, in hertz: 8 ms resolve 125 Hz, so they begin wide.
const CLICK_EDGES: [f64; 11] = [100., 300., 600., 1000., 1500., 2200., 3200., 4500., 6500., 9500., 13000.];

/// Edges of the bands of the other two, in hertz: about as wide as the ear's critical bands from 280 Hz up
/// (Zwicker 1961), one step finer below, and no higher than every phone records.
const BODY_EDGES: [f64; 16] =
    [100., 180., 280., 400., 560., 760., 1000., 1300., 1700., 2200., 2900., 3800., 5000., 6700., 9500., 13000.];

/// Where the bands of each stretch begin, and their edges.
pub(super) const STRETCHES: [(usize, &[f64]); 3] =
    [(0, &CLICK_EDGES), (CLICK_EDGES.len() - 1, &BODY_EDGES), (CLICK_EDGES.len() + BODY_EDGES.len() - 2, &BODY_EDGES)];

/// After what sounded before is taken off a band, this share of it stays: below that the band is not known.
const KEPT: f64 = 0.1;

/// Added to each band's power: rounding of 16-bit samples, far below any noise.
const NOTHING: f64 = 1e-14;

/// Bands weaker than this against the strike's level hold noise only, in decibels.
const FLOOR_DB: f32 = -50.0;

/// What is told of one strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Features {
    /// Band levels relative to `level`, in decibels: 10 of the click, 15 of the early and 15 of the late body.
    pub bands: [f32; BANDS],
    /// Energy of the three stretches together; relative to a full-scale square wave lasting one second.
    pub level: Decibels,
    /// `level` above what sounded before, held for as long.
    pub above: Decibels,
}

/// One stretch: where it lies, its taper, its transform and the bands' shares of the transform's bins.
struct Stretch {
    from: isize,
    taper: Vec<f32>,
    seconds: f64,
    /// From squared magnitudes to mean square.
    scale: f64,
    fft: Arc<dyn RealToComplex<f32>>,
    /// For each band of each window that uses this stretch: first bin and the share of each bin from there.
    bands: Vec<(usize, Vec<f32>)>,
}

/// Computes [`Features`]; keeps plans and buffers between strikes.
pub struct FeatureBank {
    windows: [Stretch; 3],
    before: Stretch,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    power: Vec<f32>,
}

impl Default for FeatureBank {
    fn default() -> FeatureBank {
        FeatureBank::new()
    }
}

impl FeatureBank {
    /// How much sound before a strike is looked at.
    pub const BEFORE: Seconds = Seconds::from_millis(25.0);
    /// How much sound after a strike is looked at.
    pub const AFTER: Seconds = Seconds::from_millis(60.0);

    /// Plans the transforms.
    pub fn new() -> FeatureBank {
        let mut planner = RealFftPlanner::new();
        let [click, early, late] = WINDOWS;
        let body = BODY_EDGES.as_slice();
        let windows = [
            Stretch::new(&mut planner, click, &[&CLICK_EDGES]),
            Stretch::new(&mut planner, early, &[body]),
            Stretch::new(&mut planner, late, &[body]),
        ];
        let before = Stretch::new(&mut planner, BEFORE, &[&CLICK_EDGES, body]);
        let longest = windows.iter().chain([&before]).map(|s| s.fft.len()).max().unwrap_or(0);
        let scratch = windows.iter().chain([&before]).map(|s| s.fft.get_scratch_len()).max().unwrap_or(0);
        FeatureBank {
            windows,
            before,
            input: vec![0.0; longest],
            spectrum: vec![Complex::default(); longest / 2 + 1],
            scratch: vec![Complex::default(); scratch],
            power: vec![0.0; longest / 2 + 1],
        }
    }

    /// Features of the strike at sample `at` of `piece`.
    ///
    /// `piece` is sound at [`EAR_RATE`], full scale 1; what lies outside it counts as silence. Samples that are not
    /// numbers count as silence too.
    pub fn features(&mut self, piece: &[f32], at: usize) -> Features {
        let FeatureBank { windows, before, input, spectrum, scratch, power } = self;
        let mut listen = |stretch: &Stretch, out: &mut [f64]| {
            let n = stretch.fft.len();
            let (Some(input), Some(spectrum)) = (input.get_mut(..n), spectrum.get_mut(..n / 2 + 1)) else { return };
            stretch.cut(piece, at, input);
            if stretch.fft.process_with_scratch(input, spectrum, scratch).is_err() {
                return;
            }
            for (p, c) in power.iter_mut().zip(spectrum.iter()) {
                *p = c.norm_sqr();
            }
            for (level, (first, shares)) in out.iter_mut().zip(&stretch.bands) {
                let bins = power.get(*first..).unwrap_or_default();
                let sum: f32 = bins.iter().zip(shares).map(|(p, share)| p * share).sum();
                *level = f64::from(sum) * stretch.scale;
            }
        };
        let mut quiet = [0.0; CLICK_EDGES.len() + BODY_EDGES.len() - 2];
        listen(before, &mut quiet);
        let (quiet_click, quiet_body) = quiet.split_at(CLICK_EDGES.len() - 1);
        let (mut energy, mut quiet_energy) = (0.0, 0.0);
        let mut bands = [0.0; BANDS];
        let mut rest = bands.as_mut_slice();
        for (k, stretch) in windows.iter().enumerate() {
            let mut heard = [0.0; BODY_EDGES.len() - 1];
            listen(stretch, &mut heard);
            let quiet = if k == 0 { quiet_click } else { quiet_body };
            let (mine, more) = std::mem::take(&mut rest).split_at_mut(quiet.len());
            for ((band, heard), quiet) in mine.iter_mut().zip(heard).zip(quiet) {
                let own = (heard - quiet).max(KEPT * quiet + NOTHING);
                energy += own * stretch.seconds;
                quiet_energy += quiet * stretch.seconds;
                *band = (10.0 * own.log10()) as f32;
            }
            rest = more;
        }
        let level = 10.0 * (energy + NOTHING).log10();
        for band in &mut bands {
            *band = (*band - level as f32).max(FLOOR_DB);
        }
        Features { bands, level: Decibels(level), above: Decibels(level - 10.0 * (quiet_energy + NOTHING).log10()) }
    }
}

impl Stretch {
    fn new(planner: &mut RealFftPlanner<f32>, (from, to): (Seconds, Seconds), edges: &[&[f64]]) -> Stretch {
        let rate = f64::from(EAR_RATE.get());
        let first = (from.get() * rate).round();
        let len = ((to.get() * rate).round() - first) as usize;
        let n = len.next_power_of_two();
        let taper = taper(len);
        // Parseval: the sum over the bins of one side, so scaled, is the mean square of the untapered sound.
        let scale = 2.0 / (n as f64 * taper.iter().map(|w| f64::from(w * w)).sum::<f64>());
        let bin = rate / n as f64;
        let bands = edges.iter().flat_map(|e| e.windows(2).map(|w| shares(w[0] / bin, w[1] / bin, n / 2))).collect();
        Stretch {
            from: first as isize,
            taper,
            seconds: to.get() - from.get(),
            scale,
            fft: planner.plan_fft_forward(n),
            bands,
        }
    }

    /// The tapered samples of the stretch, zeros behind them.
    fn cut(&self, piece: &[f32], at: usize, out: &mut [f32]) {
        out.fill(0.0);
        // A position beyond any piece leaves silence.
        let start = isize::try_from(at).unwrap_or(isize::MAX / 2) + self.from;
        let skip = usize::try_from(-start).unwrap_or(0);
        let begin = usize::try_from(start).unwrap_or(0);
        let samples = piece.get(begin..).unwrap_or_default();
        for ((out, w), x) in out.iter_mut().zip(&self.taper).skip(skip).zip(samples) {
            *out = if x.is_finite() { w * x } else { 0.0 };
        }
    }
}

/// Flat in the middle half, a raised cosine over a quarter on each side.
fn taper(len: usize) -> Vec<f32> {
    let side = (len / 4).max(2);
    let rise = |k: usize| 0.5 - 0.5 * (std::f64::consts::PI * (k as f64 + 0.5) / side as f64).cos();
    (0..len)
        .map(|k| {
            let edge = k.min(len - 1 - k);
            if edge < side { rise(edge) as f32 } else { 1.0 }
        })
        .collect()
}

/// The bins that a band from `low` to `high` (both counted in bins) covers, each by the share of it that lies inside.
fn shares(low: f64, high: f64, last: usize) -> (usize, Vec<f32>) {
    let inside = |k: usize| (high.min(k as f64 + 0.5) - low.max(k as f64 - 0.5)).clamp(0.0, 1.0) as f32;
    let first = (low + 0.5).floor().max(0.0) as usize;
    (first, (first..=last).map(inside).take_while(|share| *share > 0.0).collect())
}

#[cfg(test)]
#[allow(clippy::float_cmp)] // the same steps give the same numbers
mod tests {
    use super::*;

    /// A decaying sine of 220 Hz that starts at sample 3000 of 20 000, at full scale.
    fn strike() -> Vec<f32> {
        (0..20_000)
            .map(|k| {
                let t = (f64::from(k) - 3000.0) / 44_100.0;
                if t < 0.0 { 0.0 } else { ((-t / 0.05).exp() * (std::f64::consts::TAU * 220.0 * t).sin()) as f32 }
            })
            .collect()
    }

    #[test]
    fn a_pure_tone_shows_in_its_own_band_of_the_late_body() {
        let f = FeatureBank::new().features(&strike(), 3000);
        let late = &f.bands[25..];
        assert!(late.iter().skip(2).all(|b| *b < late[1] - 20.0), "220 Hz lies in the band 180-280 Hz: {late:?}");
    }

    #[test]
    fn gain_moves_the_level_and_nothing_else() {
        let mut bank = FeatureBank::new();
        let loud = bank.features(&strike(), 3000);
        let soft: Vec<f32> = strike().iter().map(|x| x * 0.1).collect();
        let soft = bank.features(&soft, 3000);
        assert!((loud.level.0 - soft.level.0 - 20.0).abs() < 1e-3);
        assert!(loud.bands.iter().zip(soft.bands).all(|(a, b)| (a - b).abs() < 0.05), "{loud:?} {soft:?}");
    }

    #[test]
    fn what_lies_outside_the_piece_is_silence() {
        let mut bank = FeatureBank::new();
        let whole = strike();
        let mut alone = vec![0.0; 3000];
        alone.extend_from_slice(&whole[3000..]);
        assert_eq!(bank.features(&alone, 3000), bank.features(&whole[3000..], 0));
        assert_eq!(bank.features(&[], usize::MAX).bands, bank.features(&[0.0; 9000], 3000).bands);
        let cut_short = bank.features(&whole[..3100], 3000);
        assert!(cut_short.bands.iter().all(|b| b.is_finite()));
    }

    #[test]
    fn samples_that_are_not_numbers_do_no_harm() {
        let mut x = strike();
        x[3100] = f32::NAN;
        x[3200] = f32::INFINITY;
        let f = FeatureBank::new().features(&x, 3000);
        assert!(f.bands.iter().all(|b| b.is_finite()) && f.level.0.is_finite() && f.above.0.is_finite());
    }

    /// Parseval's theorem, checked against the definition of the mean square.
    #[test]
    fn the_level_of_noise_is_its_energy() {
        let mut rng = crate::rng::Rng(1);
        let mut bank = FeatureBank::new();
        let n = 50;
        let mut power = || {
            let x = rng.noise(3000, 1.0);
            10f64.powf(bank.features(&x, 0).level.0 / 10.0)
        };
        let mean = (0..n).map(|_| power()).sum::<f64>() / f64::from(n);
        // A third of full power, of which 12.9 of 22.05 kHz lie in the bands, over 8 + 20 + 40 ms. The mean of 50
        // such measurements strays by a tenth of a decibel.
        let expected = 1.0 / 3.0 * 12_900.0 / 22_050.0 * 0.068;
        assert!((10.0 * (mean / expected).log10()).abs() < 0.5, "{mean} against {expected}");
    }

    #[test]
    fn what_rings_on_from_before_is_taken_off() {
        let tone = |hz: f64, k: usize| (0.3 * (std::f64::consts::TAU * hz * k as f64 / 44_100.0).sin()) as f32;
        let mut bank = FeatureBank::new();
        let clean = bank.features(&strike(), 3000);
        let humming: Vec<f32> = strike().iter().enumerate().map(|(k, x)| x + tone(3500.0, k)).collect();
        let humming = bank.features(&humming, 3000);
        let band = 25 + 11; // 2900-3800 Hz of the late body
        assert!(clean.bands[band] < -45.0);
        assert!(humming.bands[band] < -15.0, "the hum is as strong as the strike there: {}", humming.bands[band]);
        assert!((humming.bands[26] - clean.bands[26]).abs() < 0.5);
    }
}
