//! The timing chart, and the pupil's bar, as SVG and PNG.
//!
//! The chart reads left to right like music, in the order the bars were *played*. Each stroke stands at its lateness
//! above (early) or below (late) the line of the beat, inside or outside a band of what nobody could hear. Shape is the
//! surface; hollow is missed; a question mark could not be heard; a cross should not be there; a line under a mark is
//! both hands. Numbers under a line are those of the list of findings. Colour never says anything alone.
//!
//! Every line is a drawing of its own ([`systems`]), so that a printed page breaks between lines.

mod band;
mod counts;
mod layout;
mod legend;
mod marks;
mod notes;
mod paint;
#[cfg(feature = "edge")]
mod pdf;
mod raw;
mod scene;
mod sheet;
mod spots;
mod system;

pub(super) use counts::{Highlight, Sign, counts_places, counts_svg, sign_svg};
pub(super) use scene::{BOLD, REGULAR};

#[cfg(feature = "edge")]
pub use sheet::sheet_pdf;
pub use sheet::{Paper, SheetWish, sheet_svg};
pub use spots::{Line, Spot, lines};

use crate::assess::Assessment;

use super::played::Played;
use super::{Meta, words};
use layout::Layout;
use paint::Frame;
use scene::{Pen, Scene};
use system::Common;

/// Why there is no chart.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChartError {
    /// The embedded typeface did not load: this build is broken.
    #[error("cannot draw: the embedded typeface is damaged")]
    Font,
    /// plotters refused.
    #[error("cannot draw: {0}")]
    Backend(String),
    /// The picture did not pack.
    #[error("cannot write the picture: {0}")]
    Png(String),
    /// More pixels than are good for anyone.
    #[error("cannot draw: the picture would be {width} by {height} pixels; ask for svg or a smaller scale")]
    TooLarge {
        /// In pixels.
        width: u32,
        /// In pixels.
        height: u32,
    },
}

/// How a chart is drawn.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartStyle {
    /// Width in CSS pixels (96 to an inch): [`ChartStyle::SHEET`] fills a printed sheet, [`ChartStyle::PHONE`] a phone.
    pub width: u32,
    /// With title, the line of who and when, and the gist in words above it.
    pub heading: Option<Meta>,
    /// The typeface goes into the SVG, so that it looks the same anywhere. A page that has it already leaves it out.
    pub embed_font: bool,
    /// On a ground of its own.
    pub ground: bool,
    /// Pixels of a PNG to a CSS pixel.
    pub scale: u32,
}

impl ChartStyle {
    /// Width of a sheet of A4 or Letter within its margins.
    pub const SHEET: u32 = 700;
    /// Width of a small phone within its margins.
    pub const PHONE: u32 = 340;

    /// A chart that stands alone: a file, a README.
    pub fn alone(meta: Meta) -> ChartStyle {
        ChartStyle { width: 760, heading: Some(meta), embed_font: true, ground: true, scale: 2 }
    }
}

impl Default for ChartStyle {
    fn default() -> ChartStyle {
        ChartStyle { width: ChartStyle::SHEET, heading: None, embed_font: false, ground: false, scale: 2 }
    }
}

/// Narrowest and widest chart that is drawn; what lies outside is moved to the nearest.
const WIDTHS: std::ops::RangeInclusive<u32> = 240..=2400;
/// White around a chart that stands alone.
const MARGIN: f64 = 30.0;

/// The chart as one SVG document.
///
/// # Errors
/// [`ChartError`], none of which depends on what was played except the size.
pub fn svg(assessment: &Assessment, style: &ChartStyle) -> Result<String, ChartError> {
    let css = style.embed_font.then(super::markup::font_faces);
    let label = label(assessment);
    paint::svg(&whole(assessment, style), &Frame { label: &label, style: css.as_deref(), ground: style.ground })
}

/// The chart as a PNG picture.
///
/// # Errors
/// As [`svg`]; [`ChartError::TooLarge`] for a very long take at a large scale.
#[cfg(not(target_arch = "wasm32"))]
pub fn png(assessment: &Assessment, style: &ChartStyle) -> Result<Vec<u8>, ChartError> {
    paint::png(&whole(assessment, style), style.scale)
}

