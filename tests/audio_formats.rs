//! Recordings of every kind: where their clicks stand, what is said about them, what is refused and how.
//!
//! The small recordings in `tests/data/audio` are made by `scripts/outside/audio_fixtures.py`.

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::Cursor;
use std::path::{Path, PathBuf};

use pailbeat::audio::{self, AudioError, Facts, Heard, Info, Start};

/// The same in `scripts/outside/audio_fixtures.py`.
const RATE: f64 = 44_100.0;
const CLICKS: [usize; 3] = [2003, 5003, 8009];
const SHORT_CLICKS: [usize; 2] = [503, 1801];

fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/audio").join(name)
}

fn read(mut take: audio::Source) -> (Info, Vec<f32>, Facts) {
    let (mut samples, mut block) = (Vec::new(), Vec::new());
    while take.next_block(&mut block).unwrap() {
        samples.extend_from_slice(&block);
    }
    assert_eq!(take.facts().samples.0, samples.len() as u64);
    (take.info().clone(), samples, take.facts().clone())
}

fn read_bytes(bytes: Vec<u8>) -> (Info, Vec<f32>, Facts) {
    read(audio::open_source(Cursor::new(bytes), Path::new("take")).unwrap())
}

fn click(at_sample: f64) -> f64 {
    if at_sample < 0.0 {
        return 0.0;
    }
    0.6 * (-at_sample / (0.0015 * RATE)).exp() * (std::f64::consts::TAU * 3000.0 * at_sample / RATE).cos()
}

/// By how many samples the click comes late: where the drawn click fits best, to a tenth of a sample.
fn late_by(samples: &[f32], at: usize) -> f64 {
    let misfit = |late: f64| {
        (at.saturating_sub(60)..at + 200)
            .map(|k| (f64::from(samples.get(k).copied().unwrap_or(0.0)) - click(k as f64 - at as f64 - late)).powi(2))
            .sum::<f64>()
    };
    (-400..=400).map(|tenths| f64::from(tenths) / 10.0).min_by(|a, b| misfit(*a).total_cmp(&misfit(*b))).unwrap()
}

#[test]
fn clicks_stand_to_the_sample_in_every_container_that_says_where_it_starts() {
    let files = [
        ("aac.m4a", "mp4", "AAC"),
        ("alac.m4a", "mp4", "ALAC"),
        ("film_moov_last.mov", "mp4", "AAC"),
        ("fragmented_edits.mp4", "mp4", "AAC"),
        ("opus.mp4", "mp4", "Opus"),
        ("lame.mp3", "mp3", "MP3"),
        ("vorbis.ogg", "ogg", "Vorbis"),
        ("opus.ogg", "ogg", "Opus"),
        ("opus.webm", "matroska", "Opus"),
        ("vorbis.webm", "matroska", "Vorbis"),
        ("flac.flac", "flac", "FLAC"),
        ("plain.aiff", "aiff", "plain samples"),
        ("plain.caf", "caf", "plain samples"),
        ("in24.mov", "mp4", "plain samples"),
    ];
    for (name, container, coding) in files {
        let (info, samples, facts) = read(audio::open(&fixture(name)).unwrap());
        assert_eq!((info.container, info.coding.as_str(), info.start), (container, coding, Start::Exact), "{name}");
        let clicks = match name {
            "in24.mov" => &SHORT_CLICKS[..1],
            _ if samples.len() < 5000 => &SHORT_CLICKS[..],
            _ => &CLICKS[..],
        };
        for at in clicks {
            // Half a sample: the clicks were at whole ones.
            assert!(late_by(&samples, *at).abs() < 0.5, "{name}: {} samples late", late_by(&samples, *at));
        }
        assert_eq!((facts.truncated, facts.holes, facts.heard), (None, vec![], Heard::Only), "{name}");
    }
}

#[test]
fn where_a_file_does_not_say_where_it_starts_that_is_said_and_the_spacing_is_right() {
    for name in ["fragmented.mp4", "bare.mp3", "bare.aac", "aac.mkv", "he_aac.m4a"] {
        let (info, samples, _) = read(audio::open(&fixture(name)).unwrap());
        assert!(matches!(info.start, Start::Unknown { .. }), "{name}");
        // The highest sample near each click tells its place to a sample or two even without the click's full band.
        let place = |from: usize| {
            let near = from.saturating_sub(1200)..(from + 1700).min(samples.len());
            near.max_by(|a, b| samples[*a].abs().total_cmp(&samples[*b].abs())).unwrap() as f64
        };
        let [a, b, c] = CLICKS.map(place);
        assert!((b - a - 3000.0).abs() <= 1.0 && (c - b - 3006.0).abs() <= 1.0, "{name}: {a} {b} {c}");
    }
}

