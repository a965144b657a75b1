//! Bytes -> files, the one way in which anything is written. The edge.
//!
//! Every file is private to its owner (0600 in folders 0700, on systems that have such rights). It is written under a name
//! of its own in the same folder, brought to the disk, and only then given its name, so that no reader ever sees half of
//! it and a failure leaves nothing. What a killed program left under such a name is swept away by the next that writes
//! there.
//!
//! Nothing is replaced that we did not make. A file is ours when it bears our mark and is as we wrote it to the byte (see
//! `mark`); it is made anew only of the same thing. Files that have no place for a mark (JSON, CSV, the book) are never
//! replaced.

mod mark;
mod shown;

use std::collections::BTreeSet;
use std::fs::{File, OpenOptions};
use std::io::{BufRead as _, BufReader, ErrorKind, Read, Result, Seek, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Duration;

use sha2::{Digest as _, Sha256};
use tempfile::NamedTempFile;

pub(crate) use crate::names::is_unsafe;
pub(crate) use mark::hex;
pub use shown::Shown;

/// What a file is called while it is written.
const PREFIX: &str = ".pailbeat-";
const SUFFIX: &str = ".part";
/// A file under such a name, held by nobody and untouched for so long, is what a killed program left: longer than between
/// making and holding it.
const LEFT_AFTER: Duration = Duration::from_secs(60);
/// Longest part of a file's name that is made of a name, in bytes: file systems end at 255, and endings come after it.
const LONGEST_NAME: usize = 120;
/// Texts that people write (parts, rosters, rules) and cards are read so far: a thousand times what they have.
const LARGEST_TEXT: u64 = 16 << 20;

/// Why a file was not written.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum FileError {
    /// There is one that is not ours.
    #[error("`{}` is there already, and pailbeat did not make it as it is now", path.shown())]
    Foreign {
        /// Which.
        path: PathBuf,
    },
    /// There is one of ours, made of something else.
    #[error("`{}` is there already, made of something else", path.shown())]
    Other {
        /// Which.
        path: PathBuf,
    },
    /// The system refused.
    #[error("cannot write `{}`", path.shown())]
    Io {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl FileError {
    /// The way out.
    pub fn hint(&self) -> &'static str {
        match self {
            FileError::Foreign { .. } | FileError::Other { .. } => {
                "nothing is replaced that pailbeat did not make of the same thing: name another file, or move this one away"
            }
            FileError::Io { .. } => "check that the disk is not full and that you may write there",
        }
    }
}

/// Makes a folder and those above it; what is made is private.
///
/// # Errors
/// Those of the system.
pub fn folder(path: &Path) -> Result<()> {
    if path.as_os_str().is_empty() || path.is_dir() {
        return Ok(());
    }
    let mut make = std::fs::DirBuilder::new();
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut make, 0o700);
    make.recursive(true).create(path)
}

/// Makes a private file that grows while it is used; never over one that is there.
///
/// # Errors
/// If there is one, and those of the system.
pub fn create(path: &Path) -> Result<File> {
    let mut make = OpenOptions::new();
    make.read(true).write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut make, 0o600);
    make.open(path)
}

/// Makes a file that was made by an earlier version private; a system without such rights has nothing to change.
///
/// # Errors
/// Those of the system.
pub fn make_private(path: &Path) -> Result<()> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt as _;
        let mode = if path.is_dir() { 0o700 } else { 0o600 };
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode))?;
    }
    let _ = path;
    Ok(())
}

fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// A file while it is written.
#[derive(Debug)]
pub struct Draft {
    temp: NamedTempFile,
    target: PathBuf,
}

impl Draft {
    /// Begins a file that is to stand at `target`; its folder is made where it is missing.
    ///
    /// # Errors
    /// Those of the system.
    pub fn of(target: &Path) -> Result<Draft> {
        let place = folder_of(target);
        folder(place)?;
        sweep_once(place);
        let temp = tempfile::Builder::new().prefix(PREFIX).suffix(SUFFIX).tempfile_in(place)?;
        // Held, it is no leftover. Where the system knows no such thing nothing is swept either.
        let _ = temp.as_file().try_lock();
        Ok(Draft { temp, target: target.to_owned() })
    }

    /// The file to write to.
    pub fn file(&mut self) -> &mut File {
        self.temp.as_file_mut()
    }

    /// Where it stands until it is done.
    pub fn path(&self) -> &Path {
        self.temp.path()
    }

