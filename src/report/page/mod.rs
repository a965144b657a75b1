//! [`Assessment`] -> one self-contained HTML page for the teacher, one for the pupil.
//!
//! The pages load nothing, run nothing, and print on one sheet. They are well-formed XML too, so that a test can read
//! them. Everything that comes from outside passes the one escaper, `escape`.

pub mod class;
mod css;
pub mod echoed;
pub mod echoes;
pub mod progress;
mod pupil;
mod teacher;

use crate::assess::Assessment;

use super::Meta;
use super::chart::ChartError;
#[cfg(feature = "edge")]
pub(crate) use super::markup::FACES;
pub(crate) use super::markup::{escape, font_faces};

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PageError {
    /// The chart could not be drawn.
    #[error("cannot make the page")]
    Chart(#[from] ChartError),
}

/// The teacher's page.
///
/// # Errors
/// [`PageError`] when the chart cannot be drawn.
pub fn teacher(assessment: &Assessment, meta: &Meta) -> Result<String, PageError> {
    teacher::page(assessment, meta)
}

/// The pupil's page.
///
/// # Errors
/// [`PageError`] when the bar cannot be drawn.
pub fn pupil(assessment: &Assessment, meta: &Meta) -> Result<String, PageError> {
    pupil::page(assessment, meta)
}

/// The timing chart as a page holds it, for paper and for a phone.
///
/// # Errors
/// [`PageError`] when it cannot be drawn.
pub fn chart(assessment: &Assessment) -> Result<String, PageError> {
    Ok(teacher::drawings(assessment)?.0)
}

/// The bars that the fix on the pupil's page speaks of, as that page shows them; empty where it shows none.
///
/// # Errors
/// [`PageError`] when they cannot be drawn.
pub fn bars(assessment: &Assessment) -> Result<String, PageError> {
    pupil::bars(assessment)
}

/// Widths of a bar's drawing: on paper and all that is wide, and on a phone.
pub(crate) const SHEET: u32 = 640;
pub(crate) const PHONE: u32 = 330;

/// What the pupil's page for playing shows after a take, as pieces of HTML: the sentences and drawings of the other pages.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct After {
    /// What to keep.
    pub keep: String,
    /// What to try, with its bars; empty where there is nothing.
    pub fix: String,
    /// What comes next.
    pub next: String,
    /// The timing chart.
    pub chart: String,
    /// The same in words.
    pub twin: String,
}

/// What is shown after a take.
///
/// # Errors
/// [`PageError`] when something cannot be drawn.
pub fn after(assessment: &Assessment) -> Result<After, PageError> {
    use crate::assess::say;
    let mut after = After { chart: chart(assessment)?, ..After::default() };
    pupil::spoken(&mut after.keep, "Keep this", &say::praise(assessment));
    after.keep.push_str("</section>\n");
    let fix = say::fix(assessment);
    if !fix.is_empty() {
        pupil::spoken(&mut after.fix, "Try this", &fix);
        after.fix.push_str(&bars(assessment)?);
        after.fix.push_str("</section>\n");
    }
    pupil::next(&mut after.next, assessment);
    teacher::twin(&mut after.twin, assessment);
    Ok(after)
}

/// What is said of a take as one thing: a sentence, where and how sure, and on what it rests.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Said {
    /// The sentence.
    pub text: String,
    /// Place, doubt and moment.
    pub about: String,
    /// What each of its findings rests on.
    pub why: Vec<String>,
}

/// One of [`Assessment::statements`] as the teacher's page tells it.
pub fn statement(assessment: &Assessment, statement: std::ops::Range<usize>) -> Said {
    teacher::told(assessment, statement)
}

/// The chart in words, folded away, as HTML; empty where nothing was heard.
pub fn twin(assessment: &Assessment) -> String {
    let mut out = String::new();
    teacher::twin(&mut out, assessment);
    out
}

