//! Samples -> the bytes of a wav file: one channel, 16 bits, which every player reads; with a note that players ignore.
//!
//! The note stands in the comment of the file's `LIST INFO` chunk (RIFF, "Multimedia Programming Interface and Data
//! Specifications 1.0").

use std::io::Cursor;
#[cfg(feature = "edge")]
use std::io::{Read, Seek, SeekFrom};

use crate::units::SampleRate;

/// The file's bytes, with `note` in them unless it is empty. What lies beyond full scale is cut off there.
///
/// # Errors
/// More samples than a wav file can hold (4 GB).
pub fn wav(samples: &[f32], rate: SampleRate, note: &str) -> Result<Vec<u8>, hound::Error> {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate.get(),
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let mut bytes = Cursor::new(Vec::with_capacity(samples.len().saturating_mul(2).saturating_add(64)));
    let mut file = hound::WavWriter::new(&mut bytes, spec)?;
    for v in samples {
        // As readers have it: full scale is 32768; a cast keeps what lies beyond at the ends.
        file.write_sample((v * 32_768.0).round() as i16)?;
    }
    file.finalize()?;
    let mut bytes = bytes.into_inner();
    if !note.is_empty() {
        append_note(&mut bytes, note);
    }
    Ok(bytes)
}

fn append_note(bytes: &mut Vec<u8>, note: &str) {
    let even = |n: usize| n + n % 2;
    let text = even(note.len() + 1);
    let size = |n: usize| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
    bytes.resize(even(bytes.len()), 0);
    bytes.extend_from_slice(b"LIST");
    bytes.extend_from_slice(&size(4 + 8 + text));
    bytes.extend_from_slice(b"INFOICMT");
    bytes.extend_from_slice(&size(text));
    bytes.extend_from_slice(note.as_bytes());
    bytes.resize(bytes.len() + text - note.len(), 0);
    let whole = size(bytes.len() - 8);
    if let Some(slot) = bytes.get_mut(4..8) {
        slot.copy_from_slice(&whole);
    }
}

/// A note is no longer than this: the plan of a drill, the longest, has some ten thousand bytes.
#[cfg(feature = "edge")]
const LONGEST_NOTE: u32 = 1 << 20;

/// The note in the bytes of a wav file, if there is one.
#[cfg(feature = "edge")]
pub fn note(bytes: &[u8]) -> Option<String> {
    note_of(&mut Cursor::new(bytes)).ok().flatten()
}

/// The note in a wav file, if there is one; only heads of chunks are read beside it.
///
/// # Errors
/// If it cannot be read.
#[cfg(feature = "edge")]
pub fn note_of<R: Read + Seek>(from: &mut R) -> std::io::Result<Option<String>> {
    from.seek(SeekFrom::Start(0))?;
    let mut sign = [0; 4];
    if from.read_exact(&mut sign).is_err() || &sign != b"RIFF" {
        return Ok(None);
    }
    let size = |head: &[u8], at: usize| Some(u32::from_le_bytes(head.get(at..at + 4)?.try_into().ok()?));
    let mut at = 12u64;
    loop {
        from.seek(SeekFrom::Start(at))?;
        let mut head = Vec::new();
        from.by_ref().take(20).read_to_end(&mut head)?;
        let Some(long) = size(&head, 4) else { return Ok(None) };
        if head.starts_with(b"LIST") && head.get(8..16) == Some(b"INFOICMT") {
            let Some(long) = size(&head, 16).filter(|n| *n <= LONGEST_NOTE) else { return Ok(None) };
            let mut text = Vec::new();
            from.by_ref().take(long.into()).read_to_end(&mut text)?;
            let text = (text.len() as u64 == u64::from(long)).then(|| String::from_utf8(text).ok()).flatten();
            return Ok(text.map(|t| t.trim_end_matches('\0').to_owned()));
        }
        at += 8 + u64::from(long) + u64::from(long % 2);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_note_is_read_back_and_there_may_be_none() {
        let rate = SampleRate::new(44_100).unwrap();
        assert_eq!(note(&wav(&[0.0; 3], rate, "a note, odd").unwrap()), Some("a note, odd".into()));
        assert!(note(&wav(&[0.0; 3], rate, "").unwrap()).is_none() && note(b"RIFF").is_none());
    }
}
