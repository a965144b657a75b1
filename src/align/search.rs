//! Beam search over accounts of a take. An account (`Hyp`) says which stroke was matched last and where the pulse stood;
//! each strike continues each account in every way a player could have meant it. The best account of each cell of
//! (stroke, phase, tempo) stays; what is dearer than the best by more than [`WIDTH`] goes.
//!
//! The pulse inside an account is a two-state Kalman filter: time of the last matched stroke, length of a quarter.
//! Jumps are factorised into where-from and where-to (E. Nakamura et al. 2014, arXiv 1404.2313; T. Nakamura et al.
//! 2016, arXiv 1512.07748). No randomness; ties go to the account that was generated first.

use super::model::{Event, Model};
use super::score::{Score, Target};
use super::{Step, costs};

/// Accounts dearer than the best by this much are dropped, nats: e^14, one in a million.
pub(crate) const WIDTH: f64 = 14.0;
/// The most accounts kept after a strike, and after the first strikes, while start and tempo are open.
const BEAM: usize = 64;
const BEAM_FIRST: usize = 256;
const FIRST_STRIKES: usize = 12;
/// Cells in which only the best account stays: phase in seconds, tempo as a share.
const CELL_PHASE_S: f64 = 0.03;
const CELL_TEMPO: f64 = 0.02;
/// Squared deviations (in variances) beyond which a strike is not in time.
const GATE: f64 = 36.0;
const GATE_JUMP: f64 = 25.0;
/// Sources of jumps tried at each strike.
const SOURCES: usize = 24;
const SOURCES_PAUSED: usize = 16;
/// Strokes ahead that a strike may be: two bars of sixteenths left out.
const AHEAD: usize = 32;
/// What a surface heard as written may take off a cost, at most, nats.
const SURFACE_GAIN: f64 = 3.0;
/// Strokes ahead at which the pulse may be set anew.
const AHEAD_SHIFT: usize = 3;
/// The two ends of the tempi tried, as shares of a quarter at the tempo asked for; and their number.
const SLOWEST: f64 = 2.3;
const FASTEST: f64 = 0.43;
const TEMPI: usize = 15;
const LN_2PI: f64 = 1.837_877_066_409_345_3;
/// Deviations are Student's t with so many degrees of freedom: hands slip more often than a normal law allows.
/// Origin: tails as usually found in tapping data (common practice); the figures are alike from 4 to 10.
pub(super) const DEGREES: f64 = 6.0;
/// Its constant, `ln(gamma(3) / gamma(3.5)) + ln(6 pi) / 2`.
const T_CONSTANT: f64 = 0.960_3;

/// Last stroke of an account that has not begun.
pub(crate) const BEFORE: i32 = -1;

/// One account.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Hyp {
    pub(crate) cost: f64,
    /// Time of the pulse at the last matched stroke, and length of a quarter, seconds.
    pub(crate) tau: f64,
    pub(crate) p: f64,
    /// Variance of tau, covariance, variance of p.
    pub(crate) a: f64,
    pub(crate) c: f64,
    pub(crate) d: f64,
    /// When the last matched strike came, and how loud, dB.
    pub(crate) last: f64,
    pub(crate) last_db: f64,
    /// Last stroke matched; [`BEFORE`], or below it a tap of a count-in.
    pub(crate) j: i32,
    /// Index of the account it continues.
    pub(crate) parent: u32,
    /// Surfaces last mixed up: written * N + heard; -1 for none.
    pub(crate) mix: i8,
    /// Strikes inside the present rest, or before the beginning, or after the end.
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
}

/// Everything fixed during one pass.
pub(crate) struct Search<'a> {
    pub(crate) score: &'a Score,
    pub(crate) model: &'a Model,
    pub(crate) events: &'a [Event],
    tempi: Vec<(f64, f64, f64)>,
}

/// Where a tap of a count-in stands.
#[derive(Clone, Copy)]
struct Tap {
    lane: usize,
    /// Taps to come, this one counted: the downbeat follows after so many.
    left: usize,
}

impl Tap {
    fn of(j: i32) -> Option<Tap> {
        (j < BEFORE).then(|| {
            let k = (BEFORE - 1 - j) as usize;
            Tap { lane: k / costs::COUNT_MOST, left: k % costs::COUNT_MOST + 1 }
        })
    }
    fn code(self) -> i32 {
        BEFORE - 1 - (self.lane * costs::COUNT_MOST + self.left - 1) as i32
    }
}

