//! Rushing and dragging: one change of tempo from the beginning of the take to its end.
//!
//! Every run of strikes keeps an offset of its own, the length of a quarter changes steadily over all the music played:
//! `t = a_run + p u + g u^2 / 2`, u in quarters played: a change of `-g U / p` in all. That fit gives the standard error; the
//! size comes from the tempi of six parts of the take, since it is moved less by a tempo that swings back and forth. A take
//! also wanders without meaning to, by what can just be heard or by what this take does beside its steady change, whichever
//! is more; drift is told from wandering by the ratio of the two normal densities and the share of takes that drift.

use super::runs::Run;
use super::stats::{Grouped, Row, grouped, logistic, normal_density};
use super::{Finding, Kind, Unit};
use crate::units::Bpm;

/// Less music than this (quarters, strikes) has no drift to speak of.
const LEAST_QUARTERS: f64 = 16.0;
const LEAST_STRIKES: usize = 16;
/// A run shorter than this tells nothing of its tempo.
const LEAST_RUN: usize = 4;
/// Tempo wanders this much from end to end without anybody meaning it, one standard deviation: with it 3.5 %, the just
/// noticeable change of tempo (mazurka.org.uk tempo experiment, 6 to 8 taps), is passed in one take of seven.
const WANDER: f64 = 0.024;
/// Tempo drifts of takes that do drift, one standard deviation.
const DRIFT: f64 = 0.12;
/// One take in seven drifts. Common sense; nobody has counted.
const SHARE: f64 = 0.15;
/// More than this is not drift but another tempo or another piece.
const MOST: f64 = 0.7;
/// Not said below this probability.
const SAID_ABOVE: f64 = 0.6;
/// Nothing is surer than this.
const SUREST: f64 = 0.98;
/// A single new tempo at a join is no drift; it is one when it tells the take better by this, in nats: the odds of the two
/// accounts are even beforehand, and it is called drift only at better than one in three.
const STEP_BETTER: f64 = 0.7;

/// Parts of the take that have a tempo each.
const PARTS: usize = 6;

struct Point {
    run: usize,
    u: f64,
    t: f64,
    opens: bool,
}

/// `opens(stroke)`: whether the stroke is the first of a pass.
pub(super) fn judge(runs: &[Run], opens: impl Fn(usize) -> bool) -> Option<Finding> {
    let mut points: Vec<Point> = Vec::new();
    let mut played = 0.0;
    for (r, run) in runs.iter().enumerate() {
        let (Some(first), Some(last)) = (run.points.first(), run.points.last()) else { continue };
        if run.points.len() < LEAST_RUN {
            continue;
        }
        points.extend(run.points.iter().map(|p| Point {
            run: r,
            u: played + p.b - first.b,
            t: p.t,
            opens: opens(p.stroke),
        }));
        played += last.b - first.b + 1.0;
    }
    let whole = points.last().map_or(0.0, |p| p.u);
    if points.len() < LEAST_STRIKES || whole < LEAST_QUARTERS {
        return None;
    }
    let middle = whole / 2.0;
    let ramp = fit(&points, |u| [u - middle, 0.5 * (u - middle).powi(2)])?;
    let [quarter, change] = ramp.fit.z;
    if quarter <= 0.0 {
        return None;
    }
    let steady = -change * whole / quarter;
    let se = ramp.fit.se(1) * whole / quarter * inflation(&points, &ramp);
    if steady.abs() > MOST || one_step(&points, &ramp, whole) {
        return None;
    }
    let tempi = parts(&points, whole)?;
    let trend = Trend::of(&tempi)?;
    let wander = WANDER.max(trend.wobble);
    // A slow swing back and forth has a slope too, but its ends are less apart than its slope says.
    let total = (trend.slope + trend.ends) / 2.0;
    let for_drift = normal_density(total, (DRIFT * DRIFT + wander * wander + se * se).sqrt());
    let for_wander = normal_density(total, wander.hypot(se));
    let confidence = logistic((SHARE / (1.0 - SHARE)).ln() + (for_drift / for_wander.max(1e-300)).ln());
    if confidence < SAID_ABOVE {
        return None;
    }
    let centre = 60.0 / quarter;
    let (from, to) = (Bpm::clamped(centre * (-total / 2.0).exp()), Bpm::clamped(centre * (total / 2.0).exp()));
    Some(Finding {
        kind: if total > 0.0 { Kind::Rushing } else { Kind::Dragging },
        section: None,
        pass: None,
        bar: None,
        beat: None,
        at: None,
        size: 100.0 * (to.get() / from.get() - 1.0),
        unit: Unit::Percent,
        confidence: confidence.min(SUREST),
        bars: None,
        text: format!(
            "The tempo {} by about {:.0} % from beginning to end, from {:.0} to {:.0}.",
            if total > 0.0 { "rose" } else { "fell" },
            100.0 * (to.get() / from.get() - 1.0).abs(),
            from.get(),
            to.get()
        ),
        evidence: format!(
            "tempo of the six sixths of the take: {}; steady change {:.1} % with a standard error of {:.1} %, beside a wandering of {:.1} %",
            tempi.iter().map(|(l, _)| format!("{:.0}", 60.0 * l.exp())).collect::<Vec<_>>().join(", "),
            100.0 * total,
            100.0 * se,
            100.0 * wander
        ),
        otherwise: None,
    })
}

