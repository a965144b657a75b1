//! What the room makes of some sounds -> what it makes of another.
//!
//! Loudspeaker, room and microphone answer all sounds alike: `H = sum r T conj(S) / (sum r |S|^2 + .003 max)` over the sounds
//! whose templates `T` are known, `S` as they were played, `r` how surely each is known at that frequency. Then `H S` is what
//! to expect of a further sound, before it was ever heard without a strike over it. A pupil who begins every bar with a
//! stroke leaves no accent of the guide alone but in the count-in.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use super::frames::{BINS, FRAME};
use super::template::Template;
use crate::guide::Sound;
use crate::units::EAR_RATE;

/// Where the known sounds are this much weaker than at their strongest, they say nothing of the room: 25 dB, the side lobes
/// of the chirps.
const REGULAR: f32 = 3e-3;
/// Frames in which a sound itself is heard: the lead, its 50 ms, the first echoes.
const FRAMES: usize = 24;

/// The guide's sounds as they are played.
pub(super) struct Room {
    played: Vec<Vec<f32>>,
    planner: RealFftPlanner<f32>,
}

impl Room {
    pub(super) fn new(sounds: &[Sound]) -> Room {
        Room { played: sounds.iter().map(|s| s.samples(EAR_RATE)).collect(), planner: RealFftPlanner::new() }
    }

    /// What to expect of a sound by the templates of all others, `length` samples from the lead before it on; `None` if
    /// there are none.
    pub(super) fn expects(&mut self, kind: usize, templates: &[Template], length: usize) -> Option<Vec<f32>> {
        let longest = self.played.iter().map(Vec::len).max().unwrap_or(0);
        let len = (length + longest).next_power_of_two();
        let forward = self.planner.plan_fft_forward(len);
        let mut over = vec![Complex::default(); len / 2 + 1];
        let mut under = vec![0.0f32; len / 2 + 1];
        for (other, template) in templates.iter().enumerate() {
            if other == kind || template.bins.is_empty() {
                continue;
            }
            let heard = spectrum(&forward, &template.sound, len);
            let played = spectrum(&forward, &self.played[other], len);
            let sure = sureness(template);
            for (f, (a, b)) in heard.iter().zip(&played).enumerate() {
                // A bin of the frames is `len / FRAME` of these wide; the frames leave out the first.
                let Some(sure) = ((f * FRAME + len / 2) / len).checked_sub(1).and_then(|k| sure.get(k)) else {
                    continue;
                };
                over[f] += a * b.conj() * *sure;
                under[f] += b.norm_sqr() * sure;
            }
        }
        let most = under.iter().fold(0.0f32, |m, v| m.max(*v));
        if most <= 0.0 || over.iter().all(|v| v.norm_sqr() <= 0.0) {
            return None;
        }
        let mut product = spectrum(&forward, &self.played[kind], len);
        for ((p, o), u) in product.iter_mut().zip(&over).zip(&under) {
            *p = *p * *o / (u + REGULAR * most);
        }
        let back = self.planner.plan_fft_inverse(len);
        let mut out = inverse(&back, product, len);
        out.truncate(length);
        Some(out)
    }
}

/// How surely a template is known at each bin of its frames: the mean of `1 / squared error`.
fn sureness(template: &Template) -> Vec<f32> {
    let mut sum = vec![0.0; BINS];
    for row in template.error.as_chunks::<BINS>().0.iter().take(FRAMES) {
        for (s, e) in sum.iter_mut().zip(row) {
            *s += 1.0 / e;
        }
    }
    sum
}

/// Spectrum of a sound, filled up with zeros to `len`.
pub(super) fn spectrum(forward: &Arc<dyn RealToComplex<f32>>, x: &[f32], len: usize) -> Vec<Complex<f32>> {
    let mut time = vec![0.0; len];
    for (t, v) in time.iter_mut().zip(x) {
        *t = *v;
    }
    let mut out = forward.make_output_vec();
    // Lengths fit by construction.
    let _ = forward.process(&mut time, &mut out);
    out
}

/// The sound of such a spectrum.
pub(super) fn inverse(back: &Arc<dyn ComplexToReal<f32>>, mut spectrum: Vec<Complex<f32>>, len: usize) -> Vec<f32> {
    let mut out = back.make_output_vec();
    for edge in [0, len / 2] {
        spectrum[edge].im = 0.0;
    }
    let _ = back.process(&mut spectrum, &mut out);
    out.iter_mut().for_each(|v| *v /= len as f32);
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::leak::frames::{FRAME, Frames, count};
    use crate::leak::template::AHEAD;

    /// A sound through a room with two walls, as a template.
    fn through_a_room(sound: Sound) -> Vec<f32> {
        let played = sound.samples(EAR_RATE);
        let mut out = vec![0.0; AHEAD + 40 * FRAME];
        for (delay, gain) in [(30, 1.0), (241, -0.6), (902, 0.4)] {
            for (k, v) in played.iter().enumerate() {
                out[AHEAD + delay + k] += gain * v;
            }
        }
        out
    }

    #[test]
    fn what_the_room_makes_of_a_beat_tells_what_it_makes_of_an_accent() {
        let sounds = [Sound::Beat, Sound::Accent];
        let beat = through_a_room(sounds[0]);
        let mut bins = Vec::new();
        Frames::new().forward(&beat, 1.0, count(beat.len()), &mut bins);
        let known = Template { error: vec![1e-6; bins.len()], bins, sound: beat };
        let said = Room::new(&sounds).expects(1, &[known, Template::default()], AHEAD + 40 * FRAME);
        let (said, true_) = (said.unwrap(), through_a_room(sounds[1]));
        // Where the beat's sweep goes, 1300 to 2700 Hz: its own length and the first echoes.
        let (mut a, mut b) = (Vec::new(), Vec::new());
        Frames::new().forward(&said, 1.0, count(said.len()), &mut a);
        Frames::new().forward(&true_, 1.0, count(true_.len()), &mut b);
        let both = |k: usize| (15..31).contains(&(k % BINS));
        let within = |f: &dyn Fn(usize) -> f32| (0..a.len()).filter(|k| both(*k)).map(|k| f64::from(f(k))).sum::<f64>();
        let depth = 10.0 * (within(&|k| b[k].norm_sqr()) / within(&|k| (a[k] - b[k]).norm_sqr())).log10();
        assert!(depth > 20.0, "{depth} dB");
        assert!(Room::new(&sounds).expects(0, &[Template::default(), Template::default()], 4096).is_none());
    }
}
