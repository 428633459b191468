//! What other ears and other seats are expected to get of a curve that one ear simulator measured.
//!
//! Above about 5 kHz the length of the air before the eardrum decides where peaks and dips lie, and that length differs
//! from the simulator's: half a wave at 8 kHz is 21 mm, ear canals differ by some 2 mm and seats by 1 to 1.5 mm
//! (standard deviations, from memory), together some 12 to 13 %, 0.18 octave. So the expected curve is the mean, in dB, of the
//! measured one moved along log frequency by normally distributed amounts: none up to [`FIXED_BELOW_HZ`], growing evenly
//! in log frequency to a standard deviation of [`EARS_OCTAVES`] at [`MOVING_ABOVE_HZ`]. What the takes have already moved
//! is in their average, so their variance is subtracted.
//!
//! Where takes disagree, what one of them shows is not there in the next: a dip that wanders must not be filled as deep as it
//! is on average. So what the spread exceeds [`DISAGREE_DB`] by is added to the level, and boosts go only as far as the takes
//! agree. A peak that wanders is cut a little more for it, which does no harm: peaks are heard more than dips (R. Buecklein
//! 1981; F. Toole, S. Olive 1988; both from memory).
//!
//! Where the listener's own resonance was found ([`Ears::with_peak`]), the curve above 5 kHz is moved to it, and only what
//! seats and that finding leave open is expected.
//!
//! Source: our own choice (common practice, no source); tests/benches/listeners.rs judges it.

use super::grid::{OnGrid, POINTS_PER_OCTAVE, frequency_hz};

/// Up to here all ears are alike, hertz.
pub const FIXED_BELOW_HZ: f64 = 5000.0;
/// From here on, peaks and dips move with all of [`EARS_OCTAVES`], hertz.
pub const MOVING_ABOVE_HZ: f64 = 7000.0;
/// Standard deviation of the place of peaks and dips in other ears and seats, octaves. With 1/6 simulated listeners get a
/// little closer to the target, and more of them get treble that is worse than without EQ.
pub const EARS_OCTAVES: f64 = 0.18;

/// Standard deviation of the place of peaks and dips in an ear whose resonance was found, octaves: its seats, some 1.2 mm of 21
/// mm, and what the finding is off by, 5 %.
pub const KNOWN_EAR_OCTAVES: f64 = 0.1;

/// The ears that a curve is expected in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ears {
    /// How much higher their peaks and dips lie than the simulator's, octaves.
    pub shift_octaves: f64,
    /// Standard deviation of that, octaves.
    pub deviation_octaves: f64,
}

impl Ears {
    /// All ears and seats.
    pub const ALL: Self = Self {
        shift_octaves: 0.0,
        deviation_octaves: EARS_OCTAVES,
    };

    /// The ear whose resonance lies at `peak_hz`, of a unit whose resonance in the simulator lies at `coupler_hz`.
    #[must_use]
    pub fn with_peak(peak_hz: f64, coupler_hz: f64) -> Self {
        Self {
            shift_octaves: (peak_hz / coupler_hz).log2(),
            deviation_octaves: KNOWN_EAR_OCTAVES,
        }
    }
}

/// Standard deviation of the takes from which they disagree, dB. Our choice.
pub const DISAGREE_DB: f64 = 1.0;

/// Standard deviations after which a normal distribution is cut off.
const CUT_DEVIATIONS: f64 = 3.0;

/// The expectation of `measured`, an average of takes, over ears and seats. `spread_db` is their spread at each grid point;
/// they have moved by `moved_octaves` already (standard deviation, octaves; 0 where that is unknown). Near the ends of the data the movement is cut off on both sides, so that
/// a sloping line stays where it is.
#[must_use]
pub fn expected(measured: &OnGrid, spread_db: Option<&[f64]>, moved_octaves: f64) -> OnGrid {
    blurred(&agreed(measured, spread_db), moved_octaves, Ears::ALL)
}

/// The level up to which the takes of an average agree: what their spread exceeds [`DISAGREE_DB`] by is added.
#[must_use]
pub fn agreed(measured: &OnGrid, spread_db: Option<&[f64]>) -> OnGrid {
    let mut agreed = measured.clone();
    let spread_db = spread_db.unwrap_or_default();
    for (level_db, spread_db) in agreed.level_db.iter_mut().zip(spread_db) {
        *level_db += (spread_db - DISAGREE_DB).max(0.0);
    }
    agreed
}

/// A curve with its peaks and dips where they lie in `ears`: what a frequency gets was measured lower by their shift, none of it
/// up to [`FIXED_BELOW_HZ`], all of it where it has grown whole. Beyond its data the curve is held.
#[must_use]
pub fn moved(curve: &OnGrid, ears: Ears) -> OnGrid {
    if ears.shift_octaves == 0.0 || curve.support.is_empty() {
        return curve.clone();
    }
    let f_hz = frequency_hz();
    let (first, last) = (curve.support.start as f64, curve.support.end as f64 - 1.0);
    let mut level_db = curve.level_db.clone();
    for i in curve.support.clone() {
        let from = i as f64 - POINTS_PER_OCTAVE as f64 * ears.shift_octaves * share(f_hz[i]);
        let from = from.clamp(first, last);
        let (below, part) = (from.floor() as usize, from.fract());
        let above = (below + 1).min(curve.support.end - 1);
        level_db[i] = curve.level_db[below] + part * (curve.level_db[above] - curve.level_db[below]);
    }
    OnGrid {
        level_db,
        support: curve.support.clone(),
    }
}

/// The mean of a curve over ears and seats.
#[must_use]
pub fn blurred(curve: &OnGrid, moved_octaves: f64, ears: Ears) -> OnGrid {
    let f_hz = frequency_hz();
    let support = &curve.support;
    let own_db = &curve.level_db;
    let mut level_db = own_db.clone();
    for i in support.clone() {
        let to_the_end = (i - support.start).min(support.end - 1 - i);
        let deviation = POINTS_PER_OCTAVE as f64 * left_octaves(f_hz[i], moved_octaves, ears);
        let reach = to_the_end.min((CUT_DEVIATIONS * deviation) as usize);
        let (mut sum_db, mut total) = (own_db[i], 1.0);
        for k in 1..=reach {
            let density = (-0.5 * (k as f64 / deviation).powi(2)).exp();
            sum_db += density * (own_db[i - k] + own_db[i + k]);
            total += 2.0 * density;
        }
        level_db[i] = sum_db / total;
    }
    OnGrid {
        level_db,
        support: support.clone(),
    }
}

/// How much of what ears move moves a frequency, 0 to 1.
fn share(f_hz: f64) -> f64 {
    let share = (f_hz / FIXED_BELOW_HZ).log2() / (MOVING_ABOVE_HZ / FIXED_BELOW_HZ).log2();
    share.clamp(0.0, 1.0)
}

/// Standard deviation of what is left to move at a frequency, octaves.
fn left_octaves(f_hz: f64, moved_octaves: f64, ears: Ears) -> f64 {
    let of_ears = ears.deviation_octaves * share(f_hz);
    (of_ears.powi(2) - moved_octaves.powi(2)).max(0.0).sqrt()
}
