//! Rests that were not kept: strikes inside a written rest, against the innocent explanation of stray sounds.

use super::{Take, count, logistic};
use crate::align::{Step, stroke_like};
use crate::assess::{Finding, Kind, Unit};

/// A rest of this length or more (quarters) is a rest to be kept; shorter ones are articulation.
const LEAST_REST: f64 = 0.49;
/// Strikes up to this before the rest's end (quarters) are in the rest; later ones are early entries.
const MARGIN: f64 = 0.2;
/// One rest in 15 is run through: the commonest slip of beginners (common practice; at one in 20 the confidences of
/// `scripts/class_figures.rs` come out too low).
const PRIOR: f64 = 0.065;
/// Spread of such strikes around the beat, in the player's jitters: the pulse is carried on without strokes.
const ALONG: f64 = 1.3;
/// Strikes nearer than this are one movement of the hands, seconds.
const FLAM_S: f64 = 0.1;
/// Time that the take's own rate of strays is believed after: one stray in this time before anything is known.
const STRAY_PRIOR_S: f64 = 20.0;

/// A strike in a rest.
struct Inside {
    strike: usize,
    /// Quarters from the rest's beginning.
    pos: f64,
    quarter_s: f64,
}

pub(super) fn judge(take: &Take, findings: &mut Vec<Finding>) {
    let rests: Vec<(f64, f64)> = take.timeline.rests.iter().map(|r| (r.from.quarters(), r.to.quarters())).collect();
    let mut inside: Vec<(usize, usize, Vec<Inside>)> = Vec::new();
    let mut last: Option<usize> = None;
    let mut strays = 0.0;
    for (i, placed) in take.placed.iter().enumerate() {
        if placed.step.is_match() {
            last = Some(i);
            continue;
        }
        let Some(before) = last else { continue };
        if placed.step == Step::Extra {
            strays += take.strikes[i].certainty.clamp(0.0, 1.0);
        }
        if !matches!(placed.step, Step::Extra | Step::InRest) {
            continue;
        }
        let quarter_s = take.quarter(before);
        let pos = take.at[take.stroke(before)] + (take.time(i) - take.pulse(before)) / quarter_s;
        let Some(rest) = rests.iter().position(|&(from, to)| pos > from - MARGIN && pos < to - MARGIN) else {
            continue;
        };
        let strike = Inside { strike: i, pos: pos - rests[rest].0, quarter_s };
        match inside.last_mut() {
            Some((r, b, list)) if *r == rest && *b == before => list.push(strike),
            _ => inside.push((rest, before, vec![strike])),
        }
    }
    let length = match (take.strikes.first(), take.strikes.last()) {
        (Some(a), Some(b)) => (b.at - a.at).get(),
        _ => return,
    };
    let rate = (strays + 1.0) / (length + STRAY_PRIOR_S);
    for (rest, before, mut list) in inside {
        if goes_on_after_the_end(take, rests[rest].1, before, &list) {
            continue;
        }
        list.dedup_by(|b, a| take.time(b.strike) - take.time(a.strike) < FLAM_S);
        findings.extend(rest_not_kept(take, rests[rest], before, &list, rate));
    }
}

/// Strikes in the rest that ends the piece, and on beyond it, are playing about after the end.
fn goes_on_after_the_end(take: &Take, rest_ends: f64, before: usize, list: &[Inside]) -> bool {
    let stroke = take.stroke(before);
    let (Some(last), true) = (list.last(), stroke + 1 == take.timeline.strokes.len()) else { return false };
    let ends = take.pulse(before) + (rest_ends - take.at[stroke] - MARGIN) * last.quarter_s;
    (last.strike + 1..take.placed.len()).any(|i| take.placed[i].step == Step::Extra && take.time(i) > ends)
}

fn rest_not_kept(take: &Take, (from, to): (f64, f64), before: usize, list: &[Inside], rate: f64) -> Option<Finding> {
    let first = list.first()?;
    let length = to - from;
    if length < LEAST_REST {
        return None;
    }
    let written = take.timeline.strokes[take.stroke(before)].surface;
    let typical = typical_level(take);
    let mut odds = (PRIOR / (1.0 - PRIOR)).ln() + number(list.len(), length).ln();
    for x in list {
        let spread = (ALONG * take.jitter() / x.quarter_s).clamp(0.03, 0.12);
        let density = place_density(x.pos, length, spread) / x.quarter_s;
        let strike = &take.strikes[x.strike];
        // The hand mostly stays where it was; strays may be anything.
        let same = strike.surface[written.index()].clamp(0.02, 0.98);
        let surface = (0.7 * same + 0.3 * 0.2) / (0.3 * same + 0.7 * 0.2);
        let level = stroke_like(strike.level.0 - typical).clamp(0.1, 2.0);
        let certainty = strike.certainty.clamp(0.02, 0.995);
        let stray = rate + take.trace.strike_rate() * (1.0 - certainty) / certainty;
        odds += (density * surface * level).ln() - stray.ln();
    }
    let bar = bar_at(take, from + first.pos + MARGIN);
    let mut finding = take.finding(Kind::RestNotKept, bar, Some(take.time(first.strike)));
    finding.beat = Some(take.timeline.beat_in_bar(bar, crate::units::Ticks((from * 960.0).round() as i64)));
    finding.size = list.len() as f64;
    finding.unit = Unit::Strikes;
    finding.confidence = logistic(odds);
    finding.evidence =
        format!("{} inside the rest; log odds against stray sounds {odds:.1}", count(list.len(), "strike"));
    finding.text = format!("Played through the rest in {}: {}.", take.place(bar), count(list.len(), "strike"));
    Some(finding)
}

/// How probable `n` strikes are in a rest that is run through: about one a quarter, at least one.
fn number(n: usize, length: f64) -> f64 {
    let mean = (1.2 * length).max(0.6);
    // Geometric from 1 with that mean, so that long fillings are not ruled out.
    let stop = 1.0 / (1.0 + mean);
    stop * (1.0 - stop).powi(n as i32 - 1)
}

/// Median level of the matched strikes, dB.
fn typical_level(take: &Take) -> f64 {
    let mut levels: Vec<f64> =
        take.placed.iter().zip(take.strikes).filter(|(p, _)| p.step.is_match()).map(|(_, s)| s.level.0).collect();
    levels.sort_by(f64::total_cmp);
    levels.get(levels.len() / 2).copied().unwrap_or(0.0)
}

/// Density (per quarter) of a strike `pos` quarters into a rest of `length` that is run through: on a half quarter 8
/// times in 10, on a quarter of a quarter 1 in 10, else anywhere.
fn place_density(pos: f64, length: f64, spread: f64) -> f64 {
    let points = |step: f64| {
        let n = ((length - MARGIN) / step).ceil().max(1.0) as usize;
        let at = |k: usize| (-0.5 * ((pos - k as f64 * step) / spread).powi(2)).exp() / (spread * std::f64::consts::TAU.sqrt());
        (0..n).map(at).sum::<f64>() / n as f64
    };
    0.8 * points(0.5) + 0.1 * points(0.25) + 0.1 / length
}

/// Bar of a moment in quarters.
fn bar_at(take: &Take, quarters: f64) -> usize {
    take.timeline.bars.partition_point(|b| b.at.quarters() <= quarters + 1e-9).saturating_sub(1)
}
