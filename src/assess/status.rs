//! What became of every written stroke.
//!
//! `Played` and `WrongSurface` have a strike. A stroke without one, in a place the take did pass through, is `Missed` only
//! where that is much likelier than that it was played and not heard (`unheard`).

use super::runs::matched;
use super::unheard::{Ground, unheard};
use super::{Hearing, Status};
use crate::align::Strike;
use crate::part::Surface;
use crate::surface::Doubt;

/// `Missed` is said only when it is at least this probable.
const MISSED_ABOVE: f64 = 0.9;
/// A surface is called another than written from this probability on.
pub(super) const SURFACE_SURE: f64 = 0.7;

/// What became of a stroke.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fate {
    pub(super) status: Status,
    pub(super) strike: Option<usize>,
    /// Probability that it was left out, where it has no strike and was passed.
    pub(super) missed: f64,
}

/// For each stroke of the timeline what became of it.
pub(super) fn statuses(ground: &Ground) -> Vec<Fate> {
    let n = ground.timeline.strokes.len();
    let mut strokes = vec![Fate { status: Status::NotReached, strike: None, missed: 0.0 }; n];
    for (i, place) in ground.placed.iter().enumerate() {
        // Of a stroke played twice, after a restart, the last time counts.
        if let Some(slot) = matched(place).and_then(|j| strokes.get_mut(j)) {
            *slot = Fate { status: Status::Played, strike: Some(i), missed: 0.0 };
        }
    }
    for silent in unheard(ground) {
        if let Some(slot) = strokes.get_mut(silent.stroke) {
            // Passed twice and unheard twice: both times must look missed.
            let not_heard = silent.missed < MISSED_ABOVE || slot.status == Status::NotHeard;
            slot.status = if not_heard { Status::NotHeard } else { Status::Missed };
            slot.missed = silent.missed;
        }
    }
    for (slot, stroke) in strokes.iter_mut().zip(&ground.timeline.strokes) {
        if slot.strike.is_some_and(|i| elsewhere(ground.strikes, ground.heard, i, stroke.surface).is_some()) {
            slot.status = Status::WrongSurface;
        }
    }
    strokes
}

/// The surface strike `i` landed on where it surely is another than written, doubts about names set aside.
pub(super) fn elsewhere(strikes: &[Strike], heard: &Hearing, i: usize, written: Surface) -> Option<(Surface, f64)> {
    let strike = strikes.get(i)?;
    if heard.surfaces.get(i).is_some_and(|s| s.other > 0.5) {
        return None;
    }
    let (surface, p) = best(&strike.surface);
    (surface != written && p >= SURFACE_SURE && !excused(&heard.doubts, written, surface)).then_some((surface, p))
}

/// The likeliest surface and its probability.
pub(super) fn best(p: &[f64; Surface::COUNT]) -> (Surface, f64) {
    let start = (Surface::Centre, f64::NEG_INFINITY);
    Surface::ALL.into_iter().zip(*p).fold(start, |best, (s, p)| if p > best.1 { (s, p) } else { best })
}

/// A doubt above this share speaks for the pupil.
const DOUBT: f64 = 0.15;

/// Whether a doubt about the names of surfaces could explain that `heard` stands where `written` was asked for.
pub(super) fn excused(doubts: &[Doubt], written: Surface, heard: Surface) -> bool {
    doubts.iter().any(|doubt| match *doubt {
        Doubt::Exchanged { a, b, p } => p > DOUBT && ((a, b) == (written, heard) || (b, a) == (written, heard)),
        Doubt::NotToldApart { written: w, heard: h } => (w, h) == (written, heard),
        Doubt::OneSurface { written: w } => w == written,
    })
}
