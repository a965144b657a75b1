//! Takes and their assessments, in and out; corrections; assessing again.

use rusqlite::{OptionalExtension as _, params};

use super::distil::{self, Correction, CorrectionKind, Distilled, Found};
use super::{Assigned, Book, BookError};
use crate::assess::Kind;
use crate::part::Surface;
use crate::take::Card;
use crate::units::{Bpm, Seconds};

/// A take to be stored.
#[derive(Clone, Debug)]
pub struct NewTake {
    /// Whose.
    pub pupil: i64,
    /// Of what.
    pub assignment: i64,
    /// Hash of the file's bytes.
    pub sha256: Vec<u8>,
    /// Fingerprint of the sound.
    pub print: Vec<u8>,
    /// Strikes in the fingerprint.
    pub n_onsets: usize,
    /// Name of the file.
    pub file: String,
    /// When it was recorded, as far as known.
    pub taken_s: i64,
    /// How long.
    pub length: Seconds,
    /// Name in the folder of kept sound.
    pub sound: Option<String>,
    /// Its card.
    pub card: Option<Card>,
    /// How the pupil's surfaces sound, by the sound check before it, packed; empty where that is not known.
    pub known: Vec<u8>,
}

/// What is drawn of a take for the pupil's pages.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Drawn {
    /// The timing chart.
    pub chart: String,
    /// The bars to practise.
    pub bars: String,
}

/// A take as it stands.
#[derive(Clone, Debug)]
pub struct StoredTake {
    /// Row in the book.
    pub id: i64,
    /// Whose.
    pub pupil: i64,
    /// Of what.
    pub assignment: i64,
    /// Name of the file.
    pub file: String,
    /// When.
    pub taken_s: i64,
    /// Name in the folder of kept sound.
    pub sound: Option<String>,
}

/// What a newer ear changed in a take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Changed {
    /// Units whose state is another one now.
    pub units: Vec<String>,
    /// Findings that are gone, and new ones, in words.
    pub gone: Vec<String>,
    /// See `gone`.
    pub new: Vec<String>,
}

/// A correction, from the columns of its row in the order of their table after the take.
pub(super) fn correction_of(r: &rusqlite::Row) -> rusqlite::Result<Correction> {
    let (what, surface): (String, Option<String>) = (r.get(0)?, r.get(6)?);
    let heard = Surface::ALL.into_iter().find(|s| Some(s.word()) == surface.as_deref());
    Ok(Correction {
        what: match (what.as_str(), heard) {
            ("surface", Some(heard)) => CorrectionKind::Surface(heard),
            ("whose", _) => CorrectionKind::Whose,
            _ => CorrectionKind::Fine,
        },
        finding: r.get(1)?,
        section: r.get(2)?,
        pass: u32_of(r.get(3)?),
        bar: u32_of(r.get(4)?),
        beat: r.get(5)?,
        who: r.get(7)?,
        at_s: r.get(8)?,
        note: r.get(9)?,
    })
}

fn u32_of(value: Option<i64>) -> Option<u32> {
    value.and_then(|v| u32::try_from(v).ok())
}

