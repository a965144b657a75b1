//! Prints the features of strikes, so that what is fitted and what listens cannot differ.
//!
//! `dump_surface_features LENGTH AT`: reads cut-outs of LENGTH samples (f32, little endian, 44.1 kHz) from standard
//! input, the strike at sample AT of each, and writes for each its 40 bands, level and height above the noise (f32).
#![allow(clippy::print_stderr, reason = "a tool for the command line")]

use std::io::{Read, Write};

use pailbeat::surface::FeatureBank;

fn main() -> std::process::ExitCode {
    match run() {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            std::process::ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1).map(|a| a.parse::<usize>());
    let (Some(Ok(length)), Some(Ok(at))) = (args.next(), args.next()) else {
        return Err("`LENGTH` and `AT` are missing".into());
    };
    let (mut input, mut output) = (std::io::stdin().lock(), std::io::BufWriter::new(std::io::stdout().lock()));
    let mut bank = FeatureBank::new();
    let mut raw = vec![0; 4 * length];
    let mut piece = vec![0.0f32; length];
    while input.read_exact(&mut raw).is_ok() {
        for (x, b) in piece.iter_mut().zip(raw.as_chunks::<4>().0) {
            *x = f32::from_le_bytes(*b);
        }
        let f = bank.features(&piece, at);
        for v in f.bands.iter().chain(&[f.level.0 as f32, f.above.0 as f32]) {
            output.write_all(&v.to_le_bytes())?;
        }
    }
    Ok(output.flush()?)
}
