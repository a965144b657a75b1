//! What was found: what happened with its own data, where in the form, on which evidence, and how sure that is. No sentence is
//! made here: that is [`super::say`]'s.

use std::ops::Range;

use crate::part::{Bar, Hand, Pass, Surface, Timeline};
use crate::units::{Bpm, Decibels, Seconds, Ticks};

/// The kinds of finding. The words in JSON are [`Kind::word`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)]
#[non_exhaustive]
pub enum Kind {
    RestNotKept,
    EarlyReEntry,
    LateReEntry,
    JoinGap,
    JoinRushed,
    WrongSurface,
    RepeatExtra,
    RepeatMissing,
    SectionSkipped,
    Restarted,
    Paused,
    Rushing,
    Dragging,
    UnevenHands,
    NotTogether,
    LevelFlat,
    StartedLate,
    Lost,
    StrokesMissing,
    TempoApart,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 20] = [
        Kind::RestNotKept,
        Kind::EarlyReEntry,
        Kind::LateReEntry,
        Kind::JoinGap,
        Kind::JoinRushed,
        Kind::WrongSurface,
        Kind::RepeatExtra,
        Kind::RepeatMissing,
        Kind::SectionSkipped,
        Kind::Restarted,
        Kind::Paused,
        Kind::Rushing,
        Kind::Dragging,
        Kind::UnevenHands,
        Kind::NotTogether,
        Kind::LevelFlat,
        Kind::StartedLate,
        Kind::Lost,
        Kind::StrokesMissing,
        Kind::TempoApart,
    ];

    /// The kind of this word.
    pub fn of(word: &str) -> Option<Kind> {
        Kind::ALL.into_iter().find(|kind| kind.word() == word)
    }

    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Kind::RestNotKept => "rest-not-kept",
            Kind::EarlyReEntry => "early-re-entry",
            Kind::LateReEntry => "late-re-entry",
            Kind::JoinGap => "join-gap",
            Kind::JoinRushed => "join-rushed",
            Kind::WrongSurface => "wrong-surface",
            Kind::RepeatExtra => "repeat-extra",
            Kind::RepeatMissing => "repeat-missing",
            Kind::SectionSkipped => "section-skipped",
            Kind::Restarted => "restarted",
            Kind::Paused => "paused",
            Kind::Rushing => "rushing",
            Kind::Dragging => "dragging",
            Kind::UnevenHands => "uneven-hands",
            Kind::NotTogether => "not-together",
            Kind::LevelFlat => "level-flat",
            Kind::StartedLate => "started-late",
            Kind::Lost => "lost",
            Kind::StrokesMissing => "strokes-missing",
            Kind::TempoApart => "tempo-apart",
        }
    }
}

/// Unit of a finding's size.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[allow(missing_docs)]
#[non_exhaustive]
pub enum Unit {
    Strikes,
    Strokes,
    Beats,
    Bars,
    Percent,
    Share,
    Milliseconds,
    Decibels,
    Seconds,
    Bpm,
}

impl Unit {
    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Unit::Strikes => "strikes",
            Unit::Strokes => "strokes",
            Unit::Beats => "beats",
            Unit::Bars => "bars",
            Unit::Percent => "percent",
            Unit::Share => "share",
            Unit::Milliseconds => "ms",
            Unit::Decibels => "dB",
            Unit::Seconds => "s",
            Unit::Bpm => "bpm",
        }
    }
}

