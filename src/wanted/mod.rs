//! Stage 2: what is wanted. In: a measurement on the common grid, and a name, file or taste that states the wanted
//! response. Out: the wanted change, target minus measured, dB.
//!
//! A [`Target`] is a base and [`Contour`]s. [`recipe`] reads one from a file; [`library`] finds one by name or path: a
//! curve, a unit, a blend of two, or the unit's present response. [`mod@difference`] compares two.

use std::ops::Range;

use crate::error::{Error, Result, Source};
use crate::measurement::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE};
use error::WantedFault;

pub mod error;

pub mod contour;

pub mod recipe;

pub mod target;

mod unit;

pub mod library;

pub mod difference;

pub mod shown;

pub use contour::{Contour, ContourEntry};
pub use recipe::{Recipe, Reference};
pub use target::{Base, Target};

/// The change that the equaliser should make to the measured curve; its level is free.
#[derive(Debug, Clone, PartialEq)]
pub struct WantedChange {
    /// Target minus measured, dB, one value for each grid point; 0 outside `support`, where it has no meaning.
    pub change_db: Vec<f64>,
    /// The grid points that both cover.
    pub support: Range<usize>,
}

/// Target minus measured, at the grid points that both cover.
///
/// # Errors
/// `Coverage`, with both ranges, if they share less than an octave.
pub fn wanted_change(measured: &OnGrid, target: &OnGrid) -> Result<WantedChange> {
    let support = grid::intersection(&measured.support, &target.support);
    if support.len() < POINTS_PER_OCTAVE {
        let (target, measured) = (target.band_hz(), measured.band_hz());
        let fault = WantedFault::TargetApart(target.into(), measured.into());
        return Err(Error::of(fault, Source::name("target")));
    }
    let mut change_db = vec![0.0; POINTS];
    for i in support.clone() {
        change_db[i] = target.level_db[i] - measured.level_db[i];
    }
    Ok(WantedChange { change_db, support })
}
