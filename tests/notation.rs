//! Parts as notation and back: what goes out comes in again, with and without the text that goes along; what others write is
//! read or refused in words.

#![cfg(feature = "edge")]
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

#[path = "common/written.rs"]
mod written;

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use pailbeat::notation::{Format, Line, NotationError, Read, Table, read, write};
use pailbeat::part::{Part, Timeline, parse};
use proptest::prelude::*;

fn part(text: &str) -> Part {
    parse(text).unwrap_or_else(|e| panic!("{e:?}\n{text}"))
}

fn out(part: &Part, format: Format) -> Vec<u8> {
    write(part, format, None, part.range.start).unwrap()
}

fn back(bytes: &[u8], format: Format) -> Read {
    read(bytes, format, None, &Table::default()).unwrap_or_else(|e| panic!("{e}\n{}", String::from_utf8_lossy(bytes)))
}

/// The score without the part's own text in it.
fn without_text(score: &[u8]) -> String {
    let text = std::str::from_utf8(score).unwrap();
    let (before, rest) = text.split_once("<miscellaneous>").unwrap();
    let (_, after) = rest.split_once("</miscellaneous>").unwrap();
    format!("{before}{after}")
}

/// What is played, without what notes cannot say: the title's control characters, the tempo to come to, repeats played once.
fn music(part: &Part) -> Timeline {
    let mut part = part.clone();
    part.title.clear();
    for section in &mut part.sections {
        section.repeats.retain(|r| r.times > 1);
    }
    part.range.goal = part.range.start;
    part.timeline(None, part.range.start).unwrap()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 500, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn a_part_comes_back_from_its_own_text_as_it_was(text in written::part_text()) {
        let mut part = part(&text);
        let mut again = parse(&part.text()).unwrap_or_else(|e| panic!("{e:?}\n{text}\n{}", part.text()));
        part.warnings.clear();
        again.warnings.clear();
        prop_assert_eq!(again, part);
    }

    #[test]
    fn a_part_comes_back_from_musicxml_as_it_was_and_from_its_notes_alone_as_it_sounds(text in written::part_text()) {
        let mut part = part(&text);
        part.warnings.clear();
        let score = out(&part, Format::MusicXml);
        let mut again = back(&score, Format::MusicXml);
        prop_assert_eq!(&again.notes, &Vec::<String>::new(), "{}", text);
        again.part.warnings.clear();
        prop_assert_eq!(&again.part, &part);
        let bare = back(without_text(&score).as_bytes(), Format::MusicXml).part;
        prop_assert_eq!(music(&bare), music(&part), "{}\n{}", text, bare.text());
    }

    #[test]
    fn midi_plays_every_stroke_at_its_tick_and_its_rhythm_comes_back(text in written::part_text()) {
        let part = part(&text);
        let line = part.timeline(None, part.range.start).unwrap();
        let bytes = out(&part, Format::Midi);
        let file = midly::Smf::parse(&bytes).unwrap();
        let mut at = 0;
        let mut struck = Vec::new();
        for event in &file.tracks[0] {
            at += i64::from(event.delta.as_int());
            if let midly::TrackEventKind::Midi { message: midly::MidiMessage::NoteOn { key, vel }, .. } = event.kind {
                prop_assert!(vel.as_int() > 0);
                struck.push((at, key.as_int()));
            }
        }
        let keys = [41, 37, 75, 28, 39];
        let meant: Vec<_> = line.strokes.iter().map(|s| (s.at.0, keys[s.surface.index()])).collect();
        prop_assert_eq!(struck, meant);
        prop_assert_eq!(at, line.end().0);
        let again = back(&bytes, Format::Midi).part;
        let again = again.timeline(None, again.range.start).unwrap();
        let places = |line: &Timeline| line.strokes.iter().map(|s| (s.at, s.surface)).collect::<Vec<_>>();
        prop_assert_eq!(places(&again), places(&line));
    }

    #[test]
    fn no_text_makes_the_readers_panic(text in "\\PC*", which in 0usize..3) {
        let format = [Format::MusicXml, Format::Mxl, Format::Midi][which];
        prop_assert!(read(text.as_bytes(), format, None, &Table::default()).is_err());
    }
}

