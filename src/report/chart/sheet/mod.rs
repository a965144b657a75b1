//! The practice sheet: [`Part`] -> pages for the stand, as SVG or PDF. Black on white, A4 or US Letter.
//!
//! Each cell is a column of hand, shape, count and syllable, so that a child may read whichever line helps. A written rest is a
//! place with its count, framed and called *wait*: it is something one does. Repeats say in words how often; a join is written
//! where it happens, at the head of the section that is joined on. Tempo steps are ticked off, one's own record.

mod bar;
mod steps;

use super::scene::{Ink, Pen, Scene};
use super::{ChartError, marks, paint, words};
use crate::part::{Act, Hands, Part, Section, Surface};
use bar::{Look, Row};

pub(super) const BLACK: Ink = Ink(0, 0, 0);
pub(super) const WHITE: Ink = Ink(255, 255, 255);
/// CSS pixels to a millimetre.
const MM: f64 = 96.0 / 25.4;
/// What both papers have room for, in pixels.
const WIDE: f64 = 186.0 * MM;
/// Printers leave a few millimetres white.
const MARGIN: f64 = 12.0 * MM;
/// White between two rows of bars, and before a section.
const BETWEEN: f64 = 6.0;
const BEFORE_SECTION: f64 = 10.0;
/// White between two bars of a row.
const GUTTER: f64 = 16.0;

/// Where half a row is free.
const ADVICE: [&str; 3] =
    ["Say it before you play it.", "Then say it while you play it.", "In the waits, keep on counting."];

/// What is printed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// 210 by 297 mm.
    #[default]
    A4,
    /// 8.5 by 11 inches.
    Letter,
}

impl Paper {
    fn size(self) -> (f64, f64) {
        match self {
            Paper::A4 => (210.0 * MM, 297.0 * MM),
            Paper::Letter => (816.0, 1056.0),
        }
    }
}

/// What is wished of a sheet.
#[derive(Clone, Debug, Default)]
pub struct SheetWish {
    /// On which paper.
    pub paper: Paper,
    /// One bar a row, half as large again: two children read it at one stand.
    pub large: bool,
    /// This section alone.
    pub section: Option<String>,
}

/// The pages of a part's sheet, each an SVG document.
///
/// # Errors
/// If it cannot be drawn; a section that the part does not have gives no page.
pub fn sheet_svg(part: &Part, wish: &SheetWish) -> Result<Vec<String>, ChartError> {
    let pages = pages(part, wish);
    let css = super::super::page::font_faces();
    let count = pages.len();
    (pages.iter().enumerate())
        .map(|(i, scene)| {
            let label = format!("practice sheet of {}, page {} of {count}", part.title, i + 1);
            paint::svg(scene, &paint::Frame { label: &label, style: Some(&css), ground: false })
        })
        .collect()
}

/// The same as one PDF.
///
/// # Errors
/// As [`sheet_svg`].
#[cfg(feature = "edge")]
pub fn sheet_pdf(part: &Part, wish: &SheetWish) -> Result<Vec<u8>, ChartError> {
    super::pdf::pdf(&pages(part, wish), &part.title)
}

/// Something as wide as the page with the height it takes; what it is drawn with is decided before it has a place.
struct Block {
    height: f64,
    scene: Scene,
    /// It does not stand at the foot of a page without the next.
    with_next: bool,
}

