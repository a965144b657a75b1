//! What a class played after each call of its echo drill -> a small chart of which patterns are confused, and its twin in
//! words.
//!
//! Pure. Only calls are counted, never pupils: nothing here says who.

use std::fmt::Write as _;

use super::super::words::{self, clean};
use super::escape;

/// Two patterns that were taken for each other.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pair {
    /// The first, in the order of the drill.
    pub first: String,
    /// The second.
    pub second: String,
    /// How often.
    pub times: usize,
    /// A drill file that brings these two in turn, slowly.
    pub drill: String,
    /// The name of that file, without folder.
    pub file: String,
}

/// What a class played after each call.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EchoView {
    /// Title of the drill.
    pub title: String,
    /// How many pupils' newest drill is counted.
    pub pupils: usize,
    /// The calls that came, in the order of the drill.
    pub calls: Vec<String>,
    /// Which of them is met with silence.
    pub hush: Option<usize>,
    /// For each call how often each call was played after it, then silence, then something else.
    pub played: Vec<Vec<usize>>,
    /// What could be taken side by side.
    pub pair: Option<Pair>,
}

/// Width and height of a cell, of the names at the left and above.
const CELL: (f64, f64) = (62.0, 26.0);
const NAMES: (f64, f64) = (104.0, 24.0);
/// Radius of a mark that stands for all of a row.
const LARGEST: f64 = 9.0;
/// Longest name in the chart, in letters.
const SHORT: usize = 10;

