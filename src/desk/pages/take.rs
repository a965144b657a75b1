//! One take: its chart with its sound, what was found in it with the answers that can be true, and what the child will read.

use std::fmt::Write as _;

use serde::Serialize;

use super::super::look::Look;
use super::super::sound::as_written;
use super::super::{Desk, Trouble};
use super::{choice, form, moment};
use crate::assess::{Assessment, Kind, say};
use crate::book::{Assigned, Pupil, Reviewed, SaidAtOnce, StoredTake, now, review, said_at_once};
use crate::part::Surface;
use crate::report::chart::{self, ChartStyle, Line};
use crate::report::page::progress::ProgressView;
use crate::report::page::{self, escape, shown_name};
use crate::units::Seconds;

/// Width of the chart on a wide page, in pixels: what is left beside the column for the child on a page of 1280.
const WIDE: u32 = 872;

/// A page with what stands around it.
pub(super) struct Page {
    pub(super) title: String,
    pub(super) class: String,
    pub(super) body: String,
}

/// What the page's script knows of the take. Times in seconds of the recording, places in shares of a line's drawing.
#[derive(Serialize)]
struct Played {
    take: i64,
    sound: String,
    written: Option<String>,
    /// The chart for wide pages, then for phones: lines of marks.
    charts: [Vec<Vec<SpotRow>>; 2],
    bars: Vec<BarRow>,
    begin_bar: Option<usize>,
    bpm: f64,
}

#[derive(Serialize)]
struct SpotRow {
    x: f64,
    y: f64,
    at_s: f64,
    written_s: f64,
    bar: usize,
    stroke: Option<usize>,
    words: String,
}

#[derive(Serialize)]
struct BarRow {
    from_s: f64,
    to_s: f64,
    written_s: f64,
    words: String,
}

/// What the book says around a take.
struct Around {
    stored: StoredTake,
    pupil: Pupil,
    class: String,
    pupils: Vec<Pupil>,
    /// Newest take of each.
    newest: Vec<Option<i64>>,
    assigned: Assigned,
    view: ProgressView,
    findings: Vec<(Kind, String)>,
    others: Vec<StoredTake>,
}

fn around(desk: &Desk, id: i64) -> Result<Around, Trouble> {
    desk.see(|book| {
        let stored = book.take(id)?;
        let unknown = |what, name: i64| crate::book::BookError::Unknown { what, name: name.to_string(), near: None };
        let everybody = book.pupils(None)?;
        let pupil =
            everybody.iter().find(|p| p.id == stored.pupil).cloned().ok_or_else(|| unknown("pupil", stored.pupil))?;
        let mut class = String::new();
        for name in book.classes()? {
            if book.class(&name)? == pupil.class {
                class = name;
            }
        }
        let pupils: Vec<Pupil> = everybody.into_iter().filter(|p| p.class == pupil.class).collect();
        let newest = pupils.iter().map(|p| Ok(book.takes(Some(p.id))?.last().map(|t| t.id)));
        let newest = newest.collect::<Result<_, crate::book::BookError>>()?;
        Ok(Around {
            assigned: book.assignment_of(&stored)?,
            view: book.pupil_view(&pupil.nickname, now())?,
            findings: book.findings(id)?,
            others: book.takes(Some(pupil.id))?,
            stored,
            pupil,
            class,
            pupils,
            newest,
        })
    })
}

