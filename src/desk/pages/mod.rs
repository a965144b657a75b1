//! What is looked at -> HTML. Everything that comes from outside passes the reports' one escaper.

mod class;
mod history;
mod part;
mod start;
mod take;

use std::fmt::Write as _;

use serde::Serialize;

use super::doing::Done;
use super::look::Look;
use super::{Desk, Trouble};
use crate::book::gather::Outcome;
use crate::report::page::{escape, progress, shown_name};

const STYLE: &str = include_str!("../../../assets/desk/desk.css");
/// The handbook, as it stands in the repository too.
const HANDBOOK: &str = include_str!("../../../assets/desk/handbook.html");

/// What came of the form before the page, if there was one.
pub(super) type Notice = Result<Done, Trouble>;

/// The page of what is looked at.
///
/// # Errors
/// If there is no such thing, or the book cannot be read.
pub(super) fn page(desk: &Desk, look: &Look, notice: Option<&Notice>) -> Result<String, Trouble> {
    if !desk.has_book() && !matches!(look, Look::Help) {
        return Ok(shell("pailbeat", "start", desk, None, notice, &start::page(desk)));
    }
    match look {
        Look::Start => {
            let first = desk.see(|book| Ok(book.classes()?.into_iter().next()))?;
            match first {
                Some(class) => page(desk, &Look::class(&class), notice),
                None => Ok(shell("pailbeat", "start", desk, None, notice, &start::page(desk))),
            }
        }
        Look::Class { class, assignment, until } => {
            let body = class::page(desk, class, *assignment, until.as_deref())?;
            Ok(shell(class, "class", desk, Some(class), notice, &body))
        }
        Look::Take { id, bar } => {
            let take::Page { title, class, body } = take::page(desk, *id, *bar)?;
            Ok(shell(&title, "take", desk, Some(&class), notice, &body))
        }
        Look::Pupil(name) => {
            let newest = desk.see(|book| {
                let pupil = book.pupil(name)?;
                Ok(book.takes(Some(pupil.id))?.last().map(|t| t.id))
            })?;
            match newest {
                Some(id) => page(desk, &Look::take(id), notice),
                None => {
                    let (class, body) = take::nothing(desk, name)?;
                    Ok(shell(name, "take", desk, Some(&class), notice, &body))
                }
            }
        }
        Look::Part { class, from } => {
            let body = part::page(desk, class, *from)?;
            Ok(shell("A part", "part", desk, Some(class), notice, &body))
        }
        Look::Print(class) => Ok(sheets(desk, class)?),
        Look::History => Ok(shell("What you set right", "history", desk, None, notice, &history::page(desk)?)),
        Look::Help => Ok(shell("Handbook", "help", desk, None, notice, HANDBOOK)),
    }
}

/// The children's pages of a class in one.
fn sheets(desk: &Desk, class: &str) -> Result<String, Trouble> {
    let views = desk.see(|book| {
        let pupils = book.pupils(Some(book.class(class)?))?;
        pupils.iter().map(|p| book.pupil_view(&p.nickname, crate::book::now())).collect::<Result<Vec<_>, _>>()
    })?;
    Ok(progress::children(class, &views))
}

/// The style of all pages.
pub(super) fn style() -> String {
    let face = |weight: u32, file: &str| {
        format!("@font-face{{font-family:'Noto Serif';font-weight:{weight};src:url(/{file}) format('woff2')}}\n")
    };
    let own = crate::report::page::desk_css();
    format!("{}{}{own}{STYLE}", face(400, "regular.woff2"), face(700, "bold.woff2"))
}

fn document(title: &str, body: &str) -> String {
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{}</title>\n\
         <link rel=\"icon\" href=\"data:,\">\n<link rel=\"stylesheet\" href=\"/desk.css\">\n\
         <script src=\"/desk.js\" defer></script>\n</head>\n<body>\n{body}</body>\n</html>\n",
        escape(title)
    )
}

/// The page behind the address that is opened: it goes on by itself.
pub(super) fn door() -> String {
    "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n<meta http-equiv=\"refresh\" content=\"0; url=/\">\n\
     <title>pailbeat</title>\n</head>\n<body><p><a href=\"/\">To the class book</a></p></body>\n</html>\n"
        .into()
}

/// A page that says why there is none.
pub(super) fn trouble(trouble: &Trouble) -> String {
    let body = format!(
        "<main id=\"main\"><h1>This could not be done</h1>\n<p>{}</p>\n<p class=\"grey\">{}</p>\n<p><a href=\"/\">To the class</a></p></main>\n",
        escape(&trouble.what),
        escape(&trouble.hint)
    );
    document("This could not be done", &format!("<div id=\"desk\" data-page=\"trouble\">{body}</div>\n"))
}

