//! The limited band -> how well each of the guide's sounds matches at each sample.
//!
//! Matched filter: correlation with the sound put through the same limiter, weighted by its own envelope, of unit energy.
//! By fast convolution (overlap-save).

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::limit::{Limited, limit};
use super::low::{Band, LOW_HZ, Low};
use crate::guide::Sound;
use crate::stats::{MAD_TO_SD, quantile};
use crate::units::EAR_RATE;

/// Silence around a sound before it is limited: the limiter's filters ring.
const AROUND: usize = 100;
/// A sound's envelope is its level over this many samples, 2 ms.
const ENVELOPE: usize = 22;
/// Shortest transform.
const SHORTEST: usize = 4096;
/// From the median of absolute values to the standard deviation of Gaussian noise.
pub(super) const TO_SIGMA: f32 = MAD_TO_SD as f32;

/// The limiter makes noise of any level match by 3 to 4 (takes of `scripts/measuring/measure_leak.py`, white noise); where it is less
/// there is silence without any noise, in which everything would stand out.
const LEAST_NOISE: f32 = 0.5;

/// Recordings up to this long, in samples of the low band (3 min), are matched as a whole and once.
const SHORT: usize = 3 * 60 * LOW_HZ as usize;
/// So many values at most tell how a sound's matches spread: the middle of half a million is known to .1 %.
const SPREAD_BY: usize = 500_000;
/// Every so manieth value at least.
const EVERY: usize = 7;

/// How well a sound matches, sample by sample.
pub(super) struct Match {
    /// From which samples of the low band on it is known how well: values where the sound would begin there, in units of its
    /// own noise. In order.
    known: Vec<(usize, Vec<f32>)>,
}

impl Match {
    /// Value where the sound would begin at sample `at`; `None` where it is not known.
    pub(super) fn at(&self, at: usize) -> Option<f32> {
        let next = self.known.partition_point(|(from, _)| *from <= at);
        let (from, values) = self.known.get(next.checked_sub(1)?)?;
        values.get(at - from).copied()
    }

    /// Values from `from` on, zero where none is known.
    pub(super) fn around(&self, from: i64, out: &mut [f32]) {
        for (k, v) in (from..).zip(out) {
            *v = usize::try_from(k).ok().and_then(|k| self.at(k)).unwrap_or(0.0);
        }
    }

    /// All values of a match that is known from the first sample on.
    pub(super) fn values(&self) -> &[f32] {
        self.known.first().map_or(&[], |(_, values)| values)
    }
}

/// A sound as it comes out of the limiter, and where it begins there.
fn template(sound: Sound) -> Vec<f32> {
    let mut low = Low::new();
    let quarter = super::low::QUARTER;
    low.push(&vec![0.0; AROUND * quarter]);
    low.push(&sound.samples(EAR_RATE));
    low.push(&vec![0.0; AROUND * quarter]);
    let plain = low.finish().samples();
    let limited = limit(&plain);
    let level = |i: usize| {
        let near = &plain[i.saturating_sub(ENVELOPE / 2)..(i + ENVELOPE / 2 + 1).min(plain.len())];
        (near.iter().map(|v| v * v).sum::<f32>() / near.len().max(1) as f32).sqrt()
    };
    let mut out: Vec<f32> = limited.iter().enumerate().map(|(i, v)| v * level(i)).collect();
    let norm = out.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-12);
    for v in &mut out {
        *v /= norm;
    }
    out
}

/// Finds sounds in the low band.
pub(super) struct Matcher {
    sounds: Vec<Sound>,
    spectra: Vec<Vec<Complex<f32>>>,
    longest: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Room for a piece of the band, and for its spectrum and a product.
    piece: Vec<f32>,
    heard: Vec<Complex<f32>>,
    product: Vec<Complex<f32>>,
}

