//! The two hands, by the written sticking only; nothing is ever said about hands from the sound.
//!
//! Unevenness in time: lateness as a straight model of the written hand, with on-the-beat or off-the-beat beside it where
//! the sticking lets the two be told apart. Errors of neighbouring strokes hang together (a hurried stroke is followed by a
//! long interval, or by another hurried one), and hands follow one another in an order, so the variance of the difference
//! is `1 + 2 r_errors r_hands` times that of free errors, r the correlations of neighbours (Bartlett 1935, "Some aspects of
//! the time-correlation problem", J. R. Stat. Soc. 98:536, to the first lag). Unevenness in level: only between strokes of
//! the same surface and dynamic at the same place in the bar, so that no accent can be taken for a hand. Togetherness:
//! where both hands are written, the time between the two strikes, or between the one and a faint sound beside it.

use std::collections::BTreeMap;

use super::Hearing;
use super::finding::{Evidence, Passes, Place, Uneven, What};
use super::runs::matched;
use super::suspicion::{Suspicion, log_odds};
use super::timing::Timed;
use crate::align::{DOUBLE_WINDOW_S, Placed, Step, Strike};
use crate::onset::TICK;
use crate::part::{Dynamic, Hand, Hands, Surface, Timeline};
use crate::stats::linear::{Belief, Row, grouped, robust};
use crate::stats::{log_sum, median, normal_cdf, normal_density};
use crate::units::{Decibels, Seconds, Ticks};

/// One hand is late when the ear could notice it: asynchronies in a drum groove are heard from 19 to 24 ms on (preprint OSF
/// jsg94_v3, abstract).
const NOTICED_S: f64 = 0.020;
/// And louder when the difference could be heard as more than a change of touch. Rule of thumb; the just noticeable
/// difference of level is about 1 dB.
const NOTICED_DB: f64 = 3.0;
/// Strokes of each hand.
const LEAST: usize = 8;
/// As many standard errors from no difference at all, for levels.
const LEAST_SIGMAS: f64 = 4.0;
/// Standard deviation of the difference between the hands of one who limps, and of one who does not: the latter is a
/// quarter of what is noticed. Rule of thumb.
const LIMP_S: f64 = 0.040;
const EVEN_S: f64 = NOTICED_S / 4.0;
/// Neighbouring errors hang together by no more than this; a take of few strokes is believed to have none, as if that had
/// been seen in so many.
const MOST_TIED: f64 = 0.6;
const UNTIED: f64 = 10.0;
/// Errors that hang together make the difference surer by this share of its variance at best.
const LEAST_SHARE: f64 = 0.4;
/// One hand is called louder, or a limit is said of it, from this probability on.
const SAID_ABOVE: f64 = 0.7;

/// Two strikes further apart than this are heard as two: order is told from about 20 ms on (Hirsh 1959; mazurka.org.uk onset
/// experiment: 75 % right at 22 ms).
const APART_S: f64 = 0.025;
/// Both hands of one who means them together fall apart by this, one standard deviation: as a trained adult keeps to a
/// click (10 to 16 ms, from memory); two hands of one body hang together more than a hand and a click do. The one hand of
/// one who does not hear it comes later by anything from [`APART_S`] to what the aligner takes two strikes of one stroke for,
/// and that varies as much from stroke to stroke.
const TOGETHER_S: f64 = 0.015;
/// Steps in which the lateness of that hand is gone through.
const BEHIND_STEP_S: f64 = 0.001;
/// The second leaves a sound then, a strike or a faint one, four times in five; else it drowns in the ring of the first. Of
/// 86 strokes that came apart in `scripts/simulating/classroom` (tuning parts, seed 41410) 82 did; lower here, for buckets may ring
/// longer (rule of thumb).
const SECOND_HEARD: f64 = 0.8;
/// A faint sound this near to where the guide asks for the stroke may be what is left of its click. Rule of thumb: twice the
/// 10 ms that candidates are apart at least.
const CLICK_S: f64 = 0.020;
/// Where the ear or the bucket doubles more of the single strokes than this, nothing is said.
const DOUBLES_ALL: f64 = 0.3;
/// What is by chance in the room weighs as much as so many single strokes.
const DOUBLES_WEIGH: f64 = 10.0;

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

