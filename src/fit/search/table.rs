//! The prices of inserting one section or two: a table of unit sections, correlated with the error.
//!
//! Each entry of the table is a section of gain `UNIT_GAIN_DB` with its weighted response `t` at the objective's
//! points (dB, projected where the level is free). Inserting it with a gain of `s` times that changes the weighted
//! error `e` to `e + s t` (to first order: the form of a section depends a little on its gain). The level and the gains
//! of the present sections follow: their columns are eliminated from `e` and `t` first ([`super::pricing`]), which
//! leaves
//!
//! - `d = e.t`, the product of what is left of both, and `L = t.t`, the squared length of what is left of `t`;
//! - the best scale `s = -d / L`, clamped to the box of the section;
//! - the fall of the squared error, `-s (2 d + s L)`, at most `d^2 / L`.
//!
//! The section with the largest fall has the best price. For a pair the same is done with the two-by-two system of its
//! products, the second entry with the first eliminated; the clamped scales are then priced with the full quadratic
//! form.
//!
//! With a free level a low shelf of `g` dB and a high shelf of `-g` dB are the same up to level, so one entry stands
//! for both (its readings). Source: ordinary least squares by a Schur complement; the grid of the table is our choice.
//!
//! Guaranteed: a section that is returned lies in an allowed box and has a positive predicted fall (that of a pair is
//! predicted before its gains are clamped to the boxes of the shapes chosen). Not guaranteed: that J falls by that
//! much; the prices ignore the bounds of the present sections, changes of their f0 and q, and the economy term.

use super::pricing::{Gram, Surroundings, work};
use crate::filter::{Section, Shape};
use crate::fit::objective::{Level, Objective};
use crate::fit::random::Random;
use crate::fit::space::{Ranges, Space, nearest};

/// Gain of the table's sections, dB: a moderate gain, since the form of a section changes a little with gain.
const UNIT_GAIN_DB: f64 = 3.0;
/// Frequencies of the table's peaking sections per octave. Our choice.
const PEAKING_PER_OCTAVE: f64 = 6.0;
/// Frequencies of the table's shelves per octave: fewer, since shelves are wide. Our choice.
const SHELVES_PER_OCTAVE: f64 = 2.0;
/// q of the table's peaking sections, an octave apart. A table that begins at 0.3 was no better, see
/// tests/benches/RESULTS.md.
const PEAKING_Q: [f64; 5] = [0.5, 1.0, 2.0, 4.0, 8.0];
/// q of the table's shelves: a gentle one and one that overshoots. Our choice.
const SHELF_Q: [f64; 2] = [0.5, 0.9];
/// Entries are skipped if less than this share of their squared length is left after the present sections are
/// eliminated: they add almost nothing of their own, and the best gain would be very large. Our choice.
const MIN_SHARE_LEFT: f64 = 0.01;
/// Largest gain of a section of a pair, in units of the table's gain: two entries that nearly cancel would otherwise
/// get very large gains. Our choice.
const LARGEST_SCALE: f64 = 4.0;

/// The table for one objective and one space. The default is an empty table.
#[derive(Debug, Default)]
pub struct Table {
    level: Level,
    sections: Vec<Section>,
    /// Weighted, projected responses, one column of `column_length` after another.
    columns: Vec<f64>,
    squared_lengths: Vec<f64>,
    column_length: usize,
}

