//! A coarse candidate -> the sample at which its attack begins.
//!
//! The change point of a window is where two stretches of different power explain it best: minimise
//! `k ln v1 + (N-k) ln v2` over `k`, `v1` and `v2` being the mean powers before and after, `v2 > v1` (the Akaike picker
//! of seismology: Maeda 1985; Zhang, Thurber & Rowe 2003). It is run on three filtered copies of the sound, since a
//! stick's click, a body's thump and what stands between begin to stand out of the noise in different bands.

use super::EAR_RATE;
use super::rise::{Coarse, Seen};
use super::spectrum::fast_ln;

/// How many filtered copies are looked at.
pub(crate) const STREAMS: usize = 3;

/// A second-order section, transposed direct form II.
#[derive(Clone, Copy)]
struct Section {
    b: [f32; 3],
    a: [f32; 2],
}

/// Second-order Butterworth high- or low-pass by the bilinear transform (Oppenheim & Schafer; RBJ cookbook form).
fn butterworth(cut_hz: f64, high: bool) -> Section {
    let w = 2.0 * std::f64::consts::PI * cut_hz / f64::from(EAR_RATE.get());
    let (sin, cos) = w.sin_cos();
    let alpha = sin / std::f64::consts::SQRT_2;
    let a0 = 1.0 + alpha;
    let (b0, b1) = if high { ((1.0 + cos) / 2.0, -(1.0 + cos)) } else { ((1.0 - cos) / 2.0, 1.0 - cos) };
    Section {
        b: [(b0 / a0) as f32, (b1 / a0) as f32, (b0 / a0) as f32],
        a: [(-2.0 * cos / a0) as f32, ((1.0 - alpha) / a0) as f32],
    }
}

/// One step of a section: the input sample, the section, its two memories.
#[inline(always)]
fn step(v: f32, section: Section, z: &mut [f32; 2]) -> f32 {
    let y = section.b[0] * v + z[0];
    z[0] = section.b[1] * v - section.a[0] * y + z[1];
    z[1] = section.b[2] * v - section.a[1] * y;
    y
}

/// Filtered copies of a stretch of the piece.
struct Streams {
    /// Sample of the piece at index 0 (may lie before the piece: zeros there).
    start: isize,
    copies: [Vec<f32>; STREAMS],
}

impl Streams {
    /// Index into the copies of a sample of the piece.
    fn index(&self, sample: isize) -> usize {
        (sample - self.start).clamp(0, self.copies[0].len() as isize) as usize
    }

    /// Mean power of a stream between two times in milliseconds from a sample.
    fn power(&self, stream: usize, sample: usize, from_ms: f32, to_ms: f32) -> f32 {
        let per_ms = EAR_RATE.get() as f32 / 1e3;
        let at = |ms: f32| self.index(sample as isize + (ms * per_ms).round() as isize);
        mean_power(&self.copies[stream][at(from_ms)..at(to_ms).max(at(from_ms))])
    }

    fn near(&self, sample: usize) -> Near {
        let envelope = std::array::from_fn(|s| {
            let first = sample as isize - (ENVELOPE_BIN * ENVELOPE_BEFORE) as isize;
            std::array::from_fn(|k| {
                let from = self.index(first + (k * ENVELOPE_BIN) as isize);
                let to = self.index(first + ((k + 1) * ENVELOPE_BIN) as isize);
                mean_power(&self.copies[s][from..to])
            })
        });
        Near { powers: POWER_SPANS_MS.map(|(from, to)| self.power(0, sample, from, to)), envelope }
    }
}

fn mean_power(x: &[f32]) -> f32 {
    if x.is_empty() { 0.0 } else { x.iter().map(|v| v * v).sum::<f32>() / x.len() as f32 }
}

/// Samples in a bin of the fine envelope: .36 ms.
const ENVELOPE_BIN: usize = 16;
/// Bins of the fine envelope that lie before the attack.
const ENVELOPE_BEFORE: usize = 12;
/// Bins of the fine envelope.
pub(crate) const ENVELOPE: usize = 24;
/// Spans after and before an attack, in milliseconds, over which powers are compared.
const POWER_SPANS_MS: [(f32, f32); 6] = [(0.0, 1.0), (0.0, 3.0), (0.0, 10.0), (-1.0, 0.0), (-3.5, -0.5), (-10.0, -1.0)];

/// The filtered sound close to an attack.
#[derive(Clone)]
pub(crate) struct Near {
    /// Mean power of the 300 Hz high-pass over 0..1, 0..3, 0..10, -1..0, -3.5..-.5 and -10..-1 ms.
    pub(crate) powers: [f32; 6],
    /// Mean power of each stream in bins of .36 ms from -4.4 to +4.4 ms.
    pub(crate) envelope: [[f32; ENVELOPE]; STREAMS],
}

