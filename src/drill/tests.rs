use proptest::prelude::*;

use super::*;
use crate::guide::GuideConfig;
use crate::units::{Decibels, Hertz, SampleRate, Seconds};

const TEXT: &str = r#"
title = "Morning echoes"
meter = "4/4"
bpm   = 80
hush  = "owl"
lures = { nearly = 2, elsewhere = 1, first = true }

[calls.owl]
strokes = "oo.x o.--"

[calls.wren]
strokes = "oo.x .o--"
lure = true
difficulty = 2

[calls.hens]
strokes = "o.x. o.x."

[calls.gate]
strokes = "ooxx o.x."
difficulty = 2

[calls.pond]
strokes = "o.oo x.--"
"#;

fn made(seed: u64) -> Plan {
    plan(&parse(TEXT).unwrap(), seed, &GuideConfig::default(), SampleRate::new(44_100).unwrap())
}

fn struck(at: f64) -> Struck {
    let mut surface = [0.0; 5];
    surface[0] = 1.0;
    let (sigma, level) = (Seconds::from_millis(0.5), Decibels(-20.0));
    Struck {
        at: Seconds::of(at),
        sigma,
        certainty: 0.99,
        level,
        surface,
        by_room: Hertz(0.0),
        own: false,
        like_room: false,
    }
}

fn habits() -> Habits {
    Habits {
        spread: Seconds::from_millis(30.0),
        level: Some(Decibels(-20.0)),
        softest: None,
        surfaces: true,
        known: [true; 5],
    }
}

const EXPECTED: [(Seconds, Surface); 4] = [
    (Seconds::ZERO, Surface::Centre),
    (Seconds::from_millis(375.0), Surface::Centre),
    (Seconds::from_millis(1125.0), Surface::Centre),
    (Seconds::from_millis(1500.0), Surface::Centre),
];

fn window<'a>(hush: bool, strikes: &'a [Struck]) -> Window<'a> {
    Window {
        expected: &EXPECTED,
        hush,
        beat: Seconds::from_millis(750.0),
        from_call: Seconds::from_millis(4500.0),
        breath: Seconds::from_millis(1500.0),
        audible: true,
        hidden: &[],
        maybe: &[],
        strikes,
    }
}

fn said(hush: bool, strikes: &[Struck]) -> Verdict {
    score(&window(hush, strikes), &habits())
}

fn check(hush: bool, at: &[f64], kind: VerdictKind) -> Verdict {
    let verdict = said(hush, &at.iter().map(|t| struck(*t)).collect::<Vec<_>>());
    assert_eq!(verdict.kind, kind, "{at:?}: {verdict:?}");
    verdict
}

#[test]
fn each_kind_of_answer_has_its_verdict() {
    check(false, &[0.02, 0.39, 1.14, 1.50], VerdictKind::Right);
    check(false, &[], VerdictKind::Silent);
    check(true, &[], VerdictKind::HushKept);
    check(true, &[0.02, 0.39, 1.14, 1.50], VerdictKind::HushAnswered);
    check(false, &[-2.3, -1.93, -1.18, -0.8], VerdictKind::Early);
    let v = check(false, &[0.0, 0.375, 1.4, 1.5], VerdictKind::Nearly);
    assert!(matches!(v.differences[..], [Difference::OffTime(2, late)] if late.millis() > 150.0), "{v:?}");
    let v = check(false, &[0.0, 0.375, 0.75, 1.125, 1.5], VerdictKind::Nearly);
    assert_eq!(v.differences, [Difference::TooMany(Some(1))]);
    let v = check(false, &[0.0, 0.375, 1.5], VerdictKind::Nearly);
    assert_eq!(v.differences, [Difference::Missing(2)]);
}

#[test]
fn a_stroke_on_the_rim_is_said_only_when_it_is_sure() {
    let mut strikes: Vec<Struck> = [0.0, 0.375, 1.125, 1.5].map(struck).to_vec();
    strikes[2].surface = [0.02, 0.98, 0.0, 0.0, 0.0];
    assert_eq!(said(false, &strikes).differences, [Difference::OtherSurface(2, Surface::Rim)]);
    strikes[2].surface = [0.25, 0.75, 0.0, 0.0, 0.0];
    let verdict = said(false, &strikes);
    assert_eq!((verdict.kind, verdict.benefit.len()), (VerdictKind::Right, 1));
}

