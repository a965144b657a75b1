//! `pailbeat take`: count in, play the guide, record, and keep what is known of the take beside it.

use std::io::IsTerminal;
use std::path::{Path, PathBuf};
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::files::{self, print, tell};
use super::session::{AFTER, Keys, asked_to_end, device, place};
use super::{Outcome, TakeArgs, guide, part};
use crate::audio::{Ended, Loudspeaker, Microphone, Recorded, Recording};
use crate::files::Shown as _;
use crate::guide::{CAUTION, Description, Guide, GuideConfig, Heard, LONGEST, Practice, render};
use crate::take::{Card, KeptCheck, PartOfTake, SlipRow, Tally};
use crate::units::{Decibels, SampleRate, Seconds};

/// The display is drawn so often: often enough for a beat, seldom enough to be calm.
pub(super) const DRAW: Duration = Duration::from_millis(50);
/// Lowest level shown; about the noise of a quiet microphone.
const LOWEST_DB: f64 = -60.0;
/// Length of the level's bar.
const BAR: usize = 20;
/// From here on a strike will soon be cut off.
const NEAR_FULL_DB: f64 = -1.0;

/// What is to be recorded, wherever it comes from.
pub(super) struct Plan<'a> {
    pub(super) part_path: &'a Path,
    pub(super) title: String,
    pub(super) practice: Practice,
    /// At the rate of the ear; it is made again at the loudspeaker's.
    pub(super) asked: Description,
    pub(super) config: GuideConfig,
    pub(super) play: bool,
    pub(super) tally: Option<Tally>,
}

pub(super) fn run(args: &TakeArgs) -> Result<Outcome> {
    let part = part::read(&args.part)?;
    let heard = Heard::named(&args.play).unwrap_or_default();
    let laps = args.practised.laps(if heard == Heard::Turns { 3 } else { 1 });
    let practice = guide::practice(&part, &args.asked, &laps)?;
    let heard = if args.devices.no_guide || args.count_in_only { Heard::Alone } else { heard };
    let config = GuideConfig { heard, peak: Decibels(args.devices.level), ..GuideConfig::default() };
    let guide = render(&practice, &config, crate::units::EAR_RATE).map_err(|e| anyhow!("{e}"))?;
    let mut asked = Description::new(&part, args.asked.form.as_deref(), &laps, practice.timeline.bpm, &guide);
    asked.part_sha256 = Some(guide::fingerprint(&args.part)?);
    let plan = Plan {
        part_path: &args.part,
        title: part.title.clone(),
        practice,
        asked,
        config,
        play: !args.devices.no_guide,
        tally: None,
    };
    record(&plan, &args.devices)
}

/// Records a take as planned.
pub(super) fn record(plan: &Plan, devices: &super::DeviceArgs) -> Result<Outcome> {
    let places = &devices.places;
    let path = place(places.out.as_deref(), "take", plan.part_path, devices.pupil.as_deref())?;
    let microphone = Microphone::open(places.microphone.as_deref()).map_err(device)?;
    let loudspeaker =
        plan.play.then(|| Loudspeaker::open(places.loudspeaker.as_deref()).map_err(device)).transpose()?;
    let rate = loudspeaker.as_ref().map_or(microphone.rate, |l| l.rate);
    let guide = render(&plan.practice, &plan.config, rate).map_err(|e| anyhow!("{e}"))?;
    let lasts = match devices.seconds {
        Some(seconds) => Seconds::of(seconds.clamp(0.5, LONGEST.get())),
        None => guide.lasts() + AFTER,
    };
    let mut card = first_card(plan, devices, &microphone, loudspeaker.as_ref(), rate)?;
    card.sound_check = check_before(&path, &card);
    card.round_trip_ms = (card.sound_check.as_ref())
        .filter(|check| check.loudspeaker.is_some() && check.loudspeaker == card.loudspeaker)
        .and_then(|check| check.round_trip_ms);
    card.write(&path, None).map_err(anyhow::Error::from)?;
    let written = card.clone();
    if let Some(loudspeaker) = &loudspeaker {
        tell(&format!("care: {CAUTION}"));
        tell(&format!(
            "the guide comes from `{}` at {} dB; headphones keep it out of the recording",
            loudspeaker.name, devices.level
        ));
    }
    let name = microphone.name.clone();
    let most = if devices.seconds.is_some() || loudspeaker.is_some() || !std::io::stdin().is_terminal() {
        lasts
    } else {
        LONGEST
    };
    let recording = match microphone.record(&path, most) {
        Ok(Ok(recording)) => recording,
        Ok(Err(error)) => {
            // Nothing was recorded; a card without a take would mislead.
            let _ = std::fs::remove_file(crate::take::beside(&path));
            return Err(device(error));
        }
        Err(error) => return Err(error).with_context(|| format!("cannot make the sound file `{}`", path.shown())),
    };
    tell(&format!("recording from `{name}` into `{}`", path.shown()));
    if std::io::stdin().is_terminal() {
        tell("Enter or q ends the take");
    }
    let started = watch(&recording, loudspeaker.as_ref(), &guide, &plan.practice, most)?;
    let recorded = recording.finish();
    complete(&mut card, &recorded, loudspeaker.as_ref(), &guide, started);
    if let Err(error) = card.write(&path, Some(&written)) {
        files::complain(
            &anyhow::Error::from(error),
            Some("the sound is kept; the card holds what was known at the start"),
        );
    }
    say(&path, &card, &recorded)
}

