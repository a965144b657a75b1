//! Samples at any rate -> samples at the ear's rate, without moving them in time.
//!
//! Synchronous resampling in the frequency domain (`rubato`), in blocks whose delay is a whole number of samples on both
//! sides, so that it can be taken off exactly: sample `n` of the input stands at `n * out / in` in the output.
//! At the ear's own rate samples pass through untouched. Pure.

use rubato::audioadapter_buffers::direct::SequentialSlice;
use rubato::{Fft, FixedSync, Resampler as _, WindowFunction};

use crate::units::SampleRate;

/// Shortest block, in samples of the lower of both rates. The anti-aliasing filter is as long as a block: at 48 kHz this
/// keeps everything up to 20 kHz (-3 dB at 21 kHz), and what it rings before a click has fallen by 40 dB 0.4 ms before
/// it. Longer filters keep a little more and ring longer. Measured with an impulse.
const MIN_BLOCK: usize = 256;
/// Lowest rate at which strikes can be placed: it leaves the band up to 8 kHz, in which a stick's attack stands out.
pub const MIN_RATE: SampleRate = rate(16_000);
/// Highest rate that recorders use, twice over.
pub const MAX_RATE: SampleRate = rate(384_000);

const fn rate(hertz: u32) -> SampleRate {
    match SampleRate::new(hertz) {
        Some(rate) => rate,
        None => unreachable!(),
    }
}

/// Brings one channel to another rate, block by block.
pub(crate) struct Resampler {
    ratio: (u64, u64),
    fft: Option<Blocks>,
    read: u64,
    written: u64,
}

struct Blocks {
    fft: Fft<f32>,
    pending: Vec<f32>,
    block: Vec<f32>,
    /// Samples of the filter's delay still to be dropped.
    delay: usize,
}

impl Resampler {
    /// `None` only if the resampling library refuses, which it does for no rate above zero.
    pub(crate) fn new(from: SampleRate, to: SampleRate) -> Option<Resampler> {
        let (from, to) = (from.get() as usize, to.get() as usize);
        let ratio = (to as u64, from as u64);
        if from == to {
            return Some(Resampler { ratio, fft: None, read: 0, written: 0 });
        }
        // Two units of the reduced ratio make the lengths even on both sides and the delay, half a block, whole.
        let unit = 2 * from / gcd(from, to);
        let shortest = if from > to { MIN_BLOCK * from / to } else { MIN_BLOCK };
        let block = shortest.div_ceil(unit) * unit;
        let fft = Fft::new_custom(from, to, block, 1, 1, WindowFunction::BlackmanHarris2, FixedSync::Both).ok()?;
        let (delay, len) = (fft.output_delay(), fft.output_frames_max());
        let blocks = Blocks { fft, pending: Vec::new(), block: vec![0.0; len], delay };
        Some(Resampler { ratio, fft: Some(blocks), read: 0, written: 0 })
    }

    /// Takes more samples and appends what can be said so far.
    pub(crate) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.read += samples.len() as u64;
        let before = out.len();
        match &mut self.fft {
            None => out.extend_from_slice(samples),
            Some(blocks) => blocks.push(samples, out),
        }
        self.written += (out.len() - before) as u64;
    }

    /// Appends the rest. The output lasts as long as the input, rounded up to a whole sample.
    pub(crate) fn finish(&mut self, out: &mut Vec<f32>) {
        let due = (self.read * self.ratio.0).div_ceil(self.ratio.1);
        let Some(blocks) = &mut self.fft else { return };
        while self.written < due {
            let before = out.len();
            blocks.push(&vec![0.0; blocks.fft.input_frames_next()], out);
            self.written += (out.len() - before) as u64;
        }
        out.truncate(out.len() - usize::try_from(self.written - due).unwrap_or(0).min(out.len()));
        self.written = due;
    }
}

