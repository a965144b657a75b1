//! A file -> an open class book, or in words why it is none; making a book.
//!
//! A book is known by the application id in the head of the file (SQLite file format, section 1.3.11), and by tables that
//! are just those of its layout. What is no book is looked at and left as it is: an empty file, another program's
//! database, a damaged one. A book in a folder that cannot be written is read as it stands.

use std::io::Read as _;
use std::path::Path;
use std::time::Duration;

use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};

use super::{Book, BookError, FILE, MIGRATIONS, Turns};
use crate::files;

/// `pail`, as 0005 of the migrations sets it.
const APPLICATION: u32 = u32::from_be_bytes(*b"pail");
/// The layouts before it was set.
const WITHOUT_ID: std::ops::RangeInclusive<u32> = 1..=4;
/// A reader waits this long for a writer, and the other way round.
const PATIENCE: Duration = Duration::from_secs(20);

/// What the head of a file says: user version and application id, at their places (section 1.3 of the file format).
fn head(path: &Path) -> Result<(u32, u32), BookError> {
    let foreign = |why: &str| BookError::Foreign { path: path.into(), why: why.into() };
    let mut head = Vec::new();
    files::ordinary(path)
        .and_then(|file| file.take(100).read_to_end(&mut head))
        .map_err(|source| BookError::File { path: path.into(), source })?;
    if head.is_empty() {
        return Err(foreign("it is empty"));
    }
    let number = |at: usize| Some(u32::from_be_bytes(head.get(at..at + 4)?.try_into().ok()?));
    match (head.starts_with(b"SQLite format 3\0"), number(60), number(68)) {
        (true, Some(version), Some(id)) => Ok((version, id)),
        _ => Err(foreign("it is no database")),
    }
}

/// A connection that reads the file as it stands and makes nothing beside it; only while nobody writes.
fn as_it_stands(path: &Path) -> Result<Connection, BookError> {
    let full = std::path::absolute(path).map_err(|source| BookError::File { path: path.into(), source })?;
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'-' | b'_' | b'.');
    let full = full.to_string_lossy().replace('\\', "/");
    let mut address = if full.starts_with('/') { "file://".to_owned() } else { "file:///".to_owned() };
    for byte in full.bytes() {
        if plain(byte) { address.push(byte.into()) } else { address.push_str(&format!("%{byte:02X}")) }
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Ok(Connection::open_with_flags(format!("{address}?immutable=1"), flags)?)
}

/// Everything a schema is made of.
fn schema(db: &Connection) -> rusqlite::Result<Vec<(String, String, Option<String>)>> {
    let sql =
        "SELECT type, name, sql FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_%' ESCAPE '\\' ORDER BY type, name";
    db.prepare(sql)?.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?)))?.collect()
}

/// What is wrong with the tables of a book of this layout, if anything.
fn fault(db: &Connection, layout: usize) -> rusqlite::Result<Option<String>> {
    let fresh = Connection::open_in_memory()?;
    for sql in MIGRATIONS.iter().take(layout) {
        fresh.execute_batch(sql)?;
    }
    let (wanted, found) = (schema(&fresh)?, schema(db)?);
    let kind = |row: &(String, String, Option<String>)| format!("{} `{}`", row.0, row.1);
    if let Some(row) = wanted.iter().find(|row| !found.contains(row)) {
        return Ok(Some(format!("its {} is missing or another", kind(row))));
    }
    if let Some(row) = found.iter().find(|row| !wanted.contains(row)) {
        return Ok(Some(format!("there is a {} in it that pailbeat did not make", kind(row))));
    }
    let said: String = db.query_row("PRAGMA quick_check(1)", [], |r| r.get(0))?;
    Ok((said != "ok").then_some(said))
}

fn layout(db: &Connection) -> rusqlite::Result<usize> {
    Ok(db.query_row("PRAGMA user_version", [], |row| row.get::<_, i64>(0))?.try_into().unwrap_or(0))
}

/// Whether a file that says nothing is a book made before books said what they are.
fn is_early(path: &Path, version: u32) -> bool {
    let tables = || fault(&as_it_stands(path).ok()?, version as usize).ok();
    WITHOUT_ID.contains(&version) && matches!(tables(), Some(None))
}

