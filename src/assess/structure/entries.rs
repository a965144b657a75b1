//! Findings where the pulse was set anew: entries after rests too early or too late, joins with a gap or rushed, stops.

use super::ties::Leap;
use super::{LEAST_CONFIDENCE, Run, Take, witnessed};
use crate::align::{Forbidden, Step};
use crate::assess::Slip;
use crate::assess::finding::{Evidence, Kind, Place, What};
use crate::assess::suspicion::{Suspicion, log_odds};
use crate::stats::linear::{Belief, Row, robust};
use crate::stats::{logistic, normal_density};

/// Less than this (quarters) is no finding: half an eighth, and more than any jitter a pulse can be told from.
const LEAST_QUARTERS: f64 = 0.22;
/// And less than so many standard errors.
const LEAST_SIGMAS: f64 = 3.0;
/// Rests from this length on (quarters) are counted by a player.
const COUNTED_REST: f64 = 0.99;
/// A stop inside a section: at least this long, quarters and seconds, or it is only a hesitation.
const STOP_QUARTERS: f64 = 0.6;
const STOP_S: f64 = 0.4;
/// Strikes on either side that place the pulse.
const SIDE: usize = 12;
/// The very last stroke alone cannot be seen to persist: it must be this late, and where it may be one note off by itself
/// (within half a quarter) half of the doubt stays.
const LAST_QUARTERS: f64 = 0.35;
const LAST_ALONE_QUARTERS: f64 = 0.5;
const LAST_SHARE: f64 = 0.6;
const LAST_SHARE_FAR: f64 = 0.9;
/// Weak belief that the tempo on both sides is the tracked one, as a share.
const SLOPE: f64 = 0.03;

/// By how much the pulse moved.
struct Moved {
    /// Quarters; positive is late.
    size: f64,
    se: f64,
    /// Strikes that follow in the same run.
    follow: usize,
}

/// What is made of a pulse set anew.
enum Made {
    Fault(Suspicion),
    Slip(Slip),
}

/// Also gives the gaps that no kind of finding names.
pub(super) fn judge(take: &Take, leaps: &[Leap]) -> (Vec<Suspicion>, Vec<Slip>) {
    let set_anew = |run: &usize| {
        let pulse_alone = leaps.iter().any(|leap| leap.run == *run && leap.goes_on());
        (take.runs[*run].began == Step::Shift || pulse_alone) && !take.found_again(*run)
    };
    let (mut faults, mut slips) = (Vec::new(), Vec::new());
    for made in (1..take.runs.len()).filter(set_anew).filter_map(|run| entry(take, run)) {
        match made {
            Made::Fault(fault) => faults.push(fault),
            Made::Slip(slip) => slips.push(slip),
        }
    }
    (faults, slips)
}

