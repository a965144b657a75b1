//! Each candidate held against the others of the piece -> how likely it is a strike.
//!
//! A pupil's strikes resemble one another; so do a fire's crackles and a tap's drops. Each candidate asks the others,
//! attending to those that are like it (Vaswani et al. 2017: dot-product attention, four heads); how alike two attacks
//! sound, the cosine of their colours, counts by itself. One that has nobody to ask attends to nobody, and what it is by
//! itself decides. They ask in rounds: in the second each knows what it was told in the first, so that what turned out to
//! be noise vouches for nobody.

use fearless_simd::{Level, dispatch, prelude::*};

use super::affine::{Affine, Job, Rows, Then};
use super::lanes::{WIDEST, exp_all, whole_dot};
use super::spectrum::{LONG_BANDS, SHORT_HOP};
use super::votes::Peak;
use super::{coarse, fine};
use crate::units::EAR_RATE;

/// What a candidate knows by itself: channels of both paths, level, logit of its votes.
pub(crate) const ALONE: usize = fine::CHANNELS + coarse::CHANNELS + 2;
/// What is made of that.
pub(crate) const OWN: usize = 32;
/// What is asked by: that, the colour of the attack, what sounds 52 ms later.
pub(crate) const ASKED: usize = OWN + 2 * LONG_BANDS;
pub(crate) const HEADS: usize = 4;
/// Numbers of a head.
pub(crate) const DEPTH: usize = 8;
pub(crate) const WIDTH: usize = HEADS * DEPTH;
pub(crate) const ROUNDS: usize = 2;
/// Candidates this near are the same event or its echo and say nothing about each other, in seconds.
const APART_S: f64 = 0.060;
/// Candidates that can be asked, those with most votes; time grows with them times all.
const MAX_ASKED: usize = 384;
/// The votes count as a logit between those of these.
const VOTES: (f32, f32) = (0.02, 0.98);
/// Level: the highest of so many frames from the strike on.
pub(crate) const LEVEL_FRAMES: usize = 8;

/// The step's weights.
pub(crate) struct Company {
    pub(crate) own: Affine,
    pub(crate) rounds: [Round; ROUNDS],
}

/// The weights of one round.
pub(crate) struct Round {
    pub(crate) query: Affine,
    pub(crate) key: Affine,
    pub(crate) value: Affine,
    /// Weight of the cosine of two colours, head by head.
    pub(crate) likeness: [f32; HEADS],
    /// Score and value of nobody.
    pub(crate) nobody: [f32; HEADS],
    pub(crate) nobodys: [[f32; DEPTH]; HEADS],
    pub(crate) answer: Affine,
    pub(crate) last: Affine,
}

/// A candidate before the others are asked.
pub(crate) struct Candidate {
    pub(crate) peak: Peak,
    pub(crate) fine: [f32; fine::CHANNELS],
    pub(crate) coarse: [f32; coarse::CHANNELS],
    pub(crate) level: f32,
    pub(crate) colour: [f32; LONG_BANDS],
    pub(crate) later: [f32; LONG_BANDS],
}

/// New sound per band around an attack: mean removed, unit length.
pub(crate) fn colour(after: [[f32; LONG_BANDS]; 3], before: [[f32; LONG_BANDS]; 2]) -> [f32; LONG_BANDS] {
    let [a, b, c] = after;
    let [d, e] = before;
    let mut new: [f32; LONG_BANDS] = std::array::from_fn(|k| (a[k].max(b[k]).max(c[k]) - d[k].max(e[k])).max(0.0));
    let mean = new.iter().sum::<f32>() / LONG_BANDS as f32;
    new.iter_mut().for_each(|v| *v -= mean);
    let length = new.iter().map(|v| v * v).sum::<f32>().sqrt() + 1e-6;
    new.map(|v| v / length)
}

/// What can be asked, a column a candidate, filled up to whole registers.
struct Asked {
    count: usize,
    at: Vec<f64>,
    keys: Rows,
    colours: Rows,
    values: Rows,
}

/// How much a candidate attends to each other one, a row a head.
type Scores = Rows;

impl Company {
    /// Probability that each candidate is a strike. They come in order of time.
    pub(crate) fn judge(&self, level: Level, candidates: &[Candidate]) -> Vec<f32> {
        let count = candidates.len();
        let width = count.next_multiple_of(WIDEST);
        let mut alone = Rows::new(ALONE, width);
        // What is asked by, then what is answered.
        let mut all = Rows::new(ASKED + WIDTH, width);
        for (column, c) in candidates.iter().enumerate() {
            let votes = c.peak.height.clamp(VOTES.0, VOTES.1);
            let known = c.fine.iter().chain(&c.coarse).copied().chain([c.level, (votes / (1.0 - votes)).ln()]);
            known.enumerate().for_each(|(row, v)| alone.row_mut(row)[column] = v);
            let heard = c.colour.iter().chain(&c.later).enumerate();
            heard.for_each(|(row, v)| all.row_mut(OWN + row)[column] = *v);
        }
        let rows: Vec<usize> = coarse::rows(ASKED + WIDTH, width);
        run(level, &self.own, &alone.data, &rows[..ALONE], Then::Rectify, &mut all);
        // Each round adds to the logit of the votes.
        let mut logits = alone.row(ALONE - 1).to_vec();
        for round in &self.rounds {
            let more = round.ask(level, candidates, &mut all);
            logits.iter_mut().zip(more).for_each(|(logit, more)| *logit += more);
        }
        logits.iter().take(count).map(|logit| 1.0 / (1.0 + (-logit).exp())).collect()
    }
}

