//! What is heard of a leader who plays the calls, as in the video of a lesson -> the [`Plan`] as it was led: which call came
//! when, and how fast.
//!
//! The strikes are parted where nothing is played for longer than any call rests; each part is held against every call of
//! the bank (`fit`). What is none of them, or might be two, is passed over and counted: nothing is guessed.

use super::fit::{At, fit};
use super::score::LEADER;
use super::{Call, Drill, Plan, Round};
use crate::chain::Take;
use crate::guide::{Guide, GuideConfig};
use crate::leak::Lock;
use crate::onset::Onset;
use crate::stats::median;
use crate::units::{Bpm, EAR_RATE, Samples, Seconds};

/// A leader plays a call so much faster or slower than written, at most (as far as `fit` looks).
const TEMPO: f64 = 1.3;
/// A call is told by the strikes if another explains them worse by this much, in nats: 50 to 1.
const CLEARER: f64 = 4.0;
/// And by so few strikes missed or too many: one, a word spoken or a stroke not heard. What is so much softer than the
/// softest of its strokes is the room's.
const MOST_WRONG: usize = 1;
const SOFTER_DB: f64 = 6.0;
/// The leader's strokes lie no more than this below the loud ones of them: dynamics, and a rim that sounds softer than the
/// middle. Softer things are the room's. Rule of thumb.
const RANGE_DB: f64 = 25.0;
const LOUD: f64 = 0.9;
/// What each strike before a call costs, in nats: less than one too many within (3.5 in `fit`), since taps are counted in, but
/// two of them still speak clearly for a longer call of which this is the end; and what each wrong one costs besides, since
/// whoever leads plays what is written. Common sense.
const BEFORE: f64 = 2.1;
const WRONG: f64 = 3.0;
/// A leader keeps a tempo to this, as a logarithm; what fits at another fits by chance.
const STEADY: f64 = 0.12;
/// A call is looked for among the last strikes of a part, so many for each of its strokes: more sounds of the room than two to a
/// stroke would hide it, and a long noise is looked through no further.
const MOST_AMONG: usize = 3;
/// Sound before and behind a call by which it is found elsewhere.
const AROUND: Seconds = Seconds::from_millis(150.0);
/// So many calls, spread over all of them, are enough to find it by.
const MOST_PIECES: usize = 24;

/// What is heard of a leader, beside the plan.
#[derive(Clone, Debug, PartialEq)]
pub struct Led {
    /// The parts of the leader's sound by which it is found elsewhere.
    pub pieces: Vec<(Seconds, Seconds)>,
    /// Parts of the sound that are none of the calls, or might be two.
    pub passed_over: usize,
    /// The leader's strikes.
    strikes: Vec<Seconds>,
}

/// Why a leader cannot be followed.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum LedError {
    /// Two calls of one rhythm.
    #[error("the calls `{0}` and `{1}` have the same rhythm and cannot be told apart by listening")]
    Alike(String, String),
    /// A rest in a call is as long as the time to answer.
    #[error("`{0}` rests inside for as long as there is to answer: where a call ends cannot be heard")]
    Rests(String),
    /// Nothing was recognised.
    #[error("none of its calls was recognised among the {0} strikes that were heard")]
    None(usize),
}

impl LedError {
    /// The way out.
    pub const fn hint(&self) -> &'static str {
        match self {
            LedError::Alike(..) => {
                "leave one of the two out of the drill file, or make a guide of it with `pailbeat drill make`"
            }
            LedError::Rests(_) => "give the drill a longer `breath`, or make a guide of it with `pailbeat drill make`",
            LedError::None(_) => {
                "is this the sound in which the calls are played, and the drill file its calls and tempo are written in?"
            }
        }
    }
}

/// The longest rest between two strokes of a call, in seconds at its tempo.
fn rests(call: &Call) -> f64 {
    let at = |k: usize| call.strokes[k].at.to_seconds(call.bpm).get();
    (1..call.strokes.len()).map(|k| at(k) - at(k - 1)).fold(0.0, f64::max)
}

