//! Every sentence the verdict can say, each with the case that makes it.

use super::super::*;
use super::*;
use crate::part::{Hand, parse};
use crate::surface::Doubt;
use crate::units::{Bpm, Decibels, Seconds};

/// A piece with two sections, a rest over a bar line, a rest that is one of two, both hands and a swell.
fn timeline() -> Timeline {
    let text = "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 90 }\nform = \"A A B\"\n[sections.A]\n\
                strokes = \"o.x. oo.. | xxxx ---- | --o. -.o. | O.x. X.x.\"\nlevel = \"<<<< <<<< | f... .... | .... .... | >>>> >>>>\"\n\
                [sections.B]\nstrokes = \"+.+. x.-- | |: o.x. :|2 \"\n";
    parse(text).unwrap().timeline(None, Bpm::clamped(72.0)).unwrap()
}

fn blank() -> Assessment {
    let timeline = timeline();
    let played = JudgedStroke { status: Status::Played, strike: None, late: None, late_sigma: None, bpm: None };
    Assessment {
        strokes: vec![played; timeline.strokes.len()],
        clock: Some(Clock { source: ClockSource::OwnPulse, start: Seconds::ZERO, bpm: timeline.bpm }),
        strikes: Vec::new(),
        findings: Vec::new(),
        advice: Advice {
            praise: Praise::Recorded,
            fix: None,
            practise: None,
            next: timeline.bpm,
            why: Why::Stay(Reason::Heard),
        },
        slips: Vec::new(),
        limits: Vec::new(),
        stretches: Vec::new(),
        jitter: None,
        guide: None,
        timeline,
    }
}

fn found(what: What, place: Option<Place>) -> Finding {
    Finding { what, place, at: Some(Seconds::of(3.0)), confidence: 0.9, evidence: Evidence::Ending, otherwise: None }
}

/// Every kind, in every shape that is worded otherwise.
fn findings() -> Vec<Finding> {
    let bar = |b: usize| Some(Place::bar(b));
    let stroke = |j: usize| {
        let t = timeline();
        Some(Place { stroke: Some(j), ..Place::bar(t.strokes[j].bar) })
    };
    let span = |bars: std::ops::Range<usize>| Some(Place { bars: bars.clone(), ..Place::bar(bars.start) });
    let course = |from: f64, to: f64, back: Option<f64>| Course {
        from: Bpm::clamped(from),
        to: Bpm::clamped(to),
        back: back.map(Bpm::clamped),
        bar: 2,
    };
    let rise = Decibels(0.4);
    let written = Surface::Rim;
    vec![
        found(What::RestNotKept { rest: 0, strikes: 2 }, bar(1)),
        found(What::RestNotKept { rest: 1, strikes: 1 }, bar(2)),
        found(What::RestNotKept { rest: 4, strikes: 1 }, bar(8)),
        found(What::EarlyReEntry { rest: 0, beats: 0.5 }, stroke(8)),
        found(What::LateReEntry { rest: 1, beats: 1.0 }, stroke(9)),
        found(What::JoinGap { beats: 1.5 }, bar(4)),
        found(What::JoinRushed { beats: 0.5 }, bar(8)),
        found(What::WrongSurface { written, heard: Surface::Centre, strokes: vec![1, 4, 5], of: 3 }, span(0..2)),
        found(What::WrongSurface { written, heard: Surface::Click, strokes: vec![1, 4, 5, 6], of: 6 }, span(0..2)),
        found(What::RepeatExtra { bars: 4 }, span(0..4)),
        found(What::RepeatExtra { bars: 1 }, span(8..11)),
        found(What::RepeatExtra { bars: 1 }, bar(9)),
        found(What::RepeatMissing { bars: 4 }, span(4..8)),
        found(What::RepeatMissing { bars: 1 }, span(9..11)),
        found(What::RepeatMissing { bars: 1 }, bar(9)),
        found(What::SectionSkipped { bars: 3 }, span(8..11)),
        found(What::SectionSkipped { bars: 1 }, bar(2)),
        found(What::SectionSkipped { bars: 1 }, span(1..3)),
        found(What::Restarted { left: 2, bars: 1 }, bar(2)),
        found(What::Restarted { left: 6, bars: 3 }, bar(4)),
        found(What::Paused { beats: 2.2, fell: false }, stroke(3)),
        found(What::Paused { beats: 4.0, fell: true }, stroke(3)),
        found(What::Rushing(course(66.0, 80.0, None)), None),
        found(What::Rushing(course(66.0, 80.0, Some(67.0))), None),
        found(What::Dragging(course(80.0, 66.0, None)), None),
        found(What::Dragging(course(80.0, 66.0, Some(79.0))), None),
        found(What::UnevenHands(Uneven::Late { hand: Hand::Left, by: Seconds::from_millis(45.0) }), None),
        found(What::UnevenHands(Uneven::Louder { hand: Hand::Right, by: Decibels(6.0) }), None),
        found(What::NotTogether { spread: Seconds::from_millis(48.0), apart: 3, of: 4 }, None),
        found(What::LevelFlat { dynamic: Dynamics::Swell { once: false }, rise }, bar(0)),
        found(What::LevelFlat { dynamic: Dynamics::Fade { once: true }, rise }, bar(3)),
        found(What::LevelFlat { dynamic: Dynamics::Marks, rise }, None),
        found(What::StartedLate { bars: 4 }, bar(4)),
        found(What::Lost { time: Seconds::of(6.0), found: Some(6) }, bar(4)),
        found(What::Lost { time: Seconds::of(6.0), found: None }, bar(4)),
        found(What::StrokesMissing { strokes: vec![1], common: Common::Bar }, stroke(1)),
        found(What::StrokesMissing { strokes: vec![4, 5, 6], common: Common::Bar }, bar(1)),
        found(What::StrokesMissing { strokes: vec![0, 1, 4, 5, 6, 8], common: Common::Pass }, Some(Place::span(0..2))),
        found(What::StrokesMissing { strokes: vec![3, 5, 7, 14], common: Common::Offbeats }, None),
        found(What::StrokesMissing { strokes: vec![1, 4, 5, 6], common: Common::Surface(Surface::Rim) }, None),
        found(What::TempoApart { played: Bpm::clamped(66.0), asked: Bpm::clamped(90.0) }, None),
        found(What::TempoApart { played: Bpm::clamped(111.0), asked: Bpm::clamped(84.0) }, None),
    ]
}

