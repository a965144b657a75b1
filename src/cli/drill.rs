//! `pailbeat drill`: an echo drill as a guide, and the scoring of its recordings.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};

use super::drilled::{Unusable, check_level, drawn, judged, read};
use super::echo;
use super::files::{self, print, tell};
use super::session::drill_card;
use super::{DrillArgs, DrillWhat, Outcome, strikes};
use crate::audio;
use crate::book::{Book, NO_ROUND, NewDrill, ONE_ROUND, now, sources};
use crate::chain::{self, Listened, quietly};
use crate::drill::{self, Led, Made, Plan, Results, Round};
use crate::files::Shown as _;
use crate::guide::{self, GuideConfig};
use crate::leak::{self, Pieces};
use crate::names;
use crate::units::{Decibels, SampleRate};

/// What is known of a drill that was played.
struct Known {
    made: Made,
    /// Who led it, where it was not this program.
    leader: Option<Leader>,
}

/// A leader's own sound.
struct Leader {
    led: Led,
    pieces: Pieces,
}

/// A drill file and the sound of a leader who played its calls.
fn led(file: &Path, sound: &Path) -> Result<Known> {
    let (text, drill) = read(file)?;
    let name = sound.shown();
    let Listened { take, low, .. } = heard(sound).map_err(strikes::with_hint)?;
    let (plan, led) = drill::led(&drill, &take)
        .map_err(|e| anyhow!("cannot follow `{name}` by `{}`: {e}\nhint: {}", file.shown(), e.hint()))?;
    let pieces = Pieces::of(&low, &led.pieces);
    let call = |r: &Round| if r.hush { format!("{} (hush)", r.call.name) } else { r.call.name.clone() };
    let calls: Vec<String> = plan.rounds.iter().map(call).collect();
    let others = match led.passed_over {
        0 => String::new(),
        1 => "; one other stretch of strikes is none of the calls and is passed over".into(),
        n => format!("; {n} other stretches of strikes are none of the calls and are passed over"),
    };
    tell(&format!("note: `{name}`: {}: {}{others}", crate::english::counted(calls.len(), "call"), calls.join(", ")));
    let made = Made { plan, text, pupil: None, begins: None, began: None };
    Ok(Known { made, leader: Some(Leader { led, pieces }) })
}

fn heard(path: &Path) -> Result<Listened, strikes::Unheard> {
    let heard = chain::listen(&mut strikes::sound(path), &mut quietly)?;
    strikes::tell_notices(path, &heard.notices);
    Ok(heard)
}

impl Leader {
    /// Judges a recording made while the leader played.
    fn judged(&self, plan: &Plan, path: &Path) -> Result<Results, Unusable> {
        let Listened { take, low, .. } = heard(path).map_err(Unusable::Sound)?;
        let lock = leak::find_sound(&self.pieces, &low).ok_or(Unusable::NoCalls)?;
        Ok(drill::judge(plan, &self.led.only_pupil(take, &lock), |at| lock.at(at), None))
    }
}

/// A plan, the guide that was written beside it and holds it too, or the card of a recording.
fn planned(path: &Path) -> Result<Known> {
    let name = path.shown();
    let unread = || format!("cannot read the plan `{name}`");
    let note = crate::files::ordinary(path).and_then(|mut file| audio::note_of(&mut file)).with_context(unread)?;
    let text = match note {
        Some(note) => note,
        None => String::from_utf8_lossy(&crate::files::read(path).with_context(unread)?).into_owned(),
    };
    let made = drill::made(&text).map_err(|e| anyhow!("cannot use the plan `{name}`: {e}\nhint: {}", e.hint()))?;
    Ok(Known { made, leader: None })
}

fn make(file: &Path, out: &Path, pupil: Option<&str>, seed: Option<u64>, level: f64, rate: u32) -> Result<Outcome> {
    if !out.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) {
        bail!("`{}` is no name for the guide: it is written as a wav file, so let it end in `.wav`", out.shown());
    }
    check_level(level)?;
    let (text, drill) = read(file)?;
    let seed = seed.or(pupil.map(drill::seed_of)).unwrap_or(1);
    let rate = SampleRate::new(rate).ok_or_else(|| anyhow!("`--rate 0` is no rate"))?;
    let config = GuideConfig { peak: Decibels(level), ..GuideConfig::default() };
    let plan = drawn(&drill, seed, &config, rate)?;
    let note = drill::plan_json(&plan, &text, pupil);
    let beside: PathBuf = out.with_extension("json");
    let sound = audio::wav(&plan.guide.samples(), rate, &note).context("cannot make the sound file")?;
    let of = format!("drill {} {}", drill.title, pupil.map(names::key).unwrap_or_default());
    write_both(out, sound, &beside, &note, of.as_bytes())?;
    let whose = pupil.map_or(String::new(), |p| format!(" for {p}"));
    print(&format!(
        "{}: `{}`{whose}, {} rounds, {:.0} s\n{}: its plan, for `pailbeat drill score`\n",
        out.shown(),
        drill.title,
        plan.rounds.len(),
        plan.guide.lasts().get(),
        beside.shown()
    ))?;
    tell(&format!("care: {}", guide::CAUTION));
    Ok(Outcome::Done)
}

