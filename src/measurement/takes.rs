//! Several takes of one unit: their sides, their average, their spread.

use std::cmp::Ordering;
use std::ops::Range;

use super::error::MeasurementFault as Fault;
use super::grid::{self, OnGrid, POINTS, POINTS_PER_OCTAVE};
use crate::error::fault::Show;
use crate::error::{Error, Result, Source};
use crate::names;

/// Band in which levels are compared, hertz: below the ear canal's and the coupler's resonances, above most of a leak.
const ALIGNMENT_HZ: (f64, f64) = (200.0, 2000.0);

/// Which ear a take belongs to.
#[derive(
    Debug,
    Clone,
    Copy,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    Hash,
    serde::Serialize,
    schemars::JsonSchema,
    clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum Side {
    /// The left one
    Left,
    /// The right one
    Right,
    /// Not said; such takes count as one side of their own.
    #[value(skip)]
    Unknown,
}

impl Side {
    /// All sides, in the order of reports.
    pub const ALL: [Self; 3] = [Self::Left, Self::Right, Self::Unknown];

    /// The sides that a file can name.
    pub const BOTH: [Self; 2] = [Self::Left, Self::Right];

    /// The name of the side in files.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Right => "right",
            Self::Unknown => "unknown",
        }
    }

    /// The name of the side in sentences.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Left => "left side",
            Self::Right => "right side",
            Self::Unknown => "unit",
        }
    }
}

impl Show for Side {
    fn show(&self) -> String {
        self.words().to_owned()
    }
}

/// The side that a file name tells by `left`, `right`, `l` or `r` as a word, in any case, between characters that are
/// neither letters nor digits. Folders are ignored. A name with words for both sides gives `Unknown`.
#[must_use]
pub fn side_from_name(file_name: &str) -> Side {
    let name = names::file_name(file_name);
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

/// One measured response: one side, one seating.
#[derive(Debug, Clone, PartialEq)]
pub struct Take {
    /// Name, usually that of the file.
    pub name: String,
    /// Its side.
    pub side: Side,
    /// Levels on the common grid.
    pub on_grid: OnGrid,
}

/// Indices of `takes` in the order in which they are summed and judged: by side, then by content (first grid point,
/// last grid point, levels from the lowest frequency on), then by name.
///
/// A floating-point sum depends on the order of its terms, and a search that starts from it may end elsewhere. With
/// this order, neither the order in which takes are given nor their names change a figure.
#[must_use]
pub fn canonical_order(takes: &[Take]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..takes.len()).collect();
    order.sort_by(|a, b| canonically(&takes[*a], &takes[*b]));
    order
}

fn canonically(one: &Take, other: &Take) -> Ordering {
    let support = |take: &Take| (take.on_grid.support.start, take.on_grid.support.end);
    let levels = one.on_grid.level_db.iter().zip(&other.on_grid.level_db);
    let by_level = || {
        levels
            .map(|(a, b)| a.total_cmp(b))
            .find(|order| order.is_ne())
    };
    one.side
        .cmp(&other.side)
        .then_with(|| support(one).cmp(&support(other)))
        .then_with(|| by_level().unwrap_or(Ordering::Equal))
        .then_with(|| one.name.cmp(&other.name))
}

/// The average of a unit's takes.
#[derive(Debug, Clone, PartialEq)]
pub struct Average {
    /// The mean level, dB, both sides with equal weight; only at grid points that every take covers.
    pub on_grid: OnGrid,
    /// Standard deviation (n-1) of the takes about the mean of their side, pooled over the sides, dB, one value for
    /// each grid point, 0 outside the support; None if no side has two takes.
    pub spread_db: Option<Vec<f64>>,
    /// The names of the takes, in the order given.
    pub takes: Vec<String>,
}

/// Averages takes in dB: each side first, then the sides with equal weight.
///
/// Levels are aligned within a side. A take's offset is the median of its difference from the side's median curve over
/// 200 Hz to 2 kHz (over all shared points if that band is not covered); medians are robust against one deviating take.
/// Each take is shifted to the mean of its side's offsets. The level difference of the sides is kept.
///
/// # Errors
/// `Coverage` if there are no takes, or if they share less than an octave.
pub fn average(takes: &[Take]) -> Result<Average> {
    let support = shared_support(takes)?;
    let sides = aligned_sides(takes, &support);
    let side_means: Vec<&[f64]> = sides.iter().map(|s| s.mean_db.as_slice()).collect();
    let freedom: usize = sides.iter().map(|side| side.aligned_db.len() - 1).sum();
    let spread_db = (freedom > 0).then(|| {
        let mut spread = vec![0.0; POINTS];
        for i in support.clone() {
            let squares: f64 = sides.iter().map(|side| side.squares(i)).sum();
            spread[i] = (squares / freedom as f64).sqrt();
        }
        spread
    });
    Ok(Average {
        on_grid: OnGrid {
            level_db: mean(&side_means, &support),
            support,
        },
        spread_db,
        takes: takes.iter().map(|take| take.name.clone()).collect(),
    })
}

