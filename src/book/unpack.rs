//! Zip archives and mails -> the recordings in them, within stated limits.
//!
//! Nothing is unpacked under a name of its own: names inside archives are words to recognise a pupil by, never paths. One
//! member at a time comes out, into the spool; a mail is held in memory while its attachments are taken out.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader, Read as _};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};

use mail_parser::{MessageParser, MimeHeaders as _};

use super::item::{
    Beside, Bytes, Item, Near, OPENED, beside, ends_in, is_calls, is_closed, is_plan, is_sound, made, of_drill,
};
use super::spool::{LARGEST_CARD, MAX_MEMBER, Spool, size};
use crate::files::Shown as _;

/// All recordings of an archive: a class of thirty, each ten minutes of film as phones make it (30 MB a minute).
pub(super) const MAX_ARCHIVE: u64 = 30 * 10 * 30_000_000;
/// An archive with more members than this is none of recordings: a file takes some hundred bytes of memory each.
const MAX_MEMBERS: usize = 100_000;
/// Largest mail: the great mail services take 25 MB, which coding makes 34.
const MAX_MAIL: usize = 40_000_000;
/// A line of a mail is read in pieces of so many bytes at most.
const PIECE: u64 = 1 << 16;

/// The recordings of a zip archive.
pub(super) fn archive(path: &Path, spool: &Spool, items: &mut Vec<Item>) -> Result<(), String> {
    let zip = spool.archives.open(path)?;
    let mut zip = zip.lock().unwrap_or_else(PoisonError::into_inner);
    if zip.len() > MAX_MEMBERS {
        return Err(format!("the zip holds {} files, and {MAX_MEMBERS} are the most", zip.len()));
    }
    // Whatever cannot be taken out later is told then, with its name.
    let mut members: Vec<(String, usize, Option<i64>)> = Vec::new();
    let (mut whole, mut closed) = (0u64, 0);
    for k in 0..zip.len() {
        let Ok(member) = zip.by_index_raw(k) else { continue };
        let Ok(name) = member.name().map(std::borrow::Cow::into_owned) else { continue };
        closed += usize::from(is_closed(&name) || ends_in(&name, &OPENED));
        if is_sound(&name) {
            whole = whole.saturating_add(member.size().min(MAX_MEMBER));
            members.push((name, k, member.last_modified().and_then(|t| local_s(&t))));
        }
    }
    if whole > MAX_ARCHIVE {
        return Err(format!(
            "unpacked its recordings would have {}, and {} are the most; unpack it yourself",
            size(whole),
            size(MAX_ARCHIVE)
        ));
    }
    members.sort();
    for (name, member, changed) in members {
        let parts: Vec<&str> = name.split(['/', '\\']).collect();
        items.push(Item {
            place: format!("{}: {name}", path.shown()),
            name: parts.last().map_or(String::new(), |n| (*n).to_owned()),
            folders: parts[..parts.len().saturating_sub(1)].iter().map(|n| (*n).to_owned()).collect(),
            taken_s: changed,
            near: Near::Archive(path.to_owned(), name.clone()),
            ..Item::of(Bytes::Member(path.to_owned(), member))
        });
    }
    inside(closed)
}

/// Archives inside an archive or a mail are told, and not opened.
fn inside(closed: usize) -> Result<(), String> {
    match closed {
        0 => Ok(()),
        1 => Err("an archive inside it was not opened; unpack it yourself".into()),
        n => Err(format!("{n} archives inside it were not opened; unpack them yourself")),
    }
}

/// A zip's time, which is that of the clock on the wall where it was packed.
fn local_s(t: &zip::DateTime) -> Option<i64> {
    let (month, day) = (t.month() as i8, t.day() as i8);
    let (h, m, s) = (t.hour() as i8, t.minute() as i8, t.second() as i8);
    let wall = jiff::civil::DateTime::new(t.year() as i16, month, day, h, m, s, 0).ok()?;
    // The year in which such times begin says that none was written.
    (wall.year() > 1980).then_some(())?;
    Some(wall.to_zoned_datetime(jiff::tz::TimeZone::system()).ok()?.timestamp().as_second())
}

