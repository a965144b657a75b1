//! A [`Scene`] -> SVG text or PNG bytes, by plotters.
//!
//! plotters counts in whole pixels, so everything is drawn on a finer grid: tenths of a CSS pixel in SVG, and in a
//! bitmap [`OVER`] times as fine as the picture, which is then averaged down.

use plotters::coord::Shift;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::super::markup::{FAMILY, escape};
use super::ChartError;
use super::scene::{Anchor, Ink, Item, PAPER, Scene};

/// Grid lines to a CSS pixel in SVG.
const SVG_GRID: f64 = 10.0;
/// An SVG text of plotters' size s has an em of s / 1.24 and, anchored at its top, its base line 0.76 em below
/// (plotters-svg 0.3.7, `draw_text`).
const SVG_TEXT: TextGrid = TextGrid { size: 1.24, base: 0.76 };

/// How a backend understands the size of a text.
#[derive(Clone, Copy)]
struct TextGrid {
    /// plotters' size over the em.
    size: f64,
    /// From the anchor at the top down to the base line, in ems.
    base: f64,
}

/// What stands around the drawing in an SVG document.
pub(super) struct Frame<'a> {
    /// Read aloud instead of the drawing.
    pub(super) label: &'a str,
    /// A style sheet to put inside, such as the font.
    pub(super) style: Option<&'a str>,
    /// With a ground of its own, not that of the page.
    pub(super) ground: bool,
}

pub(super) fn svg(scene: &Scene, frame: &Frame) -> Result<String, ChartError> {
    register()?;
    let size = grid_size(scene, SVG_GRID)?;
    let mut drawn = String::new();
    {
        let area = SVGBackend::with_string(&mut drawn, size).into_drawing_area();
        draw(&area, scene.items.iter(), SVG_GRID, 0, SVG_TEXT)?;
        area.present().map_err(backend)?;
    }
    // plotters opens with a size in grid units and no name; the page wants pixels, a name and no ids.
    let body = drawn.split_once(">\n").map_or("", |(_, body)| body);
    let mut out = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {} {}\" role=\"img\" aria-label=\"{}\">\n",
        scene.width.ceil(),
        scene.height.ceil(),
        size.0,
        size.1,
        escape(frame.label)
    );
    if let Some(style) = frame.style {
        out.push_str(&format!("<style>{style}</style>\n"));
    }
    if frame.ground {
        let Ink(r, g, b) = PAPER;
        out.push_str(&format!("<rect width=\"{}\" height=\"{}\" fill=\"#{r:02X}{g:02X}{b:02X}\"/>\n", size.0, size.1));
    }
    let body = body.replace(" opacity=\"1\"", "").replace("\n</text>", "</text>").replace(" \"/>", "\"/>");
    let body = body.replace(
        &format!("font-family=\"{FAMILY}\""),
        &format!("font-family=\"'{FAMILY}', 'Source Serif 4', Georgia, serif\""),
    );
    // A text's own line break would be a space at its end.
    out.push_str(&body.lines().fold(String::with_capacity(body.len()), |mut text, line| {
        text.push_str(line);
        if !line.starts_with("<text") || line.ends_with("</text>") {
            text.push('\n');
        }
        text
    }));
    Ok(out)
}

/// Finer grid than the picture's own pixels, for smooth edges.
#[cfg(not(target_arch = "wasm32"))]
const OVER: usize = 3;

/// Most pixels of the finer grid, for the time it takes; a chart of a hundred bars needs a tenth.
#[cfg(not(target_arch = "wasm32"))]
const MOST_PIXELS: u64 = 130_000_000;
/// Rows of the picture drawn at a time, with whatever reaches into them: some ten megabytes of the finer grid.
#[cfg(not(target_arch = "wasm32"))]
const ROWS: u32 = 400;

