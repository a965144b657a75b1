//! A drawing as a list of simple things in CSS pixels, before any backend has seen it: what a test can look at.

use std::sync::OnceLock;

use ab_glyph::{Font, FontRef};

/// The typeface as drawings need it, where pages need it as a web font (`markup`).
pub(in crate::report) const REGULAR: &[u8] = include_bytes!("../../../assets/fonts/NotoSerif-Regular.ttf");
pub(in crate::report) const BOLD: &[u8] = include_bytes!("../../../assets/fonts/NotoSerif-Bold.ttf");

/// A colour, as red, green and blue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Ink(pub(super) u8, pub(super) u8, pub(super) u8);

/// The ground.
pub(super) const PAPER: Ink = Ink(0xFD, 0xFC, 0xF9);
/// Text and marks.
pub(super) const INK: Ink = Ink(0x1E, 0x1E, 0x1C);
/// Lesser text.
pub(super) const GREY: Ink = Ink(0x66, 0x64, 0x5F);
/// Bar lines and the like.
pub(super) const LINE: Ink = Ink(0xC9, 0xC6, 0xBD);
/// Beat lines.
pub(super) const FAINT: Ink = Ink(0xE4, 0xE1, 0xD8);
/// The band of what nobody could hear.
pub(super) const BAND: Ink = Ink(0xEE, 0xEA, 0xDE);
/// Written rests.
pub(super) const QUIET: Ink = Ink(0xF4, 0xF2, 0xEA);
/// What should not be there: vermillion of Okabe & Ito 2008, "Color universal design".
pub(super) const FAULT: Ink = Ink(0xD5, 0x5E, 0x00);
/// The player's own pulse: blue of the same palette.
pub(super) const PULSE: Ink = Ink(0x00, 0x72, 0xB2);

/// Where a text's `x` is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// One thing to draw.
#[derive(Clone, Debug, PartialEq)]
pub(super) enum Item {
    Fill {
        points: Vec<(f64, f64)>,
        ink: Ink,
    },
    Line {
        points: Vec<(f64, f64)>,
        width: f64,
        ink: Ink,
    },
    Disc {
        x: f64,
        y: f64,
        r: f64,
        ink: Ink,
    },
    /// `y` is the base line.
    Text {
        x: f64,
        y: f64,
        size: f64,
        bold: bool,
        anchor: Anchor,
        ink: Ink,
        text: String,
    },
}

impl Item {
    /// Between which heights it may be seen: letters and the corners of thick lines reach a little beyond their points.
    pub(super) fn heights(&self) -> (f64, f64) {
        let around = |points: &[(f64, f64)], by: f64| {
            let ends = points.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), p| (a.min(p.1), b.max(p.1)));
            (ends.0 - by, ends.1 + by)
        };
        match self {
            Item::Fill { points, .. } => around(points, 1.0),
            Item::Line { points, width, .. } => around(points, 4.0 * width + 1.0),
            Item::Disc { y, r, .. } => (y - r - 1.0, y + r + 1.0),
            Item::Text { y, size, .. } => (y - 2.0 * size, y + size),
        }
    }
}

/// A drawing.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Scene {
    pub(super) width: f64,
    pub(super) height: f64,
    pub(super) items: Vec<Item>,
}

/// Corners of a polygon that passes for a circle at the size of a mark.
const ROUND: usize = 24;

impl Scene {
    pub(super) fn rect(&mut self, (x0, y0): (f64, f64), (x1, y1): (f64, f64), ink: Ink) {
        self.fill(vec![(x0, y0), (x1, y0), (x1, y1), (x0, y1)], ink);
    }

    pub(super) fn fill(&mut self, points: Vec<(f64, f64)>, ink: Ink) {
        self.items.push(Item::Fill { points, ink });
    }

    pub(super) fn line(&mut self, from: (f64, f64), to: (f64, f64), width: f64, ink: Ink) {
        self.items.push(Item::Line { points: vec![from, to], width, ink });
    }

    pub(super) fn path(&mut self, points: Vec<(f64, f64)>, width: f64, ink: Ink) {
        if points.len() > 1 {
            self.items.push(Item::Line { points, width, ink });
        }
    }

