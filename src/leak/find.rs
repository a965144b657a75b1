//! Is the guide in the recording, where does it begin, and how fast does the other device's clock run?
//!
//! Two steps. A few stretches of the recording *vote*: each strong match of each sound votes, with its sign, for every
//! start that would put one of the guide's sounds there, skew by skew. The starts with most votes are *tried* with all
//! the sounds around the stretch: `S = sum sign x match / sqrt(sounds)`, for skews 2 ppm and starts .1 ms apart. `S` over
//! its own spread at starts that are none is `z`; from [`HEARD`] on the guide is heard. `refine` places it.

use super::limit::median;
use super::low::LOW_HZ;
use super::matched::{Match, TO_SIGMA};
use super::{Lock, Ppm, Reference};
use crate::units::Seconds;

/// Fewer sounds of the guide in the recording are not looked for: they could be chance.
const LEAST_SOUNDS: usize = 8;
/// How far two devices' clocks may run apart: crystals are good to 100 ppm each, phones' audio clocks were seen at 300.
pub(super) const MOST_SKEW: f64 = 320.0;
/// A stretch that votes holds so many sounds of the guide, within these lengths in seconds; longer ones need finer skews.
const STRETCH_SOUNDS: f64 = 16.0;
const STRETCH_S: (f64, f64) = (10.0, 24.0);
/// How many stretches vote at most, and how far apart they begin at most while there are fewer, in seconds.
const STRETCHES: usize = 5;
const APART_S: f64 = 15.0;
/// Skews are tried so finely that a stretch's ends are off by no more than this: a quarter period at 2 kHz.
const OFF_S: f64 = 0.000_12;
/// A match votes from this many standard deviations on, and its vote counts up to so many: no single sound decides.
const VOTE: (f32, f32) = (2.5, 6.0);
/// Matches that vote in a second, at most.
const VOTES_PER_S: f64 = 120.0;
/// Starts tried: of each skew, and in all, of each stretch.
const TRIED: (usize, usize) = (3, 24);
/// Sounds this far from the stretch are added up; a wandering clock would put farther ones off.
const REACH_S: f64 = 40.0;
/// From here on the guide is heard. Without one, takes at exactly its tempo reach 8.1 in 200; with one, 30 and more
/// (`scripts/measure_leak.py`).
pub(super) const HEARD: f64 = 11.0;
/// So sure that no further stretch needs to vote.
const SURE: f64 = 22.0;
/// `S` at starts that are none spreads by 1 where the matches are independent; where it seems less, it is by chance.
const LEAST_SPREAD: f64 = 0.7;
/// Starts whose votes are looked over at a time: few hold one worth a closer look.
const CHUNK: usize = 1024;
/// Starts that are none, for the spread of `S`.
const NONE: usize = 401;

/// A sound of the guide: when, which match, which sign.
#[derive(Clone, Copy)]
pub(super) struct Cue {
    /// From the guide's first sample, in samples of the low band.
    pub(super) at: f64,
    pub(super) kind: usize,
    pub(super) sign: f32,
}

/// The guide laid over the recording: cue `u` stands at `middle + (u - pivot) (1 + skew)`, in samples of the low band.
#[derive(Clone, Copy, Debug)]
pub(super) struct Laid {
    pub(super) middle: f64,
    pub(super) pivot: f64,
    pub(super) skew: f64,
}

impl Laid {
    pub(super) fn at(&self, cue: f64) -> f64 {
        self.middle + (cue - self.pivot) * (1.0 + self.skew * 1e-6)
    }
}

struct Candidate {
    start: i64,
    skew: f64,
    votes: f32,
}

/// Looks for the guide.
pub(super) fn find(reference: &Reference, matches: &[Match]) -> (Option<Lock>, f64) {
    let cues = cues(reference, matches);
    let n = matches.first().map_or(0, |m| m.values.len());
    if cues.len() < LEAST_SOUNDS || n < (2.0 * LOW_HZ) as usize {
        return (None, 0.0);
    }
    let (first, last) = (cues[0].at, cues[cues.len() - 1].at);
    let rate = cues.len() as f64 / ((last - first) / LOW_HZ).max(1.0);
    let length = ((STRETCH_SOUNDS / rate).clamp(STRETCH_S.0, STRETCH_S.1) * LOW_HZ) as usize;
    let mut best: Option<(f64, Laid)> = None;
    for from in stretches(n, length) {
        let to = (from + length).min(n);
        for candidate in vote(&cues, matches, from, to) {
            let beaten = best.map_or(0.0, |b| b.0);
            let Some((z, laid)) = tried(&cues, matches, &candidate, (from + to) / 2, length, beaten) else { continue };
            if z > beaten {
                best = Some((z, laid));
            }
        }
        if best.is_some_and(|b| b.0 > SURE) {
            break;
        }
    }
    let Some((z, laid)) = best else { return (None, 0.0) };
    if z < HEARD {
        return (None, z);
    }
    let laid = super::refine::refine(&cues, matches, laid);
    let lock = Lock { start: Seconds::of(laid.at(0.0) / LOW_HZ), skew: Ppm(laid.skew), certainty: z };
    (Some(lock), z)
}