    /// Brings it to the disk and gives it its name, which nothing may have yet.
    ///
    /// # Errors
    /// [`ErrorKind::AlreadyExists`] if there is such a file; those of the system. Nothing is left.
    pub fn keep_new(self) -> Result<()> {
        self.temp.as_file().sync_all()?;
        let _ = self.temp.as_file().unlock();
        self.temp.persist_noclobber(&self.target).map_err(|e| e.error)?;
        sync_folder(folder_of(&self.target))
    }

    /// The same over an earlier state of the same file, which the caller knows to be ours.
    fn keep_over(self) -> Result<()> {
        self.temp.as_file().sync_all()?;
        let _ = self.temp.as_file().unlock();
        self.temp.persist(&self.target).map_err(|e| e.error)?;
        sync_folder(folder_of(&self.target))
    }
}

/// Has the system keep what was renamed or removed in a folder.
fn sync_folder(path: &Path) -> Result<()> {
    // Only there can a folder be opened.
    #[cfg(unix)]
    File::open(path)?.sync_all()?;
    let _ = path;
    Ok(())
}

/// Writes a file that is not there yet.
///
/// # Errors
/// If it is, or the system refuses; nothing is left then.
pub fn put_new(path: &Path, bytes: &[u8]) -> std::result::Result<(), FileError> {
    let io = |source| FileError::Io { path: path.into(), source };
    let mut draft = Draft::of(path).map_err(io)?;
    draft.file().write_all(bytes).map_err(io)?;
    draft.keep_new().map_err(|error| match error.kind() {
        ErrorKind::AlreadyExists => FileError::Foreign { path: path.into() },
        _ => io(error),
    })
}

/// Writes a file made of something, over an earlier one that we made of the same. `of`: what it is made of, and for whom.
///
/// # Errors
/// If there is another file, or the system refuses; nothing is changed then.
pub fn put(path: &Path, mut bytes: Vec<u8>, of: &[u8]) -> std::result::Result<(), FileError> {
    let of = mark::of(of);
    let sum = mark::seal(path, &mut bytes, &of);
    loop {
        match state(path, &of, sum.as_deref()) {
            Ok(State::Free) => match put_new(path, &bytes) {
                // Somebody was faster: it is looked at.
                Err(FileError::Foreign { .. }) => {}
                other => return other,
            },
            Ok(State::Same) => return Ok(()),
            Ok(State::Ours) => {
                let over = Draft::of(path).and_then(|mut draft| {
                    draft.file().write_all(&bytes)?;
                    draft.keep_over()
                });
                return over.map_err(|source| FileError::Io { path: path.into(), source });
            }
            Ok(State::Other) => return Err(FileError::Other { path: path.into() }),
            Ok(State::Foreign) => return Err(FileError::Foreign { path: path.into() }),
            Err(source) => return Err(FileError::Io { path: path.into(), source }),
        }
    }
}

/// Writes a file over its earlier state, which is known by its bytes.
///
/// # Errors
/// If something else stands there, or the system refuses; nothing is changed then.
pub fn put_over(path: &Path, bytes: &[u8], earlier: &[u8]) -> std::result::Result<(), FileError> {
    let io = |source| FileError::Io { path: path.into(), source };
    match File::open(path) {
        Err(error) if error.kind() == ErrorKind::NotFound => return put_new(path, bytes),
        Err(error) => return Err(io(error)),
        Ok(file) => {
            let mut found = Vec::new();
            file.take(earlier.len().max(bytes.len()) as u64 + 1).read_to_end(&mut found).map_err(io)?;
            if found == bytes {
                return Ok(());
            }
            if found != earlier {
                return Err(FileError::Foreign { path: path.into() });
            }
        }
    }
    let over = Draft::of(path).and_then(|mut draft| {
        draft.file().write_all(bytes)?;
        draft.keep_over()
    });
    over.map_err(io)
}

/// Whether a file could be written with [`put`] as things stand.
///
/// # Errors
/// Where nobody can tell: what stands above it is no folder, or cannot be looked into.
pub fn is_free(path: &Path, of: &[u8]) -> std::result::Result<bool, FileError> {
    let state = state(path, &mark::of(of), None).map_err(|source| FileError::Io { path: path.into(), source })?;
    Ok(matches!(state, State::Free | State::Ours))
}

/// Whether we made a file, of whatever, and nobody has changed it since.
pub fn is_ours(path: &Path) -> bool {
    ordinary(path).is_ok_and(|mut file| mark::read(path, &mut file).is_ok_and(|mark| mark.is_some()))
}

/// What stands at a place.
enum State {
    Free,
    Same,
    Ours,
    Other,
    Foreign,
}

