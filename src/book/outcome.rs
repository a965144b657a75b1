//! What became of a recording that was gathered or settled, and how that is said.

use crate::report::shown;

/// What became of a recording.
#[derive(Clone, Debug, PartialEq)]
#[non_exhaustive]
pub enum Outcome {
    /// Now in the book.
    Added {
        /// Row of the take.
        take: i64,
        /// Whose.
        pupil: String,
        /// Title of the part.
        part: String,
    },
    /// In the book already, from these bytes.
    Known,
    /// In the book already, from another file: its name.
    Copy(String),
    /// Practice of a stretch, by its card: which. It is not kept.
    Practice(String),
    /// A drill, now in the book.
    Drill {
        /// Whose.
        pupil: String,
        /// Its title.
        title: String,
        /// Rounds that were right.
        right: usize,
        /// Rounds counted.
        rounds: usize,
    },
    /// No take and no drill: what it is. It is not kept.
    NoTake(&'static str),
    /// On the list for the teacher: its number, and why.
    Doubtful(i64, String),
    /// Could not be used, and why.
    Bad(String),
}

impl Outcome {
    /// In words, for a line of its own.
    pub fn words(&self) -> String {
        match self {
            Outcome::Added { take, pupil, part } => format!("take {take}: {}, {}", shown(pupil), shown(part)),
            Outcome::Known => "in the book already".into(),
            Outcome::Copy(file) => format!("the same sound as {}", shown(file)),
            Outcome::Doubtful(number, why) => format!("waits for you as number {number}: {}", shown(why)),
            Outcome::Bad(why) => shown(why),
            Outcome::Drill { pupil, title, right, rounds } => {
                format!("{}, drill {}: {right} of {rounds} rounds right", shown(pupil), shown(title))
            }
            Outcome::NoTake(what) => format!("{what}; passed over"),
            Outcome::Practice(what) => format!("practice of {}, no take of the whole; left out", shown(what)),
        }
    }
}
