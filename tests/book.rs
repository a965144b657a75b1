//! The class book as a teacher uses it, from the command line, with the demo class.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use pailbeat::units::EAR_RATE;
use serde_json::Value;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name)
}

struct School {
    folder: tempfile::TempDir,
}

impl School {
    fn new() -> School {
        let school = School { folder: tempfile::tempdir().unwrap() };
        assert_eq!(school.run(&["new"]).status.code(), Some(0));
        std::fs::write(school.path("roster.csv"), "class,nickname\n3b,Wren\n3b,Robin\n3b,Swift\n3b,Plover\n").unwrap();
        school.ok(&["roster", &school.text("roster.csv")]);
        school.ok(&["assign", demo("lantern-parade.toml").to_str().unwrap(), "--class", "3b", "--from", "2020-01-01"]);
        school
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.path(name).to_str().unwrap().to_owned()
    }

    fn run(&self, args: &[&str]) -> Output {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pailbeat"));
        command.arg("book").args(args).arg("--book").arg(self.folder.path()).output().unwrap()
    }

    fn ok(&self, args: &[&str]) -> String {
        let output = self.run(args);
        assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    }

    fn inbox(&self) -> PathBuf {
        let inbox = self.path("inbox");
        std::fs::create_dir_all(&inbox).unwrap();
        inbox
    }
}

