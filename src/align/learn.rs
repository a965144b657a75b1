//! What the first pass teaches the second: jitter, phase walk, misses, extras, mixed-up surfaces.

use super::model::{Event, Model, N, normalised};
use super::score::Score;
use super::search::Hyp;
use super::{AlignConfig, Step, Strike, costs};
use crate::part::Timeline;

/// Random walk of the beat's phase in the first pass: 12 ms after one quarter note.
/// Origin: a trained adult's clock has about 2 % of the interval (Wing and Kristofferson's two-level model, from
/// memory); replaced by the take's own in the second pass.
const PHASE_WALK_S: f64 = 0.012;
/// Random walk of the tempo: .9 % after one quarter note, so 3.6 % after four bars.
/// Origin: half the just noticeable change of tempo over 6 to 8 beats, 3.5 %: a drift nobody in the room notices.
const TEMPO_WALK: f64 = 0.009;
/// Bounds of the two, so that a handful of strikes cannot make a player perfect or deaf.
const JITTER_S: (f64, f64) = (0.008, 0.070);
const PHASE_S: (f64, f64) = (0.006, 0.045);
/// Counts that the prior is worth: strokes for the miss rate and each row of mixed-up surfaces, seconds for extras.
const MISS_PRIOR: f64 = 60.0;
const ROW_PRIOR: f64 = 10.0;
const EXTRA_PRIOR_S: f64 = 60.0;
/// Right surface before anything is known, and the least left to every mix-up.
const RIGHT: f64 = 0.93;
const CONFUSION_FLOOR: f64 = 0.01;

/// Before anything was heard.
pub(crate) fn first_model(timeline: &Timeline, strikes: &[Strike], config: &AlignConfig) -> Model {
    let mut confusion = [[(1.0 - RIGHT) / (N - 1) as f64; N]; N];
    for (c, row) in confusion.iter_mut().enumerate() {
        row[c] = RIGHT;
    }
    let mut background = [0.5; N];
    for stroke in &timeline.strokes {
        background[stroke.surface.index()] += 1.0;
    }
    let all: f64 = background.iter().sum();
    let length = match (strikes.first(), strikes.last()) {
        (Some(a), Some(b)) => (b.at - a.at).get().max(1.0),
        _ => 1.0,
    };
    let heard: f64 =
        strikes.iter().map(|s| if s.certainty.is_finite() { s.certainty.clamp(0.0, 1.0) } else { 0.5 }).sum();
    Model {
        quarter_s: timeline.bpm.quarter().get(),
        jitter_s: config.jitter.get().clamp(JITTER_S.0, JITTER_S.1),
        phase_walk_s: PHASE_WALK_S,
        tempo_walk: TEMPO_WALK,
        confusion,
        background: background.map(|x| x / all),
        miss: costs::MISS,
        extra_rate: costs::EXTRA_RATE,
        strike_rate: (heard / length).clamp(0.3, 8.0),
    }
}

/// After a pass, from the accounts along its path.
pub(crate) fn second_model(score: &Score, model: &Model, events: &[Event], steps: &[Hyp]) -> Model {
    let mut next = model.clone();
    (next.jitter_s, next.phase_walk_s) = timing(score, events, steps).unwrap_or((model.jitter_s, model.phase_walk_s));
    let mut counts = model.confusion.map(|row| row.map(|x| x * ROW_PRIOR));
    let (mut matched, mut missed, mut extra) = (0.0, 0.0, 0.0);
    let mut last: Option<usize> = None;
    for (event, hyp) in events.iter().zip(steps) {
        if !hyp.step.is_match() {
            if hyp.step == Step::Extra && hyp.j >= 0 && (hyp.j as usize) + 1 < score.len() {
                // Only sounds that were strikes count against the player.
                extra += 1.0 / (1.0 + event.doubt_rate / model.extra_rate);
            }
            continue;
        }
        let Ok(j) = usize::try_from(hyp.j) else { continue };
        matched += 1.0;
        if let (Some(before), true) = (last, matches!(hyp.step, Step::Match | Step::Displaced | Step::NewTempo)) {
            missed += j.saturating_sub(before + 1).min(3) as f64;
        }
        last = Some(j);
        let written = score.surface[j];
        let weight: [f64; N] = std::array::from_fn(|c| event.p[c] * model.confusion[written][c]);
        for (count, w) in counts[written].iter_mut().zip(normalised(weight)) {
            *count += w;
        }
    }
    next.confusion = counts.map(|row| {
        let sum: f64 = row.iter().sum();
        let row = row.map(|x| (x / sum).max(CONFUSION_FLOOR));
        let sum: f64 = row.iter().sum();
        row.map(|x| x / sum)
    });
    let rate = (missed + (-costs::MISS).exp() * MISS_PRIOR) / (matched + missed + MISS_PRIOR);
    next.miss = -rate.clamp(0.015, 0.2).ln();
    let length = events.last().zip(events.first()).map_or(0.0, |(b, a)| b.t - a.t);
    next.extra_rate = ((extra + costs::EXTRA_RATE * EXTRA_PRIOR_S) / (length + EXTRA_PRIOR_S)).clamp(0.02, 0.4);
    next
}