impl Book {
    /// Stores a take with its assessment, or nothing when these bytes are known already. In one transaction.
    ///
    /// # Errors
    /// If the book cannot be written.
    pub fn store(
        &self,
        take: &NewTake,
        assigned: &Assigned,
        ear: &str,
        distilled: &Distilled,
        drawn: Option<&Drawn>,
        at_s: i64,
    ) -> Result<Option<i64>, BookError> {
        self.savepoint(|| {
            let sql = "INSERT INTO takes
                 (pupil, assignment, sha256, print, n_onsets, file, taken_s, length_s, sound, card, known)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11) ON CONFLICT DO NOTHING";
            // Whose it is, the row says, and it may change. Text and numbers are always writable.
            let unnamed = take.card.clone().map(|card| Card { pupil: None, ..card });
            let card = unnamed.and_then(|card| serde_json::to_string(&card).ok());
            let added = self.db.prepare_cached(sql)?.execute(params![
                take.pupil,
                take.assignment,
                take.sha256,
                take.print,
                take.n_onsets as i64,
                take.file,
                take.taken_s,
                take.length.get(),
                take.sound,
                card,
                Some(&take.known).filter(|known| !known.is_empty())
            ])?;
            if added == 0 {
                return Ok(None);
            }
            let id = self.db.last_insert_rowid();
            self.db.prepare_cached("DELETE FROM waiting WHERE sha256 = ?1")?.execute([&take.sha256])?;
            self.put_assessment(id, ear, distilled, at_s)?;
            self.put_results(id, assigned, distilled.clone(), &[])?;
            if let Some(drawn) = drawn {
                self.db
                    .prepare_cached(
                        "INSERT INTO charts (pupil, take, svg, bars) SELECT ?1, ?2, ?3, ?5 WHERE NOT EXISTS
                         (SELECT 1 FROM takes WHERE pupil = ?1 AND taken_s > ?4)
                         ON CONFLICT (pupil) DO UPDATE SET take = excluded.take, svg = excluded.svg, bars = excluded.bars",
                    )?
                    .execute(params![take.pupil, id, drawn.chart, take.taken_s, drawn.bars])?;
            }
            Ok(Some(id))
        })
    }

    /// Does all of it or nothing, inside a larger transaction too.
    pub(super) fn savepoint<T>(&self, work: impl FnOnce() -> Result<T, BookError>) -> Result<T, BookError> {
        let _turn = self.turn()?;
        let (begin, end, undo) = if self.db.is_autocommit() {
            ("BEGIN IMMEDIATE", "COMMIT", "ROLLBACK")
        } else {
            ("SAVEPOINT step", "RELEASE step", "ROLLBACK TO step; RELEASE step")
        };
        self.db.execute_batch(begin)?;
        let done = work().and_then(|value| Ok(self.db.execute_batch(end).map(|()| value)?));
        if done.is_err() {
            // What cannot be undone by hand is undone when the book is closed.
            let _ = self.db.execute_batch(undo);
        }
        done
    }

    fn put_assessment(&self, take: i64, ear: &str, d: &Distilled, at_s: i64) -> Result<(), BookError> {
        self.db.prepare_cached("DELETE FROM assessments WHERE take = ?1 AND ear = ?2")?.execute(params![take, ear])?;
        self.db
            .prepare_cached(
                "INSERT INTO assessments
                 (take, ear, made_s, bpm, jitter_ms, rests, rests_kept, praise, fix, next_bpm, practise, marks)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
            )?
            .execute(params![
                take,
                ear,
                at_s,
                d.bpm.map(Bpm::get),
                d.jitter.map(Seconds::millis),
                d.rests.0 as i64,
                d.rests.1 as i64,
                d.praise,
                d.fix,
                d.next,
                d.practise,
                distil::pack(d)
            ])?;
        let id = self.db.last_insert_rowid();
        let mut put = self.db.prepare_cached(
            "INSERT INTO findings (assessment, kind, section, pass, bar, to_bar, beat, size, unit, confidence, text)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )?;
        for f in &d.findings {
            let place = (&f.section, f.pass, f.bar, f.to_bar, f.beat);
            let (section, pass, bar, to_bar, beat) = place;
            put.execute(params![
                id,
                f.kind.word(),
                section,
                pass,
                bar,
                to_bar,
                beat,
                f.size,
                f.unit,
                f.confidence,
                f.text
            ])?;
        }
        Ok(())
    }

    /// What holds for the take: the assessment with the corrections over it.
    pub(super) fn put_results(
        &self,
        take: i64,
        assigned: &Assigned,
        mut d: Distilled,
        corrections: &[Correction],
    ) -> Result<(), BookError> {
        let timeline = assigned.timeline()?;
        distil::correct(&mut d, &timeline, corrections);
        self.db.prepare_cached("DELETE FROM results WHERE take = ?1")?.execute([take])?;
        let mut put = self.db.prepare_cached("INSERT INTO results (take, unit, state) VALUES (?1, ?2, ?3)")?;
        for (unit, state) in distil::results(&d, &timeline) {
            put.execute(params![take, unit, state.code()])?;
        }
        Ok(())
    }

    /// A take.
    ///
    /// # Errors
    /// If there is none of that number.
    pub fn take(&self, id: i64) -> Result<StoredTake, BookError> {
        let sql = "SELECT id, pupil, assignment, file, taken_s, sound FROM takes WHERE id = ?1";
        let row = self.db.prepare_cached(sql)?.query_row([id], |r| {
            Ok(StoredTake {
                id: r.get(0)?,
                pupil: r.get(1)?,
                assignment: r.get(2)?,
                file: r.get(3)?,
                taken_s: r.get(4)?,
                sound: r.get(5)?,
            })
        });
        row.optional()?.ok_or_else(|| BookError::Unknown { what: "take", name: id.to_string(), near: None })
    }

    /// All takes, of one pupil or of all, oldest first.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn takes(&self, pupil: Option<i64>) -> Result<Vec<StoredTake>, BookError> {
        let mut ask =
            self.db.prepare_cached("SELECT id FROM takes WHERE ?1 IS NULL OR pupil = ?1 ORDER BY taken_s, id")?;
        let ids = ask.query_map([pupil], |r| r.get(0))?.collect::<Result<Vec<i64>, _>>()?;
        ids.into_iter().map(|id| self.take(id)).collect()
    }

    /// The assignment of a take.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn assignment_of(&self, take: &StoredTake) -> Result<Assigned, BookError> {
        let class: i64 =
            self.db.query_row("SELECT class FROM assignments WHERE id = ?1", [take.assignment], |r| r.get(0))?;
        let found = self.assignments(class)?.into_iter().find(|a| a.id == take.assignment);
        found.ok_or_else(|| BookError::Unknown { what: "assignment", name: take.assignment.to_string(), near: None })
    }

    /// The newest assessment of a take, as the ear made it.
    pub(super) fn newest(&self, take: i64) -> Result<Option<(String, Distilled)>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT id, ear, bpm, jitter_ms, rests, rests_kept, praise, fix, next_bpm, practise, marks
             FROM assessments WHERE take = ?1 ORDER BY made_s DESC, id DESC LIMIT 1",
        )?;
        let row = ask.query_row([take], |r| {
            let (marks, in_rests) = distil::unpack(r.get_ref(10)?.as_blob()?);
            let count = |k| r.get::<_, i64>(k).map(|n| n.max(0) as usize);
            Ok((
                r.get::<_, i64>(0)?,
                r.get::<_, String>(1)?,
                Distilled {
                    bpm: r.get::<_, Option<f64>>(2)?.and_then(Bpm::new),
                    jitter: r.get::<_, Option<f64>>(3)?.map(|ms| Seconds::of(ms / 1e3)),
                    rests: (count(4)?, count(5)?),
                    praise: r.get(6)?,
                    fix: r.get(7)?,
                    next: r.get(8)?,
                    practise: r.get(9)?,
                    marks,
                    in_rests,
                    findings: Vec::new(),
                },
            ))
        });
        let Some((id, ear, mut d)) = row.optional()? else { return Ok(None) };
        let mut ask = self.db.prepare_cached(
            "SELECT kind, section, pass, bar, beat, size, unit, confidence, text, to_bar FROM findings
             WHERE assessment = ?1 ORDER BY rowid",
        )?;
        d.findings = ask
            .query_map([id], |r| {
                // What a row of no kind we know says, only its sentence could tell: it stays where it is.
                let Some(kind) = Kind::of(&r.get::<_, String>(0)?) else { return Ok(None) };
                Ok(Some(Found {
                    kind,
                    section: r.get(1)?,
                    pass: u32_of(r.get(2)?),
                    bar: u32_of(r.get(3)?),
                    to_bar: u32_of(r.get(9)?),
                    beat: r.get(4)?,
                    size: r.get(5)?,
                    unit: r.get(6)?,
                    confidence: r.get(7)?,
                    text: r.get(8)?,
                }))
            })?
            .filter_map(Result::transpose)
            .collect::<Result<_, _>>()?;
        Ok(Some((ear, d)))
    }

    /// The findings of a take as they stand, corrections laid over them: kind and sentence.
    ///
    /// # Errors
    /// If there is no such take.
    pub fn findings(&self, take: i64) -> Result<Vec<(Kind, String)>, BookError> {
        let timeline = self.assignment_of(&self.take(take)?)?.timeline()?;
        let Some((_, mut d)) = self.newest(take)? else { return Ok(Vec::new()) };
        distil::correct(&mut d, &timeline, &self.corrections(take)?);
        Ok(d.findings.into_iter().map(|f| (f.kind, f.text)).collect())
    }

    /// The corrections of a take that hold, oldest first.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn corrections(&self, take: i64) -> Result<Vec<Correction>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT what, finding, section, pass, bar, beat, surface, who, at_s, note FROM corrections
             WHERE take = ?1 AND undone_s IS NULL ORDER BY id",
        )?;
        let rows = ask.query_map([take], correction_of)?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Stores a correction and lets it win. `to`: the pupil whose take it is, for [`CorrectionKind::Whose`].
    ///
    /// # Errors
    /// If there is no such take or section.
    pub fn correct(&self, take: i64, correction: &Correction, to: Option<i64>) -> Result<(), BookError> {
        let stored = self.take(take)?;
        let assigned = self.assignment_of(&stored)?;
        if let Some(section) = correction.section.as_deref().filter(|s| assigned.part.section(s).is_none()) {
            return Err(BookError::Refused {
                what: format!("take {take} is of `{}`, which has no section `{section}`", assigned.title),
                hint: format!("its form is `{}`", assigned.form),
            });
        }
        self.savepoint(|| {
            let surface = match correction.what {
                CorrectionKind::Surface(surface) => Some(surface.word()),
                _ => None,
            };
            self.db.execute(
                "INSERT INTO corrections (take, what, finding, section, pass, bar, beat, surface, who, at_s, note, was)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
                params![
                    take,
                    correction.what.word(),
                    correction.finding,
                    correction.section,
                    correction.pass,
                    correction.bar,
                    correction.beat,
                    surface,
                    correction.who,
                    correction.at_s,
                    correction.note,
                    Some(stored.pupil).filter(|_| correction.what == CorrectionKind::Whose)
                ],
            )?;
            if let (CorrectionKind::Whose, Some(pupil)) = (correction.what, to) {
                self.db.execute("UPDATE takes SET pupil = ?2 WHERE id = ?1", params![take, pupil])?;
                self.db.execute("DELETE FROM charts WHERE take = ?1", [take])?;
            }
            if let Some((_, d)) = self.newest(take)? {
                self.put_results(take, &assigned, d, &self.corrections(take)?)?;
            }
            Ok(())
        })?;
        if let (CorrectionKind::Whose, Some(pupil)) = (correction.what, to) {
            self.draw_newest(stored.pupil)?;
            self.draw_newest(pupil)?;
        }
        Ok(())
    }

    /// How often the ear was corrected, and on what: the kind of correction or finding, and how many; after it the number
    /// of takes.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn corrected(&self) -> Result<(Vec<(String, usize)>, usize), BookError> {
        let mut ask = self.db.prepare_cached(
            // What was said of several places at once was said once.
            "SELECT coalesce(finding, what), count(DISTINCT take || ' ' || at_s) FROM corrections
             WHERE undone_s IS NULL GROUP BY 1 ORDER BY 1",
        )?;
        let count = |r: &rusqlite::Row, k| r.get::<_, i64>(k).map(|n| n.max(0) as usize);
        let rows = ask.query_map([], |r| Ok((r.get(0)?, count(r, 1)?)))?.collect::<Result<_, _>>()?;
        Ok((rows, self.db.query_row("SELECT count(*) FROM takes", [], |r| count(r, 0))?))
    }

    /// Stores what another ear says of a take; corrections win again. Says what changed.
    ///
    /// # Errors
    /// If the book cannot be written.
    pub fn reassess(
        &self,
        take: i64,
        ear: &str,
        d: &Distilled,
        drawn: Option<&Drawn>,
        at_s: i64,
    ) -> Result<Changed, BookError> {
        let stored = self.take(take)?;
        let assigned = self.assignment_of(&stored)?;
        let units = |book: &Book| -> Result<Vec<(String, i64)>, BookError> {
            let mut ask = book.db.prepare_cached("SELECT unit, state FROM results WHERE take = ?1 ORDER BY unit")?;
            Ok(ask.query_map([take], |r| Ok((r.get(0)?, r.get(1)?)))?.collect::<Result<_, _>>()?)
        };
        let before = (units(self)?, self.newest(take)?.map(|n| n.1.findings).unwrap_or_default());
        self.savepoint(|| {
            self.put_assessment(take, ear, d, at_s)?;
            if let Some(drawn) = drawn {
                let sql = "UPDATE charts SET svg = ?2, bars = ?3 WHERE take = ?1";
                self.db.prepare_cached(sql)?.execute(params![take, drawn.chart, drawn.bars])?;
            }
            self.put_results(take, &assigned, d.clone(), &self.corrections(take)?)
        })?;
        let after = units(self)?;
        let differ = |a: &[(String, i64)], b: &[(String, i64)]| -> Vec<String> {
            a.iter().filter(|row| !b.contains(row)).map(|row| row.0.clone()).collect()
        };
        let mut changed = differ(&before.0, &after);
        changed.extend(differ(&after, &before.0));
        changed.sort();
        changed.dedup();
        let same =
            |a: &Found, b: &Found| a.kind == b.kind && a.section == b.section && a.bar == b.bar && a.pass == b.pass;
        let only = |a: &[Found], b: &[Found]| -> Vec<String> {
            a.iter().filter(|f| !b.iter().any(|g| same(f, g))).map(|f| f.text.clone()).collect()
        };
        Ok(Changed { units: changed, gone: only(&before.1, &d.findings), new: only(&d.findings, &before.1) })
    }
}
