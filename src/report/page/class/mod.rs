//! What a class has sent since it was asked -> the class page: what to teach again, and a row a child.
//!
//! Pure. Pupils stand in the order given, which is alphabetical: nothing here ranks a child. Colour never says anything
//! alone.

mod picture;

use std::fmt::Write as _;

use super::super::words::{self, clean};
use super::echoes::{self, EchoView};
use super::{document, escape, name};

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

/// What became of a section in the order of the form.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// Played as written.
    Played,
    /// Left out.
    LeftOut,
    /// Played once more than written.
    TooOften,
    /// The fault is here.
    Fault,
}

/// What a picture of a fault shows.
#[derive(Clone, Debug, PartialEq)]
pub enum Picture {
    /// A bar, or the two at a join, stroke by stroke.
    Bars {
        /// Place in the stretch shown (0 to 1), lateness in milliseconds, and what stands there.
        marks: Vec<(f64, f64, Sign)>,
        /// Written rests: from and to, in the same places.
        rests: Vec<(f64, f64)>,
        /// Where bars begin in the stretch, but the first.
        bars: Vec<f64>,
        /// Whether the bar line is a join.
        join: bool,
    },
    /// The sections in order.
    Form(Vec<(String, Turn)>),
    /// By how many per cent the tempo rose or fell.
    Drift(f64),
    /// Quarter notes a minute.
    Tempo {
        /// Asked for.
        asked: f64,
        /// Played.
        played: f64,
    },
}

/// One pupil's picture of a fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Mini {
    /// Whose.
    pub pupil: String,
    /// What is seen.
    pub picture: Picture,
}

/// Where one pupil's fault is to be heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HeardIn {
    /// Whose.
    pub pupil: String,
    /// Row of the take in the book.
    pub take: i64,
    /// Its bars, as indices into the bars of the take's timeline; all of it where it is in no place.
    pub bars: Option<std::ops::Range<usize>>,
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
    /// A picture for each of those whose fault can be seen in one; the others are named only.
    pub minis: Vec<Mini>,
    /// Where it is to be heard, for each of the pupils in the same order.
    pub heard: Vec<HeardIn>,
}

/// A take in a row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct LastTake {
    /// The day, with the hour on the day of the assignment.
    pub day: String,
    /// The tempo asked for.
    pub asked: f64,
    /// The form asked for, where it was another than the one now.
    pub form: Option<String>,
    /// The tempo played, where it could be told.
    pub played: Option<f64>,
}

/// The last take of a child.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Last {
    /// None of this part.
    #[default]
    Nothing,
    /// Made before it was asked for.
    Before(LastTake),
    /// Made since, but of what was asked for earlier.
    OfAnother(LastTake),
    /// Made since, as asked for.
    Since(LastTake),
}

/// What is next for a child.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum NextSign {
    /// The take of what was asked.
    #[default]
    Take,
    /// A faster tempo, the next section.
    Has,
    /// The same, slower or again.
    Slower,
    /// A word from the teacher.
    Word,
}

/// What is next for a child, in words too.
#[derive(Clone, Debug, PartialEq)]
pub struct Next {
    /// Of which kind.
    pub sign: NextSign,
    /// What.
    pub text: String,
}

impl Default for Next {
    fn default() -> Next {
        Next { sign: NextSign::Take, text: "a take".into() }
    }
}

/// A child's row.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Row {
    /// Whose.
    pub pupil: String,
    /// File of the pupil's page, beside this one.
    pub page: String,
    /// The last take.
    pub last: Last,
    /// The one matter of it, in words.
    pub matter: String,
    /// Whether that is a fault.
    pub fault: bool,
    /// Jitter of the last takes in milliseconds, the oldest first.
    pub evenness: Vec<Option<f64>>,
    /// Tempo asked for and played of the same takes.
    pub tempo: Vec<(f64, Option<f64>)>,
    /// What is next.
    pub next: Next,
    /// The take it speaks of, as its row in the book.
    pub take: Option<i64>,
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
    /// Since when: day and hour.
    pub given: String,
    /// By when.
    pub due: Option<String>,
    /// Tempo the part starts at and goes to.
    pub range: (f64, f64),
    /// Every child, alphabetically.
    pub rows: Vec<Row>,
    /// At most three.
    pub again: Vec<Again>,
    /// They come from takes of before, because nobody has sent one since.
    pub from_before: bool,
    /// What was played after each call of the echo drill; `None` where no drill is kept.
    pub echoes: Option<EchoView>,
    /// Recordings that wait for the teacher.
    pub waiting: usize,
    /// How often the ear was set right, in words.
    pub corrected: String,
}

