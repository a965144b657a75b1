//! What a take cannot tell, and why.

use super::status::Fate;
use super::{Clock, ClockSource, Hearing, Status, levels};
use crate::part::{Hand, Timeline};
use crate::surface::Doubt;
use crate::units::{Decibels, Seconds};

/// One thing that a take cannot tell. The sentence is [`super::say::limit`].
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Limit {
    /// Next to nothing was heard, so nothing is judged.
    AlmostNothing {
        /// Strikes that were heard.
        strikes: usize,
        /// Length of the recording.
        duration: Seconds,
    },
    /// It does not follow the written part, so nothing is judged.
    AnotherPart {
        /// Strikes that were heard.
        strikes: usize,
    },
    /// It follows the part only loosely.
    PerhapsAnotherPart,
    /// No guide was heard, so that only the player's own pulse is known.
    OwnPulse,
    /// Too many strikes were cut off at full scale.
    Clipped {
        /// Which share of them.
        share: f64,
    },
    /// The recorder changed its gain, and dynamics are written.
    Gain,
    /// The playing ends before the part does.
    EndsEarly {
        /// In this bar: index into [`Timeline::bars`].
        bar: usize,
        /// Bars with strokes after it.
        after: usize,
    },
    /// Strokes that may have been played and could not be heard.
    NotHeard {
        /// How many.
        strokes: usize,
    },
    /// The strikes hardly stand out of the noise.
    Noise {
        /// By how much.
        over: Decibels,
        /// So that hands cannot be told to fall together.
        together: bool,
    },
    /// One hand sounds louder, but never where the other plays.
    StrongerHand {
        /// Which.
        hand: Hand,
        /// By how much.
        by: Decibels,
    },
    /// Which surface is which.
    Surfaces(Doubt),
    /// What those who read the recording and its card say of it, in their words.
    Recording(String),
}

/// What this take cannot tell.
pub(super) fn limits(timeline: &Timeline, heard: &Hearing, clock: Option<Clock>, fates: &[Fate]) -> Vec<Limit> {
    let mut out = Vec::new();
    if clock.is_some_and(|c| c.source == ClockSource::OwnPulse) {
        out.push(Limit::OwnPulse);
    }
    if heard.clipped > 0.1 {
        out.push(Limit::Clipped { share: heard.clipped.min(1.0) });
    }
    if heard.gain > 0.5 && levels::asked_for(timeline) {
        out.push(Limit::Gain);
    }
    out.extend(ends_early(timeline, fates));
    let strokes = fates.iter().filter(|s| s.status == Status::NotHeard).count();
    if strokes > 0 {
        out.push(Limit::NotHeard { strokes });
    }
    out.extend(doubts(&heard.doubts));
    out
}

/// Where the take ends before the part does.
fn ends_early(timeline: &Timeline, fates: &[Fate]) -> Option<Limit> {
    let last = fates.iter().rposition(|s| s.status != Status::NotReached)?;
    let bar = timeline.strokes.get(last)?.bar;
    let after = timeline.bars.get(bar + 1..)?.iter().filter(|b| !b.strokes.is_empty()).count();
    (after > 0).then_some(Limit::EndsEarly { bar, after })
}

/// Doubts about names that are worth saying, each once.
fn doubts(doubts: &[Doubt]) -> Vec<Limit> {
    /// Below this nobody needs to hear of it.
    const WORTH_SAYING: f64 = 0.15;
    let mut said: Vec<Limit> = Vec::new();
    for doubt in doubts {
        let worth = match *doubt {
            Doubt::Exchanged { p, .. } => p > WORTH_SAYING,
            Doubt::NotToldApart { .. } | Doubt::OneSurface { .. } => true,
        };
        let limit = Limit::Surfaces(*doubt);
        if worth && !said.contains(&limit) {
            said.push(limit);
        }
    }
    said
}
