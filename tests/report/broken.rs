//! Verdicts that contradict themselves: no step above should make one, and if it does, there is a page and no panic.

use pailbeat::align::Step;
use pailbeat::assess::*;
use pailbeat::part::*;
use pailbeat::report::{Meta, chart, json, page, text};
use pailbeat::units::*;
use proptest::prelude::*;

use crate::takes;

/// One thing put wrong.
#[derive(Clone, Debug)]
enum Slip {
    StrikeToStroke(usize, Option<usize>),
    StrokeToStrike(usize, Option<usize>),
    Stretch(usize, (usize, usize)),
    BarStrokes(usize, (usize, usize)),
    BarPass(usize, usize),
    PassBars(usize, (usize, usize)),
    StrokeBar(usize, usize),
    StrokeAt(usize, i64),
    BarAt(usize, i64),
    Rest(i64, i64),
    Meter(u8, u8),
    Time(usize, f64),
    Late(usize, f64),
    Status(usize, u8),
    Steps(usize, u8),
    Find(Option<usize>, Option<usize>, f64, (usize, usize)),
    Inside(usize, usize),
    Practise(usize, usize, Option<usize>),
    FewerJudged(usize),
    Section(usize, String),
    NoClock,
    NoStretches,
}

fn slip() -> impl Strategy<Value = Slip> {
    let i = || prop_oneof![0usize..90, Just(usize::MAX), Just(usize::MAX - 1)];
    let t = || prop_oneof![-100_000i64..100_000, Just(i64::MAX), Just(i64::MIN), Just(0)];
    let x = || prop_oneof![-1e3..1e3f64, Just(f64::NAN), Just(f64::INFINITY), Just(1e300)];
    prop_oneof![
        (i(), proptest::option::of(i())).prop_map(|(a, b)| Slip::StrikeToStroke(a, b)),
        (i(), proptest::option::of(i())).prop_map(|(a, b)| Slip::StrokeToStrike(a, b)),
        (i(), (i(), i())).prop_map(|(a, b)| Slip::Stretch(a, b)),
        (i(), (i(), i())).prop_map(|(a, b)| Slip::BarStrokes(a, b)),
        (i(), i()).prop_map(|(a, b)| Slip::BarPass(a, b)),
        (i(), (i(), i())).prop_map(|(a, b)| Slip::PassBars(a, b)),
        (i(), i()).prop_map(|(a, b)| Slip::StrokeBar(a, b)),
        (i(), t()).prop_map(|(a, b)| Slip::StrokeAt(a, b)),
        (i(), t()).prop_map(|(a, b)| Slip::BarAt(a, b)),
        (t(), t()).prop_map(|(a, b)| Slip::Rest(a, b)),
        (any::<u8>(), any::<u8>()).prop_map(|(a, b)| Slip::Meter(a, b)),
        (i(), x()).prop_map(|(a, b)| Slip::Time(a, b)),
        (i(), x()).prop_map(|(a, b)| Slip::Late(a, b)),
        (i(), 0u8..5).prop_map(|(a, b)| Slip::Status(a, b)),
        (i(), 0u8..12).prop_map(|(a, b)| Slip::Steps(a, b)),
        (proptest::option::of(i()), proptest::option::of(i()), x(), (i(), i()))
            .prop_map(|(a, b, c, d)| Slip::Find(a, b, c, d)),
        (i(), i()).prop_map(|(a, b)| Slip::Inside(a, b)),
        (i(), i(), proptest::option::of(i())).prop_map(|(a, b, c)| Slip::Practise(a, b, c)),
        (0usize..80).prop_map(Slip::FewerJudged),
        (i(), ".{0,40}").prop_map(|(a, b)| Slip::Section(a, b)),
        Just(Slip::NoClock),
        Just(Slip::NoStretches),
    ]
}

