//! The ear itself: blocks of samples in, onsets out, piece by piece.

use super::clock;
use super::features::{self, FIRST, Features};
use super::floor::quantile;
use super::front::{Front, Transforms, mean_power};
use super::held::Held;
use super::model::{Model, model};
use super::second::{self, SECOND, WORTH_A_SECOND_LOOK};
use super::spectrum::{FrameIndex, SHORT_HOP};
use super::{Audibility, EAR_RATE, Onset};
use crate::stats::median;
use crate::units::{Decibels, Samples, Seconds};

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

impl Heard {
    /// The strikes that are sure enough without a written part.
    pub fn alone(&self) -> impl Iterator<Item = &Onset> {
        self.onsets.iter().filter(|o| o.alone)
    }
}

/// New sound decided on in one piece; a take of a minute fits in one.
const PIECE_S: f64 = 75.0;
/// Sound kept from before, so that a piece knows its noise and its strikes from the start.
const HISTORY_S: f64 = 12.0;
/// Sound at the end of a piece that waits for what follows: the noise floor looks 2.4 s ahead.
const TAIL_S: f64 = 3.0;
/// Shorter recordings cannot hold a strike and what is around it.
const SHORTEST_S: f64 = 0.1;
/// Two strikes given out are at least this far apart: nearer ones are one event to any ear (order threshold about 20 ms,
/// Hirsh 1959), and two hands this near are together.
pub(super) const APART_S: f64 = 0.010;
/// Candidates down to this probability are told as faint.
const FAINT: f32 = 0.06;
/// Candidates above this probability are likelier a strike than not.
pub(super) const LIKELIER: f32 = 0.5;
/// From this probability on a candidate is no doubtful one, when doubtful ones are held against the others
/// (`scripts/fit_ear.py`, `SURE`).
const SURE: f32 = 0.6;
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
/// control from others: 260 takes of `scripts/classroom` (tuning parts, seed 41410), of which 250 have noise to go by.
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

    /// Hears one more block of mono samples at [`EAR_RATE`]. `strike` is called for each strike decided on, in order, with
    /// the samples around it and its place among them; the k-th call belongs to the k-th of [`Heard::onsets`].
    pub fn hear(&mut self, block: &[f32], strike: &mut impl FnMut(&[f32], usize)) {
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
    pub fn finish(mut self, strike: &mut impl FnMut(&[f32], usize)) -> Heard {
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

    fn decide(&mut self, until: usize, strike: &mut impl FnMut(&[f32], usize)) {
        let from = std::mem::replace(&mut self.undecided, until);
        if self.buffer.len() < samples(SHORTEST_S) || from >= until {
            return;
        }
        let model = model();
        let front = Front::new(&self.transforms, &self.buffer);
        let offset = Samples(self.start).to_seconds(EAR_RATE);
        let (p, ticks) = probabilities(model, &front);
        let mut order: Vec<usize> = (0..p.len()).filter(|&i| p[i] > FAINT).collect();
        order.sort_by(|&a, &b| p[b].total_cmp(&p[a]).then(a.cmp(&b)));
        let mut kept: Vec<(usize, f64)> = Vec::new();
        for i in order {
            let at = front.candidates[i].at as f64 / f64::from(EAR_RATE.get());
            if kept.iter().all(|k| (k.1 - at).abs() > APART_S) {
                kept.push((i, at));
            }
        }
        let sure = kept.iter().filter(|k| p[k.0] > SURE).count();
        let doubtful = kept.iter().filter(|k| p[k.0] <= SURE && !ticks[k.0]).count();
        let threshold = model.threshold.at(doubtful as f32 / sure.max(1) as f32);
        kept.retain(|k| (from..until).contains(&front.candidates[k.0].at));
        kept.sort_by_key(|k| k.0);
        let looked: Vec<f32> = kept.iter().flat_map(|k| features::timing(&front, &front.candidates[k.0])).collect();
        let (corrections, sigmas) = (model.place.values(&looked), model.sigma.values(&looked));
        for (((i, at), correction), sigma) in kept.into_iter().zip(corrections).zip(sigmas) {
            let candidate = &front.candidates[i];
            let correction = correction.clamp(-MOST_CORRECTION_MS, MOST_CORRECTION_MS);
            let correction = if correction.abs() > LEAST_CORRECTION_MS { correction } else { 0.0 };
            let sigma_ms = (model.sigma_power * sigma).exp() * model.sigma_scale;
            let [_, _, after, _, _, before] = candidate.near.powers;
            let onset = Onset {
                at: offset + Seconds::of((at + f64::from(correction) / 1e3).max(0.0)),
                sigma: Seconds::of(f64::from(sigma_ms) / 1e3),
                level: level(&self.buffer, candidate.at),
                certainty: f64::from(p[i]),
                alone: p[i] > threshold,
                prominence: Decibels(10.0 * f64::from((after + 1e-14) / (before + 1e-14)).log10()),
            };
            if p[i] > LIKELIER {
                self.heard.onsets.push(onset);
                strike(&self.buffer, candidate.at);
            } else {
                self.heard.faint.push(onset);
            }
        }
        self.heard.audibility.extend(audibility(model, &front, &self.buffer, from, until, offset));
    }
}

/// Candidates decided on together: their features fit the second nearest cache.
const TOGETHER: usize = 128;

/// Probability of every candidate of a piece, and whether it is a clock's tick.
fn probabilities(model: &Model, front: &Front) -> (Vec<f32>, Vec<bool>) {
    let features = Features::new(front);
    let count = front.candidates.len();
    let mut p = Vec::with_capacity(count);
    let mut rows = Vec::with_capacity(TOGETHER * SECOND);
    for first in (0..count).step_by(TOGETHER) {
        rows.clear();
        features.append(first..(first + TOGETHER).min(count), &mut rows);
        p.extend(model.first.probabilities(&rows));
    }
    let looked = second::look(&features.sketches, &p);
    for v in &mut p {
        *v = v.min(WORTH_A_SECOND_LOOK);
    }
    for looked in looked.chunks(TOGETHER) {
        rows.clear();
        for (i, added) in looked {
            features.append(std::iter::once(*i), &mut rows);
            rows.extend(added);
        }
        for ((i, _), again) in looked.iter().zip(model.second.probabilities(&rows)) {
            p[*i] = again;
        }
    }
    stand_out(front, &features.sketches, &mut p);
    let ticks = clock::dismiss(&features.sketches, &mut p);
    (p, ticks)
}

/// What rises as much out of such quiet is struck. Of 24 clips of noise alone one holds anything that does: a clock.
const STANDS_OUT_RISE: f32 = 50.0;
/// And lies no more than this below the loudest of its kind: 20 dB, in nepers of power.
const STANDS_OUT_LEVEL: f32 = 4.6;
/// With fewer, chance would decide.
const STANDS_OUT_LEAST: usize = 3;
/// In takes of strikes the networks know, two fifths at least of what stands out is told to be one (150 takes of
/// `scripts/sounds/takes.py`, 130 of `scripts/classroom`); where less than this is, they have met a sound they do not know.
const KNOWN: f32 = 0.3;
/// How likely it then is a strike.
const STANDS_OUT: f32 = 0.9;

/// Believes the ears where the networks do not know the sound: a take of one kind of click, say, and nothing else.
fn stand_out(front: &Front, sketches: &[features::Sketch], p: &mut [f32]) {
    let strong: Vec<usize> = (0..p.len()).filter(|&i| front.candidates[i].coarse.rise > STANDS_OUT_RISE).collect();
    let mut levels: Vec<f32> = strong.iter().map(|&i| sketches[i].level).collect();
    let loud = quantile(&mut levels, 0.9);
    let loud: Vec<usize> = strong.into_iter().filter(|&i| sketches[i].level > loud - STANDS_OUT_LEVEL).collect();
    let known = loud.iter().filter(|&&i| p[i] > SURE).count();
    if loud.len() >= STANDS_OUT_LEAST && (known as f32) < KNOWN * loud.len() as f32 {
        for i in loud {
            p[i] = p[i].max(STANDS_OUT);
        }
    }
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
    (0..front.short.len().div_ceil(AUDIBILITY_FRAMES))
        .filter_map(|k| {
            let first = FrameIndex(k * AUDIBILITY_FRAMES);
            let at = first.centre(SHORT_HOP);
            if !(from as u64..until as u64).contains(&at.0) {
                return None;
            }
            let end = (first.0 + AUDIBILITY_FRAMES).min(front.short.len());
            let mut powers: Vec<f32> =
                front.short[first.0..end].iter().map(|f| mean_power(f.iter().copied())).collect();
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

/// What the fit needs of a whole recording, in the order of the weights; for `scripts/fit_ear.py` alone.
#[doc(hidden)]
pub mod fitting {
    use super::*;

    /// Sample of each candidate, its first features, its timing features, its level.
    pub type Row = (usize, Vec<f32>, Vec<f32>, f32);

    /// Powers of the short and of the long transform's bands, frame by frame, for `scripts/outside/checks.py`.
    pub fn bands(x: &[f32]) -> (Vec<Vec<f32>>, Vec<Vec<f32>>) {
        let front = Front::new(&Transforms::new(), x);
        (front.short.iter().map(|f| f.to_vec()).collect(), front.long.iter().map(|f| f.to_vec()).collect())
    }

    /// The first steps of hearing, for `scripts/hear_steps.rs`: how many frames both transforms have.
    pub fn transforms(x: &[f32]) -> usize {
        let transforms = Transforms::new();
        transforms.short.frames(x).len() + transforms.long.frames(x).len()
    }

    /// And how many candidates are placed.
    pub fn candidates(x: &[f32]) -> usize {
        Front::new(&Transforms::new(), x).candidates.len()
    }

    /// And on how many it is decided.
    pub fn decisions(x: &[f32]) -> usize {
        probabilities(model(), &Front::new(&Transforms::new(), x)).0.len()
    }

    /// First look at a recording of at most a piece.
    pub fn first_look(x: &[f32]) -> Vec<Row> {
        let front = Front::new(&Transforms::new(), x);
        let features = Features::new(&front);
        let mut rows = Vec::new();
        features.append(0..front.candidates.len(), &mut rows);
        (front.candidates.iter().zip(rows.as_chunks::<FIRST>().0).zip(&features.sketches))
            .map(|((c, row), s)| (c.at, row.to_vec(), features::timing(&front, c), s.level))
            .collect()
    }

    /// Second look, given the first decision on every candidate: index and added numbers.
    pub fn second_look(x: &[f32], p: &[f32]) -> Vec<(usize, Vec<f32>)> {
        let front = Front::new(&Transforms::new(), x);
        second::look(&Features::new(&front).sketches, p).into_iter().map(|(i, added)| (i, added.to_vec())).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Damped tones of 4 kHz, 3 ms, twice a second from `first` on, in noise of the width, peak to peak, that `noise`
    /// gives at each moment.
    fn clicks(seconds: f64, first: f64, noise: impl Fn(f64) -> f64) -> Heard {
        let rate = f64::from(EAR_RATE.get());
        let mut dice = 1u32;
        let x: Vec<f32> = (0..samples(seconds))
            .map(|n| {
                dice = dice.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let (at, t) = (n as f64 / rate, (n as f64 / rate) % 0.5);
                let click = 0.5 * (std::f64::consts::TAU * 4000.0 * t).sin() * (-t / 0.003).exp();
                let on = at >= first && at < seconds - 0.5;
                (if on { click } else { 0.0 } + noise(at) * (f64::from(dice) / f64::from(u32::MAX) - 0.5)) as f32
            })
            .collect();
        let mut ear = Ear::new();
        ear.hear(&x, &mut |_, _| {});
        ear.finish(&mut |_, _| {})
    }

    #[test]
    fn a_click_the_networks_do_not_know_is_heard_where_it_stands_out() {
        // Told for none before `stand_out`. In noise 55 dB below.
        assert_eq!(clicks(5.0, 0.5, |_| 2e-3).alone().count(), 8);
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
            let burst = |n: usize| if (n as u32).wrapping_mul(2_654_435_761) >> 31 == 0 { step } else { -3.0 * step };
            let x: Vec<f32> = (0..88_200).map(|n| if n < 4410 { burst(n) } else { 0.0 }).collect();
            ear.hear(&x, &mut |_, _| {});
            ear.finish(&mut |_, _| {}).audibility
        };
        let quietest = |step: f32| heard(step)[10].threshold.0;
        let eight_bits = 1.0 / 128.0;
        assert!((quietest(eight_bits) - (20.0 * f64::from(eight_bits).log10() - BELOW_STEP_DB)).abs() < 1e-3);
        assert!(quietest(1.0 / 32768.0) < -90.0);
        assert!(quietest(0.0) < quietest(1.0 / 32768.0));
    }
}
