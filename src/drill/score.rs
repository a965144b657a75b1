//! The strikes after a call -> [`Verdict`], with what differed, how sure it is, and where the pupil got the benefit.
//!
//! A stroke counts as in time within `JND + 3 sqrt(spread^2 + sigma^2)` of where the pupil's own start and tempo put it,
//! never beyond [`MOST_OF_GAP`] of the nearest gap to a neighbour. JND: 6 ms for gaps up to 240 ms, 2.5 % of the gap above
//! (Friberg & Sundberg 1995, JASA 98:2524).

use super::fit::{At, Fit, fit};
use super::read::LEAST_HUSH_STROKES;
use crate::part::Surface;
use crate::units::{Decibels, Hertz, Lateness, Seconds};

/// Phase within so much of a gap is still the same stroke (published echo-tapping practice, .4 of the interval).
const MOST_OF_GAP: f64 = 0.4;
/// A pupil's stroke is off beyond so many of the pupil's own spreads: one stroke in 370 by chance.
const SPREADS: f64 = 3.0;
/// Off by less than this much beyond the limit is unsure.
const DOUBTFUL: f64 = 1.25;
/// A strike counts as too many from this certainty on, and if at most so much softer than the pupil's middle strike or the
/// middle one on the surface that sounds softest.
pub(super) const SURE: f64 = 0.85;
const SOFTER_DB: (f64, f64) = (14.0, 8.0);
/// For an accusation strikes are surer and nearer the pupil's own level.
const ACCUSED_SURE: f64 = 0.9;
const ACCUSED_SOFTER_DB: (f64, f64) = (10.0, 6.0);
/// What sounds like the pupil's strikes may be so much softer than the softest of an answer and still be one of it.
const OWN_SOFTER_DB: f64 = 5.0;
/// Share of the hush pattern's strokes that must be heard in their rhythm, and most strikes besides, for an accusation.
const ACCUSED_SHARE: f64 = 0.75;
const ACCUSED_BESIDES: usize = 2;
/// Another surface is said from these probabilities of it and of the written one on; unsure up to the third.
const OTHER_SURFACE: f64 = 0.9;
const WRITTEN_SURFACE: f64 = 0.08;
const UNSURE_SURFACE: f64 = 0.35;
/// The answer began in time within so many beats.
const BEGAN_BEATS: f64 = 0.5;
/// Answers that share less than this of the strokes are another pattern.
const ALIKE: f64 = 0.5;
/// With fewer sure strikes nothing was answered to a call of [`LEAST_HUSH_STROKES`] or more: a knock in the room.
const LEAST_ANSWERED: usize = 2;
/// Nearer than this to the leader's own strokes nothing counts while the leader plays.
pub(super) const LEADER: Seconds = Seconds::from_millis(70.0);
/// And this long after one: its ring and the room's echo.
pub(super) const LEADER_RINGS: Seconds = Seconds::from_millis(200.0);
/// What may have been a stroke this near to where one was due may have been that one.
const MAYBE: Seconds = Seconds::from_millis(60.0);
/// An answer that is known by its rhythm may lie nearer behind.
const RHYTHM_BEHIND: Seconds = Seconds::from_millis(120.0);
/// An answer that came before the call's end, or one in a noisy room, is known by so many strokes this near to where its own
/// start and tempo put them, in beats: three at least, since two fit anywhere.
const KNOWN_BY: usize = 3;
const IN_TIME_BEATS: f64 = 0.15;
/// What the room makes of itself in the time of an answer, sounds such as a strike: below the first of these a strike in
/// no stroke's place is the pupil's (half as likely as the rarest of a beginner's slips); below the second it is counted
/// among what is played besides; below the third a strike that is off its place is the stroke that is missing there, and not
/// a sound beside a stroke left out.
const ONE_OF_ROOM: f64 = 0.05;
const TWO_OF_ROOM: f64 = 0.5;
const STROKE_OF_ROOM: f64 = 1.0;
/// Some strikes are the pupil's if the room makes as many such sounds in the time listened to with less than this
/// probability: a hundred times less likely than an early answer or a silent one, since each number of strikes is tried.
const BY_CHANCE: f64 = 0.001;
/// A surface that the call has not is the likelier a sound of the room over the stroke: it is said only in rooms as quiet as this.
const UNWRITTEN_OF_ROOM: f64 = 0.05;
/// An answer among the room's own sounds is known by this much evidence, an accusation by this, in nats: by chance one in
/// twenty, and one in four hundred of the few rounds with such sounds.
const EVIDENT: f64 = 3.0;
const ACCUSED_EVIDENT: f64 = 6.0;
/// A strike farther than so many beats from the answer's first and last stroke is none of it.
const BESIDE_BEATS: f64 = 1.0;
/// Two strikes nearer than this are one stroke: both hands, a flam, a stick that rebounds.
const TOGETHER: Seconds = Seconds::from_millis(40.0);
/// A stroke due this near to where one could be hidden may be hidden.
const NEAR_HIDDEN: Seconds = Seconds::from_millis(30.0);
/// This long before the call's last bar ends is still early.
const EARLY: Seconds = Seconds::from_millis(60.0);

