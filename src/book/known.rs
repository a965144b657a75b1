//! Strikes of known surface, from a pupil's sound check -> bytes that are kept beside a take, and back.
//!
//! What the strikes sounded like is kept, not their sound: a take that is heard again is told with the same strikes, also
//! when the recording of the check is gone.

use crate::part::Surface;
use crate::surface::{BANDS, Calibration, Features};
use crate::units::Decibels;

/// The way it is written. What is written in another way is not read: then the surfaces are told without the check.
const VERSION: u8 = 1;
/// A strike: surface, bands, and two levels.
const STRIKE: usize = 1 + 4 * BANDS + 2 * 8;

/// Empty where nothing is known.
pub(super) fn pack(known: &Calibration) -> Vec<u8> {
    if known.strikes.is_empty() {
        return Vec::new();
    }
    let mut out = Vec::with_capacity(2 + STRIKE * known.strikes.len());
    out.extend([VERSION, BANDS as u8]);
    for (surface, features) in &known.strikes {
        out.push(surface.index() as u8);
        features.bands.iter().for_each(|band| out.extend(band.to_le_bytes()));
        [features.level, features.above].iter().for_each(|level| out.extend(level.0.to_le_bytes()));
    }
    out
}

/// What [`pack`] packed; nothing where it is damaged or written in another way.
pub(super) fn unpack(bytes: &[u8]) -> Calibration {
    let strikes = match bytes {
        [VERSION, bands, strikes @ ..] if usize::from(*bands) == BANDS => strikes,
        _ => return Calibration::default(),
    };
    let (whole, []) = strikes.as_chunks::<STRIKE>() else { return Calibration::default() };
    let read = |strike: &[u8; STRIKE]| {
        let (bands, levels) = strike[1..].split_at(4 * BANDS);
        let mut features = Features { bands: [0.0; BANDS], level: Decibels(0.0), above: Decibels(0.0) };
        for (band, bytes) in features.bands.iter_mut().zip(bands.as_chunks::<4>().0) {
            *band = f32::from_le_bytes(*bytes);
        }
        let [level, above] = [0, 1].map(|k| f64::from_le_bytes(levels.as_chunks::<8>().0[k]));
        (features.level, features.above) = (Decibels(level), Decibels(above));
        let sane = features.bands.iter().all(|b| b.is_finite()) && level.is_finite() && above.is_finite();
        Some((*Surface::ALL.get(usize::from(strike[0]))?, features)).filter(|_| sane)
    };
    let strikes: Option<Vec<_>> = whole.iter().map(read).collect();
    Calibration { strikes: strikes.unwrap_or_default() }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn strikes() -> Calibration {
        let features = |k: usize| Features {
            bands: std::array::from_fn(|band| (band * 7 + k) as f32 / 3.0 - 20.0),
            level: Decibels(-31.0 / (k + 1) as f64),
            above: Decibels(12.3 + k as f64),
        };
        Calibration { strikes: (0..9).map(|k| (Surface::ALL[k / 3], features(k))).collect() }
    }

    #[test]
    fn what_is_packed_comes_back_to_the_bit_and_damage_is_nothing() {
        let packed = pack(&strikes());
        assert_eq!(unpack(&packed), strikes());
        assert!(pack(&Calibration::default()).is_empty());
        for damaged in [&packed[..packed.len() - 1], &[], &[VERSION + 1, 40, 0]] {
            assert_eq!(unpack(damaged), Calibration::default());
        }
        let mut other = packed.clone();
        other[2] = 200;
        assert_eq!(unpack(&other), Calibration::default(), "no such surface");
        other = packed;
        other[3..7].copy_from_slice(&f32::NAN.to_le_bytes());
        assert_eq!(unpack(&other), Calibration::default(), "not a number");
    }
}
