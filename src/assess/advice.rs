//! One thing to keep, one thing to try, and the tempo to take next.
//!
//! The tempo follows a rule of thumb and says so: a take that went through as written and steadily earns a step of about
//! the just noticeable change of tempo; one whose flow broke goes slower by twice that; otherwise the same tempo again.

use super::{Advice, Assessment, Finding, Kind, Status, words};
use crate::part::Timeline;
use crate::units::{Bpm, Ticks};

/// A step up: 4 %, a little over the just noticeable change of tempo (3.5 %, mazurka.org.uk tempo experiment).
const UP: f64 = 1.04;
/// A step down: 8 %. Rule of thumb.
const DOWN: f64 = 0.92;
/// Playing this far from the tempo asked for is playing another tempo: twice the just noticeable change.
const OTHER_TEMPO: f64 = 0.07;
/// Strokes heard where they belong for a take to count as gone through. Rule of thumb.
const THROUGH: f64 = 0.9;
/// Steady: jitter within this share of the shortest written interval, or within what untrained adults come to (20 to 35 ms;
/// planning figures). Rule of thumb.
const STEADY: (f64, f64) = (0.06, 0.030);

/// Findings after which the flow itself needs slower practice.
fn breaks_flow(kind: Kind) -> bool {
    use Kind::*;
    matches!(kind, RestNotKept | EarlyReEntry | LateReEntry | JoinGap | JoinRushed | Restarted | Paused | Lost)
}

/// `fixes[i]`: what the child is told about finding i.
pub(super) fn advice(take: &Assessment, fixes: &[String]) -> Advice {
    let finding = take.findings.first();
    let missing = if finding.is_none() { missing(take) } else { None };
    let (next, why) = next(take, missing.is_some());
    Advice {
        praise: praise(take),
        fix: match missing {
            Some((bar, n)) => words::fix_missing(&take.timeline, bar, n),
            None => finding.and(fixes.first()).cloned().unwrap_or_default(),
        },
        practise: match missing {
            Some((bar, _)) => Some(bar..(bar + 2).min(take.timeline.bars.len())),
            None => finding.and_then(|f| practise(&take.timeline, f)),
        },
        about: finding.map(|_| 0),
        next,
        why,
    }
}

/// The written bar in which most strokes were missed over all its passes, and how many; where they are enough to speak of.
fn missing(take: &Assessment) -> Option<(usize, usize)> {
    /// One missed stroke happens to everybody.
    const ENOUGH: usize = 2;
    let timeline = &take.timeline;
    let mut of_bar: std::collections::BTreeMap<(&str, u32), (usize, usize)> = std::collections::BTreeMap::new();
    for (stroke, judged) in timeline.strokes.iter().zip(&take.strokes) {
        let Some(bar) = timeline.bars.get(stroke.bar).filter(|_| judged.status == Status::Missed) else { continue };
        let Some(pass) = timeline.passes.get(bar.pass) else { continue };
        of_bar.entry((pass.section.as_str(), bar.number)).or_insert((stroke.bar, 0)).1 += 1;
    }
    of_bar.into_values().max_by_key(|&(bar, n)| (n, std::cmp::Reverse(bar))).filter(|&(_, n)| n >= ENOUGH)
}

/// Advice where nothing could be judged.
pub(super) fn unheard(timeline: &Timeline, fix: &str) -> Advice {
    let next = Bpm::clamped(timeline.bpm.get().clamp(timeline.range.start.get(), timeline.range.goal.get()));
    Advice {
        praise: "You sat down with your sticks and made a recording.".into(),
        fix: fix.into(),
        practise: None,
        about: None,
        next,
        why: format!("The same tempo again, {:.0}, until a take can be heard.", next.get()),
    }
}