/// Whether files can be made and changed here.
fn can_write(path: &Path) -> bool {
    use std::io::ErrorKind::{PermissionDenied, ReadOnlyFilesystem};
    let barred = |error: std::io::Error| matches!(error.kind(), PermissionDenied | ReadOnlyFilesystem);
    let file = std::fs::OpenOptions::new().append(true).open(path).err().is_some_and(barred);
    let folder = path.parent().unwrap_or(Path::new("."));
    !file && !tempfile::tempfile_in(folder).err().is_some_and(barred)
}

/// Brings a book up to date; says from which layout.
fn migrate(db: &mut Connection) -> Result<usize, BookError> {
    let done = layout(db)?;
    for (number, sql) in MIGRATIONS.iter().enumerate().skip(done) {
        let step = db.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // Another program may have done it since.
        if layout(&step)? <= number {
            step.execute_batch(sql)?;
            step.pragma_update(None, "user_version", number as i64 + 1)?;
        }
        step.commit()?;
    }
    Ok(done)
}

fn settings(db: &Connection) -> rusqlite::Result<()> {
    db.busy_timeout(PATIENCE)?;
    // In WAL mode readers never wait; what is deleted is overwritten; a killed program loses nothing.
    db.execute_batch(
        "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; PRAGMA foreign_keys = ON; PRAGMA secure_delete = ON;
         PRAGMA trusted_schema = OFF;",
    )
}

impl Book {
    /// Makes the book in the teacher's folder, which is made where it is missing. It stands there whole or not at all.
    ///
    /// # Errors
    /// If there is a book already, or the folder cannot be written.
    pub fn create(folder: &Path) -> Result<Book, BookError> {
        let path = folder.join(FILE);
        let exists = || BookError::Exists { path: path.clone() };
        if std::fs::symlink_metadata(&path).is_ok() {
            return Err(match head(&path) {
                Err(other) => other,
                Ok(_) => exists(),
            });
        }
        let io = |path: &Path| {
            let path = path.to_owned();
            move |source| BookError::File { path, source }
        };
        for part in [folder.to_path_buf(), folder.join("sound"), folder.join("pages")] {
            files::folder(&part).map_err(io(&part))?;
        }
        let draft = files::Draft::of(&path).map_err(io(&path))?;
        {
            let mut db = Connection::open_with_flags(draft.path(), plain_flags())?;
            migrate(&mut db)?;
        }
        match draft.keep_new() {
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => return Err(exists()),
            other => other.map_err(io(&path))?,
        }
        Book::open(folder)
    }

    /// Opens the book of a folder and brings it up to date.
    ///
    /// # Errors
    /// If there is none, it is no book, or it is damaged or newer than this program; it is left as it is then.
    pub fn open(folder: &Path) -> Result<Book, BookError> {
        Book::open_as(folder, "pailbeat", |_| {})
    }

