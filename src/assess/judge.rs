//! The verdict: every step of the judge in turn, then what is said of it.

use super::limits::{self, Limit};
use super::recognised::Sounds;
use super::runs::matched;
use super::status::{Fate, best, elsewhere, statuses};
use super::suspicion::Suspicion;
use super::timing::Timed;
use super::unheard::unheard;
use super::{
    Advice, Assessment, Clock, ClockSource, Fix, Hearing, JudgedStrike, JudgedStroke, Praise, Reason, Record, Slip,
    Status, Why, adopt, advice, drift, hands, levels, missing, runs, settle, structure, surfaces, tempo, timing,
};
use crate::align::{AlignConfig, Placed, Step, Strike, Trace, trace};
use crate::part::{Surface, Timeline};
use crate::stats::median;
use crate::units::Seconds;

/// Fewer strikes than this are no take.
const LEAST_STRIKES: usize = 4;
/// Strikes that fit the part, as a share of those that could, below which the take is not of this part.
const LEAST_FITTING: f64 = 0.5;
/// One take in so many is of another part. What its sounds say for either account adds up over the take, so that a short
/// rhythm with a slip or two is not refused for want of strikes. On short rhythms (`scripts/measuring/short_figures.rs`: 8 to 16 strokes)
/// this refuses none of 200 with one wrong gap, 1 in 12 with two, and takes 1 in 17 of another rhythm, with doubt; on the
/// simulated class (`scripts/measuring/judge_figures.rs`) all takes of another part are refused.
const ANOTHER_IN: f64 = 400.0;
/// By how much a take must be better told by the part than as a rhythm of its own before that is beyond doubt, nats a strike.
/// What lies between is judged, and the doubt is said.
const DOUBTFUL_MARGIN: f64 = 0.2;
/// The least by times alone, nats a strike: they say less of another part; of 130 takes from sound (`scripts/simulating/classroom`) held against
/// another part, those that were mostly placed lay below -.14, and those of the part above -.03 but for two.
const LEAST_BY_TIME: f64 = 0.0;
/// Below this distance of strike and noise the second of two hands may be hidden, and loud is not told from soft: noise as
/// much as this below a strike makes it seem half a decibel louder, and one of half its power twice that. Rule of thumb.
pub(super) const NOISY_DB: f64 = 9.0;

