//! What one take teaches about its player, and what one strike says under it.

use super::{Strike, costs};
use crate::part::Surface;
use crate::stats::{median, normal_density};

/// Number of surfaces.
pub(crate) const N: usize = Surface::COUNT;

/// What is believed of the player while a take is searched.
#[derive(Clone, Debug)]
pub(crate) struct Model {
    /// Seconds in a quarter note at the tempo asked for.
    pub(crate) quarter_s: f64,
    /// Motor noise of a single strike, seconds.
    pub(crate) jitter_s: f64,
    /// Random walk of the beat's phase: seconds after one quarter, growing with the square root.
    pub(crate) phase_walk_s: f64,
    /// Random walk of the tempo: share of a quarter's length after one quarter.
    pub(crate) tempo_walk: f64,
    /// Written (row) to heard (column).
    pub(crate) confusion: [[f64; N]; N],
    /// How often each surface is written in this part.
    pub(crate) background: [f64; N],
    /// Cost of a stroke left out, nats.
    pub(crate) miss: f64,
    /// Strikes nobody wrote, per second.
    pub(crate) extra_rate: f64,
    /// All strikes, per second.
    pub(crate) strike_rate: f64,
}

/// A strike prepared for the search.
#[derive(Clone, Debug)]
pub(crate) struct Event {
    pub(crate) t: f64,
    /// Variance of the strike around the pulse: the player's and the ear's.
    pub(crate) var: f64,
    /// How loud, dB.
    pub(crate) db: f64,
    /// The least that its timing can cost where it is in time.
    pub(crate) least_timing: f64,
    /// Rate of sounds like this one that were no strike at all, relative to strikes, 1/s.
    pub(crate) doubt_rate: f64,
    /// Cost of hearing this where each surface is written, against the background.
    pub(crate) surface: [f64; N],
    /// The same where nothing was written, and where a tap counts in.
    pub(crate) stray: f64,
    pub(crate) tap: f64,
    /// The most a repeated mix-up may cost on that scale.
    pub(crate) mixed: f64,
    /// How much likelier a level like this is for a stray sound than for a stroke.
    pub(crate) soft: f64,
    /// The surface heard, where one is clear.
    pub(crate) hard: Option<usize>,
    /// Probability of each surface, clipped and normalised.
    pub(crate) p: [f64; N],
    /// One of a series of bounces.
    pub(crate) bounce: bool,
    /// Costs of being nothing that is written, by where it falls.
    pub(crate) as_extra: Extra,
}

/// What a strike costs that nobody wrote.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Extra {
    /// In the piece, and when the place is lost.
    pub(crate) inside: f64,
    pub(crate) lost: f64,
    /// As one of the player's own while the place is lost.
    pub(crate) nowhere: f64,
    /// Before or after it, alone and among others.
    pub(crate) outside: f64,
    pub(crate) burst: f64,
    /// In a written rest.
    pub(crate) rest: f64,
    /// Shortly after a stroke of one hand, of both hands.
    pub(crate) double: f64,
    pub(crate) both: f64,
    /// As one of a series of bounces.
    pub(crate) bounce: f64,
}

/// Least probability of a surface: nothing heard is ever certain.
/// Origin: the ear's surface errors lie between 2 and 8 in a hundred on sounds it never met.
const SURFACE_FLOOR: f64 = 0.01;

