//! The player's pulse inside an account: a Kalman filter of two states, the moment of the stroke matched last and the length of a
//! quarter (Kalman 1960, "A new approach to linear filtering and prediction problems", J. Basic Eng. 82:35).
//!
//! Over `q` quarters the moment moves by `q` times the quarter; phase and tempo wander of themselves as [`super::model`]
//! believes of this player. A strike corrects both, one far out less than one near by (weights of a Student t).

use super::model::Model;

/// Deviations are Student's t with so many degrees of freedom: hands slip more often than a normal law allows.
/// Origin: tails as usually found in tapping data (common practice); the figures are alike from 4 to 10.
const DEGREES: f64 = 6.0;
/// Its constant, `ln(gamma(3) sqrt(6 pi) / gamma(3.5)) = ln(16 sqrt(6) / 15)`.
const T_CONSTANT: f64 = 0.960_418_255_751_598_6;
/// The quarter stays between these shares of the one asked for.
pub(super) const SLOWEST: f64 = 2.3;
pub(super) const FASTEST: f64 = 0.43;

/// Where the pulse stands.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Pulse {
    /// The moment of the stroke matched last, seconds.
    pub(crate) at: f64,
    /// Length of a quarter, seconds.
    pub(crate) quarter: f64,
    /// Variance of `at`, covariance of the two, variance of `quarter`.
    pub(crate) var: f64,
    pub(crate) cov: f64,
    pub(crate) quarter_var: f64,
}

/// How far a strike lies from where the pulse puts it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Off {
    /// Seconds; positive is late.
    pub(super) by: f64,
    /// Variance of that, the strike's own in it.
    pub(super) var: f64,
}

impl Off {
    /// In variances.
    pub(super) fn squared(self) -> f64 {
        self.by * self.by / self.var
    }

    /// Minus the log density of the deviation.
    pub(super) fn cost(self) -> f64 {
        T_CONSTANT + 0.5 * (self.var * (1.0 + self.squared() / DEGREES).powi(DEGREES as i32 + 1)).ln()
    }
}

impl Pulse {
    /// Begins at a moment known with this variance, at a tempo known with that.
    pub(super) fn begin(at: f64, var: f64, (quarter, quarter_var): (f64, f64)) -> Pulse {
        Pulse { at, quarter, var, cov: 0.0, quarter_var }
    }

    /// Begins anew at such a moment, at the same tempo but for a spread of this share of it.
    pub(super) fn anew(&self, at: f64, var: f64, share: f64) -> Pulse {
        Pulse::begin(at, var, (self.quarter, self.quarter_var + (share * self.quarter).powi(2)))
    }

    /// So many quarters later.
    pub(super) fn predict(&self, quarters: f64, model: &Model) -> Pulse {
        Pulse {
            at: self.at + quarters * self.quarter,
            quarter: self.quarter,
            var: self.var
                + 2.0 * quarters * self.cov
                + quarters * quarters * self.quarter_var
                + model.phase_walk_s.powi(2) * quarters,
            cov: self.cov + quarters * self.quarter_var,
            quarter_var: self.quarter_var + (model.tempo_walk * self.quarter).powi(2) * quarters,
        }
    }

    /// How far a strike at `t`, of variance `var`, lies from a predicted pulse.
    pub(super) fn off(&self, t: f64, var: f64) -> Off {
        Off { by: t - self.at, var: self.var + var }
    }

    /// A predicted pulse after a strike so far off.
    pub(super) fn update(&self, off: Off, model: &Model) -> Pulse {
        // A strike far out moves the pulse less than one near by.
        let trust = ((DEGREES + 1.0) / (DEGREES + off.by * off.by / off.var)).min(1.0);
        let (gain, quarter_gain) = (self.var / off.var * trust, self.cov / off.var * trust);
        Pulse {
            at: self.at + gain * off.by,
            quarter: bounded(self.quarter + quarter_gain * off.by, model),
            var: self.var * (1.0 - gain),
            cov: self.cov * (1.0 - gain),
            quarter_var: self.quarter_var - quarter_gain * self.cov,
        }
    }