impl Blocks {
    fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.pending.extend_from_slice(samples);
        let step = self.fft.input_frames_next().max(1);
        let mut used = 0;
        while let Some(input) = self.pending.get(used..used + step) {
            let len = self.block.len();
            let done = match (SequentialSlice::new(input, 1, step), SequentialSlice::new_mut(&mut self.block, 1, len)) {
                (Ok(input), Ok(mut output)) => {
                    self.fft.process_into_buffer(&input, &mut output, None).map_or(0, |n| n.1)
                }
                _ => 0,
            };
            let late = self.delay.min(done);
            self.delay -= late;
            out.extend_from_slice(self.block.get(late..done).unwrap_or_default());
            used += step;
        }
        self.pending.drain(..used);
    }
}

fn gcd(a: usize, b: usize) -> usize {
    if b == 0 { a } else { gcd(b, a % b) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::EAR_RATE;

    const RATES: [u32; 17] = [
        8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 37_800, 44_056, 44_100, 47_952, 48_000, 64_000, 88_200,
        96_000, 176_400, 192_000,
    ];

    fn resampled(rate: u32, samples: &[f32], piece: usize) -> Vec<f32> {
        let mut resampler = Resampler::new(SampleRate::new(rate).unwrap(), EAR_RATE).unwrap();
        let mut out = Vec::new();
        samples.chunks(piece).for_each(|piece| resampler.push(piece, &mut out));
        resampler.finish(&mut out);
        out
    }

    /// Centre of gravity of the energy: where a symmetric click stands, to a small part of a sample.
    fn centre(samples: &[f32]) -> f64 {
        let (mut weight, mut sum) = (0.0, 0.0);
        for (at, x) in samples.iter().enumerate() {
            let energy = f64::from(*x).powi(2);
            weight += energy;
            sum += energy * at as f64;
        }
        sum / weight
    }

    #[test]
    fn an_impulse_stays_where_it_is_at_every_rate() {
        for rate in RATES {
            let at = rate as usize / 5 + 7;
            let mut samples = vec![0.0; rate as usize / 2];
            samples[at] = 1.0;
            let out = resampled(rate, &samples, 1000);
            let error_s = centre(&out) / f64::from(EAR_RATE.get()) - at as f64 / f64::from(rate);
            // Half a sample of the ear's rate is 11 microseconds; a wrong delay is at least that.
            assert!(error_s.abs() < 2e-6, "{rate} Hz: {error_s} s");
        }
    }

    #[test]
    fn the_ears_own_rate_passes_through_untouched() {
        let samples: Vec<f32> = (0..5000).map(|k| ((k * k) as f32 * 0.001).sin()).collect();
        assert_eq!(resampled(44_100, &samples, 77), samples);
    }

    #[test]
    fn the_length_is_that_of_the_input_and_the_pieces_do_not_matter() {
        for rate in RATES {
            for len in [1_usize, 2, 1000, 12_345] {
                let samples: Vec<f32> = (0..len).map(|k| ((k * 7919) % 1000) as f32 / 1000.0 - 0.5).collect();
                let out = resampled(rate, &samples, 13);
                assert_eq!(out.len(), (len * 44_100).div_ceil(rate as usize), "{rate} Hz");
                assert_eq!(out, resampled(rate, &samples, 5000), "{rate} Hz");
            }
        }
    }

    #[test]
    fn tones_keep_their_level_and_what_is_above_the_new_limit_is_gone() {
        let level = |rate: u32, hz: f64| {
            let tone = |k: usize| (std::f64::consts::TAU * hz * k as f64 / f64::from(rate)).sin() as f32;
            let out = resampled(rate, &(0..rate as usize).map(tone).collect::<Vec<_>>(), 4096);
            let middle = &out[10_000..30_000];
            10.0 * (middle.iter().map(|x| f64::from(*x).powi(2)).sum::<f64>() / 10_000.0).log10()
        };
        for rate in [48_000, 96_000, 192_000] {
            for hz in [50.0, 1000.0, 10_000.0, 18_000.0] {
                assert!(level(rate, hz).abs() < 0.05, "{rate} Hz: {hz} Hz at {} dB", level(rate, hz));
            }
            assert!(level(rate, 23_900.0) < -90.0, "{rate} Hz: {} dB", level(rate, 23_900.0));
        }
        assert!(level(16_000, 6_500.0).abs() < 0.05);
    }
}
