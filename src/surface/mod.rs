//! The sound of each strike -> the surface it landed on, with a probability, by a model fitted to the take itself with
//! the written part as prior.

mod constants;
mod doubts;
mod features;
mod maps;
mod mixture;
mod names;
mod tell;

pub use features::{BANDS, FeatureBank, Features};
pub use tell::{Account, Calibration, Model, PassReading, Reading, tell};

use crate::part::Surface;

/// What the written part expects of a strike, as far as an alignment on time alone can tell.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// The surface written for the stroke this strike was matched to; `None` where it was matched to none.
    pub written: Option<Surface>,
    /// Which appearance of a section it belongs to (index into `Timeline::passes`); `None` where unknown.
    pub pass: Option<usize>,
}

/// What was heard of one strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Heard {
    /// Probability of each surface, in the order of [`Surface::ALL`]; sums to 1.
    pub p: [f64; Surface::COUNT],
    /// Probability that it is none of the take's surfaces (a dropped stick, a knock).
    pub other: f64,
}

impl Heard {
    /// The likeliest surface and its probability.
    pub fn best(&self) -> (Surface, f64) {
        Surface::ALL.into_iter().zip(self.p).fold((Surface::Centre, f64::NEG_INFINITY), |best, (surface, p)| {
            if p > best.1 { (surface, p) } else { best }
        })
    }
}

/// A doubt about the whole take that sound alone cannot settle; said once, not once a strike.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Doubt {
    /// These two may be exchanged throughout; `p` is the probability that they are.
    Exchanged {
        /// One name.
        a: Surface,
        /// The other.
        b: Surface,
        /// Probability that what is called `a` is `b` and the other way round.
        p: f64,
    },
    /// Written, but everything sounds like `heard`: either all of it was played there or the two sound alike here.
    NotToldApart {
        /// The surface that was written and not heard.
        written: Surface,
        /// What was heard instead.
        heard: Surface,
    },
    /// Only one surface is written or played: its name cannot be checked by sound alone.
    OneSurface {
        /// The surface written.
        written: Surface,
    },
}
