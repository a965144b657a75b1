//! Forgetting a pupil, over random classes: names that contain each other, in every spelling, and random contents. Nothing
//! of others is lost; nothing of the forgotten is left, in any byte of any file.
//!
//! `PAILBEAT_CLASSES` says how many classes (`scripts/test-keeping` runs 1,000).
#![allow(clippy::unwrap_used)] // a test may fail where it stands

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use pailbeat::book::{Book, FILE, NewAssignment};
use rusqlite::{Connection, params};
use unicode_normalization::UnicodeNormalization as _;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

const PART: &str = "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 66, goal = 96 }\nform = \"A\"\n\
                    [sections.A]\nstrokes = \"o.x. o.-- | o.x. o.x. |\"\n";

const NAMES: [&str; 34] = [
    "Rob",
    "Robin",
    "Robi",
    "Nam",
    "Name",
    "Namo",
    "Éric",
    "Eric",
    "Éri",
    "Sand Martin",
    "Martin",
    "Martina",
    "Mia 1",
    "Mia-1",
    "Mia",
    "O'Neil",
    "Neil",
    "Zoë",
    "Zoe",
    "가나",
    "가",
    "X\u{302}y",
    "Xy",
    "Wren",
    "Wrenna",
    "Ann",
    "Anna",
    "Anna Ann",
    "★",
    "Nguyễn",
    "李",
    "Will",
    "a",
    "id",
];
/// Longer words and phrases that hold names as pieces.
const WORDS: [&str; 12] = [
    "probably",
    "surname",
    "robins",
    "annals",
    "willow",
    "martini",
    "eric's",
    "namely",
    "miami",
    "video",
    "data",
    "the file name of it",
];
const TABLES: [&str; 12] = [
    "assignments",
    "classes",
    "copies",
    "corrections",
    "drills",
    "page_names",
    "pages",
    "parts",
    "pupils",
    "senders",
    "takes",
    "waiting",
];

/// How a name may be written.
fn spelled(name: &str, dice: &mut Rng) -> String {
    let cased = match dice.below(4) {
        0 => name.to_lowercase(),
        1 => name.to_uppercase().replace("ST", "st"),
        _ => name.to_owned(),
    };
    if dice.chance(0.5) { cased.nfd().collect() } else { cased.nfc().collect() }
}

/// Words of a text, by a way of its own: what is neither letter nor digit nor mark parts them, and so does a change
/// between letters and digits.
fn tokens(text: &str) -> Vec<String> {
    let text: String = text.nfc().collect::<String>().to_lowercase().nfc().collect();
    let kind = |c: char| match c {
        c if unicode_normalization::char::is_combining_mark(c) => 3,
        c if c.is_numeric() => 2,
        c if c.is_alphanumeric() => 1,
        _ => 0,
    };
    let mut out: Vec<String> = Vec::new();
    let mut last = 0;
    for c in text.chars() {
        match (last, kind(c)) {
            (0, 3) | (_, 0) => last = 0,
            (0, k) => (out.push(c.into()), last = k).0,
            (k, 3) => (out.last_mut().unwrap().push(c), last = k).0,
            (k, n) if k == n => out.last_mut().unwrap().push(c),
            (_, n) => (out.push(c.into()), last = n).0,
        }
    }
    out
}

/// Where a name's words stand in a text and no other name that is as long overlaps them.
fn surely(text: &[String], name: &[String], others: &[Vec<String>]) -> Vec<usize> {
    let at = |name: &[String]| -> Vec<usize> {
        if name.is_empty() {
            return Vec::new();
        }
        (0..text.len()).filter(|k| text[*k..].starts_with(name)).collect()
    };
    let covered = |k: usize| {
        others
            .iter()
            .filter(|o| o.len() >= name.len())
            .any(|o| at(o).iter().any(|j| *j < k + name.len() && k < j + o.len()))
    };
    at(name).into_iter().filter(|k| !covered(*k)).collect()
}

