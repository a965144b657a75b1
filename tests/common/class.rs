//! Pupils: a written part, a way of playing and faults -> notes at times, with the truth beside them.

use super::rng::Rng;
use pailbeat::assess::Kind;
use pailbeat::part::{Hands, Surface, Timeline};

/// A stroke as it was really played, or a strike that nobody wrote.
#[derive(Clone, Debug)]
pub struct Note {
    pub stroke: Option<usize>,
    /// Quarters on the player's own count.
    pub at: f64,
    /// Seconds added from here on (`pause_s`) and to this note alone (`alone_s`).
    pub pause_s: f64,
    pub alone_s: f64,
    pub surface: Surface,
    pub both: bool,
    pub level_db: f64,
    /// Falls at an exact time after the note before (bounces).
    pub bounce: bool,
}

/// What a judge should find.
#[derive(Clone, Debug)]
pub struct Planted {
    pub kind: Kind,
    /// Other true names of the same event.
    pub also: Vec<Kind>,
    pub section: String,
    /// Passes and bars at which it may be told.
    pub passes: Vec<u32>,
    pub bars: (u32, u32),
    /// Nobody in the room could overlook it.
    pub plain: bool,
}

/// How a pupil plays.
#[derive(Clone, Debug)]
pub struct Manner {
    pub jitter_s: f64,
    /// Noise of the inner clock after one quarter, seconds: the phase wanders with it.
    pub clock_s: f64,
    /// Share of the last deviation that is taken back at the next stroke; 0 for none.
    pub correction: f64,
    /// Swaying of the tempo (share) and its period (quarters).
    pub sway: (f64, f64),
    /// Tempo against the one asked for.
    pub tempo: f64,
    /// Share by which the tempo rises over the take, and whether it does so unevenly.
    pub rise: f64,
    pub uneven: bool,
    /// Single notes off by themselves: how often.
    pub displaced: f64,
    /// Spread of levels, dB.
    pub level_sd: f64,
    /// Time between two hands, seconds (sd).
    pub hands_s: f64,
}

impl Manner {
    /// A beginner.
    pub fn usual(rng: &mut Rng) -> Manner {
        let jitter_s = rng.between(0.012, 0.032);
        Manner {
            jitter_s,
            clock_s: jitter_s * rng.between(0.2, 0.7),
            correction: if rng.chance(0.5) { 0.0 } else { rng.between(0.2, 0.7) },
            sway: (rng.between(0.0, 0.02), rng.between(8.0, 24.0)),
            tempo: rng.between(0.88, 1.14),
            rise: 0.0,
            uneven: false,
            displaced: 0.0,
            level_sd: rng.between(1.5, 4.0),
            hands_s: rng.between(0.004, 0.014),
        }
    }

    /// A young one: loose time, wobbling tempo.
    pub fn loose(rng: &mut Rng) -> Manner {
        let jitter_s = rng.between(0.030, 0.055);
        Manner {
            jitter_s,
            clock_s: rng.between(0.010, 0.025),
            correction: if rng.chance(0.5) { 0.0 } else { rng.between(0.2, 0.9) },
            sway: (rng.between(0.01, 0.035), rng.between(8.0, 24.0)),
            tempo: rng.between(0.8, 1.25),
            displaced: 0.006,
            ..Manner::usual(rng)
        }
    }
}

/// A performance being written.
pub struct Player<'a> {
    pub timeline: &'a Timeline,
    pub notes: Vec<Note>,
    pub faults: Vec<Planted>,
    /// Bars in the order played: bar, strokes kept, pause before it in seconds.
    bars: Vec<(usize, usize, f64)>,
    /// Notes near which something has been planted already.
    busy: Vec<usize>,
}

