//! What was set right, by whom and when, and what that says of the ear.

use std::fmt::Write as _;

use super::super::look::Look;
use super::super::{Desk, Trouble};
use super::{form, moment};
use crate::assess::{Kind, say};
use crate::book::{SaidAtOnce, said_at_once};
use crate::report::page::{escape, shown_name};

/// Rows that are shown.
const MOST: usize = 300;

/// The page.
pub(super) fn page(desk: &Desk) -> Result<String, Trouble> {
    let ((counts, takes), rows) = desk.see(|book| Ok((book.corrected()?, book.set_right(None)?)))?;
    let mut out = String::from("<header><h1>What you set right</h1></header>\n");
    let times: usize = counts.iter().map(|c| c.1).sum();
    if rows.is_empty() {
        out.push_str(
            "<p>Nothing yet. What you say against the ear in a take stands here, and can be taken back.</p>\n",
        );
        return Ok(out);
    }
    let takes = if takes == 1 { "1 take".to_owned() } else { format!("{takes} takes") };
    let said = match times {
        0 => format!("All of it was taken back; there are {takes} in the book."),
        1 => format!("Something once in {takes}."),
        n => format!("Something {n} times in {takes}."),
    };
    let _ = writeln!(out, "<p>{said}</p>\n<ul class=\"plain\">");
    for (what, n) in &counts {
        let said = match (Kind::of(what), what.as_str()) {
            (Some(kind), _) => format!("{}: you disagreed", say::heading(kind)),
            (None, "surface") => "A surface: you heard another".into(),
            (None, "whose") => "A take was another child’s".into(),
            (None, _) => "A place was fine".into(),
        };
        let times = if *n == 1 { "once".to_owned() } else { format!("{n} times") };
        let _ = writeln!(out, "<li>{} {times}</li>", escape(&said));
    }
    out.push_str("</ul>\n<table class=\"history\"><thead><tr><th scope=\"col\">when</th><th scope=\"col\">whose</th><th scope=\"col\">what you said</th><th scope=\"col\">by</th><th scope=\"col\"><span class=\"unseen\">take it back</span></th></tr></thead><tbody>\n");
    for SaidAtOnce { first: row, ids, places } in said_at_once(&rows).iter().take(MOST) {
        let c = &row.correction;
        let ids = ids.iter().map(i64::to_string).collect::<Vec<_>>().join(",");
        let against =
            c.finding.as_deref().and_then(Kind::of).map(|kind| format!(" ({})", say::heading(kind).to_lowercase()));
        let note = if c.note.is_empty() { String::new() } else { format!(": {}", c.note) };
        let _ = write!(
            out,
            "<tr{}><td>{}</td><td><a href=\"{}\">{}</a></td><td>{} {}{}{}</td><td>{}</td><td>",
            if row.undone_s.is_some() { " class=\"gone\"" } else { "" },
            escape(&moment(c.at_s)),
            escape(&Look::take(row.take).address()),
            shown_name(&row.pupil),
            escape(places),
            escape(&c.words()),
            escape(&against.unwrap_or_default()),
            escape(&crate::report::shown(&note)),
            shown_name(&c.who)
        );
        match row.undone_s {
            Some(at) => {
                let _ = write!(out, "taken back {}", escape(&moment(at)));
            }
            None => form(&mut out, "take-back", &[("ids", &ids)], "<button class=\"small\">take it back</button>"),
        }
        out.push_str("</td></tr>\n");
    }
    out.push_str("</tbody></table>\n");
    Ok(out)
}
