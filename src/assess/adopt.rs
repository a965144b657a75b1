//! Strikes that found no stroke, where a stroke found no strike: one note, played off the pulse.
//!
//! Input and output: the places of the strikes. A stray sound within less than half the way to the neighbouring strokes of
//! just that stroke which was left out is far rarer than a note played early or late (3 strays a minute: one chance in 100
//! for each stroke left out, against one note in 50 displaced).

use super::runs::{Point, Run};
use crate::align::{Placed, Step, Strike};
use crate::part::Timeline;
use crate::stats::median;
use crate::units::{Bpm, Seconds};

/// Of the way to the neighbouring strokes this share is a stroke's own.
const OWN_SHARE: f64 = 0.4;
/// Softer than the middle strike by more than this is no stroke of this player.
const SOFTEST_DB: f64 = 15.0;
/// On a surface that the ear as good as excludes it is no stroke either.
const LEAST_SURFACE: f64 = 0.01;

/// Gives such strikes their strokes; true where it did.
pub(super) fn adopt(timeline: &Timeline, strikes: &[Strike], placed: &mut [Placed], runs: &[Run]) -> bool {
    let points = || runs.iter().flat_map(|r| &r.points);
    let levels: Vec<f64> = points().filter_map(|p| strikes.get(p.strike)).map(|s| s.level.0).collect();
    let Some(middle) = median(levels) else { return false };
    let mut any = false;
    for pair in runs.iter().flat_map(|run| run.points.windows(2)) {
        let [p, q] = pair else { continue };
        for j in p.stroke + 1..q.stroke {
            let Some((t, room)) = place(timeline, p, q, j) else { continue };
            let surface = timeline.strokes.get(j).map_or(0, |s| s.surface.index());
            let fits = |i: &usize| {
                let (Some(strike), Some(place)) = (strikes.get(*i), placed.get(*i)) else { return false };
                matches!(place.step, Step::Extra | Step::Double)
                    && place.stroke.is_none()
                    && (strike.at.get() - t).abs() < OWN_SHARE * room
                    && strike.level.0 > middle - SOFTEST_DB
                    && strike.surface.get(surface).is_some_and(|p| *p >= LEAST_SURFACE)
            };
            let near: Vec<usize> = (p.strike + 1..q.strike).filter(fits).collect();
            // Two candidates would be a guess.
            if let [i] = near[..]
                && let Some(slot) = placed.get_mut(i)
            {
                let bpm = Bpm::clamped(60.0 / p.quarter.max(1e-3));
                *slot = Placed { step: Step::Displaced, stroke: Some(j), pulse: Seconds::of(t), bpm };
                any = true;
            }
        }
    }
    any
}

/// When stroke j between two points should sound, and how far its nearer neighbour is, in seconds.
fn place(timeline: &Timeline, p: &Point, q: &Point, j: usize) -> Option<(f64, f64)> {
    let b = |j: usize| timeline.strokes.get(j).map(|s| s.at.quarters());
    let here = b(j)?;
    let quarter = (q.pulse - p.pulse) / (q.b - p.b).max(1e-9);
    let room = (here - b(j.checked_sub(1)?)?).min(b(j + 1)? - here);
    Some((p.pulse + (here - p.b) * quarter, room * quarter))
}
