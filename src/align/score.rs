//! [`Timeline`] -> [`Score`]: the written strokes as plain arrays in quarter notes, and where one might go on playing.
//!
//! Everything the search looks up a thousand times a strike stands here, worked out once.

use super::costs;
use crate::part::{Hands, Timeline};

/// Strokes of the rest that follows stroke `j`: from and to in quarters after that stroke.
pub(crate) type Gap = (f64, f64);

/// One bar as the search sees it.
#[derive(Clone, Debug)]
pub(crate) struct ScoreBar {
    /// Where it begins, in quarters.
    pub(crate) at: f64,
    /// First stroke and one past the last.
    pub(crate) strokes: std::ops::Range<usize>,
    /// Index into the timeline's passes.
    pub(crate) pass: usize,
    /// First or last bar of its pass.
    pub(crate) opens_pass: bool,
    pub(crate) closes_pass: bool,
    /// First or last bar of a pass or of one time through a repeat sign.
    pub(crate) opens_unit: bool,
    pub(crate) closes_unit: bool,
}

/// A place to which a player may jump.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Target {
    pub(crate) bar: usize,
    pub(crate) stroke: usize,
    /// Cost of strokes of that bar left out before it.
    pub(crate) cost: f64,
}

/// Places to which a player may jump that stand alike in their bars.
#[derive(Clone, Debug)]
pub(crate) struct Targets {
    /// From the bar line, in quarters.
    pub(crate) offset: f64,
    /// First strokes of bars, then second ones, each in order of the bars.
    lists: [Vec<Target>; 2],
}

/// The written part, ready for the search.
#[derive(Clone, Debug)]
pub(crate) struct Score {
    /// Time of each stroke in quarters from beat 1 of bar 1.
    pub(crate) at: Vec<f64>,
    /// Surface of each stroke as an index.
    pub(crate) surface: Vec<usize>,
    /// Both hands at once.
    pub(crate) both: Vec<bool>,
    /// Bar of each stroke.
    pub(crate) bar: Vec<usize>,
    /// First stroke of its bar, of its pass.
    pub(crate) opens_bar: Vec<bool>,
    pub(crate) opens_pass: Vec<bool>,
    /// Strokes that follow in the same bar.
    pub(crate) left: Vec<usize>,
    /// Length of the written rest between the stroke before and this one, in quarters; 0 without one.
    pub(crate) rest_before: Vec<f64>,
    /// The written rest between this stroke and the next, relative to this one.
    pub(crate) rest_after: Vec<Option<Gap>>,
    /// The strokes at which one may begin, in order, and what that costs.
    pub(crate) begins: Vec<(usize, f64)>,
    /// Cost of ending after each stroke.
    pub(crate) end: Vec<f64>,
    pub(crate) bars: Vec<ScoreBar>,
    /// Targets of jumps by the distance of the stroke from its bar line.
    pub(crate) targets: Vec<Targets>,
    /// Length of a bar and of the beats in which one counts in, in quarters.
    pub(crate) bar_length: f64,
    pub(crate) count_units: Vec<f64>,
}

impl Score {
    pub(crate) fn new(timeline: &Timeline) -> Score {
        let bar_length = timeline.meter.bar().quarters();
        let strokes = &timeline.strokes;
        let at: Vec<f64> = strokes.iter().map(|s| s.at.quarters()).collect();
        let bar: Vec<usize> = strokes.iter().map(|s| s.bar).collect();
        let n = strokes.len();
        let bars: Vec<ScoreBar> = (0..timeline.bars.len()).map(|m| score_bar(timeline, m)).collect();
        let opens_bar: Vec<bool> = (0..n).map(|j| j == 0 || bar[j] != bar[j - 1]).collect();
        let pass_of = |j: usize| timeline.bars.get(bar[j]).map(|b| b.pass);
        let opens_pass: Vec<bool> = (0..n).map(|j| j == 0 || pass_of(j) != pass_of(j - 1)).collect();
        let mut left = vec![0; n];
        for j in (0..n.saturating_sub(1)).rev() {
            left[j] = if bar[j + 1] == bar[j] { left[j + 1] + 1 } else { 0 };
        }
        let (mut rest_before, mut rest_after) = (vec![0.0; n], vec![None; n]);
        for rest in &timeline.rests {
            let (from, to) = (rest.from.quarters(), rest.to.quarters());
            let j = at.partition_point(|&x| x < from + 1e-9);
            if j < n {
                rest_before[j] += to - from;
            }
            if let Some(before) = j.checked_sub(1) {
                let (a, b) = (from - at[before], to - at[before]);
                rest_after[before] = Some(rest_after[before].map_or((a, b), |(first, _): Gap| (first, b)));
            }
        }
        let beat = timeline.meter.beat().quarters();
        let count_units = if timeline.meter.unit == 8 && timeline.meter.beats.is_multiple_of(3) {
            vec![3.0 * beat, beat]
        } else {
            vec![beat]
        };
        let mut score = Score {
            surface: strokes.iter().map(|s| s.surface.index()).collect(),
            both: strokes.iter().map(|s| s.hands == Hands::Both).collect(),
            begins: Vec::new(),
            end: vec![0.0; n],
            targets: Vec::new(),
            at,
            bar,
            opens_bar,
            opens_pass,
            left,
            rest_before,
            rest_after,
            bars,
            bar_length,
            count_units,
        };
        score.begins =
            (0..n).map(|j| (j, score.begin_cost(timeline, j))).filter(|(_, cost)| cost.is_finite()).collect();
        score.end = (0..n).map(|j| score.end_cost(j)).collect();
        score.targets = score.jump_targets();
        score
    }

