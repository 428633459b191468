//! The sections that the fit may choose: shapes, how many of each, and the bounds of their numbers.

pub mod boxes;

use std::ops::RangeInclusive;

use crate::filter::{Section, Shape};
use crate::fit::random::Random;
use crate::limits::rules::paired;

/// One box: bounds of the numbers of a section.
#[derive(Debug, Clone, PartialEq)]
pub struct Ranges {
    /// Lowest and highest `f0_hz`.
    pub f0_hz: RangeInclusive<f64>,
    /// Lowest and highest `gain_db`.
    pub gain_db: RangeInclusive<f64>,
    /// Lowest and highest `q`.
    pub q: RangeInclusive<f64>,
    /// The slot of the equaliser to which this box belongs. All boxes of a slot, of any shape, together hold one
    /// section. None: the box is shared by all sections of this shape that are in no slot.
    pub slot: Option<usize>,
}

/// The set of sections that may be used.
#[derive(Debug, Clone, PartialEq)]
pub struct Space {
    /// Most sections in total.
    pub sections: usize,
    /// Most sections of each shape outside of slots, in the order of [`Shape::ALL`].
    pub most: [usize; 3],
    /// Boxes of each shape, in the order of [`Shape::ALL`]; a section must lie in one of them. At least one for each
    /// shape that may be used.
    pub boxes: [Vec<Ranges>; 3],
}

/// A place for one section: a slot (`shape` is None), or one of the sections of a shape outside of slots.
#[derive(Clone, Copy)]
struct Place {
    shape: Option<Shape>,
    slot: Option<usize>,
}

/// The places where one more section may be added.
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    outside_slots: [bool; 3],
    taken_slots: Vec<bool>,
}

impl Open {
    /// True if a section of `shape` may be added in that box.
    #[must_use]
    pub fn is(&self, shape: Shape, ranges: &Ranges) -> bool {
        match ranges.slot {
            None => self.outside_slots[shape as usize],
            Some(slot) => !self.taken_slots.get(slot).is_some_and(|taken| *taken),
        }
    }
}

impl Space {
    /// Largest possible number of sections.
    #[must_use]
    pub fn capacity(&self) -> usize {
        let mut slots: Vec<usize> = self.boxes.iter().flatten().filter_map(|r| r.slot).collect();
        slots.sort_unstable();
        slots.dedup();
        self.sections
            .min(self.most.iter().sum::<usize>() + slots.len())
    }

    /// True if any box belongs to a slot.
    #[must_use]
    pub fn has_slots(&self) -> bool {
        self.boxes
            .iter()
            .flatten()
            .any(|ranges| ranges.slot.is_some())
    }

    /// True if a section of `shape` may be used.
    #[must_use]
    pub fn has(&self, shape: Shape) -> bool {
        let usable = |ranges: &Ranges| ranges.slot.is_some() || self.most[shape as usize] > 0;
        self.boxes_of(shape).iter().any(usable)
    }

    /// The part of the space with gains up to `most_gain_db`; empty boxes are removed.
    #[must_use]
    pub fn with_most_gain(&self, most_gain_db: f64) -> Self {
        self.with_gains(f64::NEG_INFINITY, most_gain_db)
    }

    /// The cuts-only and the boosts-only part of the space. None if a shape would be lost from either, or if there are
    /// slots.
    #[must_use]
    pub fn of_one_sign(&self) -> Option<[Self; 2]> {
        let parts = [(f64::NEG_INFINITY, 0.0), (0.0, f64::INFINITY)].map(|(least_db, most_db)| {
            let mut part = self.with_gains(least_db, most_db);
            for boxes in &mut part.boxes {
                boxes.retain(|ranges| ranges.gain_db != (0.0..=0.0));
            }
            part
        });
        let has_all = |part: &Self| {
            let lost = |shape: &Shape| self.has(*shape) && part.boxes_of(*shape).is_empty();
            !Shape::ALL.iter().any(lost)
        };
        (!self.has_slots() && parts.iter().all(has_all)).then_some(parts)
    }

