//! Paths in messages: what a terminal would obey is not shown to it.

use std::fmt::{Display, Formatter, Result, Write as _};
use std::path::{Path, PathBuf};

use super::is_unsafe;

/// A path or name as it can be printed: one line, without control characters.
pub struct Harmless<'a>(std::borrow::Cow<'a, str>);

impl Display for Harmless<'_> {
    fn fmt(&self, out: &mut Formatter) -> Result {
        self.0.chars().try_for_each(|c| out.write_char(if is_unsafe(c) { '\u{fffd}' } else { c }))
    }
}

/// Shows a path as it can be printed; in place of `display`, which prints whatever is in it.
pub trait Shown {
    /// One line, without control characters.
    fn shown(&self) -> Harmless<'_>;
}

impl Shown for Path {
    fn shown(&self) -> Harmless<'_> {
        Harmless(self.to_string_lossy())
    }
}

impl Shown for PathBuf {
    fn shown(&self) -> Harmless<'_> {
        self.as_path().shown()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_in_a_path_reaches_the_terminal_as_an_order() {
        let path = Path::new("a\u{1b}[2J\nb\u{9b}\u{202e}/Zoë 🐦.wav");
        assert_eq!(path.shown().to_string(), "a\u{fffd}[2J\u{fffd}b\u{fffd}\u{fffd}/Zoë 🐦.wav");
    }
}
