//! Stage 2: what is wanted. Takes a measurement on the common grid and the name, file or taste that says how it
//! should be; gives the wanted change, target minus measured.
//!
//! A [`Target`] is a base and [`Contour`]s; [`recipe`] reads one from a file, [`library`] finds it by name or path, be
//! it a curve, a unit, a blend of two or what the unit has now; [`mod@difference`] compares two.

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

/// What an equaliser should do to the measured curve; its level is free.
#[derive(Debug, Clone, PartialEq)]
pub struct WantedChange {
    /// Target minus measured in dB, one for each grid point; 0 and without meaning outside `support`.
    pub change_db: Vec<f64>,
    /// Grid points that both cover.
    pub support: Range<usize>,
}

/// Target minus measured, where both are known.
///
/// # Errors
/// `Coverage`, naming both ranges, when they share less than an octave.
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
