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
