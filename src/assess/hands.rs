//! The two hands, by the written sticking only; nothing is ever said about hands from the sound.
//!
//! Unevenness: lateness (and level, within a surface) as a straight model of the written hand, with on-the-beat or
//! off-the-beat beside it where the sticking lets the two be told apart. Togetherness: where both hands are written, the
//! time between the two strikes, where two were heard.

use super::runs::matched;
use super::stats::{Belief, Row, grouped, logistic, median, normal_cdf, robust};
use super::timing::Timed;
use super::{Finding, Hearing, Kind, Told, Unit};
use crate::align::{Placed, Step, Strike};
use crate::part::{Hand, Hands, Surface, Timeline};
use crate::units::Seconds;

/// One hand is late when the ear could notice it: asynchronies in a drum groove are heard from 19 to 24 ms on (preprint OSF
/// jsg94_v3, abstract).
const NOTICED_S: f64 = 0.020;
/// And louder when the difference could be heard as more than a change of touch. Rule of thumb; the just noticeable
/// difference of level is about 1 dB.
const NOTICED_DB: f64 = 3.0;
/// Strokes of each hand.
const LEAST: usize = 8;
/// As many standard errors from no difference at all.
const LEAST_SIGMAS: f64 = 4.0;
const SAID_ABOVE: f64 = 0.7;
const SUREST: f64 = 0.97;

/// Two strikes further apart than this are heard as two: order is told from about 20 ms on (Hirsh 1959; mazurka.org.uk onset
/// experiment: 75 % right at 22 ms).
const APART_S: f64 = 0.025;
/// Both hands of a child who means them together fall further apart than that one time in five: a normal spread of 20 ms,
/// one standard deviation (planning figure; trained adults keep within 10 to 16 ms).
const APART_ANYWAY: f64 = 0.2;
/// Of one who does not hear it, three times in five; one take in ten is such a one.
const APART_MOSTLY: f64 = 0.6;
const APART_TAKES: f64 = 0.1;

/// For each strike the time to the other hand, where both are written and two strikes were heard.
pub(super) fn spreads(timeline: &Timeline, strikes: &[Strike], placed: &[Placed]) -> Vec<Option<Seconds>> {
    let mut out = vec![None; strikes.len()];
    for (i, place) in placed.iter().enumerate() {
        let Some(stroke) = matched(place).filter(|&j| both(timeline, j)) else { continue };
        let other = [i.checked_sub(1), i.checked_add(1)].into_iter().flatten().find(|&k| {
            placed.get(k).is_some_and(|p| p.step == Step::Double && p.stroke.is_none_or(|j| j == stroke))
                && spread(strikes, i, k).is_some_and(|s| s.get() < 0.1)
        });
        if let (Some(slot), Some(k)) = (out.get_mut(i), other) {
            *slot = spread(strikes, i, k);
        }
    }
    out
}

fn spread(strikes: &[Strike], i: usize, k: usize) -> Option<Seconds> {
    Some((strikes.get(i)?.at - strikes.get(k)?.at).abs())
}

/// Both hands on the drum; two sticks clicked or two hands clapped are one sound.
fn both(timeline: &Timeline, stroke: usize) -> bool {
    let written = timeline.strokes.get(stroke);
    written.is_some_and(|s| s.hands == Hands::Both && !matches!(s.surface, Surface::Click | Surface::Clap))
}

