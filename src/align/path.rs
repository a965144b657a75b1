//! A run of the search -> the best path, and what a second look at a few strikes needs.
//!
//! Memory grows with the strikes by one account each, not by a whole beam: the ancestors of the accounts alive are one and
//! the same a few dozen strikes back, and only every [`STRIDE`]th beam is kept; those between are worked out again when asked
//! for.

use super::search::{Hyp, Search};

/// Every so many strikes all accounts are kept: a second look follows its rivals for about as long.
const STRIDE: usize = 64;
/// Strikes after which it is looked how far back all accounts agree.
const SETTLE: usize = 256;

/// The path that was found.
pub(crate) struct Path {
    /// The account after each strike.
    pub(crate) steps: Vec<Hyp>,
    /// Cost of the whole.
    pub(crate) cost: f64,
    /// All accounts after strikes 0, [`STRIDE`], twice that …
    kept: Vec<Vec<Hyp>>,
}

impl Path {
    /// The cheapest way through all strikes.
    pub(crate) fn find(search: &Search<'_>) -> Path {
        let (mut settled, mut open, mut kept) = (Vec::new(), Vec::<Vec<Hyp>>::new(), Vec::new());
        let before = search.before();
        let mut settle_at = SETTLE;
        for i in 0..search.events.len() {
            let next = search.advance(i, open.last().unwrap_or(&before), None);
            if i % STRIDE == 0 {
                kept.push(next.clone());
            }
            open.push(next);
            if open.len() >= settle_at {
                settle(&mut settled, &mut open);
                settle_at = open.len() + SETTLE;
            }
        }
        let last = open.last().map(Vec::as_slice).unwrap_or_default();
        let mut best = (f64::INFINITY, 0);
        for (k, hyp) in last.iter().enumerate() {
            let cost = hyp.cost + search.end(hyp);
            if cost < best.0 {
                best = (cost, k);
            }
        }
        let cost = if last.is_empty() { 0.0 } else { best.0 };
        settled.extend(back(&open, best.1));
        Path { steps: settled, cost, kept }
    }

    /// All accounts after strike `i`.
    pub(crate) fn after(&self, search: &Search<'_>, i: usize) -> Option<Vec<Hyp>> {
        let mut beam = self.kept.get(i / STRIDE)?.clone();
        for k in i / STRIDE * STRIDE + 1..=i {
            beam = search.advance(k, &beam, None);
        }
        Some(beam)
    }
}

/// The accounts that led to account `k` of the last beam.
fn back(open: &[Vec<Hyp>], mut k: usize) -> Vec<Hyp> {
    let mut path = Vec::with_capacity(open.len());
    for beam in open.iter().rev() {
        let Some(hyp) = beam.get(k) else { continue };
        path.push(*hyp);
        k = hyp.parent as usize;
    }
    path.reverse();
    path
}

/// Moves what all accounts of the last beam agree on to `settled`, and drops the accounts that led nowhere.
fn settle(settled: &mut Vec<Hyp>, open: &mut Vec<Vec<Hyp>>) {
    let Some(last) = open.len().checked_sub(1) else { return };
    let mut agreed = 0;
    // The last beam goes on as it is; of the others only the ancestors, numbered anew.
    for level in (0..last).rev() {
        let (older, newer) = open.split_at_mut(level + 1);
        let (Some(beam), Some(children)) = (older.last_mut(), newer.first_mut()) else { break };
        let mut number = vec![u32::MAX; beam.len()];
        let mut alive = Vec::new();
        for child in children {
            let parent = child.parent as usize;
            let (Some(number), Some(hyp)) = (number.get_mut(parent), beam.get(parent)) else { continue };
            if *number == u32::MAX {
                *number = alive.len() as u32;
                alive.push(*hyp);
            }
            child.parent = *number;
        }
        *beam = alive;
        if beam.len() == 1 && agreed == 0 {
            agreed = level + 1;
        }
    }
    if agreed > 0 {
        settled.extend(back(open.get(..agreed).unwrap_or_default(), 0));
        open.drain(..agreed);
    }
}
