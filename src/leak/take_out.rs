//! A recording and the guide's place in it -> the recording without the guide.
//!
//! What one sound of the guide leaves in the recording, through loudspeaker, room and microphone, is estimated as a template
//! of [`frames`](super::frames): `T = sum w X / sum w` over all its occurrences, signs undone, `w = 1 / power of what is
//! left` (so that strikes weigh little), and shrunk where the evidence is thin to what the [`room`](super::room) made of the
//! other sounds, `R`: `R + (T - R) (1 - 1.5 (SE^2 + off^2) / |T - R|^2)`, `off` what a clock not yet settled adds, so that it
//! never follows one sound that nobody struck over. Nothing is taken out of bins a sound is not heard in ([`band`](super::band)). Each
//! sound's delay and gain against the template follow by regression on the template and its derivative; smoothed over
//! the sounds they correct the clock. A few rounds of both, then the templates are laid out with their signs and subtracted.
//!
//! The delays are the key: 26 dB at 2 kHz need the clock to about 4 us, and two devices wander by tens.

use std::f64::consts::TAU;

use fearless_simd::{Level, dispatch};

use super::arrival::arrival;
use super::band::band;
use super::clock::GuideClock;
use super::frames::{BINS, Bin, FRAME, Frames, HOP, count, smoothed};
use super::room::Room;
use super::sinc::Sinc;
use super::smooth::{Known, curve};
use super::{Lock, Ppm, Reference};
use crate::guide::Sound;
use crate::onset::EAR_RATE;
use crate::stats::median;
use crate::units::Seconds;

/// Samples before a sound that its template covers, 46 ms: speakers' filters and codecs ring ahead.
pub(super) const AHEAD: usize = 4 * FRAME;
/// How long a room keeps a sound: 1.15 s. Shorter templates left 10 dB more in a long hall.
const LENGTH: usize = 50_700 / HOP * HOP;
/// Enough of a sound to tell its delay: 100 ms; and what is looked at while only delays are wanted.
const EARLY: usize = 4410;
const SHORT: usize = 6656 / HOP * HOP;
/// Rounds of templates and delays, and passes over the templates in the first and the later rounds and at the end.
const ROUNDS: usize = 4;
const PASSES: (usize, usize, usize) = (3, 2, 2);
/// How far the clock may be off in each round: a few ppm of skew and the devices' wander at first.
const CLOCK: [Seconds; ROUNDS] =
    [Seconds::from_millis(0.06), Seconds::from_millis(0.03), Seconds::from_millis(0.012), Seconds::from_millis(0.005)];
/// Standard errors, squared, that a template must stand above.
const SHRINK: f32 = 1.5;
/// Part of the quiet tenth of what is left that weighs against a too quiet moment.
const FLOOR: (f64, f32) = (0.1, 0.3);
/// Sounds that the floor is taken from.
const FLOOR_SOUNDS: usize = 24;
/// Smoothness of delays and of gains over the sounds, and how far one may be off.
const DELAYS: (f64, f64) = (40.0, 5e-4);
const GAINS: (f64, f64) = (0.1, 0.7);
const GAIN_RANGE: (f64, f64) = (0.3, 1.7);
/// Gains are followed only if their middle squared deviation is so many times what chance gives: else they are noise.
const GAIN_MOVES: f64 = 8.0;

/// A sound of the guide, for the work on it.
pub(super) struct Cue {
    /// In the guide, seconds, and its first sample there.
    pub(super) at: f64,
    sample: i64,
    pub(super) kind: usize,
    sign: f32,
    amp: f32,
    /// Followed gain.
    gain: f32,
    /// It lies within the recording.
    pub(super) used: bool,
    /// Frames of it that lie within the recording.
    inside: (usize, usize),
}

/// What a sound of the guide leaves in the recording.
#[derive(Default)]
pub(super) struct Template {
    pub(super) bins: Vec<Bin>,
    /// Squared standard error of each bin.
    pub(super) error: Vec<f32>,
    /// As sound, [`AHEAD`] samples before it on.
    pub(super) sound: Vec<f32>,
}

/// A recording taken apart.
pub(super) struct Apart {
    pub(super) left: Vec<f32>,
    pub(super) leak: Vec<f32>,
    pub(super) clock: GuideClock,
    pub(super) cues: Vec<Cue>,
    pub(super) templates: Vec<Template>,
    /// The bins that each sound can be heard in.
    pub(super) bands: Vec<Vec<bool>>,
}

