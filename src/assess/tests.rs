//! Pupils with known faults, and without: what is said of them, and what is not.

pub(super) mod pupil;

use pupil::{PARTS, Pupil, rng};

use super::*;
use crate::align::{AlignConfig, Strike, trace};
use crate::part::parse;

fn kinds(take: &Assessment) -> Vec<Kind> {
    take.findings.iter().map(Finding::kind).collect()
}

/// Judges `n` takes, six parts in turn, of pupils changed by `how`.
fn takes(n: u64, seed: u64, how: impl Fn(u64, &Timeline, &mut Pupil)) -> Vec<(Pupil, Assessment)> {
    (0..n)
        .map(|k| {
            let mut pupil = Pupil::good(seed + k);
            let line = pupil.line(PARTS[k as usize % PARTS.len()]);
            how(k, &line, &mut pupil);
            let take = pupil.take(&line, &line);
            (pupil, take)
        })
        .collect()
}

fn found(takes: &[(Pupil, Assessment)], kind: Kind) -> usize {
    takes.iter().filter(|(_, t)| kinds(t).contains(&kind)).count()
}

fn shown(take: &Assessment) -> String {
    let line = |f: &Finding| {
        format!("{:?} {:.2} {} ({})\n", f.kind(), f.confidence, say::finding(take, f), say::evidence(&f.evidence))
    };
    take.findings.iter().map(line).collect()
}

fn limits(take: &Assessment) -> Vec<String> {
    take.limits.iter().map(|l| say::limit(&take.timeline, l)).collect()
}

#[test]
fn a_beginner_who_plays_it_right_earns_no_finding() {
    for (pupil, take) in takes(120, 100, |_, _, _| {}) {
        // One or two of these beginners are a fifth slower or faster than asked, which is told, and no more.
        let apart = pupil.tempo.ln().abs() > 0.16;
        let told: Vec<Kind> = kinds(&take).into_iter().filter(|k| !apart || *k != Kind::TempoApart).collect();
        assert!(told.is_empty(), "seed {}: {}", pupil.seed, shown(&take));
        assert!(!say::praise(&take).is_empty() && !say::why(&take).is_empty());
    }
}

#[test]
fn a_tempo_that_rises_by_12_percent_is_rushing_and_one_that_falls_is_dragging() {
    let rush = takes(30, 200, |_, _, p| p.drift = |x| 0.12 * x);
    assert_eq!(found(&rush, Kind::Rushing), 30);
    // Told within 3 %: the pupil's own wandering is 1.5 % (standard deviation of the end-to-end change).
    let sizes: Vec<f64> = rush
        .iter()
        .flat_map(|(_, t)| &t.findings)
        .filter(|f| f.kind() == Kind::Rushing)
        .map(|f| f.what.size().0)
        .collect();
    let mean = sizes.iter().sum::<f64>() / sizes.len() as f64;
    // The last stroke stands a thirtieth before the end of the piece, in the middle of these parts.
    let truth = 100.0 * ((0.12f64 * 29.0 / 30.0).exp() - 1.0);
    assert!((mean - truth).abs() < 3.0 * 1.7 / (sizes.len() as f64).sqrt(), "{mean} for {truth}");
    let drag = takes(30, 230, |_, _, p| p.drift = |x| -0.12 * x);
    assert_eq!((found(&drag, Kind::Dragging), found(&drag, Kind::Rushing)), (30, 0));
}

#[test]
fn a_tempo_that_rises_in_steps_is_rushing_too() {
    let takes = takes(18, 260, |_, _, p| p.drift = |x| 0.12 * (x * 3.0).floor() / 2.0);
    assert!(found(&takes, Kind::Rushing) >= 17, "{}", found(&takes, Kind::Rushing));
}

#[test]
fn one_new_tempo_at_a_join_is_not_rushing() {
    // 10 % faster from the middle on, which is a join in these parts.
    let takes: Vec<_> = takes(36, 280, |_, _, p| p.drift = |x| if x < 0.5 { 0.0 } else { 0.10 })
        .into_iter()
        .filter(|(_, t)| {
            let end = t.timeline.end();
            t.timeline.passes.iter().any(|p| t.timeline.bars[p.bars.start].at.0 * 2 == end.0)
        })
        .collect();
    assert!(takes.len() >= 24, "{}", takes.len());
    let called = found(&takes, Kind::Rushing);
    assert!(10 * called <= takes.len(), "{called} of {}", takes.len());
}

