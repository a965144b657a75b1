//! Folder, zip, mailbox, single files -> recordings, each with what is known of where it came from.
//!
//! In: paths. Out: [`Item`]s in a fixed order (by place), so that two runs see the same. Nothing is unpacked to disk:
//! names inside archives are words to recognise a pupil by, never paths. Links in folders are followed. A card or the plan of
//! a drill is found by its name beside the recording; in a mail also where it comes with one recording alone.
//!
//! Limits: archives inside archives are not opened; a member of an archive is held in memory while it is heard.

use std::io::{BufRead as _, BufReader, Read as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};

use mail_parser::{MessageParser, MimeHeaders as _};
use sha2::{Digest as _, Sha256};

use crate::audio;
use crate::drill;
use crate::part::Surface;
use crate::surface::Calibration;
use crate::take::{Card, KeptCheck, KnownStrikes, STRIKES_NOTE, began_s};

/// Endings of recordings. What is in a file decides in the end; what ends otherwise is passed over in folders.
const ENDINGS: [&str; 19] = [
    "wav", "flac", "mp3", "ogg", "oga", "opus", "m4a", "mov", "mp4", "m4v", "webm", "mkv", "aac", "aif", "aiff", "caf",
    "3gp", "3g2", "weba",
];
/// A member of an archive larger than this is no take: an hour of film as phones make it.
const LARGEST: u64 = 2 << 30;

/// A card or a plan beside a recording is read so far; they have some ten thousand bytes.
const LARGEST_CARD: u64 = 1 << 20;

/// Where the bytes are.
#[derive(Clone, Debug)]
pub enum Bytes {
    /// A file.
    File(PathBuf),
    /// Member of a zip archive.
    Member(Arc<Mutex<zip::ZipArchive<BufReader<std::fs::File>>>>, usize),
    /// An attachment.
    Held(Arc<Vec<u8>>),
}

impl Bytes {
    /// All of them, up to `most`.
    ///
    /// # Errors
    /// If they cannot be read.
    fn read(&self, most: u64) -> std::io::Result<Vec<u8>> {
        let mut out = Vec::new();
        match self {
            Bytes::File(path) => std::fs::File::open(path)?.take(most).read_to_end(&mut out)?,
            Bytes::Held(bytes) => bytes.as_slice().take(most).read_to_end(&mut out)?,
            Bytes::Member(archive, index) => {
                let mut archive = archive.lock().map_err(|_| std::io::Error::other("the archive was lost"))?;
                let member = archive.by_index(*index).map_err(std::io::Error::other)?;
                member.take(most).read_to_end(&mut out)?
            }
        };
        Ok(out)
    }
}

/// How this pupil's surfaces sound, where a sound check has said so.
#[derive(Clone, Debug, Default)]
pub enum Known {
    /// Nothing is known.
    #[default]
    Nothing,
    /// The recording of the check's strikes, its name, and the surfaces struck in it.
    Recorded(Bytes, String, Vec<Surface>),
    /// The strikes as they were heard.
    Heard(Calibration),
}

/// A recording.
#[derive(Clone, Debug)]
pub struct Item {
    /// Where it came from, to be shown.
    pub place: String,
    /// Its own name.
    pub name: String,
    /// The folders it lies in, outermost first.
    pub folders: Vec<String>,
    /// The address it was sent from; empty when it was not mail.
    pub sender: String,
    /// What the subject of the mail says.
    pub subject: String,
    /// When it was made or sent, seconds since 1970, as far as known.
    pub taken_s: Option<i64>,
    /// Its card, of a take or of a drill.
    pub card: Option<Card>,
    /// The card or the plan of the drill that it is a recording of, as it is written: nothing in it has been checked.
    pub drill: Option<String>,
    /// A sound check stands beside it: it is the recording of that.
    pub check: bool,
    /// How the pupil's surfaces sound, by the sound check on its card.
    pub known: Known,
    /// Its bytes.
    pub bytes: Bytes,
}

