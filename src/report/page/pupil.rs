//! The pupil's page: one thing to keep, one to try, the bar itself, the next tempo. Short words, short lines, large
//! letters, for children who read slowly; nothing compares a child with anybody.

use std::fmt::Write as _;
use std::ops::Range;

use crate::assess::{Assessment, What, say};
use crate::part::{Hands, Surface};
use crate::units::{Bpm, Seconds, Ticks};

use super::super::chart::{self, Highlight, Sign};
use super::super::{Meta, words};
use super::{PageError, css, document, escape, name};

/// Longest name that stands in one line at full size.
const SHORT_NAME: usize = 24;
/// The bar on paper and on a phone.
const WIDTHS: [(&str, u32); 2] = [("sheet", super::SHEET), ("phone", super::PHONE)];
/// The hearing caution in a child's words.
pub(super) const CARE: &str = "Drums are loud. Put something soft under your bucket. Take breaks. Hold your sticks loosely. If \
something hurts, or your ears ring, stop and tell a grown-up.";

/// The privacy sentence for a child.
const PRIVATE: &str = "Your recording stayed on the computer where this page was made.";

pub(super) fn page(assessment: &Assessment, meta: &Meta) -> Result<String, PageError> {
    let timeline = &assessment.timeline;
    let mut body = String::new();
    let out = &mut body;
    let pupil = meta.pupil.as_deref().map(|n| words::clean(n, words::NAME)).filter(|n| !n.is_empty());
    let title = words::clean(&timeline.title, words::NAME);
    let heading = pupil.as_deref().unwrap_or(&title);
    let small = if heading.chars().count() > SHORT_NAME { " class=\"small\"" } else { "" };
    let _ = writeln!(out, "<header>\n<h1{small}>{}</h1>", name(heading));
    let mut sub = Vec::new();
    if pupil.is_some() {
        sub.push(name(&title));
    }
    sub.extend(meta.date.as_deref().map(|date| format!("your take of {}", name(date))));
    let _ = writeln!(out, "<p class=\"sub\">{}</p>\n</header>", sub.join(", "));
    spoken(out, "Keep this", &say::praise(assessment));
    out.push_str("</section>\n");
    let fix = say::fix(assessment);
    if !fix.is_empty() {
        spoken(out, "Try this", &fix);
        out.push_str(&bars(assessment)?);
        out.push_str("</section>\n");
    }
    next(out, assessment);
    out.push_str("<section class=\"note\">\n<h2>A word from your teacher</h2>\n<div></div>\n</section>\n");
    let _ = writeln!(out, "<footer><p>{}</p><p class=\"tiny\">{}</p></footer>", escape(CARE), escape(PRIVATE));
    Ok(document(pupil.as_deref().unwrap_or(&title), css::PUPIL, &body))
}

/// The bars to practise, as far as the piece has them; `None` without any.
fn practised(assessment: &Assessment) -> Option<Range<usize>> {
    let (wanted, all) = (assessment.advice.practise.as_ref()?, assessment.timeline.bars.len());
    let bars = wanted.start..wanted.end.min(all);
    (!bars.is_empty()).then_some(bars)
}

/// The bars to practise, with the key to their shapes.
pub(super) fn bars(assessment: &Assessment) -> Result<String, PageError> {
    let mut out = String::new();
    if let (Some(bars), Some(_)) = (practised(assessment), assessment.advice.fix) {
        bar(&mut out, assessment, bars)?;
    }
    Ok(out)
}

/// A heading and its sentences, each on a line of its own.
pub(super) fn spoken(out: &mut String, heading: &str, text: &str) {
    let _ = writeln!(out, "<section>\n<h2>{heading}</h2>");
    for sentence in sentences(text) {
        let _ = writeln!(out, "<p class=\"say\">{}</p>", escape(sentence));
    }
}

/// Cut after `. `, `! ` and `? `, which keeps `1.5` and `e.g.x` whole.
fn sentences(text: &str) -> Vec<&str> {
    let mut out = Vec::new();
    let mut rest = text.trim();
    while let Some(end) = rest.find(". ").into_iter().chain(rest.find("! ")).chain(rest.find("? ")).min() {
        let (first, after) = rest.split_at(end + 1);
        out.push(first);
        rest = after.trim_start();
    }
    if !rest.is_empty() {
        out.push(rest);
    }
    out
}

