//! Figures of the whole judge on the simulated class: false findings, drift, wrong surfaces, missed strokes.
//!
//! `cargo run --release --example judge_figures [-- shown|kept [FIRST_SEED [SEEDS]] [-v]]`

#[path = "../simulating/class/mod.rs"]
mod common;

use common::figures::{Scene, Take, of_age, take};
use common::parts::{KEPT, SHOWN, timelines};
use common::people::ADULT;
use pailbeat::align::{AlignConfig, trace};
use pailbeat::assess::{Assessment, Hearing, Kind, Limit, Praise, Status, What, assess, say};
use pailbeat::part::Timeline;
use pailbeat::units::Seconds;
use std::collections::BTreeMap;
use std::io::Write;

/// Kinds that are not of form.
const OTHERS: &[Kind] = &[
    Kind::WrongSurface,
    Kind::Rushing,
    Kind::Dragging,
    Kind::UnevenHands,
    Kind::NotTogether,
    Kind::LevelFlat,
    Kind::StrokesMissing,
    Kind::TempoApart,
];

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let verbose = arguments.iter().any(|a| a == "-v");
    let words: Vec<&String> = arguments.iter().filter(|a| !a.starts_with('-')).collect();
    let number = |k: usize, otherwise: u64| words.get(k).and_then(|a| a.parse().ok()).unwrap_or(otherwise);
    let parts = timelines(if words.first().is_some_and(|a| *a == "kept") { KEPT } else { SHOWN });
    let (first, seeds) = (number(1, 1), number(2, 3));
    let mut out = std::io::stdout();
    writeln!(
        out,
        "scene            takes  without finding  refused  strokes: missed though played, called  findings not of form"
    )?;
    for scenes in [Scene::CLEAN, Scene::OTHER, Scene::FAULTY, &[Scene::Several]] {
        for &scene in scenes {
            let (mut n, mut quiet, mut refused, mut wrongly, mut called) = (0, 0, 0, 0, 0);
            let mut kinds: BTreeMap<&str, usize> = BTreeMap::new();
            for timeline in &parts {
                for seed in first..first + seeds {
                    let Some(take) = take(timeline, scene, seed) else { continue };
                    let verdict = judged(timeline, &take);
                    n += 1;
                    // What was left out, or lost by this ear without a trace; a tempo that did move or was another one (a change
                    // that is just noticed).
                    let true_by_nature = |what: &What| match what {
                        What::StrokesMissing { strokes, .. } => {
                            strokes.iter().all(|j| !take.heard.truth.contains(&Some(*j)))
                        }
                        What::Rushing(_) => take.course.0 > 0.035,
                        What::Dragging(_) => take.course.1 > 0.035,
                        What::TempoApart { .. } => (take.manner.tempo - 1.0).abs() > 0.035,
                        _ => false,
                    };
                    quiet += usize::from(verdict.findings.iter().all(|f| true_by_nature(&f.what)));
                    refused += usize::from(verdict.clock.is_none());
                    for (j, stroke) in verdict.strokes.iter().enumerate() {
                        let missed = stroke.status == Status::Missed;
                        called += usize::from(missed);
                        wrongly += usize::from(missed && take.heard.truth.contains(&Some(j)));
                    }
                    for finding in
                        verdict.findings.iter().filter(|f| OTHERS.contains(&f.kind()) && !true_by_nature(&f.what))
                    {
                        *kinds.entry(finding.kind().word()).or_default() += 1;
                        if verbose {
                            writeln!(
                                out,
                                "  {} seed {seed}: {} {:.2} {} | {}",
                                timeline.title,
                                finding.kind().word(),
                                finding.confidence,
                                say::finding(&verdict, finding),
                                say::evidence(&finding.evidence)
                            )?;
                        }
                    }
                }
            }
            let kinds: Vec<String> = kinds.iter().map(|(k, n)| format!("{k} {n}")).collect();
            writeln!(
                out,
                "{:<16} {n:>5}  {quiet:>5}  {refused:>5}  {wrongly:>5} {called:>5}  {}",
                format!("{scene:?}"),
                kinds.join(", ")
            )?;
        }
    }
    // Flawless takes of every other part.
    let (mut n, mut refused, mut doubted) = (0, 0, 0);
    for (i, written) in parts.iter().enumerate() {
        for (j, played) in parts.iter().enumerate().filter(|(j, _)| *j != i) {
            let Some(take) = take(played, Scene::Clean, first + (i * parts.len() + j) as u64) else { continue };
            let verdict = judged(written, &take);
            n += 1;
            refused += usize::from(verdict.clock.is_none());
            doubted += usize::from(verdict.limits.contains(&Limit::PerhapsAnotherPart));
        }
    }
    writeln!(out, "takes of another part: {refused} of {n} refused, {doubted} doubted")?;
    by_age(&parts, first, seeds, &mut out)
}

fn judged(timeline: &Timeline, take: &Take) -> Assessment {
    let strikes = &take.heard.strikes;
    let end = strikes.last().map_or(0.0, |s| s.at.get()) + 1.0;
    let trace = trace(timeline, strikes, &AlignConfig::default());
    assess(timeline, strikes, &[], &trace, &Hearing::clear(Seconds::of(end)))
}

/// What is praised of people of each age: a tempo that plainly moved as steady, a take with a slip as complete; and how many who
/// held their tempo are told so.
fn by_age(parts: &[Timeline], first: u64, seeds: u64, out: &mut impl Write) -> std::io::Result<()> {
    let plain = 1.15f64.ln();
    writeln!(
        out,
        "age    moved 15 % and more: takes, told, called steady  held: takes, called steady  slipped: takes, called complete"
    )?;
    for age in [5, 6, 7, 8, 10, 12, ADULT] {
        let (mut moved, mut told, mut praised) = (0, 0, 0);
        let (mut held, mut steady, mut slipped, mut complete) = (0, 0, 0, 0);
        let is_steady = |a: &Assessment| matches!(a.advice.praise, Praise::AllInPlace | Praise::Steady { .. });
        for (k, timeline) in parts.iter().enumerate() {
            for seed in 4 * first..4 * (first + seeds) {
                let seed = seed ^ (k as u64) << 20;
                let rise = (0.16 + 0.03 * (seed % 7) as f64) * if seed.is_multiple_of(2) { 1.0 } else { -0.8 };
                let take = of_age(timeline, age, rise, false, seed);
                if take.course.0.max(take.course.1) >= plain {
                    let verdict = judged(timeline, &take);
                    moved += 1;
                    told += usize::from(
                        verdict.findings.iter().any(|f| matches!(f.what, What::Rushing(_) | What::Dragging(_))),
                    );
                    praised += usize::from(is_steady(&verdict));
                }
                let take = of_age(timeline, age, 0.0, false, seed ^ 1 << 40);
                // Twice what is just noticed.
                if take.course.0.max(take.course.1) < 0.07 && take.course != (0.0, 0.0) {
                    held += 1;
                    steady += usize::from(is_steady(&judged(timeline, &take)));
                }
                let take = of_age(timeline, age, 0.0, true, seed ^ 1 << 41);
                slipped += 1;
                complete += usize::from(matches!(
                    judged(timeline, &take).advice.praise,
                    Praise::AllInPlace | Praise::EveryStroke | Praise::Whole | Praise::Steady { throughout: true }
                ));
            }
        }
        writeln!(
            out,
            "{age:<6} {moved:>26} {told:>6} {praised:>15} {held:>13} {steady:>15} {slipped:>15} {complete:>17}"
        )?;
    }
    Ok(())
}
