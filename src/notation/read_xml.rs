//! MusicXML -> [`Score`], of whatever version, partwise or timewise.
//!
//! Only what sounds is looked at: notes, rests, ties, chords, repeats and endings, measure repeats, dynamics, wedges, rehearsal
//! marks, tempo. What has no place in a part is counted and told. Entities of the document's own are bounded by the reader
//! (roxmltree), nothing is fetched from elsewhere.

use std::collections::BTreeMap;

use roxmltree::{Document, Node, ParsingOptions};

use super::NotationError;
use super::line::{Event, Happens, Line, MOST_MEASURES, Measure, Score};
use super::table::Sound;
use super::write_xml::{FIELD, SOFTWARE};
use crate::part::{Dynamic, Hand, Hands, Meter};
use crate::units::Ticks;

/// A symphony has a tenth of so many elements and texts.
const MOST_NODES: u32 = 5_000_000;
/// Parts of a quarter note in which places are counted before they are ticks: 960 times 21, so that septuplets are exact too.
const FINE: i64 = Ticks::PER_QUARTER * 21;
/// A note longer than so many quarters is a slip.
const LONGEST: f64 = 10_000.0;

/// Reads a score.
pub(super) fn score(text: &str) -> Result<Score, NotationError> {
    let options = ParsingOptions { allow_dtd: true, nodes_limit: MOST_NODES, ..ParsingOptions::default() };
    let document = Document::parse_with_options(text.trim_start_matches('\u{feff}'), options)
        .map_err(|e| NotationError::Unreadable(format!("it is not readable as XML: {e}")))?;
    let root = document.root_element();
    let timewise = root.has_tag_name("score-timewise");
    if !timewise && !root.has_tag_name("score-partwise") {
        let found = root.tag_name().name();
        let hint = "save the score as MusicXML in the notation program";
        return Err(NotationError::Unreadable(format!("it is XML, but no MusicXML score (`{found}`)\nhint: {hint}")));
    }
    let mut out = Score { title: title(root), own: own(root), ours: ours(root), ..Score::default() };
    let mut passed = Passed::default();
    let mut marks: BTreeMap<usize, String> = BTreeMap::new();
    for listed in elements(root, "part-list").flat_map(|list| elements(list, "score-part")) {
        let id = listed.attribute("id").unwrap_or_default();
        let mut reader = Reader::new(listed);
        if timewise {
            for measure in elements(root, "measure").take(MOST_MEASURES) {
                if let Some(part) = elements(measure, "part").find(|p| p.attribute("id") == Some(id)) {
                    reader.measure(part, measure.attribute("number"), &mut out, &mut passed);
                }
            }
        } else if let Some(part) = elements(root, "part").find(|p| p.attribute("id") == Some(id)) {
            for measure in elements(part, "measure").take(MOST_MEASURES) {
                reader.measure(measure, measure.attribute("number"), &mut out, &mut passed);
            }
        }
        let line = reader.line;
        for (i, measure) in line.measures.iter().enumerate() {
            if let Some(name) = &measure.rehearsal {
                marks.entry(i).or_insert_with(|| name.clone());
            }
        }
        out.lines.push(line);
    }
    // A mark often stands over the uppermost line alone, and is meant for all.
    for line in &mut out.lines {
        for (i, measure) in line.measures.iter_mut().enumerate() {
            measure.rehearsal = marks.get(&i).cloned();
        }
    }
    out.notes = passed.told();
    Ok(out)
}

fn elements<'a, 'i>(node: Node<'a, 'i>, name: &'static str) -> impl Iterator<Item = Node<'a, 'i>> {
    node.children().filter(move |n| n.has_tag_name(name))
}

fn child<'a, 'i>(node: Node<'a, 'i>, name: &'static str) -> Option<Node<'a, 'i>> {
    elements(node, name).next()
}

fn text<'a>(node: Node<'a, '_>, name: &'static str) -> Option<&'a str> {
    child(node, name).and_then(|n| n.text()).map(str::trim).filter(|t| !t.is_empty())
}

fn title(root: Node) -> Option<String> {
    let work = child(root, "work").and_then(|w| text(w, "work-title"));
    work.or_else(|| text(root, "movement-title")).map(str::to_owned)
}

fn ours(root: Node) -> bool {
    let encoding = child(root, "identification").and_then(|i| child(i, "encoding"));
    encoding.is_some_and(|e| elements(e, "software").any(|s| s.text().is_some_and(|t| t.trim() == SOFTWARE)))
}

