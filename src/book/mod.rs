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
//! | `opening` | a file -> an open book, or why it is none |
//! | `turn` | one program writes at a time, and who waits knows for whom |
//! | `spool` | what comes out of an archive or a mail, on the disk and not in memory |
//! | `item` | a recording with what came with it: its place, its card, its bytes |
//! | `unpack` | zip archives and mails -> the recordings in them, within stated limits |
//! | [`sources`] | folder, zip, mailbox, files -> recordings |
//! | `known` | the strikes of a sound check as they are kept beside a take |
//! | `forms` | of a part assigned in several forms: which one a take is for |
//! | `hearing` | a recording -> the way through [`crate::chain`]: of which assigned part it is, and the assessment |
//! | `facts` | what is known of pupils and assignments -> whose a recording is, and of what |
//! | `outcome` | what became of a recording, and how that is said |
//! | `drills` | recordings of echo drills -> verdicts, in and out; which patterns a class confuses |
//! | `keeping` | what was heard -> a take, a drill, a copy, or a place on the list; sound on the disk before its row |
//! | [`gather`] | recordings -> takes and drills, each with its pupil, or a list for the teacher |
//! | `guess` | a doubtful recording -> whose it may be, and why |
//! | `settle` | the teacher's answers to what was doubtful |
//! | `lesson` | the newest takes of a class -> what is worth teaching again; the one matter of a child |
//! | `review` | a take as the teacher looks at it: what was set right laid over it, and taking that back |
//! | `register` | rows -> what the class page shows |
//! | `views` | rows -> what the pupil's page shows |
//! | `pages` | pages in the book's folder, and whom each names |
//! | [`forget`] | a pupil -> what is theirs, what speaks of them, what cannot be told; and all of it gone |
//! | `retention` | keeping sound no longer than agreed |
//! | `export` | backup while in use, tables as CSV and JSON |
//!
//! Limits: one book is written by one program at a time; readers and backups may run beside it.

pub mod distil;
mod drills;
mod error;
mod export;
mod facts;
pub mod forget;
mod forms;
pub mod gather;
mod guess;
mod hearing;
mod item;
mod keeping;
mod known;
mod lesson;
mod opening;
mod outcome;
mod pages;
mod people;
mod register;
mod retention;
mod review;
mod settle;
pub mod sources;
mod spool;
mod takes;
mod turn;
mod unpack;
mod views;

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OptionalExtension as _};

use turn::{Turn, Turns};

pub use distil::{Correction, CorrectionKind};
pub use drills::{NO_ROUND, NewDrill, ONE_ROUND};
pub use error::BookError;
pub use guess::Guess;
pub use people::{Assigned, NewAssignment, Pupil};
pub use review::{Answered, Reviewed, SaidAtOnce, SetRight, against, review, said_at_once, stroke};
pub use settle::{Answer, Waiting};
pub use takes::{Changed, Drawn, NewTake, StoredTake};
pub use turn::Holder;

/// The file of the book in the teacher's folder.
pub const FILE: &str = "class-book.sqlite";
/// Migrations in order; added to, never edited. The book's `user_version` counts those that were applied.
const MIGRATIONS: [&str; 6] = [
    include_str!("migrations/0001_book.sql"),
    include_str!("migrations/0002_waiting.sql"),
    include_str!("migrations/0003_drills.sql"),
    include_str!("migrations/0004_beside.sql"),
    include_str!("migrations/0005_pages.sql"),
    include_str!("migrations/0006_taken_back.sql"),
];

/// An open class book.
pub struct Book {
    db: Connection,
    folder: PathBuf,
    turns: Turns,
}

/// Seconds since 1970, now.
pub fn now() -> i64 {
    std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).map_or(0, |d| d.as_secs() as i64)
}

impl Book {
    /// The teacher's folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Everything until [`Book::settle_all`] is one transaction: for filling a book fast.
    ///
    /// # Errors
    /// If the book is locked.
    pub fn begin(&self) -> Result<(), BookError> {
        self.turns.begin()?;
        Ok(self.db.execute_batch("BEGIN IMMEDIATE")?)
    }

    /// Ends what [`Book::begin`] began.
    ///
    /// # Errors
    /// If the disk is full.
    pub fn settle_all(&self) -> Result<(), BookError> {
        let done = self.db.execute_batch("COMMIT");
        self.turns.end();
        Ok(done?)
    }

    /// Waits until no other program writes the book, and keeps others waiting until the turn is over. Whatever changes
    /// the book takes a turn by itself; what must not be parted by another's changes takes one around it.
    fn turn(&self) -> Result<Turn<'_>, BookError> {
        self.turns.take()
    }

    fn setting(&self, name: &str) -> Result<Option<String>, BookError> {
        Ok(self.db.query_row("SELECT value FROM settings WHERE name = ?1", [name], |row| row.get(0)).optional()?)
    }
}

#[cfg(test)]
mod tests;
