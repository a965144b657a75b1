//! What a class has learnt -> the class page: what to teach again, who has what, who is ready, who needs a word.
//!
//! Pure. Pupils stand in the order given, which is alphabetical: nothing here ranks a child. Colour never says anything
//! alone.

use std::fmt::Write as _;

use super::super::words::{self, clean};
use super::echoes::{self, EchoView};
use super::{document, escape, name};

/// How a pupil stands with a section or a join.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Has it.
    Has,
    /// To be taken slower first.
    Slower,
    /// Has not sent it.
    NotSent,
}

impl Standing {
    fn word(self) -> &'static str {
        match self {
            Standing::Has => "has it",
            Standing::Slower => "slower first",
            Standing::NotSent => "not sent",
        }
    }

    /// Filled, half, ring.
    fn sign(self) -> String {
        let inside = match self {
            Standing::Has => "<circle cx=\"6\" cy=\"6\" r=\"4.2\" fill=\"#1e1e1c\"/>",
            Standing::Slower => {
                "<circle cx=\"6\" cy=\"6\" r=\"4\" fill=\"none\" stroke=\"#1e1e1c\"/><path d=\"M6 2a4 4 0 0 0 0 8z\" fill=\"#1e1e1c\"/>"
            }
            Standing::NotSent => {
                "<circle cx=\"6\" cy=\"6\" r=\"4\" fill=\"none\" stroke=\"#66645f\" stroke-dasharray=\"1.6 1.6\"/>"
            }
        };
        format!(
            "<svg class=\"dot\" viewBox=\"0 0 12 12\" width=\"12\" height=\"12\" role=\"img\" aria-label=\"{}\">{inside}</svg>",
            self.word()
        )
    }
}

/// A section or a join, with how each pupil stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Unit {
    /// `A`, or `A to B`.
    pub name: String,
    /// One for each pupil of the class, in their order.
    pub standings: Vec<Standing>,
}

/// What stands at a place of a small chart.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sign {
    /// Played where it belongs.
    Played,
    /// Played, and this is where the fault is.
    Fault,
    /// Not played.
    Missed,
    /// Played in a rest.
    InRest,
}

/// One pupil's chart of a typical fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Mini {
    /// Whose.
    pub pupil: String,
    /// Place in the stretch shown (0 to 1), lateness in milliseconds, and what stands there.
    pub marks: Vec<(f64, f64, Sign)>,
    /// Written rests: from and to, in the same places.
    pub rests: Vec<(f64, f64)>,
    /// Where bars begin in the stretch, but the first.
    pub bars: Vec<f64>,
    /// Whether the bar line is a join.
    pub join: bool,
}

/// Something worth teaching again.
#[derive(Clone, Debug, PartialEq)]
pub struct Again {
    /// The place: `A, bar 4: the rest`.
    pub title: String,
    /// How many do what.
    pub says: String,
    /// Where it was taught in the teacher's film.
    pub lesson: Option<String>,
    /// All pupils concerned.
    pub pupils: Vec<String>,
    /// A chart for each of those whose fault a chart can show; the others are named only.
    pub minis: Vec<Mini>,
}

/// What the class page shows.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClassView {
    /// Name of the class.
    pub class: String,
    /// The day, as it is printed.
    pub day: String,
    /// Title of the part the class is on; empty when nothing was assigned.
    pub part: String,
    /// What was asked last: form and tempo.
    pub asked: String,
    /// Pupils, alphabetically.
    pub pupils: Vec<String>,
    /// How many have sent the part at all: those the table shows.
    pub sent: usize,
    /// How many of them for the last assignment.
    pub of_this: usize,
    /// Sections and joins in the order of the form.
    pub units: Vec<Unit>,
    /// At most three.
    pub again: Vec<Again>,
    /// What somebody is ready for, and who.
    pub ready: Vec<(String, Vec<String>)>,
    /// Why somebody needs a word, and who.
    pub word: Vec<(String, Vec<String>)>,
    /// What was played after each call of the echo drill; `None` where no drill is kept.
    pub echoes: Option<EchoView>,
    /// Recordings that wait for the teacher.
    pub waiting: usize,
    /// How often the ear was corrected, in words.
    pub corrected: String,
}

/// Most charts beside one matter; the other pupils are named.
const MOST_MINIS: usize = 8;
/// Longest name beside a dot or under a chart, in letters.
const SHORT: usize = 22;
const UNDER_CHART: usize = 12;
/// A class is parted into columns only from so many names on.
const LEAST_ROWS: usize = 8;
/// Lateness at the edge of a small chart, milliseconds; what is later stands at the edge.
const EDGE_MS: f64 = 150.0;
/// What nobody hears: see the chart's band.
const UNHEARD_MS: f64 = 20.0;

