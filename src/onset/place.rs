//! A coarse candidate -> the sample at which its attack begins.
//!
//! The change point of a window is where two stretches of different power explain it best: minimise
//! `k ln v1 + (N-k) ln v2` over `k`, `v1` and `v2` being the mean powers before and after, `v2 > v1` (the Akaike picker
//! of seismology: Maeda 1985; Zhang, Thurber & Rowe 2003). It is run on the three filtered copies of `filters`.

use std::ops::Range;

use fearless_simd::{Level, dispatch, prelude::*};

use super::EAR_RATE;
use super::filters::{ABREAST, Filters, STREAMS, Stretch, samples};
use super::lanes::{WIDEST, ln_of_two};
use super::rise::{Coarse, Seen};

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
    fn new<S: Simd>(simd: S, stretch: &Stretch, sample: usize) -> Self {
        let at = sample as isize;
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
    pub(crate) coarse: Coarse,
    /// Sample of the piece where the attack begins.
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

/// What is filtered before the first and after the last candidate of a stretch: the widest look and the widest span.
const BEFORE_MS: f64 = 30.0;
const AFTER_MS: f64 = 26.0;
/// Candidates within such a stretch share one filtering; eight of them fit the second nearest cache.
const CHUNK_MS: f64 = 250.0;
/// Look of the change point around the centre of the frame: the frame's half length and what the peak may be late by.
const SHORT_LOOK_MS: (f64, f64) = (9.0, 6.0);
const LONG_LOOK_MS: (f64, f64) = (18.0, 14.0);
/// Samples of the longer look, rounded up.
const LONGEST_LOOK: usize = 1440;
/// Neither stretch may be shorter: a power needs some samples.
const LEAST_STRETCH: usize = 12;
/// Share of the quiet power added to every sample, so that digital silence has no change points.
const QUIET_SHARE: f32 = 0.3;
/// The band-pass rings longest, so it must gain more to be believed.
const STREAM_TRUST: [f32; STREAMS] = [1.0, 1.0, 0.9];
/// Two candidates that end this near each other are one attack.
const SAME_ATTACK_MS: f64 = 4.0;

/// Sums of powers from the start of a look on, per stream, filled up for whole registers.
type Sums = [[f32; LONGEST_LOOK + 2 * WIDEST]; STREAMS];

impl Placer {
    pub(crate) fn new(quiet: [f32; STREAMS]) -> Self {
        let inverse = (0..LONGEST_LOOK + 3 * WIDEST).map(|k| if k > WIDEST { 1.0 / (k - WIDEST) as f32 } else { 0.0 });
        Placer { filters: Filters::new(), quiet, inverse: inverse.collect() }
    }

    /// Places every coarse candidate; of two that end at one attack the one that rises more stays.
    pub(crate) fn place(&self, x: &[f32], coarse: &[Coarse]) -> Vec<Candidate> {
        let mut placed = dispatch!(Level::new(), simd => self.place_with(simd, x, coarse));
        placed.sort_by_key(|c| c.at);
        let same = samples(SAME_ATTACK_MS) as usize;
        placed.dedup_by(|next, last| {
            let one = next.at - last.at < same;
            if one && next.coarse.rise > last.coarse.rise {
                std::mem::swap(next, last);
            }
            one
        });
        placed
    }

    #[inline(always)]
    fn place_with<S: Simd>(&self, simd: S, x: &[f32], coarse: &[Coarse]) -> Vec<Candidate> {
        let (before, after, chunk) = (samples(BEFORE_MS), samples(AFTER_MS), samples(CHUNK_MS));
        let mut stretches: [Stretch; ABREAST] = Default::default();
        let mut sums = [[0.0; LONGEST_LOOK + 2 * WIDEST]; STREAMS];
        let mut out: Vec<Candidate> = Vec::with_capacity(coarse.len());
        let groups: Vec<&[Coarse]> = coarse.chunk_by(|a, b| a.at as isize / chunk == b.at as isize / chunk).collect();
        for groups in groups.chunks(ABREAST) {
            let spans: Vec<Range<isize>> = (groups.iter())
                .map(|group| group[0].at as isize - before..group[group.len() - 1].at as isize + after)
                .collect();
            self.filters.run(simd, x, &spans, &mut stretches);
            for (group, stretch) in groups.iter().zip(&stretches) {
                for &candidate in *group {
                    if let Some(candidate) = self.place_one(simd, x.len(), stretch, candidate, &mut sums) {
                        out.push(candidate);
                    }
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
        coarse: Coarse,
        sums: &mut Sums,
    ) -> Option<Candidate> {
        let look = if coarse.seen == Seen::Short { SHORT_LOOK_MS } else { LONG_LOOK_MS };
        let lo = stretch.index((coarse.at as isize - samples(look.0)).max(0));
        let hi = stretch.index((coarse.at as isize + samples(look.1)).min(len as isize)).min(lo + LONGEST_LOOK);
        let n = hi.saturating_sub(lo);
        if n < 4 * LEAST_STRETCH {
            return None;
        }
        let totals = self.sum_up(stretch, lo..hi, sums);
        let mut found = [(0usize, 0.0f32); STREAMS];
        let mut chosen: Option<(usize, f32)> = None;
        for (s, place) in found.iter_mut().enumerate() {
            let Some((k, gain)) = self.change(simd, &sums[s], totals[s], n) else { continue };
            *place = (lo + k, gain);
            if chosen.is_none_or(|(_, best)| gain * STREAM_TRUST[s] > best) {
                chosen = Some((s, gain * STREAM_TRUST[s]));
            }
        }
        let (stream, _) = chosen?;
        let index = found[stream].0;
        let ms = 1e3 / EAR_RATE.get() as f32;
        let at = usize::try_from(stretch.start + index as isize).ok()?;
        Some(Candidate {
            coarse,
            at,
            stream,
            differences_ms: found.map(|(k, gain)| if gain > 0.0 { (k as f32 - index as f32) * ms } else { 0.0 }),
            gains: found.map(|f| f.1),
            near: Near::new(simd, stretch, at),
        })
    }

    /// Sums of each stream's power from the start of the look to every sample of it; the totals.
    #[inline(always)]
    fn sum_up(&self, stretch: &Stretch, look: Range<usize>, sums: &mut Sums) -> [f32; STREAMS] {
        let added = self.quiet.map(|quiet| f64::from(QUIET_SHARE * quiet) + 1e-14);
        let n = look.len();
        let [p, q, r] = &stretch.squares;
        let (p, q, r) = (&p[look.clone()], &q[look.clone()], &r[look]);
        let [a, b, c] = sums;
        let (a, b, c) = (&mut a[..n], &mut b[..n], &mut c[..n]);
        // In double precision: the quiet before an attack must not drown in what was summed up before it.
        let mut total = [0.0f64; STREAMS];
        for i in 0..n {
            total[0] += f64::from(p[i]) + added[0];
            total[1] += f64::from(q[i]) + added[1];
            total[2] += f64::from(r[i]) + added[2];
            (a[i], b[i], c[i]) = (total[0] as f32, total[1] as f32, total[2] as f32);
        }
        total.map(|total| total as f32)
    }

    /// Change point of a look and its gain in log likelihood over no change, from the sums of its powers; `None` if
    /// nothing rises. Powers are measured in the mean of the look, so no change at all costs nothing.
    #[inline(always)]
    fn change<S: Simd>(&self, simd: S, sums: &[f32], total: f32, n: usize) -> Option<(usize, f32)> {
        let lanes = S::f32s::LEN;
        let scale = n as f32 / total;
        let end = (n - LEAST_STRETCH) as f32;
        let never = S::f32s::splat(simd, f32::INFINITY);
        let (mut least, mut place) = (never, S::f32s::splat(simd, 0.0));
        let mut before_count = S::f32s::from_fn(simd, |lane| (LEAST_STRETCH + lane) as f32);
        for k in (LEAST_STRETCH..n - LEAST_STRETCH).step_by(lanes) {
            let before = S::f32s::from_slice(simd, &sums[k - 1..k - 1 + lanes]);
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

    /// Reproducible noise in -1..1 (Numerical Recipes' quick generator).
    fn noise(n: usize, scale: f32) -> Vec<f32> {
        let mut s = 12345u32;
        (0..n)
            .map(|_| {
                s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (s as f32 / u32::MAX as f32 * 2.0 - 1.0) * scale
            })
            .collect()
    }

    #[test]
    fn a_step_in_noise_level_is_placed_to_a_few_samples() {
        for place in [3000usize, 3111, 3345] {
            let mut x = noise(8000, 1e-3);
            for (v, n) in x[place..].iter_mut().zip(noise(8000, 0.2)) {
                *v += n;
            }
            let found = Placer::new([1e-7; STREAMS])
                .place(&x, &[Coarse { at: place / 64 * 64 + 64, rise: 5.0, seen: Seen::Short }]);
            assert_eq!(found.len(), 1);
            assert!(found[0].at.abs_diff(place) <= 3, "{} for {place}", found[0].at);
        }
    }
}
