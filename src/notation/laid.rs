//! [`Part`] -> what is printed of it, bar after bar in the order of the form, repeats as signs: notes, rests and gaps with
//! their note values, ties, tuplets and beams; dynamics, swells; section letters.
//!
//! A stroke lasts as long as `.` lets it ring; a written rest is a rest; a `.` where nothing sounds is a gap, as the part has
//! it. Note values follow common practice: nothing hides a beat but what begins on one, and an off-beat note of a whole beat.

use crate::part::{Act, Dynamic, Hands, Mark, Meter, Part, Section, Surface, pulse};
use crate::units::Ticks;

const Q: i64 = Ticks::PER_QUARTER;
/// Shortest plain division of a quarter that a part has: a cell that is no multiple of it is of a tuplet.
const THIRTY_SECOND: i64 = Q / 8;

/// A plain note value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Value {
    /// Its length without dots, as if in no tuplet.
    pub(super) plain: Ticks,
    pub(super) dotted: bool,
}

impl Value {
    fn len(self) -> i64 {
        if self.dotted { self.plain.0 * 3 / 2 } else { self.plain.0 }
    }

    /// The word that MusicXML has for it.
    pub(super) fn word(self) -> &'static str {
        match Q * 4 / self.plain.0.max(1) {
            ..=1 => "whole",
            2 => "half",
            4 => "quarter",
            8 => "eighth",
            16 => "16th",
            _ => "32nd",
        }
    }

    /// How many beams it has.
    fn beams(self) -> usize {
        match Q * 4 / self.plain.0.max(1) {
            ..8 => 0,
            8 => 1,
            16 => 2,
            _ => 3,
        }
    }
}

/// All values, longest first.
fn values() -> impl Iterator<Item = Value> {
    let plain = (0..6).map(|k| Ticks((Q * 4) >> k));
    plain.flat_map(|plain| [Value { plain, dotted: true }, Value { plain, dotted: false }])
}

/// What a printed note is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum What {
    Strike(Surface, Hands),
    Rest,
    /// Nothing is written here and nothing sounds.
    Gap,
}

/// A tuplet a note stands in: so many in the time of so many of a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Tuplet {
    pub(super) actual: u8,
    pub(super) normal: u8,
    pub(super) unit: Value,
    pub(super) begins: bool,
    pub(super) ends: bool,
}

/// One beam of a note.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Beam {
    Begin,
    Continue,
    End,
    ForwardHook,
    BackwardHook,
}

impl Beam {
    pub(super) fn word(self) -> &'static str {
        match self {
            Beam::Begin => "begin",
            Beam::Continue => "continue",
            Beam::End => "end",
            Beam::ForwardHook => "forward hook",
            Beam::BackwardHook => "backward hook",
        }
    }
}

/// One note, rest or gap as printed.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Note {
    /// From the start of its bar.
    pub(super) at: Ticks,
    pub(super) len: Ticks,
    pub(super) what: What,
    /// `None` for a gap, and for a rest as long as the bar.
    pub(super) value: Option<Value>,
    pub(super) tuplet: Option<Tuplet>,
    /// It goes on with what sounded before.
    pub(super) tied_from: bool,
    /// It sounds on into the next.
    pub(super) tied_on: bool,
    pub(super) beams: Vec<Beam>,
    /// The syllable it is said on.
    pub(super) said: Option<String>,
}

/// What stands at a place of a bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Sign {
    SwellEnds,
    Dynamic(Dynamic),
    SwellBegins { rising: bool },
}

/// One bar as printed.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Bar {
    /// The section that begins here.
    pub(super) section: Option<String>,
    pub(super) notes: Vec<Note>,
    /// In order of place; at one place ends come first.
    pub(super) signs: Vec<(Ticks, Sign)>,
    pub(super) repeat_begins: bool,
    /// How often the repeat that ends here is played.
    pub(super) repeat_ends: Option<u32>,
    /// The last bar of its section.
    pub(super) section_ends: bool,
}

