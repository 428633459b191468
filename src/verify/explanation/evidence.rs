//! What was measured of the EQs of a sheet, and what is known beside.

use std::ops::Range;

use crate::filter::{Section, cascade};
use crate::measurement::grid::frequency_hz;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::takes::Side;
use crate::verify::noise::{ErrorModel, of_anything};

/// What a side plays and the change that was measured of it.
pub struct MeasuredSide {
    /// Which side.
    pub side: Side,
    /// The sections that the sheet has for it.
    pub sections: Vec<Section>,
    /// The other side's, of a sheet with one EQ for each.
    pub others: Option<Vec<Section>>,
    /// The measured change at the judged points, dB.
    pub measured_db: Vec<f64>,
    /// The mean level before, by point of the common grid, dB.
    pub before_db: Vec<f64>,
    /// Which of the error models holds.
    pub model: usize,
}

/// How far a change can be believed; and with a smooth change of any form allowed, a small one and a large one.
pub struct Models {
    /// By chance alone.
    pub chance: ErrorModel,
    /// Beside a change of any form.
    pub anything: [ErrorModel; 2],
}

impl Models {
    /// From the covariance by chance alone; None where that is none.
    #[must_use]
    pub fn new(covariance: nalgebra::DMatrix<f64>, points: &[usize]) -> Option<Self> {
        /// How much larger a large change is than a small one.
        const LARGER: f64 = 6.0;
        let small = of_anything(points);
        Some(Self {
            anything: [
                ErrorModel::new(&covariance + &small)?,
                ErrorModel::new(&covariance + small * (LARGER * LARGER))?,
            ],
            chance: ErrorModel::new(covariance)?,
        })
    }
}

/// The absolute level, where levels of before and after compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LevelEvidence {
    /// What a preamp as in the sheet does, dB.
    pub preamp_db: f64,
    /// Standard error of a level beyond what the curve's own error makes, dB.
    pub error_db: f64,
}

/// What is known when explanations are tried.
pub struct Evidence<'a> {
    /// The sides that were measured.
    pub sides: &'a [MeasuredSide],
    /// The error models that the sides refer to; sides with as many takes share one.
    pub models: &'a [Models],
    /// Whether each side has an EQ of its own.
    pub per_side: bool,
    /// The judged points of the common grid.
    pub at: &'a [usize],
    /// Where both sessions have data.
    pub support: Range<usize>,
    /// The rate that the equaliser runs at, hertz.
    pub rate_hz: f64,
    /// The sheet's rates.
    pub rates_hz: &'a [f64],
    /// The coupler's resonance, hertz, where one was found.
    pub resonance_hz: Option<f64>,
    /// The unit's impedance, where it is known.
    pub impedance: Option<&'a ImpedanceByFrequency>,
    /// The level, where it compares.
    pub level: Option<LevelEvidence>,
    /// Degrees of freedom of Student's likelihood.
    pub freedom: f64,
}

impl Evidence<'_> {
    /// Measured less promised at the judged points of a side, dB.
    #[must_use]
    pub fn left_over_db(&self, of: &MeasuredSide) -> Vec<f64> {
        let f_hz = self.at.iter().map(|i| frequency_hz()[*i]);
        f_hz.zip(&of.measured_db)
            .map(|(f_hz, db)| {
                db - cascade::level_db(&of.sections, self.rate_hz, f_hz.min(0.5 * self.rate_hz))
            })
            .collect()
    }

    /// Number of values that vary independently: the points of all sides, less their levels.
    #[must_use]
    pub fn points(&self) -> usize {
        self.sides.len() * self.at.len().saturating_sub(1)
    }
}
