//! Is a measured change the promised one within a tolerance? A statement of equivalence over third octaves.
//!
//! A deviation is the mean of measured less promised over any third octave of the judged band, level-free: less the mean
//! over all third octaves, each weighted by its precision. Its standard error follows from the covariance of the change
//! ([`noise`](super::noise)); chance is Student's, with the degrees of freedom of the takes and of what is expected of
//! spreads.
//!
//! - A third octave **resolves** the tolerance where a right load would stay within it: twice the reach of chance (95 %,
//!   to one side) is no more than the tolerance. Nothing of this depends on the measured deviation.
//! - The **bound** is the largest sum of a deviation's size and that reach over all that resolve. With 95 % confidence no
//!   third octave among them is off by more, all of them at once: whichever is off most, its own sum is below its true
//!   deviation with 5 % probability at most, so that no correction for their number is needed (the intersection-union
//!   principle; R. L. Berger, Technometrics 24, 1982, 295-300, from memory).
//! - A deviation is **surely there** where it exceeds what chance makes of the largest of all third octaves in one of a
//!   hundred measurements (Bonferroni's inequality).

use nalgebra::DMatrix;

use super::noise::STRIDE;
use super::student;
use crate::measurement::grid::{POINTS_PER_OCTAVE, frequency_hz};

/// Deviation that a promise may have, dB in any third octave: what is hardly heard in music, and what seatings differ by.
/// Our choice.
pub const TOLERANCE_DB: f64 = 1.0;
/// Confidence of the bound.
pub const CONFIDENCE: f64 = 0.95;
/// Probability that anything counts as surely there by chance.
const SURELY: f64 = 0.01;
/// Judged points of a third octave, both ends included.
const WIDTH: usize = POINTS_PER_OCTAVE / 3 / STRIDE + 1;

/// A deviation in one third octave.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Deviation {
    /// Its centre, hertz.
    pub frequency_hz: f64,
    /// Measured less promised, level-free, dB.
    pub db: f64,
    /// Its standard error, dB.
    pub error_db: f64,
    /// Its first and last judged point, as places in the list of them.
    ends: (usize, usize),
}

/// The deviations of one change.
#[derive(Debug, Clone, PartialEq)]
pub struct Equivalence {
    /// All third octaves, their centres 1/12 octave apart.
    pub deviations: Vec<Deviation>,
    /// Reach of chance in standard errors: of one third octave, and of the largest of all.
    reach: (f64, f64),
    tolerance_db: f64,
}

/// Third octaves of judged points that follow each other, and the weights of the level.
pub struct ThirdOctaves {
    ends: Vec<(usize, usize)>,
    /// One row for each; a mean, less the level.
    means: DMatrix<f64>,
    /// The weight of each point in the level.
    level: Vec<f64>,
}

impl ThirdOctaves {
    /// Those of the judged points `at`, for changes of this covariance.
    #[must_use]
    pub fn new(at: &[usize], covariance: &DMatrix<f64>) -> Self {
        let ends: Vec<(usize, usize)> = (0..at.len().saturating_sub(WIDTH - 1))
            .map(|k| (k, k + WIDTH - 1))
            .filter(|(first, last)| at[*last] - at[*first] == (WIDTH - 1) * STRIDE)
            .collect();
        let mut means = DMatrix::zeros(ends.len(), at.len());
        for (row, (first, last)) in ends.iter().enumerate() {
            for k in *first..=*last {
                // The ends count half: they are shared with the neighbours.
                let half = if k == *first || k == *last { 0.5 } else { 1.0 };
                means[(row, k)] = half / (WIDTH - 1) as f64;
            }
        }
        let variance = (&means * covariance * means.transpose()).diagonal();
        let precision = variance.map(|v| 1.0 / v.max(f64::MIN_POSITIVE));
        let sum = precision.sum();
        let mut level = vec![1.0 / at.len().max(1) as f64; at.len()];
        if sum > 0.0 {
            let weights = (precision / sum).transpose() * &means;
            for mut row in means.row_iter_mut() {
                row -= &weights;
            }
            level = weights.iter().copied().collect();
        }
        Self { ends, means, level }
    }

    /// The level of a change, dB.
    #[must_use]
    pub fn level_db(&self, change_db: &[f64]) -> f64 {
        self.level.iter().zip(change_db).map(|(w, db)| w * db).sum()
    }

