//! Pages in the book's folder: written, and whom each names, so that they go with a pupil.
//!
//! A page is made anew over itself only: one that somebody has changed, or that pailbeat did not make, stays. Which pages
//! name a pupil is written down before the page is, so that no page is ever unknown.

use std::collections::BTreeSet;
use std::path::PathBuf;

use rusqlite::params;

use super::{Book, BookError, Pupil};
use crate::files::{self, file_name};
use crate::names::{Words, mentions};
use crate::report::page;

/// Whose page it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Of {
    Class(i64),
    Pupil(i64),
}

/// Pages that were made, and what else came with them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClassPage {
    /// The page.
    pub path: PathBuf,
    /// A drill of the two patterns that are confused most, where there are such.
    pub pair: Option<PathBuf>,
}

impl Book {
    fn page(&self, name: &str) -> PathBuf {
        self.folder.join("pages").join(name)
    }

    /// Writes a page of ours and whom it names.
    fn write_page(&self, name: &str, text: String, of: Of, named: &BTreeSet<i64>) -> Result<PathBuf, BookError> {
        let (class, pupil) = match of {
            Of::Class(id) => (Some(id), None),
            Of::Pupil(id) => (None, Some(id)),
        };
        self.savepoint(|| {
            let sql = "INSERT INTO pages (file, class, pupil) VALUES (?1, ?2, ?3)
                       ON CONFLICT (file) DO UPDATE SET class = excluded.class, pupil = excluded.pupil";
            self.db.execute(sql, params![name, class, pupil])?;
            // Whom the earlier page named is named until the new one stands.
            for id in named {
                self.db.execute("INSERT INTO page_names VALUES (?1, ?2) ON CONFLICT DO NOTHING", params![name, id])?;
            }
            Ok(())
        })?;
        let path = self.page(name);
        files::put(&path, text.into_bytes(), name.as_bytes())?;
        let mut ask = self.db.prepare("SELECT pupil FROM page_names WHERE file = ?1")?;
        let before: Vec<i64> = ask.query_map([name], |r| r.get(0))?.collect::<Result<_, _>>()?;
        for id in before.iter().filter(|id| !named.contains(id)) {
            self.db.execute("DELETE FROM page_names WHERE file = ?1 AND pupil = ?2", params![name, id])?;
        }
        Ok(path)
    }

