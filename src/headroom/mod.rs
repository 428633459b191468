//! Stage 6: what the sections need before them so that nothing clips. This stage knows no fit.
//!
//! [`peak`] finds what a steady tone can gain, [`any_signal`] what no signal can exceed, and [`preamp`]
//! turns the first into the gain to set before the sections.

pub mod peak;

pub mod any_signal;

pub mod preamp;

pub use preamp::headroom;
