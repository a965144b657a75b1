//! Echo drills, in and out: a recording with its card or plan -> what the pupil played after each call ([`Scored`]); what a
//! pupil's page shows of them; which patterns a class confuses. The sound of a drill is not kept.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{OptionalExtension as _, params};

use super::item::Item;
use super::outcome::Outcome;
use super::{Book, BookError, Pupil, hearing};
use crate::chain;
use crate::drill::{self, Drill, Made, Plan, Results, Tally, VerdictKind};
use crate::files::file_name;
use crate::report::page::echoed::{EchoedCall, EchoedView};
use crate::report::page::echoes::{EchoView, Pair};

/// Two patterns are worth a lesson if so many pupils took one for the other: one child's slip is not the class's.
const LEAST_PUPILS: usize = 2;

/// Why a drill is not kept of which nothing could be judged, and the way out.
pub const NO_ROUND: &str = "it ends before the first answer is over";
/// See [`NO_ROUND`].
pub const ONE_ROUND: &str = "record on until an answer is over, and send that";

/// A recording of a drill as it was heard.
pub(super) struct Scored {
    made: Made,
    results: Results,
}

/// The same on its way into the book.
pub(super) struct Drilled {
    pub(super) scored: Scored,
    pub(super) pupil: Option<Pupil>,
    pub(super) sha: Vec<u8>,
    /// What was known when it was heard.
    pub(super) looked: String,
}

impl Scored {
    /// Hears a recording and judges it by its card or plan, as `pailbeat drill score` does.
    ///
    /// # Errors
    /// Why it cannot be scored, and the way out.
    pub(super) fn of(item: &Item, card: &str) -> Result<Scored, (String, String)> {
        let made = drill::made(card)
            .map_err(|e| (format!("the card of a drill beside it cannot be used: {e}"), e.hint().to_owned()))?;
        let guides = std::slice::from_ref(&made.plan.guide);
        let (take, _) = chain::hear(&mut hearing::sound(item), guides, &mut chain::quietly).map_err(|e| {
            let (why, way_out) = hearing::unheard(&e);
            (why, way_out.to_owned())
        })?;
        let results = drill::judge_recording(&made.plan, take, made.begins).ok_or_else(|| {
            (
                format!("the calls of `{}` are not heard in it, and no card says where they began", made.plan.drill.title),
                "let them sound over a loudspeaker while recording, or use `pailbeat drill play`; a take of a part is sent \
                 without the json of a drill beside it"
                    .to_owned(),
            )
        })?;
        if results.tally.rounds == 0 {
            return Err((NO_ROUND.into(), ONE_ROUND.into()));
        }
        Ok(Scored { made, results })
    }
}

/// A drill to be stored.
pub struct NewDrill<'a> {
    /// Whose.
    pub pupil: i64,
    /// Of the bytes of the recording.
    pub sha256: Vec<u8>,
    /// Name of the file.
    pub file: String,
    /// When it was recorded, as far as known.
    pub taken_s: i64,
    /// The drill file as it was played.
    pub text: &'a str,
    /// As it was drawn.
    pub plan: &'a Plan,
    /// What came of it.
    pub results: &'a Results,
}

impl Book {
    /// Stores a drill; what was known of the same recording gives way, and it no longer waits. In one transaction.
    ///
    /// # Errors
    /// If the book cannot be written.
    pub fn store_drill(&self, new: &NewDrill) -> Result<i64, BookError> {
        let waited = self.waiting_sound(&new.sha256)?;
        let id = self.savepoint(|| self.put_drill(new))?;
        self.remove_sound(waited);
        Ok(id)
    }

    /// Keeps a drill whose pupil is known, or asks whose it is.
    pub(super) fn keep_drill(&self, item: &Item, drilled: Drilled) -> Result<Outcome, BookError> {
        let Drilled { scored, pupil, sha, looked } = drilled;
        if self.knows(&sha)? {
            return Ok(Outcome::Known);
        }
        let Some(pupil) = pupil else {
            return self.wait(item, (&sha, None), &looked, &[], (None, "whose drill is it?"));
        };
        let waited = self.waiting_sound(&sha)?;
        let outcome = self.savepoint(|| self.put_scored(item, &scored, &pupil, &sha))?;
        self.remove_sound(waited);
        Ok(outcome)
    }

