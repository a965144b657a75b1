//! `pailbeat book`: the class book.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow};
use clap::{Args, Subcommand};

use super::Outcome;
use super::files::{self, print, tell};
use super::forget;
use super::gather::{self, bar};
use crate::book::{Answer, Book, BookError, Correction, CorrectionKind, NewAssignment, Waiting, now};
use crate::english::counted;
use crate::files::Shown as _;
use crate::part::Surface;
use crate::report::shown;
use crate::units::Bpm;

#[derive(Args)]
pub(super) struct BookArgs {
    /// The folder that holds the class book
    #[arg(long, value_name = "FOLDER", default_value = ".", global = true)]
    book: PathBuf,
    #[command(subcommand)]
    command: BookCommand,
}

#[derive(Subcommand)]
enum BookCommand {
    /// Make a class book in a folder
    New {
        /// The folder
        #[arg(default_value = ".")]
        folder: PathBuf,
    },
    /// Show classes, pupils and assignments
    Show,
    /// Enrol pupils from a CSV table with the columns `class` and `nickname`
    Roster {
        /// The table
        table: PathBuf,
        /// The class of all of them, where the table has no such column
        #[arg(long)]
        class: Option<String>,
    },
    /// Give a class a part to play
    Assign {
        /// The part file
        part: PathBuf,
        /// The class
        #[arg(long)]
        class: String,
        /// The sections in order [default: the part's form]
        #[arg(long, value_name = "SECTIONS")]
        form: Option<String>,
        /// The tempo [default: where the part's range starts]
        #[arg(long, value_name = "N")]
        bpm: Option<f64>,
        /// Since when, as 2026-11-12 [default: now]
        #[arg(long, value_name = "DAY")]
        from: Option<String>,
        /// By when, as 2026-11-19
        #[arg(long, value_name = "DAY")]
        by: Option<String>,
    },
    /// Take recordings into the book: folders, zip files, mailboxes, single files; what waits is looked at anew
    Gather {
        /// Where they are; with none, only what waits is looked at
        places: Vec<PathBuf>,
        /// A file of rules [default: `rules.toml` in the book's folder, where there is one]
        #[arg(long, value_name = "FILE")]
        rules: Option<PathBuf>,
    },
    /// List the recordings that wait for you to say whose or what they are
    Waiting,
    /// Say whose or what a waiting recording is
    Settle {
        /// Its number on the list
        number: i64,
        /// Whose it is
        #[arg(long, value_name = "NICKNAME")]
        pupil: Option<String>,
        /// Which part it is
        #[arg(long, value_name = "TITLE")]
        part: Option<String>,
        /// For which assignment of the part it is, by its sections in order
        #[arg(long, value_name = "SECTIONS")]
        form: Option<String>,
        /// What comes from the same sender or folder is theirs from now on
        #[arg(long)]
        always: bool,
        /// It does not belong in the book
        #[arg(long, conflicts_with_all = ["pupil", "part", "form", "always"])]
        away: bool,
    },
    /// Write the class page
    Class {
        /// The class
        name: String,
    },
    /// Write a pupil's page, and the same in a child's words
    Pupil {
        /// The nickname
        #[arg(required_unless_present = "all")]
        nickname: Option<String>,
        /// The pages of all pupils
        #[arg(long, conflicts_with = "nickname")]
        all: bool,
        /// Only of this class
        #[arg(long, value_name = "NAME", requires = "all")]
        class: Option<String>,
    },
    /// List the takes of a pupil with their numbers and findings
    Takes {
        /// The nickname
        nickname: String,
    },
    /// Set the ear right in a take: what you say wins, now and after every new hearing
    Correct(CorrectArgs),
    /// Keep a word for a pupil; it stands on their page
    Word {
        /// The nickname
        nickname: String,
        /// The word
        text: String,
    },
    /// Remove a pupil and everything of theirs; shows what will go, and asks
    Forget {
        /// The nickname
        nickname: String,
        /// Do not ask
        #[arg(long)]
        yes: bool,
    },
    /// Remove sound that was kept long enough, and what was left over
    Tidy {
        /// From now on keep the sound of a take for so many days; 0 keeps none
        #[arg(long, value_name = "DAYS")]
        keep: Option<u32>,
    },
    /// Copy the book to a file, while it is in use too
    Backup {
        /// The new file
        file: PathBuf,
    },
    /// Write everything as CSV and JSON into a new folder
    Export {
        /// The folder
        folder: PathBuf,
    },
    /// Hear all kept takes again with this program's ear and say what changed
    Reassess,
}

