//! What the surfaces are called, by their sound alone.
//!
//! A group of strikes is described by its mean bands and, of each of the three stretches, by strength, middle and width
//! of the spectrum. Every way to give the groups names is scored: each group against the usual sound of its name, and
//! each two groups by the direction in which those two surfaces usually differ (linear discriminants; the scores' trust
//! fitted on families of instruments left out). As no amount of likeness proves a name, a share of the probability of
//! every naming is passed on to those with two names exchanged: as often as that was so on instruments left out.

use super::constants::{Constants, MARKS, pair};
use super::features::{BANDS, STRETCHES};
use super::maps::ALL;
use crate::stats::log_sum;
use crate::stats::matrix::{dot, form};

/// No naming is less likely than this: keeps logarithms finite.
const LEAST: f64 = 1e-9;

/// A group of strikes: its marks, and how many strikes it holds.
pub(super) type Group = ([f64; MARKS], f64);

/// Marks of mean bands (less the usual ones).
pub(super) fn marks(c: &Constants, bands: &[f64; BANDS]) -> [f64; MARKS] {
    let mut out = [0.0; MARKS];
    out[..BANDS].copy_from_slice(bands);
    for (k, (from, edges)) in STRETCHES.iter().enumerate() {
        let (mut power, mut first, mut second) = (0.0, 0.0, 0.0);
        for (band, edge) in (*from..).zip(edges.windows(2)) {
            let p = 10f64.powf((bands[band] + c.mean[band]) / 10.0);
            let middle = 0.5 * (edge[0].ln() + edge[1].ln());
            power += p;
            first += p * middle;
            second += p * middle * middle;
        }
        let middle = first / power;
        let width = (second / power - middle * middle).max(0.0).sqrt();
        for (to, v) in out[BANDS + 3 * k..].iter_mut().zip([10.0 * power.log10(), middle, width]) {
            *to = v;
        }
    }
    out
}

/// Scores of every naming of some groups.
pub(super) struct Namings {
    /// For each naming, the name of each used group, as position among the live surfaces.
    namings: Vec<Vec<usize>>,
    /// Probability of each.
    p: Vec<f64>,
    /// Which groups are used.
    used: Vec<usize>,
}

impl Namings {
    /// Of groups called `live` (positions among all surfaces), some of them `given` beyond doubt.
    pub(super) fn new(c: &Constants, live: &[usize], groups: &[Group], given: &[bool]) -> Namings {
        let n = &c.names;
        // A handful of strikes names a surface less surely; below half a strike there is none.
        let sure = |g: usize| groups[g].1 / (groups[g].1 + 2.0);
        let used: Vec<usize> = (0..groups.len()).filter(|g| groups[*g].1 > 0.5).collect();
        let mut alone = [[0.0; ALL]; ALL];
        let mut between = vec![[[0.0; ALL]; ALL]; ALL * ALL];
        for g in &used {
            for (name, s) in live.iter().enumerate() {
                let off: Vec<f64> = groups[*g].0.iter().zip(&n.means[*s]).map(|(a, b)| a - b).collect();
                alone[*g][name] = -0.5 * n.trust * sure(*g) * form(&n.precision, &off);
            }
            for h in used.iter().filter(|h| *h != g) {
                let apart: Vec<f64> = groups[*g].0.iter().zip(&groups[*h].0).map(|(a, b)| a - b).collect();
                for (a, s) in live.iter().enumerate() {
                    for (b, t) in live.iter().enumerate().skip(a + 1) {
                        let k = pair(*s, *t);
                        let score = n.pair_trust[k][0] * sure(*g) * sure(*h) * dot(&n.pairs[k], &apart);
                        // Logarithm of the logistic function.
                        between[g * ALL + h][a][b] = -(-score).clamp(-50.0, 50.0).exp().ln_1p();
                    }
                }
            }
        }
        let mut namings = Vec::new();
        all_namings(live.len(), &used, given, &mut Vec::new(), &mut namings);
        let scores: Vec<f64> = namings
            .iter()
            .map(|naming| {
                let mut score = 0.0;
                for (k, (g, a)) in used.iter().zip(naming).enumerate() {
                    score += alone[*g][*a];
                    for (h, b) in used.iter().zip(naming).skip(k + 1) {
                        score += if a < b { between[g * ALL + h][*a][*b] } else { between[h * ALL + g][*b][*a] };
                    }
                }
                score
            })
            .collect();
        let all = log_sum(scores.iter().copied());
        let by_score: Vec<f64> = scores.iter().map(|s| (s - all).exp()).collect();
        // Each two names may be exchanged after all.
        let mut p = by_score.clone();
        for a in 0..live.len() {
            for b in a + 1..live.len() {
                if given[a] || given[b] {
                    continue;
                }
                let share = n.pair_trust[pair(live[a], live[b])][1];
                for (k, naming) in namings.iter().enumerate() {
                    let other: Vec<usize> = naming
                        .iter()
                        .map(|n| {
                            if *n == a {
                                b
                            } else if *n == b {
                                a
                            } else {
                                *n
                            }
                        })
                        .collect();
                    if let Some(other) = namings.iter().position(|n| *n == other) {
                        p[k] += share * (by_score[other] - by_score[k]);
                    }
                }
            }
        }
        Namings { namings, p, used }
    }

