//! Rhythm syllables: words with a length, as children chant them.
//!
//! The syllables are those of the Kodály tradition. `ta`, `ti-ti`, `tika-tika`, `ti-tika` and `tika-ti` stand in Darren
//! Wicks, "Rhythm syllables and the Kodály approach", `ta-a` for two beats on school pages; what is marked *from memory*
//! below was checked against nothing. They differ from school to school, so the spellings stand side by side and the
//! printed part shows what each means. A word is syllables joined by `-`; it is as long as its syllables together. A word
//! in round brackets is silent for its length.

use crate::units::Ticks;

const Q: i64 = Ticks::PER_QUARTER;

/// Whole words whose syllables do not keep their usual length.
const WORDS: &[(&str, &[i64])] = &[
    // One beat in three: from memory.
    ("tri-pl-et", &[Q / 3; 3]),
    ("tri-ple-t", &[Q / 3; 3]),
    ("tri-po-let", &[Q / 3; 3]),
    ("tri-o-la", &[Q / 3; 3]),
    ("triplet", &[Q / 3; 3]),
    ("triola", &[Q / 3; 3]),
    // Short, long, short: from memory.
    ("syn-co-pa", &[Q / 2, Q, Q / 2]),
    ("syncopa", &[Q / 2, Q, Q / 2]),
];

/// Syllables and the lengths of the strokes they stand for.
const SYLLABLES: &[(&str, &[i64])] = &[
    ("ta", &[Q]),
    ("ti", &[Q / 2]),
    // Sixteenths, two to an eighth; `tiri` from memory.
    ("tika", &[Q / 4, Q / 4]),
    ("tiri", &[Q / 4, Q / 4]),
    ("ka", &[Q / 4]),
    ("ri", &[Q / 4]),
    // Halves and longer: from memory; `ta-a` is the same as `too`.
    ("too", &[2 * Q]),
    ("toe", &[3 * Q]),
    // Dotted: from memory.
    ("tam", &[3 * Q / 2]),
    ("tai", &[3 * Q / 2]),
    ("tum", &[3 * Q / 2]),
    ("tim", &[3 * Q / 4]),
];

/// Words that are silent, a quarter each: from memory.
const SILENT: &[&str] = &["sh", "shh", "rest"];

/// A syllable goes on for one more quarter, as in `ta-a`.
const LENGTHEN: &[&str] = &["a", "aa", "ah"];

/// A word as strokes or rests: each with its length and the syllable it is said on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Spoken {
    pub(super) len: Ticks,
    pub(super) sounded: bool,
    pub(super) said: String,
}

/// A word taken apart, or what to write instead.
pub(super) fn word(text: &str) -> Result<Vec<Spoken>, String> {
    let lower = text.to_lowercase();
    let (inner, silent) = match lower.strip_prefix('(').and_then(|t| t.strip_suffix(')')) {
        Some(inner) => (inner, true),
        None => (lower.as_str(), false),
    };
    let spoken = |len: i64, sounded: bool, said: &str| Spoken {
        len: Ticks(len),
        sounded: sounded && !silent,
        said: said.into(),
    };
    if let Some((_, lengths)) = WORDS.iter().find(|(word, _)| *word == inner) {
        let said: Vec<&str> = if inner.contains('-') { inner.split('-').collect() } else { vec![inner, "", ""] };
        return Ok(lengths.iter().zip(said).map(|(len, said)| spoken(*len, true, said)).collect());
    }
    let mut out: Vec<Spoken> = Vec::new();
    let mut parts = inner.split('-').peekable();
    while let Some(part) = parts.next() {
        if SILENT.contains(&part) {
            out.push(spoken(Q, false, part));
            continue;
        }
        if LENGTHEN.contains(&part) {
            match out.last_mut().filter(|last| last.len.0 >= Q) {
                Some(last) => last.len = Ticks(last.len.0 + Q),
                None => return Err(format!("`{part}` lengthens a `ta` before it, as in `ta-a`")),
            }
            continue;
        }
        // `ti-ka` and `ti-ri` are the two sixteenths of `tika`, not an eighth and a sixteenth.
        if part == "ti" && parts.peek().is_some_and(|next| matches!(*next, "ka" | "ri")) {
            out.push(spoken(Q / 4, true, part));
            continue;
        }
        let Some((_, lengths)) = SYLLABLES.iter().find(|(s, _)| *s == part) else {
            return Err(instead(part));
        };
        let said: Vec<&str> =
            if lengths.len() == 2 { vec!["ti", part.get(2..).unwrap_or_default()] } else { vec![part] };
        out.extend(lengths.iter().zip(said).map(|(len, said)| spoken(*len, true, said)));
    }
    Ok(out)
}

