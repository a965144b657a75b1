//! Recordings that are not all there: cut anywhere, still being written, longer than any take. What can be heard is heard
//! where it stood, what is missing is said.

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use std::io::{Cursor, Seek, SeekFrom, Write};
use std::path::Path;

use pailbeat::audio::{self, AudioError, Facts};

fn take(name: &str) -> Vec<u8> {
    std::fs::read(Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes").join(name)).unwrap()
}

fn hear(bytes: Vec<u8>) -> Result<(Vec<f32>, Facts), AudioError> {
    let mut source = audio::open_source(Cursor::new(bytes), Path::new("take"))?;
    let samples = source.read_to_end()?;
    Ok((samples, source.facts().clone()))
}

/// Where two takes part: the first sample that differs by more than rounding.
fn part_at(a: &[f32], b: &[f32]) -> usize {
    a.iter().zip(b).position(|(a, b)| (a - b).abs() > 1e-3).unwrap_or(a.len().min(b.len()))
}

/// Says of every cluster, and of the whole, that its length is not known, as a browser does that is still recording.
fn live(mut webm: Vec<u8>) -> Vec<u8> {
    for (id, from) in [([0x18, 0x53, 0x80, 0x67], 0), ([0x1F, 0x43, 0xB6, 0x75], 0x100)] {
        let places: Vec<usize> = (from..webm.len() - 12).filter(|at| webm[*at..at + 4] == id).collect();
        for at in places {
            let width = webm[at + 4].leading_zeros() as usize + 1;
            webm[at + 4..at + 4 + width].fill(0xFF);
            webm[at + 4] = 0xFF >> (width - 1);
        }
    }
    webm
}

#[test]
fn a_webm_file_cut_anywhere_is_heard_as_far_as_it_goes() {
    let whole = take("heron.webm");
    let (all, _) = hear(whole.clone()).unwrap();
    for bytes in [whole.clone(), live(whole.clone())] {
        for share in [0.1, 0.35, 0.6, 0.95] {
            let end = (share * bytes.len() as f64) as usize;
            let (samples, facts) = hear(bytes[..end].to_vec()).unwrap();
            let heard = samples.len() as f64 / all.len() as f64;
            assert!((heard - share).abs() < 0.1, "{heard:.2} of the take in {share} of the file");
            // The very end is the resampler's.
            assert!(part_at(&all, &samples) + 100 > samples.len(), "{share}: parts at {}", part_at(&all, &samples));
            assert!(facts.truncated.is_some(), "{share}: not a word");
        }
    }
}

#[test]
fn a_webm_file_that_is_still_being_written_is_heard_whole() {
    let whole = take("heron.webm");
    let (all, _) = hear(whole.clone()).unwrap();
    let (samples, facts) = hear(live(whole)).unwrap();
    assert_eq!((samples.len(), part_at(&all, &samples)), (all.len(), all.len()));
    assert_eq!((facts.truncated, facts.holes), (None, Vec::new()));
}

#[test]
fn a_wrong_time_stamp_of_a_whole_cluster_moves_nothing() {
    let whole = take("heron.webm");
    let (all, _) = hear(whole.clone()).unwrap();
    let clusters: Vec<usize> =
        (0..whole.len() - 12).filter(|at| whole[*at..at + 4] == [0x1F, 0x43, 0xB6, 0x75]).collect();
    // By half a second, two and eight.
    for (at, bit) in clusters[1..clusters.len() - 1].iter().zip([0x02, 0x08, 0x20].into_iter().cycle()) {
        // Kind and length of the cluster, then its time in two bytes.
        let time = at + 4 + whole[at + 4].leading_zeros() as usize + 1;
        assert_eq!(whole[time..time + 2], [0xE7, 0x82]);
        let mut wrong = whole.clone();
        wrong[time + 2] ^= bit;
        let (samples, facts) = hear(wrong).unwrap();
        assert_eq!((samples.len(), part_at(&all, &samples), facts.holes.len()), (all.len(), all.len(), 0));
    }
}

#[test]
fn what_is_lost_inside_is_a_hole_at_its_place_in_every_kind_of_file() {
    // The middle half second of each is overwritten.
    for name in ["plover.flac", "robin.ogg", "wren.m4a", "finch.mp3", "heron.webm"] {
        let whole = take(name);
        let (all, _) = hear(whole.clone()).unwrap();
        let (from, to) = (whole.len() / 2, whole.len() / 2 + whole.len() / (2 * all.len() / 44_100));
        let mut broken = whole;
        broken[from..to].fill(0x55);
        let (samples, facts) = hear(broken).unwrap();
        let lasts: f64 = facts.holes.iter().map(|(a, b)| (*b - *a).get()).sum();
        assert!((0.2..4.0).contains(&lasts), "{name}: {:?}", facts.holes);
        let hole =
            (facts.holes[0].0.get() * 44_100.0) as usize..(facts.holes.last().unwrap().1.get() * 44_100.0) as usize;
        assert!(part_at(&all, &samples) + 2205 > hole.start, "{name}: parts at {}", part_at(&all, &samples));
        // A second later everything is as it was.
        let after = hole.end + 44_100;
        let (was, is) = (&all[after..after + 88_200], &samples[after..after + 88_200]);
        let off: f64 = was.iter().zip(is).map(|(a, b)| f64::from(a - b).powi(2)).sum();
        let energy: f64 = was.iter().map(|v| f64::from(*v).powi(2)).sum();
        assert!(off < 0.02 * energy, "{name}: {:.3} of the energy differs after {hole:?}", off / energy);
    }
}

/// A wav file that claims to be, and on disk without taking room is, so many bytes long.
fn sparse(bytes: u64) -> std::fs::File {
    let mut file = tempfile::tempfile().unwrap();
    let mut head = b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0\x01\0\x01\0".to_vec();
    head.extend(44_100_u32.to_le_bytes());
    head.extend(88_200_u32.to_le_bytes());
    head.extend(b"\x02\0\x10\0data\xff\xff\xff\xff");
    file.write_all(&head).unwrap();
    file.set_len(bytes).unwrap();
    file.seek(SeekFrom::Start(0)).unwrap();
    file
}

#[test]
fn a_recording_longer_than_any_take_is_refused_before_it_is_read() {
    let refusal = audio::open_source(sparse(37 * 3600 * 88_200), Path::new("night.wav")).err().unwrap();
    assert_eq!(refusal.to_string(), "cannot hear `night.wav`: it lasts 37.0 hours, a take may last 2 hours");
    assert!(audio::open_source(sparse(3600 * 88_200), Path::new("hour.wav")).is_ok());
}
