//! What a finding rests on, in words, for the teacher who asks why.

use super::super::finding::{Evidence, Uneven};
use super::{many, number, on};

/// What a finding rests on.
pub fn evidence(evidence: &Evidence) -> String {
    match evidence {
        Evidence::Shift { beats, se, nats } => format!(
            "The pulse goes on {:.2} beats {}, give or take {se:.2}. Had it not moved, what was heard would be {}.",
            beats.abs(),
            if *beats > 0.0 { "late" } else { "early" },
            worse(*nats)
        ),
        Evidence::Jump { nats, follow, late } => format!(
            "{} there, the first of them {:.2} quarter notes {}. Had it gone on as written, what was heard would be {}.",
            if *follow == 1 {
                "One strike follows".to_string()
            } else {
                format!("{} strikes follow", super::capital(&number(*follow)))
            },
            late.abs(),
            if *late < 0.0 { "early" } else { "late" },
            worse(*nats)
        ),
        Evidence::Beginning { nats } => {
            format!("Had it begun at the beginning, what was heard would be {}.", worse(*nats))
        }
        Evidence::Ending => {
            "The take ends exactly before the last section: it may have been left out, or the recording cut off.".into()
        }
        Evidence::Astray { strikes, nats } => format!(
            "{} in a row fit nowhere in the part. Had they a place in it, what was heard would be {}.",
            super::capital(&many(*strikes, "strike")),
            worse(*nats)
        ),
        Evidence::InRest { strikes, odds } => format!(
            "{} in the rest, {} for the pupil's own than for sounds of the room.",
            super::capital(&many(*strikes, "strike")),
            likelier(*odds)
        ),
        Evidence::Sounds(all) => {
            let one = |&(there, of, written, heard): &(usize, usize, _, _)| {
                format!("{there} of {of} strokes written {} sounded as if played {}", on(written), on(heard))
            };
            format!("{}.", super::capital(&all.iter().map(one).collect::<Vec<_>>().join("; ")))
        }
        Evidence::Tempi { parts, change, se, wander } => format!(
            "The tempo in {} equal parts of the take: {}. A change of {:.0} %, give or take {:.0} %, where it wanders by {:.0} % besides.",
            number(parts.len()),
            parts.iter().map(|b| format!("{:.0}", b.get())).collect::<Vec<_>>().join(", "),
            100.0 * change.abs(),
            (100.0 * se).max(1.0),
            (100.0 * wander).max(1.0)
        ),
        Evidence::Hands { difference, se, strokes, told_apart } => {
            let measured = match difference {
                Uneven::Late { by, .. } => format!("{:.0} ms, give or take {:.0} ms", by.millis(), 1e3 * se),
                Uneven::Louder { by, .. } => format!("{:.1} dB, give or take {se:.1} dB", by.0),
            };
            let but = match (difference, told_apart) {
                (Uneven::Late { .. }, false) => {
                    " The sticking puts each hand on or off the beat only, so it may be the offbeats and not the hand."
                }
                (Uneven::Louder { .. }, _) => {
                    " Only strokes of the same surface at the same place in the bar were held side by side."
                }
                _ => "",
            };
            format!("{measured}, over {strokes} strokes.{but}")
        }
        Evidence::TwoSounds { more_than, both, single } => format!(
            "Two sounds more than {:.0} ms apart in {} of {} strokes for both hands, and in {} of {} for one hand.",
            more_than.millis(),
            both.0,
            both.1,
            single.0,
            single.1
        ),
        Evidence::Rise { rise, se, strokes, least } => format!(
            "It came to {:.1} dB, give or take {:.1} dB, over {strokes} strokes; {:.0} dB are the least that is heard as a difference.",
            rise.0, se.0, least.0
        ),
        Evidence::Silence { missing: 1, of, least } => format!(
            "1 of {of} written there was not heard, and nothing would have hidden it: it is missing with a probability of {least:.2}."
        ),
        Evidence::Silence { missing, of, least } => format!(
            "{missing} of {of} written there were not heard, and nothing would have hidden them: the least sure of them is missing with a probability of {least:.2}."
        ),
        Evidence::Middle { played, strokes } => {
            format!("{:.0} quarter notes a minute is the middle of {strokes} strokes.", played.get())
        }
    }
}

/// How much worse an account is: nats as odds, to one figure.
fn worse(nats: f64) -> String {
    match odds(nats) {
        None => "hardly less likely".into(),
        Some(odds) => format!("{odds} times less likely"),
    }
}

fn likelier(nats: f64) -> String {
    match odds(nats) {
        None => "hardly likelier".into(),
        Some(odds) => format!("{odds} times likelier"),
    }
}

fn odds(nats: f64) -> Option<String> {
    let odds = nats.exp();
    if odds.is_nan() || odds < 1.5 {
        return None;
    }
    if odds > 1e6 {
        return Some("more than a million".into());
    }
    let unit = 10f64.powf(odds.log10().floor());
    Some(format!("about {:.0}", (odds / unit).round() * unit))
}
