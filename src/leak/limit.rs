//! The low band -> five bands, each divided by its own level, summed: no strike weighs more than a click, and levels and
//! gain control drop out.
//!
//! Second-order high- and low-passes, forwards and backwards (no delay), side by side in the lanes of a register.

use fearless_simd::{Level, dispatch};

use super::low::{Band, LOW_HZ};
use crate::stats::quantile;

/// Edges of the bands in hertz: where the guide's chirps lie.
const EDGES_HZ: [f64; BANDS + 1] = [700.0, 1200.0, 1750.0, 2400.0, 3200.0, 4300.0];
const BANDS: usize = 5;
const LANES: usize = 8;
type Lanes = [f32; LANES];
/// A band's level is taken over this many samples, 10 ms: shorter than a chirp, longer than its period.
const LEVEL: usize = 110;
/// Share of a band's middle level below which nothing is raised further.
const LEAST_LEVEL: f32 = 0.3;
/// Silence is not raised at all.
const NOTHING: f32 = 1e-7;
/// A tone far under that keeps the filters from the numbers next to zero, with which processors are slow.
const NOT_ZERO: f32 = 1e-15;
/// The bands' middle levels are those of stretches this long (6 s), and a stretch is filtered with so much around it (46
/// ms) that the filters have settled.
const STRETCH: usize = 1 << 16;
const AROUND: usize = 512;

/// A second-order section in every lane, transposed direct form II.
#[derive(Clone, Copy)]
struct Section {
    b: [Lanes; 3],
    a: [Lanes; 2],
}

/// Butterworth by the bilinear transform (RBJ cookbook form), another frequency in every lane.
fn section(cut_hz: impl Fn(usize) -> f64, high: bool) -> Section {
    let mut s = Section { b: [[0.0; LANES]; 3], a: [[0.0; LANES]; 2] };
    for lane in 0..BANDS {
        let (sin, cos) = (2.0 * std::f64::consts::PI * cut_hz(lane) / LOW_HZ).sin_cos();
        let alpha = sin / std::f64::consts::SQRT_2;
        let a0 = 1.0 + alpha;
        let (b0, b1) = if high { ((1.0 + cos) / 2.0, -(1.0 + cos)) } else { ((1.0 - cos) / 2.0, 1.0 - cos) };
        for (to, v) in s.b.iter_mut().zip([b0, b1, b0]) {
            to[lane] = (v / a0) as f32;
        }
        s.a[0][lane] = (-2.0 * cos / a0) as f32;
        s.a[1][lane] = ((1.0 - alpha) / a0) as f32;
    }
    s
}

impl Section {
    #[inline(always)]
    fn step(&self, v: &Lanes, z: &mut [Lanes; 2]) -> Lanes {
        let mut y = [0.0; LANES];
        for k in 0..LANES {
            y[k] = v[k] * self.b[0][k] + z[0][k];
            z[0][k] = v[k] * self.b[1][k] - y[k] * self.a[0][k] + z[1][k];
            z[1][k] = v[k] * self.b[2][k] - y[k] * self.a[1][k];
        }
        y
    }
}

/// The limited sum of the bands, as long as `x`.
pub(super) fn limit(x: &[f32]) -> Vec<f32> {
    let mut limiter = Limiter::new();
    let mut out = Vec::with_capacity(x.len());
    for from in (0..x.len()).step_by(STRETCH) {
        let (begin, to) = (from.saturating_sub(AROUND), (from + STRETCH).min(x.len()));
        limiter.add(&x[begin..(to + AROUND).min(x.len())], from - begin..to - begin, &mut out);
    }
    out
}

/// The limited band of a recording, worked out stretch by stretch where it is asked for: the same as of the whole.
pub(super) struct Limited<'a> {
    band: &'a Band,
    limiter: Limiter,
    /// The stretches that were asked for last.
    near: [(usize, Vec<f32>); 2],
}

impl<'a> Limited<'a> {
    pub(super) fn of(band: &'a Band) -> Limited<'a> {
        Limited { band, limiter: Limiter::new(), near: [(usize::MAX, Vec::new()), (usize::MAX, Vec::new())] }
    }

    /// Samples from `from` on into `out`; what lies beyond the recording is silence.
    pub(super) fn fill(&mut self, from: i64, out: &mut [f32]) {
        let before = usize::try_from(-from).unwrap_or(0).min(out.len());
        out[..before].fill(0.0);
        let mut done = before;
        while done < out.len() {
            let at = usize::try_from(from + done as i64).unwrap_or(0);
            let stretch = self.stretch(at / STRETCH);
            let known = stretch.get(at % STRETCH..).unwrap_or_default();
            if known.is_empty() {
                out[done..].fill(0.0);
                return;
            }
            let count = known.len().min(out.len() - done);
            out[done..done + count].copy_from_slice(&known[..count]);
            done += count;
        }
    }

    fn stretch(&mut self, k: usize) -> &[f32] {
        if self.near[0].0 != k {
            self.near.swap(0, 1);
        }
        if self.near[0].0 != k {
            let (from, to) = (k * STRETCH, ((k + 1) * STRETCH).min(self.band.len()));
            let begin = from.saturating_sub(AROUND);
            let x = self.band.between(begin, to + AROUND);
            self.near[0].0 = k;
            self.near[0].1.clear();
            if from < to {
                self.limiter.add(&x, from - begin..to - begin, &mut self.near[0].1);
            }
        }
        &self.near[0].1
    }
}

/// Limits stretches.
struct Limiter {
    sections: [Section; 2],
    bands: Vec<Lanes>,
    levels: Vec<Lanes>,
}

impl Limiter {
    fn new() -> Limiter {
        let sections = [section(|k| EDGES_HZ[k], true), section(|k| EDGES_HZ[k + 1], false)];
        Limiter { sections, bands: Vec::new(), levels: Vec::new() }
    }

