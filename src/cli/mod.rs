//! The commands: reading arguments, calling the library, printing.
//!
//! Data goes to standard output, messages to standard error. Exit status: 0 done, 1 some takes could not be used (each
//! named, the rest done), 2 could not start.

mod assess;
mod book;
mod check;
mod files;
mod part;
mod strikes;

use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

/// Hears a bucket-drumming take, matches it to the written part, and says what to keep, what to fix and which tempo to
/// take next. Nothing leaves this machine.
#[derive(Parser)]
#[command(name = "pailbeat", version, max_term_width = 100)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Check a part file and print it as it will be played
    Check {
        /// The part file
        part: PathBuf,
        #[command(flatten)]
        asked: Asked,
    },
    /// List every strike heard in a recording
    Strikes {
        /// The recordings: wav, flac, mp3, ogg, m4a, mov, mp4, webm
        #[arg(required = true)]
        takes: Vec<PathBuf>,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Hold recordings against a part and write their reports
    Assess(AssessArgs),
    /// The class book: who sent what, what to teach again, who is ready
    Book(book::BookArgs),
}

/// Which form at which tempo.
#[derive(Args)]
struct Asked {
    /// The tempo asked for, in quarter notes a minute [default: where the part's range starts]
    #[arg(long, value_name = "N")]
    bpm: Option<f64>,
    /// The sections in the order asked for, as "A A B" [default: the part's form]
    #[arg(long, value_name = "SECTIONS")]
    form: Option<String>,
}

#[derive(Args)]
struct AssessArgs {
    /// The part file
    part: PathBuf,
    /// The recordings: wav, flac, mp3, ogg, m4a, mov, mp4, webm
    #[arg(required = true)]
    takes: Vec<PathBuf>,
    #[command(flatten)]
    asked: Asked,
    /// Print JSON and write no reports
    #[arg(long)]
    json: bool,
    /// The pupil's nickname, for the pages
    #[arg(long, value_name = "NICKNAME")]
    pupil: Option<String>,
    /// The day of the take, as it is to be printed
    #[arg(long, value_name = "DAY")]
    date: Option<String>,
    /// The folder for the reports
    #[arg(long, value_name = "FOLDER", default_value = "reports")]
    out: PathBuf,
    /// A short recording with three strikes on each surface, in the order given: "known.wav:centre,rim,click"
    #[arg(long, value_name = "RECORDING:SURFACES", value_parser = assess::Known::parse)]
    surfaces: Option<assess::Known>,
    /// A strike of the take whose surface is known: its time in seconds and its surface. Give it three times a surface
    #[arg(long = "strike", value_name = "SECONDS=SURFACE", value_parser = assess::parse_named)]
    named: Vec<(f64, crate::part::Surface)>,
}

/// How far a command got.
enum Outcome {
    Done,
    SomeFailed,
    /// The reason has been told.
    NotStarted,
}

/// Runs the command line.
pub fn run() -> ExitCode {
    let cli = Cli::parse();
    let outcome = match cli.command {
        Command::Check { part, asked } => check::run(&part, &asked),
        Command::Strikes { takes, json } => strikes::run(&takes, json),
        Command::Assess(args) => assess::run(&args),
        Command::Book(args) => book::run(&args),
    };
    match outcome {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::SomeFailed) => ExitCode::from(1),
        Ok(Outcome::NotStarted) => ExitCode::from(2),
        Err(error) => {
            files::complain(&error, None);
            ExitCode::from(2)
        }
    }
}
