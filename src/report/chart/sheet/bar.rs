//! One bar of a practice sheet: a column a cell, with hand, shape, count and syllable, over one or more rows.

use super::super::scene::{Pen, Scene};
use super::super::{marks, words};
use super::{BLACK, GUTTER, WHITE, WIDE};
use crate::part::{Act, Cell, Dynamic, Hand, Hands, Mark, Meter, Section, said};
use crate::units::Ticks;

/// Sizes, in pixels.
pub(super) struct Look {
    /// Most columns in a row, and in a row of half the page's width.
    most: usize,
    most_narrow: usize,
    /// Radius of a shape where there is room.
    r: f64,
    hand: f64,
    beat: f64,
    between: f64,
    syllable: f64,
    pub(super) words: f64,
    pub(super) letter: f64,
    pub(super) legend: f64,
}

impl Look {
    /// A child reads from a stand at arm's length what is printed as large as a capital of 4 mm, two children from twice as
    /// far: from memory.
    pub(super) fn of(large: bool) -> Look {
        if large {
            Look {
                most: 8,
                most_narrow: 0,
                r: 19.0,
                hand: 20.0,
                beat: 30.0,
                between: 23.0,
                syllable: 20.0,
                words: 17.0,
                letter: 34.0,
                legend: 16.0,
            }
        } else {
            Look {
                most: 16,
                most_narrow: 8,
                r: 11.5,
                hand: 13.0,
                beat: 19.0,
                between: 15.0,
                syllable: 13.5,
                words: 13.5,
                letter: 25.0,
                legend: 13.5,
            }
        }
    }

    /// Heights from the top of the box: hand, shape, count, syllable, level, and the box's own.
    fn heights(&self) -> [f64; 6] {
        let hand = self.hand + 4.0;
        let shape = hand + 8.0 + self.r * 1.3;
        // The line of both hands lies two radii below a shape.
        let count = shape + self.r * 2.2 + 5.0 + self.beat * 0.72;
        let said = count + self.syllable + 4.0;
        let level = said + self.words + 5.0;
        [hand, shape, count, said, level, level + 7.0]
    }

    /// Room for the words over a bar.
    fn over(&self) -> f64 {
        self.words * 1.4
    }
}

/// One column.
struct Column {
    /// From the start of the bar.
    at: Ticks,
    len: Ticks,
    act: Act,
    /// The first column of its cell.
    first: bool,
    said: Option<String>,
    dynamic: Option<Dynamic>,
}

/// A row of columns: a bar, or a piece of one that is too long for the page.
pub(super) struct Row {
    columns: Vec<Column>,
    meter: Meter,
    /// It takes half the width.
    pub(super) narrow: bool,
    over: String,
    repeat_begins: bool,
    repeat_ends: bool,
    /// Swells in it: from and to in ticks of the bar, how open they are there (0 to 1), and whether they rise.
    swells: Vec<(Ticks, Ticks, f64, f64)>,
}

/// The bars of a section in rows.
pub(super) fn rows(section: &Section, meter: Meter, look: &Look) -> Vec<Row> {
    let mut out = Vec::new();
    let all: Vec<Vec<Column>> = section.bars.iter().map(|b| columns(&b.cells, meter)).collect();
    // Bars of one section are set alike.
    let narrow = all.iter().all(|c| c.len() <= look.most_narrow);
    for (b, columns) in all.into_iter().enumerate() {
        let pieces = pieces(columns, meter, look.most);
        let count = pieces.len();
        for (k, columns) in pieces.into_iter().enumerate() {
            let from = columns.first().map_or(Ticks(0), |c| c.at);
            let to = columns.last().map_or(Ticks(0), |c| c.at + c.len);
            out.push(Row {
                meter,
                narrow,
                over: if k == 0 { over(section, b) } else { "goes on".into() },
                repeat_begins: k == 0 && section.repeats.iter().any(|r| r.bars.start == b && r.times > 1),
                repeat_ends: k + 1 == count && section.repeats.iter().any(|r| r.bars.end == b + 1 && r.times > 1),
                swells: swells(section, meter, b, from, to),
                columns,
            });
        }
    }
    out
}

