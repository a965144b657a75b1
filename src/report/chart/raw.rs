//! What was heard of a take that could not be matched to the part: strikes along the seconds, and nothing claimed.

use crate::assess::Assessment;

use super::layout::{EDGE, GUTTER};
use super::scene::{GREY, INK, LINE, Pen, Scene};

/// Seconds in a line: about two bars of a slow beginner.
const PER_LINE: f64 = 8.0;
/// Lines shown; a longer recording of something else is not worth more paper.
const MOST_LINES: usize = 8;
const HEIGHT: f64 = 46.0;

/// Strikes as ticks, louder ones longer.
pub(super) fn raw(assessment: &Assessment, width: f64) -> Scene {
    let mut scene = Scene { width, height: 0.0, items: Vec::new() };
    let strikes = assessment.strikes.iter().filter(|s| s.counts()).collect::<Vec<_>>();
    if strikes.is_empty() {
        return scene;
    }
    let times = strikes.iter().map(|s| s.at.get().max(0.0)).collect::<Vec<_>>();
    let end = times.iter().copied().fold(0.0, f64::max);
    let all = ((end / PER_LINE).floor() as usize).saturating_add(1);
    let lines = all.min(MOST_LINES);
    let loudest = strikes.iter().map(|s| s.level.0).fold(f64::NEG_INFINITY, f64::max);
    let scale = (width - GUTTER - EDGE) / PER_LINE;
    for line in 0..lines {
        let from = line as f64 * PER_LINE;
        let base = line as f64 * HEIGHT + HEIGHT - 18.0;
        scene.line((GUTTER, base), (width - EDGE, base), 0.7, LINE);
        for second in 0..=PER_LINE as usize {
            let x = GUTTER + second as f64 * scale;
            scene.line((x, base), (x, base + 3.0), 0.7, GREY);
            if second % 2 == 0 {
                let said = format!("{:.0}", from + second as f64);
                scene.text((x, base + 12.5), said, Pen::new(9.0).grey().middle());
            }
        }
        scene.text((GUTTER - 6.0, base + 12.5), if line == 0 { "seconds" } else { "" }, Pen::new(8.0).grey().end());
        for (time, strike) in times.iter().zip(&strikes) {
            if (from..from + PER_LINE).contains(time) {
                let x = GUTTER + (time - from) * scale;
                // 30 dB from the tallest to the smallest.
                let part = (1.0 + (strike.level.0 - loudest) / 30.0).clamp(0.2, 1.0);
                scene.line((x, base), (x, base - 22.0 * part), 1.4, INK);
            }
        }
    }
    scene.height = lines as f64 * HEIGHT;
    if all > lines {
        let said = format!("and {:.0} s more", end - lines as f64 * PER_LINE);
        scene.text((GUTTER, scene.height + 8.0), said, Pen::new(9.0).grey());
        scene.height += 14.0;
    }
    scene
}
