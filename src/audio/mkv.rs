//! A webm or mkv file, what is broken in it covered over, so that a stock demultiplexer reads the rest.
//!
//! Elements stand end to end, each with its kind and its length. Where the chain breaks (a damaged head, a file that was cut, a
//! length left open by a recorder that was stopped too hard) the next place is looked for from which it goes on, and what is
//! in between becomes one element that means nothing. What is missing then shows in the time stamps.
//!
//! Source: RFC 8794 (EBML: kinds and lengths of variable width, `Void`), RFC 9559 (Matroska: `Segment`, `Cluster`, blocks).

use std::io::{BufReader, Read, Result, Seek, SeekFrom};

use super::patched::Patch;

const SEGMENT: u32 = 0x1853_8067;
const CLUSTER: u32 = 0x1F43_B675;
const SEEK_HEAD: u32 = 0x114D_9B74;
const INFO: u32 = 0x1549_A966;
const TRACKS: u32 = 0x1654_AE6B;
const VOID: u32 = 0xEC;
const TIMESTAMP: u32 = 0xE7;
const UNIT: u32 = 0x2A_D7B1;
const DEFAULT_UNIT_NS: u64 = 1_000_000;
const SIMPLE_BLOCK: u32 = 0xA3;
/// Cues, tags, attachments, chapters.
const OTHERS: [u32; 4] = [0x1C53_BB6B, 0x1254_C367, 0x1941_A469, 0x1043_A770];
/// Block groups, silent tracks, position, length of the cluster before, encrypted blocks, checksums.
const IN_CLUSTER: [u32; 6] = [0xA0, 0x5854, 0xA7, 0xAB, 0xAF, 0xBF];
/// A place is taken for the beginning of an element if so many follow from it one another: elements as blocks must look
/// stand at one place in 4000 by chance.
const FOLLOWING: usize = 4;
/// The most elements looked at: a film of two hours has a million.
const MAX_ELEMENTS: usize = 4_000_000;
/// Bytes looked at together when a place is looked for.
const WINDOW: usize = 1 << 16;

/// What to read differently.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Repair {
    pub(super) patches: Vec<Patch>,
    /// The file ends inside an element.
    pub(super) cut: bool,
    /// When the last cluster begins, in seconds.
    pub(super) lasts_s: Option<f64>,
}

/// Whether a file beginning like this is one.
pub(super) fn is_mkv(head: &[u8]) -> bool {
    head.starts_with(&[0x1A, 0x45, 0xDF, 0xA3])
}

/// The head of an element.
#[derive(Clone, Copy, Debug)]
struct Element {
    id: u32,
    at: u64,
    /// Bytes of its kind, and of its kind and length together.
    id_len: u64,
    head_len: u64,
    size: Option<u64>,
}

impl Element {
    fn body(&self) -> u64 {
        self.at + self.head_len
    }

    fn end(&self) -> Option<u64> {
        self.body().checked_add(self.size?)
    }

    fn stands_in_segment(&self) -> bool {
        [CLUSTER, SEEK_HEAD, INFO, TRACKS].contains(&self.id) || OTHERS.contains(&self.id)
    }

    fn stands_in_cluster(&self) -> bool {
        [SIMPLE_BLOCK, TIMESTAMP].contains(&self.id) || IN_CLUSTER.contains(&self.id)
    }
}

struct Scan<R> {
    source: BufReader<R>,
    at: u64,
    end: u64,
}

impl<R: Read + Seek> Scan<R> {
    fn go(&mut self, to: u64) -> Result<()> {
        self.source.seek_relative(to.cast_signed() - self.at.cast_signed())?;
        self.at = to;
        Ok(())
    }

    fn bytes(&mut self, at: u64, len: usize) -> Result<Vec<u8>> {
        self.go(at)?;
        let mut bytes = Vec::new();
        self.source.by_ref().take(len as u64).read_to_end(&mut bytes)?;
        self.at += bytes.len() as u64;
        Ok(bytes)
    }

    /// The head that stands at a place, if it makes sense there.
    fn element(&mut self, at: u64) -> Result<Option<Element>> {
        let bytes = self.bytes(at, 16)?;
        Ok(read_head(&bytes, at)
            .filter(|element| element.id == CLUSTER || element.end().is_none_or(|end| end <= self.end)))
    }

    /// The number an element holds.
    fn number(&mut self, element: &Element) -> Result<Option<u64>> {
        let Some(size) = element.size.filter(|size| (1..=8).contains(size)) else { return Ok(None) };
        let bytes = self.bytes(element.body(), size as usize)?;
        Ok(Some(bytes.iter().fold(0, |n, byte| n << 8 | u64::from(*byte))))
    }

