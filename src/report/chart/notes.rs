//! The findings' numbers under their places in a line, each with two or three words where there is room.
//!
//! The number is that of the list of findings. Where many stand close together the words give way and the numbers stay.

use crate::assess::{Assessment, Finding, Passes, say};

use super::super::played::{Played, Seam};
use super::layout::{Cell, Layout};
use super::scene::{INK, Pen, Scene};

/// Height of a row of notes.
pub(super) const ROW: f64 = 12.5;
/// Rows before words give way to numbers.
const ROWS: usize = 3;
/// Free space between two notes of a row.
const APART: f64 = 7.0;
const SIZE: f64 = 9.5;
/// Height of figures and of the tallest letters above the line, as shares of the size, with a little air.
const FIGURE: f64 = 0.8;
const ASCENT: f64 = 1.1;

/// One note in its place.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Note {
    /// Where the tick or bracket begins and ends.
    pub(super) from: f64,
    pub(super) to: f64,
    pub(super) row: usize,
    /// Left end of the text.
    x: f64,
    number: String,
    words: String,
}

/// Where a finding stands in the chart: index of its line, and from where to where.
fn spot(assessment: &Assessment, played: &Played, layout: &Layout, finding: &Finding) -> Option<(usize, f64, f64)> {
    let timeline = &assessment.timeline;
    let place = finding.place.as_ref()?;
    let own = place.pass(timeline)?;
    let bars = place.bars.clone();
    // The same bar of every pass it may be meant in.
    let inside = place.bar.unwrap_or(bars.start).min(bars.start).checked_sub(own.bars.start)?;
    let passes = timeline.passes.iter().filter(|p| p.section == own.section);
    let passes = passes.filter(|p| place.passes != Passes::This || p.number == own.number);
    let firsts = passes.map(|p| p.bars.start.saturating_add(inside)).collect::<Vec<_>>();
    let (number, last) = (bars.start, bars.end.saturating_sub(1));
    let cells = (layout.lines.iter().enumerate())
        .flat_map(|(line, cells)| cells.iter().map(move |cell| (line, cell)))
        .filter(|(_, cell)| firsts.contains(&cell.bar))
        .collect::<Vec<_>>();
    // Where the bar was played more than once, the time of the finding says which.
    let began = |cell: &Cell| played.runs.get(cell.run).map(|run| run.from);
    let now = |cell: &Cell| finding.at.is_none_or(|at| began(cell).is_none_or(|from| from <= at));
    let found = cells.iter().rev().find(|(_, cell)| now(cell) && finding.at.is_some());
    let Some(&(line, cell)) = found.or(cells.first()) else { return left_out(played, layout, &firsts) };
    let moment = finding.beat(timeline).and(finding.moment(timeline));
    let whole = last > number || moment.is_none();
    if whole {
        let end = (layout.lines.get(line)?.iter())
            .filter(|c| {
                c.run == cell.run && c.bar >= cell.bar && c.bar <= cell.bar.saturating_add(last.saturating_sub(number))
            })
            .map(|c| c.x + layout.bar)
            .fold(cell.x, f64::max);
        return Some((line, cell.x + 2.0, if last > number { end - 2.0 } else { cell.x + 2.0 }));
    }
    // At the same place in the bar, in whichever pass it is drawn.
    let from = timeline.bars.get(place.bar.unwrap_or(bars.start))?.at;
    let at = timeline.bars.get(cell.bar)?.at + (moment.unwrap_or(from) - from);
    let x = layout.x(timeline, cell, at);
    Some((line, x, x))
}

/// Bars that were left out have no place of their own; the seam where they are missing has.
fn left_out(played: &Played, layout: &Layout, bars: &[usize]) -> Option<(usize, f64, f64)> {
    let run = played.runs.iter().position(|run| match &run.seam {
        Seam::Late(missing) | Seam::On(missing) => bars.iter().any(|bar| missing.contains(bar)),
        Seam::Beginning | Seam::Back => false,
    })?;
    let first = played.runs.get(run)?.bars.start;
    layout.lines.iter().enumerate().find_map(|(line, cells)| {
        let cell = cells.iter().find(|cell| cell.run == run && cell.bar == first)?;
        Some((line, cell.x, cell.x))
    })
}

/// The notes of every line.
pub(super) fn notes(assessment: &Assessment, played: &Played, layout: &Layout, width: f64) -> Vec<Vec<Note>> {
    let mut wanted: Vec<Vec<(f64, f64, usize)>> = vec![Vec::new(); layout.lines.len()];
    for (i, statement) in assessment.statements().into_iter().enumerate() {
        for finding in assessment.findings.get(statement).unwrap_or_default() {
            if let Some((line, from, to)) = spot(assessment, played, layout, finding)
                && let Some(line) = wanted.get_mut(line)
            {
                line.push((from, to, i));
            }
        }
    }
    wanted
        .into_iter()
        .map(|mut line| {
            line.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.2.cmp(&b.2)));
            let worded = set(assessment, &line, width, true);
            if worded.iter().all(|note| note.row < ROWS) { worded } else { set(assessment, &line, width, false) }
        })
        .collect()
}