fn first_card(
    plan: &Plan,
    devices: &super::DeviceArgs,
    microphone: &Microphone,
    loudspeaker: Option<&Loudspeaker>,
    guide_rate: SampleRate,
) -> Result<Card> {
    // A name and a sum: where the file lies on this machine is nobody's business.
    let path = plan.part_path.file_name().map(PathBuf::from);
    let sha256 = plan.asked.part_sha256.clone().context("the part has no fingerprint")?;
    let part = PartOfTake { path, sha256: Some(sha256), title: Some(plan.title.clone()) };
    let asked = Description { rate_hz: guide_rate.get(), ..plan.asked.clone() };
    let mut card = Card::new(part, asked, microphone.name.clone(), microphone.rate.get(), microphone.channels);
    card.pupil = devices.pupil.clone();
    card.guide_played = loudspeaker.is_some();
    card.loudspeaker = loudspeaker.map(|l| l.name.clone());
    card.tally = plan.tally;
    Ok(card)
}

/// The sound check in the folder of a take, where it holds for it.
fn check_before(take: &Path, card: &Card) -> Option<KeptCheck> {
    let path = KeptCheck::path(take.parent().unwrap_or(Path::new("")), card.pupil.as_deref());
    let bytes = crate::files::read(&path).ok()?;
    let read = serde_json::from_slice::<KeptCheck>(&bytes).map_err(|e| format!("it cannot be read: {e}"));
    let holds = |check: KeptCheck| {
        check.holds(card.began.as_deref().unwrap_or_default(), card.pupil.as_deref(), &card.microphone).map(|()| check)
    };
    match read.and_then(holds) {
        Ok(check) => {
            let found = match &check.change_first {
                None => "all was well".into(),
                Some(first) => format!("it said `{first}`"),
            };
            tell(&format!("the sound check `{}` holds for this take: {found}", path.shown()));
            Some(check)
        }
        Err(why) => {
            tell(&format!(
                "note: the sound check `{}` is not used: {why}\nhint: make one with `pailbeat soundcheck`",
                path.shown()
            ));
            None
        }
    }
}

fn complete(card: &mut Card, recorded: &Recorded, loudspeaker: Option<&Loudspeaker>, guide: &Guide, started: bool) {
    card.length_samples = Some(recorded.length.0);
    card.cut_short = match &recorded.ended {
        Ended::Asked => None,
        Ended::DeviceGone(why) => Some(format!("the microphone is gone: {why}")),
        Ended::Disk(why) => Some(format!("the disk takes no more: {why}")),
        Ended::Nothing => Some("the microphone gave no sound at all".into()),
    };
    let rate = f64::from(card.rate_hz);
    card.slips =
        (recorded.slips.iter()).map(|s| SlipRow { at_s: s.at.0 as f64 / rate, lost_ms: s.lost.millis() }).collect();
    card.dropped_samples = recorded.dropped.0;
    card.xruns = [recorded.xruns, loudspeaker.map_or(0, Loudspeaker::xruns)];
    if let Some((heard, began)) = loudspeaker.filter(|_| started).and_then(Loudspeaker::began).zip(recorded.began) {
        let from = if heard >= began {
            heard.duration_since(began).as_secs_f64()
        } else {
            -began.duration_since(heard).as_secs_f64()
        };
        card.guide_from_samples = Some((from * rate).round() as i64);
        card.start_s = Some(from + guide.start.get());
    }
    if loudspeaker.is_some_and(Loudspeaker::broken) {
        card.cut_short.get_or_insert_with(|| "the loudspeaker stopped working during the take".into());
    }
}

/// What became of it, in words.
fn say(path: &Path, card: &Card, recorded: &Recorded) -> Result<Outcome> {
    let seconds = recorded.length.0 as f64 / f64::from(card.rate_hz);
    for slip in &card.slips {
        let what = if slip.lost_ms > 0.0 { "were lost" } else { "came twice" };
        tell(&format!("note: about {:.0} ms of sound {what} near {:.0} s", slip.lost_ms.abs(), slip.at_s));
    }
    if card.dropped_samples > 0 {
        let lost = card.dropped_samples as f64 / f64::from(card.rate_hz);
        tell(&format!("note: {lost:.2} s could not be taken in in time; silence stands for them"));
    }
    if let Some(why) = &card.cut_short {
        if matches!(recorded.ended, Ended::Nothing) {
            let hint = "choose another with `--microphone`, and see that it is switched on";
            files::complain(&anyhow!("no take was recorded: {why}"), Some(hint));
            return Ok(Outcome::SomeFailed);
        }
        let hint = "what was recorded until then is whole and can be assessed";
        files::complain(&anyhow!("the take was cut short after {seconds:.1} s: {why}"), Some(hint));
    }
    print(&format!("{}: {seconds:.1} s recorded\n  next: pailbeat assess {}\n", path.shown(), path.shown()))?;
    Ok(if card.cut_short.is_some() { Outcome::SomeFailed } else { Outcome::Done })
}

