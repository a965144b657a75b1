//! The second look: each candidate held against the piece's own sure strikes and sure non-strikes.
//!
//! A pupil's strikes resemble one another; so do a fire's crackles and a tap's drops. What resembles the sure strikes
//! is likelier a strike, however soft; what resembles much that is no strike is likelier none.

use fearless_simd::{Level, dispatch, prelude::*};

use super::features::{FIRST, Sketch};
use super::floor::quantile;

/// Numbers this look adds.
const ADDED: usize = 22;
/// Numbers the second decision looks at.
pub(crate) const SECOND: usize = FIRST + ADDED;
/// A candidate less likely than this after the first look is not looked at again.
pub(crate) const WORTH_A_SECOND_LOOK: f32 = 0.01;
/// Sure strikes and sure non-strikes after the first look.
const SURE: f32 = 0.85;
const SURELY_NOT: f32 = 0.15;
/// Candidates this near are the same event or its echo and say nothing about each other.
const APART_S: f32 = 0.1;
/// How many of the most alike count.
const ALIKE: usize = 6;
/// How many of the most alike sure ones count.
const ALIKE_SURE: usize = 4;
/// A cosine above this is the same kind of sound.
const SAME_SOUND: f32 = 0.93;
/// Two of one sound whose levels are this near (nepers of power, 3 dB) may be the same thing again: a clock's tick, a
/// tap's drop.
const SAME_LEVEL: f32 = 0.7;
/// Added to the unevenness of a repetition before its logarithm: what placing alone makes of an even one (a
/// millisecond in a quarter of a second).
const LEAST_UNEVEN: f32 = 0.004;
/// Times within which others count as neighbours, in seconds.
const NEAR_S: f32 = 0.06;
const AROUND_S: f32 = 2.0;

/// The largest `N` values seen, in falling order, each with its index.
struct Top<const N: usize> {
    best: [(f32, usize); N],
}

impl<const N: usize> Top<N> {
    fn new() -> Self {
        Top { best: [(-1.0, usize::MAX); N] }
    }

    fn add(&mut self, value: f32, index: usize) {
        if value <= self.least() {
            return;
        }
        let mut k = N - 1;
        while k > 0 && self.best[k - 1].0 < value {
            self.best[k] = self.best[k - 1];
            k -= 1;
        }
        self.best[k] = (value, index);
    }

    /// What a value must exceed to be kept.
    fn least(&self) -> f32 {
        self.best[N - 1].0
    }

    /// Mean of the values, those below zero (nothing found) as zero.
    fn mean(&self) -> f32 {
        self.best.iter().map(|b| b.0.clamp(0.0, 1.0)).sum::<f32>() / N as f32
    }
}

/// Where the same sound at the same level comes again. A hand is never as even as a clock: the steps of a child's pulse
/// vary by more than two in a hundred, its levels by more than a decibel.
#[derive(Default)]
struct Again {
    /// The two last before and the two first after: distance in seconds, step in level, cosine.
    before: [Option<(f32, f32, f32)>; 2],
    after: [Option<(f32, f32, f32)>; 2],
    count: usize,
}

impl Again {
    /// Candidates come in order of time, so before is overwritten and after is filled.
    fn add(&mut self, distance: f32, step: f32, cosine: f32) {
        self.count += 1;
        let one = Some((distance.abs(), step, cosine));
        if distance < 0.0 {
            self.before = [one, self.before[0]];
        } else if self.after[0].is_none() {
            self.after[0] = one;
        } else if self.after[1].is_none() {
            self.after[1] = one;
        }
    }

    /// Logarithms of the unevenness of one and of two steps either way, mean step in level, least cosine, how often.
    fn describe(&self) -> [f32; 5] {
        let uneven = |k: usize| match (self.before[k], self.after[k]) {
            (Some(b), Some(a)) => ((a.0 / b.0).ln().abs().min(1.0) + LEAST_UNEVEN).ln(),
            _ => (1.0 + LEAST_UNEVEN).ln(),
        };
        let (steps, likeness) = match (self.before[0], self.after[0]) {
            (Some(b), Some(a)) => ((a.1 + b.1) / 2.0, a.2.min(b.2)),
            _ => (SAME_LEVEL, SAME_SOUND),
        };
        [uneven(0), uneven(1), steps, likeness, (1.0 + self.count as f32).ln()]
    }
}

