//! The difference of two curves, without the difference of their levels.

use super::error::WantedFault as Fault;
use crate::error::{Error, Result, Source};
use crate::measurement::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE};

/// One curve minus another, its mean over the grid points that both cover taken out.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Difference {
    /// The difference in dB, and where both are known.
    #[serde(skip)]
    pub by_frequency: OnGrid,
    /// The level that was taken out, dB: the mean over the grid points that both cover, which are even in octaves.
    pub level_db: f64,
    /// What is left, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// Lowest and highest frequency that both cover, Hz.
    pub support_hz: (f64, f64),
}

/// `one` minus `other` without its mean, which is the level that makes the rms least.
///
/// # Errors
/// `Coverage`, with both ranges, if they share less than an octave.
pub fn difference(one: &OnGrid, other: &OnGrid) -> Result<Difference> {
    let support = grid::intersection(&one.support, &other.support);
    if support.len() < POINTS_PER_OCTAVE {
        let fault = Fault::CurvesApart(one.band_hz().into(), other.band_hz().into());
        return Err(Error::of(fault, Source::name("difference")));
    }
    let count = support.len() as f64;
    let at = |i: usize| one.level_db[i] - other.level_db[i];
    let level_db = support.clone().map(at).sum::<f64>() / count;
    let mut rest_db = vec![0.0; POINTS];
    for i in support.clone() {
        rest_db[i] = at(i) - level_db;
    }
    let squares: f64 = rest_db.iter().map(|db| db * db).sum();
    // Of equal values the one of lowest frequency.
    let worst = support.clone().fold(support.start, |worst, i| {
        if rest_db[i].abs() > rest_db[worst].abs() {
            i
        } else {
            worst
        }
    });
    Ok(Difference {
        level_db,
        rms_db: (squares / count).sqrt(),
        worst_db: rest_db[worst],
        worst_hz: grid::frequency_hz()[worst],
        support_hz: grid::band_hz(&support),
        by_frequency: OnGrid {
            level_db: rest_db,
            support,
        },
    })
}

/// The level of a curve at any frequency, dB, interpolated linearly between grid points in log frequency; None outside
/// its support. Exception: up to one grid step above the last grid point, which lies just below 20 kHz, its level is
/// used.
#[must_use]
pub fn level_at_hz(curve: &OnGrid, frequency_hz: f64) -> Option<f64> {
    let place = POINTS_PER_OCTAVE as f64 * (frequency_hz / grid::frequency_hz()[0]).log2();
    let (first, last) = (curve.support.start as f64, curve.support.end as f64 - 1.0);
    // Tolerance for printed rounding, in grid steps.
    const ROUNDING: f64 = 0.01;
    let held = if curve.support.end == POINTS {
        1.0
    } else {
        ROUNDING
    };
    if curve.support.is_empty() || !(first - ROUNDING..=last + held).contains(&place) {
        return None;
    }
    let place = place.clamp(first, last);
    let below = place.floor() as usize;
    let above = (below + 1).min(curve.support.end - 1);
    let share = place - below as f64;
    Some(curve.level_db[below] + share * (curve.level_db[above] - curve.level_db[below]))
}