struct Work<'a> {
    x: &'a [f32],
    sinc: Sinc,
    frames: Frames,
    cues: Vec<Cue>,
    clock: GuideClock,
    templates: Vec<Template>,
    room: Room,
    /// The bins that each sound can be heard in.
    bands: Vec<Vec<bool>>,
    /// The recording on the guide's clock, from [`AHEAD`] samples before the guide on, and the same without the templates.
    grid: Vec<f32>,
    rest: Vec<f32>,
    spectra: Vec<Bin>,
    powers: Vec<f32>,
    smooth: Vec<f32>,
}

/// Takes the guide out.
pub(super) fn take_out(reference: &Reference, x: &[f32], lock: &Lock) -> Apart {
    let rate = f64::from(EAR_RATE.get());
    let sounds = reference.sounds();
    let cues: Vec<Cue> = (reference.cues.iter())
        .map(|c| Cue {
            at: c.at.get(),
            sample: (c.at.get() * rate).round() as i64,
            kind: sounds.iter().position(|s| *s == c.sound).unwrap_or(0),
            sign: f32::from(c.sign),
            amp: c.gain as f32,
            gain: 1.0,
            used: false,
            inside: (0, 0),
        })
        .collect();
    // A guide made at another rate has its sounds between these samples.
    let points = moments(&cues, |i| cues[i].at - cues[i].sample as f64 / rate);
    let end = cues.iter().map(|c| c.sample).max().unwrap_or(0);
    let len = usize::try_from(end).unwrap_or(0) + AHEAD + LENGTH + 1;
    let mut frames = Frames::new();
    let bands = sounds.iter().map(|s| band(*s, &mut frames)).collect();
    let mut work = Work {
        x,
        sinc: Sinc::new(),
        frames,
        cues,
        clock: GuideClock { lock: *lock, points },
        templates: sounds.iter().map(|_| Template::default()).collect(),
        room: Room::new(&sounds),
        bands,
        grid: vec![0.0; len],
        rest: vec![0.0; len],
        spectra: Vec::new(),
        powers: Vec::new(),
        smooth: Vec::new(),
    };
    for (round, unsure) in CLOCK.into_iter().enumerate() {
        work.lay(AHEAD + SHORT);
        for _ in 0..if round == 0 { PASSES.0 } else { PASSES.1 } {
            work.pass(AHEAD + SHORT, unsure);
        }
        work.follow();
    }
    work.lay(AHEAD + LENGTH);
    for _ in 0..PASSES.2 {
        work.pass(AHEAD + LENGTH, Seconds::ZERO);
    }
    work.finish(&sounds)
}

/// A value at each moment of the guide at which there is a sound.
fn moments(cues: &[Cue], value: impl Fn(usize) -> f64) -> Vec<(f64, f64)> {
    let mut out: Vec<(f64, f64)> = Vec::with_capacity(cues.len());
    for (i, cue) in cues.iter().enumerate() {
        if out.last().is_none_or(|last| cue.at > last.0 + 1e-6) {
            out.push((cue.at, value(i)));
        }
    }
    out
}

