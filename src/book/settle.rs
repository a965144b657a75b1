//! What waits for the teacher: the list, one answer each, remembered, and which of it to look at anew because more is
//! known than before. And hearing a kept take again.

use std::path::PathBuf;

use rayon::prelude::*;
use rusqlite::{OptionalExtension as _, params};

use super::distil::{self, Distilled};
use super::drills::Scored;
use super::facts::{Facts, ONLY_THE_TEACHER, Rules, drawn, sure};
use super::hearing::{self, Listened, ear};
use super::item::{Bytes, Item, Known, Origin};
use super::keeping::{Arrived, Work};
use super::known;
use super::outcome::Outcome;
use super::{Assigned, Book, BookError, Changed, Drawn, Pupil, StoredTake};
use crate::assess::Assessment;
use crate::names::same;
use crate::take::{Asked, Card, PartOfTake};
use crate::units::Seconds;

/// Takes heard again before they are written: enough for all cores, few enough for memory.
const AT_A_TIME: usize = 32;

/// A recording that waits for the teacher.
#[derive(Clone, Debug, PartialEq)]
pub struct Waiting {
    /// Its number on the list.
    pub number: i64,
    /// The file's name.
    pub file: String,
    /// What is not known.
    pub why: String,
    /// Whose it may be.
    pub pupil: Option<String>,
    /// The address it was sent from, or the folder it lay in.
    pub sender: String,
    /// The subject of the mail; empty where there was none.
    pub subject: String,
    /// When it was made or sent, seconds since 1970.
    pub taken_s: i64,
    /// How long it is, where that is known.
    pub length: Option<Seconds>,
    /// The file of its sound.
    pub sound: PathBuf,
}

/// What the teacher says of a waiting recording.
#[derive(Clone, Copy, Debug, Default)]
pub struct Answer<'a> {
    /// Whose it is.
    pub pupil: Option<&'a str>,
    /// Of which part.
    pub part: Option<&'a str>,
    /// In which of the forms it was assigned in.
    pub form: Option<&'a str>,
    /// What comes from the same sender or folder is theirs from now on.
    pub always: bool,
}

/// A waiting recording as it stands in the book.
pub(super) struct WaitingRow {
    pub(super) number: i64,
    pub(super) pupil: Option<i64>,
    pub(super) file: String,
    pub(super) sound: String,
    pub(super) sender: String,
    pub(super) origin: String,
    pub(super) item: Option<Item>,
}

/// Strikes of known surface as they are kept in a row.
fn known_of(packed: Option<Vec<u8>>) -> Known {
    packed.map_or(Known::Nothing, |packed| Known::Heard(known::unpack(&packed)))
}

