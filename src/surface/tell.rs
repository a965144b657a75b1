//! Several explanations of a take, weighed against each other -> a [`Reading`].
//!
//! An explanation begins with what is written, with two surfaces exchanged, with everything on one, or with what the
//! sounds say by themselves, and is improved by [`super::mixture`]. Those that end alike count once. What is told is
//! their mean, each weighed by its sounds, its names and the mistakes it needs.

use super::constants::{Constants, DIMS, Place};
use super::doubts::doubts;
use super::features::{BANDS, Features};
use super::maps::{ALL, Maps, NO_STROKE};
use super::mixture::{Explanation, Prior as Places, Take, softmax};
use super::names::{Namings, marks};
use super::{Heard, Prior};
use crate::part::Surface;
use crate::stats::median;

/// Rounds after which explanations that have become alike are merged.
const FIRST_ROUNDS: usize = 3;

/// Explanations that label the strikes this alike (mean absolute difference, 0 to 2) are one.
const ALIKE: f64 = 0.04;

/// Strikes further from the take's median level than this change their sound no more, in decibels.
const LEVEL_REACH: f64 = 20.0;

/// Strikes of known surface: from a short recording of each surface alone, or named in the take itself.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibration {
    /// Each known strike's surface and features; three of each surface do.
    pub strikes: Vec<(Surface, Features)>,
}

/// On which surface each written surface was played during one pass.
#[derive(Clone, Debug, PartialEq)]
pub struct PassReading {
    /// Index into `Timeline::passes`; `None` where no pass is known.
    pub pass: Option<usize>,
    /// Probability of each played surface (column) for each written one (row), in the order of [`Surface::ALL`]. Single
    /// slips do not count; rows of surfaces that are not in play say "as written".
    pub played: [[f64; ALL]; ALL],
}

/// What was heard in a take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Reading {
    /// One for each strike, in order.
    pub heard: Vec<Heard>,
    /// What sound alone cannot settle.
    pub doubts: Vec<super::Doubt>,
    /// One for each pass that has a strike, in order of first appearance. Empty without a part.
    pub passes: Vec<PassReading>,
}

/// Tells the surface of every strike of a take.
///
/// `priors`: what the part says of each strike (one for each, `None` without a part). `calibration`: strikes of known
/// surface. No strikes give an empty reading.
pub fn tell(features: &[Features], priors: Option<&[Prior]>, calibration: Option<&Calibration>) -> Reading {
    tell_by(Constants::embedded(), features, priors, calibration).0
}

/// The model with constants of one's own: what `scripts/fitting/fit_surface.py` tries before it writes them.
pub struct Model(Constants);

/// What speaks for one explanation of a take, as logarithms of odds before they are weighed.
#[derive(Clone, Debug, PartialEq)]
pub struct Account {
    /// The sounds.
    pub sound: f64,
    /// The names.
    pub names: f64,
    /// The mistakes it needs.
    pub mistakes: f64,
    /// The slips it needs.
    pub slips: f64,
    /// Probability of each surface at each strike under it, in the order of [`Surface::ALL`].
    pub surface: Vec<[f64; ALL]>,
}

impl Model {
    /// From a text of the form of `assets/surface.json`.
    ///
    /// # Errors
    ///
    /// Says which entry is missing or of the wrong size.
    pub fn parse(text: &str) -> Result<Model, String> {
        Constants::parse(text).map(Model)
    }

    /// As [`tell`], and the explanations that were weighed.
    pub fn tell(
        &self,
        features: &[Features],
        priors: Option<&[Prior]>,
        calibration: Option<&Calibration>,
    ) -> (Reading, Vec<Account>) {
        let (reading, explanations, live) = tell_by(&self.0, features, priors, calibration);
        let full = |q: &[f64; ALL]| {
            let mut out = [0.0; ALL];
            live.iter().zip(q).for_each(|(s, q)| out[*s] = *q);
            out
        };
        let accounts = (explanations.iter())
            .map(|e| Account {
                sound: e.sound,
                names: e.names,
                mistakes: e.mistakes,
                slips: e.slips,
                surface: e.surface.iter().map(full).collect(),
            })
            .collect();
        (reading, accounts)
    }
}

