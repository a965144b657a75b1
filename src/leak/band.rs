//! A sound of the guide -> the bins it can be heard in.
//!
//! A loudspeaker makes of a sound itself and, where it distorts, odd powers of it, which turn with its sign; no room adds
//! to that. What else comes with it is a strike or noise, however often it came.

use super::frames::{BINS, Bin, FRAME, Frames, count};
use crate::guide::Sound;
use crate::units::EAR_RATE;

/// A bin belongs to a sound if it is at most 40 dB under the strongest: what is weaker is less than a removal leaves.
const UNDER: f32 = 1e-4;

/// Whether the sound or its cube is heard in each bin.
pub(super) fn band(sound: Sound, frames: &mut Frames) -> Vec<bool> {
    let played = sound.samples(EAR_RATE);
    let most = played.iter().fold(1e-9f32, |m, v| m.max(v.abs()));
    let cube: Vec<f32> = played.iter().map(|v| (v / most).powi(3)).collect();
    heard(&played, frames).iter().zip(heard(&cube, frames)).map(|(a, b)| *a || b).collect()
}

/// The bins in which something is heard.
fn heard(x: &[f32], frames: &mut Frames) -> Vec<bool> {
    // Silence around it, so that it neither begins nor ends within a frame.
    let mut padded = vec![0.0; FRAME];
    padded.extend_from_slice(x);
    padded.resize(padded.len() + FRAME, 0.0);
    let mut spectra: Vec<Bin> = Vec::new();
    frames.forward(&padded, 1.0, count(padded.len()), &mut spectra);
    let mut power = vec![0.0f32; BINS];
    for row in spectra.as_chunks::<BINS>().0 {
        for (p, s) in power.iter_mut().zip(row) {
            *p += s.norm_sqr();
        }
    }
    let most = power.iter().fold(0.0f32, |m, v| m.max(*v));
    power.iter().map(|p| *p > UNDER * most).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_chirp_is_heard_in_its_sweep_and_three_times_it_and_not_below() {
        let bins = band(Sound::Beat, &mut Frames::new());
        let at = |hz: f64| bins[(hz * FRAME as f64 / f64::from(EAR_RATE.get())).round() as usize - 1];
        assert!([1000.0, 2000.0, 3000.0, 4500.0, 7000.0].map(at).iter().all(|b| *b));
        assert!([100.0, 300.0, 600.0, 12_000.0].map(at).iter().all(|b| !*b));
    }
}
