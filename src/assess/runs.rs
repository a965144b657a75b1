//! Stretches as lists of matched strikes, parted wherever the pulse or the place is not carried on.

use super::Stretch;
use crate::align::{Placed, Step, Strike};
use crate::part::Timeline;

/// A matched strike.
#[derive(Clone, Copy, Debug)]
pub(super) struct Point {
    pub(super) strike: usize,
    pub(super) stroke: usize,
    /// Quarters from the start of the piece.
    pub(super) b: f64,
    /// Seconds from the start of the recording, and their standard deviation.
    pub(super) t: f64,
    pub(super) sigma: f64,
    /// Where the tracker put it, and its length of a quarter, in seconds.
    pub(super) pulse: f64,
    pub(super) quarter: f64,
}

/// Matched strikes in order of time and place, at one continuous pulse.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// `Start`, `Shift`, `Jump`, `JumpAfterPause` or `NewTempo`.
    pub(super) began: Step,
    /// At least one.
    pub(super) points: Vec<Point>,
}

/// The stroke a strike stands for; not the other hand of one that has its strike already.
pub(super) fn matched(place: &Placed) -> Option<usize> {
    place.stroke.filter(|_| place.step.is_match())
}

/// Strikes whose distance in time and distance on paper differ by this much (quarters) are not neighbours: the place was
/// told otherwise than it was found, as happens among identical bars.
const APART: f64 = 1.0;

/// Whether the place was not carried on between two strikes so far apart on paper and by the pulse, in quarters.
pub(super) fn leapt(on_paper: f64, by_pulse: f64) -> bool {
    on_paper <= 0.0 || (on_paper - by_pulse).abs() > APART
}

pub(super) fn runs(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], stretches: &[Stretch]) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::new();
    for stretch in stretches {
        let mut began = Some(stretch.began);
        for i in stretch.strikes.clone() {
            let (Some(strike), Some(place)) = (strikes.get(i), placed.get(i)) else { continue };
            let Some(j) = matched(place) else { continue };
            let Some(stroke) = timeline.strokes.get(j) else { continue };
            let point = Point {
                strike: i,
                stroke: j,
                b: stroke.at.quarters(),
                t: strike.at.get(),
                sigma: strike.sigma.get(),
                pulse: place.pulse.get(),
                quarter: place.bpm.quarter().get(),
            };
            let last = out.last().and_then(|run| run.points.last());
            let leaps = last.is_some_and(|p| leapt(point.b - p.b, (point.pulse - p.pulse) / point.quarter));
            let new = match began.take() {
                Some(step) => Some(step),
                None if place.step == Step::NewTempo => Some(Step::NewTempo),
                None if leaps => Some(Step::Jump),
                None => None,
            };
            match (new, out.last_mut()) {
                (None, Some(run)) => run.points.push(point),
                (new, _) => out.push(Run { began: new.unwrap_or(stretch.began), points: vec![point] }),
            }
        }
    }
    out
}
