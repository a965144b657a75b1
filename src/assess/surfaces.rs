//! Whole sections on another surface than written.
//!
//! Each pass of a section and each surface written in it is judged by itself: did the pupil play it there with slips, or
//! play it elsewhere? The log odds add up over its strikes, from a prior of one section in 180; the ear is taken to err in
//! 6 of 100 strikes. Doubts about the names of surfaces are said once, in `limits`, and are no findings.

use std::collections::BTreeMap;

use super::runs::matched;
use super::stats::logistic;
use super::status::{SURFACE_SURE, best, excused};
use super::{Finding, Hearing, Kind, Told, Unit, words};
use crate::align::{Placed, Strike};
use crate::part::{Surface, Timeline};
use crate::surface::Doubt;

/// Strikes on one other surface than written, at least; and the share of all that were not where they are written.
const LEAST: usize = 3;
const LEAST_SHARE: f64 = 0.5;
/// Log odds that one surface of one section is played elsewhere throughout, before anything is heard.
const PRIOR: f64 = -5.2;
/// Share of strikes whose surface the ear gets wrong: three times what it does on takes of unseen instruments.
const EAR_ERRS: f64 = 0.06;
/// Somebody who plays a section elsewhere does so in 8 strokes of 10, and on the right surface in 1.
const ELSEWHERE: (f64, f64) = (0.8, 0.1);
/// Somebody who plays it right slips in 2 of 100.
const SLIPS: f64 = 0.02;
/// A reading whose likeliest surface is no likelier than this says nothing.
const SAYS_SOMETHING: f64 = 0.5;
const SAID_ABOVE: f64 = 0.7;
const SUREST: f64 = 0.98;

pub(super) fn judge(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], heard: &Hearing) -> Vec<Told> {
    let mut of_pass: BTreeMap<(usize, Surface), Vec<usize>> = BTreeMap::new();
    for (i, place) in placed.iter().enumerate() {
        let Some(stroke) = matched(place).and_then(|j| timeline.strokes.get(j)) else { continue };
        let Some(bar) = timeline.bars.get(stroke.bar) else { continue };
        if heard.surfaces.get(i).is_some_and(|s| s.other > 0.5) {
            continue;
        }
        of_pass.entry((bar.pass, stroke.surface)).or_default().push(i);
    }
    let mut out: Vec<(usize, Told, usize)> = Vec::new();
    for ((pass, written), group) in &of_pass {
        let Some((mut told, n)) = one(timeline, strikes, placed, heard, *pass, *written, group) else { continue };
        // Two surfaces of one pass are one slip of the mind: say the larger, mention the other.
        match out.last_mut().filter(|(p, _, _)| p == pass) {
            Some((_, first, most)) => {
                if n > *most {
                    std::mem::swap(first, &mut told);
                    *most = n;
                }
                first.finding.evidence = format!("{}; {}", first.finding.evidence, told.finding.evidence);
                first.finding.confidence = first.finding.confidence.max(told.finding.confidence);
            }
            None => out.push((*pass, told, n)),
        }
    }
    out.into_iter().map(|(_, told, _)| told).collect()
}

fn one(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    heard: &Hearing,
    pass: usize,
    written: Surface,
    group: &[usize],
) -> Option<(Told, usize)> {
    let readings: Vec<(usize, Surface, f64)> = (group.iter())
        .filter_map(|&i| {
            let (surface, p) = best(&strikes.get(i)?.surface);
            Some((i, surface, p))
        })
        .filter(|r| r.2 >= SAYS_SOMETHING)
        .collect();
    let wrong: Vec<&(usize, Surface, f64)> = readings.iter().filter(|r| r.1 != written).collect();
    let to = Surface::ALL
        .into_iter()
        .filter(|s| *s != written)
        .max_by_key(|s| wrong.iter().filter(|r| r.1 == *s).count())?;
    let there: Vec<usize> = wrong.iter().filter(|r| r.1 == to).map(|r| r.0).collect();
    let share = wrong.len() as f64 / readings.len().max(1) as f64;
    if there.len() < LEAST
        || share < LEAST_SHARE
        || 2 * there.len() < wrong.len()
        || excused(&heard.doubts, written, to)
    {
        return None;
    }
    let others = (Surface::COUNT - 1) as f64;
    let (away, right) = ELSEWHERE;
    let slip = SLIPS / others;
    // P(ear says s | pupil played q): hit or one of the others.
    let ear = |s: Surface, q: Surface| if s == q { 1.0 - EAR_ERRS } else { EAR_ERRS / others };
    let odds: f64 = readings
        .iter()
        .map(|&(_, s, p)| {
            let rest = (1.0 - away - right) / (others - 1.0);
            let elsewhere: f64 = Surface::ALL
                .into_iter()
                .map(|q| {
                    ear(s, q)
                        * if q == to {
                            away
                        } else if q == written {
                            right
                        } else {
                            rest
                        }
                })
                .sum();
            let as_written: f64 =
                Surface::ALL.into_iter().map(|q| ear(s, q) * if q == written { 1.0 - SLIPS } else { slip }).sum();
            // An unsure reading counts half.
            let weight = if p < SURFACE_SURE { 0.5 } else { 1.0 };
            weight * (elsewhere / as_written).ln()
        })
        .sum();
    let confidence = logistic(PRIOR + odds);
    if confidence < SAID_ABOVE {
        return None;
    }
    let place = timeline.passes.get(pass)?;
    let bar_of = |i: usize| {
        placed
            .get(i)
            .and_then(matched)
            .and_then(|j| timeline.strokes.get(j))
            .and_then(|s| timeline.bars.get(s.bar))
            .map(|b| b.number)
    };
    let bars: Vec<u32> = there.iter().filter_map(|&i| bar_of(i)).collect();
    let finding = Finding {
        kind: Kind::WrongSurface,
        section: Some(place.section.clone()),
        pass: Some(place.number),
        bar: None,
        beat: None,
        at: there.first().and_then(|&i| strikes.get(i)).map(|s| s.at),
        size: share,
        unit: Unit::Share,
        confidence: confidence.min(SUREST),
        bars: bars.iter().min().copied().zip(bars.iter().max().copied()),
        text: String::new(),
        evidence: format!(
            "{} of {} strokes written {} sounded like {}",
            there.len(),
            readings.len(),
            written.word(),
            to.word()
        ),
        otherwise: None,
    };
    let (text, fix) =
        (words::wrong_surface(timeline, &finding, written, to), words::fix_surface(timeline, &finding, written, to));
    Some((Told { finding: Finding { text, ..finding }, fix: Some(fix) }, wrong.len()))
}

