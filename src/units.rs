//! Quantities with their units, so that no bare number crosses a public signature.
//!
//! Input and output: plain numbers at the edges (files, JSON), these types in between. Imports nothing of ours.

use std::ops::{Add, Neg, Sub};

/// A time or a length of time, in seconds. Always finite: checked where it is built, so NaN never travels.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Seconds(f64);

impl Seconds {
    /// No time at all.
    pub const ZERO: Seconds = Seconds(0.0);

    /// `None` for NaN and infinities.
    pub fn new(seconds: f64) -> Option<Seconds> {
        seconds.is_finite().then_some(Seconds(seconds))
    }

    /// A constant in milliseconds. A non-finite argument does not compile in a constant and gives zero otherwise.
    pub const fn from_millis(millis: f64) -> Seconds {
        if millis.is_finite() { Seconds(millis / 1e3) } else { Seconds(0.0) }
    }

    /// From a number the caller has computed from finite numbers. Non-finite input is a bug upstream and gives zero.
    pub const fn of(seconds: f64) -> Seconds {
        if seconds.is_finite() { Seconds(seconds) } else { Seconds(0.0) }
    }

    /// The number of seconds.
    pub const fn get(self) -> f64 {
        self.0
    }

    /// The number of milliseconds.
    pub const fn millis(self) -> f64 {
        self.0 * 1e3
    }

    /// Distance from zero.
    pub const fn abs(self) -> Seconds {
        Seconds(self.0.abs())
    }
}

impl Add for Seconds {
    type Output = Seconds;
    fn add(self, other: Seconds) -> Seconds {
        Seconds::of(self.0 + other.0)
    }
}

impl Sub for Seconds {
    type Output = Seconds;
    fn sub(self, other: Seconds) -> Seconds {
        Seconds::of(self.0 - other.0)
    }
}

impl Neg for Seconds {
    type Output = Seconds;
    fn neg(self) -> Seconds {
        Seconds(-self.0)
    }
}

/// A number of samples of one channel, or a position counted in them.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Samples(pub u64);

impl Samples {
    /// Position or length in seconds at the given rate.
    pub fn to_seconds(self, rate: SampleRate) -> Seconds {
        Seconds::of(self.0 as f64 / f64::from(rate.get()))
    }
}

/// Samples a second of one channel. Never zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SampleRate(u32);

impl SampleRate {
    /// `None` for zero.
    pub const fn new(hertz: u32) -> Option<SampleRate> {
        if hertz == 0 { None } else { Some(SampleRate(hertz)) }
    }

    /// Samples a second.
    pub const fn get(self) -> u32 {
        self.0
    }
}

/// The rate at which everything is heard; recordings are brought to it by `resample`. 44.1 kHz: what phones and browsers
/// record at or near, and twice the highest frequency that helps.
pub const EAR_RATE: SampleRate = SampleRate(44_100);

/// A frequency, in hertz.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Hertz(pub f64);

/// A tempo, in quarter notes a minute. Always between [`Bpm::MIN`] and [`Bpm::MAX`].
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Bpm(f64);

impl Bpm {
    /// Slowest tempo accepted: a quarter note every six seconds.
    pub const MIN: f64 = 10.0;
    /// Fastest tempo accepted; sixteenths would come every 37.5 ms, faster than any two sticks.
    pub const MAX: f64 = 400.0;

    /// `None` outside [`Bpm::MIN`]..=[`Bpm::MAX`] and for NaN.
    pub fn new(bpm: f64) -> Option<Bpm> {
        (Bpm::MIN..=Bpm::MAX).contains(&bpm).then_some(Bpm(bpm))
    }

    /// As [`Bpm::new`], with what lies outside moved to the nearest bound; NaN gives the slowest.
    pub fn clamped(bpm: f64) -> Bpm {
        if bpm.is_nan() { Bpm(Bpm::MIN) } else { Bpm(bpm.clamp(Bpm::MIN, Bpm::MAX)) }
    }

    /// Quarter notes a minute.
    pub const fn get(self) -> f64 {
        self.0
    }

    /// Length of a quarter note.
    pub fn quarter(self) -> Seconds {
        Seconds::of(60.0 / self.0)
    }
}

/// Musical time in 960ths of a quarter note, counted from beat 1 of bar 1.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ticks(pub i64);

impl Ticks {
    /// Ticks in a quarter note.
    pub const PER_QUARTER: i64 = 960;

    /// In quarter notes.
    pub fn quarters(self) -> f64 {
        self.0 as f64 / Self::PER_QUARTER as f64
    }

    /// Length at a tempo.
    pub fn to_seconds(self, bpm: Bpm) -> Seconds {
        Seconds::of(self.quarters() * bpm.quarter().get())
    }
}

impl Add for Ticks {
    type Output = Ticks;
    fn add(self, other: Ticks) -> Ticks {
        Ticks(self.0.saturating_add(other.0))
    }
}

impl Sub for Ticks {
    type Output = Ticks;
    fn sub(self, other: Ticks) -> Ticks {
        Ticks(self.0.saturating_sub(other.0))
    }
}

/// A level in decibels; what it is relative to stands where it is made (mostly full scale).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Decibels(pub f64);

impl Decibels {
    /// Ten times the decadic logarithm of a power ratio; powers at or below 1e-12 give -120 dB.
    pub fn from_power(power: f64) -> Decibels {
        Decibels(10.0 * power.max(1e-12).log10())
    }
}

/// Heard minus expected: positive is late, in code, JSON and charts alike.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Lateness(pub Seconds);

impl Lateness {
    /// The difference of two times on one clock.
    pub fn between(heard: Seconds, expected: Seconds) -> Lateness {
        Lateness(heard - expected)
    }

    /// In milliseconds; positive is late.
    pub const fn millis(self) -> f64 {
        self.0.millis()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_quarter_at_120_bpm_lasts_half_a_second() {
        let bpm = Bpm::new(120.0).unwrap();
        assert!((Ticks(960).to_seconds(bpm).get() - 0.5).abs() < 1e-12);
        assert!((Samples(22050).to_seconds(SampleRate::new(44100).unwrap()).get() - 0.5).abs() < 1e-12);
    }

    #[test]
    fn what_is_not_a_number_is_refused() {
        assert!(Seconds::new(f64::NAN).is_none());
        assert!(Bpm::new(f64::NAN).is_none());
        assert!(Bpm::new(9.9).is_none());
        assert!(Bpm::new(10.0).is_some() && Bpm::new(400.0).is_some());
        assert!(SampleRate::new(0).is_none());
    }

    #[test]
    fn late_is_positive() {
        assert!(Lateness::between(Seconds::of(1.01), Seconds::of(1.0)).millis() > 0.0);
    }
}
