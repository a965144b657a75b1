//! One way through: the command line and the class book say the same of the same take, to the last digit; plain, with a
//! guide in it, and with the strikes of a sound check.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::path::{Path, PathBuf};
use std::process::Command;

use pailbeat::audio;
use pailbeat::book::gather::Rules;
use pailbeat::book::sources::Spool;
use pailbeat::book::{Answer, Book, NewAssignment, distil, sources};
use pailbeat::guide::{Description, Guide, GuideConfig, Laps, Practice, Sound, render};
use pailbeat::part::{Part, Surface, parse};
use pailbeat::report::json;
use pailbeat::take::{Card, KeptCheck, PartOfTake, fingerprint};
use pailbeat::units::{Bpm, EAR_RATE};
use serde_json::Value;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

const TAKES: [&str; 6] = ["wren.m4a", "robin.ogg", "heron.webm", "finch.mp3", "plover.flac", "swift.wav"];
const CHECK: &str = "strikes.wav";

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name)
}

/// What was asked of a take: tempo and form.
fn asked(take: &str) -> (Bpm, String) {
    let truth: Value = serde_json::from_slice(&std::fs::read(demo(take).with_extension("json")).unwrap()).unwrap();
    (Bpm::new(truth["asked_bpm"].as_f64().unwrap()).unwrap(), truth["form"].as_str().unwrap().to_owned())
}

fn part() -> (String, Part) {
    let text = std::fs::read_to_string(demo("lantern-parade.toml")).unwrap();
    let part = parse(&text).unwrap();
    (text, part)
}

/// What the binary says of takes: one object each, in order.
fn assessed(args: &[&str]) -> Vec<Value> {
    let output = Command::new(env!("CARGO_BIN_EXE_pailbeat")).arg("assess").args(args).arg("--json").output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    assert!(!String::from_utf8_lossy(&output.stderr).contains("cannot be used"));
    let mut all = match serde_json::from_slice(&output.stdout).unwrap() {
        Value::Array(all) => all,
        one => vec![one],
    };
    for one in &mut all {
        // Which file it was is known to the command line alone.
        one.as_object_mut().unwrap().remove("take");
    }
    all
}

/// A book whose class has been asked for all that was asked of the takes, with what lies in a folder in it.
fn gathered(folder: &Path, takes: &Path) -> Book {
    let book = Book::create(&folder.join("book")).unwrap();
    let nicknames: Vec<&str> = TAKES.iter().map(|t| t.split('.').next().unwrap()).collect();
    book.enrol(nicknames.iter().map(|n| ("3b", *n))).unwrap();
    let text = part().0;
    for take in TAKES {
        let (bpm, form) = asked(take);
        let new = NewAssignment {
            class: "3b",
            part_text: &text,
            form: Some(&form),
            bpm: Some(bpm),
            given_s: 1_000,
            due_s: None,
        };
        book.assign(&new).unwrap();
    }
    let spool = Spool::new(book.folder());
    let (items, unreadable) = sources::collect(&[takes.to_owned()], &spool);
    assert!(unreadable.is_empty(), "{unreadable:?}");
    book.gather(&items, Rules::default(), &spool, |_, _, _| {}).unwrap();
    book
}

/// What the book says of a pupil's only take.
fn in_the_book(book: &Book, take: &str) -> Value {
    let pupil = book.pupil(take.split('.').next().unwrap()).unwrap();
    let takes = book.takes(Some(pupil.id)).unwrap();
    assert_eq!(takes.len(), 1, "{take}");
    let assessment = book.hear_again(takes[0].id).unwrap().unwrap();
    // What was kept when it was gathered is what it is heard to be now.
    let found: Vec<_> = distil::distil(&assessment).findings.into_iter().map(|f| (f.kind, f.text)).collect();
    assert_eq!(book.findings(takes[0].id).unwrap(), found, "{take}");
    serde_json::from_str(&json::assessment(&assessment)).unwrap()
}

/// A take with its card in a folder; what sounds in it besides, and whether a sound check was made.
fn with_card(folder: &Path, take: &str, guide: Option<&Guide>, about: Description, check: bool) -> PathBuf {
    let (text, part) = part();
    let mut samples = audio::open(&demo(take)).unwrap().read_to_end().unwrap();
    if let Some(guide) = guide {
        let clicks = guide.samples();
        samples.resize(samples.len().max(clicks.len()), 0.0);
        clicks.iter().zip(&mut samples).for_each(|(click, v)| *v += 0.3 * click);
    }
    // A card's part is found by its content in the folder of the take.
    std::fs::write(folder.join("lantern-parade.toml"), &text).unwrap();
    let path = folder.join(take).with_extension("wav");
    std::fs::write(&path, audio::wav(&samples, EAR_RATE, "").unwrap()).unwrap();
    let of = PartOfTake {
        path: Some("lantern-parade.toml".into()),
        sha256: Some(fingerprint(text.as_bytes())),
        title: Some(part.title),
    };
    let mut card = Card::new(of, about, "default".into(), EAR_RATE.get(), 1);
    card.pupil = Some(take.split('.').next().unwrap().into());
    (card.guide_played, card.start_s, card.cut_short) = (guide.is_some(), Some(1.5), Some("the disk was full".into()));
    let surfaces = check.then(|| format!("{CHECK}:centre,rim,click"));
    card.sound_check = Some(KeptCheck { surfaces, ..KeptCheck::default() });
    card.write(&path, None).unwrap();
    path
}

