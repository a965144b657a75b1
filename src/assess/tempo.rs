//! Another tempo than the one asked for.
//!
//! As the matching has it: seven takes in ten keep the tempo asked for to 7 % (one standard deviation), the others spread by
//! 35 %. The ratio of the two normal densities of `ln(played / asked)` is the evidence.

use super::Clock;
use super::finding::{Evidence, What};
use super::suspicion::Suspicion;
use super::timing::Timed;
use crate::part::Timeline;
use crate::stats::normal_density;

const KEPT: f64 = 0.07;
const FREE: f64 = 0.35;
/// Fewer strikes than this have no tempo to speak of.
const MIN_STRIKES: usize = 8;

pub(super) fn judge(timeline: &Timeline, clock: Option<Clock>, timed: &[Option<Timed>]) -> Option<Suspicion> {
    let (played, asked) = (clock?.bpm, timeline.bpm);
    let strokes = timed.iter().flatten().count();
    let x = (played.get() / asked.get()).ln();
    let odds = (normal_density(x, FREE) / normal_density(x, KEPT).max(1e-300)).ln();
    (strokes >= MIN_STRIKES).then_some(Suspicion {
        what: What::TempoApart { played, asked },
        place: None,
        at: None,
        odds,
        share: 1.0,
        evidence: Evidence::Middle { played, strokes },
        otherwise: None,
    })
}