/// What is compared of the candidates worth a second look, number by number, filled up to whole blocks.
struct Worth {
    p: Vec<f32>,
    /// One row per number of a colour; filled up with what is like nothing.
    colours: Vec<Vec<f32>>,
}

/// Pairs of candidates are looked at in blocks of so many, one bit a pair.
const BLOCK: usize = 64;

impl Worth {
    fn new(sketches: &[Sketch], p: &[f32], worth: &[usize]) -> Self {
        let length = worth.len().next_multiple_of(BLOCK);
        let fill = |mut values: Vec<f32>| {
            values.resize(length, f32::NAN);
            values
        };
        let numbers = sketches.first().map_or(0, |s| s.colour.len());
        Worth {
            p: fill(worth.iter().map(|&i| p[i]).collect()),
            colours: (0..numbers).map(|k| fill(worth.iter().map(|&i| sketches[i].colour[k]).collect())).collect(),
        }
    }

    /// Cosines of a sketch's colour with each candidate's; colours have unit length.
    fn cosines(&self, me: &Sketch, out: &mut Vec<f32>) {
        #[inline(always)]
        fn sums<S: Simd>(simd: S, me: &[f32], colours: &[Vec<f32>], out: &mut [f32]) {
            let lanes = S::f32s::LEN;
            for at in (0..out.len()).step_by(4 * lanes) {
                let mut sums = [S::f32s::splat(simd, 0.0); 4];
                for (mine, row) in me.iter().zip(colours) {
                    let row = &row[at..at + 4 * lanes];
                    for k in 0..4 {
                        let other = S::f32s::from_slice(simd, &row[k * lanes..(k + 1) * lanes]);
                        sums[k] = other.mul_add(*mine, sums[k]);
                    }
                }
                for k in 0..4 {
                    sums[k].store_slice(&mut out[at + k * lanes..at + (k + 1) * lanes]);
                }
            }
        }
        out.resize(self.p.len(), 0.0);
        dispatch!(Level::new(), simd => sums(simd, &me.colour, &self.colours, out));
    }

    /// Of a block of candidates those that are alike enough to count for anything: as sure strikes, as sure
    /// non-strikes, as anything.
    fn telling(&self, cosines: &[f32], block: usize, [sure, surely_not, any]: [f32; 3]) -> u64 {
        #[inline(always)]
        fn bits<S: Simd>(simd: S, cosines: &[f32], p: &[f32], [sure, surely_not, any]: [f32; 3]) -> u64 {
            let lanes = S::f32s::LEN;
            let mut out = 0;
            for at in (0..BLOCK).step_by(lanes) {
                let s = S::f32s::from_slice(simd, &cosines[at..at + lanes]);
                let p = S::f32s::from_slice(simd, &p[at..at + lanes]);
                let telling = s.simd_gt(any)
                    | (s.simd_gt(sure) & p.simd_gt(SURE))
                    | (s.simd_gt(surely_not) & p.simd_lt(SURELY_NOT));
                out |= telling.to_bitmask() << at;
            }
            out
        }
        let block = block..block + BLOCK;
        let (cosines, p) = (&cosines[block.clone()], &self.p[block]);
        dispatch!(Level::new(), simd => bits(simd, cosines, p, [sure, surely_not, any]))
    }
}

