//! Whose a waiting recording may be, where nothing names exactly one pupil: guesses for the teacher, never taken by themselves.

use super::{Book, BookError, Waiting};
use crate::names::key;

/// Guesses that are shown.
const MOST: usize = 3;
/// A name is taken for another within this share of its letters: one slip in a name of four to seven letters, two in a longer
/// one. Names of up to three letters are only taken as they are.
const LETTERS_A_SLIP: usize = 4;

/// Whose it may be, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Guess {
    /// The nickname.
    pub pupil: String,
    /// What speaks for it: `the file is called “wrem 2”`.
    pub why: String,
}

impl Book {
    /// Whose a waiting recording may be, likeliest first.
    ///
    /// # Errors
    /// If the book cannot be read.
    pub fn guesses(&self, waiting: &Waiting) -> Result<Vec<Guess>, BookError> {
        let mut found: Vec<(usize, Guess)> = Vec::new();
        let file = waiting.file.rsplit(['/', '\\']).next().unwrap_or(&waiting.file);
        let file = file.rsplit_once('.').map_or(file, |f| f.0);
        let from = waiting.sender.split('@').next().unwrap_or_default();
        let places = [("the file is called", file), ("the subject is", &waiting.subject), ("it came from", from)];
        for pupil in self.pupils(None)? {
            let name = key(&pupil.nickname);
            let slips = places.iter().filter_map(|(what, text)| {
                let near = words(text).map(|word| slips(&name, &word)).min()?;
                (near * LETTERS_A_SLIP <= name.chars().count()).then(|| (near, format!("{what} “{text}”")))
            });
            if let Some((near, why)) = slips.min_by_key(|(near, _)| *near) {
                found.push((near, Guess { pupil: pupil.nickname, why }));
            }
        }
        found.sort_by_key(|(near, _)| *near);
        Ok(found.into_iter().take(MOST).map(|(_, guess)| guess).collect())
    }
}

/// The words of a text as names are compared.
fn words(text: &str) -> impl Iterator<Item = String> {
    text.split(|c: char| !c.is_alphabetic()).filter(|word| word.chars().count() > 1).map(key)
}

fn slips(name: &str, word: &str) -> usize {
    strsim::damerau_levenshtein(name, word)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Seconds;

    #[test]
    fn a_name_with_a_slip_is_guessed_and_two_names_are_both() {
        let book = Book::in_memory().unwrap();
        book.enrol([("3b", "Wren"), ("3b", "Heron"), ("3b", "Robin"), ("3b", "Jay")]).unwrap();
        let check = |file: &str, subject: &str| -> Vec<String> {
            let waiting = Waiting {
                number: 1,
                file: file.into(),
                why: "whose is it?".into(),
                pupil: None,
                sender: "family@example.org".into(),
                subject: subject.into(),
                taken_s: 5,
                length: Some(Seconds::of(40.0)),
                sound: "x.wav".into(),
            };
            book.guesses(&waiting).unwrap().into_iter().map(|g| g.pupil).collect()
        };
        assert_eq!(check("inbox/heorn a b.m4a", ""), ["Heron"]);
        assert_eq!(check("take.m4a", "Wren and Robin"), ["Robin", "Wren"]);
        assert_eq!(check("jae.m4a", "homework"), [""; 0]);
    }
}
