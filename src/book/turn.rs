//! Whose turn it is to write: one program at a time, and who waits is told who has the book.
//!
//! The lock is the system's own on a small file in the book's folder, so that it is gone with the program that held it,
//! however that ended. In the file stands who holds it. Readers and backups take no turn.

use std::cell::{Cell, RefCell};
use std::fs::{File, TryLockError};
use std::io::{Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};

use super::BookError;
use crate::files::{self, Shown as _};

/// The lock in the book's folder.
pub(super) const LOCK: &str = "class-book.lock";

/// Who has the book.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Holder {
    /// What for, as `book gather`; empty when it is not known.
    pub what: String,
    /// The number of the process.
    pub process: u32,
    /// Since when, seconds since 1970.
    pub since_s: i64,
}

type Told = Box<dyn Fn(&Holder) + Send>;

/// The turns of one open book.
pub(super) struct Turns {
    place: Place,
    what: String,
    waits: Told,
    held: RefCell<Option<File>>,
    count: Cell<usize>,
}

enum Place {
    /// Nobody else can know of the book.
    Memory,
    ReadOnly(PathBuf),
    Lock(PathBuf),
}

/// The book is this program's until it is dropped.
#[must_use]
pub(super) struct Turn<'a>(&'a Turns);

impl Turns {
    pub(super) fn of(folder: &Path, what: &str, waits: impl Fn(&Holder) + Send + 'static) -> Turns {
        Turns { waits: Box::new(waits), what: what.into(), ..Turns::at(Place::Lock(folder.join(LOCK))) }
    }

    pub(super) fn nobody() -> Turns {
        Turns::at(Place::Memory)
    }

    pub(super) fn read_only(folder: &Path) -> Turns {
        Turns::at(Place::ReadOnly(folder.to_owned()))
    }

    fn at(place: Place) -> Turns {
        let (held, count) = (RefCell::new(None), Cell::new(0));
        Turns { place, what: String::new(), waits: Box::new(|_| {}), held, count }
    }

    /// Waits until the book is this program's; inside a turn it is already.
    pub(super) fn take(&self) -> Result<Turn<'_>, BookError> {
        if self.count.get() == 0 {
            match &self.place {
                Place::Memory => {}
                Place::ReadOnly(folder) => {
                    return Err(BookError::Refused {
                        what: format!("nothing can be changed in the folder `{}`: it can only be read", folder.shown()),
                        hint: "copy the whole folder to where you may write".into(),
                    });
                }
                Place::Lock(path) => {
                    let file = self.wait(path).map_err(|source| BookError::File { path: path.clone(), source })?;
                    *self.held.borrow_mut() = Some(file);
                }
            }
        }
        self.count.set(self.count.get() + 1);
        Ok(Turn(self))
    }

    fn wait(&self, path: &Path) -> std::io::Result<File> {
        let mut file = match files::create(path) {
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
                std::fs::OpenOptions::new().read(true).write(true).open(path)?
            }
            other => other?,
        };
        match file.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                (self.waits)(&holder(&mut file));
                file.lock()?;
            }
            // Some shared folders know no locks: SQLite's own are left, and keep the book whole.
            Err(TryLockError::Error(error)) if error.kind() == std::io::ErrorKind::Unsupported => {}
            Err(TryLockError::Error(error)) => return Err(error),
        }
        // Who waits reads it; that it cannot be said, on a full disk, is no reason to stop.
        let said = format!("{}\n{}\n{}\n", self.what, std::process::id(), super::now());
        let _ =
            file.set_len(0).and_then(|()| file.seek(SeekFrom::Start(0))).and_then(|_| file.write_all(said.as_bytes()));
        Ok(file)
    }
}

/// What stands in the lock.
fn holder(file: &mut File) -> Holder {
    let mut text = String::new();
    // Who has just begun has not yet said who it is.
    for _ in 0..20 {
        text.clear();
        let read = file.seek(SeekFrom::Start(0)).and_then(|_| file.take(1024).read_to_string(&mut text));
        if read.is_err() || !text.is_empty() {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    let mut lines = text.lines();
    let mut next = || lines.next().unwrap_or_default();
    Holder { what: next().into(), process: next().parse().unwrap_or(0), since_s: next().parse().unwrap_or(0) }
}

impl Drop for Turn<'_> {
    fn drop(&mut self) {
        let left = self.0.count.get().saturating_sub(1);
        self.0.count.set(left);
        if left == 0
            && let Some(file) = self.0.held.borrow_mut().take()
        {
            let _ = file.set_len(0);
            let _ = file.unlock();
        }
    }
}

impl Turns {
    /// A turn that ends with [`Turns::end`].
    pub(super) fn begin(&self) -> Result<(), BookError> {
        std::mem::forget(self.take()?);
        Ok(())
    }

    /// Ends a turn that [`Turns::begin`] began.
    pub(super) fn end(&self) {
        if self.count.get() > 0 {
            drop(Turn(self));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::Book;
    use std::sync::mpsc;
    use std::time::Duration;

    #[test]
    fn who_waits_is_told_who_has_the_book_and_goes_on_when_it_is_free() {
        let place = tempfile::tempdir().unwrap();
        let first = Book::create(place.path()).unwrap();
        drop(first);
        let first = Book::open_as(place.path(), "book gather", |_| {}).unwrap();
        let turn = first.turns.take().unwrap();
        let (send, told) = mpsc::channel();
        let (done_send, done) = mpsc::channel();
        let folder = place.path().to_owned();
        let other = std::thread::spawn(move || {
            let book = Book::open_as(&folder, "book roster", move |h| send.send(h.clone()).unwrap()).unwrap();
            book.enrol([("3b", "Wren")]).unwrap();
            done_send.send(()).unwrap();
        });
        let holder = told.recv_timeout(Duration::from_secs(20)).unwrap();
        assert_eq!((holder.what.as_str(), holder.process), ("book gather", std::process::id()));
        assert!(done.recv_timeout(Duration::from_millis(100)).is_err(), "it went on though the book is another's");
        drop(turn);
        done.recv_timeout(Duration::from_secs(20)).unwrap();
        other.join().unwrap();
        assert_eq!(first.pupils(None).unwrap().len(), 1);
    }
}