    /// As [`Book::open`]. `what`: what it is opened for, for others who wait meanwhile; `waits` hears who has the book when
    /// this one waits.
    ///
    /// # Errors
    /// As [`Book::open`].
    pub fn open_as(
        folder: &Path,
        what: &str,
        waits: impl Fn(&super::Holder) + Send + 'static,
    ) -> Result<Book, BookError> {
        let path = folder.join(FILE);
        if std::fs::symlink_metadata(&path).is_err() {
            return Err(BookError::Missing { path });
        }
        let (version, id) = head(&path)?;
        let newer = |found: usize| BookError::Newer { found, expected: MIGRATIONS.len() };
        if id != APPLICATION && !(id == 0 && is_early(&path, version)) {
            return Err(BookError::Foreign { path, why: "another program made it".into() });
        }
        if id == APPLICATION && version as usize > MIGRATIONS.len() {
            return Err(newer(version as usize));
        }
        if !can_write(&path) {
            return Book::read_only(&path, folder);
        }
        let mut db = Connection::open_with_flags(&path, plain_flags())?;
        db.busy_timeout(PATIENCE)?;
        // Until it is known to be whole not even closing it changes anything.
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true)?;
        let damaged = |why: String| BookError::Damaged { path: path.clone(), why };
        let found = layout(&db).map_err(|error| damaged(error.to_string()))?;
        if found > MIGRATIONS.len() {
            return Err(newer(found));
        }
        match fault(&db, found) {
            Ok(None) => {}
            Ok(Some(why)) => return Err(damaged(why)),
            Err(error) => return Err(damaged(error.to_string())),
        }
        db.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, false)?;
        settings(&db)?;
        let turns = Turns::of(folder, what, waits);
        let early = found < MIGRATIONS.len();
        if early {
            let _turn = turns.take()?;
            migrate(&mut db)?;
        }
        let book = Book { db, folder: folder.to_owned(), turns };
        if early {
            book.adopt()?;
        }
        book.finish_forgetting()?;
        Ok(book)
    }

    /// A book in memory, for tests.
    ///
    /// # Errors
    /// None in practice.
    pub fn in_memory() -> Result<Book, BookError> {
        let mut db = Connection::open_in_memory()?;
        settings(&db)?;
        migrate(&mut db)?;
        Ok(Book { db, folder: ".".into(), turns: Turns::nobody() })
    }

    /// A book that can only be read.
    fn read_only(path: &Path, folder: &Path) -> Result<Book, BookError> {
        let mut beside = path.as_os_str().to_owned();
        beside.push("-wal");
        if std::fs::metadata(&beside).is_ok_and(|m| m.len() > 0) {
            return Err(BookError::Refused {
                what: format!("`{}` was not closed properly and can only be read", files::Shown::shown(path)),
                hint: "copy the whole folder to where you may write, and open it there".into(),
            });
        }
        let db = as_it_stands(path)?;
        let found = layout(&db)?;
        if found < MIGRATIONS.len() {
            return Err(BookError::Refused {
                what: "the book is of an earlier pailbeat and can only be read where it lies".into(),
                hint: "copy the whole folder to where you may write, and open it there".into(),
            });
        }
        match fault(&db, found) {
            Ok(None) => Ok(Book { db, folder: folder.to_owned(), turns: Turns::read_only(folder) }),
            Ok(Some(why)) => Err(BookError::Damaged { path: path.into(), why }),
            Err(error) => Err(BookError::Damaged { path: path.into(), why: error.to_string() }),
        }
    }
}

