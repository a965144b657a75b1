//! Sentences for the child: short, one thing at a time.

use super::super::advice::{Bite, Fix, Praise, Reason, Record, Why};
use super::super::finding::{Common, Dynamics, Finding, Place, Uneven, What};
use super::super::{Assessment, Slip};
use super::teacher::{at_rest, hand_name, other_hand};
use super::{
    NAME, beat, capital, clean, cut, each_once, exercise, here, listed, many, missing, number, of_how_many, on,
    place_of, quiet, section, section_of, span, surface, whole_section,
};
use crate::part::Timeline;

/// One thing to keep.
pub fn praise(a: &Assessment) -> String {
    let t = &a.timeline;
    match &a.advice.praise {
        Praise::AllInPlace => "Every stroke was in its place, and your beat was steady all the way.".into(),
        Praise::EveryStroke => "Every stroke was in its place.".into(),
        Praise::Steady { throughout: true } => "Your beat was steady all the way.".into(),
        Praise::Steady { throughout: false } => "Your beat stayed steady.".into(),
        Praise::RestsKept(2) => "You kept both rests.".into(),
        Praise::RestsKept(n) => format!("You kept every rest, all {} of them.", number(*n)),
        Praise::Joined => "You went from section to section without a stop.".into(),
        Praise::Pass(pass) => {
            let name = t.passes.get(*pass).map_or_else(|| "It".into(), |p| super::pass_name(t, p, true));
            format!("{} was all in its place.", capital(&name))
        }
        Praise::Surfaces(surfaces) => {
            let names: Vec<String> = surfaces.iter().map(|s| surface(*s).to_string()).collect();
            format!("{} were clear to hear.", capital(&listed(&names)))
        }
        Praise::Whole => "You played the whole piece, from the first stroke to the last.".into(),
        Praise::NearlyAll => "Nearly every stroke you played was where it belongs.".into(),
        Praise::Bars(0) | Praise::Recorded => "You sat down with your sticks and made a recording.".into(),
        Praise::Bars(n) => format!("You played {} of {}.", many(*n, "bar"), clean(&t.title, NAME)),
    }
}

/// One thing to try; empty where there is nothing to fix.
pub fn fix(a: &Assessment) -> String {
    let t = &a.timeline;
    match a.advice.fix {
        None => String::new(),
        Some(Fix::Finding(i)) => {
            let all = a.statements().into_iter().find(|s| s.contains(&i)).and_then(|s| a.findings.get(s));
            match all {
                Some([first, others @ ..]) if !others.is_empty() => several(a, first, all.unwrap_or_default()),
                Some([first, ..]) => one(t, first),
                _ => String::new(),
            }
        }
        Some(Fix::Slip(slip)) => slipped(t, slip),
        Some(Fix::Record(record)) => {
            let hardly = a.clock.is_none();
            let what = match record {
                _ if hardly => "I could hardly hear you.",
                Record::Nearer => "Some of your strokes could not be heard.",
                Record::Quieter => "The room was so loud that some strokes could not be heard.",
                Record::Further => "Your strokes were too loud for the microphone.",
            };
            let how = match record {
                Record::Nearer => "Put the microphone about an arm's length from the bucket.",
                Record::Quieter => "Find a quiet room and put the microphone about an arm's length from the bucket.",
                Record::Further => "Put the microphone two steps away from the bucket.",
            };
            format!("{what} {how} Then record it again.")
        }
        Some(Fix::AnotherPart) => {
            format!(
                "This did not sound like {}. Look at the sheet, say the first bars aloud, and try again.",
                clean(&t.title, NAME)
            )
        }
    }
}

fn slipped(t: &Timeline, slip: Slip) -> String {
    let bar = t.strokes.get(slip.stroke()).map_or(0, |s| s.bar);
    let at = here(t, &Place::bar(bar));
    let count = beat(t, t.beat(slip.stroke()));
    match slip {
        Slip::Extra { .. } => format!(
            "In {at} you played a stroke more than is written, after {count}. Say the bar aloud first, then play just what you said."
        ),
        Slip::TooSoon { .. } => format!("In {at} you came too soon to {count}. Count the bar aloud, then play it."),
        Slip::TooLong { .. } => {
            format!("In {at} you waited too long before {count}. Count the bar aloud, then play it.")
        }
    }
}

