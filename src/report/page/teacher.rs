//! The teacher's page: what happened in words, the chart, what to say to the pupil, what the take cannot tell.

use std::fmt::Write as _;

use crate::assess::{Assessment, Status, say};
use crate::part::Surface;
use crate::stats::median;

use super::super::chart::{self, ChartStyle};
use super::super::listing::{BarLine, listing};
use super::super::{Meta, words};
use super::{PageError, Said, css, document, escape, name};

/// Published limits, each with its source; no level is ever taken from a recording.
const HEARING: &str = "Bucket playing is loud. Published limits: for adults at work 85 dBA over 8 hours, half the time for \
each 3 dB more, so 15 minutes at 100 dBA (NIOSH); for children at play a proposal of 80 dBA over 8 hours (Roberts and \
Neitzel 2019); for children with headphones 75 dB over 40 hours a week (ITU-T H.870). Local rules decide. This page \
cannot say how loud it was: the microphone is not calibrated. Short sessions, breaks, something soft under the bucket, a \
loose grip; pain or ringing ears mean stop and ask a professional.";

/// What happens to the recording.
const PRIVACY: &str = "Made on your own computer: the recording was not sent anywhere, and this page loads nothing from \
the network.";

pub(super) fn page(assessment: &Assessment, meta: &Meta) -> Result<String, PageError> {
    let timeline = &assessment.timeline;
    let mut body = String::new();
    let out = &mut body;
    let _ = writeln!(out, "<header>\n<h1>{}</h1>", name(&timeline.title));
    let mut who = words::who_and_when(assessment, meta).iter().map(|said| name(said)).collect::<Vec<_>>();
    who.push(escape(&words::tempo(assessment)));
    let _ = writeln!(out, "<p class=\"sub\">{}</p>", who.join(" · "));
    let _ = writeln!(out, "<p class=\"gist\">{}</p>\n</header>", escape(&words::gist(assessment).join(" ")));
    findings(out, assessment);
    let (chart, long) = charts(assessment)?;
    // A long chart has the other side of the sheet to itself.
    if !long {
        out.push_str(&chart);
    }
    in_words(out, assessment);
    twin(out, assessment);
    let _ = writeln!(out, "<footer><p>{}</p><p>{}</p></footer>", escape(HEARING), escape(PRIVACY));
    if long {
        out.push_str(&chart);
    }
    let whose =
        meta.pupil.as_deref().map(|pupil| format!("{}: ", words::clean(pupil, words::NAME))).unwrap_or_default();
    let title = format!("{whose}{}", words::clean(&timeline.title, words::NAME));
    Ok(document(&title, css::TEACHER, &body))
}

fn findings(out: &mut String, assessment: &Assessment) {
    let statements = assessment.statements();
    if statements.is_empty() && assessment.clock.is_none() {
        return;
    }
    let heading = match statements.len() {
        0 => say::nothing(assessment).trim_end_matches('.'),
        1 => "One thing to look at",
        _ => "What to look at, most important first",
    };
    let _ = writeln!(out, "<section>\n<h2>{heading}</h2>");
    if !statements.is_empty() {
        out.push_str("<ol class=\"findings\">\n");
        for (i, statement) in statements.into_iter().enumerate() {
            self::statement(out, assessment, i + 1, statement);
        }
        out.push_str("</ol>\n");
    }
    out.push_str("</section>\n");
}

/// A statement as a page tells it: the sentence, where and how sure, and on what it rests.
pub(super) fn told(assessment: &Assessment, statement: std::ops::Range<usize>) -> Said {
    let findings = assessment.findings.get(statement.clone()).unwrap_or_default();
    let about = words::about(assessment, findings, " in the recording").join(" · ");
    let why = findings.iter().map(|finding| {
        let mut why = say::evidence(&finding.evidence);
        if let Some(otherwise) = finding.otherwise {
            let _ = write!(why, " The same sounds could also mean: {}.", say::heading(otherwise).to_lowercase());
        }
        why
    });
    Said { text: say::statement(assessment, statement.clone()), about: words::capital(&about), why: why.collect() }
}

fn statement(out: &mut String, assessment: &Assessment, number: usize, statement: std::ops::Range<usize>) {
    let Said { text, about, why } = told(assessment, statement);
    let _ = write!(out, "<li><span class=\"n\">{number}</span><div>{}", escape(&text));
    let _ = write!(out, " <span class=\"where\">{}</span>", escape(&about));
    out.push_str(" <details><summary>why</summary>");
    for why in why {
        let _ = write!(out, "<p>{}</p>", escape(&why));
    }
    out.push_str("</details></div></li>\n");
}

/// The chart for paper and for a phone, and whether it needs a side of the sheet.
fn charts(assessment: &Assessment) -> Result<(String, bool), PageError> {
    let (drawn, long) = drawings(assessment)?;
    if drawn.is_empty() {
        return Ok((drawn, false));
    }
    Ok((format!("<figure{}>\n{drawn}</figure>\n", if long { " class=\"long\"" } else { "" }), long))
}

