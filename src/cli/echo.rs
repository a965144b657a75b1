//! `pailbeat drill play`: the leader plays a call, the pupil answers, the verdict comes at once; the recording is kept.
//!
//! The loop goes by the microphone's sound: an answer is over when the microphone has given so much. Nothing in it waits
//! for a strike, and what ends the recording ends the loop.

use std::path::Path;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use anyhow::{Context, Result, anyhow};
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::{Deserialize, Serialize};

use super::drilled::{Unusable, check_level, drawn, judged, read};
use super::files::{self, print, tell};
use super::session::{AFTER, Keys, asked_to_end, device, drill_card, place};
use super::{Outcome, PlayArgs};
use crate::audio::{Ended, Follow, Loudspeaker, Microphone, Recorded, Recording};
use crate::drill::{self, Answered, Place, Plan, Round};
use crate::files::Shown as _;
use crate::guide::{CAUTION, GuideConfig};
use crate::units::{Decibels, EAR_RATE, Samples, Seconds};

/// How often the loop looks: the delay of a verdict hangs on it.
const LOOK: Duration = Duration::from_millis(10);
/// An answer is heard on for this long after its last bar, for a last stroke that comes late.
const GRACE: Seconds = Seconds::from_millis(60.0);
/// The calls are looked for in the sound this long after a call's last bar: the breath's first beat is in it, and there is
/// time before the answer ends.
const LOOKED_FOR: Seconds = Seconds::from_millis(200.0);
/// A loudspeaker that plays nothing for so long has stopped working; sound servers take two seconds to wake.
const STUCK: Duration = Duration::from_secs(6);
/// The last signal is heard out.
const LAST_SIGNAL: Duration = Duration::from_millis(700);

/// What a card keeps of the recording, beside the plan.
#[derive(Clone, Debug, Default, Serialize)]
struct RecordingRow {
    began: String,
    microphone: String,
    loudspeaker: String,
    rate_hz: u32,
    channels: u16,
    /// Where the plan's first sample was heard, by the devices' clocks and the sound check's delay.
    begins_s: Option<f64>,
    length_s: Option<f64>,
    cut_short: Option<String>,
    /// What was said at once.
    said: Vec<SaidRow>,
}

#[derive(Clone, Debug, Serialize)]
struct SaidRow {
    verdict: String,
    text: String,
    /// From the end of the answer's last bar, as the microphone gave it, to the verdict.
    after_ms: f64,
    /// Of that, what it took to hear and judge.
    judged_in_ms: f64,
    /// Whether the call was recognised in the microphone.
    call_heard: bool,
}

/// Writes the card over its `earlier` state, where there is one; its text.
fn write_card(path: &Path, plan: &str, recording: &RecordingRow, earlier: Option<&str>) -> Result<String> {
    let mut card: serde_json::Value = serde_json::from_str(plan).context("cannot write the card")?;
    if let Some(card) = card.as_object_mut() {
        card.insert("recording".into(), serde_json::to_value(recording).context("cannot write the card")?);
    }
    let text = serde_json::to_string_pretty(&card).context("cannot write the card")?;
    let text = format!("{text}\n");
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
        tell(&format!(
            "echo every call after the breath, but meet the hush pattern `{}` with silence: {round}",
            hush.name
        ));
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
    let mut live = Live {
        plan: &plan,
        recording: &recording,
        loudspeaker: &loudspeaker,
        delay,
        lasts: guide.length,
        calls: Some(guide.samples()),
        follow,
        place: None,
        looked: 0,
        answers: Vec::new(),
        said: Vec::new(),
        signals: !args.no_signals,
        show_calls: args.show_calls,
    };
    let trouble = live.run()?;
    let (said, answers, begins) = (live.said, live.answers, told(&recording, &loudspeaker, delay));
    let recorded = recording.finish();
    drop(loudspeaker);
    row.said = said;
    row.begins_s = begins.map(Seconds::get);
    row.length_s = Some(recorded.length.to_seconds(mic_rate).get());
    row.cut_short = trouble.or_else(|| why(&recorded));
    write_card(&path, &note, &row, Some(&card))?;
    close(args, &plan, &path, &row, &answers, &recorded)
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
struct Live<'a> {
    plan: &'a Plan,
    recording: &'a Recording,
    loudspeaker: &'a Loudspeaker,
    delay: Seconds,
    /// The calls until they are played, and how long they last at the loudspeaker's rate.
    calls: Option<Vec<f32>>,
    lasts: Samples,
    follow: Follow,
    /// Where the calls were heard last.
    place: Option<Place>,
    /// Rounds whose call has been looked for.
    looked: usize,
    answers: Vec<Answered>,
    said: Vec<SaidRow>,
    signals: bool,
    show_calls: bool,
}

