//! Hearing a take: samples in, strikes out. Throughput in samples.

use criterion::{BatchSize, BenchmarkId, Criterion, Throughput, criterion_group, criterion_main};
use pailbeat::onset::{EAR_RATE, Ear};

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
                    ear.hear(x, &mut |_, _| strikes += 1);
                    ear.finish(&mut |_, _| strikes += 1).onsets.len()
                },
                BatchSize::LargeInput,
            );
        });
    }
    group.finish();
}

criterion_group!(benches, hear);
criterion_main!(benches);