/// All sentences: who is told, the case, the words.
fn all() -> Vec<(&'static str, String, String)> {
    let mut out = Vec::new();
    let mut say = |who: &'static str, case: String, text: String| out.push((who, case, text));
    for finding in findings() {
        let case = format!("{:?}", finding.what);
        let mut a = blank();
        a.findings = vec![finding.clone()];
        a.advice.fix = Some(Fix::Finding(0));
        say("teacher", case.clone(), super::finding(&a, &finding));
        say("pupil", case.clone(), fix(&a));
        // The same at four places, as far as it is told as one.
        a.findings = vec![finding.clone(); 4];
        if a.statements().len() == 1 {
            a.advice.practise = Some(0..2);
            say("teacher", format!("four times {case}"), statement(&a, 0..4));
            say("teacher", format!("twice {case}"), statement(&a, 0..2));
            say("pupil", format!("four times {case}"), fix(&a));
        }
        for rival in Kind::ALL {
            let a = blank();
            let doubted = Finding { otherwise: Some(rival), ..finding.clone() };
            if finding.kind() == Kind::JoinGap {
                say("teacher", format!("{case} or {}", rival.word()), super::finding(&a, &doubted));
            }
        }
    }
    let nats = 6.5;
    let evidences = [
        Evidence::Shift { beats: 0.52, se: 0.08, nats },
        Evidence::Shift { beats: -0.52, se: 0.08, nats: 0.1 },
        Evidence::Jump { nats: 25.0, follow: 12, late: 0.1 },
        Evidence::Jump { nats, follow: 1, late: -0.1 },
        Evidence::Beginning { nats },
        Evidence::Ending,
        Evidence::Astray { strikes: 7, nats },
        Evidence::InRest { strikes: 2, odds: nats },
        Evidence::Sounds(vec![(5, 6, Surface::Rim, Surface::Centre)]),
        Evidence::Tempi {
            parts: vec![Bpm::clamped(66.0), Bpm::clamped(71.0), Bpm::clamped(78.0)],
            change: 0.17,
            se: 0.02,
            wander: 0.024,
        },
        Evidence::Hands {
            difference: Uneven::Late { hand: Hand::Left, by: Seconds::from_millis(45.0) },
            se: 0.008,
            strokes: 40,
            told_apart: false,
        },
        Evidence::Hands {
            difference: Uneven::Louder { hand: Hand::Left, by: Decibels(6.0) },
            se: 0.8,
            strokes: 40,
            told_apart: true,
        },
        Evidence::TwoSounds { more_than: Seconds::from_millis(25.0), both: (3, 4), single: (1, 40) },
        Evidence::Rise { rise: Decibels(0.4), se: Decibels(0.9), strokes: 16, least: Decibels(3.0) },
        Evidence::Silence { missing: 1, of: 5, least: 0.97 },
        Evidence::Silence { missing: 3, of: 5, least: 0.9 },
        Evidence::Middle { played: Bpm::clamped(66.0), strokes: 80 },
    ];
    for one in evidences {
        say("why", format!("{one:?}"), evidence(&one));
    }
    let praises = [
        Praise::AllInPlace,
        Praise::EveryStroke,
        Praise::Steady { throughout: true },
        Praise::Steady { throughout: false },
        Praise::RestsKept(2),
        Praise::RestsKept(5),
        Praise::Joined,
        Praise::Pass(0),
        Praise::Surfaces(vec![Surface::Centre, Surface::Rim, Surface::Click]),
        Praise::Whole,
        Praise::NearlyAll,
        Praise::Bars(1),
        Praise::Bars(5),
        Praise::Recorded,
    ];
    for praised in praises {
        let mut a = blank();
        let case = format!("{praised:?}");
        a.advice.praise = praised;
        say("praise", case, praise(&a));
    }
    let reasons =
        [Reason::ThinkAhead, Reason::EveryStroke, Reason::OneThing, Reason::Easy, Reason::ToTheEnd, Reason::Heard];
    let whys = reasons.into_iter().flat_map(|r| [Why::Slower(r), Why::Stay(r)]);
    let whys = whys.chain([Why::Smaller(Bite::OneBar), Why::Smaller(Bite::Patted)]);
    let whys =
        whys.chain([Why::AsAsked { played: Bpm::clamped(101.0) }, Why::Up { from: Bpm::clamped(81.0) }, Why::Goal]);
    for because in whys {
        let mut a = blank();
        a.advice.why = because;
        say("tempo", format!("{because:?}"), why(&a));
        a.advice.practise = Some(1..3);
        say("step", format!("{because:?}"), step(&a));
    }
    let fixes = [
        Fix::Record(Record::Nearer),
        Fix::Record(Record::Quieter),
        Fix::Record(Record::Further),
        Fix::AnotherPart,
        Fix::Slip(Slip::Extra { stroke: 3, plain: true }),
        Fix::Slip(Slip::TooSoon { stroke: 3, beats: 0.5, plain: true }),
        Fix::Slip(Slip::TooLong { stroke: 3, beats: 0.5, plain: true }),
    ];
    for try_this in fixes {
        let mut a = blank();
        a.advice.fix = Some(try_this);
        say("pupil", format!("{try_this:?}"), fix(&a));
        a.clock = None;
        say("pupil", format!("{try_this:?}, nothing judged"), fix(&a));
    }
    let t = timeline();
    let limits = [
        Limit::AlmostNothing { strikes: 0, duration: Seconds::of(30.0) },
        Limit::AnotherPart { strikes: 80 },
        Limit::PerhapsAnotherPart,
        Limit::OwnPulse,
        Limit::Clipped { share: 0.3 },
        Limit::Gain,
        Limit::EndsEarly { bar: 6, after: 4 },
        Limit::NotHeard { strokes: 1 },
        Limit::NotHeard { strokes: 27 },
        Limit::Noise { over: Decibels(7.0), together: true },
        Limit::Noise { over: Decibels(7.0), together: false },
        Limit::StrongerHand { hand: Hand::Left, by: Decibels(5.0) },
        Limit::Surfaces(Doubt::Exchanged { a: Surface::Centre, b: Surface::Rim, p: 0.5 }),
        Limit::Surfaces(Doubt::Exchanged { a: Surface::Centre, b: Surface::Rim, p: 0.3 }),
        Limit::Surfaces(Doubt::NotToldApart { written: Surface::Rim, heard: Surface::Centre }),
        Limit::Surfaces(Doubt::OneSurface { written: Surface::Centre }),
        Limit::Recording("it ends early; what is there was heard".into()),
    ];
    for one in limits {
        say("limit", format!("{one:?}"), limit(&t, &one));
    }
    for bars in [0..1, 0..2, 0..4, 3..5, 7..9, 8..11] {
        say("exercise", format!("{bars:?}"), exercise(&t, &bars));
    }
    out
}

