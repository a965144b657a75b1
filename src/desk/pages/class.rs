//! A class: what came in on one side, on the other what its class page says, alive.

use std::fmt::Write as _;

use super::super::doing::day;
use super::super::look::Look;
use super::super::{Desk, Trouble};
use super::{arrived, choice, form, length, moment};
use crate::book::gather::Outcome;
use crate::book::{Assigned, Guess, Pupil, Waiting, now};
use crate::report::page::class::{HeardIn, pieces};
use crate::report::page::{escape, shown_name};

/// A day in seconds.
const DAY_S: i64 = 86_400;
/// Children of a matter that are heard at a press; the others are in their rows.
const MOST_HEARD: usize = 8;
/// Recordings whose fate is shown.
const MOST_ARRIVED: usize = 60;

/// What there is to choose from.
struct Known {
    pupils: Vec<Pupil>,
    everybody: Vec<Pupil>,
    assigned: Vec<Assigned>,
    waiting: Vec<(Waiting, Vec<Guess>, Vec<Assigned>)>,
}

/// The page.
pub(super) fn page(desk: &Desk, class: &str, assignment: Option<i64>, until: Option<&str>) -> Result<String, Trouble> {
    let until_s = until.map(|text| Ok::<_, Trouble>(day(text)? + DAY_S - 1)).transpose()?;
    let (mut view, known) = desk.see(|book| {
        let id = book.class(class)?;
        let everybody = book.pupils(None)?;
        let waiting = book.waiting()?.into_iter().map(|waiting| {
            let guesses = if waiting.pupil.is_none() { book.guesses(&waiting)? } else { Vec::new() };
            let whose = waiting.pupil.as_deref().and_then(|name| everybody.iter().find(|p| p.nickname == name));
            let parts = whose.map(|p| book.assignments(p.class)).transpose()?.unwrap_or_default();
            Ok((waiting, guesses, parts))
        });
        let waiting = waiting.collect::<Result<_, crate::book::BookError>>()?;
        let known = Known {
            pupils: book.pupils(Some(id))?,
            everybody: everybody.clone(),
            assigned: book.assignments(id)?,
            waiting,
        };
        Ok((book.class_view_of(class, assignment, until_s.unwrap_or(i64::MAX), now())?, known))
    })?;
    for row in &mut view.rows {
        row.page = row.take.map_or_else(|| Look::Pupil(row.pupil.clone()).address(), |take| Look::take(take).address());
    }
    let mut out = String::new();
    header(&mut out, class, &view, &known);
    out.push_str("<div class=\"sides\">\n<section class=\"in\" aria-label=\"What came in\">\n");
    came_in(&mut out, desk, &known);
    out.push_str("</section>\n<section class=\"lesson\" aria-label=\"The class\">\n");
    if known.pupils.is_empty() {
        out.push_str("<p>Nobody is in this class yet.</p>\n");
    } else if known.assigned.is_empty() {
        let next = Look::Part { class: class.to_owned(), from: None };
        let _ = writeln!(
            out,
            "<p>Nothing has been assigned yet.</p>\n<p><a class=\"button main\" href=\"{}\">Give the class a part</a></p>",
            escape(&next.address())
        );
    } else {
        filter(&mut out, class, &known.assigned, assignment, until);
        let pieces = pieces(&view);
        let _ = writeln!(out, "<p class=\"count\">{}</p>\n<h2>Worth teaching again</h2>", pieces.count);
        if view.from_before {
            out.push_str("<p class=\"key\">These takes were sent before the part was asked for.</p>\n");
        }
        if !view.again.is_empty() {
            out.push_str("<ol class=\"again\">\n");
            for (again, [number, said, drawn]) in view.again.iter().zip(&pieces.again) {
                let _ = writeln!(out, "<li>{number}<div>{said}{}</div>{drawn}</li>", hear(&again.heard));
            }
            out.push_str("</ol>\n");
        }
        out.push_str(&pieces.about);
        out.push_str(&pieces.rows);
        out.push_str(&pieces.echoes);
    }
    more_children(&mut out, class);
    out.push_str("</section>\n</div>\n");
    let _ = writeln!(
        out,
        "<footer><p class=\"keys\">Keys: <kbd>↑</kbd><kbd>↓</kbd> from row to row · <kbd>Enter</kbd> open · <kbd>Space</kbd> hear, stop · <kbd>1</kbd><kbd>2</kbd><kbd>3</kbd> answer the recording in hand · <kbd>U</kbd> undo · <kbd>A</kbd> assign next</p>\
         <p>{} Names are in alphabetical order; the page compares nobody. Served by your own computer to itself.</p></footer>",
        escape(&view.corrected)
    );
    Ok(out)
}