/// A picture with `scale` pixels to a CSS pixel.
#[cfg(not(target_arch = "wasm32"))]
pub(super) fn png(scene: &Scene, scale: u32) -> Result<Vec<u8>, ChartError> {
    use std::io::Write as _;
    register()?;
    let scale = scale.max(1);
    let (width, height) = grid_size(scene, f64::from(scale))?;
    let over = OVER as u32;
    let pixels = u64::from(width) * u64::from(height) * u64::from(over * over);
    if pixels > MOST_PIXELS {
        return Err(ChartError::TooLarge { width, height });
    }
    let packed = |why: &dyn std::fmt::Display| ChartError::Png(why.to_string());
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, width, height);
    encoder.set_color(png::ColorType::Rgb);
    encoder.set_depth(png::BitDepth::Eight);
    let mut writer = encoder.write_header().map_err(|e| packed(&e))?;
    let mut stream = writer.stream_writer().map_err(|e| packed(&e))?;
    for from in (0..height).step_by(ROWS as usize) {
        let rows = ROWS.min(height - from);
        stream.write_all(&strip(scene, scale, width, from..from + rows)?).map_err(|e| packed(&e))?;
    }
    stream.finish().map_err(|e| packed(&e))?;
    writer.finish().map_err(|e| packed(&e))?;
    Ok(out)
}

/// Some rows of the picture.
#[cfg(not(target_arch = "wasm32"))]
fn strip(scene: &Scene, scale: u32, width: u32, rows: std::ops::Range<u32>) -> Result<Vec<u8>, ChartError> {
    let over = OVER as u32;
    let grid = f64::from(scale * over);
    let within = f64::from(rows.start) / f64::from(scale)..f64::from(rows.end) / f64::from(scale);
    let reaches = |item: &&Item| item.heights().1 >= within.start && item.heights().0 <= within.end;
    let items: Vec<&Item> = scene.items.iter().filter(reaches).collect();
    // plotters draws what reaches beyond its area otherwise than what does not: the area begins where the highest thing
    // does and ends where the lowest does.
    let highest = items.iter().map(|item| item.heights().0).fold(within.start, f64::min);
    let lowest = items.iter().map(|item| item.heights().1).fold(within.end, f64::max);
    let all = scene.height.ceil() * grid;
    let top = ((highest * grid).floor().max(0.0) as u32).min(rows.start * over);
    let bottom = ((lowest * grid).ceil().min(all) as u32).max(rows.end * over);
    let (fine_width, fine_height) = (width * over, bottom - top);
    let mut fine = vec![0u8; fine_width as usize * fine_height as usize * 3];
    {
        // ab_glyph's scale is the height of the font's line, and plotters puts half of it above the base line
        // (plotters 0.3.7, style/font/ab_glyph.rs).
        let line = super::scene::line_height();
        let text = TextGrid { size: line, base: line / 2.0 };
        let area = BitMapBackend::with_buffer(&mut fine, (fine_width, fine_height)).into_drawing_area();
        let Ink(r, g, b) = PAPER;
        area.fill(&RGBColor(r, g, b)).map_err(backend)?;
        draw(&area, items.into_iter(), grid, top as i32, text)?;
        area.present().map_err(backend)?;
    }
    let above = (rows.start * over - top) as usize * fine_width as usize * 3;
    Ok(average(fine.get(above..).unwrap_or_default(), width as usize, (rows.end - rows.start) as usize))
}

/// Each pixel the mean of the [`OVER`] by [`OVER`] finer ones.
#[cfg(not(target_arch = "wasm32"))]
fn average(fine: &[u8], width: usize, height: usize) -> Vec<u8> {
    let stride = width * OVER * 3;
    let mut out = Vec::with_capacity(width * height * 3);
    for y in 0..height {
        let rows = (0..OVER).map(|dy| fine.get((y * OVER + dy) * stride..).unwrap_or_default()).collect::<Vec<_>>();
        for x in 0..width {
            for channel in 0..3 {
                let columns = (0..OVER).map(|dx| (x * OVER + dx) * 3 + channel);
                let sum = columns
                    .flat_map(|i| rows.iter().map(move |row| u32::from(row.get(i).copied().unwrap_or(255))))
                    .sum::<u32>();
                out.push((sum / (OVER * OVER) as u32) as u8);
            }
        }
    }
    out
}

/// Largest side of a drawing, in CSS pixels: what plotters' 32-bit grid holds with room to spare.
const MOST_SIDE: f64 = 200_000.0;

fn grid_size(scene: &Scene, grid: f64) -> Result<(u32, u32), ChartError> {
    let fits = |side: f64| (1.0..=MOST_SIDE).contains(&side);
    if !fits(scene.width) || !fits(scene.height) {
        return Err(ChartError::TooLarge { width: scene.width as u32, height: scene.height as u32 });
    }
    Ok(((scene.width.ceil() * grid) as u32, (scene.height.ceil() * grid) as u32))
}

