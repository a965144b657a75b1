//! The page hears and says what the program does.

use super::*;
use crate::units::Samples as Count;

const PART: &str = include_str!("../../reference_takes/lantern-parade.toml");

fn pupil() -> Pupil {
    let handed =
        Handed { part: PART.into(), sha256: "5a".into(), name: "lantern.toml".into(), bpm: 84.0, ..Handed::default() };
    Pupil::new(handed).unwrap()
}

fn json(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}

/// Whoever plays the guide of the part itself, as loud as can be.
fn played(wish: &Wish, rate: SampleRate) -> Vec<f32> {
    let pupil = pupil();
    let practice = pupil.practice(wish).unwrap();
    let mut guide = pupil.guide_of(wish, &practice, rate).unwrap();
    guide.events.retain(|event| matches!(event.sound, crate::guide::Sound::Stroke(_)));
    guide.samples().iter().map(|v| v * 4.0).collect()
}

#[test]
fn every_section_and_every_join_can_be_chosen_and_planned() {
    let pupil = pupil();
    let choices = json(&pupil.choices().unwrap());
    let words: Vec<&str> = choices["pieces"].as_array().unwrap().iter().map(|p| p["words"].as_str().unwrap()).collect();
    assert_eq!(words, ["the whole thing", "only A", "only B", "only the join, A to B"]);
    assert_eq!((choices["slowest"].as_f64(), choices["fastest"].as_f64()), (Some(66.0), Some(96.0)));
    for piece in choices["pieces"].as_array().unwrap() {
        let wish: Wish = serde_json::from_value(piece["wish"].clone()).unwrap();
        let plan = json(&pupil.plan(&wish).unwrap());
        let bars = plan["bars"].as_array().unwrap();
        let beat = plan["beat_s"].as_f64().unwrap();
        assert_eq!(bars[0]["at_s"], plan["start_s"]);
        assert!(
            bars.windows(2)
                .all(|b| (b[1]["at_s"].as_f64().unwrap() - b[0]["at_s"].as_f64().unwrap() - 4.0 * beat).abs() < 1e-9)
        );
        for drawing in plan["drawings"].as_array().unwrap().iter().flat_map(|d| d.as_array().unwrap()) {
            let counts = drawing["counts"].as_array().unwrap();
            assert!(counts.len() >= 8 && drawing["svg"].as_str().unwrap().starts_with("<svg"));
            // Every frame lies within its drawing.
            for count in counts {
                let [left, top, width, height] = [1, 2, 3, 4].map(|k| count[k].as_f64().unwrap());
                assert!(
                    left >= 0.0 && top >= 0.0 && left + width <= 1.0 + 1e-9 && top + height <= 1.0 + 1e-9,
                    "{count}"
                );
            }
        }
    }
}

#[test]
fn a_take_without_a_guide_is_judged_by_its_card_and_packed_with_it() {
    let mut pupil = pupil();
    let rate = SampleRate::new(48_000).unwrap();
    let wish = Wish { section: Some("A".into()), bpm: 80.0, heard: "part".into(), ..Wish::default() };
    let take = played(&wish, rate);
    let facts = Facts { began: "2026-11-04 15:00:00 +0100".into(), pupil: Some("Robin".into()), ..Facts::default() };
    assert!(pupil.told().is_err() && pupil.given(Samples { samples: &take, rate }, None).is_err());
    let said = json(&pupil.hear(&wish, &facts, &take, rate, &mut quietly).unwrap());
    assert_eq!(said["part"]["asked_bpm"].as_f64(), Some(80.0));
    assert!(said["strikes"].as_array().unwrap().len() > 8, "{}", said["strikes"]);
    let told = json(&pupil.told().unwrap());
    let praise = said["advice"]["praise"].as_str().unwrap();
    assert!(told["keep"].as_str().unwrap().contains(praise.split(". ").next().unwrap().trim_end_matches('.')));
    let given = pupil.given(Samples { samples: &take, rate }, None).unwrap();
    let mut zip = zip::ZipArchive::new(std::io::Cursor::new(given)).unwrap();
    assert_eq!(zip.len(), 2);
    let mut card = Vec::new();
    std::io::Read::read_to_end(&mut zip.by_name("take.take.json").unwrap(), &mut card).unwrap();
    let card = Card::parse(&card).unwrap();
    assert_eq!((card.pupil.as_deref(), card.length_samples), (Some("Robin"), Some(take.len() as u64)));
    assert_eq!(card.practice().as_deref(), Some("section A"));
    let (practice, _) = card.asked.described().unwrap().rebuild(&pupil.part).unwrap();
    assert_eq!(practice, pupil.practice(&wish).unwrap());
    assert!(Count(take.len() as u64).to_seconds(rate).get() > 10.0);
}

#[test]
fn what_cannot_be_played_is_refused_in_words() {
    let pupil = pupil();
    let refuse = |wish: &Wish| pupil.plan(wish).unwrap_err().to_string();
    assert!(refuse(&Wish { section: Some("C".into()), bpm: 80.0, ..Wish::default() }).contains("`C`"));
    assert!(refuse(&Wish { bpm: 0.0, ..Wish::default() }).contains("no tempo"));
    assert!(Pupil::new(Handed { part: "nothing".into(), bpm: 80.0, ..Handed::default() }).is_err());
}

const DRILL: &str = "title = \"Echoes\"\nmeter = \"4/4\"\nbpm = 100\nrounds = 4\nhush = \"owl\"\n\
    [calls.owl]\nstrokes = \"oo.x o.--\"\n[calls.steps]\nstrokes = \"o.x. o.x.\"\n[calls.gate]\nstrokes = \"o.oo x.--\"\n";