    fn with_gains(&self, least_db: f64, most_db: f64) -> Self {
        let mut space = self.clone();
        for boxes in &mut space.boxes {
            boxes.retain_mut(|ranges| {
                *ranges = ranges.with_gain(least_db, most_db);
                !ranges.is_empty()
            });
        }
        for shape in Shape::ALL {
            if space
                .boxes_of(shape)
                .iter()
                .all(|ranges| ranges.slot.is_some())
            {
                space.most[shape as usize] = 0;
            }
        }
        space
    }

    /// Largest cut and largest boost, both as positive dB, that every one of these shapes can have.
    pub(in crate::fit) fn most_alike(&self, shapes: &[Shape]) -> [f64; 2] {
        let most = |of_box: fn(&Ranges) -> f64| {
            let of_shape = |shape: &Shape| self.boxes_of(*shape).iter().map(of_box);
            let most = shapes
                .iter()
                .map(|shape| of_shape(shape).fold(0.0, f64::max));
            most.fold(f64::INFINITY, f64::min)
        };
        [
            most(|ranges| -ranges.gain_db.start()),
            most(|ranges| *ranges.gain_db.end()),
        ]
    }

    /// The boxes of `shape`.
    #[must_use]
    pub fn boxes_of(&self, shape: Shape) -> &[Ranges] {
        &self.boxes[shape as usize]
    }

    /// The box that holds a section, or else the nearest one; slots are ignored.
    ///
    /// # Panics
    /// If there is no box for its shape.
    #[must_use]
    pub fn box_of(&self, section: &Section) -> &Ranges {
        let boxes = self.boxes_of(section.shape);
        if let [only] = boxes {
            return only;
        }
        nearest(boxes.iter(), section).expect("a box for every shape in use")
    }

    /// One box for each section, no slot used twice. A section that fits nowhere gets the nearest box that is free.
    ///
    /// # Panics
    /// If there is no box for a shape among them.
    #[must_use]
    pub fn boxes_for(&self, sections: &[Section]) -> Vec<&Ranges> {
        if !self.has_slots() {
            return sections
                .iter()
                .map(|section| self.box_of(section))
                .collect();
        }
        let (places, pairs) = self.pairs(sections);
        let mut open = self.open_after(sections, &places, &pairs);
        let mut left: Vec<usize> = self.most.to_vec();
        for (section, pair) in sections.iter().zip(&pairs) {
            if pair.is_some_and(|place| places[place].slot.is_none()) {
                left[section.shape as usize] -= 1;
            }
        }
        let mut home = |(section, pair): (&Section, &Option<usize>)| {
            let boxes = self.boxes_of(section.shape).iter();
            let found = match pair {
                Some(place) => {
                    let slot = places[*place].slot;
                    nearest(boxes.filter(|ranges| ranges.slot == slot), section)
                }
                None => nearest(
                    boxes.filter(|ranges| open.is(section.shape, ranges)),
                    section,
                ),
            };
            let found = found.unwrap_or_else(|| self.box_of(section));
            if pair.is_none() {
                match found.slot {
                    Some(slot) => open.taken_slots[slot] = true,
                    None => {
                        let left = &mut left[section.shape as usize];
                        *left = left.saturating_sub(1);
                        open.outside_slots[section.shape as usize] = *left > 0;
                    }
                }
            }
            found
        };
        sections.iter().zip(&pairs).map(&mut home).collect()
    }

    /// How many more sections of `shape` outside of slots may be added to `shapes`.
    #[must_use]
    pub fn left(&self, shapes: &[Shape], shape: Shape) -> usize {
        let used = shapes.iter().filter(|&&s| s == shape).count();
        self.most[shape as usize].saturating_sub(used)
    }