pub(super) fn cues(reference: &Reference, matches: &[Match]) -> Vec<Cue> {
    (reference.cues.iter())
        .filter_map(|cue| {
            let kind = matches.iter().position(|m| m.sound == cue.sound)?;
            Some(Cue { at: cue.at.get() * LOW_HZ, kind, sign: f32::from(cue.sign) })
        })
        .collect()
}

/// Where the stretches that vote begin.
fn stretches(n: usize, length: usize) -> Vec<usize> {
    let last = n.saturating_sub(length);
    let count = ((last as f64 / (APART_S * LOW_HZ)).ceil() as usize + 1).clamp(1, STRETCHES);
    (0..count).map(|k| last * k / (count - 1).max(1)).collect()
}

/// Local extremes of a match within a stretch.
fn peaks(values: &[f32], from: usize, to: usize) -> Vec<(usize, f32)> {
    let mut out: Vec<(usize, f32)> = (from.max(1)..to.min(values.len().saturating_sub(1)))
        .filter(|&i| {
            let v = values[i].abs();
            v > VOTE.0 && v >= values[i - 1].abs() && v > values[i + 1].abs()
        })
        .map(|i| (i, values[i]))
        .collect();
    let most = ((to - from) as f64 / LOW_HZ * VOTES_PER_S) as usize;
    if out.len() > most {
        out.select_nth_unstable_by(most, |a, b| b.1.abs().total_cmp(&a.1.abs()));
        out.truncate(most);
        out.sort_unstable_by_key(|p| p.0);
    }
    for p in &mut out {
        p.1 = p.1.clamp(-VOTE.1, VOTE.1);
    }
    out
}

fn vote(cues: &[Cue], matches: &[Match], from: usize, to: usize) -> Vec<Candidate> {
    let peaks: Vec<Vec<(usize, f32)>> = matches.iter().map(|m| peaks(&m.values, from, to)).collect();
    let last = cues[cues.len() - 1].at;
    let low = from as i64 - (last * (1.0 + MOST_SKEW * 1e-6)).ceil() as i64 - 2;
    let mut votes = vec![0.0f32; usize::try_from(to as i64 - low).unwrap_or(0) + 4];
    let step = 2.0 * OFF_S / ((to - from) as f64 / LOW_HZ / 2.0) * 1e6;
    let steps = (MOST_SKEW / step).ceil();
    let mut out = Vec::new();
    for k in -(steps as i64)..=steps as i64 {
        let skew = k as f64 * MOST_SKEW / steps;
        votes.fill(0.0);
        for cue in cues {
            let moved = (cue.at * (1.0 + skew * 1e-6)).round() as i64 + low;
            for &(at, v) in &peaks[cue.kind] {
                if let Some(slot) = usize::try_from(at as i64 - moved).ok().and_then(|i| votes.get_mut(i)) {
                    *slot += cue.sign * v;
                }
            }
        }
        let mut best: Vec<(f32, usize)> = vec![(0.0, 0); TRIED.0];
        for first in (0..votes.len().saturating_sub(2)).step_by(CHUNK) {
            let chunk = &votes[first..(first + CHUNK + 2).min(votes.len())];
            if most_of_three(chunk) <= best[TRIED.0 - 1].0 {
                continue;
            }
            for (i, w) in chunk.windows(3).enumerate() {
                let sum = w[0] + w[1] + w[2];
                if sum > best[TRIED.0 - 1].0 {
                    best[TRIED.0 - 1] = (sum, first + i + 1);
                    best.sort_by(|a, b| b.0.total_cmp(&a.0));
                }
            }
        }
        out.extend(best.iter().filter(|b| b.0 > 0.0).map(|b| Candidate { start: b.1 as i64 + low, skew, votes: b.0 }));
    }
    out.sort_by(|a, b| b.votes.total_cmp(&a.votes));
    out.truncate(TRIED.1);
    out
}