/// What happened, with what its maker knows of it.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum What {
    /// Strikes in a written rest.
    RestNotKept {
        /// Index into [`Timeline::rests`].
        rest: usize,
        /// How many strikes fell into it.
        strikes: usize,
    },
    /// Came back before a rest was over.
    EarlyReEntry {
        /// Index into [`Timeline::rests`].
        rest: usize,
        /// By how many of the meter's beats; at least 0.
        beats: f64,
    },
    /// Came back after a rest was over.
    LateReEntry {
        /// Index into [`Timeline::rests`].
        rest: usize,
        /// By how many beats.
        beats: f64,
    },
    /// Waited before a section.
    JoinGap {
        /// For how many beats.
        beats: f64,
    },
    /// Began a section too soon.
    JoinRushed {
        /// By how many beats.
        beats: f64,
    },
    /// What is written on one surface was played on another throughout a pass.
    WrongSurface {
        /// As written.
        written: Surface,
        /// As heard.
        heard: Surface,
        /// The strokes played elsewhere.
        strokes: Vec<usize>,
        /// Of so many whose surface could be heard.
        of: usize,
    },
    /// Played bars once more than written.
    RepeatExtra {
        /// How many.
        bars: usize,
    },
    /// Played bars one time fewer than written.
    RepeatMissing {
        /// How many.
        bars: usize,
    },
    /// Left bars out.
    SectionSkipped {
        /// How many.
        bars: usize,
    },
    /// Went back and played on from there.
    Restarted {
        /// Index of the bar in which the playing broke off.
        left: usize,
        /// Bars that came again.
        bars: usize,
    },
    /// Stopped inside a section and went on from there.
    Paused {
        /// For how many beats.
        beats: f64,
        /// A stick fell and bounced before it.
        fell: bool,
    },
    /// Got faster.
    Rushing(Course),
    /// Got slower.
    Dragging(Course),
    /// One hand late, or one louder.
    UnevenHands(Uneven),
    /// Both hands are written and fell one after the other.
    NotTogether {
        /// Time between them, in the middle.
        spread: Seconds,
        /// In so many strokes,
        apart: usize,
        /// of so many.
        of: usize,
    },
    /// No difference between loud and soft where one is written.
    LevelFlat {
        /// Which.
        dynamic: Dynamics,
        /// What it came to, as written positive.
        rise: Decibels,
    },
    /// Began at a later bar.
    StartedLate {
        /// Bars before it.
        bars: usize,
    },
    /// Strikes that fit nowhere, many in a row.
    Lost {
        /// For how long.
        time: Seconds,
        /// Index of the bar in which the place was found again.
        found: Option<usize>,
    },
    /// Strokes left out.
    StrokesMissing {
        /// Which.
        strokes: Vec<usize>,
        /// What they have in common.
        common: Common,
    },
    /// Another tempo than asked for, from beginning to end.
    TempoApart {
        /// As played.
        played: Bpm,
        /// As asked for.
        asked: Bpm,
    },
}

/// How a tempo moved.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Course {
    /// At the beginning.
    pub from: Bpm,
    /// At the end, or where it turned.
    pub to: Bpm,
    /// Where it came back to after it had turned.
    pub back: Option<Bpm>,
    /// Index of the bar in which a listener would notice.
    pub bar: usize,
}

/// What is uneven between the hands.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Uneven {
    /// One comes late.
    Late {
        /// Which.
        hand: Hand,
        /// By how much.
        by: Seconds,
    },
    /// One is louder.
    Louder {
        /// Which.
        hand: Hand,
        /// By how much.
        by: Decibels,
    },
}

/// A written dynamic.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Dynamics {
    /// A swell, in every pass or in one.
    Swell {
        /// In one of several passes only.
        once: bool,
    },
    /// A fade.
    Fade {
        /// In one of several passes only.
        once: bool,
    },
    /// The marks `p`, `m`, `f`.
    Marks,
}

/// What strokes that were left out have in common.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Common {
    /// Nearly all between the beats, throughout.
    Offbeats,
    /// Nearly all on one surface, throughout.
    Surface(Surface),
    /// They lie in one bar of the section, whenever it comes.
    Bar,
    /// They lie in one pass of a section.
    Pass,
}

/// Which passes of its section a finding speaks of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Passes {
    /// The one its bars lie in.
    This,
    /// Every one.
    Every,
    /// Bars that sound alike hide which.
    Unknown,
}

/// Where in the form.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// Bars it concerns, and where bars sound alike all it may concern: indices into [`Timeline::bars`], of one pass.
    pub bars: Range<usize>,
    /// The bar at which it is told, where it is one.
    pub bar: Option<usize>,
    /// The stroke at which it is told: index into [`Timeline::strokes`].
    pub stroke: Option<usize>,
    /// Which passes.
    pub passes: Passes,
}

impl Place {
    /// One bar.
    pub fn bar(bar: usize) -> Place {
        Place { bars: bar..bar.saturating_add(1), bar: Some(bar), stroke: None, passes: Passes::This }
    }

    /// Some bars, none of them before the others.
    pub fn span(bars: Range<usize>) -> Place {
        Place { bars, bar: None, stroke: None, passes: Passes::This }
    }

