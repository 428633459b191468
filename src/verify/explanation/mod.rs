//! What may have gone wrong between a sheet and an equaliser.
//!
//! [`kinds`] lists it, [`mod@evidence`] is what was measured, [`mod@played`] says what plays under each explanation, and
//! [`ranking`] how well each fits the evidence.

mod candidates;
pub mod evidence;
pub mod kinds;
pub mod played;
pub mod ranking;

pub use evidence::{Evidence, LevelEvidence, MeasuredEq};
pub use kinds::{Explanation, Number, Place, SideMixup};
pub use played::PlayedEq;
pub use ranking::{AS_LIKELY, Ranking, Tried, ranked};
