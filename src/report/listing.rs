//! The bars as played, in words: the text twin of the chart, for page and terminal alike.

use crate::assess::Assessment;
use crate::part::Timeline;
use crate::stats::median;
use crate::units::Seconds;

use super::played::{Absent, Heard, Mark, Played, What};
use super::words;

/// A moment surer than this is given without its uncertainty: less than anybody hears (the least of Friberg & Sundberg
/// 1995).
const SURE_MOMENT: Seconds = Seconds::from_millis(6.0);
/// Two standard deviations either way hold 95 of 100.
const TWO_SIGMA: f64 = 1.96;

/// One bar as played.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct BarLine {
    /// Said before it, where it does not follow the bar before it.
    pub(super) seam: Option<String>,
    /// `A, first time`.
    pub(super) section: String,
    pub(super) bar: u32,
    /// One for each mark: `2& rim 12 early`.
    pub(super) items: Vec<String>,
    /// The player's own pulse, in quarter notes a minute.
    pub(super) pulse: Option<String>,
}

pub(super) fn listing(assessment: &Assessment) -> Vec<BarLine> {
    let timeline = &assessment.timeline;
    let played = Played::of(assessment);
    let mut lines = Vec::new();
    for run in &played.runs {
        for bar in run.bars.clone() {
            let Some(written) = timeline.bars.get(bar) else { continue };
            let section = section(timeline, bar);
            let marks = run.marks.iter().filter(|mark| mark.bar == bar).collect::<Vec<_>>();
            let bpms = marks.iter().filter_map(|mark| match mark.what {
                What::Heard(heard) => heard.bpm.map(|b| b.get()),
                _ => None,
            });
            let stops = run.stops.iter().filter(|stop| stop.bar == bar);
            let here = marks.iter().filter_map(|mark| Some((mark.at, said(assessment, mark)?)));
            let mut items = here.collect::<Vec<_>>();
            items.extend(stops.map(|stop| {
                let count = words::counted(timeline, bar, stop.at);
                (stop.at, format!("stopped {:.1} s before {count}", stop.extra.get()))
            }));
            items.sort_by_key(|(at, said)| (*at, !said.starts_with("stopped")));
            let mut items = items.into_iter().map(|(_, said)| said).collect::<Vec<_>>();
            items.extend(left_over(&marks));
            lines.push(BarLine {
                seam: (bar == run.bars.start).then(|| run.seam.words(assessment, &run.bars)).flatten(),
                section,
                bar: written.number,
                items,
                pulse: median(bpms).map(|bpm| format!("{bpm:.0}")),
            });
        }
    }
    lines
}

/// The section of a bar, and which time it comes where it comes more than once.
pub(super) fn section(timeline: &Timeline, bar: usize) -> String {
    let pass = timeline.bars.get(bar).and_then(|bar| timeline.passes.get(bar.pass));
    pass.map_or(String::new(), |pass| {
        let letter = words::clean(&pass.section, words::NAME);
        let again = words::comes_again(timeline, &pass.section);
        if again { format!("{letter}, {} time", words::ordinal(pass.number)) } else { letter }
    })
}

/// What is said once for a bar instead of at each stroke.
fn left_over(marks: &[&Mark]) -> Vec<String> {
    let untimed = marks.iter().any(|m| matches!(m.what, What::Heard(heard) if heard.late.is_none()));
    let absent = marks.iter().filter(|m| matches!(m.what, What::Written { why: Absent::NotHere, .. })).count();
    let mut said = Vec::new();
    if untimed {
        said.push("not timed".to_owned());
    }
    if absent > 0 {
        said.push(format!("{} not played this time", words::count(absent, "stroke", "strokes")));
    }
    said
}

pub(super) fn said(assessment: &Assessment, mark: &Mark) -> Option<String> {
    let count = words::counted(&assessment.timeline, mark.bar, mark.at);
    Some(match mark.what {
        What::Heard(heard) => format!("{count} {}", strike(&heard)),
        What::Written { surface, both, why, .. } => {
            let hands = if both { "both " } else { "" };
            let why = match why {
                Absent::Missed => "not played",
                Absent::NotHeard => "could not be heard",
                Absent::NotHere => return None,
            };
            format!("{count} {hands}{} {why}", surface.word())
        }
        What::Stray { in_rest, quiet, .. } => {
            let beat = assessment.timeline.beat_in_bar(mark.bar, mark.at);
            let what = if quiet { "rebound" } else { "extra strike" };
            format!("{what} at {beat:.1}{}", if in_rest { " in the rest" } else { "" })
        }
    })
}

fn strike(heard: &Heard) -> String {
    let mut said = String::new();
    if heard.both {
        said.push_str("both ");
    }
    said.push_str(heard.surface.word());
    if heard.surface_p < words::CLEAR {
        said.push('?');
    }
    if heard.wrong {
        said.push_str(&format!(" for {}", heard.written.word()));
    }
    match heard.late.map(|late| late.millis().round()) {
        Some(late) if late > 0.0 => said.push_str(&format!(" {late:.0} late")),
        Some(late) if late < 0.0 => said.push_str(&format!(" {:.0} early", -late)),
        Some(_) => said.push_str(" on the beat"),
        None => {}
    }
    let spread = heard.sigma.millis() * TWO_SIGMA;
    if heard.late.is_some() && spread > SURE_MOMENT.millis() {
        said.push_str(&format!(" ±{spread:.0}"));
    }
    said
}
