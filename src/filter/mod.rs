//! Stage 3: what a section does. In: a [`Section`] and a sample rate. Out: its coefficients, level and phase. This
//! stage knows neither curves nor the fit.
//!
//! - [`Section`] holds the numbers that are typed in; [`biquad`] turns them into coefficients.
//! - [`response`] gives the exact level and its derivatives, [`phase`] the phase.
//! - [`cascade`] adds up the levels of several sections, [`run`] sends samples through them.
//! - [`q_meaning`] converts what other equalisers call q.

pub mod error;

pub mod section;

pub mod q_meaning;

pub mod biquad;
pub mod cascade;
pub mod phase;
pub mod response;
pub mod run;

pub use q_meaning::QMeaning;
pub use section::{Section, Shape};
