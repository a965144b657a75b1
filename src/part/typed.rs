//! What editors and word processors make of a plain text, undone: bytes -> text, curly quotes -> straight ones.

use std::borrow::Cow;

/// The letters of bytes 0x80 to 0x9F in Windows' Latin-1 (code page 1252), as the WHATWG Encoding Standard maps them.
const WINDOWS: [char; 32] = [
    '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8d}', 'Ž', '\u{8f}', '\u{90}', '‘', '’',
    '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9d}', 'ž', 'Ÿ',
];

/// A text from its bytes: UTF-8; UTF-16 with its mark or with the zero bytes of plain letters; else Latin-1.
///
/// # Errors
/// If it is no text: why.
pub fn decoded(bytes: &[u8]) -> Result<Cow<'_, str>, String> {
    const NO_TEXT: &str = "it is not text (was this the recording?)";
    if let Ok(text) = std::str::from_utf8(bytes)
        && !text.contains('\0')
    {
        return Ok(Cow::Borrowed(text));
    }
    let wide = |after: usize, unit: fn([u8; 2]) -> u16| {
        let units: Vec<u16> = bytes[after..].as_chunks::<2>().0.iter().map(|b| unit(*b)).collect();
        let text = String::from_utf16(&units).ok().filter(|text| bytes.len().is_multiple_of(2) && !text.contains('\0'));
        text.map(Cow::Owned).ok_or_else(|| NO_TEXT.to_owned())
    };
    match bytes {
        [0xff, 0xfe, ..] => wide(2, u16::from_le_bytes),
        [0xfe, 0xff, ..] => wide(2, u16::from_be_bytes),
        [a, 0, b, 0, ..] if *a != 0 && *b != 0 => wide(0, u16::from_le_bytes),
        [0, a, 0, b, ..] if *a != 0 && *b != 0 => wide(0, u16::from_be_bytes),
        _ if bytes.iter().any(|b| *b < 0x20 && !b.is_ascii_whitespace()) => Err(NO_TEXT.to_owned()),
        _ => {
            let letter = |b: &u8| match b {
                0x80..=0x9f => WINDOWS[usize::from(b - 0x80)],
                b => char::from(*b),
            };
            Ok(Cow::Owned(bytes.iter().map(letter).collect()))
        }
    }
}

fn is_double(c: char) -> bool {
    matches!(c, '“' | '”' | '„' | '‟' | '«' | '»' | '＂')
}

fn is_single(c: char) -> bool {
    matches!(c, '‘' | '’' | '‚' | '‛')
}

/// The text with straight quotes where a word processor has made them curly, and plain spaces between names and values: letter
/// for letter, so that every place stays where it was. Quotes inside a text stay as they are.
pub(crate) fn straightened(text: &str) -> Cow<'_, str> {
    if !text.contains(|c| is_double(c) || is_single(c) || c == '\u{a0}') {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len());
    // Inside a text over several lines: its quote.
    let mut long: Option<char> = None;
    for line in text.split_inclusive('\n') {
        let chars: Vec<char> = line.chars().collect();
        let straight = |c: char| match c {
            c if is_double(c) => '"',
            c if is_single(c) => '\'',
            c => c,
        };
        // Three of one kind: a straight quote and two curly ones are a text that begins with a quotation.
        let three = |i: usize, quote: char| {
            let kind = |k: usize| chars.get(k).filter(|c| straight(**c) == quote).map(|c| *c == quote);
            kind(i).is_some() && kind(i) == kind(i + 1) && kind(i) == kind(i + 2)
        };
        let mut i = 0;
        while i < chars.len() {
            if let Some(quote) = long {
                if three(i, quote) {
                    out.extend([quote; 3]);
                    long = None;
                    i += 3;
                } else {
                    out.push(chars[i]);
                    i += 1;
                }
                continue;
            }
            let quote = straight(chars[i]);
            match quote {
                '#' => {
                    out.extend(&chars[i..]);
                    break;
                }
                '\u{a0}' => out.push(' '),
                '"' | '\'' if three(i, quote) => {
                    out.extend([quote; 3]);
                    long = Some(quote);
                    i += 2;
                }
                '"' | '\'' => {
                    let end = closing(&chars, i, quote);
                    out.push(quote);
                    if let Some(end) = end {
                        out.extend(&chars[i + 1..end]);
                        out.push(quote);
                        i = end;
                    }
                }
                c => out.push(c),
            }
            i += 1;
        }
    }
    Cow::Owned(out)
}

