//! A file in any container -> interleaved samples at the recording's own rate, starting where the recording starts.
//!
//! Decoding is `symphonia`'s, Opus `libopus`'s. What is added: the right sound track; start and end padding taken off to
//! the sample, or a word that it is unknown; pieces that cannot be decoded or were left out replaced by silence of their
//! length, so that later strikes stay where they were played; an end that comes too early told from one that does not.
//!
//! Source: measured against a second decoder, container by container, by `scripts/outside/decode.sh`.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::LazyLock;

use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::well_known as id;
use symphonia::core::codecs::audio::{AudioCodecId, AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::codecs::registry::CodecRegistry;
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;

use super::error::AudioError;
use super::mp4::{self, SoundTrack};
use super::patched::{Patch, Patched};
use super::sniff::{self, CONVERT, Foreign};
use super::wav::{self, PcmStream, Wav};
use crate::units::Seconds;

/// More channels than any recorder has; beyond it a header is nonsense.
const MAX_CHANNELS: usize = 64;
/// A jump of the container's clock by more than this means that sound was left out. Browsers stamp pieces of 10 to 60 ms
/// with times that waver by a few milliseconds; shorter losses cannot be told from that.
const GAP: Seconds = Seconds::from_millis(40.0);
/// A jump beyond this is a broken clock, not a pause in a take; it is not filled.
const LONGEST_GAP: Seconds = Seconds::from_millis(600_000.0);
/// A jump counts only if so many later pieces agree with it, so that one wrong stamp moves nothing.
const AGREE: usize = 4;
/// If so many pieces in a row at the start cannot be decoded, nothing can.
const HOPELESS: u32 = 50;

static CODECS: LazyLock<CodecRegistry> = LazyLock::new(|| {
    let mut codecs = CodecRegistry::new();
    symphonia::default::register_enabled_codecs(&mut codecs);
    codecs.register_audio_decoder::<symphonia_adapter_libopus::OpusDecoder>();
    codecs
});

/// Whether time 0 is where the recording starts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Start {
    /// To the sample.
    Exact,
    /// Not known: a coder puts some silence first, and this file does not say how much. Times within the take are right.
    Unknown {
        /// Why, in plain words.
        why: &'static str,
    },
}

/// What the file says about itself.
#[derive(Clone, Debug)]
pub(super) struct Header {
    pub(super) container: &'static str,
    pub(super) coding: String,
    pub(super) rate: u32,
    pub(super) channels: usize,
    /// Samples per channel, if known.
    pub(super) frames: Option<u64>,
    pub(super) start: Start,
}

/// Why reading stopped for good.
pub(super) enum Stop {
    Io(std::io::Error),
    Damaged(Error),
    Changed,
}

/// A running decoder.
pub(super) struct Decoder {
    stream: Stream,
    channels: usize,
    /// Stretches of the decoded sound to keep, in samples per channel; the last may be open.
    keep: VecDeque<(u64, u64)>,
    /// Samples per channel that have been decoded, kept or not.
    at: u64,
    fresh: Vec<f32>,
    pub(super) undecodable: u64,
    pub(super) gaps: u32,
    pub(super) gap_frames: u64,
    pub(super) truncated: Option<String>,
    promised: Option<u64>,
    given: u64,
}

enum Stream {
    Pcm(PcmStream),
    Coded(Box<Coded>),
}

struct Coded {
    reader: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track: u32,
    rate: u32,
    /// Seconds in a unit of the container's clock, where its jumps mean something.
    clock: Option<f64>,
    queue: VecDeque<Packet>,
    ended: bool,
    last_frames: u64,
    /// Where the container's clock should stand now, from the piece before.
    expected: Option<f64>,
    failed_in_a_row: u32,
    decoded_any: bool,
    /// An end without warning is how this file ends (streams of unknown length).
    open_ended: bool,
}

