//! A table of unit sections, correlated with a residual to price the next section.

use super::kernel::Product;
use super::objective::{Level, Objective};
use super::random::Random;
use super::space::{Ranges, Space, nearest};
use crate::filter::{Section, Shape};

/// Gain of the table's sections, dB: a middle gain, since a section's form changes a little with it.
const UNIT_GAIN_DB: f64 = 3.0;
const PEAKING_PER_OCTAVE: f64 = 6.0;
const SHELVES_PER_OCTAVE: f64 = 2.0;
const PEAKING_Q: [f64; 5] = [0.5, 1.0, 2.0, 4.0, 8.0];
const SHELF_Q: [f64; 2] = [0.5, 0.9];

/// The table for one objective and one space; by default empty.
#[derive(Debug, Default)]
pub struct Table {
    level: Level,
    sections: Vec<Section>,
    /// Weighted, projected responses, one after another.
    columns: Vec<f64>,
    squared_lengths: Vec<f64>,
    column_length: usize,
}

impl Table {
    /// All unit sections inside `space` that change anything at the objective's points.
    #[must_use]
    pub fn new(objective: &Objective, space: &Space) -> Self {
        let mut table = Self {
            level: objective.level(),
            sections: Vec::new(),
            columns: Vec::new(),
            squared_lengths: Vec::new(),
            column_length: objective.padded_len(),
        };
        for (shape, per_octave, qs) in [
            (Shape::LowShelf, SHELVES_PER_OCTAVE, &SHELF_Q[..]),
            (Shape::HighShelf, SHELVES_PER_OCTAVE, &SHELF_Q[..]),
            (Shape::Peaking, PEAKING_PER_OCTAVE, &PEAKING_Q[..]),
        ] {
            if shape == Shape::HighShelf && table.level == Level::Free {
                // The low shelves stand for them.
                continue;
            }
            let available = readings(shape, table.level).map(|(shape, _)| shape);
            let available = available.filter(|&shape| space.has(shape));
            for ranges in available.flat_map(|shape| space.boxes_of(shape)) {
                let (low, high) = (*ranges.f0_hz.start(), *ranges.f0_hz.end());
                let steps = ((high / low).log2() * per_octave).ceil() as usize;
                let mut in_range: Vec<f64> = qs
                    .iter()
                    .map(|q| q.clamp(*ranges.q.start(), *ranges.q.end()))
                    .collect();
                in_range.dedup();
                for step in 0..=steps {
                    let f0_hz = low * (high / low).powf(step as f64 / steps.max(1) as f64);
                    for &q in &in_range {
                        let section = Section {
                            shape,
                            f0_hz: f0_hz.clamp(low, high),
                            gain_db: UNIT_GAIN_DB,
                            q,
                        };
                        // Boxes may differ in gain only, and those of the two shelves not at all.
                        if !table.sections.contains(&section) {
                            table.push(objective, section);
                        }
                    }
                }
            }
        }
        table
    }

    fn push(&mut self, objective: &Objective, section: Section) {
        let (column, squared_length) = objective.weighted_shape(&section);
        // A section that is level over all points that count cannot be told from a level.
        if squared_length > 1e-6 {
            self.sections.push(section);
            self.columns.extend(column);
            self.squared_lengths.push(squared_length);
        }
    }

    /// Work of pricing a share of the table, in the unit of `Workspace::work`.
    #[must_use]
    pub fn work(&self, share: f64) -> u64 {
        let entry = 10.0 + 0.08 * self.column_length as f64;
        (share * self.sections.len() as f64 * entry) as u64
    }

    /// The section that lowers the squared length of `weighted_error` most, taken alone, among a
    /// random share of the table; boxes that `allowed` denies are passed over. None when nothing helps.
    pub fn best(
        &self,
        weighted_error: &[f64],
        space: &Space,
        allowed: impl Fn(Shape, &Ranges) -> bool,
        share: f64,
        random: &mut Random,
    ) -> Option<Section> {
        let arch = pulp::Arch::new();
        let boxes = Shape::ALL.map(|shape| {
            let boxes = space.boxes_of(shape).iter();
            boxes
                .filter(|ranges| allowed(shape, ranges))
                .collect::<Vec<_>>()
        });
        let is_allowed = |shape: Shape| !boxes[shape as usize].is_empty();
        let possible =
            Shape::ALL.map(|entry| readings(entry, self.level).any(|(shape, _)| is_allowed(shape)));
        let mut best: Option<(f64, Section)> = None;
        for (index, section) in self.sections.iter().enumerate() {
            if !possible[section.shape as usize] || (share < 1.0 && random.unit() >= share) {
                continue;
            }
            let column =
                &self.columns[index * self.column_length..(index + 1) * self.column_length];
            let product = arch.dispatch(Product(column, weighted_error));
            let length = self.squared_lengths[index];
            // An upper bound first: most entries end here.
            if best.is_some_and(|(fall, _)| product * product <= fall * length) {
                continue;
            }
            let scale = -product / length;
            for (shape, sign) in readings(section.shape, self.level) {
                if !is_allowed(shape) {
                    continue;
                }
                let wished = Section {
                    shape,
                    gain_db: sign * scale * UNIT_GAIN_DB,
                    ..*section
                };
                let mut consider = |wished: Section| {
                    let scale = sign * wished.gain_db / UNIT_GAIN_DB;
                    let fall = -scale * (2.0 * product + scale * length);
                    if fall > best.map_or(0.0, |(fall, _)| fall) {
                        best = Some((fall, wished));
                    }
                };
                let boxes = &boxes[shape as usize];
                let here = boxes.iter().filter(|ranges| {
                    ranges.f0_hz.contains(&section.f0_hz) && ranges.q.contains(&section.q)
                });
                let mut any = false;
                for ranges in here {
                    any = true;
                    consider(ranges.clamped(&wished));
                }
                // The other reading of a shelf may have boxes elsewhere, which have entries of their own where they are far.
                if !any && let Some(nearest) = nearest(boxes.iter().copied(), &wished) {
                    consider(nearest.clamped(&wished));
                }
            }
        }
        best.map(|(_, section)| section)
    }
}

/// What an entry of the table can stand for, and the sign of its gain then: where the level is free, a
/// low shelf of `g` is as good as a high shelf of `-g`.
fn readings(shape: Shape, level: Level) -> impl Iterator<Item = (Shape, f64)> {
    let (first, second) = match (shape, level) {
        (Shape::Peaking, _) | (_, Level::Fixed) => ((shape, 1.0), None),
        (Shape::LowShelf | Shape::HighShelf, Level::Free) => {
            ((Shape::LowShelf, 1.0), Some((Shape::HighShelf, -1.0)))
        }
    };
    std::iter::once(first).chain(second)
}
