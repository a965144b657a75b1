//! [`Part`] x [`Timeline`] -> plain text: the part as it will be played, for a teacher to check before the class does.
//!
//! Every bar with its counts above and its strokes below, repeats unrolled; a section that comes again is named and not
//! printed again. Columns are meant for a fixed-width type.

use std::fmt::Write;

use super::{Act, Cell, Hand, Hands, Mark, Meter, Part, Pass, Section, Surface, Timeline};
use crate::english::{counted, nth};
use crate::units::{Bpm, Seconds, Ticks};

/// The form bar by bar. `timeline` is one of this part's; sections that are not the part's are left out.
pub fn played(part: &Part, timeline: &Timeline) -> String {
    let mut out = String::new();
    let form = timeline.passes.iter().map(|p| p.section.as_str()).collect::<Vec<_>>().join(" ");
    let meter = timeline.meter;
    line(&mut out, &timeline.title);
    line(
        &mut out,
        format!(
            "{}/{}, form {form}: {}, {}",
            meter.beats,
            meter.unit,
            counted(timeline.bars.len(), "bar"),
            counted(timeline.strokes.len(), "stroke")
        ),
    );
    let lasts = |bpm: Bpm| format!("{} at {} quarter notes a minute", clock(timeline.end().to_seconds(bpm)), bpm.get());
    let (start, goal) = (timeline.range.start, timeline.range.goal);
    if start == goal {
        line(&mut out, format!("lasts {}", lasts(start)));
    } else {
        line(&mut out, format!("lasts {} (start), {} (goal)", lasts(start), lasts(goal)));
    }
    let mut used = Vec::new();
    for pass in &timeline.passes {
        let Some(section) = part.section(&pass.section) else { continue };
        let of = timeline.passes.iter().filter(|p| p.section == pass.section).count();
        out.push('\n');
        let which =
            if of > 1 { format!("{}, {} of {of}", pass.section, nth(pass.number)) } else { pass.section.clone() };
        if pass.number > 1 {
            line(&mut out, format!("{which}: the same {} again", counted(pass.bars.len(), "bar")));
            continue;
        }
        line(&mut out, format!("{which}: {}", counted(pass.bars.len(), "bar")));
        bars(&mut out, section, pass, meter, &mut used);
    }
    legend(&mut out, &used);
    out
}

fn line(out: &mut String, text: impl AsRef<str>) {
    out.push_str(text.as_ref().trim_end());
    out.push('\n');
}

fn bars(out: &mut String, section: &Section, pass: &Pass, meter: Meter, used: &mut Vec<String>) {
    let mut last_counts = Vec::new();
    for ((written, repeat), number) in section.unrolled().zip(1..=pass.bars.len()) {
        let Some(bar) = section.bars.get(written) else { continue };
        let counts: Vec<String> = bar.cells.iter().map(|c| count(meter, c.from)).collect();
        if counts != last_counts {
            row(out, "", counts.iter().map(String::as_str), "");
            last_counts = counts;
        }
        let mut notes = Vec::new();
        if let Some((sign, time)) = repeat {
            let times = section.repeats.get(sign as usize).map_or(1, |r| r.times);
            notes.push(format!("{} time of {times}", nth(time + 1)));
        }
        notes.extend(rests(&bar.cells, meter));
        let letters: Vec<String> = bar.cells.iter().map(|c| letter(c.act)).collect();
        used.extend(letters.iter().cloned());
        row(out, &number.to_string(), letters.iter().map(String::as_str), &notes.join("; "));
        if section.in_syllables {
            row(out, "say", bar.cells.iter().map(|c| c.said.as_deref().unwrap_or("")), "");
        }
        beside(out, "hand", &bar.cells, |c| match c.act {
            Act::Strike(_, Hands::One(Hand::Right)) => Some("R"),
            Act::Strike(_, Hands::One(Hand::Left)) => Some("L"),
            Act::Strike(_, Hands::Both) => Some("B"),
            _ => None,
        });
        beside(out, "level", &bar.cells, |c| {
            c.mark.map(|m| match m {
                Mark::Dynamic(dynamic) => dynamic.letter(),
                Mark::Swell => "<",
                Mark::Fade => ">",
            })
        });
    }
}

/// Columns of four characters under a heading of eight.
fn row<'c>(out: &mut String, heading: &str, cells: impl Iterator<Item = &'c str>, note: &str) {
    let mut text = format!("  {heading:<6}");
    for cell in cells {
        let _ = write!(text, "{cell:<3} ");
    }
    if !note.is_empty() {
        text.push_str("  ");
        text.push_str(note);
    }
    line(out, text);
}

/// A row that is only printed where it says something the letters do not.
fn beside(out: &mut String, heading: &str, cells: &[Cell], says: impl Fn(&Cell) -> Option<&'static str>) {
    let said: Vec<Option<&str>> = cells.iter().map(says).collect();
    let by_letter = |c: &Cell| matches!(c.act, Act::Strike(surface, Hands::Both) if surface != Surface::Click);
    if said.iter().zip(cells).any(|(s, c)| s.is_some_and(|s| s != "B" || !by_letter(c))) {
        row(out, heading, said.iter().map(|s| s.unwrap_or("")), "");
    }
}

