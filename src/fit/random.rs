//! Seeded chance: the same numbers on every machine and in every version of this crate.

/// SplitMix64 (G. L. Steele, D. Lea, C. H. Flood, OOPSLA 2014).
#[derive(Debug, Clone)]
pub struct Random(u64);

impl Random {
    /// A stream of its own for each seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// The next 64 bits.
    pub fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number in `[0, 1)`.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }

    /// A whole number below `end`, which is above 0.
    pub fn below(&mut self, end: usize) -> usize {
        ((self.unit() * end as f64) as usize).min(end - 1)
    }
}
