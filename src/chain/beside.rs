//! What is known of a take beside its sound, and what that changes in the assessment.

use super::Take;
use crate::assess::{Assessment, ClockSource, Limit};
use crate::part::Surface;
use crate::surface::Calibration;
use crate::units::Seconds;

/// A strike named by its time is the nearest within this: a teacher who reads a time off a list or a chart is off by less,
/// and two strokes are rarely nearer.
pub const NAMED_WITHIN: Seconds = Seconds::from_millis(100.0);
/// Strikes on each surface in a recording of known strikes.
const EACH: usize = 3;

/// What is known of a take beside its sound.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beside {
    /// Strikes of known surface, from the pupil's sound check.
    pub known: Calibration,
    /// Strikes of the take itself whose surface somebody has named, by their time.
    pub named: Vec<(Seconds, Surface)>,
    /// What the take card says.
    pub card: Option<CardSays>,
}

/// What the card of a take says of its recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CardSays {
    /// Where beat 1 of bar 1 stands in the recording by the devices' clocks, and what is known of their delay added.
    pub start: Option<Seconds>,
    /// Why the recording ended before it should.
    pub cut_short: Option<String>,
    /// Where sound was lost or came twice.
    pub slips: Vec<Slip>,
    /// How much could not be recorded in time; silence stands for it.
    pub dropped: Seconds,
}

/// Sound that the recorder lost or doubled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slip {
    /// Within a second from here.
    pub at: Seconds,
    /// How much is missing; negative where it came twice.
    pub lost: Seconds,
}

/// What is to be said of a recording as a recording.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Notice {
    /// It ends before it says it does: why.
    EndsEarly(String),
    /// All samples are the same.
    NoSound,
    /// The sound breaks off into silence: how often, and for how many milliseconds in all.
    LostSound(u32, u64),
    /// So many samples are no numbers.
    NotNumbers(u64),
    /// The file has lost sound there: from and to, milliseconds.
    Missing(Vec<(u64, u64)>),
}

/// So many stretches of lost sound are told one by one.
const MAX_TOLD: usize = 5;

/// Where a file has lost sound, in words.
fn missing(holes: &[(u64, u64)]) -> String {
    let seconds = |ms: u64| ms as f64 / 1e3;
    let stretch = |(from, to): (u64, u64)| format!("from {:.2} s to {:.2} s", seconds(from), seconds(to));
    let places = match holes {
        [first, .., last] if holes.len() > MAX_TOLD => {
            format!("at {} places {}", holes.len(), stretch((first.0, last.1)))
        }
        _ => holes.iter().map(|hole| stretch(*hole)).collect::<Vec<_>>().join(", "),
    };
    let lasts = seconds(holes.iter().map(|(from, to)| to.saturating_sub(*from)).sum());
    format!(
        "the file has lost sound {places} ({lasts:.2} s in all): nothing is judged there, the rest stands where it was played"
    )
}

impl Notice {
    /// In words.
    pub fn say(&self) -> String {
        match self {
            Notice::EndsEarly(reason) => format!("it ends early ({reason}); what is there was heard"),
            Notice::NoSound => "it holds no sound at all: is the microphone switched off?".into(),
            Notice::LostSound(times, ms) => format!(
                "{times} short gaps of digital silence, {:.2} s in all: the recorder lost sound",
                *ms as f64 / 1e3
            ),
            Notice::NotNumbers(n) => format!("{n} samples are not numbers and were taken as silence"),
            Notice::Missing(holes) => missing(holes),
        }
    }
}

impl Beside {
    /// All strikes of known surface, those named in the take among them; `None` without any. An error is the time at
    /// which none was heard.
    pub(super) fn known(&self, take: &Take) -> Result<Option<Calibration>, Seconds> {
        let mut known = self.known.clone();
        for (at, surface) in &self.named {
            let away = |k: &usize| (take.heard.onsets[*k].at - *at).abs();
            let nearest = (0..take.heard.onsets.len()).min_by(|a, b| away(a).get().total_cmp(&away(b).get()));
            let features = nearest.filter(|k| away(k) <= NAMED_WITHIN).and_then(|k| take.features.get(k));
            known.strikes.push((*surface, *features.ok_or(*at)?));
        }
        Ok((!known.strikes.is_empty()).then_some(known))
    }

    /// Adds to an assessment what only the recording and its card know: where beat 1 stands if no guide was heard, and what
    /// went wrong while recording.
    pub(super) fn tell(&self, assessment: &mut Assessment, notices: &[Notice]) {
        let mut limits = Vec::new();
        if let Some(card) = &self.card {
            if let (None, Some(clock), Some(start)) = (&assessment.guide, &mut assessment.clock, card.start) {
                // The devices' delay is known only roughly, so that lateness stays against the player's own pulse.
                (clock.source, clock.start) = (ClockSource::TakeCard, start);
            }
            limits.extend(card.limits());
        }
        limits.extend(notices.iter().map(Notice::say));
        assessment.limits.splice(0..0, limits.into_iter().map(Limit::Recording));
    }
}

impl CardSays {
    fn limits(&self) -> Vec<String> {
        let mut limits = Vec::new();
        if let Some(why) = &self.cut_short {
            limits.push(format!("the take was cut short: {why}"));
        }
        for Slip { at, lost } in &self.slips {
            let what = if *lost > Seconds::ZERO { "lost" } else { "doubled" };
            limits.push(format!(
                "timing around {:.0} s: the recorder {what} about {:.0} ms there",
                at.get(),
                lost.millis().abs()
            ));
        }
        if self.dropped > Seconds::ZERO {
            limits.push(format!("{:.2} s that could not be recorded in time", self.dropped.get()));
        }
        limits
    }
}

/// A recording of known strikes holds another number of them than it should.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("expected {EACH} strikes on each of {surfaces} surfaces, heard {heard} strikes")]
pub struct WrongCount {
    /// Surfaces named.
    pub surfaces: usize,
    /// Strikes heard.
    pub heard: usize,
}

/// The strikes of a recording of nothing but three strikes on each of these surfaces, in this order. They are told apart
/// by order alone, so that their number must fit.
///
/// # Errors
/// If it does not.
pub fn known_strikes(take: &Take, surfaces: &[Surface]) -> Result<Calibration, WrongCount> {
    if take.features.len() != EACH * surfaces.len() {
        return Err(WrongCount { surfaces: surfaces.len(), heard: take.features.len() });
    }
    let names = surfaces.iter().flat_map(|s| std::iter::repeat_n(*s, EACH));
    Ok(Calibration { strikes: names.zip(take.features.iter().copied()).collect() })
}
