//! Any recording -> blocks of samples at one rate. The edge: the only step that reads sound files.
//!
//! In: a file of any kind a phone, a browser or a recorder makes (wav, aiff, caf, flac, mp3, ogg, m4a, mov, mp4, webm,
//! mkv, aac), recognised by what is in it. Out: one channel at [`EAR_RATE`], in blocks, so that memory does not grow
//! with the take; [`Info`] at the start, [`Facts`] at the end.
//!
//! Sample `n` stands at `n / EAR_RATE` seconds from where the recording starts: start padding of coders is taken off,
//! the resampler's delay too, and what could not be decoded or was left out is silence of its length. Where a file does
//! not say how much padding there is, [`Info::start`] says so; times within the take are right all the same.
//!
//! ```no_run
//! # fn main() -> Result<(), pailbeat::audio::AudioError> {
//! let mut take = pailbeat::audio::open(std::path::Path::new("take.m4a"))?;
//! let mut block = Vec::new();
//! while take.next_block(&mut block)? {
//!     // `block` holds the next samples.
//! }
//! println!("{} samples, {:.1} % clipped", take.facts().samples.0, 100.0 * take.facts().clipped);
//! # Ok(())
//! # }
//! ```

mod capture;
mod channels;
mod coded;
mod decode;
mod demux;
mod device;
mod error;
mod follow;
mod frames;
mod gauge;
mod growing;
mod guard;
mod iff;
mod mkv;
mod mp4;
mod ogg;
mod patched;
mod playback;
mod slips;
mod sniff;
mod stream;
mod wav;

use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

pub use crate::wav::{note, note_of, wav};
pub use capture::{Ended, Microphone, Recorded, Recording, Watch};
pub use channels::Heard;
pub use decode::Start;
pub use device::{DeviceError, devices};
pub use error::AudioError;
pub use follow::Follow;
pub use gauge::Facts;
pub use growing::GrowingWav;
pub use playback::Loudspeaker;
pub use slips::{Slip, SlipWatch};

use crate::resample::Resampler;
pub use crate::resample::{MAX_RATE, MIN_RATE};
use crate::units::{EAR_RATE, SampleRate, Samples, Seconds};
use channels::Chooser;
use gauge::Gauge;
use guard::Stop;
use stream::Decoder;

/// A take is at most so long: more than the longest lesson, and what can be judged in one go.
pub const MAX_TAKE: Seconds = Seconds::from_millis(7_200_000.0);

/// Blocks are at least so many samples per channel of the recording, except the last.
const BLOCK: usize = 8192;

/// What a recording says about itself.
#[derive(Clone, Debug, PartialEq)]
pub struct Info {
    /// Kind of file: `wav`, `mp4`, `matroska` …
    pub container: &'static str,
    /// How the sound is coded: `AAC`, `Opus`, `16 bit integer` …
    pub coding: String,
    /// The recording's own rate.
    pub rate: SampleRate,
    /// How many channels it has.
    pub channels: u16,
    /// How long it says it is.
    pub length: Option<Seconds>,
    /// Whether time 0 is where the recording starts.
    pub start: Start,
}

/// A recording that is being read.
pub struct Source {
    path: PathBuf,
    info: Info,
    decoder: Decoder,
    chooser: Chooser,
    gauge: Gauge,
    resampler: Resampler,
    /// Interleaved samples as decoded, and the one channel that is heard.
    decoded: Vec<f32>,
    heard: Vec<f32>,
    /// What [`open`] had to decode to know that there is sound.
    first: Vec<f32>,
    given: u64,
    ended: bool,
    facts: Facts,
}

/// Opens a recording and decodes its beginning.
///
/// # Errors
/// If the file cannot be read, holds no sound, or sound that cannot be decoded or heard; [`AudioError::hint`] says what
/// to do.
pub fn open(path: &Path) -> Result<Source, AudioError> {
    let fail = |reason, source| AudioError::Open { path: path.into(), reason, source };
    let explain = |cause: std::io::Error| match cause.kind() {
        std::io::ErrorKind::NotFound => fail("there is no such file", Some(cause)),
        std::io::ErrorKind::PermissionDenied => fail("it may not be read", Some(cause)),
        _ => fail("it cannot be opened", Some(cause)),
    };
    let about = std::fs::metadata(path).map_err(explain)?;
    if about.is_dir() {
        return Err(fail("it is a folder", None));
    }
    if !about.is_file() {
        return Err(fail("it is not an ordinary file", None));
    }
    open_source(std::fs::File::open(path).map_err(explain)?, path)
}

