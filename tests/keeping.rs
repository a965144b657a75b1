//! The program killed at random moments, and twice at once: nothing is half, nothing is lost, and what is begun again ends
//! as if it had not been killed.
//!
//! `PAILBEAT_KILLS` and `PAILBEAT_TRIES` say how often (`scripts/test-keeping`: 200 and 100).
#![cfg(unix)]
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use pailbeat::units::EAR_RATE;
use rusqlite::Connection;
use sha2::{Digest as _, Sha256};

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

const PART: &str = "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 120, goal = 130 }\nform = \"A\"\n\
                    [sections.A]\nstrokes = \"o.o. o.o.\"\n";
const BOOK: &str = "class-book.sqlite";

fn times(name: &str) -> usize {
    std::env::var(name).ok().and_then(|n| n.parse().ok()).unwrap_or(3)
}

/// Two bars of a bucket, short enough to be heard many times.
fn take(room: u32) -> Vec<u8> {
    let mut sound = Rng(room.into()).noise(2 * 44_100, 1e-4);
    for k in 0..3 {
        let from = 9_000 + k * 22_050 + (room as usize * 37) % 900;
        for (n, v) in sound[from..].iter_mut().take(4000).enumerate() {
            let t = n as f32 / 44_100.0;
            *v += 0.3 * (std::f32::consts::TAU * 210.0 * t).sin() * (-t * 30.0).exp();
        }
    }
    pailbeat::audio::wav(&sound, EAR_RATE, "").unwrap()
}

/// A class with an inbox: takes of three pupils, and one of nobody.
struct School {
    folder: tempfile::TempDir,
}

impl School {
    fn new() -> School {
        let school = School { folder: tempfile::tempdir().unwrap() };
        let inbox = school.path("inbox");
        std::fs::create_dir(&inbox).unwrap();
        std::fs::write(school.path("rain.toml"), PART).unwrap();
        std::fs::write(school.path("roster.csv"), "class,nickname\n3b,Wren\n3b,Jay\n3b,Robin\n").unwrap();
        for (room, who) in [(1, "Wren"), (2, "Jay"), (3, "Robin"), (4, "Wren_and_Jay")] {
            std::fs::write(inbox.join(format!("{who}_1.wav")), take(room)).unwrap();
            let card = "{\"part\": {\"title\": \"Rain\"}}";
            std::fs::write(inbox.join(format!("{who}_1.take.json")), card).unwrap();
        }
        school.ok(&["new"]);
        school.ok(&["roster", &school.text("roster.csv")]);
        school.ok(&["assign", &school.text("rain.toml"), "--class", "3b", "--from", "2020-01-01"]);
        school
    }

