//! Strokes without a strike, in places the take did pass through: left out, or played and not heard?
//!
//! Held against *left out*, where all that is heard around is there by chance, stand the ways of having been played:
//!
//! - lost by the ear without a trace: `sum over levels of P(level) x P(lost | level) x P(no trace | level)`;
//! - one of the faint candidates around: `sum of P(level) x P(lost | level) x P(trace | level) x P(its time and loudness |
//!   level) / P(the same by chance) x what the ear thinks of it, beside other faint ones`;
//! - off its place, and one of the strikes that nobody wrote.
//!
//! The levels are those of this pupil's strokes of the same surface and dynamic. The share of strokes left out, of soft
//! ones, and of those on each surface that the ear loses although they stand above noise and ringing, start from what is
//! usual and follow the take.

use std::collections::BTreeMap;

use super::Hearing;
use super::runs::{Point, Run, matched};
use crate::align::{Placed, Step, Strike};
use crate::onset::TICK;
use crate::part::{Dynamic, Surface, Timeline};
use crate::stats::{median, normal_cdf, normal_density};
use crate::units::Seconds;

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

/// A room with furniture loses 60 dB in about half a second (common practice: 0.4 to 0.6 s), and a bucket rings no longer.
const RINGING_DB_PER_S: f64 = 60.0 / 0.5;
/// Before a strike the noise is as loud as this long before it: not in the strike itself.
const BEFORE_STRIKE_S: f64 = 0.1;
/// What is told as audible is where next to all is heard, in noise of every kind. Half is heard so many dB below it, and the
/// curve is as flat as this (standard deviation of a normal law, dB). Measured on 99 takes from sound with known truth
/// (`scripts/simulating/classroom`, tuning parts), 3,300 strokes: heard are .98 from 6 dB below it to where it is, .87 at 7 dB below, .79
/// at 10, .67 at 13.
const HALF_HEARD_DB: f64 = -16.0;
const HEARD_SPREAD_DB: f64 = 8.0;
/// A stroke that nothing hides is lost by the ear this often, in quiet takes and in noisy ones: 4 of 2,100 and 17 of 1,150 in
/// the same takes. So much (the middle strike above the noise) is quiet, so much noisy.
const EAR_LOSES: (f64, f64) = (0.002, 0.014);
const EAR_QUIET_DB: (f64, f64) = (25.0, 15.0);
/// A surface of which next to nothing was heard may be one that the ear does not hear, in one take of ten: of 31 families of
/// struck things that it had not met it heard three badly in a quiet room (less than .95 of plain strikes).
const EAR_DEAF: f64 = 0.1;
/// A stroke that was played and lost leaves a faint candidate this often, where it might have been heard: 26 of 35 in the same
/// takes. Of 151 that lay deep in bursts and swells (`hidden.py`) 24 had one nearby, chance among them.
const LEAVES_TRACE: f64 = 0.8;
/// A candidate is as loud as the stroke that left it, to this standard deviation, dB: masked sounds are measured with what masks
/// them. Rule of thumb: twice that of two strokes meant alike.
const TRACE_SPREAD_DB: f64 = 6.0;
/// Spread of strokes around the pulse, in the player's jitters, where it is carried on without them: as in rests.
const ALONG: f64 = 1.3;
/// A note may stray this far from its place, in halves of the way to its neighbours, and still be the one that was meant: one
/// note in 50, as in the matching.
const STRAYED: f64 = 1.5;
const STRAYS: f64 = 0.02;
/// Share of strokes a beginner misses; and how many strokes such beliefs are worth.
const MISSES: f64 = 0.03;
const BELIEF: f64 = 20.0;
/// A faint candidate is a strike this often, which is worth so many of them.
const USUALLY: (f64, f64) = (0.2, 4.0);
/// Loudness varies from stroke to stroke by this at least, standard deviation in dB, and by these when it varies more.
const SPREADS_DB: [f64; 6] = [3.0, 4.0, 5.0, 6.5, 8.5, 11.0];
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
/// Rounds of learning about the pupil and the ear.
const ROUNDS: usize = 4;

