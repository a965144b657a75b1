//! Small pictures of a class page: a child's bar, the order of the sections, a tempo; and the two lines of takes in a row.
//!
//! All pictures of a kind have the same axes, so that they can be held against each other. Colour never says anything
//! alone.

use std::fmt::Write as _;

use super::super::super::words::clean;
use super::super::escape;
use super::{Picture, Sign, Turn};

/// Size of a small picture.
const SIZE: (f64, f64) = (96.0, 44.0);
/// Lateness at the edge of a small chart, milliseconds; what is later stands at the edge.
const EDGE_MS: f64 = 150.0;
/// What nobody hears: see the chart's band.
pub(super) const UNHEARD_MS: f64 = 20.0;
/// A tempo that leaves the one it began with, or the one asked for, by so much stands at the edge, per cent.
const EDGE_PERCENT: f64 = 30.0;
/// Boxes in a row, at most; a longer form is cut around its fault.
const BOXES: usize = 8;
/// Jitter at the lower edge of a row's picture, milliseconds: beginners' lies between 15 and 60 (facts on tapping).
pub(super) const UNEVEN_MS: f64 = 60.0;

/// The picture; `label`: the same in words.
pub(super) fn draw(picture: &Picture, label: &str) -> String {
    let (w, h) = SIZE;
    let mut svg = format!("<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{}\">", escape(label));
    match picture {
        Picture::Bars { marks, rests, bars, join } => strokes(&mut svg, marks, rests, bars, *join),
        Picture::Form(turns) => form(&mut svg, turns),
        Picture::Drift(percent) => drift(&mut svg, *percent),
        Picture::Tempo { asked, played } => tempo(&mut svg, *asked, *played),
    }
    svg + "</svg>"
}

fn strokes(svg: &mut String, marks: &[(f64, f64, Sign)], rests: &[(f64, f64)], bars: &[f64], join: bool) {
    let (w, h) = SIZE;
    let y = |late: f64| h / 2.0 + late.clamp(-EDGE_MS, EDGE_MS) / EDGE_MS * (h / 2.0 - 5.0);
    let x = |at: f64| 4.0 + at.clamp(0.0, 1.0) * (w - 8.0);
    for (from, to) in rests {
        let (from, to) = (x(*from), x(*to));
        let _ = write!(
            svg,
            "<rect x=\"{from:.1}\" y=\"2\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#ece8db\"/>",
            to - from,
            h - 4.0
        );
    }
    let _ = write!(
        svg,
        "<rect x=\"0\" y=\"{0:.1}\" width=\"{w}\" height=\"{1:.1}\" fill=\"#f0ede4\"/><path d=\"M0 {2:.1}H{w}\" stroke=\"#a9a69c\" stroke-width=\".8\"/>",
        y(-UNHEARD_MS),
        y(UNHEARD_MS) - y(-UNHEARD_MS),
        h / 2.0
    );
    let ends = [(0.0, false), (1.0, false)].into_iter().chain(bars.iter().map(|b| (*b, join)));
    for (at, join) in ends {
        // Bar lines as in a score: thin, and bold where two sections join.
        let (ink, wide) = if join { ("#1e1e1c", 1.4) } else { ("#a9a69c", 0.6) };
        let at = if at <= 0.0 {
            0.4
        } else if at >= 1.0 {
            w - 0.4
        } else {
            x(at)
        };
        let _ = write!(svg, "<path d=\"M{at:.1} 2V{:.1}\" stroke=\"{ink}\" stroke-width=\"{wide}\"/>", h - 2.0);
    }
    for (at, late, sign) in marks {
        mark(svg, x(*at), y(*late), *sign);
    }
}

/// A sign at a place.
pub(super) fn mark(svg: &mut String, x: f64, y: f64, sign: Sign) {
    let _ = match sign {
        Sign::Played => write!(svg, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.3\" fill=\"#1e1e1c\"/>"),
        Sign::Fault => write!(svg, "<path d=\"M{x:.1} {:.1}l3 3l-3 3l-3-3z\" fill=\"#d55e00\"/>", y - 3.0),
        Sign::Missed => write!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.2\" fill=\"none\" stroke=\"#1e1e1c\" stroke-width=\".9\"/>"
        ),
        Sign::InRest => write!(
            svg,
            "<path d=\"M{:.1} {:.1}l5 5m0-5l-5 5\" stroke=\"#d55e00\" stroke-width=\"1.3\" fill=\"none\"/>",
            x - 2.5,
            y - 2.5
        ),
    };
}

