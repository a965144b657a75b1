//! The pages and charts of a take in the folder of reports: every take has its own, whatever it is called.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use anyhow::{Context, Result, anyhow};

use super::files::kept;
use crate::assess::Assessment;
use crate::files::{self, FileError, Shown as _, file_name};
use crate::report::chart::{self, ChartError, ChartStyle};
use crate::report::{Meta, page, text};

/// Longest name of a take that stands in the names of its pages as it is, in bytes: file systems end at 255.
const LONGEST: usize = 180;

/// A folder for reports, shared by takes that are assessed side by side.
pub(super) struct Reports<'a> {
    folder: &'a Path,
    /// What the pages of this run's takes are called.
    taken: Mutex<BTreeSet<String>>,
}

impl Reports<'_> {
    pub(super) fn in_folder(folder: &Path) -> Reports<'_> {
        Reports { folder, taken: Mutex::default() }
    }

    /// Writes the pages and charts of a take; the summary and what was written, in words.
    pub(super) fn write(&self, take: &Path, assessment: &Assessment, meta: &Meta) -> Result<String> {
        let style = ChartStyle::alone(meta.clone());
        let mut wanted: Vec<(&str, Vec<u8>)> = vec![
            ("-teacher.html", page::teacher(assessment, meta)?.into_bytes()),
            ("-pupil.html", page::pupil(assessment, meta)?.into_bytes()),
            ("-chart.svg", chart::svg(assessment, &style)?.into_bytes()),
        ];
        let picture = picture(assessment, &style)?;
        let too_long = picture.is_none();
        wanted.extend(picture.map(|bytes| ("-chart.png", bytes)));
        let of = files::ordinary(take)
            .and_then(|mut file| files::sum_of(&mut file))
            .with_context(|| format!("cannot read `{}`", take.shown()))?;
        let stem = stem(take);
        let mut out = text::summary(assessment, meta);
        out.push_str("\nWritten:\n");
        'names: for n in 1_u32.. {
            let name = if n == 1 { stem.clone() } else { format!("{stem}-{n}") };
            let place = |ending: &str| self.folder.join(format!("{name}{ending}"));
            let mut free = true;
            for (ending, _) in &wanted {
                free &= kept(files::is_free(&place(ending), &of))?;
            }
            if !free || !self.taken.lock().is_ok_and(|mut taken| taken.insert(name.clone())) {
                continue;
            }
            let mut written: Vec<PathBuf> = Vec::new();
            for (ending, bytes) in &wanted {
                match files::put(&place(ending), bytes.clone(), &of) {
                    // Another program was faster with this name.
                    Err(FileError::Other { .. } | FileError::Foreign { .. }) if written.is_empty() => continue 'names,
                    other => kept(other)?,
                }
                written.push(place(ending));
            }
            written.iter().for_each(|path| out.push_str(&format!("  {}\n", path.shown())));
            if too_long {
                out.push_str("The chart is too long for a picture; the pages and the SVG hold all of it.\n");
            }
            return Ok(out);
        }
        Err(anyhow!("there is no name left for the pages of `{}`", take.shown()))
    }
}

/// The chart as a picture, coarser where it is long; none where it is too long for one.
fn picture(assessment: &Assessment, style: &ChartStyle) -> Result<Option<Vec<u8>>, ChartError> {
    for scale in (1..=style.scale).rev() {
        match chart::png(assessment, &ChartStyle { scale, ..style.clone() }) {
            Err(ChartError::TooLarge { .. }) => {}
            other => return other.map(Some),
        }
    }
    Ok(None)
}

fn stem(take: &Path) -> String {
    let name = take.file_stem().map_or("take".into(), |s| s.to_string_lossy().into_owned());
    let plain = name.len() <= LONGEST && !name.chars().any(files::is_unsafe);
    if plain { name } else { file_name(&name) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::chain::{Take, judge};
    use crate::part::parse;

    #[test]
    fn a_chart_too_long_for_a_picture_has_a_coarser_one() {
        let part = parse(include_str!("../../reference_takes/lantern-parade.toml")).unwrap();
        let timeline = part.timeline(None, part.range.start).unwrap();
        let assessment = judge(&Take::default(), &timeline, None);
        let style = ChartStyle { scale: 60, ..ChartStyle::alone(Meta::default()) };
        assert!(matches!(chart::png(&assessment, &style), Err(ChartError::TooLarge { .. })));
        let picture = picture(&assessment, &style).unwrap().unwrap();
        // Width and height stand in the first chunk (PNG, 11.2.2).
        let wide = u32::from_be_bytes(picture[16..20].try_into().unwrap());
        assert!(wide >= style.width && wide < style.width * style.scale, "{wide}");
    }
}