    /// The places where one more section may be added to these.
    #[must_use]
    pub fn open(&self, sections: &[Section]) -> Open {
        if !self.has_slots() {
            let used = |shape: Shape| sections.iter().filter(|s| s.shape == shape).count();
            return Open {
                outside_slots: Shape::ALL.map(|shape| used(shape) < self.most[shape as usize]),
                taken_slots: Vec::new(),
            };
        }
        let (places, pairs) = self.pairs(sections);
        self.open_after(sections, &places, &pairs)
    }

    /// A random section that may be added to these: a random box of those that are open, uniform in ln f0, in gain and
    /// in ln q. None if no box is open.
    pub(in crate::fit) fn any(&self, sections: &[Section], random: &mut Random) -> Option<Section> {
        let open = self.open(sections);
        let boxes: Vec<(Shape, &Ranges)> = Shape::ALL
            .into_iter()
            .flat_map(|shape| {
                self.boxes_of(shape)
                    .iter()
                    .map(move |ranges| (shape, ranges))
            })
            .filter(|(shape, ranges)| open.is(*shape, ranges))
            .collect();
        let (shape, ranges) = *boxes.get(random.below(boxes.len().max(1)))?;
        let mut between = |low: f64, high: f64| low + (high - low) * random.unit();
        let log = |range: &RangeInclusive<f64>| (range.start().ln(), range.end().ln());
        let ((low_f0, high_f0), (low_q, high_q)) = (log(&ranges.f0_hz), log(&ranges.q));
        let section = Section {
            shape,
            f0_hz: between(low_f0, high_f0).exp(),
            gain_db: between(*ranges.gain_db.start(), *ranges.gain_db.end()),
            q: between(low_q, high_q).exp(),
        };
        Some(ranges.clamped(&section))
    }

    /// True if all of these may be used at once: not too many, and each in a box, with no slot used twice.
    #[must_use]
    pub fn fits(&self, sections: &[Section]) -> bool {
        if self.has_slots() {
            let (_, pairs) = self.pairs(sections);
            return sections.len() <= self.sections && pairs.iter().all(Option::is_some);
        }
        let used = |shape: Shape| sections.iter().filter(|s| s.shape == shape).count();
        let few = |shape: Shape| used(shape) <= self.most[shape as usize];
        Shape::ALL.into_iter().all(few) && sections.iter().all(|section| self.holds(section))
    }

    /// All places, and for each section the index of the place it is matched with, if any.
    fn pairs(&self, sections: &[Section]) -> (Vec<Place>, Vec<Option<usize>>) {
        let slots = self
            .boxes
            .iter()
            .flatten()
            .filter_map(|ranges| ranges.slot)
            .max();
        let of_slot = |slot| Place {
            shape: None,
            slot: Some(slot),
        };
        let mut places: Vec<Place> = (0..slots.map_or(0, |last| last + 1)).map(of_slot).collect();
        for shape in Shape::ALL {
            places.extend(vec![
                Place {
                    shape: Some(shape),
                    slot: None
                };
                self.most[shape as usize]
            ]);
        }
        let fits = |item: usize, place: usize| {
            let section = &sections[item];
            let Place { shape, slot } = places[place];
            let right =
                |ranges: &Ranges| ranges.slot == slot && ranges.distance(section) < ROUNDING;
            shape.is_none_or(|shape| shape == section.shape)
                && self.boxes_of(section.shape).iter().any(right)
        };
        let pairs = paired(sections.len(), places.len(), &fits);
        (places, pairs)
    }

    fn open_after(&self, sections: &[Section], places: &[Place], pairs: &[Option<usize>]) -> Open {
        let mut taken_slots = vec![false; places.len()];
        let mut left = self.most;
        for (section, pair) in sections.iter().zip(pairs) {
            match pair.map(|place| places[place].slot) {
                Some(Some(slot)) => taken_slots[slot] = true,
                Some(None) => left[section.shape as usize] -= 1,
                None => {}
            }
        }
        Open {
            outside_slots: left.map(|left| left > 0),
            taken_slots,
        }
    }