/// Where the text that begins at `from` ends: after a straight quote at the next straight one, or else at the line's last curly
/// one; after a curly quote at whichever comes first.
fn closing(chars: &[char], from: usize, quote: char) -> Option<usize> {
    let curly = |c: char| if quote == '"' { is_double(c) } else { is_single(c) };
    let mut escaped = false;
    let (mut plain, mut bent, mut last_bent) = (None, None, None);
    for (i, &c) in chars.iter().enumerate().skip(from + 1) {
        if escaped {
            escaped = false;
        } else if c == '\\' && quote == '"' {
            escaped = true;
        } else if c == quote {
            plain = plain.or(Some(i));
        } else if curly(c) {
            bent = bent.or(Some(i));
            last_bent = Some(i);
        }
    }
    if chars[from] == quote { plain.or(last_bent) } else { bent.into_iter().chain(plain).min() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texts_are_read_in_the_ways_editors_keep_them() {
        let text = "title = \"Zoë’s “Rain”\"\n";
        let wide = |unit: fn(u16) -> [u8; 2]| text.encode_utf16().flat_map(unit).collect::<Vec<u8>>();
        let marked = |mark: &[u8], rest: Vec<u8>| [mark, &rest].concat();
        for bytes in [
            text.as_bytes().to_vec(),
            marked(&[0xff, 0xfe], wide(u16::to_le_bytes)),
            marked(&[0xfe, 0xff], wide(u16::to_be_bytes)),
            wide(u16::to_le_bytes),
            wide(u16::to_be_bytes),
            b"title = \"Zo\xeb\x92s \x93Rain\x94\"\n".to_vec(),
        ] {
            assert_eq!(decoded(&bytes).as_deref(), Ok(text), "{bytes:?}");
        }
        for no_text in
            [&b"RIFF\x10\0\0\0WAVEfmt "[..], b"\x89PNG\r\n\x1a\n\0", b"a\0b", b"\xff\xfea", b"MThd\0\0\0\x06"]
        {
            assert!(decoded(no_text).is_err(), "{no_text:?}");
        }
    }

    fn check(text: &str, expected: &str) {
        assert_eq!(straightened(text), expected);
        assert_eq!(straightened(text).chars().count(), text.chars().count(), "places move");
    }

    #[test]
    fn curly_quotes_around_a_text_are_straight_and_those_inside_it_stay() {
        check("title = “Rain on the Roof”\n", "title = \"Rain on the Roof\"\n");
        check("title = „Regen“ # „so“\n", "title = \"Regen\" # „so“\n");
        check("title = \"Robin’s “Rain”\"\n", "title = \"Robin’s “Rain”\"\n");
        check("title = \"Rain”\nmeter = “4/4\"\n", "title = \"Rain\"\nmeter = \"4/4\"\n");
        check("title = “Robin’s Rain”", "title = \"Robin’s Rain\"");
        check("title = ‘Rain’\u{a0}", "title = 'Rain' ");
        check("strokes = “““\no.x.\n”””\nhands = “R.L.”", "strokes = \"\"\"\no.x.\n\"\"\"\nhands = \"R.L.\"");
        check("bpm = { start = 60, goal = 80 }", "bpm = { start = 60, goal = 80 }");
        check("a = “x”, b = “y”", "a = \"x\", b = \"y\"");
        check("a = “x", "a = \"x");
        check("title = \"““\"\nform = \"”\"", "title = \"““\"\nform = \"”\"");
    }
}
