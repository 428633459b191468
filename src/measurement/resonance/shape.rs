//! What the coupler adds to a curve: its peak, the dip above it and its second mode, which move by one ratio.

use std::f64::consts::LN_10;

use crate::units::power_from_db;

/// Numbers that give a shape its form, in this order: ln of the peak's height (dB) and of its half width (octaves); place
/// of the dip (octaves above the peak), ln of its depth and of its half width; the same of the second mode; the level
/// between the modes (dB), which reflections lower as they raise the peaks; the same three of a dip below the peak.
pub const FORM: usize = 12;
/// Levels of bells (dB) that a shape adds to its form, where it is free.
const BELLS: usize = 26;
/// All numbers of a shape.
pub const NUMBERS: usize = FORM + BELLS;

/// A coupler's shape.
pub type Numbers = [f64; NUMBERS];

/// What is expected of each number of the form before a take is seen: mean and standard deviation. Our choice: couplers
/// of the 60318-4 kind have a peak of some 8 dB, a dip near 1.3 times and a second mode near 1.8 times its frequency
/// (common practice, no source).
const EXPECTED_FORM: [(f64, f64); FORM] = [
    (2.2, 0.22),
    (-2.4, 0.4),
    (0.40, 0.13),
    (1.1, 0.7),
    (-1.8, 0.5),
    (0.85, 0.14),
    (1.6, 0.4),
    (-2.4, 0.5),
    (-2.0, 1.8),
    (-0.55, 0.12),
    (0.3, 0.7),
    (-1.6, 0.4),
];
/// Where the heights of the peak and of the second mode stand, and what is expected of the logarithm of their ratio: the
/// second mode is the lower one (common practice, no source).
pub const FIRST: usize = 0;
/// See [`FIRST`].
pub const SECOND: usize = 6;
/// See [`FIRST`].
pub const SECOND_TO_FIRST: (f64, f64) = (-0.4, 0.3);
/// Standard deviation of a bell's level, dB.
const BELL_DB: f64 = 1.3;

/// Place of the first bell, octaves above the peak, and the distance of bells, which is their length too.
const BELLS_AT: (f64, f64) = (-1.15, 0.1);
/// Where the level between the modes is lowered: the middle (octaves above the peak) and the half width of its window.
const BETWEEN: (f64, f64) = (0.4, 0.75);
/// Peaks and dip end about here, octaves away.
const ENDS: f64 = 0.4;

/// Mean and standard deviation of a number before a take is seen.
#[must_use]
pub fn expected(number: usize) -> (f64, f64) {
    EXPECTED_FORM.get(number).copied().unwrap_or((0.0, BELL_DB))
}

/// The shape at a distance from its peak.
pub struct At {
    /// Its level, dB.
    pub level_db: f64,
    /// Its slope, dB an octave.
    pub slope: f64,
    /// Its derivative by each number.
    pub by_number: Numbers,
}

/// The shape `x` octaves above its peak, of which the first `numbers` count.
#[must_use]
pub fn at(x: f64, shape: &Numbers, numbers: usize) -> At {
    let peak = Bump::at(x, shape[0], shape[1]);
    let dip = Bump::at(x - shape[2], shape[3], shape[4]);
    let mode = Bump::at(x - shape[5], shape[6], shape[7]);
    let below = Bump::at(x - shape[9], shape[10], shape[11]);
    let away = (x - BETWEEN.0) / BETWEEN.1;
    let between = 1.0 / (1.0 + away.powi(6));
    let between_slope = -6.0 * away.powi(5) * between * between / BETWEEN.1;
    let mut at = At {
        level_db: peak.level_db - dip.level_db - below.level_db
            + mode.level_db
            + shape[8] * between,
        slope: peak.slope - dip.slope - below.slope + mode.slope + shape[8] * between_slope,
        by_number: [0.0; NUMBERS],
    };
    at.by_number[..FORM].copy_from_slice(&[
        peak.by_ln_height,
        peak.by_ln_width,
        dip.slope,
        -dip.by_ln_height,
        -dip.by_ln_width,
        -mode.slope,
        mode.by_ln_height,
        mode.by_ln_width,
        between,
        below.slope,
        -below.by_ln_height,
        -below.by_ln_width,
    ]);
    for k in FORM..numbers {
        let away = (x - BELLS_AT.0) / BELLS_AT.1 - (k - FORM) as f64;
        let bell = (-0.5 * away * away).exp();
        at.level_db += shape[k] * bell;
        at.slope -= shape[k] * bell * away / BELLS_AT.1;
        at.by_number[k] = bell;
    }
    at
}

/// A Lorentz peak on a level of 0 dB, `10 log10(1 + (10^(h/10) - 1) / (1 + (x/w)^2))`, faded out beyond [`ENDS`], and its
/// derivatives.
struct Bump {
    level_db: f64,
    slope: f64,
    by_ln_height: f64,
    by_ln_width: f64,
}

impl Bump {
    fn at(x: f64, ln_height: f64, ln_width: f64) -> Self {
        let (height_db, width) = (ln_height.exp(), ln_width.exp());
        let squared = (x / width).powi(2);
        let (top, under) = (power_from_db(height_db), 1.0 + squared);
        let power = 1.0 + (top - 1.0) / under;
        let by_squared = -10.0 / LN_10 * (top - 1.0) / (under * under * power);
        let level_db = 10.0 * power.log10();
        let away = x / ENDS;
        let fade = 1.0 / (1.0 + away.powi(4));
        let fade_slope = -4.0 * away.powi(3) * fade * fade / ENDS;
        Self {
            level_db: fade * level_db,
            slope: fade * by_squared * 2.0 * x / (width * width) + fade_slope * level_db,
            by_ln_height: fade * top * height_db / (under * power),
            by_ln_width: -2.0 * fade * squared * by_squared,
        }
    }
}