/// What is thought of a stroke without a strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Unheard {
    pub(super) stroke: usize,
    /// Probability that it was left out.
    pub(super) missed: f64,
    /// The faint candidate that is likeliest to be it, where the pulse is carried on to there.
    pub(super) own: Option<Own>,
}

/// A faint candidate that may be a stroke's own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Own {
    /// Index among the faint candidates.
    pub(super) faint: usize,
    /// Probability that it is that stroke.
    pub(super) p: f64,
    /// When the stroke was due, and the length of a quarter there, seconds.
    pub(super) due: f64,
    pub(super) quarter: f64,
}

/// A stroke without a strike where the take passed through, and when it should have sounded.
struct Gap {
    stroke: usize,
    /// One time, or two where the pulse was set anew in between.
    times: Vec<f64>,
    /// Half the way to the nearest neighbour, as far as it can have strayed.
    room: f64,
    /// Length of a quarter here, seconds.
    quarter: f64,
    /// The pulse goes on over it, or up to it, from the stroke before.
    carried: bool,
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
    let mut add = |stroke: usize, times: Vec<f64>, quarter: f64, carried: bool| {
        let next = if stroke + 1 < timeline.strokes.len() { b(stroke + 1) - b(stroke) } else { 1.0 };
        let last = if stroke > 0 { b(stroke) - b(stroke - 1) } else { 1.0 };
        out.push(Gap { stroke, times, room: 0.5 * next.min(last).min(1.0) * quarter, quarter, carried });
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
                    add(j, vec![old, new], first.quarter, false);
                }
            }
            (_, p) => {
                let after = p.map_or(0.0, |p| p.t);
                for j in bar_start(first.stroke)..first.stroke {
                    let t = first.pulse - (first.b - b(j)) * first.quarter;
                    if t > after + 0.3 * first.quarter.min(0.5) {
                        add(j, vec![t], first.quarter, false);
                    }
                }
            }
        }
        for pair in run.points.windows(2) {
            let [p, q] = pair else { continue };
            for j in p.stroke + 1..q.stroke {
                let share = (b(j) - p.b) / (q.b - p.b).max(1e-9);
                add(j, vec![p.pulse + share * (q.pulse - p.pulse)], p.quarter, true);
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
                    add(j, vec![t], last.quarter, true);
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
    /// Spread of the brushed ones.
    fn wide(self) -> f64 {
        BRUSHED.2.hypot(self.spread)
    }

    /// Densities of a level `away` from the middle: of the usual strokes, of the brushed ones; `share` of all are these.
    fn densities(self, away: f64, share: f64) -> (f64, f64) {
        ((1.0 - share) * normal_density(away, self.spread), share * normal_density(away + BRUSHED.1, self.wide()))
    }

    /// Levels from 4 spreads of the brushed ones below to 4 above, each with its share of belief.
    fn levels(self, brushed: f64) -> impl Iterator<Item = (f64, f64)> {
        const STEPS: usize = 120;
        let low = -BRUSHED.1 - 4.0 * self.wide();
        let step = (4.0 * self.spread - low) / STEPS as f64;
        (0..=STEPS).map(move |k| {
            let away = low + k as f64 * step;
            let (usual, soft) = self.densities(away, brushed);
            (self.middle + away, (usual + soft) * step)
        })
    }
}

type Group = (Surface, Option<Dynamic>);

/// A likelihood beside that of having been left out, by why the ear lost the stroke: it was hidden, or it was not; the
/// latter is still to be multiplied by how often the ear does that.
#[derive(Clone, Copy, Debug, Default)]
struct Lost {
    hidden: f64,
    plain: f64,
}

impl Lost {
    fn all(self, loses: f64) -> f64 {
        self.hidden + self.plain * loses
    }
}

/// The ways in which a stroke due at one time was played and not heard, with their likelihoods.
struct Account {
    due: f64,
    without_trace: Lost,
    /// Index of the faint candidate.
    with_trace: Vec<(usize, Lost)>,
    strayed: f64,
}

impl Account {
    fn played(&self, loses: f64) -> f64 {
        let traced: f64 = self.with_trace.iter().map(|(_, lost)| lost.all(loses)).sum();
        self.without_trace.all(loses) + traced + self.strayed
    }

    /// The part of it in which nothing hid the stroke.
    fn plainly(&self, loses: f64) -> f64 {
        loses * (self.without_trace.plain + self.with_trace.iter().map(|(_, lost)| lost.plain).sum::<f64>())
    }
}

/// Sounds that come by chance: per second and decibel of loudness.
struct Chance {
    /// Level and weight of each.
    of: Vec<(f64, f64)>,
    during: f64,
}

impl Chance {
    /// Of those of some sounds that are not near a stroke without a strike.
    fn elsewhere<'a>(
        sounds: impl Iterator<Item = &'a Strike>,
        weight: impl Fn(&Strike) -> f64,
        near: impl Fn(f64) -> bool,
        during: f64,
    ) -> Chance {
        Chance { of: sounds.filter(|s| !near(s.at.get())).map(|s| (s.level.0, weight(s))).collect(), during }
    }

    /// Each is blurred, and one of any loudness is always thought possible.
    fn density(&self, level: f64) -> f64 {
        let like: f64 = self.of.iter().map(|(other, w)| w * normal_density(level - other, TRACE_SPREAD_DB)).sum();
        (like + 1.0 / ANY_DB) / self.during
    }
}