#[test]
fn knocks_and_soft_sounds_are_no_answer() {
    let verdict = check(false, &[0.4], VerdictKind::Silent);
    assert!(verdict.unsure_sounds);
    check(true, &[0.4], VerdictKind::HushKept);
    check(true, &[0.4, 1.0], VerdictKind::HushKept);
    let soft: Vec<Struck> = EXPECTED.iter().map(|e| Struck { level: Decibels(-45.0), ..struck(e.0.get()) }).collect();
    assert_eq!(said(true, &soft).kind, VerdictKind::HushKept);
    let unsure: Vec<Struck> = EXPECTED.iter().map(|e| Struck { certainty: 0.7, ..struck(e.0.get()) }).collect();
    let verdict = said(true, &unsure);
    assert_eq!(verdict.kind, VerdictKind::HushKept);
}

#[test]
fn a_missing_stroke_where_one_could_be_hidden_is_not_held_against_the_pupil() {
    let strikes: Vec<Struck> = [0.0, 0.375, 1.5].map(struck).to_vec();
    let hidden = |from: f64| [(Seconds::of(from), Seconds::of(from + 0.1))];
    let with = |from: f64| score(&Window { hidden: &hidden(from), ..window(false, &strikes) }, &habits());
    assert_eq!((with(1.1).kind, with(1.1).benefit), (VerdictKind::Right, vec![Difference::Missing(2)]));
    assert_eq!(with(0.6).differences, [Difference::Missing(2)]);
    // Nor where something sounded that may have been it.
    let maybe = [Seconds::of(1.09)];
    assert_eq!(score(&Window { maybe: &maybe, ..window(false, &strikes) }, &habits()).kind, VerdictKind::Right);
}

#[test]
fn a_sound_softer_than_every_stroke_of_the_answer_or_far_from_it_is_not_one_too_many() {
    let with = |at: f64, level: f64| {
        let mut strikes: Vec<Struck> = [0.0, 0.375, 1.125, 1.5].map(struck).to_vec();
        strikes.push(Struck { level: Decibels(level), ..struck(at) });
        said(false, &strikes)
    };
    let kind = |at: f64, level: f64| with(at, level).kind;
    assert_eq!((kind(0.75, -20.0), kind(0.75, -24.0)), (VerdictKind::Nearly, VerdictKind::Right));
    assert_eq!((kind(2.0, -20.0), kind(2.6, -20.0)), (VerdictKind::Nearly, VerdictKind::Right));
    assert_eq!(with(0.75, -24.0).benefit, [Difference::TooMany(Some(1))]);
}

#[test]
fn an_early_answer_is_known_though_it_begins_on_the_leaders_last_stroke_but_the_call_itself_is_none() {
    let mut strikes: Vec<Struck> = [-2.98, -2.62, -1.87, -1.52].map(struck).to_vec();
    strikes[2].certainty = 0.8;
    assert_eq!(said(false, &strikes).kind, VerdictKind::Early);
    check(false, &[-4.48, -4.11, -3.36, -2.98], VerdictKind::Silent);
}

#[test]
fn strikes_together_are_one_stroke_and_what_sounds_like_the_pupils_may_be_softer() {
    let mut strikes: Vec<Struck> = [0.0, 0.375, 1.125, 1.5].map(struck).to_vec();
    strikes.push(struck(1.15));
    assert_eq!(said(false, &strikes).kind, VerdictKind::Right);
    strikes[4] = Struck { own: true, level: Decibels(-24.0), ..struck(0.75) };
    assert_eq!(said(false, &strikes).differences, [Difference::TooMany(Some(1))]);
}

#[test]
fn a_surface_that_never_sounds_as_written_is_not_held_against_the_pupil() {
    let mut strikes: Vec<Struck> = [0.0, 0.375, 1.125, 1.5].map(struck).to_vec();
    strikes[2].surface = [0.02, 0.98, 0.0, 0.0, 0.0];
    let unknown = Habits { known: [true, false, true, true, true], ..habits() };
    assert_eq!(score(&window(false, &strikes), &unknown).kind, VerdictKind::Right);
}

#[test]
fn two_sounds_that_the_room_makes_now_and_then_are_no_answer() {
    let with = |rate: f64| said(false, &[like_room(0.4, rate), like_room(1.0, rate)]).kind;
    assert_eq!((with(0.0) == VerdictKind::Silent, with(0.08)), (false, VerdictKind::Silent));
}

