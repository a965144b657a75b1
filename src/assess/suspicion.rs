//! What a maker suspects -> what is told: the one table that says how sure each kind must be and in which order it is mended.
//!
//! A maker raises a [`Suspicion`]: what happened, where, on which evidence, and the log odds that its evidence gives.
//! [`Suspicion::told`] adds the prior of the kind and makes a [`Finding`] of it, or nothing.

use super::finding::{Dynamics, Evidence, Finding, Kind, Place, Uneven, What};
use crate::stats::logistic;
use crate::units::Seconds;

/// In which order a teacher would mend: the piece as a whole, rests and entries, strokes and surfaces, tempo and evenness,
/// dynamics.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// Another part, sections, repeats.
    Piece,
    /// Rests, entries, joins, stops.
    Entries,
    /// Strokes and surfaces.
    Strokes,
    /// Tempo and evenness.
    Tempo,
    /// Loud and soft.
    Dynamics,
}

/// A row of the table.
#[derive(Clone, Copy, Debug)]
struct Row {
    /// Log odds before anything is heard.
    prior: f64,
    /// Said from this probability on, and never called surer than that.
    said: (f64, f64),
    rank: Rank,
    /// Within the rank: what a listener notices more.
    weight: f64,
}

/// Findings less sure than this are not said, whatever their kind.
pub const LEAST_CONFIDENCE: f64 = 0.6;
/// No finding is surer than this, whatever its own evidence: now and then a whole take is matched wrongly, and every
/// witness of it with it. Of 358 findings said with more than .9 on the simulated class heard from sound
/// (`scripts/simulating/classroom`, tuning parts, 390 takes) 355 were true.
const SUREST: f64 = 0.98;

/// The table. Priors are frequencies a teacher would call plausible; nobody has counted them in children's practice takes.
///
/// The second witness of a change of form (see [`super::structure`]) was read off 1500 findings in the simulated class
/// (`scripts/measuring/class_figures.rs`) as odds, prior and all: restarts are a little less sure than the rest, because playing about
/// resembles them; repeats and sections a little surer, because their rival is often another true name of the same event.
fn row(what: &What) -> Row {
    // One in n.
    let one_in = |n: f64| -(n - 1.0).ln();
    let row = |prior: f64, said: f64, rank: Rank, weight: f64| Row { prior, said: (said, SUREST), rank, weight };
    let form = |prior: f64, rank: Rank, weight: f64| row(prior, LEAST_CONFIDENCE, rank, weight);
    match what {
        What::SectionSkipped { .. } | What::RepeatMissing { .. } | What::RepeatExtra { .. } => {
            form(0.4, Rank::Piece, 0.9)
        }
        What::StartedLate { .. } => form(0.4, Rank::Piece, 0.9),
        What::Lost { .. } => form(0.0, Rank::Piece, 0.95),
        What::Restarted { .. } => form(-0.2, Rank::Piece, 0.7),
        // One rest in 15 is run through: the commonest slip of beginners (common practice). At one in 12
        // `scripts/measuring/class_figures.rs` finds 3 more in 180 and accuses 3 more who kept theirs.
        What::RestNotKept { .. } => form(one_in(15.0), Rank::Entries, 1.0),
        What::EarlyReEntry { .. } => form(0.0, Rank::Entries, 0.95),
        What::JoinGap { .. } => form(0.0, Rank::Entries, 0.9),
        What::LateReEntry { .. } | What::JoinRushed { .. } => form(0.0, Rank::Entries, 0.85),
        What::Paused { .. } => form(0.0, Rank::Entries, 0.8),
        // One section in 180 is played on another surface throughout.
        What::WrongSurface { .. } => row(one_in(180.0), 0.7, Rank::Strokes, 0.9),
        // The share of strokes that this pupil leaves out is the maker's own.
        What::StrokesMissing { .. } => row(0.0, 0.85, Rank::Strokes, 0.8),
        // One take in ten is of somebody who does not hear the hands apart.
        What::NotTogether { .. } => Row { said: (0.7, 0.97), ..row(one_in(10.0), 0.7, Rank::Strokes, 0.6) },
        // One take in four drifts: by more than 5 % a third of those of children of 6 to 8 and a tenth of adults' (211 people
        // tapping even series by heart, public research data).
        What::Rushing(_) => form(one_in(4.0), Rank::Tempo, 0.75),
        What::Dragging(_) => form(one_in(4.0), Rank::Tempo, 0.7),
        // Three takes in ten are not at the tempo asked for, as in the matching.
        What::TempoApart { .. } => form(0.3f64.ln() - 0.7f64.ln(), Rank::Tempo, 0.65),
        // One take in seven limps: beginners lead with one hand.
        What::UnevenHands(Uneven::Late { .. }) => Row { said: (0.6, 0.97), ..row(one_in(7.0), 0.6, Rank::Tempo, 0.5) },
        // What pupils do with loudness is the makers' own belief.
        What::UnevenHands(Uneven::Louder { .. }) => Row { said: (0.7, 0.97), ..row(0.0, 0.7, Rank::Tempo, 0.5) },
        // A swell that comes again and is missing every time; one that is missing once only.
        What::LevelFlat { dynamic, .. } => {
            let once = matches!(dynamic, Dynamics::Swell { once: true } | Dynamics::Fade { once: true });
            let said = if once { 0.95 } else { 0.85 };
            Row { said: (said, 0.97), ..row(0.0, said, Rank::Dynamics, 0.55) }
        }
    }
}

