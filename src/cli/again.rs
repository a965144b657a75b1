//! `pailbeat again`: from a take straight into the next attempt: the bars to fix, looped, at the tempo advised.

use std::path::Path;

use anyhow::{Result, anyhow, bail};

use super::files::{print, tell};
use super::take::{Plan, record};
use super::{AgainArgs, Outcome, assess};
use crate::assess::{Assessment, RerunRule, say};
use crate::files::Shown as _;
use crate::guide::{Description, Excerpt, GuideConfig, Heard, Laps, Practice, render};
use crate::take::{Card, Tally};
use crate::units::{Bpm, Decibels};

/// How often the bars are played unless asked otherwise: two clean passes, and room for two that are not.
const TIMES: u32 = 4;

struct Next {
    laps: Laps,
    form: Option<String>,
    bpm: Bpm,
    tally: Tally,
    why: String,
}

pub(super) fn run(args: &AgainArgs) -> Result<Outcome> {
    let card = Card::of(&args.take)?.ok_or_else(|| {
        anyhow!(
            "`{}` has no take card beside it, so that the part is not known\nhint: record with `pailbeat take`, or practise \
             with `pailbeat take PART --bars A:2-3 --times 4`",
            args.take.shown()
        )
    })?;
    let (part, assessment, practice) = assess::judge_by_card(&args.take, &card)?;
    let Some(before) = card.asked.described() else {
        // A take that was judged by its card has it.
        bail!("the take card does not say what was asked for");
    };
    let share = |percent: f64| if percent.is_finite() { percent / 100.0 } else { 0.0 };
    let rule = RerunRule { clean: args.clean, failed: args.failed, up: share(args.up), down: share(args.down) };
    let next = match card.tally {
        Some(tally) => by_rule(&rule, before, tally, &assessment, &practice),
        None => by_advice(args, before, &assessment),
    };
    print(&format!("{}\n{}\n", next.why, shown(&rule, &part.range)))?;
    let practice = Practice::of(&part, next.form.as_deref(), &next.laps, next.bpm).map_err(|e| anyhow!("{e}"))?;
    let heard = Heard::named(&args.play).unwrap_or_default();
    let heard = if args.devices.no_guide { Heard::Alone } else { heard };
    let config = GuideConfig { heard, peak: Decibels(args.devices.level), ..GuideConfig::default() };
    let guide = render(&practice, &config, crate::units::EAR_RATE).map_err(|e| anyhow!("{e}"))?;
    let mut asked = Description::new(&part, next.form.as_deref(), &next.laps, next.bpm, &guide);
    asked.part_sha256 = card.part.sha256.clone();
    if args.plan {
        return Ok(Outcome::Done);
    }
    if let Some(pupil) = card.pupil.as_ref().filter(|_| args.devices.pupil.is_none()) {
        tell(&format!("note: the earlier take was {pupil}'s; give `--pupil {pupil}` if this one is too"));
    }
    let plan = Plan {
        part_path: card.part.path.as_deref().unwrap_or(Path::new(&part.title)),
        title: part.title.clone(),
        practice,
        asked,
        config,
        play: !args.devices.no_guide,
        tally: Some(next.tally),
    };
    record(&plan, &args.devices)
}

/// The rule and where it comes from, for those who want to set it.
fn shown(rule: &RerunRule, range: &crate::part::TempoRange) -> String {
    format!(
        "the rule: {} clean passes in a row, {:.0} % faster; {} failed ones in a row, {:.0} % slower; never outside {} to {}. \
         A rule of thumb: a step up is about the smallest change of tempo that is noticed. Set it with `--clean`, `--failed`, \
         `--up`, `--down`",
        rule.clean,
        100.0 * rule.up,
        rule.failed,
        100.0 * rule.down,
        range.start.get(),
        range.goal.get()
    )
}

/// After a take of the whole: what its advice says.
fn by_advice(args: &AgainArgs, before: &Description, take: &Assessment) -> Next {
    let excerpt = take
        .advice
        .practise
        .as_ref()
        .and_then(|bars| Excerpt::of_bars(&take.timeline, bars))
        .unwrap_or(before.laps().excerpt);
    let whole = excerpt == Excerpt::Form;
    let times = args.times.unwrap_or(if whole { 1 } else { TIMES });
    let bpm = take.advice.next;
    let what = match &excerpt {
        Excerpt::Form => "the whole form".to_string(),
        Excerpt::Section(name) => format!("section {name}"),
        Excerpt::Bars(..) | Excerpt::Join(..) => {
            take.advice.practise.as_ref().map_or_else(String::new, |bars| say::exercise(&take.timeline, bars))
        }
    };
    let often = if times == 1 { "once".into() } else { format!("{times} times with a breath between") };
    let fix = say::fix(take);
    let why = format!(
        "{}\n{}next: {what}, {often}, at {:.0}\n{}",
        say::praise(take),
        if fix.is_empty() { String::new() } else { format!("{fix}\n") },
        bpm.get(),
        say::why(take)
    );
    let form = whole.then(|| before.form.clone()).flatten();
    Next { laps: Laps { excerpt, times, breath: 1 }, form, bpm, tally: Tally::default(), why }
}

/// After a take of these bars: what the rule says.
fn by_rule(rule: &RerunRule, asked: &Description, tally: Tally, take: &Assessment, practice: &Practice) -> Next {
    let (bpm, tally, why) = tally.after(rule, take, &practice.laps);
    Next { laps: asked.laps(), form: asked.form.clone(), bpm, tally, why }
}
