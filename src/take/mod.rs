//! What stands beside a recording: the take card, and the sound check that was made before it.
//!
//! In: what was asked for, the devices, what came of the recording. Out: a small JSON file beside the sound,
//! `NAME.take.json`, from which `assess` knows part, tempo and form, and a teacher what went wrong while recording. It is
//! written when the recording begins, so that a take that was killed has one, and again at its end. And a recording in a
//! file as a sound for [`crate::chain`].

mod card;
mod kept;
mod recording;
pub mod soundcheck;

pub use card::{Asked, Card, CardError, PartOfTake, SlipRow, Tally, beside, fingerprint};
pub use kept::{KeptCheck, KnownStrikes, STRIKES_NOTE};
pub use recording::Recording;

/// How the beginning of a recording is written: date, time, zone.
const BEGAN: &str = "%Y-%m-%d %H:%M:%S %z";

/// Now, as cards write it.
pub fn now() -> String {
    jiff::ZonedDateTime::now().strftime(BEGAN).to_string()
}

/// When a recording began, as cards write it: seconds since 1970.
pub fn began_s(began: &str) -> Option<i64> {
    let at = jiff::fmt::strtime::parse(BEGAN, began).ok()?;
    Some(at.to_timestamp().ok()?.as_second())
}
