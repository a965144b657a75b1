//! A sound check as it is kept beside takes, `soundcheck.json`: what it found, on which devices, and how the pupil's
//! surfaces sound. A take made after it carries it on its card.

#[cfg(feature = "edge")]
use std::path::Path;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use super::soundcheck::Checked;
#[cfg(feature = "edge")]
use super::{began_s, now};
#[cfg(feature = "edge")]
use crate::files::file_name;
#[cfg(feature = "edge")]
use crate::names;
use crate::part::Surface;
use crate::units::{Decibels, Seconds};

/// A check holds for the day's practice: bucket, chair and microphone are put away after it (common practice).
pub const HOLDS_HOURS: i64 = 12;

/// The note in the recording of a check's strikes, by which it is known not to be a take.
pub const STRIKES_NOTE: &str = "strikes of a sound check";

/// What is known of a sound check.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct KeptCheck {
    /// When it was made: date, time, zone.
    pub began: String,
    /// The pupil's nickname.
    pub pupil: Option<String>,
    /// The microphone's name; none where a recording was judged.
    pub microphone: Option<String>,
    /// The loudspeaker's name, where probes were played.
    pub loudspeaker: Option<String>,
    /// The one thing to change first.
    pub change_first: Option<String>,
    /// All that would spoil a take, the one to change first in front.
    pub troubles: Vec<String>,
    /// Noise of the room in the microphone, decibels relative to full scale.
    pub noise_db: Option<f64>,
    /// What a strike must reach to be heard.
    pub audible_from_db: Option<f64>,
    /// The middle strike.
    pub strike_db: Option<f64>,
    /// When the strikes came, seconds from the recording's beginning.
    pub strikes_s: Vec<f64>,
    /// Middle time from loudspeaker to microphone beyond what the devices say themselves, in milliseconds.
    pub round_trip_ms: Option<f64>,
    /// The same for each probe that was heard.
    pub round_trips_ms: Vec<f64>,
    /// Three strikes on each surface: the recording's name in the folder of the check, a colon, the surfaces in order.
    pub surfaces: Option<String>,
}

/// A recording of known strikes: three on each of these surfaces, in this order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KnownStrikes {
    /// The recording.
    pub recording: PathBuf,
    /// The surfaces.
    pub surfaces: Vec<Surface>,
}

impl std::fmt::Display for KnownStrikes {
    /// As [`KnownStrikes::parse`] reads it.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let names: Vec<&str> = self.surfaces.iter().map(|s| s.word()).collect();
        write!(f, "{}:{}", self.recording.to_string_lossy(), names.join(","))
    }
}

impl KnownStrikes {
    /// From the recording, a colon and its surfaces in order: `known.wav:centre,rim,click`.
    ///
    /// # Errors
    /// In words.
    pub fn parse(text: &str) -> Result<KnownStrikes, String> {
        let (recording, words) = text
            .rsplit_once(':')
            .ok_or("write the recording, a colon and its surfaces in order, as in `known.wav:centre,rim,click`")?;
        let surfaces = words.split(',').map(Surface::named).collect::<Result<_, _>>()?;
        Ok(KnownStrikes { recording: recording.into(), surfaces })
    }
}

impl KeptCheck {
    /// The strikes it kept. A check may have come from anywhere, so that it names a file beside the take, never a path.
    pub fn strikes(&self) -> Option<Result<KnownStrikes, String>> {
        let known = KnownStrikes::parse(self.surfaces.as_deref()?).and_then(|known| {
            let name = known.recording.file_name().ok_or("it names no recording")?;
            Ok(KnownStrikes { recording: name.into(), ..known })
        });
        Some(known)
    }

    /// A check made now. `surfaces`: as in [`KeptCheck::surfaces`].
    #[cfg(feature = "edge")]
    pub fn of(checked: &Checked, surfaces: Option<String>) -> KeptCheck {
        KeptCheck::begun(now(), checked, surfaces)
    }

    /// The same of a check made at a time, written as cards write it.
    pub fn begun(began: String, checked: &Checked, surfaces: Option<String>) -> KeptCheck {
        let db = |level: Option<Decibels>| level.map(|l| (l.0 * 10.0).round() / 10.0);
        let round = |s: Seconds| (s.millis() * 100.0).round() / 100.0;
        let troubles: Vec<String> = checked.troubles.iter().map(|t| t.word().to_owned()).collect();
        KeptCheck {
            began,
            change_first: troubles.first().cloned(),
            troubles,
            noise_db: db(checked.noise),
            audible_from_db: db(checked.threshold),
            strike_db: db(checked.strike),
            strikes_s: checked.strikes.iter().map(|s| (s.get() * 1e4).round() / 1e4).collect(),
            round_trip_ms: checked.delay().map(round),
            round_trips_ms: checked.probes.iter().map(|p| round(p.delay)).collect(),
            surfaces,
            ..KeptCheck::default()
        }
    }

