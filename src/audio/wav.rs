//! Plain samples in a wav file -> interleaved samples.
//!
//! Read here rather than by the decoders because recorders get wav headers wrong in more ways than those allow for:
//! lengths left at zero or all ones by an interrupted recorder, lengths beyond the end of a file that was cut, format
//! chunks a few bytes too long. Codings other than plain samples are left to the decoders.
//!
//! Source: Microsoft, "Multimedia Programming Interface and Data Specifications 1.0" (RIFF, WAVE), `WAVEFORMATEXTENSIBLE`
//! (24 bits in 4 bytes stand at the upper end), EBU Tech 3306 (RF64: long files, sizes in `ds64`).

use std::io::{Read, Result, Seek, SeekFrom};

use super::guard::MAX_CHANNELS;
use super::patched::Patch;
use super::sniff::CONVERT;

/// Sizes from here on are placeholders of recorders that could not go back and write the true one.
const PLACEHOLDER: u64 = 0x7FFF_0000;
/// The most chunks looked at before the samples.
const MAX_CHUNKS: usize = 10_000;
/// So many bytes after the samples need no explanation.
const MAX_TAIL: u64 = 4096;
/// Rates that recorders use.
const USUAL_RATES: [u32; 12] =
    [8_000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000];
/// Samples per channel that are read at a time.
const PIECE: usize = 4096;

/// How a wav file keeps its samples.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    pub(super) rate: u32,
    pub(super) channels: u16,
    kind: Kind,
    /// Bytes of one sample of one channel.
    width: u16,
    /// Where the samples start.
    start: u64,
    /// How many bytes of samples the file holds.
    present: u64,
    /// How many it ought to hold, if it says so.
    declared: Option<u64>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Unsigned,
    Signed,
    Float,
}

/// What kind of wav file it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Wav {
    /// Plain samples, read by [`PcmStream`].
    Plain(Layout),
    /// For the decoders, with its lengths put right. `samples`: per channel, if said. `cut`: it ends too early.
    Coded {
        patches: Vec<Patch>,
        samples: Option<u64>,
        cut: bool,
    },
    /// No decoder knows the coding.
    Unknown(String, &'static str),
    Broken(&'static str),
}

/// Whether a file beginning like this is a wav file.
pub(super) fn is_wav(head: &[u8]) -> bool {
    head.get(8..12) == Some(b"WAVE") && (head.starts_with(b"RIFF") || is_long(head))
}

fn is_long(head: &[u8]) -> bool {
    head.starts_with(b"RF64") || head.starts_with(b"BW64")
}

fn le16(bytes: &[u8], at: usize) -> Option<u16> {
    Some(u16::from_le_bytes(bytes.get(at..at + 2)?.try_into().ok()?))
}

fn le32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_le_bytes(bytes.get(at..at + 4)?.try_into().ok()?))
}

/// Reads the header. The source is left anywhere.
pub(super) fn inspect<R: Read + Seek>(source: &mut R) -> Result<Wav> {
    let end = source.seek(SeekFrom::End(0))?;
    let (mut at, mut format, mut long_size, mut samples) = (12_u64, Vec::new(), None, None);
    for _ in 0..MAX_CHUNKS {
        source.seek(SeekFrom::Start(at))?;
        let mut head = [0; 8];
        if end.saturating_sub(at) < 8 || source.read_exact(&mut head).is_err() {
            break;
        }
        let size = u64::from(le32(&head, 4).unwrap_or(0));
        let mut body = Vec::new();
        match &head[..4] {
            b"fmt " | b"fact" | b"ds64" => {
                source.by_ref().take(size.min(256)).read_to_end(&mut body)?;
            }
            b"data" => {
                if format.is_empty() {
                    return Ok(Wav::Broken("the samples come before their description"));
                }
                let declared = if size == u64::from(u32::MAX) { long_size.unwrap_or(size) } else { size };
                return samples_at(source, &format, at + 8, end, declared, samples);
            }
            _ => {}
        }
        match &head[..4] {
            b"fmt " => format = body,
            b"fact" => samples = le32(&body, 0).map(u64::from),
            b"ds64" => long_size = le32(&body, 8).zip(le32(&body, 12)).map(|(a, b)| u64::from(a) | u64::from(b) << 32),
            _ => {}
        }
        at = at.saturating_add(8).saturating_add(size).saturating_add(size & 1);
    }
    Ok(Wav::Broken("it ends before the first sample"))
}

