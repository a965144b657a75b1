//! `pailbeat convert`: a part as notation, notation as a part.

use std::path::Path;

use anyhow::{Context, Result, anyhow};

use super::files::{self, print, tell};
use super::found::PartText;
use super::{ConvertArgs, Outcome, part};
use crate::english::counted;
use crate::files::Shown as _;
use crate::notation::{self, Format, Table};
use crate::part::Part;

/// What a file holds, by its ending.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Part,
    Notation(Format),
}

impl Kind {
    fn of(path: &Path) -> Result<Kind> {
        let ending = path.extension().map(|e| e.to_string_lossy().into_owned()).unwrap_or_default();
        if ending.eq_ignore_ascii_case("toml") {
            return Ok(Kind::Part);
        }
        Format::of_ending(&ending).map(Kind::Notation).ok_or_else(|| {
            anyhow!("`{}`: its ending says nothing\nhint: it may end in .toml, .musicxml, .mxl or .mid", path.shown())
        })
    }
}

pub(super) fn run(args: &ConvertArgs) -> Result<Outcome> {
    let (from, to) = (Kind::of(&args.from)?, Kind::of(&args.to)?);
    let part = match from {
        Kind::Part => part::parsed(&PartText::named(&args.from)?)?,
        Kind::Notation(format) => read(args, format)?,
    };
    let timeline = part::timeline(&part, &args.asked)?;
    let bytes = match to {
        Kind::Part => part.text().into_bytes(),
        Kind::Notation(format) => notation::write(&part, format, args.asked.form.as_deref(), timeline.bpm)
            .map_err(|e| anyhow!("cannot write `{}`: {e}", args.to.shown()))?,
    };
    let of = format!("part {}", part.title);
    files::kept(crate::files::put(&args.to, bytes, of.as_bytes()))?;
    print(&format!(
        "{}: `{}`, {} in {}\n",
        args.to.shown(),
        crate::report::shown(&part.title),
        counted(timeline.strokes.len(), "stroke"),
        counted(timeline.bars.len(), "bar")
    ))?;
    Ok(Outcome::Done)
}

fn read(args: &ConvertArgs, format: Format) -> Result<Part> {
    let bytes =
        crate::files::read(&args.from).with_context(|| format!("cannot read the score `{}`", args.from.shown()))?;
    let table = match args.table.as_deref().filter(|path| path.exists()) {
        None => Table::default(),
        Some(path) => {
            let text =
                crate::files::read_text(path).with_context(|| format!("cannot read the table `{}`", path.shown()))?;
            Table::parse(&text).map_err(|e| anyhow!("the table `{}` is wrong: {e}", path.shown()))?
        }
    };
    let read = notation::read(&bytes, format, args.line.as_deref(), &table)
        .map_err(|e| anyhow!("cannot read the score `{}`: {e}", args.from.shown()))?;
    for note in &read.notes {
        tell(&format!("note: {note}"));
    }
    let taken: Vec<String> = read
        .sounds
        .iter()
        .filter(|(.., n)| *n > 0)
        .map(|(sound, meaning, n)| format!("{} as {}", counted(*n, &named(sound)), meaning.word()))
        .collect();
    if !taken.is_empty() {
        tell(&format!("read: {}", taken.join("; ")));
    }
    if let Some(path) = args.table.as_deref().filter(|path| !path.exists()) {
        let text = Table::text(&read.sounds);
        files::kept(crate::files::put_new(path, text.as_bytes()))?;
        tell(&format!("table: {} says which note is which surface; edit it and convert again", path.shown()));
    }
    for warning in &read.part.warnings {
        tell(&format!("note: {}", warning.message));
    }
    Ok(read.part)
}

/// A kind of note in words.
fn named(sound: &notation::Sound) -> String {
    let mut said = vec!["note".to_owned()];
    let shown = |text: &str| crate::report::shown(text);
    if !sound.instrument.is_empty() {
        said = vec![format!("`{}` note", shown(&sound.instrument))];
    }
    let head = Some(sound.head.as_str()).filter(|h| *h != "normal");
    let more: Vec<String> = [
        Some(sound.line.clone()).filter(|l| !l.is_empty()).map(|l| format!("on {}", shown(&l))),
        head.map(|h| format!("head {}", shown(h))),
        sound.key.filter(|_| sound.instrument.is_empty()).map(|k| format!("key {k}")),
    ]
    .into_iter()
    .flatten()
    .collect();
    if more.is_empty() { said.concat() } else { format!("{} ({})", said.concat(), more.join(", ")) }
}