fn pages(part: &Part, wish: &SheetWish) -> Vec<Scene> {
    let (width, height) = wish.paper.size();
    let look = Look::of(wish.large);
    let blocks = blocks(part, wish, &look);
    // Several pages have a line at their foot.
    let whole = blocks.iter().map(|b| b.height).sum::<f64>() <= height - 2.0 * MARGIN;
    let bottom = height - MARGIN - if whole { 0.0 } else { 16.0 };
    let mut out: Vec<Scene> = Vec::new();
    let mut y = f64::INFINITY;
    for (i, block) in blocks.iter().enumerate() {
        // With what must not be parted from it.
        let together = blocks[i..].iter().scan(true, |more, b| {
            (*more).then(|| {
                *more = b.with_next;
                b.height
            })
        });
        let together: f64 = together.sum();
        if y + together.min(bottom - MARGIN) > bottom {
            let mut page = Scene { width, height, items: Vec::new() };
            page.rect((0.0, 0.0), (width, height), WHITE);
            out.push(page);
            y = MARGIN;
        }
        if let Some(page) = out.last_mut() {
            page.place(block.scene.clone(), ((width - WIDE) / 2.0, y));
        }
        y += block.height;
    }
    let count = out.len();
    for (i, page) in out.iter_mut().enumerate() {
        let pen = Pen::new(11.0).ink(BLACK);
        let left = (width - WIDE) / 2.0;
        if count > 1 {
            let foot = height - MARGIN;
            page.text((left, foot), pen.fitted(&words::clean(&part.title, words::NAME), WIDE * 0.7), pen);
            page.text((left + WIDE, foot), format!("page {} of {count}", i + 1), pen.end());
        }
    }
    out
}

/// The sections to print, in the order they first come in the form.
fn chosen<'p>(part: &'p Part, wish: &SheetWish) -> Vec<&'p Section> {
    if let Some(name) = &wish.section {
        return part.section(name).into_iter().collect();
    }
    let mut out: Vec<&Section> = Vec::new();
    for name in &part.form {
        if let Some(section) = part.section(name).filter(|s| out.iter().all(|o| o.name != s.name)) {
            out.push(section);
        }
    }
    out
}

fn blocks(part: &Part, wish: &SheetWish, look: &Look) -> Vec<Block> {
    let sections = chosen(part, wish);
    if sections.is_empty() {
        return Vec::new();
    }
    let mut out = vec![head(part, &sections, look)];
    let mut advised = false;
    for section in &sections {
        out.push(section_head(part, section, wish, look));
        let rows: Vec<Row> = bar::rows(section, part.meter, look);
        for line in lines(rows) {
            let foot = line.iter().any(Row::has_foot);
            let mut scene = Scene::default();
            for (k, row) in line.iter().enumerate() {
                row.draw(&mut scene, (k as f64 * (WIDE + GUTTER) / 2.0, 0.0), row.width(WIDE, look), foot, look);
            }
            let height = Row::height(foot, look);
            if line.len() == 1 && line[0].narrow && !advised {
                advised = true;
                let pen = Pen::new(15.0).ink(BLACK);
                for (i, said) in ADVICE.iter().enumerate() {
                    scene.text(((WIDE + GUTTER) / 2.0 + 8.0, height / 2.0 - 8.0 + 22.0 * i as f64), *said, pen);
                }
            }
            out.push(Block { height: height + BETWEEN, scene, with_next: false });
        }
    }
    out.extend(steps::blocks(part, &sections, wish.section.is_some()));
    out
}

/// Two narrow rows beside each other, a wide one by itself.
fn lines(rows: Vec<Row>) -> Vec<Vec<Row>> {
    let mut out: Vec<Vec<Row>> = Vec::new();
    for row in rows {
        match out.last_mut().filter(|line| line.len() == 1 && line[0].narrow && row.narrow) {
            Some(line) => line.push(row),
            None => out.push(vec![row]),
        }
    }
    out
}

