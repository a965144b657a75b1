//! Where the marks of the chart stand and when they sound: for hearing a take from any place of its chart.

use std::ops::Range;

use crate::assess::Assessment;
use crate::units::{Seconds, Ticks};

use super::super::listing;
use super::super::played::{Mark, Played};
use super::layout::Layout;
use super::{ChartError, WIDTHS, system, systems};

/// One line of the chart, and what stands in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// The drawing.
    pub svg: String,
    /// Its marks, from left to right.
    pub spots: Vec<Spot>,
}

/// A mark of the chart.
#[derive(Clone, Debug, PartialEq)]
pub struct Spot {
    /// From the left and from the top, in pixels of the drawing.
    pub place: (f64, f64),
    /// When it sounds in the recording; for a stroke that was not heard, when it should have.
    pub at: Seconds,
    /// Where it stands in the form.
    pub written: Ticks,
    /// Index into the timeline's bars.
    pub bar: usize,
    /// Index of the stroke, where one is written.
    pub stroke: Option<usize>,
    /// Whether a strike was heard there.
    pub heard: bool,
    /// The section and which time it comes: `B, second time`.
    pub section: String,
    /// What stands there: `2& rim 12 early`.
    pub words: String,
}

/// The chart in pieces as [`systems`] gives them, each with its marks; the legend, which has none, comes last.
///
/// # Errors
/// As [`systems`].
pub fn lines(assessment: &Assessment, width: u32) -> Result<Vec<Line>, ChartError> {
    let drawings = systems(assessment, width)?;
    if assessment.clock.is_none() {
        return Ok(drawings.into_iter().map(|svg| Line { svg, spots: Vec::new() }).collect());
    }
    let width = f64::from(width.clamp(*WIDTHS.start(), *WIDTHS.end()));
    let played = Played::of(assessment);
    let layout = Layout::of(assessment, &played, width);
    let common = system::Common { assessment, played: &played, layout: &layout, tempi: system::tempi(&played), width };
    let mut spots: Vec<Vec<Spot>> = layout
        .lines
        .iter()
        .map(|line| {
            let mut spots: Vec<Spot> = common
                .spots(line)
                .into_iter()
                .filter_map(|(mark, x, y, run)| spot(assessment, &played, &mark, (x, y), run))
                .collect();
            spots.sort_by(|a, b| a.place.0.total_cmp(&b.place.0));
            spots
        })
        .collect();
    spots.reverse();
    Ok(drawings.into_iter().map(|svg| Line { svg, spots: spots.pop().unwrap_or_default() }).collect())
}

fn spot(assessment: &Assessment, played: &Played, mark: &Mark, place: (f64, f64), run: usize) -> Option<Spot> {
    let marks = played.runs.get(run).map(|run| run.marks.as_slice())?;
    Some(Spot {
        place,
        at: sounds(assessment, marks, mark)?,
        written: mark.at,
        bar: mark.bar,
        stroke: mark.stroke,
        heard: mark.strike.is_some(),
        section: listing::section(&assessment.timeline, mark.bar),
        words: listing::said(assessment, mark)?,
    })
}

/// When a mark sounds: its strike, else between those around it in proportion, else by the tempo from the nearest.
fn sounds(assessment: &Assessment, marks: &[Mark], mark: &Mark) -> Option<Seconds> {
    let struck = |mark: &Mark| Some((mark.at, assessment.strikes.get(mark.strike?)?.at));
    if let Some((_, at)) = struck(mark) {
        return Some(at);
    }
    let points: Vec<(Ticks, Seconds)> = marks.iter().filter_map(struck).collect();
    let next = points.partition_point(|p| p.0 < mark.at);
    let pair: Range<usize> = next.saturating_sub(1)..(next + 1).min(points.len());
    match points.get(pair)? {
        [(from, t0), (to, t1)] if *to > *from => {
            let share = (mark.at - *from).0 as f64 / (*to - *from).0 as f64;
            Seconds::new(t0.get() + (t1.get() - t0.get()) * share)
        }
        [(from, t0), ..] => {
            let quarter = assessment.clock?.bpm.quarter().get();
            let apart = (mark.at - *from).0 as f64 / Ticks::PER_QUARTER as f64;
            Seconds::new((t0.get() + apart * quarter).max(0.0))
        }
        _ => None,
    }
}
