//! A take or a drill -> the one file for the teacher: a zip with the sound, its card, and the strikes of the sound check, as
//! `pailbeat book gather` takes it.

use std::io::{Cursor, Write as _};

use zip::write::SimpleFileOptions;

use super::{Pupil, Refused, STRIKES};
use crate::chain::Samples;
use crate::take::STRIKES_NOTE;
use crate::wav::wav;

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
        packed(["take.wav", "take.take.json"], &card, take, strikes).map_err(Refused::of)
    }

    /// The file for the teacher of the drill that was heard last.
    ///
    /// # Errors
    /// If none was heard, or it is too large.
    pub fn given_drill(&self, recording: Samples) -> Result<Vec<u8>, Refused> {
        let card = self.drilled.as_ref().ok_or_else(|| Refused("no drill was heard yet".into()))?;
        packed(["drill.wav", "drill.drill.json"], card.as_bytes(), recording, None).map_err(Refused::of)
    }
}

fn packed(
    [sound, beside]: [&str; 2],
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
    put(sound, &wav(recording.samples, recording.rate, "")?)?;
    put(beside, card)?;
    if let Some(strikes) = strikes {
        put(STRIKES, &wav(strikes.samples, strikes.rate, STRIKES_NOTE)?)?;
    }
    Ok(zip.finish()?.into_inner())
}
