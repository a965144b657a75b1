//! The verdict: every step of the judge in turn, then what is said of it.

use super::runs::matched;
use super::status::{Ground, best, elsewhere, statuses};
use super::timing::Timed;
use super::{
    Advice, Assessment, Clock, ClockSource, Finding, Hearing, JudgedStrike, JudgedStroke, Kind, Status, Told, adopt,
    advice, drift, hands, levels, runs, structure, surfaces, timing, words,
};
use crate::align::{AlignConfig, Placed, Step, Strike, Trace, trace};
use crate::part::{Surface, Timeline};
use crate::units::Seconds;

/// Fewer strikes than this are no take.
const LEAST_STRIKES: usize = 4;
/// Strikes that fit the part, as a share of those that could, below which the take is not of this part.
const LEAST_FITTING: f64 = 0.5;
/// By how much a take may be better told as a rhythm of its own before it is refused, and by how much it must be better told
/// by the part before that is beyond doubt; nats a strike. On the simulated class (`scripts/judge_figures.rs`) takes of
/// other parts lie above the first in 1 of 200, and faulty takes of the part, simple parts included, below it in 1 of 200;
/// what lies between is judged, and the doubt is said.
const LEAST_MARGIN: f64 = -0.05;
const DOUBTFUL_MARGIN: f64 = 0.2;
/// The same by times alone, which say less of another part: of 130 takes from sound (`scripts/classroom`) held against
/// another part, those that were mostly placed lay below -.14, and those of the part above -.03 but for two.
const LEAST_BY_TIME: f64 = 0.0;
/// Below this distance of strike and noise the second of two hands may be hidden, and loud is not told from soft: noise as
/// much as this below a strike makes it seem half a decibel louder, and one of half its power twice that. Rule of thumb.
const NOISY_DB: f64 = 9.0;
/// No finding is surer than this, whatever its own evidence: now and then a whole take is matched wrongly, and every
/// witness of it with it. Of 358 findings said with more than .9 on the simulated class heard from sound
/// (`scripts/classroom`, tuning parts, 390 takes) 355 were true.
const SUREST: f64 = 0.98;

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
    let structure = structure::structure(timeline, strikes, trace);
    let mut placed = structure.placed;
    let mut runs = runs::runs(timeline, strikes, &placed, &structure.stretches);
    if adopt::adopt(timeline, strikes, &mut placed, &runs) {
        runs = runs::runs(timeline, strikes, &placed, &structure.stretches);
    }
    let placed = placed.as_slice();
    let mut heard = heard.clone();
    heard.doubts.extend(surfaces::throughout(timeline, strikes, placed, &heard));
    let heard = &heard;
    let tracked = trace.alignment.jitter;
    let (timed, measured) = timing::own_pulse(strikes.len(), &runs, tracked);
    let jitter = measured.unwrap_or(tracked);
    let clock = timing::clock(&runs, &timed, jitter).map(|own| match &heard.guide {
        Some(guide) => Clock { source: ClockSource::Guide, start: guide.start, bpm: own.bpm },
        None => own,
    });
    let statuses = statuses(&Ground { timeline, strikes, faint, placed, runs: &runs, heard, jitter });
    let spreads = hands::spreads(timeline, strikes, placed);
    let noisy = heard.over_noise.is_some_and(|d| d.0 < NOISY_DB);

    let opens = |j: usize| opens_pass(timeline, j);
    let plain = |finding: Finding| Told { finding, fix: None };
    let mut told: Vec<Told> = structure.findings.into_iter().map(plain).collect();
    for told in &mut told {
        if let Some(text) = words::form(timeline, &told.finding) {
            told.finding.text = text;
        }
    }
    told.extend(surfaces::judge(timeline, strikes, placed, heard));
    told.extend(drift::judge(&runs, opens).map(plain));
    told.extend(hands::uneven(timeline, strikes, placed, &timed, heard, jitter, noisy));
    // In noise the other hand may be hidden, but what is heard apart is apart.
    let apart = hands::not_together(timeline, strikes, faint, placed, &spreads, heard);
    let together_unknown = noisy && apart.is_none();
    told.extend(apart.map(plain));
    if !noisy {
        told.extend(levels::judge(timeline, strikes, placed, heard));
    }
    for told in &mut told {
        told.finding.confidence = told.finding.confidence.min(SUREST);
    }
    told.sort_by(|a, b| rank(&b.finding).total_cmp(&rank(&a.finding)));
    let fixes: Vec<String> =
        told.iter().map(|t| t.fix.clone().unwrap_or_else(|| words::fix(timeline, &t.finding))).collect();

    let strokes: Vec<JudgedStroke> = (statuses.iter())
        .map(|&(status, strike)| {
            let timed = strike.and_then(|i| timed.get(i).copied().flatten());
            JudgedStroke {
                status,
                strike,
                late: timed.map(|t| t.late),
                late_sigma: timed.map(|t| t.sigma),
                bpm: timed.map(|t| t.bpm),
            }
        })
        .collect();
    let mut limits = limits(timeline, heard, clock, &strokes);
    if noisy {
        limits.push(too_noisy(heard, together_unknown));
    } else {
        limits.extend(hands::limit(timeline, strikes, placed, heard));
    }
    if margin(strikes, trace) < DOUBTFUL_MARGIN {
        let limit = "whether this was the written part at all: the playing follows it only loosely, so take the findings with care";
        limits.insert(0, limit.to_string());
    }
    let mut out = Assessment {
        timeline: timeline.clone(),
        clock,
        strikes: judged(timeline, strikes, placed, &spreads, &timed, heard),
        strokes,
        findings: told.into_iter().map(|t| t.finding).collect(),
        advice: Advice {
            praise: String::new(),
            fix: String::new(),
            practise: None,
            about: None,
            next: timeline.bpm,
            why: String::new(),
        },
        limits,
        stretches: structure.stretches,
        jitter: measured,
        guide: heard.guide.clone(),
    };
    out.advice = advice::advice(&out, &fixes);
    leave_out_unlikely(&mut out);
    out
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

