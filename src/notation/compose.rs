//! One line of a score -> [`Part`]: measures to whole bars, repeats to signs or played out, rehearsal marks to sections, each
//! bar on the coarsest cells that hold it.

use super::line::{Event, Happens, Line, Measure, Score, playable};
use super::table::{Meaning, Table};
use super::write_xml::clean;
use super::{NotationError, Read};
use crate::part::{
    Act, Cell, Dynamic, Hands, MOST_BARS, Mark, Meter, Part, Repeat, Section, Surface, TempoRange, Timeline,
    WrittenBar, counts, parse, sustained,
};
use crate::units::{Bpm, Ticks};

/// The tempo of a score that says none: from memory, a walking pace.
const TEMPO: f64 = 80.0;
/// Longest name of a section that a rehearsal mark gives.
const LONGEST_NAME: usize = 24;
/// Longest run of bars that is looked for again right after itself, to be written once.
const LONGEST_FOLD: usize = 8;

/// The part that a line of a score is.
pub(super) fn part(score: &Score, line: Line, table: &Table) -> Result<Read, NotationError> {
    let mut notes = score.notes.clone();
    let meter = meter(&line.measures, &mut notes)?;
    let meanings: Vec<Meaning> = line.sounds.iter().map(|s| table.meaning(s)).collect();
    let counted = |k: usize| {
        line.measures
            .iter()
            .flat_map(|m| &m.events)
            .filter(|e| matches!(e.what, Happens::Struck(i, _) if i == k))
            .count()
    };
    let sounds: Vec<_> =
        line.sounds.iter().cloned().zip(&meanings).enumerate().map(|(k, (s, m))| (s, *m, counted(k))).collect();
    let whole = filled(line.measures, meter, &mut notes)?;
    let marks = swells(&whole, meter);
    let mut doubled = 0;
    let mut bars = Vec::new();
    for (measure, marks) in whole.iter().zip(&marks) {
        bars.push(shape(measure, marks, &meanings, meter, score.ours, &mut doubled));
    }
    if doubled > 0 {
        let times = if doubled == 1 { "once".to_owned() } else { format!("{doubled} times") };
        notes.push(format!(
            "{times} two surfaces sound at once, and a part has one: the first that is written was kept"
        ));
    }
    let (sections, form) = sections(&whole, &bars, score.unfolded, meter)?;
    let bpm = score.bpm.and_then(Bpm::new);
    if bpm.is_none() {
        notes.push(format!("the score says no tempo: {TEMPO} quarter notes a minute were put in"));
    }
    let start = bpm.unwrap_or(Bpm::clamped(TEMPO));
    let title = score.title.clone().map(|t| clean(&t)).filter(|t| !t.trim().is_empty());
    let read = Part {
        title: title.clone().unwrap_or_else(|| "untitled".into()),
        meter,
        range: TempoRange { start, goal: start },
        form,
        sections,
        warnings: Vec::new(),
    };
    let mut part = checked(&read)?;
    if let Some(own) = score.own.as_deref().and_then(|text| parse(text).ok()) {
        if same(&own, &part, title.as_deref()) {
            return Ok(Read { part: own, sounds, notes });
        }
        notes.push("the notes have been changed since pailbeat wrote them: the part was read from the notes".into());
        // What is not in the notes goes along.
        if part.range.start == own.range.start {
            part.range = own.range;
        }
        let unplayed = own.sections.iter().filter(|s| !own.form.contains(&s.name) && part.section(&s.name).is_none());
        part.sections.extend(unplayed.cloned().collect::<Vec<_>>());
        if own.meter == part.meter {
            part = checked(&part)?;
        }
    }
    Ok(Read { part, sounds, notes })
}

/// The part as its own text says it: one door for all parts.
fn checked(part: &Part) -> Result<Part, NotationError> {
    parse(&part.text()).map_err(|errors| {
        let said =
            errors.iter().take(3).map(|e| format!("{}\nhint: {}", e.message, e.hint)).collect::<Vec<_>>().join("\n");
        NotationError::NotAPart(format!("what was read makes no part: {said}"))
    })
}

