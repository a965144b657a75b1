//! What a pupil wants to play: some of the part, how often, how fast, to which guide.

use serde::{Deserialize, Serialize};

use super::Refused;
use crate::guide::{Excerpt, GuideConfig, Heard, Laps};
use crate::part::Timeline;
use crate::report::shown;
use crate::units::Bpm;

/// A wish, as the page's code hands it to and fro. Without section, bars or join it is the whole form.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Wish {
    /// One section, or the section of the bars.
    pub section: Option<String>,
    /// First and last bar within it.
    pub bars: Option<[u32; 2]>,
    /// Two sections whose join it is.
    pub join: Option<[String; 2]>,
    /// How often.
    pub times: u32,
    /// Quarter notes a minute.
    pub bpm: f64,
    /// What is heard after the count-in, in the words of `pailbeat guide --play`.
    pub heard: String,
}

impl Default for Wish {
    fn default() -> Wish {
        let heard = Heard::default().word().to_owned();
        Wish { section: None, bars: None, join: None, times: 1, bpm: 0.0, heard }
    }
}

impl Wish {
    /// For bars of a timeline: within one section or over one join.
    pub(super) fn of_bars(timeline: &Timeline, bars: &std::ops::Range<usize>, bpm: f64) -> Option<Wish> {
        let (section, bars, join) = match Excerpt::of_bars(timeline, bars)? {
            Excerpt::Form => (None, None, None),
            Excerpt::Section(name) => (Some(name), None, None),
            Excerpt::Bars(name, first, last) => (Some(name), Some([first, last]), None),
            Excerpt::Join(before, after) => (None, None, Some([before, after])),
        };
        Some(Wish { section, bars, join, bpm, ..Wish::default() })
    }

    /// True for the whole form.
    pub(super) fn is_whole(&self) -> bool {
        self.section.is_none() && self.join.is_none()
    }

    pub(super) fn laps(&self) -> Laps {
        let excerpt = match (&self.section, self.bars, &self.join) {
            (Some(name), Some([first, last]), _) => Excerpt::Bars(name.clone(), first, last),
            (Some(name), None, _) => Excerpt::Section(name.clone()),
            (None, _, Some([before, after])) => Excerpt::Join(before.clone(), after.clone()),
            (None, _, None) => Excerpt::Form,
        };
        Laps { excerpt, times: self.times, ..Laps::default() }
    }

    pub(super) fn tempo(&self) -> Result<Bpm, Refused> {
        Bpm::new(self.bpm).ok_or_else(|| Refused(format!("{} is no tempo", self.bpm)))
    }

    pub(super) fn config(&self) -> GuideConfig {
        GuideConfig { heard: Heard::named(&self.heard).unwrap_or_default(), ..GuideConfig::default() }
    }

    /// Where it is, in a few words.
    pub(super) fn place(&self) -> String {
        match (&self.section, self.bars, &self.join) {
            (Some(name), Some([a, b]), _) if a == b => format!("{}, bar {a}", shown(name)),
            (Some(name), Some([a, b]), _) => format!("{}, bars {a} to {b}", shown(name)),
            (Some(name), None, _) => shown(name),
            (None, _, Some([a, b])) => format!("{} to {}", shown(a), shown(b)),
            (None, _, None) => String::new(),
        }
    }
}
