//! The newest takes of a class -> what is worth teaching again, with the chart of the typical fault, one a pupil.
//!
//! A matter is a kind of finding at a place: a bar, a section, or the way into one. What several have in common comes
//! first; then what many need slower, each for reasons of their own.

use std::collections::BTreeMap;

use super::Assigned;
use super::distil::{self, Distilled, Found};
use crate::assess::{Kind, Status};
use crate::part::Timeline;
use crate::report::page::class::{Again, ClassView, Mini, Sign, Standing};
use crate::units::Ticks;

/// Matters on the class page.
const MATTERS: usize = 3;
/// A finding less likely than this is not taught to a class.
const LIKELY: f64 = 0.66;

/// A pupil's newest take of a part, corrections laid over it.
pub(super) struct Newest {
    pub(super) pupil: String,
    pub(super) timeline: Timeline,
    pub(super) distilled: Distilled,
}

/// What findings must share to be one matter: kind, section, bar.
type Matter = (String, String, Option<u32>);

/// What most have in common, the three commonest; of equally many the one that comes first in the form.
pub(super) fn again(current: &Assigned, newest: &[Newest]) -> Vec<Again> {
    let mut matters: BTreeMap<Matter, Vec<(&Newest, &Found)>> = BTreeMap::new();
    for one in newest {
        for f in one.distilled.findings.iter().filter(|f| f.confidence >= LIKELY) {
            let Some(section) = f.section.clone() else { continue };
            let bar = if distil::at_join(&f.kind) { None } else { f.bar };
            let who = matters.entry((f.kind.clone(), section, bar)).or_default();
            if who.last().is_none_or(|(other, _)| !std::ptr::eq(*other, one)) {
                who.push((one, f));
            }
        }
    }
    let least = if newest.len() > 2 { 2 } else { 1 };
    let mut rows: Vec<_> = matters.into_iter().filter(|(_, who)| who.len() >= least).collect();
    let place = |m: &Matter| (current.part.form.iter().position(|s| *s == m.1), m.2);
    rows.sort_by(|a, b| b.1.len().cmp(&a.1.len()).then_with(|| place(&a.0).cmp(&place(&b.0))));
    rows.truncate(MATTERS);
    rows.into_iter()
        .map(|((kind, section, bar), who)| {
            let before = who.first().and_then(|(one, f)| before(&one.timeline, f));
            let place = match (distil::at_join(&kind), before, bar) {
                (true, Some(before), _) => format!("From {before} into {section}"),
                (_, _, Some(bar)) => format!("{section}, bar {bar}"),
                _ => section.clone(),
            };
            let (matter, he, they) = in_words(&kind);
            let whole = who.first().and_then(|(one, f)| whole(&one.timeline, f));
            Again {
                title: whole.unwrap_or_else(|| format!("{place}: {matter}")),
                says: format!("{} of {} {}", who.len(), newest.len(), if who.len() == 1 { he } else { they }),
                lesson: current.part.section(&section).and_then(|s| s.lesson.clone()),
                pupils: who.iter().map(|(one, _)| one.pupil.clone()).collect(),
                minis: who.iter().filter_map(|(one, f)| mini(one, f)).collect(),
            }
        })
        .collect()
}

