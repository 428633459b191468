//! The common grid, 48 points an octave from 20 Hz, and the resampling of curves onto it.

use std::ops::Range;
use std::sync::LazyLock;

use super::curve::{Curve, PRINTED_ROUNDING};
use super::error::MeasurementFault as Fault;
use super::pchip::Pchip;
pub use super::resolution::POINTS_PER_OCTAVE;
use crate::error::{Error, Result};
use crate::units::{db_from_power, power_from_db};

/// Number of grid points: `20 Hz * 2^(i / 48)` for `i` from 0; the last is just below 20 kHz.
pub const POINTS: usize = 479;

static FREQUENCY_HZ: LazyLock<Vec<f64>> = LazyLock::new(|| {
    (0..POINTS)
        .map(|i| 20.0 * (i as f64 / POINTS_PER_OCTAVE as f64).exp2())
        .collect()
});

/// The [`POINTS`] frequencies of the grid, hertz.
#[must_use]
pub fn frequency_hz() -> &'static [f64] {
    &FREQUENCY_HZ
}

/// A curve on the common grid.
#[derive(Debug, Clone, PartialEq)]
pub struct OnGrid {
    /// Level in dB, one for each of the [`POINTS`]; 0 outside `support`, where it has no meaning.
    pub level_db: Vec<f64>,
    /// The range of grid points that the data cover; at least [`POINTS_PER_OCTAVE`].
    pub support: Range<usize>,
}

impl OnGrid {
    /// Lowest and highest covered frequency in hertz.
    #[must_use]
    pub fn band_hz(&self) -> (f64, f64) {
        band_hz(&self.support)
    }
}

/// Lowest and highest frequency in hertz of a range of grid points; `(0, 0)` for an empty range.
#[must_use]
pub fn band_hz(support: &Range<usize>) -> (f64, f64) {
    match frequency_hz().get(support.clone()) {
        Some([only_hz]) => (*only_hz, *only_hz),
        Some(&[lowest_hz, .., highest_hz]) => (lowest_hz, highest_hz),
        _ => (0.0, 0.0),
    }
}

/// The grid points that are in both ranges; `0..0` if there are none.
#[must_use]
pub fn intersection(left: &Range<usize>, right: &Range<usize>) -> Range<usize> {
    let both = left.start.max(right.start)..left.end.min(right.end);
    if both.is_empty() { 0..0 } else { both }
}

/// Brings a curve onto the grid. A grid cell (+-1/96 octave) with two or more data points gets their power average;
/// elsewhere the value is interpolated by a monotone cubic in log frequency. Data given on the grid are unchanged.
/// There is no extrapolation, except for a relative 1e-4 in frequency at both ends, where printing may have rounded.
///
/// # Errors
/// `Coverage` if fewer than [`POINTS_PER_OCTAVE`] grid points are covered.
pub fn resample(curve: &Curve) -> Result<OnGrid> {
    let given_hz = curve.frequency_hz();
    let (first_hz, last_hz) = (given_hz[0], given_hz[given_hz.len() - 1]);
    let from_hz = first_hz * (1.0 - PRINTED_ROUNDING);
    let to_hz = last_hz * (1.0 + PRINTED_ROUNDING);
    let support = frequency_hz().partition_point(|f| *f < from_hz)
        ..frequency_hz().partition_point(|f| *f <= to_hz);
    if support.len() < POINTS_PER_OCTAVE {
        return Err(Error::of(
            Fault::NarrowInBand(first_hz, last_hz),
            curve.name(),
        ));
    }
    let (log_f, knot_db) = knots(curve);
    let interpolant = Pchip::new(&log_f, &knot_db);
    let mut level_db = vec![0.0; POINTS];
    let half_cell = (0.5 / POINTS_PER_OCTAVE as f64).exp2();
    for i in support.clone() {
        let f_hz = frequency_hz()[i];
        let cell = given_hz.partition_point(|g| *g < f_hz / half_cell)
            ..given_hz.partition_point(|g| *g < f_hz * half_cell);
        level_db[i] = match &interpolant {
            Some(pchip) if cell.len() < 2 => pchip.at(f_hz.ln()),
            _ => power_average_db(&curve.level_db()[cell]),
        };
    }
    Ok(OnGrid { level_db, support })
}

/// The points for the interpolation; of frequencies with the same logarithm only the first.
fn knots(curve: &Curve) -> (Vec<f64>, Vec<f64>) {
    let mut log_f: Vec<f64> = Vec::with_capacity(curve.level_db().len());
    let mut level_db = Vec::with_capacity(curve.level_db().len());
    for (f_hz, db) in curve.frequency_hz().iter().zip(curve.level_db()) {
        if log_f.last().is_none_or(|last| *last < f_hz.ln()) {
            log_f.push(f_hz.ln());
            level_db.push(*db);
        }
    }
    (log_f, level_db)
}

/// Powers are relative to the largest level, so that none overflows and equal levels stay exact.
fn power_average_db(level_db: &[f64]) -> f64 {
    let largest_db = level_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let sum: f64 = level_db.iter().map(|l| power_from_db(l - largest_db)).sum();
    largest_db + db_from_power(sum / level_db.len() as f64)
}
