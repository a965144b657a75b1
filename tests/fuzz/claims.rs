//! What must hold for any bytes: of a part file, of a recording, of strikes held against a part, of whatever else comes from
//! elsewhere. Shared by the fuzzer's targets and by `tests/fuzz_corpus.rs`, which replays what the fuzzer found worth keeping.
#![allow(dead_code, reason = "each target uses one claim")]

use std::io::Cursor;
use std::path::Path;
use std::sync::{LazyLock, Mutex};

use pailbeat::align::{AlignConfig, Strike, trace};
use pailbeat::assess::{Hearing, assess, say};
use pailbeat::audio;
use pailbeat::book::{distil, sources};
use pailbeat::drill;
use pailbeat::guide::GuideConfig;
use pailbeat::names::{Words, mentions};
use pailbeat::notation::{self, Format, Table};
use pailbeat::part::{Part, Surface, Timeline, parse};
use pailbeat::report;
use pailbeat::take::{self, Card, KeptCheck, KnownStrikes};
use pailbeat::units::{Decibels, EAR_RATE, Seconds};

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
        assert!((0.6..=0.99).contains(&finding.confidence), "{} {}", finding.kind().word(), finding.confidence);
        assert!(finding.what.size().0.is_finite() && !say::finding(&take, finding).is_empty());
        assert!(finding.bars(line).is_none_or(|(a, b)| a >= 1 && a <= b));
    }
    // Below the range only for one who played below it.
    let slow = take.clock.is_some_and(|c| c.bpm < line.range.start);
    assert!((take.advice.next >= line.range.start || slow) && take.advice.next <= line.range.goal);
    assert!(take.advice.practise.iter().all(|bars| bars.start < bars.end && bars.end <= line.bars.len()));
    assert!(!report::text::summary(&take, &report::Meta::default()).is_empty());
}

static PARTS_READ: LazyLock<[Part; 2]> = LazyLock::new(|| {
    PARTS.map(|text| match parse(text) {
        Ok(part) => part,
        Err(_) => unreachable!("the parts are written here"),
    })
});

/// A take card says something or is refused; what it asks for is made again from a part or refused; and it is read as it
/// was written. The same bytes as a note in a recording, as a sound check and as a day.
pub(crate) fn card(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    let _ = (KnownStrikes::parse(&text), KeptCheck::is_one(data), take::began_s(&text));
    let Ok(card) = Card::parse(data) else { return };
    let says = card.says();
    assert!(says.slips.iter().all(|s| s.at.get().is_finite() && s.lost.get().is_finite()), "{says:?}");
    let _ = (card.practice(), card.asked.bpm(), card.asked.form());
    if let Some(asked) = card.asked.described() {
        for part in PARTS_READ.iter() {
            if let Ok((practice, guide)) = asked.rebuild(part) {
                in_order(&practice.timeline);
                assert!(guide.events.windows(2).all(|w| w[0].at <= w[1].at), "a guide out of order");
            }
        }
    }
    if let Ok(written) = serde_json::to_vec(&card) {
        assert!(Card::parse(&written).is_ok_and(|again| again == card), "it reads otherwise than it was written");
    }
}

/// A drill file is read to a drill that can be drawn, or to errors that stand in the file; the plan of a drill is made again
/// as it was written, or refused.
pub(crate) fn drill_file(data: &[u8]) {
    let text = String::from_utf8_lossy(data);
    if drill::is_plan(&text) {
        let _ = drill::made(&text);
    }
    match drill::parse(&text) {
        Ok(read) => {
            let plan = drill::plan(&read, 7, &GuideConfig::default(), EAR_RATE);
            assert!(plan.rounds.windows(2).all(|w| w[0].end <= w[1].call_at), "rounds out of order");
            let written = drill::plan_json(&plan, &text, Some("Wren"));
            match drill::made(&written) {
                Ok(made) => assert_eq!(made.plan, plan),
                Err(error) => assert!(matches!(error, drill::MadeError::TooLong(_)), "{error}"),
            }
        }
        Err(errors) => {
            assert!(!errors.is_empty(), "refused without a reason");
            let lines = text.split('\n').count().max(1);
            for error in errors {
                assert!(error.line >= 1 && error.line as usize <= lines, "line {} of {lines}", error.line);
            }
        }
    }
}

