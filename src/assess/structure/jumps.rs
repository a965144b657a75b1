//! Findings about the form: repeats too many or too few, sections left out, restarts, late beginnings, early ends.

use super::ties::Leap;
use super::{Take, count, named, witnessed};
use crate::align::{Forbidden, Step};
use crate::assess::{Finding, Kind, Unit};

/// Ending right before the last pass: it was left out, or the recording stopped. Common sense; the sound does not tell.
const ONE_REPEAT_SHORT: f64 = 0.70;
const ONE_SECTION_SHORT: f64 = 0.60;
/// Strikes that must be in place before an early end says anything.
const ENOUGH: usize = 12;

pub(super) fn judge(take: &Take, leaps: &[Leap], findings: &mut Vec<Finding>) {
    began(take, findings);
    for leap in leaps.iter().filter(|leap| !leap.goes_on()) {
        let forbidden = Forbidden { jumps: leap.arrivals.clone(), ..Forbidden::default() };
        let dearer = take.trace.cost_without(&forbidden);
        let share = not_playing_about(take, leap);
        let evidence = format!(
            "told without it the take fits worse by {dearer:.1} nats; {} follow; {:.2} quarter notes late",
            count(take.runs[leap.run].strikes.len(), "strike"),
            leap.gap
        );
        let from = findings.len();
        if leap.to <= leap.from {
            back(take, leap, findings)
        } else {
            on(take, leap, findings)
        }
        for finding in &mut findings[from..] {
            finding.confidence = leap.edge.unwrap_or_else(|| witnessed(finding.kind, dearer)) * share;
            finding.evidence.clone_from(&evidence);
        }
    }
    ended(take, findings);
}

/// Before the piece and after it pupils play about, and some of that fits some bar by chance: the share of belief left
/// for a jump out of a short first stretch, or into a last one after the piece was over. Half of it goes for each three
/// strikes fewer (in the simulated class that tells 175 of 176 fresh starts, four strikes 171, and neither accuses more who
/// only play about); of what goes over into the piece in time, for each strike fewer (common sense). Nobody counts in to
/// play about.
fn not_playing_about(take: &Take, leap: &Leap) -> f64 {
    const HALF: f64 = 3.0;
    const HALF_IN_TIME: f64 = 1.0;
    let n = |run: usize| take.runs[run].strikes.len() as f64;
    let over =
        take.runs[leap.run - 1].strikes.last().is_some_and(|&i| take.stroke(i) + 1 == take.timeline.strokes.len());
    let half = if leap.paused { HALF } else { HALF_IN_TIME };
    let counted_in = take.placed.iter().any(|p| p.step == Step::CountIn);
    let first = if leap.run == 1 && leap.to == 0 && !counted_in { n(0) * HALF / half } else { f64::INFINITY };
    let last = if leap.run + 1 == take.runs.len() && over { n(leap.run) } else { f64::INFINITY };
    1.0 - 0.5f64.powf(first.min(last) / HALF)
}

fn unit_ends(take: &Take, bar: usize) -> bool {
    let bars = &take.timeline.bars;
    bars.get(bar + 1).is_none_or(|b| (b.pass, b.repeat) != (bars[bar].pass, bars[bar].repeat))
}

fn unit_begins(take: &Take, bar: usize) -> bool {
    bar == 0 || unit_ends(take, bar - 1)
}