/// A strike heard in a round.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Struck {
    /// From the answer's first beat; negative before.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// Probability that it is a strike of the pupil.
    pub certainty: f64,
    /// Relative to full scale.
    pub level: Decibels,
    /// Probability of each surface.
    pub surface: [f64; Surface::COUNT],
    /// How often the room makes such a sound of itself.
    pub by_room: Hertz,
    /// Whether it sounds like the pupil's other strikes.
    pub own: bool,
    /// Whether it sounds liker what the room makes of itself.
    pub like_room: bool,
}

impl Struck {
    pub(super) fn as_at(&self) -> At {
        At { seconds: self.at.get(), certainty: self.certainty, by_room: self.by_room.0 }
    }
}

/// What is known of a pupil from the rest of the drill.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Habits {
    /// Spread of the pupil's strokes around their own tempo.
    pub spread: Seconds,
    /// The pupil's middle strike; `None` before any was heard.
    pub level: Option<Decibels>,
    /// The middle strike on the surface that sounds softest here.
    pub softest: Option<Decibels>,
    /// Whether the surfaces can be told apart in this sound.
    pub surfaces: bool,
    /// The surfaces that were heard in their places and mostly sound as written; of the others it is not known whether all
    /// were played elsewhere or sound like another here, nor how they would sound.
    pub known: [bool; Surface::COUNT],
}

/// A round as it is scored.
#[derive(Clone, Debug, PartialEq)]
pub struct Window<'a> {
    /// The strokes of the call, from its first beat, in order.
    pub expected: &'a [(Seconds, Surface)],
    /// Whether it is met with silence.
    pub hush: bool,
    /// Length of a beat.
    pub beat: Seconds,
    /// From the call's first beat to the answer's.
    pub from_call: Seconds,
    /// From the call's end to the answer's first beat.
    pub breath: Seconds,
    /// Whether a strike of the pupil could be heard over the noise.
    pub audible: bool,
    /// Stretches, from the answer's first beat, in which a stroke of the pupil could be hidden.
    pub hidden: &'a [(Seconds, Seconds)],
    /// When something sounded that may have been a stroke, from the answer's first beat: no stroke there is called missing.
    pub maybe: &'a [Seconds],
    /// All strikes of the round, in any order.
    pub strikes: &'a [Struck],
}

/// What became of a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum VerdictKind {
    /// Echoed right.
    Right,
    /// Echoed, but something differed.
    Nearly,
    /// Something else was played.
    Different,
    /// Silent, though it was not the hush pattern.
    Silent,
    /// The hush pattern met with silence.
    HushKept,
    /// The hush pattern answered.
    HushAnswered,
    /// Came in before the call ended.
    Early,
    /// The recording has lost sound where the answer was due: nobody knows.
    NotHeard,
}

impl VerdictKind {
    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            VerdictKind::Right => "right",
            VerdictKind::Nearly => "nearly",
            VerdictKind::Different => "different",
            VerdictKind::Silent => "silent",
            VerdictKind::HushKept => "hush-kept",
            VerdictKind::HushAnswered => "hush-answered",
            VerdictKind::Early => "early",
            VerdictKind::NotHeard => "not-heard",
        }
    }
}

