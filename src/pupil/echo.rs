//! The echo drill at the page: what is drawn and sounded, each answer's verdict while it is played, what came of all of it;
//! `pailbeat drill play` in the page.

use serde::Serialize;

use super::bars::{DrawingRow, drawn};
use super::{Pupil, Refused, row};
use crate::chain::{self, Samples, quietly};
use crate::drill::{self, Call, Drill, Live, Plan, RecordingRow};
use crate::english::capital;
use crate::guide::{GuideConfig, LONGEST};
use crate::report::shown;
use crate::resample::Resampler;
use crate::units::{EAR_RATE, SampleRate, Seconds};

/// A drill while it is played.
pub(super) struct Playing {
    live: Live,
    resampler: Resampler,
    /// The recording so far, at the ear's rate.
    heard: Vec<f32>,
}

/// All that is shown of a drill.
#[derive(Serialize)]
struct DrillRow {
    title: String,
    rule: String,
    length_s: f64,
    /// Calls as they are drawn; the rounds name them by number.
    calls: Vec<CallRow>,
    rounds: Vec<usize>,
    /// The hush pattern, and where it is heard in the drill's sound as it is written.
    hush: usize,
    hush_s: Option<[f64; 2]>,
    moments: Vec<MomentRow>,
}

#[derive(Serialize)]
struct CallRow {
    name: String,
    length_s: f64,
    bars: Vec<BarRow>,
}

#[derive(Serialize)]
struct BarRow {
    at_s: f64,
    drawings: [DrawingRow; 2],
}

#[derive(Serialize)]
struct MomentRow {
    at_s: f64,
    round: usize,
    say: String,
    turn: &'static str,
    beat: Option<u32>,
}

/// What is said of an answer at once.
#[derive(Serialize)]
struct SaidNowRow {
    round: usize,
    verdict: &'static str,
    text: String,
    ended_s: f64,
    call_heard: bool,
    over: bool,
}

/// What came of a drill.
#[derive(Serialize)]
struct DrilledRow {
    tally: String,
    rounds: Vec<RoundRow>,
    limits: Vec<String>,
    /// As `pailbeat drill score --json` prints it.
    results: String,
}

#[derive(Serialize)]
struct RoundRow {
    call: String,
    text: String,
}

/// A drill that can be played.
pub(super) fn read(text: &str) -> Result<Drill, Refused> {
    drill::parse(text).map_err(|errors| Refused(errors.first().map_or_else(String::new, ToString::to_string)))
}

impl Pupil {
    fn drawn(&self, pupil: Option<&str>, rate: SampleRate) -> Result<Plan, Refused> {
        let drill = self.drill.as_ref().ok_or_else(|| Refused("no drill was handed out".into()))?;
        let seed = pupil.map_or(1, drill::seed_of);
        let plan = drill::plan(drill, seed, &GuideConfig::default(), rate);
        if plan.guide.lasts() > LONGEST {
            return Err(Refused("the drill is too long".into()));
        }
        Ok(plan)
    }

    /// What is shown of the drill, in this pupil's order: JSON.
    ///
    /// # Errors
    /// If none was handed out, or it cannot be drawn.
    pub fn drill(&self, pupil: Option<&str>) -> Result<String, Refused> {
        let plan = self.drawn(pupil, EAR_RATE)?;
        let mut calls: Vec<&Call> = Vec::new();
        let mut number = |call| {
            calls.iter().position(|other| *other == call).unwrap_or_else(|| {
                calls.push(call);
                calls.len() - 1
            })
        };
        let hush = number(&plan.drill.calls[plan.drill.hush]);
        let rounds: Vec<usize> = plan.rounds.iter().map(|r| number(&r.call)).collect();
        let heard = plan.rounds.iter().find(|r| r.hush && !r.elsewhere);
        let moment = |m: &drill::Moment| MomentRow {
            at_s: m.at.get(),
            round: m.round,
            say: capital(m.turn.say()),
            turn: m.turn.word(),
            beat: m.beat,
        };
        row(&DrillRow {
            title: shown(&plan.drill.title),
            rule: capital(&format!("{}.", drill::rule(&plan.drill))),
            length_s: plan.guide.lasts().get(),
            calls: calls.iter().map(|call| call_row(call, &plan.drill)).collect::<Result<_, _>>()?,
            rounds,
            hush,
            hush_s: heard.map(|r| [r.call_at.get(), r.call_end.get()]),
            moments: drill::moments(&plan).iter().map(moment).collect(),
        })
    }