/// Judges a take.
///
/// `strikes` are what was matched to the part; `faint` are sounds below the ear's threshold, which excuse a missing stroke
/// and, where both hands are written, may be the other one, both in order of time; `trace` is the alignment of `strikes`.
pub fn assess(timeline: &Timeline, strikes: &[Strike], faint: &[Strike], trace: &Trace, heard: &Hearing) -> Assessment {
    if strikes.len() < LEAST_STRIKES || timeline.strokes.is_empty() {
        return almost_nothing(timeline, strikes, heard);
    }
    if !of_this_part(timeline, strikes, trace) {
        return another_part(timeline, strikes, heard);
    }
    let margin = margin(strikes, trace);
    let mut sounds = Sounds {
        strikes: strikes.to_vec(),
        faint: faint.to_vec(),
        heard: heard.clone(),
        structure: structure::structure(timeline, strikes, trace),
    };
    let placed = &mut sounds.structure.placed;
    let mut runs = runs::runs(timeline, strikes, placed, &sounds.structure.stretches);
    if adopt::adopt(timeline, strikes, placed, &runs) {
        runs = runs::runs(timeline, strikes, placed, &sounds.structure.stretches);
    }
    let tracked = trace.alignment.jitter;
    let (mut timed, mut measured) = timing::own_pulse(strikes.len(), &runs, tracked);
    let unheard = unheard(&sounds.ground(timeline, &runs, measured.unwrap_or(tracked)));
    if sounds.recognise(&unheard) {
        runs = runs::runs(timeline, &sounds.strikes, &sounds.structure.placed, &sounds.structure.stretches);
        (timed, measured) = timing::own_pulse(sounds.strikes.len(), &runs, tracked);
    }
    let jitter = measured.unwrap_or(tracked);
    sounds.heard.doubts.extend(surfaces::throughout(
        timeline,
        &sounds.strikes,
        &sounds.structure.placed,
        &sounds.heard,
    ));
    let fates = statuses(&sounds.ground(timeline, &runs, jitter));
    let Sounds { strikes, faint, heard, structure } = sounds;
    let (strikes, faint, heard, placed) = (&strikes[..], &faint[..], &heard, &structure.placed[..]);
    let clock = timing::clock(&runs, &timed, jitter).map(|own| match &heard.guide {
        Some(guide) => Clock { source: ClockSource::Guide, start: guide.start, bpm: own.bpm },
        None => own,
    });
    let spreads = hands::spreads(timeline, strikes, placed);
    let noisy = heard.over_noise.is_some_and(|d| d.0 < NOISY_DB);

    let mut suspected: Vec<Suspicion> = surfaces::judge(timeline, strikes, placed, heard);
    suspected.extend(missing::judge(timeline, strikes, &fates));
    let (tempi, drift) = drift::judge(timeline, &runs, |j| opens_pass(timeline, j));
    suspected.extend(drift);
    suspected.extend(tempo::judge(timeline, clock, &timed));
    suspected.extend(hands::uneven(timeline, strikes, placed, &timed, heard, jitter, noisy));
    // In noise the other hand may be hidden, but what is heard apart is apart.
    let apart = hands::not_together(timeline, strikes, faint, placed, &spreads, heard);
    let together_unknown = noisy && apart.clone().and_then(Suspicion::told).is_none();
    suspected.extend(apart);
    if !noisy {
        suspected.extend(levels::judge(timeline, strikes, placed, heard));
    }
    let mut findings = structure.findings.clone();
    findings.extend(suspected.into_iter().filter_map(Suspicion::told));
    let findings = settle::settle(timeline, findings);

    let mut limits = limits::limits(timeline, heard, clock, &fates);
    if let Some(over) = heard.over_noise.filter(|_| noisy) {
        limits.push(Limit::Noise { over, together: together_unknown });
    } else if let Some((hand, by)) = hands::limit(timeline, strikes, placed, heard) {
        limits.push(Limit::StrongerHand { hand, by });
    }
    if margin < DOUBTFUL_MARGIN {
        limits.insert(0, Limit::PerhapsAnotherPart);
    }
    let judged = judged(timeline, strikes, placed, &spreads, &timed, heard);
    let mut slips = structure.slips.clone();
    slips.extend(extra(timeline, &judged));
    slips.extend(strayed(timeline, &judged, jitter));
    slips.sort_by_key(|slip| (slip.stroke(), !slip.plain()));
    slips.dedup_by_key(|slip| (slip.stroke(), std::mem::discriminant(slip)));
    let mut out = Assessment {
        timeline: timeline.clone(),
        clock,
        strikes: judged,
        strokes: fates.iter().map(|fate| stroke(fate, &timed)).collect(),
        findings,
        advice: Advice {
            praise: Praise::Recorded,
            fix: None,
            practise: None,
            next: timeline.bpm,
            why: Why::Stay(Reason::Heard),
        },
        slips,
        limits,
        stretches: structure.stretches.clone(),
        jitter: measured,
        guide: heard.guide.clone(),
    };
    out.advice = advice::advice(&out, heard, tempi.held());
    leave_out_unlikely(&mut out);
    out
}

fn stroke(fate: &Fate, timed: &[Option<Timed>]) -> JudgedStroke {
    let timed = fate.strike.and_then(|i| timed.get(i).copied().flatten());
    JudgedStroke {
        status: fate.status,
        strike: fate.strike,
        late: timed.map(|t| t.late),
        late_sigma: timed.map(|t| t.sigma),
        bpm: timed.map(|t| t.bpm),
    }
}

