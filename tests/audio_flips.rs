//! One flipped bit in a recording moves nothing: what is heard stands where it stood, what is lost is said to be lost there,
//! or the file is refused with a message.
//!
//! A seeded handful for each kind of file; `PAILBEAT_FLIPS=n` makes n for each (`PAILBEAT_FLIPS=67` is some 400 in all).

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]
#![allow(clippy::print_stdout, reason = "the figures are asked for with `--nocapture`")]

use std::io::Cursor;
use std::path::Path;

use pailbeat::audio::{self, Facts};

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

/// The same kinds that pupils send.
const TAKES: [&str; 6] = ["swift.wav", "plover.flac", "robin.ogg", "wren.m4a", "finch.mp3", "heron.webm"];
const RATE: f64 = 44_100.0;
/// What is compared together: 50 ms.
const WINDOW: usize = 2205;
/// A decoder that lost a piece needs some time to sound as before, and a damaged piece sounds like anything: so many windows
/// may differ that are not said to be lost, if they do not show sound from elsewhere.
const MAX_GARBLED: usize = 8;
/// Places at which sound from elsewhere is looked for: 120 ms on either side, and what makes it the same sound.
const REACH: usize = 5300;
const SAME: f64 = 0.95;

fn hear(bytes: Vec<u8>) -> Result<(Vec<f32>, Facts), audio::AudioError> {
    let mut source = audio::open_source(Cursor::new(bytes), Path::new("take"))?;
    let samples = source.read_to_end()?;
    Ok((samples, source.facts().clone()))
}

fn energy(x: &[f32]) -> f64 {
    x.iter().map(|v| f64::from(*v).powi(2)).sum()
}

fn along(a: &[f32], b: &[f32]) -> f64 {
    a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum()
}

/// What is wrong with a damaged take, if anything is.
fn wrong(whole: &[f32], damaged: &[f32], facts: &Facts) -> Result<(), String> {
    let lost = |from: usize, to: usize| {
        let (from, to) = (from as f64 / RATE - 0.05, to as f64 / RATE + 0.05);
        facts.holes.iter().any(|(a, b)| a.get() < to && b.get() > from)
    };
    // Noise that a coder makes up anew differs with all that came before it: 40 dB below the loudest nothing is compared.
    let loudest = whole.chunks(WINDOW).map(energy).fold(0.0, f64::max);
    let (mut garbled, mut moved) = (0, Vec::new());
    for from in (0..whole.len().saturating_sub(WINDOW)).step_by(WINDOW) {
        let to = from + WINDOW;
        if lost(from, to) {
            continue;
        }
        let was = &whole[from..to];
        let Some(is) = damaged.get(from..to) else {
            if facts.truncated.is_none() {
                return Err(format!("nothing from {:.2} s on, and not a word", from as f64 / RATE));
            }
            break;
        };
        let off: f64 = was.iter().zip(is).map(|(a, b)| f64::from(a - b).powi(2)).sum();
        if off <= 0.01 * energy(was) + 1e-4 * loudest {
            continue;
        }
        garbled += 1;
        let near = from.saturating_sub(REACH)..(from + REACH).min(whole.len() - WINDOW);
        let likest = near
            .map(|at| (along(is, &whole[at..at + WINDOW]) / (energy(is) * energy(&whole[at..at + WINDOW])).sqrt(), at))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap();
        if likest.0 > SAME && likest.1.abs_diff(from) > 44 {
            moved.push((from as f64 / RATE, (from as f64 - likest.1 as f64) / RATE));
        }
        if moved.len() > 3 {
            break;
        }
    }
    if let Some((at, by)) = moved.first() {
        return Err(format!("at {at:.2} s moved by {:.1} ms", by * 1e3));
    }
    if garbled > MAX_GARBLED {
        return Err(format!("{garbled} windows are neither as they were nor said to be lost"));
    }
    let all: f64 = facts.holes.iter().map(|(a, b)| (*b - *a).get()).sum();
    if all > 0.25 * whole.len() as f64 / RATE {
        return Err(format!("{all:.1} s lost for one bit"));
    }
    Ok(())
}

#[test]
fn a_flipped_bit_moves_nothing_silently() {
    let times: usize = std::env::var("PAILBEAT_FLIPS").ok().and_then(|n| n.parse().ok()).unwrap_or(3);
    let mut bad = Vec::new();
    for name in TAKES {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name);
        let bytes = std::fs::read(path).unwrap();
        let (whole, facts) = hear(bytes.clone()).unwrap();
        assert!(facts.holes.is_empty() && facts.truncated.is_none(), "{name}: {facts:?}");
        let mut dice = Rng(7 * name.len() as u64 + name.as_bytes()[0] as u64);
        let (mut lost, mut refused) = (0, 0);
        for _ in 0..times {
            let bit = dice.below(8 * bytes.len());
            let mut damaged = bytes.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            match hear(damaged) {
                Ok((samples, facts)) => {
                    lost += usize::from(!facts.holes.is_empty());
                    if let Err(what) = wrong(&whole, &samples, &facts) {
                        bad.push(format!("{name}, bit {} of byte {}: {what}; {facts:?}", bit % 8, bit / 8));
                    }
                }
                Err(_) => refused += 1,
            }
        }
        println!("{name}: {times} flips, {lost} with a hole said, {refused} refused");
    }
    assert!(bad.is_empty(), "{} of {} takes:\n{}", bad.len(), times * TAKES.len(), bad.join("\n"));
}
