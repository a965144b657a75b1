//! Rows -> what the class page shows: who has sent a take since it was asked for, what each child is at, what is next.
//!
//! *Since it was asked for* is since the moment the assignment was given (a day, where that is all that is known of the
//! take), for what was asked: its form at its tempo. A take of before stays in its child's row and says so.

use rusqlite::params;

use super::distil::{self, Distilled, State};
use super::lesson::{self, Newest};
use super::views::{date, day, day_and_hour, next_step, short_day};
use super::{Assigned, Book, BookError, Pupil};
use crate::english::listed;
use crate::part::Timeline;
use crate::report::page::class::{ClassView, Last, LastTake, Next, NextSign, Row};

/// A week: who sends nothing for longer, or has been at the same matter for longer, needs a word.
const WEEK_S: i64 = 7 * 86_400;
/// Stuck is who has sent a matter at least so often without having it.
const OFTEN: usize = 3;
/// Newest takes of a matter that are looked at.
const LOOK_BACK: i64 = 40;
/// Takes in the small charts of a row: as many as can be told apart there.
const CHARTED: usize = 6;

/// A take of the part, as far as a row needs it.
struct Sent {
    take: i64,
    assignment: i64,
    at: i64,
    jitter_ms: Option<f64>,
    bpm: Option<f64>,
    asked: f64,
}

/// `A>B` as it is read.
fn said(unit: &str) -> String {
    match unit.split_once('>') {
        None => unit.to_owned(),
        Some((a, b)) if a == b => format!("{a} to {b} again"),
        Some((a, b)) => format!("{a} to {b}"),
    }
}

