//! The way through, from made sound: what one pushes, at which rate and in which pieces makes no difference; a guide, known
//! strikes and a card change what they should; what is watched can be stopped.

use std::ops::ControlFlow;

use super::*;
use crate::assess::{ClockSource, Limit, Status};
use crate::guide::{GuideConfig, render};
use crate::part::{Surface, parse};
use crate::rng::Rng;
use crate::units::{Bpm, SampleRate};

const PART: &str = "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 120 }\nform = \"A B\"\n\
                    [sections.A]\nstrokes = \"o.x. ooxo | o.x. o.-- | ooxo o.x. | x.o. x.-- \"\n\
                    [sections.B]\nstrokes = \"xxoo x.o. | o.xx o.-- \"\n";
const RATES: [u32; 4] = [22_050, 44_100, 48_000, 96_000];

fn timeline() -> Timeline {
    parse(PART).unwrap().timeline(None, Bpm::new(100.0).unwrap()).unwrap()
}

fn rate(hertz: u32) -> SampleRate {
    SampleRate::new(hertz).unwrap()
}

/// Noise of a quiet room, the same every time.
fn room(samples: usize) -> Vec<f32> {
    Rng(5).noise(samples, 2e-4)
}

/// A stick on a bucket: a burst and a ring, higher for the rim.
fn strike(x: &mut [f32], at: Seconds, surface: Surface, rate: SampleRate) {
    let hz = f64::from(rate.get());
    let from = (at.get() * hz).round() as usize;
    let (tone, bright) = if surface == Surface::Rim { (1900.0, 0.9) } else { (320.0, 0.25) };
    let mut rng = Rng(99);
    for (k, v) in x.iter_mut().skip(from).take((0.15 * hz) as usize).enumerate() {
        let t = k as f64 / hz;
        let noise = rng.signed();
        let ring = (std::f64::consts::TAU * tone * t).sin() * (-t / 0.03).exp();
        *v += (0.3 * (ring + bright * noise * (-t / 0.004).exp())) as f32;
    }
}

/// The part as played from second 1 on, each stroke off by some milliseconds; `skip`: a stroke left out.
fn take(timeline: &Timeline, rate: SampleRate, skip: Option<usize>) -> Vec<f32> {
    let lasts = timeline.end().to_seconds(timeline.bpm).get() + 2.5;
    let mut x = room((lasts * f64::from(rate.get())) as usize);
    for (k, stroke) in timeline.strokes.iter().enumerate().filter(|(k, _)| Some(*k) != skip) {
        let off = [0.006, -0.009, 0.002, -0.004, 0.011][k % 5];
        strike(&mut x, Seconds::of(1.0 + off) + stroke.at.to_seconds(timeline.bpm), stroke.surface, rate);
    }
    x
}

fn judged(samples: &[f32], hertz: u32, asked: &Asked, beside: &Beside) -> Verdict {
    assess(&mut Samples { samples, rate: rate(hertz) }, asked, beside, &mut quietly).unwrap()
}

fn late_ms(verdict: &Verdict) -> Vec<f64> {
    verdict.assessment.strokes.iter().filter_map(|s| Some(s.late?.millis())).collect()
}

#[test]
fn the_same_playing_has_the_same_verdict_at_every_rate() {
    let timeline = timeline();
    let verdicts =
        RATES.map(|hz| judged(&take(&timeline, rate(hz), Some(9)), hz, &Asked::of(&timeline), &Beside::default()));
    for (verdict, hz) in verdicts.iter().zip(RATES) {
        let statuses: Vec<Status> = verdict.assessment.strokes.iter().map(|s| s.status).collect();
        let expected: Vec<Status> =
            (0..statuses.len()).map(|k| if k == 9 { Status::Missed } else { Status::Played }).collect();
        assert_eq!(statuses, expected, "{hz} Hz");
        // Two thirds of a millisecond is a sample and a half at 22 050 Hz, and what rounding to a sample there moves.
        for (a, b) in late_ms(verdict).iter().zip(late_ms(&verdicts[1])) {
            assert!((a - b).abs() < 0.7, "{hz} Hz: {a} ms, {b} ms");
        }
    }
}

