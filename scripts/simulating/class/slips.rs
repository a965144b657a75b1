//! Faults of single notes, planted after all faults of form, and slips that nobody plants.

use super::class::{Note, Player};
use super::people::Nature;
use super::rng::Rng;
use pailbeat::assess::Kind;
use pailbeat::part::Surface;

impl Player<'_> {
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

    /// So many notes now stand after note `k`.
    fn inserted(&mut self, k: usize, n: usize) {
        for busy in self.busy.iter_mut().filter(|busy| **busy > k) {
            *busy += n;
        }
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

    pub(super) fn bar(&self, k: usize) -> usize {
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
            let note = Note::extra(
                from + (first + x) as f64 * step,
                if rng.chance(0.85) { template.surface } else { Surface::Centre },
                rng.normal(1.5),
            );
            self.notes.insert(k + x, note);
        }
        self.inserted(k, n);
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
            let note = Note::extra(from + x as f64 * step, surface, rng.normal(1.5));
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
            let note = Note::extra(at, surface, rng.normal(3.0));
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
            self.notes.push(Note::extra(at, surface, rng.normal(3.0)));
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
            let at = self.notes[k - 1].at;
            let note = Note { alone_s: after, bounce: true, ..Note::extra(at, surface, rng.normal(3.0)) };
            self.notes.insert(k + x, note);
        }
        self.inserted(k, n);
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
            let at = self.notes[k - 1].at;
            let note = Note { alone_s: after, bounce: true, ..Note::extra(at, surface, level) };
            self.notes.insert(k + x, note);
        }
        self.inserted(k, n);
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
            let note = Note::extra(downbeat - k as f64 * beat, surface, -2.0);
            self.notes.insert(0, note);
        }
        self.inserted(0, n);
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

    /// What nobody plants: strokes left out and doubles in the numbers and clusters of the player's age, rhythms that come out
    /// even. None near what is planted, nor at the ends.
    pub fn by_nature(&mut self, nature: &Nature, rng: &mut Rng) {
        if nature.evened {
            self.even_out(rng);
        }
        let strokes = self.notes.iter().filter(|n| n.stroke.is_some()).count();
        for length in nature.runs(strokes, rng) {
            let Some(k) = self.quiet(rng, length, |_, _| true) else { continue };
            for k in k..k + length {
                let bar = self.bar(k);
                let end = (bar + 2).min(self.timeline.bars.len());
                self.may(&[Kind::LateReEntry, Kind::JoinGap, Kind::Paused], bar..bar + 1);
                self.may(&[Kind::LateReEntry, Kind::JoinGap, Kind::Paused], end - 1..end);
            }
            self.notes.drain(k..k + length);
            for busy in self.busy.iter_mut().filter(|busy| **busy > k) {
                *busy -= length;
            }
        }
        for _ in 0..nature.doubles(strokes, rng) {
            // A gap too short for a double, or a rest, has none.
            let wide = |p: &Self, k: usize| {
                (0.5..=1.0).contains(&(p.notes[k].at - p.notes[k - 1].at)) && p.rest_before(k) == 0.0
            };
            let Some(k) = self.quiet(rng, 1, wide) else { continue };
            let (before, at) = (self.notes[k - 1].clone(), self.notes[k].at);
            let at = at - (at - before.at) * rng.between(0.4, 0.65);
            self.notes.insert(k, Note::extra(at, before.surface, rng.between(-8.0, -2.0)));
            self.inserted(k, 1);
        }
    }

    /// Leaves a stroke out or plays one too many.
    pub fn slips_once(&mut self, rng: &mut Rng) {
        let Some(k) = self.quiet(rng, 1, |p, k| p.rest_before(k) == 0.0 && p.notes[k].at - p.notes[k - 1].at >= 0.5)
        else {
            return;
        };
        if rng.chance(0.5) {
            self.notes.remove(k);
        } else {
            let at = (self.notes[k - 1].at + self.notes[k].at) / 2.0;
            self.notes.insert(k, Note::extra(at, self.notes[k - 1].surface, 0.0));
        }
        self.busy.push(k);
    }

    /// The first of so many notes of the part in a row, away from the ends and from all that is planted.
    fn quiet(&self, rng: &mut Rng, length: usize, ok: impl Fn(&Self, usize) -> bool) -> Option<usize> {
        let plain = |k: usize| {
            let follows = self.notes[k].stroke.zip(self.notes[k - 1].stroke).is_some_and(|(b, a)| b == a + 1);
            follows && self.notes[k].pause_s == 0.0 && self.busy.iter().all(|b| b.abs_diff(k) > 4)
        };
        let candidates: Vec<usize> = (4..self.notes.len().saturating_sub(4 + length))
            .filter(|&k| (k..=k + length).all(plain) && ok(self, k))
            .collect();
        rng.pick(&candidates)
    }

    /// The uneven bars of one section come out even: their strokes share the time that they have together.
    fn even_out(&mut self, rng: &mut Rng) {
        let mut bars: Vec<(usize, std::ops::Range<usize>)> = Vec::new();
        for k in 0..self.notes.len() {
            let Some(bar) = self.notes[k].stroke.map(|j| self.timeline.strokes[j].bar) else { continue };
            match bars.last_mut().filter(|(b, notes)| *b == bar && notes.end == k) {
                Some((_, notes)) => notes.end = k + 1,
                None => bars.push((bar, k..k + 1)),
            }
        }
        let uneven = |notes: &std::ops::Range<usize>| {
            let gaps = (notes.start + 1..notes.end).map(|k| self.notes[k].at - self.notes[k - 1].at);
            let (low, high) = gaps.fold((f64::INFINITY, 0.0f64), |(low, high), g| (low.min(g), high.max(g)));
            let planted = self.busy.iter().any(|b| (notes.start..notes.end + 6).contains(&(b + 3)));
            let rests = (notes.start + 1..notes.end).any(|k| self.rest_before(k) > 0.0 || self.notes[k].pause_s > 0.0);
            notes.len() >= 3 && high <= 1.5 && low < high - 1e-6 && !rests && !planted
        };
        bars.retain(|(_, notes)| uneven(notes));
        let sections: Vec<usize> = bars.iter().map(|b| b.0).collect();
        let Some(one) = rng.pick(&sections) else { return };
        let section = |bar: usize| &self.timeline.passes[self.timeline.bars[bar].pass].section;
        bars.retain(|(bar, _)| section(*bar) == section(one));
        for (bar, notes) in bars {
            let (from, to) = (self.notes[notes.start].at, self.notes[notes.end - 1].at);
            for k in notes.clone() {
                let share = (k - notes.start) as f64 / (notes.len() - 1) as f64;
                self.notes[k].at = from + share * (to - from);
            }
            let near =
                [Kind::EarlyReEntry, Kind::LateReEntry, Kind::JoinGap, Kind::JoinRushed, Kind::Paused, Kind::Lost];
            self.may(&near, bar..bar + 1);
        }
    }
}
