//! Names of people and things -> the one form in which they are compared, and where a text speaks of them. Pure.
//!
//! Two spellings are one name when their [`key`]s are equal: composed letters (Unicode normalisation form C, Unicode
//! Standard Annex 15), small letters, no white space around, no marks that nobody sees. A Mac writes an `é` in a file's name as `e` and an accent, a
//! roster as one letter: both have the same key. A text speaks of a name when the name's [`Words`] stand in it in a row, so
//! that "Rob" is not found in "Robin" nor in "probably".

use std::ops::Range;

use unicode_normalization::UnicodeNormalization as _;
use unicode_normalization::char::is_combining_mark;

/// Whether a terminal or a reader would take a character for more than a character: control characters, and marks that
/// turn the direction of writing.
pub(crate) fn is_unsafe(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{61c}')
}

/// A name as it is stored: composed letters, no white space around, and nothing that is no letter to anybody: a name that
/// was copied from a page may bring marks along that nobody sees.
pub fn normal(name: &str) -> String {
    name.chars().filter(|c| !is_unsafe(*c)).collect::<String>().trim().nfc().collect()
}

/// What two spellings of a name have in common.
pub fn key(name: &str) -> String {
    normal(name).chars().flat_map(char::to_lowercase).nfc().collect()
}

/// Whether two spellings are of one name.
pub fn same(a: &str, b: &str) -> bool {
    key(a) == key(b)
}

/// A text, composed, cut into words of letters and digits; a change from letters to digits parts words too (`wren3`).
#[derive(Clone, Debug)]
pub struct Words {
    text: String,
    words: Vec<(String, Range<usize>)>,
}

impl Words {
    /// Cuts a text.
    pub fn of(text: &str) -> Words {
        let text: String = text.nfc().collect();
        let mut words: Vec<(String, Range<usize>)> = Vec::new();
        let mut last = ' ';
        for (at, c) in text.char_indices() {
            let end = at + c.len_utf8();
            let within = last.is_alphanumeric() && words.last().is_some_and(|w| w.1.end == at);
            match words.last_mut() {
                // An accent that no letter is composed with belongs to the letter before it.
                Some((_, span)) if within && is_combining_mark(c) => {
                    span.end = end;
                    continue;
                }
                Some((_, span)) if within && c.is_alphanumeric() && last.is_numeric() == c.is_numeric() => {
                    span.end = end
                }
                _ if c.is_alphanumeric() => words.push((String::new(), at..end)),
                _ => {}
            }
            last = c;
        }
        for (word, span) in &mut words {
            *word = key(text.get(span.clone()).unwrap_or_default());
        }
        Words { text, words }
    }

    /// How many words there are.
    pub fn count(&self) -> usize {
        self.words.len()
    }

    /// Where these words stand in a row, as bytes of [`Words::text`]. A name without letters and digits is looked for as
    /// it is.
    pub fn find(&self, name: &Words) -> Vec<Range<usize>> {
        let n = name.words.len();
        if n == 0 {
            let sign = name.text.trim();
            return if sign.is_empty() {
                Vec::new()
            } else {
                self.text.match_indices(sign).map(|(at, s)| at..at + s.len()).collect()
            };
        }
        let row = |w: &[(String, Range<usize>)]| w.iter().zip(&name.words).all(|(a, b)| a.0 == b.0);
        let span = |w: &[(String, Range<usize>)]| Some(w.first()?.1.start..w.last()?.1.end);
        self.words.windows(n).filter(|w| row(w)).filter_map(span).collect()
    }

    /// Whether these words stand in a row somewhere.
    pub fn has(&self, name: &Words) -> bool {
        !self.find(name).is_empty()
    }

    /// The text, composed.
    pub fn text(&self) -> &str {
        &self.text
    }
}

/// Whom a text speaks of, of a list of people: where somebody's name stands and no longer name of another does.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mention {
    /// Where, as bytes of the composed text.
    pub span: Range<usize>,
    /// Places in the list: more than one where the words are the same.
    pub whom: Vec<usize>,
}

/// All mentions in a text, the longest name first where names overlap ("Sand Martin" over "Martin").
pub fn mentions(text: &Words, people: &[Words]) -> Vec<Mention> {
    let mut all: Vec<(Range<usize>, usize)> = Vec::new();
    for (k, name) in people.iter().enumerate() {
        all.extend(text.find(name).into_iter().map(|span| (span, k)));
    }
    all.sort_by_key(|(span, k)| (std::cmp::Reverse(span.len()), span.start, *k));
    let mut out: Vec<Mention> = Vec::new();
    for (span, k) in all {
        match out.iter_mut().find(|m| m.span.start < span.end && span.start < m.span.end) {
            None => out.push(Mention { span, whom: vec![k] }),
            Some(same) if same.span == span => same.whom.push(k),
            Some(_) => {}
        }
    }
    // Who is written exactly so is meant, where others have the same words ("Mia 1" and "Mia-1").
    for m in &mut out {
        let written = key(text.text().get(m.span.clone()).unwrap_or_default());
        if let Some(exact) = m.whom.iter().copied().find(|k| people.get(*k).is_some_and(|p| key(p.text()) == written)) {
            m.whom = vec![exact];
        }
    }
    out.sort_by_key(|m| m.span.start);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_name_in_every_normal_form_has_one_key() {
        for name in ["Éric", "Zoë", "Åsa", "Nguyễn", "가나", "Straße", "Ï"] {
            let forms: [String; 4] =
                [name.nfc().collect(), name.nfd().collect(), name.to_uppercase().nfd().collect(), format!(" {name}\t")];
            let wanted = if name == "Straße" { &forms[..2] } else { &forms[..] };
            assert!(wanted.iter().all(|f| same(f, name)), "{name}");
        }
        assert!(!same("Eric", "Éric"));
        // Marks that nobody sees, as they come along from a page.
        assert!(same("\u{200f}Ro\u{202e}b\u{7}", "Rob") && normal("\u{1b}\u{200e} \u{202c}").is_empty());
    }

    #[test]
    fn a_name_is_found_as_words_and_in_no_longer_word() {
        let has = |text: &str, name: &str| Words::of(text).has(&Words::of(name));
        assert!(has("takes/rob_1104.wav", "Rob") && has("E\u{301}ric.m4a", "éric") && has("wren3", "Wren"));
        assert!(has("x\u{302}y plays", "X\u{302}y"), "an accent without a composed letter");
        assert!(!has("{\"name\": 1}", "Nam") && !has("probably.webm", "Rob") && !has("Robin", "Rob"));
        assert!(!has("E\u{301}ric", "Eric") && !has("E\u{301}ric", "e") && !has("", "") && !has("a", " "));
        assert!(has("from ★★ today", "★★"));
    }

    #[test]
    fn the_longest_name_is_meant_and_same_words_stay_in_doubt() {
        let people: Vec<Words> = ["Martin", "Sand Martin", "Mia 1", "Mia-1"].map(Words::of).into();
        let whom = |text: &str| mentions(&Words::of(text), &people).into_iter().map(|m| m.whom).collect::<Vec<_>>();
        assert_eq!(whom("Sand Martin and martin"), [vec![1], vec![0]]);
        assert_eq!(whom("mia_1.wav"), [vec![2, 3]]);
        assert_eq!(whom("mia-1.wav, MIA 1.wav"), [vec![3], vec![2]]);
        assert_eq!(whom("nobody"), Vec::<Vec<usize>>::new());
    }
}
