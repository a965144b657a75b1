//! What became of every written stroke.
//!
//! `Played` and `WrongSurface` have a strike. A stroke without one, in a place the take did pass through, is `Missed` only
//! where that is much likelier than that it was played and not heard:
//!
//! `odds = m / (1 - m) x 1 / P(not heard | played) x P(what the faint candidates show | not played) / P(the same | played)`
//!
//! with m this pupil's own share of missed strokes. `P(not heard, and what else is seen | played)` is summed over how loud this
//! pupil plays such a stroke (same surface, same dynamic): it may fall below the noise or below the ringing of the stroke
//! before, and the faint candidate it leaves is about as loud as it was.

use std::collections::BTreeMap;

use super::runs::{Point, Run, matched};
use super::{Hearing, Status};
use crate::align::{Placed, Step, Strike};
use crate::part::{Dynamic, Surface, Timeline};
use crate::stats::{median, normal_cdf, normal_density};
use crate::surface::Doubt;
use crate::units::Seconds;

/// A room with furniture loses 60 dB in about half a second (common practice: 0.4 to 0.6 s), and a bucket rings no longer.
const RINGING_DB_PER_S: f64 = 60.0 / 0.5;
/// A stroke louder than noise and ringing is lost by the ear one time in 500, and one time in 250 where the middle strike is
/// no more than 20 dB above the noise. Measured on 97 takes from sound with known truth (`scripts/simulating/classroom`, tuning parts, and
/// `hidden.py`): of 6,000 strokes on surfaces that were heard some ten were lost so.
const EAR_LOSES: (f64, f64) = (0.002, 0.004);
const EAR_QUIET_DB: (f64, f64) = (30.0, 20.0);
/// A surface of which next to nothing was heard may be one that the ear does not hear, in one take of ten: of 31 families of
/// struck things that it had not met it heard three badly in a quiet room (less than .95 of plain strikes).
const EAR_DEAF: f64 = 0.1;
/// A stroke that was played and lost leaves a faint candidate this often: 27 of 37 in the takes above.
const LEAVES_TRACE: f64 = 0.7;
/// A candidate is as loud as the stroke that left it, to this standard deviation, dB: masked sounds are measured with what masks
/// them. Rule of thumb: twice that of two strokes meant alike.
const TRACE_SPREAD_DB: f64 = 6.0;
/// A note may stray this far from its place, in halves of the way to its neighbours, and still be the one that was meant: one
/// note in 50, as in the matching.
const STRAYED: f64 = 1.5;
const STRAYS: f64 = 0.02;
/// Share of strokes a beginner misses, and how many strokes that belief is worth.
const MISSES: (f64, f64) = (0.03, 20.0);
/// Loudness varies from stroke to stroke by this at least, standard deviation in dB, and by these when it varies more; and the
/// ear's threshold is as soft.
const SPREADS_DB: [f64; 6] = [3.0, 4.0, 5.0, 6.5, 8.5, 11.0];
const THRESHOLD_SPREAD_DB: f64 = 2.0;
/// One stroke in 30 is no stroke of the usual kind: brushed, or half held back. It is so much softer, and its loudness varies
/// so much, dB. Rule of thumb.
const BRUSHED: (f64, f64, f64) = (0.03, 15.0, 6.0);
/// Surfaces of one bucket differ in loudness by this much, standard deviation in dB: for a surface of which too little was heard.
/// Rule of thumb; centre and sticks of one take lie 10 to 20 dB apart in a third of the takes above.
const SURFACE_SPREAD_DB: f64 = 10.0;
/// Stray sounds may be anything in so many decibels, as `align` has it.
const ANY_DB: f64 = 40.0;
/// Strikes that make a group's loudness; so few of a surface tell it roughly, to this much more.
const ENOUGH: usize = 4;
const FEW: usize = 2;
const FEW_SPREAD_DB: f64 = 4.0;
/// `Missed` is said only when it is at least this probable.
const MISSED_ABOVE: f64 = 0.85;
/// A surface is called another than written from this probability on.
pub(super) const SURFACE_SURE: f64 = 0.7;

