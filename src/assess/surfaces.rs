//! Whole sections on another surface than written.
//!
//! Each pass of a section and each surface written in it is judged by itself: did the pupil play it there with slips, or
//! play it elsewhere? The log odds add up over its strikes; the ear is taken to err in 6 of 100 strikes. Doubts about the names of surfaces are said once, in `limits`, and are no findings.

use std::collections::BTreeMap;

use super::Hearing;
use super::finding::{Evidence, Place, What};
use super::runs::matched;
use super::status::{SURFACE_SURE, best, excused};
use super::suspicion::Suspicion;
use crate::align::{Placed, Strike};
use crate::part::{Surface, Timeline};
use crate::surface::Doubt;

/// Strikes on one other surface than written, at least; and the share of all that were not where they are written.
const LEAST: usize = 3;
const LEAST_SHARE: f64 = 0.5;
/// Share of strikes whose surface the ear gets wrong: three times what it does on takes of unseen instruments.
const EAR_ERRS: f64 = 0.06;
/// Somebody who plays a section elsewhere does so in 8 strokes of 10, and on the right surface in 1.
const ELSEWHERE: (f64, f64) = (0.8, 0.1);
/// Somebody who plays it right slips in 2 of 100.
const SLIPS: f64 = 0.02;
/// A reading whose likeliest surface is no likelier than this says nothing.
const SAYS_SOMETHING: f64 = 0.5;

pub(super) fn judge(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], heard: &Hearing) -> Vec<Suspicion> {
    let mut of_pass: BTreeMap<(usize, Surface), Vec<usize>> = BTreeMap::new();
    for (i, place) in placed.iter().enumerate() {
        let Some(stroke) = matched(place).and_then(|j| timeline.strokes.get(j)) else { continue };
        let Some(bar) = timeline.bars.get(stroke.bar) else { continue };
        if heard.surfaces.get(i).is_some_and(|s| s.other > 0.5) {
            continue;
        }
        of_pass.entry((bar.pass, stroke.surface)).or_default().push(i);
    }
    let mut out: Vec<(usize, Suspicion, usize)> = Vec::new();
    for ((pass, written), group) in &of_pass {
        let Some((mut found, n)) = one(timeline, strikes, placed, heard, *written, group) else { continue };
        // Two surfaces of one pass are one slip of the mind: say the larger, mention the other.
        match out.last_mut().filter(|(p, _, _)| p == pass) {
            Some((_, first, most)) => {
                if n > *most {
                    std::mem::swap(first, &mut found);
                    *most = n;
                }
                if let (Evidence::Sounds(all), Evidence::Sounds(more)) = (&mut first.evidence, found.evidence) {
                    all.extend(more);
                }
                first.odds = first.odds.max(found.odds);
            }
            None => out.push((*pass, found, n)),
        }
    }
    out.into_iter().map(|(_, found, _)| found).collect()
}

fn one(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    heard: &Hearing,
    written: Surface,
    group: &[usize],
) -> Option<(Suspicion, usize)> {
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
    let stroke_of = |i: usize| placed.get(i).and_then(matched);
    let mut elsewhere: Vec<usize> = wrong.iter().filter_map(|r| stroke_of(r.0)).collect();
    elsewhere.sort_unstable();
    let bars = there.iter().filter_map(|&i| Some(timeline.strokes.get(stroke_of(i)?)?.bar));
    let place = Place::span(bars.clone().min()?..bars.max()? + 1);
    let what = What::WrongSurface { written, heard: to, strokes: elsewhere, of: readings.len() };
    let found = Suspicion {
        what,
        place: Some(place),
        at: there.first().and_then(|&i| strikes.get(i)).map(|s| s.at),
        odds,
        share: 1.0,
        evidence: Evidence::Sounds(vec![(there.len(), readings.len(), written, to)]),
        otherwise: None,
    };
    found.clone().told().is_some().then_some((found, wrong.len()))
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
