//! A practice -> its bars as they are drawn while it is played: the drawing, when it is due, where each count stands in it.

use serde::Serialize;

use crate::guide::{Guide, Practice};
use crate::part::Timeline;
use crate::report::chart::ChartError;
use crate::report::{page, shown};

/// What is drawn while a practice is played. Times are from the guide's first sample.
#[derive(Serialize)]
pub(super) struct PlanRow {
    bpm: f64,
    start_s: f64,
    length_s: f64,
    beat_s: f64,
    count_in: u32,
    /// Sections in the order they come.
    passes: Vec<String>,
    bars: Vec<BarRow>,
    /// Each drawing once: bars that look the same share it. For a phone, and for all that is wider.
    drawings: Vec<[DrawingRow; 2]>,
}

#[derive(Serialize)]
struct BarRow {
    at_s: f64,
    pass: usize,
    section: String,
    number: u32,
    /// Which time the section comes, where it comes again.
    time: String,
    drawing: usize,
}

#[derive(Serialize)]
pub(super) struct DrawingRow {
    svg: String,
    /// Where each count stands: when it is due after the bar's beginning in seconds, then left, top, width and height as shares
    /// of the drawing.
    counts: Vec<[f64; 5]>,
}

/// A bar as it is drawn: for a phone, and for all that is wider.
pub(super) fn drawn(timeline: &Timeline, bar: usize) -> Result<[DrawingRow; 2], ChartError> {
    let row = |width: u32| -> Result<DrawingRow, ChartError> {
        let counts = page::counts(timeline, bar, width);
        let counts = counts.into_iter().map(|(at, [x, y, w, h])| [at.to_seconds(timeline.bpm).get(), x, y, w, h]);
        Ok(DrawingRow { svg: page::bar(timeline, bar, width)?, counts: counts.collect() })
    };
    Ok([row(page::PHONE)?, row(page::SHEET)?])
}

pub(super) fn plan(practice: &Practice, guide: &Guide) -> Result<PlanRow, ChartError> {
    let timeline = &practice.timeline;
    let mut drawings: Vec<[DrawingRow; 2]> = Vec::new();
    let mut seen: Vec<String> = Vec::new();
    let mut bars = Vec::new();
    for (k, bar) in timeline.bars.iter().enumerate() {
        let pair = drawn(timeline, k)?;
        let drawing = seen.iter().position(|svg| *svg == pair[0].svg).unwrap_or_else(|| {
            seen.push(pair[0].svg.clone());
            drawings.push(pair);
            drawings.len() - 1
        });
        let pass = timeline.passes.get(bar.pass);
        let again = pass.is_some_and(|p| timeline.passes.iter().filter(|q| q.section == p.section).count() > 1);
        bars.push(BarRow {
            at_s: (guide.start + bar.at.to_seconds(timeline.bpm)).get(),
            pass: bar.pass,
            section: pass.map_or_else(String::new, |p| shown(&p.section)),
            number: bar.number,
            time: pass
                .filter(|_| again)
                .map_or_else(String::new, |p| format!("{} time", crate::english::ordinal(p.number))),
            drawing,
        });
    }
    Ok(PlanRow {
        bpm: timeline.bpm.get(),
        start_s: guide.start.get(),
        length_s: guide.lasts().get(),
        beat_s: timeline.meter.beat().to_seconds(timeline.bpm).get(),
        count_in: guide.count_in,
        passes: timeline.passes.iter().map(|p| shown(&p.section)).collect(),
        bars,
        drawings,
    })
}
