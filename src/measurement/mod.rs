//! Stage 1: what was measured. In: the bytes of curves, impulse responses and unit files. Out: levels on the common
//! grid, phase and its excess, the average of the takes and their spread, and the trust of the rig.
//!
//! - [`parse`] reads delimited text into a [`Curve`] or a [`parse::Weight`]; [`impulse`] reads WAV files.
//! - [`grid`] brings a curve onto the grid of 48 points an octave as [`OnGrid`], with [`pchip`] between sparse points.
//! - [`smooth`] smooths; [`phase`] separates minimum phase and excess.
//! - [`takes`] tells sides apart, averages and computes the spread; [`rig`] holds the trust.
//! - [`judge`] tells sound takes from spoiled ones by [`copies`], [`leak`], [`outlier`] and [`resonance`].
//! - [`unit_file`] reads what belongs to a unit, [`impedance`] and [`distorted`] the tables that it names.

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

pub mod spread;

pub mod rig;

pub mod expected;

pub mod leak;

pub mod outlier;

pub mod copies;

mod own_seal;

pub mod resonance;

pub mod judge;

pub mod impedance;

pub mod distorted;

pub mod unit_file;

pub mod open;

pub use curve::Curve;
pub use grid::OnGrid;
pub use rig::Rig;
