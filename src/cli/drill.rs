//! `pailbeat drill`: an echo drill as a guide, and the scoring of its recordings.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};
use serde::Deserialize;

use super::files::{self, print, tell};
use super::{DrillArgs, DrillWhat, Outcome, strikes};
use crate::audio;
use crate::drill::{self, Plan};
use crate::guide::{self, GuideConfig};
use crate::onset::EAR_RATE;
use crate::units::{Decibels, SampleRate};

fn read(path: &Path) -> Result<(String, drill::Drill)> {
    let name = path.display();
    let text = std::fs::read_to_string(path).with_context(|| format!("cannot read the drill `{name}`"))?;
    let drill = drill::parse(&text).map_err(|errors| {
        let shown: Vec<String> = errors.iter().map(|e| e.render(&name.to_string(), &text)).collect();
        anyhow!("the drill `{name}` cannot be played\n{}", shown.join("").trim_end())
    })?;
    Ok((text, drill))
}

/// What is needed of a plan to make it again.
#[derive(Deserialize)]
struct Planned {
    drill: String,
    seed: u64,
    pupil: Option<String>,
    level_db: f64,
    rounds: Vec<PlannedRound>,
}

#[derive(Deserialize)]
struct PlannedRound {
    call: String,
    call_s: f64,
}

/// A plan, or the guide that was written beside it and holds it too.
fn planned(path: &Path) -> Result<(Plan, Option<String>)> {
    let name = path.display();
    let bytes = std::fs::read(path).with_context(|| format!("cannot read the plan `{name}`"))?;
    let text = audio::note(&bytes).map_or_else(|| String::from_utf8_lossy(&bytes).into_owned(), str::to_string);
    let row: Planned = serde_json::from_str(&text).map_err(|e| {
        anyhow!("`{name}` is no plan of a drill: {e}\nhint: give the json or the wav that `pailbeat drill make` wrote, unchanged")
    })?;
    let drill = drill::parse(&row.drill)
        .map_err(|_| anyhow!("the drill in the plan `{name}` was changed and cannot be read"))?;
    let config = GuideConfig { peak: Decibels(row.level_db), ..GuideConfig::default() };
    let plan = drill::plan(&drill, row.seed, &config, EAR_RATE);
    let same = plan.rounds.len() == row.rounds.len()
        && plan
            .rounds
            .iter()
            .zip(&row.rounds)
            .all(|(a, b)| a.call.name == b.call && (a.call_at.get() - b.call_s).abs() < 1e-3);
    if !same {
        bail!(
            "the rounds in the plan `{name}` are not those this program draws\nhint: make the guide again with this version"
        );
    }
    Ok((plan, row.pupil))
}

fn make(file: &Path, out: &Path, pupil: Option<&str>, seed: Option<u64>, level: f64, rate: u32) -> Result<Outcome> {
    if !out.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) {
        bail!("`{}` is no name for the guide: it is written as a wav file, so let it end in `.wav`", out.display());
    }
    let (low, high) = (guide::PEAKS.0.0, guide::PEAKS.1.0);
    if !(low..=high).contains(&level) {
        bail!("a peak of {level} dB was asked for, {low} to {high} are possible\nhint: leave `--level` out");
    }
    let (text, drill) = read(file)?;
    let seed = seed.or(pupil.map(drill::seed_of)).unwrap_or(1);
    let rate = SampleRate::new(rate).ok_or_else(|| anyhow!("`--rate 0` is no rate"))?;
    let config = GuideConfig { peak: Decibels(level), ..GuideConfig::default() };
    let plan = drill::plan(&drill, seed, &config, rate);
    if plan.guide.lasts().get() > guide::LONGEST.get() {
        bail!(
            "the drill would last {:.0} minutes, {:.0} are the most\nhint: give fewer `rounds`",
            plan.guide.lasts().get() / 60.0,
            guide::LONGEST.get() / 60.0
        );
    }
    let note = drill::plan_json(&plan, &text, pupil);
    let beside: PathBuf = out.with_extension("json");
    files::write(out, &audio::wav(&plan.guide.samples(), rate, &note).context("cannot make the sound file")?)?;
    files::write(&beside, format!("{note}\n").as_bytes())?;
    let whose = pupil.map_or(String::new(), |p| format!(" for {p}"));
    print(&format!(
        "{}: `{}`{whose}, {} rounds, {:.0} s\n{}: its plan, for `pailbeat drill score`\n",
        out.display(),
        drill.title,
        plan.rounds.len(),
        plan.guide.lasts().get(),
        beside.display()
    ))?;
    tell(&format!("care: {}", guide::CAUTION));
    Ok(Outcome::Done)
}

fn score(plan_file: &Path, takes: &[PathBuf], as_json: bool) -> Result<Outcome> {
    let (plan, pupil) = planned(plan_file)?;
    let mut failed = false;
    for path in takes {
        let guides = std::slice::from_ref(&plan.guide);
        let (take, facts) = match strikes::hear_guided(path, guides, true) {
            Ok(heard) => heard,
            Err(error) => {
                failed = true;
                strikes::refuse(error);
                continue;
            }
        };
        for notice in strikes::notices(&facts) {
            tell(&format!("note: `{}`: {notice}", path.display()));
        }
        let Some(clock) = take.guide.as_ref().map(|g| g.clock.clone()) else {
            failed = true;
            let error = anyhow!("cannot score `{}`: the calls of this plan are not heard in it", path.display());
            files::complain(
                &error,
                Some(
                    "play the guide over a loudspeaker, not headphones, while recording, or give the plan that was played",
                ),
            );
            continue;
        };
        let results = drill::judge(&plan, &take, |at| clock.at(at), None);
        print(&if as_json {
            format!("{}\n", drill::results_json(&results, &plan, pupil.as_deref()))
        } else {
            drill::results_text(&results, &plan.drill.title, pupil.as_deref())
        })?;
    }
    Ok(if failed { Outcome::SomeFailed } else { Outcome::Done })
}

pub(super) fn run(args: &DrillArgs) -> Result<Outcome> {
    match &args.what {
        DrillWhat::Make { drill, out, pupil, seed, level, rate } => {
            make(drill, out, pupil.as_deref(), *seed, *level, *rate)
        }
        DrillWhat::Score { plan, takes, json } => score(plan, takes, *json),
    }
}