fn entry(take: &Take, run: usize) -> Option<Made> {
    let timeline = take.timeline;
    let (before, after) = (*take.runs[run - 1].strikes.last()?, take.runs[run].strikes[0]);
    let moved = moved(take, &take.runs[run - 1], &take.runs[run])?;
    let stroke = take.stroke(after);
    let alone = moved.follow < 2;
    let at_end = alone && stroke + 1 == timeline.strokes.len() && moved.size.abs() > LAST_QUARTERS;
    if moved.size.abs() < LEAST_QUARTERS.max(LEAST_SIGMAS * moved.se) {
        return None;
    }
    let beats = moved.size.abs() / take.beat_length();
    let slip = |plain: bool| match moved.size > 0.0 {
        true => Made::Slip(Slip::TooLong { stroke, beats, plain }),
        false => Made::Slip(Slip::TooSoon { stroke, beats, plain }),
    };
    // That it persists is not to be seen; that it was as written neither.
    if alone && !at_end {
        return Some(slip(false));
    }
    let near = (take.stroke(before) + 1).max(stroke.saturating_sub(1))..stroke + 1;
    let rest = near.clone().map(|j| (j, take.rest_before(j))).find(|&(_, r)| r >= COUNTED_REST);
    let rest = rest.and_then(|(j, length)| take.rest_ahead_of(j).map(|index| (index, length)));
    let join = near.clone().any(|j| j > 0 && take.opens_pass(j));
    let called = name(take, &moved, rest, join, take.quarter(before));
    let what = match called.kind {
        Entry::Early(rest) => What::EarlyReEntry { rest, beats },
        Entry::Late(rest) => What::LateReEntry { rest, beats },
        Entry::Gap => What::JoinGap { beats },
        Entry::Rushed => What::JoinRushed { beats },
        // A gap by another name, as far as its witness goes.
        Entry::Stop | Entry::Gapped => What::Paused { beats, fell: take.fell(before, after) },
    };
    let here = after.saturating_sub(1)..after + 2;
    let shifted = take.runs[run].began == Step::Shift;
    let jumps = if shifted { 0..0 } else { here.clone() };
    let nats = take.trace.cost_without(&Forbidden { shifts: here.clone(), jumps, ..Forbidden::default() });
    let sure = logistic(witnessed(&what, nats));
    // After a stop the last stroke may be played again, which the search knows by another name: it was a stop all the same.
    let stopped = if shifted && moved.size > STOP_QUARTERS && sure < LEAST_CONFIDENCE {
        let neither = Forbidden { shifts: here.clone(), jumps: here, ..Forbidden::default() };
        logistic(witnessed(&what, take.trace.cost_without(&neither))).min(LEAST_CONFIDENCE)
    } else {
        0.0
    };
    let happened = sure.max(stopped) * if at_end { last_share(moved.size) } else { 1.0 };
    if let Entry::Gapped = called.kind {
        return Some(slip(happened >= LEAST_CONFIDENCE));
    }
    let place = Place { stroke: Some(stroke), ..Place::bar(timeline.strokes[stroke].bar) };
    let evidence = Evidence::Shift { beats: moved.size / take.beat_length(), se: moved.se / take.beat_length(), nats };
    let fault = Suspicion {
        odds: log_odds(happened),
        share: called.share,
        otherwise: called.rival,
        ..take.suspicion(what, place, take.time(after), evidence)
    };
    // Too little to be said is too much to be praised.
    if fault.clone().told().is_none() {
        return Some(slip(false));
    }
    Some(Made::Fault(fault))
}

/// Share of belief left for the piece's very last stroke.
fn last_share(size: f64) -> f64 {
    if size.abs() > LAST_ALONE_QUARTERS { LAST_SHARE_FAR } else { LAST_SHARE }
}

/// Where the pulse was set anew.
enum Entry {
    /// Before or after the end of this rest.
    Early(usize),
    Late(usize),
    /// At a join, late or early.
    Gap,
    Rushed,
    /// Elsewhere: too long for the flow to go on; or another length than written, and no more.
    Stop,
    Gapped,
}

/// What it is to be called, with what rival, and the share of belief between the two.
struct Called {
    kind: Entry,
    rival: Option<Kind>,
    share: f64,
}

fn name(take: &Take, moved: &Moved, rest: Option<(usize, f64)>, join: bool, quarter_s: f64) -> Called {
    let size = moved.size;
    let surely = |kind: Entry| Called { kind, rival: None, share: 1.0 };
    let rather =
        |kind: Entry, rival: Kind, share: f64| Called { kind, rival: Some(rival).filter(|_| share < 0.95), share };
    match (rest, join) {
        (Some((index, _)), _) if size < 0.0 => surely(Entry::Early(index)),
        (None, true) if size < 0.0 => surely(Entry::Rushed),
        (Some((index, rest)), true) => {
            let late = miscounted(size, moved.se, rest);
            let (joins, rests) =
                (take.timeline.passes.len().saturating_sub(1).max(1), take.timeline.rests.len().max(1));
            let late = late * (joins as f64 / rests as f64).min(1.0);
            // A gap is anything from .65 quarters up; shorter ones are rarer.
            let gap = if size > 0.65 { 1.0 / 0.9 } else { 0.25 };
            let share = late / (late + gap);
            if share > 0.5 {
                rather(Entry::Late(index), Kind::JoinGap, share)
            } else {
                rather(Entry::Gap, Kind::LateReEntry, 1.0 - share)
            }
        }
        (Some((_, rest)), false) if size > rest + 0.6 && size > 2.2 => rather(Entry::Stop, Kind::LateReEntry, 0.8),
        (Some((index, _)), false) => surely(Entry::Late(index)),
        (None, true) => surely(Entry::Gap),
        (None, false) if size >= STOP_QUARTERS && size * quarter_s >= STOP_S => surely(Entry::Stop),
        (None, false) => surely(Entry::Gapped),
    }
}

