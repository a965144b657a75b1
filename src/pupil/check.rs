//! A short recording -> what would spoil a take, and how the pupil's surfaces sound: `pailbeat soundcheck` in the page.

use serde::Serialize;

use super::{Pupil, Refused, row};
use crate::chain::{self, Samples, known_strikes, quietly};
use crate::part::Surface;
use crate::resample::Resampler;
use crate::surface::Calibration;
use crate::take::soundcheck::{EACH, STRIKES_FROM, judge, probe_sound, probes};
use crate::take::{KeptCheck, KnownStrikes};
use crate::units::{EAR_RATE, SampleRate, Seconds};

/// A child that reads what to strike has so long for three strikes.
pub(super) const EACH_S: f64 = 4.0;

#[derive(Serialize)]
struct CheckRow {
    /// The one thing to change first.
    change: Option<TroubleRow>,
    /// How many other things were noticed.
    others: usize,
    surfaces: Vec<StruckRow>,
    /// Where the strikes lie in the recording, if they are worth keeping.
    keep_s: Option<[f64; 2]>,
    check: KeptCheck,
}

#[derive(Serialize)]
struct TroubleRow {
    word: &'static str,
    say: &'static str,
}

#[derive(Serialize)]
struct StruckRow {
    word: &'static str,
    heard: usize,
}

impl Pupil {
    /// What a check's loudspeaker plays, from its first sample: the probes.
    pub fn probe(&self, rate: SampleRate) -> Vec<f32> {
        probe_sound(rate, crate::guide::PEAK)
    }

    /// Judges a check: JSON. `played_from`: where the probes' first sample was due in it, if they were played. What it finds
    /// holds for the takes after it.
    ///
    /// # Errors
    /// A rate out of all bounds, or a surface that is none.
    pub fn check(
        &mut self,
        samples: &[f32],
        rate: SampleRate,
        played_from: Option<Seconds>,
        began: &str,
        surfaces: &[Surface],
    ) -> Result<String, Refused> {
        let (take, _) = chain::hear(&mut Samples { samples, rate }, &[], &mut quietly).map_err(Refused::of)?;
        let peak = samples.iter().fold(0.0_f32, |most, v| most.max(v.abs()));
        let heard = played_from.map_or_else(Vec::new, |from| probes(&at_ear_rate(samples, rate), from));
        let checked = judge(&take, peak, heard, surfaces.len());
        let keep_s = checked.kept(surfaces.len()).map(|(from, to)| [from.get(), to.get()]);
        let struck = surfaces.iter().enumerate().map(|(k, surface)| {
            let from = STRIKES_FROM.get() + k as f64 * EACH_S;
            let to = if k + 1 == surfaces.len() { f64::INFINITY } else { from + EACH_S };
            let inside = checked.strikes.iter().filter(|at| (from..to).contains(&at.get())).count();
            StruckRow { word: surface.word(), heard: inside.min(EACH) }
        });
        let check = KeptCheck::begun(began.to_owned(), &checked, None);
        self.check = Some(check.clone());
        let first = checked.troubles.first();
        row(&CheckRow {
            change: first.map(|t| TroubleRow { word: t.word(), say: t.say() }),
            others: checked.troubles.len().saturating_sub(1),
            surfaces: struck.collect(),
            keep_s,
            check,
        })
    }

    /// Makes known how the surfaces sound: a recording of nothing but three strikes on each, and the check it is from.
    ///
    /// # Errors
    /// Another number of strikes.
    pub fn know(
        &mut self,
        samples: &[f32],
        rate: SampleRate,
        surfaces: &[Surface],
        check: KeptCheck,
    ) -> Result<(), Refused> {
        let (take, _) = chain::hear(&mut Samples { samples, rate }, &[], &mut quietly).map_err(Refused::of)?;
        self.known = known_strikes(&take, surfaces).map_err(Refused::of)?;
        let kept = KnownStrikes { recording: super::STRIKES.into(), surfaces: surfaces.to_vec() };
        self.check = Some(KeptCheck { surfaces: Some(kept.to_string()), ..check });
        Ok(())
    }

    /// Forgets the check and how the surfaces sound.
    pub fn unknow(&mut self) {
        (self.known, self.check) = (Calibration::default(), None);
    }
}

fn at_ear_rate(samples: &[f32], rate: SampleRate) -> Vec<f32> {
    let mut out = Vec::new();
    if let Some(mut resampler) = Resampler::new(rate, EAR_RATE) {
        resampler.push(samples, &mut out);
        resampler.finish(&mut out);
    }
    out
}
