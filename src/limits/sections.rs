//! Whether sections find room within limits, and what they leave of them.

use super::Limits;
use super::error::LimitsFault;
use super::rules::{Rules, paired};
use crate::error::Result;
use crate::filter::{Section, Shape};

/// Where a section has its room.
#[derive(Debug, Clone, Copy)]
enum SectionPlace {
    /// In a slot.
    Slot(usize),
    /// Among what its shape has outside of slots.
    Outside,
    /// Nowhere: others take all there is.
    Nowhere,
}

impl Limits {
    /// Frequencies of the bands that stay at 0 dB beside `sections`, hertz, rising: slots of one fixed frequency that hold
    /// none of them, as the sliders of a graphic equaliser are.
    #[must_use]
    pub fn idle_bands_hz(&self, sections: &[Section]) -> Vec<f64> {
        let found = self.found_places(sections);
        let holds_one = |index: usize| {
            let here =
                |found: &SectionPlace| matches!(found, SectionPlace::Slot(slot) if *slot == index);
            found.iter().any(here)
        };
        let slots = self.rules.slots.iter().enumerate();
        let mut idle_hz: Vec<f64> = slots
            .filter(|(index, _)| !holds_one(*index))
            .filter_map(|(index, slot)| {
                let [f0_hz, gain_db, _] = self.knobs(*slot.shapes.first()?, Some(index));
                let is_band = f0_hz.min() == f0_hz.max() && gain_db.contains(0.0);
                is_band.then(|| f0_hz.min())
            })
            .collect();
        idle_hz.sort_by(f64::total_cmp);
        idle_hz
    }

    /// Whether all sections together may boost by so much.
    ///
    /// # Errors
    /// `Refused` above `total_boost_max_db`.
    pub fn allow_total_boost(&self, peak_gain_db: f64) -> Result<()> {
        const ROUNDING_DB: f64 = 1e-9;
        match self.rules.total_boost_max_db {
            Some(most_db) if peak_gain_db > most_db + ROUNDING_DB => {
                let fault = LimitsFault::TotalBoost(peak_gain_db, most_db);
                Err(self.fault("total_boost_max_db", fault))
            }
            _ => Ok(()),
        }
    }

    /// Whether an equaliser with these limits can hold `sections`, q in the cookbook's terms.
    ///
    /// # Errors
    /// Names the first section, counted from 1, that it cannot hold, and the nearest value it has.
    pub fn allows(&self, sections: &[Section]) -> Result<()> {
        self.has_so_many(sections)?;
        for (index, section) in sections.iter().enumerate() {
            self.has_shape_of(index, section)?;
            let wrong: Option<Vec<_>> = self
                .places(section.shape)
                .map(|slot| self.wrong_number(section, slot))
                .collect();
            let wrong = wrong.and_then(|wrong| wrong.into_iter().next());
            if let Some((name, fault)) = wrong.or_else(|| self.rules.broken_by(section)) {
                return Err(self.fault(&format!("section[{}].{name}", index + 1), fault));
            }
        }
        let without_slot = |found: &SectionPlace| matches!(found, SectionPlace::Nowhere);
        match self.found_places(sections).iter().position(without_slot) {
            None => Ok(()),
            Some(index) => {
                let key = format!("section[{}]", index + 1);
                Err(self.fault(
                    &key,
                    LimitsFault::NoSlot(sections[index].shape, sections[index].f0_hz),
                ))
            }
        }
    }

    /// Whether an equaliser with these limits has so many sections of these shapes, whatever their numbers.
    ///
    /// # Errors
    /// When there are too many, or one has a shape that these limits do not have.
    pub fn has_room_for(&self, sections: &[Section]) -> Result<()> {
        self.has_so_many(sections)?;
        let mut sections = sections.iter().enumerate();
        sections.try_for_each(|(index, section)| self.has_shape_of(index, section))
    }

    fn has_shape_of(&self, index: usize, section: &Section) -> Result<()> {
        match self.places(section.shape).next() {
            Some(_) => Ok(()),
            None => {
                let fault = LimitsFault::NoSuchShape(section.shape);
                Err(self.fault(&format!("section[{}].shape", index + 1), fault))
            }
        }
    }

    fn has_so_many(&self, sections: &[Section]) -> Result<()> {
        if sections.len() > self.available() {
            let fault = LimitsFault::TooManySections(sections.len(), self.available());
            return Err(self.fault("section", fault));
        }
        if self.rules.slots.is_empty() {
            for shape in Shape::ALL {
                let used = sections.iter().filter(|s| s.shape == shape).count();
                let most = self.shapes.of(shape);
                if used > most {
                    let fault = LimitsFault::TooManyOfShape(shape, used, most);
                    return Err(self.fault("section", fault));
                }
            }
        }
        Ok(())
    }