    /// Lower and upper bounds of the variables (ln f0, gain, ln q) of these sections.
    pub fn walls(&self, sections: impl Iterator<Item = Section>) -> (Vec<f64>, Vec<f64>) {
        let sections: Vec<Section> = sections.collect();
        walls_of(&self.boxes_for(&sections))
    }

    /// The sections with their numbers clamped to the box of each.
    pub(in crate::fit) fn clamped(&self, sections: &[Section]) -> Vec<Section> {
        let boxes = self.boxes_for(sections);
        let pairs = sections.iter().zip(boxes);
        pairs.map(|(section, ranges)| ranges.clamped(section)).collect()
    }

    /// True if `section` lies in a box of its shape.
    #[must_use]
    pub fn holds(&self, section: &Section) -> bool {
        self.boxes_of(section.shape)
            .iter()
            .any(|ranges| ranges.holds(section))
    }
}

impl Ranges {
    /// True if the numbers of `section` lie in this box.
    #[must_use]
    pub fn holds(&self, section: &Section) -> bool {
        self.f0_hz.contains(&section.f0_hz)
            && self.gain_db.contains(&section.gain_db)
            && self.q.contains(&section.q)
    }

    /// True if the box contains no number.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.f0_hz.is_empty() || self.gain_db.is_empty() || self.q.is_empty()
    }

    /// The part of the box with gains from `min_db` to `max_db`.
    #[must_use]
    pub fn with_gain(&self, min_db: f64, max_db: f64) -> Self {
        Self {
            gain_db: self.gain_db.start().max(min_db)..=self.gain_db.end().min(max_db),
            ..self.clone()
        }
    }

    /// The part of the box with q up to `most_q`.
    #[must_use]
    pub fn with_most_q(&self, most_q: f64) -> Self {
        Self {
            q: *self.q.start()..=self.q.end().min(most_q),
            ..self.clone()
        }
    }

    /// The section with its numbers clamped to the box.
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

    /// Distance of a section from the box: the sum of octaves of f0, octaves of q, and gain divided by 3 dB; 0 inside.
    fn distance(&self, section: &Section) -> f64 {
        const OCTAVE_DB: f64 = 3.0;
        let inside = self.clamped(section);
        (inside.f0_hz / section.f0_hz).log2().abs()
            + (inside.q / section.q).log2().abs()
            + (inside.gain_db - section.gain_db).abs() / OCTAVE_DB
    }
}

/// The box nearest to `section`, the first one of equals; None if there is none.
pub(in crate::fit) fn nearest<'a>(
    boxes: impl Iterator<Item = &'a Ranges>,
    section: &Section,
) -> Option<&'a Ranges> {
    boxes.min_by(|a, b| a.distance(section).total_cmp(&b.distance(section)))
}

/// Lower and upper bounds of the variables (ln f0, gain, ln q) of sections, one box each.
pub(in crate::fit) fn walls_of(boxes: &[&Ranges]) -> (Vec<f64>, Vec<f64>) {
    let ends = |ranges: &&Ranges| {
        let Ranges {
            f0_hz, gain_db, q, ..
        } = ranges;
        [
            (f0_hz.start().ln(), f0_hz.end().ln()),
            (*gain_db.start(), *gain_db.end()),
            (q.start().ln(), q.end().ln()),
        ]
    };
    boxes.iter().flat_map(ends).unzip()
}

/// A section whose distance from a box is below this is inside but for rounding (exponential of a logarithm).
const ROUNDING: f64 = 1e-9;

/// The variables of a section: ln f0 (Hz), gain (dB), ln q.
#[must_use]
pub fn variables(section: &Section) -> [f64; 3] {
    [section.f0_hz.ln(), section.gain_db, section.q.ln()]
}