    /// Whether a file is a sound check as it is kept.
    pub fn is_one(bytes: &[u8]) -> bool {
        let whole: serde_json::Value = serde_json::from_slice(bytes).unwrap_or_default();
        ["began", "troubles", "strikes_s"].iter().all(|name| whole.get(name).is_some())
    }
}

#[cfg(feature = "edge")]
impl KeptCheck {
    /// Whether it holds for a take begun at `began` by `pupil` through `microphone`; if not, why not.
    ///
    /// # Errors
    /// In words, as the end of "it is not used: ".
    pub fn holds(&self, began: &str, pupil: Option<&str>, microphone: &str) -> Result<(), String> {
        let Some((made, take)) = began_s(&self.began).zip(began_s(began)) else {
            return Err("it does not say when it was made".into());
        };
        if !(0..HOLDS_HOURS * 3600).contains(&(take - made)) {
            return Err(format!("it was made at {}, and a check holds for {HOLDS_HOURS} hours", self.began));
        }
        if let Some((checked, plays)) = self.pupil.as_deref().zip(pupil).filter(|(a, b)| !names::same(a, b)) {
            return Err(format!("it is {checked}'s, and this take is {plays}'s"));
        }
        match self.microphone.as_deref() {
            Some(checked) if checked != microphone => Err(format!("it was made with the microphone `{checked}`")),
            _ => Ok(()),
        }
    }

    /// What a pupil's own check, or the one that names nobody, is called in a folder of takes; without an ending.
    pub fn name(pupil: Option<&str>) -> String {
        pupil.map_or_else(|| "soundcheck".into(), |p| format!("soundcheck-{}", file_name(p)))
    }

    /// Where takes look for it in their folder: a pupil's own, or the one that names nobody.
    pub fn path(folder: &Path, pupil: Option<&str>) -> PathBuf {
        let [own, common] = [pupil, None].map(|whose| folder.join(KeptCheck::name(whose)).with_extension("json"));
        if own.exists() { own } else { common }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_check_holds_for_its_day_its_pupil_and_its_microphone() {
        let check = KeptCheck {
            began: "2026-11-04 15:00:00 +0100".into(),
            pupil: Some("wren".into()),
            microphone: Some("default".into()),
            ..KeptCheck::default()
        };
        let holds = |began: &str, pupil: Option<&str>, microphone: &str| check.holds(began, pupil, microphone);
        assert_eq!(holds("2026-11-04 15:20:00 +0100", Some("wren"), "default"), Ok(()));
        assert_eq!(holds("2026-11-04 14:20:00 +0000", None, "default"), Ok(()));
        assert!(holds("2026-11-05 15:20:00 +0100", None, "default").unwrap_err().contains("12 hours"));
        assert!(holds("2026-11-04 14:20:00 +0100", None, "default").unwrap_err().contains("12 hours"));
        assert!(holds("2026-11-04 15:20:00 +0100", Some("robin"), "default").unwrap_err().contains("wren's"));
        assert!(holds("2026-11-04 15:20:00 +0100", None, "usb").unwrap_err().contains("`default`"));
        assert!(KeptCheck::default().holds("2026-11-04 15:20:00 +0100", None, "usb").is_err());
    }

    #[test]
    fn a_check_is_known_by_what_it_holds_and_a_card_is_none() {
        let check = serde_json::to_vec(&KeptCheck::default()).unwrap();
        assert!(KeptCheck::is_one(&check));
        assert!(!KeptCheck::is_one(br#"{"version": 1, "began": "2026-11-04 15:00:00 +0100"}"#));
        assert!(!KeptCheck::is_one(b"RIFF"));
    }

    #[test]
    fn a_pupil_s_own_check_comes_before_the_one_that_names_nobody() {
        let folder = tempfile::tempdir().unwrap();
        let path = |pupil| KeptCheck::path(folder.path(), pupil).file_name().unwrap().to_string_lossy().into_owned();
        assert_eq!(path(Some("wren")), "soundcheck.json");
        std::fs::write(folder.path().join("soundcheck-wren.json"), "{}").unwrap();
        assert_eq!(
            (path(Some("wren")), path(Some("robin")), path(None)),
            ("soundcheck-wren.json".into(), "soundcheck.json".into(), "soundcheck.json".into())
        );
    }
}