/// Nobody plays for so long that a call must be over, in seconds.
fn silence(drill: &Drill) -> Result<f64, LedError> {
    let beat = |call: &Call| drill.meter.beat().to_seconds(call.bpm).get();
    let answer = |call: &Call| call.length.to_seconds(call.bpm).get() + f64::from(drill.breath) * beat(call);
    let least = drill.calls.iter().map(answer).fold(f64::INFINITY, f64::min) / TEMPO;
    let slowest = |call: &Call| rests(call) * TEMPO;
    match drill.calls.iter().find(|call| slowest(call) >= least) {
        Some(call) => Err(LedError::Rests(call.name.clone())),
        None => Ok((drill.calls.iter().map(slowest).fold(0.1, f64::max) * least).sqrt()),
    }
}

/// A call found among some strikes.
struct Found<'a> {
    call: &'a Call,
    /// Of all these strikes, in nats.
    cost: f64,
    start: f64,
    /// How long it is beside what is written.
    ratio: f64,
    /// Strokes that were not heard, and strikes among them that are none.
    wrong: usize,
}

/// A call held against some strikes, the first of which is its first stroke.
fn held_against<'a>(call: &'a Call, strikes: &[&Onset], drill: &Drill) -> Option<Found<'a>> {
    let expected: Vec<f64> = call.strokes.iter().map(|s| s.at.to_seconds(call.bpm).get()).collect();
    let zero = strikes.first()?.at.get() - expected.first()?;
    let lasts = TEMPO * call.length.to_seconds(call.bpm).get();
    let near = strikes.partition_point(|s| s.at.get() < zero + lasts);
    let at = |s: &&Onset| At { seconds: s.at.get() - zero, certainty: s.certainty, by_room: 0.0 };
    let heard: Vec<At> = strikes[..near].iter().map(at).collect();
    let found = fit(&expected, &heard, drill.meter.beat().to_seconds(call.bpm).get());
    let paired: Vec<usize> = found.pairs.iter().flatten().copied().collect();
    let softest = paired.iter().map(|k| strikes[*k].level.0).fold(f64::INFINITY, f64::min);
    // Whoever has called waits for the answer: nothing follows.
    let besides =
        (0..strikes.len()).filter(|k| !paired.contains(k) && strikes[*k].level.0 > softest - SOFTER_DB).count();
    let wrong = expected.len() - paired.len() + besides;
    let cost = found.cost + WRONG * wrong as f64;
    Some(Found { call, cost, start: zero + found.start, ratio: found.ratio, wrong })
}

/// The same where something else was played before it: a count-in, say.
fn within<'a>(call: &'a Call, strikes: &[&Onset], drill: &Drill) -> Option<Found<'a>> {
    let before = |from: usize| strikes[..from].iter().map(|s| s.certainty).sum::<f64>();
    (strikes.len().saturating_sub(MOST_AMONG * call.strokes.len())..strikes.len())
        .filter_map(|from| {
            let found = held_against(call, &strikes[from..], drill)?;
            Some(Found { cost: found.cost + BEFORE * before(from), ..found })
        })
        .filter(|found| found.wrong <= MOST_WRONG)
        .min_by(|a, b| a.cost.total_cmp(&b.cost))
}

/// The call that is among these strikes, if it is surely one.
fn recognised<'a>(strikes: &[&Onset], drill: &'a Drill) -> Option<Found<'a>> {
    let mut found: Vec<Found> = drill.calls.iter().filter_map(|c| within(c, strikes, drill)).collect();
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    let next = found.get(1).map(|next| next.cost);
    found.into_iter().next().filter(|best| next.is_none_or(|next| next > best.cost + CLEARER))
}