fn spoil(a: &mut Assessment, slip: Slip) {
    let t = &mut a.timeline;
    let near = |i: usize, n: usize| if n == 0 { 0 } else { i % n };
    match slip {
        Slip::StrikeToStroke(i, to) => {
            let n = a.strikes.len();
            if let Some(s) = a.strikes.get_mut(near(i, n)) {
                s.stroke = to;
            }
        }
        Slip::StrokeToStrike(i, to) => {
            let n = a.strokes.len();
            if let Some(s) = a.strokes.get_mut(near(i, n)) {
                s.strike = to;
            }
        }
        Slip::Stretch(i, (from, to)) => {
            let n = a.stretches.len();
            if let Some(s) = a.stretches.get_mut(near(i, n)) {
                s.strikes = from..to;
            }
        }
        Slip::BarStrokes(i, (from, to)) => {
            let n = t.bars.len();
            t.bars[near(i, n)].strokes = from..to;
        }
        Slip::BarPass(i, to) => {
            let n = t.bars.len();
            t.bars[near(i, n)].pass = to;
        }
        Slip::PassBars(i, (from, to)) => {
            let n = t.passes.len();
            t.passes[near(i, n)].bars = from..to;
        }
        Slip::StrokeBar(i, to) => {
            let n = t.strokes.len();
            t.strokes[near(i, n)].bar = to;
        }
        Slip::StrokeAt(i, to) => {
            let n = t.strokes.len();
            t.strokes[near(i, n)].at = Ticks(to);
        }
        Slip::BarAt(i, to) => {
            let n = t.bars.len();
            t.bars[near(i, n)].at = Ticks(to);
        }
        Slip::Rest(from, to) => t.rests.push(Rest { from: Ticks(from), to: Ticks(to) }),
        Slip::Meter(beats, unit) => t.meter = Meter { beats, unit },
        Slip::Time(i, x) => {
            let n = a.strikes.len();
            if let Some(s) = a.strikes.get_mut(near(i, n)) {
                s.at = Seconds::of(x);
                s.surface_p = x;
                s.level = Decibels(x);
            }
        }
        Slip::Late(i, x) => {
            let n = a.strokes.len();
            if let Some(s) = a.strokes.get_mut(near(i, n)) {
                s.late = Some(Lateness(Seconds::of(x)));
                s.late_sigma = Some(Seconds::of(x));
            }
        }
        Slip::Status(i, s) => {
            let all = [Status::Played, Status::Missed, Status::WrongSurface, Status::NotHeard, Status::NotReached];
            let n = a.strokes.len();
            if let Some(j) = a.strokes.get_mut(near(i, n)) {
                j.status = all[usize::from(s)];
            }
        }
        Slip::Steps(i, s) => {
            let all = [
                Step::Start,
                Step::Match,
                Step::Displaced,
                Step::Shift,
                Step::NewTempo,
                Step::Jump,
                Step::JumpAfterPause,
                Step::Extra,
                Step::InRest,
                Step::Double,
                Step::CountIn,
                Step::Bounce,
            ];
            let n = a.strikes.len();
            if let Some(strike) = a.strikes.get_mut(near(i, n)) {
                strike.step = all[usize::from(s)];
                strike.stroke = None;
            }
        }
        Slip::Find(bar, stroke, x, (from, to)) => {
            if let Some(f) = a.findings.first_mut() {
                let passes = if stroke.is_some() { Passes::This } else { Passes::Unknown };
                f.place = Some(Place { bars: from..to, bar, stroke, passes });
                f.confidence = x;
            }
        }
        Slip::Inside(i, j) => {
            let all = [
                What::RestNotKept { rest: i, strikes: j },
                What::EarlyReEntry { rest: i, beats: f64::NAN },
                What::Restarted { left: i, bars: j },
                What::StrokesMissing { strokes: vec![i, j], common: Common::Bar },
                What::WrongSurface { written: Surface::Rim, heard: Surface::Clap, strokes: vec![i, j], of: 0 },
                What::Lost { time: Seconds::of(f64::NAN), found: Some(i) },
                What::RepeatExtra { bars: i },
                What::JoinGap { beats: f64::INFINITY },
            ];
            for (f, what) in a.findings.iter_mut().zip(all.into_iter().cycle().skip(j % 8)) {
                f.what = what;
            }
        }
        Slip::Practise(from, to, about) => {
            a.advice.practise = Some(from..to);
            a.advice.fix = about.map(Fix::Finding);
        }
        Slip::FewerJudged(n) => a.strokes.truncate(n),
        Slip::Section(i, text) => {
            let n = t.passes.len();
            t.passes[near(i, n)].section = text;
        }
        Slip::NoClock => a.clock = None,
        Slip::NoStretches => a.stretches.clear(),
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 160, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn no_verdict_however_broken_panics(which in 0usize..3, slips in proptest::collection::vec(slip(), 1..6), name in ".{0,80}") {
        let mut a = [takes::rests, takes::restart, takes::repeat][which]();
        for slip in slips {
            spoil(&mut a, slip);
        }
        let meta = Meta { pupil: Some(name.clone()), date: Some(name.clone()), take: name };
        for page in [page::teacher(&a, &meta), page::pupil(&a, &meta)].into_iter().flatten() {
            let options = roxmltree::ParsingOptions { allow_dtd: true, ..Default::default() };
            prop_assert!(roxmltree::Document::parse_with_options(&page, options).is_ok());
        }
        let svg = chart::svg(&a, &chart::ChartStyle::default());
        prop_assert!(svg.is_err() || svg.is_ok_and(|svg| roxmltree::Document::parse(&svg).is_ok()));
        prop_assert!(serde_json::from_str::<serde_json::Value>(&json::assessment(&a)).is_ok());
        prop_assert!(text::summary(&a, &meta).lines().all(|line| line.chars().count() <= 80));
    }
}

#[test]
fn bars_beyond_the_piece_are_not_drawn_or_walked_through() {
    let mut a = takes::rests();
    let meta = Meta { pupil: None, date: None, take: "take.wav".into() };
    a.advice.practise = Some(0..a.timeline.bars.len());
    let whole = page::pupil(&a, &meta).unwrap();
    // No page would ever be done with so many.
    a.advice.practise = Some(0..usize::MAX);
    let beyond = page::pupil(&a, &meta).unwrap();
    let figures = |page: &str| page.matches("<figure>").count();
    assert_eq!((figures(&beyond), figures(&whole)), (a.timeline.bars.len(), a.timeline.bars.len()));
}
