//! A file seen through small corrections: the bytes on disk stay as they are, the decoder reads corrected ones.
//!
//! Recorders leave wrong lengths in their headers, films carry tracks that are none of our business. Putting right a few
//! bytes in passing lets a stock demultiplexer read such files.

use std::io::{Read, Result, Seek, SeekFrom};

use symphonia::core::io::MediaSource;

/// Bytes to be read instead of those in the file, and where they stand.
pub(super) type Patch = (u64, Vec<u8>);

/// A seekable source with [`Patch`]es laid over it.
pub(super) struct Patched<R> {
    inner: R,
    at: u64,
    len: u64,
    /// In the order of where they stand, and the length of the longest.
    patches: Vec<Patch>,
    longest: u64,
}

impl<R: Read + Seek> Patched<R> {
    /// Lays the patches over the source, which is rewound.
    pub(super) fn new(mut inner: R, mut patches: Vec<Patch>) -> Result<Patched<R>> {
        patches.sort_by_key(|(start, _)| *start);
        let longest = patches.iter().map(|(_, bytes)| bytes.len() as u64).max().unwrap_or(0);
        let len = inner.seek(SeekFrom::End(0))?;
        inner.seek(SeekFrom::Start(0))?;
        Ok(Patched { inner, at: 0, len, patches, longest })
    }
}

impl<R: Read> Read for Patched<R> {
    fn read(&mut self, buf: &mut [u8]) -> Result<usize> {
        let n = self.inner.read(buf)?;
        let from = self.at;
        self.at += n as u64;
        let first = self.patches.partition_point(|(start, _)| start + self.longest <= from);
        let here = self.patches.iter().skip(first).take_while(|(start, _)| *start < self.at);
        for (start, bytes) in here {
            for (k, byte) in bytes.iter().enumerate() {
                let place = (start + k as u64).checked_sub(from).and_then(|at| usize::try_from(at).ok());
                if let Some(slot) = place.filter(|at| *at < n).and_then(|at| buf.get_mut(at)) {
                    *slot = *byte;
                }
            }
        }
        Ok(n)
    }
}

impl<R: Seek> Seek for Patched<R> {
    fn seek(&mut self, to: SeekFrom) -> Result<u64> {
        self.at = self.inner.seek(to)?;
        Ok(self.at)
    }
}

impl<R: Read + Seek + Send + Sync> MediaSource for Patched<R> {
    fn is_seekable(&self) -> bool {
        true
    }

    fn byte_len(&self) -> Option<u64> {
        Some(self.len)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    #[test]
    fn corrections_show_in_whatever_pieces_the_file_is_read() {
        let file: Vec<u8> = (0..50).collect();
        let patches = vec![(7, vec![200, 201, 202]), (20, vec![210])];
        let mut expected = file.clone();
        expected[7..10].copy_from_slice(&[200, 201, 202]);
        expected[20] = 210;
        for piece in 1..13 {
            let mut source = Patched::new(Cursor::new(file.clone()), patches.clone()).unwrap();
            let (mut got, mut buf) = (Vec::new(), vec![0; piece]);
            loop {
                match source.read(&mut buf).unwrap() {
                    0 => break,
                    n => got.extend_from_slice(&buf[..n]),
                }
            }
            assert_eq!(got, expected);
            source.seek(SeekFrom::Start(8)).unwrap();
            let n = source.read(&mut buf).unwrap();
            assert_eq!(buf[..n], expected[8..8 + n]);
        }
    }
}