/// What the status of a stroke rests on.
pub(super) struct Ground<'a> {
    pub(super) timeline: &'a Timeline,
    pub(super) strikes: &'a [Strike],
    pub(super) faint: &'a [Strike],
    pub(super) placed: &'a [Placed],
    pub(super) runs: &'a [Run],
    pub(super) heard: &'a Hearing,
    pub(super) jitter: Seconds,
}

/// What became of a stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fate {
    pub(super) status: Status,
    pub(super) strike: Option<usize>,
    /// Probability that it was left out, where it has no strike and was passed.
    pub(super) missed: f64,
}

/// For each stroke of the timeline what became of it.
pub(super) fn statuses(ground: &Ground) -> Vec<Fate> {
    let n = ground.timeline.strokes.len();
    let mut strokes = vec![Fate { status: Status::NotReached, strike: None, missed: 0.0 }; n];
    for (i, place) in ground.placed.iter().enumerate() {
        // Of a stroke played twice, after a restart, the last time counts.
        if let Some(slot) = matched(place).and_then(|j| strokes.get_mut(j)) {
            *slot = Fate { status: Status::Played, strike: Some(i), missed: 0.0 };
        }
    }
    let gaps: Vec<Gap> =
        gaps(ground).into_iter().filter(|g| strokes.get(g.stroke).is_some_and(|s| s.strike.is_none())).collect();
    for (gap, missed) in gaps.iter().zip(missed(ground, &gaps)) {
        if let Some(slot) = strokes.get_mut(gap.stroke) {
            // Passed twice and unheard twice: both times must look missed.
            let not_heard = missed < MISSED_ABOVE || slot.status == Status::NotHeard;
            slot.status = if not_heard { Status::NotHeard } else { Status::Missed };
            slot.missed = missed;
        }
    }
    for (slot, stroke) in strokes.iter_mut().zip(&ground.timeline.strokes) {
        if slot.strike.is_some_and(|i| elsewhere(ground.strikes, ground.heard, i, stroke.surface).is_some()) {
            slot.status = Status::WrongSurface;
        }
    }
    strokes
}

/// The surface strike `i` landed on where it surely is another than written, doubts about names set aside.
pub(super) fn elsewhere(strikes: &[Strike], heard: &Hearing, i: usize, written: Surface) -> Option<(Surface, f64)> {
    let strike = strikes.get(i)?;
    if heard.surfaces.get(i).is_some_and(|s| s.other > 0.5) {
        return None;
    }
    let (surface, p) = best(&strike.surface);
    (surface != written && p >= SURFACE_SURE && !excused(&heard.doubts, written, surface)).then_some((surface, p))
}

/// The likeliest surface and its probability.
pub(super) fn best(p: &[f64; Surface::COUNT]) -> (Surface, f64) {
    let start = (Surface::Centre, f64::NEG_INFINITY);
    Surface::ALL.into_iter().zip(*p).fold(start, |best, (s, p)| if p > best.1 { (s, p) } else { best })
}

/// A doubt above this share speaks for the pupil.
const DOUBT: f64 = 0.15;

/// Whether a doubt about the names of surfaces could explain that `heard` stands where `written` was asked for.
pub(super) fn excused(doubts: &[Doubt], written: Surface, heard: Surface) -> bool {
    doubts.iter().any(|doubt| match *doubt {
        Doubt::Exchanged { a, b, p } => p > DOUBT && ((a, b) == (written, heard) || (b, a) == (written, heard)),
        Doubt::NotToldApart { written: w, heard: h } => (w, h) == (written, heard),
        Doubt::OneSurface { written: w } => w == written,
    })
}

/// A stroke without a strike where the take passed through, and when it should have sounded.
struct Gap {
    stroke: usize,
    /// One time, or two where the pulse was set anew in between.
    times: Vec<f64>,
    /// Half the way to the nearest neighbour, as far as it can have strayed.
    room: f64,
}