impl Table {
    /// All unit sections inside `space` whose weighted response is not level over the objective's points.
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
                // With a free level, the entries of low shelves stand for high shelves too.
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
                        // Boxes that differ only in gain, or the boxes of both shelves, may give the same entry twice.
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
        // A section that is level over all points with weight cannot be told from the free level.
        if squared_length > 1e-6 {
            self.sections.push(section);
            self.columns.extend(column);
            self.squared_lengths.push(squared_length);
        }
    }

    /// Work of pricing a share of the table, in the unit of `Workspace::work`.
    #[must_use]
    pub fn work(&self, surroundings: &Surroundings, share: f64) -> u64 {
        let priced = share * self.sections.len() as f64;
        let followers = surroundings.followers();
        work(self.column_length, followers, priced as usize, false)
    }

    /// Work of pricing all pairs among `among` entries, in the unit of `Workspace::work`.
    #[must_use]
    pub fn work_of_two(&self, surroundings: &Surroundings, among: usize) -> u64 {
        work(self.column_length, surroundings.followers(), among, true)
    }

    /// The section that lowers the squared error most, with the level and the present gains adjusted, among a random
    /// `share` of the table. Only boxes for which `allowed` returns true are used. None if no section helps.
    pub fn best(
        &self,
        surroundings: &Surroundings,
        space: &Space,
        allowed: impl Fn(Shape, &Ranges) -> bool,
        share: f64,
        random: &mut Random,
    ) -> Option<Section> {
        let boxes = Shape::ALL.map(|shape| {
            let boxes = space.boxes_of(shape).iter();
            boxes
                .filter(|ranges| allowed(shape, ranges))
                .collect::<Vec<_>>()
        });
        let is_allowed = |shape: Shape| !boxes[shape as usize].is_empty();
        let possible =
            Shape::ALL.map(|entry| readings(entry, self.level).any(|(shape, _)| is_allowed(shape)));
        let mut priced = |index: &usize| {
            possible[self.sections[*index].shape as usize]
                && (share >= 1.0 || random.unit() < share)
        };
        let mut entries: Vec<usize> = Vec::with_capacity(self.sections.len());
        entries.extend((0..self.sections.len()).filter(&mut priced));
        let (gram, error) = self.gram(surroundings, &entries, false);
        let full_lengths = entries.iter().map(|&index| self.squared_lengths[index]);
        let mut lengths: Vec<f64> = full_lengths.collect();
        gram.subtract_explained(&mut lengths, error + 1, error);
        let mut best: Option<(f64, Section)> = None;
        for (place, &index) in entries.iter().enumerate() {
            let section = &self.sections[index];
            let product = gram.at(error, error + 1 + place);
            let length = lengths[place];
            // `d^2 / L` is an upper bound of the fall without a clamped gain; most entries are dismissed by it.
            if length < MIN_SHARE_LEFT * self.squared_lengths[index]
                || best.is_some_and(|(fall, _)| product * product <= fall * length)
            {
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
                // The mirrored reading of a shelf may have boxes elsewhere: it is clamped to the nearest one.
                if !any && let Some(nearest) = nearest(boxes.iter().copied(), &wished) {
                    consider(nearest.clamped(&wished));
                }
            }
        }
        best.map(|(_, section)| section)
    }

    /// The two sections that together lower the squared error most, with the level and the present gains adjusted, of
    /// all pairs among `among` random entries of the table: each may be useless alone. `left` is how many more sections
    /// of each shape are allowed. Only for a space without slots. None if no pair helps.
    pub fn best_two(
        &self,
        surroundings: &Surroundings,
        space: &Space,
        left: [usize; 3],
        among: usize,
        random: &mut Random,
    ) -> Option<[Section; 2]> {
        if self.sections.is_empty() {
            return None;
        }
        let mut entries: Vec<usize> = Vec::new();
        let pairs = Shape::ALL
            .map(|one| Shape::ALL.map(|other| self.read_together([one, other], left).count() > 0));
        let shape = |entry: usize| self.sections[entry].shape as usize;
        for _ in 0..among {
            let entry = random.below(self.sections.len());
            let may_pair = pairs[shape(entry)].contains(&true);
            if may_pair && !entries.contains(&entry) {
                entries.push(entry);
            }
        }
        if entries.len() < 2 {
            return None;
        }
        let scales = Shape::ALL.map(|shape| self.scales(shape, space, left));
        let clamp = |entry: usize, scale: f64| {
            let (least, most) = scales[shape(entry)];
            scale.clamp(least, most)
        };
        let (gram, error) = self.gram(surroundings, &entries, true);
        let at = |place: usize| error + 1 + place;
        let mut best: Option<(f64, [usize; 2], [f64; 2])> = None;
        for (one, &entry) in entries.iter().enumerate() {
            let (pull, own) = (gram.at(error, at(one)), gram.at(at(one), at(one)));
            if own < MIN_SHARE_LEFT * self.squared_lengths[entry] {
                continue;
            }
            for (other, &other_entry) in entries.iter().enumerate().skip(one + 1) {
                let both = gram.at(at(one), at(other));
                let share = both / own;
                let other_own = gram.at(at(other), at(other)) - share * both;
                let other_pull = gram.at(error, at(other)) - share * pull;
                if other_own < MIN_SHARE_LEFT * self.squared_lengths[other_entry]
                    || !pairs[shape(entry)][shape(other_entry)]
                {
                    continue;
                }
                let fall = pull * pull / own + other_pull * other_pull / other_own;
                // An upper bound of the fall, without clamped gains.
                if best.is_some_and(|(most, ..)| fall <= most) {
                    continue;
                }
                let other_scale = clamp(other_entry, -other_pull / other_own);
                let rest = pull + both * other_scale;
                let scale = clamp(entry, -rest / own);
                if scale == 0.0 || other_scale == 0.0 {
                    continue;
                }
                let fall = -scale * (2.0 * rest + scale * own)
                    - other_scale
                        * (2.0 * gram.at(error, at(other))
                            + other_scale * gram.at(at(other), at(other)));
                if fall > best.map_or(0.0, |(most, ..)| most) {
                    best = Some((fall, [entry, other_entry], [scale, other_scale]));
                }
            }
        }
        let (_, two, scales_found) = best?;
        let shapes = two.map(|entry| self.sections[entry].shape);
        let read = |way: [(Shape, f64); 2]| {
            [0, 1].map(|k| {
                let (shape, sign) = way[k];
                let wished = Section {
                    shape,
                    gain_db: sign * scales_found[k] * UNIT_GAIN_DB,
                    ..self.sections[two[k]]
                };
                space.box_of(&wished).clamped(&wished)
            })
        };
        let has_gains = |two: &[Section; 2]| two.iter().all(|section| section.gain_db != 0.0);
        let ways: Vec<[Section; 2]> = self.read_together(shapes, left).map(read).collect();
        let usable: Vec<[Section; 2]> = ways.into_iter().filter(has_gains).collect();
        (!usable.is_empty()).then(|| usable[random.below(usable.len())])
    }

    /// The range of an entry's gain in units of [`UNIT_GAIN_DB`], over all readings that may still be added.
    fn scales(&self, entry: Shape, space: &Space, left: [usize; 3]) -> (f64, f64) {
        let may_be = readings(entry, self.level).filter(|(shape, _)| left[*shape as usize] > 0);
        let ends = may_be.flat_map(|(shape, sign)| {
            let gains_db = space.boxes_of(shape).iter().map(|ranges| &ranges.gain_db);
            let ends_db = gains_db.flat_map(|range| [*range.start(), *range.end()]);
            ends_db.map(move |gain_db| sign * gain_db / UNIT_GAIN_DB)
        });
        let within = ends.map(|scale| scale.clamp(-LARGEST_SCALE, LARGEST_SCALE));
        within.fold((0.0, 0.0), |(least, most), scale| {
            (scale.min(least), scale.max(most))
        })
    }

    /// The inner products of the surroundings' columns and the given entries, with the followers eliminated, and the
    /// index of the error's column; the entries come after it. `all` also computes the products of the entries with one
    /// another.
    fn gram(&self, surroundings: &Surroundings, entries: &[usize], all: bool) -> (Gram, usize) {
        let n = self.column_length;
        let column = |&entry: &usize| &self.columns[entry * n..(entry + 1) * n];
        let columns = surroundings.with(entries.iter().map(column));
        let error = surroundings.followers();
        let rows = if all { columns.len() } else { error + 1 };
        let mut gram = Gram::new(columns, rows);
        gram.eliminate(error);
        (gram, error)
    }

    /// The ways to read two entries of these shapes such that no shape exceeds `left`.
    fn read_together(
        &self,
        shapes: [Shape; 2],
        left: [usize; 3],
    ) -> impl Iterator<Item = [(Shape, f64); 2]> {
        let [one, other] = shapes.map(|shape| readings(shape, self.level));
        let other: Vec<_> = other.collect();
        one.flat_map(move |one| other.clone().into_iter().map(move |other| [one, other]))
            .filter(move |[one, other]| {
                let of_one = 1 + usize::from(one.0 == other.0);
                left[one.0 as usize] >= of_one && left[other.0 as usize] >= of_one
            })
    }
}

/// The shapes an entry can stand for, each with the sign of its gain: with a free level, a low shelf of `g` and a high
/// shelf of `-g` are equivalent.
fn readings(shape: Shape, level: Level) -> impl Iterator<Item = (Shape, f64)> {
    let (first, second) = match (shape, level) {
        (Shape::Peaking, _) | (_, Level::Fixed) => ((shape, 1.0), None),
        (Shape::LowShelf | Shape::HighShelf, Level::Free) => {
            ((Shape::LowShelf, 1.0), Some((Shape::HighShelf, -1.0)))
        }
    };
    std::iter::once(first).chain(second)
}
