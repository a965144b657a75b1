//! A run of the search -> the best path, and what a second look at a few strikes needs.
//!
//! Memory grows with the strikes by a few accounts each, not by a whole beam. The ancestors of the accounts alive are one and
//! the same a few dozen strikes back, or, in a form that repeats itself, a few that play the same at different places and
//! share what they say of the player's timing. Of whole beams only every [`STRIDE`]th is kept; those between are worked out
//! again when asked for.

use super::Step;
use super::pulse::Pulse;
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
        let (mut past, mut kept) = (Past::default(), Vec::new());
        let before = search.before();
        for i in 0..search.events.len() {
            let next = search.advance(i, past.recent.last().unwrap_or(&before), None);
            if i % STRIDE == 0 {
                kept.push(next.clone());
            }
            past.recent.push(next);
            if past.recent.len() > SETTLE {
                past.settle();
            }
        }
        let last = past.recent.last().map(Vec::as_slice).unwrap_or_default();
        let mut best = (f64::INFINITY, 0);
        for (k, hyp) in last.iter().enumerate() {
            let cost = hyp.cost + search.end(hyp);
            if cost < best.0 {
                best = (cost, k);
            }
        }
        let cost = if last.is_empty() { 0.0 } else { best.0 };
        Path { steps: past.path_to(best.1), cost, kept }
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

/// The accounts after one strike that still lead somewhere.
struct Level {
    nodes: Vec<Node>,
    timings: Vec<Timing>,
}

/// An account without its timing.
#[derive(Clone, Copy)]
struct Node {
    cost: f64,
    j: i32,
    parent: u32,
    timing: u32,
    mix: i8,
    fill: u8,
    step: Step,
}

/// Bits of the numbers that an account's timing consists of.
type Timing = [u64; 7];

impl Level {
    fn of(beam: &[Hyp]) -> Level {
        let node = |(k, hyp): (usize, &Hyp)| Node {
            cost: hyp.cost,
            j: hyp.j,
            parent: hyp.parent,
            timing: k as u32,
            mix: hyp.mix,
            fill: hyp.fill,
            step: hyp.step,
        };
        let timing = |h: &Hyp| {
            let p = &h.pulse;
            [p.at, p.quarter, p.var, p.cov, p.quarter_var, h.last, h.last_db].map(f64::to_bits)
        };
        Level { nodes: beam.iter().enumerate().map(node).collect(), timings: beam.iter().map(timing).collect() }
    }

    fn account(&self, k: usize) -> Option<Hyp> {
        let node = self.nodes.get(k)?;
        let [at, quarter, var, cov, quarter_var, last, last_db] =
            self.timings.get(node.timing as usize)?.map(f64::from_bits);
        let pulse = Pulse { at, quarter, var, cov, quarter_var };
        let Node { cost, j, parent, mix, fill, step, .. } = *node;
        Some(Hyp { cost, pulse, last, last_db, j, parent, mix, fill, step })
    }

    /// Keeps those that are somebody's parents, numbered anew; whether all are.
    fn keep<'a>(&mut self, parents: impl Iterator<Item = &'a mut u32>) -> bool {
        let parents: Vec<&mut u32> = parents.collect();
        let mut number = vec![u32::MAX; self.nodes.len()];
        for parent in &parents {
            if let Some(number) = number.get_mut(**parent as usize) {
                *number = 0;
            }
        }
        if !number.contains(&u32::MAX) {
            return true;
        }
        for (count, number) in (0..).zip(number.iter_mut().filter(|number| **number == 0)) {
            *number = count;
        }
        let mut kept = number.iter().map(|number| *number != u32::MAX);
        self.nodes.retain(|_| kept.next() == Some(true));
        for parent in parents {
            *parent = number.get(*parent as usize).copied().unwrap_or(0);
        }
        false
    }

    /// Keeps each timing once.
    fn share(&mut self) {
        let mut timings: Vec<Timing> = Vec::new();
        for node in &mut self.nodes {
            let Some(own) = self.timings.get(node.timing as usize) else { continue };
            let known = timings.iter().position(|timing| timing == own);
            node.timing = known.unwrap_or(timings.len()) as u32;
            if known.is_none() {
                timings.push(*own);
            }
        }
        timings.shrink_to_fit();
        self.nodes.shrink_to_fit();
        self.timings = timings;
    }
}

/// All that led to the accounts alive.
#[derive(Default)]
struct Past {
    /// What they all agree on.
    settled: Vec<Hyp>,
    /// Their ancestors after each strike since.
    older: Vec<Level>,
    /// All accounts after each of the last strikes.
    recent: Vec<Vec<Hyp>>,
}

impl Past {
    /// Drops the accounts that led nowhere.
    fn settle(&mut self) {
        let Some(mut last) = self.recent.pop() else { return };
        let fresh = self.older.len();
        self.older.extend(self.recent.drain(..).map(|beam| Level::of(&beam)));
        let mut agreed = 0;
        for at in (0..self.older.len()).rev() {
            let (before, after) = self.older.split_at_mut(at + 1);
            let Some(level) = before.last_mut() else { break };
            let all = match after.first_mut() {
                Some(next) => level.keep(next.nodes.iter_mut().map(|node| &mut node.parent)),
                None => level.keep(last.iter_mut().map(|hyp| &mut hyp.parent)),
            };
            if at >= fresh {
                level.share();
            } else if all {
                // Those before were looked at when this level was new.
                break;
            }
            if level.nodes.len() == 1 && agreed == 0 {
                agreed = at + 1;
            }
        }
        self.settled.extend(self.older.drain(..agreed).filter_map(|level| level.account(0)));
        self.recent.push(last);
    }

    /// The accounts that led to account `k` of the last strike.
    fn path_to(self, mut k: usize) -> Vec<Hyp> {
        let mut path = Vec::new();
        for beam in self.recent.iter().rev() {
            let Some(hyp) = beam.get(k) else { continue };
            path.push(*hyp);
            k = hyp.parent as usize;
        }
        for level in self.older.iter().rev() {
            let Some(hyp) = level.account(k) else { continue };
            path.push(hyp);
            k = hyp.parent as usize;
        }
        let mut steps = self.settled;
        steps.extend(path.into_iter().rev());
        steps
    }
}
