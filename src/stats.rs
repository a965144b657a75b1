//! The few statistics that several steps need.

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
    fn sums_of_tiny_numbers_do_not_vanish() {
        assert!((log_sum([-1000.0, -1000.0].into_iter()) - (2f64.ln() - 1000.0)).abs() < 1e-9);
        assert!(log_sum([f64::NEG_INFINITY; 2].into_iter()).is_infinite());
    }
}
