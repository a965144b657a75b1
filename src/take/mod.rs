//! What stands beside a recording: the take card.
//!
//! In: what was asked for, the devices, what came of the recording. Out: a small JSON file beside the sound,
//! `NAME.take.json`, from which `assess` knows part, tempo and form, and a teacher what went wrong while recording. It is
//! written when the recording begins, so that a take that was killed has one, and again at its end.

mod card;
pub mod soundcheck;

pub use card::{Card, CardError, PartOfTake, SlipRow, Tally, beside, fingerprint};
