//! The mark by which a file is known to be our own: what it was made of, and the sum of everything before the mark.
//!
//! It stands at the very end, where no reader minds it: a comment after an HTML page, an SVG drawing, a MusicXML score, a PDF or a TOML text, the
//! `Software` text of a PNG (PNG specification, section 11.3.3), the `ISFT` entry of a WAV's `LIST INFO` (RIFF,
//! "Multimedia Programming Interface and Data Specifications 1.0"). A file whose mark is missing, or which has been changed
//! since by as much as a byte, is not ours.

use std::io::{Read, Result, Seek, SeekFrom};
use std::path::Path;

use sha2::{Digest as _, Sha256};

/// Before the two sums.
const HEAD: &str = "made by pailbeat 1 ";
/// Hexadecimal digits that say what a file was made of.
const OF: usize = 16;
/// Hexadecimal digits of the sum.
const SUM: usize = 64;
/// Bytes of a mark.
const LEN: usize = HEAD.len() + OF + 1 + SUM;
/// The last chunk of a PNG.
const IEND: [u8; 12] = [0, 0, 0, 0, b'I', b'E', b'N', b'D', 0xae, 0x42, 0x60, 0x82];
const KEYWORD: &[u8] = b"tEXtSoftware\0";
const INFO: &[u8] = b"INFOISFT";

/// Where a mark stands, by the kind of file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Markup,
    Toml,
    Pdf,
    Png,
    Wav,
}

/// What a mark says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Mark {
    /// What the file was made of.
    pub(super) of: String,
    /// The sum of everything before the mark.
    pub(super) sum: String,
}

impl Kind {
    fn of(path: &Path) -> Option<Kind> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        match ending.as_str() {
            "html" | "svg" | "musicxml" => Some(Kind::Markup),
            "toml" => Some(Kind::Toml),
            "pdf" => Some(Kind::Pdf),
            "png" => Some(Kind::Png),
            "wav" => Some(Kind::Wav),
            _ => None,
        }
    }

    /// What stands before and after the mark's text.
    fn around(self, text: &str) -> (Vec<u8>, Vec<u8>) {
        let size = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        match self {
            Kind::Markup => (b"<!-- ".to_vec(), b" -->\n".to_vec()),
            Kind::Toml => (b"# ".to_vec(), b"\n".to_vec()),
            Kind::Pdf => (b"\n%".to_vec(), b"\n".to_vec()),
            Kind::Png => {
                let mut crc = crc32fast::Hasher::new();
                crc.update(KEYWORD);
                crc.update(text.as_bytes());
                let before = [&size(KEYWORD.len() - 4 + LEN).to_be_bytes()[..], KEYWORD].concat();
                (before, [&crc.finalize().to_be_bytes()[..], &IEND].concat())
            }
            Kind::Wav => {
                // The text ends in a zero byte and has an even length.
                let end = vec![0; 2 - LEN % 2];
                let text = size(LEN + end.len()).to_le_bytes();
                let list = size(INFO.len() + text.len() + LEN + end.len()).to_le_bytes();
                ([&b"LIST"[..], &list, INFO, &text].concat(), end)
            }
        }
    }
}

/// Sixteen hexadecimal digits for what a file is made of.
pub(super) fn of(what: &[u8]) -> String {
    hex(&Sha256::digest(what)[..OF / 2])
}

/// Bytes in hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}

/// Puts the mark on a file's bytes; its sum. `None`, and nothing is changed, where its kind has no place for one.
pub(super) fn seal(path: &Path, bytes: &mut Vec<u8>, of: &str) -> Option<String> {
    let kind = Kind::of(path)?;
    match kind {
        Kind::Png => bytes.truncate(bytes.strip_suffix(&IEND)?.len()),
        Kind::Wav => {
            bytes.resize(bytes.len() + bytes.len() % 2, 0);
            let (before, after) = kind.around("");
            let whole = u32::try_from(bytes.len() + before.len() + LEN + after.len() - 8).ok()?;
            bytes.get_mut(4..8)?.copy_from_slice(&whole.to_le_bytes());
        }
        Kind::Markup | Kind::Toml | Kind::Pdf => {}
    }
    let sum = hex(&Sha256::digest(&bytes));
    let text = format!("{HEAD}{of} {sum}");
    let (before, after) = kind.around(&text);
    bytes.extend_from_slice(&before);
    bytes.extend_from_slice(text.as_bytes());
    bytes.extend_from_slice(&after);
    Some(sum)
}