    /// Writes a drill that was heard, inside a transaction.
    pub(super) fn put_scored(
        &self,
        item: &Item,
        scored: &Scored,
        pupil: &Pupil,
        sha: &[u8],
    ) -> Result<Outcome, BookError> {
        let Scored { made, results } = scored;
        self.put_drill(&NewDrill {
            pupil: pupil.id,
            sha256: sha.to_vec(),
            file: item.place.clone(),
            taken_s: self.made_s(item, sha)?,
            text: &made.text,
            plan: &made.plan,
            results,
        })?;
        let (Tally { right, rounds, .. }, title) = (results.tally, made.plan.drill.title.clone());
        Ok(Outcome::Drill { pupil: pupil.nickname.clone(), title, right, rounds })
    }

    /// Writes a drill, inside a transaction.
    fn put_drill(&self, new: &NewDrill) -> Result<i64, BookError> {
        self.db.execute("DELETE FROM drills WHERE sha256 = ?1", [&new.sha256])?;
        self.db.execute("DELETE FROM waiting WHERE sha256 = ?1", [&new.sha256])?;
        let tally = &new.results.tally;
        self.db.execute(
            "INSERT INTO drills (pupil, sha256, file, taken_s, title, text, ear, points, rounds, rounds_right)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            params![
                new.pupil,
                new.sha256,
                new.file,
                new.taken_s,
                new.plan.drill.title,
                new.text,
                hearing::ear(),
                tally.points,
                tally.rounds as i64,
                tally.right as i64
            ],
        )?;
        let id = self.db.last_insert_rowid();
        let sql = "INSERT INTO drill_answers (drill, round, call, verdict, instead, confidence, text)
                   VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
        let mut add = self.db.prepare_cached(sql)?;
        for (k, a) in new.results.answers.iter().take(tally.rounds).enumerate() {
            let verdict = &a.verdict;
            let (word, text) = (verdict.kind.word(), drill::verdict_text(a));
            add.execute(params![id, k as i64 + 1, a.round.call.name, word, a.instead, verdict.confidence, text])?;
        }
        Ok(id)
    }

    /// What a class played after each call of the drill it did last, by the newest drill of each pupil.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub(super) fn echoes(&self, class: i64) -> Result<Option<EchoView>, BookError> {
        let last = "SELECT d.title, d.text FROM drills d JOIN pupils p ON p.id = d.pupil
                    WHERE p.class = ?1 ORDER BY d.taken_s DESC, d.id DESC LIMIT 1";
        let last = self.db.query_row(last, [class], |r| Ok((r.get::<_, String>(0)?, r.get::<_, String>(1)?)));
        let Some((title, text)) = last.optional()? else { return Ok(None) };
        let Ok(played) = drill::parse(&text) else { return Ok(None) };
        let mut ask = self.db.prepare_cached(
            "SELECT d.pupil, a.call, a.verdict, a.instead FROM drill_answers a JOIN drills d ON d.id = a.drill
             JOIN pupils p ON p.id = d.pupil
             WHERE p.class = ?1 AND d.id = (SELECT id FROM drills WHERE pupil = p.id AND title = ?2
                 ORDER BY taken_s DESC, id DESC LIMIT 1)
             ORDER BY d.pupil, a.round",
        )?;
        let rows = ask.query_map(params![class, title], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))?;
        let rows: Vec<(i64, String, String, Option<String>)> = rows.collect::<Result<_, _>>()?;
        Ok(Some(view(&played, &text, &rows)))
    }

    /// The drills of a pupil, newest first, the newest with what became of each pattern.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub(super) fn echoed(&self, pupil: i64) -> Result<Vec<EchoedView>, BookError> {
        let mut ask = self.db.prepare_cached(
            "SELECT title, taken_s, rounds_right, rounds, id, text FROM drills WHERE pupil = ?1
             ORDER BY taken_s DESC, id DESC",
        )?;
        let mut rows = ask.query([pupil])?;
        let mut out: Vec<EchoedView> = Vec::new();
        while let Some(row) = rows.next()? {
            let count = |k| row.get::<_, i64>(k).map(|n| usize::try_from(n).unwrap_or(0));
            let calls =
                if out.is_empty() { self.echoed_calls(row.get(4)?, &row.get::<_, String>(5)?)? } else { Vec::new() };
            let (title, day) = (row.get(0)?, super::views::day(row.get(1)?));
            out.push(EchoedView { title, day, right: count(2)?, rounds: count(3)?, calls });
        }
        Ok(out)
    }

    /// What came after each pattern of a drill, in the order of its file.
    fn echoed_calls(&self, id: i64, text: &str) -> Result<Vec<EchoedCall>, BookError> {
        let played = drill::parse(text).ok();
        let bank = played.as_ref().map(|p| p.calls.as_slice()).unwrap_or_default();
        let place = |name: &str| bank.iter().position(|c| c.name == name);
        let sql = "SELECT call, verdict, instead, text FROM drill_answers WHERE drill = ?1 ORDER BY round";
        let mut ask = self.db.prepare_cached(sql)?;
        let mut rows = ask.query([id])?;
        let mut out: Vec<EchoedCall> = Vec::new();
        while let Some(row) = rows.next()? {
            let (name, verdict, instead): (String, String, Option<String>) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let k = out.iter().position(|c| c.name == name).unwrap_or_else(|| {
                let hush = played.as_ref().is_some_and(|p| place(&name) == Some(p.hush));
                out.push(EchoedCall { name, hush, ..EchoedCall::default() });
                out.len() - 1
            });
            let call = &mut out[k];
            call.all += 1;
            if [VerdictKind::Right, VerdictKind::HushKept].iter().any(|kind| kind.word() == verdict) {
                call.right += 1;
                continue;
            }
            let first = call.differed.is_empty();
            call.instead = instead.filter(|i| first || call.instead.as_ref() == Some(i));
            call.differed.push(row.get(3)?);
        }
        out.sort_by_key(|c| place(&c.name));
        Ok(out)
    }

    /// How many drills of a pupil are kept.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn n_drills(&self, pupil: i64) -> Result<usize, BookError> {
        let n = self.db.query_row("SELECT count(*) FROM drills WHERE pupil = ?1", [pupil], |r| r.get::<_, i64>(0))?;
        Ok(usize::try_from(n).unwrap_or(0))
    }
}