fn header(out: &mut String, class: &str, view: &crate::report::page::class::ClassView, known: &Known) {
    let _ = write!(out, "<header class=\"head\"><div><h1>{}</h1><p class=\"sub\">", shown_name(class));
    if view.part.is_empty() {
        let n = known.pupils.len();
        let _ = write!(out, "{n} {}", if n == 1 { "child" } else { "children" });
    } else {
        let _ =
            write!(out, "{}, {} · asked for on {}", shown_name(&view.part), escape(&view.asked), escape(&view.given));
        if let Some(due) = &view.due {
            let _ = write!(out, " · by {}", escape(due));
        }
    }
    out.push_str("</p></div><div class=\"acts\">");
    if !known.assigned.is_empty() {
        let next = Look::Part { class: class.to_owned(), from: None };
        let _ = write!(
            out,
            "<a class=\"button\" id=\"assign-next\" href=\"{}\">Assign next …</a>",
            escape(&next.address())
        );
    }
    if !known.pupils.is_empty() {
        form(out, "pages", &[("class", class)], "<button id=\"make-pages\">Make the children’s pages</button>");
        let print = Look::Print(class.to_owned());
        let _ = write!(
            out,
            "<a class=\"button\" href=\"{}\" target=\"_blank\" rel=\"noopener\">Print all</a>",
            escape(&print.address())
        );
    }
    out.push_str("</div></header>\n");
}

/// Which assignment, until when.
fn filter(out: &mut String, class: &str, all: &[Assigned], chosen: Option<i64>, until: Option<&str>) {
    let _ = write!(
        out,
        "<form class=\"filter\" method=\"get\" action=\"/class\"><input type=\"hidden\" name=\"of\" value=\"{}\">\
         <label>Show <select name=\"assignment\" class=\"goes\">",
        escape(class)
    );
    for (k, a) in all.iter().enumerate() {
        let here = chosen == Some(a.id) || chosen.is_none() && k == 0;
        let _ = write!(
            out,
            "<option value=\"{}\"{}>{}{}, {} at {:.0}: since {}</option>",
            a.id,
            if here { " selected" } else { "" },
            if k == 0 { "this assignment: " } else { "" },
            shown_name(&a.title),
            escape(&a.form),
            a.bpm.get(),
            escape(&moment(a.given_s))
        );
    }
    let _ = writeln!(
        out,
        "</select></label> <label>until <input type=\"date\" name=\"until\" class=\"goes\" value=\"{}\"></label> <button class=\"small\">show</button></form>",
        escape(until.unwrap_or_default())
    );
}

/// Buttons to hear a matter in the recordings.
fn hear(heard: &[HeardIn]) -> String {
    let mut out = String::from("<p class=\"hear\">");
    for one in heard.iter().take(MOST_HEARD) {
        let place = one.bars.as_ref().map_or(String::new(), |bars| format!("&from={}&to={}", bars.start, bars.end));
        let _ = write!(
            out,
            "<button type=\"button\" class=\"small\" data-hear=\"{}\">Hear {}</button> ",
            escape(&format!("/sound/place?id={}{place}", one.take)),
            shown_name(&one.pupil)
        );
    }
    out + "</p>"
}

/// What came in: where to drop it, what is doubtful, what became of the rest.
fn came_in(out: &mut String, desk: &Desk, known: &Known) {
    let state = desk.arriving();
    out.push_str(
        "<h2>What came in</h2>\n<div id=\"drop\"><p>Drop recordings, folders, zips or mails here</p>\
         <p><button type=\"button\" id=\"choose\">Choose files …</button> <button type=\"button\" id=\"choose-folder\">a folder …</button></p>\
         <input type=\"file\" id=\"files\" multiple hidden aria-label=\"Recordings\"><input type=\"file\" id=\"folder\" webkitdirectory hidden aria-label=\"A folder\"></div>\n",
    );
    let told = super::progress(desk);
    let said = serde_json::to_value(&told).unwrap_or_default();
    let _ = writeln!(
        out,
        "<p id=\"progress\" role=\"status\"{}>{}</p>",
        if state.running { " data-running" } else { "" },
        escape(said["words"].as_str().unwrap_or_default())
    );
    if !known.waiting.is_empty() {
        let n = known.waiting.len();
        let _ = writeln!(out, "<h3>{n} to settle</h3>\n<ol class=\"waiting\">");
        for (waiting, guesses, parts) in &known.waiting {
            doubtful(out, waiting, guesses, parts, known);
        }
        out.push_str("</ol>\n<p class=\"grey\">What is not settled is counted nowhere.</p>\n");
    }
    let lines: Vec<_> =
        state.lines.iter().rev().filter(|a| !matches!(a.outcome, Outcome::Doubtful(..))).take(MOST_ARRIVED).collect();
    if !lines.is_empty() {
        let news = lines.iter().filter(|a| matches!(a.outcome, Outcome::Added { .. })).count();
        let _ =
            writeln!(out, "<h3>{news} new {}</h3>\n<ul class=\"arrived\">", if news == 1 { "take" } else { "takes" });
        for line in lines {
            let _ = writeln!(
                out,
                "<li>{}<br><span class=\"grey\">{}</span></li>",
                arrived(&line.outcome),
                shown_name(&line.place)
            );
        }
        out.push_str("</ul>\n");
    }
}

