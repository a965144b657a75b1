//! Where the time of hearing goes: `hear_steps TAKE.wav` runs each step with those before it, fifteen times in turn, and
//! prints what the medians differ by as rows of a table. Shares hold on a busy machine; milliseconds are this machine's.

#![allow(clippy::print_stdout, reason = "a tool for the command line")]

use std::time::Instant;

use pailbeat::onset::{Ear, fitting};

/// Times each step is run.
const RUNS: usize = 15;

fn read(path: &std::path::Path) -> Result<Vec<f32>, pailbeat::audio::AudioError> {
    let mut source = pailbeat::audio::open(path)?;
    let (mut all, mut block) = (Vec::new(), Vec::new());
    while source.next_block(&mut block)? {
        all.extend_from_slice(&block);
    }
    Ok(all)
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args_os().nth(1).ok_or("give a recording")?;
    let x = read(path.as_ref())?;
    type Step<'a> = (&'static str, &'a dyn Fn() -> usize);
    let steps: [Step<'_>; 4] = [
        ("two transforms and their band sums", &|| fitting::transforms(&x)),
        ("noise floors, rise functions, candidates placed to the sample", &|| fitting::candidates(&x)),
        ("features and both decisions", &|| fitting::decisions(&x)),
        ("times, levels, what could have been heard", &|| {
            let mut ear = Ear::new();
            ear.hear(&x, &mut |_, _| {});
            ear.finish(&mut |_, _| {}).onsets.len()
        }),
    ];
    let mut times = vec![Vec::new(); steps.len() + 1];
    for _ in 0..RUNS {
        let begun = Instant::now();
        let read = read(path.as_ref())?;
        times[0].push(begun.elapsed().as_secs_f64());
        assert_eq!(read.len(), x.len());
        for (step, times) in steps.iter().zip(&mut times[1..]) {
            let begun = Instant::now();
            std::hint::black_box(step.1());
            times.push(begun.elapsed().as_secs_f64());
        }
    }
    let middle: Vec<f64> = times
        .into_iter()
        .map(|mut t| {
            t.sort_by(f64::total_cmp);
            t[RUNS / 2]
        })
        .collect();
    let all = middle[0] + middle[steps.len()];
    let row = |what: &str, s: f64| println!("| {what} | {:.1} ms | {:.0} % |", s * 1e3, 100.0 * s / all);
    row("reading and decoding", middle[0]);
    let mut before = 0.0;
    for (step, s) in steps.iter().zip(&middle[1..]) {
        row(step.0, s - before);
        before = *s;
    }
    Ok(())
}
