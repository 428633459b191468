//! Decibels, hertz and octaves: the few conversions everything else uses.
//!
//! Levels are decibels of an amplitude ratio, frequencies are hertz, and distances between
//! frequencies are octaves. A number in this crate carries its unit in its name (`gain_db`,
//! `f0_hz`, `rate_hz`).

use std::f64::consts::LN_10;

/// Decibels per neper of *power*: `10 / ln 10`. A power ratio `r` is `DB_PER_POWER_NEPER * ln r` dB.
pub const DB_PER_POWER_NEPER: f64 = 10.0 / LN_10;

/// The power ratio of a level: `10^(db / 10)`.
#[must_use]
pub fn power_from_db(db: f64) -> f64 {
    (db * (LN_10 / 10.0)).exp()
}

/// The level of a power ratio: `10 log10(power)`, minus infinity for 0.
#[must_use]
pub fn db_from_power(power: f64) -> f64 {
    10.0 * power.log10()
}

/// The amplitude ratio of a level: `10^(db / 20)`.
#[must_use]
pub fn amplitude_from_db(db: f64) -> f64 {
    (db * (LN_10 / 20.0)).exp()
}

/// The level of an amplitude ratio: `20 log10(amplitude)`, minus infinity for 0.
#[must_use]
pub fn db_from_amplitude(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

/// Octaves from `from_hz` up to `to_hz`; negative when `to_hz` is the lower.
#[must_use]
pub fn octaves(from_hz: f64, to_hz: f64) -> f64 {
    (to_hz / from_hz).log2()
}