/// The recordings that came with mails. `single`: the file is one mail.
pub(super) fn mailbox(path: &Path, single: bool, spool: &Spool, items: &mut Vec<Item>) -> Result<(), String> {
    let file = crate::files::ordinary(path).map_err(|e| e.to_string())?;
    let (mut number, mut large, mut closed, mut unkept) = (0, 0, 0, None);
    let spooled = std::cell::OnceCell::new();
    let result = mails(BufReader::new(file), single, |mail| {
        number += 1;
        match mail {
            None => large += 1,
            Some(raw) => {
                let kept = attached(path, number, raw, spool, &spooled, items);
                closed += kept.as_ref().copied().unwrap_or_default();
                unkept = unkept.take().or(kept.err());
            }
        }
    });
    result.map_err(|e| e.to_string())?;
    match (number, large, unkept) {
        (0, ..) => Err("the mailbox holds no mail".into()),
        (.., Some(error)) => Err(format!("what came with its mails cannot be kept for hearing: {error}")),
        (_, 0, _) => inside(closed),
        (_, 1, _) => Err(format!("one mail is larger than {} MB and was passed over", MAX_MAIL / 1_000_000)),
        (_, n, _) => Err(format!("{n} mails are larger than {} MB and were passed over", MAX_MAIL / 1_000_000)),
    }
}

/// Cuts a mailbox into mails (RFC 4155, with the quoting of `>From ` lines); of one that is too large nothing is given.
fn mails(mut from: impl BufRead, single: bool, mut each: impl FnMut(Option<&[u8]>)) -> std::io::Result<()> {
    let mut mail: Option<Vec<u8>> = single.then(Vec::new);
    let (mut fits, mut starts) = (true, true);
    let mut line = Vec::new();
    loop {
        line.clear();
        let n = from.by_ref().take(PIECE).read_until(b'\n', &mut line)?;
        let ends = n == 0 || !single && starts && line.starts_with(b"From ");
        if ends {
            if let Some(whole) = mail.take() {
                each(fits.then_some(&whole));
            }
            if n == 0 {
                return Ok(());
            }
            (mail, fits) = (Some(Vec::new()), true);
        } else if let Some(mail) = mail.as_mut() {
            let quoted = !single
                && starts
                && line.iter().position(|b| *b != b'>').is_some_and(|at| at > 0 && line[at..].starts_with(b"From "));
            fits &= mail.len() + line.len() <= MAX_MAIL;
            if fits {
                mail.extend_from_slice(line.get(usize::from(quoted)..).unwrap_or_default());
            } else {
                mail.clear();
            }
        }
        starts = line.ends_with(b"\n");
    }
}

type Spooled = std::cell::OnceCell<Arc<Mutex<File>>>;

