//! Is the guide in the recording, where does it begin, and how fast does the other device's clock run?
//!
//! A few stretches of the recording [`vote`] for starts. The starts with most votes are *tried* with all the sounds in the
//! stretch: `S = sum sign x match / sqrt(sounds)`, for skews 8 ppm and starts .1 ms apart. Most recordings hold no guide, and
//! none of theirs comes to anything. Where one does, the whole recording is matched, `S` taken over all sounds around the
//! stretch for skews 2 ppm apart, and over its own spread at starts that are none it is `z`; from [`HEARD`] on the guide is
//! heard. [`super::refine`] places it.

use super::laid::{Cue, Laid, MOST_SKEW};
use super::low::{Band, LOW_HZ};
use super::matched::{Match, Matcher, TO_SIGMA, Whole};
use super::refine::LOOKED_AT;
use super::vote::{Candidate, MOST, vote};
use super::{Lock, Ppm, Reference};
use crate::guide::Sound;
use crate::stats::quantile;
use crate::units::Seconds;

/// Fewer sounds of the guide in the recording are not looked for: they could be chance.
const LEAST_SOUNDS: usize = 8;
/// A stretch that votes holds so many sounds of the guide, within these lengths in seconds; longer ones need finer skews.
const STRETCH_SOUNDS: f64 = 12.0;
const STRETCH_S: (f64, f64) = (8.0, 18.0);
/// How many stretches vote at most, and how far apart they begin at most while there are fewer, in seconds.
const STRETCHES: usize = 5;
const APART_S: f64 = 25.0;
/// `z` within a stretch from which on the whole recording is looked at. One take in fifteen without a guide comes so far;
/// with a guide 0 to 30 dB under the strikes all of 40 pass 11 (`scripts/measuring/measure_leak.py`).
const PROMISING: f64 = 7.5;
/// Sounds this far from the stretch are added up; a wandering clock would put farther ones off.
const REACH_S: f64 = 40.0;
/// From here on the guide is heard. Without one, takes at exactly its tempo reach 9.8 in 278; with one 0 to 30 dB under the
/// strikes, 18 and more in 40 (`scripts/measuring/measure_leak.py`).
pub(super) const HEARD: f64 = 11.0;
/// So sure that no further stretch needs to vote.
const SURE: f64 = 22.0;
/// `S` at starts that are none spreads by 1 where the matches are independent; where it seems less, it is by chance.
const LEAST_SPREAD: f64 = 0.7;
/// A match counts up to so much in `S`.
const MOST_MATCH: f32 = 4.0 * MOST;
/// Starts that are none, for the spread of `S`: within a stretch and around it.
const NONE: (usize, usize) = (101, 401);
/// Farthest of these starts, in seconds, and what a try moves a start by besides.
const FARTHEST_S: f64 = 3.2;
/// How a start is tried: skews so far around, in such steps, and starts so many samples around.
struct Around(f64, f64, i32);
const COARSE: Around = Around(32.0, 8.0, 4);
const FINE: Around = Around(20.0, 2.0, 3);

