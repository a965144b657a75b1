//! Lateness of every strike against the player's own pulse, and the clock of the take.
//!
//! The pulse at a strike is a straight line through its neighbours within [`REACH`] on either side and in the same
//! stretch, the strike itself left out: `t = t0 + q (b - b0)`, b in quarter notes, by Huber's estimator with a weak belief
//! that the length of a quarter is the tracked one. Lateness is the strike's time minus t0.

use super::runs::{Point, Run};
use super::{Clock, ClockSource};
use crate::stats::linear::{Belief, Row, robust, scale};
use crate::stats::median;
use crate::units::{Bpm, Lateness, Seconds, Ticks};

/// Neighbours this near make the pulse: a bar of 4/4 before and one after. Longer would call a bar played with a little
/// more speed late or early, shorter would follow every slip. Common practice.
const REACH: Ticks = Ticks(4 * Ticks::PER_QUARTER);
/// Fewer neighbours do not make a line; the reach is then doubled, twice at most.
const FEWEST: usize = 4;
/// The tracked length of a quarter is believed to this share of itself: about the just noticeable change of tempo, 3.5 %
/// (facts: mazurka.org.uk tempo experiment).
const TEMPO_BELIEF: f64 = 0.03;

/// A matched strike against the player's own pulse.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Timed {
    pub(super) late: Lateness,
    /// One standard deviation of `late`: of the strike's time and of the line.
    pub(super) sigma: Seconds,
    pub(super) bpm: Bpm,
    /// Variance of the line as a share of the jitter's; `None` where the tracker's line was taken.
    leverage: Option<f64>,
}

impl Timed {
    /// Lateness against the line through the neighbours and the strike itself: of strokes that come late in turns, the line
    /// through the neighbours alone makes the difference too large.
    pub(super) fn beside(&self) -> Seconds {
        Seconds::of(self.late.0.get() / (1.0 + self.leverage.unwrap_or(0.0)))
    }
}

/// For each of `n` strikes its lateness; `None` for unmatched strikes.
///
/// Also gives the jitter around that pulse, one standard deviation: `jitter` is only the first guess. `None` where too few
/// lines could be drawn to measure it.
pub(super) fn own_pulse(n: usize, runs: &[Run], jitter: Seconds) -> (Vec<Option<Timed>>, Option<Seconds>) {
    let first = with_jitter(n, runs, jitter);
    match own_jitter(&first) {
        Some(own) => (with_jitter(n, runs, own), Some(own)),
        None => (first, None),
    }
}

/// Lines that must have been drawn.
const LEAST_LINES: usize = 8;

/// Lateness is the strike's own jitter and the line's error, which is known as a share of the same jitter.
fn own_jitter(timed: &[Option<Timed>]) -> Option<Seconds> {
    let own: Vec<f64> =
        timed.iter().flatten().filter_map(|t| t.leverage.map(|h| t.late.0.get() / (1.0 + h).sqrt())).collect();
    if own.len() < LEAST_LINES {
        return None;
    }
    scale(&own, 2).map(|s| Seconds::of(s.max(1e-3)))
}

fn with_jitter(n: usize, runs: &[Run], jitter: Seconds) -> Vec<Option<Timed>> {
    let mut out = vec![None; n];
    for run in runs {
        for (i, point) in run.points.iter().enumerate() {
            if let Some(slot) = out.get_mut(point.strike) {
                *slot = timed(&run.points, i, jitter);
            }
        }
    }
    out
}

fn timed(run: &[Point], i: usize, jitter: Seconds) -> Option<Timed> {
    let here = run.get(i)?;
    let mut rows: Vec<Row<2>> = Vec::new();
    for widen in [1.0, 2.0, 4.0] {
        let reach = REACH.quarters() * widen;
        rows.clear();
        let near = |p: &&Point| p.strike != here.strike && (p.b - here.b).abs() <= reach;
        // Sorted by place, so only the neighbours need to be looked at.
        let before = run[..i].iter().rev().take_while(|p| here.b - p.b <= reach);
        let after = run[i + 1..].iter().take_while(|p| p.b - here.b <= reach);
        rows.extend(before.chain(after).filter(near).map(|p| Row { x: [1.0, p.b - here.b], y: p.t, weight: 1.0 }));
        if rows.len() >= FEWEST {
            break;
        }
    }
    let jitter = jitter.get().max(1e-3);
    if rows.len() < FEWEST {
        // Too little to draw a line of our own: the tracker's.
        let sigma = (here.sigma.powi(2) + jitter.powi(2)).sqrt();
        return Some(Timed {
            late: Lateness(Seconds::of(here.t - here.pulse)),
            sigma: Seconds::of(sigma),
            bpm: Bpm::clamped(60.0 / here.quarter),
            leverage: None,
        });
    }
    let tempo = Belief { mean: here.quarter, precision: (jitter / (TEMPO_BELIEF * here.quarter)).powi(2) };
    let fit = robust(&rows, &[Belief::default(), tempo], Some(jitter), 1e-3)?;
    Some(Timed {
        late: Lateness(Seconds::of(here.t - fit.z[0])),
        sigma: Seconds::of((here.sigma.powi(2) + fit.se(0).powi(2)).sqrt()),
        bpm: Bpm::clamped(60.0 / fit.z[1].max(1e-3)),
        leverage: Some((fit.se(0) / jitter).powi(2)),
    })
}

/// Where beat 1 of bar 1 lies by the player's own pulse, and the median tempo. The line goes through the first strikes of
/// the first stretch; where the take begins later in the piece it is drawn back from there. `None` without a strike.
pub(super) fn clock(runs: &[Run], timed: &[Option<Timed>], jitter: Seconds) -> Option<Clock> {
    /// Strikes that draw the line: two bars of quarters and their offbeats.
    const OPENING: usize = 12;
    let tempi: Vec<f64> = timed.iter().flatten().map(|t| t.bpm.get()).collect();
    let bpm = Bpm::clamped(median(tempi)?);
    let first = &runs.first()?.points;
    let opening = &first[..first.len().min(OPENING)];
    let quarter = median(opening.iter().map(|p| p.quarter))?;
    let rows: Vec<Row<2>> = opening.iter().map(|p| Row { x: [1.0, p.b], y: p.t, weight: 1.0 }).collect();
    let scale = jitter.get().max(1e-3);
    let tempo = Belief { mean: quarter, precision: (scale / (TEMPO_BELIEF * quarter)).powi(2) };
    let start = robust(&rows, &[Belief::default(), tempo], Some(scale), 1e-3).map(|fit| fit.z[0])?;
    Some(Clock { source: ClockSource::OwnPulse, start: Seconds::of(start), bpm })
}
