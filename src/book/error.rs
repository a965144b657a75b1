//! What can go wrong with a class book, and the way out.

use std::path::PathBuf;

use super::FILE;
use crate::files::{FileError, Shown as _};

/// Why the book could not do it.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum BookError {
    /// There is a book already.
    #[error("there is a class book already: `{}`", path.shown())]
    Exists {
        /// Where.
        path: PathBuf,
    },
    /// There is no book.
    #[error("there is no class book `{}`", path.shown())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The book was written by a newer program.
    #[error("the class book was written by a newer pailbeat: its layout is {found}, this one knows {expected}")]
    Newer {
        /// Layout of the book.
        found: usize,
        /// Newest layout known here.
        expected: usize,
    },
    /// A file of the book's name that is no book.
    #[error("`{}` is no class book: {why}", path.shown())]
    Foreign {
        /// Which.
        path: PathBuf,
        /// Why not.
        why: String,
    },
    /// A book that is not whole.
    #[error("the class book `{}` is damaged: {why}", path.shown())]
    Damaged {
        /// Which.
        path: PathBuf,
        /// What is wrong.
        why: String,
    },
    /// A name that is not in the book.
    #[error("there is no {what} `{name}` in the book")]
    Unknown {
        /// Class, pupil, take ...
        what: &'static str,
        /// What was asked for.
        name: String,
        /// The nearest that is.
        near: Option<String>,
    },
    /// It cannot be done, in words.
    #[error("{what}")]
    Refused {
        /// What and why.
        what: String,
        /// The way out.
        hint: String,
    },
    /// A file was not written.
    #[error(transparent)]
    Write(#[from] FileError),
    /// A file could not be read or written.
    #[error("cannot use `{}`", path.shown())]
    File {
        /// Which.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The database refused.
    #[error("the class book cannot be read or written")]
    Sql(#[from] rusqlite::Error),
}

impl BookError {
    /// The way out, in one line.
    pub fn hint(&self) -> String {
        match self {
            BookError::Exists { .. } => "it is ready to use; name another folder for a second book".into(),
            BookError::Missing { .. } => format!(
                "make one with `pailbeat book new FOLDER`, or say where it is with `--book FOLDER` (the folder that holds \
                 `{FILE}`)"
            ),
            BookError::Newer { .. } => "use the newer program, or a backup made by this one".into(),
            BookError::Unknown { near: Some(near), .. } => format!("did you mean `{near}`?"),
            BookError::Unknown { what: "take", .. } => {
                "`pailbeat book takes NICKNAME` lists a pupil's takes with their numbers".into()
            }
            BookError::Unknown { what, .. } => format!("`pailbeat book show` lists every {what}"),
            BookError::Foreign { .. } => "it was left as it is: move it away, or name another folder".into(),
            BookError::Damaged { .. } => {
                "it was left as it is: go back to a backup, under this name; the sound in the folder fits it".into()
            }
            BookError::Refused { hint, .. } => hint.clone(),
            BookError::Write(error) => error.hint().into(),
            BookError::File { .. } => "check the name, the folder and who may write there".into(),
            BookError::Sql(_) => {
                "close other programs that use the book, check the disk is not full, or go back to a backup".into()
            }
        }
    }
}
