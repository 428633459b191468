//! Reading of curves and weights from delimited text.
//!
//! Columns are frequency (Hz), level (dB) and optionally phase (degrees), or frequency and weight. Separators may be
//! commas, semicolons, tabs or blanks; decimal signs points or commas. Header and comment lines are skipped. UTF-8,
//! UTF-16 and eight-bit encodings and all kinds of line ends are accepted.

use super::curve::Curve;
use super::error::MeasurementFault as Fault;
use super::table::{self, Table};
use super::{grid, piecewise, text};
use crate::error::{Error, Result};

pub use super::text::MAX_FILE_BYTES;

/// Reads a curve. The third column is taken as phase only if the header says so (`phase`, `deg`, `°`), or if there is
/// no header and every row has exactly three numbers. Further columns are ignored.
///
/// # Errors
/// With file, line, what was found, what was expected and a next step: `Format` for other kinds of file, `Number` for
/// fields that are not numbers, `Order` and `Coverage` as for [`Curve::new`].
pub fn parse_curve(bytes: &[u8], source_name: &str) -> Result<Curve> {
    let table = table::read(&text::decode(bytes, source_name)?, source_name)?;
    refuse_kilohertz(&table, source_name)?;
    let phase_deg = phase(&table, source_name)?;
    Curve::with_lines(
        source_name.to_owned(),
        table.first,
        table.second,
        phase_deg,
        Some(&table.lines),
    )
}

/// Comment lines of the form `# key: words` before the data of a curve file, in order; keys in lower case.
///
/// # Errors
/// `Format` for other kinds of file.
pub fn header_notes(bytes: &[u8], source_name: &str) -> Result<Vec<(String, String)>> {
    let text = text::decode(bytes, source_name)?;
    let comments = text.lines().map_while(|line| line.strip_prefix('#'));
    let notes = comments.filter_map(|line| line.split_once(':'));
    Ok(notes
        .map(|(key, words)| (key.trim().to_lowercase(), words.trim().to_owned()))
        .collect())
}

/// A weight by frequency: 0 or more, and positive at one or more points of the common grid.
#[derive(Debug, Clone, PartialEq)]
pub struct Weight {
    points: Vec<(f64, f64)>,
}

/// Reads a weight: columns frequency (Hz) and weight (0 or more).
///
/// # Errors
/// Those of [`parse_curve`]; `Setting` for a negative weight, or if all are zero.
pub fn parse_weight(bytes: &[u8], source_name: &str) -> Result<Weight> {
    let table = table::read(&text::decode(bytes, source_name)?, source_name)?;
    refuse_kilohertz(&table, source_name)?;
    let refuse = |weight| Error::of(Fault::Weight(weight), source_name);
    if let Some(row) = table.second.iter().position(|weight| *weight < 0.0) {
        return Err(refuse(Some(table.second[row])).at_line(table.lines[row]));
    }
    let weight = Weight {
        points: table.first.into_iter().zip(table.second).collect(),
    };
    if weight.on_grid().iter().all(|weight| *weight == 0.0) {
        return Err(refuse(None));
    }
    Ok(weight)
}

impl Weight {
    /// The points `(frequency_hz, weight)` as read.
    pub(super) fn into_points(self) -> Vec<(f64, f64)> {
        self.points
    }

    /// The weight at each point of the common grid: linear in log frequency, constant beyond the ends.
    #[must_use]
    pub fn on_grid(&self) -> Vec<f64> {
        let at = |f_hz: &f64| piecewise::linear_in_log_f(&self.points, *f_hz);
        grid::frequency_hz().iter().map(at).collect()
    }
}

/// The third column if it is a phase by the rule of [`parse_curve`].
pub(super) fn phase(table: &Table, source_name: &str) -> Result<Option<Vec<f64>>> {
    if table.titles.is_some() {
        if !table.title_says(2, &["phase", "deg", "°"]) {
            return Ok(None);
        }
    } else if table.has_header || !table.three_columns {
        return Ok(None);
    }
    let phase: Option<Vec<f64>> = table.third.iter().copied().collect();
    let missing = table.third.iter().position(Option::is_none);
    match missing {
        Some(row) if table.titles.is_some() => {
            Err(Error::of(Fault::NoPhase, source_name).at_line(table.lines[row]))
        }
        _ => Ok(phase),
    }
}

/// Frequencies in kHz would pass all other checks and shift the curve by ten octaves.
pub(super) fn refuse_kilohertz(table: &Table, source_name: &str) -> Result<()> {
    let lowest = table.first.iter().copied().fold(f64::INFINITY, f64::min);
    let highest = table.first.iter().copied().fold(0.0, f64::max);
    let looks = lowest > 0.0 && lowest < 1.0 && highest <= 48.0;
    if looks || (highest < 100.0 && table.title_says(0, &["khz"])) {
        return Err(Error::of(Fault::Kilohertz(lowest, highest), source_name));
    }
    Ok(())
}
