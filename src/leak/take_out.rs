//! A section of a recording and the guide's place in it -> the section without the guide ([`super::sections`] says which).
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
use super::template::{AHEAD, Cue, LENGTH, Template};
use super::{Lock, Ppm};
use crate::guide::Sound;
use crate::stats::median;
use crate::units::{EAR_RATE, Seconds};

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

/// What the work on every section needs.
pub(super) struct Tools {
    sinc: Sinc,
    frames: Frames,
    sounds: Vec<Sound>,
    /// The bins that each sound can be heard in.
    bands: Vec<Vec<bool>>,
}

impl Tools {
    pub(super) fn new(sounds: Vec<Sound>) -> Tools {
        let mut frames = Frames::new();
        let bands = sounds.iter().map(|s| band(*s, &mut frames)).collect();
        Tools { sinc: Sinc::new(), frames, sounds, bands }
    }
}

/// A section taken apart.
pub(super) struct Apart<'a> {
    x: &'a [f32],
    from: usize,
    sinc: &'a Sinc,
    /// The guide's sounds upside down on its own clock, from sample `origin` of it on.
    laid: Vec<f32>,
    origin: i64,
    /// Where the templates say the guide's moments stand, and where its direct sound does.
    follows: GuideClock,
    pub(super) clock: GuideClock,
    /// How much later than was thought the direct sound comes.
    pub(super) early: Seconds,
    pub(super) cues: Vec<Cue>,
    pub(super) templates: Vec<Template>,
}

struct Work<'a> {
    /// The section, and its place in the recording.
    x: &'a [f32],
    from: usize,
    sinc: &'a Sinc,
    frames: &'a mut Frames,
    cues: Vec<Cue>,
    clock: GuideClock,
    templates: Vec<Template>,
    room: Room,
    bands: &'a [Vec<bool>],
    /// The section on the guide's clock, from sample `origin` of the guide on; and a piece of it without the templates.
    grid: Vec<f32>,
    origin: i64,
    rest: Vec<f32>,
    spectra: Vec<Bin>,
    powers: Vec<f32>,
    smooth: Vec<f32>,
}