/// `faint`: sounds below the ear's threshold in order of time. Where both hands are written one of them is the other hand's
/// likelier than a sound of the room's.
pub(super) fn not_together(
    timeline: &Timeline,
    strikes: &[Strike],
    faint: &[Strike],
    placed: &[Placed],
    spreads: &[Option<Seconds>],
    heard: &Hearing,
) -> Option<Suspicion> {
    // A clock's ticks are told as faint sounds.
    let no_tick = |f: &Strike| f.certainty > f64::from(TICK);
    let trace = |i: usize, j: usize| {
        let at = strikes.get(i)?.at;
        let click = heard.guide.as_ref().and_then(|guide| guide.due.get(j));
        let played = |f: &&Strike| no_tick(f) && click.is_none_or(|due| (f.at - *due).abs().get() > CLICK_S);
        let from = faint.partition_point(|f| (at - f.at).get() >= DOUBLE_WINDOW_S);
        let near = faint.iter().skip(from).take_while(|f| (f.at - at).get() < DOUBLE_WINDOW_S);
        near.filter(played).map(|f| (at - f.at).abs().get()).filter(|s| *s > APART_S).min_by(f64::total_cmp)
    };
    let all: Vec<(usize, usize)> = placed
        .iter()
        .enumerate()
        .filter_map(|(i, p)| matched(p).filter(|&j| both(timeline, j)).map(|j| (i, j)))
        .collect();
    let apart: Vec<(usize, usize, f64)> = (all.iter())
        .filter_map(|&(i, j)| {
            let two_heard = spreads.get(i).copied().flatten().map(Seconds::get);
            two_heard.or_else(|| trace(i, j)).map(|s| (i, j, s))
        })
        .filter(|(_, _, s)| *s > APART_S)
        .collect();
    if apart.len() < 2 {
        return None;
    }
    // Rebounds of single strokes in this take: the ear or the bucket doubles everything, or the room is full of sounds.
    let (mut single, mut doubled) = (0usize, 0usize);
    for (i, j) in placed.iter().enumerate().filter_map(|(i, p)| Some((i, matched(p)?))) {
        if !both(timeline, j) {
            single += 1;
            let rebound = placed.get(i + 1).is_some_and(|next| next.step == Step::Double);
            doubled += usize::from(rebound || trace(i, j).is_some());
        }
    }
    let a_second = faint.iter().filter(|f| no_tick(f)).count() as f64 / heard.duration.get().max(1.0);
    let by_chance = 1.0 - (-2.0 * (DOUBLE_WINDOW_S - APART_S) * a_second).exp();
    let doubles = (doubled as f64 + 0.5 + DOUBLES_WEIGH * by_chance) / (single as f64 + DOUBLES_WEIGH);
    if doubles > DOUBLES_ALL {
        return None;
    }
    // Of one who plays them together: the spread of two hands, or a sound of the ear's or the bucket's.
    let anywhere = 1.0 / (DOUBLE_WINDOW_S - APART_S);
    let stray = |hand: f64| (1.0 - doubles) * hand + doubles * anywhere;
    let alone = (all.len() - apart.len()) as f64;
    let told = |density: &dyn Fn(f64) -> f64, past: f64| {
        let nothing = (1.0 - doubles) * (1.0 - past);
        apart.iter().map(|a| stray(density(a.2)).ln()).sum::<f64>() + alone * nothing.ln()
    };
    let as_together = told(&|s| 2.0 * normal_density(s, TOGETHER_S), 2.0 * normal_cdf(-APART_S / TOGETHER_S));
    // Of one whose hand comes `behind`.
    let as_behind = |behind: f64| {
        let past = SECOND_HEARD * normal_cdf((behind - APART_S) / TOGETHER_S);
        told(&|s| SECOND_HEARD * normal_density(s - behind, TOGETHER_S), past)
    };
    let steps = ((DOUBLE_WINDOW_S - APART_S) / BEHIND_STEP_S).round();
    let behinds = (0..=steps as usize).map(|k| as_behind(APART_S + k as f64 * BEHIND_STEP_S));
    let as_apart = log_sum(behinds) - (steps + 1.0).ln();
    let size = median(apart.iter().map(|a| a.2))?;
    let pass_of = |j: usize| timeline.strokes.get(j).and_then(|s| timeline.bars.get(s.bar)).map(|b| b.pass);
    let name_of = |j: usize| pass_of(j).and_then(|p| timeline.passes.get(p)).map(|p| p.section.clone());
    let first = apart.first()?;
    // Named only where another section shows the same hands together.
    let section = name_of(first.1).filter(|s| {
        apart.iter().all(|a| name_of(a.1).as_ref() == Some(s)) && all.iter().any(|a| name_of(a.1).as_ref() != Some(s))
    });
    let bars = section.and(pass_of(first.1)).and_then(|p| timeline.passes.get(p)).map(|p| p.bars.clone());
    Some(Suspicion {
        what: What::NotTogether { spread: Seconds::of(size), apart: apart.len(), of: all.len() },
        place: bars.map(|bars| Place { stroke: None, passes: Passes::Every, ..Place::span(bars) }),
        at: strikes.get(first.0).map(|s| s.at),
        odds: as_apart - as_together,
        share: 1.0,
        evidence: Evidence::TwoSounds {
            more_than: Seconds::of(APART_S),
            both: (apart.len(), all.len()),
            single: (doubled, single),
        },
        otherwise: None,
    })
}