fn state(path: &Path, of: &str, sum: Option<&str>) -> Result<State> {
    match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(State::Free),
        Err(error) => return Err(error),
        // A link may lead to what we did not make.
        Ok(about) if !about.is_file() => return Ok(State::Foreign),
        Ok(_) => {}
    }
    let mut file = File::open(path)?;
    Ok(match mark::read(path, &mut file)? {
        Some(mark) if mark.of == of && Some(mark.sum.as_str()) == sum => State::Same,
        Some(mark) if mark.of == of => State::Ours,
        Some(_) => State::Other,
        None => State::Foreign,
    })
}

/// Folders that were swept by this program.
static SWEPT: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

fn sweep_once(place: &Path) {
    let first = SWEPT.lock().is_ok_and(|mut swept| swept.insert(place.to_owned()));
    if first {
        sweep(place, LEFT_AFTER);
    }
}

/// Removes what killed programs left in a folder and nobody has touched for some time; how many files.
pub fn sweep(place: &Path, untouched_for: Duration) -> usize {
    let Ok(entries) = std::fs::read_dir(place) else { return 0 };
    let mut gone = 0;
    for entry in entries.filter_map(Result::ok) {
        let name = entry.file_name();
        let left = name.to_str().is_some_and(|n| n.starts_with(PREFIX) && n.contains(SUFFIX));
        if !left || !entry.file_type().is_ok_and(|t| t.is_file()) {
            continue;
        }
        let path = entry.path();
        let old = entry
            .metadata()
            .and_then(|m| m.modified())
            .is_ok_and(|at| at.elapsed().unwrap_or_default() >= untouched_for);
        // Who is still writing it holds it.
        let free = || File::open(&path).is_ok_and(|file| file.try_lock().is_ok());
        gone += usize::from(old && free() && std::fs::remove_file(&path).is_ok());
    }
    gone
}

/// Takes a file away; one that is gone already is as good. Whether it was there.
///
/// # Errors
/// Those of the system.
pub fn remove(path: &Path) -> Result<bool> {
    match std::fs::remove_file(path) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == ErrorKind::NotFound => Ok(false),
        Err(error) => Err(error),
    }
}

/// Opens an ordinary file: no pipe that waits for ever, no device that never ends.
///
/// # Errors
/// If it is none, and those of the system.
pub fn ordinary(path: &Path) -> Result<File> {
    let about = std::fs::metadata(path).map_err(|error| match error.kind() {
        ErrorKind::NotFound => std::io::Error::new(ErrorKind::NotFound, "there is no such file"),
        _ => error,
    })?;
    if !about.is_file() {
        return Err(std::io::Error::new(ErrorKind::InvalidInput, "it is not an ordinary file"));
    }
    File::open(path)
}

/// Reads a text or a card whole: an ordinary file of at most 16 MB.
///
/// # Errors
/// If it is none, and those of the system.
pub fn read(path: &Path) -> Result<Vec<u8>> {
    let mut out = Vec::new();
    ordinary(path)?.take(LARGEST_TEXT + 1).read_to_end(&mut out)?;
    if out.len() as u64 > LARGEST_TEXT {
        return Err(std::io::Error::new(ErrorKind::FileTooLarge, "it is larger than 16 MB, and no such text is"));
    }
    Ok(out)
}

/// As [`read`], as text.
///
/// # Errors
/// As [`read`], and if it is no text.
pub fn read_text(path: &Path) -> Result<String> {
    String::from_utf8(read(path)?).map_err(|_| std::io::Error::new(ErrorKind::InvalidData, "it is not text"))
}

/// SHA-256 of what is read, piece by piece.
///
/// # Errors
/// If it cannot be read.
pub fn sum_of(from: &mut impl Read) -> Result<Vec<u8>> {
    let mut hash = Sha256::new();
    let mut from = BufReader::with_capacity(1 << 16, from);
    loop {
        let piece = from.fill_buf()?;
        if piece.is_empty() {
            return Ok(hash.finalize().to_vec());
        }
        let n = piece.len();
        hash.update(piece);
        from.consume(n);
    }
}

/// The same of a reader from its beginning, to which it goes back.
///
/// # Errors
/// If it cannot be read.
pub fn sum_of_whole(from: &mut (impl Read + Seek)) -> Result<Vec<u8>> {
    from.seek(SeekFrom::Start(0))?;
    let sum = sum_of(from)?;
    from.seek(SeekFrom::Start(0))?;
    Ok(sum)
}