const LANTERN: &str = include_str!("../reference_takes/lantern-parade.toml");

#[test]
fn a_change_made_in_a_notation_program_is_read_and_what_notes_cannot_say_stays() {
    let mut text = LANTERN.to_owned();
    text.push_str("[sections.spare]\nstrokes = \"oooo\"\n");
    let part = part(&text);
    let score = String::from_utf8(out(&part, Format::MusicXml)).unwrap();
    let changed = score.replacen("<instrument id=\"P1-centre\"/>", "<instrument id=\"P1-clap\"/>", 1);
    let with = changed.replace(
        "<score-instrument id=\"P1-click\">",
        "<score-instrument id=\"P1-clap\"><instrument-name>clap</instrument-name></score-instrument><score-instrument id=\"P1-click\">",
    );
    let read = back(with.as_bytes(), Format::MusicXml);
    assert!(read.notes.iter().any(|n| n.contains("have been changed since")), "{:?}", read.notes);
    let first = |p: &Part| p.timeline(None, p.range.start).unwrap().strokes[0].surface;
    assert_eq!(first(&read.part), pailbeat::part::Surface::Clap);
    assert_eq!(read.part.range, part.range);
    assert!(read.part.section("spare").is_some());
}

#[test]
fn compressed_musicxml_is_the_same_score() {
    let part = part(LANTERN);
    let zip = out(&part, Format::Mxl);
    assert_eq!(zip, out(&part, Format::Mxl), "the same part gives the same bytes");
    assert_eq!(back(&zip, Format::Mxl).part, part);
}

/// A score of one bar of percussion with what is put into it.
fn score(measures: &str) -> String {
    format!(
        "<score-partwise version=\"4.0\"><part-list><score-part id=\"P1\"><part-name>Snare</part-name></score-part></part-list><part id=\"P1\">{measures}</part></score-partwise>"
    )
}

fn measure(n: u32, before: &str, lengths: &[u32], after: &str) -> String {
    let note = |d: &u32| {
        format!(
            "<note><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>{d}</duration></note>"
        )
    };
    let notes: String = lengths.iter().map(note).collect();
    format!("<measure number=\"{n}\">{before}{notes}{after}</measure>")
}

const FOUR: &str =
    "<attributes><divisions>2</divisions><time><beats>4</beats><beat-type>4</beat-type></time></attributes>";

fn check(measures: &str, form: &str, rows: &[&str], notes: &[&str]) {
    let read = back(score(measures).as_bytes(), Format::MusicXml);
    let text = read.part.text();
    assert_eq!(read.part.form.join(" "), form, "{text}");
    let strokes: Vec<&str> = text.lines().filter_map(|l| l.strip_prefix("strokes = ")).collect();
    assert_eq!(strokes, rows, "{text}");
    let mut told = read.notes;
    told.retain(|n| !n.contains("no tempo"));
    assert_eq!(told, notes);
}

#[test]
fn upbeats_short_bars_endings_and_repeats_without_a_beginning_are_read_as_they_are_played() {
    let end = "<barline location=\"right\"><repeat direction=\"backward\"/></barline>";
    let ending = |n: u32, kind: &str| format!("<barline><ending number=\"{n}\" type=\"{kind}\"/></barline>");
    let upbeat = measure(0, FOUR, &[1, 1], "") + &measure(1, "", &[2, 2, 2, 2], "") + &measure(2, "", &[4, 2], "");
    check(&upbeat, "A", &["\".... ..oo | oo oo | o. o- |\""], &[]);
    let unbegun = measure(1, FOUR, &[2, 2, 2, 2], "") + &measure(2, "", &[4, 4], end);
    check(&unbegun, "A", &["\"|: oo oo | oo :|2\""], &[]);
    let endings = measure(1, FOUR, &[8], "")
        + &measure(2, &ending(1, "start"), &[4, 4], &(ending(1, "stop") + end))
        + &measure(3, &ending(2, "start"), &[2, 2, 2, 2], &ending(2, "stop"));
    check(&endings, "A", &["\"o | oo | o | oo oo |\""], &[]);
    let short = measure(1, FOUR, &[8], "") + &measure(2, "", &[2, 2], "") + &measure(3, "", &[2, 2, 4], "");
    check(&short, "A", &["\"o | oo -- | oo o. |\""], &["bar 2 is shorter than the meter says: filled up with rests"]);
    let halves = measure(1, FOUR, &[8], "") + &measure(2, "", &[2, 2], "") + &measure(3, "", &[4], "");
    check(&halves, "A", &["\"o | oo o. |\""], &[]);
}