/// A doubtful recording, with one press to answer.
fn doubtful(out: &mut String, w: &Waiting, guesses: &[Guess], parts: &[Assigned], known: &Known) {
    let number = w.number.to_string();
    let file = w.file.rsplit(['/', '\\']).next().unwrap_or(&w.file);
    let what = w.pupil.as_deref().map_or_else(
        || {
            let why = guesses.first().map_or(String::new(), |g| format!(" Perhaps {}’s: {}.", g.pupil, g.why));
            format!("<b>Whose?</b>{}", escape(&crate::report::shown(&why)).as_str().replacen("Perhaps", " Perhaps", 1))
        },
        |pupil| format!("<b>Of what?</b> {}’s; {}.", shown_name(pupil), escape(&crate::report::shown(&w.why))),
    );
    let _ = write!(
        out,
        "<li id=\"waiting-{number}\" tabindex=\"-1\"><button type=\"button\" class=\"small\" data-hear=\"/sound/waiting?id={number}\" aria-label=\"Hear {0}\">Hear</button>\
         <div><p>{what}</p><p class=\"grey\">{1}{2}“{0}”{3} · {4}</p>",
        shown_name(file),
        if w.sender.is_empty() { String::new() } else { format!("{} · ", shown_name(&w.sender)) },
        if w.subject.is_empty() { String::new() } else { format!("“{}” · ", shown_name(&w.subject)) },
        w.length.map_or(String::new(), |l| format!(" · {}", length(l.get()))),
        escape(&moment(w.taken_s))
    );
    out.push_str("<div class=\"answers\">");
    let always = if w.sender.is_empty() {
        String::new()
    } else {
        format!(
            "<label class=\"always\"><input type=\"checkbox\" name=\"always\"> always theirs from {}</label>",
            shown_name(&w.sender)
        )
    };
    let mut key = 0;
    let mut answer = |field: &str, value: &str, words: &str| {
        key += 1;
        format!(
            "<button name=\"{field}\" value=\"{}\" data-key=\"{key}\"><kbd>{key}</kbd> {words}</button>",
            escape(value)
        )
    };
    let mut inside = String::new();
    if w.pupil.is_none() {
        for guess in guesses {
            inside.push_str(&answer("pupil", &guess.pupil, &format!("{}’s", shown_name(&guess.pupil))));
        }
        if !inside.is_empty() {
            form(out, "settle", &[("number", &number)], &format!("{inside}{always}"));
        }
        // Those of the class at hand first.
        let own: Vec<String> = known.pupils.iter().map(|p| p.nickname.clone()).collect();
        let others = known.everybody.iter().filter(|p| !own.contains(&p.nickname)).map(|p| p.nickname.clone());
        let names: Vec<String> = own.iter().cloned().chain(others).collect();
        let label = format!("Whose is {file}?");
        let inside = format!(
            "{}<button>theirs</button>{}",
            choice("pupil", &label, &names, "another’s …"),
            if guesses.is_empty() { &always } else { "" }
        );
        form(out, "settle", &[("number", &number)], &inside);
    } else {
        let mut seen: Vec<(&str, &str)> = Vec::new();
        for part in parts {
            if seen.contains(&(&part.title, &part.form)) {
                continue;
            }
            seen.push((&part.title, &part.form));
            let inner = answer("title", &part.title, &format!("{}, {}", shown_name(&part.title), escape(&part.form)));
            form(out, "settle", &[("number", &number), ("form", &part.form)], &inner);
        }
    }
    let mut aside = String::new();
    form(&mut aside, "aside", &[("number", &number)], "<button>yes, remove it for good</button>");
    let _ = writeln!(out, "<details><summary>set aside</summary>{aside}</details></div></div></li>");
}

/// Adding children to a class.
fn more_children(out: &mut String, class: &str) {
    let mut inside = String::new();
    form(
        &mut inside,
        "enrol",
        &[("class", class)],
        "<label for=\"names\">Nicknames, one a line</label><textarea id=\"names\" name=\"names\" rows=\"4\" required></textarea><button>add them</button>",
    );
    let mut another = String::new();
    form(
        &mut another,
        "enrol",
        &[],
        "<label for=\"new-class\">Another class</label><input id=\"new-class\" name=\"class\" required maxlength=\"80\" autocomplete=\"off\"><label for=\"new-names\">Nicknames, one a line</label><textarea id=\"new-names\" name=\"names\" rows=\"4\" required></textarea><button>begin it</button>",
    );
    let _ = writeln!(
        out,
        "<details class=\"more\"><summary>More children, another class</summary><div class=\"two\">{inside}{another}</div></details>"
    );
}
