//! Stage 3: what a section does. This stage knows no curve and no fit.
//!
//! [`Section`] holds the listener's numbers; [`biquad`] turns them into coefficients at a sample
//! rate; [`response`] gives the exact level and its derivatives, [`phase`] the phase; [`cascade`] sums the levels of
//! sections, [`run`] sends samples through them;
//! [`q_meaning`] converts the numbers that other equalisers call q.

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
