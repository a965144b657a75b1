//! A take as the teacher looks at it: heard again with what was set right laid over it, what was set right by whom, and
//! taking that back.

use rusqlite::{OptionalExtension as _, params};

use super::distil::{self, Distilled};
use super::facts::drawn;
use super::takes::correction_of;
use super::{Book, BookError, Correction, CorrectionKind};
use crate::assess::{Assessment, Finding, Status};
use crate::part::Surface;

/// Something that was set right, as it stands in the book.
#[derive(Clone, Debug, PartialEq)]
pub struct SetRight {
    /// Its row.
    pub id: i64,
    /// The take.
    pub take: i64,
    /// Whose take that is now.
    pub pupil: String,
    /// What was said.
    pub correction: Correction,
    /// When it was taken back, seconds since 1970.
    pub undone_s: Option<i64>,
}

/// Several of them that were said as one.
#[derive(Clone, Debug, PartialEq)]
pub struct SaidAtOnce {
    /// The first of them.
    pub first: SetRight,
    /// Their rows.
    pub ids: Vec<i64>,
    /// The places they speak of, in words: `B bar 1, bar 2`.
    pub places: String,
}

/// What was said as one: of one take at one moment, the same of several places.
pub fn said_at_once(rows: &[SetRight]) -> Vec<SaidAtOnce> {
    let same = |a: &SetRight, b: &SetRight| {
        let of = |s: &SetRight| (s.take, s.correction.at_s, s.undone_s, s.correction.what, s.correction.note.clone());
        of(a) == of(b)
    };
    let one = |rows: &[SetRight]| {
        let mut places: Vec<String> = Vec::new();
        // Newest first they come, and oldest first they are read.
        for row in rows.iter().rev() {
            let place = row.correction.place();
            if !places.contains(&place) {
                places.push(place);
            }
        }
        Some(SaidAtOnce {
            first: rows.first()?.clone(),
            ids: rows.iter().map(|s| s.id).collect(),
            places: crate::english::listed(&places),
        })
    };
    rows.chunk_by(same).filter_map(one).collect()
}

/// A finding that the teacher has answered.
#[derive(Clone, Debug, PartialEq)]
pub struct Answered {
    /// What the ear had found.
    pub finding: Finding,
    /// What was said against it.
    pub said: Vec<SetRight>,
}

/// A take with what was set right laid over it.
#[derive(Clone, Debug, PartialEq)]
pub struct Reviewed {
    /// The assessment; what was answered is not in it.
    pub assessment: Assessment,
    /// What the ear had found and the teacher has answered.
    pub answered: Vec<Answered>,
}

/// Lays what was set right over an assessment.
pub fn review(raw: &Assessment, set_right: &[SetRight]) -> Reviewed {
    let standing: Vec<&SetRight> = set_right.iter().filter(|s| s.undone_s.is_none()).collect();
    let corrections: Vec<Correction> = standing.iter().map(|s| s.correction.clone()).collect();
    let before = distil::distil(raw);
    let mut after = before.clone();
    distil::correct(&mut after, &raw.timeline, &corrections);
    let mut out = Reviewed { assessment: raw.clone(), answered: Vec::new() };
    // What is left stands in the same order.
    let mut left = after.findings.iter().peekable();
    out.assessment.findings = (raw.findings.iter().zip(&before.findings))
        .filter(|(finding, found)| {
            let stays = left.next_if(|next| next == found).is_some();
            if !stays {
                let said = standing.iter().filter(|s| distil::answers(&s.correction, found)).copied().cloned();
                out.answered.push(Answered { finding: (*finding).clone(), said: said.collect() });
            }
            stays
        })
        .map(|(finding, _)| finding.clone())
        .collect();
    lay_over(&mut out.assessment, &before, &after);
    out
}

