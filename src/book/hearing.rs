//! A recording -> what is heard in it; of which assigned part it is; what holds for it, by the guide's clock where the
//! guide plays in it.
//!
//! Which part: the take is held against each, and the part that tells it best is the one, when it tells it well ([`TOLD`])
//! and clearly better than the next ([`AHEAD`]). Then a guide to that part is looked for, and where it is doubtful a
//! guide to any of them; what is found is taken out, and the take is told anew by what is left: a recording in which only
//! the guide plays is nobody's take. Two recordings are of one sound when the same strikes stand at the same intervals
//! ([`same_sound`]).

use std::path::Path;

use super::distil::{self, Distilled};
use super::sources::{Bytes, Card, Item};
use super::{Assigned, BookError};
use crate::assess::Assessment;
use crate::audio::{self, AudioError, Source};
use crate::chain::{self, Take};
use crate::guide::{self, Guide, Practice};
use crate::onset::EAR_RATE;
use crate::units::Seconds;

/// A part tells a take when it is better than a rhythm of the take's own by so many nats a strike. Takes of other parts
/// reach .71 at most, all but one in 693 under .6 (`scripts/class_figures.rs`, see `align::unrelated`), where the cost
/// of repetition, .6, is already taken off: so .1 on this scale.
pub(super) const TOLD: f64 = 0.1;
/// And better than every other part by so many nats a strike: over 30 strikes that is 6 nats, 400 to 1.
pub(super) const AHEAD: f64 = 0.2;
/// Where one part tells the take so well at a glance (`chain::glance`), those so far behind are not looked at again. 130
/// takes of `scripts/classroom` against six parts each: 84 of the 89 that are of one of them come above .1, those of none
/// to -.06 at most; above it the right part was first each time, by .23 and more.
const PLAIN: f64 = 0.1;
const BEHIND: f64 = 0.3;
/// Fewer strikes than this say nothing about which part it is, nor whether two recordings are one.
pub(super) const FEW: usize = 8;
/// Two recordings of one sound have strikes within this of each other: what two coders move an attack by. Two takes by
/// one player differ by 10 ms and more (the jitter of trained adults).
const SAME_WITHIN_MS: f64 = 4.0;
/// At least this share of them.
const SAME_SHARE: f64 = 0.9;
/// Padding of coders and cut ends: recordings of one sound differ in length by less.
pub(super) const SAME_LENGTH_S: f64 = 1.0;

/// Who plays to a guide plays at its tempo: beginners wander by some 5 %. One who is further off follows none, so that
/// none is looked for when the part was told without.
const FOLLOWED: f64 = 0.08;

/// A recording as heard, with what is needed to look for a guide in it.
pub(super) struct Listened {
    take: Take,
    low: Vec<f32>,
}

/// The sound of a recording from its beginning.
pub(super) fn open(item: &Item) -> Result<Source, AudioError> {
    let name = Path::new(&item.place);
    match &item.bytes {
        Bytes::File(path) => audio::open(path),
        Bytes::Member(..) | Bytes::Spooled(_) => {
            let unreadable =
                |source| AudioError::Open { path: name.into(), reason: "it cannot be read", source: Some(source) };
            audio::open_source(item.open().map_err(unreadable)?, name)
        }
    }
}

/// The guides that may be heard in a take of one of these assignments. A card that says whether and to what it was
/// played is believed.
pub(super) fn guides(parts: &[&Assigned], card: Option<&Card>) -> Vec<Guide> {
    let described = card.and_then(|c| c.described.as_ref());
    if let (Some(card), Some(about)) = (card, described) {
        let part = parts.iter().find(|a| card.is_of(a));
        return match part.filter(|_| card.guide_played).map(|a| about.rebuild(&a.part)) {
            Some(Ok((_, guide))) => vec![guide],
            _ if card.guide_played => likely(parts),
            _ => Vec::new(),
        };
    }
    likely(parts)
}

fn likely(parts: &[&Assigned]) -> Vec<Guide> {
    (parts.iter())
        .filter_map(|a| a.timeline().ok())
        .flat_map(|timeline| guide::likely(&Practice::once(timeline), EAR_RATE))
        .collect()
}

impl Listened {
    /// Hears a recording.
    ///
    /// # Errors
    /// If it is none.
    pub(super) fn to(item: &Item) -> Result<Listened, AudioError> {
        let mut source = open(item)?;
        let (take, low) = chain::hear_with_low(|block| source.next_block(block))?;
        Ok(Listened { take, low })
    }

