//! [`Alignment`](crate::align::Alignment) -> findings, timing, advice.
//!
//! Has never seen a file. Every finding carries what happened with its own data, its place, evidence and confidence; one table
//! (`finding`) says how sure and how weighty each kind is. Sentences are made from that in one room, [`say`], and nowhere else.

mod adopt;
mod advice;
mod drift;
mod finding;
mod hands;
mod judge;
mod levels;
mod limits;
mod missing;
mod recognised;
mod rerun;
mod runs;
pub mod say;
mod settle;
mod status;
pub mod structure;
mod surfaces;
mod suspicion;
mod tempo;
mod timing;
mod unheard;

pub use advice::{Advice, Bite, Fix, MAX_BARS, Praise, Reason, Record, Why};
pub use finding::{Common, Course, Dynamics, Evidence, Finding, Kind, Passes, Place, Uneven, Unit, What};
pub use judge::assess;
pub use limits::Limit;
pub use rerun::{InARow, Move, RerunRule, clean_passes, rerun};
pub use suspicion::{LEAST_CONFIDENCE, Rank};

use crate::align::Step;
use crate::onset::Audibility;
use crate::part::{Surface, Timeline};
use crate::stats::median;
use crate::surface::{Doubt, Heard};
use crate::units::{Bpm, Decibels, Lateness, Seconds};

/// What is known of the recording itself: how well anything could be heard in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Hearing {
    /// Length of the recording.
    pub duration: Seconds,
    /// How quiet a strike may be and still be heard, in order of time; empty when unknown, and then nothing is hidden.
    pub audibility: Vec<Audibility>,
    /// Share of the strikes that were cut off at full scale, 0 to 1.
    pub clipped: f64,
    /// Probability that the recorder changed its gain while recording, 0 to 1.
    pub gain: f64,
    /// How far the middle strike stands above the noise; `None` when unknown.
    pub over_noise: Option<Decibels>,
    /// Doubts about the names of surfaces.
    pub doubts: Vec<Doubt>,
    /// Whether strikes of known surface have settled which is which.
    pub calibrated: bool,
    /// The surface of each strike; empty when surfaces were not told apart.
    pub surfaces: Vec<Heard>,
    /// How sure the ear is of each strike, whatever was thought of it in matching; empty when nothing else was thought.
    pub sure: Vec<f64>,
    /// When the guide asks for the strokes, where it was heard.
    pub guide: Option<GuideTimes>,
}

/// The guide in the recording: when it asks for what.
#[derive(Clone, Debug, PartialEq)]
pub struct GuideTimes {
    /// Beat 1 of bar 1 in the recording.
    pub start: Seconds,
    /// For each stroke of the timeline when it is due in the recording.
    pub due: Vec<Seconds>,
}

impl Hearing {
    /// A recording in which everything can be heard and nothing is in doubt.
    pub fn clear(duration: Seconds) -> Hearing {
        Hearing {
            duration,
            audibility: Vec::new(),
            clipped: 0.0,
            gain: 0.0,
            over_noise: None,
            doubts: Vec::new(),
            calibrated: false,
            surfaces: Vec::new(),
            sure: Vec::new(),
            guide: None,
        }
    }

    /// Levels as recorded are not levels as played: the gain moved, or more than one strike in ten was cut off.
    fn levels_untrue(&self) -> bool {
        self.gain > 0.5 || self.clipped > 0.1
    }
}

/// What the clock of the lateness figures is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ClockSource {
    /// The guide was heard in the recording.
    Guide,
    /// The take card says where the guide began.
    TakeCard,
    /// Only the player's own pulse is known.
    OwnPulse,
}

/// The clock of a take.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Clock {
    /// Where it comes from.
    pub source: ClockSource,
    /// Beat 1 of bar 1 in the recording.
    pub start: Seconds,
    /// The tempo as played (median over the take).
    pub bpm: Bpm,
}

/// What became of a written stroke.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[non_exhaustive]
pub enum Status {
    /// Heard where it belongs.
    Played,
    /// Would have been heard, and was not.
    Missed,
    /// Heard on another surface.
    WrongSurface,
    /// May have been played: noise, ringing or softness could have hidden it.
    NotHeard,
    /// The take stopped before it, or skipped it with its bar.
    NotReached,
}

/// A strike with its verdict.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgedStrike {
    /// When, from the start of the recording.
    pub at: Seconds,
    /// One standard deviation of `at`.
    pub sigma: Seconds,
    /// Likeliest surface.
    pub surface: Surface,
    /// Probability of that surface.
    pub surface_p: f64,
    /// How loud, relative to full scale.
    pub level: Decibels,
    /// The stroke it was meant to be.
    pub stroke: Option<usize>,
    /// Time between the two hands where both were written and two strikes were heard.
    pub spread: Option<Seconds>,
    /// What the aligner took it for.
    pub step: Step,
    /// Probability that it is a strike of the pupil's at all, 0 to 1: that the ear heard one, and, where it found no stroke,
    /// that it sounds like one of the surfaces of this take. One that stands where a stroke is due needs no such witness.
    pub certainty: f64,
    /// Heard minus expected from the player's own pulse where it was played; `None` where it has no stroke. A stroke played
    /// twice has two strikes with a lateness each.
    pub late: Option<Lateness>,
    /// Uncertainty of `late`, one standard deviation.
    pub late_sigma: Option<Seconds>,
    /// Tempo of the player's own pulse where it was played.
    pub bpm: Option<Bpm>,
    /// It surely landed on another surface than its stroke is written for.
    pub elsewhere: bool,
}