#[test]
fn recordings_are_gathered_by_name_card_zip_and_mail_and_only_once() {
    let school = School::new();
    let inbox = school.inbox();
    std::fs::copy(demo("swift.wav"), inbox.join("swift_1104.wav")).unwrap();
    std::fs::create_dir(inbox.join("Plover")).unwrap();
    std::fs::copy(demo("plover.flac"), inbox.join("Plover/VID_1.flac")).unwrap();
    std::fs::write(inbox.join("broken.wav"), b"RIFF0000WAVEnothing").unwrap();
    let mut zip = zip::ZipWriter::new(std::fs::File::create(inbox.join("more.zip")).unwrap());
    let plain = zip::write::SimpleFileOptions::default();
    zip.start_file("../../REC_7.ogg", plain).unwrap();
    zip.write_all(&std::fs::read(demo("robin.ogg")).unwrap()).unwrap();
    zip.start_file("../../REC_7.take.json", plain).unwrap();
    zip.write_all(br#"{"pupil": "Robin", "part": {"title": "Lantern Parade"}, "new": 1}"#).unwrap();
    zip.finish().unwrap();
    use base64::Engine as _;
    let sound = base64::engine::general_purpose::STANDARD.encode(std::fs::read(demo("wren.m4a")).unwrap());
    let lines: Vec<&str> = sound.as_bytes().chunks(76).map(|c| std::str::from_utf8(c).unwrap()).collect();
    let mail = format!(
        "From nest@example.org Wed Nov  4 12:00:00 2026\nFrom: nest@example.org\nDate: Wed, 4 Nov 2026 12:00:00 +0000\n\
         Subject: homework\nMIME-Version: 1.0\nContent-Type: multipart/mixed; boundary=\"b\"\n\n--b\n\
         Content-Type: audio/mp4; name=\"VID_20261104.m4a\"\nContent-Disposition: attachment; filename=\"VID_20261104.m4a\"\n\
         Content-Transfer-Encoding: base64\n\n{}\n--b--\n\n",
        lines.join("\n")
    );
    std::fs::write(inbox.join("post.mbox"), mail).unwrap();

    let first = school.run(&["gather", inbox.to_str().unwrap()]);
    let said = String::from_utf8(first.stdout).unwrap();
    assert_eq!(first.status.code(), Some(1), "{said}");
    assert!(said.contains("3 new takes, 0 known already, 0 copies, 1 for you to settle, 1 not usable"), "{said}");
    assert!(String::from_utf8_lossy(&first.stderr).contains("broken.wav"));
    assert!(school.ok(&["takes", "Robin"]).contains("REC_7.ogg"));

    assert!(school.ok(&["waiting"]).contains("whose is it?"));
    assert!(school.ok(&["settle", "1", "--pupil", "Wren", "--always"]).contains("Wren"));
    assert!(school.ok(&["waiting"]).contains("Nothing waits"));

    let again = school.run(&["gather", inbox.to_str().unwrap()]);
    let said = String::from_utf8(again.stdout).unwrap();
    assert!(said.contains("0 new takes, 4 known already, 0 copies, 0 for you"), "{said}");

    // The same sound in another container, under another name.
    let mut reader = hound::WavReader::open(demo("swift.wav")).unwrap();
    let mut spec = reader.spec();
    spec.bits_per_sample = 24;
    let path = inbox.join("wren_other.wav");
    let mut writer = hound::WavWriter::create(&path, spec).unwrap();
    for v in reader.samples::<i32>() {
        writer.write_sample(v.unwrap() << 8).unwrap();
    }
    writer.finalize().unwrap();
    let said = school.ok(&["gather", path.to_str().unwrap()]);
    assert!(said.contains("0 new takes, 0 known already, 1 copy"), "{said}");

    let page = std::fs::read_to_string(school.ok(&["class", "3b"]).trim()).unwrap();
    assert!(page.contains("Lantern Parade") && page.contains("<b>All 4</b> have sent a take since then"));
    for page in school.ok(&["pupil", "Wren"]).lines() {
        let html = std::fs::read_to_string(page).unwrap();
        assert!(roxmltree::Document::parse(html.trim_start_matches("<!DOCTYPE html>")).is_ok());
    }
    let said = school.ok(&["reassess"]);
    assert!(said.contains("4 takes heard again") && said.contains(" 0 changed"), "{said}");
}

#[test]
fn what_waits_is_looked_at_anew_when_more_is_known() {
    let school = School { folder: tempfile::tempdir().unwrap() };
    school.ok(&["new"]);
    std::fs::write(school.path("roster.csv"), "class,nickname\n3b,Swift\n").unwrap();
    school.ok(&["roster", &school.text("roster.csv")]);
    let inbox = school.inbox();
    std::fs::copy(demo("swift.wav"), inbox.join("swift.wav")).unwrap();
    std::fs::copy(demo("robin.ogg"), inbox.join("robin.ogg")).unwrap();
    let place = inbox.to_str().unwrap();
    for _ in 0..2 {
        assert!(school.ok(&["gather", place]).contains("0 new takes, 0 known already, 0 copies, 2 for you to settle"));
    }
    assert!(school.ok(&["waiting"]).contains("nothing was assigned"));

    let part = demo("lantern-parade.toml");
    let said = school.ok(&["assign", part.to_str().unwrap(), "--class", "3b"]);
    assert!(said.contains("2 recordings wait; `pailbeat book gather` looks at them anew"), "{said}");
    let said = school.ok(&["gather", place]);
    assert!(said.contains("1 new take, 0 known already, 0 copies, 1 for you"), "{said}");

    // From the book alone: the recording has left its place meanwhile.
    std::fs::remove_dir_all(&inbox).unwrap();
    std::fs::write(school.path("more.csv"), "class,nickname\n3b,Robin\n").unwrap();
    school.ok(&["roster", &school.text("more.csv")]);
    let said = school.ok(&["gather"]);
    assert!(said.contains("1 new take, 0 known already, 0 copies, 0 for you"), "{said}");
    assert!(school.ok(&["waiting"]).contains("Nothing waits"));
    assert_eq!(school.run(&["gather"]).status.code(), Some(2));
    let page = std::fs::read_to_string(school.ok(&["class", "3b"]).trim()).unwrap();
    assert!(page.contains("Child by child") && page.matches("<tr><th><a href=").count() == 2, "{page}");
}

#[test]
fn which_of_two_forms_a_take_is_for_is_told_by_what_was_played_then_by_the_date_and_else_asked() {
    let forms = |given: &[(&str, &str)]| -> (Vec<String>, String, String) {
        let school = School { folder: tempfile::tempdir().unwrap() };
        school.ok(&["new"]);
        std::fs::write(school.path("roster.csv"), "class,nickname\n3b,Wren\n3b,Swift\n").unwrap();
        school.ok(&["roster", &school.text("roster.csv")]);
        for (form, day) in given {
            let part = demo("lantern-parade.toml");
            school.ok(&["assign", part.to_str().unwrap(), "--class", "3b", "--form", form, "--from", day]);
        }
        let inbox = school.inbox();
        std::fs::copy(demo("swift.wav"), inbox.join("swift.wav")).unwrap();
        std::fs::copy(demo("wren.m4a"), inbox.join("wren.m4a")).unwrap();
        school.ok(&["gather", inbox.to_str().unwrap()]);
        let db = rusqlite::Connection::open(school.path("class-book.sqlite")).unwrap();
        let sql = "SELECT p.nickname || ' ' || a.form FROM takes t JOIN pupils p ON p.id = t.pupil
                   JOIN assignments a ON a.id = t.assignment ORDER BY 1";
        let mut ask = db.prepare(sql).unwrap();
        let rows = ask.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
        let findings = school.ok(&["takes", "Swift"]) + &school.ok(&["takes", "Wren"]);
        (rows, findings, school.ok(&["waiting"]))
    };
    // Wren plays A A B B, Swift A B; whichever was given last.
    for given in
        [[("A A B B", "2020-01-01"), ("A B", "2020-02-01")], [("A B", "2020-01-01"), ("A A B B", "2020-02-01")]]
    {
        let (rows, findings, _) = forms(&given);
        assert_eq!(rows, ["Swift A B", "Wren A A B B"]);
        assert!(!findings.contains("repeat-extra") && !findings.contains("repeat-missing"), "{findings}");
    }
    // Who stops early may have stopped in either: the date tells, and on one day nobody knows.
    assert_eq!(forms(&[("A B", "2020-01-01"), ("A B A", "2020-02-01")]).0[0], "Swift A B A");
    let (rows, _, waits) = forms(&[("A B", "2020-01-01"), ("A B A", "2020-01-01")]);
    assert!(!rows.iter().any(|r| r.starts_with("Swift")), "{rows:?}");
    assert!(
        waits.contains("it may be for Lantern Parade as") || waits.contains("it may be for `Lantern Parade` as"),
        "{waits}"
    );
}

#[cfg(unix)]
#[test]
fn links_are_followed_and_a_loop_stops_nothing() {
    let school = School::new();
    let (inbox, elsewhere) = (school.inbox(), school.path("elsewhere"));
    std::fs::create_dir(&elsewhere).unwrap();
    std::fs::copy(demo("swift.wav"), elsewhere.join("VID_20261104.wav")).unwrap();
    std::os::unix::fs::symlink(&elsewhere, inbox.join("Swift")).unwrap();
    std::os::unix::fs::symlink(&inbox, inbox.join("loop")).unwrap();
    let said = school.ok(&["gather", inbox.to_str().unwrap()]);
    assert!(said.contains("1 new take,") && said.contains("From Swift."), "{said}");
    assert!(school.ok(&["takes", "Swift"]).contains("4 November 2026"));
}

const ECHOES: &str = r#"
title  = "Morning echoes"
meter  = "4/4"
bpm    = 100
rounds = 4
breath = 1
hush   = "owl"
[calls.owl]
strokes = "oo.o o.--"
[calls.hens]
strokes = "o.o. o.o."
[calls.pond]
strokes = "o.oo o.--"
"#;

/// Makes the calls for a pupil in a folder, `echoes.wav` with `echoes.json` beside it; the plan.
fn make_calls(folder: &Path, pupil: &[&str]) -> Value {
    std::fs::create_dir_all(folder).unwrap();
    let file = folder.join("echoes.toml");
    std::fs::write(&file, ECHOES).unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_pailbeat"));
    command.args(["drill", "make"]).arg(&file).arg("--out").arg(folder.join("echoes.wav"));
    let output = command.args(["--rate", "44100", "--seed", "3"]).args(pupil).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&std::fs::read(folder.join("echoes.json")).unwrap()).unwrap()
}

