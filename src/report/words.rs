//! Places, counts, doubt and amounts in words: what page, terminal and chart say the same way.

use crate::assess::{Assessment, Finding, Kind, Status, Unit};
use crate::part::{Surface, Timeline};
use crate::units::{Seconds, Ticks};

use super::Meta;

/// Longest name that is shown in full, in letters: a line of the printed page.
pub(super) const NAME: usize = 60;

/// A probability above this is called `sure`: the "very likely" of Mastrandrea et al. 2010, "Guidance note for lead
/// authors of the IPCC fifth assessment report on consistent treatment of uncertainties", table 1.
const SURE: f64 = 0.90;
/// Above this `fairly sure`: the "likely" of the same table.
const FAIRLY_SURE: f64 = 0.66;

/// A name made harmless to look at: control characters, marks that turn the direction of writing and
/// what no document may hold (U+FFFE, U+FFFF; XML 1.0, section 2.2) are left out,
/// white space is one space, and what is longer than `most` letters ends in an ellipsis.
pub(super) fn clean(name: &str, most: usize) -> String {
    let turns = |c: char| matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{61c}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}');
    let letters = name.chars().filter(|c| !turns(*c)).map(|c| if c.is_control() { ' ' } else { c }).collect::<String>();
    cut(&letters.split_whitespace().collect::<Vec<_>>().join(" "), most)
}

/// What is longer than `most` letters ends in an ellipsis.
pub(super) fn cut(text: &str, most: usize) -> String {
    if text.chars().count() <= most {
        return text.to_owned();
    }
    let kept = text.chars().take(most.saturating_sub(1)).collect::<String>();
    format!("{}…", kept.trim_end())
}

/// `sure`, `fairly sure` or `perhaps`.
pub(super) fn doubt(confidence: f64) -> &'static str {
    if confidence > SURE {
        "sure"
    } else if confidence > FAIRLY_SURE {
        "fairly sure"
    } else {
        "perhaps"
    }
}

/// `first`, `second`, ... `ninth`, `10th`.
pub(super) fn ordinal(n: u32) -> String {
    match n {
        1 => "first".into(),
        2 => "second".into(),
        3 => "third".into(),
        4 => "fourth".into(),
        5 => "fifth".into(),
        6 => "sixth".into(),
        7 => "seventh".into(),
        8 => "eighth".into(),
        9 => "ninth".into(),
        _ if n % 100 / 10 != 1 && n % 10 == 1 => format!("{n}st"),
        _ if n % 100 / 10 != 1 && n % 10 == 2 => format!("{n}nd"),
        _ if n % 100 / 10 != 1 && n % 10 == 3 => format!("{n}rd"),
        _ => format!("{n}th"),
    }
}

/// `one strike`, `two strikes`, ... `10 strikes`.
pub(super) fn count(n: usize, one: &str, many: &str) -> String {
    let noun = if n == 1 { one } else { many };
    match n {
        0 => format!("no {noun}"),
        1 => format!("one {noun}"),
        2 => format!("two {noun}"),
        3 => format!("three {noun}"),
        4 => format!("four {noun}"),
        5 => format!("five {noun}"),
        6 => format!("six {noun}"),
        7 => format!("seven {noun}"),
        8 => format!("eight {noun}"),
        9 => format!("nine {noun}"),
        _ => format!("{n} {noun}"),
    }
}

/// `A`, `A and B`, `A, B and C`.
pub fn listed(all: &[String]) -> String {
    match all.split_last() {
        Some((last, before)) if !before.is_empty() => format!("{} and {last}", before.join(", ")),
        _ => all.concat(),
    }
}

/// A sentence starts with a capital.
pub(crate) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// The syllable counted at a place within a beat: `1 e & a` for quarters of a beat, `1 & ` for halves, `1 tri ple` for
/// thirds (common practice); `None` on the beat and where nothing is said.
pub(super) fn syllable(within: Ticks, beat: Ticks) -> Option<&'static str> {
    let is = |part: i64, of: i64| within.0 * of == beat.0 * part;
    if is(1, 2) {
        Some("&")
    } else if is(1, 4) {
        Some("e")
    } else if is(3, 4) {
        Some("a")
    } else if is(1, 3) {
        Some("tri")
    } else if is(2, 3) {
        Some("ple")
    } else {
        None
    }
}

