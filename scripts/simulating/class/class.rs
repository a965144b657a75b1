//! Pupils: a written part, a way of playing and faults -> notes at times, with the truth beside them. Here the faults of form and
//! the clock; faults of single notes are in `slips`, what players do by nature in `people`.

use super::people::{CLASS, Nature, SETTLE_GAPS, Walk};
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

impl Note {
    /// A strike that nobody wrote.
    pub fn extra(at: f64, surface: Surface, level_db: f64) -> Note {
        Note { stroke: None, at, pause_s: 0.0, alone_s: 0.0, surface, both: false, level_db, bounce: false }
    }
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
    pub nature: Nature,
    /// Swaying of the tempo (share) and its period (quarters), beside what nature has.
    pub sway: (f64, f64),
    /// Tempo against the one asked for.
    pub tempo: f64,
    /// Share by which the tempo rises over the take beside the natural drift, and in which way.
    pub rise: f64,
    pub course: Rise,
    /// Single notes off by themselves: how often.
    pub displaced: f64,
    /// Spread of levels, dB.
    pub level_sd: f64,
    /// Time between two hands, seconds (sd).
    pub hands_s: f64,
}

/// How a tempo rises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rise {
    Evenly,
    /// Little at first, then much.
    Late,
    /// To the full in the middle, and back.
    AndBack,
}

impl Manner {
    /// A player of some age.
    pub fn of(age: u32, rng: &mut Rng) -> Manner {
        let nature = Nature::of(age, rng);
        Manner {
            tempo: nature.tempo,
            nature,
            sway: (0.0, 16.0),
            rise: 0.0,
            course: Rise::Evenly,
            displaced: 0.0,
            level_sd: rng.between(1.5, 4.0),
            hands_s: rng.between(0.004, 0.014),
        }
    }

    /// One of the class.
    pub fn usual(rng: &mut Rng) -> Manner {
        let ages = (CLASS.end() - CLASS.start() + 1) as usize;
        let age = CLASS.start() + rng.below(ages) as u32;
        Manner::of(age, rng)
    }

    /// One of the youngest.
    pub fn loose(rng: &mut Rng) -> Manner {
        let age = CLASS.start() + rng.below(2) as u32;
        Manner::of(age, rng)
    }
}

/// A performance being written.
pub struct Player<'a> {
    pub timeline: &'a Timeline,
    pub notes: Vec<Note>,
    pub faults: Vec<Planted>,
    /// What is true by nature and not demanded.
    pub may: Vec<Planted>,
    /// Bars in the order played: bar, strokes kept, pause before it in seconds.
    bars: Vec<(usize, usize, f64)>,
    /// Notes near which something has been planted already.
    pub(super) busy: Vec<usize>,
}

