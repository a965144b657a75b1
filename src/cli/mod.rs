//! The commands: reading arguments, calling the library, printing.
//!
//! Data goes to standard output, messages to standard error. Exit status: 0 done, 1 some takes could not be used (each
//! named, the rest done), 2 could not start.

mod again;
mod assess;
mod book;
mod check;
mod convert;
mod desk;
mod drill;
mod drilled;
mod echo;
mod files;
mod forget;
mod found;
mod gather;
mod guide;
mod hand_out;
mod part;
mod progress;
mod reports;
mod session;
mod sheet;
mod soundcheck;
mod strikes;
mod take;

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
        /// Print every stroke with its time as JSON
        #[arg(long)]
        json: bool,
    },
    /// Write a part as MusicXML or MIDI, or read a part from them; which, the endings of the files say
    Convert(ConvertArgs),
    /// List every strike heard in a recording
    Strikes {
        /// The recordings: wav, flac, mp3, ogg, m4a, mov, mp4, webm
        #[arg(required = true)]
        takes: Vec<PathBuf>,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
    /// Write a guide to play along with: a count-in, then clicks or the part itself
    Guide(GuideArgs),
    /// Write the practice sheet for the stand: shapes, counts, syllables, hands, and tempo steps to tick off
    Sheet(SheetArgs),
    /// Write the page on which a pupil plays: one file for any browser, with the ear in it
    HandOut(HandOutArgs),
    /// The echo drill: write its calls as a guide, score recordings made while it played
    Drill(DrillArgs),
    /// Find out what would spoil a take, and the one thing to change first
    Soundcheck(SoundcheckArgs),
    /// Record a take: count-in, guide, and a card beside it that says what was asked for
    Take(TakeArgs),
    /// Go straight into the next attempt: the bars to fix, looped, at the tempo advised
    Again(AgainArgs),
    /// Hold recordings against a part and write their reports
    Assess(AssessArgs),
    /// Open the class book in your browser: hear, settle, set right, assign; served to this machine alone
    Desk(DeskArgs),
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

/// Which part of the part, how often.
#[derive(Args)]
struct Practised {
    /// Only this section, as "A"
    #[arg(long, value_name = "SECTION", conflicts_with_all = ["form", "bars", "join"])]
    section: Option<String>,
    /// Only these bars of a section, counted as played out: "A:2-3" or "A:4"
    #[arg(long, value_name = "SECTION:BARS", value_parser = guide::parse_bars, conflicts_with_all = ["form", "join"])]
    bars: Option<(String, u32, u32)>,
    /// Only a join: the last bar of one section and the first of the next, as "A B"
    #[arg(long, value_name = "SECTIONS", value_parser = guide::parse_join, conflicts_with = "form")]
    join: Option<(String, String)>,
    /// How often it is played [default: 1; with `--play turns` 3]
    #[arg(long, value_name = "N")]
    times: Option<u32>,
    /// Bars of silence between the times
    #[arg(long, value_name = "BARS", default_value_t = 1)]
    breath: u32,
}

#[derive(Args)]
struct ConvertArgs {
    /// The file to read: .toml, .musicxml, .mxl or .mid
    from: PathBuf,
    /// The file to write: .toml, .musicxml, .mxl or .mid
    to: PathBuf,
    #[command(flatten)]
    asked: Asked,
    /// Which line of a score with several: its number or name
    #[arg(long, value_name = "LINE")]
    line: Option<String>,
    /// Which note is which surface, one kind of note after another, to be edited; if there is no such file it is written, with
    /// what each kind of note was taken for
    #[arg(long, value_name = "FILE.toml")]
    table: Option<PathBuf>,
}

#[derive(Args)]
struct SheetArgs {
    /// The part file
    part: PathBuf,
    /// Only this section, as "B"
    #[arg(long, value_name = "SECTION")]
    section: Option<String>,
    /// One bar a row and half as large again, for two at one stand
    #[arg(long)]
    large: bool,
    /// The paper
    #[arg(long, value_name = "PAPER", value_parser = ["a4", "letter"], default_value = "a4")]
    paper: String,
    /// The file to write: a pdf, or an svg (then a file a page)
    #[arg(long, value_name = "FILE.pdf|.svg")]
    out: PathBuf,
}

#[derive(Args)]
struct GuideArgs {
    /// The part file
    part: PathBuf,
    #[command(flatten)]
    asked: Asked,
    #[command(flatten)]
    practised: Practised,
    /// The sound file to write, a wav
    #[arg(long, value_name = "FILE.wav")]
    out: PathBuf,
    /// What is heard after the count-in. `turns`: the first third of the times with the part, the second with the click,
    /// the last alone
    #[arg(long, value_name = "WHAT", value_parser = ["click", "part", "both", "turns", "alone"], default_value = "click")]
    play: String,
    /// Largest sample, in decibels below full scale as a negative number
    #[arg(long, value_name = "DB", allow_negative_numbers = true, default_value_t = crate::guide::PEAK.0)]
    level: f64,
    /// Samples a second
    #[arg(long, value_name = "HZ", default_value_t = 44_100, value_parser = clap::value_parser!(u32).range(16_000..=192_000))]
    rate: u32,
    /// Print JSON: where beat 1 of bar 1 stands, the tempo, and all that is needed to make the guide again
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
struct HandOutArgs {
    /// The part file
    part: PathBuf,
    #[command(flatten)]
    asked: Asked,
    /// An echo drill that is on the page, too
    #[arg(long, value_name = "DRILL.toml")]
    drill: Option<PathBuf>,
    /// Whose page it is
    #[arg(long, value_name = "NICKNAME", conflicts_with = "class")]
    pupil: Option<String>,
    /// A page for a whole class of the class book: each pupil chooses the nickname
    #[arg(long, value_name = "CLASS")]
    class: Option<String>,
    /// The folder of the class book
    #[arg(long, value_name = "FOLDER", default_value = ".", requires = "class")]
    book: PathBuf,
    /// The page to write
    #[arg(long, value_name = "FILE.html")]
    out: PathBuf,
}

#[derive(Args)]
struct DeskArgs {
    /// The folder that holds the class book, or will [default: this one where it holds one, else `pailbeat` in your home folder]
    folder: Option<PathBuf>,
    /// Print the address and open no browser
    #[arg(long)]
    no_browser: bool,
}

/// Which devices, and where the recording goes.
#[derive(Args)]
struct Places {
    /// The recording to make, a wav; never one that is there [default: the next free name in takes/]
    #[arg(long, value_name = "FILE.wav")]
    out: Option<PathBuf>,
    /// The microphone's name or a piece of it [default: the system's]
    #[arg(long, value_name = "NAME")]
    microphone: Option<String>,
    /// The loudspeaker's name or a piece of it [default: the system's]
    #[arg(long, value_name = "NAME")]
    loudspeaker: Option<String>,
}

/// How a take is recorded.
#[derive(Args)]
struct DeviceArgs {
    #[command(flatten)]
    places: Places,
    /// Play nothing, not even the count-in
    #[arg(long)]
    no_guide: bool,
    /// Largest sample of the guide, in decibels below full scale as a negative number
    #[arg(long, value_name = "DB", allow_negative_numbers = true, default_value_t = crate::guide::PEAK.0)]
    level: f64,
    /// End after so many seconds [default: where the form ends]
    #[arg(long, value_name = "N")]
    seconds: Option<f64>,
    /// The pupil's nickname, for the card
    #[arg(long, value_name = "NICKNAME")]
    pupil: Option<String>,
}

#[derive(Args)]
struct SoundcheckArgs {
    /// Judge this recording of a check instead of making one: two seconds of silence, from 5 s on three strikes on each surface
    #[arg(long, value_name = "FILE", conflicts_with = "list")]
    from: Option<PathBuf>,
    /// List the microphones and loudspeakers
    #[arg(long)]
    list: bool,
    /// Which surfaces are struck, in order
    #[arg(long, value_name = "SURFACES", value_delimiter = ',', value_parser = crate::part::Surface::named, default_value = "centre,rim,click")]
    surfaces: Vec<crate::part::Surface>,
    /// Whose surfaces and chair they are: the check holds for this pupil's takes only
    #[arg(long, value_name = "NICKNAME")]
    pupil: Option<String>,
    /// Where the check is kept: the recording and what was found; an earlier check is replaced. Takes recorded into its folder
    /// within twelve hours use it if it is called `soundcheck` or `soundcheck-NICKNAME`, as it is by default, in `takes`
    #[arg(long, value_name = "NAME")]
    out: Option<PathBuf>,
    /// The microphone's name or a piece of it [default: the system's]
    #[arg(long, value_name = "NAME")]
    microphone: Option<String>,
    /// The loudspeaker's name or a piece of it [default: the system's]
    #[arg(long, value_name = "NAME")]
    loudspeaker: Option<String>,
    /// Play no probe
    #[arg(long)]
    no_guide: bool,
    /// Largest sample of the probe, in decibels below full scale as a negative number; as the guide's
    #[arg(long, value_name = "DB", allow_negative_numbers = true, default_value_t = crate::guide::PEAK.0)]
    level: f64,
    /// Print JSON
    #[arg(long)]
    json: bool,
}

#[derive(Args)]
struct TakeArgs {
    /// The part file
    part: PathBuf,
    #[command(flatten)]
    asked: Asked,
    #[command(flatten)]
    practised: Practised,
    #[command(flatten)]
    devices: DeviceArgs,
    /// What is heard after the count-in. `turns`: the first third of the times with the part, the second with the click,
    /// the last alone
    #[arg(long, value_name = "WHAT", value_parser = ["click", "part", "both", "turns", "alone"], default_value = "click")]
    play: String,
    /// Play the count-in and then nothing
    #[arg(long, conflicts_with = "no_guide")]
    count_in_only: bool,
}

#[derive(Args)]
struct AgainArgs {
    /// The take to go on from, with its card beside it
    take: PathBuf,
    #[command(flatten)]
    devices: DeviceArgs,
    /// Say what comes next and record nothing
    #[arg(long)]
    plan: bool,
    /// What is heard after the count-in
    #[arg(long, value_name = "WHAT", value_parser = ["click", "part", "both", "turns", "alone"], default_value = "click")]
    play: String,
    /// How often the bars are played [default: 4; the whole form once]
    #[arg(long, value_name = "N")]
    times: Option<u32>,
    /// Clean passes in a row for a step up
    #[arg(long, value_name = "N", default_value_t = 2, value_parser = clap::value_parser!(u32).range(1..))]
    clean: u32,
    /// Failed passes in a row for a step down
    #[arg(long, value_name = "N", default_value_t = 3, value_parser = clap::value_parser!(u32).range(1..))]
    failed: u32,
    /// A step up, in percent of the tempo
    #[arg(long, value_name = "PERCENT", default_value_t = 4.0)]
    up: f64,
    /// A step down, in percent of the tempo
    #[arg(long, value_name = "PERCENT", default_value_t = 8.0)]
    down: f64,
}

#[derive(Args)]
struct AssessArgs {
    /// The part file, and the recordings: wav, flac, mp3, ogg, m4a, mov, mp4, webm. Takes that have a card beside them need
    /// no part
    #[arg(required = true, value_name = "PART] [TAKE")]
    files: Vec<PathBuf>,
    #[command(flatten)]
    asked: Asked,
    #[command(flatten)]
    practised: Practised,
    /// The guide that was played to, as `pailbeat guide` wrote it: then neither tempo nor form need be given. Without it the
    /// guides for this part, form and tempo are looked for
    #[arg(long, value_name = "FILE.wav", conflicts_with_all = ["bpm", "form", "section", "bars", "join", "times"])]
    guide: Option<PathBuf>,
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
    #[arg(long, value_name = "RECORDING:SURFACES", value_parser = crate::take::KnownStrikes::parse)]
    surfaces: Option<crate::take::KnownStrikes>,
    /// A strike of the take whose surface is known: its time in seconds and its surface. Give it three times a surface
    #[arg(long = "strike", value_name = "SECONDS=SURFACE", value_parser = assess::parse_named)]
    named: Vec<(crate::units::Seconds, crate::part::Surface)>,
}

#[derive(Args)]
struct DrillArgs {
    #[command(subcommand)]
    what: DrillWhat,
}

#[derive(Subcommand)]
enum DrillWhat {
    /// Play the calls, hear the answers, and say after each what came of it
    Play(PlayArgs),
    /// Write the calls of a drill as a wav, each followed by room for the answer, and the plan beside it
    Make {
        /// The drill file
        drill: PathBuf,
        /// The sound file to write, a wav; the plan is written beside it, ending in .json
        #[arg(long, value_name = "FILE.wav")]
        out: PathBuf,
        /// The pupil's nickname: every pupil gets another order, of equal difficulty, and always the same one
        #[arg(long, value_name = "NICKNAME")]
        pupil: Option<String>,
        /// The number the order is drawn from [default: from the nickname]
        #[arg(long, value_name = "N")]
        seed: Option<u64>,
        /// Largest sample, in decibels below full scale as a negative number
        #[arg(long, value_name = "DB", allow_negative_numbers = true, default_value_t = crate::guide::PEAK.0)]
        level: f64,
        /// Samples a second
        #[arg(long, value_name = "HZ", default_value_t = 44_100, value_parser = clap::value_parser!(u32).range(16_000..=192_000))]
        rate: u32,
    },
    /// Score recordings made while the calls were played
    Score {
        /// The plan that was written beside the guide, or the guide itself; then the recordings, with the calls to be heard in
        /// them. Recordings that `drill play` made need no plan
        #[arg(required = true, value_name = "FILE")]
        files: Vec<PathBuf>,
        /// Somebody's own sound or video in which calls of a drill are played, in any order: then the first file is the
        /// drill, and the recordings were made while this played
        #[arg(long, value_name = "SOUND")]
        leader: Option<PathBuf>,
        /// Keep the scores in the class book of this folder
        #[arg(long, value_name = "FOLDER")]
        book: Option<PathBuf>,
        /// Whose the recordings are, for the book [default: whom the drill was made for]
        #[arg(long, value_name = "NICKNAME", requires = "book")]
        pupil: Option<String>,
        /// Print JSON
        #[arg(long)]
        json: bool,
    },
}

#[derive(Args)]
struct PlayArgs {
    /// The drill file
    drill: PathBuf,
    /// The pupil's nickname: every pupil gets another order, of equal difficulty, and always the same one
    #[arg(long, value_name = "NICKNAME")]
    pupil: Option<String>,
    /// The number the order is drawn from [default: from the nickname]
    #[arg(long, value_name = "N")]
    seed: Option<u64>,
    /// Show each call as cells while it sounds, for those who hear it badly or not at all
    #[arg(long)]
    show_calls: bool,
    /// Give no signals after the answers; the words stay
    #[arg(long)]
    no_signals: bool,
    #[command(flatten)]
    places: Places,
    /// Largest sample of the calls, in decibels below full scale as a negative number
    #[arg(long, value_name = "DB", allow_negative_numbers = true, default_value_t = crate::guide::PEAK.0)]
    level: f64,
    /// A sound check that knows the delay from loudspeaker to microphone, if there is one
    #[arg(long, value_name = "FILE", default_value = "takes/soundcheck.json")]
    check: PathBuf,
}

/// How far a command got.
enum Outcome {
    Done,
    SomeFailed,
    /// The reason has been told.
    NotStarted,
}

/// Help as it is; what is wrong with the arguments without orders to the terminal, for they may be names of files.
fn explained(said: &clap::Error) -> ExitCode {
    if !said.use_stderr() {
        // Where help cannot be printed there is nobody who reads it.
        let _ = said.print();
        return ExitCode::SUCCESS;
    }
    files::tell(said.render().to_string().trim_end());
    ExitCode::from(2)
}

/// Runs the command line.
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(said) => return explained(&said),
    };
    let outcome = match cli.command {
        Command::Check { part, asked, json } => check::run(&part, &asked, json),
        Command::Convert(args) => convert::run(&args),
        Command::Strikes { takes, json } => strikes::run(&takes, json),
        Command::Guide(args) => guide::run(&args),
        Command::Sheet(args) => sheet::run(&args),
        Command::HandOut(args) => hand_out::run(&args),
        Command::Drill(args) => drill::run(&args),
        Command::Soundcheck(args) => soundcheck::run(&args),
        Command::Take(args) => take::run(&args),
        Command::Again(args) => again::run(&args),
        Command::Assess(args) => assess::run(&args),
        Command::Desk(args) => desk::run(&args),
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
