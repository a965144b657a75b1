//! Files that are dropped on the page -> the book.
//!
//! They lie in a private folder of the book's while they arrive, under the names they came with as far as names are names and no
//! addresses, and are gathered as `book gather` does it, beside everything else. What a killed program left there is gathered
//! by the next.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use super::{Desk, Trouble, held};
use crate::book::gather::{Outcome, Rules};
use crate::book::{BookError, sources};
use crate::files;
use crate::report::shown;

/// The folder in the book's.
const FOLDER: &str = "arriving";
/// What of it is being heard: what is dropped meanwhile is heard after it.
const NOW: &str = "arriving-now";
/// Lines of what became of recordings that are kept for the page.
const MOST_LINES: usize = 400;
/// Deepest folder that is dropped: deeper ones are no inbox (common practice).
const DEEPEST: usize = 12;

/// What became of a recording.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Arrival {
    /// What it was called.
    pub(super) place: String,
    /// What became of it.
    pub(super) outcome: Outcome,
}

/// How far it is.
#[derive(Clone, Debug, Default)]
pub(super) struct State {
    /// Whether recordings are being heard.
    pub(super) running: bool,
    /// How many are to be heard, and how many were.
    pub(super) all: usize,
    /// See `all`.
    pub(super) done: usize,
    /// What became of those of this start, the last at the end.
    pub(super) lines: Vec<Arrival>,
    /// Why it stopped, where it did.
    pub(super) trouble: Option<Trouble>,
    /// More has been dropped since it began.
    again: bool,
}

/// What arrives.
#[derive(Default)]
pub(super) struct Arrivals {
    state: Arc<Mutex<State>>,
}

/// A file while it arrives.
pub(super) struct Arriving {
    file: File,
    path: PathBuf,
    whole: bool,
}

impl Arriving {
    /// Begins one. `name`: with the folders it lies in, as the browser says.
    pub(super) fn begin(folder: &Path, name: &str) -> std::io::Result<Arriving> {
        let mut place = folder.join(FOLDER);
        let mut names: Vec<String> =
            name.split(['/', '\\']).filter(|n| !n.is_empty() && *n != "." && *n != "..").map(plain).collect();
        let own = names.pop().unwrap_or_else(|| "recording".into());
        for folder in names.iter().take(DEEPEST) {
            place.push(folder);
        }
        files::folder(&place)?;
        // Two of one name in one drop are two recordings.
        for n in 1_u32.. {
            let name = if n == 1 { own.clone() } else { numbered(&own, n) };
            // A dot in front: no recording until it is whole.
            let path = place.join(format!(".{name}"));
            if place.join(&name).exists() {
                continue;
            }
            match files::create(&path) {
                Ok(file) => return Ok(Arriving { file, path: place.join(name), whole: false }),
                Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => continue,
                Err(error) => return Err(error),
            }
        }
        Err(std::io::Error::other("there is no name left for it"))
    }

    pub(super) fn file(&mut self) -> &mut File {
        &mut self.file
    }

    fn draft(&self) -> PathBuf {
        let name = self.path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        self.path.with_file_name(format!(".{name}"))
    }

    /// It is all there. `changed_ms`: when it was last changed, milliseconds since 1970.
    pub(super) fn keep(mut self, changed_ms: Option<u64>) -> std::io::Result<()> {
        if let Some(ms) = changed_ms {
            // A time that the system cannot keep is none.
            let _ = self.file.set_modified(std::time::UNIX_EPOCH + std::time::Duration::from_millis(ms));
        }
        std::fs::rename(self.draft(), &self.path)?;
        self.whole = true;
        Ok(())
    }
}

impl Drop for Arriving {
    fn drop(&mut self) {
        if !self.whole {
            let _ = std::fs::remove_file(self.draft());
        }
    }
}

/// A name without what a file system or a reader could take for more.
fn plain(name: &str) -> String {
    let name: String =
        name.chars().map(|c| if files::is_unsafe(c) || ":*?\"<>|".contains(c) { '-' } else { c }).collect();
    let name = name.trim().trim_start_matches('.');
    let mut end = name.len().min(180);
    while !name.is_char_boundary(end) {
        end -= 1;
    }
    // The ending says what it is: a long name loses letters in the middle.
    let ending = name.rfind('.').filter(|at| name.len() - at <= 6 && *at > end).and_then(|at| name.get(at..));
    let name = format!("{}{}", name.get(..end).unwrap_or_default(), ending.unwrap_or_default());
    if name.is_empty() { "recording".into() } else { name }
}

fn numbered(name: &str, n: u32) -> String {
    match name.rsplit_once('.') {
        Some((stem, ending)) => format!("{stem} {n}.{ending}"),
        None => format!("{name} {n}"),
    }
}