impl Work<'_> {
    /// Lays the recording out on the guide's clock, `length` samples of every sound.
    fn lay(&mut self, length: usize) {
        let n = self.x.len() as f64;
        let ahead = AHEAD as i64;
        let spans = self.clock.spans(-ahead, self.grid.len() as i64 - ahead);
        let mut done = -ahead;
        let mut k = 0;
        for cue in &self.cues {
            let (from, to) = ((cue.sample - ahead).max(done), cue.sample - ahead + length as i64);
            let mut j = from;
            while j < to {
                while k + 1 < spans.len() && spans[k].to <= j {
                    k += 1;
                }
                let Some(span) = spans.get(k) else { break };
                let end = to.min(if k + 1 < spans.len() { span.to } else { i64::MAX });
                let slots = usize::try_from(j + ahead).ok().and_then(|i| self.grid.get_mut(i..)).unwrap_or_default();
                let slots = slots.iter_mut().take(usize::try_from(end - j).unwrap_or(0));
                let place = |k: usize| span.base + span.slope * (j + k as i64) as f64;
                self.sinc.fill(slots, self.x, place);
                j = end.max(j + 1);
            }
            done = done.max(to);
        }
        let frames = count(length);
        let rate = f64::from(EAR_RATE.get());
        for cue in &mut self.cues {
            let place = |sample: i64| self.clock.at(Seconds::of(sample as f64 / rate)).get() * rate;
            let (begin, slope) = (place(cue.sample - ahead), 1.0 + self.clock.lock.skew.0 * 1e-6);
            cue.used = begin + AHEAD as f64 >= 0.0 && place(cue.sample + 2205) < n;
            let first = (-begin / slope / HOP as f64).ceil().max(0.0) as usize;
            let last = ((n - begin) / slope - FRAME as f64) / HOP as f64;
            cue.inside = (first.min(frames), if last < 0.0 { 0 } else { (last as usize + 1).min(frames) });
        }
    }

    /// What the templates do not explain, `length` samples of every sound.
    fn without(&mut self, length: usize) {
        self.rest.copy_from_slice(&self.grid);
        subtract(&self.cues, &self.templates, &mut self.rest, length);
    }

    /// The sounds, the one first that is heard most often: what is known of it helps with the others.
    fn commonest_first(&self) -> Vec<usize> {
        let mut kinds: Vec<usize> = (0..self.templates.len()).collect();
        kinds.sort_by_key(|kind| std::cmp::Reverse(self.cues.iter().filter(|c| c.used && c.kind == *kind).count()));
        kinds
    }

    /// Each template anew.
    fn pass(&mut self, length: usize, unsure: Seconds) {
        let frames = count(length);
        let size = frames * BINS;
        for (place, kind) in self.commonest_first().into_iter().enumerate() {
            self.without(length);
            let mine: Vec<usize> =
                (0..self.cues.len()).filter(|&i| self.cues[i].kind == kind && self.cues[i].used).collect();
            if mine.is_empty() {
                continue;
            }
            let mut before = Vec::new();
            self.frames.forward(&self.templates[kind].sound, 1.0, frames, &mut before);
            let floor = self.floor(&mine, frames);
            let (mut sum, mut weight) = (vec![Bin::default(); size], vec![1e-12f32; size]);
            for &i in &mine {
                self.look(i, frames);
                let cue = &self.cues[i];
                let strength = cue.amp * cue.gain;
                let (from, to) = (cue.inside.0 * BINS, cue.inside.1 * BINS);
                let all = from..to.max(from);
                let seen = (&self.spectra[all.clone()], &before[all.clone()], &self.smooth[all.clone()]);
                let sums = (&mut sum[all.clone()], &mut weight[all]);
                dispatch!(Level::new(), _simd => add(seen, &floor, strength, sums));
            }
            for (s, w) in sum.iter_mut().zip(&weight) {
                *s /= *w;
            }
            // It is drawn to what the room made of the other sounds.
            let mut expected = vec![Bin::default(); size];
            if let Some(sound) = self.room.expects(kind, &self.templates, length) {
                self.frames.forward(&sound, 1.0, frames, &mut expected);
            }
            self.powers.clear();
            self.powers.extend(sum.iter().zip(&expected).map(|(s, x)| (s - x).norm_sqr()));
            smoothed(&self.powers, &mut self.smooth);
            let template = &mut self.templates[kind];
            template.error = weight.iter().map(|w| 1.0 / w).collect();
            // A clock off by t puts a sound off by 2 pi f t of itself.
            let off: Vec<f32> = (0..BINS)
                .map(|k| {
                    let hz = (k + 1) as f64 * f64::from(EAR_RATE.get()) / FRAME as f64;
                    if place == 0 { 0.0 } else { (TAU * hz * unsure.get()).powi(2) as f32 }
                })
                .collect();
            for (k, (((s, x), e), p)) in
                sum.iter_mut().zip(&expected).zip(&template.error).zip(&self.smooth).enumerate()
            {
                let e = e + off[k % BINS] * x.norm_sqr();
                *s = x + (*s - x) * (1.0 - SHRINK * e / (p + 1e-20)).clamp(0.0, 1.0);
            }
            let band = &self.bands[kind];
            for row in sum.as_chunks_mut::<BINS>().0 {
                for (s, _) in row.iter_mut().zip(band).filter(|(_, heard)| !**heard) {
                    *s = Bin::default();
                }
            }
            template.sound = self.frames.inverse(&sum, length);
            template.bins = sum;
        }
    }

    /// Spectra of what is left around a sound, its sign undone, and their smoothed powers.
    fn look(&mut self, i: usize, frames: usize) {
        let cue = &self.cues[i];
        let from = usize::try_from(cue.sample).unwrap_or(0).min(self.rest.len());
        self.frames.forward(&self.rest[from..], cue.sign, frames, &mut self.spectra);
        self.powers.clear();
        self.powers.extend(self.spectra.iter().map(|s| s.norm_sqr()));
        smoothed(&self.powers, &mut self.smooth);
    }

    /// The floor of each bin.
    fn floor(&mut self, mine: &[usize], frames: usize) -> Vec<f32> {
        let step = mine.len().div_ceil(FLOOR_SOUNDS);
        let mut seen: Vec<Vec<f32>> = vec![Vec::new(); BINS];
        for &i in mine.iter().step_by(step) {
            self.look(i, frames);
            for row in self.smooth.as_chunks::<BINS>().0.iter().step_by(frames.div_ceil(48).max(1)) {
                for (seen, v) in seen.iter_mut().zip(row) {
                    seen.push(*v);
                }
            }
        }
        (seen.iter_mut())
            .map(|values| {
                let at = ((values.len() as f64 * FLOOR.0) as usize).min(values.len().saturating_sub(1));
                let low = if values.is_empty() { 0.0 } else { *values.select_nth_unstable_by(at, f32::total_cmp).1 };
                low * FLOOR.1 + 1e-12
            })
            .collect()
    }

    /// Delay and gain of each sound against its template; smoothed, they correct the clock and the gains.
    fn follow(&mut self) {
        self.without(AHEAD + SHORT);
        let frames = count(AHEAD + EARLY);
        let n = self.cues.len();
        let (mut delays, mut gains): (Vec<Known>, Vec<Known>) = (vec![None; n], vec![None; n]);
        let rate = EAR_RATE.get() as f32;
        for kind in 0..self.templates.len() {
            let sound = &self.templates[kind].sound;
            let slope: Vec<f32> = (0..sound.len())
                .map(|k| {
                    let (a, b) = (k.saturating_sub(1), (k + 1).min(sound.len() - 1));
                    (sound[b] - sound[a]) * rate / (b - a).max(1) as f32
                })
                .collect();
            let mut slopes = Vec::new();
            self.frames.forward(&slope, 1.0, frames, &mut slopes);
            for i in 0..n {
                if self.cues[i].kind != kind || !self.cues[i].used || sound_is_nothing(&self.templates[kind]) {
                    continue;
                }
                self.look(i, frames);
                let template = &self.templates[kind].bins[..frames * BINS];
                let (mut a, mut b, mut on, mut along) = (0.0f64, 0.0f64, 0.0f64, 0.0f64);
                for (((t, d), x), v) in template.iter().zip(&slopes).zip(&self.spectra).zip(&self.smooth) {
                    let w = 1.0 / (v + 1e-12);
                    a += f64::from(w * t.norm_sqr());
                    b += f64::from(w * d.norm_sqr());
                    on += f64::from(w * (t.re * x.re + t.im * x.im));
                    along += f64::from(w * (d.re * x.re + d.im * x.im));
                }
                let (amp, gain) = (f64::from(self.cues[i].amp), f64::from(self.cues[i].gain));
                let strength = amp * gain;
                gains[i] = Some((gain + on / (a * amp + 1e-9) - 1.0, 1.0 / (a * amp * amp + 1e-9)));
                delays[i] = Some((-along / (b * strength + 1e-9), 1.0 / (b * strength * strength + 1e-9)));
            }
        }
        let moved = curve(&delays, DELAYS.0, DELAYS.1);
        let old = std::mem::take(&mut self.clock.points);
        self.clock.points = moments(&self.cues, |i| {
            let at = self.cues[i].at;
            let k = old.partition_point(|p| p.0 < at - 1e-9);
            old.get(k).map_or(0.0, |p| p.1) + moved[i]
        });
        let moves = median(gains.iter().flatten().map(|g| g.0 * g.0 / g.1)).is_some_and(|m| m > GAIN_MOVES);
        let smooth = if moves { curve(&gains, GAINS.0, GAINS.1) } else { vec![0.0; n] };
        for (cue, g) in self.cues.iter_mut().zip(smooth) {
            cue.gain = (1.0 + g).clamp(GAIN_RANGE.0, GAIN_RANGE.1) as f32;
        }
    }

    /// Subtracts the templates from the recording, and puts what was found of the clock into its line.
    fn finish(mut self, sounds: &[Sound]) -> Apart {
        let ahead = AHEAD as i64;
        self.rest.fill(0.0);
        subtract(&self.cues, &self.templates, &mut self.rest, AHEAD + LENGTH);
        let mut leak = vec![0.0f32; self.x.len()];
        for span in self.clock.spans(-ahead, self.rest.len() as i64 - ahead) {
            let place = |k: i64| span.base + span.slope * k as f64;
            let from = place(span.from).ceil().max(0.0) as usize;
            let to = (place(span.to).ceil().max(0.0) as usize).min(leak.len());
            let slots = leak.get_mut(from..to).unwrap_or_default().iter_mut();
            self.sinc.fill(slots, &self.rest, |k| ((from + k) as f64 - span.base) / span.slope + AHEAD as f64);
        }
        leak.iter_mut().for_each(|v| *v = -*v);
        let left: Vec<f32> = self.x.iter().zip(&leak).map(|(x, l)| x - l).collect();
        let early = arrival(sounds, &self.templates, &self.cues);
        let mut clock = self.clock;
        straighten(&mut clock, &self.cues);
        clock.lock.start = clock.lock.start + early;
        Apart { left, leak, clock, cues: self.cues, templates: self.templates, bands: self.bands }
    }
}