/// Whether the notes still say what the part says that went along with them.
fn same(own: &Part, read: &Part, title: Option<&str>) -> bool {
    // A repeat played once is no sign in notation, and a title loses what XML cannot hold.
    let plain = |part: &Part| -> Option<Timeline> {
        let mut part = part.clone();
        part.title.clear();
        for section in &mut part.sections {
            section.repeats.retain(|r| r.times > 1);
        }
        let mut line = part.timeline(None, part.range.start).ok()?;
        line.range.goal = line.range.start;
        Some(line)
    };
    clean(&own.title).trim() == title.unwrap_or_default().trim() && plain(own).is_some() && plain(own) == plain(read)
}

/// The one meter of a line.
fn meter(measures: &[Measure], notes: &mut Vec<String>) -> Result<Meter, NotationError> {
    let Some(first) = measures.iter().find_map(|m| m.meter) else {
        notes.push("the score says no meter: it was read as 4/4".into());
        return Ok(Meter { beats: 4, unit: 4 });
    };
    match measures.iter().find(|m| m.meter.is_some_and(|x| x != first)) {
        None => playable(first),
        Some(other) => {
            let word = |m: Meter| format!("{}/{}", m.beats, m.unit);
            Err(NotationError::NotAPart(format!(
                "the meter changes from {} to {} at bar {}, and a part has one meter\nhint: in the notation program, save the bars of one meter as a score of their own",
                word(first),
                other.meter.map(word).unwrap_or_default(),
                other.number
            )))
        }
    }
}

/// Measures as whole bars: an upbeat gets its bar's beginning, halves of a bar are put together, what is short is filled up.
fn filled(measures: Vec<Measure>, meter: Meter, notes: &mut Vec<String>) -> Result<Vec<Measure>, NotationError> {
    let bar = meter.bar();
    let count = measures.len();
    let mut out: Vec<Measure> = Vec::new();
    // Where the bar that is being put together has come to.
    let mut open: Option<Ticks> = None;
    let mut short = Vec::new();
    for (i, mut measure) in measures.into_iter().enumerate() {
        if measure.len > bar {
            let quarters = |t: Ticks| (t.quarters() * 1000.0).round() / 1000.0;
            return Err(NotationError::NotAPart(format!(
                "bar {} lasts {} quarters, and a bar of {}/{} lasts {}\nhint: a part has bars of one length; mend the bar in the notation program",
                measure.number,
                quarters(measure.len),
                meter.beats,
                meter.unit,
                quarters(bar)
            )));
        }
        if let Some(from) = open.take() {
            let joins = from + measure.len <= bar && !measure.repeat_begins && measure.rehearsal.is_none();
            if let Some(before) = out.last_mut().filter(|b| joins && b.repeat_ends.is_none()) {
                shift(&mut measure, from);
                before.events.extend(measure.events);
                before.dynamics.extend(measure.dynamics);
                before.wedges.extend(measure.wedges);
                before.repeat_ends = measure.repeat_ends;
                before.len = from + measure.len;
                if before.len < bar {
                    open = Some(before.len);
                }
                continue;
            }
        }
        if measure.len.0 == 0 {
            measure.events.push(Event { at: Ticks(0), len: bar, what: Happens::Rest });
            measure.len = bar;
        } else if measure.len < bar && i == 0 && count > 1 {
            let upbeat = bar - measure.len;
            shift(&mut measure, upbeat);
            measure.len = bar;
        } else if measure.len < bar {
            open = Some(measure.len);
        }
        out.push(measure);
    }
    for (i, measure) in out.iter_mut().enumerate() {
        if measure.len < bar {
            // The last bar of a piece with an upbeat is short by custom.
            if i + 1 < count {
                short.push(measure.number.clone());
            }
            measure.events.push(Event { at: measure.len, len: bar - measure.len, what: Happens::Rest });
            measure.len = bar;
        }
    }
    if !short.is_empty() {
        let (which, is) = if short.len() == 1 { ("bar", "is") } else { ("bars", "are") };
        let named: Vec<String> = short.iter().take(5).cloned().collect();
        let more = if short.len() > 5 { " …" } else { "" };
        notes
            .push(format!("{which} {}{more} {is} shorter than the meter says: filled up with rests", named.join(", ")));
    }
    Ok(out)
}

