//! A sound of any rate, block by block -> what is heard in it; and once more without the guide, where one plays.
//!
//! The sound is heard as it comes, so that an hour needs no more memory than a minute. Only where a guide was found is
//! it asked for again, and heard as the guide is taken out.

use std::collections::VecDeque;
use std::ops::ControlFlow;

use super::{GuideInTake, Notice, Take, find_guide};
use crate::guide::Guide;
use crate::holes::{self, Holes};
use crate::leak::{Band, Lock, Low, Reference, Remover, Rise, Rises};
use crate::onset::{Ear, Struck};
use crate::resample::{MAX_RATE, MIN_RATE, Resampler};
use crate::surface::FeatureBank;
use crate::units::{Decibels, EAR_RATE, SampleRate, Seconds};

/// Samples at or above this count as cut off at full scale. Recorders clip at 1; a decibel is left for what resampling
/// and coding do to a flat top.
const FULL_SCALE: f32 = 0.985;
/// So many samples at full scale make a strike clipped (common practice: three in a row).
const CLIPPED_SAMPLES: usize = 3;
/// What follows an attack within this many samples (20 ms) may be its peak.
const PEAK_SAMPLES: usize = 882;
/// Samples handed on at a time.
const BLOCK: usize = 1 << 16;

/// Go on or stop.
pub type Go = ControlFlow<()>;

/// Where the work is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Progress {
    /// What is being done.
    pub step: Step,
    /// Share of the step that is done, 0 to 1, where it is known.
    pub done: Option<f64>,
}

/// What is done with a recording, in this order; some of it not with every recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Step {
    /// Hearing it, or only the band of the guide where one is expected.
    Hearing,
    /// Looking for the guide.
    GuideSought,
    /// Taking it out, and hearing what is left.
    GuideTakenOut,
    /// Hearing it as it is, where a guide was expected and none plays.
    HearingAgain,
    /// Holding it against the part.
    Matching,
}

/// Hears of the progress and says whether to go on. Asked at the beginning of every step and after every block of sound;
/// what lies between takes some tenths of a second for a take of a minute.
pub type Watch<'a> = &'a mut dyn FnMut(Progress) -> Go;

/// Watches nothing and goes on.
pub fn quietly(_: Progress) -> Go {
    ControlFlow::Continue(())
}

/// Why there is no verdict.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ChainError<E: std::error::Error + 'static> {
    /// The sound could not be had.
    #[error(transparent)]
    Sound(E),
    /// Strikes cannot be placed in sound of this rate.
    #[error("the sound has {} samples a second, {} to {} can be heard", .0.get(), MIN_RATE.get(), MAX_RATE.get())]
    Rate(SampleRate),
    /// A strike that was named by its time was not heard.
    #[error("no strike was heard at {} s", .0.get())]
    NoStrike(Seconds),
    /// It was told to stop.
    #[error("it was told to stop")]
    Stopped,
}

/// It was told to stop.
pub(super) struct Stopped;

impl<E: std::error::Error + 'static> From<Stopped> for ChainError<E> {
    fn from(_: Stopped) -> Self {
        ChainError::Stopped
    }
}

impl<E: std::error::Error + 'static> ChainError<E> {
    /// The same for one who has other errors of sound.
    pub fn map<F: std::error::Error + 'static>(self, sound: impl FnOnce(E) -> F) -> ChainError<F> {
        match self {
            ChainError::Sound(error) => ChainError::Sound(sound(error)),
            ChainError::Rate(rate) => ChainError::Rate(rate),
            ChainError::NoStrike(at) => ChainError::NoStrike(at),
            ChainError::Stopped => ChainError::Stopped,
        }
    }
}

/// One channel of sound that can be played from its beginning as often as it is asked for.
pub trait Sound {
    /// Why it cannot be played.
    type Error: std::error::Error + 'static;

    /// Samples a second.
    fn rate(&self) -> SampleRate;

