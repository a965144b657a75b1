//! A simulated school: seeded pupils who improve, stagnate or vanish, and what is kept of the takes they send.
//!
//! The ear is not asked: strokes, lateness and findings are drawn as a class of beginners has them, so that a book of a
//! year is filled in seconds.

#![allow(dead_code, unreachable_pub, reason = "each test uses what it needs")]

use pailbeat::assess::{Kind, Status};
use pailbeat::book::distil::{Distilled, Found, Mark};
use pailbeat::book::{Assigned, Book, BookError, NewAssignment, NewTake};
use pailbeat::part::Timeline;
use pailbeat::units::{Bpm, Lateness, Seconds};

#[path = "../../tests/common/rng.rs"]
mod rng;
use rng::Rng;

pub const PART: &str = r#"
title = "Lantern Parade"
meter = "4/4"
bpm   = { start = 66, goal = 96 }
form  = "A A B B C"

[sections.A]
strokes = "|: oxx. o.x. :|2 ooxo oxoo | O.-- X.-- |"
lesson = "lesson-5.mp4 06:40"

[sections.B]
strokes = "+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x--- |"
lesson = "lesson-7.mp4 12:05"

[sections.C]
strokes = "oooo xxxx | o.x. o.x. | oxox oxox | O--- ---- |"
"#;

pub const BIRDS: [&str; 30] = [
    "Avocet", "Bunting", "Crake", "Dipper", "Dunlin", "Egret", "Finch", "Gannet", "Harrier", "Heron", "Ibis", "Jay",
    "Kestrel", "Lark", "Linnet", "Magpie", "Merlin", "Nuthatch", "Osprey", "Pipit", "Plover", "Quail", "Rail", "Robin",
    "Siskin", "Swift", "Tern", "Thrush", "Wren", "Yaffle",
];

pub const DAY_S: i64 = 86_400;
/// A Monday in September.
pub const FIRST_DAY_S: i64 = 1_788_768_000;

/// What is kept of one simulated take. `skill` is 0 to 1.
pub fn simulated(timeline: &Timeline, skill: f64, dice: &mut Rng) -> Distilled {
    let spread = 12.0 + 40.0 * (1.0 - skill);
    let mut d = Distilled {
        bpm: Bpm::new(timeline.bpm.get() * (0.86 + 0.16 * skill + 0.02 * dice.normal(1.0))),
        jitter: Seconds::new(spread / 1e3),
        praise: "Your first A was steady all the way.".into(),
        next: (timeline.bpm.get() * if skill > 0.6 { 1.06 } else { 0.9 }).round(),
        ..Distilled::default()
    };
    for stroke in &timeline.strokes {
        let slip = dice.unit();
        let status = match slip {
            s if s < 0.02 + 0.08 * (1.0 - skill) => Status::Missed,
            s if s < 0.03 + 0.12 * (1.0 - skill) => Status::WrongSurface,
            _ => Status::Played,
        };
        let heard = status != Status::Missed;
        d.marks.push(Mark {
            status,
            surface: heard.then_some(stroke.surface),
            late: heard.then(|| Lateness(Seconds::of(dice.normal(1.0) * spread / 1e3))),
        });
    }
    let add = |d: &mut Distilled, kind: Kind, section: &str, pass: u32, bar: u32, beat: f64, text: &str| {
        d.findings.push(Found {
            kind,
            section: Some(section.into()),
            pass: Some(pass),
            bar: Some(bar),
            to_bar: None,
            beat: Some(beat),
            size: 1.0,
            unit: "beats".into(),
            confidence: 0.9,
            text: text.into(),
        });
        d.fix = text.into();
    };
    d.rests = (timeline.rests.len(), timeline.rests.len());
    let has = |s: &str, n: u32| timeline.passes.iter().any(|p| p.section == s && p.number == n);
    if dice.unit() > skill && has("A", 2) {
        add(&mut d, Kind::RestNotKept, "A", 2, 6, 2.0, "Played through the rest, A, second time, bar 6.");
        d.rests.1 -= 1;
        d.practise = "A bar 6".into();
        if let Some(rest) = timeline.rests.get(2) {
            d.in_rests.push(rest.from);
        }
    }
    if dice.unit() > skill + 0.15 && has("B", 1) {
        add(&mut d, Kind::JoinGap, "B", 1, 1, 1.0, "A gap of 1.2 beats at the join to B, first time, bar 1.");
    }
    if dice.unit() > skill + 0.3 && has("B", 1) {
        add(&mut d, Kind::WrongSurface, "B", 1, 3, 1.0, "Centre instead of sticks, B, bar 3.");
    }
    d
}

