//! Backup while in use, and every table as CSV and JSON.

use std::io::{Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::types::ValueRef;

use super::opening::plain_flags;
use super::{Book, BookError};
use crate::files::{self, Draft, Shown as _};

/// Pages copied at a time by the backup, and the pause between, so that others get their turn.
const BACKUP_PAGES: i32 = 256;
const BACKUP_PAUSE: Duration = Duration::from_millis(2);

fn file_error(path: &Path) -> impl Fn(std::io::Error) -> BookError + '_ {
    move |source| BookError::File { path: path.into(), source }
}

impl Book {
    /// A whole copy of the book, made while others may write to it.
    ///
    /// # Errors
    /// If `to` exists or cannot be written.
    pub fn backup(&self, to: &Path) -> Result<(), BookError> {
        let taken = || BookError::Refused {
            what: format!("`{}` is there already, and a backup overwrites nothing", to.shown()),
            hint: "name a new file, with the day in it".into(),
        };
        if std::fs::symlink_metadata(to).is_ok() {
            return Err(taken());
        }
        let mut draft = Draft::of(to).map_err(file_error(to))?;
        {
            let mut copy = rusqlite::Connection::open_with_flags(draft.path(), plain_flags())?;
            // Nothing is written beside the copy; what is left of one that was killed is one file.
            copy.execute_batch("PRAGMA journal_mode = MEMORY")?;
            rusqlite::backup::Backup::new(&self.db, &mut copy)?.run_to_completion(BACKUP_PAGES, BACKUP_PAUSE, None)?;
        }
        // The book is in WAL mode and the copy is not: bytes 18 and 19 of the head (SQLite file format, section 1.3.3) say so.
        let plain = draft.file().seek(SeekFrom::Start(18)).and_then(|_| draft.file().write_all(&[1, 1]));
        plain.map_err(file_error(to))?;
        draft.keep_new().map_err(|error| match error.kind() {
            std::io::ErrorKind::AlreadyExists => taken(),
            _ => file_error(to)(error),
        })
    }

    /// Names of the tables, for export.
    fn tables(&self) -> Result<Vec<String>, BookError> {
        let sql = "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%' ORDER BY name";
        Ok(self.db.prepare(sql)?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Writes every table as `TABLE.csv` and `TABLE.json` into a new folder. Bytes are written in hexadecimal. In CSV a cell
    /// that a spreadsheet would take for a formula begins with an apostrophe.
    ///
    /// # Errors
    /// If the folder is there and not empty, or cannot be written.
    pub fn export(&self, folder: &Path) -> Result<Vec<PathBuf>, BookError> {
        let taken = std::fs::read_dir(folder).is_ok_and(|mut all| all.next().is_some()) || folder.is_file();
        if taken {
            return Err(BookError::Refused {
                what: format!("`{}` is there already and not empty, and an export overwrites nothing", folder.shown()),
                hint: "name a new folder, with the day in it".into(),
            });
        }
        let mut written = Vec::new();
        let done = self.tables_to(folder, &mut written);
        if done.is_err() {
            // Half an export is none; what cannot be removed is whole files all the same.
            written.iter().for_each(|path| drop(std::fs::remove_file(path)));
            let _ = std::fs::remove_dir(folder);
        }
        done.map(|()| written)
    }

    fn tables_to(&self, folder: &Path, written: &mut Vec<PathBuf>) -> Result<(), BookError> {
        files::folder(folder).map_err(file_error(folder))?;
        // All tables as they are at one moment.
        let _whole = self.db.unchecked_transaction()?;
        for table in self.tables()? {
            let path = folder.join(format!("{table}.csv"));
            let beside = folder.join(format!("{table}.json"));
            let mut csv = Draft::of(&path).map_err(file_error(&path))?;
            let mut json = Draft::of(&beside).map_err(file_error(&beside))?;
            self.table(&table, csv.file(), json.file(), &path)?;
            csv.keep_new().map_err(file_error(&path))?;
            written.push(path);
            json.keep_new().map_err(file_error(&beside))?;
            written.push(beside);
        }
        Ok(())
    }

    fn table(
        &self,
        table: &str,
        csv: &mut std::fs::File,
        json: &mut std::fs::File,
        path: &Path,
    ) -> Result<(), BookError> {
        let io = file_error(path);
        let table_error = |e: csv::Error| io(std::io::Error::other(e));
        let mut ask = self.db.prepare(&format!("SELECT * FROM \"{table}\""))?;
        let columns: Vec<String> = ask.column_names().map(str::to_owned).collect();
        let mut out = csv::Writer::from_writer(csv);
        let mut json = std::io::BufWriter::new(json);
        json.write_all(b"[").map_err(&io)?;
        out.write_record(&columns).map_err(table_error)?;
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
            out.write_record(&cells).map_err(table_error)?;
            let line = serde_json::Value::Object(object).to_string();
            write!(json, "{}\n{line}", if first { "" } else { "," }).map_err(&io)?;
            first = false;
        }
        out.flush().map_err(&io)?;
        json.write_all(b"\n]\n").and_then(|()| json.flush()).map_err(&io)
    }
}

fn plain(value: ValueRef) -> serde_json::Value {
    match value {
        ValueRef::Null => serde_json::Value::Null,
        ValueRef::Integer(n) => n.into(),
        ValueRef::Real(x) => x.into(),
        ValueRef::Text(text) => String::from_utf8_lossy(text).into_owned().into(),
        ValueRef::Blob(bytes) => crate::files::hex(bytes).into(),
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
