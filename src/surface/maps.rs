//! What the part says about each strike, through a pupil's mistakes.
//!
//! A *map* says on which surface each written surface is played: the identity, one surface taken for another, two
//! exchanged, everything on one. It may change from strike to strike, rarely, and more easily where a pass begins. On
//! top of it single strikes slip. Given how well each surface explains each strike's sound, the forward-backward
//! algorithm (Rabiner 1989) gives the probability of each surface and of each map at every strike.

use super::constants::Tuning;
use crate::part::Surface;

/// Most surfaces that can be in play.
pub(super) const ALL: usize = Surface::COUNT;

/// A map: written -> played, as positions among the live surfaces.
pub(super) type Map = [usize; ALL];

/// The maps considered, and how likely each is to begin with.
pub(super) struct Maps {
    pub(super) maps: Vec<Map>,
    pub(super) prior: Vec<f64>,
    /// Logarithm of the prior against that of the likeliest map.
    pub(super) cost: Vec<f64>,
}

impl Maps {
    /// All that are considered among `live` surfaces. Where the part has but one, `lone`, sound cannot check its name,
    /// and a change of it throughout is hardly considered.
    pub(super) fn new(live: &[usize], lone: bool, tuning: &Tuning) -> Maps {
        let rarer = if lone { tuning.map_lone } else { 1.0 };
        let mut identity = [0; ALL];
        identity.iter_mut().enumerate().for_each(|(k, to)| *to = k);
        let mut maps = vec![identity];
        let mut prior = vec![1.0];
        for a in 0..live.len() {
            for b in 0..live.len() {
                if a != b {
                    let mut one = identity;
                    one[a] = b;
                    maps.push(one);
                    prior.push(rarer * tuning.map_change);
                    if a < b {
                        one[b] = a;
                        maps.push(one);
                        let drum = live[a] == Surface::Centre.index() && live[b] == Surface::Rim.index();
                        prior.push(rarer * tuning.map_exchange[usize::from(drum)]);
                    }
                }
            }
            if live.len() > 2 {
                maps.push([a; ALL]);
                prior.push(rarer * tuning.map_all_on[usize::from(a != 0)]);
            }
        }
        Maps::weighted(maps, prior)
    }

    /// Only what is written: for takes without a part.
    pub(super) fn none() -> Maps {
        let mut identity = [0; ALL];
        identity.iter_mut().enumerate().for_each(|(k, to)| *to = k);
        Maps::weighted(vec![identity], vec![1.0])
    }

    fn weighted(maps: Vec<Map>, mut prior: Vec<f64>) -> Maps {
        let sum: f64 = prior.iter().sum();
        prior.iter_mut().for_each(|p| *p /= sum);
        let top = prior.iter().copied().fold(0.0, f64::max);
        let cost = prior.iter().map(|p| (p / top).ln()).collect();
        Maps { maps, prior, cost }
    }
}

/// What is expected of a strike before it is heard: the probability of each written surface, by what the aligner says.
/// One row for each surface that may be written, and one for a strike without a stroke.
#[derive(Clone)]
pub(super) struct Expected {
    pub(super) rows: [[f64; ALL]; ALL + 1],
}

/// Row of a strike without a stroke.
pub(super) const NO_STROKE: usize = ALL;

/// The answer of [`forward_backward`].
pub(super) struct Posterior {
    /// Probability of each surface at each strike.
    pub(super) surface: Vec<[f64; ALL]>,
    /// Probability of each map at each strike, strike by strike.
    pub(super) maps: Vec<f64>,
    /// Logarithm of the probability of all strikes.
    pub(super) evidence: f64,
    /// Expected number of strikes that slipped, of those that have a stroke.
    pub(super) slips: f64,
}

/// Buffers kept between rounds.
#[derive(Default)]
pub(super) struct Buffers {
    forward: Vec<f64>,
    emission: Vec<f64>,
    norm: Vec<f64>,
}

