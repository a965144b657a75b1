//! The moment the network points to -> the sample at which the attack begins.
//!
//! The change point of a window is where two stretches of different power explain it best: minimise
//! `k ln v1 + (N-k) ln v2` over `k`, `v1` and `v2` being the mean powers before and after, `v2 > v1` (the Akaike picker
//! of seismology: Maeda 1985; Zhang, Thurber & Rowe 2003). It is run on the three filtered copies of `filters`.

use std::cmp::Reverse;
use std::ops::Range;

use fearless_simd::{Level, dispatch, prelude::*};

use super::filters::{ABREAST, Filters, SETTLE_MS, STREAMS, Stretch, samples};
use super::lanes::{WIDEST, ln_of_two};
use super::network::Pointed;
use crate::units::EAR_RATE;

/// Samples in a bin of the fine envelope: .36 ms.
const ENVELOPE_BIN: usize = 16;
/// Bins of the fine envelope that lie before the attack.
const ENVELOPE_BEFORE: usize = 12;
/// Bins of the fine envelope.
pub(crate) const ENVELOPE: usize = 24;
/// Spans after and before an attack, in milliseconds, over which powers are compared.
const POWER_SPANS_MS: [(f32, f32); 6] = [(0.0, 1.0), (0.0, 3.0), (0.0, 10.0), (-1.0, 0.0), (-3.5, -0.5), (-10.0, -1.0)];

/// The filtered sound close to an attack.
#[derive(Clone)]
pub(crate) struct Near {
    /// Mean power of the 300 Hz high-pass over 0..1, 0..3, 0..10, -1..0, -3.5..-.5 and -10..-1 ms.
    pub(crate) powers: [f32; 6],
    /// Mean power of each stream in bins of .36 ms from -4.4 to +4.4 ms.
    pub(crate) envelope: [[f32; ENVELOPE]; STREAMS],
}

impl Near {
    #[inline(always)]
    fn new<S: Simd>(simd: S, stretch: &Stretch, at: isize) -> Self {
        let mut envelope = [[0.0; ENVELOPE]; STREAMS];
        for (stream, bins) in envelope.iter_mut().enumerate() {
            let mut from = at - (ENVELOPE_BIN * ENVELOPE_BEFORE) as isize;
            for bin in bins {
                *bin = stretch.power(simd, stream, from, from + ENVELOPE_BIN as isize);
                from += ENVELOPE_BIN as isize;
            }
        }
        let mut powers = [0.0; POWER_SPANS_MS.len()];
        let per_ms = EAR_RATE.get() as f32 / 1e3;
        for (power, (from, to)) in powers.iter_mut().zip(POWER_SPANS_MS) {
            *power = stretch.power(simd, 0, at + (from * per_ms).round() as isize, at + (to * per_ms).round() as isize);
        }
        Near { powers, envelope }
    }
}

/// A candidate at its sample.
#[derive(Clone)]
pub(crate) struct Candidate {
    pub(crate) pointed: Pointed,
    /// Sample of the piece where the attack begins; where nothing rises, the one pointed to.
    pub(crate) at: usize,
    /// Which stream said so.
    pub(crate) stream: usize,
    /// Where each stream put it, relative to `at`, in milliseconds.
    pub(crate) differences_ms: [f32; STREAMS],
    /// Log-likelihood gain of a change over none, per stream.
    pub(crate) gains: [f32; STREAMS],
    pub(crate) near: Near,
}

/// The three filters and their noise levels.
pub(crate) struct Placer {
    filters: Filters,
    /// Quiet power of each stream, from the short transform's floors.
    pub(crate) quiet: [f32; STREAMS],
    /// `1 / k` at `k + WIDEST`, 0 for `k <= 0`.
    inverse: Vec<f32>,
}

/// What is filtered before and after a look: the widest span, and a sample's rounding.
const SPAN_MS: f64 = 10.1;
/// Candidates within such a stretch share one filtering; eight of them fit the second nearest cache.
const LONGEST_MS: f64 = 250.0;
/// Look of the change point around the moment pointed to: a far microphone hears an attack swell for some milliseconds,
/// and the network points into it rather than to its beginning.
const LOOK_MS: (f64, f64) = (9.0, 6.0);
/// Samples of the look, rounded up to whole registers.
const LONGEST_LOOK: usize = 672;
/// Neither stretch may be shorter: a power needs some samples. Whole strides.
const LEAST_STRETCH: usize = 12;
/// Samples from one place to the next where a change is looked for first.
const STRIDE: usize = 4;
/// Share of the quiet power added to every sample, so that digital silence has no change points.
const QUIET_SHARE: f32 = 0.3;
/// The band-pass rings longest, so it must gain more to be believed.
const STREAM_TRUST: [f32; STREAMS] = [1.0, 1.0, 0.9];

/// The samples among which an attack begins.
fn look(pointed: &Pointed) -> Range<isize> {
    let at = pointed.at as isize;
    at - samples(LOOK_MS.0)..at + samples(LOOK_MS.1)
}