/// A recording of a drill as bytes of a wav: the calls from second 1 on at this gain, and every call but the hush pattern
/// echoed. `room` makes each another.
fn answered(folder: &Path, plan: &Value, gain: f32, room: u64) -> Vec<u8> {
    let full = f32::from(i16::MAX);
    let mut reader = hound::WavReader::open(folder.join("echoes.wav")).unwrap();
    let calls: Vec<f32> = reader.samples::<i16>().map(|v| f32::from(v.unwrap()) / full).collect();
    let mut sound = Rng(room).noise(calls.len() + 44_100, 1e-4);
    let mut add = |at: f64, wave: &[f32], gain: f32| {
        let from = (at * 44_100.0) as usize;
        sound[from..].iter_mut().zip(wave).for_each(|(v, w)| *v += gain * w);
    };
    add(1.0, &calls, gain);
    // A bucket, and not the sound of the calls: that would be taken for them.
    let decays = |k: i32, hz: f64, ms: f64| {
        let t = f64::from(k) / 44_100.0;
        (std::f64::consts::TAU * hz * t).sin() * (-t * 1e3 / ms).exp()
    };
    let wave: Vec<f32> = (0..6000).map(|k| (decays(k, 210.0, 35.0) + 0.6 * decays(k, 1740.0, 9.0)) as f32).collect();
    for round in plan["rounds"].as_array().unwrap().iter().filter(|r| r["hush"] == false) {
        for stroke in round["strokes"].as_array().unwrap() {
            add(1.0 + round["answer_s"].as_f64().unwrap() + stroke[0].as_f64().unwrap(), &wave, 0.3);
        }
    }
    pailbeat::audio::wav(&sound, EAR_RATE, "").unwrap()
}