/// The place in a bar as it is counted: `2`, `2&`, `2e`, and `2.67` where no syllable fits.
pub(super) fn counted(timeline: &Timeline, bar: usize, at: Ticks) -> String {
    let beat = timeline.meter.beat();
    let from = timeline.bars.get(bar).map_or(Ticks(0), |b| b.at);
    let inside = (at - from).0.max(0);
    let whole = inside / beat.0.max(1);
    let within = Ticks(inside - whole * beat.0);
    match syllable(within, beat) {
        Some(said) => format!("{}{said}", whole + 1),
        None if within.0 == 0 => format!("{}", whole + 1),
        None => format!("{:.2}", timeline.beat_in_bar(bar, at)),
    }
}

/// A beat in words: `beat 2`, `the "and" of 2`, `beat 2.67`.
pub(super) fn beat(timeline: &Timeline, beat: f64) -> String {
    if !beat.is_finite() {
        return "some beat".into();
    }
    let length = timeline.meter.beat();
    let within = Ticks((beat.fract() * length.0 as f64).round() as i64);
    match syllable(within, length) {
        Some("&") => format!("the “and” of {}", beat.trunc()),
        Some(said) => format!("the “{said}” of {}", beat.trunc()),
        None if within.0 == 0 || within == length => format!("beat {}", beat.round()),
        None => format!("beat {beat:.2}"),
    }
}

/// True when a section comes more than once, so that its passes need telling apart.
pub(super) fn comes_again(timeline: &Timeline, section: &str) -> bool {
    timeline.passes.iter().filter(|pass| pass.section == section).count() > 1
}

/// Where a finding is: `A, second time, bar 4, beat 2`; `A, within bars 3 to 5`; `the whole take`.
pub(super) fn place(timeline: &Timeline, finding: &Finding) -> String {
    let mut said = Vec::new();
    if let Some(section) = &finding.section {
        said.push(clean(section, NAME));
        if comes_again(timeline, section) {
            said.push(
                finding.pass.map_or_else(|| "which time is not known".into(), |n| format!("{} time", ordinal(n))),
            );
        }
    }
    match (finding.bars, finding.bar) {
        (Some((first, last)), _) if first < last => said.push(format!("within bars {first} to {last}")),
        (_, Some(bar)) => {
            said.push(format!("bar {bar}"));
            said.extend(finding.beat.map(|b| beat(timeline, b)));
        }
        _ => {}
    }
    if said.is_empty() { "the whole take".into() } else { said.join(", ") }
}

/// What is written beside a finding's number in the chart: two or three words.
pub(super) fn short(assessment: &Assessment, finding: &Finding) -> String {
    let size = finding.size.abs();
    let amount = match finding.unit {
        Unit::Beats if size.is_finite() => {
            // A tenth is as near as anybody reads a beat.
            let size = (10.0 * size).round() / 10.0;
            format!(", {} {}", plain(size), if near(size, 1.0) { "beat" } else { "beats" })
        }
        Unit::Milliseconds if size.is_finite() => format!(", {size:.0} ms"),
        Unit::Seconds if size.is_finite() => format!(", {size:.1} s"),
        _ => String::new(),
    };
    match finding.kind {
        Kind::RestNotKept => "rest played through".into(),
        Kind::EarlyReEntry => format!("in early{amount}"),
        Kind::LateReEntry => format!("in late{amount}"),
        Kind::JoinGap => format!("gap{amount}"),
        Kind::JoinRushed => format!("join hurried{amount}"),
        Kind::WrongSurface => match surfaces_at(assessment, finding) {
            Some((heard, written)) => format!("{}, not {}", heard.word(), written.word()),
            None => "other surface".into(),
        },
        Kind::RepeatExtra => "once too often".into(),
        Kind::RepeatMissing => "once too few".into(),
        Kind::SectionSkipped => "left out".into(),
        Kind::Restarted => "began again".into(),
        Kind::Paused => format!("stopped{amount}"),
        Kind::Rushing => "getting faster".into(),
        Kind::Dragging => "getting slower".into(),
        Kind::UnevenHands => "hands uneven".into(),
        Kind::NotTogether => format!("hands apart{amount}"),
        Kind::LevelFlat => "loudness does not change".into(),
        Kind::StartedLate => "begins here".into(),
        Kind::Lost => "lost from here".into(),
    }
}

/// Heard and written surface of the stroke a finding speaks of.
fn surfaces_at(assessment: &Assessment, finding: &Finding) -> Option<(Surface, Surface)> {
    let timeline = &assessment.timeline;
    let here = |bar: usize| {
        let bar = timeline.bars.get(bar)?;
        let pass = timeline.passes.get(bar.pass)?;
        let section = Some(&pass.section) == finding.section.as_ref();
        Some(section && finding.pass.is_none_or(|n| n == pass.number) && finding.bar == Some(bar.number))
    };
    let wrong = timeline.strokes.iter().zip(&assessment.strokes).enumerate().find(|(i, (written, judged))| {
        let beat = finding.beat.is_none_or(|beat| (timeline.beat(*i) - beat).abs() < 0.05);
        judged.status == Status::WrongSurface && beat && here(written.bar) == Some(true)
    });
    let (_, (written, judged)) = wrong?;
    Some((assessment.strikes.get(judged.strike?)?.surface, written.surface))
}

