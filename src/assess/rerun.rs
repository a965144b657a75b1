//! How the last passes went -> the tempo of the next attempt.
//!
//! The rule: so many clean passes in a row earn a step up, so many failed ones in a row a step down; never outside the
//! part's range. A pass is clean when at least [`PLAYED`] of its strokes were heard where they belong, nothing was found
//! in its bars and the strikes lay steadily. A rule of thumb, which the teacher may set: two passes and 4 to 5 %, a little
//! over the just noticeable change of tempo (3.5 %, mazurka.org.uk tempo experiment); three failures and 8 %.

use super::{Assessment, Kind, Passes, Status};
use crate::part::TempoRange;
use crate::units::{Bpm, Seconds};

/// Strokes that must have been played in their place for a pass to be clean. Rule of thumb.
const PLAYED: f64 = 0.9;
/// Spread of the lateness (root mean square about its middle) up to which a pass is steady: what untrained adults come
/// to is 20 to 35 ms (planning figures). Rule of thumb.
const STEADY: Seconds = Seconds::from_millis(35.0);
/// Findings that break a pass wherever in it they lie; the others concern the take as a whole or its loudness.
const BREAKING: [Kind; 10] = [
    Kind::RestNotKept,
    Kind::EarlyReEntry,
    Kind::LateReEntry,
    Kind::JoinGap,
    Kind::JoinRushed,
    Kind::WrongSurface,
    Kind::SectionSkipped,
    Kind::Restarted,
    Kind::Paused,
    Kind::Lost,
];

/// When the tempo changes, and by how much.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RerunRule {
    /// Clean passes in a row for a step up; at least 1.
    pub clean: u32,
    /// Failed passes in a row for a step down; at least 1.
    pub failed: u32,
    /// A step up, as a share of the tempo: 0.04 is 4 %.
    pub up: f64,
    /// A step down, as a share of the tempo.
    pub down: f64,
}

impl Default for RerunRule {
    fn default() -> Self {
        RerunRule { clean: 2, failed: 3, up: 0.04, down: 0.08 }
    }
}

/// Passes in a row since the tempo last changed. One of the two is always 0.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct InARow {
    /// Clean ones.
    pub clean: u32,
    /// Failed ones.
    pub failed: u32,
}

/// What the rule says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Move {
    /// A step up.
    Up,
    /// A step down.
    Down,
    /// The same tempo again.
    Stay,
    /// A step up was earned, and this is where the part is going.
    AtGoal,
    /// A step down was due, and this is the part's slowest.
    AtStart,
}

/// Applies the rule to the passes of one take, in order, at one tempo. Gives the next tempo, the passes in a row to go on
/// with, and what happened. `range` may be written either way round.
pub fn rerun(rule: &RerunRule, range: TempoRange, bpm: Bpm, before: InARow, passes: &[bool]) -> (Bpm, InARow, Move) {
    let mut row = before;
    for &clean in passes {
        row = if clean {
            InARow { clean: row.clean.saturating_add(1), failed: 0 }
        } else {
            InARow { clean: 0, failed: row.failed.saturating_add(1) }
        };
    }
    let inside = |bpm: f64| Bpm::clamped(bpm.clamp(range.slowest().get(), range.fastest().get()));
    // Whole numbers, and at least one more or less.
    let up = (bpm.get() * (1.0 + rule.up.max(0.0))).round().max(bpm.get() + 1.0);
    let down = (bpm.get() * (1.0 - rule.down.clamp(0.0, 0.9))).round().min(bpm.get() - 1.0);
    let here = inside(bpm.get());
    if row.clean >= rule.clean.max(1) {
        let next = inside(up);
        return (next, InARow::default(), if next > here { Move::Up } else { Move::AtGoal });
    }
    if row.failed >= rule.failed.max(1) {
        let next = inside(down);
        return (next, InARow::default(), if next < here { Move::Down } else { Move::AtStart });
    }
    (here, row, Move::Stay)
}

/// Whether each pass was clean: `passes` are bars of the timeline. Passes that were not reached are left out.
pub fn clean_passes(take: &Assessment, passes: &[std::ops::Range<usize>]) -> Vec<bool> {
    passes.iter().filter_map(|bars| clean(take, bars)).collect()
}

