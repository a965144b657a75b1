//! What is handed out, and the page's code -> the page: one file that needs nothing else and connects to nothing.
//!
//! Its content security policy allows the script that stands in it, by its sum, the library, and no connection at all. The
//! library runs in a worker of its own, whose script comes from a `blob:` address and is under the same policy; the recorder
//! comes as a `data:` address, for that is how a worklet loads from a file (Chromium refuses `blob:` there). The typeface is in
//! the library.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use sha2::{Digest as _, Sha256};

use super::Handed;
use crate::report::page::{escape, pupil_css};

const STYLE: &str = include_str!("../../assets/page/page.css");
/// The page's own script, in the order in which it runs.
const SCRIPTS: [&str; 10] = [
    include_str!("../../assets/page/library.js"),
    include_str!("../../assets/page/show.js"),
    include_str!("../../assets/page/keep.js"),
    include_str!("../../assets/page/sound.js"),
    include_str!("../../assets/page/choose.js"),
    include_str!("../../assets/page/check.js"),
    include_str!("../../assets/page/play.js"),
    include_str!("../../assets/page/drill.js"),
    include_str!("../../assets/page/after.js"),
    include_str!("../../assets/page/begin.js"),
];
const WORKER: &str = include_str!("../../assets/page/worker.js");
const RECORDER: &str = include_str!("../../assets/page/recorder.js");

/// The library as the page runs it, made by `scripts/page`.
#[derive(Clone, Copy, Debug)]
pub struct Code<'a> {
    /// The bindings.
    pub bindings: &'a str,
    /// The module, gzipped.
    pub module: &'a [u8],
}

/// The library that stands in this program; none where it was built without.
#[cfg(page_made)]
pub const CODE: Option<Code> = Some(Code {
    bindings: include_str!(concat!(env!("PAILBEAT_PAGE"), "/pailbeat.js")),
    module: include_bytes!(concat!(env!("PAILBEAT_PAGE"), "/pailbeat.wasm.gz")),
});
/// See above.
#[cfg(not(page_made))]
pub const CODE: Option<Code> = None;

/// Why there is no such page in a program that was built without.
pub const NO_CODE: &str = "this program was built without the pupil's page";

/// A text that a `script` element can hold without ending it.
fn held(json: &str) -> String {
    json.replace('<', "\\u003c")
}

/// The page.
///
/// # Errors
/// If what is handed out cannot be written as JSON.
pub fn page(handed: &Handed, title: &str, code: Code) -> Result<String, serde_json::Error> {
    let script = format!("(() => {{\n'use strict';\n{}}})();\n", SCRIPTS.concat());
    let policy = format!(
        "default-src 'none'; script-src 'sha256-{}' 'wasm-unsafe-eval' data:; worker-src blob:; style-src 'unsafe-inline'; \
         img-src data:; base-uri 'none'; form-action 'none'",
        STANDARD.encode(Sha256::digest(script.as_bytes())),
    );
    Ok(format!(
        "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
         <meta http-equiv=\"Content-Security-Policy\" content=\"{}\">\n\
         <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n\
         <meta name=\"referrer\" content=\"no-referrer\">\n<title>{}</title>\n\
         <style>{}{STYLE}</style>\n</head>\n<body>\n\
         <main id=\"page\"><p>One moment …</p>\n\
         <noscript><p>This page hears you play, and needs scripts for that: open it in a browser that allows them.</p></noscript></main>\n\
         <script type=\"application/json\" id=\"handed\">{}</script>\n\
         <script type=\"text/plain\" id=\"recorder\">{}</script>\n\
         <script type=\"text/plain\" id=\"module\">{}</script>\n\
         <script type=\"text/plain\" id=\"library\">{}\n{WORKER}</script>\n\
         <script>{script}</script>\n</body>\n</html>\n",
        escape(&policy),
        escape(title),
        pupil_css(),
        held(&serde_json::to_string(handed)?),
        STANDARD.encode(RECORDER),
        STANDARD.encode(code.module),
        code.bindings,
    ))
}
