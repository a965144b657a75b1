use super::distil::{Distilled, Found, Mark, State, pack, results, unpack};
use super::*;
use crate::assess::{Kind, Status};
use crate::chain::Guides;
use crate::drill::{self, VerdictKind};
use crate::part::Surface;
use crate::take::{Asked, Card, PartOfTake};
use crate::units::{Bpm, Lateness, Seconds, Ticks};

mod class;

const PART: &str = r#"
title = "Lantern Parade"
meter = "4/4"
bpm   = { start = 66, goal = 96 }
form  = "A B"
[sections.A]
strokes = "o.x. o.-- | o.x. o.x. |"
lesson = "lesson-5.mp4 06:40"
[sections.B]
strokes = "xxoo xxoo | O--- ---- |"
"#;

fn book() -> Book {
    let book = Book::in_memory().unwrap();
    fill(&book);
    book
}

fn fill(book: &Book) {
    book.enrol([("3b", "Wren"), ("3b", "Jay"), ("3b", "Avocet")]).unwrap();
    let new = NewAssignment { class: "3b", part_text: PART, form: None, bpm: None, given_s: 1_000, due_s: None };
    book.assign(&new).unwrap();
}

/// A take with everything in place.
fn good(assigned: &Assigned) -> Distilled {
    let timeline = assigned.timeline().unwrap();
    let mark = |s: &crate::part::Stroke| Mark {
        status: Status::Played,
        surface: Some(s.surface),
        late: Some(Lateness(Seconds::from_millis(-7.3))),
    };
    Distilled {
        bpm: Some(assigned.bpm),
        marks: timeline.strokes.iter().map(mark).collect(),
        next: 72.0,
        praise: "Steady.".into(),
        ..Distilled::default()
    }
}

fn fault(kind: Kind, section: &str, bar: u32) -> Found {
    Found {
        kind,
        section: Some(section.into()),
        pass: Some(1),
        bar: Some(bar),
        to_bar: None,
        beat: Some(3.0),
        size: 1.0,
        unit: "strikes".into(),
        confidence: 0.95,
        text: format!("{} in {section}", kind.word()),
    }
}

fn put(book: &Book, nickname: &str, key: u8, at_s: i64, d: &Distilled) -> i64 {
    let pupil = book.pupil(nickname).unwrap();
    let assigned = book.assignments(pupil.class).unwrap().remove(0);
    let take = NewTake {
        pupil: pupil.id,
        assignment: assigned.id,
        sha256: vec![key; 32],
        print: vec![key; 40],
        n_onsets: 20,
        file: format!("{nickname}.wav"),
        taken_s: at_s,
        length: Seconds::of(20.0),
        sound: None,
        card: None,
        known: Vec::new(),
    };
    book.store(&take, &assigned, "1", d, None, at_s).unwrap().unwrap()
}

fn assigned(book: &Book) -> Assigned {
    book.assignments(book.class("3b").unwrap()).unwrap().remove(0)
}

fn correction(what: CorrectionKind, section: &str, bar: u32) -> Correction {
    Correction {
        what,
        finding: None,
        section: Some(section.into()),
        pass: None,
        bar: Some(bar),
        beat: None,
        who: "teacher".into(),
        at_s: 5_000,
        note: String::new(),
    }
}

fn state(book: &Book, take: i64, unit: &str) -> Option<i64> {
    use rusqlite::OptionalExtension as _;
    let sql = "SELECT state FROM results WHERE take = ?1 AND unit = ?2";
    book.db.query_row(sql, rusqlite::params![take, unit], |r| r.get(0)).optional().unwrap()
}

#[test]
fn what_is_packed_comes_back() {
    let book = book();
    let mut d = good(&assigned(&book));
    d.marks[1] = Mark { status: Status::Missed, surface: None, late: None };
    d.marks[2].status = Status::WrongSurface;
    d.marks[2].surface = Some(Surface::Clap);
    d.in_rests = vec![Ticks(2_400), Ticks(70_000)];
    assert_eq!(unpack(&pack(&d)), (d.marks.clone(), d.in_rests.clone()));
    for cut in 0..pack(&d).len() {
        unpack(&pack(&d)[..cut]);
    }
}