/// A stroke that a strike could be, seen from an account.
#[derive(Clone, Copy)]
struct Reach {
    j: i32,
    /// Quarters from the last matched stroke.
    db: f64,
    /// Strokes on from the last; 1 is the next.
    ahead: usize,
    /// Cost of what was left out.
    cost: f64,
}

struct Candidates {
    list: Vec<Hyp>,
    best: f64,
}

impl Candidates {
    fn push(&mut self, hyp: Hyp) {
        if hyp.cost < self.best + WIDTH {
            self.best = self.best.min(hyp.cost);
            self.list.push(hyp);
        }
    }
}

impl<'a> Search<'a> {
    pub(crate) fn new(score: &'a Score, model: &'a Model, events: &'a [Event]) -> Search<'a> {
        Search { score, model, events, tempi: tempi(model.quarter_s) }
    }

    /// The account before anything was heard.
    pub(crate) fn before(&self) -> Vec<Hyp> {
        let p = self.model.quarter_s;
        vec![Hyp {
            cost: 0.0,
            tau: 0.0,
            p,
            a: 0.0,
            c: 0.0,
            d: 0.0,
            last: f64::NEG_INFINITY,
            last_db: 0.0,
            j: BEFORE,
            parent: 0,
            mix: -1,
            fill: 0,
            step: Step::Extra,
        }]
    }

    /// All of the accounts after each strike.
    pub(crate) fn run(&self) -> Vec<Vec<Hyp>> {
        let mut beams: Vec<Vec<Hyp>> = Vec::with_capacity(self.events.len());
        let before = self.before();
        for i in 0..self.events.len() {
            let next = self.advance(i, beams.last().unwrap_or(&before), None);
            beams.push(next);
        }
        beams
    }

    /// Cost of ending the take with this account.
    pub(crate) fn end(&self, hyp: &Hyp) -> f64 {
        usize::try_from(hyp.j).ok().and_then(|j| self.score.end.get(j)).copied().unwrap_or(costs::NOTHING_MATCHED)
    }

    /// Continues every account with strike `i`.
    pub(crate) fn advance(&self, i: usize, beam: &[Hyp], forbidden: Option<&Forbidden>) -> Vec<Hyp> {
        let may_jump = forbidden.is_none_or(|f| !f.jumps.contains(&i));
        let may_shift = forbidden.is_none_or(|f| !f.shifts.contains(&i));
        let event = &self.events[i];
        let mut out = Candidates { list: Vec::with_capacity(2048), best: f64::INFINITY };
        for (k, hyp) in beam.iter().enumerate() {
            self.extra(event, k as u32, hyp, &mut out);
        }
        for (k, hyp) in beam.iter().enumerate() {
            if hyp.j == BEFORE {
                let anywhere = forbidden.is_none_or(|f| !f.late_begin.contains(&i));
                self.begin(event, k as u32, hyp, anywhere, &mut out);
            } else {
                self.go_on(event, k as u32, hyp, may_shift, &mut out);
            }
        }
        if may_jump {
            self.jumps(event, beam, &mut out);
            self.jumps_paused(event, beam, &mut out);
        }
        prune(out, self.model.quarter_s, if i < FIRST_STRIKES { BEAM_FIRST } else { BEAM })
    }

    /// The strike belongs to nothing that is written.
    fn extra(&self, event: &Event, parent: u32, hyp: &Hyp, out: &mut Candidates) {
        let mut next = Hyp { parent, step: Step::Extra, ..*hyp };
        let cost = &event.as_extra;
        let outside = if hyp.fill >= costs::OUTSIDE_BURST_FROM { cost.burst } else { cost.outside };
        let Ok(j) = usize::try_from(hyp.j) else {
            next.cost += if hyp.j == BEFORE { outside } else { cost.inside };
            next.fill = hyp.fill.saturating_add(1);
            return out.push(next);
        };
        if event.bounce {
            return out.push(Hyp { cost: hyp.cost + cost.bounce, step: Step::Bounce, ..next });
        }
        if event.t - hyp.last < costs::DOUBLE_WINDOW_S {
            let double = if self.score.both[j] { cost.both } else { cost.double };
            // The main stroke of the two is the louder one.
            let louder = costs::DOUBLE_LOUDER * (event.db - hyp.last_db - costs::DOUBLE_SLACK_DB).clamp(0.0, 20.0);
            return out.push(Hyp { cost: hyp.cost + double + louder, step: Step::Double, ..next });
        }
        let pos = (event.t - hyp.tau) / hyp.p;
        let in_rest = self.score.rest_after[j].filter(|&(from, to)| pos > from - 0.2 && pos < to - 0.2);
        if let Some(rest) = in_rest {
            self.fill(event, hyp, pos, rest, next, out);
            next.cost += cost.rest;
            next.step = Step::InRest;
        } else if j + 1 == self.score.len() && pos > 0.2 {
            next.cost += outside;
            next.fill = hyp.fill.saturating_add(1);
        } else {
            next.cost += cost.inside;
        }
        out.push(next);
    }

    /// The player goes on through a rest, in time.
    fn fill(&self, event: &Event, hyp: &Hyp, pos: f64, (from, to): (f64, f64), next: Hyp, out: &mut Candidates) {
        let fine = (pos - from) * 4.0;
        let step = if fine.round().rem_euclid(2.0) < 0.5 { 0.0 } else { costs::FILL_FINE };
        let place = (from + fine.round() / 4.0).min(to);
        let dev = (pos - place) * hyp.p;
        let a = hyp.a + 2.0 * place * hyp.c + place * place * hyp.d;
        let s = a + self.model.phase_walk_s.powi(2) * place.abs() + event.var;
        let surface = 0.5 * event.surface[self.score.surface[hyp.j as usize]].min(0.0);
        let enter = if hyp.fill > 0 { costs::FILL_NEXT } else { costs::FILL_FIRST };
        let cost = hyp.cost + enter + costs::FILL_PLACE + step + surface + timing(dev * dev / s, s);
        let (g, h) = ((hyp.a + place * hyp.c) / s, (hyp.c + place * hyp.d) / s);
        let (ga, gc) = (hyp.a + place * hyp.c, hyp.c + place * hyp.d);
        out.push(Hyp {
            cost,
            tau: hyp.tau + g * dev,
            p: self.bounded(hyp.p + h * dev),
            a: hyp.a - g * ga,
            c: hyp.c - g * gc,
            d: hyp.d - h * gc,
            fill: hyp.fill.saturating_add(1),
            step: Step::InRest,
            ..next
        });
    }

    /// The strike is the first one that counts: a stroke, or a tap of a count-in.
    fn begin(&self, event: &Event, parent: u32, hyp: &Hyp, anywhere: bool, out: &mut Candidates) {
        let start = Hyp { tau: event.t, a: event.var, c: 0.0, last: event.t, last_db: event.db, mix: -1, fill: 0, parent, ..*hyp };
        for (j, &begin) in self.score.begin.iter().enumerate() {
            if begin.is_finite() && (anywhere || j <= 2) {
                let cost = hyp.cost + begin + event.surface[self.score.surface[j]];
                if cost >= out.best + WIDTH {
                    continue;
                }
                for &(p, d, prior) in &self.tempi {
                    out.push(Hyp { cost: cost + prior, p, d, j: j as i32, step: Step::Start, ..start });
                }
            }
        }
        for (lane, unit) in self.score.count_units.iter().enumerate() {
            let bar = (self.score.bar_length / unit).round() as usize;
            for left in 2..=costs::COUNT_MOST {
                let number = if left == bar {
                    costs::COUNT_ONE_BAR
                } else if left == 2 * bar {
                    costs::COUNT_TWO_BARS
                } else {
                    costs::COUNT_OTHER
                };
                let cost = hyp.cost + costs::COUNT_IN + number + event.tap + lane as f64;
                for &(p, d, prior) in &self.tempi {
                    let j = Tap { lane, left }.code();
                    out.push(Hyp { cost: cost + prior, p, d, j, step: Step::CountIn, ..start });
                }
            }
        }
    }

    /// What could come next for an account that has begun.
    fn reaches(&self, hyp: &Hyp, reach: &mut dyn FnMut(Reach) -> bool) {
        let score = self.score;
        let miss = self.model.miss;
        if let Some(tap) = Tap::of(hyp.j) {
            let unit = score.count_units[tap.lane];
            if tap.left > 1 {
                reach(Reach { j: Tap { left: tap.left - 1, ..tap }.code(), db: unit, ahead: 1, cost: 0.0 });
            }
            if tap.left > 2 {
                reach(Reach { j: Tap { left: tap.left - 2, ..tap }.code(), db: 2.0 * unit, ahead: 2, cost: 1.5 });
            }
            if tap.left <= 2 {
                let skipped = if tap.left == 2 { 1.5 } else { 0.0 };
                for (j, &begin) in score.begin.iter().enumerate().filter(|(_, begin)| begin.is_finite()) {
                    let after_downbeat = score.at[j] - score.bars[score.bar[j]].at;
                    let db = after_downbeat + unit * tap.left as f64;
                    reach(Reach { j: j as i32, db, ahead: 1, cost: begin + skipped });
                }
            }
            return;
        }
        let j = hyp.j as usize;
        for ahead in 1..=AHEAD {
            let Some(at) = score.at.get(j + ahead) else { return };
            let cost = costs::misses(miss, ahead - 1);
            if !reach(Reach { j: (j + ahead) as i32, db: at - score.at[j], ahead, cost }) {
                return;
            }
        }
    }

    /// The strike is one of the next strokes.
    fn go_on(&self, event: &Event, parent: u32, hyp: &Hyp, may_shift: bool, out: &mut Candidates) {
        let model = self.model;
        self.reaches(hyp, &mut |to| {
            let tp = hyp.tau + to.db * hyp.p;
            let dev = event.t - tp;
            let a = hyp.a + 2.0 * to.db * hyp.c + to.db * to.db * hyp.d + model.phase_walk_s.powi(2) * to.db;
            let c = hyp.c + to.db * hyp.d;
            let d = hyp.d + (model.tempo_walk * hyp.p).powi(2) * to.db;
            let s = a + event.var;
            let z2 = dev * dev / s;
            let hopeless = hyp.cost + to.cost - 2.0 * SURFACE_GAIN >= out.best + WIDTH;
            if hopeless || (to.ahead > AHEAD_SHIFT && dev < 0.0 && z2 > GATE) {
                return false;
            }
            let Ok(j) = usize::try_from(to.j) else {
                if z2 < GATE {
                    let cost = hyp.cost + to.cost + event.tap + timing(z2, s);
                    out.push(self.updated(
                        Hyp { cost, j: to.j, step: Step::CountIn, parent, last_db: event.db, ..*hyp },
                        tp,
                        dev,
                        (a, c, d),
                        s,
                        event.t,
                    ));
                }
                return true;
            };
            let (surface, mix) = self.surface(event, hyp, j);
            let base = hyp.cost + to.cost + surface;
            let in_reach = |cost: f64| cost < out.best + WIDTH;
            let in_time = if in_reach(base + event.least_timing) { base + timing(z2, s) } else { f64::INFINITY };
            let here = Hyp { j: to.j, parent, mix, fill: 0, last: event.t, last_db: event.db, ..*hyp };
            let opens_pass = self.score.opens_pass[j] || (to.ahead == 2 && self.score.opens_pass[j - 1]);
            if z2 < GATE && in_reach(in_time) {
                let next =
                    self.updated(Hyp { cost: in_time, step: Step::Match, ..here }, tp, dev, (a, c, d), s, event.t);
                out.push(next);
                if opens_pass && to.ahead <= 2 {
                    let d = (0.2 * next.p).powi(2);
                    out.push(Hyp { cost: in_time + costs::NEW_TEMPO, d, step: Step::NewTempo, ..next });
                }
            }
            if to.ahead > AHEAD_SHIFT || base >= out.best + WIDTH {
                return true;
            }
            let displaced = base + costs::DISPLACED + (costs::DISPLACED_SPAN * hyp.p).ln();
            let room = 0.45f64.min(0.8 * to.db / to.ahead as f64) * hyp.p;
            if to.ahead <= 2 && dev.abs() < room && event.t > hyp.last + 0.04 && displaced < in_time {
                out.push(Hyp { cost: displaced, tau: tp, a, c, d, step: Step::Displaced, ..here });
            }
            if may_shift && event.t > hyp.last + 0.05 && base + costs::SHIFT_AT_LEAST < out.best + WIDTH {
                if let Some(shift) = self.shift(hyp, to, j, opens_pass, dev) {
                    let d = hyp.d + (0.02 * hyp.p).powi(2);
                    out.push(Hyp {
                        cost: base + shift,
                        tau: event.t,
                        a: event.var,
                        c: 0.0,
                        d,
                        step: Step::Shift,
                        ..here
                    });
                }
            }
            true
        });
    }

    /// Cost of setting the pulse anew at stroke `j`, `dev` seconds from where it was due.
    fn shift(&self, hyp: &Hyp, to: Reach, j: usize, opens_pass: bool, dev: f64) -> Option<f64> {
        let late = dev / hyp.p;
        let rest = (j + 1 - to.ahead.min(j + 1)..=j).map(|k| self.score.rest_before[k]).fold(0.0, f64::max);
        let rest = if rest > 0.9 { rest } else { 0.0 };
        if late > costs::SHIFT_LEAST {
            return Some(if rest > 0.0 || opens_pass {
                costs::LATE_AT_JOIN + costs::pause(dev)
            } else if self.score.opens_bar[j] {
                (costs::LATE_AT_BAR + costs::pause(dev)).min(costs::LATE_ELSEWHERE + costs::long_pause(dev))
            } else {
                costs::LATE_ELSEWHERE + costs::long_pause(dev)
            });
        }
        if late < -costs::SHIFT_LEAST {
            if rest > 0.0 && late > -rest - 0.1 {
                return Some(costs::EARLY_AFTER_REST + (rest.max(0.5) * hyp.p).ln());
            }
            if late > -(0.6f64.min(0.8 * to.db)) {
                return Some(costs::EARLY_ELSEWHERE + (0.6 * hyp.p).ln());
            }
        }
        None
    }

    /// Cost of the surface heard at stroke `j`, and the mix-up to remember.
    fn surface(&self, event: &Event, hyp: &Hyp, j: usize) -> (f64, i8) {
        let written = self.score.surface[j];
        let cost = event.surface[written];
        match event.hard {
            Some(heard) if heard != written => {
                let code = (written * super::model::N + heard) as i8;
                (if hyp.mix == code { cost.min(event.mixed) } else { cost }, code)
            }
            _ if hyp.mix >= 0 && hyp.mix as usize / super::model::N == written => (cost, -1),
            _ => (cost, hyp.mix),
        }
    }

    /// The account after a strike in time: one step of the filter.
    fn updated(&self, hyp: Hyp, tp: f64, dev: f64, (a, c, d): (f64, f64, f64), s: f64, t: f64) -> Hyp {
        // A strike far out moves the pulse less than one near by.
        let trust = ((DEGREES + 1.0) / (DEGREES + dev * dev / s)).min(1.0);
        let (g, h) = (a / s * trust, c / s * trust);
        Hyp {
            tau: tp + g * dev,
            p: self.bounded(hyp.p + h * dev),
            a: a * (1.0 - g),
            c: c * (1.0 - g),
            d: d - h * c,
            last: t,
            ..hyp
        }
    }

    fn bounded(&self, p: f64) -> f64 {
        p.clamp(FASTEST * self.model.quarter_s, SLOWEST * self.model.quarter_s)
    }

    /// From the end of a bar to the start of another, in tempo.
    fn jumps(&self, event: &Event, beam: &[Hyp], out: &mut Candidates) {
        let mut sources: Vec<(f64, usize, usize)> = Vec::new();
        for (k, hyp) in beam.iter().enumerate() {
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let mut unheard = self.score.left[j];
            let mut bar = self.score.bar[j];
            // From this bar's end, and from the end of following bars as long as hardly anything of them is unheard.
            while unheard <= 2 && bar < self.score.bars.len() && bar <= self.score.bar[j] + 4 {
                sources.push((hyp.cost + costs::misses(self.model.miss, unheard), k, bar));
                bar += 1;
                unheard += self.score.strokes_in(bar);
            }
        }
        sources.sort_by(|x, y| x.0.total_cmp(&y.0));
        sources.truncate(SOURCES);
        for &(cost, k, bar) in &sources {
            let hyp = &beam[k];
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let to_bar_end = self.score.bars[bar].at + self.score.bar_length - self.score.at[j];
            for (offset, targets) in &self.score.targets {
                let db = to_bar_end + offset;
                let tp = hyp.tau + db * hyp.p;
                let dev = event.t - tp;
                let a = hyp.a + 2.0 * db * hyp.c + db * db * hyp.d + self.model.phase_walk_s.powi(2) * db;
                let s = a + event.var;
                let z2 = dev * dev / s;
                let in_time = cost + timing(z2, s);
                if z2 >= GATE_JUMP || in_time + costs::JUMP_UNIT - 2.0 >= out.best + WIDTH {
                    continue;
                }
                let (c, d) = (hyp.c + db * hyp.d, hyp.d + (self.model.tempo_walk * hyp.p).powi(2) * db);
                let here = Hyp { parent: k as u32, mix: -1, fill: 0, last_db: event.db, step: Step::Jump, ..*hyp };
                let here = self.updated(here, tp, dev, (a, c, d), s, event.t);
                for target in targets {
                    let jump = self.score.jump(bar, target.bar) + target.cost;
                    self.land(event, in_time + jump, target, here, out);
                }
            }
        }
    }

    /// From anywhere to the start of a bar after a pause.
    fn jumps_paused(&self, event: &Event, beam: &[Hyp], out: &mut Candidates) {
        let mut sources: Vec<(f64, usize, f64)> = Vec::new();
        for (k, hyp) in beam.iter().enumerate() {
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let gap = self.score.at.get(j + 1).map_or(1.0, |next| next - self.score.at[j]).max(0.25);
            let late = event.t - hyp.tau - gap * hyp.p;
            if late > 0.35 * hyp.p {
                sources.push((hyp.cost + costs::pause(late), k, late));
            }
        }
        sources.sort_by(|x, y| x.0.total_cmp(&y.0));
        sources.truncate(SOURCES_PAUSED);
        for &(cost, k, _) in &sources {
            let hyp = &beam[k];
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let (from, d) = (self.score.bar[j], hyp.d + (0.05 * hyp.p).powi(2));
            let here = Hyp {
                tau: event.t,
                a: event.var,
                c: 0.0,
                d,
                last: event.t,
                last_db: event.db,
                mix: -1,
                fill: 0,
                parent: k as u32,
                step: Step::JumpAfterPause,
                ..*hyp
            };
            for target in self.score.targets.iter().flat_map(|(_, list)| list) {
                let jump = self.score.jump_paused(from, target.bar) + target.cost;
                self.land(event, cost + jump, target, here, out);
            }
        }
    }

    fn land(&self, event: &Event, cost: f64, target: &Target, here: Hyp, out: &mut Candidates) {
        let cost = cost + event.surface[self.score.surface[target.stroke]];
        if cost.is_finite() {
            out.push(Hyp { cost, j: target.stroke as i32, ..here });
        }
    }
}

/// Minus the log density of a deviation whose square is `z2` of its squared scale `s`.
fn timing(z2: f64, s: f64) -> f64 {
    T_CONSTANT + 0.5 * (s * (1.0 + z2 / DEGREES).powi(DEGREES as i32 + 1)).ln()
}

/// Lengths of a quarter to begin with: (seconds, variance, cost). A player keeps the tempo asked for to 7 % in 7 takes
/// of 10; otherwise anything from under half to over twice is possible (spread 35 %).
fn tempi(quarter_s: f64) -> Vec<(f64, f64, f64)> {
    let (from, to) = (FASTEST.ln(), SLOWEST.ln());
    let step = (to - from) / (TEMPI - 1) as f64;
    let normal = |x: f64, s: f64| (-0.5 * (x / s).powi(2)).exp() / (s * LN_2PI.exp().sqrt());
    (0..TEMPI)
        .map(|k| {
            let x = from + step * k as f64;
            let density = 0.7 * normal(x, 0.07f64.hypot(0.3 * step)) + 0.3 * normal(x, 0.35);
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

/// The best account of each cell, within [`WIDTH`] of the best of all, at most `beam` of them, cheapest first.
fn prune(out: Candidates, quarter_s: f64, beam: usize) -> Vec<Hyp> {
    let mut order: Vec<(f64, u32)> = (out.list.iter().enumerate())
        .filter(|(_, hyp)| hyp.cost < out.best + WIDTH)
        .map(|(k, hyp)| (hyp.cost, k as u32))
        .collect();
    let by_cost = |x: &(f64, u32), y: &(f64, u32)| x.0.total_cmp(&y.0).then(x.1.cmp(&y.1));
    if order.len() > 3 * beam {
        order.select_nth_unstable_by(3 * beam, by_cost);
        order.truncate(3 * beam);
    }
    order.sort_unstable_by(by_cost);
    let mut seen = Seen::new(beam);
    let mut kept = Vec::with_capacity(beam);
    for (_, k) in order {
        let hyp = out.list[k as usize];
        let phase = (hyp.tau / CELL_PHASE_S).round() as i64;
        let tempo = ((hyp.p / quarter_s).ln() / CELL_TEMPO).round() as i64;
        let open = hyp.d > (0.12 * hyp.p).powi(2);
        // Stroke, phase (of an hour), tempo, and two flags side by side in one number.
        let flags = u64::from(open) << 2 | u64::from(hyp.fill.min(2));
        let cell = ((hyp.j + 64) as u64) << 40 | (phase as u64 & 0xf_ffff) << 16 | ((tempo + 256) as u64 & 0x1fff) << 3 | flags;
        if seen.insert(cell) {
            kept.push(hyp);
            if kept.len() == beam {
                break;
            }
        }
    }
    kept
}
