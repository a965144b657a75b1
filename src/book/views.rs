//! Rows -> what the pupil's page shows.
//!
//! Looks at the newest take and at no more of the past than it needs, so that a year of takes costs nothing. Corrections
//! have been laid over everything that is shown.

use rusqlite::{OptionalExtension as _, params};

use super::distil::Distilled;
use super::{Assigned, Book, BookError, Drawn, Pupil};
use crate::report::page::progress::{Line, ProgressView};
use crate::stats::median;
use crate::units::Bpm;

/// Days in the charts of a pupil: a term of five lessons a week.
const CHARTED: usize = 60;
/// A day as it is printed: `12 November`.
pub(super) fn day(at_s: i64) -> String {
    jiff::Timestamp::from_second(at_s)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%-d %B").to_string())
        .unwrap_or_default()
}

/// A day in a row of a table: `9 Nov`, with its hour where that is asked for.
pub(super) fn short_day(at_s: i64, hour: bool) -> String {
    jiff::Timestamp::from_second(at_s)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()))
        .map(|t| t.strftime(if hour { "%-d %b, %H:%M" } else { "%-d %b" }).to_string())
        .unwrap_or_default()
}

/// A day with its hour: `9 November, 16:00`. Midnight is what a day is given as, and says nothing of the hour.
pub(super) fn day_and_hour(at_s: i64) -> String {
    let Ok(at) = jiff::Timestamp::from_second(at_s) else { return String::new() };
    let at = at.to_zoned_datetime(jiff::tz::TimeZone::system());
    if (at.hour(), at.minute()) == (0, 0) { day(at_s) } else { at.strftime("%-d %B, %H:%M").to_string() }
}

/// The day of a moment, where the teacher is.
pub(super) fn date(at_s: i64) -> Option<jiff::civil::Date> {
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

impl Book {
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
            view.fix.clone_from(&d.fix);
            let drawn = self.drawn(pupil.id, take)?;
            // What the teacher has called fine is not asked to be fixed.
            (view.chart, view.bars) = (drawn.chart, if d.fix.is_empty() { String::new() } else { drawn.bars });
            view.practise = practise(of, &d);
        }
        view.corrected = self
            .corrections(take)?
            .iter()
            .map(|c| {
                let (place, what) = (c.place(), c.words());
                format!("Set right by {} on {}: {place} {what}. {}", c.who, day(c.at_s), c.note)
            })
            .collect();
        Ok(view)
    }

    /// What is drawn of a take.
    fn drawn(&self, pupil: i64, take: i64) -> Result<Drawn, BookError> {
        let sql = "SELECT svg, bars FROM charts WHERE pupil = ?1 AND take = ?2";
        let read = |r: &rusqlite::Row| Ok(Drawn { chart: r.get(0)?, bars: r.get(1)? });
        Ok(self.db.prepare_cached(sql)?.query_row(params![pupil, take], read).optional()?.unwrap_or_default())
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
        let (low, high) = (range.slowest().get() * 0.8, range.fastest().get() * 1.1);
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
pub(super) fn next_step(current: &Assigned, d: &Distilled) -> String {
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
