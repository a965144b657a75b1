//! Rows -> what the class page and the pupil's page show.
//!
//! Looks at the newest take of each pupil and at no more of the past than it needs, so that a year of takes costs
//! nothing. Corrections have been laid over everything that is shown.

use std::collections::BTreeMap;

use rusqlite::params;

use super::distil::{self, Distilled, State};
use super::matters::{Newest, again, fill_up};
use super::{Assigned, Book, BookError, Pupil};
use crate::part::Timeline;
use crate::report::listed;
use crate::report::page::class::{ClassView, Standing, Unit};
use crate::report::page::progress::{Line, ProgressView};
use crate::stats::median;
use crate::units::Bpm;

/// A week: who sends nothing for longer, or has been at the same matter for longer, needs a word.
const WEEK_S: i64 = 7 * 86_400;
/// Stuck is who has sent a matter at least so often without having it.
const OFTEN: usize = 3;
/// Newest takes of a matter that are looked at.
const LOOK_BACK: i64 = 40;
/// Days in the charts of a pupil: a term of five lessons a week.
const CHARTED: usize = 60;
/// A day as it is printed: `12 November`.
pub(super) fn day(at_s: i64) -> String {
    jiff::Timestamp::from_second(at_s)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%-d %B").to_string())
        .unwrap_or_default()
}

/// The day of a moment, where the teacher is.
fn date(at_s: i64) -> Option<jiff::civil::Date> {
    jiff::Timestamp::from_second(at_s).map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).date()).ok()
}

/// A pupil's takes of a day.
#[derive(Default)]
struct Day {
    at: i64,
    date: Option<jiff::civil::Date>,
    jitter: Vec<f64>,
    bpm: Vec<f64>,
    rests: i64,
    kept: i64,
    joins: i64,
    had: i64,
}

/// `A>B` as it is read.
fn said(unit: &str) -> String {
    unit.split_once('>').map_or_else(|| unit.to_owned(), |(a, b)| format!("{a} to {b}"))
}

/// `1 take`, `2 takes`.
fn counted(n: usize, one: &str) -> String {
    format!("{} {one}{}", grouped(n), if n == 1 { "" } else { "s" })
}