/// The finding's bar and the one before it, where a slip is prepared; for a whole section all of it.
fn practise(timeline: &Timeline, finding: &Finding) -> Option<std::ops::Range<usize>> {
    let bar = words::bar_index(timeline, finding)?;
    match finding.kind {
        Kind::WrongSurface | Kind::SectionSkipped | Kind::RepeatMissing | Kind::RepeatExtra => {
            let pass = timeline.passes.get(timeline.bars.get(bar)?.pass)?;
            let (a, b) = finding.bars?;
            let index = |n: u32| pass.bars.start + usize::try_from(n).unwrap_or(1).saturating_sub(1);
            Some(index(a)..(index(b) + 1).min(pass.bars.end))
        }
        Kind::RestNotKept => Some(bar..(bar + 2).min(timeline.bars.len())),
        _ => Some(bar.saturating_sub(1)..bar + 1),
    }
}

struct Counts {
    reached: usize,
    played: usize,
    right: usize,
}

fn counts(take: &Assessment, strokes: std::ops::Range<usize>) -> Counts {
    let statuses = || take.strokes.get(strokes.clone()).unwrap_or_default().iter().map(|s| s.status);
    let of = |wanted: &[Status]| statuses().filter(|s| wanted.contains(s)).count();
    Counts {
        reached: of(&[Status::Played, Status::WrongSurface, Status::Missed]),
        played: of(&[Status::Played, Status::WrongSurface]),
        right: of(&[Status::Played]),
    }
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

/// The first of these that is true, the rarest achievement first.
fn praise(take: &Assessment) -> String {
    let timeline = &take.timeline;
    let any = |kinds: &[Kind]| take.findings.iter().any(|f| kinds.contains(&f.kind));
    let all = counts(take, 0..timeline.strokes.len());
    let not_reached = take.strokes.iter().any(|s| s.status == Status::NotReached);
    let whole = !not_reached && share(all.played, all.reached) > 0.97;
    let rests = timeline.rests.iter().filter(|r| r.to - r.from >= timeline.meter.beat()).count();
    let kept_rests = rests > 0 && !any(&[Kind::RestNotKept, Kind::EarlyReEntry, Kind::LateReEntry, Kind::Lost]);
    let kept_joins = timeline.passes.len() > 1
        && !any(&[
            Kind::JoinGap,
            Kind::JoinRushed,
            Kind::Restarted,
            Kind::SectionSkipped,
            Kind::RepeatExtra,
            Kind::RepeatMissing,
            Kind::Lost,
            Kind::StartedLate,
        ]);
    let steady = steady(take)
        && !any(&[Kind::Rushing, Kind::Dragging, Kind::Paused, Kind::Lost, Kind::JoinGap, Kind::Restarted]);
    let mut surfaces: Vec<_> = timeline.strokes.iter().map(|s| s.surface).collect();
    surfaces.sort_unstable();
    surfaces.dedup();
    let sure = take.strikes.iter().filter(|s| s.stroke.is_some()).all(|s| s.surface_p > 0.6);
    let surfaces_right =
        surfaces.len() > 1 && sure && share(all.right, all.played) > 0.97 && !any(&[Kind::WrongSurface]);
    let all_right = whole && all.right == all.reached;
    if all_right && steady && take.findings.is_empty() {
        return "Everything was in its place, and your beat was steady all the way.".into();
    }
    if steady {
        return "Your beat was steady all the way.".into();
    }
    if whole && kept_rests && rests > 1 {
        return format!("You kept every rest, all {} of them.", words::number(rests));
    }
    if whole && kept_joins {
        return "You went from section to section without a stop.".into();
    }
    if let Some(name) = clean_pass(take) {
        return format!("{} was all in its place.", words::capital(&name));
    }
    if surfaces_right {
        let names: Vec<&str> = surfaces.iter().map(|s| s.word()).collect();
        let list = match names.split_last() {
            Some((last, rest)) if !rest.is_empty() => format!("{} and {last}", rest.join(", ")),
            _ => names.join(""),
        };
        return format!("{} were clear to hear.", words::capital(&list));
    }
    if whole {
        return "You played the whole piece, from the first stroke to the last.".into();
    }
    if share(all.played, all.reached) > THROUGH && all.played > 8 {
        return "Nearly every stroke you played was where it belongs.".into();
    }
    let bars = timeline
        .bars
        .iter()
        .filter(|b| take.strokes.get(b.strokes.clone()).unwrap_or_default().iter().any(|s| s.strike.is_some()))
        .count();
    format!(
        "You played {} of {}.",
        if bars == 1 { "a bar".into() } else { format!("{} bars", words::number(bars)) },
        timeline.title
    )
}

/// A section played through with every stroke heard in its place and no finding about it.
fn clean_pass(take: &Assessment) -> Option<String> {
    let timeline = &take.timeline;
    let clean = timeline.passes.iter().find(|pass| {
        let bars = timeline.bars.get(pass.bars.clone()).unwrap_or_default();
        let (Some(first), Some(last)) = (bars.first(), bars.last()) else { return false };
        let strokes = first.strokes.start..last.strokes.end;
        let n = strokes.len();
        let told = take
            .findings
            .iter()
            .any(|f| f.section.as_ref().is_none_or(|s| *s == pass.section && f.pass.is_none_or(|p| p == pass.number)));
        n >= 4 && counts(take, strokes).right == n && !told
    })?;
    Some(words::pass_name(timeline, &clean.section, Some(clean.number)))
}

fn shortest(timeline: &Timeline) -> Option<Ticks> {
    timeline.strokes.windows(2).filter_map(|w| Some(w.get(1)?.at - w.first()?.at)).filter(|t| t.0 > 0).min()
}

/// Jitter small enough to be called steady, at the tempo played.
fn steady(take: &Assessment) -> bool {
    let played = take.clock.map_or(take.timeline.bpm, |c| c.bpm);
    let within = shortest(&take.timeline).map_or(0.0, |ioi| STEADY.0 * ioi.to_seconds(played).get());
    take.jitter.is_some_and(|j| j.get() <= within.max(STEADY.1))
}

/// The tempo to take next and why, in words for the child.
fn next(take: &Assessment, missing: bool) -> (Bpm, String) {
    let timeline = &take.timeline;
    let range = timeline.range;
    let asked = timeline.bpm.get();
    let played = take.clock.map_or(asked, |c| c.bpm.get());
    let base = if played < asked * (1.0 - OTHER_TEMPO) { played } else { asked };
    let all = counts(take, 0..timeline.strokes.len());
    let flow = take.findings.iter().find(|f| breaks_flow(f.kind));
    let through = share(all.played, all.reached) >= THROUGH;
    let fit = |bpm: f64| {
        Bpm::clamped(
            bpm.round()
                .clamp(range.start.get().round(), range.goal.get().round())
                .clamp(range.start.get(), range.goal.get()),
        )
    };
    if flow.is_some() || !through {
        let next = fit(base * DOWN);
        let reason = if flow.is_some() {
            "so that there is time to think ahead"
        } else {
            "so that every stroke finds its place"
        };
        return if next.get() > base * 0.97 {
            (next, format!("{:.0} is the slowest tempo of this part: stay there, {reason}.", next.get()))
        } else {
            (next, format!("Slower first, {:.0}, {reason}. One step down is a rule of thumb.", next.get()))
        };
    }
    let unreached = take.strokes.iter().filter(|s| s.status == Status::NotReached).count();
    if share(unreached, take.strokes.len()) > 1.0 - THROUGH && take.findings.is_empty() {
        let next = fit(base);
        return (next, format!("Stay at {:.0} until you can play on to the end.", next.get()));
    }
    if !take.findings.is_empty() || missing || !steady(take) {
        let next = fit(base);
        let reason = if take.findings.is_empty() && !missing {
            "until it feels easy and even"
        } else {
            "until this one thing is right"
        };
        return (next, format!("Stay at {:.0} {reason}.", next.get()));
    }
    // What went well at a tempo faster than was asked went well at that one.
    let base = if played > asked * (1.0 + OTHER_TEMPO) { played } else { base };
    let next = fit((base * UP).max(base + 1.0));
    if next.get() <= base + 0.5 {
        return (next, format!("{:.0} is where this part is going: you are there.", next.get()));
    }
    (next, format!("That went well at {:.0}, so try {:.0}. One small step up is a rule of thumb.", base, next.get()))
}
