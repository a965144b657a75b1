//! [`Practice`] -> [`Guide`]: what a pupil plays along with, as sounds at known samples.
//!
//! A count-in, then soft clicks, the part itself on made surfaces, both, or nothing; lap by lap if asked. The sign of
//! each sound follows a fixed sequence (`code`), so that [`crate::leak`] finds the guide in a recording with certainty. The
//! same practice and configuration give the same samples, and a [`Description`] rebuilds them.
//!
//! Time 0 is the guide's first sample: silence of [`LEAD_IN`], the count-in, then beat 1 of bar 1. Pure; `audio` writes
//! it to a file.
//!
//! ```
//! use pailbeat::guide::{GuideConfig, Laps, Practice, render};
//! use pailbeat::units::{Bpm, SampleRate};
//!
//! let part = pailbeat::part::parse(
//!     "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 84 }\nform = \"A\"\n[sections.A]\nstrokes = \"o.x. o.--\"\n",
//! ).unwrap();
//! let practice = Practice::of(&part, None, &Laps::default(), Bpm::new(60.0).unwrap()).unwrap();
//! let guide = render(&practice, &GuideConfig::default(), SampleRate::new(44_100).unwrap()).unwrap();
//! assert_eq!(guide.events.len(), 8); // four beats of count-in, four of the bar
//! assert_eq!(guide.start.get(), 4.5);
//! ```

mod about;
mod code;
mod practice;
mod sounds;

pub use about::Description;
pub use code::{PERIOD, signs};
pub use practice::{Excerpt, Laps, Practice};
pub use sounds::{PLAIN_ATTACK, SOFT_ATTACK, Sound, strike};

use std::ops::Range;

use crate::part::{Dynamic, Hands, PartErrors, Timeline};
use crate::units::{Decibels, SampleRate, Samples, Seconds, Ticks};

/// Silence before the count-in: players and loudspeakers swallow the first tenths of a second while they wake.
pub const LEAD_IN: Seconds = Seconds::from_millis(500.0);
/// A count-in is whole bars, and at least so many beats: fewer do not tell a tempo to a beginner (common practice).
pub const COUNT_IN_BEATS: u32 = 4;
/// Silence at the end, so that the last stroke rings out.
const TAIL: Seconds = Seconds::from_millis(1500.0);
/// Peak of a guide unless asked otherwise, relative to full scale. Music is made to peak at full scale and players are set
/// for that; a guide a tenth as high starts soft at any setting, and one that is too soft is turned up, while one that
/// is too loud has already been heard.
pub const PEAK: Decibels = Decibels(-20.0);
/// The highest and the lowest peak that may be asked for. Where a click and a stroke fall together they add up to 6 dB more.
pub const PEAKS: (Decibels, Decibels) = (Decibels(-50.0), Decibels(-6.0));
/// Longest guide: the longest take in which one is looked for.
pub const LONGEST: Seconds = Seconds::from_millis(40.0 * 60e3);
/// One hand beside both hands at once, and clicks beside a part that is played: there they only support.
const ONE_HAND: f64 = 0.8;
const CLICK_BESIDE_PART: f64 = 0.5;
/// Amplitudes of the written dynamics.
const DYNAMICS: [f64; 3] = [0.5, 0.75, 1.0];
/// Strokes take their signs from here on in the sequence, half a period from the beats.
const STROKES_FROM: usize = PERIOD / 2;

/// The hearing caution; stands wherever a guide is made or played.
pub const CAUTION: &str = "start with the volume low: you should still hear somebody speak to you over it; a struck bucket is \
     loud in itself, so take breaks, and keep headphones for soft playing";

/// What is heard after the count-in.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Heard {
    /// A click on every beat, another sound on the first of a bar.
    #[default]
    Click,
    /// The part on made surfaces.
    Part,
    /// The part, and softer clicks.
    Both,
    /// The first third of the laps with the part, the second with the click, the last alone.
    Turns,
    /// Nothing: the count-in and then silence.
    Alone,
}

impl Heard {
    /// All of them.
    pub const ALL: [Heard; 5] = [Heard::Click, Heard::Part, Heard::Both, Heard::Turns, Heard::Alone];

