//! What a removal leaves behind where each sound of the guide was, and what it may hide.
//!
//! Expected left-over of a sound: `leak x (squared error of its template / its power + 10^-3.2)`, the second term for what
//! no template follows. A soft stroke may be hidden where that is far above the take's quiet and not far below its loud.

use super::frames::BINS;
use super::outside::Rise;
use super::take_out::Apart;
use super::template::Cue;
use crate::onset::Audibility;
use crate::units::{Decibels, EAR_RATE, Seconds};

/// A sound of the guide in the recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Residue {
    /// When it comes.
    pub at: Seconds,
    /// Mean power of its first 50 ms as it was in the recording, relative to full scale.
    pub leak: Decibels,
    /// Expected mean power of what is left of it.
    pub left: Decibels,
    /// Mean power that is there after the removal: what is left of it, noise, and strikes.
    pub stays: Decibels,
    /// A soft stroke could be hidden under what is left.
    pub hides: bool,
}

/// Samples over which a sound is looked at: 50 ms, the length of a chirp and of a strike's level.
const WINDOW: usize = 2205;
/// What no template follows, as a share of the leak: -32 dB, the depth reached on clean takes.
const UNFOLLOWED: f64 = 6.3e-4;
/// A stroke may be hidden where the left-over is this far above the take's quiet fifth, and at most this far (24 dB) below
/// its loud strikes.
const OVER_QUIET: f64 = 4.0;
const UNDER_LOUD: f64 = 4e-3;
const QUIET: f64 = 0.2;
const LOUD: f64 = 0.97;
/// Frames that hold a sound's beginning.
const FRAMES: usize = 24;
/// A strike must stand this far above the left-over to be told from it.
const ABOVE: Decibels = Decibels(6.0);
/// Where a sound hides something, it does so from a little before to the end of a chirp.
const HIDES: (Seconds, Seconds) = (Seconds::from_millis(-10.0), Seconds::from_millis(60.0));

/// A sound is struck over if something louder than 10 dB under its leak is heard this near.
const BESIDE: f64 = -10.0;
const NEAR: Seconds = Seconds::from_millis(70.0);
/// So many sounds that nobody struck over tell how deep a removal went. Else it is thought to be as on clean takes; and it
/// never is so shallow that a strike half as loud as the guide would be doubted.
const FREE: usize = 6;
const USUAL_DEPTH: f64 = -30.0;
const LEAST_DEPTH: f64 = -15.0;
/// What is left varies from sound to sound by some 3 dB; twice that above the lower quartile is still left-over.
const OVER_DEPTH: f64 = 8.0;
/// Rises outside the guide's bands and anywhere: of 162 strikes with a click, in ten takes through Opus, 159 rose outside by
/// 10 dB and more, and all but one anywhere by 5; of 19 that were left-over 10 did not (`scripts/measuring/measure_leak.py`).
const NO_RISE: Decibels = Decibels(5.0);
const RISE: Decibels = Decibels(12.0);
/// Left-over is heard from a little before a sound to its end and the room's first echoes.
const WITH: (Seconds, Seconds) = (Seconds::from_millis(-15.0), Seconds::from_millis(120.0));

/// Nobody plays where all that is heard comes with the guide's sounds, the room's later echoes included, and is softer than
/// they are by the first of these, or by the second and no more than one comes to so many sounds; what comes with none is
/// softer than all of these, or does not rise over what is left of the softest sound. A pupil is louder than a guide of which
/// only traces can be heard, or plays more than that.
const TRACES: (f64, f64) = (-20.0, BESIDE);
const RARE: usize = 4;
const TRACES_WITH: (Seconds, Seconds) = (Seconds::from_millis(-50.0), Seconds::from_millis(250.0));

