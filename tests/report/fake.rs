//! Verdicts on invented takes, seeded: what the report is drawn from in its tests. A player with a jitter and a drift
//! plays a written form; slips are put in by name.

use pailbeat::align::Step;
use pailbeat::assess::*;
use pailbeat::part::*;
use pailbeat::units::*;

/// Numbers that look random and never change: Numerical Recipes' 64-bit linear congruential generator.
pub(crate) struct Dice(u64);

impl Dice {
    fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Near enough to normal: twelve uniform numbers, less six.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// The form as played out, from sections of cells: `o x + c p` strokes, capitals both hands, `.` goes on, `-` rests;
/// bars are split at `|`, repeats already written out.
pub(crate) fn timeline(title: &str, meter: Meter, bpm: f64, sections: &[(&str, &str)], form: &str) -> Timeline {
    let mut t = Timeline {
        title: title.into(),
        meter,
        bpm: Bpm::new(bpm).unwrap(),
        range: TempoRange { start: Bpm::new(66.0).unwrap(), goal: Bpm::new(96.0).unwrap() },
        strokes: vec![],
        bars: vec![],
        passes: vec![],
        rests: vec![],
        swells: vec![],
    };
    let mut at = Ticks(0);
    for name in form.split(' ') {
        let text = sections.iter().find(|(n, _)| *n == name).unwrap().1;
        let first = t.bars.len();
        let number = 1 + t.passes.iter().filter(|p| p.section == name).count() as u32;
        for (i, bar) in text.split('|').enumerate() {
            let cells = bar.chars().filter(|c| !c.is_whitespace()).collect::<Vec<_>>();
            let from = t.strokes.len();
            let step = Ticks(meter.bar().0 / cells.len() as i64);
            for (c, cell) in cells.iter().enumerate() {
                let place = at + Ticks(step.0 * c as i64);
                let surface = match cell.to_ascii_lowercase() {
                    'o' => Surface::Centre,
                    'x' => Surface::Rim,
                    '+' => Surface::Click,
                    'p' => Surface::Pat,
                    'c' => Surface::Clap,
                    '-' => {
                        match t.rests.last_mut().filter(|r| r.to == place) {
                            Some(rest) => rest.to = place + step,
                            None => t.rests.push(Rest { from: place, to: place + step }),
                        }
                        continue;
                    }
                    _ => continue,
                };
                let hands = if cell.is_ascii_uppercase() {
                    Hands::Both
                } else if name == "H" {
                    Hands::One(if t.strokes.len().is_multiple_of(2) { Hand::Right } else { Hand::Left })
                } else {
                    Hands::Either
                };
                t.strokes.push(Stroke { at: place, bar: t.bars.len(), surface, hands, level: None });
            }
            t.bars.push(Bar {
                at,
                pass: t.passes.len(),
                number: i as u32 + 1,
                repeat: None,
                strokes: from..t.strokes.len(),
            });
            at = at + meter.bar();
        }
        t.passes.push(Pass { section: name.into(), number, bars: first..t.bars.len() });
    }
    t
}

pub(crate) const FOUR: Meter = Meter { beats: 4, unit: 4 };

pub(crate) fn lantern(form: &str) -> Timeline {
    let sections = [
        ("A", "oxx. o.x. | oxx. o.x. | ooxo oxoo | O.-- X.--"),
        ("B", "+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x---"),
    ];
    timeline("Lantern Parade", FOUR, 72.0, &sections, form)
}

/// A take in the making.
pub(crate) struct Take {
    pub(crate) a: Assessment,
    dice: Dice,
    /// Time of the pulse at `at`.
    now: f64,
    at: Ticks,
    pub(crate) bpm: f64,
    /// Change of tempo with each stroke, as a factor.
    pub(crate) drift: f64,
    pub(crate) jitter_ms: f64,
    pub(crate) sigma_ms: f64,
    missed: Vec<usize>,
    wrong: Vec<(usize, Surface)>,
    hidden: Vec<usize>,
    last: usize,
}

impl Take {
    pub(crate) fn of(timeline: Timeline, seed: u64) -> Take {
        let strokes =
            vec![
                JudgedStroke { status: Status::NotReached, strike: None, late: None, late_sigma: None, bpm: None };
                timeline.strokes.len()
            ];
        let next = timeline.bpm;
        Take {
            a: Assessment {
                guide: None,
                timeline,
                clock: None,
                strikes: vec![],
                strokes,
                findings: vec![],
                advice: Advice {
                    praise: Praise::Pass(0),
                    fix: None,
                    practise: None,
                    next,
                    why: Why::Stay(Reason::Easy),
                },
                slips: vec![],
                limits: vec![],
                stretches: vec![],
                jitter: None,
            },
            dice: Dice(seed),
            now: 1.731,
            at: Ticks(0),
            bpm: 70.0,
            drift: 1.0,
            jitter_ms: 13.0,
            sigma_ms: 0.6,
            missed: vec![],
            wrong: vec![],
            hidden: vec![],
            last: 0,
        }
    }