fn gaps(ground: &Ground) -> Vec<Gap> {
    let timeline = ground.timeline;
    let b = |j: usize| timeline.strokes.get(j).map_or(0.0, |s| s.at.quarters());
    let bar_end = |j: usize| {
        let bar = timeline.strokes.get(j).map_or(0, |s| s.bar);
        timeline.bars.get(bar).map_or(j + 1, |bar| bar.strokes.end)
    };
    let bar_start = |j: usize| {
        let bar = timeline.strokes.get(j).map_or(0, |s| s.bar);
        timeline.bars.get(bar).map_or(j, |bar| bar.strokes.start)
    };
    let mut out = Vec::new();
    let mut add = |stroke: usize, times: Vec<f64>, quarter: f64| {
        let next = if stroke + 1 < timeline.strokes.len() { b(stroke + 1) - b(stroke) } else { 1.0 };
        let last = if stroke > 0 { b(stroke) - b(stroke - 1) } else { 1.0 };
        out.push(Gap { stroke, times, room: 0.5 * next.min(last).min(1.0) * quarter });
    };
    let mut before: Option<&Point> = None;
    for (k, run) in ground.runs.iter().enumerate() {
        let (Some(first), Some(last)) = (run.points.first(), run.points.last()) else { continue };
        // The way into the run.
        match (run.began, before) {
            (Step::Shift | Step::NewTempo, Some(p)) => {
                for j in p.stroke + 1..first.stroke {
                    let (old, new) =
                        (p.pulse + (b(j) - p.b) * p.quarter, first.pulse - (first.b - b(j)) * first.quarter);
                    add(j, vec![old, new], first.quarter);
                }
            }
            (_, p) => {
                let after = p.map_or(0.0, |p| p.t);
                for j in bar_start(first.stroke)..first.stroke {
                    let t = first.pulse - (first.b - b(j)) * first.quarter;
                    if t > after + 0.3 * first.quarter.min(0.5) {
                        add(j, vec![t], first.quarter);
                    }
                }
            }
        }
        for pair in run.points.windows(2) {
            let [p, q] = pair else { continue };
            for j in p.stroke + 1..q.stroke {
                let share = (b(j) - p.b) / (q.b - p.b).max(1e-9);
                add(j, vec![p.pulse + share * (q.pulse - p.pulse)], p.quarter);
            }
        }
        // The way out of it.
        let next = ground.runs.get(k + 1);
        let until = match next.map(|r| r.began) {
            Some(Step::Jump) => next.and_then(|r| r.points.first()).map(|f| f.t - 0.3 * last.quarter),
            Some(_) => None,
            None => Some(ground.heard.duration.get() - 0.1),
        };
        if let Some(until) = until {
            let few_left = next.is_none() && timeline.strokes.len() - last.stroke <= 3;
            let end = if few_left { timeline.strokes.len() } else { bar_end(last.stroke) };
            for j in last.stroke + 1..end {
                let t = last.pulse + (b(j) - last.b) * last.quarter;
                if t < until {
                    add(j, vec![t], last.quarter);
                }
            }
        }
        before = Some(last);
    }
    out
}

/// How loud this pupil plays such a stroke: a normal law, and the brushed ones.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Loudness {
    middle: f64,
    spread: f64,
    /// Strokes of this surface were heard.
    known: bool,
}

impl Loudness {
    /// Levels from 4 spreads of the brushed ones below to 4 above, each with its share of belief.
    fn levels(self) -> impl Iterator<Item = (f64, f64)> {
        const STEPS: usize = 120;
        let (share, softer, varies) = BRUSHED;
        let wide = varies.hypot(self.spread);
        let low = -softer - 4.0 * wide;
        let step = (4.0 * self.spread - low) / STEPS as f64;
        (0..=STEPS).map(move |k| {
            let away = low + k as f64 * step;
            let usual = (1.0 - share) * normal_density(away, self.spread) + share * normal_density(away + softer, wide);
            (self.middle + away, usual * step)
        })
    }
}