#[derive(Args)]
struct CorrectArgs {
    /// The number of the take
    take: i64,
    /// Take something back that was set right in this take, by its number as `book takes` shows it
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["fine", "heard", "whose"])]
    undo: Option<i64>,
    /// There is no fault here
    #[arg(long, conflicts_with_all = ["heard", "whose"])]
    fine: bool,
    /// It was this surface: centre, rim, click, pat or clap
    #[arg(long, value_name = "SURFACE", value_parser = Surface::named, conflicts_with = "whose")]
    heard: Option<Surface>,
    /// It is this pupil's take
    #[arg(long, value_name = "NICKNAME")]
    whose: Option<String>,
    /// Only this kind of finding, as `rest-not-kept`
    #[arg(long, value_name = "KIND")]
    finding: Option<String>,
    /// The section
    #[arg(long)]
    section: Option<String>,
    /// Which time the section comes
    #[arg(long)]
    pass: Option<u32>,
    /// The bar in the section
    #[arg(long)]
    bar: Option<u32>,
    /// The beat in the bar
    #[arg(long)]
    beat: Option<f64>,
    /// Who says so
    #[arg(long, default_value = "teacher")]
    who: String,
    /// Why
    #[arg(long, default_value = "")]
    note: String,
}

/// Runs one of the book's commands. Its own errors are told here with their way out.
pub(super) fn run(args: &BookArgs) -> Result<Outcome> {
    match command(args) {
        Err(error) => match error.downcast::<BookError>() {
            Ok(own) => {
                let hint = own.hint();
                files::complain(&anyhow::Error::from(own), Some(&hint));
                Ok(Outcome::NotStarted)
            }
            Err(other) => Err(other),
        },
        done => done,
    }
}

/// Opens the book of a folder; who has to wait for another program is told for which.
pub(super) fn open(folder: &Path, what: &str) -> Result<Book, BookError> {
    Book::open_as(folder, what, |holder| {
        let what = if holder.what.is_empty() { "another program" } else { &holder.what };
        let since = match holder.since_s {
            0 => String::new(),
            at => format!(" since {}", clock_of(at)),
        };
        let process = if holder.process == 0 { String::new() } else { format!(" (process {})", holder.process) };
        tell(&format!("note: waiting: `{what}`{process} has the class book{since}"));
    })
}

impl BookCommand {
    /// What others who wait are told.
    fn name(&self) -> &'static str {
        match self {
            BookCommand::New { .. } => "pailbeat book new",
            BookCommand::Show => "pailbeat book show",
            BookCommand::Roster { .. } => "pailbeat book roster",
            BookCommand::Assign { .. } => "pailbeat book assign",
            BookCommand::Gather { .. } => "pailbeat book gather",
            BookCommand::Waiting => "pailbeat book waiting",
            BookCommand::Settle { .. } => "pailbeat book settle",
            BookCommand::Class { .. } => "pailbeat book class",
            BookCommand::Pupil { .. } => "pailbeat book pupil",
            BookCommand::Takes { .. } => "pailbeat book takes",
            BookCommand::Correct(_) => "pailbeat book correct",
            BookCommand::Word { .. } => "pailbeat book word",
            BookCommand::Forget { .. } => "pailbeat book forget",
            BookCommand::Tidy { .. } => "pailbeat book tidy",
            BookCommand::Backup { .. } => "pailbeat book backup",
            BookCommand::Export { .. } => "pailbeat book export",
            BookCommand::Reassess => "pailbeat book reassess",
        }
    }
}