    pub(super) fn outline(&mut self, mut points: Vec<(f64, f64)>, width: f64, ink: Ink) {
        points.extend(points.first().copied());
        // One more, so that the corner where it closes is mitred like the others.
        points.extend(points.get(1).copied());
        self.path(points, width, ink);
    }

    pub(super) fn dashes(&mut self, from: (f64, f64), to: (f64, f64), (on, off): (f64, f64), width: f64, ink: Ink) {
        let length = (to.0 - from.0).hypot(to.1 - from.1);
        let along = |d: f64| (from.0 + (to.0 - from.0) * d / length, from.1 + (to.1 - from.1) * d / length);
        if length <= 0.0 || on + off <= 0.0 {
            return;
        }
        let n = (length / (on + off)).ceil() as usize;
        for i in 0..n {
            let start = i as f64 * (on + off);
            self.line(along(start), along((start + on).min(length)), width, ink);
        }
    }

    pub(super) fn disc(&mut self, x: f64, y: f64, r: f64, ink: Ink) {
        self.items.push(Item::Disc { x, y, r, ink });
    }

    pub(super) fn text(&mut self, (x, y): (f64, f64), text: impl Into<String>, pen: Pen) {
        let Pen { size, bold, anchor, ink } = pen;
        // What XML has no place for, escaped or not (XML 1.0, section 2.2).
        let text = text.into().replace(|c: char| c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}'), "");
        self.items.push(Item::Text { x, y, size, bold, anchor, ink, text });
    }

    /// Puts another drawing on this one.
    pub(super) fn place(&mut self, other: Scene, (dx, dy): (f64, f64)) {
        let shift = |points: Vec<(f64, f64)>| points.into_iter().map(|(x, y)| (x + dx, y + dy)).collect::<Vec<_>>();
        self.items.extend(other.items.into_iter().map(|item| match item {
            Item::Fill { points, ink } => Item::Fill { points: shift(points), ink },
            Item::Line { points, width, ink } => Item::Line { points: shift(points), width, ink },
            Item::Disc { x, y, r, ink } => Item::Disc { x: x + dx, y: y + dy, r, ink },
            Item::Text { x, y, size, bold, anchor, ink, text } => {
                Item::Text { x: x + dx, y: y + dy, size, bold, anchor, ink, text }
            }
        }));
    }
}

/// How a text is written.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pen {
    pub(super) size: f64,
    pub(super) bold: bool,
    pub(super) anchor: Anchor,
    pub(super) ink: Ink,
}

impl Pen {
    pub(super) const fn new(size: f64) -> Pen {
        Pen { size, bold: false, anchor: Anchor::Start, ink: INK }
    }
    pub(super) const fn grey(self) -> Pen {
        Pen { ink: GREY, ..self }
    }
    pub(super) const fn bold(self) -> Pen {
        Pen { bold: true, ..self }
    }
    pub(super) const fn middle(self) -> Pen {
        Pen { anchor: Anchor::Middle, ..self }
    }
    pub(super) const fn end(self) -> Pen {
        Pen { anchor: Anchor::End, ..self }
    }
    pub(super) const fn ink(self, ink: Ink) -> Pen {
        Pen { ink, ..self }
    }
    /// Width of a text in this hand.
    pub(super) fn width(self, text: &str) -> f64 {
        width(text, self.size, self.bold)
    }
    /// The text cut so that it is no wider than `most`.
    pub(super) fn fitted(self, text: &str, most: f64) -> String {
        let mut n = text.chars().count();
        let mut fitted = text.to_owned();
        while n > 1 && self.width(&fitted) > most {
            n -= 1;
            fitted = super::super::words::cut(text, n);
        }
        fitted
    }
    /// The text broken into lines no wider than `most`; a longer word stays whole.
    pub(super) fn wrapped(self, text: &str, most: f64) -> Vec<String> {
        let mut lines: Vec<String> = Vec::new();
        for word in text.split_whitespace() {
            match lines.last_mut().filter(|line| self.width(&format!("{line} {word}")) <= most) {
                Some(line) => {
                    line.push(' ');
                    line.push_str(word);
                }
                None => lines.push(word.to_owned()),
            }
        }
        lines
    }
}

