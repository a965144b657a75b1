//! `pailbeat assess`: recordings held against a part.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

use anyhow::{Result, anyhow, bail};

use super::files::{self, print, tell};
use super::found::PartText;
use super::reports::Reports;
use super::{AssessArgs, Outcome, guide, part, strikes};
use crate::assess::{Assessment, ClockSource};
use crate::audio::{AudioError, Facts};
use crate::chain::{self, Take};
use crate::files::Shown as _;
use crate::guide::{Guide, Practice};
use crate::onset::EAR_RATE;
use crate::part::{Part, Surface, Timeline};
use crate::report::{Meta, json};
use crate::surface::Calibration;
use crate::take::{Card, beside, fingerprint};
use crate::units::Seconds;

/// A recording of known strikes: three on each of these surfaces, in this order.
#[derive(Clone)]
pub(super) struct Known {
    recording: PathBuf,
    surfaces: Vec<Surface>,
}

pub(super) fn surface(word: &str) -> Result<Surface, String> {
    Surface::ALL
        .into_iter()
        .find(|s| s.word() == word.trim())
        .ok_or_else(|| format!("`{word}` is no surface: use centre, rim, click, pat or clap"))
}

impl Known {
    pub(super) fn parse(text: &str) -> Result<Known, String> {
        let (recording, words) = text
            .rsplit_once(':')
            .ok_or("write the recording, a colon and its surfaces in order, as in `known.wav:centre,rim,click`")?;
        let surfaces = words.split(',').map(surface).collect::<Result<_, _>>()?;
        Ok(Known { recording: recording.into(), surfaces })
    }

    /// Hears the known strikes. They are told apart by order alone, so their number must fit.
    fn hear(&self) -> Result<Calibration> {
        let name = self.recording.shown();
        let (take, _) = strikes::hear(&self.recording).map_err(|e| anyhow!("{e}; {}", e.hint()))?;
        let (found, each) = (take.features.len(), 3);
        if found != each * self.surfaces.len() {
            bail!(
                "expected {each} strikes on each of {} surfaces in `{name}`, heard {found} strikes; record it again in a \
                 quiet room, each strike by itself",
                self.surfaces.len()
            );
        }
        let names = self.surfaces.iter().flat_map(|s| std::iter::repeat_n(*s, each));
        Ok(Calibration { strikes: names.zip(take.features).collect() })
    }
}

/// `SECONDS=SURFACE`.
pub(super) fn parse_named(text: &str) -> Result<(f64, Surface), String> {
    let (at, word) = text.split_once('=').ok_or("write the time in seconds, `=`, and the surface, as in `12.4=rim`")?;
    let at = at.trim().parse::<f64>().ok().filter(|v| v.is_finite());
    Ok((at.ok_or_else(|| format!("`{text}` does not begin with a time in seconds"))?, surface(word)?))
}

/// A strike named by its time is the nearest within this.
const NAMED_WITHIN_S: f64 = 0.1;

/// Adds the strikes of the take that the teacher has named.
fn add_named(known: &mut Calibration, take: &Take, named: &[(f64, Surface)]) -> Result<()> {
    for (at, surface) in named {
        let away = |k: &usize| (take.heard.onsets[*k].at.get() - at).abs();
        let nearest = (0..take.heard.onsets.len()).min_by(|a, b| away(a).total_cmp(&away(b)));
        match nearest.filter(|k| away(k) <= NAMED_WITHIN_S) {
            Some(k) => known.strikes.push((*surface, take.features[k])),
            None => bail!("no strike was heard at {at} s; `pailbeat strikes` lists their times"),
        }
    }
    Ok(())
}

/// Why a take could not be used.
enum Failure {
    Audio(AudioError),
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
    timeline: Timeline,
    /// What may be heard in the recording, and whether it was said to be.
    guides: Vec<Guide>,
    expected: bool,
}

