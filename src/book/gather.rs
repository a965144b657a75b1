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
use std::io::{Seek as _, SeekFrom};
use std::sync::mpsc;

use rayon::prelude::*;
use serde::Deserialize;
use sha2::{Digest as _, Sha256};

use super::distil::{self, Distilled};
use super::drills::{Drilled, Scored};
use super::hearing;
use super::keeping::sender;
use super::known;
use super::settle::{ONLY_THE_TEACHER, origin};
use super::sources::{self, Item, Spool};
use super::{Assigned, Book, BookError, Drawn, Pupil, forms};
use crate::assess::Assessment;
use crate::files;
use crate::names::{Words, key, normal, same};
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
    /// Their names as words, in the same order.
    names: Vec<Words>,
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
    /// A take, or something that is asked about.
    Take(Box<Work>),
    Drill(Box<Drilled>),
    /// No take and no drill; the hash of the bytes, and what it is.
    NoTake(Vec<u8>, &'static str),
}

pub(super) struct Work {
    pub(super) sha: Vec<u8>,
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

impl Facts {
    /// The one pupil that a text names; the longest name counts (`Sand Martin` over `Martin`).
    fn named(&self, text: &str) -> Option<&Pupil> {
        let text = Words::of(text);
        let found: Vec<usize> =
            (0..self.names.len()).filter(|k| self.names.get(*k).is_some_and(|n| text.has(n))).collect();
        let long = |k: &usize| self.names.get(*k).map_or(0, Words::count);
        let longest = found.iter().map(long).max()?;
        let mut best = found.iter().filter(|k| long(k) == longest);
        let first = best.next().filter(|_| best.next().is_none())?;
        self.pupils.get(*first)
    }

    fn rule(&self, item: &Item) -> Option<&Rule> {
        let place = key(&format!("{}/{} {} {}", item.folders.join("/"), item.name, item.sender, item.subject));
        self.rules.rule.iter().find(|r| !r.contains.is_empty() && place.contains(&key(&r.contains)))
    }

    fn exactly(&self, nickname: &str) -> Option<&Pupil> {
        let exact = self.pupils.iter().find(|p| p.nickname == normal(nickname));
        exact.or_else(|| self.pupils.iter().find(|p| same(&p.nickname, nickname)))
    }

    pub(super) fn whose(&self, item: &Item) -> Option<&Pupil> {
        let card = item.card.as_ref().and_then(|c| c.pupil.as_deref()).and_then(|n| self.exactly(n));
        card.or_else(|| self.rule(item).and_then(|r| r.pupil.as_deref()).and_then(|n| self.exactly(n)))
            .or_else(|| self.named(&item.name))
            .or_else(|| item.folders.iter().rev().find_map(|f| self.named(f)))
            .or_else(|| self.named(&item.subject))
            .or_else(|| self.senders.get(&sender(item)).and_then(|id| self.pupils.iter().find(|p| p.id == *id)))
    }

    /// The assignments of a class a recording may be of: of each part the newest, unless nothing more is asked for.
    pub(super) fn plausible(&self, class: i64, item: &Item) -> Vec<&Assigned> {
        let said = self.said(class, item);
        forms::newest_of_each(&said, item.taken_s)
    }

    /// The assignments of a class that card or rule point at, else all of them, the newest first.
    pub(super) fn said(&self, class: i64, item: &Item) -> Vec<&Assigned> {
        let all = self.assigned.get(&class).map(Vec::as_slice).unwrap_or_default();
        let card = item.card.clone().unwrap_or_default();
        let rule = self.rule(item).and_then(|r| r.part.clone());
        let titled = |title: &str| -> Vec<&Assigned> { all.iter().filter(|a| same(&a.title, title)).collect() };
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
        said
    }
}

impl Facts {
    fn place(&self, item: &Item, heard: &hearing::Listened) -> Result<Sure, (Option<i64>, String)> {
        let Some(pupil) = self.whose(item) else { return Err((None, "whose is it?".into())) };
        let card = item.card.as_ref().is_some_and(|c: &Card| c.part.title.is_some() || c.part.sha256.is_some());
        let told = card || self.rule(item).is_some_and(|r| r.part.is_some());
        let (assigned, assessment) = self.which(item, heard, pupil, told).map_err(|why| (Some(pupil.id), why))?;
        Ok(sure(pupil, assigned, &assessment))
    }