/// How an answer differed; strokes are counted from 0.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Difference {
    /// A stroke too many, after this stroke (`None`: before the first).
    TooMany(Option<usize>),
    /// A stroke not played.
    Missing(usize),
    /// A stroke early or late.
    OffTime(usize, Lateness),
    /// A stroke on another surface.
    OtherSurface(usize, Surface),
    /// All of it began early or late.
    Began(Lateness),
}

/// What became of a call, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// What.
    pub kind: VerdictKind,
    /// What differed, in order.
    pub differences: Vec<Difference>,
    /// Where the ear was unsure and the pupil got the benefit.
    pub benefit: Vec<Difference>,
    /// Something was heard, but too unsure to be held against the pupil.
    pub unsure_sounds: bool,
    /// Only the rhythm tells the answer from the room's own sounds.
    pub by_rhythm: bool,
    /// Probability that the verdict is right, as far as the ear can tell.
    pub confidence: f64,
    /// For each stroke the time of its strike, from the answer's first beat.
    pub heard: Vec<Option<Seconds>>,
    /// How far each heard stroke lies from the pupil's own tempo, with the time's own uncertainty.
    pub lateness: Vec<(Lateness, Seconds)>,
}

fn jnd(gap: f64) -> f64 {
    if gap <= 0.240 { 0.006 } else { 0.025 * gap }
}

/// The nearest gap to a neighbour, or a beat for a lone stroke.
fn gap(expected: &[f64], i: usize, beat: f64) -> f64 {
    let before = i.checked_sub(1).map(|p| expected[i] - expected[p]);
    let after = expected.get(i + 1).map(|n| n - expected[i]);
    before.into_iter().chain(after).fold(f64::INFINITY, f64::min).min(beat * 2.0)
}

/// In an order that does not depend on how they were given.
fn in_order(strikes: &[Struck]) -> Vec<Struck> {
    let mut out = strikes.to_vec();
    let key = |s: &Struck| [s.at.get(), s.certainty, s.level.0, s.sigma.get()];
    out.sort_by(|a, b| {
        let each = key(a).into_iter().chain(a.surface).zip(key(b).into_iter().chain(b.surface));
        each.map(|(x, y)| x.total_cmp(&y)).find(|o| o.is_ne()).unwrap_or(std::cmp::Ordering::Equal)
    });
    out
}

/// What is struck together is one stroke, at the time of what is surest of it.
fn together(strikes: &[Struck]) -> Vec<Struck> {
    let mut out: Vec<Struck> = Vec::new();
    for strike in strikes {
        match out.last_mut() {
            Some(last) if (strike.at - last.at) < TOGETHER => {
                if strike.certainty > last.certainty {
                    *last = *strike;
                }
            }
            _ => out.push(*strike),
        }
    }
    out
}

fn fit_of(expected: &[f64], strikes: &[Struck], beat: f64) -> Fit {
    fit(expected, &as_at(strikes), beat)
}

fn as_at(strikes: &[Struck]) -> Vec<At> {
    strikes.iter().map(Struck::as_at).collect()
}

/// Strikes at most so much softer than the pupil's middle one, or than the middle one on the softest surface.
fn loud(strikes: &[Struck], habits: &Habits, softer: (f64, f64)) -> Vec<Struck> {
    let floors = [(habits.level, softer.0), (habits.softest, softer.1)];
    let floor = floors.into_iter().filter_map(|(level, softer)| Some(level?.0 - softer)).reduce(f64::min);
    strikes.iter().filter(|s| floor.is_none_or(|f| s.level.0 >= f)).copied().collect()
}

/// How much a pattern explains of some strikes: nats beside not having been played at all. For telling which pattern of
/// the bank an answer was.
pub(super) fn explains(expected: &[(Seconds, Surface)], strikes: &[Struck], beat: Seconds) -> f64 {
    let times: Vec<f64> = expected.iter().map(|e| e.0.get()).collect();
    -fit_of(&times, &in_order(strikes), beat.get()).cost
}