fn shift(measure: &mut Measure, by: Ticks) {
    measure.events.iter_mut().for_each(|e| e.at = e.at + by);
    measure.dynamics.iter_mut().for_each(|d| d.0 = d.0 + by);
    measure.wedges.iter_mut().for_each(|w| w.0 = w.0 + by);
}

/// Dynamics at their places, and from where to where swells and fades go through a bar.
#[derive(Default)]
struct Marks {
    dynamics: Vec<(Ticks, Dynamic)>,
    swells: Vec<Through>,
}

/// A swell or fade as far as it goes through a bar.
struct Through {
    from: Ticks,
    to: Ticks,
    rising: bool,
    /// It begins here, and does not come from the bar before.
    begins: bool,
}

impl Marks {
    fn places(&self) -> impl Iterator<Item = Ticks> {
        self.dynamics.iter().map(|d| d.0).chain(self.swells.iter().flat_map(|s| [s.from, s.to]))
    }

    /// What a cell says: a dynamic goes before a swell that begins with it; what rings on in a swell needs no sign.
    fn of(&self, from: Ticks, len: Ticks, act: Act) -> Option<Mark> {
        let to = from + len;
        let dynamic = self.dynamics.iter().rev().find(|d| d.0 >= from && d.0 < to);
        let through = |s: &&Through| s.from < to && s.to > from && (act != Act::Ring || (s.begins && s.from >= from));
        let swell = self.swells.iter().find(through).map(|s| if s.rising { Mark::Swell } else { Mark::Fade });
        dynamic.map(|d| Mark::Dynamic(d.1)).or(swell)
    }
}

fn swells(measures: &[Measure], meter: Meter) -> Vec<Marks> {
    let mut running: Option<bool> = None;
    let bar = meter.bar();
    let mut out = Vec::new();
    for measure in measures {
        // A section begins anew.
        if measure.rehearsal.is_some() {
            running = None;
        }
        let mut marks = Marks { dynamics: measure.dynamics.clone(), swells: Vec::new() };
        let (mut from, mut begins) = (Ticks(0), false);
        let mut wedges = measure.wedges.clone();
        wedges.sort_by_key(|w| w.0);
        for (at, wedge) in wedges {
            if let Some(rising) = running.filter(|_| at > from) {
                marks.swells.push(Through { from, to: at, rising, begins });
            }
            (running, from, begins) = (wedge, at, true);
        }
        if let Some(rising) = running.filter(|_| from < bar) {
            marks.swells.push(Through { from, to: bar, rising, begins });
        }
        out.push(marks);
    }
    out
}

/// What is at a moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Sounds,
    Rests,
    Nothing,
}

/// A measure as a bar of a part: on cells of one length, and in rhythm words, each where it can be.
#[derive(Clone, Debug, PartialEq)]
struct Shape {
    cells: Option<WrittenBar>,
    words: Option<WrittenBar>,
    /// Where its music has its places.
    places: Vec<Ticks>,
}