/// A plan as the card of a recording that `drill play` made.
fn drill_card(plan: &Value, pupil: Option<&str>, begins_s: Option<f64>) -> Vec<u8> {
    let mut card = plan.clone();
    card["pupil"] = pupil.into();
    card["recording"] =
        serde_json::json!({"began": "2026-11-04 15:00:00 +0000", "begins_s": begins_s, "rate_hz": 44_100});
    card.to_string().into_bytes()
}

/// Rows of the book: pupil, file, day, right, rounds, by pupil and file.
fn drills(school: &School) -> Vec<(String, String, i64, i64, i64)> {
    let db = rusqlite::Connection::open(school.path("class-book.sqlite")).unwrap();
    let sql =
        "SELECT p.nickname, d.file, d.taken_s, d.rounds_right, d.rounds FROM drills d JOIN pupils p ON p.id = d.pupil
               ORDER BY 1, 2";
    let mut ask = db.prepare(sql).unwrap();
    let rows = ask.query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))).unwrap();
    rows.map(Result::unwrap).collect()
}

#[test]
fn drills_are_kept_beside_takes_from_folder_zip_and_mail_and_only_once() {
    let school = School::new();
    let inbox = school.inbox();
    // Played by `drill play` with headphones: only the card says where the calls were.
    let plan = make_calls(&inbox.join("Wren"), &[]);
    std::fs::write(inbox.join("Wren/REC_1.wav"), answered(&inbox.join("Wren"), &plan, 0.0, 1)).unwrap();
    std::fs::write(inbox.join("Wren/REC_1.drill.json"), drill_card(&plan, None, Some(1.0))).unwrap();
    // Recorded by phone while the calls played, sent under the name of the plan; the calls lie there too.
    let robin = make_calls(&inbox.join("more"), &["--pupil", "Robin"]);
    let sound = answered(&inbox.join("more"), &robin, 0.4, 2);
    std::fs::remove_file(inbox.join("Wren/echoes.json")).unwrap();
    std::fs::rename(inbox.join("more/echoes.json"), inbox.join("more/tape.json")).unwrap();
    std::fs::write(inbox.join("more/tape.wav"), &sound).unwrap();
    // In a zip, and in a mail with its plan, whatever that is called.
    let mut zip = zip::ZipWriter::new(std::fs::File::create(inbox.join("more.zip")).unwrap());
    let plain = zip::write::SimpleFileOptions::default();
    zip.start_file("x/REC_7.wav", plain).unwrap();
    zip.write_all(&answered(&inbox.join("Wren"), &plan, 0.0, 3)).unwrap();
    zip.start_file("x/REC_7.drill.json", plain).unwrap();
    zip.write_all(&drill_card(&plan, Some("Swift"), Some(1.0))).unwrap();
    zip.finish().unwrap();
    use base64::Engine as _;
    let coded = |bytes: &[u8]| base64::engine::general_purpose::STANDARD.encode(bytes);
    let part = |name: &str, bytes: &[u8]| {
        format!(
            "--b\nContent-Type: application/octet-stream; name=\"{name}\"\nContent-Disposition: attachment; \
             filename=\"{name}\"\nContent-Transfer-Encoding: base64\n\n{}\n",
            coded(bytes)
        )
    };
    let mail = format!(
        "From: nest@example.org\nDate: Wed, 4 Nov 2026 12:00:00 +0000\nSubject: homework\nMIME-Version: 1.0\n\
         Content-Type: multipart/mixed; boundary=\"b\"\n\n{}{}--b--\n",
        part("VID_3.wav", &answered(&inbox.join("more"), &robin, 0.4, 4)),
        part("plan.json", &serde_json::to_vec(&plan).unwrap())
    );
    std::fs::write(inbox.join("post.eml"), mail).unwrap();
    std::fs::copy(demo("swift.wav"), inbox.join("swift.wav")).unwrap();

    let place = inbox.to_str().unwrap();
    let said = school.ok(&["gather", place]);
    assert!(said.contains("1 new take, 0 known already, 0 copies, 1 for you to settle, 0 not usable"), "{said}");
    assert!(said.contains("3 echo drills kept, from Robin, Swift, Wren.\n"), "{said}");
    assert!(said.contains("2 files with a sound check or nothing but the calls of a drill passed over.\n"), "{said}");
    let kept = drills(&school);
    let whose: Vec<&str> = kept.iter().map(|d| d.0.as_str()).collect();
    assert_eq!(whose, ["Robin", "Swift", "Wren"]);
    assert!(kept.iter().all(|d| (d.3, d.4) == (4, 4)), "{kept:?}");
    assert_eq!(kept[2].2, 1_793_804_400, "the card says when it began");

    // What `drill score` says of the same recording.
    let score = |path: &str| {
        let score =
            Command::new(env!("CARGO_BIN_EXE_pailbeat")).args(["drill", "score"]).arg(inbox.join(path)).output();
        String::from_utf8(score.unwrap().stdout).unwrap()
    };
    assert!(score("Wren/REC_1.wav").contains("4 of 4 rounds right"));

    // Whose the mail is, the teacher says; it is no take of a part.
    assert!(school.ok(&["waiting"]).contains("whose drill is it?"));
    let wrong = school.run(&["settle", "1", "--pupil", "Plover", "--part", "Lantern Parade"]);
    assert_eq!(wrong.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&wrong.stderr).contains("no take of `Lantern Parade`"));
    let sounds = || std::fs::read_dir(school.path("sound")).unwrap().count();
    let before = sounds();
    let said = school.ok(&["settle", "1", "--pupil", "Plover", "--always"]);
    assert!(said.contains("Plover, drill Morning echoes: 4 of 4 rounds right"), "{said}");
    assert_eq!((sounds(), drills(&school).len()), (before - 1, 4), "the sound of a drill is not kept");
    assert!(school.ok(&["waiting"]).contains("Nothing waits"));

    let said = school.ok(&["gather", place]);
    assert!(said.contains("0 new takes, 5 known already, 0 copies, 0 for you") && !said.contains("kept"), "{said}");
    assert_eq!(drills(&school).len(), 4);
    // From then on the sender is known.
    let mail = std::fs::read_to_string(inbox.join("post.eml")).unwrap();
    let other = coded(&answered(&inbox.join("more"), &robin, 0.4, 5));
    let first = coded(&answered(&inbox.join("more"), &robin, 0.4, 4));
    std::fs::write(inbox.join("post.eml"), mail.replace(&first, &other)).unwrap();
    assert!(school.ok(&["gather", place]).contains("1 echo drill kept, from Plover."));

    let asked = school.run(&["forget", "Wren"]);
    assert_eq!(asked.status.code(), Some(2), "there is nobody to ask");
    assert!(String::from_utf8_lossy(&asked.stdout).contains("Forgetting Wren removes 0 takes, 1 drill,"));
    assert!(drills(&school).iter().any(|d| d.0 == "Wren"));
    assert!(school.ok(&["forget", "Wren", "--yes"]).contains("1 drill,"));
    assert!(drills(&school).iter().all(|d| d.0 != "Wren"));
}

