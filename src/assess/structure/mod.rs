//! [`Trace`] -> [`Structure`]: what the player did to the form: rests run through, early and late entries, gaps at joins,
//! stops, restarts, repeats too many or too few, sections left out.
//!
//! Every event of the path (a jump, a pulse set anew, a late beginning) is a suspicion. It becomes a finding only if a
//! second witness agrees: the take is told again with that event forbidden, and by how much the story grows dearer (in
//! nats) is how sure we are. Displaced notes, extras and misses are the innocent explanations it competes with.
//!
//! Where identical bars make the place unknowable, `bars` spans every place it could be and the strikes are moved to one
//! canonical copy, so that two listeners tell the same story.

mod entries;
mod jumps;
mod lost;
mod rests;
mod ties;

use super::finding::{Evidence, Finding, Place, What};
use super::runs::leapt;
use super::suspicion::{LEAST_CONFIDENCE, Suspicion};
use super::{Slip, Stretch};
use crate::align::{Placed, Step, Strike, Trace};
use crate::part::Timeline;
use crate::units::{Seconds, Ticks};

/// What the player did to the form.
#[derive(Clone, Debug, PartialEq)]
pub struct Structure {
    /// Unbroken stretches in order of time.
    pub stretches: Vec<Stretch>,
    /// One for each strike: as in the alignment, with identical bars brought to their canonical copy.
    pub placed: Vec<Placed>,
    /// Findings about rests, entries, joins, repeats, restarts, pauses and lost places, in order of time.
    pub findings: Vec<Finding>,
    /// Gaps that no kind of finding names.
    pub slips: Vec<Slip>,
}

/// Judges the form of a take.
pub fn structure(timeline: &Timeline, strikes: &[Strike], trace: &Trace) -> Structure {
    let mut take = Take::new(timeline, strikes, trace);
    let leaps = ties::settle(&mut take);
    let mut suspected = jumps::judge(&take, &leaps);
    let (entries, slips) = entries::judge(&take, &leaps);
    suspected.extend(entries);
    suspected.extend(rests::judge(&take));
    suspected.extend(lost::judge(&take));
    let mut findings: Vec<Finding> = suspected.into_iter().filter_map(Suspicion::told).collect();
    findings.sort_by(|a, b| {
        let time = |f: &Finding| f.at.map_or(f64::INFINITY, Seconds::get);
        time(a).total_cmp(&time(b)).then(a.kind().cmp(&b.kind()))
    });
    Structure { stretches: take.stretches(), placed: take.placed, findings, slips }
}

/// Nats of the second witness -> log odds, but for the kind's prior, which stands in the table of kinds.
/// Origin: logistic, read off 1500 findings in the simulated class (`scripts/measuring/class_figures.rs`).
fn witnessed(what: &What, dearer: f64) -> f64 {
    match what {
        What::Restarted { .. } => dearer / 1.6,
        What::RepeatExtra { .. }
        | What::RepeatMissing { .. }
        | What::SectionSkipped { .. }
        | What::StartedLate { .. } => dearer / 1.5,
        _ => dearer / 1.4,
    }
}

/// A stretch of matched strikes.
struct Run {
    /// Indices of its matched strikes.
    strikes: Vec<usize>,
    began: Step,
}

/// A take being judged.
struct Take<'a> {
    timeline: &'a Timeline,
    trace: &'a Trace,
    strikes: &'a [Strike],
    placed: Vec<Placed>,
    /// Position of each stroke in quarters.
    at: Vec<f64>,
    runs: Vec<Run>,
    /// Where the place was lost.
    gone: Vec<lost::Gone>,
}

