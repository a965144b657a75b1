//! Samples -> a wav file that is whole at every moment.
//!
//! New samples go behind the old ones first; then the header is written again, in one piece, with the new lengths. A
//! program that is killed between the two leaves a file whose header is right for all but the last piece. 24 bits, which
//! every player reads and no microphone fills.

use std::fs::File;
use std::io::{Result, Seek, SeekFrom, Write};
use std::path::Path;

use crate::units::{SampleRate, Samples};

/// Bytes of one sample of one channel.
pub(super) const WIDTH: u64 = 3;
/// Bytes before the first sample.
pub(super) const HEADER: u64 = 44;
/// Full scale in 24 bits.
pub(super) const FULL: f32 = 8_388_608.0;

/// A wav file that grows.
#[derive(Debug)]
pub struct GrowingWav {
    file: File,
    rate: SampleRate,
    channels: u16,
    /// Bytes of samples in the file, whole ones of all channels.
    bytes: u64,
}

impl GrowingWav {
    /// Makes the file. Never over one that is there.
    ///
    /// # Errors
    /// If there is such a file already or it cannot be made.
    pub fn create(path: &Path, rate: SampleRate, channels: u16) -> Result<GrowingWav> {
        let file = crate::files::create(path)?;
        let mut wav = GrowingWav { file, rate, channels: channels.max(1), bytes: 0 };
        wav.describe()?;
        wav.file.sync_all()?;
        Ok(wav)
    }

    /// Samples of one channel in the file.
    pub fn length(&self) -> Samples {
        Samples(self.bytes / self.block())
    }

    /// Puts interleaved samples behind those that are there; full scale is 1, what lies beyond is cut off.
    ///
    /// # Errors
    /// If the disk takes no more; what it did take is kept, and the file is whole.
    pub fn append(&mut self, samples: &[f32]) -> Result<()> {
        let mut piece = Vec::with_capacity(samples.len() * WIDTH as usize);
        for v in samples {
            let step = (v * FULL).round().clamp(-FULL, FULL - 1.0) as i32;
            piece.extend_from_slice(&step.to_le_bytes()[..WIDTH as usize]);
        }
        let mut done = 0;
        let written = loop {
            let rest = piece.get(done..).unwrap_or_default();
            if rest.is_empty() {
                break Ok(());
            }
            match self.file.write(rest) {
                Ok(0) => break Err(std::io::ErrorKind::WriteZero.into()),
                Ok(n) => done += n,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => break Err(error),
            }
        };
        let whole = done as u64 / self.block() * self.block();
        self.bytes += whole;
        if whole < done as u64 {
            self.file.set_len(HEADER + self.bytes)?;
        }
        self.describe()?;
        written
    }

    /// Takes samples off the end, where a full disk has no room for anything else.
    ///
    /// # Errors
    /// If the file cannot be made shorter.
    pub fn give_up(&mut self, samples: Samples) -> Result<()> {
        self.bytes = self.bytes.saturating_sub(samples.0.saturating_mul(self.block()));
        self.describe()?;
        self.file.set_len(HEADER + self.bytes)?;
        self.file.seek(SeekFrom::End(0)).map(|_| ())
    }

    /// Has the system put everything on the disk itself, so that it outlives an empty battery.
    ///
    /// # Errors
    /// If the disk fails.
    pub fn sync(&mut self) -> Result<()> {
        self.file.sync_data()
    }

    fn block(&self) -> u64 {
        WIDTH * u64::from(self.channels)
    }

    /// Writes the header for what is there now; the place goes back to the end.
    fn describe(&mut self) -> Result<()> {
        // Beyond 4 GB, six hours, the lengths stay at the largest and readers go by the file's own.
        let size = |n: u64| u32::try_from(n).unwrap_or(u32::MAX).to_le_bytes();
        let (rate, block) = (self.rate.get(), self.block());
        let mut head = Vec::with_capacity(HEADER as usize);
        head.extend_from_slice(b"RIFF");
        head.extend_from_slice(&size(HEADER - 8 + self.bytes));
        head.extend_from_slice(b"WAVEfmt \x10\0\0\0\x01\0");
        head.extend_from_slice(&self.channels.to_le_bytes());
        head.extend_from_slice(&rate.to_le_bytes());
        head.extend_from_slice(&size(u64::from(rate) * block));
        head.extend_from_slice(&(block as u16).to_le_bytes());
        head.extend_from_slice(&(8 * WIDTH as u16).to_le_bytes());
        head.extend_from_slice(b"data");
        head.extend_from_slice(&size(self.bytes));
        self.file.seek(SeekFrom::Start(0))?;
        self.file.write_all(&head)?;
        self.file.seek(SeekFrom::Start(HEADER + self.bytes))?;
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(path: &Path) -> Vec<f32> {
        let mut file = hound::WavReader::open(path).unwrap();
        assert_eq!(file.spec().bits_per_sample, 24);
        file.samples::<i32>().map(|v| v.unwrap() as f32 / FULL).collect()
    }

    #[test]
    fn the_file_is_whole_after_every_piece() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let mut wav = GrowingWav::create(&path, SampleRate::new(44_100).unwrap(), 1).unwrap();
        assert_eq!(read(&path).len(), 0);
        let mut all = Vec::new();
        for k in 0..40 {
            let piece: Vec<f32> = (0..k * 7).map(|i| ((i + k) as f32 * 0.37).sin()).collect();
            wav.append(&piece).unwrap();
            all.extend(piece);
            let found = read(&path);
            assert_eq!((found.len(), wav.length()), (all.len(), Samples(all.len() as u64)));
            assert!(found.iter().zip(&all).all(|(a, b)| (a - b).abs() <= 0.5001 / FULL));
        }
        // A piece that was written when the program died before it could say so: the header still holds.
        std::fs::OpenOptions::new().append(true).open(&path).unwrap().write_all(&[1, 2, 3, 4, 5]).unwrap();
        assert_eq!(read(&path).len(), all.len());
        let mut source = crate::audio::open(&path).unwrap();
        let (mut n, mut block) = (0, Vec::new());
        while source.next_block(&mut block).unwrap() {
            n += block.len();
        }
        assert_eq!((n, source.facts().truncated.clone()), (all.len(), None));
    }

    #[test]
    fn an_earlier_take_is_never_written_over() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        std::fs::write(&path, b"precious").unwrap();
        let error = GrowingWav::create(&path, SampleRate::new(48_000).unwrap(), 1).unwrap_err();
        assert_eq!(error.kind(), std::io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&path).unwrap(), b"precious");
    }

    #[test]
    fn what_is_given_up_is_gone_from_the_header_too() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("take.wav");
        let mut wav = GrowingWav::create(&path, SampleRate::new(48_000).unwrap(), 2).unwrap();
        wav.append(&[0.25; 2000]).unwrap();
        wav.give_up(Samples(100)).unwrap();
        assert_eq!((read(&path).len(), wav.length()), (1800, Samples(900)));
        wav.append(&[0.5; 20]).unwrap();
        assert_eq!(read(&path)[1800..], [0.5; 20]);
    }
}
