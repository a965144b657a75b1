//! Recordings -> takes in the book: whose it is, what it is, whether it is there already.
//!
//! Who, in this order: take card, rules, file name, folder, sender, each only when it names exactly one pupil. What:
//! take card, rules, else by hearing: the take is held against every assigned part, and the part that tells it best is
//! the one, when it tells it well and clearly better than the next (see `hearing`). What stays doubtful is kept
//! on a list for the teacher, and is looked at anew when more is known: another pupil, assignment, rule, sender, ear. A
//! recording is known again by its bytes, and in another container by its sound. A take whose card says that it is
//! practice of some bars or of a join is no take of the whole: it is left out, and counted. A recording with the card or the
//! plan of a drill beside it is no take but that drill (see `drills`); the calls themselves, as `drill make` wrote them, are
//! nobody's answer and are passed over.
//!
//! Hearing runs on all cores; the book is written by one, in the order of the list, each take in one transaction, so
//! that a run that is killed and begun again ends as if it had not been.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::sync::mpsc;

use rayon::prelude::*;
use rusqlite::params;
use serde::Deserialize;
use sha2::{Digest as _, Sha256};

use super::distil::{self, Distilled};
use super::drills::{Drilled, Scored};
use super::hearing::{self, SAME_LENGTH_S, same_sound};
use super::known;
use super::settle::origin;
use super::sources::{self, Item};
use super::{Assigned, Book, BookError, Drawn, NewTake, Pupil};
use crate::assess::Assessment;
use crate::chain::FEW;
use crate::report::page;
use crate::take::Card;
use crate::units::Seconds;

/// The ear that this program hears with: its version, and the beginning of the hash of its fitted numbers.
pub fn ear() -> String {
    let mut hash = Sha256::new();
    hash.update(crate::onset::weights());
    hash.update(include_bytes!("../../assets/surface.json"));
    format!("{}-{}", env!("CARGO_PKG_VERSION"), hex(&hash.finalize()[..4]))
}

/// Bytes in hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// The rules file: a list of words to look for in the place of a recording, and what they mean.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Rules {
    /// In order; the first that fits counts.
    #[serde(default)]
    rule: Vec<Rule>,
}

#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Rule {
    /// Stands somewhere in folder, file name, sender or subject; capitals do not matter.
    contains: String,
    pupil: Option<String>,
    part: Option<String>,
}

impl Rules {
    /// Reads a rules file.
    ///
    /// # Errors
    /// If it is none.
    pub fn parse(text: &str) -> Result<Rules, BookError> {
        toml::from_str(text).map_err(|e| BookError::Refused {
            what: format!("the rules cannot be read: {}", e.message()),
            hint: "write each as `[[rule]]` with `contains = \"IMG_77\"` and `pupil = \"Wren\"` or `part = \"Lantern Parade\"`"
                .into(),
        })
    }
}

