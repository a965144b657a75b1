//! A recording and what came with it -> what is heard in it; of which assigned part it is; what holds for it. All of it by
//! the one way through [`crate::chain`], so that the book says what `pailbeat assess` says.
//!
//! Two recordings are of one sound when the same strikes stand at the same intervals ([`same_sound`]).

use std::path::Path;

use sha2::{Digest as _, Sha256};

use super::item::{Bytes, Item, Known};
use super::{Assigned, BookError};
use crate::assess::Assessment;
use crate::audio::{self, AudioError, Source};
use crate::chain::{self, Asked, Beside, ChainError, FEW, Guides, Unsure, known_strikes, quietly};
use crate::files::hex;
use crate::part::Timeline;
use crate::surface::Calibration;
use crate::take::{Card, Recording};
use crate::units::Seconds;

/// Two recordings of one sound have strikes within this of each other: what two coders move an attack by. Two takes by
/// one player differ by 10 ms and more (the jitter of trained adults).
const SAME_WITHIN_MS: f64 = 4.0;
/// At least this share of them.
const SAME_SHARE: f64 = 0.9;
/// Padding of coders and cut ends: recordings of one sound differ in length by less.
pub(super) const SAME_LENGTH_S: f64 = 1.0;

/// The ear that this program hears with: its version, and the beginning of the hash of its fitted numbers.
pub fn ear() -> String {
    let mut hash = Sha256::new();
    hash.update(crate::onset::weights());
    hash.update(include_bytes!("../../assets/surface.json"));
    format!("{}-{}", env!("CARGO_PKG_VERSION"), hex(&hash.finalize()[..4]))
}

/// A recording as heard, with what came with it.
pub(super) struct Listened {
    heard: chain::Listened,
    beside: Beside,
}

/// The sound of a recording from its beginning.
pub(super) fn open(bytes: &Bytes, name: &str) -> Result<Source, AudioError> {
    let name = Path::new(name);
    match bytes {
        Bytes::File(path) => audio::open(path),
        Bytes::Member(..) | Bytes::Spooled(_) => {
            let unreadable =
                |source| AudioError::Open { path: name.into(), reason: "it cannot be read", source: Some(source) };
            audio::open_source(bytes.open().map_err(unreadable)?, name)
        }
    }
}

/// A recording to be heard.
pub(super) fn sound(item: &Item) -> Recording<impl Fn() -> Result<Source, AudioError>> {
    Recording::new(|| open(&item.bytes, &item.place))
}

/// What can go wrong with a recording alone: nobody stops it, names a strike, or gives another rate.
pub(super) fn unheard(error: &ChainError<AudioError>) -> (String, &'static str) {
    match error {
        ChainError::Sound(error) => (error.to_string(), error.hint()),
        other @ (ChainError::Rate(_) | ChainError::NoStrike(_) | ChainError::Stopped) => {
            (other.to_string(), "record it again")
        }
    }
}

/// Which guides may be heard in a take of this assignment. A card that says whether and to what it was played is believed.
pub(super) fn guides(assigned: &Assigned, card: Option<&Card>) -> Guides {
    let Some((card, described)) = card.and_then(|card| Some((card, card.asked.described()?))) else {
        return Guides::Likely;
    };
    if !card.guide_played {
        return Guides::None;
    }
    match is_of(card, assigned).then(|| described.rebuild(&assigned.part)) {
        Some(Ok((_, guide))) => Guides::Played(vec![guide]),
        _ => Guides::Likely,
    }
}

/// Whether a card names this very version of the part.
fn is_of(card: &Card, assigned: &Assigned) -> bool {
    card.part.sha256.as_ref().is_some_and(|h| h.eq_ignore_ascii_case(&hex(&assigned.sha256)))
}

/// How the pupil's surfaces sound; of no strikes where nothing is known or it cannot be used.
fn known(item: &Item) -> Calibration {
    match &item.known {
        Known::Nothing => Calibration::default(),
        Known::Heard(known) => known.clone(),
        Known::Recorded(bytes, name, surfaces) => {
            let mut sound = Recording::new(|| open(bytes, name));
            let heard = chain::hear(&mut sound, &[], &mut quietly);
            heard.ok().and_then(|(take, _)| known_strikes(&take, surfaces).ok()).unwrap_or_default()
        }
    }
}

