//! Forgetting a pupil: what is theirs goes, what speaks of them is reworded, what cannot be told is shown and stays.
//!
//! Theirs is what the book's rows say is theirs, and a waiting recording that would be recognised as theirs (see
//! `gather`). In texts that belong to others (a teacher's word, a note, a file's name) the name is replaced by `…` where
//! its words stand, unless they may be another's. Nothing is decided by letters that merely look alike: see
//! [`crate::names`].
//!
//! A program that is killed meanwhile leaves a mark in the book, and the next that opens it leaves nothing of what was
//! deleted.

use std::path::{Path, PathBuf};

use rusqlite::params;

use super::facts::{ONLY_THE_TEACHER, Rules};
use super::pages::OthersPage;
use super::{Book, BookError, FILE, Pupil, turn};
use crate::files;
use crate::names::{Words, mentions};

/// Stands in a text where the name was.
const GONE: &str = "…";
/// Set while something may be left of what was deleted.
const UNFINISHED: &str = "forgetting";
/// Files beside the book are looked into so far; rosters, rules and notes are far smaller.
const LOOKED_INTO: u64 = 1 << 20;
/// So deep in the book's folder.
const DEPTH: usize = 6;
/// Texts about people or recordings, each with its table, its column, and what it is. Parts and drills are music: a pattern
/// may be called like a pupil.
const TEXTS: [(&str, &str, &str); 10] = [
    ("words", "text", "a teacher's word"),
    ("corrections", "note", "a note to a correction"),
    ("corrections", "who", "who made a correction"),
    ("takes", "file", "the name of a file"),
    ("copies", "file", "the name of a file"),
    ("drills", "file", "the name of a file"),
    ("senders", "sender", "a sender or folder"),
    ("waiting", "file", "the name of a file"),
    ("waiting", "sender", "a sender or folder"),
    ("waiting", "why", "why a recording waits"),
];
/// The same where the column is JSON: what is known of where a recording came from, and take cards.
const KNOWN: [(&str, &str, &str); 2] =
    [("waiting", "origin", "where a waiting recording came from"), ("takes", "card", "a take card")];
/// Entries of these that are music: the text of a drill, a round of it, which part was played, and what of it was asked for.
const MUSIC: [&str; 4] = ["drill", "rounds", "part", "asked"];

/// What forgetting a pupil would do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Forgetting {
    /// The pupil.
    pub pupil: Pupil,
    /// Takes.
    pub takes: usize,
    /// Echo drills.
    pub drills: usize,
    /// A teacher's words to them.
    pub words: usize,
    /// Waiting recordings that are theirs: number and file.
    pub waiting: Vec<(i64, String)>,
    /// Texts of others that name them, as they are and as they will be, and what each is.
    pub texts: Vec<Reworded>,
    /// What may be theirs and stays, in words.
    pub doubtful: Vec<String>,
    /// Files in the book's folder that name them and are not the book's: they stay.
    pub beside: Vec<PathBuf>,
    /// Numbers of waiting recordings that stay as they are, because it cannot be told whose they are.
    pub untouched: Vec<i64>,
    sounds: Vec<String>,
    pages: Vec<String>,
    others: Vec<OthersPage>,
}

/// A text that names the pupil.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reworded {
    /// What it is.
    pub what: &'static str,
    /// As it is.
    pub before: String,
    /// As it will be.
    pub after: String,
    table: &'static str,
    column: &'static str,
}

/// What was taken out.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Forgotten {
    /// Takes.
    pub takes: usize,
    /// Echo drills.
    pub drills: usize,
    /// Files of kept sound.
    pub sounds: usize,
    /// Pages of the pupil.
    pub pages: usize,
    /// Pages of others that named the pupil, made anew.
    pub anew: usize,
    /// Texts of others.
    pub texts: usize,
}

impl Forgetting {
    /// Files of sound, pages of the pupil, pages of others that are made anew.
    pub fn counts(&self) -> (usize, usize, usize) {
        (self.sounds.len(), self.pages.len(), self.others.len())
    }
}

/// What becomes of a text.
enum Text {
    Untouched,
    /// The name is in it and may be another's.
    Doubtful,
    Reworded(String),
}