/// Opens whatever is in `source`; `path` is for messages only.
pub(super) fn open<R: Read + Seek + Send + Sync + 'static>(
    mut source: R,
    path: &Path,
) -> Result<(Header, Decoder), AudioError> {
    let unreadable = |cause| AudioError::Open { path: path.into(), reason: "it cannot be read", source: Some(cause) };
    let mut head = Vec::new();
    source.seek(SeekFrom::Start(0)).map_err(unreadable)?;
    source.by_ref().take(sniff::HEAD as u64).read_to_end(&mut head).map_err(unreadable)?;
    match sniff::foreign(&head) {
        Some(Foreign::NotSound(found)) => return Err(AudioError::NotSound { path: path.into(), found }),
        Some(Foreign::Coding(found, way_out)) => return Err(coding(path, found.into(), way_out, None)),
        None => {}
    }
    if wav::is_wav(&head) {
        return match wav::inspect(&mut source).map_err(unreadable)? {
            Wav::Plain(layout) => {
                let header = Header {
                    container: "wav",
                    coding: layout.coding(),
                    rate: layout.rate,
                    channels: usize::from(layout.channels),
                    frames: Some(layout.frames()),
                    start: Start::Exact,
                };
                let mut decoder = Decoder::new(
                    Stream::Pcm(PcmStream::new(source, layout).map_err(unreadable)?),
                    usize::from(layout.channels),
                );
                if layout.cut() {
                    decoder.truncated = Some("the file ends before the length in its header".into());
                }
                Ok((header, decoder))
            }
            Wav::Coded { patches, samples, cut } => {
                let (header, mut decoder) = coded(source, path, "wav", patches, None)?;
                if let Some(samples) = samples {
                    decoder.keep = VecDeque::from([(0, samples)]);
                }
                if cut {
                    decoder.truncated = Some("the file ends before the length in its header".into());
                }
                Ok((header, decoder))
            }
            Wav::Unknown(found, way_out) => Err(coding(path, found, way_out, None)),
            Wav::Broken(reason) => {
                Err(AudioError::Damaged { path: path.into(), container: "wav", reason: reason.into(), source: None })
            }
        };
    }
    if mp4::is_film(&head) {
        return match mp4::sound_track(&mut source).map_err(unreadable)? {
            Ok(track) => coded(source, path, "mp4", track.patches.clone(), Some(track)),
            Err(mp4::Refusal::NoSoundTrack) => {
                Err(AudioError::NoSoundTrack { path: path.into(), container: "mp4" })
            }
            Err(mp4::Refusal::Coding(found, way_out)) => Err(coding(path, found, way_out, None)),
            Err(mp4::Refusal::Broken(reason)) => {
                Err(AudioError::Damaged { path: path.into(), container: "mp4", reason: reason.into(), source: None })
            }
        };
    }
    coded(source, path, "", Vec::new(), None)
}

fn coding(path: &Path, found: String, way_out: &'static str, source: Option<Error>) -> AudioError {
    AudioError::Coding { path: path.into(), found, way_out, source }
}

fn coded<R: Read + Seek + Send + Sync + 'static>(
    source: R,
    path: &Path,
    container: &'static str,
    patches: Vec<Patch>,
    film: Option<SoundTrack>,
) -> Result<(Header, Decoder), AudioError> {
    let unreadable = |cause| AudioError::Open { path: path.into(), reason: "it cannot be read", source: Some(cause) };
    let source = Patched::new(source, patches).map_err(unreadable)?;
    let stream = MediaSourceStream::new(Box::new(source), Default::default());
    let options = FormatOptions::default();
    let probed = symphonia::default::get_probe().probe(&Hint::new(), stream, options, MetadataOptions::default());
    let reader = match probed {
        Ok(reader) => reader,
        Err(Error::Unsupported(_)) if container.is_empty() => {
            return Err(AudioError::NotSound { path: path.into(), found: "something that is no known kind of recording" });
        }
        Err(Error::Unsupported(what)) => {
            return Err(coding(path, what.into(), CONVERT, Some(Error::Unsupported(what))));
        }
        Err(cause) => return Err(damaged(path, if container.is_empty() { "sound" } else { container }, cause)),
    };
    let container = reader.format_info().short_name;
    let container = if container == "isomp4" { "mp4" } else { container };
    let track = sound_of(reader.as_ref(), film.as_ref().map(|film| film.id))
        .ok_or_else(|| AudioError::NoSoundTrack { path: path.into(), container })?;
    let (track, mut params) = (track.clone(), audio_params(track).cloned().unwrap_or_default());
    let lead = lead_of(&mut params, container);
    let decoder = make_decoder(&params, path)?;
    let params = decoder.codec_params().clone();
    let rate = params.sample_rate.unwrap_or(0);
    let channels = params.channels.as_ref().map_or(0, |channels| channels.count());
    if rate == 0 || channels == 0 || channels > MAX_CHANNELS {
        let reason = format!("it claims {channels} channels at {rate} Hz");
        return Err(AudioError::Damaged { path: path.into(), container, reason, source: None });
    }
    let Placement { keep, start, frames } = placement(&track, &params, container, lead, film.as_ref());
    let clock = track.time_base.filter(|_| container == "matroska" || container == "ogg");
    let coded = Coded {
        reader,
        decoder,
        track: track.id,
        rate,
        clock: clock.map(|base| f64::from(base.numer.get()) / f64::from(base.denom.get())),
        queue: VecDeque::new(),
        ended: false,
        last_frames: 0,
        expected: None,
        failed_in_a_row: 0,
        decoded_any: false,
        open_ended: matches!(container, "matroska" | "ogg" | "mp3" | "aac") || frames.is_none(),
    };
    let mut decoder = Decoder::new(Stream::Coded(Box::new(coded)), channels);
    decoder.keep = keep;
    decoder.promised = frames;
    let header = Header { container, coding: coding_name(params.codec).into(), rate, channels, frames, start };
    Ok((header, decoder))
}