impl Desk {
    /// How far it is.
    pub(super) fn arriving(&self) -> State {
        held(&self.arrivals.state).clone()
    }

    /// Begins to gather what lies there; what is dropped meanwhile is gathered after it.
    pub(super) fn gather(self: &Arc<Desk>) {
        let mut state = held(&self.arrivals.state);
        if state.running {
            state.again = true;
            return;
        }
        *state = State { running: true, lines: std::mem::take(&mut state.lines), ..State::default() };
        drop(state);
        let desk = Arc::clone(self);
        std::thread::spawn(move || {
            loop {
                let done = desk.gather_all();
                let mut state = held(&desk.arrivals.state);
                state.trouble = done.err();
                if !state.again || state.trouble.is_some() {
                    state.running = false;
                    return;
                }
                state.again = false;
            }
        });
    }

    /// What a killed program left is gathered.
    pub(super) fn gather_leftovers(self: &Arc<Desk>) {
        let left = [FOLDER, NOW].iter().any(|name| self.folder.join(name).is_dir());
        if self.has_book() && left {
            self.gather();
        }
    }

    fn gather_all(&self) -> Result<(), Trouble> {
        let place = self.folder.join(FOLDER);
        let file = |path: &Path, source| Trouble::from(BookError::File { path: path.to_owned(), source });
        let now = self.folder.join(NOW);
        if !now.exists() {
            match std::fs::rename(&place, &now) {
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                other => other.map_err(|e| file(&place, e))?,
            }
        }
        let book = self.open_book()?;
        let spool = sources::Spool::new(&self.folder.join("sound"));
        let places: Vec<PathBuf> = Some(now.clone()).filter(|now| now.is_dir()).into_iter().collect();
        let (mut items, unreadable) = sources::collect(&places, &spool);
        let below = |text: &str| -> String {
            let prefix = files::Shown::shown(now.as_path()).to_string();
            text.strip_prefix(&prefix).unwrap_or(text).trim_start_matches(['/', '\\']).to_owned()
        };
        for item in &mut items {
            item.place = below(&item.place);
            // Our own folder says nothing of whose they are.
            if item.folders.first().is_some_and(|f| Some(f.as_ref()) == now.file_name()) {
                item.folders.remove(0);
            }
        }
        held(&self.arrivals.state).all += items.len();
        for bad in unreadable {
            self.arrived(&below(&bad.place), Outcome::Bad(shown(&bad.why)));
        }
        let rules = Rules::in_folder(&self.folder)?;
        book.gather(&items, rules, &spool, |number, item, outcome| {
            {
                let mut state = held(&self.arrivals.state);
                if number >= items.len() {
                    state.all += 1;
                }
                state.done += 1;
            }
            // What waits from earlier is on the page already.
            let waits = number >= items.len() && matches!(outcome, Outcome::Doubtful(..));
            if !waits {
                self.arrived(&item.place, outcome.clone());
            }
        })?;
        *held(&self.waits) = None;
        match std::fs::remove_dir_all(&now) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => Err(file(&now, error)),
            _ => Ok(()),
        }
    }

    fn arrived(&self, place: &str, outcome: Outcome) {
        let mut state = held(&self.arrivals.state);
        if state.lines.len() >= MOST_LINES {
            state.lines.remove(0);
        }
        state.lines.push(Arrival { place: place.to_owned(), outcome });
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_from_outside_stay_below_the_folder() {
        let place = tempfile::tempdir().unwrap();
        let check = |name: &str, expected: &str| {
            let arriving = Arriving::begin(place.path(), name).unwrap();
            arriving.keep(Some(1_000)).unwrap();
            let path = place.path().join(FOLDER).join(expected);
            assert!(path.is_file(), "{name:?}: no {path:?}");
        };
        check("Wren/take 1.m4a", "Wren/take 1.m4a");
        check("Wren/take 1.m4a", "Wren/take 1 2.m4a");
        check("../../etc/passwd", "etc/passwd");
        check("..\\..\\boot.ini", "boot.ini");
        check("/etc/shadow", "etc/shadow");
        check("C:\\x.wav", "C-/x.wav");
        check("", "recording");
        check("...", "recording 2".trim_end_matches(" 2"));
        check("a\u{202e}\nb.wav", "a--b.wav");
        check(&format!("{}.m4a", "ü".repeat(400)), &format!("{}.m4a", "ü".repeat(90)));
        let outside: Vec<_> = std::fs::read_dir(place.path()).unwrap().collect();
        assert_eq!(outside.len(), 1);
    }

    #[test]
    fn what_breaks_off_while_it_arrives_leaves_nothing() {
        let place = tempfile::tempdir().unwrap();
        drop(Arriving::begin(place.path(), "take.wav").unwrap());
        assert_eq!(std::fs::read_dir(place.path().join(FOLDER)).unwrap().count(), 0);
    }
}
