//! A row of a section, as text with its places -> bars of cells and repeat signs. Knows nothing of what cells mean.

use std::ops::Range;

use super::error::Gather;

/// A row's characters, each with its byte in the file.
pub(crate) struct RowText {
    /// Character and the byte where it stands.
    pub(crate) chars: Vec<(char, usize)>,
    /// The whole value, quotes included.
    pub(crate) span: Range<usize>,
}

/// What one cell is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Grain {
    /// One character; spaces are free.
    Letter,
    /// A word up to the next space or bar line.
    Word,
}

/// A cell as written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Token {
    pub(crate) text: String,
    pub(crate) span: Range<usize>,
}

/// The cells between two bar lines; never empty.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct RowBar {
    pub(crate) cells: Vec<Token>,
}

impl RowBar {
    pub(crate) fn span(&self) -> Range<usize> {
        let from = self.cells.first().map_or(0, |c| c.span.start);
        from..self.cells.last().map_or(from, |c| c.span.end)
    }
}

/// A repeat sign over some bars of a row or section.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Repeat {
    /// The bars inside, as indices into the bars as written.
    pub bars: Range<usize>,
    /// How often they are played in all.
    pub times: u32,
}

/// A row taken apart.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) bars: Vec<RowBar>,
    pub(crate) repeats: Vec<Repeat>,
    /// Whether any bar line or repeat sign was written.
    pub(crate) ruled: bool,
}

/// More plays of one repeat than this are taken for a slip of the finger.
const MOST_TIMES: u32 = 99;

pub(crate) fn scan(row: &RowText, grain: Grain, errors: &mut Gather) -> Row {
    let c = &row.chars;
    let byte =
        |i: usize| c.get(i).map_or_else(|| c.last().map_or(row.span.start, |(ch, b)| b + ch.len_utf8()), |x| x.1);
    let is = |i: usize, ch: char| c.get(i).is_some_and(|x| x.0 == ch);
    let mut out = Row::default();
    let mut cells: Vec<Token> = Vec::new();
    let mut open: Option<(usize, Range<usize>)> = None;
    // A bar line may stand at the start, and beside a repeat sign, without an empty bar between.
    let mut empty_is_fine = true;
    let mut i = 0;
    while i < c.len() {
        let ch = c[i].0;
        if ch.is_whitespace() {
            i += 1;
        } else if ch == '|' && is(i + 1, ':') && !is(i + 2, '|') {
            flush(&mut cells, &mut out);
            let span = byte(i)..byte(i + 2);
            if open.is_some() {
                errors.add(
                    span.clone(),
                    "a repeat begins inside a repeat",
                    "end the first with `:|` before `|:`; repeats do not nest",
                );
            }
            open = Some((out.bars.len(), span));
            out.ruled = true;
            empty_is_fine = true;
            i += 2;
        } else if ch == '|' {
            out.ruled = true;
            let double = is(i + 1, '|') && !is(i + 2, ':');
            if cells.is_empty() && !empty_is_fine {
                errors.add(
                    byte(i)..byte(i + 1),
                    "an empty bar",
                    "a bar of silence is written with rests, for example `----`; otherwise leave out this `|`",
                );
            }
            flush(&mut cells, &mut out);
            empty_is_fine = false;
            i += if double { 2 } else { 1 };
        } else if ch == ':' && is(i + 1, '|') {
            flush(&mut cells, &mut out);
            out.ruled = true;
            let sign = i;
            i += 2;
            let (times, next) = times(c, i);
            let span = byte(sign)..byte(next.max(i));
            i = next;
            if is(i, ':') {
                // `:|:` ends one repeat and begins the next.
                close(&mut open, times, span.clone(), &mut out, errors);
                open = Some((out.bars.len(), span));
                i += 1;
            } else {
                close(&mut open, times, span, &mut out, errors);
            }
            empty_is_fine = true;
        } else {
            let from = i;
            i += 1;
            if grain == Grain::Word {
                while i < c.len() && !c[i].0.is_whitespace() && c[i].0 != '|' && !(c[i].0 == ':' && is(i + 1, '|')) {
                    i += 1;
                }
            }
            cells.push(Token {
                text: c[from..i].iter().map(|x| x.0).collect(),
                span: byte(from)..byte(i - 1) + c[i - 1].0.len_utf8(),
            });
            empty_is_fine = false;
        }
    }
    flush(&mut cells, &mut out);
    if let Some((_, span)) = open {
        errors.add(span, "a repeat begins here and never ends", "close it with `:|` (twice) or `:|3` (three times)");
    }
    out
}