/// Most pictures beside one matter; the other pupils are named.
const MOST_MINIS: usize = 8;
/// Longest name in a row or a list, and under a picture, in letters.
const SHORT: usize = 22;
const UNDER_CHART: usize = 12;
/// Longest sentence in a row.
const MATTER: usize = 120;

pub(super) const CSS: &str = "\
body{max-width:66rem}
.count{margin:.7rem 0 0}
ol.again{list-style:none;margin:0;padding:0}
ol.again>li{display:grid;grid-template-columns:1.6rem minmax(13rem,1fr) 2.4fr;gap:0 .6rem;padding:.7rem 0;border-top:1px solid var(--line);break-inside:avoid}
ol.again>li:last-child{border-bottom:1px solid var(--line)}
ol.again p{margin:.1rem 0}
.big{font-size:1.3rem;color:var(--grey);line-height:1.1}
.minis{display:grid;grid-template-columns:repeat(4,1fr);gap:.3rem .8rem;align-content:start}
.minis figure{margin:0}
.minis figcaption{font-size:.75rem;color:var(--grey);text-align:center;white-space:nowrap;overflow:hidden;text-overflow:ellipsis}
.minis svg{width:100%}
.who{font-size:.82rem;color:var(--grey)}
a{color:inherit;text-decoration:underline;text-decoration-color:#a9a69c;text-underline-offset:.15em}
.film{color:#0072b2;font-size:.85rem}
.key{font-size:.8rem;color:var(--grey);font-weight:400;margin:.4rem 0}
.key svg,.sign{display:inline-block;vertical-align:-.12em}
table{border-collapse:collapse;width:100%;font-size:.86rem;line-height:1.35}
th{font-weight:400;text-align:left}
thead th{color:var(--grey);padding:0 .8rem .3rem 0;vertical-align:bottom}
td,tbody th{padding:.32rem .8rem .32rem 0;border-top:1px solid var(--line);vertical-align:middle}
tbody th{font-weight:700;white-space:nowrap;max-width:12rem;overflow:hidden;text-overflow:ellipsis}
thead th{white-space:nowrap}
tbody tr:last-child>*{border-bottom:1px solid var(--line)}
.small{color:var(--grey);font-size:.78rem}
td.line{white-space:nowrap;width:7.4rem}
td.line svg{display:inline-block;vertical-align:middle}
td.line i{font-style:normal;color:var(--grey);font-size:.78rem}
td.next{min-width:9rem}
.label{display:none}
footer{margin-top:1.4rem;border-top:1px solid var(--line);padding-top:.5rem;color:var(--grey);font-size:.8rem}
@media screen and (max-width:44rem){ol.again>li{grid-template-columns:1.6rem 1fr}.minis{grid-column:1/-1;margin-top:.5rem}
thead{display:none}table,tbody,tr,td,tbody th{display:block}tbody tr{display:grid;grid-template-columns:1fr 1fr;gap:.1rem .8rem;padding:.7rem 0;border-top:1px solid var(--line)}
tbody tr:last-child{border-bottom:1px solid var(--line)}td,tbody th,tbody tr:last-child>*{border:0;padding:0}tbody th{font-size:1.05rem}td.last,td.matter,td.next{grid-column:1/-1}td.line{width:auto}
tbody th{grid-column:1/-1}.label{display:block;color:var(--grey);font-size:.78rem}td.line:empty,td.matter:empty{display:none}}
@media print{body{font-size:8.6pt;line-height:1.32}h1{font-size:16pt}h2{margin:7pt 0 3pt;font-size:10pt}.sub{font-size:8.5pt}.count{margin-top:3pt}
ol.again>li{padding:3pt 0;grid-template-columns:12pt 50mm 1fr;gap:0 4pt}.big{font-size:11pt}.minis{grid-template-columns:repeat(8,1fr);gap:0 5pt}.minis figcaption{font-size:6.5pt}
table{font-size:7.2pt;line-height:1.18}td,tbody th{padding:1.1pt 4pt 1.1pt 0}.small,td.line i{font-size:6.6pt}td.last br,.more{display:none}td.line{white-space:nowrap}td.last{width:38mm}td.next{width:42mm}td.line{width:19mm}td.line svg{width:11.5mm;height:3.3mm}td.next{min-width:0}
.key{font-size:7pt;margin:2pt 0}footer{margin-top:5pt;padding-top:2pt;font-size:7pt}a{text-decoration:none}}
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
        sub.push(format!("asked for on {}", escape(&view.given)));
        sub.extend(view.due.as_deref().map(|due| format!("by {}", escape(due))));
    }
    sub.push(format!("this page is of {}", escape(&view.day)));
    let _ = writeln!(out, "<p class=\"sub\">{}</p>", sub.join(" · "));
    if view.rows.is_empty() {
        out.push_str(
            "</header><p>Nobody is in this class yet. Bring in a roster: <code>pailbeat book roster FILE.csv</code></p>",
        );
    } else if view.part.is_empty() {
        out.push_str("</header><p>Nothing has been assigned yet. Give the class a part: <code>pailbeat book assign PART --class NAME</code></p>");
    } else {
        let _ = writeln!(out, "<p class=\"count\">{}</p></header>", who_sent(view));
        again(out, view);
        rows(out, view);
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

/// The class page in pieces of HTML, for a page that holds more than it.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Pieces {
    /// Who has sent a take, and who has not.
    pub count: String,
    /// What is worth teaching again: of each matter the number, the words and the pictures, without what stands around them.
    pub again: Vec<[String; 3]>,
    /// What is said where nothing is worth teaching again, else what the pictures show.
    pub about: String,
    /// A row a child.
    pub rows: String,
    /// What was played after each call of the echo drill.
    pub echoes: String,
}

/// The pieces.
pub fn pieces(view: &ClassView) -> Pieces {
    let mut out = Pieces { count: who_sent(view), ..Pieces::default() };
    out.again = view.again.iter().enumerate().map(|(k, again)| matter(k, again)).collect();
    if view.again.is_empty() {
        out.about.push_str(nothing_shared(view))
    } else {
        key(&mut out.about, view)
    }
    rows(&mut out.rows, view);
    out.echoes = view.echoes.as_ref().map(echoes::section).unwrap_or_default();
    out
}

/// Who has sent a take since it was asked for, and who has not.
fn who_sent(view: &ClassView) -> String {
    let all = view.rows.len();
    let sent = view.rows.iter().filter(|r| matches!(r.last, Last::Since(_))).count();
    let not_yet: Vec<String> = (view.rows.iter())
        .filter_map(|row| {
            let about = match &row.last {
                Last::Since(_) => return None,
                Last::Nothing => String::new(),
                Last::Before(take) => format!(" (last one {})", escape(&take.day)),
                Last::OfAnother(take) => format!(" (sent {})", escape(&as_asked(take))),
            };
            Some(format!("<b>{}</b>{about}", short(&row.pupil, SHORT)))
        })
        .collect();
    let count = match (sent, all) {
        (0, _) => "<b>Nobody</b> has sent a take since then.".to_owned(),
        (1, 1) => "<b>The one child</b> in this class has sent a take since then.".to_owned(),
        (n, all) if n == all => format!("<b>All {all}</b> have sent a take since then."),
        (1, all) => format!("<b>1 of {all}</b> has sent a take since then."),
        (n, all) => format!("<b>{n} of {all}</b> have sent a take since then."),
    };
    match not_yet.len() {
        0 => count,
        // The table says it of each.
        n if n == all => count,
        _ => format!("{count} Not yet: {}.", not_yet.join(", ")),
    }
}

/// `A A at 72`.
fn as_asked(take: &LastTake) -> String {
    let form = take.form.as_deref().map_or(String::new(), |form| format!("{} ", clean(form, 40)));
    format!("{form}at {:.0}", take.asked)
}

/// What is said where no fault is shared.
fn nothing_shared(view: &ClassView) -> &'static str {
    let heard = |row: &&Row| !matches!(row.last, Last::Nothing);
    let faults = view.rows.iter().filter(heard).filter(|r| r.fault).count();
    match (view.rows.iter().filter(heard).count(), faults) {
        (0, _) => "<p>Nothing has been heard yet.</p>",
        (_, 0) => "<p>Nothing: what was sent is played as written.</p>",
        _ => "<p>No fault is shared. Each child needs something of their own: it stands in the rows below.</p>",
    }
}