/// What stands above a take's chart: how much of it was heard, and how evenly.
pub fn gist(assessment: &Assessment) -> String {
    super::words::gist(assessment).join(" ")
}

/// The tempo asked for and the tempo played, in words.
pub fn tempo(assessment: &Assessment) -> String {
    super::words::tempo(assessment)
}

/// A moment of a recording: `0:07.3`.
pub fn moment(at: crate::units::Seconds) -> String {
    super::words::moment(at)
}

/// The style of the teacher's pages, all in one.
#[cfg(feature = "edge")]
pub(crate) fn desk_css() -> String {
    format!("{}{}{}{}", css::SHARED, css::TEACHER, class::CSS, echoes::CSS)
}

/// The hearing caution in a child's words.
pub const CARE: &str = pupil::CARE;

/// A surface's sign, as a drawing the size of a letter.
///
/// # Errors
/// [`ChartError`] when it cannot be drawn.
pub fn sign(surface: crate::part::Surface) -> Result<String, ChartError> {
    super::chart::sign_svg(super::chart::Sign::Surface(surface))
}

/// A bar in shapes over its counts, as an SVG document.
///
/// # Errors
/// [`ChartError`] when it cannot be drawn.
pub fn bar(timeline: &crate::part::Timeline, bar: usize, width: u32) -> Result<String, ChartError> {
    super::chart::counts_svg(timeline, bar, &[], width)
}

/// When each count of such a bar comes after its beginning, and where it stands: left, top, width and height as shares of
/// the drawing.
pub fn counts(timeline: &crate::part::Timeline, bar: usize, width: u32) -> Vec<(crate::units::Ticks, [f64; 4])> {
    super::chart::counts_places(timeline, bar, width)
}

/// A name as the pages show it: cleaned, cut and escaped. What looks for a name in pages looks for this.
pub fn shown_name(text: &str) -> String {
    escape(&super::words::clean(text, super::words::NAME))
}

/// A name: escaped, and isolated so that its direction of writing stays its own.
fn name(text: &str) -> String {
    format!("<bdi>{}</bdi>", escape(&super::words::clean(text, super::words::NAME)))
}

/// The typeface in which the charts are drawn, as a font file.
pub fn typeface(bold: bool) -> &'static [u8] {
    if bold { super::chart::BOLD } else { super::chart::REGULAR }
}

/// The style of the pupil's pages.
#[cfg(feature = "edge")]
pub(crate) fn pupil_css() -> String {
    format!("{}{}", css::SHARED, css::PUPIL)
}

/// How every page begins.
pub(crate) const BEGINS: &str = "<!DOCTYPE html>\n<html xmlns=\"http://www.w3.org/1999/xhtml\" lang=\"en\">\n<head>\n";

/// The document around a body.
fn document(title: &str, own_css: &str, body: &str) -> String {
    format!(
        "{BEGINS}<meta charset=\"utf-8\"/>\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\"/>\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"default-src &#39;none&#39;; style-src &#39;unsafe-inline&#39;; font-src data:; img-src data:\"/>\n\
         <meta name=\"referrer\" content=\"no-referrer\"/>\n<title>{}</title>\n<style>{}</style>\n<style>{}{own_css}</style>\n\
         </head>\n<body>\n{body}</body>\n</html>\n",
        escape(title),
        font_faces(),
        css::SHARED,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The five characters of XML 1.0, section 2.4, and HTML's attribute quoting.
    #[test]
    fn no_text_can_leave_its_element_or_attribute() {
        assert_eq!(escape("<script>\"'&"), "&lt;script&gt;&quot;&#39;&amp;");
        assert_eq!(escape("a\u{0}b\u{b}c\nd"), "a\u{fffd}b\u{fffd}c\nd");
        for c in (0u32..0x1_0000).filter_map(char::from_u32) {
            let text = format!("<a b=\"{0}\">{0}</a>", escape(&c.to_string()));
            assert!(roxmltree::Document::parse(&text).is_ok(), "{:x}", c as u32);
        }
    }
}
