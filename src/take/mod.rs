//! What stands beside a recording: the take card.
//!
//! In: what was asked for, the devices, what came of the recording. Out: a small JSON file beside the sound,
//! `NAME.take.json`, from which `assess` knows part, tempo and form, and a teacher what went wrong while recording. It is
//! written when the recording begins, so that a take that was killed has one, and again at its end. And hearing a
//! recording that a guide may be in.

mod card;
mod hear;
pub mod soundcheck;

pub use card::{Card, CardError, PartOfTake, SlipRow, Tally, beside, fingerprint};
pub use hear::{hear, hear_guided};
