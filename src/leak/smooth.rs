//! A value with its variance at every sound -> a smooth curve through them that one wrong value does not bend.
//!
//! Penalised least squares: `minimise sum w (v - s)^2 + lambda sum (second difference of s)^2` (Whittaker 1923), weights
//! `1/variance`, residuals beyond 1.5 medians weighted down (Huber's weights), four times over. Banded Cholesky decomposition.

use crate::stats::{huber_weight, median};

/// What is known of each sound: a value and its variance, if any.
pub(super) type Known = Option<(f64, f64)>;

/// A weight counts up to so many times the middle one.
const MOST_WEIGHT: f64 = 20.0;
const TIMES: usize = 4;
/// A residual counts less beyond so many times the middle one: one standard deviation of normal ones.
const LIMIT: f64 = 1.5;
/// Fewer values make no curve.
const LEAST: usize = 4;

/// The curve at every sound; zeros where too little is known. Values beyond `most` count as `most`.
pub(super) fn curve(known: &[Known], lambda: f64, most: f64) -> Vec<f64> {
    let n = known.len();
    if known.iter().flatten().count() < LEAST {
        return vec![0.0; n];
    }
    let middle = median(known.iter().flatten().map(|k| 1.0 / (k.1 + 1e-30))).unwrap_or(0.0) + 1e-30;
    let weights: Vec<f64> =
        known.iter().map(|k| k.map_or(0.0, |k| (1.0 / (k.1 + 1e-30) / middle).min(MOST_WEIGHT))).collect();
    let values: Vec<f64> = known.iter().map(|k| k.map_or(0.0, |k| k.0.clamp(-most, most))).collect();
    let mut now = weights.clone();
    let mut out = vec![0.0; n];
    for _ in 0..TIMES {
        out = solve(&now, &values, lambda);
        let off: Vec<f64> = (0..n).map(|i| (values[i] - out[i]).abs() * weights[i].sqrt()).collect();
        let limit =
            LIMIT * median(off.iter().zip(known).filter(|o| o.1.is_some()).map(|o| *o.0)).unwrap_or(0.0) + 1e-12;
        for i in 0..n {
            now[i] = weights[i] * huber_weight(off[i], limit);
        }
    }
    out
}

/// Solves `(W + lambda D'D) s = W v`, D the second differences.
fn solve(w: &[f64], v: &[f64], lambda: f64) -> Vec<f64> {
    let n = w.len();
    // Bands of the matrix: main diagonal, first and second below it.
    let mut band = vec![[0.0f64; 3]; n];
    for (b, w) in band.iter_mut().zip(w) {
        b[0] = w + 1e-9;
    }
    for k in 0..n.saturating_sub(2) {
        let d = [1.0, -2.0, 1.0];
        for i in 0..3 {
            for j in 0..=i {
                band[k + i][i - j] += lambda * d[i] * d[j];
            }
        }
    }
    // L D L', L's bands in place: band[i] = [D_i, L_(i,i-1), L_(i,i-2)].
    for i in 0..n {
        let l2 = if i >= 2 { band[i][2] / band[i - 2][0] } else { 0.0 };
        let mut l1 = if i >= 1 { band[i][1] } else { 0.0 };
        if i >= 2 {
            l1 -= l2 * band[i - 2][0] * band[i - 1][1];
        }
        if i >= 1 {
            l1 /= band[i - 1][0];
        }
        let mut d = band[i][0];
        if i >= 1 {
            d -= l1 * l1 * band[i - 1][0];
        }
        if i >= 2 {
            d -= l2 * l2 * band[i - 2][0];
        }
        band[i] = [d.max(1e-12), l1, l2];
    }
    let mut s: Vec<f64> = w.iter().zip(v).map(|(w, v)| w * v).collect();
    for i in 0..n {
        if i >= 1 {
            s[i] -= band[i][1] * s[i - 1];
        }
        if i >= 2 {
            s[i] -= band[i][2] * s[i - 2];
        }
    }
    for i in 0..n {
        s[i] /= band[i][0];
    }
    for i in (0..n).rev() {
        if i + 1 < n {
            s[i] -= band[i + 1][1] * s[i + 1];
        }
        if i + 2 < n {
            s[i] -= band[i + 2][2] * s[i + 2];
        }
    }
    s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_stays_a_line_and_a_wrong_value_does_not_bend_it() {
        let line = |i: usize| 0.3 * i as f64 - 2.0;
        let mut known: Vec<Known> = (0..40).map(|i| Some((line(i), 1.0))).collect();
        known[7] = None;
        for (i, v) in curve(&known, 40.0, 100.0).iter().enumerate() {
            assert!((v - line(i)).abs() < 1e-3, "{i}: {v}");
        }
        known[20] = Some((60.0, 1.0));
        for (i, v) in curve(&known, 40.0, 100.0).iter().enumerate() {
            assert!((v - line(i)).abs() < 0.1, "{i}: {v}");
        }
        assert_eq!(curve(&[None, Some((1.0, 1.0))], 40.0, 1.0), [0.0, 0.0]);
    }
}