    /// Log probability that the groups are rightly called as they are.
    pub(super) fn as_called(&self) -> f64 {
        let at = self.namings.iter().position(|n| *n == self.used);
        at.and_then(|k| self.p.get(k)).copied().unwrap_or(0.0).max(LEAST).ln()
    }

    /// The likeliest name of each used group.
    pub(super) fn likeliest(&self) -> Vec<(usize, usize)> {
        let best = self.namings.iter().zip(&self.p).max_by(|a, b| a.1.total_cmp(b.1));
        best.map(|(names, _)| self.used.iter().copied().zip(names.iter().copied()).collect()).unwrap_or_default()
    }
}

fn all_namings(live: usize, used: &[usize], given: &[bool], begun: &mut Vec<usize>, out: &mut Vec<Vec<usize>>) {
    let Some(next) = used.get(begun.len()) else {
        out.push(begun.clone());
        return;
    };
    for name in 0..live {
        let free = !begun.contains(&name) && given[name] == given[*next] && (!given[*next] || name == *next);
        if free {
            begun.push(name);
            all_namings(live, used, given, begun, out);
            begun.pop();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn groups(c: &Constants, surfaces: &[usize]) -> Vec<Group> {
        surfaces.iter().map(|s| (c.names.means[*s], 20.0)).collect()
    }

    #[test]
    fn average_surfaces_are_called_by_their_names() {
        let c = Constants::embedded();
        let right = Namings::new(c, &[0, 1, 2], &groups(c, &[0, 1, 2]), &[false; 3]);
        let wrong = Namings::new(c, &[0, 1, 2], &groups(c, &[0, 2, 1]), &[false; 3]);
        assert!(right.as_called() > f64::ln(0.6), "{}", right.as_called().exp());
        assert!(wrong.as_called() < f64::ln(0.2));
        assert_eq!(wrong.likeliest(), [(0, 0), (1, 2), (2, 1)]);
        assert!((right.p.iter().sum::<f64>() - 1.0).abs() < 1e-9);
        assert_eq!(right.namings.len(), 6);
    }

    #[test]
    fn a_name_that_is_given_is_not_doubted() {
        let c = Constants::embedded();
        let n = Namings::new(c, &[0, 1, 2], &groups(c, &[1, 0, 2]), &[true, true, false]);
        assert_eq!(n.namings, vec![vec![0, 1, 2]]);
        assert!(n.as_called() > -1e-9);
    }

    #[test]
    fn a_group_without_strikes_has_no_name() {
        let c = Constants::embedded();
        let mut g = groups(c, &[0, 1, 2]);
        g[1].1 = 0.0;
        assert_eq!(Namings::new(c, &[0, 1, 2], &g, &[false; 3]).namings.len(), 6);
        g[0].1 = 0.2;
        assert_eq!(Namings::new(c, &[0, 1, 2], &g, &[false; 3]).namings.len(), 3);
    }
}
