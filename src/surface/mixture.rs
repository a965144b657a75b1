//! One explanation of a take: where each surface lies in sound, and which strikes are on it.
//!
//! The strikes of a surface scatter around its place by a Student t distribution, fitted by expectation and
//! maximisation (Peel and McLachlan 2000, "Robust mixture modelling using the t distribution"). Places vary between
//! instruments by a heavy-tailed normal distribution common to all surfaces (what is known of one tells of the others);
//! scatter is drawn from the usual scatter over the take's towards the surface's own. In between, the part is read
//! through the maps of [`super::maps`]. A strike that no surface explains is something else.

use libm::lgamma;

use super::constants::{Constants, DIMS, Place, Square};
use super::features::BANDS;
use super::maps::{ALL, Buffers, Expected, Maps, NO_STROKE, Posterior, forward_backward};
use super::names::{Group, Namings, marks};
use crate::stats::log_sum;
use crate::stats::matrix::{dot, factor, form, invert, invert_factor, square, times};

/// A take as the mixture sees it. Strikes known by calibration stand behind the take's own.
pub(super) struct Take {
    /// Surfaces in play, as positions among all surfaces, in order.
    pub(super) live: Vec<usize>,
    /// How many of them are written; for a take without a part, all.
    pub(super) written: [bool; ALL],
    /// Whether there is a part.
    pub(super) part: bool,
    pub(super) places: Vec<Place>,
    /// Bands without their usual mean and their change with level.
    pub(super) bands: Vec<[f64; BANDS]>,
    /// For each strike of the take: the live surface written, or [`NO_STROKE`].
    pub(super) rows: Vec<usize>,
    /// Probability that the map changes before it.
    pub(super) turn: Vec<f64>,
    /// Live surface and place of strikes whose surface is known.
    pub(super) known: Vec<(usize, Place)>,
}

/// An explanation that changes its labels by no more than this a strike (mean absolute difference) is settled.
const SETTLED: f64 = 1e-3;

/// What is known before a take about its surfaces' places, for the surfaces in play.
pub(super) struct Prior {
    mean: Vec<f64>,
    precision: Vec<f64>,
    /// The same whatever the names: to weigh explanations by.
    any_mean: Vec<f64>,
    any_precision: Vec<f64>,
    any_log_det: f64,
    /// Spread of each surface's place.
    own: Vec<Square>,
}

impl Prior {
    pub(super) fn new(c: &Constants, live: &[usize]) -> Prior {
        let n = live.len() * DIMS;
        let mean: Vec<f64> = live.iter().flat_map(|s| c.places[*s]).collect();
        let mut spread = vec![0.0; n * n];
        for (a, s) in live.iter().enumerate() {
            for (b, t) in live.iter().enumerate() {
                for i in 0..DIMS {
                    for j in 0..DIMS {
                        let shared = if i == j { c.tuning.common * c.common[i] } else { 0.0 };
                        let from = (s * DIMS + i) * (ALL * DIMS) + t * DIMS + j;
                        spread[(a * DIMS + i) * n + b * DIMS + j] = c.tuning.widen * c.spread[from] + shared;
                    }
                }
            }
        }
        let block = |a: usize, b: usize, i: usize, j: usize| spread[(a * DIMS + i) * n + b * DIMS + j];
        let m = live.len();
        let middle: Vec<f64> = (0..DIMS).map(|i| (0..m).map(|a| mean[a * DIMS + i]).sum::<f64>() / m as f64).collect();
        let (mut off, mut own_spread) = ([0.0; DIMS * DIMS], [0.0; DIMS * DIMS]);
        for i in 0..DIMS {
            for j in 0..DIMS {
                let between =
                    (0..m).map(|a| (mean[a * DIMS + i] - middle[i]) * (mean[a * DIMS + j] - middle[j])).sum::<f64>()
                        / m as f64;
                let pairs = (m * (m - 1)).max(1) as f64;
                let across: f64 = (0..m)
                    .flat_map(|a| (0..m).map(move |b| (a, b)))
                    .filter(|(a, b)| a != b)
                    .map(|(a, b)| block(a, b, i, j))
                    .sum();
                own_spread[i * DIMS + j] = (0..m).map(|a| block(a, a, i, j)).sum::<f64>() / m as f64 + between;
                off[i * DIMS + j] = across / pairs - between / (m as f64 - 1.0).max(1.0);
            }
        }
        let mut any = vec![0.0; n * n];
        for a in 0..m {
            for b in 0..m {
                for i in 0..DIMS {
                    for j in 0..DIMS {
                        let from = if a == b { &own_spread } else { &off };
                        any[(a * DIMS + i) * n + b * DIMS + j] = from[i * DIMS + j];
                    }
                }
            }
        }
        let own = (0..m).map(|a| std::array::from_fn(|k| block(a, a, k / DIMS, k % DIMS))).collect();
        let (any_precision, any_log_det) = invert(&any, n);
        let any_mean = middle.iter().copied().cycle().take(n).collect();
        Prior { precision: invert(&spread, n).0, mean, any_mean, any_precision, any_log_det, own }
    }

