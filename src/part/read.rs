//! The text of a part file -> [`Part`], or everything that is wrong with it at once.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::{Gather, Origin, PartError, PartErrors, nearest};
use super::row::RowText;
use super::section::{RawSection, Section, build};
use super::{Meter, TempoRange};
use crate::units::Bpm;

/// Strokes in the form as played out, at most: an hour of sixteenths at 84.
pub const MOST_STROKES: u64 = 20_000;
/// Bars in the form as played out, at most: 80 minutes of 4/4 at 100.
pub const MOST_BARS: u64 = 2_000;
/// A part file longer than this is something else.
pub(crate) const MOST_BYTES: usize = 1 << 20;

/// A part as written.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// What it is called.
    pub title: String,
    /// Time signature.
    pub meter: Meter,
    /// From where a beginner starts to where the class is going.
    pub range: TempoRange,
    /// Sections in the order they are played.
    pub form: Vec<String>,
    /// Sections in the order of the file.
    pub sections: Vec<Section>,
    /// What is allowed but looks like a slip.
    pub warnings: Vec<PartError>,
}

impl Part {
    /// The section of that name.
    pub fn section(&self, name: &str) -> Option<&Section> {
        self.sections.iter().find(|s| s.name == name)
    }
}

/// Reads a part file.
///
/// ```
/// let part = pailbeat::part::parse(r#"
/// title = "Rain on the Roof"
/// meter = "4/4"
/// bpm   = { start = 60, goal = 84 }
/// form  = "A A"
///
/// [sections.A]
/// strokes = "|: oxx. o.x. :|2 O.-- X.-- |"
/// "#).unwrap();
/// let timeline = part.timeline(None, part.range.start).unwrap();
/// assert_eq!((timeline.bars.len(), timeline.strokes.len()), (6, 24));
/// ```
///
/// # Errors
/// Every error of the file, in order of place.
pub fn parse(text: &str) -> Result<Part, PartErrors> {
    let text = &*super::typed::straightened(text);
    let mut errors = Gather::new(text, Origin::File);
    let mut warnings = Gather::new(text, Origin::File);
    if text.len() > MOST_BYTES {
        errors.add(
            0..1,
            format!("{} bytes are too many for a part file", text.len()),
            "a part file is plain text of a page or two; was this the recording?",
        );
        return Err(errors.refuse());
    }
    if deep(text) {
        errors.add(0..1, "brackets inside brackets, too deep to be a part file", "see the example in the README");
        return Err(errors.refuse());
    }
    let (document, broken) = DeTable::parse_recoverable(text);
    for error in &broken {
        let span = error.span().unwrap_or(0..0);
        errors.add(
            span,
            format!("not readable as TOML: {}", plain(error.message())),
            "texts stand in quotes, each `name = value` on a line of its own",
        );
    }
    let table = document.get_ref();
    if let (Some((calls, _)), None) = (table.get_key_value("calls"), table.get("sections")) {
        let hint = "`pailbeat drill make` and `pailbeat drill play` take it";
        errors.add(calls.span(), "these are the calls of an echo drill, not a part", hint);
        return Err(errors.refuse());
    }
    let mut read = Reader { text, errors: &mut errors, broken: !broken.is_empty() };
    read.unknown_keys(table, &["title", "meter", "bpm", "form", "sections"], "a part file");
    let title = match table.get("title") {
        None => {
            if broken.is_empty() {
                warnings.add(
                    0..0,
                    "the part has no title",
                    "add `title = \"…\"` so that sheets and reports can name it",
                );
            }
            "untitled".to_string()
        }
        Some(value) => read.string(value, "title", "\"Lantern Parade\"").map(|row| row.text()).unwrap_or_default(),
    };
    let meter = read.meter(table);
    let range = read.range(table);
    let raw = read.sections(table);
    let form = read.form(table);
    let sections: Vec<Section> = raw.iter().map(|raw| build(raw, meter, &mut errors, &mut warnings)).collect();
    if let Some((names, span)) = &form {
        check_form(names, span.clone(), &sections, &mut errors);
        for raw in &raw {
            if !names.iter().any(|(name, _)| *name == raw.name) {
                warnings.add(
                    raw.span.clone(),
                    format!("section `{}` is not in the form", raw.name),
                    "add it to `form`, or ask for it with `--form`",
                );
            }
        }
    }
    match (meter, range, form) {
        (Some(meter), Some(range), Some((form, _))) if errors.is_empty() => Ok(Part {
            title,
            meter,
            range,
            form: form.into_iter().map(|(name, _)| name).collect(),
            sections,
            warnings: warnings.finish(),
        }),
        _ => {
            // Every way to a missing piece has reported it; this holds should one ever not.
            if errors.is_empty() {
                errors.add(0..0, "the part is incomplete", "it needs `meter`, `bpm`, `form` and sections");
            }
            Err(errors.refuse())
        }
    }
}

