//! Assessment, corrections over it -> the few numbers the book keeps of a take.
//!
//! Pure. A *unit* is what can be taught: a section (`A`) or the join of two (`A>B`). A unit is *had* when it was played
//! at about the tempo asked for, with nearly every audible stroke in its place and no finding that is likely true;
//! otherwise it is to be taken slower first. A unit of which the take holds nothing has no result. Corrections come
//! last and win.
//!
//! Lateness is against the guide where one was heard, less the middle one, which the devices' unknown delay is part of;
//! else against the player's own pulse.
//!
//! Limits: a stroke whose surface or presence could not be heard counts neither way.

use crate::align::Step;
use crate::assess::{Assessment, Kind, Status, say};
use crate::part::{Surface, Timeline};
use crate::units::{Bpm, Lateness, Seconds, Ticks};

/// Share of a unit's audible strokes that must be in place: one slip in ten is a child's day, not a gap in learning.
/// A choice of ours, made with the advice on tempo in `assess`, which asks for the same.
const HAD: f64 = 0.9;
/// A finding less likely than this holds nobody back: the "likely" of IPCC guidance, as in `report`.
const LIKELY: f64 = 0.66;
/// The tempo counts as taken down to this share of the one asked for: a beginner's tempo wanders by some 5 %.
const IN_TEMPO: f64 = 0.93;
/// A unit was played when at least this share of its strokes was reached.
const REACHED: f64 = 0.5;

/// What a teacher has said against the ear.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum CorrectionKind {
    /// There is no fault here.
    Fine,
    /// It was this surface.
    Surface(Surface),
    /// The take is another pupil's.
    Whose,
}

impl CorrectionKind {
    pub(super) fn word(self) -> &'static str {
        match self {
            CorrectionKind::Fine => "fine",
            CorrectionKind::Surface(_) => "surface",
            CorrectionKind::Whose => "whose",
        }
    }
}

/// A correction: a place, as far as it is given, and what is true there.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// What is true.
    pub what: CorrectionKind,
    /// The kind of finding it is said against; every kind otherwise.
    pub finding: Option<String>,
    /// Section; all otherwise.
    pub section: Option<String>,
    /// Which appearance of it; all otherwise.
    pub pass: Option<u32>,
    /// Bar; all otherwise.
    pub bar: Option<u32>,
    /// Beat; all otherwise.
    pub beat: Option<f64>,
    /// Who says so.
    pub who: String,
    /// When.
    pub at_s: i64,
    /// Why, in words.
    pub note: String,
}

/// How a unit stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// Had at the tempo asked for.
    Had,
    /// To be taken slower first.
    Slower,
}

impl State {
    pub(super) fn code(self) -> i64 {
        i64::from(self == State::Slower)
    }

    pub(super) fn of(code: i64) -> State {
        if code == 0 { State::Had } else { State::Slower }
    }
}

/// One stroke as it is kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// What became of it.
    pub status: Status,
    /// What was heard, where something was.
    pub surface: Option<Surface>,
    /// How late.
    pub late: Option<Lateness>,
}

/// A finding as it is kept.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// What kind.
    pub kind: Kind,
    /// Section, where it concerns one.
    pub section: Option<String>,
    /// Which appearance, from 1.
    pub pass: Option<u32>,
    /// Bar in the section, from 1.
    pub bar: Option<u32>,
    /// The last bar, where it is of several or may be any of them.
    pub to_bar: Option<u32>,
    /// Beat in the bar, from 1.
    pub beat: Option<f64>,
    /// How much, in `unit`.
    pub size: f64,
    /// Unit of `size`.
    pub unit: String,
    /// Probability that it is true.
    pub confidence: f64,
    /// In words.
    pub text: String,
}

/// What is kept of an assessment.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Distilled {
    /// Tempo as played.
    pub bpm: Option<Bpm>,
    /// The pupil's own jitter.
    pub jitter: Option<Seconds>,
    /// Written rests that were reached, and those of them that were kept.
    pub rests: (usize, usize),
    /// One thing to keep.
    pub praise: String,
    /// One thing to try.
    pub fix: String,
    /// The tempo to take next.
    pub next: f64,
    /// What to practise: `Bars 3 and 4 of A`.
    pub practise: String,
    /// Strokes in order of the timeline.
    pub marks: Vec<Mark>,
    /// Strikes in written rests, as places in the form.
    pub in_rests: Vec<Ticks>,
    /// What was found.
    pub findings: Vec<Found>,
}

