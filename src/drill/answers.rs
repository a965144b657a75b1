//! The sound of a whole drill -> every verdict and the tally.
//!
//! Scored twice: first by what beginners do, then by this pupil's own spread and level. Surfaces are told apart over all
//! answers at once, with the calls as prior.

use super::fit::{At, fit};
use super::score::{LEADER, SOFTER_DB, SURE, explains, on_leader};
use super::{Habits, Plan, Round, Struck, Verdict, VerdictKind, Window, score};
use crate::chain::Take;
use crate::leak::comes_with;
use crate::onset::{Heard, Onset};
use crate::part::Surface;
use crate::surface::{self, Calibration, Doubt, Prior};
use crate::units::{Decibels, Seconds};

/// A beginner's spread before anything is known of this one: planning value for ages 9 to 12 (30 to 50 ms).
const SPREAD: Seconds = Seconds::from_millis(35.0);
/// It weighs as much as so many strokes.
const SPREAD_WEIGHS: f64 = 12.0;
/// A pupil's spread is not taken for more than this: beyond it nothing would be late any more.
const MOST_SPREAD: Seconds = Seconds::from_millis(60.0);
/// Median absolute deviation to standard deviation of a normal distribution.
const MAD_TO_SD: f64 = 1.4826;
/// A pupil plays about this much louder than the softest strike that can be heard, or nothing is said about silence.
const AUDIBLE_DB: f64 = 3.0;
/// A round belongs to the recording if its answer ends at most this long after it: the last strokes come well before.
const AFTER_END: Seconds = Seconds::from_millis(100.0);
/// Stretches in which a stroke could be hidden may be this share of an answer; beyond it silence says nothing.
const MOST_HIDDEN: f64 = 0.5;
/// What comes with one of the leader's sounds, from a little before it to its room's first echoes, and is softer than it was
/// in the recording, is unsure: mostly left over of it. So is what the ear would not call a strike for itself.
const WITH_LEADER: (Seconds, Seconds) = (Seconds::from_millis(-15.0), Seconds::from_millis(120.0));
const DOUBTED: f64 = 0.6;
/// From this probability on something may have been a stroke.
const MAYBE: f64 = 0.2;
/// Somebody plays if so large a share of the strokes asked for was surely heard. Else what is softer than the calls by so much
/// is unsure: a pupil at the microphone is louder than that, and a room's late echo is not.
const SOMEBODY: f64 = 0.25;
const BELOW_LEADER_DB: f64 = 6.0;
/// Other things sound in the room if strikes that belong to no answer are heard in so many rounds, and in such a share of
/// them.
const BUSY: (usize, f64) = (2, 0.25);
/// Names given to the two surfaces that are exchanged with at least this probability are not held against anyone.
const EXCHANGED: f64 = 0.2;
/// An answer was another pattern of the bank if that explains it so much better, in nats.
const BETTER: f64 = 4.0;

/// A round with its verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Answered {
    /// The round.
    pub round: Round,
    /// Its verdict.
    pub verdict: Verdict,
    /// The call of the bank that was played instead.
    pub instead: Option<String>,
}

/// The count.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Counted as the teacher set it.
    pub points: i32,
    /// Rounds counted.
    pub rounds: usize,
    /// Rounds that were right: echoes and hushes.
    pub right: usize,
    /// Rounds not judged since the drill was over.
    pub after_end: usize,
}

/// What came of a drill.
#[derive(Clone, Debug, PartialEq)]
pub struct Results {
    /// Rounds in order.
    pub answers: Vec<Answered>,
    /// The count.
    pub tally: Tally,
    /// What is known of the pupil.
    pub habits: Habits,
    /// What this sound cannot tell.
    pub limits: Vec<String>,
}

fn counts(kind: VerdictKind, plan: &Plan) -> (i32, bool) {
    let c = &plan.drill.counting;
    match kind {
        VerdictKind::Right => (c.right, true),
        VerdictKind::Nearly => (c.nearly, false),
        VerdictKind::HushKept => (c.hush, true),
        VerdictKind::HushAnswered => (c.fell, false),
        VerdictKind::Different | VerdictKind::Silent | VerdictKind::Early => (0, false),
    }
}

