//! What was heard x rounds -> the strikes of each round, what sounds like which surface, where a stroke could be hidden.

use super::fit::fit;
use super::likeness::Sound;
use super::score::{LEADER, LEADER_RINGS, on_leader};
use super::{Plan, Round, Struck, Window};
use crate::chain::Take;
use crate::leak::comes_with;
use crate::onset::{Heard, Onset};
use crate::part::Surface;
use crate::stats::median;
use crate::surface::{self, Calibration, Doubt, Prior, Reading};
use crate::units::{Decibels, Hertz, Seconds};

/// A pupil plays about this much louder than the softest strike that can be heard, or nothing is said about silence.
const AUDIBLE_DB: f64 = 3.0;
/// What must be as loud as this to be heard cannot be: full scale is 0 dB, and `holes` asks for that where sound is lost.
const LOUDEST: f64 = -0.1;
/// Stretches in which a stroke could be hidden may be this share of an answer; beyond it silence says nothing.
const MOST_HIDDEN: f64 = 0.5;
/// What comes with one of the leader's sounds, from a little before it to its room's first echoes, and is softer than it was
/// in the recording, is unsure: mostly left over of it. So is what the ear would not call a strike for itself.
const WITH_LEADER: (Seconds, Seconds) = (Seconds::from_millis(-15.0), Seconds::from_millis(120.0));
const DOUBTED: f64 = 0.6;
/// From this probability on something may have been a stroke.
const MAYBE: f64 = 0.2;
/// Somebody plays if so large a share of the strokes asked for was surely heard. Else what is softer than the calls by so much
/// is unsure: a pupil at the microphone is louder than that, and a room's late echo is not.
pub(super) const SOMEBODY: f64 = 0.25;
const BELOW_LEADER_DB: f64 = 6.0;
/// A strike this sure in the place of a stroke is the pupil's, and says how loud the pupil plays.
const SURELY: f64 = 0.9;
/// Strikes on a surface before it is known how it sounds here.
const KNOWN_SURFACE: usize = 3;
/// Names given to the two surfaces that are exchanged with at least this probability are not held against anyone.
const EXCHANGED: f64 = 0.2;
const FLAT: [f64; Surface::COUNT] = [1.0 / Surface::COUNT as f64; Surface::COUNT];

/// The strikes of one round, as indices and as the score sees them.
pub(super) struct Slot<'a> {
    pub(super) round: &'a Round,
    pub(super) expected: Vec<(Seconds, Surface)>,
    pub(super) beat: Seconds,
    ids: Vec<usize>,
    pub(super) strikes: Vec<Struck>,
    audible: bool,
    hidden: Vec<(Seconds, Seconds)>,
    /// Sound of the answer is lost.
    pub(super) lost: bool,
    maybe: Vec<Seconds>,
}

impl Slot<'_> {
    /// The call's strokes in seconds.
    pub(super) fn times(&self) -> Vec<f64> {
        self.expected.iter().map(|e| e.0.get()).collect()
    }

    /// How one of its strikes sounded. `round`: which slot this is.
    pub(super) fn sound<'a>(&self, round: usize, k: usize, take: &'a Take) -> Sound<'a> {
        Sound { round, features: &take.features[self.ids[k]], level: self.strikes[k].level }
    }

    /// From the call's first beat to the answer's.
    fn call_to_answer(&self) -> Seconds {
        self.round.answer_at - self.round.call_at
    }

    /// Whether a strike lies on one of the leader's, or up to `rings` behind.
    pub(super) fn on_leader(&self, strike: &Struck, rings: Seconds) -> bool {
        on_leader(strike.at + self.call_to_answer(), &self.expected, rings)
    }

    /// As the score looks at it.
    pub(super) fn window(&self) -> Window<'_> {
        Window {
            expected: &self.expected,
            hush: self.round.hush,
            beat: self.beat,
            from_call: self.call_to_answer(),
            breath: self.round.answer_at - self.round.call_end,
            audible: self.audible,
            hidden: &self.hidden,
            maybe: &self.maybe,
            strikes: &self.strikes,
        }
    }
}

