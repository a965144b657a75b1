//! The path of the search -> [`Placed`]: the pulse at every strike, seen from both sides.
//!
//! The search knows only what came before a strike; here each unbroken stretch is smoothed backwards with the
//! Rauch-Tung-Striebel recursion (Rauch, Tung & Striebel 1965, AIAA Journal 3:1445; from memory), so that the pulse at a
//! stroke rests on what follows too.

use super::model::{Event, Model};
use super::score::Score;
use super::search::Hyp;
use super::{Placed, Step};
use crate::units::{Bpm, Seconds};

/// One placed strike for each account of the path.
pub(crate) fn placed(score: &Score, model: &Model, events: &[Event], steps: &[Hyp]) -> Vec<Placed> {
    let mut out: Vec<Placed> = (events.iter().zip(steps))
        .map(|(event, hyp)| {
            let own = usize::try_from(hyp.j).ok().filter(|&j| j < score.len());
            let stroke = match hyp.step {
                Step::Double => own.filter(|&j| score.both[j]),
                step if step.is_match() => own,
                _ => None,
            };
            let pulse = if hyp.step.is_match() { hyp.pulse.at } else { event.t };
            Placed { step: hyp.step, stroke, pulse: Seconds::of(pulse), bpm: Bpm::clamped(60.0 / hyp.pulse.quarter) }
        })
        .collect();
    let matched: Vec<usize> = (0..out.len()).filter(|&i| out[i].step.is_match() && out[i].stroke.is_some()).collect();
    let mut from = 0;
    while from < matched.len() {
        let fresh = |k: usize| out[matched[k]].step.breaks() || out[matched[k]].step == Step::NewTempo;
        let to = (from + 1..matched.len()).find(|&k| fresh(k)).unwrap_or(matched.len());
        for (i, (tau, p)) in smoothed(score, model, steps, &matched[from..to]) {
            out[i].pulse = Seconds::of(tau);
            out[i].bpm = Bpm::clamped(60.0 / p);
        }
        from = to;
    }
    // Unmatched strikes bear the tempo around them.
    let mut bpm = matched.first().map(|&i| out[i].bpm);
    for placed in &mut out {
        if placed.step.is_match() {
            bpm = Some(placed.bpm);
        } else if let Some(bpm) = bpm {
            placed.bpm = bpm;
        }
    }
    out
}

/// (strike, (time of the pulse, length of a quarter)) over one stretch.
fn smoothed(score: &Score, model: &Model, steps: &[Hyp], stretch: &[usize]) -> Vec<(usize, (f64, f64))> {
    let Some((&last, rest)) = stretch.split_last() else { return Vec::new() };
    let mut state = (steps[last].pulse.at, steps[last].pulse.quarter);
    let mut out = vec![(last, state)];
    let mut after = last;
    for &i in rest.iter().rev() {
        let (here, next) = (&steps[i], &steps[after]);
        let db = score.at[next.j as usize] - score.at[here.j as usize];
        // Prediction from here to the next: x' = F x with F = [1 db; 0 1].
        let here = here.pulse;
        let ahead = here.predict(db, model);
        let (a, c, d) = (ahead.var, ahead.cov, ahead.quarter_var);
        let det = a * d - c * c;
        if det > 1e-18 {
            // Gain = P F' P'^-1.
            let (pf00, pf01, pf10, pf11) =
                (here.var + db * here.cov, here.cov, here.cov + db * here.quarter_var, here.quarter_var);
            let (dt, dp) = (state.0 - ahead.at, state.1 - ahead.quarter);
            let (u, v) = ((d * dt - c * dp) / det, (a * dp - c * dt) / det);
            state = (here.at + pf00 * u + pf01 * v, here.quarter + pf10 * u + pf11 * v);
        } else {
            state = (here.at, here.quarter);
        }
        out.push((i, state));
        after = i;
    }
    out
}
