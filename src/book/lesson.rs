//! The newest takes of a class -> what is worth teaching to several again, with a picture of how it went for each; and the
//! one matter of a single child, in words.
//!
//! A *matter* is a topic at a place: a bar, a section, the way from one into the next, or all of it. One table ([`how`])
//! says how each kind of finding is taught. Nothing is made up where nothing is shared.

use std::collections::BTreeMap;

use super::Assigned;
use super::distil::{self, Distilled, Found};
use crate::assess::{Kind, Status};
use crate::part::Timeline;
use crate::report::page::class::{Again, HeardIn, Mini, Picture, Sign, Turn};
use crate::units::Ticks;

/// Matters on the class page.
const MATTERS: usize = 3;
/// So many pupils make a matter the class's: one child's slip is not.
const SEVERAL: usize = 2;
/// A finding less likely than this is not taught: the "likely" of IPCC guidance, as in `report`.
const LIKELY: f64 = 0.66;
/// More of the strokes than this not heard, and a take says nothing about being complete: with a tenth hidden a beginner's
/// two or three slips in a form of thirty strokes can all be among them. Rule of thumb.
const MUCH_UNHEARD: f64 = 0.1;
/// The tempo counts as the one asked for within this share: a beginner's wanders by some 5 %.
const NEAR_TEMPO: f64 = 0.07;

/// A pupil's newest take of a part, corrections laid over it.
pub(super) struct Newest {
    pub(super) pupil: String,
    pub(super) take: i64,
    pub(super) timeline: Timeline,
    pub(super) distilled: Distilled,
}

/// How a matter is seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Shown {
    /// In the bar, where the stroke stands too early or too late.
    Timing,
    /// In the bar, where a stroke is another or is not there.
    Strokes,
    /// In the order of the sections.
    Form(Turn),
    /// As a tempo that leaves the one it began with.
    Drift,
    /// As a tempo beside the one asked for.
    Tempo,
}

/// How a kind of finding is taught.
#[derive(Clone, Copy)]
struct Taught {
    topic: &'static str,
    /// What one child does,
    one: &'static str,
    /// and what several do.
    several: &'static str,
    shown: Shown,
}

/// How each kind of finding is taught. Those of one topic at one place are one matter.
const fn how(kind: Kind) -> Taught {
    let (topic, one, several, shown) = match kind {
        Kind::RestNotKept => ("the rest", "plays through the rest", "play through it", Shown::Strokes),
        Kind::EarlyReEntry => ("coming in after the rest", "comes in too early", "come in too early", Shown::Timing),
        Kind::LateReEntry => ("coming in after the rest", "comes in late", "come in late", Shown::Timing),
        Kind::JoinGap => ("going on in time", "stops before going on", "stop before going on", Shown::Timing),
        Kind::JoinRushed => ("going on in time", "goes on too early", "go on too early", Shown::Timing),
        Kind::WrongSurface => ("the surface", "plays another surface", "play another surface", Shown::Strokes),
        Kind::StrokesMissing => ("every stroke", "leaves strokes out", "leave strokes out", Shown::Strokes),
        Kind::RepeatExtra => {
            ("how often", "plays it once too often", "play it once too often", Shown::Form(Turn::TooOften))
        }
        Kind::RepeatMissing => ("how often", "leaves out a repeat", "leave out a repeat", Shown::Form(Turn::LeftOut)),
        Kind::SectionSkipped => ("nothing left out", "leaves it out", "leave it out", Shown::Form(Turn::LeftOut)),
        Kind::Restarted => {
            ("going on after a slip", "goes back and begins again", "go back and begin again", Shown::Form(Turn::Fault))
        }
        Kind::Paused => ("going on without a stop", "stops in the middle", "stop in the middle", Shown::Timing),
        Kind::StartedLate => ("where to begin", "begins only here", "begin only here", Shown::Form(Turn::Fault)),
        Kind::Lost => ("finding the way", "loses the place", "lose their place", Shown::Form(Turn::Fault)),
        Kind::TempoApart => ("the tempo asked for", "plays at another tempo", "play at another tempo", Shown::Tempo),
        Kind::Rushing => ("keeping the tempo", "gets faster", "get faster", Shown::Drift),
        Kind::Dragging => ("keeping the tempo", "gets slower", "get slower", Shown::Drift),
        Kind::UnevenHands => ("even hands", "plays the hands unevenly", "play the hands unevenly", Shown::Timing),
        Kind::NotTogether => {
            ("both hands together", "plays one hand after the other", "play one hand after the other", Shown::Timing)
        }
        Kind::LevelFlat => (
            "louder and softer",
            "plays all of it equally loud",
            "play all of it equally loud",
            Shown::Form(Turn::Fault),
        ),
    };
    Taught { topic, one, several, shown }
}