    /// Nanoseconds in a unit of the time stamps, as the description of the segment says.
    fn unit_ns(&mut self, mut at: u64, end: u64) -> Result<Option<u64>> {
        while at < end {
            let Some((element, next)) = self.element(at)?.and_then(|e| Some((e, e.end()?))) else { break };
            if element.id == UNIT {
                return self.number(&element);
            }
            at = next;
        }
        Ok(None)
    }

    /// Whether elements follow one another from a place on, up to the end of the file or so many.
    fn follows(&mut self, mut at: u64) -> Result<bool> {
        for k in 0..FOLLOWING {
            if at == self.end {
                return Ok(k > 0);
            }
            let Some(element) = self.element(at)? else { return Ok(false) };
            let clusters = element.id == CLUSTER;
            at = match element.end() {
                // What is in it follows.
                _ if clusters => element.body(),
                Some(end) if element.stands_in_segment() || element.stands_in_cluster() || element.id == VOID => end,
                _ => return Ok(false),
            };
        }
        Ok(true)
    }

    /// Whether a cluster may begin like this: with its time or, one may leave that to a void, anything that stands in one.
    fn begins(&mut self, at: u64) -> Result<bool> {
        Ok(at == self.end || self.element(at)?.is_some_and(|e| e.stands_in_cluster() || e.id == VOID))
    }

    /// Whether something that makes sense follows where an element says that it ends.
    fn ends(&mut self, element: &Element) -> Result<bool> {
        match element.end() {
            Some(end) => Ok(end == self.end || end < self.end && self.follows(end)?),
            None => Ok(false),
        }
    }

    /// Whether an element says that it is so long that it swallows others: nothing makes sense where it ends, but something
    /// does before.
    fn swallows(&mut self, element: &Element) -> Result<bool> {
        if self.ends(element)? {
            return Ok(false);
        }
        let end = element.end().unwrap_or(element.at);
        Ok(self.next_place(element.at, end)?.is_some())
    }

    /// A cluster whose own head is damaged, known by the time with which it begins; and its head put right, its length left
    /// open.
    fn cluster(&mut self, at: u64) -> Result<Option<(Element, Patch)>> {
        for width in 1..=8_u64 {
            let body = at + 4 + width;
            if self.element(body)?.is_some_and(|e| e.id == TIMESTAMP) && self.follows(body)? {
                let head = [&CLUSTER.to_be_bytes()[..], &open_length(width)].concat();
                let element = Element { id: CLUSTER, at, id_len: 4, head_len: 4 + width, size: None };
                return Ok(Some((element, (at, head))));
            }
        }
        Ok(None)
    }

    /// The next place after one, and before another, from which elements follow one another.
    fn next_place(&mut self, after: u64, before: u64) -> Result<Option<u64>> {
        // What covers the stretch is two bytes long at least.
        let mut from = after + 2;
        while from < before {
            let window = self.bytes(from, WINDOW.min(usize::try_from(before - from).unwrap_or(WINDOW)))?;
            for (k, first) in window.iter().enumerate() {
                let may = matches!(first, 0xA3 | 0xE7 | 0xA0 | 0x1F | 0xAB | 0xA7 | 0x1C);
                if may && self.follows(from + k as u64)? {
                    return Ok(Some(from + k as u64));
                }
            }
            from += window.len().max(1) as u64;
        }
        Ok(None)
    }
}

/// A number of variable width: its bytes, and its value with or without the mark of its width.
fn vint(bytes: &[u8], keep_mark: bool) -> Option<(usize, u64)> {
    let first = *bytes.first()?;
    let width = first.leading_zeros() as usize + 1;
    let rest = bytes.get(1..width).filter(|_| width <= 8)?;
    let first = if keep_mark { first } else { first & (0xFF_u16 >> width) as u8 };
    Some((width, rest.iter().fold(first.into(), |n, byte| n << 8 | u64::from(*byte))))
}

fn read_head(bytes: &[u8], at: u64) -> Option<Element> {
    let (id_len, id) = vint(bytes, true).filter(|(width, _)| *width <= 4)?;
    let (size_len, size) = vint(bytes.get(id_len..)?, false)?;
    let open = size == (1 << (7 * size_len)) - 1;
    let id = u32::try_from(id).ok()?;
    let body = bytes.get(id_len + size_len..).unwrap_or_default();
    let element =
        Element { id, at, id_len: id_len as u64, head_len: (id_len + size_len) as u64, size: (!open).then_some(size) };
    // A block begins with its track, its time and flags of which three bits are zero.
    let block = |body: &[u8]| {
        size >= 4 && body.first().is_none_or(|b| b & 0x80 != 0) && body.get(3).is_none_or(|b| b & 0x70 == 0)
    };
    let makes_sense = match id {
        SIMPLE_BLOCK => block(body),
        TIMESTAMP => (1..=8).contains(&size),
        _ => true,
    };
    makes_sense.then_some(element)
}