/// A candidate at its sample.
pub(crate) struct Candidate {
    pub(crate) coarse: Coarse,
    /// Sample of the piece where the attack begins.
    pub(crate) at: usize,
    /// Which stream said so.
    pub(crate) stream: usize,
    /// Where each stream put it, relative to `at`, in milliseconds.
    pub(crate) differences_ms: [f32; STREAMS],
    /// Log-likelihood gain of a change over none, per stream.
    pub(crate) gains: [f32; STREAMS],
    pub(crate) near: Near,
}

/// The three filters and their noise levels.
pub(crate) struct Placer {
    high: Section,
    higher: Section,
    band_low: Section,
    band_high: Section,
    /// Quiet power of each stream, from the short transform's floors.
    pub(crate) quiet: [f32; STREAMS],
}

/// Corner frequencies of the streams in hertz: all but rumble; a stick's click; a bucket's body.
const HIGH_HZ: f64 = 300.0;
const HIGHER_HZ: f64 = 2000.0;
const BAND_HZ: (f64, f64) = (150.0, 1500.0);
/// What is filtered before the first and after the last candidate of a stretch: the widest look and the widest span.
const BEFORE_MS: f64 = 30.0;
const AFTER_MS: f64 = 26.0;
/// The filters' settling: ten time constants of the slowest (150 Hz).
const SETTLE_MS: f64 = 15.0;
/// Candidates within such a stretch share one filtering.
const CHUNK_MS: f64 = 1000.0;
/// Look of the change point around the centre of the frame: the frame's half length and what the peak may be late by.
const SHORT_LOOK_MS: (f64, f64) = (9.0, 6.0);
const LONG_LOOK_MS: (f64, f64) = (18.0, 14.0);
/// Samples of the longer look, rounded up.
const LONGEST_LOOK: usize = 1440;
/// Neither stretch may be shorter: a power needs some samples.
const LEAST_STRETCH: usize = 12;
/// Share of the quiet power added to every sample, so that digital silence has no change points.
const QUIET_SHARE: f32 = 0.3;
/// The band-pass rings longest, so it must gain more to be believed.
const STREAM_TRUST: [f32; STREAMS] = [1.0, 1.0, 0.9];
/// Two candidates that end this near each other are one attack.
const SAME_ATTACK_MS: f64 = 4.0;

fn samples(ms: f64) -> isize {
    (ms * f64::from(EAR_RATE.get()) / 1e3) as isize
}

impl Placer {
    pub(crate) fn new(quiet: [f32; STREAMS]) -> Self {
        Placer {
            high: butterworth(HIGH_HZ, true),
            higher: butterworth(HIGHER_HZ, true),
            band_low: butterworth(BAND_HZ.0, true),
            band_high: butterworth(BAND_HZ.1, false),
            quiet,
        }
    }

    /// Filters `x[from..to]`, settled by what comes before it; outside the piece there is silence.
    fn filter(&self, x: &[f32], from: isize, to: isize, out: &mut Streams) {
        let settle = samples(SETTLE_MS);
        out.start = from;
        for copy in &mut out.copies {
            copy.clear();
        }
        let sample = |i: isize| usize::try_from(i).ok().and_then(|i| x.get(i)).copied().unwrap_or(0.0);
        // Begin from the first sample's value, not from zero: a step would ring.
        let first = sample(from - settle);
        let mut z = [[0.0f32; 2]; 4];
        let [high, higher, band] = &mut out.copies;
        for i in from - settle..to {
            let v = sample(i) - first;
            let a = step(v, self.high, &mut z[0]);
            let b = step(v, self.higher, &mut z[1]);
            let c = step(step(v, self.band_low, &mut z[2]), self.band_high, &mut z[3]);
            if i >= from {
                high.push(a);
                higher.push(b);
                band.push(c);
            }
        }
    }

    /// Change point of a stretch of a stream and its gain in log likelihood over no change; `None` if nothing rises.
    fn change(&self, stream: usize, x: &[f32]) -> Option<(usize, f32)> {
        let x = &x[..x.len().min(LONGEST_LOOK)];
        let n = x.len();
        if n < 4 * LEAST_STRETCH {
            return None;
        }
        let added = f64::from(QUIET_SHARE * self.quiet[stream]) + 1e-14;
        let mut sums = [0.0f32; LONGEST_LOOK];
        let mut sum = 0.0f64;
        for (total, v) in sums.iter_mut().zip(x) {
            sum += f64::from(v * v) + added;
            *total = sum as f32;
        }
        let total = sum as f32;
        let mut cost = [f32::INFINITY; LONGEST_LOOK];
        let places = LEAST_STRETCH..n - LEAST_STRETCH;
        for (i, (cost, &before)) in cost[places.clone()].iter_mut().zip(&sums[LEAST_STRETCH - 1..]).enumerate() {
            let k = (LEAST_STRETCH + i) as f32;
            let (v1, v2) = (before / k, (total - before).max(1e-30) / (n as f32 - k));
            let c = k * fast_ln(v1) + (n as f32 - k) * fast_ln(v2);
            *cost = if v2 > v1 { c } else { f32::INFINITY };
        }
        let mut best = (0, f32::INFINITY);
        for (k, &c) in cost.iter().enumerate() {
            if c < best.1 {
                best = (k, c);
            }
        }
        let nothing = n as f32 * fast_ln(total / n as f32);
        best.1.is_finite().then(|| (best.0, ((nothing - best.1) / 2.0).max(0.0)))
    }