impl Item {
    /// All bytes.
    ///
    /// # Errors
    /// If they cannot be read.
    pub fn read(&self) -> std::io::Result<Vec<u8>> {
        match &self.bytes {
            // A file may be as long as the disk holds.
            Bytes::File(path) => std::fs::read(path),
            Bytes::Held(_) | Bytes::Member(..) => self.bytes.read(LARGEST),
        }
    }

    /// How the pupil's surfaces sound, as recorded: the bytes and what they are called.
    ///
    /// # Errors
    /// If they cannot be read.
    pub(super) fn known_recording(bytes: &Bytes) -> std::io::Result<Vec<u8>> {
        bytes.read(LARGEST)
    }

    /// Ending of the name, in small letters and digits only.
    pub fn ending(&self) -> String {
        let ending = Path::new(&self.name).extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        if ENDINGS.contains(&ending.as_str()) { ending } else { "sound".into() }
    }
}

/// A path that could not be looked into.
#[derive(Debug)]
pub struct Unreadable {
    /// Which.
    pub place: String,
    /// Why.
    pub why: String,
}

fn is_sound(name: &str) -> bool {
    let ending = Path::new(name).extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    // What a system hides (`._take.m4a`) is no recording.
    ENDINGS.contains(&ending.as_str()) && !name.rsplit(['/', '\\']).next().is_some_and(|n| n.starts_with('.'))
}

/// Names beside a recording: with another ending in place of its own, and after its own.
fn names_beside(name: &str, ending: &str) -> [String; 2] {
    let stem = Path::new(name).with_extension("").to_string_lossy().into_owned();
    [format!("{stem}.{ending}"), format!("{name}.{ending}")]
}

/// What is known of a recording from the files beside it.
#[derive(Default)]
struct Beside {
    card: Option<Card>,
    drill: Option<String>,
    check: bool,
    known: Known,
}

/// What stands beside a recording; `find` gives what a name beside it stands for. The card of `drill play` first, then that
/// of `take`, then the plan that `drill make` wrote beside its guide, then a sound check.
fn beside(name: &str, find: impl Fn(&str) -> Option<Bytes>) -> Beside {
    let read = |ending: &str| {
        let names = names_beside(name, ending);
        names.iter().find_map(|n| find(n)?.read(LARGEST_CARD).ok())
    };
    if let Some(bytes) = read("drill.json") {
        return of_drill(&bytes);
    }
    if let Some(bytes) = read("take.json") {
        let Ok(card) = Card::parse(&bytes) else { return Beside::default() };
        let known = card.sound_check.as_ref().and_then(|check| check.strikes()?.ok());
        let known = known.and_then(|KnownStrikes { recording, surfaces }| {
            let recording = Path::new(name).with_file_name(recording).to_string_lossy().into_owned();
            Some(Known::Recorded(find(&recording)?, recording, surfaces))
        });
        return Beside { card: Some(card.kept()), known: known.unwrap_or_default(), ..Beside::default() };
    }
    match read("json") {
        Some(bytes) if is_plan(&bytes) => of_drill(&bytes),
        Some(bytes) => Beside { check: KeptCheck::is_one(&bytes), ..Beside::default() },
        None => Beside::default(),
    }
}

fn is_plan(bytes: &[u8]) -> bool {
    drill::is_plan(&String::from_utf8_lossy(bytes))
}

fn of_drill(bytes: &[u8]) -> Beside {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
    let words = |at: &serde_json::Value| at.as_str().map(str::to_owned);
    let card = Card { pupil: words(&json["pupil"]), began: words(&json["recording"]["began"]), ..Card::default() };
    Beside { card: Some(card), drill: Some(text), ..Beside::default() }
}

/// Whether a sound is the calls of a drill as `drill make` wrote them: such a file holds its own plan.
fn is_calls(bytes: &[u8]) -> bool {
    audio::note(bytes).is_some_and(drill::is_plan)
}

