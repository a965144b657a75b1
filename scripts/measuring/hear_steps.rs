//! Where the time of hearing goes: `hear_steps TAKE.wav` runs each step fifteen times in turn and
//! prints the medians as rows of a table. Shares hold on a busy machine; milliseconds are this machine's. The take lasts
//! 75 s at most.

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
    let steps = fitting::Steps::new(&x, None);
    let steps: [&dyn Fn() -> usize; 6] = [
        &|| fitting::transforms(&x),
        &|| fitting::front(&x),
        &|| steps.coarse(),
        &|| steps.fine(false),
        &|| steps.company(),
        &|| {
            let mut ear = Ear::new();
            ear.hear(&x, &mut |_| {});
            ear.finish(&mut |_| {}).onsets.len()
        },
    ];
    let mut times = vec![Vec::new(); steps.len() + 1];
    for _ in 0..RUNS {
        let begun = Instant::now();
        let read = read(path.as_ref())?;
        times[0].push(begun.elapsed().as_secs_f64());
        assert_eq!(read.len(), x.len());
        for (step, times) in steps.iter().zip(&mut times[1..]) {
            let begun = Instant::now();
            std::hint::black_box(step());
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
    let [reading, transforms, front, coarse, fine, company, heard] = middle[..] else {
        return Err("seven steps".into());
    };
    let all = reading + heard;
    let row = |what: &str, s: f64| println!("| {what} | {:.1} ms | {:.0} % |", s * 1e3, 100.0 * s / all);
    row("reading and decoding", reading);
    row("two transforms and their band sums", transforms);
    row("noise floors, levels", front - transforms);
    row("the network's coarse path", coarse);
    row("its fine path where the gate is open, votes", fine);
    row("each candidate held against the others", company);
    row(
        "attacks placed to the sample, times, levels, what could have been heard",
        heard - front - coarse - fine - company,
    );
    Ok(())
}
