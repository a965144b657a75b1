//! What comes out of an archive or a mail, on the disk and not in memory; and the archive it comes out of, one member at a time.
//!
//! It lies in a file without a name in the book's folder: private, and gone with the program, however that ends.

use std::fs::File;
use std::io::{BufReader, Read, Result, Seek, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

/// Largest recording in an archive: two hours, the longest take, as uncompressed sound of two channels in 16 bits at 48 kHz.
pub(super) const MAX_MEMBER: u64 = 2 * 3600 * 48_000 * 2 * 2;
/// A card or a plan beside a recording is read so far; they have some ten thousand bytes.
pub(super) const LARGEST_CARD: u64 = 1 << 20;

type Zip = zip::ZipArchive<BufReader<File>>;

/// The archive that was opened last stays open: its members are heard one after the other.
#[derive(Debug, Default)]
pub(super) struct Archives(Mutex<Option<(PathBuf, Arc<Mutex<Zip>>)>>);

impl Archives {
    pub(super) fn open(&self, path: &Path) -> std::result::Result<Arc<Mutex<Zip>>, String> {
        let mut last = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some((open, zip)) = last.as_ref()
            && open == path
        {
            return Ok(Arc::clone(zip));
        }
        *last = None;
        let file = crate::files::ordinary(path).map_err(|e| e.to_string())?;
        let zip = Zip::new(BufReader::new(file)).map_err(|e| format!("the zip is damaged: {e}"))?;
        let zip = Arc::new(Mutex::new(zip));
        *last = Some((path.to_owned(), Arc::clone(&zip)));
        Ok(zip)
    }

    /// The archive that was opened last is opened anew.
    #[cfg(test)]
    pub(super) fn close(&self) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = None;
    }

    /// The first bytes of a member, as far as a card goes.
    pub(super) fn read_card(&self, path: &Path, name: &str) -> Option<Vec<u8>> {
        let zip = self.open(path).ok()?;
        let mut zip = zip.lock().unwrap_or_else(PoisonError::into_inner);
        let mut out = Vec::new();
        zip.by_name(name).ok()?.take(LARGEST_CARD).read_to_end(&mut out).ok()?;
        Some(out)
    }

    /// The same of a recording that another's card names; nothing where it is not there or cannot be taken out.
    pub(super) fn take_out_named(&self, path: &Path, name: &str, spool: &Spool) -> Option<Piece> {
        let zip = self.open(path).ok()?;
        let member = zip.lock().unwrap_or_else(PoisonError::into_inner).index_for_name(name)?;
        self.take_out(path, member, spool).ok()
    }

    /// Takes a recording out of its archive.
    pub(super) fn take_out(&self, path: &Path, member: usize, spool: &Spool) -> Result<Piece> {
        let zip = self.open(path).map_err(std::io::Error::other)?;
        let mut zip = zip.lock().unwrap_or_else(PoisonError::into_inner);
        let mut from = zip.by_index(member).map_err(std::io::Error::other)?;
        let says = from.size();
        if says > MAX_MEMBER {
            return Err(std::io::Error::other(format!(
                "unpacked it would have {}, and a recording in an archive may have {}; unpack it yourself",
                size(says),
                size(MAX_MEMBER)
            )));
        }
        let piece = Spool::put(&spool.file()?, &mut from, says + 1)?;
        if piece.len() != says {
            return Err(std::io::Error::other("the zip is damaged: it holds another length than it says"));
        }
        Ok(piece)
    }
}

/// `4.4 GB`.
pub(super) fn size(bytes: u64) -> String {
    format!("{:.1} GB", bytes as f64 / 1e9)
}

/// Where things are put that have no file of their own.
#[derive(Clone, Debug)]
pub struct Spool {
    folder: PathBuf,
    pub(super) archives: Arc<Archives>,
}

/// A stretch of a spooled file.
#[derive(Clone, Debug)]
pub struct Piece {
    file: Arc<Mutex<File>>,
    at: u64,
    long: u64,
}

impl Spool {
    /// A spool in a folder, on the disk that has room for recordings.
    pub fn new(folder: &Path) -> Spool {
        Spool { folder: folder.to_owned(), archives: Arc::default() }
    }

    pub(super) fn file(&self) -> Result<Arc<Mutex<File>>> {
        crate::files::folder(&self.folder)?;
        Ok(Arc::new(Mutex::new(tempfile::tempfile_in(&self.folder)?)))
    }

    /// Puts what is read, `most` bytes of it, behind what is in a file already.
    pub(super) fn put(file: &Arc<Mutex<File>>, from: &mut impl Read, most: u64) -> Result<Piece> {
        let mut out = file.lock().unwrap_or_else(PoisonError::into_inner);
        let at = out.seek(SeekFrom::End(0))?;
        let long = std::io::copy(&mut from.take(most), &mut *out)?;
        out.flush()?;
        Ok(Piece { file: Arc::clone(file), at, long })
    }
}

impl Piece {
    pub(super) fn reader(&self) -> Slice {
        Slice { piece: self.clone(), at: 0 }
    }

    pub(super) fn len(&self) -> u64 {
        self.long
    }
}

/// A piece that is being read, with a place of its own.
#[derive(Debug)]
pub(super) struct Slice {
    piece: Piece,
    at: u64,
}

impl Read for Slice {
    fn read(&mut self, buf: &mut [u8]) -> Result<usize> {
        let left = usize::try_from(self.piece.long.saturating_sub(self.at)).unwrap_or(usize::MAX).min(buf.len());
        let mut file = self.piece.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.seek(SeekFrom::Start(self.piece.at + self.at))?;
        let n = file.read(buf.get_mut(..left).unwrap_or_default())?;
        self.at += n as u64;
        Ok(n)
    }
}

impl Seek for Slice {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.piece.long.checked_add_signed(by),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
        };
        self.at = at.ok_or(std::io::ErrorKind::InvalidInput)?;
        Ok(self.at)
    }
}

/// The bytes of a recording, wherever they are.
#[derive(Debug)]
pub(super) enum Bytes {
    /// In a file of its own.
    File(File),
    /// In the spool.
    Slice(Slice),
}

impl Read for Bytes {
    fn read(&mut self, buf: &mut [u8]) -> Result<usize> {
        match self {
            Bytes::File(file) => file.read(buf),
            Bytes::Slice(slice) => slice.read(buf),
        }
    }
}

impl Seek for Bytes {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        match self {
            Bytes::File(file) => file.seek(to),
            Bytes::Slice(slice) => slice.seek(to),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_of_one_file_are_read_side_by_side() {
        let place = tempfile::tempdir().unwrap();
        let spool = Spool::new(place.path());
        let file = spool.file().unwrap();
        let a = Spool::put(&file, &mut &b"abcdef"[..], 4).unwrap();
        let b = Spool::put(&file, &mut &b"xyz"[..], 9).unwrap();
        let (mut ra, mut rb) = (a.reader(), b.reader());
        let (mut one, mut out) = ([0], Vec::new());
        ra.read_exact(&mut one).unwrap();
        rb.read_to_end(&mut out).unwrap();
        ra.read_to_end(&mut out).unwrap();
        assert_eq!((&one, out.as_slice()), (b"a", &b"xyzbcd"[..]));
        ra.seek(SeekFrom::End(-2)).unwrap();
        out.clear();
        ra.read_to_end(&mut out).unwrap();
        assert_eq!(out, b"cd");
        assert!(ra.seek(SeekFrom::Current(-9)).is_err());
        assert_eq!(std::fs::read_dir(place.path()).unwrap().count(), 0, "it has no name");
    }
}