    /// The same once more, in a folder of its own.
    fn copy(&self) -> School {
        let school = School { folder: tempfile::tempdir().unwrap() };
        for entry in walkdir::WalkDir::new(self.folder.path()).min_depth(1).into_iter().map(Result::unwrap) {
            let to = school.folder.path().join(entry.path().strip_prefix(self.folder.path()).unwrap());
            if entry.file_type().is_dir() {
                std::fs::create_dir(&to).unwrap();
            } else {
                std::fs::copy(entry.path(), &to).unwrap();
            }
        }
        school
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn text(&self, name: &str) -> String {
        self.path(name).to_str().unwrap().to_owned()
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pailbeat"));
        command.arg("book").args(args).arg("--book").arg(self.folder.path());
        command.stdout(Stdio::piped()).stderr(Stdio::piped()).stdin(Stdio::null());
        command
    }

    fn gather(&self) -> Command {
        self.command(&["gather", &self.text("inbox")])
    }

    fn ok(&self, args: &[&str]) -> String {
        finished(self.command(args).output().unwrap())
    }

    fn db(&self) -> Connection {
        Connection::open(self.path(BOOK)).unwrap()
    }

    /// All that counts in the book, and all files in its folders.
    fn state(&self) -> Vec<String> {
        let db = self.db();
        assert_eq!(db.query_row("PRAGMA integrity_check", [], |r| r.get::<_, String>(0)).unwrap(), "ok");
        let mut out = Vec::new();
        for sql in [
            "SELECT p.nickname || ' ' || hex(t.sha256) || ' ' || coalesce(t.sound, '') FROM takes t JOIN pupils p ON p.id = t.pupil",
            "SELECT hex(sha256) || ' waits ' || sound FROM waiting",
            "SELECT nickname FROM pupils",
            "SELECT 'results ' || count(*) FROM results",
            "SELECT 'unfinished ' || value FROM settings WHERE name = 'forgetting'",
        ] {
            let mut ask = db.prepare(sql).unwrap();
            out.extend(ask.query_map([], |r| r.get::<_, String>(0)).unwrap().map(Result::unwrap));
        }
        out.sort();
        for entry in walkdir::WalkDir::new(self.path("sound")).min_depth(1).sort_by_file_name() {
            out.push(entry.unwrap().file_name().to_string_lossy().into_owned());
        }
        out
    }

    /// What must hold at any moment: the book is whole, and every file of sound that a row speaks of is there, whole.
    fn whole(&self) {
        let db = self.db();
        assert_eq!(db.query_row("PRAGMA integrity_check", [], |r| r.get::<_, String>(0)).unwrap(), "ok");
        let mut ask =
            db.prepare("SELECT sound FROM takes WHERE sound IS NOT NULL UNION SELECT sound FROM waiting").unwrap();
        let named: BTreeSet<String> = ask.query_map([], |r| r.get(0)).unwrap().map(Result::unwrap).collect();
        for entry in std::fs::read_dir(self.path("sound")).unwrap().map(Result::unwrap) {
            let name = entry.file_name().to_string_lossy().into_owned();
            if !name.starts_with(".pailbeat-") {
                let sum: String =
                    Sha256::digest(std::fs::read(entry.path()).unwrap()).iter().map(|b| format!("{b:02x}")).collect();
                assert_eq!(Some(sum.as_str()), name.split('.').next(), "half a file of sound");
            }
        }
        for sound in named {
            assert!(self.path("sound").join(&sound).is_file(), "{sound} has a row and no file");
        }
    }

    /// Files in which a name stands, whatever the program made.
    fn naming(&self, name: &str) -> Vec<PathBuf> {
        let own = [self.path("sound"), self.path("pages"), self.path(BOOK)];
        let beside = ["-wal", "-shm"].map(|end| self.path(&format!("{BOOK}{end}")));
        let all = own.iter().chain(&beside).filter(|p| p.exists()).flat_map(walkdir::WalkDir::new).map(Result::unwrap);
        let holds = |path: &Path| {
            let bytes = std::fs::read(path).unwrap();
            bytes.windows(name.len()).any(|w| w.eq_ignore_ascii_case(name.as_bytes()))
        };
        all.filter(|e| e.file_type().is_file() && holds(e.path())).map(|e| e.into_path()).collect()
    }
}

fn finished(output: Output) -> String {
    let said = format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    assert_eq!(output.status.code(), Some(0), "{said}");
    said
}

/// Whether the program was killed while it was alive.
fn kill_after(mut child: Child, wait: Duration) -> bool {
    std::thread::sleep(wait);
    let alive = child.try_wait().unwrap().is_none();
    child.kill().unwrap();
    child.wait().unwrap();
    alive
}

/// Kills a command at random moments of its life, each time from the same beginning; `check` sees every end.
fn kills(seed: u64, start: &School, command: impl Fn(&School) -> Command, mut check: impl FnMut(School)) {
    let school = start.copy();
    let begun = Instant::now();
    finished(command(&school).output().unwrap());
    let lasts = begun.elapsed().as_secs_f64();
    let (mut dice, mut killed) = (Rng(seed), 0);
    let (wanted, mut tried) = (times("PAILBEAT_KILLS"), 0);
    while killed < wanted {
        let school = start.copy();
        let child = command(&school).spawn().unwrap();
        let alive = kill_after(child, Duration::from_secs_f64(dice.unit() * lasts));
        killed += usize::from(alive);
        tried += 1;
        assert!(tried < 50 * wanted + 100, "it cannot be killed while it is alive");
        check(school);
    }
}

#[test]
fn a_gather_that_was_killed_ends_as_if_it_had_not_been() {
    let start = School::new();
    let reference = start.copy();
    finished(reference.gather().output().unwrap());
    let wanted = reference.state();
    assert!(wanted.len() > 10, "{wanted:?}");
    kills(1, &start, School::gather, |school| {
        school.whole();
        finished(school.gather().output().unwrap());
        assert_eq!(school.state(), wanted);
    });
}

#[test]
fn who_was_being_forgotten_when_it_was_killed_is_forgotten_and_nobody_else() {
    let start = School::new();
    finished(start.gather().output().unwrap());
    start.ok(&["settle", "1", "--pupil", "Wren", "--part", "Rain"]);
    start.ok(&["class", "3b"]);
    start.ok(&["pupil", "Wren"]);
    start.ok(&["word", "Jay", "play with Wren on Friday"]);
    let reference = start.copy();
    assert!(!reference.naming("wren").is_empty());
    reference.ok(&["forget", "wren", "--yes"]);
    assert_eq!(reference.naming("wren"), Vec::<PathBuf>::new());
    let wanted = reference.state();
    kills(
        2,
        &start,
        |s| s.command(&["forget", "Wren", "--yes"]),
        |school| {
            let gone = school
                .db()
                .query_row("SELECT count(*) FROM pupils WHERE nickname = 'Wren'", [], |r| r.get::<_, i64>(0));
            if gone.unwrap() == 0 {
                // Whatever is done next finishes it.
                school.ok(&["word", "Jay", "well done"]);
            } else {
                school.ok(&["forget", "Wren", "--yes"]);
            }
            assert_eq!(school.naming("wren"), Vec::<PathBuf>::new());
            assert_eq!(school.state(), wanted);
        },
    );
}

#[test]
fn an_assignment_is_given_whole_or_not_at_all() {
    let start = School::new();
    let given = |school: &School| -> i64 {
        school
            .db()
            .query_row("SELECT count(*) FROM assignments JOIN parts ON parts.id = part", [], |r| r.get(0))
            .unwrap()
    };
    assert_eq!(given(&start), 1);
    kills(
        3,
        &start,
        |s| s.command(&["assign", &s.text("rain.toml"), "--class", "3b", "--bpm", "125"]),
        |school| {
            school.whole();
            let now = given(&school);
            assert!((1..=2).contains(&now));
            school.ok(&["assign", &school.text("rain.toml"), "--class", "3b", "--bpm", "128"]);
            assert_eq!(given(&school), now + 1);
        },
    );
}

#[test]
fn a_backup_is_whole_or_not_there() {
    use std::os::unix::fs::PermissionsExt as _;
    let start = School::new();
    finished(start.gather().output().unwrap());
    let takes = |path: &Path| -> i64 {
        let db = Connection::open(path).unwrap();
        assert_eq!(db.query_row("PRAGMA integrity_check", [], |r| r.get::<_, String>(0)).unwrap(), "ok");
        db.query_row("SELECT count(*) FROM takes", [], |r| r.get(0)).unwrap()
    };
    kills(
        4,
        &start,
        |s| s.command(&["backup", &s.text("copy.sqlite")]),
        |school| {
            let copy = school.path("copy.sqlite");
            if copy.exists() {
                assert_eq!(takes(&copy), 3);
            }
            for entry in std::fs::read_dir(school.folder.path()).unwrap().map(Result::unwrap) {
                let left = entry.file_name().to_string_lossy().starts_with(".pailbeat-");
                assert!(
                    !left || entry.metadata().unwrap().permissions().mode() & 0o077 == 0,
                    "others can read what is left"
                );
            }
            school.ok(&["backup", &school.text("second.sqlite")]);
            assert_eq!(takes(&school.path("second.sqlite")), 3);
            school.ok(&["tidy"]);
            let left =
                std::fs::read_dir(school.folder.path()).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap());
            assert!(!left.into_iter().any(|n| n.starts_with(".pailbeat-")));
        },
    );
}