impl Book {
    /// A recording that waits: number, why, when it was made.
    pub(super) fn waits(&self, sha: &[u8]) -> Result<Option<(i64, String, i64)>, BookError> {
        let mut ask = self.db.prepare_cached("SELECT id, why, taken_s FROM waiting WHERE sha256 = ?1")?;
        Ok(ask.query_row([sha], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?))).optional()?)
    }

    /// The sound that is kept of a recording while it waits.
    pub(super) fn waiting_sound(&self, sha: &[u8]) -> Result<Option<String>, BookError> {
        let mut ask = self.db.prepare_cached("SELECT sound FROM waiting WHERE sha256 = ?1")?;
        Ok(ask.query_row([sha], |r| r.get(0)).optional()?)
    }

    /// Removes such sound once its row is gone.
    pub(super) fn remove_sound(&self, sound: Option<String>) {
        // What cannot be removed now is removed by the next `tidy`.
        let _ = sound.map(|s| std::fs::remove_file(self.folder.join("sound").join(s)));
    }

    /// Takes a recording off the list, with its sound.
    pub(super) fn no_longer_waits(&self, sha: &[u8]) -> Result<(), BookError> {
        let sound = self.waiting_sound(sha)?;
        self.db.prepare_cached("DELETE FROM waiting WHERE sha256 = ?1")?.execute([sha])?;
        self.remove_sound(sound);
        Ok(())
    }

    /// What comes from there is the pupil's from now on.
    fn remember(&self, from: &str, pupil: &Pupil) -> Result<(), BookError> {
        let sql = "INSERT INTO senders VALUES (?1, ?2) ON CONFLICT (sender) DO UPDATE SET pupil = excluded.pupil";
        self.db.execute(sql, params![from, pupil.id])?;
        Ok(())
    }

    /// Waiting recordings that were last looked at when less was known, from the sound that is kept of them.
    pub(super) fn to_look_at(&self, facts: &Facts) -> Result<Vec<Item>, BookError> {
        let mut ask = self.db.prepare("SELECT file, sound, taken_s, origin, looked, known FROM waiting ORDER BY id")?;
        let mut rows = ask.query([])?;
        let mut out = Vec::new();
        while let Some(row) = rows.next()? {
            let (from, looked): (String, String) = (row.get(3)?, row.get(4)?);
            let path = self.folder.join("sound").join(row.get::<_, String>(1)?);
            let Ok(origin) = serde_json::from_str::<Origin>(&from) else { continue };
            if looked == ONLY_THE_TEACHER || looked == facts.stamp_for(&from) || !path.is_file() {
                continue;
            }
            out.push(Item {
                place: row.get(0)?,
                name: origin.name,
                folders: origin.folders,
                sender: origin.sender,
                subject: origin.subject,
                taken_s: Some(row.get(2)?),
                card: origin.card,
                drill: origin.drill,
                known: known_of(row.get(5)?),
                ..Item::of(Bytes::File(path))
            });
        }
        Ok(out)
    }

    /// All that waits: number, whose it may be, file, sound, sender, where it came from, and the item as far as that says.
    pub(super) fn all_waiting(&self) -> Result<Vec<WaitingRow>, BookError> {
        let mut ask =
            self.db.prepare("SELECT id, pupil, file, sound, sender, taken_s, origin FROM waiting ORDER BY id")?;
        let rows = ask.query_map([], |r| {
            let (sound, origin): (String, String) = (r.get(3)?, r.get(6)?);
            let item = serde_json::from_str::<Origin>(&origin).ok().map(|known| Item {
                name: known.name,
                folders: known.folders,
                sender: known.sender,
                subject: known.subject,
                card: known.card,
                ..Item::of(Bytes::File(self.folder.join("sound").join(&sound)))
            });
            Ok(WaitingRow {
                number: r.get(0)?,
                pupil: r.get(1)?,
                file: r.get(2)?,
                sound,
                sender: r.get(4)?,
                origin,
                item,
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// The recordings that wait for the teacher.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn waiting(&self) -> Result<Vec<Waiting>, BookError> {
        let mut ask = self.db.prepare(
            "SELECT w.id, w.file, w.why, p.nickname, w.sender, w.origin, w.taken_s, w.length_s, w.sound
             FROM waiting w LEFT JOIN pupils p ON p.id = w.pupil ORDER BY w.id",
        )?;
        let rows = ask.query_map([], |r| {
            let (origin, sound): (String, String) = (r.get(5)?, r.get(8)?);
            Ok(Waiting {
                number: r.get(0)?,
                file: r.get(1)?,
                why: r.get(2)?,
                pupil: r.get(3)?,
                sender: r.get(4)?,
                subject: serde_json::from_str::<Origin>(&origin).map(|o| o.subject).unwrap_or_default(),
                taken_s: r.get(6)?,
                length: r.get::<_, Option<f64>>(7)?.and_then(Seconds::new),
                sound: self.folder.join("sound").join(sound),
            })
        })?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Settles a recording: whose it is, and of which part where hearing cannot tell. With `always`, what comes from the
    /// same sender or folder is theirs from now on.
    ///
    /// # Errors
    /// If there is no such recording, or it still cannot be told what it is.
    pub fn settle(&self, id: i64, answer: Answer) -> Result<Outcome, BookError> {
        let _turn = self.turn()?;
        let Answer { pupil, part, always, .. } = answer;
        let sql = "SELECT sha256, file, sound, sender, pupil, taken_s, origin, known FROM waiting WHERE id = ?1";
        type Row = (Vec<u8>, String, String, String, Option<i64>, i64, String, Option<Vec<u8>>);
        let columns = |r: &rusqlite::Row| -> rusqlite::Result<Row> {
            Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?, r.get(6)?, r.get(7)?))
        };
        let row = self.db.query_row(sql, [id], columns).optional()?;
        let Some((sha, file, sound, from, guess, taken_s, origin, strikes)) = row else {
            return Err(BookError::Refused {
                what: format!("there is no recording {id} on the list"),
                hint: "`pailbeat book waiting` shows the list".into(),
            });
        };
        let facts = self.facts(Rules::default())?;
        let refuse = |what: String, hint: &str| BookError::Refused { what, hint: hint.into() };
        let pupil = match pupil {
            Some(name) => self.pupil(name)?,
            None => facts
                .pupils
                .iter()
                .find(|p| Some(p.id) == guess)
                .cloned()
                .ok_or_else(|| refuse("it is not known whose it is".into(), "say it with `--pupil NICKNAME`"))?,
        };
        // The card it came with still says to what guide it was played; which part it is, the teacher says now.
        let (mut card, drill) =
            serde_json::from_str::<Origin>(&origin).map_or((None, None), |known| (known.card, known.drill));
        if let Some(title) = part {
            let said = PartOfTake { title: Some(title.into()), ..PartOfTake::default() };
            card = Some(Card { part: said, ..card.unwrap_or_default() });
        }
        if let Some(form) = answer.form {
            let mut said = card.unwrap_or_default();
            let alike = |of: &str| of.split_whitespace().eq(form.split_whitespace());
            if !said.asked.form().is_some_and(alike) {
                // A card that says another form is not believed about the guide either.
                said.asked = Asked::Said { bpm: said.asked.bpm(), form: Some(form.into()) };
            }
            card = Some(said);
        }
        let item = Item {
            place: file,
            name: sound.clone(),
            sender: from.clone(),
            taken_s: Some(taken_s),
            card,
            drill,
            known: known_of(strikes),
            ..Item::of(Bytes::File(self.folder.join("sound").join(&sound)))
        };
        if let Some(card) = &item.drill {
            if let Some(title) = part {
                let hint = "say only whose it is, with `--pupil NICKNAME`, or set it aside with `--away`";
                return Err(refuse(format!("it came with the card of a drill and is no take of `{title}`"), hint));
            }
            let scored = Scored::of(&item, card).map_err(|(what, hint)| BookError::Refused { what, hint })?;
            let outcome = self.savepoint(|| {
                if always && !from.is_empty() {
                    self.remember(&from, &pupil)?;
                }
                self.put_scored(&item, &scored, &pupil, &sha)
            })?;
            self.remove_sound(Some(sound));
            return Ok(outcome);
        }
        let parts = facts.said(pupil.class, &item);
        if let Some(title) = part.filter(|t| !parts.iter().any(|a| same(&a.title, t))) {
            let given = parts.iter().map(|a| format!("`{}`", a.title)).collect::<Vec<_>>().join(", ");
            return Err(refuse(format!("`{title}` was never assigned to the class"), &format!("assigned: {given}")));
        }
        if parts.is_empty() {
            let hint = "`pailbeat book assign` gives a part to a class";
            return Err(refuse("nothing was assigned to the class".into(), hint));
        }
        let heard = Listened::to(&item).map_err(|e| {
            let (what, hint) = hearing::unheard(&e);
            refuse(what, hint)
        })?;
        let (assigned, assessment) = facts.which(&item, &heard, &pupil, part.is_some()).map_err(|why| {
            let hint = "say which part with `--part TITLE`, and of which assignment with `--form SECTIONS`";
            refuse(format!("it is {}'s, but {why}", pupil.nickname), hint)
        })?;
        let work = Work {
            sha,
            print: heard.print(),
            length: heard.length(),
            known: known::pack(heard.known()),
            looked: String::new(),
            found: Ok(sure(&pupil, assigned, &assessment)),
        };
        self.savepoint(|| {
            self.db.execute("DELETE FROM waiting WHERE id = ?1", [id])?;
            if always && !from.is_empty() {
                self.remember(&from, &pupil)?;
            }
            self.keep(&item, Arrived::Take(Box::new(work)), &ear())
        })
    }

    /// Takes a recording off the list for good; its sound is removed.
    ///
    /// # Errors
    /// If there is no such recording.
    pub fn set_aside(&self, id: i64) -> Result<(), BookError> {
        let sound: Option<String> =
            self.db.query_row("SELECT sound FROM waiting WHERE id = ?1", [id], |r| r.get(0)).optional()?;
        let sound = sound.ok_or_else(|| BookError::Refused {
            what: format!("there is no recording {id} on the list"),
            hint: "`pailbeat book waiting` shows the list".into(),
        })?;
        self.savepoint(|| {
            self.db.execute("INSERT INTO set_aside SELECT sha256 FROM waiting WHERE id = ?1", [id])?;
            self.db.execute("DELETE FROM waiting WHERE id = ?1", [id])?;
            Ok(())
        })?;
        self.remove_sound(Some(sound));
        Ok(())
    }

    /// A take with its assignment and the place of its sound, where that is still kept.
    fn kept(&self, take: &StoredTake) -> Result<Option<(Item, Assigned)>, BookError> {
        let Some(path) = take.sound.as_ref().map(|s| self.folder.join("sound").join(s)).filter(|p| p.is_file()) else {
            return Ok(None);
        };
        let sql = "SELECT card, known FROM takes WHERE id = ?1";
        let (card, strikes): (Option<String>, Option<Vec<u8>>) =
            self.db.prepare_cached(sql)?.query_row([take.id], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let item = Item {
            place: take.file.clone(),
            taken_s: Some(take.taken_s),
            card: card.and_then(|card| serde_json::from_str(&card).ok()),
            known: known_of(strikes),
            ..Item::of(Bytes::File(path))
        };
        Ok(Some((item, self.assignment_of(take)?)))
    }

    /// Hears a stored take again with this program's ear; `None` when its sound is no longer kept. What a teacher has set
    /// right is not in it.
    ///
    /// # Errors
    /// If the sound cannot be heard.
    pub fn hear_again(&self, id: i64) -> Result<Option<Assessment>, BookError> {
        let kept = self.kept(&self.take(id)?)?;
        kept.map(|(item, assigned)| hearing::again(&item, &assigned)).transpose()
    }

    /// Hears all stored takes again, on all cores, and stores what this program's ear says of them. `tell` hears of each
    /// in order what changed, why it could not be heard, or nothing where its sound is no longer kept.
    ///
    /// # Errors
    /// If the book cannot be read or written.
    pub fn reassess_all(
        &self,
        mut tell: impl FnMut(&StoredTake, Option<Result<Changed, BookError>>),
    ) -> Result<(), BookError> {
        let (ear, takes) = (ear(), self.takes(None)?);
        // A few at a time: what was heard is safe in the book before the next are.
        for some in takes.chunks(AT_A_TIME) {
            let kept = some.iter().map(|take| self.kept(take)).collect::<Result<Vec<_>, _>>()?;
            type Heard = Option<Result<(Distilled, Option<Drawn>), BookError>>;
            let heard: Vec<Heard> = kept
                .par_iter()
                .with_max_len(1)
                .map(|k| {
                    k.as_ref().map(|(item, assigned)| {
                        let assessment = hearing::again(item, assigned)?;
                        Ok((distil::distil(&assessment), drawn(&assessment)))
                    })
                })
                .collect();
            for (take, heard) in some.iter().zip(heard) {
                let told = match heard {
                    Some(Ok((distilled, drawn))) => {
                        Some(Ok(self.reassess(take.id, &ear, &distilled, drawn.as_ref(), super::now())?))
                    }
                    Some(Err(error)) => Some(Err(error)),
                    None => None,
                };
                tell(take, told);
            }
        }
        Ok(())
    }
}
