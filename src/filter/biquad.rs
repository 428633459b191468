//! Coefficients of a section at a sample rate, by the `biquad` crate's cookbook formulas.

use ::biquad::{Coefficients, Type};

use super::error::FilterFault;
use super::{Section, Shape};
use crate::error::{Error, Result, Source};

/// Normalised coefficients (`a0 = 1`):
/// `y[n] = b0 x[n] + b1 x[n-1] + b2 x[n-2] - a1 y[n-1] - a2 y[n-2]`.
#[derive(
    Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema, serde::Deserialize,
)]
pub struct Biquad {
    /// Weight of the present input.
    pub b0: f64,
    /// Weight of the input one sample ago.
    pub b1: f64,
    /// Weight of the input two samples ago.
    pub b2: f64,
    /// Minus the weight of the output one sample ago.
    pub a1: f64,
    /// Minus the weight of the output two samples ago.
    pub a2: f64,
}

impl Biquad {
    /// The coefficients of `section` at `rate_hz`.
    ///
    /// # Errors
    /// If the section cannot be played at that rate (see [`Section::is_playable_at`]).
    pub fn new(section: &Section, rate_hz: f64) -> Result<Self> {
        // Checked first, because the crate accepts a NaN q.
        let unplayable = || {
            let fault = FilterFault::Unplayable(*section, rate_hz);
            Error::of(fault, Source::name("section"))
        };
        if !section.is_playable_at(rate_hz) {
            return Err(unplayable());
        }
        let kind = match section.shape {
            Shape::LowShelf => Type::LowShelf(section.gain_db),
            Shape::Peaking => Type::PeakingEQ(section.gain_db),
            Shape::HighShelf => Type::HighShelf(section.gain_db),
        };
        let c =
            Coefficients::from_normalized_params(kind, section.f0_hz / (rate_hz / 2.0), section.q)
                .map_err(|_| unplayable())?;
        Ok(Self {
            b0: c.b0,
            b1: c.b1,
            b2: c.b2,
            a1: c.a1,
            a2: c.a2,
        })
    }
}
