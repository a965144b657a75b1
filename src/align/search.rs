//! Beam search over accounts of a take. An account (`Hyp`) says which stroke was matched last and where the pulse stood;
//! each strike continues each account in every way a player could have meant it. The best account of each cell of
//! (stroke, phase, tempo) stays; what is dearer than the best by more than a width goes.
//!
//! The pulse inside an account is a Kalman filter (`pulse`).
//! Jumps are factorised into where-from and where-to (E. Nakamura et al. 2014, arXiv 1404.2313; T. Nakamura et al.
//! 2016, arXiv 1512.07748). No randomness; ties go to the account that was generated first.

use std::cmp::Ordering;

use super::model::{Event, Model};
use super::pulse::{FASTEST, Pulse, SLOWEST};
use super::score::Score;
use super::{Step, costs};
use crate::stats::normal_density;

/// How much is kept after each strike.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Beam {
    /// Accounts dearer than the best by this much are dropped, nats.
    width: f64,
    /// The most accounts kept, and during the first strikes, while start and tempo are open.
    most: usize,
    most_first: usize,
}

impl Beam {
    /// For learning about the player: e^11, one in 60 000.
    pub(crate) const QUICK: Beam = Beam { width: 11.0, most: 48, most_first: 192 };
    /// For the answer: e^14, one in a million. Doubling it changes 1 strike in 1000 of the most faulty takes and costs
    /// twice the time (`scripts/measuring/class_figures.rs`).
    pub(crate) const FULL: Beam = Beam { width: 14.0, most: 80, most_first: 320 };
}

const FIRST_STRIKES: usize = 12;
/// So many times the accounts to be kept are looked at: some share a cell.
const CELLS: usize = 3;
/// Cells in which only the best account stays: phase in seconds, tempo as a share.
const CELL_PHASE_S: f64 = 0.03;
const CELL_TEMPO: f64 = 0.02;
/// While start and tempo are open the cells are finer by this much.
const CELL_FINE: f64 = 0.1;
/// Tempi tried at the beginning.
const TEMPI: usize = 15;
/// The tempo is open while it may be this share off, one standard deviation.
const OPEN_TEMPO: f64 = 0.12;

/// Last stroke of an account that has not begun.
pub(crate) const BEFORE: i32 = -1;

/// [`Hyp::fill`] of an account that has lost the place.
pub(super) const LOST: u8 = u8::MAX;

/// What an account may do at this strike, when the judge asks a second time.
#[derive(Clone, Copy)]
pub(super) struct May {
    pub(super) shift: bool,
    pub(super) begin_late: bool,
}

/// One account.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hyp {
    pub(crate) cost: f64,
    pub(crate) pulse: Pulse,
    /// When the last matched strike came, and how loud, dB.
    pub(crate) last: f64,
    pub(crate) last_db: f64,
    /// Last stroke matched; [`BEFORE`], or below it a tap of a count-in.
    pub(crate) j: i32,
    /// Index of the account it continues.
    pub(crate) parent: u32,
    /// Surfaces last mixed up: written * N + heard; -1 for none.
    pub(crate) mix: i8,
    /// Strikes inside the present rest, or before the beginning, or after the end; [`LOST`] while the place is lost.
    pub(crate) fill: u8,
    pub(crate) step: Step,
}

/// Steps that are not to be taken, for the judge's second look.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Forbidden {
    /// No jump, in tempo or after a pause, may arrive at one of these strikes.
    pub jumps: std::ops::Range<usize>,
    /// The pulse may not be set anew at one of these strikes.
    pub shifts: std::ops::Range<usize>,
    /// Where these strikes are the first that count, they must be the part's first strokes.
    pub late_begin: std::ops::Range<usize>,
    /// At these strikes the place may not be lost.
    pub lost: std::ops::Range<usize>,
}

/// Everything fixed during one pass.
pub(crate) struct Search<'a> {
    pub(crate) score: &'a Score,
    pub(crate) model: &'a Model,
    pub(crate) events: &'a [Event],
    /// Lengths of a quarter to begin with: seconds, variance, cost.
    pub(super) tempi: Vec<(f64, f64, f64)>,
    /// Cost of a note displaced by itself.
    pub(super) displaced: f64,
    beam: Beam,
}