/// A kind of finding as the heading of its line.
pub(super) fn heading(kind: Kind) -> &'static str {
    match kind {
        Kind::RestNotKept => "Rest played through",
        Kind::EarlyReEntry => "Came in early after the rest",
        Kind::LateReEntry => "Came in late after the rest",
        Kind::JoinGap => "A gap at the join",
        Kind::JoinRushed => "The join was hurried",
        Kind::WrongSurface => "Another surface",
        Kind::RepeatExtra => "One time too many",
        Kind::RepeatMissing => "One time too few",
        Kind::SectionSkipped => "Left out",
        Kind::Restarted => "Began again",
        Kind::Paused => "Stopped and went on",
        Kind::Rushing => "Getting faster",
        Kind::Dragging => "Getting slower",
        Kind::UnevenHands => "Hands uneven",
        Kind::NotTogether => "Hands not together",
        Kind::LevelFlat => "Swell or fade not heard",
        Kind::StartedLate => "Did not begin at the beginning",
        Kind::Lost => "Lost the thread",
    }
}

/// At most two decimals, without trailing zeros: `2`, `0.5`, `1.25`.
pub(super) fn plain(number: f64) -> String {
    let text = format!("{number:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// The same number for a reader: less than half a hundredth apart.
pub(super) fn near(a: f64, b: f64) -> bool {
    (a - b).abs() < 0.005
}

/// Milliseconds against the beat: `on the beat`, `12 ms early`, `8 ms late`.
pub(super) fn lateness(ms: f64) -> String {
    match ms.round() {
        late if late > 0.0 => format!("{late:.0} ms late"),
        late if late < 0.0 => format!("{:.0} ms early", -late),
        _ => "on the beat".into(),
    }
}

/// A moment in the recording: `0:07.3`.
pub(super) fn moment(at: Seconds) -> String {
    let tenths = (at.get().max(0.0) * 10.0).round() as u64;
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

/// A surface as a pupil says it.
pub(super) fn simple_surface(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "centre",
        Surface::Rim => "rim",
        Surface::Click => "sticks",
        Surface::Pat => "pat",
        Surface::Clap => "clap",
    }
}

/// The form as it was asked for: `A A B B`.
pub(super) fn form(timeline: &Timeline) -> String {
    cut(&timeline.passes.iter().map(|p| clean(&p.section, NAME)).collect::<Vec<_>>().join(" "), NAME)
}

/// The line under the title: pupil, day, take, form.
pub(super) fn who_and_when(assessment: &Assessment, meta: &Meta) -> Vec<String> {
    let mut said = Vec::new();
    said.extend(meta.pupil.as_deref().map(|n| clean(n, NAME)).filter(|n| !n.is_empty()));
    said.extend(meta.date.as_deref().map(|n| clean(n, NAME)).filter(|n| !n.is_empty()));
    said.extend(Some(clean(&meta.take, NAME)).filter(|n| !n.is_empty()).map(|n| format!("take {n}")));
    said.extend(Some(form(&assessment.timeline)).filter(|f| !f.is_empty()).map(|f| format!("form {f}")));
    said
}

/// Asked and played tempo.
pub(super) fn tempo(assessment: &Assessment) -> String {
    let asked = assessment.timeline.bpm.get();
    match assessment.clock {
        Some(clock) => format!("asked {asked:.0}, played {:.0} quarter notes a minute", clock.bpm.get()),
        None => format!("asked {asked:.0} quarter notes a minute"),
    }
}

/// How many strokes met each fate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Fates {
    pub(super) played: usize,
    pub(super) missed: usize,
    pub(super) elsewhere: usize,
    pub(super) not_heard: usize,
    pub(super) not_reached: usize,
}

impl Fates {
    pub(super) fn of(assessment: &Assessment) -> Fates {
        let n = |status| assessment.strokes.iter().filter(|s| s.status == status).count();
        Fates {
            played: n(Status::Played),
            missed: n(Status::Missed),
            elsewhere: n(Status::WrongSurface),
            not_heard: n(Status::NotHeard),
            not_reached: n(Status::NotReached),
        }
    }
}

/// The take in two or three sentences: what was played, and how it lies around the pulse.
pub(super) fn gist(assessment: &Assessment) -> Vec<String> {
    let mut said = Vec::new();
    let Fates { played, missed, elsewhere, not_heard, not_reached } = Fates::of(assessment);
    let written = assessment.strokes.len();
    if assessment.clock.is_none() {
        let strikes = assessment.strikes.iter().filter(|s| s.counts()).count();
        let heard = capital(&count(strikes, "strike was", "strikes were"));
        let and = if strikes == 0 { "." } else { ", and they could not be matched to this part." };
        said.push(format!("{heard} heard{and}"));
        return said;
    }
    if played == written && written > 0 {
        said.push(format!("All {written} written strokes were heard, each on its surface."));
    } else {
        let mut parts = vec![format!("{played} of {written} written strokes were heard on their surface")];
        if elsewhere > 0 {
            parts.push(format!("{elsewhere} on another surface"));
        }
        if missed > 0 {
            parts.push(format!("{missed} {} not played", was(missed)));
        }
        if not_heard > 0 {
            parts.push(format!("{not_heard} may have been played but could not be heard"));
        }
        if not_reached > 0 {
            parts.push(format!("{not_reached} {} not reached", was(not_reached)));
        }
        said.push(format!("{}.", parts.join("; ")));
    }
    if let Some(jitter) = assessment.jitter {
        // One standard deviation either way holds 68 of 100 of a normal distribution.
        said.push(format!(
            "About two strokes in three lie within {:.0} ms of {}.",
            jitter.millis(),
            clock_word(assessment)
        ));
    }
    said.extend(by_guide(assessment));
    said
}

fn was(n: usize) -> &'static str {
    if n == 1 { "was" } else { "were" }
}

