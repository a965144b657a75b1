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
/// Jitter tried in the second pass, seconds; walks as shares of it; tempo walks. Beyond the ends a handful of strikes
/// would make a player perfect or deaf.
const JITTERS_S: [f64; 11] = [0.006, 0.009, 0.012, 0.016, 0.020, 0.025, 0.031, 0.038, 0.046, 0.056, 0.068];
const WALK_RATIOS: [f64; 5] = [0.12, 0.25, 0.45, 0.75, 1.2];
const TEMPO_WALKS: [f64; 3] = [0.006, 0.009, 0.014];
const PHASE_LEAST_S: f64 = 0.003;
/// What is usual before the take is heard, and its spread as a natural logarithm.
/// Origin: published jitter of children and adults, 10 to 65 ms (planning guesses); a clock about half as loose.
const JITTER_USUAL_S: f64 = 0.025;
const JITTER_SPREAD: f64 = 0.6;
const WALK_RATIO_USUAL: f64 = 0.4;
const WALK_RATIO_SPREAD: f64 = 0.7;
const TEMPO_SPREAD: f64 = 0.5;
/// Shifts below this (quarters) may be jitter.
const SMALL_SHIFT: f64 = 0.4;
/// Degrees of freedom of the robust likelihood, and the fewest strikes that teach anything.
const DEGREES: f64 = 4.0;
const LEAST_STRIKES: usize = 6;
/// The scale of a t of four degrees that fits normal noise best is .83 of its deviation: solves
/// `E[5 z^2 / (4 + z^2)] = 1` with `z = x / scale`, `x` standard normal (worked out numerically).
const TO_NORMAL: f64 = 1.0 / 0.831;
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
        jitter_s: config.jitter.get().clamp(JITTERS_S[0], JITTERS_S[JITTERS_S.len() - 1]),
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
    if let Some((jitter, walk, tempo)) = timing(score, events, steps) {
        (next.jitter_s, next.phase_walk_s, next.tempo_walk) = (jitter, walk, tempo);
    }
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

/// Jitter, phase walk and tempo walk at which the filter is least surprised by this take: the likelihood of the
/// innovations along the path, on a grid, with Student's t of four degrees of freedom so that single slips do not
/// count for much, and with what is usual as prior.
fn timing(score: &Score, events: &[Event], steps: &[Hyp]) -> Option<(f64, f64, f64)> {
    let mut runs: Vec<Vec<(f64, f64)>> = Vec::new();
    let mut quarter = 0.0;
    let mut last: Option<&Hyp> = None;
    for (event, hyp) in events.iter().zip(steps) {
        let Ok(j) = usize::try_from(hyp.j) else { continue };
        // A small shift may well be this player's jitter: it must not be left out of the reckoning.
        let small = |before: &Hyp| {
            let due = score.at[j] - score.at[before.j.max(0) as usize];
            ((event.t - before.pulse.at) / before.pulse.quarter - due).abs() < SMALL_SHIFT
        };
        match hyp.step {
            Step::Match | Step::Displaced => {}
            Step::Shift if last.is_some_and(small) => {}
            step if step.is_match() => runs.push(Vec::new()),
            _ => continue,
        }
        last = Some(hyp);
        if let Some(run) = runs.last_mut() {
            run.push((score.at[j], event.t));
            quarter = hyp.pulse.quarter;
        }
    }
    if runs.iter().map(|run| run.len().saturating_sub(2)).sum::<usize>() < LEAST_STRIKES {
        return None;
    }
    let mut best = (f64::INFINITY, (0.0, 0.0, 0.0));
    for jitter in JITTERS_S {
        for ratio in WALK_RATIOS {
            let walk = (jitter * ratio).max(PHASE_LEAST_S);
            for tempo in TEMPO_WALKS {
                let fit: f64 = runs.iter().map(|run| surprise(run, quarter, jitter, walk, tempo)).sum();
                let prior = 0.5 * ((jitter / JITTER_USUAL_S).ln() / JITTER_SPREAD).powi(2)
                    + 0.5 * ((ratio / WALK_RATIO_USUAL).ln() / WALK_RATIO_SPREAD).powi(2)
                    + 0.5 * ((tempo / TEMPO_WALK).ln() / TEMPO_SPREAD).powi(2);
                if fit + prior < best.0 {
                    best = (fit + prior, (jitter, walk, tempo));
                }
            }
        }
    }
    let (jitter, walk, tempo) = best.1;
    Some((jitter * TO_NORMAL, walk * TO_NORMAL, tempo))
}

/// Minus the log likelihood of one unbroken run of (quarters, seconds) under the filter.
fn surprise(run: &[(f64, f64)], quarter: f64, jitter: f64, walk: f64, tempo: f64) -> f64 {
    let (Some(&(b0, t0)), Some(&(b1, t1))) = (run.first(), run.get(1)) else { return 0.0 };
    let var = jitter * jitter;
    let span = (b1 - b0).max(1e-3);
    // Two strikes place the pulse; the tempo is known to a tenth besides.
    let (known, seen) = ((0.1 * quarter).powi(2), (2.0 * var + walk * walk * span) / (span * span));
    let gain = known / (known + seen);
    let (mut tau, mut p) = (t1, quarter + gain * ((t1 - t0) / span - quarter));
    let (mut a, mut c, mut d) = (var, var / span * gain, known * (1.0 - gain));
    let mut total = 0.0;
    for pair in run[1..].windows(2) {
        let db = pair[1].0 - pair[0].0;
        a += 2.0 * db * c + db * db * d + walk * walk * db;
        c += db * d;
        d += (tempo * p).powi(2) * db;
        let s = a + var;
        let dev = pair[1].1 - tau - db * p;
        let z2 = dev * dev / s;
        total += 0.5 * s.ln() + 0.5 * (DEGREES + 1.0) * (1.0 + z2 / DEGREES).ln();
        // A strike far out hardly moves the pulse.
        let trust = (DEGREES + 1.0) / (DEGREES + z2);
        let (g, h) = (a / s * trust.min(1.0), c / s * trust.min(1.0));
        tau += db * p + g * dev;
        p += h * dev;
        d -= h * c;
        c *= 1.0 - g;
        a *= 1.0 - g;
    }
    total
}