/// Went back.
fn back(take: &Take, leap: &Leap, findings: &mut Vec<Finding>) {
    let bars = leap.from + 1 - leap.to;
    let again = leap.paused || leap.inside || !(unit_ends(take, leap.from) && unit_begins(take, leap.to));
    let at = Some(take.time(leap.after));
    if leap.paused && same_spot(take, leap) {
        let stroke = take.stroke(leap.after);
        let mut finding = take.finding(Kind::Paused, leap.to, at);
        finding.beat = Some(take.timeline.beat(stroke));
        let last = take.runs[leap.run - 1].strikes[take.runs[leap.run - 1].strikes.len() - 1];
        finding.size = (take.time(leap.after) - take.pulse(last)) / take.quarter(last) / take.beat_length();
        finding.unit = Unit::Beats;
        finding.otherwise = Some(Kind::Restarted);
        finding.text = format!("Stopped at {} and went on from there.", take.place(leap.to));
        return findings.push(finding);
    }
    let kind = if again { Kind::Restarted } else { Kind::RepeatExtra };
    let mut finding = take.finding(kind, leap.to, at);
    finding.size = bars as f64;
    finding.unit = Unit::Bars;
    if again {
        finding.text = format!("Started again at {}.", take.place(leap.to));
    } else {
        finding.bars = Some(span(take, leap, leap.to..leap.from + 1));
        let last = take.runs[leap.run - 1].strikes.last();
        if last.is_some_and(|&i| take.stroke(i) + 1 < take.timeline.bars[leap.from].strokes.end) {
            finding.otherwise = Some(Kind::Restarted);
        }
        finding.text = format!("Played {} once too often from {}.", count(bars, "bar"), take.place(leap.to));
    }
    findings.push(finding);
}

/// The stroke played before the stop is played again after it, and nothing else: either it was no stroke (a stick that
/// fell, a false start) or it hardly matters.
fn same_spot(take: &Take, leap: &Leap) -> bool {
    let Some(&last) = take.runs[leap.run - 1].strikes.last() else { return false };
    let unwritten = (last + 1..leap.after).filter(|&i| take.strikes[i].certainty > 0.5).count();
    let from = last.saturating_sub(2);
    let fell = unwritten >= 2 || (from..leap.after).any(|i| take.placed[i].step == Step::Bounce);
    let back = take.stroke(last) as i64 - take.stroke(leap.after) as i64;
    let inside = take.timeline.bars[leap.to].strokes.start < take.stroke(leap.after);
    back == 0 && (inside || fell) || back == 1 && fell
}

/// Went on further than written.
fn on(take: &Take, leap: &Leap, findings: &mut Vec<Finding>) {
    let left_out = leap.from + 1..leap.to;
    let bars = &take.timeline.bars;
    let (Some(first), Some(last)) = (bars.get(left_out.start), bars.get(left_out.end - 1)) else { return };
    let whole = (left_out.start == 0 || bars[left_out.start - 1].pass != first.pass)
        && bars.get(left_out.end).is_none_or(|b| b.pass != last.pass);
    let at = Some(take.time(leap.after));
    if whole {
        for pass in first.pass..=last.pass {
            let Some(this) = take.timeline.passes.get(pass) else { continue };
            let section = |bar: usize| bars.get(bar).and_then(|b| take.timeline.passes.get(b.pass)).map(|p| &p.section);
            let twin = section(leap.from) == Some(&this.section) || section(leap.to) == Some(&this.section);
            let inner = bars[this.bars.clone()].iter().any(|b| b.repeat.is_some());
            let (kind, otherwise) = if twin && !inner {
                (Kind::RepeatMissing, Kind::SectionSkipped)
            } else {
                (Kind::SectionSkipped, Kind::RepeatMissing)
            };
            let mut finding = take.finding(kind, this.bars.start, at);
            finding.bars = Some((1, this.bars.len() as u32));
            finding.size = left_out.len() as f64;
            finding.unit = Unit::Bars;
            finding.otherwise = Some(otherwise);
            let could = left_out.start - leap.earlier..(left_out.end + leap.later).min(bars.len());
            let passes = take.timeline.passes.iter().filter(|p| p.section == this.section);
            if could.len() > left_out.len()
                && passes.filter(|p| p.bars.start < could.end && could.start < p.bars.end).count() > 1
            {
                finding.pass = None;
            }
            finding.text = match kind {
                Kind::RepeatMissing => format!("Section {} was played once too few.", this.section),
                _ => format!("Section {} was left out.", this.section),
            };
            findings.push(finding);
        }
        return;
    }
    let inner = bars[left_out.clone()].iter().any(|b| b.repeat.is_some());
    let kind = if inner && first.pass == last.pass { Kind::RepeatMissing } else { Kind::SectionSkipped };
    let mut finding = take.finding(kind, left_out.start, at);
    finding.bars = Some(span(take, leap, left_out.clone()));
    finding.size = left_out.len() as f64;
    finding.unit = Unit::Bars;
    finding.text = match kind {
        Kind::RepeatMissing => {
            format!("A repeat is missing: {} from {}.", count(left_out.len(), "bar"), take.place(left_out.start))
        }
        _ => format!("Left out {} from {}.", count(left_out.len(), "bar"), take.place(left_out.start)),
    };
    findings.push(finding);
}