fn shape(
    measure: &Measure,
    marks: &Marks,
    meanings: &[Meaning],
    meter: Meter,
    ours: bool,
    doubled: &mut usize,
) -> Shape {
    let length = meter.bar();
    let meaning = |k: usize| meanings.get(k).copied().unwrap_or(Meaning::Left);
    let mut strikes: Vec<(Ticks, Surface, Hands)> = Vec::new();
    for event in measure.events.iter().filter(|e| e.at < length) {
        let Happens::Struck(kind, hands) = event.what else { continue };
        let Meaning::Surface(surface) = meaning(kind) else { continue };
        match strikes.iter_mut().find(|s| s.0 == event.at) {
            None => strikes.push((event.at, surface, hands)),
            // Two notes of one surface are two hands.
            Some(there) if there.1 == surface => there.2 = Hands::Both,
            Some(_) => *doubled += 1,
        }
    }
    strikes.sort_by_key(|s| s.0);
    let covers = |e: &Event, at: Ticks| e.at <= at && at < e.at + e.len;
    let state = |at: Ticks| {
        let there = || measure.events.iter().filter(|e| covers(e, at));
        let sounds = |e: &Event| match e.what {
            Happens::Struck(k, _) => meaning(k) != Meaning::Left,
            Happens::Held => true,
            Happens::Rest => false,
        };
        if there().any(sounds) {
            State::Sounds
        } else if there().next().is_some() {
            State::Rests
        } else {
            State::Nothing
        }
    };
    // Where something begins, and where silence begins or ends.
    let mut edges: Vec<Ticks> =
        measure.events.iter().flat_map(|e| [e.at, e.at + e.len]).filter(|t| *t < length).collect();
    edges.push(Ticks(0));
    edges.sort_unstable();
    edges.dedup();
    let mut places: Vec<Ticks> = strikes.iter().map(|s| s.0).collect();
    for pair in edges.windows(2) {
        if (state(pair[0]) == State::Rests) != (state(pair[1]) == State::Rests) {
            places.push(pair[1]);
        }
    }
    places.sort_unstable();
    places.dedup();
    let fits = |n: i64, places: &[Ticks]| places.iter().all(|t| t.0 % (length.0 / n) == 0);
    let grid = |places: &[Ticks]| counts(meter).into_iter().find(|n| fits(*n, places));
    let at = |from: Ticks| match strikes.iter().find(|s| s.0 == from) {
        Some((_, surface, hands)) => Act::Strike(*surface, *hands),
        None if state(from) == State::Rests => Act::Rest,
        None => Act::Ring,
    };
    let cells = grid(&places).map(|music| {
        let all: Vec<Ticks> = places.iter().copied().chain(marks.places().filter(|t| *t < length)).collect();
        // A mark that stands a hair beside its note must not make every cell shorter.
        let n = grid(&all).filter(|n| ours || *n == music).unwrap_or(music);
        let len = Ticks(length.0 / n);
        let cell = |i| {
            let from = Ticks(len.0 * i);
            let act = at(from);
            Cell { from, len, act, mark: marks.of(from, len, act), said: None }
        };
        WrittenBar { cells: (0..n).map(cell).collect() }
    });
    let mut from = places.clone();
    from.push(Ticks(0));
    from.sort_unstable();
    from.dedup();
    let ends = from.iter().skip(1).copied().chain([length]);
    let spans: Vec<(Ticks, Ticks, Act)> =
        from.iter().zip(ends).map(|(from, to)| (*from, to - *from, at(*from))).collect();
    Shape { cells, words: words(&spans, marks), places }
}

const Q: i64 = Ticks::PER_QUARTER;

/// Spans of a bar in rhythm words; `None` where there is no word for one. In words nothing rings on.
fn words(spans: &[(Ticks, Ticks, Act)], marks: &Marks) -> Option<WrittenBar> {
    let mut cells: Vec<Cell> = Vec::new();
    let mut i = 0;
    while let Some(&(from, len, act)) = spans.get(i) {
        let mut add = |from: Ticks, len: i64, act: Act, said: &str| {
            let mark = marks.of(from, Ticks(len), act).filter(|_| act != Act::Rest);
            cells.push(Cell { from, len: Ticks(len), act, mark, said: Some(said.into()) });
            from + Ticks(len)
        };
        i += 1;
        match act {
            Act::Ring => return None,
            Act::Rest => {
                let mut at = from;
                while at < from + len {
                    at = match (from + len - at).0 {
                        left if left >= Q => add(at, Q, act, "sh"),
                        left if left >= Q / 2 => add(at, Q / 2, act, "ti"),
                        left if left >= Q / 4 => add(at, Q / 4, act, "ka"),
                        _ => return None,
                    };
                }
            }
            Act::Strike(..) => {
                let next = |k: usize| spans.get(k).filter(|s| s.1 == len && matches!(s.2, Act::Strike(..)));
                match len.0 {
                    n if 3 * n == Q => {
                        let (second, third) = (next(i)?, next(i + 1)?);
                        add(from, n, act, "tri");
                        add(second.0, n, second.2, "pl");
                        add(third.0, n, third.2, "et");
                        i += 2;
                    }
                    n if 4 * n == Q => match next(i) {
                        Some(second) => {
                            add(from, n, act, "ti");
                            add(second.0, n, second.2, "ka");
                            i += 1;
                        }
                        None => {
                            add(from, n, act, "ka");
                        }
                    },
                    n => {
                        add(from, n, act, sustained(len)?);
                    }
                }
            }
        }
    }
    Some(WrittenBar { cells })
}