/// Section names, each with its place.
pub(crate) type Names = Vec<(String, Range<usize>)>;

/// Names of a form with their places, split at spaces and commas.
pub(crate) fn split_form(row: &RowText) -> Names {
    let mut out = Names::new();
    let mut inside = false;
    for (ch, at) in &row.chars {
        if ch.is_whitespace() || *ch == ',' {
            inside = false;
            continue;
        }
        if !inside {
            out.push((String::new(), *at..*at));
        }
        inside = true;
        if let Some((name, span)) = out.last_mut() {
            name.push(*ch);
            span.end = at + ch.len_utf8();
        }
    }
    out
}

/// Unknown sections, and a form that would play for hours.
pub(crate) fn check_form(
    names: &[(String, Range<usize>)],
    span: Range<usize>,
    sections: &[Section],
    errors: &mut Gather,
) {
    if names.is_empty() {
        errors.add(
            span.clone(),
            "the form is empty",
            "name the sections in the order they are played, for example `A A B B`",
        );
    }
    let (mut strokes, mut bars) = (0u64, 0u64);
    for (name, at) in names {
        match sections.iter().find(|s| s.name == *name) {
            Some(section) => {
                let size = section.size();
                strokes = strokes.saturating_add(size.0);
                bars = bars.saturating_add(size.1);
            }
            None => {
                let near = nearest(name, sections.iter().map(|s| s.name.as_str()));
                let written = sections.iter().map(|s| format!("`{}`", s.name)).collect::<Vec<_>>().join(", ");
                let hint = match (near, apart(name, sections)) {
                    (_, Some(apart)) => format!("set spaces between sections: `{apart}`"),
                    (Some(near), _) => format!("did you mean `{near}`? sections written: {written}"),
                    _ if sections.is_empty() => "write it as `[sections.A]` with `strokes`".to_string(),
                    _ => format!("sections written: {written}"),
                };
                errors.add(at.clone(), format!("the form names section `{name}`, which is not written"), hint);
            }
        }
    }
    if strokes > MOST_STROKES || bars > MOST_BARS {
        let hint = format!("at most {MOST_STROKES} strokes and {MOST_BARS} bars; play fewer repeats or sections");
        errors.add(span.clone(), format!("the form comes to {strokes} strokes in {bars} bars"), hint);
    } else if strokes == 0 && errors.is_empty() && !names.is_empty() {
        errors.add(
            span,
            "the form holds no stroke at all",
            "write at least one stroke, `o` for the centre of the bucket",
        );
    }
}

/// `AABB` read as `A A B B`, where every letter is a section.
fn apart(name: &str, sections: &[Section]) -> Option<String> {
    let letters: Vec<String> = name.chars().map(String::from).collect();
    (letters.len() > 1 && letters.len() < 40 && letters.iter().all(|l| sections.iter().any(|s| s.name == *l)))
        .then(|| letters.join(" "))
}

/// Nesting no part file has; the TOML reader recurses.
pub(crate) fn deep(text: &str) -> bool {
    const DEEPEST: usize = 64;
    let mut depth = 0usize;
    text.bytes().any(|b| {
        match b {
            b'[' | b'{' => depth += 1,
            b']' | b'}' => depth = depth.saturating_sub(1),
            _ => {}
        }
        depth > DEEPEST
    })
}

pub(crate) fn plain(message: &str) -> String {
    message
        .lines()
        .map(str::trim)
        .filter(|l| !l.is_empty())
        .collect::<Vec<_>>()
        .join("; ")
        .trim_end_matches('.')
        .to_string()
}

impl RowText {
    pub(crate) fn text(&self) -> String {
        self.chars.iter().map(|c| c.0).collect()
    }
}

pub(crate) fn kind(value: &DeValue) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

