//! `pailbeat assess`: recordings held against a part.

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use anyhow::{Context, Result, anyhow, bail};

use super::files::{self, print, tell};
use super::{AssessArgs, Outcome, guide, part, strikes};
use crate::assess::Assessment;
use crate::audio::AudioError;
use crate::chain::{self, Take};
use crate::guide::Guide;
use crate::part::{Surface, Timeline};
use crate::report::{Meta, chart, json, page, text};
use crate::surface::Calibration;

/// A recording of known strikes: three on each of these surfaces, in this order.
#[derive(Clone)]
pub(super) struct Known {
    recording: PathBuf,
    surfaces: Vec<Surface>,
}

fn surface(word: &str) -> Result<Surface, String> {
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
        let name = self.recording.display();
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
    timeline: &'a Timeline,
    known: Calibration,
    /// What may be heard in the recordings, and whether it was said to be.
    guides: Vec<Guide>,
    expected: bool,
}

impl Job<'_> {
    fn assess(&self, path: &Path) -> Result<Assessment, Failure> {
        let (take, facts) = strikes::hear_guided(path, &self.guides, self.expected).map_err(Failure::Audio)?;
        let mut known = self.known.clone();
        add_named(&mut known, &take, &self.args.named).map_err(Failure::Other)?;
        let known = (!known.strikes.is_empty()).then_some(&known);
        let mut assessment = chain::judge(&take, self.timeline, known);
        assessment.limits.splice(0..0, strikes::notices(&facts));
        Ok(assessment)
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
    let part = part::read(&args.part)?;
    let (practice, guides) = match &args.guide {
        Some(path) => {
            let (practice, guide) = guide::read(path, &part)?;
            (practice, vec![guide])
        }
        None => {
            let practice = guide::practice(&part, &args.asked, &args.practised.laps(1))?;
            let guides = guide::likely(&practice);
            (practice, guides)
        }
    };
    let known = args.surfaces.as_ref().map(Known::hear).transpose()?.unwrap_or_default();
    let job = Job { args, timeline: &practice.timeline, known, guides, expected: args.guide.is_some() };
    let verdicts = all(&job);
    let mut failed = 0;
    let mut rows = Vec::new();
    for (path, verdict) in args.takes.iter().zip(verdicts) {
        match verdict {
            Ok(assessment) if args.json => rows.push(json::assessment(&assessment)),
            Ok(assessment) => print(&format!("{}\n", job.report(path, &assessment)?))?,
            Err(Failure::Audio(error)) => {
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
        print(&match (args.takes.len(), rows.as_slice()) {
            (1, [one]) => format!("{one}\n"),
            (1, _) => String::new(),
            _ => format!("[{}]\n", rows.join(",\n")),
        })?;
    }
    if failed > 0 && args.takes.len() > 1 {
        tell(&format!("{} of {} takes could be used", args.takes.len() - failed, args.takes.len()));
    }
    Ok(if failed > 0 { Outcome::SomeFailed } else { Outcome::Done })
}

/// Assesses every take, as many at a time as there are processors.
fn all(job: &Job) -> Vec<Result<Assessment, Failure>> {
    let takes = &job.args.takes;
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(takes.len());
    if workers < 2 {
        return takes.iter().map(|path| job.assess(path)).collect();
    }
    let next = AtomicUsize::new(0);
    let done = Mutex::new(Vec::with_capacity(takes.len()));
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
    });
    let mut done = done.into_inner().unwrap_or_default();
    takes
        .iter()
        .map(|path| {
            let place = done.iter().position(|(p, _)| std::ptr::eq(*p, path));
            place.map_or_else(|| Err(Failure::Other(anyhow!("it was not reached"))), |k| done.swap_remove(k).1)
        })
        .collect()
}