impl<'a> Player<'a> {
    pub fn new(timeline: &'a Timeline) -> Player<'a> {
        let bars = (0..timeline.bars.len()).map(|m| (m, usize::MAX, 0.0)).collect();
        let mut player = Player { timeline, notes: Vec::new(), faults: Vec::new(), bars, busy: Vec::new() };
        player.write();
        player
    }

    fn section(&self, bar: usize) -> String {
        self.timeline.passes[self.timeline.bars[bar].pass].section.clone()
    }

    /// Notes from the bars in their order.
    fn write(&mut self) {
        let q = self.timeline.meter.bar().quarters();
        let mut start = 0.0;
        self.notes.clear();
        for &(m, keep, pause_s) in &self.bars {
            let bar = &self.timeline.bars[m];
            let mut pause = pause_s;
            let mut end = start + q;
            for (k, j) in bar.strokes.clone().enumerate() {
                let stroke = &self.timeline.strokes[j];
                let at = start + (stroke.at - bar.at).quarters();
                if k >= keep {
                    end = at;
                    break;
                }
                let both = stroke.hands == Hands::Both;
                self.notes.push(Note {
                    stroke: Some(j),
                    at,
                    pause_s: std::mem::take(&mut pause),
                    alone_s: 0.0,
                    surface: stroke.surface,
                    both,
                    level_db: if both { 2.0 } else { 0.0 },
                    bounce: false,
                });
            }
            start = end;
        }
    }

    fn plant(&mut self, kind: Kind, also: &[Kind], bars: std::ops::Range<usize>, plain: bool) {
        let first = self.timeline.bars[bars.start].clone();
        let section = self.section(bars.start);
        let numbers: Vec<u32> =
            bars.filter(|&b| self.timeline.bars[b].pass == first.pass).map(|b| self.timeline.bars[b].number).collect();
        let span = (*numbers.iter().min().unwrap(), *numbers.iter().max().unwrap());
        let number = self.timeline.passes[first.pass].number;
        self.faults.push(Planted { kind, also: also.to_vec(), section, passes: vec![number], bars: span, plain });
    }

    /// Neighbouring passes of the same section are one as far as the ear can tell.
    fn loosen_pass(&mut self, pass: usize) {
        let section = &self.timeline.passes[pass].section;
        let same = |p: &usize| &self.timeline.passes[*p].section == section;
        let down = (0..pass).rev().take_while(same).collect::<Vec<_>>();
        let up = (pass + 1..self.timeline.passes.len()).take_while(same).collect::<Vec<_>>();
        let numbers =
            down.into_iter().chain(up).chain([pass]).map(|p| self.timeline.passes[p].number).collect::<Vec<_>>();
        if let Some(fault) = self.faults.last_mut() {
            fault.passes.extend(numbers);
        }
    }

    /// Units (a time through a repeat, or a whole pass) as bar ranges, with the range in which they repeat.
    fn units(&self) -> Vec<(std::ops::Range<usize>, std::ops::Range<usize>, bool)> {
        let bars = &self.timeline.bars;
        let mut out = Vec::new();
        for pass in &self.timeline.passes {
            out.push((pass.bars.clone(), pass.bars.clone(), false));
            let mut b = pass.bars.start;
            while b < pass.bars.end {
                let unit = bars[b].repeat;
                let end = (b..pass.bars.end).find(|&x| bars[x].repeat != unit).unwrap_or(pass.bars.end);
                if let Some((sign, _)) = unit {
                    let all = (pass.bars.clone()).filter(|&x| bars[x].repeat.is_some_and(|(s, _)| s == sign));
                    let (lo, hi) = all.fold((usize::MAX, 0), |(a, z), x| (a.min(x), z.max(x)));
                    out.push((b..end, lo..hi + 1, true));
                }
                b = end;
            }
        }
        out
    }

    /// Where in the playing order a bar stands, if it was played whole and nothing was planted there.
    fn played(&self, bar: usize) -> Option<usize> {
        self.bars.iter().position(|&(m, keep, pause)| m == bar && keep == usize::MAX && pause == 0.0)
    }

    // ---- faults of form

    pub fn repeat_extra(&mut self, rng: &mut Rng) -> bool {
        let Some((unit, group)) = rng.pick_unit(self, |_, _| true) else { return false };
        let Some(end) = self.played(unit.end - 1) else { return false };
        let copy: Vec<_> = unit.clone().map(|m| (m, usize::MAX, 0.0)).collect();
        self.bars.splice(end + 1..end + 1, copy);
        self.plant(Kind::RepeatExtra, &[], group, true);
        self.loosen_pass(self.timeline.bars[unit.start].pass);
        self.write();
        true
    }

    pub fn repeat_missing(&mut self, rng: &mut Rng) -> bool {
        let Some((unit, group)) = rng.pick_unit(self, |unit, group| group.len() > unit.len()) else { return false };
        let Some(start) = self.played(unit.start) else { return false };
        if self.bars.get(start + unit.len() - 1).is_none_or(|b| b.0 + 1 != unit.end) {
            return false;
        }
        self.bars.drain(start..start + unit.len());
        self.plant(Kind::RepeatMissing, &[Kind::SectionSkipped], group, true);
        self.loosen_pass(self.timeline.bars[unit.start].pass);
        self.write();
        true
    }

    pub fn section_skipped(&mut self, rng: &mut Rng) -> bool {
        let n = self.timeline.passes.len();
        if n < 3 {
            return false;
        }
        let pass = 1 + rng.below(n - 2);
        let range = self.timeline.passes[pass].bars.clone();
        let Some(start) = self.played(range.start) else { return false };
        if self.bars.get(start + range.len() - 1).is_none_or(|b| b.0 + 1 != range.end) {
            return false;
        }
        self.bars.drain(start..start + range.len());
        self.plant(Kind::SectionSkipped, &[Kind::RepeatMissing], range, true);
        self.loosen_pass(pass);
        self.write();
        true
    }

    /// Stops inside a bar and goes back: to the section's start, the piece's, this bar's or the one before.
    pub fn restarted(&mut self, rng: &mut Rng, near: bool) -> bool {
        let index = 1 + rng.below(self.bars.len().saturating_sub(2));
        let Some(&(m, keep, pause)) = self.bars.get(index) else { return false };
        let strokes = self.timeline.bars[m].strokes.len();
        if keep != usize::MAX || pause > 0.0 || strokes < 2 {
            return false;
        }
        let pass = &self.timeline.passes[self.timeline.bars[m].pass];
        let back = if near {
            m - rng.below(2).min(m)
        } else if rng.chance(0.25) {
            0
        } else {
            pass.bars.start
        };
        if self.timeline.bars[back].strokes.is_empty() {
            return false;
        }
        self.bars[index].1 = 1 + rng.below(strokes - 1);
        let mut again: Vec<_> = (back..=m).map(|b| (b, usize::MAX, 0.0)).collect();
        again[0].2 = rng.between(0.8, 4.0);
        self.bars.splice(index + 1..index + 1, again);
        self.plant(Kind::Restarted, &[], back..back + 1, true);
        self.write();
        true
    }

    /// Plays one bar again without losing the beat.
    pub fn bar_again(&mut self, rng: &mut Rng) -> bool {
        let index = 1 + rng.below(self.bars.len().saturating_sub(2));
        let Some(&(m, keep, pause)) = self.bars.get(index) else { return false };
        if keep != usize::MAX || pause > 0.0 || self.timeline.bars[m].strokes.is_empty() {
            return false;
        }
        self.bars.insert(index + 1, (m, usize::MAX, 0.0));
        let alike = |b: usize| self.timeline.sound_alike(b, m);
        let lo = (0..m).rev().take_while(|&b| alike(b)).last().unwrap_or(m);
        let hi = (m..self.timeline.bars.len()).take_while(|&b| alike(b)).last().unwrap_or(m);
        self.plant(Kind::Restarted, &[Kind::RepeatExtra], lo..hi + 1, true);
        self.write();
        true
    }

    pub fn start_late(&mut self, rng: &mut Rng) -> bool {
        let passes = &self.timeline.passes;
        let at =
            if rng.chance(0.6) && passes.len() > 2 { passes[1].bars.start } else { 1 + rng.below(self.bars.len() / 2) };
        if self.bars.iter().enumerate().any(|(k, b)| b.0 != k) || self.timeline.bars[at].strokes.is_empty() {
            return false;
        }
        // A beginning that sounds like the true beginning is none that anybody could hear.
        if self.timeline.sound_alike(0, at) {
            return false;
        }
        self.bars.drain(..at);
        self.plant(Kind::StartedLate, &[Kind::SectionSkipped], at..at + 1, true);
        self.write();
        true
    }

    /// Not a fault to be found: the take is only shorter.
    pub fn stop_early(&mut self, rng: &mut Rng) -> bool {
        let n = self.bars.len();
        let at = n / 2 + rng.below(n / 3);
        let pass = self.timeline.bars[self.bars[at].0].pass;
        if pass + 1 == self.timeline.passes.len() || self.timeline.bars[self.bars[at].0].strokes.len() < 3 {
            return false;
        }
        self.bars.truncate(at + 1);
        self.bars[at].1 = 2;
        self.write();
        true
    }

    // ---- faults of notes: after all faults of form

    /// A note that satisfies `ok`, with nothing planted near it.
    fn free(&mut self, rng: &mut Rng, ok: impl Fn(&Self, usize) -> bool) -> Option<usize> {
        let n = self.notes.len();
        let candidates: Vec<usize> = (4..n.saturating_sub(4))
            .filter(|&k| self.notes[k - 1].pause_s == 0.0 && self.notes[k].pause_s == 0.0)
            .filter(|&k| {
                let (a, b) = (self.notes[k - 1].stroke, self.notes[k].stroke);
                a.zip(b).is_some_and(|(a, b)| b == a + 1)
            })
            .filter(|&k| self.busy.iter().all(|&b| b.abs_diff(k) > 6))
            .filter(|&k| self.jumps().iter().all(|&b| b.abs_diff(k) > 6))
            .filter(|&k| ok(self, k))
            .collect();
        let k = rng.pick(&candidates)?;
        self.busy.push(k);
        Some(k)
    }

    fn jumps(&self) -> Vec<usize> {
        (1..self.notes.len())
            .filter(|&k| self.notes[k - 1].stroke.zip(self.notes[k].stroke).is_some_and(|(a, b)| b != a + 1))
            .collect()
    }

    fn rest_before(&self, k: usize) -> f64 {
        let (Some(a), Some(b)) = (self.notes[k - 1].stroke, self.notes[k].stroke) else { return 0.0 };
        let (a, b) = (self.timeline.strokes[a].at, self.timeline.strokes[b].at);
        self.timeline.rests.iter().filter(|r| r.from > a && r.from < b).map(|r| (r.to - r.from).quarters()).sum()
    }

    fn opens_pass(&self, k: usize) -> bool {
        let Some(j) = self.notes[k].stroke else { return false };
        let pass = |j: usize| self.timeline.bars[self.timeline.strokes[j].bar].pass;
        j > 0 && pass(j) != pass(j - 1)
    }

    fn bar(&self, k: usize) -> usize {
        self.notes[k].stroke.map_or(0, |j| self.timeline.strokes[j].bar)
    }

    fn move_from(&mut self, k: usize, quarters: f64) {
        for note in &mut self.notes[k..] {
            note.at += quarters;
        }
    }

    /// `plain`: at least two strikes, on the half beats; else a single one.
    pub fn rest_not_kept(&mut self, rng: &mut Rng, many: bool) -> bool {
        let Some(k) = self.free(rng, |p, k| p.rest_before(k) > 0.9) else { return false };
        let rest = self.rest_before(k);
        let step = if rng.chance(0.5) { 0.5 } else { 1.0 };
        let most = ((rest - 0.01) / step).floor() as usize + 1;
        let n = if many { (1 + rng.below(most)).max(2.min(most)) } else { 1 };
        let from = self.notes[k].at - rest;
        let bar_q = self.timeline.meter.bar().quarters();
        let first = if many { 0 } else { rng.below(most) };
        let template = self.notes[k - 1].clone();
        let start_of_bar = self.timeline.bars[self.bar(k - 1)].at.quarters();
        let at_part = self.timeline.strokes[template.stroke.unwrap()].at.quarters();
        let rest_part = self.timeline.strokes[self.notes[k].stroke.unwrap()].at.quarters() - rest;
        let at_first = rest_part + first as f64 * step;
        debug_assert!(rest_part > at_part - 1e-9);
        for x in 0..n {
            let note = Note {
                stroke: None,
                at: from + (first + x) as f64 * step,
                pause_s: 0.0,
                alone_s: 0.0,
                surface: if rng.chance(0.85) { template.surface } else { Surface::Centre },
                both: false,
                level_db: rng.normal(1.5),
                bounce: false,
            };
            self.notes.insert(k + x, note);
        }
        for busy in &mut self.busy {
            if *busy > k {
                *busy += n;
            }
        }
        let bar = self.bar(k - 1) + ((at_first - start_of_bar) / bar_q + 1e-6).floor() as usize;
        self.plant(Kind::RestNotKept, &[], bar..bar + 1, n >= 2);
        true
    }

    /// A long rest filled from end to end with half quarters.
    pub fn fills_long_rest(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, |p, k| p.rest_before(k) > 2.9) else { return false };
        let rest = self.rest_before(k);
        let from = self.notes[k].at - rest;
        let template = self.notes[k - 1].clone();
        let step = if rng.chance(0.7) { 0.5 } else { 1.0 };
        let n = (rest / step - 1e-6).floor() as usize;
        for x in 0..n {
            let surface =
                if rng.chance(0.7) { template.surface } else { rng.pick(&[Surface::Centre, Surface::Rim]).unwrap() };
            let note = Note {
                stroke: None,
                at: from + x as f64 * step,
                pause_s: 0.0,
                alone_s: 0.0,
                surface,
                both: false,
                level_db: rng.normal(1.5),
                bounce: false,
            };
            self.notes.insert(k + x, note);
        }
        let last = self.timeline.strokes[template.stroke.unwrap()].bar;
        let next = self.bar(k + n);
        self.plant(Kind::RestNotKept, &[], last..next + 1, true);
        true
    }