/// Where a matter is.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Place {
    /// From a section into the next.
    Join(String, String),
    /// Bars of a section, the first and the last.
    Bars(String, u32, u32),
    /// A section.
    Section(String),
    /// All of it.
    All,
}

impl Place {
    fn of(timeline: &Timeline, f: &Found) -> Place {
        let Some(section) = f.section.clone() else { return Place::All };
        let joins = distil::at_join(f.kind);
        if let Some(before) = joins.then(|| before(timeline, f)).flatten() {
            return Place::Join(before, section);
        }
        // How often a section is played concerns all of it.
        let all = joins || matches!(how(f.kind).shown, Shown::Form(Turn::LeftOut | Turn::TooOften));
        let bars = pass_of(timeline, f).and_then(|at| timeline.passes.get(at)).map_or(0, |p| p.bars.len());
        match (f.bar, f.to_bar) {
            (Some(1), Some(last)) if last as usize >= bars => Place::Section(section),
            (Some(bar), last) if !all => Place::Bars(section, bar, last.unwrap_or(bar)),
            _ => Place::Section(section),
        }
    }

    /// The section that is taught.
    fn section(&self) -> Option<&str> {
        match self {
            Place::Join(_, section) | Place::Bars(section, ..) | Place::Section(section) => Some(section),
            Place::All => None,
        }
    }

    /// Its order in the form: what concerns all of it comes first.
    fn order(&self, form: &[String]) -> (usize, u32) {
        let first = |section: &str| form.iter().position(|s| s == section).map_or(usize::MAX, |k| k + 1);
        match self {
            Place::All => (0, 0),
            Place::Section(section) | Place::Join(_, section) => (first(section), 0),
            Place::Bars(section, bar, _) => (first(section), *bar),
        }
    }

    fn words(&self) -> Option<String> {
        match self {
            Place::Join(before, after) if before == after => Some(format!("From {before} to {after} again")),
            Place::Join(before, after) => Some(format!("From {before} into {after}")),
            Place::Bars(section, bar, last) if bar == last => Some(format!("{section}, bar {bar}")),
            Place::Bars(section, bar, last) => Some(format!("{section}, bars {bar} to {last}")),
            Place::Section(section) => Some(section.clone()),
            Place::All => None,
        }
    }

    /// `A, bar 4: the rest`, `Keeping the tempo`.
    fn titled(&self, said: &str) -> String {
        self.words().map_or_else(|| crate::english::capital(said), |place| format!("{place}: {said}"))
    }
}

/// What several have in common, the three commonest; of equally many the one that comes first in the form.
pub(super) fn again(current: &Assigned, newest: &[Newest]) -> Vec<Again> {
    let form: Vec<String> = current.form.split_whitespace().map(str::to_owned).collect();
    let mut matters: BTreeMap<(&str, Place), Vec<(&Newest, &Found)>> = BTreeMap::new();
    for one in newest {
        for f in one.distilled.findings.iter().filter(|f| f.confidence >= LIKELY) {
            let who = matters.entry((how(f.kind).topic, Place::of(&one.timeline, f))).or_default();
            if who.last().is_none_or(|(other, _)| !std::ptr::eq(*other, one)) {
                who.push((one, f));
            }
        }
    }
    let least = SEVERAL.min(newest.len());
    let mut rows: Vec<_> = matters.into_iter().filter(|(_, who)| who.len() >= least).collect();
    rows.sort_by(|((_, a), x), ((_, b), y)| y.len().cmp(&x.len()).then_with(|| a.order(&form).cmp(&b.order(&form))));
    rows.truncate(MATTERS);
    rows.into_iter().map(|((topic, place), who)| matter(current, topic, &place, &who, newest.len())).collect()
}

fn matter(current: &Assigned, topic: &str, place: &Place, who: &[(&Newest, &Found)], all: usize) -> Again {
    // The same sentence of all of them: the section left out, or played so often instead of so often.
    let whole = who.iter().map(|(one, f)| whole(&one.timeline, f)).reduce(|a, b| if a == b { a } else { None });
    let section = place.section().and_then(|s| current.part.section(s));
    Again {
        title: whole.flatten().unwrap_or_else(|| place.titled(topic)),
        says: in_common(who, all),
        lesson: section.and_then(|s| s.lesson.clone()),
        pupils: who.iter().map(|(one, _)| one.pupil.clone()).collect(),
        minis: who.iter().filter_map(|(one, f)| mini(one, f)).collect(),
        heard: who.iter().map(|(one, f)| heard(one, f)).collect(),
    }
}

