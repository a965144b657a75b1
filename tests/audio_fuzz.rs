//! Damaged recordings: whatever is in the file, opening and reading it ends, with samples or with a message, and what is
//! given out are numbers. Deterministic; `PAILBEAT_FUZZ=n` makes n times as many files.

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::Cursor;
use std::path::Path;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

#[path = "fuzz/claims.rs"]
mod claims;

/// Opens and reads; says how many samples there were.
fn hear(bytes: Vec<u8>) -> usize {
    claims::decode(&bytes)
}

fn seeds() -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/data/audio");
    let mut files: Vec<(String, Vec<u8>)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.file_name().into_string().unwrap(), std::fs::read(entry.path()).unwrap()))
        .collect();
    files.sort();
    let mut wav = Cursor::new(Vec::new());
    let spec = hound::WavSpec {
        channels: 2,
        sample_rate: 48_000,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::new(&mut wav, spec).unwrap();
    (0..1000).for_each(|k| writer.write_sample((k * 7919) % 100_000).unwrap());
    writer.finalize().unwrap();
    files.push(("written.wav".into(), wav.into_inner()));
    files
}

fn rounds() -> usize {
    std::env::var("PAILBEAT_FUZZ").ok().and_then(|n| n.parse().ok()).unwrap_or(1)
}

#[test]
fn the_seeds_themselves_are_heard() {
    for (name, bytes) in seeds() {
        assert!(hear(bytes) > 0 || name == "film_without_sound.mp4", "{name}");
    }
}

#[test]
fn recordings_cut_anywhere_end_with_samples_or_a_message() {
    for (_, bytes) in seeds() {
        let step = (bytes.len() / (40 * rounds())).max(1);
        (0..bytes.len()).step_by(step).for_each(|end| {
            hear(bytes[..end].to_vec());
        });
    }
}

#[test]
fn recordings_with_wrong_bytes_end_with_samples_or_a_message() {
    for (name, bytes) in seeds() {
        let mut dice = Rng(name.len() as u64);
        for _ in 0..40 * rounds() {
            let mut bad = bytes.clone();
            for _ in 0..=dice.below(6) {
                // Most of what can be got wrong stands at the start.
                let reach = if dice.below(2) == 0 { bad.len() } else { bad.len().min(400) };
                let at = dice.below(reach);
                bad[at] = [0, 255, 127, 128, 1, dice.below(256) as u8][dice.below(6)];
            }
            hear(bad);
        }
    }
}

#[test]
fn recordings_with_impossible_lengths_end_with_samples_or_a_message() {
    let lengths: [u32; 7] = [0, 1, 7, 0x7FFF_FFFF, 0x8000_0000, 0xFFFF_FFFE, 0xFFFF_FFFF];
    for (name, bytes) in seeds() {
        let mut dice = Rng(99 + name.len() as u64);
        for _ in 0..40 * rounds() {
            let mut bad = bytes.clone();
            let at = dice.below(bad.len().min(1500) - 4);
            let length = lengths[dice.below(lengths.len())];
            bad[at..at + 4].copy_from_slice(&if dice.below(2) == 0 {
                length.to_be_bytes()
            } else {
                length.to_le_bytes()
            });
            hear(bad);
        }
    }
}

#[test]
fn pieces_put_together_wrongly_end_with_samples_or_a_message() {
    let files = seeds();
    let mut dice = Rng(4);
    for (_, bytes) in &files {
        for _ in 0..20 * rounds() {
            let other = &files[dice.below(files.len())].1;
            let (cut, start) = (dice.below(bytes.len()), dice.below(other.len()));
            hear([&bytes[..cut], &other[start..]].concat());
            let (from, to) = (dice.below(bytes.len()), dice.below(bytes.len()));
            let mut hole = bytes.clone();
            hole.drain(from.min(to)..from.max(to));
            hear(hole);
        }
    }
}

#[test]
fn mere_noise_is_no_recording() {
    let mut dice = Rng(1);
    for _ in 0..10 * rounds() {
        hear((0..20_000).map(|_| dice.below(256) as u8).collect());
    }
}