impl Plan {
    fn asked(args: &AssessArgs, path: &Path) -> Result<Plan> {
        let part = part::read(path)?;
        if let Some(file) = &args.guide {
            let (practice, guide) = guide::read(file, &part)?;
            return Ok(Plan { timeline: practice.timeline, guides: vec![guide], expected: true });
        }
        let practice = guide::practice(&part, &args.asked, &args.practised.laps(1))?;
        let guides = crate::guide::likely(&practice, EAR_RATE);
        Ok(Plan { timeline: practice.timeline, guides, expected: false })
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
    if fingerprint(&text.bytes) != card.part.sha256 {
        bail!(
            "the part `{name}` is not the one that was played: it has changed since, or is another; name the part that was \
             played, and the tempo with `--bpm`"
        );
    }
    let part = part::parsed(text)?;
    let (practice, guide) =
        card.asked.rebuild(&part).map_err(|e| anyhow!("the take card does not fit the part `{name}`: {e}"))?;
    Ok((part, practice, guide))
}

/// How this pupil's surfaces sound, by the sound check on the card of a take; of no strikes where there is none.
fn known_by_card(path: &Path, card: &Card) -> Calibration {
    let Some(kept) = card.sound_check.as_ref().and_then(|check| check.surfaces.as_deref()) else {
        return Calibration::default();
    };
    let heard = Known::parse(kept).map_err(anyhow::Error::msg).and_then(|known| {
        // A card may have come from anywhere: it names a file beside the take, not a path.
        let file = known.recording.file_name().map(|name| path.with_file_name(name)).unwrap_or_default();
        Known { recording: file, ..known }.hear()
    });
    heard.unwrap_or_else(|error| {
        tell(&format!(
            "note: `{}`: its sound check's strikes cannot be used, so that its surfaces are told without them: {error:#}",
            path.shown()
        ));
        Calibration::default()
    })
}

/// A take heard and judged, with what its card says of it.
pub(super) fn judge_by_card(path: &Path, card: &Card) -> Result<(Assessment, Practice)> {
    let (_, practice, guide) = by_card(card, &PartText::of_card(card, path)?)?;
    let (guides, expected) = heard_guides(card, guide);
    let (take, facts) =
        strikes::hear_guided(path, &guides, expected).map_err(|e| anyhow!("{e}\nhint: {}", e.hint()))?;
    Ok((judged(&take, &facts, &practice.timeline, &known_by_card(path, card), Some(card)), practice))
}

/// What was heard held against the part, with what the recording itself and its card say.
fn judged(take: &Take, facts: &Facts, timeline: &Timeline, known: &Calibration, card: Option<&Card>) -> Assessment {
    let known = (!known.strikes.is_empty()).then_some(known);
    let mut assessment = chain::judge(take, timeline, known);
    assessment.limits.splice(0..0, strikes::notices(facts));
    if let Some(card) = card {
        add_card(&mut assessment, card);
    }
    assessment
}

/// The guide that may be heard in a take, by its card.
fn heard_guides(card: &Card, guide: Guide) -> (Vec<Guide>, bool) {
    if card.guide_played { (vec![guide], true) } else { (Vec::new(), false) }
}

/// What only the card knows: where beat 1 stands if no guide was heard, and what went wrong while recording.
fn add_card(assessment: &mut Assessment, card: &Card) {
    if let (None, Some(clock), Some(start)) = (&assessment.guide, &mut assessment.clock, card.start_s) {
        // The devices' delay is known only roughly, so that lateness stays against the player's own pulse.
        let delay = Seconds::from_millis(card.round_trip_ms.unwrap_or(0.0));
        (clock.source, clock.start) = (ClockSource::TakeCard, Seconds::of(start) + delay);
    }
    let mut limits = Vec::new();
    if let Some(why) = &card.cut_short {
        limits.push(format!("the take was cut short: {why}"));
    }
    for slip in &card.slips {
        let what = if slip.lost_ms > 0.0 { "lost" } else { "doubled" };
        limits.push(format!(
            "timing around {:.0} s: the recorder {what} about {:.0} ms there",
            slip.at_s,
            slip.lost_ms.abs()
        ));
    }
    if card.dropped_samples > 0 {
        let lost = card.dropped_samples as f64 / f64::from(card.rate_hz.max(1));
        limits.push(format!("{lost:.2} s that could not be recorded in time"));
    }
    assessment.limits.splice(0..0, limits);
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
        let from = |card: Card, part: Result<PartText>| -> Result<(Plan, Option<Card>)> {
            let (_, practice, guide) = by_card(&card, &part?)?;
            tell(&format!(
                "note: `{}`: by its card `{}` at {} quarter notes a minute",
                path.shown(),
                card.part.title,
                card.asked.bpm
            ));
            let (guides, expected) = heard_guides(&card, guide);
            Ok((Plan { timeline: practice.timeline, guides, expected }, Some(card)))
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
        let (take, facts) = strikes::hear_guided(path, &plan.guides, plan.expected).map_err(Failure::Audio)?;
        let mut known = match (&self.known, &card) {
            (Some(known), _) => known.clone(),
            (None, Some(card)) => known_by_card(path, card),
            (None, None) => Calibration::default(),
        };
        add_named(&mut known, &take, &self.args.named).map_err(Failure::Other)?;
        Ok(judged(&take, &facts, &plan.timeline, &known, card.as_ref()))
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
    let known = args.surfaces.as_ref().map(Known::hear).transpose()?;
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
            Failure::Audio(error) => {
                let hint = error.hint();
                (anyhow::Error::from(error), Some(hint))
            }
            Failure::Other(error) => (error.context(format!("cannot assess `{}`", path.shown())), None),
        };
        files::complain(&error, hint);
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
    let takes = job.takes;
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(takes.len());
    if workers < 2 {
        takes.iter().for_each(|path| tell(path, job.done(path)));
        return;
    }
    let next = AtomicUsize::new(0);
    let (send, receive) = mpsc::channel();
    std::thread::scope(|scope| {
        for _ in 0..workers {
            let (send, next) = (send.clone(), &next);
            scope.spawn(move || {
                loop {
                    let k = next.fetch_add(1, Ordering::Relaxed);
                    // The error means that nobody listens any more.
                    let Some(path) = takes.get(k) else { break };
                    if send.send((k, job.done(path))).is_err() {
                        break;
                    }
                }
            });
        }
        drop(send);
        let (mut early, mut due) = (BTreeMap::new(), 0);
        for (k, done) in receive {
            early.insert(k, done);
            while let (Some(done), Some(path)) = (early.remove(&due), takes.get(due)) {
                tell(path, done);
                due += 1;
            }
        }
    });
}