/// What is written of a stroke beside its hand: surface, dynamic, place in the bar.
type Alike = (usize, Option<Dynamic>, Ticks);

/// A stroke with a written hand.
struct Struck {
    strike: usize,
    left: f64,
    off: f64,
    /// `None` within a swell.
    alike: Option<Alike>,
    surface: usize,
}

fn alike(timeline: &Timeline, j: usize) -> Option<Alike> {
    let stroke = timeline.strokes.get(j)?;
    let bar = timeline.bars.get(stroke.bar)?;
    let swelling = timeline.swells.iter().any(|s| s.from <= stroke.at && stroke.at < s.to);
    (!swelling).then_some((stroke.surface.index(), stroke.level, stroke.at - bar.at))
}

/// Strokes with a written hand; empty where either hand has too few.
fn struck(timeline: &Timeline, placed: &[Placed]) -> Vec<Struck> {
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
                alike: alike(timeline, j),
                surface: stroke.surface.index(),
            })
        })
        .collect();
    let left = struck.iter().filter(|s| s.left > 0.0).count();
    if left < LEAST || struck.len() - left < LEAST { Vec::new() } else { struck }
}

/// `noisy`: too noisy for levels; the moment of a strike is known in noise too, and how well is in its sigma.
pub(super) fn uneven(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    timed: &[Option<Timed>],
    heard: &Hearing,
    jitter: Seconds,
    noisy: bool,
) -> Option<Suspicion> {
    let struck = struck(timeline, placed);
    if struck.is_empty() {
        return None;
    }
    let said = |s: &Suspicion| s.clone().told().is_some();
    let late = timing(strikes, &struck, timed, jitter).filter(said);
    late.or_else(|| level(strikes, &struck, heard).filter(|_| !noisy))
}

fn timing(strikes: &[Strike], struck: &[Struck], timed: &[Option<Timed>], jitter: Seconds) -> Option<Suspicion> {
    let of = |s: &Struck| timed.get(s.strike).copied().flatten();
    // What is known less well counts less: the ends of a stretch, a strike in noise.
    let own = jitter.get().max(1e-3).powi(2);
    let lates: Vec<(&Struck, f64, f64)> = struck
        .iter()
        .filter_map(|s| of(s).map(|t| (s, t.beside().get(), own / (own + t.sigma.get().powi(2)))))
        .collect();
    let apart: Vec<(usize, Row<3>)> =
        lates.iter().map(|&(s, y, weight)| (s.strike, Row { x: [1.0, s.left, s.off], y, weight })).collect();
    let alone: Vec<(usize, Row<2>)> =
        lates.iter().map(|&(s, y, weight)| (s.strike, Row { x: [1.0, s.left], y, weight })).collect();
    let told_apart = separable(struck);
    let (size, se) = if told_apart { with_neighbours(&apart)? } else { with_neighbours(&alone)? };
    let hand = if size > 0.0 { Hand::Left } else { Hand::Right };
    let difference = Uneven::Late { hand, by: Seconds::of(size.abs()) };
    Some(Suspicion {
        what: What::UnevenHands(difference),
        place: None,
        at: struck.first().and_then(|s| strikes.get(s.strike)).map(|s| s.at),
        odds: limping(size, se),
        // And large enough to be noticed.
        share: normal_cdf((size.abs() - NOTICED_S) / se),
        evidence: Evidence::Hands { difference, se, strokes: lates.len(), told_apart },
        otherwise: None,
    })
}