/// What is thought of each stroke that was passed and has no strike. A stroke that was passed twice comes twice.
pub(super) fn unheard(ground: &Ground) -> Vec<Unheard> {
    let mut has = vec![false; ground.timeline.strokes.len()];
    for j in ground.placed.iter().filter_map(matched) {
        if let Some(slot) = has.get_mut(j) {
            *slot = true;
        }
    }
    let gaps: Vec<Gap> = gaps(ground).into_iter().filter(|gap| has.get(gap.stroke) == Some(&false)).collect();
    if gaps.is_empty() {
        return Vec::new();
    }
    let mut known: BTreeMap<Group, Option<Loudness>> = BTreeMap::new();
    for stroke in &ground.timeline.strokes {
        let group = (stroke.surface, stroke.level);
        known.entry(group).or_insert_with(|| loudness(ground, group.0, group.1));
    }
    let group = |j: usize| ground.timeline.strokes.get(j).map(|s| (s.surface, s.level));
    let loud = |j: usize| known.get(&group(j)?).copied().flatten();
    let accounts = accounts(ground, &gaps, &loud);
    learned(ground, &gaps, &accounts, &loud)
}

/// For each gap an account for each of its times; none where nothing is known of how loud it would be.
fn accounts(ground: &Ground, gaps: &[Gap], loud: &impl Fn(usize) -> Option<Loudness>) -> Vec<Vec<Account>> {
    let brushed = brushed(ground, loud);
    let during = ground.heard.duration.get().max(1.0);
    let spread = (ALONG * ground.jitter.get()).max(0.01);
    let reach = |gap: &Gap| (3.0 * spread).max(0.04).min(gap.room.max(0.02));
    let far = |gap: &Gap| reach(gap).max(STRAYED * gap.room);
    let near =
        |t: f64, of: &dyn Fn(&Gap) -> f64| gaps.iter().any(|g| g.times.iter().any(|due| (t - due).abs() < of(g)));
    let faint = Chance::elsewhere(ground.faint.iter(), |_| 1.0, |t| near(t, &reach), during);
    let unmatched =
        |p: &crate::align::Placed| matches!(p.step, Step::Extra | Step::InRest | Step::Double) && p.stroke.is_none();
    let strays: Vec<Strike> =
        (ground.strikes.iter().zip(ground.placed)).filter(|(_, p)| unmatched(p)).map(|(s, _)| *s).collect();
    let stray = Chance::elsewhere(strays.iter(), |s| s.certainty, |t| near(t, &far), during);
    // What the ear itself thinks of a candidate, beside what it thinks of the others here.
    let (usual, worth) = USUALLY;
    let sum: f64 = ground.faint.iter().map(|s| s.certainty).sum();
    let usual = (usual * worth + sum) / (worth + ground.faint.len() as f64);
    let odds = |p: f64| p.clamp(0.02, 0.98) / (1.0 - p.clamp(0.02, 0.98));
    let at = |gap: &Gap, due: f64, loud: Loudness| -> Account {
        let threshold = noise_at(ground.heard, due).max(ringing_at(ground.strikes, due));
        let (reach, far) = (reach(gap), far(gap));
        let first = ground.faint.partition_point(|s| s.at.get() < due - reach);
        let around: Vec<(usize, f64, f64)> = (between(ground.faint, due - reach, due + reach).iter().enumerate())
            .map(|(k, s)| {
                let off = s.at.get() - due;
                let in_time = (1.0 - STRAYS) * normal_density(off, spread) + STRAYS / (2.0 * far);
                let ratio = in_time * odds(s.certainty) / odds(usual) / faint.density(s.level.0);
                (first + k, s.level.0, ratio)
            })
            .collect();
        let mut account = Account {
            due,
            without_trace: Lost::default(),
            with_trace: around.iter().map(|(k, ..)| (*k, Lost::default())).collect(),
            strayed: 0.0,
        };
        let off: Vec<(f64, f64)> = (between(&strays, due - far, due + far).iter())
            .map(|s| (s.level.0, STRAYS / (2.0 * far) * s.certainty / stray.density(s.level.0)))
            .collect();
        for (level, share) in loud.levels(brushed) {
            let hidden = hidden(level - threshold, 0.0);
            let trace = LEAVES_TRACE * (1.0 - hidden);
            let add = |to: &mut Lost, by: f64| {
                to.hidden += by * hidden;
                to.plain += by * (1.0 - hidden);
            };
            add(&mut account.without_trace, share * (1.0 - trace));
            for ((_, lost), (_, db, ratio)) in account.with_trace.iter_mut().zip(&around) {
                add(lost, share * trace * ratio * normal_density(db - level, TRACE_SPREAD_DB));
            }
            let like = |(db, ratio): &(f64, f64)| ratio * normal_density(db - level, TRACE_SPREAD_DB);
            account.strayed += share * off.iter().map(like).sum::<f64>();
        }
        account
    };
    (gaps.iter())
        .map(|gap| match loud(gap.stroke) {
            Some(loud) => gap.times.iter().map(|&due| at(gap, due, loud)).collect(),
            None => Vec::new(),
        })
        .collect()
}

