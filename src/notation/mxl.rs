//! Compressed MusicXML (`.mxl`): a zip with `META-INF/container.xml`, which names the score (MusicXML 4.0, "Compressed .MXL
//! files").

use std::io::{Cursor, Read as _, Write as _};

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use super::NotationError;

/// No score is longer than this when it is unpacked.
const MOST_BYTES: u64 = 64 << 20;
/// Nor is the list of what is in the file.
const MOST_LISTED: u64 = 1 << 16;
const CONTAINER: &str = "META-INF/container.xml";
const MIMETYPE: &str = "application/vnd.recordare.musicxml";

fn unreadable(why: impl std::fmt::Display) -> NotationError {
    NotationError::Unreadable(format!("it is no compressed MusicXML: {why}"))
}

fn entry(zip: &mut ZipArchive<Cursor<&[u8]>>, name: &str, most: u64) -> Result<String, NotationError> {
    let file = zip.by_name(name).map_err(|e| unreadable(format!("`{name}` in it: {e}")))?;
    let mut bytes = Vec::new();
    file.take(most + 1).read_to_end(&mut bytes).map_err(|e| unreadable(format!("`{name}` in it: {e}")))?;
    if bytes.len() as u64 > most {
        return Err(unreadable(format!("`{name}` in it is larger than {} MB, and no score is", most >> 20)));
    }
    crate::part::decoded(&bytes).map(std::borrow::Cow::into_owned).map_err(unreadable)
}

/// The text of the score in the zip.
pub(super) fn score_text(bytes: &[u8]) -> Result<String, NotationError> {
    let mut zip = ZipArchive::new(Cursor::new(bytes)).map_err(unreadable)?;
    let has_list = zip.by_name(CONTAINER).is_ok();
    let named = match has_list {
        true => {
            let list = entry(&mut zip, CONTAINER, MOST_LISTED)?;
            let list = roxmltree::Document::parse(&list).map_err(unreadable)?;
            let root = list.descendants().find(|n| n.has_tag_name("rootfile")).and_then(|n| n.attribute("full-path"));
            root.map(str::to_owned)
        }
        false => None,
    };
    // Some programs leave the list out.
    let is_score =
        |name: &str| !name.starts_with("META-INF") && (name.ends_with(".xml") || name.ends_with(".musicxml"));
    let name = match named {
        Some(name) => name,
        None => {
            let mut names = zip.file_names().filter_map(Result::ok).map(std::borrow::Cow::into_owned);
            names.find(|name| is_score(name)).ok_or_else(|| unreadable("there is no score in it"))?
        }
    };
    entry(&mut zip, &name, MOST_BYTES)
}

/// A score in a zip; the same score gives the same bytes.
pub(super) fn packed(score: &[u8]) -> Result<Vec<u8>, NotationError> {
    let list = format!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n<container>\n <rootfiles>\n  <rootfile full-path=\"score.musicxml\" media-type=\"{MIMETYPE}+xml\"/>\n </rootfiles>\n</container>\n"
    );
    let mut zip = ZipWriter::new(Cursor::new(Vec::new()));
    let plain = SimpleFileOptions::default().compression_method(CompressionMethod::Stored);
    let packed = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
    // The kind comes first and unpacked, so that it can be read off the file's beginning.
    for (name, options, bytes) in [
        ("mimetype", plain, MIMETYPE.as_bytes()),
        (CONTAINER, packed, list.as_bytes()),
        ("score.musicxml", packed, score),
    ] {
        zip.start_file(name, options).map_err(unreadable)?;
        zip.write_all(bytes).map_err(unreadable)?;
    }
    Ok(zip.finish().map_err(unreadable)?.into_inner())
}
