//! [`Part`] -> [`Practice`]: the whole form, a section, some bars or a join, played through several times.
//!
//! A practice is a [`Timeline`] like any other, so that a take of it is matched and judged as one: every lap is a pass of
//! its own, and the breath between laps is a written rest.

use std::ops::Range;

use super::GuideError;
use crate::part::{Bar, Part, Pass, Rest, Timeline};
use crate::units::{Bpm, Ticks};

/// What of the part is played.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum Excerpt {
    /// All of the form.
    #[default]
    Form,
    /// One section.
    Section(String),
    /// Bars of a section as played out, first and last, from 1.
    Bars(String, u32, u32),
    /// The last bar of one section and the first of the next.
    Join(String, String),
}

impl Excerpt {
    /// Bars of a timeline, within one section or over one join.
    pub fn of_bars(timeline: &Timeline, bars: &Range<usize>) -> Option<Excerpt> {
        let inside = timeline.bars.get(bars.clone())?;
        let (first, last) = (inside.first()?, inside.last()?);
        let name = |pass: usize| timeline.passes.get(pass).map(|p| p.section.clone());
        Some(if first.pass == last.pass {
            Excerpt::Bars(name(first.pass)?, first.number, last.number)
        } else {
            Excerpt::Join(name(first.pass)?, name(last.pass)?)
        })
    }
}

/// What is played, how often, with how much silence between.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Laps {
    /// What of the part.
    pub excerpt: Excerpt,
    /// How often, at least once.
    pub times: u32,
    /// Bars of silence between.
    pub breath: u32,
}

impl Default for Laps {
    fn default() -> Self {
        Laps { excerpt: Excerpt::Form, times: 1, breath: 1 }
    }
}

/// What is to be played, and which of its bars make up each lap.
#[derive(Clone, Debug, PartialEq)]
pub struct Practice {
    /// All laps with their breaths.
    pub timeline: Timeline,
    /// Bars of each lap, without the breath after it, as indices into [`Timeline::bars`].
    pub laps: Vec<Range<usize>>,
}

/// Bars of all laps, at most: as many as a part may have.
const MOST_BARS: u64 = crate::part::MOST_BARS;

impl Practice {
    /// A timeline played once.
    pub fn once(timeline: Timeline) -> Practice {
        let laps = std::iter::once(0..timeline.bars.len()).collect();
        Practice { timeline, laps }
    }

    /// What is to be played of a part. `form`: the sections in order for [`Excerpt::Form`], `None` for the part's own.
    ///
    /// # Errors
    /// A form or an excerpt that names what is not written, or more laps than anybody plays.
    pub fn of(part: &Part, form: Option<&str>, laps: &Laps, bpm: Bpm) -> Result<Practice, GuideError> {
        let timeline = |form: Option<&str>| part.timeline(form, bpm).map_err(GuideError::Form);
        let known = |name: &str| {
            part.section(name).map(|s| s.name.as_str()).ok_or_else(|| GuideError::Section {
                found: name.to_string(),
                written: part.sections.iter().map(|s| s.name.clone()).collect(),
            })
        };
        let (whole, bars) = match &laps.excerpt {
            Excerpt::Form => {
                let whole = timeline(form)?;
                let all = 0..whole.bars.len();
                (whole, all)
            }
            Excerpt::Section(name) => {
                let whole = timeline(Some(known(name)?))?;
                let all = 0..whole.bars.len();
                (whole, all)
            }
            Excerpt::Bars(name, first, last) => {
                let whole = timeline(Some(known(name)?))?;
                let n = whole.bars.len();
                let range = (*first as usize).saturating_sub(1)..*last as usize;
                if *first == 0 || range.start >= range.end || range.end > n {
                    return Err(GuideError::Bars { section: name.clone(), first: *first, last: *last, bars: n });
                }
                (whole, range)
            }
            Excerpt::Join(before, after) => {
                let whole = timeline(Some(&format!("{} {}", known(before)?, known(after)?)))?;
                let seam = whole.passes.first().map_or(0, |p| p.bars.end);
                let bars = seam.saturating_sub(1)..(seam + 1).min(whole.bars.len());
                (whole, bars)
            }
        };
        let each = bars.len() as u64 + u64::from(laps.breath);
        if laps.times == 0 || each * u64::from(laps.times) > MOST_BARS {
            return Err(GuideError::Times { times: laps.times, most: MOST_BARS / each.max(1) });
        }
        if laps.times == 1 && bars.len() == whole.bars.len() {
            return Ok(Practice::once(whole));
        }
        Ok(repeated(&whole, &bars, laps))
    }
}