#[test]
fn blocks_of_any_length_are_heard_as_the_whole() {
    let timeline = timeline();
    let x = take(&timeline, rate(48_000), None);
    let whole = listen(&mut Samples { samples: &x, rate: rate(48_000) }, &mut quietly).unwrap();
    for length in [1, 441, 10_007] {
        let mut listener = Listener::new(rate(48_000)).unwrap();
        x.chunks(length).for_each(|block| listener.push(block));
        let pushed = listener.finish();
        assert_eq!(pushed.take.heard, whole.take.heard, "{length}");
        assert_eq!((pushed.take.features, pushed.low), (whole.take.features.clone(), whole.low.clone()), "{length}");
    }
}

#[test]
fn what_was_pushed_is_judged_as_what_was_played() {
    let timeline = timeline();
    let x = take(&timeline, rate(48_000), Some(3));
    let mut sound = Samples { samples: &x, rate: rate(48_000) };
    let mut listener = Listener::new(rate(48_000)).unwrap();
    listener.push(&x);
    let asked = [Asked::of(&timeline)];
    let pushed = which(&listener.finish(), &mut sound, &asked, true, &Beside::default(), &mut quietly);
    let played = judged(&x, 48_000, &asked[0], &Beside::default());
    assert_eq!(pushed.unwrap().unwrap().1.assessment, played.assessment);
}

/// The take with a guide of clicks before and under it.
fn guided(timeline: &Timeline, hertz: u32) -> (Vec<f32>, Guide) {
    let practice = Practice::once(timeline.clone());
    let guide = render(&practice, &GuideConfig::default(), rate(hertz)).unwrap();
    let played = take(timeline, rate(hertz), None);
    let clicks = guide.samples();
    // The playing of `take` begins at second 1.
    let before = ((guide.start.get() - 1.0) * f64::from(hertz)).round() as usize;
    let mut x = room(before + played.len().max(clicks.len()));
    played.iter().zip(&mut x[before..]).for_each(|(v, x)| *x += v);
    clicks.iter().zip(&mut x[..]).for_each(|(v, x)| *x += 0.5 * v);
    (x, guide)
}

#[test]
fn a_guide_in_the_sound_is_the_clock_whether_it_was_expected_or_not_and_nothing_of_it_is_a_strike() {
    let timeline = timeline();
    for hertz in [44_100, 48_000] {
        let (x, guide) = guided(&timeline, hertz);
        let likely = judged(&x, hertz, &Asked::of(&timeline), &Beside::default());
        let clicks = guide::likely(&Practice::once(timeline.clone()), EAR_RATE).swap_remove(0);
        let played = Asked { guides: Guides::Played(vec![clicks]), ..Asked::of(&timeline) };
        let expected = judged(&x, hertz, &played, &Beside::default());
        let clock = likely.assessment.clock.unwrap();
        assert_eq!(clock.source, ClockSource::Guide, "{hertz} Hz");
        assert!((clock.start - guide.start).abs().get() < 0.002, "{:?} {:?}", clock.start, guide.start);
        assert_eq!(likely.assessment.strikes.len(), timeline.strokes.len(), "{hertz} Hz");
        // Sought alone or among others a guide is placed alike, to what rounding leaves: a billionth of a second here.
        let [a, b] = [&likely, &expected].map(|v| v.assessment.clock.unwrap());
        assert!((a.start - b.start).abs().get() < 1e-6 && b.source == ClockSource::Guide, "{a:?} {b:?}");
        assert!(late_ms(&likely).iter().zip(late_ms(&expected)).all(|(a, b)| (a - b).abs() < 1e-3));
        let unheard = judged(&x, hertz, &Asked { guides: Guides::None, ..Asked::of(&timeline) }, &Beside::default());
        assert_ne!(unheard.assessment.clock.map(|c| c.source), Some(ClockSource::Guide));
    }
}

#[test]
fn a_guide_that_was_expected_and_is_not_there_changes_nothing() {
    let timeline = timeline();
    let x = take(&timeline, rate(44_100), None);
    let guides = guide::likely(&Practice::once(timeline.clone()), EAR_RATE);
    let asked = Asked { guides: Guides::Played(guides), ..Asked::of(&timeline) };
    let without = Asked { guides: Guides::None, ..Asked::of(&timeline) };
    let [a, b] = [asked, without].map(|asked| judged(&x, 44_100, &asked, &Beside::default()).assessment);
    assert_eq!(a, b);
}

