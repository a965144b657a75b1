//! Straight-line models that one wrong value does not bend: Huber's estimator, with beliefs about the coefficients, or with
//! groups that keep an offset of their own.

use super::matrix::inverse;
use super::{MAD_TO_SD, huber_weight, median};

/// One observation of a linear model: regressors, value, weight.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Row<const K: usize> {
    pub(crate) x: [f64; K],
    pub(crate) y: f64,
    pub(crate) weight: f64,
}

/// A belief about a coefficient before the data: its value and its precision (1 / variance, in units of the residual
/// variance). Precision 0 is no belief.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Belief {
    pub(crate) mean: f64,
    pub(crate) precision: f64,
}

/// A fitted linear model.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Fit<const K: usize> {
    pub(crate) z: [f64; K],
    /// Covariance of `z` for residuals of variance 1.
    pub(crate) unit_cov: [[f64; K]; K],
    /// Standard deviation of the residuals, robust.
    pub(crate) scale: f64,
}

impl<const K: usize> Fit<K> {
    pub(crate) fn at(&self, x: &[f64; K]) -> f64 {
        self.z.iter().zip(x).map(|(z, x)| z * x).sum()
    }

    /// Standard error of coefficient `k`.
    pub(crate) fn se(&self, k: usize) -> f64 {
        self.scale * self.unit_cov[k][k].max(0.0).sqrt()
    }
}

/// Residuals beyond this many standard deviations count less ([`huber_weight`]); 95 % as efficient as least squares on normal
/// noise (common practice).
const HUBER: f64 = 1.345;

/// Straight-line models by Huber's estimator. `known`: standard deviation of the residuals where it is, else from
/// the residuals themselves, not below `floor`. `None` where the rows do not determine the coefficients.
pub(crate) fn robust<const K: usize>(
    rows: &[Row<K>],
    beliefs: &[Belief; K],
    known: Option<f64>,
    floor: f64,
) -> Option<Fit<K>> {
    const ROUNDS: usize = 8;
    let mut weights: Vec<f64> = rows.iter().map(|r| r.weight).collect();
    let mut fit = None;
    for _ in 0..ROUNDS {
        let (z, unit_cov) = weighted(rows, &weights, beliefs)?;
        let this = Fit { z, unit_cov, scale: 0.0 };
        let residuals: Vec<f64> = rows.iter().map(|r| r.y - this.at(&r.x)).collect();
        let scale = known.or_else(|| scale(&residuals, K))?.max(floor);
        for ((weight, e), row) in weights.iter_mut().zip(&residuals).zip(rows) {
            *weight = row.weight * huber_weight(*e, HUBER * scale);
        }
        fit = Some(Fit { scale, ..this });
    }
    fit
}

/// As [`robust`], each group with an offset of its own besides the coefficients (fitted by taking weighted means out).
/// Also gives the residuals in the order of the rows, and their final weights.
pub(crate) fn grouped<const K: usize>(rows: &[(usize, Row<K>)], known: Option<f64>, floor: f64) -> Option<Grouped<K>> {
    const ROUNDS: usize = 8;
    let groups = rows.iter().map(|r| r.0 + 1).max()?;
    let mut weights: Vec<f64> = rows.iter().map(|r| r.1.weight).collect();
    let mut out = None;
    for _ in 0..ROUNDS {
        let mut mean = vec![([0.0; K], 0.0, 0.0); groups];
        for ((group, row), w) in rows.iter().zip(&weights) {
            let (x, y, sum) = &mut mean[*group];
            for (sum, x) in x.iter_mut().zip(&row.x) {
                *sum += w * x;
            }
            *y += w * row.y;
            *sum += w;
        }
        let centred: Vec<Row<K>> = (rows.iter())
            .map(|(group, row)| {
                let (x, y, sum) = mean[*group];
                let sum = f64::max(sum, 1e-12);
                Row { x: std::array::from_fn(|k| row.x[k] - x[k] / sum), y: row.y - y / sum, weight: row.weight }
            })
            .collect();
        let (z, unit_cov) = weighted(&centred, &weights, &[Belief::default(); K])?;
        let fit = Fit { z, unit_cov, scale: 0.0 };
        let residuals: Vec<f64> = centred.iter().map(|r| r.y - fit.at(&r.x)).collect();
        let used = mean.iter().filter(|m| m.2 > 0.0).count();
        let scale = known.or_else(|| scale(&residuals, K + used))?.max(floor);
        for ((weight, e), (_, row)) in weights.iter_mut().zip(&residuals).zip(rows) {
            *weight = row.weight * huber_weight(*e, HUBER * scale);
        }
        out = Some(Grouped { fit: Fit { scale, ..fit }, residuals, weights: weights.clone() });
    }
    out
}