fn tell_by(
    c: &Constants,
    features: &[Features],
    priors: Option<&[Prior]>,
    calibration: Option<&Calibration>,
) -> (Reading, Vec<Explanation>, Vec<usize>) {
    let Some(take) = take_of(c, features, priors, calibration) else {
        return (Reading::default(), Vec::new(), Vec::new());
    };
    let places = Places::new(c, &take.live);
    let lone = take.written.iter().filter(|w| **w).count() == 1;
    let maps = if take.part { Maps::new(&take.live, lone, &c.tuning) } else { Maps::none() };
    let mut explanations = Vec::new();
    // One after the other: of an hour each takes megabytes.
    for start in starts(c, &places, &take) {
        let mut e = Explanation::begin(c, &take, start.surfaces(&take));
        e.improve(c, &places, &take, &maps, FIRST_ROUNDS, false);
        keep_if_new(&mut explanations, e);
    }
    let mut kept: Vec<Explanation> = Vec::new();
    for mut e in explanations {
        e.improve(c, &places, &take, &maps, c.tuning.rounds.saturating_sub(FIRST_ROUNDS).max(1), true);
        keep_if_new(&mut kept, e);
    }
    let weights = weigh(c, &kept);
    (read(c, &take, priors, &maps, &kept, &weights), kept, take.live)
}

fn keep_if_new(kept: &mut Vec<Explanation>, e: Explanation) {
    if kept.iter().all(|k| k.distance(&e) > ALIKE) {
        kept.push(e);
    }
}

/// Posterior weight of each explanation.
fn weigh(c: &Constants, explanations: &[Explanation]) -> Vec<f64> {
    let j = &c.tuning.judge;
    let mut weights: Vec<f64> = explanations
        .iter()
        .map(|e| j.sound * e.sound + j.names * e.names + j.mistakes * e.mistakes + j.slips * e.slips + e.known)
        .collect();
    softmax(&mut weights);
    weights
}

/// The surfaces in play: those written, and those that a mistake on them may land on.
fn live(written: &[bool; ALL]) -> Vec<usize> {
    let drum = [Surface::Centre, Surface::Rim, Surface::Click].map(Surface::index);
    let body = [Surface::Pat, Surface::Clap].map(Surface::index);
    let also: &[usize] = if drum.iter().any(|s| written[*s]) { &drum } else { &body };
    (0..ALL).filter(|s| written[*s] || also.contains(s)).collect()
}

fn take_of(
    c: &Constants,
    features: &[Features],
    priors: Option<&[Prior]>,
    calibration: Option<&Calibration>,
) -> Option<Take> {
    let usual = median(features.iter().map(|f| f.level.0))?;
    let bands_of = |f: &Features, usual: f64| -> [f64; BANDS] {
        let level = if f.level.0.is_finite() { (f.level.0 - usual).clamp(-LEVEL_REACH, LEVEL_REACH) } else { 0.0 };
        let own = |k: usize| f64::from(f.bands[k]) - c.mean[k] - level * c.slope[k];
        std::array::from_fn(|k| if f.bands[k].is_finite() { own(k) } else { 0.0 })
    };
    let place_of = |bands: &[f64; BANDS]| -> Place {
        let mut place = [0.0; DIMS];
        for (p, axis) in place.iter_mut().zip(&c.axes) {
            *p = axis.iter().zip(bands).map(|(a, b)| a * b).sum();
        }
        place
    };
    let priors = priors.filter(|p| p.iter().any(|p| p.written.is_some()));
    let mut written = [false; ALL];
    for p in priors.unwrap_or_default().iter().filter_map(|p| p.written) {
        written[p.index()] = true;
    }
    let known = calibration.map(|c| c.strikes.as_slice()).unwrap_or_default();
    let mut live = live(&written);
    if priors.is_none() {
        // Without a part the surfaces of the bucket, and whatever else was shown.
        live = (0..ALL).filter(|s| *s < Surface::Pat.index() || known.iter().any(|(k, _)| k.index() == *s)).collect();
        written = [true; ALL];
    }
    let position = |s: Surface| live.iter().position(|l| *l == s.index());
    let row = |p: Option<&Prior>| p.and_then(|p| p.written).and_then(position).unwrap_or(NO_STROKE);
    let prior = |k: usize| priors.and_then(|p| p.get(k));
    let [inside, at_border, unknown] = c.tuning.map_turn;
    let turn = (0..features.len())
        .map(|k| {
            let pass = |k: usize| prior(k).and_then(|p| p.pass);
            match (k.checked_sub(1).and_then(pass), pass(k)) {
                (Some(a), Some(b)) if a != b => at_border,
                (Some(_), Some(_)) => inside,
                _ => unknown,
            }
        })
        .collect();
    let bands: Vec<[f64; BANDS]> = features.iter().map(|f| bands_of(f, usual)).collect();
    // A recording of its own has its own median level.
    let known_usual = median(known.iter().map(|(_, f)| f.level.0)).unwrap_or(usual);
    let known =
        (known.iter()).filter_map(|(s, f)| Some((position(*s)?, place_of(&bands_of(f, known_usual))))).collect();
    Some(Take {
        written: std::array::from_fn(|k| live.get(k).is_some_and(|s| written[*s])),
        part: priors.is_some(),
        places: bands.iter().map(place_of).collect(),
        bands,
        rows: (0..features.len()).map(|k| row(prior(k))).collect(),
        turn,
        known,
        live,
    })
}