/// A drill is played by somebody who echoes every call, the hush pattern too where `all`; its calls sound or are seen alone. What was said at
/// once, what came of it, and the file for the teacher.
fn drilled(sounds: bool, all: bool) -> (Vec<serde_json::Value>, serde_json::Value, Vec<u8>) {
    let mut pupil =
        Pupil::new(Handed { part: PART.into(), bpm: 84.0, drill: Some(DRILL.into()), ..Handed::default() }).unwrap();
    let rate = SampleRate::new(48_000).unwrap();
    let shown = json(&pupil.drill(Some("Wren")).unwrap());
    assert_eq!((shown["title"].as_str(), shown["rounds"].as_array().unwrap().len()), (Some("Echoes"), 4));
    assert!(shown["rule"].as_str().unwrap().contains("`owl`"));
    let plan = crate::drill::plan(
        &echo::read(DRILL).unwrap(),
        crate::drill::seed_of("Wren"),
        &crate::guide::GuideConfig::default(),
        crate::units::EAR_RATE,
    );
    // The recording begins half a second before the drill.
    let before = 0.5;
    let mut noise = 9_u32;
    let mut sound: Vec<f32> = (0..((plan.guide.lasts().get() + 2.0) * 48_000.0) as usize)
        .map(|_| {
            noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            1e-4 * ((noise >> 8) as f32 / 8.4e6 - 1.0)
        })
        .collect();
    let mut add = |at: f64, what: &[f32], gain: f32| {
        let from = (((before + at) * 48_000.0) as usize).min(sound.len());
        sound[from..].iter_mut().zip(what).for_each(|(v, s)| *v += gain * s);
    };
    if sounds {
        add(0.0, &pupil.drill_sound(Some("Wren"), rate).unwrap(), 1.0);
    }
    for round in plan.rounds.iter().filter(|r| all || !r.hush) {
        for (at, surface) in round.expected() {
            let struck = crate::guide::strike(surface, crate::guide::PLAIN_ATTACK, rate);
            add((round.answer_at + at).get(), &struck, 0.3);
        }
    }
    pupil.drill_begin(Some("Wren"), rate).unwrap();
    let told = Seconds::of(before);
    let said: Vec<serde_json::Value> = sound
        .chunks(4096)
        .filter_map(|piece| pupil.drill_listen(piece, told).unwrap())
        .map(|said| json(&said))
        .collect();
    assert!(!pupil.drill_signal(rate).unwrap().is_empty());
    let recording = crate::drill::RecordingRow {
        loudspeaker: if sounds { "browser".into() } else { String::new() },
        begins_s: Some(before),
        ..Default::default()
    };
    let came = json(&pupil.drill_end(Some("Wren"), &recording, &sound, rate).unwrap());
    (said, came, pupil.given_drill(Samples { samples: &sound, rate }).unwrap())
}

fn verdicts(said: &[serde_json::Value]) -> Vec<&str> {
    said.iter().map(|s| s["verdict"].as_str().unwrap()).collect()
}

#[test]
fn a_drill_at_the_page_is_judged_at_once_and_given_to_the_teacher_as_the_program_keeps_it() {
    let (said, came, given) = drilled(true, false);
    assert_eq!(said.iter().filter(|s| s["verdict"] == "right").count(), 3, "{said:?}");
    assert_eq!(said.iter().filter(|s| s["verdict"] == "hush-kept").count(), 1, "{said:?}");
    assert!(said.iter().all(|s| s["call_heard"] == true) && said[3]["over"] == true, "{said:?}");
    let results = json(came["results"].as_str().unwrap());
    assert_eq!(verdicts(results["answers"].as_array().unwrap()), verdicts(&said));
    assert!(came["tally"].as_str().unwrap().starts_with("4 of 4 rounds right"), "{came}");
    let mut zip = zip::ZipArchive::new(std::io::Cursor::new(given)).unwrap();
    let mut card = String::new();
    std::io::Read::read_to_string(&mut zip.by_name("drill.drill.json").unwrap(), &mut card).unwrap();
    let made = crate::drill::made(&card).unwrap();
    assert_eq!((made.pupil.as_deref(), made.begins, made.text.as_str()), (Some("Wren"), Some(Seconds::of(0.5)), DRILL));
    assert!(zip.by_name("drill.wav").is_ok());
}

#[test]
fn a_drill_that_is_only_seen_is_judged_the_same() {
    let (said, came, _) = drilled(false, true);
    assert_eq!(said.iter().filter(|s| s["verdict"] == "right").count(), 3, "{said:?}");
    assert_eq!(said.iter().filter(|s| s["verdict"] == "hush-answered").count(), 1, "{said:?}");
    assert!(came["tally"].as_str().unwrap().starts_with("3 of 4 rounds right"), "{came}");
}

#[test]
fn without_a_drill_there_is_none_and_a_broken_one_is_refused() {
    let mut pupil = pupil();
    assert!(pupil.drill(None).is_err() && pupil.drill_begin(None, SampleRate::new(48_000).unwrap()).is_err());
    assert!(pupil.drill_listen(&[0.0], Seconds::ZERO).is_err());
    assert!(json(&pupil.choices().unwrap())["drill"].is_null());
    let broken = Handed { part: PART.into(), bpm: 84.0, drill: Some("title = 3".into()), ..Handed::default() };
    assert!(Pupil::new(broken).is_err());
}
