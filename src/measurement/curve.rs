//! A measured curve as it was given: checked frequencies and levels.

use super::error::{AtPoint, MeasurementFault as Fault};
use super::resolution::POINTS_PER_OCTAVE;
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result};
use crate::units::octaves;

/// Relative error of a frequency that printing with few digits may cause; the ends of a curve may be off by it.
pub const PRINTED_ROUNDING: f64 = 1e-4;

/// Least width of a curve, octaves: that of the 48 grid points of one octave, from the first to the last, so that one
/// octave of the grid can be written to a file and read again.
const LEAST_OCTAVES: f64 = 1.0 - 1.0 / POINTS_PER_OCTAVE as f64;

/// Largest magnitude of a level, dB; anything beyond it is not a measured level.
const LARGEST_LEVEL_DB: f64 = 1000.0;

/// A frequency response: at least three points over at least one octave, frequencies positive and
/// strictly increasing, every number finite, every level within +-1000 dB.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    name: String,
    frequency_hz: Vec<f64>,
    level_db: Vec<f64>,
    phase_deg: Option<Vec<f64>>,
}

impl Curve {
    /// Checks a curve and keeps it. `name` is used in errors, usually the file name.
    ///
    /// # Errors
    /// `Format` for unequal lengths; `Number` for values that are not finite or too large; `Order` for frequencies that
    /// are not positive and strictly increasing; `Coverage` for fewer than three points or less than an octave.
    pub fn new(
        name: impl Into<String>,
        frequency_hz: Vec<f64>,
        level_db: Vec<f64>,
        phase_deg: Option<Vec<f64>>,
    ) -> Result<Self> {
        Self::with_lines(name.into(), frequency_hz, level_db, phase_deg, None)
    }

    /// [`Curve::new`], with the line of each point for the errors.
    pub(super) fn with_lines(
        name: String,
        frequency_hz: Vec<f64>,
        level_db: Vec<f64>,
        phase_deg: Option<Vec<f64>>,
        lines: Option<&[usize]>,
    ) -> Result<Self> {
        let columns = [Some(&level_db), phase_deg.as_ref()];
        if let Some(column) = columns
            .into_iter()
            .flatten()
            .find(|c| c.len() != frequency_hz.len())
        {
            return Err(Error::of(
                Fault::Uneven(frequency_hz.len(), column.len()),
                &*name,
            ));
        }
        let mut before_hz = None;
        for (row, &f_hz) in frequency_hz.iter().enumerate() {
            check_frequency(&name, before_hz, f_hz).map_err(|error| at_row(error, row, lines))?;
            before_hz = Some(f_hz);
        }
        let bad_level = level_db
            .iter()
            .position(|level| level.is_nan() || level.abs() > LARGEST_LEVEL_DB);
        if let Some(row) = bad_level {
            return Err(at_row(
                Error::of(
                    ValueFault::out_of_range(
                        Quantity::Level,
                        level_db[row],
                        (-LARGEST_LEVEL_DB, LARGEST_LEVEL_DB),
                    ),
                    &*name,
                ),
                row,
                lines,
            ));
        }
        let bad_phase = phase_deg
            .as_ref()
            .and_then(|phase| phase.iter().position(|p| !p.is_finite()));
        if let Some(row) = bad_phase {
            return Err(at_row(Error::of(Fault::PhaseNotFinite, &*name), row, lines));
        }
        check_extent(&name, &frequency_hz)?;
        Ok(Self {
            name,
            frequency_hz,
            level_db,
            phase_deg,
        })
    }

    /// The name of the curve, usually that of its file.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Frequencies in hertz, strictly increasing.
    #[must_use]
    pub fn frequency_hz(&self) -> &[f64] {
        &self.frequency_hz
    }

    /// Levels in dB, one for each frequency, relative to the reference of the file.
    #[must_use]
    pub fn level_db(&self) -> &[f64] {
        &self.level_db
    }

    /// Phase in degrees, one for each frequency; None if the file has none.
    #[must_use]
    pub fn phase_deg(&self) -> Option<&[f64]> {
        self.phase_deg.as_deref()
    }
}

/// Checks that a frequency is finite, positive and above the one before; for curves and weights.
pub(super) fn check_frequency(name: &str, before_hz: Option<f64>, f_hz: f64) -> Result<()> {
    let fault = match before_hz {
        _ if !f_hz.is_finite() => Fault::FrequencyNotFinite(f_hz),
        _ if f_hz <= 0.0 => Fault::FrequencyNotPositive(f_hz),
        Some(before_hz) if f_hz == before_hz => Fault::FrequencyTwice(f_hz),
        Some(before_hz) if f_hz < before_hz => Fault::FrequencyFalls(f_hz, before_hz),
        _ => return Ok(()),
    };
    Err(Error::of(fault, name))
}

fn check_extent(name: &str, frequency_hz: &[f64]) -> Result<()> {
    let (&[first_hz, .., last_hz], 3..) = (frequency_hz, frequency_hz.len()) else {
        return Err(Error::of(Fault::FewPoints(frequency_hz.len()), name));
    };
    if octaves(first_hz, last_hz) < LEAST_OCTAVES - 2.0 * PRINTED_ROUNDING {
        return Err(Error::of(Fault::Narrow(first_hz, last_hz), name));
    }
    Ok(())
}

/// Puts the line into an error, or the number of the row if lines are unknown.
fn at_row(error: Box<Error>, row: usize, lines: Option<&[usize]>) -> Box<Error> {
    match lines.and_then(|lines| lines.get(row)) {
        Some(&line) => error.at_line(line),
        None => error.within(|fault| AtPoint {
            point: row + 1,
            fault,
        }),
    }
}
