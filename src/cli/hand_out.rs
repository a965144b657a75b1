//! `pailbeat hand-out`: the page on which a pupil plays.

use anyhow::{Context, Result, anyhow, bail};

use super::files::{self, print, tell};
use super::found::PartText;
use super::{HandOutArgs, Outcome, part};
use crate::book::Book;
use crate::files::Shown as _;
use crate::guide::GuideConfig;
use crate::pupil::{self, CODE, Handed, NO_CODE};
use crate::take::fingerprint;
use crate::units::EAR_RATE;

pub(super) fn run(args: &HandOutArgs) -> Result<Outcome> {
    if !args.out.extension().is_some_and(|e| e.eq_ignore_ascii_case("html")) {
        bail!("`{}` is no name for the page: it is written as HTML, so let it end in `.html`", args.out.shown());
    }
    let text = PartText::named(&args.part)?;
    let part = part::parsed(&text)?;
    let timeline = part::timeline(&part, &args.asked)?;
    let code = CODE.ok_or_else(|| {
        anyhow!(
            "{NO_CODE}\nhint: run `scripts/build` in the source folder: it makes the page \
             first, then the program with the page in it"
        )
    })?;
    let pupils = match (&args.pupil, &args.class) {
        (Some(pupil), _) => vec![pupil.clone()],
        (None, Some(class)) => of_class(args, class)?,
        (None, None) => Vec::new(),
    };
    let name = args.part.file_name().map_or_else(|| "part.toml".into(), |name| name.to_string_lossy().into_owned());
    let handed = Handed {
        sha256: fingerprint(text.text.as_bytes()),
        part: text.text,
        name,
        bpm: timeline.bpm.get(),
        form: args.asked.form.clone(),
        pupils,
        drill: args.drill.as_deref().map(drill).transpose()?,
    };
    let whose = args.pupil.as_deref().map(|pupil| format!("{pupil}: ")).unwrap_or_default();
    let title = crate::report::shown(&format!("{whose}{}", part.title));
    let page = pupil::file(&handed, &title, code).context("cannot make the page")?;
    let size = page.len() as f64 / 1e6;
    let of = serde_json::to_vec(&handed).context("cannot make the page")?;
    files::kept(crate::files::put(&args.out, page.into_bytes(), &of))?;
    print(&format!(
        "{}: `{}` at {} quarter notes a minute, {size:.1} MB\n  it opens in any browser, without a network, and sends nothing\n",
        args.out.shown(),
        part.title,
        timeline.bpm.get()
    ))?;
    tell(&format!("care: {}", crate::guide::CAUTION));
    Ok(Outcome::Done)
}

/// The text of a drill that can be played.
fn drill(path: &std::path::Path) -> Result<String> {
    let (text, drill) = super::drilled::read(path)?;
    super::drilled::drawn(&drill, 1, &GuideConfig::default(), EAR_RATE)?;
    Ok(text)
}

/// The nicknames of a class, from its book.
fn of_class(args: &HandOutArgs, class: &str) -> Result<Vec<String>> {
    let book = Book::open(&args.book)?;
    let id = book.class(class)?;
    let names: Vec<String> = book.pupils(Some(id))?.into_iter().map(|pupil| pupil.nickname).collect();
    if names.is_empty() {
        bail!("class `{class}` has no pupils\nhint: fill it with `pailbeat book roster`");
    }
    Ok(names)
}
