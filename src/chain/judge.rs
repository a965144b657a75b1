//! What was heard x timeline -> [`Assessment`].
//!
//! Matching and telling surfaces apart need each other: the strikes are first matched by time alone, the match says what
//! the part expects of each, the surfaces are told apart with that as prior, and the strikes are matched again with their
//! surfaces. A second round settles what the first moved.

use super::{GuideInTake, Take};
use crate::align::{self, AlignConfig, Alignment, Strike, Trace, trace};
use crate::assess::{Assessment, GuideTimes, Hearing, assess};
use crate::onset::Onset;
use crate::part::{Surface, Timeline};
use crate::stats::median;
use crate::surface::{Calibration, Prior, Reading, tell};
use crate::units::Seconds;

/// Rounds of telling surfaces apart and matching again.
const ROUNDS: usize = 2;

/// A match this much better than a rhythm of its own, in nats a strike, needs no second try. Takes of the written part
/// that are not flooded with other sounds lie above (`scripts/measuring/judge_figures.rs`).
const CONVINCING: f64 = 0.5;

/// By how much the part tells the take better than a rhythm of its own, nats.
fn better_by(found: &Trace) -> f64 {
    found.alignment.unrelated_cost - found.alignment.cost
}

/// A take full of other sounds (doors, steps, crackle) is matched by its surest or its loudest strikes first; how these
/// sound then tells which of the others are the pupil's.
#[derive(Clone, Copy)]
enum Gate {
    /// Strikes at least this certain.
    Sure(f64),
    /// Strikes at most so many decibels below the middle one of the sure ones.
    Loud(f64),
}

impl Gate {
    const ALL: [Gate; 4] = [Gate::Sure(0.9), Gate::Sure(0.98), Gate::Loud(8.0), Gate::Loud(14.0)];
    /// Certainty left to a strike outside the gate: hardly one.
    const OUTSIDE: f64 = 0.02;
    /// What counts as sure.
    const SURE: f64 = 0.98;

    /// A flood, or it is no case for a gate: at least this share of the strikes lies outside. In takes of the simulated
    /// class (390 of parts for tuning) that a gate explains better it is either below .07, mistakes that would be lost
    /// from sight, or above .09.
    const FLOOD: f64 = 0.08;

    /// The strikes as this gate sees them; `None` where there is no flood.
    fn apply(self, strikes: &[Strike]) -> Option<Vec<Strike>> {
        let sure = strikes.iter().filter(|s| s.certainty > Gate::SURE);
        let middle = median(sure.map(|s| s.level.0)).unwrap_or(f64::NEG_INFINITY);
        let inside = |s: &Strike| match self {
            Gate::Sure(least) => s.certainty >= least,
            Gate::Loud(below) => s.level.0 >= middle - below,
        };
        let doubted = |s: &Strike| Strike { certainty: s.certainty.min(Gate::OUTSIDE), ..*s };
        let outside = strikes.iter().filter(|s| !inside(s)).count();
        (outside as f64 >= Gate::FLOOD * strikes.len() as f64)
            .then(|| strikes.iter().map(|s| if inside(s) { *s } else { doubted(s) }).collect())
    }
}

/// Holds a take against the part. `known`: strikes of known surface, from a short recording or named by the teacher.
pub fn judge(take: &Take, timeline: &Timeline, known: Option<&Calibration>) -> Assessment {
    judge_related(take, timeline, known).0
}

/// The strikes of a take whose surfaces are not known yet.
fn unread(onsets: &[Onset]) -> Vec<Strike> {
    let surface = [1.0 / Surface::COUNT as f64; Surface::COUNT];
    let seen = |o: &Onset| Strike { at: o.at, sigma: o.sigma, level: o.level, certainty: o.certainty, surface };
    onsets.iter().map(seen).collect()
}

