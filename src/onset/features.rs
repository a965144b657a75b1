//! A candidate and its surroundings -> the numbers the first decision looks at.
//!
//! Powers enter as `ln((P + F) / F)` with the floor `F`, so that noise reads as zero at any gain. The order of the
//! numbers is the order of the weights in `assets/ear.json`; `scripts/fit_ear.py` reads them from here.

use std::ops::Range;

use fearless_simd::{Level, dispatch, prelude::*};

use super::EAR_RATE;
use super::filters::STREAMS;
use super::floor::quantile;
use super::front::Front;
use super::lanes::{dot, fast_ln, ln_all, sum};
use super::place::{Candidate, ENVELOPE};
use super::rise::Seen;
use super::spectrum::{LONG_BANDS, SHORT_BANDS};

/// Short frames looked at, in milliseconds from the attack: dense around it, since that is where a stick differs.
const SHORT_LOOK_MS: [f32; 17] =
    [-22.0, -16.0, -12.0, -9.0, -7.0, -5.0, -3.5, -2.0, -0.7, 0.7, 2.0, 3.5, 5.0, 7.0, 10.0, 14.0, 20.0];
/// Long frames looked at: what sounded before, the attack, its decay.
const LONG_LOOK_MS: [f32; 12] = [-90.0, -60.0, -40.0, -25.0, -13.0, 0.0, 11.0, 23.0, 40.0, 65.0, 100.0, 150.0];
/// Long bands are looked at in pairs.
const PAIRS: usize = LONG_BANDS / 2;
/// Long bands in threes for the rises.
const THREES: usize = LONG_BANDS / 3;
/// How far neighbours count, in seconds.
const NEIGHBOUR_S: f32 = 0.2;
/// Those of them that are logarithms of ratios of powers; they come first.
const RATIOS: usize = SHORT_LOOK_MS.len() * SHORT_BANDS + LONG_LOOK_MS.len() * PAIRS + SHORT_BANDS + 2 * THREES;
/// Numbers the first decision looks at.
pub(crate) const FIRST: usize = RATIOS + 6 + 2 * STREAMS + 4 + 11 + 9;
/// Numbers the placing looks at.
pub(crate) const TIMING: usize = STREAMS * ENVELOPE + 2 * STREAMS + 3 + 6 + 2 * SHORT_BANDS;

/// What later steps need of a candidate beside its features.
#[derive(Clone)]
pub(crate) struct Sketch {
    /// Seconds from the start of the piece.
    pub(crate) at_s: f32,
    /// Logarithm of the power of its first 10 ms.
    pub(crate) level: f32,
    pub(crate) rise: f32,
    /// Logarithm of the total short-band power over the floor.
    pub(crate) over_floor: f32,
    /// Logarithm of new power per long band at the attack, then per pair of bands 34 ms later; mean removed, unit length.
    pub(crate) colour: [f32; LONG_BANDS + PAIRS],
}

fn ln_over<const N: usize>(power: [f32; N], floor: [f32; N]) -> [f32; N] {
    std::array::from_fn(|b| fast_ln((power[b] + floor[b]) / floor[b]))
}

#[inline(always)]
fn pooled<const N: usize>(bands: &[f32; LONG_BANDS]) -> [f32; N] {
    let size = LONG_BANDS / N;
    let mut out = [0.0; N];
    for (sum, bands) in out.iter_mut().zip(bands.chunks_exact(size)) {
        for v in bands {
            *sum += v;
        }
    }
    out
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
    let mut out = [0.0; N];
    put_ratios(&mut &mut out[..], &after, &before, &floor);
    out.map(fast_ln)
}

/// Writes `(after + floor) / (before + floor)` to the front of `out`, which then begins behind it.
#[inline(always)]
fn put_ratios<const N: usize>(out: &mut &mut [f32], after: &[f32; N], before: &[f32; N], floor: &[f32; N]) {
    let (now, rest) = std::mem::take(out).split_at_mut(N);
    for k in 0..N {
        now[k] = (after[k] + floor[k]) / (before[k] + floor[k]);
    }
    *out = rest;
}

