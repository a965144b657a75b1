//! A demultiplexer and a decoder -> interleaved samples, piece by piece, each where it was played.
//!
//! Pieces that cannot be decoded, and pieces that the container's clock says were left out, become silence of their
//! length; start and end padding are dropped; an end that comes too early is told from one that does not.

use std::cell::Cell;
use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Once;

use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error;
use symphonia::core::formats::{FormatReader, Track};
use symphonia::core::packet::Packet;

use super::error::AudioError;
use super::wav::PcmStream;
use crate::units::Seconds;

/// More channels than any recorder has; beyond it a header is nonsense.
pub(super) const MAX_CHANNELS: usize = 32;
/// A jump of the container's clock by more than this means that sound was left out. Browsers stamp pieces of 10 to 60 ms
/// with times that waver by a few milliseconds; shorter losses cannot be told from that.
const GAP: Seconds = Seconds::from_millis(40.0);
/// A jump beyond this is a broken clock, not a loss in a take; it is not filled.
const LONGEST_GAP: Seconds = Seconds::from_millis(10_000.0);
/// Nor is anything filled once so much has been: no take that is worth hearing has lost more.
const ALL_GAPS: Seconds = Seconds::from_millis(300_000.0);
/// Silence is handed on in pieces of so many samples per channel.
const PIECE: u64 = 8192;
/// A jump counts only if so many later pieces agree with it, so that one wrong stamp moves nothing.
const AGREE: usize = 4;
/// If so many pieces in a row at the start cannot be decoded, nothing can.
const HOPELESS: u32 = 50;

thread_local! {
    /// Whether this thread is inside a decoder.
    static INSIDE: Cell<bool> = const { Cell::new(false) };
}
static QUIET: Once = Once::new();

/// Runs a step of the decoders. On damaged files they may panic (in debug builds, on arithmetic that wraps in others); that
/// is one more way of being undecodable, and not to be told as a crash: what a panic prints is held back while inside.
pub(super) fn guarded<T>(step: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    QUIET.call_once(|| {
        let tell = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |what| {
            if !INSIDE.get() {
                tell(what);
            }
        }));
    });
    INSIDE.set(true);
    let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(step));
    INSIDE.set(false);
    done.unwrap_or(Err(Error::DecodeError(GAVE_UP)))
}

const GAVE_UP: &str = "the decoder gave up on it";

/// Why reading stopped for good.
pub(super) enum Stop {
    Io(std::io::Error),
    Damaged(Error),
    Changed,
}

impl Stop {
    /// As an error of the whole recording; `at`: how much of it had been read.
    pub(super) fn into_error(self, path: PathBuf, container: &'static str, at: Seconds) -> AudioError {
        let (reason, source) = match self {
            Stop::Io(source) => return AudioError::Read { path, at, source },
            Stop::Damaged(cause) => ("nothing in it can be decoded", Some(cause)),
            Stop::Changed => ("its sound is not of the kind its header says", None),
        };
        AudioError::Damaged { path, container, reason: reason.into(), source }
    }
}

/// A running decoder.
pub(super) struct Decoder {
    stream: Stream,
    channels: usize,
    /// Stretches of the decoded sound to keep, in samples per channel; the last may be open.
    pub(super) keep: VecDeque<(u64, u64)>,
    /// Samples per channel that have been decoded, kept or not.
    at: u64,
    pub(super) fresh: Vec<f32>,
    pub(super) undecodable: u64,
    pub(super) gaps: u32,
    pub(super) gap_frames: u64,
    pub(super) truncated: Option<String>,
    pub(super) promised: Option<u64>,
    given: u64,
}

pub(super) enum Stream {
    Pcm(PcmStream),
    Coded(Box<Coded>),
}

/// A demultiplexer and a decoder at work.
pub(super) struct Coded {
    pub(super) reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    pub(super) rate: u32,
    pub(super) channels: usize,
    /// Seconds in a unit of the container's clock, and whether its jumps mean something.
    unit: Option<f64>,
    clock: bool,
    queue: VecDeque<Packet>,
    ended: bool,
    last_frames: u64,
    /// Where the container's clock should stand now, from the piece before.
    expected: Option<f64>,
    /// Samples of a gap still to be filled, and seconds of gaps so far.
    missing: u64,
    filled: f64,
    failed_in_a_row: u32,
    pub(super) decoded_any: bool,
    /// An end without warning is how this file ends (streams of unknown length).
    pub(super) open_ended: bool,
}