/// The page of a take.
pub(super) fn page(desk: &Desk, id: i64, bar: Option<usize>) -> Result<Page, Trouble> {
    let around = around(desk, id)?;
    let heard = desk.heard(id);
    let set_right = desk.see(|book| book.set_right(Some(id)))?;
    let mut out = String::new();
    header(&mut out, &around, heard.as_ref().ok().and_then(Option::as_ref).map(AsRef::as_ref));
    out.push_str("<div class=\"sides take\">\n<section class=\"heard\" aria-label=\"The take\">\n");
    match &heard {
        Ok(Some(raw)) => {
            let reviewed = review(raw, &set_right);
            heard_take(&mut out, &around, raw, &reviewed, bar)?;
        }
        Ok(None) => {
            out.push_str("<p>Its sound is no longer kept: what was heard in it stays.</p>\n");
            kept_findings(&mut out, &around);
        }
        Err(trouble) => {
            let _ = writeln!(out, "<p>It cannot be heard: {}; {}.</p>", escape(&trouble.what), escape(&trouble.hint));
            kept_findings(&mut out, &around);
        }
    }
    history(&mut out, &set_right);
    out.push_str("</section>\n<section class=\"child\" aria-label=\"For the child\">\n");
    for_the_child(&mut out, &around, heard.as_ref().ok().and_then(Option::as_ref).map(AsRef::as_ref));
    out.push_str("</section>\n</div>\n");
    out.push_str(
        "<footer><p class=\"keys\">Keys: <kbd>Space</kbd> hear, stop · <kbd>←</kbd><kbd>→</kbd> stroke by stroke · <kbd>B</kbd> back a bar · <kbd>↑</kbd><kbd>↓</kbd> finding by finding · \
         <kbd>1</kbd><kbd>2</kbd><kbd>3</kbd> answer · <kbd>U</kbd> undo · <kbd>S</kbd> slower · <kbd>W</kbd> as written, as played · <kbd>L</kbd> again and again · <kbd>Page Up</kbd><kbd>Page Down</kbd> child by child</p></footer>\n",
    );
    Ok(Page { title: around.pupil.nickname, class: around.class, body: out })
}

/// A child who has sent nothing.
pub(super) fn nothing(desk: &Desk, name: &str) -> Result<(String, String), Trouble> {
    let (pupil, class) = desk.see(|book| {
        let pupil = book.pupil(name)?;
        let mut of = String::new();
        for class in book.classes()? {
            if book.class(&class)? == pupil.class {
                of = class;
            }
        }
        Ok((pupil, of))
    })?;
    let mut out =
        format!("<header><h1>{}</h1></header>\n<p>No take has been sent yet.</p>\n", shown_name(&pupil.nickname));
    word(&mut out, &pupil.nickname, None);
    Ok((class, out))
}

fn header(out: &mut String, around: &Around, heard: Option<&Assessment>) {
    let tempo = heard.map_or_else(|| format!("asked {:.0}", around.assigned.bpm.get()), page::tempo);
    let _ = write!(
        out,
        "<header class=\"head\"><div><h1>{}</h1><p class=\"sub\">{} · take of {} · form {} · {}</p></div><nav class=\"acts\" aria-label=\"Child by child\">",
        shown_name(&around.pupil.nickname),
        shown_name(&around.assigned.title),
        escape(&moment(around.stored.taken_s)),
        escape(&around.assigned.form),
        escape(&tempo)
    );
    let (before, after) = beside(around);
    let link = |out: &mut String, key: &str, id: &str, to: Option<usize>| {
        if let Some((pupil, look)) = to.and_then(|k| Some((around.pupils.get(k)?, look_of(around, k)?))) {
            let _ = write!(
                out,
                "<a class=\"button\" id=\"{id}\" href=\"{}\"><kbd>{key}</kbd> {}</a>",
                escape(&look.address()),
                shown_name(&pupil.nickname)
            );
        }
    };
    link(out, "Page Up", "before", before);
    let _ = write!(
        out,
        "<a class=\"button\" id=\"to-class\" href=\"{}\">{}</a>",
        escape(&Look::class(&around.class).address()),
        shown_name(&around.class)
    );
    link(out, "Page Down", "after", after);
    out.push_str("</nav></header>\n");
    let takes = &around.others;
    if takes.len() > 1 {
        out.push_str("<p class=\"takes\">Takes: ");
        for take in takes.iter().rev().take(8) {
            let here = take.id == around.stored.id;
            let _ = write!(
                out,
                "<a href=\"{}\"{}>{}</a> ",
                escape(&Look::take(take.id).address()),
                if here { " aria-current=\"page\"" } else { "" },
                escape(&moment(take.taken_s))
            );
        }
        out.push_str("</p>\n");
    }
}