fn audio_params(track: &Track) -> Option<&AudioCodecParameters> {
    match &track.codec_params {
        Some(CodecParameters::Audio(params)) => Some(params),
        _ => None,
    }
}

/// The track asked for or, of several, the default sound track that can be decoded.
fn sound_of(reader: &dyn FormatReader, wanted: Option<u32>) -> Option<&Track> {
    let sound = || reader.tracks().iter().filter(|track| audio_params(track).is_some());
    let decodable = |track: &&Track| audio_params(track).is_some_and(|p| CODECS.get_audio_decoder(p.codec).is_some());
    let default = |track: &&Track| track.flags.contains(symphonia::core::formats::TrackFlags::DEFAULT);
    match wanted {
        Some(id) => sound().find(|track| track.id == id),
        None => sound()
            .filter(decodable)
            .find(default)
            .or_else(|| sound().find(decodable))
            .or_else(|| sound().next()),
    }
}

fn make_decoder(params: &AudioCodecParameters, path: &Path) -> Result<Box<dyn AudioDecoder>, AudioError> {
    // The padding of mp3 is taken off here: where a file does not state its length the decoder would go by a guess.
    let options = AudioDecoderOptions::default().gapless(params.codec != id::CODEC_ID_MP3);
    CODECS.make_audio_decoder(params, &options).map_err(|cause| {
        let found = match (params.codec, params.extra_data.as_deref()) {
            (id::CODEC_ID_AAC, Some(config)) => aac_profile(config).into(),
            (codec, _) => coding_name(codec).into(),
        };
        coding(path, found, CONVERT, Some(cause))
    })
}

/// Samples that an Opus coder put before the sound; taken out of the decoder's hands.
fn lead_of(params: &mut AudioCodecParameters, container: &str) -> u64 {
    if params.codec != id::CODEC_ID_OPUS {
        return 0;
    }
    // Opus is decoded at 48 kHz whatever it was recorded at (RFC 7845, section 5.1).
    params.sample_rate = Some(48_000);
    let Some(lead) = params.extra_data.as_mut().and_then(|head| head.get_mut(10..12)) else { return 0 };
    // Little-endian in an `OpusHead`, big-endian in the `dOps` box of an mp4 (Opus in ISOBMFF, 4.3.2).
    let bytes = [lead[0], lead[1]];
    lead.fill(0);
    u64::from(if container == "mp4" { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) })
}

struct Placement {
    keep: VecDeque<(u64, u64)>,
    start: Start,
    frames: Option<u64>,
}

