//! Strikes that fit nowhere, many in a row: the place was lost.

use super::{Take, count, logistic};
use crate::align::Step;
use crate::assess::{Finding, Kind, Unit};

/// Adds the finding, and takes back those about the stop in which the place was lost: one event is told once.
pub(super) fn judge(take: &Take, findings: &mut Vec<Finding>) {
    /// A matched strike outweighs this many that fit nowhere.
    const MATCHED: f64 = 1.5;
    /// At least this many more that fit nowhere, over at least this long.
    const LEAST: f64 = 6.0;
    const LEAST_S: f64 = 2.0;
    let (Some(first), Some(last)) = (
        take.runs.first().and_then(|r| r.strikes.first()).copied(),
        take.runs.last().and_then(|r| r.strikes.last()).copied(),
    ) else {
        return;
    };
    let (mut sum, mut from, mut best) = (0.0, first, (0.0, first, first));
    for i in first..=last {
        match take.placed[i].step {
            Step::Extra => sum += take.strikes[i].certainty.clamp(0.0, 1.0),
            step if step.is_match() => sum -= MATCHED,
            _ => {}
        }
        if sum <= 0.0 {
            (sum, from) = (0.0, i + 1);
        } else if sum > best.0 {
            best = (sum, from, i);
        }
    }
    let (score, from, to) = best;
    if score < LEAST || take.time(to) - take.time(from) < LEAST_S {
        return;
    }
    let Some(before) = (0..from).rev().find(|&i| take.placed[i].step.is_match()) else { return };
    let mut finding = take.finding(Kind::Lost, take.bar(before), Some(take.time(from)));
    finding.size = take.time(to) - take.time(from);
    finding.unit = Unit::Seconds;
    finding.confidence = logistic((score - 4.0) / 1.5);
    finding.evidence = format!("{} in a row fit nowhere", count(to + 1 - from, "strike"));
    finding.text = format!("Lost the place after {}.", take.place(take.bar(before)));
    let (begins, ends) = (take.time(from), take.time(to));
    let after = (to..take.placed.len()).find(|&i| take.placed[i].step.is_match()).map_or(ends, |i| take.time(i));
    let same = |f: &Finding| {
        let stop = matches!(f.kind, Kind::Paused | Kind::JoinGap | Kind::LateReEntry);
        f.at.is_some_and(|at| at.get() >= begins && (at.get() < ends || stop && at.get() <= after + 1e-9))
    };
    findings.retain(|f| !same(f));
    findings.push(finding);
}
