//! What a fit is judged by, computed plainly from the definitions.

use crate::filter::{Section, cascade, response};

/// Residual of `sections` at `rate_hz`: root of the weighted mean square of `G - wanted + c`, dB, with the
/// level `c` that makes it least. Points of weight 0 have no say; all weights 0 give 0.
#[must_use]
pub fn weighted_rms_db(
    sections: &[Section],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
    wanted_db: &[f64],
) -> f64 {
    let points: Vec<(f64, f64)> = frequency_hz
        .iter()
        .zip(weight)
        .zip(wanted_db)
        .filter(|((_, w), _)| **w > 0.0)
        .map(|((f_hz, w), wanted_db)| {
            let level_db: f64 = sections
                .iter()
                .map(|section| response::level_db(section, rate_hz, *f_hz))
                .sum();
            (w * w, level_db - wanted_db)
        })
        .collect();
    let total: f64 = points.iter().map(|(power, _)| power).sum();
    if total == 0.0 {
        return 0.0;
    }
    let mean = points.iter().map(|(power, e)| power * e).sum::<f64>() / total;
    let square: f64 = points
        .iter()
        .map(|(power, e)| power * (e - mean).powi(2))
        .sum();
    (square / total).sqrt()
}

/// Residuals of two sides at one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SidesRms {
    /// Of each side, at the level that makes the residual of both least, dB.
    pub sides_db: [f64; 2],
    /// Of both together: the root of the mean of the squares of `sides_db`.
    pub together_db: f64,
    /// Weighted mean of the first side's `G - wanted` less that of the second's, dB: positive where the first is
    /// louder than wanted beside the second. Half of it is in the residual of either side.
    pub difference_db: f64,
}

/// The same for two sides with the same weights and one level `c` for both.
#[must_use]
pub fn sides_rms_db(
    sections: [&[Section]; 2],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
    wanted_db: [&[f64]; 2],
) -> SidesRms {
    let mean = |side: usize| {
        let (mut sum, mut total) = (0.0, 0.0);
        for ((f_hz, w), wanted_db) in frequency_hz.iter().zip(weight).zip(wanted_db[side]) {
            if *w > 0.0 {
                sum += w * w * (cascade::level_db(sections[side], rate_hz, *f_hz) - wanted_db);
                total += w * w;
            }
        }
        if total > 0.0 { sum / total } else { 0.0 }
    };
    // About its own mean a side has the residual of a free level; half the difference comes on top.
    let difference_db = mean(0) - mean(1);
    let sides_db = [0, 1].map(|side| {
        let own = weighted_rms_db(
            sections[side],
            rate_hz,
            frequency_hz,
            weight,
            wanted_db[side],
        );
        own.hypot(0.5 * difference_db)
    });
    SidesRms {
        sides_db,
        together_db: sides_db[0].hypot(sides_db[1]) / std::f64::consts::SQRT_2,
        difference_db,
    }
}

/// The economy ratio `E = sum w^2 sum_k |G_k| / sum w^2 |sum_k G_k|`: 1 when no section works against
/// another, more when they do; 1 without sections.
#[must_use]
pub fn economy_ratio(
    sections: &[Section],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
) -> f64 {
    economy_ratio_of_sides(&[sections], rate_hz, frequency_hz, weight)
}

/// The same with both sums taken over several sides, each with sections of its own.
#[must_use]
pub fn economy_ratio_of_sides(
    sides: &[&[Section]],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
) -> f64 {
    let (mut apart, mut together) = (0.0, 0.0);
    for sections in sides {
        for (f_hz, w) in frequency_hz.iter().zip(weight) {
            let mut sum = 0.0;
            for section in *sections {
                let level_db = response::level_db(section, rate_hz, *f_hz);
                apart += w * w * level_db.abs();
                sum += level_db;
            }
            together += w * w * f64::abs(sum);
        }
    }
    if together > 0.0 {
        apart / together
    } else {
        1.0
    }
}
