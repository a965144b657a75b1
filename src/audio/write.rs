//! Samples -> the bytes of a wav file: one channel, 16 bits, which every player reads; with a note that players ignore.
//!
//! The note stands in the comment of the file's `LIST INFO` chunk (RIFF, "Multimedia Programming Interface and Data
//! Specifications 1.0").

use std::io::Cursor;

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

/// The note in the bytes of a wav file, if there is one.
pub fn note(bytes: &[u8]) -> Option<&str> {
    if !bytes.starts_with(b"RIFF") {
        return None;
    }
    let size = |at: usize| Some(u32::from_le_bytes(bytes.get(at..at + 4)?.try_into().ok()?) as usize);
    let mut at = 12usize;
    loop {
        let (name, len) = (bytes.get(at..at + 4)?, size(at + 4)?);
        if name == b"LIST" && bytes.get(at + 8..at + 16) == Some(b"INFOICMT") {
            let text = bytes.get(at + 20..(at + 20).checked_add(size(at + 16)?)?)?;
            return std::str::from_utf8(text).ok().map(|t| t.trim_end_matches('\0'));
        }
        at = at.checked_add(8)?.checked_add(len)?.checked_add(len % 2)?;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_back_to_a_step() {
        let rate = SampleRate::new(44_100).unwrap();
        let samples: Vec<f32> = (0..3000).map(|k| (k as f32 * 0.1).sin() * 1.2).collect();
        let bytes = wav(&samples, rate, "a note, odd").unwrap();
        assert_eq!(note(&bytes), Some("a note, odd"));
        assert!(note(&wav(&samples, rate, "").unwrap()).is_none() && note(b"RIFF").is_none());
        let mut source = crate::audio::open_source(Cursor::new(bytes), std::path::Path::new("guide.wav")).unwrap();
        let (mut read, mut block) = (Vec::new(), Vec::new());
        while source.next_block(&mut block).unwrap() {
            read.extend_from_slice(&block);
        }
        assert_eq!(read.len(), samples.len());
        for (a, b) in read.iter().zip(&samples) {
            assert!((a - b.clamp(-1.0, 1.0)).abs() < 1.1 / 32_768.0, "{a} {b}");
        }
    }
}