    pub(crate) fn miss(mut self, strokes: &[usize]) -> Take {
        self.missed.extend(strokes);
        self
    }
    pub(crate) fn hide(mut self, strokes: &[usize]) -> Take {
        self.hidden.extend(strokes);
        self
    }
    pub(crate) fn wrong(mut self, strokes: &[usize], surface: Surface) -> Take {
        self.wrong.extend(strokes.iter().map(|s| (*s, surface)));
        self
    }

    /// First stroke of a bar.
    pub(crate) fn bar(&self, bar: usize) -> usize {
        self.a.timeline.bars.get(bar).map_or(self.a.timeline.strokes.len(), |b| b.strokes.start)
    }

    fn level(&mut self) -> Decibels {
        Decibels(-18.0 + 3.0 * self.dice.normal())
    }

    /// Plays strokes `from..to`; a stretch of its own.
    pub(crate) fn play(mut self, from: usize, to: usize, began: Step) -> Take {
        let first = self.a.strikes.len();
        if self.a.strikes.is_empty() || matches!(began, Step::Jump | Step::JumpAfterPause) {
            if !self.a.strikes.is_empty() {
                // To the end of the bar.
                let bar = self.a.timeline.meter.bar().0;
                self.now += Ticks(bar - self.at.0 % bar).quarters() * 60.0 / self.bpm;
            }
            self.at = self.a.timeline.strokes[from].at;
        }
        let mut off = 0.0;
        for stroke in from..to {
            let written = self.a.timeline.strokes[stroke].clone();
            self.now += (written.at - self.at).quarters() * 60.0 / self.bpm;
            self.at = written.at;
            self.bpm *= self.drift;
            // A slow wander and a jitter of its own.
            off = 0.55 * off + self.jitter_ms * 0.8 * self.dice.normal();
            let bpm = self.bpm * (1.0 + 0.004 * self.dice.normal());
            if self.missed.contains(&stroke) || self.hidden.contains(&stroke) {
                let status = if self.missed.contains(&stroke) { Status::Missed } else { Status::NotHeard };
                self.a.strokes[stroke].status = status;
                continue;
            }
            let other = self.wrong.iter().find(|(s, _)| *s == stroke).map(|w| w.1);
            let sigma = Seconds::from_millis(self.sigma_ms * (0.5 + self.dice.unit()));
            let level = self.level();
            let p = 0.86 + 0.139 * self.dice.unit();
            self.a.strikes.push(JudgedStrike {
                at: Seconds::of(self.now + off / 1e3),
                sigma,
                surface: other.unwrap_or(written.surface),
                surface_p: p,
                level,
                stroke: Some(stroke),
                spread: None,
                step: if self.a.strikes.len() == first { began } else { Step::Match },
                certainty: 0.99,
                late: Some(Lateness(Seconds::from_millis(off))),
                late_sigma: Some(sigma),
                bpm: Bpm::new(bpm),
                elsewhere: other.is_some(),
            });
            self.a.strokes[stroke] = JudgedStroke {
                status: if other.is_some() { Status::WrongSurface } else { Status::Played },
                strike: Some(self.a.strikes.len() - 1),
                late: Some(Lateness(Seconds::from_millis(off))),
                late_sigma: Some(sigma),
                bpm: Bpm::new(bpm),
            };
        }
        self.last = to;
        self.a.stretches.push(Stretch { strikes: first..self.a.strikes.len(), strokes: from..to, began });
        self
    }