#[test]
fn sections_are_rehearsal_marks_and_equal_ones_are_one_section() {
    let mark =
        |name: &str| format!("<direction><direction-type><rehearsal>{name}</rehearsal></direction-type></direction>");
    let four = [2, 2, 2, 2];
    let a = |n, before: &str| measure(n, &(before.to_owned() + &mark("Part 1")), &four, "");
    let all = a(1, FOUR) + &measure(2, &mark("B"), &[8], "") + &a(3, "") + &measure(4, &mark("B"), &[4, 4], "");
    check(&all, "Part-1 B Part-1 B-2", &["\"oo oo |\"", "\"o |\"", "\"oo |\""], &[]);
}

#[test]
fn repeated_measures_are_filled_in_and_two_notes_of_one_surface_are_both_hands() {
    let style = |kind: &str| {
        format!(
            "<attributes><measure-style><measure-repeat type=\"{kind}\">1</measure-repeat></measure-style></attributes>"
        )
    };
    let rest = "<note><rest/><duration>8</duration></note>";
    let bars = measure(1, FOUR, &[4, 4], "")
        + &measure(2, &(style("start") + rest), &[], "")
        + &measure(3, &style("stop"), &[8], "");
    check(&bars, "A", &["\"oo | oo | o |\""], &[]);
    let both = "<note><chord/><unpitched><display-step>C</display-step><display-octave>5</display-octave></unpitched><duration>4</duration></note>";
    check(&measure(1, FOUR, &[4, 4], both), "A", &["\"oO |\""], &[]);
    let cross = both.replace("</duration>", "</duration><notehead>x</notehead>");
    let told = "once two surfaces sound at once, and a part has one: the first that is written was kept";
    check(&measure(1, FOUR, &[4, 4], &cross), "A", &["\"oo |\""], &[told]);
}

#[test]
fn a_second_voice_adds_its_strokes_and_its_rests_are_none_where_the_first_sounds() {
    let backup = "<backup><duration>8</duration></backup>";
    let low = "<note><rest/><duration>4</duration><voice>2</voice></note><note><unpitched><display-step>F</display-step><display-octave>4</display-octave></unpitched><duration>4</duration><voice>2</voice></note>";
    check(&measure(1, FOUR, &[6, 2], &format!("{backup}{low}")), "A", &["\"o. oo |\""], &[]);
}

#[test]
fn what_no_part_can_hold_is_refused_with_its_bar_and_the_way_out() {
    let refused = |measures: &str| {
        read(score(measures).as_bytes(), Format::MusicXml, None, &Table::default()).unwrap_err().to_string()
    };
    let three = FOUR.replace("<beats>4", "<beats>3");
    let said = refused(&(measure(1, FOUR, &[8], "") + &measure(2, &three, &[6], "")));
    assert!(said.starts_with("the meter changes from 4/4 to 3/4 at bar 2") && said.contains("hint:"), "{said}");
    let five = FOUR.replace("<divisions>2", "<divisions>5");
    let said = refused(&measure(1, &five, &[1, 1, 1, 1, 1, 15], ""));
    assert!(said.starts_with("the rhythm of bar 1 (at beat 1.2) has no cells"), "{said}");
    let said = refused(&measure(7, FOUR, &[8, 4], ""));
    assert!(said.starts_with("bar 7 lasts 6 quarters, and a bar of 4/4 lasts 4"), "{said}");
    let said = refused(&measure(1, &format!("{FOUR}<note><rest/><duration>8</duration></note>"), &[], ""));
    assert!(said.starts_with("it holds no note at all"), "{said}");
}