/// The forward-backward algorithm over the strikes (Rabiner 1989, "A tutorial on hidden Markov models", section III), each
/// step scaled to a sum of one.
///
/// `sound`: log likelihood of each of the `live` surfaces at each strike. `rows`: which row of `expected` holds for it.
/// `turn`: probability that the map changes before it.
pub(super) fn forward_backward(
    buffers: &mut Buffers,
    maps: &Maps,
    live: usize,
    sound: &[[f64; ALL]],
    rows: &[usize],
    expected: &Expected,
    turn: &[f64],
) -> Posterior {
    let (n, m) = (sound.len(), maps.maps.len());
    // For each row and map, what is expected to be *played*.
    let mut played = vec![[0.0; ALL]; (ALL + 1) * m];
    for (row, of_row) in expected.rows.iter().zip(played.chunks_exact_mut(m)) {
        for (map, out) in maps.maps.iter().zip(of_row) {
            for (to, p) in map.iter().zip(row).take(live) {
                out[*to] += p;
            }
        }
    }
    let of = |row: usize| &played[row * m..(row + 1) * m];
    buffers.forward.resize(n * m, 0.0);
    buffers.emission.resize(n * m, 0.0);
    buffers.norm.resize(n, 0.0);
    let mut surface = vec![[0.0; ALL]; n];
    let mut evidence = 0.0;
    let mut last = maps.prior.clone();
    let strikes = sound.iter().zip(rows).zip(turn).zip(&mut surface);
    let rows_of_buffers =
        buffers.forward.chunks_exact_mut(m).zip(buffers.emission.chunks_exact_mut(m)).zip(&mut buffers.norm);
    for ((((sound, row), turn), heard), ((forward, emission), norm)) in strikes.zip(rows_of_buffers) {
        let top = sound[..live].iter().copied().fold(f64::NEG_INFINITY, f64::max);
        for (h, s) in heard.iter_mut().zip(sound).take(live) {
            *h = (s - top).exp();
        }
        let mut sum = 0.0;
        for ((((f, e), last), prior), played) in
            forward.iter_mut().zip(emission).zip(&last).zip(&maps.prior).zip(of(*row))
        {
            *e = played.iter().zip(heard.iter()).map(|(p, h)| p * h).sum::<f64>().max(1e-200);
            *f = ((1.0 - turn) * last + turn * prior) * *e;
            sum += *f;
        }
        forward.iter_mut().for_each(|f| *f /= sum);
        *norm = sum;
        last.copy_from_slice(forward);
        evidence += sum.ln() + top;
    }
    let mut posterior = vec![0.0; n * m];
    let mut back = vec![1.0; m];
    let mut slips = 0.0;
    for k in (0..n).rev() {
        let at = k * m..(k + 1) * m;
        let (row, emission) = (rows[k], &buffers.emission[at.clone()]);
        let posterior = &mut posterior[at.clone()];
        let mut sum = 0.0;
        for ((t, f), b) in posterior.iter_mut().zip(&buffers.forward[at]).zip(&back) {
            *t = f * b;
            sum += *t;
        }
        let mut share = [0.0; ALL];
        let mut kept = 0.0;
        for (((t, e), played), map) in posterior.iter_mut().zip(emission).zip(of(row)).zip(&maps.maps) {
            *t /= sum;
            let scale = *t / e;
            for (s, p) in share.iter_mut().zip(played).take(live) {
                *s += scale * p;
            }
            if row != NO_STROKE {
                kept += scale * expected.rows[row][row] * surface[k][map[row]];
            }
        }
        if row != NO_STROKE {
            slips += (1.0 - kept).clamp(0.0, 1.0);
        }
        let heard = &mut surface[k];
        let mut total = 0.0;
        for (h, s) in heard.iter_mut().zip(share) {
            *h *= s;
            total += *h;
        }
        heard.iter_mut().for_each(|h| *h /= total);
        let mut mean = 0.0;
        for ((b, e), prior) in back.iter_mut().zip(emission).zip(&maps.prior) {
            *b *= e / buffers.norm[k];
            mean += *b * prior;
        }
        back.iter_mut().for_each(|b| *b = (1.0 - turn[k]) * *b + turn[k] * mean);
    }
    Posterior { surface, maps: posterior, evidence, slips }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tuning() -> Tuning {
        super::super::constants::Constants::embedded().tuning.clone()
    }

    fn expected(live: usize, slip: f64) -> Expected {
        let mut rows = [[0.0; ALL]; ALL + 1];
        for (written, row) in rows.iter_mut().enumerate() {
            for (k, p) in row.iter_mut().enumerate().take(live) {
                *p = match written {
                    NO_STROKE => 1.0 / live as f64,
                    _ if k == written => 1.0 - slip,
                    _ => slip / (live as f64 - 1.0),
                };
            }
        }
        Expected { rows }
    }

    /// The same by going through every sequence of maps.
    fn by_hand(
        maps: &Maps,
        live: usize,
        sound: &[[f64; ALL]],
        rows: &[usize],
        expected: &Expected,
        turn: f64,
    ) -> (Vec<[f64; ALL]>, f64) {
        let (n, m) = (sound.len(), maps.maps.len());
        let mut out = vec![[0.0; ALL]; n];
        let mut all = 0.0;
        for code in 0..m.pow(n as u32) {
            let z: Vec<usize> = (0..n).map(|k| code / m.pow(k as u32) % m).collect();
            let mut p = maps.prior[z[0]];
            for w in z.windows(2) {
                p *= turn * maps.prior[w[1]] + if w[0] == w[1] { 1.0 - turn } else { 0.0 };
            }
            let each: Vec<Vec<f64>> = (0..n)
                .map(|k| {
                    let mut q = vec![0.0; live];
                    for e in 0..live {
                        let to = maps.maps[z[k]][e];
                        q[to] += expected.rows[rows[k]][e] * sound[k][to].exp();
                    }
                    q
                })
                .collect();
            let joint = p * each.iter().map(|q| q.iter().sum::<f64>()).product::<f64>();
            all += joint;
            for k in 0..n {
                let sum: f64 = each[k].iter().sum();
                for e in 0..live {
                    out[k][e] += joint * each[k][e] / sum;
                }
            }
        }
        for row in &mut out {
            row.iter_mut().for_each(|v| *v /= all);
        }
        (out, all.ln())
    }

    #[test]
    fn forward_and_backward_agree_with_every_sequence_tried() {
        let (live, turn) = (3, 0.2);
        let maps = Maps::new(&[0, 1, 2], false, &tuning());
        let sound: Vec<[f64; ALL]> =
            [[0.1, -1.0, -2.0], [-3.0, 0.2, -0.5], [-1.0, -1.5, 0.4]].map(|s| [s[0], s[1], s[2], 0.0, 0.0]).to_vec();
        let rows = [0, NO_STROKE, 1];
        let expected = expected(live, 0.1);
        let posterior = forward_backward(&mut Buffers::default(), &maps, live, &sound, &rows, &expected, &[turn; 3]);
        let (surface, evidence) = by_hand(&maps, live, &sound, &rows, &expected, turn);
        assert!((posterior.evidence - evidence).abs() < 1e-9);
        for (a, b) in posterior.surface.iter().flatten().zip(surface.iter().flatten()) {
            assert!((a - b).abs() < 1e-9);
        }
    }

    #[test]
    fn a_pass_on_the_wrong_surface_is_told_from_slips() {
        let maps = Maps::new(&[0, 1, 2], false, &tuning());
        // Surface 0 sounds in the second half although 1 is written throughout.
        let sound: Vec<[f64; ALL]> =
            (0..40).map(|k| if k < 20 { [-9.0, 0.0, -9.0, 0.0, 0.0] } else { [0.0, -9.0, -9.0, 0.0, 0.0] }).collect();
        let posterior =
            forward_backward(&mut Buffers::default(), &maps, 3, &sound, &[1; 40], &expected(3, 0.02), &[0.01; 40]);
        let m = maps.maps.len();
        let best =
            |k: usize| (0..m).max_by(|a, b| posterior.maps[k * m + a].total_cmp(&posterior.maps[k * m + b])).unwrap();
        assert_eq!(maps.maps[best(5)][1], 1);
        assert_eq!(maps.maps[best(35)][1], 0);
        assert!(posterior.slips < 1.0, "{}", posterior.slips);
    }
}