/// The children before and after this one that have sent a take.
fn beside(around: &Around) -> (Option<usize>, Option<usize>) {
    let Some(here) = around.pupils.iter().position(|p| p.id == around.pupil.id) else { return (None, None) };
    let sent = |k: &usize| around.newest.get(*k).is_some_and(Option::is_some);
    ((0..here).rev().find(sent), (here + 1..around.pupils.len()).find(sent))
}

fn look_of(around: &Around, pupil: usize) -> Option<Look> {
    around.newest.get(pupil).copied().flatten().map(Look::take)
}

/// Chart, player, findings.
fn heard_take(
    out: &mut String,
    around: &Around,
    raw: &Assessment,
    reviewed: &Reviewed,
    bar: Option<usize>,
) -> Result<(), Trouble> {
    let assessment = &reviewed.assessment;
    let drawn =
        |width| chart::lines(assessment, width).map_err(|e| Trouble::new(e.to_string(), "the rest of the take stands"));
    let charts = [drawn(WIDE)?, drawn(ChartStyle::PHONE)?];
    let _ = writeln!(out, "<p class=\"gist\">{}</p>", escape(&page::gist(assessment)));
    out.push_str(
        "<div id=\"chart\" role=\"slider\" tabindex=\"0\" aria-label=\"Place in the take\" aria-valuemin=\"0\" aria-valuemax=\"0\" aria-valuenow=\"0\">\n",
    );
    for (class, lines) in ["sheet", "phone"].into_iter().zip(&charts) {
        let _ = writeln!(out, "<div class=\"{class}\">");
        for (k, line) in lines.iter().enumerate() {
            let legend = if line.spots.is_empty() { " legend" } else { "" };
            let _ = writeln!(
                out,
                "<div class=\"system{legend}\" data-line=\"{k}\">{}<i class=\"at\" hidden></i></div>",
                line.svg.trim_end()
            );
        }
        out.push_str("</div>\n");
    }
    out.push_str("</div>\n");
    player(out, assessment);
    findings(out, around, raw, reviewed);
    strokes(out, around.stored.id, raw);
    out.push_str(&page::twin(assessment));
    let data = played(around, assessment, &charts, bar);
    // A text that a `script` element can hold without ending it; it is data and no script.
    let json = serde_json::to_string(&data).unwrap_or_default().replace('<', "\\u003c");
    let _ = writeln!(out, "<script type=\"application/json\" id=\"played\">{json}</script>");
    Ok(())
}

fn played(around: &Around, assessment: &Assessment, charts: &[Vec<Line>; 2], bar: Option<usize>) -> Played {
    let guide = as_written(assessment).ok();
    let bpm = assessment.clock.map_or(assessment.timeline.bpm, |c| c.bpm);
    let written = |at: crate::units::Ticks| guide.as_ref().map_or(0.0, |g| (g.start + at.to_seconds(bpm)).get());
    let rows = |lines: &Vec<Line>| -> Vec<Vec<SpotRow>> {
        lines
            .iter()
            .map(|line| {
                let (wide, high) = size(&line.svg);
                let row = |spot: &chart::Spot| SpotRow {
                    x: spot.place.0 / wide,
                    y: spot.place.1 / high,
                    at_s: spot.at.get(),
                    written_s: written(spot.written),
                    bar: spot.bar,
                    stroke: spot.stroke,
                    words: format!("{}, {}", spot.section, spot.words),
                };
                line.spots.iter().map(row).collect()
            })
            .collect()
    };
    let id = around.stored.id;
    Played {
        take: id,
        sound: format!("/sound/take?id={id}"),
        written: guide.is_some().then(|| format!("/sound/written?id={id}")),
        charts: [rows(&charts[0]), rows(&charts[1])],
        bars: bars(assessment, &charts[0], &written),
        begin_bar: bar,
        bpm: bpm.get(),
    }
}