/// How far a first guess trusts the part, or the sounds.
const TRUST: f64 = 0.9;

/// A first guess of every strike's surface: by what is written, each written surface taken for another one, or by the sounds.
enum Start {
    Written([usize; ALL]),
    Sounding(Vec<[f64; ALL]>),
}

impl Start {
    fn surfaces(self, take: &Take) -> Vec<[f64; ALL]> {
        let m = take.live.len();
        let to = match self {
            Start::Sounding(surfaces) => return surfaces,
            Start::Written(to) => to,
        };
        let guess = |row: &usize| {
            let mut q = [0.0; ALL];
            if *row == NO_STROKE {
                q[..m].fill(1.0 / m as f64);
            } else {
                q[..m].fill((1.0 - TRUST) / (m as f64 - 1.0));
                q[to[*row]] = TRUST;
            }
            q
        };
        take.rows.iter().map(guess).collect()
    }
}

/// First guesses.
fn starts(c: &Constants, places: &Places, take: &Take) -> Vec<Start> {
    let m = take.live.len();
    let absolute = Start::Sounding(places.absolute(c, take));
    if !take.part {
        return vec![absolute];
    }
    let as_written: [usize; ALL] = std::array::from_fn(|k| k);
    let mut out = vec![Start::Written(as_written)];
    for a in 0..m {
        for b in a + 1..m {
            let mut exchanged = as_written;
            exchanged.swap(a, b);
            out.push(Start::Written(exchanged));
        }
        out.push(Start::Written([a; ALL]));
    }
    out.push(absolute);
    out.extend(by_sound(c, take).into_iter().map(Start::Sounding));
    out
}

/// Rounds in which strikes are grouped by sound.
const GROUPING: usize = 8;