    /// Each strike by what its place says alone.
    pub(super) fn absolute(&self, c: &Constants, take: &Take) -> Vec<[f64; ALL]> {
        let densities: Vec<StudentT> = (self.own.iter().zip(self.mean.as_chunks::<DIMS>().0))
            .map(|(own, mean)| {
                let spread: Square = std::array::from_fn(|k| c.scatter[k] + own[k]);
                StudentT::new(*mean, &spread, c.tuning.odd_strike)
            })
            .collect();
        take.places
            .iter()
            .map(|z| {
                let mut q = [0.0; ALL];
                // Half the log likelihood: instruments differ more than this says.
                q.iter_mut().zip(&densities).for_each(|(q, density)| *q = 0.5 * density.at(z).0);
                softmax(&mut q[..take.live.len()]);
                q
            })
            .collect()
    }
}

pub(super) fn softmax(values: &mut [f64]) {
    let all = log_sum(values.iter().copied());
    values.iter_mut().for_each(|v| *v = (*v - all).exp());
}

/// A multivariate Student t distribution (Kotz and Nadarajah 2004, "Multivariate t Distributions", 1.1).
struct StudentT {
    middle: Place,
    /// Columns of the inverse of the lower factor of its scale matrix.
    whiten: [Place; DIMS],
    constant: f64,
    freedom: f64,
}

impl StudentT {
    fn new(middle: Place, scale: &Square, freedom: f64) -> StudentT {
        let mut l = *scale;
        let log_det = factor(&mut l, DIMS);
        let mut y = [0.0; DIMS * DIMS];
        invert_factor(&l, DIMS, &mut y);
        let whiten = std::array::from_fn(|j| std::array::from_fn(|i| y[i * DIMS + j]));
        let d = DIMS as f64;
        let constant = lgamma((freedom + d) / 2.0)
            - lgamma(freedom / 2.0)
            - 0.5 * d * (freedom * std::f64::consts::PI).ln()
            - 0.5 * log_det;
        StudentT { middle, whiten, constant, freedom }
    }

    /// Log density at a place, and the weight that the place gets in the fit.
    fn at(&self, z: &Place) -> (f64, f64) {
        let mut y = [0.0; DIMS];
        for ((column, z), middle) in self.whiten.iter().zip(z).zip(&self.middle) {
            let d = z - middle;
            for (y, w) in y.iter_mut().zip(column) {
                *y += w * d;
            }
        }
        let far = dot(&y, &y);
        let d = DIMS as f64;
        (
            self.constant - 0.5 * (self.freedom + d) * (far / self.freedom).ln_1p(),
            (self.freedom + d) / (self.freedom + far),
        )
    }
}