/// Jitter and phase walk from triples of matched strikes: the middle one against the line through the outer two has
/// variance `jitter^2 (1 + w^2 + (1-w)^2) + walk^2 L w (1-w)`, with `w` its place between them and `L` their distance
/// in quarters. Near triples tell the jitter, wide ones the walk. Medians of squares keep single slips out.
fn timing(score: &Score, events: &[Event], steps: &[Hyp]) -> Option<(f64, f64)> {
    let mut runs: Vec<Vec<(f64, f64, f64)>> = Vec::new();
    for (event, hyp) in events.iter().zip(steps) {
        let Ok(j) = usize::try_from(hyp.j) else { continue };
        match hyp.step {
            Step::Match | Step::Displaced => {}
            step if step.is_match() => runs.push(Vec::new()),
            _ => continue,
        }
        if let Some(run) = runs.last_mut() {
            run.push((score.at[j], event.t, event.var));
        }
    }
    // One near scale (neighbours) and one wide scale (about two quarters on either side).
    let scale = |near: f64, far: f64| {
        let (mut squares, mut walks) = (Vec::new(), Vec::new());
        for run in &runs {
            for (k, &(b, t, _)) in run.iter().enumerate() {
                let before = run[..k].iter().rev().find(|x| b - x.0 >= near);
                let after = run[k + 1..].iter().find(|x| x.0 - b >= near);
                let (Some(&(b0, t0, _)), Some(&(b1, t1, _))) = (before, after) else { continue };
                if b1 - b0 > far {
                    continue;
                }
                let w = (b - b0) / (b1 - b0);
                let error = t - (1.0 - w) * t0 - w * t1;
                let norm = 1.0 + w * w + (1.0 - w) * (1.0 - w);
                squares.push(error * error / norm);
                walks.push((b1 - b0) * w * (1.0 - w) / norm);
            }
        }
        // The median of a squared normal is .455 of its variance (chi-squared with one degree of freedom).
        (squares.len() >= 8).then(|| (median(squares) / 0.455, median(walks)))
    };
    let (near, near_walk) = scale(1e-6, 2.0).or_else(|| scale(1e-6, 4.0))?;
    let wide = scale(2.0, 6.0);
    let (jitter2, walk2) = match wide {
        Some((far, far_walk)) if far > near && far_walk > near_walk + 0.05 => {
            let walk2 = (far - near) / (far_walk - near_walk);
            (near - walk2 * near_walk, walk2)
        }
        _ => (near, PHASE_S.0.powi(2)),
    };
    let jitter = jitter2.max(0.1 * near).sqrt().clamp(JITTER_S.0, JITTER_S.1);
    Some((jitter, walk2.max(0.0).sqrt().clamp(PHASE_S.0, PHASE_S.1)))
}

fn median(mut x: Vec<f64>) -> f64 {
    if x.is_empty() {
        return 0.0;
    }
    x.sort_by(f64::total_cmp);
    let n = x.len();
    if n % 2 == 1 { x[n / 2] } else { 0.5 * (x[n / 2 - 1] + x[n / 2]) }
}