/// A name as part of a file's name: two names never give the same. Letters and digits stand as they are; where anything
/// else was in it, or it was too long, a sum of the name comes after a dash.
pub fn file_name(name: &str) -> String {
    let name = crate::names::normal(name);
    let mut plain = String::new();
    for c in name.chars().map(|c| if c.is_alphanumeric() { c } else { '-' }) {
        if plain.len() + c.len_utf8() > LONGEST_NAME {
            break;
        }
        plain.push(c);
    }
    if plain == name && !name.is_empty() && !name.contains('-') {
        return plain;
    }
    format!("{plain}-{}", &mark::of(name.as_bytes())[..8])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_that_look_alike_as_file_names_get_names_of_their_own() {
        assert_eq!(
            (file_name("Wren"), file_name("4b"), file_name(" Zoe\u{308} ")),
            ("Wren".into(), "4b".into(), "Zoë".into())
        );
        let long = "x".repeat(500);
        let names = ["Mia 1", "Mia-1", "Mia_1", "4/b", "4.b", "4-b", "", "-", "..", &long, &long[1..], "★", "☆"];
        let made: BTreeSet<String> = names.iter().map(|n| file_name(n)).collect();
        assert_eq!(made.len(), names.len(), "{made:?}");
        assert!(made.iter().all(|n| n.len() < 150 && !n.contains(['/', '.', '\\'])));
        assert!(made.iter().all(|n| file_name(n) != *n || !n.contains('-')), "a made name is nobody's");
    }

    #[test]
    fn what_is_not_ours_is_never_replaced_and_what_is_ours_only_by_the_same() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("deep/er/page.html");
        put(&path, b"<p>1</p>".to_vec(), b"Wren").unwrap();
        put(&path, b"<p>2</p>".to_vec(), b"Wren").unwrap();
        assert!(std::fs::read(&path).unwrap().starts_with(b"<p>2</p>") && is_ours(&path));
        assert!(matches!(put(&path, b"<p>3</p>".to_vec(), b"Jay"), Err(FileError::Other { .. })));
        let mut edited = std::fs::read(&path).unwrap();
        edited.insert(3, b'!');
        std::fs::write(&path, &edited).unwrap();
        assert!(matches!(put(&path, b"<p>4</p>".to_vec(), b"Wren"), Err(FileError::Foreign { .. })));
        assert_eq!(std::fs::read(&path).unwrap(), edited);
        assert!(matches!(put_new(&path, b"x"), Err(FileError::Foreign { .. })));
        let json = place.path().join("plan.json");
        put(&json, b"{}".to_vec(), b"x").unwrap();
        assert!(matches!(put(&json, b"{ }".to_vec(), b"x"), Err(FileError::Foreign { .. })));
        put_over(&json, b"[]", b"{}").unwrap();
        assert!(matches!(put_over(&json, b"{}", b"{}"), Err(FileError::Foreign { .. })));
        assert_eq!(std::fs::read(&json).unwrap(), b"[]");
        // Nothing else was left.
        let all = walkdir::WalkDir::new(place.path()).into_iter().filter_map(std::result::Result::ok);
        assert_eq!(all.filter(|e| e.file_type().is_file()).count(), 2);
    }

    #[cfg(unix)]
    #[test]
    fn files_and_folders_are_their_owner_s_alone_and_links_are_not_followed() {
        use std::os::unix::fs::PermissionsExt as _;
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("new/page.html");
        let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode() & 0o777;
        put(&path, b"<p/>".to_vec(), b"x").unwrap();
        create(&place.path().join("take.wav")).unwrap();
        let modes = (mode(&path), mode(path.parent().unwrap()), mode(&place.path().join("take.wav")));
        assert_eq!(modes, (0o600, 0o700, 0o600));
        let draft = Draft::of(&path).unwrap();
        assert_eq!(mode(draft.path()), 0o600);
        let link = place.path().join("link.html");
        std::os::unix::fs::symlink(&path, &link).unwrap();
        assert!(matches!(put(&link, b"<p/>".to_vec(), b"x"), Err(FileError::Foreign { .. })));
    }

    #[test]
    fn what_a_killed_program_left_is_swept_and_what_is_being_written_is_not() {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join(".pailbeat-abc.part"), b"half").unwrap();
        std::fs::write(place.path().join("mine.part"), b"mine").unwrap();
        let draft = Draft::of(&place.path().join("x.html")).unwrap();
        assert_eq!(sweep(place.path(), LEFT_AFTER), 0, "too young");
        assert_eq!(sweep(place.path(), Duration::ZERO), 1);
        assert!(draft.path().exists() && place.path().join("mine.part").exists());
        drop(draft);
        assert_eq!(std::fs::read_dir(place.path()).unwrap().count(), 1);
    }
}
