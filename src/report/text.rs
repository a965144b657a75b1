//! The verdict as plain text: 80 columns, no colour, nothing that a screen reader stumbles over.

use crate::assess::{Assessment, say};

use super::listing::{BarLine, listing};
use super::{Meta, words};

/// Columns of a terminal that nobody has widened.
const COLUMNS: usize = 80;

/// Everything the terminal shows of a take.
pub fn summary(assessment: &Assessment, meta: &Meta) -> String {
    let mut out = String::new();
    let timeline = &assessment.timeline;
    paragraph(&mut out, "", &words::clean(&timeline.title, words::NAME));
    let mut who = words::who_and_when(assessment, meta);
    who.push(words::tempo(assessment));
    paragraph(&mut out, "", &who.join(" · "));
    out.push('\n');
    paragraph(&mut out, "", &words::gist(assessment).join(" "));
    findings(&mut out, assessment);
    advice(&mut out, assessment);
    if !assessment.limits.is_empty() {
        heading(&mut out, "what this take cannot tell");
        for limit in &assessment.limits {
            paragraph(&mut out, "- ", &say::limit(timeline, limit));
        }
    }
    bars(&mut out, assessment);
    out
}

fn findings(out: &mut String, assessment: &Assessment) {
    let statements = assessment.statements();
    if statements.is_empty() {
        if assessment.clock.is_some() {
            out.push('\n');
            paragraph(out, "", say::nothing(assessment));
        }
        return;
    }
    heading(out, "what to look at, most important first");
    let digits = statements.len().to_string().len();
    for (i, statement) in statements.into_iter().enumerate() {
        let findings = assessment.findings.get(statement.clone()).unwrap_or_default();
        paragraph(out, &format!("{:>digits$}  ", i + 1), &say::statement(assessment, statement));
        let about = words::about(assessment, findings, "").join(", ");
        paragraph(out, &" ".repeat(digits + 2), &format!("({about})"));
    }
}

fn advice(out: &mut String, assessment: &Assessment) {
    heading(out, "for the pupil");
    paragraph(out, "keep  ", &say::praise(assessment));
    let fix = say::fix(assessment);
    if !fix.is_empty() {
        paragraph(out, "try   ", &fix);
    }
    if let Some(bars) = &assessment.advice.practise {
        paragraph(out, "play  ", &format!("{}.", crate::english::capital(&say::exercise(&assessment.timeline, bars))));
    }
    let next = format!("{:.0} quarter notes a minute. {}", assessment.advice.next.get(), say::why(assessment));
    paragraph(out, "next  ", &next);
}

fn bars(out: &mut String, assessment: &Assessment) {
    let lines = listing(assessment);
    if lines.is_empty() {
        return;
    }
    heading(out, &format!("bar by bar, in ms against {}", words::clock_word(assessment)));
    let mut section = String::new();
    for BarLine { seam, section: own, bar, items, pulse } in lines {
        if own != section || seam.is_some() {
            let seam = seam.map(|seam| format!(" ({seam})")).unwrap_or_default();
            paragraph(out, "", &format!("{own}{seam}"));
            section = own;
        }
        let mut items = items;
        if items.is_empty() {
            items.push("nothing is written here".into());
        }
        items.extend(pulse.map(|pulse| format!("pulse {pulse}")));
        list(out, &format!("{bar:>4}  "), &items);
    }
}

fn heading(out: &mut String, text: &str) {
    out.push('\n');
    out.push_str(text);
    out.push('\n');
}

/// Words wrapped at [`COLUMNS`]. Control characters never reach a terminal.
fn paragraph(out: &mut String, lead: &str, text: &str) {
    let text = words::clean(text, usize::MAX);
    wrapped(out, lead, &text.split_whitespace().map(str::to_owned).collect::<Vec<_>>());
}

/// Items wrapped at [`COLUMNS`], each kept whole.
fn list(out: &mut String, lead: &str, items: &[String]) {
    let last = items.len().saturating_sub(1);
    let comma = |i: usize| if i < last { "," } else { "" };
    wrapped(out, lead, &items.iter().enumerate().map(|(i, item)| format!("{item}{}", comma(i))).collect::<Vec<_>>());
}

/// Pieces set in lines, what follows the first line indented like it. A piece longer than a line is cut.
fn wrapped(out: &mut String, lead: &str, pieces: &[String]) {
    let indent = lead.chars().count();
    let room = COLUMNS - indent.min(COLUMNS / 2);
    let mut column = 0;
    out.push_str(lead);
    for piece in pieces {
        let letters = piece.chars().collect::<Vec<_>>();
        for (i, part) in letters.chunks(room).enumerate() {
            let space = usize::from(column > 0 && i == 0);
            if column > 0 && column + space + part.len() > room {
                out.push('\n');
                out.push_str(&" ".repeat(indent));
                column = 0;
            } else if space > 0 {
                out.push(' ');
                column += 1;
            }
            out.extend(part);
            column += part.len();
        }
    }
    out.push('\n');
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_longer_than_the_terminal_whatever_the_words() {
        let mut out = String::new();
        paragraph(&mut out, "- ", &format!("{} short {}", "x".repeat(300), "words ".repeat(40)));
        list(&mut out, "   1  ", &vec!["2& both rim 12 early ±9".to_owned(); 30]);
        assert!(out.lines().count() > 8);
        for line in out.lines() {
            assert!(line.chars().count() <= COLUMNS, "{line}");
        }
    }

    #[test]
    fn an_escape_sequence_loses_its_escape() {
        let mut out = String::new();
        paragraph(&mut out, "", "a\u{1b}[31mred\u{7}");
        assert_eq!(out, "a [31mred\n");
    }
}
