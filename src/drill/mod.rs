//! The echo drill: the leader plays a call, the pupil echoes it, and one agreed *hush pattern* is met with silence.
//!
//! A drill file -> [`Drill`] (`read`); drill and seed -> [`Plan`], the rounds in order with their times and the guide
//! that sounds them (`draw`, `plan`); the strikes after a call -> [`Verdict`] (`fit`, `score`); the sound of a whole
//! drill -> the strikes of each round (`slots`), what the room makes of itself (`room`), all verdicts and a tally
//! (`answers`); the sound so far -> one verdict at once (`live`); the sound of a leader who was not this program -> the
//! rounds as they came (`led`); verdicts -> words and JSON (`words`, `json`); that JSON beside a recording -> the plan again,
//! and the results (`recorded`); two calls of a drill -> a drill of these two in turn, slowly (`side`); a plan -> what there is
//! to do when (`turns`).
//!
//! Pure: no file, clock, thread or random source; the draw comes from a seed. Limits: a stroke played at the same moment
//! as one of the leader's is not heard as the pupil's; both hands at once are not told from one.

mod answers;
mod draw;
mod fit;
mod json;
mod led;
mod likeness;
mod live;
mod plan;
mod read;
mod recorded;
mod room;
mod score;
mod side;
mod slots;
mod turns;
mod words;

pub use answers::{Answered, Results, Tally, judge};
pub use draw::seed_of;
pub use json::{RecordingRow, SaidRow, card as card_json, plan as plan_json, results as results_json};
pub use led::{Led, LedError, led};
pub use live::{Live, Place, Said, cells, only_answers, signal};
pub use plan::{Plan, Round, plan};
pub use read::parse;
pub use recorded::{Made, MadeError, is_plan, judge_recording, made};
pub use score::{Difference, Habits, Struck, Verdict, VerdictKind, Window, score};
pub use side::side_by_side;
pub use turns::{Moment, Turn, moments};
pub use words::{
    called, results as results_text, rule, tally as tally_text, verdict as verdict_text, verdicts as verdict_texts,
};

use answers::is_over;

use crate::part::{Bar, Hands, Meter, Pass, Stroke, Surface, TempoRange, Timeline};
use crate::units::{Bpm, Ticks};

/// A stroke of a call.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct CallStroke {
    /// From the call's first beat.
    pub at: Ticks,
    /// Where it is played.
    pub surface: Surface,
    /// With which hands.
    pub hands: Hands,
}

/// A pattern of the bank.
#[derive(Clone, Debug, PartialEq)]
pub struct Call {
    /// Its name.
    pub name: String,
    /// From 1, easy, to 5.
    pub difficulty: u8,
    /// Its own tempo, or the drill's.
    pub bpm: Bpm,
    /// Its strokes in order; at least one.
    pub strokes: Vec<CallStroke>,
    /// One bar or two.
    pub length: Ticks,
    /// Nearly the hush pattern: drawn on purpose.
    pub lure: bool,
}

impl Call {
    /// As a part that is nothing else, for drawing it.
    pub fn timeline(&self, meter: Meter) -> Timeline {
        let bar = meter.bar();
        let n_bars = usize::try_from((self.length.0 + bar.0 - 1) / bar.0.max(1)).unwrap_or(0).max(1);
        let in_bar = |at: Ticks| usize::try_from(at.0 / bar.0.max(1)).unwrap_or(0).min(n_bars - 1);
        let stroke =
            |s: &CallStroke| Stroke { at: s.at, bar: in_bar(s.at), surface: s.surface, hands: s.hands, level: None };
        let first = |bar: usize| self.strokes.partition_point(|s| in_bar(s.at) < bar);
        let bars = (0..n_bars).map(|k| Bar {
            at: Ticks(bar.0 * k as i64),
            pass: 0,
            number: k as u32 + 1,
            repeat: None,
            strokes: first(k)..first(k + 1),
        });
        Timeline {
            title: self.name.clone(),
            meter,
            bpm: self.bpm,
            range: TempoRange { start: self.bpm, goal: self.bpm },
            strokes: self.strokes.iter().map(stroke).collect(),
            bars: bars.collect(),
            passes: vec![Pass { section: self.name.clone(), number: 1, bars: 0..n_bars }],
            rests: Vec::new(),
            swells: Vec::new(),
        }
    }

    /// Whether another has the same rhythm, on whatever surfaces.
    pub fn same_rhythm(&self, other: &Call) -> bool {
        self.strokes.len() == other.strokes.len() && self.strokes.iter().zip(&other.strokes).all(|(a, b)| a.at == b.at)
    }
}

/// What each verdict counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Counting {
    /// A right echo.
    pub right: i32,
    /// A nearly right one.
    pub nearly: i32,
    /// Silence after the hush pattern.
    pub hush: i32,
    /// The hush pattern answered.
    pub fell: i32,
}

/// The simple count: one for what was right, nothing taken away.
pub const SIMPLE_COUNT: Counting = Counting { right: 1, nearly: 0, hush: 1, fell: 0 };

/// A drill as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Drill {
    /// What it is called.
    pub title: String,
    /// Time signature of all calls.
    pub meter: Meter,
    /// The bank, in the order of the file.
    pub calls: Vec<Call>,
    /// Which of the bank is met with silence.
    pub hush: usize,
    /// The calls in the order in which they come, where they are not drawn.
    pub order: Option<Vec<usize>>,
    /// Rounds in all.
    pub rounds: u32,
    /// Of these, how many bring the hush pattern.
    pub hush_rounds: u32,
    /// Of those, how many bring it on other surfaces.
    pub elsewhere: u32,
    /// Of all rounds, how many bring nearly the hush pattern.
    pub nearly: u32,
    /// Whether the very first call may be the hush pattern.
    pub hush_first: bool,
    /// Beats between call and answer.
    pub breath: u32,
    /// How it is counted.
    pub counting: Counting,
    /// After so many rounds that were not right it is over; `None`: never before the last round.
    pub until_misses: Option<u32>,
}

#[cfg(test)]
mod tests;
