//! A form of the desk's pages -> what is to be done, as plain data.

use super::Trouble;
use super::look::value;
use crate::part::Surface;

/// What is said against a finding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// There is no fault.
    Fine,
    /// The strokes landed where they are written.
    AsWritten,
    /// Somebody or something else was heard.
    Another,
}

/// What is to be done.
#[derive(Clone, Debug, PartialEq)]
pub enum Act {
    /// Begin a class, or add to it.
    Enrol {
        /// Its name.
        class: String,
        /// The nicknames, one a line; or a table as `book roster` reads it.
        names: String,
    },
    /// Fill a class with the demo's takes.
    Demo,
    /// Give a class a part.
    Assign {
        /// The class.
        class: String,
        /// The part file's text.
        part: String,
        /// Sections in order.
        form: Option<String>,
        /// Quarter notes a minute.
        bpm: Option<f64>,
        /// By when, as `2026-11-19`.
        due: Option<String>,
    },
    /// Say whose or what a waiting recording is.
    Settle {
        /// Its number.
        number: i64,
        /// Whose.
        pupil: Option<String>,
        /// Of which part.
        part: Option<String>,
        /// In which form.
        form: Option<String>,
        /// What comes from there is theirs from now on.
        always: bool,
    },
    /// Take a waiting recording off the list.
    Aside(i64),
    /// Take what was dropped into the book.
    Gather,
    /// Set findings right.
    Correct {
        /// In which take.
        take: i64,
        /// Which: indices of what the ear found.
        findings: Vec<usize>,
        /// What is true.
        against: Against,
    },
    /// Say on which surface a stroke was.
    Stroke {
        /// In which take.
        take: i64,
        /// Which.
        stroke: usize,
        /// Where it landed.
        surface: Surface,
    },
    /// Say whose take it is.
    Whose {
        /// Which take.
        take: i64,
        /// Whose.
        pupil: String,
    },
    /// Take something back that was set right.
    TakeBack(Vec<i64>),
    /// Keep a word for a child.
    Word {
        /// For whom.
        pupil: String,
        /// What.
        text: String,
    },
    /// Make the pages of all children of a class.
    Pages(String),
}

impl Act {
    /// What a form sent to `/do/NAME` means.
    ///
    /// # Errors
    /// If something is missing in it.
    pub fn parse(name: &str, form: &[(String, String)]) -> Result<Act, Trouble> {
        let lacks = |what: &str| Trouble::new(format!("the form does not say {what}"), "fill it in and send it again");
        let text = |name: &str| value(form, name).map(str::trim).filter(|v| !v.is_empty()).map(str::to_owned);
        let must = |name: &str, what: &str| text(name).ok_or_else(|| lacks(what));
        let number = |name: &str, what: &str| -> Result<i64, Trouble> {
            text(name).and_then(|v| v.parse().ok()).ok_or_else(|| lacks(what))
        };
        let take = || number("take", "which take");
        Ok(match name {
            "enrol" => Act::Enrol {
                class: must("class", "what the class is called")?,
                names: text("names").unwrap_or_default(),
            },
            "demo" => Act::Demo,
            "assign" => Act::Assign {
                class: must("class", "which class")?,
                // As it was written, for its sum is kept.
                part: value(form, "part").map(|part| part.replace("\r\n", "\n")).ok_or_else(|| lacks("the part"))?,
                form: text("form"),
                bpm: match text("bpm") {
                    None => None,
                    Some(bpm) => Some(bpm.replace(',', ".").parse().map_err(|_| {
                        Trouble::new(format!("`{bpm}` is no tempo"), "write it as a number of quarter notes a minute")
                    })?),
                },
                due: text("due"),
            },
            "settle" => Act::Settle {
                number: number("number", "which recording")?,
                pupil: text("pupil"),
                part: text("title"),
                form: text("form"),
                always: text("always").is_some(),
            },
            "aside" => Act::Aside(number("number", "which recording")?),
            "gather" => Act::Gather,
            "correct" => Act::Correct {
                take: take()?,
                findings: numbers(&must("findings", "which finding")?).ok_or_else(|| lacks("which finding"))?,
                against: match text("against").as_deref() {
                    Some("fine") => Against::Fine,
                    Some("written") => Against::AsWritten,
                    Some("another") => Against::Another,
                    _ => return Err(lacks("what is true")),
                },
            },
            "stroke" => Act::Stroke {
                take: take()?,
                stroke: usize::try_from(number("stroke", "which stroke")?).map_err(|_| lacks("which stroke"))?,
                surface: Surface::named(&must("surface", "which surface")?)
                    .map_err(|what| Trouble::new(what, "choose one of them"))?,
            },
            "whose" => Act::Whose { take: take()?, pupil: must("pupil", "whose it is")? },
            "take-back" => Act::TakeBack(numbers(&must("ids", "what")?).ok_or_else(|| lacks("what"))?),
            "word" => Act::Word { pupil: must("pupil", "for whom")?, text: text("text").unwrap_or_default() },
            "pages" => Act::Pages(must("class", "which class")?),
            other => return Err(Trouble::new(format!("the desk cannot `{other}`"), "go back to the class")),
        })
    }
}

/// `0,3,4`.
fn numbers<T: std::str::FromStr>(text: &str) -> Option<Vec<T>> {
    text.split(',').map(|n| n.trim().parse().ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_form_is_plain_data_and_what_it_lacks_is_named() {
        let form = |pairs: &[(&str, &str)]| -> Vec<(String, String)> {
            pairs.iter().map(|(n, v)| ((*n).to_owned(), (*v).to_owned())).collect()
        };
        let parse = |name: &str, pairs: &[(&str, &str)]| Act::parse(name, &form(pairs));
        let correct = parse("correct", &[("take", "3"), ("findings", "0,2"), ("against", "written")]);
        assert_eq!(correct, Ok(Act::Correct { take: 3, findings: vec![0, 2], against: Against::AsWritten }));
        assert_eq!(parse("take-back", &[("ids", "5, 6")]), Ok(Act::TakeBack(vec![5, 6])));
        let lacks = |name: &str, pairs: &[(&str, &str)]| parse(name, pairs).unwrap_err().what;
        assert_eq!(lacks("whose", &[("take", "3")]), "the form does not say whose it is");
        assert_eq!(
            lacks("correct", &[("take", "3"), ("findings", "0;2"), ("against", "fine")]),
            "the form does not say which finding"
        );
        assert_eq!(
            lacks("stroke", &[("take", "1"), ("stroke", "-1"), ("surface", "rim")]),
            "the form does not say which stroke"
        );
        assert_eq!(lacks("forget", &[]), "the desk cannot `forget`");
    }
}
