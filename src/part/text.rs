//! [`Part`] -> the text of its part file, so that [`parse`](super::parse) of it gives the same part again.
//!
//! Comments are not kept: a part does not know them.

use super::section::{Act, Cell, Mark, Section};
use super::syllables;
use super::{Hand, Hands, Meter, Part, Surface, fit};

/// Sections of more bars than this are written on several lines.
const BARS_A_LINE: usize = 4;

impl Part {
    /// The part as a part file.
    pub fn text(&self) -> String {
        let mut out = format!(
            "title = {}\nmeter = \"{}/{}\"\nbpm   = {{ start = {}, goal = {} }}\nform  = {}\n",
            quoted(&self.title),
            self.meter.beats,
            self.meter.unit,
            self.range.start.get(),
            self.range.goal.get(),
            quoted(&self.form.join(" "))
        );
        for section in &self.sections {
            let bare = section.name.chars().all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_');
            let name = if bare { section.name.clone() } else { quoted(&section.name) };
            out.push_str(&format!("\n[sections.{name}]\n"));
            for (name, rows) in rows(section, self.meter) {
                out.push_str(&format!("{name} = {rows}\n"));
            }
            if let Some(lesson) = &section.lesson {
                out.push_str(&format!("lesson = {}\n", quoted(lesson)));
            }
        }
        out
    }
}