const CSS: &str = "\
body{max-width:60rem}
ol.again{list-style:none;margin:0;padding:0}
ol.again>li{display:grid;grid-template-columns:1.6rem minmax(13rem,1fr) 2fr;gap:0 .6rem;padding:.8rem 0;border-top:1px solid var(--line);break-inside:avoid}
ol.again>li:last-child{border-bottom:1px solid var(--line)}
ol.again p{margin:.1rem 0}
.big{font-size:1.3rem;color:var(--grey);line-height:1.1}
.minis{display:grid;grid-template-columns:repeat(4,1fr);gap:.3rem .8rem;align-content:start}
.minis figure{margin:0}
.minis figcaption{font-size:.75rem;color:var(--grey);text-align:center;white-space:nowrap;overflow:hidden;text-overflow:ellipsis}
.minis svg{width:100%}
.who{font-size:.82rem;color:var(--grey)}
a,.film{color:#0072b2;text-decoration:none;font-size:.85rem}
.key{font-size:.82rem;color:var(--grey);font-weight:400}
.key svg,.dot{display:inline-block;vertical-align:-.1em}
table{border-collapse:collapse;font-size:.85rem;line-height:1.35}
th{font-weight:400;text-align:left}
thead th{color:var(--grey);padding:0 .5rem .2rem 0;vertical-align:bottom}
td,tbody th{padding:.1rem .5rem .1rem 0}
td{text-align:center;white-space:nowrap}
thead th+th{text-align:center}
.sums{width:auto;margin-bottom:.9rem}
.sums td{color:var(--ink);text-align:left;padding-right:1.4rem}
.sums tbody th{padding-right:1.4rem}
.grids{display:grid;grid-template-columns:repeat(auto-fill,minmax(17rem,1fr));gap:0 2.4rem;align-items:start}
.grids table{break-inside:avoid}
.grids thead th{white-space:nowrap}
.two{display:grid;grid-template-columns:1fr 1fr;gap:0 2.4rem}
.two p{margin:.2rem 0}
footer{margin-top:1.8rem;border-top:1px solid var(--line);padding-top:.5rem;color:var(--grey);font-size:.8rem}
@media screen and (max-width:44rem){ol.again>li{grid-template-columns:1.6rem 1fr}.minis{grid-column:1/-1;margin-top:.5rem}.two{grid-template-columns:1fr}.sums td{padding-right:.7rem}.grids{gap:.8rem}.grids tbody th{min-width:6.5rem}}
@media print{body{font-size:9.5pt}h1{font-size:18pt}h2{margin:10pt 0 4pt}ol.again>li{padding:5pt 0}.grids{grid-template-columns:repeat(3,1fr);gap:0 14pt}table{font-size:8.5pt}}
";

/// The page.
pub fn page(view: &ClassView) -> String {
    let mut body = String::new();
    let out = &mut body;
    let _ = writeln!(out, "<header><h1>{}</h1>", name(&view.class));
    let mut sub = Vec::new();
    if !view.part.is_empty() {
        sub.push(name(&view.part));
        sub.push(escape(&view.asked));
    }
    sub.push(escape(&view.day));
    if !view.pupils.is_empty() && !view.part.is_empty() {
        let (sent, all) = (view.sent, view.pupils.len());
        let of_this = match view.of_this {
            n if n == sent => String::new(),
            0 => ", none of them for this assignment yet".into(),
            n => format!(", {n} of them for this assignment"),
        };
        sub.push(match (sent, all) {
            (1, 1) => format!("sent{of_this}"),
            _ if sent == all => format!("all {all} have sent it{of_this}"),
            (1, _) => format!("1 of {all} has sent it{of_this}"),
            _ => format!("{sent} of {all} have sent it{of_this}"),
        });
    }
    let _ = writeln!(out, "<p class=\"sub\">{}</p></header>", sub.join(" · "));
    if view.pupils.is_empty() {
        out.push_str(
            "<p>Nobody is in this class yet. A roster from a table: <code>pailbeat book roster FILE.csv</code></p>",
        );
    } else if view.part.is_empty() {
        out.push_str("<p>Nothing has been assigned yet. A part is given with <code>pailbeat book assign PART --class NAME</code></p>");
    } else {
        again(out, view);
        standings(out, view);
        two(out, view);
    }
    if let Some(echoes) = &view.echoes {
        out.push_str(&echoes::section(echoes));
    }
    let waiting = match view.waiting {
        0 => String::new(),
        1 => "One recording waits for you to say whose or what it is: <code>pailbeat book waiting</code>. ".into(),
        n => format!(
            "{} for you to say whose or what they are: <code>pailbeat book waiting</code>. ",
            words::capital(&words::count(n, "recording waits", "recordings wait"))
        ),
    };
    let _ = writeln!(
        out,
        "<footer><p>{waiting}{} Names are in alphabetical order; the page compares nobody. Made and kept on this machine.</p></footer>",
        escape(&view.corrected)
    );
    document(&clean(&view.class, words::NAME), &format!("{CSS}{}", echoes::CSS), &body)
}

fn again(out: &mut String, view: &ClassView) {
    out.push_str("<h2>Worth teaching again</h2>\n");
    if view.again.is_empty() {
        out.push_str(if view.sent == 0 {
            "<p>Nothing has been heard yet.</p>"
        } else {
            "<p>Nothing: no fault is shared by several.</p>"
        });
        return;
    }
    out.push_str("<ol class=\"again\">\n");
    for (k, again) in view.again.iter().enumerate() {
        let film = again.lesson.as_deref().map(film).unwrap_or_default();
        let _ = write!(
            out,
            "<li><span class=\"big\">{}</span><div><p><b>{}</b></p><p>{}</p>{film}",
            k + 1,
            escape(&clean(&again.title, 120)),
            escape(&again.says)
        );
        let drawn = &again.minis[..again.minis.len().min(MOST_MINIS)];
        let rest = again.pupils.iter().filter(|p| drawn.iter().all(|m| m.pupil != **p));
        let rest: Vec<String> = rest.map(|p| short(p, SHORT)).collect();
        if !rest.is_empty() {
            let and = if drawn.is_empty() { "" } else { "and " };
            let _ = write!(out, "<p class=\"who\">{and}{}</p>", rest.join(", "));
        }
        out.push_str("</div>");
        if !drawn.is_empty() {
            out.push_str("<div class=\"minis\">");
        }
        for mini in drawn {
            let _ = write!(
                out,
                "<figure>{}<figcaption>{}</figcaption></figure>",
                draw(mini, &again.says),
                short(&mini.pupil, UNDER_CHART)
            );
        }
        out.push_str(if drawn.is_empty() { "</li>\n" } else { "</div></li>\n" });
    }
    out.push_str("</ol>\n");
    if view.again.iter().all(|a| a.minis.is_empty()) {
        return;
    }
    out.push_str("<p class=\"key\">Each small chart is one pupil’s bar, all on one scale: above the line is early, below it late, to 150 ms at the \
edge; nobody hears what lies within the dark band. A diamond is the fault, a cross was played in a rest (the pale stretches), a ring was not \
played, a bold upright line is the join.</p>\n");
}

/// A pointer into the teacher's film: a link where it is one.
fn film(lesson: &str) -> String {
    let shown = escape(&clean(lesson, 120));
    let link = lesson.split_whitespace().next().filter(|l| l.starts_with("https://") || l.starts_with("http://"));
    match link {
        Some(link) => format!("<p><a href=\"{}\">{shown}</a></p>", escape(link)),
        None => format!("<p class=\"film\">{shown}</p>"),
    }
}

fn short(text: &str, most: usize) -> String {
    format!("<bdi>{}</bdi>", escape(&clean(text, most)))
}

/// A small chart; all of them have the same axes.
fn draw(mini: &Mini, says: &str) -> String {
    let (w, h) = (96.0, 44.0);
    let y = |late: f64| h / 2.0 + late.clamp(-EDGE_MS, EDGE_MS) / EDGE_MS * (h / 2.0 - 5.0);
    let x = |at: f64| 4.0 + at.clamp(0.0, 1.0) * (w - 8.0);
    let mut svg = format!("<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"{}\">", escape(says));
    for (from, to) in &mini.rests {
        let (from, to) = (x(*from), x(*to));
        let _ = write!(
            svg,
            "<rect x=\"{from:.1}\" y=\"2\" width=\"{:.1}\" height=\"{:.1}\" fill=\"#f4f2ea\"/>",
            to - from,
            h - 4.0
        );
    }
    let _ = write!(
        svg,
        "<rect x=\"0\" y=\"{0:.1}\" width=\"{w}\" height=\"{1:.1}\" fill=\"#f0ede4\"/><path d=\"M0 {2:.1}H{w}\" stroke=\"#a9a69c\" stroke-width=\".8\"/>",
        y(-UNHEARD_MS),
        y(UNHEARD_MS) - y(-UNHEARD_MS),
        h / 2.0
    );
    let ends = [(0.0, false), (1.0, false)].into_iter().chain(mini.bars.iter().map(|b| (*b, mini.join)));
    for (at, join) in ends {
        // Bar lines as in a score: thin, and bold where two sections join.
        let (ink, wide) = if join { ("#1e1e1c", 1.4) } else { ("#a9a69c", 0.6) };
        let at = if at <= 0.0 {
            0.4
        } else if at >= 1.0 {
            w - 0.4
        } else {
            x(at)
        };
        let _ = write!(svg, "<path d=\"M{at:.1} 2V{:.1}\" stroke=\"{ink}\" stroke-width=\"{wide}\"/>", h - 2.0);
    }
    for (at, late, sign) in &mini.marks {
        let (x, y) = (x(*at), y(*late));
        let _ = match sign {
            Sign::Played => write!(svg, "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.3\" fill=\"#1e1e1c\"/>"),
            Sign::Fault => write!(svg, "<path d=\"M{x:.1} {:.1}l3 3l-3 3l-3-3z\" fill=\"#d55e00\"/>", y - 3.0),
            Sign::Missed => write!(
                svg,
                "<circle cx=\"{x:.1}\" cy=\"{y:.1}\" r=\"2.2\" fill=\"none\" stroke=\"#1e1e1c\" stroke-width=\".9\"/>"
            ),
            Sign::InRest => write!(
                svg,
                "<path d=\"M{:.1} {:.1}l5 5m0-5l-5 5\" stroke=\"#d55e00\" stroke-width=\"1.3\" fill=\"none\"/>",
                x - 2.5,
                y - 2.5
            ),
        };
    }
    svg + "</svg>"
}

fn standings(out: &mut String, view: &ClassView) {
    out.push_str("<h2>Who has what</h2>\n<table class=\"sums\"><thead><tr><th></th><th>have it</th><th>slower first</th><th>not sent</th></tr></thead><tbody>\n");
    for unit in &view.units {
        let count = |s| unit.standings.iter().filter(|x| **x == s).count();
        let _ = writeln!(
            out,
            "<tr><th>{}</th><td>{}</td><td>{}</td><td>{}</td></tr>",
            escape(&clean(&unit.name, 40)),
            count(Standing::Has),
            count(Standing::Slower),
            count(Standing::NotSent)
        );
    }
    let _ = writeln!(
        out,
        "</tbody></table>\n<p class=\"key\">{} has it · {} slower first · {} not sent</p>\n<div class=\"grids\">",
        Standing::Has.sign(),
        Standing::Slower.sign(),
        Standing::NotSent.sign()
    );
    let columns = 3;
    let each = view.pupils.len().div_ceil(columns).max(LEAST_ROWS);
    let heads: String = view.units.iter().map(|u| format!("<th>{}</th>", escape(&clean(&u.name, 16)))).collect();
    for from in (0..view.pupils.len()).step_by(each) {
        let _ = write!(out, "<table><thead><tr><th></th>{heads}</tr></thead><tbody>");
        for (k, pupil) in view.pupils.iter().enumerate().skip(from).take(each) {
            let _ = write!(out, "<tr><th>{}</th>", short(pupil, SHORT));
            for unit in &view.units {
                let standing = unit.standings.get(k).copied().unwrap_or(Standing::NotSent);
                let _ = write!(out, "<td>{}</td>", standing.sign());
            }
            out.push_str("</tr>");
        }
        out.push_str("</tbody></table>\n");
    }
    out.push_str("</div>\n");
}

fn two(out: &mut String, view: &ClassView) {
    out.push_str("<div class=\"two\">");
    for (heading, rows, none) in [
        ("Ready for the next step", &view.ready, "Nobody yet."),
        ("A word from you", &view.word, "Nobody is waiting for one."),
    ] {
        let _ = writeln!(out, "<div><h2>{heading}</h2>");
        for (what, who) in rows {
            let who: Vec<String> = who.iter().map(|p| short(p, SHORT)).collect();
            let _ = writeln!(out, "<p>{}: {}</p>", escape(&words::capital(&clean(what, 120))), who.join(", "));
        }
        if rows.is_empty() {
            let _ = writeln!(out, "<p class=\"grey\">{none}</p>");
        }
        out.push_str("</div>");
    }
    out.push_str("</div>\n");
}
