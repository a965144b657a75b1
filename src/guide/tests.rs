use super::*;
use crate::part::{Part, parse};
use crate::units::Bpm;

fn part(meter: &str, strokes: &str) -> Part {
    parse(&format!(
        "title = \"Lantern Parade\"\nmeter = \"{meter}\"\nbpm = {{ start = 66, goal = 96 }}\nform = \"A A\"\n\
         [sections.A]\nstrokes = \"{strokes}\"\n"
    ))
    .unwrap()
}

fn four() -> Part {
    part("4/4", "oxx. o.x. | O.-- X.--")
}

fn made(part: &Part, laps: &Laps, heard: Heard) -> (Practice, Guide) {
    let practice = Practice::of(part, None, laps, Bpm::new(66.0).unwrap()).unwrap();
    let config = GuideConfig { heard, ..GuideConfig::default() };
    let guide = render(&practice, &config, SampleRate::new(44_100).unwrap()).unwrap();
    (practice, guide)
}

#[test]
fn a_count_in_is_whole_bars_of_at_least_four_beats() {
    for (meter, strokes, beats) in [("4/4", "oooo", 4), ("3/4", "ooo", 6), ("2/4", "oo", 4), ("6/8", "oooooo", 6)] {
        let (_, guide) = made(&part(meter, strokes), &Laps::default(), Heard::Alone);
        assert_eq!(guide.events.len(), beats, "{meter}");
        assert_eq!(
            guide.events.iter().filter(|e| e.sound == Sound::Accent).count(),
            if beats == 4 && meter == "4/4" || meter == "6/8" { 1 } else { 2 }
        );
    }
}

#[test]
fn every_beat_is_a_click_at_its_sample_and_the_first_of_a_bar_another() {
    let (practice, guide) = made(&four(), &Laps::default(), Heard::Click);
    let timeline = &practice.timeline;
    assert_eq!(guide.events.len(), 4 + 16);
    for (k, event) in guide.events.iter().enumerate() {
        let due = guide.start + Ticks(960 * (k as i64 - 4)).to_seconds(timeline.bpm);
        assert!((event.at.to_seconds(guide.rate) - due).abs().get() <= 0.5001 / 44_100.0);
        assert_eq!(event.sound, if k % 4 == 0 { Sound::Accent } else { Sound::Beat });
        assert_eq!(event.sign, signs()[k]);
    }
    let samples = guide.samples();
    let first = guide.events[0].at.0 as usize;
    assert!(samples[..first].iter().all(|v| *v == 0.0));
    let peak = samples.iter().fold(0.0f32, |m, v| m.max(v.abs()));
    assert!((peak - 0.1).abs() < 1e-6, "{peak}");
}

#[test]
fn by_turns_the_part_the_click_and_nothing_are_heard() {
    let laps = Laps { excerpt: Excerpt::Section("A".into()), times: 3, breath: 1 };
    let (practice, guide) = made(&four(), &laps, Heard::Turns);
    let bar = practice.timeline.meter.bar();
    let within = |from: i64, to: i64| {
        let at = |bars: i64| (guide.start + Ticks(bar.0 * bars).to_seconds(practice.timeline.bpm)).get();
        guide
            .events
            .iter()
            .filter(|e| (at(from) - 1e-3..at(to) - 1e-3).contains(&e.at.to_seconds(guide.rate).get()))
            .collect::<Vec<_>>()
    };
    assert!(within(0, 2).iter().all(|e| matches!(e.sound, Sound::Stroke(_))) && within(0, 2).len() == 7);
    assert!(within(2, 3).is_empty(), "the breath is silent");
    assert!(within(3, 5).iter().all(|e| !matches!(e.sound, Sound::Stroke(_))) && within(3, 5).len() == 8);
    assert!(within(5, 9).is_empty());
    // The sign names the beat, heard or not.
    assert_eq!(within(3, 5)[0].sign, signs()[4 + 12]);
}

#[test]
fn a_guide_is_made_again_from_its_description() {
    let part = four();
    let excerpts = [
        Excerpt::Form,
        Excerpt::Section("A".into()),
        Excerpt::Bars("A".into(), 2, 2),
        Excerpt::Join("A".into(), "A".into()),
    ];
    for excerpt in excerpts {
        for heard in Heard::ALL {
            let laps = Laps { excerpt: excerpt.clone(), times: 3, breath: 2 };
            let (practice, guide) = made(&part, &laps, heard);
            let about = Description::new(&part, None, &laps, Bpm::new(66.0).unwrap(), &guide);
            let text = serde_json::to_string(&about).unwrap();
            let read: Description = serde_json::from_str(&text).unwrap();
            assert_eq!(read.rebuild(&part).unwrap(), (practice, guide), "{text}");
        }
    }
}

#[test]
fn a_guide_too_loud_or_too_long_is_refused() {
    let part = four();
    let practice = Practice::of(&part, None, &Laps::default(), Bpm::new(66.0).unwrap()).unwrap();
    let rate = SampleRate::new(44_100).unwrap();
    let loud = GuideConfig { peak: Decibels(0.0), ..GuideConfig::default() };
    assert!(matches!(render(&practice, &loud, rate), Err(GuideError::Peak(_))));
    let nan = GuideConfig { peak: Decibels(f64::NAN), ..GuideConfig::default() };
    assert!(matches!(render(&practice, &nan, rate), Err(GuideError::Peak(_))));
    let laps = Laps { excerpt: Excerpt::Form, times: 300, breath: 1 };
    let long = Practice::of(&part, None, &laps, Bpm::new(30.0).unwrap()).unwrap();
    assert!(matches!(render(&long, &GuideConfig::default(), rate), Err(GuideError::Long(_))));
}
