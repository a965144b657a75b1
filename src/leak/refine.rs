//! The place of the guide to a few hundredths of a millisecond.
//!
//! The matches around every cue, four times as fine and added up with their signs, give the room's answer to one sound:
//! its first strong peak is the direct sound. Then start and skew are fitted together.

use realfft::num_complex::Complex;
use rustfft::FftPlanner;

use super::laid::{Cue, Laid};
use super::matched::Match;
use super::sinc::Sinc;

/// How much finer than the low band.
const FINE: usize = 4;
/// How far around a cue, in fine samples: 6.8 ms.
const AROUND: i64 = 300;
/// Samples of the low band that are looked at on either side of where a cue was thought: the answer, once more as far as the
/// first peak moves it, and what the fit's skews move the ends of 40 min by, with what is interpolated between.
pub(super) const LOOKED_AT: usize = 2 * AROUND as usize / FINE + 250;
/// Samples that are interpolated between, on either side.
const BETWEEN: usize = 9;
/// The direct sound is the first peak at least this high beside the largest, and at most this long before it: 5 ms.
const FIRST: f32 = 0.6;
const BEFORE: usize = 220;
/// Ends of the answer that are not looked at.
const EDGE: usize = 60;
/// Half widths of the fit, coarse to fine: start in fine samples, skew in ppm.
const STEPS: [(i64, f64); 3] = [(22, 6.0), (6, 1.5), (4, 0.5)];

/// Matches around a cue; none where the cue lies outside the recording of `count` samples.
fn answer(cue: &Cue, matches: &[Match], count: usize, laid: &Laid, sinc: &Sinc) -> Option<Vec<f32>> {
    let at = laid.at(cue.at);
    if at < 0.0 || at >= count as f64 {
        return None;
    }
    let reach = AROUND as usize / FINE + BETWEEN;
    let from = at.floor() - reach as f64;
    let mut values = [0.0; 2 * (AROUND as usize / FINE + BETWEEN) + 1];
    matches[cue.kind].around(from as i64, &mut values);
    Some((-AROUND..=AROUND).map(|k| cue.sign * sinc.at(&values, at - from + k as f64 / FINE as f64)).collect())
}

/// Magnitude of the analytic signal.
fn envelope(x: &[f32]) -> Vec<f32> {
    let n = x.len();
    let mut planner = FftPlanner::<f32>::new();
    let mut z: Vec<Complex<f32>> = x.iter().map(|v| Complex::new(*v, 0.0)).collect();
    planner.plan_fft_forward(n).process(&mut z);
    for (k, v) in z.iter_mut().enumerate() {
        *v *= if k == 0 || 2 * k == n {
            1.0
        } else if 2 * k < n {
            2.0
        } else {
            0.0
        };
    }
    planner.plan_fft_inverse(n).process(&mut z);
    z.iter().map(|v| v.norm() / n as f32).collect()
}

/// Index of the first peak at least `share` of the largest, at most `before` ahead of it.
pub(super) fn first_peak(x: &[f32], edge: usize, before: usize, share: f32) -> usize {
    let inside = edge..x.len().saturating_sub(edge);
    let Some(most) = inside.max_by(|a, b| x[*a].total_cmp(&x[*b])) else { return x.len() / 2 };
    let from = most.saturating_sub(before).max(1);
    (from..most).find(|&i| x[i] > x[i - 1] && x[i] >= x[i + 1] && x[i] > share * x[most]).unwrap_or(most)
}

/// `count`: samples of the recording.
pub(super) fn refine(cues: &[Cue], matches: &[Match], count: usize, mut laid: Laid) -> Laid {
    let sinc = Sinc::new();
    let width = (2 * AROUND + 1) as usize;
    let mut sum = vec![0.0f32; width];
    for row in cues.iter().filter_map(|cue| answer(cue, matches, count, &laid, &sinc)) {
        for (s, v) in sum.iter_mut().zip(row) {
            *s += v;
        }
    }
    let first = first_peak(&envelope(&sum), EDGE, BEFORE, FIRST);
    laid.middle += (first as i64 - AROUND) as f64 / FINE as f64;
    for (half, most) in STEPS {
        let row = |cue: &Cue| Some((cue.at - laid.pivot, answer(cue, matches, count, &laid, &sinc)?));
        let used: Vec<(f64, Vec<f32>)> = cues.iter().filter_map(row).collect();
        let middle = used.iter().map(|u| u.0).sum::<f64>() / used.len().max(1) as f64;
        let mut best = (f32::NEG_INFINITY, 0.0, 0.0);
        for k in -12..=12 {
            let skew = f64::from(k) * most / 12.0;
            // The sum of all rows, each moved by what the skew moves it, around the middle.
            let mut moved = vec![0.0f32; (2 * half + 4) as usize];
            for (u, row) in &used {
                let at = AROUND as f64 + (u - middle) * skew * 1e-6 * FINE as f64;
                let (whole, part) = (at.floor(), (at - at.floor()) as f32);
                let from = whole as i64 - half - 1;
                let Some(from) = usize::try_from(from).ok().filter(|f| f + moved.len() < row.len()) else { continue };
                for (i, m) in moved.iter_mut().enumerate() {
                    *m += row[from + i] * (1.0 - part) + row[from + i + 1] * part;
                }
            }
            for i in 1..moved.len() - 1 {
                let (a, b, c) = (moved[i - 1], moved[i], moved[i + 1]);
                if b > best.0 {
                    let bend = a - 2.0 * b + c;
                    let off = if bend < 0.0 { (0.5 * (a - c) / bend).clamp(-0.5, 0.5) } else { 0.0 };
                    best = (b, i as f64 - half as f64 - 1.0 + f64::from(off), skew);
                }
            }
        }
        // The fit turned around the middle of the cues; `laid` turns around its pivot.
        laid.middle += best.1 / FINE as f64 - middle * best.2 * 1e-6;
        laid.skew += best.2;
    }
    laid
}
