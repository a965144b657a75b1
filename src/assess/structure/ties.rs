//! Jumps among identical bars: over which bars the place is unknowable, and one canonical copy of it.
//!
//! A jump from the end of bar m to bar n could as well have come k bars earlier while bar m-k sounds like bar n-1-k, or
//! k bars later while bar m+1+k sounds like bar n+k. Of all of these the told one is a whole pass where there is one
//! (the last such), else one time through a repeat sign, else the last.

use super::Take;
use crate::align::Step;

/// A jump with the places it could have had.
pub(super) struct Leap {
    /// First strike after it.
    pub(super) after: usize,
    /// Run that it opens.
    pub(super) run: usize,
    /// Left the end of this bar (canonical copy) and went on at the start of that.
    pub(super) from: usize,
    pub(super) to: usize,
    /// Could have come so many bars earlier or later than told.
    pub(super) earlier: usize,
    pub(super) later: usize,
    /// Quarters late against going on in tempo.
    pub(super) gap: f64,
    /// There was a stop.
    pub(super) paused: bool,
    /// More than one stroke of the bar was left unplayed.
    pub(super) inside: bool,
    /// The same sounds as a beginning later or an end earlier: the share of belief that is left for the jump.
    pub(super) edge: Option<f64>,
    /// Strikes at which the jump could have arrived.
    pub(super) arrivals: std::ops::Range<usize>,
}

impl Leap {
    /// No bar was left out and none comes again: only the pulse is another.
    pub(super) fn goes_on(&self) -> bool {
        self.to == self.from + 1
    }
}

/// More than this late (quarters) is a stop.
const STOP_QUARTERS: f64 = 0.5;
/// As near as this, beside the jitter, is in time.
const IN_TIME_QUARTERS: f64 = 0.12;
/// With strokes of the bar unplayed, already this much beside the jitter is a stop.
const BROKEN_OFF_QUARTERS: f64 = 0.06;
/// Beginning at the second of two identical copies, or stopping after the first, is a little less likely than having
/// left one out: shares of belief left for leaving out. Common sense; nothing in the sound decides.
const NOT_BEGUN_LATER: f64 = 0.85;
const NOT_ENDED_EARLIER: f64 = 0.75;

/// Finds the jumps, settles their places and moves the strikes in between to the canonical copy.
pub(super) fn settle(take: &mut Take) -> Vec<Leap> {
    let mut leaps: Vec<Leap> = Vec::new();
    for run in 1..take.runs.len() {
        if matches!(take.runs[run].began, Step::Jump | Step::JumpAfterPause)
            && !take.found_again(run)
            && let Some(leap) = leap(take, run)
        {
            leaps.push(leap);
        }
    }
    for leap in &mut leaps {
        if !leap.paused {
            choose(take, leap);
        }
    }
    leaps
}

fn leap(take: &Take, run: usize) -> Option<Leap> {
    let (before, after) = (*take.runs[run - 1].strikes.last()?, take.runs[run].strikes[0]);
    let timeline = take.timeline;
    let (mut from, to) = (take.bar(before), take.bar(after));
    let p = take.quarter(before);
    let q = take.bar_length();
    let offset = take.at[take.stroke(after)] - timeline.bars[to].at.quarters();
    let since = (take.time(after) - take.pulse(before)) / p;
    let gap_from = |bar: usize| since - (timeline.bars[bar].at.quarters() + q - take.at[take.stroke(before)] + offset);
    let mut gap = gap_from(from);
    // Following bars of which hardly anything was heard may have been meant to be played.
    let mut unheard = timeline.bars[from].strokes.end.saturating_sub(take.stroke(before) + 1);
    while let Some(next) = timeline.bars.get(from + 1) {
        unheard += next.strokes.len();
        let later = gap_from(from + 1);
        if unheard > 2 || to == from + 2 || gap <= STOP_QUARTERS || later.abs() > 0.12 + 3.0 * take.jitter() / p {
            break;
        }
        from += 1;
        gap = later;
    }
    let last_stroke = take.stroke(before);
    let inside = timeline.bars[from].strokes.end > last_stroke + 2;
    let in_time = gap.abs() < IN_TIME_QUARTERS + 3.0 * take.jitter() / p;
    let left = timeline.bars[from].strokes.end > last_stroke + 1;
    let paused = match take.runs[run].began {
        Step::JumpAfterPause => !in_time || inside,
        // A bar that breaks off and an arrival not quite in time make a short stop.
        _ => left && gap.abs() > BROKEN_OFF_QUARTERS + 2.0 * take.jitter() / p,
    };
    let (mut earlier, mut later) = (0, 0);
    let low = take.bar(take.runs[run - 1].strikes[0]);
    let high = take.bar(*take.runs[run].strikes.last()?);
    if !paused {
        while from - earlier > low && to > earlier && timeline.sound_alike(from - earlier, to - 1 - earlier) {
            earlier += 1;
        }
        while to + later < high && timeline.sound_alike(from + 1 + later, to + later) {
            later += 1;
        }
    }
    let mut arrivals = after.saturating_sub(2)..after + 3;
    if !paused && earlier + later > 0 {
        let bar_of = |i: usize| take.bar(i);
        let first = take.runs[run - 1].strikes.iter().copied().find(|&i| bar_of(i) + earlier > from);
        let last = take.runs[run].strikes.iter().copied().rfind(|&i| bar_of(i) <= to + later);
        arrivals = first.unwrap_or(after).min(arrivals.start)..(last.unwrap_or(after) + 1).max(arrivals.end);
    }
    let mut leap = Leap { after, run, from, to, earlier, later, gap, paused, inside, edge: None, arrivals };
    leap.edge = edge(take, &leap, low, high);
    Some(leap)
}