fn misfit(measure: &Measure, Shape { places, .. }: &Shape, meter: Meter) -> NotationError {
    let finest = counts(meter).last().copied().unwrap_or(1).max(1);
    let beat = meter.beat().0.max(1) as f64;
    let off = places.iter().find(|t| t.0 % (meter.bar().0 / finest) != 0).or(places.last());
    let beat = off.map_or(1.0, |t| ((1.0 + t.0 as f64 / beat) * 100.0).round() / 100.0);
    NotationError::NotAPart(format!(
        "the rhythm of bar {} (at beat {beat}) has no cells and no rhythm words\nhint: a bar of a part is of quarters, eighths, triplets, sixteenths, sextuplets or thirty-seconds; write the bar more plainly in the notation program",
        measure.number
    ))
}

/// Measures of a section, by their numbers, with its repeat signs.
type Run = (Vec<usize>, Vec<Repeat>);

/// Sections and the form.
fn sections(
    measures: &[Measure],
    shapes: &[Shape],
    unfolded: bool,
    meter: Meter,
) -> Result<(Vec<Section>, Vec<String>), NotationError> {
    let heads: Vec<usize> = (0..measures.len()).filter(|i| *i == 0 || measures[*i].rehearsal.is_some()).collect();
    let head_of = |i: usize| heads.iter().rev().find(|h| **h <= i).copied().unwrap_or(0);
    let alike = |a: &usize, b: &usize| shapes[*a] == shapes[*b];
    let mut runs: Vec<(usize, Run)> = Vec::new();
    if let Some(repeats) = kept(measures) {
        for (k, from) in heads.iter().enumerate() {
            let to = heads.get(k + 1).copied().unwrap_or(measures.len());
            let inside = repeats.iter().filter(|r| (*from..to).contains(&r.bars.start));
            let inside = inside.map(|r| Repeat { bars: r.bars.start - from..r.bars.end - from, times: r.times });
            let bars: Vec<usize> = (*from..to).collect();
            runs.push((*from, if unfolded { folded(&bars, alike) } else { (bars, inside.collect()) }));
        }
    } else {
        // Going back inside a section stays in it.
        let mut before = None;
        for i in order(measures) {
            if before != Some(head_of(i)) {
                runs.push((head_of(i), (Vec::new(), Vec::new())));
            }
            before = Some(head_of(i));
            if let Some((_, run)) = runs.last_mut() {
                run.0.push(i);
            }
        }
        for (_, run) in &mut runs {
            *run = folded(&run.0, alike);
        }
    }
    let mut sections: Vec<Section> = Vec::new();
    let mut form = Vec::new();
    for (head, (bars, repeats)) in runs {
        let name = measures[head].rehearsal.as_deref().map_or_else(|| "A".into(), plain_name);
        let on_cells = bars.iter().all(|i| shapes[*i].cells.is_some());
        let written = bars.iter().map(|i| {
            let shape = &shapes[*i];
            let written = if on_cells { &shape.cells } else { &shape.words };
            written.clone().ok_or_else(|| {
                let off = bars.iter().find(|i| shapes[**i].cells.is_none()).unwrap_or(i);
                misfit(&measures[*off], &shapes[*off], meter)
            })
        });
        let mut section = Section {
            name: name.clone(),
            bars: written.collect::<Result<_, _>>()?,
            repeats,
            in_syllables: !on_cells,
            lesson: None,
        };
        let same = |s: &&Section| s.bars == section.bars && s.repeats == section.repeats;
        let known = sections.iter().filter(|s| s.name == name || s.name.starts_with(&format!("{name}-"))).find(same);
        if let Some(known) = known {
            form.push(known.name.clone());
            continue;
        }
        let mut k = 2;
        while sections.iter().any(|s| s.name == section.name) {
            section.name = format!("{name}-{k}");
            k += 1;
        }
        form.push(section.name.clone());
        sections.push(section);
    }
    Ok((sections, form))
}

