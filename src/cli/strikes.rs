//! `pailbeat strikes`: every strike of a recording.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Result;

use super::{Outcome, files, progress};
use crate::audio::{self, AudioError, Facts};
use crate::chain::Take;
use crate::guide::Guide;
use crate::report::json;
use crate::take;
use crate::units::Seconds;

/// Hears a recording and what is to be said of it as a recording.
pub(super) fn hear(path: &Path) -> Result<(Take, Facts), AudioError> {
    take::hear(audio::open(path)?)
}

/// As [`hear`], and takes out one of some guides.
pub(super) fn hear_guided(path: &Path, guides: &[Guide], expected: bool) -> Result<(Take, Facts), AudioError> {
    take::hear_guided(|| audio::open(path), guides, expected)
}

/// Says why a recording could not be heard.
pub(super) fn refuse(error: AudioError) {
    let hint = error.hint();
    files::complain(&anyhow::Error::from(error), Some(hint));
}

pub(super) fn run(takes: &[PathBuf], as_json: bool) -> Result<Outcome> {
    let mut failed = false;
    for path in takes {
        match progress::shown(&path.to_string_lossy(), || hear(path)) {
            Ok((take, facts)) => {
                tell_notices(path, &facts);
                files::print(&if as_json { json::strikes(take.heard.onsets.iter()) } else { list(path, &take) })?;
            }
            Err(error) => {
                failed = true;
                refuse(error);
            }
        }
    }
    Ok(if failed { Outcome::SomeFailed } else { Outcome::Done })
}

/// Says what is wrong with a recording itself.
pub(super) fn tell_notices(path: &Path, facts: &Facts) {
    for notice in notices(facts) {
        files::tell(&format!("note: `{}`: {notice}", path.display()));
    }
}

/// What is wrong with the recording itself, in words.
pub(super) fn notices(facts: &Facts) -> Vec<String> {
    let mut out = Vec::new();
    if let Some(reason) = &facts.truncated {
        out.push(format!("it ends early ({reason}); what is there was heard"));
    }
    if facts.flat {
        out.push("it holds no sound at all: is the microphone switched off?".into());
    }
    // Holes that the file itself tells of are seen in the samples too.
    let dropouts = facts.dropouts.saturating_sub(u32::try_from(facts.holes.len()).unwrap_or(u32::MAX));
    if dropouts > 0 {
        let lasts =
            (facts.dropped.get() - facts.holes.iter().map(|(from, to)| (*to - *from).get()).sum::<f64>()).max(0.0);
        out.push(format!("{dropouts} short gaps of digital silence, {lasts:.2} s in all: the recorder lost sound"));
    }
    out.extend(missing(&facts.holes));
    if facts.not_numbers > 0 {
        out.push(format!("{} samples are not numbers and were taken as silence", facts.not_numbers));
    }
    out
}

/// So many stretches of lost sound are told one by one.
const MAX_TOLD: usize = 5;

/// Where the file has lost sound.
fn missing(holes: &[(Seconds, Seconds)]) -> Option<String> {
    let (first, last) = (holes.first()?, holes.last()?);
    let lasts: f64 = holes.iter().map(|(from, to)| (*to - *from).get()).sum();
    let stretch = |(from, to): &(Seconds, Seconds)| format!("from {:.2} s to {:.2} s", from.get(), to.get());
    let places = if holes.len() <= MAX_TOLD {
        holes.iter().map(stretch).collect::<Vec<_>>().join(", ")
    } else {
        format!("at {} places {}", holes.len(), stretch(&(first.0, last.1)))
    };
    Some(format!(
        "the file has lost sound {places} ({lasts:.2} s in all): nothing is judged there, the rest stands where it was played"
    ))
}

fn list(path: &Path, take: &Take) -> String {
    let onsets = &take.heard.onsets;
    let mut out = String::new();
    let _ = writeln!(out, "{}: {} strikes in {:.1} s", path.display(), onsets.len(), take.heard.duration.get());
    if !onsets.is_empty() {
        let _ = writeln!(out, "{:>10}  {:>8}  {:>8}  {:>5}", "time, s", "± ms", "level dB", "sure");
        for o in onsets {
            let _ =
                writeln!(out, "{:10.4}  {:8.2}  {:8.1}  {:5.2}", o.at.get(), o.sigma.millis(), o.level.0, o.certainty);
        }
    }
    out
}