/// A count as it is printed: `69 624`, with a narrow space.
fn grouped(n: usize) -> String {
    let digits = n.to_string();
    let group = |(k, c): (usize, char)| {
        let space = k > 0 && digits.len() > 4 && (digits.len() - k).is_multiple_of(3);
        space.then_some('\u{202f}').into_iter().chain([c])
    };
    digits.chars().enumerate().flat_map(group).collect()
}

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
            echoes: self.echoes(id)?,
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
        // By the units somebody has been at for long, in the order of the form.
        let mut stuck: BTreeMap<Vec<usize>, Vec<String>> = BTreeMap::new();
        for pupil in &pupils {
            let last = self.newest_of(pupil.id, title)?;
            // What was asked a second time the same way is the same assignment.
            let same = |a: &&Assigned| (&a.form, a.bpm.get()) == (&current.form, current.bpm.get());
            let of_this =
                last.is_some_and(|l| assignments.iter().filter(same).any(|a| a.id == l.1 && a.title == title));
            let mut has_all = of_this;
            let mut sent = false;
            let mut at_long = Vec::new();
            for (k, (unit, row)) in units.iter().zip(&mut view.units).enumerate() {
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
                    at_long.push(k);
                }
            }
            view.sent += usize::from(sent);
            view.of_this += usize::from(sent && of_this);
            let Some((take, assignment, at)) = last else {
                silent.entry("nothing sent yet".into()).or_default().push(pupil.nickname.clone());
                continue;
            };
            if now_s - at >= WEEK_S {
                silent.entry("nothing sent for a week".into()).or_default().push(pupil.nickname.clone());
            } else if !at_long.is_empty() {
                stuck.entry(at_long).or_default().push(pupil.nickname.clone());
            }
            let of = assignments.iter().find(|a| a.id == assignment).unwrap_or(current);
            let timeline = of.timeline()?;
            if let Some(distilled) = self.corrected_take(take, &timeline)? {
                if has_all {
                    ready.entry(next_step(current, &distilled)).or_default().push(pupil.nickname.clone());
                }
                newest.push(Newest { pupil: pupil.nickname.clone(), timeline, distilled });
            }
        }
        view.ready = ready.into_iter().collect();
        let stuck = stuck.into_iter().map(|(at, who)| {
            let at: Vec<String> = at.iter().filter_map(|k| units.get(*k)).map(|u| said(u)).collect();
            (format!("{} still slower first after a week of takes", listed(&at)), who)
        });
        view.word = silent.into_iter().chain(stuck).collect();
        view.again = again(current, &newest);
        fill_up(current, &units, &mut view);
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
        let mut view =
            ProgressView { pupil: pupil.nickname.clone(), drills: self.echoed(pupil.id)?, ..ProgressView::default() };
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
        let mut ask = self.db.prepare(
            "SELECT t.taken_s, s.jitter_ms, s.bpm, s.rests, s.rests_kept,
                (SELECT count(*) FROM results WHERE take = t.id AND instr(unit, '>') > 0),
                (SELECT count(*) FROM results WHERE take = t.id AND instr(unit, '>') > 0 AND state = 0)
             FROM takes t JOIN assessments s ON s.id =
                (SELECT id FROM assessments WHERE take = t.id ORDER BY made_s DESC, id DESC LIMIT 1)
             WHERE t.pupil = ?1
               AND t.assignment IN (SELECT a.id FROM assignments a JOIN parts p ON p.id = a.part WHERE p.title = ?2)
             ORDER BY t.taken_s DESC, t.id DESC",
        )?;
        let mut takes = ask.query(params![pupil.id, current.title])?;
        // Newest day first; a day's takes are one dot, so that a term is seen and not an afternoon.
        let mut rows: Vec<Day> = Vec::new();
        while let Some(r) = takes.next()? {
            let at: i64 = r.get(0)?;
            let date = date(at);
            if rows.last().is_none_or(|d| d.date != date) {
                if rows.len() == CHARTED {
                    break;
                }
                rows.push(Day { at, date, ..Day::default() });
            }
            let Some(day) = rows.last_mut() else { break };
            day.jitter.extend(r.get::<_, Option<f64>>(1)?);
            day.bpm.extend(r.get::<_, Option<f64>>(2)?);
            for (sum, k) in [&mut day.rests, &mut day.kept, &mut day.joins, &mut day.had].into_iter().zip(3..) {
                *sum += r.get::<_, i64>(k)?;
            }
        }
        rows.reverse();
        let (Some(first), Some(last)) = (rows.first(), rows.last()) else { return Ok(()) };
        view.days = (day(first.at), day(last.at));
        let share = |part: i64, all: i64| (all > 0).then(|| part as f64 / all as f64);
        let range = current.part.range;
        let (low, high) =
            (range.start.get().min(range.goal.get()) * 0.8, range.goal.get().max(range.start.get()) * 1.1);
        let of = |part: i64, all: i64| if all > 0 { format!("{part} of {all}") } else { "none that day".into() };
        view.lines = vec![
            Line {
                title: "Evenness".into(),
                now: median(last.jitter.iter().copied())
                    .map_or("not heard".into(), |ms| format!("mostly within {ms:.0} ms of the beat")),
                values: rows.iter().map(|d| median(d.jitter.iter().copied())).collect(),
                // Upside down: even is up, as in the other charts.
                range: (80.0, 0.0),
                ends: ("0 ms".into(), "80 ms".into()),
            },
            Line {
                title: "Tempo".into(),
                now: median(last.bpm.iter().copied())
                    .map_or("not heard".into(), |b| format!("{b:.0} quarter notes a minute")),
                values: rows.iter().map(|d| median(d.bpm.iter().copied())).collect(),
                range: (low, high),
                ends: (format!("{high:.0}"), format!("{low:.0}")),
            },
            Line {
                title: "Rests kept".into(),
                now: of(last.kept, last.rests),
                values: rows.iter().map(|d| share(d.kept, d.rests)).collect(),
                range: (0.0, 1.0),
                ends: ("all".into(), "none".into()),
            },
            Line {
                title: "Joins".into(),
                now: of(last.had, last.joins),
                values: rows.iter().map(|d| share(d.had, d.joins)).collect(),
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
