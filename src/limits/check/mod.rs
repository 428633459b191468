//! Whether limits make sense: within the bounds, without contradictions, and leaving something to use.

mod rules;
mod setting;

use super::bounds::{self, Bound};
use super::error::LimitsFault;
use super::rules::{Slot, leave_some};
use super::{Limits, Setting};
use crate::error::{Error, Fault, Result};
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::filter::{QMeaning, Shape};

impl Limits {
    /// Whether these limits make sense.
    ///
    /// # Errors
    /// Names the first key that contradicts another or leaves the [`bounds`].
    pub fn check(&self) -> Result<()> {
        let refused = |key: &str, fault: Box<dyn Fault>| self.fault(key, fault);
        let outside =
            |key: &str, found: f64, bound: &Bound| refused(key, bound.fault(found).into());
        if !bounds::SECTIONS.contains(self.sections as f64) {
            return Err(outside("sections", self.sections as f64, &bounds::SECTIONS));
        }
        for shape in Shape::ALL {
            let count = self.shapes.of(shape) as f64;
            if count > bounds::SECTIONS.max {
                let key = format!("shapes.{shape}");
                return Err(outside(&key, count, &bounds::SECTIONS));
            }
        }
        self.rules.check(&refused)?;
        if self.shapes.total() == 0 && self.rules.slots.is_empty() {
            return Err(refused("shapes", LimitsFault::NoShape.into()));
        }
        check_rates(&self.rates_hz, &refused)?;
        for (setting, bound) in [
            (&self.preamp_db, bounds::PREAMP_DB),
            (&self.f0_hz, bounds::F0_HZ),
            (&self.gain_db, bounds::GAIN_DB),
            (&self.q, bounds::Q),
            (&self.shelf_q, bounds::SHELF_Q),
        ] {
            setting::check(setting, &bound, &refused)?;
        }
        let lowest_rate_hz = self.rates_hz.iter().copied().fold(f64::INFINITY, f64::min);
        let of_slot = |(index, slot): (usize, &Slot)| {
            Some((
                format!("slot[{}].f0_hz", index + 1),
                slot.f0_hz.as_ref()?.max(),
            ))
        };
        let slots = self.rules.slots.iter().enumerate().filter_map(of_slot);
        let highest = std::iter::once(("f0_hz.max".to_owned(), self.f0_hz.max())).chain(slots);
        for (key, highest_hz) in highest {
            if highest_hz < lowest_rate_hz / 2.0 {
                continue;
            }
            let fault = LimitsFault::BeyondRate(highest_hz, lowest_rate_hz / 2.0);
            return Err(refused(&key, fault.into()));
        }
        self.check_what_is_left(&refused)
    }

    /// Whether the rules leave any gain to use.
    fn check_what_is_left(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let least_db = Shape::ALL
            .into_iter()
            .flat_map(|shape| self.places(shape).map(move |slot| (shape, slot)))
            .map(|(shape, slot)| self.knobs(shape, slot)[1].min())
            .fold(f64::INFINITY, f64::min);
        if self.rules.cut_only && least_db >= 0.0 {
            return Err(refused("cut_only", LimitsFault::NoCut(least_db).into()));
        }
        self.check_gain_limits(refused)?;
        self.check_widths(refused)
    }

    /// Whether every gain limit leaves some gain, and whether all of them together leave some at some frequency.
    fn check_gain_limits(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let places: Vec<[&Setting; 3]> = Shape::ALL
            .into_iter()
            .flat_map(|shape| self.places(shape).map(move |slot| self.knobs(shape, slot)))
            .collect();
        let most_db = self.rules.most_gain_db();
        let limits = &self.rules.gain_limits;
        for (index, limit) in limits.iter().enumerate() {
            let leaves = |knobs: &[&Setting; 3]| {
                knobs[1].has_within(limit.min_db, limit.max_db.min(most_db))
            };
            let fault = if !places.iter().any(leaves) {
                LimitsFault::NoGain(*limit, self.rules.cut_only)
            } else if !places
                .iter()
                .any(|knobs| leave_some(&limits[..=index], knobs, most_db))
            {
                LimitsFault::NoGainTogether(index)
            } else {
                continue;
            };
            return Err(refused(&format!("gain_limit[{}]", index + 1), fault.into()));
        }
        Ok(())
    }

    /// Whether peaking sections have a width where q is read as one between -3 dB points.
    fn check_widths(&self, refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>) -> Result<()> {
        if self.rules.q_meaning != QMeaning::Width3Db {
            return Ok(());
        }
        let most_db = self.rules.most_gain_db();
        for slot in self.places(Shape::Peaking) {
            let gain_db = self.knobs(Shape::Peaking, slot)[1];
            let other_shapes = slot.is_some_and(|slot| self.rules.slots[slot].shapes.len() > 1);
            if other_shapes
                || gain_db.has_within(f64::NEG_INFINITY, -LEAST_GAIN_WITH_WIDTH_DB)
                || gain_db.has_within(LEAST_GAIN_WITH_WIDTH_DB, most_db)
            {
                continue;
            }
            let key = match slot {
                Some(slot) if self.rules.slots[slot].gain_db.is_some() => {
                    format!("slot[{}].gain_db", slot + 1)
                }
                _ => "q_meaning".to_owned(),
            };
            let cut_only = self.rules.cut_only;
            let fault = LimitsFault::NoWidth(gain_db.min(), gain_db.max(), cut_only);
            return Err(refused(&key, fault.into()));
        }
        Ok(())
    }

    /// Whether an equaliser has as many sections as its slots and shapes need. Limits that leave some of them unused,
    /// such as those of [`Limits::with_sections`] and of a sheet, need not.
    pub(super) fn room_for_slots(&self) -> Result<()> {
        let (slots, others) = (self.rules.slots.len(), self.shapes.total());
        if slots == 0 || slots.saturating_add(others) <= self.sections {
            return Ok(());
        }
        let key = if slots > self.sections {
            "slot"
        } else {
            "shapes"
        };
        Err(self.fault(key, LimitsFault::NoRoom(slots, others, self.sections)))
    }
}

/// Whether `rates_hz` are a few plausible sample rates, each once.
pub(crate) fn check_rates(
    rates_hz: &[f64],
    refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
) -> Result<()> {
    if !bounds::RATES.contains(rates_hz.len() as f64) {
        return Err(refused(
            "rates_hz",
            LimitsFault::Rates(rates_hz.len()).into(),
        ));
    }
    for (index, rate_hz) in rates_hz.iter().enumerate() {
        if !bounds::RATE_HZ.contains(*rate_hz) || rates_hz[..index].contains(rate_hz) {
            let fault = LimitsFault::Rate(*rate_hz, index + 1);
            return Err(refused("rates_hz", fault.into()));
        }
    }
    Ok(())
}