/// The columns of a bar. Long cells have a column for every count that helps to wait: the halves of a quarter.
fn columns(cells: &[Cell], meter: Meter) -> Vec<Column> {
    let step = if meter.unit == 4 { meter.beat().0 / 2 } else { meter.beat().0.min(Ticks::PER_QUARTER) };
    let mut out = Vec::new();
    for (i, cell) in cells.iter().enumerate() {
        let n = if step > 0 && cell.len.0 % step == 0 { (cell.len.0 / step).max(1) } else { 1 };
        let len = Ticks(cell.len.0 / n);
        // How long it sounds: what rings on in the bar belongs to it.
        let rings = cells[i + 1..].iter().take_while(|c| c.act == Act::Ring).map(|c| c.len.0).sum::<i64>();
        let sounds = Ticks(cell.len.0 + rings);
        for k in 0..n {
            let at = cell.from + Ticks(len.0 * k);
            let within = Ticks(at.0 % Ticks::PER_QUARTER);
            let first = k == 0;
            let word = match cell.act {
                Act::Strike(..) if first => cell.said.clone().or_else(|| said(sounds, within)),
                Act::Strike(..) | Act::Ring => None,
                Act::Rest => silent(cells, at, len, cell, first, meter),
            };
            out.push(Column {
                at,
                len,
                act: cell.act,
                first,
                said: word,
                dynamic: cell.mark.and_then(dynamic).filter(|_| first),
            });
        }
    }
    out
}

fn dynamic(mark: Mark) -> Option<Dynamic> {
    match mark {
        Mark::Dynamic(dynamic) => Some(dynamic),
        Mark::Swell | Mark::Fade => None,
    }
}

/// What a written rest is said on: `sh` for each whole quarter that is silent, the syllable in brackets for less.
fn silent(cells: &[Cell], at: Ticks, len: Ticks, cell: &Cell, first: bool, meter: Meter) -> Option<String> {
    let quarter = Ticks::PER_QUARTER;
    let from = at.0 / quarter * quarter;
    let rests = |tick: i64| cells.iter().any(|c| c.act == Act::Rest && c.from.0 <= tick && tick < (c.from + c.len).0);
    // In eighths of 6/8 a quarter is no beat.
    let whole = meter.unit != 8 && (0..8).all(|k| rests(from + k * quarter / 8));
    match (whole, at.0 == from) {
        (true, true) => Some("sh".into()),
        (true, false) => None,
        (false, _) => (cell.said.clone().filter(|_| first))
            .or_else(|| said(len, Ticks(at.0 % quarter)))
            .map(|word| format!("({word})")),
    }
}

/// A bar with too many columns is broken into rows of whole beats, as equal as can be.
fn pieces(columns: Vec<Column>, meter: Meter, most: usize) -> Vec<Vec<Column>> {
    let rows = columns.len().div_ceil(most.max(1));
    if rows <= 1 {
        return vec![columns];
    }
    let beat = crate::part::pulse(meter).0;
    let beats = meter.bar().0 / beat.max(1);
    let mut out: Vec<Vec<Column>> = Vec::new();
    let a_row = (beats as usize).div_ceil(rows).max(1) as i64 * beat;
    for column in columns {
        let row = (column.at.0 / a_row) as usize;
        while out.len() <= row {
            out.push(Vec::new());
        }
        out[row].push(column);
    }
    out.retain(|row| !row.is_empty());
    out
}

/// The words over a bar: its numbers as played out, and how often it is played.
fn over(section: &Section, bar: usize) -> String {
    let numbers: Vec<usize> = section.unrolled().zip(1..).filter(|((b, _), _)| *b == bar).map(|(_, n)| n).collect();
    let listed: Vec<String> = match numbers.as_slice() {
        [a, b, .., z] if numbers.len() > 3 => vec![a.to_string(), b.to_string(), format!("… {z}")],
        all => all.iter().map(ToString::to_string).collect(),
    };
    let which = if numbers.len() == 1 { "bar" } else { "bars" };
    let joined = match listed.as_slice() {
        [a, b, c] if c.starts_with('…') => format!("{a}, {b} {c}"),
        _ => crate::english::listed(&listed),
    };
    let mut out = format!("{which} {joined}");
    if let Some(repeat) = section.repeats.iter().find(|r| r.bars.start == bar && r.times > 1) {
        let what = if repeat.bars.len() == 1 { "this bar" } else { "from sign to sign" };
        let times = if repeat.times == 2 { "twice".to_owned() } else { format!("{} times", repeat.times) };
        out.push_str(&format!(": play {what} {times}"));
    }
    out
}

