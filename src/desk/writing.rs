//! A part while it is written: what is wrong with it, how it will be played, how it sounds.

use serde::Serialize;

use super::Trouble;
use super::sound::{Playable, SoundError, written};
use crate::guide::{self, GuideConfig, Heard, Laps, PEAKS, Practice};
use crate::part::{Part, PartError, PartErrors, parse, played};
use crate::units::{Bpm, EAR_RATE};

/// What is said of a part.
#[derive(Serialize)]
pub(super) struct Written {
    /// What is wrong or doubtful, in order of place.
    mistakes: Vec<Mistake>,
    /// Whether it can be given to a class.
    good: bool,
    /// As it will be played.
    played: String,
}

#[derive(Serialize)]
struct Mistake {
    /// Line and column in the part, from 1; none where it is in the form.
    place: Option<(u32, u32)>,
    /// How many characters are meant.
    width: u32,
    what: String,
    hint: String,
}

fn mistakes(errors: &[PartError]) -> Vec<Mistake> {
    let file = |e: &PartError| e.origin == crate::part::Origin::File;
    let one = |e: &PartError| Mistake {
        place: file(e).then_some((e.line, e.column)),
        width: e.width,
        what: e.message.clone(),
        hint: e.hint.clone(),
    };
    errors.iter().map(one).collect()
}

/// Part and tempo as a form gives them.
fn read(text: &str, bpm: &str) -> Result<(Part, Bpm), PartErrors> {
    let part = parse(text)?;
    let bpm = bpm.trim().replace(',', ".").parse().ok().and_then(Bpm::new).unwrap_or(part.range.start);
    Ok((part, bpm))
}

/// The sections in order, where they are said.
fn form(said: &str) -> Option<&str> {
    Some(said.trim()).filter(|form| !form.is_empty())
}

/// What is said of a part.
pub(super) fn look(text: &str, said: &str, bpm: &str) -> Written {
    let wrong = |errors: &[PartError]| Written { mistakes: mistakes(errors), good: false, played: String::new() };
    match read(text, bpm) {
        Err(errors) => wrong(&errors),
        Ok((part, bpm)) => match part.timeline(form(said), bpm) {
            Err(errors) => wrong(&errors),
            Ok(timeline) => {
                Written { mistakes: mistakes(&part.warnings), good: true, played: played(&part, &timeline) }
            }
        },
    }
}

/// How it sounds: a count-in, then the part on the guide's own surfaces.
pub(super) fn sound(text: &str, said: &str, bpm: &str, folder: &std::path::Path) -> Result<Playable, Trouble> {
    let wrong = |_| Trouble::new("the part is not right yet", "what is wrong stands under it");
    let (part, bpm) = read(text, bpm).map_err(wrong)?;
    let practice = Practice::of(&part, form(said), &Laps::default(), bpm).map_err(SoundError::from)?;
    let config = GuideConfig { heard: Heard::Both, peak: PEAKS.1, ..GuideConfig::default() };
    let guide = guide::render(&practice, &config, EAR_RATE).map_err(SoundError::from)?;
    Ok(written(&guide, folder)?)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_told_in_the_words_of_check_and_its_mistakes_with_their_place() {
        let text = crate::desk::doing::DEMO_PART;
        let good = look(text, "A B", "72");
        assert!(good.good && good.mistakes.is_empty() && good.played.contains("Lantern Parade"));
        let wrong = look(&text.replace("oxx. o.x.", "oxq. o.x."), "", "");
        assert!(!wrong.good && wrong.mistakes[0].place.is_some_and(|(line, _)| line > 5));
        let form = look(text, "A Z", "");
        assert!(!form.good && form.mistakes[0].place.is_none());
        let folder = tempfile::tempdir().unwrap();
        assert!(sound(text, "A", "", folder.path()).is_ok_and(|s| s.length > 44_100));
        assert!(sound("title", "A", "", folder.path()).is_err());
    }
}
