//! Several takes of one unit: their sides, their average, their spread.

use std::ops::Range;

use super::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE};
use crate::error::{Error, ErrorKind, Result};

/// Levels are compared here: below the ear canal's and the coupler's resonances, above most of a leak.
const ALIGNMENT_HZ: (f64, f64) = (200.0, 2000.0);

/// Which ear a take belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The left earphone.
    Left,
    /// The right earphone.
    Right,
    /// Not said; such takes count as one side of their own.
    Unknown,
}

/// The side that a file name tells: `left`, `right`, `l` or `r` as a word, in any case, between characters that
/// are neither letters nor digits. Folders do not count; a name that tells both tells neither.
#[must_use]
pub fn side_from_name(file_name: &str) -> Side {
    let name = file_name.rsplit(['/', '\\']).next().unwrap_or_default();
    let (mut left, mut right) = (false, false);
    for word in name.split(|c: char| !c.is_alphanumeric()) {
        match word.to_lowercase().as_str() {
            "left" | "l" => left = true,
            "right" | "r" => right = true,
            _ => {}
        }
    }
    match (left, right) {
        (true, false) => Side::Left,
        (false, true) => Side::Right,
        _ => Side::Unknown,
    }
}

/// One measured response of one side, one seating.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Its name, usually the file's.
    pub name: String,
    /// Its side.
    pub side: Side,
    /// Its levels on the common grid.
    pub on_grid: OnGrid,
}

/// The average of a unit's takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// The mean level in dB, both sides weighing the same; only grid points that every take covers.
    pub on_grid: OnGrid,
    /// Standard deviation (n-1) of the takes about their own side's mean, sides pooled, dB, one value a grid
    /// point, 0 outside the support; none when every side has one take.
    pub spread_db: Option<Vec<f64>>,
    /// The names of the takes, as given.
    pub takes: Vec<String>,
}

/// Averages takes in dB after aligning their levels: each is shifted by the median, over 200 Hz to 2 kHz, of its
/// difference to the mean take (over all that they share, where that band is not covered). Each side is averaged
/// first, then the sides with equal weight.
///
/// # Errors
/// `Coverage` for no takes, or takes that share less than an octave.
pub fn average(takes: &[Take]) -> Result<Average> {
    let names: Vec<String> = takes.iter().map(|take| take.name.clone()).collect();
    let support = shared_support(takes)?;
    let aligned = aligned(takes, &support);
    let mut sides: Vec<Vec<&[f64]>> = Vec::new();
    for side in [Side::Left, Side::Right, Side::Unknown] {
        let of_side = takes
            .iter()
            .zip(&aligned)
            .filter(|(take, _)| take.side == side);
        let of_side: Vec<&[f64]> = of_side.map(|(_, level)| level.as_slice()).collect();
        if !of_side.is_empty() {
            sides.push(of_side);
        }
    }
    let side_means: Vec<Vec<f64>> = sides.iter().map(|side| mean(side, &support)).collect();
    let all: Vec<&[f64]> = side_means.iter().map(Vec::as_slice).collect();
    let level_db = mean(&all, &support);
    let freedom: usize = sides.iter().map(|side| side.len() - 1).sum();
    let spread_db = (freedom > 0).then(|| {
        let mut spread = vec![0.0; POINTS];
        for i in support.clone() {
            let about = |(side, mean): (&Vec<&[f64]>, &Vec<f64>)| -> f64 {
                side.iter().map(|level| (level[i] - mean[i]).powi(2)).sum()
            };
            let squares: f64 = sides.iter().zip(&side_means).map(about).sum();
            spread[i] = (squares / freedom as f64).sqrt();
        }
        spread
    });
    Ok(Average {
        on_grid: OnGrid { level_db, support },
        spread_db,
        takes: names,
    })
}

fn shared_support(takes: &[Take]) -> Result<Range<usize>> {
    let refuse = |source: &str, found: String, next_step: &str| {
        let expected = "takes that share at least one octave";
        Err(Error::new(
            ErrorKind::Coverage,
            source,
            found,
            expected,
            next_step,
        ))
    };
    let Some(first) = takes.first() else {
        return refuse("takes", "no takes".to_owned(), "give at least one curve");
    };
    let mut support = first.on_grid.support.clone();
    for take in takes {
        let shared = grid::intersection(&support, &take.on_grid.support);
        if shared.len() < POINTS_PER_OCTAVE {
            let ((low_hz, high_hz), (from_hz, to_hz)) =
                (take.on_grid.band_hz(), grid::band_hz(&support));
            let found = format!(
                "{low_hz:.0} Hz to {high_hz:.0} Hz where the others share {from_hz:.0} Hz to {to_hz:.0} Hz"
            );
            return refuse(
                &take.name,
                found,
                "measure all takes over the same range, or leave this one out",
            );
        }
        support = shared;
    }
    Ok(support)
}

/// The levels of each take, shifted to the mean take's.
fn aligned(takes: &[Take], support: &Range<usize>) -> Vec<Vec<f64>> {
    let levels: Vec<&[f64]> = takes
        .iter()
        .map(|take| take.on_grid.level_db.as_slice())
        .collect();
    let mean_take = mean(&levels, support);
    let f_hz = grid::frequency_hz();
    let band = f_hz.partition_point(|f| *f < ALIGNMENT_HZ.0)
        ..f_hz.partition_point(|f| *f <= ALIGNMENT_HZ.1);
    let covered = grid::intersection(&band, support) == band;
    let band = if covered { band } else { support.clone() };
    let shifted = |level: &&[f64]| -> Vec<f64> {
        let offset_db = median(band.clone().map(|i| level[i] - mean_take[i]).collect());
        level.iter().map(|db| db - offset_db).collect()
    };
    levels.iter().map(shifted).collect()
}

fn mean(levels: &[&[f64]], support: &Range<usize>) -> Vec<f64> {
    let mut mean = vec![0.0; POINTS];
    for i in support.clone() {
        let sum: f64 = levels.iter().map(|level| level[i]).sum();
        mean[i] = sum / levels.len() as f64;
    }
    mean
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[half],
        _ => 0.5 * (values[half - 1] + values[half]),
    }
}
