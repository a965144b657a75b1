//! A simulated ear: what the aligner is given of a performance, with the truth for each strike.

use super::class::{Manner, Player};
use super::rng::Rng;
use pailbeat::align::Strike;
use pailbeat::part::Surface;
use pailbeat::units::{Decibels, Seconds};

/// How well it hears.
#[derive(Clone, Debug)]
pub struct Ear {
    pub timing_s: f64,
    pub lost: f64,
    pub strays_a_minute: f64,
    pub surface_errors: f64,
    /// Nothing known of surfaces at all.
    pub deaf_to_surface: bool,
}

impl Ear {
    /// Timing sd .3 to 2 ms, 1 to 3 % lost, 0 to 4 strays a minute, 2 to 8 % surface errors.
    pub fn usual(rng: &mut Rng) -> Ear {
        Ear {
            timing_s: rng.between(0.0003, 0.002),
            lost: rng.between(0.01, 0.03),
            strays_a_minute: if rng.chance(0.3) { 0.0 } else { rng.between(0.0, 4.0) },
            surface_errors: rng.between(0.02, 0.08),
            deaf_to_surface: false,
        }
    }

    /// A noisy kitchen.
    pub fn poor(rng: &mut Rng) -> Ear {
        Ear {
            lost: rng.between(0.02, 0.06),
            strays_a_minute: rng.between(2.0, 8.0),
            surface_errors: rng.between(0.05, 0.12),
            ..Ear::usual(rng)
        }
    }
}

/// One take as it reaches the aligner.
pub struct Heard {
    pub strikes: Vec<Strike>,
    /// The stroke that each strike really was.
    pub truth: Vec<Option<usize>>,
}

/// Listens.
pub fn listen(player: &Player, times: &[f64], manner: &Manner, ear: &Ear, rng: &mut Rng) -> Heard {
    let mut all: Vec<(Strike, Option<usize>)> = Vec::new();
    let mut hear = |t: f64, surface: Surface, level: f64, truth: Option<usize>, rng: &mut Rng| {
        let soft = (-level / 6.0).clamp(0.0, 4.0);
        if rng.chance((ear.lost * (1.0 + soft * soft)).min(0.7)) {
            return;
        }
        // Certainty of a true strike: nearly always high, lower for soft ones.
        let certainty = 1.0 - (0.5 * rng.unit().powi(6) * (1.0 + 0.5 * soft)).clamp(0.0005, 0.5);
        let at = t + rng.normal(ear.timing_s);
        all.push((strike(at, surface, level - 18.0, certainty, ear, rng), truth));
    };
    for (note, &t) in player.notes.iter().zip(times) {
        let level = note.level_db + rng.normal(manner.level_sd);
        hear(t, note.surface, level, note.stroke, rng);
        if note.both {
            let spread = rng.normal(manner.hands_s).abs();
            // Nearer than this the ear hears one strike.
            if spread > 0.012 {
                hear(t + spread, note.surface, level - 1.0, note.stroke, rng);
            }
        }
    }
    let (from, to) = (times.first().copied().unwrap_or(0.0) - 0.7, times.last().copied().unwrap_or(1.0) + 1.0);
    let n = ear.strays_a_minute * (to - from) / 60.0;
    let n = n.floor() as usize + usize::from(rng.chance(n.fract()));
    for _ in 0..n {
        let t = rng.between(from, to).max(0.0);
        let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
        let certainty = 0.5 + 0.48 * rng.unit();
        let level = -18.0 - rng.between(0.0, 22.0);
        all.push((strike(t, surface, level, certainty, ear, rng), None));
    }
    all.sort_by(|a, b| a.0.at.get().total_cmp(&b.0.at.get()));
    let (strikes, truth) = all.into_iter().unzip();
    Heard { strikes, truth }
}

/// A sound that is anything.
pub fn knock(t: f64, rng: &mut Rng) -> Strike {
    let ear = Ear { deaf_to_surface: false, surface_errors: 0.05, timing_s: 0.001, lost: 0.0, strays_a_minute: 0.0 };
    let surface = rng.pick(&[Surface::Centre, Surface::Rim, Surface::Click]).unwrap();
    strike(t, surface, -20.0 + rng.normal(6.0), 0.6 + 0.4 * rng.unit(), &ear, rng)
}

/// A strike with calibrated surface probabilities: the top one is right as often as it says, on average.
fn strike(at: f64, surface: Surface, level: f64, certainty: f64, ear: &Ear, rng: &mut Rng) -> Strike {
    let kin: &[Surface] = match surface {
        Surface::Pat | Surface::Clap => &[Surface::Pat, Surface::Clap, Surface::Centre],
        _ => &[Surface::Centre, Surface::Rim, Surface::Click],
    };
    let mut p = [0.0; Surface::COUNT];
    if ear.deaf_to_surface {
        p = [1.0 / Surface::COUNT as f64; Surface::COUNT];
    } else {
        let wrong = rng.chance(ear.surface_errors);
        let others: Vec<Surface> = kin.iter().copied().filter(|&s| s != surface).collect();
        let top = if wrong { rng.pick(&others).unwrap() } else { surface };
        let sure = if wrong { rng.between(0.45, 0.9) } else { 1.0 - 0.5 * rng.unit().powi(3) };
        for &s in kin {
            p[s.index()] = if s == top { sure } else { (1.0 - sure) / 2.0 };
        }
    }
    Strike { at: Seconds::of(at), sigma: Seconds::of(ear.timing_s), level: Decibels(level), certainty, surface: p }
}