    /// The calls of the drill, as samples at a rate; full scale is 1.
    ///
    /// # Errors
    /// If no drill was handed out.
    pub fn drill_sound(&self, pupil: Option<&str>, rate: SampleRate) -> Result<Vec<f32>, Refused> {
        Ok(self.drawn(pupil, rate)?.guide.samples())
    }

    /// Begins the drill: from now on [`Pupil::drill_listen`] takes the recording at this rate.
    ///
    /// # Errors
    /// If no drill was handed out.
    pub fn drill_begin(&mut self, pupil: Option<&str>, rate: SampleRate) -> Result<(), Refused> {
        let resampler = Resampler::new(rate, EAR_RATE).ok_or_else(|| Refused("no rate to hear at".into()))?;
        self.playing = Some(Playing { live: Live::new(self.drawn(pupil, EAR_RATE)?), resampler, heard: Vec::new() });
        Ok(())
    }

    /// Takes the next samples of the recording; what is said of an answer that is over: JSON, or nothing. `told`: where the
    /// drill's first sample is heard in the recording, by the browser's clock.
    ///
    /// # Errors
    /// If no drill is played.
    pub fn drill_listen(&mut self, samples: &[f32], told: Seconds) -> Result<Option<String>, Refused> {
        let playing = self.playing.as_mut().ok_or_else(|| Refused("no drill is played".into()))?;
        playing.resampler.push(samples, &mut playing.heard);
        let Some(said) = playing.live.listen(&playing.heard, told) else { return Ok(None) };
        let said = SaidNowRow {
            round: playing.live.answers().len() - 1,
            verdict: said.answered.verdict.kind.word(),
            text: capital(&format!("{}.", drill::verdict_text(&said.answered))),
            ended_s: said.ended.get(),
            call_heard: said.call_heard,
            over: playing.live.is_over(),
        };
        row(&said).map(Some)
    }

    /// The signal of what was said last, as samples at a rate.
    ///
    /// # Errors
    /// If nothing was said.
    pub fn drill_signal(&self, rate: SampleRate) -> Result<Vec<f32>, Refused> {
        let live = self.playing.as_ref().map(|playing| &playing.live);
        let last = live.and_then(|live| Some((live, live.answers().last()?)));
        let (live, last) = last.ok_or_else(|| Refused("nothing was said yet".into()))?;
        Ok(drill::signal(last.verdict.kind, live.plan().guide.config.peak, rate))
    }

    /// Hears the whole recording of a drill and says what came of it: JSON. Keeps its card for [`Pupil::given_drill`].
    ///
    /// # Errors
    /// If no drill was handed out, the rate is out of all bounds, or no call fell into the recording.
    pub fn drill_end(
        &mut self,
        pupil: Option<&str>,
        recording: &RecordingRow,
        samples: &[f32],
        rate: SampleRate,
    ) -> Result<String, Refused> {
        let plan = self.drawn(pupil, EAR_RATE)?;
        let played = !recording.loudspeaker.is_empty();
        let guides = if played { std::slice::from_ref(&plan.guide) } else { &[] };
        let (take, _) = chain::hear(&mut Samples { samples, rate }, guides, &mut quietly).map_err(Refused::of)?;
        let mut results = drill::judge_recording(&plan, take, recording.begins_s.and_then(Seconds::new))
            .ok_or_else(|| Refused("no call of the drill fell into the recording".into()))?;
        if let Some(playing) = self.playing.take() {
            results.beside(playing.live.answers());
        }
        let note = drill::plan_json(&plan, self.handed.drill.as_deref().unwrap_or_default(), pupil);
        self.drilled = Some(drill::card_json(&note, recording).map_err(Refused::of)?);
        let sentence = |said: &str| capital(&format!("{said}."));
        row(&DrilledRow {
            tally: sentence(&drill::tally_text(&results)),
            rounds: (results.answers.iter().zip(drill::verdict_texts(&results)))
                .map(|(answer, text)| RoundRow { call: shown(&drill::called(answer)), text: capital(&text) })
                .collect(),
            limits: results.limits.iter().map(|limit| sentence(limit)).collect(),
            results: drill::results_json(&results, &plan, pupil),
        })
    }
}

fn call_row(call: &Call, drill: &Drill) -> Result<CallRow, Refused> {
    let timeline = call.timeline(drill.meter);
    let bar = |(k, bar): (usize, &crate::part::Bar)| {
        let drawings = drawn(&timeline, k).map_err(Refused::of)?;
        Ok(BarRow { at_s: bar.at.to_seconds(call.bpm).get(), drawings })
    };
    Ok(CallRow {
        name: shown(&call.name),
        length_s: call.length.to_seconds(call.bpm).get(),
        bars: timeline.bars.iter().enumerate().map(bar).collect::<Result<_, Refused>>()?,
    })
}
