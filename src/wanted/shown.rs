//! One or two targets, evaluated for display.

use serde::{Serialize, Serializer};

use super::difference::{Difference, difference, level_at_hz};
use super::target::Target;
use crate::error::value::{Quantity, ValueFault};
use crate::error::{Error, Knob, Result};
use crate::measurement::grid::{self, OnGrid, POINTS};
use crate::measurement::rig::TRUSTED;

/// Nominal octaves, hertz (IEC 61260-1, from memory).
pub const OCTAVES_HZ: [f64; 10] = [
    31.5, 63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0, 16_000.0,
];

/// Nominal third octaves, hertz (IEC 61260-1, from memory).
pub const THIRD_OCTAVES_HZ: [f64; 31] = [
    20.0, 25.0, 31.5, 40.0, 50.0, 63.0, 80.0, 100.0, 125.0, 160.0, 200.0, 250.0, 315.0, 400.0,
    500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0, 4000.0, 5000.0, 6300.0,
    8000.0, 10_000.0, 12_500.0, 16_000.0, 20_000.0,
];

/// Sample rates at which a target can be evaluated, hertz: those of any limits.
pub const RATES_HZ: (f64, f64) = (8000.0, 768_000.0);

/// Levels, one for each of `frequency_hz`.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Levels {
    /// Frequencies, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Levels, dB.
    pub level_db: Vec<f64>,
}

impl Levels {
    /// From points of frequency (hertz, rising) and level (dB).
    #[must_use]
    pub fn of_points(points: &[(f64, f64)]) -> Self {
        let (frequency_hz, level_db) = points.iter().copied().unzip();
        Self {
            frequency_hz,
            level_db,
        }
    }

    /// From a curve, at the grid points that it covers.
    #[must_use]
    pub fn of_curve(curve: &OnGrid) -> Self {
        Self {
            frequency_hz: grid::frequency_hz()[curve.support.clone()].to_vec(),
            level_db: curve.level_db[curve.support.clone()].to_vec(),
        }
    }
}

/// A target as it is shown.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Shown {
    /// Its name.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
    /// What to know before using it, in sentences.
    pub warnings: Vec<String>,
    /// Its outermost contours, in words.
    pub contours: Vec<String>,
    /// Whether it stands on the unit's own response, which counts as flat here.
    pub relative: bool,
    /// Sample rate at which its sections were evaluated, Hz.
    pub rate_hz: f64,
    /// Lowest and highest frequency, Hz.
    pub support_hz: (f64, f64),
    /// Frequency at which it was made 0 dB, Hz; none (`null`) for its own level.
    pub aligned_at_hz: Option<f64>,
    /// Its level on the common grid, dB.
    #[serde(serialize_with = "curve_levels")]
    #[schemars(with = "Levels")]
    pub curve: OnGrid,
    /// How far it can be believed at each grid point, 0 to 1.
    #[serde(skip)]
    pub trust: Vec<f64>,
    /// Frequency in Hz and level in dB, at the asked frequencies that it covers.
    #[serde(serialize_with = "point_levels")]
    #[schemars(with = "Levels")]
    pub points: Vec<(f64, f64)>,
}

fn curve_levels<S: Serializer>(curve: &OnGrid, to: S) -> std::result::Result<S::Ok, S::Error> {
    Levels::of_curve(curve).serialize(to)
}

fn point_levels<S: Serializer>(
    points: &[(f64, f64)],
    to: S,
) -> std::result::Result<S::Ok, S::Error> {
    Levels::of_points(points).serialize(to)
}

/// Two targets and their difference.
#[derive(Debug, Clone, PartialEq)]
pub struct Compared {
    /// The first target, at its own level.
    pub one: Shown,
    /// The second target, shifted to the level of the first.
    pub other: Shown,
    /// The first minus the second.
    pub difference: Difference,
    /// The same over the band where both are trusted, without the mean of that band. None if that is the whole band or
    /// less than an octave.
    pub trusted: Option<Difference>,
    /// Frequency (hertz) and difference (dB) at the requested frequencies that both cover.
    pub points: Vec<(f64, f64)>,
}

/// Evaluates `target` at `rate_hz` on the grid and at `points_hz`; with `align_hz` its level is 0 dB there.
///
/// # Errors
/// `Setting` for a rate outside [`RATES_HZ`]; `Coverage` if the target has no level at `align_hz`.
pub fn shown(
    target: &Target,
    rate_hz: f64,
    points_hz: &[f64],
    align_hz: Option<f64>,
) -> Result<Shown> {
    if !(RATES_HZ.0..=RATES_HZ.1).contains(&rate_hz) {
        let fault = ValueFault::out_of_range(Quantity::ShownRate, rate_hz, RATES_HZ);
        return Err(Error::of(fault, Knob::RateHz));
    }
    let mut curve = target.level_on_grid(rate_hz);
    if let Some(align_hz) = align_hz {
        let Some(level_db) = level_at_hz(&curve, align_hz) else {
            let what = Quantity::TargetAlignment;
            let fault = ValueFault::out_of_range(what, align_hz, curve.band_hz());
            return Err(Error::of(fault, Knob::AlignHz));
        };
        for i in curve.support.clone() {
            curve.level_db[i] -= level_db;
        }
    }
    Ok(Shown {
        name: target.name.clone(),
        source: target.source.clone(),
        warnings: target.warnings.clone(),
        contours: target.contours.iter().map(ToString::to_string).collect(),
        relative: target.is_relative(),
        rate_hz,
        support_hz: curve.band_hz(),
        aligned_at_hz: align_hz,
        points: at_points(&curve, points_hz),
        trust: target.trust.clone().unwrap_or_else(|| vec![1.0; POINTS]),
        curve,
    })
}

/// Evaluates two targets at `rate_hz`, and their difference.
///
/// # Errors
/// Those of [`shown`]; `Coverage` if they share less than an octave.
pub fn compared(one: &Target, other: &Target, rate_hz: f64, points_hz: &[f64]) -> Result<Compared> {
    let one = shown(one, rate_hz, points_hz, None)?;
    let mut other = shown(other, rate_hz, points_hz, None)?;
    let difference = difference(&one.curve, &other.curve)?;
    let both = one.trust.iter().zip(&other.trust);
    let trusted: Vec<bool> = both.map(|(a, b)| a.min(*b) >= TRUSTED).collect();
    let band = trusted.iter().position(|trusted| *trusted).unwrap_or(0)
        ..trusted
            .iter()
            .rposition(|trusted| *trusted)
            .map_or(0, |last| last + 1);
    let band = grid::intersection(&band, &difference.by_frequency.support);
    let within = |curve: &OnGrid| OnGrid {
        level_db: curve.level_db.clone(),
        support: grid::intersection(&band, &curve.support),
    };
    let trusted = (band != difference.by_frequency.support)
        .then(|| super::difference::difference(&within(&one.curve), &within(&other.curve)).ok())
        .flatten();
    for i in other.curve.support.clone() {
        other.curve.level_db[i] += difference.level_db;
    }
    other.points = at_points(&other.curve, points_hz);
    Ok(Compared {
        points: at_points(&difference.by_frequency, points_hz),
        one,
        other,
        difference,
        trusted,
    })
}

fn at_points(curve: &OnGrid, points_hz: &[f64]) -> Vec<(f64, f64)> {
    let at = |f_hz: &f64| Some((*f_hz, level_at_hz(curve, *f_hz)?));
    points_hz.iter().filter_map(at).collect()
}