/// What became of a recording.
#[derive(Clone, Debug, PartialEq)]
pub enum Outcome {
    /// Now in the book.
    Added {
        /// Row of the take.
        take: i64,
        /// Whose.
        pupil: String,
        /// Title of the part.
        part: String,
    },
    /// In the book already, from these bytes.
    Known,
    /// In the book already, from another file: its name.
    Copy(String),
    /// Practice of a stretch, by its card: which. It is not kept.
    Practice(String),
    /// A drill, now in the book.
    Drill {
        /// Whose.
        pupil: String,
        /// Its title.
        title: String,
        /// Rounds that were right.
        right: usize,
        /// Rounds counted.
        rounds: usize,
    },
    /// No take and no drill: what it is. It is not kept.
    NoTake(&'static str),
    /// On the list for the teacher: its number, and why.
    Doubtful(i64, String),
    /// Could not be used, and why.
    Bad(String),
}

/// What is known of pupils and assignments while gathering.
pub(super) struct Facts {
    pub(super) pupils: Vec<Pupil>,
    pub(super) assigned: HashMap<i64, Vec<Assigned>>,
    pub(super) rules: Rules,
    pub(super) senders: HashMap<String, i64>,
    /// Changes when any of the above does, or the ear.
    pub(super) stamp: Vec<u8>,
}

/// A recording as heard, on its way into the book.
pub(super) enum Heard {
    Known,
    Practice(String),
    /// Still waits, and nothing more is known than when it was last looked at.
    Waits(Vec<u8>),
    Bad(String),
    Take(Box<Work>),
    Drill(Box<Drilled>),
    /// No take and no drill; the hash of the bytes, and what it is.
    NoTake(Vec<u8>, &'static str),
}

pub(super) struct Work {
    pub(super) sha: Vec<u8>,
    pub(super) bytes: Vec<u8>,
    pub(super) print: Vec<u8>,
    pub(super) length: Seconds,
    /// How the pupil's surfaces sound, packed.
    pub(super) known: Vec<u8>,
    /// What was known when it was heard.
    pub(super) looked: String,
    pub(super) found: Result<Sure, (Option<i64>, String)>,
}

pub(super) struct Sure {
    pub(super) pupil: Pupil,
    pub(super) assigned: Assigned,
    pub(super) distilled: Distilled,
    pub(super) drawn: Option<Drawn>,
}

/// Lower-case words of letters and digits; a change from letters to digits parts words too (`wren3`).
fn words(text: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut last = ' ';
    for c in text.chars().flat_map(char::to_lowercase) {
        if c.is_alphanumeric() {
            let joined = last.is_alphanumeric() && last.is_numeric() == c.is_numeric();
            match out.last_mut() {
                Some(word) if joined => word.push(c),
                _ => out.push(c.into()),
            }
        }
        last = c;
    }
    out
}

/// Whether the words of `name` stand in `text` in a row.
fn names(text: &[String], name: &str) -> bool {
    let name = words(name);
    !name.is_empty() && text.windows(name.len()).any(|w| w == name)
}

impl Facts {
    /// The one pupil that a text names; the longest name counts (`Sand Martin` over `Martin`).
    fn named(&self, text: &str) -> Option<&Pupil> {
        let text = words(text);
        let found: Vec<&Pupil> = self.pupils.iter().filter(|p| names(&text, &p.nickname)).collect();
        let longest = found.iter().map(|p| words(&p.nickname).len()).max()?;
        let mut best = found.into_iter().filter(|p| words(&p.nickname).len() == longest);
        best.next().filter(|_| best.next().is_none())
    }

    fn rule(&self, item: &Item) -> Option<&Rule> {
        let place = format!("{}/{} {} {}", item.folders.join("/"), item.name, item.sender, item.subject).to_lowercase();
        self.rules.rule.iter().find(|r| !r.contains.is_empty() && place.contains(&r.contains.to_lowercase()))
    }

    fn exactly(&self, nickname: &str) -> Option<&Pupil> {
        let same = |p: &&Pupil| p.nickname.to_lowercase() == nickname.trim().to_lowercase();
        self.pupils.iter().find(same)
    }

    pub(super) fn whose(&self, item: &Item) -> Option<&Pupil> {
        let card = item.card.as_ref().and_then(|c| c.pupil.as_deref()).and_then(|n| self.exactly(n));
        card.or_else(|| self.rule(item).and_then(|r| r.pupil.as_deref()).and_then(|n| self.exactly(n)))
            .or_else(|| self.named(&item.name))
            .or_else(|| item.folders.iter().rev().find_map(|f| self.named(f)))
            .or_else(|| self.named(&item.subject))
            .or_else(|| self.senders.get(&sender(item)).and_then(|id| self.pupils.iter().find(|p| p.id == *id)))
    }