    /// Seconds of nothing.
    pub(crate) fn wait(mut self, seconds: f64) -> Take {
        self.now += seconds;
        self
    }

    /// Makes one stroke late by so much.
    pub(crate) fn shift(mut self, stroke: usize, ms: f64) -> Take {
        self.a.strokes[stroke].late = Some(Lateness(Seconds::from_millis(ms)));
        self
    }

    /// Strikes that nobody wrote, so many eighths after a stroke.
    pub(crate) fn stray(mut self, stroke: usize, eighths: &[f64], step: Step) -> Take {
        let Some(strike) = self.a.strokes[stroke].strike else { return self };
        let from = self.a.strikes[strike].at.get();
        for eighth in eighths {
            let level = self.level();
            self.a.strikes.push(JudgedStrike {
                at: Seconds::of(from + eighth * 30.0 / self.bpm),
                sigma: Seconds::from_millis(0.5),
                surface: Surface::Centre,
                surface_p: 0.9,
                level,
                stroke: None,
                spread: None,
                step,
                certainty: 0.97,
                late: None,
                late_sigma: None,
                bpm: None,
                elsewhere: false,
            });
        }
        self
    }

    /// Index of a bar.
    fn index(&self, section: &str, pass: u32, bar: u32) -> usize {
        let passes = &self.a.timeline.passes;
        passes.iter().find(|p| p.section == section && p.number == pass).unwrap().bars.start + bar as usize - 1
    }

    /// A finding of some kind at the stroke that stands at this beat, or after it.
    pub(crate) fn find(self, kind: Kind, (section, pass, bar, beat): (&str, u32, u32, f64), confidence: f64) -> Take {
        let index = self.index(section, pass, bar);
        let t = &self.a.timeline;
        let strokes = t.bars[index].strokes.clone();
        let stroke = strokes.clone().find(|j| t.beat(*j) > beat - 0.01).unwrap_or(strokes.start);
        let from = t.bars[index].at + Ticks(((beat - 1.0) * t.meter.beat().0 as f64) as i64);
        let rest = t.rests.iter().position(|r| r.to > from).unwrap_or(0);
        let course = Course { from: Bpm::clamped(71.0), to: Bpm::clamped(76.0), back: None, bar: index };
        let what = match kind {
            Kind::RestNotKept => What::RestNotKept { rest, strikes: 2 },
            Kind::EarlyReEntry => What::EarlyReEntry { rest, beats: 0.5 },
            Kind::LateReEntry => What::LateReEntry { rest, beats: 0.5 },
            Kind::JoinGap => What::JoinGap { beats: 1.2 },
            Kind::WrongSurface => What::WrongSurface {
                written: t.strokes[stroke].surface,
                heard: if t.strokes[stroke].surface == Surface::Centre { Surface::Rim } else { Surface::Centre },
                strokes: vec![stroke],
                of: 1,
            },
            Kind::Restarted => What::Restarted { left: index, bars: 1 },
            Kind::Paused => What::Paused { beats: 1.4, fell: false },
            Kind::Rushing => What::Rushing(course),
            Kind::NotTogether => What::NotTogether { spread: Seconds::from_millis(48.0), apart: 3, of: 4 },
            Kind::Lost => What::Lost { time: Seconds::of(4.0), found: None },
            Kind::StrokesMissing => What::StrokesMissing { strokes: vec![stroke], common: Common::Bar },
            other => panic!("no such finding is invented here: {}", other.word()),
        };
        let place = Place { stroke: Some(stroke), ..Place::bar(index) };
        let place = (!matches!(kind, Kind::Rushing)).then_some(place);
        self.found(what, place, confidence)
    }

