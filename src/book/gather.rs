//! Recordings -> takes in the book: whose it is and what it is (see `facts`), whether it is there already. What stays doubtful
//! is kept on a list for the teacher, and is looked at anew when more is known: another pupil, assignment, rule, sender, ear. A
//! recording is known again by its bytes, and in another container by its sound. A take whose card says that it is
//! practice of some bars or of a join is no take of the whole: it is left out, and counted. A recording with the card or the
//! plan of a drill beside it is no take but that drill (see `drills`); the calls themselves, as `drill make` wrote them, are
//! nobody's answer and are passed over.
//!
//! Hearing runs on all cores; the book is written by one, in the order of the list, each take in one transaction, so
//! that a run that is killed and begun again ends as if it had not been.

use std::collections::{HashMap, HashSet};
use std::io::{Seek as _, SeekFrom};

use super::drills::{Drilled, Scored};
pub use super::facts::Rules;
use super::facts::{Facts, ONLY_THE_TEACHER};
pub use super::hearing::ear;
use super::hearing::{self, Listened};
use super::item::{self, Item, origin};
use super::keeping::{Arrived, Work};
use super::known;
pub use super::outcome::Outcome;
use super::spool::Spool;
use super::{Book, BookError};
use crate::files;
use crate::parallel;
use crate::take::Card;

impl Book {
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
        let held = Held {
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
        parallel::in_order(
            items,
            |item| listen(item, facts, &held, spool),
            |all| {
                for (k, (item, heard)) in all.enumerate() {
                    let outcome = self.keep(&item, heard, ear)?;
                    tell(before + k, &item, &outcome);
                }
                Ok(())
            },
        )
    }
}

/// What the book holds before gathering, by the hash of the bytes.
struct Held {
    settled: HashSet<Vec<u8>>,
    /// Waiting recordings, with the stamp of what was known when they were last looked at.
    looked: HashMap<Vec<u8>, String>,
}

/// Recordings larger than this are opened before they are read through for their sum: what is no take is refused at once.
const LARGE: u64 = 256 << 20;

/// Hears a recording; it comes back with what stands beside it.
fn listen(item: &Item, facts: &Facts, held: &Held, spool: &Spool) -> (Item, Arrived) {
    match item.at_hand(spool) {
        Err(error) => (item.clone(), Arrived::Bad(error.to_string())),
        Ok(item) => {
            let heard = hear(&item, facts, held);
            (item, heard)
        }
    }
}

fn hear(item: &Item, facts: &Facts, held: &Held) -> Arrived {
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
        Ok(Err(why)) => return Arrived::Bad(why),
        Err(error) => return Arrived::Bad(error.to_string()),
    };
    if held.settled.contains(&sha) {
        return Arrived::Known;
    }
    let looked = facts.stamp_for(&origin(item));
    if held.looked.get(&sha).is_some_and(|last| *last == looked || last == ONLY_THE_TEACHER) {
        return Arrived::Waits(sha);
    }
    if let Some(what) = item::no_take(item) {
        return Arrived::NoTake(sha, what);
    }
    if let Some(card) = &item.drill {
        return match Scored::of(item, card) {
            Ok(scored) => {
                let pupil = facts.whose(item).cloned();
                Arrived::Drill(Box::new(Drilled { scored, pupil, sha, looked }))
            }
            Err((why, way_out)) => Arrived::Bad(format!("{why}; {way_out}")),
        };
    }
    if let Some(what) = item.card.as_ref().and_then(Card::practice) {
        return Arrived::Practice(what);
    }
    match Listened::to(item) {
        Err(error) => {
            let (why, way_out) = hearing::unheard(&error);
            Arrived::Bad(format!("{why}; {way_out}"))
        }
        Ok(heard) => Arrived::Take(Box::new(Work {
            known: known::pack(heard.known()),
            print: heard.print(),
            length: heard.length(),
            looked,
            found: facts.attribute(item, &heard),
            sha,
        })),
    }
}