/// What the features of a piece's candidates are made of. Rows are made when they are needed: all of them together would
/// not fit the caches.
pub(crate) struct Features<'a> {
    front: &'a Front,
    pub(crate) sketches: Vec<Sketch>,
    beside: Beside,
    /// Logarithm of the power of a loud candidate that rises strongly.
    reference: f32,
}

impl<'a> Features<'a> {
    pub(crate) fn new(front: &'a Front) -> Self {
        let sketches = dispatch!(Level::new(), simd => sketches(simd, front));
        let beside = Beside::new(front, &sketches);
        let strong = quantile(&mut beside.rise.clone(), 0.8);
        let both = beside.rise.iter().zip(&beside.level);
        let mut levels: Vec<f32> = both.filter(|(rise, _)| **rise > strong).map(|(_, level)| *level).collect();
        if levels.is_empty() {
            levels.clone_from(&beside.level);
        }
        Features { front, beside, reference: quantile(&mut levels, 0.8), sketches }
    }

    /// Appends the rows of some candidates, [`FIRST`] numbers each.
    pub(crate) fn append(&self, candidates: impl Iterator<Item = usize>, rows: &mut Vec<f32>) {
        for i in candidates {
            let from = rows.len();
            rows.resize(from + FIRST, 0.0);
            let out = &mut rows[from..];
            dispatch!(Level::new(), simd => self.row(simd, i, out));
        }
    }
}

#[inline(always)]
fn sketches<S: Simd>(simd: S, front: &Front) -> Vec<Sketch> {
    let mut out = Vec::with_capacity(front.candidates.len());
    for candidate in &front.candidates {
        out.push(sketch(simd, front, candidate));
    }
    out
}

#[inline(always)]
fn sketch<S: Simd>(simd: S, front: &Front, c: &Candidate) -> Sketch {
    let sf = front.short_floor.at(front.short_frame(c.at, 0.0));
    let lf = front.long_floor.at(front.long_frame(c.at, 0.0));
    let post = max_of(&[&front.short[front.short_frame(c.at, 2.0)], &front.short[front.short_frame(c.at, 3.5)]]);
    let over_floor = fast_ln((post.iter().sum::<f32>() + sf.iter().sum::<f32>()) / sf.iter().sum::<f32>());
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
    colour[LONG_BANDS..].copy_from_slice(&pooled::<PAIRS>(&new[1]));
    ln_all(simd, &mut colour);
    let mean = sum(simd, &colour) / colour.len() as f32;
    colour.iter_mut().for_each(|v| *v -= mean);
    let length = dot::<8>(&colour, &colour).sqrt() + 1e-9;
    colour.iter_mut().for_each(|v| *v /= length);
    Sketch { at_s: seconds(c.at), level: level(front, c.near.powers[2]), rise: c.coarse.rise, over_floor, colour }
}

