//! The class book as a teacher uses it, from the command line, with the demo class.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

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
    assert!(page.contains("Lantern Parade") && page.contains("all 4 have sent it"));
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
    assert!(page.contains("all 2 have sent it<"), "{page}");
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
