//! The desk: the class book in the teacher's browser, served by the program itself to her own machine.
//!
//! What is shown and done stands apart from how it is served: an address is a [`Look`] and gives a page, a form is an [`Act`]
//! and gives a [`Done`]. Nothing is heard, judged or worded here that a command does not hear, judge and word the same way.
//!
//! | module | what |
//! |---|---|
//! | `look` | an address -> what is looked at, and back |
//! | `act` | a form -> what is to be done, as plain data |
//! | `doing` | doing it: calls of the book |
//! | `arrivals` | files that are dropped on the page -> the book, and how far that is |
//! | `sound` | recordings and what is written -> what a browser plays |
//! | `writing` | a part while it is written: what is wrong with it, how it sounds |
//! | `pages` | views -> HTML |
//! | `guard` | whether a request may be answered at all |
//! | `running` | the desk that is open on a folder already |
//! | `serve` | requests -> all of the above -> answers |

mod act;
mod arrivals;
mod doing;
mod guard;
mod look;
mod pages;
pub mod running;
mod serve;
mod sound;
mod writing;

use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::assess::Assessment;
use crate::book::{Book, BookError, Holder};

pub use act::Act;
pub use doing::Done;
pub use look::Look;
pub use serve::{Desk as Served, open};

/// Assessments that are kept ready: those of a class.
const READY: usize = 40;

/// Why something was not done: what, why, and the way out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    /// What and why.
    pub what: String,
    /// The way out.
    pub hint: String,
}

impl Trouble {
    fn new(what: impl Into<String>, hint: impl Into<String>) -> Trouble {
        Trouble { what: what.into(), hint: hint.into() }
    }
}

impl From<BookError> for Trouble {
    fn from(error: BookError) -> Trouble {
        let mut what = error.to_string();
        let mut cause: Option<&dyn std::error::Error> = std::error::Error::source(&error);
        while let Some(next) = cause {
            what.push_str(&format!(": {next}"));
            cause = next.source();
        }
        Trouble { what, hint: error.hint() }
    }
}

impl From<sound::SoundError> for Trouble {
    fn from(error: sound::SoundError) -> Trouble {
        let hint = match &error {
            sound::SoundError::Audio(error) => error.hint(),
            sound::SoundError::Disk(_) => "check that the disk is not full",
            sound::SoundError::Guide(_) => "look at the part",
        };
        Trouble::new(error.to_string(), hint)
    }
}

/// A folder with a class book, or where one is to be, as the desk has it open.
pub struct Desk {
    folder: PathBuf,
    /// For looking: never waits for a turn.
    reader: Mutex<Option<Book>>,
    /// For doing: waits while another program, or the gathering, has the book.
    writer: Mutex<Option<Book>>,
    waits: Arc<Mutex<Option<Holder>>>,
    arrivals: arrivals::Arrivals,
    heard: Mutex<Vec<(i64, Arc<Assessment>)>>,
    sounds: sound::Ready,
}

/// What a lock holds, whether or not a thread died that held it: everything here is whole between two calls.
fn held<T>(lock: &Mutex<T>) -> MutexGuard<'_, T> {
    lock.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Desk {
    /// Opens the book of a folder, where there is one.
    ///
    /// # Errors
    /// If what is there is no book, or cannot be read.
    pub fn of(folder: &Path) -> Result<Desk, BookError> {
        let folder =
            std::path::absolute(folder).map_err(|source| BookError::File { path: folder.to_owned(), source })?;
        let desk = Desk {
            folder,
            reader: Mutex::default(),
            writer: Mutex::default(),
            waits: Arc::default(),
            arrivals: arrivals::Arrivals::default(),
            heard: Mutex::default(),
            sounds: sound::Ready::default(),
        };
        if std::fs::symlink_metadata(desk.folder.join(crate::book::FILE)).is_ok() {
            desk.open_books()?;
        }
        Ok(desk)
    }

    /// The folder.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    fn open_book(&self) -> Result<Book, BookError> {
        let waits = Arc::clone(&self.waits);
        Book::open_as(&self.folder, "pailbeat desk", move |holder| *held(&waits) = Some(holder.clone()))
    }

    fn open_books(&self) -> Result<(), BookError> {
        *held(&self.reader) = Some(self.open_book()?);
        *held(&self.writer) = Some(self.open_book()?);
        Ok(())
    }

    /// Looks something up.
    fn see<T>(&self, look: impl FnOnce(&Book) -> Result<T, BookError>) -> Result<T, Trouble> {
        let book = held(&self.reader);
        let book = book.as_ref().ok_or_else(|| Trouble::new("there is no class book yet", "begin with a class"))?;
        Ok(look(book)?)
    }

    /// Changes something, after whoever has the book has done with it.
    fn change<T>(&self, act: impl FnOnce(&Book) -> Result<T, BookError>) -> Result<T, Trouble> {
        let book = held(&self.writer);
        let book = book.as_ref().ok_or_else(|| Trouble::new("there is no class book yet", "begin with a class"))?;
        let done = act(book);
        *held(&self.waits) = None;
        Ok(done?)
    }

    fn has_book(&self) -> bool {
        held(&self.reader).is_some()
    }

    /// What the ear says of a take, without what was set right; `None` where its sound is no longer kept.
    fn heard(&self, take: i64) -> Result<Option<Arc<Assessment>>, Trouble> {
        let known =
            |list: &[(i64, Arc<Assessment>)]| list.iter().find(|(id, _)| *id == take).map(|(_, a)| Arc::clone(a));
        if let Some(found) = known(&held(&self.heard)) {
            return Ok(Some(found));
        }
        // Heard with a book of its own, so that nobody waits for it.
        let book = self.open_book()?;
        let Some(assessment) = book.hear_again(take)? else { return Ok(None) };
        let assessment = Arc::new(assessment);
        let mut list = held(&self.heard);
        if list.len() >= READY {
            list.remove(0);
        }
        list.push((take, Arc::clone(&assessment)));
        Ok(Some(assessment))
    }
}
