//! What a pupil has sent over the lessons -> the pupil's page from the book, and the same in a child's words.
//!
//! Pure. Progress is shown against the pupil's own past only.

use std::fmt::Write as _;

use super::super::words::clean;
use super::echoed::{self, EchoedView};
use super::{document, escape, name};

/// One measured thing over the lessons.
#[derive(Clone, Debug, PartialEq)]
pub struct Line {
    /// What it is, in words.
    pub title: String,
    /// What the last value is, in words with its unit.
    pub now: String,
    /// Values in order of time, `None` where a take could not tell.
    pub values: Vec<Option<f64>>,
    /// The range shown, from its lower to its upper end; smaller is up where the second is smaller.
    pub range: (f64, f64),
    /// What stands at its upper and lower end.
    pub ends: (String, String),
}

/// What the page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ProgressView {
    /// The nickname.
    pub pupil: String,
    /// Title of the part.
    pub part: String,
    /// The day of the last take, as it is printed; empty when nothing was sent.
    pub day: String,
    /// Sections of the whole part in order, and whether each is in the form so far.
    pub form: Vec<(String, bool)>,
    /// Small charts.
    pub lines: Vec<Line>,
    /// First and last day of the charts.
    pub days: (String, String),
    /// One thing to keep.
    pub praise: String,
    /// One thing to try.
    pub fix: String,
    /// What to practise, with tempo and minutes.
    pub practise: Vec<String>,
    /// The teacher's last words, each with its day.
    pub words: Vec<(String, String)>,
    /// The timing chart of the last take, as drawn by [`super::chart`].
    pub chart: String,
    /// The bars to practise, as drawn by [`super::bars`].
    pub bars: String,
    /// What the teacher has set right in the last take, in words.
    pub corrected: Vec<String>,
    /// Echo drills, newest first.
    pub drills: Vec<EchoedView>,
}

const CSS: &str = "\
h1{font-size:2rem}
.keep{display:grid;grid-template-columns:1fr 1fr;gap:0 2.2rem;margin-top:1rem}
.keep p{font-size:1.05rem}
.chart{overflow-x:auto}
h2.small{color:var(--grey);font-weight:400;margin:1rem 0 .1rem}
.form{display:flex;flex-wrap:wrap;gap:.4rem;margin:.4rem 0}
.form span{border:1px solid var(--ink);padding:.1rem .8rem;min-width:2.4rem;text-align:center}
.form span.later{border:1px dashed var(--line);color:var(--grey)}
.lines{display:grid;grid-template-columns:1fr 1fr;gap:1rem 2.2rem}
.lines figure{margin:0;break-inside:avoid}
.lines figcaption b{font-weight:700}
.lines svg{width:100%}
ul{margin:.2rem 0;padding-left:1.1rem}
footer{margin-top:1.6rem;border-top:1px solid var(--line);padding-top:.5rem;color:var(--grey);font-size:.8rem}
@media screen and (max-width:44rem){.keep,.lines{grid-template-columns:1fr}.chart>svg{min-width:40rem}}
@media print{body{font-size:9pt;line-height:1.4}h1{font-size:18pt}h2{margin:8pt 0 3pt}h2.small{margin:4pt 0 1pt}.sub{font-size:8.5pt}.keep{margin-top:4pt}.keep p{font-size:10.5pt}
.form{gap:3pt;margin:3pt 0}.form span{padding:0 6pt}.lines{grid-template-columns:repeat(4,1fr);gap:4pt 10pt}.lines figcaption{font-size:8pt;line-height:1.3}.lines figcaption b{display:block}.lines svg text{font-size:12.5px}footer{margin-top:8pt;padding-top:3pt;font-size:7.5pt}}
";
const CHILD: &str = "\
body{max-width:40rem;font-size:1.2rem;line-height:1.6}
h1{font-size:2.3rem}
section{border-top:1px solid var(--line);padding:1rem 0 .4rem;margin-top:1rem}
h2{color:var(--grey);font-weight:400;font-size:1.05rem;margin:0 0 .2rem}
.say{font-size:1.5rem;line-height:1.4}
figure{margin:.8rem 0 .5rem}
figcaption{color:var(--grey);font-size:1rem;margin-bottom:.3rem}
.key{display:flex;flex-wrap:wrap;gap:.2rem 1.6rem;margin:.5rem 0 0;font-size:1rem}
.key span{display:inline-flex;align-items:center;gap:.5rem}
.form{display:flex;flex-wrap:wrap;gap:.5rem;margin:.5rem 0}
.form span{border:1.5px solid var(--ink);padding:.1rem 1rem;font-size:1.4rem;min-width:3rem;text-align:center}
.form span.later{border:1.5px dashed var(--line);color:var(--grey)}
footer{margin-top:1.4rem;border-top:1px solid var(--line);padding-top:.8rem;font-size:1rem}
";

