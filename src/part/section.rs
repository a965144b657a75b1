//! The rows of one section -> bars of cells, each with its place, its stroke, hands and dynamic mark.

use std::ops::Range;

use super::error::Gather;
use super::row::{Grain, Repeat, Row, RowText, Token, scan};
use super::{Dynamic, Hand, Hands, Meter, Surface, fit, syllables};
use crate::units::Ticks;

/// What happens at a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Act {
    /// A stroke.
    Strike(Surface, Hands),
    /// What sounds goes on: `.`
    Ring,
    /// Silence: `-`
    Rest,
}

/// What the `level` row says at a cell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mark {
    /// A dynamic from here on.
    Dynamic(Dynamic),
    /// Part of a swell: `<`
    Swell,
    /// Part of a fade: `>`
    Fade,
}

/// One cell of a bar as written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Cell {
    /// From the start of its bar.
    pub from: Ticks,
    /// Its length.
    pub len: Ticks,
    /// What happens.
    pub act: Act,
    /// What the `level` row says here.
    pub mark: Option<Mark>,
    /// The syllable it was written as, where the section is in rhythm syllables.
    pub said: Option<String>,
}

/// One bar as written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WrittenBar {
    /// Cells in order; together as long as the bar.
    pub cells: Vec<Cell>,
}

/// One section as written, repeats not yet unrolled.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Section {
    /// Letter or name.
    pub name: String,
    /// Bars as written; at least one.
    pub bars: Vec<WrittenBar>,
    /// Repeat signs in order, none inside another.
    pub repeats: Vec<Repeat>,
    /// Whether it is written in rhythm syllables.
    pub in_syllables: bool,
    /// Where it was taught: the teacher's own film as file or link, and the time in it.
    pub lesson: Option<String>,
}

impl Section {
    /// The bars in the order they are played: index into [`Section::bars`], and inside a repeat sign which sign and
    /// which time through (both from 0).
    pub fn unrolled(&self) -> impl Iterator<Item = (usize, Option<(u32, u32)>)> + '_ {
        let mut next = 0;
        let mut time = 0;
        std::iter::from_fn(move || {
            if next >= self.bars.len() {
                return None;
            }
            let sign = self.repeats.iter().position(|r| r.bars.contains(&next));
            let here = (next, sign.map(|s| (u32::try_from(s).unwrap_or(u32::MAX), time)));
            next += 1;
            if let Some(r) = sign.and_then(|s| self.repeats.get(s)).filter(|r| r.bars.end == next) {
                time += 1;
                if time < r.times { next = r.bars.start } else { time = 0 }
            }
            Some(here)
        })
    }

    /// How many times the written bar is played in one pass.
    pub fn times(&self, bar: usize) -> u32 {
        self.repeats.iter().find(|r| r.bars.contains(&bar)).map_or(1, |r| r.times)
    }

    /// Swells and fades as written, repeats not unrolled, in order. One goes on through what rings on; a rest or a stroke without
    /// the sign ends it.
    pub fn swells(&self) -> Vec<WrittenSwell> {
        let mut out: Vec<WrittenSwell> = Vec::new();
        let mut running = false;
        for (b, cell) in self.bars.iter().enumerate().flat_map(|(b, bar)| bar.cells.iter().map(move |c| (b, c))) {
            let end = (b, cell.from + cell.len);
            let rising = match cell.mark {
                Some(Mark::Swell) => Some(true),
                Some(Mark::Fade) => Some(false),
                Some(Mark::Dynamic(_)) => None,
                None => out.last().filter(|_| running && cell.act == Act::Ring).map(|s| s.rising),
            };
            match (rising, out.last_mut().filter(|_| running)) {
                (Some(rising), Some(swell)) if swell.rising == rising => swell.to = end,
                (Some(rising), _) => out.push(WrittenSwell { from: (b, cell.from), to: end, rising }),
                (None, _) => {}
            }
            running = rising.is_some();
        }
        out
    }

    /// Strokes and bars of one pass, without unrolling it.
    pub(crate) fn size(&self) -> (u64, u64) {
        self.bars.iter().enumerate().fold((0, 0), |(strokes, bars), (i, bar)| {
            let times = u64::from(self.times(i));
            let here = bar.cells.iter().filter(|c| matches!(c.act, Act::Strike(..))).count() as u64;
            (strokes + times * here, bars + times)
        })
    }
}

/// A swell or fade of a section as written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WrittenSwell {
    /// The bar as written, and where in it the first cell begins.
    pub from: (usize, Ticks),
    /// The bar as written, and where in it the last cell ends.
    pub to: (usize, Ticks),
    /// True for a swell, false for a fade.
    pub rising: bool,
}

