//! Claims about the aligner as a whole; the simulated class (`tests/class.rs`) tells how it does on whole takes.

use super::*;
use crate::part::parse;
use proptest::prelude::*;

fn timeline(meter: &str, form: &str, sections: &[(&str, &str)]) -> Timeline {
    let mut text =
        format!("title = \"Test\"\nmeter = \"{meter}\"\nbpm = {{ start = 80, goal = 100 }}\nform = \"{form}\"\n");
    for (name, strokes) in sections {
        text.push_str(&format!("[sections.{name}]\nstrokes = \"{strokes}\"\n"));
    }
    parse(&text).unwrap().timeline(None, Bpm::new(80.0).unwrap()).unwrap()
}

fn lantern() -> Timeline {
    timeline("4/4", "A A B", &[("A", "oxx. o.x. | ooxo O.-- |"), ("B", "+.xx +.o. | xx+. o.-- |")])
}

fn strike(t: f64, surface: Option<Surface>) -> Strike {
    let mut p = [0.2; Surface::COUNT];
    if let Some(surface) = surface {
        p = [0.01; Surface::COUNT];
        p[surface.index()] = 0.96;
    }
    Strike { at: Seconds::of(t), sigma: Seconds::from_millis(0.5), level: Decibels(-18.0), certainty: 0.99, surface: p }
}

/// The part as written, at `tempo` times the tempo asked for, from `start` seconds.
fn played(timeline: &Timeline, start: f64, tempo: f64) -> Vec<Strike> {
    let quarter = timeline.bpm.quarter().get() / tempo;
    timeline.strokes.iter().map(|s| strike(start + s.at.quarters() * quarter, Some(s.surface))).collect()
}

fn strokes(alignment: &Alignment) -> Vec<Option<usize>> {
    alignment.placed.iter().map(|p| p.stroke).collect()
}

#[test]
fn a_part_played_as_written_is_matched_stroke_by_stroke() {
    let timeline = lantern();
    let found = align(&timeline, &played(&timeline, 1.3, 1.0), &AlignConfig::default());
    assert_eq!(strokes(&found), (0..timeline.strokes.len()).map(Some).collect::<Vec<_>>());
    assert_eq!(found.placed[0].step, Step::Start);
    assert!(found.placed[1..].iter().all(|p| p.step == Step::Match));
    assert!((found.placed[9].bpm.get() - 80.0).abs() < 0.2);
    assert!(found.cost < found.unrelated_cost);
}

#[test]
fn half_and_double_tempo_are_found() {
    let timeline = lantern();
    for tempo in [0.5, 0.6, 1.6, 2.0] {
        let found = align(&timeline, &played(&timeline, 0.4, tempo), &AlignConfig::default());
        assert_eq!(strokes(&found), (0..timeline.strokes.len()).map(Some).collect::<Vec<_>>(), "tempo {tempo}");
    }
}

#[test]
fn one_strike_taken_away_is_one_stroke_missed() {
    let timeline = lantern();
    let all = played(&timeline, 0.0, 1.0);
    for gone in 0..all.len() {
        let mut strikes = all.clone();
        strikes.remove(gone);
        let found = align(&timeline, &strikes, &AlignConfig::default());
        let expected: Vec<_> = (0..all.len()).filter(|&j| j != gone).map(Some).collect();
        assert_eq!(strokes(&found), expected, "without stroke {gone}");
    }
}

#[test]
fn one_sound_too_many_is_matched_to_nothing() {
    let timeline = lantern();
    let mut strikes = played(&timeline, 0.0, 1.0);
    let between = 0.5 * (strikes[11].at.get() + strikes[12].at.get()) + 0.05;
    strikes.insert(12, strike(between, Some(Surface::Click)));
    let found = align(&timeline, &strikes, &AlignConfig::default());
    assert_eq!(found.placed[12].stroke, None);
    assert_eq!(found.placed.iter().filter(|p| p.stroke.is_some()).count(), timeline.strokes.len());
}

#[test]
fn the_same_take_later_is_matched_alike() {
    let timeline = lantern();
    let (early, late) = (played(&timeline, 0.5, 1.1), played(&timeline, 3600.5, 1.1));
    let (a, b) = (align(&timeline, &early, &AlignConfig::default()), align(&timeline, &late, &AlignConfig::default()));
    assert_eq!(strokes(&a), strokes(&b));
    assert!((a.cost - b.cost).abs() < 1e-3);
}