#[test]
fn an_accent_that_always_falls_on_one_hand_is_no_strong_hand() {
    let part = |hands: &str| {
        format!(
            "title = \"T\"\nmeter = \"4/4\"\nbpm = {{ start = 60, goal = 90 }}\nform = \"A A A\"\n[sections.A]\nstrokes = \"xxxx xxxx | oooo xxxx | oooo oooo | xxxx x.--\"\nhands = \"{hands}\"\n"
        )
    };
    let judged = |hands: &str, louder: fn(usize, &Timeline) -> bool| {
        let pupil = Pupil::good(1300);
        let line = pupil.line(&part(hands));
        let (mut strikes, faint, duration) = Pupil { strays: 0.0, ..pupil }.play(&line);
        let trace = trace(&line, &strikes, &AlignConfig::default());
        for (strike, place) in strikes.iter_mut().zip(&trace.alignment.placed) {
            if place.stroke.is_some_and(|j| louder(j, &line)) {
                strike.level.0 += 7.0;
            }
        }
        assess(&line, &strikes, &faint, &trace, &Hearing::clear(Seconds::of(duration)))
    };
    let on_the_beat = |j: usize, line: &Timeline| line.beat(j).fract() < 1e-6;
    let take = judged("RLRL RLRL | RLRL RLRL | RLRL RLRL | RLRL R...", on_the_beat);
    assert!(kinds(&take).is_empty(), "{}", shown(&take));
    assert!(limits(&take).iter().any(|l| l.starts_with("whether one hand is the stronger")), "{:?}", take.limits);
    // The same hand at every place in the bar, now this one and now that: it is the hand.
    let left = |j: usize, line: &Timeline| line.strokes[j].hands == crate::part::Hands::One(crate::part::Hand::Left);
    let take = judged("RLRL RLRL | LRLR LRLR | RLRL RLRL | LRLR L...", left);
    assert_eq!(kinds(&take), [Kind::UnevenHands], "{}", shown(&take));
    assert!(say::finding(&take, &take.findings[0]).contains("left hand are about 7 dB louder"), "{}", shown(&take));
}

#[test]
fn a_stroke_in_a_rest_is_found_beside_a_soft_crackle_and_the_crackle_alone_is_none() {
    let mut found = [0, 0];
    for seed in 0..20 {
        let pupil = Pupil { strays: 0.0, ..Pupil::good(1500 + seed) };
        let line = pupil.line(PARTS[0]);
        let (strikes, faint, duration) = pupil.play(&line);
        let first = line.rests.iter().find(|r| r.to - r.from >= line.meter.beat()).unwrap();
        let (Some(before), Some(after)) =
            (line.strokes.iter().rposition(|s| s.at < first.from), line.strokes.iter().position(|s| s.at >= first.to))
        else {
            panic!("a rest between strokes")
        };
        let clean = trace(&line, &strikes, &AlignConfig::default());
        let of = |j: usize| clean.alignment.placed.iter().position(|p| p.stroke == Some(j)).unwrap();
        let (a, b) = (strikes[of(before)], strikes[of(after)]);
        let span = (line.strokes[after].at - line.strokes[before].at).quarters();
        let share = (first.from - line.strokes[before].at).quarters() / span;
        let inside = Strike { at: Seconds::of(a.at.get() + share * (b.at - a.at).get()), ..a };
        let mut dice = rng(seed);
        let crackle: Vec<Strike> = (0..12)
            .map(|_| Strike {
                at: Seconds::of(duration * dice.unit()),
                level: Decibels(-50.0),
                certainty: 0.9,
                surface: [0.2; Surface::COUNT],
                ..a
            })
            .collect();
        for (k, own) in [None, Some(inside)].into_iter().enumerate() {
            let mut all: Vec<Strike> = strikes.iter().copied().chain(crackle.iter().copied()).chain(own).collect();
            all.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
            let trace = trace(&line, &all, &AlignConfig::default());
            let take = assess(&line, &all, &faint, &trace, &Hearing::clear(Seconds::of(duration)));
            found[k] += usize::from(kinds(&take).contains(&Kind::RestNotKept));
        }
    }
    assert!(found[0] <= 1 && found[1] >= 18, "{found:?}");
}

