//! Reading a part file for a command.

use std::path::Path;

use anyhow::{Result, anyhow, bail};

use super::Asked;
use super::files::tell;
use super::found::PartText;
use crate::part::{Part, PartError, Timeline, parse};
use crate::units::Bpm;

fn render(errors: &[PartError], name: &str, text: &str) -> String {
    errors.iter().map(|e| e.render(name, text)).collect::<Vec<_>>().join("\n")
}

/// Reads and checks a part; its doubtful places are told, its errors are the error.
pub(super) fn read(path: &Path) -> Result<Part> {
    parsed(&PartText::named(path)?)
}

/// The same of a text that has been read.
pub(super) fn parsed(PartText { name, text }: &PartText) -> Result<Part> {
    match parse(text) {
        Ok(part) => {
            if !part.warnings.is_empty() {
                tell(&format!("note: {}", render(&part.warnings, name, text).trim_end()));
            }
            Ok(part)
        }
        Err(errors) => {
            let count = if errors.len() == 1 { "1 place".into() } else { format!("{} places", errors.len()) };
            bail!("the part `{name}` is wrong in {count}\n{}", render(&errors, name, text).trim_end())
        }
    }
}

/// What is asked for, as a timeline.
pub(super) fn timeline(part: &Part, asked: &Asked) -> Result<Timeline> {
    let bpm = match asked.bpm {
        None => part.range.start,
        Some(n) => Bpm::new(n).ok_or_else(|| {
            anyhow!("`--bpm {n}` is no tempo: give {} to {} quarter notes a minute", Bpm::MIN, Bpm::MAX)
        })?,
    };
    part.timeline(asked.form.as_deref(), bpm)
        .map_err(|errors| anyhow!("{}", render(&errors, "form", asked.form.as_deref().unwrap_or_default()).trim_end()))
}
