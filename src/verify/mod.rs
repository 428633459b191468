//! Stage 8: was the promise of a sheet kept?
//!
//! [`sheet_check`] tests a sheet by itself: its numbers agree with each other and with its limits.
//! [`mod@remeasured`] compares takes measured before and after the sheet was loaded: `sessions` judges them, [`noise`]
//! says how far two averages can differ by chance, [`explanation`] lists what may have gone wrong and what each would
//! look like (with the slips of [`slip`]), [`equivalence`] bounds the deviation, and the verdict follows from both.

pub mod error;

pub mod sheet_check;

pub mod noise;
pub mod seat;
mod sessions;
pub mod slip;
pub mod student;

pub mod explanation;

pub mod equivalence;

pub mod remeasured;

pub use remeasured::{Remeasured, Verdict, remeasured};
pub use sessions::Remeasurement;
pub use sheet_check::{CheckPoint, SheetCheck, check_sheet};