/// What is true of strokes by the teacher's word.
fn lay_over(assessment: &mut Assessment, before: &Distilled, after: &Distilled) {
    for (k, (was, is)) in before.marks.iter().zip(&after.marks).enumerate().filter(|(_, (was, is))| was != is) {
        let Some(stroke) = assessment.strokes.get_mut(k) else { continue };
        stroke.status = is.status;
        if let (Some(strike), Some(surface)) = (stroke.strike.and_then(|i| assessment.strikes.get_mut(i)), is.surface)
            && was.surface != is.surface
        {
            (strike.surface, strike.surface_p) = (surface, 1.0);
        }
    }
}

impl Book {
    /// What was set right, of one take or of all, newest first, what was taken back too.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn set_right(&self, take: Option<i64>) -> Result<Vec<SetRight>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT c.what, c.finding, c.section, c.pass, c.bar, c.beat, c.surface, c.who, c.at_s, c.note,
                    c.id, c.take, p.nickname, c.undone_s
             FROM corrections c JOIN takes t ON t.id = c.take JOIN pupils p ON p.id = t.pupil
             WHERE ?1 IS NULL OR c.take = ?1 ORDER BY c.id DESC",
        )?;
        let rows = ask.query_map([take], |r| {
            Ok(SetRight {
                id: r.get(10)?,
                take: r.get(11)?,
                pupil: r.get(12)?,
                correction: correction_of(r)?,
                undone_s: r.get(13)?,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Stores several corrections of a take, all or none; their rows.
    ///
    /// # Errors
    /// As [`Book::correct`].
    pub fn correct_all(&self, take: i64, corrections: &[Correction]) -> Result<Vec<i64>, BookError> {
        self.savepoint(|| {
            let mut rows = Vec::new();
            for correction in corrections {
                self.correct(take, correction, None)?;
                rows.push(self.db.query_row("SELECT max(id) FROM corrections", [], |r| r.get(0))?);
            }
            Ok(rows)
        })
    }

    /// Takes something back that was set right: from now on it counts no longer, but stays in the history.
    ///
    /// # Errors
    /// If there is no such row, or it cannot be told any more what was before.
    pub fn take_back(&self, id: i64, at_s: i64) -> Result<(), BookError> {
        let sql = "SELECT take, what, was, undone_s FROM corrections WHERE id = ?1";
        type Row = (i64, String, Option<i64>, Option<i64>);
        let read = |r: &rusqlite::Row| -> rusqlite::Result<Row> { Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)) };
        let refuse = |what: String, hint: &str| Err(BookError::Refused { what, hint: hint.into() });
        let _turn = self.turn()?;
        let Some((take, what, was, undone)) = self.db.query_row(sql, [id], read).optional()? else {
            return refuse(
                format!("nothing was set right under the number {id}"),
                "`pailbeat book takes NICKNAME` lists what was",
            );
        };
        if undone.is_some() {
            return refuse("it was taken back before".into(), "set it right anew if you think otherwise now");
        }
        let stored = self.take(take)?;
        let assigned = self.assignment_of(&stored)?;
        let mut moved = None;
        self.savepoint(|| {
            self.db.execute("UPDATE corrections SET undone_s = ?2 WHERE id = ?1", [id, at_s])?;
            if what == CorrectionKind::Whose.word() {
                let Some(was) = was else {
                    return refuse("it is not known any more whose the take was".into(), "say whose it is");
                };
                self.db.execute("UPDATE takes SET pupil = ?2 WHERE id = ?1", [take, was])?;
                self.db.execute("DELETE FROM charts WHERE take = ?1", [take])?;
                moved = Some(was);
            }
            if let Some((_, d)) = self.newest(take)? {
                self.put_results(take, &assigned, d, &self.corrections(take)?)?;
            }
            Ok(())
        })?;
        if let Some(was) = moved {
            self.draw_newest(stored.pupil)?;
            self.draw_newest(was)?;
        }
        Ok(())
    }

    /// Has the chart of a pupil's newest take in the book, where its sound is still kept.
    pub(super) fn draw_newest(&self, pupil: i64) -> Result<(), BookError> {
        let sql = "SELECT id FROM takes WHERE pupil = ?1 ORDER BY taken_s DESC, id DESC LIMIT 1";
        let Some(take) = self.db.query_row(sql, [pupil], |r| r.get::<_, i64>(0)).optional()? else { return Ok(()) };
        let sql = "SELECT EXISTS (SELECT 1 FROM charts WHERE pupil = ?1 AND take = ?2)";
        if self.db.query_row(sql, [pupil, take], |r| r.get(0))? {
            return Ok(());
        }
        // A recording that can no longer be heard has no chart; everything else of it stands.
        let heard = self.hear_again(take).ok().flatten();
        if let Some(drawn) = heard.as_ref().and_then(drawn) {
            let sql = "INSERT INTO charts (pupil, take, svg, bars) VALUES (?1, ?2, ?3, ?4)
                       ON CONFLICT (pupil) DO UPDATE SET take = excluded.take, svg = excluded.svg, bars = excluded.bars";
            self.savepoint(|| Ok(self.db.execute(sql, params![pupil, take, drawn.chart, drawn.bars])?))?;
        }
        Ok(())
    }
}

impl Correction {
    /// In words, without the place: `was fine`.
    pub fn words(&self) -> String {
        match self.what {
            CorrectionKind::Fine => "is fine".to_owned(),
            CorrectionKind::Surface(s) => format!("was the {}", s.word()),
            CorrectionKind::Whose => "was another’s and is now here".to_owned(),
        }
    }

    /// The place it speaks of, in words.
    pub fn place(&self) -> String {
        let place = [self.section.clone(), self.bar.map(|b| format!("bar {b}"))].into_iter().flatten();
        let place = place.collect::<Vec<_>>().join(" ");
        if place.is_empty() { "the take".into() } else { place }
    }
}

/// What is set right by answering a finding: that there is no fault, or that the strokes landed where they are written.
pub fn against(
    assessment: &Assessment,
    finding: &Finding,
    as_written: bool,
    who: &str,
    at_s: i64,
    note: &str,
) -> Vec<Correction> {
    let timeline = &assessment.timeline;
    let blank = Correction {
        what: CorrectionKind::Fine,
        finding: Some(finding.kind().word().into()),
        section: finding.section(timeline).map(str::to_owned),
        pass: finding.pass(timeline),
        bar: finding.bar(timeline).or(finding.bars(timeline).map(|b| b.0)),
        beat: None,
        who: who.into(),
        at_s,
        note: note.into(),
    };
    if !as_written {
        return vec![blank];
    }
    let within = finding.bars(timeline).or(blank.bar.map(|bar| (bar, bar)));
    let strokes = timeline.strokes.iter().zip(&assessment.strokes).enumerate().filter(|(_, (written, judged))| {
        let bar = timeline.bars.get(written.bar);
        let pass = bar.and_then(|bar| timeline.passes.get(bar.pass));
        judged.status == Status::WrongSurface
            && blank.section.as_deref().is_none_or(|section| pass.is_some_and(|p| p.section == section))
            && blank.pass.is_none_or(|number| pass.is_some_and(|p| p.number == number))
            && within.is_none_or(|(first, last)| bar.is_some_and(|b| (first..=last).contains(&b.number)))
    });
    let landed = strokes.map(|(k, (written, _))| stroke(assessment, k, written.surface, who, at_s));
    let landed: Vec<Correction> = landed.map(|c| Correction { note: note.into(), ..c }).collect();
    if landed.is_empty() { vec![blank] } else { landed }
}

/// What is set right by saying where a stroke landed.
pub fn stroke(assessment: &Assessment, stroke: usize, surface: Surface, who: &str, at_s: i64) -> Correction {
    let timeline = &assessment.timeline;
    let bar = timeline.strokes.get(stroke).and_then(|s| timeline.bars.get(s.bar));
    let pass = bar.and_then(|bar| timeline.passes.get(bar.pass));
    Correction {
        what: CorrectionKind::Surface(surface),
        finding: None,
        section: pass.map(|p| p.section.clone()),
        pass: pass.map(|p| p.number),
        bar: bar.map(|b| b.number),
        beat: Some(timeline.beat(stroke)),
        who: who.into(),
        at_s,
        note: String::new(),
    }
}