/// The strikes of each round. `clock`: where a moment of the plan stands in the take.
pub(super) fn slots<'a>(
    rounds: &'a [Round],
    plan: &Plan,
    take: &Take,
    clock: &impl Fn(Seconds) -> Seconds,
) -> Vec<Slot<'a>> {
    let heard = &take.heard;
    let left_over = |onset: &Onset| {
        let strike = (onset.at, onset.level);
        take.guide.as_ref().is_some_and(|g| comes_with(&g.sounds, &strike, WITH_LEADER, |s| s.leak.0))
    };
    let slot = |round: &'a Round| {
        // The next call's first stroke may be heard a little before its time.
        let (from, to, zero) = (clock(round.call_at), clock(round.end) - LEADER, clock(round.answer_at));
        let ids: Vec<usize> = (0..heard.onsets.len()).filter(|k| (from..to).contains(&heard.onsets[*k].at)).collect();
        let strike = |k: &usize| {
            let o = heard.onsets[*k];
            let certainty = if left_over(&o) { o.certainty.min(DOUBTED) } else { o.certainty };
            Struck {
                at: o.at - zero,
                sigma: o.sigma,
                certainty,
                level: o.level,
                surface: FLAT,
                by_room: Hertz(0.0),
                own: false,
                like_room: false,
            }
        };
        let strikes = ids.iter().map(strike).collect();
        // Also what is too soft to count is no silence.
        let faint = heard.faint.iter().filter(|o| o.certainty >= MAYBE && (from..to).contains(&o.at));
        let maybe = ids.iter().map(|k| &heard.onsets[*k]).chain(faint).map(|o| o.at - zero).collect();
        let (expected, beat) = (round.expected(), round.beat(&plan.drill));
        Slot { round, expected, beat, ids, strikes, audible: true, hidden: Vec::new(), lost: false, maybe }
    };
    rounds.iter().map(slot).collect()
}

/// Who was meant to be what, by time alone.
pub(super) struct Meant {
    /// For each onset the surface written, as prior for the surfaces.
    written: Vec<Option<Surface>>,
    /// Whether it came after a call, or while one sounded but not on the leader's strokes.
    apart: Vec<bool>,
    /// Sure strikes in the place of a stroke: the surface written, the place of the slot and of the strike in it, the level.
    pub(super) sure: Vec<(Surface, (usize, usize), f64)>,
}

impl Meant {
    /// The pupil's middle strike.
    pub(super) fn middle(&self) -> Option<Decibels> {
        median(self.sure.iter().map(|s| s.2)).map(Decibels)
    }

    /// The middle strike on the surface that sounds softest.
    pub(super) fn softest(&self) -> Option<Decibels> {
        let on =
            |surface: &Surface| -> Vec<f64> { self.sure.iter().filter(|s| s.0 == *surface).map(|s| s.2).collect() };
        let enough = Surface::ALL.iter().map(on).filter(|levels| levels.len() >= KNOWN_SURFACE);
        let softest = enough.filter_map(median).min_by(f64::total_cmp).map(Decibels);
        softest.or_else(|| self.middle())
    }
}

