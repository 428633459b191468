//! Several sections in series: their levels in dB add up.

use super::{Section, response};

/// Level of all `sections` in series at `frequency_hz`, dB.
#[must_use]
pub fn level_db(sections: &[Section], rate_hz: f64, frequency_hz: f64) -> f64 {
    sections
        .iter()
        .map(|section| response::level_db(section, rate_hz, frequency_hz))
        .sum()
}

/// Level of all `sections` in series at each of `frequency_hz`, dB.
#[must_use]
pub fn levels_db(sections: &[Section], rate_hz: f64, frequency_hz: &[f64]) -> Vec<f64> {
    frequency_hz
        .iter()
        .map(|&f_hz| level_db(sections, rate_hz, f_hz))
        .collect()
}