#[test]
fn strikes_that_are_none_are_left_out_and_every_index_follows() {
    let pupil = Pupil { strays: 0.0, ..Pupil::good(1400) };
    let line = pupil.line(PARTS[0]);
    let (strikes, faint, duration) = pupil.play(&line);
    let check = |certainty: f64, kept: bool| {
        let mut all = strikes.clone();
        // A sound of another kind in the middle of every fifth interval.
        let between: Vec<Strike> = (strikes.windows(2).step_by(5))
            .map(|w| Strike {
                at: Seconds::of((w[0].at + w[1].at).get() / 2.0),
                certainty,
                level: Decibels(-60.0),
                ..w[0]
            })
            .collect();
        all.extend(&between);
        all.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
        let trace = trace(&line, &all, &AlignConfig::default());
        let take = assess(&line, &all, &faint, &trace, &Hearing::clear(Seconds::of(duration)));
        for (j, stroke) in take.strokes.iter().enumerate() {
            if let Some(i) = stroke.strike {
                assert_eq!(take.strikes[i].stroke, Some(j));
                assert_eq!((take.strikes[i].late, take.strikes[i].bpm), (stroke.late, stroke.bpm));
            }
        }
        let last = take.stretches.last().map_or(0, |s| s.strikes.end);
        assert_eq!(last, take.strikes.len());
        assert_eq!(take.strikes.iter().any(|s| s.stroke.is_none()), kept);
        assert!(take.strikes.iter().all(|s| s.stroke.is_some() || (s.counts() == (certainty > 0.5))));
    };
    check(0.1, false);
    check(0.4, true);
}

#[test]
fn a_tempo_that_swings_by_3_percent_and_comes_back_is_neither() {
    let takes = takes(60, 300, |_, _, p| p.drift = |x| 0.03 * (3.0 * std::f64::consts::PI * x).sin());
    assert_eq!(found(&takes, Kind::Rushing) + found(&takes, Kind::Dragging), 0);
}

#[test]
fn missing_strokes_are_missed_and_the_others_are_not() {
    let left_out = |k: u64, line: &Timeline| {
        (3..line.strokes.len() - 3).filter(|j| (*j as u64 * 7919 + k * 31).is_multiple_of(17)).collect::<Vec<_>>()
    };
    let (mut out, mut called, mut wrongly) = (0, 0, 0);
    for (pupil, take) in takes(60, 400, |k, line, p| p.left_out = left_out(k, line)) {
        for (j, stroke) in take.strokes.iter().enumerate() {
            let truly = pupil.left_out.contains(&j);
            out += usize::from(truly);
            called += usize::from(truly && stroke.status == Status::Missed);
            // Of two neighbours it may be unknowable which was left out.
            let beside = j > 0 && pupil.left_out.contains(&(j - 1)) || pupil.left_out.contains(&(j + 1));
            wrongly += usize::from(!truly && !beside && stroke.status == Status::Missed);
        }
    }
    assert!(called as f64 >= 0.97 * out as f64, "{called} of {out}");
    assert!(wrongly <= 2, "{wrongly}");
}

#[test]
fn a_faint_sound_where_a_stroke_is_due_is_that_stroke_and_beside_its_place_it_is_none() {
    for k in 0..8u64 {
        let pupil = Pupil { strays: 0.0, ..Pupil::good(7300 + k) };
        let line = pupil.line(PARTS[0]);
        let (strikes, _, duration) = pupil.play(&line);
        let placed = trace(&line, &strikes, &AlignConfig::default()).alignment.placed;
        let alone = |j: &usize| !matches!(line.strokes[*j].hands, crate::part::Hands::Both);
        let matched = |i: usize| placed[i].stroke.filter(alone).filter(|_| placed[i].step == crate::align::Step::Match);
        let (i, j) = (strikes.len() / 2..strikes.len()).find_map(|i| Some((i, matched(i)?))).unwrap();
        let judged = |moved: f64| {
            let mut heard = strikes.clone();
            let lost = heard.remove(i);
            let faint = Strike { at: lost.at + Seconds::of(moved), certainty: 0.3, ..lost };
            let found = trace(&line, &heard, &AlignConfig::default());
            let take = assess(&line, &heard, &[faint], &found, &Hearing::clear(Seconds::of(duration)));
            (take.strokes[j].status, take.strokes[j].strike.map(|s| take.strikes[s].certainty))
        };
        let (status, sure) = judged(0.0);
        assert_eq!(status, Status::Played, "pupil {k}");
        assert!(sure.is_some_and(|p| (0.9..1.0).contains(&p)), "{sure:?}");
        assert_ne!(judged(0.25).0, Status::Played, "pupil {k}");
    }
}