/// The syllable that a length is held on by itself, without what lengthens it.
pub(crate) fn sustained(len: Ticks) -> Option<&'static str> {
    match len.0 {
        n if 2 * n == Q => Some("ti"),
        n if 4 * n == 3 * Q => Some("tim"),
        n if n >= Q && n % Q == 0 => Some("ta"),
        n if n > Q && n % Q == Q / 2 => Some("tam"),
        _ => None,
    }
}

/// What a stroke of a length is said on, by where in its quarter it stands.
pub(crate) fn said(len: Ticks, within: Ticks) -> Option<String> {
    match len.0 {
        // In three, the place says it.
        _ if 3 * within.0 == Q => Some("pl".into()),
        _ if 3 * within.0 == 2 * Q => Some("et".into()),
        n if 3 * n == Q || 3 * n == 2 * Q => Some("tri".into()),
        n if 4 * n == Q => Some(if within.0 % (Q / 2) == 0 { "ti" } else { "ka" }.into()),
        _ => sustained(len).map(|said| joined(said, len, &mut std::iter::empty()).0),
    }
}

/// Whether a syllable is silent by itself, without brackets.
pub(super) fn is_silent(said: &str) -> bool {
    SILENT.contains(&said)
}

/// The word that a syllable of that length begins, with those of the following that belong to it: the word and how many.
pub(super) fn joined(said: &str, len: Ticks, after: &mut dyn Iterator<Item = String>) -> (String, usize) {
    let whole = |word: &str| WORDS.iter().any(|(w, _)| *w == word);
    if whole(said) {
        return (said.to_owned(), 2);
    }
    if WORDS.iter().any(|(w, lengths)| w.split('-').next() == Some(said) && lengths[0] == len.0) {
        let after: Vec<String> = after.take(2).collect();
        return (format!("{said}-{}", after.join("-")), 2);
    }
    if said == "ti" && len.0 == Q / 4 {
        let second: String = after.take(1).collect();
        return (format!("ti-{second}"), 1);
    }
    let plain = SYLLABLES.iter().find(|(s, _)| *s == said).map_or(Q, |(_, lengths)| lengths[0]);
    let more = usize::try_from((len.0 - plain) / Q).unwrap_or(0);
    (format!("{said}{}", "-a".repeat(more)), 0)
}

fn instead(part: &str) -> String {
    let known = SYLLABLES.iter().map(|s| s.0).chain(SILENT.iter().copied()).chain(WORDS.iter().map(|w| w.0));
    let near = super::error::nearest(part, known).map_or(String::new(), |n| format!("did you mean `{n}`? "));
    format!(
        "{near}known words: `ta` (quarter), `ti-ti` (eighths), `tika-tika` (sixteenths), `too` (half), `tam-ti` (dotted), `tri-pl-et`, `syn-co-pa`, `sh` (quarter rest), `(ti)` (any word in brackets is silent)"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(text: &str, expected: &[i64]) {
        let lengths: Vec<i64> =
            word(text).unwrap().iter().map(|s| if s.sounded { s.len.0 } else { -s.len.0 }).collect();
        assert_eq!(lengths, expected, "{text}");
    }

    // Lengths in 960ths of a quarter, rests negative, worked by hand from the usual note values.
    #[test]
    fn words_are_as_long_as_their_notes() {
        check("ta", &[960]);
        check("ti-ti", &[480, 480]);
        check("tika-tika", &[240; 4]);
        check("ti-ri-ti-ri", &[240; 4]);
        check("ti-tika", &[480, 240, 240]);
        check("tika-ti", &[240, 240, 480]);
        check("ti-ti-ka", &[480, 240, 240]);
        check("ta-a", &[1920]);
        check("ta-a-a-a", &[3840]);
        check("too", &[1920]);
        check("tam-ti", &[1440, 480]);
        check("tim-ka", &[720, 240]);
        check("ka-tim", &[240, 720]);
        check("ti-ta-ti", &[480, 960, 480]);
        check("syn-co-pa", &[480, 960, 480]);
        check("tri-pl-et", &[320; 3]);
        check("sh", &[-960]);
        check("(ti)", &[-480]);
        check("(ta-a)", &[-1920]);
        check("Ta", &[960]);
    }

    #[test]
    fn an_unknown_word_is_told_its_neighbour() {
        assert!(word("tikka").unwrap_err().starts_with("did you mean `tika`?"));
        assert!(word("a").unwrap_err().contains("as in `ta-a`"));
        assert!(word("").is_err() && word("()").is_err() && word("-").is_err() && word("(").is_err());
    }
}
