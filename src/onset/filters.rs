//! Stretches of a piece -> the power of three filtered copies, sample by sample.
//!
//! A stick's click, a body's thump and what stands between begin to stand out of the noise in different bands. A filter
//! of second order needs its last output before the next, so eight stretches are filtered side by side, each in its own
//! lane of a register.

use std::ops::Range;

use fearless_simd::{f32x8, prelude::*};

use super::lanes::{sum, transpose};
use crate::units::EAR_RATE;

/// How many filtered copies are looked at.
pub(crate) const STREAMS: usize = 3;
/// How many stretches are filtered at once.
pub(crate) const ABREAST: usize = 8;

/// Corner frequencies of the streams in hertz: all but rumble; a stick's click; a bucket's body.
const HIGH_HZ: f64 = 300.0;
const HIGHER_HZ: f64 = 2000.0;
const BAND_HZ: (f64, f64) = (150.0, 1500.0);
/// The filters' settling: ten time constants of the slowest (150 Hz).
pub(super) const SETTLE_MS: f64 = 15.0;

/// Share of a sine's power that passes a stream: `1 / (1 + (cut / f)^4)` for a high-pass of second order (Butterworth 1930),
/// the other way round for a low-pass.
pub(crate) fn passes(stream: usize, hertz: f64) -> f64 {
    let high = |cut: f64| 1.0 / (1.0 + (cut / hertz).powi(4));
    let low = |cut: f64| 1.0 / (1.0 + (hertz / cut).powi(4));
    match stream {
        0 => high(HIGH_HZ),
        1 => high(HIGHER_HZ),
        _ => high(BAND_HZ.0) * low(BAND_HZ.1),
    }
}

/// Samples in a length of time, rounded down.
pub(crate) fn samples(ms: f64) -> isize {
    (ms * f64::from(EAR_RATE.get()) / 1e3) as isize
}

/// A second-order section, transposed direct form II.
#[derive(Clone, Copy)]
struct Section {
    b: [f32; 3],
    a: [f32; 2],
}

/// Second-order Butterworth high- or low-pass by the bilinear transform (Oppenheim & Schafer; RBJ cookbook form).
fn butterworth(cut_hz: f64, high: bool) -> Section {
    let w = 2.0 * std::f64::consts::PI * cut_hz / f64::from(EAR_RATE.get());
    let (sin, cos) = w.sin_cos();
    let alpha = sin / std::f64::consts::SQRT_2;
    let a0 = 1.0 + alpha;
    let (b0, b1) = if high { ((1.0 + cos) / 2.0, -(1.0 + cos)) } else { ((1.0 - cos) / 2.0, 1.0 - cos) };
    Section {
        b: [(b0 / a0) as f32, (b1 / a0) as f32, (b0 / a0) as f32],
        a: [(-2.0 * cos / a0) as f32, ((1.0 - alpha) / a0) as f32],
    }
}

/// One step of a section in every lane: the input sample, the section, its two memories.
#[inline(always)]
fn step<S: Simd>(v: f32x8<S>, section: Section, z: &mut [f32x8<S>; 2]) -> f32x8<S> {
    // The next sample waits for this one's output: what it does not need is added up before it.
    let y = v.mul_add(section.b[0], z[0]);
    z[0] = y.mul_add(-section.a[0], v.mul_add(section.b[1], z[1]));
    z[1] = y.mul_add(-section.a[1], v * section.b[2]);
    y
}

/// Squares of the filtered copies of a stretch of the piece.
#[derive(Default)]
pub(crate) struct Stretch {
    /// Sample of the piece at index 0 (may lie before the piece: silence there).
    pub(crate) start: isize,
    pub(crate) squares: [Vec<f32>; STREAMS],
}

impl Stretch {
    /// Index into the copies of a sample of the piece.
    pub(crate) fn index(&self, sample: isize) -> usize {
        (sample - self.start).clamp(0, self.squares[0].len() as isize) as usize
    }

    /// Mean power of a stream between two samples of the piece.
    #[inline(always)]
    pub(crate) fn power<S: Simd>(&self, simd: S, stream: usize, from: isize, to: isize) -> f32 {
        let (from, to) = (self.index(from), self.index(to));
        if from < to { sum(simd, &self.squares[stream][from..to]) / (to - from) as f32 } else { 0.0 }
    }
}

/// The filters of the three streams.
pub(crate) struct Filters {
    high: Section,
    higher: Section,
    band_low: Section,
    band_high: Section,
}

impl Filters {
    pub(crate) fn new() -> Self {
        Filters {
            high: butterworth(HIGH_HZ, true),
            higher: butterworth(HIGHER_HZ, true),
            band_low: butterworth(BAND_HZ.0, true),
            band_high: butterworth(BAND_HZ.1, false),
        }
    }