/// The people of the roster, and which of them is to be forgotten.
struct Roster {
    people: Vec<Words>,
    who: usize,
}

impl Roster {
    fn reword(&self, text: &str) -> Text {
        let words = Words::of(text);
        if !self.people.get(self.who).is_some_and(|own| words.has(own)) {
            return Text::Untouched;
        }
        let (mut out, mut end, mut doubtful) = (String::new(), 0, false);
        for mention in mentions(&words, &self.people).iter().filter(|m| m.whom.contains(&self.who)) {
            if mention.whom.len() > 1 {
                doubtful = true;
                continue;
            }
            out.push_str(words.text().get(end..mention.span.start).unwrap_or_default());
            out.push_str(GONE);
            end = mention.span.end;
        }
        out.push_str(words.text().get(end..).unwrap_or_default());
        match (end > 0, doubtful) {
            (true, _) => Text::Reworded(out),
            (false, true) => Text::Doubtful,
            (false, false) => Text::Untouched,
        }
    }

    /// The same for every text in JSON that is not music. A text that is JSON itself, as the card of a drill is, is looked
    /// through too.
    fn reword_json(&self, json: &str) -> Text {
        let Ok(mut known) = serde_json::from_str::<serde_json::Value>(json) else { return self.reword(json) };
        let (mut changed, mut doubtful) = (false, false);
        let mut all: Vec<&mut serde_json::Value> = vec![&mut known];
        while let Some(value) = all.pop() {
            match value {
                serde_json::Value::String(text) => {
                    let inside = text.trim_start().starts_with('{');
                    match if inside { self.reword_json(text) } else { self.reword(text) } {
                        Text::Reworded(other) => (*text, changed) = (other, true),
                        Text::Doubtful => doubtful = true,
                        Text::Untouched => {}
                    }
                }
                serde_json::Value::Array(items) => all.extend(items),
                serde_json::Value::Object(map) => {
                    let music = |key: &str, value: &serde_json::Value| {
                        // The card of a drill is kept as text under the name of the drill in it.
                        let card = value.as_str().is_some_and(|text| text.trim_start().starts_with('{'));
                        MUSIC.contains(&key) && !card
                    };
                    all.extend(map.iter_mut().filter(|(k, v)| !music(k, v)).map(|(_, v)| v));
                }
                _ => {}
            }
        }
        match (changed, doubtful) {
            (true, _) => Text::Reworded(known.to_string()),
            (false, true) => Text::Doubtful,
            (false, false) => Text::Untouched,
        }
    }
}

impl Book {
    /// What forgetting a pupil would do; nothing is changed.
    ///
    /// # Errors
    /// If there is no such pupil.
    pub fn forgetting(&self, nickname: &str) -> Result<Forgetting, BookError> {
        let pupil = self.pupil(nickname)?;
        let all = self.pupils(None)?;
        let who = all.iter().position(|p| p.id == pupil.id).unwrap_or(usize::MAX);
        let roster = Roster { people: all.iter().map(|p| Words::of(&p.nickname)).collect(), who };
        let count = |table: &str| -> Result<usize, BookError> {
            let sql = format!("SELECT count(*) FROM {table} WHERE pupil = ?1");
            Ok(self.db.query_row(&sql, [pupil.id], |r| r.get::<_, i64>(0))?.max(0) as usize)
        };
        let (takes, drills, words) = (count("takes")?, count("drills")?, count("words")?);
        let (pages, others) = self.pages_naming(&pupil)?;
        let mut plan = Forgetting {
            takes,
            drills,
            words,
            waiting: Vec::new(),
            texts: Vec::new(),
            doubtful: Vec::new(),
            beside: Vec::new(),
            untouched: Vec::new(),
            sounds: self.column("SELECT sound FROM takes WHERE pupil = ?1 AND sound IS NOT NULL", &pupil)?,
            pages,
            others,
            pupil,
        };
        self.of_waiting(&mut plan, &roster)?;
        self.of_texts(&mut plan, &roster)?;
        let named = self.classes()?.into_iter().filter(|class| !matches!(roster.reword(class), Text::Untouched));
        plan.doubtful.extend(named.map(|class| format!("the name of the class {class}")));
        plan.beside = self.of_files(&plan, &roster);
        Ok(plan)
    }