impl Live<'_> {
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
                let done = self.answers.len() == self.plan.rounds.len() || drill::is_over(self.plan, &self.answers);
                over = done.then(Instant::now);
            }
            bar.set_message(self.display(played.to_seconds(self.loudspeaker.rate)));
        }
        bar.finish_and_clear();
        Ok(None)
    }

    /// The last sound there is, and where it begins in the recording.
    fn lately(&self) -> (&[f32], Seconds) {
        let all = self.follow.samples();
        let rate = f64::from(EAR_RATE.get());
        let from = all.len().saturating_sub((drill::LOOKED_BACK.get() * rate) as usize);
        (&all[from..], Samples(from as u64).to_seconds(EAR_RATE))
    }

    /// Looks for the call, and once the answer is over says what became of it.
    fn listen(&mut self) -> Option<String> {
        let k = self.answers.len();
        let round = self.plan.rounds.get(k)?;
        let told = told(self.recording, self.loudspeaker, self.delay)?;
        let now = Samples(self.follow.samples().len() as u64).to_seconds(EAR_RATE);
        let place = self.place.unwrap_or(Place::Told(told));
        if self.looked == k && now >= place.at(round.call_end) + LOOKED_FOR {
            self.looked += 1;
            let (samples, from) = self.lately();
            let found = drill::place(self.plan, samples, from, told);
            self.place = found.or(self.place);
            return None;
        }
        let ended = place.at(round.answer_end);
        if now < ended + GRACE {
            return None;
        }
        let began = Instant::now();
        let (samples, from) = self.lately();
        let answered = drill::verdict_now(self.plan, k, samples, from, &place)?;
        if self.signals {
            let peak = 10f64.powf(self.plan.guide.config.peak.0 / 20.0);
            self.loudspeaker.add(&drill::signal(answered.verdict.kind, peak, self.loudspeaker.rate));
        }
        let judged_in = began.elapsed();
        let since = self.recording.watch().began().map_or(0.0, |b| b.elapsed().as_secs_f64());
        let text = drill::verdict_text(&answered);
        self.said.push(SaidRow {
            verdict: answered.verdict.kind.word().into(),
            text: text.clone(),
            after_ms: ((since - ended.get()) * 1e4).round() / 10.0,
            judged_in_ms: (judged_in.as_secs_f64() * 1e4).round() / 10.0,
            call_heard: matches!(place, Place::Heard(_)),
        });
        self.answers.push(answered);
        Some(format!("{:3}  {text}\n", k + 1))
    }

    /// One line: which round, what to do now, and where in the bar. It says all that the sound says.
    fn display(&self, at: Seconds) -> String {
        let rounds = &self.plan.rounds;
        let Some(k) = rounds.iter().position(|r| at < r.end) else { return "the drill is over".into() };
        let round = &rounds[k];
        let beat = round.beat(&self.plan.drill).get();
        let count = |from: Seconds| ((at - from).get() / beat).floor() + 1.0;
        let what = if at < round.call_at {
            let left = ((round.call_at - at).get() / beat).ceil();
            let counted = f64::from(self.plan.guide.count_in) - left + 1.0;
            if counted < 1.0 { "get ready".into() } else { format!("counting in  {counted:.0}") }
        } else if at < round.call_end {
            let shown =
                if self.show_calls { drill::cells(round, self.plan, at - round.call_at) } else { String::new() };
            format!("listen     {:.0}  {shown}", count(round.call_at))
        } else if at < round.answer_at {
            let whole = round.call_end - round.call_at;
            let shown = if self.show_calls { drill::cells(round, self.plan, whole) } else { String::new() };
            format!("breathe    {:.0}  {shown}", count(round.call_end))
        } else if at < round.answer_end {
            format!("your turn  {:.0}", count(round.answer_at))
        } else {
            self.said.get(k).map_or_else(|| "rest".into(), |s| s.text.clone())
        };
        format!("round {} of {}   {what}", k + 1, rounds.len())
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
            let other = |(k, (now, then)): (usize, (&Answered, &Answered))| {
                (now.verdict.kind != then.verdict.kind).then(|| (k + 1).to_string())
            };
            let changed: Vec<String> = results.answers.iter().zip(answers).enumerate().filter_map(other).collect();
            if !changed.is_empty() {
                results.limits.push(format!(
                    "heard again as a whole, now that your own timing is known, round {} is judged differently",
                    changed.join(", ")
                ));
            }
            print(&format!("\n{}", drill::results_text(&results, &plan.drill.title, args.pupil.as_deref())))?;
        }
        Err(Unusable::Sound(error)) => super::strikes::refuse(error),
        Err(Unusable::NoCalls) => tell("note: the recording cannot be scored again: the calls are not heard in it"),
    }
    print(&format!("\n{}: the recording\n  again: pailbeat drill score {}\n", path.shown(), path.shown()))?;
    Ok(failed)
}
