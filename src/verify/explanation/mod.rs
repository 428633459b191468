//! What may have gone wrong between a sheet and an equaliser, or between the two measurements.
//!
//! [`kinds`] lists it, [`priors`] says how likely it is beforehand, [`mod@evidence`] is what was measured, [`mod@played`]
//! says what each explanation changes, and [`ranking`] how well each fits the evidence, alone and two at once.

mod candidates;
pub mod evidence;
pub mod kinds;
pub mod played;
pub mod priors;
pub mod ranking;

pub use evidence::{Evidence, LevelEvidence, MeasuredSide, Models};
pub use kinds::{Explanation, Number, OfSides, Place, SideMixup, SideSeal};
pub use played::beyond_promise_db;
pub use ranking::{Tried, ranked};