fn samples_at<R: Read + Seek>(
    source: &mut R,
    format: &[u8],
    start: u64,
    end: u64,
    size: u64,
    samples: Option<u64>,
) -> Result<Wav> {
    let rest = end.saturating_sub(start);
    let mut next = [0; 4];
    source.seek(SeekFrom::Start(start))?;
    let holds_more = source.read_exact(&mut next).is_ok() && ![b"LIST", b"id3 ", b"ID3 "].contains(&&next);
    // A length of zero before samples is a recorder that was interrupted; one before a list of names is a length.
    let declared = (size < PLACEHOLDER || size <= rest).then_some(size).filter(|size| *size > 0 || !holds_more);
    let declared = match declared {
        Some(size) if !ends_well(source, start, end, size)? => None,
        declared => declared,
    };
    let present = declared.unwrap_or(rest).min(rest);
    let (Some(tag), Some(channels), Some(rate), Some(block), Some(bits)) =
        (le16(format, 0), le16(format, 2), le32(format, 4), le16(format, 12), le16(format, 14))
    else {
        return Ok(Wav::Broken("the description of its samples is incomplete"));
    };
    let rate = agreed_rate(rate, le32(format, 8).unwrap_or(0), block);
    let (tag, valid) = match tag {
        0xFFFE => (le16(format, 24).unwrap_or(0), le16(format, 18).unwrap_or(bits)),
        tag => (tag, bits),
    };
    if channels == 0 || usize::from(channels) > MAX_CHANNELS || rate == 0 {
        return Ok(Wav::Broken("it claims an impossible number of channels or rate"));
    }
    let width = if block % channels == 0 { block / channels } else { 0 };
    let kind = match (tag, width) {
        (1, 1) => Kind::Unsigned,
        (1, 2..=4) if valid <= 8 * width => Kind::Signed,
        (3, 4 | 8) => Kind::Float,
        (1 | 3, _) => return Ok(Wav::Unknown(format!("{bits} bits in {width} bytes"), CONVERT)),
        (2 | 6 | 7 | 0x11, _) => {
            let known = u32::try_from(present).unwrap_or(u32::MAX);
            let patches = vec![(0, b"RIFF\xff\xff\xff\xff".to_vec()), (start - 4, known.to_le_bytes().to_vec())];
            let cut = declared.is_some_and(|declared| declared > present);
            return Ok(Wav::Coded { patches, samples: samples.filter(|_| tag == 2 || tag == 0x11), cut });
        }
        (0x31, _) => return Ok(Wav::Unknown("GSM (telephone speech)".into(), super::sniff::RECORD_BETTER)),
        (0x50 | 0x55, _) => return Ok(Wav::Unknown("MP3 inside a wav file".into(), CONVERT)),
        (0x160..=0x163, _) => return Ok(Wav::Unknown("Windows Media".into(), CONVERT)),
        (tag, _) => return Ok(Wav::Unknown(format!("wav coding {tag:#06x}"), CONVERT)),
    };
    Ok(Wav::Plain(Layout { rate, channels, kind, width, start, present, declared }))
}

/// Whether something that makes sense follows the samples: another chunk, or hardly anything.
fn ends_well<R: Read + Seek>(source: &mut R, start: u64, end: u64, size: u64) -> Result<bool> {
    let next = start + size + (size & 1);
    if next.saturating_add(MAX_TAIL) >= end {
        return Ok(true);
    }
    let mut head = [0; 8];
    source.seek(SeekFrom::Start(next))?;
    source.read_exact(&mut head)?;
    let chunk = u64::from(le32(&head, 4).unwrap_or(u32::MAX));
    Ok(head[..4].iter().all(|b| b.is_ascii_graphic() || *b == b' ') && next + 8 + chunk <= end)
}

/// The rate is said twice, by itself and as bytes a second: where they do not agree the one that recorders use is right.
fn agreed_rate(rate: u32, bytes_a_second: u32, block: u16) -> u32 {
    let other = bytes_a_second.checked_div(block.into()).filter(|other| other * u32::from(block) == bytes_a_second);
    match other {
        Some(other) if !USUAL_RATES.contains(&rate) && USUAL_RATES.contains(&other) => other,
        _ => rate,
    }
}

