//! When each block was captured -> where samples were lost or came twice, which no device reports.
//!
//! A block's start time less the time of the samples before it is constant on a device that loses nothing, up to slow
//! drift of its clock and to delays in being called, which only ever add. So the least of it over a second, its *floor*,
//! is steady to well under a callback; where it moves from one second to the next and stays, samples are missing (it rises)
//! or came twice (it falls). Pure.

use crate::stats::median;
use crate::units::{SampleRate, Samples, Seconds};

/// Length of the windows whose floors are compared. So long that some callback in it was on time.
const WINDOW: Seconds = Seconds::from_millis(1000.0);
/// Smallest slip told: between this and the length of a callback, lateness and loss cannot be told apart by the clock,
/// unless the floors before were steadier than that.
const LEAST: Seconds = Seconds::from_millis(3.0);
/// A slip stands out from the movements of the floors before by this factor.
const ABOVE_USUAL: f64 = 4.0;
/// Windows remembered for what is usual.
const REMEMBERED: usize = 12;
/// The first windows, in which a device settles: nothing is said about them.
const SETTLING: usize = 2;

/// Samples that were lost or came twice.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slip {
    /// Samples of one channel written before the second in which it happened.
    pub at: Samples,
    /// How much is missing; negative where it came twice.
    pub lost: Seconds,
}

/// Watches the blocks of one recording.
#[derive(Debug)]
pub struct SlipWatch {
    rate: SampleRate,
    before: u64,
    window_start: u64,
    floor: Option<f64>,
    floors: Vec<f64>,
    /// A movement that has to last another window to be told, and the floor before it.
    pending: Option<(Slip, f64)>,
    found: Vec<Slip>,
}

impl SlipWatch {
    /// At the start of a recording.
    pub fn new(rate: SampleRate) -> SlipWatch {
        SlipWatch {
            rate,
            before: 0,
            window_start: 0,
            floor: None,
            floors: Vec::new(),
            pending: None,
            found: Vec::new(),
        }
    }

    /// A block of `length` samples of one channel, captured at `at` on a clock that only goes forward.
    pub fn block(&mut self, at: Seconds, length: Samples) {
        let offset = at.get() - Samples(self.before).to_seconds(self.rate).get();
        self.floor = Some(self.floor.map_or(offset, |f| f.min(offset)));
        self.before += length.0;
        if Samples(self.before - self.window_start).to_seconds(self.rate) >= WINDOW {
            self.close();
        }
    }

    fn close(&mut self) {
        let Some(floor) = self.floor.take() else { return };
        let start = std::mem::replace(&mut self.window_start, self.before);
        if let Some((slip, old)) = self.pending.take() {
            let stayed = floor - old;
            // Half of it is still there: it was no late second.
            if stayed * slip.lost.get() > 0.0 && stayed.abs() > 0.5 * slip.lost.get().abs() {
                self.found.push(Slip { lost: Seconds::of(stayed), ..slip });
                self.floors.clear();
            }
        } else if let Some(&last) = self.floors.last().filter(|_| self.floors.len() > SETTLING) {
            let moved = floor - last;
            let usual = median(self.floors.windows(2).map(|w| (w[1] - w[0]).abs())).unwrap_or(0.0);
            if moved.abs() > LEAST.get().max(ABOVE_USUAL * usual) {
                self.pending = Some((Slip { at: Samples(start), lost: Seconds::of(moved) }, last));
                return;
            }
        }
        self.floors.push(floor);
        if self.floors.len() > REMEMBERED {
            self.floors.remove(0);
        }
    }

    /// When the first sample was captured, on the clock of the blocks: the middle of the floors. The first blocks of a sound
    /// server tell wrong times. `None` in the first seconds, and just after a slip.
    pub fn origin(&self) -> Option<Seconds> {
        median(self.floors.iter().copied()).map(Seconds::of)
    }

    /// What has been found so far.
    pub fn found(&self) -> &[Slip] {
        &self.found
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of 10 ms, each called up to `late` seconds late; `lost` seconds go missing at second 20.
    fn slips(late: f64, lost: f64, skew: f64) -> Vec<Slip> {
        let rate = SampleRate::new(48_000).unwrap();
        let mut watch = SlipWatch::new(rate);
        let mut rng = crate::rng::Rng(12345);
        for k in 0..4000 {
            let missing = if k >= 2000 { lost } else { 0.0 };
            let at = 5.0 + f64::from(k) * 0.01 * (1.0 + skew) + missing + late * rng.unit();
            watch.block(Seconds::of(at), Samples(480));
        }
        watch.found().to_vec()
    }

    #[test]
    fn a_lost_block_is_found_with_its_size_and_second() {
        for lost in [0.004, 0.01, 0.02, 0.3, -0.01] {
            let found = slips(0.008, lost, 100e-6);
            assert_eq!(found.len(), 1, "{lost}: {found:?}");
            assert!((found[0].lost.get() - lost).abs() < 0.0015, "{lost}: {found:?}");
            assert!((found[0].at.0 as f64 / 48_000.0 - 20.0).abs() < 1.1, "{found:?}");
        }
    }

    #[test]
    fn late_callbacks_and_a_fast_clock_are_no_slips() {
        for late in [0.0, 0.005, 0.03] {
            for skew in [-300e-6, 0.0, 300e-6] {
                assert_eq!(slips(late, 0.0, skew), [], "{late} {skew}");
            }
        }
    }
}