/// Fills a book: `classes` classes of `each`, `days` school days with a take a pupil a day, more where `takes` asks.
/// Returns the moment after the last take.
pub fn fill(book: &Book, classes: usize, each: usize, days: i64, a_day: usize, seed: u64) -> Result<i64, BookError> {
    let mut dice = Rng(seed);
    book.begin()?;
    let mut now = FIRST_DAY_S;
    for class in 0..classes {
        let name = format!("Class {}", ["3b", "4a", "4c", "5a", "5b", "6a"].get(class).unwrap_or(&"x"));
        let nicknames: Vec<String> = (0..each)
            .map(|k| {
                format!(
                    "{}{}",
                    BIRDS[k % BIRDS.len()],
                    if class == 0 && k < 30 { String::new() } else { format!(" {class}{}", k / 30) }
                )
            })
            .collect();
        book.enrol(nicknames.iter().map(|n| (name.as_str(), n.as_str())))?;
        let id = book.class(&name)?;
        for (after, form, bpm) in [(0, "A", 66.0), (15, "A A", 66.0), (30, "A A B", 72.0), (45, "A A B B", 72.0)] {
            if after < days.max(46) {
                book.assign(&NewAssignment {
                    class: &name,
                    part_text: PART,
                    form: Some(form),
                    bpm: Bpm::new(bpm),
                    given_s: FIRST_DAY_S + after.min(days * after / 60) * DAY_S,
                    due_s: None,
                })?;
            }
        }
        let assignments: Vec<Assigned> = book.assignments(id)?;
        let pupils = book.pupils(Some(id))?;
        for day in 0..days {
            let at = FIRST_DAY_S + day * DAY_S;
            let Some(current) = assignments.iter().find(|a| a.given_s <= at) else { continue };
            let timeline = current.timeline()?;
            for (k, pupil) in pupils.iter().enumerate() {
                // One in eight vanishes after two thirds, one in six stays where it is.
                if k % 8 == 7 && day > days * 2 / 3 {
                    continue;
                }
                let along = day as f64 / days.max(1) as f64;
                let skill = if k % 6 == 5 { 0.35 } else { (0.3 + 0.1 * (k % 5) as f64 + 0.5 * along).min(0.97) };
                for n in 0..a_day {
                    let distilled = simulated(&timeline, skill, &mut dice);
                    let key = format!("{class}/{k}/{day}/{n}");
                    let mut sha = vec![0u8; 32];
                    for (slot, byte) in sha.iter_mut().zip(key.bytes().cycle()) {
                        *slot = byte ^ (dice.next() as u8);
                    }
                    let print: Vec<u8> =
                        timeline.strokes.iter().flat_map(|_| (dice.next() as u16).to_le_bytes()).collect();
                    let taken_s = at + 3_600 * 15 + 60 * n as i64;
                    now = now.max(taken_s);
                    let take = NewTake {
                        pupil: pupil.id,
                        assignment: current.id,
                        n_onsets: print.len() / 2,
                        print,
                        sha256: sha,
                        file: format!("takes/{}/VID_{day:03}{n}.mov", pupil.nickname),
                        taken_s,
                        length: Seconds::of(40.0 + 20.0 * dice.unit()),
                        sound: None,
                        card: None,
                        known: Vec::new(),
                    };
                    book.store(&take, current, "1", &distilled, None, taken_s)?;
                }
            }
        }
    }
    book.settle_all()?;
    Ok(now + 1)
}
