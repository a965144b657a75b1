//! How to read the chart: only what stands in it.

use crate::part::Surface;

use super::super::played::{Absent, Played, What};
use super::super::words::CLEAR;
use super::marks;
use super::scene::{BAND, FAULT, GREY, INK, LINE, PULSE, Pen, QUIET, Scene};
use super::system::{Common, WHISKER};

const SIZE: f64 = 9.5;
const ROW: f64 = 16.0;
const R: f64 = 4.4;

/// What the entries are called.
fn surface_word(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "centre",
        Surface::Rim => "rim",
        Surface::Click => "sticks together",
        Surface::Pat => "pat",
        Surface::Clap => "clap",
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Entry {
    Shape(Surface),
    Both,
    Missed,
    NotHeard,
    NotHere,
    Elsewhere,
    Stray,
    Rebound,
    Unclear,
    Untimed,
    Whisker,
    Beyond,
    Stop,
    Pulse,
    Band,
    Rest,
}

fn entries(common: &Common) -> Vec<(Entry, &'static str)> {
    let Played { runs, .. } = common.played;
    let marks = || runs.iter().flat_map(|run| &run.marks).map(|mark| mark.what);
    let heard = || marks().filter_map(|what| if let What::Heard(heard) = what { Some(heard) } else { None });
    let absent = |wanted: Absent| marks().any(|what| matches!(what, What::Written { why, .. } if why == wanted));
    let stray = |wanted: bool| marks().any(|what| matches!(what, What::Stray { quiet, .. } if quiet == wanted));
    let both = marks()
        .any(|what| matches!(what, What::Heard(h) if h.both) || matches!(what, What::Written { both: true, .. }));
    let timeline = &common.assessment.timeline;
    let mut all = Surface::ALL
        .into_iter()
        .filter(|s| heard().any(|h| h.surface == *s) || timeline.strokes.iter().any(|w| w.surface == *s))
        .map(|s| (Entry::Shape(s), surface_word(s)))
        .collect::<Vec<_>>();
    let mut add = |there: bool, entry: Entry, said: &'static str| {
        if there {
            all.push((entry, said));
        }
    };
    let per_ms = common.layout.plot / 2.0 / common.layout.range_ms;
    add(both, Entry::Both, "both hands");
    add(absent(Absent::Missed), Entry::Missed, "written, not played");
    add(absent(Absent::NotHeard), Entry::NotHeard, "may have been played, could not be heard");
    add(heard().any(|h| h.wrong), Entry::Elsewhere, "heard on another surface than written");
    add(stray(false), Entry::Stray, "should not be there");
    add(stray(true), Entry::Rebound, "rebound");
    add(heard().any(|h| !h.wrong && h.late.is_some() && h.surface_p < CLEAR), Entry::Unclear, "surface unsure");
    add(heard().any(|h| h.late.is_none()), Entry::Untimed, "played, not timed");
    add(absent(Absent::NotHere), Entry::NotHere, "not played this time");
    let spread = |h: &super::super::played::Heard| h.sigma.millis() * 2.0 * WHISKER * per_ms > 2.6 * common.layout.r;
    add(heard().any(|h| h.late.is_some() && spread(&h)), Entry::Whisker, "may lie anywhere along the line");
    let beyond = |h: &super::super::played::Heard| h.late.is_some_and(|l| l.millis().abs() > common.layout.range_ms);
    add(heard().any(|h| beyond(&h)), Entry::Beyond, "further off than the scale");
    add(runs.iter().any(|run| !run.stops.is_empty()), Entry::Stop, "stopped");
    add(common.tempi.is_some(), Entry::Pulse, "own pulse, quarter notes a minute");
    add(heard().any(|h| h.late.is_some()), Entry::Band, "too small to hear");
    add(common.has_bare_rests(), Entry::Rest, "rest");
    all
}

/// The legend as a drawing of the width of the page.
pub(super) fn legend(common: &Common) -> Scene {
    let mut scene = Scene { width: common.width, height: 0.0, items: Vec::new() };
    let pen = Pen::new(SIZE).grey();
    let (mut x, mut y) = (0.0, 0.0);
    for (entry, said) in entries(common) {
        let sign = match entry {
            Entry::Pulse | Entry::Band | Entry::Rest => 22.0,
            _ => 16.0,
        };
        let wide = sign + pen.width(said);
        if x > 0.0 && x + wide > common.width {
            x = 0.0;
            y += ROW;
        }
        draw(&mut scene, entry, (x, y + ROW / 2.0));
        scene.text((x + sign, y + ROW / 2.0 + 3.2), said, pen);
        x += wide + 16.0;
    }
    scene.height = if scene.items.is_empty() { 0.0 } else { y + ROW };
    scene
}

fn draw(scene: &mut Scene, entry: Entry, (x, y): (f64, f64)) {
    let at = (x + 6.0, y);
    match entry {
        Entry::Shape(surface) => marks::solid(scene, surface, at, R, INK),
        Entry::Both => {
            marks::solid(scene, Surface::Centre, (at.0, y - 2.0), R, INK);
            marks::underline(scene, (at.0, y - 2.0), R, INK);
        }
        Entry::Missed => marks::hollow(scene, Surface::Centre, at, R, INK),
        Entry::NotHeard => marks::doubtful(scene, Surface::Centre, at, R),
        Entry::NotHere => marks::place(scene, at, R),
        Entry::Elsewhere => marks::elsewhere(scene, Surface::Centre, (x + 6.5, y), R * 0.72),
        Entry::Stray => marks::cross(scene, at, R, FAULT),
        Entry::Rebound => marks::cross(scene, at, R, GREY),
        Entry::Unclear => marks::unclear(scene, Surface::Centre, (at.0, y + 1.0), R),
        Entry::Untimed => marks::solid(scene, Surface::Centre, at, R * 0.8, GREY),
        Entry::Whisker => {
            marks::whisker(scene, at.0, (y - 7.0, y + 7.0), R);
            marks::solid(scene, Surface::Centre, at, R * 0.8, INK);
        }
        Entry::Beyond => scene.path(vec![(at.0 - 2.4, y + 1.3), (at.0, y - 1.3), (at.0 + 2.4, y + 1.3)], 1.0, INK),
        Entry::Stop => marks::caesura(scene, (at.0, y + 5.0), 10.0),
        Entry::Pulse => scene.line((x, y), (x + 17.0, y), 1.0, PULSE),
        Entry::Band => scene.rect((x, y - 4.0), (x + 17.0, y + 4.0), BAND),
        Entry::Rest => {
            scene.rect((x, y - 5.0), (x + 17.0, y + 5.0), QUIET);
            for edge in [x, x + 17.0] {
                scene.dashes((edge, y - 5.0), (edge, y + 5.0), (1.5, 2.5), 0.6, LINE);
            }
        }
    }
}
