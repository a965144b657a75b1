//! What a teacher would say. Sentences for the teacher (about the pupil, in the past tense) and for the pupil (to a child of
//! eight to twelve, one thing at a time). Nothing here decides anything.

use super::{Finding, Kind};
use crate::part::{Pass, Surface, Timeline};
use crate::units::Ticks;

/// `first` to `tenth`, then `11th`.
pub(super) fn ordinal(n: u32) -> String {
    const WORDS: [&str; 10] =
        ["first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth"];
    let word = usize::try_from(n).ok().and_then(|n| n.checked_sub(1)).and_then(|i| WORDS.get(i));
    word.map_or_else(|| crate::part::ordinal(n), |w| (*w).to_string())
}

/// `one` to `ten`, then figures.
pub(super) fn number(n: usize) -> String {
    const WORDS: [&str; 11] = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten"];
    WORDS.get(n).map_or_else(|| n.to_string(), |w| (*w).to_string())
}

/// `half a beat`, `a beat and a half`, `two beats`: rounded to quarters of a beat, as nobody feels finer.
pub(super) fn beats(size: f64) -> String {
    let quarters = (size.abs() * 4.0).round().max(1.0);
    let whole = (quarters / 4.0).floor();
    let part = quarters as i64 % 4;
    let n = number(whole as usize);
    match (whole as i64, part) {
        (0, 1) => "a quarter of a beat".into(),
        (0, 2) => "half a beat".into(),
        (0, _) => "three quarters of a beat".into(),
        (1, 0) => "a beat".into(),
        (1, 1) => "a beat and a quarter".into(),
        (1, 2) => "a beat and a half".into(),
        (1, _) => "a beat and three quarters".into(),
        (_, 0) => format!("{n} beats"),
        (_, 1) => format!("{n} and a quarter beats"),
        (_, 2) => format!("{n} and a half beats"),
        (_, _) => format!("{n} and three quarter beats"),
    }
}

fn many(n: usize, what: &str) -> String {
    format!("{} {what}{}", number(n), if n == 1 { "" } else { "s" })
}

/// The section as one says it: `A` where it comes once, else `the second A`.
pub(super) fn pass_name(timeline: &Timeline, section: &str, pass: Option<u32>) -> String {
    let often = timeline.passes.iter().filter(|p| p.section == section).count();
    match pass.filter(|_| often > 1) {
        Some(n) => format!("the {} {section}", ordinal(n)),
        None => section.to_string(),
    }
}

fn name_of(timeline: &Timeline, pass: &Pass) -> String {
    pass_name(timeline, &pass.section, Some(pass.number))
}

/// `bar 4 of the second A`; the section alone where no bar is known.
fn place(timeline: &Timeline, finding: &Finding) -> String {
    let Some(section) = finding.section.as_deref() else { return "the piece".into() };
    let name = pass_name(timeline, section, finding.pass);
    finding.bar.map_or_else(|| name.clone(), |bar| format!("bar {bar} of {name}"))
}

/// Where the rest before a re-entry stands: `in bar 3 of A`, or `before bar 4 of A` where it ends with a bar.
fn rest_place(timeline: &Timeline, finding: &Finding) -> String {
    let inside = finding.beat.is_some_and(|beat| beat > 1.5);
    format!("{} {}", if inside { "in" } else { "before" }, place(timeline, finding))
}

/// `bar 4 of A` or `bars 2 to 4 of A`.
fn span(timeline: &Timeline, finding: &Finding) -> String {
    let Some(section) = finding.section.as_deref() else { return "the piece".into() };
    let name = pass_name(timeline, section, finding.pass);
    match finding.bars {
        Some((a, b)) if a != b => format!("bars {a} to {b} of {name}"),
        Some((a, _)) => format!("bar {a} of {name}"),
        None => name,
    }
}

/// The pass a finding speaks of, as an index.
fn pass_index(timeline: &Timeline, finding: &Finding) -> Option<usize> {
    let section = finding.section.as_deref()?;
    timeline.passes.iter().position(|p| p.section == section && finding.pass.is_none_or(|n| n == p.number))
}

