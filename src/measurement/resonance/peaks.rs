//! Peaks of single takes that may be the coupler's: where it cannot be told, and for height and width.
//!
//! 1. In each take the peaks of the curve, smoothed by 1/12 octave, are candidates.
//! 2. To the levels within 1/4 octave of a candidate, a line plus `10 log10(1 + (10^(h/10) - 1) / (1 + (x / w)^2))` dB
//!    is fitted, with `x` in octaves from its frequency, height `h` and half width `w` (a Lorentz peak). The line is
//!    needed because a falling baseline moves the visible peak below the resonance.
//! 3. Candidates of all takes are joined to tracks: for a seed frequency the nearest candidate of each take within 1/4
//!    octave. Of the tracks that most takes have, the highest is taken.

use super::super::grid::{self, OnGrid, frequency_hz};
use super::super::smooth::{Width, smooth};
use super::super::takes::median;
use super::{Resonance, SEARCHED_HZ, half_wave_mm};
use crate::units::{db_from_power, octaves, power_from_db};

/// Least height of a peak, dB.
const LEAST_HEIGHT_DB: f64 = 1.5;
/// Width of the fit on each side of a peak, octaves.
const FITTED_OCTAVES: f64 = 0.25;
/// Largest distance of a candidate from the seed of its track, octaves. Our choice.
const SAME_TRACK_OCTAVES: f64 = 0.25;

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

/// The highest track of peaks that most takes have, in the order of the takes; None where a take lacks it.
#[must_use]
pub fn track(candidates: &[Vec<Resonance>]) -> Vec<Option<Resonance>> {
    // Seeds are the candidates of the first eight takes. A track that most takes have passes through one of them,
    // unless all eight lack it.
    let seeds = candidates.iter().take(8).flatten();
    let tracks = seeds.map(|seed| -> Vec<Option<Resonance>> {
        let near = |of_take: &Vec<Resonance>| nearest(of_take, seed.frequency_hz, SAME_TRACK_OCTAVES);
        candidates.iter().map(near).collect()
    });
    let rank = |track: &Vec<Option<Resonance>>| {
        let heights: Vec<f64> = track.iter().flatten().map(|r| r.height_db).collect();
        (2 * heights.len() > candidates.len(), median(heights))
    };
    let better = |a: &Vec<Option<Resonance>>, b: &Vec<Option<Resonance>>| {
        let (a, b) = (rank(a), rank(b));
        a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
    };
    tracks
        .max_by(better)
        .unwrap_or_else(|| vec![None; candidates.len()])
}

/// The candidate nearest to a frequency, if it is within so many octaves.
#[must_use]
pub fn nearest(candidates: &[Resonance], hz: f64, within_octaves: f64) -> Option<Resonance> {
    let away = |r: &Resonance| octaves(hz, r.frequency_hz).abs();
    let nearest = candidates
        .iter()
        .min_by(|a, b| away(a).total_cmp(&away(b)))?;
    (away(nearest) <= within_octaves).then_some(*nearest)
}