/// Which part of the decoded sound is the recording.
fn placement(
    track: &Track,
    params: &AudioCodecParameters,
    container: &str,
    lead: u64,
    film: Option<&SoundTrack>,
) -> Placement {
    let rate = u64::from(params.sample_rate.unwrap_or(0));
    let lossy = [id::CODEC_ID_AAC, id::CODEC_ID_MP3].contains(&params.codec);
    let unknown = Start::Unknown { why: "the file does not say how much silence its coder put before the sound" };
    let start = if lossy { unknown } else { Start::Exact };
    let from = |start: u64| VecDeque::from([(start, u64::MAX)]);
    if let Some(film) = film {
        let total = track.duration.map(|d| d.get()).filter(|d| *d > 0).map(|d| scaled(d, rate, film.timescale));
        if let Some((padding, len)) = film.padding {
            let len = if len > 0 { len } else { u64::MAX };
            let keep = VecDeque::from([(padding, padding.saturating_add(len))]);
            return Placement { keep, start: Start::Exact, frames: total.map(|n| n.saturating_sub(padding).min(len)) };
        }
        if film.edits.is_empty() {
            return Placement { keep: from(lead), start, frames: total.map(|n| n.saturating_sub(lead)) };
        }
        let mut keep: VecDeque<(u64, u64)> = VecDeque::new();
        for edit in &film.edits {
            let begin = scaled(edit.start, rate, film.timescale);
            let end = edit.len.map_or(u64::MAX, |len| scaled(edit.start.saturating_add(len), rate, film.timescale));
            if keep.back().is_some_and(|(_, last)| *last > begin) {
                // Cut and put in another order: the whole is heard, from its first edit on.
                let why = "the film was cut and its pieces put in another order";
                let first = film.edits.iter().map(|edit| edit.start).min().unwrap_or(0);
                let keep = from(scaled(first, rate, film.timescale));
                return Placement { keep, start: Start::Unknown { why }, frames: None };
            }
            keep.push_back((begin, end));
        }
        let frames = total.map(|n| keep.iter().map(|(a, b)| (*b).min(n).saturating_sub(*a)).sum());
        return Placement { keep, start: Start::Exact, frames };
    }
    match (params.codec, track.delay, track.num_frames) {
        (id::CODEC_ID_OPUS, _, frames) => {
            let frames = frames.map(|n| if container == "ogg" { n.saturating_sub(lead) } else { n });
            Placement { keep: from(lead), start: Start::Exact, frames }
        }
        // The first samples of a stream that was cut out of another are lost with what they lean on; else exact.
        (id::CODEC_ID_VORBIS, ..) => Placement { keep: from(0), start, frames: track.num_frames },
        (id::CODEC_ID_MP3 | id::CODEC_ID_AAC, Some(delay), frames) => {
            let delay = u64::from(delay);
            let end = frames.map_or(u64::MAX, |n| delay.saturating_add(n));
            Placement { keep: VecDeque::from([(delay, end)]), start: Start::Exact, frames }
        }
        // Without a stated padding the number of samples is a guess from the bit rate.
        (id::CODEC_ID_MP3, None, _) => Placement { keep: from(0), start, frames: None },
        (_, delay, frames) => {
            let delay = delay.map_or(0, u64::from);
            let end = frames.filter(|n| *n > 0).map_or(u64::MAX, |n| delay.saturating_add(n));
            Placement { keep: VecDeque::from([(delay, end)]), start, frames: frames.filter(|n| *n > 0) }
        }
    }
}

/// `units` of a clock with `scale` units a second, in samples, to the nearest.
fn scaled(units: u64, rate: u64, scale: u32) -> u64 {
    let (units, rate, scale) = (u128::from(units), u128::from(rate), u128::from(scale.max(1)));
    u64::try_from((units * rate + scale / 2) / scale).unwrap_or(u64::MAX)
}

fn damaged(path: &Path, container: &'static str, cause: Error) -> AudioError {
    let reason = match &cause {
        Error::IoError(io) if io.kind() == std::io::ErrorKind::UnexpectedEof => "it ends inside its header".into(),
        Error::DecodeError(what) | Error::LimitError(what) | Error::Unsupported(what) => (*what).to_owned(),
        other => other.to_string(),
    };
    AudioError::Damaged { path: path.into(), container, reason, source: Some(cause) }
}

/// Name of the kind of AAC by its configuration (ISO/IEC 14496-3, table 1.17).
fn aac_profile(config: &[u8]) -> &'static str {
    let (first, second) = (config.first().copied().unwrap_or(0), config.get(1).copied().unwrap_or(0));
    let kind = match first >> 3 {
        31 => 32 + u16::from(first & 7) * 8 + u16::from(second >> 5),
        kind => u16::from(kind),
    };
    match kind {
        5 => "HE-AAC",
        29 => "HE-AAC v2",
        1 => "AAC Main",
        3 => "AAC SSR",
        4 => "AAC LTP",
        23 => "AAC LD",
        39 => "AAC ELD",
        42 => "xHE-AAC",
        _ => "an unusual kind of AAC",
    }
}