pub(super) fn not_together(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    spreads: &[Option<Seconds>],
) -> Option<Finding> {
    let all: Vec<(usize, usize)> = placed
        .iter()
        .enumerate()
        .filter_map(|(i, p)| matched(p).filter(|&j| both(timeline, j)).map(|j| (i, j)))
        .collect();
    let apart: Vec<(usize, usize, f64)> = (all.iter())
        .filter_map(|&(i, j)| spreads.get(i).copied().flatten().map(|s| (i, j, s.get())))
        .filter(|(_, _, s)| *s > APART_S)
        .collect();
    // Rebounds of single strokes in this take: the ear or the bucket doubles everything.
    let single = placed.iter().filter(|p| matched(p).is_some_and(|j| !both(timeline, j))).count();
    let doubled = (placed.iter().zip(placed.iter().skip(1)))
        .filter(|(p, q)| matched(p).is_some_and(|j| !both(timeline, j)) && q.step == Step::Double)
        .count();
    let anyway = APART_ANYWAY.max((doubled as f64 + 0.5) / (single as f64 + 10.0));
    if apart.len() < 2 || anyway >= APART_MOSTLY {
        return None;
    }
    let (k, n) = (apart.len() as f64, all.len() as f64);
    let odds = (APART_TAKES / (1.0 - APART_TAKES)).ln()
        + k * (APART_MOSTLY / anyway).ln()
        + (n - k) * ((1.0 - APART_MOSTLY) / (1.0 - anyway)).ln();
    let confidence = logistic(odds).min(SUREST);
    if confidence < SAID_ABOVE {
        return None;
    }
    let size = median(&apart.iter().map(|a| a.2).collect::<Vec<_>>())?;
    let pass_of = |j: usize| timeline.strokes.get(j).and_then(|s| timeline.bars.get(s.bar)).map(|b| b.pass);
    let name_of = |j: usize| pass_of(j).and_then(|p| timeline.passes.get(p)).map(|p| p.section.clone());
    let first = apart.first()?;
    // Named only where another section shows the same hands together.
    let section = name_of(first.1).filter(|s| {
        apart.iter().all(|a| name_of(a.1).as_ref() == Some(s)) && all.iter().any(|a| name_of(a.1).as_ref() != Some(s))
    });
    Some(Finding {
        kind: Kind::NotTogether,
        section,
        pass: None,
        bar: None,
        beat: None,
        at: strikes.get(first.0).map(|s| s.at),
        size: size * 1e3,
        unit: Unit::Milliseconds,
        confidence,
        bars: None,
        text: format!(
            "Where both hands are written they came apart, by about {:.0} ms, in {} of {} strokes.",
            size * 1e3,
            apart.len(),
            all.len()
        ),
        evidence: format!(
            "two strikes more than {:.0} ms apart in {} of {} strokes for both hands; in {doubled} of {single} strokes for one hand",
            APART_S * 1e3,
            apart.len(),
            all.len()
        ),
        otherwise: None,
    })
}

/// A stroke with a written hand.
struct Struck {
    strike: usize,
    left: f64,
    off: f64,
    surface: usize,
}

pub(super) fn uneven(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    timed: &[Option<Timed>],
    heard: &Hearing,
    jitter: Seconds,
) -> Option<Told> {
    let struck: Vec<Struck> = (placed.iter().enumerate())
        .filter_map(|(i, p)| {
            let j = matched(p)?;
            let stroke = timeline.strokes.get(j)?;
            let Hands::One(hand) = stroke.hands else { return None };
            let off = timeline.beat(j).fract() > 1e-6;
            let sided = |yes: bool| if yes { 0.5 } else { -0.5 };
            Some(Struck {
                strike: i,
                left: sided(hand == Hand::Left),
                off: sided(off),
                surface: stroke.surface.index(),
            })
        })
        .collect();
    let left = struck.iter().filter(|s| s.left > 0.0).count();
    if left < LEAST || struck.len() - left < LEAST {
        return None;
    }
    timing(strikes, &struck, timed, jitter).or_else(|| level(strikes, &struck, heard))
}

