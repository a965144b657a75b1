//! Folder, zip, mailbox, single files -> recordings, each with what is known of where it came from.
//!
//! In: paths. Out: [`Item`]s in a fixed order (by place), so that two runs see the same. Nothing is unpacked to disk:
//! names inside archives are words to recognise a pupil by, never paths. Links in folders are followed.
//!
//! Limits: archives inside archives, and those of another kind than zip, are told and not opened; how large archives, their members and mails may be stands in `unpack`.

use std::path::{Path, PathBuf};

pub use super::item::{Bytes, Item, Known, Near};
use super::item::{is_closed, is_sound, made};
pub use super::spool::Spool;
use super::unpack::{archive, mailbox};
use crate::files::Shown as _;

/// A path that could not be looked into.
#[derive(Debug)]
pub struct Unreadable {
    /// Which.
    pub place: String,
    /// Why.
    pub why: String,
}

/// Everything to be heard in these places. Files named one by one are taken whatever their ending.
/// `spool`: where attachments lie until they are heard.
pub fn collect(paths: &[PathBuf], spool: &Spool) -> (Vec<Item>, Vec<Unreadable>) {
    let (mut items, mut bad) = (Vec::new(), Vec::new());
    for path in paths {
        let fail = |why: String| Unreadable { place: path.shown().to_string(), why };
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        let result = match ending.as_str() {
            _ if path.is_dir() => {
                folder(path, spool, &mut items, &mut bad);
                Ok(())
            }
            _ if !path.exists() => Err("there is no such file or folder".into()),
            "zip" => archive(path, spool, &mut items),
            "mbox" | "mbx" | "eml" => mailbox(path, ending == "eml", spool, &mut items),
            _ if is_closed(&path.to_string_lossy()) => {
                Err("such an archive is not opened; unpack it yourself, or send a zip".into())
            }
            _ => {
                items.push(file(path, path.parent().unwrap_or(Path::new(""))));
                Ok(())
            }
        };
        bad.extend(result.err().map(fail));
    }
    (items, bad)
}

/// When a file was last changed, in seconds since 1970, if that is known.
pub fn changed_s(path: &Path) -> Option<i64> {
    let changed = std::fs::metadata(path).and_then(|m| m.modified()).ok()?;
    changed.duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs() as i64)
}

/// When a recording was made, in seconds since 1970, as far as known. `began`: as its card says.
pub fn made_s(began: Option<&str>, path: &Path) -> Option<i64> {
    made(began, &path.file_name().unwrap_or_default().to_string_lossy(), changed_s(path))
}

fn file(path: &Path, below: &Path) -> Item {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let inside = path.strip_prefix(below).unwrap_or(path).parent().unwrap_or(Path::new(""));
    let root = below.file_name().map(|n| n.to_string_lossy().into_owned());
    let folders = root.into_iter().chain(inside.iter().map(|c| c.to_string_lossy().into_owned())).collect();
    Item {
        place: path.shown().to_string(),
        taken_s: changed_s(path),
        name,
        folders,
        near: Near::Folder(path.to_owned()),
        ..Item::of(Bytes::File(path.to_owned()))
    }
}

fn folder(root: &Path, spool: &Spool, items: &mut Vec<Item>, bad: &mut Vec<Unreadable>) {
    // Links are followed: shared folders are often made of them.
    for entry in walkdir::WalkDir::new(root).follow_links(true).sort_by_file_name() {
        match entry {
            Ok(entry) if entry.file_type().is_file() => {
                let path = entry.path();
                let name = entry.file_name().to_string_lossy();
                let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
                let fail = |why: String| Unreadable { place: path.shown().to_string(), why };
                if is_sound(&name) {
                    items.push(file(path, root));
                } else if ending == "zip" {
                    bad.extend(archive(path, spool, items).err().map(fail));
                } else if matches!(ending.as_str(), "mbox" | "mbx" | "eml") {
                    bad.extend(mailbox(path, ending == "eml", spool, items).err().map(fail));
                } else if is_closed(&name) {
                    bad.push(fail("such an archive is not opened; unpack it yourself, or send a zip".into()));
                }
            }
            Ok(_) => {}
            // A link back to a folder it lies in: all of that is looked at anyway.
            Err(error) if error.loop_ancestor().is_some() => {}
            Err(error) => {
                bad.push(Unreadable { place: error.path().unwrap_or(root).shown().to_string(), why: error.to_string() })
            }
        }
    }
}