impl<'a> Take<'a> {
    fn new(timeline: &'a Timeline, strikes: &'a [Strike], trace: &'a Trace) -> Take<'a> {
        let mut placed = trace.alignment.placed.clone();
        let gone = lost::gone(strikes, &mut placed);
        let mut runs: Vec<Run> = Vec::new();
        for (i, p) in placed.iter().enumerate() {
            if !p.step.is_match() || p.stroke.is_none() {
                continue;
            }
            match runs.last_mut() {
                Some(run) if !p.step.breaks() => run.strikes.push(i),
                _ => runs.push(Run { strikes: vec![i], began: p.step }),
            }
        }
        let at = timeline.strokes.iter().map(|s| s.at.quarters()).collect();
        Take { timeline, trace, strikes, placed, at, runs, gone }
    }

    /// Stroke of a matched strike.
    fn stroke(&self, i: usize) -> usize {
        self.placed[i].stroke.unwrap_or(0)
    }

    /// Bar of a matched strike.
    fn bar(&self, i: usize) -> usize {
        self.timeline.strokes.get(self.stroke(i)).map_or(0, |s| s.bar)
    }

    /// Time of a strike, seconds.
    fn time(&self, i: usize) -> f64 {
        self.strikes[i].at.get()
    }

    /// Length of a quarter around a strike, seconds.
    fn quarter(&self, i: usize) -> f64 {
        self.placed[i].bpm.quarter().get()
    }

    /// Where the pulse put a matched strike, seconds.
    fn pulse(&self, i: usize) -> f64 {
        self.placed[i].pulse.get()
    }

    /// Whether the place was not carried on from one matched strike to the next of a run.
    fn leapt(&self, from: usize, to: usize) -> bool {
        let on_paper = self.at[self.stroke(to)] - self.at[self.stroke(from)];
        leapt(on_paper, (self.pulse(to) - self.pulse(from)) / self.quarter(to))
    }

    fn jitter(&self) -> f64 {
        self.trace.alignment.jitter.get()
    }

    /// Length of a bar and of one of the meter's beats, in quarters.
    fn bar_length(&self) -> f64 {
        self.timeline.meter.bar().quarters()
    }

    fn beat_length(&self) -> f64 {
        self.timeline.meter.beat().quarters()
    }

    /// Length of the written rest right before a stroke, in quarters.
    fn rest_before(&self, stroke: usize) -> f64 {
        let here = self.timeline.strokes[stroke].at;
        let before = stroke.checked_sub(1).map_or(Ticks(-1), |j| self.timeline.strokes[j].at);
        let rests = self.timeline.rests.iter().filter(|r| r.from > before && r.from < here);
        rests.map(|r| (r.to - r.from).quarters()).sum()
    }

    /// The written rest right before a stroke, as an index: the last of them.
    fn rest_ahead_of(&self, stroke: usize) -> Option<usize> {
        let here = self.timeline.strokes[stroke].at;
        let before = stroke.checked_sub(1).map_or(Ticks(-1), |j| self.timeline.strokes[j].at);
        self.timeline.rests.iter().rposition(|r| r.from > before && r.from < here)
    }

    /// Whether the place was lost before this run: its beginning is then part of that event.
    fn found_again(&self, run: usize) -> bool {
        self.gone.iter().any(|gone| gone.found == Some(self.runs[run].strikes[0]))
    }

    /// Whether a stick fell between two strikes, or just before the first of them.
    fn fell(&self, before: usize, after: usize) -> bool {
        (before.saturating_sub(2)..after).any(|i| self.placed[i].step == Step::Bounce)
    }

    /// First stroke of a pass.
    fn opens_pass(&self, stroke: usize) -> bool {
        let pass = |j: usize| self.timeline.bars[self.timeline.strokes[j].bar].pass;
        stroke == 0 || pass(stroke) != pass(stroke - 1)
    }

    /// A suspicion, to be filled in.
    fn suspicion(&self, what: What, place: Place, at: f64, evidence: Evidence) -> Suspicion {
        Suspicion {
            what,
            place: Some(place),
            at: Some(Seconds::of(at)),
            odds: 0.0,
            share: 1.0,
            evidence,
            otherwise: None,
        }
    }

    /// Stretches for the report.
    fn stretches(&self) -> Vec<Stretch> {
        let ends = self.runs.iter().skip(1).map(|r| r.strikes[0]).chain([self.strikes.len()]);
        (self.runs.iter().zip(ends))
            .map(|(run, end)| {
                let strokes = run.strikes.iter().map(|&i| self.stroke(i));
                let (first, last) = strokes.fold((usize::MAX, 0), |(a, b), j| (a.min(j), b.max(j)));
                Stretch { strikes: run.strikes[0]..end, strokes: first..last + 1, began: run.began }
            })
            .collect()
    }
}