/// Follows a leader: the drill as it was led, its rounds in the leader's time.
///
/// # Errors
/// If the calls cannot be told apart by listening, or none was played.
pub fn led(drill: &Drill, leader: &Take) -> Result<(Plan, Led), LedError> {
    for (k, call) in drill.calls.iter().enumerate() {
        if let Some(other) = drill.calls[..k].iter().find(|other| other.same_rhythm(call)) {
            return Err(LedError::Alike(other.name.clone(), call.name.clone()));
        }
    }
    let silence = silence(drill)?;
    let mut strikes: Vec<&Onset> = leader.heard.onsets.iter().collect();
    let mut levels: Vec<f64> = strikes.iter().map(|o| o.level.0).collect();
    levels.sort_by(f64::total_cmp);
    let loud = levels.get((levels.len() as f64 * LOUD) as usize).copied().unwrap_or(f64::NEG_INFINITY);
    strikes.retain(|o| o.level.0 > loud - RANGE_DB);
    let parts: Vec<&[&Onset]> = strikes.chunk_by(|a, b| (b.at - a.at).get() < silence).collect();
    let mut found: Vec<Found> = parts.iter().filter_map(|part| recognised(part, drill)).collect();
    let usual = median(found.iter().map(|f| f.ratio)).unwrap_or(1.0);
    found.retain(|f| (f.ratio / usual).ln().abs() < STEADY);
    let passed_over = parts.len() - found.len();
    let mut rounds: Vec<Round> = found.iter().map(|found| round(found, drill)).collect();
    if rounds.is_empty() {
        return Err(LedError::None(strikes.len()));
    }
    // The next call begins where it begins, whenever the answer was to end.
    for k in 1..rounds.len() {
        let next = rounds[k].call_at;
        if rounds[k - 1].end > next {
            rounds[k - 1].end = next;
        }
    }
    let guide = Guide {
        rate: EAR_RATE,
        events: Vec::new(),
        start: rounds[0].call_at,
        length: Samples((leader.heard.duration.get() * f64::from(EAR_RATE.get())) as u64),
        config: GuideConfig::default(),
        count_in: 0,
    };
    let each = rounds.len().div_ceil(MOST_PIECES);
    let pieces = rounds.iter().step_by(each).map(|r| (r.call_at - AROUND, r.call_end + AROUND)).collect();
    let strikes = strikes.iter().map(|o| o.at).collect();
    Ok((Plan { drill: drill.clone(), seed: None, rounds, guide }, Led { pieces, passed_over, strikes }))
}

fn round(found: &Found, drill: &Drill) -> Round {
    let call = Call { bpm: Bpm::clamped(found.call.bpm.get() / found.ratio), ..found.call.clone() };
    let hush = drill.calls.get(drill.hush).is_some_and(|hush| hush.name == call.name);
    Round::at(Seconds::of(found.start), call, hush, false, drill)
}

