//! [`Part`] -> [`Timeline`]: repeats unrolled, sections in the order of the form, every stroke at its tick.

use super::error::{Gather, Origin, PartErrors};
use super::read::{check_form, split_form};
use super::row::RowText;
use super::section::{Act, Mark};
use super::{Bar, Dynamic, Part, Pass, Rest, Stroke, Swell, Timeline};
use crate::units::Bpm;

impl Part {
    /// What is expected in a take of the given form (`None`: the part's own) at the given tempo.
    ///
    /// # Errors
    /// A form that names a section which is not written, holds nothing, or would play for hours.
    pub fn timeline(&self, form: Option<&str>, bpm: Bpm) -> Result<Timeline, PartErrors> {
        let own = self.form.join(" ");
        let text = form.unwrap_or(&own);
        let row = RowText { chars: text.char_indices().map(|(b, c)| (c, b)).collect(), span: 0..text.len() };
        let names = split_form(&row);
        let mut errors = Gather::new(text, Origin::Form);
        check_form(&names, row.span, &self.sections, &mut errors);
        if !errors.is_empty() {
            return Err(errors.refuse());
        }
        let mut out = Timeline {
            title: self.title.clone(),
            meter: self.meter,
            bpm,
            range: self.range,
            strokes: Vec::new(),
            bars: Vec::new(),
            passes: Vec::new(),
            rests: Vec::new(),
            swells: Vec::new(),
        };
        for (name, _) in &names {
            self.append(name, &mut out);
        }
        Ok(out)
    }

    fn append(&self, name: &str, out: &mut Timeline) {
        let Some(section) = self.section(name) else { return };
        let number = 1 + out.passes.iter().filter(|p| p.section == name).count();
        let first_bar = out.bars.len();
        let mut level: Option<Dynamic> = None;
        // Whether the last swell or fade can still go on, and the bar as written it last stood in.
        let mut running = false;
        let mut previous: Option<usize> = None;
        for (written, repeat) in section.unrolled() {
            let bar_at = out.end();
            let bar = out.bars.len();
            let first_stroke = out.strokes.len();
            // Going back to a repeat's first bar begins its swell anew.
            if running && previous.is_some_and(|p| p + 1 != written) {
                (running, level) = (false, None);
            }
            previous = Some(written);
            for cell in section.bars.get(written).map(|b| b.cells.as_slice()).unwrap_or_default() {
                let from = bar_at + cell.from;
                let to = from + cell.len;
                match cell.mark {
                    Some(Mark::Dynamic(dynamic)) => {
                        level = Some(dynamic);
                        running = false;
                    }
                    Some(mark @ (Mark::Swell | Mark::Fade)) => {
                        let rising = mark == Mark::Swell;
                        match out.swells.last_mut().filter(|s| running && s.rising == rising && s.to == from) {
                            Some(swell) => swell.to = to,
                            None => out.swells.push(Swell { from, to, rising }),
                        }
                        running = true;
                    }
                    // A swell goes on through a stroke that rings on; a rest or a stroke without the sign ends it.
                    // Where it has led to nobody has written.
                    None if cell.act != Act::Ring => {
                        if running {
                            (running, level) = (false, None);
                        }
                    }
                    None => {
                        if let Some(swell) = out.swells.last_mut().filter(|s| running && s.to == from) {
                            swell.to = to;
                        }
                    }
                }
                match cell.act {
                    Act::Strike(surface, hands) => out.strokes.push(Stroke { at: from, bar, surface, hands, level }),
                    Act::Rest => match out.rests.last_mut().filter(|r| r.to == from) {
                        Some(rest) => rest.to = to,
                        None => out.rests.push(Rest { from, to }),
                    },
                    Act::Ring => {}
                }
            }
            let number = u32::try_from(bar - first_bar + 1).unwrap_or(u32::MAX);
            out.bars.push(Bar {
                at: bar_at,
                pass: out.passes.len(),
                number,
                repeat,
                strokes: first_stroke..out.strokes.len(),
            });
        }
        let number = u32::try_from(number).unwrap_or(u32::MAX);
        out.passes.push(Pass { section: name.to_string(), number, bars: first_bar..out.bars.len() });
    }
}
