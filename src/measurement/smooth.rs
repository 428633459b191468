//! Smoothing of a curve on the grid, by a fraction of an octave or by the ear's own width.
//!
//! In a window that is symmetric in log frequency, the power is averaged about the window's own slope: the regression
//! line of the levels is subtracted, the remaining powers are averaged, and the value of the line at the centre is
//! added. A flat curve and a straight slope in dB an octave stay unchanged. (A plain average of powers would raise a
//! slope of 6 dB an octave by 0.04 dB at 1/3 octave, and with the ear's width by an amount that depends on frequency.
//! At the top of a peak the two agree.)
//!
//! Each grid point stands for a cell of 1/48 octave; a cell that is cut by the end of the window counts in proportion.
//! Towards the ends of the support the window shrinks on both sides, so that slopes stay straight there too; the last
//! point at each end is unchanged.

use std::fmt;

use super::error::MeasurementFault as Fault;
use super::grid::{OnGrid, POINTS, POINTS_PER_OCTAVE, frequency_hz};
use crate::error::{Error, Knob, Result};
use crate::units::{db_from_power, octaves, power_from_db};

/// The width of the window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Width {
    /// A fraction of an octave from end to end, such as `1.0 / 3.0`. At 1/48 and below, or for NaN, nothing is
    /// smoothed.
    Octaves(f64),
    /// The equivalent rectangular bandwidth of the ear at each frequency, see [`erb_hz`].
    Erb,
}

/// Equivalent rectangular bandwidth of the auditory filter at a frequency, both in hertz:
/// `24.7 (4.37 f / 1000 + 1)` (B. R. Glasberg, B. C. J. Moore, Hearing Research 47 (1990), from memory).
#[must_use]
pub fn erb_hz(frequency_hz: f64) -> f64 {
    24.7 * (4.37 * frequency_hz / 1000.0 + 1.0)
}

impl Width {
    /// Reads `1/3` (a share of an octave, up to 2 octaves) or `erb`.
    ///
    /// # Errors
    /// `Setting` for anything else; its source is `smooth`.
    pub fn parse(text: &str) -> Result<Self> {
        let share = |text: &str| {
            let (over, under) = text.split_once('/').unwrap_or((text, "1"));
            let number = |text: &str| text.trim().parse::<f64>().ok();
            let octaves = number(over)? / number(under)?;
            (octaves > 0.0 && octaves <= 2.0).then_some(Self::Octaves(octaves))
        };
        if text.trim().eq_ignore_ascii_case("erb") {
            return Ok(Self::Erb);
        }
        share(text).ok_or_else(|| Error::of(Fault::Smoothing(text.to_owned()), Knob::Smooth))
    }

    /// Lower and upper end of the window around a frequency, hertz. The frequency is their geometric mean; with the
    /// ear's width the ends are one [`erb_hz`] apart.
    #[must_use]
    pub fn window_hz(self, frequency_hz: f64) -> (f64, f64) {
        let half_octaves = match self {
            Self::Octaves(fraction) if fraction > 0.0 => 0.5 * fraction,
            Self::Octaves(_) => 0.0,
            Self::Erb => {
                (0.5 * erb_hz(frequency_hz) / frequency_hz).asinh() * std::f64::consts::LOG2_E
            }
        };
        let ratio = half_octaves.exp2();
        (frequency_hz / ratio, frequency_hz * ratio)
    }
}

/// The width in words: `1/3 octave`, `the ear's width (ERB)`.
impl fmt::Display for Width {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match *self {
            Self::Erb => f.write_str("the ear's width (ERB)"),
            Self::Octaves(share)
                if share > 0.0 && (share.recip() - share.recip().round()).abs() < 1e-9 =>
            {
                match share.recip().round() {
                    1.0 => f.write_str("1 octave"),
                    parts => write!(f, "1/{parts} octave"),
                }
            }
            Self::Octaves(share) => write!(f, "{share:.3} octaves"),
        }
    }
}

/// The smoothed curve, with the same support.
#[must_use]
pub fn smooth(curve: &OnGrid, width: Width) -> OnGrid {
    let support = curve.support.clone();
    let mut level_db = vec![0.0; POINTS];
    for i in support.clone() {
        let f_hz = frequency_hz()[i];
        let half_cells = POINTS_PER_OCTAVE as f64 * octaves(f_hz, width.window_hz(f_hz).1);
        let to_end = (i - support.start).min(support.end - 1 - i);
        let reach = (half_cells + 0.5).ceil().min(to_end as f64 + 1.0) as usize - 1;
        let half_cells = half_cells.min(reach as f64 + 0.5);
        level_db[i] = about_the_slope_db(&curve.level_db[i - reach..=i + reach], half_cells);
    }
    OnGrid { level_db, support }
}

/// Power average about the slope of a window of `2 reach + 1` points, of which `half_cells` on each side count.
fn about_the_slope_db(window_db: &[f64], half_cells: f64) -> f64 {
    let reach = window_db.len() / 2;
    let centre_db = window_db[reach];
    let weight = |k: usize| (half_cells - k.abs_diff(reach) as f64 + 0.5).clamp(0.0, 1.0);
    let at = |k: usize| k as f64 - reach as f64;
    let (mut moment, mut inertia, mut total) = (0.0, 0.0, 0.0);
    for (k, db) in window_db.iter().enumerate() {
        moment += weight(k) * at(k) * (db - centre_db);
        inertia += weight(k) * at(k) * at(k);
        total += weight(k);
    }
    if inertia == 0.0 {
        return centre_db;
    }
    let slope_db = moment / inertia;
    let level = |k: usize| window_db[k] - centre_db - slope_db * at(k);
    let largest_db = (0..window_db.len()).map(level).fold(0.0, f64::max);
    let power: f64 = (0..window_db.len())
        .map(|k| weight(k) * power_from_db(level(k) - largest_db))
        .sum();
    centre_db + largest_db + db_from_power(power / total)
}