/// Adds a sound's spectra (what is left, the template so far, the power of what is left) to a template's weighted sums.
#[inline(always)]
fn add(seen: (&[Bin], &[Bin], &[f32]), floor: &[f32], strength: f32, sums: (&mut [Bin], &mut [f32])) {
    let rows = seen.0.as_chunks::<BINS>().0.iter().zip(seen.1.as_chunks::<BINS>().0).zip(seen.2.as_chunks::<BINS>().0);
    let sums = sums.0.as_chunks_mut::<BINS>().0.iter_mut().zip(sums.1.as_chunks_mut::<BINS>().0);
    for (((rest, before), power), (sum, weight)) in rows.zip(sums) {
        for k in 0..BINS {
            let w = strength / (power[k] + floor[k]);
            sum[k].re += w * (rest[k].re + strength * before[k].re);
            sum[k].im += w * (rest[k].im + strength * before[k].im);
            weight[k] += w * strength;
        }
    }
}

fn sound_is_nothing(template: &Template) -> bool {
    template.bins.is_empty() || template.sound.iter().all(|v| v.abs() < 1e-12)
}

/// Takes the templates, with their signs, gains and places, away from `grid`.
fn subtract(cues: &[Cue], templates: &[Template], grid: &mut [f32], length: usize) {
    for cue in cues {
        let sound = &templates[cue.kind].sound;
        let from = usize::try_from(cue.sample).unwrap_or(0).min(grid.len());
        let factor = cue.sign * cue.amp * cue.gain;
        for (v, s) in grid[from..].iter_mut().zip(sound.iter().take(length)) {
            *v -= factor * s;
        }
    }
}

/// Moves the straight part of the wander into the line.
fn straighten(clock: &mut GuideClock, cues: &[Cue]) {
    let used: Vec<(f64, f64)> =
        (clock.points.iter()).filter(|p| cues.iter().any(|c| c.used && (c.at - p.0).abs() < 1e-6)).copied().collect();
    if used.len() < 4 {
        return;
    }
    let n = used.len() as f64;
    let (mt, mv) = (used.iter().map(|p| p.0).sum::<f64>() / n, used.iter().map(|p| p.1).sum::<f64>() / n);
    let var: f64 = used.iter().map(|p| (p.0 - mt).powi(2)).sum();
    let slope = used.iter().map(|p| (p.0 - mt) * (p.1 - mv)).sum::<f64>() / var.max(1e-9);
    let base = mv - slope * mt;
    clock.lock.start = clock.lock.start + Seconds::of(base);
    clock.lock.skew = Ppm(clock.lock.skew.0 + slope * 1e6);
    for p in &mut clock.points {
        p.1 -= base + slope * p.0;
    }
}
