//! What the class page says, from rows.

use super::*;
use crate::report::page::class::{self, ClassView, Last, NextSign, Picture, Row, Sign, Turn};

const DAY: i64 = 86_400;
/// When what the class plays was asked for.
const GIVEN: i64 = 100 * DAY;

/// A class that was asked for this form at the slowest tempo.
fn asked_for(form: &str) -> Book {
    let book = Book::in_memory().unwrap();
    book.enrol([("3b", "Wren"), ("3b", "Jay"), ("3b", "Avocet")]).unwrap();
    give(&book, form, 66.0, GIVEN);
    book
}

fn give(book: &Book, form: &str, bpm: f64, given_s: i64) {
    let new =
        NewAssignment { class: "3b", part_text: PART, form: Some(form), bpm: Bpm::new(bpm), given_s, due_s: None };
    book.assign(&new).unwrap();
}

fn row<'a>(view: &'a ClassView, pupil: &str) -> &'a Row {
    view.rows.iter().find(|r| r.pupil == pupil).unwrap()
}

fn found(kind: Kind, section: Option<&str>, pass: Option<u32>, size: f64) -> Found {
    Found { section: section.map(str::to_owned), pass, size, ..fault(kind, "A", 1) }
}

/// What the page says of who has sent a take.
fn count(view: &ClassView) -> String {
    let html = class::page(view);
    let said = html.split("<p class=\"count\">").nth(1).unwrap().split("</p>").next().unwrap();
    said.replace("<b>", "").replace("</b>", "").replace("<bdi>", "").replace("</bdi>", "")
}

#[test]
fn every_child_has_a_row_with_the_take_the_matter_and_what_is_next() {
    let book = asked_for("A B");
    let a = assigned(&book);
    put(&book, "Wren", 1, GIVEN + DAY, &good(&a));
    let mut d = good(&a);
    d.findings.push(fault(Kind::JoinGap, "B", 1));
    (d.practise, d.next) = ("B bar 1".into(), 60.0);
    put(&book, "Jay", 2, GIVEN + DAY, &d);
    let view = book.class_view("3b", GIVEN + 2 * DAY).unwrap();
    let names: Vec<&str> = view.rows.iter().map(|r| r.pupil.as_str()).collect();
    assert_eq!(names, ["Avocet", "Jay", "Wren"]);
    let (wren, jay, avocet) = (row(&view, "Wren"), row(&view, "Jay"), row(&view, "Avocet"));
    assert_eq!((wren.matter.as_str(), wren.next.text.as_str()), ("plays it as written", "ready for A B at 72"));
    assert_eq!((jay.matter.as_str(), jay.next.sign), ("From A into B: stops before going on", NextSign::Slower));
    assert_eq!(jay.next.text, "B bar 1, slower first, 60");
    assert_eq!((&avocet.last, avocet.next.sign), (&Last::Nothing, NextSign::Take));
    let Last::Since(take) = &wren.last else { panic!("{:?}", wren.last) };
    assert_eq!((take.asked, take.played), (66.0, Some(66.0)));
    assert_eq!(count(&view), "2 of 3 have sent a take since then. Not yet: Avocet.");
    assert!(view.again.is_empty(), "one child's fault is not the class's");
    let html = class::page(&view);
    assert!(html.contains("No fault is shared. Each child needs something of their own"));
    assert!(html.contains("<a href=\"pupil-Wren.html\">"));
    let late = book.class_view("3b", GIVEN + 12 * DAY).unwrap();
    assert_eq!(row(&late, "Wren").next.text, "a word: nothing sent for a week");
    assert_eq!(row(&late, "Avocet").next.text, "a word: nothing sent yet");
}