fn timing(strikes: &[Strike], struck: &[Struck], timed: &[Option<Timed>], jitter: Seconds) -> Option<Told> {
    let of = |s: &Struck| timed.get(s.strike).copied().flatten();
    // What is known less well counts less: the ends of a stretch, a strike in noise.
    let own = jitter.get().max(1e-3).powi(2);
    let lates: Vec<(&Struck, f64, f64)> =
        struck.iter().filter_map(|s| of(s).map(|t| (s, t.late.0.get(), own / (own + t.sigma.get().powi(2))))).collect();
    let apart: Vec<Row<3>> = lates.iter().map(|&(s, y, weight)| Row { x: [1.0, s.left, s.off], y, weight }).collect();
    let alone: Vec<Row<2>> = lates.iter().map(|&(s, y, weight)| Row { x: [1.0, s.left], y, weight }).collect();
    let told_apart = separable(struck);
    let (size, se) = if told_apart {
        robust(&apart, &[Belief::default(); 3], None, 1e-3).map(|f| (f.z[1], f.se(1)))?
    } else {
        robust(&alone, &[Belief::default(); 2], None, 1e-3).map(|f| (f.z[1], f.se(1)))?
    };
    let confidence = normal_cdf((size.abs() - NOTICED_S) / se).min(SUREST);
    if size.abs() < LEAST_SIGMAS * se || confidence < SAID_ABOVE {
        return None;
    }
    let (late, early) = if size > 0.0 { ("left", "right") } else { ("right", "left") };
    let ms = size.abs() * 1e3;
    let fix = format!(
        "Your {late} hand comes a little late. Play slow single strokes, right, left, right, left, until you cannot hear which is which."
    );
    let finding = Finding {
        kind: Kind::UnevenHands,
        section: None,
        pass: None,
        bar: None,
        beat: None,
        at: struck.first().and_then(|s| strikes.get(s.strike)).map(|s| s.at),
        size: ms,
        unit: Unit::Milliseconds,
        confidence,
        bars: None,
        text: format!(
            "Strokes written for the {late} hand come about {ms:.0} ms late against those for the {early}: the pairs limp a little."
        ),
        evidence: format!(
            "{ms:.0} ms with a standard error of {:.0} ms over {} strokes{}",
            se * 1e3,
            lates.len(),
            if told_apart {
                ""
            } else {
                "; the sticking puts each hand on or off the beat only, so it may be the offbeats and not the hand"
            }
        ),
        otherwise: None,
    };
    Some(Told { finding, fix: Some(fix) })
}

/// Whether hand and beat vary enough against each other to be told apart.
fn separable(struck: &[Struck]) -> bool {
    let n = struck.len() as f64;
    let mean = |f: &dyn Fn(&Struck) -> f64| struck.iter().map(f).sum::<f64>() / n;
    let (l, o) = (mean(&|s| s.left), mean(&|s| s.off));
    let (ll, oo) = (mean(&|s| (s.left - l).powi(2)), mean(&|s| (s.off - o).powi(2)));
    let lo = mean(&|s| (s.left - l) * (s.off - o));
    // Share of the hands' variance that the beat does not explain; a fifth costs twice the standard error.
    oo > 1e-9 && 1.0 - lo * lo / (ll * oo).max(1e-12) > 0.2
}

fn level(strikes: &[Strike], struck: &[Struck], heard: &Hearing) -> Option<Told> {
    // An accent on the beat is music; without strokes that part hand from beat it cannot be told from a strong hand.
    if heard.levels_untrue() || !separable(struck) {
        return None;
    }
    let level = |s: &Struck| strikes.get(s.strike).map(|x| x.level.0);
    let rows: Vec<(usize, Row<2>)> = struck
        .iter()
        .filter_map(|s| level(s).map(|y| (s.surface, Row { x: [s.left, s.off], y, weight: 1.0 })))
        .collect();
    let fit = grouped(&rows, None, 0.5)?.fit;
    let (size, se) = (fit.z[0], fit.se(0));
    let confidence = normal_cdf((size.abs() - NOTICED_DB) / se).min(SUREST);
    if size.abs() < LEAST_SIGMAS * se || confidence < SAID_ABOVE {
        return None;
    }
    let (loud, soft) = if size > 0.0 { ("left", "right") } else { ("right", "left") };
    let fix = format!(
        "Your {loud} hand is louder than your {soft}. Lift both sticks to the same height and play slow single strokes until you cannot hear which is which."
    );
    let finding = Finding {
        kind: Kind::UnevenHands,
        section: None,
        pass: None,
        bar: None,
        beat: None,
        at: struck.first().and_then(|s| strikes.get(s.strike)).map(|s| s.at),
        size: size.abs(),
        unit: Unit::Decibels,
        confidence,
        bars: None,
        text: format!(
            "Strokes written for the {loud} hand are about {:.0} dB louder than those for the {soft}.",
            size.abs()
        ),
        evidence: format!(
            "{:.1} dB with a standard error of {:.1} dB over {} strokes, within the same surface and beside any accent on the beat",
            size.abs(),
            se,
            rows.len()
        ),
        otherwise: None,
    };
    Some(Told { finding, fix: Some(fix) })
}
