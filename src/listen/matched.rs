//! Gains that make sounds as loud as the quietest of them. [`super::render::Matching`] says whether that is done, and by what
//! level.

use super::error::ListenFault;
use super::level::Levels;
use crate::error::{Error, Result};

/// Highest peak, dB of full scale: dither and the rounding to 16 bits need less than the rest.
pub const HIGHEST_PEAK_DB: f64 = -0.1;

/// By what sounds are as loud as each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// The A-weighted level at the ear, through the unit's curve.
    AtTheEar,
    /// ITU-R BS.1770 of the files.
    Files,
    /// Nothing: the sheet's own level.
    Nothing,
}

/// The gain of each sound, dB, 0 or less: all as loud as the quietest, and all lower by what the highest peak has too much.
///
/// # Errors
/// `Coverage` where one of them has no loudness.
pub fn gains_db(levels: &[Levels], by: By, music: &str) -> Result<Vec<f64>> {
    let level = |levels: &Levels| match by {
        By::AtTheEar => levels.at_ear_db,
        By::Files => levels.loudness_lufs,
        By::Nothing => Some(0.0),
    };
    let levels_db: Option<Vec<f64>> = levels.iter().map(level).collect();
    let levels_db = levels_db.ok_or_else(|| Error::of(ListenFault::Silent, music))?;
    let quietest_db = levels_db.iter().copied().fold(f64::INFINITY, f64::min);
    let gains_db: Vec<f64> = levels_db.iter().map(|db| quietest_db - db).collect();
    let peaks_db = levels.iter().zip(&gains_db);
    let peaks_db = peaks_db.filter_map(|(levels, gain_db)| Some(levels.peak_db()? + gain_db));
    let too_much_db = peaks_db.fold(0.0, |most: f64, db| most.max(db - HIGHEST_PEAK_DB));
    Ok(gains_db.into_iter().map(|db| db - too_much_db).collect())
}
