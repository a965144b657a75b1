//! A placed candidate -> its sketch, by which a clock is known, and the numbers the correction of its place looks at.
//!
//! Powers enter as `ln((P + F) / F)` with the floor `F`, so that noise reads as zero at any gain. The order of the
//! numbers is the order of the weights in `assets/ear.safetensors`.

use fearless_simd::{Level, dispatch, prelude::*};

use super::filters::STREAMS;
use super::front::Front;
use super::lanes::{dot, fast_ln, ln_all, sum};
use super::place::{Candidate, ENVELOPE};
use super::spectrum::{LONG_BANDS, SHORT_BANDS};
use crate::units::EAR_RATE;

/// Long bands are looked at in pairs.
const PAIRS: usize = LONG_BANDS / 2;
/// Numbers the placing looks at.
pub(crate) const TIMING: usize = STREAMS * ENVELOPE + 2 * STREAMS + 2 + 6 + 2 * SHORT_BANDS + 3;
/// The network's pointer counts up to so many milliseconds from the change point.
const MAX_POINTER_MS: f32 = 8.0;

/// What tells a clock's ticks.
#[derive(Clone)]
pub(crate) struct Sketch {
    /// Seconds from the start of the piece.
    pub(crate) at_s: f32,
    /// Logarithm of the power of its first 10 ms.
    pub(crate) level: f32,
    /// Logarithm of new power per long band at the attack, then per pair of bands 34 ms later; mean removed, unit length.
    pub(crate) colour: [f32; LONG_BANDS + PAIRS],
}

fn ln_over<const N: usize>(power: [f32; N], floor: [f32; N]) -> [f32; N] {
    std::array::from_fn(|b| fast_ln((power[b] + floor[b]) / floor[b]))
}

#[inline(always)]
fn pooled(bands: &[f32; LONG_BANDS]) -> [f32; PAIRS] {
    std::array::from_fn(|k| bands[2 * k] + bands[2 * k + 1])
}

#[inline(always)]
fn max_of<const N: usize>(frames: &[&[f32; N]]) -> [f32; N] {
    let mut out = [0.0f32; N];
    for frame in frames {
        for (most, &v) in out.iter_mut().zip(*frame) {
            *most = if v > *most { v } else { *most };
        }
    }
    out
}

fn rise<const N: usize>(after: [f32; N], before: [f32; N], floor: [f32; N]) -> [f32; N] {
    std::array::from_fn(|b| fast_ln((after[b] + floor[b]) / (before[b] + floor[b])))
}

/// The sketches of placed candidates.
pub(crate) fn sketches(front: &Front, candidates: &[Candidate]) -> Vec<Sketch> {
    dispatch!(Level::new(), simd => sketch_all(simd, front, candidates))
}

#[inline(always)]
fn sketch_all<S: Simd>(simd: S, front: &Front, candidates: &[Candidate]) -> Vec<Sketch> {
    let mut out = Vec::with_capacity(candidates.len());
    for candidate in candidates {
        out.push(sketch(simd, front, candidate));
    }
    out
}

#[inline(always)]
fn sketch<S: Simd>(simd: S, front: &Front, c: &Candidate) -> Sketch {
    let lf = front.long_floor.at(front.long_frame(c.at, 0.0));
    let before = &front.long[front.long_frame(c.at, -13.0)];
    let mut new = [[0.0; LONG_BANDS]; 2];
    for (new, ms) in new.iter_mut().zip([11.0, 34.0]) {
        let after = &front.long[front.long_frame(c.at, ms)];
        for b in 0..LONG_BANDS {
            let risen = after[b] - before[b];
            new[b] = (if risen > 0.0 { risen } else { 0.0 }) + 0.5 * lf[b];
        }
    }
    let mut colour = [0.0; LONG_BANDS + PAIRS];
    colour[..LONG_BANDS].copy_from_slice(&new[0]);
    colour[LONG_BANDS..].copy_from_slice(&pooled(&new[1]));
    ln_all(simd, &mut colour);
    let mean = sum(simd, &colour) / colour.len() as f32;
    colour.iter_mut().for_each(|v| *v -= mean);
    let length = dot::<8>(&colour, &colour).sqrt() + 1e-9;
    colour.iter_mut().for_each(|v| *v /= length);
    Sketch { at_s: c.at as f32 / EAR_RATE.get() as f32, level: level(front, c.near.powers[2]), colour }
}

/// Logarithm of a power of the first stream, floored by most of the quiet level.
fn level(front: &Front, power: f32) -> f32 {
    fast_ln(power + 0.7 * front.quiet[0] + 1e-20)
}

fn spans(front: &Front, c: &Candidate) -> [f32; 6] {
    // Powers 0..1, 0..3, 0..10, -1..0, -3.5..-.5, -10..-1 ms.
    let [a1, a3, a10, b1, b3, b10] = c.near.powers.map(|p| level(front, p));
    [a1 - b1, a3 - b3, a10 - b10, a3 - b10, a1 - a10, a3 - a10]
}

/// What the correction of an attack's place looks at, [`TIMING`] numbers: the envelope of each stream; where each stream
/// puts the attack, and how surely; which of them was believed; powers after and before; what sounds in the short bands
/// after, and how much more than before; where the network points, its votes, the level.
pub(crate) fn timing(front: &Front, c: &Candidate) -> Vec<f32> {
    let mut out = Vec::with_capacity(TIMING);
    for (envelope, quiet) in c.near.envelope.iter().zip(front.quiet) {
        let floor = 0.5 * quiet + 1e-20;
        let loudest = envelope.iter().fold(0.0f32, |m, &v| m.max(v)) + floor;
        out.extend(envelope.iter().map(|&v| fast_ln((v + floor) / loudest)));
    }
    out.extend(c.differences_ms.map(|d| d.clamp(-8.0, 8.0)));
    out.extend(c.gains.map(|g| fast_ln(1.0 + g)));
    out.extend([if c.stream == 1 { 1.0 } else { 0.0 }, if c.stream == 2 { 1.0 } else { 0.0 }]);
    out.extend(spans(front, c));
    let short = |ms: f32| &front.short[front.short_frame(c.at, ms)];
    let sf = front.short_floor.at(front.short_frame(c.at, 0.0));
    let post = max_of(&[short(2.0), short(3.5)]);
    out.extend(ln_over(post, sf));
    out.extend(rise(post, max_of(&[short(-3.5), short(-5.0), short(-7.0), short(-9.0)]), sf));
    let pointer_ms = (c.pointed.at - c.at as f64) as f32 * 1e3 / EAR_RATE.get() as f32;
    out.extend([pointer_ms.clamp(-MAX_POINTER_MS, MAX_POINTER_MS), c.pointed.votes, c.pointed.level]);
    debug_assert_eq!(out.len(), TIMING);
    out
}
