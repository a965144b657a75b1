//! Samples -> what a take can be trusted for: clipping, dropouts, silence.
//!
//! Works on the one channel that is heard, at the recording's own rate, before anything has changed the samples. Pure.

use crate::units::{SampleRate, Samples, Seconds};

/// A sample at or above this share of full scale may be clipped.
/// Common practice; the lowest full-scale value there is, 127/128 in 8 bits, lies above it.
const FULL: f32 = 0.99;
/// So many full samples of one sign in a row are clipping: a peak of band-limited sound that stays above 0.99 that long
/// without being cut would have to be slower than a strike's. Common practice.
const FULL_RUN: u64 = 3;
/// Exact silence shorter than this between sounds is no dropout. Sound cards lose whole blocks, and blocks below 64
/// samples (1.5 ms) are not in use; in 16 bits, quiet sound has a few zeros in a row by itself.
const MIN_GAP: Seconds = Seconds::from_millis(1.5);
/// How much sound before a gap says how loud it was when it broke off.
const BEFORE_GAP: Seconds = Seconds::from_millis(3.0);
/// Sound that broke off stood at this part of its level or more at its last sample; sound that was faded out
/// (a noise gate, an editor) does not. A choice: three quarters of a sine's samples lie above 0.38 of its peak.
const BROKEN_OFF: f32 = 0.25;
/// Below this level (root mean square) nothing is said about gaps: the last steps of 16 bits look broken off by themselves.
const QUIET: f32 = 1e-3;
/// Nor below so many of the recording's own steps: sound kept in 8 bits breaks off at every turn.
const QUIET_STEPS: f32 = 16.0;

/// What a take can be trusted for. Complete when its [`Source`](super::Source) has ended.
#[derive(Clone, Debug, PartialEq)]
pub struct Facts {
    /// Samples given out, at the ear's rate.
    pub samples: Samples,
    /// Length of what was decoded.
    pub length: Seconds,
    /// Share of the samples that are clipped: three or more in a row at full scale.
    pub clipped: f64,
    /// How often the sound breaks off into exact silence and comes back: samples were lost while recording.
    pub dropouts: u32,
    /// How long these silences last together.
    pub dropped: Seconds,
    /// How often the file's own time says that a piece was left out (filled with silence, so that later strikes stand
    /// where they were played), and for how long together.
    pub gaps: (u32, Seconds),
    /// From where to where sound is lost, because it could not be decoded or was left out: silence stands there.
    pub holes: Vec<(Seconds, Seconds)>,
    /// Samples that are no numbers, replaced by silence.
    pub not_numbers: u64,
    /// Why the take ends earlier than the file promises, if it does.
    pub truncated: Option<String>,
    /// Highest absolute sample; 1 is full scale.
    pub peak: f32,
    /// No sound at all: every sample the same.
    pub flat: bool,
    /// The channel that was heard at the end.
    pub heard: super::Heard,
    /// How often another channel took over because the one that was heard fell silent.
    pub channel_changes: u32,
}

/// Watches samples go by.
pub(super) struct Gauge {
    min_gap: usize,
    before: usize,
    pub(super) samples: u64,
    pub(super) not_numbers: u64,
    clipped: u64,
    full_run: i64,
    zeros: usize,
    /// Whether the sound broke off into the zeros that are being counted.
    broke_off: bool,
    /// The last `before + min_gap` samples.
    recent: Vec<f32>,
    pub(super) dropouts: u32,
    dropped: u64,
    low: f32,
    high: f32,
}

impl Gauge {
    pub(super) fn new(rate: SampleRate) -> Gauge {
        let in_samples = |time: Seconds| (time.get() * f64::from(rate.get())).ceil() as usize;
        let (min_gap, before) = (in_samples(MIN_GAP), in_samples(BEFORE_GAP));
        Gauge {
            min_gap,
            before,
            samples: 0,
            not_numbers: 0,
            clipped: 0,
            full_run: 0,
            zeros: 0,
            broke_off: false,
            recent: vec![0.0; before + min_gap],
            dropouts: 0,
            dropped: 0,
            low: f32::INFINITY,
            high: f32::NEG_INFINITY,
        }
    }

    /// Looks at the next samples.
    pub(super) fn watch(&mut self, samples: &[f32]) {
        self.samples += samples.len() as u64;
        for piece in samples.chunks(1024) {
            let Range { low, high, zeros } = range(piece);
            self.low = self.low.min(low);
            self.high = self.high.max(high);
            self.clipping(piece, low.abs().max(high.abs()));
            self.gaps(piece, zeros);
            let keep = (self.min_gap + self.before).min(piece.len());
            self.recent.drain(..keep.min(self.recent.len()));
            self.recent.extend_from_slice(piece.get(piece.len() - keep..).unwrap_or_default());
        }
    }

