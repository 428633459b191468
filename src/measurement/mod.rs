//! Stage 1: what was measured. Takes the bytes of curve files; gives levels on the common grid, their
//! average and spread, and how far the rig can be believed.
//!
//! [`parse`] reads delimited text into a [`Curve`] (or a [`parse::Weight`]); [`grid`] brings it onto the
//! 48-per-octave grid as [`OnGrid`], with [`pchip`] between sparse points; [`takes`] tells sides apart,
//! averages and gives the spread; [`rig`] holds the trust.

pub(crate) mod text;

mod table;

pub mod curve;

pub mod parse;

pub mod pchip;

pub mod grid;

mod piecewise;

pub mod phase;

pub mod impulse;

pub mod takes;

pub mod rig;

pub use curve::Curve;
pub use grid::OnGrid;
pub use rig::Rig;
