//! One thing to keep, one thing to try, the bars to practise, and the tempo to take next. Decides what is said; the sentences
//! are [`super::say`]'s.
//!
//! The tempo follows a rule of thumb and says so: a take that was heard as a whole and went through as written and steadily
//! earns a step of about the just noticeable change of tempo; one whose flow broke, or that lacks strokes, goes slower than it
//! was played, and where the part goes no slower, in a smaller bite; otherwise the same tempo again. What was not heard earns
//! nothing.

use std::ops::Range;

use super::finding::{Finding, Kind, Place, What};
use super::suspicion::{Rank, rank};
use super::{Assessment, Hearing, Slip, Status};
use crate::part::{Hands, Surface, Timeline};
use crate::units::{Bpm, Ticks};

/// Below this distance of strike and noise a quieter room is the first thing to ask for. Rule of thumb: the ear's goal is met
/// down to 20 dB.
const QUIET_DB: f64 = 20.0;
/// A step up: 4 %, a little over the just noticeable change of tempo (3.5 %, mazurka.org.uk tempo experiment).
const UP: f64 = 1.04;
/// A step down: 8 %. Rule of thumb.
const DOWN: f64 = 0.92;
/// Tempi as near as this are one tempo to a listener: the just noticeable change.
const SAME_TEMPO: f64 = 0.035;
/// Strokes heard where they belong for a take to count as gone through; and heard at all for it to be judged as a whole. Rule of
/// thumb.
const THROUGH: f64 = 0.9;
/// So few strokes that could not be heard are never too many.
const FEW: usize = 2;
/// Steady: jitter within this share of the shortest written interval, or within what untrained adults come to (20 to 35 ms;
/// planning figures). Rule of thumb.
const STEADY: (f64, f64) = (0.06, 0.030);
/// Most bars of an exercise: what a child plays from memory at once, and what its page has room for.
pub const MAX_BARS: usize = 2;

/// What to tell the pupil.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// One true thing to keep.
    pub praise: Praise,
    /// One thing to try; `None` when there is nothing to fix.
    pub fix: Option<Fix>,
    /// Bars to practise: index range into [`Timeline::bars`], the fault among them. What the page shows, what
    /// `pailbeat again` loops, what the book asks for.
    pub practise: Option<Range<usize>>,
    /// The tempo to take next: within the part's range, but for one who played below it.
    pub next: Bpm,
    /// Why that tempo.
    pub why: Why,
}

impl Advice {
    /// Index of the finding that `fix` speaks of.
    pub fn about(&self) -> Option<usize> {
        match self.fix {
            Some(Fix::Finding(i)) => Some(i),
            _ => None,
        }
    }
}

/// What is praised. Only what was heard.
#[derive(Clone, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Praise {
    /// Every stroke was heard in its place, and the tempo held.
    AllInPlace,
    /// Every stroke was heard in its place.
    EveryStroke,
    /// The beat was even and the tempo held; all the strokes were there or not.
    Steady {
        /// Nothing was left out.
        throughout: bool,
    },
    /// So many rests were kept, all there are.
    RestsKept(usize),
    /// Every join was gone through.
    Joined,
    /// This pass was all in its place.
    Pass(usize),
    /// These surfaces were each where they are written.
    Surfaces(Vec<Surface>),
    /// Played to the last stroke, every stroke there.
    Whole,
    /// Nearly every stroke that was heard was where it belongs.
    NearlyAll,
    /// Played so many bars.
    Bars(usize),
    /// Made a recording.
    Recorded,
}

/// What to try.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Fix {
    /// What this finding says.
    Finding(usize),
    /// Something that no finding names.
    Slip(Slip),
    /// Nothing can be said before it is recorded better.
    Record(Record),
    /// It was another part, by all that can be heard.
    AnotherPart,
}

/// How to record better.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Record {
    /// Next to nothing was heard.
    Nearer,
    /// The room was too loud.
    Quieter,
    /// It was cut off at full scale.
    Further,
}

