//! Sentences for the teacher.

use super::super::finding::{Common, Dynamics, Finding, Kind, Place, Uneven, What};
use super::super::{Assessment, Status};
use super::{
    NAME, beats, capital, clean, each_once, here, listed, many, missing, number, of_how_many, on, place_of, quiet,
    section, section_of, span, surface, times, was, whole_section,
};
use crate::part::{Hand, Timeline};

/// A kind of finding as a heading.
pub fn heading(kind: Kind) -> &'static str {
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
        Kind::Rushing => "Got faster",
        Kind::Dragging => "Got slower",
        Kind::UnevenHands => "Uneven hands",
        Kind::NotTogether => "Hands not together",
        Kind::LevelFlat => "No louder, no softer",
        Kind::StartedLate => "Did not begin at the beginning",
        Kind::Lost => "Lost the place",
        Kind::StrokesMissing => "Strokes left out",
        Kind::TempoApart => "Another tempo",
    }
}

/// What is said where nothing was found.
pub fn nothing(a: &Assessment) -> &'static str {
    let unheard = a.strokes.iter().any(|s| s.status == Status::NotHeard);
    match (a.clock, a.too_little_heard()) {
        (None, _) => "Nothing could be judged.",
        (_, true) => "Too much could not be heard to say whether all was in its place.",
        _ if a.slips.iter().any(|s| s.plain()) => "No fault that needs teaching was found.",
        _ if unheard => "Nothing to mend was found in what could be heard.",
        _ => "Nothing to mend was found.",
    }
}

/// The sentence for one statement: equal faults, told once. `findings`: an index range of [`Assessment::statements`].
pub fn statement(a: &Assessment, findings: std::ops::Range<usize>) -> String {
    let findings = a.findings.get(findings).unwrap_or_default();
    let Some((first, others)) = findings.split_first() else { return String::new() };
    if others.is_empty() { finding(a, first) } else { several(a, first, findings) }
}

/// The sentence for one finding.
pub fn finding(a: &Assessment, f: &Finding) -> String {
    let t = &a.timeline;
    let text = one(t, f);
    match f.otherwise.and_then(other) {
        Some(other) => format!("{text} It may also have been {other}."),
        None => text,
    }
}

/// The other account of the same sounds, where it is another event and not another name.
fn other(kind: Kind) -> Option<&'static str> {
    match kind {
        Kind::LateReEntry => Some("a rest counted too long"),
        Kind::JoinGap => Some("a pause before the section"),
        Kind::Restarted => Some("a fresh start"),
        Kind::Paused => Some("a pause"),
        _ => None,
    }
}