/// The continuations of one strike.
pub(super) struct Candidates {
    pub(super) list: Vec<Hyp>,
    best: f64,
    width: f64,
    /// So many of the cheapest are looked at in the end, earlier ones first where costs are equal.
    looked_at: usize,
    /// What costs as much as the last of those does comes too late.
    cap: f64,
    costs: Vec<f64>,
}

impl Candidates {
    fn new(width: f64, most: usize) -> Candidates {
        let looked_at = CELLS * most;
        Candidates {
            list: Vec::with_capacity(2 * looked_at),
            best: f64::INFINITY,
            width,
            looked_at,
            cap: f64::INFINITY,
            costs: Vec::new(),
        }
    }

    /// What costs this much is dropped.
    pub(super) fn limit(&self) -> f64 {
        (self.best + self.width).min(self.cap)
    }

    pub(super) fn push(&mut self, hyp: Hyp) {
        if hyp.cost < self.limit() {
            self.best = self.best.min(hyp.cost);
            self.list.push(hyp);
            if self.list.len() >= 2 * self.looked_at {
                self.thin();
            }
        }
    }

    /// Keeps what may still be looked at.
    fn thin(&mut self) {
        self.costs.clear();
        self.costs.extend(self.list.iter().map(|hyp| hyp.cost));
        let last = *self.costs.select_nth_unstable_by(self.looked_at - 1, f64::total_cmp).1;
        let cheaper = self.list.iter().filter(|hyp| hyp.cost < last).count();
        let mut equal = self.looked_at - cheaper;
        self.list.retain(|hyp| match hyp.cost.total_cmp(&last) {
            Ordering::Less => true,
            Ordering::Equal if equal > 0 => {
                equal -= 1;
                true
            }
            _ => false,
        });
        self.cap = last;
    }
}

impl<'a> Search<'a> {
    pub(crate) fn new(score: &'a Score, model: &'a Model, events: &'a [Event], beam: Beam) -> Search<'a> {
        let displaced = costs::DISPLACED + (costs::DISPLACED_SPAN * model.quarter_s).ln();
        Search { score, model, events, tempi: tempi(model.quarter_s), displaced, beam }
    }

    /// The account before anything was heard.
    pub(crate) fn before(&self) -> Vec<Hyp> {
        vec![Hyp {
            cost: 0.0,
            pulse: Pulse::begin(0.0, 0.0, (self.model.quarter_s, 0.0)),
            last: f64::NEG_INFINITY,
            last_db: 0.0,
            j: BEFORE,
            parent: 0,
            mix: -1,
            fill: 0,
            step: Step::Extra,
        }]
    }

    /// Cost of ending the take with this account.
    pub(crate) fn end(&self, hyp: &Hyp) -> f64 {
        usize::try_from(hyp.j).ok().and_then(|j| self.score.end.get(j)).copied().unwrap_or(costs::NOTHING_MATCHED)
    }

    /// Continues every account with strike `i`.
    pub(crate) fn advance(&self, i: usize, beam: &[Hyp], forbidden: Option<&Forbidden>) -> Vec<Hyp> {
        let may_jump = forbidden.is_none_or(|f| !f.jumps.contains(&i));
        let may = May {
            shift: forbidden.is_none_or(|f| !f.shifts.contains(&i)),
            begin_late: forbidden.is_none_or(|f| !f.late_begin.contains(&i)),
        };
        let event = &self.events[i];
        let most = if i < FIRST_STRIKES { self.beam.most_first } else { self.beam.most };
        let mut out = Candidates::new(self.beam.width, most);
        // What is likeliest comes first, so that the rest is soon known to be too dear.
        for (k, hyp) in beam.iter().enumerate() {
            if hyp.j == BEFORE {
                self.begin(event, k as u32, hyp, may.begin_late, &mut out);
            } else {
                self.go_on(event, k as u32, hyp, may, &mut out);
            }
        }
        let may_lose = forbidden.is_none_or(|f| !f.lost.contains(&i));
        for (k, hyp) in beam.iter().enumerate() {
            self.extra(event, k as u32, hyp, may_lose, &mut out);
        }
        if may_jump {
            self.jumps(event, beam, &mut out);
            self.jumps_paused(event, beam, &mut out);
            // Found again where it would have gone on anyway is a stop by another name.
            if may.shift {
                self.found(event, beam, &mut out);
            }
        }
        let fine = if i < FIRST_STRIKES { CELL_FINE } else { 1.0 };
        prune(out, self.model.quarter_s, most, fine)
    }
}

/// Lengths of a quarter to begin with: (seconds, variance, cost). A player keeps the tempo asked for to 7 % in 7 takes
/// of 10; otherwise anything from under half to over twice is possible (spread 35 %).
pub(super) fn tempi(quarter_s: f64) -> Vec<(f64, f64, f64)> {
    let (from, to) = (FASTEST.ln(), SLOWEST.ln());
    let step = (to - from) / (TEMPI - 1) as f64;
    (0..TEMPI)
        .map(|k| {
            let x = from + step * k as f64;
            let density = 0.7 * normal_density(x, 0.07f64.hypot(0.3 * step)) + 0.3 * normal_density(x, 0.35);
            let p = quarter_s * x.exp();
            (p, (0.6 * step * p).powi(2), -(density * step).max(1e-9).ln())
        })
        .collect()
}

/// A set of cells: open addressing, never more than half full.
struct Seen(Vec<u64>);

impl Seen {
    fn new(most: usize) -> Seen {
        Seen(vec![u64::MAX; (2 * most + 2).next_power_of_two()])
    }