impl Layout {
    /// Samples per channel the header promises or, where it promises none, the file holds.
    pub(super) fn frames(&self) -> u64 {
        self.declared.unwrap_or(self.present) / self.block()
    }

    /// Samples per channel that the file holds.
    pub(super) fn there(&self) -> u64 {
        self.present / self.block()
    }

    /// Whether the file ends before the samples its header promises.
    pub(super) fn cut(&self) -> bool {
        self.declared.is_some_and(|declared| declared / self.block() > self.present / self.block())
    }

    /// Name of the coding.
    pub(super) fn coding(&self) -> String {
        let kind = if self.kind == Kind::Float { "float" } else { "integer" };
        format!("{} bit {kind}", 8 * self.width)
    }

    fn block(&self) -> u64 {
        u64::from(self.width) * u64::from(self.channels)
    }
}

/// The samples of a wav file, one piece after the other.
pub(super) struct PcmStream {
    source: Box<dyn Read + Send>,
    layout: Layout,
    left: u64,
    bytes: Vec<u8>,
}

impl PcmStream {
    /// Goes to the first sample.
    pub(super) fn new<R: Read + Seek + Send + 'static>(mut source: R, layout: Layout) -> Result<PcmStream> {
        source.seek(SeekFrom::Start(layout.start))?;
        Ok(PcmStream { source: Box::new(source), layout, left: layout.present, bytes: Vec::new() })
    }

    /// Appends the next interleaved samples; `false` at the end.
    pub(super) fn next(&mut self, out: &mut Vec<f32>) -> Result<bool> {
        let block = self.layout.block();
        let want = (PIECE as u64 * block).min(self.left / block * block);
        self.bytes.clear();
        self.source.by_ref().take(want).read_to_end(&mut self.bytes)?;
        let whole = self.bytes.len() - self.bytes.len() % usize::try_from(block).unwrap_or(usize::MAX);
        self.left = if (whole as u64) < want { 0 } else { self.left - want };
        let bytes = self.bytes.get(..whole).unwrap_or_default();
        // Full scale is one; the lowest integer is exactly -1.
        match (self.layout.kind, self.layout.width) {
            (Kind::Unsigned, _) => out.extend(bytes.iter().map(|b| (f32::from(*b) - 128.0) / 128.0)),
            (Kind::Signed, 2) => extend(out, bytes, |b: [u8; 2]| f32::from(i16::from_le_bytes(b)) / 32_768.0),
            (Kind::Signed, 3) => {
                extend(out, bytes, |b: [u8; 3]| i32::from_le_bytes([0, b[0], b[1], b[2]]) as f32 / 2_147_483_648.0);
            }
            (Kind::Signed, _) => extend(out, bytes, |b: [u8; 4]| i32::from_le_bytes(b) as f32 / 2_147_483_648.0),
            (Kind::Float, 8) => extend(out, bytes, |b: [u8; 8]| f64::from_le_bytes(b) as f32),
            (Kind::Float, _) => extend(out, bytes, f32::from_le_bytes),
        }
        Ok(whole > 0)
    }
}

