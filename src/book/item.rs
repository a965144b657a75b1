//! A recording with what is known of it: where it came from, the card or plan beside it, where its bytes are.
//!
//! A card or the plan of a drill is found by its name beside the recording; in a mail also where it comes with one recording
//! alone.

use std::io::{Read, Seek};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use super::spool::{self, LARGEST_CARD, Piece, Spool};
use crate::audio;
use crate::drill;
use crate::files;
use crate::part::Surface;
use crate::surface::Calibration;
use crate::take::{Card, KeptCheck, KnownStrikes, STRIKES_NOTE, began_s};

/// Endings of recordings. What is in a file decides in the end; what ends otherwise is passed over in folders.
const ENDINGS: [&str; 19] = [
    "wav", "flac", "mp3", "ogg", "oga", "opus", "m4a", "mov", "mp4", "m4v", "webm", "mkv", "aac", "aif", "aiff", "caf",
    "3gp", "3g2", "weba",
];
/// Endings of archives that are opened, and of those that are not.
pub(super) const OPENED: [&str; 4] = ["zip", "mbox", "mbx", "eml"];
const CLOSED: [&str; 7] = ["7z", "rar", "tar", "tgz", "gz", "xz", "bz2"];

/// Where the bytes are.
#[derive(Clone, Debug)]
pub enum Bytes {
    /// A file.
    File(PathBuf),
    /// Member of a zip archive: which archive, and its number there.
    Member(PathBuf, usize),
    /// In the spool: an attachment, or a member that was taken out.
    Spooled(Piece),
}

/// Where a card may lie beside a recording that has not been looked for yet.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Near {
    /// Nowhere, or it has been.
    #[default]
    Nowhere,
    /// In the folder of this file.
    Folder(PathBuf),
    /// In an archive, beside the member of this name.
    Archive(PathBuf, String),
}

impl Bytes {
    /// A reader of them, where they are no longer in an archive.
    ///
    /// # Errors
    /// If they cannot be read.
    pub(super) fn open(&self) -> std::io::Result<spool::Bytes> {
        match self {
            Bytes::File(path) => files::ordinary(path).map(spool::Bytes::File),
            Bytes::Spooled(piece) => Ok(spool::Bytes::Slice(piece.reader())),
            Bytes::Member(..) => Err(std::io::Error::other("it is still in its archive")),
        }
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
    /// Where its card may be.
    pub near: Near,
    /// How the pupil's surfaces sound, by the sound check on its card.
    pub known: Known,
    /// Its bytes.
    pub bytes: Bytes,
}

impl Item {
    /// A recording of which nothing else is known.
    pub fn of(bytes: Bytes) -> Item {
        Item {
            place: String::new(),
            name: String::new(),
            folders: Vec::new(),
            sender: String::new(),
            subject: String::new(),
            taken_s: None,
            card: None,
            drill: None,
            check: false,
            near: Near::Nowhere,
            known: Known::Nothing,
            bytes,
        }
    }

    /// The same with what stands beside it, and with its bytes where they can be read again and again.
    ///
    /// # Errors
    /// If they cannot be had.
    pub(super) fn at_hand(&self, spool: &Spool) -> std::io::Result<Item> {
        let mut item = self.clone();
        let found = match std::mem::take(&mut item.near) {
            Near::Nowhere => None,
            Near::Folder(path) => {
                let found = beside(&self.name, |n| read_card(&path.with_file_name(n)));
                let recording = |n: &str| Some(path.with_file_name(n)).filter(|p| p.is_file()).map(Bytes::File);
                Some((found.known(recording), found))
            }
            Near::Archive(path, name) => {
                let found = beside(&name, |n| spool.archives.read_card(&path, n));
                let recording = |n: &str| spool.archives.take_out_named(&path, n, spool).map(Bytes::Spooled);
                Some((found.known(recording), found))
            }
        };
        if let Some((known, Beside { card, drill, check, strikes: _ })) = found {
            item.taken_s = made(card.as_ref().and_then(|c| c.began.as_deref()), &self.name, self.taken_s);
            (item.card, item.drill, item.check, item.known) = (card, drill, check, known);
        }
        if let Bytes::Member(path, number) = &self.bytes {
            item.bytes = Bytes::Spooled(spool.archives.take_out(path, *number, spool)?);
        }
        Ok(item)
    }

    /// Its bytes, of an item [`Item::at_hand`].
    ///
    /// # Errors
    /// If they cannot be read.
    pub(super) fn open(&self) -> std::io::Result<spool::Bytes> {
        self.bytes.open()
    }

    /// Ending of the name, in small letters and digits only.
    pub fn ending(&self) -> String {
        let ending = Path::new(&self.name).extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        if ENDINGS.contains(&ending.as_str()) { ending } else { "sound".into() }
    }
}

/// What was known of where a waiting recording came from.
#[derive(Deserialize, Serialize)]
pub(super) struct Origin {
    pub(super) name: String,
    pub(super) folders: Vec<String>,
    pub(super) sender: String,
    pub(super) subject: String,
    pub(super) card: Option<Card>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) drill: Option<String>,
}

/// Where a recording came from, as it is kept while it waits.
pub(super) fn origin(item: &Item) -> String {
    let origin = Origin {
        name: item.name.clone(),
        folders: item.folders.clone(),
        sender: item.sender.clone(),
        subject: item.subject.clone(),
        card: item.card.clone(),
        drill: item.drill.clone(),
    };
    // Text and numbers are always writable; nothing at all only means that it is looked at once more.
    serde_json::to_string(&origin).unwrap_or_default()
}

