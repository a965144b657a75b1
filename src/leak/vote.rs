//! Matches in a stretch of the recording -> the starts of the guide that most of them vote for.
//!
//! Each strong match of each sound votes, with its sign, for every start that would put one of the guide's sounds there,
//! skew by skew. Votes are whole numbers, so that a minute's starts stay in the processor's cache.

use fearless_simd::{Level, dispatch};

use super::laid::{Cue, MOST_SKEW};
use super::low::LOW_HZ;
use super::matched::Match;

/// Skews are tried so finely that a stretch's ends are off by no more than this: a quarter period at 2 kHz.
const OFF_S: f64 = 0.000_12;
/// A match votes from this many standard deviations on, and its vote counts up to so many: no single sound decides.
const LEAST: f32 = 2.5;
pub(super) const MOST: f32 = 6.0;
/// Votes to a standard deviation: 340 sounds may vote for one start.
const UNIT: f32 = 16.0;
/// Matches of a sound that vote in a second, at most.
const A_SECOND: f64 = 60.0;
/// Starts named: of each skew, and in all.
const NAMED: (usize, usize) = (3, 24);
/// Starts whose votes are looked over at a time: few hold one worth a closer look; and that are voted for at a time: what a
/// processor's cache holds.
const CHUNK: usize = 1024;
const BLOCK: usize = 1 << 18;

/// A start that many matches vote for.
#[derive(Clone, Copy)]
pub(super) struct Candidate {
    /// From the stretch's first sample, in samples of the low band.
    pub(super) start: i64,
    pub(super) skew: f64,
    votes: i16,
}

/// The strongest extremes of a match: where, and their votes.
fn peaks(values: &[f32]) -> Vec<(usize, i16)> {
    let mut out: Vec<(usize, f32)> = (values.windows(3).enumerate())
        .filter(|(_, w)| {
            let v = w[1].abs();
            v > LEAST && v >= w[0].abs() && v > w[2].abs()
        })
        .map(|(i, w)| (i + 1, w[1]))
        .collect();
    let most = (values.len() as f64 / LOW_HZ * A_SECOND) as usize;
    if out.len() > most {
        out.select_nth_unstable_by(most, |a, b| b.1.abs().total_cmp(&a.1.abs()));
        out.truncate(most);
        out.sort_unstable_by_key(|p| p.0);
    }
    out.into_iter().map(|(at, v)| (at, (v.clamp(-MOST, MOST) * UNIT).round() as i16)).collect()
}

/// The starts with most votes, most first. `cues` in order; `votes` is room to count in.
pub(super) fn vote(cues: &[Cue], stretch: &[Match], length: usize, votes: &mut Vec<i16>) -> Vec<Candidate> {
    let Some(last) = cues.last() else { return Vec::new() };
    let peaks: Vec<Vec<(usize, i16)>> = stretch.iter().map(|m| peaks(m.values())).collect();
    let before = (last.at * (1.0 + MOST_SKEW * 1e-6)).ceil() as i64 + 2;
    let starts = length + usize::try_from(before).unwrap_or(0) + 4;
    let step = 2.0 * OFF_S / (length as f64 / LOW_HZ / 2.0) * 1e6;
    let steps = (MOST_SKEW / step).ceil();
    let mut out = Vec::new();
    for k in -(steps as i64)..=steps as i64 {
        let skew = k as f64 * MOST_SKEW / steps;
        let mut best = [(0, 0); NAMED.0];
        // Of all starts some at a time, and two more that those at their end are added up with.
        for first in (0..starts).step_by(BLOCK) {
            votes.clear();
            votes.resize(BLOCK.min(starts - first) + 2, 0);
            // The start that a sound at the stretch's beginning votes for, by this cue: the later the cue, the earlier.
            let start = |cue: &Cue| {
                let moved = (cue.at * (1.0 + skew * 1e-6)).round() as i64 - before;
                usize::try_from(-moved).unwrap_or(0)
            };
            let near = cues.partition_point(|cue| start(cue) >= first + votes.len());
            for cue in cues[near..].iter().take_while(|cue| start(cue) + length >= first) {
                let from = start(cue);
                let peaks = &peaks[cue.kind];
                let near = peaks.partition_point(|p| p.0 + from < first);
                for &(at, v) in &peaks[near..] {
                    let Some(slot) = votes.get_mut(at + from - first) else { break };
                    *slot = slot.saturating_add(if cue.sign < 0.0 { -v } else { v });
                }
            }
            dispatch!(Level::new(), _simd => most_voted(votes, first, &mut best));
        }
        let named = best.into_iter().filter(|b| b.0 > 0);
        out.extend(named.map(|(votes, at)| Candidate { start: at as i64 - before, skew, votes }));
    }
    out.sort_by_key(|c| std::cmp::Reverse(c.votes));
    out.truncate(NAMED.1);
    out
}

/// The places with most votes, and these, from `from` on: a vote is good to a sample either way.
#[inline(always)]
fn most_voted(votes: &[i16], from: usize, best: &mut [(i16, usize); NAMED.0]) {
    let sum = |w: &[i16]| w[0].saturating_add(w[1]).saturating_add(w[2]);
    let least = NAMED.0 - 1;
    for first in (0..votes.len().saturating_sub(2)).step_by(CHUNK) {
        let chunk = &votes[first..(first + CHUNK + 2).min(votes.len())];
        let (a, b, c) = (chunk, &chunk[1..], &chunk[2..]);
        let most =
            (a.iter().zip(b).zip(c)).fold(0, |m: i16, ((a, b), c)| m.max(a.saturating_add(*b).saturating_add(*c)));
        if most <= best[least].0 {
            continue;
        }
        for (i, w) in chunk.windows(3).enumerate() {
            if sum(w) > best[least].0 {
                best[least] = (sum(w), from + first + i + 1);
                best.sort_by_key(|b| std::cmp::Reverse(b.0));
            }
        }
    }
}
