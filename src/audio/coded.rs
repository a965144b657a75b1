//! Packets -> decoded pieces, each where it was played.
//!
//! Every container's own clock says where a piece belongs: numbers of samples (flac), of frames (mp3, aac), granule
//! positions (ogg), time stamps (webm, mkv). What could not be decoded, and what the clock says is missing, becomes silence
//! of its length and is remembered as lost. Where there is no clock (mp4, whose tables leave no room for a gap) a piece
//! follows the one before.

use std::collections::VecDeque;
use std::ops::Range;

use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error;

use super::demux::{Batch, Demux, Stamp};
use super::guard::{GAVE_UP, MAX_CHANNELS, Stop, guarded};
use crate::stats::median;

/// Silence is handed on in pieces of so many samples per channel; no coding in use has longer packets but flac, whose
/// numbers of samples say how long they are.
const PIECE: u64 = 8192;
/// If so many pieces in a row at the start cannot be decoded, nothing can; if so many in a row are of another kind than
/// those before, the sound has changed.
const HOPELESS: u32 = 50;
/// A stamp tells less than this from nothing: seconds. The clock of webm counts milliseconds.
const TICK_S: f64 = 0.001;
/// Stamps of browsers waver by some milliseconds around the samples; a step is told from that if it is this many times
/// the usual distance, and at least half a packet.
const WAVER: f64 = 4.0;
/// How fast the usual distance between stamps and samples is followed: over some 25 packets. The clocks of a sound card and
/// a browser part by a second in some hours.
const FOLLOW: f64 = 0.04;
/// A step of the clock counts if it lasts: one wrong stamp, or one wrong cluster, moves nothing. Clusters end after 33 s at
/// the latest, for their packets are stamped with 16 bits of milliseconds.
const LASTS_S: f64 = 34.0;
/// And at most so many samples are looked at together (16 MiB).
const MAX_AHEAD: usize = 1 << 22;
/// A gap is whole packets where it is that nearly: the clock's tick and half of it, seconds.
const WHOLE_S: f64 = 0.0015;

/// How the stamps of a container are meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Clock {
    /// There is none.
    None,
    /// To the sample, from the beginning of the recording.
    Exact,
    /// As the recorder's own clock went.
    Wavering,
}

/// A decoded batch.
struct Piece {
    /// Interleaved; empty where nothing could be decoded.
    samples: Vec<f32>,
    /// Samples per channel.
    frames: u64,
    /// Those of them that are silence in place of sound.
    lost: Vec<Range<u64>>,
    stamp: Option<f64>,
    /// What goes beyond the stamp of its end is padding; something before it is known to be missing.
    last: bool,
    gap: bool,
}

/// A demultiplexer and a decoder at work.
pub(super) struct Coded {
    demux: Box<dyn Demux>,
    decoder: Box<dyn AudioDecoder>,
    pub(super) rate: u32,
    pub(super) channels: usize,
    /// Seconds in a unit of the container's clock.
    unit: f64,
    clock: Clock,
    queue: VecDeque<Piece>,
    ended: bool,
    stopped: Option<Stop>,
    last_frames: u64,
    /// Samples per channel handed on.
    at: u64,
    /// What the clock says at sample 0, in samples, and the usual distance of stamps from it.
    base: Option<f64>,
    waver: f64,
    /// Whether the piece before was lost, so that its length is a guess.
    guessed: bool,
    /// Samples of a gap still to be filled.
    missing: u64,
    odd_in_a_row: u32,
    pub(super) decoded_any: bool,
    /// An end without warning is how this file ends (streams of unknown length).
    pub(super) open_ended: bool,
    pub(super) gaps: u32,
    pub(super) gap_frames: u64,
    /// Silence in place of sound that was not asked about yet.
    pub(super) lost: Vec<Range<u64>>,
}

impl Coded {
    /// `unit`: seconds in a unit of the stamps.
    pub(super) fn new(demux: Box<dyn Demux>, decoder: Box<dyn AudioDecoder>, clock: Clock, unit: Option<f64>) -> Coded {
        let params = decoder.codec_params();
        Coded {
            rate: params.sample_rate.unwrap_or(0),
            channels: params.channels.as_ref().map_or(0, |channels| channels.count()),
            demux,
            decoder,
            unit: unit.unwrap_or(0.0),
            clock: if unit.is_some() { clock } else { Clock::None },
            queue: VecDeque::new(),
            ended: false,
            stopped: None,
            last_frames: 0,
            at: 0,
            base: None,
            waver: 0.0,
            guessed: false,
            missing: 0,
            odd_in_a_row: 0,
            decoded_any: false,
            open_ended: false,
            gaps: 0,
            gap_frames: 0,
            lost: Vec::new(),
        }
    }

    /// Whether the clock says 0 where the recording begins, whatever it says of the first piece that is there.
    pub(super) fn counts_from_zero(&mut self, zero: bool) {
        self.base = (zero && self.clock == Clock::Exact).then_some(0.0);
    }