#[test]
fn of_several_lines_one_is_chosen() {
    let one = score(&measure(1, FOUR, &[8], ""));
    let two = one
        .replace("</score-part>", "</score-part><score-part id=\"P2\"><part-name>Rims</part-name></score-part>")
        .replace("</part>", &format!("</part><part id=\"P2\">{}</part>", measure(1, FOUR, &[4, 4], "")));
    let Err(NotationError::Choose(lines)) = read(two.as_bytes(), Format::MusicXml, None, &Table::default()) else {
        panic!("one of two was taken")
    };
    assert_eq!(lines.iter().map(Line::told).collect::<Vec<_>>(), ["Snare: 1 note", "Rims: 2 notes"]);
    for (wanted, strokes) in [("2", 2), ("rims", 2), ("1", 1)] {
        let read = read(two.as_bytes(), Format::MusicXml, Some(wanted), &Table::default()).unwrap();
        assert_eq!(music(&read.part).strokes.len(), strokes);
    }
    let none = read(two.as_bytes(), Format::MusicXml, Some("3"), &Table::default()).unwrap_err().to_string();
    assert!(none.contains("no line `3`") && none.contains("2  Rims: 2 notes"), "{none}");
}

#[test]
fn hostile_files_are_refused_in_words() {
    let refused = |bytes: &[u8], format| read(bytes, format, None, &Table::default()).unwrap_err().to_string();
    let mut bomb = String::from("<!DOCTYPE score-partwise [<!ENTITY a0 \"ha\">");
    for i in 1..30 {
        bomb.push_str(&format!("<!ENTITY a{i} \"&a{};&a{};&a{};\">", i - 1, i - 1, i - 1));
    }
    bomb.push_str("]><score-partwise>&a29;</score-partwise>");
    assert!(refused(bomb.as_bytes(), Format::MusicXml).starts_with("it is not readable as XML"));
    let fetch =
        "<!DOCTYPE score-partwise [<!ENTITY x SYSTEM \"file:///etc/passwd\">]><score-partwise>&x;</score-partwise>";
    let said = refused(fetch.as_bytes(), Format::MusicXml);
    assert!(!said.contains("root:"), "{said}");
    let deep = "<score-partwise>".repeat(300_000);
    assert!(refused(deep.as_bytes(), Format::MusicXml).starts_with("it is not readable as XML"));
    let nested = format!("{}{}", "<note>".repeat(200_000), "</note>".repeat(200_000));
    let _ = read(score(&measure(1, FOUR, &[], &nested)).as_bytes(), Format::MusicXml, None, &Table::default());
    let long = "<note><unpitched/><duration>1e308</duration></note><note><unpitched/><duration>-5</duration></note><backup><duration>1e18</duration></backup>";
    let odd = score(&measure(1, &FOUR.replace(">2<", ">1e-300<"), &[1], long));
    let _ = read(odd.as_bytes(), Format::MusicXml, None, &Table::default());

    use std::io::Write as _;
    let zip = |entries: &[(&str, &[u8])]| {
        let mut zip = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
        for (name, bytes) in entries {
            zip.start_file(*name, zip::write::SimpleFileOptions::default()).unwrap();
            zip.write_all(bytes).unwrap();
        }
        zip.finish().unwrap().into_inner()
    };
    let large = vec![b' '; 65 << 20];
    let said = refused(&zip(&[("score.xml", &large)]), Format::Mxl);
    assert!(said.contains("larger than 64 MB"), "{said}");
    let list = b"<container><rootfiles><rootfile full-path=\"gone.xml\"/></rootfiles></container>";
    assert!(refused(&zip(&[("META-INF/container.xml", list)]), Format::Mxl).contains("`gone.xml`"));
    assert!(refused(&zip(&[]), Format::Mxl).contains("no score in it"));

    let midi = out(&part(LANTERN), Format::Midi);
    for n in 0..midi.len() {
        let _ = read(&midi[..n], Format::Midi, None, &Table::default());
        let mut flipped = midi.clone();
        flipped[n] ^= 0xff;
        let _ = read(&flipped, Format::Midi, None, &Table::default());
    }
    let film = [&midi[..12], &[0xe7, 0x28], &midi[14..]].concat();
    assert!(refused(&film, Format::Midi).starts_with("its times are frames of a film"));
}

