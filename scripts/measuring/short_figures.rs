//! Short rhythms with few slips, and other rhythms: which are refused, what is told, what is praised. Onsets only, no sound.
//!
//! `cargo run --release --example short_figures [-- TAKES [FIRST_SEED]] [-v]`
//!
//! A rhythm of 8 to 16 strokes is drawn on a grid of eighths and sixteenths, once on one surface and once on two. A pupil plays
//! it at a tempo of their own (12 % spread) with 15 to 35 ms of jitter, with a fault: one or two gaps of another length (the
//! pulse goes on from there), a stroke missing or too many, a tempo that moves; or plays another rhythm.

#[path = "../../tests/common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;

use std::io::Write;

use pailbeat::align::{AlignConfig, Strike, trace};
use pailbeat::assess::{Assessment, Hearing, Kind, Praise, Status, assess};
use pailbeat::part::{Surface, Timeline, parse};
use pailbeat::units::{Bpm, Decibels, Seconds};
use rng::Rng;

/// What a pupil does.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    None,
    OneGap,
    TwoGaps,
    Missing,
    TwoMissing,
    Extra,
    TwoExtra,
    ThreeGaps,
    Slows,
    FasterAndBack,
    AnotherRhythm,
}

const FAULTS: [Fault; 11] = [
    Fault::None,
    Fault::OneGap,
    Fault::TwoGaps,
    Fault::Missing,
    Fault::TwoMissing,
    Fault::Extra,
    Fault::TwoExtra,
    Fault::ThreeGaps,
    Fault::Slows,
    Fault::FasterAndBack,
    Fault::AnotherRhythm,
];

/// A rhythm as the positions of its strokes in quarters, and its length in bars of 4/4.
fn rhythm(rng: &mut Rng) -> (Vec<f64>, usize) {
    loop {
        let bars = 2 + rng.below(2);
        let mut at = 0.0;
        let mut out = Vec::new();
        while at < 4.0 * bars as f64 - 1e-9 {
            out.push(at);
            // Quarters and eighths mostly, dotted ones, sixteenth pairs, halves.
            at += rng.pick(&[1.0, 1.0, 0.5, 0.5, 0.5, 1.5, 2.0, 0.75, 0.25]).unwrap_or(1.0);
        }
        // No stroke off the grid of sixteenths.
        if (8..=16).contains(&out.len()) {
            return (out, bars);
        }
    }
}

fn part(rhythm: &[f64], bars: usize, surfaces: bool, rng: &mut Rng) -> Timeline {
    let mut text = String::new();
    for bar in 0..bars {
        for cell in 0..16 {
            let at = 4.0 * bar as f64 + cell as f64 / 4.0;
            let here = rhythm.iter().any(|x| (x - at).abs() < 1e-6);
            let letter = if surfaces && rng.chance(0.4) { 'x' } else { 'o' };
            text.push(if here { letter } else { '.' });
        }
        text.push('|');
    }
    let text = format!(
        "title = \"Short\"\nmeter = \"4/4\"\nbpm = {{ start = 60, goal = 120 }}\nform = \"A\"\n[sections.A]\nstrokes = \"{text}\"\n"
    );
    let part = parse(&text).unwrap_or_else(|errors| panic!("{text}: {errors:?}"));
    part.timeline(None, Bpm::clamped(90.0)).unwrap_or_else(|e| panic!("{e:?}"))
}

/// What is played: times in quarters of the pupil's own count, with the surface.
fn played(line: &Timeline, fault: Fault, rng: &mut Rng) -> Vec<(f64, Surface)> {
    let mut notes: Vec<(f64, Surface)> = line.strokes.iter().map(|s| (s.at.quarters(), s.surface)).collect();
    let n = notes.len();
    let gaps = |count: usize, notes: &mut Vec<(f64, Surface)>, rng: &mut Rng| {
        let mut used: Vec<usize> = Vec::new();
        while used.len() < count {
            let k = 1 + rng.below(n - 1);
            if used.contains(&k) {
                continue;
            }
            used.push(k);
            let gap = notes[k].0 - notes[k - 1].0;
            // Another length that a gap may have.
            let others: Vec<f64> =
                [0.5, 1.0, 1.5, 2.0].into_iter().filter(|x| (x - gap).abs() > 0.3 && (x - gap).abs() < 1.1).collect();
            let by = rng.pick(&others).unwrap_or(1.0) - gap;
            for note in &mut notes[k..] {
                note.0 += by;
            }
        }
    };
    match fault {
        Fault::None | Fault::Slows | Fault::FasterAndBack => {}
        Fault::OneGap => gaps(1, &mut notes, rng),
        Fault::TwoGaps => gaps(2, &mut notes, rng),
        Fault::ThreeGaps => gaps(3, &mut notes, rng),
        Fault::Missing | Fault::TwoMissing => {
            for _ in 0..if fault == Fault::Missing { 1 } else { 2 } {
                let k = 1 + rng.below(notes.len() - 2);
                notes.remove(k);
            }
        }
        Fault::Extra | Fault::TwoExtra => {
            for _ in 0..if fault == Fault::Extra { 1 } else { 2 } {
                let wide: Vec<usize> = (1..notes.len()).filter(|&k| notes[k].0 - notes[k - 1].0 > 0.9).collect();
                if let Some(k) = rng.pick(&wide) {
                    let middle = (notes[k].0 + notes[k - 1].0) / 2.0;
                    notes.insert(k, (middle, notes[k - 1].1));
                }
            }
        }
        Fault::AnotherRhythm => {
            let surfaces: Vec<Surface> = notes.iter().map(|x| x.1).collect();
            let (other, _) = rhythm(rng);
            notes = other.into_iter().map(|at| (at, rng.pick(&surfaces).unwrap_or(Surface::Centre))).collect();
        }
    }
    notes
}

