//! Standard MIDI Files: [`Timeline`] -> a file that plays as the guide does, onset by onset; a file -> [`Score`].
//!
//! Out: one track, 960 ticks a quarter note, channel 10, markers where sections begin. Velocity follows from the guide's
//! amplitude a by a = (v / 127)², the curve of DLS Level 1 ("Downloadable Sounds", section 2.8: 40 log10(127 / v) decibels).
//!
//! In: each track and channel is a line. Times are brought to the nearest place of the coarsest cells that hold the bar.

use std::collections::BTreeMap;

use midly::num::{u4, u7, u15, u24, u28};
use midly::{Format, Header, MetaMessage, MidiMessage, Smf, Timing, TrackEvent, TrackEventKind};

use super::NotationError;
use super::line::{Event, Happens, Line, MOST_MEASURES, Measure, Score, playable};
use super::table::{Sound, written};
use crate::guide;
use crate::part::{Hands, Meter, Timeline, counts, pulse};
use crate::units::Ticks;

/// Says that a note lasts as long as it is written: what is silent after it is a rest.
const AS_WRITTEN: &[u8] = b"pailbeat: notes last as they are written";
/// General MIDI's channel of percussion, counted from 0.
const DRUMS: u8 = 9;
/// How far from its cell a note may lie, in cells: further than this it is no slip of the hand but another rhythm.
const ASTRAY: f64 = 0.25;
/// And in ticks, so that long cells do not swallow short notes.
const ASTRAY_TICKS: f64 = 60.0;

/// The file of a timeline.
pub(super) fn write(timeline: &Timeline) -> Vec<u8> {
    // Place, order at one place, what.
    let mut events: Vec<(Ticks, u8, TrackEventKind)> = Vec::new();
    let mut meta = |at: Ticks, order: u8, message| events.push((at, order, TrackEventKind::Meta(message)));
    meta(Ticks(0), 0, MetaMessage::TrackName(timeline.title.as_bytes()));
    meta(Ticks(0), 0, MetaMessage::Text(AS_WRITTEN));
    let per_quarter = (60e6 / timeline.bpm.get()).round() as u32;
    meta(Ticks(0), 0, MetaMessage::Tempo(u24::from(per_quarter.min(0xff_ffff))));
    let unit = timeline.meter.unit.max(1).ilog2() as u8;
    // A click every beat of 24 clocks a quarter, eight 32nds a quarter.
    let clocks = 96 / timeline.meter.unit.max(1);
    meta(Ticks(0), 0, MetaMessage::TimeSignature(timeline.meter.beats, unit, clocks, 8));
    for pass in &timeline.passes {
        if let Some(bar) = timeline.bars.get(pass.bars.start) {
            meta(bar.at, 1, MetaMessage::Marker(pass.section.as_bytes()));
        }
    }
    let all = 0..timeline.bars.len();
    for (j, gain) in guide::strokes(timeline, &all) {
        let Some(stroke) = timeline.strokes.get(j) else { continue };
        let next = timeline.strokes.get(j + 1).map_or(timeline.end(), |s| s.at);
        let silent = timeline.rests.iter().map(|r| r.from).find(|from| *from > stroke.at).unwrap_or(next);
        let key = u7::from(written(stroke.surface).key);
        let vel = u7::from((127.0 * gain.max(0.0).sqrt()).round().clamp(1.0, 127.0) as u8);
        let mut midi =
            |at, order, message| events.push((at, order, TrackEventKind::Midi { channel: u4::from(DRUMS), message }));
        midi(stroke.at, 3, MidiMessage::NoteOn { key, vel });
        midi(next.min(silent), 2, MidiMessage::NoteOff { key, vel: u7::from(0) });
    }
    events.push((timeline.end(), 4, TrackEventKind::Meta(MetaMessage::EndOfTrack)));
    events.sort_by_key(|(at, order, _)| (*at, *order));
    let mut before = Ticks(0);
    let track = events.into_iter().map(|(at, _, kind)| {
        let delta = u28::from(u32::try_from((at - before).0).unwrap_or(0).min(0xfff_ffff));
        before = at;
        TrackEvent { delta, kind }
    });
    let per_quarter = u15::from(u16::try_from(Ticks::PER_QUARTER).unwrap_or(960));
    let mut file = Smf::new(Header::new(Format::SingleTrack, Timing::Metrical(per_quarter)));
    file.tracks.push(track.collect());
    let mut out = Vec::new();
    // A vector takes everything.
    let _ = file.write(&mut out);
    out
}

/// A note of a line: where it begins and ends, in ticks of ours, not yet on any cell.
struct Raw {
    from: f64,
    to: f64,
    key: u8,
}

