//! Strikes x [`Timeline`] -> [`Alignment`]: each strike to the stroke it was meant to be, or to none.
//!
//! Has never seen a sample: a strike here is a time, a level and probabilities. Two passes of one beam search: the first
//! with a beginner's jitter, the second with what the first has taught about this player (jitter, misses, extras,
//! mixed-up surfaces). [`align`] is the whole of it; [`trace`] keeps the search, so that [`Trace::cost_without`] can ask
//! how much dearer the take becomes if an event had not happened, looking only at the strikes around it.
//!
//! Limits: a tempo below .45 or above 2.3 times the one asked for is not found; beginning or going on in the middle of a
//! bar is only found from the next bar line on.

mod bounce;
mod costs;
mod learn;
mod model;
mod moves;
mod path;
mod pulse;
mod score;
mod search;
mod smooth;
#[cfg(test)]
mod tests;
mod unrelated;

use crate::part::{Surface, Timeline};
use crate::units::{Bpm, Decibels, Seconds};
pub(crate) use costs::DOUBLE_WINDOW_S;
pub(crate) use model::stroke_like;
use model::{Event, Model};
use path::Path;
use score::Score;
use search::{Beam, Hyp, Search};

pub use search::Forbidden;

/// A strike as the aligner sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Strike {
    /// When, from the start of the recording.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// How loud, relative to full scale.
    pub level: Decibels,
    /// Probability that there was a strike at all.
    pub certainty: f64,
    /// Probability of each surface in the order of [`Surface::ALL`]; all equal when nothing is known.
    pub surface: [f64; Surface::COUNT],
}

/// What a matched or unmatched strike was taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// The first stroke matched, wherever the take begins.
    Start,
    /// In time with the tracked pulse.
    Match,
    /// Matched, but off the pulse on its own: one rushed or late note.
    Displaced,
    /// Matched, and the pulse goes on from here: a hesitation, a late or an early entry.
    Shift,
    /// Matched, and the tempo is new from here.
    NewTempo,
    /// Went on somewhere else without losing the beat.
    Jump,
    /// Went on somewhere else after a pause.
    JumpAfterPause,
    /// Nobody wrote it.
    Extra,
    /// Nobody wrote it, and the place was lost: what is played fits nowhere for a while.
    Lost,
    /// Nobody wrote it, and it fell in a written rest.
    InRest,
    /// The second half of a double: a rebound, or a hand of both-at-once that came late.
    Double,
    /// Tapped before the piece began.
    CountIn,
    /// A stick that fell and bounced.
    Bounce,
}

impl Step {
    /// Whether the strike is the one that stands for its stroke.
    pub const fn is_match(self) -> bool {
        matches!(
            self,
            Step::Start
                | Step::Match
                | Step::Displaced
                | Step::Shift
                | Step::NewTempo
                | Step::Jump
                | Step::JumpAfterPause
        )
    }

    /// Whether an unbroken stretch of playing begins here.
    pub const fn breaks(self) -> bool {
        matches!(self, Step::Start | Step::Shift | Step::Jump | Step::JumpAfterPause)
    }
}

/// One strike's place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Placed {
    /// What it was taken for.
    pub step: Step,
    /// Index into [`Timeline::strokes`]; `None` for the unmatched steps. A [`Step::Double`] after a stroke of both hands
    /// bears the index of that stroke: it is its other hand.
    pub stroke: Option<usize>,
    /// Where the tracked pulse put that stroke; the strike's own time for unmatched steps.
    pub pulse: Seconds,
    /// The tracked tempo.
    pub bpm: Bpm,
}

/// The answer of the aligner.
#[derive(Clone, Debug, PartialEq)]
pub struct Alignment {
    /// One for each strike, in order.
    pub placed: Vec<Placed>,
    /// The player's own timing jitter around the pulse, one standard deviation.
    pub jitter: Seconds,
    /// How surfaces were mixed up in this take: written (row) to heard (column), rows sum to 1.
    pub confusion: [[f64; Surface::COUNT]; Surface::COUNT],
    /// Cost of the whole path in nats (minus log probability); comparable between runs on the same strikes.
    pub cost: f64,
    /// Cost of the best account in which the take has nothing to do with the part; a recording of something else has
    /// `unrelated_cost` at or below `cost`.
    pub unrelated_cost: f64,
}

/// What is believed before anything was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AlignConfig {
    /// Jitter of a strike around the pulse in the first pass, one standard deviation.
    pub jitter: Seconds,
}

impl Default for AlignConfig {
    /// A beginner's 30 ms: between the 10 to 20 ms of trained adults and the 45 to 65 ms of seven-year-olds (planning
    /// guesses; the second pass measures it).
    fn default() -> AlignConfig {
        AlignConfig { jitter: Seconds::from_millis(30.0) }
    }
}

/// Matches the strikes (in order of time) to the strokes of the timeline.
///
/// Without strikes or without strokes nothing is matched and both costs are zero.
pub fn align(timeline: &Timeline, strikes: &[Strike], config: &AlignConfig) -> Alignment {
    trace(timeline, strikes, config).alignment
}

/// An alignment with the search that found it.
pub struct Trace {
    /// The answer.
    pub alignment: Alignment,
    score: Score,
    model: Model,
    events: Vec<Event>,
    path: Path,
}

