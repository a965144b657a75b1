//! How many cells a bar can hold: each must be a plain division of the beat, or whole beats.
//!
//! A count that would need a bracket (seven in a 4/4 bar, or six against four) is far likelier a slip than meant, and
//! what it could mean can always be written in finer cells: half-note triplets are twelve cells, `o.x. o.x. o.x.`.

use super::Meter;
use crate::units::Ticks;

/// Shortest cell accepted: a 32nd note.
const SHORTEST: Ticks = Ticks(Ticks::PER_QUARTER / 8);

/// The beat a beginner feels: the quarter, or the dotted quarter of 6/8, 9/8 and 12/8.
pub(crate) fn pulse(meter: Meter) -> Ticks {
    if meter.unit == 8 {
        Ticks(if meter.beats.is_multiple_of(3) { Ticks::PER_QUARTER * 3 / 2 } else { Ticks::PER_QUARTER / 2 })
    } else {
        Ticks(Ticks::PER_QUARTER)
    }
}

/// The numbers of cells a bar of this meter takes, rising.
pub(crate) fn counts(meter: Meter) -> Vec<i64> {
    let bar = meter.bar().0;
    let pulse = pulse(meter);
    let divisions: &[i64] = match (pulse.0, meter.unit) {
        (p, 8) if p > Ticks::PER_QUARTER => &[1, 3, 6, 12],
        (_, 8) => &[1, 2, 4],
        _ => &[1, 2, 3, 4, 6, 8],
    };
    let pulses = bar / pulse.0;
    let whole_beats = (1..pulses).filter(|n| pulses % n == 0);
    whole_beats.chain(divisions.iter().map(|k| k * pulses)).filter(|n| bar % n == 0 && bar / n >= SHORTEST.0).collect()
}

/// What a cell of this length is called, where it has a common name.
fn name(cell: i64) -> Option<&'static str> {
    const Q: i64 = Ticks::PER_QUARTER;
    Some(match cell {
        n if n == 4 * Q => "whole notes",
        n if n == 3 * Q => "dotted halves",
        n if n == 2 * Q => "halves",
        n if 2 * n == 3 * Q => "dotted quarters",
        n if n == Q => "quarters",
        n if 2 * n == Q => "eighths",
        n if 3 * n == Q => "triplets",
        n if 4 * n == Q => "sixteenths",
        n if 6 * n == Q => "sextuplets",
        n if 8 * n == Q => "thirty-seconds",
        _ => return None,
    })
}

/// `None` where `cells` fit the bar; otherwise the way out.
pub(super) fn misfit(meter: Meter, cells: usize) -> Option<String> {
    let counts = counts(meter);
    let n = i64::try_from(cells).unwrap_or(i64::MAX);
    if counts.contains(&n) {
        return None;
    }
    let called = |count: i64| name(meter.bar().0 / count).map_or(format!("{count}"), |name| format!("{count} {name}"));
    let above = counts.iter().find(|c| **c > n).map(|c| format!("{} more makes {}", c - n, called(*c)));
    let below = counts.iter().rev().find(|c| **c < n).map(|c| format!("{} fewer makes {}", n - c, called(*c)));
    let near: Vec<String> = [above, below].into_iter().flatten().collect();
    let all = counts.iter().map(i64::to_string).collect::<Vec<_>>().join(", ");
    Some(format!(
        "{}; a {}/{} bar takes {all} cells, `.` lets a stroke ring on",
        near.join(", "),
        meter.beats,
        meter.unit
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(beats: u8, unit: u8, expected: &[i64]) {
        assert_eq!(counts(Meter { beats, unit }), expected, "{beats}/{unit}");
    }

    #[test]
    fn a_bar_takes_the_counts_a_teacher_would_write() {
        check(2, 4, &[1, 2, 4, 6, 8, 12, 16]);
        check(3, 4, &[1, 3, 6, 9, 12, 18, 24]);
        check(4, 4, &[1, 2, 4, 8, 12, 16, 24, 32]);
        check(6, 8, &[1, 2, 6, 12, 24]);
        check(12, 8, &[1, 2, 4, 12, 24, 48]);
        check(2, 2, &[1, 2, 4, 8, 12, 16, 24, 32]);
        check(5, 8, &[1, 5, 10, 20]);
    }

    #[test]
    fn every_count_divides_its_bar_into_whole_ticks() {
        for (beats, unit) in (1..=16).flat_map(|b| [(b, 2), (b, 4), (b, 8)]) {
            let meter = Meter { beats, unit };
            assert!(counts(meter).iter().all(|n| meter.bar().0 % n == 0 && meter.bar().0 / n >= 120), "{beats}/{unit}");
        }
    }

    #[test]
    fn a_misfit_is_told_what_is_nearest() {
        assert_eq!(
            misfit(Meter { beats: 4, unit: 4 }, 7).as_deref(),
            Some(
                "1 more makes 8 eighths, 3 fewer makes 4 quarters; a 4/4 bar takes 1, 2, 4, 8, 12, 16, 24, 32 cells, `.` lets a stroke ring on"
            )
        );
        assert!(misfit(Meter { beats: 4, unit: 4 }, 1_000_000).is_some_and(|hint| hint.contains("fewer makes 32")));
        assert!(misfit(Meter { beats: 6, unit: 8 }, 6).is_none());
    }
}