pub(crate) struct Reader<'a, 't> {
    pub(crate) text: &'t str,
    pub(crate) errors: &'a mut Gather<'t>,
    /// The file is not whole, so a missing key may be the same mistake.
    pub(crate) broken: bool,
}

impl Reader<'_, '_> {
    pub(crate) fn missing(&mut self, what: &str, hint: &str) {
        if !self.broken {
            self.errors.add(0..0, format!("`{what}` is missing"), format!("add {hint}"));
        }
    }

    pub(crate) fn unknown_keys(&mut self, table: &DeTable, known: &[&str], of: &str) {
        for key in table.keys() {
            let name = key.get_ref().as_ref();
            if known.contains(&name) {
                continue;
            }
            let all = known.iter().map(|k| format!("`{k}`")).collect::<Vec<_>>().join(", ");
            let hint = match nearest(name, known.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("{of} holds {all}"),
            };
            self.errors.add(key.span(), format!("unknown name `{name}`"), hint);
        }
    }

    pub(crate) fn wrong_kind(&mut self, value: &Spanned<DeValue>, what: &str, wanted: &str, example: &str) {
        self.errors.add(
            value.span(),
            format!("`{what}` is {}, expected {wanted}", kind(value.get_ref())),
            format!("write `{what} = {example}`"),
        );
    }

    pub(crate) fn string(&mut self, value: &Spanned<DeValue>, what: &str, example: &str) -> Option<RowText> {
        match value.get_ref() {
            DeValue::String(s) => Some(places(self.text, value.span(), s)),
            _ => {
                self.wrong_kind(value, what, "a text in quotes", example);
                None
            }
        }
    }

    pub(crate) fn meter(&mut self, table: &DeTable) -> Option<Meter> {
        let example = "\"4/4\"";
        let Some(value) = table.get("meter") else {
            self.missing("meter", "`meter = \"4/4\"` at the top");
            return None;
        };
        let row = self.string(value, "meter", example)?;
        let text = row.text();
        let numbers = text.split_once('/').map(|(a, b)| (a.trim().parse::<u8>(), b.trim().parse::<u8>()));
        match numbers {
            Some((Ok(beats @ 1..=16), Ok(unit @ (2 | 4 | 8)))) => Some(Meter { beats, unit }),
            _ => {
                self.errors.add(
                    row.span,
                    format!("`{text}` is not a meter"),
                    "for example `2/4`, `3/4`, `4/4` or `6/8`: 1 to 16 beats of a half, quarter or eighth",
                );
                None
            }
        }
    }

    fn range(&mut self, table: &DeTable) -> Option<TempoRange> {
        let example = "{ start = 66, goal = 96 }";
        let Some(value) = table.get("bpm") else {
            self.missing("bpm", "`bpm = { start = 66, goal = 96 }` at the top, in quarter notes a minute");
            return None;
        };
        let DeValue::Table(bpm) = value.get_ref() else {
            self.wrong_kind(value, "bpm", "a range of tempi", example);
            return None;
        };
        self.unknown_keys(bpm, &["start", "goal"], "`bpm`");
        let mut tempo = |name: &str| {
            let Some(value) = bpm.get(name) else {
                self.errors.add(value.span(), format!("`bpm` has no `{name}`"), format!("write `bpm = {example}`"));
                return None;
            };
            let number = match value.get_ref() {
                DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
                DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
                _ => {
                    self.errors.add(
                        value.span(),
                        format!("`{name}` is {}, expected a number", kind(value.get_ref())),
                        format!("write `bpm = {example}`"),
                    );
                    return None;
                }
            };
            let tempo = number.and_then(Bpm::new);
            if tempo.is_none() {
                self.errors.add(
                    value.span(),
                    format!("`{name}` is no tempo to play at"),
                    format!("quarter notes a minute, from {} to {}", Bpm::MIN, Bpm::MAX),
                );
            }
            tempo
        };
        let (start, goal) = (tempo("start"), tempo("goal"));
        let (start, goal) = (start?, goal?);
        if start > goal {
            self.errors.add(
                value.span(),
                format!("`bpm` starts at {} above its goal {}", start.get(), goal.get()),
                "`start` is where a beginner begins, `goal` where the class is going: exchange them",
            );
            return None;
        }
        Some(TempoRange { start, goal })
    }