/// Probability of `Missed` for each gap.
fn missed(ground: &Ground, gaps: &[Gap]) -> Vec<f64> {
    let passed = ground.placed.iter().filter(|p| matched(p).is_some()).count() + gaps.len();
    let unmatched = |p: &Placed| matches!(p.step, Step::Extra | Step::InRest | Step::Double) && p.stroke.is_none();
    let strays: Vec<Strike> =
        (ground.strikes.iter().zip(ground.placed)).filter(|(_, p)| unmatched(p)).map(|(s, _)| *s).collect();
    // For each gap everything but the pupil's own rate of misses.
    let mut known: BTreeMap<(Surface, Option<Dynamic>), Option<Loudness>> = BTreeMap::new();
    let evidence: Vec<f64> = (gaps.iter())
        .map(|gap| {
            let Some(stroke) = ground.timeline.strokes.get(gap.stroke) else { return 0.0 };
            let group = (stroke.surface, stroke.level);
            let loud = *known.entry(group).or_insert_with(|| loudness(ground, group.0, group.1));
            // Two possible times: the one that speaks for the pupil.
            gap.times.iter().map(|&t| at_time(ground, &strays, gap, loud, t)).fold(f64::INFINITY, f64::min)
        })
        .collect();
    let (belief, weight) = MISSES;
    let mut rate = belief;
    let mut out = Vec::new();
    for _ in 0..3 {
        out = evidence
            .iter()
            .map(|e| {
                let odds = rate / (1.0 - rate) * e;
                odds / (1.0 + odds)
            })
            .collect();
        rate = (belief * weight + out.iter().sum::<f64>()) / (weight + passed as f64);
    }
    out
}

/// `P(unheard, and what else is seen | not played) / P(the same | played)` for a stroke due at `t`. `strays`: strikes that
/// nobody wrote.
fn at_time(ground: &Ground, strays: &[Strike], gap: &Gap, loud: Option<Loudness>, t: f64) -> f64 {
    // Nothing is known of how loud it would be: it may well have been played.
    let Some(loud) = loud else { return 1.0 };
    let threshold = noise_at(ground.heard, t).max(ringing_at(ground.strikes, t));
    let loses = ear_loses(ground.heard).max(if loud.known { 0.0 } else { EAR_DEAF });
    let lost = |level: f64| {
        let hidden = normal_cdf((threshold - level) / THRESHOLD_SPREAD_DB);
        hidden + (1.0 - hidden) * loses
    };
    let reach = (3.0 * ground.jitter.get()).max(0.04).min(gap.room.max(0.02));
    let by_chance = |n: usize, reach: f64| {
        let rate = n as f64 / ground.heard.duration.get().max(1.0);
        1.0 - (-rate * 2.0 * reach).exp()
    };
    let chance = by_chance(ground.faint.len(), reach);
    // How much likelier a sound this loud is for a stroke of this level than for any sound.
    let like = |sound: &Strike, level: f64| ANY_DB * normal_density(sound.level.0 - level, TRACE_SPREAD_DB);
    // What the ear itself thinks of a candidate, beside what it thinks of the others here.
    let usual = ground.faint.iter().map(|s| s.certainty).sum::<f64>() / ground.faint.len().max(1) as f64;
    let odds = |p: f64| p.clamp(0.02, 0.98) / (1.0 - p.clamp(0.02, 0.98));
    let believed = |sound: &Strike| odds(sound.certainty) / odds(usual);
    // Played, lost by the ear, and what is left of it is among the faint candidates, or nothing is.
    let lost_with = |trace: Option<&Strike>| -> f64 {
        let seen = |level: f64| match trace {
            Some(trace) => LEAVES_TRACE * believed(trace) * like(trace, level) / chance.max(0.01) + 1.0 - LEAVES_TRACE,
            None => (1.0 - LEAVES_TRACE) / (1.0 - chance).max(0.01),
        };
        loud.levels().map(|(level, share)| share * lost(level) * seen(level)).sum()
    };
    let traces = between(ground.faint, t - reach, t + reach).iter();
    let unheard = traces.map(|s| lost_with(Some(s))).fold(lost_with(None), f64::max);
    // Played off its place, and heard as a strike that nobody wrote.
    let far = reach.max(STRAYED * gap.room);
    let astray = by_chance(strays.len(), far);
    let off = |s: &Strike| -> f64 { loud.levels().map(|(level, share)| share * like(s, level)).sum() };
    let strayed = between(strays, t - far, t + far).iter().map(off).fold(0.0, f64::max) * STRAYS / astray.max(0.01);
    1.0 / (unheard + strayed).max(1e-6)
}