    /// The level-free mean of a change in each, dB.
    #[must_use]
    pub fn of(&self, change_db: &[f64]) -> Vec<f64> {
        let change = nalgebra::DVector::from_column_slice(change_db);
        (&self.means * change).iter().copied().collect()
    }

    /// The largest of a change, dB with its sign, and its centre, hertz; None without a third octave.
    #[must_use]
    pub fn largest(&self, change_db: &[f64], at: &[usize]) -> Option<(f64, f64)> {
        let all = self.of(change_db).into_iter().zip(&self.ends);
        all.map(|(db, ends)| (db, centre_hz(at, *ends)))
            .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
    }
}

fn centre_hz(at: &[usize], (first, last): (usize, usize)) -> f64 {
    frequency_hz()[usize::midpoint(at[first], at[last])]
}

impl Equivalence {
    /// Of `left_over_db`, measured less promised at the judged points `at`, with its covariance.
    #[must_use]
    pub fn new(
        left_over_db: &[f64],
        covariance: &DMatrix<f64>,
        at: &[usize],
        freedom: usize,
        tolerance_db: f64,
    ) -> Self {
        let thirds = ThirdOctaves::new(at, covariance);
        let of_means = &thirds.means * covariance * thirds.means.transpose();
        let deviations: Vec<Deviation> = thirds
            .of(left_over_db)
            .into_iter()
            .zip(&thirds.ends)
            .enumerate()
            .map(|(k, (db, ends))| Deviation {
                frequency_hz: centre_hz(at, *ends),
                db,
                error_db: of_means[(k, k)].max(0.0).sqrt(),
                ends: *ends,
            })
            .collect();
        let apart = deviations.len().div_ceil(WIDTH - 1).max(1) as f64;
        Self {
            deviations,
            reach: (
                student::exceeded(1.0 - CONFIDENCE, freedom),
                student::exceeded(0.5 * SURELY / apart, freedom),
            ),
            tolerance_db,
        }
    }

    /// The tolerance, dB.
    #[must_use]
    pub fn tolerance_db(&self) -> f64 {
        self.tolerance_db
    }

    /// Whether a third octave resolves the tolerance.
    #[must_use]
    pub fn resolves(&self, deviation: &Deviation) -> bool {
        2.0 * self.reach.0 * deviation.error_db <= self.tolerance_db
    }

    /// The third octaves that resolve the tolerance.
    pub fn resolved(&self) -> impl Iterator<Item = &Deviation> {
        self.deviations.iter().filter(|d| self.resolves(d))
    }

    /// No third octave that resolves the tolerance is off by more, dB, and where that is, hertz; None where none resolves it.
    #[must_use]
    pub fn bound(&self) -> Option<(f64, f64)> {
        let reached = |d: &Deviation| d.db.abs() + self.reach.0 * d.error_db;
        self.resolved()
            .map(|d| (reached(d), d.frequency_hz))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    }

    /// Whether a deviation is surely there.
    #[must_use]
    pub fn is_surely_there(&self, deviation: &Deviation) -> bool {
        deviation.db.abs() > self.reach.1 * deviation.error_db
    }

    /// The largest deviation, of those that resolve the tolerance where any does.
    #[must_use]
    pub fn largest(&self) -> Option<&Deviation> {
        let larger = |a: &&Deviation, b: &&Deviation| a.db.abs().total_cmp(&b.db.abs());
        let resolved = self.resolved().max_by(larger);
        resolved.or_else(|| self.deviations.iter().max_by(larger))
    }

    /// The bands, hertz from end to end, of which every third octave resolves the tolerance.
    #[must_use]
    pub fn resolved_hz(&self, at: &[usize]) -> Vec<(f64, f64)> {
        let mut bands: Vec<(usize, usize)> = Vec::new();
        for deviation in self.resolved() {
            match bands.last_mut() {
                Some((_, last)) if deviation.ends.0 < *last => *last = deviation.ends.1,
                _ => bands.push(deviation.ends),
            }
        }
        let hz = |k: usize| frequency_hz()[at[k]];
        bands.into_iter().map(|(a, b)| (hz(a), hz(b))).collect()
    }
}