/// The form as printed.
pub(super) fn laid(part: &Part) -> Vec<Bar> {
    let mut out: Vec<Bar> = Vec::new();
    let mut sounding: Option<(Surface, Hands)> = None;
    for name in &part.form {
        let Some(section) = part.section(name) else { continue };
        let signs = signs(section);
        for (b, (written, signs)) in section.bars.iter().zip(signs).enumerate() {
            let mut bar = Bar { signs, ..Bar::default() };
            bar.section = (b == 0).then(|| name.clone());
            bar.section_ends = b + 1 == section.bars.len();
            // A repeat played once is none.
            let mut repeats = section.repeats.iter().filter(|r| r.times > 1);
            bar.repeat_begins = repeats.clone().any(|r| r.bars.start == b);
            bar.repeat_ends = repeats.find(|r| r.bars.end == b + 1).map(|r| r.times);
            // What rings on over a repeat sign has another note before it each time: it is not tied.
            if bar.repeat_begins || out.last().is_some_and(|before| before.repeat_ends.is_some()) {
                sounding = None;
            }
            let mut events: Vec<Note> = Vec::new();
            for cell in &written.cells {
                let what = match cell.act {
                    Act::Strike(surface, hands) => What::Strike(surface, hands),
                    Act::Rest => What::Rest,
                    Act::Ring => sounding.map_or(What::Gap, |(surface, hands)| What::Strike(surface, hands)),
                };
                let goes_on = cell.act == Act::Ring || (cell.act == Act::Rest && !section.in_syllables);
                match events.last_mut().filter(|last| goes_on && last.what == what) {
                    Some(last) => last.len = last.len + cell.len,
                    None => events.push(Note {
                        at: cell.from,
                        len: cell.len,
                        what,
                        value: None,
                        tuplet: None,
                        tied_from: cell.act == Act::Ring && what != What::Gap,
                        tied_on: false,
                        beams: Vec::new(),
                        said: cell.said.clone().filter(|_| matches!(cell.act, Act::Strike(..))),
                    }),
                }
                sounding = match cell.act {
                    Act::Strike(surface, hands) => Some((surface, hands)),
                    Act::Rest => None,
                    Act::Ring => sounding,
                };
            }
            let tied_from = events.first().is_some_and(|e| e.tied_from);
            let cells: Vec<(Ticks, Ticks)> = written.cells.iter().map(|c| (c.from, c.len)).collect();
            bar.notes = printed(&events, &cells, part.meter);
            if let Some(before) = out.last_mut().and_then(|bar: &mut Bar| bar.notes.last_mut()) {
                before.tied_on |= tied_from && matches!(before.what, What::Strike(..));
            }
            out.push(bar);
        }
    }
    for bar in &mut out {
        beam(&mut bar.notes, pulse(part.meter));
    }
    out
}

/// Dynamics, and where swells begin and end, bar by bar as written.
fn signs(section: &Section) -> Vec<Vec<(Ticks, Sign)>> {
    let mut out: Vec<Vec<(Ticks, Sign)>> = vec![Vec::new(); section.bars.len()];
    for (bar, signs) in section.bars.iter().zip(&mut out) {
        let dynamics = bar.cells.iter().filter_map(|c| match c.mark {
            Some(Mark::Dynamic(dynamic)) => Some((c.from, Sign::Dynamic(dynamic))),
            _ => None,
        });
        signs.extend(dynamics);
    }
    // Where a repeat begins with the sign written anew, the swell begins anew each time.
    let anew = |b: usize| {
        section.repeats.iter().any(|r| r.bars.start == b && r.times > 1)
            && section.bars[b].cells.first().is_some_and(|c| c.mark.is_some())
    };
    for swell in section.swells() {
        let mut from = swell.from;
        for b in (swell.from.0 + 1..=swell.to.0).filter(|b| anew(*b)) {
            let end = section.bars[b - 1].cells.last().map_or(Ticks(0), |c| c.from + c.len);
            out[from.0].push((from.1, Sign::SwellBegins { rising: swell.rising }));
            out[b - 1].push((end, Sign::SwellEnds));
            from = (b, Ticks(0));
        }
        out[from.0].push((from.1, Sign::SwellBegins { rising: swell.rising }));
        out[swell.to.0].push((swell.to.1, Sign::SwellEnds));
    }
    for signs in &mut out {
        signs.sort_by_key(|(at, sign)| (*at, *sign != Sign::SwellEnds));
    }
    out
}

