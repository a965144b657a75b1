//! Places, counts, doubt and amounts in words: what page, terminal and chart say the same way.

use crate::assess::{Assessment, Finding, Passes, Status, say};
use crate::english::was;
use crate::part::Timeline;
use crate::units::{Seconds, Ticks};

use super::Meta;

/// A probability above this is called `sure`: the "very likely" of Mastrandrea et al. 2010, "Guidance note for lead
/// authors of the IPCC fifth assessment report on consistent treatment of uncertainties", table 1.
const SURE: f64 = 0.90;
/// Above this `fairly sure`: the "likely" of the same table.
const FAIRLY_SURE: f64 = 0.66;

/// A surface heard with less than this probability is drawn as unclear. Source: facts gathered for this project, step
/// 4 of its chain ("unsure" below 0.7).
pub(super) const CLEAR: f64 = 0.7;

/// `sure`, `fairly sure` or `perhaps`.
pub(super) fn doubt(confidence: f64) -> &'static str {
    if confidence > SURE {
        "sure"
    } else if confidence > FAIRLY_SURE {
        "fairly sure"
    } else {
        "perhaps"
    }
}

pub(super) use crate::english::capital;
pub(super) use crate::english::{NAME, clean, count, cut, ordinal};
pub(super) use say::syllable;

/// The place in a bar as it is counted: `2`, `2&`, `2e`, and `2.67` where no syllable fits.
pub(super) fn counted(timeline: &Timeline, bar: usize, at: Ticks) -> String {
    let beat = timeline.meter.beat();
    let from = timeline.bars.get(bar).map_or(Ticks(0), |b| b.at);
    let inside = (at - from).0.max(0);
    let whole = inside / beat.0.max(1);
    let within = Ticks(inside - whole * beat.0);
    match syllable(within, beat) {
        Some(said) => format!("{}{said}", whole + 1),
        None if within.0 == 0 => format!("{}", whole + 1),
        None => format!("{:.2}", timeline.beat_in_bar(bar, at)),
    }
}

/// True when a section comes more than once, so that its passes need telling apart.
pub(super) fn comes_again(timeline: &Timeline, section: &str) -> bool {
    timeline.passes.iter().filter(|pass| pass.section == section).count() > 1
}

/// Where a finding is: `A, second time, bar 4, beat 2`; `A, within bars 3 to 5`; `the whole take`.
pub(super) fn place(timeline: &Timeline, finding: &Finding) -> String {
    let mut said = Vec::new();
    if let Some(section) = finding.section(timeline) {
        said.push(clean(section, NAME));
        if comes_again(timeline, section) {
            said.push(match (finding.pass(timeline), finding.place.as_ref().map(|p| p.passes)) {
                (Some(n), _) => format!("{} time", ordinal(n)),
                (None, Some(Passes::Every)) => "every time".into(),
                (None, _) => "which time is not known".into(),
            });
        }
    }
    match (finding.bars(timeline), finding.bar(timeline)) {
        (Some((first, last)), _) if first < last => said.push(format!("within bars {first} to {last}")),
        (_, Some(bar)) => {
            said.push(format!("bar {bar}"));
            said.extend(finding.beat(timeline).map(|b| say::beat(timeline, b)));
        }
        (Some((bar, _)), None) => said.push(format!("bar {bar}")),
        (None, None) => {}
    }
    if said.is_empty() { "the whole take".into() } else { said.join(", ") }
}

/// Where the findings of a statement are, the doubt in the surest, and when the first was.
pub(super) fn about(assessment: &Assessment, findings: &[Finding], when: &str) -> Vec<String> {
    let timeline = &assessment.timeline;
    let places: Vec<String> = findings.iter().map(|f| place(timeline, f)).collect();
    let surest = findings.iter().map(|f| f.confidence).fold(0.0, f64::max);
    let mut said = vec![places.join("; "), doubt(surest).to_owned()];
    let at = findings.first().and_then(|f| f.at);
    said.extend(at.map(|at| {
        let first = if findings.len() > 1 { "the first " } else { "" };
        format!("{first}at {}{when}", moment(at))
    }));
    said
}

/// Milliseconds against the beat: `on the beat`, `12 ms early`, `8 ms late`.
pub(super) fn lateness(ms: f64) -> String {
    match ms.round() {
        late if late > 0.0 => format!("{late:.0} ms late"),
        late if late < 0.0 => format!("{:.0} ms early", -late),
        _ => "on the beat".into(),
    }
}

