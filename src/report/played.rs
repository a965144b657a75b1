//! [`Assessment`] -> the bars in the order they were played, with what stands in each.
//!
//! A take that goes straight through is one [`Run`] over the whole form. Where the player went back, began again,
//! repeated once too often or left bars out, a new run begins, so that nothing that was played is hidden behind
//! something else. Chart and text are both made from this.

use std::ops::Range;

use crate::align::Step;
use crate::assess::{Assessment, Status};
use crate::part::{Hands, Surface};
use crate::units::{Bpm, Lateness, Seconds, Ticks};

/// A gap is shown as a stop when it is longer than written by this part of a beat; shorter ones are the pulse's own
/// give. Source: facts gathered for this project, rule of thumb for hesitations, `max(0.25 beat, 4 sigma)`.
const STOP_BEATS: f64 = 0.25;

/// The bars in the order they were played.
#[derive(Clone, Debug, Default)]
pub(super) struct Played {
    pub(super) runs: Vec<Run>,
    /// Strikes before the first stroke, such as taps that set the beat.
    pub(super) before: usize,
    /// Strikes that lie outside every bar that was played.
    pub(super) outside: usize,
    /// Bars after the last one that was played.
    pub(super) not_reached: Range<usize>,
}

/// Bars that follow each other in form and take alike.
#[derive(Clone, Debug)]
pub(super) struct Run {
    /// Indices into `Timeline::bars`.
    pub(super) bars: Range<usize>,
    /// What stands in them, in order of `at`.
    pub(super) marks: Vec<Mark>,
    /// Stops within the run.
    pub(super) stops: Vec<Stop>,
    /// How it is joined to the run before.
    pub(super) seam: Seam,
    /// When its first matched strike was heard.
    pub(super) from: Seconds,
    /// First and last stroke that was matched.
    strokes: (usize, usize),
}

/// How a run is joined to what was played before it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Seam {
    /// It is the first, and begins where the form begins.
    Beginning,
    /// It is the first, and these bars before it were not played.
    Late(Range<usize>),
    /// Back to bars that had been played.
    Back,
    /// On to a later place; these bars between were left out.
    On(Range<usize>),
}

/// One mark of the chart.
#[derive(Clone, Copy, Debug)]
pub(super) struct Mark {
    /// Index into `Timeline::bars`.
    pub(super) bar: usize,
    /// Where in the form.
    pub(super) at: Ticks,
    pub(super) what: What,
    /// Index of the strike, where one was heard.
    pub(super) strike: Option<usize>,
    /// Index of the stroke, where one is written.
    pub(super) stroke: Option<usize>,
}

/// What a mark stands for.
#[derive(Clone, Copy, Debug)]
pub(super) enum What {
    /// A strike on its stroke.
    Heard(Heard),
    /// A stroke without a strike: missed, not heard, not reached, or played at another time through.
    Written { surface: Surface, both: bool, why: Absent },
    /// A strike without a stroke.
    Stray {
        in_rest: bool,
        /// A rebound or a bounce: heard, but nobody's fault.
        quiet: bool,
    },
}

/// Why a written stroke has no strike here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Absent {
    Missed,
    NotHeard,
    /// The run had not begun or had ended, or the stroke was played another time through.
    NotHere,
}

/// A strike on its stroke.
#[derive(Clone, Copy, Debug)]
pub(super) struct Heard {
    /// What was heard.
    pub(super) surface: Surface,
    /// How sure that is.
    pub(super) surface_p: f64,
    /// What was written.
    pub(super) written: Surface,
    /// The verdict calls it another surface than written.
    pub(super) wrong: bool,
    pub(super) both: bool,
    /// `None` where the take has no timing for it.
    pub(super) late: Option<Lateness>,
    pub(super) sigma: Seconds,
    pub(super) bpm: Option<Bpm>,
}

/// A stop within a run.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stop {
    /// Before the stroke here.
    pub(super) at: Ticks,
    /// Index into `Timeline::bars`.
    pub(super) bar: usize,
    /// How much longer than written.
    pub(super) extra: Seconds,
}

