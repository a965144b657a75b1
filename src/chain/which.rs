//! Several parts a recording may be of -> which of them it is, and the verdict against that.
//!
//! The take is held against each, and the part that tells it best is the one, when it tells it well ([`TOLD`]) and clearly
//! better than the next ([`AHEAD`]). Then a guide to that part is looked for, and where it is doubtful a guide to any of
//! them; what is found is taken out, and the take is told anew by what is left: a recording in which only the guide plays is
//! nobody's take. Where there is but one part and somebody has said that it is this one, nothing of it is asked, and the
//! verdict is that of [`super::assess`].

use super::judge::{glance, judge_related};
use super::listen::{Listened, Sound, Step, Watch, go_on, taken_out};
use super::{Asked, Beside, ChainError, Take, Verdict};
use crate::assess::Assessment;
use crate::guide::Guide;

/// A part tells a take when it is better than a rhythm of the take's own by so many nats a strike. Takes of other parts
/// reach .71 at most, all but one in 693 under .6 (`scripts/measuring/class_figures.rs`, see `align::unrelated`), where the cost
/// of repetition, .6, is already taken off: so .1 on this scale.
const TOLD: f64 = 0.1;
/// And better than every other part by so many nats a strike: over 30 strikes that is 6 nats, 400 to 1.
const AHEAD: f64 = 0.2;
/// Where one part tells the take so well at a glance ([`glance`]), those so far behind are not looked at again. 130
/// takes of `scripts/simulating/classroom` against six parts each: 84 of the 89 that are of one of them come above .1, those of none
/// to -.06 at most; above it the right part was first each time, by .23 and more.
const PLAIN: f64 = 0.1;
const BEHIND: f64 = 0.3;
/// Fewer strikes than this say nothing about which part it is, nor whether two recordings are one.
pub const FEW: usize = 8;

/// Why it is not sure which part a recording is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Unsure {
    /// No part is known that it could be.
    NothingAsked,
    /// So few strikes were heard.
    FewStrikes(usize),
    /// It is none of the parts.
    NoneOfThem,
    /// It may be either of these two.
    Either(usize, usize),
}

/// Which of some parts it is, by its place among them, with what is said of it against that; or why that is not sure.
pub type Told<T> = Result<(usize, T), Unsure>;

/// Which of the parts a recording is of: its place among them and the verdict against it, or why that is not sure.
/// `listened`: what was heard in `sound`; `told`: somebody has said that it is one of these.
///
/// # Errors
/// Those of the sound; a strike that was named and not heard; where `watch` says to stop.
pub fn which<S: Sound>(
    listened: &Listened,
    sound: &mut S,
    asked: &[Asked],
    told: bool,
    beside: &Beside,
    watch: Watch,
) -> Result<Told<Verdict>, ChainError<S::Error>> {
    let several = asked.len() > 1;
    let first = if several { Some(held(&listened.take, asked, told, beside)?) } else { None };
    let near = match first {
        Some(Ok((k, _))) => asked.get(k..=k).unwrap_or_default(),
        _ => asked,
    };
    let guides: Vec<Guide> = near.iter().flat_map(Asked::guides).collect();
    let found = listened.find(&guides, watch)?;
    let without = found.map(|(guide, lock)| taken_out(sound, guide, &lock, watch)).transpose()?;
    go_on(watch, Step::Matching)?;
    let take = without.as_ref().unwrap_or(&listened.take);
    let best = match first {
        Some(first) if without.is_none() => first,
        _ => held(take, asked, told, beside)?,
    };
    Ok(best.map(|(k, mut assessment)| {
        beside.tell(&mut assessment, &listened.notices);
        (k, Verdict { assessment, take: take.clone() })
    }))
}

/// What is heard, held against each of the parts.
fn held<E: std::error::Error + 'static>(
    take: &Take,
    asked: &[Asked],
    told: bool,
    beside: &Beside,
) -> Result<Told<Assessment>, ChainError<E>> {
    let known = beside.known(take).map_err(ChainError::NoStrike)?;
    let glances: Vec<f64> = match asked {
        [_] => vec![0.0],
        several => several.iter().map(|asked| glance(take, asked.timeline)).collect(),
    };
    let most = glances.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let least = if most > PLAIN { most - BEHIND } else { f64::NEG_INFINITY };
    let near = asked.iter().enumerate().zip(&glances).filter(|(_, glance)| **glance >= least);
    let mut tried: Vec<(f64, usize, Assessment)> = near
        .map(|((k, asked), _)| {
            let (assessment, related) = judge_related(take, asked.timeline, known.as_ref());
            (related, k, assessment)
        })
        .collect();
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut tried = tried.into_iter();
    let Some((related, k, assessment)) = tried.next() else { return Ok(Err(Unsure::NothingAsked)) };
    // A card or a rule that names one part is believed.
    if told && asked.len() == 1 {
        return Ok(Ok((k, assessment)));
    }
    let heard = take.heard.onsets.len();
    Ok(match tried.next() {
        _ if heard < FEW => Err(Unsure::FewStrikes(heard)),
        _ if related < TOLD => Err(Unsure::NoneOfThem),
        Some((next, other, _)) if related - next < AHEAD => Err(Unsure::Either(k, other)),
        _ => Ok((k, assessment)),
    })
}