#[test]
fn two_hands_heard_as_two_strikes_are_one_stroke() {
    let timeline = lantern();
    let mut strikes = played(&timeline, 0.0, 1.0);
    let both = timeline.strokes.iter().position(|s| s.hands == crate::part::Hands::Both).unwrap();
    let twin = strike(strikes[both].at.get() + 0.025, Some(Surface::Centre));
    strikes.insert(both + 1, twin);
    let found = align(&timeline, &strikes, &AlignConfig::default());
    assert_eq!(found.placed[both + 1].step, Step::Double);
    assert_eq!(found.placed[both + 1].stroke, Some(both));
}

#[test]
fn taps_before_the_piece_count_in() {
    let timeline = lantern();
    for (n, surface) in [(2, Surface::Click), (4, Surface::Click), (4, Surface::Centre), (8, Surface::Click)] {
        let quarter = 0.75;
        let mut strikes: Vec<Strike> = (0..n).map(|k| strike(1.0 + f64::from(k) * quarter, Some(surface))).collect();
        strikes.extend(played(&timeline, 1.0 + f64::from(n) * quarter, 1.0));
        let found = align(&timeline, &strikes, &AlignConfig::default());
        assert!(found.placed[..n as usize].iter().all(|p| p.step == Step::CountIn), "{n} taps on {surface:?}");
        assert_eq!(found.placed[n as usize].stroke, Some(0));
    }
}

#[test]
fn without_strikes_or_strokes_nothing_is_matched() {
    let timeline = lantern();
    let none = align(&timeline, &[], &AlignConfig::default());
    assert!(none.placed.is_empty() && none.cost == 0.0 && none.unrelated_cost == 0.0);
    let mut silent = lantern();
    silent.strokes.clear();
    for bar in &mut silent.bars {
        bar.strokes = 0..0;
    }
    let found = align(&silent, &played(&timeline, 0.0, 1.0), &AlignConfig::default());
    assert!(found.placed.iter().all(|p| p.stroke.is_none()));
}

#[test]
fn a_jump_forbidden_makes_the_take_dearer_and_nothing_forbidden_does_not() {
    let timeline = lantern();
    let quarter = timeline.bpm.quarter().get();
    // B played twice.
    let mut strikes = played(&timeline, 0.0, 1.0);
    let b = timeline.passes[2].bars.start;
    let from = timeline.bars[b].strokes.start;
    let length = timeline.meter.bar().quarters() * 2.0 * quarter;
    let again: Vec<Strike> = strikes[from..].iter().map(|s| Strike { at: s.at + Seconds::of(length), ..*s }).collect();
    let jump_at = strikes.len();
    strikes.extend(again);
    let found = trace(&timeline, &strikes, &AlignConfig::default());
    assert_eq!(found.alignment.placed[jump_at].step, Step::Jump);
    let without = Forbidden { jumps: jump_at - 1..jump_at + 2, ..Forbidden::default() };
    assert!(found.cost_without(&without) > 5.0);
    assert!(found.cost_without(&Forbidden::default()) == 0.0);
    let elsewhere = Forbidden { jumps: 3..6, ..Forbidden::default() };
    assert!(found.cost_without(&elsewhere).abs() < 1e-9);
}

/// The reference's account of a take so far.
struct Account {
    j: usize,
    tau: f64,
    p: f64,
    var: [f64; 3],
    last: f64,
    db: f64,
    mix: i8,
}