/// Events of a bar as notes of plain values, tied together.
fn printed(events: &[Note], cells: &[(Ticks, Ticks)], meter: Meter) -> Vec<Note> {
    let chunks = tuplets(events, cells);
    let mut out: Vec<Note> = Vec::new();
    let bar = meter.bar();
    for event in events {
        if event.what == What::Gap || (event.what == What::Rest && event.len == bar) {
            out.push(event.clone());
            continue;
        }
        let (mut at, end) = (event.at, event.at + event.len);
        while at < end {
            let chunk = chunks.iter().find(|c| c.0 <= at && at < c.1);
            let next = chunks.iter().map(|c| c.0).filter(|from| *from > at).min().unwrap_or(bar);
            let piece_end = chunk.map_or(next, |c| c.1).min(end);
            let value = match chunk {
                Some(_) => in_tuplet(piece_end - at),
                None => plain(at, piece_end - at, meter, event.what == What::Rest),
            };
            let len = if chunk.is_some() { Ticks(value.len() * 2 / 3) } else { Ticks(value.len()) };
            let tuplet = chunk.map(|&(from, to, sixteenths)| Tuplet {
                actual: if sixteenths { 6 } else { 3 },
                normal: if sixteenths { 4 } else { 2 },
                unit: Value { plain: Ticks(if sixteenths { Q / 4 } else { Q / 2 }), dotted: false },
                begins: at == from,
                ends: at + len == to,
            });
            let sounds = matches!(event.what, What::Strike(..));
            out.push(Note {
                at,
                len,
                value: Some(value),
                tuplet,
                tied_from: sounds && (at > event.at || event.tied_from),
                tied_on: sounds && at + len < end,
                said: event.said.clone().filter(|_| at == event.at),
                ..event.clone()
            });
            at = at + len;
        }
    }
    out
}

/// The tuplets of a bar: from, to, and whether it has sixteenths. A tuplet is a quarter long; one in which nothing begins
/// between plain places is none.
fn tuplets(events: &[Note], cells: &[(Ticks, Ticks)]) -> Vec<(Ticks, Ticks, bool)> {
    let mut out = Vec::new();
    let mut from: Option<Ticks> = None;
    for &(at, len) in cells {
        if len.0 % THIRTY_SECOND == 0 {
            continue;
        }
        let begin = *from.get_or_insert(at);
        if (at + len - begin).0 < Q {
            continue;
        }
        let end = at + len;
        let inside = || events.iter().map(|e| (e.at - begin).0).filter(|d| *d > 0 && *d < Q);
        if inside().any(|d| d % THIRTY_SECOND != 0) {
            out.push((begin, end, inside().any(|d| d % (Q / 3) != 0)));
        }
        from = None;
    }
    out
}

/// The value of a piece of a tuplet: the largest that fits, two thirds of what it is called.
fn in_tuplet(len: Ticks) -> Value {
    let fits = |v: &Value| v.len() * 2 / 3 <= len.0;
    values().find(fits).unwrap_or(Value { plain: Ticks(Q / 4), dotted: false })
}

/// The longest value that may stand at a place without hiding a beat.
fn plain(at: Ticks, len: Ticks, meter: Meter, rest: bool) -> Value {
    let beat = pulse(meter).0;
    let compound = beat > Q;
    let inside = at.0 % beat;
    let may = |v: &Value| {
        let long = v.len();
        if long > len.0 {
            return false;
        }
        if rest {
            let aligned = at.0 % v.plain.0 == 0 && !v.dotted;
            let whole_beats = compound && inside == 0 && long % beat == 0;
            return whole_beats || (aligned && (inside + long <= beat || (!compound && inside == 0)));
        }
        match inside {
            0 => !compound || long <= beat || long % beat == 0,
            _ if inside + long <= beat => true,
            // Short, long, short.
            _ => !compound && 2 * inside == beat && long == beat && len.0 == beat,
        }
    };
    values().find(may).unwrap_or(Value { plain: Ticks(THIRTY_SECOND), dotted: false })
}