/// Logarithm of the beta function.
fn ln_beta(a: f64, b: f64) -> f64 {
    lgamma(a) + lgamma(b) - lgamma(a + b)
}

/// An explanation of a take, and what speaks for it.
#[derive(Clone)]
pub(super) struct Explanation {
    /// Probability of each live surface at each strike.
    pub(super) surface: Vec<[f64; ALL]>,
    /// Probability at each strike that it is none of them.
    pub(super) other: Vec<f64>,
    /// Probability of each map at each strike.
    pub(super) maps: Vec<f64>,
    /// Places of the live surfaces.
    pub(super) places: Vec<Place>,
    /// For: the sounds, as a log evidence without names.
    pub(super) sound: f64,
    /// For: the names.
    pub(super) names: f64,
    /// For: the mistakes needed, mean log weight of the maps.
    pub(super) mistakes: f64,
    /// For: the slips needed, as log probability under their prior.
    pub(super) slips: f64,
    /// For: strikes whose surface is known.
    pub(super) known: f64,
    state: State,
}

#[derive(Clone)]
struct State {
    weights: Vec<[f64; ALL]>,
    scatter: Vec<Square>,
    scale: f64,
    slip: f64,
    shares: [f64; ALL],
}

impl Explanation {
    /// From a first guess of each strike's surface.
    pub(super) fn begin(c: &Constants, take: &Take, surface: Vec<[f64; ALL]>) -> Explanation {
        let n = surface.len();
        let [a, b] = c.tuning.slips;
        Explanation {
            surface,
            other: vec![0.0; n],
            maps: Vec::new(),
            places: Vec::new(),
            sound: 0.0,
            names: 0.0,
            mistakes: 0.0,
            slips: 0.0,
            known: 0.0,
            state: State {
                weights: vec![[1.0; ALL]; n],
                scatter: vec![c.scatter; take.live.len()],
                scale: 1.0,
                slip: a / (a + b),
                shares: [1.0 / take.live.len() as f64; ALL],
            },
        }
    }

    /// How differently two explanations label the strikes: mean absolute difference, 0 to 2.
    pub(super) fn distance(&self, other: &Explanation) -> f64 {
        let pairs = self.surface.iter().zip(&other.surface);
        let sum: f64 = pairs.flat_map(|(a, b)| a.iter().zip(b)).map(|(a, b)| (a - b).abs()).sum();
        sum / self.surface.len().max(1) as f64
    }