    fn form(&mut self, table: &DeTable) -> Option<(Names, Range<usize>)> {
        let Some(value) = table.get("form") else {
            self.missing("form", "`form = \"A A B B\"` at the top, the sections in the order they are played");
            return None;
        };
        let row = self.string(value, "form", "\"A A B B\"")?;
        Some((split_form(&row), row.span.clone()))
    }

    fn sections(&mut self, table: &DeTable) -> Vec<RawSection> {
        let Some(value) = table.get("sections") else {
            self.missing("sections", "`[sections.A]` with a line `strokes = \"o.x. o.--\"`");
            return Vec::new();
        };
        let DeValue::Table(sections) = value.get_ref() else {
            self.errors.add(
                value.span(),
                format!("`sections` is {}", kind(value.get_ref())),
                "write each section as `[sections.A]`",
            );
            return Vec::new();
        };
        if sections.is_empty() {
            self.missing("sections", "`[sections.A]` with a line `strokes = \"o.x. o.--\"`");
        }
        let mut out = Vec::new();
        for (key, value) in sections {
            let name = key.get_ref().to_string();
            if name.is_empty() || name.contains(|c: char| c.is_whitespace() || c.is_control() || c == ',') {
                self.errors.add(
                    key.span(),
                    format!("`{name}` cannot name a section"),
                    "a letter or one word, as in `[sections.A]`",
                );
                continue;
            }
            let DeValue::Table(rows) = value.get_ref() else {
                self.errors.add(
                    value.span(),
                    format!("section `{name}` is {}, expected rows", kind(value.get_ref())),
                    format!("write `[sections.{name}]` and below it `strokes = \"o.x. o.--\"`"),
                );
                continue;
            };
            self.unknown_keys(
                rows,
                &["strokes", "syllables", "surfaces", "hands", "level", "lesson"],
                &format!("section `{name}`"),
            );
            let mut broken = false;
            let mut row = |what: &str, example: &str| {
                let text = rows.get(what).map(|value| self.string(value, what, example));
                broken |= matches!(text, Some(None));
                text.flatten()
            };
            let strokes = row("strokes", "\"o.x. o.--\"");
            let syllables = row("syllables", "\"ta ti-ti ta sh\"");
            let surfaces = row("surfaces", "\"oxxo\"");
            let hands = row("hands", "\"R.L. R.--\"");
            let level = row("level", "\"p... <<<<\"");
            let lesson = row("lesson", "\"lesson-5.mp4 06:40\"").map(|row| row.text().trim().to_owned());
            let broken = broken || self.broken;
            out.push(RawSection { name, span: key.span(), strokes, syllables, surfaces, hands, level, lesson, broken });
        }
        out.sort_by_key(|s| s.span.start);
        out
    }
}

/// The characters of a string value with the byte of the file each was written at.
fn places(text: &str, span: Range<usize>, value: &str) -> RowText {
    let raw = text.get(span.clone()).unwrap_or_default();
    let quotes = if raw.starts_with("\"\"\"") || raw.starts_with("'''") { 3 } else { 1 };
    let mut from = quotes;
    if quotes == 3 {
        // A line break right after the opening quotes is not part of the value.
        from += raw.get(3..).map_or(0, |r| if r.starts_with("\r\n") { 2 } else { usize::from(r.starts_with('\n')) });
    }
    let inner = raw.get(from..raw.len().saturating_sub(quotes)).unwrap_or_default();
    let at = |offset: usize| span.start + from + offset;
    if inner == value {
        return RowText { chars: inner.char_indices().map(|(b, c)| (c, at(b))).collect(), span };
    }
    // Escapes and such: walk both, and where they differ let the place stand at what was last the same.
    let mut written = inner.char_indices().peekable();
    let mut here = at(0);
    let chars = value.chars().map(|c| {
        if let Some((b, w)) = written.peek().copied() {
            here = at(b);
            if w == c || w != '\\' {
                written.next();
            } else {
                written.next();
                written.next();
                // The digits of `\u0041`, or the spaces a backslash at a line's end swallows.
                let next = value_after(c);
                while written.peek().is_some_and(|(_, w)| !next(*w)) {
                    written.next();
                }
            }
        }
        (c, here)
    });
    RowText { chars: chars.collect(), span }
}

/// Rows hold no digits or letters but those of cells, so after an escape the next of these is the next character.
fn value_after(_escaped: char) -> impl Fn(char) -> bool {
    |w| !w.is_ascii_hexdigit() && !w.is_whitespace()
}
