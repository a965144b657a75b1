//! Writes what `audio` hands out of a recording as raw little-endian 32-bit floats, and what it says about it, and how long
//! it took, to stderr.
//!
//! `cargo run --release --example decode_dump -- TAKE [OUT.f32]`

#![allow(clippy::print_stderr, reason = "a tool for the command line")]

use std::io::Write;
use std::process::ExitCode;

fn main() -> ExitCode {
    let mut args = std::env::args_os().skip(1);
    let (Some(take), out) = (args.next(), args.next()) else {
        eprintln!("usage: decode_dump TAKE [OUT.f32]");
        return ExitCode::from(2);
    };
    match dump(take.as_ref(), out) {
        Ok(()) => ExitCode::SUCCESS,
        Err(cause) => {
            eprintln!("error: {cause}");
            if let Some(cause) = cause.downcast_ref::<pailbeat::audio::AudioError>() {
                eprintln!("hint: {}", cause.hint());
            }
            ExitCode::FAILURE
        }
    }
}

fn dump(take: &std::path::Path, out: Option<std::ffi::OsString>) -> Result<(), Box<dyn std::error::Error>> {
    let mut out = out.map(std::fs::File::create).transpose()?;
    let begun = std::time::Instant::now();
    let mut source = pailbeat::audio::open(take)?;
    eprintln!("{:?}", source.info());
    let mut block = Vec::new();
    while source.next_block(&mut block)? {
        if let Some(out) = &mut out {
            let bytes: Vec<u8> = block.iter().flat_map(|x| x.to_le_bytes()).collect();
            out.write_all(&bytes)?;
        }
    }
    eprintln!("{:?}", source.facts());
    eprintln!("{:.1} ms", begun.elapsed().as_secs_f64() * 1e3);
    Ok(())
}
