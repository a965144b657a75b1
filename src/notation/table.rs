//! Which note of a score is which surface: the defaults from the standards' names, and a table that a teacher can edit.
//!
//! A note of percussion is known by the instrument it names, its sound (MusicXML's list of sounds, General MIDI's keys), the
//! line it stands on and its notehead. The table lists every kind of note of one score with what it is taken for.

use std::fmt::Write as _;

use serde::Deserialize;

use crate::part::Surface;

/// A kind of note.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Sound {
    /// The instrument as the score calls it; empty where it names none.
    pub instrument: String,
    /// Its sound in MusicXML's list, such as `drum.snare-drum`; empty where none is given.
    pub sound: String,
    /// General MIDI's key, 0 to 127.
    pub key: Option<u8>,
    /// The line or space it stands on, as a step and an octave of the treble clef (`C5` is the third space).
    pub line: String,
    /// The notehead, as MusicXML calls it; `normal` where nothing is said.
    pub head: String,
}

/// What a kind of note is taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// A stroke on a surface.
    Surface(Surface),
    /// Nothing: it is left out.
    Left,
}

impl Meaning {
    /// The word in the table.
    pub fn word(self) -> &'static str {
        match self {
            Meaning::Surface(surface) => surface.word(),
            Meaning::Left => "leave",
        }
    }
}

/// How a surface is written.
pub(super) struct Written {
    /// Step and octave of the line.
    pub(super) line: (char, u8),
    pub(super) head: &'static str,
    pub(super) key: u8,
    pub(super) sound: &'static str,
}

/// Lines and noteheads as drum notation commonly has them (one drum, its rim as a cross on the same line, sticks above it,
/// hands below), the head like the letter of the part file where there is such a head. Keys: General MIDI 1 (Low Floor Tom,
/// Side Stick, Claves, Hand Clap) and 2 (Slap).
pub(super) const fn written(surface: Surface) -> Written {
    match surface {
        Surface::Centre => Written { line: ('C', 5), head: "normal", key: 41, sound: "drum.tom-tom" },
        Surface::Rim => Written { line: ('C', 5), head: "x", key: 37, sound: "drum.snare-drum" },
        Surface::Click => Written { line: ('G', 5), head: "cross", key: 75, sound: "wood.claves" },
        Surface::Pat => Written { line: ('F', 4), head: "square", key: 28, sound: "effect.pat" },
        Surface::Clap => Written { line: ('A', 4), head: "diamond", key: 39, sound: "effect.hand-clap" },
    }
}

/// General MIDI's percussion keys: drums are the centre, side stick, cymbals and other metal the rim, wood the sticks,
/// metronome clicks nobody's stroke.
fn by_key(key: u8) -> Option<Meaning> {
    let surface = match key {
        33 | 34 => return Some(Meaning::Left),
        39 => Surface::Clap,
        28 => Surface::Pat,
        31 | 32 | 75..=77 | 85 => Surface::Click,
        35 | 36 | 38 | 40 | 41 | 43 | 45 | 47 | 48 | 50 | 60..=66 | 78 | 79 | 86 | 87 => Surface::Centre,
        27 | 29 | 30 | 37 | 42 | 44 | 46 | 49 | 51..=59 | 67..=74 | 80..=84 => Surface::Rim,
        _ => return None,
    };
    Some(Meaning::Surface(surface))
}

/// The families of MusicXML's list of sounds.
fn by_sound(sound: &str) -> Option<Surface> {
    let is = |words: &[&str]| words.iter().any(|w| sound.starts_with(w));
    if is(&["effect.hand-clap", "effect.applause"]) {
        Some(Surface::Clap)
    } else if is(&["effect.pat", "effect.slap", "effect.snap", "effect.stamp", "effect.footsteps"]) {
        Some(Surface::Pat)
    } else if is(&["effect.metronome-click", "effect.high-q", "wood."]) {
        Some(Surface::Click)
    } else if is(&["drum.", "effect.trash-can"]) {
        Some(Surface::Centre)
    } else if is(&["metal.", "rattle."]) {
        Some(Surface::Rim)
    } else {
        None
    }
}

