//! The program as its people use it: the demo class, agreed output, exit status, input that is not what it should be.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use serde_json::Value;

const TAKES: [&str; 6] = ["wren.m4a", "robin.ogg", "heron.webm", "finch.mp3", "plover.flac", "swift.wav"];

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name)
}

fn run(args: &[&dyn AsRef<std::ffi::OsStr>]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pailbeat")).args(args.iter().map(|a| a.as_ref())).output().unwrap()
}

fn json(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap()
}

fn stderr(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

/// A folder of this test's own, emptied.
fn folder(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    let _ = std::fs::remove_dir_all(&path);
    std::fs::create_dir_all(&path).unwrap();
    path
}

fn write_wav(path: &Path, samples: &[f32]) {
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut file = hound::WavWriter::create(path, spec).unwrap();
    for v in samples {
        file.write_sample(*v).unwrap();
    }
    file.finalize().unwrap();
}

fn truth(take: &str) -> Value {
    let name = take.split('.').next().unwrap();
    serde_json::from_slice(&std::fs::read(demo(&format!("{name}.json"))).unwrap()).unwrap()
}

fn assess(take: &str) -> Value {
    let truth = truth(take);
    let bpm = truth["asked_bpm"].to_string();
    let output = run(&[
        &"assess",
        &demo("lantern-parade.toml"),
        &demo(take),
        &"--bpm",
        &bpm,
        &"--form",
        &truth["form"].as_str().unwrap(),
        &"--json",
    ]);
    assert!(output.status.success(), "{}", stderr(&output));
    json(&output)
}

#[test]
fn each_demo_take_is_told_its_fault_and_no_other() {
    for take in TAKES {
        let (truth, said) = (truth(take), assess(take));
        let places = |faults: &Value| -> Vec<String> {
            let mut out: Vec<String> = faults
                .as_array()
                .unwrap()
                .iter()
                .map(|f| format!("{} {} {}", f["kind"], f["section"], f["pass"]))
                .collect();
            out.sort();
            out
        };
        assert_eq!(places(&said["findings"]), places(&truth["faults"]), "{take}");
    }
}

#[test]
fn demo_strikes_are_matched_to_their_strokes_and_heard_to_a_few_milliseconds() {
    for take in TAKES {
        let (truth, said) = (truth(take), assess(take));
        let heard = said["strikes"].as_array().unwrap();
        let (mut right, mut all) = (0, 0);
        let mut errors = Vec::new();
        let mut earlier: Option<&Value> = None;
        for strike in truth["strikes"].as_array().unwrap() {
            // The second hand of a stroke of both is part of the first's strike.
            if earlier.is_some_and(|e| e == &strike["stroke"] && !e.is_null()) {
                continue;
            }
            earlier = Some(&strike["stroke"]);
            all += 1;
            let t = strike["t_s"].as_f64().unwrap();
            let away = |h: &&Value| (h["t_s"].as_f64().unwrap() - t).abs();
            let nearest = heard.iter().min_by(|a, b| away(a).total_cmp(&away(b))).unwrap();
            if away(&nearest) < 0.025 && nearest["stroke"] == strike["stroke"] {
                right += 1;
                errors.push(away(&nearest));
            }
        }
        errors.sort_by(f64::total_cmp);
        assert!(right as f64 >= 0.97 * f64::from(all), "{take}: {right} of {all}");
        // The goal for strikes in a room: half within .2 ms; codings add to it.
        assert!(errors[errors.len() / 2] < 0.0005, "{take}: {}", errors[errors.len() / 2]);
    }
}

#[test]
fn the_agreed_names_stand_in_the_json() {
    let said = assess("robin.ogg");
    for name in ["clock", "strikes", "strokes", "findings", "advice", "limits"] {
        assert!(!said[name].is_null(), "{name}");
    }
    let has = |value: &Value, names: &[&str]| {
        for name in names {
            assert!(value.as_object().unwrap().contains_key(*name), "{name} in {value}");
        }
    };
    has(&said["clock"], &["source", "start_s", "bpm"]);
    has(&said["strikes"][0], &["t_s", "surface", "surface_p", "level_db", "stroke", "spread_ms"]);
    has(&said["strokes"][0], &["section", "pass", "bar", "beat", "surface", "hands", "status", "late_ms"]);
    let finding = ["kind", "section", "pass", "bar", "beat", "t_s", "size", "unit", "confidence", "bars", "text"];
    has(&said["findings"][0], &finding);
    has(&said["advice"], &["praise", "fix", "next_bpm", "why"]);
    let strikes = json(&run(&[&"strikes", &demo("swift.wav"), &"--json"]));
    has(&strikes["strikes"][0], &["t_s", "level_db", "sigma_ms"]);
}

#[test]
fn half_the_gain_gives_the_same_strikes_and_a_second_later_they_come_a_second_later() {
    let dir = folder("gain_and_shift");
    let mut reader = hound::WavReader::open(demo("swift.wav")).unwrap();
    let rate = reader.spec().sample_rate as usize;
    let x: Vec<f32> = reader.samples::<i16>().map(|v| f32::from(v.unwrap()) / 32768.0).collect();
    let channels = usize::from(reader.spec().channels);
    let mono: Vec<f32> = x.chunks(channels).map(|c| c[0]).collect();
    let write = |name: &str, samples: Vec<f32>| {
        let path = dir.join(name);
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate as u32,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut file = hound::WavWriter::create(&path, spec).unwrap();
        samples.iter().for_each(|v| file.write_sample(*v).unwrap());
        file.finalize().unwrap();
        let heard = json(&run(&[&"strikes", &path, &"--json"]));
        let times: Vec<f64> = heard["strikes"].as_array().unwrap().iter().map(|s| s["t_s"].as_f64().unwrap()).collect();
        times
    };
    let plain = write("plain.wav", mono.clone());
    assert!(plain.len() > 30);
    let softer = write("softer.wav", mono.iter().map(|v| v * 0.5).collect());
    assert_eq!(plain.len(), softer.len());
    assert!(plain.iter().zip(&softer).all(|(a, b)| (a - b).abs() < 1e-5));
    let later = write("later.wav", std::iter::repeat_n(0.0, rate).chain(mono).collect());
    assert_eq!(plain.len(), later.len());
    // A second is no whole number of frames, so a strike falls differently on them: its own uncertainty, some tenths of a
    // millisecond, is the bound.
    assert!(plain.iter().zip(&later).all(|(a, b)| (b - a - 1.0).abs() < 0.001));
}

#[test]
fn what_is_no_recording_is_named_and_the_rest_is_done() {
    let dir = folder("some_bad");
    std::fs::write(dir.join("letter.wav"), "dear teacher, this is a letter\n").unwrap();
    let output = run(&[
        &"assess",
        &demo("lantern-parade.toml"),
        &dir.join("letter.wav"),
        &demo("swift.wav"),
        &dir.join("gone.wav"),
        &"--form",
        &"A B",
        &"--out",
        &dir,
    ]);
    assert_eq!(output.status.code(), Some(1));
    let said = stderr(&output);
    assert!(said.contains("letter.wav") && said.contains("gone.wav") && said.contains("hint:"), "{said}");
    assert!(dir.join("swift-teacher.html").exists() && dir.join("swift-pupil.html").exists());
    assert!(dir.join("swift-chart.svg").exists() && dir.join("swift-chart.png").exists());
}

#[test]
fn the_json_of_several_takes_names_each_and_why_one_failed_and_of_one_take_is_as_ever() {
    let dir = folder("several");
    std::fs::write(dir.join("letter.wav"), "dear teacher, this is a letter\n").unwrap();
    let (part, swift, letter) = (demo("lantern-parade.toml"), demo("swift.wav"), dir.join("letter.wav"));
    let odd = dir.join("a\u{1b}[2J\u{9b}.wav");
    std::fs::copy(&swift, &odd).unwrap();
    for command in ["strikes", "assess"] {
        let with = |takes: &[&PathBuf]| {
            let mut args: Vec<&dyn AsRef<std::ffi::OsStr>> = vec![&command];
            if command == "assess" {
                args.push(&part);
            }
            args.extend(takes.iter().map(|t| *t as &dyn AsRef<std::ffi::OsStr>));
            args.push(&"--json");
            run(&args)
        };
        let one = with(&[&swift]);
        let alone = json(&one);
        assert!(alone["strikes"].is_array() && alone.get("take").is_none());
        let output = with(&[&letter, &swift, &odd]);
        assert_eq!(output.status.code(), Some(1));
        let all = json(&output);
        let all = all.as_array().unwrap();
        let names: Vec<&str> = all.iter().map(|t| t["take"].as_str().unwrap()).collect();
        assert_eq!(names, [letter.to_str().unwrap(), swift.to_str().unwrap(), odd.to_str().unwrap()]);
        assert!(all[0]["error"].as_str().unwrap().contains("letter.wav") && all[0].get("strikes").is_none());
        let mut second = all[1].clone();
        second.as_object_mut().unwrap().remove("take");
        assert_eq!(second, alone);
        for said in [&output.stdout, &output.stderr] {
            let text = String::from_utf8_lossy(said);
            assert!(text.chars().all(|c| !c.is_control() || c == '\n'), "{text:?}");
        }
    }
    let output = run(&[&"assess", &part, &odd, &dir.join("gone\u{1b}[2J.wav"), &"--out", &dir.join("out")]);
    for said in [&output.stdout, &output.stderr] {
        let text = String::from_utf8_lossy(said);
        assert!(text.chars().all(|c| !c.is_control() || c == '\n'), "{text:?}");
    }
    assert_eq!(std::fs::read_dir(dir.join("out")).unwrap().count(), 4);
    let output = run(&[&"assess", &"--\u{1b}[2J", &part]);
    assert_eq!(output.status.code(), Some(2));
    assert!(stderr(&output).chars().all(|c| !c.is_control() || c == '\n'), "{:?}", stderr(&output));
}

#[test]
fn what_somebody_else_made_is_never_replaced() {
    let dir = folder("never_replaced");
    let part = demo("lantern-parade.toml");
    let other = dir.join("other.toml");
    let text = std::fs::read_to_string(&part).unwrap().replace("Lantern Parade", "Another");
    std::fs::write(&other, text).unwrap();
    let guide = |part: &PathBuf, out: &PathBuf, bpm: &str| run(&[&"guide", part, &"--bpm", &bpm, &"--out", out]);
    let (mine, theirs) = (dir.join("guide.wav"), dir.join("precious.wav"));
    std::fs::write(&theirs, b"precious").unwrap();
    assert_eq!(guide(&part, &theirs, "70").status.code(), Some(2));
    assert_eq!(std::fs::read(&theirs).unwrap(), b"precious");
    assert!(guide(&part, &mine, "70").status.success() && guide(&part, &mine, "80").status.success());
    let made = std::fs::read(&mine).unwrap();
    let refused = guide(&other, &mine, "70");
    assert!(refused.status.code() == Some(2) && stderr(&refused).contains("hint:"), "{}", stderr(&refused));
    assert!(std::fs::read(&mine).unwrap() == made);
    // A page that somebody has written into stays, and the take gets other pages.
    let pages = || run(&[&"assess", &part, &demo("swift.wav"), &"--out", &dir.join("pages")]);
    assert!(pages().status.success());
    let page = dir.join("pages/swift-teacher.html");
    let written = std::fs::read_to_string(&page).unwrap() + "<!-- my own note -->\n";
    std::fs::write(&page, &written).unwrap();
    assert!(pages().status.success() && pages().status.success());
    assert_eq!(std::fs::read_to_string(&page).unwrap(), written);
    assert!(dir.join("pages/swift-2-teacher.html").exists() && !dir.join("pages/swift-3-teacher.html").exists());
}

#[test]
fn a_wrong_part_is_shown_with_line_and_column_and_nothing_starts() {
    let dir = folder("wrong_part");
    let part = dir.join("part.toml");
    std::fs::write(&part, "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 80 }\nform = \"A Q\"\n[sections.A]\nstrokes = \"o.x? o.--\"\n").unwrap();
    for command in ["check", "assess"] {
        let output =
            if command == "check" { run(&[&command, &part]) } else { run(&[&command, &part, &demo("swift.wav")]) };
        assert_eq!(output.status.code(), Some(2));
        let said = stderr(&output);
        assert!(said.contains("part.toml:4:") && said.contains("part.toml:6:15"), "{said}");
    }
    assert_eq!(run(&[&"check", &dir.join("none.toml")]).status.code(), Some(2));
    assert_eq!(run(&[&"check", &demo("swift.wav")]).status.code(), Some(2));
    assert_eq!(run(&[&"check", &demo("lantern-parade.toml"), &"--bpm", &"3"]).status.code(), Some(2));
}

#[test]
fn silence_noise_and_numbers_that_are_none_get_an_honest_verdict() {
    let dir = folder("honest");
    let mut state = 7u32;
    let noise: Vec<f32> = (0..44_100 * 8)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state as f32 / u32::MAX as f32 - 0.5) * 0.2
        })
        .collect();
    let kinds = [
        ("silence", vec![0.0; 44_100 * 3]),
        ("noise", noise),
        ("none", vec![f32::NAN; 44_100 * 2]),
        ("short", vec![0.1; 20]),
    ];
    for (name, samples) in kinds {
        let path = dir.join(format!("{name}.wav"));
        write_wav(&path, &samples);
        let output = run(&[&"assess", &demo("lantern-parade.toml"), &path, &"--json"]);
        assert!(output.status.success(), "{name}: {}", stderr(&output));
        let said = json(&output);
        assert!(said["findings"].as_array().unwrap().is_empty(), "{name}");
        assert!(said["clock"].is_null(), "{name}");
        let limits = said["limits"].to_string();
        assert!(limits.contains("almost no strikes were heard"), "{name}: {limits}");
    }
}

