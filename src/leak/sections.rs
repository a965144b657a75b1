//! A recording that comes block by block -> what is left of it without the guide, block by block.
//!
//! The guide is taken out of sections of some [`SECTION`] of it, each by itself ([`super::take_out`]), so that an hour needs no
//! more memory than two minutes do. Sections begin and end between two of the guide's sounds and overlap by what a room keeps
//! of a sound: what still rings there is known to both. A take of two minutes is one section.

use super::clock::GuideClock;
use super::residue::{Levels, Residue, residues};
use super::take_out::{Tools, straighten, take_out};
use super::template::{AHEAD, Cue, LENGTH, cues};
use super::{Lock, Reference, Removed};
use crate::guide::Sound;
use crate::stats::median;
use crate::units::{EAR_RATE, Seconds};

/// A section holds sounds of so much of the guide, or up to half as much again where it is the last: 90 s. At 60 beats a
/// minute that is 90 sounds; a template is as deep as it gets from some 40 on (`scripts/measuring/measure_leak.py`: takes of 30 s).
const SECTION: i64 = 90 * EAR_RATE.get() as i64;
const LAST: i64 = SECTION + SECTION / 2;
/// Samples by which a section is longer than what is looked at in it: the clock wanders by less, and sixteen are
/// interpolated between.
const MARGIN: usize = 512;
/// Samples handed on at a time.
const BLOCK: usize = 1 << 16;

/// Takes a guide out of a recording at [`EAR_RATE`] as it comes.
pub struct Remover {
    lock: Lock,
    tools: Tools,
    cues: Vec<Cue>,
    /// First sound of the section that comes next.
    next: usize,
    /// Samples from sample `from` of the recording on.
    x: Vec<f32>,
    from: usize,
    /// Samples that were handed on.
    given: usize,
    levels: Levels,
    sounds: Vec<(Residue, f64)>,
    done: Vec<Done>,
    leaks: Vec<f32>,
    left: Vec<f32>,
}

/// What is kept of a section that was taken apart: its clock, how much later its direct sound is than was thought, and its own
/// moments of the guide, with those that are in the recording.
struct Done {
    clock: GuideClock,
    early: Seconds,
    moments: Vec<f64>,
    used: Vec<f64>,
}

impl Remover {
    /// For a guide that was found in the recording.
    pub fn new(reference: &Reference, lock: &Lock) -> Remover {
        let sounds: Vec<Sound> = reference.sounds();
        let cues = cues(reference, &sounds);
        Remover {
            lock: *lock,
            // What was over before the recording began is in no section.
            next: cues.partition_point(|c| sample(lock, c.sample + LENGTH as i64) == 0),
            cues,
            tools: Tools::new(sounds),
            x: Vec::new(),
            from: 0,
            given: 0,
            levels: Levels::default(),
            sounds: Vec::new(),
            done: Vec::new(),
            leaks: Vec::new(),
            left: Vec::new(),
        }
    }

    /// Takes the next samples; `each` gets those that are left, as far as they are known.
    pub fn push(&mut self, samples: &[f32], each: &mut dyn FnMut(&[f32])) {
        // In pieces, so that no more is held than a section needs.
        for block in samples.chunks(BLOCK) {
            self.x.extend_from_slice(block);
            while let Some(section) = self.section(self.cues.len()) {
                let rung_out = self.cues[section.looked_at - 1].sample + LENGTH as i64;
                // Where the guide goes on, the recording may end before there is enough for a section more.
                let enough = self.cues[self.next].sample + if section.behind < self.cues.len() { LAST } else { 0 };
                if self.end() <= sample(&self.lock, rung_out.max(enough)) + MARGIN {
                    break;
                }
                self.take_apart(&section, each);
            }
            self.pass_on(each);
        }
    }

    /// The recording ends here.
    pub fn finish(mut self, each: &mut dyn FnMut(&[f32])) -> Removed {
        // What is not in the recording is in no section.
        let heard = self.cues.partition_point(|c| sample(&self.lock, c.sample - AHEAD as i64) < self.end());
        while let Some(section) = self.section(heard) {
            self.take_apart(&section, each);
        }
        self.next = self.cues.len();
        self.pass_on(each);
        let clock = clock(self.done, &self.lock);
        Removed { clock, sounds: self.levels.hide(self.sounds) }
    }

    /// Where the recording has come to.
    fn end(&self) -> usize {
        self.from + self.x.len()
    }

    /// Where a section begins in the recording whose first sound is this one.
    fn begin(&self, cue: &Cue) -> usize {
        sample(&self.lock, cue.sample - AHEAD as i64).saturating_sub(MARGIN)
    }

    /// First of the sounds that still ring when a sound begins.
    fn ringing(&self, cue: &Cue) -> usize {
        self.cues.partition_point(|c| c.sample < cue.sample - (AHEAD + LENGTH) as i64)
    }

