//! `pailbeat strikes`: every strike of a recording.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Result;

use super::{Outcome, files};
use crate::audio::{self, AudioError, Facts};
use crate::chain::Take;
use crate::files::Shown as _;
use crate::guide::Guide;
use crate::report::json;
use crate::take;

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

/// The JSON of takes, printed one by one: of one take an object, of several an array in which each names its take.
pub(super) struct Rows {
    takes: usize,
    printed: usize,
}

impl Rows {
    pub(super) fn of(takes: usize) -> Rows {
        Rows { takes, printed: 0 }
    }

    /// Prints what came of a take, an object of JSON, or why nothing did.
    pub(super) fn put(&mut self, take: &Path, row: Result<&str, &str>) -> Result<()> {
        if self.takes == 1 {
            return row.map_or(Ok(()), |json| files::print_json(&format!("{}\n", json.trim_end())));
        }
        let name = serde_json::Value::from(take.to_string_lossy());
        let rest = match row {
            Ok(json) => json.trim().strip_prefix('{').unwrap_or_default().to_owned(),
            Err(why) => format!("\"error\": {}}}", serde_json::Value::from(why)),
        };
        let before = if self.printed == 0 { "[" } else { ",\n" };
        self.printed += 1;
        files::print_json(&format!("{before}{{\"take\": {name}, {}", rest.trim_start()))
    }

    /// Ends the array.
    pub(super) fn end(&self) -> Result<()> {
        match (self.takes, self.printed) {
            (1, _) => Ok(()),
            (_, 0) => files::print_json("[]\n"),
            _ => files::print_json("]\n"),
        }
    }
}

pub(super) fn run(takes: &[PathBuf], as_json: bool) -> Result<Outcome> {
    let mut failed = false;
    let mut rows = Rows::of(takes.len());
    for path in takes {
        match hear(path) {
            Ok((take, facts)) => {
                tell_notices(path, &facts);
                if as_json {
                    rows.put(path, Ok(&json::strikes(take.heard.onsets.iter())))?;
                } else {
                    files::print(&list(path, &take))?;
                }
            }
            Err(error) => {
                failed = true;
                if as_json {
                    rows.put(path, Err(&error.to_string()))?;
                }
                refuse(error);
            }
        }
    }
    if as_json {
        rows.end()?;
    }
    Ok(if failed { Outcome::SomeFailed } else { Outcome::Done })
}

/// Says what is wrong with a recording itself.
pub(super) fn tell_notices(path: &Path, facts: &Facts) {
    for notice in notices(facts) {
        files::tell(&format!("note: `{}`: {notice}", path.shown()));
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
    if facts.dropouts > 0 {
        out.push(format!(
            "{} short gaps of digital silence, {:.2} s in all: the recorder lost sound",
            facts.dropouts,
            facts.dropped.get()
        ));
    }
    if facts.not_numbers > 0 {
        out.push(format!("{} samples are not numbers and were taken as silence", facts.not_numbers));
    }
    if facts.undecodable > 0 {
        out.push(format!("{} packets could not be decoded and were taken as silence", facts.undecodable));
    }
    out
}

fn list(path: &Path, take: &Take) -> String {
    let onsets = &take.heard.onsets;
    let mut out = String::new();
    let _ = writeln!(out, "{}: {} strikes in {:.1} s", path.shown(), onsets.len(), take.heard.duration.get());
    if !onsets.is_empty() {
        let _ = writeln!(out, "{:>10}  {:>8}  {:>8}  {:>5}", "time, s", "± ms", "level dB", "sure");
        for o in onsets {
            let _ =
                writeln!(out, "{:10.4}  {:8.2}  {:8.1}  {:5.2}", o.at.get(), o.sigma.millis(), o.level.0, o.certainty);
        }
    }
    out
}
