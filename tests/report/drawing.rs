//! What must hold of every drawing: nothing leaves the paper, no words touch, late is below.

use ab_glyph::{Font, FontRef};
use pailbeat::assess::Assessment;
use pailbeat::report::chart::{self, ChartStyle};
use pailbeat::units::{Lateness, Seconds};
use roxmltree::{Document, Node};

use crate::takes;

struct Words {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    said: String,
}

fn number(node: &Node, name: &str) -> f64 {
    node.attribute(name).unwrap_or("0").trim_end_matches("em").parse().unwrap()
}

/// The boxes of all texts, in the drawing's own units, from the font files' advance widths.
fn words(svg: &Document) -> Vec<Words> {
    let regular = FontRef::try_from_slice(include_bytes!("../../assets/fonts/NotoSerif-Regular.ttf")).unwrap();
    let bold = FontRef::try_from_slice(include_bytes!("../../assets/fonts/NotoSerif-Bold.ttf")).unwrap();
    (svg.descendants().filter(|n| n.has_tag_name("text")))
        .map(|node| {
            let said = node.text().unwrap_or_default().to_owned();
            let size = number(&node, "font-size");
            let font = if node.attribute("font-weight") == Some("bold") { &bold } else { &regular };
            let em = f64::from(font.units_per_em().unwrap());
            let width =
                said.chars().map(|c| f64::from(font.h_advance_unscaled(font.glyph_id(c)))).sum::<f64>() / em * size;
            let left = number(&node, "x")
                - match node.attribute("text-anchor") {
                    Some("middle") => width / 2.0,
                    Some("end") => width,
                    _ => 0.0,
                };
            let base = number(&node, "y") + number(&node, "dy") * size;
            // Height of figures and small letters: what must not be touched.
            Words { left, right: left + width, top: base - 0.7 * size, bottom: base, said }
        })
        .collect()
}

fn size(svg: &Document) -> (f64, f64) {
    let view = svg.root_element().attribute("viewBox").unwrap();
    let numbers = view.split(' ').map(|n| n.parse::<f64>().unwrap()).collect::<Vec<_>>();
    (numbers[2], numbers[3])
}

#[test]
fn no_words_leave_the_paper_and_none_touch() {
    let mut looked_at = 0;
    for (name, a, meta) in takes::all() {
        for style in [
            ChartStyle::alone(meta),
            ChartStyle::default(),
            ChartStyle { width: ChartStyle::PHONE, ..ChartStyle::default() },
        ] {
            let text = chart::svg(&a, &style).unwrap();
            let svg = Document::parse(&text).unwrap();
            let (width, height) = size(&svg);
            let words = words(&svg);
            looked_at += words.len();
            for w in &words {
                // The tail of a g may stand below the base line.
                let inside = w.left >= -1.0 && w.right <= width + 1.0 && w.top >= 0.0 && w.bottom <= height;
                assert!(inside, "{name} at {}: `{}` leaves the paper", style.width, w.said);
            }
            for (i, a) in words.iter().enumerate() {
                for b in &words[i + 1..] {
                    // The question marks of neighbouring strokes stand where the strokes do.
                    let apart = a.right <= b.left || b.right <= a.left || a.bottom <= b.top || b.bottom <= a.top;
                    let marks = a.said == "?" && b.said == "?";
                    assert!(apart || marks, "{name} at {}: `{}` and `{}` touch", style.width, a.said, b.said);
                }
            }
        }
    }
    assert!(looked_at > 1000, "only {looked_at} texts were looked at");
}

#[test]
fn no_tick_of_a_note_crosses_words() {
    let mut looked_at = 0;
    for (name, a, _) in takes::all() {
        for width in [ChartStyle::SHEET, ChartStyle::PHONE] {
            let text = chart::svg(&a, &ChartStyle { width, ..ChartStyle::default() }).unwrap();
            let svg = Document::parse(&text).unwrap();
            let words = words(&svg);
            // Ticks are the upright ink lines 0.9 pixels wide.
            let ticks = svg.descendants().filter(|n| {
                n.has_tag_name("polyline")
                    && n.attribute("stroke") == Some("#1E1E1C")
                    && n.attribute("stroke-width") == Some("9")
            });
            for tick in ticks {
                let points = tick.attribute("points").unwrap().split_whitespace();
                let points = points.map(|p| p.split_once(',').unwrap());
                let points = points.map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap())).collect::<Vec<(f64, f64)>>();
                let [(x, top), (other, bottom)] = points[..] else { continue };
                if (x - other).abs() > 0.5 {
                    continue;
                }
                looked_at += 1;
                for w in &words {
                    let apart = x <= w.left || x >= w.right || bottom <= w.top || top >= w.bottom;
                    assert!(apart, "{name} at {width}: a tick crosses `{}`", w.said);
                }
            }
        }
    }
    assert!(looked_at > 20, "only {looked_at} ticks were found");
}

