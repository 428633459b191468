//! The figures by which a fit is judged, computed directly from their definitions, without the fast kernels.

use crate::filter::{Section, cascade, response};

/// Residual of `sections` at `rate_hz`, dB: the root of the weighted mean square of `G - wanted + c`, minimised over
/// the level `c`. Points of weight 0 do not count. If all weights are 0, the residual is 0.
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

/// Residuals of one channel, or of two that share one level.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelsRms {
    /// Residual of each channel, dB, at the level that minimises `together_db`.
    pub channels_db: Vec<f64>,
    /// Residual of all channels together, dB: the root of the mean of the squares of `channels_db`.
    pub together_db: f64,
    /// Imbalance of two channels, dB: the weighted mean of the first's `G - wanted` minus that of the second's.
    /// Positive: the first is too loud beside the second. Half of it is part of each channel's residual. 0 for one
    /// channel.
    pub difference_db: f64,
}

/// [`weighted_rms_db`] for one channel or two, with the same weights and one level `c` for all.
#[must_use]
pub fn channels_rms(
    sections: &[&[Section]],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
    wanted_db: &[&[f64]],
) -> ChannelsRms {
    let mean = |channel: usize| {
        let (mut sum, mut total) = (0.0, 0.0);
        for ((f_hz, w), wanted_db) in frequency_hz.iter().zip(weight).zip(wanted_db[channel]) {
            if *w > 0.0 {
                sum += w * w * (cascade::level_db(sections[channel], rate_hz, *f_hz) - wanted_db);
                total += w * w;
            }
        }
        if total > 0.0 { sum / total } else { 0.0 }
    };
    // The shared level is the mean of both channels' own levels, so each is off its own by half of the difference.
    let difference_db = match sections.len() {
        2 => mean(0) - mean(1),
        _ => 0.0,
    };
    let own_db = |(sections, wanted_db): (&&[Section], &&[f64])| {
        let own_db = weighted_rms_db(sections, rate_hz, frequency_hz, weight, wanted_db);
        own_db.hypot(0.5 * difference_db)
    };
    let channels_db: Vec<f64> = sections.iter().zip(wanted_db).map(own_db).collect();
    let together_db = match channels_db[..] {
        [left_db, right_db] => left_db.hypot(right_db) / std::f64::consts::SQRT_2,
        [one_db] => one_db,
        _ => 0.0,
    };
    ChannelsRms {
        channels_db,
        together_db,
        difference_db,
    }
}

/// The economy ratio `E = sum w^2 sum_k |G_k| / sum w^2 |sum_k G_k|`: 1 if no section works against another, larger if
/// some do, 1 without sections.
#[must_use]
pub fn economy_ratio(
    sections: &[Section],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
) -> f64 {
    economy_ratio_of_channels(&[sections], rate_hz, frequency_hz, weight)
}

/// [`economy_ratio`] with both sums taken over several channels, each with its own sections.
#[must_use]
pub fn economy_ratio_of_channels(
    channels: &[&[Section]],
    rate_hz: f64,
    frequency_hz: &[f64],
    weight: &[f64],
) -> f64 {
    let (mut apart, mut together) = (0.0, 0.0);
    for sections in channels {
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
