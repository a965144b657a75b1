//! What comes out of an archive or a mail, on the disk and not in memory.
//!
//! It lies in a file without a name in the book's folder: private, and gone with the program, however that ends.

use std::fs::File;
use std::io::{Read, Result, Seek, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};

use super::unpack::Archives;

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