/// What of a section's swells lies in a piece of a bar.
fn swells(section: &Section, meter: Meter, bar: usize, from: Ticks, to: Ticks) -> Vec<(Ticks, Ticks, f64, f64)> {
    let place = |(b, at): (usize, Ticks)| b as i64 * meter.bar().0 + at.0;
    let (left, right) = (place((bar, from)), place((bar, to)));
    (section.swells().iter())
        .filter_map(|swell| {
            let (begin, end) = (place(swell.from), place(swell.to));
            let (a, z) = (begin.max(left), end.min(right));
            let open = |t: i64| {
                let share = (t - begin) as f64 / (end - begin).max(1) as f64;
                if swell.rising { share } else { 1.0 - share }
            };
            let base = bar as i64 * meter.bar().0;
            (a < z).then(|| (Ticks(a - base), Ticks(z - base), open(a), open(z)))
        })
        .collect()
}

/// The dotted square of a rest.
pub(super) fn rest_box(scene: &mut Scene, (x, y): (f64, f64), r: f64) {
    let d = r * 0.85;
    marks::dotted(scene, &[(x - d, y - d), (x + d, y - d), (x + d, y + d), (x - d, y + d)], r * 0.2, BLACK);
}

impl Row {
    /// How wide a row alone on its line is drawn: a short one no wider than its columns need.
    pub(super) fn width(&self, most: f64, look: &Look) -> f64 {
        if self.narrow {
            return (WIDE - GUTTER) / 2.0;
        }
        (self.columns.len() as f64 * look.r * 8.0 + 24.0).min(most)
    }

    /// Whether there is anything below the syllables.
    pub(super) fn has_foot(&self) -> bool {
        !self.swells.is_empty() || self.columns.iter().any(|c| c.dynamic.is_some() || c.act == Act::Rest)
    }

    pub(super) fn height(foot: bool, look: &Look) -> f64 {
        let [.., said, _, bottom] = look.heights();
        look.over() + if foot { bottom } else { said + 8.0 }
    }

    /// `foot`: with room for what is below the syllables, of this bar or its neighbour.
    pub(super) fn draw(&self, scene: &mut Scene, (left, top): (f64, f64), width: f64, foot: bool, look: &Look) {
        let [hand, shape, count, syllable, level, _] = look.heights().map(|h| top + look.over() + h);
        let (box_top, bottom) = (top + look.over(), top + Row::height(foot, look));
        let words = Pen::new(look.words).ink(BLACK);
        scene.text((left, top + look.words), words.fitted(&self.over, width), words);
        scene.outline(
            vec![(left, box_top), (left + width, box_top), (left + width, bottom), (left, bottom)],
            0.7,
            BLACK,
        );
        let side = if self.repeat_begins || self.repeat_ends { 16.0 } else { 6.0 };
        let each = (width - 2.0 * side) / self.columns.len().max(1) as f64;
        let middle = |i: usize| left + side + each * (i as f64 + 0.5);
        self.signs(scene, (left, width), (box_top, bottom), shape);
        self.waits(scene, &middle, each, (box_top, shape, count, level), look);
        let r = look.r.min(each * 0.38);
        let fits =
            |pen: Pen, text: &str| Pen { size: pen.size * (each * 0.96 / pen.width(text).max(1e-9)).min(1.0), ..pen };
        for (i, column) in self.columns.iter().enumerate() {
            let x = middle(i);
            if let (Act::Strike(surface, hands), true) = (column.act, column.first) {
                marks::solid_on(scene, surface, (x, shape), r, BLACK, WHITE);
                let letter = match hands {
                    Hands::Either => None,
                    Hands::One(Hand::Right) => Some("R"),
                    Hands::One(Hand::Left) => Some("L"),
                    Hands::Both => Some("B"),
                };
                if let Some(letter) = letter {
                    scene.text((x, hand), letter, fits(Pen::new(look.hand).ink(BLACK).middle(), letter));
                }
                if hands == Hands::Both {
                    marks::underline(scene, (x, shape), r, BLACK);
                }
            }
            let (said, beat) = self.count(column);
            let pen = if beat { Pen::new(look.beat).bold() } else { Pen::new(look.between) };
            scene.text((x, count), said.as_str(), fits(pen.ink(BLACK).middle(), &said));
            if let Some(said) = &column.said {
                scene.text((x, syllable), said.as_str(), fits(Pen::new(look.syllable).ink(BLACK).middle(), said));
            }
            if let Some(dynamic) = column.dynamic {
                let said = match dynamic {
                    Dynamic::Piano => "p soft",
                    Dynamic::Mezzo => "m medium",
                    Dynamic::Forte => "f loud",
                };
                scene.text((x - each * 0.4, level), said, words);
            }
        }
        for (from, to, a, z) in &self.swells {
            let x = |at: Ticks| {
                let i = self.columns.iter().position(|c| c.at + c.len > at).unwrap_or(self.columns.len());
                left + side + each * i as f64
            };
            let (x0, x1, half) = (x(*from) + 3.0, x(*to) - 3.0, look.words * 0.42);
            let y = level - look.words * 0.3;
            for up in [-1.0, 1.0] {
                scene.line((x0, y + up * half * a), (x1, y + up * half * z), 1.1, BLACK);
            }
        }
    }