#[test]
fn a_fault_holds_back_its_section_and_no_other() {
    let book = book();
    let a = assigned(&book);
    let timeline = a.timeline().unwrap();
    let of = |d: &Distilled| results(d, &timeline);
    let all = |s| vec![("A".to_owned(), s), ("B".to_owned(), State::Had), ("A>B".to_owned(), State::Had)];
    assert_eq!(of(&good(&a)), all(State::Had));
    let mut d = good(&a);
    d.findings.push(fault(Kind::RestNotKept, "A", 1));
    assert_eq!(of(&d), all(State::Slower));
    d.findings[0].confidence = 0.4;
    assert_eq!(of(&d), all(State::Had));
    let mut d = good(&a);
    d.findings.push(fault(Kind::JoinGap, "B", 1));
    assert_eq!(of(&d)[2], ("A>B".to_owned(), State::Slower));
    assert_eq!(of(&d)[1], ("B".to_owned(), State::Had));
    d.bpm = Bpm::new(50.0);
    assert!(of(&d).iter().all(|r| r.1 == State::Slower));
}

#[test]
fn a_correction_wins_and_survives_another_ear() {
    let book = book();
    let a = assigned(&book);
    let mut d = good(&a);
    d.findings.push(fault(Kind::RestNotKept, "A", 1));
    let take = put(&book, "Wren", 1, 2_000, &d);
    assert_eq!(state(&book, take, "A"), Some(1));
    book.correct(take, &correction(CorrectionKind::Fine, "A", 1), None).unwrap();
    assert_eq!(state(&book, take, "A"), Some(0));
    assert!(book.findings(take).unwrap().is_empty());
    // The next ear says the same again, and finds something new.
    d.findings.push(fault(Kind::WrongSurface, "B", 1));
    let changed = book.reassess(take, "2", &d, None, 9_000).unwrap();
    assert_eq!((state(&book, take, "A"), state(&book, take, "B")), (Some(0), Some(1)));
    assert_eq!((changed.units, changed.new.len(), changed.gone.len()), (vec!["B".to_owned()], 1, 0));
    assert_eq!(book.corrected().unwrap(), (vec![("fine".to_owned(), 1)], 1));
}

#[test]
fn a_surface_named_by_the_teacher_settles_the_stroke() {
    let book = book();
    let mut d = good(&assigned(&book));
    for mark in &mut d.marks[8..12] {
        (mark.status, mark.surface) = (Status::WrongSurface, Some(Surface::Click));
    }
    let take = put(&book, "Jay", 1, 2_000, &d);
    let before = state(&book, take, "B");
    let mut all = correction(CorrectionKind::Fine, "B", 1);
    all.finding = Some("wrong-surface".into());
    book.correct(take, &all, None).unwrap();
    assert_eq!((before, state(&book, take, "B")), (Some(1), Some(0)));
}

#[test]
fn a_take_of_another_moves_to_them() {
    let book = book();
    let take = put(&book, "Jay", 1, 2_000, &good(&assigned(&book)));
    let wren = book.pupil("Wren").unwrap().id;
    let mut whose = correction(CorrectionKind::Whose, "A", 1);
    (whose.section, whose.bar) = (None, None);
    book.correct(take, &whose, Some(wren)).unwrap();
    assert_eq!(book.take(take).unwrap().pupil, wren);
    assert_eq!(book.takes(Some(wren)).unwrap().len(), 1);
}

#[test]
fn what_was_set_right_in_the_wrong_take_is_taken_back_without_loss() {
    let book = book();
    let mut d = good(&assigned(&book));
    d.findings.push(fault(Kind::RestNotKept, "A", 1));
    let take = put(&book, "Wren", 1, 2_000, &d);
    let before = (book.findings(take).unwrap(), state(&book, take, "A"), book.class_view("3b", 9_000).unwrap());
    let fine = correction(CorrectionKind::Fine, "A", 1);
    let ids = book.correct_all(take, &[fine.clone(), correction(CorrectionKind::Fine, "B", 1)]).unwrap();
    assert_eq!((book.findings(take).unwrap().len(), state(&book, take, "A")), (0, Some(0)));
    ids.iter().for_each(|id| book.take_back(*id, 6_000).unwrap());
    assert_eq!(before, (book.findings(take).unwrap(), state(&book, take, "A"), book.class_view("3b", 9_000).unwrap()));
    assert!(book.corrections(take).unwrap().is_empty() && book.corrected().unwrap().0.is_empty());
    // The history keeps it, and says that it was taken back.
    let rows = book.set_right(Some(take)).unwrap();
    assert_eq!((rows.len(), rows[1].undone_s, &rows[1].correction), (2, Some(6_000), &fine));
    assert!(book.take_back(ids[0], 7_000).is_err() && book.take_back(999, 7_000).is_err());
    // One that does not fit leaves none of them.
    assert!(book.correct_all(take, &[fine, correction(CorrectionKind::Fine, "Z", 1)]).is_err());
    assert!(book.corrections(take).unwrap().is_empty());
}