/// The accounts weighed, while they teach how often this pupil leaves strokes out and the ear loses them.
fn learned(
    ground: &Ground,
    gaps: &[Gap],
    accounts: &[Vec<Account>],
    loud: &impl Fn(usize) -> Option<Loudness>,
) -> Vec<Unheard> {
    let surface = |j: usize| ground.timeline.strokes.get(j).map_or(0, |s| s.surface.index());
    let mut heard = [0.0; Surface::COUNT];
    for j in ground.placed.iter().filter_map(matched) {
        heard[surface(j)] += 1.0;
    }
    let passed = heard.iter().sum::<f64>() + gaps.len() as f64;
    let usually = ear_loses(ground.heard);
    let prior = |gap: &Gap| if loud(gap.stroke).is_none_or(|l| l.known) { usually } else { EAR_DEAF.max(usually) };
    let mut rate = MISSES;
    let mut plainly = [0.0; Surface::COUNT];
    let mut out: Vec<Unheard> = Vec::new();
    for _ in 0..ROUNDS {
        let mut lost = [0.0; Surface::COUNT];
        out = (gaps.iter().zip(accounts))
            .map(|(gap, accounts)| {
                let s = surface(gap.stroke);
                let loses = (prior(gap) * BELIEF + plainly[s]) / (BELIEF + heard[s] + plainly[s]);
                // Of two times the one that speaks for the pupil.
                let best = accounts.iter().max_by(|a, b| a.played(loses).total_cmp(&b.played(loses)));
                let Some(account) = best else {
                    // Nothing is known of how loud it would be: it may well have been played.
                    return Unheard { stroke: gap.stroke, missed: rate, own: None };
                };
                let all = rate + (1.0 - rate) * account.played(loses);
                let share = |likelihood: f64| (1.0 - rate) * likelihood / all;
                lost[s] += share(account.plainly(loses));
                let trace = account.with_trace.iter().map(|(faint, lost)| (*faint, share(lost.all(loses))));
                let own = trace.max_by(|a, b| a.1.total_cmp(&b.1)).filter(|(faint, _)| {
                    // A clock's tick only hides what was played with it.
                    gap.carried && ground.faint.get(*faint).is_some_and(|s| s.certainty > f64::from(TICK))
                });
                let own = own.map(|(faint, p)| Own { faint, p, due: account.due, quarter: gap.quarter });
                Unheard { stroke: gap.stroke, missed: rate / all, own }
            })
            .collect();
        plainly = lost;
        rate = (MISSES * BELIEF + out.iter().map(|u| u.missed).sum::<f64>()) / (BELIEF + passed);
    }
    out
}