/// As many groups of like sound as surfaces are written (k-means, begun with places far from each other), called by the
/// surfaces that most of their strikes are written on. Finds the surfaces where a mistake spoils most of the part.
///
/// Once more, called as the groups sound.
fn by_sound(c: &Constants, take: &Take) -> Vec<Vec<[f64; ALL]>> {
    let m = take.live.len();
    let written: Vec<usize> = (0..m).filter(|k| take.rows.contains(k)).collect();
    if written.len() < 2 || take.places.len() < 2 * written.len() {
        return Vec::new();
    }
    let away = |a: &Place, b: &Place| a.iter().zip(b).map(|(a, b)| (a - b) * (a - b)).sum::<f64>();
    let n = take.places.len() as f64;
    let middle: Place = std::array::from_fn(|i| take.places.iter().map(|z| z[i]).sum::<f64>() / n);
    let mut centres: Vec<Place> = Vec::new();
    while centres.len() < written.len() {
        let from = |z: &Place| {
            let near = centres.iter().map(|c| away(z, c)).fold(f64::INFINITY, f64::min);
            if centres.is_empty() { away(z, &middle) } else { near }
        };
        centres.extend(take.places.iter().max_by(|a, b| from(a).total_cmp(&from(b))));
    }
    let nearest = |z: &Place, centres: &[Place]| {
        (0..centres.len()).min_by(|a, b| away(z, &centres[*a]).total_cmp(&away(z, &centres[*b]))).unwrap_or(0)
    };
    let mut group = Vec::new();
    for _ in 0..GROUPING {
        group = take.places.iter().map(|z| nearest(z, &centres)).collect();
        for (g, centre) in centres.iter_mut().enumerate() {
            let mine: Vec<&Place> = take.places.iter().zip(&group).filter(|(_, h)| **h == g).map(|(z, _)| z).collect();
            if !mine.is_empty() {
                *centre = std::array::from_fn(|i| mine.iter().map(|z| z[i]).sum::<f64>() / mine.len() as f64);
            }
        }
    }
    // The commonest pair of group and written surface names that group, and so on with what is left.
    let mut count = [[0usize; ALL]; ALL];
    for (row, g) in take.rows.iter().zip(&group).filter(|(row, _)| **row != NO_STROKE) {
        count[*g][*row] += 1;
    }
    let mut name = [None; ALL];
    for _ in 0..written.len() {
        let free = |g: &usize, s: &usize| name[*g].is_none() && !name.contains(&Some(*s));
        let pairs = (0..written.len()).flat_map(|g| written.iter().map(move |s| (g, *s)));
        if let Some((g, s)) = pairs.filter(|(g, s)| free(g, s)).max_by_key(|(g, s)| count[*g][*s]) {
            name[g] = Some(s);
        }
    }
    let called = |name: &[Option<usize>; ALL]| {
        let trust = |g: &usize| {
            let mut q = [0.0; ALL];
            q[..m].fill((1.0 - TRUST) / (m as f64 - 1.0));
            if let Some(s) = name[*g] {
                q[s] = TRUST;
            }
            q
        };
        group.iter().map(trust).collect::<Vec<_>>()
    };
    let mut groups = vec![([0.0; BANDS], 0.0f64); m];
    for (g, bands) in group.iter().zip(&take.bands) {
        groups[*g].1 += 1.0;
        groups[*g].0.iter_mut().zip(bands).for_each(|(sum, b)| *sum += b);
    }
    let groups: Vec<_> = groups.iter().map(|(sum, n)| (marks(c, &sum.map(|v| v / n.max(1.0))), *n)).collect();
    let sounds_like = Namings::new(c, &take.live, &groups, &vec![false; m]).likeliest();
    let mut by_name = [None; ALL];
    sounds_like.into_iter().for_each(|(g, s)| by_name[g] = Some(s));
    vec![called(&name), called(&by_name)]
}