fn seconds(sample: usize) -> f32 {
    sample as f32 / EAR_RATE.get() as f32
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

/// Writes numbers to the front of `out`, which then begins behind them.
fn put<const N: usize>(out: &mut &mut [f32], numbers: [f32; N]) {
    let (now, rest) = std::mem::take(out).split_at_mut(N);
    now.copy_from_slice(&numbers);
    *out = rest;
}

impl Features<'_> {
    #[inline(always)]
    fn row<S: Simd>(&self, simd: S, i: usize, out: &mut [f32]) {
        let Features { front, sketches, beside, reference } = self;
        let c = &front.candidates[i];
        let me = &sketches[i];
        let short = |ms: f32| &front.short[front.short_frame(c.at, ms)];
        let long = |ms: f32| &front.long[front.long_frame(c.at, ms)];
        let sf = front.short_floor.at(front.short_frame(c.at, 0.0));
        let lf = front.long_floor.at(front.long_frame(c.at, 0.0));
        // Ratios first; their logarithms are taken together.
        let (ratios, mut rest) = out.split_at_mut(RATIOS);
        let mut left = &mut *ratios;
        for ms in SHORT_LOOK_MS {
            put_ratios(&mut left, short(ms), &[0.0; SHORT_BANDS], &sf);
        }
        let pair_floor = pooled::<PAIRS>(&lf);
        for ms in LONG_LOOK_MS {
            put_ratios(&mut left, &pooled::<PAIRS>(long(ms)), &[0.0; PAIRS], &pair_floor);
        }
        let post = max_of(&[short(2.0), short(3.5)]);
        put_ratios(&mut left, &post, &max_of(&[short(-3.5), short(-5.0), short(-7.0), short(-9.0)]), &sf);
        let (three_floor, attack) = (pooled::<THREES>(&lf), pooled::<THREES>(long(11.0)));
        put_ratios(&mut left, &attack, &pooled(long(-13.0)), &three_floor);
        put_ratios(&mut left, &attack, &max_of(&[&pooled(long(-30.0)), &pooled(long(-50.0))]), &three_floor);
        debug_assert!(left.is_empty());
        ln_all(simd, ratios);
        put(&mut rest, spans(front, c));
        put(&mut rest, c.gains.map(|g| fast_ln(1.0 + g)));
        put(&mut rest, c.differences_ms.map(|d| d.clamp(-8.0, 8.0)));
        let rise_ln = fast_ln(1.0 + me.rise);
        put(
            &mut rest,
            [
                rise_ln,
                if c.coarse.seen == Seen::Long { 1.0 } else { 0.0 },
                if c.stream == 1 { 1.0 } else { 0.0 },
                if c.stream == 2 { 1.0 } else { 0.0 },
            ],
        );
        put(&mut rest, beside.context(i));
        let spread = {
            let over = ln_over(post, sf);
            let mean = over.iter().sum::<f32>() / over.len() as f32;
            (over.iter().map(|v| (v - mean) * (v - mean)).sum::<f32>() / over.len() as f32).sqrt()
        };
        let long_rise = |ms: f32| front.long_rise[front.long_frame(c.at, ms)];
        let [q90, q97] = front.rise_quantiles.map(|q| fast_ln(1.0 + q));
        put(
            &mut rest,
            [
                me.level - reference,
                me.over_floor,
                spread,
                fast_ln(1.0 + long_rise(0.0)),
                fast_ln(1.0 + long_rise(-6.0).max(long_rise(6.0))),
                rise_ln - q90,
                rise_ln - q97,
                q97,
                beside.at_s.len() as f32 / beside.at_s.last().map_or(1.0, |s| s.max(1.0)) / 30.0,
            ],
        );
        debug_assert!(rest.is_empty());
    }
}

/// Whatever rises, in order of time: times, levels and rises, each for itself.
struct Beside {
    at_s: Vec<f32>,
    level: Vec<f32>,
    rise: Vec<f32>,
    /// Where each candidate stands among them.
    place: Vec<usize>,
}

impl Beside {
    fn new(front: &Front, sketches: &[Sketch]) -> Self {
        let count = sketches.len() + front.small.len();
        let with_room = || Vec::with_capacity(count);
        let mut out = Beside { at_s: with_room(), level: with_room(), rise: with_room(), place: Vec::new() };
        let mut small = front.small.iter().peekable();
        for sketch in sketches.iter().map(Some).chain([None]) {
            while let Some(c) = small.next_if(|c| sketch.is_none_or(|s| seconds(c.at) < s.at_s)) {
                out.at_s.push(seconds(c.at));
                out.level.push(level(front, front.power_after(c.at)));
                out.rise.push(c.rise);
            }
            if let Some(sketch) = sketch {
                out.place.push(out.at_s.len());
                out.at_s.push(sketch.at_s);
                out.level.push(sketch.level);
                out.rise.push(sketch.rise);
            }
        }
        out
    }

