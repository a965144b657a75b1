//! `pailbeat soundcheck`: a quarter of a minute that finds out what would spoil the take.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};

use super::files::{self, print, tell};
use super::session::{asked_to_end, device, free_name};
use super::{Outcome, SoundcheckArgs, strikes};
use crate::audio::{self, Ended, Loudspeaker, Microphone};
use crate::files::Shown as _;
use crate::guide::CAUTION;
use crate::take::soundcheck::{
    Checked, EACH, PROBE_EVERY, PROBES, QUIET_UNTIL, STRIKES_FROM, judge, probe_sound, probes,
};
use crate::take::{KeptCheck, KnownStrikes, STRIKES_NOTE};
use crate::units::{Decibels, EAR_RATE, Seconds};

/// A beginner strikes so often in a second, or slower.
const STRIKES_A_SECOND: f64 = 1.2;

pub(super) fn run(args: &SoundcheckArgs) -> Result<Outcome> {
    if args.list {
        let (microphones, loudspeakers) = audio::devices();
        let lines = |names: &[String]| names.iter().map(|n| format!("  {n}\n")).collect::<String>();
        print(&format!("microphones:\n{}loudspeakers:\n{}", lines(&microphones), lines(&loudspeakers)))?;
        return Ok(Outcome::Done);
    }
    let own = KeptCheck::name(args.pupil.as_deref());
    let target = args.out.clone().unwrap_or_else(|| Path::new("takes").join(&own));
    let made = match &args.from {
        Some(path) => Made { path: path.clone(), from: Some(Seconds::ZERO), microphone: None, loudspeaker: None },
        None => record(args, &target)?,
    };
    let path = &made.path;
    let (samples, peak) = samples(path)?;
    let (take, notices) = strikes::hear(path, &[]).map_err(strikes::with_hint)?;
    let heard = made.from.map_or_else(Vec::new, |from| probes(&samples, from));
    let checked = judge(&take, peak, heard, args.surfaces.len());
    let kept = keep(args, &target, &samples, &checked)?;
    for notice in &notices {
        tell(&format!("note: {}", notice.say()));
    }
    let row = KeptCheck {
        pupil: args.pupil.clone(),
        microphone: made.microphone,
        loudspeaker: made.loudspeaker,
        ..KeptCheck::of(&checked, kept)
    };
    let json = serde_json::to_string_pretty(&row).context("cannot write the check")?;
    if args.from.is_none() {
        let place = target.with_extension("json");
        files::kept(match earlier(args, &target) {
            Some(earlier) => crate::files::put_over(&place, json.as_bytes(), &earlier),
            None => crate::files::put_new(&place, json.as_bytes()),
        })?;
    }
    // Takes look for a recorded check under its own name only.
    let found = args.from.is_none() && target.file_name().is_some_and(|name| name == own.as_str());
    let kept = row.surfaces.as_ref().map(|surfaces| target.with_file_name(surfaces));
    if args.json {
        files::print_json(&format!("{json}\n"))?;
    } else {
        print(&said(&checked, kept.as_deref(), found))?;
    }
    Ok(Outcome::Done)
}

/// The check in words. `kept`: what `--surfaces` is to be told; `found`: takes beside it find it by themselves.
fn said(checked: &Checked, kept: Option<&Path>, found: bool) -> String {
    let mut out = match checked.troubles.first() {
        None => "all is well: record the take from this place\n".to_string(),
        Some(first) => format!("change first: {}\n", first.say()),
    };
    if let (Some(strike), Some(threshold)) = (checked.strike, checked.threshold) {
        out.push_str(&format!(
            "  your strikes stand {:.0} dB above the softest that could be heard here\n",
            strike.0 - threshold.0
        ));
    }
    if let Some(delay) = checked.delay() {
        out.push_str(&format!(
            "  from loudspeaker to microphone: {:.0} ms beyond what the devices say\n",
            delay.millis()
        ));
    }
    if let Some(kept) = kept {
        let whose = if found { " for today’s takes beside it; for others" } else { "" };
        out.push_str(&format!(
            "  how your surfaces sound is kept{whose}: `pailbeat assess ... --surfaces {}`\n",
            kept.shown()
        ));
    }
    out
}

/// The earlier check under this name, where it is one, and this pupil's.
fn earlier(args: &SoundcheckArgs, target: &Path) -> Option<Vec<u8>> {
    let bytes = crate::files::read(&target.with_extension("json")).ok()?;
    let check: KeptCheck = serde_json::from_slice(&bytes).ok().filter(|_| KeptCheck::is_one(&bytes))?;
    let key = |name: Option<&str>| name.map(crate::names::key);
    (key(check.pupil.as_deref()) == key(args.pupil.as_deref())).then_some(bytes)
}

fn samples(path: &Path) -> Result<(Vec<f32>, f32)> {
    let mut source = audio::open(path).map_err(|e| anyhow!("{e}\nhint: {}", e.hint()))?;
    let samples = source.read_to_end()?;
    Ok((samples, source.facts().peak))
}