fn one(t: &Timeline, f: &Finding) -> String {
    let place = place_of(f);
    let bar = place.bar.unwrap_or(place.bars.start);
    match &f.what {
        What::RestNotKept { rest, strikes } => {
            let from =
                quiet(t, *rest).and_then(|q| q.from).map_or_else(String::new, |beat| format!(" from beat {beat} on"));
            format!(
                "The rest{from} in {} was played through: {} fell into the silence.",
                here(t, &rest_bar(t, *rest).unwrap_or(place)),
                many(*strikes, "strike")
            )
        }
        What::EarlyReEntry { beats: size, .. } => {
            format!("After the rest {} the playing came back about {} early.", at_rest(t, f, &place), beats(*size))
        }
        What::LateReEntry { beats: size, .. } => {
            format!("After the rest {} the playing came back about {} late.", at_rest(t, f, &place), beats(*size))
        }
        What::JoinGap { beats: size } => match bar.checked_sub(1).filter(|_| starts_pass(t, bar)) {
            Some(before) => format!(
                "Between {} and {} there was a gap of about {}.",
                section_of(t, before),
                section(t, &place),
                beats(*size)
            ),
            None => format!("Before {} there was a gap of about {}.", section(t, &place), beats(*size)),
        },
        What::JoinRushed { beats: size } => {
            format!("{} began about {} too soon.", capital(&section(t, &place)), beats(*size))
        }
        What::WrongSurface { written, heard, strokes, of } => {
            let share = match strokes.len() {
                n if n == *of => "all of it".to_string(),
                n => format!("{} of {} strokes", number(n), number(*of)),
            };
            format!("In {} what is written {} was played {}, {share}.", section(t, &place), on(*written), on(*heard))
        }
        What::RepeatExtra { bars } if whole_section(t, &place, *bars) => {
            format!("{} was played once more than written.", capital(&section(t, &place)))
        }
        What::RepeatExtra { bars } if place.bars.len() > *bars => format!(
            "{} too many, somewhere in {}; bars that sound alike cannot be told apart.",
            capital(&many(*bars, "bar")),
            span(t, &place)
        ),
        What::RepeatExtra { .. } => {
            format!("{} {} played once more than written.", capital(&span(t, &place)), were(&place))
        }
        What::RepeatMissing { bars } if whole_section(t, &place, *bars) => {
            let section = place.pass(t).map_or_else(|| "the piece".into(), |p| clean(&p.section, NAME));
            format!("{} was played one time fewer than written.", capital(&section))
        }
        What::SectionSkipped { bars } if whole_section(t, &place, *bars) => {
            format!("{} was left out.", capital(&section(t, &place)))
        }
        What::RepeatMissing { bars } | What::SectionSkipped { bars } if place.bars.len() > *bars => format!(
            "{} too few, somewhere in {}; bars that sound alike cannot be told apart.",
            capital(&many(*bars, "bar")),
            span(t, &place)
        ),
        What::RepeatMissing { .. } => {
            format!("{} {} played one time fewer than written.", capital(&span(t, &place)), were(&place))
        }
        What::SectionSkipped { .. } => format!("{} {} left out.", capital(&span(t, &place)), were(&place)),
        What::Restarted { left, .. } if *left == bar => {
            format!("The playing broke off in {} and began the bar again.", here(t, &place))
        }
        What::Restarted { left, .. } => {
            format!("The playing broke off in {} and went back to {}.", here(t, &Place::bar(*left)), here(t, &place))
        }
        What::Paused { beats: size, fell: true } => {
            format!("A stick fell in {}; after about {} the playing went on.", here(t, &place), beats(*size))
        }
        What::Paused { beats: size, fell: false } => {
            format!("The playing stopped in {} for about {} and went on from there.", here(t, &place), beats(*size))
        }
        What::Rushing(course) | What::Dragging(course) => {
            let way = if matches!(f.what, What::Rushing(_)) { "rose" } else { "fell" };
            let noticed = match course.bar {
                0 => String::new(),
                bar => format!(", to be heard from {} on", here(t, &Place::bar(bar))),
            };
            match course.back {
                None => format!(
                    "The tempo {way} by about {:.0} %, from {:.0} to {:.0}{noticed}.",
                    f.what.size().0.abs(),
                    course.from.get(),
                    course.to.get()
                ),
                Some(back) => format!(
                    "The tempo {way} by about {:.0} %, from {:.0} to {:.0}, and came back to {:.0}{noticed}.",
                    f.what.size().0.abs(),
                    course.from.get(),
                    course.to.get(),
                    back.get()
                ),
            }
        }
        What::UnevenHands(Uneven::Late { hand, by }) => format!(
            "Strokes written for the {} hand come about {:.0} ms late against those for the {}: the pairs limp a little.",
            hand_name(*hand),
            by.millis(),
            hand_name(other_hand(*hand))
        ),
        What::UnevenHands(Uneven::Louder { hand, by }) => format!(
            "Strokes written for the {} hand are about {:.0} dB louder than those for the {}.",
            hand_name(*hand),
            by.0,
            hand_name(other_hand(*hand))
        ),
        What::NotTogether { spread, apart, of } => format!(
            "Where both hands are written they came apart, by about {:.0} ms, in {} of {} strokes.",
            spread.millis(),
            number(*apart),
            number(*of)
        ),
        What::LevelFlat { dynamic: Dynamics::Swell { .. }, .. } => {
            format!("The swell in {} hardly grew.", span(t, &place))
        }
        What::LevelFlat { dynamic: Dynamics::Fade { .. }, .. } => {
            format!("The fade in {} hardly softened.", span(t, &place))
        }
        What::LevelFlat { dynamic: Dynamics::Marks, .. } => "The loud and the soft places sound much alike.".into(),
        What::StartedLate { .. } => {
            format!("The playing began at {}; what comes before it was not played.", here(t, &place))
        }
        What::Lost { time, found } => {
            let seconds = time.get().round().max(1.0);
            let again =
                found.map_or_else(String::new, |bar| format!("; it was found again at {}", here(t, &Place::bar(bar))));
            format!("The place was lost in {} for about {seconds:.0} s{again}.", here(t, &place))
        }
        What::StrokesMissing { strokes, common } => left_out(t, f, strokes, *common),
        What::TempoApart { played, asked } => {
            let way = if played < asked { "slower" } else { "faster" };
            format!("Played at {:.0}, {way} than the {:.0} that was asked for.", played.get(), asked.get())
        }
    }
}

