//! Written parts of our own: with and without rests, identical neighbours, four meters, repeats inside and out.

use pailbeat::part::{Timeline, parse};
use pailbeat::units::Bpm;

/// (name, meter, tempo, form, sections).
type Written = (&'static str, &'static str, f64, &'static str, &'static [(&'static str, &'static str)]);

/// Parts on which rules and costs may be looked at.
pub const SHOWN: &[Written] = &[
    (
        "lane",
        "4/4",
        70.0,
        "A A B C A B",
        &[
            ("A", "|: o.x. ooxo | x.o. x.-- :|2"),
            ("B", "+.+. oo.x | x.x. o.-- | +.+. oo.x | O.-- O.-- |"),
            ("C", "|: xoxo x.o. :|3 o.o. X---"),
        ],
    ),
    (
        "ferry",
        "3/4",
        72.0,
        "A B A C A B C",
        &[
            ("A", "o.xxo. | o.xxo. | +.o.-- |"),
            ("B", "|: ooo.x. | x.x.-- :|2"),
            ("C", "x.+.x. | oxoxoo | X.O.-- | O.---- |"),
        ],
    ),
    (
        "gate",
        "2/4",
        66.0,
        "A B A B A A B B",
        &[("A", "o.oo | x.o. | o.oo | x.-- |"), ("B", "|: xx+. | o.x. :|2 O.-- |")],
    ),
    (
        "swing",
        "6/8",
        56.0,
        "A A B A B",
        &[("A", "|: o.xo.x | oox--- :|2 o..x.. | O..--- |"), ("B", "+.x+.x | o..x.. | +.x+.x | xxx--- | O.o--- |")],
    ),
    (
        "plain",
        "4/4",
        80.0,
        "A B A B",
        &[
            ("A", "o.o. x.x. | oooo x.x. | o.o. x.x. | oo.o x.o. |"),
            ("B", "x.o. x.o. | xxo. xxo. | x.o. x.o. | o.x. oxox |"),
        ],
    ),
    ("well", "4/4", 60.0, "A A B B A A B B", &[("A", "oxx. o.x. | oxx. o.-- |"), ("B", "+.o. +.o. | xxo. x.-- |")]),
    (
        "long rest",
        "4/4",
        84.0,
        "A B A B",
        &[("A", "o.x. o.x. | oo.o x.-- | ---- ---- | o.x. o.-- |"), ("B", "|: x.xo x.o. | O.-- ---- :|2 +.+. O.-- |")],
    ),
    (
        "bricks",
        "4/4",
        90.0,
        "A B",
        &[("A", "|: o... x... :|4 |: o.o. x.x. :|4"), ("B", "oooo xxxx | o.x. o.x. | oooo xxxx | o.x. O--- |")],
    ),
    (
        "sixteen",
        "4/4",
        58.0,
        "A B A",
        &[("A", "o.x.ooxoo.x.x... | o.xxo.o.x.x.---- |"), ("B", "|: oooox.x.oooox.x. :|2 O...X...O...---- |")],
    ),
    (
        "walk",
        "2/4",
        76.0,
        "A A A B A A B B",
        &[("A", "o.x. | o.xx | o.x. | oo-- |"), ("B", "|: +.+. | ooo. :|3 X--- |")],
    ),
    (
        "bare",
        "4/4",
        72.0,
        "A B C A B",
        &[
            ("A", "|: o.o. ooo. :|2 | o.o. o.-- |"),
            ("B", "oooo o.o. | o.oo o.-- | oooo o.o. | o.-- o.-- |"),
            ("C", "|: oo.o oo.o :|2 O.O. O--- |"),
        ],
    ),
    ("claps", "4/4", 78.0, "A B A B B A", &[("A", "p.c. ppc. | p.c. p.-- |"), ("B", "|: cc.p c.p. :|2 c.-- p.-- |")]),
];

/// Parts kept for the last look: nothing was moved on them.
pub const KEPT: &[Written] = &[
    (
        "mill",
        "4/4",
        68.0,
        "A B A C B C",
        &[
            ("A", "|: oo.x o.x. :|2 x.o. o.-- |"),
            ("B", "+.o. +.x. | o.o. xx-- | +.o. +.x. | O.-- X.-- |"),
            ("C", "|: x.oo :|4 o.x. O--- |"),
        ],
    ),
    (
        "pond",
        "3/4",
        66.0,
        "A A B A A B",
        &[("A", "o.o.x. | oox.-- |"), ("B", "x.x.o. | x.x.o. | +.+.-- | X.O.-- | O.---- |")],
    ),
    (
        "spoke",
        "6/8",
        54.0,
        "A B B A B",
        &[("A", "o..x.o | o..x-- | oxooxo | O..--- |"), ("B", "|: x.ox.o | +..+.. :|2 O.o--- |")],
    ),
    (
        "ridge",
        "2/4",
        72.0,
        "A B C B A B C",
        &[
            ("A", "|: o.xo | x.o. :|2 o.-- |"),
            ("B", "oox. | oox. | +.x. | X--- |"),
            ("C", "x.x. | oooo | x.x. | O.-- |"),
        ],
    ),
    (
        "loft",
        "4/4",
        86.0,
        "A A B B",
        &[
            ("A", "o.x. o.o. | x.xx o.x. | o.x. o.o. | xoxo x.o. |"),
            ("B", "+.+. x.o. | +.+. oo.. | x.x. xxo. | O.X. O.x. |"),
        ],
    ),
    (
        "tide",
        "4/4",
        64.0,
        "A B A A B",
        &[("A", "o.xx o.-- | ---- o.x. | o.xx o.x. | O.-- ---- |"), ("B", "|: xo.o xo.. | +.+. x.-- :|2")],
    ),
    (
        "cart",
        "4/4",
        92.0,
        "A B C A",
        &[
            ("A", "|: o.o. x... :|3 oo.x O.-- |"),
            ("B", "x... o... | x.x. o.o. | x... o... | X.-- O.-- |"),
            ("C", "+.o. +.o. | x.o. x.-- |"),
        ],
    ),
    (
        "wren",
        "4/4",
        62.0,
        "A B A",
        &[("A", "|: x.o.xxo.x.o.o... | o.oox.x.o.------ :|2"), ("B", "ooxx.o.xo.x.o... | X...O...X...---- |")],
    ),
];

/// The part at its tempo.
pub fn timeline(written: &Written) -> Timeline {
    let &(title, meter, bpm, form, sections) = written;
    let mut text = format!(
        "title = \"{title}\"\nmeter = \"{meter}\"\nbpm = {{ start = {bpm}, goal = {} }}\nform = \"{form}\"\n",
        bpm + 30.0
    );
    for (name, strokes) in sections {
        text.push_str(&format!("[sections.{name}]\nstrokes = \"{strokes}\"\n"));
    }
    let part = parse(&text).unwrap_or_else(|errors| panic!("{title}: {errors:?}"));
    part.timeline(None, Bpm::new(bpm).unwrap()).unwrap()
}

/// All of a set.
pub fn timelines(set: &[Written]) -> Vec<Timeline> {
    set.iter().map(timeline).collect()
}
