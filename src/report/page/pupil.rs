//! The pupil's page: one thing to keep, one to try, the bar itself, the next tempo. Short words, short lines, large
//! letters, for children who read slowly; nothing compares a child with anybody.

use std::fmt::Write as _;
use std::ops::Range;

use crate::assess::{Assessment, Kind};
use crate::part::{Hands, Surface};
use crate::units::{Bpm, Ticks};

use super::super::chart::{self, Highlight, Sign};
use super::super::{Meta, words};
use super::{PageError, css, document, escape, name};

/// Most bars shown: what a child plays from memory at once.
const MOST_BARS: usize = 2;
/// Longest name that stands in one line at full size.
const SHORT_NAME: usize = 24;
/// The bar on paper and on a phone.
const WIDTHS: [(&str, u32); 2] = [("sheet", 640), ("phone", 330)];
/// The hearing caution in a child's words.
const CARE: &str = "Drums are loud. Put something soft under your bucket. Take breaks. Hold your sticks loosely. If \
something hurts, or your ears ring, stop and tell a grown-up.";

/// The privacy sentence for a child.
const PRIVATE: &str = "Your recording stayed on the computer where this page was made.";

pub(super) fn page(assessment: &Assessment, meta: &Meta) -> Result<String, PageError> {
    let (timeline, advice) = (&assessment.timeline, &assessment.advice);
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
    let praise = advice.praise.trim();
    if !praise.is_empty() {
        say(out, "Keep this", praise);
        out.push_str("</section>\n");
    }
    let fix = advice.fix.trim();
    if !fix.is_empty() {
        say(out, "Try this", fix);
        out.push_str(&bars(assessment)?);
        out.push_str("</section>\n");
    }
    next(out, assessment, !fix.is_empty());
    out.push_str("<section class=\"note\">\n<h2>A word from your teacher</h2>\n<div></div>\n</section>\n");
    let _ = writeln!(out, "<footer><p>{}</p><p class=\"tiny\">{}</p></footer>", escape(CARE), escape(PRIVATE));
    Ok(document(pupil.as_deref().unwrap_or(&title), css::PUPIL, &body))
}

/// The bars that the fix speaks of, with the key to their shapes.
pub(super) fn bars(assessment: &Assessment) -> Result<String, PageError> {
    let (bars, mut out) = (shown(assessment), String::new());
    if !assessment.advice.fix.trim().is_empty() && !bars.is_empty() {
        bar(&mut out, assessment, bars)?;
    }
    Ok(out)
}

