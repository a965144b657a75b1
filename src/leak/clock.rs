//! The guide's clock in the recording: a line, and at each sound how far the devices have wandered from it.

use super::Lock;
use crate::units::{EAR_RATE, Seconds};

/// Where each moment of the guide stands in the recording.
#[derive(Clone, Debug, PartialEq)]
pub struct GuideClock {
    /// The line.
    pub lock: Lock,
    /// Moments of the guide in seconds, in order, and what is added to the line there; straight between, level beyond.
    pub(super) points: Vec<(f64, f64)>,
}

/// A piece of the clock: guide samples `from..to` stand at `base + slope x sample` of the recording.
#[derive(Clone, Copy, Debug)]
pub(super) struct Span {
    pub(super) from: i64,
    pub(super) to: i64,
    pub(super) base: f64,
    pub(super) slope: f64,
}

impl GuideClock {
    /// Where a moment of the guide stands in the recording.
    pub fn at(&self, guide: Seconds) -> Seconds {
        let t = guide.get();
        let next = self.points.partition_point(|p| p.0 <= t);
        let off = match (next.checked_sub(1).map(|k| self.points[k]), self.points.get(next)) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (t - a.0) / (b.0 - a.0),
            (Some(a), None) => a.1,
            (None, Some(b)) => b.1,
            (None, None) => 0.0,
        };
        self.lock.at(guide) + Seconds::of(off)
    }

    /// The clock as straight pieces over guide samples `from..to` at the ear's rate.
    pub(super) fn spans(&self, from: i64, to: i64) -> Vec<Span> {
        let rate = f64::from(EAR_RATE.get());
        let mut ends: Vec<i64> = vec![from];
        ends.extend(self.points.iter().map(|p| (p.0 * rate).round() as i64).filter(|k| (from + 1..to).contains(k)));
        ends.push(to);
        ends.dedup();
        ends.windows(2)
            .filter(|w| w[0] < w[1])
            .map(|w| {
                let place = |k: i64| self.at(Seconds::of(k as f64 / rate)).get() * rate;
                let (a, b) = (place(w[0]), place(w[1]));
                let slope = (b - a) / (w[1] - w[0]) as f64;
                Span { from: w[0], to: w[1], base: a - slope * w[0] as f64, slope }
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leak::Ppm;

    #[test]
    fn spans_and_moments_agree() {
        let lock = Lock { start: Seconds::of(1.25), skew: Ppm(120.0), certainty: 20.0 };
        let clock = GuideClock { lock, points: vec![(1.0, 1e-4), (2.0, -2e-4), (3.5, 0.0)] };
        let rate = f64::from(EAR_RATE.get());
        for span in clock.spans(-10_000, 300_000) {
            for k in [span.from, (span.from + span.to) / 2, span.to] {
                let there = clock.at(Seconds::of(k as f64 / rate)).get() * rate;
                assert!((span.base + span.slope * k as f64 - there).abs() < 1e-2, "{k}");
            }
        }
    }
}