/// The largest sum of three neighbours: a vote is good to a sample either way. Sixteen sums side by side, so that the
/// compiler can put them into registers.
fn most_of_three(votes: &[f32]) -> f32 {
    const LANES: usize = 16;
    let mut most = [0.0f32; LANES];
    let sums = votes.len().saturating_sub(2);
    let whole = sums - sums % LANES;
    for at in (0..whole).step_by(LANES) {
        let (a, b, c) = (&votes[at..at + LANES], &votes[at + 1..at + 1 + LANES], &votes[at + 2..at + 2 + LANES]);
        for k in 0..LANES {
            let sum = a[k] + b[k] + c[k];
            most[k] = if sum > most[k] { sum } else { most[k] };
        }
    }
    let rest = votes[whole..].windows(3).map(|w| w[0] + w[1] + w[2]);
    most.into_iter().chain(rest).fold(0.0, f32::max)
}

/// `S` for the cues in reach, and how many these are.
fn score(cues: &[Cue], matches: &[Match], laid: &Laid, reach: f64) -> (f64, usize) {
    let (mut sum, mut n) = (0.0f64, 0);
    let from = cues.partition_point(|c| laid.at(c.at) < laid.middle - reach);
    for cue in &cues[from..] {
        let at = laid.at(cue.at);
        if at > laid.middle + reach {
            break;
        }
        if at < 0.0 {
            continue;
        }
        if let Some(v) = matches[cue.kind].values.get((at + 0.5) as usize) {
            sum += f64::from(cue.sign * v.clamp(-4.0 * VOTE.1, 4.0 * VOTE.1));
            n += 1;
        }
    }
    (sum / (n.max(1) as f64).sqrt(), n)
}

/// The best fit around a candidate, with its `z`; `None` if that cannot be more than `beaten`.
fn tried(
    cues: &[Cue],
    matches: &[Match],
    candidate: &Candidate,
    middle: usize,
    length: usize,
    beaten: f64,
) -> Option<(f64, Laid)> {
    let pivot = (middle as f64 - candidate.start as f64) / (1.0 + candidate.skew * 1e-6);
    let mut laid = Laid { middle: middle as f64, pivot, skew: candidate.skew };
    let stages = [(length as f64 / 2.0, 32.0, 8.0, 4), (REACH_S * LOW_HZ, 20.0, 2.0, 3)];
    let mut found = (0.0, 0);
    for (reach, most, step, samples) in stages {
        let around = laid;
        found = (f64::NEG_INFINITY, 0);
        let n = (most / step) as i64;
        for k in -n..=n {
            for j in -samples..=samples {
                let tried =
                    Laid { middle: around.middle + f64::from(j), skew: around.skew + k as f64 * step, ..around };
                if tried.skew.abs() > MOST_SKEW + 2.0 * step {
                    continue;
                }
                let s = score(cues, matches, &tried, reach);
                if s.0 > found.0 {
                    (found, laid) = (s, tried);
                }
            }
        }
    }
    if found.1 < LEAST_SOUNDS || found.0 / LEAST_SPREAD <= beaten {
        return None;
    }
    // Starts that are none: between 25 ms and some seconds away, at no multiple of anything.
    let mut none: Vec<f32> = (0..NONE)
        .map(|k| {
            let side = if k % 2 == 0 { 1.0 } else { -1.0 };
            let away = side * (0.025 + 0.007_31 * (k as f64 + (k as f64 * 0.618).fract())) * LOW_HZ;
            (score(cues, matches, &Laid { middle: laid.middle + away, ..laid }, REACH_S * LOW_HZ).0).abs() as f32
        })
        .collect();
    Some((found.0 / f64::from(TO_SIGMA * median(&mut none)).max(LEAST_SPREAD), laid))
}

/// How surely sounds of another guide are heard at the place of one that was found: their `S`, in spreads.
pub(super) fn beside(reference: &Reference, matches: &[Match], lock: &Lock) -> f64 {
    let cues = cues(reference, matches);
    let laid = Laid { middle: lock.start.get() * LOW_HZ, pivot: 0.0, skew: lock.skew.0 };
    if cues.len() < LEAST_SOUNDS {
        return 0.0;
    }
    (-2..=2)
        .map(|j| score(&cues, matches, &Laid { middle: laid.middle + f64::from(j), ..laid }, f64::MAX).0)
        .fold(0.0, f64::max)
}