    pub(crate) fn found(mut self, what: What, place: Option<Place>, confidence: f64) -> Take {
        let bar = place.as_ref().map(|p| p.bars.start);
        let strike = bar
            .and_then(|b| self.a.timeline.bars.get(b))
            .and_then(|b| b.strokes.clone().filter_map(|s| self.a.strokes[s].strike).next_back());
        let at = strike.map(|s| self.a.strikes[s].at);
        let evidence = Evidence::InRest { strikes: 2, odds: 4.0 };
        self.a.findings.push(Finding { what, place, at, confidence, evidence, otherwise: None });
        self
    }

    /// Puts strikes in order of time and gives the take its clock.
    pub(crate) fn done(mut self) -> Assessment {
        let mut order = (0..self.a.strikes.len()).collect::<Vec<_>>();
        order.sort_by(|a, b| self.a.strikes[*a].at.get().total_cmp(&self.a.strikes[*b].at.get()));
        let place = |old: usize| order.iter().position(|o| *o == old).unwrap();
        for stroke in &mut self.a.strokes {
            stroke.strike = stroke.strike.map(place);
        }
        for stretch in &mut self.a.stretches {
            if !stretch.strikes.is_empty() {
                stretch.strikes = place(stretch.strikes.start)..place(stretch.strikes.end - 1) + 1;
            }
        }
        self.a.strikes = order.iter().map(|i| self.a.strikes[*i]).collect();
        let first = self.a.strikes.first().map(|s| s.at);
        self.a.clock =
            first.map(|start| Clock { source: ClockSource::OwnPulse, start, bpm: Bpm::new(self.bpm).unwrap() });
        self.a.jitter = Some(Seconds::from_millis(self.jitter_ms));
        self.a
    }
}

/// A steady take without a slip.
pub(crate) fn good() -> Assessment {
    let take = Take::of(lantern("A A B B"), 7);
    let end = take.a.timeline.strokes.len();
    let mut a = take.play(0, end, Step::Start).done();
    a.advice.praise = Praise::AllInPlace;
    a.advice.next = Bpm::new(76.0).unwrap();
    a.advice.why = Why::Up { from: Bpm::new(73.0).unwrap() };
    a
}

/// Rests run through, another surface, a stroke not played, one that could not be heard.
pub(crate) fn rests() -> Assessment {
    let take = Take::of(lantern("A A B B"), 21);
    let end = take.a.timeline.strokes.len();
    let (a4, b1, b2) = (take.bar(7), take.bar(8), take.bar(13));
    let mut a = take
        .miss(&[b1 + 2])
        .hide(&[b2 + 1])
        .wrong(&[b2 + 2], Surface::Centre)
        .play(0, end, Step::Start)
        .stray(a4, &[2.1, 2.9], Step::InRest)
        .stray(a4 + 1, &[2.0, 3.1], Step::InRest)
        .stray(b1 + 4, &[0.3], Step::Double)
        .find(Kind::RestNotKept, ("A", 2, 4, 2.0), 0.97)
        .find(Kind::RestNotKept, ("A", 2, 4, 4.0), 0.95)
        .find(Kind::WrongSurface, ("B", 2, 2, 2.0), 0.78)
        .find(Kind::StrokesMissing, ("B", 1, 1, 3.0), 0.9);
    a = a.shift(b1 + 6, -131.0);
    let mut a = a.done();
    a.advice = Advice {
        praise: Praise::Pass(0),
        fix: Some(Fix::Finding(0)),
        practise: Some(7..9),
        next: Bpm::new(66.0).unwrap(),
        why: Why::Slower(Reason::ThinkAhead),
    };
    a.limits = vec![Limit::OwnPulse, Limit::NotHeard { strokes: 1 }];
    a
}

/// Gave up in bar 3, began again, stopped once more inside B, and did not reach the end.
pub(crate) fn restart() -> Assessment {
    let take = Take::of(lantern("A A B B"), 5);
    let (a3, again, b3) = (take.bar(2) + 3, take.bar(8) + 3, take.bar(13));
    let mut take = take;
    take.drift = 1.0012;
    take.play(0, a3, Step::Start)
        .wait(2.3)
        .play(0, again, Step::JumpAfterPause)
        .wait(1.4)
        .play(again, b3, Step::Shift)
        .found(What::Restarted { left: 2, bars: 3 }, Some(Place::bar(0)), 0.97)
        .find(Kind::Paused, ("B", 1, 1, 3.0), 0.93)
        .find(Kind::Rushing, ("B", 1, 3, 1.0), 0.71)
        .done()
}

/// A once too often, and B's beginning skipped.
pub(crate) fn repeat() -> Assessment {
    let take = Take::of(lantern("A A B"), 11);
    let (b1, b3, end) = (take.bar(8), take.bar(10), take.a.timeline.strokes.len());
    let second = take.bar(4);
    take.play(0, b1, Step::Start)
        .play(second, b1, Step::Jump)
        .play(b3, end, Step::Jump)
        .found(What::RepeatExtra { bars: 4 }, Some(Place { bars: 4..8, passes: Passes::Unknown, ..Place::bar(4) }), 0.9)
        .found(What::SectionSkipped { bars: 2 }, Some(Place { bars: 8..10, ..Place::bar(8) }), 0.8)
        .done()
}

/// Sixty bars in three sections, sixteenths among them, with slips all over.
pub(crate) fn long() -> Assessment {
    let sections = [
        ("A", "oxx. o.x. | oxx. o.x. | ooxo oxoo | O.-- X.-- | oxx. o.x. | oxx. o.x. | ooxo oxoo | O.-- X.--"),
        ("B", "+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x---"),
        ("C", "o.x.o.xx|oox.oox.|o.x.o.xx|O.O.----|o.x.o.xx|oox.oox.|o.x.o.xx|O.O.----|x.x.x.x.|oooooooo"),
    ];
    let t = timeline("The Long Way Round the Harbour", FOUR, 88.0, &sections, "A B A B C A B C A");
    let end = t.strokes.len();
    let mut take =
        Take::of(t, 99).miss(&[40, 41, 130, 250]).hide(&[90, 91, 92, 300]).wrong(&[150, 151, 210], Surface::Rim);
    take.bpm = 86.0;
    take.jitter_ms = 19.0;
    take.drift = 1.0002;
    let places = [
        (Kind::RestNotKept, "A", 1, 4, 2.0),
        (Kind::EarlyReEntry, "A", 1, 5, 1.0),
        (Kind::JoinGap, "B", 1, 1, 1.0),
        (Kind::WrongSurface, "B", 2, 3, 3.0),
        (Kind::NotTogether, "B", 2, 4, 1.0),
        (Kind::RestNotKept, "C", 1, 4, 3.0),
        (Kind::LateReEntry, "C", 1, 5, 1.0),
        (Kind::RestNotKept, "A", 3, 4, 2.0),
        (Kind::EarlyReEntry, "A", 3, 4, 3.0),
        (Kind::RestNotKept, "A", 3, 4, 4.0),
        (Kind::EarlyReEntry, "A", 3, 5, 1.0),
        (Kind::WrongSurface, "A", 3, 5, 2.0),
        (Kind::WrongSurface, "A", 3, 5, 3.0),
        (Kind::NotTogether, "A", 3, 5, 4.0),
    ];
    take = take.play(0, end, Step::Start).stray(60, &[0.5, 1.1], Step::Extra);
    for (kind, section, pass, bar, beat) in places {
        take = take.find(kind, (section, pass, bar, beat), 0.6 + 0.04 * f64::from(bar));
    }
    take.done()
}

/// A noisy room: every moment uncertain, surfaces unsure.
pub(crate) fn noisy() -> Assessment {
    let mut take = Take::of(lantern("A B"), 3).hide(&[3, 9, 10, 20]);
    take.sigma_ms = 11.0;
    take.jitter_ms = 24.0;
    let end = take.a.timeline.strokes.len();
    let mut a = take.play(0, end, Step::Start).done();
    for (i, strike) in a.strikes.iter_mut().enumerate() {
        if i % 4 == 1 {
            strike.surface_p = 0.55;
        }
    }
    a.advice.praise = Praise::Bars(8);
    a.limits = vec![Limit::Noise { over: Decibels(7.0), together: true }, Limit::NotHeard { strokes: 4 }];
    a
}

/// 6/8 with pats and claps, hands written, and a name made to hurt.
pub(crate) fn six_eight() -> (Assessment, pailbeat::report::Meta) {
    let sections = [("H", "p.pc.c|pppc--|p.pC.C|P-----"), ("A long name for a section & <b>more</b>", "pppccc|p--c--")];
    let t = timeline(
        "<script>alert('x')</script> \u{202e}& \"quoted\"",
        Meter { beats: 6, unit: 8 },
        80.0,
        &[sections[0], ("Long", sections[1].1)],
        "H Long H Long",
    );
    let mut a = {
        let mut take = Take::of(t, 17);
        take.jitter_ms = 40.0;
        let end = take.a.timeline.strokes.len();
        take.play(0, end, Step::Start).find(Kind::LateReEntry, ("H", 1, 3, 1.0), 0.7).done()
    };
    for pass in &mut a.timeline.passes {
        if pass.section == "Long" {
            pass.section = sections[1].0.into();
        }
    }
    a.advice.fix = Some(Fix::Finding(0));
    a.advice.practise = Some(1..3);
    let meta = pailbeat::report::Meta {
        pupil: Some(format!("../../{}", "Wren<img src=x onerror=alert(1)>".repeat(200))),
        date: Some("\u{202e}rebmevoN 21".into()),
        take: "a/../../b\u{0}.wav".into(),
    };
    (a, meta)
}

/// A beginner who begins again and again, with slips close together.
pub(crate) fn stumbling() -> Assessment {
    let mut take = Take::of(lantern("A A B B"), 41).miss(&[16, 17, 46, 60]).wrong(&[20, 21, 47, 62], Surface::Centre);
    take.jitter_ms = 52.0;
    take.bpm = 58.0;
    let (a2, a3, a4, b1) = (take.bar(1) + 2, take.bar(2), take.bar(3), take.bar(8));
    let end = take.a.timeline.strokes.len();
    take = take
        .play(0, a2, Step::Start)
        .wait(1.1)
        .play(0, a3 + 2, Step::JumpAfterPause)
        .wait(0.9)
        .play(a3, a4 + 1, Step::JumpAfterPause)
        .wait(2.0)
        .play(a3, b1 + 2, Step::JumpAfterPause)
        .wait(0.7)
        .play(b1 + 2, end, Step::Shift)
        .stray(22, &[0.4, 1.0, 1.6], Step::Extra)
        .stray(b1 + 13, &[0.9, 1.5, 2.2], Step::InRest);
    let places = [
        (Kind::Restarted, "A", 1, 1, 1.0),
        (Kind::Restarted, "A", 1, 3, 1.0),
        (Kind::WrongSurface, "A", 2, 1, 2.0),
        (Kind::WrongSurface, "A", 2, 1, 3.0),
        (Kind::JoinGap, "B", 1, 1, 1.0),
        (Kind::Paused, "B", 1, 1, 3.0),
        (Kind::RestNotKept, "B", 1, 2, 4.0),
        (Kind::EarlyReEntry, "B", 1, 3, 1.0),
        (Kind::NotTogether, "B", 1, 4, 1.0),
        (Kind::RestNotKept, "B", 1, 4, 3.5),
        (Kind::LateReEntry, "B", 2, 1, 1.0),
        (Kind::Lost, "B", 2, 3, 1.0),
    ];
    for (kind, section, pass, bar, beat) in places {
        take = take.find(kind, (section, pass, bar, beat), 0.95 - 0.05 * f64::from(bar));
    }
    let mut a = take.done();
    a.advice.fix = Some(Fix::Finding(0));
    a.advice.practise = Some(2..4);
    a
}

/// A hundred bars of sixteenths and triplets.
pub(crate) fn hundred() -> Assessment {
    let sections = [
        ("A", "oxooxoxo oxooxoxo | ooxxooxxooxxoo.- | oxo.oxo.oxo.o--- | OxXo Ox.. O---X---"),
        ("B", "oxoxoxoxoxox | o.xo.xo.xo-- | oxx oxx oxx oxx | O--X--O--X--"),
    ];
    let form = ["A A B B"; 6].join(" ") + " A";
    let t = timeline("A Hundred Bars", FOUR, 60.0, &sections, &form);
    let end = t.strokes.len();
    let mut take = Take::of(t, 3).miss(&[100, 101, 500]).hide(&[700, 701]);
    take.bpm = 62.0;
    take.drift = 1.00015;
    take.play(0, end, Step::Start).done()
}

/// Next to nothing was heard.
pub(crate) fn silence() -> Assessment {
    let mut a = Take::of(lantern("A A B B"), 1).a;
    a.advice.praise = Praise::Recorded;
    a.advice.fix = Some(Fix::Record(Record::Nearer));
    a.advice.why = Why::Stay(Reason::Heard);
    a.limits = vec![Limit::AlmostNothing { strikes: 0, duration: Seconds::of(31.0) }];
    a
}

/// Something else was played.
pub(crate) fn stranger() -> Assessment {
    let mut a = silence();
    let mut dice = Dice(77);
    let mut at = 0.9;
    while at < 19.0 {
        a.strikes.push(JudgedStrike {
            at: Seconds::of(at),
            sigma: Seconds::from_millis(0.4),
            surface: Surface::Centre,
            surface_p: 0.5,
            level: Decibels(-20.0 + 5.0 * dice.normal()),
            stroke: None,
            spread: None,
            step: Step::Extra,
            certainty: 0.97,
            late: None,
            late_sigma: None,
            bpm: None,
            elsewhere: false,
        });
        at += 0.1 + 0.5 * dice.unit();
    }
    a.advice.fix = Some(Fix::AnotherPart);
    a.limits = vec![Limit::AnotherPart { strikes: a.strikes.len() }];
    a
}

pub(crate) fn meta() -> pailbeat::report::Meta {
    pailbeat::report::Meta { pupil: Some("Wren".into()), date: Some("12 November".into()), take: "wren-3.m4a".into() }
}

pub(crate) fn all() -> Vec<(&'static str, Assessment, pailbeat::report::Meta)> {
    let (six, hostile) = six_eight();
    vec![
        ("good", good(), meta()),
        ("rests", rests(), meta()),
        ("restart", restart(), meta()),
        ("repeat", repeat(), meta()),
        ("long", long(), meta()),
        ("stumbling", stumbling(), meta()),
        ("hundred", hundred(), meta()),
        ("noisy", noisy(), meta()),
        ("hostile", six, hostile),
        ("silence", silence(), meta()),
        ("stranger", stranger(), meta()),
    ]
}
