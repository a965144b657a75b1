//! Figures of the aligner and the judge of form on the simulated class.
//!
//! `cargo run --release --example class_figures [-- shown|kept [FIRST_SEED [SEEDS [SCENE]]] [-v | -vv]]`

#[path = "../simulating/class/mod.rs"]
mod common;

use common::figures::{Scene, Sum, margins, play};
use common::parts::{KEPT, SHOWN, timelines};
use std::io::Write;

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let every_strike = arguments.iter().any(|a| a == "-vv");
    let verbose = every_strike || arguments.iter().any(|a| a == "-v");
    let words: Vec<&String> = arguments.iter().filter(|a| !a.starts_with('-')).collect();
    let number = |k: usize, otherwise: u64| words.get(k).and_then(|a| a.parse().ok()).unwrap_or(otherwise);
    let kept = words.first().is_some_and(|a| *a == "kept");
    let parts = timelines(if kept { KEPT } else { SHOWN });
    let (first, seeds) = (number(1, 1), number(2, 3));
    let only = words.get(3).map(|w| w.to_lowercase());
    let mut out = std::io::stdout();
    writeln!(out, "{} parts, seeds {first} to {}", parts.len(), first + seeds - 1)?;
    writeln!(out, "scene            takes strict tied    found     near  false a take")?;
    let started = std::time::Instant::now();
    let mut groups =
        [("clean", Sum::default()), ("other", Sum::default()), ("faulty", Sum::default()), ("several", Sum::default())];
    let mut all = Sum::default();
    for (group, scenes) in [(0, Scene::CLEAN), (1, Scene::OTHER), (2, Scene::FAULTY), (3, &[Scene::Several][..])] {
        for &scene in scenes {
            let name = format!("{scene:?}");
            if only.as_ref().is_some_and(|o| *o != name.to_lowercase()) {
                continue;
            }
            let n = if scene == Scene::Several { 3 * seeds } else { seeds };
            let mut lines = Vec::new();
            let sum = play(&parts, scene, first..first + n, every_strike, |line| lines.push(line.to_owned()));
            writeln!(out, "{}", sum.line(&name))?;
            if verbose {
                for line in lines {
                    writeln!(out, "  {line}")?;
                }
            }
            groups[group].1.merge(&sum);
            all.merge(&sum);
        }
    }
    for (name, sum) in &groups {
        writeln!(out, "{}", sum.line(&name.to_uppercase()))?;
    }
    let several = &groups[3].1;
    writeln!(out, "several slips: faults nobody could overlook {}/{}", several.plain_hit, several.plain)?;
    for (kind, (hit, planted)) in &all.by_kind {
        writeln!(out, "  {kind:<16} {hit}/{planted}")?;
    }
    write!(out, "{}", all.calibration())?;
    if only.is_none() || only.as_deref() == Some("margins") {
        let (own, foreign) = margins(&parts, first..first + seeds.min(3));
        let show = |x: &[(f64, String)]| {
            x.iter().take(6).map(|(m, name)| format!("{m:.2} {name}")).collect::<Vec<_>>().join("; ")
        };
        writeln!(out, "nats a strike for the part: own {} takes, lowest {}", own.len(), show(&own))?;
        writeln!(out, "                          foreign {} takes, highest {}", foreign.len(), show(&foreign))?;
    }
    let takes = all.takes.max(1) as f64;
    writeln!(
        out,
        "{:.2} ms a take ({:.0} strikes)",
        started.elapsed().as_secs_f64() * 1e3 / takes,
        all.strikes as f64 / takes
    )
}