pub(super) const CSS: &str = "\
.echoes{display:grid;grid-template-columns:minmax(18rem,3fr) 2fr;gap:.4rem 2.4rem;align-items:start}
.echoes svg{width:100%}
.echoes ul{list-style:none;margin:0;padding:0;font-size:.85rem}
.echoes li{padding:.1rem 0}
.echoes text{font-size:12.5px;fill:#1e1e1c}
.echoes text.n,.echoes text.h{fill:#66645f}
code{font-size:.85em;overflow-wrap:anywhere}
@media screen and (max-width:44rem){.echoes{grid-template-columns:1fr}}
";

impl EchoView {
    /// Where a row's right answer stands.
    fn right(&self, row: usize) -> usize {
        if self.hush == Some(row) { self.calls.len() } else { row }
    }

    fn column(&self, column: usize) -> String {
        match column.checked_sub(self.calls.len()) {
            None => clean(&self.calls[column], SHORT),
            Some(0) => "silence".into(),
            Some(_) => "other".into(),
        }
    }

    /// One row in words.
    fn says(&self, row: usize) -> String {
        let counts = &self.played[row];
        let all: usize = counts.iter().sum();
        let name = clean(&self.calls[row], words::NAME);
        let right = counts[self.right(row)];
        let kept = if self.hush == Some(row) { "kept in silence" } else { "echoed" };
        let mut out = format!("{name}: {kept} {right} of {all} times");
        for (k, n) in counts.iter().enumerate().filter(|(k, n)| *k != self.right(row) && **n > 0) {
            let what = match k.checked_sub(self.calls.len()) {
                None if self.hush == Some(row) && k == row => "answered".to_owned(),
                None => format!("{} played", clean(&self.calls[k], words::NAME)),
                Some(0) => "silence".to_owned(),
                Some(_) => "something else".to_owned(),
            };
            let _ = write!(out, ", {what} {n}");
        }
        out
    }
}

/// The chart, its twin, and what to do.
pub(super) fn section(view: &EchoView) -> String {
    let mut out = String::from("<h2>Echo drill</h2>\n");
    let drills = words::count(view.pupils, "pupil’s newest drill", "pupils’ newest drills");
    let _ = writeln!(
        out,
        "<p class=\"sub\">{}: what was played after each call, from {drills}</p>",
        escape(&clean(&view.title, words::NAME))
    );
    let _ = write!(out, "<div class=\"echoes\">{}<ul>", chart(view));
    for row in 0..view.calls.len() {
        let _ = write!(out, "<li>{}</li>", escape(&view.says(row)));
    }
    out.push_str("</ul></div>\n<p class=\"key\">A row is a call, a column what came after it; a mark’s area is its share of the row. A ring is \
what was asked for, a diamond is not; a nearly right echo and one that came too early count as that call.</p>\n");
    match &view.pair {
        Some(pair) => {
            let [first, second] = [&pair.first, &pair.second].map(|n| escape(&clean(n, words::NAME)));
            let _ = writeln!(
                out,
                "<p><b>{first}</b> and <b>{second}</b> were taken for each other {}. These two, slowly, side by side: \
                 <code>pailbeat drill make pages/{1}.toml --out {1}.wav</code></p>",
                words::count(pair.times, "time", "times"),
                escape(&pair.file)
            );
        }
        None => out.push_str("<p>No two patterns are taken for each other by several.</p>\n"),
    }
    out
}

fn chart(view: &EchoView) -> String {
    let (rows, columns) = (view.calls.len(), view.calls.len() + 2);
    let (w, h) = (NAMES.0 + CELL.0 * columns as f64, NAMES.1 + CELL.1 * rows as f64);
    let label = (0..rows).map(|r| view.says(r)).collect::<Vec<_>>().join("; ");
    let mut svg = format!("<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{}\">", escape(&label));
    for column in 0..columns {
        let x = NAMES.0 + CELL.0 * (column as f64 + 0.5);
        let name = escape(&view.column(column));
        let _ = write!(svg, "<text class=\"h\" x=\"{x:.1}\" y=\"15\" text-anchor=\"middle\">{name}</text>");
    }
    for (row, counts) in view.played.iter().enumerate() {
        let y = NAMES.1 + CELL.1 * (row as f64 + 0.5);
        let hush = if view.hush == Some(row) { " (hush)" } else { "" };
        let _ = write!(
            svg,
            "<path d=\"M0 {0:.1}H{w}\" stroke=\"#dedbd1\" stroke-width=\".8\"/><text x=\"0\" y=\"{1:.1}\">{2}{hush}</text>",
            y - CELL.1 / 2.0,
            y + 4.0,
            escape(&clean(&view.calls[row], SHORT))
        );
        let all: usize = counts.iter().sum();
        for (column, n) in counts.iter().enumerate().filter(|(_, n)| **n > 0) {
            let x = NAMES.0 + CELL.0 * (column as f64 + 0.5) - 8.0;
            let r = LARGEST * (*n as f64 / all as f64).sqrt();
            let _ = if column == view.right(row) {
                write!(
                    svg,
                    "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{r:.1}\" fill=\"none\" stroke=\"#1e1e1c\" stroke-width=\"1.2\"/>"
                )
            } else {
                write!(
                    svg,
                    "<path d=\"M{x:.1} {:.1}l{r:.1} {r:.1}l-{r:.1} {r:.1}l-{r:.1} -{r:.1}z\" fill=\"#d55e00\"/>",
                    y - r
                )
            };
            let _ = write!(svg, "<text class=\"n\" x=\"{:.1}\" y=\"{:.1}\">{n}</text>", x + LARGEST + 4.0, y + 4.0);
        }
    }
    svg + "</svg>"
}

#[cfg(test)]
mod tests {
    use super::*;

    fn view() -> EchoView {
        EchoView {
            title: "Morning <echoes>".into(),
            pupils: 4,
            calls: vec!["owl".into(), "wren".into()],
            hush: Some(0),
            played: vec![vec![1, 0, 3, 0], vec![0, 5, 2, 1]],
            pair: Some(Pair {
                first: "owl".into(),
                second: "wren".into(),
                times: 2,
                file: "owl-wren".into(),
                ..Pair::default()
            }),
        }
    }

    #[test]
    fn the_chart_and_its_twin_say_the_same() {
        let html = section(&view());
        for part in [
            "<li>owl: kept in silence 3 of 4 times, answered 1</li>",
            "<li>wren: echoed 5 of 8 times, silence 2, something else 1</li>",
            "Morning &lt;echoes&gt;",
            "pailbeat drill make pages/owl-wren.toml --out owl-wren.wav",
        ] {
            assert!(html.contains(part), "{part}: {html}");
        }
        assert_eq!((html.matches("<circle").count(), html.matches("fill=\"#d55e00\"").count()), (2, 3));
        assert!(roxmltree::Document::parse(&format!("<body>{html}</body>")).is_ok(), "{html}");
    }
}