/// How many archives came with it.
fn attached(
    path: &Path,
    number: usize,
    raw: &[u8],
    spool: &Spool,
    spooled: &Spooled,
    items: &mut Vec<Item>,
) -> std::io::Result<usize> {
    let Some(mail) = MessageParser::default().parse(raw) else { return Ok(0) };
    let sender = mail.from().and_then(|f| f.first()).and_then(|a| a.address()).unwrap_or_default().to_lowercase();
    let subject = mail.subject().unwrap_or_default().to_owned();
    let attached: BTreeMap<String, &[u8]> =
        mail.attachments().map(|a| (a.attachment_name().unwrap_or_default().to_owned(), a.contents())).collect();
    let sounds = mail
        .attachments()
        .map(|a| (a.attachment_name().unwrap_or_default(), a.contents()))
        .filter(|(name, _)| is_sound(name))
        .collect::<Vec<_>>();
    // One plan and one recording in a mail belong together, whatever they are called.
    let plans: Vec<&[u8]> =
        attached.iter().filter(|(n, b)| n.ends_with(".json") && is_plan(b)).map(|(_, b)| *b).collect();
    let alone = sounds.iter().filter(|(_, bytes)| !is_calls(&mut std::io::Cursor::new(bytes))).count() == 1;
    for (name, bytes) in sounds {
        let mut own = beside(name, |c| attached.get(c).filter(|b| b.len() as u64 <= LARGEST_CARD).map(|b| b.to_vec()));
        if let (true, [plan], None) = (alone, &plans[..], &own.card) {
            own = of_drill(plan);
        }
        let file = match spooled.get() {
            Some(file) => file,
            None => {
                let new = spool.file()?;
                spooled.get_or_init(|| new)
            }
        };
        let piece = Spool::put(file, &mut &*bytes, u64::MAX)?;
        let strikes = |n: &str| Some(Bytes::Spooled(Spool::put(file, &mut &**attached.get(n)?, u64::MAX).ok()?));
        let known = own.known(strikes);
        let Beside { card, drill, check, .. } = own;
        items.push(Item {
            place: format!("{}: mail {number}, {name}", path.shown()),
            name: name.to_owned(),
            sender: sender.clone(),
            subject: subject.clone(),
            taken_s: made(
                card.as_ref().and_then(|c| c.began.as_deref()),
                name,
                mail.date().map(mail_parser::DateTime::to_timestamp),
            ),
            card,
            drill,
            check,
            known,
            ..Item::of(Bytes::Spooled(piece))
        });
    }
    Ok(attached.keys().filter(|name| is_closed(name) || ends_in(name, &OPENED)).count())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Write as _;

    #[test]
    fn a_mailbox_is_cut_where_a_mail_begins_and_a_huge_mail_is_passed_over() {
        let cut = |text: &[u8]| {
            let mut out = Vec::new();
            mails(text, false, |m| out.push(m.map(|m| String::from_utf8_lossy(m).into_owned()))).unwrap();
            out
        };
        assert_eq!(
            cut(b"junk\nFrom a\nA: 1\n\n>From x\n>>From y\n> z\nFrom b\nB: 2\n"),
            [Some("A: 1\n\nFrom x\n>From y\n> z\n".into()), Some("B: 2\n".into())]
        );
        let long = [&b"From a\n"[..], &vec![b'x'; MAX_MAIL + 9], b"\nFrom b\nB: 2\n"].concat();
        assert_eq!(cut(&long), [None, Some("B: 2\n".into())]);
        let mut one = 0;
        mails(&b"A: 1\n\nFrom here on\n"[..], true, |m| one += m.map_or(0, <[u8]>::len)).unwrap();
        assert_eq!(one, 19);
    }

    #[test]
    fn archives_that_are_not_opened_are_told() {
        let place = tempfile::tempdir().unwrap();
        let spool = Spool::new(place.path());
        let zipped = place.path().join("class.zip");
        let mut zip = zip::ZipWriter::new(File::create(&zipped).unwrap());
        for name in ["Wren/take.wav", "Jay.zip", "more/Jay.7z", "notes.txt"] {
            zip.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        }
        zip.finish().unwrap();
        let mail = place.path().join("one.eml");
        let sent = "From: a@b\nMIME-Version: 1.0\nContent-Type: multipart/mixed; boundary=x\n\n--x\n\
                    Content-Type: application/zip; name=\"takes.zip\"\nContent-Disposition: attachment; filename=\"takes.zip\"\n\n\
                    PK\n--x--\n";
        std::fs::write(&mail, sent).unwrap();
        let rar = place.path().join("in").join("Wren.RAR");
        std::fs::create_dir(rar.parent().unwrap()).unwrap();
        std::fs::write(&rar, "Rar!").unwrap();
        let told = |path: &Path| {
            let (items, bad) = super::super::sources::collect(&[path.to_owned()], &spool);
            (items.len(), bad.into_iter().map(|b| b.why).collect::<Vec<_>>().join(" "))
        };
        assert_eq!(told(&zipped), (1, "2 archives inside it were not opened; unpack them yourself".into()));
        assert_eq!(told(&mail), (0, "an archive inside it was not opened; unpack it yourself".into()));
        for path in [rar.as_path(), rar.parent().unwrap()] {
            let (items, why) = told(path);
            assert!(items == 0 && why.contains("send a zip"), "{}: {why}", path.display());
        }
    }

    #[test]
    fn a_member_that_says_it_is_too_large_stays_in_its_archive() {
        let place = tempfile::tempdir().unwrap();
        let path = place.path().join("bomb.zip");
        let mut zip = zip::ZipWriter::new(File::create(&path).unwrap());
        let packed = zip::write::SimpleFileOptions::default();
        zip.start_file("Wren/take.wav", packed).unwrap();
        zip.write_all(&vec![0; 100_000]).unwrap();
        zip.finish().unwrap();
        let good = std::fs::read(&path).unwrap();
        let spool = Spool::new(place.path());
        let take = |bytes: &[u8]| {
            std::fs::write(&path, bytes).unwrap();
            spool.archives.close();
            let mut items = Vec::new();
            archive(&path, &spool, &mut items).unwrap();
            let out = items[0].at_hand(&spool).map_err(|e| e.to_string())?;
            let mut bytes = Vec::new();
            out.open().unwrap().read_to_end(&mut bytes).unwrap();
            Ok::<_, String>(bytes.len())
        };
        assert_eq!(take(&good), Ok(100_000));
        // Another length, in the member's own head and in the list at the end.
        let says = |n: u32| {
            let mut other = good.clone();
            let at = |sign: &[u8]| other.windows(4).position(|w| w == sign).unwrap();
            let (own, list) = (at(b"PK\x03\x04"), at(b"PK\x01\x02"));
            other[own + 22..own + 26].copy_from_slice(&n.to_le_bytes());
            other[list + 24..list + 28].copy_from_slice(&n.to_le_bytes());
            other
        };
        assert!(take(&says(4_000_000_000)).unwrap_err().contains("unpack it yourself"));
        assert!(take(&says(500)).is_err());
        assert!(take(&says(500_000)).is_err());
    }
}
