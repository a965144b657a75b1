//! What the front end made of a piece -> everything that may be a strike: when, how loud, how likely.
//!
//! One small network over time in two paths, coarse and fine; the fine one says where strikes are; then each of them is
//! held against the others. About 18,000 multiply-adds a coarse frame, 6,000 a fine one where the gate is open.

use fearless_simd::Level;

use super::coarse::{Coarse, Outline};
use super::company::{self, Candidate, Company};
use super::fine::{Fine, Working};
use super::front::Front;
use super::spectrum::{LONG_HOP, SHORT_HOP};
use super::votes::{Peak, peaks};

/// The weights of it all.
pub(crate) struct Network {
    pub(crate) coarse: Coarse,
    /// A coarse frame's logit that opens the gate.
    pub(crate) gate: f32,
    pub(crate) fine: Fine,
    pub(crate) company: Company,
}

/// What may be a strike, before its attack is placed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pointed {
    /// Sample of the piece that the votes point to; may lie just outside it.
    pub(crate) at: f64,
    /// Height of the votes' peak: about 1 where they agree.
    pub(crate) votes: f32,
    /// Level as of [`Front::level`], the highest of its first 12 ms.
    pub(crate) level: f32,
    /// Probability that it is a strike.
    pub(crate) certainty: f32,
}

/// Long frames before and after an attack whose difference is its colour.
const BEFORE: [isize; 2] = [-3, -2];
const AFTER: [isize; 3] = [1, 2, 3];
/// The long frame 52 ms later.
const LATER: isize = 9;
/// What sounds then weighs half.
const LATER_SCALE: f32 = 0.5;

impl Network {
    /// All that may be a strike, in order of time.
    pub(crate) fn hear(&self, front: &Front) -> Vec<Pointed> {
        let candidates = self.candidates(front, &self.outline(front), self.gate);
        let certainties = self.company.judge(Level::new(), &candidates);
        let pointed = |(c, certainty): (&Candidate, f32)| Pointed {
            at: c.peak.at * SHORT_HOP as f64,
            votes: c.peak.height,
            level: c.level,
            certainty,
        };
        candidates.iter().zip(certainties).map(pointed).collect()
    }

    /// What the coarse path makes of the piece.
    pub(crate) fn outline(&self, front: &Front) -> Outline {
        self.coarse.hear(Level::new(), front)
    }

    /// The peaks of the fine path's votes where the coarse path's logit exceeds `gate`, and what is known of each.
    pub(crate) fn candidates(&self, front: &Front, outline: &Outline, gate: f32) -> Vec<Candidate> {
        let mut working = Working::new(&self.fine, Level::new(), front, outline);
        let votes = working.votes(gate);
        let (last, last_long) = (front.short.len() as f64 - 1.0, front.long.len() as f64 - 1.0);
        let candidate = |peak: Peak| {
            let frame = peak.at.round_ties_even().clamp(0.0, last);
            let long = (frame * SHORT_HOP as f64 / LONG_HOP as f64).round_ties_even().min(last_long);
            let (frame, long) = (frame as usize, long as usize);
            let fine = match votes.binary_search_by_key(&frame, |vote| vote.frame) {
                Ok(k) => votes[k].channels,
                Err(_) => working.channels_at(frame),
            };
            let seen = |distance: isize| front.long_input(long as isize + distance);
            let until = (frame + company::LEVEL_FRAMES).min(front.short.len());
            Candidate {
                peak,
                fine,
                coarse: std::array::from_fn(|row| outline.channels.row(row)[long]),
                level: (frame..until).map(|frame| front.level(frame)).fold(f32::MIN, f32::max),
                colour: company::colour(AFTER.map(seen), BEFORE.map(seen)),
                later: seen(LATER).map(|v| LATER_SCALE * v),
            }
        };
        peaks(&votes).into_iter().map(candidate).collect()
    }
}

#[cfg(test)]
mod tests {
    use serde::Deserialize;

    use super::super::affine::tests::numbers;
    use super::super::front::Transforms;
    use super::super::model::Model;
    use super::super::model::tests::{METADATA, file, random};
    use super::*;