/// Candidates that are filtered in one stretch, and the samples that this needs.
fn groups(pointed: &[Pointed]) -> Vec<(&[Pointed], Range<isize>)> {
    let (around, longest) = (samples(SPAN_MS), samples(LONGEST_MS));
    let mut out: Vec<(&[Pointed], Range<isize>)> = Vec::new();
    let mut first = 0;
    for (i, candidate) in pointed.iter().enumerate() {
        let look = look(candidate);
        let needs = look.start - around..look.end + around;
        match out.last_mut() {
            // To settle anew would cost as much as the gap.
            Some((group, span)) if needs.start < span.end + samples(SETTLE_MS) && needs.end - span.start < longest => {
                *group = &pointed[first..=i];
                *span = span.start.min(needs.start)..span.end.max(needs.end);
            }
            _ => {
                first = i;
                out.push((&pointed[i..=i], needs));
            }
        }
    }
    out
}

/// Sums of powers from the start of a look on, stride by stride, filled up for whole registers.
type Sums = [f32; LONGEST_LOOK / STRIDE + 2 * WIDEST];

impl Placer {
    pub(crate) fn new(quiet: [f32; STREAMS]) -> Self {
        let inverse = (0..LONGEST_LOOK + 3 * WIDEST).map(|k| if k > WIDEST { 1.0 / (k - WIDEST) as f32 } else { 0.0 });
        Placer { filters: Filters::new(), quiet, inverse: inverse.collect() }
    }

    /// Places every candidate, which come in order of the moments pointed to; gives them in order of their samples.
    pub(crate) fn place(&self, x: &[f32], pointed: &[Pointed]) -> Vec<Candidate> {
        let mut placed = dispatch!(Level::new(), simd => self.place_with(simd, x, pointed));
        placed.sort_by(|a, b| a.at.cmp(&b.at).then(a.pointed.at.total_cmp(&b.pointed.at)));
        placed
    }

    #[inline(always)]
    fn place_with<S: Simd>(&self, simd: S, x: &[f32], pointed: &[Pointed]) -> Vec<Candidate> {
        let mut stretches: [Stretch; ABREAST] = Default::default();
        let mut sums = [0.0; LONGEST_LOOK / STRIDE + 2 * WIDEST];
        let mut out: Vec<Candidate> = Vec::with_capacity(pointed.len());
        let mut groups = groups(pointed);
        // Those of like length side by side; the longest first, so that what they need is asked for once.
        groups.sort_by_key(|(_, span)| Reverse(span.end - span.start));
        for groups in groups.chunks(ABREAST) {
            let spans: Vec<Range<isize>> = groups.iter().map(|(_, span)| span.clone()).collect();
            self.filters.run(simd, x, &spans, &mut stretches);
            for ((group, _), stretch) in groups.iter().zip(&stretches) {
                for &candidate in *group {
                    out.push(self.place_one(simd, x.len(), stretch, candidate, &mut sums));
                }
            }
        }
        out
    }

    #[inline(always)]
    fn place_one<S: Simd>(
        &self,
        simd: S,
        len: usize,
        stretch: &Stretch,
        pointed: Pointed,
        sums: &mut Sums,
    ) -> Candidate {
        let look = look(&pointed);
        // Before the first sample is silence, so that an attack may begin with it.
        let lo = stretch.index(look.start);
        let hi = stretch.index(look.end.min(len as isize)).clamp(lo, lo + LONGEST_LOOK);
        let mut found = [(0usize, 0.0f32); STREAMS];
        let mut chosen: Option<(usize, f32)> = None;
        for (s, place) in found.iter_mut().enumerate() {
            let added = QUIET_SHARE * self.quiet[s] + 1e-14;
            let Some((k, gain)) = self.change(simd, &stretch.squares[s][lo..hi], added, sums) else { continue };
            *place = (lo + k, gain);
            if chosen.is_none_or(|(_, best)| gain * STREAM_TRUST[s] > best) {
                chosen = Some((s, gain * STREAM_TRUST[s]));
            }
        }
        let stream = chosen.map_or(0, |(stream, _)| stream);
        let sample = chosen.map_or(pointed.at as isize, |_| stretch.start + found[stream].0 as isize);
        let at = sample.min(len as isize - 1).max(0);
        let ms = 1e3 / EAR_RATE.get() as f32;
        let from = stretch.index(at) as f32;
        Candidate {
            pointed,
            at: at as usize,
            stream,
            differences_ms: found.map(|(k, gain)| if gain > 0.0 { (k as f32 - from) * ms } else { 0.0 }),
            gains: found.map(|f| f.1),
            near: Near::new(simd, stretch, at),
        }
    }

