//! What another depth of the seat does to a curve: the coupler's resonance and all above it move by one ratio, that of the
//! lengths of air that are half a wave long (see [`resonance`](crate::measurement::resonance)).

use std::ops::Range;

use crate::measurement::grid::{POINTS_PER_OCTAVE, frequency_hz};
use crate::measurement::resonance::{SOUND_M_PER_S, half_wave_mm};

/// Octaves from the resonance between which the shift fades in: what is further below is the earphone's own. Our choice.
const FADES_IN: (f64, f64) = (-0.8, -0.3);

/// The frequency, hertz, from which a seat can change a curve.
#[must_use]
pub fn reaches_from_hz(resonance_hz: f64) -> f64 {
    resonance_hz * FADES_IN.0.exp2()
}

/// A curve as it becomes when the earphone sits deeper by `deeper_mm`, less itself, at the points `at` of the common grid,
/// dB. `level_db` has one value for each point of the grid and holds over `support`.
#[must_use]
pub fn moved_db(
    level_db: &[f64],
    support: &Range<usize>,
    resonance_hz: f64,
    deeper_mm: f64,
    at: &[usize],
) -> Vec<f64> {
    if support.len() < 2 {
        return vec![0.0; at.len()];
    }
    let air_mm = (half_wave_mm(resonance_hz) - deeper_mm).max(1.0);
    let moved_hz = 1000.0 * SOUND_M_PER_S / (2.0 * air_mm);
    let shift = (moved_hz / resonance_hz).log2() * POINTS_PER_OCTAVE as f64;
    let level_at = |place: f64| {
        let place = place.clamp(support.start as f64, support.end as f64 - 1.0);
        let low = (place as usize).min(support.end - 2);
        let share = place - low as f64;
        level_db[low] * (1.0 - share) + level_db[low + 1] * share
    };
    at.iter()
        .map(|i| {
            let octaves = (frequency_hz()[*i] / resonance_hz).log2();
            let share = ((octaves - FADES_IN.0) / (FADES_IN.1 - FADES_IN.0)).clamp(0.0, 1.0);
            share * (level_at(*i as f64 - shift) - level_at(*i as f64))
        })
        .collect()
}