/// What is laid over a stretch so that it means nothing.
fn void(from: u64, to: u64) -> Option<Patch> {
    let len = to.checked_sub(from)?;
    let bytes = match len {
        0 | 1 => return None,
        2..=127 => vec![0xEC, 0x80 | (len - 2) as u8],
        _ => {
            let mut size = (len - 9).to_be_bytes();
            size[0] = 1;
            [&[0xEC], &size[..]].concat()
        }
    };
    Some((from, bytes))
}

/// Looks through the whole file; nothing to repair in any other kind of file.
pub(super) fn repair<R: Read + Seek>(source: &mut R, head: &[u8]) -> Result<Repair> {
    let mut found = Repair::default();
    if !is_mkv(head) {
        return Ok(found);
    }
    let end = source.seek(SeekFrom::End(0))?;
    source.seek(SeekFrom::Start(0))?;
    let mut scan = Scan { source: BufReader::with_capacity(WINDOW, source), at: 0, end };
    let Some(begins) = scan.element(0)?.and_then(|ebml| ebml.end()) else { return Ok(found) };
    let bytes = scan.bytes(begins, 16)?;
    let Some(segment) = read_head(&bytes, begins).filter(|element| element.id == SEGMENT) else { return Ok(found) };
    if segment.size.is_some() && segment.end() != Some(end) {
        found.cut = segment.end().is_none_or(|said| said > end);
        found.patches.extend(closed(&segment, end));
    }
    let (mut at, mut cluster): (u64, Option<Element>) = (segment.body(), None);
    let (mut told, mut seek_head) = ([false; 2], None);
    let (mut unit_ns, mut last_cluster) = (DEFAULT_UNIT_NS, None);
    for _ in 0..MAX_ELEMENTS {
        if at >= end {
            break;
        }
        let element = scan.element(at)?.filter(|e| match cluster {
            Some(_) => e.stands_in_cluster() || e.stands_in_segment() || e.id == VOID,
            None => e.stands_in_segment() || e.id == VOID || e.id == 0xBF,
        });
        let element = match element {
            Some(e) if e.id != CLUSTER && !scan.swallows(&e)? => Some(e),
            Some(e) if e.id == CLUSTER && (scan.begins(e.body())? || scan.ends(&e)?) => Some(e),
            _ => scan.cluster(at)?.map(|(mended, patch)| {
                found.patches.push(patch);
                mended
            }),
        };
        let next = element.and_then(|e| if e.id == CLUSTER { Some(e.body()) } else { e.end() });
        let (Some(element), Some(next)) = (element, next) else {
            let place = scan.next_place(at, end)?;
            found.cut |= place.is_none();
            let to = place.unwrap_or(end);
            found.patches.extend(void(at, to));
            at = to;
            continue;
        };
        if element.stands_in_segment() {
            found.patches.extend(cluster.and_then(|open| closed(&open, at)));
            cluster = (element.id == CLUSTER).then_some(element);
        }
        match element.id {
            INFO => {
                told[0] |= last_cluster.is_none();
                unit_ns = scan.unit_ns(element.body(), next)?.unwrap_or(unit_ns);
            }
            TRACKS => told[1] |= last_cluster.is_none(),
            SEEK_HEAD => seek_head = Some((at, next)),
            TIMESTAMP => {
                let time = scan.number(&element)?;
                // One wrong stamp may say anything; the last ones are later than those before.
                last_cluster = time.or(last_cluster);
            }
            _ => {}
        }
        at = next;
    }
    found.patches.extend(cluster.and_then(|open| closed(&open, end)));
    // It only says where the others stand, and in a cut file points beyond the end.
    if told == [true; 2] {
        found.patches.extend(seek_head.and_then(|(from, to)| void(from, to)));
    }
    found.lasts_s = last_cluster.map(|time| time as f64 * unit_ns as f64 * 1e-9);
    Ok(found)
}

/// A cluster's length left open, if it says another than it has.
fn closed(cluster: &Element, end: u64) -> Option<Patch> {
    let width = cluster.head_len - cluster.id_len;
    cluster.end().filter(|said| *said != end).map(|_| (cluster.at + cluster.id_len, open_length(width)))
}