    /// What `scripts/outside/ear_reference.py` makes of [`strikes`] with the same random weights.
    #[derive(Deserialize)]
    struct Reference {
        gates: Vec<f32>,
        /// In frames; votes, level, certainty.
        candidates: Vec<(f64, f32, f32, f32)>,
    }

    /// Five damped tones in noise, the first on the first sample.
    fn strikes() -> Vec<f32> {
        let mut x: Vec<f64> = numbers(49_800, 7).iter().map(|v| 0.02 * f64::from(*v)).collect();
        for (k, at) in [0, 9_000, 17_003, 17_700, 40_000].into_iter().enumerate() {
            let k = k as f64;
            for (n, v) in x[at..].iter_mut().enumerate() {
                let t = n as f64 / 44_100.0;
                let tone = (std::f64::consts::TAU * (300.0 + 700.0 * k) * t).sin();
                *v += (0.5 - 0.08 * k) * tone * (-t / (0.02 + 0.01 * k)).exp();
            }
        }
        x.into_iter().map(|v| v as f32).collect()
    }

    #[test]
    fn the_network_is_that_of_its_definition_in_numpy() {
        let reference: Reference = serde_json::from_str(include_str!("../../tests/data/ear_reference.json")).unwrap();
        let model = Model::read(&file(&random(), &METADATA)).unwrap();
        let front = Front::new(&Transforms::new(), &strikes());
        let outline = model.network.outline(&front);
        assert_eq!(outline.gates.len(), reference.gates.len());
        for (k, (found, expected)) in outline.gates.iter().zip(&reference.gates).enumerate() {
            assert!((found - expected).abs() < 1e-3, "gate {k}: {found}, not {expected}");
        }
        let found = model.network.hear(&front);
        let times: Vec<f64> = found.iter().map(|p| p.at / SHORT_HOP as f64).collect();
        assert_eq!(found.len(), reference.candidates.len(), "{times:?}");
        for (found, (at, votes, level, certainty)) in found.iter().zip(reference.candidates) {
            assert!((found.at / SHORT_HOP as f64 - at).abs() < 1e-3, "{found:?}, not {at}");
            assert!((found.votes - votes).abs() < 1e-3, "{found:?}, not {votes}");
            assert!((found.level - level).abs() < 1e-3, "{found:?}, not {level}");
            assert!((found.certainty - certainty).abs() < 1e-3, "{found:?}, not {certainty}");
        }
    }

    #[test]
    fn a_frame_by_itself_is_what_it_is_among_others() {
        let model = Model::read(&file(&random(), &METADATA)).unwrap();
        let front = Front::new(&Transforms::new(), &strikes());
        let outline = model.network.outline(&front);
        let mut working = Working::new(&model.network.fine, Level::new(), &front, &outline);
        let all = working.votes(f32::NEG_INFINITY);
        assert!(all.len() > 100);
        for vote in all {
            let alone = working.channels_at(vote.frame);
            for (a, b) in alone.iter().zip(&vote.channels) {
                assert!((a - b).abs() < 1e-4 * b.abs().max(1.0), "{}: {a}, not {b}", vote.frame);
            }
        }
    }

    #[test]
    fn a_closed_gate_takes_votes_away_and_changes_none() {
        let model = Model::read(&file(&random(), &METADATA)).unwrap();
        let front = Front::new(&Transforms::new(), &strikes());
        let outline = model.network.outline(&front);
        let mut working = Working::new(&model.network.fine, Level::new(), &front, &outline);
        let all = working.votes(f32::NEG_INFINITY);
        let some = working.votes(0.5);
        assert!(!some.is_empty() && some.len() < all.len());
        for vote in some {
            let same = all.iter().find(|other| other.frame == vote.frame).unwrap();
            assert!((same.likely - vote.likely).abs() < 1e-5 && (same.at - vote.at).abs() < 1e-4, "{}", vote.frame);
            let near = outline.gates.iter().enumerate().any(|(k, g)| *g > 0.5 && (4 * k).abs_diff(vote.frame) <= 6);
            assert!(near, "{}", vote.frame);
        }
    }
}
