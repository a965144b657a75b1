//! `pailbeat assess`: recordings held against a part.

use std::path::{Path, PathBuf};

use anyhow::{Result, anyhow, bail};

use super::files::{self, print, tell};
use super::found::PartText;
use super::reports::Reports;
use super::{AssessArgs, Outcome, guide, part, progress, strikes};
use crate::assess::Assessment;
use crate::chain::{self, Asked, Beside, Guides, known_strikes, quietly};
use crate::files::Shown as _;
use crate::guide::{Guide, Practice};
use crate::parallel;
use crate::part::{Part, Surface};
use crate::report::{Meta, json};
use crate::surface::Calibration;
use crate::take::{Card, KnownStrikes, beside, fingerprint};
use crate::units::Seconds;

/// Hears a recording of known strikes.
fn heard(known: &KnownStrikes) -> Result<Calibration> {
    let name = known.recording.shown();
    let (take, _) = strikes::hear(&known.recording, &[]).map_err(strikes::with_hint)?;
    known_strikes(&take, &known.surfaces)
        .map_err(|wrong| anyhow!("`{name}`: {wrong}\nhint: record it again in a quiet room, each strike by itself"))
}

/// `SECONDS=SURFACE`.
pub(super) fn parse_named(text: &str) -> Result<(Seconds, Surface), String> {
    let (at, word) = text.split_once('=').ok_or("write the time in seconds, `=`, and the surface, as in `12.4=rim`")?;
    let at = at.trim().parse::<f64>().ok().and_then(Seconds::new);
    Ok((at.ok_or_else(|| format!("`{text}` does not begin with a time in seconds"))?, Surface::named(word)?))
}

/// Why a take could not be used.
enum Failure {
    Unheard(strikes::Unheard),
    Other(anyhow::Error),
}

struct Job<'a> {
    args: &'a AssessArgs,
    takes: &'a [PathBuf],
    /// The part that was named, and what is to be played of it; without it every take's card says so.
    part: Option<(&'a Path, Plan)>,
    /// How the surfaces sound, where that was given; else a take's card may say so.
    known: Option<Calibration>,
    reports: Reports<'a>,
}

/// What a take is held against.
#[derive(Clone)]
struct Plan {
    practice: Practice,
    guides: Guides,
}

impl Plan {
    fn asked(args: &AssessArgs, path: &Path) -> Result<Plan> {
        let part = part::read(path)?;
        if let Some(file) = &args.guide {
            let (practice, guide) = guide::read(file, &part)?;
            return Ok(Plan { practice, guides: Guides::Played(vec![guide]) });
        }
        let practice = guide::practice(&part, &args.asked, &args.practised.laps(1))?;
        Ok(Plan { practice, guides: Guides::Likely })
    }

    fn by_card(card: &Card, practice: Practice, guide: Guide) -> Plan {
        let guides = if card.guide_played { Guides::Played(vec![guide]) } else { Guides::None };
        Plan { practice, guides }
    }

    /// Hears a take and holds it against this.
    fn judge(&self, path: &Path, beside: &Beside) -> Result<Assessment, strikes::Unheard> {
        let asked = Asked { guides: self.guides.clone(), ..Asked::practice(&self.practice) };
        Ok(chain::assess(&mut strikes::sound(path), &asked, beside, &mut quietly)?.assessment)
    }
}

/// Whether anything is said on the command line that a card would say too.
fn says(args: &AssessArgs) -> bool {
    let practised = &args.practised;
    args.asked.bpm.is_some()
        || args.asked.form.is_some()
        || args.guide.is_some()
        || practised.section.is_some()
        || practised.bars.is_some()
        || practised.join.is_some()
        || practised.times.is_some()
}

/// What the card of a take says was asked for, held against the part named or, without one, the part it means.
pub(super) fn by_card(card: &Card, text: &PartText) -> Result<(Part, Practice, Guide)> {
    let name = &text.name;
    let described = card.asked.described().ok_or_else(|| {
        anyhow!("its take card does not say all that was asked for; name the part file before the take, and the tempo with `--bpm`")
    })?;
    if card.part.sha256.as_deref() != Some(&fingerprint(text.text.as_bytes())) {
        bail!(
            "the part `{name}` is not the one that was played: it has changed since, or is another; name the part that was \
             played, and the tempo with `--bpm`"
        );
    }
    let part = part::parsed(text)?;
    let (practice, guide) =
        described.rebuild(&part).map_err(|e| anyhow!("the take card does not fit the part `{name}`: {e}"))?;
    Ok((part, practice, guide))
}

/// How this pupil's surfaces sound, by the sound check on the card of a take; of no strikes where there is none.
fn known_by_card(path: &Path, card: &Card) -> Calibration {
    let Some(strikes) = card.sound_check.as_ref().and_then(|check| check.strikes()) else {
        return Calibration::default();
    };
    let known = strikes
        .map_err(anyhow::Error::msg)
        .and_then(|known| heard(&KnownStrikes { recording: path.with_file_name(&known.recording), ..known }));
    known.unwrap_or_else(|error| {
        tell(&format!(
            "note: `{}`: its sound check's strikes cannot be used, so that its surfaces are told without them: {error:#}",
            path.shown()
        ));
        Calibration::default()
    })
}

/// A take heard and judged by its card.
pub(super) fn judge_by_card(path: &Path, card: &Card) -> Result<(Part, Assessment, Practice)> {
    let (part, practice, guide) = by_card(card, &PartText::of_card(card, path)?)?;
    let plan = Plan::by_card(card, practice, guide);
    let beside = Beside { known: known_by_card(path, card), named: Vec::new(), card: Some(card.says()) };
    let assessment = plan.judge(path, &beside).map_err(strikes::with_hint)?;
    Ok((part, assessment, plan.practice))
}