fn command(args: &BookArgs) -> Result<Outcome> {
    let open = || open(&args.book, args.command.name());
    match &args.command {
        BookCommand::New { folder } => {
            let folder = if args.book == Path::new(".") { folder } else { &args.book };
            Book::create(folder)?;
            print(&format!(
                "The class book is {}.\nNext: `pailbeat book roster FILE.csv --book {2}`, a table with the columns class and \
                 nickname.\nSound is kept for {1} days; `pailbeat book tidy --keep DAYS` changes that.\n",
                folder.join(crate::book::FILE).shown(),
                Book::open(folder)?.keep_sound_days()?,
                folder.shown()
            ))?;
        }
        BookCommand::Show => show(&open()?)?,
        BookCommand::Roster { table, class } => {
            let text = crate::files::read(table).with_context(|| format!("cannot read `{}`", table.shown()))?;
            let book = open()?;
            let fresh = book.enrol_csv(&text, class.as_deref())?;
            print(&format!(
                "{fresh} new, {} in all.\n{}",
                counted(book.pupils(None)?.len(), "pupil"),
                look_again(&book)?
            ))?;
        }
        BookCommand::Assign { part, class, form, bpm, from, by } => {
            // Reading it the usual way points at every mistake.
            let text = super::found::PartText::named(part)?;
            super::part::parsed(&text)?;
            let bpm = bpm.map(|n| Bpm::new(n).ok_or_else(|| anyhow!("`--bpm {n}` is no tempo"))).transpose()?;
            let new = NewAssignment {
                class,
                part_text: &text.text,
                form: form.as_deref(),
                bpm,
                given_s: from.as_deref().map(day).transpose()?.unwrap_or_else(now),
                due_s: by.as_deref().map(day).transpose()?,
            };
            let book = open()?;
            let id = book.assign(&new)?;
            let given = book.assignments(book.class(class)?)?.into_iter().find(|a| a.id == id);
            let what =
                given.map_or(String::new(), |a| format!("{}, {} at {:.0}", shown(&a.title), a.form, a.bpm.get()));
            print(&format!("{} has {what}.\n{}", shown(class), look_again(&book)?))?;
        }
        BookCommand::Gather { places, rules } => return gather::run(&open()?, places, rules.as_deref()),
        BookCommand::Waiting => waiting(&open()?)?,
        BookCommand::Settle { number, pupil, part, form, always, away } => {
            let book = open()?;
            if *away {
                book.set_aside(*number)?;
                print("Set aside: you will not be asked about it again.\n")?;
            } else {
                let (pupil, part, form) = (pupil.as_deref(), part.as_deref(), form.as_deref());
                let outcome = book.settle(*number, Answer { pupil, part, form, always: *always })?;
                print(&format!("{}.\n", outcome.words()))?;
            }
        }
        BookCommand::Class { name } => {
            let page = open()?.write_class_page(name, now())?;
            print(&format!("{}\n", page.path.shown()))?;
            if let Some(pair) = page.pair {
                print(&format!("{}: two patterns side by side, for `pailbeat drill make`\n", pair.shown()))?;
            }
        }
        BookCommand::Pupil { nickname, class, .. } => {
            let book = open()?;
            let pupils = match (nickname, class) {
                (Some(nickname), _) => vec![book.pupil(nickname)?],
                (None, Some(class)) => book.pupils(Some(book.class(class)?))?,
                (None, None) => book.pupils(None)?,
            };
            for pupil in &pupils {
                for path in book.write_pupil_pages(&pupil.nickname, now())? {
                    print(&format!("{}\n", path.shown()))?;
                }
            }
        }
        BookCommand::Takes { nickname } => takes(&open()?, nickname)?,
        BookCommand::Correct(correct) => set_right(&open()?, correct)?,
        BookCommand::Word { nickname, text } => {
            open()?.say(nickname, text, now())?;
            print("Kept.\n")?;
        }
        BookCommand::Forget { nickname, yes } => return forget::run(&open()?, nickname, *yes),
        BookCommand::Tidy { keep } => {
            let book = open()?;
            if let Some(days) = keep {
                book.set_keep_sound_days(*days)?;
            }
            let gone = book.tidy(now())?;
            let days = book.keep_sound_days()?;
            let kept = if days == 0 {
                "none is kept".into()
            } else {
                format!("it is kept for {}", counted(days as usize, "day"))
            };
            print(&format!("{} of sound removed; {kept}.\n", counted(gone, "file")))?;
        }
        BookCommand::Backup { file } => {
            open()?.backup(file)?;
            print(&format!("The book is copied to {}.\n", file.shown()))?;
        }
        BookCommand::Export { folder } => {
            let written = open()?.export(folder)?;
            print(&format!("{} written to {}.\n", counted(written.len(), "file"), folder.shown()))?;
        }
        BookCommand::Reassess => return reassess(&open()?),
    }
    Ok(Outcome::Done)
}