    /// Places every coarse candidate; of two that end at one attack the one that rises more stays.
    pub(crate) fn place(&self, x: &[f32], coarse: &[Coarse]) -> Vec<Candidate> {
        let mut streams = Streams { start: 0, copies: Default::default() };
        let mut out: Vec<Candidate> = Vec::with_capacity(coarse.len());
        let (before, after, chunk) = (samples(BEFORE_MS), samples(AFTER_MS), samples(CHUNK_MS));
        for group in coarse.chunk_by(|a, b| a.at as isize / chunk == b.at as isize / chunk) {
            let (Some(first), Some(last)) = (group.first(), group.last()) else { continue };
            self.filter(x, first.at as isize - before, last.at as isize + after, &mut streams);
            out.extend(group.iter().filter_map(|&c| self.place_one(x.len(), &streams, c)));
        }
        out.sort_by_key(|c| c.at);
        let same = samples(SAME_ATTACK_MS) as usize;
        let mut kept: Vec<Candidate> = Vec::with_capacity(out.len());
        for c in out {
            match kept.last_mut() {
                Some(last) if c.at - last.at < same => {
                    if c.coarse.rise > last.coarse.rise {
                        *last = c;
                    }
                }
                _ => kept.push(c),
            }
        }
        kept
    }

    fn place_one(&self, len: usize, streams: &Streams, coarse: Coarse) -> Option<Candidate> {
        let look = if coarse.seen == Seen::Short { SHORT_LOOK_MS } else { LONG_LOOK_MS };
        let lo = streams.index((coarse.at as isize - samples(look.0)).max(0));
        let hi = streams.index((coarse.at as isize + samples(look.1)).min(len as isize));
        let mut found = [(0usize, 0.0f32); STREAMS];
        let mut chosen: Option<(usize, f32)> = None;
        for (s, place) in found.iter_mut().enumerate() {
            let Some((k, gain)) = self.change(s, &streams.copies[s][lo..hi]) else { continue };
            *place = (lo + k, gain);
            if chosen.is_none_or(|(_, best)| gain * STREAM_TRUST[s] > best) {
                chosen = Some((s, gain * STREAM_TRUST[s]));
            }
        }
        let (stream, _) = chosen?;
        let index = found[stream].0;
        let ms = 1e3 / EAR_RATE.get() as f32;
        let at = usize::try_from(streams.start + index as isize).ok()?;
        Some(Candidate {
            coarse,
            at,
            stream,
            differences_ms: found.map(|(k, gain)| if gain > 0.0 { (k as f32 - index as f32) * ms } else { 0.0 }),
            gains: found.map(|f| f.1),
            near: streams.near(at),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Reproducible noise in -1..1 (Numerical Recipes' quick generator).
    fn noise(n: usize, scale: f32) -> Vec<f32> {
        let mut s = 12345u32;
        (0..n)
            .map(|_| {
                s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (s as f32 / u32::MAX as f32 * 2.0 - 1.0) * scale
            })
            .collect()
    }

    #[test]
    fn a_step_in_noise_level_is_placed_to_a_few_samples() {
        for place in [3000usize, 3111, 3345] {
            let mut x = noise(8000, 1e-3);
            for (v, n) in x[place..].iter_mut().zip(noise(8000, 0.2)) {
                *v += n;
            }
            let found = Placer::new([1e-7; STREAMS])
                .place(&x, &[Coarse { at: place / 64 * 64 + 64, rise: 5.0, seen: Seen::Short }]);
            assert_eq!(found.len(), 1);
            assert!(found[0].at.abs_diff(place) <= 3, "{} for {place}", found[0].at);
        }
    }

    #[test]
    fn a_high_pass_stops_a_constant_and_passes_the_top() {
        let run = |x: &mut [f32]| {
            let mut memory = [0.0; 2];
            x.iter_mut().for_each(|v| *v = step(*v, butterworth(300.0, true), &mut memory));
        };
        let mut dc = vec![1.0f32; 4000];
        run(&mut dc);
        assert!(dc[3999].abs() < 1e-4);
        let mut top: Vec<f32> = (0..4000).map(|n| if n % 2 == 0 { 1.0 } else { -1.0 }).collect();
        run(&mut top);
        assert!((top[3998].abs() - 1.0).abs() < 1e-3);
    }
}