/// The strikes that lie where a fit's start and tempo put their strokes.
pub(super) fn in_time(found: &Fit, expected: &[f64], strikes: &[Struck], beat: f64) -> Vec<usize> {
    let off = |i: usize, j: usize| strikes[j].at.get() - found.start - found.ratio * expected[i];
    let near = |(i, j): (usize, &Option<usize>)| j.filter(|j| off(i, *j).abs() < IN_TIME_BEATS * beat);
    found.pairs.iter().enumerate().filter_map(near).collect()
}

/// Whether so many strikes in time are an answer to so many strokes.
pub(super) fn is_answer(in_time: usize, expected: usize) -> bool {
    2 * in_time > expected && in_time >= KNOWN_BY
}

impl Window<'_> {
    /// Whether `least` or more of some strikes are more than the room makes in the time listened to: for the rarest `k` of
    /// them the Poisson probability of `k` or more at the rate of the commonest of these.
    fn more_than_room(&self, strikes: &[&Struck], least: usize, listened: Seconds) -> bool {
        let mut rates: Vec<f64> = strikes.iter().map(|s| s.by_room.0).collect();
        rates.sort_by(f64::total_cmp);
        let chance = |k: usize, expected: f64| {
            let mut term = (-expected).exp();
            let mut fewer = 0.0;
            for n in 0..k {
                fewer += term;
                term *= expected / (n as f64 + 1.0);
            }
            1.0 - fewer
        };
        rates.iter().enumerate().any(|(n, rate)| n + 1 >= least && chance(n + 1, rate * listened.get()) < BY_CHANCE)
    }

    /// Whether the room makes fewer sounds such as a strike than so many in the time of an answer.
    fn beyond_room(&self, strike: &Struck, limit: f64) -> bool {
        strike.by_room.0 * (self.from_call - self.breath).get() < limit
    }
}

/// Whether a moment of a call lies on one of its strokes, or up to `rings` behind.
pub(super) fn on_leader(at: Seconds, call: &[(Seconds, Surface)], rings: Seconds) -> bool {
    let near = -LEADER.get()..rings.get();
    call.iter().any(|stroke| near.contains(&(at - stroke.0).get()))
}

/// Says what became of a call.
pub fn score(window: &Window, habits: &Habits) -> Verdict {
    let all = together(&loud(&in_order(window.strikes), habits, SOFTER_DB));
    let expected: Vec<f64> = window.expected.iter().map(|e| e.0.get()).collect();
    let beat = window.beat.get();
    let early_end = -(window.breath.get() + EARLY.get());
    let leader = |s: &Struck, rings: Seconds| on_leader(s.at + window.from_call, window.expected, rings);
    let (before_end, after): (Vec<Struck>, Vec<Struck>) = all.iter().partition(|s| s.at.get() < -window.breath.get());
    let before: Vec<Struck> =
        before_end.iter().copied().filter(|s| !leader(s, RHYTHM_BEHIND) && s.at.get() < early_end).collect();
    let mut out = Verdict {
        kind: VerdictKind::Silent,
        differences: Vec::new(),
        benefit: Vec::new(),
        unsure_sounds: false,
        by_rhythm: false,
        confidence: 0.5,
        heard: vec![None; expected.len()],
        lateness: Vec::new(),
    };
    let found = fit_of(&expected, &after, beat);
    if window.hush {
        return hushed(window, habits, &expected, &after, &found, out);
    }
    // An answer that began during the call, or strikes then that nothing but the pupil explains.
    let sure_before: Vec<&Struck> =
        (before.iter()).filter(|s| s.certainty >= ACCUSED_SURE && !leader(s, LEADER_RINGS)).collect();
    let played_before = window.more_than_room(&sure_before, LEAST_ANSWERED, window.from_call - window.breath);
    // Its first strokes may fall on the leader's, and its rhythm runs on over the call's end: all of it is fitted, and what
    // lies apart from the leader must know it.
    let joined: Vec<Struck> = before_end.iter().chain(&after).copied().collect();
    let whole = fit_of(&expected, &joined, beat);
    let of_answer = in_time(&whole, &expected, &joined, beat);
    let apart = |k: &&usize| !leader(&joined[**k], RHYTHM_BEHIND);
    let sure_early = |k: &usize| {
        joined[*k].certainty >= ACCUSED_SURE && joined[*k].at.get() < early_end && !leader(&joined[*k], RHYTHM_BEHIND)
    };
    let began_before = of_answer.iter().any(sure_early)
        && of_answer.iter().filter(apart).count() >= LEAST_ANSWERED
        && is_answer(of_answer.len(), expected.len())
        && whole.evidence(&expected, &as_at(&joined), beat) > EVIDENT;
    if played_before || began_before {
        out.kind = VerdictKind::Early;
        out.confidence = sure_before.iter().map(|s| s.certainty).fold(0.9, f64::min);
        return out;
    }
    out.unsure_sounds = before.iter().any(|s| !leader(s, LEADER_RINGS));
    echoed(window, habits, &expected, &after, &found, out)
}

