//! The sound so far x plan -> the verdict on the round that has just been answered ([`Live`]); the soft signals that tell it
//! without a screen, and the cells that show a call without sound.
//!
//! Pure: what plays, records and waits is `cli`'s or the page's. It goes by the microphone's sound: an answer is over when the
//! microphone has given so much, and nothing waits for a strike. What is judged here is judged once more, over the whole
//! recording, when the drill is over: then the pupil's own spread and level are known better.

use std::f64::consts::{PI, TAU};

use super::{Answered, Plan, Results, Round, VerdictKind, is_over, judge};
use crate::chain::{self, Take};
use crate::leak::{self, Lock, Low, Reference};
use crate::part::Hands;
use crate::units::{Decibels, EAR_RATE, SampleRate, Samples, Seconds};

/// A verdict is given on so much of the sound before it: three rounds or more, so that level, surfaces and the leader's
/// sounds are known, and little enough to be heard through at once.
const LOOKED_BACK: Seconds = Seconds::from_millis(30_000.0);
/// An answer is heard on for this long after its last bar, for a last stroke that comes late.
const GRACE: Seconds = Seconds::from_millis(60.0);
/// The calls are looked for in the sound this long after a call's last bar: the breath's first beat is in it, and there is
/// time before the answer ends.
const LOOKED_FOR: Seconds = Seconds::from_millis(200.0);
/// The devices' clocks and what is heard of the calls may put the drill so far apart, earlier and later: wireless
/// loudspeakers delay by a third of a second.
const APART: (Seconds, Seconds) = (Seconds::from_millis(-150.0), Seconds::from_millis(1000.0));
/// Where the calls cannot be heard in the recording, nothing counts until this long after a call's last bar: what is
/// heard before may be the loudspeaker.
const RING: Seconds = Seconds::from_millis(150.0);

/// Where the drill stands in a recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Place {
    /// The calls were heard in it.
    Heard(Lock),
    /// They were not; the devices' clocks say where the plan begins.
    Told(Seconds),
}

impl Place {
    /// Where a moment of the plan stands.
    pub fn at(&self, moment: Seconds) -> Seconds {
        match self {
            Place::Heard(lock) => lock.at(moment),
            Place::Told(start) => *start + moment,
        }
    }

    /// The same in a recording that begins later.
    fn from(&self, later: Seconds) -> Place {
        match *self {
            Place::Heard(lock) => Place::Heard(Lock { start: lock.start - later, ..lock }),
            Place::Told(start) => Place::Told(start - later),
        }
    }
}

/// A drill while it is played: takes the sound so far, says what became of each answer once it is over.
#[derive(Clone, Debug, PartialEq)]
pub struct Live {
    plan: Plan,
    /// Where the calls were heard last.
    place: Option<Place>,
    /// Rounds whose call has been looked for.
    looked: usize,
    answers: Vec<Answered>,
}

/// What is said of an answer at once.
#[derive(Clone, Debug, PartialEq)]
pub struct Said {
    /// The round and its verdict.
    pub answered: Answered,
    /// Where the answer's last bar ended in the recording.
    pub ended: Seconds,
    /// Whether the call was recognised in the microphone.
    pub call_heard: bool,
}

impl Live {
    /// A drill that begins.
    pub fn new(plan: Plan) -> Live {
        Live { plan, place: None, looked: 0, answers: Vec::new() }
    }

    /// What is played.
    pub fn plan(&self) -> &Plan {
        &self.plan
    }

    /// The answers so far.
    pub fn answers(&self) -> &[Answered] {
        &self.answers
    }

    /// Whether all rounds are answered, or the end that the teacher set is reached.
    pub fn is_over(&self) -> bool {
        self.answers.len() == self.plan.rounds.len() || is_over(&self.plan, &self.answers)
    }

