//! Where a comparison judges, and how large an error there is.
//!
//! An error is a curve with its sections less the target, smoothed by the ear's own width, its level removed, over 100 Hz to
//! 8 kHz, every octave alike. Below, seals decide more than units do; above, the rig is not believed. What the coupler's
//! resonance distorts in any of the units is left out for all of them, so that all are judged alike; each unit's own is judged
//! apart, where takes or the unit file tell where it is.

use std::ops::Range;

use crate::measurement::grid::{self, OnGrid, frequency_hz};
use crate::measurement::judge::Judged;
use crate::measurement::resonance::GUARD_OCTAVES;
use crate::measurement::rig::Rig;
use crate::measurement::smooth::{Width, smooth};

/// The band, hertz. Our choice.
pub const JUDGED_HZ: (f64, f64) = (100.0, 8000.0);
/// Errors are also counted by how much of the band is within these, dB.
pub const WITHIN_DB: (f64, f64) = (1.0, 3.0);

/// Where the coupler's resonance is taken to be where nothing tells, hertz: half a wave in 21 mm of air. Common practice, no
/// source.
const USUAL_RESONANCE_HZ: f64 = 8000.0;

/// The points of the grid at which a unit is judged.
#[derive(Debug, Clone, PartialEq)]
pub struct Band {
    /// Those of the band without any resonance's.
    pub points: Vec<usize>,
    /// Those of its own resonance's band; empty where that is not known.
    pub apart: Vec<usize>,
}

/// The band that the resonance of a unit's coupler distorts, where it is known, and else the usual one; hertz. None where the
/// rig has no coupler.
#[must_use]
pub fn distorted_hz(judged: &Judged, rig: &Rig) -> Option<(f64, f64)> {
    let usual = || {
        let ratio = GUARD_OCTAVES.exp2();
        (USUAL_RESONANCE_HZ / ratio, USUAL_RESONANCE_HZ * ratio)
    };
    (*rig != Rig::Flat).then(|| judged.coupler_hz(rig).unwrap_or_else(usual))
}

/// What an error comes to in a band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ErrorFigures {
    /// Root mean square, dB.
    pub rms_db: f64,
    /// The largest, above 0 where it is too loud, dB.
    pub largest_db: f64,
    /// Where that is, hertz.
    pub largest_hz: f64,
    /// Share of the band within 1 dB, and within 3 dB.
    pub within: (f64, f64),
}

/// The points from one frequency to another, hertz, that are covered.
#[must_use]
pub fn points(hz: (f64, f64), support: &Range<usize>) -> Range<usize> {
    let f_hz = frequency_hz();
    let asked = f_hz.partition_point(|f| *f < hz.0)..f_hz.partition_point(|f| *f <= hz.1);
    grid::intersection(&asked, support)
}

impl Band {
    /// The band of curves with this support without what is distorted in any unit, and what is in this one, hertz.
    #[must_use]
    pub fn new(support: &Range<usize>, any_hz: &[(f64, f64)], own_hz: Option<(f64, f64)>) -> Self {
        let distorted: Vec<Range<usize>> = any_hz.iter().map(|hz| points(*hz, support)).collect();
        let is_distorted = |i: &usize| distorted.iter().any(|band| band.contains(i));
        Self {
            points: points(JUDGED_HZ, support).filter(|i| !is_distorted(i)).collect(),
            apart: own_hz.map_or(0..0, |hz| points(hz, support)).collect(),
        }
    }
}

/// A curve with sections less the target, smoothed by the ear's width. `sections_db` and `target_db` are on the whole grid.
#[must_use]
pub fn error_db(curve: &OnGrid, sections_db: &[f64], target_db: &[f64]) -> OnGrid {
    let mut level_db = vec![0.0; curve.level_db.len()];
    for i in curve.support.clone() {
        level_db[i] = curve.level_db[i] + sections_db[i] - target_db[i];
    }
    let error = OnGrid {
        level_db,
        support: curve.support.clone(),
    };
    smooth(&error, Width::Erb)
}

/// The mean of an error over points, dB; 0 without points.
#[must_use]
pub fn mean_db(error: &OnGrid, points: &[usize]) -> f64 {
    let sum: f64 = points.iter().map(|i| error.level_db[*i]).sum();
    if points.is_empty() { 0.0 } else { sum / points.len() as f64 }
}

/// What an error comes to at `points` about a level, dB. None without points.
#[must_use]
pub fn figures(error: &OnGrid, points: &[usize], level_db: f64) -> Option<ErrorFigures> {
    let at = |i: &usize| error.level_db[*i] - level_db;
    let largest = points.iter().max_by(|a, b| at(a).total_cmp(&at(b)))?;
    let count = points.len() as f64;
    let squares: f64 = points.iter().map(|i| at(i).powi(2)).sum();
    let within = |most_db: f64| points.iter().filter(|i| at(i).abs() <= most_db).count() as f64;
    Some(ErrorFigures {
        rms_db: (squares / count).sqrt(),
        largest_db: at(largest),
        largest_hz: frequency_hz()[*largest],
        within: (within(WITHIN_DB.0) / count, within(WITHIN_DB.1) / count),
    })
}

/// The error about its own mean, dB rms. None without points.
#[must_use]
pub fn rms_db(error: &OnGrid, points: &[usize]) -> Option<f64> {
    figures(error, points, mean_db(error, points)).map(|figures| figures.rms_db)
}