/// Reads a file.
pub(super) fn score(bytes: &[u8]) -> Result<Score, NotationError> {
    let unreadable = |why: String| NotationError::Unreadable(format!("it is not readable as MIDI: {why}"));
    let file = Smf::parse(bytes).map_err(|e| unreadable(e.to_string()))?;
    let per_quarter = match file.header.timing {
        Timing::Metrical(n) if n.as_int() > 0 => f64::from(n.as_int()),
        Timing::Metrical(_) => return Err(unreadable("a quarter note has no length in it".into())),
        Timing::Timecode(..) => {
            return Err(NotationError::NotAPart(
                "its times are frames of a film, not beats\nhint: save it with ticks a quarter note, or let pailbeat hear it as sound".into(),
            ));
        }
    };
    let mut out = Score { unfolded: true, ..Score::default() };
    let mut exact = false;
    let mut meters: Vec<(f64, Meter)> = Vec::new();
    let mut markers: Vec<(f64, String)> = Vec::new();
    let mut lines: BTreeMap<(usize, u8), (String, Vec<Raw>)> = BTreeMap::new();
    for (t, track) in file.tracks.iter().enumerate() {
        let mut name = String::new();
        let mut at = 0u64;
        let mut sounding: BTreeMap<(u8, u8), f64> = BTreeMap::new();
        for event in track {
            at += u64::from(event.delta.as_int());
            let here = at as f64 * Ticks::PER_QUARTER as f64 / per_quarter;
            match event.kind {
                TrackEventKind::Meta(MetaMessage::TrackName(said)) => {
                    name = words(said);
                    out.title.get_or_insert_with(|| name.clone());
                }
                TrackEventKind::Meta(MetaMessage::Text(said)) => exact |= said == AS_WRITTEN,
                TrackEventKind::Meta(MetaMessage::Tempo(n)) if out.bpm.is_none() && n.as_int() > 0 => {
                    // A whole number of microseconds stands for a tempo that people write with fewer figures.
                    out.bpm = Some((60e6 / f64::from(n.as_int()) * 100.0).round() / 100.0);
                }
                TrackEventKind::Meta(MetaMessage::TimeSignature(beats, unit, ..)) if unit < 8 => {
                    meters.push((here, Meter { beats, unit: 1 << unit }));
                }
                TrackEventKind::Meta(MetaMessage::Marker(said)) => markers.push((here, words(said))),
                TrackEventKind::Midi { channel, message } => {
                    let channel = channel.as_int();
                    let (key, on) = match message {
                        MidiMessage::NoteOn { key, vel } => (key.as_int(), vel.as_int() > 0),
                        MidiMessage::NoteOff { key, .. } => (key.as_int(), false),
                        _ => continue,
                    };
                    let line = lines.entry((t, channel)).or_default();
                    line.0.clone_from(&name);
                    if let Some(from) = sounding.remove(&(channel, key)) {
                        line.1.push(Raw { from, to: here, key });
                    }
                    if on {
                        sounding.insert((channel, key), here);
                    }
                }
                _ => {}
            }
        }
        for ((channel, key), from) in sounding {
            lines.entry((t, channel)).or_default().1.push(Raw { from, to: from, key });
        }
    }
    let first = meters.first().map_or(Meter { beats: 4, unit: 4 }, |m| m.1);
    if meters.is_empty() {
        out.notes.push("the file says no meter: it was read as 4/4".into());
    }
    if let Some((at, other)) = meters.iter().find(|m| m.1 != first) {
        return Err(NotationError::NotAPart(format!(
            "the meter changes from {}/{} to {}/{} after {:.0} bars, and a part has one meter\nhint: save the bars of one meter as a file of their own",
            first.beats,
            first.unit,
            other.beats,
            other.unit,
            at / first.bar().0.max(1) as f64
        )));
    }
    let first = playable(first)?;
    for ((_, channel), (name, mut notes)) in lines {
        notes.sort_by(|a, b| a.from.total_cmp(&b.from));
        let mut line = Line { name, percussion: channel == DRUMS, strokes: notes.len(), ..Line::default() };
        measures(&mut line, &notes, first, exact, &markers)?;
        out.lines.push(line);
    }
    Ok(out)
}

fn words(said: &[u8]) -> String {
    crate::part::decoded(said).map(std::borrow::Cow::into_owned).unwrap_or_default().trim().to_owned()
}

