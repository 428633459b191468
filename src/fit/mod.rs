//! Stage 5: the fit.
pub mod lanes;

pub mod kernel;

pub mod random;

pub mod space;

pub mod objective;

pub mod solver;

pub mod table;

pub mod search;

pub mod reach;
