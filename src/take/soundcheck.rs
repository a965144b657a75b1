//! A short recording -> what would spoil a take, and the one thing to change first.
//!
//! The recording of a check: silence until [`QUIET_UNTIL`], then (where a loudspeaker is used) [`PROBES`] equal clicks
//! [`PROBE_EVERY`] apart, then from [`STRIKES_FROM`] on three strikes on each surface. Pure: works on what was heard.

use crate::chain::Take;
use crate::guide::Sound;
use crate::stats::median;
use crate::units::{Decibels, EAR_RATE, SampleRate, Seconds};

/// Silence is listened to until here, but for the first half second, in which microphones settle.
pub const QUIET_UNTIL: Seconds = Seconds::from_millis(2000.0);
/// The first probe.
pub const PROBES_FROM: Seconds = Seconds::from_millis(2200.0);
/// From one probe to the next: a room has died away, and half of it is the longest delay that is no riddle.
pub const PROBE_EVERY: Seconds = Seconds::from_millis(400.0);
/// How many probes: the least that show whether the delay wanders.
pub const PROBES: usize = 6;
/// The strikes come from here on.
pub const STRIKES_FROM: Seconds = Seconds::from_millis(5000.0);
/// Strikes on each surface.
pub const EACH: usize = 3;
/// Kept around the strikes.
const MARGIN_S: f64 = 0.3;
/// The longest delay looked for.
const LONGEST_DELAY: Seconds = Seconds::from_millis(390.0);
/// Likeness (normalised correlation) from which on a probe counts as heard. Chance reaches 0.2 with a probe of 40 ms in
/// white noise; reverberation takes half.
const LIKE: f64 = 0.45;
/// A microphone's recording below this at its loudest holds no sound: the last four bits of sixteen.
const NO_SIGNAL: f32 = 5e-4;
/// A beginner's softest strokes lie about so far under the middle one: ghost strokes in the measured takes lie 18 to 26 dB
/// under the loudest, and few beginners play them.
const SOFT_BELOW_DB: f64 = 15.0;
/// Noise above this level makes a room noisy rather than the microphone far: a quiet room through a laptop's microphone
/// lies below. Rule of thumb; microphones differ.
const NOISY: Decibels = Decibels(-50.0);
/// Delays that differ by more than this wander: timing could not be told to better than that.
const WANDERS: Seconds = Seconds::from_millis(8.0);
/// Probes that get softer or louder by more than this while nothing changes: something adjusts the level by itself.
const STEADY_DB: f64 = 3.0;
/// The guide may reach the microphone up to this level beside the middle strike; beyond it soft strokes hide under it.
const GUIDE_BELOW_DB: f64 = 6.0;

/// What would spoil a take. The order is that in which it is to be changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[non_exhaustive]
pub enum Trouble {
    /// Nothing reaches the program.
    NoSignal,
    /// Sound, but no strike in it.
    NoStrikes,
    /// Strikes are cut off.
    Clipping,
    /// Level or noise is adjusted while recording.
    Gain,
    /// Soft strokes would drown in noise.
    NoisyRoom,
    /// Soft strokes would be too soft.
    TooFar,
    /// The loudspeaker's delay wanders.
    DelayWanders,
    /// The guide would cover soft strokes.
    GuideLoud,
    /// The strikes cannot be told apart by their number, so that they are not kept.
    Count,
}

impl Trouble {
    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Trouble::NoSignal => "no-signal",
            Trouble::NoStrikes => "no-strikes",
            Trouble::Clipping => "clipping",
            Trouble::Gain => "gain",
            Trouble::NoisyRoom => "noisy-room",
            Trouble::TooFar => "too-far",
            Trouble::DelayWanders => "delay-wanders",
            Trouble::GuideLoud => "guide-loud",
            Trouble::Count => "count",
        }
    }

    /// What it is and what to change, in words.
    pub const fn say(self) -> &'static str {
        match self {
            Trouble::NoSignal => "no sound arrives: switch the microphone on, or choose another one",
            Trouble::NoStrikes => {
                "sound arrives, but no strike: knock on the microphone to see whether it is the one that listens, and choose another \
                 if not"
            }
            Trouble::Clipping => "strikes are cut off: move the microphone further away, or turn its level down",
            Trouble::Gain => {
                "something changes the level by itself: switch automatic gain and noise suppression off in the sound settings"
            }
            Trouble::NoisyRoom => {
                "the room is too noisy for soft strokes: close windows and doors, or move to a quieter room"
            }
            Trouble::TooFar => "soft strokes would not be heard: move the microphone closer, or turn its level up",
            Trouble::DelayWanders => "the loudspeaker's delay wanders: use headphones or a loudspeaker with a cable",
            Trouble::GuideLoud => {
                "the guide is too loud in the microphone: turn the loudspeaker down, or use headphones with a cable"
            }
            Trouble::Count => {
                "the strikes did not number three on each surface: do them again, one by one, to keep how yours sound"
            }
        }
    }
}