/// Draws things on an area that begins `down` dots of the grid below the drawing's top.
fn draw<'a, DB: DrawingBackend>(
    area: &DrawingArea<DB, Shift>,
    items: impl Iterator<Item = &'a Item>,
    grid: f64,
    down: i32,
    text_grid: TextGrid,
) -> Result<(), ChartError> {
    let at = |(x, y): (f64, f64)| ((x * grid).round() as i32, (y * grid).round() as i32 - down);
    let stroke = |width: f64| (width * grid).round().max(1.0) as u32;
    for item in items {
        match item {
            Item::Fill { points, ink } => {
                let points = points.iter().copied().map(at).collect::<Vec<_>>();
                area.draw(&Polygon::new(points, colour(*ink).filled())).map_err(backend)?;
            }
            Item::Line { points, width, ink } => {
                let points = points.iter().copied().map(at).collect::<Vec<_>>();
                area.draw(&PathElement::new(points, colour(*ink).stroke_width(stroke(*width)))).map_err(backend)?;
            }
            Item::Disc { x, y, r, ink } => {
                let radius = (r * grid).round().max(1.0) as i32;
                area.draw(&Circle::new(at((*x, *y)), radius, colour(*ink).filled())).map_err(backend)?;
            }
            Item::Text { x, y, size, bold, anchor, ink, text } => {
                let weight = if *bold { FontStyle::Bold } else { FontStyle::Normal };
                let across = match anchor {
                    Anchor::Start => HPos::Left,
                    Anchor::Middle => HPos::Center,
                    Anchor::End => HPos::Right,
                };
                // `FontDesc::style` would keep the file of the weight it had before.
                let font = FontDesc::new(FontFamily::Name(FAMILY), size * grid * text_grid.size, weight);
                let ink = colour(*ink);
                let style = TextStyle::from(font).color(&ink).pos(Pos::new(across, VPos::Top));
                let top = at((*x, y - size * text_grid.base));
                area.draw(&Text::new(text.as_str(), top, style)).map_err(backend)?;
            }
        }
    }
    Ok(())
}

fn colour(Ink(r, g, b): Ink) -> RGBColor {
    RGBColor(r, g, b)
}

fn backend<E: std::error::Error + Send + Sync>(error: DrawingAreaErrorKind<E>) -> ChartError {
    ChartError::Backend(error.to_string())
}

/// plotters finds no font before it is told of one.
#[cfg(not(target_arch = "wasm32"))]
fn register() -> Result<(), ChartError> {
    use std::sync::OnceLock;
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = DONE.get_or_init(|| {
        let fonts = [(FontStyle::Normal, super::scene::REGULAR), (FontStyle::Bold, super::scene::BOLD)];
        fonts.into_iter().all(|(style, bytes)| plotters::style::register_font(FAMILY, style, bytes).is_ok())
    });
    if *done { Ok(()) } else { Err(ChartError::Font) }
}

/// In a browser the page brings the font.
#[cfg(target_arch = "wasm32")]
fn register() -> Result<(), ChartError> {
    Ok(())
}

#[cfg(all(test, not(target_arch = "wasm32")))]
mod tests {
    use super::super::scene::{FAULT, INK, Pen};
    use super::*;

    #[test]
    fn a_picture_of_several_strips_is_that_of_one() {
        register().unwrap();
        let mut scene = Scene { width: 120.0, height: 90.0, items: Vec::new() };
        scene.rect((5.0, 3.0), (60.0, 80.0), FAULT);
        scene.fill(vec![(70.0, 10.0), (110.0, 44.0), (75.0, 85.0)], INK);
        scene.outline(vec![(10.0, 12.0), (50.0, 70.0), (12.0, 64.0)], 3.0, INK);
        scene.dashes((2.0, 2.0), (118.0, 88.0), (4.0, 2.0), 1.5, INK);
        for k in 0..6u8 {
            let y = 8.0 + 14.3 * f64::from(k);
            scene.disc(95.0, y, 5.0, INK);
            scene.text((20.0, y), "gjÉq 96", Pen::new(12.0));
        }
        let whole = strip(&scene, 2, 240, 0..180).unwrap();
        assert!(whole.chunks(3).filter(|p| p[0] < 90).count() > 500, "hardly anything is drawn");
        for rows in [1, 17, 96] {
            let all: Vec<u8> = (0..180)
                .step_by(rows)
                .flat_map(|from| strip(&scene, 2, 240, from..(from + rows as u32).min(180)).unwrap())
                .collect();
            assert!(all == whole, "strips of {rows}");
        }
    }
}