    /// The count of a column, and whether it is a beat.
    fn count(&self, column: &Column) -> (String, bool) {
        let beat = self.meter.beat();
        let within = Ticks(column.at.0 % beat.0.max(1));
        if within.0 == 0 {
            return ((column.at.0 / beat.0.max(1) + 1).to_string(), true);
        }
        (words::syllable(within, beat).unwrap_or("·").to_owned(), false)
    }

    /// Repeat signs, as music prints them.
    fn signs(&self, scene: &mut Scene, (left, width): (f64, f64), (top, bottom): (f64, f64), shape: f64) {
        let mut sign = |x: f64, side: f64| {
            scene.line((x, top), (x, bottom), 3.4, BLACK);
            scene.line((x + side * 4.5, top), (x + side * 4.5, bottom), 1.0, BLACK);
            for y in [shape - 6.0, shape + 6.0] {
                scene.disc(x + side * 9.5, y, 2.2, BLACK);
            }
        };
        if self.repeat_begins {
            sign(left + 1.7, 1.0);
        }
        if self.repeat_ends {
            sign(left + width - 1.7, -1.0);
        }
    }

    /// Frames around the rests, with their word.
    fn waits(
        &self,
        scene: &mut Scene,
        middle: &dyn Fn(usize) -> f64,
        each: f64,
        (top, shape, count, level): (f64, f64, f64, f64),
        look: &Look,
    ) {
        let mut i = 0;
        while i < self.columns.len() {
            if self.columns[i].act != Act::Rest {
                i += 1;
                continue;
            }
            let from = i;
            while i < self.columns.len() && self.columns[i].act == Act::Rest {
                rest_box(scene, (middle(i), shape), look.r.min(each * 0.38) * 0.9);
                i += 1;
            }
            let (x0, x1) = (middle(from) - each / 2.0 + 1.5, middle(i - 1) + each / 2.0 - 1.5);
            let (y0, y1) = (top + 5.0, count + 5.0);
            scene.outline(vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1)], 1.5, BLACK);
            let pen = Pen::new(look.words).ink(BLACK).middle();
            // A dynamic that stands there goes before.
            let free = self.columns[from..i].iter().all(|c| c.dynamic.is_none());
            let in_swell = self
                .swells
                .iter()
                .any(|s| s.0 < self.columns[i - 1].at + self.columns[i - 1].len && s.1 > self.columns[from].at);
            if free && !in_swell && pen.width("wait") <= x1 - x0 {
                scene.text(((x0 + x1) / 2.0, level), "wait", pen);
            }
        }
    }
}
