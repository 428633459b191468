//! The whole job: takes are judged once, and sections are fitted to them as often as something is wished for.
//!
//! A [`Measured`] becomes a [`Prepared`], which [`Prepared::fit`] fits to a [`Wish`] within limits; what comes out is an
//! [`Outcome`], and [`mod@cost`] says what it costs.

pub mod cost;
pub mod error;
pub mod measured;
pub mod outcome;
pub mod prepared;
pub mod request;
pub mod wish;

mod basis;
mod cautions;
mod channel_wish;
mod playable;
mod reading;
mod record;

pub use measured::{Measured, SourceBend};
pub use outcome::{
    BeforeAfter, Channel, ChannelCurves, Enough, LevelDifference, LoudnessWish, OtherEars, Outcome,
    ReachPoint, Residual, SearchReport, Shared, SharedCurves, TakeResidual, TradeOffPoint, TypedQ,
};
pub use prepared::Prepared;
pub use request::{CostQuestion, Opened, Request, Sections, Taste};
pub use wish::{AS_GOOD_DB, ECONOMY, FitBand, LEAST_GAIN_DB, Start, Wish};
