//! Votes -> where they peak: what may be a strike, and when.
//!
//! Each vote is spread over a triangle on a grid of quarter frames. Their sum, divided by the number of frames that may
//! vote for one strike, is about 1 for a sure strike. A peak beside a higher one is the same strike (non-maximum suppression, the
//! highest first).

use super::fine::Vote;

/// Cells of the grid in a frame.
const CELLS: f64 = 4.0;
/// A triangle falls to zero at this distance, in cells.
const TRIANGLE: i64 = 10;
/// Frames that lie near enough to a strike to vote for it.
const VOTERS: f32 = 7.0;
/// A lower peak is none.
const MIN_VOTE: f32 = 0.03;
/// No peak lies nearer to a higher one than six frames (9 ms), in cells.
const APART: i64 = 24;

/// Where votes peak.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Peak {
    /// In frames.
    pub(crate) at: f64,
    pub(crate) height: f32,
}

/// The peaks in order of time.
pub(crate) fn peaks(votes: &[Vote]) -> Vec<Peak> {
    let mut cast: Vec<(i64, f64, f32)> =
        votes.iter().map(|v| ((v.at * CELLS).round_ties_even() as i64, v.at, v.likely)).collect();
    cast.sort_by_key(|v| v.0);
    // Cells and heights, in order of time.
    let mut found: Vec<(i64, f32)> = Vec::new();
    let mut grid = Vec::new();
    for near in cast.chunk_by(|a, b| b.0 - a.0 < 2 * TRIANGLE) {
        let [(first, ..), .., (last, ..)] = near else {
            found.extend(near.iter().map(|v| (v.0, v.2 / VOTERS)));
            continue;
        };
        let start = first - TRIANGLE;
        grid.clear();
        grid.resize((last - start + TRIANGLE + 1) as usize, 0.0f32);
        for (cell, _, likely) in near {
            for (k, sum) in
                grid[(cell - TRIANGLE - start) as usize..=(cell + TRIANGLE - start) as usize].iter_mut().enumerate()
            {
                let distance = (k as i64 - TRIANGLE).abs();
                *sum += likely * (1.0 - distance as f32 / TRIANGLE as f32) / VOTERS;
            }
        }
        let peak = |k: &usize| grid[*k] >= grid[k - 1] && grid[*k] > grid[k + 1];
        found.extend((1..grid.len() - 1).filter(peak).map(|k| (start + k as i64, grid[k])));
    }
    found.retain(|peak| peak.1 > MIN_VOTE);
    // Non-maximum suppression.
    let mut order: Vec<usize> = (0..found.len()).collect();
    order.sort_by(|&a, &b| found[b].1.total_cmp(&found[a].1).then(a.cmp(&b)));
    let mut kept = vec![false; found.len()];
    for k in order {
        let near = |other: &usize| (found[*other].0 - found[k].0).abs() < APART;
        let beside =
            (0..k).rev().take_while(near).chain((k + 1..found.len()).take_while(near)).any(|other| kept[other]);
        kept[k] = !beside;
    }
    let kept = found.into_iter().zip(kept).filter(|(_, kept)| *kept);
    kept.map(|((cell, height), _)| Peak { at: middle(&cast, cell), height }).collect()
}

/// Where the votes around a cell point to on average.
fn middle(cast: &[(i64, f64, f32)], cell: i64) -> f64 {
    let from = cast.partition_point(|v| v.0 < cell - TRIANGLE - 1);
    let (mut weights, mut sum) = (0.0, 0.0);
    let centre = cell as f64 / CELLS;
    for (_, at, likely) in cast[from..].iter().take_while(|v| v.0 <= cell + TRIANGLE + 1) {
        if (at - centre).abs() <= TRIANGLE as f64 / CELLS {
            weights += f64::from(*likely);
            sum += f64::from(*likely) * (at - centre);
        }
    }
    if weights > 0.0 { centre + sum / weights } else { centre }
}

#[cfg(test)]
mod tests {
    use super::super::fine::CHANNELS;
    use super::*;

    fn votes(cast: &[(f64, f32)]) -> Vec<Vote> {
        cast.iter().map(|&(at, likely)| Vote { frame: 0, likely, at, channels: [0.0; CHANNELS] }).collect()
    }

    /// Peaks by the definition: the whole grid, every cell looked at.
    fn defined(cast: &[(f64, f32)]) -> Vec<(i64, f32)> {
        let height = |cell: i64| -> f32 {
            let share = |at: f64| 1.0 - (cell - (at * 4.0).round_ties_even() as i64).abs() as f32 / 10.0;
            cast.iter().map(|&(at, likely)| likely * share(at).max(0.0)).sum::<f32>() / 7.0
        };
        let cells = -40..2000;
        let mut peaks: Vec<(i64, f32)> = cells
            .filter(|&c| height(c) >= height(c - 1) && height(c) > height(c + 1) && height(c) > MIN_VOTE)
            .map(|c| (c, height(c)))
            .collect();
        peaks.sort_by(|a, b| b.1.total_cmp(&a.1));
        let mut kept: Vec<(i64, f32)> = Vec::new();
        for peak in peaks {
            if kept.iter().all(|k| (k.0 - peak.0).abs() >= 24) {
                kept.push(peak);
            }
        }
        kept.sort_by_key(|k| k.0);
        kept
    }

    #[test]
    fn peaks_are_those_of_the_whole_grid() {
        let mut rng = crate::rng::Rng(5);
        let mut next = || rng.unit();
        for count in [0, 1, 2, 30, 200] {
            let cast: Vec<(f64, f32)> =
                (0..count).map(|_| (400.0 * next() - 2.0, 0.04 + 0.96 * next() as f32)).collect();
            let found = peaks(&votes(&cast));
            let expected = defined(&cast);
            assert_eq!(found.len(), expected.len(), "{count}");
            for (found, (cell, height)) in found.iter().zip(expected) {
                assert!((found.height - height).abs() < 1e-5 && (found.at - cell as f64 / 4.0).abs() < 2.5, "{count}");
            }
        }
    }

    #[test]
    fn seven_sure_frames_that_agree_are_one_strike_where_they_point() {
        let found = peaks(&votes(&[(100.3, 1.0); 7]));
        assert_eq!(found.len(), 1);
        assert!((found[0].height - 1.0).abs() < 1e-6 && (found[0].at - 100.3).abs() < 1e-9, "{found:?}");
    }

    #[test]
    fn a_strike_on_the_first_sample_has_a_peak() {
        let found = peaks(&votes(&[(-2.0, 0.9), (-0.5, 0.9), (0.0, 1.0), (0.1, 1.0)]));
        assert_eq!(found.len(), 1);
        assert!((-0.7..-0.1).contains(&found[0].at), "{found:?}");
    }

    #[test]
    fn a_peak_beside_a_higher_one_is_the_same_strike() {
        let at = |distance: f64| peaks(&votes(&[(50.0, 0.9), (50.0, 0.9), (50.0 + distance, 0.9)])).len();
        assert_eq!((at(5.75), at(6.0)), (1, 2));
    }
}