/// The sounds of a section that are asked for, and the power that is expected to be left of each; [`Levels::hide`] says
/// which of them hide something.
pub(super) fn residues(apart: &Apart, asked: impl Fn(&Cue) -> bool) -> Vec<(Residue, f64)> {
    let rate = f64::from(EAR_RATE.get());
    let share: Vec<f64> = (apart.templates.iter())
        .map(|t| {
            let early = (FRAMES * BINS).min(t.bins.len()).min(t.error.len());
            let power: f64 = t.bins[..early].iter().map(|b| f64::from(b.norm_sqr())).sum();
            let error: f64 = t.error[..early].iter().map(|e| f64::from(*e)).filter(|e| *e < 1e6).sum();
            (error / (power + 1e-20)).min(1.0) + UNFOLLOWED
        })
        .collect();
    let (mut leaks, mut stays) = (Vec::new(), Vec::new());
    (apart.cues.iter().filter(|c| c.used && asked(c)))
        .map(|cue| {
            let at = apart.clock.at(Seconds::of(cue.at));
            let sample = ((at.get() * rate).max(0.0) as usize).min(apart.end());
            apart.leak(sample, (sample + WINDOW).min(apart.end()), &mut leaks);
            apart.left(sample, &leaks, &mut stays);
            let left = energy(&leaks) * share[cue.kind];
            let mean = |energy: f64| Decibels::from_power(energy / WINDOW as f64);
            let (leak, stays) = (mean(energy(&leaks)), mean(energy(&stays)));
            (Residue { at, leak, left: mean(left), stays, hides: false }, left)
        })
        .collect()
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(v * v)).sum()
}

/// How loud what is left of a recording is, moment by moment.
#[derive(Default)]
pub(super) struct Levels {
    energies: Vec<f64>,
    /// Samples that belong to moments still to come.
    rest: Vec<f32>,
}

impl Levels {
    /// Looks at the next samples.
    pub(super) fn watch(&mut self, left: &[f32]) {
        self.rest.extend_from_slice(left);
        // The last moment begins before the last sample that could be its end.
        let moments = self.rest.len().saturating_sub(WINDOW).div_ceil(WINDOW / 2);
        let at = |k: usize| k * (WINDOW / 2);
        self.energies.extend((0..moments).map(|k| energy(&self.rest[at(k)..at(k) + WINDOW])));
        self.rest.drain(..at(moments));
    }

    /// Says of some sounds which of them could hide a soft stroke.
    pub(super) fn hide(mut self, sounds: Vec<(Residue, f64)>) -> Vec<Residue> {
        self.energies.sort_by(f64::total_cmp);
        let at = |q: f64| self.energies.get((self.energies.len() as f64 * q) as usize).copied().unwrap_or(0.0);
        let (quiet, loud) = (at(QUIET) + 1e-12, at(LOUD));
        let hides = |left: f64| left > OVER_QUIET * quiet && left > UNDER_LOUD * loud;
        let mut out: Vec<Residue> =
            sounds.into_iter().map(|(sound, left)| Residue { hides: hides(left), ..sound }).collect();
        out.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
        out
    }
}

/// How deep a removal went: the lower quartile of `stays - leak` over the sounds beside which nothing as loud as
/// [`BESIDE`] was heard; at most [`LEAST_DEPTH`]. With fewer than [`FREE`] such sounds the usual depth.
fn depth(sounds: &[Residue], heard: &[(Seconds, Decibels)]) -> f64 {
    let struck = |s: &Residue| {
        let from = heard.partition_point(|h| h.0 < s.at - NEAR);
        heard[from..].iter().take_while(|h| h.0 < s.at + NEAR).any(|h| h.1.0 > s.leak.0 + BESIDE)
    };
    let mut free: Vec<f64> = sounds.iter().filter(|s| !struck(s)).map(|s| s.stays.0 - s.leak.0).collect();
    if free.len() < FREE {
        return USUAL_DEPTH;
    }
    free.sort_by(f64::total_cmp);
    free[free.len() / 4].min(LEAST_DEPTH)
}