    /// Gives all samples, block by block, and how much of the sound (0 to 1) has been given after each, where that is
    /// known; ends early where it is told to. Full scale is 1.
    ///
    /// # Errors
    /// If the sound cannot be had.
    fn play(&mut self, each: &mut dyn FnMut(&[f32], Option<f64>) -> Go) -> Result<(), Self::Error>;

    /// What is to be said of the recording itself, once it has been played.
    fn notices(&self) -> Vec<Notice> {
        Vec::new()
    }

    /// Where sound of it is known to be lost, from when to when, in order, once it has been played.
    fn lost(&self) -> Vec<(Seconds, Seconds)> {
        Vec::new()
    }
}

/// Sound that is there as a whole.
#[derive(Clone, Copy, Debug)]
pub struct Samples<'a> {
    /// One channel; full scale is 1.
    pub samples: &'a [f32],
    /// Samples a second.
    pub rate: SampleRate,
}

impl Sound for Samples<'_> {
    type Error = std::convert::Infallible;

    fn rate(&self) -> SampleRate {
        self.rate
    }

    fn play(&mut self, each: &mut dyn FnMut(&[f32], Option<f64>) -> Go) -> Result<(), Self::Error> {
        let mut given = 0;
        for block in self.samples.chunks(BLOCK) {
            given += block.len();
            if each(block, Some(given as f64 / self.samples.len() as f64)).is_break() {
                break;
            }
        }
        Ok(())
    }
}

/// Samples of any rate -> samples at the ear's; what is no number becomes silence.
struct Intake {
    resampler: Resampler,
    clean: Vec<f32>,
    out: Vec<f32>,
    not_numbers: u64,
    /// Every sample so far is this one.
    flat: Option<f32>,
    any: bool,
}

impl Intake {
    fn new(rate: SampleRate) -> Option<Intake> {
        let resampler = Resampler::new(rate, EAR_RATE).filter(|_| (MIN_RATE..=MAX_RATE).contains(&rate))?;
        Some(Intake { resampler, clean: Vec::new(), out: Vec::new(), not_numbers: 0, flat: None, any: false })
    }

    /// What can be given on so far.
    fn push(&mut self, samples: &[f32]) -> &[f32] {
        self.clean.clear();
        self.clean.extend(samples.iter().map(|v| if v.is_finite() { *v } else { 0.0 }));
        self.not_numbers += samples.iter().filter(|v| !v.is_finite()).count() as u64;
        if let (false, Some(first)) = (self.any, self.clean.first()) {
            (self.any, self.flat) = (true, Some(*first));
        }
        self.flat = self.flat.filter(|first| self.clean.iter().all(|v| v.to_bits() == first.to_bits()));
        self.out.clear();
        self.resampler.push(&self.clean, &mut self.out);
        &self.out
    }

    fn finish(&mut self) -> &[f32] {
        self.out.clear();
        self.resampler.finish(&mut self.out);
        &self.out
    }

    fn notices(&self) -> Vec<Notice> {
        let flat = self.flat.map(|_| Notice::NoSound);
        let broken = (self.not_numbers > 0).then_some(Notice::NotNumbers(self.not_numbers));
        flat.into_iter().chain(broken).collect()
    }
}

/// The ear and all that goes with it.
struct Hearer {
    bank: FeatureBank,
    take: Take,
    ear: Ear,
    holes: Holes,
}

impl Hearer {
    fn new() -> Hearer {
        Hearer { bank: FeatureBank::new(), take: Take::default(), ear: Ear::new(), holes: Holes::new() }
    }

    fn push(&mut self, block: &[f32]) {
        self.holes.watch(block);
        let (bank, take) = (&mut self.bank, &mut self.take);
        self.ear.hear(block, &mut |struck| strike(bank, take, struck));
    }

    fn finish(mut self) -> Take {
        let (bank, take) = (&mut self.bank, &mut self.take);
        let mut heard = self.ear.finish(&mut |struck| strike(bank, take, struck));
        self.holes.doubt(&mut heard.audibility);
        Take { heard, ..self.take }
    }
}

