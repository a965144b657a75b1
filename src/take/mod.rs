//! What stands beside a recording: the take card, and the sound check that was made before it.
//!
//! In: what was asked for, the devices, what came of the recording. Out: a small JSON file beside the sound,
//! `NAME.take.json`, from which `assess` knows part, tempo and form, and a teacher what went wrong while recording. It is
//! written when the recording begins, so that a take that was killed has one, and again at its end. And a recording in a
//! file as a sound for [`crate::chain`].
//!
//! What a card and a check hold is pure, for the pupil's page writes them too; only reading and writing them touches files.

mod card;
mod kept;
#[cfg(feature = "edge")]
mod recording;
pub mod soundcheck;

pub use card::{Asked, Card, PartOfTake, SlipRow, Tally};
#[cfg(feature = "edge")]
pub use card::{CardError, beside, fingerprint};
pub use kept::{HOLDS_HOURS, KeptCheck, KnownStrikes, STRIKES_NOTE};
#[cfg(feature = "edge")]
pub use recording::Recording;

/// How the beginning of a recording is written: date, time, zone.
#[cfg(feature = "edge")]
const BEGAN: &str = "%Y-%m-%d %H:%M:%S %z";

/// Now, as cards write it.
#[cfg(feature = "edge")]
pub fn now() -> String {
    jiff::ZonedDateTime::now().strftime(BEGAN).to_string()
}

/// When a recording began, as cards write it: seconds since 1970.
#[cfg(feature = "edge")]
pub fn began_s(began: &str) -> Option<i64> {
    let at = jiff::fmt::strtime::parse(BEGAN, began).ok()?;
    Some(at.to_timestamp().ok()?.as_second())
}
