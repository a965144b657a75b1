//! A file in any container -> interleaved samples at the recording's own rate, starting where the recording starts.
//!
//! Decoding is `symphonia`'s, Opus `libopus`'s. What is added: the right sound track, and start and end padding taken off
//! to the sample, or a word that it is unknown.
//!
//! Source: measured against a second decoder, container by container, by `scripts/outside/decode.py`.

use std::collections::VecDeque;
use std::io::{Read, Seek, SeekFrom};
use std::path::Path;
use std::sync::LazyLock;

use symphonia::core::audio::Channels;
use symphonia::core::codecs::CodecParameters;
use symphonia::core::codecs::audio::well_known as id;
use symphonia::core::codecs::audio::{AudioCodecId, AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::codecs::registry::CodecRegistry;
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use super::coded::{Clock, Coded};
use super::demux::{Demux, OneTrack};
use super::error::AudioError;
use super::frames::{Frames, Kind};
use super::guard::{MAX_CHANNELS, guarded};
use super::iff;
use super::mkv;
use super::mp4::{self, SoundTrack};
use super::ogg::Pages;
use super::patched::{Patch, Patched};
use super::sniff::{self, CONVERT, Foreign};
use super::stream::{Decoder, Stream};
use super::wav::{self, PcmStream, Wav};
use crate::units::Seconds;

static CODECS: LazyLock<CodecRegistry> = LazyLock::new(|| {
    let mut codecs = CodecRegistry::new();
    symphonia::default::register_enabled_codecs(&mut codecs);
    codecs.register_audio_decoder::<symphonia_adapter_libopus::OpusDecoder>();
    codecs
});

/// No coding in use has pieces of more samples per channel; FLAC's, the longest, end at 65 535.
const LONGEST_PIECE: u64 = 1 << 17;

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
    /// Samples per channel that are there, as far as can be told before they are read; it may be a little more.
    pub(super) lasts: Option<u64>,
    pub(super) start: Start,
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
                    lasts: Some(layout.there()),
                    start: Start::Exact,
                };
                let stream = Stream::Pcm(PcmStream::new(source, layout).map_err(unreadable)?);
                let decoder = Decoder::new(stream, usize::from(layout.channels), layout.rate);
                Ok((header, decoder.ending_early(layout.cut())))
            }
            Wav::Coded { patches, samples, cut } => {
                let (header, mut decoder) = coded(source, path, "wav", patches, None)?;
                if let Some(samples) = samples {
                    decoder.keep = VecDeque::from([(0, samples)]);
                }
                Ok((header, decoder.ending_early(cut)))
            }
            Wav::Unknown(found, way_out) => Err(coding(path, found, way_out, None)),
            Wav::Broken(reason) => {
                Err(AudioError::Damaged { path: path.into(), container: "wav", reason: reason.into(), source: None })
            }
        };
    }
    if mkv::is_mkv(&head) {
        let mkv::Repair { patches, cut, lasts_s } = mkv::repair(&mut source, &head).map_err(unreadable)?;
        let (mut header, decoder) = coded(source, path, "matroska", patches, None)?;
        header.lasts = lasts_s.map(|s| (s * f64::from(header.rate)) as u64);
        return Ok((header, decoder.ending_early(cut)));
    }
    if mp4::is_film(&head) {
        return match mp4::sound_track(&mut source).map_err(unreadable)? {
            Ok(track) => {
                let cut = track.cut;
                let (header, decoder) = coded(source, path, "mp4", track.patches.clone(), Some(track))?;
                Ok((header, decoder.ending_early(cut)))
            }
            Err(mp4::Refusal::NoSoundTrack) => Err(AudioError::NoSoundTrack { path: path.into(), container: "mp4" }),
            Err(mp4::Refusal::Coding(found, way_out)) => Err(coding(path, found, way_out, None)),
            Err(mp4::Refusal::Broken(reason)) => {
                Err(AudioError::Damaged { path: path.into(), container: "mp4", reason: reason.into(), source: None })
            }
        };
    }
    let iff::Repair { patches, cut } = iff::repair(&mut source, &head).map_err(unreadable)?;
    let (header, decoder) = coded(source, path, "", patches, None)?;
    Ok((header, decoder.ending_early(cut)))
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
    let (options, about) = (FormatOptions::default(), MetadataOptions::default());
    let reader = match guarded(|| symphonia::default::get_probe().probe(&Hint::new(), stream, options, about)) {
        Ok(reader) => reader,
        Err(Error::Unsupported(_)) if container.is_empty() => {
            return Err(AudioError::NotSound {
                path: path.into(),
                found: "something that is no known kind of recording",
            });
        }
        Err(Error::Unsupported(what)) => {
            return Err(coding(path, what.into(), CONVERT, Some(Error::Unsupported(what))));
        }
        Err(cause) => return Err(damaged(path, if container.is_empty() { "sound" } else { container }, cause)),
    };
    let container = reader.format_info().short_name;
    let container = match container {
        "isomp4" => "mp4",
        "wave" => "wav",
        other => other,
    };
    let track = sound_of(reader.as_ref(), film.as_ref().map(|film| film.id))
        .ok_or_else(|| AudioError::NoSoundTrack { path: path.into(), container })?;
    let (track, mut params) = (track.clone(), audio_params(track).cloned().unwrap_or_default());
    if let Some(film) = &film {
        complete(&mut params, film);
    }
    let lead = lead_of(&mut params, container);
    let half_band = half_band(&mut params);
    if let Some(reason) = impossible(&params) {
        return Err(AudioError::Damaged { path: path.into(), container, reason, source: None });
    }
    let decoder = make_decoder(&params, path)?;
    let params = decoder.codec_params().clone();
    let tracks = reader.tracks().len();
    let length = reader.media_info().time_base.zip(reader.media_info().duration);
    let (demux, clock, unit) = demultiplexer(reader, &track, params.codec, container).map_err(unreadable)?;
    let mut coded = Coded::new(demux, decoder, clock, unit);
    // Numbers of samples and of frames count from the beginning; pages may begin anywhere.
    coded.counts_from_zero(container != "ogg");
    match coded.begin() {
        Ok(true) => {}
        Ok(false) => return Err(AudioError::Empty { path: path.into(), container }),
        Err(stop) => return Err(stop.into_error(path.into(), container, Seconds::ZERO)),
    }
    let (rate, channels) = (coded.rate, coded.channels);
    if rate == 0 || channels == 0 || channels > MAX_CHANNELS {
        let reason = format!("it claims {channels} channels at {rate} Hz");
        return Err(AudioError::Damaged { path: path.into(), container, reason, source: None });
    }
    let mut place = placement(&track, params.codec, rate, container, lead, film.as_ref());
    if half_band {
        place.without_band_replication();
    }
    let Placement { keep, start, mut frames } = place;
    if container == "matroska" && tracks == 1 {
        // Said of the whole file; with a picture beside it the sound may be shorter.
        let length = length.and_then(|(base, length)| base.calc_duration(length));
        frames = length.map(|length| (length.as_secs_f64() * f64::from(rate)) as u64);
    }
    coded.open_ended = matches!(container, "matroska" | "ogg" | "mp3" | "aac") || frames.is_none();
    let mut decoder = Decoder::new(Stream::Coded(Box::new(coded)), channels, rate);
    decoder.keep = keep;
    decoder.promised = frames;
    let coding = if half_band { "HE-AAC, lower half of its band" } else { coding_name(params.codec) };
    let header = Header { container, coding: coding.into(), rate, channels, frames, lasts: frames, start };
    Ok((header, decoder))
}