/// Counts as the teacher set it, up to the end the teacher set.
fn tally(plan: &Plan, answers: &[Answered]) -> Tally {
    let mut out = Tally::default();
    let mut missed = 0;
    for (k, answer) in answers.iter().enumerate() {
        let (points, right) = counts(answer.verdict.kind, plan);
        out.points += points;
        out.rounds += 1;
        out.right += usize::from(right);
        missed += u32::from(!right && answer.verdict.kind != VerdictKind::Nearly);
        if plan.drill.until_misses.is_some_and(|n| missed >= n) {
            out.after_end = answers.len() - k - 1;
            break;
        }
    }
    out
}

fn median(mut x: Vec<f64>) -> Option<f64> {
    x.sort_by(f64::total_cmp);
    x.get(x.len() / 2).copied()
}

/// A pupil's own habits from the answers so far.
fn habits(verdicts: &[Verdict], levels: Vec<f64>, surfaces: bool) -> Habits {
    let off = verdicts.iter().flat_map(|v| v.lateness.iter().map(|l| l.0.millis().abs() / 1e3));
    let off: Vec<f64> = off.collect();
    let n = off.len() as f64;
    let own = median(off).unwrap_or(0.0) * MAD_TO_SD;
    let spread = ((SPREAD_WEIGHS * SPREAD.get().powi(2) + n * own * own) / (SPREAD_WEIGHS + n)).sqrt();
    let spread = Seconds::of(spread.min(MOST_SPREAD.get()));
    Habits { spread, level: median(levels).map(Decibels), surfaces }
}

/// Whether the drill is over after these answers, by the end the teacher set.
pub fn is_over(plan: &Plan, answers: &[Answered]) -> bool {
    let missed = |a: &&Answered| !counts(a.verdict.kind, plan).1 && a.verdict.kind != VerdictKind::Nearly;
    plan.drill.until_misses.is_some_and(|n| answers.iter().filter(missed).count() >= n as usize)
}

/// The strikes of one round, as indices and as the score sees them.
struct Slot {
    ids: Vec<usize>,
    strikes: Vec<Struck>,
    audible: bool,
    hidden: Vec<(Seconds, Seconds)>,
    maybe: Vec<Seconds>,
}

/// Stretches of an answer in which a stroke of this level could be hidden, counted from `zero`.
fn hidden(heard: &Heard, zero: Seconds, until: Seconds, level: f64) -> Vec<(Seconds, Seconds)> {
    let first = heard.audibility.partition_point(|a| a.from <= zero).saturating_sub(1);
    let stretches = &heard.audibility[first.min(heard.audibility.len())..];
    let ends = stretches.iter().skip(1).map(|a| a.from).chain([heard.duration]);
    (stretches.iter().zip(ends).take_while(|(a, _)| a.from < until))
        .filter(|(a, _)| a.threshold.0 > level - AUDIBLE_DB)
        .map(|(a, end)| (a.from - zero, end - zero))
        .collect()
}

/// Whether a round holds strikes that belong to no answer: sure, about as loud as the pupil, outside the answer's time, not
/// on a stroke of the leader's, and in no answer that came too early.
fn has_strays(round: &Round, beat: Seconds, slot: &Slot, expected: &[(Seconds, Surface)], level: Option<f64>) -> bool {
    let from_call = round.answer_at - round.call_at;
    let lasts = round.answer_end - round.answer_at;
    let leader = |s: &Struck| on_leader(s.at + from_call, expected, LEADER);
    let sure: Vec<Struck> = (slot.strikes.iter())
        .filter(|s| s.certainty >= SURE && level.is_none_or(|l| s.level.0 >= l - SOFTER_DB) && !leader(s))
        .copied()
        .collect();
    let times: Vec<f64> = expected.iter().map(|e| e.0.get()).collect();
    let at: Vec<At> = sure.iter().map(|s| At { seconds: s.at.get(), certainty: s.certainty }).collect();
    let found = fit(&times, &at, beat.get());
    let around = Seconds::of(0.5 * beat.get());
    let outside = |s: &Struck| s.at < Seconds::ZERO - around || s.at > lasts + around;
    sure.iter().enumerate().any(|(k, s)| outside(s) && !found.pairs.contains(&Some(k)))
}