struct Draft {
    strikes: Vec<(usize, usize)>,
    first: usize,
    last: usize,
    stops: Vec<Stop>,
}

impl Played {
    pub(super) fn of(assessment: &Assessment) -> Played {
        let drafts = drafts(assessment);
        let mut runs = Vec::with_capacity(drafts.len());
        let mut furthest: Option<usize> = None;
        for draft in &drafts {
            let (Some(first), Some(last)) = (bar_of(assessment, draft.first), bar_of(assessment, draft.last)) else {
                continue;
            };
            let seam = match furthest {
                None if first == 0 => Seam::Beginning,
                None => Seam::Late(0..first),
                Some(bar) if first > bar => Seam::On(bar + 1..first),
                Some(_) => Seam::Back,
            };
            furthest = Some(last.max(first));
            let from = draft.strikes.first().and_then(|(strike, _)| assessment.strikes.get(*strike)).map(|s| s.at);
            runs.push(Run {
                bars: first..last + 1,
                marks: Vec::new(),
                stops: draft.stops.clone(),
                seam,
                from: from.unwrap_or_default(),
                strokes: (draft.first, draft.last),
            });
        }
        stretch_over_the_missed(assessment, &mut runs);
        let lacks_all = runs.is_empty() && assessment.clock.is_some() && !assessment.timeline.bars.is_empty();
        if lacks_all {
            runs.push(Run {
                bars: 0..assessment.timeline.bars.len(),
                marks: Vec::new(),
                stops: Vec::new(),
                seam: Seam::Beginning,
                from: Seconds::ZERO,
                strokes: (1, 0),
            });
        }
        mark_strokes(assessment, &drafts, &mut runs);
        let (before, outside) = mark_strays(assessment, &drafts, &mut runs);
        for run in &mut runs {
            run.marks.sort_by_key(|mark| mark.at);
        }
        let end = runs.iter().map(|run| run.bars.end).max().unwrap_or(0);
        Played { runs, before, outside, not_reached: end..assessment.timeline.bars.len() }
    }
}

fn bar_of(assessment: &Assessment, stroke: usize) -> Option<usize> {
    assessment.timeline.strokes.get(stroke).map(|s| s.bar).filter(|bar| *bar < assessment.timeline.bars.len())
}

/// Stretches joined where the next one goes on from where the last one stopped.
fn drafts(assessment: &Assessment) -> Vec<Draft> {
    let mut drafts: Vec<Draft> = Vec::new();
    for stretch in &assessment.stretches {
        let strikes = (stretch.strikes.start..stretch.strikes.end.min(assessment.strikes.len()))
            .filter_map(|i| assessment.strikes.get(i)?.stroke.map(|stroke| (i, stroke)))
            .filter(|(_, stroke)| bar_of(assessment, *stroke).is_some())
            .collect::<Vec<_>>();
        let (Some((_, first)), Some(last)) = (strikes.first().copied(), strikes.iter().map(|s| s.1).max()) else {
            continue;
        };
        let first = strikes.iter().map(|s| s.1).min().unwrap_or(first);
        match drafts.last_mut().filter(|draft| goes_on(assessment, draft.last, first)) {
            Some(draft) => {
                draft.stops.extend(stop_between(assessment, draft, strikes.first().copied()));
                draft.last = draft.last.max(last);
                draft.strikes.extend(strikes);
            }
            None => drafts.push(Draft { strikes, first, last, stops: Vec::new() }),
        }
    }
    drafts
}

/// Later in the same bar, or in the next one.
fn goes_on(assessment: &Assessment, last: usize, first: usize) -> bool {
    let (from, to) = (bar_of(assessment, last), bar_of(assessment, first));
    first > last && from.zip(to).is_some_and(|(from, to)| to <= from + 1)
}

fn stop_between(assessment: &Assessment, draft: &Draft, next: Option<(usize, usize)>) -> Option<Stop> {
    let (&(before, left), (after, entered)) = (draft.strikes.last()?, next?);
    let written = assessment.timeline.strokes.get(entered)?.at - assessment.timeline.strokes.get(left)?.at;
    let bpm = pulse(assessment, left)?;
    let waited = assessment.strikes.get(after)?.at - assessment.strikes.get(before)?.at;
    let extra = waited - written.to_seconds(bpm);
    let least = assessment.timeline.meter.beat().to_seconds(bpm).get() * STOP_BEATS;
    let stroke = assessment.timeline.strokes.get(entered)?;
    (extra.get() > least).then_some(Stop { at: stroke.at, bar: stroke.bar, extra })
}