/// A file name is a name and no address.
pub(super) fn plain_flags() -> OpenFlags {
    OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(folder: &Path) -> String {
        match Book::open(folder) {
            Ok(_) => "open".into(),
            Err(error) => error.to_string(),
        }
    }

    #[test]
    fn what_is_no_book_is_named_and_left_to_the_byte() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join(FILE);
        let other = |sql: &str| {
            let _ = std::fs::remove_file(&path);
            Connection::open(&path).unwrap().execute_batch(sql).unwrap();
            std::fs::read(&path).unwrap()
        };
        let cases: [(Vec<u8>, &str); 7] = [
            (Vec::new(), "it is empty"),
            (b"dear teacher".to_vec(), "it is no database"),
            (b"SQLite format 3\0".to_vec(), "it is no database"),
            (other("CREATE TABLE notes (x); PRAGMA user_version = 3"), "another program made it"),
            (other("CREATE TABLE settings (x); PRAGMA application_id = 7"), "another program made it"),
            (other("PRAGMA application_id = 1885432172; PRAGMA user_version = 99"), "newer pailbeat"),
            (
                other("PRAGMA application_id = 1885432172; PRAGMA user_version = 4; CREATE TABLE pupils (x)"),
                "is damaged",
            ),
        ];
        for (bytes, why) in cases {
            std::fs::write(&path, &bytes).unwrap();
            let told = said(place.path());
            assert!(told.contains(why), "{why}: {told}");
            assert!(Book::create(place.path()).is_err());
            assert!(std::fs::read(&path).unwrap() == bytes, "changed: {why}");
        }
    }

    #[test]
    fn a_book_with_a_flipped_byte_opens_whole_or_is_refused_and_never_panics() {
        let place = tempfile::tempdir().unwrap();
        {
            let book = Book::create(place.path()).unwrap();
            book.enrol([("3b", "Wren"), ("3b", "Jay")]).unwrap();
        }
        let path = place.path().join(FILE);
        let bytes = std::fs::read(&path).unwrap();
        // The head and the schema, where the damage is worst, and every so often of the rest; so many times as often where asked
        // (`scripts/test-keeping`).
        let times = std::env::var("PAILBEAT_BOOK_FLIPS").ok().and_then(|n| n.parse::<usize>().ok()).unwrap_or(1);
        let step = |at: usize| (if at < 8192 { 853_usize } else { 16_411 }).div_ceil(times.max(1));
        let flipped: Vec<usize> = (0..bytes.len()).filter(|at| at % step(*at) == 0).collect();
        assert!(flipped.len() > 10, "{}", flipped.len());
        for at in flipped {
            let mut other = bytes.clone();
            other[at] ^= 0x41;
            std::fs::write(&path, &other).unwrap();
            for beside in ["-wal", "-shm"] {
                let _ = std::fs::remove_file(place.path().join(format!("{FILE}{beside}")));
            }
            if let Ok(book) = Book::open(place.path()) {
                let out = tempfile::tempdir().unwrap();
                let _ = book.export(&out.path().join("out"));
                let _ = book.class_view("3b", 5);
                let _ = book.pupils(None);
            }
        }
    }

    #[test]
    fn pages_of_an_earlier_version_are_taken_over_and_what_the_teacher_put_there_is_not() {
        let place = tempfile::tempdir().unwrap();
        let pages = place.path().join("pages");
        std::fs::create_dir(&pages).unwrap();
        let db = Connection::open(place.path().join(FILE)).unwrap();
        for sql in &MIGRATIONS[..3] {
            db.execute_batch(sql).unwrap();
        }
        let rows = "INSERT INTO classes VALUES (1, '3b'); INSERT INTO pupils VALUES (1, 1, 'Wren'), (2, 1, 'Jay')";
        db.execute_batch(&format!("{rows}; PRAGMA user_version = 3")).unwrap();
        drop(db);
        let page =
            |says: &str| format!("{}<title>x</title></head><body>{says}</body></html>\n", crate::report::page::BEGINS);
        std::fs::write(pages.join("pupil-Wren.html"), page("Wren plays")).unwrap();
        std::fs::write(pages.join("pupil-Jay.html"), page("Jay: play with Wren")).unwrap();
        std::fs::write(pages.join("class-3b.html"), "my own notes on Wren").unwrap();
        let book = Book::open(place.path()).unwrap();
        let plan = book.forgetting("Wren").unwrap();
        assert_eq!((plan.counts(), plan.beside.as_slice()), ((0, 1, 1), &[pages.join("class-3b.html")][..]));
        book.forget(&plan, 5).unwrap();
        assert!(!pages.join("pupil-Wren.html").exists());
        assert!(!std::fs::read_to_string(pages.join("pupil-Jay.html")).unwrap().contains("Wren"));
        assert_eq!(std::fs::read_to_string(pages.join("class-3b.html")).unwrap(), "my own notes on Wren");
        assert!(matches!(book.write_class_page("3b", 5), Err(BookError::Write(_))));
    }

    #[test]
    fn a_book_of_every_earlier_layout_is_taken_over() {
        for early in 1..MIGRATIONS.len() {
            let place = tempfile::tempdir().unwrap();
            let db = Connection::open(place.path().join(FILE)).unwrap();
            for sql in &MIGRATIONS[..early] {
                db.execute_batch(sql).unwrap();
            }
            db.execute_batch("INSERT INTO classes VALUES (1, '3b'); INSERT INTO pupils VALUES (1, 1, 'Wren')").unwrap();
            db.pragma_update(None, "user_version", early as i64).unwrap();
            drop(db);
            let book = Book::open(place.path()).unwrap();
            assert_eq!(book.pupil("wren").unwrap().nickname, "Wren");
            drop(book);
            assert_eq!(head(&place.path().join(FILE)).unwrap(), (MIGRATIONS.len() as u32, APPLICATION));
        }
    }
}
