//! One bar drawn in shapes over its counts: what a pupil plays from.

use crate::part::{Hand, Hands, Stroke, Timeline};
use crate::units::Ticks;

use super::super::words;
use super::ChartError;
use super::marks;
use super::paint::{self, Frame};
use super::scene::{GREY, INK, PAPER, PULSE, Pen, QUIET, Scene};

/// Narrowest cell before a bar goes over two rows.
const NARROWEST: f64 = 25.0;
/// Steps a beat may be divided into for counting.
const STEPS: [i64; 6] = [1, 2, 3, 4, 6, 8];
const HEIGHT: f64 = 124.0;
/// Of it, below the frame: room for the frame's word.
const BELOW: f64 = 25.0;
const SIDE: f64 = 12.0;
/// White between two rows of a bar.
const BETWEEN: f64 = 8.0;

/// The place the fix speaks of.
#[derive(Clone, Debug, PartialEq)]
pub(in crate::report) struct Highlight {
    /// Index into `Timeline::bars`.
    pub(in crate::report) bar: usize,
    pub(in crate::report) from: Ticks,
    pub(in crate::report) to: Ticks,
    /// One or two words under it.
    pub(in crate::report) word: String,
}

/// What stands at one count.
enum There<'a> {
    Stroke(&'a Stroke),
    Rest,
    Nothing,
}

struct Grid<'a> {
    timeline: &'a Timeline,
    bar: usize,
    start: Ticks,
    step: i64,
    cells: usize,
}

impl<'a> Grid<'a> {
    fn of(timeline: &'a Timeline, bar: usize) -> Option<Grid<'a>> {
        let start = timeline.bars.get(bar)?.at;
        let beat = timeline.meter.beat().0.max(1);
        let places = Grid::strokes(timeline, bar).iter().map(|s| (s.at - start).0);
        let places = places.collect::<Vec<_>>();
        let fits = |n: &i64| places.iter().all(|place| place.saturating_mul(*n) % beat == 0);
        let n = STEPS.into_iter().find(fits).unwrap_or(4);
        // A bar in quarters is still counted with its "and"s when they help to wait; eighths of 6/8 are counts enough.
        let n = if n == 1 && timeline.meter.unit == 4 { 2 } else { n };
        let step = (beat / n).max(1);
        Some(Grid { timeline, bar, start, step, cells: (timeline.meter.bar().0 / step).clamp(1, 64) as usize })
    }

    fn strokes(timeline: &Timeline, bar: usize) -> &[Stroke] {
        timeline.bars.get(bar).and_then(|b| timeline.strokes.get(b.strokes.clone())).unwrap_or_default()
    }

    fn at(&self, cell: usize) -> Ticks {
        self.start + Ticks(self.step * cell as i64)
    }

    fn there(&self, cell: usize) -> There<'a> {
        let (from, to) = (self.at(cell), self.at(cell + 1));
        let stroke = Grid::strokes(self.timeline, self.bar).iter().find(|s| s.at >= from && s.at < to);
        match stroke {
            Some(stroke) => There::Stroke(stroke),
            None if self.timeline.rests.iter().any(|rest| rest.from <= from && rest.to > from) => There::Rest,
            None => There::Nothing,
        }
    }

    /// The count of a cell, and whether it is a beat.
    fn count(&self, cell: usize) -> (String, bool) {
        let beat = self.timeline.meter.beat();
        let inside = self.step * cell as i64;
        let within = Ticks(inside % beat.0.max(1));
        match words::syllable(within, beat) {
            _ if within.0 == 0 => ((inside / beat.0.max(1) + 1).to_string(), true),
            Some(said) => (said.to_owned(), false),
            None => ("·".to_owned(), false),
        }
    }
}

/// A bar as an SVG document.
pub(in crate::report) fn counts_svg(
    timeline: &Timeline,
    bar: usize,
    highlights: &[Highlight],
    width: u32,
) -> Result<String, ChartError> {
    let width = f64::from(width.clamp(*super::WIDTHS.start(), *super::WIDTHS.end()));
    let scene = scene(timeline, bar, highlights, width);
    let label = counts_words(timeline, bar);
    paint::svg(&scene, &Frame { label: &label, style: None, ground: false })
}