    /// The pass its bars lie in.
    pub fn pass<'a>(&self, timeline: &'a Timeline) -> Option<&'a Pass> {
        timeline.passes.get(timeline.bars.get(self.bar.unwrap_or(self.bars.start))?.pass)
    }
}

/// What a finding rests on.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Evidence {
    /// The pulse goes on elsewhere. Nats: by how much the take is told worse without it.
    Shift {
        /// Beats, positive is late.
        beats: f64,
        /// Standard error.
        se: f64,
        /// See above.
        nats: f64,
    },
    /// The playing goes on at another bar.
    Jump {
        /// By how much the take is told worse without it.
        nats: f64,
        /// Strikes that follow there.
        follow: usize,
        /// Quarter notes late against going on in tempo.
        late: f64,
    },
    /// The playing begins elsewhere: by how much it is told worse from the beginning.
    Beginning {
        /// In nats.
        nats: f64,
    },
    /// The take ends exactly before the last section.
    Ending,
    /// Strikes that fit nowhere.
    Astray {
        /// How many in a row.
        strikes: usize,
        /// By how much the take is told worse with a place for them.
        nats: f64,
    },
    /// Sounds in a rest.
    InRest {
        /// How many.
        strikes: usize,
        /// Log odds against stray sounds.
        odds: f64,
    },
    /// Strokes of one surface that sounded like another: so many, of so many, written, heard.
    Sounds(Vec<(usize, usize, Surface, Surface)>),
    /// Tempo of equal parts of the take.
    Tempi {
        /// In order.
        parts: Vec<Bpm>,
        /// Change, as a share.
        change: f64,
        /// Its standard error.
        se: f64,
        /// What it wanders besides.
        wander: f64,
    },
    /// A difference between hands, in ms or dB, with its standard error, over so many strokes.
    Hands {
        /// What was measured.
        difference: Uneven,
        /// Standard error in the same unit (seconds or dB).
        se: f64,
        /// Strokes.
        strokes: usize,
        /// Whether hand and place in the beat could be told apart.
        told_apart: bool,
    },
    /// Two sounds where both hands are written, and where one is.
    TwoSounds {
        /// Apart by more than this.
        more_than: Seconds,
        /// Strokes of both hands: two sounds, all.
        both: (usize, usize),
        /// Strokes of one hand: two sounds, all.
        single: (usize, usize),
    },
    /// A difference of level, with what it should come to at least.
    Rise {
        /// What it came to.
        rise: Decibels,
        /// Standard error.
        se: Decibels,
        /// Strokes.
        strokes: usize,
        /// The least that is heard as a difference.
        least: Decibels,
    },
    /// Strokes that would have been heard.
    Silence {
        /// How many are missing.
        missing: usize,
        /// Of so many written there that were reached.
        of: usize,
        /// How probable it is of the least sure of them.
        least: f64,
    },
    /// The tempo in the middle of the take.
    Middle {
        /// As played.
        played: Bpm,
        /// Strokes it was measured over.
        strokes: usize,
    },
}

/// Something worth saying, with its evidence.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// What happened.
    pub what: What,
    /// Where in the form; `None` when it concerns the whole take.
    pub place: Option<Place>,
    /// When in the recording.
    pub at: Option<Seconds>,
    /// Probability that it is true.
    pub confidence: f64,
    /// What it rests on.
    pub evidence: Evidence,
    /// The other account of the same sounds, where there is one.
    pub otherwise: Option<Kind>,
}

impl What {
    /// Its kind.
    pub fn kind(&self) -> Kind {
        match self {
            What::RestNotKept { .. } => Kind::RestNotKept,
            What::EarlyReEntry { .. } => Kind::EarlyReEntry,
            What::LateReEntry { .. } => Kind::LateReEntry,
            What::JoinGap { .. } => Kind::JoinGap,
            What::JoinRushed { .. } => Kind::JoinRushed,
            What::WrongSurface { .. } => Kind::WrongSurface,
            What::RepeatExtra { .. } => Kind::RepeatExtra,
            What::RepeatMissing { .. } => Kind::RepeatMissing,
            What::SectionSkipped { .. } => Kind::SectionSkipped,
            What::Restarted { .. } => Kind::Restarted,
            What::Paused { .. } => Kind::Paused,
            What::Rushing(_) => Kind::Rushing,
            What::Dragging(_) => Kind::Dragging,
            What::UnevenHands(_) => Kind::UnevenHands,
            What::NotTogether { .. } => Kind::NotTogether,
            What::LevelFlat { .. } => Kind::LevelFlat,
            What::StartedLate { .. } => Kind::StartedLate,
            What::Lost { .. } => Kind::Lost,
            What::StrokesMissing { .. } => Kind::StrokesMissing,
            What::TempoApart { .. } => Kind::TempoApart,
        }
    }

