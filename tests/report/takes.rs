//! The invented takes: each a way of playing, with what is said of it.

use super::fake::{Dice, FOUR, Take, lantern, timeline};
use pailbeat::align::Step;
use pailbeat::assess::*;
use pailbeat::part::*;
use pailbeat::units::*;

/// A steady take without a slip.
pub(crate) fn good() -> Assessment {
    let take = Take::of(lantern("A A B B"), 7);
    let end = take.a.timeline.strokes.len();
    let mut a = take.play(0, end, Step::Start).done();
    a.advice.praise = Praise::AllInPlace;
    a.advice.next = Bpm::new(76.0).unwrap();
    a.advice.why = Why::Up { from: Bpm::new(73.0).unwrap() };
    a
}

/// Rests run through, another surface, a stroke not played, one that could not be heard.
pub(crate) fn rests() -> Assessment {
    let take = Take::of(lantern("A A B B"), 21);
    let end = take.a.timeline.strokes.len();
    let (a4, b1, b2) = (take.bar(7), take.bar(8), take.bar(13));
    let mut a = take
        .miss(&[b1 + 2])
        .hide(&[b2 + 1])
        .wrong(&[b2 + 2], Surface::Centre)
        .play(0, end, Step::Start)
        .stray(a4, &[2.1, 2.9], Step::InRest)
        .stray(a4 + 1, &[2.0, 3.1], Step::InRest)
        .stray(b1 + 4, &[0.3], Step::Double)
        .find(Kind::RestNotKept, ("A", 2, 4, 2.0), 0.97)
        .find(Kind::RestNotKept, ("A", 2, 4, 4.0), 0.95)
        .find(Kind::WrongSurface, ("B", 2, 2, 2.0), 0.78)
        .find(Kind::StrokesMissing, ("B", 1, 1, 2.5), 0.9);
    a = a.shift(b1 + 6, -131.0);
    let mut a = a.done();
    a.advice = Advice {
        praise: Praise::Pass(0),
        fix: Some(Fix::Finding(0)),
        practise: Some(7..9),
        next: Bpm::new(66.0).unwrap(),
        why: Why::Slower(Reason::ThinkAhead),
    };
    a.limits = vec![Limit::OwnPulse, Limit::NotHeard { strokes: 1 }];
    a
}

/// Gave up in bar 3, began again, stopped once more inside B, and did not reach the end.
pub(crate) fn restart() -> Assessment {
    let take = Take::of(lantern("A A B B"), 5);
    let (a3, again, b3) = (take.bar(2) + 3, take.bar(8) + 3, take.bar(13));
    let mut take = take;
    take.drift = 1.0012;
    take.play(0, a3, Step::Start)
        .wait(2.3)
        .play(0, again, Step::JumpAfterPause)
        .wait(1.4)
        .play(again, b3, Step::Shift)
        .found(What::Restarted { left: 2, bars: 3 }, Some(Place::bar(0)), 0.97)
        .find(Kind::Paused, ("B", 1, 1, 3.0), 0.93)
        .find(Kind::Rushing, ("B", 1, 3, 1.0), 0.71)
        .done()
}

/// A once too often, and B's beginning skipped.
pub(crate) fn repeat() -> Assessment {
    let take = Take::of(lantern("A A B"), 11);
    let (b1, b3, end) = (take.bar(8), take.bar(10), take.a.timeline.strokes.len());
    let second = take.bar(4);
    take.play(0, b1, Step::Start)
        .play(second, b1, Step::Jump)
        .play(b3, end, Step::Jump)
        .found(What::RepeatExtra { bars: 4 }, Some(Place { bars: 4..8, passes: Passes::Unknown, ..Place::bar(4) }), 0.9)
        .found(What::SectionSkipped { bars: 2 }, Some(Place { bars: 8..10, ..Place::bar(8) }), 0.8)
        .done()
}