/// Watches over the recording until it ends; starts the guide once the microphone gives sound. Whether it was started.
fn watch(
    recording: &Recording,
    loudspeaker: Option<&Loudspeaker>,
    guide: &Guide,
    practice: &Practice,
    most: Seconds,
) -> Result<bool> {
    let signal = asked_to_end();
    let keys = Keys::new();
    let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
    bar.set_style(ProgressStyle::with_template("{msg}").context("cannot draw the display")?);
    let mut samples = Some(guide.samples());
    let (mut held, mut gone) = (LOWEST_DB, Instant::now());
    while !recording.watch().ended() {
        if keys.stop(DRAW) || signal.load(Ordering::Relaxed) {
            break;
        }
        let ready = loudspeaker.filter(|_| recording.watch().length().0 > 0);
        if let Some((loudspeaker, samples)) = ready.and_then(|l| Some((l, samples.take()?))) {
            loudspeaker.play(samples);
        }
        let peak = 20.0 * f64::from(recording.watch().peak().max(1e-6)).log10();
        // The needle falls slowly, so that a strike can be read.
        held = peak.max(held - 20.0 * gone.elapsed().as_secs_f64()).max(LOWEST_DB);
        gone = Instant::now();
        let at = loudspeaker.map(|l| l.played().to_seconds(guide.rate));
        bar.set_message(line(at, guide, practice, held, most));
    }
    bar.finish_and_clear();
    Ok(samples.is_none() && loudspeaker.is_some())
}

/// The display: bar and beat, level, time. Legible without colour.
fn line(at: Option<Seconds>, guide: &Guide, practice: &Practice, level_db: f64, most: Seconds) -> String {
    let filled = ((level_db - LOWEST_DB) / -LOWEST_DB * BAR as f64).round().clamp(0.0, BAR as f64) as usize;
    let meter = format!("{}{}", "=".repeat(filled), ".".repeat(BAR - filled));
    let warning = if level_db > NEAR_FULL_DB { "  too loud: move the microphone away" } else { "" };
    let place = at.map_or_else(|| "recording".to_string(), |at| beat(at, guide, practice));
    let time = at.map_or_else(String::new, |at| format!("  {:.0} of {:.0} s", at.get(), most.get()));
    format!("{place:<30} [{meter}] {level_db:4.0} dB{time}{warning}")
}

/// Which beat of which bar is heard.
fn beat(at: Seconds, guide: &Guide, practice: &Practice) -> String {
    let timeline = &practice.timeline;
    let beat = timeline.meter.beat().to_seconds(timeline.bpm).get();
    let since = (at - guide.start).get() / beat;
    if since < 0.0 {
        let left = (-since).ceil();
        let counted = f64::from(guide.count_in) - left + 1.0;
        return if counted < 1.0 { "get ready".into() } else { format!("counting in: {counted:.0}") };
    }
    let beats = usize::from(timeline.meter.beats.max(1));
    let n = since as usize;
    match timeline.bars.get(n / beats) {
        None => "let it ring".into(),
        Some(bar) if bar.strokes.is_empty() && !practice.laps.iter().any(|l| l.contains(&(n / beats))) => {
            format!("breathe: {}", n % beats + 1)
        }
        Some(bar) => {
            let section = timeline.passes.get(bar.pass).map_or("", |p| p.section.as_str());
            format!("{section}, bar {}, beat {}", bar.number, n % beats + 1)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::guide::Laps;
    use crate::units::Bpm;

    #[test]
    fn the_display_counts_in_and_then_names_bar_and_beat() {
        let part = crate::part::parse(
            "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 84 }\nform = \"A A\"\n[sections.A]\nstrokes = \"o.x. o.-- | oooo\"\n",
        )
        .unwrap();
        let practice = Practice::of(&part, None, &Laps::default(), Bpm::new(60.0).unwrap()).unwrap();
        let guide = render(&practice, &GuideConfig::default(), SampleRate::new(48_000).unwrap()).unwrap();
        let at = |s: f64| beat(Seconds::of(s), &guide, &practice);
        assert_eq!(at(0.2), "get ready");
        assert_eq!(at(0.6), "counting in: 1");
        assert_eq!(at(4.4), "counting in: 4");
        assert_eq!(at(4.6), "A, bar 1, beat 1");
        assert_eq!(at(9.6), "A, bar 2, beat 2");
        assert_eq!(at(99.0), "let it ring");
        assert!(line(None, &guide, &practice, -0.5, LONGEST).contains("too loud"));
    }
}
