//! Frames laid end to end without a container (mp3, aac) -> packets, each with its number as clock.
//!
//! Such a stream has no clock, but each frame says how long it is and all are of one kind, so a damaged head of a frame shows:
//! the next does not follow where it says. Then the next place is looked for from which frames follow one another again, and
//! how many were in between is judged by the bytes. One frame whose head alone is damaged is given the nearest head that
//! fits.
//!
//! Source: ISO/IEC 11172-3, 2.4.1.3 and 13818-3 (heads of mp3 frames), ISO/IEC 14496-3, 1.A.2 (ADTS); ID3v2.4, 3.1.

use std::io::Read;

use symphonia::core::errors::Result;
use symphonia::core::io::MediaSourceStream;
use symphonia::core::packet::Packet;
use symphonia::core::units::{Duration, Timestamp};

use super::demux::{Batch, Demux, Stamp};

/// A place is taken for the beginning of a frame if so many follow from it one another.
const FOLLOWING: usize = 3;
/// Bytes looked at together: more than that many of the longest frames.
const AHEAD: usize = 1 << 16;
/// A head that differs in more bits than this is not mended: more than the head is damaged.
const MAX_BITS: u32 = 2;
/// Frames over whose length the usual length is reckoned.
const USUAL: f64 = 100.0;

/// Which kind of stream.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    Mp3,
    Adts,
}

/// The head of a frame.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Head {
    /// The bits that are the same in every frame of a stream.
    same: u32,
    /// Bytes from this head to the next.
    len: usize,
    /// Samples per channel.
    samples: u32,
}

/// Kilobits a second by index: layer 3 of MPEG-1, and of MPEG-2 and 2.5.
const KBITS: [[usize; 15]; 2] = [
    [0, 32, 40, 48, 56, 64, 80, 96, 112, 128, 160, 192, 224, 256, 320],
    [0, 8, 16, 24, 32, 40, 48, 56, 64, 80, 96, 112, 128, 144, 160],
];
const HERTZ: [usize; 3] = [44_100, 48_000, 32_000];

impl Kind {
    fn head(self, bytes: &[u8]) -> Option<Head> {
        let word = u32::from_be_bytes(*bytes.first_chunk()?);
        match self {
            Kind::Mp3 => {
                let (version, layer) = (word >> 19 & 3, word >> 17 & 3);
                let (rate, kbits) = ((word >> 10 & 3) as usize, (word >> 12 & 15) as usize);
                if word >> 21 != 0x7FF || version == 1 || layer != 1 {
                    return None;
                }
                let first = version == 3;
                let hertz = HERTZ.get(rate)? >> (3 - version.max(1)).min(2);
                let kbits = KBITS[usize::from(!first)].get(kbits).copied().filter(|k| *k > 0)?;
                let slots = if first { 144 } else { 72 };
                let len = slots * 1000 * kbits / hertz + (word >> 9 & 1) as usize;
                // Version, layer, rate, and whether there is one channel.
                let same = word & self.shared() | u32::from(word >> 6 & 3 == 3);
                Some(Head { same, len, samples: if first { 1152 } else { 576 } })
            }
            Kind::Adts => {
                let rest = u32::from_be_bytes([0, *bytes.get(4)?, *bytes.get(5)?, *bytes.get(6)?]);
                // Twelve ones, two zeros of the layer, and a rate that exists.
                if word >> 20 != 0xFFF || word >> 17 & 3 != 0 || word >> 10 & 15 > 12 {
                    return None;
                }
                let len = ((word & 3) << 11 | rest >> 13) as usize;
                let blocks = (rest & 3) + 1;
                (len > 7).then_some(Head { same: word & self.shared(), len, samples: 1024 * blocks })
            }
        }
    }

    /// The bits that every frame of a stream shares.
    const fn shared(self) -> u32 {
        match self {
            // Version, layer, rate; one channel or two is looked at besides.
            Kind::Mp3 => 0xFFFE_0C00,
            Kind::Adts => 0xFFFF_FFF0,
        }
    }

    /// Heads like the others that say this length, and differ from the damaged one in as little as can be.
    fn mend(self, like: Head, damaged: [u8; 7], len: usize) -> Option<(u32, [u8; 7])> {
        let word = u32::from_be_bytes([damaged[0], damaged[1], damaged[2], damaged[3]]);
        let word = word & !self.shared() | like.same & self.shared();
        let candidate = |word: u32, rest: [u8; 3]| {
            let [a, b, c, d] = word.to_be_bytes();
            [a, b, c, d, rest[0], rest[1], rest[2]]
        };
        let [.., e, f, g] = damaged;
        let candidates: Vec<[u8; 7]> = match self {
            // Every bit rate, padding and mode.
            Kind::Mp3 => (0..128_u32)
                .map(|k| word & 0xFFFF_0D3F | (k >> 3) << 12 | (k >> 2 & 1) << 9 | (k & 3) << 6)
                .map(|word| candidate(word, [e, f, g]))
                .collect(),
            Kind::Adts => {
                let len = u32::try_from(len).unwrap_or(0) & 0x1FFF;
                vec![candidate(word & !3 | len >> 11, [(len >> 3) as u8, f & 0x1F | ((len & 7) << 5) as u8, g])]
            }
        };
        let differs = |head: &[u8; 7]| head.iter().zip(damaged).map(|(a, b)| (a ^ b).count_ones()).sum::<u32>();
        (candidates.into_iter())
            .filter(|bytes| self.head(bytes).is_some_and(|head| head.len == len && head.same == like.same))
            .map(|bytes| (differs(&bytes), bytes))
            .min()
            .filter(|(bits, _)| *bits <= MAX_BITS)
    }
}

