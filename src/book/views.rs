//! Rows -> what the class page and the pupil's page show.
//!
//! Looks at the newest take of each pupil and at no more of the past than it needs, so that a year of takes costs
//! nothing. Corrections have been laid over everything that is shown.

use std::collections::BTreeMap;

use rusqlite::params;

use super::distil::{self, Distilled, Found, State};
use super::{Assigned, Book, BookError, Pupil};
use crate::assess::{Kind, Status};
use crate::part::Timeline;
use crate::report::page::class::{Again, ClassView, Mini, Sign, Standing, Unit};
use crate::report::page::progress::{Line, ProgressView};
use crate::units::{Bpm, Ticks};

/// A week: who sends nothing for longer, or has been at the same matter for longer, needs a word.
const WEEK_S: i64 = 7 * 86_400;
/// Stuck is who has sent a matter at least so often without having it.
const OFTEN: usize = 3;
/// Newest takes of a matter that are looked at.
const LOOK_BACK: i64 = 40;
/// Matters on the class page.
const MATTERS: usize = 3;
/// Takes in the charts of a pupil: a term of five lessons a week.
const CHARTED: i64 = 60;
/// A finding less likely than this is not taught to a class.
const LIKELY: f64 = 0.66;

/// A day as it is printed: `12 November`.
pub(super) fn day(at_s: i64) -> String {
    jiff::Timestamp::from_second(at_s)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%-d %B").to_string())
        .unwrap_or_default()
}

/// `A>B` as it is read.
fn said(unit: &str) -> String {
    unit.split_once('>').map_or_else(|| unit.to_owned(), |(a, b)| format!("{a} to {b}"))
}