impl<'a> Player<'a> {
    pub fn new(timeline: &'a Timeline) -> Player<'a> {
        let bars = (0..timeline.bars.len()).map(|m| (m, usize::MAX, 0.0)).collect();
        let mut player =
            Player { timeline, notes: Vec::new(), faults: Vec::new(), may: Vec::new(), bars, busy: Vec::new() };
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

    pub(super) fn plant(&mut self, kind: Kind, also: &[Kind], bars: std::ops::Range<usize>, plain: bool) {
        let first = self.timeline.bars[bars.start].clone();
        let section = self.section(bars.start);
        let numbers: Vec<u32> =
            bars.filter(|&b| self.timeline.bars[b].pass == first.pass).map(|b| self.timeline.bars[b].number).collect();
        let span = (*numbers.iter().min().unwrap(), *numbers.iter().max().unwrap());
        let number = self.timeline.passes[first.pass].number;
        self.faults.push(Planted { kind, also: also.to_vec(), section, passes: vec![number], bars: span, plain });
    }

    /// May be told there, in whichever pass.
    pub(super) fn may(&mut self, kinds: &[Kind], bars: std::ops::Range<usize>) {
        let Some((kind, also)) = kinds.split_first() else { return };
        self.plant(*kind, also, bars, false);
        let Some(mut true_) = self.faults.pop() else { return };
        let passes = self.timeline.passes.iter().filter(|p| p.section == true_.section);
        true_.passes = passes.map(|p| p.number).collect();
        self.may.push(true_);
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

    /// The greatest rise and the greatest fall of ln(tempo) between two of six equal parts of the strokes as played.
    pub fn course(&self, times: &[f64]) -> (f64, f64) {
        const PARTS: usize = 6;
        let mut paused = 0.0;
        let mut points: Vec<(f64, f64)> = Vec::new();
        for (note, t) in self.notes.iter().zip(times) {
            paused += note.pause_s;
            if note.stroke.is_some() {
                points.push((note.at, t - paused));
            }
        }
        let n = points.len();
        if n < 4 * PARTS {
            return (0.0, 0.0);
        }
        let part = |k: usize| -slope(&points[n * k / PARTS..n * (k + 1) / PARTS]).ln();
        let tempi: Vec<f64> = (0..PARTS).map(part).collect();
        let changes = (0..PARTS).flat_map(|b| tempi[..b].iter().map(move |a| (a, b))).map(|(a, b)| tempi[b] - a);
        changes.fold((0.0f64, 0.0f64), |(rise, fall), change| (rise.max(change), fall.max(-change)))
    }

    /// When each note sounds, seconds. What a player's nature makes of an entry, which may be told then, goes to `may`.
    pub fn sound(&mut self, manner: &Manner, rng: &mut Rng) -> Vec<f64> {
        let quarter = self.timeline.bpm.quarter().get() / manner.tempo;
        let all = self.notes.last().map_or(1.0, |n| n.at).max(1.0);
        let phase = rng.between(0.0, std::f64::consts::TAU);
        let knee = rng.between(0.3, 0.7);
        let pace = |u: f64| {
            let x = (u / all).clamp(0.0, 1.0);
            let rise = match manner.course {
                Rise::Evenly => x,
                Rise::Late if x < knee => 0.15 * x / knee,
                Rise::Late => 0.15 + 0.85 * (x - knee) / (1.0 - knee),
                Rise::AndBack => (x / knee).min((1.0 - x) / (1.0 - knee)),
            };
            let sway = 1.0 + manner.sway.0 * (std::f64::consts::TAU * u / manner.sway.1 + phase).sin();
            quarter * sway * (-manner.nature.drift * (x - 0.5)).exp() / (1.0 + manner.rise * rise)
        };
        let of_part: Vec<usize> = (0..self.notes.len()).filter(|&k| self.notes[k].stroke.is_some()).collect();
        let gaps: Vec<f64> = of_part.windows(2).map(|w| self.notes[w[1]].at - self.notes[w[0]].at).collect();
        let bends = manner.nature.bends(&gaps, self.timeline.meter.unit == 8);
        let start = self.notes.first().map_or(0.0, |n| n.at);
        let (mut u, mut t) = (start, rng.between(0.8, 3.0));
        let mut walk = Walk::new(&manner.nature, rng);
        // The last stroke before: its note, when it was due, how far off it was.
        let mut last: Option<(f64, f64)> = None;
        let mut strokes = 0;
        let mut out = Vec::with_capacity(self.notes.len());
        let mut far: Vec<(usize, f64)> = Vec::new();
        for (k, note) in self.notes.iter().enumerate() {
            let settling = (1..=SETTLE_GAPS).contains(&strokes);
            let settle = if settling { manner.nature.settle.exp() } else { 1.0 };
            let db = note.at - u;
            let pieces = (db.abs() / 0.1).ceil().max(1.0) as usize;
            for piece in 0..pieces {
                t += db / pieces as f64 * settle * pace(u + db * (piece as f64 + 0.5) / pieces as f64);
            }
            u = note.at;
            t += note.pause_s;
            let off = if note.stroke.is_some() {
                let bend = strokes.checked_sub(1).and_then(|k| bends.get(k).copied().flatten());
                let off = walk.after(last.map_or(0.0, |(at, _)| t - at), bend, rng);
                if let Some((_, before)) = last {
                    far.push((k, (off - before) / quarter));
                }
                last = Some((t, off));
                strokes += 1;
                off
            } else {
                rng.normal(if note.bounce { 0.003 } else { manner.nature.alone_s.max(0.01) })
                    + last.map_or(0.0, |l| l.1)
            };
            let slip = if rng.chance(manner.displaced) { rng.between(-0.2, 0.2) * quarter } else { 0.0 };
            out.push(t + off + slip + note.alone_s);
        }
        // From a quarter of a beat on it counts neither way, as in `by_nature.py`.
        for (k, jump) in far.into_iter().filter(|(_, jump)| jump.abs() >= 0.25) {
            let late = [Kind::LateReEntry, Kind::JoinGap, Kind::Paused];
            let kinds = if jump > 0.0 { &late[..] } else { &[Kind::EarlyReEntry, Kind::JoinRushed] };
            self.may(kinds, self.bar(k)..self.bar(k) + 1);
        }
        out
    }
}

/// The rate of `y` over `x`, least squares.
fn slope(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mx, my) = (points.iter().map(|p| p.0).sum::<f64>() / n, points.iter().map(|p| p.1).sum::<f64>() / n);
    let both = points.iter().map(|p| (p.0 - mx) * (p.1 - my)).sum::<f64>();
    both / points.iter().map(|p| (p.0 - mx).powi(2)).sum::<f64>()
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
