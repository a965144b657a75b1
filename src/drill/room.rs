//! The strikes outside all answers -> how often the room makes a sound as loud of itself.
//!
//! A clock, drops or a dog sound in the breath and in the rest as they do in the answer. What they make there, by
//! loudness, says how many such sounds an answer would hold if nobody played: where that is not far below one, a strike is
//! not surely the pupil's.

use super::fit::fit;
use super::score::{LEADER, LEADER_RINGS, in_time, is_answer};
use super::slots::Slot;
use super::{Round, Struck};
use crate::units::{Decibels, Hertz, Seconds};

/// A sound of the room counts as one as loud down to so much below: the levels of one clock's ticks spread so far.
const AS_LOUD_DB: f64 = 3.0;
/// And as one as like the pupil's strikes down to so much below: what one sound differs by from one time to the next.
const AS_LIKE_DB: f64 = 0.5;
/// An answer may begin and end so many beats beside its time.
const AROUND_BEATS: f64 = 0.5;
/// Strikes below this certainty are no witness of anything.
const WITNESS: f64 = 0.5;
/// Loud sounds of the room are worth a word from one in so many seconds on.
const OFTEN: Seconds = Seconds::from_millis(20_000.0);

/// What a room makes of itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Room {
    /// What sounded.
    sounds: Vec<Other>,
    /// Seconds listened to.
    listened: f64,
}

/// One of the room's sounds.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Other {
    /// Place of the slot and of the strike in it.
    at: (usize, usize),
    level: f64,
    certainty: f64,
    /// How much liker the pupil's, see [`super::likeness`].
    likeness: Option<f64>,
}

/// When a round is listened to for the room: seconds, without the answer and the leader's strokes.
fn listened(round: &Round, beat: Seconds) -> f64 {
    let all = (round.end - round.call_at).get();
    let answer = (round.answer_end - round.answer_at).get() + 2.0 * AROUND_BEATS * beat.get();
    let leader = round.call.strokes.len() as f64 * (LEADER + LEADER_RINGS).get();
    (all - answer - leader).max(0.0)
}

/// Whether a strike lies outside the time of an answer.
fn outside(strike: &Struck, slot: &Slot) -> bool {
    let around = AROUND_BEATS * slot.beat.get();
    let lasts = (slot.round.answer_end - slot.round.answer_at).get();
    !(-around..=lasts + around).contains(&strike.at.get())
}

impl Room {
    /// Listens outside the answers of all rounds.
    pub(super) fn of(slots: &[Slot]) -> Room {
        let mut out = Room::default();
        for (r, slot) in slots.iter().enumerate() {
            let ids: Vec<usize> = (0..slot.strikes.len())
                .filter(|k| slot.strikes[*k].certainty >= WITNESS && !slot.on_leader(&slot.strikes[*k], LEADER_RINGS))
                .collect();
            let apart: Vec<Struck> = ids.iter().map(|k| slot.strikes[*k]).collect();
            // An answer that came at the wrong time is the pupil's.
            let found = fit(&slot.times(), &apart.iter().map(Struck::as_at).collect::<Vec<_>>(), slot.beat.get());
            let own = in_time(&found, &slot.times(), &apart, slot.beat.get());
            let own = if is_answer(own.len(), slot.expected.len()) { own } else { Vec::new() };
            let sounds = apart.iter().zip(&ids).enumerate().filter(|(k, (s, _))| outside(s, slot) && !own.contains(k));
            out.sounds.extend(sounds.map(|(_, (s, id))| Other {
                at: (r, *id),
                level: s.level.0,
                certainty: s.certainty,
                likeness: None,
            }));
            out.listened += listened(slot.round, slot.beat);
        }
        out
    }

    /// Which strikes they are: places of slot and strike.
    pub(super) fn places(&self) -> impl Iterator<Item = (usize, usize)> + '_ {
        self.sounds.iter().map(|s| s.at)
    }

    /// Notes how like the pupil's they sound.
    pub(super) fn compare(&mut self, likeness: impl Fn((usize, usize)) -> Option<f64>) {
        for sound in &mut self.sounds {
            sound.likeness = likeness(sound.at);
        }
    }

    /// Whether it makes sounds as loud as a pupil's more often than once in so many seconds.
    pub(super) fn is_loud(&self, pupil: Decibels) -> bool {
        self.makes(pupil, None).0 * OFTEN.get() > 1.0
    }

    /// How often the room makes a sound as like the pupil's as this or, where that is not known, as loud.
    pub(super) fn makes(&self, level: Decibels, likeness: Option<f64>) -> Hertz {
        let such = self.sounds.iter().filter(|other| match (other.likeness, likeness) {
            (Some(other), Some(this)) => other >= this - AS_LIKE_DB,
            _ => other.level >= level.0 - AS_LOUD_DB,
        });
        let count: f64 = such.map(|other| other.certainty).sum();
        Hertz(if self.listened > 0.0 { count / self.listened } else { 0.0 })
    }
}
