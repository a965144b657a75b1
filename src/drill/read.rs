//! The text of a drill file -> [`Drill`], or everything that is wrong with it, each with its line and column.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::{Call, CallStroke, Counting, Drill, SIMPLE_COUNT};
use crate::part::{
    Act, Gather, MOST_BYTES, Meter, Origin, PartErrors, RawSection, Reader, build, deep, kind, nearest, plain,
    straightened,
};
use crate::units::{Bpm, Ticks};

/// Rounds at most: half an hour of two-bar calls is far beyond a warm-up.
const MOST_ROUNDS: i64 = 200;
/// Rounds unless the file says otherwise: about three minutes.
const ROUNDS: i64 = 12;
/// One round in so many brings the hush pattern unless the file says otherwise.
const HUSH_EVERY: i64 = 4;
/// Beats of breath unless the file says otherwise, and at most.
const BREATH: i64 = 2;
const MOST_BREATH: i64 = 8;
/// Easiest and hardest.
const DIFFICULTIES: (i64, i64) = (1, 5);
/// A call is one bar or two.
const MOST_BARS: usize = 2;
/// With fewer strokes a knock or a chair would count as an answer, and a pupil might be accused of it.
pub(super) const LEAST_HUSH_STROKES: usize = 3;

const KEYS: [&str; 12] = [
    "title",
    "meter",
    "bpm",
    "order",
    "rounds",
    "hush",
    "hush_every",
    "lures",
    "breath",
    "count",
    "until_misses",
    "calls",
];

/// Reads a drill file.
///
/// ```
/// let drill = pailbeat::drill::parse(r#"
/// title = "Morning echoes"
/// meter = "4/4"
/// bpm   = 80
/// hush  = "owl"
///
/// [calls.owl]
/// strokes = "oo.x o.--"
///
/// [calls.hens]
/// strokes = "o.x. o.x."
/// "#).unwrap();
/// assert_eq!((drill.calls.len(), drill.rounds, drill.hush_rounds), (2, 12, 3));
/// ```
///
/// # Errors
/// Every error of the file, in order of place.
pub fn parse(text: &str) -> Result<Drill, PartErrors> {
    let text = &*straightened(text);
    let mut errors = Gather::new(text, Origin::File);
    if text.len() > MOST_BYTES || deep(text) {
        errors.add(
            0..1,
            "this is too long or too deep for a drill file",
            "a drill file is plain text of a page or two",
        );
        return Err(errors.refuse());
    }
    let (document, broken) = DeTable::parse_recoverable(text);
    for error in &broken {
        errors.add(
            error.span().unwrap_or(0..0),
            format!("not readable as TOML: {}", plain(error.message())),
            "texts stand in quotes, each `name = value` on a line of its own",
        );
    }
    let table = document.get_ref();
    let mut read = Reader { text, errors: &mut errors, broken: !broken.is_empty() };
    read.unknown_keys(table, &KEYS, "a drill file");
    let title = match table.get("title") {
        Some(value) => read.string(value, "title", "\"Morning echoes\"").map(|row| row.text()).unwrap_or_default(),
        None => "untitled".into(),
    };
    let meter = read.meter(table);
    let bpm = match table.get("bpm") {
        Some(value) => tempo(&mut read, value),
        None => {
            read.missing("bpm", "`bpm = 80` at the top, in quarter notes a minute");
            None
        }
    };
    let rounds = whole(&mut read, table, "rounds", 1..=MOST_ROUNDS, ROUNDS);
    let every = whole(&mut read, table, "hush_every", 2..=MOST_ROUNDS, HUSH_EVERY);
    let breath = whole(&mut read, table, "breath", 1..=MOST_BREATH, BREATH);
    let until_misses =
        table.contains_key("until_misses").then(|| whole(&mut read, table, "until_misses", 1..=MOST_ROUNDS, 3));
    let counting = counting(&mut read, table);
    let hush_rounds = (rounds / every).max(1);
    let (elsewhere, nearly, hush_first) = lures(&mut read, table, hush_rounds, rounds);
    let raw = calls(&mut read, table, bpm);
    let order = table.get("order").and_then(|value| order(&mut read, value, &raw));
    let hush = match table.get("hush") {
        Some(value) => read.string(value, "hush", "\"owl\"").map(|row| (row.text(), row.span)),
        None => {
            read.missing("hush", "`hush = \"owl\"`, the name of the call that is met with silence");
            None
        }
    };
    let built: Vec<(Call, Range<usize>)> = raw.iter().filter_map(|r| call(r, meter, &mut errors)).collect();
    let hush = hush.and_then(|(name, span)| {
        let found = built.iter().position(|(c, _)| c.name == name);
        if found.is_none() && !raw.iter().any(|r| r.rows.name == name) {
            let hint = match nearest(&name, raw.iter().map(|r| r.rows.name.as_str())) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("write it as `[calls.{name}]` with `strokes`"),
            };
            errors.add(span, format!("the hush pattern `{name}` is not among the calls"), hint);
        }
        found
    });
    if let Some(h) = hush {
        check_bank(&built, h, nearly, &mut errors);
    }
    match (meter, hush) {
        (Some(meter), Some(hush)) if errors.is_empty() => Ok(Drill {
            title,
            meter,
            rounds: order.as_ref().map_or(rounds as u32, |o| o.len() as u32),
            hush_rounds: order.as_ref().map_or(hush_rounds as u32, |o| o.iter().filter(|k| **k == hush).count() as u32),
            calls: built.into_iter().map(|(c, _)| c).collect(),
            hush,
            order,
            elsewhere: elsewhere as u32,
            nearly: nearly as u32,
            hush_first,
            breath: breath as u32,
            counting,
            until_misses: until_misses.map(|n| n as u32),
        }),
        _ => {
            if errors.is_empty() {
                errors.add(0..0, "the drill is incomplete", "it needs `meter`, `bpm`, `hush` and calls");
            }
            Err(errors.refuse())
        }
    }
}