/// Density (per quarter) of coming back late by `size` through miscounting a rest: half a beat or a whole one, mostly.
fn miscounted(size: f64, se: f64, rest: f64) -> f64 {
    let width = se.hypot(0.015);
    let at = |x: f64| normal_density(size - x, width);
    let whole = if rest > 1.01 { 0.3 } else { 0.1 };
    0.3 * at(0.5) + whole * at(1.0) + if (0.2..0.7).contains(&size) { 0.8 } else { 0.0 }
}

/// One slope, two offsets: `t = o + [after] s + p b` by Huber's estimator, with a weak belief about p.
fn moved(take: &Take, before: &Run, after: &Run) -> Option<Moved> {
    // Among identical bars a run may have been told otherwise than it was found; what lies beyond is at another place.
    let carried_on = |a: &usize, b: &usize| !take.leapt(*a, *b);
    let left = before.strikes.chunk_by(carried_on).next_back()?;
    let right = after.strikes.chunk_by(carried_on).next()?;
    let left = &left[left.len().saturating_sub(SIDE)..];
    let right = &right[..right.len().min(SIDE)];
    let (&here, &there) = (right.first()?, left.last()?);
    let origin = take.at[take.stroke(here)];
    let t0 = take.time(here);
    let sigma = take.jitter();
    let rows: Vec<Row<3>> = (left.iter().map(|&i| (i, 0.0)).chain(right.iter().map(|&i| (i, 1.0))))
        .map(|(i, side)| Row { x: [1.0, side, take.at[take.stroke(i)] - origin], y: take.time(i) - t0, weight: 1.0 })
        .collect();
    let quarter_s = take.quarter(there);
    let slope = Belief { mean: quarter_s, precision: (sigma / (SLOPE * quarter_s)).powi(2) };
    let fit = robust(&rows, &[Belief::default(), Belief::default(), slope], Some(sigma), 0.0)?;
    let quarter_s = fit.z[2].max(1e-3);
    // The phase wanders over the gap even when nothing happens.
    let gap = take.at[take.stroke(here)] - take.at[take.stroke(there)];
    let wander = take.trace.phase_walk().get() * gap.max(0.0).sqrt();
    let se = fit.se(1).hypot(wander) / quarter_s;
    Some(Moved { size: fit.z[1] / quarter_s, se, follow: after.strikes.len() })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_density_of_a_miscounted_rest_is_the_sum_of_its_parts() {
        let density = |size: f64| miscounted(size, 0.03, 2.0);
        assert!(density(0.5) > density(0.35) && density(1.0) > density(0.85));
        // Half and a whole quarter late each as a normal density of .034 around it (.03 and .015 together), and between .2
        // and .7 anything.
        let top = 1.0 / (0.03f64.hypot(0.015) * std::f64::consts::TAU.sqrt());
        assert!((density(0.5) - (0.3 * top + 0.8)).abs() < 1e-9);
        assert!((density(1.0) - 0.3 * top).abs() < 1e-9);
        assert!((density(0.3) - 0.8).abs() < 1e-6 && density(1.5) < 1e-6);
        // A rest of one quarter is hardly counted one too long.
        assert!((miscounted(1.0, 0.03, 1.0) - 0.1 * top).abs() < 1e-9);
        // One standard deviation away.
        assert!((density(1.0 + 0.03f64.hypot(0.015)) / density(1.0) - (-0.5f64).exp()).abs() < 1e-9);
    }
}
