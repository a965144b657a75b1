//! A pupil's echo drills -> what was right in the newest and what to practise, in words, and a line on those before it.
//!
//! Pure. A drill is held against nothing but what was asked in it.

use std::fmt::Write as _;

use super::super::words::{NAME, clean};
use super::escape;
use crate::english::listed;

/// So many drills before the newest are counted up: a line or two.
const EARLIER: usize = 5;
/// Longest sentence on what differed, in letters.
const SENTENCE: usize = 200;

/// What came after one pattern.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EchoedCall {
    /// Its name.
    pub name: String,
    /// Whether it is to be met with silence.
    pub hush: bool,
    /// How often it was right.
    pub right: usize,
    /// How often it came.
    pub all: usize,
    /// What differed where it was not, a sentence a round.
    pub differed: Vec<String>,
    /// The pattern that was played in its place, if it was the same each time.
    pub instead: Option<String>,
}

/// A drill of a pupil.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct EchoedView {
    /// Its title.
    pub title: String,
    /// The day, as it is printed.
    pub day: String,
    /// Rounds that were right, hushes too.
    pub right: usize,
    /// Rounds counted.
    pub rounds: usize,
    /// Its patterns, in the order of the drill; empty in all but the newest.
    pub calls: Vec<EchoedCall>,
}

pub(super) const CSS: &str = "\
table.echoed{border-collapse:collapse;width:100%;font-size:.88rem;line-height:1.4;margin:.5rem 0}
.echoed th,.echoed td{text-align:left;vertical-align:top;padding:.25rem .9rem .25rem 0;border-top:1px solid var(--line);font-weight:400}
.echoed thead th{color:var(--grey);border-top:0}
.echoed td:last-child{width:60%;padding-right:0}
table.echoed+p.sub{margin-top:.8rem}
.echoed tbody tr:last-child>*{border-bottom:1px solid var(--line)}
";

impl EchoedCall {
    fn shown(&self) -> String {
        clean(&self.name, NAME)
    }

    /// What differed, each sentence once.
    fn says(&self) -> Vec<String> {
        let mut said: Vec<(&str, usize)> = Vec::new();
        for text in &self.differed {
            match said.iter_mut().find(|s| s.0 == text) {
                Some(same) => same.1 += 1,
                None => said.push((text, 1)),
            }
        }
        let times = |(text, n): (&str, usize)| {
            // What a terminal sets names off with.
            let text = clean(&text.replace('`', ""), SENTENCE);
            match n {
                1 => text,
                2 => format!("{text}, twice"),
                n => format!("{text}, {n} times"),
            }
        };
        said.into_iter().map(times).collect()
    }
}

impl EchoedView {
    /// The pattern that was least often right: of equals the first.
    fn to_practise(&self) -> Option<&EchoedCall> {
        let missed = |c: &EchoedCall| c.all - c.right.min(c.all);
        self.calls.iter().rev().filter(|c| missed(c) > 0).max_by_key(|c| missed(c))
    }

    /// What to practise, in one sentence; empty where all was right.
    fn practise(&self) -> String {
        let Some(call) = self.to_practise() else { return String::new() };
        let name = call.shown();
        match &call.instead {
            _ if call.hush => format!("Listen for {name}, the hush pattern, and keep still after it."),
            Some(other) => {
                format!(
                    "Practise {name} beside {}, slowly: listen to both, then echo one and the other.",
                    clean(other, NAME)
                )
            }
            None => format!("Practise {name} slowly: listen, say it, then play it."),
        }
    }

    /// What was right each time, in one sentence; empty where nothing was.
    fn well(&self) -> String {
        let right: Vec<String> = self.calls.iter().filter(|c| c.right == c.all).map(EchoedCall::shown).collect();
        match right.len() {
            0 => String::new(),
            n if n == self.calls.len() => "Every pattern was right each time.".into(),
            _ => format!("Right each time: {}.", listed(&right)),
        }
    }

    /// What was right and what to practise.
    pub(super) fn says(&self) -> Vec<String> {
        [self.well(), self.practise()].into_iter().filter(|t| !t.is_empty()).collect()
    }
}