/// What a recording is that nobody plays a part or answers a drill in, in words.
pub(super) fn no_take(item: &Item, bytes: &[u8]) -> Option<&'static str> {
    if is_calls(bytes) {
        return Some("the calls of a drill and nobody’s answer");
    }
    (item.check || audio::note(bytes) == Some(STRIKES_NOTE)).then_some("a sound check")
}

/// The day in a file's name, as phones write it: `VID_20261104.mov`, `2026-11-04 15.02.mp4`.
fn day_in(name: &str) -> Option<jiff::civil::Date> {
    let digits = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    let bytes = name.as_bytes();
    let edge = |k: Option<usize>| k.and_then(|k| bytes.get(k)).is_none_or(|b| !b.is_ascii_digit());
    (0..bytes.len()).find_map(|from| {
        let plain = name.get(from..from + 8).filter(|t| digits(t)).map(|t| (t[..4].to_owned(), &t[4..6], &t[6..], 8));
        let parted = || {
            let t = name.get(from..from + 10)?;
            let (y, m, d) = (t.get(..4)?, t.get(5..7)?, t.get(8..)?);
            let sign = t.as_bytes()[4];
            let same = matches!(sign, b'-' | b'_' | b'.') && t.as_bytes()[7] == sign;
            (same && digits(y) && digits(m) && digits(d)).then(|| (y.to_owned(), m, d, 10))
        };
        let (y, m, d, long) = plain.or_else(parted)?;
        if !edge(from.checked_sub(1)) || !edge(Some(from + long)) {
            return None;
        }
        let date = jiff::civil::Date::new(y.parse().ok()?, m.parse().ok()?, d.parse().ok()?).ok()?;
        (2000..2100).contains(&date.year()).then_some(date)
    })
}

/// When a recording was made, as far as known: by its card, else on the day in its name, else when the file was written
/// or sent. The hour is the file's where it is of that day, noon otherwise.
fn made(began: Option<&str>, name: &str, file: Option<i64>) -> Option<i64> {
    let zone = jiff::tz::TimeZone::system();
    began.and_then(began_s).or_else(|| {
        let Some(day) = day_in(name) else { return file };
        let of_day =
            |at: &i64| jiff::Timestamp::from_second(*at).is_ok_and(|t| t.to_zoned_datetime(zone.clone()).date() == day);
        file.filter(of_day)
            .or_else(|| Some(day.at(12, 0, 0, 0).to_zoned_datetime(zone.clone()).ok()?.timestamp().as_second()))
    })
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

/// Everything to be heard in these places. Files named one by one are taken whatever their ending.
pub fn collect(paths: &[PathBuf]) -> (Vec<Item>, Vec<Unreadable>) {
    let (mut items, mut bad) = (Vec::new(), Vec::new());
    for path in paths {
        let fail = |why: String| Unreadable { place: path.display().to_string(), why };
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        let result = match ending.as_str() {
            _ if path.is_dir() => {
                folder(path, &mut items, &mut bad);
                Ok(())
            }
            _ if !path.exists() => Err("there is no such file or folder".into()),
            "zip" => archive(path, &mut items),
            "mbox" | "mbx" | "eml" => mailbox(path, ending == "eml", &mut items),
            _ => {
                items.push(file(path, path.parent().unwrap_or(Path::new(""))));
                Ok(())
            }
        };
        bad.extend(result.err().map(fail));
    }
    (items, bad)
}

/// When a file was last changed, in seconds since 1970, if that is known.
pub fn changed_s(path: &Path) -> Option<i64> {
    let changed = std::fs::metadata(path).and_then(|m| m.modified()).ok()?;
    changed.duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs() as i64)
}

/// When a recording was made, in seconds since 1970, as far as known. `began`: as its card says.
pub fn made_s(began: Option<&str>, path: &Path) -> Option<i64> {
    made(began, &path.file_name().unwrap_or_default().to_string_lossy(), changed_s(path))
}

