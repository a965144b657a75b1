//! Work that takes longer than a second is seen to go on.

use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// What is done sooner needs no sign of it (common practice).
const FROM: Duration = Duration::from_secs(1);
/// How often the sign changes.
const TICK: Duration = Duration::from_millis(120);

/// Does some work; from the first second on a line on the terminal says on what, and how long it has been going on.
pub(super) fn shown<T>(what: &str, work: impl FnOnce() -> T) -> T {
    // A name may hold anything, and a terminal does what it is told.
    let what: String = what.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let (done, wait) = channel::<()>();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            if wait.recv_timeout(FROM) == Err(RecvTimeoutError::Timeout) {
                let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
                if let Ok(style) = ProgressStyle::with_template("{spinner} {msg}  {elapsed}") {
                    bar.set_style(style);
                }
                bar.set_message(what);
                bar.enable_steady_tick(TICK);
                // Nothing is ever sent: this ends when the work does.
                let _ = wait.recv();
                bar.finish_and_clear();
            }
        });
        let out = work();
        drop(done);
        out
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_gives_what_it_gives_soon_and_late() {
        assert_eq!(shown("soon.wav", || 7), 7);
        let late = || {
            std::thread::sleep(FROM + TICK);
            8
        };
        assert_eq!(shown("late.wav", late), 8);
    }
}
