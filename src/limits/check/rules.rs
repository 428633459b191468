//! Whether the rules of limits make sense by themselves.

use super::setting;
use crate::error::value::{NameOf, ValueFault};
use crate::error::{Error, Fault, Result};
use crate::filter::{QMeaning, Shape};
use crate::keys::error::KeysFault;
use crate::limits::bounds::{self, Bound};
use crate::limits::error::LimitsFault;
use crate::limits::rules::{Rules, meaning_key};

impl Rules {
    /// What contradicts itself or leaves the bounds.
    pub(super) fn check(
        &self,
        refused: &impl Fn(&str, Box<dyn Fault>) -> Box<Error>,
    ) -> Result<()> {
        let bounded = |key: &str, x: f64, bound: &Bound| match bound.contains(x) {
            true => Ok(()),
            false => Err(refused(key, bound.fault(x).into())),
        };
        if self.slots.len() as f64 > bounds::SECTIONS.max {
            let fault =
                KeysFault::TooMany(self.slots.len(), "slots", bounds::SECTIONS.max as usize);
            return Err(refused("slot", fault.into()));
        }
        for (index, slot) in self.slots.iter().enumerate() {
            let refused = |key: &str, fault| refused(&format!("slot[{}].{key}", index + 1), fault);
            let repeated =
                (1..slot.shapes.len()).any(|k| slot.shapes[..k].contains(&slot.shapes[k]));
            if slot.shapes.is_empty() || repeated {
                let fault = LimitsFault::SlotShapes(slot.shapes.len());
                return Err(refused("shape", fault.into()));
            }
            for (setting, bound) in [
                (&slot.f0_hz, bounds::F0_HZ),
                (&slot.gain_db, bounds::GAIN_DB),
                (&slot.q, bounds::Q),
            ] {
                if let Some(setting) = setting {
                    setting::check(setting, &bound, &refused)?;
                }
            }
        }
        if !bounds::GAIN_LIMITS.contains(self.gain_limits.len() as f64) {
            let fault = KeysFault::TooMany(
                self.gain_limits.len(),
                "gain limits",
                bounds::GAIN_LIMITS.max as usize,
            );
            return Err(refused("gain_limit", fault.into()));
        }
        for (index, limit) in self.gain_limits.iter().enumerate() {
            let key = |part: &str| format!("gain_limit[{}].{part}", index + 1);
            let ordered = |low: (&'static str, f64), high: (&'static str, f64)| {
                let fault = LimitsFault::Reversed(low.1, "", high.0, high.1, low.0);
                match low.1 <= high.1 {
                    true => Ok(()),
                    false => Err(refused(&key(low.0), fault.into())),
                }
            };
            ordered(("from_hz", limit.from_hz), ("to_hz", limit.to_hz))?;
            ordered(("min_db", limit.min_db), ("max_db", limit.max_db))?;
            for (part, x, open, bound) in [
                ("from_hz", limit.from_hz, 0.0, bounds::F0_HZ),
                ("to_hz", limit.to_hz, f64::INFINITY, bounds::F0_HZ),
                ("min_db", limit.min_db, f64::NEG_INFINITY, bounds::GAIN_DB),
                ("max_db", limit.max_db, f64::INFINITY, bounds::GAIN_DB),
            ] {
                if x != open {
                    bounded(&key(part), x, &bound)?;
                }
            }
        }
        if let Some(q) = self.boost_q_max {
            bounded("boost_q_max", q, &bounds::Q)?;
        }
        if let Some(db) = self.total_boost_max_db {
            bounded("total_boost_max_db", db, &bounds::TOTAL_BOOST_DB)?;
        }
        for shape in [Shape::Peaking, Shape::LowShelf] {
            let meaning = self.meaning_of(shape);
            if !QMeaning::of(shape).contains(&meaning) {
                let known = QMeaning::of(shape).iter().map(|meaning| meaning.name());
                let fault = ValueFault::unknown(NameOf::Word, meaning.name(), known);
                return Err(refused(meaning_key(shape), fault.into()));
            }
        }
        Ok(())
    }
}