fn hushed(
    window: &Window,
    habits: &Habits,
    expected: &[f64],
    after: &[Struck],
    found: &Fit,
    mut out: Verdict,
) -> Verdict {
    out.kind = VerdictKind::HushKept;
    let accused: Vec<Struck> =
        loud(after, habits, ACCUSED_SOFTER_DB).into_iter().filter(|s| s.certainty >= ACCUSED_SURE).collect();
    let sure = fit_of(expected, &accused, window.beat.get());
    let limit = |i: usize, j: usize| {
        let off = accused[j].at.get() - sure.start - sure.ratio * expected[i];
        off.abs() <= limit(expected, i, window.beat.get(), habits, accused[j].sigma)
    };
    let in_time: Vec<usize> =
        sure.pairs.iter().enumerate().filter_map(|(i, j)| (*j).filter(|j| limit(i, *j))).collect();
    let needed = ((expected.len() as f64 * ACCUSED_SHARE).ceil() as usize).max(LEAST_HUSH_STROKES);
    // Where other things sound, a few of many may seem to lie in the rhythm.
    let besides = accused.iter().filter(|s| window.beyond_room(s, TWO_OF_ROOM)).count().saturating_sub(in_time.len());
    let evident = sure.evidence(expected, &as_at(&accused), window.beat.get()) > ACCUSED_EVIDENT;
    if in_time.len() >= needed && besides <= ACCUSED_BESIDES && evident {
        out.kind = VerdictKind::HushAnswered;
        out.confidence = in_time.iter().map(|j| accused[*j].certainty).sum::<f64>() / in_time.len() as f64;
        out.heard = sure.pairs.iter().map(|j| j.map(|j| accused[j].at)).collect();
        return out;
    }
    out.unsure_sounds = after.iter().any(|s| s.certainty >= SURE);
    out.heard = found.pairs.iter().map(|j| j.map(|j| after[j].at)).collect();
    let doubt = in_time.len() as f64 / needed.max(1) as f64;
    out.confidence = if window.audible { 1.0 - 0.45 * doubt.min(1.0) } else { 0.5 };
    out
}

/// Seconds within which a stroke is in time.
fn limit(expected: &[f64], i: usize, beat: f64, habits: &Habits, sigma: Seconds) -> f64 {
    let gap = gap(expected, i, beat);
    (jnd(gap) + SPREADS * habits.spread.get().hypot(sigma.get())).min(MOST_OF_GAP * gap)
}