fn coding_name(codec: AudioCodecId) -> &'static str {
    match codec {
        id::CODEC_ID_AAC => "AAC",
        id::CODEC_ID_ALAC => "ALAC",
        id::CODEC_ID_FLAC => "FLAC",
        id::CODEC_ID_MP1 => "MPEG layer 1",
        id::CODEC_ID_MP2 => "MPEG layer 2",
        id::CODEC_ID_MP3 => "MP3",
        id::CODEC_ID_OPUS => "Opus",
        id::CODEC_ID_VORBIS => "Vorbis",
        id::CODEC_ID_ADPCM_MS | id::CODEC_ID_ADPCM_IMA_WAV | id::CODEC_ID_ADPCM_IMA_QT => "ADPCM",
        id::CODEC_ID_PCM_ALAW => "A-law",
        id::CODEC_ID_PCM_MULAW => "mu-law",
        id::CODEC_ID_AC3 => "AC-3",
        id::CODEC_ID_EAC3 => "E-AC-3",
        id::CODEC_ID_DCA => "DTS",
        id::CODEC_ID_SPEEX => "Speex",
        id::CODEC_ID_WAVPACK => "WavPack",
        codec if (id::CODEC_ID_PCM_S32LE..=id::CODEC_ID_PCM_F64BE_PLANAR).contains(&codec) => "plain samples",
        _ => "something unknown",
    }
}

impl Decoder {
    fn new(stream: Stream, channels: usize) -> Decoder {
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

    /// Appends the next interleaved samples, some or none; `false` at the end.
    ///
    /// # Errors
    /// If the disk fails, or if nothing can be decoded at all.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<bool, Stop> {
        if self.keep.is_empty() {
            return Ok(false);
        }
        self.fresh.clear();
        let more = match &mut self.stream {
            Stream::Pcm(pcm) => pcm.next(&mut self.fresh).map_err(Stop::Io)?,
            Stream::Coded(coded) => match coded.next(&mut self.fresh, self.channels) {
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
                    if !coded.open_ended {
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
    }
}

enum Step {
    Sound,
    Undecodable,
    Gap(u64),
    End,
}

impl Coded {
    fn next(&mut self, out: &mut Vec<f32>, channels: usize) -> Result<Step, Stop> {
        self.fill()?;
        if let Some(frames) = self.gap() {
            out.resize(out.len() + usize::try_from(frames).unwrap_or(0) * channels, 0.0);
            return Ok(Step::Gap(frames));
        }
        let Some(packet) = self.queue.pop_front() else { return Ok(Step::End) };
        let stamp = self.clock.map(|unit| packet.pts.get() as f64 * unit);
        let trimmed = packet.trim_start.get().saturating_add(packet.trim_end.get());
        let (step, frames) = match self.decoder.decode(&packet) {
            Ok(sound) => {
                let spec = sound.spec();
                if spec.rate() != self.rate || spec.channels().count() != channels {
                    return Err(Stop::Changed);
                }
                let start = out.len();
                out.resize(start + sound.samples_interleaved(), 0.0);
                sound.copy_to_slice_interleaved(out.get_mut(start..).unwrap_or_default());
                self.decoded_any |= sound.frames() > 0;
                self.failed_in_a_row = 0;
                (Step::Sound, sound.frames() as u64)
            }
            Err(Error::DecodeError(_) | Error::IoError(_) | Error::LimitError(_) | Error::Unsupported(_))
                if self.decoded_any || self.failed_in_a_row < HOPELESS =>
            {
                self.failed_in_a_row += 1;
                let frames = self.last_frames;
                out.resize(out.len() + usize::try_from(frames).unwrap_or(0) * channels, 0.0);
                (Step::Undecodable, frames)
            }
            Err(Error::ResetRequired) => return Err(Stop::Changed),
            Err(cause) => return Err(Stop::Damaged(cause)),
        };
        if frames > 0 {
            self.last_frames = frames.saturating_add(trimmed);
        }
        self.expected = stamp.map(|at| at + self.last_frames as f64 / f64::from(self.rate));
        Ok(step)
    }

    /// Reads ahead far enough to judge a jump of the clock.
    fn fill(&mut self) -> Result<(), Stop> {
        let want = if self.clock.is_some() { AGREE + 1 } else { 1 };
        while self.queue.len() < want && !self.ended {
            match self.reader.next_packet() {
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
        let (unit, expected) = (self.clock?, self.expected?);
        let first = self.queue.front()?.pts.get();
        let jump = first as f64 * unit - expected;
        if jump < GAP.get() || jump > LONGEST_GAP.get() || self.queue.len() <= AGREE {
            return None;
        }
        let piece = self.last_frames as f64 / f64::from(self.rate);
        let agrees = |(k, packet): (usize, &Packet)| {
            packet.pts.get() as f64 * unit - (expected + k as f64 * piece) > 0.5 * jump
        };
        if !self.queue.iter().enumerate().all(agrees) {
            return None;
        }
        self.expected = Some(expected + jump);
        Some((jump * f64::from(self.rate)).round() as u64)
    }
}