/// Cost of one matching begun at one tempo, strike by strike from the definition of the model: steps in time, strokes
/// left out and sounds nobody wrote, and nothing else. Infinite where a strike is out of time.
fn cost_of(found: &Trace, matching: &[Option<usize>], (quarter, spread, prior): (f64, f64, f64)) -> f64 {
    let (score, model) = (&found.score, &found.model);
    let mut state: Option<Account> = None;
    let (mut total, mut others) = (0.0, 0);
    for (event, &stroke) in found.events.iter().zip(matching) {
        let outside = if others >= 2 { event.as_extra.burst } else { event.as_extra.outside };
        let Some(j) = stroke else {
            others += 1;
            total += match &state {
                None => outside,
                Some(s) if event.t - s.last < costs::DOUBLE_WINDOW_S => {
                    others -= 1;
                    let louder = (event.db - s.db - costs::DOUBLE_SLACK_DB).clamp(0.0, 20.0);
                    costs::DOUBLE_LOUDER * louder
                        + if score.both[s.j] { event.as_extra.both } else { event.as_extra.double }
                }
                Some(s) if s.j + 1 == score.len() && (event.t - s.tau) / s.p > 0.2 => outside,
                Some(_) if others > 3 => event.as_extra.lost,
                Some(_) => event.as_extra.inside,
            };
            continue;
        };
        others = 0;
        let written = score.surface[j];
        let mixed = event.hard.filter(|&h| h != written).map(|h| (written * model::N + h) as i8);
        let Some(s) = state else {
            total +=
                score.begins.iter().find(|b| b.0 == j).map_or(f64::INFINITY, |b| b.1) + event.surface[written] + prior;
            let var = [event.var, 0.0, spread];
            state = Some(Account { j, tau: event.t, p: quarter, var, last: event.t, db: event.db, mix: -1 });
            continue;
        };
        let db = score.at[j] - score.at[s.j];
        let [a, c, d] = s.var;
        let a = a + 2.0 * db * c + db * db * d + model.phase_walk_s.powi(2) * db;
        let c = c + db * d;
        let d = d + (model.tempo_walk * s.p).powi(2) * db;
        let scale = a + event.var;
        let dev = event.t - s.tau - db * s.p;
        let z2 = dev * dev / scale;
        if z2 >= 36.0 {
            return f64::INFINITY;
        }
        let surface = event.surface[written];
        let surface = if mixed == Some(s.mix) { surface.min(event.mixed) } else { surface };
        total += costs::misses(model.miss, j - s.j - 1) + surface + student(z2, scale);
        let trust = (7.0 / (6.0 + z2)).min(1.0);
        let (g, h) = (a / scale * trust, c / scale * trust);
        let forgotten = if s.mix >= 0 && s.mix as usize / model::N == written { -1 } else { s.mix };
        state = Some(Account {
            j,
            tau: s.tau + db * s.p + g * dev,
            p: (s.p + h * dev).clamp(0.43 * model.quarter_s, 2.3 * model.quarter_s),
            var: [a * (1.0 - g), c * (1.0 - g), d - h * c],
            last: event.t,
            db: event.db,
            mix: mixed.unwrap_or(forgotten),
        });
    }
    total + state.map_or(costs::NOTHING_MATCHED, |s| score.end[s.j])
}

/// Minus the log density of Student's t of six degrees of freedom (Student 1908): gamma(3.5) / (gamma(3) sqrt(6 pi s))
/// (1 + z^2 / 6)^-3.5, with gamma(3.5) = 15 sqrt(pi) / 8.
fn student(z2: f64, scale: f64) -> f64 {
    let pi = std::f64::consts::PI;
    let constant = 15.0 * pi.sqrt() / 8.0 / (2.0 * (6.0 * pi * scale).sqrt());
    -constant.ln() + 3.5 * (1.0 + z2 / 6.0).ln()
}

/// All ways of matching n strikes to m strokes in order.
fn matchings(n: usize, m: usize) -> Vec<Vec<Option<usize>>> {
    let mut all = vec![Vec::new()];
    for _ in 0..n {
        let longer = |one: &Vec<Option<usize>>| {
            let from = one.iter().flatten().last().map_or(0, |j| j + 1);
            let one = one.clone();
            [None].into_iter().chain((from..m).map(Some)).map(move |next| one.iter().copied().chain([next]).collect())
        };
        all = all.iter().flat_map(longer).collect();
    }
    all
}

#[test]
fn no_matching_in_order_is_cheaper_than_the_one_found() {
    let timeline = timeline("3/4", "A", &[("A", "o.xoo. | +.o... |")]);
    let m = timeline.strokes.len();
    assert_eq!(m, 6);
    let mut rng = crate::rng::Rng(7);
    let mut unit = || rng.unit();
    let mut compared = 0;
    for _ in 0..60 {
        let mut strikes = played(&timeline, 1.0, 0.8 + 0.4 * unit());
        for s in &mut strikes {
            s.at = s.at + Seconds::of(0.08 * (unit() - 0.5));
        }
        strikes.remove((unit() * 6.0) as usize);
        if unit() < 0.5 {
            strikes.push(strike(1.0 + 4.0 * unit(), Some(Surface::Rim)));
            strikes.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
        }
        let found = trace(&timeline, &strikes, &AlignConfig::default());
        let tempi = search::tempi(found.model.quarter_s);
        let best_at = |matching: &Vec<Option<usize>>| {
            tempi.iter().map(|&tempo| cost_of(&found, matching, tempo)).fold(f64::INFINITY, f64::min)
        };
        let cheapest = matchings(strikes.len(), m).iter().map(best_at).fold(f64::INFINITY, f64::min);
        assert!(found.alignment.cost <= cheapest + 1e-6, "found {} but {cheapest} is possible", found.alignment.cost);
        let simple = |p: &Placed| matches!(p.step, Step::Start | Step::Match | Step::Extra | Step::Double);
        if found.alignment.placed.iter().all(simple) {
            let own = best_at(&strokes(&found.alignment));
            assert!((found.alignment.cost - own).abs() < 1e-6, "found {} but it costs {own}", found.alignment.cost);
            compared += 1;
        }
    }
    assert!(compared > 20, "only {compared} takes could be compared");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn nonsense_is_placed_without_panic(
        times in prop::collection::vec(-10.0f64..600.0, 0..60),
        levels in prop::collection::vec(prop::num::f64::ANY, 60),
        certainties in prop::collection::vec(prop::num::f64::ANY, 60),
        surfaces in prop::collection::vec(prop::num::f64::ANY, 300),
    ) {
        let timeline = lantern();
        let strikes: Vec<Strike> = times.iter().enumerate().map(|(i, &t)| Strike {
            at: Seconds::of(t),
            sigma: Seconds::of(levels[i].abs().min(1.0)),
            level: Decibels(levels[i]),
            certainty: certainties[i],
            surface: std::array::from_fn(|c| surfaces[i * 5 + c]),
        }).collect();
        let found = align(&timeline, &strikes, &AlignConfig::default());
        prop_assert_eq!(found.placed.len(), strikes.len());
        prop_assert!(found.placed.iter().all(|p| p.stroke.is_none_or(|j| j < timeline.strokes.len())));
        prop_assert!(found.cost.is_finite());
    }
}

