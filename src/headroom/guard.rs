//! What a preamp is asked to protect against, and what no preamp protects against.
//!
//! - [`Guard::Sine`]: no steady tone whose amplitude is full scale exceeds full scale after the sections, at any
//!   frequency and phase, once it has settled. Covered: what sounds are mostly made of, one tone at a time. Not
//!   covered: a tone that is switched on abruptly (some tenths of a dB more), and several tones or any other
//!   signal whose parts add up.
//! - [`Guard::AnySignal`]: no signal whose samples stay within full scale exceeds full scale after the sections;
//!   one signal (the impulse response backwards, each sample by its sign) just reaches it. It costs some dB of
//!   level that music hardly ever needs.
//!
//! Both speak of samples. The curve that a converter draws through the samples can rise above them, also where no
//! sample does: a tone at a quarter of the rate that is sampled on its flanks by 3 dB, a contrived signal by
//! more. Neither guard covers that; a margin on top of either does, as far as it reaches. Its usual size is
//! [`TRUE_PEAK_MARGIN_DB`].

use std::f64::consts::PI;

use super::Headroom;
use crate::units::db_from_amplitude;

/// A usual margin below full scale for the curve between the samples, dB: EBU R 128 allows programmes a true peak of
/// -1 dBTP at most (from memory).
pub const TRUE_PEAK_MARGIN_DB: f64 = 1.0;

/// What the preamp protects against.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Guard {
    /// Any steady tone
    Sine,
    /// Any signal at all
    AnySignal,
}

impl Guard {
    /// Both guards.
    pub const ALL: [Self; 2] = [Self::Sine, Self::AnySignal];

    /// The name used in files: `sine`, `any-signal`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sine => "sine",
            Self::AnySignal => "any-signal",
        }
    }

    /// The gain of the sections that this guard makes room for, dB.
    #[must_use]
    pub fn gain_db(self, headroom: &Headroom) -> f64 {
        match self {
            Self::Sine => headroom.peak_gain_db,
            Self::AnySignal => headroom.any_signal_gain_db,
        }
    }
}

/// What a preamp keeps below full scale, and by how much.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Protection {
    /// What it protects against.
    pub guard: Guard,
    /// Room above that for the curve between the samples, 0 to 20 dB.
    pub true_peak_margin_db: f64,
}

impl Default for Protection {
    /// Steady tones, without a margin.
    fn default() -> Self {
        Self {
            guard: Guard::Sine,
            true_peak_margin_db: 0.0,
        }
    }
}

/// How much a true-peak meter can read too little, dB, 0 or more: it takes `oversampling` values a sample (4 or more in
/// ITU-R BS.1770 Annex 2) of a tone at `frequency_by_rate` (frequency over sample rate, 0 to 0.5), and the tone's
/// top may fall midway between two of them.
///
/// `-20 log10 cos(pi f / oversampling)`: BS.1770 Annex 2, whose table gives 0.554 dB for 0.45 and 4 (from memory).
/// So a margin that was found with such a meter needs so much more.
#[must_use]
pub fn true_peak_under_read_db(oversampling: f64, frequency_by_rate: f64) -> f64 {
    -db_from_amplitude((PI * frequency_by_rate / oversampling).cos())
}