/// Where fewer matters than there is room for are shared: what many need slower, if no matter of it is named already. Of
/// equally many the one that comes first in the form.
pub(super) fn fill_up(current: &Assigned, units: &[String], view: &mut ClassView) {
    let mut rows: Vec<(usize, Vec<String>)> = (view.units.iter().enumerate())
        .map(|(k, unit)| {
            let slower = view.pupils.iter().zip(&unit.standings).filter(|(_, s)| **s == Standing::Slower);
            (k, slower.map(|(p, _)| p.clone()).collect::<Vec<_>>())
        })
        .filter(|(_, who)| who.len() > 1)
        .collect();
    rows.sort_by_key(|(k, who)| (std::cmp::Reverse(who.len()), *k));
    for (k, who) in rows {
        let Some(unit) = units.get(k).filter(|_| view.again.len() < MATTERS) else { break };
        let (title, section) = match unit.split_once('>') {
            Some((a, b)) => (format!("From {a} into {b}"), b),
            None => (format!("Section {unit}"), unit.as_str()),
        };
        // `A, bar 6: the rest` speaks of A; `From A into B: no pause` of that join.
        let told = |again: &Again| {
            again.title.starts_with(&format!("{title}:"))
                || !unit.contains('>')
                    && [",", ":", " "].iter().any(|sign| again.title.starts_with(&format!("{unit}{sign}")))
        };
        if view.again.iter().any(told) {
            continue;
        }
        view.again.push(Again {
            title: format!("{title}: slower first"),
            says: format!("{} of {} need it slower, each for reasons of their own", who.len(), view.sent),
            lesson: current.part.section(section).and_then(|s| s.lesson.clone()),
            pupils: who,
            minis: Vec::new(),
        });
    }
}

/// The section played before the pass a finding speaks of.
fn before(timeline: &Timeline, f: &Found) -> Option<String> {
    let at = pass_of(timeline, f)?;
    timeline.passes.get(at.checked_sub(1)?).map(|p| p.section.clone())
}

fn pass_of(timeline: &Timeline, f: &Found) -> Option<usize> {
    timeline.passes.iter().position(|p| Some(&p.section) == f.section.as_ref() && f.pass.is_none_or(|n| n == p.number))
}

/// A matter of the form as a sentence: the section is left out, played too often or not often enough. `None` where it is
/// only some bars of it, or another matter.
fn whole(timeline: &Timeline, f: &Found) -> Option<String> {
    let is = |k: Kind| k.word() == f.kind;
    let at = pass_of(timeline, f)?;
    let bars = timeline.passes.get(at)?.bars.clone();
    let section = &timeline.passes.get(at)?.section;
    // Bars with repeats of their own inside: some of them may be what is missing.
    let inner = timeline.bars.get(bars.clone()).unwrap_or_default().iter().any(|b| b.repeat.is_some());
    let all = f.size.round().max(0.0) as usize;
    if is(Kind::SectionSkipped) && all >= bars.len() {
        return Some(format!("{section} is left out"));
    }
    if inner || all != bars.len() {
        return None;
    }
    // How often it is to be played in a row there.
    let same = |p: &&crate::part::Pass| p.section == *section;
    let before = timeline.passes.get(..at)?.iter().rev().take_while(same).count();
    let asked = before + timeline.passes.get(at..)?.iter().take_while(same).count();
    let played = if is(Kind::RepeatExtra) {
        asked + 1
    } else if is(Kind::RepeatMissing) && asked > 1 {
        asked - 1
    } else {
        return None;
    };
    Some(format!("{section} is played {} instead of {}", times(played), times(asked)))
}

/// `once`, `twice`, `3 times`.
fn times(n: usize) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