/// The bar a finding speaks of, as an index into the timeline.
pub(super) fn bar_index(timeline: &Timeline, finding: &Finding) -> Option<usize> {
    let pass = timeline.passes.get(pass_index(timeline, finding)?)?;
    let bar = usize::try_from(finding.bar.or(finding.bars.map(|b| b.0)).unwrap_or(1)).ok()?.checked_sub(1)?;
    Some((pass.bars.start + bar).min(pass.bars.end.checked_sub(1)?))
}

/// Whether a finding's bars are the whole of its section.
fn whole_section(timeline: &Timeline, finding: &Finding) -> bool {
    let bars = pass_index(timeline, finding).and_then(|p| timeline.passes.get(p)).map_or(0, |p| p.bars.len());
    bars > 0 && finding.size.round() as usize == bars && finding.bars.is_none_or(|(a, b)| (b - a + 1) as usize == bars)
}

/// Bars that could be meant are more than the bars it was: identical ones, not to be told apart.
fn somewhere(finding: &Finding) -> bool {
    finding.bars.is_some_and(|(a, b)| f64::from(b.saturating_sub(a) + 1) > finding.size + 0.5)
}

/// The sentence for the teacher, for the kinds that concern the form; `None` for others, whose makers word them.
pub(super) fn form(timeline: &Timeline, finding: &Finding) -> Option<String> {
    let here = place(timeline, finding);
    let name = finding.section.as_deref().map_or_else(|| "the piece".into(), |s| pass_name(timeline, s, finding.pass));
    let n = finding.size.abs().round() as usize;
    let text = match finding.kind {
        Kind::RestNotKept => {
            let which =
                one_of_several(timeline, finding).map_or_else(String::new, |beat| format!(" from beat {beat} on"));
            format!("The rest{which} in {here} was played through: {} fell into the silence.", many(n, "strike"))
        }
        Kind::EarlyReEntry => {
            format!(
                "After the rest {} the playing came back about {} early.",
                rest_place(timeline, finding),
                beats(finding.size)
            )
        }
        Kind::LateReEntry => {
            format!(
                "After the rest {} the playing came back about {} late.",
                rest_place(timeline, finding),
                beats(finding.size)
            )
        }
        Kind::JoinGap => match before(timeline, finding) {
            Some(last) => format!("Between {last} and {name} there was a gap of about {}.", beats(finding.size)),
            None => format!("Before {name} there was a gap of about {}.", beats(finding.size)),
        },
        Kind::JoinRushed => format!("{} began about {} too soon.", capital(&name), beats(finding.size)),
        Kind::RepeatExtra if whole_section(timeline, finding) => {
            format!("{} was played once more than written.", capital(&name))
        }
        Kind::RepeatExtra if somewhere(finding) => {
            format!(
                "{} too many, somewhere in {}; bars that sound alike cannot be told apart.",
                capital(&many(n, "bar")),
                span(timeline, finding)
            )
        }
        Kind::RepeatExtra => {
            format!("{} {} played once more than written.", capital(&span(timeline, finding)), were(finding))
        }
        Kind::RepeatMissing if whole_section(timeline, finding) => format!(
            "{} was played one time fewer than written.",
            capital(finding.section.as_deref().unwrap_or("the piece"))
        ),
        Kind::SectionSkipped if whole_section(timeline, finding) => format!("{} was left out.", capital(&name)),
        Kind::RepeatMissing | Kind::SectionSkipped if somewhere(finding) => {
            format!(
                "{} too few, somewhere in {}; bars that sound alike cannot be told apart.",
                capital(&many(n, "bar")),
                span(timeline, finding)
            )
        }
        Kind::RepeatMissing => {
            format!("{} {} played one time fewer than written.", capital(&span(timeline, finding)), were(finding))
        }
        Kind::SectionSkipped => format!("{} {} left out.", capital(&span(timeline, finding)), were(finding)),
        Kind::Restarted => format!("The playing went back to {here} and on from there."),
        Kind::Paused => {
            format!("The playing stopped at {here} for about {} and went on from there.", beats(finding.size))
        }
        Kind::StartedLate => format!("The playing began at {here}; what comes before it was not played."),
        Kind::Lost => format!("From {here} on the strikes fit nowhere in the part, for about {} s.", n.max(1)),
        _ => return None,
    };
    Some(match finding.otherwise.and_then(other) {
        Some(other) => format!("{text} It may also have been {other}."),
        None => text,
    })
}