/// What is framed in the drawn bars, and the word under it: the place the fix speaks of, and every other like it in these bars.
fn highlights(assessment: &Assessment, bars: &Range<usize>) -> Vec<Highlight> {
    let timeline = &assessment.timeline;
    let Some(about) = assessment.advice.about() else { return Vec::new() };
    let together = assessment.statements().into_iter().find(|s| s.contains(&about));
    let findings = together.and_then(|s| assessment.findings.get(s)).unwrap_or_default();
    let mut out: Vec<Highlight> = Vec::new();
    let mut frame = |bar: usize, from: Ticks, to: Ticks, word: &str| {
        if bars.contains(&bar) && out.iter().all(|h| h.from != from) {
            out.push(Highlight { bar, from, to, word: word.to_owned() });
        }
    };
    // One cell of the drawing holds one stroke, however short the cells are.
    let at_stroke = |j: usize| timeline.strokes.get(j).map(|s| (s.bar, s.at, s.at + Ticks(1)));
    for finding in findings {
        let word = |stroke: Option<usize>| say::mark(timeline, finding, stroke);
        match &finding.what {
            What::RestNotKept { rest, .. } => {
                let Some((rest, word)) = timeline.rests.get(*rest).zip(word(None)) else { continue };
                for bar in bars.clone() {
                    let Some(start) = timeline.bars.get(bar).map(|b| b.at) else { continue };
                    let (from, to) = (rest.from.max(start), rest.to.min(start + timeline.meter.bar()));
                    if from < to {
                        frame(bar, from, to, word);
                    }
                }
            }
            What::WrongSurface { strokes, .. } | What::StrokesMissing { strokes, .. } => {
                for &j in strokes {
                    if let (Some((bar, from, to)), Some(word)) = (at_stroke(j), word(Some(j))) {
                        frame(bar, from, to, word);
                    }
                }
            }
            // Where the next bar should have come.
            What::Restarted { .. }
            | What::RepeatExtra { .. }
            | What::RepeatMissing { .. }
            | What::SectionSkipped { .. } => {
                let next = bars.clone().nth(1).unwrap_or(bars.start);
                let first = timeline.bars.get(next).map(|b| b.strokes.start).and_then(at_stroke);
                if let (Some((bar, from, to)), Some(word)) = (first.filter(|f| f.0 == next), word(None)) {
                    frame(bar, from, to, word);
                }
            }
            What::StartedLate { .. } => {
                if let (Some((bar, from, to)), Some(word)) = (at_stroke(0), word(None)) {
                    frame(bar, from, to, word);
                }
            }
            What::NotTogether { .. } => {
                let both = timeline.strokes.iter().enumerate().filter(|(_, s)| s.hands == Hands::Both);
                for (j, _) in both.filter(|(_, s)| bars.contains(&s.bar)) {
                    if let (Some((bar, from, to)), Some(word)) = (at_stroke(j), word(None)) {
                        frame(bar, from, to, word);
                    }
                }
            }
            What::EarlyReEntry { .. }
            | What::LateReEntry { .. }
            | What::JoinGap { .. }
            | What::JoinRushed { .. }
            | What::Paused { .. }
            | What::Lost { .. }
            | What::Rushing(_)
            | What::Dragging(_)
            | What::UnevenHands(_)
            | What::LevelFlat { .. }
            | What::TempoApart { .. } => {
                let place = finding.place.as_ref();
                let stroke = place.and_then(|p| p.stroke);
                let first = || timeline.bars.get(place?.bar?).map(|b| b.strokes.start);
                if let (Some((bar, from, to)), Some(word)) = (stroke.or_else(first).and_then(at_stroke), word(stroke)) {
                    frame(bar, from, to, word);
                }
            }
        }
    }
    // A word under each of many frames would be said many times over: neighbours share one.
    out.sort_by_key(|h| h.from);
    let mut last: Option<(usize, String)> = None;
    for highlight in &mut out {
        let this = (highlight.bar, highlight.word.clone());
        if last.as_ref() == Some(&this) {
            highlight.word.clear();
        }
        last = Some(this);
    }
    out
}

