//! What can go wrong with a recording, and the way out of each.

use std::path::{Path, PathBuf};

use thiserror::Error;

use crate::files::Shown as _;
use crate::units::{SampleRate, Seconds};

/// Why a recording could not be heard. [`AudioError::hint`] says what to do about it.
#[derive(Debug, Error)]
#[non_exhaustive]
pub enum AudioError {
    /// The file could not be opened.
    #[error("cannot hear `{}`: {reason}", path.shown())]
    Open {
        /// The file asked for.
        path: PathBuf,
        /// In plain words.
        reason: &'static str,
        /// What the system said.
        source: Option<std::io::Error>,
    },
    /// The file holds something other than sound.
    #[error("cannot hear `{}`: expected a recording, found {found}", path.shown())]
    NotSound {
        /// The file asked for.
        path: PathBuf,
        /// What it seems to hold.
        found: &'static str,
    },
    /// A film or container without a sound track.
    #[error("cannot hear `{}`: expected a sound track, found none in this {container} file", path.shown())]
    NoSoundTrack {
        /// The file asked for.
        path: PathBuf,
        /// The kind of file.
        container: &'static str,
    },
    /// The sound is coded in a way that cannot be decoded.
    #[error("cannot hear `{}`: its sound is coded as {found}, which cannot be decoded", path.shown())]
    Coding {
        /// The file asked for.
        path: PathBuf,
        /// Name of the coding.
        found: String,
        /// What to do about it.
        way_out: &'static str,
        /// What the decoder said, if it was asked.
        source: Option<symphonia::core::errors::Error>,
    },
    /// The rate is too low for strikes to be placed, or impossibly high.
    #[error(
        "cannot hear `{}`: sampled at {} Hz, strikes can be heard from {} Hz to {} Hz",
        path.shown(),
        found.get(),
        expected.0.get(),
        expected.1.get()
    )]
    Rate {
        /// The file asked for.
        path: PathBuf,
        /// The rate of the recording.
        found: SampleRate,
        /// Lowest and highest rate that can be heard.
        expected: (SampleRate, SampleRate),
    },
    /// Longer than any take.
    #[error(
        "cannot hear `{}`: it lasts {}, a take may last {:.0} hours",
        path.shown(),
        found.map_or("longer".into(), |found| format!("{:.1} hours", found.get() / 3600.0)),
        most.get() / 3600.0
    )]
    TooLong {
        /// The file asked for.
        path: PathBuf,
        /// How long it is, where that was known before it was read.
        found: Option<Seconds>,
        /// How long a take may be.
        most: Seconds,
    },
    /// The file begins like a recording but cannot be decoded.
    #[error("cannot hear `{}`: the {container} file is damaged: {reason}", path.shown())]
    Damaged {
        /// The file asked for.
        path: PathBuf,
        /// The kind of file.
        container: &'static str,
        /// What is wrong with it.
        reason: String,
        /// What the decoder said, if it said anything.
        source: Option<symphonia::core::errors::Error>,
    },
    /// A whole file that holds no sample.
    #[error("cannot hear `{}`: the {container} file holds no sound at all", path.shown())]
    Empty {
        /// The file asked for.
        path: PathBuf,
        /// The kind of file.
        container: &'static str,
    },
    /// Reading stopped in the middle: the disk or the network failed, not the recording.
    #[error("cannot hear `{}`: reading stopped after {:.1} s", path.shown(), at.get())]
    Read {
        /// The file asked for.
        path: PathBuf,
        /// How much had been read.
        at: Seconds,
        /// What the system said.
        source: std::io::Error,
    },
}

impl AudioError {
    /// The file that could not be heard.
    pub fn path(&self) -> &Path {
        match self {
            AudioError::Open { path, .. }
            | AudioError::NotSound { path, .. }
            | AudioError::NoSoundTrack { path, .. }
            | AudioError::Coding { path, .. }
            | AudioError::Rate { path, .. }
            | AudioError::Damaged { path, .. }
            | AudioError::TooLong { path, .. }
            | AudioError::Empty { path, .. }
            | AudioError::Read { path, .. } => path,
        }
    }

    /// The way out, in one line.
    pub fn hint(&self) -> &'static str {
        match self {
            AudioError::Open { source: Some(cause), .. } if cause.kind() == std::io::ErrorKind::NotFound => {
                "check the name and the folder"
            }
            AudioError::Open { source: Some(cause), .. } if cause.kind() == std::io::ErrorKind::PermissionDenied => {
                "check who may read the file"
            }
            AudioError::Open { .. } => "name one recording: wav, flac, mp3, ogg, m4a, mov, mp4 or webm",
            AudioError::NotSound { .. } => "name the recording itself: wav, flac, mp3, ogg, m4a, mov, mp4 or webm",
            AudioError::NoSoundTrack { .. } => "record again with the microphone switched on",
            AudioError::Coding { way_out, .. } => way_out,
            AudioError::Rate { found, expected, .. } if found < &expected.0 => {
                "record again at 44100 Hz or 48000 Hz; a call or a voice memo at low quality is not enough"
            }
            AudioError::Rate { .. } => "save the recording at 48000 Hz",
            AudioError::TooLong { .. } => "cut out what was played, and name that",
            AudioError::Damaged { .. } => "fetch the recording again from where it was made, or record again",
            AudioError::Empty { .. } => "record again, and stop the recorder before closing it",
            AudioError::Read { .. } => "copy the recording to this machine's own disk first",
        }
    }
}