/// From when to when each bar sounds: from its first mark to the first of the next that was played after it.
fn bars(assessment: &Assessment, lines: &[Line], written: &impl Fn(crate::units::Ticks) -> f64) -> Vec<BarRow> {
    let timeline = &assessment.timeline;
    let length = timeline.meter.bar().to_seconds(assessment.clock.map_or(timeline.bpm, |c| c.bpm)).get();
    let spots = || lines.iter().flat_map(|line| &line.spots);
    (timeline.bars.iter().enumerate())
        .map(|(k, bar)| {
            let first = spots().filter(|s| s.bar == k).map(|s| s.at.get()).fold(f64::INFINITY, f64::min);
            let place = timeline.passes.get(bar.pass).map_or("", |p| p.section.as_str());
            let from_s = if first.is_finite() { first } else { -1.0 };
            BarRow {
                from_s,
                to_s: from_s + length,
                written_s: written(bar.at),
                words: format!("{place}, bar {}", bar.number),
            }
        })
        .collect()
}

/// Width and height of a drawing.
fn size(svg: &str) -> (f64, f64) {
    let number = |name: &str| -> Option<f64> {
        let from = svg.find(&format!(" {name}=\""))? + name.len() + 3;
        svg.get(from..)?.split('"').next()?.parse().ok()
    };
    (number("width").unwrap_or(1.0), number("height").unwrap_or(1.0))
}

fn player(out: &mut String, assessment: &Assessment) {
    let bpm = assessment.clock.map_or(assessment.timeline.bpm, |c| c.bpm).get();
    let _ = write!(
        out,
        "<div class=\"player\"><p><button type=\"button\" id=\"play\" class=\"main\"><kbd>Space</kbd> <span>Hear</span></button> <span id=\"where\"></span></p>\
         <fieldset><legend class=\"unseen\">What is heard</legend>\
         <label><input type=\"radio\" name=\"what\" value=\"played\" checked> as played</label>\
         <label><input type=\"radio\" name=\"what\" value=\"written\"> as written</label>\
         <label><input type=\"radio\" name=\"what\" value=\"turns\"> one after the other</label></fieldset>\
         <fieldset><legend class=\"unseen\">How fast</legend>"
    );
    for (k, rate) in [1.0, 0.75, 0.5].into_iter().enumerate() {
        let _ = write!(
            out,
            "<label><input type=\"radio\" name=\"rate\" value=\"{rate}\"{}> {:.0}</label>",
            if k == 0 { " checked" } else { "" },
            bpm * rate
        );
    }
    out.push_str(
        " <span class=\"grey\">slower, same pitch</span></fieldset>\
         <label><input type=\"checkbox\" id=\"loop\"> these bars again and again</label>\
         <label><input type=\"checkbox\" id=\"at-once\"> hear each take at once</label>\
         <p class=\"grey\">Press a stroke, or the arrows, to hear from there.</p></div>\n",
    );
}

