//! Of a part that was assigned in several forms or versions: for which of the assignments a take is.
//!
//! What was played decides where it can: a take contradicts a form by strikes of a pass that is not in it and by strokes
//! left out before the last one played. A take that merely stops early contradicts nothing. Where what was played fits
//! several, it is for the newest that was given when it was made; where that is not known, or none is the newer, the teacher is
//! asked. Where the part was assigned once, it is for that, also when it was made before.

use super::Assigned;
use crate::assess::{Assessment, Kind, Status};

/// Assignments of one part that fit a take differ by no more strokes than this: a slip or two in a pass.
const SAME_BY: usize = 4;

/// Whether two assignments ask for the same: then the newest counts.
fn same_form(a: &Assigned, b: &Assigned) -> bool {
    a.sha256 == b.sha256 && a.form == b.form
}

fn given_by(a: &Assigned, taken_s: Option<i64>) -> bool {
    taken_s.is_none_or(|t| a.given_s <= t)
}

/// Of each part the newest assignment that was given when the take was made, or the newest where none was. `all`: the newest
/// first.
pub(super) fn newest_of_each<'a>(all: &[&'a Assigned], taken_s: Option<i64>) -> Vec<&'a Assigned> {
    let mut out: Vec<&Assigned> = Vec::new();
    for a in all {
        match out.iter_mut().find(|o| o.title == a.title) {
            None => out.push(a),
            Some(old) if !given_by(old, taken_s) && given_by(a, taken_s) => *old = a,
            Some(_) => {}
        }
    }
    out
}

/// The other forms in which the part was assigned, of each the newest that was given when the take was made.
pub(super) fn rivals<'a>(all: &[&'a Assigned], first: &Assigned, taken_s: Option<i64>) -> Vec<&'a Assigned> {
    let mut out: Vec<&Assigned> = Vec::new();
    for a in all.iter().filter(|a| a.title == first.title && a.id != first.id && !same_form(a, first)) {
        match out.iter_mut().find(|o| same_form(o, a)) {
            None => out.push(a),
            Some(old) if !given_by(old, taken_s) && given_by(a, taken_s) => *old = a,
            Some(_) => {}
        }
    }
    out
}

/// By how many strokes a take contradicts what was asked for.
fn against(take: &Assessment) -> usize {
    let played = |s: &Status| matches!(s, Status::Played | Status::WrongSurface);
    let statuses: Vec<Status> = take.strokes.iter().map(|s| s.status).collect();
    let last = statuses.iter().rposition(played).map_or(0, |k| k + 1);
    let left_out = statuses.iter().take(last).filter(|s| matches!(s, Status::Missed | Status::NotReached)).count();
    let first_time = statuses.iter().filter(|s| played(s)).count();
    let heard = take.strikes.iter().filter(|s| s.counts()).count();
    let repeated = take.findings.iter().any(|f| matches!(f.kind(), Kind::RepeatExtra | Kind::Restarted));
    left_out + if repeated || heard > first_time { heard.saturating_sub(first_time) } else { 0 }
}

/// The assignment a take is for, with its assessment; or in words why it cannot be told. `tried`: the one that was chosen
/// by the date first.
///
/// # Errors
/// Where neither what was played nor when it was made decides.
pub(super) fn choose(
    mut tried: Vec<(&Assigned, Assessment)>,
    taken_s: Option<i64>,
) -> Result<(&Assigned, Assessment), String> {
    let against: Vec<usize> = tried.iter().map(|(_, take)| against(take)).collect();
    let least = against.iter().copied().min().unwrap_or(0);
    let fits: Vec<usize> = (0..tried.len()).filter(|k| against[*k] <= least + SAME_BY).collect();
    let by_then: Vec<usize> = fits.iter().copied().filter(|k| given_by(tried[*k].0, taken_s)).collect();
    // Given at one moment, none is the newer.
    let newest = |of: &[usize]| {
        let last = of.iter().map(|k| tried[*k].0.given_s).max()?;
        let mut of_last = of.iter().copied().filter(|k| tried[*k].0.given_s == last);
        of_last.next().filter(|_| of_last.next().is_none())
    };
    let chosen = match (&fits[..], taken_s) {
        // Of a single one nothing is to be chosen: it was entered late.
        ([one], _) if tried.len() == 1 || by_then.len() == 1 || taken_s.is_none() => Some(*one),
        (_, Some(_)) => newest(&by_then),
        _ => None,
    };
    match chosen {
        Some(k) => Ok(tried.swap_remove(k)),
        None => {
            let forms: Vec<String> = fits.iter().map(|k| format!("`{}`", tried[*k].0.form)).collect();
            let title = tried.first().map_or("", |t| t.0.title.as_str());
            Err(format!("it may be for `{title}` as {}", forms.join(" or as ")))
        }
    }
}