const STATUSES: [Status; 5] =
    [Status::Played, Status::Missed, Status::WrongSurface, Status::NotHeard, Status::NotReached];
/// A lateness that is not known.
const NO_LATENESS: i16 = i16::MIN;
/// A surface that is not known.
const NO_SURFACE: u8 = 7;
/// Lateness is kept in tenths of a millisecond, a tenth of what the ear can tell.
const TENTHS: f64 = 10.0;

/// Distils an assessment.
pub fn distil(a: &Assessment) -> Distilled {
    let middle = a.middle_by_guide().map(|m| m.0);
    let marks: Vec<Mark> = (a.strokes.iter().enumerate())
        .map(|(j, s)| {
            let strike = s.strike.and_then(|k| a.strikes.get(k));
            let by_guide = || Some(a.late_by_guide(j, strike?.at)?.millis() - middle?.millis());
            Mark {
                status: s.status,
                surface: strike.map(|k| k.surface),
                late: by_guide().map(|ms| Lateness(Seconds::of(ms / 1e3))).or(s.late),
            }
        })
        .collect();
    let in_rests = in_rests(a);
    let rests = rests(&a.timeline, &marks, &in_rests);
    let practise = a.advice.practise.as_ref().map(|bars| crate::english::capital(&say::exercise(&a.timeline, bars)));
    let findings = a.findings.iter().map(|f| {
        let (size, unit) = f.what.size();
        let (bar, bars) = (f.bar(&a.timeline), f.bars(&a.timeline));
        Found {
            kind: f.kind(),
            section: f.section(&a.timeline).map(str::to_owned),
            pass: f.pass(&a.timeline),
            bar: bar.or(bars.map(|b| b.0)),
            to_bar: bars.filter(|b| bar.is_none() && b.1 > b.0).map(|b| b.1),
            beat: f.beat(&a.timeline),
            size,
            unit: unit.word().into(),
            confidence: f.confidence,
            text: say::finding(a, f),
        }
    });
    Distilled {
        bpm: a.clock.map(|c| c.bpm),
        jitter: a.jitter,
        rests,
        praise: say::praise(a),
        fix: say::fix(a),
        next: a.advice.next.get(),
        practise: practise.unwrap_or_default(),
        marks,
        in_rests,
        findings: findings.collect(),
    }
}

/// Where in the form the strikes in rests fell: counted from the last matched stroke at the tempo there.
fn in_rests(a: &Assessment) -> Vec<Ticks> {
    let mut out = Vec::new();
    let mut last = None;
    for strike in &a.strikes {
        if let (Some(stroke), true) = (strike.stroke.and_then(|k| a.timeline.strokes.get(k)), strike.step.is_match()) {
            last = Some((strike.at, stroke.at));
        } else if strike.step == Step::InRest && strike.counts() {
            let quarter = strike.bpm.or(a.clock.map(|c| c.bpm)).unwrap_or(a.timeline.bpm).quarter().get();
            if let Some((at, place)) = last {
                let ticks = ((strike.at - at).get() / quarter * Ticks::PER_QUARTER as f64).round();
                out.push(place + Ticks(ticks.clamp(0.0, 1e6) as i64));
            }
        }
    }
    out
}

/// Rests between two strokes that were both reached, and those with no strike in them.
fn rests(timeline: &Timeline, marks: &[Mark], in_rests: &[Ticks]) -> (usize, usize) {
    let mut counted = (0, 0);
    for rest in &timeline.rests {
        let next = timeline.strokes.partition_point(|s| s.at < rest.to);
        let reached = |k: usize| marks.get(k).is_some_and(|m| m.status != Status::NotReached);
        if next.checked_sub(1).is_some_and(reached) && (next >= timeline.strokes.len() || reached(next)) {
            counted.0 += 1;
            counted.1 += usize::from(!in_rests.iter().any(|t| *t >= rest.from && *t < rest.to));
        }
    }
    counted
}

