//! What a player could have meant by a strike: every way in which an account of the take goes on.

use super::model::{Event, N};
use super::pulse::{Off, Pulse};
use super::score::{Jump, Target};
use super::search::{BEFORE, Candidates, Hyp, LOST, May, Search};
use super::{Step, costs};

/// Squared deviations (in variances) beyond which a strike is not in time.
const GATE: f64 = 36.0;
const GATE_JUMP: f64 = 25.0;
/// Sources of jumps tried at each strike.
const SOURCES: usize = 24;
const SOURCES_PAUSED: usize = 16;
const SOURCES_LOST: usize = 4;
/// Strokes ahead that a strike may be: two bars of sixteenths left out.
const AHEAD: usize = 32;
/// What a surface heard as written may take off a cost, at most, nats.
const SURFACE_GAIN: f64 = 3.0;
/// Strokes ahead at which the pulse may be set anew.
const AHEAD_SHIFT: usize = 3;
/// Two strikes nearer than this are never two strokes, seconds; nor does the pulse begin anew within that.
const APART_S: f64 = 0.04;
const APART_ANEW_S: f64 = 0.05;
/// A strike this many quarters before a rest's edge is still the stroke before it, or the one after.
const REST_EDGE: f64 = 0.2;
/// A rest that one can come back from late or early, quarters.
const REST: f64 = 0.9;
/// A stroke is displaced by so many quarters at most, and by this share of the way from the stroke before.
const DISPLACED: (f64, f64) = (0.45, 0.8);
/// The same of an entry that comes early.
const EARLY: (f64, f64) = (0.6, 0.8);
/// Later than so many quarters somebody may have stopped and gone elsewhere.
const STOPPED: f64 = 0.35;
/// What the tempo may be off by, as a share, after the pulse is set anew; after a stop; where a pass has a tempo of its own.
const SHIFTED_TEMPO: f64 = 0.02;
const RESUMED_TEMPO: f64 = 0.05;
const OWN_TEMPO: f64 = 0.2;
/// A tap of the count-in that is left out, nats.
const TAP_LEFT_OUT: f64 = 1.5;
/// Who begins at the beginning begins at one of these strokes.
const FIRST_STROKES: usize = 2;
/// A jump leaves from this bar or one of the next, as long as so few strokes on the way are unheard.
const LEAVES: (usize, usize) = (4, 2);

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