/// SHA-256 of a file, read piece by piece.
///
/// # Errors
/// If it cannot be read.
pub fn sha256_of(path: &Path) -> std::io::Result<Vec<u8>> {
    let mut hash = Sha256::new();
    let mut file = BufReader::new(std::fs::File::open(path)?);
    loop {
        let piece = file.fill_buf()?;
        if piece.is_empty() {
            return Ok(hash.finalize().to_vec());
        }
        let n = piece.len();
        hash.update(piece);
        file.consume(n);
    }
}

fn file(path: &Path, below: &Path) -> Item {
    let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let inside = path.strip_prefix(below).unwrap_or(path).parent().unwrap_or(Path::new(""));
    let root = below.file_name().map(|n| n.to_string_lossy().into_owned());
    let folders = root.into_iter().chain(inside.iter().map(|c| c.to_string_lossy().into_owned())).collect();
    let here = |n: &str| Some(path.with_file_name(n)).filter(|p| p.is_file()).map(Bytes::File);
    let Beside { card, drill, check, known } = beside(&name, here);
    Item {
        place: path.display().to_string(),
        taken_s: made_s(card.as_ref().and_then(|c| c.began.as_deref()), path),
        name,
        folders,
        sender: String::new(),
        subject: String::new(),
        card,
        drill,
        check,
        known,
        bytes: Bytes::File(path.to_owned()),
    }
}

fn folder(root: &Path, items: &mut Vec<Item>, bad: &mut Vec<Unreadable>) {
    // Links are followed: shared folders are often made of them.
    for entry in walkdir::WalkDir::new(root).follow_links(true).sort_by_file_name() {
        match entry {
            Ok(entry) if entry.file_type().is_file() => {
                let path = entry.path();
                let name = entry.file_name().to_string_lossy();
                let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
                let fail = |why: String| Unreadable { place: path.display().to_string(), why };
                if is_sound(&name) {
                    items.push(file(path, root));
                } else if ending == "zip" {
                    bad.extend(archive(path, items).err().map(fail));
                } else if matches!(ending.as_str(), "mbox" | "mbx" | "eml") {
                    bad.extend(mailbox(path, ending == "eml", items).err().map(fail));
                }
            }
            Ok(_) => {}
            // A link back to a folder it lies in: all of that is looked at anyway.
            Err(error) if error.loop_ancestor().is_some() => {}
            Err(error) => bad
                .push(Unreadable { place: error.path().unwrap_or(root).display().to_string(), why: error.to_string() }),
        }
    }
}

fn archive(path: &Path, items: &mut Vec<Item>) -> Result<(), String> {
    let file = std::fs::File::open(path).map_err(|e| e.to_string())?;
    let mut archive = zip::ZipArchive::new(BufReader::new(file)).map_err(|e| format!("the zip is damaged: {e}"))?;
    // Whatever cannot be taken out later is told then, with its name.
    let names: Vec<(usize, String, Option<i64>)> = (0..archive.len())
        .filter_map(|k| {
            let member = archive.by_index_raw(k).ok()?;
            let changed = member.last_modified().and_then(|t| local_s(&t));
            Some((k, member.name().ok()?.into_owned(), changed))
        })
        .collect();
    let shared = Arc::new(Mutex::new(archive));
    let mut members: Vec<_> = names.iter().filter(|(_, n, _)| is_sound(n)).collect();
    members.sort_by(|a, b| a.1.cmp(&b.1));
    for (index, name, changed) in members {
        let parts: Vec<&str> = name.split(['/', '\\']).collect();
        let member = |c: &str| Some(Bytes::Member(shared.clone(), names.iter().find(|(_, n, _)| n == c)?.0));
        let Beside { card, drill, check, known } = beside(name, member);
        items.push(Item {
            place: format!("{}: {name}", path.display()),
            name: parts.last().map_or(String::new(), |n| (*n).to_owned()),
            folders: parts[..parts.len().saturating_sub(1)].iter().map(|n| (*n).to_owned()).collect(),
            sender: String::new(),
            subject: String::new(),
            taken_s: made(card.as_ref().and_then(|c| c.began.as_deref()), parts.last().unwrap_or(&""), *changed),
            card,
            drill,
            check,
            known,
            bytes: Bytes::Member(shared.clone(), *index),
        });
    }
    Ok(())
}