#[test]
fn a_drill_that_cannot_be_used_is_named_with_the_way_out_and_the_rest_goes_on() {
    let school = School::new();
    let inbox = school.inbox();
    let calls = school.path("calls");
    let plan = make_calls(&calls, &[]);
    let sound = |room: u64| answered(&calls, &plan, 0.0, room);
    let put = |name: &str, bytes: &[u8], card: &[u8]| {
        std::fs::write(inbox.join(format!("{name}.wav")), bytes).unwrap();
        std::fs::write(inbox.join(format!("{name}.drill.json")), card).unwrap();
    };
    let card = |at: Option<f64>| drill_card(&plan, Some("Wren"), at);
    put("a-cut", &sound(1), &card(Some(1.0))[..400]);
    put("b-binary", &sound(2), &[0xff, 0, 0x7b, 0xfe]);
    let mut other = plan.clone();
    other["rounds"][0]["call"] = "nightjar".into();
    put("c-other", &sound(3), other.to_string().as_bytes());
    other["drill"] = format!("{}\n[calls.wren]\nstrokes = 3", ECHOES).into();
    put("d-drill", &sound(4), other.to_string().as_bytes());
    put("e-silent", &sound(5), &card(None));
    put("f-before", &sound(6), &card(Some(-1e12)));
    put("g-short", &sound(7)[..150_000], &card(Some(1.0)));
    put("h-good", &sound(8), &card(Some(1.0)));
    put("i-letter", b"dear teacher", &card(Some(1.0)));

    let output = school.run(&["gather", inbox.to_str().unwrap()]);
    let (said, told) = (String::from_utf8(output.stdout).unwrap(), String::from_utf8(output.stderr).unwrap());
    assert_eq!(output.status.code(), Some(1));
    assert!(said.contains("0 new takes, 0 known already, 0 copies, 0 for you to settle, 8 not usable"), "{said}{told}");
    assert!(said.contains("1 echo drill kept, from Wren."), "{said}");
    let line = |name: &str| told.lines().find(|l| l.contains(name)).unwrap_or_else(|| panic!("{name}: {told}"));
    for (name, why, way_out) in [
        ("a-cut", "it is no plan of a drill", "unchanged"),
        ("b-binary", "it is no plan of a drill", "unchanged"),
        ("c-other", "not those this program draws", "the version of pailbeat that made it"),
        ("d-drill", "was changed and cannot be read", "unchanged"),
        ("e-silent", "the calls of `Morning echoes` are not heard in it", "over a loudspeaker"),
        ("f-before", "are not heard in it", "over a loudspeaker"),
        ("g-short", "it ends before the first answer is over", "until an answer is over"),
        ("i-letter", "i-letter", ""),
    ] {
        assert!(line(name).contains(why) && line(name).contains(way_out), "{name}: {}", line(name));
    }
    assert_eq!(drills(&school).len(), 1);
}

#[test]
fn what_cannot_start_says_the_way_out() {
    let folder = tempfile::tempdir().unwrap();
    let run = |args: &[&str]| {
        Command::new(env!("CARGO_BIN_EXE_pailbeat"))
            .arg("book")
            .args(args)
            .arg("--book")
            .arg(folder.path())
            .output()
            .unwrap()
    };
    let output = run(&["show"]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("hint: make one with `pailbeat book new FOLDER`"));
    assert_eq!(run(&["new"]).status.code(), Some(0));
    assert_eq!(run(&["new"]).status.code(), Some(2));
    let output = run(&["word", "Nobody", "hello"]);
    assert_eq!(output.status.code(), Some(2));
}
