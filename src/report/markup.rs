//! What pages and drawings share: the one escaper, and the typeface as a style sheet.

use base64::Engine as _;

/// The typeface of pages and drawings: Noto Serif, SIL Open Font License 1.1; cut by `scripts/making/subset_fonts.sh`.
pub(super) const FAMILY: &str = "Noto Serif";
const REGULAR: &[u8] = include_bytes!("../../assets/fonts/NotoSerif-Regular.woff2");
const BOLD: &[u8] = include_bytes!("../../assets/fonts/NotoSerif-Bold.woff2");
/// The typeface: regular, then bold, as WOFF2.
#[cfg(feature = "edge")]
pub(crate) const FACES: [&[u8]; 2] = [REGULAR, BOLD];

/// Text as HTML and XML, in element content and in double-quoted attributes alike. The only escaper.
pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            // XML has no place for these, escaped or not.
            c if c.is_control() && !matches!(c, '\n' | '\t') => out.push('\u{fffd}'),
            '\u{fffe}' | '\u{ffff}' => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// The typeface as a style sheet with the font files inside.
pub(crate) fn font_faces() -> String {
    let face = |weight: &str, bytes: &[u8]| {
        format!(
            "@font-face{{font-family:'{FAMILY}';font-weight:{weight};src:url(data:font/woff2;base64,{}) format('woff2')}}",
            base64::engine::general_purpose::STANDARD.encode(bytes)
        )
    };
    format!("{}{}", face("400", REGULAR), face("700", BOLD))
}