/// Sections in the order they were played.
fn form(svg: &mut String, turns: &[(String, Turn)]) {
    let (w, h) = SIZE;
    let fault = turns.iter().position(|t| t.1 != Turn::Played).unwrap_or(0);
    let from = fault.saturating_sub(BOXES / 2).min(turns.len().saturating_sub(BOXES));
    let shown: Vec<&(String, Turn)> = turns.iter().skip(from).take(BOXES).collect();
    let wide = ((w - 4.0) / shown.len().max(1) as f64).min(20.0);
    let left = (w - wide * shown.len() as f64 + 2.5) / 2.0;
    for (k, (section, turn)) in shown.into_iter().enumerate() {
        let (x, y, side) = (left + wide * k as f64, h / 2.0 - 10.0, wide - 2.5);
        let (ink, dash) = match turn {
            Turn::Played => ("#1e1e1c", ""),
            Turn::LeftOut => ("#d55e00", " stroke-dasharray=\"2 2\""),
            Turn::TooOften | Turn::Fault => ("#d55e00", ""),
        };
        let _ = write!(
            svg,
            "<rect x=\"{x:.1}\" y=\"{y:.1}\" width=\"{side:.1}\" height=\"20\" fill=\"none\" stroke=\"{ink}\"{dash}/>\
             <text x=\"{:.1}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"middle\" fill=\"{ink}\">{}</text>",
            x + side / 2.0,
            y + 14.0,
            escape(&clean(section, 3))
        );
        let middle = x + side / 2.0;
        let _ = match turn {
            Turn::Played => Ok(()),
            Turn::LeftOut => write!(svg, "<path d=\"M{x:.1} {:.1}l{side:.1} -20\" stroke=\"{ink}\"/>", y + 20.0),
            Turn::TooOften => {
                write!(svg, "<path d=\"M{middle:.1} {:.1}v6m-3-3h6\" stroke=\"{ink}\" stroke-width=\"1.2\"/>", y - 9.0)
            }
            Turn::Fault => write!(svg, "<path d=\"M{middle:.1} {:.1}l3 3l-3 3l-3-3z\" fill=\"{ink}\"/>", y - 9.0),
        };
    }
}

/// The tempo from beginning to end, beside one that stays.
fn drift(svg: &mut String, percent: f64) {
    let (w, h) = SIZE;
    let rise = percent.clamp(-EDGE_PERCENT, EDGE_PERCENT) / EDGE_PERCENT * (h / 2.0 - 8.0);
    let _ = write!(
        svg,
        "<path d=\"M4 {0:.1}H{1:.1}\" stroke=\"#a9a69c\" stroke-width=\".8\"/><path d=\"M4 {0:.1}L{1:.1} {2:.1}\" stroke=\"#1e1e1c\" stroke-width=\"1.2\"/>",
        h / 2.0,
        w - 34.0,
        h / 2.0 - rise
    );
    mark(svg, w - 34.0, h / 2.0 - rise, Sign::Fault);
    let sign = if percent < 0.0 { "−" } else { "+" };
    let _ = write!(
        svg,
        "<text x=\"{w}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"end\" fill=\"#1e1e1c\">{sign}{:.0} %</text>",
        h / 2.0 - rise + 4.0,
        percent.abs()
    );
}