    /// The word used on the command line and in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Heard::Click => "click",
            Heard::Part => "part",
            Heard::Both => "both",
            Heard::Turns => "turns",
            Heard::Alone => "alone",
        }
    }

    /// The one with this word.
    pub fn named(word: &str) -> Option<Heard> {
        Heard::ALL.into_iter().find(|heard| heard.word() == word)
    }

    /// Of lap `lap` of `laps`.
    fn in_lap(self, lap: usize, laps: usize) -> Heard {
        match self {
            Heard::Turns => match lap * 3 / laps.max(1) {
                0 => Heard::Part,
                1 => Heard::Click,
                _ => Heard::Alone,
            },
            heard => heard,
        }
    }
}

/// How a guide sounds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GuideConfig {
    /// What is heard after the count-in.
    pub heard: Heard,
    /// Largest sample of a full beat or stroke, relative to full scale.
    pub peak: Decibels,
    /// Where in the sequence of signs the first beat stands.
    pub code_offset: u32,
}

impl Default for GuideConfig {
    fn default() -> Self {
        GuideConfig { heard: Heard::Click, peak: PEAK, code_offset: 0 }
    }
}

/// A sound of a guide at its place.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Event {
    /// Its first sample.
    pub at: Samples,
    /// Which sound.
    pub sound: Sound,
    /// +1 or -1.
    pub sign: i8,
    /// Amplitude beside the loudest, 0 to 1.
    pub gain: f64,
}

/// Sounds at known samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Guide {
    /// Samples a second.
    pub rate: SampleRate,
    /// Its sounds in order.
    pub events: Vec<Event>,
    /// Beat 1 of bar 1.
    pub start: Seconds,
    /// All of it, the silence at the end included.
    pub length: Samples,
    /// How it sounds.
    pub config: GuideConfig,
    /// How many beats are counted in.
    pub count_in: u32,
}

/// Why there is no such guide.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum GuideError {
    /// The form is wrong.
    #[error(transparent)]
    Form(#[from] PartErrors),
    /// A section that is not written.
    #[error("there is no section `{found}`; sections written: {}", .written.join(", "))]
    Section {
        /// As asked for.
        found: String,
        /// What there is.
        written: Vec<String>,
    },
    /// Bars that are not there.
    #[error("section `{section}` has {bars} bars as played out, bars {first} to {last} were asked for")]
    Bars {
        /// The section.
        section: String,
        /// First bar asked for.
        first: u32,
        /// Last bar asked for.
        last: u32,
        /// How many there are.
        bars: usize,
    },
    /// Never, or too often.
    #[error("{times} times were asked for, 1 to {most} are possible")]
    Times {
        /// As asked for.
        times: u32,
        /// Most.
        most: u64,
    },
    /// Nobody practises for so long without a break.
    #[error("the guide would last {:.0} minutes, {:.0} are the most: give fewer bars or times", .0.get() / 60.0, LONGEST.get() / 60.0)]
    Long(Seconds),
    /// Louder than may be, or too soft to be heard.
    #[error("a peak of {} dB was asked for, {} to {} are possible", .0.0, PEAKS.0.0, PEAKS.1.0)]
    Peak(Decibels),
    /// A description of a guide that this version cannot make again.
    #[error("{0}")]
    Described(String),
}

/// Beats of the count-in: whole bars.
pub fn count_in(timeline: &Timeline) -> u32 {
    let bar = u32::from(timeline.meter.beats.max(1));
    bar * COUNT_IN_BEATS.div_ceil(bar)
}

