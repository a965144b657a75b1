//! An address of the desk -> what is looked at, and back.

use form_urlencoded::Serializer;

/// What is looked at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Look {
    /// Where one comes in: the first class, or beginning one.
    Start,
    /// A class: what came in, what to teach again, a row a child.
    Class {
        /// Its name.
        class: String,
        /// Of which assignment, by its row; of the one that holds without it.
        assignment: Option<i64>,
        /// Only what was sent until the end of this day, as `2026-11-12`.
        until: Option<String>,
    },
    /// A take.
    Take {
        /// Its row.
        id: i64,
        /// A bar that is to be heard first, as an index into the bars of its timeline.
        bar: Option<usize>,
    },
    /// A child: the newest take, or that there is none.
    Pupil(String),
    /// Writing a part and giving it.
    Part {
        /// To which class.
        class: String,
        /// Beginning from this assignment.
        from: Option<i64>,
    },
    /// The children's pages of a class, to be printed at once.
    Print(String),
    /// What was set right.
    History,
    /// The handbook.
    Help,
}

/// The first value of that name.
pub(super) fn value<'a>(pairs: &'a [(String, String)], name: &str) -> Option<&'a str> {
    pairs.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
}

impl Look {
    /// What an address means; `None` where it means nothing.
    pub fn parse(path: &str, query: &[(String, String)]) -> Option<Look> {
        let text = |name: &str| value(query, name).filter(|v| !v.is_empty()).map(str::to_owned);
        let number = |name: &str| text(name).and_then(|v| v.parse().ok());
        Some(match path {
            "/" => Look::Start,
            "/class" => Look::Class { class: text("of")?, assignment: number("assignment"), until: text("until") },
            "/take" => Look::Take { id: number("id")?, bar: text("bar").and_then(|v| v.parse().ok()) },
            "/pupil" => Look::Pupil(text("of")?),
            "/part" => Look::Part { class: text("of")?, from: number("from") },
            "/print" => Look::Print(text("of")?),
            "/history" => Look::History,
            "/help" => Look::Help,
            _ => return None,
        })
    }

    /// The same from an address as it stands in a form.
    pub fn at(address: &str) -> Option<Look> {
        let (path, query) = address.split_once('?').unwrap_or((address, ""));
        Look::parse(path, &form_urlencoded::parse(query.as_bytes()).into_owned().collect::<Vec<_>>())
    }

    /// A class without a filter.
    pub fn class(name: &str) -> Look {
        Look::Class { class: name.to_owned(), assignment: None, until: None }
    }

    /// A take from its beginning.
    pub fn take(id: i64) -> Look {
        Look::Take { id, bar: None }
    }

    /// Its address.
    pub fn address(&self) -> String {
        let with = |path: &str, pairs: &[(&str, Option<String>)]| {
            let mut query = Serializer::new(String::new());
            for (name, value) in pairs {
                if let Some(value) = value {
                    query.append_pair(name, value);
                }
            }
            let query = query.finish();
            if query.is_empty() { path.to_owned() } else { format!("{path}?{query}") }
        };
        match self {
            Look::Start => "/".into(),
            Look::Class { class, assignment, until } => with(
                "/class",
                &[
                    ("of", Some(class.clone())),
                    ("assignment", assignment.map(|a| a.to_string())),
                    ("until", until.clone()),
                ],
            ),
            Look::Take { id, bar } => {
                with("/take", &[("id", Some(id.to_string())), ("bar", bar.map(|b| b.to_string()))])
            }
            Look::Pupil(name) => with("/pupil", &[("of", Some(name.clone()))]),
            Look::Part { class, from } => {
                with("/part", &[("of", Some(class.clone())), ("from", from.map(|f| f.to_string()))])
            }
            Look::Print(class) => with("/print", &[("of", Some(class.clone()))]),
            Look::History => "/history".into(),
            Look::Help => "/help".into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_leads_back_to_what_it_was_made_of() {
        let class = "3b & <4c>?of=x#y é/..".to_owned();
        let all = [
            Look::Start,
            Look::class(&class),
            Look::Class { class: class.clone(), assignment: Some(7), until: Some("2026-11-12".into()) },
            Look::take(12),
            Look::Take { id: 12, bar: Some(3) },
            Look::Pupil(class.clone()),
            Look::Part { class: class.clone(), from: Some(2) },
            Look::Print(class),
            Look::History,
            Look::Help,
        ];
        for look in all {
            assert_eq!(Look::at(&look.address()), Some(look));
        }
        for nothing in ["/class", "/take?id=x", "/take", "/../etc", "//", "/class?of=", "help"] {
            assert_eq!(Look::at(nothing), None, "{nothing}");
        }
    }
}