/// Why the tempo to take next is what it is.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Why {
    /// Slower than it was played.
    Slower(Reason),
    /// It was played as slowly as the part goes: a smaller bite instead.
    Smaller(Bite),
    /// The same again.
    Stay(Reason),
    /// Back to the tempo asked for: it was played faster.
    AsAsked {
        /// As played.
        played: Bpm,
    },
    /// A step up from this tempo, at which it went well.
    Up {
        /// See above.
        from: Bpm,
    },
    /// It went well at the part's goal.
    Goal,
}

/// What is made smaller where the tempo cannot be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Bite {
    /// Only the bar that holds the fault.
    OneBar,
    /// The same bars without the bucket: the fault lies between them, or they are one already.
    Patted,
}

/// What a tempo is good for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Reason {
    /// Time to think ahead.
    ThinkAhead,
    /// Every stroke finds its place.
    EveryStroke,
    /// Until this one thing is right.
    OneThing,
    /// Until it is easy and even.
    Easy,
    /// Until it goes on to the end.
    ToTheEnd,
    /// Until it can be heard.
    Heard,
}

/// Findings after which the flow itself needs slower practice.
fn breaks_flow(kind: Kind) -> bool {
    match kind {
        Kind::RestNotKept
        | Kind::EarlyReEntry
        | Kind::LateReEntry
        | Kind::JoinGap
        | Kind::JoinRushed
        | Kind::Restarted
        | Kind::Paused
        | Kind::Lost => true,
        Kind::WrongSurface
        | Kind::RepeatExtra
        | Kind::RepeatMissing
        | Kind::SectionSkipped
        | Kind::Rushing
        | Kind::Dragging
        | Kind::UnevenHands
        | Kind::NotTogether
        | Kind::LevelFlat
        | Kind::StartedLate
        | Kind::StrokesMissing
        | Kind::TempoApart => false,
    }
}

/// What the whole take came to, counted once.
struct Ground<'a> {
    take: &'a Assessment,
    all: Counts,
    /// As far as a listener notices; `false` where it is too short to tell.
    tempo_held: bool,
    even: bool,
}

pub(super) fn advice(take: &Assessment, heard: &Hearing, tempo_held: bool) -> Advice {
    let ground = Ground { take, all: counts(take, 0..take.strokes.len()), tempo_held, even: even(take) };
    let fix = ground.fix(heard);
    let (next, mut why) = ground.next(fix);
    let mut practise = fix.and_then(|fix| practise(take, fix));
    if let (Why::Smaller(bite), Some(bars)) = (&mut why, &mut practise)
        && let Some(bar) = fix.and_then(|fix| alone(take, fix)).filter(|bar| bars.len() > 1 && bars.contains(bar))
    {
        (*bite, *bars) = (Bite::OneBar, bar..bar + 1);
    }
    Advice { praise: ground.praise(), fix, practise, next, why }
}

/// Advice where nothing could be judged.
pub(super) fn unheard(timeline: &Timeline, fix: Fix) -> Advice {
    let next = within(timeline, timeline.bpm.get());
    Advice { praise: Praise::Recorded, fix: Some(fix), practise: None, next, why: Why::Stay(Reason::Heard) }
}

/// A whole number within the part's range.
fn within(timeline: &Timeline, bpm: f64) -> Bpm {
    let (start, goal) = (timeline.range.start.get(), timeline.range.goal.get());
    let (low, high) = (start.min(goal), start.max(goal));
    Bpm::clamped(bpm.round().clamp(low.round(), high.round()).clamp(low, high))
}