    fn clipping(&mut self, piece: &[f32], peak: f32) {
        if peak < FULL && self.full_run == 0 {
            return;
        }
        for x in piece {
            let sign = if *x >= FULL { 1 } else { -i64::from(*x <= -FULL) };
            if sign != 0 && sign == self.full_run.signum() {
                self.full_run += sign;
            } else {
                self.end_full_run();
                self.full_run = sign;
            }
        }
    }

    fn end_full_run(&mut self) {
        if self.full_run.unsigned_abs() >= FULL_RUN {
            self.clipped += self.full_run.unsigned_abs();
        }
        self.full_run = 0;
    }

    fn gaps(&mut self, piece: &[f32], long_zeros: bool) {
        if !long_zeros && self.zeros < LANES {
            // No gap ends or can have begun here; only the zeros at the very end may be the beginning of one.
            self.zeros = piece.iter().rev().take_while(|x| is_zero(**x)).count();
            self.broke_off = false;
            return;
        }
        for (at, x) in piece.iter().enumerate() {
            if !is_zero(*x) {
                self.end_gap();
            } else {
                self.zeros += 1;
                if self.zeros == self.min_gap {
                    let both: Vec<f32> =
                        self.recent.iter().chain(piece.get(..=at).unwrap_or_default()).copied().collect();
                    let start = both.len() - self.min_gap;
                    self.broke_off = both.get(start - self.before..start).is_some_and(breaks_off);
                }
            }
        }
    }

    fn end_gap(&mut self) {
        if self.broke_off && self.zeros >= self.min_gap {
            self.dropouts += 1;
            self.dropped += self.zeros as u64;
        }
        self.zeros = 0;
    }

    /// Share of clipped samples so far.
    pub(super) fn clipped(&self) -> f64 {
        let open = if self.full_run.unsigned_abs() >= FULL_RUN { self.full_run.unsigned_abs() } else { 0 };
        if self.samples == 0 { 0.0 } else { (self.clipped + open) as f64 / self.samples as f64 }
    }

    /// Length of the dropouts so far.
    pub(super) fn dropped(&self, rate: SampleRate) -> Seconds {
        Samples(self.dropped).to_seconds(rate)
    }

    /// Highest absolute sample so far.
    pub(super) fn peak(&self) -> f32 {
        if self.samples == 0 { 0.0 } else { self.low.abs().max(self.high.abs()) }
    }

    /// Whether every sample so far is the same.
    pub(super) fn flat(&self) -> bool {
        self.low >= self.high || self.samples == 0
    }
}

/// Whether sound stops in full swing at the end of these samples.
fn breaks_off(samples: &[f32]) -> bool {
    let level = (samples.iter().map(|x| x * x).sum::<f32>() / samples.len().max(1) as f32).sqrt();
    // In coarse steps the smallest sample is one of them; in fine ones it is far below.
    let step = samples.iter().map(|x| x.abs()).filter(|x| *x > 0.0).fold(f32::INFINITY, f32::min);
    level > QUIET.max(QUIET_STEPS * step) && samples.last().is_some_and(|last| last.abs() > BROKEN_OFF * level)
}

struct Range {
    low: f32,
    high: f32,
    /// Whether [`LANES`] in a row may be exact zeros.
    zeros: bool,
}

/// So many samples are looked at side by side, which lets the compiler do it at once.
const LANES: usize = 8;

fn is_zero(x: f32) -> bool {
    x.to_bits() << 1 == 0
}

fn range(samples: &[f32]) -> Range {
    let (mut low, mut high, mut zeros) = ([f32::INFINITY; LANES], [f32::NEG_INFINITY; LANES], false);
    let mut look = |lane: &[f32; LANES]| {
        let mut bits = 0;
        for k in 0..LANES {
            low[k] = if lane[k] < low[k] { lane[k] } else { low[k] };
            high[k] = if lane[k] > high[k] { lane[k] } else { high[k] };
            bits |= lane[k].to_bits() << 1;
        }
        zeros |= bits == 0;
    };
    let (lanes, rest) = samples.as_chunks::<LANES>();
    lanes.iter().for_each(&mut look);
    if let Some(last) = rest.last() {
        let mut lane = [*last; LANES];
        lane.iter_mut().zip(rest).for_each(|(slot, x)| *slot = *x);
        look(&lane);
    }
    Range {
        low: low.into_iter().fold(f32::INFINITY, f32::min),
        high: high.into_iter().fold(f32::NEG_INFINITY, f32::max),
        zeros,
    }
}