/// The mark of a file that is as we made it.
pub(super) fn read<F: Read + Seek>(path: &Path, file: &mut F) -> Result<Option<Mark>> {
    let Some(kind) = Kind::of(path) else { return Ok(None) };
    let (before, after) = kind.around("");
    let whole = file.seek(SeekFrom::End(0))?;
    let long = (before.len() + LEN + after.len()) as u64;
    let Some(body) = whole.checked_sub(long) else { return Ok(None) };
    file.seek(SeekFrom::Start(body))?;
    let mut tail = Vec::new();
    file.by_ref().take(long).read_to_end(&mut tail)?;
    let text = tail.get(before.len()..before.len() + LEN).and_then(|t| std::str::from_utf8(t).ok());
    let Some(rest) = text.and_then(|t| t.strip_prefix(HEAD)) else { return Ok(None) };
    let Some((of, sum)) = rest.split_once(' ') else { return Ok(None) };
    let (before, after) = kind.around(&format!("{HEAD}{rest}"));
    if !tail.starts_with(&before) || !tail.ends_with(&after) {
        return Ok(None);
    }
    file.seek(SeekFrom::Start(0))?;
    let found = super::sum_of(&mut file.by_ref().take(body))?;
    Ok((hex(&found) == sum).then(|| Mark { of: of.to_owned(), sum: sum.to_owned() }))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn png() -> Vec<u8> {
        let mut out = Vec::new();
        let mut picture = png::Encoder::new(&mut out, 1, 1).write_header().unwrap();
        picture.write_image_data(&[7]).unwrap();
        picture.finish().unwrap();
        out
    }

    #[test]
    fn a_file_is_ours_until_a_byte_of_it_is_changed() {
        let wav = crate::audio::wav(&[0.25; 33], crate::units::EAR_RATE, "a note").unwrap();
        let cases: [(&str, Vec<u8>); 4] =
            [("a.html", b"<p/>\n".to_vec()), ("a.toml", b"x = 1\n".to_vec()), ("a.wav", wav), ("a.png", png())];
        for (name, plain) in cases {
            let path = Path::new(name);
            let mut bytes = plain.clone();
            assert_eq!(read(path, &mut Cursor::new(&plain)).unwrap(), None, "{name}");
            let sum = seal(path, &mut bytes, &of(b"x")).unwrap();
            assert_eq!(read(path, &mut Cursor::new(&bytes)).unwrap(), Some(Mark { of: of(b"x"), sum }), "{name}");
            for k in 0..bytes.len() {
                let mut other = bytes.clone();
                other[k] ^= 1;
                let found = read(path, &mut Cursor::new(&other)).unwrap();
                assert!(found.is_none_or(|m| m.of != of(b"x")), "{name}, byte {k}");
            }
            for changed in [&bytes[..bytes.len() - 1], &[&bytes[..], b" "].concat()] {
                assert_eq!(read(path, &mut Cursor::new(changed)).unwrap(), None, "{name}");
            }
        }
        assert_eq!(seal(Path::new("a.csv"), &mut vec![1], &of(b"x")), None);
    }

    #[test]
    fn readers_do_not_mind_the_mark() {
        let mut bytes = crate::audio::wav(&[0.25; 33], crate::units::EAR_RATE, "a note").unwrap();
        seal(Path::new("a.wav"), &mut bytes, &of(b"x")).unwrap();
        assert_eq!(crate::audio::note(&bytes).as_deref(), Some("a note"));
        assert_eq!(hound::WavReader::new(Cursor::new(&bytes)).unwrap().len(), 33);
        let mut picture = png();
        seal(Path::new("a.png"), &mut picture, &of(b"x")).unwrap();
        let mut reader = png::Decoder::new(Cursor::new(&picture)).read_info().unwrap();
        let mut pixels = vec![0; reader.output_buffer_size()];
        reader.next_frame(&mut pixels).unwrap();
        reader.finish().unwrap();
        assert!(reader.info().uncompressed_latin1_text.iter().any(|t| t.keyword == "Software"));
        let mut page = b"<html><body/></html>\n".to_vec();
        seal(Path::new("a.html"), &mut page, &of(b"x")).unwrap();
        assert!(roxmltree::Document::parse(std::str::from_utf8(&page).unwrap()).is_ok());
    }
}
