//! Doing what a form asks for: the calls of the book that its commands make.

use std::path::Path;
use std::sync::Arc;

use super::act::{Act, Against};
use super::arrivals::Arriving;
use super::look::Look;
use super::{Desk, Trouble};
use crate::book::{Answer, Assigned, Book, BookError, Correction, CorrectionKind, NewAssignment, against, now, stroke};
use crate::files::Shown as _;
use crate::files::hex;
use crate::guide::{self, Description, GuideConfig, Laps, Practice};
use crate::part::parse;
use crate::pupil::{self, Handed};
use crate::report::shown;
use crate::units::{Bpm, EAR_RATE};

/// Who sets something right at the desk.
const WHO: &str = "teacher";

/// What was done.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Done {
    /// In words.
    pub said: String,
    /// What takes it back, where something does: rows of what was set right.
    pub undo: Vec<i64>,
    /// Where to look now; where it was asked from otherwise.
    pub go: Option<Look>,
}

impl Done {
    fn said(said: impl Into<String>) -> Done {
        Done { said: said.into(), ..Done::default() }
    }
}

/// The demo's class, its part, and its takes: the name of each file, its bytes, and how many days ago it was made.
const DEMO: &str = "Demo class";
const DEMO_NAMES: &str = "Finch\nHeron\nJay\nPlover\nRobin\nSwift\nWren";
pub(super) const DEMO_PART: &str = include_str!("../../reference_takes/lantern-parade.toml");
const DEMO_TAKES: [(&str, &[u8], i64); 6] = [
    ("Plover.flac", include_bytes!("../../reference_takes/plover.flac"), 6),
    ("Swift.wav", include_bytes!("../../reference_takes/swift.wav"), 6),
    ("Finch.mp3", include_bytes!("../../reference_takes/finch.mp3"), 1),
    ("Heron.webm", include_bytes!("../../reference_takes/heron.webm"), 1),
    ("Robin.ogg", include_bytes!("../../reference_takes/robin.ogg"), 1),
    ("Wren.m4a", include_bytes!("../../reference_takes/wren.m4a"), 1),
];
/// What the demo's class was asked for: form, tempo, and how many days ago.
const DEMO_ASKED: [(&str, f64, i64); 2] = [("A B", 84.0, 8), ("A A B B", 94.0, 3)];
const DAY_S: i64 = 86_400;

impl Desk {
    /// Does it.
    ///
    /// # Errors
    /// If it cannot be done: why, and the way out. Then nothing is changed.
    pub fn act(self: &Arc<Desk>, act: Act) -> Result<Done, Trouble> {
        match act {
            Act::Enrol { class, names } => self.enrol(&class, &names),
            Act::Demo => self.demo(),
            Act::Assign { class, part, form, bpm, due } => {
                self.assign(&class, &part, form.as_deref(), bpm, due.as_deref())
            }
            Act::Settle { number, pupil, part, form, always } => {
                let (pupil, part, form) = (pupil.as_deref(), part.as_deref(), form.as_deref());
                let answer = Answer { pupil, part, form, always };
                Ok(Done::said(format!("{}.", self.change(|book| book.settle(number, answer))?.words())))
            }
            Act::Aside(number) => {
                self.change(|book| book.set_aside(number))?;
                Ok(Done::said("Set aside: you will not be asked about it again."))
            }
            Act::Gather => {
                if !self.has_book() {
                    return Err(Trouble::new("there is no class yet that it could be for", "begin with a class"));
                }
                self.gather();
                Ok(Done::default())
            }
            Act::Correct { take, findings, against } => self.correct(take, &findings, against),
            Act::Stroke { take, stroke: which, surface } => {
                let heard = self.heard(take)?.ok_or_else(silent)?;
                if heard.timeline.strokes.get(which).is_none() {
                    return Err(Trouble::new("there is no such stroke in the take", "open the take again"));
                }
                let correction = stroke(&heard, which, surface, WHO, now());
                let undo = self.change(|book| book.correct_all(take, &[correction]))?;
                Ok(Done { said: format!("Kept: it was the {}.", surface.word()), undo, ..Done::default() })
            }
            Act::Whose { take, pupil } => self.whose(take, &pupil),
            Act::TakeBack(ids) => {
                // The last first, as they lie over each other.
                let mut ids = ids;
                ids.sort_unstable_by(|a, b| b.cmp(a));
                self.change(|book| ids.iter().try_for_each(|id| book.take_back(*id, now())))?;
                Ok(Done::said("Taken back: it stands as the ear had it."))
            }
            Act::Word { pupil, text } => {
                if text.is_empty() {
                    return Ok(Done::default());
                }
                self.change(|book| book.say(&pupil, &text, now()))?;
                Ok(Done::said(format!("Kept for {}; it stands on their page.", shown(&pupil))))
            }
            Act::Pages(class) => self.pages(&class),
        }
    }