fn own(root: Node) -> Option<String> {
    let fields = child(child(root, "identification")?, "miscellaneous")?;
    let field = elements(fields, "miscellaneous-field").find(|f| f.attribute("name") == Some(FIELD))?;
    field.text().map(str::to_owned)
}

/// What has no place in a part, counted.
#[derive(Default)]
struct Passed {
    graces: usize,
    rolls: usize,
    jumps: usize,
}

impl Passed {
    fn told(&self) -> Vec<String> {
        let mut out = Vec::new();
        let mut add = |n: usize, one: &str, many: &str, why: &str| {
            if n > 0 {
                out.push(format!("{n} {} {why}", if n == 1 { one } else { many }));
            }
        };
        add(self.graces, "grace note", "grace notes", "left out: a part has no flams");
        add(self.rolls, "roll", "rolls", "read as single strokes");
        add(self.jumps, "jump", "jumps", "(da capo, segno, coda, fine) not followed: the bars are read as they stand");
        out
    }
}

struct Reader {
    line: Line,
    instruments: BTreeMap<String, Sound>,
    divisions: f64,
    meter: Option<Meter>,
    /// Measures that are written as a repeat of so many before them.
    repeating: Option<usize>,
    /// The times through in which measures are played now.
    ending: Vec<u32>,
}

impl Reader {
    fn new(listed: Node) -> Reader {
        let mut instruments: BTreeMap<String, Sound> = BTreeMap::new();
        for node in elements(listed, "score-instrument") {
            let sound = Sound {
                instrument: text(node, "instrument-name").unwrap_or_default().to_owned(),
                sound: text(node, "instrument-sound").unwrap_or_default().to_owned(),
                ..Sound::default()
            };
            instruments.insert(node.attribute("id").unwrap_or_default().to_owned(), sound);
        }
        let mut percussion = false;
        for node in elements(listed, "midi-instrument") {
            percussion |= text(node, "midi-channel") == Some("10");
            // Counted from 1.
            let key = text(node, "midi-unpitched").and_then(|t| t.parse::<u8>().ok()).and_then(|k| k.checked_sub(1));
            if let Some(sound) = instruments.get_mut(node.attribute("id").unwrap_or_default()) {
                sound.key = key;
            }
        }
        let name = text(listed, "part-name").unwrap_or_default().to_owned();
        let line = Line { name, percussion, ..Line::default() };
        Reader { line, instruments, divisions: 1.0, meter: None, repeating: None, ending: Vec::new() }
    }

    fn measure(&mut self, measure: Node, number: Option<&str>, score: &mut Score, passed: &mut Passed) {
        let index = self.line.measures.len();
        let mut out =
            Measure { number: number.map_or_else(|| (index + 1).to_string(), str::to_owned), ..Measure::default() };
        // Place of the next note and of the last one, and the furthest, in FINE parts.
        let (mut at, mut last, mut end) = (0i64, 0i64, 0i64);
        for node in measure.children().filter(Node::is_element) {
            match node.tag_name().name() {
                "attributes" => self.attributes(node),
                "note" => {
                    if child(node, "grace").is_some() {
                        passed.graces += usize::from(child(node, "chord").is_none());
                        continue;
                    }
                    // A bar's rest is as long as the bar, whatever it is counted as.
                    let bar = child(node, "rest").filter(|r| r.attribute("measure") == Some("yes")).and(self.meter);
                    let len = bar
                        .map_or_else(|| self.fine(text(node, "duration")), |m| m.bar().0 * (FINE / Ticks::PER_QUARTER));
                    let begins = if child(node, "chord").is_some() { last } else { at };
                    if child(node, "chord").is_none() {
                        last = at;
                        at = at.saturating_add(len);
                    }
                    end = end.max(at);
                    if child(node, "cue").is_none() {
                        self.note(node, ticks(begins), ticks(begins + len) - ticks(begins), &mut out, passed);
                    }
                }
                "backup" => at = (at - self.fine(text(node, "duration"))).max(0),
                "forward" => {
                    at = at.saturating_add(self.fine(text(node, "duration")));
                    end = end.max(at);
                }
                "direction" => {
                    let offset = text(node, "offset").and_then(|t| t.parse::<f64>().ok()).filter(|x| x.is_finite());
                    let offset = offset.map_or(0, |x| (x / self.divisions * FINE as f64) as i64);
                    self.direction(node, ticks(at.saturating_add(offset).max(0)), &mut out, score, passed);
                }
                "sound" => sounds(node, score, passed),
                "barline" => self.barline(node, &mut out),
                _ => {}
            }
        }
        out.meter = self.meter;
        out.len = ticks(end);
        if self.ending.is_empty() {
            // An ending that began and ended here has said so itself.
        } else if out.endings.is_empty() {
            out.endings.clone_from(&self.ending);
        }
        if let Some(before) = self.repeating.and_then(|n| index.checked_sub(n)).and_then(|i| self.line.measures.get(i))
        {
            (out.events, out.len) = (before.events.clone(), before.len);
            self.line.strokes += out.events.iter().filter(|e| matches!(e.what, Happens::Struck(..))).count();
        }
        self.line.measures.push(out);
    }