fn bar(out: &mut String, assessment: &Assessment, bars: Range<usize>) -> Result<(), PageError> {
    let timeline = &assessment.timeline;
    let highlights = highlights(assessment, &bars);
    for bar in bars.clone() {
        let Some(written) = timeline.bars.get(bar) else { continue };
        let section = timeline.passes.get(written.pass).map(|pass| words::clean(&pass.section, words::NAME));
        let _ = writeln!(
            out,
            "<figure>\n<figcaption>{}, bar {}</figcaption>",
            name(&section.unwrap_or_default()),
            written.number
        );
        for (class, width) in WIDTHS {
            let drawing = chart::counts_svg(timeline, bar, &highlights, width)?;
            let _ = writeln!(out, "<div class=\"{class}\">{}</div>", drawing.trim_end());
        }
        out.push_str("</figure>\n");
    }
    key(out, assessment, bars)
}

/// What the shapes mean.
fn key(out: &mut String, assessment: &Assessment, bars: Range<usize>) -> Result<(), PageError> {
    let timeline = &assessment.timeline;
    let strokes = || timeline.strokes.iter().filter(|s| bars.contains(&s.bar));
    let mut signs = Vec::new();
    for surface in Surface::ALL.into_iter().filter(|surface| strokes().any(|s| s.surface == *surface)) {
        signs.push((Sign::Surface(surface), say::surface(surface)));
    }
    if strokes().any(|s| s.hands == Hands::Both) {
        signs.push((Sign::Both, "both hands"));
    }
    let inside = bars.clone().filter_map(|bar| timeline.bars.get(bar).map(|b| b.at));
    if inside.clone().any(|at| timeline.rests.iter().any(|r| r.from < at + timeline.meter.bar() && r.to > at)) {
        signs.push((Sign::Wait, "wait"));
    }
    out.push_str("<p class=\"key\">");
    for (sign, said) in signs {
        let _ = write!(out, "<span>{} {said}</span>", chart::sign_svg(sign)?.trim_end());
    }
    out.push_str("</p>\n");
    Ok(())
}

/// What to do next, one step to a line.
pub(super) fn next(out: &mut String, assessment: &Assessment) {
    let (timeline, advice) = (&assessment.timeline, &assessment.advice);
    let mut steps = vec![escape(&say::step(assessment))];
    if let Some(bars) = practised(assessment) {
        let pass = |bar: usize| timeline.bars.get(bar).and_then(|b| timeline.passes.get(b.pass));
        let mut letters: Vec<String> = Vec::new();
        for pass in bars.filter_map(pass) {
            let letter = words::clean(&pass.section, words::NAME);
            if letters.last() != Some(&letter) {
                letters.push(letter);
            }
        }
        steps.push(format!("Then play all of {}.", escape(&crate::english::listed(&letters))));
    }
    let beat = Seconds::of(advice.next.quarter().get());
    steps.push(format!(
        "Your tempo: <b>{:.0}</b>. <span class=\"grey screen\">This dot beats it.</span> <i class=\"beat\" style=\"animation-duration:{:.3}s\"></i><span class=\"grey print\">{}</span>",
        advice.next.get(),
        beat.get(),
        escape(&tempo_words(advice.next))
    ));
    let _ = writeln!(out, "<section>\n<h2>Next time</h2>\n<ol class=\"steps\">");
    for (i, step) in steps.iter().enumerate() {
        let _ = writeln!(out, "<li><span class=\"n\">{}</span><span>{step}</span></li>", i + 1);
    }
    out.push_str("</ol>\n</section>\n");
}

/// A tempo that can be found with any clock: beats counted over ten seconds.
fn tempo_words(bpm: Bpm) -> String {
    format!("Count {:.0} beats in ten seconds of a clock.", (bpm.get() / 6.0).round())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sentences_end_at_a_stop_and_numbers_stay_whole() {
        assert_eq!(sentences("Lift. Wait 1.5 beats! Then go"), ["Lift.", "Wait 1.5 beats!", "Then go"]);
        assert!(sentences("  ").is_empty());
    }

    #[test]
    fn a_tempo_is_found_with_a_clock() {
        assert_eq!(tempo_words(Bpm::clamped(60.0)), "Count 10 beats in ten seconds of a clock.");
        assert_eq!(tempo_words(Bpm::clamped(84.0)), "Count 14 beats in ten seconds of a clock.");
    }
}