    /// Filters up to [`ABREAST`] stretches of `x`, each settled by what comes before it; outside the piece is silence.
    #[inline(always)]
    pub(crate) fn run<S: Simd>(&self, simd: S, x: &[f32], spans: &[Range<isize>], out: &mut [Stretch; ABREAST]) {
        let settle = samples(SETTLE_MS);
        let mut length = 0;
        for span in spans {
            length = length.max((span.end - span.start + settle).max(0) as usize);
        }
        let length = length.next_multiple_of(ABREAST);
        let mut edges: [Vec<f32>; ABREAST] = Default::default();
        for (lane, edge) in edges.iter_mut().enumerate() {
            let start = spans.get(lane).map_or(isize::MIN, |span| span.start - settle);
            out[lane].start = start;
            for squares in &mut out[lane].squares {
                squares.resize(length, 0.0);
            }
            if inside(x, start, length).is_none() {
                edge.extend((0..length as isize).map(|i| sample(x, start.saturating_add(i))));
            }
        }
        let mut sources = [&[0.0f32; 0][..]; ABREAST];
        let mut first = f32x8::splat(simd, 0.0);
        for (lane, source) in sources.iter_mut().enumerate() {
            *source = inside(x, out[lane].start, length).unwrap_or(&edges[lane]);
            first.as_mut_slice()[lane] = source.first().copied().unwrap_or(0.0);
        }
        let zero = f32x8::splat(simd, 0.0);
        let mut z = [[zero; 2]; 4];
        for at in (0..length).step_by(ABREAST) {
            let mut rows = [zero; ABREAST];
            for (row, source) in rows.iter_mut().zip(&sources) {
                *row = f32x8::from_slice(simd, &source[at..at + ABREAST]);
            }
            let columns = transpose(rows);
            let mut copies = [[zero; ABREAST]; STREAMS];
            for k in 0..ABREAST {
                // Measured from the first sample, not from zero: a step would ring.
                let v = columns[k] - first;
                let high = step(v, self.high, &mut z[0]);
                let higher = step(v, self.higher, &mut z[1]);
                let band = step(step(v, self.band_low, &mut z[2]), self.band_high, &mut z[3]);
                copies[0][k] = high * high;
                copies[1][k] = higher * higher;
                copies[2][k] = band * band;
            }
            for (stream, copy) in copies.into_iter().enumerate() {
                let rows = transpose(copy);
                for (row, stretch) in rows.iter().zip(out.iter_mut()) {
                    row.store_slice(&mut stretch.squares[stream][at..at + ABREAST]);
                }
            }
        }
    }
}

/// `length` samples from `start` on, if they all lie in the piece.
fn inside(x: &[f32], start: isize, length: usize) -> Option<&[f32]> {
    let start = usize::try_from(start).ok()?;
    x.get(start..start.checked_add(length)?)
}

fn sample(x: &[f32], at: isize) -> f32 {
    usize::try_from(at).ok().and_then(|at| x.get(at)).copied().unwrap_or(0.0)
}

#[cfg(test)]
#[allow(clippy::single_range_in_vec_init)] // one span is meant
mod tests {
    use super::*;
    use fearless_simd::{Level, dispatch};

    fn run(x: &[f32], spans: &[Range<isize>]) -> [Stretch; ABREAST] {
        let mut out = Default::default();
        dispatch!(Level::new(), simd => Filters::new().run(simd, x, spans, &mut out));
        out
    }

    #[test]
    fn a_high_pass_stops_a_constant_and_passes_the_top() {
        let found = run(&[1.0; 4000], &[2000..4000]);
        // What is filled up behind the span is no part of it.
        let end = found[0].index(4000);
        assert!(found[0].squares[0][..end].iter().all(|v| *v < 1e-8));
        let top: Vec<f32> = (0..4000).map(|n| if n % 2 == 0 { 1.0 } else { -1.0 }).collect();
        let found = run(&top, &[2000..4000]);
        assert!((found[0].squares[0][end - 1] - 1.0).abs() < 2e-3);
    }

    #[test]
    fn a_sine_at_a_corner_is_halved_in_power_and_what_passes_is_known() {
        // Definition of the Butterworth filter: half the power at the corner frequency.
        for (hertz, stream, share) in [(HIGH_HZ, 0, 0.5), (HIGHER_HZ, 1, 0.5), (450.0, 2, 0.98)] {
            let step = 2.0 * std::f64::consts::PI * hertz / f64::from(EAR_RATE.get());
            let x: Vec<f32> = (0..20_000).map(|n| (n as f64 * step).sin() as f32).collect();
            let found = run(&x, &[5000..18_230]);
            let mean = dispatch!(Level::new(), simd => found[0].power(simd, stream, 5000, 18_230));
            assert!((mean - share / 2.0).abs() < 2e-3, "{mean} at {hertz}");
            assert!((passes(stream, hertz) - f64::from(share)).abs() < 2e-3, "{hertz}");
        }
    }

    #[test]
    fn stretches_filtered_abreast_are_those_filtered_alone() {
        let x = crate::rng::Rng(1).noise(30_000, 0.8);
        let spans: Vec<Range<isize>> = (0..7).map(|k| k * 4000 - 100..k * 4000 + 2000 + 500 * k).collect();
        let together = run(&x, &spans);
        for (lane, span) in spans.iter().enumerate() {
            let alone = run(&x, std::slice::from_ref(span));
            for stream in 0..STREAMS {
                let length = alone[0].squares[stream].len();
                assert_eq!(alone[0].squares[stream], together[lane].squares[stream][..length], "{lane} {stream}");
            }
        }
    }
}
