//! All findings of a take -> those to be told, in the order in which a teacher would mend: what another one explains is left
//! out, equal ones stand together.

use super::finding::{Dynamics, Finding, What};
use super::suspicion::{Rank, rank, weight};
use crate::part::Timeline;

/// A tempo this near to the one asked for is that tempo at one end of a drift: twice the just noticeable change (3.5 %).
const THAT_TEMPO: f64 = 0.07;
/// A finding less likely than this comes after the others: the "likely" of the guidance that the words of doubt follow (see
/// `report`).
const LIKELY: f64 = 0.66;

/// Leaves out what is explained and puts the rest in order.
pub(super) fn settle(timeline: &Timeline, mut findings: Vec<Finding>) -> Vec<Finding> {
    let explained: Vec<bool> = (findings.iter().enumerate())
        .map(|(i, b)| findings.iter().enumerate().any(|(k, a)| k != i && explains(timeline, a, b)))
        .collect();
    let mut gone = explained.iter();
    findings.retain(|_| gone.next() != Some(&true));
    let mut groups: Vec<Vec<Finding>> = Vec::new();
    for finding in findings {
        match groups.iter_mut().find(|g| g.iter().any(|f| same_fault(&f.what, &finding.what))) {
            Some(group) => group.push(finding),
            None => groups.push(vec![finding]),
        }
    }
    // A fault made often weighs more, though not as much more as it was made.
    let heavy = |group: &[Finding]| group.iter().map(weight).fold(0.0, f64::max) * (group.len() as f64).sqrt();
    let likely = |group: &[Finding]| group.iter().any(|f| f.confidence >= LIKELY);
    let order = |group: &[Finding]| group.iter().map(|f| rank(&f.what)).min().unwrap_or(Rank::Dynamics);
    for group in &mut groups {
        let when = |f: &Finding| f.at.map_or(f64::INFINITY, |at| at.get());
        group.sort_by(|a, b| when(a).total_cmp(&when(b)));
    }
    groups
        .sort_by(|a, b| (likely(b).cmp(&likely(a))).then(order(a).cmp(&order(b))).then(heavy(b).total_cmp(&heavy(a))));
    groups.into_iter().flatten().collect()
}

/// Findings that are one statement: index ranges of neighbours.
pub(super) fn statements(findings: &[Finding]) -> Vec<std::ops::Range<usize>> {
    let mut out: Vec<std::ops::Range<usize>> = Vec::new();
    for (i, finding) in findings.iter().enumerate() {
        match out.last_mut().filter(|s| findings.get(s.start).is_some_and(|f| same_fault(&f.what, &finding.what))) {
            Some(last) => last.end = i + 1,
            None => out.push(i..i + 1),
        }
    }
    out
}

/// Whether two are the same fault at two places.
fn same_fault(a: &What, b: &What) -> bool {
    match (a, b) {
        (What::WrongSurface { written, heard, .. }, What::WrongSurface { written: w, heard: h, .. }) => {
            (written, heard) == (w, h)
        }
        (What::StrokesMissing { common, .. }, What::StrokesMissing { common: other, .. }) => common == other,
        (What::LevelFlat { dynamic, .. }, What::LevelFlat { dynamic: other, .. }) => {
            matches!(
                (dynamic, other),
                (Dynamics::Swell { .. }, Dynamics::Swell { .. }) | (Dynamics::Fade { .. }, Dynamics::Fade { .. })
            )
        }
        // Each is a matter of its own, or there is never more than one.
        (
            What::RepeatExtra { .. }
            | What::RepeatMissing { .. }
            | What::StartedLate { .. }
            | What::Rushing(_)
            | What::Dragging(_)
            | What::UnevenHands(_)
            | What::NotTogether { .. }
            | What::TempoApart { .. },
            _,
        ) => false,
        (
            What::RestNotKept { .. }
            | What::EarlyReEntry { .. }
            | What::LateReEntry { .. }
            | What::JoinGap { .. }
            | What::JoinRushed { .. }
            | What::SectionSkipped { .. }
            | What::Restarted { .. }
            | What::Paused { .. }
            | What::Lost { .. }
            | What::WrongSurface { .. }
            | What::StrokesMissing { .. }
            | What::LevelFlat { .. },
            _,
        ) => a.kind() == b.kind(),
    }
}

/// Whether `b` is only what `a` sounds like.
fn explains(timeline: &Timeline, a: &Finding, b: &Finding) -> bool {
    let bar_s = timeline.meter.bar().to_seconds(timeline.bpm).get();
    let apart = a.at.zip(b.at).map(|(a, b)| (b - a).get());
    let entry = matches!(rank(&b.what), Rank::Entries) && !matches!(b.what, What::RestNotKept { .. });
    match a.what {
        // Who goes back plays bars again and comes in at no time in particular.
        What::Restarted { .. } => {
            let here = apart.is_some_and(|s| s.abs() < bar_s);
            here && (entry || matches!(b.what, What::RepeatExtra { .. }))
        }
        // Who has lost the place leaves strokes out and comes in somewhere.
        What::Lost { time, .. } => {
            let during = apart.is_some_and(|s| s > -bar_s && s < time.get() + bar_s);
            during && (entry || matches!(b.what, What::StrokesMissing { .. } | What::WrongSurface { .. }))
        }
        // A tempo that moves is another than the one asked for at one end.
        What::Rushing(course) | What::Dragging(course) => match b.what {
            What::TempoApart { asked, .. } => {
                let that = |bpm: crate::units::Bpm| (bpm.get() / asked.get()).ln().abs() < THAT_TEMPO;
                that(course.from) || that(course.to)
            }
            _ => false,
        },
        _ => false,
    }
}