#[test]
fn two_gathers_at_once_end_as_one() {
    let start = School::new();
    let reference = start.copy();
    finished(reference.gather().output().unwrap());
    let wanted = reference.state();
    for _ in 0..times("PAILBEAT_TRIES") {
        let school = start.copy();
        let both = [school.gather().spawn().unwrap(), school.gather().spawn().unwrap()];
        let said = both.map(|child| finished(child.wait_with_output().unwrap())).concat();
        assert!(said.contains("3 new takes") && said.contains("3 known already"), "{said}");
        assert_eq!(school.state(), wanted);
    }
}

#[test]
fn who_is_forgotten_while_recordings_are_gathered_is_not_written_again() {
    let start = School::new();
    finished(start.gather().output().unwrap());
    for room in 10..14 {
        std::fs::write(start.path(&format!("inbox/Jay_{room}.wav")), take(room)).unwrap();
    }
    for entry in std::fs::read_dir(start.path("inbox")).unwrap().map(|e| e.unwrap().path()) {
        if entry.to_string_lossy().contains("Wren") {
            std::fs::remove_file(entry).unwrap();
        }
    }
    for _ in 0..times("PAILBEAT_TRIES") {
        let school = start.copy();
        let gather = school.gather().spawn().unwrap();
        let forget = school.command(&["forget", "Wren", "--yes"]).spawn().unwrap();
        for child in [gather, forget] {
            finished(child.wait_with_output().unwrap());
        }
        school.ok(&["settle", "1", "--away"]);
        school.ok(&["tidy"]);
        assert_eq!(school.naming("wren"), Vec::<PathBuf>::new());
        school.whole();
    }
}