/// The first pass, which knows nothing of the player.
struct First {
    score: Score,
    model: Model,
    /// Usual level around each strike, and whether it is a bounce.
    usual: Vec<f64>,
    bounces: Vec<bool>,
    events: Vec<Event>,
    path: Path,
}

impl First {
    fn new(timeline: &Timeline, strikes: &[Strike], config: &AlignConfig) -> First {
        let score = Score::new(timeline);
        let model = learn::first_model(timeline, strikes, config);
        let usual = model::usual_levels(strikes);
        let bounces = bounce::bounces(strikes, &usual);
        let events = events_of(strikes, &model, &usual, &bounces);
        let path = Path::find(&Search::new(&score, &model, &events, Beam::QUICK));
        First { score, model, usual, bounces, events, path }
    }
}

fn events_of(strikes: &[Strike], model: &Model, usual: &[f64], bounces: &[bool]) -> Vec<Event> {
    let beside = bounces.iter().zip(usual);
    strikes.iter().zip(beside).map(|(strike, (&bounce, &usual))| Event::new(strike, model, usual, bounce)).collect()
}

/// By how many nats the part tells the strikes better than a rhythm of their own does, at a glance: after the first pass
/// alone, a third of the work of [`trace`].
pub(crate) fn glance(timeline: &Timeline, strikes: &[Strike], config: &AlignConfig) -> f64 {
    let first = First::new(timeline, strikes, config);
    unrelated::cost(&first.model, &first.events) - first.path.cost
}

/// As [`align`], keeping the search for [`Trace::cost_without`].
pub fn trace(timeline: &Timeline, strikes: &[Strike], config: &AlignConfig) -> Trace {
    let First { score, mut model, usual, bounces, mut events, mut path } = First::new(timeline, strikes, config);
    if !score.at.is_empty() && !strikes.is_empty() {
        model = learn::second_model(&score, &model, &events, &path.steps);
        events = events_of(strikes, &model, &usual, &bounces);
        path = Path::find(&Search::new(&score, &model, &events, Beam::FULL));
    }
    let alignment = Alignment {
        placed: smooth::placed(&score, &model, &events, &path.steps),
        jitter: Seconds::of(model.jitter_s),
        confusion: model.confusion,
        cost: path.cost,
        unrelated_cost: unrelated::cost(&model, &events),
    };
    Trace { alignment, score, model, events, path }
}

/// How many strikes after an event its rivals are followed before the verdict.
const FOLLOWED: usize = 64;
/// A rival this much dearer (nats) has lost: the confidence it leaves is within 1e-6 of certainty.
const LOST: f64 = 25.0;
/// Two accounts at the same stroke with pulses as near as this (seconds, share of a quarter) go on alike.
const SAME_PHASE_S: f64 = 0.02;
const SAME_TEMPO: f64 = 0.02;

impl Trace {
    /// All strikes, per second.
    pub(crate) fn strike_rate(&self) -> f64 {
        self.model.strike_rate
    }

    /// How far the beat's phase of this player wanders in one quarter note, one standard deviation; it grows with the
    /// square root of the distance.
    pub fn phase_walk(&self) -> Seconds {
        Seconds::of(self.model.phase_walk_s)
    }

    /// How much dearer the take becomes, in nats, if the steps in `forbidden` had not been taken: the second witness of
    /// a finding. Looks only at the strikes from the first forbidden one until the best rival has joined the path again
    /// or has lost.
    pub fn cost_without(&self, forbidden: &Forbidden) -> f64 {
        let ranges = [&forbidden.jumps, &forbidden.shifts, &forbidden.late_begin, &forbidden.lost];
        let filled = || ranges.iter().filter(|r| !r.is_empty());
        let (Some(first), Some(last)) = (filled().map(|r| r.start).min(), filled().map(|r| r.end).max()) else {
            return 0.0;
        };
        let search = Search::new(&self.score, &self.model, &self.events, Beam::FULL);
        let mut beam = match first.checked_sub(1).map(|i| self.path.after(&search, i)) {
            None => search.before(),
            Some(Some(beam)) => beam,
            Some(None) => return 0.0,
        };
        let mut dearer = 0.0;
        for i in first..self.events.len() {
            beam = search.advance(i, &beam, Some(forbidden));
            let (Some(best), Some(path)) = (beam.first(), self.path.steps.get(i)) else { return LOST };
            dearer = best.cost - path.cost;
            let same = |hyp: &&Hyp| {
                hyp.j == path.j
                    && (hyp.pulse.at - path.pulse.at).abs() < SAME_PHASE_S
                    && (hyp.pulse.quarter / path.pulse.quarter - 1.0).abs() < SAME_TEMPO
            };
            let joined = beam.iter().find(same).map(|hyp| hyp.cost - path.cost);
            let decided = i + 1 >= last && (dearer > LOST || joined.is_some_and(|cost| cost <= dearer + 0.5));
            if decided || (i >= last + FOLLOWED && dearer > 0.0) {
                return joined.unwrap_or(dearer).min(LOST);
            }
        }
        let end = |hyp: &Hyp| hyp.cost + search.end(hyp);
        let rival = beam.iter().map(end).fold(f64::INFINITY, f64::min);
        let own = self.path.steps.last().map_or(0.0, end);
        if rival.is_finite() { (rival - own).clamp(0.0, LOST) } else { dearer.clamp(0.0, LOST) }
    }
}