#[test]
fn nothing_is_drawn_outside_the_paper() {
    let (mut points, mut discs) = (0, 0);
    for (name, a, _) in takes::all() {
        for width in [ChartStyle::SHEET, ChartStyle::PHONE] {
            let text = chart::svg(&a, &ChartStyle { width, ..ChartStyle::default() }).unwrap();
            let svg = Document::parse(&text).unwrap();
            let (w, h) = size(&svg);
            let inside = |x: f64, y: f64| (-10.0..=w + 10.0).contains(&x) && (0.0..=h).contains(&y);
            for node in svg.descendants() {
                for pair in node.attribute("points").unwrap_or_default().split_whitespace() {
                    let (x, y) = pair.split_once(',').unwrap();
                    points += 1;
                    assert!(inside(x.parse().unwrap(), y.parse().unwrap()), "{name} at {width}: {pair}");
                }
                if node.has_tag_name("circle") {
                    discs += 1;
                    assert!(inside(number(&node, "cx"), number(&node, "cy")), "{name} at {width}");
                }
            }
        }
    }
    assert!(points > 1000 && discs > 100, "only {points} points and {discs} discs were found");
}

/// Heights of the filled discs of a chart: centre strokes, in the order they are drawn.
fn discs(a: &Assessment) -> Vec<f64> {
    let text = chart::svg(a, &ChartStyle::default()).unwrap();
    let svg = Document::parse(&text).unwrap();
    let ink = |n: &Node| n.has_tag_name("circle") && n.attribute("fill") == Some("#1E1E1C");
    svg.descendants().filter(ink).map(|n| number(&n, "cy")).collect()
}

#[test]
fn a_later_stroke_stands_lower_by_the_scale() {
    let mut a = takes::good();
    let late = |a: &mut Assessment, ms: f64| a.strokes[0].late = Some(Lateness(Seconds::from_millis(ms)));
    late(&mut a, -40.0);
    let early = discs(&a);
    late(&mut a, 0.0);
    let on = discs(&a);
    assert!(on.len() > 10, "only {} discs were found", on.len());
    late(&mut a, 40.0);
    let lagging = discs(&a);
    assert!(early[0] < on[0] && on[0] < lagging[0], "early above, late below");
    let (up, down) = (on[0] - early[0], lagging[0] - on[0]);
    assert!((up - down).abs() <= 1.0, "the scale is even: {up} up, {down} down");
    assert_eq!(early[1..], lagging[1..], "the others stay");
}

#[test]
fn a_stroke_far_off_stays_at_the_edge_with_its_figure() {
    let mut a = takes::good();
    a.strokes[0].late = Some(Lateness(Seconds::from_millis(431.0)));
    let text = chart::svg(&a, &ChartStyle::default()).unwrap();
    assert!(text.contains("431 ms"), "the figure is written beside the mark");
}

#[test]
fn what_is_played_again_is_drawn_again() {
    let straight = discs(&takes::good()).len();
    assert!(straight > 0);
    let text = chart::svg(&takes::repeat(), &ChartStyle::default()).unwrap();
    assert!(text.contains("back to bar 1"), "the seam says where it went back to");
    assert!(text.contains("two bars left out"), "the seam says what was left out");
}

#[test]
fn missed_extra_and_unheard_strokes_are_explained_only_where_they_stand() {
    let rests = chart::svg(&takes::rests(), &ChartStyle::default()).unwrap();
    for said in ["written, not played", "should not be there", "may have been played", "heard on another surface"] {
        assert!(rests.contains(said), "{said}");
    }
    let good = chart::svg(&takes::good(), &ChartStyle::default()).unwrap();
    for said in ["written, not played", "should not be there", "may have been played", "heard on another surface"] {
        assert!(!good.contains(said), "{said}");
    }
}