    /// What is nearer in time than so many seconds, that itself among it.
    fn within(&self, i: usize, seconds: f32) -> Range<usize> {
        let me_s = self.at_s[i];
        let from = self.at_s.partition_point(|&s| s < me_s - seconds);
        from..self.at_s.partition_point(|&s| s < me_s + seconds)
    }

    #[inline(always)]
    fn context(&self, candidate: usize) -> [f32; 11] {
        let i = self.place[candidate];
        let (me_s, my_level, my_rise) = (self.at_s[i], self.level[i], self.rise[i]);
        // The nearest on each side that is not a neper weaker.
        let comparable = |j: &usize| self.level[*j] >= my_level - 1.0;
        let near = |j: &usize| (self.at_s[*j] - me_s).abs() < NEIGHBOUR_S;
        let previous = (0..i).rev().take_while(near).find(comparable);
        let next = (i + 1..self.at_s.len()).take_while(near).find(comparable);
        let describe = |other: Option<usize>| {
            other.map_or([fast_ln(NEIGHBOUR_S + 0.002), 2.0, 2.0], |j| {
                [fast_ln((self.at_s[j] - me_s).abs() + 0.002), my_level - self.level[j], my_rise - self.rise[j]]
            })
        };
        let around = self.within(i, 1.0);
        let count = (around.len() - 1) as f32;
        let rising = above(&self.rise, &around, i, 0.7 * my_rise);
        let loud = above(&self.level, &around, i, my_level - 1.5);
        let most = |of: &[f32], seconds: f32, least: f32| {
            self.within(i, seconds).filter(|&j| j != i).map(|j| of[j]).fold(least, f32::max)
        };
        let rival = most(&self.rise, 0.025, 0.0);
        let louder = most(&self.level, 0.06, -60.0);
        let [p, n] = [describe(previous), describe(next)];
        [
            p[0],
            p[1],
            p[2],
            n[0],
            n[1],
            n[2],
            count / 20.0,
            rising / 8.0,
            loud / 8.0,
            my_rise - rival,
            (my_level - louder).clamp(-8.0, 12.0),
        ]
    }
}

/// How many of the values in a range, without that at `i`, lie above a limit.
#[inline(always)]
fn above(values: &[f32], range: &Range<usize>, i: usize, limit: f32) -> f32 {
    let mut count = 0i32;
    for v in &values[range.clone()] {
        count += i32::from(*v > limit);
    }
    (count - i32::from(values[i] > limit)) as f32
}

/// What the correction of an attack's place looks at: [`TIMING`] numbers.
pub(crate) fn timing(front: &Front, c: &Candidate) -> Vec<f32> {
    let mut out = Vec::with_capacity(TIMING);
    for (envelope, quiet) in c.near.envelope.iter().zip(front.quiet) {
        let floor = 0.5 * quiet + 1e-20;
        let loudest = envelope.iter().fold(0.0f32, |m, &v| m.max(v)) + floor;
        out.extend(envelope.iter().map(|&v| fast_ln((v + floor) / loudest)));
    }
    out.extend(c.differences_ms.map(|d| d.clamp(-8.0, 8.0)));
    out.extend(c.gains.map(|g| fast_ln(1.0 + g)));
    out.extend([
        if c.coarse.seen == Seen::Long { 1.0 } else { 0.0 },
        if c.stream == 1 { 1.0 } else { 0.0 },
        if c.stream == 2 { 1.0 } else { 0.0 },
    ]);
    out.extend(spans(front, c));
    let short = |ms: f32| &front.short[front.short_frame(c.at, ms)];
    let sf = front.short_floor.at(front.short_frame(c.at, 0.0));
    let post = max_of(&[short(2.0), short(3.5)]);
    out.extend(ln_over(post, sf));
    out.extend(rise(post, max_of(&[short(-3.5), short(-5.0), short(-7.0), short(-9.0)]), sf));
    debug_assert_eq!(out.len(), TIMING);
    out
}
