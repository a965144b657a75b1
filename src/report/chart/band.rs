//! What nobody could hear: how far a stroke may lie off before a listener notices.
//!
//! Friberg & Sundberg 1995, "Time discrimination in a monotonic, isochronous sequence", J. Acoust. Soc. Am. 98:2524:
//! the just noticeable displacement of one tone is 6 ms for intervals of 100 to 240 ms and 2.5 % of the interval from
//! 240 to 1000 ms.

use crate::units::Seconds;

/// Just noticeable displacement at short intervals.
const SHORT: Seconds = Seconds::from_millis(6.0);
/// Just noticeable displacement as a part of longer intervals.
const PART: f64 = 0.025;
/// The longest interval that was measured; beyond it nothing more is claimed.
const LONGEST: Seconds = Seconds::from_millis(1000.0);

/// The displacement that is just noticed where strokes come at this interval.
pub(super) fn noticed(interval: Seconds) -> Seconds {
    Seconds::of((interval.get().min(LONGEST.get()) * PART).max(SHORT.get()))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Values of the abstract of Friberg & Sundberg 1995.
    #[test]
    fn the_band_is_six_milliseconds_then_a_fortieth_of_the_interval() {
        let at = |ms: f64| noticed(Seconds::from_millis(ms)).millis();
        for ms in [100.0, 200.0, 240.0] {
            assert!((at(ms) - 6.0).abs() < 1e-9);
        }
        assert!((at(500.0) - 12.5).abs() < 1e-9 && (at(1000.0) - 25.0).abs() < 1e-9);
        assert!((at(4000.0) - 25.0).abs() < 1e-9, "nothing is claimed beyond the longest interval measured");
    }
}
