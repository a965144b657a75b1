//! What the class says of the aligner and the judge of form: strikes at their stroke, faults found, false findings, and
//! whether confidences mean what they say.

use std::collections::BTreeMap;

use super::class::{Manner, Planted, Player, Rise};
use super::ear::{Ear, Heard, listen};
use super::rng::Rng;
use pailbeat::align::{AlignConfig, Trace, trace};
use pailbeat::assess::structure::{Structure, structure};
use pailbeat::assess::{Finding, Kind};
use pailbeat::part::Timeline;

/// What happens in a take.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Scene {
    Clean,
    Loose,
    Wobble,
    Slow,
    Fast,
    DeafEar,
    PoorEar,
    CountIn,
    Flams,
    Rising,
    Noodles,
    GoesOn,
    Hesitant,
    WrongSurface,
    Misses,
    StopsEarly,
    DropsOut,
    RestNotKept,
    RestOne,
    LongFill,
    Early,
    Late,
    JoinGap,
    Paused,
    Restarted,
    BarBack,
    BarAgain,
    RepeatExtra,
    RepeatMissing,
    SectionSkipped,
    StartLate,
    DroppedStick,
    JoinRushed,
    Lost,
    Several,
}

impl Scene {
    /// Flawless playing: any finding is false.
    pub const CLEAN: &'static [Scene] = &[
        Scene::Clean,
        Scene::Loose,
        Scene::Wobble,
        Scene::Slow,
        Scene::Fast,
        Scene::DeafEar,
        Scene::CountIn,
        Scene::Flams,
        Scene::Rising,
        Scene::Noodles,
        Scene::GoesOn,
        Scene::Hesitant,
    ];
    /// Slips that are not of form, or that no finding names.
    pub const OTHER: &'static [Scene] =
        &[Scene::PoorEar, Scene::WrongSurface, Scene::Misses, Scene::StopsEarly, Scene::DropsOut];
    /// One fault of form each.
    pub const FAULTY: &'static [Scene] = &[
        Scene::RestNotKept,
        Scene::RestOne,
        Scene::LongFill,
        Scene::Early,
        Scene::Late,
        Scene::JoinGap,
        Scene::Paused,
        Scene::Restarted,
        Scene::BarBack,
        Scene::BarAgain,
        Scene::RepeatExtra,
        Scene::RepeatMissing,
        Scene::SectionSkipped,
        Scene::StartLate,
        Scene::DroppedStick,
        Scene::JoinRushed,
        Scene::Lost,
    ];
}

/// A take with everything known of it.
pub struct Take {
    pub scene: Scene,
    pub heard: Heard,
    pub faults: Vec<Planted>,
    pub may: Vec<Planted>,
    pub manner: Manner,
    /// The greatest rise and the greatest fall of ln(tempo) as played.
    pub course: (f64, f64),
}

