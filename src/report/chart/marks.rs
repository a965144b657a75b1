//! The shapes: one for each surface, and what is done to them.

use super::scene::{Anchor, FAULT, GREY, INK, Ink, LINE, PAPER, Pen, Scene, circle};
use crate::part::Surface;

/// The outline of a surface's shape around a point. All are of about the area of a disc of radius `r`.
pub(super) fn shape(surface: Surface, (x, y): (f64, f64), r: f64) -> Vec<(f64, f64)> {
    match surface {
        Surface::Centre => circle(x, y, r),
        Surface::Rim => {
            let d = r * 1.27;
            vec![(x, y - d), (x + d, y), (x, y + d), (x - d, y)]
        }
        Surface::Click => {
            let (w, up, down) = (r * 1.2, r * 1.25, r * 0.95);
            vec![(x, y - up), (x + w, y + down), (x - w, y + down)]
        }
        Surface::Pat => {
            let d = r * 0.88;
            vec![(x - d, y - d), (x + d, y - d), (x + d, y + d), (x - d, y + d)]
        }
        // Two hands that meet.
        Surface::Clap => {
            let (w, h, waist) = (r * 1.25, r * 1.1, r * 0.28);
            vec![(x - w, y - h), (x, y - waist), (x + w, y - h), (x + w, y + h), (x, y + waist), (x - w, y + h)]
        }
    }
}

/// A strike on its stroke.
pub(super) fn solid(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64, ink: Ink) {
    solid_on(scene, surface, at, r, ink, PAPER);
}

/// The same on another ground.
pub(super) fn solid_on(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64, ink: Ink, ground: Ink) {
    // A hair of the ground around it keeps neighbours apart.
    fill(scene, surface, at, r + 0.9, ground);
    fill(scene, surface, at, r, ink);
}

fn fill(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64, ink: Ink) {
    match surface {
        Surface::Centre => scene.disc(at.0, at.1, r, ink),
        _ => scene.fill(shape(surface, at, r), ink),
    }
}

/// A stroke that was not played.
pub(super) fn hollow(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64, ink: Ink) {
    solid(scene, surface, at, r * 1.1, ink);
    fill(scene, surface, at, r * 0.74, PAPER);
}

/// A stroke nobody can say about.
pub(super) fn doubtful(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64) {
    scene.fill(shape(surface, at, r * 1.3), PAPER);
    dotted(scene, &shape(surface, at, r * 1.15), r * 0.22, GREY);
    let pen = Pen { size: r * 1.7, bold: true, anchor: Anchor::Middle, ink: GREY };
    scene.text((at.0, at.1 + r * 0.62), "?", pen);
}

/// A stroke of a bar that was not reached: only its place.
pub(super) fn place(scene: &mut Scene, at: (f64, f64), r: f64) {
    scene.disc(at.0, at.1, r * 0.32, LINE);
}

/// A strike that should not be there.
pub(super) fn cross(scene: &mut Scene, (x, y): (f64, f64), r: f64, ink: Ink) {
    let d = r * 0.9;
    for (a, b) in [((x - d, y - d), (x + d, y + d)), ((x - d, y + d), (x + d, y - d))] {
        scene.line(a, b, r * 0.78, PAPER);
        scene.line(a, b, r * 0.4, ink);
    }
}

/// A strike on another surface than written: its own shape in the second hue, ringed.
pub(super) fn elsewhere(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64) {
    for (part, ink) in [(2.05, PAPER), (1.85, FAULT), (1.58, PAPER)] {
        scene.disc(at.0, at.1, r * part, ink);
    }
    solid(scene, surface, at, r * 0.95, FAULT);
}

/// The surface was not clearly heard: a question mark beside the shape.
pub(super) fn unclear(scene: &mut Scene, surface: Surface, at: (f64, f64), r: f64) {
    solid(scene, surface, at, r, INK);
    let pen = Pen { size: r * 2.1, bold: true, anchor: Anchor::Start, ink: GREY };
    scene.text((at.0 + r * 0.75, at.1 - r * 0.75), "?", pen);
}

/// Both hands: a line under the mark.
pub(super) fn underline(scene: &mut Scene, (x, y): (f64, f64), r: f64, ink: Ink) {
    scene.line((x - r * 1.25, y + r * 2.0), (x + r * 1.25, y + r * 2.0), r * 0.3, ink);
}

/// Where the mark may truly lie.
pub(super) fn whisker(scene: &mut Scene, x: f64, (top, bottom): (f64, f64), r: f64) {
    scene.line((x, top), (x, bottom), 0.9, GREY);
    for y in [top, bottom] {
        scene.line((x - r * 0.55, y), (x + r * 0.55, y), 0.9, GREY);
    }
}

/// The player stopped here: two strokes through the line, as a caesura is printed.
pub(super) fn caesura(scene: &mut Scene, (x, y): (f64, f64), height: f64) {
    for dx in [-2.2, 2.2] {
        scene.line((x + dx - 2.0, y), (x + dx + 2.0, y - height), 1.2, INK);
    }
}

/// A closed line of dots.
pub(super) fn dotted(scene: &mut Scene, corners: &[(f64, f64)], width: f64, ink: Ink) {
    let closed = corners.iter().chain(corners.first()).copied().collect::<Vec<_>>();
    let lengths = closed.windows(2).map(|w| (w[1].0 - w[0].0).hypot(w[1].1 - w[0].1)).collect::<Vec<_>>();
    let around = lengths.iter().sum::<f64>();
    let n = (around / (width * 2.4)).round().max(6.0) as usize;
    for i in 0..n {
        let mut along = around * i as f64 / n as f64;
        for (pair, length) in closed.windows(2).zip(&lengths) {
            if along <= *length && *length > 0.0 {
                let part = along / length;
                let x = pair[0].0 + (pair[1].0 - pair[0].0) * part;
                let y = pair[0].1 + (pair[1].1 - pair[0].1) * part;
                scene.disc(x, y, width * 0.62, ink);
                break;
            }
            along -= length;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn area(points: &[(f64, f64)]) -> f64 {
        let next = points.iter().cycle().skip(1);
        (points.iter().zip(next).map(|(a, b)| a.0 * b.1 - b.0 * a.1).sum::<f64>() / 2.0).abs()
    }

    #[test]
    fn no_surface_looks_heavier_than_another() {
        for surface in Surface::ALL {
            let part = area(&shape(surface, (0.0, 0.0), 1.0)) / std::f64::consts::PI;
            assert!((0.75..1.2).contains(&part), "{} {part}", surface.word());
        }
    }
}