fn one(t: &Timeline, f: &Finding) -> String {
    let place = place_of(f);
    let bar = place.bar.unwrap_or(place.bars.start);
    let at = here(t, &place);
    let name = section(t, &place);
    match &f.what {
        What::RestNotKept { rest, .. } => {
            format!("{} You played on. Lift your sticks, count, and wait.", there_is(t, *rest, &at))
        }
        What::EarlyReEntry { .. } => format!(
            "You came in too soon after the rest {}. Count the quiet beats to the end, then play.",
            at_rest(t, f, &place)
        ),
        What::LateReEntry { .. } => format!(
            "You came in late after the rest {}. Keep counting in the rest, and lift your sticks one count before you play.",
            at_rest(t, f, &place)
        ),
        What::JoinGap { .. } => match bar.checked_sub(1) {
            Some(last) => format!(
                "Before {name} you stopped for a moment. Let the last bar of {} run straight into it.",
                section_of(t, last)
            ),
            None => format!("Before {name} you stopped for a moment. Let it follow without a stop."),
        },
        What::JoinRushed { .. } => format!("You began {name} a little too soon. Let the last beat before it finish first."),
        What::WrongSurface { written, heard, strokes, .. } => {
            let some = if strokes.len() == 1 { "one stroke belongs".into() } else { format!("{} belong", many(strokes.len(), "stroke")) };
            format!("In {name} {some} {}. You played {} {}. Say each one aloud first, then play it.", on(*written), them(strokes), on(*heard))
        }
        What::RepeatExtra { bars } if whole_section(t, &place, *bars) => {
            format!("You played {name} once too often. Say the number of each time before you play it.")
        }
        What::RepeatExtra { bars } => format!("In {name} you played {} too many. Count the times aloud.", many(*bars, "bar")),
        What::RepeatMissing { bars } if whole_section(t, &place, *bars) => {
            let section = place.pass(t).map_or_else(|| "it".into(), |p| clean(&p.section, NAME));
            format!("{} comes once more than you played it. Say the number of each time before you play it.", capital(&section))
        }
        What::RepeatMissing { bars } => {
            format!("In {name} {} missing: play it one time more. Count the times aloud.", are(*bars, "bar"))
        }
        What::SectionSkipped { bars } => {
            let what = if whole_section(t, &place, *bars) { name } else { span(t, &place) };
            format!("You left out {what}. Say the order aloud before you begin: {}.", order(t))
        }
        What::Restarted { left, .. } => format!(
            "In {} you stopped and went back. Next time keep going after a slip: the next bar is coming.",
            here(t, &Place::bar(*left))
        ),
        What::Paused { fell: true, .. } => {
            format!("A stick fell in {at}. That happens. Hold the sticks loosely, and play over that place once more.")
        }
        What::Paused { fell: false, .. } => {
            format!("You stopped in {at}. Play that bar alone, slowly, three times; then the bar before it and that one without a stop.")
        }
        What::Rushing(course) => match course.back {
            None => "You got faster as you went. Count aloud, and do not let the sticks run ahead of the counting.".into(),
            Some(_) => format!("From {} on you got faster for a while. Count aloud, and do not let the sticks run ahead of the counting.", here(t, &Place::bar(course.bar))),
        },
        What::Dragging(course) => match course.back {
            None => "You got slower as you went. Count aloud, and let the sticks keep up with the counting.".into(),
            Some(_) => format!("From {} on you got slower for a while. Count aloud, and let the sticks keep up with the counting.", here(t, &Place::bar(course.bar))),
        },
        What::UnevenHands(Uneven::Late { hand, .. }) => format!(
            "Your {} hand comes a little late. Play slow single strokes, right, left, right, left, until you cannot hear which is which.",
            hand_name(*hand)
        ),
        What::UnevenHands(Uneven::Louder { hand, .. }) => format!(
            "Your {} hand is louder than your {}. Lift both sticks to the same height and play slow single strokes until you cannot hear which is which.",
            hand_name(*hand),
            hand_name(other_hand(*hand))
        ),
        What::NotTogether { .. } => {
            "Where both hands play, one landed after the other. Lift both sticks to the same height and let them fall together.".into()
        }
        What::LevelFlat { dynamic: Dynamics::Swell { .. }, .. } => format!(
            "In {} the sound should grow. Begin with soft strokes low over the bucket and lift the sticks higher and higher.",
            span(t, &place)
        ),
        What::LevelFlat { dynamic: Dynamics::Fade { .. }, .. } => format!(
            "In {} the sound should fade. Begin with tall strokes and let them come down lower and lower, until they are soft.",
            span(t, &place)
        ),
        What::LevelFlat { dynamic: Dynamics::Marks, .. } => {
            "Loud and soft sounded much the same. Soft strokes stay low over the bucket, loud ones come from high up.".into()
        }
        What::StartedLate { .. } => format!("You began at {at}. Next time begin at the very beginning."),
        What::Lost { .. } => format!("In {at} you lost your place. That happens to everybody. Play up to there and one bar further, slowly."),
        What::StrokesMissing { strokes, common } => left_out(t, f, strokes, *common),
        What::TempoApart { played, asked } if played < asked => format!(
            "You played at {:.0}. The tempo asked for is {:.0}: go there in small steps.",
            played.get(),
            asked.get()
        ),
        What::TempoApart { played, asked } => format!(
            "You played at {:.0}, and {:.0} was asked. Listen to four beats first, count them aloud, and begin in that tempo.",
            played.get(),
            asked.get()
        ),
    }
}