impl Book {
    /// A pupil's takes of a part until a moment, newest first.
    fn sent(&self, pupil: i64, title: &str, until_s: i64) -> Result<Vec<Sent>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT t.id, t.assignment, t.taken_s, s.jitter_ms, s.bpm, a.bpm
             FROM takes t JOIN assignments a ON a.id = t.assignment JOIN parts p ON p.id = a.part
             LEFT JOIN assessments s ON s.id =
                (SELECT id FROM assessments WHERE take = t.id ORDER BY made_s DESC, id DESC LIMIT 1)
             WHERE t.pupil = ?1 AND p.title = ?2 AND t.taken_s <= ?4 ORDER BY t.taken_s DESC, t.id DESC LIMIT ?3",
        )?;
        let rows = ask.query_map(params![pupil, title, LOOK_BACK, until_s], |r| {
            Ok(Sent {
                take: r.get(0)?,
                assignment: r.get(1)?,
                at: r.get(2)?,
                jitter_ms: r.get(3)?,
                bpm: r.get(4)?,
                asked: r.get(5)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

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

    /// The newest take of a part with corrections laid over it: its row, its assignment, when it was made.
    pub(super) fn newest_of(&self, pupil: i64, title: &str) -> Result<Option<(i64, i64, i64)>, BookError> {
        Ok(self.sent(pupil, title, i64::MAX)?.first().map(|s| (s.take, s.assignment, s.at)))
    }

    /// A take as it stands, corrections laid over it.
    pub(super) fn corrected_take(&self, take: i64, timeline: &Timeline) -> Result<Option<Distilled>, BookError> {
        let Some((_, mut d)) = self.newest(take)? else { return Ok(None) };
        distil::correct(&mut d, timeline, &self.corrections(take)?);
        Ok(Some(d))
    }

    /// What the class page shows at a moment.
    ///
    /// # Errors
    /// If there is no such class.
    pub fn class_view(&self, class: &str, now_s: i64) -> Result<ClassView, BookError> {
        self.class_view_of(class, None, i64::MAX, now_s)
    }

    /// The same for one of the assignments, by its row; for the one that holds at that moment without it. Takes made after
    /// `until_s` do not count.
    ///
    /// # Errors
    /// If there is no such class or assignment.
    pub fn class_view_of(
        &self,
        class: &str,
        assignment: Option<i64>,
        until_s: i64,
        now_s: i64,
    ) -> Result<ClassView, BookError> {
        let id = self.class(class)?;
        let pupils = self.pupils(Some(id))?;
        let assignments = self.assignments(id)?;
        let mut view = ClassView {
            class: class.trim().to_owned(),
            day: day(now_s),
            waiting: self.waiting()?.len(),
            corrected: self.corrected_in_words()?,
            echoes: self.echoes(id)?,
            ..ClassView::default()
        };
        let given = || assignments.iter().find(|a| a.given_s <= now_s).or(assignments.first());
        let current = match assignment {
            Some(id) => Some(assignments.iter().find(|a| a.id == id).ok_or_else(|| BookError::Unknown {
                what: "assignment",
                name: id.to_string(),
                near: None,
            })?),
            None => given(),
        };
        let Some(current) = current else {
            for pupil in &pupils {
                view.rows.push(self.empty_row(pupil)?);
            }
            return Ok(view);
        };
        view.part.clone_from(&current.title);
        view.asked = format!("{} at {:.0}", current.form, current.bpm.get());
        view.given = day_and_hour(current.given_s);
        view.due = current.due_s.map(day);
        view.range = (current.part.range.start.get(), current.part.range.goal.get());
        let units = distil::units(&current.timeline()?);
        let (mut since, mut before) = (Vec::new(), Vec::new());
        for pupil in &pupils {
            let (row, newest) = self.row(pupil, current, &assignments, &units, (until_s, now_s))?;
            match (&row.last, newest) {
                (Last::Since(_), Some(newest)) => since.push(newest),
                (_, Some(newest)) => before.push(newest),
                (_, None) => {}
            }
            view.rows.push(row);
        }
        // Where nobody has sent what was asked for yet, the lesson is made from what was sent before.
        view.from_before = since.is_empty() && !before.is_empty();
        view.again = lesson::again(current, if since.is_empty() { &before } else { &since });
        Ok(view)
    }

    fn empty_row(&self, pupil: &Pupil) -> Result<Row, BookError> {
        let page = self.page_name(pupil)?;
        Ok(Row { pupil: pupil.nickname.clone(), page: format!("pupil-{page}.html"), ..Row::default() })
    }

    /// A child's row, and the take it speaks of.
    fn row(
        &self,
        pupil: &Pupil,
        current: &Assigned,
        assignments: &[Assigned],
        units: &[String],
        (until_s, now_s): (i64, i64),
    ) -> Result<(Row, Option<Newest>), BookError> {
        let mut row = self.empty_row(pupil)?;
        let sent = self.sent(pupil.id, &current.title, until_s)?;
        // What was asked a second time the same way is the same.
        let of = |s: &Sent| assignments.iter().find(|a| a.id == s.assignment).unwrap_or(current);
        let same = |s: &Sent| (&of(s).form, of(s).bpm.get()) == (&current.form, current.bpm.get());
        let since =
            |s: &Sent| s.at >= current.given_s || s.assignment == current.id && date(s.at) == date(current.given_s);
        let Some(last) = sent.iter().find(|s| same(s) && since(s)).or(sent.first()) else {
            let long = now_s - current.given_s >= WEEK_S;
            row.next = if long { word("nothing sent yet") } else { Next::default() };
            return Ok((row, None));
        };
        let told = LastTake {
            day: short_day(last.at, date(last.at) == date(current.given_s)),
            asked: last.asked,
            form: Some(of(last).form.clone()).filter(|form| *form != current.form),
            played: last.bpm,
        };
        row.last = match (since(last), same(last)) {
            (true, true) => Last::Since(told),
            (true, false) => Last::OfAnother(told),
            (false, _) => Last::Before(told),
        };
        row.take = Some(last.take);
        let mut charted: Vec<&Sent> = sent.iter().take(CHARTED).collect();
        charted.reverse();
        row.evenness = charted.iter().map(|s| s.jitter_ms).collect();
        row.tempo = charted.iter().map(|s| (s.asked, s.bpm)).collect();
        let timeline = of(last).timeline()?;
        let Some(distilled) = self.corrected_take(last.take, &timeline)? else { return Ok((row, None)) };
        let newest = Newest { pupil: pupil.nickname.clone(), take: last.take, timeline, distilled };
        (row.matter, row.fault) = lesson::one_matter(&newest);
        row.next = match &row.last {
            _ if now_s - last.at >= WEEK_S => word("nothing sent for a week"),
            Last::Before(_) if now_s - current.given_s >= WEEK_S => word("nothing since it was asked for"),
            _ => self.next(pupil, current, units, &newest, matches!(row.last, Last::Since(_)), now_s)?,
        };
        Ok((row, Some(newest)))
    }

    /// What is next for who has sent a take.
    fn next(
        &self,
        pupil: &Pupil,
        current: &Assigned,
        units: &[String],
        newest: &Newest,
        since: bool,
        now_s: i64,
    ) -> Result<Next, BookError> {
        let mut stuck = Vec::new();
        for unit in units {
            let history = self.history(pupil.id, &current.title, unit)?;
            let tries: Vec<_> = history.iter().take_while(|h| h.1 == State::Slower).collect();
            let first = tries.last().map_or(now_s, |h| h.0);
            if tries.len() >= OFTEN && now_s - first >= WEEK_S {
                stuck.push(said(unit));
            }
        }
        if !stuck.is_empty() {
            return Ok(word(&format!("at {} for over a week", listed(&stuck))));
        }
        let results = distil::results(&newest.distilled, &newest.timeline);
        let has = |unit: &String| results.iter().any(|(u, state)| u == unit && *state == State::Had);
        if since && units.iter().all(has) {
            return Ok(Next {
                sign: NextSign::Has,
                text: format!("ready for {}", next_step(current, &newest.distilled)),
            });
        }
        let (d, asked) = (&newest.distilled, newest.timeline.bpm.get());
        let what = if d.practise.is_empty() { String::new() } else { format!("{}, ", d.practise) };
        let text = match d.next {
            next if next < asked - 0.5 => format!("{what}slower first, {next:.0}"),
            next => format!("{what}again at {:.0}", next.min(asked)),
        };
        Ok(Next { sign: NextSign::Slower, text })
    }

    fn corrected_in_words(&self) -> Result<String, BookError> {
        let times: usize = self.corrected()?.0.iter().map(|r| r.1).sum();
        Ok(match times {
            0 => String::new(),
            1 => "You have set one take right.".into(),
            n => format!("You have set something right {n} times."),
        })
    }
}

fn word(why: &str) -> Next {
    Next { sign: NextSign::Word, text: format!("a word: {why}") }
}
