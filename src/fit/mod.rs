//! Stage 5: the fit.
pub mod lanes;

pub mod kernel;

pub mod objective;

pub mod solver;