/// Plays and hears one take; `None` where the part has no room for the scene.
pub fn take(timeline: &Timeline, scene: Scene, seed: u64) -> Option<Take> {
    // Another pupil for each part.
    let part = timeline.title.bytes().fold(0u64, |hash, b| hash.wrapping_mul(31).wrapping_add(b.into()));
    let rng = &mut Rng((seed ^ part << 16).wrapping_mul(0x5851_F42D_4C95_7F2D) ^ (scene as u64) << 32);
    let mut player = Player::new(timeline);
    let mut manner = if rng.chance(0.25) { Manner::loose(rng) } else { Manner::usual(rng) };
    let mut ear = Ear::usual(rng);
    let played = match scene {
        Scene::Clean => {
            manner = Manner::usual(rng);
            true
        }
        Scene::Loose => {
            manner = Manner::loose(rng);
            true
        }
        Scene::Wobble => {
            manner.sway = (rng.between(0.03, 0.05), rng.between(6.0, 20.0));
            true
        }
        Scene::Slow => {
            manner.tempo = rng.between(0.55, 0.75);
            true
        }
        Scene::Fast => {
            manner.tempo = rng.between(1.3, 1.7);
            true
        }
        Scene::DeafEar => {
            manner = Manner::usual(rng);
            ear.deaf_to_surface = true;
            true
        }
        Scene::PoorEar => {
            ear = Ear::poor(rng);
            manner.displaced = 0.02;
            true
        }
        Scene::CountIn => {
            player.counts_in(rng);
            true
        }
        Scene::Flams => {
            manner.hands_s = rng.between(0.015, 0.025);
            true
        }
        Scene::Rising => {
            manner.rise = if rng.chance(0.7) { rng.between(0.08, 0.16) } else { -rng.between(0.08, 0.14) };
            manner.course = if rng.chance(0.7) { Rise::Late } else { Rise::Evenly };
            true
        }
        Scene::Noodles => {
            player.noodles(rng);
            true
        }
        Scene::GoesOn => {
            player.goes_on(rng);
            true
        }
        Scene::Hesitant => {
            player.hesitates(rng);
            true
        }
        Scene::WrongSurface => {
            player.wrong_surface(rng);
            true
        }
        Scene::Misses => {
            player.misses(rng, 0.05);
            true
        }
        Scene::StopsEarly => player.stop_early(rng),
        Scene::DropsOut => player.drops_out(rng),
        Scene::RestNotKept => player.rest_not_kept(rng, true),
        Scene::RestOne => player.rest_not_kept(rng, false),
        Scene::LongFill => player.fills_long_rest(rng),
        Scene::Early => player.early(rng),
        Scene::Late => player.late(rng),
        Scene::JoinGap => player.join_gap(rng),
        Scene::Paused => player.paused(rng),
        Scene::Restarted => player.restarted(rng, false),
        Scene::BarBack => player.restarted(rng, true),
        Scene::BarAgain => player.bar_again(rng),
        Scene::RepeatExtra => player.repeat_extra(rng),
        Scene::RepeatMissing => player.repeat_missing(rng),
        Scene::SectionSkipped => player.section_skipped(rng),
        Scene::StartLate => player.start_late(rng),
        Scene::DroppedStick => player.dropped_stick(rng),
        Scene::JoinRushed => player.join_rushed(rng),
        Scene::Lost => player.lost(rng),
        Scene::Several => {
            several(&mut player, &mut manner, rng);
            true
        }
    };
    played.then(|| finished(player, manner, &ear, scene, rng))
}

fn finished(mut player: Player, manner: Manner, ear: &Ear, scene: Scene, rng: &mut Rng) -> Take {
    player.by_nature(&manner.nature, rng);
    let times = player.sound(&manner, rng);
    let course = player.course(&times);
    let heard = listen(&player, &times, &manner, ear, rng);
    Take { scene, heard, faults: player.faults, may: player.may, manner, course }
}

/// A take by somebody of an age, whose tempo moves besides, or who leaves a stroke out or plays one too many.
pub fn of_age(timeline: &Timeline, age: u32, rise: f64, slip: bool, seed: u64) -> Take {
    let rng = &mut Rng((seed ^ u64::from(age) << 32).wrapping_mul(0x5851_F42D_4C95_7F2D));
    let mut manner = Manner::of(age, rng);
    manner.rise = rise;
    manner.course = rng.pick(&[Rise::Evenly, Rise::Late, Rise::AndBack]).unwrap();
    let ear = Ear { lost: 0.0, strays_a_minute: 0.0, ..Ear::usual(rng) };
    let mut player = Player::new(timeline);
    if slip {
        player.slips_once(rng);
    }
    finished(player, manner, &ear, Scene::Clean, rng)
}

/// Two to four slips of any kind.
fn several(player: &mut Player, manner: &mut Manner, rng: &mut Rng) {
    let of_form = 1 + usize::from(rng.chance(0.3));
    for _ in 0..of_form {
        match rng.below(9) {
            0 => player.repeat_extra(rng),
            1 => player.repeat_missing(rng),
            2 => player.section_skipped(rng),
            3 => player.restarted(rng, false),
            4 => player.restarted(rng, true),
            5 => player.start_late(rng),
            6 => player.stop_early(rng),
            _ => false,
        };
    }
    for _ in 0..1 + rng.below(3) {
        match rng.below(9) {
            0 | 1 => player.rest_not_kept(rng, true),
            2 => player.early(rng),
            3 => player.late(rng),
            4 => player.join_gap(rng),
            5 | 6 => player.paused(rng),
            7 => player.dropped_stick(rng),
            _ => player.drops_out(rng),
        };
    }
    player.loosen_notes();
    if rng.chance(0.3) {
        player.misses(rng, 0.03);
    }
    if rng.chance(0.2) {
        player.wrong_surface(rng);
    }
    if rng.chance(0.25) {
        player.counts_in(rng);
    }
    if rng.chance(0.2) {
        manner.rise = rng.between(0.08, 0.14);
        manner.course = if rng.chance(0.5) { Rise::Late } else { Rise::Evenly };
    }
}

