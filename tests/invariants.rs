//! What must stay the same when a take changes in a way that says nothing new, and what must change by one when one thing
//! does.
#![allow(clippy::unwrap_used, reason = "a test may stop at the first surprise")]

use pailbeat::align::{AlignConfig, Strike, align, trace};
use pailbeat::assess::{Assessment, Hearing, Limit, Status, assess};
use pailbeat::part::{Surface, Timeline, parse};
use pailbeat::units::{Decibels, Seconds};
use proptest::prelude::*;

#[path = "common/rng.rs"]
#[allow(dead_code, unreachable_pub)]
mod rng;
use rng::Rng;

const PARTS: [&str; 3] = [
    include_str!("../reference_takes/lantern-parade.toml"),
    "title = \"Six\"\nmeter = \"6/8\"\nbpm = { start = 50, goal = 90 }\nform = \"A B A\"\n[sections.A]\nstrokes = \"o.xo.x | oxxo-- | +.xo.x\"\n[sections.B]\nstrokes = \"+.+xxx | o.x+-- | O.x...\"\n",
    "title = \"Three\"\nmeter = \"3/4\"\nbpm = { start = 60, goal = 100 }\nform = \"A B\"\n[sections.A]\nstrokes = \"ox+.x. | o.xxo. | oo+.-- | x.oxx.\"\n[sections.B]\nstrokes = \"x.o+.x | O.xoxo | x.--o. | +.X...\"\n",
];

fn line(which: usize) -> Timeline {
    let part = parse(PARTS[which]).unwrap();
    part.timeline(None, part.range.start).unwrap()
}

/// Played as written from `start` on, each strike off by its share of `jitter`.
fn played(line: &Timeline, start: f64, jitter: f64, off: &[f64]) -> Vec<Strike> {
    (line.strokes.iter().zip(off.iter().cycle()))
        .map(|(stroke, off)| {
            let mut surface = [0.01; Surface::COUNT];
            surface[stroke.surface.index()] = 0.96;
            Strike {
                at: Seconds::of(start + stroke.at.to_seconds(line.bpm).get() + jitter * off),
                sigma: Seconds::from_millis(0.5),
                level: Decibels(-18.0),
                certainty: 0.99,
                surface,
            }
        })
        .collect()
}

fn judged(line: &Timeline, strikes: &[Strike]) -> Assessment {
    let end = strikes.last().map_or(Seconds::ZERO, |s| s.at) + Seconds::of(2.0);
    assess(line, strikes, &[], &trace(line, strikes, &AlignConfig::default()), &Hearing::clear(end))
}

fn missed(take: &Assessment) -> Vec<usize> {
    (0..take.strokes.len()).filter(|&j| take.strokes[j].status != Status::Played).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn a_take_that_begins_later_is_judged_alike_and_later(
        which in 0usize..3, start in 0.5f64..4.0, later in 0.1f64..30.0, off in prop::collection::vec(-1.0f64..1.0, 40)
    ) {
        let line = line(which);
        let (here, there) = (played(&line, start, 0.02, &off), played(&line, start + later, 0.02, &off));
        let (a, b) = (judged(&line, &here), judged(&line, &there));
        prop_assert_eq!(a.strikes.len(), b.strikes.len());
        for (x, y) in a.strikes.iter().zip(&b.strikes) {
            prop_assert_eq!(x.stroke, y.stroke);
            prop_assert!(((y.at - x.at).get() - later).abs() < 1e-9);
        }
        prop_assert_eq!(a.findings.len(), b.findings.len());
    }

    #[test]
    fn one_strike_taken_away_is_exactly_one_stroke_not_played(
        which in 0usize..3, at in 0.0f64..1.0, off in prop::collection::vec(-1.0f64..1.0, 40)
    ) {
        let line = line(which);
        let mut strikes = played(&line, 1.0, 0.015, &off);
        prop_assert_eq!(missed(&judged(&line, &strikes)), Vec::<usize>::new());
        // Without the first or the last stroke the take may begin late or end early.
        let j = 1 + (at * (strikes.len() - 2) as f64) as usize;
        strikes.remove(j.min(line.strokes.len() - 2));
        prop_assert_eq!(missed(&judged(&line, &strikes)), vec![j.min(line.strokes.len() - 2)]);
    }

    #[test]
    fn levels_all_raised_alike_change_nothing(
        which in 0usize..3, louder in -30.0f64..17.0, off in prop::collection::vec(-1.0f64..1.0, 40)
    ) {
        let line = line(which);
        let strikes = played(&line, 1.0, 0.02, &off);
        let raised: Vec<Strike> =
            strikes.iter().map(|s| Strike { level: Decibels(s.level.0 + louder), ..*s }).collect();
        let place = |strikes: &[Strike]| -> Vec<Option<usize>> {
            align(&line, strikes, &AlignConfig::default()).placed.iter().map(|p| p.stroke).collect()
        };
        prop_assert_eq!(place(&strikes), place(&raised));
    }

    #[test]
    fn a_take_in_another_order_is_no_take_of_the_part(which in 0usize..3, seed in any::<u64>()) {
        let line = line(which);
        let strikes = played(&line, 1.0, 0.0, &[0.0]);
        // Every interval and every surface drawn anew from those there are.
        let mut rng = Rng(seed);
        let mut draw = |n: usize| rng.below(n);
        let mut at = 1.0;
        let shuffled: Vec<Strike> = (0..strikes.len())
            .map(|_| {
                let k = draw(strikes.len() - 1);
                at += (strikes[k + 1].at - strikes[k].at).get() * [0.71, 1.0, 1.37][draw(3)];
                Strike { at: Seconds::of(at), surface: strikes[draw(strikes.len())].surface, ..strikes[0] }
            })
            .collect();
        let take = judged(&line, &shuffled);
        // Refused, or the doubt is said first: never a page that looks sure of itself.
        prop_assert!(take.clock.is_none() || take.limits[0] == Limit::PerhapsAnotherPart, "{:?}", take.limits);
    }
}
