//! The coupler's half-wave resonance: the peak between 5 and 11 kHz that moves with the seating.
//!
//! The air between earphone and coupler microphone resonates when it is half a wave long, `L = c / 2f`. A deeper seat
//! raises the frequency, so the frequency tells how the depth changed (a rigid tube, `c` = 343 m/s at 20 degrees
//! Celsius, from memory; end corrections change the length, but hardly its differences).
//!
//! 1. In each take the peaks of the curve, smoothed by 1/12 octave, are candidates.
//! 2. To the levels within 1/4 octave of a candidate, a line plus `10 log10(1 + (10^(h/10) - 1) / (1 + (x / w)^2))` dB
//!    is fitted, with `x` in octaves from its frequency, height `h` and half width `w` (a Lorentz peak). The line is
//!    needed because a falling baseline moves the visible peak below the resonance.
//! 3. Candidates of all takes are joined to tracks: for a seed frequency the nearest candidate of each take within 1/4
//!    octave.
//! 4. Of the tracks that most takes have, one that moves by more than 0.3 % rms is preferred, since a peak of the
//!    earphone itself stays; then the highest.

use std::ops::Range;

use super::grid::{self, OnGrid, frequency_hz};
use super::smooth::{Width, smooth};
use super::takes::median;
use crate::units::{db_from_power, octaves, power_from_db};

/// Speed of sound, m/s, at 20 degrees Celsius (from memory).
pub const SOUND_M_PER_S: f64 = 343.0;
/// Band in which peaks are searched, hertz.
pub const SEARCHED_HZ: (f64, f64) = (5000.0, 11_000.0);
/// Distance from the resonance, octaves, within which the curve shows the coupler rather than the earphone.
pub const GUARD_OCTAVES: f64 = 1.0 / 3.0;

/// Least height of a peak, dB.
const LEAST_HEIGHT_DB: f64 = 1.5;
/// Width of the fit on each side of a peak, octaves.
const FITTED_OCTAVES: f64 = 0.25;
/// Largest distance of a candidate from the seed of its track, octaves. Our choice.
const SAME_TRACK_OCTAVES: f64 = 0.25;
/// A track moves if the standard deviation of its frequency exceeds this share of the mean. Our choice.
const MOVING_SHARE: f64 = 0.003;

/// The coupler's resonance in one take.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Resonance {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Its height over a sloping baseline, dB.
    pub height_db: f64,
    /// Its width where it is half its power above the baseline, octaves, from end to end.
    pub width_octaves: f64,
    /// Length of air that is half a wave long at that frequency, mm.
    pub half_wave_mm: f64,
}

/// The coupler's resonance of a unit: what its takes agree on.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct UnitResonance {
    /// Its frequency, median over the takes, Hz.
    pub frequency_hz: f64,
    /// Lowest and highest frequency of any take, Hz.
    pub range_hz: (f64, f64),
    /// Range of the depth of the seating, by the half-wave relation, mm, 0 or more.
    pub depth_range_mm: f64,
    /// Whether it moved between takes, by more than 0.3 % rms; if not, it may be a peak of the earphone.
    pub moves: bool,
    /// Number of takes in which it was found.
    pub found_in: usize,
    /// Lowest and highest frequency of the band that it distorts, within 1/3 octave of the median, Hz.
    pub guard_hz: (f64, f64),
}

impl UnitResonance {
    /// The grid points of the guarded band.
    #[must_use]
    pub fn guard(&self) -> Range<usize> {
        guard(self.frequency_hz)
    }
}

/// The grid points within [`GUARD_OCTAVES`] of a resonance.
#[must_use]
pub fn guard(resonance_hz: f64) -> Range<usize> {
    let ratio = GUARD_OCTAVES.exp2();
    frequency_hz().partition_point(|f| *f < resonance_hz / ratio)
        ..frequency_hz().partition_point(|f| *f <= resonance_hz * ratio)
}

/// The length of air that is half a wave long at a frequency, millimetres.
#[must_use]
pub fn half_wave_mm(frequency_hz: f64) -> f64 {
    1000.0 * SOUND_M_PER_S / (2.0 * frequency_hz)
}

/// The candidates of one take, in rising order of frequency.
#[must_use]
pub fn peaks(take: &OnGrid) -> Vec<Resonance> {
    let f_hz = frequency_hz();
    let searched =
        f_hz.partition_point(|f| *f < SEARCHED_HZ.0)..f_hz.partition_point(|f| *f <= SEARCHED_HZ.1);
    let level_db = smooth(take, Width::Octaves(1.0 / 12.0)).level_db;
    let reach = (FITTED_OCTAVES * grid::POINTS_PER_OCTAVE as f64) as usize;
    let inside = grid::intersection(
        &searched,
        &(take.support.start + reach..take.support.end.saturating_sub(reach)),
    );
    // A peak is the highest point within 1/12 octave.
    let top = |i: &usize| {
        let around = i.saturating_sub(4)..(i + 5).min(level_db.len());
        around
            .clone()
            .all(|k| level_db[k] < level_db[*i] || k == *i)
    };
    let found = inside
        .filter(top)
        .filter_map(|i| fitted(&take.level_db[i - reach..=i + reach], i));
    found.filter(|r| r.height_db >= LEAST_HEIGHT_DB).collect()
}

