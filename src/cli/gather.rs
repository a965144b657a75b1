//! `pailbeat book gather`: recordings into the book, and in words what became of them.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::Outcome;
use super::files::{print, tell};
use crate::book::gather::{Outcome as Gathered, Rules};
use crate::book::{Book, BookError, sources};
use crate::english::counted;
use crate::files::Shown as _;
use crate::report::shown;

/// A bar with the time left.
pub(super) fn bar(all: usize) -> ProgressBar {
    let bar = ProgressBar::with_draw_target(Some(all as u64), ProgressDrawTarget::stderr());
    if let Ok(style) = ProgressStyle::with_template("{pos} of {len}  {wide_bar}  {eta} left") {
        bar.set_style(style);
    }
    bar
}

/// Gathers and says what came of it. `rules`: a file; without one `rules.toml` in the folder of the book.
pub(super) fn run(book: &Book, places: &[PathBuf], rules: Option<&Path>) -> Result<Outcome> {
    let rules = match rules {
        Some(path) => {
            let text = crate::files::read_text(path).with_context(|| format!("cannot read `{}`", path.shown()))?;
            Rules::parse(&text)?
        }
        None => Rules::in_folder(book.folder())?,
    };
    let spool = sources::Spool::new(&book.folder().join("sound"));
    let (items, unreadable) = sources::collect(places, &spool);
    if places.is_empty() && book.waiting()?.is_empty() {
        return Err(BookError::Refused {
            what: "nothing waits, and no place to gather from is given".into(),
            hint: "name a folder, a zip file, a mailbox or recordings: `pailbeat book gather FOLDER`".into(),
        }
        .into());
    }
    let bar = bar(items.len());
    let mut counts = [0usize; 8];
    let mut failed = Vec::new();
    let mut asked = BTreeSet::new();
    let mut whose = BTreeMap::new();
    let mut drilled = BTreeMap::new();
    let result = book.gather(&items, rules, &spool, |number, item, outcome| {
        // What waits from earlier comes after the list.
        if number >= items.len() {
            bar.inc_length(1);
        }
        let k = match outcome {
            Gathered::Added { .. } => 0,
            Gathered::Known => 1,
            Gathered::Copy(_) => 2,
            Gathered::Doubtful(..) => 3,
            Gathered::Bad(_) => 4,
            Gathered::Practice(_) => 5,
            Gathered::Drill { .. } => 6,
            Gathered::NoTake(_) => 7,
        };
        counts[k] += 1;
        match outcome {
            Gathered::Added { pupil, .. } => *whose.entry(shown(pupil)).or_insert(0usize) += 1,
            Gathered::Drill { pupil, .. } => *drilled.entry(shown(pupil)).or_insert(0usize) += 1,
            _ => {}
        }
        if let Gathered::Doubtful(waiting, _) = outcome {
            // The same bytes under two names wait once.
            asked.insert(*waiting);
        }
        if !matches!(outcome, Gathered::Added { .. } | Gathered::Drill { .. } | Gathered::Known) {
            failed.push(format!("{}: {}", shown(&item.place), outcome.words()));
        }
        bar.inc(1);
    });
    bar.finish_and_clear();
    for line in failed {
        tell(&line);
    }
    for bad in &unreadable {
        tell(&format!("{}: {}", shown(&bad.place), shown(&bad.why)));
    }
    let [added, known, copies, _, bad, practice, drills, others] = counts;
    let (doubtful, bad) = (asked.len(), bad + unreadable.len());
    let mut out = format!(
        "{}, {known} known already, {}, {doubtful} for you to settle, {bad} not usable.\n",
        counted(added, "new take"),
        if copies == 1 { "1 copy".into() } else { format!("{copies} copies") }
    );
    let names = |of: &BTreeMap<String, usize>| -> String {
        let named = |(p, n): (&String, &usize)| if *n == 1 { p.clone() } else { format!("{p} ({n})") };
        of.iter().map(named).collect::<Vec<_>>().join(", ")
    };
    if !whose.is_empty() {
        out.push_str(&format!("From {}.\n", names(&whose)));
    }
    if drills > 0 {
        out.push_str(&format!("{} kept, from {}.\n", counted(drills, "echo drill"), names(&drilled)));
    }
    if others > 0 {
        let files = counted(others, "file");
        out.push_str(&format!("{files} with a sound check or nothing but the calls of a drill passed over.\n"));
    }
    if practice > 0 {
        out.push_str(&format!("{} left out.\n", counted(practice, "recording of practice")));
    }
    if doubtful > 0 {
        out.push_str("`pailbeat book waiting` shows what to settle.\n");
    }
    if result.is_err() {
        // What is in the book stays there, whatever stopped the rest.
        out.insert_str(0, "Before it stopped: ");
    }
    print(&out)?;
    result?;
    Ok(if bad > 0 { Outcome::SomeFailed } else { Outcome::Done })
}