fn again(out: &mut String, view: &ClassView) {
    out.push_str("<h2>Worth teaching again</h2>\n");
    if view.again.is_empty() {
        out.push_str(nothing_shared(view));
        return;
    }
    if view.from_before {
        out.push_str("<p class=\"key\">These takes were sent before the part was asked for.</p>\n");
    }
    out.push_str("<ol class=\"again\">\n");
    for (k, again) in view.again.iter().enumerate() {
        let [number, said, drawn] = matter(k, again);
        let _ = writeln!(out, "<li>{number}<div>{said}</div>{drawn}</li>");
    }
    out.push_str("</ol>\n");
    key(out, view);
}

/// A matter: its number, what is said of it, the pictures.
fn matter(k: usize, again: &Again) -> [String; 3] {
    let film = again.lesson.as_deref().map(film).unwrap_or_default();
    let mut said =
        format!("<p><b>{}</b></p><p>{}</p>{film}", escape(&clean(&again.title, MATTER)), escape(&again.says));
    let drawn = &again.minis[..again.minis.len().min(MOST_MINIS)];
    let rest = again.pupils.iter().filter(|p| drawn.iter().all(|m| m.pupil != **p));
    let rest: Vec<String> = rest.map(|p| short(p, SHORT)).collect();
    if !rest.is_empty() {
        let and = if drawn.is_empty() { "" } else { "and " };
        let _ = write!(said, "<p class=\"who\">{and}{}</p>", rest.join(", "));
    }
    let mut pictures = String::new();
    for mini in drawn {
        let _ = write!(
            pictures,
            "<figure>{}<figcaption>{}</figcaption></figure>",
            picture::draw(&mini.picture, &again.title),
            short(&mini.pupil, UNDER_CHART)
        );
    }
    if !drawn.is_empty() {
        pictures = format!("<div class=\"minis\">{pictures}</div>");
    }
    [format!("<span class=\"big\">{}</span>", k + 1), said, pictures]
}

