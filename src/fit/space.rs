//! What the fit may choose: shapes, how many of each, and the boxes of each section's variables.

use std::ops::RangeInclusive;

use crate::filter::{Section, Shape};

/// One box of a shape's numbers.
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
    /// Boxes of each shape, in the order of [`Shape::ALL`]: the numbers of a section lie in one of them. At least one
    /// where there may be such a section.
    pub boxes: [Vec<Ranges>; 3],
}

impl Space {
    /// Most sections that any choice of shapes allows.
    #[must_use]
    pub fn capacity(&self) -> usize {
        self.sections.min(self.most.iter().sum())
    }

    /// The boxes of `shape`.
    #[must_use]
    pub fn boxes_of(&self, shape: Shape) -> &[Ranges] {
        &self.boxes[shape as usize]
    }

    /// The box that holds a section, the nearest one where none does.
    ///
    /// # Panics
    /// If there is no box for its shape.
    #[must_use]
    pub fn box_of(&self, section: &Section) -> &Ranges {
        let boxes = self.boxes_of(section.shape);
        if let [only] = boxes {
            return only;
        }
        let nearest =
            |a: &&Ranges, b: &&Ranges| a.distance(section).total_cmp(&b.distance(section));
        boxes
            .iter()
            .min_by(nearest)
            .expect("a box for every shape in use")
    }

    /// How many more sections of `shape` fit beside `shapes`.
    #[must_use]
    pub fn left(&self, shapes: &[Shape], shape: Shape) -> usize {
        let used = shapes.iter().filter(|&&s| s == shape).count();
        self.most[shape as usize].saturating_sub(used)
    }

    /// The boxes of the variables (ln f0, gain, ln q) of sections: lower and upper ends.
    pub fn walls(&self, sections: impl Iterator<Item = Section>) -> (Vec<f64>, Vec<f64>) {
        sections
            .flat_map(|section| {
                let Ranges { f0_hz, gain_db, q } = self.box_of(&section);
                [
                    (f0_hz.start().ln(), f0_hz.end().ln()),
                    (*gain_db.start(), *gain_db.end()),
                    (q.start().ln(), q.end().ln()),
                ]
            })
            .unzip()
    }

    /// True when `section` lies within a box of its shape.
    #[must_use]
    pub fn holds(&self, section: &Section) -> bool {
        self.boxes_of(section.shape)
            .iter()
            .any(|ranges| ranges.holds(section))
    }
}

impl Ranges {
    /// True when the numbers of `section` lie within.
    #[must_use]
    pub fn holds(&self, section: &Section) -> bool {
        self.f0_hz.contains(&section.f0_hz)
            && self.gain_db.contains(&section.gain_db)
            && self.q.contains(&section.q)
    }

    /// The section with its numbers brought within.
    #[must_use]
    pub fn clamped(&self, section: &Section) -> Section {
        let clamp = |x: f64, range: &RangeInclusive<f64>| x.clamp(*range.start(), *range.end());
        Section {
            shape: section.shape,
            f0_hz: clamp(section.f0_hz, &self.f0_hz),
            gain_db: clamp(section.gain_db, &self.gain_db),
            q: clamp(section.q, &self.q),
        }
    }

    /// How far outside a section lies, an octave counting as much as a doubled q or 3 dB; 0 within.
    fn distance(&self, section: &Section) -> f64 {
        const OCTAVE_DB: f64 = 3.0;
        let inside = self.clamped(section);
        (inside.f0_hz / section.f0_hz).log2().abs()
            + (inside.q / section.q).log2().abs()
            + (inside.gain_db - section.gain_db).abs() / OCTAVE_DB
    }
}

/// The variables of a section.
#[must_use]
pub fn variables(section: &Section) -> [f64; 3] {
    [section.f0_hz.ln(), section.gain_db, section.q.ln()]
}