impl JudgedStrike {
    /// A strike that found no stroke is likelier another sound from here down, and is neither counted nor drawn.
    const LIKELY: f64 = 0.5;
    /// Such a strike, less likely than this, is no strike.
    const LEAST_LIKELY: f64 = 0.3;

    /// Whether it may be spoken of as something the pupil played.
    pub fn counts(&self) -> bool {
        self.stroke.is_some() || self.certainty > JudgedStrike::LIKELY
    }
}

/// A stroke with its verdict. Index i belongs to stroke i of the timeline.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct JudgedStroke {
    /// What became of it.
    pub status: Status,
    /// Index of its strike.
    pub strike: Option<usize>,
    /// Heard minus expected from the player's own pulse; against the guide: [`Assessment::late_by_guide`].
    pub late: Option<Lateness>,
    /// Uncertainty of `late`, one standard deviation.
    pub late_sigma: Option<Seconds>,
    /// Tempo of the player's own pulse here.
    pub bpm: Option<Bpm>,
}

/// Something heard that no kind of finding names: it is no fault to teach, but nothing to praise either.
#[derive(Clone, Copy, Debug, PartialEq)]
#[non_exhaustive]
pub enum Slip {
    /// A strike more than written.
    Extra {
        /// The last stroke before it.
        stroke: usize,
        /// As loud, as sure and on such a surface as the pupil's own.
        plain: bool,
    },
    /// The time before a stroke was cut short, whether the pulse went on from there or the stroke alone was off.
    TooSoon {
        /// That stroke.
        stroke: usize,
        /// By how many beats.
        beats: f64,
        /// More likely than not.
        plain: bool,
    },
    /// The time before a stroke was drawn out, too little to be a stop.
    TooLong {
        /// That stroke.
        stroke: usize,
        /// By how many beats.
        beats: f64,
        /// More likely than not.
        plain: bool,
    },
}

impl Slip {
    /// The stroke at which it is told.
    pub fn stroke(self) -> usize {
        match self {
            Slip::Extra { stroke, .. } | Slip::TooSoon { stroke, .. } | Slip::TooLong { stroke, .. } => stroke,
        }
    }

    /// Whether it is sure enough to be spoken of.
    pub fn plain(self) -> bool {
        match self {
            Slip::Extra { plain, .. } | Slip::TooSoon { plain, .. } | Slip::TooLong { plain, .. } => plain,
        }
    }
}

/// An unbroken stretch of playing: strikes (first, last) between starts, jumps and shifts, and the strokes they cover.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Stretch {
    /// Index of the first and one past the last strike.
    pub strikes: std::ops::Range<usize>,
    /// First and one past the last stroke covered.
    pub strokes: std::ops::Range<usize>,
    /// Why it began: `Start`, `Shift`, `Jump` or `JumpAfterPause`.
    pub began: Step,
}

/// The verdict on a take.
#[derive(Clone, Debug, PartialEq)]
pub struct Assessment {
    /// The part as it was asked for.
    pub timeline: Timeline,
    /// Clock of the lateness figures; `None` when next to nothing was heard or it is not this part.
    pub clock: Option<Clock>,
    /// Strikes in order of time.
    pub strikes: Vec<JudgedStrike>,
    /// Strokes in order of the timeline.
    pub strokes: Vec<JudgedStroke>,
    /// Findings, most important first, equal ones side by side.
    pub findings: Vec<Finding>,
    /// What to tell the pupil.
    pub advice: Advice,
    /// What was heard besides that no kind of finding names, in order of the form.
    pub slips: Vec<Slip>,
    /// What this take cannot tell, and why.
    pub limits: Vec<Limit>,
    /// Unbroken stretches in order of time.
    pub stretches: Vec<Stretch>,
    /// The pupil's own jitter around the pulse, one standard deviation; `None` when too little was heard.
    pub jitter: Option<Seconds>,
    /// When the guide asks for the strokes, where it was heard.
    pub guide: Option<GuideTimes>,
}

impl Assessment {
    /// Findings that are told as one: index ranges of `findings`, most important first.
    pub fn statements(&self) -> Vec<std::ops::Range<usize>> {
        settle::statements(&self.findings)
    }

    /// Whether so much could not be heard that the take is not judged as a whole.
    pub fn too_little_heard(&self) -> bool {
        advice::too_little_heard(self)
    }

    /// Against the guide: how late a strike at `at` is for a stroke; `None` where no guide was heard.
    pub fn late_by_guide(&self, stroke: usize, at: Seconds) -> Option<Lateness> {
        Some(Lateness::between(at, *self.guide.as_ref()?.due.get(stroke)?))
    }

    /// Against the guide: the middle lateness of the strokes played, and how wide half of them lie around it. Strokes more than
    /// half a beat away were not played to the guide and are left out. `None` with fewer than eight others.
    pub fn middle_by_guide(&self) -> Option<(Lateness, Seconds)> {
        const LEAST: usize = 8;
        let near = 0.5 * self.timeline.meter.beat().to_seconds(self.timeline.bpm).get();
        let late: Vec<f64> = (self.strokes.iter().enumerate())
            .filter_map(|(j, s)| self.late_by_guide(j, self.strikes.get(s.strike?)?.at))
            .map(|l| l.0.get())
            .filter(|l| l.abs() < near)
            .collect();
        let middle = median(late.iter().copied()).filter(|_| late.len() >= LEAST)?;
        let away: Vec<f64> = late.iter().map(|l| (l - middle).abs()).collect();
        Some((Lateness(Seconds::of(middle)), Seconds::of(median(away)?)))
    }
}

#[cfg(test)]
mod telling;
#[cfg(test)]
mod tests;