    /// Plays about before the take, then waits and begins. Nothing to be found.
    pub fn noodles(&mut self, rng: &mut Rng) {
        let n = 4 + rng.below(10);
        let Some(first) = self.notes.first().cloned() else { return };
        let mut at = first.at - 4.0;
        let pace = rng.between(0.6, 1.6);
        self.notes[0].pause_s += rng.between(0.0, 3.0);
        for _ in 0..n {
            at -= pace * rng.pick(&[0.25, 0.5, 0.5, 1.0, 0.33]).unwrap();
            let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
            let note = Note {
                stroke: None,
                at,
                pause_s: 0.0,
                alone_s: 0.0,
                surface,
                both: false,
                level_db: rng.normal(3.0),
                bounce: false,
            };
            self.notes.insert(0, note);
        }
    }

    /// Goes on playing something after the end. Nothing to be found.
    pub fn goes_on(&mut self, rng: &mut Rng) {
        let Some(last) = self.notes.last().cloned() else { return };
        let (mut at, pace) = (last.at + rng.between(1.0, 5.0), rng.between(0.6, 1.6));
        for _ in 0..3 + rng.below(10) {
            at += pace * rng.pick(&[0.25, 0.5, 0.5, 1.0, 0.33]).unwrap();
            let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
            self.notes.push(Note {
                stroke: None,
                at,
                pause_s: 0.0,
                alone_s: 0.0,
                surface,
                both: false,
                level_db: rng.normal(3.0),
                bounce: false,
            });
        }
    }

