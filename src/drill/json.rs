//! Plan, card of a recording, and results as JSON.

use serde::{Deserialize, Serialize};

use super::{Difference, Plan, Results};
use crate::units::{Lateness, Seconds};

#[derive(Serialize)]
struct PlanRow<'a> {
    drill: &'a str,
    /// Nothing was drawn where somebody led.
    #[serde(skip_serializing_if = "Option::is_none")]
    seed: Option<u64>,
    pupil: Option<&'a str>,
    rate_hz: u32,
    level_db: f64,
    rounds: Vec<RoundRow<'a>>,
}

#[derive(Serialize)]
struct RoundRow<'a> {
    call: &'a str,
    hush: bool,
    elsewhere: bool,
    bpm: f64,
    call_s: f64,
    answer_s: f64,
    answer_end_s: f64,
    strokes: Vec<(f64, &'static str)>,
}

/// A plan with the drill's own text, so that it can be made again from this alone.
pub fn plan(plan: &Plan, text: &str, pupil: Option<&str>) -> String {
    let rounds = plan.rounds.iter().map(|r| RoundRow {
        call: &r.call.name,
        hush: r.hush,
        elsewhere: r.elsewhere,
        bpm: r.call.bpm.get(),
        call_s: r.call_at.get(),
        answer_s: r.answer_at.get(),
        answer_end_s: r.answer_end.get(),
        strokes: r.expected().iter().map(|(at, surface)| (at.get(), surface.word())).collect(),
    });
    let row = PlanRow {
        drill: text,
        seed: plan.seed,
        pupil,
        rate_hz: plan.guide.rate.get(),
        level_db: plan.guide.config.peak.0,
        rounds: rounds.collect(),
    };
    serde_json::to_string_pretty(&row).unwrap_or_default()
}

/// What a card keeps of a recording, beside the plan.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct RecordingRow {
    /// When it began: date, time, zone.
    pub began: String,
    /// The microphone's name.
    pub microphone: String,
    /// The loudspeaker's name; empty where nothing was played.
    pub loudspeaker: String,
    /// Samples a second.
    pub rate_hz: u32,
    /// Channels.
    pub channels: u16,
    /// Where the plan's first sample was heard, by the devices' clocks and the sound check's delay, in seconds.
    pub begins_s: Option<f64>,
    /// How long it lasts, in seconds.
    pub length_s: Option<f64>,
    /// Why it ended, where it did not end as asked.
    pub cut_short: Option<String>,
    /// What was said at once.
    pub said: Vec<SaidRow>,
}

/// What was said at once of an answer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SaidRow {
    /// Its word in JSON.
    pub verdict: String,
    /// The verdict in words.
    pub text: String,
    /// From the end of the answer's last bar, as the microphone gave it, to the verdict, in milliseconds.
    pub after_ms: f64,
    /// Of that, what it took to hear and judge.
    pub judged_in_ms: f64,
    /// Whether the call was recognised in the microphone.
    pub call_heard: bool,
}

impl SaidRow {
    /// Of an answer. `after`: from the end of its last bar to the verdict; `judged_in`: what of that it took to judge.
    pub fn of(said: &super::Said, after: Seconds, judged_in: Seconds) -> SaidRow {
        let tenths = |s: Seconds| (s.get() * 1e4).round() / 10.0;
        SaidRow {
            verdict: said.answered.verdict.kind.word().into(),
            text: super::verdict_text(&said.answered),
            after_ms: tenths(after),
            judged_in_ms: tenths(judged_in),
            call_heard: said.call_heard,
        }
    }
}

/// The card of a recording: its plan, as [`plan`] wrote it, with what is known of the recording.
///
/// # Errors
/// If that is no plan.
pub fn card(plan: &str, recording: &RecordingRow) -> Result<String, serde_json::Error> {
    let mut card: serde_json::Value = serde_json::from_str(plan)?;
    if let Some(card) = card.as_object_mut() {
        card.insert("recording".into(), serde_json::to_value(recording)?);
    }
    Ok(format!("{}\n", serde_json::to_string_pretty(&card)?))
}

#[derive(Serialize)]
struct ResultsRow<'a> {
    title: &'a str,
    pupil: Option<&'a str>,
    /// Nothing was drawn where somebody led.
    #[serde(skip_serializing_if = "Option::is_none")]
    seed: Option<u64>,
    count: i32,
    rounds_right: usize,
    rounds_counted: usize,
    spread_ms: f64,
    answers: Vec<AnswerRow<'a>>,
    limits: &'a [String],
}

#[derive(Serialize)]
struct AnswerRow<'a> {
    call: &'a str,
    hush: bool,
    elsewhere: bool,
    verdict: &'static str,
    confidence: f64,
    instead: Option<&'a str>,
    differences: Vec<DifferenceRow>,
    benefit: Vec<DifferenceRow>,
    unsure_sounds: bool,
    heard_s: Vec<Option<f64>>,
    text: String,
}

#[derive(Serialize)]
struct DifferenceRow {
    kind: &'static str,
    /// From 1; a stroke too many stands after it, 0 is before the first.
    stroke: Option<usize>,
    late_ms: Option<f64>,
    surface: Option<&'static str>,
}

impl DifferenceRow {
    fn of(what: &Difference) -> DifferenceRow {
        let row = |kind, stroke: Option<usize>, late: Option<Lateness>, surface| DifferenceRow {
            kind,
            stroke,
            late_ms: late.map(Lateness::millis),
            surface,
        };
        match *what {
            Difference::TooMany(after) => row("too-many", Some(after.map_or(0, |i| i + 1)), None, None),
            Difference::Missing(i) => row("missing", Some(i + 1), None, None),
            Difference::OffTime(i, late) => row("off-time", Some(i + 1), Some(late), None),
            Difference::OtherSurface(i, heard) => row("other-surface", Some(i + 1), None, Some(heard.word())),
            Difference::Began(late) => row("began", None, Some(late), None),
        }
    }
}

/// What came of a drill, for a book or another program.
pub fn results(results: &Results, plan: &Plan, pupil: Option<&str>) -> String {
    let answers = results.answers.iter().map(|a| AnswerRow {
        call: &a.round.call.name,
        hush: a.round.hush,
        elsewhere: a.round.elsewhere,
        verdict: a.verdict.kind.word(),
        confidence: a.verdict.confidence,
        instead: a.instead.as_deref(),
        differences: a.verdict.differences.iter().map(DifferenceRow::of).collect(),
        benefit: a.verdict.benefit.iter().map(DifferenceRow::of).collect(),
        unsure_sounds: a.verdict.unsure_sounds,
        heard_s: a.verdict.heard.iter().map(|h| h.map(Seconds::get)).collect(),
        text: super::verdict_text(a),
    });
    let row = ResultsRow {
        title: &plan.drill.title,
        pupil,
        seed: plan.seed,
        count: results.tally.points,
        rounds_right: results.tally.right,
        rounds_counted: results.tally.rounds,
        spread_ms: results.habits.spread.millis(),
        answers: answers.collect(),
        limits: &results.limits,
    };
    serde_json::to_string_pretty(&row).unwrap_or_default()
}
