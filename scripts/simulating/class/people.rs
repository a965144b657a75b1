//! How people play by nature: an age -> deviations from the pulse, drift, bent ratios, slips. Twin of
//! `scripts/simulating/classroom/people.py`, which holds the figures of real people (211 children of 5 to 8 years and adults), says
//! which are fitted or assumed, and whose `hold.py --rows` prints [`AGES`].

use super::rng::Rng;

/// Age; each stroke's own deviation and what half a second adds to the slow one (ms); share of the slow one that is left half a
/// second later; scale of the drift; mean and spread of the settling (ln of the first gaps against the rest) and of the own
/// tempo (ln); share of evened rhythms; strokes left out and doubles to be expected a stroke.
type Row = (u32, f64, f64, f64, f64, (f64, f64), (f64, f64), f64, f64, f64);
const AGES: [Row; 9] = [
    (5, 16.1, 45.3, 0.96, 0.0220, (-0.021, 0.085), (0.131, 0.236), 0.20, 0.0159, 0.0244),
    (6, 17.0, 35.6, 0.98, 0.0140, (-0.021, 0.089), (0.125, 0.232), 0.20, 0.0094, 0.0074),
    (7, 16.9, 30.7, 0.96, 0.0160, (-0.021, 0.091), (0.119, 0.228), 0.10, 0.0060, 0.0102),
    (8, 18.4, 23.4, 0.98, 0.0200, (-0.021, 0.093), (0.113, 0.224), 0.00, 0.0049, 0.0096),
    (9, 17.0, 23.3, 0.97, 0.0193, (-0.019, 0.084), (0.106, 0.221), 0.00, 0.0049, 0.0094),
    (10, 15.4, 23.2, 0.95, 0.0186, (-0.017, 0.075), (0.099, 0.218), 0.00, 0.0050, 0.0092),
    (11, 13.9, 23.2, 0.92, 0.0179, (-0.015, 0.066), (0.091, 0.215), 0.00, 0.0050, 0.0090),
    (12, 12.3, 23.2, 0.90, 0.0172, (-0.013, 0.057), (0.084, 0.212), 0.00, 0.0051, 0.0088),
    (18, 0.0, 21.1, 0.76, 0.0130, (0.000, 0.000), (0.039, 0.194), 0.00, 0.0053, 0.0076),
];
/// Ages of the class; the last of [`AGES`] is an adult.
pub const CLASS: std::ops::RangeInclusive<u32> = 5..=12;
pub const ADULT: u32 = 18;
// The rest as in `people.py`, by the same names.
const INTERVAL_S: f64 = 0.5;
const SHORTEST_IN_PROPORTION_S: f64 = 0.24;
const TAIL: f64 = 8.0;
const MAX_DEVIATION: f64 = 0.3;
const MAX_DRIFT: f64 = 0.2;
pub const SETTLE_GAPS: usize = 4;
const BEND_LONG: f64 = 0.815;
const BEND_SHORT: f64 = 1.215;
const BEND_TRIPLET: f64 = 1.14;
const BEND_SPREAD: f64 = 0.26;
const ONE_STROKE: f64 = 2.0 / 3.0;
const DOUBLES_CLUSTER: f64 = 2.8;

/// One player in one take.
#[derive(Clone, Debug)]
pub struct Nature {
    pub age: u32,
    /// Each stroke's own deviation, gone with the next; what [`INTERVAL_S`] adds to the slow one, and what share of that is
    /// still there one later.
    pub alone_s: f64,
    pub step_s: f64,
    phi: f64,
    /// Change of ln(tempo) over the take.
    pub drift: f64,
    /// ln of the first gaps against the rest.
    pub settle: f64,
    /// Against the tempo asked for.
    pub tempo: f64,
    /// Long and short stroke of a dotted pair, triplet.
    bend: [f64; 3],
    pub evened: bool,
    missing: f64,
    extra: f64,
}

impl Nature {
    /// A player of an age of [`AGES`], the next older one for another.
    pub fn of(age: u32, rng: &mut Rng) -> Nature {
        let row = AGES.iter().find(|row| row.0 >= age).unwrap_or(&AGES[AGES.len() - 1]);
        let &(age, alone, step, phi, drift, settle, tempo, evened, missing, extra) = row;
        let push = rng.normal(BEND_SPREAD);
        Nature {
            age,
            alone_s: alone / 1e3,
            step_s: step / 1e3,
            phi,
            drift: (drift * student(2.0, rng)).clamp(-MAX_DRIFT, MAX_DRIFT),
            settle: settle.0 + rng.normal(settle.1),
            tempo: (tempo.0 + rng.normal(tempo.1)).exp(),
            bend: [BEND_LONG * (-push / 3.0).exp(), BEND_SHORT * push.exp(), BEND_TRIPLET * (push / 3.0).exp()],
            evened: rng.chance(evened),
            missing,
            extra,
        }
    }