/// What lateness is measured against, stroke by stroke. Against the guide the whole take is told in one sentence.
pub(super) fn clock_word(_: &Assessment) -> &'static str {
    "the player’s own pulse"
}

/// How the take lies against the guide, where one was heard.
fn by_guide(assessment: &Assessment) -> Option<String> {
    let (middle, half) = assessment.middle_by_guide()?;
    // The phone's place and the pupil's ear are each good for a few milliseconds.
    const EVEN_MS: f64 = 5.0;
    let middle = middle.millis();
    let said = match middle {
        m if m.abs() < EVEN_MS => "with it".to_string(),
        m if m > 0.0 => format!("{m:.0} ms after it"),
        m => format!("{:.0} ms before it", -m),
    };
    Some(format!(
        "Against the guide, which was heard in the recording, the middle stroke came {said}, half of all within {:.0} ms of that.",
        half.millis()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Ticks;

    #[test]
    fn names_lose_what_could_mislead_and_end_where_the_line_ends() {
        assert_eq!(clean("  Wren\n\t\u{202e}nerW ", 60), "Wren nerW");
        assert_eq!(clean("../../etc", 60), "../../etc");
        let long = clean(&"ä".repeat(4000), 60);
        assert_eq!(long.chars().count(), 60);
        assert!(long.ends_with('…'));
        assert_eq!(clean("\u{feff}\u{200b}", 60), "");
    }

    #[test]
    fn doubt_has_the_words_of_the_guidance_note() {
        assert_eq!(
            [doubt(0.99), doubt(0.9), doubt(0.67), doubt(0.66), doubt(f64::NAN)],
            ["sure", "fairly sure", "fairly sure", "perhaps", "perhaps"]
        );
    }

    #[test]
    fn ordinals_follow_english() {
        let said = [1, 9, 10, 11, 12, 13, 21, 22, 23, 101, 111, 112].map(ordinal);
        assert_eq!(
            said,
            ["first", "ninth", "10th", "11th", "12th", "13th", "21st", "22nd", "23rd", "101st", "111th", "112th"]
        );
    }

    #[test]
    fn a_beat_is_divided_as_it_is_counted() {
        let said = [0, 240, 480, 720, 320, 640, 100].map(|t| syllable(Ticks(t), Ticks(960)));
        assert_eq!(said, [None, Some("e"), Some("&"), Some("a"), Some("tri"), Some("ple"), None]);
    }

    #[test]
    fn moments_roll_over_at_the_minute() {
        assert_eq!(moment(Seconds::of(59.96)), "1:00.0");
        assert_eq!(moment(Seconds::of(7.31)), "0:07.3");
        assert_eq!(moment(Seconds::of(-1.0)), "0:00.0");
    }

    #[test]
    fn numbers_are_plain() {
        assert_eq!([0.5, 1.0, 1.25, 10.0, 100.004].map(plain), ["0.5", "1", "1.25", "10", "100"]);
        assert_eq!(lateness(-12.4), "12 ms early");
        assert_eq!(lateness(0.4), "on the beat");
    }
}