fn read(
    c: &Constants,
    take: &Take,
    priors: Option<&[Prior]>,
    maps: &Maps,
    explanations: &[Explanation],
    weights: &[f64],
) -> Reading {
    let n = take.places.len();
    let m = maps.maps.len();
    let mut heard = vec![Heard { p: [0.0; ALL], other: 0.0 }; n];
    let mut by_map = vec![0.0; n * m];
    for (e, w) in explanations.iter().zip(weights) {
        for (h, (q, other)) in heard.iter_mut().zip(e.surface.iter().zip(&e.other)) {
            for (live, q) in take.live.iter().zip(q) {
                h.p[*live] += w * q;
            }
            h.other += w * other;
        }
        by_map.iter_mut().zip(&e.maps).for_each(|(sum, p)| *sum += w * p);
    }
    for h in &mut heard {
        let sum: f64 = h.p.iter().sum();
        h.p.iter_mut().for_each(|p| *p /= sum);
        h.other = h.other.clamp(0.0, 1.0);
    }
    let mut passes: Vec<(Option<usize>, usize)> = Vec::new();
    let pass_of = |k: usize| priors.and_then(|p| p.get(k)).and_then(|p| p.pass);
    let mut readings: Vec<PassReading> = Vec::new();
    if take.part {
        for k in 0..n {
            let pass = pass_of(k);
            let at = passes.iter().position(|(p, _)| *p == pass).unwrap_or_else(|| {
                passes.push((pass, 0));
                readings.push(PassReading { pass, played: [[0.0; ALL]; ALL] });
                passes.len() - 1
            });
            passes[at].1 += 1;
            for (map, p) in maps.maps.iter().zip(&by_map[k * m..]) {
                for (from, to) in take.live.iter().zip(map) {
                    readings[at].played[*from][take.live[*to]] += p;
                }
            }
        }
        for (reading, (_, count)) in readings.iter_mut().zip(&passes) {
            for (s, row) in reading.played.iter_mut().enumerate() {
                if take.live.contains(&s) {
                    row.iter_mut().for_each(|p| *p /= *count as f64);
                } else {
                    row[s] = 1.0;
                }
            }
        }
    }
    let doubts = doubts(c, take, &heard, explanations, weights);
    Reading { heard, doubts, passes: readings }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::rng::Rng;
    use crate::units::Decibels;
    use Surface::{Centre, Clap, Click, Pat, Rim};

    /// Features of strikes on these surfaces of an average instrument, each a little different.
    fn sounds(surfaces: &[Surface], seed: u32) -> Vec<Features> {
        let c = Constants::embedded();
        let mut dice = Rng(seed.into());
        surfaces
            .iter()
            .map(|s| {
                let bands =
                    std::array::from_fn(|k| (c.mean[k] + c.names.means[s.index()][k] + 1.5 * dice.normal(1.0)) as f32);
                Features { bands, level: Decibels(-30.0 + 2.0 * dice.normal(1.0)), above: Decibels(30.0) }
            })
            .collect()
    }

    /// A part of four passes of 16 strokes on the given surfaces.
    fn part(use_: &[Surface]) -> Vec<Prior> {
        let mut dice = Rng(7);
        (0..64)
            .map(|k| {
                let written = use_.get((dice.unit() * use_.len() as f64) as usize).copied();
                Prior { written, pass: Some(k / 16) }
            })
            .collect()
    }

    fn played(part: &[Prior], to: impl Fn(usize, Surface) -> Surface) -> Vec<Surface> {
        part.iter().enumerate().filter_map(|(k, p)| Some(to(k, p.written?))).collect()
    }

    fn check(part: &[Prior], truth: &[Surface], calibration: Option<&Calibration>) -> Reading {
        let reading = tell(&sounds(truth, 3), Some(part), calibration);
        let wrong = reading.heard.iter().zip(truth).filter(|(h, t)| h.best().0 != **t).count();
        assert_eq!(wrong, 0, "{wrong} of {} strikes told wrong", truth.len());
        for h in &reading.heard {
            assert!((h.p.iter().sum::<f64>() - 1.0).abs() < 1e-9 && (0.0..=1.0).contains(&h.other));
        }
        reading
    }

    #[test]
    fn a_take_played_as_written_is_told_as_written_without_doubt() {
        let part = part(&[Centre, Rim, Click]);
        let reading = check(&part, &played(&part, |_, s| s), None);
        assert_eq!(reading.doubts, vec![]);
        assert_eq!(reading.passes.len(), 4);
        assert!(reading.passes.iter().all(|p| p.played[1][1] > 0.9));
    }

    #[test]
    fn a_pass_with_the_rim_on_the_centre_is_not_relabelled() {
        let part = part(&[Centre, Rim, Click]);
        let to = |k: usize, s| if k / 16 == 2 && s == Rim { Centre } else { s };
        let reading = check(&part, &played(&part, to), None);
        let rim_on_centre: Vec<bool> = reading.passes.iter().map(|p| p.played[1][0] > 0.5).collect();
        assert_eq!(rim_on_centre, [false, false, true, false]);
    }

    #[test]
    fn single_slips_are_heard() {
        let part = part(&[Centre, Rim, Click]);
        let to = |k: usize, s| match (k, s) {
            (5 | 23, Centre) => Click,
            (5 | 23, _) => Centre,
            _ => s,
        };
        check(&part, &played(&part, to), None);
    }

    #[test]
    fn everything_on_the_centre_is_heard_there_and_doubted_once_a_surface() {
        let part = part(&[Centre, Rim, Click]);
        let reading = check(&part, &played(&part, |_, _| Centre), None);
        assert!(reading.doubts.contains(&super::super::Doubt::NotToldApart { written: Rim, heard: Centre }));
        assert!(reading.doubts.contains(&super::super::Doubt::NotToldApart { written: Click, heard: Centre }));
        assert_eq!(reading.doubts.len(), 2);
    }

    #[test]
    fn a_part_on_one_surface_is_believed_and_doubted() {
        let part = part(&[Rim]);
        let reading = check(&part, &played(&part, |_, s| s), None);
        assert_eq!(reading.doubts, vec![super::super::Doubt::OneSurface { written: Rim }]);
    }

    #[test]
    fn centre_and_rim_exchanged_throughout_is_a_doubt_that_known_strikes_settle() {
        let part = part(&[Centre, Rim, Click]);
        let swap = |_: usize, s| match s {
            Centre => Rim,
            Rim => Centre,
            other => other,
        };
        let truth = played(&part, swap);
        let reading = tell(&sounds(&truth, 3), Some(&part), None);
        let about = |d: &super::super::Doubt| matches!(d, super::super::Doubt::Exchanged { a: Centre, b: Rim, .. });
        assert_eq!(reading.doubts.iter().filter(|d| about(d)).count(), 1, "{:?}", reading.doubts);
        let shown = [Centre, Centre, Centre, Rim, Rim, Rim, Click, Click, Click];
        let known = Calibration { strikes: shown.into_iter().zip(sounds(&shown, 11)).collect() };
        let reading = check(&part, &truth, Some(&known));
        assert_eq!(reading.doubts, vec![]);
    }

    #[test]
    fn an_odd_instrument_is_told_as_written_and_doubted() {
        // Its centre sounds nine tenths like a usual rim, and its rim like a usual centre.
        let part = part(&[Centre, Rim, Click]);
        let truth = played(&part, |_, s| s);
        let c = Constants::embedded();
        let mut odd = sounds(&truth, 3);
        for (sound, surface) in odd.iter_mut().zip(&truth) {
            let other = match surface {
                Centre => Rim,
                Rim => Centre,
                _ => continue,
            };
            for (k, band) in sound.bands.iter_mut().enumerate() {
                *band += (0.9 * (c.names.means[other.index()][k] - c.names.means[surface.index()][k])) as f32;
            }
        }
        let reading = tell(&odd, Some(&part), None);
        let wrong = reading.heard.iter().zip(&truth).filter(|(h, t)| h.best().0 != **t).count();
        assert_eq!(wrong, 0, "{:?}", reading.doubts);
        let exchanged = |d: &super::super::Doubt| matches!(d, super::super::Doubt::Exchanged { a: Centre, b: Rim, p } if (0.02..0.2).contains(p));
        assert!(reading.doubts.iter().any(exchanged), "{:?}", reading.doubts);
    }

    #[test]
    fn pats_and_claps_are_told_apart() {
        let part = part(&[Pat, Clap]);
        check(&part, &played(&part, |k, s| if k % 20 == 3 { Clap } else { s }), None);
    }

    #[test]
    fn all_five_surfaces_can_be_in_one_part() {
        let part = part(&Surface::ALL);
        check(&part, &played(&part, |_, s| s), None);
    }

    #[test]
    fn without_a_part_the_surfaces_are_still_told_or_left_open() {
        let truth: Vec<Surface> = (0..60).map(|k| [Centre, Rim, Click][k % 3]).collect();
        let reading = tell(&sounds(&truth, 5), None, None);
        assert!(reading.passes.is_empty());
        let sure: Vec<bool> =
            reading.heard.iter().zip(&truth).filter(|(h, _)| h.best().1 > 0.8).map(|(h, t)| h.best().0 == *t).collect();
        assert!(sure.iter().filter(|right| !**right).count() * 10 <= sure.len());
    }

    #[test]
    fn no_strikes_and_broken_numbers_give_readings_all_the_same() {
        assert_eq!(tell(&[], None, None), Reading::default());
        let mut one = sounds(&[Centre], 1);
        assert_eq!(tell(&one, Some(&[Prior { written: Some(Centre), pass: None }]), None).heard.len(), 1);
        one[0].bands[3] = f32::NAN;
        one[0].level = Decibels(f64::NAN);
        let mut more = sounds(&[Centre, Rim, Rim], 1);
        more.extend(one);
        for prior in [None, Some(part(&[Centre, Rim]))] {
            let reading = tell(&more, prior.as_deref(), None);
            assert!(reading.heard.iter().flat_map(|h| h.p).all(f64::is_finite), "{reading:?}");
        }
    }
}