/// A probe that was heard.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Probe {
    /// After its due time.
    pub delay: Seconds,
    /// Root mean square of it in the recording.
    pub level: Decibels,
}

/// What a check found.
#[derive(Clone, Debug, PartialEq)]
pub struct Checked {
    /// All troubles, the one to change first in front.
    pub troubles: Vec<Trouble>,
    /// Noise of the room in the microphone, relative to full scale.
    pub noise: Option<Decibels>,
    /// What a strike must reach to be heard.
    pub threshold: Option<Decibels>,
    /// The middle strike.
    pub strike: Option<Decibels>,
    /// Times of the strikes after [`STRIKES_FROM`].
    pub strikes: Vec<Seconds>,
    /// The probes that were heard.
    pub probes: Vec<Probe>,
}

impl Checked {
    /// From when to when the strikes on so many surfaces lie in the recording, if they are worth keeping.
    pub fn kept(&self, surfaces: usize) -> Option<(Seconds, Seconds)> {
        let spoiled = [Trouble::Count, Trouble::Clipping, Trouble::NoSignal, Trouble::NoStrikes];
        if surfaces == 0 || self.troubles.iter().any(|t| spoiled.contains(t)) {
            return None;
        }
        let (first, last) = (self.strikes.first()?.get(), self.strikes.last()?.get());
        Some((Seconds::of((first - MARGIN_S).max(0.0)), Seconds::of(last + 2.0 * MARGIN_S)))
    }

    /// The middle delay of the probes; `None` with fewer than half of them.
    pub fn delay(&self) -> Option<Seconds> {
        let delays: Vec<f64> = self.probes.iter().map(|p| p.delay.get()).collect();
        (delays.len() * 2 >= PROBES).then(|| median(delays).map(Seconds::of)).flatten()
    }
}

/// What the loudspeaker plays, from its first sample: the probes, at this peak.
pub fn probe_sound(rate: SampleRate, peak: Decibels) -> Vec<f32> {
    let click = Sound::Accent.samples(rate);
    let gain = 10_f64.powf(peak.0 / 20.0) as f32;
    let place = |at: Seconds| (at.get() * f64::from(rate.get())).round() as usize;
    let mut out = vec![0.0; place(STRIKES_FROM)];
    for due in probe_times() {
        for (v, c) in out.iter_mut().skip(place(due)).zip(&click) {
            *v += gain * c;
        }
    }
    out
}

/// When the probes are due, from the first sample that is played.
fn probe_times() -> impl Iterator<Item = Seconds> {
    (0..PROBES).map(|k| PROBES_FROM + Seconds::of(k as f64 * PROBE_EVERY.get()))
}

fn index(at: Seconds) -> usize {
    (at.get().max(0.0) * f64::from(EAR_RATE.get())).round() as usize
}

/// Finds the probes in a recording at [`EAR_RATE`]. `played_from`: where the first played sample was due in it.
pub fn probes(samples: &[f32], played_from: Seconds) -> Vec<Probe> {
    let click = Sound::Accent.samples(EAR_RATE);
    let power = |x: &[f32]| x.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>();
    let own = power(&click);
    let found = |due: Seconds| -> Option<Probe> {
        let from = index(due + played_from);
        let window = samples.get(from..(from + index(LONGEST_DELAY) + click.len()).min(samples.len()))?;
        let mut best = (0.0, 0, 0.0);
        for (k, piece) in window.windows(click.len()).enumerate() {
            let dot: f64 = piece.iter().zip(&click).map(|(a, b)| f64::from(a * b)).sum();
            let here = power(piece);
            let like = dot.abs() / (own * here).sqrt().max(1e-12);
            if like > best.0 {
                best = (like, k, here / click.len() as f64);
            }
        }
        (best.0 >= LIKE).then(|| Probe {
            delay: Seconds::of(best.1 as f64 / f64::from(EAR_RATE.get())),
            level: Decibels::from_power(best.2),
        })
    };
    probe_times().filter_map(found).collect()
}

