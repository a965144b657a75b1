//! Prints what the correction of places looks at, for `scripts/ear/place.py`.
//!
//! `dump_ear_features candidates [--weights FILE.safetensors] OUT WAV...` writes for each file: u32 count, then per
//! candidate f64 sample where the attack begins (its change point), f64 sample that the network points to, f32 certainty,
//! u32 count of the timing numbers and these, f32. `dump_ear_features bands SHORT OUT WAV` writes the band powers of both
//! transforms, f32, frame by frame. All little-endian. The files are mono WAV at 44.1 kHz, of at most 75 s.

use std::fs::File;
use std::io::{BufWriter, Write};

use pailbeat::onset::fitting::{self, Weights};

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
        (Some("candidates"), rest) => {
            let (weights, rest) = match rest {
                [flag, file, rest @ ..] if flag == "--weights" => (Some(Weights::read(&std::fs::read(file)?)?), rest),
                _ => (None, rest),
            };
            let [out, files @ ..] = rest else { return Err("give OUT and the recordings".into()) };
            let mut out = BufWriter::new(File::create(out)?);
            for file in files {
                let rows = fitting::candidates(&read(file)?, weights.as_ref());
                out.write_all(&(rows.len() as u32).to_le_bytes())?;
                for row in rows {
                    out.write_all(&(row.at as f64).to_le_bytes())?;
                    out.write_all(&row.pointer.to_le_bytes())?;
                    out.write_all(&row.certainty.to_le_bytes())?;
                    out.write_all(&(row.timing.len() as u32).to_le_bytes())?;
                    for v in row.timing {
                        out.write_all(&v.to_le_bytes())?;
                    }
                }
            }
            out.flush()?;
        }
        _ => return Err("give `candidates OUT WAV...` or `bands SHORT LONG WAV`".into()),
    }
    Ok(())
}