#[test]
fn every_finding_with_a_place_has_its_number_in_the_chart() {
    let mut placed_ones = 0;
    for (name, a, _) in takes::all() {
        for width in [ChartStyle::SHEET, ChartStyle::PHONE] {
            let text = chart::svg(&a, &ChartStyle { width, ..ChartStyle::default() }).unwrap();
            let svg = Document::parse(&text).unwrap();
            let bold = svg.descendants().filter(|n| n.attribute("font-weight") == Some("bold"));
            let said = bold.filter_map(|n| n.text().map(str::to_owned)).collect::<Vec<_>>();
            let mut seen = std::collections::BTreeSet::new();
            for text in said {
                let numbers = text.split([',', ' ']).filter_map(|n| n.parse::<usize>().ok()).collect::<Vec<_>>();
                if text.contains(" to ") && numbers.len() == 2 {
                    seen.extend(numbers[0]..=numbers[1]);
                } else {
                    seen.extend(numbers);
                }
            }
            for (i, statement) in a.statements().into_iter().enumerate() {
                let placed = a.findings[statement].iter().any(|f| f.place.is_some());
                placed_ones += usize::from(placed);
                assert!(!placed || seen.contains(&(i + 1)), "{name} at {width}: finding {}", i + 1);
            }
        }
    }
    assert!(placed_ones > 10, "only {placed_ones} findings have a place");
}

#[test]
fn the_picture_has_the_size_of_the_drawing() {
    let style = ChartStyle::alone(takes::meta());
    let a = takes::rests();
    let svg = chart::svg(&a, &style).unwrap();
    let svg = Document::parse(&svg).unwrap();
    let root = svg.root_element();
    let picture = chart::png(&a, &style).unwrap();
    let mut reader = png::Decoder::new(picture.as_slice()).read_info().unwrap();
    let mut pixels = vec![0; reader.output_buffer_size()];
    let info = reader.next_frame(&mut pixels).unwrap();
    let side = |name: &str| root.attribute(name).unwrap().parse::<u32>().unwrap();
    assert_eq!((info.width, info.height), (side("width") * style.scale, side("height") * style.scale));
    let dark = pixels.chunks(3).filter(|p| p.iter().all(|c| *c < 90)).count() as f64;
    let part = dark / (f64::from(info.width) * f64::from(info.height));
    assert!((0.005..0.08).contains(&part), "ink on {part} of the paper");
    // The corners are paper.
    assert_eq!(&pixels[..3], [0xFD, 0xFC, 0xF9]);
    assert_eq!(&pixels[pixels.len() - 3..], [0xFD, 0xFC, 0xF9]);
}

#[test]
fn a_picture_too_large_is_refused_with_the_way_out() {
    let style = ChartStyle { scale: 100, ..ChartStyle::default() };
    let error = chart::png(&takes::good(), &style).unwrap_err().to_string();
    assert!(error.contains("ask for svg or a smaller scale"), "{error}");
}

#[test]
fn print_breaks_between_lines_because_each_is_a_drawing_of_its_own() {
    let systems = chart::systems(&takes::long(), ChartStyle::SHEET).unwrap();
    assert!(systems.len() > 6);
    for system in &systems {
        let svg = Document::parse(system).unwrap();
        // A quarter of a sheet of A4 at 96 pixels an inch.
        assert!(number(&svg.root_element(), "height") < 280.0);
        assert!(svg.root_element().attribute("aria-label").is_some_and(|label| !label.is_empty()));
    }
}

#[test]
fn what_xml_has_no_place_for_reaches_no_drawing() {
    let odd = "\u{ffff}\u{fffe}\u{1b}[2J\u{0}\u{9b}";
    for (name, mut a, mut meta) in takes::all() {
        meta.take = format!("{odd}take{odd}.wav");
        meta.pupil = Some(odd.into());
        a.timeline.title.push_str(odd);
        for pass in &mut a.timeline.passes {
            pass.section.push_str(odd);
        }
        let svg = chart::svg(&a, &ChartStyle::alone(meta.clone())).unwrap();
        let teacher = pailbeat::report::page::teacher(&a, &meta).unwrap();
        let pupil = pailbeat::report::page::pupil(&a, &meta).unwrap();
        for text in [&svg, &teacher, &pupil] {
            assert!(Document::parse(text.trim_start_matches("<!DOCTYPE html>")).is_ok(), "{name}");
            assert!(!text.contains(['\u{ffff}', '\u{1b}', '\u{9b}']), "{name}");
        }
    }
}