/// A strike as loud as sounds that the room makes so often a second.
fn like_room(at: f64, rate: f64) -> Struck {
    Struck { by_room: Hertz(rate), ..struck(at) }
}

#[test]
fn a_stroke_too_many_is_counted_unless_the_room_makes_such_sounds() {
    let with = |rate: f64| {
        let strikes: Vec<Struck> = EXPECTED.iter().map(|e| struck(e.0.get())).chain([like_room(0.75, rate)]).collect();
        said(false, &strikes)
    };
    assert_eq!(with(0.01).differences, [Difference::TooMany(Some(1))]);
    assert_eq!((with(0.5).kind, with(0.5).benefit), (VerdictKind::Right, vec![Difference::TooMany(Some(1))]));
}

#[test]
fn sounds_that_the_room_makes_all_the_time_are_nobodys_answer_and_nobodys_fault() {
    let ticks: Vec<Struck> = (-8..6).map(|k| like_room(0.1 + 0.5 * f64::from(k), 2.0)).collect();
    assert_eq!(said(false, &ticks).kind, VerdictKind::Silent);
    assert_eq!(said(true, &ticks).kind, VerdictKind::HushKept);
    // The same rhythm, in a room that is quiet and in one that makes two such sounds a second.
    let answer = |rate: f64| EXPECTED.iter().map(|e| like_room(e.0.get(), rate)).collect::<Vec<_>>();
    assert_eq!(said(true, &answer(0.0)).kind, VerdictKind::HushAnswered);
    assert_eq!(said(true, &answer(2.0)).kind, VerdictKind::HushKept);
    // A stroke among them is known by its loudness.
    let both: Vec<Struck> = ticks.iter().copied().chain(answer(0.0)).collect();
    assert_eq!(said(false, &both).kind, VerdictKind::Right);
}

#[test]
fn every_error_of_a_drill_file_has_its_place() {
    let wrong = |text: &str, line: u32, column: u32, part: &str| {
        let errors = parse(text).unwrap_err();
        assert!(
            errors.iter().any(|e| (e.line, e.column) == (line, column) && e.message.contains(part)),
            "{part}: {errors:?}"
        );
    };
    wrong(&TEXT.replace("hush  = \"owl\"", "hush  = \"owll\""), 5, 9, "not among the calls");
    wrong(&TEXT.replace("oo.x .o--", "oo.x o.--"), 11, 8, "has the rhythm of the hush pattern");
    wrong(&TEXT.replace("\"o.oo x.--\"", "\"o.o? x.--\""), 24, 15, "?");
    wrong(&TEXT.replace("oo.x o.--", "o--- o.--"), 8, 8, "has 2 strokes");
    wrong(&TEXT.replace("nearly = 2", "nearly = -1"), 6, 20, "`nearly` is -1");
    wrong(&TEXT.replace("bpm   = 80", "bpm   = 4000"), 4, 9, "no tempo");
    wrong(&TEXT.replace("o.x. o.x.", "o.x. o.x. | o... | o..."), 17, 11, "longer than 2 bars");
    wrong(&TEXT.replace("lure = true", "lure = 1"), 13, 8, "expected true or false");
    wrong(&TEXT.replace("bpm ", "bmp "), 4, 1, "unknown name");
    wrong(&TEXT.replace("lures", "order = [\"hens\", \"hen\"]\nlures"), 6, 18, "`hen` is not among the calls");
}

#[test]
fn the_drill_of_the_demo_can_be_played() {
    let drill = parse(include_str!("../../reference_takes/lantern-echoes.toml")).unwrap();
    let plan = plan(&drill, seed_of("Wren"), &GuideConfig::default(), SampleRate::new(44_100).unwrap());
    let count = |wanted: fn(&Round) -> bool| plan.rounds.iter().filter(|r| wanted(r)).count();
    assert_eq!((plan.rounds.len(), count(|r| r.hush), count(|r| r.elsewhere)), (12, 3, 1));
    assert_eq!(count(|r| r.call.lure), 2);
    for call in drill.calls.iter().filter(|c| !c.lure) {
        assert!(plan.rounds.iter().any(|r| r.call.name == call.name), "`{}` never comes", call.name);
    }
    assert!(plan.rounds.windows(2).all(|w| w[0].answer_end < w[0].end && w[0].end <= w[1].call_at));
}

