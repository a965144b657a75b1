//! The sound of a whole drill -> every verdict and the tally.
//!
//! Scored twice: first by what beginners do, then by this pupil's own spread and level. Surfaces are told apart over all
//! answers at once, with the calls as prior.

use super::likeness::Likeness;
use super::room::Room;
use super::score::explains;
use super::slots::{self, Meant, SOMEBODY, Slot};
use super::{Difference, Habits, Plan, Round, Struck, Verdict, VerdictKind, score};
use crate::chain::Take;
use crate::stats::{MAD_TO_SD, median};
use crate::surface::Calibration;
use crate::units::Seconds;

/// A beginner's spread before anything is known of this one: planning value for ages 9 to 12 (30 to 50 ms).
const SPREAD: Seconds = Seconds::from_millis(35.0);
/// It weighs as much as so many strokes.
const SPREAD_WEIGHS: f64 = 12.0;
/// A pupil's spread is not taken for more than this: beyond it nothing would be late any more.
const MOST_SPREAD: Seconds = Seconds::from_millis(60.0);
/// A round belongs to the recording if its answer ends at most this long after it: the last strokes come well before.
const AFTER_END: Seconds = Seconds::from_millis(100.0);
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

impl Results {
    /// Says which rounds are judged otherwise than was said at once, where any are.
    pub fn beside(&mut self, said: &[Answered]) {
        let other = |(k, (now, then)): (usize, (&Answered, &Answered))| {
            (now.verdict.kind != then.verdict.kind).then(|| (k + 1).to_string())
        };
        let changed: Vec<String> = self.answers.iter().zip(said).enumerate().filter_map(other).collect();
        if !changed.is_empty() {
            self.limits.push(format!(
                "heard again as a whole, now that your own timing is known, round {} is judged differently",
                changed.join(", ")
            ));
        }
    }
}

fn counts(kind: VerdictKind, plan: &Plan) -> (i32, bool) {
    let c = &plan.drill.counting;
    match kind {
        VerdictKind::Right => (c.right, true),
        VerdictKind::Nearly => (c.nearly, false),
        VerdictKind::HushKept => (c.hush, true),
        VerdictKind::HushAnswered => (c.fell, false),
        VerdictKind::Different | VerdictKind::Silent | VerdictKind::Early | VerdictKind::NotHeard => (0, false),
    }
}

/// Whether it was not even nearly right.
fn is_missed(kind: VerdictKind, plan: &Plan) -> bool {
    !counts(kind, plan).1 && !matches!(kind, VerdictKind::Nearly | VerdictKind::NotHeard)
}

/// Counts as the teacher set it, up to the end the teacher set.
fn tally(plan: &Plan, answers: &[Answered]) -> Tally {
    let mut out = Tally::default();
    let mut missed = 0;
    for (k, answer) in answers.iter().enumerate() {
        let (points, right) = counts(answer.verdict.kind, plan);
        out.points += points;
        out.rounds += usize::from(answer.verdict.kind != VerdictKind::NotHeard);
        out.right += usize::from(right);
        missed += u32::from(is_missed(answer.verdict.kind, plan));
        if plan.drill.until_misses.is_some_and(|n| missed >= n) {
            out.after_end = answers.len() - k - 1;
            break;
        }
    }
    out
}

/// A pupil's own spread from the answers so far.
fn spread(verdicts: &[Verdict]) -> Seconds {
    let off = verdicts.iter().flat_map(|v| v.lateness.iter().map(|l| l.0.millis().abs() / 1e3));
    let off: Vec<f64> = off.collect();
    let n = off.len() as f64;
    let own = median(off).unwrap_or(0.0) * MAD_TO_SD;
    let spread = ((SPREAD_WEIGHS * SPREAD.get().powi(2) + n * own * own) / (SPREAD_WEIGHS + n)).sqrt();
    Seconds::of(spread.min(MOST_SPREAD.get()))
}

/// Whether the drill is over after these answers, by the end the teacher set.
pub(super) fn is_over(plan: &Plan, answers: &[Answered]) -> bool {
    let missed = |a: &&Answered| is_missed(a.verdict.kind, plan);
    plan.drill.until_misses.is_some_and(|n| answers.iter().filter(missed).count() >= n as usize)
}

