//! What each thing a player can do costs, in nats (minus the natural logarithm of its probability or, for times, of its
//! density in 1/s): the sum over a take is minus the log probability of the whole account, so no weights are needed.
//!
//! Origin: nobody has counted these in children's practice takes. Each is a frequency a teacher would call plausible,
//! written beside it, and is meant to be right to a factor of two; `scripts/measuring/class_figures.rs` shows that the figures do
//! not hang on that factor. Where a take itself tells (jitter, misses, extras, mixed-up surfaces) it is asked instead.

/// A stroke left out: 1 in 30 (the take's own rate replaces it in the second pass).
pub(crate) const MISS: f64 = 3.4;
/// Further strokes left out in the same gap: attention that has gone stays away, so each costs less than the last.
const MISS_MORE: [f64; 4] = [2.2, 1.6, 1.1, 0.8];

/// Cost of `n` strokes left out in a row, the first at `first`.
pub(crate) fn misses(first: f64, n: usize) -> f64 {
    match n {
        0 => 0.0,
        _ => first + (0..n - 1).map(|k| MISS_MORE[k.min(MISS_MORE.len() - 1)]).sum::<f64>(),
    }
}

/// Rates of strikes that nobody wrote, per second. In the piece: 3 a minute to begin with, then the take's own rate.
pub(crate) const EXTRA_RATE: f64 = 0.05;
/// Before the first stroke and after the last: testing the bucket, laying down the sticks; the first two come at one
/// every 7 s,
pub(crate) const OUTSIDE_RATE: f64 = 0.14;
/// and where there are two there may be many (playing about before the take), some 1.6 a second: a pulse of their own.
pub(crate) const OUTSIDE_BURST_RATE: f64 = 1.6;
pub(crate) const OUTSIDE_BURST_FROM: u8 = 2;
/// Inside the piece, after three such in a row without a stroke between: the place is lost and everything may come, one
/// a second.
pub(crate) const LOST_RATE: f64 = 1.0;
pub(crate) const LOST_FROM: u8 = 3;
/// In a written rest: the hand that does not wait; one every 7 s of rest.
pub(crate) const REST_RATE: f64 = 0.14;
/// Shortly after a stroke of one hand: a rebound, a flam; 2 in 100 strokes, anywhere in [`DOUBLE_WINDOW_S`].
pub(crate) const DOUBLE_RATE: f64 = 0.3;
/// After a stroke of both hands: heard as two strikes 1 time in 4.
pub(crate) const BOTH_RATE: f64 = 4.0;
/// A rebound or the other hand follows within this time, in seconds. Hands of beginners meant to fall together stay
/// within 60 ms nearly always; sixteenths at 150 a minute come every 100 ms.
pub(crate) const DOUBLE_WINDOW_S: f64 = 0.09;
/// A rebound or a second hand is hardly ever louder than the first strike: nats for each decibel beyond the slack.
pub(crate) const DOUBLE_LOUDER: f64 = 0.3;
pub(crate) const DOUBLE_SLACK_DB: f64 = 3.0;
/// A further bounce of a stick known to be falling: its time is foretold to about 20 ms, so nearly free.
pub(crate) const BOUNCE: f64 = -0.5;
/// Written strokes hardly ever make such a series by chance: each strike of one taken for a stroke costs this.
pub(crate) const BOUNCE_AS_STROKE: f64 = 4.0;

/// Going on through a rest, in time: 1 rest in 25 is begun to be filled,
pub(crate) const FILL_FIRST: f64 = 3.2;
/// and once begun goes on for some strikes;
pub(crate) const FILL_NEXT: f64 = 0.5;
/// on one of the next few half beats: 1 in 2;
pub(crate) const FILL_PLACE: f64 = 0.7;
/// on a quarter of a beat: 1 in 8 of those.
pub(crate) const FILL_FINE: f64 = 2.0;

/// Beginning elsewhere than at the first stroke: at another section 1 in 90; at a later pass of the first section, or
/// at any one bar, rarer still.
pub(crate) const BEGIN_SECTION: f64 = 4.5;
pub(crate) const BEGIN_LATER_PASS: f64 = 6.0;
pub(crate) const BEGIN_BAR: f64 = 7.0;
/// Counting in with taps: 1 take in 12.
pub(crate) const COUNT_IN: f64 = 2.5;
/// Number of taps, given that there are some: a bar's worth in 4 of 10, two bars' in 1 of 10, any other in 1 of 15.
pub(crate) const COUNT_ONE_BAR: f64 = 0.9;
pub(crate) const COUNT_TWO_BARS: f64 = 2.3;
pub(crate) const COUNT_OTHER: f64 = 2.7;
/// At most so many taps are counted in.
pub(crate) const COUNT_MOST: usize = 8;
/// What a tap is played on: sticks together 1 in 2, else anything in the part.
pub(crate) const COUNT_CLICK: f64 = 0.5;

/// Stopping early: after a section 1 take in 150, after a bar, inside one.
pub(crate) const END_SECTION: f64 = 5.0;
pub(crate) const END_BAR: f64 = 6.0;
pub(crate) const END_INSIDE: f64 = 7.0;