/// `rows`: pupil, call, verdict, what was played instead.
fn view(played: &Drill, text: &str, rows: &[(i64, String, String, Option<String>)]) -> EchoView {
    let came: Vec<usize> =
        (0..played.calls.len()).filter(|k| rows.iter().any(|r| r.1 == played.calls[*k].name)).collect();
    let n = came.len();
    let place = |name: &str| came.iter().position(|k| played.calls[*k].name == name);
    let mut counts = vec![vec![0; n + 2]; n];
    // Pairs of rows: how often one was taken for the other, and by whom.
    let mut pairs: BTreeMap<(usize, usize), (usize, BTreeSet<i64>)> = BTreeMap::new();
    let mut taken_for = |a: usize, b: usize, pupil: i64| {
        let pair = pairs.entry((a.min(b), a.max(b))).or_default();
        pair.0 += 1;
        pair.1.insert(pupil);
    };
    let hush = came.iter().position(|k| *k == played.hush);
    for (pupil, call, verdict, instead) in rows {
        let Some(row) = place(call) else { continue };
        let is = |kind: VerdictKind| verdict == kind.word();
        let other = instead.as_deref().and_then(place);
        let column = match other {
            Some(other) => other,
            None if is(VerdictKind::Silent) || is(VerdictKind::HushKept) => n,
            None if is(VerdictKind::Different) => n + 1,
            None => row,
        };
        counts[row][column] += 1;
        match (other, hush) {
            (Some(other), _) if other != row => taken_for(row, other, *pupil),
            // Silence after what is nearly the hush pattern took it for that.
            (None, Some(hush)) if is(VerdictKind::Silent) && played.calls[came[row]].lure => {
                taken_for(row, hush, *pupil)
            }
            _ => {}
        }
    }
    let several = pairs.iter().filter(|(_, (_, who))| who.len() >= LEAST_PUPILS);
    // The first of equals, in the order of the drill.
    let most = several.rev().max_by_key(|(_, (times, _))| *times);
    let pair = most.and_then(|((a, b), (times, _))| {
        let [first, second] = [*a, *b].map(|k| played.calls[came[k]].name.clone());
        let drill = drill::side_by_side(text, &first, &second)?;
        let file = format!("{}-and-{}", file_name(&first), file_name(&second));
        Some(Pair { first, second, times: *times, drill, file })
    });
    EchoView {
        title: played.title.clone(),
        pupils: rows.iter().map(|r| r.0).collect::<BTreeSet<_>>().len(),
        calls: came.iter().map(|k| played.calls[*k].name.clone()).collect(),
        hush,
        played: counts,
        pair,
    }
}