/// The takes of one side with aligned levels.
pub(super) struct AlignedSide {
    pub side: Side,
    pub aligned_db: Vec<Vec<f64>>,
    pub mean_db: Vec<f64>,
}

impl AlignedSide {
    fn squares(&self, i: usize) -> f64 {
        self.aligned_db
            .iter()
            .map(|level| (level[i] - self.mean_db[i]).powi(2))
            .sum()
    }
}

/// The sides that have takes, aligned as described at [`average`].
pub(super) fn aligned_sides(takes: &[Take], support: &Range<usize>) -> Vec<AlignedSide> {
    let order = canonical_order(takes);
    let mut sides = Vec::new();
    for side in Side::ALL {
        let levels: Vec<&[f64]> = order
            .iter()
            .map(|i| &takes[*i])
            .filter(|take| take.side == side)
            .map(|take| take.on_grid.level_db.as_slice())
            .collect();
        if !levels.is_empty() {
            let aligned_db = aligned(&levels, support);
            let of_side: Vec<&[f64]> = aligned_db.iter().map(Vec::as_slice).collect();
            let mean_db = mean(&of_side, support);
            sides.push(AlignedSide {
                side,
                aligned_db,
                mean_db,
            });
        }
    }
    sides
}

pub(super) fn shared_support(takes: &[Take]) -> Result<Range<usize>> {
    let Some(first) = takes.first() else {
        return Err(Error::of(Fault::NoTakes, Source::name("takes")));
    };
    let mut support = first.on_grid.support.clone();
    for take in takes {
        let shared = grid::intersection(&support, &take.on_grid.support);
        if shared.len() < POINTS_PER_OCTAVE {
            let (own, others) = (take.on_grid.band_hz(), grid::band_hz(&support));
            let fault = Fault::TakeApart(own.into(), others.into());
            return Err(Error::of(fault, &*take.name));
        }
        support = shared;
    }
    Ok(support)
}

/// The levels of a side's takes, shifted to their mean level.
fn aligned(levels: &[&[f64]], support: &Range<usize>) -> Vec<Vec<f64>> {
    let mut centre_db = vec![0.0; POINTS];
    for i in support.clone() {
        centre_db[i] = median(levels.iter().map(|level| level[i]).collect());
    }
    let offsets_db: Vec<f64> = levels
        .iter()
        .map(|level| {
            let difference: Vec<f64> = level.iter().zip(&centre_db).map(|(a, b)| a - b).collect();
            offset_db(&difference, support)
        })
        .collect();
    let mean_db = offsets_db.iter().sum::<f64>() / offsets_db.len() as f64;
    let shifted = |(level, offset_db): (&&[f64], &f64)| -> Vec<f64> {
        level.iter().map(|db| db - (offset_db - mean_db)).collect()
    };
    levels.iter().zip(&offsets_db).map(shifted).collect()
}

/// The level of a difference of two curves (one value for each grid point), dB: its median over 200 Hz to 2 kHz, or
/// over all of `support` if that does not cover the band.
pub(crate) fn offset_db(difference_db: &[f64], support: &Range<usize>) -> f64 {
    let band = alignment_band(support).unwrap_or_else(|| support.clone());
    median(difference_db[band].to_vec())
}

/// The grid points from 200 Hz to 2 kHz; None if `support` does not cover all of them.
pub(crate) fn alignment_band(support: &Range<usize>) -> Option<Range<usize>> {
    let f_hz = grid::frequency_hz();
    let band = f_hz.partition_point(|f| *f < ALIGNMENT_HZ.0)
        ..f_hz.partition_point(|f| *f <= ALIGNMENT_HZ.1);
    (grid::intersection(&band, support) == band).then_some(band)
}

pub(super) fn mean(levels: &[&[f64]], support: &Range<usize>) -> Vec<f64> {
    let mut mean = vec![0.0; POINTS];
    for i in support.clone() {
        let sum: f64 = levels.iter().map(|level| level[i]).sum();
        mean[i] = sum / levels.len() as f64;
    }
    mean
}

/// The median; 0 if there are no values.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => 0.0,
        n if n % 2 == 1 => values[half],
        _ => 0.5 * (values[half - 1] + values[half]),
    }
}