/// Bars of the first bar's pass that a leap over `bars` could concern, as numbers within the section.
fn span(take: &Take, leap: &Leap, bars: std::ops::Range<usize>) -> (u32, u32) {
    let all = &take.timeline.bars;
    let pass = all[bars.start].pass;
    let could = bars.start - leap.earlier.min(bars.start)..(bars.end + leap.later).min(all.len());
    let numbers = all[could].iter().filter(|b| b.pass == pass).map(|b| b.number);
    numbers.fold((u32::MAX, 0), |(a, b), n| (a.min(n), b.max(n)))
}

/// Began elsewhere than at the beginning.
fn began(take: &Take, findings: &mut Vec<Finding>) {
    let Some(&first) = take.runs.first().and_then(|run| run.strikes.first()) else { return };
    let bar = take.bar(first);
    if take.stroke(first) <= 2 || bar == 0 {
        return;
    }
    // Nor may it begin there a little later, with the first strikes played about.
    let late_begin = 0..first + 64;
    let alone = take.trace.cost_without(&Forbidden { late_begin: late_begin.clone(), ..Forbidden::default() });
    // Bars that sound like the first ones: begun there and the rest left out, it sounds the same.
    let bars = take.timeline.bars.len();
    let twins = (0..bar).take_while(|k| bar + k < bars && take.timeline.sound_alike(*k, bar + k)).count();
    let (dearer, share) = if twins == 0 {
        (alone, 1.0)
    } else {
        let last = take.runs[0].strikes.iter().copied().rfind(|&i| take.bar(i) < bar + twins).unwrap_or(first);
        let forbidden = Forbidden { late_begin, jumps: first..last + 3, ..Forbidden::default() };
        (take.trace.cost_without(&forbidden), witnessed(Kind::StartedLate, alone))
    };
    let mut finding = take.finding(Kind::StartedLate, bar, Some(take.time(first)));
    finding.size = bar as f64;
    finding.unit = Unit::Bars;
    finding.confidence = named(witnessed(finding.kind, dearer), share);
    finding.otherwise = Some(Kind::SectionSkipped);
    finding.evidence = format!("told from the beginning the take fits worse by {dearer:.1} nats");
    finding.text = format!("Began at {}; the {} before it were not played.", take.place(bar), count(bar, "bar"));
    findings.push(finding);
}

/// Ended exactly before the last pass of the form.
fn ended(take: &Take, findings: &mut Vec<Finding>) {
    let timeline = take.timeline;
    let matched: usize = take.runs.iter().map(|r| r.strikes.len()).sum();
    let Some(&last) = take.runs.last().and_then(|run| run.strikes.last()) else { return };
    let stroke = take.stroke(last);
    if matched <= ENOUGH || stroke + 1 >= timeline.strokes.len() || !take.opens_pass(stroke + 1) {
        return;
    }
    let bar = timeline.strokes[stroke + 1].bar;
    let pass = timeline.bars[bar].pass;
    if pass + 1 != timeline.passes.len() {
        return;
    }
    let this = &timeline.passes[pass];
    let before = timeline.passes[..pass].iter().any(|p| p.section == this.section);
    let (kind, otherwise, confidence) = if before {
        (Kind::RepeatMissing, Kind::SectionSkipped, ONE_REPEAT_SHORT)
    } else {
        (Kind::SectionSkipped, Kind::RepeatMissing, ONE_SECTION_SHORT)
    };
    let mut finding = take.finding(kind, this.bars.start, Some(take.time(last)));
    finding.bars = Some((1, this.bars.len() as u32));
    finding.size = this.bars.len() as f64;
    finding.unit = Unit::Bars;
    finding.confidence = confidence;
    finding.otherwise = Some(otherwise);
    finding.evidence =
        String::from("the take ends exactly before the last section; it may have been left out or cut off");
    finding.text = format!("The last section {} was not played.", this.section);
    findings.push(finding);
}
