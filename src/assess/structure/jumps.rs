//! Findings about the form: repeats too many or too few, sections left out, restarts, late beginnings, early ends.

use super::ties::Leap;
use super::{Take, witnessed};
use crate::align::{Forbidden, Step};
use crate::assess::finding::{Evidence, Kind, Passes, Place, What};
use crate::assess::suspicion::{Suspicion, probability};

/// Ending right before the last pass: it was left out, or the recording stopped. Common sense; the sound does not tell.
const ONE_REPEAT_SHORT: f64 = 0.70;
const ONE_SECTION_SHORT: f64 = 0.60;
/// Strikes that must be in place before an early end says anything.
const ENOUGH: usize = 12;

pub(super) fn judge(take: &Take, leaps: &[Leap]) -> Vec<Suspicion> {
    let mut out: Vec<Suspicion> = began(take).into_iter().collect();
    for leap in leaps.iter().filter(|leap| !leap.goes_on()) {
        let forbidden = Forbidden { jumps: leap.arrivals.clone(), ..Forbidden::default() };
        let nats = take.trace.cost_without(&forbidden);
        let share = not_playing_about(take, leap);
        let evidence = Evidence::Jump { nats, follow: take.runs[leap.run].strikes.len(), late: leap.gap };
        let suspected = if leap.to <= leap.from { vec![back(take, leap, evidence)] } else { on(take, leap, &evidence) };
        for mut one in suspected {
            one.odds = witnessed(&one.what, nats);
            out.push(match leap.edge {
                Some(edge) => one.posterior(edge * share),
                None => one.doubted(share),
            });
        }
    }
    out.extend(ended(take));
    out
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
fn back(take: &Take, leap: &Leap, evidence: Evidence) -> Suspicion {
    let bars = leap.from + 1 - leap.to;
    let again = leap.paused || leap.inside || !(unit_ends(take, leap.from) && unit_begins(take, leap.to));
    let at = take.time(leap.after);
    let last = take.runs[leap.run - 1].strikes.last().copied();
    if let Some(last) = last.filter(|_| leap.paused && same_spot(take, leap)) {
        let beats = (take.time(leap.after) - take.pulse(last)) / take.quarter(last) / take.beat_length();
        let what = What::Paused { beats, fell: take.fell(last, leap.after) };
        let place = Place { stroke: Some(take.stroke(leap.after)), ..Place::bar(leap.to) };
        return Suspicion { otherwise: Some(Kind::Restarted), ..take.suspicion(what, place, at, evidence) };
    }
    if again {
        let what = What::Restarted { left: leap.from, bars };
        return take.suspicion(what, Place::bar(leap.to), at, evidence);
    }
    let place = Place { bars: span(take, leap, leap.to..leap.from + 1), ..Place::bar(leap.to) };
    let broken = last.is_some_and(|i| take.stroke(i) + 1 < take.timeline.bars[leap.from].strokes.end);
    let otherwise = broken.then_some(Kind::Restarted);
    Suspicion { otherwise, ..take.suspicion(What::RepeatExtra { bars }, place, at, evidence) }
}

/// The stroke played before the stop is played again after it, and nothing else: either it was no stroke (a stick that
/// fell, a false start) or it hardly matters.
fn same_spot(take: &Take, leap: &Leap) -> bool {
    let Some(&last) = take.runs[leap.run - 1].strikes.last() else { return false };
    let unwritten = (last + 1..leap.after).filter(|&i| take.strikes[i].certainty > 0.5).count();
    let fell = unwritten >= 2 || take.fell(last, leap.after);
    let back = take.stroke(last) as i64 - take.stroke(leap.after) as i64;
    let inside = take.timeline.bars[leap.to].strokes.start < take.stroke(leap.after);
    back == 0 && (inside || fell) || back == 1 && fell
}

/// Went on further than written.
fn on(take: &Take, leap: &Leap, evidence: &Evidence) -> Vec<Suspicion> {
    let left_out = leap.from + 1..leap.to;
    let bars = &take.timeline.bars;
    let (Some(first), Some(last)) = (bars.get(left_out.start), bars.get(left_out.end - 1)) else { return Vec::new() };
    let whole = (left_out.start == 0 || bars[left_out.start - 1].pass != first.pass)
        && bars.get(left_out.end).is_none_or(|b| b.pass != last.pass);
    let at = take.time(leap.after);
    let n = left_out.len();
    if whole {
        let of_pass = |pass: usize| {
            let this = take.timeline.passes.get(pass)?;
            let section = |bar: usize| bars.get(bar).and_then(|b| take.timeline.passes.get(b.pass)).map(|p| &p.section);
            let twin = section(leap.from) == Some(&this.section) || section(leap.to) == Some(&this.section);
            let inner = bars[this.bars.clone()].iter().any(|b| b.repeat.is_some());
            let bars_left_out = n.min(this.bars.len());
            let (what, otherwise) = if twin && !inner {
                (What::RepeatMissing { bars: bars_left_out }, Kind::SectionSkipped)
            } else {
                (What::SectionSkipped { bars: bars_left_out }, Kind::RepeatMissing)
            };
            let could = left_out.start - leap.earlier..(left_out.end + leap.later).min(bars.len());
            let passes = take.timeline.passes.iter().filter(|p| p.section == this.section);
            let unknown =
                could.len() > n && passes.filter(|p| p.bars.start < could.end && could.start < p.bars.end).count() > 1;
            let passes = if unknown { Passes::Unknown } else { Passes::This };
            let place = Place { bars: this.bars.clone(), passes, ..Place::bar(this.bars.start) };
            Some(Suspicion { otherwise: Some(otherwise), ..take.suspicion(what, place, at, evidence.clone()) })
        };
        return (first.pass..=last.pass).filter_map(of_pass).collect();
    }
    let inner = bars[left_out.clone()].iter().any(|b| b.repeat.is_some());
    let what = if inner && first.pass == last.pass {
        What::RepeatMissing { bars: n }
    } else {
        What::SectionSkipped { bars: n }
    };
    let place = Place { bars: span(take, leap, left_out.clone()), ..Place::bar(left_out.start) };
    vec![take.suspicion(what, place, at, evidence.clone())]
}

/// Bars of the first bar's pass that a leap over `bars` could concern.
fn span(take: &Take, leap: &Leap, bars: std::ops::Range<usize>) -> std::ops::Range<usize> {
    let all = &take.timeline.bars;
    let pass = all[bars.start].pass;
    let own = take.timeline.passes.get(pass).map_or(bars.clone(), |p| p.bars.clone());
    let could = bars.start - leap.earlier.min(bars.start)..(bars.end + leap.later).min(all.len());
    could.start.max(own.start)..could.end.min(own.end)
}

/// Began elsewhere than at the beginning.
fn began(take: &Take) -> Option<Suspicion> {
    let &first = take.runs.first().and_then(|run| run.strikes.first())?;
    let bar = take.bar(first);
    if take.stroke(first) <= 2 || bar == 0 {
        return None;
    }
    // Nor may it begin there a little later, with the first strikes played about.
    let late_begin = 0..first + 64;
    let alone = take.trace.cost_without(&Forbidden { late_begin: late_begin.clone(), ..Forbidden::default() });
    // Bars that sound like the first ones: begun there and the rest left out, it sounds the same.
    let bars = take.timeline.bars.len();
    let twins = (0..bar).take_while(|k| bar + k < bars && take.timeline.sound_alike(*k, bar + k)).count();
    let what = What::StartedLate { bars: bar };
    let (nats, share) = if twins == 0 {
        (alone, 1.0)
    } else {
        let last = take.runs[0].strikes.iter().copied().rfind(|&i| take.bar(i) < bar + twins).unwrap_or(first);
        let forbidden = Forbidden { late_begin, jumps: first..last + 3, ..Forbidden::default() };
        (take.trace.cost_without(&forbidden), probability(&what, witnessed(&what, alone)))
    };
    let odds = witnessed(&what, nats);
    let suspicion = take.suspicion(what, Place::bar(bar), take.time(first), Evidence::Beginning { nats });
    Some(Suspicion { odds, share, otherwise: Some(Kind::SectionSkipped), ..suspicion })
}

/// Ended exactly before the last pass of the form.
fn ended(take: &Take) -> Option<Suspicion> {
    let timeline = take.timeline;
    let matched: usize = take.runs.iter().map(|r| r.strikes.len()).sum();
    let &last = take.runs.last().and_then(|run| run.strikes.last())?;
    let stroke = take.stroke(last);
    if matched <= ENOUGH || stroke + 1 >= timeline.strokes.len() || !take.opens_pass(stroke + 1) {
        return None;
    }
    let bar = timeline.strokes[stroke + 1].bar;
    let pass = timeline.bars[bar].pass;
    if pass + 1 != timeline.passes.len() {
        return None;
    }
    let this = &timeline.passes[pass];
    let bars = this.bars.len();
    let (what, otherwise, confidence) = if timeline.passes[..pass].iter().any(|p| p.section == this.section) {
        (What::RepeatMissing { bars }, Kind::SectionSkipped, ONE_REPEAT_SHORT)
    } else {
        (What::SectionSkipped { bars }, Kind::RepeatMissing, ONE_SECTION_SHORT)
    };
    let place = Place { bars: this.bars.clone(), ..Place::bar(this.bars.start) };
    let suspicion = take.suspicion(what, place, take.time(last), Evidence::Ending);
    Some(Suspicion { otherwise: Some(otherwise), ..suspicion.posterior(confidence) })
}