/// The share of brushed strokes in this take, as far as such could be heard in it.
fn brushed(ground: &Ground, loud: &impl Fn(usize) -> Option<Loudness>) -> f64 {
    let usually = BRUSHED.0;
    let (mut all, mut soft) = (BELIEF, usually * BELIEF);
    for (strike, place) in ground.strikes.iter().zip(ground.placed) {
        let Some(law) = matched(place).and_then(loud).filter(|law| law.known && strike.level.0.is_finite()) else {
            continue;
        };
        let (usual, brushed) = law.densities(strike.level.0 - law.middle, usually);
        let least = masked_before(ground, strike);
        all += 1.0 - hidden(law.middle - BRUSHED.1 - least, law.wide());
        soft += brushed / (usual + brushed).max(1e-12);
    }
    soft / all
}

/// Share of strokes that noise or ringing hide, of those which lie `over` what is told as audible, by a normal law as wide as
/// `spread`, dB.
fn hidden(over: f64, spread: f64) -> f64 {
    normal_cdf((HALF_HEARD_DB - over) / HEARD_SPREAD_DB.hypot(spread))
}

/// Share of strokes above noise and ringing that the ear usually loses in such a recording.
fn ear_loses(heard: &Hearing) -> f64 {
    let noisy =
        heard.over_noise.map_or(0.0, |d| ((EAR_QUIET_DB.0 - d.0) / (EAR_QUIET_DB.0 - EAR_QUIET_DB.1)).clamp(0.0, 1.0));
    EAR_LOSES.0 + noisy * (EAR_LOSES.1 - EAR_LOSES.0)
}

fn noise_at(heard: &Hearing, t: f64) -> f64 {
    let next = heard.audibility.partition_point(|a| a.from.get() <= t);
    next.checked_sub(1).and_then(|k| heard.audibility.get(k)).map_or(f64::NEG_INFINITY, |a| a.threshold.0)
}

/// Level below which a strike would have drowned where it was.
fn masked_before(ground: &Ground, strike: &Strike) -> f64 {
    let t = strike.at.get();
    noise_at(ground.heard, t - BEFORE_STRIKE_S).max(ringing_at(ground.strikes, t))
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
            .map(|(_, s)| (s.level.0, masked_before(ground, s)))
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
                    let above = 1.0 - hidden(middle - threshold, spread);
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
