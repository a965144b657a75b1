//! Verdicts on invented takes, seeded: what the report is drawn from in its tests. A player with a jitter and a drift
//! plays a written form; slips are put in by name, and no finding says what was not put in. The takes are in `takes`.

use pailbeat::align::Step;
use pailbeat::assess::*;
use pailbeat::part::*;
use pailbeat::units::*;

/// Numbers that look random and never change: Numerical Recipes' 64-bit linear congruential generator.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice(seed)
    }
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1u64 << 53) as f64
    }
    /// Near enough to normal: twelve uniform numbers, less six.
    pub(crate) fn normal(&mut self) -> f64 {
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
            dice: Dice::new(seed),
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

    /// The stroke that stands at this beat, or after it.
    pub(crate) fn stroke(&self, (section, pass, bar, beat): (&str, u32, u32, f64)) -> usize {
        let t = &self.a.timeline;
        let strokes = t.bars[self.index(section, pass, bar)].strokes.clone();
        strokes.clone().find(|j| t.beat(*j) > beat - 0.01).unwrap_or(strokes.start)
    }

    /// A finding of some kind at the stroke that stands at this beat, or after it.
    pub(crate) fn find(self, kind: Kind, (section, pass, bar, beat): (&str, u32, u32, f64), confidence: f64) -> Take {
        let index = self.index(section, pass, bar);
        let stroke = self.stroke((section, pass, bar, beat));
        let t = &self.a.timeline;
        // What this take was made to leave out or to play elsewhere.
        let such = |status: Status| -> Vec<usize> {
            let strokes = stroke..t.bars[index].strokes.end;
            let such: Vec<usize> = strokes.filter(|j| self.a.strokes[*j].status == status).collect();
            assert!(!such.is_empty(), "nothing of {} in bar {bar} of {section} {pass}", kind.word());
            let alike = |j: &usize| t.strokes[*j].surface == t.strokes[such[0]].surface;
            such.iter().copied().filter(alike).collect()
        };
        let from = t.bars[index].at + Ticks(((beat - 1.0) * t.meter.beat().0 as f64) as i64);
        let rest = t.rests.iter().position(|r| r.to > from).unwrap_or(0);
        let course = Course { from: Bpm::clamped(71.0), to: Bpm::clamped(76.0), back: None, bar: index };
        let what = match kind {
            Kind::RestNotKept => What::RestNotKept { rest, strikes: 2 },
            Kind::EarlyReEntry => What::EarlyReEntry { rest, beats: 0.5 },
            Kind::LateReEntry => What::LateReEntry { rest, beats: 0.5 },
            Kind::JoinGap => What::JoinGap { beats: 1.2 },
            Kind::WrongSurface => {
                let strokes = such(Status::WrongSurface);
                let strike = self.a.strokes[strokes[0]].strike.unwrap();
                let (written, heard) = (t.strokes[strokes[0]].surface, self.a.strikes[strike].surface);
                What::WrongSurface { written, heard, of: strokes.len(), strokes }
            }
            Kind::Restarted => What::Restarted { left: index, bars: 1 },
            Kind::Paused => What::Paused { beats: 1.4, fell: false },
            Kind::Rushing => What::Rushing(course),
            Kind::NotTogether => What::NotTogether { spread: Seconds::from_millis(48.0), apart: 3, of: 4 },
            Kind::Lost => What::Lost { time: Seconds::of(4.0), found: None },
            Kind::StrokesMissing => What::StrokesMissing { strokes: such(Status::Missed), common: Common::Bar },
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
