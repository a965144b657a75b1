//! `pailbeat soundcheck`: a quarter of a minute that finds out what would spoil the take.

use std::path::Path;
use std::time::Duration;

use anyhow::{Context, Result, anyhow};
use serde::Serialize;

use super::files::{self, print, tell};
use super::take::{asked_to_end, device};
use super::{Outcome, SoundcheckArgs, strikes};
use crate::audio::{self, Ended, Loudspeaker, Microphone};
use crate::guide::{CAUTION, Sound};
use crate::onset::EAR_RATE;
use crate::take::soundcheck::{
    Checked, EACH, PROBE_EVERY, PROBES, QUIET_UNTIL, STRIKES_FROM, Trouble, judge, probe_times, probes,
};
use crate::units::{SampleRate, Seconds};

/// A beginner strikes so often in a second, or slower.
const STRIKES_A_SECOND: f64 = 1.2;
/// Kept around the strikes of the calibration.
const MARGIN_S: f64 = 0.3;

#[derive(Serialize)]
struct Row {
    change_first: Option<&'static str>,
    troubles: Vec<&'static str>,
    noise_db: Option<f64>,
    audible_from_db: Option<f64>,
    strike_db: Option<f64>,
    strikes_s: Vec<f64>,
    round_trip_ms: Option<f64>,
    round_trips_ms: Vec<f64>,
    surfaces: Option<String>,
}

pub(super) fn run(args: &SoundcheckArgs) -> Result<Outcome> {
    if args.list {
        let (microphones, loudspeakers) = audio::devices();
        let lines = |names: &[String]| names.iter().map(|n| format!("  {n}\n")).collect::<String>();
        print(&format!("microphones:\n{}loudspeakers:\n{}", lines(&microphones), lines(&loudspeakers)))?;
        return Ok(Outcome::Done);
    }
    let (path, from, probed) = match &args.from {
        Some(path) => (path.clone(), Seconds::ZERO, true),
        None => record(args)?,
    };
    let (samples, peak) = samples(&path)?;
    let (take, facts) = strikes::hear(&path).map_err(|e| anyhow!("{e}\nhint: {}", e.hint()))?;
    let heard = if probed { probes(&samples, from) } else { Vec::new() };
    let checked = judge(&take, peak, heard, args.surfaces.len());
    let kept = keep(args, &path, &samples, &checked)?;
    for notice in strikes::notices(&facts) {
        tell(&format!("note: {notice}"));
    }
    let db = |level: Option<crate::units::Decibels>| level.map(|l| (l.0 * 10.0).round() / 10.0);
    let round = |s: Seconds| (s.millis() * 100.0).round() / 100.0;
    let row = Row {
        change_first: checked.troubles.first().map(|t| t.word()),
        troubles: checked.troubles.iter().map(|t| t.word()).collect(),
        noise_db: db(checked.noise),
        audible_from_db: db(checked.threshold),
        strike_db: db(checked.strike),
        strikes_s: checked.strikes.iter().map(|s| s.get()).collect(),
        round_trip_ms: checked.delay().map(round),
        round_trips_ms: checked.probes.iter().map(|p| round(p.delay)).collect(),
        surfaces: kept.clone(),
    };
    let json = serde_json::to_string_pretty(&row).context("cannot write the check")?;
    if args.from.is_none() {
        files::write(&args.out.with_extension("json"), json.as_bytes())?;
    }
    print(&if args.json { format!("{json}\n") } else { said(&checked, kept.as_deref()) })?;
    Ok(Outcome::Done)
}

fn said(checked: &Checked, kept: Option<&str>) -> String {
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
        out.push_str(&format!("  how your surfaces sound is kept: `pailbeat assess ... --surfaces {kept}`\n"));
    }
    out
}

fn samples(path: &Path) -> Result<(Vec<f32>, f32)> {
    let mut source = audio::open(path).map_err(|e| anyhow!("{e}\nhint: {}", e.hint()))?;
    let samples = source.read_to_end()?;
    Ok((samples, source.facts().peak))
}

/// Keeps the strikes as a recording of their own, if they number what they should. Gives what `--surfaces` is to be told.
fn keep(args: &SoundcheckArgs, path: &Path, samples: &[f32], checked: &Checked) -> Result<Option<String>> {
    let spoiled = [Trouble::Count, Trouble::Clipping, Trouble::NoSignal, Trouble::NoStrikes];
    if checked.troubles.iter().any(|t| spoiled.contains(t)) || args.surfaces.is_empty() {
        return Ok(None);
    }
    let (Some(first), Some(last)) = (checked.strikes.first(), checked.strikes.last()) else { return Ok(None) };
    let at = |s: f64| (s.max(0.0) * f64::from(EAR_RATE.get())) as usize;
    let (from, to) = (at(first.get() - MARGIN_S), at(last.get() + 2.0 * MARGIN_S).min(samples.len()));
    let piece = samples.get(from..to).unwrap_or_default();
    let stem = path.file_stem().map_or_else(|| "soundcheck".into(), |s| s.to_string_lossy().into_owned());
    let target = args.out.with_file_name(format!("{stem}-strikes.wav"));
    if let Some(folder) = target.parent().filter(|f| !f.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).with_context(|| format!("cannot make the folder `{}`", folder.display()))?;
    }
    files::write(&target, &audio::wav(piece, EAR_RATE, "").context("cannot make the sound file")?)?;
    let names: Vec<&str> = args.surfaces.iter().map(|s| s.word()).collect();
    Ok(Some(format!("{}:{}", target.display(), names.join(","))))
}

/// What is played: the probes.
fn probe_sound(rate: SampleRate, level: f64) -> Vec<f32> {
    let click = Sound::Accent.samples(rate);
    let gain = 10_f64.powf(level.clamp(-50.0, -6.0) / 20.0) as f32;
    let place = |at: Seconds| (at.get() * f64::from(rate.get())).round() as usize;
    let mut out = vec![0.0; place(STRIKES_FROM)];
    for due in probe_times() {
        for (v, c) in out.iter_mut().skip(place(due)).zip(&click) {
            *v += gain * c;
        }
    }
    out
}

/// Records a check: its file, where the played sound's first sample is due in it, and whether anything was played.
fn record(args: &SoundcheckArgs) -> Result<(std::path::PathBuf, Seconds, bool)> {
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
    let path = args.out.with_extension("wav");
    if let Some(folder) = path.parent().filter(|f| !f.as_os_str().is_empty()) {
        std::fs::create_dir_all(folder).with_context(|| format!("cannot make the folder `{}`", folder.display()))?;
    }
    if path.exists() {
        // Only the last check is of use; takes are never written over.
        std::fs::remove_file(&path).with_context(|| format!("cannot replace the check `{}`", path.display()))?;
    }
    let strikes = (EACH * args.surfaces.len()) as f64 / STRIKES_A_SECOND;
    let most = Seconds::of(STRIKES_FROM.get() + 1.0 + strikes);
    let rate = microphone.rate;
    let recording = microphone
        .record(&path, most)
        .with_context(|| format!("cannot make the sound file `{}`", path.display()))?
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
            loudspeaker.play(probe_sound(loudspeaker.rate, args.level));
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
    let from = loudspeaker
        .and_then(|l| l.began())
        .zip(recorded.began)
        .map_or(0.0, |(heard, began)| if heard >= began { heard.duration_since(began).as_secs_f64() } else { 0.0 });
    debug_assert!(QUIET_UNTIL.get() + PROBES as f64 * PROBE_EVERY.get() < STRIKES_FROM.get());
    Ok((path, Seconds::of(from), playing))
}
