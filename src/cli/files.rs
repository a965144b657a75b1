//! Printing without losing anything, without falling over, and without giving a terminal orders.

use std::io::{ErrorKind, Write};

use anyhow::{Context, Result, anyhow};

use crate::files::{FileError, is_unsafe};

/// A terminal obeys control characters, wherever they come from: none but those that end a line or set a column off
/// reaches it.
fn harmless(text: &str) -> String {
    text.chars().map(|c| if is_unsafe(c) && !matches!(c, '\n' | '\t') { '\u{fffd}' } else { c }).collect()
}

/// The same of JSON, in which such a character stands in a string and can be written as a number.
fn harmless_json(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if is_unsafe(c) && c != '\n' { out.push_str(&format!("\\u{:04x}", c as u32)) } else { out.push(c) }
    }
    out
}

fn put(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        // A reader that has seen enough (`| head`) is no error.
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other.context("cannot print"),
    }
}

/// Prints words and tables.
pub(super) fn print(text: &str) -> Result<()> {
    put(&harmless(text))
}

/// Prints JSON.
pub(super) fn print_json(text: &str) -> Result<()> {
    put(&harmless_json(text))
}

/// A message beside the data. Where even that fails there is nobody to tell.
pub(super) fn tell(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{}", harmless(text));
}

/// An error with its causes, and the way out where there is one.
pub(super) fn complain(error: &anyhow::Error, hint: Option<&str>) {
    tell(&format!("error: {error:#}"));
    if let Some(hint) = hint {
        tell(&format!("hint: {hint}"));
    }
}

/// A file that was or was not written, with the way out.
pub(super) fn kept<T>(written: Result<T, FileError>) -> Result<T> {
    written.map_err(|error| {
        let hint = error.hint();
        anyhow!("{:#}\nhint: {hint}", anyhow::Error::from(error))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_control_character_is_printed_and_json_keeps_its_meaning() {
        let text = "a\u{1b}[2J\u{9b}31m\u{7f}\r\u{202e}b\n\tZoë";
        let safe = |s: &str| s.chars().all(|c| !is_unsafe(c) || matches!(c, '\n' | '\t'));
        assert!(safe(&harmless(text)) && harmless(text).ends_with("b\n\tZoë"));
        let json = serde_json::json!({ "take": text }).to_string();
        assert!(safe(&harmless_json(&json)));
        assert_eq!(serde_json::from_str::<serde_json::Value>(&harmless_json(&json)).unwrap()["take"], text);
    }
}