/// Looks for the guides, in the order of their likelihood. Also says how far the best place stands above chance.
pub(super) fn search<'a>(references: &[&Reference], low: &'a Band) -> (Option<Found<'a>>, f64) {
    let n = low.len();
    let mut sounds: Vec<_> = references.iter().flat_map(|r| r.sounds()).collect();
    sounds.sort_unstable();
    sounds.dedup();
    let mut matcher = Matcher::new(&sounds);
    let guides: Vec<Vec<Cue>> = (references.iter().map(|r| cues(r, matcher.sounds())))
        .filter(|cues| cues.len() >= LEAST_SOUNDS && n >= (2.0 * LOW_HZ) as usize)
        .collect();
    let lengths = guides.iter().map(|cues| {
        let lasts = (cues[cues.len() - 1].at - cues[0].at) / LOW_HZ;
        let rate = cues.len() as f64 / lasts.max(1.0);
        ((STRETCH_SOUNDS / rate).clamp(STRETCH_S.0, STRETCH_S.1) * LOW_HZ) as usize
    });
    let length = lengths.max().unwrap_or(0).min(n);
    let mut votes = Vec::new();
    let mut whole: Option<Whole> = None;
    let (mut best, mut most): (Option<(f64, Laid)>, f64) = (None, 0.0);
    for from in stretches(n, length) {
        let stretch = matcher.stretch(low, from, from + length);
        let mut worth_it: Vec<(usize, Laid)> = Vec::new();
        for (which, cues) in guides.iter().enumerate() {
            for candidate in vote(cues, &stretch, length, &mut votes) {
                let Some((z, laid)) = within(cues, &stretch, length, &candidate) else { continue };
                most = most.max(z);
                if z >= PROMISING {
                    worth_it.push((which, Laid { middle: laid.middle + from as f64, ..laid }));
                }
            }
        }
        let (Some((_, near)), Some(matches)) = (worth_it.first(), {
            if !worth_it.is_empty() && whole.is_none() {
                whole = Some(Whole::of(&mut matcher, low));
            }
            whole.as_mut()
        }) else {
            continue;
        };
        let around = reached(near.middle, sounds.len());
        let tries = matches.with(&mut matcher, around, |matches| {
            let tried = |(which, laid): &(usize, Laid)| tried(&guides[*which], matches, *laid);
            worth_it.iter().filter_map(tried).collect::<Vec<_>>()
        });
        for (z, laid) in tries {
            most = most.max(z);
            if z > best.map_or(0.0, |b| b.0) {
                best = Some((z, laid));
            }
        }
        if best.is_some_and(|b| b.0 > SURE) {
            break;
        }
    }
    match (best, whole) {
        (Some((z, laid)), Some(matches)) if z >= HEARD => (Some(Found { laid, z, matches, matcher }), z),
        _ => (None, most),
    }
}

/// What is looked at where a start is tried whose stretch has its middle here: all in reach, and as far as starts that are none
/// are away. The candidates of a stretch have one middle, to a few samples.
fn reached(middle: f64, sounds: usize) -> impl Iterator<Item = (usize, std::ops::Range<usize>)> + Clone {
    let reach = (REACH_S + FARTHEST_S) * LOW_HZ;
    let around = (middle - reach).max(0.0) as usize..(middle + reach).max(0.0) as usize;
    (0..sounds).map(move |kind| (kind, around.clone()))
}

/// A guide that was found.
pub(super) struct Found<'a> {
    laid: Laid,
    z: f64,
    matches: Whole<'a>,
    matcher: Matcher,
}

impl Found<'_> {
    /// How surely sounds of some guide are heard at this place: their `S`.
    pub(super) fn beside(&mut self, reference: &Reference) -> f64 {
        let cues = self.cues(reference);
        if cues.len() < LEAST_SOUNDS {
            return 0.0;
        }
        let laid = self.laid;
        let moved = |j| Laid { middle: laid.middle + f64::from(j), ..laid };
        let near = cues.iter().map(|c| (c.kind, around(laid.at(c.at), 4)));
        self.matches.with(&mut self.matcher, near, |matches| {
            (-2..=2).map(|j| score(&cues, matches, &moved(j), f64::MAX).0).fold(0.0, f64::max)
        })
    }

    /// The place, by all sounds of one of the guides.
    pub(super) fn lock(&mut self, reference: &Reference) -> Lock {
        let cues = self.cues(reference);
        let laid = self.laid;
        let near = reached(laid.middle, self.matcher.sounds().len());
        let again = self.matches.with(&mut self.matcher, near, |matches| tried(&cues, matches, laid));
        let (z, laid) = match again {
            Some(again) if again.0 >= HEARD => again,
            _ => (self.z, laid),
        };
        let count = self.matches.count();
        let near = cues.iter().map(|c| (c.kind, around(laid.at(c.at), LOOKED_AT)));
        let laid =
            self.matches.with(&mut self.matcher, near, |matches| super::refine::refine(&cues, matches, count, laid));
        Lock { start: Seconds::of(laid.at(0.0) / LOW_HZ), skew: Ppm(laid.skew), certainty: z }
    }

    fn cues(&self, reference: &Reference) -> Vec<Cue> {
        cues(reference, self.matcher.sounds())
    }
}