    /// How much, with its unit. Negative is early.
    pub fn size(&self) -> (f64, Unit) {
        let bars = |n: usize| (n as f64, Unit::Bars);
        match *self {
            What::RestNotKept { strikes, .. } => (strikes as f64, Unit::Strikes),
            What::EarlyReEntry { beats, .. } | What::JoinRushed { beats } => (-beats, Unit::Beats),
            What::LateReEntry { beats, .. } | What::JoinGap { beats } | What::Paused { beats, .. } => {
                (beats, Unit::Beats)
            }
            What::WrongSurface { ref strokes, of, .. } => (strokes.len() as f64 / of.max(1) as f64, Unit::Share),
            What::RepeatExtra { bars: n } | What::RepeatMissing { bars: n } | What::SectionSkipped { bars: n } => {
                bars(n)
            }
            What::Restarted { bars: n, .. } | What::StartedLate { bars: n } => bars(n),
            What::Rushing(c) | What::Dragging(c) => (100.0 * (c.to.get() / c.from.get() - 1.0), Unit::Percent),
            What::UnevenHands(Uneven::Late { by, .. }) => (by.millis(), Unit::Milliseconds),
            What::UnevenHands(Uneven::Louder { by, .. }) => (by.0, Unit::Decibels),
            What::NotTogether { spread, .. } => (spread.millis(), Unit::Milliseconds),
            What::LevelFlat { rise, .. } => (rise.0, Unit::Decibels),
            What::Lost { time, .. } => (time.get(), Unit::Seconds),
            What::StrokesMissing { ref strokes, .. } => (strokes.len() as f64, Unit::Strokes),
            What::TempoApart { played, .. } => (played.get(), Unit::Bpm),
        }
    }
}

impl Finding {
    /// Its kind.
    pub fn kind(&self) -> Kind {
        self.what.kind()
    }

    /// Section letter; `None` when it concerns the whole take.
    pub fn section<'a>(&self, timeline: &'a Timeline) -> Option<&'a str> {
        Some(self.place.as_ref()?.pass(timeline)?.section.as_str())
    }

    /// Which appearance of that section, from 1; `None` when it cannot be known or concerns all.
    pub fn pass(&self, timeline: &Timeline) -> Option<u32> {
        let place = self.place.as_ref().filter(|p| p.passes == Passes::This)?;
        Some(place.pass(timeline)?.number)
    }

    /// Bar within the section as played out, from 1, where it is told at one.
    pub fn bar(&self, timeline: &Timeline) -> Option<u32> {
        timeline.bars.get(self.place.as_ref()?.bar?).map(|b| b.number)
    }

    /// Beat in that bar, from 1: of the stroke, or where a rest begins.
    pub fn beat(&self, timeline: &Timeline) -> Option<f64> {
        let place = self.place.as_ref()?;
        match self.what {
            What::RestNotKept { rest, .. } => {
                Some(timeline.beat_in_bar(place.bar?, timeline.rests.get(rest)?.from).max(1.0))
            }
            _ => place.stroke.map(|stroke| timeline.beat(stroke)),
        }
    }

    /// First and last bar it may concern, within the section.
    pub fn bars(&self, timeline: &Timeline) -> Option<(u32, u32)> {
        let bars: &[Bar] = timeline.bars.get(self.place.as_ref()?.bars.clone())?;
        Some((bars.first()?.number, bars.last()?.number))
    }

    /// The moment in the form at which it is told.
    pub fn moment(&self, timeline: &Timeline) -> Option<Ticks> {
        let place = self.place.as_ref()?;
        let bar = || timeline.bars.get(place.bar.unwrap_or(place.bars.start)).map(|b| b.at);
        match self.what {
            What::RestNotKept { rest, .. } => {
                let from = timeline.rests.get(rest)?.from;
                bar().map(|at| at.max(from))
            }
            _ => place.stroke.and_then(|j| timeline.strokes.get(j)).map(|s| s.at).or_else(bar),
        }
    }
}