/// The lines of the chart for paper and for a phone, of which a style sheet shows one; and whether the first need a side of
/// the sheet.
pub(super) fn drawings(assessment: &Assessment) -> Result<(String, bool), PageError> {
    let sheet = chart::systems(assessment, ChartStyle::SHEET)?;
    let phone = chart::systems(assessment, ChartStyle::PHONE)?;
    let long = chart::fills_a_side(&sheet);
    let mut out = String::new();
    for (class, drawings) in [("sheet", sheet), ("phone", phone)] {
        for drawing in drawings {
            let _ = writeln!(out, "<div class=\"{class}\">{}</div>", drawing.trim_end());
        }
    }
    Ok((out, long))
}

fn in_words(out: &mut String, assessment: &Assessment) {
    let advice = &assessment.advice;
    out.push_str("<div class=\"words\">\n<section>\n<h2>For the pupil</h2>\n");
    let practise = advice.practise.as_ref().map(|bars| say::exercise(&assessment.timeline, bars));
    let practise = practise.map_or_else(String::new, |bars| format!("{}.", crate::english::capital(&bars)));
    for (label, said) in [("Keep", say::praise(assessment)), ("Try", say::fix(assessment)), ("Play", practise)] {
        if !said.is_empty() {
            let _ = writeln!(out, "<p><span class=\"grey\">{label}:</span> {}</p>", escape(&said));
        }
    }
    let _ = writeln!(
        out,
        "<p><span class=\"grey\">Next:</span> {:.0} quarter notes a minute. {}</p>\n</section>",
        advice.next.get(),
        escape(&say::why(assessment))
    );
    out.push_str("<section>\n<h2>What this take cannot tell</h2>\n");
    if assessment.limits.is_empty() {
        out.push_str("<p>Nothing stood in the way of hearing it.</p>\n");
    } else {
        out.push_str("<ul class=\"plain\">\n");
        for limit in &assessment.limits {
            let _ = writeln!(out, "<li>{}</li>", escape(&say::limit(&assessment.timeline, limit)));
        }
        out.push_str("</ul>\n");
    }
    out.push_str("</section>\n</div>\n");
}

/// The chart in words, folded away.
pub(super) fn twin(out: &mut String, assessment: &Assessment) {
    let lines = listing(assessment);
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(
        out,
        "<details class=\"twin\">\n<summary>The chart in words: every bar as it was played, in milliseconds against {}</summary>",
        escape(words::clock_word(assessment))
    );
    by_surface(out, assessment);
    out.push_str("<table>\n<thead><tr><th scope=\"col\">bar</th><th scope=\"col\">what was heard</th><th scope=\"col\">pulse</th></tr></thead>\n<tbody>\n");
    let mut section = String::new();
    for BarLine { seam, section: own, bar, items, pulse } in lines {
        if let Some(seam) = seam {
            let _ = writeln!(
                out,
                "<tr><th></th><td colspan=\"2\" class=\"grey\">{}</td></tr>",
                escape(&words::capital(&seam))
            );
        }
        let place = if own == section { format!("bar {bar}") } else { format!("{own}, bar {bar}") };
        section = own;
        let heard = if items.is_empty() { "nothing is written here".to_owned() } else { items.join("; ") };
        let _ = writeln!(
            out,
            "<tr><th scope=\"row\">{}</th><td>{}</td><td>{}</td></tr>",
            escape(&place),
            escape(&heard),
            escape(&pulse.unwrap_or_default())
        );
    }
    out.push_str("</tbody>\n</table>\n</details>\n");
}

/// How each surface fared.
fn by_surface(out: &mut String, assessment: &Assessment) {
    let rows = Surface::ALL.into_iter().filter_map(|surface| {
        let judged = || {
            let strokes = assessment.timeline.strokes.iter().zip(&assessment.strokes);
            strokes.filter(move |(written, _)| written.surface == surface).map(|(_, judged)| judged)
        };
        let n = |status| judged().filter(|j| j.status == status).count();
        let written = judged().count();
        let late = median(judged().filter_map(|j| j.late.map(|l| l.millis())));
        (written > 0).then(|| {
            format!(
                "<tr><th scope=\"row\">{}</th><td>{written}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td><td>{}</td></tr>\n",
                surface.word(),
                n(Status::Played),
                n(Status::WrongSurface),
                n(Status::Missed),
                n(Status::NotHeard),
                late.map(words::lateness).unwrap_or_default()
            )
        })
    });
    let rows = rows.collect::<String>();
    let heads =
        ["surface", "written", "heard there", "heard elsewhere", "not played", "could not be heard", "in the middle"];
    let heads = heads.map(|head| format!("<th scope=\"col\">{head}</th>")).concat();
    let _ = writeln!(out, "<table>\n<thead><tr>{heads}</tr></thead>\n<tbody>\n{rows}</tbody>\n</table>");
}
