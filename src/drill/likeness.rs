//! The sound of each strike x the pupil's sure strikes and the room's own sounds -> how much liker the pupil's it is.
//!
//! A pupil's strikes are alike; doors, steps and rain are not like them, though they may be as loud. `likeness = distance to
//! the room's sounds - distance to the pupil's strikes`, each to the second nearest of other rounds, so that nothing is held
//! against itself. Distance: the mean of how far the band levels and the level lie apart, none by more than a limit. The
//! numbers here and those of `score` and `room` that look at likeness were set by hand on 80 pupils of
//! `scripts/measuring/measure_drill.py` (5000 to 5031, 5100 to 5147).

use crate::surface::{BANDS, Features};
use crate::units::Decibels;

/// Bands that are noise in one of two sounds lie anywhere: none counts for more than this.
const FARTHEST_DB: f64 = 15.0;
/// The level beside the forty bands: what is told by a quarter of them.
const LEVEL_WEIGHS: f64 = 10.0;
/// One sound may have come among the others by mistake; the second nearest is then still one of them.
const NEAREST: usize = 2;
/// With fewer strikes of other rounds nothing is known of how the pupil sounds: two answers of four strokes.
const LEAST: usize = 8;
/// A strike sounds like the pupil's if it is as near to them as so large a share of them to each other.
const OWN_SHARE: f64 = 0.9;

/// How a strike sounded, and in which round.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sound<'a> {
    pub(super) round: usize,
    pub(super) features: &'a Features,
    pub(super) level: Decibels,
}

/// The pupil's strikes and the room's sounds.
pub(super) struct Likeness<'a> {
    pupil: Vec<Sound<'a>>,
    room: Vec<Sound<'a>>,
    own_within: f64,
}

fn distance(a: &Sound, b: &Sound) -> f64 {
    let bands = a.features.bands.iter().zip(&b.features.bands);
    let bands: f64 = bands.map(|(x, y)| f64::from((x - y).abs()).min(FARTHEST_DB)).sum();
    let level = (a.level.0 - b.level.0).abs().min(FARTHEST_DB);
    (bands + LEVEL_WEIGHS * level) / (BANDS as f64 + LEVEL_WEIGHS)
}

/// Distance to the second nearest of other rounds, and of how many.
fn nearest(sounds: &[Sound], from: &Sound) -> (f64, usize) {
    let others = sounds.iter().filter(|s| s.round != from.round);
    let mut all: Vec<f64> = others.map(|s| distance(s, from)).collect();
    all.sort_by(f64::total_cmp);
    (all.get(NEAREST - 1).copied().unwrap_or(FARTHEST_DB), all.len())
}

impl<'a> Likeness<'a> {
    /// From the pupil's sure strikes and what sounded outside all answers.
    pub(super) fn of(pupil: Vec<Sound<'a>>, room: Vec<Sound<'a>>) -> Likeness<'a> {
        let mut within: Vec<f64> = pupil.iter().map(|s| nearest(&pupil, s).0).collect();
        within.sort_by(f64::total_cmp);
        let own_within = within.get((OWN_SHARE * within.len() as f64) as usize).copied().unwrap_or(0.0);
        Likeness { pupil, room, own_within }
    }

    /// How much liker the pupil's strikes than the room's sounds, in decibels, and whether it sounds like the pupil's own.
    /// `None` where too little is known of the pupil.
    pub(super) fn tell(&self, sound: &Sound) -> Option<(f64, bool)> {
        let (pupil, known) = nearest(&self.pupil, sound);
        (known >= LEAST).then(|| (nearest(&self.room, sound).0 - pupil, pupil <= self.own_within))
    }
}
