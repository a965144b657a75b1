//! What an mp4, m4a, mov or 3gp file says about its sound track, and which bytes to read differently.
//!
//! The demultiplexer we use ignores edit lists (its sound comes 1024 samples late from an ordinary m4a) and reads every
//! track of a film. So the `moov` box is read here as well: the sound track is chosen, its edit list becomes the
//! stretches of decoded sound to keep, and the other tracks are hidden behind [`Patch`]es.
//!
//! Source: ISO/IEC 14496-12 (boxes, edit lists 8.6.6, fragments 8.8); the `iTunSMPB` comment as written by Apple's
//! encoders (start padding, end padding, length; from memory, common practice) where there is no edit list.

use std::io::{Read, Result, Seek, SeekFrom};

use super::patched::Patch;
use super::sniff::{CONVERT, RECORD_BETTER, UNPROTECTED};

/// The most that is read of a `moov` box. An hour of film takes about 4 MB.
const MAX_MOOV: u64 = 64 << 20;
/// The most boxes looked at on the top level; an hour in fragments of a second has 7200.
const MAX_BOXES: usize = 100_000;
/// From this many entries on a table of sample durations is replaced by its first entry: the demultiplexer walks the
/// table for every packet, and the times in it are not used.
const MANY_DURATIONS: u32 = 64;

/// A stretch of the decoded sound, in units of the track's time scale.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Edit {
    pub(super) start: u64,
    /// `None`: to the end.
    pub(super) len: Option<u64>,
}

/// The sound track of a film or an m4a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct SoundTrack {
    pub(super) id: u32,
    /// Units a second in [`Edit`]s.
    pub(super) timescale: u32,
    /// What to keep of the decoded sound, in order; empty where the file does not say.
    pub(super) edits: Vec<Edit>,
    /// Start padding and length in samples, where only a comment says them.
    pub(super) padding: Option<(u64, u64)>,
    /// Channels by its sample entry.
    pub(super) channels: u16,
    /// Plain samples of more than two bytes stand low byte first (as far as the sample entry can say).
    pub(super) low_byte_first: bool,
    /// The file ends before its sound does.
    pub(super) cut: bool,
    /// What to read differently.
    pub(super) patches: Vec<Patch>,
}