#[test]
#[allow(clippy::print_stdout, reason = "to be read aloud")]
fn every_sentence() {
    let said = all();
    for (who, case, text) in &said {
        println!("{who:<8} {text}\n         ({case})");
        assert!(!text.is_empty(), "{who} {case}");
        for word in ["  ", "nats", "log odds", "{", "}", "..", "the the", "NaN", "inf", " ,", "no bar", "no stroke"] {
            assert!(!text.contains(word), "`{word}` in: {text}");
        }
        if ["teacher", "pupil", "praise", "why", "tempo", "step"].contains(who) {
            assert!(text.ends_with('.'), "{who} {case}: {text}");
            let first = text.chars().next().unwrap();
            assert!(first.is_uppercase() || first.is_ascii_digit(), "{text}");
        }
        // A child of eight reads this: nothing in milliseconds or decibels, no long sentence.
        if ["pupil", "praise", "tempo", "step"].contains(who) {
            assert!(!text.contains(" ms") && !text.contains(" dB") && !text.contains('%'), "{text}");
            let longest = text.split(['.', ':', ';']).map(|s| s.split_whitespace().count()).max();
            assert!(longest <= Some(24), "{longest:?} words: {text}");
        }
    }
    // Nobody is told the same of two different things.
    assert!(said.len() > 150, "{}", said.len());
}