/// A heading and its sentences, each on a line of its own.
fn say(out: &mut String, heading: &str, text: &str) {
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

/// The bars to draw: those to practise, around the place the fix speaks of.
fn shown(assessment: &Assessment) -> Range<usize> {
    let all = assessment.timeline.bars.len();
    let Some(wanted) = assessment.advice.practise.clone() else {
        return place(assessment).map_or(0..0, |(bar, _)| bar..bar + 1);
    };
    let wanted = wanted.start.min(all)..wanted.end.min(all);
    if wanted.len() <= MOST_BARS {
        return wanted;
    }
    let first = place(assessment).map_or(wanted.start, |(bar, _)| bar.clamp(wanted.start, wanted.end - MOST_BARS));
    first..first + MOST_BARS
}

/// Bar and moment of the finding that the fix speaks of.
fn place(assessment: &Assessment) -> Option<(usize, Ticks)> {
    let timeline = &assessment.timeline;
    let finding = assessment.findings.get(assessment.advice.about?)?;
    let section = finding.section.as_ref()?;
    let pass = timeline
        .passes
        .iter()
        .find(|pass| pass.section == *section && finding.pass.is_none_or(|number| number == pass.number))?;
    let number = finding.bar.or(finding.bars.map(|(first, _)| first))?;
    let bar = pass.bars.start.checked_add(number.checked_sub(1)? as usize).filter(|bar| pass.bars.contains(bar))?;
    let beats = finding.beat.filter(|beat| beat.is_finite()).unwrap_or(1.0) - 1.0;
    let ticks = (beats.clamp(0.0, f64::from(timeline.meter.beats)) * timeline.meter.beat().0 as f64).round();
    Some((bar, timeline.bars.get(bar)?.at + Ticks(ticks as i64)))
}

/// What is framed in the drawn bar, and the word under it.
fn highlights(assessment: &Assessment) -> Vec<Highlight> {
    let timeline = &assessment.timeline;
    let finding = assessment.advice.about.and_then(|i| assessment.findings.get(i));
    let (Some(finding), Some((bar, at))) = (finding, place(assessment)) else { return Vec::new() };
    let Some(start) = timeline.bars.get(bar).map(|b| b.at) else { return Vec::new() };
    let end = start + timeline.meter.bar();
    let frame = |from: Ticks, to: Ticks, word: &str| Highlight { bar, from, to, word: word.to_owned() };
    if finding.kind == Kind::RestNotKept {
        let rests = timeline.rests.iter().filter(|rest| rest.to > start && rest.from < end);
        return rests.map(|rest| frame(rest.from.max(start), rest.to.min(end), "wait")).collect();
    }
    let stroke = timeline.strokes.iter().find(|s| s.at >= at && s.bar == bar);
    let word = match finding.kind {
        Kind::EarlyReEntry => "not before here",
        Kind::LateReEntry | Kind::JoinGap => "come in here",
        Kind::WrongSurface => stroke.map_or("here", |s| words::simple_surface(s.surface)),
        Kind::NotTogether => "together",
        Kind::Paused | Kind::Restarted | Kind::Lost => "go on here",
        _ => return Vec::new(),
    };
    let from = stroke.map_or(at, |s| s.at);
    // One cell of the drawing holds one stroke, however short the cells are.
    vec![frame(from, from + Ticks(1), word)]
}

fn bar(out: &mut String, assessment: &Assessment, bars: Range<usize>) -> Result<(), PageError> {
    let timeline = &assessment.timeline;
    let highlights = highlights(assessment);
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
        signs.push((Sign::Surface(surface), words::simple_surface(surface)));
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
fn next(out: &mut String, assessment: &Assessment, fixing: bool) {
    let (timeline, advice) = (&assessment.timeline, &assessment.advice);
    let bars = shown(assessment);
    let section = timeline.bars.get(bars.start).and_then(|b| timeline.passes.get(b.pass));
    let mut steps = Vec::new();
    if let Some(pass) = section.filter(|_| fixing && !bars.is_empty()) {
        let letter = words::clean(&pass.section, words::NAME);
        steps.push(if bars.len() == 1 {
            "Play this bar three times. Slowly.".to_owned()
        } else {
            "Play these bars three times. Slowly.".to_owned()
        });
        steps.push(format!("Then play all of {letter}."));
    } else {
        steps.push("Play it once more.".to_owned());
    }
    let _ = writeln!(out, "<section>\n<h2>Next time</h2>\n<ol class=\"steps\">");
    for (i, step) in steps.iter().enumerate() {
        let _ = writeln!(out, "<li><span class=\"n\">{}</span><span>{}</span></li>", i + 1, escape(step));
    }
    let _ = writeln!(
        out,
        "<li><span class=\"n\">{}</span><span>Your tempo: <b>{:.0}</b>. <span class=\"grey\">{}</span></span></li>\n</ol>",
        steps.len() + 1,
        advice.next.get(),
        tempo_words(advice.next)
    );
    out.push_str("</section>\n");
}

/// A tempo against the one every child knows: a clock ticks sixty times a minute.
fn tempo_words(bpm: Bpm) -> &'static str {
    match bpm.get().round() {
        bpm if bpm < 55.0 => "Slower than a clock ticks.",
        bpm if bpm <= 65.0 => "As fast as a clock ticks.",
        bpm if bpm <= 85.0 => "A little faster than a clock ticks.",
        bpm if bpm <= 95.0 => "Three beats for two ticks of a clock.",
        bpm if bpm < 115.0 => "Not quite twice as fast as a clock ticks.",
        bpm if bpm <= 125.0 => "Twice as fast as a clock ticks.",
        _ => "More than twice as fast as a clock ticks.",
    }
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
    fn a_clock_ticks_sixty_times_a_minute() {
        assert!(tempo_words(Bpm::clamped(60.0)).starts_with("As fast"));
        assert!(tempo_words(Bpm::clamped(120.0)).starts_with("Twice"));
        assert!(tempo_words(Bpm::clamped(90.0)).starts_with("Three beats for two"));
    }
}