#[test]
fn who_sent_since_it_was_asked_for_is_said_by_name() {
    let book = asked_for("A B");
    for (key, nickname, at) in [(1, "Wren", GIVEN - 3 * DAY), (2, "Jay", GIVEN + 1), (3, "Avocet", GIVEN + 2)] {
        put(&book, nickname, key, at, &good(&assigned(&book)));
    }
    let view = book.class_view("3b", GIVEN + DAY).unwrap();
    assert!(
        count(&view).starts_with("2 of 3 have sent a take since then. Not yet: Wren (last one "),
        "{}",
        count(&view)
    );
    assert!(matches!(row(&view, "Wren").last, Last::Before(_)));
    assert!(class::page(&view).contains("<b>before<span class=\"more\"> it was asked for</span></b>"));

    // Asked anew, faster: nobody has sent that yet, and what was sent is still there.
    give(&book, "A B", 80.0, GIVEN + 2 * DAY);
    let view = book.class_view("3b", GIVEN + 3 * DAY).unwrap();
    assert_eq!(count(&view), "Nobody has sent a take since then.");
    assert!(
        view.rows
            .iter()
            .all(|r| matches!(r.last, Last::Before(_)) && r.next.sign == NextSign::Take
                || r.next.sign == NextSign::Slower)
    );
    // A take made since, but of what was asked for before: its card says so.
    let old = book.assignments(book.class("3b").unwrap()).unwrap().remove(1);
    let take = NewTake {
        pupil: book.pupil("Jay").unwrap().id,
        assignment: old.id,
        sha256: vec![9; 32],
        print: vec![9; 40],
        n_onsets: 20,
        file: "jay.wav".into(),
        taken_s: GIVEN + 3 * DAY,
        length: Seconds::of(20.0),
        sound: None,
        card: None,
        known: Vec::new(),
    };
    book.store(&take, &old, "1", &good(&old), None, 0).unwrap();
    let view = book.class_view("3b", GIVEN + 4 * DAY).unwrap();
    assert!(matches!(row(&view, "Jay").last, Last::OfAnother(_)));
    assert_eq!(count(&view), "Nobody has sent a take since then.");
    put(&book, "Wren", 20, GIVEN + 4 * DAY, &good(&assigned(&book)));
    let view = book.class_view("3b", GIVEN + 5 * DAY).unwrap();
    assert!(count(&view).contains("Jay (sent at 66)"), "{}", count(&view));
}

#[test]
fn what_several_have_in_common_is_told_once_with_a_picture_of_each() {
    let book = asked_for("A A B");
    let a = assigned(&book);
    for (key, nickname) in [(1, "Wren"), (2, "Jay")] {
        let mut d = good(&a);
        d.findings = vec![
            found(Kind::RepeatMissing, Some("A"), Some(2), 2.0),
            found(Kind::SectionSkipped, Some("B"), Some(1), 2.0),
            found(Kind::RestNotKept, Some("A"), Some(1), 1.0),
        ];
        put(&book, nickname, key, GIVEN + 5, &d);
    }
    let view = book.class_view("3b", GIVEN + DAY).unwrap();
    let seen: Vec<_> = view.again.iter().map(|a| (a.title.as_str(), a.says.as_str(), a.minis.len())).collect();
    assert_eq!(seen.len(), 3);
    assert!(seen.contains(&("A is played once instead of twice", "2 of 2 leave out a repeat", 2)), "{seen:?}");
    assert!(seen.contains(&("B is left out", "2 of 2 leave it out", 2)), "{seen:?}");
    assert!(seen.contains(&("A, bar 1: the rest", "2 of 2 play through it", 2)), "{seen:?}");
    assert_eq!(view.again[0].lesson.as_deref(), Some("lesson-5.mp4 06:40"));
    let skipped = view.again.iter().find(|a| a.title == "B is left out").unwrap();
    let Picture::Form(turns) = &skipped.minis[0].picture else { panic!("{skipped:?}") };
    let turns: Vec<_> = turns.iter().map(|(s, t)| (s.as_str(), *t)).collect();
    assert_eq!(turns, [("A", Turn::Played), ("A", Turn::Played), ("B", Turn::LeftOut)]);
    let html = class::page(&view);
    assert_eq!(html.matches("<figure>").count(), 6);
    assert!(roxmltree::Document::parse(html.trim_start_matches("<!DOCTYPE html>")).is_ok());
}

#[test]
fn matters_of_all_of_it_are_taught_too_and_two_ways_of_one_matter_are_one() {
    let book = asked_for("A B");
    let a = assigned(&book);
    let with = |findings: Vec<Found>| Distilled { findings, ..good(&a) };
    let rush = |kind: Kind, size: f64| Found { unit: "percent".into(), bar: None, ..found(kind, None, None, size) };
    put(&book, "Wren", 1, GIVEN + 5, &with(vec![rush(Kind::Rushing, 12.0), fault(Kind::EarlyReEntry, "A", 2)]));
    put(&book, "Jay", 2, GIVEN + 5, &with(vec![rush(Kind::Dragging, 9.0), fault(Kind::LateReEntry, "A", 2)]));
    put(&book, "Avocet", 3, GIVEN + 5, &with(vec![rush(Kind::Rushing, 20.0)]));
    let view = book.class_view("3b", GIVEN + DAY).unwrap();
    let seen: Vec<_> = view.again.iter().map(|a| (a.title.as_str(), a.says.as_str())).collect();
    assert_eq!(
        seen,
        [
            ("Keeping the tempo", "2 of 3 get faster, 1 gets slower"),
            ("A, bar 2: coming in after the rest", "1 of 3 comes in late, 1 comes in too early"),
        ]
    );
    assert!(view.again[0].minis.iter().any(|m| m.picture == Picture::Drift(-9.0)));
    assert_eq!(row(&view, "Avocet").matter, "gets faster by 20 %");
}