/// Coefficient 1 (the hand) and its standard error, with neighbouring errors as they hang together. `rows`: strike and observation, in order of strikes.
fn with_neighbours<const K: usize>(rows: &[(usize, Row<K>)]) -> Option<(f64, f64)> {
    let plain: Vec<Row<K>> = rows.iter().map(|r| r.1).collect();
    let fit = robust(&plain, &[Belief::default(); K], None, 1e-3)?;
    // One wild stroke must not make the correlation.
    let error = |row: &Row<K>| (row.y - fit.at(&row.x)).clamp(-2.0 * fit.scale, 2.0 * fit.scale);
    let neighbours = |pair: &&[(usize, Row<K>)]| pair.len() == 2 && pair[1].0 - pair[0].0 == 1;
    let (mut both, mut each, mut n) = (0.0, 0.0, 0.0);
    for pair in rows.windows(2).filter(neighbours) {
        let (a, b) = (error(&pair[0].1), error(&pair[1].1));
        both += a * b;
        each += 0.5 * (a * a + b * b);
        n += 1.0;
    }
    let r = (both / f64::max(each, 1e-12) * n / (n + UNTIED)).clamp(-MOST_TIED, MOST_TIED);
    // The hands' own order, what the other regressors explain of it left out: -1 where they alternate.
    let others =
        |row: &Row<K>| Row { x: std::array::from_fn(|k| if k == 1 { 0.0 } else { row.x[k] }), y: row.x[1], ..*row };
    let explained = robust(
        &plain.iter().map(others).collect::<Vec<_>>(),
        &std::array::from_fn(|k| Belief { mean: 0.0, precision: if k == 1 { 1.0 } else { 0.0 } }),
        Some(1.0),
        1.0,
    )?;
    let order = |row: &Row<K>| row.x[1] - explained.at(&others(row).x);
    let (mut along, mut all) = (0.0, 0.0);
    for pair in rows.windows(2).filter(neighbours) {
        let (a, b) = (order(&pair[0].1), order(&pair[1].1));
        along += a * b;
        all += 0.5 * (a * a + b * b);
    }
    let order = (along / f64::max(all, 1e-12)).clamp(-1.0, 1.0);
    Some((fit.z[1], fit.se(1) * (1.0 + 2.0 * r * order).max(LEAST_SHARE).sqrt()))
}

/// Log odds that a difference measured as `size` with a standard error is that of one who limps.
fn limping(size: f64, se: f64) -> f64 {
    (normal_density(size, LIMP_S.hypot(se)) / normal_density(size, EVEN_S.hypot(se)).max(1e-300)).ln()
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

fn level(strikes: &[Strike], struck: &[Struck], heard: &Hearing) -> Option<Suspicion> {
    if heard.levels_untrue() {
        return None;
    }
    let mut groups: BTreeMap<Alike, (usize, [usize; 2])> = BTreeMap::new();
    let mut rows: Vec<(usize, Row<1>)> = Vec::new();
    for s in struck {
        let (Some(alike), Some(strike)) = (s.alike, strikes.get(s.strike)) else { continue };
        let next = groups.len();
        let group = groups.entry(alike).or_insert((next, [0; 2]));
        group.1[usize::from(s.left > 0.0)] += 1;
        rows.push((group.0, Row { x: [s.left], y: strike.level.0, weight: 1.0 }));
    }
    // As many of each hand as would tell the same if all stood at one place.
    let pairs: f64 = groups.values().map(|(_, [r, l])| (r * l) as f64 / (r + l).max(1) as f64).sum();
    if pairs < LEAST as f64 / 2.0 {
        return None;
    }
    let fit = grouped(&rows, None, 0.5)?.fit;
    let (size, se) = (fit.z[0], fit.se(0));
    if size.abs() < LEAST_SIGMAS * se {
        return None;
    }
    let hand = if size > 0.0 { Hand::Left } else { Hand::Right };
    let difference = Uneven::Louder { hand, by: Decibels(size.abs()) };
    Some(Suspicion {
        what: What::UnevenHands(difference),
        place: None,
        at: struck.first().and_then(|s| strikes.get(s.strike)).map(|s| s.at),
        odds: log_odds(normal_cdf((size.abs() - NOTICED_DB) / se)),
        share: 1.0 - heard.gain.clamp(0.0, 1.0),
        evidence: Evidence::Hands { difference, se, strokes: rows.len(), told_apart: true },
        otherwise: None,
    })
}

/// What cannot be said of the loudness of the hands, and why: one sounds louder, but the sticking never lets the other play
/// at the same place in the bar, where an accent may be meant.
pub(super) fn limit(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    heard: &Hearing,
) -> Option<(Hand, Decibels)> {
    let struck = struck(timeline, placed);
    if heard.levels_untrue() || struck.is_empty() || level(strikes, &struck, heard).and_then(Suspicion::told).is_some()
    {
        return None;
    }
    let rows: Vec<(usize, Row<1>)> = (struck.iter().filter(|s| s.alike.is_some()))
        .filter_map(|s| strikes.get(s.strike).map(|x| (s.surface, Row { x: [s.left], y: x.level.0, weight: 1.0 })))
        .collect();
    let fit = grouped(&rows, None, 0.5)?.fit;
    let (size, se) = (fit.z[0], fit.se(0));
    if size.abs() < LEAST_SIGMAS * se || normal_cdf((size.abs() - NOTICED_DB) / se) < SAID_ABOVE {
        return None;
    }
    Some((if size > 0.0 { Hand::Left } else { Hand::Right }, Decibels(size.abs())))
}
