//! What was learnt once from many instruments, rooms and phones: read from `assets/surface.json`.
//!
//! Source of every number in it: `scripts/fitting/fit_surface.py`.

use std::sync::OnceLock;

use serde::Deserialize;

use super::features::{BANDS, STRETCHES};
use crate::part::Surface;
use crate::stats::matrix::invert;

/// Numbers by which a group of strikes is described: its bands, and of each stretch strength, middle and width.
pub(super) const MARKS: usize = BANDS + 3 * STRETCHES.len();
/// Dimensions of the space in which strikes are compared.
pub(super) const DIMS: usize = 10;
/// A place in that space.
pub(super) type Place = [f64; DIMS];
/// A symmetric matrix over that space, row by row.
pub(super) type Square = [f64; DIMS * DIMS];

const ALL: usize = Surface::COUNT;

/// The file as it stands. Symmetric matrices are their lower triangles, row by row.
#[derive(Deserialize)]
struct File {
    mean: Vec<f64>,
    slope: Vec<f64>,
    axes: Vec<Vec<f64>>,
    places: Vec<f64>,
    spread: Vec<f64>,
    common: Vec<f64>,
    scatter: Vec<f64>,
    names: NamesFile,
    tuning: Tuning,
}

#[derive(Deserialize)]
struct NamesFile {
    means: Vec<Vec<f64>>,
    precision: Vec<f64>,
    pairs: Vec<Vec<f64>>,
    trust: f64,
    pair_trust: Vec<[f64; 2]>,
}

/// The model's settings, chosen by `scripts/fitting/fit_surface.py` on takes of instruments left out of the rest of the fit.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Tuning {
    /// Factor on the spread of the surfaces' places between instruments.
    pub(super) widen: f64,
    /// Share of the spread common to all surfaces that is added once more: unknown rooms and phones.
    pub(super) common: f64,
    /// Degrees of freedom of that spread: an instrument may be odd.
    pub(super) odd_instrument: f64,
    /// Degrees of freedom of a strike around its surface's place: a strike may be odd.
    pub(super) odd_strike: f64,
    /// How many strikes the usual scatter is worth against the take's own.
    pub(super) scatter_take: f64,
    /// How many strikes the take's scatter is worth against the surface's own.
    pub(super) scatter_surface: f64,
    /// Power to which the likelihood of a strike is taken: strikes are not independent.
    pub(super) temper: f64,
    /// Prior probability of no surface at all for a strike that has a stroke, and for one that has none.
    pub(super) other: [f64; 2],
    /// How much wider than the take the sounds of no surface lie (variance).
    pub(super) other_scale: f64,
    /// Weight of a mistake map for each surface it changes.
    pub(super) map_change: f64,
    /// Weight of a map that exchanges two surfaces, and of the one that exchanges centre and rim: their names are the
    /// least sure, so that rather a doubt is raised than a fault.
    pub(super) map_exchange: [f64; 2],
    /// Weight of a map that has everything on the first surface, and of one that has everything on another.
    pub(super) map_all_on: [f64; 2],
    /// Factor on the weight of every mistake where the part has one surface only.
    pub(super) map_lone: f64,
    /// Probability that the map changes at a strike: within a pass, where a pass begins, and where passes are unknown.
    pub(super) map_turn: [f64; 3],
    /// Beta prior (successes, failures) of the share of strikes that miss the surface the map gives them.
    pub(super) slips: [f64; 2],
    /// Of a slip, the share that falls on surfaces the part does not use.
    pub(super) slip_outside: f64,
    /// Two places closer than this (in usual standard deviations) are unlikely to be two surfaces.
    pub(super) apart: f64,
    /// From this probability on, two names that may be exchanged are worth a word.
    pub(super) doubt_from: f64,
    /// Rounds of the fit.
    pub(super) rounds: usize,
    /// What an explanation of the take is judged by.
    pub(super) judge: Judge,
}

/// Weights of what speaks for an explanation.
#[derive(Clone, Debug, Deserialize)]
pub(super) struct Judge {
    /// Of the evidence of the sounds.
    pub(super) sound: f64,
    /// Of the names.
    pub(super) names: f64,
    /// Of the mistakes it needs, as mean over the strikes.
    pub(super) mistakes: f64,
    /// Of the slips it needs.
    pub(super) slips: f64,
}

/// Constants as they are used.
pub(super) struct Constants {
    pub(super) mean: [f64; BANDS],
    /// Change of each band with the strike's level.
    pub(super) slope: [f64; BANDS],
    pub(super) axes: [[f64; BANDS]; DIMS],
    /// Where each surface usually lies.
    pub(super) places: [Place; ALL],
    /// How the places of all surfaces vary together between instruments, (5 x 10) squared.
    pub(super) spread: Vec<f64>,
    /// Variance of an offset common to all surfaces.
    pub(super) common: Place,
    /// Usual scatter of strikes around their surface's place.
    pub(super) scatter: Square,
    pub(super) scatter_inverse: Square,
    pub(super) scatter_log_det: f64,
    pub(super) names: Names,
    pub(super) tuning: Tuning,
}

