//! Rushing and dragging: a tempo that moves over the take, in whatever shape.
//!
//! Every run of strikes keeps an offset of its own; the tempi of up to six equal parts of the music played are fitted to all
//! of them. Against a tempo that only wanders stand these shapes: a steady change, one that begins or ends on the way, and one
//! that comes back. For each shape `h` and each wandering `w` the ratio of the two accounts of the parts' tempi `l` (logarithms,
//! variances `v = se^2 + w^2`, the mean taken out) is, with a normal belief about the amplitude,
//!
//! `ln B = b^2 / (2 (c + 1/D^2)) - ln(1 + c D^2) / 2`, `b = sum h l / v`, `c = sum h^2 / v`
//!
//! (the marginal likelihood of a normal linear model; Bishop, "Pattern Recognition and Machine Learning", 3.3 to 3.5).

use super::finding::{Course, Evidence, What};
use super::runs::Run;
use super::suspicion::{Suspicion, probability};
use crate::part::Timeline;
use crate::stats::linear::{Grouped, Row, grouped};
use crate::stats::log_sum;
use crate::units::Bpm;

/// Less music than this (quarters, strikes) has no drift to speak of: three parts of three strikes are the least that have a
/// shape.
const MIN_QUARTERS: f64 = 6.0;
const MIN_STRIKES: usize = 9;
/// A run shorter than this tells nothing of its tempo.
const MIN_RUN: usize = 4;
/// Each part's tempo wanders this much without anybody meaning it, one standard deviation, with the share of players who do.
/// The middle one: with it the ends of a take differ by 2.4 %, so that 3.5 %, the just noticeable change of tempo
/// (mazurka.org.uk tempo experiment, 6 to 8 taps), is passed in one take of seven; half and twice as much beside it. Rule of
/// thumb.
const WANDERS: [(f64, f64); 3] = [(0.0085, 0.45), (0.017, 0.45), (0.034, 0.1)];
/// The same from end to end.
const ENDS_WANDER: f64 = 0.024;
/// Tempo drifts of takes that do drift, one standard deviation.
const DRIFT: f64 = 0.12;
/// Three drifts in five are steady, one begins or ends on the way, one comes back. Common sense; nobody has counted.
const STEADY_CHANGE: f64 = 0.6;
const ON_THE_WAY: f64 = 0.2;
const COMES_BACK: f64 = 0.2;
/// More than this is not drift but another tempo or another piece.
const MAX_DRIFT: f64 = 0.7;
/// A change that a listener notices: 3.5 % (as above).
const NOTICED: f64 = 0.035;
/// A single new tempo at a join is no drift; it is one when it tells the take better by this, in nats: the odds of the two
/// accounts are even beforehand, and it is called drift only at better than one in three.
const STEP_BETTER: f64 = 0.7;

/// A tempo that moves with less than this probability may be called held: one in five. With it 2 of 200 short takes that went
/// 20 % faster and back are called steady, and half of those that were (`scripts/measuring/short_figures.rs`).
const MOVES: f64 = 0.2;

/// A new tempo this far from the old one is told all the same: four times what a listener just notices.
const PLAIN: f64 = 0.14;

/// Joins at which one new tempo is tried; of more, so many spread over the take, and those around the best of them. In a take
/// of hundreds of passes the neighbours of a join tell hardly less than it does.
const MAX_JOINS: usize = 48;

/// Parts of the take that have a tempo each, at most, and strikes to each at least.
const PARTS: usize = 6;
const MIN_PART: usize = 3;

struct Point {
    run: usize,
    stroke: usize,
    u: f64,
    t: f64,
    opens: bool,
}

/// The tempo of equal parts of the take: logarithm of the quarters a second, with its standard error.
#[derive(Clone, Debug, Default)]
pub(super) struct Tempi {
    parts: Vec<(f64, f64)>,
    /// First stroke of each part.
    strokes: Vec<usize>,
    /// Probability that it moves, in whatever shape; `None` where there is too little to tell.
    moves: Option<f64>,
}

impl Tempi {
    /// Whether the tempo held, as far as a listener notices: it is unlikely to have moved, and the fastest and the slowest part
    /// differ by no more than twice what is just noticed, beyond what their standard errors explain. A take too short to tell
    /// shows no steadiness.
    pub(super) fn held(&self) -> bool {
        self.moves.is_some_and(|p| p < MOVES) && self.spread().is_some_and(|spread| spread <= 2.0 * NOTICED)
    }

    fn spread(&self) -> Option<f64> {
        let by = |a: &&(f64, f64), b: &&(f64, f64)| a.0.total_cmp(&b.0);
        let (low, high) = (self.parts.iter().min_by(by)?, self.parts.iter().max_by(by)?);
        (self.parts.len() > 1).then(|| (high.0 - low.0 - high.1.hypot(low.1)).max(0.0))
    }
}