/// Whom a text speaks of: mentions stand in it, do not overlap, and with another word in their place it names nobody. The first
/// line is the text, the others are names.
pub(crate) fn named(data: &[u8]) {
    let all = String::from_utf8_lossy(data);
    let mut lines = all.split('\n');
    let text = Words::of(lines.next().unwrap_or_default());
    let people: Vec<Words> = lines.take(6).map(Words::of).collect();
    let mut found = mentions(&text, &people);
    found.sort_by_key(|m| m.span.start);
    assert!(found.windows(2).all(|w| w[0].span.end <= w[1].span.start), "mentions that overlap");
    let mut left = text.text().to_owned();
    for m in found.iter().rev() {
        assert!(!m.whom.is_empty() && left.get(m.span.clone()).is_some(), "a mention of nobody, or nowhere");
        left.replace_range(m.span.clone(), " whoever ");
    }
    if people.iter().any(|p| p.has(&Words::of("whoever"))) {
        return;
    }
    assert!(mentions(&Words::of(&left), &people).is_empty(), "`{left}` still names somebody");
}

/// What the book keeps of a take is unpacked from any bytes, and packed again says the same.
pub(crate) fn kept(data: &[u8]) {
    let (marks, at) = distil::unpack(data);
    assert!(marks.len() <= data.len() && at.len() <= data.len());
}

/// A mail, a mailbox or a zip gives recordings with names, or a word why not. First byte: which.
pub(crate) fn arrival(data: &[u8]) {
    static PLACE: LazyLock<Mutex<tempfile::TempDir>> =
        LazyLock::new(|| Mutex::new(tempfile::tempdir().unwrap_or_else(|e| unreachable!("no folder: {e}"))));
    let Some((which, data)) = data.split_first() else { return };
    let Ok(place) = PLACE.lock() else { return };
    let path = place.path().join(["post.zip", "post.mbox", "post.eml"][usize::from(which % 3)]);
    if std::fs::write(&path, data).is_err() {
        return;
    }
    let spool = sources::Spool::new(place.path());
    let (items, bad) = sources::collect(std::slice::from_ref(&path), &spool);
    assert!(items.len() <= data.len(), "more recordings than bytes");
    assert!(bad.iter().all(|b| !b.why.is_empty()), "refused without a reason");
    assert!(items.iter().all(|i| !i.ending().is_empty() && i.place.len() < 2 * data.len() + 1000));
}

/// A score becomes a part or a word why not; the part is written as notation and comes back as it was. First byte: which kind.
pub(crate) fn score(data: &[u8]) {
    let Some((which, data)) = data.split_first() else { return };
    let format = [Format::MusicXml, Format::Mxl, Format::Midi][usize::from(which % 3)];
    for line in [None, Some("1")] {
        let read = match notation::read(data, format, line, &Table::default()) {
            Ok(read) => read,
            Err(error) => {
                assert!(!error.to_string().is_empty(), "refused without a reason");
                continue;
            }
        };
        assert!(Table::parse(&Table::text(&read.sounds)).is_ok(), "a table that cannot be read");
        for format in [Format::MusicXml, Format::Midi] {
            let Ok(bytes) = notation::write(&read.part, format, None, read.part.range.start) else {
                unreachable!("its own form")
            };
            match notation::read(&bytes, format, None, &Table::default()) {
                Ok(again) if format == Format::MusicXml => {
                    assert_eq!(again.part.text(), read.part.text(), "it comes back otherwise");
                }
                Ok(_) => {}
                Err(error) => unreachable!("what was written is not read: {error}"),
            }
        }
    }
}
