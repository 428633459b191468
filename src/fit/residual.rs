//! What a fit is judged by, computed plainly from the definitions.

use crate::filter::{Section, response};

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

/// The economy ratio `E = sum w^2 sum_k |G_k| / sum w^2 |sum_k G_k|`: 1 when no section works against
/// another, more when they do; 1 without sections.
#[must_use]
pub fn economy_ratio(
    sections: &[Section],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
) -> f64 {
    let (mut apart, mut together) = (0.0, 0.0);
    for (f_hz, w) in frequency_hz.iter().zip(weight) {
        let mut sum = 0.0;
        for section in sections {
            let level_db = response::level_db(section, rate_hz, *f_hz);
            apart += w * w * level_db.abs();
            sum += level_db;
        }
        together += w * w * f64::abs(sum);
    }
    if together > 0.0 {
        apart / together
    } else {
        1.0
    }
}
