//! The simulated class: written parts, pupils with known faults, an ear that errs, and the figures they give.
//!
//! All of it is invented data: it says how the aligner and the judge of form behave under stated errors, not how real
//! children play. Seeds are fixed; nothing else is random.
#![allow(clippy::unwrap_used, clippy::type_complexity, clippy::needless_range_loop)] // a test may fail where it stands
#![allow(dead_code, unreachable_pub)] // each test binary uses its own share

pub mod class;
pub mod ear;
pub mod figures;
pub mod parts;
pub mod people;
#[path = "../../../tests/common/rng.rs"]
pub mod rng;
pub mod slips;