#[test]
fn another_piece_is_said_to_be_another() {
    let dir = folder("another");
    let part = dir.join("part.toml");
    std::fs::write(&part, "title = \"Rain\"\nmeter = \"3/4\"\nbpm = { start = 60, goal = 140 }\nform = \"A A A A\"\n[sections.A]\nstrokes = \"o.+.o. | ++oo+- | o----- | +.+.o. | ooo+++\"\n").unwrap();
    let said = json(&run(&[&"assess", &part, &demo("wren.m4a"), &"--bpm", &"70", &"--json"]));
    assert!(said["limits"].to_string().contains("does not sound like"), "{}", said["limits"]);
    assert!(said["findings"].as_array().unwrap().is_empty());
}

#[test]
fn a_reader_that_stops_reading_is_no_error() {
    let mut child = Command::new(env!("CARGO_BIN_EXE_pailbeat"))
        .args(["strikes", demo("swift.wav").to_str().unwrap()])
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    assert!(child.wait().unwrap().success());
}

#[test]
fn every_module_named_in_the_developers_page_exists() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let page = std::fs::read_to_string(root.join("DEVELOPERS.md")).unwrap();
    let rows = page.lines().skip_while(|l| !l.starts_with("| module")).skip(2).take_while(|l| l.starts_with('|'));
    let named: Vec<&str> = rows.filter_map(|l| l.split('`').nth(1)).collect();
    assert!(named.len() >= 9);
    for name in &named {
        let (file, dir) = (root.join(format!("src/{name}.rs")), root.join(format!("src/{name}/mod.rs")));
        assert!(file.exists() || dir.exists(), "{name}");
    }
    for entry in std::fs::read_dir(root.join("src")).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().trim_end_matches(".rs").to_string();
        assert!(
            ["lib", "main"].contains(&name.as_str()) || named.contains(&name.as_str()),
            "{name} is not on the page"
        );
    }
}

#[test]
fn reports_cannot_stand_below_a_file() {
    let folder = folder("below");
    let file = folder.join("file");
    std::fs::write(&file, "mine").unwrap();
    let output = run(&[&"assess", &demo("lantern-parade.toml"), &demo("robin.ogg"), &"--out", &file]);
    assert_eq!(output.status.code(), Some(1));
    assert!(stderr(&output).contains("cannot write"), "{}", stderr(&output));
    assert_eq!(std::fs::read(&file).unwrap(), b"mine");
}
