//! The bars as played -> lines of bars that fit the page, and the scales of the drawing.

use crate::assess::Assessment;
use crate::part::Timeline;
use crate::units::Ticks;

use super::super::played::{Played, What};

/// Left of the first bar: the words of the scale.
pub(super) const GUTTER: f64 = 42.0;
/// Right of the last bar.
pub(super) const EDGE: f64 = 6.0;
/// Between bars that do not follow each other in the form.
const BREAK: f64 = 20.0;
/// Closest two strokes may be drawn: a mark's width and a hair.
const CLOSEST: f64 = 9.6;
/// The same where a long piece would need more lines than a sheet has.
const CLOSEST_LONG: f64 = 7.0;
/// Most bars in a line: as printed music has them.
const MOST_BARS: usize = 8;
/// More lines than this are too many for one side of a sheet at full size.
pub(super) const MANY_LINES: usize = 6;
/// Widest bar: a piece of one bar need not fill a page.
const WIDEST: f64 = 210.0;

/// One bar in its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Cell {
    /// Index into `Played::runs`.
    pub(super) run: usize,
    /// Index into `Timeline::bars`.
    pub(super) bar: usize,
    /// Left end in pixels.
    pub(super) x: f64,
    /// The bar before it in this line does not come before it in the form.
    pub(super) broken: bool,
}

/// Scales and lines.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub(super) lines: Vec<Vec<Cell>>,
    /// Width of a bar.
    pub(super) bar: f64,
    /// Radius of a mark.
    pub(super) r: f64,
    /// Height of the part of a line where the marks are.
    pub(super) plot: f64,
    /// So many lines that they are set close.
    pub(super) tight: bool,
    /// Lateness at its lower edge.
    pub(super) range_ms: f64,
    /// Ticks in a bar.
    ticks: f64,
}

impl Layout {
    pub(super) fn of(assessment: &Assessment, played: &Played, width: f64) -> Layout {
        let timeline = &assessment.timeline;
        let room = (width - GUTTER - EDGE).max(60.0);
        let slots = slots(timeline);
        let fitting = |closest: f64| ((room / (slots * closest)) as usize).clamp(1, MOST_BARS);
        let (mut best, mut per_line) = fewest(timeline, played, fitting(CLOSEST), true);
        if best.len() > MANY_LINES {
            // A long piece is set close. Its sections begin their own lines unless that takes a quarter more of them.
            (best, per_line) = fewest(timeline, played, fitting(CLOSEST_LONG), true);
            let (flowing, bars) = fewest(timeline, played, fitting(CLOSEST_LONG), false);
            if flowing.len() * 5 < best.len() * 4 {
                (best, per_line) = (flowing, bars);
            }
        }
        let breaks = best.iter().map(|line| line.iter().skip(1).filter(|c| c.broken).count()).max().unwrap_or(0);
        let bar = ((room - breaks as f64 * BREAK) / per_line.max(1) as f64).clamp(8.0, WIDEST);
        for line in &mut best {
            let mut x = GUTTER;
            for (i, cell) in line.iter_mut().enumerate() {
                if i > 0 && cell.broken {
                    x += BREAK;
                }
                cell.x = x;
                x += bar;
            }
        }
        let many = best.len();
        let plot = if many <= 2 {
            118.0
        } else if many <= 4 {
            96.0
        } else if many <= MANY_LINES {
            78.0
        } else {
            50.0
        };
        let r = (bar / slots * 0.47).clamp(3.3, if many > MANY_LINES { 4.0 } else { 4.8 });
        Layout {
            lines: best,
            bar,
            r,
            plot,
            tight: many > MANY_LINES,
            range_ms: range(played),
            ticks: timeline.meter.bar().0.max(1) as f64,
        }
    }

    /// Where a moment of the form stands within a bar's cell.
    pub(super) fn x(&self, timeline: &Timeline, cell: &Cell, at: Ticks) -> f64 {
        let from = timeline.bars.get(cell.bar).map_or(Ticks(0), |b| b.at);
        // The first stroke stands off the bar line as a note does.
        let lead = (self.r * 1.6).min(self.bar * 0.08);
        cell.x + lead + (self.bar - lead * 0.6) * ((at - from).0 as f64 / self.ticks)
    }
}

/// How many of the closest steps of the part make a bar. Steps under a sixth of a beat count as that.
fn slots(timeline: &Timeline) -> f64 {
    let beat = timeline.meter.beat().0.max(6);
    let gaps = timeline.strokes.windows(2).map(|pair| (pair[1].at - pair[0].at).0).filter(|gap| *gap > 0);
    let closest = gaps.min().unwrap_or(beat).clamp(beat / 6, beat);
    (timeline.meter.bar().0.max(1) as f64 / closest as f64).max(1.0)
}

/// Half the height of the scale: a fixed one, so that takes can be compared by eye, and a wider one only where a tenth
/// of the marks would leave it.
fn range(played: &Played) -> f64 {
    let mut sizes = (played.runs.iter().flat_map(|run| &run.marks))
        .filter_map(|mark| match mark.what {
            What::Heard(heard) => heard.late.map(|late| late.millis().abs()),
            _ => None,
        })
        .collect::<Vec<_>>();
    sizes.sort_by(f64::total_cmp);
    let high = sizes.get((sizes.len() * 9).div_ceil(10).saturating_sub(1)).copied().unwrap_or(0.0);
    [100.0, 200.0].into_iter().find(|range| high <= *range).unwrap_or(400.0)
}

/// The breaking into the fewest lines of at most `most` bars, and among those the one with the widest bars.
fn fewest(timeline: &Timeline, played: &Played, most: usize, whole: bool) -> (Vec<Vec<Cell>>, usize) {
    let mut best: Option<(Vec<Vec<Cell>>, usize)> = None;
    for per_line in (1..=most).rev() {
        let lines = broken(timeline, played, per_line, whole);
        let fewer_or_same = best.as_ref().is_none_or(|(found, _)| lines.len() <= found.len());
        if fewer_or_same {
            let longest = lines.iter().map(Vec::len).max().unwrap_or(1);
            best = Some((lines, longest));
        }
    }
    best.unwrap_or_default()
}

/// Lines of at most `most` bars. Where passes are to stay `whole`, one that fits a line is not cut, and a longer one is
/// cut into even pieces; else each line is filled.
fn broken(timeline: &Timeline, played: &Played, most: usize, whole: bool) -> Vec<Vec<Cell>> {
    let mut lines: Vec<Vec<Cell>> = vec![Vec::new()];
    for (run, bars) in played.runs.iter().map(|r| r.bars.clone()).enumerate() {
        let pass = |bar: &usize| timeline.bars.get(*bar).map(|b| b.pass);
        let all = bars.clone().collect::<Vec<_>>();
        for piece in all.chunk_by(|a, b| !whole || pass(a) == pass(b)) {
            let pieces = piece.len().div_ceil(most.max(1)).max(1);
            let length = if whole { piece.len().div_ceil(pieces).max(1) } else { 1 };
            for part in piece.chunks(length) {
                if lines.last().is_some_and(|line| line.len() + part.len() > most) {
                    lines.push(Vec::new());
                }
                if let Some(line) = lines.last_mut() {
                    line.extend(part.iter().map(|bar| Cell {
                        run,
                        bar: *bar,
                        x: 0.0,
                        broken: *bar == bars.start && run > 0,
                    }));
                }
            }
        }
    }
    lines.retain(|line| !line.is_empty());
    lines
}