/// A moment in the recording: `0:07.3`.
pub(super) fn moment(at: Seconds) -> String {
    let tenths = (at.get().max(0.0) * 10.0).round() as u64;
    format!("{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

/// The form as it was asked for: `A A B B`.
pub(super) fn form(timeline: &Timeline) -> String {
    cut(&timeline.passes.iter().map(|p| clean(&p.section, NAME)).collect::<Vec<_>>().join(" "), NAME)
}

/// The line under the title: pupil, day, take, form.
pub(super) fn who_and_when(assessment: &Assessment, meta: &Meta) -> Vec<String> {
    let mut said = Vec::new();
    said.extend(meta.pupil.as_deref().map(|n| clean(n, NAME)).filter(|n| !n.is_empty()));
    said.extend(meta.date.as_deref().map(|n| clean(n, NAME)).filter(|n| !n.is_empty()));
    said.extend(Some(clean(&meta.take, NAME)).filter(|n| !n.is_empty()).map(|n| format!("take {n}")));
    said.extend(Some(form(&assessment.timeline)).filter(|f| !f.is_empty()).map(|f| format!("form {f}")));
    said
}

/// Asked and played tempo.
pub(super) fn tempo(assessment: &Assessment) -> String {
    let asked = assessment.timeline.bpm.get();
    match assessment.clock {
        Some(clock) => format!("asked {asked:.0}, played {:.0} quarter notes a minute", clock.bpm.get()),
        None => format!("asked {asked:.0} quarter notes a minute"),
    }
}

/// How many strokes met each fate.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Fates {
    pub(super) played: usize,
    pub(super) missed: usize,
    pub(super) elsewhere: usize,
    pub(super) not_heard: usize,
    pub(super) not_reached: usize,
}

impl Fates {
    pub(super) fn of(assessment: &Assessment) -> Fates {
        let n = |status| assessment.strokes.iter().filter(|s| s.status == status).count();
        Fates {
            played: n(Status::Played),
            missed: n(Status::Missed),
            elsewhere: n(Status::WrongSurface),
            not_heard: n(Status::NotHeard),
            not_reached: n(Status::NotReached),
        }
    }
}

/// The take in two or three sentences: what was played, and how it lies around the pulse.
pub(super) fn gist(assessment: &Assessment) -> Vec<String> {
    let mut said = Vec::new();
    let Fates { played, missed, elsewhere, not_heard, not_reached } = Fates::of(assessment);
    let written = assessment.strokes.len();
    if assessment.clock.is_none() {
        let strikes = assessment.strikes.iter().filter(|s| s.counts()).count();
        let heard = capital(&count(strikes, "strike was", "strikes were"));
        let and = if strikes == 0 { "." } else { ", and they could not be matched to this part." };
        said.push(format!("{heard} heard{and}"));
        return said;
    }
    if played == written && written > 0 {
        said.push(format!("All {written} written strokes were heard, each on its surface."));
    } else {
        let mut parts = vec![format!("{played} of {written} written strokes were heard on their surface")];
        if elsewhere > 0 {
            parts.push(format!("{elsewhere} on another surface"));
        }
        if missed > 0 {
            parts.push(format!("{missed} {} not played", was(missed)));
        }
        if not_heard > 0 {
            parts.push(format!("{not_heard} may have been played but could not be heard"));
        }
        if not_reached > 0 {
            parts.push(format!("{not_reached} {} not reached", was(not_reached)));
        }
        said.push(format!("{}.", parts.join("; ")));
    }
    if let Some(jitter) = assessment.jitter {
        // One standard deviation either way holds 68 of 100 of a normal distribution.
        said.push(format!(
            "About two strokes in three lie within {:.0} ms of {}.",
            jitter.millis(),
            clock_word(assessment)
        ));
    }
    said.extend(by_guide(assessment));
    said
}

/// What lateness is measured against, stroke by stroke. Against the guide the whole take is told in one sentence.
pub(super) fn clock_word(_: &Assessment) -> &'static str {
    "the player’s own pulse"
}

/// How the take lies against the guide, where one was heard.
fn by_guide(assessment: &Assessment) -> Option<String> {
    let (middle, half) = assessment.middle_by_guide()?;
    // The phone's place and the pupil's ear are each good for a few milliseconds.
    const EVEN_MS: f64 = 5.0;
    let middle = middle.millis();
    let said = match middle {
        m if m.abs() < EVEN_MS => "with it".to_string(),
        m if m > 0.0 => format!("{m:.0} ms after it"),
        m => format!("{:.0} ms before it", -m),
    };
    Some(format!(
        "Against the guide, which was heard in the recording, most strokes came {said}, give or take {:.0} ms.",
        half.millis()
    ))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn doubt_has_the_words_of_the_guidance_note() {
        assert_eq!(
            [doubt(0.99), doubt(0.9), doubt(0.67), doubt(0.66), doubt(f64::NAN)],
            ["sure", "fairly sure", "fairly sure", "perhaps", "perhaps"]
        );
    }

    #[test]
    fn moments_roll_over_at_the_minute() {
        assert_eq!(moment(Seconds::of(59.96)), "1:00.0");
        assert_eq!(moment(Seconds::of(7.31)), "0:07.3");
        assert_eq!(moment(Seconds::of(-1.0)), "0:00.0");
    }

    #[test]
    fn lateness_is_said_in_whole_milliseconds() {
        assert_eq!(lateness(-12.4), "12 ms early");
        assert_eq!(lateness(0.4), "on the beat");
    }
}