/// Strikes that the pupil seems to have played beside the written ones.
fn extra(timeline: &Timeline, judged: &[JudgedStrike]) -> Vec<Slip> {
    /// As sure as this, and within so many decibels of the middle strike (the spread of strokes, as `align` has it), it is as
    /// plain as the pupil's own.
    const SURE: f64 = 0.9;
    const LEVEL_DB: f64 = 6.0;
    let middle = median(judged.iter().filter(|s| s.stroke.is_some()).map(|s| s.level.0)).unwrap_or(0.0);
    let written = |surface: Surface| timeline.strokes.iter().any(|s| s.surface == surface);
    (missing::extra(judged))
        .filter_map(|i| {
            let strike = judged.get(i)?;
            let stroke = judged.get(..i)?.iter().rev().find_map(|s| s.stroke)?;
            let plain =
                strike.certainty > SURE && (strike.level.0 - middle).abs() < LEVEL_DB && written(strike.surface);
            Some(Slip::Extra { stroke, plain })
        })
        .collect()
}

/// Strokes that by themselves stand far off the pulse.
fn strayed(timeline: &Timeline, judged: &[JudgedStrike], jitter: Seconds) -> Vec<Slip> {
    /// Quarters: half an eighth, as for a pulse set anew; and so many standard deviations, for being sure some more.
    const LEAST_QUARTERS: f64 = 0.22;
    const LEAST_SIGMAS: f64 = 3.0;
    const PLAIN_QUARTERS: f64 = 0.35;
    const PLAIN_SIGMAS: f64 = 5.0;
    let beat = timeline.meter.beat().quarters();
    (judged.iter())
        .filter_map(|strike| {
            let (stroke, late, bpm) = (strike.stroke?, strike.late?.0.get(), strike.bpm?);
            let (quarters, sigmas) = (late.abs() / bpm.quarter().get(), late.abs() / jitter.get().max(1e-3));
            if quarters < LEAST_QUARTERS || sigmas < LEAST_SIGMAS {
                return None;
            }
            let (beats, plain) = (quarters / beat, quarters >= PLAIN_QUARTERS && sigmas >= PLAIN_SIGMAS);
            Some(match late > 0.0 {
                true => Slip::TooLong { stroke, beats, plain },
                false => Slip::TooSoon { stroke, beats, plain },
            })
        })
        .collect()
}

/// Leaves out the strikes that are none; all indices follow.
fn leave_out_unlikely(out: &mut Assessment) {
    let kept = |s: &JudgedStrike| s.stroke.is_some() || s.certainty >= JudgedStrike::LEAST_LIKELY;
    // Index of each strike among those kept; one more than there are strikes, for the ends of ranges.
    let mut before = vec![0];
    for strike in &out.strikes {
        before.push(before.last().copied().unwrap_or(0) + usize::from(kept(strike)));
    }
    let moved = |i: usize| before.get(i).or(before.last()).copied().unwrap_or(0);
    for stroke in &mut out.strokes {
        stroke.strike = stroke.strike.map(moved);
    }
    for stretch in &mut out.stretches {
        stretch.strikes = moved(stretch.strikes.start)..moved(stretch.strikes.end);
    }
    out.strikes.retain(kept);
}

fn judged(
    timeline: &Timeline,
    strikes: &[Strike],
    placed: &[Placed],
    spreads: &[Option<Seconds>],
    timed: &[Option<Timed>],
    heard: &Hearing,
) -> Vec<JudgedStrike> {
    (strikes.iter().enumerate())
        .map(|(i, strike)| {
            let (surface, surface_p) = best(&strike.surface);
            let timed = timed.get(i).copied().flatten();
            let written = placed.get(i).and_then(matched).and_then(|j| timeline.strokes.get(j));
            JudgedStrike {
                at: strike.at,
                sigma: strike.sigma,
                surface,
                surface_p,
                level: strike.level,
                stroke: placed.get(i).and_then(|p| p.stroke),
                spread: spreads.get(i).copied().flatten(),
                step: placed.get(i).map_or(Step::Extra, |p| p.step),
                certainty: written.and(heard.sure.get(i).copied()).unwrap_or(strike.certainty).clamp(0.0, 1.0),
                late: timed.map(|t| t.late),
                late_sigma: timed.map(|t| t.sigma),
                bpm: timed.map(|t| t.bpm),
                elsewhere: written.is_some_and(|w| elsewhere(strikes, heard, i, w.surface).is_some()),
            }
        })
        .collect()
}

