//! The strokes of a pattern x strikes -> which strike was meant to be which stroke, where the answer begins and how fast
//! it is played.
//!
//! For every trial start and tempo the cheapest order-keeping pairing (dynamic programming); costs in nats. The best is
//! refined by least squares with the priors below. Nothing found costs what the empty pairing costs.

use std::f64::consts::TAU;

/// How far a beginner's stroke lies from where it was meant, one standard deviation, in seconds: planning value for ages
/// 9 to 12 (30 to 50 ms), wide so that the pairing never hangs on it.
const SPREAD_S: f64 = 0.045;
/// Most that one stroke's place costs: less than a stroke missed and another too many, so that a late stroke is a late
/// stroke.
const MOST_FOR_PLACE: f64 = 5.0;
/// A stroke not played, and a certain strike too many where the room makes no such sounds of itself.
const MISSED: f64 = 4.5;
const EXTRA: f64 = 3.5;
/// A stroke farther than so many beats from its place is not that stroke.
const FARTHEST_BEATS: f64 = 1.0;
/// The answer begins with the breath's end, give or take so many beats, and is as fast as the call but for this much.
const START_BEATS: f64 = 0.35;
const TEMPO: f64 = 0.07;
/// Tempi tried, as logarithms beside the call's: a quarter slower to a quarter faster, each within one spread of a
/// two-second call.
const TEMPO_STEPS: i32 = 7;
const TEMPO_STEP: f64 = 0.04;
/// Rounds of refinement; two settle.
const REFINED: usize = 3;

/// What one stroke in its place tells, less what the room's sounds would do there by chance: see [`Fit::evidence`].
const SEARCHED: f64 = 5.6;
/// A stroke that is not heard costs so much of it: one in twenty is missed or not heard.
const UNHEARD: f64 = 3.0;

/// Even a room that was silent so far may make a sound: one in so many seconds, about what a drill listens to.
const QUIET_HZ: f64 = 0.01;

/// A strike as the fit sees it.
#[derive(Clone, Copy, Debug)]
pub(super) struct At {
    pub(super) seconds: f64,
    pub(super) certainty: f64,
    /// How many sounds like it the room makes of itself in a second.
    pub(super) by_room: f64,
}

impl At {
    /// How much likelier a stroke puts a strike right there than a room that makes so many a second: nats.
    fn told(&self) -> f64 {
        -(self.by_room.max(QUIET_HZ) * SPREAD_S * TAU.sqrt()).ln()
    }

    /// What it costs as a strike too many.
    fn extra(&self) -> f64 {
        self.certainty * self.told().clamp(0.0, EXTRA)
    }
}

/// A pattern held against strikes.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Fit {
    /// Seconds between where the answer was due and where it began.
    pub(super) start: f64,
    /// Length beside the call's.
    pub(super) ratio: f64,
    /// For each stroke the strike meant for it.
    pub(super) pairs: Vec<Option<usize>>,
    /// Nats.
    pub(super) cost: f64,
}

impl Fit {
    /// How much better a player of the pattern explains the strikes that are paired than a room that sounds by chance: nats.
    /// `sum over pairs (ln(1 / (rate spread sqrt(2 pi))) - z^2 / 2) - misses - prior - search`, the rate being the room's
    /// for sounds like the strike, the search what the best of all starts and tempi finds by chance:
    /// `ln(start's range / start's spread) + ln(tempo's range / tempo's spread)`, some 3.4 + 2.2 for four strokes.
    pub(super) fn evidence(&self, expected: &[f64], strikes: &[At], beat: f64) -> f64 {
        let each = expected.iter().zip(&self.pairs).map(|(e, pair)| match pair.map(|j| strikes[j]) {
            None => -UNHEARD,
            Some(strike) => {
                let z = (strike.seconds - self.start - self.ratio * e) / SPREAD_S;
                // What lies far from its place tells nothing of a player.
                (strike.certainty * (strike.told() - 0.5 * z * z)).max(-UNHEARD)
            }
        });
        each.sum::<f64>() - prior(self.start, self.ratio, beat) - SEARCHED
    }
}

fn prior(start: f64, ratio: f64, beat: f64) -> f64 {
    0.5 * (start / (START_BEATS * beat)).powi(2).min(12.0) + 0.5 * (ratio.ln() / TEMPO).powi(2)
}