/// What the pictures show: of each kind that is there.
fn key(out: &mut String, view: &ClassView) {
    let drawn = || view.again.iter().flat_map(|a| &a.minis).map(|m| &m.picture);
    let (mut bars, mut form, mut tempo) = (false, false, false);
    for picture in drawn() {
        match picture {
            Picture::Bars { .. } => bars = true,
            Picture::Form(_) => form = true,
            Picture::Drift(_) | Picture::Tempo { .. } => tempo = true,
        }
    }
    let mut said = Vec::new();
    if bars {
        said.push(
            "A picture is one child’s bar: above the line is early, below it late, to 150 ms at the edge; nobody hears what lies within the band. A diamond is the \
             fault, a cross was played in a rest (the darker stretches), a ring was not played, a bold upright line is the join.",
        );
    }
    if form {
        said.push(
            "Boxes are the sections in order: struck through and dashed is left out, a plus is once too often, a diamond is where it happens.",
        );
    }
    if tempo {
        said.push("A rising line gets faster; a diamond above the blue line is faster than asked.");
    }
    if !said.is_empty() {
        let _ = writeln!(out, "<p class=\"key\">{}</p>", said.join(" "));
    }
}

/// A pointer into the teacher's film: a link where it is one.
fn film(lesson: &str) -> String {
    let shown = escape(&clean(lesson, 120));
    let link = lesson.split_whitespace().next().filter(|l| l.starts_with("https://") || l.starts_with("http://"));
    match link {
        Some(link) => format!("<p class=\"film\"><a href=\"{}\">{shown}</a></p>", escape(link)),
        None => format!("<p class=\"film\">{shown}</p>"),
    }
}

fn short(text: &str, most: usize) -> String {
    format!("<bdi>{}</bdi>", escape(&clean(text, most)))
}

impl NextSign {
    const ALL: [NextSign; 4] = [NextSign::Has, NextSign::Slower, NextSign::Word, NextSign::Take];