/// Listens to a take and judges its form.
pub fn judged(timeline: &Timeline, take: &Take) -> (Trace, Structure) {
    let trace = trace(timeline, &take.heard.strikes, &AlignConfig::default());
    let structure = structure(timeline, &take.heard.strikes, &trace);
    (trace, structure)
}

/// Sums over takes.
#[derive(Clone, Debug, Default)]
pub struct Sum {
    pub takes: usize,
    pub strikes: usize,
    pub strict: usize,
    pub tied: usize,
    pub planted: usize,
    pub hit: usize,
    pub near: usize,
    pub plain: usize,
    pub plain_hit: usize,
    pub false_findings: usize,
    pub takes_with_false: usize,
    pub by_kind: BTreeMap<&'static str, (usize, usize)>,
    pub false_kinds: BTreeMap<&'static str, usize>,
    pub told: Vec<(f64, bool, &'static str)>,
}

fn overlaps(a: (u32, u32), b: (u32, u32)) -> bool {
    a.0 <= b.1 && b.0 <= a.1
}

fn same_place(timeline: &Timeline, f: &Finding, g: &Planted) -> bool {
    f.section(timeline) == Some(g.section.as_str())
        && f.pass(timeline).is_none_or(|p| g.passes.contains(&p))
        && f.bars(timeline).is_none_or(|bars| overlaps(bars, g.bars))
}

impl Sum {
    /// Adds a take; returns a line on what went wrong, if anything did.
    pub fn add(&mut self, timeline: &Timeline, take: &Take, structure: &Structure) -> Option<String> {
        self.takes += 1;
        let mut wrong = Vec::new();
        for (i, (placed, &truth)) in structure.placed.iter().zip(&take.heard.truth).enumerate() {
            self.strikes += 1;
            let strict = placed.stroke == truth;
            let tied = strict || placed.stroke.zip(truth).is_some_and(|(a, b)| alike(timeline, a, b));
            self.strict += usize::from(strict);
            self.tied += usize::from(tied);
            if !tied {
                wrong.push(format!("{i}:{truth:?}>{:?}/{:?}", placed.stroke, placed.step));
            }
        }
        let is = |kind: Kind, g: &Planted| kind == g.kind || g.also.contains(&kind);
        let named = |f: &Finding, g: &Planted| is(f.kind(), g) || f.otherwise.is_some_and(|kind| is(kind, g));
        let mut used = vec![false; structure.findings.len()];
        for fault in &take.faults {
            self.planted += 1;
            self.plain += usize::from(fault.plain);
            let by_kind = self.by_kind.entry(fault.kind.word()).or_default();
            by_kind.1 += 1;
            let hit = (0..used.len()).find(|&k| {
                !used[k] && named(&structure.findings[k], fault) && same_place(timeline, &structure.findings[k], fault)
            });
            if let Some(k) = hit {
                used[k] = true;
                self.hit += 1;
                by_kind.0 += 1;
                self.plain_hit += usize::from(fault.plain);
            } else {
                if let Some(k) = (0..used.len()).find(|&k| {
                    !used[k]
                        && (named(&structure.findings[k], fault) || same_place(timeline, &structure.findings[k], fault))
                }) {
                    self.near += 1;
                    let f = &structure.findings[k];
                    wrong.push(format!(
                        "NEAR {} {}{:?} {:?}: told {} {:?}{:?} {:?}",
                        fault.kind.word(),
                        fault.section,
                        fault.passes,
                        fault.bars,
                        f.kind().word(),
                        f.section(timeline),
                        f.pass(timeline),
                        f.bars(timeline)
                    ));
                } else {
                    wrong.push(format!(
                        "NOT FOUND {} {}{:?} {:?}",
                        fault.kind.word(),
                        fault.section,
                        fault.passes,
                        fault.bars
                    ));
                }
            }
        }
        // Another true name of what has been found already is not false.
        let mut may = vec![false; used.len()];
        for k in 0..used.len() {
            let f = &structure.findings[k];
            used[k] |=
                take.faults.iter().any(|g| g.kind == Kind::Lost && is(f.kind(), g) && same_place(timeline, f, g));
            may[k] = !used[k] && take.may.iter().any(|g| named(f, g) && same_place(timeline, f, g));
        }
        let mut any = false;
        for ((f, &used), _) in structure.findings.iter().zip(&used).zip(&may).filter(|(_, may)| !**may) {
            self.told.push((f.confidence, used, f.kind().word()));
            if !used {
                any = true;
                self.false_findings += 1;
                *self.false_kinds.entry(f.kind().word()).or_default() += 1;
                wrong.push(format!(
                    "FALSE {} {:?}{:?} {:?} c {:.2} size {:.2}: {:?}",
                    f.kind().word(),
                    f.section(timeline),
                    f.pass(timeline),
                    f.bars(timeline),
                    f.confidence,
                    f.what.size().0,
                    f.evidence
                ));
            }
        }
        self.takes_with_false += usize::from(any);
        (!wrong.is_empty()).then(|| wrong.join("\n    "))
    }

