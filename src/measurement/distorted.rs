//! Distortion by frequency at one level, from a file of frequency (Hz) and distortion in percent or dB, relative to the
//! fundamental or to the whole signal (below 10 % the two differ by less than 0.05 dB).

use super::error::MeasurementFault as Fault;
use super::takes::Side;
use super::unit_file::DistortionEntry;
use super::{curve, parse, piecewise, table, text};
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result};
use crate::units::db_from_amplitude;

/// Range of possible distortion, dB.
const RATIO_DB: (f64, f64) = (-200.0, 0.0);

/// Distortion by frequency, measured at one level.
///
/// The level is that at the frequency of the unit's sensitivity. The voltage is the same at all frequencies, as sweeps
/// are usually made (common practice, no source).
#[derive(Debug, Clone, PartialEq)]
pub struct DistortionCurve {
    /// Side of the measurement, or unknown.
    pub side: Side,
    /// Level at which it was measured, dB SPL.
    pub level_db_spl: f64,
    /// Points `(frequency_hz, distortion in dB)`, frequencies increasing.
    points: Vec<(f64, f64)>,
}

impl DistortionCurve {
    /// Distortion at `frequency_hz`, dB, interpolated linearly in log frequency and dB; None outside the data.
    #[must_use]
    pub fn ratio_db_at(&self, frequency_hz: f64) -> Option<f64> {
        let (lowest_hz, highest_hz) = self.band_hz();
        let covered = lowest_hz * (1.0 - curve::PRINTED_ROUNDING)
            ..=highest_hz * (1.0 + curve::PRINTED_ROUNDING);
        covered
            .contains(&frequency_hz)
            .then(|| piecewise::linear_in_log_f(&self.points, frequency_hz))
    }

    /// Lowest and highest frequency of the data, hertz.
    #[must_use]
    pub fn band_hz(&self) -> (f64, f64) {
        match (self.points.first(), self.points.last()) {
            (Some(first), Some(last)) => (first.0, last.0),
            _ => (0.0, 0.0),
        }
    }
}

/// Reads the distortion file of `entry`. The title of the second column must contain `%`, `percent` or `dB`; without
/// titles, values that are all negative are taken as dB.
///
/// # Errors
/// With file and line: those of [`parse::parse_curve`]; `Format` if the unit of the values is unknown; `Setting` for
/// values outside its range (including 0 percent, which has no value in dB).
pub fn read_distortion(
    bytes: &[u8],
    source_name: &str,
    entry: &DistortionEntry,
) -> Result<DistortionCurve> {
    let table = table::read(&text::decode(bytes, source_name)?, source_name)?;
    parse::refuse_kilohertz(&table, source_name)?;
    let in_percent = table.title_says(1, &["%", "percent"]);
    let in_db = table.title_says(1, &["db"])
        || (!in_percent && table.second.iter().all(|value| *value < 0.0));
    if in_percent == in_db {
        return Err(Error::of(Fault::DistortionUnit, source_name));
    }
    let ratio_db = |value: f64| {
        if in_percent {
            db_from_amplitude(value / 100.0)
        } else {
            value
        }
    };
    let points: Vec<(f64, f64)> = table
        .first
        .iter()
        .zip(&table.second)
        .map(|(f_hz, value)| (*f_hz, ratio_db(*value)))
        .collect();
    let (least_db, most_db) = RATIO_DB;
    // NaN, from a negative percentage, is refused here as well.
    let stray = |(_, db): &(f64, f64)| !(least_db..=most_db).contains(db);
    if let Some(row) = points.iter().position(stray) {
        let (what, range) = match in_percent {
            true => (Quantity::DistortionPercent, (0.0, 100.0)),
            false => (Quantity::DistortionDb, RATIO_DB),
        };
        let fault = ValueFault::out_of_range(what, table.second[row], range);
        return Err(Error::of(fault, source_name).at_line(table.lines[row]));
    }
    Ok(DistortionCurve {
        side: entry.side,
        level_db_spl: entry.level_db_spl,
        points,
    })
}