/// What a maker suspects.
#[derive(Clone, Debug)]
pub(super) struct Suspicion {
    pub(super) what: What,
    pub(super) place: Option<Place>,
    pub(super) at: Option<Seconds>,
    /// Log odds that it happened, by its evidence alone.
    pub(super) odds: f64,
    /// Share of belief that it is to be called so, once something happened.
    pub(super) share: f64,
    pub(super) evidence: Evidence,
    pub(super) otherwise: Option<Kind>,
}

impl Suspicion {
    /// The finding, where it is sure enough to be said.
    ///
    /// That something happened is one question, what to call it another: where the rival is another name of the same event,
    /// it must not silence the first.
    pub(super) fn told(self) -> Option<Finding> {
        let row = row(&self.what);
        let happened = probability(&self.what, self.odds);
        let named = happened * self.share;
        let confidence = if self.otherwise.is_some() { named.max(happened.min(LEAST_CONFIDENCE)) } else { named };
        let (least, most) = row.said;
        (confidence >= least).then(|| Finding {
            what: self.what,
            place: self.place,
            at: self.at,
            confidence: confidence.min(most),
            evidence: self.evidence,
            otherwise: self.otherwise,
        })
    }

    /// Less sure by a share of belief that speaks against all of it.
    pub(super) fn doubted(self, share: f64) -> Suspicion {
        let p = probability(&self.what, self.odds);
        self.posterior(p * share)
    }

    /// As [`Suspicion::odds`] for something known with this probability, prior and all.
    pub(super) fn posterior(mut self, p: f64) -> Suspicion {
        self.odds = log_odds(p) - row(&self.what).prior;
        self
    }
}

/// Probability of something by the log odds of its evidence.
pub(super) fn probability(what: &What, odds: f64) -> f64 {
    logistic(row(what).prior + odds)
}

/// Probability to log odds.
pub(super) fn log_odds(p: f64) -> f64 {
    let p = p.clamp(1e-12, 1.0 - 1e-12);
    (p / (1.0 - p)).ln()
}

/// Where a kind stands in the order of mending.
pub(super) fn rank(what: &What) -> Rank {
    row(what).rank
}

/// How weighty one finding is beside others of its rank.
pub(super) fn weight(finding: &Finding) -> f64 {
    row(&finding.what).weight * finding.confidence
}