/// Each note in the first row where it does not touch another.
fn set(assessment: &Assessment, line: &[(f64, f64, usize)], width: f64, worded: bool) -> Vec<Note> {
    // Findings at one place share a note when there is no room for words.
    let statements = assessment.statements();
    let mut groups: Vec<(f64, f64, Vec<usize>)> = Vec::new();
    for (from, to, i) in line {
        match groups.last_mut().filter(|g| !worded && (from - g.0).abs() < 12.0) {
            Some(group) if group.2.contains(i) => {}
            Some(group) => group.2.push(*i),
            None => groups.push((*from, *to, vec![*i])),
        }
    }
    let drafts: Vec<Draft> = (groups.into_iter())
        .map(|(from, to, findings)| {
            let number = numbers(&findings);
            let first = findings.first().and_then(|i| assessment.findings.get(statements.get(*i)?.start));
            let words = first.filter(|_| worded).map(say::short).unwrap_or_default();
            let after = if words.is_empty() { 0.0 } else { 3.5 + Pen::new(SIZE).width(&words) };
            let long = Pen::new(SIZE).bold().width(&number) + after;
            Draft { from, to, number, words, long }
        })
        .collect();
    // Words begin at their tick; where they would leave the sheet they end there, and so may those before them.
    let leaves = |draft: &Draft| draft.from - 1.5 + draft.long + 1.0 > width;
    let ending = drafts.iter().position(leaves).unwrap_or(drafts.len());
    let lowest = |notes: &Vec<Note>| notes.iter().map(|note| note.row).max();
    (0..=ending).rev().filter_map(|first| placed(&drafts, first)).min_by_key(lowest).unwrap_or_default()
}

/// A note without its place.
struct Draft {
    from: f64,
    to: f64,
    number: String,
    words: String,
    long: f64,
}

/// Each note in the highest row where neither its words nor its tick meet another's; from `ending` on the words end at
/// their ticks. `None` where a tick would meet words whatever the row; where all words end at their ticks none does.
fn placed(drafts: &[Draft], ending: usize) -> Option<Vec<Note>> {
    let mut notes: Vec<Note> = Vec::new();
    let mut rows: Vec<Vec<(f64, f64)>> = Vec::new();
    // A note that must give way drops below those its words would run into, where its tick meets no words: before
    // `ending` those to its right, after it those to its left.
    let order = (0..ending.min(drafts.len())).rev().chain(ending..drafts.len());
    for (k, draft) in order.filter_map(|k| drafts.get(k).map(|draft| (k, draft))) {
        let Draft { from, long, .. } = *draft;
        let x = if k < ending { from - 1.5 } else { from + 1.5 - long }.max(0.0);
        let free = |row: &[(f64, f64)], left: f64, right: f64| row.iter().all(|(a, b)| right <= *a || *b <= left);
        let tick_free = |row: usize| rows.iter().take(row).all(|above| free(above, from - 2.0, from + 2.0));
        let text_free = |row: usize| rows.get(row).is_none_or(|row| free(row, x - APART, x + long + APART));
        let row = (0..=rows.len()).find(|row| text_free(*row) && (ending == 0 || tick_free(*row)))?;
        if row == rows.len() {
            rows.push(Vec::new());
        }
        rows[row].push((x, x + long));
        for above in &mut rows[..row] {
            above.push((from - APART / 2.0, from + APART / 2.0));
        }
        let (number, words) = (draft.number.clone(), draft.words.clone());
        notes.push(Note { from, to: draft.to, row, x, number, words });
    }
    Some(notes)
}

/// `3`, `3, 5`, `3 to 6`.
fn numbers(findings: &[usize]) -> String {
    let run = findings.windows(2).all(|pair| pair[1] == pair[0] + 1) && findings.len() > 2;
    match findings {
        [first, .., last] if run => format!("{} to {}", first + 1, last + 1),
        _ => findings.iter().map(|i| (i + 1).to_string()).collect::<Vec<_>>().join(", "),
    }
}

/// Draws the notes of a line: ticks begin at `axis` where no bar number stands in the way, words below `top`.
pub(super) fn draw(scene: &mut Scene, notes: &[Note], axis: f64, top: f64, numbers: &[f64]) {
    for note in notes {
        let base = top + (note.row as f64 + 1.0) * ROW - 1.5;
        if note.to > note.from {
            scene.path(
                vec![(note.from, top - 2.0), (note.from, top + 1.0), (note.to, top + 1.0), (note.to, top - 2.0)],
                0.9,
                INK,
            );
        } else {
            let free = numbers.iter().all(|x| (x - note.from).abs() > 9.0);
            // Letters stand higher than the figure that a tick usually ends above.
            let clear = if note.x + 3.0 < note.from { ASCENT } else { FIGURE };
            scene.line((note.from, if free { axis } else { top - 1.0 }), (note.from, base - SIZE * clear), 0.9, INK);
        }
        scene.text((note.x, base), note.number.clone(), Pen::new(SIZE).bold());
        if !note.words.is_empty() {
            let after = note.x + Pen::new(SIZE).bold().width(&note.number) + 3.5;
            scene.text((after, base), note.words.clone(), Pen::new(SIZE));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_at_the_right_edge_stand_in_order_and_no_tick_crosses_words() {
        let draft = |from: f64| Draft { from, to: from, number: "1".into(), words: "rest".into(), long: 120.0 };
        // Both would leave a sheet of 600; a third has room.
        let drafts = [draft(250.0), draft(520.0), draft(560.0)];
        let mut notes = placed(&drafts, 1).unwrap();
        notes.sort_by(|a, b| a.from.total_cmp(&b.from));
        assert_eq!(notes.iter().map(|n| n.row).collect::<Vec<_>>(), [0, 0, 1]);
        for (note, other) in notes.iter().flat_map(|a| notes.iter().map(move |b| (a, b))).filter(|(a, b)| a != b) {
            let crosses = other.row > note.row && note.x < other.from && other.from < note.x + 120.0;
            let meets = other.row == note.row && note.x < other.x + 120.0 && other.x < note.x + 120.0;
            assert!(!crosses && !meets && note.x + 120.0 < 600.0, "{note:?} {other:?}");
        }
    }
}