fn run(folder: &Path, args: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_pailbeat")).current_dir(folder).args(args).output().unwrap()
}

fn place() -> (tempfile::TempDir, PathBuf) {
    let place = tempfile::tempdir().unwrap();
    std::fs::write(place.path().join("part.toml"), LANTERN).unwrap();
    let path = place.path().to_owned();
    (place, path)
}

#[test]
fn convert_goes_there_and_back_by_the_endings_and_writes_a_table_to_edit() {
    let (_place, at) = place();
    let strokes = music(&part(LANTERN)).strokes.len();
    let said = |args: &[&str]| {
        let done = run(&at, args);
        (done.status.code(), String::from_utf8(done.stdout).unwrap(), String::from_utf8(done.stderr).unwrap())
    };
    for name in ["out.musicxml", "out.mxl", "out.mid"] {
        let done = said(&["convert", "part.toml", name]);
        assert_eq!(
            (done.0, done.1),
            (Some(0), format!("{name}: `Lantern Parade`, {strokes} strokes in 16 bars\n")),
            "{}",
            done.2
        );
        let back = format!("{name}.toml");
        let done = said(&["convert", name, &back, "--table", &format!("{name}-table.toml")]);
        assert_eq!(done.0, Some(0), "{}", done.2);
        let text = std::fs::read_to_string(at.join(&back)).unwrap();
        let read = part(&text);
        assert_eq!(read.form, part(LANTERN).form);
        assert_eq!(read.timeline(None, read.range.start).unwrap().strokes.len(), strokes);
    }
    let table = at.join("out.mid-table.toml");
    let edited = std::fs::read_to_string(&table).unwrap().replace("\"rim\"", "\"clap\"");
    std::fs::write(&table, edited).unwrap();
    let done = said(&["convert", "out.mid", "again.toml", "--table", "out.mid-table.toml"]);
    assert!(done.2.contains("as clap"), "{}", done.2);
    assert!(std::fs::read_to_string(at.join("again.toml")).unwrap().contains("occ. o.c."));
    let done = said(&["convert", "part.toml", "out.pdf"]);
    assert_eq!(done.0, Some(2));
    assert!(done.2.contains("it may end in .toml, .musicxml, .mxl or .mid"), "{}", done.2);
    let done = said(&["convert", "nowhere.mid", "x.toml"]);
    assert_eq!((done.0, done.2.contains("there is no such file")), (Some(2), true), "{}", done.2);
}

#[test]
fn parts_are_read_as_word_processors_and_other_systems_keep_them() {
    let (_place, at) = place();
    let curly = LANTERN.replace("= \"", "= “").replace("\"\n", "”\n").replace("Lantern", "Lantérn");
    let wide: Vec<u8> = [0xff, 0xfe].into_iter().chain(curly.encode_utf16().flat_map(u16::to_le_bytes)).collect();
    let latin: Vec<u8> = (curly.chars())
        .map(|c| match c {
            '“' => 0x93,
            '”' => 0x94,
            c => u8::try_from(u32::from(c)).unwrap(),
        })
        .collect();
    for (name, bytes) in [("curly.toml", curly.clone().into_bytes()), ("wide.toml", wide), ("latin.toml", latin)] {
        std::fs::write(at.join(name), bytes).unwrap();
        let done = run(&at, &["check", name]);
        let said = String::from_utf8(done.stdout).unwrap();
        assert!(said.starts_with("Lantérn Parade\n"), "{name}: {said}{}", String::from_utf8_lossy(&done.stderr));
    }
    std::fs::write(at.join("hands.toml"), LANTERN.replace("+.xx +.o. | xx+.", "R.LL R.R. | xx+.")).unwrap();
    let done = run(&at, &["check", "hands.toml"]);
    assert!(String::from_utf8_lossy(&done.stderr).contains("hands belong in `hands`"));
    let done = run(&at, &["check", "gone.toml"]);
    assert!(String::from_utf8_lossy(&done.stderr).contains("cannot read the part `gone.toml`: there is no such file"));
}
