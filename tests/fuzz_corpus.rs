//! What a coverage-guided fuzzer found worth keeping, replayed: see `tests/fuzz`.

#![cfg(feature = "edge")]
#![allow(
    clippy::unwrap_used,
    clippy::print_stderr,
    reason = "a test may stop at the first surprise, and names the input"
)]

#[path = "fuzz/claims.rs"]
mod claims;

fn replay(corpus: &str, claim: fn(&[u8])) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/corpus").join(corpus);
    let mut files: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.sort();
    assert!(files.len() >= 10, "{} files in {corpus}", files.len());
    for file in files {
        // Named if it fails: the name is the input's hash.
        eprintln!("{}", file.display());
        claim(&std::fs::read(&file).unwrap());
    }
}

#[test]
fn every_part_file_of_the_corpus_is_read_or_refused_with_a_place() {
    replay("part", claims::part);
}

#[test]
fn every_recording_of_the_corpus_is_read_to_its_end_or_to_a_message() {
    replay("decode", |data| {
        claims::decode(data);
    });
}

#[test]
fn every_take_of_the_corpus_is_judged_with_indices_that_point_at_something() {
    replay("judge", claims::judge);
}