    /// Looks for the call, and once the answer is over says what became of it. `sound`: the recording so far, at the ear's
    /// rate; `told`: where the plan begins in it by the devices' clocks. Each call of this does one thing at most: it is to be
    /// called again and again.
    pub fn listen(&mut self, sound: &[f32], told: Seconds) -> Option<Said> {
        let k = self.answers.len();
        let round = self.plan.rounds.get(k).filter(|_| !self.is_over())?;
        let now = Samples(sound.len() as u64).to_seconds(EAR_RATE);
        let first = sound.len().saturating_sub((LOOKED_BACK.get() * f64::from(EAR_RATE.get())) as usize);
        let (lately, from) = (&sound[first..], Samples(first as u64).to_seconds(EAR_RATE));
        let known = self.place.unwrap_or(Place::Told(told));
        if self.looked == k && now >= known.at(round.call_end) + LOOKED_FOR {
            self.looked += 1;
            self.place = place(&self.plan, lately, from, told).or(self.place);
            return None;
        }
        let ended = known.at(round.answer_end);
        if now < ended + GRACE {
            return None;
        }
        let answered = verdict_now(&self.plan, k, lately, from, &known)?;
        self.answers.push(answered.clone());
        Some(Said { answered, ended, call_heard: matches!(known, Place::Heard(_)) })
    }
}

/// Looks for the calls in some sound that begins `from` into the recording, near where the devices say they are.
fn place(plan: &Plan, samples: &[f32], from: Seconds, told: Seconds) -> Option<Place> {
    let lock = leak::find(&Reference::of(&plan.guide), &Low::of(samples)).0?;
    let lock = Lock { start: lock.start + from, ..lock };
    let away = lock.start - told;
    (APART.0..=APART.1).contains(&away).then_some(Place::Heard(lock))
}

/// Leaves out what may be the loudspeaker where the calls were not heard: all that is not in the answers' time.
pub fn only_answers(plan: &Plan, mut take: Take, place: &Place) -> Take {
    let inside = |at: Seconds| plan.rounds.iter().any(|r| (place.at(r.call_end) + RING..place.at(r.end)).contains(&at));
    let outside: Vec<bool> = take.heard.onsets.iter().map(|o| !inside(o.at)).collect();
    take.leave_out(&outside);
    take
}

fn hear(plan: &Plan, samples: &[f32], place: &Place) -> Take {
    match place {
        Place::Heard(lock) => chain::hear_without(samples, &plan.guide, lock),
        Place::Told(_) => only_answers(plan, chain::hear_samples(samples), place),
    }
}

/// The verdict on round `k`, from sound at the ear's rate that begins `from` into the recording and ends just after the
/// answer. `None` if there is no such round or its answer is not in the sound.
fn verdict_now(plan: &Plan, k: usize, samples: &[f32], from: Seconds, place: &Place) -> Option<Answered> {
    if place.at(plan.rounds.get(k)?.answer_end) <= from {
        return None;
    }
    // A round that is longer than the sound is judged all the same.
    let first = plan.rounds.iter().position(|r| place.at(r.call_at) >= from).map_or(k, |first| first.min(k));
    let place = place.from(from);
    let mut rounds: Vec<Round> = plan.rounds.get(first..=k)?.to_vec();
    let last = rounds.last_mut()?;
    // All there is of the answer is there: what follows is the signal.
    let length = Seconds::of(samples.len() as f64 / f64::from(EAR_RATE.get()));
    last.end = last.answer_end + (length - place.at(last.answer_end));
    let part = Plan { rounds, ..plan.clone() };
    let take = hear(plan, samples, &place);
    let clock = take.guide.as_ref().map(|g| g.clock.clone());
    judged(&part, &take, |at| clock.as_ref().map_or_else(|| place.at(at), |c| c.at(at)))
}

fn judged(plan: &Plan, take: &Take, clock: impl Fn(Seconds) -> Seconds) -> Option<Answered> {
    let Results { mut answers, .. } = judge(plan, take, clock, None);
    answers.pop()
}

/// The tones of a signal, in hertz: up for what was right, the same twice for nearly, down for what was not.
fn tones(kind: VerdictKind) -> [f64; 2] {
    match kind {
        VerdictKind::Right | VerdictKind::HushKept => [392.0, 587.3],
        VerdictKind::Nearly | VerdictKind::NotHeard => [440.0, 440.0],
        VerdictKind::Different | VerdictKind::Silent | VerdictKind::HushAnswered | VerdictKind::Early => [392.0, 261.6],
    }
}

/// Length of a tone, and the time from one to the next.
const TONE: Seconds = Seconds::from_millis(190.0);
const STEP: Seconds = Seconds::from_millis(170.0);
/// A signal beside the calls: a third as high.
const SOFT: f64 = 0.33;