/// As [`open`], for a recording in memory or elsewhere; `name` is for messages.
///
/// # Errors
/// As [`open`].
pub fn open_source<R: Read + Seek + Send + Sync + 'static>(source: R, name: &Path) -> Result<Source, AudioError> {
    let (header, decoder) = decode::open(source, name)?;
    let damaged = || AudioError::Damaged {
        path: name.into(),
        container: header.container,
        reason: format!("it claims a rate of {} Hz", header.rate),
        source: None,
    };
    let rate = SampleRate::new(header.rate).ok_or_else(damaged)?;
    if rate < MIN_RATE || rate > MAX_RATE {
        return Err(AudioError::Rate { path: name.into(), found: rate, expected: (MIN_RATE, MAX_RATE) });
    }
    let too_long = |found| AudioError::TooLong { path: name.into(), found, most: MAX_TAKE };
    if let Some(lasts) = header.lasts.map(|frames| Samples(frames).to_seconds(rate)).filter(|lasts| *lasts > MAX_TAKE) {
        return Err(too_long(Some(lasts)));
    }
    let resampler = Resampler::new(rate, EAR_RATE).ok_or_else(damaged)?;
    let chooser = Chooser::new(header.channels, rate.get() as usize);
    let facts = Facts {
        samples: Samples(0),
        length: Seconds::ZERO,
        clipped: 0.0,
        dropouts: 0,
        dropped: Seconds::ZERO,
        gaps: (0, Seconds::ZERO),
        holes: Vec::new(),
        not_numbers: 0,
        truncated: None,
        peak: 0.0,
        flat: true,
        heard: chooser.heard(),
        channel_changes: 0,
    };
    let container = header.container;
    let info = Info {
        container,
        coding: header.coding,
        rate,
        channels: u16::try_from(header.channels).unwrap_or(u16::MAX),
        length: header.frames.map(|frames| Samples(frames).to_seconds(rate)),
        start: header.start,
    };
    let mut source = Source {
        path: name.into(),
        info,
        decoder,
        chooser,
        gauge: Gauge::new(rate),
        resampler,
        decoded: Vec::new(),
        heard: Vec::new(),
        first: Vec::new(),
        given: 0,
        ended: false,
        facts,
    };
    let mut first = Vec::new();
    source.decode_block(&mut first)?;
    if first.is_empty() {
        return Err(AudioError::Empty { path: name.into(), container });
    }
    source.first = first;
    Ok(source)
}

impl Source {
    /// What the recording says about itself.
    pub fn info(&self) -> &Info {
        &self.info
    }

    /// What it can be trusted for; complete when [`Source::next_block`] has given `false`.
    pub fn facts(&self) -> &Facts {
        &self.facts
    }

    /// All samples that are left.
    ///
    /// # Errors
    /// As [`Source::next_block`].
    pub fn read_to_end(&mut self) -> Result<Vec<f32>, AudioError> {
        let (mut samples, mut block) = (Vec::new(), Vec::new());
        while self.next_block(&mut block)? {
            samples.extend_from_slice(&block);
        }
        Ok(samples)
    }

    /// Puts the next samples into `block`, in place of what was there; `false`, and none, at the end. Full scale is 1.
    ///
    /// # Errors
    /// If the disk fails. A file that ends too early is no error: [`Facts::truncated`] says so at the end.
    pub fn next_block(&mut self, block: &mut Vec<f32>) -> Result<bool, AudioError> {
        block.clear();
        if self.first.is_empty() {
            self.decode_block(block)?;
        } else {
            std::mem::swap(block, &mut self.first);
            self.first = Vec::new();
        }
        self.given += block.len() as u64;
        self.facts.samples = Samples(self.given);
        Ok(!block.is_empty())
    }

    /// Decodes until there is something to give out or the end is reached.
    fn decode_block(&mut self, out: &mut Vec<f32>) -> Result<(), AudioError> {
        while out.is_empty() && !self.ended {
            self.decoded.clear();
            while self.decoded.len() < BLOCK * usize::from(self.info.channels) && !self.ended {
                self.ended = !self.decoder.next(&mut self.decoded).map_err(|stop| self.stopped(stop))?;
            }
            self.gauge.not_numbers += gauge::silence_nonsense(&mut self.decoded);
            self.heard.clear();
            self.chooser.push(&self.decoded, &mut self.heard);
            if self.ended {
                self.chooser.finish(&mut self.heard);
            }
            self.gauge.watch(&self.heard);
            if Samples(self.gauge.samples).to_seconds(self.info.rate) > MAX_TAKE {
                return Err(AudioError::TooLong { path: self.path.clone(), found: None, most: MAX_TAKE });
            }
            self.resampler.push(&self.heard, out);
            if self.ended {
                self.resampler.finish(out);
                self.conclude();
            }
        }
        Ok(())
    }

    fn conclude(&mut self) {
        let rate = self.info.rate;
        self.facts = Facts {
            samples: self.facts.samples,
            length: Samples(self.gauge.samples).to_seconds(rate),
            clipped: self.gauge.clipped(),
            dropouts: self.gauge.dropouts,
            dropped: self.gauge.dropped(rate),
            gaps: (self.decoder.gaps, Samples(self.decoder.gap_frames).to_seconds(rate)),
            holes: (self.decoder.holes.iter())
                .map(|hole| (Samples(hole.start).to_seconds(rate), Samples(hole.end).to_seconds(rate)))
                .collect(),
            not_numbers: self.gauge.not_numbers,
            truncated: self.decoder.truncated.take(),
            peak: self.gauge.peak(),
            flat: self.gauge.flat(),
            heard: self.chooser.heard(),
            channel_changes: self.chooser.changes,
        };
    }

    fn stopped(&self, stop: Stop) -> AudioError {
        let at = Samples(self.gauge.samples).to_seconds(self.info.rate);
        stop.into_error(self.path.clone(), self.info.container, at)
    }
}
