//! Writing a part, and giving it to a class.

use std::fmt::Write as _;

use super::super::doing::DEMO_PART;
use super::super::{Desk, Trouble};
use super::form;
use crate::book::{Assigned, BookError};
use crate::files::hex;
use crate::report::page::{escape, shown_name};

/// The page. `from`: an assignment to begin from.
pub(super) fn page(desk: &Desk, class: &str, from: Option<i64>) -> Result<String, Trouble> {
    let (before, text) = desk.see(|book| {
        let all = book.assignments(book.class(class)?)?;
        let before: Option<Assigned> = match from {
            Some(id) => Some(all.iter().find(|a| a.id == id).cloned().ok_or_else(|| BookError::Unknown {
                what: "assignment",
                name: id.to_string(),
                near: None,
            })?),
            None => all.first().cloned(),
        };
        let text = before.as_ref().map(|a| book.part_text(&hex(&a.sha256))).transpose()?.flatten();
        Ok((before, text))
    })?;
    let mut out = String::new();
    let first = before.is_none();
    let title = if first { "2 · A part" } else { "What comes next" };
    let _ = writeln!(
        out,
        "<header><h1>{title}</h1>\n<p class=\"sub\">for {}</p></header>\n<div class=\"wide\">",
        shown_name(class)
    );
    let text = text.unwrap_or_else(|| DEMO_PART.to_owned());
    let about = if first {
        "This is an example: write your own over it, or open a file. <code>o</code> is the centre, <code>x</code> the rim, <code>+</code> the sticks \
         clicked together, <code>c</code> a clap, <code>p</code> a pat; a capital letter is both hands; <code>.</code> rings on and <code>-</code> is a rest."
    } else {
        "The part as the class has it. What you change here is kept as another version."
    };
    let (asked, bpm) =
        before.as_ref().map_or((String::new(), String::new()), |a| (a.form.clone(), format!("{:.0}", a.bpm.get())));
    let inside = format!(
        "<div><p class=\"grey\">{about}</p>\n<p><label for=\"part\">The part</label><textarea id=\"part\" name=\"part\" class=\"code\" rows=\"16\" spellcheck=\"false\" required>{}</textarea></p>\n\
         <div id=\"mistakes\" role=\"status\"></div>\n\
         <p class=\"acts\"><button type=\"button\" id=\"hear-part\">Hear it</button><button type=\"button\" id=\"open-part\">Open a file …</button><input type=\"file\" id=\"part-file\" accept=\".toml,text/plain\" hidden aria-label=\"A part file\"></p>\n\
         </div><div>\n<h2>{}How much, how fast, by when</h2>\n\
         <p><label for=\"form\">Sections in order, as <code>A A B</code>; all of it where nothing is said</label><input id=\"form\" name=\"form\" value=\"{}\" autocomplete=\"off\"></p>\n\
         <p><label for=\"bpm\">Tempo, in quarter notes a minute; where the part starts, if nothing is said</label><input id=\"bpm\" name=\"bpm\" inputmode=\"decimal\" value=\"{bpm}\" autocomplete=\"off\"></p>\n\
         <p><label for=\"due\">By when, if you want to say so</label><input id=\"due\" name=\"due\" type=\"date\"></p>\n\
         <p><button class=\"main\" id=\"give\">Give it to {}</button></p><details class=\"more\"><summary>As it will be played</summary><pre id=\"as-played\" tabindex=\"0\"></pre></details></div>",
        escape(&text),
        if first { "3 · " } else { "" },
        escape(&asked),
        shown_name(class)
    );
    form(&mut out, "assign", &[("class", class)], &inside);
    out.push_str("</div>\n");
    Ok(out)
}