/// What a teacher would speak of first. Common sense: what a listener notices, and what the next lesson hangs on.
fn rank(finding: &Finding) -> f64 {
    let weight = match finding.kind {
        Kind::RestNotKept => 1.0,
        Kind::Lost | Kind::EarlyReEntry => 0.95,
        Kind::SectionSkipped
        | Kind::RepeatMissing
        | Kind::RepeatExtra
        | Kind::StartedLate
        | Kind::JoinGap
        | Kind::WrongSurface => 0.9,
        Kind::LateReEntry | Kind::JoinRushed => 0.85,
        Kind::Paused => 0.8,
        Kind::Rushing => 0.75,
        Kind::Restarted | Kind::Dragging => 0.7,
        Kind::NotTogether => 0.6,
        Kind::LevelFlat => 0.55,
        Kind::UnevenHands => 0.5,
    };
    weight * finding.confidence
}

/// How much better this part tells the take than a rhythm of its own, nats a strike.
fn margin(strikes: &[Strike], trace: &Trace) -> f64 {
    (trace.alignment.unrelated_cost - trace.alignment.cost) / strikes.len().max(1) as f64
}

/// Whether the take has to do with the part at all: by times and surfaces, or, where surfaces are exchanged throughout and
/// speak against it, by its times alone.
fn of_this_part(timeline: &Timeline, strikes: &[Strike], found: &Trace) -> bool {
    let fits = |found: &Trace, least: f64| margin(strikes, found) >= least && mostly_placed(strikes, found);
    fits(found, LEAST_MARGIN) || {
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

fn empty(timeline: &Timeline, strikes: &[Strike], heard: &Hearing, limit: String, fix: &str) -> Assessment {
    let nothing = JudgedStroke { status: Status::NotReached, strike: None, late: None, late_sigma: None, bpm: None };
    let mut out = Assessment {
        timeline: timeline.clone(),
        clock: None,
        strikes: judged(timeline, strikes, &[], &[], &[], heard),
        strokes: vec![nothing; timeline.strokes.len()],
        findings: Vec::new(),
        advice: advice::unheard(timeline, fix),
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
    let n = match likely(strikes) {
        0 => "none".to_string(),
        n => n.to_string(),
    };
    let limit = format!(
        "almost no strikes were heard: {n} in {:.0} s, so nothing is judged; was the microphone near the bucket, and is this the right recording?",
        heard.duration.get()
    );
    empty(
        timeline,
        strikes,
        heard,
        limit,
        "I could hardly hear you. Put the microphone about an arm's length from the bucket and try again.",
    )
}

fn another_part(timeline: &Timeline, strikes: &[Strike], heard: &Hearing) -> Assessment {
    let limit = format!(
        "this does not sound like `{}`: {} strikes were heard, but they do not follow the written part, so nothing is judged; was another part or another form played?",
        timeline.title,
        likely(strikes)
    );
    empty(
        timeline,
        strikes,
        heard,
        limit,
        "This sounded like something else than the piece. Look at the sheet, say the first bars aloud, and try again.",
    )
}

/// What this take cannot tell, and why.
fn limits(timeline: &Timeline, heard: &Hearing, clock: Option<Clock>, strokes: &[JudgedStroke]) -> Vec<String> {
    let mut out = Vec::new();
    if clock.is_some_and(|c| c.source == ClockSource::OwnPulse) {
        out.push(
            "whether the playing was early or late against the guide: no guide was heard in the recording, so only the player's own pulse is judged"
                .to_string(),
        );
    }
    if heard.clipped > 0.1 {
        out.push(format!(
            "how loud the strokes were: {:.0} % of them were cut off by the recorder; move it further away",
            100.0 * heard.clipped.min(1.0)
        ));
    }
    if heard.gain > 0.5 && levels::asked_for(timeline) {
        out.push("swells, fades and dynamics: the recorder seems to change its gain by itself, so loud and soft are levelled out".to_string());
    }
    if let Some(limit) = unreached(timeline, strokes) {
        out.push(limit);
    }
    let not_heard = strokes.iter().filter(|s| s.status == Status::NotHeard).count();
    if not_heard > 0 {
        let (were, they) = if not_heard == 1 { ("stroke was", "it counts") } else { ("strokes were", "they count") };
        out.push(format!(
            "{not_heard} {were} not heard but may have been played: soft, hidden by noise or by the ringing of the one before, or lost in a gap of the recording; {they} as neither right nor wrong"
        ));
    }
    out.extend(surfaces::limits(&heard.doubts));
    out
}

/// What noise hides.
fn too_noisy(heard: &Hearing, together_unknown: bool) -> String {
    format!(
        "{}how loud and soft: the strikes stand only {:.0} dB above the noise, {NOISY_DB:.0} are needed",
        if together_unknown { "whether both hands fall together, and " } else { "" },
        heard.over_noise.map_or(0.0, |d| d.0)
    )
}

/// Where the take ends before the part does.
fn unreached(timeline: &Timeline, strokes: &[JudgedStroke]) -> Option<String> {
    let last = strokes.iter().rposition(|s| s.status != Status::NotReached)?;
    let (here, all) = (timeline.strokes.get(last)?.bar, timeline.bars.len());
    let after = timeline.bars.get(here + 1..)?.iter().filter(|b| !b.strokes.is_empty()).count();
    let bar = timeline.bars.get(here).filter(|_| after > 0)?;
    let pass = timeline.passes.get(bar.pass)?;
    Some(format!(
        "anything after bar {} of {}: the playing ends there, {after} of {all} bars before the end of the part",
        bar.number,
        words::pass_name(timeline, &pass.section, Some(pass.number))
    ))
}
