//! Sentences on what a take cannot tell.

use super::super::limits::Limit;
use super::teacher::{hand_name, other_hand};
use super::{NAME, clean, here, many};
use crate::assess::finding::Place;
use crate::part::Timeline;
use crate::surface::Doubt;

/// What a take cannot tell, and why.
pub fn limit(t: &Timeline, limit: &Limit) -> String {
    match limit.clone() {
        Limit::AlmostNothing { strikes, duration } => format!(
            "almost no strikes were heard: {} in {:.0} s, so nothing is judged; was the microphone near the bucket, and is this the right recording?",
            if strikes == 0 { "none".to_string() } else { strikes.to_string() },
            duration.get()
        ),
        Limit::AnotherPart { strikes } => format!(
            "this does not sound like `{}`: {strikes} strikes were heard, but they do not follow the written part, so nothing is judged; was another part or another form played?",
            clean(&t.title, NAME)
        ),
        Limit::PerhapsAnotherPart => {
            "whether this was the written part at all: the playing follows it only loosely, so take the findings with care".into()
        }
        Limit::OwnPulse => {
            "whether the playing was early or late against the guide: no guide was heard in the recording, so only the player's own pulse is judged".into()
        }
        Limit::Clipped { share } => format!(
            "how loud the strokes were: {:.0} % of them were cut off by the recorder; move it further away",
            100.0 * share
        ),
        Limit::Gain => {
            "swells, fades and dynamics: the recorder seems to change its gain by itself, so loud and soft are levelled out".into()
        }
        Limit::EndsEarly { bar, after } => format!(
            "anything after {}: the playing ends there, {after} of {} bars before the end of the part",
            here(t, &Place::bar(bar)),
            t.bars.len()
        ),
        Limit::NotHeard { strokes } => format!(
            "{} could not be heard but may have been played: soft, hidden by noise or by the ringing of the one before, or lost in a gap of the recording; {} neither right nor wrong",
            many(strokes, "stroke"),
            if strokes == 1 { "it counts as" } else { "they count as" }
        ),
        Limit::Noise { over, together } => format!(
            "{}how loud and soft: the strikes stand only {:.0} dB above the noise, {:.0} are needed",
            if together { "whether both hands fall together, and " } else { "" },
            over.0,
            super::super::judge::NOISY_DB
        ),
        Limit::StrongerHand { hand, by } => format!(
            "whether one hand is the stronger: strokes written for the {} are about {:.0} dB louder than those for the {}, but the two stand at other places in the bar, where an accent may be meant",
            hand_name(hand),
            by.0,
            hand_name(other_hand(hand))
        ),
        Limit::Surfaces(Doubt::Exchanged { a, b, p }) => format!(
            "which sound is the {} and which the {} cannot be told from this take alone: {}; three single strikes of each, recorded once, settle it",
            a.word(),
            b.word(),
            if p >= 0.5 { "they may be exchanged throughout" } else { "they are named by likelihood" }
        ),
        Limit::Surfaces(Doubt::NotToldApart { written, heard }) => format!(
            "no {0} was heard, everything sounds like {1}: either it was all played there or the two sound alike here; three single strikes of each, recorded once, settle it",
            written.word(),
            heard.word()
        ),
        Limit::Recording(said) => said,
        Limit::Surfaces(Doubt::OneSurface { written }) => format!(
            "only {} is written or played, so nothing in the take can show whether it was the right surface",
            written.word()
        ),
    }
}
