//! The ear itself: blocks of samples in, onsets out, piece by piece.

use super::clock;
use super::features;
use super::front::{Front, Transforms, mean_power};
use super::held::Held;
use super::model::{Model, model};
use super::network::Pointed;
use super::place::{Candidate, Placer};
use super::spectrum::{FrameIndex, SHORT_HOP};
use super::{APART_S, Audibility, LIKELIER, Onset};
use crate::stats::{median, quantile};
use crate::units::{Decibels, EAR_RATE, Samples, Seconds};

/// What was heard in a recording.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Heard {
    /// What is likelier a strike than not, in order of time.
    pub onsets: Vec<Onset>,
    /// What may have been a strike but was not sure enough, in order of time; none within 10 ms of an onset.
    pub faint: Vec<Onset>,
    /// How quiet a strike could be and still be heard, stretch by stretch.
    pub audibility: Vec<Audibility>,
    /// Length of the recording.
    pub duration: Seconds,
    /// How far the middle strike stands above the noise around it; `None` without strikes.
    pub over_noise: Option<Decibels>,
    /// Probability, 0 to 1, that the recorder changed its gain: the noise sank once the playing began.
    pub gain_moved: f64,
}

/// New sound decided on in one piece; a take of a minute fits in one.
const PIECE_S: f64 = 75.0;
/// Sound kept from before, so that a piece knows its noise and its strikes from the start.
const HISTORY_S: f64 = 12.0;
/// Sound at the end of a piece that waits for what follows: the noise floor looks 2.4 s ahead.
const TAIL_S: f64 = 3.0;
/// Shorter recordings cannot hold a strike and what is around it.
const SHORTEST_S: f64 = 0.1;
/// Candidates down to this probability are told as faint.
const FAINT: f32 = 0.06;
/// A smaller correction of the place is more often noise than truth.
const LEAST_CORRECTION_MS: f32 = 0.05;
/// Largest correction: what the model was fitted on.
const MOST_CORRECTION_MS: f32 = 3.5;
/// Window of a strike's level.
const LEVEL_S: f64 = 0.050;
/// A strike's surroundings are taken this long before it.
const BEFORE_STRIKE_S: f64 = 0.1;
/// How far before and after the first strike the noise is compared for a gain that moved: longer than the release of a
/// recorder's gain control (.2 to 1.5 s, from memory).
const GAIN_SPAN_S: f64 = 6.0;
/// So many stretches on either side are needed to say anything.
const GAIN_STRETCHES: usize = 4;
/// The noise before is as loud as its quietest tenth, the noise after as its quietest twentieth: the others hold doors,
/// voices, strikes and their ring. These two, and the three numbers below, were chosen by how they part phones with gain
/// control from others: 260 takes of `scripts/simulating/classroom` (tuning parts, seed 41410), of which 250 have noise to go by.
const GAIN_QUIETEST: (f64, f64) = (0.1, 0.05);
/// A lively noise may sink by itself by as much as it varied before (from its quietest tenth to its middle), so many times.
const GAIN_LIVELY: f64 = 2.0;
/// At this drop beyond that it is an even guess: 26 of 42 phones with gain control showed more, and 8 of 208 without it;
/// without any noise but the phone's own 11 of 13 and none of 70.
const GAIN_DROP_DB: f64 = 1.5;
/// So much more or less makes the odds e to one: the own noise of a phone without gain control sank by .3 dB at most in 98
/// takes of 100.
const GAIN_WIDTH_DB: f64 = 0.4;
/// Length of a stretch of constant audibility.
const AUDIBILITY_FRAMES: usize = 69;
/// What stays within one step of the recording is rounded away. A strike whose 50 ms hold this much less power than a step
/// does reaches some three steps at its peak (a strike's peak lies about 15 dB above that power). Rule of thumb.
const BELOW_STEP_DB: f64 = 6.0;
/// Less noise than this is silence made by rounding or by a gate: a hundredth of the power of a step of 24 bits.
const NO_NOISE: f32 = 1e-16;

fn samples(seconds: f64) -> usize {
    (seconds * f64::from(EAR_RATE.get())) as usize
}