    /// Improves it by some rounds; with `weigh`, also fills in what speaks for it.
    pub(super) fn improve(
        &mut self,
        c: &Constants,
        prior: &Prior,
        take: &Take,
        maps: &Maps,
        rounds: usize,
        weigh: bool,
    ) {
        let t = &c.tuning;
        let (m, n) = (take.live.len(), take.places.len());
        let size = m * DIMS;
        let outer = outer_density(c, take);
        let outside: Vec<f64> = take.places.iter().map(|z| outer.at(z).0).collect();
        let usual_pull = times(&prior.precision, &prior.mean);
        let mut sound = vec![[0.0; ALL]; n];
        let mut buffers = Buffers::default();
        let (mut variance, mut log_det) = (vec![0.0; size * size], 0.0);
        let mut take_scatter = c.scatter;
        let mut evidence = 0.0;
        for _ in 0..rounds {
            let state = &mut self.state;
            // Moments of each surface's strikes, each counted for what it is worth.
            let mut count = [0.0; ALL];
            let mut sums = [[0.0; DIMS]; ALL];
            let mut squares = vec![[0.0; DIMS * DIMS]; m];
            let mut add = |s: usize, w: f64, z: &Place| {
                count[s] += w;
                for (sum, z) in sums[s].iter_mut().zip(z) {
                    *sum += w * z;
                }
                for (row, z_i) in squares[s].as_chunks_mut::<DIMS>().0.iter_mut().zip(z) {
                    let wz = w * z_i;
                    for (square, z_j) in row.iter_mut().zip(z) {
                        *square += wz * z_j;
                    }
                }
            };
            let strikes = take.places.iter().zip(&self.surface).zip(&state.weights).zip(&self.other);
            for (((z, q), u), other) in strikes {
                for s in 0..m {
                    let w = q[s] * u[s] * (1.0 - other) * t.temper;
                    // What weighs less than this changes nothing and costs as much as the rest.
                    if w > 1e-5 {
                        add(s, w, z);
                    }
                }
            }
            for (s, z) in &take.known {
                add(*s, 1.0, z);
            }
            // Places, all surfaces together.
            let mut precision: Vec<f64> = prior.precision.iter().map(|p| p / state.scale).collect();
            let mut pull: Vec<f64> = usual_pull.iter().map(|p| p / state.scale).collect();
            for s in 0..m {
                let (inverse, _) = invert(&state.scatter[s], DIMS);
                let own = times(&inverse, &sums[s]);
                for i in 0..DIMS {
                    pull[s * DIMS + i] += own[i];
                    let row = &mut precision[(s * DIMS + i) * size + s * DIMS..][..DIMS];
                    for (p, v) in row.iter_mut().zip(&inverse[i * DIMS..]) {
                        *p += count[s] * v;
                    }
                }
            }
            log_det = -factor(&mut precision, size);
            let mut y = vec![0.0; size * size];
            invert_factor(&precision, size, &mut y);
            square(&y, size, &mut variance);
            let means = times(&variance, &pull);
            self.places = means.as_chunks::<DIMS>().0.to_vec();
            // Scatter: the surface's own, towards the take's, towards the usual.
            let doubt = |s: usize, k: usize| variance[(s * DIMS + k / DIMS) * size + s * DIMS + k % DIMS];
            let mut pooled: Square = std::array::from_fn(|k| t.scatter_take * c.scatter[k]);
            for s in 0..m {
                let p = &self.places[s];
                for (k, square) in squares[s].iter_mut().enumerate() {
                    let (i, j) = (k / DIMS, k % DIMS);
                    *square += count[s] * (p[i] * p[j] + doubt(s, k)) - p[i] * sums[s][j] - sums[s][i] * p[j];
                    pooled[k] += *square;
                }
            }
            let all: f64 = count.iter().sum();
            pooled.iter_mut().for_each(|v| *v /= t.scatter_take + all);
            take_scatter = pooled;
            let densities: Vec<StudentT> = (0..m)
                .map(|s| {
                    let scatter: Square = std::array::from_fn(|k| {
                        (t.scatter_surface * pooled[k] + squares[s][k]) / (t.scatter_surface + count[s])
                    });
                    state.scatter[s] = scatter;
                    let wide: Square = std::array::from_fn(|k| scatter[k] + doubt(s, k));
                    StudentT::new(self.places[s], &wide, t.odd_strike)
                })
                .collect();
            for ((z, sound), u) in take.places.iter().zip(&mut sound).zip(&mut state.weights) {
                for ((density, sound), u) in densities.iter().zip(sound.iter_mut()).zip(u) {
                    (*sound, *u) = density.at(z);
                }
            }
            let off: Vec<f64> = means.iter().zip(&prior.mean).map(|(a, b)| a - b).collect();
            let far = form(&prior.precision, &off);
            state.scale = ((t.odd_instrument + far) / (t.odd_instrument + size as f64)).max(0.5);
            // What the part says, through the maps.
            let tempered: Vec<[f64; ALL]> = sound.iter().map(|s| s.map(|v| v * t.temper)).collect();
            let posterior =
                forward_backward(&mut buffers, maps, m, &tempered, &take.rows, &self.expected(c, take), &take.turn);
            let Posterior { surface, maps: mapped, evidence: heard, slips } = posterior;
            let moved: f64 =
                self.surface.iter().flatten().zip(surface.iter().flatten()).map(|(a, b)| (a - b).abs()).sum();
            self.surface = surface;
            self.maps = mapped;
            self.known = known_right(t.temper, m, &densities, take);
            evidence = heard;
            let state = &mut self.state;
            let strokes = take.rows.iter().filter(|r| **r != NO_STROKE).count() as f64;
            let [a, b] = t.slips;
            state.slip = (slips + a) / (strokes + a + b);
            // Beta-binomial, without the order of the slips.
            self.slips = ln_beta(a + slips, b + strokes - slips) - ln_beta(a, b);
            if !take.part {
                // One strike's worth of every surface is taken for granted (a flat Dirichlet prior).
                let all: f64 = count.iter().sum::<f64>() + m as f64;
                state.shares.iter_mut().zip(count).for_each(|(share, count)| *share = (count + 1.0) / all);
            }
            for (k, other) in self.other.iter_mut().enumerate() {
                let q = &self.surface[k];
                let inside = log_sum((0..m).map(|s| q[s].max(1e-12).ln() + sound[k][s]));
                let odds = (outside[k] - inside).clamp(-50.0, 50.0).exp();
                let p = t.other[usize::from(take.part && take.rows[k] == NO_STROKE)];
                *other = p * odds / (p * odds + 1.0 - p);
            }
            if moved < SETTLED * n as f64 {
                break;
            }
        }
        if weigh {
            self.weigh(c, prior, take, maps, evidence, &take_scatter, log_det);
        }
    }