/// Doubts that the take raises by itself: a surface that sounds like one other wherever it is written. Either the names
/// are exchanged, or it was all played there; sound alone cannot tell which, so it is said once and is no fault. Strikes
/// of known surface settle it beforehand.
pub(super) fn throughout(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], heard: &Hearing) -> Vec<Doubt> {
    if heard.calibrated {
        return Vec::new();
    }
    // How often each written surface was heard as each, pass by pass.
    let mut passes: BTreeMap<(Surface, usize), [usize; Surface::COUNT]> = BTreeMap::new();
    for (strike, place) in strikes.iter().zip(placed) {
        let Some(stroke) = matched(place).and_then(|j| timeline.strokes.get(j)) else { continue };
        let (Some(bar), (surface, p)) = (timeline.bars.get(stroke.bar), best(&strike.surface)) else { continue };
        if p >= SAYS_SOMETHING {
            passes.entry((stroke.surface, bar.pass)).or_default()[surface.index()] += 1;
        }
    }
    // What each written surface was heard as in every pass that has enough of it, and in how many passes.
    let heard_as = |written: Surface| {
        let mut of = passes.iter().filter(|((w, _), n)| *w == written && n.iter().sum::<usize>() >= LEAST);
        let most = |n: &[usize; Surface::COUNT]| {
            Surface::ALL.into_iter().find(|s| n[s.index()] as f64 > LEAST_SHARE * n.iter().sum::<usize>() as f64)
        };
        let first = most(of.next()?.1)?;
        of.try_fold(1, |count, (_, n)| (most(n) == Some(first)).then_some(count + 1)).map(|count| (first, count))
    };
    let is_written = |surface: Surface| timeline.strokes.iter().any(|s| s.surface == surface);
    let mut out = Vec::new();
    for written in Surface::ALL {
        let Some((heard, passes)) = heard_as(written).filter(|(heard, _)| *heard != written) else { continue };
        match heard_as(heard) {
            // An even guess: nothing but the names speaks for either.
            Some((back, _)) if back == written => out.push(Doubt::Exchanged { a: written, b: heard, p: 0.5 }),
            None if !is_written(heard) => out.push(Doubt::Exchanged { a: written, b: heard, p: 0.5 }),
            Some((same, _)) if same == heard && passes > 1 => out.push(Doubt::NotToldApart { written, heard }),
            _ => {}
        }
    }
    out.dedup_by(|x, y| matches!((*x, *y), (Doubt::Exchanged { a, b, .. }, Doubt::Exchanged { a: c, b: d, .. }) if (a, b) == (d, c)));
    out
}

/// Doubts about names, each said once.
pub(super) fn limits(doubts: &[Doubt]) -> Vec<String> {
    /// Below this nobody needs to hear of it.
    const WORTH_SAYING: f64 = 0.15;
    let mut said: Vec<String> = (doubts.iter())
        .filter_map(|doubt| match *doubt {
            Doubt::Exchanged { a, b, p } if p > WORTH_SAYING => Some(format!(
                "which sound is the {} and which the {} cannot be told from this take alone: {}; three single strikes of each, recorded once, settle it",
                a.word(),
                b.word(),
                if p >= 0.5 { "they may be exchanged throughout" } else { "they are named by likelihood" }
            )),
            Doubt::Exchanged { .. } => None,
            Doubt::NotToldApart { written, heard } => Some(format!(
                "no {0} was heard, everything sounds like {1}: either it was all played there or the two sound alike here; three single strikes of each, recorded once, settle it",
                written.word(),
                heard.word()
            )),
            Doubt::OneSurface { written } => Some(format!(
                "only {} is written or played, so nothing in the take can show whether it was the right surface",
                written.word()
            )),
        })
        .collect();
    said.sort();
    said.dedup();
    said
}
