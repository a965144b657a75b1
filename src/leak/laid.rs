//! The guide's sounds as they are looked for in the low band, and the guide laid over the recording.

/// How far two devices' clocks may run apart: crystals are good to 100 ppm each, phones' audio clocks were seen at 300.
pub(super) const MOST_SKEW: f64 = 320.0;

/// A sound of the guide: when, which match, which sign.
#[derive(Clone, Copy)]
pub(super) struct Cue {
    /// From the guide's first sample, in samples of the low band.
    pub(super) at: f64,
    pub(super) kind: usize,
    pub(super) sign: f32,
}

/// The guide laid over the recording: cue `u` stands at `middle + (u - pivot) (1 + skew)`, in samples of the low band.
#[derive(Clone, Copy, Debug)]
pub(super) struct Laid {
    pub(super) middle: f64,
    pub(super) pivot: f64,
    pub(super) skew: f64,
}

impl Laid {
    pub(super) fn at(&self, cue: f64) -> f64 {
        self.middle + (cue - self.pivot) * (1.0 + self.skew * 1e-6)
    }
}