/// The signal of a verdict: two soft tones that swell and sink, with no attack for the ear to take for a strike. `peak`:
/// the calls' largest sample.
pub fn signal(kind: VerdictKind, peak: Decibels, rate: SampleRate) -> Vec<f32> {
    let hertz = f64::from(rate.get());
    let high = SOFT * 10f64.powf(peak.0 / 20.0);
    let [tone, step] = [TONE, STEP].map(|s| (s.get() * hertz).round() as usize);
    let mut out = vec![0.0f32; step + tone];
    for (k, pitch) in tones(kind).into_iter().enumerate() {
        for (n, v) in out[k * step..].iter_mut().take(tone).enumerate() {
            let swell = (PI * n as f64 / tone as f64).sin().powi(2);
            *v += (high * swell * (TAU * pitch * n as f64 / hertz).sin()) as f32;
        }
    }
    out
}

/// A call as cells, beat by beat, up to what has sounded: `.` where nothing is struck, `_` for what is still to come.
pub fn cells(round: &Round, plan: &Plan, heard: Seconds) -> String {
    let call = &round.call;
    let beat = plan.drill.meter.beat().0.max(1);
    let step = call.strokes.iter().fold(beat, |step, s| gcd(step, s.at.0.abs())).max(1);
    let mut out = String::new();
    let mut at = 0;
    while at < call.length.0 {
        if at > 0 && at % beat == 0 {
            out.push(' ');
        }
        let due = crate::units::Ticks(at).to_seconds(call.bpm);
        let stroke = call.strokes.iter().find(|s| s.at.0 == at);
        out.push(match stroke {
            _ if due > heard => '_',
            None => '.',
            Some(s) => {
                let cell = s.surface.cell();
                if s.hands == Hands::Both { cell.to_ascii_uppercase() } else { cell }
            }
        });
        at += step;
    }
    out
}

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drill::{parse, plan, seed_of};
    use crate::guide::{GuideConfig, PLAIN_ATTACK, strike};
    use crate::part::Surface;

    fn demo() -> Plan {
        let drill = parse(include_str!("../../reference_takes/lantern-echoes.toml")).unwrap();
        plan(&drill, seed_of("Wren"), &GuideConfig::default(), EAR_RATE)
    }

    /// A quiet room in which the guide is heard from second 1 on, and strikes where `struck` says.
    fn room(plan: &Plan, leader: f32, struck: &[(f64, Surface)], lasts: f64) -> Vec<f32> {
        let rate = f64::from(EAR_RATE.get());
        let mut out = crate::rng::Rng(7).noise((lasts * rate) as usize, 5e-5);
        let mut add = |at: f64, sound: &[f32], gain: f32| {
            let from = ((at * rate) as usize).min(out.len());
            for (v, s) in out[from..].iter_mut().zip(sound) {
                *v += gain * s;
            }
        };
        add(1.0, &plan.guide.samples(), leader);
        for (at, surface) in struck {
            add(1.0 + at, &strike(*surface, PLAIN_ATTACK, EAR_RATE), 0.3);
        }
        out
    }

    fn now(leader: f32, answered: bool) -> (bool, Vec<VerdictKind>) {
        let plan = demo();
        let struck: Vec<(f64, Surface)> = (plan.rounds.iter().filter(|r| answered && !r.hush))
            .flat_map(|r| r.expected().into_iter().map(|(at, surface)| ((r.answer_at + at).get(), surface)))
            .collect();
        let told = Seconds::of(1.0);
        let mut kinds = Vec::new();
        let mut found = true;
        for k in 0..4 {
            let until = 1.05 + plan.rounds[k].answer_end.get();
            let samples = room(&plan, leader, &struck, until);
            let place = place(&plan, &samples, Seconds::ZERO, told);
            found &= place.is_some();
            let place = place.unwrap_or(Place::Told(told));
            kinds.push(verdict_now(&plan, k, &samples, Seconds::ZERO, &place).unwrap().verdict.kind);
        }
        (found, kinds)
    }

    #[test]
    fn where_the_recording_has_lost_sound_nothing_is_judged_and_the_rest_is() {
        let plan = demo();
        let struck: Vec<(f64, Surface)> = (plan.rounds.iter().filter(|r| !r.hush))
            .flat_map(|r| r.expected().into_iter().map(|(at, surface)| ((r.answer_at + at).get(), surface)))
            .collect();
        let judged = |lost: &[usize]| {
            let mut samples = room(&plan, 0.05, &struck, 3.0 + plan.rounds[plan.rounds.len() - 1].end.get());
            for k in lost {
                let sample = |at: Seconds| ((1.0 + at.get()) * f64::from(EAR_RATE.get())) as usize;
                samples[sample(plan.rounds[*k].answer_at) - 4000..sample(plan.rounds[*k].answer_end)].fill(0.0);
            }
            let mut sound = chain::Samples { samples: &samples, rate: EAR_RATE };
            let (take, _) = chain::hear(&mut sound, std::slice::from_ref(&plan.guide), &mut chain::quietly).unwrap();
            crate::drill::judge_recording(&plan, take, None).unwrap()
        };
        let first = |hush: bool| plan.rounds.iter().position(|r| r.hush == hush).unwrap();
        let lost = [first(false), first(true)];
        let (whole, holed) = (judged(&[]), judged(&lost));
        for (k, (a, b)) in whole.answers.iter().zip(&holed.answers).enumerate() {
            let expected = if lost.contains(&k) { VerdictKind::NotHeard } else { a.verdict.kind };
            assert_eq!(b.verdict.kind, expected, "{k}: {:?}", a.verdict.kind);
        }
        let (whole, holed) = (whole.tally, (holed.tally, holed.limits));
        assert_eq!((holed.0.rounds + 2, holed.0.right + 2), (whole.rounds, whole.right));
        assert!(holed.1.iter().any(|said| said.contains("in 2 rounds the recording has lost sound")), "{:?}", holed.1);
    }

    fn meant(answered: bool) -> Vec<VerdictKind> {
        let each = |r: &Round| match (r.hush, answered) {
            (true, _) => VerdictKind::HushKept,
            (false, true) => VerdictKind::Right,
            (false, false) => VerdictKind::Silent,
        };
        demo().rounds.iter().take(4).map(each).collect()
    }

    #[test]
    fn each_answer_has_its_verdict_at_once_whether_the_leader_is_heard_or_not() {
        assert_eq!(now(1.0, true), (true, meant(true)));
        assert_eq!(now(0.0, true), (false, meant(true)));
    }

    #[test]
    fn where_nothing_is_heard_there_is_a_verdict_all_the_same() {
        assert_eq!(now(1.0, false), (true, meant(false)));
        assert_eq!(now(0.0, false), (false, meant(false)));
    }

    #[test]
    fn sound_that_is_too_short_or_a_round_that_is_not_there_has_no_verdict() {
        let plan = demo();
        let place = Place::Told(Seconds::ZERO);
        assert_eq!(verdict_now(&plan, 99, &[0.0; 1000], Seconds::ZERO, &place), None);
        assert_eq!(verdict_now(&plan, 0, &[], Seconds::of(60.0), &place), None);
        let until = plan.rounds[0].answer_end.get();
        let late = vec![0.0; 44_100];
        let verdict = verdict_now(&plan, 0, &late, Seconds::of(until - 1.0), &place);
        assert!(verdict.is_some_and(|v| v.verdict.differences.is_empty()));
    }

    #[test]
    fn no_signal_is_taken_for_a_strike() {
        for kind in [VerdictKind::Right, VerdictKind::Nearly, VerdictKind::Silent] {
            let mut sound = room(&demo(), 0.0, &[(2.0, Surface::Centre), (7.0, Surface::Rim)], 9.0);
            for (k, v) in signal(kind, Decibels(-10.0), EAR_RATE).into_iter().enumerate() {
                sound[4 * 44_100 + k] += v;
            }
            let take = chain::hear_samples(&sound);
            assert_eq!(take.heard.onsets.len(), 2, "{kind:?}: {:?}", take.heard.onsets);
        }
    }

    #[test]
    fn a_call_is_shown_as_it_sounds() {
        let plan = demo();
        let owl = plan.rounds.iter().find(|r| r.hush && !r.elsewhere).unwrap();
        let whole = Seconds::of(99.0);
        assert_eq!(cells(owl, &plan, whole), "oo .x o. ..");
        assert_eq!(cells(owl, &plan, Seconds::ZERO), "o_ __ __ __");
    }
}
