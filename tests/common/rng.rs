//! The one generator of chance in tests, here and in `src`; small and seeded: SplitMix64 (Steele, Lea & Flood 2014, OOPSLA; constants from the paper, from memory).

/// State of the generator.
pub struct Rng(pub u64);

impl Rng {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// From 0 up to 1.
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// From -1 up to 1.
    pub fn signed(&mut self) -> f64 {
        2.0 * self.unit() - 1.0
    }

    /// Even noise of this peak.
    pub fn noise(&mut self, samples: usize, peak: f32) -> Vec<f32> {
        (0..samples).map(|_| peak * self.signed() as f32).collect()
    }

    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number from 0 up to, but not including, `n`; 0 for 0.
    pub fn below(&mut self, n: usize) -> usize {
        if n == 0 { 0 } else { (self.next() % n as u64) as usize }
    }

    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// Normal with mean 0 (Box and Muller).
    pub fn normal(&mut self, sd: f64) -> f64 {
        let u = self.unit().max(1e-300);
        sd * (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * self.unit()).cos()
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> Option<T> {
        from.get(self.below(from.len())).copied()
    }
}