fn check_bank(built: &[(Call, Range<usize>)], hush: usize, nearly: i64, errors: &mut Gather) {
    let (pattern, span) = &built[hush];
    if pattern.strokes.len() < LEAST_HUSH_STROKES {
        errors.add(
            span.clone(),
            format!("the hush pattern `{}` has {} strokes", pattern.name, pattern.strokes.len()),
            format!("give it {LEAST_HUSH_STROKES} or more, so that a knock in the room is never taken for an answer"),
        );
    }
    if built.len() < 2 {
        errors.add(span.clone(), "there is no call to echo", "add a second call beside the hush pattern");
    }
    for (k, (call, at)) in built.iter().enumerate() {
        if k != hush && call.same_rhythm(pattern) {
            errors.add(
                at.clone(),
                format!("`{}` has the rhythm of the hush pattern `{}`", call.name, pattern.name),
                "the hush pattern is met with silence on whatever surface; change a stroke, or ask for `lures.elsewhere`",
            );
        }
    }
    if nearly > 0 && !built.iter().enumerate().any(|(k, (c, _))| k != hush && c.lure) {
        errors.add(
            span.clone(),
            "calls that are nearly the hush pattern are asked for, but none is marked",
            "put `lure = true` under such a call",
        );
    }
}

fn number(value: &DeValue) -> Option<f64> {
    match value {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok().map(|i| i as f64),
        DeValue::Float(f) => f.as_str().parse::<f64>().ok(),
        _ => None,
    }
}

fn tempo(read: &mut Reader, value: &Spanned<DeValue>) -> Option<Bpm> {
    let found = number(value.get_ref()).and_then(Bpm::new);
    if found.is_none() {
        read.errors.add(
            value.span(),
            "`bpm` is no tempo to play at",
            format!("write `bpm = 80`: quarter notes a minute, from {} to {}", Bpm::MIN, Bpm::MAX),
        );
    }
    found
}

