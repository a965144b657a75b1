//! `pailbeat desk`: the class book in the teacher's browser.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::Duration;

use anyhow::{Context, Result, anyhow};

use super::files::{complain, print, tell};
use super::{DeskArgs, Outcome};
use crate::book::{self, BookError};
use crate::desk::running::{self, Found};
use crate::desk::{Desk, open};
use crate::files::{self, Shown as _};

/// The page that leads a browser in. The key never stands in a list of running programs, where other accounts can read it.
const DOOR: &str = "class-book-desk.html";
/// It is of no use after this, and goes.
const DOOR_STANDS: Duration = Duration::from_secs(60);
/// Where a book is begun by one who names no folder and stands in none that has one.
const AT_HOME: &str = "pailbeat";

pub(super) fn run(args: &DeskArgs) -> Result<Outcome> {
    match desk(args) {
        Err(error) => match error.downcast::<BookError>() {
            Ok(own) => {
                let hint = own.hint();
                complain(&anyhow::Error::from(own), Some(&hint));
                Ok(Outcome::NotStarted)
            }
            Err(other) => Err(other),
        },
        done => done,
    }
}

fn desk(args: &DeskArgs) -> Result<Outcome> {
    let folder = match &args.folder {
        Some(folder) => folder.clone(),
        None if Path::new(book::FILE).is_file() => PathBuf::from("."),
        None => std::env::home_dir()
            .ok_or_else(|| {
                anyhow!("it is not known where your home folder is\nhint: name a folder for the class book")
            })?
            .join(AT_HOME),
    };
    files::folder(&folder).with_context(|| format!("cannot make the folder `{}`", folder.shown()))?;
    let cannot = || {
        format!(
            "cannot write in the folder `{}`\nhint: check who may write there and that the disk is not full",
            folder.shown()
        )
    };
    match running::take(&folder).with_context(cannot)? {
        Found::Another(address) if address.is_empty() => Err(anyhow!(
            "another `pailbeat desk` has this folder and does not say where\nhint: end it, then start again"
        )),
        Found::Another(address) => {
            print(&format!("{address}\n"))?;
            tell("note: the desk is open already; this is its address");
            lead_in(args, &folder, &address);
            Ok(Outcome::Done)
        }
        Found::Ours(mut ours) => {
            let desk = Desk::of(&folder)?;
            let place = open().context("cannot open a place for the desk on this machine")?;
            let address = place.address();
            ours.say(&address).with_context(cannot)?;
            print(&format!("{address}\n"))?;
            tell("note: the desk is open until you end it with Ctrl-C; only this account's browser gets in");
            lead_in(args, &folder, &address);
            place.serve(desk).context("the desk could not go on")?;
            Ok(Outcome::Done)
        }
    }
}

/// Opens the browser; where there is none, the address has been printed.
fn lead_in(args: &DeskArgs, folder: &Path, address: &str) {
    if args.no_browser {
        return;
    }
    let path = std::path::absolute(folder.join(DOOR)).unwrap_or_else(|_| folder.join(DOOR));
    let html = format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><meta name=\"referrer\" content=\"no-referrer\">\
         <meta http-equiv=\"refresh\" content=\"0; url={address}\"><title>pailbeat</title></head><body><p><a href=\"{address}\">To the class book</a></p></body></html>\n"
    );
    let _ = files::remove(&path);
    let written = files::put_new(&path, html.as_bytes());
    if written.is_err() || !browser(&path) {
        tell("note: no browser could be started: open the address above yourself");
    }
    let gone = path.clone();
    let wait = std::thread::spawn(move || {
        std::thread::sleep(DOOR_STANDS);
        let _ = files::remove(&gone);
    });
    // Who only showed the way to another desk leaves when the page has been opened.
    drop(wait);
}

/// Has the system open a page.
fn browser(page: &Path) -> bool {
    let tries: &[&[&str]] = if cfg!(target_os = "windows") {
        &[&["explorer"]]
    } else if cfg!(target_os = "macos") {
        &[&["open"]]
    } else {
        &[&["xdg-open"], &["x-www-browser"], &["sensible-browser"]]
    };
    tries.iter().any(|words| {
        let Some((program, rest)) = words.split_first() else { return false };
        let begun = Command::new(program)
            .args(rest)
            .arg(page)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn();
        let Ok(mut child) = begun else { return false };
        // One that knows at once that it cannot says so; one that is still there has opened it.
        for _ in 0..20 {
            match child.try_wait() {
                Ok(Some(status)) => return status.success() || cfg!(target_os = "windows"),
                Ok(None) => std::thread::sleep(Duration::from_millis(50)),
                Err(_) => return false,
            }
        }
        true
    })
}