/// Words of what a column says; of JSON only what stands in its values.
fn said(column: &str, text: &str) -> Vec<String> {
    fn values(value: &serde_json::Value, out: &mut Vec<String>) {
        match value {
            serde_json::Value::String(text) => out.push(text.clone()),
            serde_json::Value::Array(all) => all.iter().for_each(|v| values(v, out)),
            serde_json::Value::Object(all) => all.values().for_each(|v| values(v, out)),
            _ => {}
        }
    }
    if !matches!(column, "origin" | "card") {
        return tokens(text);
    }
    let mut out = Vec::new();
    match serde_json::from_str(text) {
        Ok(known) => values(&known, &mut out),
        Err(_) => return tokens(text),
    }
    // The card of a drill, too, is JSON.
    for text in std::mem::take(&mut out) {
        match serde_json::from_str(&text) {
            Ok(inside @ serde_json::Value::Object(_)) => values(&inside, &mut out),
            _ => out.push(text),
        }
    }
    tokens(&out.join(" | "))
}

type Row = BTreeMap<String, String>;

/// Every row of every table as text.
fn rows(folder: &Path) -> BTreeMap<&'static str, Vec<Row>> {
    let db = Connection::open(folder.join(FILE)).unwrap();
    let table = |name: &'static str| {
        let mut ask = db.prepare(&format!("SELECT * FROM {name}")).unwrap();
        let columns: Vec<String> = ask.column_names().map(str::to_owned).collect();
        let row = |r: &rusqlite::Row| -> rusqlite::Result<Row> {
            let value = |k: usize| {
                r.get_ref(k).map(|v| match v {
                    rusqlite::types::ValueRef::Text(t) => String::from_utf8_lossy(t).into_owned(),
                    other => format!("{other:?}"),
                })
            };
            columns.iter().enumerate().map(|(k, c)| Ok((c.clone(), value(k)?))).collect()
        };
        (name, ask.query_map([], row).unwrap().map(Result::unwrap).collect())
    };
    TABLES.into_iter().chain(["words"]).map(table).collect()
}

fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| e.file_type().is_file())
        .map(|e| (e.path().to_owned(), std::fs::read(e.path()).unwrap()))
        .collect()
}

struct Class {
    folder: tempfile::TempDir,
    /// Pupils with the sums that mark their sounds.
    pupils: Vec<(i64, String, Vec<Vec<u8>>)>,
}

/// Some words with a name among them.
fn text(dice: &mut Rng, names: &[&str]) -> String {
    let mut out = Vec::new();
    for _ in 0..1 + dice.below(4) {
        out.push(if dice.chance(0.6) {
            spelled(dice.pick(names).unwrap(), dice)
        } else {
            dice.pick(&WORDS).unwrap().to_owned()
        });
    }
    let by = dice.pick(&[" ", "_", "-", " and ", "/", ". "]).unwrap();
    out.join(by)
}