    /// The section that comes next, of the first so many sounds of the guide.
    fn section(&self, count: usize) -> Option<Section> {
        let cues = self.cues.get(..count)?;
        let next = cues.get(self.next)?;
        let within = |length: i64| cues.partition_point(|c| c.sample < next.sample + length);
        // The last one is longer rather than followed by one too short to learn from.
        let behind = if within(LAST) == count { count } else { within(SECTION) };
        let looked_at = match cues.get(behind) {
            Some(other) => cues.partition_point(|c| c.sample < other.sample + LENGTH as i64),
            None => behind,
        };
        let first = self.ringing(next);
        Some(Section { first, behind, looked_at })
    }

    /// Hands on what no sound of the guide to come is heard in.
    fn pass_on(&mut self, each: &mut dyn FnMut(&[f32])) {
        let until = self.cues.get(self.next).map_or(usize::MAX, |cue| self.begin(cue)).min(self.end());
        while self.given < until {
            let to = until.min(self.given + BLOCK);
            let block = &self.x[self.given - self.from..to - self.from];
            self.levels.watch(block);
            each(block);
            self.given = to;
        }
        self.forget();
    }

    /// Lets go of what is not looked at any more.
    fn forget(&mut self) {
        let from = match self.cues.get(self.next).and_then(|cue| self.cues.get(self.ringing(cue))) {
            Some(ringing) => self.begin(ringing).min(self.given),
            None => self.given,
        };
        if from >= self.from + BLOCK {
            self.x.drain(..from - self.from);
            self.from = from;
        }
    }

    /// Takes the guide out of a section and hands on what is left of it.
    fn take_apart(&mut self, section: &Section, each: &mut dyn FnMut(&[f32])) {
        let cues = self.cues[section.first..section.looked_at].to_vec();
        let begins = if section.first == 0 { 0 } else { cues.first().map_or(0, |c| c.sample) };
        let until = match self.cues.get(section.behind) {
            Some(next) => self.begin(next).min(self.end()),
            None => self
                .cues
                .get(section.behind - 1)
                .map_or(0, |last| sample(&self.lock, last.sample + LENGTH as i64) + MARGIN),
        };
        let until = until.clamp(self.given, self.end());
        let own = self.cues[self.next].sample..self.cues[section.behind - 1].sample + 1;
        let apart = take_out(&mut self.tools, cues, begins, (&self.x, self.from), &self.lock);
        self.sounds.extend(residues(&apart, |cue| own.contains(&cue.sample)));
        while self.given < until {
            let to = until.min(self.given + BLOCK);
            apart.leak(self.given, to, &mut self.leaks);
            apart.left(self.given, &self.leaks, &mut self.left);
            self.levels.watch(&self.left);
            each(&self.left);
            self.given = to;
        }
        let at = |cues: &[Cue]| cues.iter().filter(|c| own.contains(&c.sample)).map(|c| c.at).collect();
        let used: Vec<Cue> = apart.cues.iter().filter(|c| c.used).cloned().collect();
        let moments = at(&apart.cues);
        self.done.push(Done { used: at(&used), moments, clock: apart.clock, early: apart.early });
        self.next = section.behind;
        self.forget();
    }
}

/// Where a sample of the guide stands in the recording; what lies before that counts as its beginning.
fn sample(lock: &Lock, of_guide: i64) -> usize {
    let rate = f64::from(EAR_RATE.get());
    (lock.at(Seconds::of(of_guide as f64 / rate)).get() * rate).max(0.0) as usize
}

/// Sounds of the guide by their places among all: the first that is looked at, and behind the last that is the section's own
/// and the last that is looked at.
struct Section {
    first: usize,
    behind: usize,
    looked_at: usize,
}

/// The clocks of the sections as one. The direct sound is as late in all of them: a room's answer is one, and what differs
/// is how well it was told.
fn clock(done: Vec<Done>, lock: &Lock) -> GuideClock {
    let Some(early) = median(done.iter().map(|d| d.early.get())) else {
        return GuideClock { lock: *lock, points: Vec::new() };
    };
    let mut done = done;
    if done.len() == 1
        && let Some(only) = done.pop()
    {
        return only.clock;
    }
    let at = |d: &Done, t: f64| d.clock.at(Seconds::of(t)) - d.early - lock.at(Seconds::of(t));
    let mut points: Vec<(f64, f64)> = Vec::new();
    for d in &done {
        for &t in &d.moments {
            if points.last().is_none_or(|last| t > last.0 + 1e-6) {
                points.push((t, at(d, t).get()));
            }
        }
    }
    let used: Vec<f64> = done.iter().flat_map(|d| d.used.iter().copied()).collect();
    let mut clock = GuideClock { lock: *lock, points };
    straighten(&mut clock, &used);
    clock.lock.start = clock.lock.start + Seconds::of(early);
    clock
}