impl Decoder {
    pub(super) fn new(stream: Stream, channels: usize) -> Decoder {
        Decoder {
            stream,
            channels,
            keep: VecDeque::from([(0, u64::MAX)]),
            at: 0,
            fresh: Vec::new(),
            undecodable: 0,
            gaps: 0,
            gap_frames: 0,
            truncated: None,
            promised: None,
            given: 0,
        }
    }

    /// The same; `cut`: its header promises more than the file holds.
    pub(super) fn ending_early(mut self, cut: bool) -> Decoder {
        if cut {
            self.truncated = Some("the file ends in the middle of its sound".into());
        }
        self
    }

    /// Appends the next interleaved samples, some or none; `false` at the end.
    ///
    /// # Errors
    /// If the disk fails, or if nothing can be decoded at all.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<bool, Stop> {
        if self.keep.is_empty() {
            return Ok(false);
        }
        if !self.fresh.is_empty() {
            self.take(out);
            return Ok(true);
        }
        let more = match &mut self.stream {
            Stream::Pcm(pcm) => pcm.next(&mut self.fresh).map_err(Stop::Io)?,
            Stream::Coded(coded) => match coded.next(&mut self.fresh) {
                Ok(Step::Sound) => true,
                Ok(Step::Undecodable) => {
                    self.undecodable += 1;
                    true
                }
                Ok(Step::Gap(frames)) => {
                    self.gaps += 1;
                    self.gap_frames += frames;
                    true
                }
                Ok(Step::End) => false,
                Err(Stop::Changed) => {
                    self.truncated = Some("the number of channels or the rate changes in the middle".into());
                    false
                }
                Err(Stop::Damaged(cause)) if coded.decoded_any => {
                    if !coded.open_ended || matches!(cause, Error::DecodeError(GAVE_UP)) {
                        self.truncated = Some(format!("the rest cannot be read: {cause}"));
                    }
                    false
                }
                Err(stop) => return Err(stop),
            },
        };
        if !more {
            // A stated length may be a little off; a missing piece of any coding in use is longer than this.
            let missing = self.promised.is_some_and(|promised| promised > self.given + 4096);
            if missing && self.truncated.is_none() {
                self.truncated = Some("the file ends before the length it states".into());
            }
            return Ok(false);
        }
        self.take(out);
        Ok(true)
    }

    /// Moves the part of the fresh samples that is to be kept.
    fn take(&mut self, out: &mut Vec<f32>) {
        let fresh = (self.fresh.len() / self.channels) as u64;
        let end = self.at + fresh;
        while let Some(&(from, to)) = self.keep.front() {
            let (a, b) = (from.max(self.at), to.min(end));
            if a < b {
                let [a, b] = [a, b].map(|k| usize::try_from(k - self.at).unwrap_or(0) * self.channels);
                out.extend_from_slice(self.fresh.get(a..b).unwrap_or_default());
                self.given += ((b - a) / self.channels) as u64;
            }
            if to > end {
                break;
            }
            self.keep.pop_front();
        }
        self.at = end;
        self.fresh.clear();
    }
}

/// What came next.
pub(super) enum Step {
    Sound,
    Undecodable,
    /// So many samples per channel were left out; silence follows.
    Gap(u64),
    End,
}

impl Coded {
    /// `clock`: whether jumps of the container's clock mean that sound was left out.
    pub(super) fn new(
        reader: Box<dyn FormatReader>,
        decoder: Box<dyn AudioDecoder>,
        track: &Track,
        clock: bool,
    ) -> Coded {
        let params = decoder.codec_params();
        Coded {
            rate: params.sample_rate.unwrap_or(0),
            channels: params.channels.as_ref().map_or(0, |channels| channels.count()),
            reader,
            decoder,
            track: track.id,
            unit: track.time_base.map(|base| f64::from(base.numer.get()) / f64::from(base.denom.get())),
            clock,
            queue: VecDeque::new(),
            ended: false,
            last_frames: 0,
            expected: None,
            missing: 0,
            filled: 0.0,
            failed_in_a_row: 0,
            decoded_any: false,
            open_ended: false,
        }
    }

