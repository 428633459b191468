//! The whole job as one readable function, and the record of what came out of it.

use std::ops::Range;

use crate::caution::Caution;
use crate::filter::Section;

/// Everything a fit found, ready for a sheet, a report or a plot. All curves have one value a grid point.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOutcome {
    /// Name of the unit, from its file or its unit file.
    pub unit: String,
    /// Names of the takes that were averaged.
    pub takes: Vec<String>,
    /// Name of the target, with its contours.
    pub target: String,
    /// Where the target comes from, in words.
    pub target_source: String,
    /// Name of the limits.
    pub limits: String,
    /// All rates of the limits; the fit was made at the first.
    pub rates_hz: Vec<f64>,
    /// The sections in frequency order.
    pub sections: Vec<Section>,
    /// What the sections need before them.
    pub headroom: Headroom,
    /// Before and after, at the rate of the fit.
    pub residual: BeforeAfter,
    /// Weighted residual at each of `rates_hz`, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// The objective J: squared weighted residual plus the economy term, dB^2.
    pub objective_db2: f64,
    /// The economy ratio E, 1 or more: how much the sections work against each other.
    pub economy_ratio: f64,
    /// How the answer was searched for.
    pub search: SearchReport,
    /// Where trust is 0.7 or more and there is data: lowest and highest frequency. None where nothing is trusted.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// The curves.
    pub curves: OutcomeCurves,
    /// What the reader should know first.
    pub cautions: Vec<Caution>,
}

/// Gains that decide the preamp, dB.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Headroom {
    /// The largest gain of all sections together, over 0 Hz to half the rate, worst of the rates.
    pub peak_gain_db: f64,
    /// Where that is.
    pub peak_hz: f64,
    /// The rate at which that is.
    pub peak_rate_hz: f64,
    /// 20 log10 of the L1 norm of the impulse response, worst of the rates: no signal can rise by more.
    pub any_signal_gain_db: f64,
    /// Gain to apply before the sections, 0 or less.
    pub preamp_db: f64,
}

/// Residuals, level-free, dB rms.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Residual {
    /// With the weights of the fit.
    pub weighted_db: f64,
    /// Unweighted over the trusted band, level refitted there. None where nothing is trusted.
    pub trusted_band_db: Option<f64>,
}

/// The residual without any section and with all of them.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct BeforeAfter {
    /// No sections, free level.
    pub before: Residual,
    /// With the sections.
    pub after: Residual,
}

/// How the answer was searched for and how certain it is.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SearchReport {
    /// Evaluations of the objective.
    pub evaluations: u64,
    /// Local solutions computed.
    pub polishes: u64,
    /// Independent searches.
    pub searches: u64,
    /// How many of them ended at this answer.
    pub agreeing: u64,
    /// Why the search stopped, in words.
    pub stop: String,
}

/// Curves on the common grid (`measurement::grid`), one value a grid point.
///
/// Levels are aligned so that the weighted mean of measured minus target is 0 dB, and likewise of
/// equalised minus target.
#[derive(Debug, Clone, PartialEq)]
pub struct OutcomeCurves {
    /// Grid points that both the curve and the target cover; values outside mean nothing but for `sections_db`.
    pub support: Range<usize>,
    /// The average of the takes.
    pub measured_db: Vec<f64>,
    /// Standard deviation of the takes; None when unknown.
    pub spread_db: Option<Vec<f64>>,
    /// The target.
    pub target_db: Vec<f64>,
    /// Measured plus sections.
    pub equalised_db: Vec<f64>,
    /// The sum of all sections, without preamp.
    pub sections_db: Vec<f64>,
    /// Trust, 0..1.
    pub trust: Vec<f64>,
    /// Weight of the fit, 0 or more.
    pub weight: Vec<f64>,
}
