//! What sound alone cannot settle about a take, said once for the whole of it.

use super::constants::Constants;
use super::maps::{ALL, NO_STROKE};
use super::mixture::{Explanation, Take};
use super::{Doubt, Heard};
use crate::part::Surface;

/// A surface is heard, or written, from this many strikes on.
const ENOUGH: f64 = 3.0;

/// A surface of which less than this share is heard where it is written is not told apart.
const HARDLY: f64 = 0.1;

pub(super) fn doubts(
    c: &Constants,
    take: &Take,
    heard: &[Heard],
    explanations: &[Explanation],
    weights: &[f64],
) -> Vec<Doubt> {
    let mut out = Vec::new();
    let given: Vec<bool> = (0..take.live.len()).map(|k| take.known.iter().any(|(s, _)| *s == k)).collect();
    let surface = |k: usize| Surface::ALL[take.live[k]];
    // Strikes written on the one and heard on the other.
    let mut table = [[0.0; ALL]; ALL];
    let mut written = [0.0; ALL];
    for (row, h) in take.rows.iter().zip(heard).filter(|(row, _)| **row != NO_STROKE) {
        written[*row] += 1.0;
        for (cell, live) in table[*row].iter_mut().zip(&take.live) {
            *cell += h.p[*live];
        }
    }
    let all: Vec<f64> = take.live.iter().map(|s| heard.iter().map(|h| h.p[*s] * (1.0 - h.other)).sum()).collect();
    for a in 0..take.live.len() {
        for b in a + 1..take.live.len() {
            if all[a] < ENOUGH || all[b] < ENOUGH || given[a] && given[b] {
                continue;
            }
            let p = exchanged(take, heard, explanations, weights, a, b);
            let crossed = table[a][b] + table[b][a];
            let straight = table[a][a] + table[b][b];
            let throughout = take.part && crossed > 4.0 * straight && table[a][b] >= ENOUGH && table[b][a] >= ENOUGH;
            if p > c.tuning.doubt_from || throughout {
                out.push(Doubt::Exchanged { a: surface(a), b: surface(b), p: p.clamp(0.0, 1.0) });
            }
        }
    }
    if take.part {
        let n_written = written.iter().filter(|n| **n > 0.0).count();
        for w in (0..take.live.len()).filter(|w| written[*w] >= ENOUGH && !given[*w]) {
            let (other, most) = (table[w].iter().copied().enumerate())
                .filter(|(k, _)| *k != w)
                .fold((w, 0.0), |best, (k, n)| if n > best.1 { (k, n) } else { best });
            if n_written == 1 {
                out.push(Doubt::OneSurface { written: surface(w) });
            } else if all[w] < 1.0 && table[w][w] < HARDLY * written[w] && most > 0.5 * written[w] {
                out.push(Doubt::NotToldApart { written: surface(w), heard: surface(other) });
            }
        }
    }
    out
}

/// Probability that the names `a` and `b` are exchanged throughout against what is told.
fn exchanged(take: &Take, heard: &[Heard], explanations: &[Explanation], weights: &[f64], a: usize, b: usize) -> f64 {
    let (live_a, live_b) = (take.live[a], take.live[b]);
    let swapped = |e: &Explanation| {
        let (mut crossed, mut straight) = (0.0, 0.0);
        for (h, q) in heard.iter().zip(&e.surface) {
            crossed += h.p[live_a] * q[b] + h.p[live_b] * q[a];
            straight += h.p[live_a] * q[a] + h.p[live_b] * q[b];
        }
        crossed > straight
    };
    explanations.iter().zip(weights).filter(|(e, _)| swapped(e)).map(|(_, w)| w).sum()
}
