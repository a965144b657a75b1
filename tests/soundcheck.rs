//! A sound check goes with the takes made after it, as files: no devices are needed (`scripts/test-devices` has those).
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use pailbeat::audio;
use pailbeat::guide::{Description, GuideConfig, Laps, Practice, Sound, render};
use pailbeat::part::Surface;
use pailbeat::take::{Card, KeptCheck, PartOfTake, beside, fingerprint};
use pailbeat::units::{Bpm, EAR_RATE};

const SURFACES: &str = "soundcheck-strikes-1.wav:centre,rim,click";

fn demo(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name)
}

fn run(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pailbeat")).args(args).output().unwrap()
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// A check as a pupil makes it: quiet, then from 5 s on three strikes on each surface.
fn check(folder: &Path) -> PathBuf {
    let rate = f64::from(EAR_RATE.get());
    let mut state = 7_u32;
    let mut x: Vec<f32> = (0..(13.0 * rate) as usize)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            2e-4 * (state as f32 / 2f32.powi(31) - 1.0)
        })
        .collect();
    let surfaces = [Surface::Centre, Surface::Rim, Surface::Click];
    for (k, surface) in surfaces.iter().flat_map(|s| [s; 3]).enumerate() {
        let at = ((5.4 + 0.8 * k as f64) * rate) as usize;
        for (x, v) in x[at..].iter_mut().zip(Sound::Stroke(*surface).samples(EAR_RATE)) {
            *x += 0.4 * v;
        }
    }
    let path = folder.join("check.wav");
    std::fs::write(&path, audio::wav(&x, EAR_RATE, "").unwrap()).unwrap();
    path
}

/// A demo take with a card that bears a sound check.
fn take(folder: &Path) -> PathBuf {
    let text = std::fs::read_to_string(demo("lantern-parade.toml")).unwrap();
    let part = pailbeat::part::parse(&text).unwrap();
    let (laps, bpm) = (Laps::default(), Bpm::new(80.0).unwrap());
    let practice = Practice::of(&part, None, &laps, bpm).unwrap();
    let guide = render(&practice, &GuideConfig::default(), EAR_RATE).unwrap();
    let asked = Description::new(&part, None, &laps, bpm, &guide);
    let sha256 = Some(fingerprint(text.as_bytes()));
    let of = PartOfTake { path: Some("/dev/zero".into()), sha256, title: Some(part.title) };
    let mut card = Card::new(of, asked, "default".into(), EAR_RATE.get(), 1);
    card.pupil = Some("Swift".into());
    card.sound_check = Some(KeptCheck { surfaces: Some(SURFACES.into()), ..KeptCheck::default() });
    let path = folder.join("swift-1.wav");
    std::fs::copy(demo("swift.wav"), &path).unwrap();
    card.write(&path, None).unwrap();
    // By its content, whatever the card calls it.
    std::fs::copy(demo("lantern-parade.toml"), folder.join("some-part.toml")).unwrap();
    path
}

#[test]
fn the_strikes_of_a_check_tell_the_surfaces_of_the_takes_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let (from, out) = (check(folder.path()), folder.path().join("soundcheck"));
    let made = |_| {
        let output = run(&["soundcheck", "--from", from.to_str().unwrap(), "--out", out.to_str().unwrap(), "--json"]);
        assert!(output.status.success(), "{}", said(&output));
        serde_json::from_slice::<KeptCheck>(&output.stdout).unwrap()
    };
    let [first, second] = [0, 1].map(made);
    assert_eq!(first.surfaces.as_deref(), Some(SURFACES));
    assert_eq!(second.surfaces.as_deref(), Some("soundcheck-strikes-2.wav:centre,rim,click"), "earlier ones stay");

    let path = take(folder.path());
    let name = path.to_str().unwrap();
    let by_card = run(&["assess", name, "--json"]);
    let given = format!("{}:centre,rim,click", folder.path().join("soundcheck-strikes-1.wav").display());
    let part = demo("lantern-parade.toml");
    let typed = run(&["assess", part.to_str().unwrap(), name, "--bpm", "80", "--surfaces", &given, "--json"]);
    assert!(by_card.status.success() && typed.status.success(), "{}{}", said(&by_card), said(&typed));
    assert_eq!(String::from_utf8_lossy(&by_card.stdout), String::from_utf8_lossy(&typed.stdout));
    assert!(!said(&by_card).contains("cannot be used"));

    std::fs::remove_file(folder.path().join("soundcheck-strikes-1.wav")).unwrap();
    let without = run(&["assess", name, "--json"]);
    assert!(without.status.success() && said(&without).contains("sound check's strikes cannot be used"));
    assert_ne!(by_card.stdout, without.stdout, "the strikes of the check change what is known of the surfaces");
}