#[test]
fn soft_strokes_below_the_noise_are_not_heard_and_not_called_missed() {
    let (mut not_heard, mut missed) = (0, 0);
    for (_, take) in takes(60, 500, |_, _, p| (p.threshold, p.touch_db) = (-25.0, 4.0)) {
        not_heard += take.strokes.iter().filter(|s| s.status == Status::NotHeard).count();
        missed += take.strokes.iter().filter(|s| s.status == Status::Missed).count();
        let said = take.limits.iter().any(|l| matches!(l, Limit::NotHeard { .. }));
        assert_eq!(said, take.strokes.iter().any(|s| s.status == Status::NotHeard));
    }
    // Three in ten of those that it hides leave nothing.
    assert!(not_heard > 90, "the noise hides something: {not_heard}");
    // The goal set for this tool: at most ten in sixty takes.
    assert!(missed <= 3, "{missed}");
}

#[test]
fn a_section_on_another_surface_is_named_with_its_pass() {
    for k in 0..16u64 {
        let mut pupil = Pupil::good(600 + k);
        let line = pupil.line(PARTS[0]);
        let pass = k as usize % 4;
        pupil.elsewhere = Some((pass, Surface::Rim, Surface::Centre));
        let take = pupil.take(&line, &line);
        assert_eq!(kinds(&take), [Kind::WrongSurface], "{}", shown(&take));
        let f = &take.findings[0];
        let place = (f.section(&take.timeline), f.pass(&take.timeline));
        assert_eq!(place, (Some(["A", "B"][pass / 2]), Some(pass as u32 % 2 + 1)));
        let (text, fix) = (say::finding(&take, f), say::fix(&take));
        assert!(text.contains("on the rim") && text.contains("in the centre"), "{text}");
        assert!(fix.contains("on the rim"), "{fix}");
    }
}

#[test]
fn a_doubt_about_names_is_said_once_and_no_fault() {
    let mut pupil = Pupil::good(700);
    let line = pupil.line(PARTS[0]);
    pupil.elsewhere = Some((0, Surface::Rim, Surface::Centre));
    let (strikes, faint, duration) = pupil.play(&line);
    let trace = trace(&line, &strikes, &AlignConfig::default());
    let mut heard = Hearing::clear(Seconds::of(duration));
    heard.doubts = vec![Doubt::Exchanged { a: Surface::Centre, b: Surface::Rim, p: 0.6 }];
    let take = assess(&line, &strikes, &faint, &trace, &heard);
    assert!(take.findings.is_empty(), "{}", shown(&take));
    assert_eq!(limits(&take).iter().filter(|l| l.contains("may be exchanged throughout")).count(), 1);
    let excused = |s: &JudgedStroke, w: &crate::part::Stroke| {
        let clicked = s.strike.is_some_and(|i| take.strikes[i].surface == Surface::Click);
        s.status != Status::WrongSurface || w.surface == Surface::Click || clicked
    };
    assert!(take.strokes.iter().zip(&line.strokes).all(|(s, w)| excused(s, w)));
}

#[test]
fn a_late_left_hand_is_found_by_the_written_sticking_and_never_without_it() {
    let limping = |part: &str, seed: u64| {
        let mut pupil = Pupil::good(seed);
        (pupil.left_late, pupil.jitter) = (0.060, 0.020);
        let line = pupil.line(part);
        pupil.take(&line, &line)
    };
    for seed in 800..812 {
        let take = limping(PARTS[2], seed);
        assert_eq!(kinds(&take), [Kind::UnevenHands], "{}", shown(&take));
        // 60 ms, with a standard error of 2 x 20 ms x sqrt(pi / 2) / sqrt(36 strokes).
        assert!((take.findings[0].what.size().0 - 60.0).abs() < 3.0 * 8.4, "{}", shown(&take));
        assert!(say::fix(&take).starts_with("Your left hand comes a little late"), "{}", say::fix(&take));
        assert!(kinds(&limping(PARTS[0], seed)).is_empty());
    }
}