/// Judges a drill, as far as the take goes. `clock`: where a moment of the plan stands in the take. `known`: strikes of known
/// surface.
pub fn judge(plan: &Plan, take: &Take, clock: impl Fn(Seconds) -> Seconds, known: Option<&Calibration>) -> Results {
    let flat = [1.0 / Surface::COUNT as f64; Surface::COUNT];
    let heard = &take.heard;
    let inside = |r: &&Round| clock(r.answer_end).get() <= heard.duration.get() + AFTER_END.get();
    let rounds = &plan.rounds[..plan.rounds.iter().take_while(inside).count()];
    let left_over = |onset: &Onset| {
        let strike = (onset.at, onset.level);
        take.guide.as_ref().is_some_and(|g| comes_with(&g.sounds, &strike, WITH_LEADER, |s| s.leak.0))
    };
    let mut slots: Vec<Slot> = (rounds.iter())
        .map(|round| {
            // The next call's first stroke may be heard a little before its time.
            let (from, to, zero) = (clock(round.call_at), clock(round.end) - LEADER, clock(round.answer_at));
            let ids: Vec<usize> =
                (0..heard.onsets.len()).filter(|k| (from..to).contains(&heard.onsets[*k].at)).collect();
            let strike = |k: &usize| {
                let o = heard.onsets[*k];
                let (at, surface) = (o.at - zero, flat);
                let doubted = left_over(&o) || !o.alone;
                let certainty = if doubted { o.certainty.min(DOUBTED) } else { o.certainty };
                Struck { at, sigma: o.sigma, certainty, level: o.level, surface }
            };
            let strikes = ids.iter().map(strike).collect();
            // Also what is too soft to count is no silence.
            let faint = heard.faint.iter().filter(|o| o.certainty >= MAYBE && (from..to).contains(&o.at));
            let maybe = ids.iter().map(|k| &heard.onsets[*k]).chain(faint).map(|o| o.at - zero).collect();
            Slot { ids, strikes, audible: true, hidden: Vec::new(), maybe }
        })
        .collect();
    let expected: Vec<Vec<(Seconds, Surface)>> = rounds.iter().map(Round::expected).collect();
    // Who was meant to be what, by time alone, as prior for the surfaces.
    let mut priors = vec![None; heard.onsets.len()];
    let mut answered = vec![false; heard.onsets.len()];
    let mut levels = Vec::new();
    for ((round, slot), expected) in rounds.iter().zip(&slots).zip(&expected) {
        let breath = round.answer_at - round.call_end;
        let after: Vec<usize> = (0..slot.ids.len()).filter(|k| slot.strikes[*k].at.get() > -breath.get()).collect();
        let at: Vec<At> = after
            .iter()
            .map(|k| At { seconds: slot.strikes[*k].at.get(), certainty: slot.strikes[*k].certainty })
            .collect();
        after.iter().for_each(|k| answered[slot.ids[*k]] = true);
        let times: Vec<f64> = expected.iter().map(|e| e.0.get()).collect();
        let found = fit(&times, &at, round.beat(&plan.drill).get());
        for (i, pair) in found.pairs.iter().enumerate() {
            if let Some(k) = pair.map(|j| after[j]) {
                priors[slot.ids[k]] = Some(expected[i].1);
                if !round.hush && slot.strikes[k].certainty > 0.9 {
                    levels.push(slot.strikes[k].level.0);
                }
            }
        }
    }
    let chosen: Vec<usize> = (0..priors.len()).filter(|k| answered[*k]).collect();
    let features: Vec<_> = chosen.iter().map(|k| take.features[*k]).collect();
    let given: Vec<Prior> = chosen.iter().map(|k| Prior { written: priors[*k], pass: None }).collect();
    let reading = surface::tell(&features, Some(&given), known);
    let mut surfaces = vec![(flat, 0.0); heard.onsets.len()];
    for (k, told) in chosen.iter().zip(&reading.heard) {
        surfaces[*k] = (told.p, told.other);
    }
    let mut limits = Vec::new();
    let told_apart = !reading.doubts.iter().any(|d| match d {
        Doubt::Exchanged { p, .. } => *p >= EXCHANGED,
        Doubt::NotToldApart { .. } => true,
        Doubt::OneSurface { .. } => false,
    });
    if !told_apart {
        limits.push("the surfaces sound too alike here to be told apart: only rhythm and count are judged".to_string());
    }
    for slot in &mut slots {
        for (strike, id) in slot.strikes.iter_mut().zip(&slot.ids) {
            // What sounds like none of the pupil's surfaces is hardly one of the pupil's strikes.
            strike.surface = surfaces[*id].0;
            strike.certainty *= 1.0 - surfaces[*id].1;
        }
    }
    let asked: usize = rounds.iter().filter(|r| !r.hush).map(|r| r.call.strokes.len()).sum();
    if levels.is_empty() || (levels.len() as f64) < SOMEBODY * asked as f64 {
        let taken_out = take.guide.as_ref().and_then(|g| median(g.sounds.iter().map(|s| s.leak.0).collect()));
        // Where too few calls have sounded to be taken out they are still there.
        let mut there = Vec::new();
        for ((round, slot), expected) in rounds.iter().zip(&slots).zip(&expected) {
            let from_call = round.answer_at - round.call_at;
            let leader = |s: &&Struck| on_leader(s.at + from_call, expected, LEADER);
            there.extend(slot.strikes.iter().filter(leader).map(|s| s.level.0));
        }
        let leader = taken_out.into_iter().chain(median(there)).fold(f64::NEG_INFINITY, f64::max);
        let floor = leader - BELOW_LEADER_DB;
        for strike in slots.iter_mut().flat_map(|s| &mut s.strikes).filter(|s| s.level.0 < floor) {
            strike.certainty = strike.certainty.min(DOUBTED);
        }
    }
    let level = median(levels.clone());
    let mut deaf = 0;
    for (round, slot) in rounds.iter().zip(&mut slots) {
        let (from, to) = (clock(round.answer_at), clock(round.answer_end));
        slot.hidden = level.map(|l| hidden(heard, from, to, l)).unwrap_or_default();
        let length: f64 =
            slot.hidden.iter().map(|h| (h.1.get().min((to - from).get()) - h.0.get().max(0.0)).max(0.0)).sum();
        let masked = length > MOST_HIDDEN * (to - from).get();
        deaf += usize::from(masked || !slot.audible);
        slot.audible &= !masked;
    }
    if deaf > 0 {
        limits.push(format!("in {deaf} rounds noise may hide the answer: the pupil gets the benefit"));
    }
    if rounds.len() < plan.rounds.len() {
        limits.push(format!("the recording ends after {} of {} rounds", rounds.len(), plan.rounds.len()));
    }
    let strays = (rounds.iter().zip(&slots).zip(&expected))
        .filter(|((round, slot), expected)| has_strays(round, round.beat(&plan.drill), slot, expected, level))
        .count();
    let busy = strays >= BUSY.0 && strays as f64 > BUSY.1 * rounds.len() as f64;
    if busy {
        limits.push("other things sound in the room: no stroke is counted as one too many".to_string());
    }
    let verdicts = |habits: &Habits| -> Vec<Verdict> {
        let each = rounds.iter().zip(&slots).zip(&expected);
        each.map(|((round, slot), expected)| {
            let window = Window {
                expected,
                hush: round.hush,
                beat: round.beat(&plan.drill),
                from_call: round.answer_at - round.call_at,
                breath: round.answer_at - round.call_end,
                audible: slot.audible,
                hidden: &slot.hidden,
                maybe: &slot.maybe,
                busy,
                strikes: &slot.strikes,
            };
            score(&window, habits)
        })
        .collect()
    };
    let first = Habits { spread: SPREAD, level: level.map(Decibels), surfaces: told_apart };
    let habits = habits(&verdicts(&first), levels, told_apart);
    let answers: Vec<Answered> = (verdicts(&habits).into_iter().zip(rounds).zip(&slots))
        .map(|((verdict, round), slot)| {
            let instead = if verdict.kind == VerdictKind::Different { instead(plan, round, slot) } else { None };
            Answered { round: round.clone(), verdict, instead }
        })
        .collect();
    let tally = tally(plan, &answers);
    Results { answers, tally, habits, limits }
}

/// Which call of the bank an answer was, if it was another.
fn instead(plan: &Plan, round: &Round, slot: &Slot) -> Option<String> {
    let beat = round.beat(&plan.drill);
    let after: Vec<Struck> =
        slot.strikes.iter().filter(|s| s.at > round.call_end - round.answer_at && s.certainty > 0.5).copied().collect();
    let bpm = round.call.bpm;
    let explained = |call: &super::Call| {
        let expected: Vec<_> = call.strokes.iter().map(|s| (s.at.to_seconds(bpm), s.surface)).collect();
        explains(&expected, &after, beat)
    };
    let own = explained(&round.call);
    (plan.drill.calls.iter().filter(|c| c.name != round.call.name))
        .map(|c| (explained(c), &c.name))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|best| best.0 > own + BETTER)
        .map(|best| best.1.clone())
}
