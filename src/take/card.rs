//! The take card: reading and writing it. Like a guide's description it is a row in itself.
//!
//! Cards are read by `assess`, `again` and the class book alike. Other programs and people may write some too, so that
//! whatever is missing is read as not known.

use std::ops::Range;
#[cfg(feature = "edge")]
use std::path::Path;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};
#[cfg(feature = "edge")]
use sha2::{Digest, Sha256};
#[cfg(feature = "edge")]
use thiserror::Error;

use super::KeptCheck;
use crate::assess::{Assessment, InARow, RerunRule, clean_passes, rerun, say};
use crate::chain::{CardSays, Slip};
#[cfg(feature = "edge")]
use crate::files::Shown as _;
#[cfg(feature = "edge")]
use crate::files::{self, FileError};
use crate::guide::{Description, Excerpt};
use crate::units::{Bpm, Seconds};

/// The way cards are written now.
const VERSION: u32 = 1;

/// What is known of a take beside its sound. All counts of samples are of one channel, at `rate_hz`.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Card {
    /// The way it is written; a card of a person's own says none.
    pub version: Option<u32>,
    /// When the recording began: date, time, zone.
    pub began: Option<String>,
    /// The pupil's nickname.
    pub pupil: Option<String>,
    /// Which part file.
    pub part: PartOfTake,
    /// What was asked for: tempo, form or excerpt, how often; and the guide that was played, `alone` where none was.
    pub asked: Asked,
    /// Whether a guide was played, the count-in at least.
    pub guide_played: bool,
    /// Where the guide's first sample was heard in the recording, by the devices' own clocks; their unknown delay is in it.
    pub guide_from_samples: Option<i64>,
    /// Where beat 1 of bar 1 stands in the recording, by the same clocks.
    pub start_s: Option<f64>,
    /// How long sound takes from the program through loudspeaker and microphone back, beyond what the devices say
    /// themselves; measured by the sound check.
    pub round_trip_ms: Option<f64>,
    /// The microphone's name.
    pub microphone: String,
    /// The loudspeaker's name.
    pub loudspeaker: Option<String>,
    /// Samples a second.
    pub rate_hz: u32,
    /// Channels of the recording.
    pub channels: u16,
    /// Length of the recording; none while it runs or where the program was killed.
    pub length_samples: Option<u64>,
    /// Why it ended, where it did not end as asked.
    pub cut_short: Option<String>,
    /// Where the devices' clocks say that sound was lost or came twice.
    pub slips: Vec<SlipRow>,
    /// Samples that could not be taken in in time; silence stands for them.
    pub dropped_samples: u64,
    /// How often microphone and loudspeaker said that they lost sound.
    pub xruns: [u32; 2],
    /// The sound check that holds for it. What it names lies in the folder of the take.
    pub sound_check: Option<KeptCheck>,
    /// How practising these bars has gone before this take.
    pub tally: Option<Tally>,
}

/// Which part file a take is of.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct PartOfTake {
    /// What it was called. Never opened: a part is found by its sum.
    pub path: Option<PathBuf>,
    /// Its fingerprint (SHA-256, hexadecimal).
    pub sha256: Option<String>,
    /// Its title.
    pub title: Option<String>,
}

/// What was asked for.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Asked {
    /// All of it, as this program writes it.
    Described(Box<Description>),
    /// As much as somebody has written.
    Said {
        /// Tempo.
        #[serde(default)]
        bpm: Option<f64>,
        /// Sections in order.
        #[serde(default)]
        form: Option<String>,
    },
}

impl Default for Asked {
    fn default() -> Asked {
        Asked::Said { bpm: None, form: None }
    }
}

impl Asked {
    /// All that was asked for, where this program wrote the card.
    pub fn described(&self) -> Option<&Description> {
        match self {
            Asked::Described(description) => Some(description),
            Asked::Said { .. } => None,
        }
    }

    /// The tempo.
    pub fn bpm(&self) -> Option<f64> {
        match self {
            Asked::Described(description) => Some(description.bpm),
            Asked::Said { bpm, .. } => *bpm,
        }
    }

    /// The form; none where it was the part's own, or is not known.
    pub fn form(&self) -> Option<&str> {
        match self {
            Asked::Described(description) => description.form.as_deref(),
            Asked::Said { form, .. } => form.as_deref(),
        }
    }
}

/// A slip, for the card.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct SlipRow {
    /// It happened within a second from here.
    pub at_s: f64,
    /// How much is missing; negative where it came twice.
    pub lost_ms: f64,
}

