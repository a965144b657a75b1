//! [`Scene`]s -> a PDF, one page each, with the typeface in it, so that it prints the same everywhere and can be searched.
//!
//! Source: ISO 32000-1:2008, sections 8 (paths) and 9.7 (composite fonts: glyphs by their number in the font file).

use std::collections::BTreeMap;

use ab_glyph::{Font as _, FontRef};
use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Content, Finish as _, Name, Pdf, Rect, Ref, Str, TextStr};

use super::ChartError;
use super::scene::{Anchor, BOLD, Ink, Item, Pen, REGULAR, Scene};

/// Points to a CSS pixel: 72 and 96 to an inch.
const POINTS: f32 = 0.75;
/// A circle's quarter as a Bézier curve: 4/3 (√2 - 1).
const QUARTER: f32 = 0.552_284_8;
const IDENTITY: SystemInfo = SystemInfo { registry: Str(b"Adobe"), ordering: Str(b"Identity"), supplement: 0 };
const FONTS: [(&str, &str, &[u8]); 2] = [("F0", "NotoSerif", REGULAR), ("F1", "NotoSerif-Bold", BOLD)];

/// The letters of a weight that were used, by their glyphs.
type Used = BTreeMap<u16, char>;

/// A document.
pub(super) fn pdf(pages: &[Scene], title: &str) -> Result<Vec<u8>, ChartError> {
    let font = |bytes: &'static [u8]| FontRef::try_from_slice(bytes).map_err(|_| ChartError::Font);
    let fonts = [font(REGULAR)?, font(BOLD)?];
    let mut next = 0;
    let mut fresh = || {
        next += 1;
        Ref::new(next)
    };
    let (catalog, tree, about) = (fresh(), fresh(), fresh());
    let font_refs = [fresh(), fresh()];
    let kids: Vec<(Ref, Ref)> = pages.iter().map(|_| (fresh(), fresh())).collect();
    let mut out = Pdf::new();
    out.catalog(catalog).pages(tree).lang(TextStr("en"));
    out.document_info(about).title(TextStr(title)).producer(TextStr("pailbeat"));
    out.pages(tree).kids(kids.iter().map(|k| k.0)).count(i32::try_from(kids.len()).unwrap_or(i32::MAX));
    let mut used = [Used::new(), Used::new()];
    for (scene, (page, content)) in pages.iter().zip(&kids) {
        let (width, height) = (scene.width as f32 * POINTS, scene.height as f32 * POINTS);
        let mut written = out.page(*page);
        written.parent(tree).media_box(Rect::new(0.0, 0.0, width, height)).contents(*content);
        let mut resources = written.resources();
        let mut dictionary = resources.fonts();
        for ((name, ..), font) in FONTS.iter().zip(font_refs) {
            dictionary.pair(Name(name.as_bytes()), font);
        }
        dictionary.finish();
        resources.finish();
        written.finish();
        out.stream(*content, &drawn(scene, &fonts, &mut used));
    }
    for (i, (_, name, bytes)) in FONTS.iter().enumerate() {
        let (cid, descriptor, file, letters) = (fresh(), fresh(), fresh(), fresh());
        let name = Name(name.as_bytes());
        out.type0_font(font_refs[i])
            .base_font(name)
            .encoding_predefined(Name(b"Identity-H"))
            .descendant_font(cid)
            .to_unicode(letters);
        let em = fonts[i].units_per_em().unwrap_or(1000.0);
        let thousandth = |units: f32| units / em * 1000.0;
        let mut font = out.cid_font(cid);
        font.subtype(CidFontType::Type2).base_font(name).system_info(IDENTITY).font_descriptor(descriptor);
        font.cid_to_gid_map_predefined(Name(b"Identity")).default_width(0.0);
        let mut widths = font.widths();
        for glyph in used[i].keys() {
            widths.consecutive(*glyph, [thousandth(fonts[i].h_advance_unscaled(ab_glyph::GlyphId(*glyph)))]);
        }
        widths.finish();
        font.finish();
        let (ascent, descent) = (thousandth(fonts[i].ascent_unscaled()), thousandth(fonts[i].descent_unscaled()));
        // Height of a capital and thickness of a stem are asked for and used by nothing that has the font: from memory.
        out.font_descriptor(descriptor)
            .name(name)
            .flags(FontFlags::SYMBOLIC | FontFlags::SERIF)
            .bbox(Rect::new(-500.0, descent, 1500.0, ascent))
            .italic_angle(0.0)
            .ascent(ascent)
            .descent(descent)
            .cap_height(714.0)
            .stem_v(90.0)
            .font_file2(file);
        out.stream(file, bytes).pair(Name(b"Length1"), i32::try_from(bytes.len()).unwrap_or(i32::MAX));
        let mut map = UnicodeCmap::new(Name(b"Letters"), IDENTITY);
        for (glyph, letter) in &used[i] {
            map.pair(*glyph, *letter);
        }
        out.cmap(letters, &map.finish());
    }
    Ok(out.finish())
}

