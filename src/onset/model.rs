//! The fitted weights of the ear, as `scripts/pack_weights.rs` packs them from `assets/ear.json`.

use std::sync::OnceLock;

use super::features::{FIRST, TIMING};
use super::network::{Networks, Packed};
use super::second::SECOND;

/// The fitted weights.
pub(crate) struct Model {
    /// First decision: logit.
    pub(crate) first: Networks,
    /// Second decision: logit.
    pub(crate) second: Networks,
    /// Correction of the place in milliseconds, to be added.
    pub(crate) place: Networks,
    /// Logarithm of the standard deviation of the corrected place in milliseconds.
    pub(crate) sigma: Networks,
    /// Factor and power on sigma at which as many errors lie within each multiple of it as normal ones would, for small
    /// and for large sigmas alike (`scripts/measure_calibration.py --fit`): the network alone keeps too near its middle.
    pub(crate) sigma_scale: f32,
    pub(crate) sigma_power: f32,
    /// Probability from which on a candidate is given out as a strike.
    pub(crate) threshold: Threshold,
    /// Of strikes this many decibels above the noise of their surroundings four in five are heard.
    pub(crate) audible_over_noise_db: f64,
}

/// Noise with events of its own fills a take with doubtful candidates, a quiet take has hardly any: the threshold lies
/// between two values, by the number of doubtful candidates to one sure strike.
pub(crate) struct Threshold {
    pub(crate) noisy: f32,
    pub(crate) noisy_doubtful: f32,
    pub(crate) quiet: f32,
    pub(crate) quiet_doubtful: f32,
}

impl Threshold {
    pub(crate) fn at(&self, doubtful: f32) -> f32 {
        let share = ((doubtful - self.quiet_doubtful) / (self.noisy_doubtful - self.quiet_doubtful)).clamp(0.0, 1.0);
        self.quiet + share * (self.noisy - self.quiet)
    }
}

pub(super) static WEIGHTS: &[u8] = include_bytes!(concat!(env!("OUT_DIR"), "/ear.bin"));

/// The model; unpacked once.
pub(crate) fn model() -> &'static Model {
    static MODEL: OnceLock<Model> = OnceLock::new();
    MODEL.get_or_init(|| unpack(WEIGHTS).unwrap_or_else(|| unreachable!("the embedded weights do not fit")))
}

fn unpack(bytes: &[u8]) -> Option<Model> {
    let packed = &mut Packed(bytes);
    let model = Model {
        first: Networks::unpack(packed, FIRST)?,
        second: Networks::unpack(packed, SECOND)?,
        place: Networks::unpack(packed, TIMING)?,
        sigma: Networks::unpack(packed, TIMING)?,
        sigma_scale: packed.number()?,
        sigma_power: packed.number()?,
        threshold: Threshold {
            noisy: packed.number()?,
            noisy_doubtful: packed.number()?,
            quiet: packed.number()?,
            quiet_doubtful: packed.number()?,
        },
        audible_over_noise_db: packed.double()?,
    };
    packed.0.is_empty().then_some(model)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_embedded_weights_fit_the_numbers_the_ear_looks_at() {
        let model = unpack(WEIGHTS).unwrap();
        let Threshold { noisy, noisy_doubtful, quiet, quiet_doubtful } = model.threshold;
        assert!(0.0 < quiet && quiet < noisy && noisy < 1.0 && quiet_doubtful < noisy_doubtful);
        assert!(model.sigma_scale > 0.0 && model.sigma_power > 0.0);
        assert!(unpack(&WEIGHTS[..WEIGHTS.len() - 1]).is_none());
    }

    #[test]
    fn doubtful_candidates_raise_the_threshold() {
        let threshold = &model().threshold;
        let (quiet, lively) = (threshold.at(0.0), threshold.at(1.0));
        assert!(quiet < threshold.at(0.1) && threshold.at(0.1) < lively && lively < 1.0, "{quiet} {lively}");
    }

    #[test]
    fn no_weight_is_so_small_that_the_processor_stumbles_over_it() {
        let model = unpack(WEIGHTS).unwrap();
        for networks in [&model.first, &model.second, &model.place, &model.sigma] {
            assert!(!networks.weights().any(f32::is_subnormal));
        }
    }
}