#[test]
fn a_take_that_was_given_to_another_goes_back() {
    let book = book();
    let take = put(&book, "Jay", 1, 2_000, &good(&assigned(&book)));
    let (jay, wren) = (book.pupil("Jay").unwrap().id, book.pupil("Wren").unwrap().id);
    let mut whose = correction(CorrectionKind::Whose, "A", 1);
    (whose.section, whose.bar) = (None, None);
    book.correct(take, &whose, Some(wren)).unwrap();
    let id = book.set_right(Some(take)).unwrap()[0].id;
    book.take_back(id, 6_000).unwrap();
    assert_eq!(book.take(take).unwrap().pupil, jay);
}

#[test]
fn a_review_shows_the_take_as_the_teacher_has_set_it_right() {
    let text = include_str!("../../reference_takes/lantern-parade.toml");
    let part = crate::part::parse(text).unwrap();
    let timeline = part.timeline(Some("A A B B"), Bpm::new(96.0).unwrap()).unwrap();
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("reference_takes/finch.mp3");
    let mut sound = crate::take::Recording::new(|| crate::audio::open(&path));
    let asked = crate::chain::Asked::of(&timeline);
    let heard = crate::chain::assess(&mut sound, &asked, &crate::chain::Beside::default(), &mut crate::chain::quietly);
    let raw = heard.unwrap().assessment;
    let wrong = raw.findings.iter().find(|f| f.kind() == Kind::WrongSurface).unwrap();
    let with = |corrections: Vec<Correction>| {
        let row =
            |(k, correction)| SetRight { id: k as i64, take: 1, pupil: "Finch".into(), correction, undone_s: None };
        review(&raw, &corrections.into_iter().enumerate().map(row).collect::<Vec<_>>())
    };
    let nothing = with(Vec::new());
    assert_eq!((&nothing.assessment, nothing.answered.len()), (&raw, 0));
    let wrongs = |a: &crate::assess::Assessment| a.strokes.iter().filter(|s| s.status == Status::WrongSurface).count();
    for as_written in [true, false] {
        let reviewed = with(against(&raw, wrong, as_written, "teacher", 5, ""));
        assert_eq!(reviewed.assessment.findings.len() + reviewed.answered.len(), raw.findings.len());
        assert!(reviewed.answered.iter().any(|a| a.finding == *wrong && !a.said.is_empty()));
        assert!(wrongs(&reviewed.assessment) < wrongs(&raw), "as written: {as_written}");
        let played = |a: &crate::assess::Assessment| a.strokes.iter().filter(|s| s.status == Status::Played).count();
        assert!(played(&reviewed.assessment) > played(&raw));
    }
}