impl Search<'_> {
    /// The strike belongs to nothing that is written.
    pub(super) fn extra(&self, event: &Event, parent: u32, hyp: &Hyp, may_lose: bool, out: &mut Candidates) {
        let mut next = Hyp { parent, step: Step::Extra, ..*hyp };
        let cost = &event.as_extra;
        let outside = if hyp.fill >= costs::OUTSIDE_BURST_FROM { cost.burst } else { cost.outside };
        let Ok(j) = usize::try_from(hyp.j) else {
            next.cost += if hyp.j == BEFORE { outside } else { cost.inside };
            next.fill = one_more(hyp.fill);
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
        if may_lose && j + 1 < self.score.len() {
            let enter = if hyp.fill == LOST { 0.0 } else { costs::LOST_ENTER };
            out.push(Hyp { cost: hyp.cost + enter + cost.nowhere, step: Step::Lost, fill: LOST, ..next });
        }
        if hyp.fill == LOST {
            // A sound of another kind in between does not find the place.
            next.cost += cost.inside;
            return out.push(next);
        }
        let pos = (event.t - hyp.pulse.at) / hyp.pulse.quarter;
        let in_rest = self.score.rest_after[j].filter(|&(from, to)| pos > from - REST_EDGE && pos < to - REST_EDGE);
        if let Some(rest) = in_rest {
            self.fill(event, hyp, pos, rest, next, out);
            next.cost += cost.rest;
            next.step = Step::InRest;
        } else if j + 1 == self.score.len() && pos > REST_EDGE {
            next.cost += outside;
            next.fill = one_more(hyp.fill);
        } else {
            self.in_later_rest(event, &next, pos, out);
            next.cost += if may_lose && hyp.fill >= costs::LOST_FROM { cost.lost } else { cost.inside };
            next.fill = one_more(hyp.fill);
        }
        out.push(next);
    }

    /// The strike falls in a rest before which a stroke or two were left out.
    fn in_later_rest(&self, event: &Event, hyp: &Hyp, pos: f64, out: &mut Candidates) {
        let j = hyp.j as usize;
        for left_out in 1..=2 {
            let Some(Some((from, to))) = self.score.rest_after.get(j + left_out).copied() else { continue };
            let db = self.score.at[j + left_out] - self.score.at[j];
            if pos - db <= from - REST_EDGE || pos - db >= to - REST_EDGE {
                continue;
            }
            let moved = Hyp {
                cost: hyp.cost + costs::misses(self.model.miss, left_out),
                pulse: hyp.pulse.predict(db, self.model),
                j: (j + left_out) as i32,
                fill: 0,
                step: Step::InRest,
                ..*hyp
            };
            self.fill(event, &moved, pos - db, (from, to), moved, out);
            out.push(Hyp { cost: moved.cost + event.as_extra.rest, ..moved });
        }
    }

    /// The player goes on through a rest, in time.
    fn fill(&self, event: &Event, hyp: &Hyp, pos: f64, (from, to): (f64, f64), next: Hyp, out: &mut Candidates) {
        let fine = (pos - from) * 4.0;
        let step = if fine.round().rem_euclid(2.0) < 0.5 { 0.0 } else { costs::FILL_FINE };
        let place = (from + fine.round() / 4.0).min(to);
        let off = Off {
            by: (pos - place) * hyp.pulse.quarter,
            ..hyp.pulse.predict(place, self.model).off(event.t, event.var)
        };
        let surface = 0.5 * event.surface[self.score.surface[hyp.j as usize]].min(0.0);
        let enter = if hyp.fill > 0 { costs::FILL_NEXT } else { costs::FILL_FIRST };
        let cost = hyp.cost + enter + costs::FILL_PLACE + step + surface + off.cost();
        out.push(Hyp {
            cost,
            pulse: hyp.pulse.update_within(place, off, self.model),
            fill: one_more(hyp.fill),
            step: Step::InRest,
            ..next
        });
    }

    /// The strike is the first one that counts: a stroke, or a tap of a count-in.
    pub(super) fn begin(&self, event: &Event, parent: u32, hyp: &Hyp, anywhere: bool, out: &mut Candidates) {
        let start = Hyp { last: event.t, last_db: event.db, mix: -1, fill: 0, parent, ..*hyp };
        let at = |tempo| Pulse::begin(event.t, event.var, tempo);
        for &(j, begin) in &self.score.begins {
            if anywhere || j <= FIRST_STROKES {
                let cost = hyp.cost + begin + event.surface[self.score.surface[j]];
                if cost >= out.limit() {
                    continue;
                }
                for &(p, d, prior) in &self.tempi {
                    out.push(Hyp { cost: cost + prior, pulse: at((p, d)), j: j as i32, step: Step::Start, ..start });
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
                    out.push(Hyp { cost: cost + prior, pulse: at((p, d)), j, step: Step::CountIn, ..start });
                }
            }
        }
    }

    /// What could come next for an account that has begun.
    fn reaches(&self, hyp: &Hyp, anywhere: bool, reach: &mut dyn FnMut(Reach) -> bool) {
        let score = self.score;
        let miss = self.model.miss;
        if let Some(tap) = Tap::of(hyp.j) {
            let unit = score.count_units[tap.lane];
            if tap.left > 1 {
                reach(Reach { j: Tap { left: tap.left - 1, ..tap }.code(), db: unit, ahead: 1, cost: 0.0 });
            }
            if tap.left > 2 {
                reach(Reach {
                    j: Tap { left: tap.left - 2, ..tap }.code(),
                    db: 2.0 * unit,
                    ahead: 2,
                    cost: TAP_LEFT_OUT,
                });
            }
            if tap.left <= 2 {
                let skipped = if tap.left == 2 { TAP_LEFT_OUT } else { 0.0 };
                for &(j, begin) in score.begins.iter().filter(|(j, _)| anywhere || *j <= FIRST_STROKES) {
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
    pub(super) fn go_on(&self, event: &Event, parent: u32, hyp: &Hyp, may: May, out: &mut Candidates) {
        let model = self.model;
        self.reaches(hyp, may.begin_late, &mut |to| {
            let due = hyp.pulse.predict(to.db, model);
            let off = due.off(event.t, event.var);
            let z2 = off.squared();
            let hopeless = hyp.cost + to.cost - 2.0 * SURFACE_GAIN >= out.limit();
            if hopeless || (to.ahead > AHEAD_SHIFT && off.by < 0.0 && z2 > GATE) {
                return false;
            }
            let Ok(j) = usize::try_from(to.j) else {
                if z2 < GATE {
                    let cost = hyp.cost + to.cost + event.tap + off.cost();
                    let pulse = due.update(off, model);
                    let (last, last_db) = (event.t, event.db);
                    out.push(Hyp { cost, pulse, j: to.j, step: Step::CountIn, parent, last, last_db, ..*hyp });
                }
                return true;
            };
            let (surface, mix) = self.surface(event, hyp, j);
            let base = hyp.cost + to.cost + surface;
            let in_reach = |cost: f64| cost < out.limit();
            let in_time = if in_reach(base + event.least_timing) { base + off.cost() } else { f64::INFINITY };
            let here = Hyp { j: to.j, parent, mix, fill: 0, last: event.t, last_db: event.db, ..*hyp };
            let opens_pass = self.score.opens_pass[j] || (to.ahead == 2 && self.score.opens_pass[j - 1]);
            if z2 < GATE && in_reach(in_time) {
                let next = Hyp { cost: in_time, pulse: due.update(off, model), step: Step::Match, ..here };
                out.push(next);
                if opens_pass && to.ahead <= 2 {
                    let pulse = Pulse { quarter_var: (OWN_TEMPO * next.pulse.quarter).powi(2), ..next.pulse };
                    out.push(Hyp { cost: in_time + costs::NEW_TEMPO, pulse, step: Step::NewTempo, ..next });
                }
            }
            if to.ahead > AHEAD_SHIFT || base >= out.limit() {
                return true;
            }
            let room = DISPLACED.0.min(DISPLACED.1 * to.db / to.ahead as f64) * hyp.pulse.quarter;
            let displaced = base + self.displaced;
            if to.ahead <= 2 && off.by.abs() < room && event.t > hyp.last + APART_S && displaced < in_time {
                out.push(Hyp { cost: displaced, pulse: due, step: Step::Displaced, ..here });
            }
            if may.shift
                && event.t > hyp.last + APART_ANEW_S
                && base + costs::SHIFT_AT_LEAST < out.limit()
                && let Some(shift) = self.shift(hyp, to, j, opens_pass, off.by)
            {
                let pulse = hyp.pulse.anew(event.t, event.var, SHIFTED_TEMPO);
                out.push(Hyp { cost: base + shift, pulse, step: Step::Shift, ..here });
            }
            true
        });
    }

    /// Cost of setting the pulse anew at stroke `j`, `dev` seconds from where it was due.
    fn shift(&self, hyp: &Hyp, to: Reach, j: usize, opens_pass: bool, dev: f64) -> Option<f64> {
        let late = dev / hyp.pulse.quarter;
        if hyp.fill == LOST && late > costs::SHIFT_LEAST {
            return Some(costs::FOUND_SAME + costs::found_again(dev + to.db * hyp.pulse.quarter));
        }
        let rest = (j + 1 - to.ahead.min(j + 1)..=j).map(|k| self.score.rest_before[k]).fold(0.0, f64::max);
        let rest = if rest > REST { rest } else { 0.0 };
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
                return Some(costs::EARLY_AFTER_REST + (rest.max(0.5) * hyp.pulse.quarter).ln());
            }
            if late > -(EARLY.0.min(EARLY.1 * to.db)) {
                return Some(costs::EARLY_ELSEWHERE + (EARLY.0 * hyp.pulse.quarter).ln());
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
                let code = (written * N + heard) as i8;
                (if hyp.mix == code { cost.min(event.mixed) } else { cost }, code)
            }
            _ if hyp.mix >= 0 && hyp.mix as usize / N == written => (cost, -1),
            _ => (cost, hyp.mix),
        }
    }

    /// From the end of a bar to the start of another, in tempo.
    pub(super) fn jumps(&self, event: &Event, beam: &[Hyp], out: &mut Candidates) {
        let mut sources: Vec<(f64, usize, usize)> = Vec::new();
        for (k, hyp) in beam.iter().enumerate() {
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let mut unheard = self.score.left[j];
            let mut bar = self.score.bar[j];
            // From this bar's end, and from the end of following bars as long as hardly anything of them is unheard.
            while unheard <= LEAVES.1 && bar < self.score.bars.len() && bar <= self.score.bar[j] + LEAVES.0 {
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
            for targets in &self.score.targets {
                let db = to_bar_end + targets.offset;
                let due = hyp.pulse.predict(db, self.model);
                let off = due.off(event.t, event.var);
                if off.squared() >= GATE_JUMP
                    || cost + event.least_timing + costs::JUMP_UNIT - SURFACE_GAIN >= out.limit()
                {
                    continue;
                }
                let in_time = cost + off.cost();
                if in_time + costs::JUMP_UNIT - SURFACE_GAIN >= out.limit() {
                    continue;
                }
                let (pulse, parent) = (due.update(off, self.model), k as u32);
                let (last, last_db) = (event.t, event.db);
                let here = Hyp { pulse, parent, mix: -1, fill: 0, last, last_db, step: Step::Jump, ..*hyp };
                let most = out.limit() - in_time + most_gained(event);
                for target in self.score.within(targets, Jump::InTempo, bar, most) {
                    let jump = self.score.jump(bar, target.bar) + target.cost;
                    self.land(event, in_time + jump, target, here, out);
                }
            }
        }
    }

    /// From anywhere to the start of a bar after a pause.
    pub(super) fn jumps_paused(&self, event: &Event, beam: &[Hyp], out: &mut Candidates) {
        let mut sources: Vec<(f64, usize)> = Vec::new();
        for (k, hyp) in beam.iter().enumerate() {
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let gap = self.score.at.get(j + 1).map_or(1.0, |next| next - self.score.at[j]).max(0.25);
            let late = event.t - hyp.pulse.at - gap * hyp.pulse.quarter;
            if late > STOPPED * hyp.pulse.quarter && hyp.cost + costs::RESTART_SECTION - SURFACE_GAIN < out.limit() {
                sources.push((hyp.cost + costs::pause(late), k));
            }
        }
        sources.sort_by(|x, y| x.0.total_cmp(&y.0));
        sources.truncate(SOURCES_PAUSED);
        for &(cost, k) in &sources {
            if cost + costs::RESTART_SECTION - SURFACE_GAIN >= out.limit() {
                break;
            }
            let hyp = &beam[k];
            let Ok(j) = usize::try_from(hyp.j) else { continue };
            let (from, here) = (self.score.bar[j], anew(event, k as u32, hyp));
            let most = out.limit() - cost + most_gained(event);
            let within = |targets| self.score.within(targets, Jump::AfterPause, from, most);
            for target in self.score.targets.iter().flat_map(within) {
                let jump = self.score.jump_paused(from, target.bar) + target.cost;
                self.land(event, cost + jump, target, here, out);
            }
        }
    }

    /// Finding the place again, at the start of a bar.
    pub(super) fn found(&self, event: &Event, beam: &[Hyp], out: &mut Candidates) {
        // The beam is in order of cost.
        let lost = beam.iter().enumerate().filter(|(_, hyp)| hyp.fill == LOST && hyp.j >= 0).take(SOURCES_LOST);
        for (k, hyp) in lost {
            let cost = hyp.cost + costs::found_again(event.t - hyp.last);
            if cost + costs::FOUND_NEAR - SURFACE_GAIN >= out.limit() {
                continue;
            }
            let (from, here) = (self.score.bar[hyp.j as usize], anew(event, k as u32, hyp));
            let most = out.limit() - cost + most_gained(event);
            let within = |targets| self.score.within(targets, Jump::AfterLoss, from, most);
            for target in self.score.targets.iter().flat_map(within) {
                let found = self.score.found_at(from, target.bar) + target.cost;
                self.land(event, cost + found, target, here, out);
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

/// What the surface heard may take off a cost where it is the one written, nats.
fn most_gained(event: &Event) -> f64 {
    -event.surface.iter().copied().fold(0.0, f64::min)
}

/// One more strike in a rest or outside the piece; [`LOST`] means something else.
fn one_more(fill: u8) -> u8 {
    fill.saturating_add(1).min(LOST - 1)
}

/// An account that begins anew at this strike, its tempo nearly kept.
fn anew(event: &Event, parent: u32, hyp: &Hyp) -> Hyp {
    Hyp {
        pulse: hyp.pulse.anew(event.t, event.var, RESUMED_TEMPO),
        last: event.t,
        last_db: event.db,
        mix: -1,
        fill: 0,
        parent,
        step: Step::JumpAfterPause,
        ..*hyp
    }
}