/// `1 take`, `2 takes`.
fn counted(n: usize, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

/// A pupil's newest take of a part, corrections laid over it.
struct Newest {
    pupil: String,
    timeline: Timeline,
    distilled: Distilled,
}

/// What findings must share to be one matter: kind, section, bar.
type Matter = (String, String, Option<u32>);

impl Book {
    /// How a pupil's takes of a part went for one unit, newest first.
    fn history(&self, pupil: i64, title: &str, unit: &str) -> Result<Vec<(i64, State)>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT t.taken_s, r.state FROM takes t JOIN results r ON r.take = t.id AND r.unit = ?3
             WHERE t.pupil = ?1
               AND t.assignment IN (SELECT a.id FROM assignments a JOIN parts p ON p.id = a.part WHERE p.title = ?2)
             ORDER BY t.taken_s DESC, t.id DESC LIMIT ?4",
        )?;
        let rows = ask.query_map(params![pupil, title, unit, LOOK_BACK], |r| Ok((r.get(0)?, State::of(r.get(1)?))))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The newest take of the part: row, assignment, time.
    fn newest_of(&self, pupil: i64, title: &str) -> Result<Option<(i64, i64, i64)>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT t.id, t.assignment, t.taken_s FROM takes t
             WHERE t.pupil = ?1
               AND t.assignment IN (SELECT a.id FROM assignments a JOIN parts p ON p.id = a.part WHERE p.title = ?2)
             ORDER BY t.taken_s DESC, t.id DESC LIMIT 1",
        )?;
        let mut rows = ask.query(params![pupil, title])?;
        Ok(rows.next()?.map(|r| Ok::<_, rusqlite::Error>((r.get(0)?, r.get(1)?, r.get(2)?))).transpose()?)
    }

    fn corrected_take(&self, take: i64, timeline: &Timeline) -> Result<Option<Distilled>, BookError> {
        let Some((_, mut d)) = self.newest(take)? else { return Ok(None) };
        distil::correct(&mut d, timeline, &self.corrections(take)?);
        Ok(Some(d))
    }

    /// What the class page shows at a moment.
    ///
    /// # Errors
    /// If there is no such class.
    pub fn class_view(&self, class: &str, now_s: i64) -> Result<ClassView, BookError> {
        let id = self.class(class)?;
        let pupils = self.pupils(Some(id))?;
        let assignments = self.assignments(id)?;
        let mut view = ClassView {
            class: class.trim().to_owned(),
            day: day(now_s),
            pupils: pupils.iter().map(|p| p.nickname.clone()).collect(),
            waiting: self.waiting()?.len(),
            corrected: self.corrected_in_words()?,
            ..ClassView::default()
        };
        let Some(current) = assignments.iter().find(|a| a.given_s <= now_s).or(assignments.first()) else {
            return Ok(view);
        };
        let title = current.title.as_str();
        view.part = title.to_owned();
        view.asked = format!("{} at {:.0}", current.form, current.bpm.get());
        let timeline = current.timeline()?;
        let units = distil::units(&timeline);
        view.units = units.iter().map(|u| Unit { name: said(u), standings: Vec::new() }).collect();
        let mut newest = Vec::new();
        let mut ready: BTreeMap<String, Vec<String>> = BTreeMap::new();
        let mut silent: BTreeMap<String, Vec<String>> = BTreeMap::new();
        let mut stuck: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for pupil in &pupils {
            let last = self.newest_of(pupil.id, title)?;
            // What was asked a second time the same way is the same assignment.
            let same = |a: &&Assigned| (&a.form, a.bpm.get()) == (&current.form, current.bpm.get());
            let of_this =
                last.is_some_and(|l| assignments.iter().filter(same).any(|a| a.id == l.1 && a.title == title));
            let mut has_all = of_this;
            let mut sent = false;
            for (unit, row) in units.iter().zip(&mut view.units) {
                let history = self.history(pupil.id, title, unit)?;
                let standing = match history.first() {
                    None => Standing::NotSent,
                    Some((_, State::Had)) => Standing::Has,
                    Some((_, State::Slower)) => Standing::Slower,
                };
                has_all &= standing == Standing::Has;
                sent |= standing != Standing::NotSent;
                row.standings.push(standing);
                let tries = history.iter().take_while(|h| h.1 == State::Slower);
                let (count, first) = (tries.clone().count(), tries.last().map_or(now_s, |h| h.0));
                if count >= OFTEN && now_s - first >= WEEK_S {
                    let who = stuck.entry(format!("at {} for a week or longer", said(unit))).or_default();
                    who.push(pupil.nickname.clone());
                }
            }
            view.sent += usize::from(sent);
            view.of_this += usize::from(sent && of_this);
            match last {
                None => silent.entry("nothing sent yet".into()).or_default().push(pupil.nickname.clone()),
                Some((_, _, at)) if now_s - at >= WEEK_S => {
                    silent.entry("nothing sent for a week".into()).or_default().push(pupil.nickname.clone());
                }
                Some((take, assignment, _)) => {
                    let of = assignments.iter().find(|a| a.id == assignment).unwrap_or(current);
                    let timeline = of.timeline()?;
                    if let Some(distilled) = self.corrected_take(take, &timeline)? {
                        if has_all {
                            ready.entry(next_step(current, &distilled)).or_default().push(pupil.nickname.clone());
                        }
                        newest.push(Newest { pupil: pupil.nickname.clone(), timeline, distilled });
                    }
                }
            }
        }
        view.ready = ready.into_iter().collect();
        view.word = silent.into_iter().chain(stuck).collect();
        view.again = again(current, &newest);
        Ok(view)
    }

    fn corrected_in_words(&self) -> Result<String, BookError> {
        let (rows, takes) = self.corrected()?;
        let all: usize = rows.iter().map(|r| r.1).sum();
        if all == 0 {
            return Ok(if takes == 0 {
                String::new()
            } else {
                format!("The ear has not been corrected in {}.", counted(takes, "take"))
            });
        }
        let on = rows.iter().map(|(what, n)| format!("{what} {n}")).collect::<Vec<_>>().join(", ");
        let times = if all == 1 { "once".into() } else { format!("{all} times") };
        Ok(format!("You have corrected the ear {times} in {}: {on}.", counted(takes, "take")))
    }

    /// What the pupil's page shows at a moment.
    ///
    /// # Errors
    /// If there is no such pupil.
    pub fn pupil_view(&self, nickname: &str, now_s: i64) -> Result<ProgressView, BookError> {
        let pupil = self.pupil(nickname)?;
        let mut view = ProgressView { pupil: pupil.nickname.clone(), ..ProgressView::default() };
        let mut ask =
            self.db.prepare("SELECT at_s, text FROM words WHERE pupil = ?1 ORDER BY at_s DESC, id DESC LIMIT 3")?;
        view.words = ask.query_map([pupil.id], |r| Ok((day(r.get(0)?), r.get(1)?)))?.collect::<Result<_, _>>()?;
        let assignments = self.assignments(pupil.class)?;
        let Some(current) = assignments.iter().find(|a| a.given_s <= now_s).or(assignments.first()) else {
            return Ok(view);
        };
        view.part = current.title.clone();
        let so_far: Vec<&str> = current.form.split_whitespace().collect();
        view.form = so_far.iter().map(|s| ((*s).to_owned(), true)).collect();
        let later = current.part.sections.iter().filter(|s| !so_far.contains(&s.name.as_str()));
        view.form.extend(later.map(|s| (s.name.clone(), false)));
        self.lines(&pupil, current, &mut view)?;
        let Some((take, assignment, at)) = self.newest_of(pupil.id, &current.title)? else { return Ok(view) };
        view.day = day(at);
        let of = assignments.iter().find(|a| a.id == assignment).unwrap_or(current);
        let timeline = of.timeline()?;
        if let Some(d) = self.corrected_take(take, &timeline)? {
            view.praise.clone_from(&d.praise);
            // What the teacher has called fine is not asked to be fixed.
            let raw = self.newest(take)?.map(|n| n.1.findings.len()).unwrap_or_default();
            if d.findings.len() == raw || !d.findings.is_empty() {
                view.fix.clone_from(&d.fix);
            }
            view.practise = practise(of, &d);
        }
        view.corrected = self
            .corrections(take)?
            .iter()
            .map(|c| {
                let place =
                    [c.section.clone(), c.bar.map(|b| format!("bar {b}"))].into_iter().flatten().collect::<Vec<_>>();
                let place = if place.is_empty() { "the take".into() } else { place.join(" ") };
                let what = match c.what {
                    super::CorrectionKind::Fine => "is fine".to_owned(),
                    super::CorrectionKind::Surface(s) => format!("was the {}", s.word()),
                    super::CorrectionKind::Whose => "was another’s and is now here".to_owned(),
                };
                format!("Set right by {} on {}: {place} {what}. {}", c.who, day(c.at_s), c.note)
            })
            .collect();
        let mut ask = self.db.prepare("SELECT svg FROM charts WHERE pupil = ?1 AND take = ?2")?;
        view.chart = ask.query_map(params![pupil.id, take], |r| r.get(0))?.next().transpose()?.unwrap_or_default();
        Ok(view)
    }

    fn lines(&self, pupil: &Pupil, current: &Assigned, view: &mut ProgressView) -> Result<(), BookError> {
        type Row = (i64, Option<f64>, Option<f64>, i64, i64, i64, i64);
        let mut ask = self.db.prepare(
            "SELECT t.taken_s, s.jitter_ms, s.bpm, s.rests, s.rests_kept,
                (SELECT count(*) FROM results WHERE take = t.id AND instr(unit, '>') > 0),
                (SELECT count(*) FROM results WHERE take = t.id AND instr(unit, '>') > 0 AND state = 0)
             FROM takes t JOIN assessments s ON s.id =
                (SELECT id FROM assessments WHERE take = t.id ORDER BY made_s DESC, id DESC LIMIT 1)
             WHERE t.pupil = ?1
               AND t.assignment IN (SELECT a.id FROM assignments a JOIN parts p ON p.id = a.part WHERE p.title = ?2)
             ORDER BY t.taken_s DESC, t.id DESC LIMIT ?3",
        )?;
        let mut rows: Vec<Row> = ask
            .query_map(params![pupil.id, current.title, CHARTED], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?))
            })?
            .collect::<Result<_, _>>()?;
        rows.reverse();
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(()) };
        view.days = (day(first.0), day(last.0));
        let share = |part: i64, all: i64| (all > 0).then(|| part as f64 / all as f64);
        let range = current.part.range;
        let (low, high) =
            (range.start.get().min(range.goal.get()) * 0.8, range.goal.get().max(range.start.get()) * 1.1);
        let of = |part: i64, all: i64| if all > 0 { format!("{part} of {all}") } else { "none in this take".into() };
        view.lines = vec![
            Line {
                title: "Evenness".into(),
                now: last.1.map_or("not heard".into(), |ms| format!("within {ms:.0} ms of the beat, mostly")),
                values: rows.iter().map(|r| r.1).collect(),
                // Upside down: even is up, as in the other charts.
                range: (80.0, 0.0),
                ends: ("0 ms".into(), "80 ms".into()),
            },
            Line {
                title: "Tempo".into(),
                now: last.2.map_or("not heard".into(), |b| format!("{b:.0} quarter notes a minute")),
                values: rows.iter().map(|r| r.2).collect(),
                range: (low, high),
                ends: (format!("{high:.0}"), format!("{low:.0}")),
            },
            Line {
                title: "Rests kept".into(),
                now: of(last.4, last.3),
                values: rows.iter().map(|r| share(r.4, r.3)).collect(),
                range: (0.0, 1.0),
                ends: ("all".into(), "none".into()),
            },
            Line {
                title: "Joins".into(),
                now: of(last.6, last.5),
                values: rows.iter().map(|r| share(r.6, r.5)).collect(),
                range: (0.0, 1.0),
                ends: ("all".into(), "none".into()),
            },
        ];
        Ok(())
    }
}

