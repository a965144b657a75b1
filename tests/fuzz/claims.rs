//! What must hold for any bytes: of a part file, of a recording, of strikes held against a part. Shared by the fuzzer's
//! targets and by `tests/fuzz_corpus.rs`, which replays what the fuzzer found worth keeping.
#![allow(dead_code, reason = "each target uses one claim")]

use std::io::Cursor;
use std::path::Path;
use std::sync::LazyLock;

use pailbeat::align::{AlignConfig, Strike, trace};
use pailbeat::assess::{Hearing, assess};
use pailbeat::audio;
use pailbeat::part::{Surface, Timeline, parse};
use pailbeat::report;
use pailbeat::units::{Decibels, Seconds};

/// A part file is read to a part or to errors that stand in the file; a part gives a timeline in order.
pub(crate) fn part(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    match parse(&text) {
        Ok(part) => {
            for bpm in [part.range.start, part.range.goal] {
                if let Ok(line) = part.timeline(None, bpm) {
                    in_order(&line);
                }
            }
        }
        Err(errors) => {
            assert!(!errors.is_empty(), "refused without a reason");
            let lines = text.split('\n').count().max(1);
            for error in errors {
                assert!(error.line >= 1 && error.line as usize <= lines, "line {} of {lines}", error.line);
                assert!(error.column >= 1 && error.width >= 1 && !error.message.is_empty());
            }
        }
    }
}

fn in_order(line: &Timeline) {
    assert!(line.strokes.windows(2).all(|w| w[0].at <= w[1].at), "strokes out of order");
    for (j, stroke) in line.strokes.iter().enumerate() {
        assert!(line.bars.get(stroke.bar).is_some_and(|b| b.strokes.contains(&j)), "stroke {j} in no bar");
    }
    assert!(line.rests.iter().all(|r| r.from < r.to), "an empty rest");
}

/// A recording is read to its end or to a message, and what is given out are numbers: how many.
pub(crate) fn decode(data: &[u8]) -> usize {
    // Beside what is in the file, silence may stand for what its clock says is missing, as long as a take may last.
    let most = 400 * data.len() + 1_000_000 + 7_300 * 44_100;
    let mut total = 0;
    let Ok(mut take) = audio::open_source(Cursor::new(data.to_vec()), Path::new("take")) else { return 0 };
    let mut block = Vec::new();
    while let Ok(true) = take.next_block(&mut block) {
        assert!(block.iter().all(|x| x.is_finite()), "samples that are no numbers");
        total += block.len();
        assert!(total < most, "no end of samples");
    }
    total
}

const PARTS: [&str; 2] = [
    include_str!("../../reference_takes/lantern-parade.toml"),
    "title = \"Six\"\nmeter = \"6/8\"\nbpm = { start = 50, goal = 90 }\nform = \"A B A\"\n[sections.A]\nstrokes = \"|: o.xo.x | O.---- :|2\"\nhands = \"R.LR.L | B.----\"\n[sections.B]\nstrokes = \"+.+ppc | cccx-- | p.----\"\nlevel = \"p<<<<< | f>>... | m.....\"\n",
];

/// Read once: the fuzzer is after what comes of strikes, not after these two parts again at every run.
static LINES: LazyLock<[Timeline; 2]> = LazyLock::new(|| {
    PARTS.map(|text| match parse(text).map(|p| p.timeline(None, p.range.goal)) {
        Ok(Ok(line)) => line,
        _ => unreachable!("the parts are written here"),
    })
});

/// Any strikes are judged, and every index in the answer points at something. First byte: which part; then four bytes a
/// strike: time since the last in 4 ms, level, surface and how sure it is, certainty.
pub(crate) fn judge(data: &[u8]) {
    let Some((which, data)) = data.split_first() else { return };
    let line = &LINES[usize::from(which % 2)];
    let mut at = 0.0;
    let strikes: Vec<Strike> = (data.as_chunks::<4>().0.iter().take(400))
        .map(|b| {
            at += f64::from(b[0]) * 0.004;
            let mut surface = [0.05; Surface::COUNT];
            surface[usize::from(b[2] % 5)] = f64::from(b[2] / 5) / 51.0;
            Strike {
                at: Seconds::of(at),
                sigma: Seconds::from_millis(f64::from(b[3] % 16) / 4.0),
                level: Decibels(-f64::from(b[1]) / 3.0),
                certainty: f64::from(b[3]) / 255.0,
                surface,
            }
        })
        .collect();
    let found = trace(line, &strikes, &AlignConfig::default());
    let take = assess(line, &strikes, &[], &found, &Hearing::clear(Seconds::of(at + 1.0)));
    assert_eq!(take.strokes.len(), line.strokes.len());
    assert!(take.strikes.windows(2).all(|w| w[0].at <= w[1].at));
    for stroke in &take.strokes {
        assert!(stroke.strike.is_none_or(|i| i < take.strikes.len()), "a stroke's strike is none");
    }
    for strike in &take.strikes {
        assert!(strike.stroke.is_none_or(|j| j < line.strokes.len()), "a strike's stroke is none");
        assert!((0.0..=1.0).contains(&strike.certainty));
    }
    for finding in &take.findings {
        assert!((0.6..=0.99).contains(&finding.confidence), "{} {}", finding.kind.word(), finding.confidence);
        assert!(finding.size.is_finite() && !finding.text.is_empty());
        assert!(finding.bars.is_none_or(|(a, b)| a >= 1 && a <= b));
    }
    assert!(take.advice.next >= line.range.start && take.advice.next <= line.range.goal);
    assert!(!report::text::summary(&take, &report::Meta::default()).is_empty());
}