impl Job<'_> {
    /// What this take is held against, and its card where that was asked.
    fn plan(&self, path: &Path) -> Result<(Plan, Option<Card>)> {
        let card = match Card::of(path) {
            Ok(card) => card,
            Err(error) if self.part.is_some() => {
                tell(&format!("note: {:#}; what was typed is used", anyhow::Error::from(error)));
                None
            }
            Err(error) => return Err(error.into()),
        };
        let from = |card: Card, text: Result<PartText>| -> Result<(Plan, Option<Card>)> {
            let (part, practice, guide) = by_card(&card, &text?)?;
            tell(&format!(
                "note: `{}`: by its card `{}` at {} quarter notes a minute",
                path.shown(),
                part.title,
                practice.timeline.bpm.get()
            ));
            Ok((Plan::by_card(&card, practice, guide), Some(card)))
        };
        match (&self.part, card) {
            (None, Some(card)) => {
                let part = PartText::of_card(&card, path);
                from(card, part)
            }
            (None, None) => {
                bail!("it has no take card beside it, so that the part is not known; name the part file first")
            }
            (Some((_, plan)), None) => Ok((plan.clone(), None)),
            (Some((_, plan)), Some(_)) if says(self.args) => Ok((plan.clone(), None)),
            (Some((part, plan)), Some(card)) => from(card, PartText::named(part)).or_else(|error| {
                tell(&format!("note: `{}`: {error:#}; the part is taken as it stands", path.shown()));
                Ok((plan.clone(), None))
            }),
        }
    }

    fn assess(&self, path: &Path) -> Result<Assessment, Failure> {
        // A file that is no recording is told so, whatever its card.
        let (plan, card) = self.plan(path).map_err(Failure::Other)?;
        let known = match (&self.known, &card) {
            (Some(known), _) => known.clone(),
            (None, Some(card)) => known_by_card(path, card),
            (None, None) => Calibration::default(),
        };
        let beside = Beside { known, named: self.args.named.clone(), card: card.as_ref().map(Card::says) };
        plan.judge(path, &beside).map_err(Failure::Unheard)
    }

    /// All that is to be printed of a take; its pages are written as soon as it is heard.
    fn done(&self, path: &Path) -> Result<String, Failure> {
        let assessment = self.assess(path)?;
        if self.args.json {
            return Ok(json::assessment(&assessment));
        }
        let file = path.file_name().map_or("take".into(), |s| s.to_string_lossy().into_owned());
        let meta = Meta { pupil: self.args.pupil.clone(), date: self.args.date.clone(), take: file };
        self.reports.write(path, &assessment, &meta).map_err(Failure::Other)
    }
}

pub(super) fn run(args: &AssessArgs) -> Result<Outcome> {
    let with_cards =
        args.files.first().is_some_and(|first| beside(first).exists() || first.with_extension("wav") == *first);
    let (part, takes) = match args.files.split_first() {
        Some((first, rest)) if !with_cards => {
            if rest.is_empty() {
                bail!(
                    "`{}` alone cannot be assessed: name the part file first, then the recordings (only a take with its card \
                     beside it needs no part)",
                    first.shown()
                );
            }
            (Some((first.as_path(), Plan::asked(args, first)?)), rest)
        }
        _ if says(args) => bail!("which part is it? name the part file before the takes"),
        _ => (None, args.files.as_slice()),
    };
    let known = args.surfaces.as_ref().map(heard).transpose()?;
    let job = Job { args, takes, part, known, reports: Reports::in_folder(&args.out) };
    let mut failed = 0;
    let mut rows = strikes::Rows::of(takes.len());
    let mut result = Ok(());
    each(&job, |path, done| {
        let failure = match done {
            Ok(text) if args.json => return keep(&mut result, rows.put(path, Ok(&text))),
            Ok(text) => return keep(&mut result, print(&format!("{text}\n"))),
            Err(failure) => failure,
        };
        failed += 1;
        let (error, hint) = match failure {
            Failure::Unheard(error) => {
                let hint = strikes::hint(&error).map(str::to_owned);
                (anyhow::Error::from(error), hint)
            }
            Failure::Other(error) => (error.context(format!("cannot assess `{}`", path.shown())), None),
        };
        files::complain(&error, hint.as_deref());
        if args.json {
            keep(&mut result, rows.put(path, Err(&format!("{error:#}"))));
        }
    });
    result?;
    if args.json {
        rows.end()?;
    }
    if failed > 0 && takes.len() > 1 {
        tell(&format!("{} of {} takes could be used", takes.len() - failed, takes.len()));
    }
    Ok(if failed > 0 { Outcome::SomeFailed } else { Outcome::Done })
}

/// The first failure to print is the one that is told.
fn keep(first: &mut Result<()>, printed: Result<()>) {
    if first.is_ok() {
        *first = printed;
    }
}

/// Assesses every take, as many at a time as there are processors; `tell` hears of each in order, as soon as it can.
fn each(job: &Job, mut tell: impl FnMut(&Path, Result<String, Failure>)) {
    parallel::in_order(
        job.takes,
        |path| job.done(path),
        |all| {
            for path in job.takes {
                // Shown only while it is waited for: what is told of a take stands on lines of its own.
                let done = progress::shown(&path.to_string_lossy(), || all.next());
                done.into_iter().for_each(|done| tell(path, done));
            }
        },
    );
}