/// Nine strikes of a sound check.
fn check(folder: &Path) {
    let mut x = Rng(7).noise(8 * 44_100, 2e-4);
    let surfaces = [Surface::Centre, Surface::Rim, Surface::Click];
    for (k, surface) in surfaces.iter().flat_map(|s| [s; 3]).enumerate() {
        let at = 17_640 + 35_280 * k;
        x[at..].iter_mut().zip(Sound::Stroke(*surface).samples(EAR_RATE)).for_each(|(x, v)| *x += 0.4 * v);
    }
    let sound = audio::wav(&x, EAR_RATE, pailbeat::take::STRIKES_NOTE).unwrap();
    std::fs::write(folder.join(CHECK), sound).unwrap();
}

#[test]
fn the_book_says_of_each_take_what_assess_says() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    TAKES.iter().for_each(|take| _ = std::fs::copy(demo(take), takes.join(take)).unwrap());
    // Without a card nothing says which assignment a take was made for, so that each has a book of its own.
    for take in TAKES {
        let own = folder.path().join(take);
        std::fs::create_dir(&own).unwrap();
        let book = Book::create(&own.join("book")).unwrap();
        book.enrol([("3b", take.split('.').next().unwrap())]).unwrap();
        let (bpm, form) = asked(take);
        let text = part().0;
        let new =
            NewAssignment { class: "3b", part_text: &text, form: Some(&form), bpm: Some(bpm), given_s: 1, due_s: None };
        book.assign(&new).unwrap();
        let spool = Spool::new(book.folder());
        let (items, _) = sources::collect(&[takes.join(take)], &spool);
        book.gather(&items, Rules::default(), &spool, |_, _, _| {}).unwrap();
        let path = takes.join(take);
        let typed = [demo("lantern-parade.toml"), path].map(|p| p.to_str().unwrap().to_owned());
        let bpm = bpm.get().to_string();
        let said = assessed(&[&typed[0], &typed[1], "--bpm", &bpm, "--form", &form]);
        assert_eq!(said, [in_the_book(&book, take)], "{take}");
    }
}

#[test]
fn a_guide_in_the_takes_and_their_cards_change_both_alike() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    let mut paths = Vec::new();
    for take in TAKES {
        let ((bpm, form), part) = (asked(take), part().1);
        let practice = Practice::of(&part, Some(&form), &Laps::default(), bpm).unwrap();
        let guide = render(&practice, &GuideConfig::default(), EAR_RATE).unwrap();
        let about = Description::new(&part, Some(&form), &Laps::default(), bpm, &guide);
        paths.push(with_card(&takes, take, Some(&guide), about, false));
    }
    let book = gathered(folder.path(), &takes);
    let said = assessed(&paths.iter().map(|p| p.to_str().unwrap()).collect::<Vec<_>>());
    for (take, said) in TAKES.into_iter().zip(&said) {
        assert_eq!(said["clock"]["source"], "guide", "{take}");
        assert!(said["limits"][0].as_str().unwrap().contains("the disk was full"), "{take}");
        assert_eq!(*said, in_the_book(&book, take), "{take}");
    }
}

#[test]
fn the_strikes_of_a_sound_check_are_used_in_the_book_too_and_kept_for_hearing_again() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    check(&takes);
    let mut paths = Vec::new();
    for take in TAKES {
        let ((bpm, form), part) = (asked(take), part().1);
        let practice = Practice::of(&part, Some(&form), &Laps::default(), bpm).unwrap();
        let guide = render(&practice, &GuideConfig::default(), EAR_RATE).unwrap();
        let about = Description::new(&part, Some(&form), &Laps::default(), bpm, &guide);
        paths.push(with_card(&takes, take, None, about, true));
    }
    let book = gathered(folder.path(), &takes);
    let said = assessed(&paths.iter().map(|p| p.to_str().unwrap()).collect::<Vec<_>>());
    // The takes and the check have left their place: the book needs them no more.
    std::fs::remove_dir_all(&takes).unwrap();
    for (take, said) in TAKES.into_iter().zip(&said) {
        assert_eq!(said["clock"]["source"], "take-card", "{take}");
        assert_eq!(*said, in_the_book(&book, take), "{take}");
    }
    let mut heard = 0;
    book.reassess_all(|take, told| {
        let changed = told.unwrap().unwrap();
        assert!(changed.units.is_empty() && changed.gone.is_empty() && changed.new.is_empty(), "{}", take.file);
        heard += 1;
    })
    .unwrap();
    assert_eq!(heard, TAKES.len());
}

#[test]
fn a_take_that_waited_for_its_pupil_is_judged_with_the_strikes_that_came_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let takes = folder.path().join("takes");
    std::fs::create_dir(&takes).unwrap();
    check(&takes);
    let ((bpm, form), part) = (asked("robin.ogg"), part().1);
    let practice = Practice::of(&part, Some(&form), &Laps::default(), bpm).unwrap();
    let guide = render(&practice, &GuideConfig::default(), EAR_RATE).unwrap();
    let about = Description::new(&part, Some(&form), &Laps::default(), bpm, &guide);
    let named = with_card(&takes, "robin.ogg", None, about, true);
    let unnamed = takes.join("rec_7.wav");
    let card = Card { pupil: None, ..Card::of(&named).unwrap().unwrap() };
    std::fs::rename(&named, &unnamed).unwrap();
    std::fs::remove_file(named.with_extension("take.json")).unwrap();
    card.write(&unnamed, None).unwrap();
    let book = gathered(folder.path(), &takes);
    let said = assessed(&[unnamed.to_str().unwrap()]);
    std::fs::remove_dir_all(&takes).unwrap();
    let waiting = book.waiting().unwrap();
    assert_eq!(waiting.len(), 1, "the check itself is nobody's take");
    book.settle(waiting[0].number, Answer { pupil: Some("robin"), ..Answer::default() }).unwrap();
    assert_eq!(said, [in_the_book(&book, "robin.ogg")]);
}