fn left_out(t: &Timeline, f: &Finding, strokes: &[usize], common: Common) -> String {
    let place = place_of(f);
    match (common, strokes) {
        (Common::Offbeats, _) => {
            "You left out the strokes between the beats. Count with an “and” after each number, and play on the “and” too.".into()
        }
        (Common::Surface(s), _) => {
            format!("You left out the strokes {}. Say each one aloud first, then play it.", on(s))
        }
        (Common::Pass, _) => format!(
            "In {} {} missing. Say the bars aloud, then play them, slowly.",
            section(t, &place),
            are(strokes.len(), "stroke")
        ),
        (Common::Bar, [one]) => format!(
            "In {} a stroke was missing, on {}. Say the bar aloud, play it alone, slowly, and then join it to the next.",
            here(t, &place),
            beat(t, t.beat(*one))
        ),
        (Common::Bar, _) => format!(
            "In {} {} missing. Say the bar aloud, play it alone, slowly, and then join it to the next.",
            here(t, &place),
            are(strokes.len(), "stroke")
        ),
    }
}

/// Equal faults at several places.
fn several(a: &Assessment, first: &Finding, all: &[Finding]) -> String {
    let t = &a.timeline;
    let n = all.len();
    let place = place_of(first);
    let at = here(t, &place);
    let of = |what: &str| match of_how_many(a, first.kind()) {
        Some(of) if of > n => format!("{} of the {} {what}s", number(n), number(of)),
        _ => many(n, what),
    };
    let names = each_once(all.iter().map(|f| section(t, &place_of(f))));
    match &first.what {
        What::RestNotKept { rest, .. } => format!(
            "You played through {}. The first is in {at}: {}. Lift your sticks, count, and wait.",
            of("rest"),
            silence(t, *rest)
        ),
        What::EarlyReEntry { .. } => format!(
            "You came in too soon after {}. Begin with the one {}: count the quiet beats to the end, then play.",
            of("rest"),
            at_rest(t, first, &place)
        ),
        What::LateReEntry { .. } => format!(
            "You came in late after {}. Begin with the one {}: keep counting, and lift your sticks one count before you play.",
            of("rest"),
            at_rest(t, first, &place)
        ),
        What::JoinGap { .. } => {
            format!("Before {} you stopped for a moment. Let each bar run straight into the next.", listed(&names))
        }
        What::JoinRushed { .. } => {
            format!("You began {} a little too soon. Let the last beat before it finish first.", listed(&names))
        }
        What::WrongSurface { written, heard, .. } => format!(
            "In {} some strokes belong {}. You played them {}. Say each one aloud first, then play it.",
            listed(&names),
            on(*written),
            on(*heard)
        ),
        What::SectionSkipped { .. } => {
            format!("You left out {}. Say the order aloud before you begin: {}.", listed(&names), order(t))
        }
        What::StrokesMissing { .. } => {
            let (bars, them) = match &a.advice.practise {
                Some(bars) => (exercise(t, bars), if bars.len() > 1 { "them" } else { "it" }),
                None => (at, "it"),
            };
            format!(
                "{} missing. Begin with {bars}: say {them} aloud, then play {them} alone, slowly.",
                capital(&are(missing(all), "stroke"))
            )
        }
        What::Restarted { .. }
        | What::Paused { .. }
        | What::Lost { .. }
        | What::LevelFlat { .. }
        | What::RepeatExtra { .. }
        | What::RepeatMissing { .. }
        | What::StartedLate { .. }
        | What::Rushing(_)
        | What::Dragging(_)
        | What::UnevenHands(_)
        | What::NotTogether { .. }
        | What::TempoApart { .. } => one(t, first),
    }
}

/// `a stroke was`, `three strokes were`.
fn are(n: usize, what: &str) -> String {
    if n == 1 { format!("a {what} was") } else { format!("{} were", many(n, what)) }
}

fn them(strokes: &[usize]) -> &'static str {
    if strokes.len() == 1 { "it" } else { "them" }
}

fn order(t: &Timeline) -> String {
    cut(&t.passes.iter().map(|p| clean(&p.section, NAME)).collect::<Vec<_>>().join(" "), 2 * NAME)
}

