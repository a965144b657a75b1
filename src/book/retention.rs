//! Keeping the sound of takes no longer than agreed, and leaving nothing of what was deleted.

use std::time::Duration;

use super::{Book, BookError};
use crate::files;

/// A day.
const DAY_S: i64 = 86_400;

impl Book {
    /// Leaves nothing of what was deleted: not in free pages, not in the journal.
    ///
    /// # Errors
    /// If another program is reading the book; the next turn does it.
    pub(super) fn scrub(&self) -> Result<(), BookError> {
        self.db.execute_batch("VACUUM")?;
        let (busy, _, _): (i64, i64, i64) =
            self.db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?;
        if busy != 0 {
            return Err(BookError::Refused {
                what: "the rows are gone, but another program is reading the book and its journal still holds them"
                    .into(),
                hint: "close the other program and run `pailbeat book tidy`".into(),
            });
        }
        Ok(())
    }

    /// Removes what killed programs left in the book's folders, and sound that no row knows; how many files. In a turn of
    /// its own nobody else is writing there.
    pub(super) fn sweep(&self) -> Result<usize, BookError> {
        let _turn = self.turn()?;
        let mut gone = 0;
        for place in [self.folder.clone(), self.folder.join("sound"), self.folder.join("pages")] {
            gone += files::sweep(&place, Duration::ZERO);
        }
        let Ok(entries) = std::fs::read_dir(self.folder.join("sound")) else { return Ok(gone) };
        for entry in entries.filter_map(Result::ok).filter(|e| e.file_type().is_ok_and(|t| t.is_file())) {
            let name = entry.file_name().to_string_lossy().into_owned();
            if is_sound_name(&name) && !self.knows_sound(&name)? {
                let path = entry.path();
                gone += usize::from(files::remove(&path).map_err(|source| BookError::File { path, source })?);
            }
        }
        Ok(gone)
    }

    /// Removes kept sound that is older than the book allows, and what a killed program left; says how many files.
    ///
    /// # Errors
    /// If a file cannot be removed.
    pub fn tidy(&self, now_s: i64) -> Result<usize, BookError> {
        let _turn = self.turn()?;
        let days = self.keep_sound_days()?;
        let old = now_s - days * DAY_S;
        let mut gone = 0;
        let due: Vec<String> = self
            .db
            .prepare("SELECT sound FROM takes WHERE sound IS NOT NULL AND taken_s < ?1")?
            .query_map([old], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        for sound in &due {
            gone += usize::from(self.remove_sound_file(sound)?);
            self.db.execute("UPDATE takes SET sound = NULL WHERE sound = ?1", [sound])?;
        }
        gone += self.sweep()?;
        self.scrub()?;
        Ok(gone)
    }

    /// Takes a file of kept sound away; whether it was there.
    pub(super) fn remove_sound_file(&self, sound: &str) -> Result<bool, BookError> {
        let path = self.folder.join("sound").join(sound);
        files::remove(&path).map_err(|source| BookError::File { path, source })
    }

    pub(super) fn knows_sound(&self, name: &str) -> Result<bool, BookError> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM takes WHERE sound = ?1) OR EXISTS (SELECT 1 FROM waiting WHERE sound = ?1)";
        Ok(self.db.query_row(sql, [name], |r| r.get(0))?)
    }

    /// How many days the sound of a take is kept.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn keep_sound_days(&self) -> Result<i64, BookError> {
        Ok(self.setting("keep_sound_days")?.and_then(|d| d.parse().ok()).unwrap_or(0))
    }

    /// Says how many days the sound of a take is kept; 0 keeps none.
    ///
    /// # Errors
    /// If the book cannot be written.
    pub fn set_keep_sound_days(&self, days: u32) -> Result<(), BookError> {
        self.set("keep_sound_days", &days.to_string())
    }

    pub(super) fn set(&self, name: &str, value: &str) -> Result<(), BookError> {
        let _turn = self.turn()?;
        let sql = "INSERT INTO settings VALUES (?1, ?2) ON CONFLICT (name) DO UPDATE SET value = excluded.value";
        self.db.execute(sql, [name, value])?;
        Ok(())
    }
}

/// Whether a file in the folder of sound has such a name as the book gives: 64 hexadecimal digits and an ending (and, from
/// earlier versions, `part` after it for what a killed program left). What else lies there is the teacher's.
fn is_sound_name(name: &str) -> bool {
    let (sum, ending) = name.split_at_checked(64).unwrap_or_default();
    sum.bytes().all(|b| b.is_ascii_hexdigit()) && sum.len() == 64 && ending.starts_with('.')
}