    /// What the part says of each strike, slips included.
    fn expected(&self, c: &Constants, take: &Take) -> Expected {
        let m = take.live.len();
        let mut rows = [[0.0; ALL]; ALL + 1];
        let slip = self.state.slip;
        let weight = |k: usize| if take.written[k] { 1.0 } else { c.tuning.slip_outside };
        for (written, row) in rows.iter_mut().enumerate() {
            if written >= m && written != NO_STROKE {
                continue;
            }
            let all: f64 = (0..m).filter(|k| *k != written).map(weight).sum();
            for (k, p) in row.iter_mut().enumerate().take(m) {
                *p = if !take.part {
                    self.state.shares[k]
                } else if k == written {
                    1.0 - slip
                } else if written == NO_STROKE {
                    weight(k) / all
                } else {
                    slip * weight(k) / all
                };
            }
        }
        Expected { rows }
    }

    #[allow(clippy::too_many_arguments, reason = "the sums of one round, used once")]
    fn weigh(
        &mut self,
        c: &Constants,
        prior: &Prior,
        take: &Take,
        maps: &Maps,
        evidence: f64,
        take_scatter: &Square,
        log_det: f64,
    ) {
        let t = &c.tuning;
        let m = take.live.len();
        let size = (m * DIMS) as f64;
        // Laplace's approximation around the places, under a prior that knows no names.
        let off: Vec<f64> = self.places.iter().flatten().zip(&prior.any_mean).map(|(a, b)| a - b).collect();
        let far = form(&prior.any_precision, &off);
        let mut sound =
            evidence - 0.5 * (t.odd_instrument + size) * (far / t.odd_instrument).ln_1p() - 0.5 * prior.any_log_det
                + 0.5 * log_det;
        // Two names for one surface are no explanation.
        for a in 0..m {
            for b in a + 1..m {
                let d: Place = std::array::from_fn(|i| self.places[a][i] - self.places[b][i]);
                let short = (t.apart - form(&c.scatter_inverse, &d).sqrt()).max(0.0);
                sound -= 0.5 * short * short;
            }
        }
        // Inverse Wishart priors of the scatters, at their modes.
        let (take_inverse, take_log_det) = invert(take_scatter, DIMS);
        let d = DIMS as f64;
        sound -= 0.5 * t.scatter_take * (take_log_det - c.scatter_log_det + dot(&take_inverse, &c.scatter) - d);
        for scatter in &self.state.scatter {
            let (inverse, log_det) = invert(scatter, DIMS);
            sound -= 0.5 * t.scatter_surface * (log_det - take_log_det + dot(&inverse, take_scatter) - d);
        }
        self.sound = sound;
        let n = self.surface.len();
        let mean_weight = |z: usize| (0..n).map(|k| self.maps[k * maps.maps.len() + z]).sum::<f64>() / n as f64;
        self.mistakes = if take.part && n > 0 {
            maps.cost.iter().enumerate().map(|(z, cost)| cost * mean_weight(z)).sum()
        } else {
            0.0
        };
        self.names = self.called(c, take);
    }