    /// A duration in FINE parts.
    fn fine(&self, duration: Option<&str>) -> i64 {
        let quarters = duration.and_then(|t| t.parse::<f64>().ok()).map(|d| d / self.divisions);
        let quarters = quarters.filter(|q| q.is_finite() && (0.0..LONGEST).contains(q)).unwrap_or(0.0);
        (quarters * FINE as f64).round() as i64
    }

    fn attributes(&mut self, node: Node) {
        if let Some(n) =
            text(node, "divisions").and_then(|t| t.parse::<f64>().ok()).filter(|n| n.is_finite() && *n > 0.0)
        {
            self.divisions = n;
        }
        if let Some(time) = child(node, "time") {
            // `3+2` is five; a second pair would be another meter in the same bar.
            let beats =
                text(time, "beats").and_then(|t| t.split('+').map(|n| n.trim().parse::<u8>().ok()).sum::<Option<u8>>());
            let unit = text(time, "beat-type").and_then(|t| t.parse::<u8>().ok());
            self.meter = beats.zip(unit).map(|(beats, unit)| Meter { beats, unit });
        }
        self.line.percussion |= elements(node, "clef").any(|c| text(c, "sign") == Some("percussion"));
        for style in elements(node, "measure-style").filter_map(|s| child(s, "measure-repeat")) {
            self.repeating = match style.attribute("type") {
                Some("start") => style.text().and_then(|t| t.trim().parse().ok()).filter(|n| *n > 0),
                _ => None,
            };
        }
    }

    fn note(&mut self, node: Node, at: Ticks, len: Ticks, out: &mut Measure, passed: &mut Passed) {
        let unpitched = child(node, "unpitched");
        self.line.percussion |= unpitched.is_some();
        let what = if child(node, "rest").is_some() {
            Happens::Rest
        } else if elements(node, "tie").any(|t| t.attribute("type") == Some("stop")) {
            Happens::Held
        } else {
            self.line.strokes += 1;
            let notations = || elements(node, "notations");
            let rolls = |n: Node| {
                n.descendants().any(|d| d.has_tag_name("tremolo") && d.attribute("type") != Some("unmeasured"))
            };
            passed.rolls += usize::from(notations().any(rolls));
            let sound = self.sound(node, unpitched);
            Happens::Struck(self.line.sound(&sound), hands(node))
        };
        out.events.push(Event { at, len, what });
    }

    fn sound(&self, node: Node, unpitched: Option<Node>) -> Sound {
        let named = child(node, "instrument").and_then(|n| n.attribute("id")).and_then(|id| self.instruments.get(id));
        let only = || self.instruments.values().next().filter(|_| self.instruments.len() == 1);
        let mut sound = named.or_else(only).cloned().unwrap_or_default();
        if sound.instrument.is_empty() {
            sound.instrument.clone_from(&self.line.name);
        }
        let place = |n: Node, step, octave| {
            format!("{}{}", text(n, step).unwrap_or_default(), text(n, octave).unwrap_or_default())
        };
        sound.line = match (unpitched, child(node, "pitch")) {
            (Some(n), _) => place(n, "display-step", "display-octave"),
            // Of a melody the rhythm alone is taken, so all its notes are of one kind.
            (None, Some(n)) if self.line.percussion => place(n, "step", "octave"),
            _ => String::new(),
        };
        sound.head = text(node, "notehead").unwrap_or("normal").to_owned();
        sound
    }