    fn enrol(self: &Arc<Desk>, class: &str, names: &str) -> Result<Done, Trouble> {
        if !self.has_book() {
            Book::create(self.folder())?;
            self.open_books()?;
        }
        let first = names.lines().next().unwrap_or_default().to_lowercase();
        let is_table =
            first.contains([',', ';']) && ["nickname", "pupil", "name"].iter().any(|head| first.contains(head));
        let fresh = self.change(|book| {
            if is_table {
                return book.enrol_csv(names.as_bytes(), Some(class));
            }
            let names = names.split(['\n', ',', ';']).map(str::trim).filter(|name| !name.is_empty());
            book.enrol(names.map(|name| (class, name)))
        })?;
        let told = match fresh {
            0 => return Err(Trouble::new("no child was added", "write the nicknames, one a line")),
            1 => "1 child is in the class now.".to_owned(),
            n => format!("{n} children are in the class now."),
        };
        let empty = self.see(|book| Ok(book.assignments(book.class(class)?)?.is_empty()))?;
        let go = if empty { Look::Part { class: class.to_owned(), from: None } } else { Look::class(class) };
        Ok(Done { said: told, go: Some(go), ..Done::default() })
    }

    fn demo(self: &Arc<Desk>) -> Result<Done, Trouble> {
        self.enrol(DEMO, DEMO_NAMES)?;
        self.change(|book| {
            for (form, bpm, days) in DEMO_ASKED {
                let (given_s, bpm) = (now() - days * DAY_S, Some(Bpm::clamped(bpm)));
                let new =
                    NewAssignment { class: DEMO, part_text: DEMO_PART, form: Some(form), bpm, given_s, due_s: None };
                book.assign(&new)?;
            }
            Ok(())
        })?;
        for (name, bytes, days) in DEMO_TAKES {
            let made_ms = u64::try_from((now() - days * DAY_S) * 1000).ok();
            let mut file = Arriving::begin(self.folder(), name).map_err(|e| unkept(self.folder(), &e))?;
            std::io::Write::write_all(file.file(), bytes)
                .and_then(|()| file.keep(made_ms))
                .map_err(|e| unkept(self.folder(), &e))?;
        }
        self.gather();
        Ok(Done {
            said: "This is an invented class; its takes are being heard now.".into(),
            go: Some(Look::class(DEMO)),
            ..Done::default()
        })
    }