/// Words in the names of instruments; the first that is found.
const NAMES: &[(&str, Surface)] = &[
    ("clap", Surface::Clap),
    ("side stick", Surface::Rim),
    ("cross stick", Surface::Rim),
    ("cross-stick", Surface::Rim),
    ("sidestick", Surface::Rim),
    ("rim", Surface::Rim),
    ("stick", Surface::Click),
    ("clave", Surface::Click),
    ("block", Surface::Click),
    ("click", Surface::Click),
    ("stomp", Surface::Pat),
    ("stamp", Surface::Pat),
    ("slap", Surface::Pat),
    ("knee", Surface::Pat),
    ("thigh", Surface::Pat),
    ("patsch", Surface::Pat),
    ("hat", Surface::Rim),
    ("cymbal", Surface::Rim),
    ("bell", Surface::Rim),
    ("triangle", Surface::Rim),
    ("drum", Surface::Centre),
    ("snare", Surface::Centre),
    ("tom", Surface::Centre),
    ("bucket", Surface::Centre),
    ("cajon", Surface::Centre),
];

impl Sound {
    /// What it is taken for where no table says otherwise.
    pub fn usual(&self) -> Meaning {
        let name = self.instrument.to_lowercase();
        if let Some(surface) = Surface::ALL.into_iter().find(|s| s.word() == name) {
            return Meaning::Surface(surface);
        }
        let by_name = || NAMES.iter().find(|(word, _)| name.contains(word)).map(|(_, surface)| *surface);
        let known = self.key.and_then(by_key);
        let meaning = known.or_else(|| by_sound(&self.sound).or_else(by_name).map(Meaning::Surface));
        let cross = matches!(self.head.as_str(), "x" | "cross" | "circle-x" | "circled" | "slashed");
        match meaning {
            // A cross on a drum's line is its rim.
            None | Some(Meaning::Surface(Surface::Centre)) if cross => Meaning::Surface(Surface::Rim),
            Some(meaning) => meaning,
            None => Meaning::Surface(Surface::Centre),
        }
    }
}

/// A table as a teacher edits it.
#[derive(Clone, Debug, Default)]
pub struct Table {
    rows: Vec<(Row, Meaning)>,
}

#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    instrument: Option<String>,
    sound: Option<String>,
    key: Option<u8>,
    line: Option<String>,
    head: Option<String>,
    surface: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    note: Vec<Row>,
}

impl Table {
    /// Reads a table.
    ///
    /// # Errors
    /// If it is no such table: what, where, and the way out.
    pub fn parse(text: &str) -> Result<Table, String> {
        let file: File = toml::from_str(text).map_err(|e| {
            format!("{}\nhint: each kind of note is a `[[note]]` with `surface` and any of `instrument`, `sound`, `key`, `line`, `head`", e.to_string().trim_end())
        })?;
        let rows = file.note.into_iter().map(|row| {
            let meaning = match row.surface.as_str() {
                "leave" => Meaning::Left,
                word => Meaning::Surface(Surface::named(word).map_err(|e| format!("{e}, or `leave` to leave it out"))?),
            };
            Ok((row, meaning))
        });
        Ok(Table { rows: rows.collect::<Result<_, String>>()? })
    }

    /// What a kind of note is: the first row that fits it, else what is usual. What a row does not say fits everything.
    pub fn meaning(&self, sound: &Sound) -> Meaning {
        let same =
            |said: &Option<String>, is: &str| said.as_deref().is_none_or(|s| s.trim().eq_ignore_ascii_case(is.trim()));
        let fits = |row: &Row| {
            same(&row.instrument, &sound.instrument)
                && same(&row.sound, &sound.sound)
                && (row.key.is_none() || row.key == sound.key)
                && same(&row.line, &sound.line)
                && same(&row.head, &sound.head)
        };
        self.rows.iter().find(|(row, _)| fits(row)).map_or_else(|| sound.usual(), |(_, meaning)| *meaning)
    }