fn class(seed: u64) -> Class {
    let dice = &mut Rng(seed);
    let folder = tempfile::tempdir().unwrap();
    let book = Book::create(folder.path()).unwrap();
    let unique = format!("Quökka{seed}");
    let unique: Vec<String> = (4..=unique.chars().count()).map(|n| unique.chars().take(n).collect()).collect();
    let mut names: BTreeSet<&str> = BTreeSet::new();
    let size = 3 + dice.below(6);
    while names.len() < size {
        names.insert(if dice.chance(0.3) {
            unique[dice.below(unique.len())].as_str()
        } else {
            dice.pick(&NAMES).unwrap()
        });
    }
    let names: Vec<&str> = names.into_iter().collect();
    book.enrol(names.iter().map(|n| ("3b", *n))).unwrap();
    let new = NewAssignment { class: "3b", part_text: PART, form: None, bpm: None, given_s: 1, due_s: None };
    let assignment = book.assign(&new).unwrap();
    let mut pupils: Vec<(i64, String, Vec<Vec<u8>>)> =
        book.pupils(None).unwrap().into_iter().map(|p| (p.id, p.nickname, Vec::new())).collect();
    let db = Connection::open(folder.path().join(FILE)).unwrap();
    let mut sum = || -> Vec<u8> { (0..4).flat_map(|_| dice.next().to_le_bytes()).collect() };
    let sound = |sum: &[u8]| -> String {
        let hex: String = sum.iter().map(|b| format!("{b:02x}")).collect();
        std::fs::write(folder.path().join("sound").join(format!("{hex}.wav")), [b"RIFF", sum].concat()).unwrap();
        format!("{hex}.wav")
    };
    let sums: Vec<Vec<u8>> = (0..200).map(|_| sum()).collect();
    let mut next = sums.into_iter();
    let mut takes = Vec::new();
    for (id, _, own) in &mut pupils {
        let id = *id;
        for _ in 0..dice.below(4) {
            let sum = next.next().unwrap();
            let sql =
                "INSERT INTO takes (pupil, assignment, sha256, print, n_onsets, file, taken_s, length_s, sound, card)
                       VALUES (?1, ?2, ?3, x'00', 9, ?4, 5, 3.0, ?5, ?6)";
            let kept = dice.chance(0.8).then(|| sound(&sum));
            let card = dice.chance(0.5).then(|| {
                let said = serde_json::json!({ "title": "Lantern Parade" });
                serde_json::json!({ "cut_short": text(dice, &names), "part": said, "rate_hz": 48_000 }).to_string()
            });
            db.execute(sql, params![id, assignment, sum, text(dice, &names), kept, card]).unwrap();
            takes.push(db.last_insert_rowid());
            own.push(sum);
        }
        for _ in 0..dice.below(3) {
            db.execute("INSERT INTO words (pupil, at_s, text) VALUES (?1, 5, ?2)", params![id, text(dice, &names)])
                .unwrap();
        }
        if dice.chance(0.4) {
            let sql =
                "INSERT INTO drills (pupil, sha256, file, taken_s, title, text, ear, points, rounds, rounds_right)
                       VALUES (?1, ?2, ?3, 5, 'Echoes', '', '1', 1, 1, 1)";
            db.execute(sql, params![id, next.next().unwrap(), text(dice, &names)]).unwrap();
        }
        if dice.chance(0.5) {
            let sender = format!("{} {}", text(dice, &names), dice.next() % 1000);
            db.execute("INSERT INTO senders VALUES (?1, ?2)", params![sender, id]).unwrap();
        }
    }
    for take in &takes {
        if dice.chance(0.4) {
            let sql = "INSERT INTO corrections (take, what, who, at_s, note) VALUES (?1, 'fine', ?2, 5, ?3)";
            db.execute(sql, params![take, text(dice, &names), text(dice, &names)]).unwrap();
        }
        if dice.chance(0.3) {
            let sql = "INSERT INTO copies (sha256, take, file) VALUES (?1, ?2, ?3)";
            db.execute(sql, params![next.next().unwrap(), take, text(dice, &names)]).unwrap();
        }
    }
    for _ in 0..dice.below(5) {
        let sum = next.next().unwrap();
        let whose = dice.chance(0.5).then(|| dice.below(pupils.len()));
        if let Some(k) = whose {
            pupils[k].2.push(sum.clone());
        }
        let file = text(dice, &names);
        let card = dice.chance(0.3).then(|| serde_json::json!({ "pupil": spelled(dice.pick(&names).unwrap(), dice) }));
        let mut origin = serde_json::json!({ "name": file, "folders": [text(dice, &names)], "sender": "",
                                             "subject": text(dice, &names), "card": card });
        if dice.chance(0.3) {
            let drill = serde_json::json!({ "drill": "title = \"Echoes\"", "pupil": spelled(dice.pick(&names).unwrap(), dice) });
            origin["drill"] = drill.to_string().into();
        }
        let sql = "INSERT INTO waiting (sha256, file, sound, sender, why, pupil, taken_s, origin)
                   VALUES (?1, ?2, ?3, ?4, 'whose is it?', ?5, 5, ?6)";
        let whose = whose.map(|k| pupils[k].0);
        db.execute(sql, params![sum, file, sound(&sum), text(dice, &names), whose, origin.to_string()]).unwrap();
    }
    drop(db);
    book.write_class_page("3b", 100).unwrap();
    for (_, name, _) in &pupils {
        if dice.chance(0.6) {
            book.write_pupil_pages(name, 100).unwrap();
        }
    }
    // What a killed gather left, now and in earlier versions; and what the teacher keeps beside the book.
    let own = spelled(dice.pick(&names).unwrap(), dice);
    std::fs::write(folder.path().join("sound/.pailbeat-x7.part"), &own).unwrap();
    std::fs::write(folder.path().join("sound").join(format!("{}.wav.part", "ab".repeat(32))), &own).unwrap();
    std::fs::write(folder.path().join("notes.txt"), text(dice, &names)).unwrap();
    Class { folder, pupils }
}