    /// Each live surface's strikes, as far as their name is told by them.
    fn groups(&self, c: &Constants, take: &Take) -> Vec<Group> {
        let mut sums = vec![([0.0; BANDS], 0.0); take.live.len()];
        for ((bands, q), other) in take.bands.iter().zip(&self.surface).zip(&self.other) {
            for ((sum, count), q) in sums.iter_mut().zip(q) {
                let w = q * (1.0 - other);
                if w > 1e-5 {
                    *count += w;
                    sum.iter_mut().zip(bands).for_each(|(sum, b)| *sum += w * b);
                }
            }
        }
        sums.iter().map(|(sum, count)| (marks(c, &sum.map(|v| v / count.max(1e-9))), *count)).collect()
    }

    /// Log probability that the surfaces are rightly called as they are; names given by known strikes are.
    fn called(&self, c: &Constants, take: &Take) -> f64 {
        let given: Vec<bool> = (0..take.live.len()).map(|k| take.known.iter().any(|(s, _)| *s == k)).collect();
        Namings::new(c, &take.live, &self.groups(c, take), &given).as_called()
    }
}

/// How well the strikes whose surface is known are told: log probability of their surfaces.
fn known_right(temper: f64, m: usize, densities: &[StudentT], take: &Take) -> f64 {
    let right = |(s, z): &(usize, Place)| {
        let mut p = [0.0; ALL];
        p.iter_mut().zip(densities).for_each(|(p, density)| *p = temper * density.at(z).0);
        softmax(&mut p[..m]);
        p[*s].max(1e-3).ln()
    };
    take.known.iter().map(right).sum()
}

/// Where the sounds of no surface may lie: as the take, and wider.
fn outer_density(c: &Constants, take: &Take) -> StudentT {
    let n = take.places.len();
    let middle: Place = std::array::from_fn(|i| take.places.iter().map(|z| z[i]).sum::<f64>() / n.max(1) as f64);
    let mut spread = [0.0; DIMS * DIMS];
    for z in &take.places {
        for (k, v) in spread.iter_mut().enumerate() {
            let (i, j) = (k / DIMS, k % DIMS);
            *v += (z[i] - middle[i]) * (z[j] - middle[j]);
        }
    }
    let scale = 1.0 / (n.saturating_sub(1)).max(1) as f64;
    let wide: Square = std::array::from_fn(|k| c.tuning.other_scale * (spread[k] * scale + c.scatter[k]));
    StudentT::new(middle, &wide, c.tuning.odd_strike)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_t_density_in_the_middle_is_the_published_one() {
        let mut one = [0.0; DIMS * DIMS];
        (0..DIMS).for_each(|i| one[i * DIMS + i] = 1.0);
        let density = StudentT::new([0.0; DIMS], &one, 8.0);
        // Gamma((v + d) / 2) / (Gamma(v / 2) (v pi)^(d / 2)), here Gamma(9) / (Gamma(4) (8 pi)^5): Kotz and
        // Nadarajah 2004, Multivariate t Distributions, 1.1.
        let expected = (40320.0f64 / 6.0).ln() - 5.0 * (8.0 * std::f64::consts::PI).ln();
        assert!((density.at(&[0.0; DIMS]).0 - expected).abs() < 1e-8);
    }
}
