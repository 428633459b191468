//! Stage 6: what the sections need before them so that nothing clips. This stage knows no fit.
//!
//! [`peak`] finds what a steady tone can gain, [`any_signal`] what no signal can exceed (by the impulse response of
//! [`ringing`]), and [`preamp`] turns the one that a [`guard`] names into the gain to set before the sections.

pub mod error;

pub mod peak;

pub mod ringing;

pub mod any_signal;

pub mod guard;

pub mod preamp;

pub use guard::{Guard, Protection, TRUE_PEAK_MARGIN_DB};
pub use preamp::{guarded, headroom};

/// Gains that decide the preamp, dB.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Headroom {
    /// The largest gain of all sections together, over 0 Hz to half the rate, worst of the rates, dB.
    pub peak_gain_db: f64,
    /// Frequency of that gain, Hz.
    pub peak_hz: f64,
    /// Sample rate at which that is, Hz.
    pub peak_rate_hz: f64,
    /// 20 log10 of the L1 norm of the impulse response, worst of the rates, dB: no signal can rise by more.
    pub any_signal_gain_db: f64,
    /// Gain to apply before the sections, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub preamp_db: f64,
}
