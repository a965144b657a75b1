//! A recording of a drill: the JSON beside it -> the plan made again ([`Made`]); plan and what was heard -> results.
//!
//! The JSON is the plan that `drill make` wrote, or the card that `drill play` did: the same with what is known of the
//! recording. It comes from anywhere, so that nothing in it is believed: the drill is read and drawn anew, and its rounds
//! have to be those that are written.

use serde::Deserialize;

use super::{Place, Plan, Results, judge, only_answers, parse, plan};
use crate::chain::Take;
use crate::guide::{GuideConfig, LONGEST, PEAKS};
use crate::units::{Decibels, EAR_RATE, Seconds};

/// A call of a plan that is made again begins where it is written, but for rounding.
const SAME: Seconds = Seconds::from_millis(1.0);

/// A plan that was made again.
#[derive(Clone, Debug, PartialEq)]
pub struct Made {
    /// As it was drawn.
    pub plan: Plan,
    /// The drill file.
    pub text: String,
    /// Whom it was made for.
    pub pupil: Option<String>,
    /// Where the plan begins in the recording, by the devices' clocks; only a card says it.
    pub begins: Option<Seconds>,
    /// When the recording began: date, time, zone; only a card says it.
    pub began: Option<String>,
}

/// Why the JSON beside a recording cannot be used.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum MadeError {
    /// It is something else, or damaged: what the reader said.
    #[error("it is no plan of a drill: {0}")]
    NoPlan(String),
    /// The drill file in it has mistakes.
    #[error("the drill in it was changed and cannot be read")]
    Drill,
    /// Its calls sound softer or louder than this program plays any.
    #[error("its calls peak at {0} dB, {low} to {high} are possible", low = PEAKS.0.0, high = PEAKS.1.0)]
    Level(f64),
    /// It lasts longer than any guide.
    #[error("it would last {0:.0} minutes, {most:.0} are the most", most = LONGEST.get() / 60.0)]
    TooLong(f64),
    /// This program draws others.
    #[error("its rounds are not those this program draws")]
    OtherRounds,
}

impl MadeError {
    /// The way out.
    pub const fn hint(&self) -> &'static str {
        match self {
            MadeError::OtherRounds => {
                "score it with the version of pailbeat that made it, or make the guide again with this one"
            }
            _ => "it has to be as `pailbeat drill make` or `pailbeat drill play` wrote it, unchanged",
        }
    }
}

#[derive(Deserialize)]
struct PlanRow {
    drill: String,
    seed: u64,
    pupil: Option<String>,
    level_db: f64,
    rounds: Vec<RoundRow>,
    #[serde(default)]
    recording: Option<RecordingRow>,
}

#[derive(Deserialize)]
struct RoundRow {
    call: String,
    call_s: f64,
}

#[derive(Deserialize)]
struct RecordingRow {
    #[serde(default)]
    began: Option<String>,
    #[serde(default)]
    begins_s: Option<f64>,
}

/// Whether a text is meant to be a plan or a card, whole or cut off.
pub fn is_plan(text: &str) -> bool {
    match serde_json::from_str::<serde_json::Value>(text) {
        Ok(json) => json["drill"].is_string() && json["rounds"].is_array(),
        // What writes them begins with the drill.
        Err(_) => text.trim_start().strip_prefix('{').is_some_and(|t| t.trim_start().starts_with("\"drill\"")),
    }
}

/// Makes a plan again from what [`super::plan_json`] wrote.
///
/// # Errors
/// If it is no plan, or the drill, drawn anew, has other rounds.
pub fn made(json: &str) -> Result<Made, MadeError> {
    let row: PlanRow = serde_json::from_str(json).map_err(|e| MadeError::NoPlan(e.to_string()))?;
    let drill = parse(&row.drill).map_err(|_| MadeError::Drill)?;
    if !(PEAKS.0.0..=PEAKS.1.0).contains(&row.level_db) {
        return Err(MadeError::Level(row.level_db));
    }
    let config = GuideConfig { peak: Decibels(row.level_db), ..GuideConfig::default() };
    let plan = plan(&drill, row.seed, &config, EAR_RATE);
    let lasts = plan.guide.lasts();
    if lasts > LONGEST {
        return Err(MadeError::TooLong(lasts.get() / 60.0));
    }
    let same =
        |(a, b): (&super::Round, &RoundRow)| a.call.name == b.call && (a.call_at.get() - b.call_s).abs() < SAME.get();
    if plan.rounds.len() != row.rounds.len() || !plan.rounds.iter().zip(&row.rounds).all(same) {
        return Err(MadeError::OtherRounds);
    }
    let (begins, began) = row.recording.map_or((None, None), |r| (r.begins_s.and_then(Seconds::new), r.began));
    Ok(Made { plan, text: row.drill, pupil: row.pupil, begins, began })
}