    pub fn merge(&mut self, other: &Sum) {
        for (a, b) in [
            (&mut self.takes, other.takes),
            (&mut self.strikes, other.strikes),
            (&mut self.strict, other.strict),
            (&mut self.tied, other.tied),
            (&mut self.planted, other.planted),
            (&mut self.hit, other.hit),
            (&mut self.near, other.near),
            (&mut self.plain, other.plain),
            (&mut self.plain_hit, other.plain_hit),
            (&mut self.false_findings, other.false_findings),
            (&mut self.takes_with_false, other.takes_with_false),
        ] {
            *a += b;
        }
        for (k, v) in &other.by_kind {
            let own = self.by_kind.entry(k).or_default();
            *own = (own.0 + v.0, own.1 + v.1);
        }
        for (k, v) in &other.false_kinds {
            *self.false_kinds.entry(k).or_default() += v;
        }
        self.told.extend(&other.told);
    }

    pub fn strict_share(&self) -> f64 {
        self.strict as f64 / self.strikes.max(1) as f64
    }

    pub fn tied_share(&self) -> f64 {
        self.tied as f64 / self.strikes.max(1) as f64
    }

    pub fn found_share(&self) -> f64 {
        self.hit as f64 / self.planted.max(1) as f64
    }

    /// One line of the table.
    pub fn line(&self, name: &str) -> String {
        let false_kinds: Vec<String> = self.false_kinds.iter().map(|(k, n)| format!("{k} {n}")).collect();
        format!(
            "{name:<16} {:>5} {:.4} {:.4}  {:>4}/{:<4} {:>3}  {:.3} ({} takes)  {}",
            self.takes,
            self.strict_share(),
            self.tied_share(),
            self.hit,
            self.planted,
            self.near,
            self.false_findings as f64 / self.takes.max(1) as f64,
            self.takes_with_false,
            false_kinds.join(", ")
        )
    }