fn left_out(t: &Timeline, f: &Finding, strokes: &[usize], common: Common) -> String {
    let place = f.place.as_ref();
    let whole = place.map_or_else(|| "throughout".to_string(), |p| format!("in {}", section(t, p)));
    let n = capital(&many(strokes.len(), "stroke"));
    let were = was(strokes.len());
    match common {
        Common::Offbeats => {
            format!("The strokes between the beats were left out {whole}: {} of them.", number(strokes.len()))
        }
        Common::Surface(s) => {
            format!("The strokes written {} were left out {whole}: {} of them.", on(s), number(strokes.len()))
        }
        Common::Pass => {
            let place = place_of(f);
            if whole_section(t, &place, place.bars.len()) {
                format!("Most strokes of {} were left out: {}.", section(t, &place), number(strokes.len()))
            } else {
                format!("{n} {were} left out in {}.", span(t, &place))
            }
        }
        Common::Bar => {
            let place = place_of(f);
            match strokes {
                [one] => {
                    let s = t.strokes.get(*one).map_or("", |s| surface(s.surface));
                    format!(
                        "A stroke was left out in {}: the {s} on {}.",
                        here(t, &place),
                        super::beat(t, t.beat(*one))
                    )
                }
                _ => format!("{n} {were} left out in {}.", here(t, &place)),
            }
        }
    }
}

/// Equal faults at several places.
fn several(a: &Assessment, first: &Finding, all: &[Finding]) -> String {
    let t = &a.timeline;
    let n = all.len();
    let first_place = place_of(first);
    let places = each_once(all.iter().map(|f| here(t, &place_of(f))));
    let sections = each_once(all.iter().map(|f| section(t, &place_of(f))));
    // Three places are listed, of more the first is named.
    let few = places.len() <= 3;
    let at = if few { format!("in {}", listed(&places)) } else { format!("the first is in {}", here(t, &first_place)) };
    let sep = if few { ":" } else { ";" };
    let sizes = all.iter().map(|f| f.what.size().0.abs());
    let (low, high) = (sizes.clone().fold(f64::INFINITY, f64::min), sizes.fold(0.0, f64::max));
    let by =
        if beats(low) == beats(high) { format!("about {}", beats(high)) } else { format!("up to {}", beats(high)) };
    let of = |what: &str| match of_how_many(a, first.kind()) {
        Some(of) if of > n => format!("{} of the {} {what}s", capital(&number(n)), number(of)),
        Some(2) if n == 2 => format!("Both {what}s"),
        Some(of) if of == n => format!("All {} {what}s", number(n)),
        _ => capital(&many(n, what)),
    };
    match &first.what {
        What::RestNotKept { .. } => format!("{} were played through{sep} {at}.", of("rest")),
        What::EarlyReEntry { .. } => {
            let times = after(a, first.kind(), n);
            format!("After {times} the playing came back early, by {by}{sep} {at}.")
        }
        What::LateReEntry { .. } => {
            let times = after(a, first.kind(), n);
            format!("After {times} the playing came back late, by {by}{sep} {at}.")
        }
        What::JoinGap { .. } => {
            format!("There was a gap of {by} at {}: before {}.", at_joins(a, first.kind(), n), listed(&sections))
        }
        What::JoinRushed { .. } => format!("{} began too soon, by {by}.", capital(&listed(&sections))),
        What::WrongSurface { written, heard, .. } => {
            format!("In {} what is written {} was played {}.", listed(&sections), on(*written), on(*heard))
        }
        What::SectionSkipped { .. } => {
            let spans = each_once(all.iter().map(|f| name_or_span(t, f)));
            format!("{} were left out.", capital(&listed(&spans)))
        }
        What::Restarted { .. } => format!("The playing broke off and went back {}{sep} {at}.", times(n)),
        What::Paused { .. } => format!("The playing stopped {}, for {by}{sep} {at}.", times(n)),
        What::Lost { .. } => format!("The place was lost {}{sep} {at}.", times(n)),
        What::StrokesMissing { .. } => {
            let strokes = missing(all);
            let most = all.iter().max_by_key(|f| missing(std::slice::from_ref(f)));
            let at = if few {
                format!("in {}", listed(&places))
            } else {
                format!(
                    "in {} places, most in {}",
                    number(places.len()),
                    most.map_or_else(String::new, |f| here(t, &place_of(f)))
                )
            };
            format!("{} were left out: {at}.", capital(&many(strokes, "stroke")))
        }
        What::LevelFlat { dynamic, .. } => {
            let spans = each_once(all.iter().map(|f| span(t, &place_of(f))));
            match dynamic {
                Dynamics::Fade { .. } => format!("The fades in {} hardly softened.", listed(&spans)),
                Dynamics::Swell { .. } | Dynamics::Marks => format!("The swells in {} hardly grew.", listed(&spans)),
            }
        }
        // Never more than one of these in a statement.
        What::RepeatExtra { .. }
        | What::RepeatMissing { .. }
        | What::StartedLate { .. }
        | What::Rushing(_)
        | What::Dragging(_)
        | What::UnevenHands(_)
        | What::NotTogether { .. }
        | What::TempoApart { .. } => all.iter().map(|f| one(t, f)).collect::<Vec<_>>().join(" "),
    }
}