/// The chart in pieces: an SVG document for each line, the legend last.
///
/// # Errors
/// As [`svg`].
pub fn systems(assessment: &Assessment, width: u32) -> Result<Vec<String>, ChartError> {
    let label = label(assessment);
    let scenes = scenes(assessment, f64::from(width.clamp(*WIDTHS.start(), *WIDTHS.end())));
    let last = scenes.len().saturating_sub(1);
    (scenes.iter().enumerate())
        .filter(|(_, scene)| scene.height >= 1.0)
        .map(|(i, scene)| {
            let label = match i {
                0 => label.clone(),
                _ if i == last => "how to read the chart".into(),
                _ => format!("timing chart, line {}", i + 1),
            };
            paint::svg(scene, &Frame { label: &label, style: None, ground: false })
        })
        .collect()
}

/// True when the chart has more lines than stand beside words on one side of a sheet.
pub(super) fn fills_a_side(systems: &[String]) -> bool {
    systems.len() > layout::MANY_LINES + 1
}

/// What is read aloud instead of the chart.
fn label(assessment: &Assessment) -> String {
    format!("Timing chart. {} The same in words stands below it.", words::gist(assessment).join(" "))
}

/// One drawing for each line, and the legend.
fn scenes(assessment: &Assessment, width: f64) -> Vec<Scene> {
    if assessment.clock.is_none() {
        return vec![raw::raw(assessment, width), Scene::default()];
    }
    let played = Played::of(assessment);
    let layout = Layout::of(assessment, &played, width);
    let common = Common { assessment, played: &played, layout: &layout, tempi: system::tempi(&played), width };
    let notes = notes::notes(assessment, &played, &layout, width);
    let mut scenes = layout.lines.iter().zip(&notes).map(|(line, notes)| common.draw(line, notes)).collect::<Vec<_>>();
    if let (Some(scene), Some(said)) = (scenes.last_mut(), ending(assessment, &played)) {
        let pen = Pen::new(9.5).grey();
        scene.text((layout::GUTTER, scene.height), said, pen);
        scene.height += 14.0;
    }
    scenes.push(legend::legend(&common));
    scenes
}

/// What was written and not played after the last bar, and what was played outside all bars.
fn ending(assessment: &Assessment, played: &Played) -> Option<String> {
    let mut said = Vec::new();
    let bars = &assessment.timeline.bars;
    if !played.not_reached.is_empty() && !played.runs.is_empty() {
        let first = bars.get(played.not_reached.start);
        let pass = first.and_then(|bar| assessment.timeline.passes.get(bar.pass));
        let from = pass.zip(first).map_or(String::new(), |(pass, bar)| {
            format!(", from {} bar {}", words::clean(&pass.section, 24), bar.number)
        });
        said.push(format!("{} not reached{from}", words::count(played.not_reached.len(), "bar", "bars")));
    }
    if played.before > 0 {
        said.push(format!("{} before the first stroke", words::count(played.before, "strike", "strikes")));
    }
    if played.outside > 0 {
        said.push(format!("{} outside these bars", words::count(played.outside, "strike", "strikes")));
    }
    (!said.is_empty()).then(|| words::capital(&format!("{}.", said.join("; "))))
}

/// All of it on one sheet.
fn whole(assessment: &Assessment, style: &ChartStyle) -> Scene {
    let width = f64::from(style.width.clamp(*WIDTHS.start(), *WIDTHS.end()));
    let margin = if style.ground { MARGIN } else { 0.0 };
    let inner = width - 2.0 * margin;
    let mut sheet = Scene { width, height: margin, items: Vec::new() };
    if let Some(meta) = &style.heading {
        let title = Pen::new(21.0).bold();
        sheet.height += 18.0;
        sheet.text(
            (margin, sheet.height),
            title.fitted(&words::clean(&assessment.timeline.title, words::NAME), inner),
            title,
        );
        let mut who = words::who_and_when(assessment, meta);
        who.push(words::tempo(assessment));
        let mut lines = vec![(who.join(" · "), Pen::new(10.5).grey())];
        lines.push((words::gist(assessment).join(" "), Pen::new(12.0)));
        for (text, pen) in lines {
            sheet.height += 5.0;
            for line in pen.wrapped(&text, inner) {
                sheet.height += pen.size * 1.35;
                sheet.text((margin, sheet.height), pen.fitted(&line, inner), pen);
            }
        }
        sheet.height += 16.0;
    }
    for scene in scenes(assessment, inner) {
        let top = sheet.height;
        sheet.height += scene.height;
        sheet.place(scene, (margin, top));
    }
    sheet.height += margin.max(2.0);
    sheet
}
