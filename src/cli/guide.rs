//! `pailbeat guide`: something to play along with, as a sound file.

use std::path::Path;

use anyhow::{Context, Result, anyhow, bail};

use super::files::{self, print, tell};
use super::found::PartText;
use super::{Asked, GuideArgs, Outcome, Practised, part};
use crate::audio;
use crate::files::Shown as _;
use crate::guide::{self, Description, Excerpt, Guide, GuideConfig, GuideError, Heard, Laps, Practice};
use crate::part::{Part, Timeline};
use crate::report::json;
use crate::units::{Bpm, Decibels, SampleRate};

/// `A:2-3` or `A:4`.
pub(super) fn parse_bars(text: &str) -> Result<(String, u32, u32), String> {
    let wrong = || format!("`{text}` names no bars: write the section, a colon and the bars, as in `A:2-3` or `A:4`");
    let (section, bars) = text.rsplit_once(':').ok_or_else(wrong)?;
    let (first, last) = bars.split_once('-').unwrap_or((bars, bars));
    let number = |s: &str| s.trim().parse().map_err(|_| wrong());
    Ok((section.trim().to_string(), number(first)?, number(last)?))
}

/// `A B`.
pub(super) fn parse_join(text: &str) -> Result<(String, String), String> {
    match text.split_whitespace().collect::<Vec<_>>().as_slice() {
        [before, after] => Ok((before.to_string(), after.to_string())),
        _ => Err(format!("`{text}` names no join: write the two sections in order, as in `A B`")),
    }
}

impl Practised {
    /// What is to be played; `times`: how often where it is not said.
    pub(super) fn laps(&self, times: u32) -> Laps {
        let excerpt = match (&self.section, &self.bars, &self.join) {
            (Some(name), _, _) => Excerpt::Section(name.clone()),
            (_, Some((name, first, last)), _) => Excerpt::Bars(name.clone(), *first, *last),
            (_, _, Some((before, after))) => Excerpt::Join(before.clone(), after.clone()),
            _ => Excerpt::Form,
        };
        Laps { excerpt, times: self.times.unwrap_or(times), breath: self.breath }
    }
}

/// What is to be played of a part, as a practice.
pub(super) fn practice(part: &Part, asked: &Asked, laps: &Laps) -> Result<Practice> {
    // A wrong form is shown with its place.
    let timeline = part::timeline(part, asked)?;
    Practice::of(part, asked.form.as_deref(), laps, timeline.bpm).map_err(|e| with_way_out(&e))
}

/// The guide in a file written by this program, and what is played to it.
pub(super) fn read(path: &Path, part: &Part) -> Result<(Practice, Guide)> {
    let name = path.shown();
    let note = crate::files::ordinary(path)
        .and_then(|mut file| audio::note_of(&mut file))
        .with_context(|| format!("cannot read the guide `{name}`"))?;
    let note = note.ok_or_else(|| {
        anyhow!("`{name}` is no guide of this program: give the wav file that `pailbeat guide` wrote, unchanged")
    })?;
    let about: Description =
        serde_json::from_str(&note).map_err(|e| anyhow!("the guide `{name}` does not say what it is: {e}"))?;
    about.rebuild(part).map_err(|e| anyhow!("the guide `{name}` does not fit the part: {e}"))
}

fn with_way_out(error: &GuideError) -> anyhow::Error {
    let hint = match error {
        GuideError::Form(_) | GuideError::Described(_) => return anyhow!("{error}"),
        GuideError::Section { .. } => "`pailbeat check PART` shows the sections",
        GuideError::Bars { .. } => "`pailbeat check PART` shows the bars with their numbers",
        GuideError::Times { .. } => "give fewer times with `--times`",
        GuideError::Long(_) => "practise a section with `--section`, or fewer times with `--times`",
        GuideError::Peak(_) => "leave `--level` out, and turn the player up if it is too soft",
    };
    anyhow!("{error}\nhint: {hint}")
}

