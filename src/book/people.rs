//! Classes, roster, parts and their versions, assignments, a teacher's words.

use std::collections::HashMap;

use rusqlite::{OptionalExtension as _, params};
use sha2::{Digest as _, Sha256};

use super::{Book, BookError};
use crate::files::file_name;
use crate::names;
use crate::part::{Part, Timeline, parse};
use crate::units::Bpm;

/// Names longer than this are cut when shown; they are stored whole up to here, and refused beyond.
const LONGEST_NAME: usize = 5_000;

/// A pupil of the roster.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pupil {
    /// Row in the book.
    pub id: i64,
    /// Row of the class.
    pub class: i64,
    /// What the pupil is called here.
    pub nickname: String,
}

/// An assignment to be given.
#[derive(Clone, Debug)]
pub struct NewAssignment<'a> {
    /// The class.
    pub class: &'a str,
    /// Text of the part file.
    pub part_text: &'a str,
    /// Sections in order; the part's own form otherwise.
    pub form: Option<&'a str>,
    /// Tempo; where the part's range starts otherwise.
    pub bpm: Option<Bpm>,
    /// Since when, seconds since 1970.
    pub given_s: i64,
    /// By when.
    pub due_s: Option<i64>,
}

/// An assignment as it stands in the book.
#[derive(Clone, Debug)]
pub struct Assigned {
    /// Row in the book.
    pub id: i64,
    /// Title of the part.
    pub title: String,
    /// SHA-256 of the part's text.
    pub sha256: Vec<u8>,
    /// The part.
    pub part: Part,
    /// Sections in order.
    pub form: String,
    /// Tempo asked for.
    pub bpm: Bpm,
    /// Since when.
    pub given_s: i64,
    /// By when.
    pub due_s: Option<i64>,
}

impl Assigned {
    /// What is to be played.
    ///
    /// # Errors
    /// If the form no longer fits the part, which the book prevents.
    pub fn timeline(&self) -> Result<Timeline, BookError> {
        self.part.timeline(Some(&self.form), self.bpm).map_err(|_| BookError::Refused {
            what: format!("the form `{}` does not fit the part `{}`", self.form, self.title),
            hint: "give the assignment again with a form that names sections of the part".into(),
        })
    }
}

fn named(text: &str, what: &'static str) -> Result<String, BookError> {
    let text = names::normal(text);
    if text.is_empty() || text.len() > LONGEST_NAME {
        return Err(BookError::Refused {
            what: format!("a {what} needs a name of 1 to {LONGEST_NAME} letters"),
            hint: "a short nickname is best, as `Wren`".into(),
        });
    }
    Ok(text)
}

/// Of several spellings of a name in the book: the one written just so, else the first.
fn meant<'a, T>(rows: &'a [T], name: &str, of: impl Fn(&T) -> &str) -> Option<&'a T> {
    let (exact, key) = (names::normal(name), names::key(name));
    rows.iter().find(|row| of(row) == exact).or_else(|| rows.iter().find(|row| names::key(of(row)) == key))
}