/// Why there is nothing to hear.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Refusal {
    NoSoundTrack,
    Coding(String, &'static str),
    Broken(&'static str),
}

/// Whether a file beginning like this belongs to the family.
pub(super) fn is_film(head: &[u8]) -> bool {
    let kinds: [&[u8]; 6] = [b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"];
    head.get(4..8).is_some_and(|kind| kinds.contains(&kind))
}

/// Finds the sound track. The source is left anywhere.
pub(super) fn sound_track<R: Read + Seek>(source: &mut R) -> Result<std::result::Result<SoundTrack, Refusal>> {
    let top = match top_level(source)? {
        Ok(top) => top,
        Err(refusal) => return Ok(Err(refusal)),
    };
    let Some((moov, at)) = top.moov else {
        let reason = "its table of contents is missing, so it was cut off or the recorder was stopped too hard";
        return Ok(Err(Refusal::Broken(reason)));
    };
    if !top.has_brand {
        return Ok(Err(Refusal::Coding("an old QuickTime film".into(), CONVERT)));
    }
    Ok(choose(&moov, at).map(|mut track| {
        track.cut = top.overrun.is_some();
        track.patches.extend(top.overrun);
        track
    }))
}

/// What stands at the top level of a file.
#[derive(Default)]
struct TopLevel {
    /// The payload of the `moov` box and where it stands in the file.
    moov: Option<(Vec<u8>, u64)>,
    /// Whether there is an `ftyp` box.
    has_brand: bool,
    /// The length of a last box that claims to go on beyond the end of the file, put right.
    overrun: Option<Patch>,
}

fn top_level<R: Read + Seek>(source: &mut R) -> Result<std::result::Result<TopLevel, Refusal>> {
    let end = source.seek(SeekFrom::End(0))?;
    let (mut at, mut top) = (0_u64, TopLevel::default());
    for _ in 0..MAX_BOXES {
        let mut head = [0; 16];
        source.seek(SeekFrom::Start(at))?;
        if end.saturating_sub(at) < 8 || source.read_exact(&mut head[..8]).is_err() {
            break;
        }
        let kind = [head[4], head[5], head[6], head[7]];
        let (header, size) = match be32(&head, 0).unwrap_or(0) {
            0 => (8, end - at),
            1 if source.read_exact(&mut head[8..]).is_ok() => (16, be64(&head, 8).unwrap_or(0)),
            1 => break,
            size => (8, u64::from(size)),
        };
        if size < header {
            return Ok(Err(Refusal::Broken("a box is shorter than its own header")));
        }
        let overruns = at.checked_add(size).is_none_or(|next| next > end);
        match &kind {
            b"ftyp" => top.has_brand = true,
            b"moov" if overruns => return Ok(Err(Refusal::Broken("it ends inside its table of contents"))),
            b"moov" if size > MAX_MOOV => {
                return Ok(Err(Refusal::Broken("its table of contents is impossibly large")));
            }
            b"moov" => {
                let mut moov = Vec::new();
                source.by_ref().take(size - header).read_to_end(&mut moov)?;
                top.moov = Some((moov, at + header));
            }
            _ => {}
        }
        if overruns {
            // A length of zero means: to the end of the file.
            top.overrun = (kind == *b"mdat").then(|| (at, vec![0; 4]));
            break;
        }
        at += size;
    }
    Ok(Ok(top))
}

/// One box inside another.
#[derive(Clone, Copy)]
struct Inner<'a> {
    kind: [u8; 4],
    body: &'a [u8],
    /// Where `body` starts in the file.
    at: u64,
    /// Where the four letters of its kind stand in the file.
    kind_at: u64,
}

/// The boxes laid end to end in `bytes`, which starts at `at` in the file. Ends early at nonsense.
fn boxes(bytes: &[u8], at: u64) -> impl Iterator<Item = Inner<'_>> {
    let mut rest = 0;
    std::iter::from_fn(move || {
        let head = bytes.get(rest..)?;
        let kind: [u8; 4] = head.get(4..8)?.try_into().ok()?;
        let (header, size) = match be32(head, 0)? {
            0 => (8, head.len()),
            1 => (16, usize::try_from(be64(head, 8)?).ok()?),
            size => (8, size as usize),
        };
        let body = head.get(header..size.min(head.len()))?;
        let found = Inner { kind, body, at: at + (rest + header) as u64, kind_at: at + rest as u64 + 4 };
        rest = rest.checked_add(size.max(8))?;
        Some(found)
    })
}

fn find<'a>(of: Inner<'a>, path: &[&[u8; 4]]) -> Option<Inner<'a>> {
    path.iter().try_fold(of, |outer, kind| boxes(outer.body, outer.at).find(|inner| inner.kind == **kind))
}

fn be32(bytes: &[u8], at: usize) -> Option<u32> {
    Some(u32::from_be_bytes(bytes.get(at..at.checked_add(4)?)?.try_into().ok()?))
}

fn be64(bytes: &[u8], at: usize) -> Option<u64> {
    Some(u64::from_be_bytes(bytes.get(at..at.checked_add(8)?)?.try_into().ok()?))
}