/// Takes these sounds of the guide, the first of which begins at sample `begins` of it or later, out of the section `x`, which
/// begins at sample `from` of the recording.
pub(super) fn take_out<'a>(
    tools: &'a mut Tools,
    cues: Vec<Cue>,
    begins: i64,
    (x, from): (&'a [f32], usize),
    lock: &Lock,
) -> Apart<'a> {
    let rate = f64::from(EAR_RATE.get());
    // A guide made at another rate has its sounds between these samples.
    let points = moments(&cues, |i| cues[i].at - cues[i].sample as f64 / rate);
    let origin = begins - AHEAD as i64;
    let end = cues.last().map_or(0, |c| c.sample);
    let len = usize::try_from(end - origin).unwrap_or(0) + LENGTH + 1;
    let Tools { sinc, frames, sounds, bands } = tools;
    let mut work = Work {
        x,
        from,
        sinc,
        frames,
        cues,
        clock: GuideClock { lock: *lock, points },
        templates: sounds.iter().map(|_| Template::default()).collect(),
        room: Room::new(sounds),
        bands,
        grid: vec![0.0; len],
        origin,
        rest: Vec::new(),
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
    work.finish(sounds)
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

impl<'a> Work<'a> {
    /// Lays the section out on the guide's clock, `length` samples of every sound.
    fn lay(&mut self, length: usize) {
        let (n, behind) = (self.x.len() as f64, self.from as f64);
        let (ahead, origin) = (AHEAD as i64, self.origin);
        let spans = self.clock.spans(origin, origin + self.grid.len() as i64);
        let mut done = origin;
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
                let slots = usize::try_from(j - origin).ok().and_then(|i| self.grid.get_mut(i..)).unwrap_or_default();
                let slots = slots.iter_mut().take(usize::try_from(end - j).unwrap_or(0));
                let place = |k: usize| span.base + span.slope * (j + k as i64) as f64 - behind;
                self.sinc.fill(slots, self.x, place);
                j = end.max(j + 1);
            }
            done = done.max(to);
        }
        let frames = count(length);
        let rate = f64::from(EAR_RATE.get());
        for cue in &mut self.cues {
            let place = |sample: i64| self.clock.at(Seconds::of(sample as f64 / rate)).get() * rate - behind;
            let (begin, slope) = (place(cue.sample - ahead), 1.0 + self.clock.lock.skew.0 * 1e-6);
            cue.used = begin + AHEAD as f64 >= 0.0 && place(cue.sample + 2205) < n;
            let first = (-begin / slope / HOP as f64).ceil().max(0.0) as usize;
            let last = ((n - begin) / slope - FRAME as f64) / HOP as f64;
            cue.inside = (first.min(frames), if last < 0.0 { 0 } else { (last as usize + 1).min(frames) });
        }
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
            let mine: Vec<usize> =
                (0..self.cues.len()).filter(|&i| self.cues[i].kind == kind && self.cues[i].used).collect();
            if mine.is_empty() {
                continue;
            }
            let mut before = Vec::new();
            self.frames.forward(&self.templates[kind].sound, 1.0, frames, &mut before);
            let floor = self.floor(&mine, length, frames);
            let (mut sum, mut weight) = (vec![Bin::default(); size], vec![1e-12f32; size]);
            for &i in &mine {
                self.look(i, length, frames);
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

    /// Spectra of what is left around a sound, its sign undone, and their smoothed powers: of what the templates, `length`
    /// samples of every sound, do not explain.
    fn look(&mut self, i: usize, length: usize, frames: usize) {
        let cue = &self.cues[i];
        let from = cue.sample - AHEAD as i64;
        let within = usize::try_from(from - self.origin).ok().and_then(|k| self.grid.get(k..)).unwrap_or_default();
        self.rest.clear();
        self.rest.extend(within.iter().take((frames.max(1) - 1) * HOP + FRAME));
        subtract(&self.cues, &self.templates, &mut self.rest, from, length);
        self.frames.forward(&self.rest, cue.sign, frames, &mut self.spectra);
        self.powers.clear();
        self.powers.extend(self.spectra.iter().map(|s| s.norm_sqr()));
        smoothed(&self.powers, &mut self.smooth);
    }

    /// The floor of each bin.
    fn floor(&mut self, mine: &[usize], length: usize, frames: usize) -> Vec<f32> {
        let step = mine.len().div_ceil(FLOOR_SOUNDS);
        let mut seen: Vec<Vec<f32>> = vec![Vec::new(); BINS];
        for &i in mine.iter().step_by(step) {
            self.look(i, length, frames);
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
                self.look(i, AHEAD + SHORT, frames);
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

    /// Lays the templates out, and puts what was found of the clock into its line.
    fn finish(self, sounds: &[Sound]) -> Apart<'a> {
        let mut laid = self.grid;
        laid.fill(0.0);
        subtract(&self.cues, &self.templates, &mut laid, self.origin, AHEAD + LENGTH);
        let early = arrival(sounds, &self.templates, &self.cues);
        let mut clock = self.clock.clone();
        let used: Vec<f64> = self.cues.iter().filter(|c| c.used).map(|c| c.at).collect();
        straighten(&mut clock, &used);
        clock.lock.start = clock.lock.start + early;
        let Work { x, from, sinc, clock: follows, cues, templates, origin, .. } = self;
        Apart { x, from, sinc, laid, origin, follows, clock, early, cues, templates }
    }
}

impl Apart<'_> {
    /// What is of the guide in samples `from..to` of the recording, into `out`.
    pub(super) fn leak(&self, from: usize, to: usize, out: &mut Vec<f32>) {
        out.clear();
        out.resize(to.saturating_sub(from), 0.0);
        for span in self.follows.spans(self.origin, self.origin + self.laid.len() as i64) {
            let place = |k: i64| span.base + span.slope * k as f64;
            let first = (place(span.from).ceil().max(0.0) as usize).max(from);
            let behind = (place(span.to).ceil().max(0.0) as usize).min(to);
            if first < behind {
                let slots = out[first - from..behind - from].iter_mut();
                let place = |k: usize| ((first + k) as f64 - span.base) / span.slope - self.origin as f64;
                self.sinc.fill(slots, &self.laid, place);
            }
        }
        out.iter_mut().for_each(|v| *v = -*v);
    }

    /// What is left in the samples that `leak` is of, from sample `from` of the recording on, into `out`.
    pub(super) fn left(&self, from: usize, leak: &[f32], out: &mut Vec<f32>) {
        let x = from.checked_sub(self.from).and_then(|k| self.x.get(k..)).unwrap_or_default();
        out.clear();
        out.extend(x.iter().zip(leak).map(|(x, l)| x - l));
    }

    /// Where the section ends in the recording.
    pub(super) fn end(&self) -> usize {
        self.from + self.x.len()
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

/// Takes the templates, with their signs, gains and places, away from a piece of the guide's clock from `from` on.
fn subtract(cues: &[Cue], templates: &[Template], piece: &mut [f32], from: i64, length: usize) {
    let (ahead, end) = (AHEAD as i64, from + piece.len() as i64);
    let first = cues.partition_point(|c| c.sample - ahead + length as i64 <= from);
    for cue in cues[first..].iter().take_while(|c| c.sample - ahead < end) {
        let sound = templates[cue.kind].sound.iter().take(length);
        let factor = cue.sign * cue.amp * cue.gain;
        let begins = cue.sample - ahead - from;
        let (cut, at) = (usize::try_from(-begins).unwrap_or(0), usize::try_from(begins).unwrap_or(0));
        for (v, s) in piece[at..].iter_mut().zip(sound.skip(cut)) {
            *v -= factor * s;
        }
    }
}

/// Moves the straight part of the wander, by the moments that are `used`, into the line.
pub(super) fn straighten(clock: &mut GuideClock, used: &[f64]) {
    let is_used = |at: f64| {
        let next = used.partition_point(|u| *u < at - 1e-6);
        used.get(next).is_some_and(|u| (u - at).abs() < 1e-6)
    };
    let used: Vec<(f64, f64)> = clock.points.iter().filter(|p| is_used(p.0)).copied().collect();
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