/// The tempo over the take, and what is suspected of it.
pub(super) fn judge(timeline: &Timeline, runs: &[Run], opens: impl Fn(usize) -> bool) -> (Tempi, Option<Suspicion>) {
    let mut points: Vec<Point> = Vec::new();
    let mut played = 0.0;
    for (r, run) in runs.iter().enumerate() {
        let (Some(first), Some(last)) = (run.points.first(), run.points.last()) else { continue };
        if run.points.len() < MIN_RUN {
            continue;
        }
        points.extend(run.points.iter().map(|p| Point {
            run: r,
            stroke: p.stroke,
            u: played + p.b - first.b,
            t: p.t,
            opens: opens(p.stroke),
        }));
        played += last.b - first.b + 1.0;
    }
    let whole = points.last().map_or(0.0, |p| p.u);
    let middle = whole / 2.0;
    let Some(ramp) = fit(&points, |u| [u - middle, 0.5 * (u - middle).powi(2)]) else { return Default::default() };
    let [quarter, change] = ramp.fit.z;
    let inflation = inflation(&points, &ramp);
    let parts = match points.len() / MIN_PART {
        0 | 1 => None,
        2 => parts::<2>(&points, whole, inflation),
        3 => parts::<3>(&points, whole, inflation),
        4 | 5 => parts::<4>(&points, whole, inflation),
        _ => parts::<PARTS>(&points, whole, inflation),
    };
    let mut tempi = parts.unwrap_or_default();
    let steady = -change * whole / quarter.max(1e-3);
    let too_little = points.len() < MIN_STRIKES || whole < MIN_QUARTERS || quarter <= 0.0;
    if too_little || steady.abs() > MAX_DRIFT || one_step(&points, &ramp, whole) {
        return (tempi, None);
    }
    let suspicion = moved(timeline, &tempi, ramp.fit.se(1) * whole / quarter * inflation);
    tempi.moves = suspicion.as_ref().map(|s| probability(&s.what, s.odds));
    (tempi, suspicion)
}

/// A shape: its prior, and its height in each part, from 0 to 1.
type Shape = (f64, Vec<f64>);

fn shapes(parts: usize) -> Vec<Shape> {
    let end = (parts - 1) as f64;
    let turns = 1..parts - 1;
    let each = |share: f64, n: usize| share / n.max(1) as f64;
    let shape = |prior: f64, height: &dyn Fn(f64) -> f64| (prior, (0..parts).map(|k| height(k as f64)).collect());
    let mut out = vec![shape(STEADY_CHANGE, &|k| k / end)];
    for turn in turns.clone() {
        let m = turn as f64;
        let one = each(ON_THE_WAY, 2 * turns.len());
        out.push(shape(one, &|k| ((k - m) / (end - m)).max(0.0)));
        out.push(shape(one, &|k| (k / m).min(1.0)));
        out.push(shape(each(COMES_BACK, turns.len()), &|k| if k <= m { k / m } else { (end - k) / (end - m) }));
    }
    out
}