/// The length of an element whose length is not known, in so many bytes: all ones behind the mark of their number.
fn open_length(width: u64) -> Vec<u8> {
    let mut bytes = vec![0xFF; usize::try_from(width).unwrap_or(1)];
    if let Some(first) = bytes.first_mut() {
        *first = 0xFF >> (width - 1).min(7);
    }
    bytes
}

#[cfg(test)]
mod tests {
    use super::super::patched::Patched;
    use super::*;
    use std::io::Cursor;

    fn element(id: &[u8], body: &[u8]) -> Vec<u8> {
        [id, &[0x40 | (body.len() >> 8) as u8, body.len() as u8], body].concat()
    }

    fn cluster(time: u8) -> Vec<u8> {
        let blocks = (0..20).flat_map(|k| element(&[0xA3], &[0x81, 0, k, 0x80, 7, 7, 7, k]));
        element(&[0x1F, 0x43, 0xB6, 0x75], &[element(&[0xE7], &[time]), blocks.collect()].concat())
    }

    fn file() -> Vec<u8> {
        let parts = [
            element(&[0x11, 0x4D, 0x9B, 0x74], &[0xEC, 0x81, 0]),
            element(&[0x15, 0x49, 0xA9, 0x66], &element(&[0x2A, 0xD7, 0xB1], &[0x0F, 0x42, 0x40])),
            element(&[0x16, 0x54, 0xAE, 0x6B], &[0xEC, 0x81, 0]),
            cluster(0),
            cluster(100),
            cluster(200),
        ];
        [element(&[0x1A, 0x45, 0xDF, 0xA3], &[0xEC, 0x81, 0]), element(&[0x18, 0x53, 0x80, 0x67], &parts.concat())]
            .concat()
    }

    /// The blocks that a reader sees who takes every length at its word.
    fn blocks(bytes: &[u8]) -> Option<Vec<(u8, u8)>> {
        let mut found = Vec::new();
        let segment = read_head(bytes.get(9..)?, 9)?;
        let (mut at, mut time) = (segment.body(), 0);
        let end = segment.end().unwrap_or(bytes.len() as u64);
        (end == bytes.len() as u64).then_some(())?;
        let mut cluster_end = 0;
        while at < end {
            // A single byte left over cannot be covered.
            let Some(element) = read_head(bytes.get(at as usize..)?, at) else {
                return (at + 1 == end).then_some(found);
            };
            let until = element.end().unwrap_or(end);
            let body = bytes.get(element.body() as usize..until as usize)?;
            at = until;
            match element.id {
                CLUSTER => (at, cluster_end) = (element.body(), until),
                TIMESTAMP => time = *body.first()?,
                SIMPLE_BLOCK => found.push((time, *body.get(2)?)),
                VOID | INFO | TRACKS => {}
                _ if element.stands_in_cluster() => {}
                _ => return None,
            }
            (element.id == CLUSTER || cluster_end == 0 || at <= cluster_end).then_some(())?;
        }
        Some(found)
    }

    fn repaired(bytes: &[u8]) -> Vec<u8> {
        let repair = repair(&mut Cursor::new(bytes), bytes).unwrap();
        let mut out = Vec::new();
        Patched::new(Cursor::new(bytes), repair.patches).unwrap().read_to_end(&mut out).unwrap();
        out
    }

    #[test]
    fn a_whole_file_keeps_all_its_blocks() {
        let whole = file();
        let found = repair(&mut Cursor::new(&whole), &whole).unwrap();
        assert_eq!((found.cut, found.lasts_s), (false, Some(0.2)));
        assert_eq!(blocks(&repaired(&whole)).unwrap().len(), 60);
    }

    #[test]
    fn one_flipped_bit_costs_a_few_blocks_at_most() {
        let whole = file();
        let first = whole.windows(4).position(|w| w == [0x1F, 0x43, 0xB6, 0x75]).unwrap();
        for bit in 8 * first..8 * whole.len() {
            let mut damaged = whole.clone();
            damaged[bit / 8] ^= 1 << (bit % 8);
            let left = blocks(&repaired(&damaged)).unwrap_or_default().len();
            assert!(left >= 56, "bit {} of byte {}: {left} of 60 blocks are left", bit % 8, bit / 8);
        }
    }

    #[test]
    fn a_cut_file_keeps_the_blocks_that_are_there() {
        let whole = file();
        for end in (whole.len() - 500..whole.len()).step_by(7) {
            let found = repair(&mut Cursor::new(&whole[..end]), &whole[..end]).unwrap();
            let left = blocks(&repaired(&whole[..end])).unwrap().len();
            assert!(found.cut && left + 2 >= 60 * (end - 50) / whole.len(), "{end}: {left}, cut: {}", found.cut);
        }
    }
}