fn after(a: &Assessment, kind: Kind, n: usize) -> String {
    match of_how_many(a, kind) {
        Some(of) if of > n => format!("{} of the {} rests", number(n), number(of)),
        Some(2) if n == 2 => "both rests".into(),
        Some(of) if of == n => format!("all {} rests", number(n)),
        _ => many(n, "rest"),
    }
}

fn at_joins(a: &Assessment, kind: Kind, n: usize) -> String {
    match of_how_many(a, kind) {
        Some(of) if of > n => format!("{} of the {} joins", number(n), number(of)),
        _ => many(n, "join"),
    }
}

fn name_or_span(t: &Timeline, f: &Finding) -> String {
    let place = place_of(f);
    if whole_section(t, &place, place.bars.len()) { section(t, &place) } else { span(t, &place) }
}

fn starts_pass(t: &Timeline, bar: usize) -> bool {
    let pass = |b: usize| t.bars.get(b).map(|b| b.pass);
    bar == 0 || pass(bar) != pass(bar - 1)
}

/// The bar in which a rest begins.
fn rest_bar(t: &Timeline, rest: usize) -> Option<Place> {
    let from = t.rests.get(rest)?.from;
    t.bars.iter().rposition(|b| b.at <= from).map(Place::bar)
}

/// Where the rest before a re-entry stands: `in bar 3 of A`, or `before bar 4 of A` where it ends with a bar.
pub(super) fn at_rest(t: &Timeline, f: &Finding, place: &Place) -> String {
    let inside = f.beat(t).is_some_and(|beat| beat > 1.5);
    format!("{} {}", if inside { "in" } else { "before" }, here(t, place))
}

fn were(place: &Place) -> &'static str {
    if place.bars.len() > 1 { "were" } else { "was" }
}

pub(super) fn hand_name(hand: Hand) -> &'static str {
    match hand {
        Hand::Left => "left",
        Hand::Right => "right",
    }
}

pub(super) fn other_hand(hand: Hand) -> Hand {
    match hand {
        Hand::Left => Hand::Right,
        Hand::Right => Hand::Left,
    }
}

/// What is written beside a finding's number in the chart: two or three words.
pub fn short(finding: &Finding) -> String {
    let in_beats = |beats: f64| {
        // A tenth is as near as anybody reads a beat.
        let tenths = (10.0 * beats.abs()).round() / 10.0;
        let text = format!("{tenths:.1}");
        let text = text.trim_end_matches('0').trim_end_matches('.');
        format!("{text} {}", if (tenths - 1.0).abs() < 0.05 { "beat" } else { "beats" })
    };
    match &finding.what {
        What::RestNotKept { .. } => "rest played through".into(),
        What::EarlyReEntry { beats, .. } => format!("in early, {}", in_beats(*beats)),
        What::LateReEntry { beats, .. } => format!("in late, {}", in_beats(*beats)),
        What::JoinGap { beats } => format!("gap, {}", in_beats(*beats)),
        What::JoinRushed { beats } => format!("join hurried, {}", in_beats(*beats)),
        What::WrongSurface { written, heard, .. } => format!("{}, not {}", heard.word(), written.word()),
        What::RepeatExtra { .. } => "once too often".into(),
        What::RepeatMissing { .. } => "once too few".into(),
        What::SectionSkipped { .. } => "left out".into(),
        What::Restarted { .. } => "began again".into(),
        What::Paused { beats, fell: false } => format!("stopped, {}", in_beats(*beats)),
        What::Paused { fell: true, .. } => "a stick fell".into(),
        What::Rushing(_) => "getting faster".into(),
        What::Dragging(_) => "getting slower".into(),
        What::UnevenHands(_) => "hands uneven".into(),
        What::NotTogether { spread, .. } => format!("hands apart, {:.0} ms", spread.millis()),
        What::LevelFlat { .. } => "no louder, no softer".into(),
        What::StartedLate { .. } => "begins here".into(),
        What::Lost { .. } => "lost from here".into(),
        What::StrokesMissing { strokes, .. } if strokes.len() == 1 => "left out".into(),
        What::StrokesMissing { strokes, .. } => format!("{} left out", number(strokes.len())),
        What::TempoApart { .. } => "another tempo".into(),
    }
}