/// Judges a drill, as far as the take goes. `clock`: where a moment of the plan stands in the take. `known`: strikes of known
/// surface.
pub fn judge(plan: &Plan, take: &Take, clock: impl Fn(Seconds) -> Seconds, known: Option<&Calibration>) -> Results {
    let heard = &take.heard;
    let inside = |r: &&Round| clock(r.answer_end).get() <= heard.duration.get() + AFTER_END.get();
    let rounds = &plan.rounds[..plan.rounds.iter().take_while(inside).count()];
    let mut slots = slots::slots(rounds, plan, take, &clock);
    let meant = slots::meant(&slots, take);
    slots::doubt_others(&mut slots, take, &meant, known);
    slots::doubt_the_leader(&mut slots, take, meant.sure.len());
    let level = meant.middle();
    let deaf = slots::mark_hidden(&mut slots, heard, &clock, level);
    let room = whose(&mut slots, take, &meant);
    let (surfaces, known) = slots::tell_surfaces(&mut slots, take, &meant, known);
    let verdicts = |habits: &Habits| -> Vec<Verdict> { slots.iter().map(|s| score(&s.window(), habits)).collect() };
    let first = Habits { spread: SPREAD, level, softest: meant.softest(), surfaces, known };
    let habits = Habits { spread: spread(&verdicts(&first)), ..first };
    let mut last = verdicts(&habits);
    leave_out_chance(&mut last);
    let lost = slots.iter().filter(|s| s.lost).count();
    for (verdict, _) in last.iter_mut().zip(&slots).filter(|(_, slot)| slot.lost) {
        leave_open(verdict);
    }
    let answers: Vec<Answered> = (last.into_iter().zip(&slots))
        .map(|(verdict, slot)| {
            let instead = if verdict.kind == VerdictKind::Different { instead(plan, slot) } else { None };
            Answered { round: slot.round.clone(), verdict, instead }
        })
        .collect();
    let tally = tally(plan, &answers);
    let limits =
        limits(surfaces, (deaf, lost), (rounds.len(), plan.rounds.len()), level.is_some_and(|l| room.is_loud(l)));
    Results { answers, tally, habits, limits }
}

/// Tells for each strike how often the room makes such a sound, and whether it sounds like the pupil's.
fn whose(slots: &mut [Slot], take: &Take, meant: &Meant) -> Room {
    let mut room = Room::of(slots);
    let sound = |(r, k): (usize, usize)| slots[r].sound(r, k, take);
    let likeness = Likeness::of(meant.sure.iter().map(|s| sound(s.1)).collect(), room.places().map(sound).collect());
    let told: Vec<Vec<_>> = (slots.iter().enumerate())
        .map(|(r, slot)| (0..slot.strikes.len()).map(|k| likeness.tell(&sound((r, k)))).collect())
        .collect();
    room.compare(|(r, k)| told[r][k].map(|(likeness, _)| likeness));
    for (strike, told) in slots.iter_mut().zip(told).flat_map(|(slot, told)| slot.strikes.iter_mut().zip(told)) {
        strike.by_room = room.makes(strike.level, told.map(|(likeness, _)| likeness));
        strike.own = told.is_some_and(|(_, own)| own);
        strike.like_room = told.is_some_and(|(likeness, _)| likeness < 0.0);
    }
    room
}

/// Where hardly a call was answered, what only a rhythm among the room's sounds speaks for is chance.
fn leave_out_chance(verdicts: &mut [Verdict]) {
    let is_echo = |v: &&Verdict| !matches!(v.kind, VerdictKind::HushKept | VerdictKind::HushAnswered);
    let calls = verdicts.iter().filter(is_echo).count();
    let answered = verdicts.iter().filter(is_echo).filter(|v| v.kind != VerdictKind::Silent).count();
    if answered as f64 >= SOMEBODY * calls as f64 {
        return;
    }
    for verdict in verdicts.iter_mut().filter(|v| v.by_rhythm) {
        verdict.kind = VerdictKind::Silent;
        verdict.unsure_sounds = true;
        verdict.confidence = verdict.confidence.min(0.6);
        verdict.differences.clear();
        verdict.benefit.clear();
        verdict.heard.fill(None);
    }
}

/// What rests on strokes that were not heard is not said where sound is lost.
fn leave_open(verdict: &mut Verdict) {
    verdict.differences.retain(|d| !matches!(d, Difference::Missing(_)));
    match verdict.kind {
        VerdictKind::Silent | VerdictKind::HushKept | VerdictKind::Different => {
            verdict.kind = VerdictKind::NotHeard;
            verdict.differences.clear();
            verdict.benefit.clear();
        }
        VerdictKind::Nearly if verdict.differences.is_empty() => verdict.kind = VerdictKind::Right,
        VerdictKind::Right
        | VerdictKind::Nearly
        | VerdictKind::HushAnswered
        | VerdictKind::Early
        | VerdictKind::NotHeard => {}
    }
}

/// What this sound cannot tell, in words. `deaf`: rounds in which noise may hide the answer, and in which sound is lost;
/// `rounds`: heard and planned.
fn limits(surfaces: bool, (deaf, lost): (usize, usize), rounds: (usize, usize), others: bool) -> Vec<String> {
    let mut out = Vec::new();
    if !surfaces {
        out.push("the surfaces sound too alike here to be told apart: only rhythm and count are judged".to_string());
    }
    if lost > 0 {
        let where_lost = if lost == 1 { "one round".into() } else { format!("{lost} rounds") };
        out.push(format!("in {where_lost} the recording has lost sound: what was not heard there is not judged"));
    }
    if deaf > 0 {
        out.push(format!("in {deaf} rounds noise may hide the answer: the pupil gets the benefit"));
    }
    if rounds.0 < rounds.1 {
        out.push(format!("the recording ends after {} of {} rounds", rounds.0, rounds.1));
    }
    if others {
        out.push(
            "other things sound in the room as loud as the strokes: none of them is held against the pupil".to_string(),
        );
    }
    out
}

/// Which call of the bank an answer was, if it was another.
fn instead(plan: &Plan, slot: &Slot) -> Option<String> {
    let (round, beat) = (slot.round, slot.beat);
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