#[test]
fn which_of_several_parts_it_is_does_not_change_what_is_said_of_it() {
    let own = timeline();
    let other = "strokes = \"o... xxxx | x... oooo | o.xx ..xx | o... .... \"";
    let text = PART.replace("strokes = \"o.x. ooxo | o.x. o.-- | ooxo o.x. | x.o. x.-- \"", other);
    let other = parse(&text.replace("A B", "A A")).unwrap().timeline(None, Bpm::new(90.0).unwrap()).unwrap();
    let x = take(&own, rate(44_100), Some(5));
    let mut sound = Samples { samples: &x, rate: rate(44_100) };
    let heard = listen(&mut sound, &mut quietly).unwrap();
    let mut told = |asked: &[Asked]| which(&heard, &mut sound, asked, false, &Beside::default(), &mut quietly).unwrap();
    let (k, verdict) = told(&[Asked::of(&other), Asked::of(&own)]).unwrap();
    assert_eq!(k, 1);
    assert_eq!(verdict.assessment, judged(&x, 44_100, &Asked::of(&own), &Beside::default()).assessment);
    assert_eq!(told(&[]).unwrap_err(), Unsure::NothingAsked);
    assert_eq!(told(&[Asked::of(&other)]).unwrap_err(), Unsure::NoneOfThem);
    assert!(matches!(told(&[Asked::of(&own), Asked::of(&own)]), Err(Unsure::Either(..))));
    let silence = room(44_100);
    let mut quiet = Samples { samples: &silence, rate: rate(44_100) };
    let heard = listen(&mut quiet, &mut quietly).unwrap();
    let asked = [Asked::of(&own)];
    let told = which(&heard, &mut quiet, &asked, false, &Beside::default(), &mut quietly).unwrap();
    assert_eq!(told.unwrap_err(), Unsure::FewStrikes(0));
}

#[test]
fn strikes_of_a_check_and_strikes_that_were_named_settle_the_surfaces() {
    let timeline = timeline();
    let x = take(&timeline, rate(44_100), None);
    let plain = judged(&x, 44_100, &Asked::of(&timeline), &Beside::default());
    let surfaces = [Surface::Centre, Surface::Rim];
    let mut check = room(6 * 44_100);
    for (k, surface) in surfaces.iter().flat_map(|s| [s; 3]).enumerate() {
        strike(&mut check, Seconds::of(0.5 + 0.8 * k as f64), *surface, rate(44_100));
    }
    let check = hear_samples(&check);
    let known = known_strikes(&check, &surfaces).unwrap();
    assert_eq!(known_strikes(&check, &surfaces[..1]), Err(WrongCount { surfaces: 1, heard: 6 }));
    let told = judged(&x, 44_100, &Asked::of(&timeline), &Beside { known, ..Beside::default() });
    assert!(
        told.assessment
            .strikes
            .iter()
            .zip(&plain.assessment.strikes)
            .any(|(a, b)| a.surface_p.total_cmp(&b.surface_p).is_ne())
    );

    // Three strikes of each surface said to be of the other: they at least are told so.
    let at = |surface: Surface| {
        let these = timeline.strokes.iter().enumerate().filter(move |(_, s)| s.surface == surface).take(3);
        these.filter_map(|(k, _)| plain.assessment.strikes.get(plain.assessment.strokes[k].strike?)).map(|s| s.at)
    };
    let named = at(Surface::Centre).map(|t| (t, Surface::Rim)).chain(at(Surface::Rim).map(|t| (t, Surface::Centre)));
    let beside = Beside { named: named.collect(), ..Beside::default() };
    let turned = judged(&x, 44_100, &Asked::of(&timeline), &beside);
    let wrong = turned.assessment.strokes.iter().filter(|s| s.status == Status::WrongSurface).count();
    assert!(wrong >= 6, "{wrong}");
    let nowhere = Beside { named: vec![(Seconds::of(0.2), Surface::Rim)], ..Beside::default() };
    let mut sound = Samples { samples: &x, rate: rate(44_100) };
    let error = assess(&mut sound, &Asked::of(&timeline), &nowhere, &mut quietly).unwrap_err();
    assert!(error.to_string().contains("no strike was heard at 0.2 s"), "{error}");
}