/// The rows of a section as they stand in the file.
pub(crate) struct RawSection {
    pub(crate) name: String,
    pub(crate) span: Range<usize>,
    pub(crate) strokes: Option<RowText>,
    pub(crate) syllables: Option<RowText>,
    pub(crate) surfaces: Option<RowText>,
    pub(crate) hands: Option<RowText>,
    pub(crate) level: Option<RowText>,
    pub(crate) lesson: Option<String>,
    /// A row that could not be read at all has been reported already.
    pub(crate) broken: bool,
}

/// `meter` is `None` when the file's is wrong: then everything but the cell counts is still checked.
pub(crate) fn build(raw: &RawSection, meter: Option<Meter>, errors: &mut Gather, warnings: &mut Gather) -> Section {
    let mut section = Section {
        name: raw.name.clone(),
        bars: Vec::new(),
        repeats: Vec::new(),
        in_syllables: raw.syllables.is_some(),
        lesson: raw.lesson.clone(),
    };
    let (row, text) = match (&raw.strokes, &raw.syllables) {
        (Some(_), Some(both)) => {
            errors.add(
                both.span.clone(),
                format!("section `{}` has both `strokes` and `syllables`", raw.name),
                "keep the one you mean; they say the same thing in two ways",
            );
            return section;
        }
        (Some(text), None) => (scan(text, Grain::Letter, errors), text),
        (None, Some(text)) => (scan(text, Grain::Word, errors), text),
        (None, None) => {
            if !raw.broken {
                errors.add(
                    raw.span.clone(),
                    format!("section `{}` has no strokes", raw.name),
                    "add a line such as `strokes = \"o.x. o.--\"`",
                );
            }
            return section;
        }
    };
    if row.bars.is_empty() {
        errors.add(
            text.span.clone(),
            format!("section `{}` is empty", raw.name),
            "write at least one bar, for example `o.x. o.--`",
        );
        return section;
    }
    // For each bar its cells with the span each was read from, and which of them the other rows speak of.
    let mut spans: Vec<Vec<Range<usize>>> = Vec::new();
    for bar in &row.bars {
        let (cells, at) = match raw.syllables {
            None => letters(&bar.cells, bar.span(), meter, errors),
            Some(_) => words(&bar.cells, bar.span(), meter, errors),
        };
        section.bars.push(WrittenBar { cells });
        spans.push(at);
    }
    section.repeats = row.repeats;
    let spoken = raw.syllables.is_some();
    let all: Vec<(usize, usize)> = each(&section.bars, |_| true);
    let sounded: Vec<(usize, usize)> = each(&section.bars, |c| matches!(c.act, Act::Strike(..)));
    let beside = if spoken { &sounded } else { &all };
    match (&raw.surfaces, spoken) {
        (Some(text), true) => surfaces(&mut section.bars, text, beside, errors),
        (Some(text), false) => errors.add(
            text.span.clone(),
            "`surfaces` stands beside `syllables` only",
            "the letters of `strokes` already say the surface",
        ),
        (None, _) => {}
    }
    if let Some(text) = &raw.hands {
        hands(&mut section.bars, text, beside, errors);
    }
    if let Some(text) = &raw.level {
        level(&mut section.bars, text, beside, errors, warnings);
    }
    ring_after_rest(&section.bars, &spans, warnings);
    section
}

fn each(bars: &[WrittenBar], keep: impl Fn(&Cell) -> bool) -> Vec<(usize, usize)> {
    let cells =
        bars.iter().enumerate().flat_map(|(b, bar)| bar.cells.iter().enumerate().map(move |(c, cell)| (b, c, cell)));
    cells.filter(|(_, _, cell)| keep(cell)).map(|(b, c, _)| (b, c)).collect()
}

const CELL_HINT: &str =
    "cells are `o` centre, `x` rim, `+` click, `c` clap, `p` pat (capitals: both hands), `.` rings on, `-` rests";

fn act(letter: char) -> Option<Act> {
    let cell = letter.to_ascii_lowercase();
    let surface = match cell {
        '.' => return Some(Act::Ring),
        '-' => return Some(Act::Rest),
        _ => Surface::ALL.into_iter().find(|s| s.cell() == cell)?,
    };
    Some(Act::Strike(surface, if letter.is_ascii_uppercase() { Hands::Both } else { Hands::Either }))
}

