//! [`Part`] -> MusicXML 4.0, partwise.
//!
//! One division is one of our ticks. The order of the elements is that of the schema (`musicxml.xsd`, version 4.0).

use std::borrow::Cow;

use quick_xml::Writer;
use quick_xml::events::{BytesDecl, BytesEnd, BytesStart, BytesText, Event};

use super::laid::{Bar, Note, Sign, What, laid};
use super::table::written;
use crate::part::{Dynamic, Hand, Hands, Part, Surface};
use crate::units::{Bpm, Ticks};

/// The field in which the text of the part file goes along.
pub(super) const FIELD: &str = "pailbeat-part";

/// What wrote a score.
pub(super) const SOFTWARE: &str = "pailbeat";

/// What XML has no place for, escaped or not (XML 1.0, section 2.2), taken out.
pub(super) fn clean(text: &str) -> String {
    let has_place = |c: &char| match c {
        '\n' | '\t' => true,
        '\u{fffe}' | '\u{ffff}' => false,
        c => !c.is_control(),
    };
    text.chars().filter(has_place).collect()
}

/// Elements written one after another; a vector takes everything, so nothing can fail.
struct Out(Writer<Vec<u8>>);

type Attributes<'a> = &'a [(&'a str, &'a str)];

impl Out {
    fn event(&mut self, event: Event) {
        let _ = self.0.write_event(event);
    }

    /// An element with others inside.
    fn within(&mut self, name: &str, attributes: Attributes, inside: impl FnOnce(&mut Out)) {
        self.event(Event::Start(BytesStart::new(name).with_attributes(attributes.iter().copied())));
        inside(self);
        self.event(Event::End(BytesEnd::new(name)));
    }

    fn empty(&mut self, name: &str, attributes: Attributes) {
        self.event(Event::Empty(BytesStart::new(name).with_attributes(attributes.iter().copied())));
    }

    fn text<'t>(&mut self, name: &str, attributes: Attributes, text: impl Into<Cow<'t, str>>) {
        let text = clean(&text.into());
        self.within(name, attributes, |out| out.event(Event::Text(BytesText::new(&text))));
    }

    fn number(&mut self, name: &str, number: impl ToString) {
        self.text(name, &[], number.to_string());
    }
}

/// The whole score, at a tempo.
pub(super) fn score(part: &Part, bpm: Bpm) -> Vec<u8> {
    let mut out = Out(Writer::new_with_indent(Vec::new(), b' ', 1));
    out.event(Event::Decl(BytesDecl::new("1.0", Some("UTF-8"), None)));
    out.event(Event::DocType(BytesText::from_escaped(
        "score-partwise PUBLIC \"-//Recordare//DTD MusicXML 4.0 Partwise//EN\" \"http://www.musicxml.org/dtds/partwise.dtd\"",
    )));
    let bars = laid(part);
    out.within("score-partwise", &[("version", "4.0")], |out| {
        out.within("work", &[], |out| out.text("work-title", &[], &part.title));
        out.within("identification", &[], |out| {
            out.within("encoding", &[], |out| {
                out.text("software", &[], SOFTWARE);
                out.empty("supports", &[("element", "beam"), ("type", "yes")]);
            });
            out.within("miscellaneous", &[], |out| {
                out.text("miscellaneous-field", &[("name", FIELD)], part.text());
            });
        });
        out.within("part-list", &[], |out| list(out, &bars));
        out.within("part", &[("id", "P1")], |out| {
            for (i, bar) in bars.iter().enumerate() {
                let last = i + 1 == bars.len();
                out.within("measure", &[("number", &(i + 1).to_string())], |out| {
                    measure(out, part, bar, i == 0, last, bpm)
                });
            }
        });
    });
    let mut bytes = out.0.into_inner();
    bytes.push(b'\n');
    bytes
}

fn instrument(surface: Surface) -> String {
    format!("P1-{}", surface.word())
}

/// The one part with an instrument for each surface that is played.
fn list(out: &mut Out, bars: &[Bar]) {
    let strikes = || {
        bars.iter().flat_map(|b| &b.notes).filter_map(|n| match n.what {
            What::Strike(surface, _) => Some(surface),
            What::Rest | What::Gap => None,
        })
    };
    let used: Vec<Surface> = Surface::ALL.into_iter().filter(|s| strikes().any(|x| x == *s)).collect();
    out.within("score-part", &[("id", "P1")], |out| {
        out.text("part-name", &[], "Bucket");
        for surface in &used {
            out.within("score-instrument", &[("id", &instrument(*surface))], |out| {
                out.text("instrument-name", &[], surface.word());
                out.text("instrument-sound", &[], written(*surface).sound);
            });
        }
        for surface in &used {
            out.within("midi-instrument", &[("id", &instrument(*surface))], |out| {
                out.number("midi-channel", 10);
                // Counted from 1 (MusicXML 4.0, `midi-unpitched`).
                out.number("midi-unpitched", written(*surface).key + 1);
            });
        }
    });
}