#[test]
fn two_calls_come_side_by_side_and_slowly() {
    let text = side_by_side(TEXT, "wren", "owl").unwrap();
    let slow = plan(&parse(&text).unwrap(), 1, &GuideConfig::default(), SampleRate::new(44_100).unwrap());
    let rounds: Vec<(&str, bool)> = slow.rounds.iter().map(|r| (r.call.name.as_str(), r.hush)).collect();
    assert_eq!(rounds[1..5], [("wren", false), ("owl", true), ("owl", true), ("wren", false)]);
    assert!(slow.rounds.iter().all(|r| (r.call.bpm.get() - 60.0).abs() < 1e-9));
    let strokes = |p: &Plan, name: &str| p.drill.calls.iter().find(|c| c.name == name).map(|c| c.strokes.clone());
    assert_eq!(strokes(&slow, "wren"), strokes(&made(1), "wren"));
    assert_eq!(side_by_side(TEXT, "wren", "wrens"), None);
}

#[test]
fn the_same_seed_gives_the_same_draw_and_others_differ() {
    assert_eq!(made(7), made(7));
    let orders: std::collections::BTreeSet<Vec<String>> =
        (0..50).map(|s| made(s).rounds.iter().map(|r| r.call.name.clone()).collect()).collect();
    assert!(orders.len() > 40, "{}", orders.len());
}

#[test]
fn the_draw_is_fair() {
    // Over many seeds the calls of one difficulty come equally often, and hush rounds fall everywhere.
    let seeds = 3000u64;
    let mut counts = std::collections::BTreeMap::new();
    let mut places = vec![0u32; 12];
    for seed in 0..seeds {
        for (k, round) in made(seed).rounds.iter().enumerate() {
            *counts.entry(round.call.name.clone()).or_insert(0u32) += 1;
            places[k] += u32::from(round.hush);
        }
    }
    let (hens, pond) = (f64::from(counts["hens"]), f64::from(counts["pond"]));
    // Six standard deviations of a difference of coin flips, one a seed.
    assert!((hens - pond).abs() < 6.0 * 2.0 * (seeds as f64).sqrt(), "{hens} {pond}");
    // A quarter of the rounds, each place alike: six standard deviations of a binomial share.
    let sd = (0.25 * 0.75 * seeds as f64).sqrt();
    assert!(places.iter().all(|n| (f64::from(*n) - 0.25 * seeds as f64).abs() < 6.0 * sd), "{places:?}");
}

proptest! {
    #[test]
    fn every_draw_is_of_equal_difficulty(a: u64, b: u64) {
        let profile = |seed| {
            let rounds = made(seed).rounds;
            let mut all: Vec<u8> = rounds.iter().map(|r| r.call.difficulty).collect();
            all.sort_unstable();
            let hush = rounds.iter().filter(|r| r.hush).count();
            let elsewhere = rounds.iter().filter(|r| r.elsewhere).count();
            let lures = rounds.iter().filter(|r| r.call.lure).count();
            (all, hush, elsewhere, lures, rounds.last().map(|r| r.end))
        };
        prop_assert_eq!(profile(a), profile(b));
    }

    #[test]
    fn the_score_does_not_depend_on_the_order_of_equal_events(
        times in proptest::collection::vec((-20i32..20, 0u8..3), 0..9), turn in 0usize..9, hush: bool
    ) {
        // Coarse times, so that many are equal.
        let strikes: Vec<Struck> = times.iter().map(|(t, c)| {
            Struck { certainty: 0.7 + 0.1 * f64::from(*c), ..struck(f64::from(*t) * 0.125) }
        }).collect();
        let mut other = strikes.clone();
        other.rotate_left(turn.min(strikes.len()));
        other.reverse();
        prop_assert_eq!(said(hush, &strikes), said(hush, &other));
    }

    #[test]
    fn silence_has_a_verdict_whatever_is_known_and_nobody_is_accused_by_it(hush: bool, audible: bool, from in -2.0f64..2.0) {
        let hidden = [(Seconds::of(from), Seconds::of(from + 1.0))];
        let verdict = score(&Window { audible, hidden: &hidden, ..window(hush, &[]) }, &Habits { level: None, ..habits() });
        prop_assert_eq!(verdict.kind, if hush { VerdictKind::HushKept } else { VerdictKind::Silent });
        prop_assert!(verdict.differences.is_empty());
    }
}