/// Whether a strike comes with one of the guide's sounds and is softer than what `limit` says of that.
pub fn comes_with(
    sounds: &[Residue],
    strike: &(Seconds, Decibels),
    within: (Seconds, Seconds),
    limit: impl Fn(&Residue) -> f64,
) -> bool {
    let (at, level) = *strike;
    let from = sounds.partition_point(|s| s.at + within.1 < at);
    sounds[from..].iter().take_while(|s| s.at + within.0 <= at).any(|s| level.0 < limit(s))
}

/// Whether only traces of the guide are heard, and no player.
fn nobody_plays(sounds: &[Residue], heard: &[(Seconds, Decibels)]) -> bool {
    let under = |by: f64| {
        let trace = |h: &(Seconds, Decibels)| comes_with(sounds, h, TRACES_WITH, |s| s.leak.0 + by);
        let softest = heard.iter().filter(|h| trace(h)).map(|h| h.1.0);
        let over_left = sounds.iter().map(|s| s.stays.0).min_by(f64::total_cmp).map(|left| left + NO_RISE.0);
        let least = softest.min_by(f64::total_cmp).into_iter().chain(over_left).fold(f64::NEG_INFINITY, f64::max);
        heard.iter().all(|h| trace(h) || h.1.0 < least)
    };
    under(TRACES.0) || (heard.len() * RARE <= sounds.len() && under(TRACES.1))
}

/// For each strike (time and level, in order) whether what a removal leaves of the guide's sounds explains it: nobody plays
/// at all, or it comes with one of them and is hardly louder than what is left there in this take. `rises`, one for each
/// strike: what does not rise anywhere is left-over up to the sound's own level, what rises where none of the guide's
/// sounds is heard is a strike however soft.
pub(super) fn explained(sounds: &[Residue], heard: &[(Seconds, Decibels)], rises: &[Option<Rise>]) -> Vec<bool> {
    if nobody_plays(sounds, heard) {
        return vec![true; heard.len()];
    }
    let depth = depth(sounds, heard);
    let left_over = |(k, h): (usize, &(Seconds, Decibels))| {
        // Most strikes come with no sound, or are louder than any.
        comes_with(sounds, h, WITH, |s| s.leak.0)
            && match rises.get(k).copied().flatten() {
                Some(rise) if rise.anywhere < NO_RISE => true,
                Some(rise) if rise.outside >= RISE => false,
                _ => comes_with(sounds, h, WITH, |s| s.leak.0 + depth + OVER_DEPTH),
            }
    };
    heard.iter().enumerate().map(left_over).collect()
}

