//! The report from the outside: golden files, and what must hold of every page.

mod fake;

use pailbeat::report::{chart, json, page, text};

/// For looking at: writes everything to the folder named by `PAILBEAT_LOOK`.
#[test]
fn every_fake_take_can_be_reported() {
    for (name, a, meta) in fake::all() {
        let style = chart::ChartStyle::alone(meta.clone());
        let svg = chart::svg(&a, &style).unwrap();
        let png = chart::png(&a, &style).unwrap();
        let teacher = page::teacher(&a, &meta).unwrap();
        let pupil = page::pupil(&a, &meta).unwrap();
        let said = text::summary(&a, &meta);
        let rows = json::assessment(&a);
        if let Ok(folder) = std::env::var("PAILBEAT_LOOK") {
            let write = |ending: &str, bytes: &[u8]| std::fs::write(format!("{folder}/{name}{ending}"), bytes).unwrap();
            write(".svg", svg.as_bytes());
            write(".png", &png);
            write("-teacher.html", teacher.as_bytes());
            write("-pupil.html", pupil.as_bytes());
            write(".txt", said.as_bytes());
            write(".json", rows.as_bytes());
        }
    }
}