/// Holds the calls against what came after them.
pub(super) fn meant(slots: &[Slot], take: &Take) -> Meant {
    let n = take.heard.onsets.len();
    let mut out = Meant { written: vec![None; n], apart: vec![false; n], sure: Vec::new() };
    for (r, slot) in slots.iter().enumerate() {
        let breath = slot.round.answer_at - slot.round.call_end;
        let after: Vec<usize> = (0..slot.ids.len()).filter(|k| slot.strikes[*k].at.get() > -breath.get()).collect();
        for (strike, id) in slot.strikes.iter().zip(&slot.ids) {
            out.apart[*id] = !slot.on_leader(strike, LEADER_RINGS);
        }
        let at: Vec<_> = after.iter().map(|k| slot.strikes[*k].as_at()).collect();
        let found = fit(&slot.times(), &at, slot.beat.get());
        for (i, pair) in found.pairs.iter().enumerate() {
            if let Some(k) = pair.map(|j| after[j]) {
                out.written[slot.ids[k]] = Some(slot.expected[i].1);
                if !slot.round.hush && slot.strikes[k].certainty > SURELY {
                    out.sure.push((slot.expected[i].1, (r, k), slot.strikes[k].level.0));
                }
            }
        }
    }
    out
}

/// Doubts what sounds like none of the pupil's surfaces: hardly one of the pupil's strikes.
pub(super) fn doubt_others(slots: &mut [Slot], take: &Take, meant: &Meant, known: Option<&Calibration>) {
    let chosen: Vec<usize> = (0..meant.apart.len()).filter(|k| meant.apart[*k]).collect();
    let reading = reading(&chosen, take, meant, known);
    let mut others = vec![0.0; meant.apart.len()];
    for (k, told) in chosen.iter().zip(&reading.heard) {
        others[*k] = told.other;
    }
    let known_surface = |w: Surface| meant.sure.iter().filter(|s| s.0 == w).count() >= KNOWN_SURFACE;
    for slot in slots {
        for (strike, id) in slot.strikes.iter_mut().zip(&slot.ids) {
            // A surface that is hardly played in this drill is like none of the others.
            if meant.written[*id].is_none_or(known_surface) {
                strike.certainty *= 1.0 - others[*id];
            }
        }
    }
}

fn reading(chosen: &[usize], take: &Take, meant: &Meant, known: Option<&Calibration>) -> Reading {
    let features: Vec<_> = chosen.iter().map(|k| take.features[*k]).collect();
    let given: Vec<Prior> = chosen.iter().map(|k| Prior { written: meant.written[*k], pass: None }).collect();
    surface::tell(&features, Some(&given), known)
}

/// Tells the surfaces of all answers apart, from what was meant for a stroke and is not liker the room's sounds: these would
/// have a surface's name among them. Says whether they can be told apart, and which sound mostly as written.
pub(super) fn tell_surfaces(
    slots: &mut [Slot],
    take: &Take,
    meant: &Meant,
    known: Option<&Calibration>,
) -> (bool, [bool; Surface::COUNT]) {
    let mut chosen = Vec::new();
    for slot in slots.iter() {
        let ids = slot.strikes.iter().zip(&slot.ids);
        chosen.extend(ids.filter(|(s, id)| meant.written[**id].is_some() && !s.like_room).map(|(_, id)| *id));
    }
    let reading = reading(&chosen, take, meant, known);
    let mut surfaces = vec![FLAT; meant.apart.len()];
    let mut as_written = [(0, 0); Surface::COUNT];
    for (k, told) in chosen.iter().zip(&reading.heard) {
        surfaces[*k] = told.p;
        if let Some(written) = meant.written[*k] {
            let (same, all) = &mut as_written[written.index()];
            *same += usize::from(told.best().0 == written);
            *all += 1;
        }
    }
    for slot in slots {
        for (strike, id) in slot.strikes.iter_mut().zip(&slot.ids) {
            strike.surface = surfaces[*id];
        }
    }
    let apart = !reading.doubts.iter().any(|d| match d {
        Doubt::Exchanged { p, .. } => *p >= EXCHANGED,
        Doubt::NotToldApart { .. } => true,
        Doubt::OneSurface { .. } => false,
    });
    let given = |surface| known.is_some_and(|c| c.strikes.iter().any(|s| s.0 == surface));
    (apart, known_surfaces(&as_written, given))
}

