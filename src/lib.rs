//! Bandwright turns coupler measurements of an earphone into a short list of parametric-EQ sections.
#![deny(clippy::print_stdout, clippy::print_stderr, clippy::dbg_macro)]

pub mod units;

pub mod error;

pub mod caution;

// 1. What was measured.
pub mod measurement;

// 2. What is wanted.
pub mod wanted;

// 3. What a section does.
pub mod filter;

// 4. What the equaliser accepts.
pub mod limits;

// 5. The fit.
pub mod fit;

// 6. What the sections need before them.
pub mod headroom;

// 7. The preset as a file.
pub mod sheet;

// 11. What a person sees.
pub mod report;

pub mod job;

pub use error::{Error, Result};