fn were(finding: &Finding) -> &'static str {
    if finding.bars.is_some_and(|(a, b)| a != b) { "were" } else { "was" }
}

/// The name of the pass before the one a finding speaks of.
fn before(timeline: &Timeline, finding: &Finding) -> Option<String> {
    let pass = pass_index(timeline, finding)?.checked_sub(1)?;
    timeline.passes.get(pass).map(|p| name_of(timeline, p))
}

/// The other account of the same sounds, where it is another event and not another name.
fn other(kind: Kind) -> Option<&'static str> {
    Some(match kind {
        Kind::LateReEntry => "a rest counted too long",
        Kind::JoinGap => "a pause before the section",
        Kind::Restarted => "a fresh start",
        Kind::Paused => "a pause",
        _ => return None,
    })
}

pub(super) fn wrong_surface(timeline: &Timeline, finding: &Finding, written: Surface, heard: Surface) -> String {
    let name = finding.section.as_deref().map_or_else(|| "the piece".into(), |s| pass_name(timeline, s, finding.pass));
    let share = if finding.size > 0.95 {
        "all of it"
    } else if finding.size > 0.75 {
        "most of it"
    } else {
        "more than half of it"
    };
    format!("In {name} what is written {} was played {}, {share}.", on(written), on(heard))
}

/// The same for the child.
pub(super) fn fix_surface(timeline: &Timeline, finding: &Finding, written: Surface, heard: Surface) -> String {
    let name = finding.section.as_deref().map_or_else(|| "the piece".into(), |s| pass_name(timeline, s, finding.pass));
    format!(
        "In {name} some strokes belong {}. You played them {}. Say each one aloud first, then play it.",
        on(written),
        on(heard)
    )
}

pub(super) fn on(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "in the centre",
        Surface::Rim => "on the rim",
        Surface::Click => "with the sticks together",
        Surface::Pat => "as a pat",
        Surface::Clap => "as a clap",
    }
}

pub(super) fn flat_swell(timeline: &Timeline, finding: &Finding, rising: bool) -> String {
    let (what, way) = if rising { ("swell", "grew") } else { ("fade", "softened") };
    format!("The {what} in {} hardly {way}.", span(timeline, finding))
}

/// The same for the child.
pub(super) fn fix_swell(timeline: &Timeline, finding: &Finding, rising: bool) -> String {
    let here = span(timeline, finding);
    if rising {
        format!(
            "In {here} the sound should grow. Begin with soft strokes low over the bucket and lift the sticks higher and higher."
        )
    } else {
        format!(
            "In {here} the sound should fade. Begin with tall strokes and let them come down lower and lower, until they are soft."
        )
    }
}

