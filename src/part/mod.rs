//! What is to be played: the text of a part file -> [`Part`] -> [`Timeline`], the expected strokes in order.
//!
//! Pure. Musical time is counted in [`Ticks`]; seconds appear only through a [`Bpm`].

mod error;
mod fit;
mod played;
mod read;
mod row;
mod section;
mod syllables;
mod text;
mod typed;
mod unroll;

pub(crate) use error::Gather;
pub(crate) use error::nearest;
pub use error::{Origin, PartError, PartErrors};
#[cfg(feature = "edge")]
pub(crate) use fit::counts;
pub(crate) use fit::pulse;
pub use played::played;
pub use read::{MOST_BARS, MOST_STROKES, Part, parse};
pub(crate) use read::{MOST_BYTES, Reader, deep, kind, plain};
pub use row::Repeat;
pub use section::{Act, Cell, Mark, Section, WrittenBar, WrittenSwell};
pub(crate) use section::{RawSection, build};
pub(crate) use syllables::said;
#[cfg(feature = "edge")]
pub(crate) use syllables::sustained;
pub use typed::decoded;
pub(crate) use typed::straightened;

use crate::units::{Bpm, Seconds, Ticks};

/// Where a stroke lands. The order is the order of the probability vectors of [`crate::surface`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Surface {
    /// Stick on the middle of the bucket's bottom.
    Centre,
    /// Stick on the rim.
    Rim,
    /// The two sticks struck together.
    Click,
    /// A pat on the body, standing in for a surface while a section is learnt.
    Pat,
    /// A clap of the hands.
    Clap,
}

impl Surface {
    /// All of them, in order.
    pub const ALL: [Surface; 5] = [Surface::Centre, Surface::Rim, Surface::Click, Surface::Pat, Surface::Clap];
    /// How many there are.
    pub const COUNT: usize = Surface::ALL.len();

    /// Position in [`Surface::ALL`].
    pub const fn index(self) -> usize {
        self as usize
    }

    /// The word used in reports and JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Surface::Centre => "centre",
            Surface::Rim => "rim",
            Surface::Click => "click",
            Surface::Pat => "pat",
            Surface::Clap => "clap",
        }
    }

    /// The surface of that word.
    ///
    /// # Errors
    /// If there is none: which there are.
    pub fn named(word: &str) -> Result<Surface, String> {
        let found = Surface::ALL.into_iter().find(|s| s.word() == word.trim());
        found.ok_or_else(|| format!("`{word}` is no surface: use centre, rim, click, pat or clap"))
    }

    /// The letter that stands for it in a part; a capital is both hands.
    pub const fn cell(self) -> char {
        match self {
            Surface::Centre => 'o',
            Surface::Rim => 'x',
            Surface::Click => '+',
            Surface::Pat => 'p',
            Surface::Clap => 'c',
        }
    }
}

/// Which hand the written sticking asks for. Never inferred from sound.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hand {
    /// `R`
    Right,
    /// `L`
    Left,
}

/// Hands of a written stroke.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Hands {
    /// One hand, not said which.
    Either,
    /// One hand, written.
    One(Hand),
    /// Both at once: a capital letter, or `B` in the hands row.
    Both,
}

/// A dynamic mark of the `level` row.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Dynamic {
    /// `p`
    Piano,
    /// `m`
    Mezzo,
    /// `f`
    Forte,
}

impl Dynamic {
    /// As it is written.
    pub fn letter(self) -> &'static str {
        match self {
            Dynamic::Piano => "p",
            Dynamic::Mezzo => "m",
            Dynamic::Forte => "f",
        }
    }
}

/// Time signature: `beats` of a `1/unit` note each.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Meter {
    /// The upper number.
    pub beats: u8,
    /// The lower number: 4 for quarters, 8 for eighths.
    pub unit: u8,
}

impl Meter {
    /// Length of one of its beats (the lower number's note).
    pub fn beat(self) -> Ticks {
        Ticks(Ticks::PER_QUARTER * 4 / i64::from(self.unit.max(1)))
    }

    /// Length of a bar.
    pub fn bar(self) -> Ticks {
        Ticks(self.beat().0 * i64::from(self.beats))
    }
}

/// The tempi a part is practised at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TempoRange {
    /// Where a beginner starts.
    pub start: Bpm,
    /// Where the class is going.
    pub goal: Bpm,
}

impl TempoRange {
    /// Its lower end; it may be written either way round.
    pub fn slowest(self) -> Bpm {
        if self.goal.get() < self.start.get() { self.goal } else { self.start }
    }