/// The surfaces of which it is known how they sound here: struck in so many places where they are written, or `given` before,
/// and mostly sounding so. `as_written`: strikes that sound as written, and all that were written, of each surface.
fn known_surfaces(
    as_written: &[(usize, usize); Surface::COUNT],
    given: impl Fn(Surface) -> bool,
) -> [bool; Surface::COUNT] {
    Surface::ALL.map(|surface| {
        let (same, all) = as_written[surface.index()];
        (all >= KNOWN_SURFACE || given(surface)) && 2 * same >= all
    })
}

/// Where hardly anybody plays, what is softer than the calls is doubted.
pub(super) fn doubt_the_leader(slots: &mut [Slot], take: &Take, sure: usize) {
    let asked: usize = slots.iter().filter(|s| !s.round.hush).map(|s| s.expected.len()).sum();
    if sure > 0 && sure as f64 >= SOMEBODY * asked as f64 {
        return;
    }
    let taken_out = take.guide.as_ref().and_then(|g| median(g.sounds.iter().map(|s| s.leak.0)));
    // Where too few calls have sounded to be taken out they are still there.
    let mut there = Vec::new();
    for slot in slots.iter() {
        there.extend(slot.strikes.iter().filter(|s| slot.on_leader(s, LEADER)).map(|s| s.level.0));
    }
    let leader = taken_out.into_iter().chain(median(there)).fold(f64::NEG_INFINITY, f64::max);
    let floor = leader - BELOW_LEADER_DB;
    for strike in slots.iter_mut().flat_map(|s| &mut s.strikes).filter(|s| s.level.0 < floor) {
        strike.certainty = strike.certainty.min(DOUBTED);
    }
}

/// Stretches of an answer in which a stroke of this level could be hidden, counted from `zero`.
fn hidden(heard: &Heard, zero: Seconds, until: Seconds, level_db: f64) -> Vec<(Seconds, Seconds)> {
    let first = heard.audibility.partition_point(|a| a.from <= zero).saturating_sub(1);
    let stretches = &heard.audibility[first.min(heard.audibility.len())..];
    let ends = stretches.iter().skip(1).map(|a| a.from).chain([heard.duration]);
    (stretches.iter().zip(ends).take_while(|(a, _)| a.from < until))
        .filter(|(a, _)| a.threshold.0 > level_db - AUDIBLE_DB)
        .map(|(a, end)| (a.from - zero, end - zero))
        .collect()
}

/// Marks where strokes could be hidden; says in how many rounds silence tells nothing.
pub(super) fn mark_hidden(
    slots: &mut [Slot],
    heard: &Heard,
    clock: &impl Fn(Seconds) -> Seconds,
    level: Option<Decibels>,
) -> usize {
    let mut deaf = 0;
    for slot in slots {
        let (from, to) = (clock(slot.round.answer_at), clock(slot.round.answer_end));
        slot.hidden = level.map(|l| hidden(heard, from, to, l.0)).unwrap_or_default();
        let lasts = (to - from).get();
        let length: f64 = slot.hidden.iter().map(|h| (h.1.get().min(lasts) - h.0.get().max(0.0)).max(0.0)).sum();
        slot.audible = length <= MOST_HIDDEN * lasts;
        // Where not even the loudest stroke could be heard, there is no sound.
        slot.lost = !hidden(heard, from, to, LOUDEST + AUDIBLE_DB).is_empty();
        deaf += usize::from(!slot.audible && !slot.lost);
    }
    deaf
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn how_a_surface_sounds_is_known_where_it_was_struck_as_written_or_given_before() {
        // Centre as written; rim mostly not; two clicks; of pat and clap nothing.
        let as_written = [(9, 10), (2, 6), (2, 2), (0, 0), (0, 0)];
        assert_eq!(known_surfaces(&as_written, |_| false), [true, false, false, false, false]);
        assert_eq!(known_surfaces(&as_written, |s| s != Surface::Pat), [true, false, true, false, true]);
    }
}
