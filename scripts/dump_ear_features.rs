//! Prints what the ear's networks look at, for `scripts/fit_ear.py`.
//!
//! `dump_ear_features first OUT WAV...` writes for each file: u32 count, then per candidate u32 sample, f32 level, the
//! first and the timing features. `dump_ear_features second P OUT WAV...` reads the first decisions (f32 per candidate,
//! files in the same order) and writes for each file: u32 count, then per candidate u32 index and the added features.
//! `dump_ear_features bands SHORT OUT WAV` writes the band powers of both transforms, f32, frame by frame.
//! All little-endian. The files are mono WAV at 44.1 kHz.

use std::fs::File;
use std::io::{BufReader, BufWriter, Read, Write};

use pailbeat::onset::fitting;

fn read(path: &str) -> Result<Vec<f32>, hound::Error> {
    let mut reader = hound::WavReader::open(path)?;
    let spec = reader.spec();
    assert!(spec.channels == 1 && spec.sample_rate == 44_100, "{path}: mono at 44.1 kHz is needed");
    match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().collect(),
        hound::SampleFormat::Int => {
            let scale = 1.0 / (1i64 << (spec.bits_per_sample - 1)) as f32;
            reader.samples::<i32>().map(|s| s.map(|v| v as f32 * scale)).collect()
        }
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let mode = args.first().map(String::as_str);
    match (mode, &args[1..]) {
        (Some("bands"), [short, long, file]) => {
            let powers = fitting::bands(&read(file)?);
            for (path, frames) in [(short, powers.0), (long, powers.1)] {
                let mut out = BufWriter::new(File::create(path)?);
                for v in frames.iter().flatten() {
                    out.write_all(&v.to_le_bytes())?;
                }
            }
        }
        (Some("first"), [out, files @ ..]) => {
            let mut out = BufWriter::new(File::create(out)?);
            for file in files {
                let rows = fitting::first_look(&read(file)?);
                out.write_all(&(rows.len() as u32).to_le_bytes())?;
                for (at, first, timing, level) in rows {
                    out.write_all(&(at as u32).to_le_bytes())?;
                    for v in std::iter::once(level).chain(first).chain(timing) {
                        out.write_all(&v.to_le_bytes())?;
                    }
                }
            }
            out.flush()?;
        }
        (Some("second"), [p, out, files @ ..]) => {
            let mut p = BufReader::new(File::open(p)?);
            let mut out = BufWriter::new(File::create(out)?);
            for file in files {
                let x = read(file)?;
                let mut count = [0u8; 4];
                p.read_exact(&mut count)?;
                let mut decisions = vec![0.0f32; u32::from_le_bytes(count) as usize];
                for v in &mut decisions {
                    let mut bytes = [0u8; 4];
                    p.read_exact(&mut bytes)?;
                    *v = f32::from_le_bytes(bytes);
                }
                let rows = fitting::second_look(&x, &decisions);
                out.write_all(&(rows.len() as u32).to_le_bytes())?;
                for (i, added) in rows {
                    out.write_all(&(i as u32).to_le_bytes())?;
                    for v in added {
                        out.write_all(&v.to_le_bytes())?;
                    }
                }
            }
            out.flush()?;
        }
        _ => return Err("give `first OUT WAV...` or `second P OUT WAV...`".into()),
    }
    Ok(())
}
