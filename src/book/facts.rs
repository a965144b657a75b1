//! What is known of pupils and assignments -> whose a recording is, and of what.
//!
//! Who, in this order: take card, rules, file name, folder, sender, each only when it names exactly one pupil. What:
//! take card, rules, else by hearing: the take is held against every assigned part, and the part that tells it best is
//! the one, when it tells it well and clearly better than the next (see `hearing`).

use std::collections::{BTreeSet, HashMap};
use std::path::Path;

use serde::Deserialize;
use sha2::{Digest as _, Sha256};

use super::distil::{self, Distilled};
use super::hearing::{Listened, ear};
use super::item::{Item, sender};
use super::{Assigned, Book, BookError, Drawn, Pupil, forms};
use crate::assess::Assessment;
use crate::files::{self, hex};
use crate::names::{Words, key, normal, same};
use crate::report::page;
use crate::take::Card;

/// Stands in place of the stamp of a recording of which somebody was forgotten who may have played it: that less is known of
/// the roster since tells nothing of whose it is.
pub(super) const ONLY_THE_TEACHER: &str = "asked";

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

impl Rules {
    /// Those of `rules.toml` in a folder; none where there is no such file.
    ///
    /// # Errors
    /// If it cannot be read, or is none.
    pub fn in_folder(folder: &Path) -> Result<Rules, BookError> {
        let path = folder.join("rules.toml");
        if !path.is_file() {
            return Ok(Rules::default());
        }
        let text = files::read_text(&path).map_err(|source| BookError::File { path, source })?;
        Rules::parse(&text)
    }
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

    /// Whose it is and of which assignment; else whose it may be, and why that is not sure.
    pub(super) fn attribute(&self, item: &Item, heard: &Listened) -> Result<Sure, (Option<i64>, String)> {
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
        heard: &Listened,
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

    /// A stamp of everything that decides whose and what a recording is.
    pub(super) fn stamped(&self) -> Vec<u8> {
        let mut hash = Sha256::new();
        let mut add = |text: String| {
            hash.update(text.len().to_le_bytes());
            hash.update(text);
        };
        add(ear());
        for p in &self.pupils {
            add(format!("{} {} {}", p.id, p.class, p.nickname));
        }
        let mut classes: Vec<_> = self.assigned.iter().collect();
        classes.sort_by_key(|c| c.0);
        for (class, all) in classes {
            for a in all {
                add(format!("{class} {} {} {}", a.id, hex(&a.sha256), a.given_s));
            }
        }
        let mut senders: Vec<_> = self.senders.iter().collect();
        senders.sort();
        add(format!("{senders:?} {:?}", self.rules));
        hash.finalize().to_vec()
    }

    /// The same with where one recording came from.
    pub(super) fn stamp_for(&self, origin: &str) -> String {
        hex(&Sha256::new().chain_update(&self.stamp).chain_update(origin).finalize()[..8])
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
}