    /// Pupils that some texts speak of.
    fn spoken_of<'a>(&self, texts: impl IntoIterator<Item = &'a str>) -> Result<BTreeSet<i64>, BookError> {
        let pupils = self.pupils(None)?;
        let people: Vec<Words> = pupils.iter().map(|p| Words::of(&p.nickname)).collect();
        let found = texts.into_iter().flat_map(|text| mentions(&Words::of(text), &people)).flat_map(|m| m.whom);
        Ok(found.filter_map(|k| pupils.get(k)).map(|p| p.id).collect())
    }

    /// Writes the class page, and the pages of its pupils.
    ///
    /// # Errors
    /// If there is no such class, or the page cannot be written.
    pub fn write_class_page(&self, class: &str, now_s: i64) -> Result<ClassPage, BookError> {
        let _turn = self.turn()?;
        let page = self.write_class_page_alone(class, now_s)?;
        // Its links lead to them.
        for pupil in self.pupils(Some(self.class(class)?))? {
            self.write_pupil_pages(&pupil.nickname, now_s)?;
        }
        Ok(page)
    }

    /// Writes the class page and no pupil's.
    pub(super) fn write_class_page_alone(&self, class: &str, now_s: i64) -> Result<ClassPage, BookError> {
        let _turn = self.turn()?;
        let id = self.class(class)?;
        let view = self.class_view(class, now_s)?;
        let named = self.pupils(Some(id))?.iter().map(|p| p.id).collect();
        let name = format!("class-{}.html", file_name(&view.class));
        let path = self.write_page(&name, page::class::page(&view), Of::Class(id), &named)?;
        let pair = view.echoes.as_ref().and_then(|e| e.pair.as_ref()).map(|pair| {
            // A drill under this name that the teacher has changed stays.
            let names = (1..).map(|n: u32| if n == 1 { pair.file.clone() } else { format!("{}-{n}", pair.file) });
            let mut paths = names.map(|name| self.page(&format!("{name}.toml")));
            let path =
                paths.find(|path| files::is_free(path, pair.file.as_bytes()).unwrap_or(true)).unwrap_or_default();
            files::put(&path, pair.drill.clone().into_bytes(), pair.file.as_bytes()).map(|()| path)
        });
        Ok(ClassPage { path, pair: pair.transpose()? })
    }

    /// Writes a pupil's page, and the same in a child's words.
    ///
    /// # Errors
    /// If there is no such pupil, or a page cannot be written.
    pub fn write_pupil_pages(&self, nickname: &str, now_s: i64) -> Result<[PathBuf; 2], BookError> {
        let _turn = self.turn()?;
        let pupil = self.pupil(nickname)?;
        let view = self.pupil_view(nickname, now_s)?;
        let mut named =
            self.spoken_of(view.words.iter().map(|w| w.0.as_str()).chain(view.words.iter().map(|w| w.1.as_str())))?;
        named.insert(pupil.id);
        let name = self.page_name(&pupil)?;
        let write =
            |whom: &str, text| self.write_page(&format!("{whom}-{name}.html"), text, Of::Pupil(pupil.id), &named);
        Ok([write("pupil", page::progress::page(&view))?, write("child", page::progress::child(&view))?])
    }

    /// Writes the page on which a pupil plays.
    ///
    /// # Errors
    /// If there is no such pupil, or the page cannot be written.
    pub fn write_play_page(&self, nickname: &str, html: String) -> Result<PathBuf, BookError> {
        let _turn = self.turn()?;
        let pupil = self.pupil(nickname)?;
        let name = format!("play-{}.html", self.page_name(&pupil)?);
        self.write_page(&name, html, Of::Pupil(pupil.id), &[pupil.id].into())
    }

    /// The pages that name a pupil: their own, and those of others with the class or the pupil to make them anew for.
    pub(super) fn pages_naming(&self, pupil: &Pupil) -> Result<(Vec<String>, Vec<OthersPage>), BookError> {
        let mut ask = self.db.prepare(
            "SELECT p.file, p.pupil, c.name, o.nickname FROM pages p
             LEFT JOIN classes c ON c.id = p.class LEFT JOIN pupils o ON o.id = p.pupil
             WHERE p.pupil = ?1 OR p.file IN (SELECT file FROM page_names WHERE pupil = ?1) ORDER BY p.file",
        )?;
        type Row = (String, Option<i64>, Option<String>, Option<String>);
        let rows = ask.query_map([pupil.id], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?)))?;
        let (mut own, mut others) = (Vec::new(), Vec::new());
        for row in rows {
            let (file, whose, class, nickname): Row = row?;
            match whose {
                Some(id) if id == pupil.id => own.push(file),
                _ => others.push(OthersPage { file, class, nickname }),
            }
        }
        Ok((own, others))
    }

    /// Takes a page away; whether it was there.
    pub(super) fn remove_page(&self, file: &str) -> Result<bool, BookError> {
        let path = self.page(file);
        files::remove(&path).map_err(|source| BookError::File { path, source })
    }

    /// Takes over pages that an earlier version made, which bore no mark and stood in no table.
    pub(super) fn adopt(&self) -> Result<(), BookError> {
        let _turn = self.turn()?;
        let folder = self.folder.join("pages");
        let all = self.pupils(None)?;
        let mut found: Vec<(String, Of, BTreeSet<i64>)> = Vec::new();
        for pupil in &all {
            for whom in ["pupil", "child"] {
                found.push((
                    format!("{whom}-{}.html", early_name(&pupil.nickname)),
                    Of::Pupil(pupil.id),
                    [pupil.id].into(),
                ));
            }
        }
        for class in self.classes()? {
            let id = self.class(&class)?;
            let named = all.iter().filter(|p| p.class == id).map(|p| p.id).collect();
            found.push((format!("class-{}.html", early_name(&class)), Of::Class(id), named));
        }
        for (file, of, mut named) in found {
            let path = folder.join(&file);
            let Ok(text) = files::read_text(&path) else { continue };
            if files::is_ours(&path) || !text.starts_with(page::BEGINS) {
                continue;
            }
            named.extend(self.spoken_of([words_of_page(&text).as_str()])?);
            files::remove(&path).map_err(|source| BookError::File { path: path.clone(), source })?;
            self.write_page(&file, text, of, &named)?;
        }
        for place in [self.folder.clone(), self.folder.join("sound"), folder] {
            let inside = std::fs::read_dir(&place).into_iter().flatten().filter_map(Result::ok);
            let ours = |e: &std::fs::DirEntry| {
                place != self.folder || e.file_name().to_string_lossy().starts_with(super::FILE)
            };
            let files = inside.filter(|e| e.file_type().is_ok_and(|t| t.is_file()) && ours(e)).map(|e| e.path());
            for path in files.chain((place != self.folder).then(|| place.clone())) {
                // Where rights cannot be changed, as on a stick, there are none to change.
                let _ = files::make_private(&path);
            }
        }
        Ok(())
    }
}

/// A page of others that names a pupil.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct OthersPage {
    pub(super) file: String,
    pub(super) class: Option<String>,
    pub(super) nickname: Option<String>,
}

/// What a page says, without its style and drawings.
fn words_of_page(html: &str) -> String {
    let mut out = String::new();
    let body = html.find("<body>").and_then(|at| html.get(at..)).unwrap_or(html);
    for piece in body.split('<') {
        out.push_str(piece.split_once('>').map_or("", |p| p.1));
        out.push(' ');
    }
    out
}

/// A name as part of a page's name, as versions up to layout 3 made it.
fn early_name(name: &str) -> String {
    let plain = |c: char| if c.is_alphanumeric() { c } else { '-' };
    let plain: String = name.trim().chars().take(60).map(plain).collect();
    if plain.is_empty() { "-".into() } else { plain }
}