/// Runs a layer over the rows of `from` that begin at `taps`; its outputs are the first rows of `to`.
fn run(level: Level, layer: &Affine, from: &[f32], taps: &[usize], then: Then<'_>, to: &mut Rows) {
    let to_row = to.width;
    layer.run(
        level,
        Job { from, taps, bands: 1, from_step: 0, to: &mut to.data, to_step: 0, to_row, columns: to_row, then },
    );
}

impl Round {
    /// What each candidate is told adds this to its logit. What it knows by itself, the first rows of `all`, becomes what
    /// it knows then.
    fn ask(&self, level: Level, candidates: &[Candidate], all: &mut Rows) -> Vec<f32> {
        let width = all.width;
        let rows: Vec<usize> = coarse::rows(ASKED + WIDTH, width);
        let projected = |layer: &Affine, taps: &[usize], all: &Rows| {
            let mut out = Rows::new(WIDTH, width);
            run(level, layer, &all.data, taps, Then::Nothing, &mut out);
            out
        };
        let queries = projected(&self.query, &rows[..ASKED], all);
        let keys = projected(&self.key, &rows[..ASKED], all);
        let values = projected(&self.value, &rows[..OWN], all);
        let asked = Asked::choose(candidates, &keys, all, &values);
        let mut scores = Rows::new(HEADS, asked.keys.width);
        let apart = APART_S * f64::from(EAR_RATE.get()) / SHORT_HOP as f64;
        for (column, c) in candidates.iter().enumerate() {
            let query = std::array::from_fn(|row| queries.row(row)[column]);
            let near = asked.at.partition_point(|at| *at <= c.peak.at - apart)
                ..asked.at.partition_point(|at| *at < c.peak.at + apart);
            let answer = dispatch!(level, simd => self.attend(simd, &query, &c.colour, &asked, near, &mut scores));
            for (row, v) in answer.into_iter().enumerate() {
                all.row_mut(ASKED + row)[column] = v;
            }
        }
        let mut known = Rows::new(OWN, width);
        let both: Vec<usize> = rows[..OWN].iter().chain(&rows[ASKED..]).copied().collect();
        run(level, &self.answer, &all.data, &both, Then::Rectify, &mut known);
        let mut out = Rows::new(1, width);
        run(level, &self.last, &known.data, &rows[..OWN], Then::Nothing, &mut out);
        all.data[..known.data.len()].copy_from_slice(&known.data);
        out.data
    }

    /// What the others, without those `near`, answer to one candidate.
    #[inline(always)]
    fn attend<S: Simd>(
        &self,
        simd: S,
        query: &[f32; WIDTH],
        colour: &[f32; LONG_BANDS],
        asked: &Asked,
        near: std::ops::Range<usize>,
        scores: &mut Scores,
    ) -> [f32; WIDTH] {
        let lanes = S::f32s::LEN;
        let width = asked.keys.width;
        for at in (0..width).step_by(lanes) {
            let mut cosine = S::f32s::splat(simd, 0.0);
            for (v, row) in colour.iter().zip(asked.colours.data.chunks_exact(width)) {
                cosine = S::f32s::from_slice(simd, &row[at..at + lanes]).mul_add(*v, cosine);
            }
            let keys = asked.keys.data.chunks_exact(DEPTH * width);
            let heads = query.as_chunks::<DEPTH>().0.iter().zip(keys).zip(&self.likeness);
            for (((query, keys), likeness), scores) in heads.zip(scores.data.chunks_exact_mut(width)) {
                let mut score = cosine * *likeness;
                for (v, row) in query.iter().zip(keys.chunks_exact(width)) {
                    score = S::f32s::from_slice(simd, &row[at..at + lanes]).mul_add(*v, score);
                }
                score.store_slice(&mut scores[at..at + lanes]);
            }
        }
        let mut out = [0.0; WIDTH];
        let values = asked.values.data.chunks_exact(DEPTH * width);
        let heads = scores.data.chunks_exact_mut(width).zip(values).zip(self.nobody.iter().zip(&self.nobodys));
        for (((scores, values), (nobody, nobodys)), out) in heads.zip(out.as_chunks_mut::<DEPTH>().0) {
            for range in [near.clone(), asked.count..width] {
                for score in &mut scores[range] {
                    *score = f32::NEG_INFINITY;
                }
            }
            let mut most = *nobody;
            for score in scores.iter() {
                most = if *score > most { *score } else { most };
            }
            let alone = (nobody - most).exp();
            let sum = exp_all(simd, scores, most) + alone;
            for ((out, values), nobodys) in out.iter_mut().zip(values.chunks_exact(width)).zip(nobodys) {
                *out = (whole_dot(simd, scores, values) + alone * nobodys) / sum;
            }
        }
        out
    }
}

