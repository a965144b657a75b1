//! Swells, fades and dynamic marks against what was heard.
//!
//! Levels are compared within a surface, since a rim stroke is another sound and not a louder one. A written swell should
//! rise by [`SWELL_DB`] at least from its first stroke to its last; a finding says that it did not, with the probability
//! that the true rise is below that: normal around the measured one with its standard error, times the belief about what
//! pupils play. Where the error is larger than the least rise itself (few strokes of each surface, an uneven touch), or
//! where the recorder may have levelled the sound out, nothing is said.

use std::collections::BTreeMap;

use super::Hearing;
use super::finding::{Dynamics, Evidence, Passes, Place, What};
use super::runs::matched;
use super::suspicion::Suspicion;
use crate::align::{Placed, Strike};
use crate::part::{Swell, Timeline};
use crate::stats::linear::{Row, grouped};
use crate::stats::{MAD_TO_SD, median, normal_cdf};
use crate::units::{Decibels, Ticks};

/// What a swell, or a step from soft to medium or medium to loud, should come to at least. Rule of thumb: three times the
/// just noticeable difference of level, about 1 dB.
const SWELL_DB: f64 = 3.0;
/// Levels of strokes meant alike differ by this much at least, standard deviation in dB: half of the spread taken for a
/// beginner's touch.
const MIN_SPREAD_DB: f64 = 1.5;
/// Strikes in a swell, and on each side of a dynamic contrast.
const MIN_SWELL: usize = 4;
/// Where more of its strokes than this share were not heard, the soft end of a swell is missing and its slope untrue.
const MAX_UNHEARD: f64 = 0.125;
const MIN_SIDE: usize = 4;
/// Rises of swells as pupils play them, mean and standard deviation in dB: from none at all to three times the least, one
/// in three below the least. Rule of thumb; nobody has counted.
const PLAYED_DB: (f64, f64) = (5.0, 5.0);

/// How far one swell rose (or fade fell), dB; positive is as written.
#[derive(Clone, Copy, Debug)]
struct Rise {
    db: f64,
    se: f64,
    n: usize,
}

impl Rise {
    /// Probability that the true rise is below the least; 0 where it is not known well enough to speak of.
    fn flat(self) -> f64 {
        if self.se.is_nan() || self.se > SWELL_DB {
            return 0.0;
        }
        let (seen, believed) = (self.se.powi(-2), PLAYED_DB.1.powi(-2));
        let mean = (self.db * seen + PLAYED_DB.0 * believed) / (seen + believed);
        normal_cdf((SWELL_DB - mean) * (seen + believed).sqrt())
    }

    /// The same where the recorder's gain may have moved with probability `gain`: then loud and soft tell nothing.
    fn flat_in(self, gain: f64) -> f64 {
        self.flat() * (1.0 - gain.clamp(0.0, 1.0))
    }

    /// What is suspected of it.
    fn suspicion(self, dynamic: Dynamics, place: Option<Place>, gain: f64) -> Suspicion {
        let what = What::LevelFlat { dynamic, rise: Decibels(self.db) };
        let evidence = Evidence::Rise {
            rise: Decibels(self.db),
            se: Decibels(self.se),
            strokes: self.n,
            least: Decibels(SWELL_DB),
        };
        Suspicion { what, place, at: None, odds: 0.0, share: 1.0, evidence, otherwise: None }
            .posterior(self.flat_in(gain))
    }
}

pub(super) fn judge(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], heard: &Hearing) -> Vec<Suspicion> {
    if heard.levels_untrue() {
        return Vec::new();
    }
    let touch = touch(timeline, strikes, placed).max(MIN_SPREAD_DB);
    let mut out = swells(timeline, strikes, placed, touch, heard.gain);
    out.extend(marks(timeline, strikes, placed, heard.gain));
    out
}

/// Whether the part asks for any dynamics.
pub(super) fn asked_for(timeline: &Timeline) -> bool {
    let marks: Vec<_> = timeline.strokes.iter().filter_map(|s| s.level).collect();
    !timeline.swells.is_empty() || marks.iter().any(|m| Some(m) != marks.first())
}