/// Strokes and strikes in rests, packed: the number of strokes, three bytes a stroke (status and surface, lateness in
/// tenths of a millisecond), four bytes for each strike in a rest.
pub fn pack(d: &Distilled) -> Vec<u8> {
    let mut out = Vec::with_capacity(4 + 3 * d.marks.len() + 4 * d.in_rests.len());
    out.extend((d.marks.len() as u32).to_le_bytes());
    for mark in &d.marks {
        let status = STATUSES.iter().position(|s| *s == mark.status).unwrap_or(0) as u8;
        out.push(status | mark.surface.map_or(NO_SURFACE, |s| s.index() as u8) << 3);
        let late = mark.late.map_or(NO_LATENESS, |l| (l.millis() * TENTHS).clamp(-32_767.0, 32_767.0).round() as i16);
        out.extend(late.to_le_bytes());
    }
    for at in &d.in_rests {
        out.extend((at.0.clamp(0, i64::from(u32::MAX)) as u32).to_le_bytes());
    }
    out
}

/// What [`pack`] packed; what is damaged is left out.
pub fn unpack(bytes: &[u8]) -> (Vec<Mark>, Vec<Ticks>) {
    let Some((count, rest)) = bytes.split_first_chunk::<4>() else { return Default::default() };
    let split = (u32::from_le_bytes(*count) as usize).saturating_mul(3).min(rest.len());
    let (strokes, extras) = rest.split_at(split);
    let marks = strokes.as_chunks::<3>().0.iter().map(|c| {
        let late = i16::from_le_bytes([c[1], c[2]]);
        Mark {
            status: STATUSES.get(usize::from(c[0] & 7)).copied().unwrap_or(Status::NotHeard),
            surface: Surface::ALL.get(usize::from(c[0] >> 3)).copied(),
            late: (late != NO_LATENESS).then(|| Lateness(Seconds::of(f64::from(late) / TENTHS / 1e3))),
        }
    });
    let extras = extras.as_chunks::<4>().0.iter().map(|c| Ticks(i64::from(u32::from_le_bytes(*c))));
    (marks.collect(), extras.collect())
}

/// Whether a correction speaks of this place; what it leaves open it says of every place.
fn speaks(c: &Correction, section: Option<&str>, pass: Option<u32>, bar: Option<u32>) -> bool {
    let open = |said: Option<u32>, here: Option<u32>| said.is_none() || here.is_none() || said == here;
    c.section.as_deref().is_none_or(|s| section == Some(s)) && open(c.pass, pass) && open(c.bar, bar)
}

/// Whether a correction takes away a finding.
pub(super) fn answers(c: &Correction, f: &Found) -> bool {
    let kind = match c.what {
        CorrectionKind::Fine => c.finding.as_deref().is_none_or(|kind| kind == f.kind.word()),
        CorrectionKind::Surface(_) => f.kind == Kind::WrongSurface,
        CorrectionKind::Whose => false,
    };
    kind && speaks(c, f.section.as_deref(), f.pass, f.bar)
}

/// Lays the corrections over what the ear found: a place said to be fine has no finding and every stroke in place; a
/// stroke said to be on another surface is judged by that.
pub fn correct(d: &mut Distilled, timeline: &Timeline, corrections: &[Correction]) {
    let found = !d.findings.is_empty();
    for c in corrections {
        let fine = c.what == CorrectionKind::Fine;
        if fine {
            d.findings.retain(|f| !answers(c, f));
        }
        let strokes_too = fine && c.finding.as_deref().is_none_or(|kind| kind == Kind::WrongSurface.word());
        let mut settled = false;
        for (k, (stroke, mark)) in timeline.strokes.iter().zip(&mut d.marks).enumerate() {
            let bar = timeline.bars.get(stroke.bar);
            let pass = bar.and_then(|b| timeline.passes.get(b.pass));
            let here = speaks(c, pass.map(|p| p.section.as_str()), pass.map(|p| p.number), bar.map(|b| b.number))
                && c.beat.is_none_or(|beat| (beat - timeline.beat(k)).abs() < 0.01);
            if !here {
                continue;
            }
            if strokes_too && matches!(mark.status, Status::Missed | Status::WrongSurface) {
                mark.status = Status::Played;
                mark.surface = Some(stroke.surface);
            }
            if let (CorrectionKind::Surface(heard), true) = (c.what, mark.status != Status::NotReached) {
                mark.surface = Some(heard);
                mark.status = if heard == stroke.surface { Status::Played } else { Status::WrongSurface };
                settled |= heard == stroke.surface;
            }
        }
        if settled {
            d.findings.retain(|f| !answers(c, f));
        }
        if fine && c.finding.as_deref().is_none_or(|kind| kind == Kind::RestNotKept.word()) {
            d.in_rests.retain(|t| {
                let bar = timeline.bars.iter().rev().find(|b| b.at <= *t);
                let pass = bar.and_then(|b| timeline.passes.get(b.pass));
                !speaks(c, pass.map(|p| p.section.as_str()), pass.map(|p| p.number), bar.map(|b| b.number))
            });
            d.rests = rests(timeline, &d.marks, &d.in_rests);
        }
    }
    // Where nothing is left to fix nothing is practised for it.
    if found && d.findings.is_empty() {
        (d.fix, d.practise) = Default::default();
    }
}

