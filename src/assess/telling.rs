//! Tests: what is told once, praised and advised.

use super::tests::pupil::{PARTS, Pupil, TOLD_ABOVE_DB};
use super::*;
use crate::align::{AlignConfig, trace};
use crate::units::Decibels;

/// Takes of pupils changed by `how`, six parts in turn.
fn takes(n: u64, seed: u64, how: impl Fn(&Timeline, &mut Pupil)) -> Vec<(Pupil, Assessment)> {
    (0..n)
        .map(|k| {
            let mut pupil = Pupil { strays: 0.0, tempo: 1.0, ..Pupil::good(seed + k) };
            let line = pupil.line(PARTS[k as usize % PARTS.len()]);
            how(&line, &mut pupil);
            let take = pupil.take(&line, &line);
            (pupil, take)
        })
        .collect()
}

fn missing(take: &Assessment) -> Vec<usize> {
    let strokes = |f: &Finding| match &f.what {
        What::StrokesMissing { strokes, .. } => strokes.clone(),
        _ => Vec::new(),
    };
    take.findings.iter().flat_map(strokes).collect()
}

fn complete(praise: &Praise) -> bool {
    matches!(praise, Praise::AllInPlace | Praise::EveryStroke | Praise::Whole | Praise::Steady { throughout: true })
}

#[test]
fn strokes_left_out_are_a_finding_and_earn_no_praise_for_completeness_and_no_step_up() {
    let (mut out, mut told) = (0, 0);
    for (pupil, take) in takes(36, 4000, |line, p| {
        p.left_out =
            (3..line.strokes.len() - 3).filter(|j| (j * 7919 + p.seed as usize * 31).is_multiple_of(23)).collect();
    }) {
        let found = missing(&take);
        out += pupil.left_out.len();
        told += pupil.left_out.iter().filter(|j| found.contains(j)).count();
        if !pupil.left_out.is_empty() {
            assert!(!complete(&take.advice.praise), "{:?}", take.advice.praise);
            let base = take.timeline.bpm.get().max(take.clock.unwrap().bpm.get());
            assert!(take.advice.next.get() <= base + 0.5, "{} after {base}", take.advice.next.get());
        }
    }
    assert!(out > 60 && told as f64 >= 0.95 * out as f64, "{told} of {out}");
}

#[test]
fn offbeats_left_out_throughout_are_one_statement() {
    let mut of = 0;
    for (_, take) in takes(12, 4100, |line, p| {
        p.left_out = (3..line.strokes.len()).filter(|j| line.beat(*j).fract() > 0.1).collect();
    }) {
        let offbeats = |f: &Finding| matches!(&f.what, What::StrokesMissing { common: Common::Offbeats, .. });
        let n = take.timeline.strokes.iter().enumerate().filter(|(j, _)| take.timeline.beat(*j).fract() > 0.1).count();
        if n >= 12 && take.clock.is_some() {
            of += 1;
            let said: Vec<String> = take.findings.iter().map(|f| say::finding(&take, f)).collect();
            assert!(take.findings.iter().any(offbeats), "{said:?}");
            assert!(!complete(&take.advice.praise));
        }
    }
    assert!(of >= 4, "{of}");
}

#[test]
fn another_tempo_is_told_and_nobody_stays_where_they_never_were() {
    for (_, take) in takes(12, 4200, |_, p| p.tempo = 0.73) {
        let kinds: Vec<Kind> = take.findings.iter().map(Finding::kind).collect();
        assert_eq!(kinds, [Kind::TempoApart]);
        let (asked, played) = (take.timeline.bpm.get(), take.clock.unwrap().bpm.get());
        assert!(take.advice.next.get() < asked && take.advice.next.get() <= played * 1.05 + 1.0);
    }
    for (_, take) in takes(12, 4220, |_, p| p.tempo = 1.3) {
        assert_eq!(take.findings.first().map(Finding::kind), Some(Kind::TempoApart));
        assert!(matches!(take.advice.why, Why::AsAsked { .. }), "{:?}", take.advice.why);
    }
}

#[test]
fn a_tempo_that_moves_is_told_in_every_shape_and_never_called_steady() {
    let shapes: [fn(f64) -> f64; 4] = [
        |x| 0.18 * x,
        |x| -0.3 * (x - 0.6).max(0.0) / 0.4,
        |x| 0.2 * (x / 0.4).min(1.0),
        |x| 0.2 * (1.0 - (2.0 * x - 1.0).abs()),
    ];
    for (k, shape) in shapes.into_iter().enumerate() {
        let all = takes(18, 4300 + 20 * k as u64, |_, p| p.drift = shape);
        let moved = |t: &Assessment| t.findings.iter().any(|f| matches!(f.what, What::Rushing(_) | What::Dragging(_)));
        let told = all.iter().filter(|(_, t)| moved(t)).count();
        // What begins or ends at a join may be one new tempo there, which is no drift.
        assert!(told >= 16, "shape {k}: {told} of 18");
        for (_, take) in &all {
            assert!(!matches!(take.advice.praise, Praise::AllInPlace | Praise::Steady { .. }), "shape {k}");
        }
    }
}

#[test]
fn where_too_much_is_unheard_nothing_is_praised_as_complete_and_nothing_goes_faster() {
    let mut asked_again = 0;
    for (pupil, line) in (0..24u64).map(|k| {
        let pupil = Pupil { strays: 0.0, tempo: 1.0, touch_db: 4.0, ..Pupil::good(4400 + k) };
        let line = pupil.line(PARTS[k as usize % PARTS.len()]);
        (pupil, line)
    }) {
        let (strikes, _, duration) = pupil.play(&line);
        // A room in which the softest third is lost without a trace, and known to be.
        let mut levels: Vec<f64> = strikes.iter().map(|s| s.level.0).collect();
        levels.sort_by(f64::total_cmp);
        let floor = levels[levels.len() / 3];
        let heard: Vec<_> = strikes.into_iter().filter(|s| s.level.0 > floor).collect();
        let audibility =
            vec![crate::onset::Audibility { from: Seconds::ZERO, threshold: Decibels(floor + TOLD_ABOVE_DB) }];
        let hearing = Hearing { audibility, ..Hearing::clear(Seconds::of(duration)) };
        let found = trace(&line, &heard, &AlignConfig::default());
        let take = assess(&line, &heard, &[], &found, &hearing);
        if !take.too_little_heard() {
            continue;
        }
        asked_again += usize::from(matches!(take.advice.fix, Some(Fix::Record(_))));
        assert!(!complete(&take.advice.praise) && !matches!(take.advice.praise, Praise::Steady { .. }));
        assert!(take.advice.next.get() <= take.timeline.bpm.get().max(take.clock.unwrap().bpm.get()) + 0.5);
        assert!(!say::nothing(&take).contains("Nothing to mend"));
    }
    assert!(asked_again >= 10, "{asked_again} of 24");
}