    /// Adds the limited stretch `wanted` of `x`, which is longer, to `out`.
    fn add(&mut self, x: &[f32], wanted: std::ops::Range<usize>, out: &mut Vec<f32>) {
        dispatch!(Level::new(), _simd => self.limited(x, wanted, out));
    }

    #[inline(always)]
    fn limited(&mut self, x: &[f32], wanted: std::ops::Range<usize>, out: &mut Vec<f32>) {
        let Limiter { sections, bands, levels } = self;
        bands.clear();
        let mut z = [[[0.0; LANES]; 2]; 2];
        bands.extend(x.iter().enumerate().map(|(k, v)| {
            let v = v + if k & 4 == 0 { NOT_ZERO } else { -NOT_ZERO };
            let first = sections[0].step(&[v; LANES], &mut z[0]);
            sections[1].step(&first, &mut z[1])
        }));
        let mut z = [[[0.0; LANES]; 2]; 2];
        for v in bands.iter_mut().rev() {
            let first = sections[0].step(v, &mut z[0]);
            *v = sections[1].step(&first, &mut z[1]);
        }
        smoothed(bands, levels);
        let middle = middle(levels);
        out.extend(bands[wanted.clone()].iter().zip(&levels[wanted]).map(|(b, e)| {
            let mut ratio = [0.0; LANES];
            for k in 0..LANES {
                ratio[k] = b[k] / (e[k] + LEAST_LEVEL * middle[k] + NOTHING);
            }
            ratio[..BANDS].iter().sum::<f32>()
        }));
    }
}

/// Root mean square of each lane over [`LEVEL`] samples around each.
#[inline(always)]
fn smoothed(bands: &[Lanes], out: &mut Vec<Lanes>) {
    out.clear();
    let mut sum = [0.0f64; LANES];
    let mut add = |v: Option<&Lanes>, sign: f64| {
        if let Some(v) = v {
            for k in 0..LANES {
                sum[k] += sign * f64::from(v[k] * v[k]);
            }
        }
        sum
    };
    for k in 0..LEVEL / 2 {
        add(bands.get(k), 1.0);
    }
    for i in 0..bands.len() {
        add(bands.get(i + LEVEL / 2), 1.0);
        let sum = add(i.checked_sub(LEVEL / 2 + 1).and_then(|k| bands.get(k)), -1.0);
        out.push(sum.map(|v| (v.max(0.0) / (LEVEL + 1) as f64).sqrt() as f32));
    }
}

/// Middle level of each lane.
fn middle(levels: &[Lanes]) -> Lanes {
    let mut out = [0.0; LANES];
    for (k, out) in out.iter_mut().enumerate().take(BANDS) {
        let mut some: Vec<f32> = levels.iter().step_by(37).map(|e| e[k]).collect();
        *out = quantile(&mut some, 0.5);
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_of_a_limited_recording_are_those_of_the_whole() {
        let x: Vec<f32> =
            (0..4 * 2 * STRETCH + 4000).map(|k| ((k as f32) * 0.37).sin() * ((k / 997) % 7) as f32).collect();
        let band = crate::leak::Low::of(&x);
        let whole = limit(&band.samples());
        let mut limited = Limited::of(&band);
        for from in [-300, 0, 65_000, 131_000, 65_530, 131_900, 200_000] {
            let mut piece = vec![7.0; 1100];
            limited.fill(from, &mut piece);
            for (k, v) in (from..).zip(&piece) {
                let there = usize::try_from(k).ok().and_then(|k| whole.get(k)).copied().unwrap_or(0.0);
                assert_eq!(v.to_bits(), there.to_bits(), "{k}");
            }
        }
    }

    #[test]
    fn what_comes_out_has_the_same_level_at_any_level() {
        let noise = crate::rng::Rng(1).noise(100_000, 1.0);
        let x: Vec<f32> =
            noise.iter().enumerate().map(|(k, v)| v * if k % 20_000 < 2000 { 1.0 } else { 0.05 }).collect();
        let power = |x: &[f32]| x.iter().map(|v| v * v).sum::<f32>() / x.len() as f32;
        let y = limit(&x);
        let ratio = power(&y[20_100..21_900]) / power(&y[23_000..39_000]);
        assert!((0.8..2.0).contains(&ratio), "{ratio}");
        let soft: Vec<f32> = x.iter().map(|v| v * 0.01).collect();
        for (a, b) in limit(&soft).iter().zip(&y) {
            assert!((a - b).abs() < 0.02 * b.abs() + 0.01);
        }
        // Five bands of a tone of 1e-15, none raised by more than 1 / NOTHING.
        assert!(limit(&[]).is_empty() && limit(&[0.0; 3000]).iter().all(|v| v.abs() < 1e-7));
    }
}