/// Writes the calls, and beside them their plan, over those of the same drill for the same pupil only. The plan is ours
/// where it is what the calls beside it say themselves.
fn write_both(out: &Path, sound: Vec<u8>, beside: &Path, note: &str, of: &[u8]) -> Result<()> {
    let earlier = crate::files::is_ours(out)
        .then(|| crate::files::ordinary(out).and_then(|mut file| audio::note_of(&mut file)).ok().flatten())
        .flatten();
    let plan = format!("{note}\n");
    if crate::files::is_free(out, of).is_ok_and(|free| free) {
        files::kept(match earlier {
            Some(earlier) => crate::files::put_over(beside, plan.as_bytes(), format!("{earlier}\n").as_bytes()),
            None => crate::files::put_over(beside, plan.as_bytes(), plan.as_bytes()),
        })?;
    }
    files::kept(crate::files::put(out, sound, of))
}

/// Keeps a score in the book.
fn keep(book: &Book, known: &Known, whose: Option<&str>, path: &Path, results: &Results) -> Result<()> {
    let made = &known.made;
    let whose = whose.or(made.pupil.as_deref()).ok_or_else(|| {
        anyhow!("`{}` cannot be kept in the book: nobody is named\nhint: say whose it is with `--pupil`", path.shown())
    })?;
    let pupil = book.pupil(whose)?;
    book.store_drill(&NewDrill {
        pupil: pupil.id,
        sha256: crate::files::ordinary(path)
            .and_then(|mut f| crate::files::sum_of(&mut f))
            .with_context(|| format!("cannot read `{}`", path.shown()))?,
        file: path.shown().to_string(),
        taken_s: sources::made_s(made.began.as_deref(), path).unwrap_or_else(now),
        text: &made.text,
        plan: &made.plan,
        results,
    })?;
    tell(&format!("kept in the book for {}", crate::report::shown(&pupil.nickname)));
    Ok(())
}

fn score(
    named: &[PathBuf],
    leader: Option<&Path>,
    kept: Option<&Path>,
    whose: Option<&str>,
    as_json: bool,
) -> Result<Outcome> {
    let book = kept.map(|folder| super::book::open(folder, "pailbeat drill score")).transpose()?;
    let (plan, takes) = match (leader, named) {
        (Some(leader), [drill, rest @ ..]) => (Some(led(drill, leader)?), rest),
        // A recording with its card, or a plan with the recordings.
        (_, [first, rest @ ..]) if !drill_card(first).exists() => (Some(planned(first)?), rest),
        (_, all) => (None, all),
    };
    if takes.is_empty() {
        bail!("there is a plan but no recording to score\nhint: name the recordings after the plan");
    }
    let mut failed = false;
    for path in takes {
        let own;
        let known = match &plan {
            Some(plan) => plan,
            None => {
                own = planned(&drill_card(path))?;
                &own
            }
        };
        let made = &known.made;
        let results = match &known.leader {
            Some(leader) => leader.judged(&made.plan, path),
            None => judged(&made.plan, made.begins, path),
        };
        match results {
            Ok(results) => {
                if as_json {
                    let json = drill::results_json(&results, &made.plan, made.pupil.as_deref());
                    files::print_json(&format!("{json}\n"))?;
                } else {
                    print(&drill::results_text(&results, &made.plan.drill.title, made.pupil.as_deref()))?;
                }
                match &book {
                    Some(_) if results.tally.rounds == 0 => {
                        failed = true;
                        let error = anyhow!("`{}` is not kept in the book: {NO_ROUND}", path.shown());
                        files::complain(&error, Some(ONE_ROUND));
                    }
                    Some(book) => keep(book, known, whose, path, &results)?,
                    None => {}
                }
            }
            Err(Unusable::Sound(error)) => {
                failed = true;
                strikes::refuse(error);
            }
            Err(Unusable::NoCalls) => {
                failed = true;
                let (calls, other) = match &known.leader {
                    None => ("the calls of this plan are", "the plan that was played"),
                    Some(_) => ("the leader's sound is", "the sound that was played"),
                };
                let error = anyhow!("cannot score `{}`: {calls} not heard in it", path.shown());
                let hint = format!("play it over a loudspeaker, not headphones, while recording, or give {other}");
                files::complain(&error, Some(&hint));
            }
        }
    }
    Ok(if failed { Outcome::SomeFailed } else { Outcome::Done })
}

pub(super) fn run(args: &DrillArgs) -> Result<Outcome> {
    match &args.what {
        DrillWhat::Make { drill, out, pupil, seed, level, rate } => {
            make(drill, out, pupil.as_deref(), *seed, *level, *rate)
        }
        DrillWhat::Score { files, leader, book, pupil, json } => {
            score(files, leader.as_deref(), book.as_deref(), pupil.as_deref(), *json)
        }
        DrillWhat::Play(args) => echo::play(args),
    }
}