/// `In bar 4 of A there are two quiet beats.`
fn there_is(t: &Timeline, rest: usize, at: &str) -> String {
    let many = quiet(t, rest).and_then(|q| q.beats).is_some_and(|n| n != 1);
    format!("In {at} there {} {}.", if many { "are" } else { "is" }, silence(t, rest))
}

/// `two quiet beats from beat 3 on`.
fn silence(t: &Timeline, rest: usize) -> String {
    let Some(quiet) = quiet(t, rest) else { return "a rest".into() };
    let from = quiet.from.map_or_else(String::new, |beat| format!(" from beat {beat} on"));
    let over = if quiet.over_the_bar { ", over the bar line" } else { "" };
    match quiet.beats {
        Some(n) => format!("{}{from}{over}", many(n, "quiet beat")),
        None => format!("a rest{from}{over}"),
    }
}

/// Why the tempo to take next is what it is.
pub fn why(a: &Assessment) -> String {
    let next = format!("{:.0}", a.advice.next.get());
    let so_that = |reason: Reason| match reason {
        Reason::ThinkAhead => "so that there is time to think ahead",
        Reason::EveryStroke => "so that every stroke finds its place",
        Reason::OneThing => "until this one thing is right",
        Reason::Easy => "until it feels easy and even",
        Reason::ToTheEnd => "until you can play on to the end",
        Reason::Heard => "until the whole of it can be heard",
    };
    match a.advice.why {
        Why::Slower(reason) => {
            format!("Slower first, {next}, {}. How much slower is a rule of thumb.", so_that(reason))
        }
        Why::Smaller(Bite::OneBar) => {
            format!("{next} is as slow as this part goes, so take a smaller bite: one bar, until it goes by itself.")
        }
        Why::Smaller(Bite::Patted) => {
            format!(
                "{next} is as slow as this part goes, so leave the bucket out at first: pat it on your knees and count aloud."
            )
        }
        Why::Stay(Reason::Heard) => format!("The same tempo again, {next}, {}.", so_that(Reason::Heard)),
        Why::Stay(reason) => format!("Stay at {next} {}.", so_that(reason)),
        Why::AsAsked { played } => format!("Back to {next}, the tempo asked for: this was {:.0}.", played.get()),
        Why::Up { from } => {
            format!("That went well at {:.0}, so try {next}. How small a step is a rule of thumb.", from.get())
        }
        Why::Goal => format!("You can play it at {next}, which is as fast as this part is meant to go."),
    }
}

/// What to do with the bars of the exercise, in one line.
pub fn step(a: &Assessment) -> String {
    let slowly = if matches!(a.advice.why, Why::Slower(_)) { " Slowly." } else { "" };
    let patted = matches!(a.advice.why, Why::Smaller(Bite::Patted));
    match &a.advice.practise {
        Some(bars) if patted => {
            let (these, them) = if bars.len() == 1 { ("this bar", "it") } else { ("these bars", "them") };
            format!("Pat {these} on your knees three times, counting aloud. Then play {them}.")
        }
        Some(bars) if bars.len() == 1 => format!("Play this bar three times.{slowly}"),
        Some(_) => format!("Play these bars three times, without a stop between them.{slowly}"),
        None => match a.advice.fix {
            Some(Fix::Record(_)) => "Play it once more, and let me hear it.".into(),
            _ => "Play it once more.".into(),
        },
    }
}

/// The word under the frame around the place a finding speaks of; `None` where no place in a bar shows it.
pub fn mark(t: &Timeline, finding: &Finding, stroke: Option<usize>) -> Option<&'static str> {
    match &finding.what {
        What::RestNotKept { .. } => Some("wait"),
        What::EarlyReEntry { .. } | What::JoinRushed { .. } => Some("not before here"),
        What::LateReEntry { .. } | What::JoinGap { .. } => Some("come in here"),
        What::WrongSurface { .. } => stroke.and_then(|j| t.strokes.get(j)).map(|s| surface(s.surface)),
        What::NotTogether { .. } => Some("together"),
        What::Paused { .. } | What::Restarted { .. } | What::Lost { .. } | What::RepeatExtra { .. } => {
            Some("go on here")
        }
        What::StrokesMissing { .. } => Some("play this one too"),
        What::RepeatMissing { .. } | What::SectionSkipped { .. } => Some("this comes next"),
        What::StartedLate { .. } => Some("begin here"),
        What::Rushing(_)
        | What::Dragging(_)
        | What::UnevenHands(_)
        | What::LevelFlat { .. }
        | What::TempoApart { .. } => None,
    }
}
