//! `pailbeat strikes`: every strike of a recording.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use anyhow::{Result, anyhow};

use super::{Outcome, files, progress};
use crate::audio::{self, AudioError, Source};
use crate::chain::{self, ChainError, Notice, Take, quietly};
use crate::files::Shown as _;
use crate::guide::Guide;
use crate::report::json;
use crate::take::Recording;

/// Why a recording was not heard.
pub(super) type Unheard = ChainError<AudioError>;

/// A recording in a file.
pub(super) fn sound(path: &Path) -> Recording<impl Fn() -> Result<Source, AudioError>> {
    Recording::new(move || audio::open(path))
}

/// Hears a recording, without one of some guides where it plays in it.
pub(super) fn hear(path: &Path, guides: &[Guide]) -> Result<(Take, Vec<Notice>), Unheard> {
    chain::hear(&mut sound(path), guides, &mut quietly)
}

/// The way out.
pub(super) fn hint(error: &Unheard) -> Option<&str> {
    match error {
        ChainError::Sound(error) => Some(error.hint()),
        ChainError::NoStrike(_) => Some("`pailbeat strikes` lists their times"),
        ChainError::Rate(_) | ChainError::Stopped => None,
    }
}

/// An error that carries its way out.
pub(super) fn with_hint(error: Unheard) -> anyhow::Error {
    let hint = hint(&error).map_or_else(String::new, |hint| format!("\nhint: {hint}"));
    anyhow!("{:#}{hint}", anyhow::Error::from(error))
}

/// Says why a recording could not be heard.
pub(super) fn refuse(error: Unheard) {
    let hint = hint(&error).map(str::to_owned);
    files::complain(&anyhow::Error::from(error), hint.as_deref());
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
        match progress::shown(&path.to_string_lossy(), || hear(path, &[])) {
            Ok((take, notices)) => {
                tell_notices(path, &notices);
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
pub(super) fn tell_notices(path: &Path, notices: &[Notice]) {
    for notice in notices {
        files::tell(&format!("note: `{}`: {}", path.shown(), notice.say()));
    }
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