fn strike(bank: &mut FeatureBank, take: &mut Take, struck: &Struck<'_>) {
    let (piece, at) = (struck.piece, struck.attack);
    take.features.push(bank.features(piece, at));
    let peak = &piece[at.min(piece.len())..(at + PEAK_SAMPLES).min(piece.len())];
    take.clipped.push(peak.iter().filter(|v| is_full(**v)).count() >= CLIPPED_SAMPLES);
}

fn is_full(sample: f32) -> bool {
    sample.abs() >= FULL_SCALE
}

/// Which samples of a recording are at full scale: a bit each, while they are asked for.
#[derive(Default)]
struct FullScale {
    bits: VecDeque<u64>,
    /// The first sample that is still known, and all there were.
    from: usize,
    len: usize,
}

impl FullScale {
    fn push(&mut self, samples: &[f32]) {
        for sample in samples {
            if self.len.is_multiple_of(64) {
                self.bits.push_back(0);
            }
            if let Some(last) = self.bits.back_mut() {
                *last |= u64::from(is_full(*sample)) << (self.len % 64);
            }
            self.len += 1;
        }
    }

    /// Whether the peak of a strike that begins here is cut off; nothing before it is asked for any more.
    fn cuts_off(&mut self, at: usize) -> bool {
        while self.from + 64 <= at.saturating_sub(PEAK_SAMPLES) && self.bits.pop_front().is_some() {
            self.from += 64;
        }
        let full = |k: &usize| {
            let k = k - self.from;
            self.bits.get(k / 64).is_some_and(|bits| bits >> (k % 64) & 1 == 1)
        };
        (at.max(self.from)..(at + PEAK_SAMPLES).min(self.len)).filter(full).count() >= CLIPPED_SAMPLES
    }
}

/// Hears what is left of a recording as its guide is taken out.
struct WithoutGuide {
    remover: Remover,
    rises: Rises,
    full: FullScale,
    /// What the recording itself lost: what was taken out of a hole fills it.
    holes: Holes,
    ear: Ear,
    bank: FeatureBank,
    take: Take,
    /// How each strike rises.
    risen: Vec<Option<Rise>>,
    start: Seconds,
}

impl WithoutGuide {
    fn new(guide: &Guide, lock: &Lock) -> WithoutGuide {
        let reference = Reference::of(guide);
        WithoutGuide {
            remover: Remover::new(&reference, lock),
            rises: Rises::new(&reference),
            full: FullScale::default(),
            holes: Holes::new(),
            ear: Ear::new(),
            bank: FeatureBank::new(),
            take: Take::default(),
            risen: Vec::new(),
            start: guide.start,
        }
    }

    fn push(&mut self, block: &[f32]) {
        let WithoutGuide { remover, rises, full, holes, ear, bank, take, risen, .. } = self;
        full.push(block);
        holes.watch(block);
        let mut beside = |struck: &Struck<'_>| left_strike(bank, take, full, rises, risen, struck);
        remover.push(block, &mut |left| ear.hear(left, &mut beside));
    }

    fn finish(self) -> Take {
        let WithoutGuide { remover, mut rises, mut full, holes, mut ear, mut bank, mut take, mut risen, start } = self;
        let mut beside = |struck: &Struck<'_>| {
            left_strike(&mut bank, &mut take, &mut full, &mut rises, &mut risen, struck);
        };
        let removed = remover.finish(&mut |left| ear.hear(left, &mut beside));
        take.heard = ear.finish(&mut beside);
        let heard: Vec<(Seconds, Decibels)> = take.heard.onsets.iter().map(|o| (o.at, o.level)).collect();
        take.leave_out(&removed.explains(&heard, &risen));
        removed.doubt(&mut take.heard.audibility);
        holes.doubt(&mut take.heard.audibility);
        take.guide = Some(GuideInTake { clock: removed.clock, start, sounds: removed.sounds });
        take
    }
}