/// Title, what it is, whose; and what the shapes are.
fn head(part: &Part, sections: &[&Section], look: &Look) -> Block {
    let mut scene = Scene::default();
    let title = Pen::new(30.0).bold().ink(BLACK);
    scene.text((0.0, 28.0), title.fitted(&words::clean(&part.title, 3 * words::NAME), WIDE), title);
    let pen = Pen::new(13.0).ink(BLACK);
    let (start, goal) = (part.range.start.get(), part.range.goal.get());
    let tempo = if start < goal { format!("tempo {start}, then up to {goal}") } else { format!("tempo {start}") };
    let form = words::cut(&part.form.join(" "), words::NAME);
    let acts = || sections.iter().flat_map(|s| &s.bars).flat_map(|b| &b.cells).map(|c| c.act);
    let mut said = format!("practice sheet · {}/{} · form {form} · {tempo}", part.meter.beats, part.meter.unit);
    if acts().any(|a| matches!(a, Act::Strike(_, Hands::One(_)))) {
        said.push_str(" · R right, L left");
    }
    let name = "name __________________";
    scene.text((0.0, 50.0), pen.fitted(&said, WIDE - pen.width(name) - 12.0), pen);
    scene.text((WIDE, 50.0), name, pen.end());
    scene.line((0.0, 58.0), (WIDE, 58.0), 1.2, BLACK);
    let mut x = 0.0;
    let mut y = 82.0;
    let pen = Pen::new(look.legend).ink(BLACK);
    let mut add = |scene: &mut Scene, said: &str, draw: &dyn Fn(&mut Scene, (f64, f64))| {
        let wide = 24.0 + pen.width(said) + 22.0;
        if x + wide > WIDE + 22.0 {
            (x, y) = (0.0, y + 24.0);
        }
        draw(scene, (x + 10.0, y - 5.0));
        scene.text((x + 26.0, y), said, pen);
        x += wide;
    };
    for surface in Surface::ALL {
        if acts().any(|a| matches!(a, Act::Strike(s, _) if s == surface)) {
            let said = match surface {
                Surface::Click => "sticks together",
                other => other.word(),
            };
            add(&mut scene, said, &|scene, at| marks::solid_on(scene, surface, at, 7.5, BLACK, WHITE));
        }
    }
    if acts().any(|a| matches!(a, Act::Strike(_, Hands::Both))) {
        add(&mut scene, "B both hands", &|scene, at| {
            marks::solid_on(scene, Surface::Centre, (at.0, at.1 - 2.0), 6.0, BLACK, WHITE);
            marks::underline(scene, (at.0, at.1 - 4.0), 6.0, BLACK);
        });
    }
    if acts().any(|a| a == Act::Rest) {
        add(&mut scene, "wait: lift the sticks, count", &|scene, at| bar::rest_box(scene, at, 7.0));
    }
    Block { height: y + 10.0, scene, with_next: true }
}

/// The section's letter, how long it is, how often it comes, and how it is joined on.
fn section_head(part: &Part, section: &Section, wish: &SheetWish, look: &Look) -> Block {
    let mut scene = Scene::default();
    let y = BEFORE_SECTION + look.letter;
    let letter = Pen::new(look.letter).bold().ink(BLACK);
    let name = letter.fitted(&words::clean(&section.name, words::NAME), WIDE / 2.0);
    scene.text((0.0, y), name.as_str(), letter);
    let bars = section.unrolled().count();
    let mut said = vec![words::count(bars, "bar", "bars")];
    let times = part.form.iter().filter(|n| **n == section.name).count();
    if wish.section.is_none() {
        let in_a_row =
            part.form.windows(2).filter(|w| w[0] == section.name && w[1] == section.name).count() + 1 == times;
        match (times, in_a_row) {
            (..2, _) => {}
            (2, true) => said.push("played twice".into()),
            (n, true) => said.push(format!("played {n} times")),
            (2, false) => said.push("comes twice".into()),
            (n, false) => said.push(format!("comes {n} times")),
        }
        let before =
            part.form.iter().position(|n| *n == section.name).and_then(|i| i.checked_sub(1)).map(|i| &part.form[i]);
        if let Some(before) = before {
            said.push(format!("straight on from {}, no pause at the join", words::clean(before, words::NAME)));
        }
    }
    let pen = Pen::new(look.words).ink(BLACK);
    let x = letter.width(&name) + 14.0;
    scene.text((x, y), pen.fitted(&said.join(" · "), WIDE - x), pen);
    Block { height: y + 6.0, scene, with_next: true }
}
