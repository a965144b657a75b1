//! Random part files: every meter that cells fit, repeats, swells over bar lines, hands, syllables, sections nobody plays.

use proptest::collection::vec;
use proptest::prelude::*;

/// Meters with numbers of cells that fit a bar of theirs.
const METERS: &[(&str, &[usize])] = &[
    ("4/4", &[1, 2, 4, 8, 12, 16, 24, 32]),
    ("3/4", &[1, 3, 6, 9, 12, 18, 24]),
    ("2/4", &[1, 2, 4, 6, 8, 12, 16]),
    ("6/8", &[1, 2, 6, 12, 24]),
    ("9/8", &[1, 3, 9, 18, 36]),
    ("5/8", &[1, 5, 10, 20]),
    ("5/4", &[1, 5, 10, 15, 20]),
    ("2/2", &[1, 2, 4, 8, 12, 16]),
];

/// Rhythm words of four quarters.
const SPOKEN: &[&str] = &[
    "ta ti-ti ta sh",
    "tri-pl-et ti-ti tika-tika ta",
    "syn-co-pa (ti) ti ti-tika",
    "ta-a tam-ti",
    "ti tri-pl-et ta-a ti",
    "(ta-a) tim-ka ka-tim",
    "ti-ri-ti-ri (tika) ti sh-a",
];

#[derive(Clone, Debug)]
struct Bar {
    /// Which of the meter's numbers of cells.
    cells: usize,
    letters: Vec<usize>,
    hands: Vec<usize>,
    levels: Vec<usize>,
    /// Which rhythm words, where the section is spoken.
    spoken: usize,
}

fn bar() -> impl Strategy<Value = Bar> {
    (0usize..8, vec(0usize..14, 36), vec(0usize..6, 36), vec(0usize..12, 36), 0..SPOKEN.len())
        .prop_map(|(cells, letters, hands, levels, spoken)| Bar { cells, letters, hands, levels, spoken })
}

/// Bars, which rows stand beside the strokes, and repeats as (length, times) in a row, one after another.
type Section = (Vec<Bar>, [bool; 3], Vec<(usize, u32)>);

fn section() -> impl Strategy<Value = Section> {
    (vec(bar(), 1..7), any::<[bool; 3]>(), vec((1usize..4, 0u32..5), 0..4))
}

/// Part files, all of them right.
pub(crate) fn part_text() -> impl Strategy<Value = String> {
    let title = prop_oneof![Just("Rain on the Roof".to_owned()), "[ -~äß“”&<>\u{7}\n]{1,12}"];
    (title, 0..METERS.len(), vec(section(), 1..4), vec(0usize..4, 1..6), 30u32..120, 0u32..60).prop_map(
        |(title, meter, sections, form, start, more)| {
            let (meter, counts) = METERS[meter];
            let names = ["A", "B", "Chorus-2"];
            let form: Vec<&str> = form.iter().map(|i| names[i % sections.len()]).collect();
            let title: String = title
                .chars()
                .flat_map(|c| {
                    if c.is_control() {
                        format!("\\u{:04X}", c as u32)
                    } else if c == '"' || c == '\\' {
                        format!("\\{c}")
                    } else {
                        c.to_string()
                    }
                    .chars()
                    .collect::<Vec<_>>()
                })
                .collect();
            let mut text = format!(
                "title = \"{title}\"\nmeter = \"{meter}\"\nbpm = {{ start = {start}, goal = {} }}\nform = \"{}\"\n",
                start + more,
                form.join(" ")
            );
            for (name, section) in names.iter().zip(&sections) {
                text.push_str(&format!("[sections.{name}]\n{}", rows(section, meter, counts)));
            }
            text
        },
    )
}

fn rows((bars, with, repeats): &Section, meter: &str, counts: &[usize]) -> String {
    if with[2] && meter == "4/4" && bars[0].letters[0] % 3 == 0 {
        let said: Vec<String> = bars.iter().map(|b| SPOKEN[b.spoken].to_owned()).collect();
        return format!("syllables = \"{}\"\nlesson = \"lesson-5.mp4 06:40\"\n", ruled(&said, repeats));
    }
    let letter = |n: usize| ["o", "x", "+", "c", "p", "O", "X", "C", "P", ".", ".", ".", "-", "-"][n];
    let mut rows = [Vec::new(), Vec::new(), Vec::new()];
    for (b, bar) in bars.iter().enumerate() {
        let n = counts[bar.cells % counts.len()];
        let mut cells: Vec<&str> = bar.letters[..n].iter().map(|l| letter(*l)).collect();
        // Something must sound.
        if b == 0 && cells.iter().all(|c| matches!(*c, "." | "-")) {
            cells[0] = "o";
        }
        rows[0].push(cells.concat());
        let hand = |(cell, n): (&&str, &usize)| match *cell {
            "o" | "x" | "+" | "c" | "p" => [".", ".", "R", "L", "R", "B"][*n],
            "O" | "X" | "C" | "P" => [".", "B"][*n % 2],
            _ => ".",
        };
        rows[1].push(cells.iter().zip(&bar.hands).map(hand).collect::<String>());
        let level = |n: &usize| [".", ".", ".", ".", "<", "<", "<", ">", ">", "p", "m", "f"][*n];
        rows[2].push(bar.levels[..n].iter().map(level).collect::<String>());
    }
    let mut out = format!("strokes = \"{}\"\n", ruled(&rows[0], repeats));
    for (name, row, with) in [("hands", &rows[1], with[0]), ("level", &rows[2], with[1])] {
        if with {
            out.push_str(&format!("{name} = \"{}\"\n", ruled(row, repeats)));
        }
    }
    out
}

fn ruled(bars: &[String], repeats: &[(usize, u32)]) -> String {
    let mut out = String::new();
    let mut i = 0;
    let mut signs = repeats.iter();
    while i < bars.len() {
        match signs.next() {
            Some((len, times)) if *times > 0 => {
                let to = (i + len).min(bars.len());
                out.push_str(&format!("|: {} :|{times} ", bars[i..to].join(" | ")));
                i = to;
            }
            _ => {
                out.push_str(&format!("{} | ", bars[i]));
                i += 1;
            }
        }
    }
    out.trim_end().trim_end_matches('|').to_owned() + "|"
}