pub(super) fn circle(x: f64, y: f64, r: f64) -> Vec<(f64, f64)> {
    let angle = |i: usize| i as f64 / ROUND as f64 * std::f64::consts::TAU;
    (0..ROUND).map(|i| (x + r * angle(i).cos(), y + r * angle(i).sin())).collect()
}

fn font(bold: bool) -> Option<&'static FontRef<'static>> {
    static FONTS: OnceLock<[Option<FontRef<'static>>; 2]> = OnceLock::new();
    let fonts = FONTS.get_or_init(|| [REGULAR, BOLD].map(|bytes| FontRef::try_from_slice(bytes).ok()));
    fonts[usize::from(bold)].as_ref()
}

/// Width of a text in pixels at a size (of the em) in pixels, without kerning; a letter the font lacks counts as an em.
pub(super) fn width(text: &str, size: f64, bold: bool) -> f64 {
    let Some(font) = font(bold) else { return text.chars().count() as f64 * size };
    let em = f64::from(font.units_per_em().unwrap_or(1000.0));
    let advance = |c: char| match font.glyph_id(c) {
        glyph if glyph.0 == 0 => 1.0,
        glyph => f64::from(font.h_advance_unscaled(glyph)) / em,
    };
    text.chars().map(advance).sum::<f64>() * size
}

/// Height of the font's own line (ascent to descent) in ems: what the bitmap backend calls the size of a text.
#[cfg(any(test, not(target_arch = "wasm32")))]
pub(super) fn line_height() -> f64 {
    font(false).map_or(1.0, |font| f64::from(font.height_unscaled()) / f64::from(font.units_per_em().unwrap_or(1000.0)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Advance widths of Noto Serif 2.004 read with fontTools from the same files: `1` is 559/1000 em in both weights.
    #[test]
    fn widths_are_those_of_the_font_file_and_figures_are_tabular() {
        for bold in [false, true] {
            for figure in '0'..='9' {
                assert!((width(&figure.to_string(), 1000.0, bold) - 559.0).abs() < 1e-9);
            }
        }
        assert!((line_height() - 1.362).abs() < 1e-6);
    }

    /// Contrast ratio as WCAG 2.2 defines it.
    fn contrast(a: Ink, b: Ink) -> f64 {
        let linear = |c: u8| match f64::from(c) / 255.0 {
            c if c <= 0.04045 => c / 12.92,
            c => ((c + 0.055) / 1.055).powf(2.4),
        };
        let light = |Ink(r, g, b): Ink| 0.2126 * linear(r) + 0.7152 * linear(g) + 0.0722 * linear(b) + 0.05;
        (light(a) / light(b)).max(light(b) / light(a))
    }

    /// WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for what carries meaning in a drawing (1.4.11), on every ground.
    #[test]
    fn every_text_and_mark_stands_out_from_its_ground() {
        for ground in [PAPER, QUIET, BAND] {
            for text in [INK, GREY] {
                assert!(contrast(text, ground) >= 4.5, "{text:?} on {ground:?}");
            }
            for mark in [FAULT, PULSE] {
                assert!(contrast(mark, ground) >= 3.0, "{mark:?} on {ground:?}");
            }
        }
        for ground in [PAPER, QUIET] {
            assert!(contrast(PULSE, ground) >= 4.5, "figures of the pulse on {ground:?}");
        }
    }

    #[test]
    fn every_letter_the_reports_use_is_in_both_weights() {
        for c in "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 &“”’–…·×±äéñçßøŁžőΩЖ".chars()
        {
            for bold in [false, true] {
                assert!(font(bold).unwrap().glyph_id(c).0 != 0, "{c}");
            }
        }
    }

    #[test]
    fn a_fitted_text_fits_and_a_wrapped_one_loses_no_word() {
        let pen = Pen::new(10.0);
        assert!(pen.width(&pen.fitted(&"W".repeat(4000), 50.0)) <= 50.0);
        let text = "one two three four five six seven";
        let lines = pen.wrapped(text, 60.0);
        assert!(lines.len() > 1 && lines.iter().all(|line| pen.width(line) <= 60.0));
        assert_eq!(lines.join(" "), text);
    }
}