fn measure(out: &mut Out, part: &Part, bar: &Bar, first: bool, last: bool, bpm: Bpm) {
    if bar.repeat_begins {
        out.within("barline", &[("location", "left")], |out| {
            out.text("bar-style", &[], "heavy-light");
            out.empty("repeat", &[("direction", "forward")]);
        });
    }
    if first {
        out.within("attributes", &[], |out| {
            out.number("divisions", Ticks::PER_QUARTER);
            out.within("time", &[], |out| {
                out.number("beats", part.meter.beats);
                out.number("beat-type", part.meter.unit);
            });
            out.within("clef", &[], |out| out.text("sign", &[], "percussion"));
        });
        let tempo = bpm.get().to_string();
        out.within("direction", &[("placement", "above")], |out| {
            out.within("direction-type", &[], |out| {
                out.within("metronome", &[], |out| {
                    out.text("beat-unit", &[], "quarter");
                    out.text("per-minute", &[], tempo.as_str());
                });
            });
            out.empty("sound", &[("tempo", &tempo)]);
        });
    }
    let direction = |out: &mut Out, place: &str, offset: Ticks, inside: &dyn Fn(&mut Out)| {
        out.within("direction", &[("placement", place)], |out| {
            out.within("direction-type", &[], |out| inside(out));
            if offset.0 != 0 {
                out.number("offset", offset.0);
            }
        });
    };
    if let Some(name) = &bar.section {
        direction(out, "above", Ticks(0), &|out| out.text("rehearsal", &[], name));
    }
    if let Some(times) = bar.repeat_ends.filter(|n| *n > 2) {
        direction(out, "above", Ticks(0), &|out| out.text("words", &[], format!("{times} times")));
    }
    let sign = |out: &mut Out, offset: Ticks, sign: Sign| {
        direction(out, "below", offset, &|out| match sign {
            Sign::Dynamic(dynamic) => out.within("dynamics", &[], |out| {
                out.empty(
                    match dynamic {
                        Dynamic::Piano => "p",
                        Dynamic::Mezzo => "mf",
                        Dynamic::Forte => "f",
                    },
                    &[],
                );
            }),
            Sign::SwellBegins { rising } => {
                out.empty("wedge", &[("type", if rising { "crescendo" } else { "diminuendo" })]);
            }
            Sign::SwellEnds => out.empty("wedge", &[("type", "stop")]),
        });
    };
    let mut signs = bar.signs.iter().peekable();
    for n in &bar.notes {
        // A sign inside a long note stands before it, so many divisions on.
        while let Some((at, what)) = signs.next_if(|(at, _)| *at < n.at + n.len) {
            sign(out, *at - n.at, *what);
        }
        note(out, n);
    }
    for (_, what) in signs {
        sign(out, Ticks(0), *what);
    }
    let style = match bar.repeat_ends {
        Some(_) => Some("light-heavy"),
        None if last => Some("light-heavy"),
        None if bar.section_ends => Some("light-light"),
        None => None,
    };
    if let Some(style) = style {
        out.within("barline", &[("location", "right")], |out| {
            out.text("bar-style", &[], style);
            if let Some(times) = bar.repeat_ends {
                out.empty("repeat", &[("direction", "backward"), ("times", &times.to_string())]);
            }
        });
    }
}

fn note(out: &mut Out, n: &Note) {
    let (surface, hands) = match n.what {
        What::Gap => {
            out.within("forward", &[], |out| out.number("duration", n.len.0));
            return;
        }
        What::Rest => (None, Hands::Either),
        What::Strike(surface, hands) => (Some(surface), hands),
    };
    out.within("note", &[], |out| {
        match surface.map(written) {
            None if n.value.is_none() => out.empty("rest", &[("measure", "yes")]),
            None => out.empty("rest", &[]),
            Some(w) => out.within("unpitched", &[], |out| {
                out.text("display-step", &[], w.line.0.to_string());
                out.number("display-octave", w.line.1);
            }),
        }
        out.number("duration", n.len.0);
        let ties = [("stop", n.tied_from), ("start", n.tied_on)];
        for (word, _) in ties.iter().filter(|t| t.1) {
            out.empty("tie", &[("type", word)]);
        }
        if let Some(surface) = surface {
            out.empty("instrument", &[("id", &instrument(surface))]);
        }
        out.number("voice", 1);
        if let Some(value) = n.value {
            out.text("type", &[], value.word());
            if value.dotted {
                out.empty("dot", &[]);
            }
        }
        if let Some(t) = n.tuplet {
            out.within("time-modification", &[], |out| {
                out.number("actual-notes", t.actual);
                out.number("normal-notes", t.normal);
                out.text("normal-type", &[], t.unit.word());
            });
        }
        if let Some(w) = surface.map(written) {
            out.text("stem", &[], "up");
            if w.head != "normal" {
                out.text("notehead", &[], w.head);
            }
        }
        for (level, beam) in n.beams.iter().enumerate() {
            out.text("beam", &[("number", &(level + 1).to_string())], beam.word());
        }
        let hand = match hands {
            _ if n.tied_from => None,
            Hands::Either => None,
            Hands::One(Hand::Right) => Some("R"),
            Hands::One(Hand::Left) => Some("L"),
            Hands::Both => Some("B"),
        };
        let bracket = n.tuplet.filter(|t| t.begins || t.ends);
        if n.tied_from || n.tied_on || hand.is_some() || bracket.is_some() {
            out.within("notations", &[], |out| {
                for (word, _) in ties.iter().filter(|t| t.1) {
                    out.empty("tied", &[("type", word)]);
                }
                if let Some(t) = bracket {
                    // A piece as long as its tuplet would not be in one.
                    let word = if t.begins { "start" } else { "stop" };
                    out.empty("tuplet", &[("type", word), ("bracket", "yes")]);
                }
                if let Some(hand) = hand {
                    out.within("technical", &[], |out| out.text("fingering", &[("placement", "above")], hand));
                }
            });
        }
        if let Some(said) = n.said.as_deref().filter(|s| !s.is_empty()) {
            out.within("lyric", &[], |out| {
                out.text("syllabic", &[], "single");
                out.text("text", &[], said);
            });
        }
    });
}
