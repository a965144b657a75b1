//! Samples -> where the recorder lost some: digital silence into which sound breaks off.
//!
//! A dropped packet, a device that was late, a piece that could not be decoded: silence of its length stands in the
//! recording. Nothing can be heard there, so nobody is said to have missed a stroke there. A noise gate, an editor and a
//! sound made without noise also write digital silence, but let the sound fade first, or do it at every pause; then
//! silence is silence. A hole that a lossy coder has met is no digital silence any more and is not found.

use crate::onset::Audibility;
use crate::units::{Decibels, EAR_RATE, Samples, Seconds};

/// Silence is looked for in pieces of 5 ms; so many in a row are a hole: 20 ms at most, and less hides no strike, whose
/// sound lasts longer.
const PIECE: usize = 220;
const PIECES: usize = 3;
/// Samples below this are silence: a tenth of a step of 24 bits, which a resampler's rounding stays under.
const SILENT: f32 = 1e-8;
/// Sound breaks off if its last millisecond holds this share (-10 dB) of the power of the ten before: a ring falls by 1 or
/// 2 dB in that time, a gate's fade by far more.
const LAST: usize = 44;
const BEFORE: usize = 10;
const BROKEN_OFF: f32 = 0.1;
/// A cut may be followed by what a resampler's filter makes of it. White noise at 16 kHz, the worst case, falls by 18 dB two
/// milliseconds after the last whole one and by 36 dB after four (computed), where a gate's fade is slower; some rounding goes
/// on for two of the filter's blocks, 32 ms. What rings so must have stood out the more.
const FALLS: (usize, f32) = (2, 0.1);
const RUNG_OUT: (usize, f32) = (4, 1e-3);
const RANG: f32 = 0.2;
const RINGS: usize = 10;
/// Where more of the playing than this is silence, silence is how the recorder shows a pause. Rule of thumb: a recorder
/// that loses every fifth second is not used twice.
const MOST: f64 = 0.2;
/// A strike whose sound was cut after less than this is lost with it.
const CUT_SHORT: Seconds = Seconds::from_millis(20.0);
/// Full scale: no strike reaches it.
const LOUDEST: Decibels = Decibels(0.0);

/// Watches samples go by.
#[derive(Clone, Debug, Default)]
pub struct Holes {
    /// Samples seen in whole pieces.
    seen: u64,
    /// What does not fill a piece yet.
    rest: Vec<f32>,
    /// The last pieces with sound in them, [`RINGS`] and two at most.
    before: Vec<f32>,
    silent: usize,
    /// All silence that is long enough, and whether sound broke off into it.
    found: Vec<(std::ops::Range<u64>, bool)>,
}

impl Holes {
    /// Nothing seen yet.
    pub fn new() -> Holes {
        Holes::default()
    }

    /// Looks at the next mono samples at [`EAR_RATE`].
    pub fn watch(&mut self, block: &[f32]) {
        self.rest.extend_from_slice(block);
        let all = std::mem::take(&mut self.rest);
        let (pieces, rest) = all.as_chunks::<PIECE>();
        self.rest = rest.to_vec();
        for piece in pieces {
            self.piece(piece);
        }
    }

    fn piece(&mut self, piece: &[f32]) {
        self.seen += PIECE as u64;
        if piece.iter().all(|x| x.abs() < SILENT) {
            self.silent += 1;
            return;
        }
        // What follows the last sound may be only the end of a recording, so a hole is told when sound comes back.
        if self.silent >= PIECES && !self.before.is_empty() {
            let until = self.seen - PIECE as u64;
            let from = until - (self.silent * PIECE) as u64;
            let cut = cut(&self.before);
            let rings = cut.map_or(0, |at| self.before.len() - at);
            self.found.push((from - rings as u64..until, cut.is_some()));
        }
        if self.silent > 0 {
            self.before.clear();
        }
        self.silent = 0;
        self.before.extend_from_slice(piece);
        let most = (RINGS + 2) * PIECE;
        self.before.drain(..self.before.len().saturating_sub(most));
    }

    /// In a hole nothing is audible.
    pub fn doubt(&self, audibility: &mut Vec<Audibility>) {
        let lasts: u64 = self.found.iter().map(|(hole, _)| hole.end - hole.start).sum();
        let sounds = self.seen.saturating_sub((self.silent * PIECE) as u64);
        if lasts as f64 > MOST * sounds as f64 {
            return;
        }
        for (hole, _) in self.found.iter().filter(|(_, broken_off)| *broken_off) {
            let [from, to] = [hole.start, hole.end].map(|at| Samples(at).to_seconds(EAR_RATE));
            let from = Seconds::of((from - CUT_SHORT).get().max(0.0));
            Audibility::raise(audibility, from, to, LOUDEST);
        }
    }
}

/// Nothing is audible where a file is known to have lost sound: from when to when, in order.
///
/// What follows a hole leans on what was lost, so its first moments are as little to be trusted as the last before it.
pub fn unheard(lost: &[(Seconds, Seconds)], audibility: &mut Vec<Audibility>) {
    for (from, to) in lost {
        let from = Seconds::of((*from - CUT_SHORT).get().max(0.0));
        Audibility::raise(audibility, from, *to + CUT_SHORT, LOUDEST);
    }
}