/// A strike in what is left; whether it was cut off, the recording as it was says.
fn left_strike(
    bank: &mut FeatureBank,
    take: &mut Take,
    full: &mut FullScale,
    rises: &mut Rises,
    risen: &mut Vec<Option<Rise>>,
    struck: &Struck<'_>,
) {
    strike(bank, take, struck);
    let at = struck.onset.at;
    let place = (at.get() * f64::from(EAR_RATE.get())) as usize;
    if let Some(last) = take.clipped.last_mut() {
        *last = full.cuts_off(place);
    }
    risen.push(rises.at(struck.piece, at - struck.from.to_seconds(EAR_RATE)));
}

/// Hears sound that is pushed block by block, as it is recorded.
pub struct Listener {
    intake: Intake,
    hearer: Hearer,
    low: Low,
}

impl Listener {
    /// For one channel of this rate; `None` for a rate at which nothing can be placed ([`ChainError::Rate`]).
    pub fn new(rate: SampleRate) -> Option<Listener> {
        Some(Listener { intake: Intake::new(rate)?, hearer: Hearer::new(), low: Low::new() })
    }

    /// Hears the next samples; full scale is 1.
    pub fn push(&mut self, samples: &[f32]) {
        let block = self.intake.push(samples);
        self.low.push(block);
        self.hearer.push(block);
    }

    /// What was heard.
    pub fn finish(mut self) -> Listened {
        let block = self.intake.finish();
        self.low.push(block);
        self.hearer.push(block);
        Listened { notices: self.intake.notices(), take: self.hearer.finish(), low: self.low.finish() }
    }
}

/// What was heard in a recording in which a guide may still be.
#[derive(Clone, Debug)]
pub struct Listened {
    /// What was heard, the guide's sounds among it where one plays.
    pub take: Take,
    /// The band in which a guide is looked for.
    pub low: Band,
    /// What is to be said of the recording itself.
    pub notices: Vec<Notice>,
}

impl Listened {
    /// What is heard beside the guide: where one of these plays, the sound is played again and heard without it.
    ///
    /// # Errors
    /// Those of the sound; where `watch` says to stop.
    pub fn without<S: Sound>(
        self,
        sound: &mut S,
        guides: &[Guide],
        watch: Watch,
    ) -> Result<(Take, Vec<Notice>), ChainError<S::Error>> {
        let found = self.find(guides, watch)?;
        let Listened { take, notices, low } = self;
        drop(low);
        match found {
            Some((guide, lock)) => Ok((taken_out(sound, guide, &lock, watch)?, notices)),
            None => Ok((take, notices)),
        }
    }

    /// Which of these guides plays in it, and where; an error where `watch` says to stop.
    pub(super) fn find<'a>(&self, guides: &'a [Guide], watch: Watch) -> Result<Option<(&'a Guide, Lock)>, Stopped> {
        find(guides, &self.low, watch)
    }
}

fn find<'a>(guides: &'a [Guide], low: &Band, watch: Watch) -> Result<Option<(&'a Guide, Lock)>, Stopped> {
    if guides.is_empty() {
        return Ok(None);
    }
    go_on(watch, Step::GuideSought)?;
    Ok(find_guide(guides, low).and_then(|(which, lock)| Some((guides.get(which)?, lock))))
}

/// The beginning of a step.
pub(super) fn go_on(watch: Watch, step: Step) -> Result<(), Stopped> {
    if watch(Progress { step, done: None }).is_break() { Err(Stopped) } else { Ok(()) }
}

/// Plays a sound as it is.
fn play<S: Sound>(
    sound: &mut S,
    step: Step,
    watch: Watch,
    mut each: impl FnMut(&[f32]),
) -> Result<(), ChainError<S::Error>> {
    let mut stopped = false;
    let mut block = |samples: &[f32], done: Option<f64>| {
        each(samples);
        let go = watch(Progress { step, done });
        stopped = go.is_break();
        go
    };
    sound.play(&mut block).map_err(ChainError::Sound)?;
    if stopped { Err(ChainError::Stopped) } else { Ok(()) }
}