/// What a recording is remembered by when the teacher has said whose it is: the address it was sent from, or the folder
/// it lies in.
pub(super) fn sender(item: &Item) -> String {
    if item.sender.is_empty() { item.folders.join("/") } else { item.sender.clone() }
}

pub(super) fn ends_in(name: &str, endings: &[&str]) -> bool {
    let ending = Path::new(name).extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    endings.contains(&ending.as_str())
}

/// Whether it is an archive of a kind that is not opened.
pub(super) fn is_closed(name: &str) -> bool {
    ends_in(name, &CLOSED)
}

pub(super) fn is_sound(name: &str) -> bool {
    // What a system hides (`._take.m4a`) is no recording.
    ends_in(name, &ENDINGS) && !name.rsplit(['/', '\\']).next().is_some_and(|n| n.starts_with('.'))
}

/// Names beside a recording: with another ending in place of its own, and after its own.
fn names_beside(name: &str, ending: &str) -> [String; 2] {
    let stem = Path::new(name).with_extension("").to_string_lossy().into_owned();
    [format!("{stem}.{ending}"), format!("{name}.{ending}")]
}

/// What is known of a recording from the files beside it.
#[derive(Default)]
pub(super) struct Beside {
    pub(super) card: Option<Card>,
    pub(super) drill: Option<String>,
    pub(super) check: bool,
    /// The strikes of the sound check on its card, in a file beside the recording.
    strikes: Option<KnownStrikes>,
}

impl Beside {
    /// How the pupil's surfaces sound; `find` gives the recording of that name.
    pub(super) fn known(&self, find: impl FnOnce(&str) -> Option<Bytes>) -> Known {
        let recorded = self.strikes.as_ref().and_then(|KnownStrikes { recording, surfaces }| {
            let name = recording.to_string_lossy().into_owned();
            Some(Known::Recorded(find(&name)?, name, surfaces.clone()))
        });
        recorded.unwrap_or_default()
    }
}

/// What stands beside a recording; `read` gives what a name holds. The card of `drill play` first, then that of `take`,
/// then the plan that `drill make` wrote beside its guide, then a sound check.
pub(super) fn beside(name: &str, read: impl Fn(&str) -> Option<Vec<u8>>) -> Beside {
    let find = |ending: &str| names_beside(name, ending).iter().find_map(|n| read(n));
    if let Some(bytes) = find("drill.json") {
        return of_drill(&bytes);
    }
    if let Some(bytes) = find("take.json") {
        let Ok(card) = Card::parse(&bytes) else { return Beside::default() };
        let strikes = card.sound_check.as_ref().and_then(|check| check.strikes()?.ok());
        let beside = |known: KnownStrikes| KnownStrikes {
            recording: Path::new(name).with_file_name(known.recording),
            surfaces: known.surfaces,
        };
        return Beside { card: Some(card.kept()), strikes: strikes.map(beside), ..Beside::default() };
    }
    match find("json") {
        Some(bytes) if is_plan(&bytes) => of_drill(&bytes),
        Some(bytes) => Beside { check: KeptCheck::is_one(&bytes), ..Beside::default() },
        None => Beside::default(),
    }
}

pub(super) fn is_plan(bytes: &[u8]) -> bool {
    drill::is_plan(&String::from_utf8_lossy(bytes))
}

pub(super) fn of_drill(bytes: &[u8]) -> Beside {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap_or_default();
    let words = |at: &serde_json::Value| at.as_str().map(str::to_owned);
    let card = Card { pupil: words(&json["pupil"]), began: words(&json["recording"]["began"]), ..Card::default() };
    Beside { card: Some(card), drill: Some(text), ..Beside::default() }
}

/// A small file, as far as a card goes.
fn read_card(path: &Path) -> Option<Vec<u8>> {
    let mut out = Vec::new();
    files::ordinary(path).ok()?.take(LARGEST_CARD).read_to_end(&mut out).ok()?;
    Some(out)
}

/// Whether a sound is the calls of a drill as `drill make` wrote them: such a file holds its own plan.
pub(super) fn is_calls(sound: &mut (impl Read + Seek)) -> bool {
    audio::note_of(sound).is_ok_and(|note| note.is_some_and(|n| drill::is_plan(&n)))
}

/// What a recording is that nobody plays a part or answers a drill in, in words.
pub(super) fn no_take(item: &Item) -> Option<&'static str> {
    let note = item.open().and_then(|mut sound| audio::note_of(&mut sound)).ok().flatten();
    if note.as_deref().is_some_and(drill::is_plan) {
        return Some("the calls of a drill and nobody’s answer");
    }
    (item.check || note.as_deref() == Some(STRIKES_NOTE)).then_some("a sound check")
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
pub(super) fn made(began: Option<&str>, name: &str, file: Option<i64>) -> Option<i64> {
    let zone = jiff::tz::TimeZone::system();
    began.and_then(began_s).or_else(|| {
        let Some(day) = day_in(name) else { return file };
        let of_day =
            |at: &i64| jiff::Timestamp::from_second(*at).is_ok_and(|t| t.to_zoned_datetime(zone.clone()).date() == day);
        file.filter(of_day)
            .or_else(|| Some(day.at(12, 0, 0, 0).to_zoned_datetime(zone.clone()).ok()?.timestamp().as_second()))
    })
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