/// The findings that stand, then those that were answered.
fn findings(out: &mut String, around: &Around, raw: &Assessment, reviewed: &Reviewed) {
    let assessment = &reviewed.assessment;
    let statements = assessment.statements();
    let heading = match statements.len() {
        0 => say::nothing(assessment).trim_end_matches('.').to_owned(),
        1 => "One thing to look at".into(),
        _ => "What to look at, most important first".into(),
    };
    let _ = writeln!(out, "<h2>{}</h2>\n<ol class=\"findings review\">", escape(&heading));
    let pupil = &around.pupil.nickname;
    for (k, statement) in statements.into_iter().enumerate() {
        let these = assessment.findings.get(statement.clone()).unwrap_or_default();
        // Where the same finding stands among all that the ear found.
        let indices: Vec<String> =
            these.iter().filter_map(|f| raw.findings.iter().position(|g| g == f)).map(|i| i.to_string()).collect();
        let said = page::statement(assessment, statement);
        let first = these.first();
        let bars = first.and_then(|f| f.place.as_ref()).map(|p| (p.bars.start, p.bars.end));
        let at = first.and_then(|f| f.at).map(Seconds::get);
        let _ = write!(
            out,
            "<li tabindex=\"-1\" class=\"finding\" data-bars=\"{}\" data-at=\"{}\"><span class=\"n\">{}</span><button type=\"button\" class=\"small go\">Hear</button><div><p>{}</p><p class=\"where\">{}</p><details><summary>why</summary>",
            bars.map_or(String::new(), |(from, to)| format!("{from},{to}")),
            at.map_or(String::new(), |at| format!("{at:.3}")),
            k + 1,
            escape(&said.text),
            escape(&said.about)
        );
        for why in &said.why {
            let _ = write!(out, "<p>{}</p>", escape(why));
        }
        out.push_str("</details></div>");
        let mut inside =
            "<button name=\"against\" value=\"fine\" data-key=\"1\"><kbd>1</kbd> this was fine</button>".to_owned();
        if these.iter().any(|f| f.kind() == Kind::WrongSurface) {
            let written = surface_of(assessment, these.first()).map_or("the one written", Surface::word);
            let _ = write!(
                inside,
                "<button name=\"against\" value=\"written\" data-key=\"2\"><kbd>2</kbd> it was the {written}</button>"
            );
        }
        let _ = write!(
            inside,
            "<button name=\"against\" value=\"another\" data-key=\"3\"><kbd>3</kbd> not {}’s</button>",
            shown_name(pupil)
        );
        form(out, "correct", &[("take", &around.stored.id.to_string()), ("findings", &indices.join(","))], &inside);
        out.push_str("</li>\n");
    }
    for answered in &reviewed.answered {
        let Some(said) = answered.said.first() else { continue };
        let words = if said.correction.note.is_empty() {
            said.correction.words()
        } else {
            format!("{}: {}", said.correction.words(), said.correction.note)
        };
        let places = said_at_once(&answered.said).into_iter().next().map_or_else(String::new, |s| s.places);
        let ids: Vec<String> = answered.said.iter().map(|s| s.id.to_string()).collect();
        let _ = write!(
            out,
            "<li tabindex=\"-1\" class=\"finding answered\"><span class=\"n\"></span><span></span><div><p>{}</p><p class=\"where\">You said on {}: {} {}. It is counted nowhere now.</p></div>",
            escape(&say::finding(raw, &answered.finding)),
            escape(&moment(said.correction.at_s)),
            escape(&places),
            escape(&crate::report::shown(&words))
        );
        form(out, "take-back", &[("ids", &ids.join(","))], "<button class=\"small\">undo</button>");
        out.push_str("</li>\n");
    }
    out.push_str("</ol>\n");
}

/// The surface that is written where a finding is.
fn surface_of(assessment: &Assessment, finding: Option<&crate::assess::Finding>) -> Option<Surface> {
    let place = finding?.place.as_ref()?;
    let timeline = &assessment.timeline;
    let stroke = place.stroke.or_else(|| {
        let bars = timeline.bars.get(place.bars.clone())?;
        let mut strokes = bars.iter().flat_map(|b| b.strokes.clone());
        strokes.find(|k| assessment.strokes.get(*k).is_some_and(|s| s.status == crate::assess::Status::WrongSurface))
    })?;
    timeline.strokes.get(stroke).map(|s| s.surface)
}

/// The stroke in hand, and saying where it landed.
fn strokes(out: &mut String, take: i64, raw: &Assessment) {
    let mut inside = String::from(
        "<input type=\"hidden\" name=\"stroke\" id=\"stroke\" value=\"\"><span class=\"grey\">The stroke in hand was the</span> ",
    );
    for surface in Surface::ALL {
        if raw.timeline.strokes.iter().any(|s| s.surface == surface) {
            let _ =
                write!(inside, "<button class=\"small\" name=\"surface\" value=\"{0}\">{0}</button> ", surface.word());
        }
    }
    out.push_str("<div class=\"stroke\" hidden>");
    form(out, "stroke", &[("take", &take.to_string())], &inside);
    out.push_str("</div>\n");
}

