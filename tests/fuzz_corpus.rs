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

#[test]
fn every_card_of_the_corpus_says_something_or_is_refused() {
    replay("card", claims::card);
}

#[test]
fn every_drill_of_the_corpus_is_drawn_or_refused_with_a_place() {
    replay("drill_file", claims::drill_file);
}

#[test]
fn no_text_of_the_corpus_names_anybody_once_the_mentions_are_out() {
    replay("named", claims::named);
}

#[test]
fn every_kept_take_of_the_corpus_is_unpacked() {
    replay("kept", claims::kept);
}

#[test]
fn every_arrival_of_the_corpus_gives_recordings_or_a_word() {
    replay("arrival", claims::arrival);
}

#[test]
fn every_score_of_the_corpus_becomes_a_part_or_a_word_why_not() {
    replay("score", claims::score);
}
