//! A plan -> what the pupil does when: listen, breathe, answer, beat by beat, for whoever sees it rather than hears it.

use super::Plan;
use crate::units::Seconds;

/// What there is to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Turn {
    /// It has not begun.
    Ready,
    /// The count-in.
    CountIn,
    /// The call sounds.
    Listen,
    /// Between call and answer.
    Breathe,
    /// The pupil's turn.
    Answer,
    /// After the answer.
    Rest,
    /// The drill is over.
    Over,
}

impl Turn {
    /// The word used in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Turn::Ready => "ready",
            Turn::CountIn => "count-in",
            Turn::Listen => "listen",
            Turn::Breathe => "breathe",
            Turn::Answer => "answer",
            Turn::Rest => "rest",
            Turn::Over => "over",
        }
    }

    /// In words.
    pub const fn say(self) -> &'static str {
        match self {
            Turn::Ready => "get ready",
            Turn::CountIn => "counting in",
            Turn::Listen => "listen",
            Turn::Breathe => "breathe",
            Turn::Answer => "your turn",
            Turn::Rest => "rest",
            Turn::Over => "the drill is over",
        }
    }
}

/// A beat of a drill, or a moment at which something else is to be done.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Moment {
    /// From the plan's beginning.
    pub at: Seconds,
    /// Of which round.
    pub round: usize,
    /// What.
    pub turn: Turn,
    /// The beat of it, from 1, where it is counted.
    pub beat: Option<u32>,
}

/// All of a plan, in order; the first at its beginning.
pub fn moments(plan: &Plan) -> Vec<Moment> {
    let mut out = vec![Moment { at: Seconds::ZERO, round: 0, turn: Turn::Ready, beat: None }];
    for (round, r) in plan.rounds.iter().enumerate() {
        let beat = r.beat(&plan.drill).get();
        let mut beats = |turn: Turn, from: Seconds, until: Seconds| {
            let count = ((until - from).get() / beat).round() as u32;
            let at = |k: u32| from + Seconds::of(f64::from(k) * beat);
            out.extend((0..count).map(|k| Moment { at: at(k), round, turn, beat: Some(k + 1) }));
        };
        if round == 0 {
            let counted = Seconds::of(f64::from(plan.guide.count_in) * beat);
            beats(Turn::CountIn, r.call_at - counted, r.call_at);
        }
        beats(Turn::Listen, r.call_at, r.call_end);
        beats(Turn::Breathe, r.call_end, r.answer_at);
        beats(Turn::Answer, r.answer_at, r.answer_end);
        out.push(Moment { at: r.answer_end, round, turn: Turn::Rest, beat: None });
    }
    if let Some(last) = plan.rounds.last() {
        out.push(Moment { at: last.end, round: plan.rounds.len() - 1, turn: Turn::Over, beat: None });
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::drill::{parse, plan};
    use crate::guide::{GuideConfig, Sound};
    use crate::units::EAR_RATE;

    #[test]
    fn every_beat_that_sounds_is_a_moment_and_none_comes_before_the_last() {
        let drill = parse(include_str!("../../reference_takes/lantern-echoes.toml")).unwrap();
        let plan = plan(&drill, 3, &GuideConfig::default(), EAR_RATE);
        let moments = moments(&plan);
        assert!(moments.windows(2).all(|m| m[0].at.get() < m[1].at.get()), "{moments:?}");
        let beats = plan.guide.events.iter().filter(|e| matches!(e.sound, Sound::Beat | Sound::Accent));
        for beat in beats {
            let at = beat.at.to_seconds(EAR_RATE).get();
            let near = |m: &&Moment| (m.at.get() - at).abs() < 1e-3 && m.beat.is_some();
            let moment = moments.iter().find(near).unwrap_or_else(|| panic!("nothing at {at}"));
            assert!(matches!(moment.turn, Turn::CountIn | Turn::Breathe), "{moment:?}");
        }
        let of = |turn: Turn| moments.iter().filter(|m| m.turn == turn).count();
        assert_eq!((of(Turn::Ready), of(Turn::Rest), of(Turn::Over)), (1, plan.rounds.len(), 1));
        assert_eq!(of(Turn::Listen), of(Turn::Answer));
        assert_eq!(of(Turn::CountIn), plan.guide.count_in as usize);
    }
}
