//! Pupils for the tests: they play a written part with known faults, and a symbolic ear hears them. Seeded.

use super::super::{Assessment, Hearing, assess};
use crate::align::{AlignConfig, Strike, trace};
use crate::onset::Audibility;
use crate::part::{Hand, Hands, Surface, Timeline, parse};
use crate::rng::Rng;
use crate::units::{Bpm, Decibels, Seconds};

/// Seeds that follow one another are spread far apart.
pub(in crate::assess) fn rng(seed: u64) -> Rng {
    Rng(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x5851_f42d_4c95_7f2d)
}

/// What is told as audible lies so far above where half is heard, as with the ear (`unheard`).
pub(in crate::assess) const TOLD_ABOVE_DB: f64 = 16.0;

/// How somebody plays.
pub(in crate::assess) struct Pupil {
    pub(in crate::assess) seed: u64,
    pub(in crate::assess) form: Option<&'static str>,
    /// Tempo as a share of the one asked for.
    pub(in crate::assess) tempo: f64,
    /// Jitter of each stroke, seconds, and of the pulse from quarter to quarter, as a share.
    pub(in crate::assess) jitter: f64,
    pub(in crate::assess) unsteady: f64,
    /// Log tempo at a share 0 to 1 of the piece, relative to the start.
    pub(in crate::assess) drift: fn(f64) -> f64,
    /// Strokes left out, by index.
    pub(in crate::assess) left_out: Vec<usize>,
    /// Whole surfaces of one pass played elsewhere: pass index, written, played.
    pub(in crate::assess) elsewhere: Option<(usize, Surface, Surface)>,
    /// The left hand comes late by this, seconds.
    pub(in crate::assess) left_late: f64,
    /// Standard deviation of the time between two hands, and a constant on top, seconds.
    pub(in crate::assess) apart: (f64, f64),
    /// Level of the later of two hands beside the first, dB.
    pub(in crate::assess) second_db: f64,
    /// Whether swells and dynamic marks are played, in dB over a swell and for a step.
    pub(in crate::assess) swell_db: f64,
    /// Level of a stroke, dB: by surface, and its standard deviation.
    pub(in crate::assess) levels: [f64; Surface::COUNT],
    pub(in crate::assess) touch_db: f64,
    /// The ear's threshold, dB; strokes below it are faint candidates only.
    pub(in crate::assess) threshold: f64,
    /// Stray sounds a minute.
    pub(in crate::assess) strays: f64,
}

impl Pupil {
    /// A beginner who plays it right: 40 ms of jitter and a pulse that wanders 1 % a quarter.
    pub(in crate::assess) fn good(seed: u64) -> Pupil {
        let mut dice = rng(seed ^ 0xabcd);
        Pupil {
            seed,
            form: None,
            tempo: (0.06 * dice.normal(1.0)).exp(),
            jitter: 0.030 + 0.020 * dice.unit(),
            unsteady: 0.005,
            drift: |_| 0.0,
            left_out: Vec::new(),
            elsewhere: None,
            left_late: 0.0,
            apart: (0.010, 0.0),
            second_db: -1.0,
            swell_db: 8.0,
            levels: [-18.0, -22.0, -20.0, -28.0, -24.0],
            touch_db: 2.5,
            threshold: -50.0,
            strays: 1.0,
        }
    }

    pub(in crate::assess) fn line(&self, part: &str) -> Timeline {
        let part = parse(part).unwrap();
        part.timeline(self.form, Bpm::clamped((part.range.start.get() + part.range.goal.get()) / 2.0)).unwrap()
    }

    /// Plays `played` and is judged against `written`.
    pub(in crate::assess) fn take(&self, written: &Timeline, played: &Timeline) -> Assessment {
        let (strikes, faint, duration) = self.play(played);
        let mut heard = Hearing::clear(Seconds::of(duration));
        heard.audibility =
            vec![Audibility { from: Seconds::ZERO, threshold: Decibels(self.threshold + TOLD_ABOVE_DB) }];
        let trace = trace(written, &strikes, &AlignConfig::default());
        assess(written, &strikes, &faint, &trace, &heard)
    }