/// What stands around every page.
fn shell(title: &str, kind: &str, desk: &Desk, class: Option<&str>, notice: Option<&Notice>, body: &str) -> String {
    let mut out = String::new();
    let _ = write!(
        out,
        "<a class=\"skip\" href=\"#main\">To the page itself</a>\n<div id=\"desk\" data-page=\"{kind}\">\n"
    );
    let classes = desk.see(|book| book.classes()).unwrap_or_default();
    out.push_str("<nav class=\"top\" aria-label=\"The desk\">");
    for one in &classes {
        let here = class == Some(one);
        let _ = write!(
            out,
            "<a href=\"{}\"{}>{}</a>",
            escape(&Look::class(one).address()),
            if here { " aria-current=\"true\"" } else { "" },
            shown_name(one)
        );
    }
    let here = |page: &str| if kind == page { " aria-current=\"page\"" } else { "" };
    let _ = writeln!(
        out,
        "<span class=\"gap\"></span><a href=\"/history\"{}>What you set right</a><a href=\"/help\"{}>Help</a></nav>",
        here("history"),
        here("help")
    );
    out.push_str("<div id=\"notice\" role=\"status\" aria-live=\"polite\">");
    match notice {
        None => {}
        Some(Ok(done)) if done.said.is_empty() => {}
        Some(Ok(done)) => {
            let _ = write!(out, "<p>{}</p>", escape(&done.said));
            if !done.undo.is_empty() {
                let ids = done.undo.iter().map(i64::to_string).collect::<Vec<_>>().join(",");
                form(
                    &mut out,
                    "take-back",
                    &[("ids", &ids)],
                    "<button id=\"undo\" class=\"small\"><kbd>U</kbd> undo</button>",
                );
            }
        }
        Some(Err(trouble)) => {
            let _ = write!(
                out,
                "<p class=\"wrong\"><b>Not done:</b> {}</p><p class=\"grey\">{}</p>",
                escape(&trouble.what),
                escape(&trouble.hint)
            );
        }
    }
    let _ = writeln!(out, "</div>\n<main id=\"main\" tabindex=\"-1\">\n{body}</main>\n</div>");
    document(title, &out)
}

/// A form that asks for an act. Where it comes back to, the page's own address says.
fn form(out: &mut String, act: &str, with: &[(&str, &str)], inside: &str) {
    let _ = write!(out, "<form method=\"post\" action=\"/do/{act}\">");
    for (name, value) in with {
        let _ = write!(out, "<input type=\"hidden\" name=\"{name}\" value=\"{}\">", escape(value));
    }
    let _ = write!(out, "{inside}</form>");
}

/// A choice of texts, each its own value.
fn choice(name: &str, label: &str, texts: &[String], first: &str) -> String {
    let mut out = format!(
        "<select name=\"{name}\" aria-label=\"{}\" required><option value=\"\">{first}</option>",
        escape(label)
    );
    for text in texts {
        let _ = write!(out, "<option value=\"{}\">{}</option>", escape(text), shown_name(text));
    }
    out + "</select>"
}

/// A day and an hour as they are printed in a list: `Tue 10 Nov, 17:31`.
fn moment(at_s: i64) -> String {
    jiff::Timestamp::from_second(at_s)
        .map(|t| t.to_zoned_datetime(jiff::tz::TimeZone::system()).strftime("%a %-d %b, %H:%M").to_string())
        .unwrap_or_default()
}

/// Minutes and seconds: `0:43`.
fn length(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

/// How far the gathering is, for the page's script.
#[derive(Serialize)]
pub(super) struct Progress {
    running: bool,
    words: String,
}

/// How far the gathering is.
pub(super) fn progress(desk: &Desk) -> Progress {
    let state = desk.arriving();
    let waits = desk.waits_for().map(|what| {
        let what = if what.is_empty() { "another program".to_owned() } else { format!("`{what}`") };
        format!("Waiting: {what} has the class book.")
    });
    let words = match (&state.trouble, waits) {
        (_, Some(waits)) => waits,
        (Some(trouble), None) => format!("It stopped: {}. {}", trouble.what, trouble.hint),
        (None, None) if state.running && state.all == 0 => "Looking at what came in …".into(),
        (None, None) if state.running => {
            format!("Hearing {} of {} …", (state.done + 1).min(state.all.max(1)), state.all)
        }
        (None, None) => String::new(),
    };
    Progress { running: state.running, words }
}

/// What became of a recording, in a line of the page.
fn arrived(outcome: &Outcome) -> String {
    match outcome {
        Outcome::Added { take, pupil, part } => format!(
            "<b>{}</b>, {} <a href=\"{}\">open</a>",
            shown_name(pupil),
            shown_name(part),
            escape(&Look::take(*take).address())
        ),
        other => escape(&other.words()),
    }
}