/// Where sound before a silence was cut; `None` where it faded into it.
fn cut(before: &[f32]) -> Option<usize> {
    // The silence may begin within the last piece.
    let end = before.iter().rposition(|x| x.abs() >= SILENT)? + 1;
    let sound = before.get(..end)?;
    // Whole milliseconds that end where the sound does: their power, and whether there is more than a last bit now and then.
    let pieces = || sound.rchunks_exact(LAST).rev();
    let milliseconds: Vec<f32> = pieces().map(|x| x.iter().map(|v| v * v).sum::<f32>() / LAST as f32).collect();
    let sounds: Vec<bool> = pieces().map(|x| 2 * x.iter().filter(|v| v.abs() < SILENT).count() <= LAST).collect();
    let n = milliseconds.len();
    let last = (PIECE / LAST..n).find(|&k| {
        let before = milliseconds.get(k.saturating_sub(BEFORE)..=k).unwrap_or_default();
        let mean = before.iter().sum::<f32>() / before.len().max(1) as f32;
        let power = milliseconds.get(k).copied().unwrap_or(0.0);
        if sounds.get(k) != Some(&true) {
            return false;
        }
        if k + 1 == n {
            return power > BROKEN_OFF * mean;
        }
        let falls = milliseconds.get(k + FALLS.0).is_some_and(|p| *p <= FALLS.1 * power);
        let after = milliseconds.get(k + RUNG_OUT.0..).unwrap_or_default();
        falls && power > RANG * mean && after.iter().all(|p| *p <= RUNG_OUT.1 * power)
    })?;
    Some(end - (n - 1 - last) * LAST)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng::Rng;

    fn noise(n: usize) -> Vec<f32> {
        Rng(1).noise(n, 0.005)
    }

    /// Thresholds at these times of a recording of 4 s, audible from -50 dB on but for its holes.
    fn thresholds(x: &[f32], times: &[f64]) -> Vec<f64> {
        let mut holes = Holes::new();
        // Blocks of a length that divides nothing.
        x.chunks(997).for_each(|block| holes.watch(block));
        let stretch = |k: u32| Audibility { from: Seconds::of(0.1 * f64::from(k)), threshold: Decibels(-50.0) };
        let mut audibility: Vec<Audibility> = (0..40).map(stretch).collect();
        holes.doubt(&mut audibility);
        assert!(audibility.windows(2).all(|w| w[0].from <= w[1].from));
        let at =
            |t: &f64| audibility.iter().take_while(|a| a.from.get() <= *t).last().map_or(f64::NAN, |a| a.threshold.0);
        times.iter().map(at).collect()
    }

    #[test]
    fn nothing_is_audible_where_sound_breaks_off_into_silence_and_all_is_around() {
        for length in [1500, 8820, 20_000] {
            let mut x = noise(4 * 44_100);
            let from = 44_100 + 77;
            x[from..from + length].fill(0.0);
            let at = |samples: usize| samples as f64 / 44_100.0;
            let times = [at(from) - 0.03, at(from) + 0.006, at(from + length) - 0.006, at(from + length) + 0.006, 3.0];
            assert_eq!(thresholds(&x, &times), [-50.0, 0.0, 0.0, -50.0, -50.0], "{length}");
        }
    }

    #[test]
    fn a_hole_in_a_recording_at_another_rate_is_one() {
        for rate in [16_000, 22_050, 48_000] {
            let from = crate::units::SampleRate::new(rate).unwrap();
            let mut resampler = crate::resample::Resampler::new(from, EAR_RATE).unwrap();
            let mut x = noise(4 * rate as usize);
            x[rate as usize + 77..(1.3 * f64::from(rate)) as usize].fill(0.0);
            let mut out = Vec::new();
            resampler.push(&x, &mut out);
            resampler.finish(&mut out);
            assert_eq!(thresholds(&out, &[0.9, 1.02, 1.15, 1.27, 1.4]), [-50.0, 0.0, 0.0, 0.0, -50.0], "{rate}");
        }
    }

    #[test]
    fn nothing_is_audible_where_a_file_says_it_lost_sound() {
        let stretch = |k: u32| Audibility { from: Seconds::of(0.1 * f64::from(k)), threshold: Decibels(-50.0) };
        let mut audibility: Vec<Audibility> = (0..40).map(stretch).collect();
        unheard(&[(Seconds::ZERO, Seconds::of(0.2)), (Seconds::of(1.05), Seconds::of(1.3))], &mut audibility);
        let at = |t: f64| audibility.iter().take_while(|a| a.from.get() <= t).last().map(|a| a.threshold.0);
        let told = [0.1, 0.215, 0.23, 1.02, 1.04, 1.31, 1.33].map(at);
        assert_eq!(told, [0.0, 0.0, -50.0, -50.0, 0.0, 0.0, -50.0].map(Some));
    }

    #[test]
    fn silence_after_a_fade_and_the_silence_of_every_pause_hide_nothing() {
        let mut faded = noise(4 * 44_100);
        for (k, v) in faded[44_100..44_541].iter_mut().enumerate() {
            *v *= 1.0 - k as f32 / 441.0;
        }
        faded[44_541..53_000].fill(0.0);
        assert_eq!(thresholds(&faded, &[1.1]), [-50.0]);
        let mut paused = noise(4 * 44_100);
        for pause in paused.as_chunks_mut::<22_050>().0 {
            pause[15_000..].fill(0.0);
        }
        assert_eq!(thresholds(&paused, &[0.4]), [-50.0]);
    }

    #[test]
    fn a_few_zeros_and_a_silent_end_are_no_holes() {
        let mut x = noise(4 * 44_100);
        x[44_100..44_500].fill(0.0);
        x[160_000..].fill(0.0);
        assert_eq!(thresholds(&x, &[1.003, 3.9]), [-50.0, -50.0]);
    }
}