/// A faster tempo while there is one, then the next section.
fn next_step(current: &Assigned, d: &Distilled) -> String {
    let goal = current.part.range.goal.get();
    if current.bpm.get() < goal - 0.5 {
        let next = d.next.clamp(current.bpm.get() + 2.0, goal.max(current.bpm.get() + 2.0));
        return format!("{} at {:.0}", current.form, next.min(goal));
    }
    let have: Vec<&str> = current.form.split_whitespace().collect();
    match current.part.sections.iter().find(|s| !have.contains(&s.name.as_str())) {
        Some(section) => format!("section {}", section.name),
        None => "the next piece".into(),
    }
}

/// What to practise: slowly what went wrong, then the whole.
fn practise(of: &Assigned, d: &Distilled) -> Vec<String> {
    let slow = d.next.min(of.bpm.get());
    let mut out = Vec::new();
    if !d.practise.is_empty() {
        out.push(format!("{}, slowly at {slow:.0}: over and over for three minutes.", d.practise));
    }
    // Once through and once more, rounded up to minutes.
    let minutes = of
        .timeline()
        .map(|t| (2.0 * t.end().to_seconds(Bpm::clamped(d.next)).get() / 60.0).ceil().clamp(1.0, 10.0))
        .unwrap_or(2.0);
    let word = if minutes < 1.5 { "one minute".into() } else { format!("{minutes:.0} minutes") };
    out.push(format!("{} from the beginning at {:.0}, twice: {word}.", of.form, d.next));
    out
}

/// What most have in common, the three commonest; of equally many the one that comes first in the form.
fn again(current: &Assigned, newest: &[Newest]) -> Vec<Again> {
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
    let mut out = Mini { pupil: one.pupil.clone(), marks: Vec::new(), join: None };
    let pass = pass_of(t, f).and_then(|p| t.passes.get(p))?;
    let bar = (pass.bars.start + f.bar.unwrap_or(1).saturating_sub(1) as usize).min(pass.bars.end.saturating_sub(1));
    let here = t.bars.get(bar)?;
    let length = t.meter.bar();
    let join = distil::at_join(&f.kind) && here.at >= length;
    let from = if join { here.at - length } else { here.at };
    let to = here.at + length;
    let at = |tick: Ticks| (tick - from).0 as f64 / (to - from).0.max(1) as f64;
    out.join = join.then(|| at(here.at));
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