pub(super) fn doubt(sounds: &[Residue], audibility: &mut Vec<Audibility>) {
    for sound in sounds.iter().filter(|s| s.hides) {
        let least = Decibels(sound.left.0 + ABOVE.0);
        Audibility::raise(audibility, sound.at + HIDES.0, sound.at + HIDES.1, least);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nobody_plays_where_what_comes_with_no_sound_of_the_guide_is_softer_than_its_traces() {
        let at = |k: usize| Seconds::of(k as f64);
        let level = |db: f64| Decibels(db);
        let sounds: Vec<Residue> = (0..16)
            .map(|k| Residue { at: at(k), leak: level(-30.0), left: level(-60.0), stays: level(-60.0), hides: false })
            .collect();
        let mut heard: Vec<(Seconds, Decibels)> = (0..16).map(|k| (at(k), level(-58.0))).collect();
        heard.insert(4, (Seconds::of(3.6), level(-59.0)));
        assert_eq!(explained(&sounds, &heard, &[]), [true; 17]);
        // What does not rise over what is left of the guide is nobody, with traces or without; what does is somebody.
        heard[4].1 = level(-57.0);
        assert_eq!(explained(&sounds, &heard, &[]), [true; 17]);
        assert_eq!(explained(&sounds, &heard[4..5], &[]), [true]);
        heard[4].1 = level(-54.0);
        assert!(!explained(&sounds, &heard, &[])[4]);
        assert_eq!(explained(&sounds, &heard[4..5], &[]), [false]);
    }

    #[test]
    fn left_over_is_no_strike_and_a_soft_stroke_above_it_is_one() {
        let sound = |k: usize| Residue {
            at: Seconds::of(k as f64),
            leak: Decibels(-30.0),
            left: Decibels(-60.0),
            stays: Decibels(if k < 8 { -56.0 } else { -25.0 }),
            hides: false,
        };
        let sounds: Vec<Residue> = (0..16).map(sound).collect();
        let heard = [(2.02, -55.0), (3.02, -45.0), (4.5, -60.0), (9.0, -25.0), (10.0, -25.0)]
            .map(|(t, db)| (Seconds::of(t), Decibels(db)));
        assert_eq!(explained(&sounds, &heard, &[]), [true, false, false, false, false]);
        assert_eq!(explained(&[], &heard, &[]), [false; 5]);
        // What does not rise elsewhere is left-over up to the sound's own level; what does is none.
        let expected = [true, true, false, false, false];
        assert_eq!(
            explained(&sounds, &heard, &[Some(Rise { outside: Decibels(2.0), anywhere: Decibels(2.0) }); 5]),
            expected
        );
        assert_eq!(
            explained(&sounds, &heard, &[Some(Rise { outside: Decibels(20.0), anywhere: Decibels(20.0) }); 5]),
            [false; 5]
        );
    }

    #[test]
    fn where_all_is_traces_of_the_guide_nobody_plays_and_one_louder_strike_is_somebody() {
        let sound = |k: usize| Residue {
            at: Seconds::of(k as f64),
            leak: Decibels(-30.0),
            left: Decibels(-60.0),
            stays: Decibels(-60.0),
            hides: false,
        };
        let sounds: Vec<Residue> = (0..16).map(sound).collect();
        let strikes = |all: &[(f64, f64)]| -> Vec<(Seconds, Decibels)> {
            all.iter().map(|(t, db)| (Seconds::of(*t), Decibels(*db))).collect()
        };
        let rare = [(2.2, -42.0), (7.0, -44.0), (9.1, -45.0)];
        assert_eq!(explained(&sounds, &strikes(&rare), &[]), [true; 3]);
        let many: Vec<(f64, f64)> = (0..12).map(|k| (f64::from(k) + 0.2, -51.0)).collect();
        assert_eq!(explained(&sounds, &strikes(&many), &[]), [true; 12]);
        // As loud as that and as often as that, it is a player.
        let player: Vec<(f64, f64)> = (0..12).map(|k| (f64::from(k) + 0.2, -42.0)).collect();
        assert_eq!(explained(&sounds, &strikes(&player), &[]), [false; 12]);
        let with_one = [(2.2, -42.0), (7.5, -42.0)];
        assert_eq!(explained(&sounds, &strikes(&with_one), &[]), [false; 2]);
    }

    #[test]
    fn a_sound_that_hides_raises_what_must_be_reached_and_only_there() {
        let stretch = |from: f64, db: f64| Audibility { from: Seconds::of(from), threshold: Decibels(db) };
        let mut stretches = vec![stretch(0.0, -60.0), stretch(1.03, -58.0), stretch(2.0, -60.0)];
        let residue = |at: f64, hides| Residue {
            at: Seconds::of(at),
            leak: Decibels(-20.0),
            left: Decibels(-40.0),
            stays: Decibels(-45.0),
            hides,
        };
        doubt(&[residue(1.0, true), residue(1.5, false)], &mut stretches);
        let at = |t: f64| stretches[stretches.partition_point(|a| a.from.get() <= t) - 1].threshold.0;
        let expected = [(0.98, -60.0), (1.0, -34.0), (1.05, -34.0), (1.07, -58.0), (1.5, -58.0), (2.5, -60.0)];
        for (t, db) in expected {
            assert!((at(t) - db).abs() < 1e-9, "{t}: {}", at(t));
        }
    }
}
