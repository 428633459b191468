//! Stage 1: what was measured. Takes the bytes of curves, impulse responses and unit files; gives levels on the
//! common grid, phase and its excess, their average and spread, and how far the rig can be believed.
//!
//! [`parse`] reads delimited text into a [`Curve`] (or a [`parse::Weight`]); [`grid`] brings it onto the
//! 48-per-octave grid as [`OnGrid`], with [`pchip`] between sparse points; [`smooth`] smooths; [`phase`] parts minimum
//! phase and excess, [`impulse`] reads WAV files; [`takes`] tells sides apart, averages and gives the spread; [`rig`]
//! holds the trust; [`judge`] tells sound takes from spoiled ones by [`leak`], [`outlier`] and [`resonance`];
//! [`unit_file`] reads what belongs to a unit, [`impedance`] and [`distorted`] the tables it names.

pub mod error;

pub(crate) mod text;

mod table;

mod resolution;

pub mod curve;

pub mod parse;

pub mod pchip;

pub mod grid;

mod piecewise;

pub mod smooth;

pub mod phase;

pub mod impulse;

pub mod takes;

pub mod rig;

pub mod leak;

pub mod outlier;

pub mod resonance;

pub mod judge;

pub mod impedance;

pub mod distorted;

pub mod unit_file;

pub use curve::Curve;
pub use grid::OnGrid;
pub use rig::Rig;