/// The bars to practise: those in which the fault lies, and where it begins or ends at a bar line the bar on the other side.
pub(super) fn practise(take: &Assessment, fix: Fix) -> Option<Range<usize>> {
    let timeline = &take.timeline;
    let end = timeline.bars.len();
    let with_next = |bar: usize| bar..(bar + 2).min(end);
    let with_last = |bar: usize| bar.saturating_sub(1)..(bar + 1).min(end);
    let finding = match fix {
        Fix::Finding(i) => take.findings.get(i)?,
        Fix::Slip(slip) => {
            return timeline.strokes.get(slip.stroke()).map(|s| with_next(s.bar));
        }
        Fix::Record(_) | Fix::AnotherPart => return None,
    };
    let at = finding.place.as_ref().map(|p| p.bar.unwrap_or(p.bars.start));
    let bar_of = |stroke: usize| timeline.strokes.get(stroke).map(|s| s.bar);
    Some(match &finding.what {
        // The rest, and where the playing comes in again.
        What::RestNotKept { .. } => with_next(at?),
        What::EarlyReEntry { rest, .. } | What::LateReEntry { rest, .. } => {
            let rest = timeline.rests.get(*rest)?;
            let first = timeline.bars.iter().rposition(|b| b.at <= rest.from)?;
            last_of(first..at? + 1)
        }
        What::JoinGap { .. } | What::JoinRushed { .. } | What::Paused { .. } | What::Lost { .. } => with_last(at?),
        // The bar that broke off and the one it should have led to.
        What::Restarted { left, .. } => with_next(*left),
        // The last bar of the time too many, or of the one before what was left out, and what should have come then.
        What::RepeatExtra { bars } => {
            let last = (at? + bars).checked_sub(1)?;
            if last + 1 < end { with_next(last) } else { with_last(last) }
        }
        What::RepeatMissing { .. } | What::SectionSkipped { .. } => match at? {
            0 => with_next(0),
            bar => with_last(bar),
        },
        What::StartedLate { .. } => with_next(0),
        What::WrongSurface { strokes, .. } => most_of(timeline, strokes)?,
        What::StrokesMissing { strokes, .. } => most_of(timeline, strokes)?,
        What::NotTogether { .. } => {
            let apart = |j: usize| {
                let strike = take.strokes.get(j).and_then(|s| s.strike).and_then(|i| take.strikes.get(i));
                strike.and_then(|s| s.spread).map_or(0.0, |s| s.get())
            };
            let both = |j: &usize| timeline.strokes.get(*j).is_some_and(|s| s.hands == Hands::Both);
            let both: Vec<usize> = (0..timeline.strokes.len()).filter(both).collect();
            let widest = both.iter().copied().rev().max_by(|a, b| apart(*a).total_cmp(&apart(*b)));
            with_next(bar_of(widest?)?)
        }
        What::LevelFlat { .. } => {
            let place = finding.place.clone().unwrap_or_else(|| Place::span(0..end.min(MAX_BARS)));
            place.bars.start..place.bars.end.min(place.bars.start + MAX_BARS)
        }
        What::Rushing(course) | What::Dragging(course) => with_last(course.bar.max(1)),
        What::UnevenHands(_) => {
            let written = |b: &crate::part::Bar| {
                let strokes = timeline.strokes.get(b.strokes.clone()).unwrap_or_default();
                strokes.iter().filter(|s| matches!(s.hands, Hands::One(_))).count()
            };
            let most = (0..end).max_by_key(|&b| (timeline.bars.get(b).map_or(0, written), std::cmp::Reverse(b)))?;
            with_next(most)
        }
        What::TempoApart { .. } => with_next(0),
    })
}

