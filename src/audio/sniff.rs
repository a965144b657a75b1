//! First bytes of a file -> what it is, where that is not a recording we can hear.
//!
//! Only for messages: what can be decoded is recognised by the decoders themselves, whatever the file is called.
//! Signatures from the formats' own specifications; sound formats that cannot be decoded come with a way out.

/// How many first bytes [`foreign`] wants to see.
pub(super) const HEAD: usize = 4096;

/// What a file that is no recording seems to hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Foreign {
    /// Not sound at all; said as "found …".
    NotSound(&'static str),
    /// Sound in a coding that cannot be decoded, and the way out.
    Coding(&'static str, &'static str),
}

/// The way out for sound kept in a format that an ordinary converter reads.
pub(super) const CONVERT: &str = "save it as wav or m4a, for example with `ffmpeg -i RECORDING take.wav`";
/// The way out for speech codings of telephones: converting them brings nothing back.
pub(super) const RECORD_BETTER: &str =
    "record again with the recorder set to its best quality (m4a or wav); a telephone coding loses the strokes";
/// The way out for protected files.
pub(super) const UNPROTECTED: &str = "name a recording that is not copy-protected";

const SIGNATURES: &[(usize, &[u8], Foreign)] = &[
    (0, b"MThd", Foreign::NotSound("a midi file, which holds notes and no sound")),
    (0, b"#!AMR", Foreign::Coding("AMR (telephone speech)", RECORD_BETTER)),
    (0, b"\x30\x26\xb2\x75\x8e\x66\xcf\x11", Foreign::Coding("Windows Media", CONVERT)),
    (0, b"wvpk", Foreign::Coding("WavPack", CONVERT)),
    (0, b"MAC ", Foreign::Coding("Monkey's Audio", CONVERT)),
    (0, b"TTA1", Foreign::Coding("True Audio", CONVERT)),
    (0, b"MPCK", Foreign::Coding("Musepack", CONVERT)),
    (0, b"DSD ", Foreign::Coding("DSD", CONVERT)),
    (0, b".RMF", Foreign::Coding("RealMedia", CONVERT)),
    (0, b".snd", Foreign::Coding("Sun audio", CONVERT)),
    (0, b"FLV\x01", Foreign::Coding("Flash video", CONVERT)),
    (0, b"\x00\x00\x01\xba", Foreign::Coding("an MPEG programme stream", CONVERT)),
    (8, b"AVI ", Foreign::Coding("AVI video", CONVERT)),
    (0, b"riff\x2e\x91\xcf\x11", Foreign::Coding("Wave64", CONVERT)),
    (0, b"%PDF", Foreign::NotSound("a pdf document")),
    (0, b"\x89PNG", Foreign::NotSound("a picture")),
    (0, b"\xff\xd8\xff", Foreign::NotSound("a picture")),
    (0, b"GIF8", Foreign::NotSound("a picture")),
    (8, b"WEBP", Foreign::NotSound("a picture")),
    (4, b"ftypheic", Foreign::NotSound("a picture")),
    (4, b"ftypavif", Foreign::NotSound("a picture")),
    (0, b"PK\x03\x04", Foreign::NotSound("a zip archive")),
    (0, b"Rar!", Foreign::NotSound("an archive")),
    (0, b"7z\xbc\xaf", Foreign::NotSound("an archive")),
    (0, b"\x1f\x8b", Foreign::NotSound("an archive")),
    (0, b"\x7fELF", Foreign::NotSound("a program")),
    (0, b"MZ", Foreign::NotSound("a program")),
    (0, b"SQLite format 3", Foreign::NotSound("a database")),
];

/// What the first bytes (up to [`HEAD`] of them) say, if it is nothing that can be decoded.
pub(super) fn foreign(head: &[u8]) -> Option<Foreign> {
    if head.is_empty() {
        return Some(Foreign::NotSound("an empty file"));
    }
    let known = SIGNATURES.iter().find(|(at, magic, _)| head.get(*at..).is_some_and(|rest| rest.starts_with(magic)));
    if let Some((_, _, what)) = known {
        return Some(*what);
    }
    // An MPEG transport stream repeats its sync byte every 188 bytes (ISO/IEC 13818-1).
    if head.len() > 3 * 188 && (0..4).all(|k| head[k * 188] == 0x47) {
        return Some(Foreign::Coding("an MPEG transport stream", CONVERT));
    }
    is_text(head).then_some(Foreign::NotSound("text"))
}

/// Text in UTF-8 or, with its mark, UTF-16: no control characters but those of layout.
fn is_text(head: &[u8]) -> bool {
    if head.starts_with(b"\xff\xfe") || head.starts_with(b"\xfe\xff") {
        return head.len() >= 4 && (head[2] == 0) != (head[3] == 0);
    }
    let valid = match std::str::from_utf8(head) {
        Ok(text) => text,
        // A character may be cut in two at the end of what was read.
        Err(cause) if cause.error_len().is_none() => match head.get(..cause.valid_up_to()).map(std::str::from_utf8) {
            Some(Ok(text)) => text,
            _ => return false,
        },
        Err(_) => return false,
    };
    valid.chars().all(|c| !c.is_control() || matches!(c, '\t' | '\n' | '\r' | '\x0c' | '\x1b'))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_is_told_from_sound_whatever_it_is_called() {
        assert_eq!(foreign(b"kick, snare; not a wav\n"), Some(Foreign::NotSound("text")));
        assert_eq!(foreign("Übung für Eimer".as_bytes()), Some(Foreign::NotSound("text")));
        let cut = "aaaü".as_bytes();
        assert_eq!(foreign(&cut[..cut.len() - 1]), Some(Foreign::NotSound("text")));
        assert_eq!(foreign(b"\xff\xfeh\0i\0"), Some(Foreign::NotSound("text")));
        assert_eq!(foreign(b"RIFF\x24\0\0\0WAVEfmt "), None);
        assert_eq!(foreign(b"\xff\xfb\x90\x64\0\0"), None);
        assert_eq!(foreign(b""), Some(Foreign::NotSound("an empty file")));
    }

    #[test]
    fn sound_that_cannot_be_decoded_is_named() {
        assert!(matches!(foreign(b"#!AMR\n\x3c"), Some(Foreign::Coding(_, way)) if way == RECORD_BETTER));
        assert!(matches!(foreign(b"RIFF\x24\0\0\0AVI LIST"), Some(Foreign::Coding("AVI video", _))));
    }
}