impl Matcher {
    pub(super) fn new(sounds: &[Sound]) -> Matcher {
        let templates: Vec<Vec<f32>> = sounds.iter().map(|s| template(*s)).collect();
        let longest = templates.iter().map(Vec::len).max().unwrap_or(0);
        let len = (4 * longest).next_power_of_two().max(SHORTEST);
        let mut planner = RealFftPlanner::<f32>::new();
        let (forward, inverse) = (planner.plan_fft_forward(len), planner.plan_fft_inverse(len));
        let mut scratch = vec![Complex::default(); forward.get_scratch_len().max(inverse.get_scratch_len())];
        let spectrum = |mut x: Vec<f32>| {
            let mut out = forward.make_output_vec();
            x.resize(len, 0.0);
            // Lengths fit by construction, so neither direction can fail.
            let _ = forward.process_with_scratch(&mut x, &mut out, &mut scratch);
            out
        };
        let spectra = templates.into_iter().map(spectrum).collect();
        Matcher {
            sounds: sounds.to_vec(),
            spectra,
            longest,
            piece: vec![0.0; len],
            heard: forward.make_output_vec(),
            product: forward.make_output_vec(),
            forward,
            inverse,
            scratch,
        }
    }

    /// The sounds that are looked for, in order.
    pub(super) fn sounds(&self) -> &[Sound] {
        &self.sounds
    }

    /// Matches of all sounds where they would begin in a stretch of the low band, which is looked at by itself; the first is at
    /// sample `from`.
    pub(super) fn stretch(&mut self, low: &Band, from: usize, to: usize) -> Vec<Match> {
        // Correlation at a sample needs what follows; a sound begins AROUND after its template does.
        let begin = from.saturating_sub(AROUND);
        let limited = limit(&low.between(begin, to + self.longest));
        let count = to - from;
        let mut rows: Vec<Vec<f32>> = self.sounds.iter().map(|_| Vec::with_capacity(count)).collect();
        let piece = |first: usize, piece: &mut [f32]| {
            for (k, v) in piece.iter_mut().enumerate() {
                let at = (first + k + from).checked_sub(AROUND + begin);
                *v = at.and_then(|i| limited.get(i)).copied().unwrap_or(0.0);
            }
        };
        let kinds = 0..self.sounds.len();
        self.correlate(kinds, 0..count, piece, |kind, _, values| rows[kind].extend_from_slice(values));
        let noise: Vec<f32> =
            rows.iter().map(|row| self.noise(row.iter().step_by(EVERY).map(|v| v.abs()).collect())).collect();
        let scaled = |(mut row, noise): (Vec<f32>, f32)| {
            row.iter_mut().for_each(|v| *v /= noise);
            row
        };
        rows.into_iter().zip(noise).map(scaled).map(|row| Match { known: vec![(0, row)] }).collect()
    }

    fn noise(&self, mut some: Vec<f32>) -> f32 {
        (TO_SIGMA * quantile(&mut some, 0.5)).max(LEAST_NOISE * self.piece.len() as f32)
    }

    /// Correlates the limited band with some sounds: `fill` gives it from [`AROUND`] before a sample on, `each` gets the number
    /// of a sound, a sample, and the values there, piece by piece.
    fn correlate(
        &mut self,
        kinds: std::ops::Range<usize>,
        wanted: std::ops::Range<usize>,
        mut fill: impl FnMut(usize, &mut [f32]),
        mut each: impl FnMut(usize, usize, &[f32]),
    ) {
        let len = self.piece.len();
        let step = (len - self.longest).max(1);
        // Pieces begin at multiples of the step, so that values do not depend on what else is asked for.
        for first in (wanted.start / step * step..wanted.end).step_by(step) {
            fill(first, &mut self.piece);
            let _ = self.forward.process_with_scratch(&mut self.piece, &mut self.heard, &mut self.scratch);
            for kind in kinds.clone() {
                let template = &self.spectra[kind];
                for ((p, a), b) in self.product.iter_mut().zip(&self.heard).zip(template) {
                    *p = a * b.conj();
                }
                // The first and last number of a real spectrum are real.
                for edge in [0, len / 2] {
                    self.product[edge].im = 0.0;
                }
                let _ = self.inverse.process_with_scratch(&mut self.product, &mut self.piece, &mut self.scratch);
                let (from, to) = (wanted.start.max(first), wanted.end.min(first + step));
                each(kind, from, &self.piece[from - first..to - first]);
            }
        }
    }
}