    /// Number of strokes.
    pub(crate) fn len(&self) -> usize {
        self.at.len()
    }

    /// Going on at bar `to` after the end of bar `from` without losing the beat. Infinite where that is no jump.
    pub(crate) fn jump(&self, from: usize, to: usize) -> f64 {
        self.leap(from, to).map_or(f64::INFINITY, |leap| in_tempo_cost(&leap))
    }

    /// The same after a pause in bar `from`.
    pub(crate) fn jump_paused(&self, from: usize, to: usize) -> f64 {
        self.leap(from, to).map_or(f64::INFINITY, |leap| paused_cost(&leap))
    }

    /// Going on at bar `to` after the place was lost in bar `from`.
    pub(crate) fn found_at(&self, from: usize, to: usize) -> f64 {
        let (Some(a), Some(b)) = (self.bars.get(from), self.bars.get(to)) else { return f64::INFINITY };
        if (from..=from + costs::FOUND_NEAR_BARS).contains(&to) {
            costs::FOUND_NEAR
        } else if b.opens_pass && (a.pass == b.pass || to == 0) {
            costs::FOUND_SECTION
        } else if b.opens_pass || a.pass == b.pass {
            costs::FOUND_OTHER
        } else {
            costs::FOUND_ANYWHERE
        }
    }

    fn leap(&self, from_idx: usize, to_idx: usize) -> Option<Leap<'_>> {
        let (from, to) = (self.bars.get(from_idx)?, self.bars.get(to_idx)?);
        (to_idx != from_idx + 1).then_some(Leap { from, to, from_idx, to_idx })
    }

    /// Strokes of a bar; none past the end.
    pub(crate) fn strokes_in(&self, bar: usize) -> usize {
        self.bars.get(bar).map_or(0, |b| b.strokes.len())
    }

    fn begin_cost(&self, timeline: &Timeline, j: usize) -> f64 {
        let Some(bar) = self.bars.get(self.bar[j]) else { return f64::INFINITY };
        let section = |pass: usize| timeline.passes.get(pass).map(|p| &p.section);
        if j == 0 {
            0.0
        } else if self.opens_pass[j] && bar.opens_pass {
            if section(bar.pass) == section(0) { costs::BEGIN_LATER_PASS } else { costs::BEGIN_SECTION }
        } else if self.opens_bar[j] {
            costs::BEGIN_BAR
        } else if j <= 2 {
            costs::misses(costs::MISS, j)
        } else if self.opens_pass[j - 1] {
            costs::BEGIN_SECTION + costs::MISS
        } else {
            f64::INFINITY
        }
    }

    fn end_cost(&self, j: usize) -> f64 {
        let left = self.len() - 1 - j;
        if left == 0 {
            return 0.0;
        }
        let place = if self.left[j] > 0 {
            costs::END_INSIDE
        } else if self.opens_pass[j + 1] {
            costs::END_SECTION
        } else {
            costs::END_BAR
        };
        place.min(costs::misses(costs::MISS, left))
    }

    fn jump_targets(&self) -> Vec<Targets> {
        let mut targets: Vec<Targets> = Vec::new();
        let mut add = |which: usize, target: Target| {
            let offset = self.at[target.stroke] - self.bars[target.bar].at;
            let known = targets.iter().position(|alike| (alike.offset - offset).abs() < 1e-9);
            let k = known.unwrap_or_else(|| {
                targets.push(Targets { offset, lists: [Vec::new(), Vec::new()] });
                targets.len() - 1
            });
            targets[k].lists[which].push(target);
        };
        for (bar, this) in self.bars.iter().enumerate().filter(|(_, bar)| !bar.strokes.is_empty()) {
            add(0, Target { bar, stroke: this.strokes.start, cost: 0.0 });
        }
        for (bar, this) in self.bars.iter().enumerate().filter(|(_, bar)| bar.opens_unit && bar.strokes.len() > 1) {
            add(1, Target { bar, stroke: this.strokes.start + 1, cost: costs::MISS });
        }
        targets
    }

    /// Of places that stand alike those to which a jump of this kind from bar `from` may cost less than `most`, and some
    /// more, always in the same order. In a long form most of them are too far away to be looked at.
    pub(crate) fn within<'a>(
        &'a self,
        targets: &'a Targets,
        kind: Jump,
        from: usize,
        most: f64,
    ) -> impl Iterator<Item = &'a Target> {
        let reach = kind.passes_within(most);
        let pass = self.bars.get(from).map_or(0, |bar| bar.pass);
        targets.lists.iter().flat_map(move |list| {
            let Some(reach) = reach else { return list[..0].iter().chain(&list[..]) };
            let place = |pass: usize| list.partition_point(|target| self.bars[target.bar].pass < pass);
            let (a, b) = (place(pass.saturating_sub(reach)), place(pass.saturating_add(reach).saturating_add(1)));
            // The very beginning is near from everywhere.
            let first = usize::from(a > 0 && list.first().is_some_and(|target| target.bar == 0));
            list[..first].iter().chain(&list[a..b])
        })
    }
}