/// The cheapest pairing at a start and tempo. `extra`: what each strike costs as one too many.
fn pair(
    expected: &[f64],
    strikes: &[At],
    extra: &[f64],
    start: f64,
    ratio: f64,
    beat: f64,
) -> (f64, Vec<Option<usize>>) {
    let (n, m) = (expected.len(), strikes.len());
    let width = m + 1;
    let mut cost = vec![0.0; (n + 1) * width];
    for j in 0..m {
        cost[j + 1] = cost[j] + extra[j];
    }
    let place = |i: usize, j: usize| {
        let off = strikes[j].seconds - start - ratio * expected[i];
        if off.abs() > FARTHEST_BEATS * beat {
            return f64::INFINITY;
        }
        let z = off / SPREAD_S;
        (0.5 * z * z).min(MOST_FOR_PLACE) + 0.5 * (1.0 - strikes[j].certainty)
    };
    for i in 0..n {
        cost[(i + 1) * width] = cost[i * width] + MISSED;
        for j in 0..m {
            let both = cost[i * width + j] + place(i, j);
            let missed = cost[i * width + j + 1] + MISSED;
            let too_many = cost[(i + 1) * width + j] + extra[j];
            cost[(i + 1) * width + j + 1] = both.min(missed).min(too_many);
        }
    }
    let mut pairs = vec![None; n];
    let (mut i, mut j) = (n, m);
    while i > 0 && j > 0 {
        let here = cost[i * width + j];
        if (here - cost[(i - 1) * width + j - 1] - place(i - 1, j - 1)).abs() < 1e-9 {
            pairs[i - 1] = Some(j - 1);
            (i, j) = (i - 1, j - 1);
        } else if (here - cost[(i - 1) * width + j] - MISSED).abs() < 1e-9 {
            i -= 1;
        } else {
            j -= 1;
        }
    }
    (cost[n * width + m], pairs)
}

/// Start and tempo that lie nearest to the pairs, pulled by the priors.
fn refine(expected: &[f64], strikes: &[At], found: &Fit, beat: f64) -> (f64, f64) {
    let near = |(i, j): (usize, usize)| {
        let off = strikes[j].seconds - found.start - found.ratio * expected[i];
        (off.abs() < 2.0 * SPREAD_S).then_some((expected[i], strikes[j].seconds))
    };
    let pairs: Vec<(f64, f64)> = found.pairs.iter().enumerate().filter_map(|(i, j)| near((i, (*j)?))).collect();
    // Normal equations of start and ratio with Gaussian priors around (0, 1).
    let w = 1.0 / (SPREAD_S * SPREAD_S);
    let (ps, pr) = (1.0 / (START_BEATS * beat).powi(2), 1.0 / (TEMPO * TEMPO));
    let (mut a, mut b, mut c, mut p, mut q) = (ps, 0.0, pr, 0.0, pr);
    for (e, t) in &pairs {
        a += w;
        b += w * e;
        c += w * e * e;
        p += w * t;
        q += w * e * t;
    }
    let d = a * c - b * b;
    if pairs.is_empty() || d <= 0.0 {
        return (found.start, found.ratio);
    }
    ((p * c - q * b) / d, (a * q - b * p) / d)
}

/// Holds a pattern against strikes, both in order of time and counted from where the answer is due. `beat` in seconds.
pub(super) fn fit(expected: &[f64], strikes: &[At], beat: f64) -> Fit {
    let extra: Vec<f64> = strikes.iter().map(At::extra).collect();
    let at = |start: f64, ratio: f64| {
        let (cost, pairs) = pair(expected, strikes, &extra, start, ratio, beat);
        Fit { start, ratio, pairs, cost: cost + prior(start, ratio, beat) }
    };
    let mut best = at(0.0, 1.0);
    for step in -TEMPO_STEPS..=TEMPO_STEPS {
        let ratio = (f64::from(step) * TEMPO_STEP).exp();
        for strike in strikes {
            for e in expected {
                let start = strike.seconds - ratio * e;
                if start.abs() > 8.0 * beat {
                    continue;
                }
                let tried = at(start, ratio);
                if tried.cost < best.cost {
                    best = tried;
                }
            }
        }
    }
    for _ in 0..REFINED {
        let (start, ratio) = refine(expected, strikes, &best, beat);
        let tried = at(start, ratio);
        if tried.cost <= best.cost {
            best = tried;
        }
    }
    best
}