#[test]
fn every_exercise_holds_its_fault() {
    for finding in findings() {
        let mut a = blank();
        a.findings = vec![finding.clone()];
        let bars = super::super::advice::practise(&a, Fix::Finding(0)).expect("every kind has bars to practise");
        assert!(bars.start < bars.end && bars.end <= a.timeline.bars.len() && bars.len() <= MAX_BARS, "{finding:?}");
        let place = finding.place.clone().unwrap_or(Place::span(0..a.timeline.bars.len()));
        let held = match finding.what {
            // Both sides of the join, or of what was left out.
            What::JoinGap { .. } | What::JoinRushed { .. } => bars == (place.bars.start - 1..place.bars.start + 1),
            // Where it broke off, not where it went back to.
            What::Restarted { left, .. } => bars.contains(&left),
            // What comes before the late beginning is what was not played.
            What::StartedLate { .. } => bars.start == 0,
            // Where the time too many ends and the next thing should have come.
            What::RepeatExtra { bars: n } => bars.contains(&(place.bars.start + n - 1)),
            _ => bars.start < place.bars.end && place.bars.start < bars.end,
        };
        assert!(held, "{bars:?} for {finding:?}");
    }
}

fn told(what: What, place: Place) -> (String, String) {
    let mut a = blank();
    a.findings = vec![found(what, Some(place))];
    a.advice.fix = Some(Fix::Finding(0));
    (finding(&a, &a.findings[0]), fix(&a))
}

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

#[test]
fn a_gap_names_both_sides_and_its_length() {
    let (teacher, child) = told(What::JoinGap { beats: 1.52 }, Place::bar(4));
    assert_eq!(teacher, "Between the first A and the second A there was a gap of about a beat and a half.");
    assert_eq!(
        child,
        "Before the second A you stopped for a moment. Let the last bar of the first A run straight into it."
    );
}

#[test]
fn what_cannot_be_told_apart_is_not_guessed() {
    let somewhere = Place { bars: 8..11, ..Place::bar(8) };
    let (teacher, _) = told(What::RepeatExtra { bars: 1 }, somewhere);
    assert_eq!(teacher, "One bar too many, somewhere in bars 1 to 3 of B; bars that sound alike cannot be told apart.");
    let (teacher, child) = told(What::RepeatExtra { bars: 4 }, Place { bars: 0..4, ..Place::bar(0) });
    assert_eq!(teacher, "The first A was played once more than written.");
    assert_eq!(child, "You played the first A once too often. Say the number of each time before you play it.");
}

#[test]
fn a_rest_over_a_bar_line_is_told_from_where_it_begins() {
    let rest = timeline().rests.iter().position(|r| r.to - r.from == Ticks(6 * 480)).expect("a rest over the bar line");
    let (teacher, child) = told(What::RestNotKept { rest, strikes: 1 }, Place::bar(2));
    assert!(teacher.starts_with("The rest from beat 3 on in bar 2 of the first A was played through"), "{teacher}");
    assert!(child.contains("three quiet beats from beat 3 on, over the bar line"), "{child}");
}

#[test]
fn equal_faults_are_one_statement_with_their_places() {
    let mut a = blank();
    let rests = [(0, 1), (1, 2), (2, 5), (3, 6)];
    a.findings = rests.map(|(rest, bar)| found(What::RestNotKept { rest, strikes: 1 }, Some(Place::bar(bar)))).into();
    assert_eq!(a.statements(), vec![std::ops::Range { start: 0, end: 4 }]);
    assert_eq!(
        statement(&a, 0..4),
        format!(
            "Four of the {} rests were played through; the first is in bar 2 of the first A.",
            number(of_how_many(&a, Kind::RestNotKept).unwrap())
        )
    );
}