    /// Of which assignment of a pupil's class a recording is: of which part, and of which of its forms.
    pub(super) fn which(
        &self,
        item: &Item,
        heard: &hearing::Listened,
        pupil: &Pupil,
        told: bool,
    ) -> Result<(Assigned, Assessment), String> {
        let parts = self.plausible(pupil.class, item);
        let (k, assessment) = heard.which(item, &parts, told)?;
        let first = *parts.get(k).ok_or("nothing was assigned to the class")?;
        let rivals = forms::rivals(&self.said(pupil.class, item), first, item.taken_s);
        let mut tried = vec![(first, assessment)];
        for rival in rivals {
            let (_, assessment) = heard.which(item, &[rival], true)?;
            tried.push((rival, assessment));
        }
        forms::choose(tried, item.taken_s).map(|(assigned, assessment)| (assigned.clone(), assessment))
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
        let names = pupils.iter().map(|p| Words::of(&p.nickname)).collect();
        let mut facts = Facts { pupils, names, assigned, rules, senders, stamp: Vec::new() };
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
        spool: &Spool,
        mut tell: impl FnMut(usize, &Item, &Outcome),
    ) -> Result<(), BookError> {
        // What is known of the roster holds until all is written: nobody is forgotten meanwhile.
        let _turn = self.turn()?;
        self.sweep()?;
        let facts = self.facts(rules)?;
        let ear = ear();
        self.gather_with(items, &facts, &ear, (0, spool), &mut tell)?;
        // What waits from earlier, and lies in none of these places now.
        let waiting = self.to_look_at(&facts)?;
        self.gather_with(&waiting, &facts, &ear, (items.len(), spool), &mut tell)
    }

    fn gather_with(
        &self,
        items: &[Item],
        facts: &Facts,
        ear: &str,
        (before, spool): (usize, &Spool),
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
        let (send, receive) = mpsc::sync_channel::<Box<(usize, Item, Heard)>>(8);
        let mut result = Ok(());
        std::thread::scope(|scope| {
            let known = &known;
            scope.spawn(move || {
                // The error means that nobody listens any more: then the rest is not heard.
                let _ = items.par_iter().enumerate().with_max_len(1).try_for_each_with(send, |send, (k, item)| {
                    let (item, heard) = listen(item, facts, known, spool);
                    send.send(Box::new((k, item, heard)))
                });
            });
            let mut early = BTreeMap::new();
            let mut next = 0;
            for come in receive {
                let (k, item, heard) = *come;
                early.insert(k, (item, heard));
                while let Some((item, heard)) = early.remove(&next) {
                    match self.keep(&item, heard, ear) {
                        Ok(outcome) => tell(before + next, &item, &outcome),
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
}

/// What the book holds before gathering, by the hash of the bytes.
struct Known {
    settled: HashSet<Vec<u8>>,
    /// Waiting recordings, with the stamp of what was known when they were last looked at.
    looked: HashMap<Vec<u8>, String>,
}

/// Recordings larger than this are opened before they are read through for their sum: what is no take is refused at once.
const LARGE: u64 = 256 << 20;

/// Hears a recording; it comes back with what stands beside it.
fn listen(item: &Item, facts: &Facts, known: &Known, spool: &Spool) -> (Item, Heard) {
    match item.at_hand(spool) {
        Err(error) => (item.clone(), Heard::Bad(error.to_string())),
        Ok(item) => {
            let heard = hear(&item, facts, known);
            (item, heard)
        }
    }
}

fn hear(item: &Item, facts: &Facts, known: &Known) -> Heard {
    let sum = item.open().and_then(|mut sound| {
        if sound.seek(SeekFrom::End(0))? > LARGE
            && let Err(error) = hearing::open(&item.bytes, &item.place)
        {
            return Ok(Err(format!("{error}; {}", error.hint())));
        }
        files::sum_of_whole(&mut sound).map(Ok)
    });
    let sha = match sum {
        Ok(Ok(sha)) => sha,
        Ok(Err(why)) => return Heard::Bad(why),
        Err(error) => return Heard::Bad(error.to_string()),
    };
    if known.settled.contains(&sha) {
        return Heard::Known;
    }
    let looked = facts.stamp_for(&origin(item));
    if known.looked.get(&sha).is_some_and(|last| *last == looked || last == ONLY_THE_TEACHER) {
        return Heard::Waits(sha);
    }
    if let Some(what) = sources::no_take(item) {
        return Heard::NoTake(sha, what);
    }
    if let Some(card) = &item.drill {
        return match Scored::of(item, card) {
            Ok(scored) => {
                let pupil = facts.whose(item).cloned();
                Heard::Drill(Box::new(Drilled { scored, pupil, sha, looked }))
            }
            Err((why, way_out)) => Heard::Bad(format!("{why}; {way_out}")),
        };
    }
    if let Some(what) = item.card.as_ref().and_then(Card::practice) {
        return Heard::Practice(what);
    }
    match hearing::Listened::to(item) {
        Err(error) => {
            let (why, way_out) = hearing::unheard(&error);
            Heard::Bad(format!("{why}; {way_out}"))
        }
        Ok(heard) => Heard::Take(Box::new(Work {
            known: known::pack(heard.known()),
            print: heard.print(),
            length: heard.length(),
            looked,
            found: facts.place(item, &heard),
            sha,
        })),
    }
}
