//! How far the rig can be trusted, by frequency.

use std::ops::Range;

use super::error::MeasurementFault as Fault;
use super::{grid, piecewise};
use crate::error::value::{NameOf, ValueFault};
use crate::error::{Error, Knob, Result};

/// Least trust inside the trusted band. Our choice.
pub const TRUSTED: f64 = 0.7;

/// A measurement rig, described by its trust.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Rig {
    /// An occluded-ear simulator after IEC 60318-4. The standard (2010) claims to simulate the ear from 100 Hz
    /// to 10 kHz; above 8 kHz the coupler's resonance and the insertion depth move the curve (common practice,
    /// no source), so trust falls there from 1 to 0.3 over an octave.
    #[default]
    Iec60318_4,
    /// Trust 1 at all frequencies.
    Flat,
    /// Points `(frequency_hz, trust)`, interpolated linearly in log frequency, constant beyond the ends; made by
    /// [`Rig::table`].
    Table(Vec<(f64, f64)>),
}

impl Rig {
    /// Names for files and options.
    pub const NAMES: [&'static str; 2] = ["iec-60318-4", "flat"];

    /// The rig with this name.
    ///
    /// # Errors
    /// `Name`, with the nearest known name; its source is `rig`.
    pub fn from_name(name: &str) -> Result<Self> {
        match name {
            "iec-60318-4" => Ok(Self::Iec60318_4),
            "flat" => Ok(Self::Flat),
            _ => Err(Error::of(Self::unknown(NameOf::Rig, name), Knob::Rig)),
        }
    }

    /// Its name: one of [`Rig::NAMES`], or `table`.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Self::Iec60318_4 => Self::NAMES[0],
            Self::Flat => Self::NAMES[1],
            Self::Table(_) => "table",
        }
    }

    /// The fault of an unknown rig name; `what` says what may be given instead.
    #[must_use]
    pub fn unknown(what: NameOf, name: &str) -> ValueFault {
        ValueFault::unknown(what, name, Self::NAMES)
    }

    /// A rig from points `(frequency_hz, trust)`: frequencies positive and increasing, trust 0 to 1.
    ///
    /// # Errors
    /// `Setting` for anything else.
    pub fn table(points: Vec<(f64, f64)>) -> Result<Self> {
        let increasing = points.windows(2).all(|w| w[0].0 < w[1].0);
        let fits = |(f_hz, trust): &(f64, f64)| {
            f_hz.is_finite() && *f_hz > 0.0 && (0.0..=1.0).contains(trust)
        };
        if points.is_empty() || !increasing || !points.iter().all(fits) {
            return Err(Error::of(Fault::TrustTable, Knob::Rig));
        }
        Ok(Self::Table(points))
    }

    /// Trust at a frequency, 0 to 1.
    #[must_use]
    pub fn trust(&self, frequency_hz: f64) -> f64 {
        match self {
            Self::Iec60318_4 => 1.0 - 0.7 * (frequency_hz / 8000.0).log2().clamp(0.0, 1.0),
            Self::Flat => 1.0,
            Self::Table(points) => piecewise::linear_in_log_f(points, frequency_hz),
        }
    }

    /// Trust at each point of the common grid.
    #[must_use]
    pub fn trust_on_grid(&self) -> Vec<f64> {
        grid::frequency_hz()
            .iter()
            .map(|f_hz| self.trust(*f_hz))
            .collect()
    }

    /// Lowest and highest grid frequency within `support` with a trust of at least [`TRUSTED`], hertz; None if there is
    /// none.
    #[must_use]
    pub fn trusted_band_hz(&self, support: &Range<usize>) -> Option<(f64, f64)> {
        let covered = grid::frequency_hz().get(support.clone())?;
        let mut trusted = covered
            .iter()
            .copied()
            .filter(|f_hz| self.trust(*f_hz) >= TRUSTED);
        let lowest_hz = trusted.next()?;
        Some((lowest_hz, trusted.next_back().unwrap_or(lowest_hz)))
    }
}