/// Lays the sounds of a guide out in time.
///
/// # Errors
/// A guide that lasts too long, or a peak that may not be.
pub fn render(practice: &Practice, config: &GuideConfig, rate: SampleRate) -> Result<Guide, GuideError> {
    if !(PEAKS.0.0..=PEAKS.1.0).contains(&config.peak.0) {
        return Err(GuideError::Peak(config.peak));
    }
    let timeline = &practice.timeline;
    let beat = timeline.meter.beat();
    let counted = count_in(timeline);
    let start = LEAD_IN + Ticks(beat.0 * i64::from(counted)).to_seconds(timeline.bpm);
    let end = start + timeline.end().to_seconds(timeline.bpm) + TAIL;
    if end.get() > LONGEST.get() {
        return Err(GuideError::Long(end));
    }
    let sample = |at: Ticks| {
        let seconds = start + at.to_seconds(timeline.bpm);
        Samples((seconds.get() * f64::from(rate.get())).round().max(0.0) as u64)
    };
    let signs = signs();
    let sign = |k: usize| signs[(k + config.code_offset as usize) % PERIOD];
    let beats = u64::from(timeline.meter.beats.max(1));
    // Beats are counted from the first of the count-in, also where they are not heard, so that a sign names its beat.
    let click = |k: u64, gain: f64| Event {
        at: sample(Ticks(beat.0 * (k as i64 - i64::from(counted)))),
        sound: if k.is_multiple_of(beats) { Sound::Accent } else { Sound::Beat },
        sign: sign(k as usize),
        gain,
    };
    let mut events: Vec<Event> = (0..u64::from(counted)).map(|k| click(k, 1.0)).collect();
    let laps = practice.laps.len();
    for (lap, bars) in practice.laps.iter().enumerate() {
        let heard = config.heard.in_lap(lap, laps);
        if matches!(heard, Heard::Click | Heard::Both) {
            let gain = if heard == Heard::Both { CLICK_BESIDE_PART } else { 1.0 };
            let first = u64::from(counted) + bars.start as u64 * beats;
            events.extend((first..first + bars.len() as u64 * beats).map(|k| click(k, gain)));
        }
        if matches!(heard, Heard::Part | Heard::Both) {
            events.extend(strokes(timeline, bars).map(|(j, gain)| Event {
                at: sample(timeline.strokes[j].at),
                sound: Sound::Stroke(timeline.strokes[j].surface),
                sign: sign(STROKES_FROM + j),
                gain,
            }));
        }
    }
    events.sort_by_key(|e| (e.at, e.sound));
    let length = Samples((end.get() * f64::from(rate.get())).ceil() as u64);
    Ok(Guide { rate, events, start, length, config: *config, count_in: counted })
}

/// The strokes of some bars with their amplitudes, 1 for the loudest.
pub(crate) fn strokes(timeline: &Timeline, bars: &Range<usize>) -> impl Iterator<Item = (usize, f64)> {
    let chosen = timeline.bars.get(bars.clone()).unwrap_or_default();
    let range = chosen.first().map_or(0, |b| b.strokes.start)..chosen.last().map_or(0, |b| b.strokes.end);
    range.filter_map(|j| {
        let stroke = timeline.strokes.get(j)?;
        let swell = timeline.swells.iter().find(|s| s.from <= stroke.at && stroke.at < s.to);
        let loud = match (swell, stroke.level) {
            (Some(swell), _) => {
                let share = (stroke.at - swell.from).0 as f64 / (swell.to - swell.from).0.max(1) as f64;
                let share = if swell.rising { share } else { 1.0 - share };
                DYNAMICS[0] + (DYNAMICS[2] - DYNAMICS[0]) * share
            }
            (None, Some(Dynamic::Piano)) => DYNAMICS[0],
            (None, Some(Dynamic::Mezzo)) => DYNAMICS[1],
            (None, Some(Dynamic::Forte) | None) => DYNAMICS[2],
        };
        Some((j, loud * if stroke.hands == Hands::Both { 1.0 } else { ONE_HAND }))
    })
}

/// The guides that may have been played to for a practice, likeliest first, at a rate.
pub fn likely(practice: &Practice, rate: SampleRate) -> Vec<Guide> {
    let several = practice.laps.len() > 1;
    [Heard::Click, Heard::Part, Heard::Turns, Heard::Both]
        .into_iter()
        .filter(|heard| several || *heard != Heard::Turns)
        .filter_map(|heard| {
            let config = GuideConfig { heard, ..GuideConfig::default() };
            // One too long to be made was not played to.
            render(practice, &config, rate).ok()
        })
        .collect()
}

impl Guide {
    /// Its samples; full scale is 1.
    pub fn samples(&self) -> Vec<f32> {
        let mut out = vec![0.0; usize::try_from(self.length.0).unwrap_or(0)];
        let mut sounds: Vec<(Sound, Vec<f32>)> = Vec::new();
        let peak = 10f64.powf(self.config.peak.0 / 20.0);
        for event in &self.events {
            let known = sounds.iter().position(|(sound, _)| *sound == event.sound).unwrap_or_else(|| {
                sounds.push((event.sound, event.sound.samples(self.rate)));
                sounds.len() - 1
            });
            let gain = (peak * event.gain * f64::from(event.sign)) as f32;
            let from = usize::try_from(event.at.0).unwrap_or(usize::MAX).min(out.len());
            for (v, s) in out[from..].iter_mut().zip(&sounds[known].1) {
                *v += gain * s;
            }
        }
        out
    }

    /// How long it lasts.
    pub fn lasts(&self) -> Seconds {
        self.length.to_seconds(self.rate)
    }
}

#[cfg(test)]
mod tests;
