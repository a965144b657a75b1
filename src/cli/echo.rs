//! `pailbeat drill play`: the leader plays a call, the pupil answers, the verdict comes at once; the recording is kept.
//!
//! The loop goes by the microphone's sound: an answer is over when the microphone has given so much. Nothing in it waits
//! for a strike, and what ends the recording ends the loop.

use std::path::Path;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Deserialize;

use super::drilled::{Unusable, check_level, drawn, judged, read};
use super::files::{self, print, tell};
use super::session::{AFTER, Keys, asked_to_end, device, drill_card, place};
use super::{Outcome, PlayArgs};
use crate::audio::{Ended, Follow, Loudspeaker, Microphone, Recorded, Recording};
use crate::drill::{self, Answered, Live, Moment, Plan, RecordingRow, Round, SaidRow, Turn};
use crate::files::Shown as _;
use crate::guide::{CAUTION, GuideConfig};
use crate::units::{Decibels, EAR_RATE, Samples, Seconds};

/// How often the loop looks: the delay of a verdict hangs on it.
const LOOK: Duration = Duration::from_millis(10);
/// A loudspeaker that plays nothing for so long has stopped working; sound servers take two seconds to wake.
const STUCK: Duration = Duration::from_secs(6);
/// The last signal is heard out.
const LAST_SIGNAL: Duration = Duration::from_millis(700);

/// Writes the card over its `earlier` state, where there is one; its text.
fn write_card(path: &Path, plan: &str, recording: &RecordingRow, earlier: Option<&str>) -> Result<String> {
    let text = drill::card_json(plan, recording).context("cannot write the card")?;
    let place = drill_card(path);
    files::kept(match earlier {
        None => crate::files::put_new(&place, text.as_bytes()),
        Some(earlier) => crate::files::put_over(&place, text.as_bytes(), earlier.as_bytes()),
    })?;
    Ok(text)
}

/// The delay that a sound check measured, beyond what the devices say; zero where none did.
fn checked_delay(check: &Path) -> Seconds {
    #[derive(Deserialize)]
    struct Check {
        round_trip_ms: Option<f64>,
    }
    let found = crate::files::read(check).ok().and_then(|b| serde_json::from_slice::<Check>(&b).ok());
    let ms = found.and_then(|c| c.round_trip_ms).filter(|ms| ms.is_finite());
    Seconds::of(ms.unwrap_or(0.0) / 1e3)
}

pub(super) fn play(args: &PlayArgs) -> Result<Outcome> {
    check_level(args.level)?;
    let (text, bank) = read(&args.drill)?;
    let seed = args.seed.or(args.pupil.as_deref().map(drill::seed_of)).unwrap_or(1);
    let config = GuideConfig { peak: Decibels(args.level), ..GuideConfig::default() };
    let plan = drawn(&bank, seed, &config, EAR_RATE)?;
    let path = place(args.places.out.as_deref(), "drill", &args.drill, args.pupil.as_deref())?;
    let microphone = Microphone::open(args.places.microphone.as_deref()).map_err(device)?;
    let loudspeaker = Loudspeaker::open(args.places.loudspeaker.as_deref()).map_err(device)?;
    let delay = checked_delay(&args.check);
    let guide = drill::plan(&plan.drill, seed, &plan.guide.config, loudspeaker.rate).guide;
    let mut row = RecordingRow {
        began: crate::take::now(),
        microphone: microphone.name.clone(),
        loudspeaker: loudspeaker.name.clone(),
        rate_hz: microphone.rate.get(),
        channels: microphone.channels,
        ..RecordingRow::default()
    };
    let note = drill::plan_json(&plan, &text, args.pupil.as_deref());
    let card = write_card(&path, &note, &row, None)?;
    tell(&format!("care: {CAUTION}"));
    let hush = &plan.drill.calls[plan.drill.hush];
    if let Some(round) = shown_alone(&plan, hush) {
        tell(&format!("{}: {round}", drill::rule(&plan.drill)));
    }
    let (mic_rate, channels) = (microphone.rate, microphone.channels);
    let recording = match microphone.record(&path, plan.guide.lasts() + AFTER) {
        Ok(Ok(recording)) => recording,
        Ok(Err(error)) => {
            let _ = std::fs::remove_file(drill_card(&path));
            return Err(device(error));
        }
        Err(error) => return Err(error).with_context(|| format!("cannot make the sound file `{}`", path.shown())),
    };
    let follow = Follow::open(&path, mic_rate, channels)
        .with_context(|| format!("cannot read the recording `{}`", path.shown()))?;
    let mut played = Played {
        live: Live::new(plan.clone()),
        moments: drill::moments(&plan),
        recording: &recording,
        loudspeaker: &loudspeaker,
        delay,
        lasts: guide.length,
        calls: Some(guide.samples()),
        follow,
        said: Vec::new(),
        signals: !args.no_signals,
        show_calls: args.show_calls,
    };
    let trouble = played.run()?;
    let (said, live, begins) = (played.said, played.live, told(&recording, &loudspeaker, delay));
    let recorded = recording.finish();
    drop(loudspeaker);
    row.said = said;
    row.begins_s = begins.map(Seconds::get);
    row.length_s = Some(recorded.length.to_seconds(mic_rate).get());
    row.cut_short = trouble.or_else(|| why(&recorded));
    write_card(&path, &note, &row, Some(&card))?;
    close(args, &plan, &path, &row, live.answers(), &recorded)
}