#[test]
fn hands_that_fall_apart_are_not_together_and_hands_that_do_not_are() {
    let takes = takes(30, 900, |_, _, p| p.apart = (0.010, 0.045));
    let with_both: Vec<&(Pupil, Assessment)> = takes
        .iter()
        .filter(|(_, t)| t.timeline.strokes.iter().filter(|s| s.hands == crate::part::Hands::Both).count() >= 4)
        .collect();
    let told: Vec<&Finding> =
        with_both.iter().flat_map(|(_, t)| &t.findings).filter(|f| f.kind() == Kind::NotTogether).collect();
    assert!(with_both.len() >= 12 && told.len() == with_both.len(), "{} of {}", told.len(), with_both.len());
    assert!(told.iter().all(|f| (f.what.size().0 - 45.0).abs() < 15.0));
}

#[test]
fn a_second_hand_that_is_only_faintly_heard_is_late_and_the_faint_sounds_of_a_room_are_no_hand() {
    let both = |t: &Assessment| t.timeline.strokes.iter().filter(|s| s.hands == crate::part::Hands::Both).count();
    let told = |takes: &[(Pupil, Assessment)]| {
        let some: Vec<&Assessment> = takes.iter().map(|(_, t)| t).filter(|t| both(t) >= 4).collect();
        assert!(some.len() >= 12);
        (some.iter().filter(|t| kinds(t).contains(&Kind::NotTogether)).count(), some.len())
    };
    // The second is 40 dB softer: no strike, and in seven of ten a faint sound.
    let (found, of) = told(&takes(30, 940, |_, _, p| (p.apart, p.second_db) = ((0.008, 0.045), -40.0)));
    assert!(found * 10 >= of * 8, "{found} of {of}");
    // Three stray sounds a second, half of them faint, and hands that fall together.
    let (found, of) = told(&takes(60, 970, |_, _, p| (p.strays, p.threshold) = (180.0, -38.0)));
    assert_eq!(found, 0, "of {of}");
}

#[test]
fn a_second_sound_at_the_clicks_of_a_guide_or_a_clock_is_no_hand() {
    let pupil = Pupil { strays: 0.0, jitter: 0.010, unsteady: 0.001, ..Pupil::good(990) };
    let line = pupil.line(PARTS[0]);
    let (strikes, _, duration) = pupil.play(&line);
    let trace = trace(&line, &strikes, &AlignConfig::default());
    // The player is 45 ms behind the clicks, of which something is left on every beat.
    let due: Vec<Seconds> = (0..line.strokes.len())
        .map(|j| match trace.alignment.placed.iter().position(|p| p.stroke == Some(j)) {
            Some(i) => strikes[i].at - Seconds::from_millis(45.0),
            None => Seconds::ZERO,
        })
        .collect();
    let left = |j: usize| Strike { at: due[j], certainty: 0.3, ..strikes[0] };
    let faint: Vec<Strike> =
        (0..line.strokes.len()).filter(|&j| line.strokes[j].hands == crate::part::Hands::Both).map(left).collect();
    let judged = |faint: &[Strike], guide: Option<GuideTimes>| {
        let heard = Hearing { guide, ..Hearing::clear(Seconds::of(duration)) };
        kinds(&assess(&line, &strikes, faint, &trace, &heard)).contains(&Kind::NotTogether)
    };
    assert!(judged(&faint, None));
    assert!(!judged(&faint, Some(GuideTimes { start: due[0], due: due.clone() })));
    // Nor are a clock's ticks, as the ear tells them.
    let ticks: Vec<Strike> = faint.iter().map(|f| Strike { certainty: f64::from(crate::onset::TICK), ..*f }).collect();
    assert!(!judged(&ticks, None));
}