fn letters(
    tokens: &[Token],
    span: Range<usize>,
    meter: Option<Meter>,
    errors: &mut Gather,
) -> (Vec<Cell>, Vec<Range<usize>>) {
    if let Some(hint) = meter.and_then(|m| fit::misfit(m, tokens.len())) {
        let (n, m) = (tokens.len(), meter.map_or((0, 0), |m| (m.beats, m.unit)));
        errors.add(span, format!("{n} cell{} do not fit a {}/{} bar", if n == 1 { "" } else { "s" }, m.0, m.1), hint);
    }
    let len = Ticks(meter.map_or(0, |m| m.bar().0) / i64::try_from(tokens.len().max(1)).unwrap_or(i64::MAX));
    let mut cells = Vec::new();
    let mut from = Ticks(0);
    for token in tokens {
        let letter = token.text.chars().next().unwrap_or('.');
        let act = act(letter).unwrap_or_else(|| {
            let hint = match letter {
                '0'..='9' => "a number stands right after `:|` only; cells are `o x + c p . -`".to_string(),
                '_' | '–' | '—' | '−' => "write a rest as `-`".to_string(),
                'X' | 'x' | '×' => "write a rim stroke as `x`".to_string(),
                '…' => "write each cell that rings on as `.`".to_string(),
                'R' | 'L' | 'B' | 'r' | 'l' | 'b' => {
                    "hands belong in `hands`: a row of `R`, `L` and `B` under the strokes, cell for cell".to_string()
                }
                ':' => "a repeat begins with `|:` and ends with `:|`".to_string(),
                _ => CELL_HINT.to_string(),
            };
            errors.add(token.span.clone(), format!("`{letter}` is not a cell"), hint);
            // Most likely a mistyped stroke; taken for one, its hand is no second error.
            Act::Strike(Surface::Centre, Hands::Either)
        });
        cells.push(Cell { from, len, act, mark: None, said: None });
        from = from + len;
    }
    (cells, tokens.iter().map(|t| t.span.clone()).collect())
}

fn words(
    tokens: &[Token],
    span: Range<usize>,
    meter: Option<Meter>,
    errors: &mut Gather,
) -> (Vec<Cell>, Vec<Range<usize>>) {
    let mut cells = Vec::new();
    let mut at = Vec::new();
    let mut from = Ticks(0);
    let mut known = true;
    for token in tokens {
        match syllables::word(&token.text) {
            Ok(spoken) => {
                for s in spoken {
                    let act = if s.sounded { Act::Strike(Surface::Centre, Hands::Either) } else { Act::Rest };
                    cells.push(Cell { from, len: s.len, act, mark: None, said: Some(s.said) });
                    at.push(token.span.clone());
                    from = from + s.len;
                }
            }
            Err(hint) => {
                errors.add(token.span.clone(), format!("`{}` is not a rhythm word", token.text), hint);
                known = false;
            }
        }
    }
    if let Some(m) = meter.filter(|m| known && m.bar() != from) {
        let quarters = |t: Ticks| format!("{}", (t.quarters() * 1000.0).round() / 1000.0);
        let hint = if from < m.bar() {
            "add a word, or `sh` for a quarter's rest"
        } else {
            "take a word out, or set a bar line before it"
        };
        errors.add(
            span,
            format!("these words last {} quarters, a {}/{} bar {}", quarters(from), m.beats, m.unit, quarters(m.bar())),
            hint,
        );
    }
    (cells, at)
}

/// Reads a row that runs beside the strokes; gives each token with the cell it speaks of.
fn beside(
    name: &str,
    text: &RowText,
    cells: &[(usize, usize)],
    n_bars: usize,
    errors: &mut Gather,
) -> Vec<((usize, usize), Token)> {
    let row: Row = scan(text, Grain::Letter, errors);
    let of_bar = |b: usize| cells.iter().copied().filter(move |c| c.0 == b);
    if !row.ruled && n_bars > 1 {
        let tokens: Vec<Token> = row.bars.into_iter().flat_map(|b| b.cells).collect();
        if tokens.len() != cells.len() {
            let hint = format!(
                "the `{name}` row runs cell for cell under the strokes; bar lines in it help to see where it slips"
            );
            errors.add(
                text.span.clone(),
                format!("`{name}` has {} cells where {} are written", tokens.len(), cells.len()),
                hint,
            );
            return Vec::new();
        }
        return cells.iter().copied().zip(tokens).collect();
    }
    if row.bars.len() != n_bars {
        errors.add(
            text.span.clone(),
            format!("`{name}` has {} bars where {n_bars} are written", row.bars.len()),
            "set bar lines as in the strokes (a repeat is written once), or none at all",
        );
        return Vec::new();
    }
    let mut out = Vec::new();
    for (b, bar) in row.bars.into_iter().enumerate() {
        let here = of_bar(b).count();
        if bar.cells.len() != here {
            errors.add(
                bar.span(),
                format!("`{name}` has {} cells in bar {} where {here} are written", bar.cells.len(), b + 1),
                "give every cell of the bar its letter, `.` for nothing new",
            );
            continue;
        }
        out.extend(of_bar(b).zip(bar.cells));
    }
    out
}