fn extend<const N: usize>(out: &mut Vec<f32>, bytes: &[u8], sample: impl Fn([u8; N]) -> f32) {
    let (whole, _) = bytes.as_chunks::<N>();
    out.extend(whole.iter().map(|chunk| sample(*chunk)));
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Cursor;

    fn wav(tag: u16, channels: u16, bits: u16, extra: &[u8], data_len: u32, data: &[u8]) -> Vec<u8> {
        let block = channels * bits.div_ceil(8);
        let mut fmt: Vec<u8> = [tag, channels].iter().flat_map(|v| v.to_le_bytes()).collect();
        fmt.extend(44_100_u32.to_le_bytes());
        fmt.extend(0_u32.to_le_bytes());
        fmt.extend([block, bits].iter().flat_map(|v| v.to_le_bytes()));
        fmt.extend(extra);
        let mut all = b"RIFF\0\0\0\0WAVEfmt ".to_vec();
        all.extend((fmt.len() as u32).to_le_bytes());
        all.extend(fmt);
        all.extend(b"data");
        all.extend(data_len.to_le_bytes());
        all.extend(data);
        all
    }

    fn read(file: &[u8]) -> (Layout, Vec<f32>) {
        let Wav::Plain(layout) = inspect(&mut Cursor::new(file)).unwrap() else { panic!("not plain samples") };
        let mut stream = PcmStream::new(Cursor::new(file.to_vec()), layout).unwrap();
        let mut out = Vec::new();
        while stream.next(&mut out).unwrap() {}
        (layout, out)
    }

    #[test]
    fn every_width_gives_the_same_half_and_the_same_lowest_value() {
        let half = 0.5_f32;
        let cases: [(u16, u16, Vec<u8>); 6] = [
            (1, 8, vec![192, 0]),
            (1, 16, vec![0, 0x40, 0, 0x80]),
            (1, 24, vec![0, 0, 0x40, 0, 0, 0x80]),
            (1, 32, vec![0, 0, 0, 0x40, 0, 0, 0, 0x80]),
            (3, 32, [half.to_le_bytes(), (-1.0_f32).to_le_bytes()].concat()),
            (3, 64, [f64::from(half).to_le_bytes(), (-1.0_f64).to_le_bytes()].concat()),
        ];
        for (tag, bits, data) in cases {
            assert_eq!(read(&wav(tag, 1, bits, &[], data.len() as u32, &data)).1, [half, -1.0], "{bits} bits");
        }
    }

    #[test]
    fn lengths_left_wrong_by_a_recorder_are_put_right_and_a_cut_file_is_said_to_be_cut() {
        let data = [0, 0x40, 0, 0x20, 0, 0x10];
        for said in [0, 6, 0xFFFF_FFFF, 0x7FFF_F000] {
            let (layout, samples) = read(&wav(1, 1, 16, &[], said, &data));
            assert_eq!((samples.len(), layout.frames(), layout.cut()), (3, 3, false), "{said}");
        }
        let (layout, samples) = read(&wav(1, 1, 16, &[0; 4], 1000, &data));
        assert_eq!((samples.len(), layout.frames(), layout.cut()), (3, 500, true));
        let (layout, samples) = read(&wav(1, 1, 16, &[], 0, b"LIST\x04\0\0\0INFO"));
        assert_eq!((samples.len(), layout.frames()), (0, 0));
    }

    #[test]
    fn an_odd_byte_at_the_end_is_no_sample() {
        assert_eq!(read(&wav(1, 2, 16, &[], 0, &[0, 0x40, 0, 0x40, 9, 9, 9])).1, [0.5, 0.5]);
    }

    #[test]
    fn nonsense_headers_are_called_broken() {
        let broken = |file: &[u8]| matches!(inspect(&mut Cursor::new(file)).unwrap(), Wav::Broken(_));
        assert!(broken(&wav(1, 0, 16, &[], 4, &[0; 4])));
        assert!(broken(&wav(1, 20_000, 16, &[], 4, &[0; 4])));
        assert!(broken(b"RIFF\0\0\0\0WAVEdata\x04\0\0\0\0\0\0\0"));
        assert!(broken(b"RIFF\0\0\0\0WAVEjunk\xff\xff\xff\xff"));
        assert!(broken(b"RIFF\0\0\0\0WAVE"));
        let wide = wav(1, 3, 12, &[], 4, &[0; 4]);
        assert!(matches!(inspect(&mut Cursor::new(wide)).unwrap(), Wav::Plain(_)));
        assert!(matches!(inspect(&mut Cursor::new(wav(0x161, 2, 16, &[], 4, &[0; 4]))).unwrap(), Wav::Unknown(..)));
    }

    #[test]
    fn what_is_written_is_read_back_to_a_step() {
        let samples: Vec<f32> = (0..3000).map(|k| (k as f32 * 0.1).sin() * 1.2).collect();
        let bytes = crate::wav::wav(&samples, crate::units::EAR_RATE, "a note, odd").unwrap();
        let mut source =
            super::super::open_source(std::io::Cursor::new(bytes), std::path::Path::new("guide.wav")).unwrap();
        let (mut read, mut block) = (Vec::new(), Vec::new());
        while source.next_block(&mut block).unwrap() {
            read.extend_from_slice(&block);
        }
        assert_eq!(read.len(), samples.len());
        for (a, b) in read.iter().zip(&samples) {
            assert!((a - b.clamp(-1.0, 1.0)).abs() < 1.1 / 32_768.0, "{a} {b}");
        }
    }
}
