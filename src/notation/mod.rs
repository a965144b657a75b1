//! Parts and the notation of others: [`Part`] -> MusicXML 4.0 (plain and compressed) and MIDI; MusicXML and MIDI ->
//! [`Part`].
//!
//! Out: the form bar after bar, repeats as signs, sections as rehearsal marks, every stroke as an unpitched note with its own
//! line, notehead and sound ([`table`]), sticking, dynamics, swells. The text of the part file goes along in a field of its own,
//! for what notes cannot say (cells of a bar, sections that are not played, the tempo to come to); it is believed only while
//! the notes say the same as it, so that a change made in a notation program is never lost.
//!
//! In: one line of a score. Which of its notes is which surface says a table that a teacher can edit; what a part cannot hold
//! (two surfaces at once, grace notes, jumps) is named, not guessed. Sources: MusicXML 4.0 (W3C Community Group Final Report,
//! 2021), Standard MIDI Files 1.0, General MIDI 1 and 2 percussion maps.
//!
//! Reads and writes bytes; knows no file.

mod compose;
mod laid;
mod line;
mod midi;
mod mxl;
mod read_xml;
pub mod table;
mod write_xml;

use crate::part::Part;
use crate::units::Bpm;
pub use line::Line;
pub use table::{Sound, Table};

/// A way in which notation is kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// MusicXML as plain text.
    MusicXml,
    /// MusicXML in a zip file.
    Mxl,
    /// A Standard MIDI File.
    Midi,
}

impl Format {
    /// By the ending of a file's name.
    pub fn of_ending(ending: &str) -> Option<Format> {
        match ending.to_ascii_lowercase().as_str() {
            "musicxml" | "xml" => Some(Format::MusicXml),
            "mxl" => Some(Format::Mxl),
            "mid" | "midi" => Some(Format::Midi),
            _ => None,
        }
    }
}

/// Why notation was not read or written: what, which, why, and the way out after `hint:`.
#[derive(Debug, thiserror::Error)]
pub enum NotationError {
    /// Not what its name says, damaged, or larger than any score.
    #[error("{0}")]
    Unreadable(String),
    /// Several lines could be meant; they are listed.
    #[error("{}", choices(.0))]
    Choose(Vec<Line>),
    /// No line has that number or name.
    #[error("no line `{wanted}` in it\n{}", listed(.lines))]
    NoSuchLine {
        /// What was asked for.
        wanted: String,
        /// What there is.
        lines: Vec<Line>,
    },
    /// A part has no place for what stands there.
    #[error("{0}")]
    NotAPart(String),
}

fn listed(lines: &[Line]) -> String {
    lines.iter().enumerate().map(|(i, line)| format!("  {}  {}", i + 1, line.told())).collect::<Vec<_>>().join("\n")
}

fn choices(lines: &[Line]) -> String {
    let what = if lines.iter().any(|l| l.percussion) {
        "it has more than one line of percussion"
    } else {
        "it has no line of percussion; of another line the rhythm alone can be taken"
    };
    format!("{what}:\n{}\nhint: choose one with `--line` and its number", listed(lines))
}

/// What is read from a score.
#[derive(Clone, Debug)]
pub struct Read {
    /// The part; [`Part::text`] is its file.
    pub part: Part,
    /// Each kind of note with what it was taken for and how many there are.
    pub sounds: Vec<(Sound, table::Meaning, usize)>,
    /// What the part could not take along, and what was supposed.
    pub notes: Vec<String>,
}

/// Reads a score. `line`: which, by number (from 1) or name, where it has several; `table`: which note is which surface, before
/// the standards' own names.
///
/// # Errors
/// See [`NotationError`].
pub fn read(bytes: &[u8], format: Format, line: Option<&str>, table: &Table) -> Result<Read, NotationError> {
    let mut score = match format {
        Format::MusicXml => read_xml::score(&crate::part::decoded(bytes).map_err(NotationError::Unreadable)?)?,
        Format::Mxl => read_xml::score(&mxl::score_text(bytes)?)?,
        Format::Midi => midi::score(bytes)?,
    };
    let index = line::chosen(&score.lines, line)?;
    let chosen = score.lines.swap_remove(index);
    compose::part(&score, chosen, table)
}

/// The part as notation; MIDI at a tempo and in a form (`None`: the part's own).
///
/// # Errors
/// A form that the part does not have.
pub fn write(part: &Part, format: Format, form: Option<&str>, bpm: Bpm) -> Result<Vec<u8>, NotationError> {
    let wrong = |errors: crate::part::PartErrors| NotationError::NotAPart(errors.to_string());
    let timeline = part.timeline(form, bpm).map_err(wrong)?;
    Ok(match format {
        Format::Midi => midi::write(&timeline),
        Format::MusicXml | Format::Mxl => {
            let mut asked = part.clone();
            asked.form = timeline.passes.iter().map(|p| p.section.clone()).collect();
            let text = write_xml::score(&asked, bpm);
            if format == Format::Mxl { mxl::packed(&text)? } else { text }
        }
    })
}
