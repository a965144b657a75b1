//! One line of the chart, as a line of printed music: bars, beats, rests, marks, the player's own pulse.

use crate::assess::Assessment;
use crate::part::Timeline;
use crate::units::{Bpm, Seconds, Ticks};

use super::super::played::{Absent, Heard, Mark, Played, Run, What};
use super::super::words::{self, CLEAR};
use super::band;
use super::layout::{Cell, GUTTER, Layout};
use super::marks;
use super::notes::{self, Note};
use super::scene::{BAND, FAINT, FAULT, GREY, INK, LINE, PULSE, Pen, QUIET, Scene};

/// Heights of the parts of a line besides the marks.
#[derive(Clone, Copy)]
struct Heights {
    /// Above the marks: section letters.
    head: f64,
    /// Below the marks: bar numbers.
    foot: f64,
    /// The strip of the player's own pulse.
    strip: f64,
    /// Below everything.
    tail: f64,
}

const ROOMY: Heights = Heights { head: 23.0, foot: 13.0, strip: 16.0, tail: 8.0 };
const TIGHT: Heights = Heights { head: 20.0, foot: 12.5, strip: 12.0, tail: 3.0 };

/// Two standard deviations either way hold 95 of 100 of a normal distribution.
pub(super) const WHISKER: f64 = 1.96;

/// Height of the notes of a line.
fn noted(notes: &[Note]) -> f64 {
    let rows = notes.iter().map(|note| note.row + 1).max().unwrap_or(0);
    if rows > 0 { rows as f64 * notes::ROW + 4.0 } else { 0.0 }
}

/// The name of a rest.
const REST: Pen = Pen::new(8.0).grey().middle();

/// What all lines of a chart share.
pub(super) struct Common<'a> {
    pub(super) assessment: &'a Assessment,
    pub(super) played: &'a Played,
    pub(super) layout: &'a Layout,
    /// Slowest and fastest of the strip.
    pub(super) tempi: Option<(f64, f64)>,
    /// Width of the page.
    pub(super) width: f64,
}

/// Slowest and fastest tempo of the strip: what was played, and at least a tenth wide, so that a steady take is a level
/// line.
pub(super) fn tempi(played: &Played) -> Option<(f64, f64)> {
    let bpms = (played.runs.iter().flat_map(|run| &run.marks))
        .filter_map(|mark| match mark.what {
            What::Heard(heard) => heard.bpm.map(Bpm::get),
            _ => None,
        })
        .collect::<Vec<_>>();
    let low = bpms.iter().copied().fold(f64::INFINITY, f64::min);
    let high = bpms.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let middle = (low + high) / 2.0;
    (low <= high).then(|| (low.min(middle * 0.95), high.max(middle * 1.05)))
}