#[test]
fn sound_that_was_left_out_is_silence_of_its_length() {
    let (_, samples, facts) = read(audio::open(&fixture("hole.webm")).unwrap());
    assert_eq!(facts.gaps.0, 1);
    // The clock of the file counts milliseconds.
    assert!((facts.gaps.1.get() - 0.160).abs() < 0.0011, "{:?}", facts.gaps);
    let lost = (0.180 * RATE) as usize..(0.200 * RATE) as usize;
    assert!(samples[lost].iter().all(|x| x.abs() < 1e-9));
    for at in [2003, 17_011] {
        assert!(late_by(&samples, at).abs() < 0.0011 * RATE, "{} samples late", late_by(&samples, at));
    }
}

#[test]
fn adpcm_is_heard_and_its_length_kept() {
    // This coding cannot follow a click's first sample; only its decoding is checked, against another decoder elsewhere.
    for name in ["ms_adpcm.wav", "ima_adpcm.wav"] {
        let (info, samples, facts) = read(audio::open(&fixture(name)).unwrap());
        assert_eq!((info.container, info.coding.as_str()), ("wav", "ADPCM"));
        let loudest = (0..samples.len()).max_by(|a, b| samples[*a].abs().total_cmp(&samples[*b].abs())).unwrap();
        assert!(SHORT_CLICKS.iter().any(|at| (*at..at + 30).contains(&loudest)), "{name}: {loudest}");
        assert_eq!(facts.truncated, None);
    }
}

/// A wav file of clicks, written by another library.
fn wav(rate: u32, channels: u16, bits: u16, float: bool, sample: impl Fn(usize, u16) -> f64) -> Vec<u8> {
    let mut file = Cursor::new(Vec::new());
    let sample_format = if float { hound::SampleFormat::Float } else { hound::SampleFormat::Int };
    let spec = hound::WavSpec { channels, sample_rate: rate, bits_per_sample: bits, sample_format };
    let mut writer = hound::WavWriter::new(&mut file, spec).unwrap();
    for k in 0..rate as usize / 2 {
        for c in 0..channels {
            let x = sample(k, c);
            if float {
                writer.write_sample(x as f32).unwrap();
            } else {
                writer.write_sample((x * f64::from((1_u64 << (bits - 1)) as f32 - 1.0)).round() as i32).unwrap();
            }
        }
    }
    writer.finalize().unwrap();
    file.into_inner()
}

/// A click at sample 7001, drawn at any rate.
fn drawn(rate: u32) -> impl Fn(usize, u16) -> f64 {
    move |k, _| click((k as f64 / f64::from(rate) - 7001.0 / RATE) * RATE)
}

#[test]
fn every_kind_of_wav_gives_the_same_sound() {
    let plain = |k: usize| click(k as f64 - 7001.0);
    for (channels, bits, float) in
        [(1, 8, false), (1, 16, false), (2, 16, false), (1, 24, false), (6, 24, false), (1, 32, false), (2, 32, true)]
    {
        let (info, samples, facts) = read_bytes(wav(44_100, channels, bits, float, drawn(44_100)));
        assert_eq!((info.channels, info.start, facts.truncated), (channels, Start::Exact, None));
        let worst = samples.iter().enumerate().map(|(k, x)| (f64::from(*x) - plain(k)).abs()).fold(0.0, f64::max);
        // A step of the coarsest kind and the rounding of single precision.
        assert!(worst < 1.0 / f64::from((1_u64 << (bits.min(24) - 1)) as f32) + 1e-6, "{bits} bits: {worst}");
    }
}

#[test]
fn a_click_stays_where_it_was_at_every_rate() {
    for rate in [16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000] {
        // A click of a band that every rate holds: a burst whose centre is at sample 7001 of the ear's rate.
        let centre = 7001.0 / RATE;
        let burst = |t: f64| 0.5 * (-(t / 0.0004).powi(2)).exp() * (std::f64::consts::TAU * 2500.0 * t).cos();
        let (_, samples, _) = read_bytes(wav(rate, 1, 32, true, |k, _| burst(k as f64 / f64::from(rate) - centre)));
        let energy: Vec<f64> = samples.iter().map(|x| f64::from(*x).powi(2)).collect();
        let mean = energy.iter().enumerate().map(|(k, e)| k as f64 * e).sum::<f64>() / energy.iter().sum::<f64>();
        assert!(((mean - 7001.0) / RATE).abs() < 1e-6, "{rate} Hz: {} samples late", mean - 7001.0);
        assert_eq!(samples.len(), (rate as usize / 2 * 44_100).div_ceil(rate as usize));
    }
}

#[test]
fn rates_below_what_the_ear_needs_are_refused_with_the_way_out() {
    let cause =
        audio::open_source(Cursor::new(wav(8_000, 1, 16, false, drawn(8_000))), Path::new("take3.wav")).err().unwrap();
    assert_eq!(
        cause.to_string(),
        "cannot hear `take3.wav`: sampled at 8000 Hz, strikes can be heard from 16000 Hz to 384000 Hz"
    );
    assert!(cause.hint().contains("record again at 44100 Hz"));
}