/// The tempo played, beside the one asked for.
fn tempo(svg: &mut String, asked: f64, played: f64) {
    let (w, h) = SIZE;
    let rise = ((played / asked - 1.0) * 100.0).clamp(-EDGE_PERCENT, EDGE_PERCENT) / EDGE_PERCENT * (h / 2.0 - 8.0);
    let _ = write!(svg, "<path d=\"M4 {0:.1}H{1:.1}\" stroke=\"#0072b2\" stroke-width=\"1.5\"/>", h / 2.0, w - 34.0);
    mark(svg, (w - 34.0) / 2.0, h / 2.0 - rise, Sign::Fault);
    let _ = write!(
        svg,
        "<text x=\"{w}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"end\" fill=\"#0072b2\">{asked:.0}</text>",
        h / 2.0 + 4.0
    );
    if rise.abs() > 8.0 {
        let _ = write!(
            svg,
            "<text x=\"{w}\" y=\"{:.1}\" font-size=\"11\" text-anchor=\"end\" fill=\"#1e1e1c\">{played:.0}</text>",
            h / 2.0 - rise + 4.0
        );
    }
}

/// Size of a line of takes.
const LINE: (f64, f64) = (72.0, 20.0);

/// Where the k-th of n takes stands.
fn along(k: usize, n: usize) -> f64 {
    let step = ((LINE.0 - 10.0) / n.max(2) as f64).min(13.0);
    5.0 + step * (k as f64 + 0.5)
}

fn line(label: &str) -> String {
    let (w, h) = LINE;
    format!("<svg viewBox=\"0 0 {w} {h}\" width=\"{w}\" height=\"{h}\" role=\"img\" aria-label=\"{}\">", escape(label))
}

fn dot(svg: &mut String, x: f64, y: f64, last: bool) {
    let fill = if last { "#1e1e1c" } else { "#fdfcf9" };
    let _ = write!(
        svg,
        "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.4\" fill=\"{fill}\" stroke=\"#1e1e1c\" stroke-width=\".9\"/>"
    );
}

/// How even the takes were, the oldest first: even is up.
pub(super) fn evenness(takes: &[Option<f64>]) -> String {
    let (w, h) = LINE;
    let said: Vec<String> = takes.iter().map(|ms| ms.map_or("not heard".into(), |ms| format!("{ms:.0} ms"))).collect();
    let mut svg = line(&format!("evenness, take by take: {}", said.join(", ")));
    let y = |ms: f64| 3.0 + ms.clamp(0.0, UNEVEN_MS) / UNEVEN_MS * (h - 6.0);
    let _ = write!(
        svg,
        "<rect x=\"0\" y=\"0\" width=\"{w}\" height=\"{:.1}\" fill=\"#f0ede4\"/><path d=\"M0 {1:.1}H{w}\" stroke=\"#d9d6cc\" stroke-width=\".8\"/>",
        y(UNHEARD_MS),
        h - 0.4
    );
    for (k, ms) in takes.iter().enumerate().filter_map(|(k, ms)| Some((k, (*ms)?))) {
        dot(&mut svg, along(k, takes.len()), y(ms), k + 1 == takes.len());
    }
    svg + "</svg>"
}

/// The tempo asked for and played, take by take: faster is up. `range`: the part's.
pub(super) fn tempi(takes: &[(f64, Option<f64>)], range: (f64, f64)) -> String {
    let (w, h) = LINE;
    let said = |(asked, played): &(f64, Option<f64>)| {
        played.map_or_else(|| format!("{asked:.0} asked, not heard"), |p| format!("{asked:.0} asked, {p:.0} played"))
    };
    let mut svg = line(&format!("tempo, take by take: {}", takes.iter().map(said).collect::<Vec<_>>().join("; ")));
    // A third beyond what the part goes to, so that who plays it too fast or too slowly is still in the picture.
    let (low, high) = (range.0.min(range.1) * 0.75, range.0.max(range.1) * 1.25);
    let y = |bpm: f64| h - 3.0 - ((bpm - low) / (high - low).max(1.0)).clamp(0.0, 1.0) * (h - 6.0);
    let _ = write!(svg, "<path d=\"M0 {0:.1}H{w}\" stroke=\"#d9d6cc\" stroke-width=\".8\"/>", h - 0.4);
    for (k, (asked, played)) in takes.iter().enumerate() {
        let x = along(k, takes.len());
        let _ =
            write!(svg, "<path d=\"M{:.1} {:.1}h10\" stroke=\"#0072b2\" stroke-width=\"1.4\"/>", x - 5.0, y(*asked));
        if let Some(played) = played {
            dot(&mut svg, x, y(*played), k + 1 == takes.len());
        }
    }
    svg + "</svg>"
}