/// A tempo outside the part's range, in words.
fn outside(timeline: &Timeline) -> Option<String> {
    let (asked, range) = (timeline.bpm, timeline.range);
    let (slowest, fastest) = (range.slowest().get(), range.fastest().get());
    let beyond = |what: &str| {
        Some(format!("{} quarter notes a minute is {what} the part's range of {slowest} to {fastest}", asked.get()))
    };
    match asked.get() {
        n if n < slowest => beyond("below"),
        n if n > fastest => beyond("above"),
        _ => None,
    }
}

pub(super) fn run(args: &GuideArgs) -> Result<Outcome> {
    if !args.out.extension().is_some_and(|e| e.eq_ignore_ascii_case("wav")) {
        bail!("`{}` is no name for the guide: it is written as a wav file, so let it end in `.wav`", args.out.shown());
    }
    let part = part::read(&args.part)?;
    let heard = Heard::named(&args.play).unwrap_or_default();
    let laps = args.practised.laps(if heard == Heard::Turns { 3 } else { 1 });
    let practice = practice(&part, &args.asked, &laps)?;
    let bpm: Bpm = practice.timeline.bpm;
    let rate = SampleRate::new(args.rate).ok_or_else(|| anyhow!("`--rate 0` is no rate"))?;
    let config = GuideConfig { heard, peak: Decibels(args.level), ..GuideConfig::default() };
    let guide = guide::render(&practice, &config, rate).map_err(|e| with_way_out(&e))?;
    let mut about = Description::new(&part, args.asked.form.as_deref(), &laps, bpm, &guide);
    about.part_sha256 = Some(fingerprint(&args.part)?);
    // The file says itself what it is, so that a recording of it can be held against it.
    let note = serde_json::to_string(&about).unwrap_or_default();
    let sound = audio::wav(&guide.samples(), rate, &note).context("cannot make the sound file")?;
    // Another part's guide stays.
    files::kept(crate::files::put(&args.out, sound, format!("guide {}", part.title).as_bytes()))?;
    if let Some(note) = outside(&practice.timeline) {
        tell(&format!("note: {note}"));
    }
    if heard == Heard::Turns && laps.times < 3 {
        tell("note: `--play turns` needs `--times 3` or more to come to the click and to playing alone");
    }
    if args.json {
        files::print_json(&json::guide(&guide, &practice.timeline, &about))?;
    } else {
        print(&told(args, &guide, &practice))?;
    }
    tell(&format!("care: {}", guide::CAUTION));
    Ok(Outcome::Done)
}

/// SHA-256 of the part file, hexadecimal.
pub(super) fn fingerprint(path: &Path) -> Result<String> {
    Ok(crate::take::fingerprint(PartText::named(path)?.text.as_bytes()))
}

fn told(args: &GuideArgs, guide: &Guide, practice: &Practice) -> String {
    let heard = match guide.config.heard {
        Heard::Click => "a soft click on every beat",
        Heard::Part => "the part itself",
        Heard::Both => "the part itself and soft clicks",
        Heard::Turns => "first the part, then only the click, then nothing",
        Heard::Alone => "nothing after the count-in",
    };
    let laps = practice.laps.len();
    let often = if laps > 1 { format!(", {laps} times") } else { String::new() };
    format!(
        "{}: `{}` at {} quarter notes a minute{often}, {:.0} s\n  {} beats are counted in; beat 1 of bar 1 stands at {:.3} s\n  heard: {heard}\n",
        args.out.shown(),
        practice.timeline.title,
        practice.timeline.bpm.get(),
        guide.lasts().get(),
        guide.count_in,
        guide.start.get(),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_and_joins_are_read_or_explained() {
        assert_eq!(parse_bars("A:2-3"), Ok(("A".into(), 2, 3)));
        assert_eq!(parse_bars("Chorus:4"), Ok(("Chorus".into(), 4, 4)));
        for wrong in ["A", "A:", "A:x-2", "2-3", ":1-", "A:-1"] {
            assert!(parse_bars(wrong).is_err_and(|e| e.contains("A:2-3")), "{wrong}");
        }
        assert_eq!(parse_join("A B"), Ok(("A".into(), "B".into())));
        assert!(parse_join("A").is_err() && parse_join("A B C").is_err());
    }
}