    /// The same after a strike `quarters` from the stroke matched last, which stays where the pulse is counted from.
    pub(super) fn update_within(&self, quarters: f64, off: Off, model: &Model) -> Pulse {
        let (with_at, with_quarter) = (self.var + quarters * self.cov, self.cov + quarters * self.quarter_var);
        let (gain, quarter_gain) = (with_at / off.var, with_quarter / off.var);
        Pulse {
            at: self.at + gain * off.by,
            quarter: bounded(self.quarter + quarter_gain * off.by, model),
            var: self.var - gain * with_at,
            cov: self.cov - gain * with_quarter,
            quarter_var: self.quarter_var - quarter_gain * with_quarter,
        }
    }
}

fn bounded(quarter: f64, model: &Model) -> f64 {
    quarter.clamp(FASTEST * model.quarter_s, SLOWEST * model.quarter_s)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::align::{AlignConfig, Strike, learn};
    use crate::part::parse;

    fn model() -> Model {
        let part = parse(
            "title = \"Rain\"\nmeter = \"4/4\"\nbpm = { start = 60, goal = 84 }\nform = \"A\"\n[sections.A]\nstrokes = \"oooo\"\n",
        );
        let part = part.unwrap();
        let strikes: [Strike; 0] = [];
        let mut model =
            learn::first_model(&part.timeline(None, part.range.start).unwrap(), &strikes, &AlignConfig::default());
        (model.phase_walk_s, model.tempo_walk) = (0.0, 0.0);
        model
    }

    /// The textbook's matrices: `x = F x`, `P = F P F'`, then `K = P H' / S`, `x += K y`, `P = (1 - K H) P`.
    #[test]
    fn a_step_of_the_filter_is_the_one_of_the_matrices() {
        let model = model();
        let (q, t, var) = (1.5, 2.7, 1e-3);
        let pulse = Pulse { at: 1.0, quarter: 1.1, var: 4e-4, cov: 1e-4, quarter_var: 9e-4 };
        let ahead = pulse.predict(q, &model);
        let f = |a: f64, b: f64, c: f64| (a + q * b + q * (b + q * c), b + q * c, c);
        let (p00, p01, p11) = f(pulse.var, pulse.cov, pulse.quarter_var);
        for (found, expected) in [(ahead.at, 2.65), (ahead.var, p00), (ahead.cov, p01), (ahead.quarter_var, p11)] {
            assert!((found - expected).abs() < 1e-12, "{found} is not {expected}");
        }
        let off = ahead.off(t, var);
        let after = ahead.update(off, &model);
        let s = p00 + var;
        let (k0, k1) = (p00 / s, p01 / s);
        let expected = [2.65 + k0 * 0.05, 1.1 + k1 * 0.05, (1.0 - k0) * p00, (1.0 - k0) * p01, p11 - k1 * p01];
        for (found, expected) in [after.at, after.quarter, after.var, after.cov, after.quarter_var].iter().zip(expected)
        {
            assert!((found - expected).abs() < 1e-12, "{found} is not {expected}");
        }
        // Seen from the stroke before: the same strike says the same of where the pulse is `q` quarters on.
        let within = pulse.update_within(q, off, &model);
        assert!((within.at + q * within.quarter - after.at).abs() < 1e-12);
        assert!((within.quarter - after.quarter).abs() < 1e-12);
    }

    #[test]
    fn a_strike_far_out_moves_the_pulse_less_than_its_distance() {
        let model = model();
        let pulse = Pulse { at: 1.0, quarter: 1.0, var: 1e-4, cov: 0.0, quarter_var: 1e-4 };
        let moved = |by: f64| pulse.update(pulse.off(1.0 + by, 1e-4), &model).at - 1.0;
        assert!((moved(0.01) / 0.01 - 0.5).abs() < 1e-9, "{}", moved(0.01));
        assert!(moved(0.3) / 0.3 < 0.05, "{}", moved(0.3));
    }
}