impl Led {
    /// Leaves out of a recording what is heard of the leader in it.
    pub fn only_pupil(&self, mut take: Take, lock: &Lock) -> Take {
        let leader: Vec<Seconds> = self.strikes.iter().map(|at| lock.at(*at)).collect();
        let of_leader = |at: Seconds| {
            let next = leader.partition_point(|s| *s < at - LEADER);
            leader.get(next).is_some_and(|s| *s <= at + LEADER)
        };
        let marked: Vec<bool> = take.heard.onsets.iter().map(|o| of_leader(o.at)).collect();
        take.leave_out(&marked);
        take.heard.faint.retain(|o| !of_leader(o.at));
        take
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::hear_samples;
    use crate::drill::{VerdictKind, judge, parse, seed_of};
    use crate::guide::{PLAIN_ATTACK, strike};
    use crate::leak::{Low, Pieces, find_sound};
    use crate::part::Surface;
    use crate::units::EAR_RATE;

    fn demo() -> Drill {
        parse(include_str!("../../reference_takes/lantern-echoes.toml")).unwrap()
    }

    /// Strikes in a quiet room.
    fn sound(struck: &[(f64, Surface)], lasts: f64, gain: f32) -> Vec<f32> {
        let rate = f64::from(EAR_RATE.get());
        let mut out = crate::rng::Rng(9).noise((lasts * rate) as usize, 1e-4);
        for (at, surface) in struck {
            let from = ((at * rate) as usize).min(out.len());
            let wave = strike(*surface, PLAIN_ATTACK, EAR_RATE);
            out[from..].iter_mut().zip(wave).for_each(|(v, s)| *v += gain * s);
        }
        out
    }

    #[test]
    fn calls_in_an_order_nobody_wrote_down_are_followed_and_their_echoes_judged() {
        let drill = demo();
        // Some rounds, a little slower than written, counted in with four taps.
        let pace = 1.04;
        let planned = crate::drill::plan(&drill, seed_of("Wren"), &GuideConfig::default(), EAR_RATE);
        let mut struck = Vec::new();
        let mut asked = Vec::new();
        for r in &planned.rounds[1..7] {
            asked.push(r.call.name.clone());
            struck.extend(r.expected().into_iter().map(|(at, surface)| (pace * (r.call_at + at).get(), surface)));
        }
        let beat = pace * planned.rounds[1].beat(&drill).get();
        let taps = (1..=4).map(|k| (struck[0].0 - f64::from(k) * beat, Surface::Click));
        let leader: Vec<(f64, Surface)> = taps.clone().chain(struck.clone()).collect();
        let lasts = pace * planned.rounds[7].call_at.get() + 2.0;
        let lesson = sound(&leader, lasts, 0.5);
        let (plan, led) = led(&drill, &hear_samples(&lesson)).unwrap();
        let names: Vec<String> = plan.rounds.iter().map(|r| r.call.name.clone()).collect();
        assert_eq!(names, asked);
        for (a, b) in plan.rounds.iter().zip(&planned.rounds[1..]) {
            assert!((a.call_at.get() - pace * b.call_at.get()).abs() < 0.02, "{} at {:?}", a.call.name, a.call_at);
        }
        // The pupil echoes all but the hush pattern while the lesson plays softly, 1.3 s into the recording.
        let late = 1.3;
        let answers: Vec<(f64, Surface)> = (plan.rounds.iter().filter(|r| !r.hush))
            .flat_map(|r| r.expected().into_iter().map(|(at, s)| (late + (r.answer_at + at).get(), s)))
            .collect();
        let mut recording = sound(&answers, lasts + late, 0.4);
        let from = (late * f64::from(EAR_RATE.get())) as usize;
        recording[from..].iter_mut().zip(&lesson).for_each(|(v, s)| *v += 0.2 * s);
        let pieces = Pieces::of(&Low::of(&lesson), &led.pieces);
        let lock = find_sound(&pieces, &Low::of(&recording)).unwrap();
        assert!((lock.start.get() - late).abs() < 1e-3, "{lock:?}");
        let take = led.only_pupil(hear_samples(&recording), &lock);
        let results = judge(&plan, &take, |at| lock.at(at), None);
        let said = crate::drill::results_json(&results, &plan, None);
        let said: serde_json::Value = serde_json::from_str(&said).unwrap();
        assert!(said["answers"].is_array() && said.get("seed").is_none(), "nobody drew it: {said}");
        for answer in &results.answers {
            let expected = if answer.round.hush { VerdictKind::HushKept } else { VerdictKind::Right };
            assert_eq!(answer.verdict.kind, expected, "{}", answer.round.call.name);
        }
        // Nobody plays in a recording of something else.
        assert_eq!(find_sound(&pieces, &Low::of(&sound(&answers, lasts, 0.4))), None);
    }

    #[test]
    fn what_cannot_be_followed_is_said() {
        let drill = demo();
        assert_eq!(led(&drill, &Take::default()), Err(LedError::None(0)));
        let mut twice = drill.clone();
        twice.calls.push(Call { name: "again".into(), ..drill.calls[0].clone() });
        assert_eq!(led(&twice, &Take::default()), Err(LedError::Alike(drill.calls[0].name.clone(), "again".into())));
    }
}