/// What is on a page, in points from its lower left corner.
fn drawn(scene: &Scene, fonts: &[FontRef; 2], used: &mut [Used; 2]) -> Vec<u8> {
    let mut out = Content::new();
    // From here on pixels downwards from the upper left corner.
    out.transform([POINTS, 0.0, 0.0, -POINTS, 0.0, scene.height as f32 * POINTS]);
    let part = |c: u8| f32::from(c) / 255.0;
    for item in &scene.items {
        match item {
            Item::Fill { points, ink: Ink(r, g, b) } => {
                out.set_fill_rgb(part(*r), part(*g), part(*b));
                path(&mut out, points);
                out.close_path().fill_nonzero();
            }
            Item::Line { points, width, ink: Ink(r, g, b) } => {
                out.set_stroke_rgb(part(*r), part(*g), part(*b)).set_line_width(*width as f32);
                path(&mut out, points);
                out.stroke();
            }
            Item::Disc { x, y, r: radius, ink: Ink(r, g, b) } => {
                out.set_fill_rgb(part(*r), part(*g), part(*b));
                let (x, y, r) = (*x as f32, *y as f32, *radius as f32);
                let k = r * QUARTER;
                out.move_to(x + r, y)
                    .cubic_to(x + r, y + k, x + k, y + r, x, y + r)
                    .cubic_to(x - k, y + r, x - r, y + k, x - r, y)
                    .cubic_to(x - r, y - k, x - k, y - r, x, y - r)
                    .cubic_to(x + k, y - r, x + r, y - k, x + r, y)
                    .fill_nonzero();
            }
            Item::Text { x, y, size, bold, anchor, ink, text } => {
                let which = usize::from(*bold);
                let wide = Pen { size: *size, bold: *bold, anchor: *anchor, ink: *ink }.width(text);
                let x = match anchor {
                    Anchor::Start => *x,
                    Anchor::Middle => x - wide / 2.0,
                    Anchor::End => x - wide,
                };
                let mut glyphs = Vec::with_capacity(2 * text.len());
                for letter in text.chars() {
                    let glyph = fonts[which].glyph_id(letter).0;
                    used[which].entry(glyph).or_insert(letter);
                    glyphs.extend(glyph.to_be_bytes());
                }
                out.begin_text()
                    .set_fill_rgb(part(ink.0), part(ink.1), part(ink.2))
                    .set_font(Name(FONTS[which].0.as_bytes()), *size as f32)
                    .set_text_matrix([1.0, 0.0, 0.0, -1.0, x as f32, *y as f32])
                    .show(Str(&glyphs))
                    .end_text();
            }
        }
    }
    out.finish().into_vec()
}

fn path(out: &mut Content, points: &[(f64, f64)]) {
    for (i, (x, y)) in points.iter().enumerate() {
        let (x, y) = (*x as f32, *y as f32);
        if i == 0 {
            out.move_to(x, y)
        } else {
            out.line_to(x, y)
        };
    }
}