/// A whole number of a table within a range; errors give the default.
fn whole(read: &mut Reader, table: &DeTable, name: &str, range: std::ops::RangeInclusive<i64>, default: i64) -> i64 {
    let Some(value) = table.get(name) else { return default };
    let found = match value.get_ref() {
        DeValue::Integer(i) => i64::from_str_radix(i.as_str(), i.radix()).ok(),
        _ => None,
    };
    match found {
        Some(n) if range.contains(&n) => n,
        Some(n) => {
            let hint = format!("a whole number from {} to {}", range.start(), range.end());
            read.errors.add(value.span(), format!("`{name}` is {n}"), hint);
            default
        }
        None => {
            read.wrong_kind(value, name, "a whole number", &default.to_string());
            default
        }
    }
}

fn truth(read: &mut Reader, table: &DeTable, name: &str, default: bool) -> bool {
    match table.get(name).map(|v| (v, v.get_ref())) {
        None => default,
        Some((_, DeValue::Boolean(b))) => *b,
        Some((value, _)) => {
            read.wrong_kind(value, name, "true or false", "true");
            default
        }
    }
}

fn counting(read: &mut Reader, table: &DeTable) -> Counting {
    let Some(value) = table.get("count") else { return SIMPLE_COUNT };
    let DeValue::Table(count) = value.get_ref() else {
        read.wrong_kind(value, "count", "how each verdict counts", "{ right = 1, nearly = 0, hush = 1, fell = 0 }");
        return SIMPLE_COUNT;
    };
    read.unknown_keys(count, &["right", "nearly", "hush", "fell"], "`count`");
    let mut points = |name: &str, default: i32| whole(read, count, name, -100..=100, i64::from(default)) as i32;
    Counting {
        right: points("right", SIMPLE_COUNT.right),
        nearly: points("nearly", SIMPLE_COUNT.nearly),
        hush: points("hush", SIMPLE_COUNT.hush),
        fell: points("fell", SIMPLE_COUNT.fell),
    }
}

fn lures(read: &mut Reader, table: &DeTable, hush_rounds: i64, rounds: i64) -> (i64, i64, bool) {
    let Some(value) = table.get("lures") else { return (0, 0, false) };
    let DeValue::Table(lures) = value.get_ref() else {
        read.wrong_kind(value, "lures", "which lures there are", "{ nearly = 2, elsewhere = 1, first = false }");
        return (0, 0, false);
    };
    read.unknown_keys(lures, &["nearly", "elsewhere", "first"], "`lures`");
    (
        whole(read, lures, "elsewhere", 0..=hush_rounds, 0),
        whole(read, lures, "nearly", 0..=(rounds - hush_rounds).max(0), 0),
        truth(read, lures, "first", false),
    )
}

/// The calls of a drill that is not drawn, as places in the bank.
fn order(read: &mut Reader, value: &Spanned<DeValue>, raw: &[RawCall]) -> Option<Vec<usize>> {
    let example = "[\"wren\", \"owl\"]";
    let DeValue::Array(items) = value.get_ref() else {
        read.wrong_kind(value, "order", "the calls in the order in which they come", example);
        return None;
    };
    if items.is_empty() || items.len() as i64 > MOST_ROUNDS {
        let found = format!("`order` holds {} calls", items.len());
        read.errors.add(value.span(), found, format!("from 1 to {MOST_ROUNDS} calls"));
        return None;
    }
    let mut out = Vec::new();
    for item in items.iter() {
        let name = read.string(item, "order", example)?.text();
        match raw.iter().position(|r| r.rows.name == name) {
            Some(k) => out.push(k),
            None => {
                let hint = match nearest(&name, raw.iter().map(|r| r.rows.name.as_str())) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("write it as `[calls.{name}]` with `strokes`"),
                };
                read.errors.add(item.span(), format!("`{name}` is not among the calls"), hint);
            }
        }
    }
    Some(out)
}

struct RawCall {
    rows: RawSection,
    difficulty: i64,
    bpm: Option<Bpm>,
    lure: bool,
}

