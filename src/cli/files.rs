//! Printing and writing without losing anything and without falling over.

use std::io::{ErrorKind, Write};
use std::path::Path;

use anyhow::{Context, Result};

/// Prints data. A reader that has seen enough (`| head`) is no error.
pub(super) fn print(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other.context("cannot print"),
    }
}

/// A message beside the data. Where even that fails there is nobody to tell.
pub(super) fn tell(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}

/// `1 pupil`, `2 pupils`.
pub(super) fn counted(n: usize, one: &str) -> String {
    format!("{n} {one}{}", if n == 1 { "" } else { "s" })
}

/// An error with its causes, and the way out where there is one.
pub(super) fn complain(error: &anyhow::Error, hint: Option<&str>) {
    tell(&format!("error: {error:#}"));
    if let Some(hint) = hint {
        tell(&format!("hint: {hint}"));
    }
}

/// Writes a file whole or not at all: beside its place first, then moved there.
pub(super) fn write(path: &Path, bytes: &[u8]) -> Result<()> {
    let mut beside = path.as_os_str().to_owned();
    beside.push(".part");
    let beside = Path::new(&beside);
    let written = std::fs::File::create(beside)
        .and_then(|mut file| file.write_all(bytes).and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::rename(beside, path));
    if written.is_err() {
        // What is left of a failed attempt is of no use; failing to remove it changes nothing.
        let _ = std::fs::remove_file(beside);
    }
    written.with_context(|| format!("cannot write `{}`", path.display()))
}