/// A kind of finding as a matter to teach, and what a pupil does, and what several do.
fn in_words(kind: &str) -> (&'static str, &'static str, &'static str) {
    let is = |k: Kind| k.word() == kind;
    match kind {
        _ if is(Kind::RestNotKept) => ("the rest", "plays through it", "play through it"),
        _ if is(Kind::EarlyReEntry) => ("coming in after the rest", "comes in too early", "come in too early"),
        _ if is(Kind::LateReEntry) => ("coming in after the rest", "comes in late", "come in late"),
        _ if is(Kind::JoinGap) => ("no pause", "stops before going on", "stop before going on"),
        _ if is(Kind::JoinRushed) => ("not too early", "goes on too early", "go on too early"),
        _ if is(Kind::WrongSurface) => ("the surface", "plays another surface", "play another surface"),
        _ if is(Kind::RepeatExtra) => ("one repeat too many", "plays it once too often", "play it once too often"),
        _ if is(Kind::RepeatMissing) => ("one repeat too few", "leaves out a repeat", "leave out a repeat"),
        _ if is(Kind::SectionSkipped) => ("left out from here", "leaves it out", "leave it out"),
        _ if is(Kind::Restarted) => ("going on after a slip", "goes back and begins again", "go back and begin again"),
        _ if is(Kind::Paused) => ("going on", "stops in the middle", "stop in the middle"),
        _ if is(Kind::Rushing) => ("keeping the tempo", "gets faster", "get faster"),
        _ if is(Kind::Dragging) => ("keeping the tempo", "gets slower", "get slower"),
        _ if is(Kind::UnevenHands) => ("even hands", "plays the hands unevenly", "play the hands unevenly"),
        _ if is(Kind::NotTogether) => {
            ("both hands together", "plays one hand after the other", "play one hand after the other")
        }
        _ if is(Kind::LevelFlat) => {
            ("louder and softer", "plays all of it equally loud", "play all of it equally loud")
        }
        _ if is(Kind::StrokesMissing) => ("every stroke", "leaves strokes out", "leave strokes out"),
        _ if is(Kind::StartedLate) => ("where to begin", "begins only here", "begin only here"),
        _ => ("finding the way", "loses the place", "lose their place"),
    }
}

/// Kinds that concern the form or the tempo of a longer stretch: no single bar shows them.
fn shows_in_a_bar(kind: &str) -> bool {
    let form = [
        Kind::SectionSkipped,
        Kind::RepeatMissing,
        Kind::RepeatExtra,
        Kind::Restarted,
        Kind::StartedLate,
        Kind::Lost,
        Kind::LevelFlat,
    ];
    form.iter().all(|k| k.word() != kind)
}

/// The bar of a finding as a small chart; for a join the bar before it as well.
/// `None` where nothing would be seen in it.
fn mini(one: &Newest, f: &Found) -> Option<Mini> {
    if !shows_in_a_bar(&f.kind) {
        return None;
    }
    let t = &one.timeline;
    let pass = pass_of(t, f).and_then(|p| t.passes.get(p))?;
    let bar = (pass.bars.start + f.bar.unwrap_or(1).saturating_sub(1) as usize).min(pass.bars.end.saturating_sub(1));
    let here = t.bars.get(bar)?;
    let length = t.meter.bar();
    let join = distil::at_join(&f.kind) && here.at >= length;
    let from = if join { here.at - length } else { here.at };
    let to = here.at + length;
    let at = |tick: Ticks| (tick - from).0 as f64 / (to - from).0.max(1) as f64;
    let rests = t.rests.iter().filter(|r| r.to > from && r.from < to);
    let mut out = Mini {
        pupil: one.pupil.clone(),
        marks: Vec::new(),
        rests: rests.map(|r| (at(r.from.max(from)), at(r.to.min(to)))).collect(),
        bars: if join { vec![at(here.at)] } else { Vec::new() },
        join,
    };
    let beat = |k: usize| f.beat.is_none_or(|b| (b - t.beat(k)).abs() < 0.3);
    for (k, (stroke, mark)) in t.strokes.iter().zip(&one.distilled.marks).enumerate() {
        if stroke.at < from || stroke.at >= to {
            continue;
        }
        let wrong = mark.status == Status::WrongSurface;
        let timing = f.kind != Kind::WrongSurface.word() && f.kind != Kind::RestNotKept.word();
        let sign = match mark.status {
            Status::Missed => Sign::Missed,
            Status::NotHeard | Status::NotReached => continue,
            _ if wrong && !timing || timing && stroke.at >= here.at && (join || beat(k)) => Sign::Fault,
            _ => Sign::Played,
        };
        out.marks.push((at(stroke.at), mark.late.map_or(0.0, |l| l.millis()), sign));
    }
    let rests = one.distilled.in_rests.iter().filter(|x| **x >= from && **x < to);
    out.marks.extend(rests.map(|x| (at(*x), 0.0, Sign::InRest)));
    out.marks.iter().any(|m| m.2 != Sign::Missed).then_some(out)
}