    /// Small hesitations inside sections, too short to be called stops.
    pub fn hesitates(&mut self, rng: &mut Rng) {
        for _ in 0..2 + rng.below(4) {
            let inside = |p: &Self, k: usize| p.rest_before(k) == 0.0 && !p.opens_pass(k);
            if let Some(k) = self.free(rng, inside) {
                self.move_from(k, rng.between(0.1, 0.35));
            }
        }
    }

    pub fn early(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, |p, k| p.rest_before(k) > 0.9) else { return false };
        let rest = self.rest_before(k);
        let size = if rest > 1.1 && rng.chance(0.5) { 1.0 } else { 0.5 };
        self.move_from(k, -size);
        self.plant(Kind::EarlyReEntry, &[], self.bar(k)..self.bar(k) + 1, true);
        true
    }

    pub fn late(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, |p, k| p.rest_before(k) > 0.9) else { return false };
        let size = if rng.chance(0.7) { rng.pick(&[0.5, 1.0]).unwrap() } else { rng.between(0.35, 1.2) };
        self.move_from(k, size);
        let also: &[Kind] = if self.opens_pass(k) { &[Kind::JoinGap] } else { &[] };
        self.plant(Kind::LateReEntry, also, self.bar(k)..self.bar(k) + 1, size >= 0.5);
        true
    }

    pub fn join_gap(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, Self::opens_pass) else { return false };
        let size = rng.between(0.6, 4.0);
        self.move_from(k, size);
        let also: &[Kind] = if self.rest_before(k) > 0.9 { &[Kind::LateReEntry] } else { &[] };
        self.plant(Kind::JoinGap, also, self.bar(k)..self.bar(k) + 1, true);
        true
    }

    /// Comes in too early at a join without a rest.
    pub fn join_rushed(&mut self, rng: &mut Rng) -> bool {
        let room =
            |p: &Self, k: usize| p.opens_pass(k) && p.rest_before(k) == 0.0 && p.notes[k].at - p.notes[k - 1].at > 0.9;
        let Some(k) = self.free(rng, room) else { return false };
        self.move_from(k, -rng.between(0.35, 0.5));
        self.plant(Kind::JoinRushed, &[], self.bar(k)..self.bar(k) + 1, true);
        true
    }

    /// Loses the place: strikes that are nothing, for a while, then goes on where it was lost.
    pub fn lost(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, |p, k| p.opens_pass(k) || p.notes[k].at.fract() == 0.0) else { return false };
        let n = 10 + rng.below(8);
        let mut after = 0.0;
        for x in 0..n {
            after += rng.between(0.2, 0.9);
            let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
            let note = Note {
                stroke: None,
                at: self.notes[k - 1].at,
                pause_s: 0.0,
                alone_s: after,
                surface,
                both: false,
                level_db: rng.normal(3.0),
                bounce: true,
            };
            self.notes.insert(k + x, note);
        }
        for busy in &mut self.busy {
            if *busy > k {
                *busy += n;
            }
        }
        self.notes[k + n].pause_s = after + rng.between(0.4, 2.0);
        let bars = self.bar(k - 1)..self.bar(k + n) + 1;
        self.plant(Kind::Lost, &[Kind::Paused, Kind::JoinGap, Kind::LateReEntry, Kind::Restarted], bars, true);
        true
    }

    pub fn paused(&mut self, rng: &mut Rng) -> bool {
        let inside = |p: &Self, k: usize| p.rest_before(k) == 0.0 && !p.opens_pass(k);
        let Some(k) = self.free(rng, inside) else { return false };
        self.notes[k].pause_s = rng.between(1.0, 5.0);
        self.plant(Kind::Paused, &[], self.bar(k)..self.bar(k) + 1, true);
        true
    }

    /// A stick falls, bounces, is picked up.
    pub fn dropped_stick(&mut self, rng: &mut Rng) -> bool {
        let inside = |p: &Self, k: usize| p.rest_before(k) == 0.0 && !p.opens_pass(k);
        let Some(k) = self.free(rng, inside) else { return false };
        let (mut gap, ratio, n) = (rng.between(0.12, 0.3), rng.between(0.6, 0.82), 4 + rng.below(5));
        let (mut after, mut level) = (0.0, rng.normal(2.0) - 3.0);
        let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
        for x in 0..n {
            after += gap;
            gap *= ratio;
            level -= rng.between(1.5, 4.0);
            let note = Note {
                stroke: None,
                at: self.notes[k - 1].at,
                pause_s: 0.0,
                alone_s: after,
                surface,
                both: false,
                level_db: level,
                bounce: true,
            };
            self.notes.insert(k + x, note);
        }
        for busy in &mut self.busy {
            if *busy > k {
                *busy += n;
            }
        }
        self.notes[k + n].pause_s = after + rng.between(0.6, 2.5);
        self.plant(Kind::Paused, &[], self.bar(k + n)..self.bar(k + n) + 1, true);
        true
    }

    /// Plays nothing for about a bar while counting on. Strokes missed, nothing of form to be found.
    pub fn drops_out(&mut self, rng: &mut Rng) -> bool {
        let Some(k) = self.free(rng, |_, _| true) else { return false };
        let end =
            (self.notes[k].at + self.timeline.meter.bar().quarters() * rng.between(0.5, 1.0), self.notes.len() - 4);
        let until = (k..end.1).find(|&x| self.notes[x].at > end.0 || self.notes[x].pause_s > 0.0).unwrap_or(k);
        if self.jumps().iter().any(|&j| j + 2 > k && j < until + 2) || self.faults.iter().any(|_| false) {
            return false;
        }
        self.notes.drain(k..until.max(k));
        true
    }

    /// Once the form has been changed, which of several passes a slip fell in is often not to be known.
    pub fn loosen_notes(&mut self) {
        let of_form =
            [Kind::RepeatExtra, Kind::RepeatMissing, Kind::SectionSkipped, Kind::Restarted, Kind::StartedLate];
        if !self.faults.iter().any(|f| of_form.contains(&f.kind)) {
            return;
        }
        for fault in &mut self.faults {
            fault.passes =
                (self.timeline.passes.iter()).filter(|p| p.section == fault.section).map(|p| p.number).collect();
        }
    }

    /// Taps before the piece begins.
    pub fn counts_in(&mut self, rng: &mut Rng) {
        let compound = self.timeline.meter.unit == 8;
        let beat = if compound { 1.5 } else { 1.0 };
        let n = if rng.chance(0.5) { 4 } else { 2 + rng.below(7) };
        let Some(first) = self.notes.first().cloned() else { return };
        let bar = self.bar(0);
        let downbeat =
            first.at - (self.timeline.strokes[first.stroke.unwrap_or(0)].at - self.timeline.bars[bar].at).quarters();
        let surface = if rng.chance(0.6) { Surface::Click } else { Surface::Centre };
        for k in 1..=n {
            let note = Note {
                stroke: None,
                at: downbeat - k as f64 * beat,
                pause_s: 0.0,
                alone_s: 0.0,
                surface,
                both: false,
                level_db: -2.0,
                bounce: false,
            };
            self.notes.insert(0, note);
        }
        for busy in &mut self.busy {
            *busy += n;
        }
    }

    /// One whole pass with one surface played on another.
    pub fn wrong_surface(&mut self, rng: &mut Rng) {
        let pass = rng.below(self.timeline.passes.len());
        let bars = self.timeline.passes[pass].bars.clone();
        let Some(from) = self
            .notes
            .iter()
            .filter(|n| n.stroke.is_some_and(|j| bars.contains(&self.timeline.strokes[j].bar)))
            .map(|n| n.surface)
            .next()
        else {
            return;
        };
        let to = if from == Surface::Centre { Surface::Rim } else { Surface::Centre };
        for note in &mut self.notes {
            let here = note.stroke.is_some_and(|j| bars.contains(&self.timeline.strokes[j].bar));
            if here && note.surface == from && rng.chance(0.9) {
                note.surface = to;
            }
        }
    }

    /// Strokes left out here and there.
    pub fn misses(&mut self, rng: &mut Rng, share: f64) {
        let mut k = 1;
        while k + 1 < self.notes.len() {
            if self.notes[k].stroke.is_some() && self.notes[k].pause_s == 0.0 && rng.chance(share) {
                self.notes.remove(k);
                for busy in &mut self.busy {
                    if *busy > k {
                        *busy -= 1;
                    }
                }
            }
            k += 1;
        }
    }

    /// When each note sounds, seconds.
    pub fn times(&self, manner: &Manner, rng: &mut Rng) -> Vec<f64> {
        let quarter = self.timeline.bpm.quarter().get() / manner.tempo;
        let all = self.notes.last().map_or(1.0, |n| n.at).max(1.0);
        let phase = rng.between(0.0, std::f64::consts::TAU);
        let knee = rng.between(0.3, 0.7);
        let pace = |u: f64| {
            let x = (u / all).clamp(0.0, 1.0);
            let rise = if manner.uneven {
                if x < knee { 0.15 * x / knee } else { 0.15 + 0.85 * (x - knee) / (1.0 - knee) }
            } else {
                x
            };
            let sway = 1.0 + manner.sway.0 * (std::f64::consts::TAU * u / manner.sway.1 + phase).sin();
            quarter * sway / (1.0 + manner.rise * rise)
        };
        let start = self.notes.first().map_or(0.0, |n| n.at);
        let (mut u, mut t, mut off) = (start, rng.between(0.8, 3.0), 0.0);
        let mut out = Vec::with_capacity(self.notes.len());
        for note in &self.notes {
            let db = note.at - u;
            let pieces = (db.abs() / 0.1).ceil().max(1.0) as usize;
            for k in 0..pieces {
                t += db / pieces as f64 * pace(u + db * (k as f64 + 0.5) / pieces as f64);
            }
            u = note.at;
            t += note.pause_s;
            let wander = rng.normal(manner.clock_s * db.abs().sqrt());
            if manner.correction > 0.0 {
                // Keeps to its pulse: deviations are taken back.
                off = (1.0 - manner.correction) * off + wander;
            } else {
                t += wander;
            }
            let slip = if rng.chance(manner.displaced) { rng.between(-0.2, 0.2) * quarter } else { 0.0 };
            let motor = if note.bounce { rng.normal(0.003) } else { rng.normal(manner.jitter_s) + off + slip };
            out.push(t + motor + note.alone_s);
        }
        out
    }
}

impl Rng {
    /// A unit of the form and the bars over which it repeats.
    fn pick_unit(
        &mut self,
        player: &Player,
        ok: impl Fn(&std::ops::Range<usize>, &std::ops::Range<usize>) -> bool,
    ) -> Option<(std::ops::Range<usize>, std::ops::Range<usize>)> {
        let passes = &player.timeline.passes;
        let units: Vec<_> = (player.units().into_iter())
            .map(|(unit, group, inner)| {
                if inner {
                    return (unit, group);
                }
                // A whole pass repeats over its neighbours of the same section.
                let p = player.timeline.bars[unit.start].pass;
                let next = passes.get(p + 1).is_some_and(|x| x.section == passes[p].section);
                let before = p > 0 && passes[p - 1].section == passes[p].section;
                let lo = if before { passes[p - 1].bars.start } else { unit.start };
                let hi = if next { passes[p + 1].bars.end } else { unit.end };
                (unit, lo..hi)
            })
            .filter(|(unit, group)| ok(unit, group))
            .collect();
        let k = self.below(units.len());
        units.get(k).cloned()
    }
}