fn fit<const K: usize>(points: &[Point], x: impl Fn(f64) -> [f64; K]) -> Option<Grouped<K>> {
    let rows: Vec<(usize, Row<K>)> = points.iter().map(|p| (p.run, Row { x: x(p.u), y: p.t, weight: 1.0 })).collect();
    grouped(&rows, None, 1e-4)
}

fn squared<const K: usize>(fit: &Grouped<K>, weights: &[f64]) -> f64 {
    fit.residuals.iter().zip(weights).map(|(e, w)| w * e * e).sum()
}

/// Errors that follow one another count as fewer: `sqrt((1 + r) / (1 - r))` for lag-one correlation r.
fn inflation(points: &[Point], fit: &Grouped<2>) -> f64 {
    let e = &fit.residuals;
    let w = &fit.weights;
    let lag: f64 = (1..e.len()).filter(|&i| points[i].run == points[i - 1].run).map(|i| w[i] * e[i] * e[i - 1]).sum();
    let r = (lag / squared(fit, w).max(1e-12)).clamp(0.0, 0.95);
    ((1.0 + r) / (1.0 - r)).sqrt()
}

/// Whether one new tempo at the beginning of a pass tells the take better than a steady change, and leaves none.
///
/// The accounts are compared by `n / 2 ln(squared error of one / of the other)`, n the number of errors that are free of
/// each other, less the logarithm of the number of joins among which the best was taken.
fn one_step(points: &[Point], ramp: &Grouped<2>, whole: f64) -> bool {
    let middle = whole / 2.0;
    let joins: Vec<f64> =
        points.iter().filter(|p| p.opens && p.u > 0.1 * whole && p.u < 0.9 * whole).map(|p| p.u).collect();
    let steps = joins
        .iter()
        .filter_map(|&x| fit(points, |u| [u - middle, (u - x).max(0.0)]).map(|s| (squared(&s, &ramp.weights), x, s)));
    let Some((error, x, step)) = steps.min_by(|a, b| a.0.total_cmp(&b.0)) else { return false };
    // The errors of the better account are what is left when all is said.
    let free = points.len() as f64 / inflation(points, &step).powi(2);
    let better = 0.5 * free * (squared(ramp, &ramp.weights) / error.max(1e-12)).ln() - (joins.len() as f64).ln();
    if better < STEP_BETTER {
        return false;
    }
    let Some(both) = fit(points, |u| [u - middle, (u - x).max(0.0), 0.5 * (u - middle).powi(2)]) else { return true };
    let scale = whole / both.fit.z[0].max(1e-3);
    let left = both.fit.z[2].abs() * scale;
    left < WANDER + 2.0 * both.fit.se(2) * scale
}

/// Logarithm of the quarters a second in each part of the take, with its standard error.
fn parts(points: &[Point], whole: f64) -> Option<Vec<(f64, f64)>> {
    let length = whole / PARTS as f64;
    let inside = |u: f64| -> [f64; PARTS] { std::array::from_fn(|k| (u - k as f64 * length).clamp(0.0, length)) };
    let fit = fit(points, inside)?.fit;
    let out: Vec<(f64, f64)> =
        (0..PARTS).filter(|&k| fit.z[k] > 0.0).map(|k| (-fit.z[k].ln(), fit.se(k) / fit.z[k])).collect();
    (out.len() == PARTS).then_some(out)
}

/// What the tempi of the parts come to.
struct Trend {
    /// Change from end to end by their regression line, and by the outer parts alone.
    slope: f64,
    ends: f64,
    /// Standard deviation around the line, beyond what the standard errors explain.
    wobble: f64,
}

impl Trend {
    fn of(tempi: &[(f64, f64)]) -> Option<Trend> {
        let n = tempi.len() as f64;
        let x = |k: usize| (k as f64 - (n - 1.0) / 2.0) / n;
        let mean = tempi.iter().map(|t| t.0).sum::<f64>() / n;
        let xx: f64 = (0..tempi.len()).map(|k| x(k).powi(2)).sum();
        let slope: f64 = tempi.iter().enumerate().map(|(k, t)| x(k) * t.0).sum::<f64>() / xx;
        let rest: f64 =
            tempi.iter().enumerate().map(|(k, t)| (t.0 - mean - slope * x(k)).powi(2)).sum::<f64>() / (n - 2.0);
        let noise = tempi.iter().map(|t| t.1 * t.1).sum::<f64>() / n;
        // The middles of the outer parts are (n - 1) / n of the take apart.
        let ends = (tempi.last()?.0 - tempi.first()?.0) * n / (n - 1.0);
        Some(Trend { slope, ends, wobble: (rest - noise).max(0.0).sqrt() })
    }
}
