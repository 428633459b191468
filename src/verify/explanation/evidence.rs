//! What was measured of the EQs of a sheet, and what is known beside.

use crate::filter::Section;
use crate::measurement::takes::Side;
use crate::verify::noise::{ErrorModel, of_anything};

/// One EQ and the change that was measured of it.
pub struct MeasuredEq {
    /// The side whose EQ it is; None: both.
    pub side: Option<Side>,
    /// Its sections.
    pub sections: Vec<Section>,
    /// The other side's, of a sheet with one EQ for each.
    pub others: Option<Vec<Section>>,
    /// Where the change was measured, hertz.
    pub frequency_hz: Vec<f64>,
    /// The measured change there, dB.
    pub measured_db: Vec<f64>,
    /// How far it can be believed.
    pub error_model: ErrorModel,
    /// The same with a smooth change of any form allowed: a small one, and a large one.
    pub anything: [ErrorModel; 2],
}

impl MeasuredEq {
    /// The error models that allow anything, from the covariance of the usual one.
    pub(in crate::verify) fn anything(
        covariance: &nalgebra::DMatrix<f64>,
        points: &[usize],
    ) -> Option<[ErrorModel; 2]> {
        /// How much larger a large change is than a small one.
        const LARGER: f64 = 6.0;
        let small = of_anything(points);
        Some([
            ErrorModel::new(covariance + &small)?,
            ErrorModel::new(covariance + small * (LARGER * LARGER))?,
        ])
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
    /// The EQs that were measured: one, or left and right.
    pub parts: &'a [MeasuredEq],
    /// The rate that the equaliser runs at, hertz.
    pub rate_hz: f64,
    /// The sheet's rates.
    pub rates_hz: &'a [f64],
    /// ExpectedLevel, where they compare.
    pub level: Option<LevelEvidence>,
    /// Degrees of freedom of Student's likelihood.
    pub freedom: f64,
}