    /// Its upper end.
    pub fn fastest(self) -> Bpm {
        if self.goal.get() < self.start.get() { self.start } else { self.goal }
    }
}

/// A written stroke at its place in the form.
#[derive(Clone, Debug, PartialEq)]
pub struct Stroke {
    /// From beat 1 of bar 1.
    pub at: Ticks,
    /// Index into [`Timeline::bars`].
    pub bar: usize,
    /// Where it is to land.
    pub surface: Surface,
    /// With which hand, or both.
    pub hands: Hands,
    /// The dynamic in force, when the section's `level` row has said one; `None` again after a swell or fade, until the
    /// next mark.
    pub level: Option<Dynamic>,
}

/// One bar of the form as played out, repeats unrolled.
#[derive(Clone, Debug, PartialEq)]
pub struct Bar {
    /// Where it begins.
    pub at: Ticks,
    /// Index into [`Timeline::passes`].
    pub pass: usize,
    /// Number within the section as played out, from 1.
    pub number: u32,
    /// Inside a repeat sign: which sign of the section (from 0) and which time through (from 0).
    pub repeat: Option<(u32, u32)>,
    /// First stroke and one past the last, as indices into [`Timeline::strokes`].
    pub strokes: std::ops::Range<usize>,
}

/// One appearance of a section in the form.
#[derive(Clone, Debug, PartialEq)]
pub struct Pass {
    /// The section's letter or name.
    pub section: String,
    /// Which appearance of that section, from 1.
    pub number: u32,
    /// Its bars, as indices into [`Timeline::bars`].
    pub bars: std::ops::Range<usize>,
}

/// A written silence (`-`), merged over cells and bar lines. `.` only lets the last stroke ring and is no rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rest {
    /// Where it begins.
    pub from: Ticks,
    /// Where the next cell that is not a rest begins.
    pub to: Ticks,
}

/// A written swell (`<`) or fade (`>`).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Swell {
    /// First cell.
    pub from: Ticks,
    /// End of the last cell.
    pub to: Ticks,
    /// True for a swell, false for a fade.
    pub rising: bool,
}

/// Everything that is expected in a take, in order. The same value drives guide, alignment, chart and sheet, so they
/// cannot disagree.
#[derive(Clone, Debug, PartialEq)]
pub struct Timeline {
    /// The part's title.
    pub title: String,
    /// Time signature.
    pub meter: Meter,
    /// The tempo asked for.
    pub bpm: Bpm,
    /// The part's tempo range.
    pub range: TempoRange,
    /// Strokes in order of time; two strokes never share a time (both hands are one stroke).
    pub strokes: Vec<Stroke>,
    /// Bars in order.
    pub bars: Vec<Bar>,
    /// Appearances of sections in order.
    pub passes: Vec<Pass>,
    /// Rests in order.
    pub rests: Vec<Rest>,
    /// Swells and fades in order.
    pub swells: Vec<Swell>,
}

impl Timeline {
    /// Where the form ends.
    pub fn end(&self) -> Ticks {
        self.bars.last().map_or(Ticks(0), |bar| bar.at + self.meter.bar())
    }

    /// Seconds from beat 1 of bar 1 to a stroke at the tempo asked for; `None` past the last stroke.
    pub fn expected(&self, stroke: usize) -> Option<Seconds> {
        self.strokes.get(stroke).map(|s| s.at.to_seconds(self.bpm))
    }

    /// Beat within its bar, from 1, in the meter's own beats (2.5 is the "and" of 2); 1 past the last stroke.
    pub fn beat(&self, stroke: usize) -> f64 {
        self.strokes.get(stroke).map_or(1.0, |s| self.beat_in_bar(s.bar, s.at))
    }

    /// Beat of a moment within a bar, from 1, in the meter's own beats.
    pub fn beat_in_bar(&self, bar: usize, at: Ticks) -> f64 {
        self.bars.get(bar).map_or(1.0, |b| 1.0 + (at - b.at).0 as f64 / self.meter.beat().0 as f64)
    }

    /// Two bars with the same strokes, surfaces and hands at the same places sound alike.
    pub fn sound_alike(&self, a: usize, b: usize) -> bool {
        let cells = |bar: usize| {
            self.bars.get(bar).map(|x| {
                (self.strokes.get(x.strokes.clone()).unwrap_or_default().iter())
                    .map(|s| (s.at - x.at, s.surface, s.hands == Hands::Both))
                    .collect::<Vec<_>>()
            })
        };
        cells(a).is_some() && cells(a) == cells(b)
    }
}

#[cfg(test)]
mod tests;