/// For each candidate with `p >= WORTH_A_SECOND_LOOK`: its index and the numbers this look adds.
pub(crate) fn look(sketches: &[Sketch], p: &[f32]) -> Vec<(usize, [f32; ADDED])> {
    let worth: Vec<usize> = (0..p.len()).filter(|&i| p[i] >= WORTH_A_SECOND_LOOK).collect();
    let sure: Vec<usize> = worth.iter().copied().filter(|&i| p[i] > SURE).collect();
    let levels = |q: f64| {
        let mut levels: Vec<f32> = sure.iter().map(|&i| sketches[i].level).collect();
        if levels.is_empty() {
            worth.iter().map(|&i| sketches[i].level).fold(f32::NEG_INFINITY, f32::max)
        } else {
            quantile(&mut levels, q)
        }
    };
    let (middle, low, faintest) = (levels(0.5), levels(0.1), levels(0.02));
    let mut over: Vec<f32> = sure.iter().map(|&i| sketches[i].over_floor).collect();
    let over = quantile(&mut over, 0.5);
    let share = sure.len() as f32 / worth.len().max(1) as f32;
    let pairs = Worth::new(sketches, p, &worth);
    let mut cosines = Vec::new();
    worth
        .iter()
        .map(|&i| {
            let me = &sketches[i];
            let (mut strikes, mut others, mut alike) =
                (Top::<ALIKE_SURE>::new(), Top::<ALIKE_SURE>::new(), Top::<ALIKE>::new());
            let mut same = 0usize;
            let mut again = Again::default();
            pairs.cosines(me, &mut cosines);
            for block in (0..cosines.len()).step_by(BLOCK) {
                let least = [strikes.least(), others.least(), alike.least().min(SAME_SOUND)];
                let mut telling = pairs.telling(&cosines, block, least);
                while telling != 0 {
                    let k = block + telling.trailing_zeros() as usize;
                    telling &= telling - 1;
                    let (j, s) = (worth[k], cosines[k]);
                    let other = &sketches[j];
                    if (other.at_s - me.at_s).abs() < APART_S {
                        continue;
                    }
                    if s > SAME_SOUND && (other.level - me.level).abs() < SAME_LEVEL {
                        again.add(other.at_s - me.at_s, (other.level - me.level).abs(), s);
                    }
                    if p[j] > SURE {
                        strikes.add(s, j);
                    } else if p[j] < SURELY_NOT && other.level > faintest - 2.0 {
                        others.add(s, j);
                    }
                    if other.rise > 0.6 * me.rise && other.rise < 1.8 * me.rise + 4.0 {
                        alike.add(s, j);
                        same += usize::from(s > SAME_SOUND);
                    }
                }
            }
            let (mut weights, mut weighted, mut highest) = (0.0f32, 0.0f32, 0.0f32);
            for &(s, j) in alike.best.iter().filter(|b| b.1 != usize::MAX) {
                let w = (s - 0.5).clamp(0.0, 1.0).powi(2) + 1e-4;
                weights += w;
                weighted += w * p[j];
                highest = highest.max(p[j]);
            }
            let near = |seconds: f32| {
                let from = sketches.partition_point(|s| s.at_s < me.at_s - seconds);
                let to = sketches.partition_point(|s| s.at_s < me.at_s + seconds);
                from..to
            };
            let close = near(NEAR_S);
            let before = p[close.start..i].iter().copied().fold(0.0, f32::max);
            let after = p[i + 1..close.end.max(i + 1)].iter().copied().fold(0.0, f32::max);
            let around = near(AROUND_S);
            let doubtful = around.clone().filter(|&j| j != i && p[j] > 0.1 && p[j] < 0.8).count();
            let certain = around.filter(|&j| j != i && p[j] > 0.8).count();
            let (s, o) = (strikes.mean(), others.mean());
            let [even, even_wider, level_steps, likeness, repeats] = again.describe();
            let added = [
                ((p[i] + 1e-4) / (1.0 - p[i] + 1e-4)).ln(),
                s,
                o,
                s - o,
                (me.level - middle).clamp(-12.0, 6.0),
                (me.level - low).clamp(-12.0, 6.0),
                before,
                after,
                doubtful as f32 / 5.0,
                certain as f32 / 5.0,
                if weights > 0.0 { weighted / weights } else { 0.0 },
                alike.mean(),
                (1.0 + same as f32).ln(),
                highest,
                share,
                over,
                me.over_floor - over,
                even,
                even_wider,
                level_steps,
                likeness,
                repeats,
            ];
            (i, added)
        })
        .collect()
}
