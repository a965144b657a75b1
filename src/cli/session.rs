//! What every command that records shares: where a recording may go, what ends it, what is said of its devices.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::{Context, Result, anyhow, bail};
use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};

use crate::audio::DeviceError;
use crate::files::Shown as _;
use crate::units::Seconds;

/// Recorded on after the guide's last sample, for delays of loudspeaker and microphone.
pub(super) const AFTER: Seconds = Seconds::from_millis(1000.0);

/// An error of a device with its way out.
pub(super) fn device(error: DeviceError) -> anyhow::Error {
    let hint = error.hint();
    anyhow!("{:#}\nhint: {hint}", anyhow::Error::from(error))
}
/// Where the card of a recording of a drill stands.
pub(super) fn drill_card(recording: &Path) -> PathBuf {
    recording.with_extension("drill.json")
}

/// The next free name of this stem for a recording.
pub(super) fn free_name(folder: &Path, stem: &str) -> PathBuf {
    let mut names = (1_u32..).map(|n| folder.join(format!("{stem}-{n}.wav")));
    names.find(|path| is_free(path)).unwrap_or_else(|| folder.into())
}

/// Whether neither a recording nor the card of one stands there.
fn is_free(path: &Path) -> bool {
    [path.to_owned(), crate::take::beside(path), drill_card(path)].iter().all(|p| std::fs::symlink_metadata(p).is_err())
}

/// Where a recording goes: as asked, or under the next free name for what is played and by whom. `what`: what is recorded.
pub(super) fn place(asked: Option<&Path>, what: &str, played: &Path, pupil: Option<&str>) -> Result<PathBuf> {
    let path = match asked {
        Some(path) if !path.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) => {
            bail!("`{}` is no name for a {what}: it is recorded as a wav file, so let it end in `.wav`", path.shown())
        }
        Some(path) => path.to_owned(),
        None => {
            let stem = played.file_stem().map_or_else(|| what.into(), |s| s.to_string_lossy().into_owned());
            let who = pupil.map_or_else(String::new, |p| format!("-{}", crate::files::file_name(p)));
            free_name(Path::new("takes"), &format!("{stem}{who}"))
        }
    };
    if !is_free(&path) {
        bail!(
            "`{}` or a card beside it is there already\nhint: a {what} is never recorded over; give another name with `--out`",
            path.shown()
        );
    }
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        crate::files::folder(folder).with_context(|| format!("cannot make the folder `{}`", folder.shown()))?;
    }
    Ok(path)
}

/// Keys are read one by one while this lives.
pub(super) struct Keys(bool);

impl Keys {
    pub(super) fn new() -> Keys {
        Keys(std::io::stdin().is_terminal() && crossterm::terminal::enable_raw_mode().is_ok())
    }

    /// Whether the take is to end.
    pub(super) fn stop(&self, wait: Duration) -> bool {
        if !self.0 {
            std::thread::sleep(wait);
            return false;
        }
        if !crossterm::event::poll(wait).unwrap_or(false) {
            return false;
        }
        match crossterm::event::read() {
            Ok(Event::Key(key)) if key.kind == KeyEventKind::Press => match key.code {
                KeyCode::Enter | KeyCode::Esc | KeyCode::Char('q') => true,
                KeyCode::Char('c') => key.modifiers.contains(KeyModifiers::CONTROL),
                _ => false,
            },
            _ => false,
        }
    }
}

impl Drop for Keys {
    fn drop(&mut self) {
        if self.0 {
            // Where the terminal is gone there is nothing to put right.
            let _ = crossterm::terminal::disable_raw_mode();
        }
    }
}

/// Set by the signals that ask a program to end.
pub(super) fn asked_to_end() -> Arc<AtomicBool> {
    let flag = Arc::new(AtomicBool::new(false));
    let set = Arc::clone(&flag);
    // Where no handler can be set the signal ends the program, and the take is kept all the same.
    let _ = ctrlc::set_handler(move || set.store(true, Ordering::Relaxed));
    flag
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_next_take_has_the_next_free_name() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("rain-1.wav"), b"").unwrap();
        assert_eq!(free_name(folder.path(), "rain"), folder.path().join("rain-2.wav"));
    }
}
