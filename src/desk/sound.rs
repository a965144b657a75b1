//! Recordings -> what a browser plays: one channel, 16 bits, from the decoder that the ear hears with, so that a moment of the
//! chart is the same moment of the sound; and the part as it is written, on the guide's own surfaces.
//!
//! A recording is made as loud as any other for listening; the file itself is never changed.

use std::fs::File;
use std::io::{BufWriter, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::Path;
use std::sync::{Arc, Mutex};

use crate::assess::Assessment;
use crate::audio::{self, AudioError};
use crate::guide::{self, Guide, GuideConfig, Heard, PEAKS, Practice};
use crate::units::{Bpm, Decibels, EAR_RATE, SampleRate, Samples, Seconds};

/// Largest sample of what is played, and the most a soft recording is raised: beyond it only its noise would be heard.
const PEAK: Decibels = Decibels(-6.0);
const MOST_GAIN: f64 = 16.0;
/// Bytes before the samples of a wav file.
const HEAD: u64 = 44;
/// Sounds that are kept ready.
const READY: usize = 48;

/// A sound as a browser is given it: a wav file without a name on the disk.
pub(super) struct Playable {
    file: Mutex<File>,
    /// Bytes.
    pub(super) length: u64,
}

impl Playable {
    /// Some of its bytes.
    ///
    /// # Errors
    /// Those of the system.
    pub(super) fn read(&self, from: u64, most: usize) -> std::io::Result<Vec<u8>> {
        let mut file = self.file.lock().map_err(|_| std::io::Error::other("another reader failed"))?;
        file.seek(SeekFrom::Start(from))?;
        let mut out = Vec::new();
        (&mut *file).take(most as u64).read_to_end(&mut out)?;
        Ok(out)
    }

    /// From one moment to another, as a sound of its own.
    ///
    /// # Errors
    /// Those of the system.
    pub(super) fn piece(&self, from: Seconds, to: Seconds) -> std::io::Result<Vec<u8>> {
        let byte = |at: Seconds| HEAD + 2 * (at.get().max(0.0) * f64::from(EAR_RATE.get())).round() as u64;
        let (from, to) = (byte(from).min(self.length), byte(to).min(self.length));
        let samples = self.read(from, to.saturating_sub(from) as usize)?;
        let mut out = head(Samples(samples.len() as u64 / 2), EAR_RATE).to_vec();
        out.extend(samples);
        Ok(out)
    }
}

/// Sounds that were made already, the last used at the end.
#[derive(Default)]
pub(super) struct Ready(Mutex<Vec<(String, Arc<Playable>)>>);

impl Ready {
    /// The sound of that name, made where it is not ready.
    ///
    /// # Errors
    /// Those of making it.
    pub(super) fn get<E>(&self, name: &str, make: impl FnOnce() -> Result<Playable, E>) -> Result<Arc<Playable>, E> {
        // Where a thread died while it held the list, the list is whole all the same.
        let list = || self.0.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
        {
            let mut list = list();
            if let Some(at) = list.iter().position(|(n, _)| n == name) {
                let found = list.remove(at);
                list.push(found.clone());
                return Ok(found.1);
            }
        }
        let made = Arc::new(make()?);
        let mut list = list();
        if list.len() >= READY {
            list.remove(0);
        }
        list.push((name.to_owned(), Arc::clone(&made)));
        Ok(made)
    }
}

/// Why there is nothing to play.
#[derive(Debug, thiserror::Error)]
pub(super) enum SoundError {
    /// The recording cannot be heard.
    #[error(transparent)]
    Audio(#[from] AudioError),
    /// Making room for it failed.
    #[error("there is no room to make the sound ready: {0}")]
    Disk(#[from] std::io::Error),
    /// The part cannot be played.
    #[error(transparent)]
    Guide(#[from] guide::GuideError),
}

/// The head of a wav file of one channel and 16 bits (RIFF, "Multimedia Programming Interface and Data Specifications 1.0").
fn head(samples: Samples, rate: SampleRate) -> [u8; HEAD as usize] {
    let size = |n: u64| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
    let mut out = [0; HEAD as usize];
    let (bytes, rate) = (samples.0 * 2, rate.get());
    let pieces: [&[u8]; 10] = [
        b"RIFF",
        &size(bytes + HEAD - 8),
        b"WAVEfmt \x10\0\0\0\x01\0\x01\0",
        &rate.to_le_bytes(),
        &(rate * 2).to_le_bytes(),
        b"\x02\0\x10\0",
        b"data",
        &size(bytes),
        b"",
        b"",
    ];
    let mut at = 0;
    for piece in pieces {
        if let Some(room) = out.get_mut(at..at + piece.len()) {
            room.copy_from_slice(piece);
        }
        at += piece.len();
    }
    out
}

/// A recording. `folder`: where it is kept while it is ready, without a name.
///
/// # Errors
/// If it cannot be heard, or the disk is full.
pub(super) fn recording(path: &Path, folder: &Path) -> Result<Playable, SoundError> {
    let mut source = audio::open(path)?;
    let mut block = Vec::new();
    while source.next_block(&mut block)? {}
    let peak = f64::from(source.facts().peak).max(1e-6);
    let gain = (10f64.powf(PEAK.0 / 20.0) / peak).min(MOST_GAIN) as f32;
    let mut source = audio::open(path)?;
    let file = tempfile::tempfile_in(folder)?;
    let mut out = BufWriter::with_capacity(1 << 16, file);
    out.write_all(&head(Samples(0), EAR_RATE))?;
    let mut samples = 0;
    while source.next_block(&mut block)? {
        samples += block.len() as u64;
        for v in &block {
            // As `wav` has it: full scale is 32768, and a cast keeps what lies beyond at the ends.
            out.write_all(&((v * gain * 32_768.0).round() as i16).to_le_bytes())?;
        }
    }
    let mut file = out.into_inner().map_err(|e| e.into_error())?;
    file.seek(SeekFrom::Start(0))?;
    file.write_all(&head(Samples(samples), EAR_RATE))?;
    Ok(Playable { file: Mutex::new(file), length: HEAD + 2 * samples })
}

/// What is written for a take, at the tempo it was played at.
///
/// # Errors
/// If it cannot be played.
pub(super) fn as_written(assessment: &Assessment) -> Result<Guide, guide::GuideError> {
    let mut timeline = assessment.timeline.clone();
    timeline.bpm = assessment.clock.map_or(timeline.bpm, |clock| Bpm::clamped(clock.bpm.get()));
    let config = GuideConfig { heard: Heard::Part, peak: PEAKS.1, ..GuideConfig::default() };
    guide::render(&Practice::once(timeline), &config, EAR_RATE)
}

/// A guide as it is played.
///
/// # Errors
/// If the disk is full.
pub(super) fn written(guide: &Guide, folder: &Path) -> Result<Playable, SoundError> {
    let samples = guide.samples();
    let bytes = crate::wav::wav(&samples, guide.rate, "").map_err(std::io::Error::other)?;
    let mut file = tempfile::tempfile_in(folder)?;
    file.write_all(&bytes)?;
    Ok(Playable { file: Mutex::new(file), length: bytes.len() as u64 })
}

/// From when to when some bars sound in a take: a little before the first strike in them to where their last beat ends.
pub(super) fn moments(assessment: &Assessment, bars: std::ops::Range<usize>) -> Option<(Seconds, Seconds)> {
    /// So much before, that an attack is heard whole.
    const BEFORE_S: f64 = 0.15;
    let timeline = &assessment.timeline;
    let clock = assessment.clock?;
    let (first, last) = (timeline.bars.get(bars.start)?, timeline.bars.get(bars.end.checked_sub(1)?)?);
    let heard = |strokes: std::ops::Range<usize>| -> Vec<Seconds> {
        let judged = assessment.strokes.get(strokes).unwrap_or_default();
        judged.iter().filter_map(|s| Some(assessment.strikes.get(s.strike?)?.at)).collect()
    };
    let by_clock = |at: crate::units::Ticks| clock.start + at.to_seconds(clock.bpm);
    let bar = timeline.meter.bar().to_seconds(clock.bpm).get();
    let from = heard(first.strokes.clone()).first().copied().unwrap_or(by_clock(first.at)).get();
    let to = heard(last.strokes.clone()).first().copied().unwrap_or(by_clock(last.at)).get() + bar;
    Some((Seconds::new((from - BEFORE_S).max(0.0))?, Seconds::new(to.max(from + bar))?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_recording_is_played_whole_and_its_pieces_are_where_they_were() {
        let folder = tempfile::tempdir().unwrap();
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes/wren.m4a");
        let sound = recording(&path, folder.path()).unwrap();
        let whole = sound.read(0, sound.length as usize).unwrap();
        let mut read = hound::WavReader::new(std::io::Cursor::new(&whole)).unwrap();
        assert_eq!((read.spec().channels, read.spec().sample_rate), (1, EAR_RATE.get()));
        let samples: Vec<i16> = read.samples().map(Result::unwrap).collect();
        let loudest = samples.iter().map(|v| f64::from(v.unsigned_abs())).fold(0.0, f64::max) / 32_768.0;
        assert!((20.0 * loudest.log10() - PEAK.0).abs() < 0.01, "{loudest}");
        let piece = sound.piece(Seconds::of(2.0), Seconds::of(3.0)).unwrap();
        let mut read = hound::WavReader::new(std::io::Cursor::new(&piece)).unwrap();
        let from = 2 * EAR_RATE.get() as usize;
        let expected = &samples[from..from + EAR_RATE.get() as usize];
        assert_eq!(read.samples::<i16>().map(Result::unwrap).collect::<Vec<_>>(), expected);
        assert!(std::fs::read_dir(folder.path()).unwrap().next().is_none(), "nothing is left under a name");
    }
}
