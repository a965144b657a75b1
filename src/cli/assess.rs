//! `pailbeat assess`: recordings held against a part.

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use anyhow::{Context, Result, anyhow, bail};

use super::files::{self, print, tell};
use super::{AssessArgs, Outcome, guide, part, progress, strikes};
use crate::assess::Assessment;
use crate::chain::{self, Asked, Beside, Guides, known_strikes, quietly};
use crate::guide::{Guide, Practice};
use crate::part::{Part, Surface};
use crate::report::{Meta, chart, json, page, text};
use crate::surface::Calibration;
use crate::take::{Card, KnownStrikes, beside, fingerprint};
use crate::units::Seconds;

/// Hears a recording of known strikes.
fn heard(known: &KnownStrikes) -> Result<Calibration> {
    let name = known.recording.display();
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

/// What the card of a take says was asked for, held against the part named or, without one, the part on the card.
pub(super) fn by_card(card: &Card, part_path: Option<&Path>) -> Result<(Part, Practice, Guide)> {
    let told = part_path.or(card.part.path.as_deref()).zip(card.asked.described());
    let (part_path, described) = told.ok_or_else(|| {
        anyhow!("its take card does not say all that was asked for; name the part file before the take, and the tempo with `--bpm`")
    })?;
    let name = part_path.display();
    let bytes = std::fs::read(part_path).with_context(|| {
        format!("cannot read the part `{name}`, which the take card names; name the part file before the take")
    })?;
    if card.part.sha256.as_deref() != Some(&fingerprint(&bytes)) {
        bail!(
            "the part `{name}` is not the one that was played: it has changed since, or is another; name the part that was \
             played, and the tempo with `--bpm`"
        );
    }
    let part = part::read(part_path)?;
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
            path.display()
        ));
        Calibration::default()
    })
}

/// A take heard and judged by its card.
pub(super) fn judge_by_card(path: &Path, card: &Card) -> Result<(Part, Assessment, Practice)> {
    let (part, practice, guide) = by_card(card, None)?;
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
        let from = |card: Card, part: Option<&Path>| -> Result<(Plan, Option<Card>)> {
            let (part, practice, guide) = by_card(&card, part)?;
            tell(&format!(
                "note: `{}`: by its card `{}` at {} quarter notes a minute",
                path.display(),
                part.title,
                practice.timeline.bpm.get()
            ));
            Ok((Plan::by_card(&card, practice, guide), Some(card)))
        };
        match (&self.part, card) {
            (None, Some(card)) => from(card, None),
            (None, None) => {
                bail!("it has no take card beside it, so that the part is not known; name the part file first")
            }
            (Some((_, plan)), None) => Ok((plan.clone(), None)),
            (Some((_, plan)), Some(_)) if says(self.args) => Ok((plan.clone(), None)),
            (Some((part, plan)), Some(card)) => from(card, Some(part)).or_else(|error| {
                tell(&format!("note: `{}`: {error:#}; the part is taken as it stands", path.display()));
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

    fn report(&self, path: &Path, assessment: &Assessment) -> Result<String> {
        let name = path.file_stem().map_or("take".into(), |s| s.to_string_lossy().into_owned());
        let file = path.file_name().map_or(name.clone(), |s| s.to_string_lossy().into_owned());
        let meta = Meta { pupil: self.args.pupil.clone(), date: self.args.date.clone(), take: file };
        let folder = &self.args.out;
        std::fs::create_dir_all(folder).with_context(|| format!("cannot make the folder `{}`", folder.display()))?;
        let style = chart::ChartStyle::alone(meta.clone());
        let wanted: [(&str, Vec<u8>); 4] = [
            ("-teacher.html", page::teacher(assessment, &meta)?.into_bytes()),
            ("-pupil.html", page::pupil(assessment, &meta)?.into_bytes()),
            ("-chart.svg", chart::svg(assessment, &style)?.into_bytes()),
            ("-chart.png", chart::png(assessment, &style)?),
        ];
        let mut out = text::summary(assessment, &meta);
        out.push_str("\nWritten:\n");
        for (ending, bytes) in wanted {
            let target = folder.join(format!("{name}{ending}"));
            files::write(&target, &bytes)?;
            out.push_str(&format!("  {}\n", target.display()));
        }
        Ok(out)
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
                    first.display()
                );
            }
            (Some((first.as_path(), Plan::asked(args, first)?)), rest)
        }
        _ if says(args) => bail!("which part is it? name the part file before the takes"),
        _ => (None, args.files.as_slice()),
    };
    let known = args.surfaces.as_ref().map(heard).transpose()?;
    let job = Job { args, takes, part, known };
    let verdicts = all(&job);
    let mut failed = 0;
    let mut rows = Vec::new();
    for (path, verdict) in takes.iter().zip(verdicts) {
        match verdict {
            Ok(assessment) if args.json => rows.push(json::assessment(&assessment)),
            Ok(assessment) => print(&format!("{}\n", job.report(path, &assessment)?))?,
            Err(Failure::Unheard(error)) => {
                failed += 1;
                strikes::refuse(error);
            }
            Err(Failure::Other(error)) => {
                failed += 1;
                files::complain(&error.context(format!("cannot assess `{}`", path.display())), None);
            }
        }
    }
    if args.json {
        // One take gives one object, several an array in the order asked for; what failed is missing from it.
        print(&match (takes.len(), rows.as_slice()) {
            (1, [one]) => format!("{one}\n"),
            (1, _) => String::new(),
            _ => format!("[{}]\n", rows.join(",\n")),
        })?;
    }
    if failed > 0 && takes.len() > 1 {
        tell(&format!("{} of {} takes could be used", takes.len() - failed, takes.len()));
    }
    Ok(if failed > 0 { Outcome::SomeFailed } else { Outcome::Done })
}

/// Assesses every take, as many at a time as there are processors.
fn all(job: &Job) -> Vec<Result<Assessment, Failure>> {
    let takes = job.takes;
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(takes.len());
    if workers < 2 {
        return takes.iter().map(|path| progress::shown(&path.to_string_lossy(), || job.assess(path))).collect();
    }
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(takes.len()));
    let work = || {
        std::thread::scope(|scope| {
            for _ in 0..workers {
                scope.spawn(|| {
                    while let Some(path) = takes.get(next.fetch_add(1, Ordering::Relaxed)) {
                        let verdict = job.assess(path);
                        if let Ok(mut done) = done.lock() {
                            done.push((path, verdict));
                        }
                    }
                });
            }
        })
    };
    progress::shown(&format!("{} takes", takes.len()), work);
    let mut done = done.into_inner().unwrap_or_default();
    takes
        .iter()
        .map(|path| {
            let place = done.iter().position(|(p, _)| std::ptr::eq(*p, path));
            place.map_or_else(|| Err(Failure::Other(anyhow!("it was not reached"))), |k| done.swap_remove(k).1)
        })
        .collect()
}