#[test]
fn the_card_says_where_the_bar_begins_and_what_went_wrong_first() {
    let timeline = timeline();
    let mut x = take(&timeline, rate(44_100), None);
    x[100] = f32::NAN;
    let card = CardSays {
        start: Some(Seconds::of(1.25)),
        cut_short: Some("the disk takes no more".into()),
        slips: vec![Slip { at: Seconds::of(3.0), lost: Seconds::of(-0.012) }],
        dropped: Seconds::of(0.5),
    };
    let verdict = judged(&x, 44_100, &Asked::of(&timeline), &Beside { card: Some(card), ..Beside::default() });
    let clock = verdict.assessment.clock.unwrap();
    assert_eq!((clock.source, clock.start), (ClockSource::TakeCard, Seconds::of(1.25)));
    let limits = &verdict.assessment.limits;
    for (k, part) in
        ["cut short: the disk", "doubled about 12 ms", "0.50 s that could not", "1 samples are not numbers"]
            .into_iter()
            .enumerate()
    {
        assert!(matches!(&limits[k], Limit::Recording(said) if said.contains(part)), "{limits:?}");
    }
}

#[test]
fn it_can_be_stopped_at_every_step_and_says_how_far_it_is() {
    let timeline = timeline();
    let (x, guide) = guided(&timeline, 44_100);
    let mut sound = Samples { samples: &x, rate: rate(44_100) };
    let expected = Asked { guides: Guides::Played(vec![guide]), ..Asked::of(&timeline) };
    let plain = take(&timeline, rate(44_100), None);
    let mut without = Samples { samples: &plain, rate: rate(44_100) };
    for (asked, plays) in [(&Asked::of(&timeline), true), (&expected, true), (&expected, false)] {
        let sound = if plays { &mut sound } else { &mut without };
        let mut seen: Vec<Progress> = Vec::new();
        let mut watch = |progress: Progress| {
            seen.push(progress);
            ControlFlow::Continue(())
        };
        assess(sound, asked, &Beside::default(), &mut watch).unwrap();
        assert!(seen.windows(2).all(|w| w[0].step <= w[1].step));
        assert!(seen.windows(2).all(|w| w[0].step < w[1].step || w[0].done < w[1].done), "{seen:?}");
        let last = if plays { Step::GuideTakenOut } else { Step::HearingAgain };
        for step in [Step::Hearing, Step::GuideSought, last, Step::Matching] {
            assert!(seen.iter().any(|p| p.step == step), "{step:?}");
            let mut stop =
                |p: Progress| if p.step == step { ControlFlow::Break(()) } else { ControlFlow::Continue(()) };
            let error = assess(sound, asked, &Beside::default(), &mut stop).unwrap_err();
            assert!(matches!(error, ChainError::Stopped), "{step:?}");
        }
    }
}

#[test]
fn sound_that_cannot_be_heard_is_refused_and_nothing_panics_on_what_is_none() {
    let timeline = timeline();
    let mut slow = Samples { samples: &[0.1; 800], rate: rate(8_000) };
    let error = assess(&mut slow, &Asked::of(&timeline), &Beside::default(), &mut quietly).unwrap_err();
    assert!(error.to_string().contains("8000 samples a second, 16000 to 384000"), "{error}");
    assert!(Listener::new(rate(8_000)).is_none());
    for samples in [&[][..], &[f32::NAN; 5000], &[f32::INFINITY; 10], &[1e38, -1e38, 1e38], &[0.5; 90_000]] {
        let verdict = judged(samples, 48_000, &Asked::of(&timeline), &Beside::default());
        assert!(verdict.assessment.findings.is_empty());
    }
    let flat = judged(&[0.5; 90_000], 48_000, &Asked::of(&timeline), &Beside::default());
    let limits = &flat.assessment.limits;
    assert!(matches!(&limits[0], Limit::Recording(said) if said.contains("no sound at all")), "{limits:?}");
}