/// Share of strokes above noise and ringing that the ear loses in this recording.
fn ear_loses(heard: &Hearing) -> f64 {
    let noisy =
        heard.over_noise.map_or(0.0, |d| ((EAR_QUIET_DB.0 - d.0) / (EAR_QUIET_DB.0 - EAR_QUIET_DB.1)).clamp(0.0, 1.0));
    EAR_LOSES.0 + noisy * (EAR_LOSES.1 - EAR_LOSES.0)
}

fn noise_at(heard: &Hearing, t: f64) -> f64 {
    let next = heard.audibility.partition_point(|a| a.from.get() <= t);
    next.checked_sub(1).and_then(|k| heard.audibility.get(k)).map_or(f64::NEG_INFINITY, |a| a.threshold.0)
}

/// Those of some strikes, in order of time, that come from `from` to `to`.
fn between(strikes: &[Strike], from: f64, to: f64) -> &[Strike] {
    let first = strikes.partition_point(|s| s.at.get() < from);
    let behind = strikes.partition_point(|s| s.at.get() <= to);
    strikes.get(first..behind).unwrap_or_default()
}

/// Level below which a stroke at `t` drowns in the ringing of those before.
fn ringing_at(strikes: &[Strike], t: f64) -> f64 {
    /// After this long 60 dB are gone.
    const LONGEST: f64 = 0.5;
    let before = between(strikes, t - LONGEST, t - 0.01);
    before.iter().map(|s| s.level.0 - RINGING_DB_PER_S * (t - s.at.get())).fold(f64::NEG_INFINITY, f64::max)
}

/// Loudness of strokes of this surface and dynamic, or of this surface, or of all: the first group that is large enough.
///
/// The heard ones are those that rose above the noise or the ringing where they were, so each counts by its density among
/// these: a normal law cut off below (Cohen 1950, "Estimating the mean and variance of normal populations from singly truncated
/// and doubly truncated samples", Ann. Math. Stat. 21:557), on a grid. Strokes that were not heard say nothing here: whether they were soft or left
/// out is the question.
fn loudness(ground: &Ground, surface: Surface, level: Option<Dynamic>) -> Option<Loudness> {
    let strokes = &ground.timeline.strokes;
    let group = |least: usize, same: &dyn Fn(usize) -> bool| -> Option<Loudness> {
        let heard: Vec<(f64, f64)> = (ground.placed.iter().zip(ground.strikes))
            .filter(|(p, _)| matched(p).is_some_and(same))
            .map(|(_, s)| {
                let t = s.at.get();
                (s.level.0, noise_at(ground.heard, t).max(ringing_at(ground.strikes, t)))
            })
            .filter(|(level, _)| level.is_finite())
            .collect();
        if heard.len() < least {
            return None;
        }
        let top = median(heard.iter().map(|h| h.0))?;
        let fit = |middle: f64, spread: f64| -> f64 {
            (heard.iter())
                .map(|&(level, threshold)| {
                    // A single stroke far off must not make the law.
                    let near = normal_density(level - middle, spread) + 1e-3 / ANY_DB;
                    let above = normal_cdf((middle - threshold) / spread.hypot(THRESHOLD_SPREAD_DB));
                    near.ln() - above.max(1e-3).ln()
                })
                .sum()
        };
        let grid = SPREADS_DB.into_iter().flat_map(|spread| (-16..=2).map(move |k| (top + f64::from(k), spread)));
        let (middle, spread) =
            grid.map(|(m, s)| (fit(m, s), m, s)).max_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, m, s)| (m, s))?;
        Some(Loudness { middle, spread, known: true })
    };
    let is = |j: usize| strokes.get(j).map(|s| (s.surface, s.level));
    let of_surface = |j: usize| is(j).is_some_and(|s| s.0 == surface);
    let wider = |loud: Loudness, by: f64| Loudness { spread: loud.spread.hypot(by), ..loud };
    group(ENOUGH, &|j| is(j) == Some((surface, level)))
        .or_else(|| group(ENOUGH, &of_surface))
        .or_else(|| group(FEW, &of_surface).map(|few| wider(few, FEW_SPREAD_DB)))
        .or_else(|| group(ENOUGH, &|_| true).map(|all| Loudness { known: false, ..wider(all, SURFACE_SPREAD_DB) }))
}