    /// What the ear hears: strikes, faint candidates, length of the recording.
    pub(in crate::assess) fn play(&self, line: &Timeline) -> (Vec<Strike>, Vec<Strike>, f64) {
        let mut dice = rng(self.seed);
        let whole = line.end().quarters().max(1.0);
        let quarter = 60.0 / (line.bpm.get() * self.tempo);
        // The pulse in steps of a sixteenth.
        const STEP: f64 = 0.25;
        let mut pulse = vec![1.5];
        let mut wander = 0.0;
        for k in 0..(whole / STEP).ceil() as usize + 1 {
            wander = 0.97 * wander + self.unsteady * STEP.sqrt() * dice.normal(1.0);
            let length = quarter * STEP * (-(self.drift)(k as f64 * STEP / whole)).exp() * (1.0 + wander);
            pulse.push(pulse[k] + length);
        }
        let at = |b: f64| {
            let k = (b / STEP).floor() as usize;
            pulse[k] + (b / STEP).fract() * (pulse[k + 1] - pulse[k])
        };
        let mut out: Vec<(f64, f64, Surface)> = Vec::new();
        for (j, stroke) in line.strokes.iter().enumerate() {
            let b = stroke.at.quarters();
            let (jitter, touch, hands) = (dice.normal(1.0), dice.normal(1.0), dice.normal(1.0));
            if self.left_out.contains(&j) {
                continue;
            }
            let late = if stroke.hands == Hands::One(Hand::Left) { self.left_late } else { 0.0 };
            let t = at(b) + self.jitter * jitter + late;
            let pass = line.bars[stroke.bar].pass;
            let surface = match self.elsewhere {
                Some((p, written, played)) if p == pass && stroke.surface == written => played,
                _ => stroke.surface,
            };
            let mut level = self.levels[surface.index()] + self.touch_db * touch;
            if let Some(mark) = stroke.level {
                level += 0.6 * self.swell_db * (f64::from(mark as u8) - 1.0);
            }
            for swell in line.swells.iter().filter(|s| s.from <= stroke.at && stroke.at < s.to) {
                let share = (stroke.at - swell.from).quarters() / (swell.to - swell.from).quarters();
                level += self.swell_db * (if swell.rising { share } else { 1.0 - share } - 0.5);
            }
            out.push((t, level, surface));
            if stroke.hands == Hands::Both {
                let spread = (self.apart.0 * hands + self.apart.1).abs();
                if spread > 0.012 {
                    out.push((t + spread, level + self.second_db, surface));
                }
            }
        }
        let end = out.iter().map(|x| x.0).fold(2.0, f64::max) + 1.5;
        let mut t = 0.0;
        let rate = self.strays.max(1e-9);
        loop {
            t -= dice.unit().max(1e-12).ln() * 60.0 / rate;
            if t > end {
                break;
            }
            out.push((t, -45.0 + 15.0 * dice.unit(), Surface::ALL[(3.0 * dice.unit()) as usize]));
        }
        out.sort_by(|a, b| a.0.total_cmp(&b.0));
        let (mut strikes, mut faint) = (Vec::new(), Vec::new());
        for (t, level, surface) in out {
            let mut p = [0.01; Surface::COUNT];
            let u = dice.unit();
            let heard = if u < 0.02 { Surface::ALL[(surface.index() + 1) % 3] } else { surface };
            p[heard.index()] = if u < 0.06 { 0.75 } else { 0.96 };
            let sum: f64 = p.iter().sum();
            let strike = Strike {
                at: Seconds::of((t + 0.0005 * dice.normal(1.0)).max(0.0)),
                sigma: Seconds::from_millis(0.5),
                level: Decibels(level),
                certainty: 0.97,
                surface: p.map(|x| x / sum),
            };
            if level > self.threshold + dice.normal(1.0) {
                strikes.push(strike);
            } else if dice.unit() < 0.7 {
                // A lost stroke leaves a candidate seven times in ten.
                faint.push(Strike { certainty: 0.25, ..strike });
            }
        }
        (strikes, faint, end)
    }
}

/// Parts of our own, in every meter, with rests, repeats, both hands, sticking and swells.
pub(in crate::assess) const PARTS: [&str; 6] = [
    "title = \"Lantern Parade\"\nmeter = \"4/4\"\nbpm = { start = 66, goal = 96 }\nform = \"A A B B\"\n[sections.A]\nstrokes = \"|: oxx. o.x. :|2 ooxo oxoo | O.-- X.-- |\"\n[sections.B]\nstrokes = \"+.xx +.o. | xx+. o.-- | +.xx +.o. | X.O. x--- |\"\n",
    "title = \"Millwheel\"\nmeter = \"3/4\"\nbpm = { start = 72, goal = 108 }\nform = \"A B A B\"\n[sections.A]\nstrokes = \"|: o.x.x. | o.xxx. :| o.x.-- \"\nhands = \"R.L.R. | R.LRL. | R.L...\"\n[sections.B]\nstrokes = \"+.o.o. | +.ooo. | X.X.-- | O.----\"\n",
    "title = \"Two Steps\"\nmeter = \"2/4\"\nbpm = { start = 60, goal = 100 }\nform = \"A A B A\"\n[sections.A]\nstrokes = \"oxox | oo.x | oxox | o.--\"\nhands = \"RLRL | RL.R | LRLR | R...\"\n[sections.B]\nstrokes = \"|: x.+. | xx+. :|3 O.O. | X.--\"\n",
    "title = \"Boats\"\nmeter = \"6/8\"\nbpm = { start = 54, goal = 84 }\nform = \"A B A B\"\n[sections.A]\nstrokes = \"o.xo.x | o.xo-- | o.xo.x | O.----\"\n[sections.B]\nstrokes = \"x..o.. | xxxooo | +..+.. | x..---\"\n",
    "title = \"Thunder far away\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 90 }\nform = \"A B A B\"\n[sections.A]\nstrokes = \"oooo oooo | x.x. x.-- | oooo oooo | O.O. X.--\"\nlevel = \"<<<< <<<< | f... .... | >>>> >>>> | p... ....\"\n[sections.B]\nstrokes = \"o.o. x.x. | o.oo x.xx | +.+. o.o. | O.-- ----\"\n",
    "title = \"Small Hours\"\nmeter = \"4/4\"\nbpm = { start = 56, goal = 80 }\nform = \"A A\"\n[sections.A]\nsyllables = \"ta ti-ti ta ta | ti-tika ta ti-ti sh | |: tika-tika ta ta ta :| ta-a ta sh\"\nsurfaces = \"ooxox | oooxoo | ooooxox | Xo\"\n",
];