    /// Change point of a look, in samples from its start, and its gain in log likelihood over no change; `None` if nothing
    /// rises. `added` is added to every power. Searched in steps of [`STRIDE`], then sample by sample around the best: away
    /// from it the cost hardly changes from sample to sample.
    #[inline(always)]
    fn change<S: Simd>(&self, simd: S, powers: &[f32], added: f32, sums: &mut Sums) -> Option<(usize, f32)> {
        if powers.len() < 4 * LEAST_STRETCH {
            return None;
        }
        let (strides, _) = powers.as_chunks::<STRIDE>();
        let (n, added) = (STRIDE * strides.len(), f64::from(added));
        // In double precision: the quiet before an attack must not drown in what was summed up before it.
        let mut total = 0.0f64;
        for (sum, [a, b, c, d]) in sums.iter_mut().zip(strides) {
            total += f64::from((a + b) + (c + d)) + STRIDE as f64 * added;
            *sum = total as f32;
        }
        let total = total as f32;
        let least = LEAST_STRETCH / STRIDE;
        let (coarse, _) = self.search(simd, &sums[least - 1..], least..strides.len() - least, total, strides.len())?;
        let around = (STRIDE * (coarse - 2)).max(LEAST_STRETCH)..(STRIDE * (coarse + 2)).min(n - LEAST_STRETCH);
        let mut sum = f64::from(sums[around.start / STRIDE - 1]);
        let mut fine = [0.0f32; 4 * STRIDE + WIDEST];
        for (before, power) in fine.iter_mut().zip(&powers[around.clone()]) {
            *before = sum as f32;
            sum += f64::from(*power) + added;
        }
        self.search(simd, &fine, around, total, n)
    }

    /// Of so many of `n` equal steps the one after which a change explains the powers best, and its gain. `before[0]` is
    /// the sum of all powers before the first of `steps`, and so on. Powers are measured in their mean, so no change at all
    /// costs nothing.
    #[inline(always)]
    fn search<S: Simd>(
        &self,
        simd: S,
        before: &[f32],
        steps: Range<usize>,
        total: f32,
        n: usize,
    ) -> Option<(usize, f32)> {
        let lanes = S::f32s::LEN;
        let scale = n as f32 / total;
        let end = steps.end as f32;
        let never = S::f32s::splat(simd, f32::INFINITY);
        let (mut least, mut place) = (never, S::f32s::splat(simd, 0.0));
        let mut before_count = S::f32s::from_fn(simd, |lane| (steps.start + lane) as f32);
        for (k, before) in steps.step_by(lanes).zip(before.chunks_exact(lanes)) {
            let before = S::f32s::from_slice(simd, before);
            let per_before = S::f32s::from_slice(simd, &self.inverse[WIDEST + k..WIDEST + k + lanes]);
            let last = WIDEST + 1 + n - k;
            let per_after = S::f32s::from_slice(simd, &self.inverse[last - lanes..last]).reverse();
            let rest = (S::f32s::splat(simd, total) - before).max(1e-30);
            let (v1, v2) = (before * per_before * scale, rest * per_after * scale);
            let (ln1, ln2) = ln_of_two::<S>(v1, v2);
            let cost = before_count.mul_add(ln1, (S::f32s::splat(simd, n as f32) - before_count) * ln2);
            let cost = v2.simd_gt(v1).select(cost, never);
            let better = cost.simd_lt(least) & before_count.simd_lt(end);
            least = better.select(cost, least);
            place = better.select(before_count, place);
            before_count += lanes as f32;
        }
        let mut best = (0.0f32, f32::INFINITY);
        for (&k, &cost) in place.as_slice().iter().zip(least.as_slice()) {
            if cost < best.1 || (cost <= best.1 && k < best.0) {
                best = (k, cost);
            }
        }
        best.1.is_finite().then(|| (best.0 as usize, (-best.1 / 2.0).max(0.0)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(n: usize, peak: f32) -> Vec<f32> {
        crate::rng::Rng(12345).noise(n, peak)
    }

    #[test]
    fn a_step_in_noise_level_is_placed_to_a_few_samples() {
        for place in [3000usize, 3111, 3345] {
            let mut x = noise(8000, 1e-3);
            for (v, n) in x[place..].iter_mut().zip(noise(8000, 0.2)) {
                *v += n;
            }
            let pointed = Pointed { at: place as f64 + 100.0, votes: 1.0, level: 2.0, certainty: 0.9 };
            let found = Placer::new([1e-7; STREAMS]).place(&x, &[pointed]);
            assert_eq!(found.len(), 1);
            assert!(found[0].at.abs_diff(place) <= 3, "{} for {place}", found[0].at);
        }
    }

    #[test]
    fn an_attack_may_begin_with_the_first_sample() {
        let pointed = Pointed { at: -20.0, votes: 1.0, level: 2.0, certainty: 0.9 };
        let found = Placer::new([1e-9; STREAMS]).place(&noise(4000, 0.2), &[pointed]);
        assert!(found[0].at <= 3, "{}", found[0].at);
    }

    #[test]
    fn where_nothing_rises_the_moment_pointed_to_counts() {
        for len in [0, 10, 5000] {
            let mut x = noise(len, 0.5);
            for (n, v) in x.iter_mut().enumerate() {
                *v *= (-(n as f32) / 100.0).exp();
            }
            let pointed = |at: f64| Pointed { at, votes: 1.0, level: 2.0, certainty: 0.9 };
            let found = Placer::new([0.0; STREAMS]).place(&x, &[pointed(600.4), pointed(9000.0)]);
            let at: Vec<usize> = found.iter().map(|c| c.at).collect();
            assert_eq!(at, [600.min(len.saturating_sub(1)), len.saturating_sub(1)], "{len}");
        }
    }
}