/// Who reads the packets, and which clock they bear: seconds in its unit.
fn demultiplexer(
    reader: Box<dyn FormatReader>,
    track: &Track,
    codec: AudioCodecId,
    container: &str,
) -> std::io::Result<(Box<dyn Demux>, Clock, Option<f64>)> {
    let unit = track.time_base.map(|base| f64::from(base.numer.get()) / f64::from(base.denom.get()));
    let rate = audio_params(track).and_then(|params| params.sample_rate).map(|rate| 1.0 / f64::from(rate));
    let rewound = |reader: Box<dyn FormatReader>| {
        let mut source = reader.into_inner();
        source.seek(SeekFrom::Start(0))?;
        std::io::Result::Ok(source)
    };
    Ok(match (container, codec) {
        // Opus counts at 48 kHz (RFC 7845, 4).
        ("ogg", id::CODEC_ID_OPUS) => {
            (Box::new(Pages::new(rewound(reader)?, track.id)), Clock::Exact, Some(1.0 / 48_000.0))
        }
        ("ogg", id::CODEC_ID_VORBIS) => (Box::new(Pages::new(rewound(reader)?, track.id)), Clock::Exact, rate),
        ("mp3", id::CODEC_ID_MP3) => (Box::new(Frames::new(rewound(reader)?, Kind::Mp3)), Clock::Exact, rate),
        ("aac", id::CODEC_ID_AAC) => (Box::new(Frames::new(rewound(reader)?, Kind::Adts)), Clock::Exact, rate),
        (container, _) => {
            let clock = match container {
                "flac" => Clock::Exact,
                "matroska" => Clock::Wavering,
                _ => Clock::None,
            };
            (Box::new(OneTrack { reader, track: track.id }), clock, unit)
        }
    })
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
        None => sound().filter(decodable).find(default).or_else(|| sound().find(decodable)).or_else(|| sound().next()),
    }
}

/// Claims for which a decoder would set aside more memory than there is.
fn impossible(params: &AudioCodecParameters) -> Option<String> {
    let config = params.extra_data.as_deref().and_then(|config| config.first_chunk::<4>());
    let alac =
        config.filter(|_| params.codec == id::CODEC_ID_ALAC).map_or(0, |first| u32::from_be_bytes(*first).into());
    let longest = params.max_frames_per_packet.unwrap_or(0).max(alac);
    let channels = params.channels.as_ref().map_or(0, |channels| channels.count());
    (longest > LONGEST_PIECE || channels > MAX_CHANNELS)
        .then(|| format!("it claims {channels} channels in pieces of {longest} samples"))
}

