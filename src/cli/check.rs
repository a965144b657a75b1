//! `pailbeat check`: the part as it will be played, or what is wrong with it.

use std::path::Path;

use anyhow::Result;

use super::{Asked, Outcome, files, part};
use crate::part::played;
use crate::report::json;

pub(super) fn run(path: &Path, asked: &Asked, as_json: bool) -> Result<Outcome> {
    let part = part::read(path)?;
    let timeline = part::timeline(&part, asked)?;
    if as_json { files::print_json(&json::timeline(&timeline)) } else { files::print(&played(&part, &timeline)) }?;
    Ok(Outcome::Done)
}