    /// Decodes the first sound, which says what the header may have got wrong; `false` if there is none.
    pub(super) fn begin(&mut self) -> Result<bool, Stop> {
        while !self.decoded_any {
            if !self.read_piece()? {
                return self.stopped.take().map_or(Ok(false), Err);
            }
        }
        Ok(true)
    }

    /// Appends what comes next; `false` at the end.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<bool, Stop> {
        if self.missing > 0 {
            let frames = self.missing.min(PIECE);
            self.missing -= frames;
            self.silence(frames, out);
            return Ok(true);
        }
        if self.queue.is_empty() && !self.read_piece()? {
            return self.stopped.take().map_or(Ok(false), Err);
        }
        let jump = match self.clock {
            Clock::None => 0,
            Clock::Exact => self.exact_jump(),
            Clock::Wavering => self.wavering_jump()?,
        };
        if jump > 0 {
            self.missing = jump;
            self.gaps += 1;
            self.gap_frames += jump;
            self.guessed = false;
            return Ok(true);
        }
        let Some(piece) = self.queue.pop_front() else { return Ok(true) };
        self.guessed = piece.lost.last().is_some_and(|lost| lost.end == piece.frames && lost.start < lost.end);
        if piece.samples.is_empty() {
            self.silence(piece.frames, out);
        } else {
            let at = self.at;
            self.lost.extend(piece.lost.iter().map(|lost| lost.start + at..lost.end + at));
            out.extend_from_slice(&piece.samples);
            self.at += piece.frames;
        }
        Ok(true)
    }

    /// At the end: whether something is missing there.
    pub(super) fn cut(&self) -> bool {
        self.demux.cut()
    }

    fn silence(&mut self, frames: u64, out: &mut Vec<f32>) {
        self.lost.push(self.at..self.at + frames);
        self.at += frames;
        out.resize(out.len() + usize::try_from(frames).unwrap_or(0) * self.channels.min(MAX_CHANNELS), 0.0);
    }

    /// Puts one more piece at the end of the queue; `false` at the end.
    fn read_piece(&mut self) -> Result<bool, Stop> {
        if self.ended {
            return Ok(false);
        }
        let batch = match guarded(|| self.demux.next()) {
            Ok(Some(batch)) => batch,
            Ok(None) => {
                self.ended = true;
                return Ok(false);
            }
            Err(cause) => {
                self.ended = true;
                self.stopped = Some(match cause {
                    Error::IoError(io) if io.kind() != std::io::ErrorKind::UnexpectedEof => return Err(Stop::Io(io)),
                    Error::ResetRequired => Stop::Changed,
                    cause => Stop::Damaged(cause),
                });
                return Ok(false);
            }
        };
        let piece = self.decode(&batch)?;
        self.queue.push_back(piece);
        Ok(true)
    }

    fn decode(&mut self, batch: &Batch) -> Result<Piece, Stop> {
        let (mut samples, mut frames, mut lost) = (Vec::new(), 0, Vec::new());
        for packet in &batch.packets {
            let before = samples.len();
            let step = guarded(|| {
                let sound = self.decoder.decode(packet)?;
                let found = (sound.spec().rate(), sound.spec().channels().count());
                if !self.decoded_any {
                    (self.rate, self.channels) = found;
                } else if found != (self.rate, self.channels) {
                    return Ok(None);
                }
                samples.resize(before + sound.samples_interleaved(), 0.0);
                sound.copy_to_slice_interleaved(samples.get_mut(before..).unwrap_or_default());
                Ok(Some(sound.frames() as u64))
            });
            let cause = match step {
                Ok(Some(decoded)) => {
                    self.decoded_any |= decoded > 0;
                    self.odd_in_a_row = 0;
                    frames += decoded;
                    if decoded > 0 {
                        let trimmed = packet.trim_start.get().saturating_add(packet.trim_end.get());
                        self.last_frames = decoded.saturating_add(trimmed);
                    }
                    continue;
                }
                Ok(None) | Err(Error::ResetRequired) => None,
                Err(cause) => Some(cause),
            };
            self.odd_in_a_row += 1;
            if self.odd_in_a_row >= HOPELESS && (cause.is_none() || !self.decoded_any) {
                return Err(cause.map_or(Stop::Changed, Stop::Damaged));
            }
            if matches!(cause, Some(Error::DecodeError(GAVE_UP))) {
                // Whatever state it was left in.
                self.decoder.reset();
            }
            let told = packet.dur.get() as f64 * self.unit * f64::from(self.rate);
            let told = told.clamp(0.0, PIECE as f64).round() as u64;
            let length = if self.last_frames > 0 { self.last_frames } else { told };
            samples.truncate(before);
            if self.decoded_any {
                let length = usize::try_from(length).unwrap_or(0);
                samples.resize(before + length * self.channels.min(MAX_CHANNELS), 0.0);
            }
            lost.push(frames..frames + length);
            frames += length;
        }
        let rate = f64::from(self.rate);
        let scaled = |at: i64| at as f64 * self.unit * rate;
        let (stamp, last, gap) = match batch.stamp {
            Stamp::Begins(at) => (scaled(at), false, false),
            Stamp::Ends { at, last, lost } => (scaled(at) - frames as f64, last, lost),
        };
        Ok(Piece { samples, frames, lost, stamp: (self.unit > 0.0).then_some(stamp), last, gap })
    }

    /// By how much the front of the queue stands later than it would on its own, in samples.
    fn offset(&self) -> Option<f64> {
        let stamp = self.queue.front()?.stamp?;
        Some(stamp - self.base? - self.at as f64)
    }

    /// Samples left out before the next piece, by a clock that counts samples.
    fn exact_jump(&mut self) -> u64 {
        let Some(front) = self.queue.front() else { return 0 };
        if self.base.is_none() {
            // A page may begin before the recording does or, in a stream cut out of another, after.
            self.base = front.stamp.map(|stamp| if front.gap || front.last { 0.0 } else { stamp });
        }
        let (gap, last) = (front.gap, front.last);
        let Some(offset) = self.offset().map(f64::round) else { return 0 };
        if offset >= 1.0 {
            // Between pages that follow one another a millisecond is a coder's own reckoning.
            if gap || offset > TICK_S * f64::from(self.rate) {
                return offset as u64;
            }
            self.base = self.base.map(|base| base + offset);
        } else if offset <= -1.0 {
            let too_many = (-offset) as u64;
            if last {
                self.trim_end(too_many);
            } else if self.guessed || gap {
                self.trim_start(too_many);
            } else {
                self.base = self.base.map(|base| base + offset);
            }
        }
        0
    }

    fn trim_end(&mut self, frames: u64) {
        if let Some(piece) = self.queue.front_mut() {
            piece.frames = piece.frames.saturating_sub(frames);
            piece.samples.truncate(usize::try_from(piece.frames).unwrap_or(0) * self.channels);
            piece.lost.retain(|lost| lost.end <= piece.frames);
        }
    }

    fn trim_start(&mut self, frames: u64) {
        if let Some(piece) = self.queue.front_mut() {
            let frames = frames.min(piece.frames);
            piece.frames -= frames;
            let count = usize::try_from(frames).unwrap_or(0) * self.channels;
            piece.samples.drain(..count.min(piece.samples.len()));
            for lost in &mut piece.lost {
                *lost = lost.start.saturating_sub(frames)..lost.end.saturating_sub(frames);
            }
            piece.stamp = piece.stamp.map(|stamp| stamp + frames as f64);
        }
    }

    /// Samples left out before the next piece, by the recorder's own clock: a step that lasts.
    fn wavering_jump(&mut self) -> Result<u64, Stop> {
        let Some(front) = self.queue.front() else { return Ok(0) };
        // The first packet of some codings gives no sound, but has its place on the clock.
        if self.base.is_none() && front.frames > 0 {
            self.base = front.stamp;
        }
        let (rate, front_frames) = (f64::from(self.rate), front.frames);
        let Some(offset) = self.offset() else { return Ok(0) };
        let step = (0.5 * self.last_frames as f64).max(WAVER * self.waver).max(2.0 * TICK_S * rate);
        if offset.abs() < step {
            self.waver += FOLLOW * (offset.abs() - self.waver);
            self.base = self.base.map(|base| base + FOLLOW * offset);
            return Ok(0);
        }
        let until = (LASTS_S * rate) as u64;
        let (mut frames, mut samples) = (0, 0);
        let mut seen = 0;
        while frames < until && samples < MAX_AHEAD {
            if seen == self.queue.len() && !self.read_piece()? {
                break;
            }
            let Some(piece) = self.queue.get(seen) else { break };
            frames += piece.frames;
            samples += piece.samples.len();
            seen += 1;
        }
        let mut at = self.at as f64 + self.base.unwrap_or(0.0);
        let offsets: Vec<f64> = (self.queue.iter().take(seen))
            .filter_map(|piece| {
                let offset = piece.stamp? - at;
                at += piece.frames as f64;
                Some(offset)
            })
            .collect();
        let lasts = |side: f64| offsets.iter().filter(|o| *o * side > 0.5 * step).count();
        let side = offset.signum();
        let last = offsets.iter().rev().take(5);
        if 10 * lasts(side) < 9 * offsets.len() || !last.clone().all(|o| o * side > 0.5 * step) {
            return Ok(0);
        }
        // Later gaps add to this one.
        let near = offsets.iter().take(25).filter(|o| (*o - offset).abs() < step).copied();
        let Some(jump) = median(near) else { return Ok(0) };
        if jump < 0.0 {
            // The clock was set back, or stamps overlap: it goes on from here.
            self.base = self.base.map(|base| base + jump);
            return Ok(0);
        }
        let packets = (jump / front_frames.max(1) as f64).round() * front_frames as f64;
        let jump = if (jump - packets).abs() < WHOLE_S * rate && packets > 0.0 { packets } else { jump };
        Ok(jump.round() as u64)
    }
}