/// What the child is told where strokes were missing in a bar and nothing else is to be said.
pub(super) fn fix_missing(timeline: &Timeline, bar: usize, n: usize) -> String {
    let here = timeline
        .bars
        .get(bar)
        .and_then(|b| timeline.passes.get(b.pass).map(|p| format!("bar {} of {}", b.number, p.section)));
    let strokes = if n == 1 { "a stroke was".into() } else { format!("{} strokes were", number(n)) };
    format!(
        "In {} {strokes} missing. Say the bar aloud, play it alone, slowly, and then join it to the next.",
        here.unwrap_or_else(|| "one bar".into())
    )
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

/// What the child is told to try, for every kind but wrong surfaces.
pub(super) fn fix(timeline: &Timeline, finding: &Finding) -> String {
    let here = place(timeline, finding);
    let name = finding.section.as_deref().map_or_else(|| "the piece".into(), |s| pass_name(timeline, s, finding.pass));
    let bars = finding.size.abs().round() as usize;
    let order = timeline.passes.iter().map(|p| p.section.as_str()).collect::<Vec<_>>().join(" ");
    match finding.kind {
        Kind::RestNotKept => match rest_at(timeline, finding) {
            Some(rest) => format!(
                "In {here} there {} {}{}. You played on. Lift your sticks, count, and wait.",
                if rest == "one" { "is" } else { "are" },
                quiet(&rest),
                one_of_several(timeline, finding).map_or_else(String::new, |beat| format!(" from beat {beat} on"))
            ),
            None => format!("In {here} there is a rest. You played on. Lift your sticks, count, and wait."),
        },
        Kind::EarlyReEntry => format!("You came in too soon after the rest {}. Count the quiet beats to the end, then play.", rest_place(timeline, finding)),
        Kind::LateReEntry => format!("You came in late after the rest {}. Keep counting in the rest, and lift your sticks one count before you play.", rest_place(timeline, finding)),
        Kind::JoinGap => match before(timeline, finding) {
            Some(last) => format!("Before {name} you stopped for a moment. Let the last bar of {last} run straight into it."),
            None => format!("Before {name} you stopped for a moment. Let it follow without a stop."),
        },
        Kind::JoinRushed => format!("You began {name} a little too soon. Let the last beat before it finish first."),
        Kind::RepeatExtra if whole_section(timeline, finding) => {
            format!("You played {name} once too often. Say the number of each time before you play it.")
        }
        Kind::RepeatExtra => {
            format!("In {name} you played {} too many. Count the times aloud.", many(bars, "bar"))
        }
        Kind::RepeatMissing if whole_section(timeline, finding) => {
            let section = finding.section.as_deref().unwrap_or("it");
            format!("{} comes once more than you played it. Say the number of each time before you play it.", capital(section))
        }
        Kind::RepeatMissing => {
            format!("In {name} you played {} too few: one time through was missing. Count the times aloud.", many(bars, "bar"))
        }
        Kind::SectionSkipped => format!("You left out {}. Say the order aloud before you begin: {order}.", if whole_section(timeline, finding) { name } else { span(timeline, finding) }),
        Kind::Restarted => format!("You went back to {here}. Next time keep going when a stroke goes wrong: the next bar is coming."),
        Kind::Paused => format!("You stopped at {here}. Play that bar alone, slowly, three times; then the bar before it and that one without a stop."),
        Kind::Rushing => "You got faster as you went. Say the counts aloud and let them hold you back.".into(),
        Kind::Dragging => "You got slower as you went. Say the counts aloud and let them carry you.".into(),
        Kind::UnevenHands => "Your two hands do not sound quite the same. Play slow single strokes, right, left, right, left, until you cannot hear which is which.".into(),
        Kind::NotTogether => "Where both hands play, one landed after the other. Lift both sticks to the same height and let them fall together.".into(),
        Kind::LevelFlat => "Loud and soft sounded much the same. Soft strokes stay low over the bucket, loud ones come from high up.".into(),
        Kind::StartedLate => format!("You began at {here}. Next time begin at the very beginning."),
        Kind::Lost => format!("In {here} you lost your place. That happens to everybody. Play up to there and one bar further, slowly."),
        Kind::WrongSurface => format!("In {name} some strokes landed on another surface than written. Say each one aloud first, then play it."),
    }
}

fn quiet(beats: &str) -> String {
    if beats == "one" { "one quiet beat".into() } else { format!("{beats} quiet beats") }
}

/// The beat a finding's rest begins on, where its bar has more than one rest and the bar alone would not say which.
fn one_of_several(timeline: &Timeline, finding: &Finding) -> Option<u32> {
    let bar = timeline.bars.get(bar_index(timeline, finding)?)?;
    let rests = timeline.rests.iter().filter(|r| r.from >= bar.at && r.from < bar.at + timeline.meter.bar()).count();
    let beat = finding.beat.filter(|b| rests > 1 && (b - b.round()).abs() < 0.01)?;
    Some(beat.round() as u32)
}

/// Length of the rest a finding speaks of, in whole beats, in words.
fn rest_at(timeline: &Timeline, finding: &Finding) -> Option<String> {
    let bar = timeline.bars.get(bar_index(timeline, finding)?)?;
    let beat = timeline.meter.beat();
    let at = bar.at + Ticks(((finding.beat? - 1.0) * beat.0 as f64).round() as i64);
    let slack = Ticks(beat.0 / 4);
    let rest = timeline.rests.iter().find(|r| r.from <= at + slack && at < r.to)?;
    let beats = (rest.to - rest.from).0 as f64 / beat.0 as f64;
    ((beats - beats.round()).abs() < 1e-6).then(|| number(beats.round() as usize))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beats_are_said_as_people_say_them() {
        let said: Vec<String> = [0.1, 0.27, 0.5, 0.74, 1.0, 1.3, -1.5, 2.0, 2.45, 3.8, 12.0].map(beats).into();
        assert_eq!(
            said,
            [
                "a quarter of a beat",
                "a quarter of a beat",
                "half a beat",
                "three quarters of a beat",
                "a beat",
                "a beat and a quarter",
                "a beat and a half",
                "two beats",
                "two and a half beats",
                "three and three quarter beats",
                "12 beats"
            ]
        );
    }

    use crate::part::parse;
    use crate::units::{Bpm, Seconds};

    /// A finding at a bar of a piece with two sections, each twice.
    fn told(
        kind: Kind,
        pass: Option<u32>,
        bar: u32,
        beat: f64,
        size: f64,
        bars: Option<(u32, u32)>,
    ) -> (String, String) {
        let text = "title = \"T\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 90 }\nform = \"A A B\"\n[sections.A]\n\
                    strokes = \"o.x. oo.. | xxxx ----\"\n[sections.B]\nstrokes = \"+.+. x.--\"\n";
        let timeline = parse(text).unwrap().timeline(None, Bpm::clamped(60.0)).unwrap();
        let finding = Finding {
            kind,
            section: Some("A".into()),
            pass,
            bar: Some(bar),
            beat: Some(beat),
            at: Some(Seconds::of(3.0)),
            size,
            unit: super::super::Unit::Beats,
            confidence: 0.9,
            bars,
            text: String::new(),
            evidence: String::new(),
            otherwise: None,
        };
        (form(&timeline, &finding).unwrap(), fix(&timeline, &finding))
    }

    #[test]
    fn a_rest_that_was_not_kept_is_told_with_its_length() {
        let (teacher, child) = told(Kind::RestNotKept, Some(2), 2, 3.0, 2.0, None);
        assert_eq!(teacher, "The rest in bar 2 of the second A was played through: two strikes fell into the silence.");
        assert_eq!(
            child,
            "In bar 2 of the second A there are two quiet beats. You played on. Lift your sticks, count, and wait."
        );
    }

    #[test]
    fn a_gap_names_both_sides_and_its_length() {
        let (teacher, child) = told(Kind::JoinGap, Some(2), 1, 1.0, 1.52, None);
        assert_eq!(teacher, "Between the first A and the second A there was a gap of about a beat and a half.");
        assert_eq!(
            child,
            "Before the second A you stopped for a moment. Let the last bar of the first A run straight into it."
        );
    }

    #[test]
    fn what_cannot_be_told_apart_is_not_guessed() {
        let (teacher, _) = told(Kind::RepeatExtra, Some(1), 1, 1.0, 1.0, Some((1, 2)));
        assert_eq!(
            teacher,
            "One bar too many, somewhere in bars 1 to 2 of the first A; bars that sound alike cannot be told apart."
        );
        let (teacher, child) = told(Kind::RepeatExtra, Some(1), 1, 1.0, 2.0, Some((1, 2)));
        assert_eq!(teacher, "The first A was played once more than written.");
        assert_eq!(child, "You played the first A once too often. Say the number of each time before you play it.");
        let (teacher, _) = told(Kind::SectionSkipped, None, 1, 1.0, 2.0, Some((1, 2)));
        assert_eq!(teacher, "A was left out.");
    }

    #[test]
    fn an_entry_within_a_bar_is_not_said_to_be_before_it() {
        assert_eq!(
            told(Kind::EarlyReEntry, Some(1), 2, 1.0, -0.5, None).0,
            "After the rest before bar 2 of the first A the playing came back about half a beat early."
        );
        assert_eq!(
            told(Kind::LateReEntry, Some(1), 2, 3.0, 1.0, None).0,
            "After the rest in bar 2 of the first A the playing came back about a beat late."
        );
    }
}