/// A call of the bank as cells.
fn shown_alone(plan: &Plan, call: &drill::Call) -> Option<String> {
    let round = plan.rounds.first()?;
    Some(drill::cells(&Round { call: call.clone(), ..round.clone() }, plan, call.length.to_seconds(call.bpm)))
}

fn why(recorded: &Recorded) -> Option<String> {
    match &recorded.ended {
        Ended::Asked => None,
        Ended::DeviceGone(why) => Some(format!("the microphone is gone: {why}")),
        Ended::Disk(why) => Some(format!("the disk takes no more: {why}")),
        Ended::Nothing => Some("the microphone gave no sound at all".into()),
    }
}

/// Where the plan begins in the recording, by the devices' clocks.
fn told(recording: &Recording, loudspeaker: &Loudspeaker, delay: Seconds) -> Option<Seconds> {
    let (heard, began) = (loudspeaker.began()?, recording.watch().began()?);
    let from = match heard.checked_duration_since(began) {
        Some(after) => after.as_secs_f64(),
        None => -began.saturating_duration_since(heard).as_secs_f64(),
    };
    Some(Seconds::of(from) + delay)
}

/// A drill while it is played.
struct Played<'a> {
    live: Live,
    /// What there is to do when.
    moments: Vec<Moment>,
    recording: &'a Recording,
    loudspeaker: &'a Loudspeaker,
    delay: Seconds,
    /// The calls until they are played, and how long they last at the loudspeaker's rate.
    calls: Option<Vec<f32>>,
    lasts: Samples,
    follow: Follow,
    said: Vec<SaidRow>,
    signals: bool,
    show_calls: bool,
}