/// The frames of a stream.
pub(super) struct Frames {
    source: MediaSourceStream<'static>,
    kind: Kind,
    ahead: Vec<u8>,
    at: usize,
    ended: bool,
    /// The first head that was found; the others are like it.
    like: Option<Head>,
    usual_len: f64,
    /// Samples per channel up to here.
    clock: u64,
}

impl Frames {
    /// `source` stands at its beginning.
    pub(super) fn new(source: MediaSourceStream<'static>, kind: Kind) -> Frames {
        Frames { source, kind, ahead: Vec::new(), at: 0, ended: false, like: None, usual_len: 0.0, clock: 0 }
    }

    fn fill(&mut self) -> Result<()> {
        if self.ahead.len() - self.at >= AHEAD || self.ended {
            return Ok(());
        }
        self.ahead.drain(..self.at);
        self.at = 0;
        let want = 2 * AHEAD - self.ahead.len();
        let got = self.source.by_ref().take(want as u64).read_to_end(&mut self.ahead)?;
        self.ended = got < want;
        Ok(())
    }

    fn rest(&self) -> &[u8] {
        self.ahead.get(self.at..).unwrap_or_default()
    }

    /// The head at a place, if it is of the stream's kind.
    fn head_at(&self, at: usize, like: Option<Head>) -> Option<Head> {
        let head = self.kind.head(self.rest().get(at..)?)?;
        like.is_none_or(|like| head.same == like.same).then_some(head)
    }

    /// Whether so many frames from a place on follow one another, or go on to the end of the file.
    fn follows(&self, mut at: usize, frames: usize) -> bool {
        let mut like = self.like;
        (0..frames).all(|k| match self.head_at(at, like) {
            Some(head) => {
                at += head.len;
                like = Some(head);
                true
            }
            None => k > 0 && (self.is_tail(at) || self.ended && at >= self.rest().len()),
        })
    }

    /// Whether what stands here is no sound: tags that are put at the end.
    fn is_tail(&self, at: usize) -> bool {
        let rest = self.rest().get(at..).unwrap_or_default();
        self.ended && [&b"TAG"[..], b"APETAGEX", b"LYRICSBEGIN", b"3DI"].iter().any(|tag| rest.starts_with(tag))
    }

    /// Leaves out a tag at the beginning, and the first frame if it only tells about the others.
    fn begin(&mut self) -> Result<()> {
        while let Some(&[b'I', b'D', b'3', _, _, flags, a, b, c, d]) = self.rest().first_chunk() {
            let len = [a, b, c, d].iter().fold(0_u64, |n, byte| n << 7 | u64::from(byte & 0x7F));
            let len = len + if flags & 0x10 != 0 { 20 } else { 10 };
            let have = self.rest().len() as u64;
            if len >= have {
                std::io::copy(&mut self.source.by_ref().take(len - have), &mut std::io::sink())?;
                self.ahead.clear();
                self.at = 0;
            } else {
                self.at += usize::try_from(len).unwrap_or(0);
            }
            self.fill()?;
        }
        let Some(start) = (0..self.rest().len()).find(|at| self.follows(*at, FOLLOWING)) else { return Ok(()) };
        self.at += start;
        self.like = self.head_at(0, None);
        let Some(head) = self.like else { return Ok(()) };
        self.usual_len = head.len as f64;
        let frame = self.rest().get(..head.len).unwrap_or_default();
        let tells = |tag: &[u8]| frame.iter().take(200).copied().collect::<Vec<u8>>().windows(4).any(|w| w == tag);
        if self.kind == Kind::Mp3 && [&b"Xing"[..], b"Info", b"VBRI"].into_iter().any(tells) {
            self.at += head.len;
        }
        Ok(())
    }

    /// The frame that stands here.
    fn packet(&mut self, head: Head) -> Batch {
        let bytes = self.rest().get(..head.len).unwrap_or_default();
        let skip = match self.kind {
            Kind::Mp3 => 0,
            // The decoder is given what follows the head and its checksum.
            Kind::Adts if bytes.get(1).is_some_and(|b| b & 1 == 0) => 9,
            Kind::Adts => 7,
        };
        let data = bytes.get(skip..).unwrap_or_default().to_vec();
        let at = i64::try_from(self.clock).unwrap_or(i64::MAX);
        self.at += head.len;
        self.clock = self.clock.saturating_add(head.samples.into());
        self.usual_len += (head.len as f64 - self.usual_len) / USUAL;
        let packet = Packet::new(0, Timestamp::new(at), Duration::new(head.samples.into()), data);
        Batch { packets: vec![packet], stamp: Stamp::Begins(at) }
    }

