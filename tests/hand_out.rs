//! `pailbeat hand-out`: the file a pupil gets. What happens in it is `scripts/test-page`'s, which drives a browser.
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use pailbeat::pupil::{Code, Handed, file};
use sha2::{Digest as _, Sha256};

const CODE: Code = Code { bindings: "let wasm_bindgen = 1;", module: &[1, 2, 3] };

fn part() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes/lantern-parade.toml")
}

fn hand_out(args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pailbeat")).arg("hand-out").arg(part()).args(args).output().unwrap()
}

/// What stands between two marks.
fn between<'a>(text: &'a str, from: &str, to: &str) -> &'a str {
    text.split_once(from).unwrap().1.split_once(to).unwrap().0
}

#[test]
fn only_the_script_in_the_page_runs_and_nothing_may_be_asked_of_a_network() {
    let handed = Handed { part: "title = \"x\"".into(), bpm: 80.0, ..Handed::default() };
    let page = file(&handed, "Rain", CODE).unwrap();
    let policy = between(&page, "http-equiv=\"Content-Security-Policy\" content=\"", "\"").replace("&#39;", "'");
    let scripts: Vec<&str> = page.split("<script>").skip(1).map(|s| s.split_once("</script>").unwrap().0).collect();
    let [script] = scripts[..] else { panic!("{} scripts", scripts.len()) };
    let sum = STANDARD.encode(Sha256::digest(script.as_bytes()));
    assert!(
        policy.contains(&format!("script-src 'sha256-{sum}' 'wasm-unsafe-eval' data:; worker-src blob:;")),
        "{policy}"
    );
    // The library stands in it whole, to be run beside the page.
    let library = between(&page, "id=\"library\">", "</script>");
    assert!(library.starts_with(CODE.bindings) && library.contains("onmessage"), "{library}");
    assert!(policy.starts_with("default-src 'none'; "), "{policy}");
    // Nothing in it opens what `default-src` has closed to a network.
    assert!(!policy.contains("connect-src") && !policy.contains("http") && !policy.contains('*'), "{policy}");
    assert!(!policy.contains("script-src 'unsafe-inline'"), "{policy}");
    let loads = ["src=", "href=", "url(http", "@import"];
    let document = page.split("<script").next().unwrap();
    assert!(loads.iter().all(|load| !document.contains(load)), "the page loads something");
}

#[test]
fn no_name_and_no_part_can_end_its_place_in_the_page() {
    let evil = "</script><script>alert(1)</script><!--".to_owned();
    let handed = Handed { part: evil.clone(), pupils: vec![evil.clone()], bpm: 80.0, ..Handed::default() };
    let page = file(&handed, &evil, CODE).unwrap();
    assert!(!page.contains("alert(1)</script>"), "it stands in the page as it is");
    let held = between(&page, "id=\"handed\">", "</script>");
    assert_eq!(serde_json::from_str::<Handed>(held).unwrap(), handed);
}

#[test]
fn what_cannot_be_handed_out_is_told_with_a_way_out() {
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
    let told = |args: &[&str]| {
        let output = hand_out(args);
        assert_eq!(output.status.code(), Some(2));
        String::from_utf8(output.stderr).unwrap()
    };
    assert!(told(&["--out", &at("page.txt")]).contains("`.html`"));
    assert!(told(&["--out", &at("page.html"), "--bpm", "9000"]).contains("no tempo"));
    assert!(told(&["--out", &at("page.html"), "--form", "A C"]).contains('C'));
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[cfg(not(page_made))]
#[test]
fn a_program_without_the_page_says_how_to_build_one_with_it() {
    let folder = tempfile::tempdir().unwrap();
    let output = hand_out(&["--out", &folder.path().join("page.html").to_string_lossy()]);
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8(output.stderr).unwrap().contains("scripts/build"));
}

#[cfg(page_made)]
#[test]
fn a_page_is_one_file_for_whom_it_is_and_never_replaces_another() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("robin.html");
    let path = out.to_string_lossy().into_owned();
    let wanted = ["--bpm", "94", "--pupil", "Robin", "--out", &path];
    assert!(hand_out(&wanted).status.success());
    let page = std::fs::read_to_string(&out).unwrap();
    assert!(page.len() < 2_500_000, "{} bytes", page.len());
    let handed: Handed = serde_json::from_str(between(&page, "id=\"handed\">", "</script>")).unwrap();
    assert_eq!((handed.bpm, handed.pupils, handed.form), (94.0, vec!["Robin".to_owned()], None));
    assert_eq!(handed.part, std::fs::read_to_string(part()).unwrap());
    // The same page again is made anew; another's stays.
    assert!(hand_out(&wanted).status.success());
    assert_eq!(hand_out(&["--bpm", "94", "--pupil", "Wren", "--out", &path]).status.code(), Some(2));
}