/// How the counts of a bar stand in rows.
struct Rows {
    per_row: usize,
    count: usize,
    cell_width: f64,
    height: f64,
}

impl Rows {
    fn of(grid: &Grid, width: f64, framed: bool) -> Rows {
        let fits = (width - 2.0 * SIDE) / grid.cells as f64 >= NARROWEST;
        let beats = usize::from(grid.timeline.meter.beats.max(1));
        let per_beat = grid.cells.div_ceil(beats);
        let per_row = if fits { grid.cells } else { per_beat * beats.div_ceil(2) };
        let cell_width = ((width - 2.0 * SIDE) / per_row as f64).min(84.0);
        let height = if framed { HEIGHT } else { HEIGHT - BELOW + 6.0 };
        Rows { per_row, count: grid.cells.div_ceil(per_row.max(1)), cell_width, height }
    }

    fn height(&self) -> f64 {
        self.count as f64 * self.height + (self.count as f64 - 1.0) * BETWEEN
    }

    /// Left, top, width and height of a count.
    fn place(&self, cell: usize) -> [f64; 4] {
        let (row, column) = (cell / self.per_row.max(1), cell % self.per_row.max(1));
        let left = SIDE + self.cell_width * column as f64;
        [left, row as f64 * (self.height + BETWEEN), self.cell_width, self.height]
    }
}

/// When each count of a bar comes after its beginning, and where it stands in [`counts_svg`] without highlights: left, top,
/// width and height as shares of the drawing.
pub(in crate::report) fn counts_places(timeline: &Timeline, bar: usize, width: u32) -> Vec<(Ticks, [f64; 4])> {
    let width = f64::from(width.clamp(*super::WIDTHS.start(), *super::WIDTHS.end()));
    let Some(grid) = Grid::of(timeline, bar) else { return Vec::new() };
    let rows = Rows::of(&grid, width, false);
    let share = |[x, y, w, h]: [f64; 4]| [x / width, y / rows.height(), w / width, h / rows.height()];
    (0..grid.cells).map(|cell| (grid.at(cell) - grid.start, share(rows.place(cell)))).collect()
}

fn scene(timeline: &Timeline, bar: usize, highlights: &[Highlight], width: f64) -> Scene {
    let mut scene = Scene { width, height: 1.0, items: Vec::new() };
    let Some(grid) = Grid::of(timeline, bar) else { return scene };
    // Without a frame there is no word under it.
    let framed = highlights.iter().any(|wanted| wanted.bar == bar);
    let rows = Rows::of(&grid, width, framed);
    let Rows { per_row, cell_width, height, .. } = rows;
    scene.height = rows.height();
    for row in 0..rows.count {
        let cells = row * per_row..((row + 1) * per_row).min(grid.cells);
        let top = row as f64 * (height + BETWEEN);
        let right = 2.0 * SIDE + cell_width * per_row as f64;
        scene.rect((0.0, top), (right, top + height), QUIET);
        let x = |cell: usize| SIDE + cell_width * ((cell - row * per_row) as f64 + 0.5);
        for wanted in highlights.iter().filter(|wanted| wanted.bar == bar) {
            let inside = cells.clone().filter(|c| grid.at(*c) >= wanted.from && grid.at(*c) < wanted.to);
            let inside = inside.collect::<Vec<_>>();
            if let (Some(first), Some(last)) = (inside.first(), inside.last()) {
                let (left, end) = (x(*first) - cell_width / 2.0 + 2.0, x(*last) + cell_width / 2.0 - 2.0);
                scene.rect((left, top + 6.0), (end, top + HEIGHT - BELOW), PAPER);
                let frame = vec![
                    (left, top + 6.0),
                    (end, top + 6.0),
                    (end, top + HEIGHT - BELOW),
                    (left, top + HEIGHT - BELOW),
                ];
                scene.outline(frame, 1.6, PULSE);
                let pen = Pen::new(15.0).ink(PULSE).middle();
                let half = pen.width(&wanted.word) / 2.0 + 4.0;
                let middle = ((left + end) / 2.0).clamp(half, (right - half).max(half));
                scene.text((middle, top + HEIGHT - 8.0), wanted.word.clone(), pen);
            }
        }
        for cell in cells {
            draw_cell(&mut scene, &grid, cell, (x(cell), top), cell_width);
        }
    }
    scene
}

