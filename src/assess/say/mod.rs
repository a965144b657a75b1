//! The one room in which sentences are made: findings, advice and limits -> words for the teacher (about the pupil, in the past
//! tense), for the pupil (to a child of eight to twelve, one thing at a time), and for the chart. Nothing here decides anything.
//!
//! `tests::every_sentence` (`cargo test every_sentence -- --nocapture`) prints all of them, each with the case that makes it.

mod evidence;
mod limits;
mod pupil;
mod teacher;
#[cfg(test)]
mod tests;

use std::ops::Range;

use super::finding::{Finding, Kind, Passes, Place, What};
use super::{Assessment, Move};
use crate::english::{NAME, capital, clean, cut, listed, many, number, ordinal, times, was};
use crate::part::{Pass, Surface, Timeline};
use crate::units::{Bpm, Ticks};

pub use evidence::evidence;
pub use limits::limit;
pub use pupil::{fix, mark, praise, step, why};
pub use teacher::{finding, heading, nothing, short, statement};

/// `half a beat`, `a beat and a half`, `two beats`: rounded to quarters of a beat, as nobody feels finer.
pub fn beats(size: f64) -> String {
    let quarters = (size.abs() * 4.0).round().max(1.0);
    let whole = (quarters / 4.0).floor();
    let part = quarters as i64 % 4;
    let n = number(whole as usize);
    match (whole as i64, part) {
        (0, 1) => "a quarter of a beat".into(),
        (0, 2) => "half a beat".into(),
        (0, _) => "three quarters of a beat".into(),
        (1, 0) => "a beat".into(),
        (1, 1) => "a beat and a quarter".into(),
        (1, 2) => "a beat and a half".into(),
        (1, _) => "a beat and three quarters".into(),
        (_, 0) => format!("{n} beats"),
        (_, 1) => format!("{n} and a quarter beats"),
        (_, 2) => format!("{n} and a half beats"),
        (_, _) => format!("{n} and three quarter beats"),
    }
}

/// The same words said once, in order.
fn each_once(all: impl Iterator<Item = String>) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for one in all {
        if !out.contains(&one) {
            out.push(one);
        }
    }
    out
}

/// The section as one says it: `A` where it comes once, else `the second A`.
fn pass_name(timeline: &Timeline, pass: &Pass, this_one: bool) -> String {
    let often = timeline.passes.iter().filter(|p| p.section == pass.section).count();
    let name = clean(&pass.section, NAME);
    if this_one && often > 1 { format!("the {} {name}", ordinal(pass.number)) } else { name }
}

/// The section of a bar as one says it.
fn section_of(timeline: &Timeline, bar: usize) -> String {
    let pass = timeline.bars.get(bar).and_then(|b| timeline.passes.get(b.pass));
    pass.map_or_else(|| "the piece".into(), |p| pass_name(timeline, p, true))
}

/// The same for a place: without its number where any pass may be meant.
fn section(timeline: &Timeline, place: &Place) -> String {
    let this = place.passes == Passes::This;
    place.pass(timeline).map_or_else(|| "the piece".into(), |p| pass_name(timeline, p, this))
}

/// `bar 4 of the second A`; the section alone where no bar is told.
fn here(timeline: &Timeline, place: &Place) -> String {
    let name = section(timeline, place);
    match place.bar.and_then(|b| timeline.bars.get(b)) {
        Some(bar) => format!("bar {} of {name}", bar.number),
        None => name,
    }
}

/// `bar 4 of A` or `bars 2 to 4 of A`.
fn span(timeline: &Timeline, place: &Place) -> String {
    let name = section(timeline, place);
    match bar_numbers(timeline, &place.bars) {
        Some((a, b)) if a == b => format!("bar {a} of {name}"),
        Some((a, b)) => format!("bars {a} to {b} of {name}"),
        None => name,
    }
}

fn bar_numbers(timeline: &Timeline, bars: &Range<usize>) -> Option<(u32, u32)> {
    let bars = timeline.bars.get(bars.clone())?;
    Some((bars.first()?.number, bars.last()?.number))
}

/// Whether a place is all of its section.
fn whole_section(timeline: &Timeline, place: &Place, bars: usize) -> bool {
    place.pass(timeline).is_some_and(|p| p.bars == place.bars && p.bars.len() == bars)
}

/// How the passes of some bars went at one tempo, and the tempo that comes next.
pub fn rerun(passes: &[bool], bpm: Bpm, next: Bpm, moved: Move) -> String {
    let clean = passes.iter().filter(|clean| **clean).count();
    let heard = format!("{clean} of {} passes were clean at {:.0}", passes.len(), bpm.get());
    let then = match moved {
        Move::Up => format!("try {:.0}", next.get()),
        Move::Down => format!("take it slower, {:.0}", next.get()),
        Move::Stay => format!("the same again, {:.0}", next.get()),
        Move::AtGoal => format!("{:.0} is as fast as this part is meant to go", next.get()),
        Move::AtStart => {
            format!("{:.0} is the slowest tempo of this part: practise fewer bars, or pat them first", next.get())
        }
    };
    format!("{heard}: {then}")
}

