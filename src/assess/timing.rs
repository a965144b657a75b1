//! Lateness of every strike against the player's own pulse, and the clock of the take.
//!
//! The pulse at a strike is a straight line through its neighbours within [`REACH`] on either side and in the same
//! stretch, the strike itself left out: `t = t0 + q (b - b0)`, b in quarter notes, by Huber's estimator with a weak belief
//! that the length of a quarter is the tracked one. Lateness is the strike's time minus t0.

use super::stats::{Belief, Row, median, robust};
use super::{Clock, ClockSource, Stretch};
use crate::align::{Placed, Step, Strike};
use crate::part::Timeline;
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
}

/// For each strike its lateness; `None` for unmatched strikes.
pub(super) fn own_pulse(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    stretches: &[Stretch],
    jitter: Seconds,
) -> Vec<Option<Timed>> {
    let mut out = vec![None; strikes.len()];
    for stretch in stretches {
        for run in steady(timeline, strikes, placed, stretch) {
            for i in 0..run.len() {
                let timed = timed(&run, i, jitter);
                if let (Some(slot), Some(timed)) = (out.get_mut(run[i].strike), timed) {
                    *slot = Some(timed);
                }
            }
        }
    }
    out
}

/// A matched strike on its way into a line.
#[derive(Clone, Copy, Debug)]
struct Point {
    strike: usize,
    /// Quarters from the start of the piece.
    b: f64,
    t: f64,
    sigma: f64,
    /// Where the tracker put it, and its length of a quarter.
    pulse: f64,
    quarter: f64,
}

/// The matched strikes of a stretch, parted where a new tempo begins.
fn steady(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], stretch: &Stretch) -> Vec<Vec<Point>> {
    let mut out: Vec<Vec<Point>> = vec![Vec::new()];
    for i in stretch.strikes.clone() {
        let (Some(strike), Some(place)) = (strikes.get(i), placed.get(i)) else { continue };
        let Some(stroke) = matched(place).and_then(|j| timeline.strokes.get(j)) else { continue };
        if place.step == Step::NewTempo {
            out.push(Vec::new());
        }
        if let Some(run) = out.last_mut() {
            run.push(Point {
                strike: i,
                b: stroke.at.quarters(),
                t: strike.at.get(),
                sigma: strike.sigma.get(),
                pulse: place.pulse.get(),
                quarter: place.bpm.quarter().get(),
            });
        }
    }
    out
}

/// The stroke a strike stands for: not the other hand of one that has its strike already.
pub(super) fn matched(place: &Placed) -> Option<usize> {
    use Step::*;
    matches!(place.step, Start | Match | Displaced | Shift | NewTempo | Jump | JumpAfterPause).then_some(place.stroke)?
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
    let scale = jitter.get().max(1e-3);
    if rows.len() < FEWEST {
        // Too little to draw a line of our own: the tracker's.
        let sigma = (here.sigma.powi(2) + scale.powi(2)).sqrt();
        return Some(Timed {
            late: Lateness(Seconds::of(here.t - here.pulse)),
            sigma: Seconds::of(sigma),
            bpm: Bpm::clamped(60.0 / here.quarter),
        });
    }
    let tempo = Belief { mean: here.quarter, precision: (scale / (TEMPO_BELIEF * here.quarter)).powi(2) };
    let fit = robust(&rows, &[Belief::default(), tempo], Some(scale), 1e-3)?;
    Some(Timed {
        late: Lateness(Seconds::of(here.t - fit.z[0])),
        sigma: Seconds::of((here.sigma.powi(2) + fit.se(0).powi(2)).sqrt()),
        bpm: Bpm::clamped(60.0 / fit.z[1].max(1e-3)),
    })
}

/// Where beat 1 of bar 1 lies by the player's own pulse, and the median tempo. The line goes through the first strikes of
/// the first stretch; where the take begins later in the piece it is drawn back from there. `None` without a strike.
pub(super) fn clock(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    stretches: &[Stretch],
    timed: &[Option<Timed>],
    jitter: Seconds,
) -> Option<Clock> {
    /// Strikes that draw the line: two bars of quarters and their offbeats.
    const OPENING: usize = 12;
    let tempi: Vec<f64> = timed.iter().flatten().map(|t| t.bpm.get()).collect();
    let bpm = Bpm::clamped(median(&tempi)?);
    let first = stretches.iter().flat_map(|s| steady(timeline, strikes, placed, s)).find(|run| !run.is_empty())?;
    let opening = &first[..first.len().min(OPENING)];
    let quarter = median(&opening.iter().map(|p| p.quarter).collect::<Vec<_>>())?;
    let rows: Vec<Row<2>> = opening.iter().map(|p| Row { x: [1.0, p.b], y: p.t, weight: 1.0 }).collect();
    let scale = jitter.get().max(1e-3);
    let tempo = Belief { mean: quarter, precision: (scale / (TEMPO_BELIEF * quarter)).powi(2) };
    let start = robust(&rows, &[Belief::default(), tempo], Some(scale), 1e-3).map(|fit| fit.z[0])?;
    Some(Clock { source: ClockSource::OwnPulse, start: Seconds::of(start), bpm })
}