/// What [`grouped`] gives.
pub(crate) struct Grouped<const K: usize> {
    pub(crate) fit: Fit<K>,
    pub(crate) residuals: Vec<f64>,
    pub(crate) weights: Vec<f64>,
}

/// Mean square of a standard normal value held within +-[`HUBER`].
const HELD_SQUARE: f64 = 0.7102;

/// Scale of residuals after `fitted` coefficients: the larger of the median absolute deviation (too small too often where
/// there are few rows) and the root mean square of the residuals held within [`HUBER`] of it.
/// Source: Huber 1964, proposal 2, one step.
pub(crate) fn scale(residuals: &[f64], fitted: usize) -> Option<f64> {
    let free = residuals.len().checked_sub(fitted).filter(|n| *n > 0)? as f64;
    let mad = MAD_TO_SD * median(residuals.iter().map(|e| e.abs()))?;
    let held: f64 = residuals.iter().map(|e| e.abs().min(HUBER * mad).powi(2)).sum();
    Some((mad * (residuals.len() as f64 / free).sqrt()).max((held / free / HELD_SQUARE).sqrt()))
}

type Solved<const K: usize> = ([f64; K], [[f64; K]; K]);

fn weighted<const K: usize>(rows: &[Row<K>], weights: &[f64], beliefs: &[Belief; K]) -> Option<Solved<K>> {
    let mut a = [[0.0; K]; K];
    let mut b = [0.0; K];
    for (k, belief) in beliefs.iter().enumerate() {
        a[k][k] += belief.precision;
        b[k] += belief.precision * belief.mean;
    }
    for (row, w) in rows.iter().zip(weights) {
        for i in 0..K {
            b[i] += w * row.x[i] * row.y;
            for (cell, x) in a[i].iter_mut().zip(&row.x) {
                *cell += w * row.x[i] * x;
            }
        }
    }
    let inverse = inverse(a)?;
    let z = std::array::from_fn(|i| (0..K).map(|j| inverse[i][j] * b[j]).sum());
    Some((z, inverse))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() < 1e-9, "{a} is not {b}");
    }

    #[test]
    fn a_line_is_found_through_one_wild_value_with_the_textbook_standard_error() {
        let mut rows: Vec<Row<2>> =
            (0..10).map(|i| Row { x: [1.0, f64::from(i)], y: 2.0 + 0.5 * f64::from(i), weight: 1.0 }).collect();
        let clean = robust(&rows, &[Belief::default(); 2], Some(1.0), 0.0).unwrap();
        close(clean.z[0], 2.0);
        close(clean.z[1], 0.5);
        // Slope: sigma / sqrt(sum of squared distances from the mean) = 1 / sqrt(82.5).
        close(clean.se(1), 1.0 / 82.5_f64.sqrt());
        rows[5].y += 1000.0;
        let wild = robust(&rows, &[Belief::default(); 2], None, 1e-3).unwrap();
        assert!((wild.z[1] - 0.5).abs() < 1e-3, "{:?}", wild.z);
    }

    #[test]
    fn groups_keep_their_own_offsets_and_share_the_slope() {
        let rows: Vec<(usize, Row<1>)> = (0..12)
            .map(|i| {
                let (g, x) = (i % 3, f64::from(i as u32));
                (g, Row { x: [x], y: 10.0 * g as f64 + 0.25 * x, weight: 1.0 })
            })
            .collect();
        close(grouped(&rows, None, 1e-6).unwrap().fit.z[0], 0.25);
        // A regressor that is constant within each group says nothing.
        let flat: Vec<(usize, Row<1>)> =
            (0..12).map(|i| (i % 3, Row { x: [(i % 3) as f64], y: i as f64, weight: 1.0 })).collect();
        assert!(grouped(&flat, None, 1e-6).is_none());
    }

    #[test]
    fn what_is_not_determined_is_refused() {
        let rows = [Row { x: [1.0, 2.0], y: 1.0, weight: 1.0 }; 5];
        assert!(robust(&rows, &[Belief::default(); 2], None, 1e-3).is_none());
        assert!(robust::<2>(&[], &[Belief::default(); 2], None, 1e-3).is_none());
    }
}
