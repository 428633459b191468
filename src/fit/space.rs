//! What the fit may choose: shapes, how many of each, and the box of each section's variables.

use std::ops::RangeInclusive;

use crate::filter::{Section, Shape};

/// Ranges of one shape's numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranges {
    /// Lowest and highest `f0_hz`.
    pub f0_hz: RangeInclusive<f64>,
    /// Lowest and highest `gain_db`.
    pub gain_db: RangeInclusive<f64>,
    /// Lowest and highest `q`.
    pub q: RangeInclusive<f64>,
}

/// The sections that may be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Space {
    /// Most sections in all.
    pub sections: usize,
    /// Most sections of each shape, in the order of [`Shape::ALL`].
    pub most: [usize; 3],
    /// Ranges of each shape, in the order of [`Shape::ALL`].
    pub ranges: [Ranges; 3],
}

impl Space {
    /// Most sections that any choice of shapes allows.
    #[must_use]
    pub fn capacity(&self) -> usize {
        self.sections.min(self.most.iter().sum())
    }

    /// The ranges of `shape`.
    #[must_use]
    pub fn ranges_of(&self, shape: Shape) -> &Ranges {
        &self.ranges[shape as usize]
    }

    /// How many more sections of `shape` fit beside `shapes`.
    #[must_use]
    pub fn left(&self, shapes: &[Shape], shape: Shape) -> usize {
        let used = shapes.iter().filter(|&&s| s == shape).count();
        self.most[shape as usize].saturating_sub(used)
    }

    /// The box of the variables (ln f0, gain, ln q) of sections of `shapes`: lower and upper ends.
    #[must_use]
    pub fn walls(&self, shapes: &[Shape]) -> (Vec<f64>, Vec<f64>) {
        shapes
            .iter()
            .flat_map(|&shape| {
                let Ranges { f0_hz, gain_db, q } = self.ranges_of(shape);
                [
                    (f0_hz.start().ln(), f0_hz.end().ln()),
                    (*gain_db.start(), *gain_db.end()),
                    (q.start().ln(), q.end().ln()),
                ]
            })
            .unzip()
    }

    /// True when `section` lies within the ranges of its shape.
    #[must_use]
    pub fn holds(&self, section: &Section) -> bool {
        let Ranges { f0_hz, gain_db, q } = self.ranges_of(section.shape);
        f0_hz.contains(&section.f0_hz)
            && gain_db.contains(&section.gain_db)
            && q.contains(&section.q)
    }
}

/// The variables of a section.
#[must_use]
pub fn variables(section: &Section) -> [f64; 3] {
    [section.f0_hz.ln(), section.gain_db, section.q.ln()]
}
