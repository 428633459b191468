//! The widest limits that make sense; everything that checks, words or generates limits uses these.

use crate::error::value::{Quantity, ValueFault};
use crate::filter::Shape;
use crate::message::Number;

/// One quantity: its key, its unit in words, and the smallest and largest value any limits may hold.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bound {
    /// Key in the file.
    pub key: &'static str,
    /// Unit, as it follows a number; empty for a plain number.
    pub unit: &'static str,
    /// Smallest value.
    pub min: f64,
    /// Largest value.
    pub max: f64,
}

const fn bound(key: &'static str, unit: &'static str, min: f64, max: f64) -> Bound {
    Bound {
        key,
        unit,
        min,
        max,
    }
}

/// Number of sections, and of each shape.
pub const SECTIONS: Bound = bound("sections", "", 1.0, 64.0);
/// Number of gain limits.
pub const GAIN_LIMITS: Bound = bound("gain_limit", " gain limits", 0.0, 64.0);
/// Number of values that are listed one by one.
pub const ALLOWED: Bound = bound("allowed", " values", 1.0, 10_000.0);
/// Number of sample rates.
pub const RATES: Bound = bound("rates_hz", " rates", 1.0, 16.0);
/// Sample rate.
pub const RATE_HZ: Bound = bound("rates_hz", " Hz", 8000.0, 768_000.0);
/// Gain before the sections.
pub const PREAMP_DB: Bound = bound("preamp_db", " dB", -120.0, 0.0);
/// Frequency of a section; it must also stay below half of every rate.
pub const F0_HZ: Bound = bound("f0_hz", " Hz", 1.0, 384_000.0);
/// Gain of a section.
pub const GAIN_DB: Bound = bound("gain_db", " dB", -60.0, 60.0);
/// Gain of all sections together.
pub const TOTAL_BOOST_DB: Bound = bound("total_boost_max_db", " dB", 0.0, 120.0);
/// Q of a peaking section, in the equaliser's own terms.
pub const Q: Bound = bound("q", "", 0.01, 1000.0);
/// Q of a shelf, in the equaliser's own terms.
pub const SHELF_Q: Bound = bound("shelf_q", "", 0.01, 1000.0);

/// Q of a section of this shape.
#[must_use]
pub fn q_of(shape: Shape) -> Bound {
    if shape.is_shelf() { SHELF_Q } else { Q }
}

impl Bound {
    /// True for a number within the bound; never for NaN.
    #[must_use]
    pub fn contains(&self, x: f64) -> bool {
        (self.min..=self.max).contains(&x)
    }

    /// The fault of a number beyond the bound.
    pub(crate) fn fault(&self, x: f64) -> ValueFault {
        let range = (self.min, self.max);
        ValueFault::out_of_range(Quantity::Setting(self.unit), x, range)
    }

    /// The range in words.
    #[must_use]
    pub fn words(&self) -> String {
        format!("{} to {}{}", Number(self.min), Number(self.max), self.unit)
    }
}
