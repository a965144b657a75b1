//! Hearing a take: samples in, strikes out; and the network's steps, to be held against the transforms. Throughput in
//! samples.

use criterion::{BatchSize, BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use pailbeat::onset::Ear;
use pailbeat::onset::fitting::{Steps, front, transforms};
use pailbeat::units::EAR_RATE;

/// Damped clicks every 300 ms in noise, from the quick generator of Numerical Recipes.
fn take(seconds: usize) -> Vec<f32> {
    let n = seconds * EAR_RATE.get() as usize;
    let mut state = 1u32;
    let mut noise = move || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        state as f32 / u32::MAX as f32 * 2.0 - 1.0
    };
    (0..n)
        .map(|i| {
            let since = (i % 13_230) as f32 / 44_100.0;
            noise() * 0.003 + (-since / 0.03).exp() * (since * 2200.0).sin() * 0.4
        })
        .collect()
}

fn hear(c: &mut Criterion) {
    let mut group = c.benchmark_group("onset");
    for seconds in [10, 60, 600] {
        let x = take(seconds);
        group.throughput(Throughput::Elements(x.len() as u64));
        group.sample_size(10);
        group.bench_with_input(BenchmarkId::from_parameter(format!("{seconds} s")), &x, |b, x| {
            b.iter_batched(
                Ear::new,
                |mut ear| {
                    let mut strikes = 0;
                    ear.hear(x, &mut |_| strikes += 1);
                    ear.finish(&mut |_| strikes += 1).onsets.len()
                },
                BatchSize::LargeInput,
            );
        });
    }
    group.finish();
}

fn steps(c: &mut Criterion) {
    let x = take(60);
    let steps = Steps::new(&x, None);
    let mut group = c.benchmark_group("onset of 60 s");
    group.throughput(Throughput::Elements(x.len() as u64));
    group.bench_function("transforms", |b| b.iter(|| transforms(&x)));
    group.bench_function("transforms and floors", |b| b.iter(|| front(&x)));
    group.bench_function("coarse path", |b| b.iter(|| steps.coarse()));
    group.bench_function("fine path, gate", |b| b.iter(|| steps.fine(false)));
    group.bench_function("fine path, everywhere", |b| b.iter(|| steps.fine(true)));
    group.bench_function("company", |b| b.iter(|| steps.company()));
    group.finish();
}

criterion_group!(benches, hear, steps);
criterion_main!(benches);