#[test]
fn a_path_kept_in_part_is_the_path_through_all_accounts() {
    let timeline =
        timeline("4/4", &"A A B ".repeat(30), &[("A", "oxx. o.x. | ooxo O.-- |"), ("B", "+.xx +.o. | xx+. o.-- |")]);
    let mut strikes = played(&timeline, 1.3, 1.0);
    // Some left out, some too many, so that accounts differ for long.
    strikes.retain(|s| (s.at.get() * 7.0).fract() > 0.08);
    for k in 0..40 {
        strikes.push(strike(2.0 + 6.7 * f64::from(k), None));
    }
    strikes.sort_by(|a, b| a.at.get().total_cmp(&b.at.get()));
    let score = Score::new(&timeline);
    let model = learn::first_model(&timeline, &strikes, &AlignConfig::default());
    let usual = model::usual_levels(&strikes);
    let events = events_of(&strikes, &model, &usual, &bounce::bounces(&strikes, &usual));
    let search = Search::new(&score, &model, &events, Beam::QUICK);
    let mut beams = vec![search.before()];
    for i in 0..events.len() {
        let next = search.advance(i, &beams[i], None);
        beams.push(next);
    }
    let seen = |hyp: &Hyp| (hyp.j, hyp.step, hyp.cost.to_bits(), hyp.pulse.at.to_bits());
    let end = |hyp: &Hyp| hyp.cost + search.end(hyp);
    let last = beams.last().unwrap();
    let mut k = (0..last.len()).min_by(|a, b| end(&last[*a]).total_cmp(&end(&last[*b]))).unwrap();
    let mut all = Vec::new();
    for beam in beams[1..].iter().rev() {
        all.push(seen(&beam[k]));
        k = beam[k].parent as usize;
    }
    all.reverse();
    let path = Path::find(&search);
    assert!(strikes.len() > 700, "{}", strikes.len());
    assert_eq!(path.steps.iter().map(seen).collect::<Vec<_>>(), all);
    for i in [0, 1, 63, 64, 65, 500, events.len() - 1] {
        let again: Vec<_> = path.after(&search, i).unwrap().iter().map(seen).collect();
        assert_eq!(again, beams[i + 1].iter().map(seen).collect::<Vec<_>>(), "after strike {i}");
    }
}

#[test]
fn a_jump_that_is_not_looked_at_would_have_cost_too_much() {
    let timeline = timeline(
        "4/4",
        &"A A B ".repeat(30),
        &[("A", "|: oxx. o.x. :|2 ooxo O.-- |"), ("B", "+.xx +.o. | xx+. o.-- |")],
    );
    let score = Score::new(&timeline);
    for kind in [score::Jump::InTempo, score::Jump::AfterPause, score::Jump::AfterLoss] {
        for from in [0, 1, 5, 60, 100, score.bars.len() - 1] {
            for most in [-2.0, 2.0, 4.0, 5.0, 6.0, 7.4, 8.9, 12.0] {
                let cost = |to: usize| match kind {
                    score::Jump::InTempo => score.jump(from, to),
                    score::Jump::AfterPause => score.jump_paused(from, to),
                    score::Jump::AfterLoss => score.found_at(from, to),
                };
                let looked: Vec<usize> =
                    score.targets.iter().flat_map(|t| score.within(t, kind, from, most)).map(|t| t.stroke).collect();
                let everywhere = score.targets.iter().flat_map(|t| score.within(t, kind, from, f64::INFINITY));
                for target in everywhere {
                    let missed = cost(target.bar) + target.cost < most && !looked.contains(&target.stroke);
                    assert!(!missed, "{kind:?} from bar {from} to {}, most {most}", target.bar);
                }
            }
        }
    }
}