#[test]
fn even_is_up_in_the_chart_of_evenness() {
    let book = book();
    for (key, ms) in [(1, 60.0), (2, 10.0)] {
        let mut d = good(&assigned(&book));
        d.jitter = Some(Seconds::from_millis(ms));
        put(&book, "Wren", key, 2_000 + 2 * 86_400 * i64::from(key), &d);
    }
    let html = crate::report::page::progress::page(&book.pupil_view("Wren", 500_000).unwrap());
    let chart = html.split("<b>Evenness</b>").nth(1).unwrap().split("</figure>").next().unwrap();
    let heights = |tag: &str, name: &str| -> Vec<f64> {
        let after =
            |s: &str| s.split(&format!(" {name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap();
        chart.split(tag).skip(1).map(after).collect()
    };
    let (dots, ends) = (heights("<circle", "cy"), heights("<text", "y"));
    assert!(dots[1] < dots[0] - 10.0, "{dots:?}");
    assert!(ends[0] < ends[1] - 20.0, "{ends:?}");
}

#[test]
fn hostile_names_stay_whole_and_harm_no_page_and_no_table() {
    let long = "x".repeat(4_000);
    let names = [
        "../../etc",
        "=HYPERLINK(\"x\")",
        "\u{202e}nerw",
        "<script>alert(1)</script>",
        "a\u{0}b\u{7}",
        "' OR 1=1 --",
        &long,
    ];
    let folder = tempfile::tempdir().unwrap();
    let book = Book::create(folder.path()).unwrap();
    book.enrol(names.iter().map(|n| ("<b>&", *n))).unwrap();
    let new = NewAssignment { class: "<b>&", part_text: PART, form: None, bpm: None, given_s: 0, due_s: None };
    book.assign(&new).unwrap();
    for name in names {
        // But for what nobody sees.
        assert_eq!(book.pupil(name).unwrap().nickname, crate::names::normal(name));
        assert!(crate::names::normal(name).len() + 3 >= name.len(), "{name:?}");
        book.say(name, "<i>=1+1</i>", 5).unwrap();
        let view = book.pupil_view(name, 10).unwrap();
        for html in [crate::report::page::progress::page(&view), crate::report::page::progress::child(&view)] {
            assert!(roxmltree::Document::parse(html.trim_start_matches("<!DOCTYPE html>")).is_ok(), "{name}");
            assert!(!html.contains("<script") && !html.contains('\u{202e}') && !html.contains("<i>=1"));
        }
    }
    let html = crate::report::page::class::page(&book.class_view("<b>&", 10).unwrap());
    assert!(roxmltree::Document::parse(html.trim_start_matches("<!DOCTYPE html>")).is_ok());
    book.export(&folder.path().join("out")).unwrap();
    let table = std::fs::read_to_string(folder.path().join("out/pupils.csv")).unwrap();
    assert!(table.contains("'=HYPERLINK") && table.contains(&long));
    for cell in ["=1", "+1", "-1", "@x", "\t=1", " =1", "|x"] {
        assert!(export::harmless(cell).starts_with('\''), "{cell:?}");
    }
    assert_eq!(export::harmless("Wren"), "Wren");
}

const ECHOES: &str = r#"
title = "Morning echoes"
meter = "4/4"
bpm   = 80
hush  = "owl"
lures = { nearly = 2 }
[calls.owl]
strokes = "oo.x o.--"
[calls.wren]
strokes = "oo.x .o--"
lure = true
[calls.hens]
strokes = "o.x. o.x."
[calls.pond]
strokes = "o.oo x.--"
"#;

/// Keeps a drill in which these answers came: call, verdict, what was played instead.
fn drilled(book: &Book, nickname: &str, answers: &[(&str, VerdictKind, Option<&str>)]) -> i64 {
    let plan = drill::plan(
        &drill::parse(ECHOES).unwrap(),
        1,
        &crate::guide::GuideConfig::default(),
        crate::units::SampleRate::new(16_000).unwrap(),
    );
    let nobody = crate::chain::Take::default();
    let mut results = drill::judge(&plan, &nobody, |at| at, None);
    let window: Vec<_> = plan.rounds.iter().map(|r| r.expected()).collect();
    assert!(results.answers.is_empty() && !window.is_empty());
    for (call, kind, instead) in answers {
        let round = plan.rounds.iter().find(|r| r.call.name == *call).unwrap().clone();
        let verdict = drill::Verdict {
            kind: *kind,
            differences: Vec::new(),
            benefit: Vec::new(),
            unsure_sounds: false,
            by_rhythm: false,
            confidence: 0.9,
            heard: Vec::new(),
            lateness: Vec::new(),
        };
        results.answers.push(drill::Answered { round, verdict, instead: instead.map(str::to_owned) });
    }
    results.tally.rounds = answers.len();
    book.store_drill(&NewDrill {
        pupil: book.pupil(nickname).unwrap().id,
        sha256: format!("{nickname} {answers:?}").into_bytes(),
        file: format!("{nickname}-echoes.wav"),
        taken_s: 3_000,
        text: ECHOES,
        plan: &plan,
        results: &results,
    })
    .unwrap()
}

#[test]
fn the_class_page_shows_which_patterns_are_confused_and_a_lesson_that_sets_them_side_by_side() {
    use VerdictKind::{Different, HushAnswered, HushKept, Nearly, Right, Silent};
    let book = Book::in_memory().unwrap();
    fill(&book);
    let confused = [("hens", Different, Some("pond")), ("owl", HushKept, None), ("wren", Right, None)];
    drilled(&book, "Wren", &confused);
    // The same recording scored again is kept once.
    drilled(&book, "Wren", &confused);
    let view = book.class_view("3b", 4_000).unwrap().echoes.unwrap();
    assert_eq!(
        (view.pupils, view.calls.len(), view.pair.as_ref()),
        (1, 3, None),
        "one child's slip is nobody's lesson"
    );
    drilled(&book, "Jay", &[("pond", Different, Some("hens")), ("hens", Nearly, None), ("owl", HushAnswered, None)]);
    drilled(&book, "Avocet", &[("wren", Silent, None), ("hens", Different, None)]);
    let view = book.class_view("3b", 4_000).unwrap().echoes.unwrap();
    assert_eq!(view.calls, ["owl", "wren", "hens", "pond"]);
    assert_eq!(
        view.played,
        [[1, 0, 0, 0, 1, 0], [0, 1, 0, 0, 1, 0], [0, 0, 1, 1, 0, 1], [0, 0, 1, 0, 0, 0]].map(|r| r.to_vec())
    );
    let pair = view.pair.unwrap();
    assert_eq!((pair.first.as_str(), pair.second.as_str(), pair.times), ("hens", "pond", 2));
    let lesson = drill::parse(&pair.drill).unwrap();
    assert_eq!(lesson.order.map(|o| o.len()), Some(8));
}

#[test]
fn who_is_forgotten_leaves_no_byte() {
    let folder = tempfile::tempdir().unwrap();
    let book = Book::create(folder.path()).unwrap();
    fill(&book);
    book.enrol([("3b", "Quokkabird")]).unwrap();
    let a = assigned(&book);
    for key in 10..60 {
        let mut d = good(&a);
        d.praise = format!("Quokkabird, {key} times steady.");
        put(&book, "Quokkabird", key, 2_000, &d);
    }
    let kept = put(&book, "Wren", 1, 2_000, &good(&a));
    drilled(&book, "Quokkabird", &[("wren", VerdictKind::Right, None)]);
    // Another's recordings may bear the name.
    let others = drilled(&book, "Wren", &[("wren", VerdictKind::Right, None)]);
    let named = |sql: &str, id: i64| book.db.execute(sql, rusqlite::params!["Wren with Quokkabird.wav", id]).unwrap();
    assert_eq!(named("UPDATE drills SET file = ?1 WHERE id = ?2", others), 1);
    assert_eq!(named("INSERT INTO copies (sha256, file, take) VALUES (x'00', ?1, ?2)", kept), 1);
    let duet = put(&book, "Wren", 2, 2_500, &good(&a));
    assert_eq!(named("UPDATE takes SET file = ?1 WHERE id = ?2", duet), 1);
    book.say("Quokkabird", "Well done, Quokkabird", 3).unwrap();
    let sound = folder.path().join("sound/ff.wav");
    std::fs::write(&sound, b"Quokkabird plays").unwrap();
    book.db.execute("UPDATE takes SET sound = 'ff.wav' WHERE sha256 = ?1", [vec![10u8; 32]]).unwrap();
    book.write_class_page("3b", 4_000).unwrap();
    book.write_pupil_pages("Quokkabird", 4_000).unwrap();
    let found = || -> Vec<PathBuf> {
        walkdir::WalkDir::new(folder.path())
            .into_iter()
            .filter_map(Result::ok)
            .filter(|e| e.file_type().is_file())
            .filter(|e| std::fs::read(e.path()).unwrap().windows(10).any(|w| w.eq_ignore_ascii_case(b"quokkabird")))
            .map(|e| e.path().to_owned())
            .collect()
    };
    assert!(found().len() >= 3, "{:?}", found());
    let gone = book.forget(&book.forgetting("quokkabird").unwrap(), 4_000).unwrap();
    assert_eq!((gone.takes, gone.drills, gone.sounds, gone.pages, gone.anew, gone.texts), (50, 1, 1, 2, 1, 3));
    let left = "SELECT (SELECT count(*) FROM drills) + (SELECT count(*) FROM drill_answers)";
    assert_eq!(book.db.query_row(left, [], |r| r.get::<_, i64>(0)).unwrap(), 2, "only the other's");
    assert_eq!(found(), Vec::<PathBuf>::new());
    drop(book);
    assert_eq!(found(), Vec::<PathBuf>::new());
    let book = Book::open(folder.path()).unwrap();
    assert!(book.pupil("Quokkabird").is_err());
    assert_eq!(book.take(kept).unwrap().file, "Wren.wav");
    assert_eq!(book.take(duet).unwrap().file, "Wren with ….wav");
    assert!(folder.path().join("pages/class-3b.html").is_file());
}

#[test]
fn the_pupils_page_shows_the_drills_of_that_pupil_and_no_empty_section() {
    use crate::report::page::progress;
    use VerdictKind::{Different, HushAnswered, Right, Silent};
    let book = book();
    drilled(&book, "Jay", &[("hens", Right, None)]);
    drilled(
        &book,
        "Wren",
        &[
            ("pond", Different, Some("hens")),
            ("wren", Right, None),
            ("hens", Silent, None),
            ("pond", Different, Some("hens")),
            ("owl", HushAnswered, None),
            ("hens", Right, None),
        ],
    );
    let view = book.pupil_view("Wren", 4_000).unwrap();
    assert_eq!(view.drills.len(), 1);
    let said: Vec<_> = view.drills[0].calls.iter().map(|c| (c.name.as_str(), c.hush, c.right, c.all)).collect();
    assert_eq!(said, [("owl", true, 0, 1), ("wren", false, 1, 1), ("hens", false, 1, 2), ("pond", false, 0, 2)]);
    assert_eq!(
        (view.drills[0].calls[3].instead.as_deref(), view.drills[0].calls[2].instead.as_deref()),
        (Some("hens"), None)
    );
    let (page, child) = (progress::page(&view), progress::child(&view));
    for part in [
        "No take has been sent yet.",
        "Right each time: wren.",
        "Practise pond beside hens, slowly",
        "no answer was heard",
    ] {
        assert!(page.contains(part), "{part}: {page}");
    }
    assert!(child.contains("I have not heard your piece yet") && child.contains("Right each time: wren."), "{child}");
    for html in [&page, &child] {
        assert!(roxmltree::Document::parse(html.trim_start_matches("<!DOCTYPE html>")).is_ok());
    }
    let without = book.pupil_view("Avocet", 4_000).unwrap();
    assert!(!progress::page(&without).contains("Echo drill") && !progress::child(&without).contains("echoes"));
    assert!(progress::page(&without).contains("Nothing has been sent yet."));
}

#[test]
fn a_drill_that_waits_goes_with_whom_its_card_names_and_not_with_whom_a_call_is_named_like() {
    let book = book();
    let waits = |sha: &str, pupil: &str| {
        let card = Card { pupil: Some(pupil.into()), ..Card::default() };
        let origin =
            serde_json::json!({"name": "x", "folders": [], "sender": "", "subject": "", "card": card, "drill": ECHOES});
        let sql = "INSERT INTO waiting (sha256, file, sound, sender, why, taken_s, origin) VALUES (?1, 'x', 'x.wav', '', '', 0, ?2)";
        book.db.execute(sql, rusqlite::params![sha.as_bytes(), origin.to_string()]).unwrap();
    };
    let sql = "INSERT INTO waiting (sha256, file, sound, sender, why, taken_s) VALUES (x'00', 'old', 'old', '', '', 0)";
    book.db.execute(sql, []).unwrap();
    waits("a", "Somebody else");
    waits("b", "wren");
    book.forget(&book.forgetting("Wren").unwrap(), 5).unwrap();
    let left: Vec<String> = book.waiting().unwrap().into_iter().map(|w| w.file).collect();
    assert_eq!(left, ["old", "x"]);
}

#[test]
fn a_backup_made_while_writing_is_whole() {
    let folder = tempfile::tempdir().unwrap();
    let book = Book::create(folder.path()).unwrap();
    fill(&book);
    put(&book, "Wren", 1, 2_000, &good(&assigned(&book)));
    book.begin().unwrap();
    book.db.execute("DELETE FROM takes", []).unwrap();
    let other = Book::open(folder.path()).unwrap();
    let to = folder.path().join("copy.sqlite");
    other.backup(&to).unwrap();
    book.settle_all().unwrap();
    let copy = Connection::open(&to).unwrap();
    assert_eq!(copy.query_row("SELECT count(*) FROM takes", [], |r| r.get::<_, i64>(0)).unwrap(), 1);
    assert_eq!(copy.query_row("PRAGMA integrity_check", [], |r| r.get::<_, String>(0)).unwrap(), "ok");
    assert!(other.backup(&to).is_err());
}

#[test]
fn one_sound_is_known_in_another_container_and_another_take_is_not() {
    let print =
        |steps: &[f64]| -> Vec<u8> { steps.iter().flat_map(|s| ((s * 10.0).round() as u16).to_le_bytes()).collect() };
    let steps: Vec<f64> = (0..40).map(|k| 400.0 + f64::from(k * 37 % 61)).collect();
    let coded: Vec<f64> = steps.iter().enumerate().map(|(k, s)| s + if k % 2 == 0 { 1.0 } else { -1.0 }).collect();
    let other: Vec<f64> = (0..40).map(|k| 400.0 + f64::from(k * 23 % 61)).collect();
    assert!(hearing::same_sound(&print(&steps), &print(&coded)));
    assert!(hearing::same_sound(&print(&steps), &print(&steps[1..])));
    assert!(!hearing::same_sound(&print(&steps), &print(&other)));
    assert!(!hearing::same_sound(&print(&steps[..4]), &print(&steps[..4])));
}

#[test]
fn a_roster_is_read_as_spreadsheets_write_it() {
    let book = Book::in_memory().unwrap();
    assert_eq!(book.enrol_csv("\u{feff}class;nickname\r\n3b;Wren\r\n3b;Jay\r\n".as_bytes(), None).unwrap(), 2);
    assert_eq!(book.enrol_csv(b"Name\nWren\n\nTern\n", Some("3b")).unwrap(), 1);
    assert!(book.enrol_csv(b"who\nWren\n", Some("3b")).is_err());
    assert!(book.pupil("Wrenn").unwrap_err().hint().contains("Wren"));
}

#[test]
fn the_lesson_of_a_section_is_read_from_its_part() {
    let part = crate::part::parse(PART).unwrap();
    assert_eq!(part.section("A").unwrap().lesson.as_deref(), Some("lesson-5.mp4 06:40"));
    assert_eq!(part.section("B").unwrap().lesson, None);
}

/// A card as `pailbeat take` writes it, as far as the book looks at it.
fn card(part_text: &str, heard: &str, guide_played: bool, bars: Option<[u32; 2]>) -> Card {
    let part = crate::part::parse(part_text).unwrap();
    let practice = crate::guide::Practice::once(part.timeline(None, part.range.start).unwrap());
    let guide = crate::guide::likely(&practice, crate::units::EAR_RATE).remove(0);
    let mut about =
        crate::guide::Description::new(&part, None, &crate::guide::Laps::default(), part.range.start, &guide);
    about.heard = heard.into();
    (about.section, about.bars) = (bars.map(|_| "A".into()), bars);
    let sha = crate::take::fingerprint(part_text.as_bytes());
    Card {
        part: PartOfTake { sha256: Some(sha), ..PartOfTake::default() },
        guide_played,
        asked: Asked::Described(Box::new(about)),
        ..Card::default()
    }
}

#[test]
fn a_card_says_to_which_guide_a_take_was_played() {
    let book = book();
    let assigned = assigned(&book);
    let of = |card: Option<&Card>| hearing::guides(&assigned, card);
    assert_eq!(of(None), Guides::Likely);
    let played = of(Some(&card(PART, "part", true, None)));
    let Guides::Played(guides) = played else { panic!("{played:?}") };
    assert_eq!(guides.iter().map(|g| g.config.heard.word()).collect::<Vec<_>>(), ["part"]);
    assert_eq!(of(Some(&card(PART, "alone", false, None))), Guides::None);
    // Of another version of the part: it may have been any of them.
    assert_eq!(of(Some(&card(&PART.replace("66", "60"), "part", true, None))), Guides::Likely);
}

#[test]
fn practice_of_some_bars_is_no_take() {
    assert_eq!(card(PART, "click", true, None).practice(), None);
    assert_eq!(card(PART, "click", true, Some([1, 2])).practice().as_deref(), Some("A, bars 1 to 2"));
}

#[test]
fn a_day_of_takes_is_one_dot() {
    let book = book();
    for k in 0..5u8 {
        let mut d = good(&assigned(&book));
        d.jitter = Seconds::new(f64::from(k + 1) / 1e3);
        put(&book, "Wren", k + 1, 86_400 * 10 + i64::from(k % 4) + if k == 4 { 86_400 * 3 } else { 0 }, &d);
    }
    let lines = book.pupil_view("Wren", 86_400 * 20).unwrap().lines;
    assert_eq!(lines[0].values, [Some(2.5), Some(5.0)]);
}
