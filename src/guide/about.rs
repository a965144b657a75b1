//! What a guide is, in a few words that can be kept beside a take, and the guide made again from them.
//!
//! Unlike the types of the other steps this one is a row in itself: it is what a take card holds.

use serde::{Deserialize, Serialize};

use super::{Excerpt, Guide, GuideConfig, GuideError, Heard, Laps, Practice, render};
use crate::part::Part;
use crate::units::{Bpm, Decibels, SampleRate};

/// The way guides are made now; a change of any sound, time or sign counts up.
const VERSION: u32 = 1;

/// All that is needed, with the part, to make a guide again to the sample.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Description {
    /// The way it was made.
    pub version: u32,
    /// The part's title.
    pub title: String,
    /// Fingerprint of the part file (SHA-256, hexadecimal), where it is known.
    #[serde(default)]
    pub part_sha256: Option<String>,
    /// Quarter notes a minute.
    pub bpm: f64,
    /// The sections asked for; none where it was the part's own form or an excerpt.
    #[serde(default)]
    pub form: Option<String>,
    /// The section of an excerpt.
    #[serde(default)]
    pub section: Option<String>,
    /// First and last bar of an excerpt within its section.
    #[serde(default)]
    pub bars: Option<[u32; 2]>,
    /// The two sections of a join.
    #[serde(default)]
    pub join: Option<[String; 2]>,
    /// How often it is played.
    pub times: u32,
    /// Bars of silence between.
    pub breath_bars: u32,
    /// What is heard: `click`, `part`, `both`, `turns`, `alone`.
    pub heard: String,
    /// Where in the sequence of signs the first beat stands.
    pub code_offset: u32,
    /// Largest sample, decibels relative to full scale.
    pub peak_db: f64,
    /// Samples a second.
    pub rate_hz: u32,
}

impl Description {
    /// Of a guide made by [`render`] for this part.
    pub fn new(part: &Part, form: Option<&str>, laps: &Laps, bpm: Bpm, guide: &Guide) -> Description {
        let (section, bars, join) = match &laps.excerpt {
            Excerpt::Form => (None, None, None),
            Excerpt::Section(name) => (Some(name.clone()), None, None),
            Excerpt::Bars(name, first, last) => (Some(name.clone()), Some([*first, *last]), None),
            Excerpt::Join(before, after) => (None, None, Some([before.clone(), after.clone()])),
        };
        Description {
            version: VERSION,
            title: part.title.clone(),
            part_sha256: None,
            bpm: bpm.get(),
            form: form.map(str::to_string),
            section,
            bars,
            join,
            times: laps.times,
            breath_bars: laps.breath,
            heard: guide.config.heard.word().to_string(),
            code_offset: guide.config.code_offset,
            peak_db: guide.config.peak.0,
            rate_hz: guide.rate.get(),
        }
    }

    /// What of the part it plays.
    pub fn laps(&self) -> Laps {
        let excerpt = match (&self.section, self.bars, &self.join) {
            (Some(name), Some([first, last]), _) => Excerpt::Bars(name.clone(), first, last),
            (Some(name), None, _) => Excerpt::Section(name.clone()),
            (None, _, Some([before, after])) => Excerpt::Join(before.clone(), after.clone()),
            (None, _, None) => Excerpt::Form,
        };
        Laps { excerpt, times: self.times, breath: self.breath_bars }
    }

    /// Makes the guide again, and what is to be played to it.
    ///
    /// # Errors
    /// A description made by another version, one that is damaged, or one that does not fit the part.
    pub fn rebuild(&self, part: &Part) -> Result<(Practice, Guide), GuideError> {
        let damaged = |what: String| GuideError::Described(format!("the guide's description says {what}"));
        if self.version != VERSION {
            return Err(damaged(format!(
                "version {}, this program makes guides of version {VERSION}: make the guide again",
                self.version
            )));
        }
        let bpm = Bpm::new(self.bpm).ok_or_else(|| damaged(format!("{} quarter notes a minute", self.bpm)))?;
        let rate = SampleRate::new(self.rate_hz).ok_or_else(|| damaged("0 samples a second".into()))?;
        let heard = Heard::named(&self.heard).ok_or_else(|| damaged(format!("that `{}` is heard", self.heard)))?;
        let practice = Practice::of(part, self.form.as_deref(), &self.laps(), bpm)?;
        let config = GuideConfig { heard, peak: Decibels(self.peak_db), code_offset: self.code_offset };
        let guide = render(&practice, &config, rate)?;
        Ok((practice, guide))
    }
}
