//! A score as it was read, before it is a part: lines of measures with what sounds in them.

use super::NotationError;
use super::table::Sound;
use crate::part::{Dynamic, Hands, Meter};
use crate::units::Ticks;

/// More measures than this are no lesson's score.
pub(super) const MOST_MEASURES: usize = 10_000;

/// What a score holds.
#[derive(Clone, Debug, Default)]
pub(super) struct Score {
    pub(super) title: Option<String>,
    /// Quarter notes a minute, the first that is said.
    pub(super) bpm: Option<f64>,
    pub(super) lines: Vec<Line>,
    /// This program wrote it: a mark that stands beside a note is meant to.
    pub(super) ours: bool,
    /// The text of a part file that went along.
    pub(super) own: Option<String>,
    /// What was passed over in reading.
    pub(super) notes: Vec<String>,
    /// It has no repeat signs of its own: equal bars may be folded.
    pub(super) unfolded: bool,
}

/// One line of a score: a part of MusicXML, a track and channel of MIDI.
#[derive(Clone, Debug, Default)]
pub struct Line {
    /// What it is called.
    pub name: String,
    /// Whether it is unpitched.
    pub percussion: bool,
    /// How many notes it has.
    pub strokes: usize,
    pub(super) sounds: Vec<Sound>,
    pub(super) measures: Vec<Measure>,
}

impl Line {
    /// In words.
    pub fn told(&self) -> String {
        let name = if self.name.trim().is_empty() { "without a name" } else { self.name.trim() };
        let kind = if self.percussion { "" } else { ", pitched" };
        format!("{name}: {} note{}{kind}", self.strokes, if self.strokes == 1 { "" } else { "s" })
    }

    /// The number of a kind of note in [`Line::sounds`].
    pub(super) fn sound(&mut self, sound: &Sound) -> usize {
        self.sounds.iter().position(|s| s == sound).unwrap_or_else(|| {
            self.sounds.push(sound.clone());
            self.sounds.len() - 1
        })
    }
}

/// What happens in a measure.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Happens {
    /// A note begins: its kind, and the hands.
    Struck(usize, Hands),
    /// What sounds goes on.
    Held,
    Rest,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Event {
    pub(super) at: Ticks,
    pub(super) len: Ticks,
    pub(super) what: Happens,
}

/// One measure of a line.
#[derive(Clone, Debug, Default)]
pub(super) struct Measure {
    /// As the score numbers it.
    pub(super) number: String,
    pub(super) meter: Option<Meter>,
    /// How long what is written in it is.
    pub(super) len: Ticks,
    pub(super) events: Vec<Event>,
    pub(super) dynamics: Vec<(Ticks, Dynamic)>,
    /// Where swells (`Some(true)`) and fades begin, and where either ends (`None`).
    pub(super) wedges: Vec<(Ticks, Option<bool>)>,
    pub(super) rehearsal: Option<String>,
    pub(super) repeat_begins: bool,
    /// How often what ends here is played.
    pub(super) repeat_ends: Option<u32>,
    /// In which times through a repeat it is played; empty: in all.
    pub(super) endings: Vec<u32>,
}

/// A meter that a part can have.
pub(super) fn playable(meter: Meter) -> Result<Meter, NotationError> {
    if (1..=16).contains(&meter.beats) && matches!(meter.unit, 2 | 4 | 8) {
        return Ok(meter);
    }
    Err(NotationError::NotAPart(format!(
        "its meter is {}/{}, and a part has 1 to 16 halves, quarters or eighths\nhint: write it in another meter in the notation program",
        meter.beats, meter.unit
    )))
}

/// Which line is meant.
pub(super) fn chosen(lines: &[Line], wanted: Option<&str>) -> Result<usize, NotationError> {
    let Some(wanted) = wanted else {
        let drums: Vec<usize> = (0..lines.len()).filter(|i| lines[*i].percussion && lines[*i].strokes > 0).collect();
        return match drums.as_slice() {
            [only] => Ok(*only),
            _ if lines.iter().all(|l| l.strokes == 0) => {
                Err(NotationError::NotAPart("it holds no note at all\nhint: was this the right file?".into()))
            }
            _ => Err(NotationError::Choose(lines.to_vec())),
        };
    };
    let by_number = wanted.trim().parse::<usize>().ok().and_then(|n| n.checked_sub(1)).filter(|i| *i < lines.len());
    let by_name = || lines.iter().position(|l| l.name.trim().eq_ignore_ascii_case(wanted.trim()));
    by_number
        .or_else(by_name)
        .ok_or_else(|| NotationError::NoSuchLine { wanted: wanted.to_owned(), lines: lines.to_vec() })
}