#[test]
fn a_stop_is_told_where_the_stroke_before_it_was_not_heard() {
    let mut told = 0;
    for seed in 0..12 {
        let pupil = Pupil { strays: 0.0, ..Pupil::good(1850 + seed) };
        let line = pupil.line(
            "title = \"T\"\nmeter = \"6/8\"\nbpm = { start = 60, goal = 90 }\nform = \"A B A\"\n[sections.A]\n\
             strokes = \"xoox.o | xooO.- | xoox.o | x.-+.+\"\n[sections.B]\nstrokes = \"|: o.xo.x | +.-x.- :|2 oooxxx | X.----\"\n",
        );
        let (strikes, faint, duration) = pupil.play(&line);
        let clean = trace(&line, &strikes, &AlignConfig::default());
        // A stick falls in the second bar; the stroke that follows drowns in it, and the third bar begins 3 s late.
        let opens = line.bars[2].strokes.start;
        let at = |j: usize| clean.alignment.placed.iter().position(|p| p.stroke == Some(j)).unwrap();
        let before = strikes[at(opens - 2)];
        let mut fallen = [before; 4];
        for (strike, after) in fallen.iter_mut().zip([0.45, 0.62, 0.74, 0.83]) {
            (strike.at, strike.certainty) = (before.at + Seconds::of(after), 0.95);
        }
        let later = strikes[at(opens)..].iter().map(|s| Strike { at: s.at + Seconds::of(3.0), ..*s });
        let all: Vec<Strike> = strikes[..at(opens - 1)].iter().copied().chain(fallen).chain(later).collect();
        let trace = trace(&line, &all, &AlignConfig::default());
        let take = assess(&line, &all, &faint, &trace, &Hearing::clear(Seconds::of(duration + 3.0)));
        told += usize::from(kinds(&take) == [Kind::Paused]);
    }
    assert!(told >= 10, "{told} of 12");
}

#[test]
fn a_swell_played_flat_is_said_and_one_that_grows_is_not() {
    for seed in 1000..1012 {
        let mut pupil = Pupil::good(seed);
        let line = pupil.line(PARTS[4]);
        assert!(kinds(&pupil.take(&line, &line)).is_empty());
        pupil.swell_db = 0.0;
        let take = pupil.take(&line, &line);
        assert!(kinds(&take).contains(&Kind::LevelFlat), "{}", shown(&take));
        let swell =
            take.findings.iter().find(|f| matches!(f.what, What::LevelFlat { dynamic: Dynamics::Swell { .. }, .. }));
        let place = |f: &Finding| (f.section(&line).map(str::to_owned), f.bars(&line));
        assert!(swell.is_none_or(|f| place(f) == (Some("A".into()), Some((1, 1)))), "{}", shown(&take));
    }
}

#[test]
fn automatic_gain_and_clipping_silence_every_word_about_loudness() {
    let mut pupil = Pupil::good(1100);
    pupil.swell_db = 0.0;
    let line = pupil.line(PARTS[4]);
    let (strikes, faint, duration) = pupil.play(&line);
    let trace = trace(&line, &strikes, &AlignConfig::default());
    let check = |heard: Hearing, limit: &str| {
        let take = assess(&line, &strikes, &faint, &trace, &heard);
        assert!(kinds(&take).is_empty(), "{}", shown(&take));
        assert!(limits(&take).iter().any(|l| l.contains(limit)), "{:?}", take.limits);
    };
    let clear = Hearing::clear(Seconds::of(duration));
    check(Hearing { gain: 0.9, ..clear.clone() }, "change its gain");
    check(Hearing { clipped: 0.4, ..clear.clone() }, "40 % of them were cut off");
    check(Hearing { over_noise: Some(Decibels(8.0)), ..clear }, "8 dB above the noise");
}

#[test]
fn silence_is_said_to_be_silence() {
    let part = parse(PARTS[0]).unwrap();
    let line = part.timeline(None, part.range.start).unwrap();
    let trace = trace(&line, &[], &AlignConfig::default());
    let take = assess(&line, &[], &[], &trace, &Hearing::clear(Seconds::of(30.0)));
    assert!(limits(&take)[0].starts_with("almost no strikes were heard: none in 30 s"), "{:?}", take.limits);
    assert!(take.clock.is_none() && take.findings.is_empty());
    assert!(take.strokes.len() == line.strokes.len() && take.strokes.iter().all(|s| s.status == Status::NotReached));
}

#[test]
fn another_piece_is_said_to_be_another_piece() {
    let mut refused = 0;
    for seed in 0..12u64 {
        let written = Pupil::good(seed).line(PARTS[0]);
        // Strikes at random, three a second, on any surface.
        let mut dice = rng(seed);
        let mut t = 1.0;
        let strikes: Vec<Strike> = (0..90)
            .map(|_| {
                t += 0.1 - 0.25 * dice.unit().max(1e-9).ln();
                let mut surface = [0.02; Surface::COUNT];
                surface[(3.0 * dice.unit()) as usize] = 0.92;
                Strike {
                    at: Seconds::of(t),
                    sigma: Seconds::from_millis(0.5),
                    level: Decibels(-20.0),
                    certainty: 0.97,
                    surface,
                }
            })
            .collect();
        let trace = trace(&written, &strikes, &AlignConfig::default());
        let take = assess(&written, &strikes, &[], &trace, &Hearing::clear(Seconds::of(t + 1.0)));
        if take.clock.is_none() {
            refused += 1;
            assert!(
                take.findings.is_empty() && limits(&take)[0].starts_with("this does not sound like `Lantern Parade`"),
                "{:?}",
                take.limits
            );
            assert!(take.strikes.iter().all(|s| s.stroke.is_none()));
        }
    }
    assert_eq!(refused, 12);
}

