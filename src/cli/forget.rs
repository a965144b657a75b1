//! `pailbeat book forget`: what will go, a question, and what went.

use std::io::IsTerminal as _;

use anyhow::{Context, Result};

use super::Outcome;
use super::files::{print, tell};
use crate::book::forget::Forgetting;
use crate::book::{Book, BookError, now};
use crate::english::counted;
use crate::files::Shown as _;
use crate::report::shown;

/// So many lines of a list are shown.
const SHOWN: usize = 20;

fn list(out: &mut String, head: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    out.push_str(&format!("{head}\n"));
    for line in lines.iter().take(SHOWN) {
        out.push_str(&format!("  {line}\n"));
    }
    if lines.len() > SHOWN {
        out.push_str(&format!("  and {} more\n", lines.len() - SHOWN));
    }
}

/// What forgetting a pupil would do, in words.
fn would_go(plan: &Forgetting) -> String {
    let (sounds, own, others) = plan.counts();
    let mut out = format!(
        "Forgetting {} removes {}, {}, {}, {}, {} of sound, {}.\n",
        shown(&plan.pupil.nickname),
        counted(plan.takes, "take"),
        counted(plan.drills, "drill"),
        counted(plan.waiting.len(), "waiting recording"),
        counted(plan.words, "word"),
        counted(sounds, "file"),
        counted(own, "page"),
    );
    let waiting: Vec<String> = plan.waiting.iter().map(|(n, file)| format!("number {n}: {}", shown(file))).collect();
    list(&mut out, "Waiting recordings that are theirs:", &waiting);
    let texts: Vec<String> = plan
        .texts
        .iter()
        .map(|t| format!("{}: `{}` becomes `{}`", t.what, shown(&t.before), shown(&t.after)))
        .collect();
    list(&mut out, "The name is taken out of what belongs to others:", &texts);
    if others > 0 {
        out.push_str(&format!("{} of others that name them will be made anew.\n", counted(others, "page")));
    }
    let doubtful: Vec<String> = plan.doubtful.iter().map(|d| shown(d)).collect();
    list(&mut out, "It cannot be told whether these are theirs, so they stay; see to them yourself:", &doubtful);
    let beside: Vec<String> = plan.beside.iter().map(|p| p.shown().to_string()).collect();
    list(&mut out, "These files are not the book's and name them; they stay:", &beside);
    out
}

/// Shows what will go, asks, and forgets.
pub(super) fn run(book: &Book, nickname: &str, yes: bool) -> Result<Outcome> {
    let plan = book.forgetting(nickname)?;
    print(&would_go(&plan))?;
    if !yes {
        if !std::io::stdin().is_terminal() {
            return Err(BookError::Refused {
                what: "nothing was forgotten: there is nobody to ask".into(),
                hint: "add `--yes` where it is meant".into(),
            }
            .into());
        }
        tell(&format!(
            "Write `{}` to forget them for good; anything else changes nothing:",
            shown(&plan.pupil.nickname)
        ));
        let mut answer = String::new();
        std::io::stdin().read_line(&mut answer).context("cannot read the answer")?;
        if !crate::names::same(&answer, &plan.pupil.nickname) {
            print("Nothing was changed.\n")?;
            return Ok(Outcome::Done);
        }
    }
    let gone = book.forget(&plan, now())?;
    print(&format!(
        "Forgotten: {}, {}, {} of sound, {}; {} of others without the name now, {} made anew.\nBackups, exports and \
         recordings outside the book are yours to remove; the next `pailbeat book gather` would find these again.\n",
        counted(gone.takes, "take"),
        counted(gone.drills, "drill"),
        counted(gone.sounds, "file"),
        counted(gone.pages, "page"),
        counted(gone.texts, "text"),
        counted(gone.anew, "page"),
    ))?;
    Ok(Outcome::Done)
}
