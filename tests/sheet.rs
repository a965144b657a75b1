//! The practice sheet: what stands on it, on which paper, on how many pages; and that the same part gives the same bytes.

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::process::Command;

use pailbeat::part::parse;
use pailbeat::report::chart::{Paper, SheetWish, sheet_pdf, sheet_svg};

const LANTERN: &str = include_str!("../reference_takes/lantern-parade.toml");

/// The words of a page in the order they are drawn.
fn words(page: &str) -> Vec<String> {
    let document = roxmltree::Document::parse(page).unwrap();
    document
        .descendants()
        .filter(|n| n.has_tag_name("text"))
        .map(|n| n.text().unwrap_or_default().trim().to_owned())
        .collect()
}

fn pages(text: &str, wish: &SheetWish) -> Vec<String> {
    sheet_svg(&parse(text).unwrap(), wish).unwrap()
}

fn size(page: &str) -> (f64, f64) {
    let document = roxmltree::Document::parse(page).unwrap();
    let side = |name| document.root_element().attribute(name).unwrap().parse().unwrap();
    (side("width"), side("height"))
}

#[test]
fn a_part_of_eight_bars_fits_one_page_of_either_paper() {
    for (paper, (width, height)) in [(Paper::A4, (794.0, 1123.0)), (Paper::Letter, (816.0, 1056.0))] {
        let wish = SheetWish { paper, ..SheetWish::default() };
        let made = pages(LANTERN, &wish);
        assert_eq!(made.len(), 1, "{paper:?}");
        assert_eq!(size(&made[0]), (width, height));
        assert_eq!(made, pages(LANTERN, &wish), "the same part gives the same bytes");
    }
}

#[test]
fn the_sheet_says_what_is_played_how_often_where_to_wait_and_which_tempi_to_tick() {
    let said = words(&pages(LANTERN, &SheetWish::default())[0]);
    let has = |text: &str| said.iter().any(|s| s == text);
    for text in [
        "Lantern Parade",
        "practice sheet · 4/4 · form A A B B · tempo 66, then up to 96 · R right, L left",
        "four bars · played twice",
        "four bars · played twice · straight on from A, no pause at the join",
        "bars 1 and 2: play this bar twice",
        "bar 3",
        "f loud",
        "A into B, no pause",
        "the whole thing",
    ] {
        assert!(has(text), "`{text}` is not in {said:?}");
    }
    let count = |text: &str| said.iter().filter(|s| *s == text).count();
    // Rests: two in A's last bar, one each in B's second and fourth.
    assert_eq!(count("wait"), 4);
    assert_eq!((count("66"), count("96")), (4, 4), "a box for A, B, the join and the whole");
    // Syllables of A's first bar: ti ti ta ta ta, worked by hand.
    let first = said.iter().position(|s| s.starts_with("bars 1 and 2")).unwrap();
    let until = said.iter().position(|s| s == "bar 3").unwrap();
    let sung: Vec<&str> = said[first..until].iter().map(String::as_str).filter(|s| matches!(*s, "ti" | "ta")).collect();
    assert_eq!(sung, ["ti", "ti", "ta", "ta", "ta"]);
    let counted: String =
        said[first..until].iter().filter(|s| s.len() == 1 && !"RL".contains(s.as_str())).cloned().collect();
    assert_eq!(counted, "1&2&3&4&");
}

#[test]
fn one_section_alone_and_a_large_sheet() {
    let one = words(&pages(LANTERN, &SheetWish { section: Some("B".into()), ..SheetWish::default() })[0]);
    assert!(one.iter().any(|s| s == "B") && !one.iter().any(|s| s == "A" || s == "the whole thing"), "{one:?}");
    let large = pages(LANTERN, &SheetWish { large: true, ..SheetWish::default() });
    assert!(large.len() > 1);
    let last = words(large.last().unwrap());
    assert!(last.contains(&format!("page {0} of {0}", large.len())), "{last:?}");
}

#[test]
fn long_bars_triplets_words_and_hostile_names_are_drawn() {
    let name = "Ä".repeat(300);
    let text = format!(
        "title = \"{name} <b>&\"\nmeter = \"4/4\"\nbpm = {{ start = 60, goal = 62 }}\nform = \"A {name} A\"\n[sections.A]\n\
         strokes = \"|: {} | oox o.x ..o --- :|12 {}\"\n[sections.\"{name}\"]\nsyllables = \"ta tri-pl-et (ti) ti sh | syn-co-pa ti-ka-ti ta\"\n",
        "o.xx".repeat(8),
        "ox | ".repeat(40)
    );
    for large in [false, true] {
        let made = pages(&text, &SheetWish { large, ..SheetWish::default() });
        assert!(made.len() > 2);
        let said: Vec<String> = made.iter().flat_map(|p| words(p)).collect();
        assert!(said.iter().any(|s| s == "bars 1, 3 … 23: play from sign to sign 12 times"), "{said:?}");
        for page in &made {
            let (width, height) = size(page);
            let document = roxmltree::Document::parse(page).unwrap();
            for text in document.descendants().filter(|n| n.has_tag_name("text")) {
                let place = |name| text.attribute(name).unwrap().parse::<f64>().unwrap() / 10.0;
                assert!(
                    (0.0..=width).contains(&place("x")) && (0.0..=height).contains(&place("y")),
                    "{:?}",
                    text.text()
                );
            }
        }
        assert!(
            sheet_pdf(&parse(&text).unwrap(), &SheetWish { large, ..SheetWish::default() })
                .unwrap()
                .starts_with(b"%PDF-")
        );
    }
}

#[test]
fn the_program_writes_pdf_and_svg_and_says_what_is_wrong() {
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join("part.toml"), LANTERN).unwrap();
    let run = |args: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_pailbeat"))
            .current_dir(place.path())
            .arg("sheet")
            .args(args)
            .output()
            .unwrap();
        let text = |bytes| String::from_utf8(bytes).unwrap();
        (done.status.code(), text(done.stdout), text(done.stderr))
    };
    for _ in 0..2 {
        let done = run(&["part.toml", "--out", "sheet.pdf"]);
        assert_eq!(
            (done.0, done.1.as_str()),
            (Some(0), "sheet.pdf: the practice sheet of `Lantern Parade`\n"),
            "{}",
            done.2
        );
    }
    assert!(std::fs::read(place.path().join("sheet.pdf")).unwrap().starts_with(b"%PDF-"));
    let done = run(&["part.toml", "--large", "--out", "sheet.svg"]);
    assert_eq!(done.0, Some(0), "{}", done.2);
    assert!(place.path().join("sheet-2.svg").is_file());
    for (args, said) in [
        (&["part.toml", "--out", "sheet.doc"][..], "let it end in `.pdf` or `.svg`"),
        (&["part.toml", "--section", "Z", "--out", "z.pdf"][..], "no section `Z`\nhint: sections written: `A`, `B`"),
    ] {
        let done = run(args);
        assert!(done.0 == Some(2) && done.2.contains(said), "{}", done.2);
    }
}