/// Notes laid on the cells of their bars.
fn measures(
    line: &mut Line,
    notes: &[Raw],
    meter: Meter,
    exact: bool,
    markers: &[(f64, String)],
) -> Result<(), NotationError> {
    let bar = meter.bar().0.max(1);
    let length = bar as f64;
    // A note that is a hair early belongs to the bar it is meant for.
    let early = ASTRAY_TICKS / 2.0;
    let bar_of = |t: f64| ((t + early) / length).floor().max(0.0) as usize;
    let count = notes.last().map_or(0, |n| bar_of(n.from) + 1);
    if count > MOST_MEASURES {
        return Err(NotationError::NotAPart(format!("it has {count} bars, and at most {MOST_MEASURES} are read")));
    }
    // On the cells: place, and the end as it is written.
    let mut placed: Vec<(Ticks, Ticks, usize)> = Vec::new();
    for (b, there) in notes.chunk_by(|a, b| bar_of(a.from) == bar_of(b.from)).map(|c| (bar_of(c[0].from), c)) {
        let from = (b as f64) * length;
        let ends = |n: &Raw| if exact && bar_of(n.to) == b { Some(n.to - from) } else { None };
        let places: Vec<f64> = there.iter().map(|n| n.from - from).chain(there.iter().filter_map(ends)).collect();
        // How far the places lie from cells of a length, and whether that is near enough.
        let near = |cell: i64, places: &[f64]| {
            let cell = cell as f64;
            let astray = places.iter().map(|p| (p - (p / cell).round() * cell).abs()).fold(0.0, f64::max);
            astray <= (ASTRAY * cell).min(if exact { 0.5 } else { ASTRAY_TICKS })
        };
        let one = counts(meter).into_iter().map(|n| bar / n).find(|cell| near(*cell, &places));
        // Where no cells fit the whole bar, those of each beat by itself.
        let pulse = pulse(meter).0;
        let of_beat = |t: f64| {
            let beat_of = |t: f64| ((t + early) / pulse as f64).floor() as i64;
            let there: Vec<f64> = places.iter().copied().filter(|p| beat_of(*p) == beat_of(t)).collect();
            let cells = counts(meter).into_iter().map(|n| bar / n).filter(|cell| pulse % cell == 0);
            cells.into_iter().find(|cell| near(*cell, &there))
        };
        for note in there {
            let Some(cell) = one.or_else(|| of_beat(note.from - from)) else {
                return Err(NotationError::NotAPart(format!(
                    "the notes of bar {} lie on no cells\nhint: let the program that made the file quantise it first",
                    b + 1
                )));
            };
            let at = ((note.from - from) / cell as f64).round() as i64 * cell;
            let sound = Sound { key: line.percussion.then_some(note.key), head: "normal".into(), ..Sound::default() };
            let kind = line.sound(&sound);
            placed.push((Ticks(b as i64 * bar + at), Ticks(note.to.round() as i64), kind));
        }
    }
    let count = placed.last().map_or(0, |p| p.0.0 / bar + 1);
    let beat = meter.beat().0.max(1);
    let mut out: Vec<Measure> = (0..count)
        .map(|b| Measure {
            number: (b + 1).to_string(),
            meter: Some(meter),
            len: Ticks(bar),
            rehearsal: markers
                .iter()
                .find(|m| bar_of(m.0) == b as usize)
                .map(|m| m.1.clone())
                .filter(|m| !m.is_empty()),
            ..Measure::default()
        })
        .collect();
    let mut add = |from: Ticks, to: Ticks, first: Happens, then: Happens| {
        let (mut at, mut what) = (from, first);
        while at < to {
            let b = at.0 / bar;
            let end = Ticks((b + 1) * bar).min(to);
            if let Some(measure) = usize::try_from(b).ok().and_then(|b| out.get_mut(b)) {
                measure.events.push(Event { at: at - Ticks(b * bar), len: end - at, what });
            }
            (at, what) = (end, then);
        }
    };
    let whole = Ticks(count * bar);
    if let Some((first, ..)) = placed.first() {
        // A bar that is silent before the first note is rests; what is before it in its own bar is its upbeat.
        let until = if exact { *first } else { Ticks(first.0 / bar * bar) };
        add(Ticks(0), until, Happens::Rest, Happens::Rest);
    }
    for (i, (at, to, kind)) in placed.iter().enumerate() {
        let next = placed[i + 1..].iter().map(|p| p.0).find(|t| t > at).unwrap_or(whole);
        // A drum's note says little by its length: it rings to the end of its beat, and only whole silent beats are rests.
        let end = if exact { *to } else { Ticks(((*to).max(*at + Ticks(1)).0 + beat - 1) / beat * beat) };
        let end = end.min(next).max(*at + Ticks(1));
        let hands = Hands::Either;
        if placed[..i].iter().rev().take_while(|p| p.0 == *at).next().is_some() {
            add(*at, *at + Ticks(1), Happens::Struck(*kind, hands), Happens::Held);
            continue;
        }
        add(*at, end, Happens::Struck(*kind, hands), Happens::Held);
        add(end, next, Happens::Rest, Happens::Rest);
    }
    line.measures = out;
    Ok(())
}