    /// Whether the cell was new.
    fn insert(&mut self, cell: u64) -> bool {
        let mask = self.0.len() - 1;
        // Fibonacci hashing spreads neighbouring cells.
        let mut at = (cell.wrapping_mul(0x9E37_79B9_7F4A_7C15) >> 40) as usize & mask;
        while self.0[at] != u64::MAX {
            if self.0[at] == cell {
                return false;
            }
            at = (at + 1) & mask;
        }
        self.0[at] = cell;
        true
    }
}

/// The best account of each cell, within the width of the best of all, at most `beam` of them, cheapest first.
fn prune(out: Candidates, quarter_s: f64, beam: usize, fine: f64) -> Vec<Hyp> {
    let mut order: Vec<(f64, u32)> = (out.list.iter().enumerate())
        .filter(|(_, hyp)| hyp.cost < out.best + out.width)
        .map(|(k, hyp)| (hyp.cost, k as u32))
        .collect();
    let by_cost = |x: &(f64, u32), y: &(f64, u32)| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1));
    if order.len() > out.looked_at {
        order.select_nth_unstable_by(out.looked_at, by_cost);
        order.truncate(out.looked_at);
    }
    order.sort_unstable_by(by_cost);
    let mut seen = Seen::new(beam);
    let mut kept = Vec::with_capacity(beam);
    for (_, k) in order {
        let hyp = out.list[k as usize];
        let phase = (hyp.pulse.at / (CELL_PHASE_S * fine)).round() as i64;
        let tempo = ((hyp.pulse.quarter / quarter_s).ln() / (CELL_TEMPO * fine)).round() as i64;
        let open = hyp.pulse.quarter_var > (OPEN_TEMPO * hyp.pulse.quarter).powi(2);
        // Stroke, phase (of an hour), tempo, and two flags side by side in one number.
        let fill = if hyp.fill == LOST { 4 } else { u64::from(hyp.fill.min(3)) };
        let flags = u64::from(open) << 3 | fill;
        let cell = ((hyp.j + 64) as u64) << 41
            | (phase as u64 & 0xf_ffff) << 17
            | ((tempo + 256) as u64 & 0x1fff) << 4
            | flags;
        if seen.insert(cell) {
            kept.push(hyp);
            if kept.len() == beam {
                break;
            }
        }
    }
    kept
}
