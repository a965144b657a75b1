//! The guide from the command line, and takes in which it is heard.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use serde_json::Value;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

const RATE: f64 = 44_100.0;

fn part() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes/lantern-parade.toml")
}

fn run(args: &[&dyn AsRef<std::ffi::OsStr>]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pailbeat")).args(args.iter().map(|a| a.as_ref())).output().unwrap()
}

fn json(output: &Output) -> Value {
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// A file of this run: none of an earlier one stands there, which the program would not write over if it was changed since.
fn file(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_file(&path);
    path
}

fn samples(path: &Path) -> Vec<f32> {
    let full = f32::from(i16::MAX);
    hound::WavReader::open(path).unwrap().samples::<i16>().map(|v| f32::from(v.unwrap()) / full).collect()
}

fn write(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(path, spec).unwrap();
    samples.iter().for_each(|v| file.write_sample(*v).unwrap());
    file.finalize().unwrap();
}

/// A take: the guide after `delay` samples with a wall behind it, and a strike at each of `times`.
fn take(guide: &[f32], delay: usize, times: &[f64]) -> Vec<f32> {
    let mut rng = Rng(9);
    let mut out = rng.noise(guide.len() + delay + 9000, 2e-4);
    let mut rough = || rng.signed() as f32;
    for (by, gain) in [(delay, 0.8), (delay + 190, 0.3), (delay + 701, -0.2)] {
        for (o, g) in out[by..].iter_mut().zip(guide) {
            *o += gain * g;
        }
    }
    for at in times {
        let from = (at * RATE).round() as usize;
        for (k, o) in out[from..].iter_mut().take(5000).enumerate() {
            let t = k as f32 / RATE as f32;
            *o += 0.5 * ((-t / 0.03).exp() * (2400.0 * t).sin() + 0.5 * (-t / 0.004).exp() * rough());
        }
    }
    out
}

#[test]
fn lateness_is_against_the_guide_that_is_heard_in_the_take() {
    let wav = file("guide.wav");
    let about = json(&run(&[&"guide", &part(), &"--bpm", &"80", &"--out", &wav, &"--json"]));
    let (start, bpm) = (about["start_s"].as_f64().unwrap(), about["bpm"].as_f64().unwrap());
    assert_eq!((start, bpm), (3.5, 80.0));
    let guide = samples(&wav);
    let first = (0.5 * RATE) as usize;
    assert!(guide[..first].iter().all(|v| *v == 0.0) && guide[first..first + 900].iter().any(|v| *v != 0.0));

    // Every stroke 12 ms late, by a device that began 1.3 s after the recorder.
    let delay = 57_330;
    let text = std::fs::read_to_string(part()).unwrap();
    let timeline =
        pailbeat::part::parse(&text).unwrap().timeline(None, pailbeat::units::Bpm::new(80.0).unwrap()).unwrap();
    let due = |at: pailbeat::units::Ticks| 1.3 + start + at.to_seconds(timeline.bpm).get();
    let played: Vec<f64> = timeline.strokes.iter().map(|s| due(s.at) + 0.012).collect();
    let recording = file("with-guide.wav");
    write(&recording, &take(&guide, delay, &played));
    let check = |said: &Value, how: &str| {
        assert_eq!(said["clock"]["source"], "guide", "{how}");
        let off = (said["clock"]["start_s"].as_f64().unwrap() - 1.3 - start) * 1e3;
        assert!(off.abs() < 0.2, "{how}: {off} ms");
        let strokes = said["strokes"].as_array().unwrap();
        let late: Vec<f64> = strokes.iter().filter_map(|s| s["late_ms"].as_f64()).collect();
        assert!(late.len() * 10 > strokes.len() * 9, "{how}: {} of {}", late.len(), strokes.len());
        let near = late.iter().filter(|l| (*l - 12.0).abs() < 1.5).count();
        assert!(near * 10 > late.len() * 9, "{how}: {late:?}");
        // Against the own pulse nobody is late.
        let own: Vec<f64> = strokes.iter().filter_map(|s| s["late_own_ms"].as_f64()).collect();
        assert!(own.iter().filter(|l| l.abs() < 1.5).count() * 10 > own.len() * 9, "{how}: {own:?}");
        // The clicks are no strikes.
        assert!(said["strikes"].as_array().unwrap().len() <= played.len() + 2, "{how}");
    };
    check(&json(&run(&[&"assess", &part(), &recording, &"--bpm", &"80", &"--json"])), "looked for");
    check(&json(&run(&[&"assess", &part(), &recording, &"--guide", &wav, &"--json"])), "from its file");
}

#[test]
fn a_guide_without_a_player_gives_no_strikes() {
    let wav = file("alone.wav");
    json(&run(&[&"guide", &part(), &"--bpm", &"90", &"--out", &wav, &"--json"]));
    let recording = file("nobody.wav");
    write(&recording, &take(&samples(&wav), 30_000, &[]));
    let said = json(&run(&[&"assess", &part(), &recording, &"--bpm", &"90", &"--json"]));
    assert_eq!(said["strikes"].as_array().unwrap().len(), 0);
    assert_eq!(said["clock"]["source"], "guide");
    assert!(said["limits"][0].as_str().unwrap().contains("almost no strikes were heard"));
}

#[test]
fn what_cannot_be_made_is_refused_and_nothing_is_written() {
    let out = file("refused.wav");
    let _ = std::fs::remove_file(&out);
    let cases: [(&[&str], &str); 5] = [
        (&["--section", "C"], "sections written: A, B"),
        (&["--bars", "A:3-9"], "has 4 bars"),
        (&["--bars", "A3"], "A:2-3"),
        (&["--level", "0"], "-50 to -6"),
        (&["--form", "A C"], "`C`"),
    ];
    for (more, expected) in cases {
        let mut args: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&"guide"];
        let part = part();
        args.push(&part);
        args.push(&"--out");
        args.push(&out);
        args.extend(more.iter().map(|a| a as &dyn AsRef<std::ffi::OsStr>));
        let output = run(&args);
        let said = String::from_utf8(output.stderr).unwrap();
        assert_eq!(output.status.code(), Some(2), "{more:?}");
        assert!(said.contains(expected), "{more:?}: {said}");
    }
    let part = part();
    let output = run(&[&"guide", &part, &"--out", &part]);
    assert_eq!(output.status.code(), Some(2));
    assert!(!out.exists());
    let other = run(&[&"assess", &part, &file("none.wav"), &"--guide", &part]);
    assert_eq!(other.status.code(), Some(2));
    assert!(String::from_utf8(other.stderr).unwrap().contains("is no guide of this program"));
}

#[test]
fn a_tempo_outside_the_range_is_said_and_a_loop_is_made() {
    let out = file("loop.wav");
    let output = run(&[
        &"guide",
        &part(),
        &"--bpm",
        &"120",
        &"--join",
        &"A B",
        &"--times",
        &"3",
        &"--play",
        &"turns",
        &"--out",
        &out,
    ]);
    assert!(output.status.success());
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(said.contains("above the part's range of 66 to 96") && said.contains("volume low"), "{said}");
    // .5 s, four beats, three times two bars with a bar between, 1.5 s.
    let seconds = samples(&out).len() as f64 / RATE;
    assert!((seconds - (0.5 + 2.0 + 2.0 * 8.0 + 1.5)).abs() < 1e-3, "{seconds}");
}
