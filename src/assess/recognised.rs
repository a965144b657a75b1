//! Faint candidates that stand where a stroke is due and are, by all that is known of the take, that stroke: they become
//! strikes, with the probability that they are it as their certainty.
//!
//! What they sound like was not looked at beyond what the ear itself holds against the other candidates of the take, so of
//! their surface nothing is known.

use super::Hearing;
use super::runs::Run;
use super::structure::Structure;
use super::unheard::{Ground, Unheard};
use crate::align::{Placed, Step, Strike};
use crate::part::{Surface, Timeline};
use crate::surface;
use crate::units::{Bpm, Seconds};

/// From this probability on.
const SURE: f64 = 0.9;

/// What of a take grows with each strike.
pub(super) struct Sounds {
    pub(super) strikes: Vec<Strike>,
    pub(super) faint: Vec<Strike>,
    pub(super) heard: Hearing,
    pub(super) structure: Structure,
}

impl Sounds {
    /// What the status of a stroke rests on.
    pub(super) fn ground<'a>(&'a self, timeline: &'a Timeline, runs: &'a [Run], jitter: Seconds) -> Ground<'a> {
        let Sounds { strikes, faint, heard, structure } = self;
        Ground { timeline, strikes, faint, placed: &structure.placed, runs, heard, jitter }
    }

    /// Makes strikes of the faint candidates; true where there was any.
    pub(super) fn recognise(&mut self, unheard: &[Unheard]) -> bool {
        let mut own: Vec<(usize, &Unheard)> =
            (unheard.iter()).filter_map(|u| u.own.filter(|own| own.p >= SURE).map(|own| (own.faint, u))).collect();
        // Of two strokes with one candidate the likelier; of two candidates for a stroke the first time it was passed.
        let p = |u: &Unheard| u.own.map_or(0.0, |own| own.p);
        own.sort_by(|a, b| a.0.cmp(&b.0).then(p(b.1).total_cmp(&p(a.1))));
        own.dedup_by_key(|(faint, _)| *faint);
        own.sort_by_key(|(faint, u)| (u.stroke, *faint));
        own.dedup_by_key(|(_, u)| u.stroke);
        own.sort_by_key(|(faint, _)| *faint);
        // From behind, so that what is still to come keeps its index.
        for (faint, unheard) in own.iter().rev() {
            if let (true, Some(own)) = (*faint < self.faint.len(), unheard.own) {
                let strike = self.faint.remove(*faint);
                let place = Placed {
                    step: Step::Match,
                    stroke: Some(unheard.stroke),
                    pulse: Seconds::of(own.due),
                    bpm: Bpm::clamped(60.0 / own.quarter.max(1e-3)),
                };
                self.insert(Strike { certainty: own.p, ..strike }, place);
            }
        }
        !own.is_empty()
    }

    fn insert(&mut self, strike: Strike, place: Placed) {
        let Sounds { strikes, heard, structure, .. } = self;
        let k = strikes.partition_point(|s| s.at <= strike.at).min(structure.placed.len());
        if heard.surfaces.len() == strikes.len() {
            let p = [1.0 / Surface::COUNT as f64; Surface::COUNT];
            heard.surfaces.insert(k, surface::Heard { p, other: 0.0 });
        }
        if heard.sure.len() == strikes.len() {
            heard.sure.insert(k, strike.certainty);
        }
        strikes.insert(k, strike);
        structure.placed.insert(k, place);
        // It belongs to the stretch that goes on up to it, not to the one that begins after it.
        let moved = |i: usize| i + usize::from(i >= k);
        for stretch in &mut structure.stretches {
            stretch.strikes = moved(stretch.strikes.start)..moved(stretch.strikes.end);
        }
    }
}
