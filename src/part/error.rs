//! What is wrong in a part file, where, and the way out.

use std::fmt;
use std::ops::Range;

/// Which text a place is counted in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Origin {
    /// The part file.
    File,
    /// A form given beside the file, as on the command line.
    Form,
}

/// One thing wrong (or, among [`Part::warnings`](super::Part::warnings), doubtful) in a part.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartError {
    /// Which text `line` and `column` are counted in.
    pub origin: Origin,
    /// From 1.
    pub line: u32,
    /// In characters, from 1.
    pub column: u32,
    /// How many characters are meant, at least 1.
    pub width: u32,
    /// What and which: lower case, no full stop.
    pub message: String,
    /// The way out.
    pub hint: String,
}

impl PartError {
    /// The error with its line and a caret under the place, for a terminal. `name` stands for the file, `text` is what
    /// was parsed (the form itself for [`Origin::Form`]).
    ///
    /// ```
    /// let text = "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 80 }\nform = \"A\"\n[sections.A]\nstrokes = \"o.x? o.--\"\n";
    /// let errors = pailbeat::part::parse(text).unwrap_err();
    /// assert!(errors[0].render("rain.toml", text).starts_with("rain.toml:6:15: "));
    /// ```
    pub fn render(&self, name: &str, text: &str) -> String {
        let place = match self.origin {
            Origin::File => format!("{name}:{}:{}", self.line, self.column),
            Origin::Form => format!("form:{}", self.column),
        };
        let mut out = format!("{place}: {}\n", self.message);
        let line = text.lines().nth(self.line.saturating_sub(1) as usize).unwrap_or_default();
        if !line.trim().is_empty() {
            // A window, so that a line of a thousand cells stays readable.
            const BEFORE: usize = 60;
            const SHOWN: usize = 100;
            let column = self.column.saturating_sub(1) as usize;
            let from = column.saturating_sub(BEFORE);
            let shown: String =
                line.chars().skip(from).take(SHOWN).map(|c| if c.is_control() { ' ' } else { c }).collect();
            let room = shown.chars().count().saturating_sub(column - from).max(1);
            let carets = "^".repeat((self.width as usize).clamp(1, room));
            out.push_str(&format!("    {shown}\n    {}{carets}\n", " ".repeat(column - from)));
        }
        if !self.hint.is_empty() {
            out.push_str(&format!("hint: {}\n", self.hint));
        }
        out
    }
}

impl fmt::Display for PartError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.origin {
            Origin::File => write!(f, "line {}, column {}: {}", self.line, self.column, self.message)?,
            Origin::Form => write!(f, "form, column {}: {}", self.column, self.message)?,
        }
        if self.hint.is_empty() { Ok(()) } else { write!(f, " ({})", self.hint) }
    }
}

impl std::error::Error for PartError {}

/// All that is wrong in a part or a drill, in order of place: at least one thing.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartErrors(pub(crate) Vec<PartError>);

impl std::ops::Deref for PartErrors {
    type Target = [PartError];
    fn deref(&self) -> &[PartError] {
        &self.0
    }
}

impl IntoIterator for PartErrors {
    type Item = PartError;
    type IntoIter = std::vec::IntoIter<PartError>;
    fn into_iter(self) -> Self::IntoIter {
        self.0.into_iter()
    }
}

impl fmt::Display for PartErrors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (k, error) in self.0.iter().enumerate() {
            write!(f, "{}{error}", if k == 0 { "" } else { "; " })?;
        }
        Ok(())
    }
}

impl std::error::Error for PartErrors {}

/// Gathers errors by byte place and turns them into lines and columns at the end.
pub(crate) struct Gather<'t> {
    text: &'t str,
    origin: Origin,
    found: Vec<(usize, PartError)>,
}

impl<'t> Gather<'t> {
    pub(crate) fn new(text: &'t str, origin: Origin) -> Gather<'t> {
        Gather { text, origin, found: Vec::new() }
    }

    /// Notes an error over a range of bytes of the text.
    pub(crate) fn add(&mut self, span: Range<usize>, message: impl Into<String>, hint: impl Into<String>) {
        // A hostile file could hold a million wrong cells; a teacher reads the first few.
        if self.found.len() >= MOST_ERRORS {
            return;
        }
        let start = floor_char(self.text, span.start);
        let before = &self.text[..start];
        let line_from = before.rfind('\n').map_or(0, |at| at + 1);
        let line_to = self.text[start..].find('\n').map_or(self.text.len(), |n| start + n);
        let end = floor_char(self.text, span.end).clamp(start, line_to.max(start));
        let count = |s: &str| u32::try_from(s.chars().count()).unwrap_or(u32::MAX);
        let error = PartError {
            origin: self.origin,
            line: count_lines(before),
            column: count(&before[line_from..]).saturating_add(1),
            width: count(&self.text[start..end]).max(1),
            message: message.into(),
            hint: hint.into(),
        };
        self.found.push((start, error));
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// In order of place.
    pub(crate) fn finish(mut self) -> Vec<PartError> {
        self.found.sort_by_key(|(at, _)| *at);
        self.found.into_iter().map(|(_, error)| error).collect()
    }

    /// The same, as the reason why there is no part.
    pub(crate) fn refuse(self) -> PartErrors {
        PartErrors(self.finish())
    }
}

/// More errors than this are not listed: beyond it the file is something else than a part.
const MOST_ERRORS: usize = 100;

fn count_lines(before: &str) -> u32 {
    u32::try_from(before.matches('\n').count()).unwrap_or(u32::MAX - 1) + 1
}

fn floor_char(text: &str, at: usize) -> usize {
    let mut at = at.min(text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

/// The known word a mistyped one most likely means.
pub(crate) fn nearest<'w>(word: &str, known: impl Iterator<Item = &'w str>) -> Option<&'w str> {
    const MOST_SLIPS: usize = 2;
    if word.len() > 64 {
        return None;
    }
    let near = known.map(|k| (strsim::damerau_levenshtein(&word.to_lowercase(), &k.to_lowercase()), k)).min()?;
    (near.0 <= MOST_SLIPS && near.0 < near.1.chars().count()).then_some(near.1)
}