/// The player's tempo at a stroke.
fn pulse(assessment: &Assessment, stroke: usize) -> Option<Bpm> {
    assessment.strokes.get(stroke).and_then(|s| s.bpm).or(assessment.clock.map(|c| c.bpm))
}

/// Bars next to a run whose strokes are called missed or not heard belong to it: they are part of what was judged.
fn stretch_over_the_missed(assessment: &Assessment, runs: &mut [Run]) {
    let judged = |bar: usize| {
        let bars = assessment.timeline.bars.get(bar);
        let strokes = bars.and_then(|b| assessment.strokes.get(b.strokes.clone())).unwrap_or_default();
        strokes.iter().any(|s| matches!(s.status, Status::Missed | Status::NotHeard))
    };
    let taken = |runs: &[Run], bar: usize| runs.iter().any(|run| run.bars.contains(&bar));
    for i in 0..runs.len() {
        while runs[i].bars.start > 0 && judged(runs[i].bars.start - 1) && !taken(runs, runs[i].bars.start - 1) {
            runs[i].bars.start -= 1;
        }
        while judged(runs[i].bars.end) && !taken(runs, runs[i].bars.end) {
            runs[i].bars.end += 1;
        }
    }
    // What the stretching took back is no longer left out.
    let mut end = 0;
    for run in runs.iter_mut() {
        match &mut run.seam {
            Seam::Late(_) if run.bars.start == 0 => run.seam = Seam::Beginning,
            Seam::Late(bars) => bars.end = run.bars.start,
            Seam::On(bars) => *bars = end..run.bars.start.max(end),
            Seam::Beginning | Seam::Back => {}
        }
        end = run.bars.end;
    }
}

fn mark_strokes(assessment: &Assessment, drafts: &[Draft], runs: &mut [Run]) {
    // The verdict "missed" is shown once: in the last run that covers the stroke.
    let home = |runs: &[Run], stroke: usize, bar: usize| {
        let covers = |run: &Run| run.strokes.0 <= stroke && stroke <= run.strokes.1;
        runs.iter().rposition(covers).or_else(|| runs.iter().rposition(|run| run.bars.contains(&bar)))
    };
    let mut marks: Vec<Vec<Mark>> = vec![Vec::new(); runs.len()];
    for (i, run) in runs.iter().enumerate() {
        let strikes = drafts.get(i).map(|d| d.strikes.as_slice()).unwrap_or_default();
        for bar in run.bars.clone() {
            let Some(strokes) = assessment.timeline.bars.get(bar).map(|b| b.strokes.clone()) else { continue };
            for stroke in strokes.start..strokes.end.min(assessment.timeline.strokes.len()) {
                let Some(written) = assessment.timeline.strokes.get(stroke) else { continue };
                let both = written.hands == Hands::Both;
                let found = strikes.iter().find(|(_, s)| *s == stroke).map(|(strike, _)| *strike);
                let what = found.and_then(|strike| heard(assessment, strike, stroke)).map(What::Heard);
                let status = assessment.strokes.get(stroke).map(|s| s.status);
                let why = match status {
                    Some(Status::Missed) if home(runs, stroke, bar) == Some(i) => Absent::Missed,
                    Some(Status::NotHeard) if home(runs, stroke, bar) == Some(i) => Absent::NotHeard,
                    _ => Absent::NotHere,
                };
                let what = what.unwrap_or(What::Written { surface: written.surface, both, why });
                marks[i].push(Mark { bar, at: written.at, what, strike: found, stroke: Some(stroke) });
            }
        }
    }
    for (run, marks) in runs.iter_mut().zip(marks) {
        run.marks = marks;
    }
}