fn echoed(
    window: &Window,
    habits: &Habits,
    expected: &[f64],
    after: &[Struck],
    found: &Fit,
    mut out: Verdict,
) -> Verdict {
    let beat = window.beat.get();
    let matched = found.pairs.iter().flatten().count();
    let least = if expected.len() < LEAST_HUSH_STROKES { 1 } else { LEAST_ANSWERED };
    let sure: Vec<&Struck> = after.iter().filter(|s| s.certainty >= SURE).collect();
    // The answer's time, and a breath before and after it.
    let answered = window.more_than_room(&sure, least, window.from_call + window.breath);
    // Among sounds that the room makes of itself an answer is known by its rhythm.
    let evident = found.evidence(expected, &as_at(after), beat) > EVIDENT;
    let by_rhythm = evident && sure.len() >= least;
    if !(answered || by_rhythm) {
        out.unsure_sounds |= !after.is_empty();
        out.confidence = if window.audible && after.is_empty() { 0.99 } else { 0.6 };
        return out;
    }
    out.by_rhythm = !answered;
    let mut sure = 0.99f64;
    for (i, pair) in found.pairs.iter().enumerate() {
        let Some(strike) = pair.map(|j| after[j]) else {
            let due = found.start + found.ratio * expected[i];
            let near =
                |h: &(Seconds, Seconds)| h.0.get() - NEAR_HIDDEN.get() <= due && due < h.1.get() + NEAR_HIDDEN.get();
            let maybe = window.maybe.iter().any(|m| (m.get() - due).abs() < MAYBE.get());
            if window.audible && !maybe && !window.hidden.iter().any(near) {
                out.differences.push(Difference::Missing(i))
            } else {
                out.benefit.push(Difference::Missing(i))
            }
            continue;
        };
        out.heard[i] = Some(strike.at);
        let off = strike.at.get() - found.start - found.ratio * expected[i];
        out.lateness.push((Lateness(Seconds::of(off)), strike.sigma));
        let limit = limit(expected, i, beat, habits, strike.sigma);
        let said = Difference::OffTime(i, Lateness(Seconds::of(off)));
        if off.abs() > DOUBTFUL * limit && window.beyond_room(&strike, STROKE_OF_ROOM) {
            out.differences.push(said);
        } else if off.abs() > limit {
            out.benefit.push(said);
        }
        let written = window.expected[i].1;
        let best =
            Surface::ALL.into_iter().max_by(|a, b| strike.surface[a.index()].total_cmp(&strike.surface[b.index()]));
        if let Some(other) = best.filter(|b| strike.surface[b.index()] > strike.surface[written.index()]) {
            let (p, q) = (strike.surface[other.index()], strike.surface[written.index()]);
            let said = Difference::OtherSurface(i, other);
            let is_written = window.expected.iter().any(|e| e.1 == other);
            let room = if is_written { STROKE_OF_ROOM } else { UNWRITTEN_OF_ROOM };
            let known = habits.known[other.index()] && habits.known[written.index()];
            if habits.surfaces
                && known
                && window.beyond_room(&strike, room)
                && p >= OTHER_SURFACE
                && q <= WRITTEN_SURFACE
            {
                out.differences.push(said);
                sure = sure.min(p);
            } else if q < UNSURE_SURFACE {
                out.benefit.push(said);
                sure = sure.min(0.8);
            }
        }
    }
    // What is softer than every stroke of the answer, or well away from it, may be the room's.
    let own: Vec<Struck> = found.pairs.iter().flatten().map(|j| after[*j]).collect();
    let softest = own.iter().map(|s| s.level.0).fold(f64::INFINITY, f64::min);
    let (first, last) = (own.first().map_or(0.0, |s| s.at.get()), own.last().map_or(0.0, |s| s.at.get()));
    let of_pupil = |s: &Struck| {
        let near = first - BESIDE_BEATS * beat..=last + BESIDE_BEATS * beat;
        own.is_empty() || s.level.0 >= softest - if s.own { OWN_SOFTER_DB } else { 0.0 } && near.contains(&s.at.get())
    };
    for (j, strike) in after.iter().enumerate() {
        if found.pairs.contains(&Some(j)) {
            continue;
        }
        let said = Difference::TooMany(found.pairs.iter().rposition(|p| p.is_some_and(|p| p < j)));
        if strike.certainty >= SURE && window.beyond_room(strike, ONE_OF_ROOM) && of_pupil(strike) {
            out.differences.push(said);
            sure = sure.min(strike.certainty);
        } else {
            out.benefit.push(said);
            sure = sure.min(0.85);
        }
    }
    if found.start.abs() > BEGAN_BEATS * beat && 2 * matched > expected.len() {
        out.differences.push(Difference::Began(Lateness(Seconds::of(found.start))));
    }
    let apart =
        out.differences.iter().filter(|d| !matches!(d, Difference::Began(_) | Difference::OtherSurface(..))).count();
    out.kind = match out.differences.len() {
        0 => VerdictKind::Right,
        _ if apart as f64 > ALIKE * expected.len() as f64 => VerdictKind::Different,
        _ => VerdictKind::Nearly,
    };
    out.confidence = if out.benefit.is_empty() { sure } else { sure.min(0.75) };
    out
}