/// How practising the same bars at one tempo has gone so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tally {
    /// Clean passes in a row.
    pub clean: u32,
    /// Failed passes in a row.
    pub failed: u32,
}

impl Tally {
    /// What the rule says once these bars of a take are played: the tempo that comes next, how it has gone at that, and why.
    pub fn after(self, rule: &RerunRule, take: &Assessment, laps: &[Range<usize>]) -> (Bpm, Tally, String) {
        let (passes, bpm) = (clean_passes(take, laps), take.timeline.bpm);
        let before = InARow { clean: self.clean, failed: self.failed };
        let (next, row, moved) = rerun(rule, take.timeline.range, bpm, before, &passes);
        (next, Tally { clean: row.clean, failed: row.failed }, say::rerun(&passes, bpm, next, moved))
    }
}

/// Why a card cannot be used.
#[cfg(feature = "edge")]
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum CardError {
    /// It cannot be read or written.
    #[error("cannot {doing} the take card `{}`", path.shown())]
    File {
        /// `read` or `write`.
        doing: &'static str,
        /// The card.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// It was not written.
    #[error(transparent)]
    Write(#[from] FileError),
    /// It is not what this program writes.
    #[error("`{}` is no take card of this program", path.shown())]
    Damaged {
        /// The card.
        path: PathBuf,
        /// What the reader said.
        source: serde_json::Error,
    },
    /// Another version wrote it.
    #[error("the take card `{}` is of version {found}, this program knows {VERSION}", path.shown())]
    Version {
        /// The card.
        path: PathBuf,
        /// As written.
        found: u32,
    },
}

/// Where the card of a recording stands.
#[cfg(feature = "edge")]
pub fn beside(recording: &Path) -> PathBuf {
    recording.with_extension("take.json")
}

/// SHA-256, hexadecimal.
#[cfg(feature = "edge")]
pub fn fingerprint(bytes: &[u8]) -> String {
    crate::files::hex(&Sha256::digest(bytes))
}

impl Card {
    /// A card of the current version for a recording that begins now.
    #[cfg(feature = "edge")]
    pub fn new(part: PartOfTake, asked: Description, microphone: String, rate_hz: u32, channels: u16) -> Card {
        Card::begun(super::now(), part, asked, microphone, rate_hz, channels)
    }

    /// The same for a recording that began at a time, written as cards write it.
    pub fn begun(
        began: String,
        part: PartOfTake,
        asked: Description,
        microphone: String,
        rate_hz: u32,
        channels: u16,
    ) -> Card {
        Card {
            version: Some(VERSION),
            began: Some(began),
            part,
            asked: Asked::Described(Box::new(asked)),
            microphone,
            rate_hz,
            channels,
            ..Card::default()
        }
    }

    /// A card from what is written in it.
    ///
    /// # Errors
    /// If it is none: not JSON, or it says neither whose the take is nor what was played.
    pub fn parse(bytes: &[u8]) -> Result<Card, serde_json::Error> {
        let card: Card = serde_json::from_slice(bytes)?;
        if card.pupil.is_none() && card.part == PartOfTake::default() && card.asked == Asked::default() {
            return Err(serde::de::Error::custom("it says neither whose the take is nor what was played"));
        }
        Ok(card)
    }

    /// What it says of the recording.
    pub fn says(&self) -> CardSays {
        let delay = self.round_trip_ms.filter(|ms| ms.is_finite()).unwrap_or(0.0);
        let seconds = |s: f64| Seconds::new(s).unwrap_or(Seconds::ZERO);
        CardSays {
            start: self.start_s.and_then(Seconds::new).map(|start| start + Seconds::from_millis(delay)),
            cut_short: self.cut_short.clone(),
            slips: (self.slips.iter())
                .map(|slip| Slip { at: seconds(slip.at_s), lost: seconds(slip.lost_ms / 1e3) })
                .collect(),
            dropped: seconds(self.dropped_samples as f64 / f64::from(self.rate_hz.max(1))),
        }
    }

    /// What stretch was practised, in words, where it was not the form once through.
    pub fn practice(&self) -> Option<String> {
        let laps = self.asked.described()?.laps();
        let what = match laps.excerpt {
            Excerpt::Form if laps.times == 1 => return None,
            Excerpt::Form => "the form".to_owned(),
            Excerpt::Section(name) => format!("section {name}"),
            Excerpt::Bars(name, a, b) if a == b => format!("{name}, bar {a}"),
            Excerpt::Bars(name, a, b) => format!("{name}, bars {a} to {b}"),
            Excerpt::Join(a, b) => format!("the join from {a} to {b}"),
        };
        Some(if laps.times == 1 { what } else { format!("{what}, {} times", laps.times) })
    }

    /// What a class book keeps of it: all that bears on judging the take again, and nothing of the machine it was made on.
    pub fn kept(self) -> Card {
        Card {
            part: PartOfTake { path: None, ..self.part },
            microphone: String::new(),
            loudspeaker: None,
            xruns: [0, 0],
            sound_check: None,
            tally: None,
            ..self
        }
    }
}

#[cfg(feature = "edge")]
impl Card {
    /// Reads the card beside a recording; `None` where there is none.
    ///
    /// # Errors
    /// A card that cannot be read or understood.
    pub fn of(recording: &Path) -> Result<Option<Card>, CardError> {
        let path = beside(recording);
        let bytes = match files::read(&path) {
            Ok(bytes) => bytes,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(source) => return Err(CardError::File { doing: "read", path, source }),
        };
        let card = Card::parse(&bytes).map_err(|source| CardError::Damaged { path: path.clone(), source })?;
        match card.version {
            Some(found) if found != VERSION => Err(CardError::Version { path, found }),
            _ => Ok(Some(card)),
        }
    }

    /// Writes it beside a recording, whole or not at all; over nothing but its `earlier` state.
    ///
    /// # Errors
    /// If something else stands there, or the disk fails.
    pub fn write(&self, recording: &Path, earlier: Option<&Card>) -> Result<(), CardError> {
        let path = beside(recording);
        let text = |card: &Card| -> Result<Vec<u8>, CardError> {
            let mut text =
                serde_json::to_vec_pretty(card).map_err(|source| CardError::Damaged { path: path.clone(), source })?;
            text.push(b'\n');
            Ok(text)
        };
        match earlier {
            None => files::put_new(&path, &text(self)?)?,
            Some(earlier) => files::put_over(&path, &text(self)?, &text(earlier)?)?,
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guide::{GuideConfig, Laps, Practice, render};
    use crate::units::{Bpm, SampleRate};

    const PART: &str = "title = \"Rain on the Roof\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 84 }\nform = \"A\"\n\
                        [sections.A]\nstrokes = \"o.x. o.--\"\n";

    fn card() -> Card {
        let part = crate::part::parse(PART).unwrap();
        let (laps, bpm) = (Laps::default(), Bpm::new(72.0).unwrap());
        let practice = Practice::of(&part, None, &laps, bpm).unwrap();
        let guide = render(&practice, &GuideConfig::default(), SampleRate::new(48_000).unwrap()).unwrap();
        let asked = Description::new(&part, None, &laps, bpm, &guide);
        let sha256 = Some(fingerprint(PART.as_bytes()));
        let of = PartOfTake { path: Some("rain.toml".into()), sha256, title: Some(part.title) };
        Card::new(of, asked, "default".into(), 48_000, 1)
    }

    #[test]
    fn a_card_comes_back_as_it_was_written_and_replaces_its_earlier_state() {
        let folder = tempfile::tempdir().unwrap();
        let take = folder.path().join("robin-1.wav");
        assert_eq!(Card::of(&take).unwrap(), None);
        let mut card = card();
        card.write(&take, None).unwrap();
        let earlier = card.clone();
        card.length_samples = Some(4711);
        card.slips.push(SlipRow { at_s: 3.0, lost_ms: 12.5 });
        assert!(card.write(&take, None).is_err() && card.write(&take, Some(&card)).is_err());
        card.write(&take, Some(&earlier)).unwrap();
        assert_eq!(Card::of(&take).unwrap(), Some(card));
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_is_no_card_is_said_to_be_none() {
        let folder = tempfile::tempdir().unwrap();
        let take = folder.path().join("robin-1.wav");
        std::fs::write(beside(&take), "{\"version\": 1}").unwrap();
        assert!(matches!(Card::of(&take), Err(CardError::Damaged { .. })));
        let mut other = card();
        other.version = Some(99);
        std::fs::write(beside(&take), serde_json::to_vec(&other).unwrap()).unwrap();
        assert!(Card::of(&take).unwrap_err().to_string().contains("version 99"));
    }

    #[test]
    fn the_fingerprint_is_the_known_one_of_an_empty_file() {
        // FIPS 180-4 example value for the empty message.
        assert_eq!(fingerprint(b""), "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855");
    }
}