/// Matches anywhere in a recording: of a short one all at once, of a long one where they are asked for, so that an hour needs no more
/// memory than some minutes do.
pub(super) struct Whole<'a> {
    limited: Limited<'a>,
    /// Samples of the recording.
    count: usize,
    /// Noise of each sound's matches.
    noise: Vec<f32>,
    all: Option<Vec<Match>>,
}

impl<'a> Whole<'a> {
    pub(super) fn of(matcher: &mut Matcher, low: &'a Band) -> Whole<'a> {
        let (count, sounds) = (low.len(), matcher.sounds.len());
        let mut limited = Limited::of(low);
        let every = EVERY * count.div_ceil(EVERY * SPREAD_BY).max(1);
        let mut some: Vec<Vec<f32>> = vec![Vec::with_capacity(count / every + 1); sounds];
        let mut rows: Option<Vec<Vec<f32>>> = (count <= SHORT).then(|| vec![Vec::with_capacity(count); sounds]);
        let fill = |first: usize, piece: &mut [f32]| limited.fill(first as i64 - AROUND as i64, piece);
        matcher.correlate(0..sounds, 0..count, fill, |kind, from, values| {
            let first = from.next_multiple_of(every) - from;
            some[kind].extend(values.iter().skip(first).step_by(every).map(|v| v.abs()));
            if let Some(rows) = &mut rows {
                rows[kind].extend_from_slice(values);
            }
        });
        let noise: Vec<f32> = some.into_iter().map(|some| matcher.noise(some)).collect();
        let all = rows.map(|rows| {
            let scaled = |(mut row, noise): (Vec<f32>, &f32)| {
                row.iter_mut().for_each(|v| *v /= noise);
                Match { known: vec![(0, row)] }
            };
            rows.into_iter().zip(&noise).map(scaled).collect()
        });
        Whole { limited, count, noise, all }
    }

    /// Samples of the recording.
    pub(super) fn count(&self) -> usize {
        self.count
    }

    /// Does something with matches that are known in these stretches, of which each names a sound by its number, in order.
    pub(super) fn with<T>(
        &mut self,
        matcher: &mut Matcher,
        stretches: impl Iterator<Item = (usize, std::ops::Range<usize>)> + Clone,
        work: impl FnOnce(&[Match]) -> T,
    ) -> T {
        if let Some(all) = &self.all {
            return work(all);
        }
        let mut out: Vec<Match> = Vec::new();
        for kind in 0..matcher.sounds.len() {
            let own = stretches.clone().filter(|s| s.0 == kind).map(|s| s.1);
            out.push(Match { known: self.known(matcher, kind, own) });
        }
        work(&out)
    }

    /// Values of a sound in some stretches.
    fn known(
        &mut self,
        matcher: &mut Matcher,
        kind: usize,
        stretches: impl Iterator<Item = std::ops::Range<usize>>,
    ) -> Vec<(usize, Vec<f32>)> {
        let Whole { limited, count, noise, .. } = self;
        let mut joined: Vec<std::ops::Range<usize>> = Vec::new();
        for stretch in stretches.map(|s| s.start.min(*count)..s.end.min(*count)).filter(|s| !s.is_empty()) {
            match joined.last_mut() {
                Some(last) if stretch.start <= last.end => last.end = last.end.max(stretch.end),
                _ => joined.push(stretch),
            }
        }
        let mut out = Vec::with_capacity(joined.len());
        for stretch in joined {
            let (from, mut row) = (stretch.start, Vec::with_capacity(stretch.len()));
            let fill = |first: usize, piece: &mut [f32]| limited.fill(first as i64 - AROUND as i64, piece);
            let each = |kind: usize, _, values: &[f32]| row.extend(values.iter().map(|v| v / noise[kind]));
            matcher.correlate(kind..kind + 1, stretch, fill, each);
            out.push((from, row));
        }
        out
    }
}