impl Common<'_> {
    fn timeline(&self) -> &Timeline {
        &self.assessment.timeline
    }

    fn heights(&self) -> Heights {
        let heights = if self.layout.tight { TIGHT } else { ROOMY };
        if self.tempi.is_some() { heights } else { Heights { strip: 0.0, ..heights } }
    }

    /// Height of a line with its notes.
    pub(super) fn height(&self, notes: &[Note]) -> f64 {
        let Heights { head, foot, strip, tail } = self.heights();
        head + self.layout.plot + foot + noted(notes) + strip + tail
    }

    /// Draws one line.
    pub(super) fn draw(&self, line: &[Cell], notes: &[Note]) -> Scene {
        let mut scene = Scene { width: self.width, height: self.height(notes), items: Vec::new() };
        let plot = Plot { top: self.heights().head, height: self.layout.plot, range_ms: self.layout.range_ms };
        for piece in line.chunk_by(|_, next| !next.broken) {
            self.ground(&mut scene, piece, plot);
        }
        self.scale(&mut scene, plot);
        self.heads(&mut scene, line, plot);
        let foot = plot.top + plot.height + self.heights().foot;
        if let Some(tempi) = self.tempi {
            self.pulse(&mut scene, line, foot + noted(notes) + 1.0, tempi);
        }
        for cell in line {
            self.marks(&mut scene, cell, plot);
        }
        self.figures(&mut scene, line, plot);
        let starts = line.iter().filter_map(|c| Some((c, self.timeline().bars.get(c.bar)?.at)));
        let numbers = starts.map(|(cell, at)| self.layout.x(self.timeline(), cell, at)).collect::<Vec<_>>();
        notes::draw(&mut scene, notes, plot.top + plot.height + 3.0, foot + 1.0, &numbers);
        scene
    }

    /// Rests, the band, beat lines, bar lines, numbers.
    fn ground(&self, scene: &mut Scene, piece: &[Cell], plot: Plot) {
        let (timeline, bar) = (self.timeline(), self.layout.bar);
        let (Some(first), Some(last)) = (piece.first(), piece.last()) else { return };
        let (left, right) = (first.x, last.x + bar);
        let (top, bottom) = (plot.top, plot.top + plot.height);
        self.band(scene, piece, plot);
        for cell in piece {
            for (from, to) in self.rests(cell) {
                scene.rect((from, top), (to, bottom), QUIET);
                for x in [from, to] {
                    scene.dashes((x, top), (x, bottom), (2.0, 4.0), 0.6, LINE);
                }
            }
        }
        for ms in [-plot.range_ms / 2.0, plot.range_ms / 2.0] {
            scene.line((left, plot.y(ms)), (right, plot.y(ms)), 0.6, FAINT);
        }
        scene.line((left, plot.y(0.0)), (right, plot.y(0.0)), 0.9, GREY);
        for cell in piece {
            let Some(start) = timeline.bars.get(cell.bar).map(|b| b.at) else { continue };
            for beat in 0..i64::from(timeline.meter.beats) {
                let x = self.layout.x(timeline, cell, start + Ticks(timeline.meter.beat().0 * beat));
                scene.line((x, bottom), (x, bottom + 3.0), 0.7, GREY);
            }
            if cell.x > left {
                scene.line((cell.x, top), (cell.x, bottom), 0.7, LINE);
            }
            for (from, to) in self.rests(cell) {
                let to = if cell.bar + 1 == timeline.bars.len() { to.min(cell.x + bar - 5.0) } else { to };
                if to - from > REST.width("rest") + 4.0 {
                    scene.text(((from + to) / 2.0, top + 9.5), "rest", REST);
                }
            }
            let number = timeline.bars.get(cell.bar).map_or(1, |b| b.number).to_string();
            let x = self.layout.x(timeline, cell, start);
            scene.text((x, bottom + 12.0), number, Pen::new(9.0).grey().middle());
        }
        scene.line((left, bottom), (right, bottom), 0.6, LINE);
        scene.line((right, top), (right, bottom), 0.7, LINE);
        for cell in piece {
            // The join between two sections, and the beginning of each line.
            let join = timeline.passes.iter().any(|pass| pass.bars.start == cell.bar);
            if cell.x <= left || join {
                let (wide, ink) = if join { (1.6, INK) } else { (0.9, GREY) };
                scene.line((cell.x, top - 3.0), (cell.x, bottom), wide, ink);
            }
        }
        if last.bar + 1 == timeline.bars.len() {
            // The end of the piece is ruled as in print.
            scene.line((right - 4.0, top), (right - 4.0, bottom), 0.7, INK);
            scene.line((right - 0.8, top), (right - 0.8, bottom), 1.8, INK);
        }
    }

    /// The parts of a bar that are written rests, in pixels.
    fn rests(&self, cell: &Cell) -> Vec<(f64, f64)> {
        let timeline = self.timeline();
        let Some(from) = timeline.bars.get(cell.bar).map(|b| b.at) else { return Vec::new() };
        let to = from + timeline.meter.bar();
        let half = self.layout.r * 1.15;
        (timeline.rests.iter().filter(|rest| rest.from < to && rest.to > from))
            .map(|rest| {
                let left = if rest.from <= from { cell.x } else { self.layout.x(timeline, cell, rest.from) - half };
                let right = if rest.to >= to {
                    cell.x + self.layout.bar
                } else {
                    self.layout.x(timeline, cell, rest.to) - half
                };
                (left.max(cell.x), right.min(cell.x + self.layout.bar))
            })
            .filter(|(left, right)| right > left)
            .collect()
    }

    /// True when there are rests and none is wide enough for its name.
    pub(super) fn has_bare_rests(&self) -> bool {
        let widths = self.layout.lines.iter().flatten().flat_map(|cell| self.rests(cell)).map(|(from, to)| to - from);
        let widest = widths.fold(0.0, f64::max);
        widest > 0.0 && widest <= REST.width("rest") + 9.0
    }

    /// What nobody could hear, as wide as the strokes there are apart.
    fn band(&self, scene: &mut Scene, piece: &[Cell], plot: Plot) {
        let timeline = self.timeline();
        let pulse = self.assessment.clock.map_or(timeline.bpm, |c| c.bpm);
        let (Some(left), Some(right)) = (piece.first().map(|c| c.x), piece.last().map(|c| c.x + self.layout.bar))
        else {
            return;
        };
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for cell in piece {
            let Some(bar) = timeline.bars.get(cell.bar) else { continue };
            let strokes = timeline.strokes.get(bar.strokes.clone()).unwrap_or_default();
            for (i, stroke) in bar.strokes.clone().zip(strokes) {
                let apart = |other: Option<usize>| {
                    let at = timeline.strokes.get(other?)?.at;
                    Some(Seconds::of((at - stroke.at).to_seconds(pulse).get().abs()))
                };
                let near = [apart(i.checked_sub(1)), apart(Some(i + 1))].into_iter().flatten();
                let interval = near.map(Seconds::get).fold(f64::INFINITY, f64::min);
                let half = band::noticed(Seconds::new(interval).unwrap_or(Seconds::of(1.0))).millis();
                steps.push((self.layout.x(timeline, cell, stroke.at), half));
            }
        }
        let (Some(first), Some(last)) = (steps.first().copied(), steps.last().copied()) else { return };
        steps.insert(0, (left, first.1));
        steps.push((right, last.1));
        let edge = |side: f64| steps.iter().map(move |(x, half)| (*x, plot.y(side * half)));
        scene.fill(edge(-1.0).chain(edge(1.0).rev()).collect(), BAND);
    }

    /// The words of the scale, left of the first bar.
    fn scale(&self, scene: &mut Scene, plot: Plot) {
        let pen = Pen::new(9.0).grey().end();
        let x = GUTTER - 6.0;
        let half = plot.range_ms / 2.0;
        scene.text((x, plot.top + 7.0), "early", pen);
        scene.text((x, plot.top + plot.height - 1.0), "late", pen);
        if plot.height > 70.0 {
            scene.text((x, plot.y(-half) + 3.2), format!("{half:.0} ms"), pen);
            scene.text((x, plot.y(half) + 3.2), format!("{half:.0} ms"), pen);
            scene.text((x, plot.y(0.0) + 3.2), "beat", pen);
        } else {
            scene.text((x, plot.y(0.0) + 3.2), format!("±{half:.0} ms"), Pen::new(8.0).grey().end());
        }
    }

    /// Section letters, and how the bars are joined to what was played before.
    fn heads(&self, scene: &mut Scene, line: &[Cell], plot: Plot) {
        let timeline = self.timeline();
        let mut heads: Vec<(f64, String, String)> = Vec::new();
        for (i, cell) in line.iter().enumerate() {
            let Some(pass) = timeline.bars.get(cell.bar).and_then(|b| timeline.passes.get(b.pass)) else { continue };
            let seam = (self.played.runs.get(cell.run))
                .filter(|run| run.bars.start == cell.bar)
                .and_then(|run| run.seam.words(self.assessment, &run.bars));
            if i > 0 && pass.bars.start != cell.bar && seam.is_none() {
                continue;
            }
            let mut said = Vec::new();
            if words::comes_again(timeline, &pass.section) {
                said.push(format!("{} time", words::ordinal(pass.number)));
            }
            said.extend(seam);
            heads.push((cell.x, words::clean(&pass.section, words::NAME), said.join(", ")));
        }
        let nexts = heads.iter().skip(1).map(|h| h.0).chain([self.width]).collect::<Vec<_>>();
        for ((x, letter, said), next) in heads.into_iter().zip(nexts) {
            let (letters, rest) = (Pen::new(15.0).bold(), Pen::new(9.5).grey());
            let room = next - x - 4.0;
            let letter = letters.fitted(&letter, (room * 0.75).max(14.0));
            let after = letters.width(&letter) + 5.0;
            scene.text((x, plot.top - 7.0), letter, letters);
            if room - after > 12.0 && !said.is_empty() {
                scene.text((x + after, plot.top - 7.0), rest.fitted(&said, room - after), rest);
            }
        }
    }

    /// The thin line of the player's own pulse, with its tempo where the line begins and ends.
    fn pulse(&self, scene: &mut Scene, line: &[Cell], top: f64, (low, high): (f64, f64)) {
        let timeline = self.timeline();
        let strip = self.heights().strip;
        let y = |bpm: f64| top + 3.0 + (strip - 6.0) * (high - bpm) / (high - low).max(1e-9);
        scene.text((GUTTER - 6.0, top + strip / 2.0 + 2.5), "pulse", Pen::new(9.0).ink(PULSE).end());
        for piece in line.chunk_by(|_, next| !next.broken) {
            let points = piece
                .iter()
                .flat_map(|cell| self.in_cell(cell).map(move |mark| (cell, mark)))
                .filter_map(|(cell, mark)| match mark.what {
                    What::Heard(Heard { bpm: Some(bpm), .. }) => {
                        Some((self.layout.x(timeline, cell, mark.at), bpm.get()))
                    }
                    _ => None,
                })
                .collect::<Vec<_>>();
            let (Some(first), Some(last)) = (points.first().copied(), points.last().copied()) else { continue };
            let pen = Pen::new(9.0).ink(PULSE);
            let (from, to) = (format!("{:.0}", first.1), format!("{:.0}", last.1));
            let (wide, room) = (pen.width(&from) + 4.0, last.0 - first.0);
            if room < 3.0 * wide {
                scene.text((first.0, y(first.1) + 3.2), from, pen);
                continue;
            }
            // The figures stand in the line, which makes room for them.
            let ends = [first.0 - self.layout.r + wide, last.0 + self.layout.r - wide];
            let inner = points.iter().filter(|p| p.0 > ends[0] && p.0 < ends[1]).copied();
            let line = [(ends[0], between(&points, ends[0]))].into_iter();
            let line = line.chain(inner).chain([(ends[1], between(&points, ends[1]))]);
            scene.path(line.map(|(x, bpm)| (x, y(bpm))).collect(), 1.0, PULSE);
            scene.text((first.0 - self.layout.r, y(first.1) + 3.2), from, pen);
            scene.text((last.0 + self.layout.r, y(last.1) + 3.2), to, pen.end());
        }
    }

    /// Where the marks of a line stand.
    pub(super) fn spots(&self, line: &[Cell]) -> Vec<(Mark, f64, f64, usize)> {
        let plot = Plot { top: self.heights().head, height: self.layout.plot, range_ms: self.layout.range_ms };
        let spot = |cell: &Cell, mark: &Mark| {
            let late = match mark.what {
                What::Heard(heard) => heard.late.map_or(0.0, |late| late.millis()),
                What::Written { .. } | What::Stray { .. } => 0.0,
            };
            let (y, _) = plot.within(late, self.layout.r);
            (*mark, self.layout.x(self.timeline(), cell, mark.at), y, cell.run)
        };
        line.iter().flat_map(|cell| self.in_cell(cell).map(move |mark| spot(cell, mark))).collect()
    }

    fn in_cell<'a>(&'a self, cell: &Cell) -> impl Iterator<Item = &'a Mark> + use<'a> {
        let bar = cell.bar;
        let marks = self.played.runs.get(cell.run).map(|run: &Run| run.marks.as_slice()).unwrap_or_default();
        marks.iter().filter(move |mark| mark.bar == bar)
    }

    fn marks(&self, scene: &mut Scene, cell: &Cell, plot: Plot) {
        let (timeline, r) = (self.timeline(), self.layout.r);
        let line = plot.y(0.0);
        let stops = self.played.runs.get(cell.run).map(|run| run.stops.as_slice()).unwrap_or_default();
        for stop in stops.iter().filter(|stop| stop.bar == cell.bar) {
            let x = (self.layout.x(timeline, cell, stop.at) - r * 2.4).max(cell.x);
            marks::caesura(scene, (x, plot.top + 14.0), 12.0);
        }
        for mark in self.in_cell(cell) {
            let x = self.layout.x(timeline, cell, mark.at);
            match mark.what {
                What::Heard(heard) => self.heard(scene, x, &heard, plot),
                What::Written { surface, both, why, .. } => {
                    match why {
                        Absent::Missed => marks::hollow(scene, surface, (x, line), r, INK),
                        Absent::NotHeard => marks::doubtful(scene, surface, (x, line), r),
                        Absent::NotHere => marks::place(scene, (x, line), r),
                    }
                    if both && why != Absent::NotHere {
                        marks::underline(scene, (x, line), r, if why == Absent::Missed { INK } else { GREY });
                    }
                }
                What::Stray { quiet, .. } => {
                    marks::cross(scene, (x, line), r, if quiet { GREY } else { FAULT });
                }
            }
        }
    }

    fn heard(&self, scene: &mut Scene, x: f64, heard: &Heard, plot: Plot) {
        let r = self.layout.r;
        let late = heard.late.map_or(0.0, |late| late.millis());
        let (y, beyond) = plot.within(late, r);
        let spread = heard.sigma.millis() * WHISKER;
        let ends = [-1.0, 1.0].map(|side| plot.within(late + side * spread, 1.0).0);
        if heard.late.is_some() && !beyond && ends[1] - ends[0] > 2.6 * r {
            marks::whisker(scene, x, (ends[0], ends[1]), r);
        }
        match heard.late {
            _ if heard.wrong => marks::elsewhere(scene, heard.surface, (x, y), r),
            // Played another time through: where, but not how late.
            None => marks::solid(scene, heard.surface, (x, y), r * 0.8, GREY),
            Some(_) if heard.surface_p < CLEAR => marks::unclear(scene, heard.surface, (x, y), r),
            Some(_) => marks::solid(scene, heard.surface, (x, y), r, INK),
        }
        if heard.both {
            marks::underline(scene, (x, y), r, INK);
        }
        if beyond {
            let side = late.signum();
            let tip = y + side * r * 2.4;
            scene.path(vec![(x - 2.4, tip - side * 2.6), (x, tip), (x + 2.4, tip - side * 2.6)], 1.0, INK);
        }
    }

    /// How far off the strokes are that stand at the edge, where there is room to say it.
    fn figures(&self, scene: &mut Scene, line: &[Cell], plot: Plot) {
        let r = self.layout.r;
        let marks = line.iter().flat_map(|cell| self.in_cell(cell).map(move |mark| (cell, mark)));
        let spots = marks.map(|(cell, mark)| {
            let late = match mark.what {
                What::Heard(heard) => heard.late.map_or(0.0, |late| late.millis()),
                What::Written { .. } | What::Stray { .. } => 0.0,
            };
            let (y, beyond) = plot.within(late, r);
            (self.layout.x(self.timeline(), cell, mark.at), y, late, beyond.then_some(cell.x))
        });
        let spots = spots.collect::<Vec<_>>();
        let around = |x: f64, y: f64| (x - r * 1.5, x + r * 1.5, y - r * 1.5, y + r * 1.5);
        let mut taken = spots.iter().map(|(x, y, ..)| around(*x, *y)).collect::<Vec<_>>();
        for (x, y, late, bar) in spots.iter().filter_map(|(x, y, late, bar)| Some((x, y, late, (*bar)?))) {
            let pen = Pen::new(8.5);
            let said = format!("{:.0} ms", late.abs());
            let wide = pen.width(&said);
            let inward = y - late.signum() * (r * 1.6 + 5.0);
            let lefts = [(x + r * 1.8, *y), (x - r * 1.8 - wide, *y), (x - wide / 2.0, inward)];
            let free = lefts.into_iter().find(|(left, middle)| {
                let (right, top, bottom) = (left + wide, middle - 4.0, middle + 4.0);
                let clear = |b: &(f64, f64, f64, f64)| right <= b.0 || b.1 <= *left || bottom <= b.2 || b.3 <= top;
                *left >= bar && right <= self.width && taken.iter().all(clear)
            });
            if let Some((left, middle)) = free {
                scene.text((left, middle + 3.0), said, pen);
                taken.push((left, left + wide, middle - 4.0, middle + 4.0));
            }
        }
    }
}

/// The height of a line of points at `x`, straight between them.
fn between(points: &[(f64, f64)], x: f64) -> f64 {
    let pair = points.windows(2).find(|pair| pair[0].0 <= x && x <= pair[1].0 && pair[1].0 > pair[0].0);
    match pair {
        Some(pair) => pair[0].1 + (pair[1].1 - pair[0].1) * (x - pair[0].0) / (pair[1].0 - pair[0].0),
        None => points.first().filter(|p| x < p.0).or(points.last()).map_or(0.0, |p| p.1),
    }
}

/// The part of a line where the marks are.
#[derive(Clone, Copy)]
struct Plot {
    top: f64,
    height: f64,
    range_ms: f64,
}

impl Plot {
    /// Early above, late below.
    fn y(&self, ms: f64) -> f64 {
        self.top + self.height / 2.0 * (1.0 + ms / self.range_ms)
    }

    /// The same, kept inside with room for a mark; true when it had to be moved.
    fn within(&self, ms: f64, r: f64) -> (f64, bool) {
        let beyond = ms.abs() > self.range_ms;
        let margin = if beyond { r * 3.0 } else { r };
        (self.y(ms).clamp(self.top + margin, self.top + self.height - margin), beyond)
    }
}