    fn assign(
        &self,
        class: &str,
        part: &str,
        form: Option<&str>,
        bpm: Option<f64>,
        due: Option<&str>,
    ) -> Result<Done, Trouble> {
        // Its own words for every mistake, with the place.
        parse(part).map_err(|errors| {
            let first = errors.first();
            let what = first.map_or_else(|| "the part is wrong".into(), ToString::to_string);
            let more = errors.len().saturating_sub(1);
            let hint = if more == 0 { String::new() } else { format!("there are {more} more places to look at") };
            Trouble::new(format!("the part: {what}"), hint)
        })?;
        let wrong = |bpm: f64| {
            Trouble::new(
                format!("{bpm} is no tempo"),
                format!("give {} to {} quarter notes a minute", Bpm::MIN, Bpm::MAX),
            )
        };
        let bpm = bpm.map(|n| Bpm::new(n).ok_or_else(|| wrong(n))).transpose()?;
        let due_s = due.map(day).transpose()?;
        let new = NewAssignment { class, part_text: part, form, bpm, given_s: now(), due_s };
        let given = self.change(|book| {
            let id = book.assign(&new)?;
            Ok(book.assignments(book.class(class)?)?.into_iter().find(|a| a.id == id))
        })?;
        let what = given.map_or(String::new(), |a| format!("{}, {} at {:.0}", shown(&a.title), a.form, a.bpm.get()));
        Ok(Done { said: format!("{} has {what}.", shown(class)), go: Some(Look::class(class)), ..Done::default() })
    }

    fn correct(&self, take: i64, findings: &[usize], how: Against) -> Result<Done, Trouble> {
        let heard = self.heard(take)?.ok_or_else(silent)?;
        let pupil = self.nickname(take)?;
        let note = if how == Against::Another { format!("not {pupil}’s") } else { String::new() };
        let mut corrections: Vec<Correction> = Vec::new();
        for index in findings {
            let finding = heard
                .findings
                .get(*index)
                .ok_or_else(|| Trouble::new("there is no such finding in the take", "open the take again"))?;
            corrections.extend(against(&heard, finding, how == Against::AsWritten, WHO, now(), &note));
        }
        let undo = self.change(|book| book.correct_all(take, &corrections))?;
        let said = match how {
            Against::Fine => "Kept: this was fine.".to_owned(),
            Against::AsWritten => "Kept: it landed where it is written.".to_owned(),
            Against::Another => format!("Kept: it was not {}’s; it is counted nowhere now.", shown(&pupil)),
        };
        Ok(Done { said, undo, ..Done::default() })
    }

    fn whose(&self, take: i64, pupil: &str) -> Result<Done, Trouble> {
        let (undo, name) = self.change(|book| {
            let to = book.pupil(pupil)?;
            let correction = Correction {
                what: CorrectionKind::Whose,
                finding: None,
                section: None,
                pass: None,
                bar: None,
                beat: None,
                who: WHO.into(),
                at_s: now(),
                note: String::new(),
            };
            book.correct(take, &correction, Some(to.id))?;
            Ok((book.set_right(Some(take))?.first().map(|s| s.id).into_iter().collect(), to.nickname))
        })?;
        Ok(Done { said: format!("Kept: the take is {}’s.", shown(&name)), undo, ..Done::default() })
    }

    /// Whose a take is.
    pub(super) fn nickname(&self, take: i64) -> Result<String, Trouble> {
        self.see(|book| {
            let pupil = book.take(take)?.pupil;
            let found = book.pupils(None)?.into_iter().find(|p| p.id == pupil);
            found.map(|p| p.nickname).ok_or_else(|| BookError::Unknown {
                what: "pupil",
                name: pupil.to_string(),
                near: None,
            })
        })
    }

    fn pages(&self, class: &str) -> Result<Done, Trouble> {
        let (folder, made, playing) = self.change(|book| {
            let id = book.class(class)?;
            let pupils = book.pupils(Some(id))?;
            let current = book.assignments(id)?.into_iter().next();
            book.write_class_page(class, now())?;
            let mut playing = 0;
            if let (Some(current), Some(code)) = (&current, pupil::CODE) {
                for one in &pupils {
                    let page = play_page(book, current, &one.nickname, code)?;
                    book.write_play_page(&one.nickname, page)?;
                    playing += 1;
                }
            }
            Ok((book.folder().join("pages"), pupils.len(), playing))
        })?;
        if let Some(of) = self.see(|book| Ok(book.assignments(book.class(class)?)?.into_iter().next()))? {
            self.guide(&of)?;
        }
        let place = folder.as_path().shown().to_string();
        let said = match playing {
            0 => format!(
                "{made} children’s pages are in {place}. Pages to play on are not among them: {}.",
                if pupil::CODE.is_none() { pupil::NO_CODE } else { "nothing was assigned yet" }
            ),
            n => format!(
                "{n} pages to play on (play-…) and the pages in a child’s words (child-…) are in {place}; the guide to play along with lies in `guides` beside it."
            ),
        };
        Ok(Done::said(said))
    }
}