fn surfaces(bars: &mut [WrittenBar], text: &RowText, cells: &[(usize, usize)], errors: &mut Gather) {
    for ((b, c), token) in beside("surfaces", text, cells, bars.len(), errors) {
        match token.text.chars().next().and_then(act) {
            Some(strike @ Act::Strike(..)) => bars[b].cells[c].act = strike,
            _ => errors.add(token.span, format!("`{}` is not a surface", token.text), "one letter for each sounded syllable: `o` centre, `x` rim, `+` click, `c` clap, `p` pat (capitals: both hands)"),
        }
    }
}

fn hands(bars: &mut [WrittenBar], text: &RowText, cells: &[(usize, usize)], errors: &mut Gather) {
    for ((b, c), token) in beside("hands", text, cells, bars.len(), errors) {
        let written = match token.text.as_str() {
            "." | "-" => continue,
            "R" => Hands::One(Hand::Right),
            "L" => Hands::One(Hand::Left),
            "B" => Hands::Both,
            other => {
                errors.add(
                    token.span,
                    format!("`{other}` is not a hand"),
                    "hands are `R` right, `L` left, `B` both, `.` not said",
                );
                continue;
            }
        };
        match &mut bars[b].cells[c].act {
            Act::Strike(_, hands) => {
                if *hands == Hands::Both && written != Hands::Both {
                    errors.add(
                        token.span,
                        format!("`{}` contradicts a capital letter, which is both hands", token.text),
                        "write `B` or `.` here, or the stroke as a small letter",
                    );
                } else {
                    *hands = written;
                }
            }
            Act::Rest => errors.add(
                token.span,
                format!("hand `{}` on a rest", token.text),
                "write `.` here; if the hands slipped by a cell, bar lines in both rows show where",
            ),
            Act::Ring => errors.add(
                token.span,
                format!("hand `{}` where nothing is struck", token.text),
                "write `.` here; if the hands slipped by a cell, bar lines in both rows show where",
            ),
        }
    }
}

fn level(
    bars: &mut [WrittenBar],
    text: &RowText,
    cells: &[(usize, usize)],
    errors: &mut Gather,
    warnings: &mut Gather,
) {
    // Swells and fades as (sign, strokes in it, span), to warn of those too short to hear.
    let mut runs: Vec<(char, u32, Range<usize>)> = Vec::new();
    let mut running = false;
    for ((b, c), token) in beside("level", text, cells, bars.len(), errors) {
        let sign = token.text.chars().next().unwrap_or('.');
        let cell = &mut bars[b].cells[c];
        let struck = u32::from(matches!(cell.act, Act::Strike(..)));
        let rings = cell.act == Act::Ring;
        cell.mark = match sign {
            'p' => Some(Mark::Dynamic(Dynamic::Piano)),
            'm' => Some(Mark::Dynamic(Dynamic::Mezzo)),
            'f' => Some(Mark::Dynamic(Dynamic::Forte)),
            '<' => Some(Mark::Swell),
            '>' => Some(Mark::Fade),
            // A swell goes on through a stroke that rings on; a rest or a stroke without the sign ends it.
            '.' | '-' => {
                running &= rings;
                continue;
            }
            _ => {
                errors.add(
                    token.span,
                    format!("`{sign}` is not a level"),
                    "levels are `p` soft, `m` medium, `f` loud, `<` swell, `>` fade, `.` no change",
                );
                continue;
            }
        };
        match (&cell.mark, runs.last_mut()) {
            (Some(Mark::Swell | Mark::Fade), Some(last)) if running && last.0 == sign => {
                last.1 += struck;
                last.2.end = token.span.end;
            }
            (Some(Mark::Swell | Mark::Fade), _) => {
                runs.push((sign, struck, token.span));
                running = true;
            }
            _ => running = false,
        }
    }
    for (sign, strokes, span) in runs {
        if strokes < 2 {
            let name = if sign == '<' { "swell" } else { "fade" };
            warnings.add(
                span,
                format!("a {name} through {strokes} stroke{} cannot be heard", if strokes == 1 { "" } else { "s" }),
                format!("write `{sign}` under every cell it runs through"),
            );
        }
    }
}

fn ring_after_rest(bars: &[WrittenBar], spans: &[Vec<Range<usize>>], warnings: &mut Gather) {
    let mut silent = false;
    for (cell, span) in bars.iter().flat_map(|b| &b.cells).zip(spans.iter().flatten()) {
        if cell.act == Act::Ring && silent {
            warnings.add(
                span.clone(),
                "`.` after a rest: nothing sounds that could go on",
                "write `-` if the silence goes on",
            );
        }
        silent = cell.act == Act::Rest;
    }
}
