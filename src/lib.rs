//! pailbeat hears a bucket-drumming take, matches it to the written part, and says what to keep, what to fix and how
//! slow to take it next.
//!
//! Sound and paper flow one way; each module is one step and knows only [`units`] and the steps above it:
//!
//! | step | in -> out |
//! |---|---|
//! | [`units`] | seconds, ticks, tempo, decibels, lateness |
//! | `stats` | medians, sums of logarithms |
//! | [`names`] | names of people -> the form in which they are compared; where a text speaks of them |
//! | [`files`] | bytes -> files: private, whole or not at all, over nothing that is not ours (the edge) |
//! | [`part`] | text of a part file -> [`part::Part`] -> [`part::Timeline`] |
//! | [`guide`] | part -> what is played along with: sounds at known samples |
//! | [`audio`] | any recording -> blocks of samples at one rate (the edge) |
//! | [`leak`] | a recording with the guide in it -> where it begins; the recording without it |
//! | [`onset`] | samples -> [`onset::Onset`]s, each placed to a fraction of a millisecond |
//! | [`holes`] | samples -> where the recorder lost some, and nothing can be heard |
//! | [`surface`] | the sound of each onset -> centre, rim, click, pat or clap, with probabilities |
//! | [`align`] | strikes x timeline -> [`align::Alignment`] |
//! | [`assess`] | alignment -> findings, timing, advice |
//! | [`report`] | assessment -> chart, page, text, JSON |
//! | [`chain`] | the steps strung together |
//! | [`drill`] | echo drill: calls drawn from a seed, verdicts on what follows them |
//! | [`take`] | the card beside a recording (the edge) |
//! | [`book`] | the class book: recordings -> who has what, what to teach again (the edge) |
//!
//! Only `files`, `audio`, `take`, `book` and the command line touch files. Everything else is pure and compiles for
//! `wasm32-unknown-unknown` with `--no-default-features`.

pub mod align;
pub mod assess;
#[cfg(feature = "edge")]
pub mod audio;
#[cfg(feature = "edge")]
pub mod book;
pub mod chain;
#[cfg(feature = "edge")]
pub mod cli;
pub mod drill;
#[cfg(feature = "edge")]
pub mod files;
pub mod guide;
pub mod holes;
pub mod leak;
pub mod names;
pub mod onset;
pub mod part;
pub mod report;
mod stats;
pub mod surface;
#[cfg(feature = "edge")]
pub mod take;
pub mod units;