fn heard(assessment: &Assessment, strike: usize, stroke: usize) -> Option<Heard> {
    let (struck, written) = (assessment.strikes.get(strike)?, assessment.timeline.strokes.get(stroke)?);
    let judged = assessment.strokes.get(stroke)?;
    // A stroke played twice has one verdict, that of its own strike; the other time through is what its strike tells.
    let own = judged.strike == Some(strike);
    Some(Heard {
        surface: struck.surface,
        surface_p: struck.surface_p,
        written: written.surface,
        wrong: if own { judged.status == Status::WrongSurface } else { struck.elsewhere },
        both: written.hands == Hands::Both,
        late: if own { judged.late } else { struck.late },
        sigma: if own { judged.late_sigma } else { struck.late_sigma }.unwrap_or(struck.sigma),
        bpm: if own { judged.bpm } else { struck.bpm },
    })
}

/// Places the strikes that nobody wrote between their matched neighbours; returns how many came before the first
/// stroke and how many lie outside all bars shown.
fn mark_strays(assessment: &Assessment, drafts: &[Draft], runs: &mut [Run]) -> (usize, usize) {
    let (mut before, mut outside) = (0, 0);
    for (strike, struck) in assessment.strikes.iter().enumerate().filter(|(_, s)| s.stroke.is_none() && s.counts()) {
        let quiet = matches!(struck.step, Step::Double | Step::Bounce);
        let run = drafts.iter().rposition(|d| d.strikes.first().is_some_and(|(first, _)| *first < strike));
        let Some(run) = run.filter(|_| struck.step != Step::CountIn) else {
            before += 1;
            continue;
        };
        let place = drafts.get(run).and_then(|draft| ticks_at(assessment, draft, strike));
        let bar = place.and_then(|at| bar_at(assessment, &runs.get(run)?.bars, at));
        match (place.zip(bar), runs.get_mut(run)) {
            (Some((at, bar)), Some(run)) => {
                let what = What::Stray { in_rest: struck.step == Step::InRest, quiet };
                run.marks.push(Mark { bar, at, what, strike: Some(strike), stroke: None });
            }
            _ => outside += 1,
        }
    }
    (before, outside)
}

/// Where in the form a strike lies: between its matched neighbours in proportion, after the last one by the pulse.
fn ticks_at(assessment: &Assessment, draft: &Draft, strike: usize) -> Option<Ticks> {
    let time = assessment.strikes.get(strike)?.at;
    let point = |(strike, stroke): (usize, usize)| {
        Some((assessment.strikes.get(strike)?.at, assessment.timeline.strokes.get(stroke)?.at))
    };
    let left = draft.strikes.iter().rfind(|(s, _)| *s < strike).copied()?;
    let (t0, at0) = point(left)?;
    let right = draft.strikes.iter().find(|(s, _)| *s > strike).copied().and_then(point);
    let ticks = match right.filter(|(t1, at1)| *t1 > t0 && *at1 > at0) {
        Some((t1, at1)) => (at1 - at0).0 as f64 * ((time - t0).get() / (t1 - t0).get()),
        None => (time - t0).get() / pulse(assessment, left.1)?.quarter().get() * Ticks::PER_QUARTER as f64,
    };
    Some(at0 + Ticks(ticks.round() as i64))
}

fn bar_at(assessment: &Assessment, bars: &Range<usize>, at: Ticks) -> Option<usize> {
    let length = assessment.timeline.meter.bar();
    bars.clone().find(|bar| assessment.timeline.bars.get(*bar).is_some_and(|b| b.at <= at && at < b.at + length))
}

impl Seam {
    /// What is written at the seam; `None` at the beginning. `bars` are those of the run.
    pub(super) fn words(&self, assessment: &Assessment, bars: &Range<usize>) -> Option<String> {
        let number = assessment.timeline.bars.get(bars.start).map_or(1, |b| b.number);
        match self {
            Seam::Beginning => None,
            Seam::Late(_) => Some(format!("begins at bar {number}")),
            Seam::Back => Some(format!("back to bar {number}")),
            Seam::On(skipped) if skipped.is_empty() => Some(format!("goes on at bar {number}")),
            Seam::On(skipped) => Some(format!("{} left out", super::words::count(skipped.len(), "bar", "bars"))),
        }
    }
}