fn opens_pass(timeline: &Timeline, stroke: usize) -> bool {
    let pass = |j: usize| timeline.strokes.get(j).and_then(|s| timeline.bars.get(s.bar)).map(|b| b.pass);
    stroke == 0 || pass(stroke) != pass(stroke - 1)
}

/// How much better this part tells the take than a rhythm of its own, nats a strike.
fn margin(strikes: &[Strike], trace: &Trace) -> f64 {
    (trace.alignment.unrelated_cost - trace.alignment.cost) / strikes.len().max(1) as f64
}

/// Whether the take has to do with the part at all: by times and surfaces, or, where surfaces are exchanged throughout and
/// speak against it, by its times alone.
fn of_this_part(timeline: &Timeline, strikes: &[Strike], found: &Trace) -> bool {
    let fits = |found: &Trace, least: f64| margin(strikes, found) >= least && mostly_placed(strikes, found);
    fits(found, -ANOTHER_IN.ln() / strikes.len().max(1) as f64) || {
        let unknown = [1.0 / Surface::COUNT as f64; Surface::COUNT];
        let timed: Vec<Strike> = strikes.iter().map(|s| Strike { surface: unknown, ..*s }).collect();
        fits(&trace(timeline, &timed, &AlignConfig::default()), LEAST_BY_TIME)
    }
}

fn mostly_placed(strikes: &[Strike], found: &Trace) -> bool {
    let sure = |i: usize| strikes.get(i).map_or(0.0, |s| s.certainty.clamp(0.0, 1.0));
    let (mut fitting, mut stray) = (0.0, 0.0);
    for (i, place) in found.alignment.placed.iter().enumerate() {
        match place.step {
            step if step.is_match() => fitting += 1.0,
            Step::Extra | Step::Lost => stray += sure(i),
            _ => {}
        }
    }
    fitting >= LEAST_FITTING * (fitting + stray)
}

fn empty(timeline: &Timeline, strikes: &[Strike], heard: &Hearing, limit: Limit, fix: Fix) -> Assessment {
    let nothing = JudgedStroke { status: Status::NotReached, strike: None, late: None, late_sigma: None, bpm: None };
    let mut out = Assessment {
        timeline: timeline.clone(),
        clock: None,
        strikes: judged(timeline, strikes, &[], &[], &[], heard),
        strokes: vec![nothing; timeline.strokes.len()],
        findings: Vec::new(),
        advice: advice::unheard(timeline, fix),
        slips: Vec::new(),
        limits: vec![limit],
        stretches: Vec::new(),
        jitter: None,
        guide: heard.guide.clone(),
    };
    leave_out_unlikely(&mut out);
    out
}

/// Strikes that are likelier the pupil's than not.
fn likely(strikes: &[Strike]) -> usize {
    strikes.iter().filter(|s| s.certainty > JudgedStrike::LIKELY).count()
}

fn almost_nothing(timeline: &Timeline, strikes: &[Strike], heard: &Hearing) -> Assessment {
    let limit = Limit::AlmostNothing { strikes: likely(strikes), duration: heard.duration };
    empty(timeline, strikes, heard, limit, Fix::Record(Record::Nearer))
}

fn another_part(timeline: &Timeline, strikes: &[Strike], heard: &Hearing) -> Assessment {
    empty(timeline, strikes, heard, Limit::AnotherPart { strikes: likely(strikes) }, Fix::AnotherPart)
}
