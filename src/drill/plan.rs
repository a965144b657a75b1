//! A drill and a seed -> [`Plan`]: every round with its times, and the [`Guide`] that sounds the calls.
//!
//! A count-in of whole bars, then round by round: the call, a breath with a soft beat, the room for the answer, a rest.

use super::draw::draw;
use super::{Call, Drill};
use crate::guide::{Event, Guide, GuideConfig, LEAD_IN, PERIOD, Sound, signs};
use crate::part::{Hands, Surface};
use crate::units::{Bpm, SampleRate, Samples, Seconds, Ticks};

/// Beats after an answer, for the verdict and for strokes that come late.
const REST_BEATS: i64 = 2;
/// One hand beside both at once, and the breath's beats beside a call.
const ONE_HAND: f64 = 0.8;
const BREATH_BEAT: f64 = 0.5;
/// Silence at the end.
const TAIL: Seconds = Seconds::from_millis(1500.0);

/// A round at its time.
#[derive(Clone, Debug, PartialEq)]
pub struct Round {
    /// The call as it is played, surfaces moved on where they are.
    pub call: Call,
    /// Whether it is met with silence.
    pub hush: bool,
    /// Whether the hush pattern came on other surfaces.
    pub elsewhere: bool,
    /// The call's first beat.
    pub call_at: Seconds,
    /// The end of the call's last bar.
    pub call_end: Seconds,
    /// The answer's first beat.
    pub answer_at: Seconds,
    /// The end of the answer's last bar.
    pub answer_end: Seconds,
    /// When the next round begins.
    pub end: Seconds,
}

impl Round {
    /// A call that begins at a moment, with the breath, the room for its answer and the rest.
    pub(super) fn at(call_at: Seconds, call: Call, hush: bool, elsewhere: bool, drill: &Drill) -> Round {
        let lasts = call.length.to_seconds(call.bpm);
        let beats = |n: i64| Ticks(drill.meter.beat().0 * n).to_seconds(call.bpm);
        let call_end = call_at + lasts;
        let answer_at = call_end + beats(i64::from(drill.breath));
        let answer_end = answer_at + lasts;
        let end = answer_end + beats(REST_BEATS);
        Round { call, hush, elsewhere, call_at, call_end, answer_at, answer_end, end }
    }

    /// The strokes of the call, from its first beat.
    pub fn expected(&self) -> Vec<(Seconds, Surface)> {
        self.call.strokes.iter().map(|s| (s.at.to_seconds(self.call.bpm), s.surface)).collect()
    }

    /// Length of the meter's beat.
    pub fn beat(&self, drill: &Drill) -> Seconds {
        drill.meter.beat().to_seconds(self.call.bpm)
    }
}

/// A drill as one pupil gets it.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    /// As written.
    pub drill: Drill,
    /// What it was drawn from; nothing where somebody led it.
    pub seed: Option<u64>,
    /// Rounds in order.
    pub rounds: Vec<Round>,
    /// All that sounds.
    pub guide: Guide,
}

/// The surfaces of a call moved on by one: centre to rim, rim to click, click to centre; pats and claps exchange.
fn elsewhere(call: &Call) -> Call {
    let mut call = call.clone();
    for stroke in &mut call.strokes {
        stroke.surface = match stroke.surface {
            Surface::Centre => Surface::Rim,
            Surface::Rim => Surface::Click,
            Surface::Click => Surface::Centre,
            Surface::Pat => Surface::Clap,
            Surface::Clap => Surface::Pat,
        };
    }
    call
}

/// Draws the rounds and lays them out in time. The same drill, seed, configuration and rate give the same plan.
pub fn plan(drill: &Drill, seed: u64, config: &GuideConfig, rate: SampleRate) -> Plan {
    let beat = drill.meter.beat();
    let beats = i64::from(drill.meter.beats.max(1));
    let counted = beats * i64::from(crate::guide::COUNT_IN_BEATS.div_ceil(u32::from(drill.meter.beats.max(1))));
    let length = |beats: i64, bpm: Bpm| Ticks(beat.0 * beats).to_seconds(bpm);
    let mut events: Vec<(Seconds, Sound, f64)> = Vec::new();
    let mut rounds = Vec::new();
    let drawn = draw(drill, seed);
    let mut now = LEAD_IN;
    if let Some(first) = drawn.first() {
        let bpm = drill.calls[first.call].bpm;
        for k in 0..counted {
            let sound = if k % beats == 0 { Sound::Accent } else { Sound::Beat };
            events.push((now + length(k, bpm), sound, 1.0));
        }
        now = now + length(counted, bpm);
    }
    for drawn in drawn {
        let written = &drill.calls[drawn.call];
        let call = if drawn.moved > 0 { elsewhere(written) } else { written.clone() };
        let bpm = call.bpm;
        let round = Round::at(now, call, drawn.call == drill.hush, drawn.moved > 0, drill);
        for stroke in &round.call.strokes {
            let gain = if stroke.hands == Hands::Both { 1.0 } else { ONE_HAND };
            events.push((round.call_at + stroke.at.to_seconds(bpm), Sound::Stroke(stroke.surface), gain));
        }
        for k in 0..i64::from(drill.breath) {
            events.push((round.call_end + length(k, bpm), Sound::Beat, BREATH_BEAT));
        }
        now = round.end;
        rounds.push(round);
    }
    let signs = signs();
    let sample = |at: Seconds| Samples((at.get() * f64::from(rate.get())).round().max(0.0) as u64);
    let events = (events.iter().enumerate())
        .map(|(k, (at, sound, gain))| Event {
            at: sample(*at),
            sound: *sound,
            sign: signs[(k + config.code_offset as usize) % PERIOD],
            gain: *gain,
        })
        .collect();
    let start = rounds.first().map_or(LEAD_IN, |r| r.call_at);
    let guide = Guide { rate, events, start, length: sample(now + TAIL), config: *config, count_in: counted as u32 };
    Plan { drill: drill.clone(), seed: Some(seed), rounds, guide }
}