/// Level of the resonance over its baseline, dB, at `x` octaves from its frequency.
fn over_baseline_db(x: f64, height_db: f64, half_width: f64) -> f64 {
    db_from_power(1.0 + (power_from_db(height_db) - 1.0) / (1.0 + (x / half_width).powi(2)))
}

/// The best-fitting resonance on a sloping baseline, in a window around grid point `centre`; None if it is too low.
fn fitted(window_db: &[f64], centre: usize) -> Option<Resonance> {
    let reach = (window_db.len() / 2) as f64;
    let step = 1.0 / grid::POINTS_PER_OCTAVE as f64;
    let mean_db = window_db.iter().sum::<f64>() / window_db.len() as f64;
    let inertia: f64 = (0..window_db.len())
        .map(|k| (k as f64 - reach).powi(2))
        .sum();
    // Sum of squares that remains after the best line is removed from the window minus a resonance.
    let misfit = |[at, height_db, ln_width]: [f64; 3]| -> f64 {
        let (mut sum, mut moment, mut squares) = (0.0, 0.0, 0.0);
        for (k, db) in window_db.iter().enumerate() {
            let place = k as f64 - reach;
            let left =
                db - mean_db - over_baseline_db(step * place - at, height_db, ln_width.exp());
            sum += left;
            moment += left * place;
            squares += left * left;
        }
        squares - sum * sum / window_db.len() as f64 - moment * moment / inertia
    };
    let allowed = [(-0.06, 0.06), (0.0, 30.0), (0.01_f64.ln(), 0.25_f64.ln())];
    let mut best = [0.0, 6.0, 0.05_f64.ln()];
    let mut least = misfit(best);
    let mut steps = [0.02, 2.0, 0.5];
    // Pattern search: a few hundred evaluations at 25 points. A round without progress halves the steps.
    for _ in 0..60 {
        let mut moved = false;
        for k in 0..3 {
            for sign in [1.0, -1.0] {
                let mut tried = best;
                tried[k] = (tried[k] + sign * steps[k]).clamp(allowed[k].0, allowed[k].1);
                let value = misfit(tried);
                if value < least {
                    (best, least, moved) = (tried, value, true);
                }
            }
        }
        if !moved {
            steps = steps.map(|s| 0.5 * s);
        }
    }
    let [at, height_db, ln_width] = best;
    let hz = frequency_hz()[centre] * at.exp2();
    height_db.is_finite().then(|| Resonance {
        frequency_hz: hz,
        height_db,
        width_octaves: 2.0 * ln_width.exp(),
        half_wave_mm: half_wave_mm(hz),
    })
}

/// The resonance in each take, in the order of the takes; None where it is not found.
#[must_use]
pub fn track(takes: &[&OnGrid]) -> Vec<Option<Resonance>> {
    let candidates: Vec<Vec<Resonance>> = takes.iter().map(|take| peaks(take)).collect();
    // Seeds are the candidates of the first eight takes. A track that most takes have passes through one of them,
    // unless all eight lack it.
    let seeds = candidates.iter().take(8).flatten();
    let tracks = seeds.map(|seed| -> Vec<Option<Resonance>> {
        let near = |r: &Resonance| octaves(seed.frequency_hz, r.frequency_hz).abs();
        let nearest = |of_take: &Vec<Resonance>| {
            let nearest = of_take.iter().min_by(|a, b| near(a).total_cmp(&near(b)));
            nearest.filter(|r| near(r) <= SAME_TRACK_OCTAVES).copied()
        };
        candidates.iter().map(nearest).collect()
    });
    let rank = |track: &Vec<Option<Resonance>>| {
        let found: Vec<Resonance> = track.iter().flatten().copied().collect();
        let height_db = median(found.iter().map(|r| r.height_db).collect());
        (2 * found.len() > takes.len(), moves(&found), height_db)
    };
    let better = |a: &Vec<Option<Resonance>>, b: &Vec<Option<Resonance>>| {
        let (a, b) = (rank(a), rank(b));
        (a.0, a.1).cmp(&(b.0, b.1)).then(a.2.total_cmp(&b.2))
    };
    tracks
        .max_by(better)
        .unwrap_or_else(|| vec![None; takes.len()])
}

fn moves(found: &[Resonance]) -> bool {
    let n = found.len() as f64;
    let mean = found.iter().map(|r| r.frequency_hz).sum::<f64>() / n;
    let squares: f64 = found
        .iter()
        .map(|r| (r.frequency_hz / mean - 1.0).powi(2))
        .sum();
    found.len() >= 2 && (squares / (n - 1.0)).sqrt() > MOVING_SHARE
}

/// The unit's resonance from those of its takes; None if there are none.
#[must_use]
pub fn of_unit(found: &[Resonance]) -> Option<UnitResonance> {
    let hz = || found.iter().map(|r| r.frequency_hz);
    let range_hz = (hz().fold(f64::INFINITY, f64::min), hz().fold(0.0, f64::max));
    if found.is_empty() {
        return None;
    }
    let frequency_hz = median(hz().collect());
    let ratio = GUARD_OCTAVES.exp2();
    Some(UnitResonance {
        frequency_hz,
        range_hz,
        depth_range_mm: half_wave_mm(range_hz.0) - half_wave_mm(range_hz.1),
        moves: moves(found),
        found_in: found.len(),
        guard_hz: (frequency_hz / ratio, frequency_hz * ratio),
    })
}