    /// What these limits have left beside sections that stay as they are, those of each list at once: of two sides, what
    /// the fuller one leaves.
    ///
    /// # Errors
    /// When the limits do not allow a list ([`Limits::allows`]), or leave nothing beside it.
    pub fn beside(&self, kept: &[&[Section]]) -> Result<Self> {
        let mut left = self.clone();
        let mut taken = vec![false; self.rules.slots.len()];
        for sections in kept {
            self.allows(sections)?;
            let mut shapes = self.shapes;
            for (section, found) in sections.iter().zip(self.found_places(sections)) {
                match found {
                    SectionPlace::Slot(slot) => taken[slot] = true,
                    SectionPlace::Outside | SectionPlace::Nowhere => {
                        *shapes.of_mut(section.shape) -= 1
                    }
                }
            }
            left.sections = left.sections.min(self.sections - sections.len());
            for shape in Shape::ALL {
                let fewest = left.shapes.of(shape).min(shapes.of(shape));
                *left.shapes.of_mut(shape) = fewest;
            }
        }
        let mut free = taken.iter().map(|taken| !taken);
        left.rules.slots.retain(|_| free.next().unwrap_or(true));
        if left.available() > 0 {
            return Ok(left);
        }
        Err(self.fault("section", LimitsFault::KeptAll(self.available())))
    }

    /// Where each of some sections finds room.
    fn found_places(&self, sections: &[Section]) -> Vec<SectionPlace> {
        let slots = self.rules.slots.len();
        if slots == 0 {
            return vec![SectionPlace::Outside; sections.len()];
        }
        let outside = Shape::ALL
            .map(|shape| vec![shape; self.shapes.of(shape)])
            .concat();
        let fits = |item: usize, place: usize| {
            let section = &sections[item];
            match place.checked_sub(slots) {
                None => {
                    self.rules.slots[place].shapes.contains(&section.shape)
                        && self.wrong_number(section, Some(place)).is_none()
                }
                Some(place) => {
                    outside[place] == section.shape && self.wrong_number(section, None).is_none()
                }
            }
        };
        let found = |place: Option<usize>| match place {
            None => SectionPlace::Nowhere,
            Some(place) if place < slots => SectionPlace::Slot(place),
            Some(_) => SectionPlace::Outside,
        };
        let pairs = paired(sections.len(), slots + outside.len(), &fits);
        pairs.into_iter().map(found).collect()
    }

    /// The first number of a section that the knobs of a place do not have: its key, what was found and what is there.
    fn wrong_number(
        &self,
        section: &Section,
        slot: Option<usize>,
    ) -> Option<(&'static str, LimitsFault)> {
        let [f0_hz, gain_db, q] = self.knobs(section.shape, slot);
        let Some(device_q) = self.device_q(section) else {
            let meaning = self.rules.meaning_of(section.shape);
            return Some(("q", LimitsFault::NoDeviceQ(*section, meaning)));
        };
        [
            ("f0_hz", section.f0_hz, f0_hz),
            ("gain_db", section.gain_db, gain_db),
            ("q", device_q, q),
        ]
        .into_iter()
        .find(|(_, value, setting)| !setting.contains(*value))
        .map(|(name, value, setting)| (name, LimitsFault::NotAValue(value, setting.clone())))
    }
}

impl Rules {
    /// The key of the first rule that a section breaks, and how.
    fn broken_by(&self, section: &Section) -> Option<(&'static str, LimitsFault)> {
        const SAME: f64 = 1e-9;
        let Section {
            f0_hz, gain_db, q, ..
        } = *section;
        if self.cut_only && gain_db > 0.0 {
            return Some(("gain_db", LimitsFault::Boost(*section)));
        }
        let limit = self.gain_limits.iter().find(|limit| {
            limit.covers(f0_hz) && !(limit.min_db - SAME..=limit.max_db + SAME).contains(&gain_db)
        });
        if let Some(limit) = limit {
            return Some(("gain_db", LimitsFault::Gain(*section, *limit)));
        }
        let most_q = self.boost_q_max.filter(|_| gain_db > 0.0)?;
        (q > most_q * (1.0 + SAME)).then_some(("q", LimitsFault::BoostQ(q, most_q)))
    }
}