/// The bar that holds all of a fault, where one does.
fn alone(take: &Assessment, fix: Fix) -> Option<usize> {
    let Fix::Finding(i) = fix else { return None };
    let (timeline, finding) = (&take.timeline, take.findings.get(i)?);
    let place = finding.place.as_ref();
    let inside = |rest: usize| {
        let (rest, at) = (timeline.rests.get(rest)?, place?.bar?);
        let from = timeline.bars.get(at)?.at;
        // What comes after the rest belongs to it.
        (rest.from >= from && rest.to < from + timeline.meter.bar()).then_some(at)
    };
    match &finding.what {
        What::RestNotKept { rest, .. } | What::EarlyReEntry { rest, .. } | What::LateReEntry { rest, .. } => {
            inside(*rest)
        }
        What::Paused { .. } => {
            let bar = place?.bar?;
            (place?.stroke? > timeline.bars.get(bar)?.strokes.start).then_some(bar)
        }
        What::WrongSurface { strokes, .. } | What::StrokesMissing { strokes, .. } => {
            let inside = |bar: &crate::part::Bar| strokes.iter().filter(|j| bar.strokes.contains(j)).count();
            (0..timeline.bars.len()).rev().max_by_key(|b| timeline.bars.get(*b).map_or(0, inside))
        }
        _ => None,
    }
}

/// At most [`MAX_BARS`] of them, the last ones.
fn last_of(bars: Range<usize>) -> Range<usize> {
    bars.start.max(bars.end.saturating_sub(MAX_BARS))..bars.end
}

/// Two neighbouring bars of one pass with as many of the strokes as possible; of equally many the first.
fn most_of(timeline: &Timeline, strokes: &[usize]) -> Option<Range<usize>> {
    let inside = |bar: usize| {
        let bar = timeline.bars.get(bar);
        bar.map_or(0, |b| strokes.iter().filter(|j| b.strokes.contains(j)).count())
    };
    let pass = |bar: usize| timeline.bars.get(bar).map(|b| b.pass);
    let pair = |bar: usize| if pass(bar) == pass(bar + 1) { bar..bar + 2 } else { bar..bar + 1 };
    (0..timeline.bars.len())
        .map(pair)
        .max_by_key(|bars| (bars.clone().map(inside).sum::<usize>(), inside(bars.start), std::cmp::Reverse(bars.start)))
}

#[derive(Clone, Copy)]
struct Counts {
    /// Strokes that the take came to, heard or not.
    passed: usize,
    played: usize,
    right: usize,
    missed: usize,
    unheard: usize,
    all: usize,
}

fn counts(take: &Assessment, strokes: Range<usize>) -> Counts {
    let statuses = || take.strokes.get(strokes.clone()).unwrap_or_default().iter().map(|s| s.status);
    let of = |wanted: Status| statuses().filter(|s| *s == wanted).count();
    let (right, elsewhere) = (of(Status::Played), of(Status::WrongSurface));
    let (missed, unheard) = (of(Status::Missed), of(Status::NotHeard));
    Counts {
        passed: right + elsewhere + missed + unheard,
        played: right + elsewhere,
        right,
        missed,
        unheard,
        all: statuses().count(),
    }
}

fn share(part: usize, whole: usize) -> f64 {
    if whole == 0 { 0.0 } else { part as f64 / whole as f64 }
}

impl Counts {
    /// Too much could not be heard for the take to be judged as a whole.
    fn unheard_too_much(&self) -> bool {
        self.unheard > FEW && share(self.unheard, self.passed) > 1.0 - THROUGH
    }
}

/// Whether too much of a take could not be heard for it to be judged as a whole.
pub(super) fn too_little_heard(take: &Assessment) -> bool {
    counts(take, 0..take.strokes.len()).unheard_too_much()
}

