//! The foot of a practice sheet: tempo steps to tick off, and the caution.

use super::super::scene::{Pen, Scene};
use super::super::words;
use super::{BLACK, Block, WIDE};
use crate::part::{Part, Section};

/// Steps from the slowest tempo to the fastest, both among them, at most.
const MOST_STEPS: u32 = 6;
/// Steps are no smaller than this, in quarter notes a minute: about what one hears, 4 % at 72.
const SMALLEST: f64 = 3.0;
const ROW: f64 = 24.0;
const BOX: f64 = 15.0;

/// The tempi to tick, rising evenly in whole numbers.
fn tempi(start: f64, goal: f64) -> Vec<f64> {
    let span = goal - start;
    let gaps = ((span / SMALLEST).floor()).clamp(0.0, f64::from(MOST_STEPS - 1));
    if gaps < 1.0 {
        return if span > 0.0 { vec![start, goal] } else { vec![start] };
    }
    let steps = 0..=gaps as u32;
    let at = |i: u32| start + span * f64::from(i) / gaps;
    let whole = |i: u32| if i == 0 || f64::from(i) >= gaps { at(i) } else { at(i).round() };
    steps.map(whole).collect()
}

/// The table, row by row, and the caution.
pub(super) fn blocks(part: &Part, sections: &[&Section], one: bool) -> Vec<Block> {
    let name = |n: &str| words::clean(n, words::NAME);
    let mut rows: Vec<String> = sections.iter().map(|s| name(&s.name)).collect();
    if !one {
        let mut joins: Vec<(&String, &String)> = Vec::new();
        for pair in part.form.windows(2) {
            if pair[0] != pair[1] && !joins.contains(&(&pair[0], &pair[1])) {
                joins.push((&pair[0], &pair[1]));
            }
        }
        rows.extend(joins.iter().map(|(a, b)| format!("{} into {}, no pause", name(a), name(b))));
        if part.form.len() > 1 {
            rows.push("the whole thing".into());
        }
    }
    let tempi = tempi(part.range.start.get(), part.range.goal.get());
    let mut out = Vec::new();
    let bold = Pen::new(14.0).bold().ink(BLACK);
    let mut scene = Scene::default();
    scene.text((0.0, 26.0), "Tick a tempo when it was easy twice in a row", bold);
    scene.line((0.0, 34.0), (WIDE, 34.0), 0.8, BLACK);
    out.push(Block { height: 34.0, scene, with_next: true });
    let pen = Pen::new(13.5).ink(BLACK);
    // The names take what the boxes leave, at least a quarter of the width.
    let left = WIDE * 0.34;
    let each = (WIDE - left) / f64::from(MOST_STEPS);
    for (i, row) in rows.iter().enumerate() {
        let mut scene = Scene::default();
        scene.text((0.0, 17.0), pen.fitted(row, left - 10.0), pen);
        for (k, bpm) in tempi.iter().enumerate() {
            let x = left + each * k as f64;
            scene.outline(vec![(x, 4.5), (x + BOX, 4.5), (x + BOX, 4.5 + BOX), (x, 4.5 + BOX)], 1.1, BLACK);
            scene.text((x + BOX + 7.0, 17.0), format!("{}", (bpm * 10.0).round() / 10.0), pen);
        }
        scene.line((0.0, ROW), (WIDE, ROW), 0.5, BLACK);
        out.push(Block { height: ROW, scene, with_next: i + 1 == rows.len() });
    }
    let pen = Pen::new(11.5).ink(BLACK);
    let said = "Drums are loud: something soft under the bucket, short turns, loose hands. If your ears ring or something \
                hurts, stop and tell a grown-up.";
    let mut scene = Scene::default();
    let lines = pen.wrapped(said, WIDE);
    for (i, line) in lines.iter().enumerate() {
        scene.text((0.0, 20.0 + 15.0 * i as f64), line.as_str(), pen);
    }
    out.push(Block { height: 10.0 + 15.0 * lines.len() as f64, scene, with_next: false });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tempo_steps_rise_evenly_from_start_to_goal() {
        assert_eq!(tempi(66.0, 96.0), [66.0, 72.0, 78.0, 84.0, 90.0, 96.0]);
        assert_eq!(tempi(60.0, 70.0), [60.0, 63.0, 67.0, 70.0]);
        assert_eq!(tempi(60.0, 62.0), [60.0, 62.0]);
        assert_eq!(tempi(60.5, 60.5), [60.5]);
    }
}
