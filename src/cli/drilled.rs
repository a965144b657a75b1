//! A drill file, its plan, and a recording of it judged: what `drill make`, `drill play` and `drill score` share.

use std::path::Path;

use anyhow::{Result, anyhow, bail};

use super::strikes;
use crate::drill::{self, Plan, Results};
use crate::files::Shown as _;
use crate::guide::{self, GuideConfig};
use crate::units::{SampleRate, Seconds};

/// Reads a drill file; its text with it.
pub(super) fn read(path: &Path) -> Result<(String, drill::Drill)> {
    let name = path.shown();
    let text = super::found::text(path).map_err(|e| {
        anyhow!("cannot read the drill `{name}`: {e}\nhint: name the drill file, a text in which its calls are written")
    })?;
    let drill = drill::parse(&text).map_err(|errors| {
        let shown: Vec<String> = errors.iter().map(|e| e.render(&name.to_string(), &text)).collect();
        anyhow!("the drill `{name}` cannot be played\n{}", shown.join("").trim_end())
    })?;
    Ok((text, drill))
}

/// Peaks that may be asked for.
pub(super) fn check_level(level: f64) -> Result<()> {
    let (low, high) = (guide::PEAKS.0.0, guide::PEAKS.1.0);
    if !(low..=high).contains(&level) {
        bail!("a peak of {level} dB was asked for, {low} to {high} are possible\nhint: leave `--level` out");
    }
    Ok(())
}

/// A plan that is not too long.
pub(super) fn drawn(drill: &drill::Drill, seed: u64, config: &GuideConfig, rate: SampleRate) -> Result<Plan> {
    let plan = drill::plan(drill, seed, config, rate);
    if plan.guide.lasts().get() > guide::LONGEST.get() {
        bail!(
            "the drill would last {:.0} minutes, {:.0} are the most\nhint: give fewer `rounds`",
            plan.guide.lasts().get() / 60.0,
            guide::LONGEST.get() / 60.0
        );
    }
    Ok(plan)
}

/// Hears a recording of a drill and judges it. `begins`: where the devices' clocks put the plan, for where the calls are not
/// heard.
pub(super) fn judged(plan: &Plan, begins: Option<Seconds>, path: &Path) -> Result<Results, Unusable> {
    let (take, notices) = strikes::hear(path, std::slice::from_ref(&plan.guide)).map_err(Unusable::Sound)?;
    strikes::tell_notices(path, &notices);
    drill::judge_recording(plan, take, begins).ok_or(Unusable::NoCalls)
}

/// Why a recording cannot be scored.
pub(super) enum Unusable {
    Sound(strikes::Unheard),
    NoCalls,
}
