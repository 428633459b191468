//! How much quieter or louder the equalised programme plays: the change of its loudness by ITU-R BS.1770-5, in LU.
//!
//! The mean of the K-weighted power over the programme's spectrum, after over before. BS.1770 weights the signal, not
//! the sound at the ear: the earphone's own response is in neither. Of a stationary programme the recommendation's gating
//! leaves all, so none is done here.

use super::programme::Programme;
use super::weighting::k_db;
use crate::error::Result;
use crate::filter::{Section, cascade};
use crate::units::{db_from_power, power_from_db};

/// The change of a programme's loudness; negative is quieter.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LoudnessChange {
    /// Change through the sections alone, LU.
    pub sections_lu: f64,
    /// Change through preamp and sections, LU. Minus this is how far to turn up for the loudness of before.
    pub total_lu: f64,
    /// Name of the programme.
    #[serde(skip)]
    pub programme: String,
    /// The frequencies over which power was summed, hertz.
    #[serde(skip)]
    pub band_hz: (f64, f64),
}

/// The change through `sections` at `rate_hz` and a preamp of `preamp_db`.
///
/// # Errors
/// `Coverage` where the programme has no power below half the rate.
pub fn loudness_change(
    sections: &[Section],
    rate_hz: f64,
    preamp_db: f64,
    programme: &Programme,
) -> Result<LoudnessChange> {
    loudness_change_of_channels(&[sections], rate_hz, preamp_db, programme)
}

/// The same for channels with sections of their own, the programme equally loud in each: BS.1770 adds the powers of the
/// channels. No channel: no change.
///
/// # Errors
/// `Coverage` where the programme has no power below half the rate.
pub fn loudness_change_of_channels(
    channels: &[&[Section]],
    rate_hz: f64,
    preamp_db: f64,
    programme: &Programme,
) -> Result<LoudnessChange> {
    let spectrum = programme.spectrum(rate_hz)?;
    let before_db = spectrum.mean_db(k_db);
    let change = |sections: &&[Section]| {
        spectrum.mean_db(|f_hz| k_db(f_hz) + cascade::level_db(sections, rate_hz, f_hz)) - before_db
    };
    let sections_lu = match channels {
        [] => 0.0,
        [one] => change(one),
        several => {
            let sum: f64 = several.iter().map(|one| power_from_db(change(one))).sum();
            db_from_power(sum / several.len() as f64)
        }
    };
    Ok(LoudnessChange {
        sections_lu,
        total_lu: sections_lu + preamp_db,
        programme: programme.name().to_owned(),
        band_hz: spectrum.band_hz,
    })
}