impl Book {
    /// Adds pupils to a class, which is made where it is missing. Those already in it stay; one who is in another class
    /// moves with all takes. Says how many are new.
    ///
    /// # Errors
    /// For an empty name.
    pub fn enrol<'a>(&self, rows: impl IntoIterator<Item = (&'a str, &'a str)>) -> Result<usize, BookError> {
        self.savepoint(|| {
            let mut fresh = 0;
            let mut pupils: HashMap<String, i64> = HashMap::new();
            let mut classes: HashMap<String, i64> = HashMap::new();
            // Of several spellings in an early book the one written just so counts, else the first.
            let known = self.pupils(None)?;
            pupils.extend(known.iter().rev().map(|p| (names::key(&p.nickname), p.id)));
            pupils.extend(known.iter().map(|p| (p.nickname.clone(), p.id)));
            let known = self.named_classes()?;
            classes.extend(known.iter().rev().map(|(id, name)| (names::key(name), *id)));
            classes.extend(known.iter().map(|(id, name)| (name.clone(), *id)));
            for (class, nickname) in rows {
                let (class, nickname) = (named(class, "class")?, named(nickname, "pupil")?);
                let class = match classes.get(&class).or_else(|| classes.get(&names::key(&class))) {
                    Some(id) => *id,
                    None => {
                        self.db.prepare_cached("INSERT INTO classes (name) VALUES (?1)")?.execute([&class])?;
                        let id = self.db.last_insert_rowid();
                        classes.insert(names::key(&class), id);
                        id
                    }
                };
                match pupils.get(&nickname).or_else(|| pupils.get(&names::key(&nickname))) {
                    Some(id) => {
                        self.db.prepare_cached("UPDATE pupils SET class = ?1 WHERE id = ?2")?.execute([class, *id])?;
                    }
                    None => {
                        let sql = "INSERT INTO pupils (class, nickname) VALUES (?1, ?2)";
                        self.db.prepare_cached(sql)?.execute(params![class, nickname])?;
                        pupils.insert(names::key(&nickname), self.db.last_insert_rowid());
                        fresh += 1;
                    }
                }
            }
            Ok(fresh)
        })
    }

    /// Reads a roster: a CSV file with a column for the nickname and, unless `class` is given, one for the class.
    ///
    /// # Errors
    /// If it is no such file.
    pub fn enrol_csv(&self, text: &[u8], class: Option<&str>) -> Result<usize, BookError> {
        let refuse = |what: String| BookError::Refused {
            what,
            hint: "the first line names the columns, as `class,nickname`; or give the class with `--class`".into(),
        };
        let text = text.strip_prefix("\u{feff}".as_bytes()).unwrap_or(text);
        // A table saved where a comma is the decimal mark is parted by semicolons.
        let first = text.split(|b| *b == b'\n').next().unwrap_or_default();
        let delimiter = if first.contains(&b';') && !first.contains(&b',') { b';' } else { b',' };
        let mut reader = csv::ReaderBuilder::new().flexible(true).delimiter(delimiter).from_reader(text);
        let heads = reader.headers().map_err(|e| refuse(format!("the roster cannot be read: {e}")))?.clone();
        let column = |names: &[&str]| heads.iter().position(|h| names.iter().any(|n| h.trim().eq_ignore_ascii_case(n)));
        let nickname = column(&["nickname", "pupil", "name"])
            .ok_or_else(|| refuse("the roster has no column `nickname`".into()))?;
        let of = column(&["class", "group"]);
        if of.is_none() && class.is_none() {
            return Err(refuse("the roster has no column `class`".into()));
        }
        let mut rows = Vec::new();
        for (number, row) in reader.records().enumerate() {
            let row = row.map_err(|e| refuse(format!("line {} of the roster cannot be read: {e}", number + 2)))?;
            let name = row.get(nickname).unwrap_or_default().trim().to_owned();
            if name.is_empty() {
                continue;
            }
            let own = of.and_then(|c| row.get(c)).map(str::trim).filter(|c| !c.is_empty());
            let class =
                own.or(class).ok_or_else(|| refuse(format!("line {} of the roster has no class", number + 2)))?;
            rows.push((class.to_owned(), name));
        }
        self.enrol(rows.iter().map(|(c, n)| (c.as_str(), n.as_str())))
    }

    /// The class of that name; spelling and capitals do not matter unless two classes differ in nothing else.
    ///
    /// # Errors
    /// If there is none.
    pub fn class(&self, name: &str) -> Result<i64, BookError> {
        let all = self.named_classes()?;
        meant(&all, name, |c| &c.1).map(|c| c.0).ok_or_else(|| self.unknown("class", name))
    }

    fn named_classes(&self) -> Result<Vec<(i64, String)>, BookError> {
        let mut ask = self.db.prepare_cached("SELECT id, name FROM classes ORDER BY name COLLATE NOCASE")?;
        Ok(ask.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?)
    }

    /// Names of all classes, by name.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn classes(&self) -> Result<Vec<String>, BookError> {
        Ok(self.named_classes()?.into_iter().map(|c| c.1).collect())
    }

    /// The pupil of that nickname; spelling and capitals do not matter unless two pupils differ in nothing else.
    ///
    /// # Errors
    /// If there is none.
    pub fn pupil(&self, nickname: &str) -> Result<Pupil, BookError> {
        let all = self.pupils(None)?;
        meant(&all, nickname, |p| &p.nickname).cloned().ok_or_else(|| self.unknown("pupil", nickname))
    }

    /// The pupils of a class (of all without one), alphabetically.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn pupils(&self, class: Option<i64>) -> Result<Vec<Pupil>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT id, class, nickname FROM pupils WHERE ?1 IS NULL OR class = ?1 ORDER BY nickname COLLATE NOCASE",
        )?;
        let rows = ask.query_map([class], |r| Ok(Pupil { id: r.get(0)?, class: r.get(1)?, nickname: r.get(2)? }))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// What a pupil's pages are called: the nickname as far as a file's name can hold it, and a number where another pupil
    /// would have the same.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn page_name(&self, pupil: &Pupil) -> Result<String, BookError> {
        let plain = |name: &str| file_name(name).to_lowercase();
        let own = plain(&pupil.nickname);
        let mut ask = self.db.prepare_cached("SELECT nickname FROM pupils WHERE id <> ?1")?;
        let mut others = ask.query_map([pupil.id], |r| r.get::<_, String>(0))?;
        let shared = others.try_fold(false, |shared, other| other.map(|other| shared || plain(&other) == own))?;
        let name = file_name(&pupil.nickname);
        Ok(if shared { format!("{name}-{}", pupil.id) } else { name })
    }

    pub(super) fn unknown(&self, what: &'static str, name: &str) -> BookError {
        let sql = if what == "class" { "SELECT name FROM classes" } else { "SELECT nickname FROM pupils" };
        let names: Vec<String> =
            self.db.prepare(sql).and_then(|mut ask| ask.query_map([], |r| r.get(0))?.collect()).unwrap_or_default();
        let short: String = name.chars().take(60).collect();
        let near = names
            .into_iter()
            .filter(|n| n.chars().count() < 64)
            .map(|n| (strsim::damerau_levenshtein(&n.to_lowercase(), &short.to_lowercase()), n))
            .min()
            .filter(|(slips, n)| *slips <= 2 && *slips < n.chars().count());
        BookError::Unknown { what, name: short, near: near.map(|(_, n)| n) }
    }

    /// Gives a class an assignment; the part's text is kept as a version of its own.
    ///
    /// # Errors
    /// If the part or the form is wrong.
    pub fn assign(&self, new: &NewAssignment) -> Result<i64, BookError> {
        let class = self.class(new.class)?;
        let refuse =
            |what: String| BookError::Refused { what, hint: "`pailbeat check PART` shows what is wrong".into() };
        let part = parse(new.part_text).map_err(|e| refuse(format!("the part has {} faults", e.len())))?;
        let form = new.form.map_or_else(|| part.form.join(" "), |f| f.split_whitespace().collect::<Vec<_>>().join(" "));
        let bpm = new.bpm.unwrap_or(part.range.start);
        if part.timeline(Some(&form), bpm).is_err() {
            return Err(refuse(format!("the form `{form}` does not fit the part `{}`", part.title)));
        }
        let sha = Sha256::digest(new.part_text.as_bytes()).to_vec();
        self.savepoint(|| {
            self.db.execute(
                "INSERT INTO parts (title, sha256, text, added_s) VALUES (?1, ?2, ?3, ?4) ON CONFLICT DO NOTHING",
                params![part.title, sha, new.part_text, new.given_s],
            )?;
            self.db.execute(
                "INSERT INTO assignments (class, part, form, bpm, given_s, due_s)
                 SELECT ?1, id, ?3, ?4, ?5, ?6 FROM parts WHERE sha256 = ?2",
                params![class, sha, form, bpm.get(), new.given_s, new.due_s],
            )?;
            Ok(self.db.last_insert_rowid())
        })
    }

    /// The text of the part with this sum, in hexadecimal, if it was ever assigned.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn part_text(&self, sha256: &str) -> Result<Option<String>, BookError> {
        let sql = "SELECT text FROM parts WHERE lower(hex(sha256)) = lower(?1)";
        Ok(self.db.query_row(sql, [sha256], |r| r.get(0)).optional()?)
    }

    /// The assignments of a class, newest first.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn assignments(&self, class: i64) -> Result<Vec<Assigned>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT a.id, p.title, p.sha256, p.text, a.form, a.bpm, a.given_s, a.due_s
             FROM assignments a JOIN parts p ON p.id = a.part WHERE a.class = ?1 ORDER BY a.given_s DESC, a.id DESC",
        )?;
        let mut rows = ask.query([class])?;
        let mut out: Vec<Assigned> = Vec::new();
        while let Some(row) = rows.next()? {
            let sha256: Vec<u8> = row.get(2)?;
            let known = out.iter().find(|a| a.sha256 == sha256).map(|a| a.part.clone());
            let text = row.get_ref(3)?.as_str().map_err(rusqlite::Error::from)?;
            let Some(part) = known.or_else(|| parse(text).ok()) else { continue };
            out.push(Assigned {
                id: row.get(0)?,
                title: row.get(1)?,
                sha256,
                part,
                form: row.get(4)?,
                bpm: Bpm::clamped(row.get(5)?),
                given_s: row.get(6)?,
                due_s: row.get(7)?,
            });
        }
        Ok(out)
    }

    /// Keeps a teacher's word to a pupil.
    ///
    /// # Errors
    /// If there is no such pupil.
    pub fn say(&self, nickname: &str, text: &str, at_s: i64) -> Result<(), BookError> {
        let _turn = self.turn()?;
        let pupil = self.pupil(nickname)?;
        self.db.execute("INSERT INTO words (pupil, at_s, text) VALUES (?1, ?2, ?3)", params![pupil.id, at_s, text])?;
        Ok(())
    }
}
