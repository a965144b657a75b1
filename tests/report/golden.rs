//! Golden files: a change of the look is seen in the difference.

use pailbeat::report::{chart, json, page, text};

use crate::takes;

/// The typeface is the same in every page and says nothing in a difference.
fn without_font(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(start) = rest.find("base64,") {
        let (before, after) = rest.split_at(start + 7);
        out.push_str(before);
        rest = after.find(')').map_or("", |end| &after[end..]);
    }
    out.push_str(rest);
    out
}

fn check(name: &str, made: &str) {
    let path = format!("{}/tests/golden/{name}", env!("CARGO_MANIFEST_DIR"));
    let made = without_font(made);
    if std::env::var("PAILBEAT_GOLDEN").is_ok_and(|v| v == "write") {
        std::fs::write(&path, &made).unwrap();
        return;
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    let line = made.lines().zip(kept.lines()).position(|(a, b)| a != b);
    let line = line.unwrap_or_else(|| made.lines().count().min(kept.lines().count()));
    assert!(made == kept, "`{name}` differs from line {}: {:?}", line + 1, made.lines().nth(line));
}

#[test]
fn the_chart_of_a_take_with_rests_run_through_is_as_it_was() {
    check("rests.svg", &chart::svg(&takes::rests(), &chart::ChartStyle::alone(takes::meta())).unwrap());
}

#[test]
fn the_chart_of_a_restart_is_as_it_was() {
    check("restart.svg", &chart::svg(&takes::restart(), &chart::ChartStyle::default()).unwrap());
}

#[test]
fn the_teachers_page_is_as_it_was() {
    check("rests-teacher.html", &page::teacher(&takes::rests(), &takes::meta()).unwrap());
}

#[test]
fn the_pupils_page_is_as_it_was() {
    check("rests-pupil.html", &page::pupil(&takes::rests(), &takes::meta()).unwrap());
}

#[test]
fn pages_of_hostile_names_are_as_they_were() {
    let (a, meta) = takes::six_eight();
    check("hostile-teacher.html", &page::teacher(&a, &meta).unwrap());
    check("hostile-pupil.html", &page::pupil(&a, &meta).unwrap());
}

#[test]
fn the_page_of_another_piece_is_as_it_was() {
    check("stranger-teacher.html", &page::teacher(&takes::stranger(), &takes::meta()).unwrap());
}

#[test]
fn the_words_of_the_terminal_are_as_they_were() {
    for (name, a, meta) in takes::all() {
        check(&format!("{name}.txt"), &text::summary(&a, &meta));
    }
}

#[test]
fn the_rows_are_as_they_were() {
    check("restart.json", &json::assessment(&takes::restart()));
}
