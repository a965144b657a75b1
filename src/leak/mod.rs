//! The guide heard in a recording: found, made the clock, and taken out.
//!
//! In: the low band of a recording ([`Low`]) and the guide that may be in it; out: a [`Lock`] that says where the guide
//! begins and how fast its device's clock runs. Then: all samples of the recording; out: the recording without the guide,
//! and what may still be hidden where it sounded. Pure.
//!
//! Limits: guides with fewer than eight sounds in the recording are not looked for; a guide that plays the part is taken
//! out less deeply than clicks, since its sounds ring and lie under strikes.

mod arrival;
mod band;
mod clock;
mod find;
mod frames;
mod laid;
mod limit;
mod low;
mod matched;
mod outside;
mod refine;
mod residue;
mod room;
mod sections;
mod sinc;
mod smooth;
mod sound;
mod take_out;
mod template;
mod vote;

pub use clock::GuideClock;
pub use low::{Band, Low};
pub use outside::{Rise, Rises};
pub use residue::{Residue, comes_with};
pub use sections::Remover;
pub use sound::{Pieces, find_sound};

use crate::guide::{Guide, Sound};
use crate::onset::Audibility;
use crate::units::{Decibels, Seconds};

/// Millionths.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Ppm(pub f64);

/// Where the guide is in a recording: what stands at `t` in the guide stands at `start + t (1 + skew)` in the recording.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lock {
    /// The guide's first sample; before the recording if negative.
    pub start: Seconds,
    /// By how much the recorder counts more seconds than the player.
    pub skew: Ppm,
    /// How far the match stands above chance, in its standard deviations.
    pub certainty: f64,
}

impl Lock {
    /// Where a moment of the guide stands in the recording.
    pub fn at(&self, guide: Seconds) -> Seconds {
        self.start + Seconds::of(guide.get() * (1.0 + self.skew.0 * 1e-6))
    }
}

/// A sound of the guide.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct RefCue {
    at: Seconds,
    sound: Sound,
    sign: i8,
    gain: f64,
}

/// A guide that may be in a recording.
#[derive(Clone, Debug, PartialEq)]
pub struct Reference {
    cues: Vec<RefCue>,
}

impl Reference {
    /// All sounds of a guide.
    pub fn of(guide: &Guide) -> Reference {
        let cues = guide.events.iter().map(|e| RefCue {
            at: e.at.to_seconds(guide.rate),
            sound: e.sound,
            sign: e.sign,
            gain: e.gain,
        });
        Reference { cues: cues.collect() }
    }

    /// Whether all cues of another are among its own, whatever their gains.
    fn holds(&self, other: &Reference) -> bool {
        let same = |a: &RefCue, b: &RefCue| (a.at - b.at).abs().get() < 1e-6 && a.sound == b.sound && a.sign == b.sign;
        let mut from = 0;
        other.cues.iter().all(|cue| {
            while self.cues.get(from).is_some_and(|own| own.at.get() < cue.at.get() - 1e-6) {
                from += 1;
            }
            self.cues[from..].iter().take_while(|own| own.at.get() <= cue.at.get() + 1e-6).any(|own| same(own, cue))
        })
    }

    /// The sounds there are.
    fn sounds(&self) -> Vec<Sound> {
        let mut out: Vec<Sound> = self.cues.iter().map(|c| c.sound).collect();
        out.sort_unstable();
        out.dedup();
        out
    }
}

/// Which of some guides is in a recording, and where; `None` if none is. Guides that share their count-in are told apart by
/// all of their sounds.
pub fn find_any(references: &[Reference], low: &Band) -> Option<(usize, Lock)> {
    // One that holds all sounds of an earlier one would be heard there.
    let held = |k: usize| references[..k].iter().any(|earlier| references[k].holds(earlier));
    let searched: Vec<&Reference> = (0..references.len()).filter(|k| !held(*k)).map(|k| &references[k]).collect();
    let mut found = find::search(&searched, low).0?;
    let beside: Vec<f64> = references.iter().map(|r| found.beside(r)).collect();
    let best = (0..references.len()).max_by(|a, b| beside[*a].total_cmp(&beside[*b]))?;
    Some((best, found.lock(&references[best])))
}

/// Looks for the guide in the low band of a recording. Also says how far the best place stands above chance.
pub fn find(reference: &Reference, low: &Band) -> (Option<Lock>, f64) {
    let (found, z) = find::search(&[reference], low);
    (found.map(|mut found| found.lock(reference)), z)
}

/// What is known of a recording without its guide.
#[derive(Clone, Debug)]
pub struct Removed {
    /// The guide's clock, with the devices' wander.
    pub clock: GuideClock,
    /// Its sounds within the recording, in order.
    pub sounds: Vec<Residue>,
}

impl Removed {
    /// For each strike heard in what is left (time and level, in order; and how it [rises](Rises)) whether it is only
    /// left-over of the guide.
    pub fn explains(&self, heard: &[(Seconds, Decibels)], rises: &[Option<Rise>]) -> Vec<bool> {
        residue::explained(&self.sounds, heard, rises)
    }

    /// Raises the level below which a strike is hidden where the guide's sounds may hide one.
    pub fn doubt(&self, audibility: &mut Vec<Audibility>) {
        residue::doubt(&self.sounds, audibility);
    }
}

/// Takes the guide out of a recording at [`crate::units::EAR_RATE`] that is there as a whole; with what is left of it.
pub fn remove(reference: &Reference, samples: &[f32], lock: &Lock) -> (Vec<f32>, Removed) {
    let mut left = Vec::with_capacity(samples.len());
    let mut remover = Remover::new(reference, lock);
    remover.push(samples, &mut |block| left.extend_from_slice(block));
    let removed = remover.finish(&mut |block| left.extend_from_slice(block));
    (left, removed)
}

#[cfg(test)]
mod tests;
