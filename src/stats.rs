//! Medians: the statistics that several steps need.

/// Middle value of those that are finite, of an even number the mean of the middle two; `None` for nothing.
pub(crate) fn median(values: impl IntoIterator<Item = f64>) -> Option<f64> {
    let mut sorted: Vec<f64> = values.into_iter().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (sorted.get(sorted.len().checked_sub(1)? / 2)?, sorted.get(sorted.len() / 2)?);
    Some((low + high) / 2.0)
}

/// Median absolute deviation of a normal distribution with standard deviation 1, inverted: 1 / 0.6745.
pub(crate) const MAD_TO_SD: f64 = 1.4826;

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
}