impl Ground<'_> {
    fn any(&self, kinds: &[Kind]) -> bool {
        self.take.findings.iter().any(|f| kinds.contains(&f.kind()))
    }

    fn fix(&self, heard: &Hearing) -> Option<Fix> {
        if !self.take.findings.is_empty() {
            return Some(Fix::Finding(0));
        }
        if self.all.unheard_too_much() {
            return Some(Fix::Record(record(heard)));
        }
        self.take.slips.iter().copied().find(|slip| slip.plain()).map(Fix::Slip)
    }

    /// The first of these that is true, the rarest achievement first.
    fn praise(&self) -> Praise {
        let (take, all) = (self.take, self.all);
        let timeline = &take.timeline;
        let heard = |j: usize| take.strokes.get(j).is_some_and(|s| s.strike.is_some());
        let complete = all.played == all.all && all.all > 0;
        let spotless = complete && all.right == all.all && take.findings.is_empty() && take.slips.is_empty();
        // Nothing that was heard speaks against it, and nearly all was heard.
        let most_heard = !all.unheard_too_much() && share(all.played, all.passed) >= THROUGH;
        let steady = self.even
            && self.tempo_held
            && most_heard
            && take.slips.iter().all(|s| matches!(s, Slip::Extra { .. }))
            && !self.any(&[Kind::Rushing, Kind::Dragging, Kind::Paused, Kind::Lost, Kind::JoinGap, Kind::Restarted]);
        if spotless {
            return if steady { Praise::AllInPlace } else { Praise::EveryStroke };
        }
        if steady {
            let throughout = complete && take.findings.is_empty() && take.slips.is_empty();
            return Praise::Steady { throughout };
        }
        let beat = timeline.meter.beat();
        let rests = || timeline.rests.iter().filter(|r| r.to - r.from >= beat);
        let around = |at: Ticks, to: Ticks| {
            let next = timeline.strokes.partition_point(|s| s.at < to);
            let last = timeline.strokes.partition_point(|s| s.at < at).checked_sub(1);
            last.is_some_and(heard) && (next >= timeline.strokes.len() || heard(next))
        };
        let rests_kept = !self.any(&[Kind::RestNotKept, Kind::EarlyReEntry, Kind::LateReEntry, Kind::Lost])
            && take.slips.iter().all(|s| !matches!(s, Slip::Extra { .. }));
        if rests_kept && rests().count() > 1 && rests().all(|r| around(r.from, r.to)) {
            return Praise::RestsKept(rests().count());
        }
        let joins = || timeline.passes.iter().skip(1).filter_map(|p| timeline.bars.get(p.bars.start));
        let joined = !self.any(&[
            Kind::JoinGap,
            Kind::JoinRushed,
            Kind::Restarted,
            Kind::SectionSkipped,
            Kind::RepeatExtra,
            Kind::RepeatMissing,
            Kind::Lost,
            Kind::StartedLate,
            Kind::EarlyReEntry,
            Kind::LateReEntry,
        ]);
        if joined && joins().count() > 0 && joins().all(|b| around(b.at, b.at)) && all.missed == 0 {
            return Praise::Joined;
        }
        if let Some(pass) = self.clean_pass() {
            return Praise::Pass(pass);
        }
        let mut surfaces: Vec<_> = timeline.strokes.iter().map(|s| s.surface).collect();
        surfaces.sort_unstable();
        surfaces.dedup();
        let sure = take.strikes.iter().filter(|s| s.stroke.is_some()).all(|s| s.surface_p > 0.6);
        let clear =
            surfaces.len() > 1 && sure && share(all.right, all.played) > 0.97 && !self.any(&[Kind::WrongSurface]);
        if clear && most_heard {
            return Praise::Surfaces(surfaces);
        }
        let fault = |f: &Finding| rank(&f.what) <= Rank::Strokes;
        if complete && take.slips.is_empty() && !take.findings.iter().any(fault) {
            return Praise::Whole;
        }
        if most_heard && all.played > 8 && all.missed * 20 <= all.passed {
            return Praise::NearlyAll;
        }
        let bars = timeline.bars.iter().filter(|b| b.strokes.clone().any(heard)).count();
        Praise::Bars(bars)
    }

    /// A section played through with every stroke heard in its place and no finding about it.
    fn clean_pass(&self) -> Option<usize> {
        const MIN_STROKES: usize = 4;
        let (take, timeline) = (self.take, &self.take.timeline);
        timeline.passes.iter().position(|pass| {
            let bars = timeline.bars.get(pass.bars.clone()).unwrap_or_default();
            let (Some(first), Some(last)) = (bars.first(), bars.last()) else { return false };
            let strokes = first.strokes.start..last.strokes.end;
            let here = |f: &Finding| match &f.place {
                None => true,
                Some(place) => place.pass(timeline).is_some_and(|p| {
                    p.section == pass.section
                        && (place.passes != super::finding::Passes::This || p.number == pass.number)
                }),
            };
            let slipped = take.slips.iter().any(|s| strokes.contains(&s.stroke()));
            let n = strokes.len();
            n >= MIN_STROKES && counts(take, strokes).right == n && !take.findings.iter().any(here) && !slipped
        })
    }

    /// The tempo to take next and why.
    fn next(&self, fix: Option<Fix>) -> (Bpm, Why) {
        let (take, all) = (self.take, self.all);
        let timeline = &take.timeline;
        let asked = timeline.bpm.get();
        let played = take.clock.map_or(asked, |c| c.bpm.get());
        let same = (played / asked).ln().abs() <= SAME_TEMPO;
        // What it was really played at; one who cannot hear the difference played what was asked.
        let own = if same { asked } else { played };
        // Who played below the range is not sent up to its beginning.
        let fit = |bpm: f64| {
            let low = timeline.range.slowest().get();
            if own < low { Bpm::clamped(bpm.round().min(within(timeline, bpm).get())) } else { within(timeline, bpm) }
        };
        let broken = take.findings.iter().any(|f| breaks_flow(f.kind()));
        let through = share(all.played, all.played + all.missed) >= THROUGH;
        if broken || !through {
            let reason = if broken { Reason::ThinkAhead } else { Reason::EveryStroke };
            let next = fit(own.min(asked) * DOWN);
            // The slowest that the part is practised at, and played no faster.
            let slower = next.get() < own - 0.5;
            return (next, if slower { Why::Slower(reason) } else { Why::Smaller(Bite::Patted) });
        }
        let stay = |reason: Reason| match () {
            () if own > asked => (fit(asked), Why::AsAsked { played: Bpm::clamped(own) }),
            () => (fit(own), Why::Stay(reason)),
        };
        if all.unheard_too_much() {
            return stay(Reason::Heard);
        }
        let unreached = take.strokes.iter().filter(|s| s.status == Status::NotReached).count();
        if share(unreached, take.strokes.len()) > 1.0 - THROUGH && take.findings.is_empty() {
            return stay(Reason::ToTheEnd);
        }
        // Slower than asked is no fault of the playing: it is on the way.
        let on_the_way = |f: &Finding| matches!(f.what, What::TempoApart { played, asked } if played < asked);
        if all.missed > 0 || !take.findings.iter().all(on_the_way) || matches!(fix, Some(Fix::Slip(_))) {
            return stay(Reason::OneThing);
        }
        if !self.even || !self.tempo_held {
            return stay(Reason::Easy);
        }
        let next = fit((own * UP).max(own + 1.0));
        if next.get() <= own + 0.5 {
            return (next, Why::Goal);
        }
        (next, Why::Up { from: Bpm::clamped(own) })
    }
}

/// How to record what could not be heard.
fn record(heard: &Hearing) -> Record {
    if heard.clipped > 0.1 {
        Record::Further
    } else if heard.over_noise.is_some_and(|d| d.0 < QUIET_DB) {
        Record::Quieter
    } else {
        Record::Nearer
    }
}

fn shortest(timeline: &Timeline) -> Option<Ticks> {
    timeline.strokes.windows(2).filter_map(|w| Some(w.get(1)?.at - w.first()?.at)).filter(|t| t.0 > 0).min()
}

/// Jitter small enough to be called even, at the tempo played.
fn even(take: &Assessment) -> bool {
    let played = take.clock.map_or(take.timeline.bpm, |c| c.bpm);
    let within = shortest(&take.timeline).map_or(0.0, |ioi| STEADY.0 * ioi.to_seconds(played).get());
    take.jitter.is_some_and(|j| j.get() <= within.max(STEADY.1))
}