    /// Passes over bytes that are no frames any more: the clock goes on by as many as usually stand in so many.
    fn pass(&mut self, bytes: usize, like: Head) {
        let frames = (bytes as f64 / self.usual_len.max(1.0)).round().max(1.0) as u64;
        self.at += bytes;
        self.clock = self.clock.saturating_add(frames * u64::from(like.samples));
    }
}

impl Demux for Frames {
    fn next(&mut self) -> Result<Option<Batch>> {
        self.fill()?;
        if self.like.is_none() {
            self.begin()?;
        }
        let Some(like) = self.like else { return Ok(None) };
        loop {
            self.fill()?;
            let rest = self.rest();
            let here = self.head_at(0, self.like).filter(|head| head.len <= rest.len());
            if let Some(head) = here.filter(|_| self.follows(0, 2)) {
                return Ok(Some(self.packet(head)));
            }
            if rest.len() < 4 || self.is_tail(0) {
                return Ok(None);
            }
            let Some(next) = (1..rest.len()).find(|at| self.follows(*at, FOLLOWING)) else {
                // Rubbish, to the end or for long.
                let passed = if self.ended { rest.len() } else { rest.len().saturating_sub(AHEAD / 2) };
                self.pass(passed, like);
                continue;
            };
            // Either this head says a wrong length, or the next one is damaged.
            let mend = |from: usize| {
                let damaged = *rest.get(from..)?.first_chunk()?;
                self.kind.mend(like, damaged, next.checked_sub(from)?)
            };
            let this = mend(0);
            let other = here.filter(|head| head.len < next).and_then(|head| Some((mend(head.len)?.0, head)));
            match (this, other, here) {
                (this, Some((bits, head)), _) if this.is_none_or(|(least, _)| bits < least) => {
                    return Ok(Some(self.packet(head)));
                }
                (Some((_, bytes)), ..) => {
                    if let Some(head) = self.ahead.get_mut(self.at..self.at + bytes.len()) {
                        head.copy_from_slice(&bytes);
                    }
                    return Ok(Some(self.packet(Head { len: next, ..like })));
                }
                (None, None, Some(head)) if 2 * next >= 3 * head.len => return Ok(Some(self.packet(head))),
                _ => self.pass(next, like),
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Frames of 128 and 160 kilobits at 44.1 kHz, their bodies free of anything like a head.
    fn stream(kbits: &[u32]) -> (Vec<u8>, Vec<usize>) {
        let (mut bytes, mut at) = (Vec::new(), Vec::new());
        for (k, kbits) in kbits.iter().enumerate() {
            let index = KBITS[0].iter().position(|n| *n as u32 == *kbits).unwrap() as u32;
            let word = 0xFFFB_0044_u32 | index << 12;
            let len = 144_000 * *kbits as usize / 44_100;
            at.push(bytes.len());
            bytes.extend(word.to_be_bytes());
            bytes.extend((4..len).map(|i| ((i * 31 + k * 7) % 251) as u8));
        }
        (bytes, at)
    }

    /// Stamp and length of each packet.
    fn packets(bytes: Vec<u8>) -> Vec<(i64, usize)> {
        let source = MediaSourceStream::new(Box::new(std::io::Cursor::new(bytes)), Default::default());
        let mut frames = Frames::new(source, Kind::Mp3);
        let mut out = Vec::new();
        while let Some(batch) = frames.next().unwrap() {
            let Stamp::Begins(at) = batch.stamp else { panic!("a frame has a beginning") };
            out.push((at / 1152, batch.packets[0].data.len()));
        }
        out
    }

    #[test]
    fn every_frame_bears_its_number() {
        let (bytes, _) = stream(&[128; 20]);
        assert_eq!(packets(bytes), (0..20).map(|k| (k, 417)).collect::<Vec<_>>());
    }

    #[test]
    fn no_flipped_bit_of_a_head_moves_a_frame() {
        let kbits: Vec<u32> = (0..30).map(|k| if k % 3 == 0 { 160 } else { 128 }).collect();
        let (bytes, at) = stream(&kbits);
        let whole = packets(bytes.clone());
        for bit in 0..32 {
            let mut damaged = bytes.clone();
            damaged[at[12] + bit / 8] ^= 1 << (bit % 8);
            assert_eq!(packets(damaged), whole, "bit {bit}");
        }
    }

    #[test]
    fn frames_that_are_gone_are_counted() {
        let (bytes, at) = stream(&[128; 60]);
        let mut damaged = bytes.clone();
        damaged[at[20] + 9..at[26] + 100].fill(0);
        let numbers: Vec<i64> = packets(damaged).into_iter().map(|(at, _)| at).collect();
        assert_eq!(numbers, (0..60).filter(|k| !(21..27).contains(k)).collect::<Vec<_>>());
    }
}