/// A rehearsal mark as the name of a section.
fn plain_name(mark: &str) -> String {
    let words = mark.split(|c: char| c.is_whitespace() || c.is_control() || c == ',').filter(|w| !w.is_empty());
    let name: String = words.collect::<Vec<_>>().join("-").chars().take(LONGEST_NAME).collect();
    if name.is_empty() { "A".into() } else { name }
}

/// The repeats as signs, where each lies within a section and has no endings.
fn kept(measures: &[Measure]) -> Option<Vec<Repeat>> {
    if measures.iter().any(|m| !m.endings.is_empty()) {
        return None;
    }
    let mut out = Vec::new();
    let (mut from, mut opened) = (0, false);
    for (i, measure) in measures.iter().enumerate() {
        if measure.repeat_begins {
            if opened {
                return None;
            }
            (from, opened) = (i, true);
        }
        if let Some(times) = measure.repeat_ends {
            if measures[from + 1..=i].iter().any(|m| m.rehearsal.is_some()) || times > 99 {
                return None;
            }
            if times > 1 {
                out.push(Repeat { bars: from..i + 1, times });
            }
            (from, opened) = (i + 1, false);
        }
    }
    Some(out)
}

/// The measures in the order they are played: repeats and their endings, no jumps.
fn order(measures: &[Measure]) -> Vec<usize> {
    let most = 2 * MOST_BARS as usize;
    let mut out = Vec::new();
    let (mut i, mut from, mut time) = (0, 0, 1u32);
    while i < measures.len() && out.len() < most {
        let measure = &measures[i];
        // Past the last ending of a repeat the next may begin.
        let past_endings = measure.endings.is_empty() && i > 0 && !measures[i - 1].endings.is_empty();
        if i != from && (measure.repeat_begins || past_endings) {
            (from, time) = (i, 1);
        }
        if !measure.endings.is_empty() && !measure.endings.contains(&time) {
            i += 1;
            continue;
        }
        out.push(i);
        i += 1;
        let Some(times) = measure.repeat_ends else { continue };
        let times = if measure.endings.is_empty() {
            times.clamp(1, 99)
        } else {
            // The next time goes on as long as there is an ending for it.
            let of_repeat = measures[from..].iter().enumerate().take_while(|(k, m)| *k == 0 || !m.repeat_begins);
            of_repeat.flat_map(|(_, m)| &m.endings).max().copied().unwrap_or(1)
        };
        (i, from, time) = if time < times { (from, from, time + 1) } else { (i, i, 1) };
    }
    out
}

/// Equal bars right after each other are written once, with a repeat sign: the longest saving first, none inside another.
fn folded(bars: &[usize], alike: impl Fn(&usize, &usize) -> bool) -> Run {
    let (mut out, mut repeats) = (Vec::new(), Vec::new());
    let mut i = 0;
    while i < bars.len() {
        let mut best = (0, 1, 1);
        for len in 1..=LONGEST_FOLD.min((bars.len() - i) / 2) {
            let one = &bars[i..i + len];
            let again = |c: &&[usize]| c.iter().zip(one).all(|(a, b)| alike(a, b));
            let times = bars[i..].chunks_exact(len).take_while(again).take(99).count();
            let saved = len * (times - 1);
            if saved > best.0 {
                best = (saved, len, times);
            }
        }
        let (saved, len, times) = best;
        if saved > 0 {
            repeats.push(Repeat { bars: out.len()..out.len() + len, times: u32::try_from(times).unwrap_or(99) });
        }
        out.extend_from_slice(&bars[i..i + len]);
        i += len * times;
    }
    (out, repeats)
}
