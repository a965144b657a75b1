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

use super::runs::leapt;
use super::{Finding, Kind, Stretch, Unit};
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
}

/// Findings less sure than this are not said.
pub const LEAST_CONFIDENCE: f64 = 0.6;
/// Nothing heard through a microphone is surer than this.
const MOST_CONFIDENCE: f64 = 0.99;

/// Judges the form of a take.
pub fn structure(timeline: &Timeline, strikes: &[Strike], trace: &Trace) -> Structure {
    let mut take = Take::new(timeline, strikes, trace);
    let leaps = ties::settle(&mut take);
    let mut findings = Vec::new();
    jumps::judge(&take, &leaps, &mut findings);
    entries::judge(&take, &leaps, &mut findings);
    rests::judge(&take, &mut findings);
    lost::judge(&take, &mut findings);
    for finding in &mut findings {
        finding.confidence = finding.confidence.clamp(0.0, MOST_CONFIDENCE);
    }
    findings.retain(|f| f.confidence >= LEAST_CONFIDENCE);
    findings.sort_by(|a, b| {
        let time = |f: &Finding| f.at.map_or(f64::INFINITY, Seconds::get);
        time(a).total_cmp(&time(b)).then(a.kind.cmp(&b.kind))
    });
    Structure { stretches: take.stretches(), placed: take.placed, findings }
}

/// Nats of the second witness -> probability that the event is real.
/// Origin: logistic, read off 1500 findings in the simulated class (`scripts/class_figures.rs`). At the same evidence
/// restarts are a little less sure than the rest, because playing about resembles them; repeats and sections a little
/// surer, because their rival is often another true name of the same event.
fn witnessed(kind: Kind, dearer: f64) -> f64 {
    match kind {
        Kind::Restarted => logistic((dearer - 0.3) / 1.6),
        Kind::RepeatExtra | Kind::RepeatMissing | Kind::SectionSkipped | Kind::StartedLate => {
            logistic((dearer + 0.6) / 1.5)
        }
        _ => logistic(dearer / 1.4),
    }
}

/// How sure a finding is: that something happened is one question, what to call it another, and the second must not silence
/// the first.
fn named(happened: f64, share: f64) -> f64 {
    (happened * share).max(happened.min(LEAST_CONFIDENCE))
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x.clamp(-30.0, 30.0)).exp())
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

    /// Whether the place was lost before this run: its beginning is then part of that event.
    fn found_again(&self, run: usize) -> bool {
        self.gone.iter().any(|gone| gone.found == Some(self.runs[run].strikes[0]))
    }

    /// First stroke of a pass.
    fn opens_pass(&self, stroke: usize) -> bool {
        let pass = |j: usize| self.timeline.bars[self.timeline.strokes[j].bar].pass;
        stroke == 0 || pass(stroke) != pass(stroke - 1)
    }

    /// A finding at a bar of the timeline, to be filled in.
    fn finding(&self, kind: Kind, bar: usize, at: Option<f64>) -> Finding {
        let place = self.timeline.bars.get(bar);
        let pass = place.and_then(|b| self.timeline.passes.get(b.pass));
        Finding {
            kind,
            section: pass.map(|p| p.section.clone()),
            pass: pass.map(|p| p.number),
            bar: place.map(|b| b.number),
            beat: None,
            at: at.map(Seconds::of),
            size: 0.0,
            unit: Unit::Beats,
            confidence: 0.0,
            bars: place.map(|b| (b.number, b.number)),
            text: String::new(),
            evidence: String::new(),
            otherwise: None,
        }
    }

    /// "section B, bar 3".
    fn place(&self, bar: usize) -> String {
        let Some(b) = self.timeline.bars.get(bar) else { return String::from("the end") };
        let pass = self.timeline.passes.get(b.pass);
        let section = pass.map_or("", |p| p.section.as_str());
        let often = self.timeline.passes.iter().filter(|p| p.section == section).count();
        let time = pass.filter(|_| often > 1).map_or(String::new(), |p| format!(" ({} time)", ordinal(p.number)));
        format!("section {section}{time}, bar {}", b.number)
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

/// 1st, 2nd, 3rd ...
fn ordinal(n: u32) -> String {
    let ending = match (n % 10, n % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{n}{ending}")
}

/// "1 bar", "3 bars".
fn count(n: usize, word: &str) -> String {
    if n == 1 { format!("{n} {word}") } else { format!("{n} {word}s") }
}
