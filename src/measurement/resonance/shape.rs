//! What the coupler adds to a curve: its peak, the dip above it and its second mode, which move by one ratio.

use std::f64::consts::LN_10;

use crate::units::{db_from_power, power_from_db};

/// Numbers that give a shape its form, in this order: ln of the peak's height (dB) and of its half width (octaves); place
/// of the dip (octaves above the peak), ln of its depth and of its half width; the same of the second mode; the level
/// between the modes (dB), which reflections lower as they raise the peaks; the same three of a dip below the peak.
pub const FORM: usize = 12;
/// Levels of bells (dB) that a shape adds to its form, where it is free.
const BELLS: usize = 26;
/// All numbers of a shape.
pub const NUMBERS: usize = FORM + BELLS;

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
    pub by_number: [f64; NUMBERS],
}

/// A shape, ready for many points.
pub struct Shape<'a> {
    numbers: &'a [f64],
    peak: Bump,
    dip: Bump,
    mode: Bump,
    below: Bump,
}

impl<'a> Shape<'a> {
    /// The shape of these numbers: those of the form, and as many bells as follow.
    #[must_use]
    pub fn new(numbers: &'a [f64]) -> Self {
        let bump = |at: f64, k: usize| Bump::new(at, numbers[k], numbers[k + 1]);
        Self {
            numbers,
            peak: bump(0.0, FIRST),
            dip: bump(numbers[2], 3),
            mode: bump(numbers[5], SECOND),
            below: bump(numbers[9], 10),
        }
    }

    /// Its level `x` octaves above its peak, dB.
    #[must_use]
    pub fn level_db(&self, x: f64) -> f64 {
        let form = self.peak.level_db(x) - self.dip.level_db(x) - self.below.level_db(x)
            + self.mode.level_db(x)
            + self.numbers[8] * between(x).0;
        self.bells()
            .fold(form, |sum, (k, place)| sum + self.numbers[k] * bell(x, place).0)
    }

    /// The bells' numbers and places.
    fn bells(&self) -> impl Iterator<Item = (usize, f64)> {
        (FORM..self.numbers.len()).map(|k| (k, BELLS_AT.0 + BELLS_AT.1 * (k - FORM) as f64))
    }

    /// Level and derivatives `x` octaves above its peak.
    #[must_use]
    pub fn at(&self, x: f64) -> At {
        let (peak, dip) = (self.peak.at(x), self.dip.at(x));
        let (mode, below) = (self.mode.at(x), self.below.at(x));
        let (window, window_slope) = between(x);
        let lowered_db = self.numbers[8];
        let mut at = At {
            level_db: peak.level_db - dip.level_db - below.level_db
                + mode.level_db
                + lowered_db * window,
            slope: peak.slope - dip.slope - below.slope + mode.slope + lowered_db * window_slope,
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
            window,
            below.slope,
            -below.by_ln_height,
            -below.by_ln_width,
        ]);
        for (k, place) in self.bells() {
            let (bell, bell_slope) = bell(x, place);
            at.level_db += self.numbers[k] * bell;
            at.slope += self.numbers[k] * bell_slope;
            at.by_number[k] = bell;
        }
        at
    }
}

/// The window of the level between the modes, and its slope.
fn between(x: f64) -> (f64, f64) {
    let away = (x - BETWEEN.0) / BETWEEN.1;
    let window = 1.0 / (1.0 + away.powi(6));
    (window, -6.0 * away.powi(5) * window * window / BETWEEN.1)
}

/// A bell at a place, and its slope; beyond six lengths it is next to nothing.
fn bell(x: f64, place: f64) -> (f64, f64) {
    let away = (x - place) / BELLS_AT.1;
    if away.abs() > 6.0 {
        return (0.0, 0.0);
    }
    let bell = (-0.5 * away * away).exp();
    (bell, -bell * away / BELLS_AT.1)
}

/// A Lorentz peak on a level of 0 dB, `10 log10(1 + (10^(h/10) - 1) / (1 + (x/w)^2))`, faded out beyond [`ENDS`].
struct Bump {
    place: f64,
    height_db: f64,
    top: f64,
    width: f64,
}

/// A bump at a point, and its derivatives.
struct BumpAt {
    level_db: f64,
    slope: f64,
    by_ln_height: f64,
    by_ln_width: f64,
}

impl Bump {
    fn new(place: f64, ln_height: f64, ln_width: f64) -> Self {
        let height_db = ln_height.exp();
        Self {
            place,
            height_db,
            top: power_from_db(height_db),
            width: ln_width.exp(),
        }
    }

    fn level_db(&self, x: f64) -> f64 {
        let x = x - self.place;
        let under = 1.0 + (x / self.width).powi(2);
        db_from_power(1.0 + (self.top - 1.0) / under) / (1.0 + (x / ENDS).powi(4))
    }

    fn at(&self, x: f64) -> BumpAt {
        let x = x - self.place;
        let squared = (x / self.width).powi(2);
        let under = 1.0 + squared;
        let power = 1.0 + (self.top - 1.0) / under;
        let by_squared = -10.0 / LN_10 * (self.top - 1.0) / (under * under * power);
        let level_db = db_from_power(power);
        let away = x / ENDS;
        let fade = 1.0 / (1.0 + away.powi(4));
        let fade_slope = -4.0 * away.powi(3) * fade * fade / ENDS;
        BumpAt {
            level_db: fade * level_db,
            slope: fade * by_squared * 2.0 * x / (self.width * self.width) + fade_slope * level_db,
            by_ln_height: fade * self.top * self.height_db / (under * power),
            by_ln_width: -2.0 * fade * squared * by_squared,
        }
    }
}
