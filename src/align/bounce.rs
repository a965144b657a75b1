//! Series of bounces: a stick that falls hits in a geometric series of intervals, ever closer and softer (its ratio is
//! the coefficient of restitution: .5 to .9 for wood on a bucket or a hard floor; common physics).

use super::Strike;

/// A series has at least this many strikes,
const LEAST: usize = 4;
/// begins with an interval of at most this, seconds (a fall of 30 cm bounces for less than half a second),
const FIRST_S: f64 = 0.6;
/// ends with one shorter than any written stroke, seconds,
const LAST_S: f64 = 0.09;
/// or, where the last ones were too soft to hear, with one of up to this, then silence for at least that (the stick has
/// to be picked up), having shrunk by this share each time and fallen by that many decibels;
const LAST_HEARD_S: f64 = 0.17;
const SILENCE_S: f64 = 0.4;
const SHRINKS: f64 = 0.87;
const FALL_HEARD_DB: f64 = 5.0;
/// each interval this share of the one before, within the slack of the ear (seconds),
const RATIO: (f64, f64) = (0.45, 0.95);
const SLACK_S: f64 = 0.008;
/// and all of them alike within this share.
const EVENNESS: f64 = 0.2;
/// No strike louder than the last by more than this (they land unevenly), the last softer than the first by at least
/// that, dB.
const LOUDER_DB: f64 = 8.0;
const FALL_DB: f64 = 4.0;
/// What rattles on within this time after the series, softer still, belongs to it, seconds.
const RATTLE_S: f64 = 0.08;
/// A first strike this much softer than those around it was a bounce itself, dB.
const SOFT_FIRST_DB: f64 = 6.0;
/// Strange sounds allowed between two strikes of a series.
const BETWEEN: usize = 1;

/// Marks every strike that is one of a series; its first only if it is soft, since that may be the stroke at which the
/// stick was lost.
pub(super) fn bounces(strikes: &[Strike], usual_db: &[f64]) -> Vec<bool> {
    let mut marked = vec![false; strikes.len()];
    let mut first = 0;
    while first + LEAST <= strikes.len() {
        let found =
            (first + 1..(first + 2 + BETWEEN).min(strikes.len())).filter_map(|second| series(strikes, first, second));
        let Some(found) = found.max_by_key(Vec::len) else {
            first += 1;
            continue;
        };
        for &i in &found[1..] {
            marked[i] = true;
        }
        if strikes[first].level.0 < usual_db[first] - SOFT_FIRST_DB {
            marked[first] = true;
        }
        let mut last = found[found.len() - 1];
        while last + 1 < strikes.len() && rattles(&strikes[last], &strikes[last + 1]) {
            last += 1;
            marked[last] = true;
        }
        first = last;
    }
    marked
}

fn rattles(last: &Strike, next: &Strike) -> bool {
    (next.at - last.at).get() < RATTLE_S && next.level.0 < last.level.0 + LOUDER_DB
}

/// The series that begins with these two strikes, if there is one.
fn series(strikes: &[Strike], first: usize, second: usize) -> Option<Vec<usize>> {
    let gap = |a: usize, b: usize| (strikes[b].at - strikes[a].at).get();
    if gap(first, second) > FIRST_S || strikes[second].level.0 > strikes[first].level.0 + LOUDER_DB {
        return None;
    }
    let mut found = vec![first, second];
    loop {
        let (before, last) = (found[found.len() - 2], found[found.len() - 1]);
        let interval = gap(before, last);
        // The ratio of the whole series so far foretells the next; at first only its bounds do.
        let so_far = found.len() as f64 - 2.0;
        let ratio = if so_far > 0.0 { (interval / gap(first, second)).powf(1.0 / so_far) } else { 0.7 };
        let fits = |next: &usize| {
            let here = gap(last, *next);
            let within = here < RATIO.1 * interval + SLACK_S && here > RATIO.0 * interval - SLACK_S && here > 0.002;
            let even = so_far == 0.0 || (here - ratio * interval).abs() < EVENNESS * interval + SLACK_S;
            within && even && strikes[*next].level.0 < strikes[last].level.0 + LOUDER_DB
        };
        let nearness = |next: &usize| (gap(last, *next) - ratio * interval).abs();
        let candidates = (last + 1..(last + 2 + BETWEEN).min(strikes.len())).filter(fits);
        match candidates.min_by(|a, b| nearness(a).total_cmp(&nearness(b))) {
            Some(next) => found.push(next),
            None => break,
        }
    }
    let (before, last) = (found[found.len() - 2], found[found.len() - 1]);
    let fall = strikes[first].level.0 - strikes[last].level.0;
    let shrinks_by = |ratio: f64| gap(before, last) < ratio.powi(found.len() as i32 - 2) * gap(first, second);
    let to_the_end = gap(before, last) < LAST_S && fall > FALL_DB && shrinks_by(0.9);
    let silent = last + 1 == strikes.len() || gap(last, last + 1) > SILENCE_S;
    // Three intervals that shrink are a common written rhythm.
    let broken_off = found.len() > LEAST
        && gap(before, last) < LAST_HEARD_S
        && fall > FALL_HEARD_DB
        && shrinks_by(SHRINKS)
        && silent;
    let strange = last + 1 - first - found.len();
    (found.len() >= LEAST && strange * LEAST <= found.len() && (to_the_end || broken_off)).then_some(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{Decibels, Seconds};

    fn marked(times: &[f64], levels: &[f64]) -> Vec<bool> {
        let strikes: Vec<Strike> = (times.iter().zip(levels))
            .map(|(&t, &db)| Strike {
                at: Seconds::of(t),
                sigma: Seconds::from_millis(1.0),
                level: Decibels(db),
                certainty: 0.99,
                surface: [0.2; 5],
            })
            .collect();
        bounces(&strikes, &vec![-18.0; strikes.len()])
    }

    #[test]
    fn a_falling_stick_is_heard_as_bounces() {
        let times = [0.0, 0.5, 1.0, 1.2, 1.34, 1.438, 1.507, 2.6];
        let levels = [-18.0, -18.0, -17.0, -22.0, -25.0, -29.0, -33.0, -18.0];
        assert_eq!(marked(&times, &levels), [false, false, false, true, true, true, true, false]);
    }

    #[test]
    fn a_knock_among_the_bounces_does_not_hide_them() {
        let times = [0.0, 0.5, 1.0, 1.2, 1.27, 1.34, 1.438, 1.507];
        let levels = [-18.0, -18.0, -17.0, -22.0, -20.0, -25.0, -29.0, -33.0];
        assert_eq!(marked(&times, &levels).iter().filter(|&&x| x).count(), 4);
    }

    #[test]
    fn even_strokes_and_a_hurried_bar_are_no_bounces() {
        let even: Vec<f64> = (0..12).map(|k| 0.15 * f64::from(k)).collect();
        assert!(!marked(&even, &[-18.0; 12]).contains(&true));
        let hurried = [0.0, 0.6, 1.1, 1.5, 1.8, 2.0, 2.15];
        assert!(!marked(&hurried, &[-18.0; 7]).contains(&true));
    }
}