fn make_decoder(params: &AudioCodecParameters, path: &Path) -> Result<Box<dyn AudioDecoder>, AudioError> {
    // The padding of mp3 is taken off here: where a file does not state its length the decoder would go by a guess.
    let options = AudioDecoderOptions::default().gapless(params.codec != id::CODEC_ID_MP3);
    guarded(|| CODECS.make_audio_decoder(params, &options)).map_err(|cause| {
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

/// Turns the configuration of HE-AAC into that of the AAC it is built on, which any decoder decodes: half the rate and the
/// lower half of the band, which is what was recorded; the upper half is only guessed from it by the full decoder.
///
/// Source: ISO/IEC 14496-3, 1.6.2.1 (object types 5 and 29: rate index, channels, rate index of the whole, object type).
fn half_band(params: &mut AudioCodecParameters) -> bool {
    let (id::CODEC_ID_AAC, Some([first, second, third, ..])) = (params.codec, params.extra_data.as_deref()) else {
        return false;
    };
    let bits = u32::from_be_bytes([0, *first, *second, *third]);
    let field = |from: u32, len: u32| bits >> (24 - from - len) & ((1 << len) - 1);
    let (kind, rate, channels, whole, core) = (field(0, 5), field(5, 4), field(9, 4), field(13, 4), field(17, 5));
    // Rates written out in full (index 15) and cores other than AAC-LC are left alone.
    if !matches!(kind, 5 | 29) || rate == 15 || whole == 15 || core != 2 {
        return false;
    }
    let plain = (2_u32 << 11 | rate << 7 | channels << 3) as u16;
    params.extra_data = Some(Box::from(plain.to_be_bytes()));
    true
}

/// Adds what the demultiplexer leaves out or gets wrong of a sample entry.
fn complete(params: &mut AudioCodecParameters, film: &SoundTrack) {
    if params.channels.is_none() && film.channels > 0 {
        params.channels = Some(Channels::Discrete(film.channels));
    }
    // Plain samples stand high byte first in a QuickTime film unless it says otherwise; they are taken for low first.
    if !film.low_byte_first {
        params.codec = match params.codec {
            id::CODEC_ID_PCM_S24LE => id::CODEC_ID_PCM_S24BE,
            id::CODEC_ID_PCM_S32LE => id::CODEC_ID_PCM_S32BE,
            id::CODEC_ID_PCM_F32LE => id::CODEC_ID_PCM_F32BE,
            id::CODEC_ID_PCM_F64LE => id::CODEC_ID_PCM_F64BE,
            other => other,
        };
    }
}

struct Placement {
    keep: VecDeque<(u64, u64)>,
    start: Start,
    frames: Option<u64>,
}

impl Placement {
    /// The padding a file states counts the delay of the whole decoder; that of the half that is left out, 481 samples of
    /// the core (962 of the whole), does not pass here. Not every coder states it alike, so the start is not exact.
    /// Source: measured on the FDK coder's output (delay 5058 with, 4096 without, at the full rate).
    fn without_band_replication(&mut self) {
        for (from, to) in &mut self.keep {
            let earlier = 481.min(*from);
            *from -= earlier;
            *to = if *to == u64::MAX { *to } else { *to - earlier };
        }
        self.start = Start::Unknown { why: "only half of its coding is decoded, whose delay is not stated" };
    }
}

/// Which part of the decoded sound is the recording.
fn placement(
    track: &Track,
    codec: AudioCodecId,
    rate: u32,
    container: &str,
    lead: u64,
    film: Option<&SoundTrack>,
) -> Placement {
    let rate = u64::from(rate);
    let lossy = [id::CODEC_ID_AAC, id::CODEC_ID_MP3].contains(&codec);
    let unknown = Start::Unknown { why: "the file does not say how much silence its coder put before the sound" };
    let start = if lossy { unknown } else { Start::Exact };
    let from = |start: u64| VecDeque::from([(start, u64::MAX)]);
    if let Some(film) = film {
        let total = track.duration.map(|d| d.get()).filter(|d| *d > 0).map(|d| scaled(d, rate, film.timescale));
        if let Some((padding, len)) = film.padding {
            let padding = scaled(padding, rate, film.timescale);
            let len = if len > 0 { scaled(len, rate, film.timescale) } else { u64::MAX };
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
        // Such coders always put something first: an edit list that takes nothing off does not know of it.
        let start = if keep.front().is_some_and(|(from, _)| *from > 0) { Start::Exact } else { start };
        return Placement { keep, start, frames };
    }
    match (codec, track.delay, track.num_frames) {
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
        // Its frames bear their own numbers: one wrong length in the header cuts nothing off.
        (id::CODEC_ID_FLAC, _, frames) if container == "flac" => Placement { keep: from(0), start, frames },
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