impl Played<'_> {
    /// Until the drill is over, a key ends it or a device fails; what failed, if the recording does not say so itself.
    fn run(&mut self) -> Result<Option<String>> {
        let watch = self.recording.watch();
        let signal = asked_to_end();
        let keys = Keys::new();
        let bar = ProgressBar::with_draw_target(None, ProgressDrawTarget::stderr());
        bar.set_style(ProgressStyle::with_template("{msg}").context("cannot draw the display")?);
        let (mut moved, mut came) = (Samples(0), Instant::now());
        let mut over: Option<Instant> = None;
        while !watch.ended() {
            if keys.stop(LOOK) || signal.load(Ordering::Relaxed) || over.is_some_and(|o| o.elapsed() > LAST_SIGNAL) {
                break;
            }
            if watch.length().0 == 0 {
                // The recorder gives up by itself.
                came = Instant::now();
                continue;
            }
            if let Some(calls) = self.calls.take() {
                self.loudspeaker.play(calls);
            }
            let played = self.loudspeaker.played();
            if played != moved {
                (moved, came) = (played, Instant::now());
            }
            let stuck = played < self.lasts && came.elapsed() > STUCK;
            if self.loudspeaker.broken() || stuck {
                return Ok(Some("the loudspeaker stopped working".into()));
            }
            self.follow.read_to(watch.length()).context("cannot read on in the recording")?;
            if over.is_none() {
                if let Some(line) = self.listen() {
                    bar.suspend(|| print(&line))?;
                    came = Instant::now();
                }
                over = self.live.is_over().then(Instant::now);
            }
            bar.set_message(self.display(played.to_seconds(self.loudspeaker.rate)));
        }
        bar.finish_and_clear();
        Ok(None)
    }

    /// What became of the answer that is just over.
    fn listen(&mut self) -> Option<String> {
        let told = told(self.recording, self.loudspeaker, self.delay)?;
        let began = Instant::now();
        let said = self.live.listen(self.follow.samples(), told)?;
        if self.signals {
            let peak = self.live.plan().guide.config.peak;
            self.loudspeaker.add(&drill::signal(said.answered.verdict.kind, peak, self.loudspeaker.rate));
        }
        let judged_in = Seconds::of(began.elapsed().as_secs_f64());
        let since = self.recording.watch().began().map_or(0.0, |b| b.elapsed().as_secs_f64());
        let row = SaidRow::of(&said, Seconds::of(since) - said.ended, judged_in);
        let line = format!("{:3}  {}\n", self.live.answers().len(), row.text);
        self.said.push(row);
        Some(line)
    }

    /// One line: which round, what to do now, and where in the bar. It says all that the sound says.
    fn display(&self, at: Seconds) -> String {
        let plan = self.live.plan();
        let Some(now) = self.moments.iter().rev().find(|m| m.at <= at) else { return Turn::Ready.say().into() };
        let Some(round) = plan.rounds.get(now.round).filter(|_| now.turn != Turn::Over) else {
            return Turn::Over.say().into();
        };
        let beat = now.beat.map_or_else(String::new, |beat| beat.to_string());
        let heard = match now.turn {
            Turn::Listen => at - round.call_at,
            _ => round.call_end - round.call_at,
        };
        let shown = match now.turn {
            Turn::Listen | Turn::Breathe if self.show_calls => drill::cells(round, plan, heard),
            _ => String::new(),
        };
        let what = match self.said.get(now.round).filter(|_| now.turn == Turn::Rest) {
            Some(said) => said.text.clone(),
            None => format!("{:11}{beat}  {shown}", now.turn.say()),
        };
        format!("round {} of {}   {}", now.round + 1, plan.rounds.len(), what.trim_end())
    }
}

/// What became of it, in words: the whole recording heard again.
fn close(
    args: &PlayArgs,
    plan: &Plan,
    path: &Path,
    row: &RecordingRow,
    answers: &[Answered],
    recorded: &Recorded,
) -> Result<Outcome> {
    if matches!(recorded.ended, Ended::Nothing) {
        let hint = "choose another with `--microphone`, and see that it is switched on";
        files::complain(&anyhow!("the drill was not heard: the microphone gave no sound at all"), Some(hint));
        return Ok(Outcome::SomeFailed);
    }
    if let Some(why) = &row.cut_short {
        let hint = "what was recorded until then is whole; what was said stands";
        files::complain(&anyhow!("the drill was cut short after {} rounds: {why}", answers.len()), Some(hint));
    }
    let failed = if row.cut_short.is_some() { Outcome::SomeFailed } else { Outcome::Done };
    if answers.is_empty() {
        tell("no round was finished");
        return Ok(failed);
    }
    if !row.said.iter().any(|s| s.call_heard) {
        tell(
            "note: the calls were not heard in the microphone (headphones, or too soft): when they sounded is known from the devices' clocks alone, and \
             only what came after each call counted",
        );
    }
    match judged(plan, row.begins_s.map(Seconds::of), path) {
        Ok(mut results) => {
            results.beside(answers);
            print(&format!("\n{}", drill::results_text(&results, &plan.drill.title, args.pupil.as_deref())))?;
        }
        Err(Unusable::Sound(error)) => super::strikes::refuse(error),
        Err(Unusable::NoCalls) => tell("note: the recording cannot be scored again: the calls are not heard in it"),
    }
    print(&format!("\n{}: the recording\n  again: pailbeat drill score {}\n", path.shown(), path.shown()))?;
    Ok(failed)
}