/// `3 of 5 come in late, 1 comes in too early`.
fn in_common(who: &[(&Newest, &Found)], all: usize) -> String {
    let mut kinds: Vec<(Kind, usize)> = Vec::new();
    for (_, f) in who {
        match kinds.iter_mut().find(|(kind, _)| *kind == f.kind) {
            Some((_, n)) => *n += 1,
            None => kinds.push((f.kind, 1)),
        }
    }
    kinds.sort_by_key(|(_, n)| std::cmp::Reverse(*n));
    let said = kinds.iter().enumerate().map(|(k, (kind, n))| {
        let how = how(*kind);
        let does = if *n == 1 { how.one } else { how.several };
        if k == 0 { format!("{n} of {all} {does}") } else { format!("{n} {does}") }
    });
    said.collect::<Vec<_>>().join(", ")
}

/// The one matter of a take in words, and whether it is a fault. A take says that all is as written only where enough of it
/// was heard.
pub(super) fn one_matter(one: &Newest) -> (String, bool) {
    let d = &one.distilled;
    if let Some(f) = d.findings.iter().find(|f| f.confidence >= LIKELY) {
        return (in_words(&one.timeline, f), true);
    }
    let count = |status: Status| d.marks.iter().filter(|m| m.status == status).count();
    let (unheard, missed, elsewhere) = (count(Status::NotHeard), count(Status::Missed), count(Status::WrongSurface));
    let reached = d.marks.len() - count(Status::NotReached);
    if reached == 0 {
        return ("hardly a stroke of it was heard".into(), true);
    }
    if unheard as f64 > MUCH_UNHEARD * reached as f64 {
        return (format!("{unheard} of {reached} strokes could not be heard: record it nearer the bucket"), true);
    }
    if let Some(bpm) = d.bpm.filter(|b| (b.get() / one.timeline.bpm.get() - 1.0).abs() > NEAR_TEMPO) {
        let way = if bpm.get() < one.timeline.bpm.get() { "slower" } else { "faster" };
        return (format!("plays it {way} than asked"), true);
    }
    let strokes = |n: usize| if n == 1 { "1 stroke".to_owned() } else { format!("{n} strokes") };
    let slips = [(missed, "missing"), (elsewhere, "on another surface"), (d.marks.len() - reached, "not reached")];
    let slips = slips.into_iter().filter(|(n, _)| *n > 0).enumerate();
    let slips: Vec<String> = slips
        .map(|(k, (n, what))| if k == 0 { format!("{} {what}", strokes(n)) } else { format!("{n} {what}") })
        .collect();
    if slips.is_empty() { ("plays it as written".into(), false) } else { (slips.join(", "), true) }
}

/// A finding as a matter of one child: `A, bar 4: plays through the rest`.
fn in_words(timeline: &Timeline, f: &Found) -> String {
    let how = how(f.kind);
    if let Some(whole) = whole(timeline, f) {
        return whole;
    }
    let does = match (how.shown, f.size.round()) {
        (Shown::Drift, percent) if f.unit == "percent" => format!("{} by {:.0} %", how.one, percent.abs()),
        (Shown::Tempo, bpm) => format!("plays at {bpm:.0}, asked {:.0}", timeline.bpm.get()),
        (_, n) if f.kind == Kind::StrokesMissing && n >= 1.0 => {
            format!("leaves out {n:.0} stroke{}", if n < 2.0 { "" } else { "s" })
        }
        _ => how.one.to_owned(),
    };
    let place = Place::of(timeline, f);
    place.words().map_or(does.clone(), |place| format!("{place}: {does}"))
}

/// The section played before the pass a finding speaks of.
fn before(timeline: &Timeline, f: &Found) -> Option<String> {
    // Without a pass it could be any; then the way into the section is all that is known.
    f.pass?;
    let at = pass_of(timeline, f)?;
    timeline.passes.get(at.checked_sub(1)?).map(|p| p.section.clone())
}

fn pass_of(timeline: &Timeline, f: &Found) -> Option<usize> {
    timeline.passes.iter().position(|p| Some(&p.section) == f.section.as_ref() && f.pass.is_none_or(|n| n == p.number))
}

