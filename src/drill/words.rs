//! Verdicts in words: short, in the order of what matters, nothing that ranks a child.

use std::fmt::Write as _;

use super::{Answered, Difference, Drill, Results, VerdictKind};
use crate::english::nth;
use crate::part::Surface;

/// More sounds than this that may be the room's are counted, not listed.
const FEW: usize = 2;

fn place(surface: Surface) -> &'static str {
    match surface {
        Surface::Centre => "the centre",
        Surface::Rim => "the rim",
        Surface::Click => "the sticks",
        Surface::Pat => "a pat",
        Surface::Clap => "a clap",
    }
}

fn difference(answer: &Answered, what: &Difference) -> String {
    let nth = |i: usize| nth(u32::try_from(i + 1).unwrap_or(u32::MAX));
    match what {
        Difference::TooMany(Some(i)) => format!("one stroke too many after the {}", nth(*i)),
        Difference::TooMany(None) => "one stroke too many before the first".into(),
        Difference::Missing(i) => format!("the {} stroke was not heard", nth(*i)),
        Difference::OffTime(i, late) if late.millis() > 0.0 => {
            format!("the {} came {:.0} ms late", nth(*i), late.millis())
        }
        Difference::OffTime(i, late) => format!("the {} came {:.0} ms early", nth(*i), -late.millis()),
        Difference::OtherSurface(i, heard) => {
            let written = answer.round.call.strokes.get(*i).map_or("", |s| place(s.surface));
            format!("the {} on {} instead of {written}", nth(*i), place(*heard))
        }
        Difference::Began(late) if late.millis() > 0.0 => format!("it began {:.1} s late", late.millis() / 1e3),
        Difference::Began(late) => format!("it began {:.1} s early", -late.millis() / 1e3),
    }
}

/// A verdict in one line.
pub fn verdict(answer: &Answered) -> String {
    let verdict = &answer.verdict;
    let list = |d: &[Difference]| d.iter().map(|d| difference(answer, d)).collect::<Vec<_>>().join("; ");
    let mut out = match verdict.kind {
        VerdictKind::Right => "echoed right".to_string(),
        VerdictKind::Nearly => format!("nearly: {}", list(&verdict.differences)),
        VerdictKind::Different => match &answer.instead {
            Some(name) => format!("another pattern was played: it sounded like `{name}`"),
            None => "another pattern was played".to_string(),
        },
        VerdictKind::Silent => "no answer was heard".to_string(),
        VerdictKind::HushKept => "hush kept".to_string(),
        VerdictKind::HushAnswered => "this was the hush pattern, and it was answered".to_string(),
        VerdictKind::Early => "came in before the call ended".to_string(),
        VerdictKind::NotHeard => "not judged: the recording has lost sound here".to_string(),
    };
    // A room full of sounds is said once.
    let beside = |d: &Difference| matches!(d, Difference::TooMany(_));
    let others = verdict.benefit.iter().filter(|d| beside(d)).count();
    let benefit: Vec<Difference> = verdict.benefit.iter().filter(|d| others <= FEW || !beside(d)).copied().collect();
    let mut unsure = list(&benefit);
    if others > FEW {
        let joint = if unsure.is_empty() { "" } else { "; " };
        let _ = write!(unsure, "{joint}{others} other sounds");
    }
    let compared = matches!(verdict.kind, VerdictKind::Right | VerdictKind::Nearly);
    if compared && !unsure.is_empty() {
        let _ = write!(out, " (not sure, so not counted: {unsure})");
    } else if verdict.unsure_sounds {
        out.push_str(" (something sounded, but not surely the pupil's playing: not counted)");
    }
    out
}

/// What there is to do in a drill.
pub fn rule(drill: &Drill) -> String {
    let hush = drill.calls.get(drill.hush).map_or("", |call| call.name.as_str());
    format!("echo every call after the breath, but meet the hush pattern `{hush}` with silence")
}

/// A round's call: its name, and whether it was the hush pattern.
pub fn called(answer: &Answered) -> String {
    let name = &answer.round.call.name;
    match (answer.round.hush, answer.round.elsewhere) {
        (true, true) => format!("{name} (hush, elsewhere)"),
        (true, false) => format!("{name} (hush)"),
        _ => name.clone(),
    }
}

/// The verdict of each round in order, with a word where it is not counted.
pub fn verdicts(results: &Results) -> impl Iterator<Item = String> + '_ {
    let counted = results.answers.len().saturating_sub(results.tally.after_end);
    (results.answers.iter().enumerate()).map(move |(k, answer)| {
        let over = if k < counted { "" } else { " [after the end, not counted]" };
        format!("{}{over}", verdict(answer))
    })
}

/// The count in one line.
pub fn tally(results: &Results) -> String {
    let tally = &results.tally;
    format!("{} of {} rounds right; count {}", tally.right, tally.rounds, tally.points)
}

/// All of a drill for a terminal.
pub fn results(results: &Results, title: &str, pupil: Option<&str>) -> String {
    let mut out = String::new();
    let whose = pupil.map_or(String::new(), |p| format!(", {p}"));
    let _ = writeln!(out, "{title}{whose}\n");
    for (k, (answer, verdict)) in results.answers.iter().zip(verdicts(results)).enumerate() {
        let _ = writeln!(out, "{:3}  {:24}  {verdict}", k + 1, called(answer));
    }
    let _ = writeln!(out, "\n{}", tally(results));
    for limit in &results.limits {
        let _ = writeln!(out, "note: {limit}");
    }
    out
}