/// `bars` of `whole`, `laps.times` times, with breaths between.
fn repeated(whole: &Timeline, bars: &Range<usize>, laps: &Laps) -> Practice {
    let mut out = Timeline {
        strokes: Vec::new(),
        bars: Vec::new(),
        passes: Vec::new(),
        rests: Vec::new(),
        swells: Vec::new(),
        ..whole.clone()
    };
    let length = whole.meter.bar();
    let chosen = whole.bars.get(bars.clone()).unwrap_or_default();
    let from = chosen.first().map_or(Ticks(0), |b| b.at);
    let to = from + Ticks(length.0 * chosen.len() as i64);
    let mut spans = Vec::new();
    for lap in 1..=laps.times {
        let moved = out.end() - from;
        let first = out.bars.len();
        let mut last_pass = None;
        for bar in chosen {
            if last_pass != Some(bar.pass) {
                last_pass = Some(bar.pass);
                let section = whole.passes.get(bar.pass).map_or_else(String::new, |p| p.section.clone());
                let number = 1 + out.passes.iter().filter(|p| p.section == section).count();
                let number = u32::try_from(number).unwrap_or(u32::MAX);
                out.passes.push(Pass { section, number, bars: out.bars.len()..out.bars.len() });
            }
            let first_stroke = out.strokes.len();
            let here = out.bars.len();
            for stroke in whole.strokes.get(bar.strokes.clone()).unwrap_or_default() {
                let mut stroke = stroke.clone();
                (stroke.at, stroke.bar) = (stroke.at + moved, here);
                out.strokes.push(stroke);
            }
            push(&mut out, Bar { at: bar.at + moved, pass: 0, strokes: first_stroke..first_stroke, ..bar.clone() });
        }
        spans.push(first..out.bars.len());
        out.rests.extend(
            whole
                .rests
                .iter()
                .filter(|r| r.to > from && r.from < to)
                .map(|r| Rest { from: r.from.max(from) + moved, to: r.to.min(to) + moved }),
        );
        for swell in whole.swells.iter().filter(|s| s.to > from && s.from < to) {
            let mut swell = *swell;
            (swell.from, swell.to) = (swell.from.max(from) + moved, swell.to.min(to) + moved);
            out.swells.push(swell);
        }
        if lap < laps.times && laps.breath > 0 {
            let number = out.bars.last().map_or(0, |b| b.number);
            let begin = out.end();
            for k in 1..=laps.breath {
                let (at, n) = (out.end(), out.strokes.len());
                push(&mut out, Bar { at, pass: 0, number: number + k, repeat: None, strokes: n..n });
            }
            let end = out.end();
            match out.rests.last_mut().filter(|r| r.to == begin) {
                Some(rest) => rest.to = end,
                None => out.rests.push(Rest { from: begin, to: end }),
            }
        }
    }
    Practice { timeline: out, laps: spans }
}

/// Appends a bar to the last pass; the strokes from its first on are its own.
fn push(out: &mut Timeline, mut bar: Bar) {
    bar.pass = out.passes.len().saturating_sub(1);
    bar.strokes.end = out.strokes.len();
    out.bars.push(bar);
    let n = out.bars.len();
    if let Some(pass) = out.passes.last_mut() {
        pass.bars.end = n;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::part::{Surface, parse};

    fn lantern() -> Part {
        parse(
            "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 66, goal = 96 }\nform = \"A A B\"\n\
             [sections.A]\nstrokes = \"|: oxx. o.x. :|2 ooxo oooo | O.-- X.-- |\"\n\
             [sections.B]\nstrokes = \"+.xx +.o. | xx+. o.-- |\"\n",
        )
        .unwrap()
    }

    fn of(excerpt: Excerpt, times: u32) -> Practice {
        let laps = Laps { excerpt, times, breath: 1 };
        Practice::of(&lantern(), None, &laps, Bpm::new(66.0).unwrap()).unwrap()
    }

    #[test]
    fn two_bars_three_times_are_eight_bars_with_two_breaths() {
        let practice = of(Excerpt::Bars("A".into(), 3, 4), 3);
        let t = &practice.timeline;
        assert_eq!(practice.laps, [0..2, 3..5, 6..8]);
        assert_eq!(t.bars.len(), 8);
        assert_eq!(t.strokes.len(), 3 * (8 + 2));
        assert_eq!(
            t.passes.iter().map(|p| (p.section.as_str(), p.number, p.bars.clone())).collect::<Vec<_>>(),
            [("A", 1, 0..3), ("A", 2, 3..6), ("A", 3, 6..8)]
        );
        assert_eq!(t.bars[0].number, 3);
        // The rest that ends the fourth bar goes on through the breath.
        assert!(t.rests.iter().any(|r| r.from == Ticks(2 * 3840 - 960) && r.to == Ticks(3 * 3840)));
        for bar in 0..t.bars.len() {
            for s in &t.strokes[t.bars[bar].strokes.clone()] {
                assert!(s.bar == bar && s.at >= t.bars[bar].at && s.at < t.bars[bar].at + t.meter.bar());
            }
        }
    }

    #[test]
    fn a_join_is_the_last_bar_of_one_section_and_the_first_of_the_next() {
        let practice = of(Excerpt::Join("A".into(), "B".into()), 2);
        assert_eq!(practice.timeline.bars.len(), 5);
        assert_eq!(practice.timeline.strokes[0].surface, Surface::Centre);
        assert_eq!(practice.timeline.strokes[2].surface, Surface::Click);
        assert_eq!(practice.timeline.passes.len(), 4);
    }

    #[test]
    fn the_form_once_is_the_timeline_itself() {
        let part = lantern();
        let bpm = Bpm::new(66.0).unwrap();
        assert_eq!(of(Excerpt::Form, 1).timeline, part.timeline(None, bpm).unwrap());
    }

    #[test]
    fn what_is_not_written_is_refused() {
        let refuse = |excerpt, times| {
            let laps = Laps { excerpt, times, breath: 1 };
            Practice::of(&lantern(), None, &laps, Bpm::new(66.0).unwrap()).unwrap_err().to_string()
        };
        assert!(refuse(Excerpt::Section("C".into()), 1).contains("`C`"));
        assert!(refuse(Excerpt::Bars("A".into(), 3, 5), 1).contains("4 bars"));
        assert!(refuse(Excerpt::Bars("A".into(), 0, 1), 1).contains("bars 0 to 1"));
        assert!(refuse(Excerpt::Section("A".into()), 0).contains("0 times"));
        assert!(refuse(Excerpt::Section("A".into()), 100_000).contains("100000 times"));
    }
}