/// A text as TOML writes it, on one line.
fn quoted(text: &str) -> String {
    let mut out = String::from("\"");
    for c in text.chars() {
        match c {
            '"' | '\\' => out.extend(['\\', c]),
            '\n' => out.push_str("\\n"),
            '\t' => out.push_str("\\t"),
            c if c.is_control() => out.push_str(&format!("\\u{:04X}", c as u32)),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

/// The rows of a section with their names, all of one width, so that cells stand under each other.
fn rows(section: &Section, meter: Meter) -> Vec<(String, String)> {
    let mut rows: Vec<(&str, Vec<Vec<String>>)> = Vec::new();
    let of_bars = |of: &dyn Fn(&[Cell]) -> Vec<String>| section.bars.iter().map(|b| of(&b.cells)).collect::<Vec<_>>();
    let letters = |says: &dyn Fn(&Cell) -> char| of_bars(&|cells| vec![cells.iter().map(says).collect::<String>()]);
    let cells = || section.bars.iter().flat_map(|b| &b.cells);
    let spoken = section.in_syllables;
    // Beside syllables the rows speak of what sounds alone.
    let beside = |says: &dyn Fn(&Cell) -> char| {
        of_bars(&|cells| {
            let there = cells.iter().filter(|c| !spoken || matches!(c.act, Act::Strike(..)));
            vec![there.map(says).collect::<String>()]
        })
    };
    if spoken {
        rows.push(("syllables", of_bars(&words)));
        let plain = |c: &Cell| matches!(c.act, Act::Strike(Surface::Centre, _) | Act::Rest | Act::Ring);
        if !cells().all(plain) {
            rows.push(("surfaces", beside(&|c| strokes_letter(c.act))));
        }
    } else {
        rows.push(("strokes", letters(&|c| strokes_letter(c.act))));
    }
    let hand = |c: &Cell| match c.act {
        Act::Strike(_, Hands::One(Hand::Right)) => 'R',
        Act::Strike(_, Hands::One(Hand::Left)) => 'L',
        Act::Strike(_, Hands::Both) => 'B',
        _ => '.',
    };
    // A capital letter says by itself that it is both hands.
    let unsaid = |c: &Cell| match c.act {
        Act::Strike(_, Hands::One(_)) => true,
        Act::Strike(surface, Hands::Both) => spoken || !surface.cell().is_alphabetic(),
        _ => false,
    };
    if cells().any(unsaid) {
        rows.push(("hands", beside(&hand)));
    }
    let level = |c: &Cell| match c.mark {
        Some(Mark::Dynamic(dynamic)) => dynamic.letter().chars().next().unwrap_or('.'),
        Some(Mark::Swell) => '<',
        Some(Mark::Fade) => '>',
        None => '.',
    };
    if cells().any(|c| c.mark.is_some()) {
        rows.push(("level", beside(&level)));
    }
    let wide = rows.iter().map(|r| r.0.len()).max().unwrap_or(0);
    let many = section.bars.len() > BARS_A_LINE;
    rows.into_iter()
        .map(|(name, bars)| {
            let bars = bars.into_iter().zip(&section.bars).map(|(said, bar)| {
                let letters = name != "syllables" && said.len() == 1;
                if letters { grouped(&said[0], bar.cells.len(), meter, spoken) } else { said.join(" ") }
            });
            (format!("{name:wide$}"), ruled(section, &bars.collect::<Vec<_>>(), many))
        })
        .collect()
}

fn strokes_letter(act: Act) -> char {
    match act {
        Act::Ring => '.',
        Act::Rest => '-',
        Act::Strike(surface, Hands::Both) => surface.cell().to_ascii_uppercase(),
        Act::Strike(surface, _) => surface.cell(),
    }
}

/// Letters in groups of a beat, or of two where a beat has no more than two.
fn grouped(letters: &str, cells: usize, meter: Meter, spoken: bool) -> String {
    let pulses = usize::try_from(meter.bar().0 / fit::pulse(meter).0.max(1)).unwrap_or(1).max(1);
    let a_beat = cells / pulses;
    if spoken || a_beat == 0 || !cells.is_multiple_of(pulses) {
        return letters.to_owned();
    }
    let group = if a_beat <= 2 && pulses.is_multiple_of(2) { 2 * a_beat } else { a_beat };
    let letters: Vec<char> = letters.chars().collect();
    letters.chunks(group).map(String::from_iter).collect::<Vec<_>>().join(" ")
}

/// The bars of a row with bar lines and repeat signs, as a TOML text.
fn ruled(section: &Section, bars: &[String], many: bool) -> String {
    // Beside a bar of syllables in which nothing sounds stands no letter, and bar lines would have nothing between them.
    if bars.iter().any(String::is_empty) {
        return format!("\"{}\"", bars.concat());
    }
    let mut out = String::new();
    let mut on_line = 0;
    for (i, bar) in bars.iter().enumerate() {
        if section.repeats.iter().any(|r| r.bars.start == i) {
            out.push_str("|: ");
        }
        out.push_str(bar);
        on_line += 1;
        match section.repeats.iter().find(|r| r.bars.end == i + 1) {
            Some(repeat) => out.push_str(&format!(" :|{}", repeat.times)),
            None => out.push_str(" |"),
        }
        if i + 1 < bars.len() {
            let full = many && on_line == BARS_A_LINE;
            out.push(if full { '\n' } else { ' ' });
            on_line = if full { 0 } else { on_line };
        }
    }
    if many { format!("\"\"\"\n{out}\"\"\"") } else { format!("\"{out}\"") }
}

/// The rhythm words of a bar.
fn words(cells: &[Cell]) -> Vec<String> {
    let mut out = Vec::new();
    let mut rest = cells;
    while let Some((first, others)) = rest.split_first() {
        let said = |c: &Cell| c.said.clone().unwrap_or_default();
        let (word, used) = syllables::joined(&said(first), first.len, &mut others.iter().map(said));
        let silent = first.act == Act::Rest && !syllables::is_silent(&said(first));
        out.push(if silent { format!("({word})") } else { word });
        rest = others.get(used..).unwrap_or_default();
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::parse;

    fn again(text: &str) -> String {
        let part = parse(text).unwrap();
        let written = part.text();
        let mut read = parse(&written).unwrap_or_else(|e| panic!("{e:?}\n{written}"));
        read.warnings.clone_from(&part.warnings);
        assert_eq!(read, part, "\n{written}");
        written
    }

    #[test]
    fn a_part_is_written_as_a_teacher_would() {
        let text = include_str!("../../reference_takes/lantern-parade.toml");
        let written = again(text);
        for line in
            text.lines().filter(|l| l.starts_with("strokes") || l.starts_with("hands") || l.starts_with("level"))
        {
            assert!(written.contains(line.trim_end()), "{line}\n{written}");
        }
    }

    #[test]
    fn syllables_hands_levels_and_odd_names_come_back() {
        again(
            "title = \"A \\\"dry\\\" tick\\\\tock\\u0007\"\nmeter = \"4/4\"\nbpm = { start = 60.5, goal = 90 }\nform = \"Chor-1 b.2 Chor-1\"\n\
             [sections.Chor-1]\nsyllables = \"ta ti-ti tika-ti tri-pl-et | syn-co-pa sh (ti) ti | (ta-a) tam-ti | triplet tim-ka ti-ri-ti-ri ka-tim | toe-a\"\n\
             surfaces = \"oxxooo+oo | XxOx | ox | ooooooooooo | p\"\nhands = \"RLRLRLBLR | .RBL | .. | RLRLRLRLRLR | .\"\n\
             [sections.C]\nsyllables = \"ta (ta) sh-a | (ta-a-a-a) | ta-a tum-ti\"\nhands = \"RLRL\"\n\
             [sections.\"b.2\"]\nstrokes = \"|: o.+- xO.. :|1 |: o :|3 oox oox oox oox | ---- ---- | o | x |: c.p. :|\"\nlevel = \"|: p.<< <... :| |: f :| ... ... ... ... | >>>> >>>. | m | . |: .... :|\"\nhands = \"|: R.B. L... :| |: . :| ... ... ... ... | .... .... | R | . |: .... :|\"\nlesson = \"lesson-5.mp4 06:40\"\n",
        );
    }
}