#[test]
fn joins_into_one_section_from_two_others_are_two_matters() {
    let book = asked_for("A A B A");
    let a = assigned(&book);
    for (key, nickname, pass) in [(1, "Wren", 2), (2, "Jay", 2), (3, "Avocet", 3)] {
        let d = Distilled { findings: vec![found(Kind::JoinGap, Some("A"), Some(pass), 1.0)], ..good(&a) };
        put(&book, nickname, key, GIVEN + 5, &d);
    }
    let view = book.class_view("3b", GIVEN + DAY).unwrap();
    assert_eq!(view.again.len(), 1);
    assert_eq!(view.again[0].title, "From A to A again: going on in time");
    assert_eq!(view.again[0].pupils, ["Jay", "Wren"]);
    assert_eq!(row(&view, "Avocet").matter, "From B into A: stops before going on");
    let Picture::Bars { join, bars, marks, .. } = &view.again[0].minis[0].picture else { panic!() };
    assert!(*join && bars == &[0.5] && marks.iter().any(|m| m.2 == Sign::Fault));
}

#[test]
fn only_what_was_heard_is_said_to_be_as_written() {
    let book = asked_for("A B");
    let a = assigned(&book);
    let marked = |status: Status, n: usize| {
        let mut d = good(&a);
        d.marks.iter_mut().take(n).for_each(|m| m.status = status);
        d
    };
    let said = |key: u8, d: &Distilled| {
        put(&book, "Wren", key, GIVEN + 5 + i64::from(key), d);
        let view = book.class_view("3b", GIVEN + DAY).unwrap();
        (row(&view, "Wren").matter.clone(), row(&view, "Wren").fault)
    };
    assert_eq!(said(1, &marked(Status::Missed, 2)), ("2 strokes missing".into(), true));
    let n = a.timeline().unwrap().strokes.len();
    let hidden = format!("4 of {n} strokes could not be heard: record it nearer the bucket");
    assert_eq!(said(2, &marked(Status::NotHeard, 4)), (hidden, true));
    assert_eq!(said(3, &Distilled { bpm: Bpm::new(50.0), ..good(&a) }), ("plays it slower than asked".into(), true));
    assert_eq!(said(4, &good(&a)), ("plays it as written".into(), false));
    assert!(
        class::page(&book.class_view("3b", GIVEN + DAY).unwrap())
            .contains("Nothing: what was sent is played as written.")
    );
}

#[test]
fn who_is_silent_is_not_called_stuck_as_well() {
    let book = asked_for("A B");
    for k in 0..4 {
        let mut d = good(&assigned(&book));
        d.marks.iter_mut().for_each(|m| m.status = Status::Missed);
        put(&book, "Wren", 10 + k, GIVEN + i64::from(k) * 3 * DAY, &d);
    }
    let next = |now: i64| row(&book.class_view("3b", now).unwrap(), "Wren").next.text.clone();
    assert_eq!(next(GIVEN + 10 * DAY), "a word: at A and B for over a week");
    assert_eq!(next(GIVEN + 30 * DAY), "a word: nothing sent for a week");
}

#[test]
fn two_nicknames_that_make_one_file_name_have_a_page_each() {
    let book = asked_for("A B");
    book.enrol([("3b", "Sand Martin"), ("3b", "Sand-Martin"), ("3b", "wren")]).unwrap();
    let view = book.class_view("3b", GIVEN + DAY).unwrap();
    let mut pages: Vec<String> = view.rows.iter().map(|r| r.page.to_lowercase()).collect();
    pages.sort();
    pages.dedup();
    assert_eq!(pages.len(), view.rows.len(), "{pages:?}");
    assert_eq!(row(&view, "Jay").page, "pupil-Jay.html");
}