fn mailbox(path: &Path, single: bool, items: &mut Vec<Item>) -> Result<(), String> {
    let file = std::fs::File::open(path).map_err(|e| e.to_string())?;
    let mut messages = Vec::new();
    if single {
        messages.push(std::fs::read(path).map_err(|e| e.to_string())?);
    } else {
        for message in mail_parser::mailbox::mbox::MessageIterator::new(BufReader::new(file)) {
            messages.push(message.map_err(|e| format!("{e:?}"))?.unwrap_contents());
        }
        if messages.is_empty() {
            return Err("the mailbox holds no mail".into());
        }
    }
    for (number, raw) in messages.iter().enumerate() {
        let Some(mail) = MessageParser::default().parse(raw) else { continue };
        let sender = mail.from().and_then(|f| f.first()).and_then(|a| a.address()).unwrap_or_default().to_lowercase();
        let subject = mail.subject().unwrap_or_default().to_owned();
        let attached: Vec<(String, &[u8])> =
            mail.attachments().map(|a| (a.attachment_name().unwrap_or_default().to_owned(), a.contents())).collect();
        let sounds: Vec<&(String, &[u8])> = attached.iter().filter(|(name, _)| is_sound(name)).collect();
        // One plan and one recording in a mail belong together, whatever they are called.
        let plans: Vec<&[u8]> =
            attached.iter().filter(|(n, b)| n.ends_with(".json") && is_plan(b)).map(|(_, b)| *b).collect();
        let alone = sounds.iter().filter(|(_, bytes)| !is_calls(bytes)).count() == 1;
        for (name, bytes) in sounds {
            let part =
                |c: &str| attached.iter().find(|(n, _)| n == c).map(|(_, bytes)| Bytes::Held(Arc::new(bytes.to_vec())));
            let mut own = beside(name, part);
            if let (true, [plan], None) = (alone, &plans[..], &own.card) {
                own = of_drill(plan);
            }
            let Beside { card, drill, check, known } = own;
            items.push(Item {
                place: format!("{}: mail {}, {name}", path.display(), number + 1),
                name: name.clone(),
                folders: Vec::new(),
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
                bytes: Bytes::Held(Arc::new(bytes.to_vec())),
            });
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_day_is_read_from_names_as_phones_write_them() {
        let day = |name: &str| day_in(name).map(|d| d.to_string());
        for name in ["VID_20261104.mov", "2026-11-04 15.02.mp4", "wren_2026_11_04_2.m4a", "PXL_20261104_150201123.mp4"]
        {
            assert_eq!(day(name).as_deref(), Some("2026-11-04"), "{name}");
        }
        for name in
            ["VID_1.mov", "IMG_20261344.mov", "120261104.mov", "202611041.mov", "2026-11_04.mov", "Übung20.wav", ""]
        {
            assert_eq!(day(name), None, "{name}");
        }
    }

    #[test]
    fn the_card_knows_best_when_a_take_was_made_then_the_name_then_the_file() {
        let card = Card::parse(br#"{"began": "2026-11-04 15:00:00 +0000", "asked": {"bpm": 72.0}}"#);
        let began = card.as_ref().ok().and_then(|c| c.began.as_deref());
        assert_eq!(made(began, "VID_20261101.mov", Some(5)), Some(1_793_804_400));
        assert_eq!(made(None, "take.mov", Some(5)), Some(5));
        let noon = made(None, "VID_20261104.mov", Some(5)).unwrap_or_default();
        assert_eq!(made(None, "VID_20261104.mov", Some(noon + 3_600)), Some(noon + 3_600));
        assert!((noon - 1_793_804_400).abs() < 86_400);
    }
}
