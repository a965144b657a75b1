//! A strike and the recording without the guide -> by how much it rises where none of the guide's sounds can be heard.
//!
//! What is left of a chirp lies in the chirp's band ([`band`](super::band)); a stick on a bucket sounds below and above it too.
//! Below, in and above it `rise = mean over bins of 10 log10(power after / power before)`, before: 25 to 2 ms before the
//! strike, after: from 2 ms before to 21 ms after it.

use super::Reference;
use super::band::band;
use super::frames::{BINS, Bin, Frames, HOP};
use crate::units::{Decibels, EAR_RATE, Seconds};

/// A side of fewer bins (1 kHz) tells nothing: the mean of twelve bins of noise is known to 2 dB.
const LEAST_BINS: usize = 12;
/// Samples from the first frame to the strike; the frames before it, and those of it.
const BACK: usize = 4 * HOP + 100;
const BEFORE: std::ops::Range<usize> = 0..3;
const AFTER: std::ops::Range<usize> = 4..7;
/// Power of a bin that sixteen bits leave unsaid: their steps' noise, 1/12 of a step squared, through the window.
const UNSAID: f32 = 2e-8;

/// By how much a strike rises.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rise {
    /// The larger of below and above the guide's sounds.
    pub(super) outside: Decibels,
    /// The largest of all.
    pub(super) anywhere: Decibels,
}

/// Says of strikes, as they are heard in what is left of a recording, by how much they rise.
pub struct Rises {
    frames: Frames,
    outside: Outside,
}

impl Rises {
    /// For a recording without this guide.
    pub fn new(reference: &Reference) -> Rises {
        let mut frames = Frames::new();
        let bands: Vec<Vec<bool>> = reference.sounds().into_iter().map(|s| band(s, &mut frames)).collect();
        Rises { frames, outside: Outside::of(&bands) }
    }

    /// At a moment of `left`, by its clock. None where the guide's sounds leave no room for it, or the recording begins or ends
    /// there.
    pub fn at(&mut self, left: &[f32], at: Seconds) -> Option<Rise> {
        self.outside.rise(&mut self.frames, left, at)
    }
}

/// The bins in which no sound of a guide is heard.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Outside {
    below: std::ops::Range<usize>,
    above: std::ops::Range<usize>,
}

impl Outside {
    /// `bands`: the bins that each sound is heard in.
    pub(super) fn of(bands: &[Vec<bool>]) -> Outside {
        let heard = |k: &usize| bands.iter().any(|b| b.get(*k).copied().unwrap_or(true));
        let first = (0..BINS).find(heard).unwrap_or(BINS);
        let last = (0..BINS).rev().find(heard).map_or(0, |k| k + 1);
        Outside { below: 0..first, above: last.max(first)..BINS }
    }

    /// The rise at a strike; none where the guide's sounds leave no room for it, or the recording begins or ends there.
    pub(super) fn rise(&self, frames: &mut Frames, left: &[f32], at: Seconds) -> Option<Rise> {
        let place = (at.get() * f64::from(EAR_RATE.get())).round().max(0.0) as usize;
        let near = left.get(place.checked_sub(BACK)?..)?;
        let mut spectra: Vec<Bin> = Vec::new();
        frames.forward(near, 1.0, AFTER.end, &mut spectra);
        let power = |of: std::ops::Range<usize>, k: usize| -> f32 {
            of.map(|f| spectra.get(f * BINS + k).map_or(0.0, |b| b.norm_sqr())).sum::<f32>() + UNSAID
        };
        let side = |bins: std::ops::Range<usize>| {
            let sum: f64 = bins.clone().map(|k| f64::from((power(AFTER, k) / power(BEFORE, k)).log10())).sum();
            (bins.len() >= LEAST_BINS).then(|| 10.0 * sum / bins.len() as f64)
        };
        let sides = [side(self.below.clone()), side(self.above.clone())];
        let outside = sides.into_iter().flatten().max_by(f64::total_cmp)?;
        let within = side(self.below.end..self.above.start).unwrap_or(outside);
        Some(Rise { outside: Decibels(outside), anywhere: Decibels(outside.max(within)) })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guide::{PLAIN_ATTACK, Sound, strike};
    use crate::part::Surface;

    #[test]
    fn a_strike_rises_outside_the_clicks_and_what_is_left_of_a_click_does_not() {
        let mut frames = Frames::new();
        let mut of = |sounds: &[Sound]| {
            let bands: Vec<Vec<bool>> = sounds.iter().map(|s| band(*s, &mut frames)).collect();
            Outside::of(&bands)
        };
        let outside = of(&[Sound::Accent, Sound::Beat]);
        let part = of(&[Surface::Centre, Surface::Rim, Surface::Click].map(Sound::Stroke));
        let mut x = crate::rng::Rng(5).noise(44_100, 1e-4);
        let mut add = |at: usize, sound: &[f32], gain: f32| {
            for (x, v) in x[at..].iter_mut().zip(sound) {
                *x += gain * v;
            }
        };
        add(10_000, &Sound::Beat.samples(EAR_RATE), 0.05);
        add(30_000, &strike(Surface::Rim, PLAIN_ATTACK, EAR_RATE), 0.05);
        let mut rise = |at: usize| outside.rise(&mut frames, &x, Seconds::of(at as f64 / 44_100.0));
        let click = rise(10_000).unwrap();
        // It is nothing outside, and a rise within that more than noise makes.
        assert!(click.outside.0 < 3.0 && click.anywhere.0 > 5.0, "{click:?}");
        assert!(rise(30_000).unwrap().outside.0 > 12.0, "{:?}", rise(30_000));
        assert!(rise(20_000).unwrap().anywhere.0 < 3.0, "{:?}", rise(20_000));
        assert_eq!((rise(100), rise(90_000)), (None, None));
        // Of a guide that plays the part too little lies outside to tell by.
        assert_eq!(part.rise(&mut frames, &x, Seconds::of(30_000.0 / 44_100.0)), None, "{part:?}");
    }
}
