//! Strokes that were left out, grouped as a teacher would say it: those between the beats throughout, those of one surface
//! throughout, those of a pass, those of a bar.

use std::ops::Range;

use super::finding::{Common, Evidence, Passes, Place, What};
use super::status::Fate;
use super::suspicion::Suspicion;
use super::{JudgedStrike, Status};
use crate::align::Strike;
use crate::part::{Surface, Timeline};
use crate::units::Seconds;

/// What strokes have in common is said where it holds of so many of the missing ones, where so many of those that have it are
/// missing, and where they are so many. Rule of thumb: three in five are most of them.
const MOST: f64 = 0.6;
const MIN_COMMON: usize = 4;

/// What is suspected of the strokes called missed.
pub(super) fn judge(timeline: &Timeline, strikes: &[Strike], fates: &[Fate]) -> Vec<Suspicion> {
    let missed = |j: &usize| fates.get(*j).is_some_and(|f| f.status == Status::Missed);
    let heard = |j: &usize| fates.get(*j).is_some_and(|f| matches!(f.status, Status::Played | Status::WrongSurface));
    let mut left: Vec<usize> = (0..timeline.strokes.len()).filter(missed).collect();
    let mut out = Vec::new();
    let mut tell = |strokes: Vec<usize>, common: Common, place: Option<Place>, of: usize| {
        let sure = |j: &usize| fates.get(*j).map_or(0.0, |f| f.missed);
        let n = strokes.len();
        let (least, mean) =
            (strokes.iter().map(sure).fold(1.0, f64::min), strokes.iter().map(sure).sum::<f64>() / n as f64);
        let at = strokes.first().and_then(|&j| due(strikes, fates, j));
        let what = What::StrokesMissing { strokes, common };
        let evidence = Evidence::Silence { missing: n, of, least };
        out.push(Suspicion { what, place, at, odds: 0.0, share: 1.0, evidence, otherwise: None }.posterior(mean));
    };
    let between = |j: usize| timeline.beat(j).fract() > 1e-6;
    let surface = |j: usize| timeline.strokes.get(j).map(|s| s.surface);
    let kinds = std::iter::once(Common::Offbeats).chain(Surface::ALL.into_iter().map(Common::Surface));
    let has = |common: Common, j: usize| match common {
        Common::Offbeats => between(j),
        Common::Surface(s) => surface(j) == Some(s),
        Common::Bar | Common::Pass => false,
    };
    // Said of all the take only where there are others, which were not left out.
    let widest = kinds
        .filter_map(|common| {
            let own: Vec<usize> = left.iter().copied().filter(|&j| has(common, j)).collect();
            let reached = (0..timeline.strokes.len()).filter(|j| has(common, *j) && (missed(j) || heard(j))).count();
            let others = (0..timeline.strokes.len()).filter(|j| !has(common, *j) && heard(j)).count();
            let holds = own.len() >= MIN_COMMON.max((MOST * left.len() as f64).ceil() as usize)
                && own.len() as f64 >= MOST * reached as f64
                && others > own.len() / 2;
            holds.then_some((own, common, reached))
        })
        .max_by_key(|(own, ..)| own.len());
    if let Some((own, common, reached)) = widest {
        left.retain(|j| !own.contains(j));
        let place = one_section(timeline, &own);
        tell(own, common, place, reached);
    }
    for pass in &timeline.passes {
        let strokes = strokes_of(timeline, pass.bars.clone());
        let own: Vec<usize> = left.iter().copied().filter(|j| strokes.contains(j)).collect();
        let reached = strokes.clone().filter(|j| missed(j) || heard(j)).count();
        let bars = own.iter().filter_map(|&j| timeline.strokes.get(j)).map(|s| s.bar);
        let (Some(first), Some(last)) = (bars.clone().min(), bars.clone().max()) else { continue };
        if first < last && own.len() as f64 >= MOST * reached as f64 {
            left.retain(|j| !own.contains(j));
            tell(own, Common::Pass, Some(Place::span(first..last + 1)), reached);
        }
    }
    for (bar, written) in timeline.bars.iter().enumerate() {
        let own: Vec<usize> = left.iter().copied().filter(|j| written.strokes.contains(j)).collect();
        let Some(&first) = own.first() else { continue };
        let reached = written.strokes.clone().filter(|j| missed(j) || heard(j)).count();
        tell(own, Common::Bar, Some(Place { stroke: Some(first), ..Place::bar(bar) }), reached);
    }
    out
}

fn strokes_of(timeline: &Timeline, bars: Range<usize>) -> Range<usize> {
    let bars = timeline.bars.get(bars).unwrap_or_default();
    bars.first().map_or(0, |b| b.strokes.start)..bars.last().map_or(0, |b| b.strokes.end)
}

/// The section in which all of these strokes lie, in whichever pass.
fn one_section(timeline: &Timeline, strokes: &[usize]) -> Option<Place> {
    let pass = |&j: &usize| timeline.passes.get(timeline.bars.get(timeline.strokes.get(j)?.bar)?.pass);
    let first = pass(strokes.first()?)?;
    let sections = timeline.passes.iter().any(|p| p.section != first.section);
    let alone = sections && strokes.iter().all(|j| pass(j).is_some_and(|p| p.section == first.section));
    alone.then(|| {
        let same = strokes.iter().all(|j| pass(j).is_some_and(|p| p.number == first.number));
        let passes = if same { Passes::This } else { Passes::Every };
        Place { passes, ..Place::span(first.bars.clone()) }
    })
}

/// About when a stroke that was left out should have sounded: when the last one before it was heard.
fn due(strikes: &[Strike], fates: &[Fate], stroke: usize) -> Option<Seconds> {
    let before = fates.get(..stroke)?.iter().rev().find_map(|f| f.strike);
    let after = || fates.get(stroke..)?.iter().find_map(|f| f.strike);
    strikes.get(before.or_else(after)?).map(|s| s.at)
}

/// Strikes that the pupil seems to have played beside the written ones: sure to be strikes, inside the piece, in no rest.
pub(super) fn extra(strikes: &[JudgedStrike]) -> impl Iterator<Item = usize> + '_ {
    let inside = strikes.iter().position(|s| s.stroke.is_some()).zip(strikes.iter().rposition(|s| s.stroke.is_some()));
    let (first, last) = inside.unwrap_or((0, 0));
    (first..last).filter(|&i| strikes.get(i).is_some_and(|s| s.step == crate::align::Step::Extra && s.counts()))
}