    /// The assignments of a class a recording may be of, the newest of each form and tempo.
    pub(super) fn plausible(&self, class: i64, item: &Item) -> Vec<&Assigned> {
        let all = self.assigned.get(&class).map(Vec::as_slice).unwrap_or_default();
        let card = item.card.clone().unwrap_or_default();
        let rule = self.rule(item).and_then(|r| r.part.clone());
        let titled = |title: &str| -> Vec<&Assigned> {
            all.iter().filter(|a| a.title.to_lowercase() == title.trim().to_lowercase()).collect()
        };
        let hashed: Vec<&Assigned> = all
            .iter()
            .filter(|a| card.part.sha256.as_ref().is_some_and(|h| h.eq_ignore_ascii_case(&hex(&a.sha256))))
            .collect();
        let mut said = if !hashed.is_empty() {
            hashed
        } else {
            let by_card = card.part.title.as_deref().map(titled).unwrap_or_default();
            let by_rule = if by_card.is_empty() { rule.as_deref().map(titled).unwrap_or_default() } else { by_card };
            if by_rule.is_empty() { all.iter().collect() } else { by_rule }
        };
        // A card that says form or tempo points at the assignment that asked for them.
        let fits = |a: &&Assigned| {
            card.asked.form().is_none_or(|f| f.split_whitespace().eq(a.form.split_whitespace()))
                && card.asked.bpm().is_none_or(|bpm| (bpm - a.bpm.get()).abs() < 0.5)
        };
        if said.iter().any(fits) {
            said.retain(fits);
        }
        // Of the same part, the newest assignment that was given by then.
        let by_then = |a: &Assigned| item.taken_s.is_none_or(|t| a.given_s <= t);
        let mut out: Vec<&Assigned> = Vec::new();
        for a in said {
            match out.iter_mut().find(|o| o.title == a.title) {
                None => out.push(a),
                Some(old) if !by_then(old) && by_then(a) => *old = a,
                Some(_) => {}
            }
        }
        out
    }
}

/// What the sound of a recording is called in the book.
fn sound_name(item: &Item, sha: &[u8]) -> String {
    format!("{}.{}", hex(sha), item.ending())
}

/// What a recording is remembered by when the teacher has said whose it is: the address it was sent from, or the folder
/// it lies in.
fn sender(item: &Item) -> String {
    if item.sender.is_empty() { item.folders.join("/") } else { item.sender.clone() }
}

impl Facts {
    fn place(&self, item: &Item, heard: &hearing::Listened, bytes: &[u8]) -> Result<Sure, (Option<i64>, String)> {
        let Some(pupil) = self.whose(item) else { return Err((None, "whose is it?".into())) };
        let parts = self.plausible(pupil.class, item);
        let card = item.card.as_ref().is_some_and(|c: &Card| c.part.title.is_some() || c.part.sha256.is_some());
        let told = card || self.rule(item).is_some_and(|r| r.part.is_some());
        let (k, assessment) = heard.which(item, bytes, &parts, told).map_err(|why| (Some(pupil.id), why))?;
        let assigned = parts.get(k).map(|a| (*a).clone());
        let assigned = assigned.ok_or((Some(pupil.id), "nothing was assigned to the class".to_owned()))?;
        Ok(sure(pupil, assigned, &assessment))
    }
}

pub(super) fn sure(pupil: &Pupil, assigned: Assigned, assessment: &Assessment) -> Sure {
    Sure { pupil: pupil.clone(), assigned, distilled: distil::distil(assessment), drawn: drawn(assessment) }
}

/// What the pupil's pages show of a take; nothing where it cannot be drawn.
pub(super) fn drawn(assessment: &Assessment) -> Option<Drawn> {
    Some(Drawn { chart: page::chart(assessment).ok()?, bars: page::bars(assessment).ok()? })
}

impl Book {
    pub(super) fn facts(&self, rules: Rules) -> Result<Facts, BookError> {
        let pupils = self.pupils(None)?;
        let mut assigned = HashMap::new();
        for class in pupils.iter().map(|p| p.class).collect::<BTreeSet<_>>() {
            assigned.insert(class, self.assignments(class)?);
        }
        let mut ask = self.db.prepare("SELECT sender, pupil FROM senders")?;
        let senders = ask.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?.collect::<Result<_, _>>()?;
        let mut facts = Facts { pupils, assigned, rules, senders, stamp: Vec::new() };
        facts.stamp = facts.stamped();
        Ok(facts)
    }

    /// Gathers recordings; `tell` hears of each in order, with its place in the list.
    ///
    /// # Errors
    /// If the book cannot be read or written. A recording that cannot be used is an [`Outcome::Bad`].
    pub fn gather(
        &self,
        items: &[Item],
        rules: Rules,
        mut tell: impl FnMut(usize, &Item, &Outcome),
    ) -> Result<(), BookError> {
        let facts = self.facts(rules)?;
        let ear = ear();
        self.gather_with(items, &facts, &ear, 0, &mut tell)?;
        // What waits from earlier, and lies in none of these places now.
        let waiting = self.to_look_at(&facts)?;
        self.gather_with(&waiting, &facts, &ear, items.len(), &mut tell)
    }