fn letter(act: Act) -> String {
    match act {
        Act::Ring => ".".into(),
        Act::Rest => "-".into(),
        Act::Strike(surface, hands) => {
            let letter = match surface {
                Surface::Centre => "o",
                Surface::Rim => "x",
                Surface::Click => "+",
                Surface::Pat => "p",
                Surface::Clap => "c",
            };
            if hands == Hands::Both { letter.to_uppercase() } else { letter.into() }
        }
    }
}

/// What is counted aloud at a place in the bar: `1 & 2 &`, `1 e & a`, `1 tri ple`; nothing between.
fn count(meter: Meter, from: Ticks) -> String {
    let beat = meter.beat().0.max(1);
    let (whole, part) = (from.0 / beat + 1, from.0 % beat);
    match part {
        0 => whole.to_string(),
        p if 2 * p == beat => "&".into(),
        p if 4 * p == beat => "e".into(),
        p if 4 * p == 3 * beat => "a".into(),
        p if 3 * p == beat => "tri".into(),
        p if 3 * p == 2 * beat => "ple".into(),
        _ => String::new(),
    }
}

/// The silences of a bar in words, each by the counts it covers.
fn rests(cells: &[Cell], meter: Meter) -> Vec<String> {
    let mut out: Vec<(Ticks, Ticks)> = Vec::new();
    for cell in cells.iter().filter(|c| c.act == Act::Rest) {
        match out.last_mut().filter(|r| r.1 == cell.from) {
            Some(rest) => rest.1 = cell.from + cell.len,
            None => out.push((cell.from, cell.from + cell.len)),
        }
    }
    let beats = |r: &(Ticks, Ticks)| (r.1 - r.0).0 as f64 / meter.beat().0 as f64;
    (out.iter())
        .map(|r| {
            let n = (beats(r) * 100.0).round() / 100.0;
            format!("rest of {n} beat{} on {}", if n > 1.0 { "s" } else { "" }, spoken(meter, r.0))
        })
        .collect()
}

/// A place in the bar in words: `3`, `& of 3`.
fn spoken(meter: Meter, from: Ticks) -> String {
    let beat = from.0 / meter.beat().0.max(1) + 1;
    match count(meter, from).as_str() {
        c if c.parse::<i64>().is_ok() => beat.to_string(),
        "" => format!("a part of {beat}"),
        c => format!("the {c} of {beat}"),
    }
}

fn legend(out: &mut String, used: &[String]) {
    let says = |letter: &str| used.iter().any(|u| u == letter);
    let names = [
        ("o", "centre"),
        ("x", "rim"),
        ("+", "sticks together"),
        ("c", "clap"),
        ("p", "pat"),
        (".", "rings on"),
        ("-", "rest"),
    ];
    let mut parts: Vec<String> = (names.iter().filter(|(l, _)| says(l) || says(&l.to_uppercase())))
        .map(|(l, name)| format!("{l} {name}"))
        .collect();
    if used.iter().any(|u| u.chars().any(|c| c.is_ascii_uppercase())) {
        parts.push("capital: both hands".into());
    }
    out.push('\n');
    line(out, parts.join(", "));
}

fn clock(length: Seconds) -> String {
    let seconds = length.get().round() as i64;
    if seconds < 60 { format!("{seconds} s") } else { format!("{} min {} s", seconds / 60, seconds % 60) }
}

#[cfg(test)]
mod tests {
    use super::super::parse;
    use super::*;

    fn check(text: &str, expected: &str) {
        let part = parse(text).unwrap();
        let timeline = part.timeline(None, part.range.start).unwrap();
        let got = played(&part, &timeline);
        assert_eq!(got, expected, "\n{got}");
    }

    #[test]
    fn a_part_is_printed_bar_by_bar_as_it_will_be_played() {
        check(
            "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 96 }\nform = \"A B A\"\n\
             [sections.A]\nstrokes = \"|: oxx. o.x. :| O.-- X.-- |\"\n[sections.B]\nstrokes = \"+++ooo... ---\"\nhands = \"RLRRLR......\"\nlevel = \"p..<<<......\"\n",
            "\
Lantern Parade
4/4, form A B A: 7 bars, 30 strokes
lasts 28 s at 60 quarter notes a minute (start), 18 s at 96 quarter notes a minute (goal)

A, 1st of 2: 3 bars
        1   &   2   &   3   &   4   &
  1     o   x   x   .   o   .   x   .     1st time of 2
  2     o   x   x   .   o   .   x   .     2nd time of 2
  3     O   .   -   -   X   .   -   -     rest of 1 beat on 2; rest of 1 beat on 4

B: 1 bar
        1   tri ple 2   tri ple 3   tri ple 4   tri ple
  1     +   +   +   o   o   o   .   .   .   -   -   -     rest of 1 beat on 4
  hand  R   L   R   R   L   R
  level p           <   <   <

A, 2nd of 2: the same 3 bars again

o centre, x rim, + sticks together, . rings on, - rest, capital: both hands
",
        );
    }

    #[test]
    fn syllables_are_printed_as_they_are_said() {
        check(
            "title = \"T\"\nmeter = \"6/8\"\nbpm = { start = 60, goal = 60 }\nform = \"A\"\n[sections.A]\nsyllables = \"ti-tika-ti ta (ti)\"\n",
            "\
T
6/8, form A: 1 bar, 5 strokes
lasts 3 s at 60 quarter notes a minute

A: 1 bar
        1   2   &   3   4   6
  1     o   o   o   o   o   -     rest of 1 beat on 6
  say   ti  ti  ka  ti  ta  ti

o centre, - rest
",
        );
    }
}