/// Keeps the strikes as a recording of their own beside `target`, if they number what they should. Gives what
/// [`KeptCheck::surfaces`] is to be. Earlier ones stay: cards of takes name them.
fn keep(args: &SoundcheckArgs, target: &Path, samples: &[f32], checked: &Checked) -> Result<Option<String>> {
    let Some((from, to)) = checked.kept(args.surfaces.len()) else { return Ok(None) };
    let at = |s: Seconds| (s.get() * f64::from(EAR_RATE.get())) as usize;
    let (from, to) = (at(from), at(to).min(samples.len()));
    let piece = samples.get(from..to).unwrap_or_default();
    let folder = target.parent().filter(|f| !f.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let stem = target.file_name().map_or_else(|| "soundcheck".into(), |s| s.to_string_lossy().into_owned());
    let file = free_name(folder, &format!("{stem}-strikes"));
    let sound = audio::wav(piece, EAR_RATE, STRIKES_NOTE).context("cannot make the sound file")?;
    files::kept(crate::files::put_new(&file, &sound))?;
    let recording = file.file_name().map_or_else(PathBuf::new, PathBuf::from);
    Ok(Some(KnownStrikes { recording, surfaces: args.surfaces.clone() }.to_string()))
}

/// A recorded check.
struct Made {
    path: PathBuf,
    /// Where the played sound's first sample is due in it; none where nothing was played.
    from: Option<Seconds>,
    microphone: Option<String>,
    loudspeaker: Option<String>,
}

fn record(args: &SoundcheckArgs, target: &Path) -> Result<Made> {
    let microphone = Microphone::open(args.microphone.as_deref()).map_err(device)?;
    // A check without a loudspeaker is still worth having.
    let loudspeaker = match (args.no_guide, Loudspeaker::open(args.loudspeaker.as_deref())) {
        (true, _) => None,
        (false, Ok(loudspeaker)) => Some(loudspeaker),
        (false, Err(error)) => {
            tell(&format!("note: no probe is played: {error}"));
            None
        }
    };
    let path = target.with_extension("wav");
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        crate::files::folder(folder).with_context(|| format!("cannot make the folder `{}`", folder.shown()))?;
    }
    if (path.exists() || path.with_extension("json").exists()) && earlier(args, target).is_none() {
        return Err(anyhow!(
            "`{}` or the json beside it is there already, and is no sound check of this pupil\nhint: name another place with \
                 `--out`, or move it away",
            path.shown()
        ));
    }
    if path.exists() {
        // Only the last check is of use; takes are never written over.
        std::fs::remove_file(&path).with_context(|| format!("cannot replace the check `{}`", path.shown()))?;
    }
    let strikes = (EACH * args.surfaces.len()) as f64 / STRIKES_A_SECOND;
    let most = Seconds::of(STRIKES_FROM.get() + 1.0 + strikes);
    let (rate, name) = (microphone.rate, microphone.name.clone());
    let recording = microphone
        .record(&path, most)
        .with_context(|| format!("cannot make the sound file `{}`", path.shown()))?
        .map_err(device)?;
    let signal = asked_to_end();
    if loudspeaker.is_some() {
        tell(&format!("care: {CAUTION}"));
    }
    tell("be quiet for five seconds; you will hear some clicks");
    let mut told = 0;
    let mut playing = false;
    while !recording.watch().ended() && !signal.load(std::sync::atomic::Ordering::Relaxed) {
        std::thread::sleep(Duration::from_millis(20));
        let at = recording.watch().length().to_seconds(rate);
        if let Some(loudspeaker) = loudspeaker.as_ref().filter(|_| at > Seconds::ZERO && !playing) {
            loudspeaker.play(probe_sound(loudspeaker.rate, Decibels(args.level.clamp(-50.0, -6.0))));
            playing = true;
        }
        let due = STRIKES_FROM.get() + (told * EACH) as f64 / STRIKES_A_SECOND;
        if let Some(surface) = args.surfaces.get(told).filter(|_| at.get() >= due) {
            tell(&format!("now three strikes, one by one: {}", surface.word()));
            told += 1;
        }
    }
    let recorded = recording.finish();
    if let Ended::DeviceGone(why) | Ended::Disk(why) = &recorded.ended {
        tell(&format!("note: the check was cut short: {why}"));
    }
    if matches!(recorded.ended, Ended::Nothing) {
        return Err(anyhow!(
            "the microphone gave no sound at all\nhint: choose another with `--microphone`, and see that it is switched on"
        ));
    }
    debug_assert!(QUIET_UNTIL.get() + PROBES as f64 * PROBE_EVERY.get() < STRIKES_FROM.get());
    let since = |heard: Instant, began: Instant| heard.saturating_duration_since(began).as_secs_f64();
    let from = loudspeaker
        .as_ref()
        .filter(|_| playing)
        .map(|l| Seconds::of(l.began().zip(recorded.began).map_or(0.0, |(heard, began)| since(heard, began))));
    Ok(Made {
        path,
        from,
        microphone: Some(name),
        loudspeaker: loudspeaker.filter(|_| playing).map(|l| l.name.clone()),
    })
}
