//! pailbeat hears a bucket-drumming take, matches it to the written part, and says what to keep, what to fix and how
//! slow to take it next.
//!
//! From samples and a part to an assessment:
//!
//! ```
//! use pailbeat::{chain, part, units::{Bpm, SampleRate}};
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let bytes = include_bytes!("../reference_takes/swift.wav");
//! # let pcm = bytes[44..].as_chunks::<2>().0.iter().map(|b| f32::from(i16::from_le_bytes(*b)) / 32_768.0);
//! # let samples = pcm.collect::<Vec<f32>>();
//! let part = part::parse(include_str!("../reference_takes/lantern-parade.toml"))?;
//! let timeline = part.timeline(Some("A B"), Bpm::new(84.0).ok_or("no tempo")?)?;
//! let mut sound = chain::Samples { samples: &samples, rate: SampleRate::new(16_000).ok_or("no rate")? };
//! let asked = chain::Asked::of(&timeline);
//! let verdict = chain::assess(&mut sound, &asked, &chain::Beside::default(), &mut chain::quietly)?;
//! for finding in &verdict.assessment.findings {
//!     println!("{}: {:.0} %", finding.kind().word(), 100.0 * finding.confidence);
//! }
//! assert!(verdict.assessment.findings.iter().any(|finding| finding.kind().word() == "rushing"));
//! # Ok(())
//! # }
//! ```
//!
//! Sound and paper flow one way; each module is one step and knows only [`units`] and the steps above it:
//!
//! | step | in -> out |
//! |---|---|
//! | [`units`] | seconds, ticks, tempo, decibels, lateness |
//! | `stats` | middle values, the normal distribution, robust lines, small matrices |
//! | `english` | numbers, plurals and lists in words |
//! | [`names`] | names of people -> the form in which they are compared; where a text speaks of them |
//! | [`files`] | bytes -> files: private, whole or not at all, over nothing that is not ours (the edge) |
//! | `parallel` | work on many things at once, its results in order (the edge) |
//! | [`part`] | text of a part file -> [`part::Part`] -> [`part::Timeline`] |
//! | [`guide`] | part -> what is played along with: sounds at known samples |
//! | [`notation`] | part <-> MusicXML, MIDI (the edge's crates, no file) |
//! | `resample` | samples at any rate -> samples at the ear's rate |
//! | [`wav`] | samples -> the bytes of a wav file |
//! | [`audio`] | any recording -> blocks of samples at one rate (the edge) |
//! | [`onset`] | samples -> [`onset::Onset`]s, each placed to a fraction of a millisecond |
//! | [`holes`] | samples -> where the recorder lost some, and nothing can be heard |
//! | [`leak`] | a recording with the guide in it -> where it begins; the recording without it |
//! | [`surface`] | the sound of each onset -> centre, rim, click, pat or clap, with probabilities |
//! | [`align`] | strikes x timeline -> [`align::Alignment`] |
//! | [`assess`] | alignment -> findings, timing, advice |
//! | [`report`] | assessment -> chart, page, text, JSON |
//! | [`chain`] | the one way through: samples at any rate, guide, known surfaces, take card -> assessment |
//! | [`drill`] | echo drill: calls drawn from a seed, verdicts on what follows them |
//! | [`take`] | the card beside a recording (the edge) |
//! | [`pupil`] | what the pupil's page does: wishes, samples -> what is drawn, told and given |
//! | [`book`] | the class book: recordings -> who has what, what to teach again (the edge) |
//! | [`desk`] | the class book in a browser: addresses -> pages, forms -> what is done (the edge) |
//!
//! Only `files`, `audio`, `take`, `book`, `desk` and the command line touch files. Everything else is pure and compiles for
//! `wasm32-unknown-unknown` with `--no-default-features`.

pub mod align;
pub mod assess;
#[cfg(feature = "edge")]
pub mod audio;
#[cfg(feature = "edge")]
pub mod book;
#[cfg(feature = "page")]
pub mod browser;
pub mod chain;
#[cfg(feature = "edge")]
pub mod cli;
#[cfg(feature = "edge")]
pub mod desk;
pub mod drill;
mod english;
#[cfg(feature = "edge")]
pub mod files;
pub mod guide;
pub mod holes;
pub mod leak;
pub mod names;
#[cfg(feature = "edge")]
pub mod notation;
pub mod onset;
#[cfg(feature = "edge")]
mod parallel;
pub mod part;
#[cfg(feature = "charts")]
pub mod pupil;
pub mod report;
mod resample;
#[cfg(test)]
#[path = "../tests/common/rng.rs"]
#[allow(dead_code, unreachable_pub, reason = "shared with the tests of the whole program")]
mod rng;
mod stats;
pub mod surface;
pub mod take;
pub mod units;
#[cfg(any(feature = "edge", feature = "page"))]
pub mod wav;