/// A sample a million times above full scale is no sound.
const ABSURD: f32 = 1e6;

/// Replaces what is no number, or [`ABSURD`], by silence; says how many.
pub(super) fn silence_nonsense(samples: &mut [f32]) -> u64 {
    let sound = |x: f32| x.abs() <= ABSURD;
    let mut count = 0;
    for piece in samples.chunks_mut(256) {
        let (lanes, rest) = piece.as_chunks::<LANES>();
        let mut all = [true; LANES];
        for lane in lanes {
            for k in 0..LANES {
                all[k] &= sound(lane[k]);
            }
        }
        if all.contains(&false) || !rest.iter().all(|x| sound(*x)) {
            for x in piece.iter_mut().filter(|x| !sound(**x)) {
                *x = 0.0;
                count += 1;
            }
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;

    fn gauge(samples: &[f32]) -> Gauge {
        let mut whole = Gauge::new(SampleRate::new(44_100).unwrap());
        whole.watch(samples);
        let mut pieces = Gauge::new(SampleRate::new(44_100).unwrap());
        samples.chunks(7).for_each(|piece| pieces.watch(piece));
        assert_eq!((whole.clipped, whole.dropouts, whole.dropped), (pieces.clipped, pieces.dropouts, pieces.dropped));
        whole
    }

    fn tone(len: usize, amplitude: f32) -> Vec<f32> {
        (0..len).map(|k| amplitude * (0.1 * k as f32 + 0.5).sin()).collect()
    }

    #[test]
    fn cut_peaks_are_counted_and_high_ones_are_not() {
        assert!(gauge(&tone(44_100, 0.98)).clipped() < 1e-9);
        let cut: Vec<f32> = tone(44_100, 2.0).iter().map(|x| x.clamp(-1.0, 1.0)).collect();
        // A sine of twice full scale is above it for two thirds of the time.
        assert!((gauge(&cut).clipped() - 2.0 / 3.0).abs() < 0.02);
        assert_eq!(gauge(&[1.0, 1.0, 0.0, 1.0, -1.0, 1.0, -1.0, -1.0]).clipped, 0);
        assert_eq!(gauge(&[1.0, 1.0, 1.0, 0.0]).clipped, 3);
        assert!((gauge(&[0.0, -1.0, -1.0, -1.0]).clipped() - 0.75).abs() < 1e-9);
    }

    #[test]
    fn sound_that_breaks_off_is_a_dropout_and_sound_that_fades_is_not() {
        let full_swing = |tone: &[f32], from: usize| (from..).find(|k| tone[k - 1].abs() > 0.2).unwrap();
        let mut lost = tone(20_000, 0.3);
        let (long, short) = (full_swing(&lost, 5_000), full_swing(&lost, 15_000));
        lost[long..long + 256].fill(0.0);
        lost[short..short + 60].fill(0.0);
        let got = gauge(&lost);
        assert_eq!((got.dropouts, got.dropped), (1, 256));
        let mut gated = tone(20_000, 0.3);
        for (k, x) in gated[..5_000].iter_mut().enumerate() {
            *x *= (1.0 - k as f32 / 5_000.0).powi(2);
        }
        gated[5_000..9_000].fill(0.0);
        assert_eq!(gauge(&gated).dropouts, 0);
        let mut ends = tone(20_000, 0.3);
        ends[15_000..].fill(0.0);
        ends[..500].fill(0.0);
        assert_eq!(gauge(&ends).dropouts, 0);
    }

    #[test]
    fn silence_and_a_constant_are_flat() {
        assert!(gauge(&[0.0; 100]).flat() && gauge(&[0.25; 100]).flat());
        assert!(!gauge(&[0.25, 0.25, 0.5]).flat());
    }

    #[test]
    fn what_is_no_number_is_silenced_and_counted() {
        let mut samples = vec![0.5; 1000];
        samples[3] = f32::NAN;
        samples[500] = f32::NEG_INFINITY;
        samples[999] = 1e30;
        samples[700] = -32_768.0;
        assert_eq!(silence_nonsense(&mut samples), 3);
        assert_eq!((samples[3], samples[500], samples[999], samples[700]), (0.0, 0.0, 0.0, -32_768.0));
    }
}
