//! Care: forgetting a pupil, keeping sound no longer than agreed, backup while in use, export.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::params;
use rusqlite::types::ValueRef;

use super::{Book, BookError};

/// Pages copied at a time by the backup, and the pause between, so that others get their turn.
const BACKUP_PAGES: i32 = 256;
const BACKUP_PAUSE: Duration = Duration::from_millis(2);
/// A day.
const DAY_S: i64 = 86_400;

/// What was taken out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Forgotten {
    /// Takes.
    pub takes: usize,
    /// Echo drills.
    pub drills: usize,
    /// Files of kept sound.
    pub sounds: usize,
    /// Pages that named the pupil.
    pub pages: usize,
}

fn file_error(path: &Path) -> impl FnOnce(std::io::Error) -> BookError + '_ {
    move |source| BookError::File { path: path.into(), source }
}

/// Takes a file away; one that is gone already is as good.
fn remove(path: &Path) -> Result<bool, BookError> {
    match std::fs::remove_file(path) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(false),
        Err(error) => Err(file_error(path)(error)),
    }
}

impl Book {
    /// Removes a pupil and everything of theirs: rows, free pages, journal, kept sound, pages that name them.
    ///
    /// # Errors
    /// If there is no such pupil, or a file cannot be removed; asked again it goes on.
    pub fn forget(&self, nickname: &str) -> Result<Forgotten, BookError> {
        let pupil = self.pupil(nickname)?;
        let mut gone = Forgotten::default();
        let mut sounds: Vec<String> = self
            .db
            .prepare("SELECT sound FROM takes WHERE pupil = ?1 AND sound IS NOT NULL")?
            .query_map([pupil.id], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        // Recordings that wait and are likely theirs, and whatever bears their name. A call of a drill may be named like a
        // pupil: the drill's text says nothing, whom its card names stands beside it.
        let from = "CASE WHEN json_valid(origin) THEN json_remove(origin, '$.drill') ELSE origin END";
        let like = format!(
            "(pupil = ?1 OR sender IN (SELECT sender FROM senders WHERE pupil = ?1)
                     OR instr(lower(file || ' ' || sender || ' ' || why || ' ' || {from}), lower(?2)) > 0
                     OR instr(lower({from}), lower(?3)) > 0)"
        );
        // As JSON writes it, where it has a quotation mark in it.
        let quoted = serde_json::Value::from(pupil.nickname.as_str()).to_string();
        let quoted = quoted.strip_prefix('"').and_then(|q| q.strip_suffix('"')).unwrap_or(&quoted);
        let waiting: Vec<String> = self
            .db
            .prepare(&format!("SELECT sound FROM waiting WHERE {like}"))?
            .query_map(params![pupil.id, pupil.nickname, quoted], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        sounds.extend(waiting);
        // Files first: a row without its sound is found again, sound without a row is not.
        for sound in &sounds {
            gone.sounds += usize::from(remove(&self.folder.join("sound").join(sound))?);
        }
        gone.pages = self.remove_pages(&pupil.nickname)?;
        self.savepoint(|| {
            self.db.execute(&format!("DELETE FROM waiting WHERE {like}"), params![pupil.id, pupil.nickname, quoted])?;
            let count =
                self.db.query_row("SELECT count(*) FROM takes WHERE pupil = ?1", [pupil.id], |r| r.get::<_, i64>(0))?;
            gone.takes = count.max(0) as usize;
            gone.drills = self.n_drills(pupil.id)?;
            // A note on another's take, or another's file, may bear the name.
            for (table, text) in [("corrections", "note"), ("takes", "file"), ("copies", "file"), ("drills", "file")] {
                let sql = format!("UPDATE {table} SET {text} = '' WHERE instr(lower({text}), lower(?1)) > 0");
                self.db.execute(&sql, [&pupil.nickname])?;
            }
            self.db.execute("DELETE FROM pupils WHERE id = ?1", [pupil.id])?;
            Ok(())
        })?;
        self.scrub()?;
        Ok(gone)
    }

    /// Leaves nothing of what was deleted: not in free pages, not in the journal.
    fn scrub(&self) -> Result<(), BookError> {
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

    /// Removes the pages that name somebody.
    fn remove_pages(&self, nickname: &str) -> Result<usize, BookError> {
        let shown = crate::report::page::shown_name(nickname);
        let folder = self.folder.join("pages");
        let mut gone = 0;
        for entry in walkdir::WalkDir::new(&folder).into_iter().filter_map(Result::ok) {
            if !entry.file_type().is_file() {
                continue;
            }
            let bytes = std::fs::read(entry.path()).map_err(file_error(entry.path()))?;
            let has = |name: &str| {
                !name.is_empty() && bytes.windows(name.len()).any(|w| w.eq_ignore_ascii_case(name.as_bytes()))
            };
            let named = entry.file_name().to_string_lossy().to_lowercase().contains(&nickname.to_lowercase());
            if named || has(&shown) || has(nickname) {
                gone += usize::from(remove(entry.path())?);
            }
        }
        Ok(gone)
    }

    /// Removes kept sound that is older than the book allows, and what a killed program left; says how many files.
    ///
    /// # Errors
    /// If a file cannot be removed.
    pub fn tidy(&self, now_s: i64) -> Result<usize, BookError> {
        let days = self.keep_sound_days()?;
        let old = now_s - days * DAY_S;
        let mut gone = 0;
        let due: Vec<String> = self
            .db
            .prepare("SELECT sound FROM takes WHERE sound IS NOT NULL AND taken_s < ?1")?
            .query_map([old], |r| r.get(0))?
            .collect::<Result<_, _>>()?;
        for sound in &due {
            gone += usize::from(remove(&self.folder.join("sound").join(sound))?);
            self.db.execute("UPDATE takes SET sound = NULL WHERE sound = ?1", [sound])?;
        }
        let folder = self.folder.join("sound");
        for entry in walkdir::WalkDir::new(&folder).max_depth(1).into_iter().filter_map(Result::ok) {
            let name = entry.file_name().to_string_lossy().into_owned();
            if entry.file_type().is_file() && !self.knows_sound(&name)? {
                gone += usize::from(remove(entry.path())?);
            }
        }
        self.scrub()?;
        Ok(gone)
    }

    fn knows_sound(&self, name: &str) -> Result<bool, BookError> {
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
        let sql = "INSERT INTO settings VALUES ('keep_sound_days', ?1) ON CONFLICT (name) DO UPDATE SET value = excluded.value";
        self.db.execute(sql, [days.to_string()])?;
        Ok(())
    }

    /// A whole copy of the book, made while others may write to it.
    ///
    /// # Errors
    /// If `to` exists or cannot be written.
    pub fn backup(&self, to: &Path) -> Result<(), BookError> {
        if to.exists() {
            return Err(BookError::Refused {
                what: format!("`{}` is there already, and a backup overwrites nothing", to.display()),
                hint: "name a new file, with the day in it".into(),
            });
        }
        let mut beside = to.as_os_str().to_owned();
        beside.push(".part");
        let beside = PathBuf::from(beside);
        remove(&beside)?;
        {
            let mut copy = rusqlite::Connection::open(&beside)?;
            rusqlite::backup::Backup::new(&self.db, &mut copy)?.run_to_completion(BACKUP_PAGES, BACKUP_PAUSE, None)?;
            copy.pragma_update(None, "journal_mode", "DELETE")?;
        }
        std::fs::rename(&beside, to).map_err(file_error(to))
    }

    /// Names of the tables, for export.
    fn tables(&self) -> Result<Vec<String>, BookError> {
        let sql = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
        Ok(self.db.prepare(sql)?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Writes every table as `TABLE.csv` and `TABLE.json` into a folder. Bytes are written in hexadecimal. In CSV a cell
    /// that a spreadsheet would take for a formula begins with an apostrophe.
    ///
    /// # Errors
    /// If the folder cannot be written.
    pub fn export(&self, folder: &Path) -> Result<Vec<PathBuf>, BookError> {
        std::fs::create_dir_all(folder).map_err(file_error(folder))?;
        let mut written = Vec::new();
        for table in self.tables()? {
            let mut ask = self.db.prepare(&format!("SELECT * FROM \"{table}\""))?;
            let columns: Vec<String> = ask.column_names().map(str::to_owned).collect();
            let path = folder.join(format!("{table}.csv"));
            let mut out = csv::Writer::from_path(&path).map_err(|e| file_error(&path)(std::io::Error::other(e)))?;
            let beside = folder.join(format!("{table}.json"));
            let file = std::fs::File::create(&beside).map_err(file_error(&beside))?;
            let mut json = std::io::BufWriter::new(file);
            json.write_all(b"[").map_err(file_error(&beside))?;
            out.write_record(&columns).map_err(|e| file_error(&path)(std::io::Error::other(e)))?;
            let mut rows = ask.query([])?;
            let mut first = true;
            while let Some(row) = rows.next()? {
                let mut object = serde_json::Map::new();
                let mut cells = Vec::with_capacity(columns.len());
                for (k, column) in columns.iter().enumerate() {
                    let value = plain(row.get_ref(k)?);
                    cells.push(match &value {
                        serde_json::Value::Null => String::new(),
                        serde_json::Value::String(text) => harmless(text),
                        number => number.to_string(),
                    });
                    object.insert(column.clone(), value);
                }
                out.write_record(&cells).map_err(|e| file_error(&path)(std::io::Error::other(e)))?;
                let line = serde_json::Value::Object(object).to_string();
                write!(json, "{}\n{line}", if first { "" } else { "," }).map_err(file_error(&beside))?;
                first = false;
            }
            out.flush().map_err(file_error(&path))?;
            json.write_all(b"\n]\n").and_then(|()| json.flush()).map_err(file_error(&beside))?;
            written.extend([path, beside]);
        }
        Ok(written)
    }
}

fn plain(value: ValueRef) -> serde_json::Value {
    match value {
        ValueRef::Null => serde_json::Value::Null,
        ValueRef::Integer(n) => n.into(),
        ValueRef::Real(x) => x.into(),
        ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned().into(),
        ValueRef::Blob(bytes) => super::gather::hex(bytes).into(),
    }
}

/// A cell that no spreadsheet runs: formulas begin with one of these signs.
pub(super) fn harmless(text: &str) -> String {
    let starts = |c: char| matches!(c, '=' | '+' | '-' | '@' | '\t' | '\r' | '\n' | '|' | '%');
    if text.trim_start_matches(|c: char| c.is_whitespace() || c.is_control() || c == '\u{feff}').starts_with(starts)
        || text.starts_with(starts)
    {
        format!("'{text}")
    } else {
        text.to_owned()
    }
}
