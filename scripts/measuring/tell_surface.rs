//! Tells the surfaces of takes whose features are known, for `scripts/measuring/measure_surface.py`.
//!
//! `tell_surface CONSTANTS`: one take a line on standard input, as JSON: `bands`, `level`, `above`, `written` (index of
//! the surface, -1 for none; left out without a part), `pass` (-1 for none), `known` (strikes of known surface: `[[index,
//! bands, level], ...]`). One line out for each: `p`, `other`, `doubts`, `passes`, `accounts`, `ms`.
#![allow(clippy::print_stderr, reason = "a tool for the command line")]

use std::io::{BufRead, Write};

use pailbeat::part::Surface;
use pailbeat::surface::{BANDS, Calibration, Doubt, Features, Model, Prior};
use pailbeat::units::Decibels;
use serde::Deserialize;
use serde_json::json;

#[derive(Deserialize)]
struct Take {
    bands: Vec<Vec<f32>>,
    level: Vec<f64>,
    written: Option<Vec<i64>>,
    #[serde(default)]
    pass: Vec<i64>,
    #[serde(default)]
    known: Vec<(usize, Vec<f32>, f64)>,
}

fn main() -> std::process::ExitCode {
    match run() {
        Ok(()) => std::process::ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            std::process::ExitCode::FAILURE
        }
    }
}

fn features(bands: &[f32], level: f64) -> Result<Features, Box<dyn std::error::Error>> {
    let bands = <[f32; BANDS]>::try_from(bands)?;
    Ok(Features { bands, level: Decibels(level), above: Decibels(0.0) })
}

fn run() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("`CONSTANTS` is missing")?;
    let model = Model::parse(&std::fs::read_to_string(path)?)?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in std::io::stdin().lock().lines() {
        let take: Take = serde_json::from_str(&line?)?;
        let heard = take.bands.iter().zip(&take.level).map(|(b, l)| features(b, *l)).collect::<Result<Vec<_>, _>>()?;
        let index = |i: i64| usize::try_from(i).ok();
        let priors: Option<Vec<Prior>> = take.written.map(|written| {
            let pass = take.pass.iter().copied().map(index).chain(std::iter::repeat(None));
            let written = written.into_iter().map(|w| index(w).and_then(|w| Surface::ALL.get(w).copied()));
            written.zip(pass).map(|(written, pass)| Prior { written, pass }).collect()
        });
        let strikes = take.known.iter().map(|(s, b, l)| Ok((Surface::ALL[*s], features(b, *l)?)));
        let known = Calibration { strikes: strikes.collect::<Result<_, Box<dyn std::error::Error>>>()? };
        let known = (!known.strikes.is_empty()).then_some(&known);
        let start = std::time::Instant::now();
        let (reading, accounts) = model.tell(&heard, priors.as_deref(), known);
        let ms = start.elapsed().as_secs_f64() * 1e3;
        let doubts: Vec<_> = reading
            .doubts
            .iter()
            .map(|d| match *d {
                Doubt::Exchanged { a, b, p } => json!(["exchanged", a.index(), b.index(), p]),
                Doubt::NotToldApart { written, heard } => {
                    json!(["not-told-apart", written.index(), heard.index(), 1.0])
                }
                Doubt::OneSurface { written } => json!(["one-surface", written.index(), written.index(), 1.0]),
            })
            .collect();
        let round = |v: f64| (v * 1e4).round() / 1e4;
        let rows = |p: &[f64]| p.iter().map(|v| round(*v)).collect::<Vec<_>>();
        let answer = json!({
            "p": reading.heard.iter().map(|h| rows(&h.p)).collect::<Vec<_>>(),
            "other": reading.heard.iter().map(|h| round(h.other)).collect::<Vec<_>>(),
            "doubts": doubts,
            "passes": reading.passes.iter().map(|p| json!([p.pass, p.played.map(|r| rows(&r))])).collect::<Vec<_>>(),
            "accounts": accounts.iter().map(|a| json!({
                "sound": a.sound, "names": a.names, "mistakes": a.mistakes, "slips": a.slips,
                "surface": a.surface.iter().map(|s| rows(s)).collect::<Vec<_>>(),
            })).collect::<Vec<_>>(),
            "ms": ms,
        });
        serde_json::to_writer(&mut out, &answer)?;
        out.write_all(b"\n")?;
    }
    Ok(out.flush()?)
}
