//! The rival of every alignment: strikes that have nothing to do with the part.
//!
//! Three such accounts, the cheapest counts: playing about, as before and after the piece; strikes at random at the take's
//! own rate; and strikes in some steady pulse of their own in some rhythm of their own, on surfaces as often as this take
//! has them. A falling stick bounces in any account.

use super::model::{Event, Model, N};
use crate::stats::normal_density;

/// Units of time tried for the foreign pulse, seconds, and their number (6 % apart).
const UNITS_S: (f64, f64) = (0.09, 0.75);
const UNITS: usize = 36;
/// Multiples of the unit between one strike and the next, and how often: even strokes and pairs are commonest.
const MULTIPLES: [f64; 8] = [0.40, 0.30, 0.08, 0.12, 0.03, 0.03, 0.02, 0.02];
/// Share of intervals that keep to no unit.
const OFF: f64 = 0.05;
/// Anybody's rhythms repeat themselves, which these accounts know nothing of: they are this much too dear, nats a
/// strike. Origin: `scripts/measuring/class_figures.rs`: takes of the right part, however faulty, are at least .75 nats a strike
/// better than these accounts (252 takes); takes of other parts .71 at most (693), all but one under .6.
const REPETITION: f64 = 0.6;
/// The unit follows the player by this much of what one interval says.
const FOLLOW: f64 = 0.1;

/// Cost in nats on the scale of [`super::Alignment::cost`].
pub(crate) fn cost(model: &Model, events: &[Event]) -> f64 {
    let bounces: f64 = events.iter().filter(|e| e.bounce).map(|e| e.as_extra.bounce).sum();
    let events: Vec<&Event> = events.iter().filter(|e| !e.bounce).collect();
    if events.is_empty() {
        return bounces;
    }
    let about: f64 = events.iter().map(|e| e.as_extra.burst).sum();
    let rate = model.strike_rate.max(0.1);
    // What may be no strike at all is cheap in either account.
    let doubt = |event: &&Event| event.doubt_rate;
    let random: f64 = events.iter().map(|e| -(rate + doubt(e)).ln()).sum::<f64>() + events.len() as f64;
    let (low, high) = (UNITS_S.0.ln(), UNITS_S.1.ln());
    let steady = (0..UNITS)
        .map(|k| {
            pulsed(model, &events, (low + (high - low) * k as f64 / (UNITS - 1) as f64).exp()) + (UNITS as f64).ln()
        })
        .fold(f64::INFINITY, f64::min);
    let rhythm = random.min(steady - REPETITION * events.len() as f64) + surfaces(model, &events);
    rhythm.min(about) + bounces
}

/// Strikes at multiples of a slowly changing unit.
fn pulsed(model: &Model, events: &[&Event], mut unit: f64) -> f64 {
    let mut total = 0.0;
    let mut last: Option<f64> = None;
    for event in events {
        let off = OFF * model.strike_rate + event.doubt_rate;
        let Some(before) = last else {
            last = Some(event.t);
            continue;
        };
        let interval = event.t - before;
        let sd = (2.0 * event.var).sqrt();
        let k = (interval / unit).round();
        let density = |k: f64| {
            let share = if k < 1.0 { 0.0 } else { MULTIPLES.get(k as usize - 1).copied().unwrap_or(0.01 / (k + 1.0)) };
            share * normal_density(interval - k * unit, sd)
        };
        let p = density(k);
        total -= ((1.0 - OFF) * p + off).ln();
        if p > off {
            unit += FOLLOW * (interval / k - unit);
        }
        if p > off || interval > 0.5 * unit {
            last = Some(event.t);
        }
    }
    total
}

/// Surfaces drawn at the take's own frequencies, against the background of the part.
fn surfaces(model: &Model, events: &[&Event]) -> f64 {
    let mut own = [1.0; N];
    for event in events {
        for (sum, p) in own.iter_mut().zip(event.p) {
            *sum += p;
        }
    }
    let all: f64 = own.iter().sum();
    events
        .iter()
        .map(|event| {
            let mine: f64 = (0..N).map(|c| event.p[c] * own[c] / all).sum();
            let theirs: f64 = (0..N).map(|c| event.p[c] * model.background[c]).sum();
            -(mine / theirs.max(1e-9)).ln()
        })
        .sum()
}