/// The beginning of a day.
fn day(text: &str) -> Result<i64> {
    let wrong = || anyhow!("`{text}` is no day: write it as 2026-11-12");
    let date: jiff::civil::Date = text.parse().map_err(|_| wrong())?;
    let at = date.to_zoned_datetime(jiff::tz::TimeZone::system()).map_err(|_| wrong())?;
    Ok(at.timestamp().as_second())
}

/// A day as it is printed.
fn day_of(at_s: i64) -> String {
    let at = jiff::Timestamp::from_second(at_s);
    at.map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%-d %B %Y").to_string()).unwrap_or_default()
}

/// A time of day as it is printed.
fn clock_of(at_s: i64) -> String {
    let at = jiff::Timestamp::from_second(at_s);
    at.map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%H:%M").to_string()).unwrap_or_default()
}

fn show(book: &Book) -> Result<()> {
    let mut out = String::new();
    for class in book.classes()? {
        let id = book.class(&class)?;
        let names: Vec<String> = book.pupils(Some(id))?.iter().map(|p| shown(&p.nickname)).collect();
        out.push_str(&format!("{}: {}\n", shown(&class), names.join(", ")));
        for a in book.assignments(id)? {
            let by = a.due_s.map_or(String::new(), |due| format!(", by {}", day_of(due)));
            out.push_str(&format!(
                "  {}, {} at {:.0}, since {}{by}\n",
                shown(&a.title),
                a.form,
                a.bpm.get(),
                day_of(a.given_s)
            ));
        }
    }
    if out.is_empty() {
        out.push_str("The book is empty. `pailbeat book roster FILE.csv` enrols pupils.\n");
    }
    out.push_str(&match book.waiting()?.len() {
        0 => String::new(),
        1 => "1 recording waits for you: `pailbeat book waiting`\n".into(),
        n => format!("{n} recordings wait for you: `pailbeat book waiting`\n"),
    });
    print(&out)
}

/// What to do when recordings wait and more is known now.
fn look_again(book: &Book) -> Result<String> {
    Ok(match book.waiting()?.len() {
        0 => String::new(),
        1 => "1 recording waits; `pailbeat book gather` looks at it anew.\n".into(),
        n => format!("{n} recordings wait; `pailbeat book gather` looks at them anew.\n"),
    })
}

fn waiting(book: &Book) -> Result<()> {
    let rows = book.waiting()?;
    let mut out = String::new();
    for Waiting { number: id, file, why, pupil, .. } in &rows {
        let whose = pupil.as_deref().map_or(String::new(), |p| format!(" ({})", shown(p)));
        out.push_str(&format!("{id:>5}  {}{whose}: {}\n", shown(file), shown(why)));
    }
    if rows.is_empty() {
        out.push_str("Nothing waits.\n");
    } else {
        out.push_str(
            "\nSettle each: `pailbeat book settle NUMBER --pupil NICKNAME` or `--part TITLE` or `--away`.\nOr say more with \
             `book roster`, `book assign` or a rule: the next `pailbeat book gather` looks at them anew.\n",
        );
    }
    print(&out)
}

fn takes(book: &Book, nickname: &str) -> Result<()> {
    let pupil = book.pupil(nickname)?;
    let mut out = String::new();
    let assigned = book.assignments(pupil.class)?;
    for take in book.takes(Some(pupil.id))? {
        let of = assigned.iter().find(|a| a.id == take.assignment);
        let of = of.map_or(String::new(), |a| format!("{}, {} at {:.0}: ", shown(&a.title), a.form, a.bpm.get()));
        out.push_str(&format!("{:>6}  {}, {of}{}\n", take.id, day_of(take.taken_s), shown(&take.file)));
        for (kind, text) in book.findings(take.id)? {
            out.push_str(&format!("        {}: {}\n", kind.word(), shown(&text)));
        }
        for row in book.set_right(Some(take.id))?.iter().rev() {
            let gone = if row.undone_s.is_some() { ", taken back" } else { "" };
            let said = format!("{} {}", row.correction.place(), row.correction.words());
            let who = shown(&row.correction.who);
            out.push_str(&format!("        set right by {who} as number {}: {}{gone}\n", row.id, shown(&said)));
        }
    }
    if out.is_empty() {
        out.push_str("Nothing was sent yet.\n");
    }
    print(&out)
}