#[test]
fn a_card_that_names_a_file_elsewhere_gets_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path());
    let mut card = Card::of(&path).unwrap().unwrap();
    let earlier = card.clone();
    let elsewhere = format!("{}:centre", demo("wren.m4a").display());
    card.sound_check = Some(KeptCheck { surfaces: Some(elsewhere), ..KeptCheck::default() });
    card.write(&path, Some(&earlier)).unwrap();
    assert!(beside(&path).exists());
    let output = run(&["assess", path.to_str().unwrap(), "--json"]);
    assert!(output.status.success() && said(&output).contains("cannot be used"), "{}", said(&output));
}

#[test]
fn a_part_is_found_by_its_content_or_asked_for_and_no_path_on_a_card_is_opened() {
    let folder = tempfile::tempdir().unwrap();
    let path = take(folder.path());
    // Its card calls the part `/dev/zero`.
    let name = path.to_str().unwrap();
    assert!(run(&["assess", name, "--json"]).status.success());
    let part = folder.path().join("some-part.toml");
    let changed = std::fs::read_to_string(&part).unwrap().replace("96", "90");
    std::fs::write(&part, changed).unwrap();
    let output = run(&["assess", name, "--json"]);
    assert_eq!(output.status.code(), Some(1));
    assert!(said(&output).contains("hint: name the part file before the take"), "{}", said(&output));
    let output = run(&["assess", demo("lantern-parade.toml").to_str().unwrap(), name, "--json"]);
    assert!(output.status.success(), "{}", said(&output));
}

#[test]
fn a_folder_with_a_sound_check_holds_no_take_of_it() {
    let folder = tempfile::tempdir().unwrap();
    let inbox = folder.path().join("inbox");
    std::fs::create_dir(&inbox).unwrap();
    let from = check(folder.path());
    let out = inbox.join("soundcheck");
    let output = run(&["soundcheck", "--from", from.to_str().unwrap(), "--out", out.to_str().unwrap(), "--json"]);
    std::fs::write(inbox.join("soundcheck.json"), &output.stdout).unwrap();
    std::fs::rename(&from, inbox.join("soundcheck.wav")).unwrap();
    take(&inbox);
    let book = folder.path().join("book");
    let book = |args: &[&str]| {
        let output = run(&[&["book"], args, &["--book", book.to_str().unwrap()]].concat());
        assert!(output.status.success(), "{}", said(&output));
        said(&output)
    };
    book(&["new"]);
    std::fs::write(folder.path().join("class.csv"), "class,nickname\n3b,Swift\n").unwrap();
    book(&["roster", folder.path().join("class.csv").to_str().unwrap()]);
    book(&["assign", demo("lantern-parade.toml").to_str().unwrap(), "--class", "3b", "--from", "2020-01-01"]);
    let gathered = book(&["gather", inbox.to_str().unwrap()]);
    assert!(
        gathered.contains("1 new take, 0 known already, 0 copies, 0 for you to settle, 0 not usable"),
        "{gathered}"
    );
    assert!(
        gathered.contains("2 files with a sound check or nothing but the calls of a drill passed over"),
        "{gathered}"
    );
}
