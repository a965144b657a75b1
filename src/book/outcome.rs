//! What became of a recording that was gathered or settled.

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