/// How much the part explains at a glance, without the surfaces and without a second try; on the scale of
/// [`judge_related`], but lower.
pub(super) fn glance(take: &Take, timeline: &Timeline) -> f64 {
    let strikes = unread(&take.heard.onsets);
    align::glance(timeline, &strikes, &AlignConfig::default()) / strikes.len().max(1) as f64
}

/// As [`judge`], with how much the part explains: by how many nats a strike it tells the take better than a rhythm of
/// its own does. At or below zero the take has nothing to do with the part; zero without strikes.
pub(super) fn judge_related(take: &Take, timeline: &Timeline, known: Option<&Calibration>) -> (Assessment, f64) {
    let mut strikes = unread(&take.heard.onsets);
    let faint = unread(&take.heard.faint);
    let config = AlignConfig::default();
    let mut found = trace(timeline, &strikes, &config);
    let mut gate = None;
    if better_by(&found) < CONVINCING * strikes.len() as f64 {
        for (tried, gated) in Gate::ALL.into_iter().filter_map(|gate| Some((gate, gate.apply(&strikes)?))) {
            let again = trace(timeline, &gated, &config);
            if better_by(&again) > better_by(&found) {
                (found, gate) = (again, Some(tried));
            }
        }
    }
    let mut reading = Reading::default();
    for _ in 0..ROUNDS {
        let priors = priors(timeline, &found.alignment);
        let before: Vec<Option<usize>> = found.alignment.placed.iter().map(|p| p.stroke).collect();
        // Of an hour a search holds megabytes, and so does what follows.
        drop(found);
        reading = tell(&take.features, Some(&priors), known);
        for ((strike, heard), onset) in strikes.iter_mut().zip(&reading.heard).zip(&take.heard.onsets) {
            strike.surface = heard.p;
            // What sounds like none of the pupil's surfaces is hardly one of the pupil's strikes.
            strike.certainty = onset.certainty * (1.0 - heard.other);
        }
        let mut again = trace(timeline, &strikes, &config);
        if let Some(gated) = gate.and_then(|gate| gate.apply(&strikes)) {
            let behind = trace(timeline, &gated, &config);
            if better_by(&behind) > better_by(&again) {
                (again, strikes) = (behind, gated);
            }
        }
        let settled = again.alignment.placed.iter().map(|p| p.stroke).eq(before);
        found = again;
        if settled {
            break;
        }
    }
    let count = take.clipped.len().max(1) as f64;
    let hearing = Hearing {
        duration: take.heard.duration,
        audibility: take.heard.audibility.clone(),
        clipped: take.clipped.iter().filter(|c| **c).count() as f64 / count,
        gain: take.heard.gain_moved,
        over_noise: take.heard.over_noise,
        doubts: reading.doubts,
        calibrated: known.is_some(),
        surfaces: reading.heard,
        sure: take.heard.onsets.iter().map(|o| o.certainty).collect(),
        guide: take.guide.as_ref().map(|guide| guide_times(guide, timeline)),
    };
    let related = better_by(&found) / strikes.len().max(1) as f64;
    (assess(timeline, &strikes, &faint, &found, &hearing), related)
}

/// When the guide asks for each stroke.
fn guide_times(guide: &GuideInTake, timeline: &Timeline) -> GuideTimes {
    let due = |at| guide.clock.at(guide.start + at);
    GuideTimes {
        start: due(Seconds::ZERO),
        due: timeline.strokes.iter().map(|s| due(s.at.to_seconds(timeline.bpm))).collect(),
    }
}

/// What the part expects of each strike, by the match so far. An unmatched strike belongs to the pass of the last
/// matched one.
fn priors(timeline: &Timeline, alignment: &Alignment) -> Vec<Prior> {
    let mut pass = None;
    (alignment.placed.iter())
        .map(|placed| {
            let stroke = placed.stroke.and_then(|j| timeline.strokes.get(j));
            if let Some(stroke) = stroke {
                pass = timeline.bars.get(stroke.bar).map(|bar| bar.pass);
            }
            Prior { written: stroke.map(|s| s.surface), pass }
        })
        .collect()
}
