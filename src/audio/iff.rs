//! The lengths in an aiff or caf file, put right where the file is cut or its recorder was stopped too hard.
//!
//! Source: Apple, "Audio Interchange File Format" 1.3 (chunks of four letters and 32 bits, padded to even lengths), and
//! "Core Audio Format Specification" 1.0 (four letters and 64 bits; a length of -1: to the end of the file).

use std::io::{Read, Result, Seek, SeekFrom};

use super::patched::Patch;

/// The most chunks looked at.
const MAX_CHUNKS: usize = 10_000;

/// What to read differently, and whether the file ends before its sound does.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Repair {
    pub(super) patches: Vec<Patch>,
    pub(super) cut: bool,
}

/// Looks at a file that begins like this; nothing to repair in any other kind of file.
pub(super) fn repair<R: Read + Seek>(source: &mut R, head: &[u8]) -> Result<Repair> {
    let caf = head.starts_with(b"caff");
    let aiff = head.starts_with(b"FORM") && matches!(head.get(8..12), Some(b"AIFF" | b"AIFC"));
    let mut found = Repair::default();
    if !caf && !aiff {
        return Ok(found);
    }
    let end = source.seek(SeekFrom::End(0))?;
    let (mut at, header) = if caf { (8_u64, 12_u64) } else { (12, 8) };
    for _ in 0..MAX_CHUNKS {
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; 12];
        let rest = match end.checked_sub(at + header) {
            Some(rest) if source.read_exact(head.get_mut(..header as usize).unwrap_or_default()).is_ok() => rest,
            _ => break,
        };
        let [_, _, _, _, a, b, c, d, e, f, g, h] = head;
        let size = if caf {
            u64::from_be_bytes([a, b, c, d, e, f, g, h])
        } else {
            u64::from(u32::from_be_bytes([a, b, c, d]))
        };
        if size > rest {
            found.cut = !(caf && size == u64::MAX);
            let bytes = if caf { rest.to_be_bytes().to_vec() } else { low_word(rest) };
            found.patches.push((at + 4, bytes));
            if aiff {
                found.patches.push((4, low_word(end - 8)));
            }
            break;
        }
        at += header + size + if aiff { size & 1 } else { 0 };
    }
    Ok(found)
}

fn low_word(value: u64) -> Vec<u8> {
    u32::try_from(value).unwrap_or(u32::MAX).to_be_bytes().to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn repaired(file: &[u8]) -> Repair {
        repair(&mut Cursor::new(file), file).unwrap()
    }

    #[test]
    fn a_length_beyond_the_end_becomes_what_is_there() {
        let aiff = b"FORM\0\0\x10\0AIFFCOMM\0\0\0\x01x\0SSND\0\0\x0f\xff12345";
        let length = |n: u32| n.to_be_bytes().to_vec();
        let patches = vec![(26, length(5)), (4, length(aiff.len() as u32 - 8))];
        assert_eq!(repaired(aiff), Repair { patches, cut: true });
        let caf = |size: u64| [&b"caff\0\x01\0\0data"[..], &size.to_be_bytes(), b"123456"].concat();
        let patches = vec![(12, 6_u64.to_be_bytes().to_vec())];
        assert_eq!(repaired(&caf(100)), Repair { patches: patches.clone(), cut: true });
        assert_eq!(repaired(&caf(u64::MAX)), Repair { patches, cut: false });
        assert_eq!(repaired(&caf(6)), Repair::default());
        assert_eq!(repaired(b"RIFF\xff\xff\xff\xffWAVE"), Repair::default());
    }
}