#[test]
fn two_assess_one_take_at_once_and_takes_of_one_name_have_pages_of_their_own() {
    let place = tempfile::tempdir().unwrap();
    let part = place.path().join("rain.toml");
    std::fs::write(&part, PART).unwrap();
    for (folder, room) in [("a", 5), ("b", 6)] {
        std::fs::create_dir(place.path().join(folder)).unwrap();
        std::fs::write(place.path().join(folder).join("take.wav"), take(room)).unwrap();
    }
    let assess = |out: &Path, folders: &[&str]| {
        let mut command = Command::new(env!("CARGO_BIN_EXE_pailbeat"));
        command.arg("assess").arg(&part).args(folders.iter().map(|f| place.path().join(f).join("take.wav")));
        command.arg("--out").arg(out).stdout(Stdio::piped()).stderr(Stdio::piped());
        command
    };
    let pages = |out: &Path| -> Vec<(String, Vec<u8>)> {
        let mut all: Vec<_> = std::fs::read_dir(out)
            .unwrap()
            .map(|e| e.unwrap())
            .map(|e| (e.file_name().into_string().unwrap(), std::fs::read(e.path()).unwrap()))
            .collect();
        all.sort();
        all
    };
    let wanted = place.path().join("both");
    finished(assess(&wanted, &["a", "b"]).output().unwrap());
    let both = pages(&wanted);
    assert_eq!(both.len(), 8);
    assert!(both.iter().all(|(name, _)| pailbeat::files::is_ours(&wanted.join(name))));
    // Again, and in the other order: each goes over its own.
    finished(assess(&wanted, &["b"]).output().unwrap());
    finished(assess(&wanted, &["a"]).output().unwrap());
    assert_eq!(pages(&wanted), both);
    for k in 0..times("PAILBEAT_TRIES") {
        let out = place.path().join(format!("out{k}"));
        let two = [assess(&out, &["a"]).spawn().unwrap(), assess(&out, &["a"]).spawn().unwrap()];
        for child in two {
            finished(child.wait_with_output().unwrap());
        }
        assert_eq!(pages(&out).len(), 4, "one take, one set of pages");
        assert!(pages(&out).iter().all(|(name, _)| pailbeat::files::is_ours(&out.join(name))));
    }
}