fn moved(timeline: &Timeline, tempi: &Tempi, se: f64) -> Option<Suspicion> {
    let l = &tempi.parts;
    if l.len() < 3 {
        return None;
    }
    // Likelihood of the parts where the tempo only wanders, and with each shape on top.
    let mut wandering: Vec<f64> = Vec::new();
    let mut drifting: Vec<(f64, f64, f64, Vec<f64>)> = Vec::new();
    for (w, share) in WANDERS {
        let v: Vec<f64> = l.iter().map(|(_, se)| se * se + w * w).collect();
        let all: f64 = v.iter().map(|v| 1.0 / v).sum();
        let centred = |x: &dyn Fn(usize) -> f64| -> Vec<f64> {
            let mean = (0..l.len()).map(|k| x(k) / v[k]).sum::<f64>() / all;
            (0..l.len()).map(|k| x(k) - mean).collect()
        };
        let y = centred(&|k| l[k].0);
        let null =
            share.ln() - 0.5 * (0..l.len()).map(|k| v[k].ln() + y[k] * y[k] / v[k]).sum::<f64>() - 0.5 * all.ln();
        wandering.push(null);
        for (prior, heights) in shapes(l.len()) {
            let h = centred(&|k| heights[k]);
            let b: f64 = (0..l.len()).map(|k| h[k] * y[k] / v[k]).sum();
            let c: f64 = (0..l.len()).map(|k| h[k] * h[k] / v[k]).sum();
            let known = c + DRIFT.powi(-2);
            let better = 0.5 * b * b / known - 0.5 * (1.0 + c * DRIFT * DRIFT).ln();
            drifting.push((null + prior.ln() + better, b / c.max(1e-9), w, heights));
        }
    }
    let odds = log_sum(drifting.iter().map(|d| d.0)) - log_sum(wandering.iter().copied());
    let (_, amplitude, wander, heights) = drifting.into_iter().max_by(|a, b| a.0.total_cmp(&b.0))?;
    // The middles of the outer parts are one part less than the take apart.
    let n = l.len() as f64;
    let turned = heights.last().is_some_and(|h| *h < 0.5);
    let amplitude = if turned { amplitude } else { amplitude * n / (n - 1.0) };
    let mean = l.iter().map(|p| p.0).sum::<f64>() / n;
    let height = heights.iter().sum::<f64>() / n;
    let bpm = |h: f64| Bpm::clamped(60.0 * (mean + amplitude * (h - height)).exp());
    let noticed = heights.iter().position(|h| (h * amplitude).abs() > NOTICED).unwrap_or(0);
    let stroke = tempi.strokes.get(noticed).copied().unwrap_or(0);
    let course = Course {
        from: bpm(0.0),
        to: bpm(1.0),
        back: turned.then(|| bpm(0.0)),
        bar: timeline.strokes.get(stroke).map_or(0, |s| s.bar),
    };
    Some(Suspicion {
        what: if amplitude > 0.0 { What::Rushing(course) } else { What::Dragging(course) },
        place: None,
        at: None,
        odds,
        share: 1.0,
        evidence: Evidence::Tempi {
            parts: l.iter().map(|(l, _)| Bpm::clamped(60.0 * l.exp())).collect(),
            change: amplitude,
            se,
            wander,
        },
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

/// Whether one new tempo at the beginning of a pass tells the take better than a change all along, from a join on or up
/// to one, and leaves none.
///
/// The accounts are compared by `n / 2 ln(squared error of one / of the other)`, n the number of errors that are free of
/// each other, less the logarithm of the number of joins among which the best was taken.
fn one_step(points: &[Point], ramp: &Grouped<2>, whole: f64) -> bool {
    let middle = whole / 2.0;
    let joins: Vec<f64> =
        points.iter().filter(|p| p.opens && p.u > 0.1 * whole && p.u < 0.9 * whole).map(|p| p.u).collect();
    let stride = joins.len().div_ceil(MAX_JOINS).max(1);
    let tried: Vec<f64> = joins.iter().copied().step_by(stride).collect();
    let at = |x: f64| fit(points, |u| [u - middle, (u - x).max(0.0)]).map(|s| (squared(&s, &ramp.weights), x, s));
    let best = |joins: &[f64]| joins.iter().filter_map(|x| at(*x)).min_by(|a, b| a.0.total_cmp(&b.0));
    let Some(coarse) = best(&tried) else { return false };
    // Those around it that were passed over.
    let found = joins.partition_point(|join| *join < coarse.1);
    let around = joins.get((found + 1).saturating_sub(stride)..(found + stride).min(joins.len())).unwrap_or_default();
    let fine = if stride > 1 { best(around) } else { None };
    let (error, x, step) = fine.unwrap_or(coarse);
    if (step.fit.z[1] / step.fit.z[0].max(1e-3)).abs() > PLAIN {
        return false;
    }
    // The errors of the better account are what is left when all is said.
    let free = points.len() as f64 / inflation(points, &step).powi(2);
    // Moving all along, from a join on, or up to one.
    let rivals = tried.iter().flat_map(|&x| {
        let from = fit(points, |u| [u - middle, 0.5 * (u - x).max(0.0).powi(2)]);
        let until = fit(points, |u| [u - middle, 0.5 * (u - x).min(0.0).powi(2)]);
        [from, until]
    });
    let moving = rivals.flatten().map(|f| squared(&f, &ramp.weights)).fold(squared(ramp, &ramp.weights), f64::min);
    let better = 0.5 * free * (moving / error.max(1e-12)).ln() - (joins.len() as f64).ln();
    if better < STEP_BETTER {
        return false;
    }
    let Some(both) = fit(points, |u| [u - middle, (u - x).max(0.0), 0.5 * (u - middle).powi(2)]) else { return true };
    let scale = whole / both.fit.z[0].max(1e-3);
    let left = both.fit.z[2].abs() * scale;
    left < ENDS_WANDER + 2.0 * both.fit.se(2) * scale
}

/// The tempo of each of `K` parts of the take; `None` where one is not known.
fn parts<const K: usize>(points: &[Point], whole: f64, inflation: f64) -> Option<Tempi> {
    let length = whole / K as f64;
    let inside = |u: f64| -> [f64; K] { std::array::from_fn(|k| (u - k as f64 * length).clamp(0.0, length)) };
    let fit = fit(points, inside)?.fit;
    let parts: Vec<(f64, f64)> =
        (0..K).filter(|&k| fit.z[k] > 0.0).map(|k| (-fit.z[k].ln(), fit.se(k) * inflation / fit.z[k])).collect();
    let first = |k: usize| points.iter().find(|p| p.u >= k as f64 * length - 1e-9).map_or(0, |p| p.stroke);
    (parts.len() == K).then(|| Tempi { parts, strokes: (0..K).map(first).collect(), moves: None })
}