#[test]
fn lateness_is_positive_when_late_and_right_to_a_few_milliseconds() {
    // A metronome of a pupil, one stroke 60 ms late and one 40 ms early.
    let part = parse(PARTS[0]).unwrap();
    let line = part.timeline(None, part.range.start).unwrap();
    let strikes: Vec<Strike> = (line.strokes.iter().enumerate())
        .map(|(j, s)| {
            let off = match j {
                20 => 0.060,
                33 => -0.040,
                _ => 0.0,
            };
            let mut surface = [0.02; Surface::COUNT];
            surface[s.surface.index()] = 0.92;
            let at = Seconds::of(2.0 + s.at.to_seconds(line.bpm).get() + off);
            Strike { at, sigma: Seconds::from_millis(0.3), level: Decibels(-20.0), certainty: 0.97, surface }
        })
        .collect();
    let trace = trace(&line, &strikes, &AlignConfig::default());
    let take = assess(&line, &strikes, &[], &trace, &Hearing::clear(Seconds::of(60.0)));
    let late = |j: usize| take.strokes[j].late.unwrap().millis();
    // A displaced stroke pulls its neighbours' line by a tenth at most.
    assert!((late(20) - 60.0).abs() < 1.0 && (late(33) + 40.0).abs() < 1.0, "{} {}", late(20), late(33));
    assert!((0..line.strokes.len()).filter(|j| *j != 20 && *j != 33).all(|j| late(j).abs() < 7.0));
    let clock = take.clock.unwrap();
    assert!(
        (clock.start.get() - 2.0).abs() < 0.003 && (clock.bpm.get() / line.bpm.get() - 1.0).abs() < 0.002,
        "{clock:?}"
    );
}

#[test]
fn the_next_tempo_stays_within_the_part_and_goes_up_only_after_a_steady_take() {
    let mut went_up = 0;
    for (pupil, take) in takes(60, 1200, |k, _, p| p.jitter = if k % 2 == 0 { 0.012 } else { 0.055 }) {
        let (next, asked, range) = (take.advice.next.get(), take.timeline.bpm.get(), take.timeline.range);
        let played = take.clock.unwrap().bpm.get();
        assert!((next >= range.start.get() || played < range.start.get()) && next <= range.goal.get());
        if take.findings.is_empty() && take.slips.is_empty() {
            let base = if (played / asked).ln().abs() > 0.035 { played } else { asked };
            let up = next > base + 0.5;
            // What is not steady goes no faster; what is goes up where there is room.
            assert!(!up || pupil.jitter < 0.03, "{} {:?} {next} {base}", pupil.jitter, take.jitter);
            went_up += usize::from(up);
        }
    }
    assert!(went_up >= 12, "{went_up} of 60, half of which are steady");
}

mod any {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn no_strikes_make_the_judge_panic(times in proptest::collection::vec((0.0..60.0f64, -90.0..0.0f64, 0usize..5), 0..60), part in 0usize..6) {
            let part = parse(PARTS[part]).unwrap();
            let line = part.timeline(None, part.range.goal).unwrap();
            let mut times = times;
            times.sort_by(|a, b| a.0.total_cmp(&b.0));
            let strikes: Vec<Strike> = times.iter().map(|&(t, level, s)| {
                let mut surface = [0.05; Surface::COUNT];
                surface[s] = 0.8;
                Strike { at: Seconds::of(t), sigma: Seconds::from_millis(1.0), level: Decibels(level), certainty: 0.9, surface }
            }).collect();
            let trace = trace(&line, &strikes, &AlignConfig::default());
            let take = assess(&line, &strikes, &strikes, &trace, &Hearing::clear(Seconds::of(61.0)));
            prop_assert_eq!((take.strikes.len(), take.strokes.len()), (strikes.len(), line.strokes.len()));
            prop_assert!(take.findings.iter().all(|f| (0.5..1.0).contains(&f.confidence) && f.what.size().0.is_finite()));
            prop_assert!(take.findings.iter().all(|f| !say::finding(&take, f).is_empty() && !say::evidence(&f.evidence).is_empty()));
            prop_assert!(!say::praise(&take).is_empty() && !say::why(&take).is_empty());
        }
    }
}

