//! Ogg pages -> the packets that end on each, and where they end: the granule position of the page.
//!
//! A page whose checksum does not fit is lost with all that leans on it; that it is missing shows in the page numbers, how
//! much in the granule positions. (The stock demultiplexer lays what follows a lost page where the page began.)
//!
//! Source: RFC 3533 (pages, lacing, checksum), RFC 7845 and the Vorbis I specification, A.2 (granule positions, headers).

use std::io::Read;

use symphonia::core::checksum::Crc32;
use symphonia::core::errors::{Error, Result};
use symphonia::core::io::{MediaSourceStream, Monitor};
use symphonia::core::packet::Packet;
use symphonia::core::units::{Duration, Timestamp};

use super::demux::{Batch, Demux, Stamp};

const HEADER: usize = 27;
/// No page is longer: 255 segments of at most 255 bytes.
const MAX_PAGE: usize = HEADER + 255 + 255 * 255;
/// A packet that goes on over more pages than this holds no sound.
const MAX_PACKET: usize = 1 << 20;
/// Granule position of a page on which no packet ends.
const NO_PACKET_ENDS: i64 = -1;

/// The pages of one logical stream.
pub(super) struct Pages {
    source: MediaSourceStream<'static>,
    serial: u32,
    /// Bytes read and not yet looked at.
    ahead: Vec<u8>,
    at: usize,
    ended: bool,
    /// Number of the page before.
    number: Option<u32>,
    /// The beginning of a packet that goes on on the next page.
    begun: Vec<u8>,
    /// Something is missing just before the page at hand; before the next packets.
    broken: bool,
    lost: bool,
    /// The page before says that it is the last one.
    finished: bool,
}

struct Page<'a> {
    continues: bool,
    first: bool,
    last: bool,
    granule: i64,
    serial: u32,
    number: u32,
    lacing: &'a [u8],
    body: &'a [u8],
}

impl Pages {
    /// `source` stands at its beginning.
    pub(super) fn new(source: MediaSourceStream<'static>, serial: u32) -> Pages {
        Pages {
            source,
            serial,
            ahead: Vec::new(),
            at: 0,
            ended: false,
            number: None,
            begun: Vec::new(),
            broken: false,
            lost: false,
            finished: false,
        }
    }

    /// Has a whole page ahead, as far as the file goes.
    fn fill(&mut self) -> Result<()> {
        if self.ahead.len() - self.at >= MAX_PAGE || self.ended {
            return Ok(());
        }
        self.ahead.drain(..self.at);
        self.at = 0;
        let want = 4 * MAX_PAGE - self.ahead.len();
        let got = self.source.by_ref().take(want as u64).read_to_end(&mut self.ahead)?;
        self.ended = got < want;
        Ok(())
    }

    /// Goes to the next page that is whole. What had to be left out on the way, and a gap in the numbers, are lost pages.
    fn next_page(&mut self) -> Result<Option<usize>> {
        loop {
            self.fill()?;
            let ahead = self.ahead.get(self.at..).unwrap_or_default();
            if ahead.is_empty() {
                return Ok(None);
            }
            if let Some(len) = page_len(ahead).filter(|len| is_whole(ahead, *len)) {
                return Ok(Some(len));
            }
            self.broken = true;
            let next = ahead.iter().skip(1).position(|b| *b == b'O').map_or(ahead.len(), |k| k + 1);
            self.at += next;
        }
    }
}

impl Demux for Pages {
    fn cut(&self) -> bool {
        !self.finished
    }

    fn next(&mut self) -> Result<Option<Batch>> {
        loop {
            let Some(len) = self.next_page()? else { return Ok(None) };
            let at = self.at;
            self.at += len;
            let Some(page) = self.ahead.get(at..at + len).and_then(read_page) else { continue };
            if page.serial != self.serial {
                if page.first && self.number.is_some_and(|n| n > 2) {
                    // Another stream follows this one.
                    return Err(Error::ResetRequired);
                }
                continue;
            }
            let follows = self.number.is_none_or(|before| page.number == before.wrapping_add(1));
            self.number = Some(page.number);
            self.finished = page.last;
            self.lost |= self.broken || !follows;
            if std::mem::take(&mut self.broken) || !follows || !page.continues {
                self.begun.clear();
            }
            // The rest of a packet whose beginning is missing.
            let mut skip = page.continues && self.begun.is_empty();
            let (mut packets, mut from) = (Vec::new(), 0);
            let mut packet = std::mem::take(&mut self.begun);
            for size in page.lacing {
                let to = from + usize::from(*size);
                packet.extend_from_slice(page.body.get(from..to).unwrap_or_default());
                from = to;
                if *size < 255 {
                    let data = std::mem::take(&mut packet);
                    if !std::mem::take(&mut skip) && !is_header(&data) && !data.is_empty() {
                        packets.push(Packet::new(self.serial, Timestamp::ZERO, Duration::ZERO, data));
                    }
                }
            }
            if !skip && packet.len() <= MAX_PACKET {
                self.begun = packet;
            }
            let (granule, last) = (page.granule, page.last);
            if packets.is_empty() || granule == NO_PACKET_ENDS {
                continue;
            }
            let stamp = Stamp::Ends { at: granule, last, lost: std::mem::take(&mut self.lost) };
            return Ok(Some(Batch { packets, stamp }));
        }
    }
}

/// Length of the page that seems to begin here, if it is all there.
fn page_len(bytes: &[u8]) -> Option<usize> {
    let segments = usize::from(*bytes.get(HEADER - 1)?);
    if !bytes.starts_with(b"OggS\0") {
        return None;
    }
    let body: usize = bytes.get(HEADER..HEADER + segments)?.iter().map(|size| usize::from(*size)).sum();
    Some(HEADER + segments + body).filter(|len| *len <= bytes.len())
}

/// Whether its checksum, which is reckoned with zeros in its own place, fits.
fn is_whole(bytes: &[u8], len: usize) -> bool {
    let (Some(before), Some(said), Some(after)) = (bytes.get(..22), bytes.get(22..26), bytes.get(26..len)) else {
        return false;
    };
    let mut sum = Crc32::new(0);
    sum.process_buf_bytes(before);
    sum.process_buf_bytes(&[0; 4]);
    sum.process_buf_bytes(after);
    said == sum.crc().to_le_bytes()
}

fn read_page(bytes: &[u8]) -> Option<Page<'_>> {
    let four = |at: usize| Some(u32::from_le_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    let flags = *bytes.get(5)?;
    let segments = usize::from(*bytes.get(HEADER - 1)?);
    Some(Page {
        continues: flags & 1 != 0,
        first: flags & 2 != 0,
        last: flags & 4 != 0,
        granule: i64::from_le_bytes(bytes.get(6..14)?.try_into().ok()?),
        serial: four(14)?,
        number: four(18)?,
        lacing: bytes.get(HEADER..HEADER + segments)?,
        body: bytes.get(HEADER + segments..)?,
    })
}

/// The packets before the sound: Opus has two, Vorbis three (odd numbers; sound begins with an even byte).
fn is_header(packet: &[u8]) -> bool {
    packet.starts_with(b"OpusHead")
        || packet.starts_with(b"OpusTags")
        || packet.get(1..7) == Some(b"vorbis") && packet.first().is_some_and(|kind| kind & 1 == 1)
}
