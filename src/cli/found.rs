//! The part that a take card means: found by its content, never by a path that a card names.
//!
//! A card may have come from anywhere. It says the sum of its part; the part files in the folder of the take and in the
//! folder one is in are looked through for it, and the class book that lies there.

use std::path::Path;

use anyhow::{Context, Result, anyhow, bail};

use crate::book::{self, Book};
use crate::files::{self, Shown as _};
use crate::part::decoded;
use crate::take::{Card, fingerprint};

/// So many part files of a folder are looked at.
const MOST_FILES: usize = 1000;

/// The text of a part, and what it is called in messages.
pub(super) struct PartText {
    pub(super) name: String,
    pub(super) text: String,
}

impl PartText {
    /// The part file that was named.
    pub(super) fn named(path: &Path) -> Result<PartText> {
        let name = path.shown().to_string();
        let text = text(path).with_context(|| format!("cannot read the part `{name}`"))?;
        Ok(PartText { name, text })
    }

    /// The part that a card means.
    pub(super) fn of_card(card: &Card, take: &Path) -> Result<PartText> {
        let sha256 =
            card.part.sha256.as_deref().context(
                "its take card does not say which part was played\nhint: name the part file before the take",
            )?;
        let own = take.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
        for folder in [own, Path::new(".")] {
            if let Some(found) = in_folder(folder, sha256) {
                return Ok(found);
            }
        }
        bail!(
            "the part `{}`, which the take card means, is neither in the folder of the take nor in this one, or has changed \
             since\nhint: name the part file before the take",
            crate::report::shown(card.part.title.as_deref().unwrap_or("without a title"))
        )
    }
}

/// The text of a part or drill file in whatever way it is kept; what a part is known by is the sum of this text.
pub(super) fn text(path: &Path) -> Result<String> {
    let bytes = files::read(path)?;
    Ok(decoded(&bytes).map_err(|why| anyhow!(why))?.into_owned())
}

fn in_folder(folder: &Path, sha256: &str) -> Option<PartText> {
    let mut paths: Vec<_> = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| path.extension().is_some_and(|e| e.eq_ignore_ascii_case("toml")))
        .take(MOST_FILES)
        .collect();
    paths.sort();
    let is_it = |text: &str| fingerprint(text.as_bytes()).eq_ignore_ascii_case(sha256);
    for path in paths {
        if let Ok(text) = text(&path)
            && is_it(&text)
        {
            return Some(PartText { name: path.shown().to_string(), text });
        }
    }
    if !folder.join(book::FILE).is_file() {
        return None;
    }
    let text = Book::open(folder).and_then(|book| book.part_text(sha256)).ok()??;
    is_it(&text).then(|| PartText { name: "in the class book".into(), text })
}
