//! Strikes that fit nowhere, many in a row: the place was lost.

use super::{Take, witnessed};
use crate::align::{Forbidden, Placed, Step, Strike};
use crate::assess::finding::{Evidence, Place, What};
use crate::assess::suspicion::Suspicion;
use crate::units::Seconds;

/// So many strikes (by certainty) that fit nowhere, over so long, are more than a slip or a noise.
const LEAST: f64 = 4.0;
const LEAST_S: f64 = 2.0;
/// The place may have been lost up to so many strikes earlier than told.
const EARLIER: usize = 2;

/// A stretch of strikes, first to last, that fit nowhere; `found` is the first that does again.
pub(super) struct Gone {
    pub(super) from: usize,
    pub(super) to: usize,
    pub(super) found: Option<usize>,
}

/// The stretches in which the place was lost: told so by the aligner, or strikes that nobody wrote and then a place that
/// does not follow. What is too little for that becomes strikes that nobody wrote.
pub(super) fn gone(strikes: &[Strike], placed: &mut [Placed]) -> Vec<Gone> {
    let mut out = Vec::new();
    let astray = |p: &Placed| matches!(p.step, Step::Lost | Step::Extra);
    let mut next = placed.iter().position(|p| p.step.is_match()).unwrap_or(placed.len());
    while let Some(from) = (next..placed.len()).find(|&i| astray(&placed[i])) {
        let found = (from..placed.len()).find(|&i| placed[i].step.is_match());
        next = found.unwrap_or(placed.len());
        let told = placed[from..next].iter().any(|p| p.step == Step::Lost);
        let counts = |i: &usize| if told { placed[*i].step == Step::Lost } else { astray(&placed[*i]) };
        let (Some(from), Some(to)) = ((from..next).find(counts), (from..next).rfind(counts)) else { continue };
        let all: f64 = strikes[from..=to].iter().map(|s| s.certainty.clamp(0.0, 1.0)).sum();
        let enough = all >= LEAST && (strikes[to].at - strikes[from].at).get() >= LEAST_S;
        if enough && (told || found.is_some_and(|i| placed[i].step.breaks())) {
            out.push(Gone { from, to, found });
            continue;
        }
        for place in &mut placed[from..=to] {
            if place.step == Step::Lost {
                place.step = Step::Extra;
            }
        }
    }
    out
}

pub(super) fn judge(take: &Take) -> Vec<Suspicion> {
    take.gone.iter().filter_map(|gone| lost(take, gone)).collect()
}

fn lost(take: &Take, gone: &Gone) -> Option<Suspicion> {
    let (from, to) = (gone.from, gone.to);
    let before = (0..from).rev().find(|&i| take.placed[i].step.is_match())?;
    let forbidden = Forbidden { lost: from.saturating_sub(EARLIER)..to + 1, ..Forbidden::default() };
    let dearer = take.trace.cost_without(&forbidden);
    // The bars that would have been played meanwhile, up to where it went on.
    let bars = &take.timeline.bars;
    let would_be = |i: usize| {
        let quarters = take.at[take.stroke(before)] + (take.time(i) - take.pulse(before)) / take.quarter(before);
        bars.partition_point(|b| b.at.quarters() <= quarters).saturating_sub(1).max(take.bar(before))
    };
    let bar = would_be(from).min(take.bar(before) + 1);
    let on = gone.found.map(|i| take.bar(i)).filter(|&b| b > bar).unwrap_or(bars.len());
    let last = (bar..=would_be(to)).take_while(|&b| b < on && bars[b].pass == bars[bar].pass).last().unwrap_or(bar);
    let time = gone.found.map_or(take.time(to), |i| take.time(i)) - take.time(from);
    let what = What::Lost { time: Seconds::of(time), found: gone.found.map(|i| take.bar(i)) };
    let place = Place { bars: bar..last + 1, ..Place::bar(bar) };
    let evidence = Evidence::Astray { strikes: to + 1 - from, nats: dearer };
    let odds = witnessed(&what, dearer);
    Some(Suspicion { odds, ..take.suspicion(what, place, take.time(from), evidence) })
}