fn choose(moov: &[u8], at: u64) -> std::result::Result<SoundTrack, Refusal> {
    let traks: Vec<Inner<'_>> = boxes(moov, at).filter(|inner| inner.kind == *b"trak").collect();
    let mut best: Option<(u8, Inner<'_>)> = None;
    let mut refusal = Refusal::NoSoundTrack;
    for trak in traks.iter().copied() {
        if find(trak, &[b"mdia", b"hdlr"]).and_then(|hdlr| hdlr.body.get(8..12)) != Some(b"soun") {
            continue;
        }
        let coding = find(trak, &[b"mdia", b"minf", b"stbl", b"stsd"]).and_then(|stsd| stsd.body.get(12..16));
        match coding.and_then(undecodable) {
            Some((name, way_out)) => refusal = Refusal::Coding(name, way_out),
            None => {
                let enabled = find(trak, &[b"tkhd"]).and_then(|tkhd| tkhd.body.get(3).copied()).unwrap_or(1) & 1;
                if best.as_ref().is_none_or(|(rank, _)| enabled > *rank) {
                    best = Some((enabled, trak));
                }
            }
        }
    }
    let Some((_, trak)) = best else { return Err(refusal) };
    describe(moov, at, &traks, trak).ok_or(Refusal::Broken("the description of its sound track is incomplete"))
}

fn describe(moov: &[u8], at: u64, traks: &[Inner<'_>], trak: Inner<'_>) -> Option<SoundTrack> {
    let id = track_id(trak)?;
    let mdhd = find(trak, &[b"mdia", b"mdhd"])?.body;
    let timescale = be32(mdhd, if mdhd.first() == Some(&1) { 20 } else { 12 })?;
    let mvhd = boxes(moov, at).find(|inner| inner.kind == *b"mvhd")?.body;
    let film_scale = be32(mvhd, if mvhd.first() == Some(&1) { 20 } else { 12 })?;
    if timescale == 0 || film_scale == 0 {
        return None;
    }
    let edits = find(trak, &[b"edts", b"elst"]).map(|elst| edits(elst.body, timescale, film_scale)).unwrap_or_default();

    let hide = |inner: Inner<'_>| (inner.kind_at, b"free".to_vec());
    let mut patches: Vec<Patch> =
        traks.iter().filter(|other| other.kind_at != trak.kind_at).map(|other| hide(*other)).collect();
    for inner in boxes(moov, at) {
        match &inner.kind {
            b"mvex" => patches.extend(
                boxes(inner.body, inner.at).filter(|x| x.kind == *b"trex" && be32(x.body, 4) != Some(id)).map(hide),
            ),
            // Names and pictures are of no use here.
            b"udta" | b"meta" => patches.push(hide(inner)),
            _ => {}
        }
    }
    let stbl = find(trak, &[b"mdia", b"minf", b"stbl"]);
    let pieces = stbl.and_then(|stbl| find(stbl, &[b"stsz"])).map(pieces);
    patches.extend(pieces.iter().flat_map(|(_, patch)| patch.clone()));
    if let Some(stts) = stbl.and_then(|stbl| find(stbl, &[b"stts"])) {
        patches.extend(one_duration(stts, pieces.map_or(0, |(count, _)| count)));
    }
    let entry =
        find(trak, &[b"mdia", b"minf", b"stbl", b"stsd"]).and_then(|stsd| stsd.body.get(8..)).unwrap_or_default();
    let channels = entry.get(24..26).map_or(0, |n| u16::from_be_bytes([n[0], n[1]]));
    // QuickTime File Format: `in24`, `in32`, `fl32` and `fl64` are high byte first unless an `enda` atom says 1. The
    // newer `lpcm` carries its own flag, which the demultiplexer heeds.
    let endian = entry.windows(4).position(|w| w == b"enda").and_then(|at| entry.get(at + 4..at + 6));
    let old = [&b"in24"[..], b"in32", b"fl32", b"fl64"].contains(&entry.get(4..8).unwrap_or_default());
    let low_byte_first = !old || endian == Some(&[0, 1]);
    let padding = if edits.is_empty() { padding(moov) } else { None };
    Some(SoundTrack { id, timescale, edits, padding, channels, low_byte_first, cut: false, patches })
}

fn track_id(trak: Inner<'_>) -> Option<u32> {
    let tkhd = find(trak, &[b"tkhd"])?.body;
    be32(tkhd, if tkhd.first() == Some(&1) { 20 } else { 12 })
}

/// The stretches of the track that are shown, in order, without the empty ones.
fn edits(elst: &[u8], timescale: u32, film_scale: u32) -> Vec<Edit> {
    let wide = elst.first() == Some(&1);
    let size = if wide { 20 } else { 12 };
    let count = be32(elst, 4).unwrap_or(0) as usize;
    let entries = elst.get(8..).unwrap_or_default().chunks_exact(size).take(count);
    entries
        .filter_map(|entry| {
            let (shown, start) = if wide {
                (be64(entry, 0)?, be64(entry, 8)?.cast_signed())
            } else {
                (u64::from(be32(entry, 0)?), i64::from(be32(entry, 4)?.cast_signed()))
            };
            let start = u64::try_from(start).ok()?;
            // Rounded up by one unit of the film's clock, which is often only a millisecond: better a little silence
            // too much at the end than a stroke cut short.
            let len = u128::from(shown + 1).checked_mul(u128::from(timescale))?.div_ceil(u128::from(film_scale));
            Some(Edit { start, len: (shown > 0).then(|| u64::try_from(len).ok()).flatten() })
        })
        .collect()
}

/// Start padding and length from the comment `iTunSMPB`: four hexadecimal numbers, the second and fourth of which count.
fn padding(moov: &[u8]) -> Option<(u64, u64)> {
    let after = |bytes: &'static [u8], from: usize| {
        moov.get(from..)?.windows(bytes.len()).position(|w| w == bytes).map(|at| from + at + bytes.len())
    };
    let value = after(b"data", after(b"iTunSMPB", 0)?)? + 8;
    let text = moov.get(value..)?;
    let text = text.get(..text.len().min(64))?;
    let words: Vec<u64> = text
        .split(|b| !b.is_ascii_hexdigit())
        .filter(|word| !word.is_empty())
        .map_while(|word| u64::from_str_radix(std::str::from_utf8(word).ok()?, 16).ok())
        .collect();
    Some((*words.get(1)?, *words.get(3)?))
}

/// How many pieces of sound there are by the table of their sizes, and that number put right if the table is longer or
/// shorter than it says.
fn pieces(stsz: Inner<'_>) -> (u32, Option<Patch>) {
    let said = be32(stsz.body, 8).unwrap_or(0);
    let each = be32(stsz.body, 4).unwrap_or(0);
    let listed = u32::try_from(stsz.body.len().saturating_sub(12) / 4).unwrap_or(u32::MAX);
    if each == 0 && said != listed {
        (listed, Some((stsz.at + 8, listed.to_be_bytes().to_vec())))
    } else {
        (said, None)
    }
}

/// Makes one entry, good for all pieces, of a long table of durations, and of one that does not speak of all pieces.
fn one_duration(stts: Inner<'_>, pieces: u32) -> Option<Patch> {
    let count = be32(stts.body, 4)?;
    let entries = stts.body.get(8..)?.as_chunks::<8>().0.iter().take(count as usize);
    let samples = entries.map(|entry| be32(entry, 0).unwrap_or(0)).fold(0_u32, u32::saturating_add);
    // A film in fragments says all this elsewhere.
    let all = if pieces > 0 { pieces } else { samples };
    if count <= MANY_DURATIONS && samples == all || stts.body.len() < 16 {
        return None;
    }
    let mut bytes = 1_u32.to_be_bytes().to_vec();
    bytes.extend(all.to_be_bytes());
    Some((stts.at + 4, bytes))
}

/// The name of a coding that cannot be decoded, by the four letters of its sample entry, and the way out.
fn undecodable(fourcc: &[u8]) -> Option<(String, &'static str)> {
    let decodable: [&[u8]; 16] = [
        b"mp4a", b"alac", b"Opus", b"fLaC", b".mp3", b"lpcm", b"sowt", b"twos", b"in24", b"in32", b"fl32", b"fl64",
        b"raw ", b"ulaw", b"alaw", b"wave",
    ];
    if decodable.contains(&fourcc) {
        return None;
    }
    let (name, way_out) = match fourcc {
        b"samr" => ("AMR (telephone speech)", RECORD_BETTER),
        b"sawb" | b"sawp" => ("AMR-WB (telephone speech)", RECORD_BETTER),
        b"sevc" | b"sqcp" | b"Qclp" => ("telephone speech", RECORD_BETTER),
        b"enca" | b"drms" => ("a copy-protected track", UNPROTECTED),
        b"ac-3" => ("AC-3", CONVERT),
        b"ec-3" => ("E-AC-3", CONVERT),
        b"ac-4" => ("AC-4", CONVERT),
        b"dtsc" | b"dtsh" | b"dtsl" | b"dtse" => ("DTS", CONVERT),
        b"mhm1" | b"mha1" => ("MPEG-H", CONVERT),
        b"ima4" => ("IMA ADPCM", CONVERT),
        other => return Some((format!("`{}`", other.escape_ascii()), CONVERT)),
    };
    Some((name.to_owned(), way_out))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn boxed(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
        let mut all = (body.len() as u32 + 8).to_be_bytes().to_vec();
        all.extend(kind);
        all.extend(body);
        all
    }

    fn words(values: &[u32]) -> Vec<u8> {
        values.iter().flat_map(|v| v.to_be_bytes()).collect()
    }

    fn trak(id: u32, handler: &[u8; 4], coding: &[u8; 4], elst: &[u32]) -> Vec<u8> {
        let stsd = boxed(b"stsd", &[words(&[0, 1]), boxed(coding, &[0; 28])].concat());
        let stts = boxed(b"stts", &words(&[0, 1, 10, 1024]));
        let minf = boxed(b"minf", &boxed(b"stbl", &[stsd, stts].concat()));
        let hdlr = boxed(b"hdlr", &[&[0; 8], &handler[..], &[0; 13]].concat());
        let mdhd = boxed(b"mdhd", &words(&[0, 0, 0, 48_000, 0, 0]));
        let edts = boxed(b"edts", &boxed(b"elst", &words(elst)));
        let tkhd = boxed(b"tkhd", &words(&[1, 0, 0, id, 0]));
        boxed(b"trak", &[tkhd, edts, boxed(b"mdia", &[mdhd, hdlr, minf].concat())].concat())
    }

    fn film(traks: &[Vec<u8>]) -> Vec<u8> {
        let mvhd = boxed(b"mvhd", &words(&[0, 0, 0, 1000, 0]));
        let moov = boxed(b"moov", &[mvhd, traks.concat()].concat());
        [boxed(b"ftyp", b"qt  \0\0\0\0"), boxed(b"mdat", &[7; 100]), moov].concat()
    }

    fn found(file: &[u8]) -> std::result::Result<SoundTrack, Refusal> {
        sound_track(&mut std::io::Cursor::new(file)).unwrap()
    }

    #[test]
    fn the_edit_list_says_what_to_keep_and_empty_edits_are_passed_over() {
        let elst = [0, 3, 500, u32::MAX, 0x10000, 2000, 2112, 0x10000, 0, 200_000, 0x10000];
        let got = found(&film(&[trak(4, b"soun", b"mp4a", &elst)])).unwrap();
        // 2000 film units of a millisecond, and one for rounding, at 48 samples each.
        assert_eq!(got.edits, [Edit { start: 2112, len: Some(2001 * 48) }, Edit { start: 200_000, len: None }]);
        assert_eq!((got.id, got.timescale), (4, 48_000));
    }

    #[test]
    fn the_sound_track_is_taken_and_the_others_are_hidden() {
        let none = [0, 0];
        let file = film(&[
            trak(1, b"vide", b"avc1", &none),
            trak(2, b"soun", b"apac", &none),
            trak(3, b"soun", b"mp4a", &none),
            trak(4, b"meta", b"mebx", &none),
        ]);
        let got = found(&file).unwrap();
        assert_eq!(got.id, 3);
        let hidden: Vec<&[u8]> = got.patches.iter().map(|(at, _)| &file[*at as usize..*at as usize + 4]).collect();
        assert_eq!(hidden, [b"trak"; 3]);
    }

    #[test]
    fn a_film_without_sound_and_telephone_speech_are_refused_by_name() {
        assert_eq!(found(&film(&[trak(1, b"vide", b"avc1", &[0, 0])])), Err(Refusal::NoSoundTrack));
        assert!(matches!(found(&film(&[trak(1, b"soun", b"samr", &[0, 0])])),
            Err(Refusal::Coding(name, way)) if name.starts_with("AMR") && way == RECORD_BETTER));
        let mut cut = film(&[trak(1, b"soun", b"mp4a", &[0, 0])]);
        cut.truncate(cut.len() - 20);
        assert!(matches!(found(&cut), Err(Refusal::Broken(_))));
    }

    #[test]
    fn a_long_table_of_durations_becomes_one_entry_for_all_samples() {
        let entries: Vec<u32> = (0..100).flat_map(|k| [2, 1024 + k % 2]).collect();
        let body = [words(&[0, 100]), words(&entries)].concat();
        let stts = |body| Inner { kind: *b"stts", body, at: 1000, kind_at: 996 };
        assert_eq!(one_duration(stts(&body), 0), Some((1004, words(&[1, 200]))));
        let (all, few) = (words(&[0, 1, 200, 1024]), words(&[0, 1, 136, 1024]));
        assert_eq!(one_duration(stts(&all), 200), None);
        // A table of durations that speaks of fewer pieces than there are would end the take early.
        assert_eq!(one_duration(stts(&few), 200), Some((1004, words(&[1, 200]))));
    }

    #[test]
    fn padding_is_read_from_the_comment_where_there_is_no_edit_list() {
        let comment = b"\0\0\0\x1cname\0\0\0\0iTunSMPB\0\0\0\x84data\0\0\0\x01\0\0\0\0 00000000 00000840 0000037C 00000000000ABCDE 00000000";
        assert_eq!(padding(comment), Some((0x840, 0xABCDE)));
    }
}
