//! The machine-readable output against its contract.

use pailbeat::onset::Onset;
use pailbeat::report::json;
use pailbeat::units::{Decibels, Lateness, Seconds};
use serde_json::Value;

use crate::takes;

fn rows(a: &pailbeat::assess::Assessment) -> Value {
    serde_json::from_str(&json::assessment(a)).unwrap()
}

fn has(row: &Value, names: &[&str]) {
    for name in names {
        assert!(row.get(name).is_some(), "`{name}` is missing in {row}");
    }
}

#[test]
fn the_agreed_names_are_there() {
    let v = rows(&takes::rests());
    has(&v, &["clock", "strikes", "strokes", "findings", "advice", "limits"]);
    has(&v["clock"], &["source", "start_s", "bpm"]);
    has(&v["strikes"][0], &["t_s", "surface", "surface_p", "level_db", "stroke", "spread_ms"]);
    has(&v["strokes"][0], &["section", "pass", "bar", "beat", "surface", "hands", "status", "late_ms"]);
    let finding = ["kind", "section", "pass", "bar", "beat", "t_s", "size", "unit", "confidence", "bars", "text"];
    has(&v["findings"][0], &finding);
    has(&v["advice"], &["praise", "fix", "next_bpm", "why"]);
}

#[test]
fn rows_follow_the_verdict() {
    let a = takes::rests();
    let v = rows(&a);
    assert_eq!(v["strikes"].as_array().unwrap().len(), a.strikes.len());
    assert_eq!(v["strokes"].as_array().unwrap().len(), a.strokes.len());
    assert_eq!(v["clock"]["source"], "own-pulse");
    let both = &v["strokes"][18];
    assert_eq!(
        (&both["section"], &both["pass"], &both["bar"], &both["beat"]),
        (&"A".into(), &1.into(), &4.into(), &1.0.into())
    );
    assert_eq!(both["hands"], "both");
    assert_eq!(v["strokes"][0]["hands"], Value::Null);
    let words = v["strokes"].as_array().unwrap().iter().map(|s| s["status"].as_str().unwrap()).collect::<Vec<_>>();
    for word in ["played", "missed", "wrong-surface", "not-heard"] {
        assert!(words.contains(&word), "{word}");
    }
    assert_eq!(v["findings"][0]["kind"], "rest-not-kept");
    assert_eq!(v["findings"][0]["bars"], serde_json::json!([4, 4]));
    // A join is the last bar before it and the first after it.
    let practise = &v["advice"]["practise"];
    assert_eq!(
        (&practise["section"], &practise["pass"], &practise["bars"]),
        (&"A".into(), &2.into(), &serde_json::json!([4, 4]))
    );
    assert_eq!((&practise["into"]["section"], &practise["into"]["bars"]), (&"B".into(), &serde_json::json!([1, 1])));
    // Equal findings are rows of their own and one statement.
    assert_eq!(v["statements"][0]["findings"], serde_json::json!([0, 1]));
}

#[test]
fn positive_is_late() {
    let mut a = takes::good();
    a.strokes[0].late = Some(Lateness(Seconds::from_millis(12.5)));
    assert_eq!(rows(&a)["strokes"][0]["late_ms"], 12.5);
}

#[test]
fn sticking_is_told_as_it_is_written() {
    let (a, _) = takes::six_eight();
    let v = rows(&a);
    assert_eq!((&v["strokes"][0]["hands"], &v["strokes"][1]["hands"]), (&"R".into(), &"L".into()));
}

#[test]
fn what_is_not_known_is_null() {
    let v = rows(&takes::stranger());
    assert_eq!(v["clock"], Value::Null);
    assert_eq!(v["strikes"][0]["stroke"], Value::Null);
    assert_eq!(v["strokes"][0]["late_ms"], Value::Null);
    assert_eq!(v["strokes"][0]["status"], "not-reached");
}

#[test]
fn a_number_that_is_none_is_null_and_the_rest_still_parses() {
    let mut a = takes::rests();
    a.findings[0].what = pailbeat::assess::What::JoinGap { beats: f64::NAN };
    a.findings[0].confidence = f64::INFINITY;
    a.strikes[0].level = Decibels(f64::NEG_INFINITY);
    let v = rows(&a);
    assert_eq!(v["findings"][0]["size"], Value::Null);
    assert_eq!(v["strikes"][0]["level_db"], Value::Null);
}

#[test]
fn strikes_have_their_agreed_names() {
    let onset = Onset {
        at: Seconds::of(1.25),
        sigma: Seconds::from_millis(0.3),
        level: Decibels(-17.123),
        certainty: 0.98,
        prominence: Decibels(20.0),
    };
    let v: Value = serde_json::from_str(&json::strikes([onset].iter())).unwrap();
    assert_eq!(v["strikes"][0]["t_s"], 1.25);
    assert_eq!(v["strikes"][0]["level_db"], -17.12);
    assert_eq!(v["strikes"][0]["sigma_ms"], 0.3);
    let none: Value = serde_json::from_str(&json::strikes([].iter())).unwrap();
    assert_eq!(none, serde_json::json!({"strikes": []}));
}
