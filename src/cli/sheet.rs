//! `pailbeat sheet`: the practice sheet for the stand.

use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

use super::files::{self, print};
use super::{Outcome, SheetArgs, part};
use crate::files::Shown as _;
use crate::report::chart::{Paper, SheetWish, sheet_pdf, sheet_svg};

pub(super) fn run(args: &SheetArgs) -> Result<Outcome> {
    let ends = |ending: &str| args.out.extension().is_some_and(|e| e.eq_ignore_ascii_case(ending));
    if !ends("svg") && !ends("pdf") {
        bail!("`{}` is no name for the sheet: let it end in `.pdf` or `.svg`", args.out.shown());
    }
    let part = part::read(&args.part)?;
    if let Some(name) = args.section.as_deref().filter(|name| part.section(name).is_none()) {
        let written: Vec<String> = part.sections.iter().map(|s| format!("`{}`", s.name)).collect();
        bail!("the part has no section `{name}`\nhint: sections written: {}", written.join(", "));
    }
    let paper = if args.paper == "letter" { Paper::Letter } else { Paper::A4 };
    let wish = SheetWish { paper, large: args.large, section: args.section.clone() };
    let of = format!("sheet {} {}", part.title, args.section.as_deref().unwrap_or_default());
    let mut made: Vec<PathBuf> = Vec::new();
    if ends("pdf") {
        let bytes = sheet_pdf(&part, &wish).context("cannot make the sheet")?;
        files::kept(crate::files::put(&args.out, bytes, of.as_bytes()))?;
        made.push(args.out.clone());
    } else {
        for (i, page) in sheet_svg(&part, &wish).context("cannot make the sheet")?.into_iter().enumerate() {
            let path = numbered(&args.out, i + 1);
            files::kept(crate::files::put(&path, page.into_bytes(), format!("{of} {i}").as_bytes()))?;
            made.push(path);
        }
    }
    let made: Vec<String> = made.iter().map(|p| p.shown().to_string()).collect();
    print(&format!("{}: the practice sheet of `{}`\n", made.join(", "), crate::report::shown(&part.title)))?;
    Ok(Outcome::Done)
}

/// The first page has the name that was given, the others a number after it.
fn numbered(path: &Path, page: usize) -> PathBuf {
    if page == 1 {
        return path.to_owned();
    }
    let stem = path.file_stem().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    let ending = path.extension().map_or_else(String::new, |s| s.to_string_lossy().into_owned());
    path.with_file_name(format!("{stem}-{page}.{ending}"))
}
