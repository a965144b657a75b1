//! What was heard -> the book: a take, a drill, a copy of what is there, or a place on the list for the teacher.
//!
//! The sound of a recording is on the disk, whole, before any row speaks of it; where the row cannot be written the sound
//! goes again.

use std::io::{Read as _, Write as _};

use rusqlite::params;
use sha2::{Digest as _, Sha256};

use super::drills::Drilled;
use super::facts::Sure;
use super::hearing::{SAME_LENGTH_S, same_sound};
use super::item::{Item, origin, sender};
use super::outcome::Outcome;
use super::{Book, BookError, NewTake};
use crate::chain::FEW;
use crate::files::{self, Draft, hex};
use crate::units::Seconds;

/// A recording as it was heard, on its way into the book.
pub(super) enum Arrived {
    Known,
    Practice(String),
    /// Still waits, and nothing more is known than when it was last looked at.
    Waits(Vec<u8>),
    Bad(String),
    /// A take, or something that is asked about.
    Take(Box<Work>),
    Drill(Box<Drilled>),
    /// No take and no drill; the hash of the bytes, and what it is.
    NoTake(Vec<u8>, &'static str),
}

pub(super) struct Work {
    pub(super) sha: Vec<u8>,
    pub(super) print: Vec<u8>,
    pub(super) length: Seconds,
    /// How the pupil's surfaces sound, packed.
    pub(super) known: Vec<u8>,
    /// What was known when it was heard.
    pub(super) looked: String,
    pub(super) found: Result<Sure, (Option<i64>, String)>,
}

/// What the sound of a recording is called in the book.
fn sound_name(item: &Item, sha: &[u8]) -> String {
    format!("{}.{}", hex(sha), item.ending())
}

impl Book {
    /// Whether a recording of these bytes is in the book and does not wait.
    pub(super) fn knows(&self, sha: &[u8]) -> Result<bool, BookError> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM takes WHERE sha256 = ?1) OR EXISTS (SELECT 1 FROM copies WHERE sha256 = ?1)
                   OR EXISTS (SELECT 1 FROM set_aside WHERE sha256 = ?1) OR EXISTS (SELECT 1 FROM drills WHERE sha256 = ?1)";
        Ok(self.db.prepare_cached(sql)?.query_row([sha], |r| r.get(0))?)
    }

    /// The take of the same sound.
    fn same(&self, print: &[u8], n: usize, length: Seconds) -> Result<Option<(i64, String)>, BookError> {
        if n < FEW {
            return Ok(None);
        }
        let mut ask = self.db.prepare_cached(
            "SELECT id, file, print FROM takes WHERE n_onsets BETWEEN ?1 AND ?2 AND length_s BETWEEN ?3 AND ?4 ORDER BY id",
        )?;
        let slack = (n / 20).max(1) as i64;
        let (n, length) = (n as i64, length.get());
        let mut rows = ask.query(params![n - slack, n + slack, length - SAME_LENGTH_S, length + SAME_LENGTH_S])?;
        while let Some(row) = rows.next()? {
            if same_sound(row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?, print) {
                return Ok(Some((row.get(0)?, row.get(1)?)));
            }
        }
        Ok(None)
    }

    pub(super) fn keep(&self, item: &Item, heard: Arrived, ear: &str) -> Result<Outcome, BookError> {
        let work = match heard {
            Arrived::Bad(why) => return Ok(Outcome::Bad(why)),
            Arrived::Known => return Ok(Outcome::Known),
            Arrived::Practice(what) => return Ok(Outcome::Practice(what)),
            Arrived::Waits(sha) => {
                let row = self.waits(&sha)?;
                return Ok(row.map_or(Outcome::Known, |(number, why, _)| Outcome::Doubtful(number, why)));
            }
            Arrived::Drill(drilled) => return self.keep_drill(item, *drilled),
            Arrived::NoTake(sha, what) => {
                // An earlier program asked whose it is.
                self.no_longer_waits(&sha)?;
                return Ok(Outcome::NoTake(what));
            }
            Arrived::Take(work) => work,
        };
        if self.knows(&work.sha)? {
            return Ok(Outcome::Known);
        }
        let n_onsets = work.print.len() / 2 + 1;
        if let Some((take, file)) = self.same(&work.print, n_onsets, work.length)? {
            return self.savepoint(|| {
                let sql = "INSERT INTO copies (sha256, take, file) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
                self.db.execute(sql, params![work.sha, take, item.place])?;
                self.db.execute("DELETE FROM waiting WHERE sha256 = ?1", [&work.sha])?;
                Ok(Outcome::Copy(file))
            });
        }
        match work.found {
            Ok(sure) => {
                let sound = sound_name(item, &work.sha);
                let keeps = self.keep_sound_days()? > 0;
                let taken_s = self.made_s(item, &work.sha)?;
                let fresh = if keeps { self.keep_sound(item, &sound, &work.sha) } else { Ok(false) };
                let fresh = match fresh {
                    Ok(fresh) => fresh,
                    Err(Unkept::Sound(why)) => return Ok(Outcome::Bad(why)),
                    Err(Unkept::Book(error)) => return Err(error),
                };
                let take = NewTake {
                    pupil: sure.pupil.id,
                    assignment: sure.assigned.id,
                    sha256: work.sha,
                    print: work.print,
                    n_onsets,
                    file: item.place.clone(),
                    taken_s,
                    length: work.length,
                    sound: keeps.then_some(sound.clone()),
                    card: item.card.clone(),
                    known: work.known,
                };
                let stored = self.or_remove(fresh.then_some(sound), || {
                    self.db.execute("DELETE FROM waiting WHERE sha256 = ?1", [&take.sha256])?;
                    self.store(&take, &sure.assigned, ear, &sure.distilled, sure.drawn.as_ref(), super::now())
                })?;
                Ok(stored.map_or(Outcome::Known, |take| Outcome::Added {
                    take,
                    pupil: sure.pupil.nickname,
                    part: sure.assigned.title,
                }))
            }
            Err((pupil, why)) => {
                self.wait(item, (&work.sha, Some(work.length)), &work.looked, &work.known, (pupil, &why))
            }
        }
    }

    /// Puts a recording on the list for the teacher. `known`: how the pupil's surfaces sound, packed; then whose it may be,
    /// and what is not known.
    pub(super) fn wait(
        &self,
        item: &Item,
        (sha, length): (&[u8], Option<Seconds>),
        looked: &str,
        known: &[u8],
        (pupil, why): (Option<i64>, &str),
    ) -> Result<Outcome, BookError> {
        let sound = sound_name(item, sha);
        let taken_s = self.made_s(item, sha)?;
        let fresh = match self.keep_sound(item, &sound, sha) {
            Ok(fresh) => fresh,
            Err(Unkept::Sound(why)) => return Ok(Outcome::Bad(why)),
            Err(Unkept::Book(error)) => return Err(error),
        };
        let number = self.or_remove(fresh.then_some(sound.clone()), || {
            Ok(self.db.query_row(
                "INSERT INTO waiting (sha256, file, sound, sender, why, pupil, taken_s, origin, looked, known, length_s)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
                 ON CONFLICT (sha256) DO UPDATE SET file = excluded.file, sender = excluded.sender, why = excluded.why,
                     pupil = excluded.pupil, origin = excluded.origin, looked = excluded.looked,
                     known = excluded.known, length_s = excluded.length_s
                 RETURNING id",
                params![
                    sha,
                    item.place,
                    sound,
                    sender(item),
                    why,
                    pupil,
                    taken_s,
                    origin(item),
                    looked,
                    Some(known).filter(|known| !known.is_empty()),
                    length.map(Seconds::get)
                ],
                |r| r.get(0),
            )?)
        })?;
        Ok(Outcome::Doubtful(number, why.to_owned()))
    }

    /// Does all of it or nothing; where it is nothing, sound that was kept for it goes too.
    fn or_remove<T>(&self, sound: Option<String>, work: impl FnOnce() -> Result<T, BookError>) -> Result<T, BookError> {
        let done = self.savepoint(work);
        if let (Err(_), Some(sound)) = (&done, sound) {
            self.remove_sound(Some(sound));
        }
        done
    }

    /// When a recording was made: as far as it is known, else as it was when it was put on the list, else now.
    pub(super) fn made_s(&self, item: &Item, sha: &[u8]) -> Result<i64, BookError> {
        Ok(item.taken_s.or(self.waits(sha)?.map(|w| w.2)).unwrap_or_else(super::now))
    }

    /// Has the sound of a recording on the disk, whole, before any row speaks of it. Whether it is new there.
    fn keep_sound(&self, item: &Item, name: &str, sha: &[u8]) -> Result<bool, Unkept> {
        let path = self.folder.join("sound").join(name);
        let io = |source| Unkept::Book(BookError::File { path: path.clone(), source });
        let unread = |error: std::io::Error| Unkept::Sound(format!("it cannot be read to the end: {error}"));
        if std::fs::symlink_metadata(&path).is_ok() {
            let same = files::ordinary(&path).and_then(|mut file| files::sum_of(&mut file)).map_err(io)? == sha;
            return if same {
                Ok(false)
            } else {
                Err(Unkept::Sound(format!("`sound/{name}` in the book's folder is something else; move it away")))
            };
        }
        let mut from = item.open().map_err(unread)?;
        let mut draft = Draft::of(&path).map_err(io)?;
        let mut hash = Sha256::new();
        let mut piece = vec![0; 1 << 16];
        loop {
            let n = match from.read(&mut piece) {
                Ok(0) => break,
                Ok(n) => n,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => continue,
                Err(error) => return Err(unread(error)),
            };
            let piece = piece.get(..n).unwrap_or_default();
            hash.update(piece);
            draft.file().write_all(piece).map_err(io)?;
        }
        if hash.finalize().as_slice() != sha {
            return Err(Unkept::Sound("it was changed while it was heard; gather it again".into()));
        }
        draft.keep_new().map(|()| true).map_err(io)
    }
}

/// Why sound was not kept.
enum Unkept {
    /// The recording is at fault; the next may be kept.
    Sound(String),
    /// The book's disk is.
    Book(BookError),
}