/// A skip whose identical bars reach the beginning or the end of what was played is also told by beginning or ending
/// elsewhere.
fn edge(take: &Take, leap: &Leap, low: usize, high: usize) -> Option<f64> {
    if leap.to <= leap.from || leap.paused {
        return None;
    }
    let timeline = take.timeline;
    let n = timeline.bars.len();
    let to_the_end = (0..n - leap.to).all(|k| timeline.sound_alike(leap.from + 1 + k, leap.to + k));
    if high + 1 == n && to_the_end {
        return Some(NOT_ENDED_EARLIER);
    }
    let at_start = leap.from - leap.earlier;
    let twin = (leap.to - 1).checked_sub(leap.from - low);
    let reaches = at_start < low || (at_start == low && low == 0 && twin.is_some_and(|t| timeline.sound_alike(low, t)));
    reaches.then_some(NOT_BEGUN_LATER)
}

/// Picks the canonical place and moves the strikes.
fn choose(take: &mut Take, leap: &mut Leap) {
    let timeline = take.timeline;
    let n = timeline.bars.len() as i64;
    let opens_pass = |b: usize| b == 0 || timeline.bars[b - 1].pass != timeline.bars[b].pass;
    let closes_pass = |b: usize| b + 1 == timeline.bars.len() || timeline.bars[b + 1].pass != timeline.bars[b].pass;
    let opens_time = |b: usize| opens_pass(b) || timeline.bars[b - 1].repeat != timeline.bars[b].repeat;
    let mut best: Option<((u8, i64, i64), i64)> = None;
    for k in -(leap.earlier as i64)..=leap.later as i64 {
        let (m, to) = (leap.from as i64 + k, leap.to as i64 + k);
        let (first, last) = if to <= m { (to, m) } else { (m + 1, to - 1) };
        if m < 0 || to < 0 || m >= n || to >= n || first > last {
            continue;
        }
        let (first, last) = (first as usize, last as usize);
        let whole = opens_pass(first) && closes_pass(last);
        let inner = timeline.bars[first].repeat.is_some() && timeline.bars[last].repeat.is_some() && opens_time(first);
        let rank = match (whole, inner) {
            (true, _) => (2, k, 0),
            (false, true) => (1, timeline.bars[first].pass as i64, -k),
            (false, false) => (0, timeline.bars[first].pass as i64, -k),
        };
        if best.is_none_or(|(b, _)| rank > b) {
            best = Some((rank, k));
        }
    }
    let Some((_, k)) = best else { return };
    if k == 0 {
        return;
    }
    let (from, to) = (leap.from as i64, leap.to as i64);
    let run = if k < 0 { leap.run - 1 } else { leap.run };
    for x in 0..take.runs[run].strikes.len() {
        let i = take.runs[run].strikes[x];
        let bar = take.bar(i) as i64;
        let moved = if k < 0 && bar > from + k && bar <= from {
            bar - from + to - 1
        } else if k > 0 && bar >= to && bar < to + k {
            bar - to + from + 1
        } else {
            continue;
        };
        let Some(target) = usize::try_from(moved).ok().and_then(|m| timeline.bars.get(m)) else { continue };
        let within = take.stroke(i) - timeline.bars[bar as usize].strokes.start;
        take.placed[i].stroke = Some(target.strokes.start + within);
        // The other hand of a stroke goes with it.
        for twin in i + 1..take.placed.len() {
            if take.placed[twin].step != Step::Double {
                break;
            }
            if take.placed[twin].stroke.is_some() {
                take.placed[twin].stroke = take.placed[i].stroke;
            }
        }
    }
    leap.earlier = (leap.earlier as i64 + k) as usize;
    leap.later = (leap.later as i64 - k) as usize;
    leap.from = (from + k) as usize;
    leap.to = (to + k) as usize;
}