fn check(seed: u64) {
    let class = class(seed);
    let folder = class.folder.path();
    let dice = &mut Rng(seed ^ 0xf0_4e7);
    let (id, name, sums) = class.pupils[dice.below(class.pupils.len())].clone();
    let own = tokens(&name);
    let others: Vec<Vec<String>> = class.pupils.iter().filter(|p| p.0 != id).map(|p| tokens(&p.1)).collect();
    let (rows_before, files_before) = (rows(folder), files(folder));

    let book = Book::open(folder).unwrap();
    let plan = book.forgetting(&spelled(&name, dice)).unwrap_or_else(|_| book.forgetting(&name).unwrap());
    // Capitals of some letters fall together with others ("ß"); then it is whom the book says.
    assert_eq!(plan.pupil.id, id, "{seed}: {name}");
    let unasked = rows(folder);
    assert_eq!(rows_before, unasked, "{seed}: showing changed something");
    book.forget(&plan, 200).unwrap();
    let rows_after = rows(folder);
    // The teacher sees to what could not be told.
    for number in &plan.untouched {
        book.set_aside(*number).unwrap();
    }
    book.tidy(5).unwrap();
    drop(book);

    let theirs = |table: &str, row: &Row| -> bool {
        let is = |column: &str| row.get(column).is_some_and(|v| *v == format!("Integer({id})"));
        let of_take = |row: &Row| {
            rows_before["takes"]
                .iter()
                .any(|t| Some(&t["id"]) == row.get("take") && t["pupil"] == format!("Integer({id})"))
        };
        match table {
            "pupils" => is("id"),
            "takes" | "words" | "drills" | "senders" | "page_names" => is("pupil"),
            "corrections" | "copies" => of_take(row),
            "waiting" => is("pupil") || plan.waiting.iter().any(|w| row["id"] == format!("Integer({})", w.0)),
            _ => false,
        }
    };
    let key = |table: &str| match table {
        "copies" => "sha256",
        "senders" => "pupil",
        "page_names" | "pages" => "",
        _ => "id",
    };
    for (table, before) in &rows_before {
        let after = &rows_after[table];
        let key = key(table);
        if key.is_empty() {
            continue;
        }
        assert_eq!(after.iter().filter(|r| theirs(table, r)).count(), 0, "{seed}: {name} is left in {table}");
        let kept: Vec<&Row> = before.iter().filter(|r| !theirs(table, r)).collect();
        assert_eq!(kept.len(), after.len(), "{seed}: {name}, rows of {table}");
        for row in kept {
            let same = after.iter().filter(|r| r[key] == row[key]);
            let now = same.max_by_key(|r| row.iter().filter(|(c, v)| r[*c] == **v).count());
            let now = now.unwrap_or_else(|| panic!("{seed}: {name}: a row of {table} is lost: {row:?}"));
            for (column, was) in row.iter().filter(|(c, _)| *c != "looked") {
                let is = &now[column];
                let (was_words, is_words) = (tokens(was), tokens(is));
                if is != was
                    && !(matches!(column.as_str(), "origin" | "card")
                        && serde_json::from_str::<serde_json::Value>(is).ok() == serde_json::from_str(was).ok())
                {
                    // What is gone from a text is the name and nothing else.
                    let mut left = is_words.iter().peekable();
                    let gone: Vec<&String> = was_words.iter().filter(|w| left.next_if(|l| l == w).is_none()).collect();
                    assert!(left.peek().is_none(), "{seed}: {name}: {table}.{column}: {was} -> {is}");
                    let symbol = own.is_empty() && was.contains(&name);
                    let whole =
                        !own.is_empty() && gone.iter().all(|w| own.contains(w)) && gone.len().is_multiple_of(own.len());
                    assert!(symbol || whole && !gone.is_empty(), "{seed}: {name}: {table}.{column}: {was} -> {is}");
                }
                // Which of those that wait are in doubt is shown, and stays.
                let number = row.get("id").and_then(|id| id.strip_prefix("Integer(")?.strip_suffix(')')?.parse().ok());
                let shown = table == &"waiting" && number.is_some_and(|n: i64| plan.untouched.contains(&n));
                if matches!(column.as_str(), "file" | "sender" | "note" | "who" | "origin" | "card" | "why")
                    || (*table, column.as_str()) == ("words", "text")
                {
                    let left = surely(&said(column, is), &own, &others);
                    assert!(shown || left.is_empty(), "{seed}: {name} is left in {table}.{column}: {is}");
                }
            }
        }
    }

    let files_after = files(folder);
    let sounds: BTreeSet<String> =
        ["takes", "waiting"].iter().flat_map(|t| rows(folder).remove(t).unwrap()).map(|r| r["sound"].clone()).collect();
    for (path, bytes) in &files_before {
        let file = path.file_name().unwrap().to_string_lossy().into_owned();
        if sounds.contains(&file) || file == "notes.txt" {
            assert_eq!(files_after.get(path), Some(bytes), "{seed}: {name}: {} is lost", path.display());
        }
    }
    // Pages of the others stand, without the name.
    for (path, bytes) in files_before.iter().filter(|(p, _)| p.parent().is_some_and(|f| f.ends_with("pages"))) {
        let text = String::from_utf8_lossy(bytes).into_owned();
        let whose = class.pupils.iter().find(|p| text.contains(&format!("<title>{}", p.1)));
        if whose.is_none_or(|p| p.0 != id) && path.to_string_lossy().contains("class-") {
            let after = files_after.get(path).unwrap_or_else(|| panic!("{seed}: {name}: {} is lost", path.display()));
            let page = String::from_utf8_lossy(after).into_owned();
            let body: String = page
                .split_once("<body>")
                .unwrap()
                .1
                .split('<')
                .map(|p| p.split_once('>').map_or("", |x| x.1))
                .collect::<Vec<_>>()
                .join(" | ");
            let words: Vec<Vec<String>> = body.split('|').map(tokens).collect();
            // "A" is a section's name too.
            let left = own.concat().chars().count() > 1 && !others.contains(&own) && words.contains(&own);
            assert!(!left, "{seed}: {name} is left in {}", path.display());
        }
    }
    // No byte of a name that is nobody else's, and of no sound.
    let alone = name.starts_with("Quö")
        && !class.pupils.iter().any(|p| p.0 != id && p.1.to_lowercase().starts_with(&name.to_lowercase()));
    let mut forms: BTreeSet<Vec<u8>> = BTreeSet::new();
    if alone {
        for cased in [name.to_lowercase(), name.to_uppercase(), name.clone()] {
            forms.insert(cased.nfc().collect::<String>().into_bytes());
            forms.insert(cased.nfd().collect::<String>().into_bytes());
        }
    }
    let holds = |bytes: &[u8], what: &[u8]| bytes.windows(what.len()).any(|w| w == what);
    let stays = |path: &Path| plan.beside.iter().any(|b| b == path);
    for (path, bytes) in files_after.iter().filter(|(path, _)| !stays(path)) {
        for form in &forms {
            assert!(!holds(bytes, form), "{seed}: bytes of {name} are left in {}", path.display());
        }
        for sum in sums.iter() {
            let hex: String = sum.iter().map(|b| format!("{b:02x}")).collect();
            assert!(!holds(bytes, sum) && !holds(bytes, hex.as_bytes()), "{seed}: {name}: sound in {}", path.display());
        }
        let left = path.to_string_lossy().contains(".part");
        assert!(!left, "{seed}: {} is left", path.display());
    }
}

#[test]
fn nothing_of_others_is_lost_and_no_byte_of_the_forgotten_is_left() {
    let many = std::env::var("PAILBEAT_CLASSES").ok().and_then(|n| n.parse().ok()).unwrap_or(40);
    let workers = std::thread::available_parallelism().map_or(1, usize::from) as u64;
    std::thread::scope(|scope| {
        for first in 0..workers {
            scope.spawn(move || (first..many).step_by(workers as usize).for_each(check));
        }
    });
}
