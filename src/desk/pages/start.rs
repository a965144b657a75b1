//! A first visit: a class, or the demo's.

use std::fmt::Write as _;

use super::super::Desk;
use super::form;
use crate::files::Shown as _;
use crate::report::page::escape;

/// The page.
pub(super) fn page(desk: &Desk) -> String {
    let mut out = String::new();
    let folder = desk.folder().shown().to_string();
    let _ = writeln!(
        out,
        "<header><h1>A class book begins here</h1>\n<p class=\"sub\">It will lie in <code>{}</code>, on this computer alone. Nothing leaves it.</p></header>",
        escape(&folder)
    );
    out.push_str("<div class=\"two\"><section>\n<h2>1 · A class</h2>\n");
    form(
        &mut out,
        "enrol",
        &[],
        "<p><label for=\"class\">What is it called?</label><input id=\"class\" name=\"class\" required maxlength=\"80\" placeholder=\"3b\" autocomplete=\"off\"></p>\n\
         <p><label for=\"names\">Who is in it? One nickname a line; a table with a column <code>nickname</code> does as well.</label>\
         <textarea id=\"names\" name=\"names\" rows=\"9\" required autocomplete=\"off\"></textarea></p>\n\
         <p class=\"grey\">Nicknames are best: no page and no file needs a full name.</p>\n\
         <p><button class=\"main\">Go on to the part</button></p>",
    );
    out.push_str("</section>\n<section>\n<h2>Or look around first</h2>\n<p>An invented class of seven with six takes, to try everything on.</p>\n");
    form(&mut out, "demo", &[], "<p><button id=\"demo\">Show me the demo class</button></p>");
    out.push_str(
        "<h2>What comes then</h2>\n<ol class=\"plain\"><li>A class.</li><li>A part: a few lines of text.</li><li>How much of it, how fast, by when.</li>\
         <li>A page for each child, on which it plays; or any recording a phone makes.</li><li>You drop here what comes back.</li></ol>\n</section></div>\n",
    );
    out
}