    /// For each gap (quarters, from stroke to stroke) its factor where it belongs to a bent figure.
    pub fn bends(&self, gaps: &[f64], compound: bool) -> Vec<Option<f64>> {
        let mut out = vec![None; gaps.len()];
        for k in 1..gaps.len() {
            if gaps[k - 1] <= 1.51 && (gaps[k - 1] - 3.0 * gaps[k]).abs() < 1e-6 {
                (out[k - 1], out[k]) = (Some(self.bend[0]), Some(self.bend[1]));
            }
        }
        for (out, gap) in out.iter_mut().zip(gaps) {
            if !compound && (gap - 1.0 / 3.0).abs() < 1e-6 {
                *out = Some(self.bend[2]);
            }
        }
        out
    }

    /// Lengths of the gaps that left-out strokes make among so many strokes.
    pub fn runs(&self, strokes: usize, rng: &mut Rng) -> Vec<usize> {
        let n = poisson(self.missing * strokes as f64 / (2.0 - ONE_STROKE), rng);
        (0..n).map(|_| if rng.chance(ONE_STROKE) { 1 } else { 2 }).collect()
    }

    /// How many strikes too many: Poisson clusters with logarithmic sizes, which together are negative binomial with variance
    /// over mean [`DOUBLES_CLUSTER`].
    pub fn doubles(&self, strokes: usize, rng: &mut Rng) -> usize {
        let q = 1.0 - 1.0 / DOUBLES_CLUSTER;
        let clusters = poisson(self.extra * strokes as f64 * DOUBLES_CLUSTER.ln() / (DOUBLES_CLUSTER - 1.0), rng);
        let size = |rng: &mut Rng| {
            let (mut u, mut n, mut p) = (rng.unit(), 1, -q / (1.0 - q).ln());
            while u > p && n < 50 {
                u -= p;
                n += 1;
                p *= q * (n - 1) as f64 / n as f64;
            }
            n
        };
        (0..clusters).map(|_| size(rng)).sum()
    }
}

/// Walks off the pulse and back, stroke by stroke.
pub struct Walk<'a> {
    nature: &'a Nature,
    slow: f64,
    bent: f64,
}

impl<'a> Walk<'a> {
    pub fn new(nature: &'a Nature, rng: &mut Rng) -> Walk<'a> {
        let usual = nature.step_s / (1.0 - nature.phi * nature.phi).sqrt();
        Walk { nature, slow: usual * rng.normal(1.0).clamp(-2.0, 2.0), bent: 0.0 }
    }

    /// Seconds off the pulse after a gap, which belongs to a bent figure or not.
    pub fn after(&mut self, gap_s: f64, bend: Option<f64>, rng: &mut Rng) -> f64 {
        let phi = self.nature.phi.powf(gap_s / INTERVAL_S);
        self.slow = phi * self.slow + stray(self.nature.step_s, gap_s, rng);
        // What a figure lost or gained is made up for after it, not in it.
        self.bent = match bend {
            Some(factor) => self.bent + (factor - 1.0) * gap_s,
            None => phi * self.bent,
        };
        self.slow + self.bent + stray(self.nature.alone_s, gap_s.min(INTERVAL_S), rng)
    }
}

fn stray(sd_s: f64, gap_s: f64, rng: &mut Rng) -> f64 {
    let x = gap_s.max(SHORTEST_IN_PROPORTION_S) / INTERVAL_S;
    let most = MAX_DEVIATION * gap_s.max(0.0);
    (sd_s * x.min(x.sqrt()) * student(TAIL, rng) / (TAIL / (TAIL - 2.0)).sqrt()).clamp(-most, most)
}

/// Student's t with whole degrees of freedom.
fn student(freedom: f64, rng: &mut Rng) -> f64 {
    let squares: f64 = (0..freedom as usize).map(|_| rng.normal(1.0).powi(2)).sum();
    rng.normal(1.0) / (squares / freedom).max(1e-9).sqrt()
}

fn poisson(mean: f64, rng: &mut Rng) -> usize {
    let (mut n, mut left) = (0, rng.unit().max(1e-300).ln() + mean);
    while left > 0.0 {
        left += rng.unit().max(1e-300).ln();
        n += 1;
    }
    n
}
