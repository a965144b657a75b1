//! The class book: who is in which class, what was assigned, who sent what, and what was heard in it. The edge.
//!
//! In: a folder; out: one SQLite file in it, the sound that is kept, the pages that were asked for. Every change is one
//! transaction, so that a book is whole whenever it is opened, however the program ended. Lateness is heard minus
//! expected here as everywhere.
//!
//! | module | what |
//! |---|---|
//! | `people` | classes, roster, assignments, a teacher's words |
//! | [`distil`] | assessment and corrections -> the few numbers that are kept |
//! | `takes` | takes and assessments in and out, corrections, re-assessment |
//! | `drills` | recordings of echo drills -> verdicts, in and out; which patterns a class confuses |
//! | [`sources`] | folder, zip, mailbox, files -> recordings |
//! | `hearing` | a recording and what came with it -> the way through [`crate::chain`]: of which assigned part it is, and the assessment |
//! | `known` | the strikes of a sound check as they are kept beside a take |
//! | [`gather`] | recordings -> takes and drills, each with its pupil, or a list for the teacher |
//! | `settle` | the teacher's answers to what was doubtful |
//! | `lesson` | the newest takes of a class -> what is worth teaching again; the one matter of a child |
//! | `register` | rows -> what the class page shows |
//! | `views` | rows -> what the pupil's page shows |
//! | `care` | forgetting, keeping sound no longer than agreed, backup, export |
//!
//! Limits: one book is written by one program at a time; readers and backups may run beside it.

mod care;
pub mod distil;
mod drills;
mod error;
pub mod gather;
mod hearing;
mod known;
mod lesson;
mod people;
mod register;
mod settle;
pub mod sources;
mod takes;
mod views;

use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OptionalExtension as _};

pub use care::Forgotten;
pub use drills::{NO_ROUND, NewDrill, ONE_ROUND};
pub use error::BookError;
pub use people::{Assigned, NewAssignment, Pupil};
pub use settle::Waiting;
pub use takes::{Changed, Correction, CorrectionKind, Drawn, NewTake, StoredTake};

/// The file of the book in the teacher's folder.
pub const FILE: &str = "class-book.sqlite";
/// Migrations in order; added to, never edited. The book's `user_version` counts those that were applied.
const MIGRATIONS: [&str; 4] = [
    include_str!("migrations/0001_book.sql"),
    include_str!("migrations/0002_waiting.sql"),
    include_str!("migrations/0003_drills.sql"),
    include_str!("migrations/0004_beside.sql"),
];
/// Longest name of a file made of a name, in letters.
const LONGEST_FILE_NAME: usize = 60;
/// A reader waits this long for a writer, and the other way round.
const PATIENCE: Duration = Duration::from_secs(20);

/// An open class book.
pub struct Book {
    db: Connection,
    folder: PathBuf,
}

/// A name as part of a file name: letters and digits, the rest is a dash.
pub fn file_name(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
    let plain: String = name.trim().chars().take(LONGEST_FILE_NAME).map(plain).collect();
    if plain.is_empty() { "-".into() } else { plain }
}

/// Seconds since 1970, now.
pub fn now() -> i64 {
    std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_secs() as i64)
}

impl Book {
    /// Makes the book in the teacher's folder, which is made where it is missing.
    ///
    /// # Errors
    /// If there is a book already, or the folder cannot be written.
    pub fn create(folder: &Path) -> Result<Book, BookError> {
        let path = folder.join(FILE);
        if path.exists() {
            return Err(BookError::Exists { path });
        }
        for part in [folder.to_path_buf(), folder.join("sound"), folder.join("pages")] {
            std::fs::create_dir_all(&part).map_err(|source| BookError::File { path: part, source })?;
        }
        Book::of(Connection::open(path)?, folder)
    }

    /// Opens the book of a folder and brings it up to date.
    ///
    /// # Errors
    /// If there is none, or it is damaged or newer than this program.
    pub fn open(folder: &Path) -> Result<Book, BookError> {
        let path = folder.join(FILE);
        if !path.is_file() {
            return Err(BookError::Missing { path });
        }
        Book::of(Connection::open(path)?, folder)
    }

    /// A book in memory, for tests.
    ///
    /// # Errors
    /// None in practice.
    pub fn in_memory() -> Result<Book, BookError> {
        Book::of(Connection::open_in_memory()?, Path::new("."))
    }

    fn of(mut db: Connection, folder: &Path) -> Result<Book, BookError> {
        db.busy_timeout(PATIENCE)?;
        // In WAL mode readers never wait; what is deleted is overwritten; a killed program loses nothing.
        db.execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON;
             PRAGMA temp_store = MEMORY;",
        )?;
        let done: usize = db.query_row("PRAGMA user_version", [], |row| row.get::<_, i64>(0))?.try_into().unwrap_or(0);
        if done > MIGRATIONS.len() {
            return Err(BookError::Newer { found: done, expected: MIGRATIONS.len() });
        }
        for (number, sql) in MIGRATIONS.iter().enumerate().skip(done) {
            let step = db.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
            // Another program may have done it since.
            if step.query_row("PRAGMA user_version", [], |row| row.get::<_, i64>(0))? <= number as i64 {
                step.execute_batch(sql)?;
                step.pragma_update(None, "user_version", number as i64 + 1)?;
            }
            step.commit()?;
        }
        Ok(Book { db, folder: folder.to_owned() })
    }

    /// The teacher's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Everything until [`Book::settle_all`] is one transaction: for filling a book fast.
    ///
    /// # Errors
    /// If the book is locked.
    pub fn begin(&self) -> Result<(), BookError> {
        Ok(self.db.execute_batch("BEGIN IMMEDIATE")?)
    }

    /// Ends what [`Book::begin`] began.
    ///
    /// # Errors
    /// If the disk is full.
    pub fn settle_all(&self) -> Result<(), BookError> {
        Ok(self.db.execute_batch("COMMIT")?)
    }

    fn setting(&self, name: &str) -> Result<Option<String>, BookError> {
        Ok(self.db.query_row("SELECT value FROM settings WHERE name = ?1", [name], |row| row.get(0)).optional()?)
    }
}

#[cfg(test)]
mod tests;