/// What the book keeps of a take without sound.
fn kept_findings(out: &mut String, around: &Around) {
    out.push_str("<ul class=\"plain\">");
    for (_, text) in &around.findings {
        let _ = write!(out, "<li>{}</li>", escape(text));
    }
    out.push_str("</ul>\n");
}

fn history(out: &mut String, set_right: &[crate::book::SetRight]) {
    if set_right.is_empty() {
        return;
    }
    out.push_str("<details class=\"more\"><summary>What was set right in this take</summary><ul class=\"plain\">");
    for SaidAtOnce { first: row, places, .. } in said_at_once(set_right) {
        let c = &row.correction;
        let gone = row.undone_s.map_or(String::new(), |at| format!("; taken back {}", moment(at)));
        let _ = write!(
            out,
            "<li>{}, by {}: {} {}{}</li>",
            escape(&moment(c.at_s)),
            shown_name(&c.who),
            escape(&places),
            escape(&c.words()),
            escape(&gone)
        );
    }
    out.push_str("</ul></details>\n");
}

/// A word for a child; `next`: where to go on to when it is kept.
fn word(out: &mut String, pupil: &str, next: Option<(&str, &Look)>) {
    let (address, label) = match next {
        Some((name, look)) => (look.address(), format!("Keep, and go on to {}", shown_name(name))),
        None => (String::new(), "Keep".into()),
    };
    form(
        out,
        "word",
        &[("pupil", pupil), ("next", &address)],
        &format!(
            "<label for=\"word\" class=\"grey\">A word from you, printed with these</label><textarea id=\"word\" name=\"text\" rows=\"3\" maxlength=\"2000\"></textarea>\
             <button class=\"main\" id=\"keep\">{label}</button>"
        ),
    );
}

/// What the child will read, and a word from the teacher.
fn for_the_child(out: &mut String, around: &Around, heard: Option<&Assessment>) {
    let name = &around.pupil.nickname;
    if let Some(heard) = heard.filter(|h| !h.limits.is_empty()) {
        out.push_str("<h2>What this take cannot tell</h2><ul class=\"plain\">");
        for limit in &heard.limits {
            let _ = write!(out, "<li>{}</li>", escape(&say::limit(&heard.timeline, limit)));
        }
        out.push_str("</ul>\n");
    }
    let _ = writeln!(out, "<h2>For {}</h2>", shown_name(name));
    for (label, text) in [("Keep", &around.view.praise), ("Try", &around.view.fix)] {
        if !text.is_empty() {
            let _ = writeln!(out, "<p><span class=\"grey\">{label}:</span> {}</p>", escape(text));
        }
    }
    for step in &around.view.practise {
        let _ = writeln!(out, "<p><span class=\"grey\">Do:</span> {}</p>", escape(step));
    }
    for (day, text) in &around.view.words {
        let _ = writeln!(
            out,
            "<p>“{}” <span class=\"grey\">{}</span></p>",
            escape(&crate::report::shown(text)),
            escape(day)
        );
    }
    let next = beside(around).1.and_then(|k| Some((around.pupils.get(k)?.nickname.as_str(), look_of(around, k)?)));
    let class = Look::class(&around.class);
    let (to, look) = next.as_ref().map_or((around.class.as_str(), &class), |(name, look)| (name, look));
    word(out, name, Some((to, look)));
    let names: Vec<String> =
        around.pupils.iter().filter(|p| p.id != around.pupil.id).map(|p| p.nickname.clone()).collect();
    let mut inside = String::new();
    form(
        &mut inside,
        "whose",
        &[("take", &around.stored.id.to_string())],
        &format!("{} <button class=\"small\">theirs</button>", choice("pupil", "Whose take is it?", &names, "it is …")),
    );
    let _ =
        writeln!(out, "<details class=\"more\"><summary>Not {}’s take</summary>{inside}</details>", shown_name(name));
}