    /// How long it is.
    pub(super) fn length(&self) -> Seconds {
        self.take.heard.duration
    }

    /// Strikes as intervals in tenths of a millisecond: the same whatever stands before the first.
    pub(super) fn print(&self) -> Vec<u8> {
        let sure: Vec<f64> = self.take.heard.onsets.iter().filter(|o| o.certainty > 0.5).map(|o| o.at.get()).collect();
        sure.windows(2)
            .flat_map(|w| (((w[1] - w[0]) * 1e4).round().clamp(0.0, 65_535.0) as u16).to_le_bytes())
            .collect()
    }

    /// The take without one of these guides, where one plays in it.
    fn without(&self, item: &Item, guides: &[Guide]) -> Option<Take> {
        let (which, lock) = chain::find_guide(guides, &self.low)?;
        let samples = open(item).ok()?.read_to_end().ok()?;
        Some(chain::hear_without(&samples, guides.get(which)?, &lock))
    }

    /// Which of the parts it is: the assessment against it, or in words why that is not sure. `told`: somebody has said
    /// that it is one of these.
    pub(super) fn which(&self, item: &Item, parts: &[&Assigned], told: bool) -> Result<(usize, Assessment), String> {
        let first = which(&self.take, parts, told);
        let near = match &first {
            Ok((k, assessment)) => {
                let own = parts.get(*k..*k + 1).unwrap_or_default();
                let off =
                    |a: &Assigned| assessment.clock.is_some_and(|c| (c.bpm.get() / a.bpm.get() - 1.0).abs() > FOLLOWED);
                if own.iter().any(|a| off(a)) && !item.card.as_ref().is_some_and(|c| c.guide_played) {
                    return first;
                }
                own
            }
            Err(_) => parts,
        };
        match self.without(item, &guides(near, item.card.as_ref())) {
            Some(take) => which(&take, parts, told),
            None => first,
        }
    }
}

/// Hears a kept recording of an assignment again.
///
/// # Errors
/// If it cannot be heard.
pub(super) fn again(item: &Item, assigned: &Assigned) -> Result<Distilled, BookError> {
    let refuse = |e: AudioError| BookError::Refused { what: e.to_string(), hint: e.hint().into() };
    let (_, assessment) = (Listened::to(item).map_err(refuse)?)
        .which(item, &[assigned], true)
        .map_err(|what| BookError::Refused { what, hint: "`pailbeat check` on its part file says more".into() })?;
    Ok(distil::distil(&assessment))
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

/// Which of the parts it is: the assessment against it, or in words why that is not sure.
fn which(take: &Take, parts: &[&Assigned], told: bool) -> Result<(usize, Assessment), String> {
    let mut timelines = Vec::new();
    for assigned in parts {
        timelines.push(assigned.timeline().map_err(|e| e.to_string())?);
    }
    let glances: Vec<f64> = match &timelines[..] {
        [_] => vec![0.0],
        several => several.iter().map(|timeline| chain::glance(take, timeline)).collect(),
    };
    let most = glances.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = if most > PLAIN { most - BEHIND } else { f64::NEG_INFINITY };
    let mut tried: Vec<(f64, usize, Assessment)> = Vec::new();
    for (k, timeline) in timelines.iter().enumerate().filter(|(k, _)| glances[*k] >= least) {
        let (assessment, related) = chain::judge_related(take, timeline, None);
        tried.push((related, k, assessment));
    }
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    let next = tried.get(1).map(|t| t.0);
    let enough = take.heard.onsets.len() >= FEW;
    let mut best = tried.into_iter();
    let Some((related, k, assessment)) = best.next() else { return Err("nothing was assigned to the class".into()) };
    let title = |k: usize| parts.get(k).map_or("", |a| a.title.as_str());
    // A card or a rule that names one part is believed.
    if told && parts.len() == 1 {
        return Ok((k, assessment));
    }
    if !enough {
        return Err(format!("only {} strikes were heard", take.heard.onsets.len()));
    }
    if related < TOLD {
        return Err("it is none of the parts that were assigned".into());
    }
    match next {
        Some(next) if related - next < AHEAD => {
            let other = best.next().map_or("", |t| title(t.1));
            Err(format!("it may be `{}` or `{other}`", title(k)))
        }
        _ => Ok((k, assessment)),
    }
}
