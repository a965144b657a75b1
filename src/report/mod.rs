//! [`Assessment`](crate::assess::Assessment) -> timing chart, pages, terminal text, JSON.
//!
//! Pure: text and bytes come back, nothing is written, no clock is read. The same value gives the same bytes.
//!
//! | module | out |
//! |---|---|
//! | `words` | places, counts, doubt and amounts in words |
//! | `markup` | the one escaper, the typeface as a style sheet |
//! | `played` | the bars in the order they were played, with what stands in each |
//! | `listing` | the same in words |
//! | [`chart`] | the timing chart and the pupil's bar, as SVG and PNG |
//! | [`page`] | one HTML page for the teacher, one for the pupil |
//! | [`text`] | plain text for the terminal |
//! | [`json`] | the fixed machine-readable output |

#[cfg(feature = "charts")]
pub mod chart;
pub mod json;
mod listing;
#[cfg(feature = "charts")]
mod markup;
#[cfg(feature = "charts")]
pub mod page;
#[cfg_attr(not(feature = "charts"), allow(dead_code, reason = "charts show more than words say"))]
mod played;
pub mod text;
#[cfg_attr(not(feature = "charts"), allow(dead_code, reason = "charts show more than words say"))]
mod words;

/// A name or a sentence from outside in one line, made harmless to look at; what is very long is cut.
pub fn shown(text: &str) -> String {
    words::clean(text, 4 * words::NAME)
}

/// What a report says about the take besides the verdict. Nothing here is trusted: names are cleaned and cut before
/// they are shown.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Meta {
    /// The pupil's nickname.
    pub pupil: Option<String>,
    /// The day of the take, as it is to be printed. Never read from a clock here.
    pub date: Option<String>,
    /// What the take is called, mostly its file name.
    pub take: String,
}