    /// The table of a score, to be edited and given back.
    pub fn text(sounds: &[(Sound, Meaning, usize)]) -> String {
        let mut out = String::from(
            "# What each kind of note is played on: centre, rim, click, pat, clap, or leave to leave it out.\n",
        );
        let word = |text: &str| toml::Value::String(text.to_owned()).to_string();
        for (sound, meaning, n) in sounds {
            let _ = write!(out, "\n[[note]] # {n} in the score\n");
            for (name, said) in [
                ("instrument", &sound.instrument),
                ("sound", &sound.sound),
                ("line", &sound.line),
                ("head", &sound.head),
            ] {
                if !said.is_empty() {
                    let _ = writeln!(out, "{name} = {}", word(said));
                }
            }
            if let Some(key) = sound.key {
                let _ = writeln!(out, "key = {key}");
            }
            let _ = writeln!(out, "surface = \"{}\"", meaning.word());
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sound(instrument: &str, sound: &str, key: Option<u8>, head: &str) -> Sound {
        Sound { instrument: instrument.into(), sound: sound.into(), key, line: "C5".into(), head: head.into() }
    }

    #[test]
    fn the_standards_own_names_say_the_surface() {
        let cases = [
            (sound("Acoustic Snare", "drum.snare-drum", Some(38), "normal"), "centre"),
            (sound("Acoustic Snare", "drum.snare-drum", Some(38), "x"), "rim"),
            (sound("", "", Some(37), "normal"), "rim"),
            (sound("", "", Some(39), "x"), "clap"),
            (sound("Hand Clap", "", None, "normal"), "clap"),
            (sound("", "wood.claves", None, "x"), "click"),
            (sound("Metronome", "", Some(33), "normal"), "leave"),
            (sound("", "", None, "x"), "rim"),
            (sound("Kazoo", "", None, "normal"), "centre"),
        ];
        for (sound, expected) in cases {
            assert_eq!(sound.usual().word(), expected, "{sound:?}");
        }
    }

    #[test]
    fn each_surface_as_we_write_it_is_known_again_by_each_of_its_signs() {
        for surface in Surface::ALL {
            let w = written(surface);
            let is = |s: Sound| assert_eq!(s.usual(), Meaning::Surface(surface), "{s:?}");
            is(sound(surface.word(), w.sound, Some(w.key), w.head));
            is(sound(surface.word(), "", None, w.head));
            is(sound("", "", Some(w.key), w.head));
        }
    }

    #[test]
    fn an_edited_table_goes_before_what_is_usual_and_says_what_is_wrong_in_it() {
        let snare = sound("Snare \"B\"", "drum.snare-drum", Some(38), "normal");
        let text = Table::text(&[(snare.clone(), snare.usual(), 24)]);
        assert_eq!(Table::parse(&text).unwrap().meaning(&snare), Meaning::Surface(Surface::Centre));
        let edited = Table::parse(&text.replace("\"centre\"", "\"pat\"")).unwrap();
        assert_eq!(edited.meaning(&snare), Meaning::Surface(Surface::Pat));
        assert_eq!(edited.meaning(&Sound { head: "x".into(), ..snare.clone() }), Meaning::Surface(Surface::Rim));
        let all = Table::parse("[[note]]\nsurface = \"leave\"\n").unwrap();
        assert_eq!(all.meaning(&snare), Meaning::Left);
        assert!(Table::parse("[[note]]\nsurface = \"bell\"\n").unwrap_err().contains("use centre, rim"));
        assert!(Table::parse("[[note]]\nsurfaces = \"rim\"\n").unwrap_err().contains("hint: each kind"));
    }
}