    /// Appends the next piece.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<Step, Stop> {
        if self.missing > 0 {
            let frames = self.missing.min(PIECE);
            self.missing -= frames;
            self.silence(frames, out);
            return Ok(Step::Sound);
        }
        self.fill()?;
        if let Some(frames) = self.gap() {
            self.missing = frames;
            return Ok(Step::Gap(frames));
        }
        let Some(packet) = self.queue.pop_front() else { return Ok(Step::End) };
        let stamp = self.unit.map(|unit| packet.pts.get() as f64 * unit);
        let trimmed = packet.trim_start.get().saturating_add(packet.trim_end.get());
        let (step, frames) = match guarded(|| self.decode(&packet, out)) {
            Ok(Some(frames)) => (Step::Sound, frames),
            Ok(None) | Err(Error::ResetRequired) => return Err(Stop::Changed),
            Err(cause) if self.hopeless(&cause) => {
                return Err(Stop::Damaged(cause));
            }
            Err(_) => {
                self.failed_in_a_row += 1;
                let told = self.unit.map_or(0.0, |unit| packet.dur.get() as f64 * unit * f64::from(self.rate));
                // No coding in use has longer pieces.
                let told = told.clamp(0.0, PIECE as f64).round() as u64;
                let frames = if self.last_frames > 0 { self.last_frames } else { told };
                self.silence(frames, out);
                (Step::Undecodable, frames)
            }
        };
        if frames > 0 {
            self.last_frames = frames.saturating_add(trimmed);
        }
        self.expected = stamp.map(|at| at + self.last_frames as f64 / f64::from(self.rate));
        Ok(step)
    }

    /// Appends the sound of a piece; says how long it is, or nothing if it is of another kind than the pieces before.
    fn decode(&mut self, packet: &Packet, out: &mut Vec<f32>) -> Result<Option<u64>, Error> {
        let sound = self.decoder.decode(packet)?;
        let found = (sound.spec().rate(), sound.spec().channels().count());
        if !self.decoded_any && out.is_empty() {
            (self.rate, self.channels) = found;
        } else if found != (self.rate, self.channels) {
            return Ok(None);
        }
        let start = out.len();
        out.resize(start + sound.samples_interleaved(), 0.0);
        sound.copy_to_slice_interleaved(out.get_mut(start..).unwrap_or_default());
        self.decoded_any |= sound.frames() > 0;
        self.failed_in_a_row = 0;
        Ok(Some(sound.frames() as u64))
    }

    fn hopeless(&self, cause: &Error) -> bool {
        matches!(cause, Error::DecodeError(GAVE_UP)) || !self.decoded_any && self.failed_in_a_row >= HOPELESS
    }

    fn silence(&self, frames: u64, out: &mut Vec<f32>) {
        out.resize(out.len() + usize::try_from(frames).unwrap_or(0) * self.channels.min(MAX_CHANNELS), 0.0);
    }

    /// Reads ahead far enough to judge a jump of the clock.
    fn fill(&mut self) -> Result<(), Stop> {
        let want = if self.clock { AGREE + 1 } else { 1 };
        while self.queue.len() < want && !self.ended {
            match guarded(|| self.reader.next_packet()) {
                Ok(Some(packet)) if packet.track_id == self.track => self.queue.push_back(packet),
                Ok(Some(_)) => {}
                Ok(None) => self.ended = true,
                Err(cause) => {
                    self.ended = true;
                    let end = matches!(&cause, Error::IoError(io) if io.kind() == std::io::ErrorKind::UnexpectedEof);
                    match cause {
                        Error::IoError(io) if !end => return Err(Stop::Io(io)),
                        _ if self.queue.is_empty() => return Err(Stop::Damaged(cause)),
                        _ => {}
                    }
                }
            }
        }
        Ok(())
    }

    /// Samples left out before the next piece, if the container's clock says so and goes on saying so.
    fn gap(&mut self) -> Option<u64> {
        let (unit, expected) = (self.unit.filter(|_| self.clock)?, self.expected?);
        let first = self.queue.front()?.pts.get();
        let jump = first as f64 * unit - expected;
        if jump < GAP.get() || jump > LONGEST_GAP.get() || self.filled > ALL_GAPS.get() || self.queue.len() <= AGREE {
            return None;
        }
        let piece = self.last_frames as f64 / f64::from(self.rate);
        let agrees =
            |(k, packet): (usize, &Packet)| packet.pts.get() as f64 * unit - (expected + k as f64 * piece) > 0.5 * jump;
        if !self.queue.iter().enumerate().all(agrees) {
            return None;
        }
        self.expected = Some(expected + jump);
        self.filled += jump;
        Some((jump * f64::from(self.rate)).round() as u64)
    }
}