/// A matter of the form as a sentence: the section is left out, played too often or not often enough. `None` where it is
/// only some bars of it, or another matter.
fn whole(timeline: &Timeline, f: &Found) -> Option<String> {
    let at = pass_of(timeline, f)?;
    let bars = timeline.passes.get(at)?.bars.clone();
    let section = &timeline.passes.get(at)?.section;
    // Bars with repeats of their own inside: some of them may be what is missing.
    let inner = timeline.bars.get(bars.clone()).unwrap_or_default().iter().any(|b| b.repeat.is_some());
    let all = f.size.round().max(0.0) as usize;
    if f.kind == Kind::SectionSkipped && all >= bars.len() {
        return Some(format!("{section} is left out"));
    }
    if inner || all != bars.len() {
        return None;
    }
    // How often it is to be played in a row there.
    let same = |p: &&crate::part::Pass| p.section == *section;
    let before = timeline.passes.get(..at)?.iter().rev().take_while(same).count();
    let asked = before + timeline.passes.get(at..)?.iter().take_while(same).count();
    let played = match f.kind {
        Kind::RepeatExtra => asked + 1,
        Kind::RepeatMissing if asked > 1 => asked - 1,
        _ => return None,
    };
    Some(format!("{section} is played {} instead of {}", times(played), times(asked)))
}

/// `once`, `twice`, `3 times`.
fn times(n: usize) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

/// A picture of a finding; `None` where nothing would be seen in it.
fn mini(one: &Newest, f: &Found) -> Option<Mini> {
    let how = how(f.kind);
    let asked = one.timeline.bpm.get();
    let picture = match how.shown {
        Shown::Form(turn) => form(one, f, turn)?,
        Shown::Drift => Picture::Drift(if f.kind == Kind::Dragging { -f.size.abs() } else { f.size.abs() }),
        Shown::Tempo => Picture::Tempo { asked, played: one.distilled.bpm?.get() },
        Shown::Timing | Shown::Strokes => bars(one, f, how.shown == Shown::Timing)?,
    };
    Some(Mini { pupil: one.pupil.clone(), picture })
}

/// Where in a take it is to be heard.
fn heard(one: &Newest, f: &Found) -> HeardIn {
    let bars = pass_of(&one.timeline, f).and_then(|at| one.timeline.passes.get(at)).map(|pass| {
        let first = pass.bars.start + f.bar.unwrap_or(1).saturating_sub(1) as usize;
        let last = pass.bars.start + f.to_bar.or(f.bar).unwrap_or(1).saturating_sub(1) as usize;
        // A join begins in the bar before.
        let from = if distil::at_join(f.kind) { first.saturating_sub(1) } else { first };
        from..(last + 1).min(pass.bars.end).max(from + 1)
    });
    HeardIn { pupil: one.pupil.clone(), take: one.take, bars }
}

/// The sections in the order of the form, with what became of the one a finding speaks of.
fn form(one: &Newest, f: &Found, turn: Turn) -> Option<Picture> {
    let at = pass_of(&one.timeline, f)?;
    let mut out = Vec::new();
    for (k, pass) in one.timeline.passes.iter().enumerate() {
        let here = k == at;
        out.push((pass.section.clone(), if here && turn != Turn::TooOften { turn } else { Turn::Played }));
        if here && turn == Turn::TooOften {
            out.push((pass.section.clone(), turn));
        }
    }
    Some(Picture::Form(out))
}

