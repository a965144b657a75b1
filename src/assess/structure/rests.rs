//! Rests that were not kept: strikes inside a written rest, against the innocent explanation of stray sounds.
//!
//! Each sound in the rest is the pupil's by the ratio of two densities: where a rest that is run through has its strikes, on
//! which surface and how loud, against the strays of this take that are as loud.

use super::Take;
use crate::align::{Step, Strike, stroke_like};
use crate::assess::finding::{Evidence, Place, What};
use crate::assess::suspicion::Suspicion;
use crate::part::Surface;
use crate::stats::{median, normal_density};

/// A rest of this length or more (quarters) is a rest to be kept; shorter ones are articulation.
const LEAST_REST: f64 = 0.49;
/// Strikes up to this before the rest's end (quarters) are in the rest; later ones are early entries.
const MARGIN: f64 = 0.2;
/// Spread of such strikes around the beat, in the player's jitters: the pulse is carried on without strokes.
const ALONG: f64 = 1.3;
/// Strikes nearer than this are one movement of the hands, seconds.
const FLAM_S: f64 = 0.1;
/// Time that the take's own rate of strays is believed after: one stray in this time before anything is known.
const STRAY_PRIOR_S: f64 = 20.0;
/// So many strokes on a surface tell how loud it is: surfaces of one bucket lie 10 to 20 dB apart in a third of takes.
const LEAST_THERE: usize = 3;
/// Levels of strays may be anything in 40 dB, as `align` has it; two of one kind differ by the spread of strokes.
const ANY_DB: f64 = 40.0;
const LEVEL_SPREAD_DB: f64 = 6.0;

/// A strike in a rest.
struct Inside {
    strike: usize,
    /// Quarters from the rest's beginning.
    pos: f64,
    quarter_s: f64,
}

pub(super) fn judge(take: &Take) -> Vec<Suspicion> {
    let mut out = Vec::new();
    let rests: Vec<(f64, f64)> = take.timeline.rests.iter().map(|r| (r.from.quarters(), r.to.quarters())).collect();
    let mut inside: Vec<(usize, usize, Vec<Inside>)> = Vec::new();
    let mut last: Option<usize> = None;
    // Level and certainty of the sounds that nobody wrote and that lie in no rest.
    let mut strays: Vec<(f64, f64)> = Vec::new();
    for (i, placed) in take.placed.iter().enumerate() {
        if placed.step.is_match() {
            last = Some(i);
            continue;
        }
        let Some(before) = last.filter(|_| matches!(placed.step, Step::Extra | Step::InRest)) else { continue };
        let quarter_s = take.quarter(before);
        let pos = take.at[take.stroke(before)] + (take.time(i) - take.pulse(before)) / quarter_s;
        let Some(rest) = rests.iter().position(|&(from, to)| pos > from - MARGIN && pos < to - MARGIN) else {
            strays.push((take.strikes[i].level.0, take.strikes[i].certainty.clamp(0.0, 1.0)));
            continue;
        };
        let strike = Inside { strike: i, pos: pos - rests[rest].0, quarter_s };
        match inside.last_mut() {
            Some((r, b, list)) if *r == rest && *b == before => list.push(strike),
            _ => inside.push((rest, before, vec![strike])),
        }
    }
    let resting = rests.iter().map(|(from, to)| to - from).sum::<f64>() / take.timeline.end().quarters().max(1.0);
    let length = match (take.strikes.first(), take.strikes.last()) {
        (Some(a), Some(b)) => (b.at - a.at).get() * (1.0 - resting).max(0.0),
        _ => return out,
    };
    // Strays a second as loud as this: those heard, each blurred by the spread of levels, and the one of before. A soft
    // crackle throughout the take is no reason to take a stroke for one.
    let rate = |level: f64| {
        let near = |&(other, sure): &(f64, f64)| sure * ANY_DB * normal_density(level - other, LEVEL_SPREAD_DB);
        (strays.iter().map(near).filter(|x| x.is_finite()).sum::<f64>() + 1.0) / (length + STRAY_PRIOR_S)
    };
    for (rest, before, list) in inside {
        if goes_on_after_the_end(take, rests[rest].1, before, &list) {
            continue;
        }
        out.extend(rest_not_kept(take, (rest, rests[rest]), before, &one_movement(take, list), &rate));
    }
    out
}

/// Strikes in the rest that ends the piece, and on beyond it, are playing about after the end.
fn goes_on_after_the_end(take: &Take, rest_ends: f64, before: usize, list: &[Inside]) -> bool {
    let stroke = take.stroke(before);
    let (Some(last), true) = (list.last(), stroke + 1 == take.timeline.strokes.len()) else { return false };
    let ends = take.pulse(before) + (rest_ends - take.at[stroke] - MARGIN) * last.quarter_s;
    (last.strike + 1..take.placed.len()).any(|i| take.placed[i].step == Step::Extra && take.time(i) > ends)
}

