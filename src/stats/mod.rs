//! Numbers without a meaning of their own: middle values, the normal distribution, probabilities and their logarithms; below it
//! robust straight lines (`linear`) and small matrices (`matrix`).

pub(crate) mod linear;
pub(crate) mod matrix;

/// Median absolute deviation of a normal distribution with standard deviation 1, inverted: 1 / 0.6745.
pub(crate) const MAD_TO_SD: f64 = 1.4826;

/// Middle value of those that are finite, of an even number the mean of the middle two; `None` for nothing.
pub(crate) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut values: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
    let (half, even) = (values.len() / 2, values.len().is_multiple_of(2));
    let last = values.len().checked_sub(1)?;
    let (below, high, _) = values.select_nth_unstable_by(half.min(last), f64::total_cmp);
    let low = below.iter().copied().max_by(f64::total_cmp).filter(|_| even).unwrap_or(*high);
    Some((low + *high) / 2.0)
}

/// Which of `count` values in rising order stands at quantile `q`.
pub(crate) fn rank(count: usize, q: f64) -> usize {
    (count.saturating_sub(1) as f64 * q).round() as usize
}

/// The value at quantile `q` of the slice, which is reordered; 0 for an empty one.
pub(crate) fn quantile(values: &mut [f32], q: f64) -> f32 {
    if values.is_empty() {
        return 0.0;
    }
    let k = rank(values.len(), q);
    *values.select_nth_unstable_by(k, f32::total_cmp).1
}

/// Probability that a standard normal value is at most `z`.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    if z.is_nan() { 0.5 } else { 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2) }
}

/// Density of a normal distribution around 0.
pub(crate) fn normal_density(x: f64, sd: f64) -> f64 {
    (-0.5 * (x / sd).powi(2)).exp() / (sd * std::f64::consts::TAU.sqrt())
}

/// Log odds to probability.
pub(crate) fn logistic(odds: f64) -> f64 {
    1.0 / (1.0 + (-odds.clamp(-40.0, 40.0)).exp())
}

/// What a residual counts with in a fit that one wrong value must not bend: 1 up to `limit`, beyond it `limit` over its size.
/// Source: Huber 1964, "Robust estimation of a location parameter", Ann. Math. Stat. 35:73.
pub(crate) fn huber_weight(residual: f64, limit: f64) -> f64 {
    (limit / residual.abs().max(1e-15)).min(1.0)
}

/// The logarithm of a sum of exponentials.
pub(crate) fn log_sum(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let top = values.clone().fold(f64::NEG_INFINITY, f64::max);
    if top.is_finite() { top + values.map(|v| (v - top).exp()).sum::<f64>().ln() } else { top }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_median_by_hand() {
        assert_eq!(median([3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median([4.0, f64::NAN, 1.0, 2.0, 3.0]), Some(2.5));
        assert_eq!(median([]), None);
        assert_eq!(median([f64::NAN]), None);
    }

    #[test]
    fn quantiles_by_hand() {
        let at = |q| quantile(&mut [4.0, 1.0, 3.0, 2.0, 5.0], q) as u32;
        assert_eq!([at(0.0), at(0.25), at(0.5), at(0.8), at(1.0)], [1, 2, 3, 4, 5]);
        assert!(quantile(&mut [], 0.5).abs() < f32::EPSILON);
    }

    #[test]
    fn the_normal_distribution_agrees_with_its_table() {
        // Abramowitz & Stegun 1964, table 26.1.
        for (z, p) in [(0.0, 0.5), (1.0, 0.841_344_746), (-1.96, 0.024_997_895), (3.0, 0.998_650_102)] {
            assert!((normal_cdf(z) - p).abs() < 1e-8, "{z}");
        }
        assert!((normal_density(0.0, 1.0) - 0.398_942_280_401_432_7).abs() < 1e-15);
        assert!((normal_density(3.0, 2.0) - 0.064_758_797_832_945_87).abs() < 1e-15);
    }

    #[test]
    fn a_residual_twice_the_limit_counts_half() {
        for (residual, weight) in [(0.0, 1.0), (-1.0, 1.0), (2.0, 0.5), (-4.0, 0.25)] {
            assert!((huber_weight(residual, 1.0) - weight).abs() < 1e-12, "{residual}");
        }
    }

    #[test]
    fn sums_of_tiny_numbers_do_not_vanish() {
        assert!((log_sum([-1000.0, -1000.0].into_iter()) - (2f64.ln() - 1000.0)).abs() < 1e-9);
        assert!(log_sum([f64::NEG_INFINITY; 2].into_iter()).is_infinite());
    }
}