/// A strike as it is decided on.
pub struct Struck<'a> {
    /// The samples around it.
    pub piece: &'a [f32],
    /// The sample of these at which its attack begins.
    pub attack: usize,
    /// Where these samples begin in the recording.
    pub from: Samples,
    /// The strike.
    pub onset: &'a Onset,
}

/// Hears a recording that arrives in blocks.
pub struct Ear {
    transforms: Transforms,
    buffer: Held,
    /// Sample of the recording at `buffer[0]`.
    start: u64,
    /// Sample of the buffer from which on nothing has been decided.
    undecided: usize,
    heard: Heard,
}

impl Default for Ear {
    fn default() -> Self {
        Self::new()
    }
}

impl Ear {
    /// An ear that has heard nothing yet.
    pub fn new() -> Self {
        let buffer = Held::with_room(samples(HISTORY_S) + samples(PIECE_S) + samples(TAIL_S));
        Ear { transforms: Transforms::new(), buffer, start: 0, undecided: 0, heard: Heard::default() }
    }

    /// Hears one more block of mono samples at [`EAR_RATE`]. `strike` is called for each strike decided on, in order; the
    /// k-th call belongs to the k-th of [`Heard::onsets`].
    pub fn hear(&mut self, block: &[f32], strike: &mut impl FnMut(&Struck<'_>)) {
        let most = self.undecided + samples(PIECE_S) + samples(TAIL_S);
        let mut rest = block;
        while self.buffer.len() + rest.len() > most {
            let (now, later) = rest.split_at(most.saturating_sub(self.buffer.len()));
            self.buffer.push(now);
            rest = later;
            self.decide(self.buffer.len() - samples(TAIL_S), strike);
            let drop = self.undecided.saturating_sub(samples(HISTORY_S));
            self.buffer.forget(drop);
            self.start += drop as u64;
            self.undecided -= drop;
            if self.buffer.len() + rest.len() <= self.undecided + samples(PIECE_S) + samples(TAIL_S) {
                break;
            }
        }
        self.buffer.push(rest);
    }

    /// Decides on what is left and gives all that was heard.
    pub fn finish(mut self, strike: &mut impl FnMut(&Struck<'_>)) -> Heard {
        self.decide(self.buffer.len(), strike);
        self.heard.duration = Samples(self.start + self.buffer.len() as u64).to_seconds(EAR_RATE);
        let noise = |a: &Audibility| a.threshold.0 - model().audible_over_noise_db;
        let stretches = &self.heard.audibility;
        let around = |at: Seconds| {
            let next = stretches.partition_point(|a| a.from <= at);
            stretches[next.saturating_sub(1)..].first().map(noise)
        };
        // Just before a strike, not in it.
        let quiet = |at: Seconds| around(at - Seconds::of(BEFORE_STRIKE_S));
        self.heard.over_noise =
            median(self.heard.onsets.iter().filter_map(|o| Some(o.level.0 - quiet(o.at)?))).map(Decibels);
        self.heard.gain_moved = self.heard.onsets.first().map_or(0.0, |first| {
            let (before, after): (Vec<&Audibility>, Vec<&Audibility>) = stretches
                .iter()
                .filter(|a| (a.from - first.at).abs().get() < GAIN_SPAN_S)
                .partition(|a| a.from + Seconds::of(2.0 * BEFORE_STRIKE_S) < first.at);
            let levels = |stretches: Vec<&Audibility>| {
                let levels: Vec<f32> = stretches.into_iter().map(|a| noise(a) as f32).collect();
                (levels.len() >= GAIN_STRETCHES).then_some(levels)
            };
            let (Some(mut before), Some(mut after)) = (levels(before), levels(after)) else { return 0.0 };
            let quiet = quantile(&mut before, GAIN_QUIETEST.0);
            let varied = quantile(&mut before, 0.5) - quiet;
            let drop = f64::from(quiet - quantile(&mut after, GAIN_QUIETEST.1));
            1.0 / (1.0 + ((GAIN_DROP_DB + GAIN_LIVELY * f64::from(varied) - drop) / GAIN_WIDTH_DB).exp())
        });
        self.heard
    }

    fn decide(&mut self, until: usize, strike: &mut impl FnMut(&Struck<'_>)) {
        let from = std::mem::replace(&mut self.undecided, until);
        if self.buffer.len() < samples(SHORTEST_S) || from >= until {
            return;
        }
        let model = model();
        let front = Front::new(&self.transforms, &self.buffer);
        let offset = Samples(self.start).to_seconds(EAR_RATE);
        let candidates = placed(&front, &self.buffer, &model.network.hear(&front));
        let p = certainties(&front, &candidates);
        // Non-maximum suppression: of candidates nearer than this only the likeliest stays.
        let mut order: Vec<usize> = (0..p.len()).collect();
        order.sort_by(|&a, &b| p[b].total_cmp(&p[a]).then(a.cmp(&b)));
        let mut kept: Vec<(usize, f64)> = Vec::new();
        for i in order {
            let at = candidates[i].at as f64 / f64::from(EAR_RATE.get());
            if kept.iter().all(|k| (k.1 - at).abs() > APART_S) {
                kept.push((i, at));
            }
        }
        kept.retain(|k| (from..until).contains(&candidates[k.0].at));
        kept.sort_by_key(|k| k.0);
        let looked: Vec<f32> = kept.iter().flat_map(|k| features::timing(&front, &candidates[k.0])).collect();
        let (corrections, sigmas) = (model.place.values(&looked), model.sigma.values(&looked));
        for (((i, at), correction), sigma) in kept.into_iter().zip(corrections).zip(sigmas) {
            let candidate = &candidates[i];
            let correction = correction.clamp(-MOST_CORRECTION_MS, MOST_CORRECTION_MS);
            let correction = if correction.abs() > LEAST_CORRECTION_MS { correction } else { 0.0 };
            let sigma_ms = (model.sigma_power * sigma).exp() * model.sigma_scale;
            let [_, _, after, _, _, before] = candidate.near.powers;
            let onset = Onset {
                at: offset + Seconds::of((at + f64::from(correction) / 1e3).max(0.0)),
                sigma: Seconds::of(f64::from(sigma_ms) / 1e3),
                level: level(&self.buffer, candidate.at),
                certainty: f64::from(p[i]),
                prominence: Decibels(10.0 * f64::from((after + 1e-14) / (before + 1e-14)).log10()),
            };
            if p[i] > LIKELIER {
                let from = Samples(self.start);
                strike(&Struck { piece: &self.buffer, attack: candidate.at, from, onset: &onset });
                self.heard.onsets.push(onset);
            } else {
                self.heard.faint.push(onset);
            }
        }
        self.heard.audibility.extend(audibility(model, &front, &self.buffer, from, until, offset));
    }
}

/// How likely each candidate is a strike, once a clock's ticks are known for what they are.
fn certainties(front: &Front, candidates: &[Candidate]) -> Vec<f32> {
    let mut p: Vec<f32> = candidates.iter().map(|c| c.pointed.certainty).collect();
    clock::dismiss(&features::sketches(front, candidates), &mut p);
    p
}

/// The attacks of what is likely enough to be told at all.
fn placed(front: &Front, x: &[f32], pointed: &[Pointed]) -> Vec<Candidate> {
    let likely: Vec<Pointed> = pointed.iter().filter(|p| p.certainty > FAINT).copied().collect();
    Placer::new(front.quiet).place(x, &likely)
}

/// Mean power of the window from a sample on, without its mean (a microphone's offset is no sound).
fn level(x: &[f32], at: usize) -> Decibels {
    let window = &x[at.min(x.len())..(at + samples(LEVEL_S)).min(x.len())];
    let n = window.len().max(1) as f64;
    let mean = window.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
    Decibels::from_power(window.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n)
}

/// What a strike must reach to be heard, tenth of a second by tenth of a second.
fn audibility(model: &Model, front: &Front, x: &[f32], from: usize, until: usize, offset: Seconds) -> Vec<Audibility> {
    let mut rounded_away: Option<f64> = None;
    (0..front.total.len().div_ceil(AUDIBILITY_FRAMES))
        .filter_map(|k| {
            let first = FrameIndex(k * AUDIBILITY_FRAMES);
            let at = first.centre(SHORT_HOP);
            if !(from as u64..until as u64).contains(&at.0) {
                return None;
            }
            let end = (first.0 + AUDIBILITY_FRAMES).min(front.total.len());
            let mut powers: Vec<f32> = front.total[first.0..end].iter().map(|power| mean_power(*power)).collect();
            let noise = quantile(&mut powers, 0.5);
            let over_noise = Decibels::from_power(f64::from(noise)).0 + model.audible_over_noise_db;
            let threshold = if noise < NO_NOISE {
                over_noise.max(*rounded_away.get_or_insert_with(|| 20.0 * step(x).log10() - BELOW_STEP_DB))
            } else {
                over_noise
            };
            Some(Audibility { from: offset + at.to_seconds(EAR_RATE), threshold: Decibels(threshold) })
        })
        .collect()
}

/// The smallest sample that is none of silence: a step of the recording where it was kept in coarse ones; 0 for silence.
fn step(x: &[f32]) -> f64 {
    x.iter().map(|v| v.abs()).filter(|v| *v > 0.0).min_by(f32::total_cmp).map_or(0.0, f64::from)
}

/// What the fit and the profile need of a recording of at most a piece; for `scripts` alone.
#[doc(hidden)]
pub mod fitting {
    use super::super::coarse::Outline;
    use super::super::company;
    use super::*;

    /// A candidate likely enough to be told.
    pub struct Row {
        /// Sample where the attack begins.
        pub at: usize,
        /// Sample that the network points to.
        pub pointer: f64,
        pub certainty: f32,
        /// What the correction of the place looks at.
        pub timing: Vec<f32>,
    }

    /// Weights other than those built in.
    pub struct Weights(Model);

    impl Weights {
        /// From the bytes of a file such as `assets/ear.safetensors`.
        ///
        /// # Errors
        /// If the file is none such; says why.
        pub fn read(bytes: &[u8]) -> Result<Weights, String> {
            Model::read(bytes).map(Weights).map_err(|why| why.to_string())
        }
    }

    fn model_of(weights: Option<&Weights>) -> &Model {
        match weights {
            Some(weights) => &weights.0,
            None => model(),
        }
    }

    /// Powers of the short and of the long transform's bands, frame by frame, for `scripts/outside/checks.py`.
    pub fn bands(x: &[f32]) -> (Vec<Vec<f32>>, Vec<Vec<f32>>) {
        let front = Front::new(&Transforms::new(), x);
        (front.short.iter().map(|f| f.to_vec()).collect(), front.long.iter().map(|f| f.to_vec()).collect())
    }

    /// The candidates in order of time; for `scripts/fitting/dump_ear_features.rs`.
    pub fn candidates(x: &[f32], weights: Option<&Weights>) -> Vec<Row> {
        let front = Front::new(&Transforms::new(), x);
        let candidates = placed(&front, x, &model_of(weights).network.hear(&front));
        let row = |(c, certainty): (&Candidate, f32)| Row {
            at: c.at,
            pointer: c.pointed.at,
            certainty,
            timing: features::timing(&front, c),
        };
        candidates.iter().zip(certainties(&front, &candidates)).map(row).collect()
    }

    /// The first step of hearing, for `scripts/measuring/hear_steps.rs`: how many frames both transforms have.
    pub fn transforms(x: &[f32]) -> usize {
        let transforms = Transforms::new();
        transforms.short.frames(x).len() + transforms.long.frames(x).len()
    }

    /// The network's steps, each to be run by itself.
    pub struct Steps<'a> {
        model: &'a Model,
        front: Front,
        outline: Outline,
        candidates: Vec<company::Candidate>,
    }

    impl<'a> Steps<'a> {
        /// Goes through all of them.
        pub fn new(x: &[f32], weights: Option<&'a Weights>) -> Self {
            let (model, front) = (model_of(weights), Front::new(&Transforms::new(), x));
            let outline = model.network.outline(&front);
            let candidates = model.network.candidates(&front, &outline, model.network.gate);
            Steps { model, front, outline, candidates }
        }

        /// The coarse path: how many frames open the gate.
        pub fn coarse(&self) -> usize {
            let network = &self.model.network;
            network.outline(&self.front).gates.iter().filter(|gate| **gate > network.gate).count()
        }

        /// The fine path where the gate is open, or everywhere: how many peaks the votes have.
        pub fn fine(&self, everywhere: bool) -> usize {
            let network = &self.model.network;
            let gate = if everywhere { f32::NEG_INFINITY } else { network.gate };
            network.candidates(&self.front, &self.outline, gate).len()
        }

        /// The candidates among each other: how many are likely enough to be placed.
        pub fn company(&self) -> usize {
            let certainties = self.model.network.company.judge(fearless_simd::Level::new(), &self.candidates);
            certainties.iter().filter(|p| **p > FAINT).count()
        }
    }

    /// Both transforms and the floors: how many frames.
    pub fn front(x: &[f32]) -> usize {
        let front = Front::new(&Transforms::new(), x);
        front.short.len() + front.long.len()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Damped tones of 4 kHz, 3 ms, twice a second from `first` on, in noise of the width, peak to peak, that `noise`
    /// gives at each moment.
    fn clicks(seconds: f64, first: f64, noise: impl Fn(f64) -> f64) -> Heard {
        let rate = f64::from(EAR_RATE.get());
        let mut rng = crate::rng::Rng(1);
        let x: Vec<f32> = (0..samples(seconds))
            .map(|n| {
                let (at, t) = (n as f64 / rate, (n as f64 / rate) % 0.5);
                let click = 0.5 * (std::f64::consts::TAU * 4000.0 * t).sin() * (-t / 0.003).exp();
                let on = at >= first && at < seconds - 0.5;
                (if on { click } else { 0.0 } + noise(at) * 0.5 * rng.signed()) as f32
            })
            .collect();
        let mut ear = Ear::new();
        ear.hear(&x, &mut |_| {});
        ear.finish(&mut |_| {})
    }

    #[test]
    fn clicks_that_stand_out_are_heard() {
        // In noise 55 dB below.
        assert_eq!(clicks(5.0, 0.5, |_| 2e-3).onsets.len(), 8);
    }

    #[test]
    fn noise_that_sinks_as_the_playing_begins_is_a_gain_that_moved_and_noise_that_comes_and_goes_is_none() {
        let moved = |noise: &dyn Fn(f64) -> f64| clicks(8.0, 3.0, noise).gain_moved;
        assert!(moved(&|_| 2e-3) < 0.1);
        // By 4 dB.
        assert!((0.9..=1.0).contains(&moved(&|t| if t < 3.0 { 2e-3 } else { 1.26e-3 })));
        // Something rattles, 10 dB louder, most of the time before and never after.
        assert!(moved(&|t| if t < 3.0 && t % 1.0 < 0.8 { 6.3e-3 } else { 2e-3 }) < 0.1);
    }

    #[test]
    fn what_a_coarse_step_rounds_away_is_hidden_and_digital_silence_alone_hides_nothing() {
        // One burst in 8-bit steps, then silence: the quiet that follows may hold strikes below the step.
        let heard = |step: f32| {
            let mut ear = Ear::new();
            let mut signs = crate::rng::Rng(1);
            let mut burst = || if signs.chance(0.5) { step } else { -3.0 * step };
            let x: Vec<f32> = (0..88_200).map(|n| if n < 4410 { burst() } else { 0.0 }).collect();
            ear.hear(&x, &mut |_| {});
            ear.finish(&mut |_| {}).audibility
        };
        let quietest = |step: f32| heard(step)[10].threshold.0;
        let eight_bits = 1.0 / 128.0;
        assert!((quietest(eight_bits) - (20.0 * f64::from(eight_bits).log10() - BELOW_STEP_DB)).abs() < 1e-3);
        assert!(quietest(1.0 / 32768.0) < -90.0);
        assert!(quietest(0.0) < quietest(1.0 / 32768.0));
    }

    #[test]
    fn nothing_is_too_short_to_be_heard() {
        for n in [0, 1, 63, 64, 255, 256, 1000, 4409, 4410, 4411, 6000] {
            for at in [0, n / 2] {
                let x: Vec<f32> =
                    (0..n).map(|k| if k >= at { 0.5 * (-((k - at) as f32) / 50.0).exp() } else { 0.0 }).collect();
                let mut ear = Ear::new();
                ear.hear(&x, &mut |_| {});
                let heard = ear.finish(&mut |_| {});
                assert!((heard.duration.get() - n as f64 / 44_100.0).abs() < 1e-9);
                assert!(heard.onsets.iter().all(|o| o.at <= heard.duration), "{n}");
            }
        }
    }
}