fn form(out: &mut String, view: &ProgressView) {
    out.push_str("<div class=\"form\">");
    for (section, have) in &view.form {
        let _ =
            write!(out, "<span{}>{}</span>", if *have { "" } else { " class=\"later\"" }, escape(&clean(section, 12)));
    }
    out.push_str("</div>\n");
}

/// The page for the teacher and the family.
pub fn page(view: &ProgressView) -> String {
    let mut body = String::new();
    let out = &mut body;
    header(out, view);
    if view.day.is_empty() {
        let what = if view.drills.is_empty() { "Nothing" } else { "No take" };
        let _ = writeln!(out, "<p>{what} has been sent yet.</p>");
    } else {
        out.push_str("<div class=\"keep\">");
        for (heading, text) in [("One thing to keep", &view.praise), ("One thing to try", &view.fix)] {
            if !text.is_empty() {
                let _ = write!(out, "<div><h2 class=\"small\">{heading}</h2><p>{}</p></div>", escape(text));
            }
        }
        out.push_str("</div>\n");
    }
    if !view.practise.is_empty() {
        out.push_str("<h2>To practise</h2>\n<ul>");
        for step in &view.practise {
            let _ = write!(out, "<li>{}</li>", escape(step));
        }
        out.push_str("</ul>\n");
    }
    if !view.words.is_empty() {
        out.push_str("<h2>From the teacher</h2>\n");
        for (day, text) in &view.words {
            let _ = writeln!(out, "<p>{} <span class=\"grey\">{}</span></p>", escape(&clean(text, 2000)), escape(day));
        }
    }
    if !view.form.is_empty() {
        out.push_str("<h2>The piece so far</h2>\n");
        form(out, view);
    }
    if !view.lines.is_empty() {
        let (from, to) = (escape(&view.days.0), escape(&view.days.1));
        let days = if from == to {
            format!("So far there is one day, {from}.")
        } else {
            format!("Each dot is one day, from {from} to {to}; the large one is the newest.")
        };
        let _ = writeln!(out, "<h2>Over the lessons</h2>\n<p class=\"sub\">{days}</p>\n<div class=\"lines\">");
        for line in &view.lines {
            let _ = write!(
                out,
                "<figure><figcaption><b>{}</b> <span class=\"grey\">{}</span></figcaption>{}</figure>",
                escape(&line.title),
                escape(&line.now),
                if from == to { String::new() } else { draw(line) }
            );
        }
        out.push_str("</div>\n");
    }
    out.push_str(&echoed::section(&view.drills));
    if !view.chart.is_empty() {
        // Drawn by our own chart, which escapes what it is given.
        let _ = writeln!(out, "<h2>The last take, stroke by stroke</h2>\n<div class=\"chart\">{}</div>", view.chart);
    }
    for said in &view.corrected {
        let _ = writeln!(out, "<p class=\"sub\">{}</p>", escape(&clean(said, 400)));
    }
    out.push_str("<footer><p>The charts compare a child with nobody but itself. Made and kept on the teacher’s machine.</p></footer>\n");
    document(&clean(&view.pupil, 60), &format!("{CSS}{}", echoed::CSS), &body)
}

fn header(out: &mut String, view: &ProgressView) {
    let _ = writeln!(out, "<header><h1>{}</h1>", name(&view.pupil));
    let mut sub = Vec::new();
    if !view.part.is_empty() {
        sub.push(name(&view.part));
    }
    if !view.day.is_empty() {
        sub.push(format!("last take {}", escape(&view.day)));
    }
    let _ = writeln!(out, "<p class=\"sub\">{}</p></header>", sub.join(" · "));
}

