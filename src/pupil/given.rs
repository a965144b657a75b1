//! A take or a drill -> the one file for the teacher: a zip with the sound, its card, and the strikes of the sound check, as
//! `pailbeat book gather` takes it.

use std::io::{Cursor, Write as _};

use flacenc::component::BitRepr as _;
use flacenc::error::Verify as _;
use zip::write::SimpleFileOptions;

use super::{Pupil, Refused, STRIKES};
use crate::chain::Samples;
use crate::take::STRIKES_NOTE;
use crate::wav::{sixteen_bits, wav};

impl Pupil {
    /// The file for the teacher of the take that was heard last. `strikes`: those of the sound check.
    ///
    /// # Errors
    /// If no take was heard, or it is too large.
    pub fn given(&self, take: Samples, strikes: Option<Samples>) -> Result<Vec<u8>, Refused> {
        let last = self.last.as_ref().ok_or_else(|| Refused("no take was heard yet".into()))?;
        let mut card = last.card.clone();
        if strikes.is_none()
            && let Some(check) = &mut card.sound_check
        {
            check.surfaces = None;
        }
        let card = serde_json::to_vec_pretty(&card).map_err(Refused::of)?;
        packed(["take", "take.json"], &card, take, strikes).map_err(Refused::of)
    }

    /// The file for the teacher of the drill that was heard last.
    ///
    /// # Errors
    /// If none was heard, or it is too large.
    pub fn given_drill(&self, recording: Samples) -> Result<Vec<u8>, Refused> {
        let card = self.drilled.as_ref().ok_or_else(|| Refused("no drill was heard yet".into()))?;
        packed(["drill", "drill.json"], card.as_bytes(), recording, None).map_err(Refused::of)
    }
}

/// The recording as `NAME.flac`, and its card as `NAME.` and how cards of its kind end.
fn packed(
    [name, card_ends]: [&str; 2],
    card: &[u8],
    recording: Samples,
    strikes: Option<Samples>,
) -> Result<Vec<u8>, Box<dyn std::error::Error>> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    // Sound does not get smaller that way.
    let stored = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    let mut put = |name: &str, bytes: &[u8]| -> Result<(), Box<dyn std::error::Error>> {
        zip.start_file(name, stored)?;
        Ok(zip.write_all(bytes)?)
    };
    match flac(recording) {
        Some(bytes) => put(&format!("{name}.flac"), &bytes)?,
        None => put(&format!("{name}.wav"), &wav(recording.samples, recording.rate, "")?)?,
    }
    put(&format!("{name}.{card_ends}"), card)?;
    if let Some(strikes) = strikes {
        put(STRIKES, &wav(strikes.samples, strikes.rate, STRIKES_NOTE)?)?;
    }
    Ok(zip.finish()?.into_inner())
}

/// A recording in the same 16 bits as a wav file, a quarter to half as long; `None` at a rate that the format does not have.
fn flac(sound: Samples) -> Option<Vec<u8>> {
    let config = flacenc::config::Encoder::default().into_verified().ok()?;
    let whole: Vec<i32> = sound.samples.iter().map(|v| i32::from(sixteen_bits(*v))).collect();
    let source = flacenc::source::MemSource::from_samples(&whole, 1, 16, sound.rate.get() as usize);
    let stream = flacenc::encode_with_fixed_block_size(&config, source, config.block_size).ok()?;
    let mut out = flacenc::bitsink::ByteSink::new();
    stream.write(&mut out).ok()?;
    Some(out.into_inner())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::SampleRate;

    /// Noise at all levels, cut off at both ends of the scale.
    fn noise(n: usize) -> Vec<f32> {
        let mut state = 9_u32;
        let mut next = || {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 8) as f32 / 8.4e6 - 1.0
        };
        (0..n).map(|k| next() * 1.2 * (k % 999) as f32 / 999.0).collect()
    }

    #[test]
    fn what_is_given_is_what_was_recorded_however_short_it_is() {
        for (rate, n) in [(44_100, 1), (48_000, 15), (48_000, 4096), (44_100, 4097), (96_000, 50_000), (16_000, 20_000)]
        {
            let rate = SampleRate::new(rate).unwrap();
            let samples = noise(n);
            let bytes = flac(Samples { samples: &samples, rate }).unwrap();
            let mut source = crate::audio::open_source(Cursor::new(bytes), std::path::Path::new("take.flac")).unwrap();
            let read = source.read_to_end().unwrap();
            assert_eq!(read.len(), n, "{rate:?}");
            for (k, (a, b)) in samples.iter().zip(&read).enumerate() {
                assert_eq!(sixteen_bits(*a), sixteen_bits(*b), "sample {k} of {n}");
            }
        }
    }

    #[test]
    fn a_rate_that_flac_does_not_have_is_given_as_wav() {
        let rate = SampleRate::new(1_500_000).unwrap();
        let samples = noise(100);
        let zip = packed(["take", "take.json"], b"{}", Samples { samples: &samples, rate }, None).unwrap();
        let mut zip = zip::ZipArchive::new(Cursor::new(zip)).unwrap();
        assert!(zip.by_name("take.wav").is_ok() && zip.by_name("take.take.json").is_ok());
    }
}