    fn column(&self, sql: &str, pupil: &Pupil) -> Result<Vec<String>, BookError> {
        Ok(self.db.prepare(sql)?.query_map([pupil.id], |r| r.get(0))?.collect::<Result<_, _>>()?)
    }

    /// Which waiting recordings are theirs, and of which it cannot be told.
    fn of_waiting(&self, plan: &mut Forgetting, roster: &Roster) -> Result<(), BookError> {
        let facts = self.facts(Rules::default())?;
        for row in self.all_waiting()? {
            let found = row.item.as_ref().and_then(|item| facts.whose(item)).map(|p| p.id);
            if row.pupil.or(found) == Some(plan.pupil.id) {
                plan.waiting.push((row.number, row.file));
                plan.sounds.push(row.sound);
                continue;
            }
            let named = [roster.reword(&row.file), roster.reword(&row.sender), roster.reword_json(&row.origin)];
            if row.pupil.or(found).is_none() && named.iter().any(|t| !matches!(t, Text::Untouched)) {
                let where_named = match named.first() {
                    Some(Text::Untouched) => ", named where it came from",
                    _ => "",
                };
                plan.doubtful.push(format!("recording {} of those that wait: {}{where_named}", row.number, row.file));
                plan.untouched.push(row.number);
            }
        }
        Ok(())
    }

    /// Which texts of others name them.
    fn of_texts(&self, plan: &mut Forgetting, roster: &Roster) -> Result<(), BookError> {
        let own = |table: &str| match table {
            "words" | "takes" | "drills" | "senders" => "WHERE pupil IS NOT ?1",
            "corrections" | "copies" => "WHERE take NOT IN (SELECT id FROM takes WHERE pupil = ?1)",
            _ => "WHERE ?1 IS NOT NULL",
        };
        let not = plan.untouched.iter().chain(plan.waiting.iter().map(|w| &w.0));
        let not = not.map(i64::to_string).collect::<Vec<_>>().join(",");
        for (table, column, what) in TEXTS.into_iter().chain(KNOWN) {
            let others = if table == "waiting" { format!("AND id NOT IN ({not})") } else { String::new() };
            let others = format!("{others} AND {column} IS NOT NULL");
            let sql = format!("SELECT DISTINCT {column} FROM {table} {} {others} ORDER BY 1", own(table));
            for before in self.column(&sql, &plan.pupil)? {
                let json = KNOWN.iter().any(|known| (known.0, known.1) == (table, column));
                let text = if json { roster.reword_json(&before) } else { roster.reword(&before) };
                match text {
                    Text::Untouched => {}
                    Text::Doubtful => plan.doubtful.push(format!("{what}: {before}")),
                    Text::Reworded(after) => plan.texts.push(Reworded { what, before, after, table, column }),
                }
            }
        }
        Ok(())
    }

    /// Files in the book's folder that name them and that the book did not make, or not as they are.
    fn of_files(&self, plan: &Forgetting, roster: &Roster) -> Vec<PathBuf> {
        let named = |text: &str| !matches!(roster.reword(text), Text::Untouched);
        let own: Vec<PathBuf> = (plan.pages.iter().chain(plan.others.iter().map(|o| &o.file)))
            .map(|file| self.folder.join("pages").join(file))
            .collect();
        let mut out = Vec::new();
        for entry in
            walkdir::WalkDir::new(&self.folder).max_depth(DEPTH).sort_by_file_name().into_iter().filter_map(Result::ok)
        {
            let name = entry.file_name().to_string_lossy();
            let books = name.starts_with(FILE) || name == turn::LOCK;
            if !entry.file_type().is_file() || books && entry.depth() == 1 || own.iter().any(|p| p == entry.path()) {
                continue;
            }
            if named(&name) || text_of(entry.path()).is_some_and(|text| named(&text)) {
                out.push(entry.into_path());
            }
        }
        out
    }