impl Listened {
    /// Hears a recording.
    ///
    /// # Errors
    /// If it is none.
    pub(super) fn to(item: &Item) -> Result<Listened, ChainError<AudioError>> {
        let heard = chain::listen(&mut sound(item), &mut quietly)?;
        let beside = Beside { known: known(item), named: Vec::new(), card: item.card.as_ref().map(Card::says) };
        Ok(Listened { heard, beside })
    }

    /// How long it is.
    pub(super) fn length(&self) -> Seconds {
        self.heard.take.heard.duration
    }

    /// How the pupil's surfaces sound.
    pub(super) fn known(&self) -> &Calibration {
        &self.beside.known
    }

    /// Strikes as intervals in tenths of a millisecond: the same whatever stands before the first.
    pub(super) fn print(&self) -> Vec<u8> {
        let onsets = &self.heard.take.heard.onsets;
        let sure: Vec<f64> = onsets.iter().filter(|o| o.certainty > 0.5).map(|o| o.at.get()).collect();
        sure.windows(2)
            .flat_map(|w| (((w[1] - w[0]) * 1e4).round().clamp(0.0, 65_535.0) as u16).to_le_bytes())
            .collect()
    }

    /// Which of the parts it is: the assessment against it, or in words why that is not sure. `told`: somebody has said
    /// that it is one of these.
    pub(super) fn which(&self, item: &Item, parts: &[&Assigned], told: bool) -> Result<(usize, Assessment), String> {
        let timelines: Vec<Timeline> =
            parts.iter().map(|a| a.timeline().map_err(|e| e.to_string())).collect::<Result<_, _>>()?;
        let asked: Vec<Asked> = (parts.iter().zip(&timelines))
            .map(|(a, timeline)| Asked { guides: guides(a, item.card.as_ref()), ..Asked::of(timeline) })
            .collect();
        let which = chain::which(&self.heard, &mut sound(item), &asked, told, &self.beside, &mut quietly);
        let title = |k: usize| parts.get(k).map_or("", |a| a.title.as_str());
        match which.map_err(|e| unheard(&e).0)? {
            Ok((k, verdict)) => Ok((k, verdict.assessment)),
            Err(Unsure::NothingAsked) => Err("nothing was assigned to the class".into()),
            Err(Unsure::FewStrikes(n)) => Err(format!("only {n} strikes were heard")),
            Err(Unsure::NoneOfThem) => Err("it is none of the parts that were assigned".into()),
            Err(Unsure::Either(a, b)) => Err(format!("it may be `{}` or `{}`", title(a), title(b))),
        }
    }
}

/// Hears a kept recording of an assignment again.
///
/// # Errors
/// If it cannot be heard.
pub(super) fn again(item: &Item, assigned: &Assigned) -> Result<Assessment, BookError> {
    let refuse = |e: ChainError<AudioError>| {
        let (what, hint) = unheard(&e);
        BookError::Refused { what, hint: hint.into() }
    };
    let (_, assessment) = (Listened::to(item).map_err(refuse)?)
        .which(item, &[assigned], true)
        .map_err(|what| BookError::Refused { what, hint: "`pailbeat check` on its part file says more".into() })?;
    Ok(assessment)
}

/// Whether two fingerprints are of one sound: nearly every strike of either stands in the other at the same place.
pub(super) fn same_sound(a: &[u8], b: &[u8]) -> bool {
    let times = |print: &[u8]| {
        let steps = print.as_chunks::<2>().0.iter().map(|c| f64::from(u16::from_le_bytes(*c)) / 10.0);
        std::iter::once(0.0)
            .chain(steps.scan(0.0, |at, step| {
                *at += step;
                Some(*at)
            }))
            .collect::<Vec<f64>>()
    };
    let (a, b) = (times(a), times(b));
    if a.len().min(b.len()) < FEW {
        return false;
    }
    // The first strike of one may be missing in the other.
    let shifts = (0..3).flat_map(|i| (0..3).map(move |j| (i, j)));
    shifts.into_iter().any(|(i, j)| {
        let shift = b[j] - a[i];
        let (mut k, mut same) = (0, 0);
        for t in &a {
            while k < b.len() && b[k] < t + shift - SAME_WITHIN_MS {
                k += 1;
            }
            same += usize::from(b.get(k).is_some_and(|u| (u - t - shift).abs() <= SAME_WITHIN_MS));
        }
        same as f64 >= SAME_SHARE * a.len().max(b.len()) as f64
    })
}