/// Joins the notes of a beat by beams.
fn beam(notes: &mut [Note], beat: Ticks) {
    let beams = |n: &Note| match n.what {
        What::Strike(..) => n.value.map_or(0, Value::beams),
        What::Rest | What::Gap => 0,
    };
    let mut from = 0;
    while from < notes.len() {
        let group = |n: &Note| n.at.0 / beat.0.max(1);
        let mut to = from + 1;
        // A beam goes over no edge of a tuplet.
        let edge = |a: &Note, b: &Note| a.tuplet.is_some() != b.tuplet.is_some() || b.tuplet.is_some_and(|t| t.begins);
        while beams(&notes[from]) > 0
            && to < notes.len()
            && beams(&notes[to]) > 0
            && group(&notes[to]) == group(&notes[from])
            && !edge(&notes[to - 1], &notes[to])
        {
            to += 1;
        }
        if to - from > 1 {
            let counts: Vec<usize> = notes[from..to].iter().map(beams).collect();
            for (i, note) in notes[from..to].iter_mut().enumerate() {
                note.beams = (1..=counts[i])
                    .map(|level| {
                        let before = i > 0 && counts[i - 1] >= level;
                        let after = counts.get(i + 1).is_some_and(|n| *n >= level);
                        match (before, after) {
                            (true, true) => Beam::Continue,
                            (true, false) => Beam::End,
                            (false, true) => Beam::Begin,
                            (false, false) if i == 0 => Beam::ForwardHook,
                            (false, false) => Beam::BackwardHook,
                        }
                    })
                    .collect();
            }
        }
        from = to;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::parse;

    fn bars(meter: &str, rows: &str) -> Vec<Bar> {
        let text = format!(
            "title = \"T\"\nmeter = \"{meter}\"\nbpm = {{ start = 60, goal = 60 }}\nform = \"A\"\n[sections.A]\n{rows}\n"
        );
        laid(&parse(&text).unwrap())
    }

    /// The notes of the first bar: value, dot, `r` for a rest, `_` where tied on, `/` where a tuplet ends.
    fn check(meter: &str, row: &str, expected: &str) {
        let bars = bars(meter, &format!("strokes = \"{row}\""));
        let said: Vec<String> = (bars[0].notes.iter())
            .map(|n| {
                let value = n.value.map_or("bar", Value::word);
                let dot = if n.value.is_some_and(|v| v.dotted) { "." } else { "" };
                let rest = match n.what {
                    What::Rest => "r",
                    What::Gap => "gap",
                    What::Strike(..) => "",
                };
                let tie = if n.tied_on { "_" } else { "" };
                let end = if n.tuplet.is_some_and(|t| t.ends) { "/" } else { "" };
                format!("{rest}{value}{dot}{tie}{end}")
            })
            .collect();
        assert_eq!(said.join(" "), expected, "{meter} {row}");
        let whole: i64 = bars[0].notes.iter().map(|n| n.len.0).sum();
        assert_eq!(whole, parse_meter(meter).bar().0);
    }

    fn parse_meter(meter: &str) -> Meter {
        let (beats, unit) = meter.split_once('/').unwrap();
        Meter { beats: beats.parse().unwrap(), unit: unit.parse().unwrap() }
    }

    // Worked by hand after common practice.
    #[test]
    fn bars_are_written_in_plain_values() {
        check("4/4", "oxx. o.x.", "eighth eighth quarter quarter quarter");
        check("4/4", "O.-- X.--", "quarter rquarter quarter rquarter");
        check("4/4", "x... ..--", "half. rquarter");
        check("4/4", "ox.x x..x", "eighth quarter eighth quarter. eighth");
        check("4/4", "o..x ..o.", "quarter. eighth_ quarter quarter");
        check("4/4", "---- | o", "rbar");
        check("4/4", "o--- ----", "eighth reighth rquarter rhalf");
        check("4/4", "..o. ....", "gapbar half.");
        check("4/4", "oox o.x ..o ---", "eighth eighth eighth/ quarter eighth_/ quarter eighth/ rquarter");
        check("4/4", "o.. x.. ox. ...", "quarter quarter eighth quarter_/ quarter");
        check("2/4", "oooooo o.o.o.", "16th 16th 16th 16th 16th 16th/ eighth eighth eighth/");
        check("6/8", "o.xo.x", "quarter eighth quarter eighth");
        check("6/8", "O.....", "half.");
        check("6/8", "x-----", "eighth reighth reighth rquarter.");
        check("6/8", "o.o.o.", "quarter eighth_ eighth quarter");
        check("3/4", "o.....", "half.");
        check("4/4", "o.xxx.o. ...x....", "eighth 16th 16th eighth eighth_ eighth. 16th_ quarter");
        check("5/8", "o.x..", "quarter quarter.");
    }

    #[test]
    fn beams_join_the_notes_of_a_beat() {
        let bars = bars("4/4", "strokes = \"oxxx o.xx x.-o oooo\"");
        let said: Vec<String> = (bars[0].notes.iter())
            .map(|n| n.beams.iter().map(|b| b.word().chars().next().unwrap()).collect::<String>())
            .collect();
        assert_eq!(said.join(" "), "bb cc cc ee b cb ee    bb cc cc ee");
    }

    #[test]
    fn swells_end_where_the_timeline_ends_them() {
        let bars = bars(
            "4/4",
            "strokes = \"o.o. o.o. | o.o. o.-- | o.o. oooo\"\nlevel = \"p.<. <.<. | <... .... | <>>. ...f\"",
        );
        let said: Vec<Vec<(i64, Sign)>> =
            bars.iter().map(|b| b.signs.iter().map(|(at, sign)| (at.0, *sign)).collect()).collect();
        use Sign::{Dynamic as D, SwellBegins as B, SwellEnds as E};
        assert_eq!(
            said,
            [
                vec![(0, D(Dynamic::Piano)), (960, B { rising: true })],
                vec![(960, E)],
                vec![
                    (0, B { rising: true }),
                    (480, E),
                    (480, B { rising: false }),
                    (1920, E),
                    (3360, D(Dynamic::Forte))
                ],
            ]
        );
    }
}