    /// Removes a pupil and everything of theirs: rows, free pages, journal, kept sound, pages; and the name from what is
    /// others'. `plan`: as [`Book::forgetting`] gave it; what has come since is reckoned with.
    ///
    /// # Errors
    /// If there is no such pupil any more, or a file cannot be removed; asked again it goes on.
    pub fn forget(&self, plan: &Forgetting, now_s: i64) -> Result<Forgotten, BookError> {
        let _turn = self.turn()?;
        let plan = self.forgetting(&plan.pupil.nickname)?;
        let mut gone =
            Forgotten { takes: plan.takes, drills: plan.drills, texts: plan.texts.len(), ..Forgotten::default() };
        // Files first: a row without its sound is found again, sound without a row is not.
        for sound in &plan.sounds {
            gone.sounds += usize::from(self.remove_sound_file(sound)?);
        }
        for page in &plan.pages {
            gone.pages += usize::from(self.remove_page(page)?);
        }
        for page in &plan.others {
            self.remove_page(&page.file)?;
        }
        self.savepoint(|| {
            self.set(UNFINISHED, "1")?;
            for (number, _) in &plan.waiting {
                self.db.execute("DELETE FROM waiting WHERE id = ?1", [number])?;
            }
            for number in &plan.untouched {
                let sql = "UPDATE waiting SET looked = ?1 WHERE id = ?2";
                self.db.execute(sql, params![ONLY_THE_TEACHER, number])?;
            }
            for text in &plan.texts {
                self.reword(text, &plan)?;
            }
            for page in &plan.others {
                self.db.execute("DELETE FROM pages WHERE file = ?1", [&page.file])?;
            }
            self.db.execute("DELETE FROM pupils WHERE id = ?1", [plan.pupil.id])?;
            Ok(())
        })?;
        self.finish()?;
        for page in &plan.others {
            let made = match (&page.class, &page.nickname) {
                (Some(class), _) => self.write_class_page_alone(class, now_s).map(|_| ()),
                (_, Some(nickname)) => self.write_pupil_pages(nickname, now_s).map(|_| ()),
                _ => continue,
            };
            // A page is made anew whenever it is asked for; that it could not be now takes nothing back.
            gone.anew += usize::from(made.is_ok());
        }
        Ok(gone)
    }

    fn reword(&self, text: &Reworded, plan: &Forgetting) -> Result<(), BookError> {
        let Reworded { table, column, before, .. } = text;
        let mut after = text.after.clone();
        if *table == "senders" {
            // A sender is there once.
            let taken = |name: &str| -> rusqlite::Result<bool> {
                self.db.query_row("SELECT EXISTS (SELECT 1 FROM senders WHERE sender = ?1)", [name], |r| r.get(0))
            };
            while taken(&after)? {
                after.push_str(GONE);
            }
        }
        let not = plan.untouched.iter().map(i64::to_string).collect::<Vec<_>>().join(",");
        let others = if *table == "waiting" { format!("AND id NOT IN ({not})") } else { String::new() };
        let sql = format!("UPDATE {table} SET {column} = ?1 WHERE {column} = ?2 {others}");
        self.db.execute(&sql, params![after, before])?;
        Ok(())
    }

    /// Leaves nothing of what was deleted.
    fn finish(&self) -> Result<(), BookError> {
        let _turn = self.turn()?;
        self.sweep()?;
        self.scrub()?;
        self.db.execute("DELETE FROM settings WHERE name = ?1", [UNFINISHED])?;
        Ok(())
    }

    /// Goes on where a program was killed while it forgot somebody.
    pub(super) fn finish_forgetting(&self) -> Result<(), BookError> {
        if self.setting(UNFINISHED)?.is_some() {
            let _turn = self.turn()?;
            if self.setting(UNFINISHED)?.is_some() {
                // Who reads the book at the moment does not keep anybody from using it: the next goes on.
                let _ = self.finish();
            }
        }
        Ok(())
    }
}

/// A small file as text; what is no text has none.
fn text_of(path: &Path) -> Option<String> {
    let small = std::fs::metadata(path).is_ok_and(|m| m.len() <= LOOKED_INTO);
    small.then(|| files::read_text(path).ok()).flatten()
}
