//! The report from the outside: golden files, and what must hold of every drawing, page and row.
//!
//! `PAILBEAT_GOLDEN=write cargo test --test report` writes the golden files anew; look at the difference before it is
//! kept. `PAILBEAT_LOOK=FOLDER` writes every report to a folder, to be looked at.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod broken;
mod drawing;
mod fake;
mod golden;
mod pages;
mod rows;
mod takes;

use pailbeat::report::{chart, json, page, text};

/// For looking at; and the same take gives the same bytes.
#[test]
fn every_take_is_reported_the_same_way_twice() {
    for (name, a, meta) in takes::all() {
        let style = chart::ChartStyle::alone(meta.clone());
        let all = || {
            [
                (".svg", chart::svg(&a, &style).unwrap().into_bytes()),
                ("-teacher.html", page::teacher(&a, &meta).unwrap().into_bytes()),
                ("-pupil.html", page::pupil(&a, &meta).unwrap().into_bytes()),
                (".txt", text::summary(&a, &meta).into_bytes()),
                (".json", json::assessment(&a).into_bytes()),
            ]
        };
        let first = all();
        assert!(first == all(), "{name}");
        if let Ok(folder) = std::env::var("PAILBEAT_LOOK") {
            let write = |ending: &str, bytes: &[u8]| std::fs::write(format!("{folder}/{name}{ending}"), bytes).unwrap();
            write(".png", &chart::png(&a, &style).unwrap());
            for (ending, bytes) in first {
                write(ending, &bytes);
            }
        }
    }
}