fn score_bar(timeline: &Timeline, m: usize) -> ScoreBar {
    let bar = &timeline.bars[m];
    let unit = |x: usize| timeline.bars.get(x).map(|b| (b.pass, b.repeat));
    let pass = |x: usize| timeline.bars.get(x).map(|b| b.pass);
    let before = m.checked_sub(1);
    ScoreBar {
        at: bar.at.quarters(),
        strokes: bar.strokes.clone(),
        pass: bar.pass,
        opens_pass: before.and_then(pass) != Some(bar.pass),
        closes_pass: pass(m + 1) != Some(bar.pass),
        opens_unit: before.and_then(unit) != unit(m),
        closes_unit: unit(m + 1) != unit(m),
    }
}

/// What is known of a possible jump.
struct Leap<'a> {
    from: &'a ScoreBar,
    to: &'a ScoreBar,
    from_idx: usize,
    to_idx: usize,
}

/// How one goes on elsewhere.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Jump {
    InTempo,
    AfterPause,
    AfterLoss,
}

impl Jump {
    /// Passes on either side within which every jump lies that costs less than this; `None`: it may lie anywhere.
    fn passes_within(self, most: f64) -> Option<usize> {
        // From here on a place may be anywhere; below it the cost grows with each pass by at least so much, from so much on.
        let (anywhere, from, a_pass) = match self {
            Jump::InTempo => (costs::JUMP_UNITS_ELSEWHERE, costs::JUMP_UNIT, costs::JUMP_BACK_A_PASS),
            Jump::AfterPause => (costs::RESTART_ANYWHERE, costs::RESTART_EARLIER, costs::RESTART_A_PASS),
            // Some bars on, or the same pass: a pass is a bar at least.
            Jump::AfterLoss => return (most <= costs::FOUND_OTHER).then_some(costs::FOUND_NEAR_BARS),
        };
        // The first pass away, and for a pass left out the second, cost nothing more.
        (most <= anywhere).then(|| ((most - from).max(0.0) / a_pass) as usize + 3)
    }
}

/// Without losing the beat: miscounted repeats and forgotten sections, from one unit's end to another's start, are by
/// far the commonest; a bar played twice or left out comes next.
fn in_tempo_cost(leap: &Leap) -> f64 {
    let (from, to) = (leap.from, leap.to);
    let (same, back) = (from.pass == to.pass, leap.to_idx <= leap.from_idx);
    let far = to.pass.abs_diff(from.pass) as f64;
    if same && from.closes_unit && to.opens_unit {
        costs::JUMP_UNIT
    } else if from.closes_pass && to.opens_pass {
        let further = if back { costs::JUMP_BACK_A_PASS * (far - 1.0) } else { costs::JUMP_ON_A_PASS * (far - 2.0) };
        costs::JUMP_UNIT + further.max(0.0)
    } else if to.opens_pass && (same || !back) {
        costs::JUMP_OUT_OF_SECTION + costs::JUMP_BACK_A_PASS * (far - 1.0).max(0.0)
    } else if leap.to_idx == leap.from_idx || leap.to_idx == leap.from_idx + 2 {
        costs::JUMP_ONE_BAR
    } else if same {
        costs::JUMP_IN_SECTION
    } else if from.closes_unit && to.opens_unit {
        costs::JUMP_UNITS_ELSEWHERE
    } else {
        costs::JUMP_ANYWHERE
    }
}

/// After a pause one goes back: to the start of the section or the piece, a repeat, the bar that went wrong.
fn paused_cost(leap: &Leap) -> f64 {
    let (from, to) = (leap.from, leap.to);
    let (same, back) = (from.pass == to.pass, leap.to_idx <= leap.from_idx);
    let far = to.pass.abs_diff(from.pass) as f64;
    if to.opens_pass && (same || leap.to_idx == 0) {
        costs::RESTART_SECTION
    } else if back && leap.from_idx - leap.to_idx <= 1 {
        costs::RESTART_BAR
    } else if to.opens_pass {
        (if back { costs::RESTART_EARLIER } else { costs::RESTART_LATER }) + costs::RESTART_A_PASS * far
    } else if same && to.opens_unit {
        costs::RESTART_UNIT
    } else if same {
        costs::RESTART_IN_SECTION
    } else {
        costs::RESTART_ANYWHERE
    }
}