/// Sixty bars in three sections, sixteenths among them, with slips all over.
pub(crate) fn long() -> Assessment {
    let sections = [
        ("A", "oxx. o.x. | oxx. o.x. | ooxo oxoo | O.-- X.-- | oxx. o.x. | oxx. o.x. | ooxo oxoo | O.-- X.--"),
        ("B", "+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x---"),
        ("C", "o.x.o.xx|oox.oox.|o.x.o.xx|O.O.----|o.x.o.xx|oox.oox.|o.x.o.xx|O.O.----|x.x.x.x.|oooooooo"),
    ];
    let t = timeline("The Long Way Round the Harbour", FOUR, 88.0, &sections, "A B A B C A B C A");
    let end = t.strokes.len();
    let take = Take::of(t, 99);
    let at = |section, pass, bar, beat| take.stroke((section, pass, bar, beat));
    let (on_rim, in_centre) = ([at("B", 2, 3, 3.0), at("A", 3, 5, 3.0)], at("A", 3, 5, 2.0));
    let mut take = take.miss(&[40, 41, 130, 250]).hide(&[90, 91, 92, 300]);
    take = take.wrong(&on_rim, Surface::Rim).wrong(&[in_centre], Surface::Centre);
    take.bpm = 86.0;
    take.jitter_ms = 19.0;
    take.drift = 1.0002;
    let places = [
        (Kind::RestNotKept, "A", 1, 4, 2.0),
        (Kind::EarlyReEntry, "A", 1, 5, 1.0),
        (Kind::JoinGap, "B", 1, 1, 1.0),
        (Kind::WrongSurface, "B", 2, 3, 3.0),
        (Kind::NotTogether, "B", 2, 4, 1.0),
        (Kind::RestNotKept, "C", 1, 4, 3.0),
        (Kind::LateReEntry, "C", 1, 5, 1.0),
        (Kind::RestNotKept, "A", 3, 4, 2.0),
        (Kind::EarlyReEntry, "A", 3, 4, 3.0),
        (Kind::RestNotKept, "A", 3, 4, 4.0),
        (Kind::EarlyReEntry, "A", 3, 5, 1.0),
        (Kind::WrongSurface, "A", 3, 5, 2.0),
        (Kind::WrongSurface, "A", 3, 5, 3.0),
        (Kind::NotTogether, "A", 3, 5, 4.0),
    ];
    take = take.play(0, end, Step::Start).stray(60, &[0.5, 1.1], Step::Extra);
    for (kind, section, pass, bar, beat) in places {
        take = take.find(kind, (section, pass, bar, beat), 0.6 + 0.04 * f64::from(bar));
    }
    take.done()
}

/// A noisy room: every moment uncertain, surfaces unsure.
pub(crate) fn noisy() -> Assessment {
    let mut take = Take::of(lantern("A B"), 3).hide(&[3, 9, 10, 20]);
    take.sigma_ms = 11.0;
    take.jitter_ms = 24.0;
    let end = take.a.timeline.strokes.len();
    let mut a = take.play(0, end, Step::Start).done();
    for (i, strike) in a.strikes.iter_mut().enumerate() {
        if i % 4 == 1 {
            strike.surface_p = 0.55;
        }
    }
    a.advice.praise = Praise::Bars(8);
    a.limits = vec![Limit::Noise { over: Decibels(7.0), together: true }, Limit::NotHeard { strokes: 4 }];
    a
}

/// 6/8 with pats and claps, hands written, and a name made to hurt.
pub(crate) fn six_eight() -> (Assessment, pailbeat::report::Meta) {
    let sections = [("H", "p.pc.c|pppc--|p.pC.C|P-----"), ("A long name for a section & <b>more</b>", "pppccc|p--c--")];
    let t = timeline(
        "<script>alert('x')</script> \u{202e}& \"quoted\"",
        Meter { beats: 6, unit: 8 },
        80.0,
        &[sections[0], ("Long", sections[1].1)],
        "H Long H Long",
    );
    let mut a = {
        let mut take = Take::of(t, 17);
        take.jitter_ms = 40.0;
        let end = take.a.timeline.strokes.len();
        take.play(0, end, Step::Start).find(Kind::LateReEntry, ("H", 1, 3, 1.0), 0.7).done()
    };
    for pass in &mut a.timeline.passes {
        if pass.section == "Long" {
            pass.section = sections[1].0.into();
        }
    }
    a.advice.fix = Some(Fix::Finding(0));
    a.advice.practise = Some(1..3);
    let meta = pailbeat::report::Meta {
        pupil: Some(format!("../../{}", "Wren<img src=x onerror=alert(1)>".repeat(200))),
        date: Some("\u{202e}rebmevoN 21".into()),
        take: "a/../../b\u{0}.wav".into(),
    };
    (a, meta)
}

