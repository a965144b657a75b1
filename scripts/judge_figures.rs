//! Figures of the whole judge on the simulated class: false findings, drift, wrong surfaces, missed strokes.
//!
//! `cargo run --release --example judge_figures [-- shown|kept [FIRST_SEED [SEEDS]] [-v]]`

#[path = "../tests/common/mod.rs"]
mod common;

use common::figures::{Scene, take};
use common::parts::{KEPT, SHOWN, timelines};
use pailbeat::align::{AlignConfig, trace};
use pailbeat::assess::{Hearing, Kind, Limit, Status, What, assess, say};
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
                    let strikes = &take.heard.strikes;
                    let end = strikes.last().map_or(0.0, |s| s.at.get()) + 1.0;
                    let trace = trace(timeline, strikes, &AlignConfig::default());
                    let verdict = assess(timeline, strikes, &[], &trace, &Hearing::clear(Seconds::of(end)));
                    n += 1;
                    // What this ear lost without a trace is not there for any judge.
                    let lost_by_the_ear = |what: &What| match what {
                        What::StrokesMissing { strokes, .. } => {
                            strokes.iter().all(|j| !take.heard.truth.contains(&Some(*j)))
                        }
                        _ => false,
                    };
                    quiet += usize::from(verdict.findings.iter().all(|f| lost_by_the_ear(&f.what)));
                    refused += usize::from(verdict.clock.is_none());
                    for (j, stroke) in verdict.strokes.iter().enumerate() {
                        let missed = stroke.status == Status::Missed;
                        called += usize::from(missed);
                        wrongly += usize::from(missed && take.heard.truth.contains(&Some(j)));
                    }
                    for finding in
                        verdict.findings.iter().filter(|f| OTHERS.contains(&f.kind()) && !lost_by_the_ear(&f.what))
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
            let end = take.heard.strikes.last().map_or(0.0, |s| s.at.get()) + 1.0;
            let trace = trace(written, &take.heard.strikes, &AlignConfig::default());
            let verdict = assess(written, &take.heard.strikes, &[], &trace, &Hearing::clear(Seconds::of(end)));
            n += 1;
            refused += usize::from(verdict.clock.is_none());
            doubted += usize::from(verdict.limits.contains(&Limit::PerhapsAnotherPart));
        }
    }
    writeln!(out, "takes of another part: {refused} of {n} refused, {doubted} doubted")
}