fn clean(take: &Assessment, bars: &std::ops::Range<usize>) -> Option<bool> {
    let inside = take.timeline.bars.get(bars.clone())?;
    let (first, last) = (inside.first()?, inside.last()?);
    let strokes = take.strokes.get(first.strokes.start..last.strokes.end)?;
    let count = |status: Status| strokes.iter().filter(|s| s.status == status).count();
    // What noise may have hidden speaks neither for nor against.
    let told = strokes.len() - count(Status::NotHeard);
    if told == 0 || count(Status::NotReached) * 2 > strokes.len() {
        return None;
    }
    let late: Vec<f64> = strokes.iter().filter_map(|s| s.late).map(|l| l.millis()).collect();
    let mean = late.iter().sum::<f64>() / late.len().max(1) as f64;
    let spread = (late.iter().map(|l| (l - mean).powi(2)).sum::<f64>() / late.len().max(1) as f64).sqrt();
    let broken = take.findings.iter().any(|f| {
        let here = f.place.as_ref().is_none_or(|place| {
            let own = place.pass(&take.timeline);
            let same = |bar: &crate::part::Bar| {
                let pass = take.timeline.passes.get(bar.pass);
                pass.zip(own).is_some_and(|(p, own)| {
                    p.section == own.section && (place.passes != Passes::This || p.number == own.number)
                }) && f.bars(&take.timeline).is_none_or(|(a, b)| (a..=b).contains(&bar.number))
            };
            inside.iter().any(same)
        });
        BREAKING.contains(&f.kind()) && here
    });
    Some(count(Status::Played) as f64 >= PLAYED * told as f64 && spread <= STEADY.millis() && !broken)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn bpm(n: f64) -> Bpm {
        Bpm::new(n).unwrap()
    }

    fn range() -> TempoRange {
        TempoRange { start: bpm(66.0), goal: bpm(96.0) }
    }

    fn next(at: f64, passes: &[bool]) -> (f64, Move) {
        let (next, _, moved) = rerun(&RerunRule::default(), range(), bpm(at), InARow::default(), passes);
        (next.get(), moved)
    }

    #[test]
    fn two_clean_passes_go_up_and_three_failed_ones_down() {
        assert_eq!(next(75.0, &[true]), (75.0, Move::Stay));
        assert_eq!(next(75.0, &[true, true]), (78.0, Move::Up));
        assert_eq!(next(75.0, &[true, false, true]), (75.0, Move::Stay));
        assert_eq!(next(75.0, &[false, false]), (75.0, Move::Stay));
        assert_eq!(next(75.0, &[false, false, false]), (69.0, Move::Down));
        assert_eq!(next(95.0, &[true, true]), (96.0, Move::Up));
        assert_eq!(next(96.0, &[true, true]), (96.0, Move::AtGoal));
        assert_eq!(next(66.0, &[false; 3]), (66.0, Move::AtStart));
    }

    #[test]
    fn passes_in_a_row_are_counted_over_takes() {
        let rule = RerunRule::default();
        let (at, row, _) = rerun(&rule, range(), bpm(80.0), InARow::default(), &[false, true]);
        assert_eq!((at.get(), row), (80.0, InARow { clean: 1, failed: 0 }));
        let (at, row, moved) = rerun(&rule, range(), at, row, &[true]);
        assert_eq!((at.get(), row, moved), (83.0, InARow::default(), Move::Up));
    }

    proptest! {
        #[test]
        fn the_next_tempo_is_never_outside_the_range(
            a in 10.0..400.0_f64, b in 10.0..400.0_f64, at in 10.0..400.0_f64,
            clean in 0_u32..6, failed in 0_u32..6, up in -1.0..3.0_f64, down in -1.0..3.0_f64,
            before in (0_u32..9, 0_u32..9), passes in proptest::collection::vec(any::<bool>(), 0..12),
        ) {
            let rule = RerunRule { clean, failed, up, down };
            let range = TempoRange { start: bpm(a), goal: bpm(b) };
            let row = InARow { clean: before.0, failed: before.1 };
            let (next, row, moved) = rerun(&rule, range, bpm(at), row, &passes);
            prop_assert!((a.min(b)..=a.max(b)).contains(&next.get()));
            prop_assert!(passes.is_empty() || row.clean == 0 || row.failed == 0);
            if (a.min(b)..=a.max(b)).contains(&at) {
                match moved {
                    Move::Up => prop_assert!(next.get() > at),
                    Move::Down => prop_assert!(next.get() < at),
                    _ => prop_assert!((next.get() - at).abs() < 1e-9),
                }
            }
        }

        #[test]
        fn a_better_take_never_leads_to_a_slower_tempo(
            at in 66.0..96.0_f64, passes in proptest::collection::vec(any::<bool>(), 1..8),
        ) {
            // The last pass alone decides between up and down, so the better one differs in it.
            let mut better = passes.clone();
            let last = better.len() - 1;
            better[last] = true;
            prop_assert!(next(at, &better).0 >= next(at, &passes).0);
        }
    }
}
