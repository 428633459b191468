//! Impedance by frequency: one number, or a file of frequency (Hz), ohms and optionally phase (degrees).

use super::error::MeasurementFault as Fault;
use super::table;
use super::unit_file::IMPEDANCE_OHM;
use super::{curve, parse, piecewise, text};
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Result};

/// The impedance of an earphone.
#[derive(Debug, Clone, PartialEq)]
pub enum ImpedanceByFrequency {
    /// The same at all frequencies, ohms; treated as a resistance.
    Ohm(f64),
    /// A measured curve.
    Curve {
        /// Points `(ln f, ln ohm)`, f increasing; at least two.
        magnitude: Vec<(f64, f64)>,
        /// Points `(f in hertz, phase in degrees)`; None if the file has no phase.
        phase_deg: Option<Vec<(f64, f64)>>,
    },
}

impl ImpedanceByFrequency {
    /// Magnitude at `frequency_hz`, ohms, interpolated linearly in log frequency and log ohms; None outside the points
    /// of a curve (with a tolerance for printed rounding).
    #[must_use]
    pub fn ohm_at(&self, frequency_hz: f64) -> Option<f64> {
        let Self::Curve { magnitude, .. } = self else {
            return match self {
                Self::Ohm(ohm) => Some(*ohm),
                Self::Curve { .. } => None,
            };
        };
        let x = frequency_hz.ln();
        let (first, last) = (magnitude.first()?.0, magnitude.last()?.0);
        let covered = first - curve::PRINTED_ROUNDING..=last + curve::PRINTED_ROUNDING;
        if !covered.contains(&x) {
            return None;
        }
        let after = magnitude
            .partition_point(|(log_f, _)| *log_f <= x)
            .clamp(1, magnitude.len() - 1);
        let ((x0, y0), (x1, y1)) = (magnitude[after - 1], magnitude[after]);
        let share = ((x - x0) / (x1 - x0)).clamp(0.0, 1.0);
        Some((y0 + share * (y1 - y0)).exp())
    }

    /// Phase at `frequency_hz`, degrees; None if it is unknown or outside the curve.
    #[must_use]
    pub fn phase_deg_at(&self, frequency_hz: f64) -> Option<f64> {
        self.ohm_at(frequency_hz)?;
        match self {
            Self::Ohm(_) => None,
            Self::Curve { phase_deg, .. } => phase_deg
                .as_ref()
                .map(|points| piecewise::linear_in_log_f(points, frequency_hz)),
        }
    }

    /// Lowest and highest frequency of the data, hertz; None for a single number.
    #[must_use]
    pub fn band_hz(&self) -> Option<(f64, f64)> {
        match self {
            Self::Ohm(_) => None,
            Self::Curve { magnitude, .. } => {
                Some((magnitude.first()?.0.exp(), magnitude.last()?.0.exp()))
            }
        }
    }
}

/// Reads an impedance file: columns frequency (Hz), magnitude (ohm) and optionally phase (degrees; if the header says
/// so, or if there is no header and every row has three numbers).
///
/// # Errors
/// With file and line: those of [`parse::parse_curve`]; `Setting` for a magnitude outside the possible range or a phase
/// outside +-90 degrees; `Coverage` for fewer than two points.
pub fn read_impedance(bytes: &[u8], source_name: &str) -> Result<ImpedanceByFrequency> {
    let table = table::read(&text::decode(bytes, source_name)?, source_name)?;
    parse::refuse_kilohertz(&table, source_name)?;
    let phase = parse::phase(&table, source_name)?;
    let (min, max) = IMPEDANCE_OHM;
    let refused = |row: usize, what, found, range| {
        let fault = ValueFault::out_of_range(what, found, range);
        Error::of(fault, source_name).at_line(table.lines[row])
    };
    if let Some(row) = table.second.iter().position(|z| !(min..=max).contains(z)) {
        return Err(refused(
            row,
            Quantity::Impedance,
            table.second[row],
            IMPEDANCE_OHM,
        ));
    }
    if let Some(phase) = &phase
        && let Some(row) = phase.iter().position(|deg| !(-90.0..=90.0).contains(deg))
    {
        return Err(refused(
            row,
            Quantity::ImpedancePhase,
            phase[row],
            (-90.0, 90.0),
        ));
    }
    let magnitude: Vec<(f64, f64)> = table
        .first
        .iter()
        .zip(&table.second)
        .map(|(f_hz, ohm)| (f_hz.ln(), ohm.ln()))
        .collect();
    if magnitude.len() < 2 || magnitude.windows(2).any(|pair| pair[0].0 >= pair[1].0) {
        return Err(Error::of(
            Fault::FewImpedancePoints(magnitude.len()),
            source_name,
        ));
    }
    let phase_deg = phase.map(|phase| table.first.iter().copied().zip(phase).collect());
    Ok(ImpedanceByFrequency::Curve {
        magnitude,
        phase_deg,
    })
}