/// Bars as something to practise: `bars 3 and 4 of A`, `the last bar of A and the first of B`, `all of A`.
pub fn exercise(timeline: &Timeline, bars: &Range<usize>) -> String {
    let pass = |bar: usize| timeline.bars.get(bar).and_then(|b| timeline.passes.get(b.pass));
    let (Some(first), Some(last)) = (pass(bars.start), bars.end.checked_sub(1).and_then(pass)) else {
        return "the piece".into();
    };
    let (name, into) = (clean(&first.section, NAME), clean(&last.section, NAME));
    if first.bars != last.bars {
        let again = if first.section == last.section { " again" } else { "" };
        return format!("the last bar of {name} and the first of {into}{again}");
    }
    if first.bars == *bars {
        return format!("all of {name}");
    }
    match bar_numbers(timeline, bars) {
        Some((a, b)) if a == b => format!("bar {a} of {name}"),
        Some((a, b)) if a + 1 == b => format!("bars {a} and {b} of {name}"),
        Some((a, b)) => format!("bars {a} to {b} of {name}"),
        None => name,
    }
}

/// A surface as one says where: `on the rim`.
fn on(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "in the centre",
        Surface::Rim => "on the rim",
        Surface::Click => "with the sticks together",
        Surface::Pat => "as a pat",
        Surface::Clap => "as a clap",
    }
}

/// A surface as a pupil says it.
pub fn surface(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "centre",
        Surface::Rim => "rim",
        Surface::Click => "sticks",
        Surface::Pat => "pat",
        Surface::Clap => "clap",
    }
}

/// A place in the bar as it is counted: `beat 2`, `the “and” of 2`.
pub fn beat(timeline: &Timeline, beat: f64) -> String {
    if !beat.is_finite() {
        return "some beat".into();
    }
    let length = timeline.meter.beat();
    let within = Ticks((beat.fract() * length.0 as f64).round() as i64);
    match syllable(within, length) {
        Some("&") => format!("the “and” of {}", beat.trunc()),
        Some(said) => format!("the “{said}” of {}", beat.trunc()),
        None if within.0 == 0 || within == length => format!("beat {}", beat.round()),
        None => format!("beat {beat:.2}"),
    }
}

/// The syllable counted at a place within a beat: `1 e & a` for quarters of a beat, `1 & ` for halves, `1 tri ple` for
/// thirds (common practice); `None` on the beat and where nothing is said.
pub fn syllable(within: Ticks, beat: Ticks) -> Option<&'static str> {
    let is = |part: i64, of: i64| within.0.saturating_mul(of) == beat.0.saturating_mul(part);
    if is(1, 2) {
        Some("&")
    } else if is(1, 4) {
        Some("e")
    } else if is(3, 4) {
        Some("a")
    } else if is(1, 3) {
        Some("tri")
    } else if is(2, 3) {
        Some("ple")
    } else {
        None
    }
}

/// A written rest, in whole beats where it is that, and whether it goes over a bar line after `bar`.
struct Quiet {
    beats: Option<usize>,
    over_the_bar: bool,
    /// The beat it begins on, where the bar has more than one rest and the bar alone would not say which.
    from: Option<u32>,
}

fn quiet(timeline: &Timeline, rest: usize) -> Option<Quiet> {
    let rest = timeline.rests.get(rest)?;
    let index = timeline.bars.iter().rposition(|b| b.at <= rest.from)?;
    let (bar, beat) = (timeline.bars.get(index)?, timeline.meter.beat());
    let end = bar.at + timeline.meter.bar();
    let length = (rest.to - rest.from).0 as f64 / beat.0 as f64;
    let whole = (length - length.round()).abs() < 1e-6;
    let rests = timeline.rests.iter().filter(|r| r.from >= bar.at && r.from < end).count();
    let at = timeline.beat_in_bar(index, rest.from);
    Some(Quiet {
        beats: whole.then(|| length.round() as usize),
        over_the_bar: rest.to > end,
        from: ((rests > 1 || rest.to > end) && (at - at.round()).abs() < 0.01).then(|| at.round() as u32),
    })
}

/// How many of the same thing there were to get right: rests that were passed, joins that were gone through. `None` where nobody
/// would count.
fn of_how_many(a: &Assessment, kind: Kind) -> Option<usize> {
    let t = &a.timeline;
    let passed = |j: usize| a.strokes.get(j).is_some_and(|s| s.status != super::Status::NotReached);
    let between = |from: Ticks, to: Ticks| {
        let next = t.strokes.partition_point(|s| s.at < to);
        t.strokes.partition_point(|s| s.at < from).checked_sub(1).is_some_and(passed)
            && (next >= t.strokes.len() || passed(next))
    };
    match kind {
        Kind::RestNotKept | Kind::EarlyReEntry | Kind::LateReEntry => {
            // As short as half a quarter is a rest to be kept.
            let counted = |r: &&crate::part::Rest| {
                (r.to - r.from).0.saturating_mul(2) >= Ticks::PER_QUARTER && between(r.from, r.to)
            };
            Some(t.rests.iter().filter(counted).count())
        }
        Kind::JoinGap | Kind::JoinRushed => {
            let joins = t.passes.iter().skip(1).filter_map(|p| t.bars.get(p.bars.start));
            Some(joins.filter(|b| between(b.at, b.at)).count())
        }
        _ => None,
    }
}

/// The place of a finding; findings of the whole take have none.
fn place_of(finding: &Finding) -> Place {
    finding.place.clone().unwrap_or_else(|| Place::span(0..0))
}

/// The strokes of all findings of a statement that miss some.
fn missing(findings: &[Finding]) -> usize {
    let n = |f: &Finding| match &f.what {
        What::StrokesMissing { strokes, .. } => strokes.len(),
        _ => 0,
    };
    findings.iter().map(n).sum()
}