/// Judges a recording in which the plan's guide was looked for. `begins`: where the plan begins in it by the devices'
/// clocks, for where the calls are not heard. `None` where they are not and no clock says that the first call fell into the
/// recording.
pub fn judge_recording(plan: &Plan, take: Take, begins: Option<Seconds>) -> Option<Results> {
    if let Some(clock) = take.guide.as_ref().map(|g| g.clock.clone()) {
        return Some(judge(plan, &take, |at| clock.at(at), None));
    }
    let place = Place::Told(begins?);
    if place.at(plan.rounds.first()?.call_at) < Seconds::ZERO {
        return None;
    }
    let take = only_answers(plan, take, &place);
    let mut results = judge(plan, &take, |at| place.at(at), None);
    results.limits.push("the calls are not heard in the recording: only what came after each counts".into());
    Some(results)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drill::plan_json;

    const TEXT: &str = include_str!("../../reference_takes/lantern-echoes.toml");

    fn written() -> serde_json::Value {
        let plan = plan(&parse(TEXT).unwrap(), 7, &GuideConfig::default(), EAR_RATE);
        serde_json::from_str(&plan_json(&plan, TEXT, Some("Wren"))).unwrap()
    }

    fn check(change: impl FnOnce(&mut serde_json::Value)) -> Result<Made, MadeError> {
        let mut json = written();
        change(&mut json);
        made(&json.to_string())
    }

    #[test]
    fn a_plan_that_is_read_is_the_one_that_was_written() {
        let read = check(|_| {}).unwrap();
        assert_eq!(read.plan, plan(&parse(TEXT).unwrap(), 7, &GuideConfig::default(), EAR_RATE));
        assert_eq!((read.pupil.as_deref(), read.begins, read.began.as_deref()), (Some("Wren"), None, None));
        let card =
            check(|j| j["recording"] = serde_json::json!({"began": "2026-11-04", "begins_s": 1.25, "rate_hz": 8}));
        let card = card.unwrap();
        assert_eq!((card.begins, card.began.as_deref()), (Some(Seconds::of(1.25)), Some("2026-11-04")));
    }

    #[test]
    fn what_was_changed_or_is_something_else_is_said() {
        assert!(matches!(made("[1, 2"), Err(MadeError::NoPlan(_))));
        assert!(matches!(check(|j| j["seed"] = "many".into()), Err(MadeError::NoPlan(_))));
        assert_eq!(check(|j| j["drill"] = "title = 3".into()), Err(MadeError::Drill));
        assert_eq!(check(|j| j["level_db"] = 300.0.into()), Err(MadeError::Level(300.0)));
        assert_eq!(check(|j| j["seed"] = 8.into()), Err(MadeError::OtherRounds));
        assert_eq!(check(|j| j["rounds"][3]["call_s"] = 1e300.into()), Err(MadeError::OtherRounds));
        let long = TEXT.replace("rounds = 12", "rounds = 200").replace("bpm    = 76", "bpm    = 30");
        assert!(matches!(check(|j| j["drill"] = long.into()), Err(MadeError::TooLong(_))));
    }

    #[test]
    fn a_plan_is_told_from_other_json_even_where_it_is_cut_off() {
        let text = serde_json::to_string_pretty(&written()).unwrap();
        assert!(is_plan(&text) && is_plan(&text[..text.len() / 2]));
        for other in ["", "{", "{\"t_s\": 3}", "{\"drill\": 3, \"rounds\": []}", "drill", "[\"drill\"]"] {
            assert!(!is_plan(other), "{other}");
        }
    }

    #[test]
    fn a_clock_that_puts_the_first_call_before_the_recording_is_not_believed() {
        let made = check(|_| {}).unwrap();
        let judged = |begins: Option<f64>| judge_recording(&made.plan, Take::default(), begins.map(Seconds::of));
        assert!(judged(Some(-1e9)).is_none() && judged(None).is_none());
        assert_eq!(judged(Some(0.0)).unwrap().tally.rounds, 0);
    }
}