#[test]
fn a_place_lost_and_found_again_is_told_once_and_where() {
    let (mut told, mut alone) = (0, 0);
    for seed in 0..18 {
        let pupil = Pupil { strays: 0.0, ..Pupil::good(1700 + seed) };
        let line = pupil.line(PARTS[seed as usize % PARTS.len()]);
        let (strikes, faint, duration) = pupil.play(&line);
        let clean = trace(&line, &strikes, &AlignConfig::default());
        let bar_of = |i: usize| clean.alignment.placed[i].stroke.map(|j| line.strokes[j].bar);
        // Two bars give way to strikes at no time in particular; then it goes on a good second later.
        let gone = line.bars.len() / 2..line.bars.len() / 2 + 2;
        let from = (0..strikes.len()).find(|&i| bar_of(i).is_some_and(|b| b >= gone.start)).unwrap();
        let to = (0..strikes.len()).find(|&i| bar_of(i).is_some_and(|b| b >= gone.end)).unwrap();
        let mut dice = rng(seed);
        let surfaces: Vec<_> = strikes.iter().map(|s| s.surface).collect();
        let mut t = strikes[from - 1].at.get();
        let mut all = strikes[..from].to_vec();
        for _ in 0..10 {
            t += 0.25 + 0.55 * dice.unit();
            let surface = surfaces[(dice.unit() * surfaces.len() as f64) as usize];
            all.push(Strike { at: Seconds::of(t), surface, ..strikes[from] });
        }
        let later = t + 1.2 - strikes[to].at.get();
        all.extend(strikes[to..].iter().map(|s| Strike { at: s.at + Seconds::of(later), ..*s }));
        let trace = trace(&line, &all, &AlignConfig::default());
        let take = assess(&line, &all, &faint, &trace, &Hearing::clear(Seconds::of(duration + later.max(0.0))));
        // Between the last stroke and the first that fits nowhere the bar line may or may not have come.
        let here = |f: &Finding| {
            let bar = f.place.as_ref().and_then(|p| p.bar);
            f.kind() == Kind::Lost && bar.is_some_and(|b| (gone.start - 1..=gone.start + 1).contains(&b))
        };
        told += usize::from(take.findings.iter().any(here));
        alone += usize::from(take.findings.len() == 1);
    }
    assert!(told >= 16 && alone >= 15, "told {told}, alone {alone} of 18");
}

#[test]
fn a_beginning_at_a_later_section_is_told_with_a_count_in_before_it_and_without() {
    let pupil = Pupil { strays: 0.0, ..Pupil::good(1800) };
    let line = pupil.line(
        "title = \"T\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 90 }\nform = \"A B A B\"\n[sections.A]\n\
         strokes = \"o.x. ooxo | x.o. x.-- | oo.o x.x. | o.-- o.--\"\n[sections.B]\n\
         strokes = \"+.+. oo.x | x.x. o.-- | +.+. xxox | O.-- O.--\"\n",
    );
    let (strikes, faint, duration) = pupil.play(&line);
    let clean = trace(&line, &strikes, &AlignConfig::default());
    let b = line.bars[line.passes[1].bars.start].strokes.start;
    let first = clean.alignment.placed.iter().position(|p| p.stroke == Some(b)).unwrap();
    let quarter = clean.alignment.placed[first].bpm.quarter().get();
    for taps in [0, 4] {
        let tap = |k: usize| Strike {
            at: Seconds::of(strikes[first].at.get() - (taps - k) as f64 * quarter),
            surface: std::array::from_fn(|c| if c == Surface::Click.index() { 1.0 } else { 0.0 }),
            ..strikes[first]
        };
        let all: Vec<Strike> = (0..taps).map(tap).chain(strikes[first..].iter().copied()).collect();
        let trace = trace(&line, &all, &AlignConfig::default());
        let take = assess(&line, &all, &faint, &trace, &Hearing::clear(Seconds::of(duration)));
        assert_eq!(kinds(&take), [Kind::StartedLate], "{taps} taps: {}", shown(&take));
    }
}