impl Asked {
    /// Those with most votes, in order of time.
    fn choose(candidates: &[Candidate], keys: &Rows, all: &Rows, values: &Rows) -> Self {
        let mut chosen: Vec<usize> = (0..candidates.len()).collect();
        let height = |k: usize| candidates[k].peak.height;
        chosen.sort_by(|&a, &b| height(b).total_cmp(&height(a)).then(a.cmp(&b)));
        chosen.truncate(MAX_ASKED);
        chosen.sort_unstable();
        let width = chosen.len().next_multiple_of(WIDEST);
        let gather = |from: &Rows, first: usize, count: usize| {
            let mut out = Rows::new(count, width);
            for row in 0..count {
                let from = from.row(first + row);
                for (to, k) in out.row_mut(row).iter_mut().zip(&chosen) {
                    *to = from[*k];
                }
            }
            out
        };
        Asked {
            count: chosen.len(),
            at: chosen.iter().map(|&k| candidates[k].peak.at).collect(),
            keys: gather(keys, 0, WIDTH),
            colours: gather(all, OWN, LONG_BANDS),
            values: gather(values, 0, WIDTH),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::affine::tests::numbers;
    use super::super::model::Model;
    use super::super::model::tests::{METADATA, file, random};
    use super::*;

    /// A candidate of its own kind at a frame.
    fn candidate(kind: u32, at: f64, height: f32) -> Candidate {
        let bands = |seed: u32| std::array::from_fn(|k| numbers(LONG_BANDS, 10 * kind + seed)[k]);
        Candidate {
            peak: Peak { at, height },
            fine: std::array::from_fn(|k| numbers(fine::CHANNELS, 10 * kind)[k]),
            coarse: std::array::from_fn(|k| numbers(coarse::CHANNELS, 10 * kind + 1)[k]),
            level: 2.0,
            colour: colour([bands(2), bands(3), bands(4)], [bands(5), bands(6)]),
            later: bands(7),
        }
    }

    fn judged(candidates: &[Candidate]) -> Vec<f32> {
        Model::read(&file(&random(), &METADATA)).unwrap().network.company.judge(Level::new(), candidates)
    }

    #[test]
    fn who_is_near_is_not_asked_and_who_is_further_is() {
        let alone = judged(&[candidate(1, 100.0, 0.8)])[0];
        // 60 ms are 41.34 frames.
        let near = judged(&[candidate(1, 100.0, 0.8), candidate(2, 141.3, 0.8)])[0];
        let further = judged(&[candidate(1, 100.0, 0.8), candidate(2, 141.4, 0.8)])[0];
        assert!((alone - near).abs() < 1e-6, "{alone} {near}");
        assert!((alone - further).abs() > 1e-4, "{alone} {further}");
        assert!(judged(&[]).is_empty());
    }

    #[test]
    fn of_very_many_those_with_most_votes_are_asked() {
        let mut many: Vec<Candidate> =
            (0..MAX_ASKED as u32).map(|k| candidate(k % 7, 50.0 * f64::from(k), 0.5 + (k % 5) as f32 / 10.0)).collect();
        let before = judged(&many);
        many.push(candidate(9, 50.0 * MAX_ASKED as f64, 0.3));
        let with_a_weak_one = judged(&many);
        assert!(before.iter().zip(&with_a_weak_one).all(|(a, b)| (a - b).abs() < 1e-6));
        many[MAX_ASKED].peak.height = 0.7;
        let with_a_strong_one = judged(&many);
        assert!(before.iter().zip(&with_a_strong_one).any(|(a, b)| (a - b).abs() > 1e-5));
    }

    #[test]
    fn a_colour_has_no_mean_and_unit_length_and_nothing_new_has_none() {
        let bands: [f32; LONG_BANDS] = std::array::from_fn(|k| k as f32);
        let new = colour([bands; 3], [[0.0; LONG_BANDS]; 2]);
        assert!(new.iter().sum::<f32>().abs() < 1e-4);
        assert!((new.iter().map(|v| v * v).sum::<f32>() - 1.0).abs() < 1e-4);
        assert!(colour([bands; 3], [bands; 2]).iter().all(|v| v.abs() < 1e-6));
    }
}