/// A beginner who begins again and again, with slips close together.
pub(crate) fn stumbling() -> Assessment {
    let take = Take::of(lantern("A A B B"), 41);
    let wrong = [2.0, 4.0].map(|beat| take.stroke(("A", 2, 1, beat)));
    let mut take = take.miss(&[16, 17, 46, 60]).wrong(&wrong, Surface::Centre).wrong(&[47, 62], Surface::Centre);
    take.jitter_ms = 52.0;
    take.bpm = 58.0;
    let (a2, a3, a4, b1) = (take.bar(1) + 2, take.bar(2), take.bar(3), take.bar(8));
    let end = take.a.timeline.strokes.len();
    take = take
        .play(0, a2, Step::Start)
        .wait(1.1)
        .play(0, a3 + 2, Step::JumpAfterPause)
        .wait(0.9)
        .play(a3, a4 + 1, Step::JumpAfterPause)
        .wait(2.0)
        .play(a3, b1 + 2, Step::JumpAfterPause)
        .wait(0.7)
        .play(b1 + 2, end, Step::Shift)
        .stray(22, &[0.4, 1.0, 1.6], Step::Extra)
        .stray(b1 + 13, &[0.9, 1.5, 2.2], Step::InRest);
    let places = [
        (Kind::Restarted, "A", 1, 1, 1.0),
        (Kind::Restarted, "A", 1, 3, 1.0),
        (Kind::WrongSurface, "A", 2, 1, 2.0),
        (Kind::WrongSurface, "A", 2, 1, 4.0),
        (Kind::JoinGap, "B", 1, 1, 1.0),
        (Kind::Paused, "B", 1, 1, 3.0),
        (Kind::RestNotKept, "B", 1, 2, 4.0),
        (Kind::EarlyReEntry, "B", 1, 3, 1.0),
        (Kind::NotTogether, "B", 1, 4, 1.0),
        (Kind::RestNotKept, "B", 1, 4, 3.5),
        (Kind::LateReEntry, "B", 2, 1, 1.0),
        (Kind::Lost, "B", 2, 3, 1.0),
    ];
    for (kind, section, pass, bar, beat) in places {
        take = take.find(kind, (section, pass, bar, beat), 0.95 - 0.05 * f64::from(bar));
    }
    let mut a = take.done();
    a.advice.fix = Some(Fix::Finding(0));
    a.advice.practise = Some(2..4);
    a
}

/// A hundred bars of sixteenths and triplets.
pub(crate) fn hundred() -> Assessment {
    let sections = [
        ("A", "oxooxoxo oxooxoxo | ooxxooxxooxxoo.- | oxo.oxo.oxo.o--- | OxXo Ox.. O---X---"),
        ("B", "oxoxoxoxoxox | o.xo.xo.xo-- | oxx oxx oxx oxx | O--X--O--X--"),
    ];
    let form = ["A A B B"; 6].join(" ") + " A";
    let t = timeline("A Hundred Bars", FOUR, 60.0, &sections, &form);
    let end = t.strokes.len();
    let mut take = Take::of(t, 3).miss(&[100, 101, 500]).hide(&[700, 701]);
    take.bpm = 62.0;
    take.drift = 1.00015;
    take.play(0, end, Step::Start).done()
}

/// Next to nothing was heard.
pub(crate) fn silence() -> Assessment {
    let mut a = Take::of(lantern("A A B B"), 1).a;
    a.advice.praise = Praise::Recorded;
    a.advice.fix = Some(Fix::Record(Record::Nearer));
    a.advice.why = Why::Stay(Reason::Heard);
    a.limits = vec![Limit::AlmostNothing { strikes: 0, duration: Seconds::of(31.0) }];
    a
}

/// Something else was played.
pub(crate) fn stranger() -> Assessment {
    let mut a = silence();
    let mut dice = Dice::new(77);
    let mut at = 0.9;
    while at < 19.0 {
        a.strikes.push(JudgedStrike {
            at: Seconds::of(at),
            sigma: Seconds::from_millis(0.4),
            surface: Surface::Centre,
            surface_p: 0.5,
            level: Decibels(-20.0 + 5.0 * dice.normal()),
            stroke: None,
            spread: None,
            step: Step::Extra,
            certainty: 0.97,
            late: None,
            late_sigma: None,
            bpm: None,
            elsewhere: false,
        });
        at += 0.1 + 0.5 * dice.unit();
    }
    a.advice.fix = Some(Fix::AnotherPart);
    a.limits = vec![Limit::AnotherPart { strikes: a.strikes.len() }];
    a
}

pub(crate) fn meta() -> pailbeat::report::Meta {
    pailbeat::report::Meta { pupil: Some("Wren".into()), date: Some("12 November".into()), take: "wren-3.m4a".into() }
}

pub(crate) fn all() -> Vec<(&'static str, Assessment, pailbeat::report::Meta)> {
    let (six, hostile) = six_eight();
    vec![
        ("good", good(), meta()),
        ("rests", rests(), meta()),
        ("restart", restart(), meta()),
        ("repeat", repeat(), meta()),
        ("long", long(), meta()),
        ("stumbling", stumbling(), meta()),
        ("hundred", hundred(), meta()),
        ("noisy", noisy(), meta()),
        ("hostile", six, hostile),
        ("silence", silence(), meta()),
        ("stranger", stranger(), meta()),
    ]
}