impl Event {
    /// `usual_db`: level of the strokes around it.
    pub(crate) fn new(strike: &Strike, model: &Model, usual_db: f64, bounce: bool) -> Event {
        let p = normalised(strike.surface);
        let against: f64 = (0..N).map(|c| p[c] * model.background[c]).sum::<f64>().max(1e-9);
        let mut surface = [0.0; N];
        for (w, cost) in surface.iter_mut().enumerate() {
            let heard: f64 = (0..N).map(|c| p[c] * model.confusion[w][c]).sum();
            *cost = -((heard.max(1e-9)) / against).ln() + if bounce { costs::BOUNCE_AS_STROKE } else { 0.0 };
        }
        let written = 3.0 + (3..N).filter(|&c| model.background[c] > 0.01).count() as f64;
        let any = |c: usize| if c < 3 || model.background[c] > 0.01 { 1.0 / written } else { 0.0 };
        let stray: f64 = (0..N).map(|c| p[c] * 0.5 * (any(c) + model.background[c])).sum();
        let click = Surface::Click.index();
        let tap = costs::COUNT_CLICK * p[click] + (1.0 - costs::COUNT_CLICK) * against;
        let best = (0..N).fold(0, |k, c| if p[c] > p[k] { c } else { k });
        let certainty = if strike.certainty.is_finite() { strike.certainty.clamp(0.02, 1.0 - 1e-4) } else { 0.5 };
        let sigma = strike.sigma.get().clamp(0.0, 0.05);
        let mut event = Event {
            t: strike.at.get(),
            var: model.jitter_s.powi(2) + sigma.powi(2),
            db: if strike.level.0.is_finite() { strike.level.0 } else { usual_db },
            least_timing: 0.9 + 0.5 * (model.jitter_s.powi(2) + sigma.powi(2)).ln(),
            doubt_rate: model.strike_rate * (1.0 - certainty) / certainty,
            surface,
            stray: -(stray.max(1e-9) / against).ln(),
            tap: -(tap.max(1e-9) / against).ln(),
            soft: 1.0 / stroke_like(strike.level.0 - usual_db),
            mixed: costs::MIX_UP_AGAIN + against.ln(),
            hard: (p[best] > 0.5).then_some(best),
            p,
            bounce,
            as_extra: Extra::default(),
        };
        event.as_extra = Extra {
            inside: event.extra(model.extra_rate),
            lost: event.extra(costs::LOST_RATE).min(event.extra(model.extra_rate)),
            nowhere: event.own_extra(costs::LOST_RATE),
            outside: event.extra(costs::OUTSIDE_RATE),
            burst: event.extra(costs::OUTSIDE_BURST_RATE),
            rest: event.own_extra(costs::REST_RATE),
            double: event.own_extra(costs::DOUBLE_RATE),
            both: event.own_extra(costs::BOTH_RATE),
            bounce: event.stray + costs::BOUNCE,
        };
        event
    }

    /// Cost of a sound nobody wrote where such come at `rate` a second.
    fn extra(&self, rate: f64) -> f64 {
        self.stray - (rate * self.soft + self.doubt_rate).ln()
    }

    /// Cost of a strike of the player's own that nobody wrote.
    fn own_extra(&self, rate: f64) -> f64 {
        self.stray - (rate + self.doubt_rate).ln()
    }
}

/// How much likelier a level (dB against the strokes around) is for a stroke than for a stray sound. Strokes: spread of
/// 6 dB in 17 of 20, dynamics make the rest anything in 40 dB; stray sounds: anything in 40 dB. Common practice.
pub(crate) fn stroke_like(relative_db: f64) -> f64 {
    const SPREAD_DB: f64 = 6.0;
    const RANGE_DB: f64 = 40.0;
    const USUAL: f64 = 0.85;
    if !relative_db.is_finite() {
        return 1.0;
    }
    let normal = normal_density(relative_db, SPREAD_DB);
    USUAL * normal * RANGE_DB + 1.0 - USUAL
}

/// Median level of the strikes around each, dB: up to 12 on either side.
pub(crate) fn usual_levels(strikes: &[Strike]) -> Vec<f64> {
    const AROUND: usize = 12;
    (0..strikes.len())
        .map(|i| {
            let near = &strikes[i.saturating_sub(AROUND)..(i + AROUND + 1).min(strikes.len())];
            let sure = near.iter().filter(|s| s.certainty > 0.5);
            median(sure.map(|s| s.level.0)).unwrap_or(strikes[i].level.0)
        })
        .collect()
}

/// A probability vector made usable: no negatives or NaN, nothing certain; all equal when it says nothing.
pub(crate) fn normalised(p: [f64; N]) -> [f64; N] {
    let clean = p.map(|x| if x.is_finite() && x > 0.0 { x } else { 0.0 });
    let sum: f64 = clean.iter().sum();
    if sum <= 0.0 {
        return [1.0 / N as f64; N];
    }
    let clipped = clean.map(|x| (x / sum).max(SURFACE_FLOOR));
    let sum: f64 = clipped.iter().sum();
    clipped.map(|x| x / sum)
}