fn flush(cells: &mut Vec<Token>, out: &mut Row) {
    if !cells.is_empty() {
        out.bars.push(RowBar { cells: std::mem::take(cells) });
    }
}

/// The number after a repeat sign at `i` (2 where none stands) and where the row goes on.
fn times(c: &[(char, usize)], i: usize) -> (u32, usize) {
    let mut from = i;
    while c.get(from).is_some_and(|x| x.0.is_whitespace()) {
        from += 1;
    }
    let mut to = from;
    let mut n = 0u32;
    while let Some(digit) = c.get(to).and_then(|x| x.0.to_digit(10)) {
        n = n.saturating_mul(10).saturating_add(digit);
        to += 1;
    }
    if to == from { (2, i) } else { (n, to) }
}

fn close(open: &mut Option<(usize, Range<usize>)>, times: u32, span: Range<usize>, out: &mut Row, errors: &mut Gather) {
    let Some((from, _)) = open.take() else {
        errors.add(span, "a repeat ends here that never began", "put `|:` before its first bar");
        return;
    };
    if times == 0 || times > MOST_TIMES {
        errors.add(
            span,
            format!("a repeat played {times} times"),
            format!("write `:|` for twice, or a number from 1 to {MOST_TIMES}"),
        );
        return;
    }
    if out.bars.len() == from {
        errors.add(span, "a repeat with nothing in it", "put at least one bar between `|:` and `:|`");
        return;
    }
    out.repeats.push(Repeat { bars: from..out.bars.len(), times });
}

#[cfg(test)]
mod tests {
    use super::super::error::{Origin, PartError};
    use super::*;

    fn check(text: &str) -> (Row, Vec<PartError>) {
        let row = RowText { chars: text.char_indices().map(|(b, c)| (c, b)).collect(), span: 0..text.len() };
        let mut errors = Gather::new(text, Origin::File);
        let out = scan(&row, Grain::Letter, &mut errors);
        (out, errors.finish())
    }

    fn bars(text: &str) -> Vec<String> {
        let (row, errors) = check(text);
        assert_eq!(errors, [], "{text}");
        row.bars.iter().map(|b| b.cells.iter().map(|t| t.text.as_str()).collect()).collect()
    }

    #[test]
    fn bar_lines_may_lead_trail_double_and_stand_beside_repeat_signs() {
        assert_eq!(bars("o.x. | x."), ["o.x.", "x."]);
        assert_eq!(bars("| o | x |"), ["o", "x"]);
        assert_eq!(bars("o | x ||"), ["o", "x"]);
        assert_eq!(bars("|: o :|2 | x |"), ["o", "x"]);
        assert_eq!(bars("o | |: x :|"), ["o", "x"]);
        assert_eq!(bars("|:o:|x"), ["o", "x"]);
    }

    #[test]
    fn a_repeat_without_a_number_is_played_twice_and_numbers_may_have_several_digits() {
        let (row, _) = check("|: o | x :| |: x :|12 o :");
        assert_eq!(row.repeats, [Repeat { bars: 0..2, times: 2 }, Repeat { bars: 2..3, times: 12 }]);
        let (row, errors) = check("|: o :|3: x :|");
        assert_eq!(
            (row.repeats, errors),
            (vec![Repeat { bars: 0..1, times: 3 }, Repeat { bars: 1..2, times: 2 }], vec![])
        );
    }

    #[test]
    fn broken_repeats_and_empty_bars_are_each_named_at_their_place() {
        let at = |text: &str| check(text).1.iter().map(|e| (e.column, e.message.clone())).collect::<Vec<_>>();
        assert_eq!(at("o | | x"), [(5, "an empty bar".into())]);
        assert_eq!(at("o |: x"), [(3, "a repeat begins here and never ends".into())]);
        assert_eq!(at("o :| x"), [(3, "a repeat ends here that never began".into())]);
        assert_eq!(at("|: o |: x :|"), [(6, "a repeat begins inside a repeat".into())]);
        assert_eq!(at("|: :|"), [(4, "a repeat with nothing in it".into())]);
        assert_eq!(at("|: o :|1000000"), [(6, "a repeat played 1000000 times".into())]);
        assert_eq!(at("|: o :|0"), [(6, "a repeat played 0 times".into())]);
    }
}