/// Judges a check. `peak`: largest sample of the recording; `probed`: whether probes were played; `surfaces`: how many
/// surfaces were to be struck.
pub fn judge(take: &Take, peak: f32, probes: Vec<Probe>, surfaces: usize) -> Checked {
    let heard = &take.heard;
    let half = Seconds::from_millis(500.0);
    let quiet = heard.audibility.iter().filter(|a| a.from >= half && a.from < QUIET_UNTIL).map(|a| a.threshold.0);
    let threshold = median(quiet).map(Decibels);
    let late = |k: &usize| heard.onsets.get(*k).is_some_and(|o| o.at >= STRIKES_FROM);
    let struck: Vec<usize> = (0..heard.onsets.len()).filter(late).collect();
    let levels: Vec<f64> = struck.iter().filter_map(|k| Some(heard.onsets.get(*k)?.level.0)).collect();
    let strike = median(levels).map(Decibels);
    let noise = threshold.zip(heard.over_noise.zip(strike)).map(|(_, (over, strike))| Decibels(strike.0 - over.0));
    let mut troubles = Vec::new();
    let clipped = struck.iter().filter(|k| take.clipped.get(**k).copied().unwrap_or(false)).count();
    if peak < NO_SIGNAL {
        troubles.push(Trouble::NoSignal);
    } else if struck.is_empty() && surfaces > 0 {
        troubles.push(Trouble::NoStrikes);
    }
    if clipped * 10 > struck.len() {
        troubles.push(Trouble::Clipping);
    }
    let spread = |values: Vec<f64>| {
        let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(*v), b.max(*v)));
        if values.len() < 3 { 0.0 } else { high - low }
    };
    if heard.gain_moved > 0.5 || spread(probes.iter().map(|p| p.level.0).collect()) > STEADY_DB {
        troubles.push(Trouble::Gain);
    }
    if let Some((_, threshold)) = strike.zip(threshold).filter(|(strike, least)| strike.0 - SOFT_BELOW_DB < least.0) {
        let noisy = noise.unwrap_or(threshold) > NOISY;
        troubles.push(if noisy { Trouble::NoisyRoom } else { Trouble::TooFar });
    }
    if spread(probes.iter().map(|p| p.delay.get()).collect()) > WANDERS.get() {
        troubles.push(Trouble::DelayWanders);
    }
    let guide = median(probes.iter().map(|p| p.level.0));
    if guide.zip(strike).is_some_and(|(guide, strike)| guide > strike.0 - GUIDE_BELOW_DB) {
        troubles.push(Trouble::GuideLoud);
    }
    if !struck.is_empty() && struck.len() != EACH * surfaces {
        troubles.push(Trouble::Count);
    }
    troubles.sort_unstable();
    let strikes = struck.iter().filter_map(|k| Some(heard.onsets.get(*k)?.at)).collect();
    Checked { troubles, noise, threshold, strike, strikes, probes }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng::Rng;

    const SECOND: usize = 44_100;

    /// A check with nine strikes of this peak in noise of this peak, and probes with these delays and peaks.
    fn check(strike: f32, hiss: f32, n: usize, probed: impl Fn(usize) -> Option<(f64, f32)>) -> Checked {
        let mut rng = Rng(99);
        let mut x: Vec<f32> = rng.noise(12 * SECOND, hiss);
        for k in 0..n {
            let at = index(STRIKES_FROM) + 10_000 + k * SECOND * 6 / 10;
            for i in 0..6000 {
                let t = i as f32 / SECOND as f32;
                let v = (-t / 0.02).exp() * ((1300.0 * t).sin() + 0.6 * rng.signed() as f32);
                x[at + i] = (x[at + i] + strike * v).clamp(-1.0, 1.0);
            }
        }
        let click = Sound::Accent.samples(EAR_RATE);
        for (k, due) in probe_times().enumerate() {
            if let Some((delay, peak)) = probed(k) {
                let at = index(due + Seconds::of(delay));
                for (i, v) in click.iter().enumerate() {
                    x[at + i] += peak * v;
                }
            }
        }
        let peak = x.iter().fold(0.0_f32, |a, v| a.max(v.abs()));
        let take = crate::chain::hear_samples(&x);
        judge(&take, peak, probes(&x, Seconds::ZERO), 3)
    }

    #[test]
    fn a_good_place_has_no_trouble_and_its_delay_is_measured() {
        let checked = check(0.4, 3e-4, 9, |_| Some((0.0832, 0.02)));
        assert_eq!(checked.troubles, []);
        assert_eq!(checked.strikes.len(), 9);
        assert!((checked.delay().unwrap().get() - 0.0832).abs() < 1e-4, "{:?}", checked.delay());
    }

    #[test]
    fn each_trouble_is_named_first_where_it_is_the_only_one() {
        let first = |c: Checked| c.troubles.first().copied();
        assert_eq!(first(check(0.0, 1e-5, 0, |_| None)), Some(Trouble::NoSignal));
        assert_eq!(first(check(0.0, 1e-3, 0, |_| None)), Some(Trouble::NoStrikes));
        assert_eq!(first(check(5.0, 3e-4, 9, |_| None)), Some(Trouble::Clipping));
        assert_eq!(first(check(0.4, 3e-4, 9, |k| Some((0.08, 0.03 / (1 + k) as f32)))), Some(Trouble::Gain));
        assert_eq!(first(check(0.1, 2e-2, 9, |_| None)), Some(Trouble::NoisyRoom));
        assert_eq!(
            first(check(0.4, 3e-4, 9, |k| Some((0.1 + 0.02 * (k % 3) as f64, 0.02)))),
            Some(Trouble::DelayWanders)
        );
        assert_eq!(first(check(0.1, 3e-4, 9, |_| Some((0.08, 0.3)))), Some(Trouble::GuideLoud));
        assert_eq!(first(check(0.4, 3e-4, 8, |_| None)), Some(Trouble::Count));
    }
}
