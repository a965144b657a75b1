//! The one way from a recording to a verdict: samples at any rate x what was asked for -> what was heard, and the
//! [`Assessment`].
//!
//! | file | in -> out |
//! |---|---|
//! | `listen` | a [`Sound`] of any rate, block by block -> what is heard in it ([`Listened`]) |
//! | `beside` | what is known of a take beside its sound: strikes of known surface, its card, the recorder's faults |
//! | `judge` | what was heard x a timeline -> the assessment |
//! | `which` | the same against several parts -> which of them it is |
//!
//! Pure: where the samples come from is the caller's business. [`assess`] is for one who knows what was asked for,
//! [`which()`] for one who knows what it may have been; both look for the guide, take it out, use the strikes of a sound
//! check and what the take card says, and nothing in the program judges in another way. [`hear`] alone is for what has no
//! part: a drill, a sound check, a list of strikes.
//!
//! The front page of this crate has an example.

mod beside;
mod judge;
mod listen;
#[cfg(test)]
mod tests;
mod which;

use crate::assess::Assessment;
use crate::guide::{self, Guide, Practice};
use crate::leak::{self, Band, Reference};
use crate::onset::Heard;
use crate::part::Timeline;
use crate::surface::Features;
use crate::units::{EAR_RATE, Seconds};

pub use beside::{Beside, CardSays, NAMED_WITHIN, Notice, Slip, WrongCount, known_strikes};
pub use judge::judge;
pub use listen::{
    ChainError, Go, Listened, Listener, Progress, Samples, Sound, Step, Watch, hear, hear_samples, hear_without,
    listen, quietly,
};
pub use which::{FEW, Told, Unsure, which};

use crate::leak::{GuideClock, Residue};
pub use crate::resample::{MAX_RATE, MIN_RATE};

/// What was heard in a recording, before any part is held against it.
#[derive(Clone, Debug, Default)]
pub struct Take {
    /// Strikes, faint candidates, audibility, duration.
    pub heard: Heard,
    /// What each strike sounded like, in the order of `heard.onsets`.
    pub features: Vec<Features>,
    /// Whether each strike was cut off at full scale, in the same order.
    pub clipped: Vec<bool>,
    /// The guide, where it was heard in the recording.
    pub guide: Option<GuideInTake>,
}

/// A guide that was heard in a recording and taken out of it.
#[derive(Clone, Debug, PartialEq)]
pub struct GuideInTake {
    /// Where each moment of the guide stands in the recording.
    pub clock: GuideClock,
    /// Beat 1 of bar 1 in the guide.
    pub start: Seconds,
    /// Its sounds in the recording, and what may be hidden there.
    pub sounds: Vec<Residue>,
}

impl Take {
    /// Leaves out the strikes that are marked.
    pub fn leave_out(&mut self, marked: &[bool]) {
        fn keep_only<T>(items: &mut Vec<T>, dropped: &[bool]) {
            let mut dropped = dropped.iter();
            items.retain(|_| dropped.next() != Some(&true));
        }
        keep_only(&mut self.heard.onsets, marked);
        keep_only(&mut self.features, marked);
        keep_only(&mut self.clipped, marked);
    }
}

/// Which guides may sound in a recording.
#[derive(Clone, Debug, PartialEq)]
pub enum Guides {
    /// Nothing is known: any that pupils play along with ([`guide::likely`]).
    Likely,
    /// One of these was played.
    Played(Vec<Guide>),
    /// None was.
    None,
}

impl Guides {
    /// Those to look for with this timeline.
    fn of(&self, practice: impl FnOnce() -> Practice) -> Vec<Guide> {
        match self {
            Guides::Likely => guide::likely(&practice(), EAR_RATE),
            Guides::Played(guides) => guides.clone(),
            Guides::None => Vec::new(),
        }
    }
}

/// What a take is held against.
#[derive(Clone, Debug)]
pub struct Asked<'a> {
    /// What was to be played.
    pub timeline: &'a Timeline,
    /// Its bars lap by lap, where some of them are practised several times; else the timeline is played once.
    pub laps: Option<&'a [std::ops::Range<usize>]>,
    /// What it may have been played to.
    pub guides: Guides,
}

impl<'a> Asked<'a> {
    /// A timeline played once, to nobody knows which guide.
    pub fn of(timeline: &'a Timeline) -> Asked<'a> {
        Asked { timeline, laps: None, guides: Guides::Likely }
    }

    /// Practice of a part, to nobody knows which guide.
    pub fn practice(practice: &'a Practice) -> Asked<'a> {
        Asked { timeline: &practice.timeline, laps: Some(&practice.laps), guides: Guides::Likely }
    }

    fn guides(&self) -> Vec<Guide> {
        self.guides.of(|| match self.laps {
            Some(laps) => Practice { timeline: self.timeline.clone(), laps: laps.to_vec() },
            None => Practice::once(self.timeline.clone()),
        })
    }
}

/// What came of a take.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// What is said of it.
    pub assessment: Assessment,
    /// What was heard.
    pub take: Take,
}

/// Which of some guides is in a recording, if any, and where. `low`: the recording's [`crate::leak::Low`].
pub fn find_guide(guides: &[Guide], low: &Band) -> Option<(usize, leak::Lock)> {
    let references: Vec<Reference> = guides.iter().map(Reference::of).collect();
    leak::find_any(&references, low)
}

/// Hears a recording and holds it against what was asked for.
///
/// # Errors
/// Those of the sound; a strike that was named and not heard; where `watch` says to stop.
pub fn assess<S: Sound>(
    sound: &mut S,
    asked: &Asked,
    beside: &Beside,
    watch: Watch,
) -> Result<Verdict, ChainError<S::Error>> {
    let (take, notices) = match &asked.guides {
        // Expected, so that the ear can wait until it is taken out.
        Guides::Played(guides) => hear(sound, guides, watch)?,
        Guides::Likely | Guides::None => listen(sound, watch)?.without(sound, &asked.guides(), watch)?,
    };
    listen::go_on(watch, Step::Matching)?;
    let known = beside.known(&take).map_err(ChainError::NoStrike)?;
    let mut assessment = judge(&take, asked.timeline, known.as_ref());
    beside.tell(&mut assessment, &notices);
    Ok(Verdict { assessment, take })
}