fn draw_cell(scene: &mut Scene, grid: &Grid, cell: usize, (x, top): (f64, f64), width: f64) {
    let r = (width * 0.27).clamp(7.0, 13.0);
    let (middle, count_line) = (top + 40.0, top + 86.0);
    let (count, beat) = grid.count(cell);
    let there = grid.there(cell);
    let size = (width * 0.5).clamp(13.0, 21.0);
    let pen = Pen::new(size).middle();
    match there {
        There::Stroke(stroke) => {
            marks::solid(scene, stroke.surface, (x, middle), r, INK);
            match stroke.hands {
                Hands::Both => {
                    let under = middle + r + 7.5;
                    scene.line((x - r * 1.2, under), (x + r * 1.2, under), 2.6, INK);
                }
                Hands::One(hand) => {
                    let letter = if hand == Hand::Right { "R" } else { "L" };
                    scene.text((x, middle - r - 7.0), letter, Pen::new(11.0).grey().middle());
                }
                Hands::Either => {}
            }
        }
        There::Rest => {
            let d = r * 0.95;
            let square = [(x - d, middle - d), (x + d, middle - d), (x + d, middle + d), (x - d, middle + d)];
            marks::dotted(scene, &square, 1.9, GREY);
        }
        There::Nothing => {}
    }
    scene.text((x, count_line), count, if beat { pen.bold() } else { pen.grey() });
}

/// The bar in words: `count 1: middle, both hands; 2: wait; ...`.
fn counts_words(timeline: &Timeline, bar: usize) -> String {
    let Some(grid) = Grid::of(timeline, bar) else { return String::new() };
    let mut said: Vec<String> = Vec::new();
    for cell in 0..grid.cells {
        let (count, beat) = grid.count(cell);
        let beat_number = grid.step * cell as i64 / grid.timeline.meter.beat().0.max(1) + 1;
        let count = if beat { count } else { format!("{beat_number} {count}") };
        match grid.there(cell) {
            There::Stroke(stroke) => {
                let hands = match stroke.hands {
                    Hands::Both => ", both hands",
                    Hands::One(Hand::Right) => ", right hand",
                    Hands::One(Hand::Left) => ", left hand",
                    Hands::Either => "",
                };
                said.push(format!("{count}: {}{hands}", crate::assess::say::surface(stroke.surface)));
            }
            There::Rest => said.push(format!("{count}: wait")),
            There::Nothing => {}
        }
    }
    said.join("; ")
}

/// A sign of the key beside the bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(in crate::report) enum Sign {
    Surface(crate::part::Surface),
    Both,
    Wait,
}

/// A sign as an SVG document the size of a letter.
pub(in crate::report) fn sign_svg(sign: Sign) -> Result<String, ChartError> {
    let mut scene = Scene { width: 24.0, height: 24.0, items: Vec::new() };
    let (label, at) = match sign {
        Sign::Surface(surface) => {
            marks::solid(&mut scene, surface, (12.0, 12.0), 7.5, INK);
            ("shape", (12.0, 12.0))
        }
        Sign::Both => {
            marks::solid(&mut scene, crate::part::Surface::Centre, (12.0, 9.0), 6.5, INK);
            ("line below", (12.0, 9.0))
        }
        Sign::Wait => {
            let square = [(5.0, 5.0), (19.0, 5.0), (19.0, 19.0), (5.0, 19.0)];
            marks::dotted(&mut scene, &square, 1.7, GREY);
            ("dotted square", (12.0, 12.0))
        }
    };
    if sign == Sign::Both {
        marks::underline(&mut scene, at, 6.5, INK);
    }
    paint::svg(&scene, &Frame { label, style: None, ground: false })
}