fn calls(read: &mut Reader, table: &DeTable, bpm: Option<Bpm>) -> Vec<RawCall> {
    let Some(value) = table.get("calls") else {
        read.missing("calls", "`[calls.owl]` with a line `strokes = \"oo.x o.--\"`");
        return Vec::new();
    };
    let DeValue::Table(calls) = value.get_ref() else {
        let found = format!("`calls` is {}", kind(value.get_ref()));
        read.errors.add(value.span(), found, "write each call as `[calls.owl]`");
        return Vec::new();
    };
    let mut out = Vec::new();
    for (key, value) in calls {
        let name = key.get_ref().to_string();
        let DeValue::Table(rows) = value.get_ref() else {
            read.errors.add(
                value.span(),
                format!("call `{name}` is {}, expected rows", kind(value.get_ref())),
                format!("write `[calls.{name}]` and below it `strokes = \"o.x. o.--\"`"),
            );
            continue;
        };
        let known = ["strokes", "syllables", "surfaces", "hands", "difficulty", "bpm", "lure"];
        read.unknown_keys(rows, &known, &format!("call `{name}`"));
        let mut broken = read.broken;
        let mut row = |read: &mut Reader, what: &str, example: &str| {
            let text = rows.get(what).map(|value| read.string(value, what, example));
            broken |= matches!(text, Some(None));
            text.flatten()
        };
        let strokes = row(read, "strokes", "\"o.x. o.--\"");
        let syllables = row(read, "syllables", "\"ta ti-ti ta sh\"");
        let surfaces = row(read, "surfaces", "\"oxxo\"");
        let hands = row(read, "hands", "\"R.L. R.--\"");
        let rows_of = RawSection {
            name,
            span: key.span(),
            strokes,
            syllables,
            surfaces,
            hands,
            level: None,
            lesson: None,
            broken,
        };
        let own = rows.get("bpm").map(|v| tempo(read, v));
        let difficulty = whole(read, rows, "difficulty", DIFFICULTIES.0..=DIFFICULTIES.1, 1);
        let lure = truth(read, rows, "lure", false);
        out.push(RawCall { rows: rows_of, difficulty, bpm: own.unwrap_or(bpm), lure });
    }
    out.sort_by_key(|c| c.rows.span.start);
    out
}

fn call(raw: &RawCall, meter: Option<Meter>, errors: &mut Gather) -> Option<(Call, Range<usize>)> {
    let mut warnings = Gather::new("", Origin::File);
    let section = build(&raw.rows, meter, errors, &mut warnings);
    if section.bars.is_empty() {
        return None;
    }
    let at =
        raw.rows.strokes.as_ref().or(raw.rows.syllables.as_ref()).map_or(raw.rows.span.clone(), |r| r.span.clone());
    let name = &raw.rows.name;
    let bars: Vec<usize> = section.unrolled().map(|(bar, _)| bar).take(MOST_BARS + 1).collect();
    if bars.len() > MOST_BARS {
        errors.add(at, format!("call `{name}` is longer than {MOST_BARS} bars"), "a call is one bar or two");
        return None;
    }
    let bar_len = meter?.bar();
    let mut strokes = Vec::new();
    for (k, bar) in bars.iter().enumerate() {
        for cell in &section.bars[*bar].cells {
            if let Act::Strike(surface, hands) = cell.act {
                strokes.push(CallStroke { at: Ticks(bar_len.0 * k as i64) + cell.from, surface, hands });
            }
        }
    }
    if strokes.is_empty() {
        errors.add(
            at,
            format!("call `{name}` holds no stroke"),
            "write at least one, `o` for the centre of the bucket",
        );
        return None;
    }
    let length = Ticks(bar_len.0 * bars.len() as i64);
    let (difficulty, lure) = (raw.difficulty as u8, raw.lure);
    Some((Call { name: name.clone(), difficulty, bpm: raw.bpm?, strokes, length, lure }, raw.rows.span.clone()))
}