impl Desk {
    /// Writes what is played along with, as `pailbeat guide` does.
    fn guide(&self, of: &Assigned) -> Result<(), Trouble> {
        let wrong = |what: String| Trouble::new(what, "look at the part");
        let laps = Laps::default();
        let practice = Practice::of(&of.part, Some(&of.form), &laps, of.bpm).map_err(|e| wrong(e.to_string()))?;
        let guide = guide::render(&practice, &GuideConfig::default(), EAR_RATE).map_err(|e| wrong(e.to_string()))?;
        let mut about = Description::new(&of.part, Some(&of.form), &laps, of.bpm, &guide);
        about.part_sha256 = Some(hex(&of.sha256));
        let note = serde_json::to_string(&about).unwrap_or_default();
        let sound = crate::wav::wav(&guide.samples(), EAR_RATE, &note).map_err(|e| wrong(e.to_string()))?;
        let name = crate::files::file_name(&format!("{} {} {:.0}", of.title, of.form, of.bpm.get()));
        let path = self.folder().join("guides").join(format!("{name}.wav"));
        crate::files::put(&path, sound, format!("guide {}", of.title).as_bytes())
            .map_err(|e| Trouble::from(BookError::from(e)))
    }
}

/// The page on which a pupil plays what was assigned.
fn play_page(book: &Book, of: &Assigned, nickname: &str, code: pupil::Code) -> Result<String, BookError> {
    let sha256 = hex(&of.sha256);
    let refuse = |what: String| BookError::Refused { what, hint: "give the class its part again".into() };
    let part = book.part_text(&sha256)?.ok_or_else(|| refuse("the part’s text is not in the book".into()))?;
    let title = shown(&format!("{nickname}: {}", of.title));
    let own = of.form.split_whitespace().eq(of.part.form.iter().map(String::as_str));
    let handed = Handed {
        part,
        sha256,
        name: format!("{}.toml", crate::files::file_name(&of.title)),
        bpm: of.bpm.get(),
        form: Some(of.form.clone()).filter(|_| !own),
        pupils: vec![nickname.to_owned()],
        drill: None,
    };
    pupil::file(&handed, &title, code).map_err(|e| refuse(format!("the page cannot be made: {e}")))
}

/// The beginning of a day, as a form gives it.
pub(super) fn day(text: &str) -> Result<i64, Trouble> {
    let wrong = || Trouble::new(format!("`{}` is no day", shown(text)), "write it as 2026-11-12");
    let date: jiff::civil::Date = text.parse().map_err(|_| wrong())?;
    Ok(date.to_zoned_datetime(jiff::tz::TimeZone::system()).map_err(|_| wrong())?.timestamp().as_second())
}

fn silent() -> Trouble {
    Trouble::new(
        "the sound of this take is no longer kept, so it cannot be heard again",
        "`pailbeat book correct` sets it right by its place",
    )
}

/// A file could not be kept.
pub(super) fn unkept(folder: &Path, error: &std::io::Error) -> Trouble {
    let hint = match error.kind() {
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
            "make room on the disk, then drop it again"
        }
        _ => "check the folder and who may write there, then drop it again",
    };
    Trouble::new(format!("it cannot be kept in `{}`: {error}", folder.shown()), hint)
}