    fn gather_with(
        &self,
        items: &[Item],
        facts: &Facts,
        ear: &str,
        before: usize,
        tell: &mut impl FnMut(usize, &Item, &Outcome),
    ) -> Result<(), BookError> {
        let known = Known {
            settled: {
                let sql = "SELECT sha256 FROM takes UNION SELECT sha256 FROM copies UNION SELECT sha256 FROM set_aside
                           UNION SELECT sha256 FROM drills";
                self.db.prepare(sql)?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?
            },
            looked: self
                .db
                .prepare("SELECT sha256, looked FROM waiting")?
                .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
                .collect::<Result<_, _>>()?,
        };
        // A few recordings are heard ahead; more would only fill memory.
        let (send, receive) = mpsc::sync_channel::<(usize, Heard)>(8);
        let mut result = Ok(());
        std::thread::scope(|scope| {
            let known = &known;
            scope.spawn(move || {
                // The error means that nobody listens any more: then the rest is not heard.
                let _ = items
                    .par_iter()
                    .enumerate()
                    .with_max_len(1)
                    .try_for_each_with(send, |send, (k, item)| send.send((k, listen(item, facts, known))));
            });
            let mut early = BTreeMap::new();
            let mut next = 0;
            for (k, heard) in receive {
                early.insert(k, heard);
                while let (Some(heard), Some(item)) = (early.remove(&next), items.get(next)) {
                    match self.keep(item, heard, ear) {
                        Ok(outcome) => tell(before + next, item, &outcome),
                        Err(error) => {
                            result = Err(error);
                            return;
                        }
                    }
                    next += 1;
                }
            }
        });
        result
    }

    /// Whether a recording of these bytes is in the book and does not wait.
    pub(super) fn knows(&self, sha: &[u8]) -> Result<bool, BookError> {
        let sql =
            "SELECT EXISTS (SELECT 1 FROM takes WHERE sha256 = ?1) OR EXISTS (SELECT 1 FROM copies WHERE sha256 = ?1)
                   OR EXISTS (SELECT 1 FROM set_aside WHERE sha256 = ?1) OR EXISTS (SELECT 1 FROM drills WHERE sha256 = ?1)";
        Ok(self.db.prepare_cached(sql)?.query_row([sha], |r| r.get(0))?)
    }

    /// The take of the same sound.
    fn same(&self, print: &[u8], n: usize, length: Seconds) -> Result<Option<(i64, String)>, BookError> {
        if n < FEW {
            return Ok(None);
        }
        let mut ask = self.db.prepare_cached(
            "SELECT id, file, print FROM takes WHERE n_onsets BETWEEN ?1 AND ?2 AND length_s BETWEEN ?3 AND ?4 ORDER BY id",
        )?;
        let slack = (n / 20).max(1) as i64;
        let (n, length) = (n as i64, length.get());
        let mut rows = ask.query(params![n - slack, n + slack, length - SAME_LENGTH_S, length + SAME_LENGTH_S])?;
        while let Some(row) = rows.next()? {
            if same_sound(row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?, print) {
                return Ok(Some((row.get(0)?, row.get(1)?)));
            }
        }
        Ok(None)
    }

    pub(super) fn keep(&self, item: &Item, heard: Heard, ear: &str) -> Result<Outcome, BookError> {
        let work = match heard {
            Heard::Bad(why) => return Ok(Outcome::Bad(why)),
            Heard::Known => return Ok(Outcome::Known),
            Heard::Practice(what) => return Ok(Outcome::Practice(what)),
            Heard::Waits(sha) => {
                let row = self.waits(&sha)?;
                return Ok(row.map_or(Outcome::Known, |(number, why, _)| Outcome::Doubtful(number, why)));
            }
            Heard::Drill(drilled) => return self.keep_drill(item, *drilled),
            Heard::NoTake(sha, what) => {
                // An earlier program asked whose it is.
                self.no_longer_waits(&sha)?;
                return Ok(Outcome::NoTake(what));
            }
            Heard::Take(work) => work,
        };
        if self.knows(&work.sha)? {
            return Ok(Outcome::Known);
        }
        let n_onsets = work.print.len() / 2 + 1;
        if let Some((take, file)) = self.same(&work.print, n_onsets, work.length)? {
            return self.savepoint(|| {
                let sql = "INSERT INTO copies (sha256, take, file) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING";
                self.db.execute(sql, params![work.sha, take, item.place])?;
                self.db.execute("DELETE FROM waiting WHERE sha256 = ?1", [&work.sha])?;
                Ok(Outcome::Copy(file))
            });
        }
        match work.found {
            Ok(sure) => {
                let sound = sound_name(item, &work.sha);
                let keeps = self.keep_sound_days()? > 0;
                let taken_s = self.made_s(item, &work.sha)?;
                if keeps {
                    self.keep_sound(&sound, &work.bytes)?;
                }
                let take = NewTake {
                    pupil: sure.pupil.id,
                    assignment: sure.assigned.id,
                    sha256: work.sha,
                    print: work.print,
                    n_onsets,
                    file: item.place.clone(),
                    taken_s,
                    length: work.length,
                    sound: keeps.then_some(sound),
                    card: item.card.clone(),
                    known: work.known,
                };
                let stored = self.savepoint(|| {
                    self.db.execute("DELETE FROM waiting WHERE sha256 = ?1", [&take.sha256])?;
                    self.store(&take, &sure.assigned, ear, &sure.distilled, sure.drawn.as_ref(), super::now())
                })?;
                Ok(stored.map_or(Outcome::Known, |take| Outcome::Added {
                    take,
                    pupil: sure.pupil.nickname,
                    part: sure.assigned.title,
                }))
            }
            Err((pupil, why)) => {
                let number = self.wait(item, &work.sha, &work.bytes, &work.looked, (pupil, &why))?;
                let sql = "UPDATE waiting SET known = ?2 WHERE id = ?1";
                self.db.prepare_cached(sql)?.execute(params![number, work.known])?;
                Ok(Outcome::Doubtful(number, why))
            }
        }
    }