#[test]
fn nonsense_samples_clipping_and_silence_are_counted() {
    let (_, samples, facts) = read_bytes(wav(44_100, 1, 32, true, |k, _| match k {
        100..110 => f64::NAN,
        _ => 3.0 * (0.05 * k as f64).sin(),
    }));
    assert_eq!(facts.not_numbers, 10);
    assert!(samples[100..110].iter().all(|x| x.abs() < f32::EPSILON));
    assert!(facts.clipped > 0.5 && !facts.flat && (facts.peak - 3.0).abs() < 0.01);
    let (_, _, silent) = read_bytes(wav(48_000, 2, 16, false, |_, _| 0.0));
    assert!(silent.flat && silent.peak < 1e-9 && silent.clipped < 1e-9);
}

#[test]
fn a_cut_file_is_heard_as_far_as_it_goes_and_is_said_to_be_cut() {
    let whole = wav(44_100, 1, 16, false, drawn(44_100));
    let (_, samples, facts) = read_bytes(whole[..20_000].to_vec());
    assert_eq!(samples.len(), (20_000 - 44) / 2);
    assert!(facts.truncated.is_some());
    for name in ["flac.flac", "lame.mp3"] {
        let whole = std::fs::read(fixture(name)).unwrap();
        let (_, samples, facts) = read_bytes(whole[..whole.len() / 2].to_vec());
        assert!(!samples.is_empty() && samples.len() < 11_000, "{name}");
        assert!(facts.truncated.is_some(), "{name}");
        assert!(late_by(&samples, CLICKS[0]).abs() < 0.5, "{name}");
    }
    for name in ["plain.aiff", "plain.caf"] {
        let whole = std::fs::read(fixture(name)).unwrap();
        let (_, samples, facts) = read_bytes(whole[..whole.len() / 2].to_vec());
        assert!(samples.len() > 1000 && facts.truncated.is_some(), "{name}: {}", samples.len());
        assert!(late_by(&samples, SHORT_CLICKS[0]).abs() < 0.5, "{name}");
    }
    let moov_first = std::fs::read(fixture("fragmented_edits.mp4")).unwrap();
    let (_, samples, _) = read_bytes(moov_first[..moov_first.len() - 700].to_vec());
    assert!(late_by(&samples, CLICKS[0]).abs() < 0.5);
}

fn refusal(path: &Path) -> AudioError {
    audio::open(path).err().unwrap()
}

#[test]
fn what_is_no_recording_is_refused_in_plain_words() {
    let folder = std::env::temp_dir().join(format!("pailbeat-formats-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = |name: &str, bytes: &[u8]| {
        let path = folder.join(name);
        std::fs::write(&path, bytes).unwrap();
        refusal(&path)
    };
    let said = |cause: &AudioError| cause.to_string().split("`: ").nth(1).unwrap().to_owned();
    assert_eq!(said(&file("text.wav", b"this is not a wav file\n")), "expected a recording, found text");
    assert_eq!(said(&file("empty.wav", b"")), "expected a recording, found an empty file");
    assert_eq!(
        said(&file("song.mid", b"MThd\0\0\0\x06")),
        "expected a recording, found a midi file, which holds notes and no sound"
    );
    assert!(said(&file("voice.amr", b"#!AMR\n\x3c\x91")).starts_with("its sound is coded as AMR"));
    assert!(file("voice.amr", b"#!AMR\n\x3c\x91").hint().starts_with("record again"));
    assert_eq!(said(&refusal(&folder)), "it is a folder");
    assert_eq!(said(&refusal(&folder.join("nobody.wav"))), "there is no such file");
    assert_eq!(refusal(&folder.join("nobody.wav")).hint(), "check the name and the folder");
    assert!(matches!(file("none.wav", &wav(44_100, 1, 16, false, drawn(44_100))[..44]), AudioError::Empty { .. }));
    assert!(matches!(refusal(&fixture("film_without_sound.mp4")), AudioError::NoSoundTrack { .. }));
    let film = std::fs::read(fixture("film_moov_last.mov")).unwrap();
    assert!(said(&file("cut.mov", &film[..film.len() / 2])).contains("its table of contents is missing"));
    // A wrong name is no hindrance.
    std::fs::copy(fixture("opus.webm"), folder.join("wrong.wav")).unwrap();
    assert_eq!(audio::open(&folder.join("wrong.wav")).unwrap().info().coding, "Opus");
    std::fs::remove_dir_all(&folder).unwrap();
}

#[test]
fn memory_does_not_grow_with_the_take() {
    // What is given out at a time stays small however long the take is.
    let (mut take, mut block, mut most) = (
        audio::open_source(Cursor::new(wav(192_000, 2, 16, false, drawn(192_000))), Path::new("take")).unwrap(),
        Vec::new(),
        0,
    );
    while take.next_block(&mut block).unwrap() {
        most = most.max(block.len());
    }
    // Half a second, the longest that is looked at together, and a block.
    assert!(most <= 44_100, "{most}");
}