fn take(line: &Timeline, fault: Fault, rng: &mut Rng) -> Assessment {
    let notes = played(line, fault, rng);
    let quarter = 60.0 / line.bpm.get() * (0.12 * rng.normal(1.0)).exp();
    let jitter = rng.between(0.015, 0.035);
    let end = notes.last().map_or(1.0, |x| x.0).max(1.0);
    let mut t = 1.0;
    let mut before = 0.0;
    let strikes: Vec<Strike> = (notes.iter())
        .map(|&(at, surface)| {
            let x = at / end;
            let slower = match fault {
                Fault::Slows => 0.2 * x,
                Fault::FasterAndBack => -0.2 * (1.0 - (2.0 * x - 1.0).abs()),
                _ => 0.0,
            };
            t += (at - before) * quarter * f64::exp(slower);
            before = at;
            let mut p = [0.01; Surface::COUNT];
            p[surface.index()] = 0.96;
            Strike {
                at: Seconds::of(t + rng.normal(jitter)),
                sigma: Seconds::from_millis(0.5),
                level: Decibels(-18.0 + rng.normal(2.5)),
                certainty: 0.98,
                surface: p,
            }
        })
        .collect();
    let mut strikes = strikes;
    strikes.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
    let heard = Hearing::clear(Seconds::of(t + 1.5));
    assess(line, &strikes, &[], &trace(line, &strikes, &AlignConfig::default()), &heard)
}

fn main() -> std::io::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let verbose = arguments.iter().any(|a| a == "-v");
    let number = |k: usize, otherwise: u64| {
        arguments.iter().filter(|a| !a.starts_with('-')).nth(k).and_then(|a| a.parse().ok()).unwrap_or(otherwise)
    };
    let (takes, first) = (number(0, 300), number(1, 1));
    let mut out = std::io::stdout();
    writeln!(out, "fault           surfaces  takes  refused  nothing told  called complete  called steady  doubted")?;
    for surfaces in [false, true] {
        for fault in FAULTS {
            let (mut refused, mut silent, mut complete, mut steady, mut doubted) = (0, 0, 0, 0, 0);
            for seed in first..first + takes {
                let rng =
                    &mut Rng(seed.wrapping_mul(0x5851_F42D_4C95_7F2D) ^ (fault as u64) << 32 ^ u64::from(surfaces));
                let (rhythm, bars) = rhythm(rng);
                let line = part(&rhythm, bars, surfaces, rng);
                let take = take(&line, fault, rng);
                if take.clock.is_none() {
                    refused += 1;
                    continue;
                }
                let told =
                    take.findings.iter().any(|f| f.kind() != Kind::TempoApart) || take.slips.iter().any(|s| s.plain());
                silent += usize::from(!told);
                complete += usize::from(matches!(
                    take.advice.praise,
                    Praise::AllInPlace | Praise::EveryStroke | Praise::Whole | Praise::Steady { throughout: true }
                ));
                steady += usize::from(matches!(take.advice.praise, Praise::AllInPlace | Praise::Steady { .. }));
                doubted += usize::from(take.limits.contains(&pailbeat::assess::Limit::PerhapsAnotherPart));
                if verbose && !told && fault != Fault::None {
                    let missed = take.strokes.iter().filter(|s| s.status == Status::Missed).count();
                    writeln!(out, "  {fault:?} seed {seed}: nothing told, {missed} missed, {:?}", take.advice.praise)?;
                    for strike in &take.strikes {
                        let at = strike.stroke.map(|j| line.strokes[j].at.quarters());
                        let late = strike.late.map(|l| l.millis().round());
                        writeln!(out, "    {:.3} {at:?} {late:?} {:?}", strike.at.get(), strike.step)?;
                    }
                }
            }
            writeln!(
                out,
                "{:<15} {:>8}  {takes:>5}  {refused:>7}  {silent:>12}  {complete:>15}  {steady:>13}  {doubted:>7}",
                format!("{fault:?}"),
                if surfaces { "two" } else { "one" }
            )?;
        }
    }
    Ok(())
}