/// What the names of the surfaces are known by; see [`super::names`].
pub(super) struct Names {
    /// Usual marks of each surface.
    pub(super) means: [[f64; MARKS]; ALL],
    /// Inverse of the covariance of an instrument's marks around them.
    pub(super) precision: Vec<f64>,
    /// For a before b in the order of [`pair`], the direction in which a lies from b.
    pub(super) pairs: [[f64; MARKS]; PAIRS],
    /// Factor on the score of a surface alone.
    pub(super) trust: f64,
    /// For each pair, the factor on its score and how often the two are exchanged against all likeness.
    pub(super) pair_trust: [[f64; 2]; PAIRS],
}

const PAIRS: usize = ALL * (ALL - 1) / 2;

/// Position of the pair `a` < `b` among all pairs of surfaces.
pub(super) fn pair(a: usize, b: usize) -> usize {
    a * (2 * ALL - a - 1) / 2 + b - a - 1
}

impl Constants {
    /// The constants that come with the program.
    pub(super) fn embedded() -> &'static Constants {
        static CONSTANTS: OnceLock<Constants> = OnceLock::new();
        CONSTANTS.get_or_init(|| match Constants::parse(include_str!("../../assets/surface.json")) {
            Ok(constants) => constants,
            // Cannot happen in a build whose tests passed: one of them reads the same text.
            Err(why) => unreachable!("assets/surface.json: {why}"),
        })
    }

    /// From the text of such a file.
    pub(super) fn parse(text: &str) -> Result<Constants, String> {
        let file: File = serde_json::from_str(text).map_err(|e| e.to_string())?;
        let scatter: Square = fixed(&triangle(&file.scatter, DIMS)?, "scatter")?;
        let (inverse, scatter_log_det) = invert(&scatter, DIMS);
        Ok(Constants {
            mean: fixed(&file.mean, "mean")?,
            slope: fixed(&file.slope, "slope")?,
            axes: rows(&file.axes, "axes")?,
            places: rows(&file.places.chunks(DIMS).map(<[f64]>::to_vec).collect::<Vec<_>>(), "places")?,
            spread: triangle(&file.spread, ALL * DIMS)?,
            common: fixed(&file.common, "common")?,
            scatter,
            scatter_inverse: fixed(&inverse, "scatter")?,
            scatter_log_det,
            names: Names {
                means: rows(&file.names.means, "names.means")?,
                precision: triangle(&file.names.precision, MARKS)?,
                pairs: rows(&file.names.pairs, "names.pairs")?,
                trust: file.names.trust,
                pair_trust: (file.names.pair_trust.try_into())
                    .map_err(|v: Vec<_>| format!("`names.pair_trust` holds {} rows instead of {PAIRS}", v.len()))?,
            },
            tuning: file.tuning,
        })
    }
}

fn fixed<const N: usize>(values: &[f64], what: &str) -> Result<[f64; N], String> {
    values.try_into().map_err(|_| format!("`{what}` holds {} numbers instead of {N}", values.len()))
}

fn rows<const N: usize, const M: usize>(values: &[Vec<f64>], what: &str) -> Result<[[f64; N]; M], String> {
    let rows = values.iter().map(|row| fixed::<N>(row, what)).collect::<Result<Vec<_>, _>>()?;
    <[[f64; N]; M]>::try_from(rows).map_err(|rows| format!("`{what}` holds {} rows instead of {M}", rows.len()))
}

/// A symmetric matrix from its lower triangle.
fn triangle(values: &[f64], n: usize) -> Result<Vec<f64>, String> {
    if values.len() != n * (n + 1) / 2 {
        return Err(format!("a triangle of {n} rows cannot hold {} numbers", values.len()));
    }
    let mut out = vec![0.0; n * n];
    let mut next = values.iter();
    for i in 0..n {
        for j in 0..=i {
            let v = next.next().copied().unwrap_or(0.0);
            out[i * n + j] = v;
            out[j * n + i] = v;
        }
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_constants_can_be_read() {
        let constants = Constants::parse(include_str!("../../assets/surface.json")).expect("constants");
        assert!(constants.scatter_log_det.is_finite());
        assert!(constants.tuning.rounds > 0);
    }

    #[test]
    fn pairs_are_numbered_without_gaps() {
        let numbers: Vec<usize> = (0..ALL).flat_map(|a| (a + 1..ALL).map(move |b| pair(a, b))).collect();
        assert_eq!(numbers, (0..PAIRS).collect::<Vec<_>>());
    }

    #[test]
    fn a_file_of_the_wrong_shape_is_refused() {
        assert!(Constants::parse("{}").is_err());
        let text = include_str!("../../assets/surface.json").replacen("\"mean\":[", "\"mean\":[0,", 1);
        assert!(Constants::parse(&text).is_err_and(|why| why.contains("`mean`")));
    }
}