fn set_right(book: &Book, args: &CorrectArgs) -> Result<()> {
    if let Some(number) = args.undo {
        let of = book.set_right(Some(args.take))?;
        if !of.iter().any(|s| s.id == number) {
            return Err(BookError::Refused {
                what: format!("nothing was set right in take {} under the number {number}", args.take),
                hint: "`pailbeat book takes NICKNAME` lists what was".into(),
            }
            .into());
        }
        book.take_back(number, now())?;
        return print("Taken back: it stands as the ear had it.\n");
    }
    let what = match (args.fine, args.heard, &args.whose) {
        (true, ..) => CorrectionKind::Fine,
        (_, Some(surface), _) => CorrectionKind::Surface(surface),
        (_, _, Some(_)) => CorrectionKind::Whose,
        _ => {
            return Err(BookError::Refused {
                what: "nothing is said about the take".into(),
                hint: "say `--fine`, `--heard SURFACE` or `--whose NICKNAME`".into(),
            }
            .into());
        }
    };
    let to = args.whose.as_deref().map(|n| book.pupil(n)).transpose()?.map(|p| p.id);
    let correction = Correction {
        what,
        finding: args.finding.clone(),
        section: args.section.clone(),
        pass: args.pass,
        bar: args.bar,
        beat: args.beat,
        who: args.who.clone(),
        at_s: now(),
        note: args.note.clone(),
    };
    let before = book.findings(args.take)?;
    book.correct(args.take, &correction, to)?;
    let after = book.findings(args.take)?;
    let mut out = "Kept: from now on what you say counts.\n".to_owned();
    let gone: Vec<_> = before.iter().filter(|f| !after.contains(f)).collect();
    gone.iter().for_each(|(_, text)| out.push_str(&format!("  no longer: {}\n", shown(text))));
    if what == CorrectionKind::Fine && gone.is_empty() {
        out.push_str("No such fault had been found there; `pailbeat book takes NICKNAME` lists what was.\n");
    }
    print(&out)
}

fn reassess(book: &Book) -> Result<Outcome> {
    let all = book.takes(None)?.len();
    let bar = bar(all);
    let (mut heard, mut silent, mut failed, mut changed) = (0, 0, 0, 0);
    let mut lines = Vec::new();
    book.reassess_all(|take, told| {
        match told {
            Some(Ok(change)) => {
                heard += 1;
                if !(change.units.is_empty() && change.gone.is_empty() && change.new.is_empty()) {
                    changed += 1;
                    let units =
                        if change.units.is_empty() { "stands as before".into() } else { change.units.join(", ") };
                    let mut out = format!("take {} ({}): {units}\n", take.id, shown(&take.file));
                    change.gone.iter().for_each(|t| out.push_str(&format!("  no longer: {}\n", shown(t))));
                    change.new.iter().for_each(|t| out.push_str(&format!("  new: {}\n", shown(t))));
                    lines.push(out);
                }
            }
            None => silent += 1,
            Some(Err(error)) => {
                failed += 1;
                bar.suspend(|| tell(&format!("take {} ({}): {error}", take.id, shown(&take.file))));
            }
        }
        bar.inc(1);
    })?;
    bar.finish_and_clear();
    let stay = match silent {
        0 => String::new(),
        1 => " 1 stays as it is, because its sound is no longer kept.".into(),
        n => format!(" {n} stay as they are, because their sound is no longer kept."),
    };
    print(&format!(
        "{}{} heard again with ear {}, {changed} changed.{stay}\n",
        lines.concat(),
        counted(heard, "take"),
        crate::book::gather::ear()
    ))?;
    Ok(if failed > 0 { Outcome::SomeFailed } else { Outcome::Done })
}