/// The page in a child's words: large letters, few of them.
pub fn child(view: &ProgressView) -> String {
    document(&clean(&view.pupil, 60), CHILD, &in_childs_words(view))
}

/// The pages of several children in one, each on a sheet of its own, for printing them at once.
pub fn children(title: &str, views: &[ProgressView]) -> String {
    let sheets: String =
        views.iter().map(|view| format!("<article class=\"own\">{}</article>\n", in_childs_words(view))).collect();
    let css = format!("{CHILD}.own+.own{{break-before:page}}\n@media screen{{.own+.own{{margin-top:4rem}}}}\n");
    document(&clean(title, 60), &css, &sheets)
}

fn in_childs_words(view: &ProgressView) -> String {
    let mut body = String::new();
    let out = &mut body;
    header(out, view);
    // What is drawn has been escaped where it was drawn.
    let mut say = |heading: &str, texts: &[String], drawn: &str| {
        if texts.iter().any(|t| !t.is_empty()) {
            let _ = writeln!(out, "<section><h2>{heading}</h2>");
            for text in texts {
                let _ = writeln!(out, "<p class=\"say\">{}</p>", escape(&clean(text, 400)));
            }
            out.push_str(drawn);
            out.push_str("</section>\n");
        }
    };
    if view.day.is_empty() {
        let what = if view.drills.is_empty() { "you play" } else { "your piece" };
        say("Hello", &[format!("I have not heard {what} yet. Send me a take, slow is fine.")], "");
    }
    say("Keep this", std::slice::from_ref(&view.praise), "");
    say("Try this", std::slice::from_ref(&view.fix), &view.bars);
    say("Do this today", &view.practise, "");
    if let Some(drill) = view.drills.first() {
        say("Your echoes", &drill.says(), "");
    }
    if let Some((_, text)) = view.words.first() {
        say("Your teacher says", std::slice::from_ref(text), "");
    }
    if !view.form.is_empty() {
        let _ = writeln!(out, "<section><h2>Your piece is growing</h2>");
        form(out, view);
        out.push_str("</section>\n");
    }
    out.push_str("<footer><p>Drums are loud. Put something soft under your bucket. Take breaks. If something hurts, stop and tell a grown-up.</p></footer>\n");
    body
}

fn draw(line: &Line) -> String {
    let (w, h, left) = (300.0, 84.0, 34.0);
    // Negative where the range is upside down.
    let span = line.range.1 - line.range.0;
    let span = if span.abs() < 1e-9 { 1e-9 } else { span };
    let y = |v: f64| 8.0 + (1.0 - ((v - line.range.0) / span).clamp(0.0, 1.0)) * (h - 18.0);
    let n = line.values.len();
    let x = |k: usize| left + 8.0 + if n < 2 { 0.5 } else { k as f64 / (n - 1) as f64 } * (w - left - 16.0);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{}: {}\">",
        escape(&line.title),
        escape(&line.now)
    );
    for (end, at) in [(&line.ends.0, line.range.1), (&line.ends.1, line.range.0)] {
        let _ = write!(
            svg,
            "<path d=\"M{left} {0:.1}H{w}\" stroke=\"#d9d6cc\" stroke-width=\".8\"/><text x=\"{1}\" y=\"{2:.1}\" font-size=\"9.5\" fill=\"#66645f\" text-anchor=\"end\">{3}</text>",
            y(at),
            left - 5.0,
            y(at) + 3.2,
            escape(end)
        );
    }
    let points: Vec<(f64, f64)> = line.values.iter().enumerate().filter_map(|(k, v)| Some((x(k), y((*v)?)))).collect();
    let path: Vec<String> = points.iter().map(|(x, y)| format!("{x:.1} {y:.1}")).collect();
    if path.len() > 1 {
        let _ = write!(svg, "<path d=\"M{}\" fill=\"none\" stroke=\"#a9a69c\" stroke-width=\"1\"/>", path.join("L"));
    }
    for (k, (x, y)) in points.iter().enumerate() {
        let last = k + 1 == points.len();
        let _ = write!(
            svg,
            "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"{}\" fill=\"{}\"/>",
            if last { 3.6 } else { 2.0 },
            if last { "#0072b2" } else { "#1e1e1c" }
        );
    }
    svg + "</svg>"
}