fn swells(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], touch: f64, gain: f64) -> Vec<Suspicion> {
    // The same swell in every pass of its section.
    type Same<'a> = (&'a str, Ticks, bool);
    let mut same: BTreeMap<Same, Vec<(usize, &Swell, Rise)>> = BTreeMap::new();
    for swell in &timeline.swells {
        let Some(pass) = pass_at(timeline, swell.from) else { continue };
        let Some(place) = timeline.passes.get(pass) else { continue };
        let start = timeline.bars.get(place.bars.start).map_or(Ticks(0), |b| b.at);
        if let Some(rise) = rise(timeline, strikes, placed, swell, touch) {
            same.entry((place.section.as_str(), swell.from - start, swell.rising))
                .or_default()
                .push((pass, swell, rise));
        }
    }
    let mut out = Vec::new();
    for ((_, _, rising), times) in same {
        let weight: f64 = times.iter().map(|t| t.2.se.powi(-2)).sum();
        let pooled = Rise {
            db: times.iter().map(|t| t.2.db * t.2.se.powi(-2)).sum::<f64>() / weight,
            se: weight.powf(-0.5),
            n: times.iter().map(|t| t.2.n).sum(),
        };
        let suspicion = |rise: Rise, (pass, swell): (usize, &Swell), all: bool| {
            let within = |b: &&crate::part::Bar| b.at < swell.to && b.at + timeline.meter.bar() > swell.from;
            let first = timeline.bars.iter().position(|b| within(&b))?;
            let bars = timeline.bars.iter().enumerate().filter(|(_, b)| b.pass == pass && within(b)).map(|(i, _)| i);
            let (from, to) = (bars.clone().min().unwrap_or(first), bars.max().unwrap_or(first));
            let passes = if all && times.len() > 1 { Passes::Every } else { Passes::This };
            let place = Place { bars: from..to + 1, passes, ..Place::bar(from) };
            let once = !all;
            let dynamic = if rising { Dynamics::Swell { once } } else { Dynamics::Fade { once } };
            Some(rise.suspicion(dynamic, Some(place), gain))
        };
        let every = times.first().and_then(|&(pass, swell, _)| suspicion(pooled, (pass, swell), true));
        match every.filter(|s| s.clone().told().is_some()) {
            Some(every) => out.push(every),
            None if times.len() > 1 => {
                out.extend(times.iter().filter_map(|&(pass, swell, rise)| suspicion(rise, (pass, swell), false)));
            }
            None => {}
        }
    }
    out
}

/// How much strokes of one surface differ from one to the next, standard deviation in dB: the whole take knows this better
/// than the few strokes of a swell.
fn touch(timeline: &Timeline, strikes: &[Strike], placed: &[Placed]) -> f64 {
    let struck: Vec<(usize, f64)> = (placed.iter().zip(strikes))
        .filter_map(|(p, s)| matched(p).and_then(|j| timeline.strokes.get(j)).map(|w| (w.surface.index(), s.level.0)))
        .collect();
    let steps = struck.windows(2).filter(|w| w[0].0 == w[1].0).map(|w| (w[1].1 - w[0].1).abs());
    // A difference of two normal values varies by sqrt(2) times their standard deviation.
    median(steps).map_or(0.0, |m| m * MAD_TO_SD / std::f64::consts::SQRT_2)
}

fn pass_at(timeline: &Timeline, at: Ticks) -> Option<usize> {
    timeline.bars.iter().rev().find(|b| b.at <= at).map(|b| b.pass)
}

fn rise(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], swell: &Swell, touch: f64) -> Option<Rise> {
    let struck: Vec<(usize, Ticks, f64)> = (placed.iter().zip(strikes))
        .filter_map(|(p, s)| matched(p).and_then(|j| timeline.strokes.get(j)).map(|w| (w, s)))
        .filter(|(w, _)| w.at >= swell.from && w.at < swell.to)
        .map(|(w, s)| (w.surface.index(), w.at, s.level.0))
        .collect();
    let (first, last) = (struck.iter().map(|s| s.1).min()?, struck.iter().map(|s| s.1).max()?);
    let length = (last - first).quarters();
    let written = timeline.strokes.iter().filter(|w| w.at >= swell.from && w.at < swell.to).count();
    let unheard = 1.0 - struck.len() as f64 / written.max(1) as f64;
    if struck.len() < MIN_SWELL || length < 1.0 || unheard > MAX_UNHEARD {
        return None;
    }
    let rows: Vec<(usize, Row<1>)> = (struck.iter())
        .map(|&(surface, at, y)| (surface, Row { x: [(at - first).quarters() / length], y, weight: 1.0 }))
        .collect();
    let fit = grouped(&rows, Some(touch), MIN_SPREAD_DB)?.fit;
    let sign = if swell.rising { 1.0 } else { -1.0 };
    Some(Rise { db: sign * fit.z[0], se: fit.se(0), n: struck.len() })
}

/// The dynamic marks, over the whole take: loud against soft within the same surface.
fn marks(timeline: &Timeline, strikes: &[Strike], placed: &[Placed], gain: f64) -> Option<Suspicion> {
    let in_swell = |at: Ticks| timeline.swells.iter().any(|s| s.from <= at && at < s.to);
    let rows: Vec<(usize, Row<1>)> = (placed.iter().zip(strikes))
        .filter_map(|(p, s)| matched(p).and_then(|j| timeline.strokes.get(j)).map(|w| (w, s)))
        .filter(|(w, _)| !in_swell(w.at))
        .filter_map(|(w, s)| {
            w.level.map(|mark| (w.surface.index(), Row { x: [f64::from(mark as u8)], y: s.level.0, weight: 1.0 }))
        })
        .collect();
    let marks = |wanted: f64| rows.iter().filter(|r| (r.1.x[0] - wanted).abs() < 0.5).count();
    let used: Vec<f64> = [0.0, 1.0, 2.0].into_iter().filter(|&m| marks(m) >= MIN_SIDE).collect();
    let steps = used.last()? - used.first()?;
    if steps < 0.5 {
        return None;
    }
    let fit = grouped(&rows, None, MIN_SPREAD_DB)?.fit;
    let rise = Rise { db: fit.z[0] * steps, se: fit.se(0) * steps, n: rows.len() };
    Some(rise.suspicion(Dynamics::Marks, None, gain))
}