/// The bar of a finding; for a join the bar before it as well.
fn bars(one: &Newest, f: &Found, timing: bool) -> Option<Picture> {
    let t = &one.timeline;
    let pass = pass_of(t, f).and_then(|p| t.passes.get(p))?;
    let wrong = |bar: usize| {
        let strokes = t.bars.get(bar).map_or(0..0, |b| b.strokes.clone());
        let marks = one.distilled.marks.get(strokes).unwrap_or_default();
        marks.iter().any(|m| matches!(m.status, Status::WrongSurface | Status::Missed))
    };
    let said = pass.bars.start + f.bar.unwrap_or(1).saturating_sub(1) as usize;
    // Of several bars the first in which it is seen.
    let seen = f.to_bar.filter(|_| !timing).and_then(|_| pass.bars.clone().find(|bar| wrong(*bar)));
    let bar = seen.unwrap_or(said).min(pass.bars.end.saturating_sub(1));
    let here = t.bars.get(bar)?;
    let length = t.meter.bar();
    let join = distil::at_join(f.kind) && here.at >= length;
    let from = if join { here.at - length } else { here.at };
    let to = here.at + length;
    let at = |tick: Ticks| (tick - from).0 as f64 / (to - from).0.max(1) as f64;
    let rests = t.rests.iter().filter(|r| r.to > from && r.from < to);
    let rests = rests.map(|r| (at(r.from.max(from)), at(r.to.min(to)))).collect();
    let beat = |k: usize| f.beat.is_none_or(|b| (b - t.beat(k)).abs() < 0.3);
    let mut marks = Vec::new();
    for (k, (stroke, mark)) in t.strokes.iter().zip(&one.distilled.marks).enumerate() {
        if stroke.at < from || stroke.at >= to {
            continue;
        }
        let sign = match mark.status {
            Status::Missed => Sign::Missed,
            Status::NotHeard | Status::NotReached => continue,
            Status::WrongSurface if !timing => Sign::Fault,
            Status::Played | Status::WrongSurface if timing && stroke.at >= here.at && (join || beat(k)) => Sign::Fault,
            Status::Played | Status::WrongSurface => Sign::Played,
        };
        marks.push((at(stroke.at), mark.late.map_or(0.0, |l| l.millis()), sign));
    }
    let in_rests = one.distilled.in_rests.iter().filter(|x| **x >= from && **x < to);
    marks.extend(in_rests.map(|x| (at(*x), 0.0, Sign::InRest)));
    let seen = |sign: &Sign| match sign {
        Sign::Played | Sign::Fault | Sign::InRest => true,
        Sign::Missed => !timing,
    };
    let shows = marks.iter().any(|m| seen(&m.2));
    shows.then(|| Picture::Bars { marks, rests, bars: if join { vec![at(here.at)] } else { Vec::new() }, join })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::parse;
    use crate::units::Bpm;

    const PART: &str = "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 90 }\nform = \"A A B A\"\n\
                        [sections.A]\nstrokes = \"o.x. o.-- | o.x. o.x. \"\n[sections.B]\nstrokes = \"xxoo xxoo \"\n";

    fn finding(kind: Kind, section: Option<&str>, pass: Option<u32>, bar: u32) -> Found {
        Found {
            kind,
            section: section.map(str::to_owned),
            pass,
            bar: Some(bar),
            to_bar: None,
            beat: Some(1.0),
            size: 12.0,
            unit: "percent".into(),
            confidence: 0.9,
            text: String::new(),
        }
    }

    #[test]
    fn a_join_is_credited_to_the_sections_it_lies_between() {
        let timeline = parse(PART).unwrap().timeline(None, Bpm::new(60.0).unwrap()).unwrap();
        let place = |section: &str, pass: Option<u32>| {
            Place::of(&timeline, &finding(Kind::JoinGap, Some(section), pass, 1)).words().unwrap()
        };
        assert_eq!(place("A", Some(2)), "From A to A again");
        assert_eq!(place("B", Some(1)), "From A into B");
        assert_eq!(place("A", Some(3)), "From B into A");
        assert_eq!(place("A", None), "A", "any of them");
        assert_eq!(place("A", Some(1)), "A", "nothing comes before");
    }

    #[test]
    fn a_finding_of_several_bars_names_them_or_the_section() {
        let timeline = parse(PART).unwrap().timeline(None, Bpm::new(60.0).unwrap()).unwrap();
        let place = |kind: Kind, section: &str, bar: u32, to_bar: u32| {
            let f = Found { to_bar: Some(to_bar), ..finding(kind, Some(section), Some(1), bar) };
            Place::of(&timeline, &f).words().unwrap()
        };
        assert_eq!(place(Kind::WrongSurface, "A", 1, 2), "A");
        assert_eq!(place(Kind::Paused, "A", 2, 3), "A, bars 2 to 3");
        assert_eq!(place(Kind::RepeatMissing, "A", 2, 3), "A");
    }

    #[test]
    fn every_kind_of_finding_is_taught_and_read_as_a_sentence() {
        let timeline = parse(PART).unwrap().timeline(None, Bpm::new(60.0).unwrap()).unwrap();
        for kind in Kind::ALL {
            let said = in_words(&timeline, &finding(kind, Some("A"), Some(2), 1));
            assert!(said.starts_with("A") || said.starts_with("From A"), "{said}");
        }
        assert_eq!(in_words(&timeline, &finding(Kind::Rushing, None, None, 1)), "gets faster by 12 %");
        assert_eq!(
            in_words(&timeline, &finding(Kind::RestNotKept, Some("A"), Some(1), 1)),
            "A, bar 1: plays through the rest"
        );
    }
}
