//! What is believed of a file, and how its decoders are run: within limits, and with no panic of theirs told as a crash.

use std::cell::Cell;
use std::path::PathBuf;
use std::sync::Once;

use symphonia::core::errors::Error;

use super::error::AudioError;
use crate::units::Seconds;

/// More channels than any recorder has; beyond it a header is nonsense.
pub(super) const MAX_CHANNELS: usize = 32;
thread_local! {
    /// Whether this thread is inside a decoder.
    static INSIDE: Cell<bool> = const { Cell::new(false) };
}
static QUIET: Once = Once::new();

/// Runs a step of the decoders. On damaged files they may panic (in debug builds, on arithmetic that wraps in others); that
/// is one more way of being undecodable, and not to be told as a crash: what a panic prints is held back while inside.
pub(super) fn guarded<T>(step: impl FnOnce() -> Result<T, Error>) -> Result<T, Error> {
    QUIET.call_once(|| {
        let tell = std::panic::take_hook();
        std::panic::set_hook(Box::new(move |what| {
            if !INSIDE.get() {
                tell(what);
            }
        }));
    });
    INSIDE.set(true);
    let done = std::panic::catch_unwind(std::panic::AssertUnwindSafe(step));
    INSIDE.set(false);
    done.unwrap_or(Err(Error::DecodeError(GAVE_UP)))
}

pub(super) const GAVE_UP: &str = "the decoder gave up on it";

/// Why reading stopped for good.
pub(super) enum Stop {
    Io(std::io::Error),
    Damaged(Error),
    Changed,
}

impl Stop {
    /// As an error of the whole recording; `at`: how much of it had been read.
    pub(super) fn into_error(self, path: PathBuf, container: &'static str, at: Seconds) -> AudioError {
        let (reason, source) = match self {
            Stop::Io(source) => return AudioError::Read { path, at, source },
            Stop::Damaged(cause) => ("nothing in it can be decoded", Some(cause)),
            Stop::Changed => ("its sound is not of the kind its header says", None),
        };
        AudioError::Damaged { path, container, reason: reason.into(), source }
    }
}