    fn word(self) -> &'static str {
        match self {
            NextSign::Has => "has it",
            NextSign::Slower => "at it",
            NextSign::Word => "a word from you",
            NextSign::Take => "a take to come",
        }
    }

    /// Filled, half, ring with a point, dashed ring.
    fn sign(self) -> String {
        let ring = "<circle cx=\"6\" cy=\"6\" r=\"4\" fill=\"none\" stroke=\"#1e1e1c\"/>";
        let inside = match self {
            NextSign::Has => "<circle cx=\"6\" cy=\"6\" r=\"4.4\" fill=\"#1e1e1c\"/>".to_owned(),
            NextSign::Slower => format!("{ring}<path d=\"M6 2a4 4 0 0 0 0 8z\" fill=\"#1e1e1c\"/>"),
            NextSign::Word => format!("{ring}<circle cx=\"6\" cy=\"6\" r=\"1.5\" fill=\"#1e1e1c\"/>"),
            NextSign::Take => {
                "<circle cx=\"6\" cy=\"6\" r=\"4\" fill=\"none\" stroke=\"#66645f\" stroke-dasharray=\"1.6 1.6\"/>"
                    .into()
            }
        };
        format!(
            "<svg class=\"sign\" viewBox=\"0 0 12 12\" width=\"12\" height=\"12\" role=\"img\" aria-label=\"{}\">{inside}</svg>",
            self.word()
        )
    }
}

/// The last take in a row.
fn last(row: &Row) -> String {
    let (take, about) = match &row.last {
        Last::Nothing => return "nothing yet".into(),
        Last::Before(take) => (take, ", <b>before<span class=\"more\"> it was asked for</span></b>"),
        Last::OfAnother(take) | Last::Since(take) => (take, ""),
    };
    let played = take.played.map_or_else(|| "tempo not heard".into(), |bpm| format!("played {bpm:.0}"));
    let form = take.form.as_deref().map_or(String::new(), |form| format!("{} ", clean(form, 40)));
    format!(
        "{}{about}<br/> <span class=\"small\">asked {}{:.0}, {played}</span>",
        escape(&take.day),
        escape(&form),
        take.asked
    )
}

fn rows(out: &mut String, view: &ClassView) {
    out.push_str(
        "<h2>Child by child</h2>\n<table><thead><tr><th>by name</th><th>last take</th><th>the one matter</th><th>evenness</th>\
         <th>tempo</th><th>next</th></tr></thead><tbody>\n",
    );
    for row in &view.rows {
        let link = format!("<a href=\"{}\">{}</a>", escape(&row.page), short(&row.pupil, SHORT));
        let _ = write!(out, "<tr><th>{link}</th><td class=\"last\">{}</td>", last(row));
        let _ = write!(out, "<td class=\"matter\">{}</td>", escape(&clean(&row.matter, MATTER)));
        let now = |value: Option<f64>, unit: &str| value.map_or(String::new(), |v| format!(" <i>{v:.0}{unit}</i>"));
        match row.evenness.last() {
            Some(even) => {
                let _ = write!(
                    out,
                    "<td class=\"line\"><span class=\"label\">evenness</span>{}{}</td>",
                    picture::evenness(&row.evenness),
                    now(*even, " ms")
                );
            }
            None => out.push_str("<td class=\"line\"></td>"),
        }
        match row.tempo.last() {
            Some((_, played)) => {
                let drawn = picture::tempi(&row.tempo, view.range);
                let _ = write!(
                    out,
                    "<td class=\"line\"><span class=\"label\">tempo</span>{drawn}{}</td>",
                    now(*played, "")
                );
            }
            None => out.push_str("<td class=\"line\"></td>"),
        }
        let next = &row.next;
        let _ =
            writeln!(out, "<td class=\"next\">{} {}</td></tr>", next.sign.sign(), escape(&clean(&next.text, MATTER)));
    }
    let signs: Vec<String> = NextSign::ALL.into_iter().map(|s| format!("{} {}", s.sign(), s.word())).collect();
    let _ = writeln!(
        out,
        "</tbody></table>\n<p class=\"key\">Evenness: two strokes in three lie within so many milliseconds of the child’s own pulse, from 0 at the top to {:.0}; what \
         lies in the band nobody hears. Tempo: dots are played, lines asked for. The filled dot is the newest take. {}</p>",
        picture::UNEVEN_MS,
        signs.join(" · ")
    );
}