    fn direction(&mut self, node: Node, at: Ticks, out: &mut Measure, score: &mut Score, passed: &mut Passed) {
        for kind in elements(node, "direction-type").flat_map(|n| n.children()).filter(Node::is_element) {
            match kind.tag_name().name() {
                "rehearsal" => out.rehearsal = kind.text().map(|t| t.trim().to_owned()).filter(|t| !t.is_empty()),
                "dynamics" => {
                    out.dynamics.extend(kind.children().find_map(|n| dynamic(n.tag_name().name())).map(|d| (at, d)))
                }
                "wedge" => match kind.attribute("type") {
                    Some("crescendo") => out.wedges.push((at, Some(true))),
                    Some("diminuendo") => out.wedges.push((at, Some(false))),
                    Some("stop") => out.wedges.push((at, None)),
                    _ => {}
                },
                "metronome" if score.bpm.is_none() => score.bpm = metronome(kind),
                _ => {}
            }
        }
        for sound in elements(node, "sound") {
            sounds(sound, score, passed);
        }
    }

    fn barline(&mut self, node: Node, out: &mut Measure) {
        for repeat in elements(node, "repeat") {
            match repeat.attribute("direction") {
                Some("forward") => out.repeat_begins = true,
                Some("backward") => {
                    let times = repeat.attribute("times").and_then(|t| t.parse::<u32>().ok());
                    out.repeat_ends = Some(times.unwrap_or(2));
                }
                _ => {}
            }
        }
        for ending in elements(node, "ending") {
            let times = ending.attribute("number").unwrap_or_default().split([',', ' ']);
            let times: Vec<u32> =
                times.filter_map(|t| t.trim().parse().ok()).filter(|n| (1..=99).contains(n)).collect();
            match ending.attribute("type") {
                Some("start") => {
                    self.ending.clone_from(&times);
                    out.endings = times;
                }
                _ => {
                    if out.endings.is_empty() {
                        out.endings.clone_from(&self.ending);
                    }
                    self.ending.clear();
                }
            }
        }
    }
}

fn ticks(fine: i64) -> Ticks {
    Ticks((fine + FINE / Ticks::PER_QUARTER / 2).div_euclid(FINE / Ticks::PER_QUARTER))
}

fn sounds(node: Node, score: &mut Score, passed: &mut Passed) {
    if score.bpm.is_none() {
        score.bpm = node.attribute("tempo").and_then(|t| t.parse().ok());
    }
    passed.jumps += usize::from(["dacapo", "dalsegno", "tocoda", "fine"].iter().any(|a| node.has_attribute(*a)));
}

fn dynamic(name: &str) -> Option<Dynamic> {
    match name {
        "p" | "pp" | "ppp" | "pppp" | "ppppp" | "pppppp" => Some(Dynamic::Piano),
        "mp" | "mf" => Some(Dynamic::Mezzo),
        "f" | "ff" | "fff" | "ffff" | "fffff" | "ffffff" => Some(Dynamic::Forte),
        _ => None,
    }
}

/// Quarter notes a minute of a metronome mark.
fn metronome(node: Node) -> Option<f64> {
    let quarters = match text(node, "beat-unit")? {
        "whole" => 4.0,
        "half" => 2.0,
        "quarter" => 1.0,
        "eighth" => 0.5,
        "16th" => 0.25,
        _ => return None,
    };
    let dotted = if child(node, "beat-unit-dot").is_some() { 1.5 } else { 1.0 };
    let said = text(node, "per-minute")?.trim_start_matches(|c: char| !c.is_ascii_digit());
    let digits: String = said.chars().take_while(|c| c.is_ascii_digit() || *c == '.').collect();
    digits.parse::<f64>().ok().map(|n| n * quarters * dotted)
}

/// The sticking: as a fingering, or as a word sung.
fn hands(node: Node) -> Hands {
    let technical = elements(node, "notations").flat_map(|n| elements(n, "technical"));
    let fingers = technical.flat_map(|n| elements(n, "fingering")).filter_map(|n| n.text());
    let sung = elements(node, "lyric").filter_map(|n| text(n, "text"));
    (fingers.chain(sung))
        .find_map(|said| match said.trim() {
            "R" => Some(Hands::One(Hand::Right)),
            "L" => Some(Hands::One(Hand::Left)),
            "B" => Some(Hands::Both),
            _ => None,
        })
        .unwrap_or(Hands::Either)
}