/// One note rushed or late by itself: 1 in 50, anywhere in .8 of a quarter.
pub(crate) const DISPLACED: f64 = 3.9;
pub(crate) const DISPLACED_SPAN: f64 = 0.8;

/// The pulse goes on from a late stroke: after a rest or at a join 1 in 35, at a bar line 1 in 180; elsewhere only
/// stops are common enough (1 stroke in 100).
pub(crate) const LATE_AT_JOIN: f64 = 3.6;
pub(crate) const LATE_AT_BAR: f64 = 5.2;
pub(crate) const LATE_ELSEWHERE: f64 = 4.6;
/// The pulse goes on from an early one: after a rest 1 in 50, anywhere in the rest; elsewhere 1 in 1300.
pub(crate) const EARLY_AFTER_REST: f64 = 3.9;
pub(crate) const EARLY_ELSEWHERE: f64 = 7.2;
/// Less than this is not told from jitter, in quarters.
pub(crate) const SHIFT_LEAST: f64 = 0.14;
/// No shift costs less.
pub(crate) const SHIFT_AT_LEAST: f64 = 2.5;
/// A new tempo from a section's first stroke on: 1 join in 90.
pub(crate) const NEW_TEMPO: f64 = 4.5;

/// How long one stops: half of stops are hesitations of about half a second, half are real pauses of about three.
/// Returns minus the log density at a delay of `late_s` seconds.
pub(crate) fn pause(late_s: f64) -> f64 {
    -(0.5 * (-late_s / 0.5).exp() / 0.5 + long_pause_density(late_s) * 0.5).ln()
}

/// Only the real pauses.
pub(crate) fn long_pause(late_s: f64) -> f64 {
    -long_pause_density(late_s).ln()
}

/// Exponential with a mean of 3 s and, for one pause in ten, of 15 s (the door bell).
fn long_pause_density(late_s: f64) -> f64 {
    0.9 * (-late_s / 3.0).exp() / 3.0 + 0.1 * (-late_s / 15.0).exp() / 15.0
}

/// Jumps in tempo from the end of a bar. From a unit's end (a pass, one time through a repeat) to a unit's start:
/// 1 in 90 for each such place,
pub(crate) const JUMP_UNIT: f64 = 4.5;
/// halved with each pass further back, and to a seventh with each further pass left out;
pub(crate) const JUMP_BACK_A_PASS: f64 = 0.7;
pub(crate) const JUMP_ON_A_PASS: f64 = 2.0;
/// from inside a section to a section's start; the same bar again or the next one left out; another bar of the
/// section; units of other sections; any other bar.
pub(crate) const JUMP_OUT_OF_SECTION: f64 = 6.5;
pub(crate) const JUMP_ONE_BAR: f64 = 6.0;
pub(crate) const JUMP_IN_SECTION: f64 = 7.0;
pub(crate) const JUMP_UNITS_ELSEWHERE: f64 = 7.5;
pub(crate) const JUMP_ANYWHERE: f64 = 9.5;

/// Losing the place altogether, so that what is played fits nowhere: 1 stroke in 1000. Until it is found again strikes come
/// at [`LOST_RATE`], on any surface.
pub(crate) const LOST_ENTER: f64 = 7.0;
/// It lasts 5 s in the mean, seconds;
const LOST_LASTS_S: f64 = 5.0;
/// and one goes on where it was lost, or a little further (1 in 6 for each of the bars that would have come meanwhile), or
/// at the section's or the piece's start; rarely at another section, more rarely anywhere else.
pub(crate) const FOUND_SAME: f64 = 1.5;
pub(crate) const FOUND_NEAR: f64 = 1.8;
pub(crate) const FOUND_NEAR_BARS: usize = 5;
pub(crate) const FOUND_SECTION: f64 = 2.3;
pub(crate) const FOUND_OTHER: f64 = 4.0;
pub(crate) const FOUND_ANYWHERE: f64 = 6.0;

/// Finding the place again `after_s` seconds after the last stroke that was one: minus the log density in time.
pub(crate) fn found_again(after_s: f64) -> f64 {
    LOST_LASTS_S.ln() + after_s.max(0.0) / LOST_LASTS_S
}

/// Stopping and going on elsewhere: back to the start of the section or piece, to this bar or the one before, to a
/// repeat in the section, to an earlier or a later section (and for each pass between), to another bar.
pub(crate) const RESTART_SECTION: f64 = 4.5;
pub(crate) const RESTART_BAR: f64 = 5.2;
pub(crate) const RESTART_UNIT: f64 = 5.5;
pub(crate) const RESTART_EARLIER: f64 = 6.0;
pub(crate) const RESTART_LATER: f64 = 7.2;
pub(crate) const RESTART_A_PASS: f64 = 0.3;
pub(crate) const RESTART_IN_SECTION: f64 = 6.5;
pub(crate) const RESTART_ANYWHERE: f64 = 9.0;

/// A second mix-up of the same two surfaces in a row costs at most this much more than nothing: a run on the wrong
/// surface is one mistake and must not push the path elsewhere.
pub(crate) const MIX_UP_AGAIN: f64 = 0.9;
/// Unused strokes of a take without any match.
pub(crate) const NOTHING_MATCHED: f64 = 50.0;
