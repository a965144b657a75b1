//! Matching, judging and drawing at three lengths of the form: strikes in, alignment, assessment, chart out. Throughput in
//! strikes.

use criterion::{BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use pailbeat::align::{AlignConfig, Strike, align, trace};
use pailbeat::assess::{Hearing, assess};
use pailbeat::part::{Surface, Timeline, parse};
use pailbeat::report::{Meta, text};
use pailbeat::units::{Decibels, Seconds};

const PART: &str = include_str!("../reference_takes/lantern-parade.toml");

/// The demo piece, its form so many times.
fn line(times: usize) -> Option<Timeline> {
    let part = parse(PART).ok()?;
    part.timeline(Some(&vec!["A A B B"; times].join(" ")), part.range.start).ok()
}

/// Played as written, each strike up to 25 ms off (Numerical Recipes' quick generator).
fn played(line: &Timeline) -> Vec<Strike> {
    let mut state = 1u32;
    (line.strokes.iter())
        .map(|stroke| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let off = 0.05 * (f64::from(state) / f64::from(u32::MAX) - 0.5);
            let mut surface = [0.02; Surface::COUNT];
            surface[stroke.surface.index()] = 0.92;
            Strike {
                at: Seconds::of(1.0 + stroke.at.to_seconds(line.bpm).get() + off),
                sigma: Seconds::from_millis(0.5),
                level: Decibels(-20.0),
                certainty: 0.99,
                surface,
            }
        })
        .collect()
}

fn steps(c: &mut Criterion) {
    for times in [1, 4, 16] {
        let Some(line) = line(times) else { return };
        let strikes = played(&line);
        let config = AlignConfig::default();
        let found = trace(&line, &strikes, &config);
        let heard = Hearing::clear(Seconds::of(600.0));
        let take = assess(&line, &strikes, &[], &found, &heard);
        let mut group = c.benchmark_group("judge");
        group.throughput(Throughput::Elements(strikes.len() as u64)).sample_size(10);
        let size = format!("{} strikes", strikes.len());
        group.bench_function(BenchmarkId::new("align", &size), |b| b.iter(|| align(&line, &strikes, &config).cost));
        group.bench_function(BenchmarkId::new("assess", &size), |b| {
            b.iter(|| assess(&line, &strikes, &[], &found, &heard).findings.len());
        });
        group.bench_function(BenchmarkId::new("report", &size), |b| {
            b.iter(|| text::summary(&take, &Meta::default()).len());
        });
        group.finish();
    }
}

criterion_group!(benches, steps);
criterion_main!(benches);