/// Of strikes that are one movement of the hands the surest.
fn one_movement(take: &Take, list: Vec<Inside>) -> Vec<Inside> {
    let sure = |x: &Inside| take.strikes[x.strike].certainty;
    let mut out: Vec<Inside> = Vec::new();
    for x in list {
        match out.last_mut().filter(|last| take.time(x.strike) - take.time(last.strike) < FLAM_S) {
            Some(last) if sure(&x) > sure(last) => *last = x,
            Some(_) => {}
            None => out.push(x),
        }
    }
    out
}

fn rest_not_kept(
    take: &Take,
    (rest, (from, to)): (usize, (f64, f64)),
    before: usize,
    list: &[Inside],
    rate: &impl Fn(f64) -> f64,
) -> Option<Suspicion> {
    let length = to - from;
    if length < LEAST_REST {
        return None;
    }
    let written = take.timeline.strokes[take.stroke(before)].surface;
    let typical = Typical::of(take);
    let of_one = |x: &Inside| {
        let spread = (ALONG * take.jitter() / x.quarter_s).clamp(0.03, 0.12);
        let density = place_density(x.pos, length, spread) / x.quarter_s;
        let strike = &take.strikes[x.strike];
        // The hand mostly stays where it was; strays may be anything.
        let same = strike.surface[written.index()].clamp(0.02, 0.98);
        let surface = (0.7 * same + 0.3 * 0.2) / (0.3 * same + 0.7 * 0.2);
        let level = typical.like(strike).clamp(0.1, 2.0);
        let certainty = strike.certainty.clamp(0.02, 0.995);
        let stray = rate(strike.level.0) + take.trace.strike_rate() * (1.0 - certainty) / certainty;
        (density * surface * level).ln() - stray.ln()
    };
    // A rest that is played through may have strays in it as well: they speak neither for nor against.
    let own: Vec<(&Inside, f64)> = list.iter().map(|x| (x, of_one(x))).filter(|(_, odds)| *odds > 0.0).collect();
    let first = own.first()?.0;
    // `n` strikes share the places in any order, but are heard in one.
    let orders: f64 = (1..=own.len()).map(|k| (k as f64).ln()).sum();
    let odds = number(own.len(), length).ln() + orders + own.iter().map(|(_, odds)| odds).sum::<f64>();
    let bar = bar_at(take, from + first.pos + MARGIN);
    let what = What::RestNotKept { rest, strikes: own.len() };
    let evidence = Evidence::InRest { strikes: own.len(), odds };
    Some(Suspicion { odds, ..take.suspicion(what, Place::bar(bar), take.time(first.strike), evidence) })
}

/// How probable `n` strikes are in a rest that is run through: one time in two a single one, of the hand that does not
/// wait; else about one a quarter, at least one.
fn number(n: usize, length: f64) -> f64 {
    let mean = (1.2 * length).max(0.6);
    // Geometric from 1 with that mean, so that long fillings are not ruled out.
    let stop = 1.0 / (1.0 + mean);
    0.5 * if n == 1 { 1.0 } else { 0.0 } + 0.5 * stop * (1.0 - stop).powi(n as i32 - 1)
}

/// Median level of the matched strikes, dB: those on each surface, and all.
struct Typical {
    on: [Option<f64>; Surface::COUNT],
    all: f64,
}

impl Typical {
    fn of(take: &Take) -> Typical {
        let matched = || take.placed.iter().zip(take.strikes).filter(|(p, _)| p.step.is_match()).map(|(_, s)| s);
        let on = Surface::ALL.map(|surface| {
            let there = matched().filter(|s| s.surface[surface.index()] > 0.5);
            let levels: Vec<f64> = there.map(|s| s.level.0).collect();
            median(levels.iter().copied()).filter(|_| levels.len() >= LEAST_THERE)
        });
        Typical { on, all: median(matched().map(|s| s.level.0)).unwrap_or(0.0) }
    }

    /// How much likelier a level like this is for a stroke, on whichever surface it was, than for a stray sound.
    fn like(&self, strike: &Strike) -> f64 {
        let there = |(typical, p): (&Option<f64>, &f64)| p * stroke_like(strike.level.0 - typical.unwrap_or(self.all));
        self.on.iter().zip(&strike.surface).map(there).sum()
    }
}

/// Density (per quarter) of a strike `pos` quarters into a rest of `length` that is run through: on a whole quarter 4
/// times in 10, on any half quarter 4 in 10, on a quarter of a quarter 1 in 10, else anywhere.
fn place_density(pos: f64, length: f64, spread: f64) -> f64 {
    let points = |step: f64| {
        let n = ((length - MARGIN) / step).ceil().max(1.0) as usize;
        let at = |k: usize| normal_density(pos - k as f64 * step, spread);
        (0..n).map(at).sum::<f64>() / n as f64
    };
    0.4 * points(1.0) + 0.4 * points(0.5) + 0.1 * points(0.25) + 0.1 / length
}

/// Bar of a moment in quarters.
fn bar_at(take: &Take, quarters: f64) -> usize {
    take.timeline.bars.partition_point(|b| b.at.quarters() <= quarters + 1e-9).saturating_sub(1)
}
