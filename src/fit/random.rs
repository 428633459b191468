//! Seeded pseudo-random numbers: the same sequence on every machine.

/// The SplitMix64 generator (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// A generator with its own sequence for each seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// The next number, uniform in `[0, 1)`.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// The next whole number, uniform in `0..end`; `end` must be above 0.
    pub fn below(&mut self, end: usize) -> usize {
        ((self.unit() * end as f64) as usize).min(end - 1)
    }
}