/// So many samples on either side of a place.
fn around(at: f64, samples: usize) -> std::ops::Range<usize> {
    let at = at.max(0.0) as usize;
    at.saturating_sub(samples)..at + samples
}

fn cues(reference: &Reference, sounds: &[Sound]) -> Vec<Cue> {
    (reference.cues.iter())
        .filter_map(|cue| {
            let kind = sounds.iter().position(|s| *s == cue.sound)?;
            Some(Cue { at: cue.at.get() * LOW_HZ, kind, sign: f32::from(cue.sign) })
        })
        .collect()
}

/// Where the stretches that vote begin.
fn stretches(n: usize, length: usize) -> Vec<usize> {
    if length == 0 {
        return Vec::new();
    }
    let last = n.saturating_sub(length);
    let count = ((last as f64 / (APART_S * LOW_HZ)).ceil() as usize + 1).clamp(1, STRETCHES);
    (0..count).map(|k| last * k / (count - 1).max(1)).collect()
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
        if let Some(v) = matches[cue.kind].at((at + 0.5) as usize) {
            sum += f64::from(cue.sign * v.clamp(-MOST_MATCH, MOST_MATCH));
            n += 1;
        }
    }
    (sum / (n.max(1) as f64).sqrt(), n)
}

/// The place near `laid` where `S` is largest, with it and the number of its sounds.
fn best_near(cues: &[Cue], matches: &[Match], laid: Laid, reach: f64, around: &Around) -> ((f64, usize), Laid) {
    let Around(most, step, samples) = *around;
    let mut best = ((f64::NEG_INFINITY, 0), laid);
    let n = (most / step) as i32;
    for k in -n..=n {
        for j in -samples..=samples {
            let near = Laid { middle: laid.middle + f64::from(j), skew: laid.skew + f64::from(k) * step, ..laid };
            if near.skew.abs() > MOST_SKEW + 2.0 * step {
                continue;
            }
            let s = score(cues, matches, &near, reach);
            if s.0 > best.0.0 {
                best = (s, near);
            }
        }
    }
    best
}

/// The best fit within a stretch, with its `z` there; `None` if it is not worth a closer look.
fn within(cues: &[Cue], stretch: &[Match], length: usize, candidate: &Candidate) -> Option<(f64, Laid)> {
    let middle = length as f64 / 2.0;
    let pivot = (middle - candidate.start as f64) / (1.0 + candidate.skew * 1e-6);
    let ((s, _), laid) = best_near(cues, stretch, Laid { middle, pivot, skew: candidate.skew }, middle, &COARSE);
    (s >= PROMISING * LEAST_SPREAD).then(|| (s / spread(cues, stretch, &laid, middle, NONE.0), laid))
}

/// The best fit near one found within a stretch, with its `z`.
fn tried(cues: &[Cue], matches: &[Match], laid: Laid) -> Option<(f64, Laid)> {
    let reach = REACH_S * LOW_HZ;
    let ((s, n), laid) = best_near(cues, matches, laid, reach, &FINE);
    (n >= LEAST_SOUNDS).then(|| (s / spread(cues, matches, &laid, reach, NONE.1), laid))
}

/// How far `S` spreads at starts that are none: between 25 ms and some seconds away, at no multiple of anything.
fn spread(cues: &[Cue], matches: &[Match], laid: &Laid, reach: f64, count: usize) -> f64 {
    let mut none: Vec<f32> = (0..count)
        .map(|k| {
            let side = if k % 2 == 0 { 1.0 } else { -1.0 };
            let away = side * (0.025 + 0.007_31 * (k as f64 + (k as f64 * 0.618).fract())) * LOW_HZ;
            (score(cues, matches, &Laid { middle: laid.middle + away, ..*laid }, reach).0).abs() as f32
        })
        .collect();
    f64::from(TO_SIGMA * quantile(&mut none, 0.5)).max(LEAST_SPREAD)
}