    /// Puts a recording on the list for the teacher; its number there. `asked`: whose it may be, and what is not known.
    pub(super) fn wait(
        &self,
        item: &Item,
        sha: &[u8],
        bytes: &[u8],
        looked: &str,
        asked: (Option<i64>, &str),
    ) -> Result<i64, BookError> {
        let sound = sound_name(item, sha);
        let taken_s = self.made_s(item, sha)?;
        self.keep_sound(&sound, bytes)?;
        let (pupil, why) = asked;
        Ok(self.db.query_row(
            "INSERT INTO waiting (sha256, file, sound, sender, why, pupil, taken_s, origin, looked)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)
             ON CONFLICT (sha256) DO UPDATE SET file = excluded.file, sender = excluded.sender, why = excluded.why,
                 pupil = excluded.pupil, origin = excluded.origin, looked = excluded.looked
             RETURNING id",
            params![sha, item.place, sound, sender(item), why, pupil, taken_s, origin(item), looked],
            |r| r.get(0),
        )?)
    }

    /// When a recording was made: as far as it is known, else as it was when it was put on the list, else now.
    pub(super) fn made_s(&self, item: &Item, sha: &[u8]) -> Result<i64, BookError> {
        Ok(item.taken_s.or(self.waits(sha)?.map(|w| w.2)).unwrap_or_else(super::now))
    }

    /// Writes sound beside its place first, then moves it there: a killed program leaves no half of it.
    fn keep_sound(&self, name: &str, bytes: &[u8]) -> Result<(), BookError> {
        let path = self.folder.join("sound").join(name);
        let beside = self.folder.join("sound").join(format!("{name}.part"));
        std::fs::create_dir_all(self.folder.join("sound"))
            .and_then(|()| std::fs::write(&beside, bytes))
            .and_then(|()| std::fs::rename(&beside, &path))
            .map_err(|source| BookError::File { path, source })
    }
}

/// What the book holds before gathering, by the hash of the bytes.
struct Known {
    settled: HashSet<Vec<u8>>,
    /// Waiting recordings, with the stamp of what was known when they were last looked at.
    looked: HashMap<Vec<u8>, String>,
}

fn listen(item: &Item, facts: &Facts, known: &Known) -> Heard {
    let bytes = match item.read() {
        Ok(bytes) => bytes,
        Err(error) => return Heard::Bad(error.to_string()),
    };
    let sha = Sha256::digest(&bytes).to_vec();
    if known.settled.contains(&sha) {
        return Heard::Known;
    }
    let looked = facts.stamp_for(&origin(item));
    if known.looked.get(&sha) == Some(&looked) {
        return Heard::Waits(sha);
    }
    if let Some(what) = sources::no_take(item, &bytes) {
        return Heard::NoTake(sha, what);
    }
    if let Some(card) = &item.drill {
        return match Scored::of(item, &bytes, card) {
            Ok(scored) => {
                let pupil = facts.whose(item).cloned();
                Heard::Drill(Box::new(Drilled { scored, pupil, sha, bytes, looked }))
            }
            Err((why, way_out)) => Heard::Bad(format!("{why}; {way_out}")),
        };
    }
    if let Some(what) = item.card.as_ref().and_then(Card::practice) {
        return Heard::Practice(what);
    }
    match hearing::Listened::to(item, &bytes) {
        Err(error) => {
            let (why, way_out) = hearing::unheard(&error);
            Heard::Bad(format!("{why}; {way_out}"))
        }
        Ok(heard) => Heard::Take(Box::new(Work {
            known: known::pack(heard.known()),
            print: heard.print(),
            length: heard.length(),
            looked,
            found: facts.place(item, &heard, &bytes),
            sha,
            bytes,
        })),
    }
}