/// Plays a sound at the ear's rate; what is to be said of the recording.
fn played<S: Sound>(
    sound: &mut S,
    step: Step,
    watch: Watch,
    mut each: impl FnMut(&[f32]),
) -> Result<Vec<Notice>, ChainError<S::Error>> {
    let rate = sound.rate();
    let mut intake = Intake::new(rate).ok_or(ChainError::Rate(rate))?;
    play(sound, step, watch, |samples| each(intake.push(samples)))?;
    each(intake.finish());
    Ok(notices(sound, intake.notices()))
}

/// What a sound says of itself, and what its samples say.
fn notices<S: Sound>(sound: &S, mut by_samples: Vec<Notice>) -> Vec<Notice> {
    by_samples.extend(sound.notices());
    by_samples.sort();
    by_samples.dedup();
    by_samples
}

/// Hears a recording, with the band in which a guide is looked for.
///
/// # Errors
/// Those of the sound; where `watch` says to stop.
pub fn listen<S: Sound>(sound: &mut S, watch: Watch) -> Result<Listened, ChainError<S::Error>> {
    let rate = sound.rate();
    let mut listener = Listener::new(rate).ok_or(ChainError::Rate(rate))?;
    play(sound, Step::Hearing, watch, |samples| listener.push(samples))?;
    let mut listened = listener.finish();
    holes::unheard(&sound.lost(), &mut listened.take.heard.audibility);
    listened.notices = notices(sound, listened.notices);
    Ok(listened)
}

/// Hears a recording, without the guide where one of these plays in it. They are expected: without one in it, it is
/// played twice.
///
/// # Errors
/// Those of the sound; where `watch` says to stop.
pub fn hear<S: Sound>(
    sound: &mut S,
    guides: &[Guide],
    watch: Watch,
) -> Result<(Take, Vec<Notice>), ChainError<S::Error>> {
    if !guides.is_empty() {
        let mut low = Low::new();
        let notices = played(sound, Step::Hearing, watch, |block| low.push(block))?;
        let found = find(guides, &low.finish(), watch)?;
        if let Some((guide, lock)) = found {
            return Ok((taken_out(sound, guide, &lock, watch)?, notices));
        }
    }
    let step = if guides.is_empty() { Step::Hearing } else { Step::HearingAgain };
    let mut hearer = Hearer::new();
    let notices = played(sound, step, watch, |block| hearer.push(block))?;
    let mut take = hearer.finish();
    holes::unheard(&sound.lost(), &mut take.heard.audibility);
    Ok((take, notices))
}

/// Plays the sound once more and hears it without the guide.
pub(super) fn taken_out<S: Sound>(
    sound: &mut S,
    guide: &Guide,
    lock: &Lock,
    watch: Watch,
) -> Result<Take, ChainError<S::Error>> {
    let mut hearer = WithoutGuide::new(guide, lock);
    played(sound, Step::GuideTakenOut, watch, |block| hearer.push(block))?;
    let mut take = hearer.finish();
    holes::unheard(&sound.lost(), &mut take.heard.audibility);
    Ok(take)
}

/// Hears sound at [`EAR_RATE`] that is there as a whole, as it is.
pub fn hear_samples(samples: &[f32]) -> Take {
    let mut hearer = Hearer::new();
    samples.chunks(BLOCK).for_each(|block| hearer.push(block));
    hearer.finish()
}

/// The same without a guide that was found in it.
pub fn hear_without(samples: &[f32], guide: &Guide, lock: &Lock) -> Take {
    let mut hearer = WithoutGuide::new(guide, lock);
    samples.chunks(BLOCK).for_each(|block| hearer.push(block));
    hearer.finish()
}