/// Nothing where there are no drills.
pub(super) fn section(drills: &[EchoedView]) -> String {
    let [newest, earlier @ ..] = drills else { return String::new() };
    let title = |d: &EchoedView| escape(&clean(&d.title, NAME));
    let mut out = String::from("<h2>Echo drill</h2>\n");
    let _ = writeln!(
        out,
        "<p><b>{}</b>: {} of {} rounds right <span class=\"grey\">{}</span></p>",
        title(newest),
        newest.right,
        newest.rounds,
        escape(&newest.day)
    );
    for sentence in newest.says() {
        let _ = writeln!(out, "<p>{}</p>", escape(&sentence));
    }
    let other: Vec<&EchoedCall> = newest.calls.iter().filter(|c| c.right < c.all).collect();
    if !other.is_empty() {
        out.push_str("<table class=\"echoed\"><thead><tr><th>Pattern</th><th>Right</th><th>What differed</th></tr></thead><tbody>\n");
        for call in other {
            let said: Vec<String> = call.says().iter().map(|s| escape(s)).collect();
            let _ = writeln!(
                out,
                "<tr><td>{}{}</td><td>{} of {}</td><td>{}</td></tr>",
                escape(&call.shown()),
                if call.hush { " (hush)" } else { "" },
                call.right,
                call.all,
                said.join("<br/>")
            );
        }
        out.push_str("</tbody></table>\n");
    }
    if !earlier.is_empty() {
        let before = |d: &EchoedView| {
            let other = if d.title == newest.title { String::new() } else { format!(", {}", title(d)) };
            // A day and what it says stay in one line.
            let [day, right] =
                [escape(&d.day), format!("{} of {}", d.right, d.rounds)].map(|t| t.replace(' ', "\u{a0}"));
            format!("{day}{other}:\u{a0}{right}")
        };
        let mut said: Vec<String> = earlier.iter().take(EARLIER).map(before).collect();
        if earlier.len() > EARLIER {
            said.push(format!("and {} before", earlier.len() - EARLIER));
        }
        let _ = writeln!(out, "<p class=\"sub\">Rounds right in earlier drills: {}</p>", said.join("; "));
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn call(name: &str, right: usize, differed: &[&str]) -> EchoedCall {
        let all = right + differed.len();
        let differed = differed.iter().map(|d| (*d).to_owned()).collect();
        EchoedCall { name: name.into(), hush: name == "owl", right, all, differed, instead: None }
    }

    fn drill(calls: Vec<EchoedCall>) -> EchoedView {
        let (right, rounds) = calls.iter().fold((0, 0), |sum, c| (sum.0 + c.right, sum.1 + c.all));
        EchoedView { title: "Morning <echoes>".into(), day: "4 November".into(), right, rounds, calls }
    }

    fn check(calls: Vec<EchoedCall>, parts: &[&str], says: &[&str]) {
        let drill = drill(calls);
        let html = section(std::slice::from_ref(&drill));
        for part in parts {
            assert!(html.contains(part), "{part}: {html}");
        }
        assert!(roxmltree::Document::parse(&format!("<body>{html}</body>")).is_ok(), "{html}");
        assert_eq!(drill.says(), says);
    }

    #[test]
    fn what_was_right_and_one_pattern_to_practise_are_said() {
        let late = "nearly: the 3rd came 90 ms late";
        check(
            vec![call("owl", 3, &[]), call("hens", 2, &[]), call("pond", 1, &[late, late]), call("gate", 0, &["<b>"])],
            &[
                "<b>Morning &lt;echoes&gt;</b>: 6 of 9 rounds right",
                "Right each time: owl and hens.",
                "<p>Practise pond slowly",
                "<tr><td>pond</td><td>1 of 3</td><td>nearly: the 3rd came 90 ms late, twice</td></tr>",
                "<td>&lt;b&gt;</td>",
            ],
            &["Right each time: owl and hens.", "Practise pond slowly: listen, say it, then play it."],
        );
        let mut taken = call("pond", 0, &["another pattern was played: it sounded like `hens`"]);
        taken.instead = Some("hens".into());
        check(
            vec![taken],
            &["Practise pond beside hens, slowly"],
            &["Practise pond beside hens, slowly: listen to both, then echo one and the other."],
        );
        check(
            vec![call("owl", 0, &["this was the hush pattern, and it was answered"]), call("hens", 1, &[])],
            &["<td>owl (hush)</td>"],
            &["Right each time: hens.", "Listen for owl, the hush pattern, and keep still after it."],
        );
        check(
            vec![call("hens", 1, &[])],
            &["Every pattern was right each time."],
            &["Every pattern was right each time."],
        );
    }

    #[test]
    fn drills_before_the_newest_share_a_line_and_none_has_no_section() {
        assert_eq!(section(&[]), "");
        let all = vec![drill(vec![call("hens", 1, &[])]); 9];
        let html = section(&all);
        assert_eq!(
            (html.matches("4\u{a0}November:\u{a0}1\u{a0}of\u{a0}1;").count(), html.matches("and 3 before").count()),
            (5, 1)
        );
        let other = EchoedView { title: "Owls".into(), ..all[0].clone() };
        assert!(
            section(&[all[0].clone(), other]).contains("earlier drills: 4\u{a0}November, Owls:\u{a0}1\u{a0}of\u{a0}1<")
        );
    }
}
