//! Running samples through sections in series, by the `biquad` crate's transposed direct form 2, whose state is two
//! numbers a section.

use ::biquad::{Biquad as _, Coefficients, DirectForm2Transposed};

use super::biquad::Biquad;

/// Sections in series, with their states.
#[derive(Debug, Clone)]
pub struct Cascade {
    filters: Vec<DirectForm2Transposed<f64>>,
}

impl Cascade {
    /// The sections in the order given, with zero states.
    #[must_use]
    pub fn new(biquads: &[Biquad]) -> Self {
        let filter = |biquad: &Biquad| {
            DirectForm2Transposed::new(Coefficients {
                b0: biquad.b0,
                b1: biquad.b1,
                b2: biquad.b2,
                a1: biquad.a1,
                a2: biquad.a2,
            })
        };
        Self {
            filters: biquads.iter().map(filter).collect(),
        }
    }

    /// The output sample for the next input sample.
    pub fn run(&mut self, sample: f64) -> f64 {
        let filters = self.filters.iter_mut();
        filters.fold(sample, |sample, filter| filter.run(sample))
    }

    /// The state of each section, in order; both numbers are 0 at rest.
    pub fn states(&self) -> impl Iterator<Item = [f64; 2]> {
        self.filters.iter().map(|filter| [filter.s1, filter.s2])
    }
}