    /// How often findings of each confidence were true.
    pub fn calibration(&self) -> String {
        let mut out = String::new();
        for (lo, hi) in [(0.5, 0.6), (0.6, 0.7), (0.7, 0.8), (0.8, 0.9), (0.9, 0.95), (0.95, 0.98), (0.98, 1.01)] {
            let bin: Vec<_> = self.told.iter().filter(|t| (lo..hi).contains(&t.0)).collect();
            if !bin.is_empty() {
                let n = bin.len() as f64;
                let said = bin.iter().map(|t| t.0).sum::<f64>() / n;
                let held = bin.iter().filter(|t| t.1).count() as f64 / n;
                out.push_str(&format!("  [{lo:.2}, {hi:.2}) n {:>4}  said {said:.3}  true {held:.3}\n", bin.len()));
            }
        }
        let brier = self.told.iter().map(|t| (t.0 - f64::from(u8::from(t.1))).powi(2)).sum::<f64>()
            / self.told.len().max(1) as f64;
        out.push_str(&format!("  brier {brier:.4} over {}\n", self.told.len()));
        out
    }
}

/// Strokes at the same place of bars that sound alike cannot be told apart.
fn alike(timeline: &Timeline, a: usize, b: usize) -> bool {
    let (x, y) = (timeline.strokes[a].bar, timeline.strokes[b].bar);
    a - timeline.bars[x].strokes.start == b - timeline.bars[y].strokes.start && timeline.sound_alike(x, y)
}

/// Every strike of a take, for reading.
pub fn dump(timeline: &Timeline, take: &Take, structure: &Structure) -> String {
    let place = |j: Option<usize>| {
        j.map_or(String::from("-"), |j| {
            let bar = &timeline.bars[timeline.strokes[j].bar];
            let pass = &timeline.passes[bar.pass];
            format!("{j}={}{}.{}.{:.2}", pass.section, pass.number, bar.number, timeline.beat(j))
        })
    };
    let mut out = String::new();
    for (i, (s, p)) in take.heard.strikes.iter().zip(&structure.placed).enumerate() {
        let heard = (0..5).fold(0, |k, c| if s.surface[c] > s.surface[k] { c } else { k });
        out.push_str(&format!(
            "      {i:>3} {:7.3} {:5.0} dB c {:.2} {} {:<14} {:<14} {:?} {:+.0} ms {:.1}\n",
            s.at.get(),
            s.level.0,
            s.certainty,
            ["o", "x", "+", "p", "c"][heard],
            place(take.heard.truth[i]),
            place(p.stroke),
            p.step,
            (s.at - p.pulse).millis(),
            p.bpm.get()
        ));
    }
    out
}

/// Margins, in nats a strike, by which takes of the right part are told from other accounts (lowest first), and by which
/// takes of some other part seem to be this one (highest first). Positive speaks for the part.
pub fn margins(parts: &[Timeline], seeds: std::ops::Range<u64>) -> (Vec<(f64, String)>, Vec<(f64, String)>) {
    let (mut own, mut foreign) = (Vec::new(), Vec::new());
    for seed in seeds {
        for (k, written) in parts.iter().enumerate() {
            for scene in [
                Scene::Clean,
                Scene::Loose,
                Scene::DeafEar,
                Scene::PoorEar,
                Scene::WrongSurface,
                Scene::Several,
                Scene::Slow,
            ] {
                let Some(take) = take(written, scene, seed) else { continue };
                let n = take.heard.strikes.len().max(1) as f64;
                for (other, part) in parts.iter().enumerate() {
                    if other != k && !(other + seed as usize).is_multiple_of(4) {
                        continue;
                    }
                    let found = pailbeat::align::align(part, &take.heard.strikes, &AlignConfig::default());
                    let margin = (found.unrelated_cost - found.cost) / n;
                    let name = format!("{scene:?} {} as {} ({n})", written.title, part.title);
                    if other == k { own.push((margin, name)) } else { foreign.push((margin, name)) }
                }
            }
        }
    }
    // Knocks at random times: no music at all.
    for (k, part) in parts.iter().enumerate() {
        let rng = &mut Rng(k as u64 + 99);
        let mut t = 1.0;
        let strikes: Vec<_> = (0..120)
            .map(|_| {
                t += -rng.unit().max(1e-6).ln() * 0.4;
                super::ear::knock(t, rng)
            })
            .collect();
        let found = pailbeat::align::align(part, &strikes, &AlignConfig::default());
        foreign.push(((found.unrelated_cost - found.cost) / 120.0, String::from("knocks")));
    }
    own.sort_by(|a, b| a.0.total_cmp(&b.0));
    foreign.sort_by(|a, b| b.0.total_cmp(&a.0));
    (own, foreign)
}

/// Plays a scene on every part with every seed.
pub fn play(
    parts: &[Timeline],
    scene: Scene,
    seeds: std::ops::Range<u64>,
    all: bool,
    mut tell: impl FnMut(&str),
) -> Sum {
    let mut sum = Sum::default();
    for timeline in parts {
        for seed in seeds.clone() {
            if let Some(take) = take(timeline, scene, seed) {
                let (trace, structure) = judged(timeline, &take);
                if let Some(wrong) = sum.add(timeline, &take, &structure) {
                    tell(&format!("{scene:?} {} seed {seed}\n    {wrong}", timeline.title));
                    if all {
                        let m = &take.manner;
                        tell(&format!(
                            "age {} alone {:.1} heard as {:.1} ms, step {:.1} heard as {:.1} ms\n{}",
                            m.nature.age,
                            m.nature.alone_s * 1e3,
                            trace.alignment.jitter.millis(),
                            m.nature.step_s * 1e3,
                            trace.phase_walk().millis(),
                            dump(timeline, &take, &structure)
                        ));
                    }
                }
            }
        }
    }
    sum
}

/// Kinds that the judge of form tells.
pub const FORM: &[Kind] = &[
    Kind::RestNotKept,
    Kind::EarlyReEntry,
    Kind::LateReEntry,
    Kind::JoinGap,
    Kind::JoinRushed,
    Kind::RepeatExtra,
    Kind::RepeatMissing,
    Kind::SectionSkipped,
    Kind::Restarted,
    Kind::Paused,
    Kind::StartedLate,
    Kind::Lost,
];