/// The units of a form in the order they first come: sections and joins.
pub fn units(timeline: &Timeline) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    let mut add = |unit: String| {
        if !out.contains(&unit) {
            out.push(unit);
        }
    };
    for (k, pass) in timeline.passes.iter().enumerate() {
        add(pass.section.clone());
        if let Some(before) = k.checked_sub(1).and_then(|k| timeline.passes.get(k)) {
            add(format!("{}>{}", before.section, pass.section));
        }
    }
    out
}

/// Kinds that speak of the way into a section.
pub(super) fn at_join(kind: Kind) -> bool {
    matches!(kind, Kind::JoinGap | Kind::JoinRushed)
}

/// Whether a kind of finding holds a unit back by itself. Strokes left out do as the share of strokes in place says; a tempo
/// apart does as the tempo taken says.
fn holds_back(kind: Kind) -> bool {
    !matches!(kind, Kind::StrokesMissing | Kind::TempoApart)
}

/// How each unit of the form stands after this take.
pub fn results(d: &Distilled, timeline: &Timeline) -> Vec<(String, State)> {
    let in_tempo = d.bpm.is_some_and(|bpm| bpm.get() >= IN_TEMPO * timeline.bpm.get());
    let mut out: Vec<(String, State)> = Vec::new();
    let mut add = |unit: String, had: bool| {
        let state = if had { State::Had } else { State::Slower };
        match out.iter_mut().find(|(u, _)| *u == unit) {
            Some((_, old)) => *old = (*old).max(state),
            None => out.push((unit, state)),
        }
    };
    let likely = |f: &&Found| f.confidence >= LIKELY && holds_back(f.kind);
    let mut before: Option<(&str, bool)> = None;
    for pass in &timeline.passes {
        let strokes = timeline.bars.get(pass.bars.clone()).unwrap_or_default().iter().flat_map(|b| b.strokes.clone());
        let marks: Vec<&Mark> = strokes.filter_map(|k| d.marks.get(k)).collect();
        let reached = marks.iter().filter(|m| m.status != Status::NotReached).count();
        let played = reached as f64 >= REACHED * marks.len() as f64 && reached > 0;
        let here = |f: &&Found| f.section.as_deref() == Some(&pass.section) && f.pass.is_none_or(|n| n == pass.number);
        if played {
            let good = marks.iter().filter(|m| m.status == Status::Played).count();
            let audible = marks.iter().filter(|m| !matches!(m.status, Status::NotReached | Status::NotHeard)).count();
            let sound = good as f64 >= HAD * audible as f64 && audible > 0;
            let faults = d.findings.iter().filter(likely).filter(here).any(|f| !at_join(f.kind));
            let whole = d.findings.iter().filter(likely).any(|f| f.section.is_none());
            add(pass.section.clone(), in_tempo && sound && !faults && !whole);
        }
        if let Some((section, true)) = before.filter(|_| played) {
            let gap = d.findings.iter().filter(likely).filter(here).any(|f| at_join(f.kind));
            add(format!("{section}>{}", pass.section), in_tempo && !gap);
        }
        before = Some((&pass.section, played));
    }
    out
}
