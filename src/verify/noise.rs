//! How far the averages of two sets of takes differ by chance, as a covariance over frequency.
//!
//! Errors of takes are smooth in frequency, so neighbouring points are no independent witnesses. The covariance of one
//! take is `a(f) a(g) C(|log2 f/g|)`:
//!
//! - `a^2` is the pooled variance of the takes about their own side's mean, before and after, averaged over 1/4 octave,
//!   and drawn toward [`EXPECTED_DB`] with the weight of [`EXPECTED_FREEDOM`] takes: few takes know their spread badly.
//! - `C` is a mixture of squared exponentials of three widths ([`WIDTHS_OCTAVES`]) and of noise that is independent
//!   from point to point; of a fixed list of mixtures the one under which the takes' deviations are likeliest.
//!
//! The difference of two means of `n` and `m` takes has `1/n + 1/m` of it; of several sides averaged, the mean of theirs
//! over their number. Added is what takes of one session cannot show: another day's seating and level of the rig
//! ([`SESSION_DB`]), and the coupler's resonance moved by a seat that few takes may not have caught ([`SEAT_MM`]).
//! Where the rig is trusted less than fully, the standard error grows by 1/trust. The constants are our own choice.

use std::ops::Range;

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::measurement::grid::{self, POINTS, POINTS_PER_OCTAVE};

/// Every how many grid points the change is judged: 1/12 octave.
pub const STRIDE: usize = 4;
/// Spread that is expected of takes before they tell, dB.
pub const EXPECTED_DB: f64 = 0.3;
/// How many degrees of freedom that expectation weighs.
pub const EXPECTED_FREEDOM: f64 = 3.0;
/// Widths of the correlation, octaves (standard deviation of a Gaussian).
pub const WIDTHS_OCTAVES: [f64; 3] = [1.5, 0.5, 0.15];
/// Difference of two sessions beyond that of takes, dB, about one octave wide.
pub const SESSION_DB: f64 = 0.1;
/// What nothing here is finer than, dB, independent from point to point.
const FLOOR_DB: f64 = 0.03;
/// Depth by which the seats of two sessions may differ beyond what a single take a side shows, mm; its square falls with the
/// degrees of freedom.
pub const SEAT_MM: f64 = 0.4;
/// Shares of the three widths and of independent noise where no take can tell.
const USUAL_SHARES: [f64; 4] = [0.45, 0.3, 0.2, 0.05];

/// Deviations of takes from the mean of their own side and session, by grid point, dB.
pub struct Deviations {
    /// Of each take.
    pub db: Vec<Vec<f64>>,
    /// Takes in the mean, for each.
    pub of: Vec<usize>,
    /// Takes less means.
    pub freedom: usize,
}

/// The noise of one take.
#[derive(Debug, Clone)]
pub struct Noise {
    /// Standard deviation of one take, by grid point, dB.
    pub take_db: Vec<f64>,
    /// Shares of the three widths and of independent noise in the variance.
    pub shares: [f64; 4],
    /// Degrees of freedom of the takes' spread; 0: every side has one take, and the spread is only expected.
    pub freedom: usize,
    /// What a seat deeper by a millimetre does, by grid point, dB; None where the coupler's resonance was not found.
    pub seat_db_per_mm: Option<Vec<f64>>,
}

/// The points at which the change is judged: trusted at least by `least_trust`, within `support`.
#[must_use]
pub fn points(support: &Range<usize>, trust: &[f64], least_trust: f64) -> Vec<usize> {
    support
        .clone()
        .step_by(STRIDE)
        .filter(|i| trust[*i] >= least_trust)
        .collect()
}

fn octaves(i: usize, k: usize) -> f64 {
    (i as f64 - k as f64) / POINTS_PER_OCTAVE as f64
}

fn bell(octaves: f64, width_octaves: f64) -> f64 {
    (-0.5 * (octaves / width_octaves).powi(2)).exp()
}

fn correlation(shares: &[f64; 4], i: usize, k: usize) -> f64 {
    let smooth: f64 = shares
        .iter()
        .zip(WIDTHS_OCTAVES)
        .map(|(share, width)| share * bell(octaves(i, k), width))
        .sum();
    smooth + if i == k { shares[3] } else { 0.0 }
}

/// Mixtures in quarters of what is not independent noise.
fn mixtures() -> impl Iterator<Item = [f64; 4]> {
    let quarters = (0..=4).flat_map(|a| (0..=4 - a).map(move |b| [a, b, 4 - a - b]));
    quarters.flat_map(|parts| {
        [0.01, 0.05, 0.2].map(|white| {
            let [a, b, c] = parts.map(|part| f64::from(part) * 0.25 * (1.0 - white));
            [a, b, c, white]
        })
    })
}

impl Noise {
    /// The noise of takes with these deviations, over `points`.
    #[must_use]
    pub fn of_takes(
        deviations: &Deviations,
        support: &Range<usize>,
        points: &[usize],
        seat_db_per_mm: Option<Vec<f64>>,
    ) -> Self {
        let freedom = deviations.freedom as f64;
        let half = POINTS_PER_OCTAVE / 8;
        let variance: Vec<f64> = (0..POINTS)
            .map(|i| deviations.db.iter().map(|d| d[i] * d[i]).sum())
            .collect();
        let take_db = (0..POINTS)
            .map(|i| {
                // Empty outside the data, where nothing but the expected spread is known.
                let near = grid::intersection(&(i.saturating_sub(half)..i + half + 1), support);
                let count = near.len().max(1) as f64;
                let squares: f64 = variance[near].iter().sum::<f64>() / count;
                let expected = EXPECTED_FREEDOM * EXPECTED_DB * EXPECTED_DB;
                ((squares + expected) / (freedom + EXPECTED_FREEDOM)).sqrt()
            })
            .collect();
        let mut noise = Self {
            take_db,
            shares: USUAL_SHARES,
            freedom: deviations.freedom,
            seat_db_per_mm,
        };
        if deviations.freedom >= 2 {
            noise.shares = noise.likeliest_shares(deviations, points);
        }
        noise
    }

    fn likeliest_shares(&self, deviations: &Deviations, points: &[usize]) -> [f64; 4] {
        let scaled: Vec<DVector<f64>> = deviations
            .db
            .iter()
            .zip(&deviations.of)
            .filter(|(_, n)| **n > 1)
            .map(|(db, _)| {
                DVector::from_iterator(
                    points.len(),
                    points.iter().map(|i| db[*i] / self.take_db[*i]),
                )
            })
            .collect();
        let likelihood = |shares: &[f64; 4]| {
            let matrix = DMatrix::from_fn(points.len(), points.len(), |r, c| {
                correlation(shares, points[r], points[c])
            });
            let factor = Cholesky::new(matrix)?;
            let squares: f64 = scaled.iter().map(|z| z.dot(&factor.solve(z))).sum();
            let count = deviations.freedom as f64 * points.len() as f64;
            // The scale is free here: a(f) has set it.
            Some(
                -0.5 * deviations.freedom as f64 * factor.ln_determinant()
                    - 0.5 * count * (squares / count).max(1e-12).ln(),
            )
        };
        mixtures()
            .filter_map(|shares| Some((likelihood(&shares)?, shares)))
            .filter(|(likelihood, _)| likelihood.is_finite())
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .map_or(USUAL_SHARES, |(_, shares)| shares)
    }

    /// The covariance, dB^2, of a measured change over `points`, the mean of so many `sides`; `means` is what averaging
    /// leaves of one take's variance.
    #[must_use]
    pub fn covariance(
        &self,
        points: &[usize],
        trust: &[f64],
        means: f64,
        sides: usize,
    ) -> DMatrix<f64> {
        let each = 1.0 / sides.max(1) as f64;
        let seat_mm = SEAT_MM / (1.0 + 0.5 * self.freedom as f64).sqrt();
        let seat_db = |i: usize| self.seat_db_per_mm.as_ref().map_or(0.0, |db| seat_mm * db[i]);
        DMatrix::from_fn(points.len(), points.len(), |r, c| {
            let (i, k) = (points[r], points[c]);
            let takes = means * self.take_db[i] * self.take_db[k] * correlation(&self.shares, i, k);
            let session = SESSION_DB * SESSION_DB * bell(octaves(i, k), 1.0);
            let coupler = seat_db(i) * seat_db(k);
            let floor = if r == c { FLOOR_DB * FLOOR_DB } else { 0.0 };
            (takes + each * (session + coupler) + floor) / (trust[i] * trust[k])
        })
    }
}

/// How far a change over some points is from none in standard errors, its level left free.
pub struct ErrorModel {
    /// Columns of the inverse of the covariance's lower factor, each from its diagonal on.
    columns: Vec<Vec<f64>>,
    /// What whitening makes of a level, scaled to length 1.
    level: Vec<f64>,
    /// Inverse covariance times ones, divided by their sum: the weights of the level.
    level_weights: Vec<f64>,
    /// Standard error of the level, dB.
    level_error_db: f64,
    ln_determinant: f64,
}

impl ErrorModel {
    /// From the covariance of the change; None where that is none (no point, numbers out of range).
    #[must_use]
    pub fn new(covariance: DMatrix<f64>) -> Option<Self> {
        let n = covariance.nrows();
        if n < 3 {
            return None;
        }
        let factor = Cholesky::new(covariance)?;
        let ones = factor.solve(&DVector::from_element(n, 1.0));
        let weight = ones.sum();
        let inverse = factor
            .l()
            .solve_lower_triangular(&DMatrix::identity(n, n))?;
        let columns: Vec<Vec<f64>> = (0..n)
            .map(|k| inverse.column(k).iter().skip(k).copied().collect())
            .collect();
        let mut model = Self {
            columns,
            level: vec![0.0; n],
            level_weights: ones.iter().map(|w| w / weight).collect(),
            level_error_db: weight.sqrt().recip(),
            ln_determinant: factor.ln_determinant() + weight.ln(),
        };
        let level = model.whitened(&vec![1.0; n]);
        model.level = level.iter().map(|x| x / weight.sqrt()).collect();
        (weight.is_finite() && model.ln_determinant.is_finite()).then_some(model)
    }

    /// A change in standard errors, its level taken out: values that vary independently, with variance 1.
    #[must_use]
    pub fn whitened(&self, change_db: &[f64]) -> Vec<f64> {
        let n = self.level.len();
        let mut white = vec![0.0; n];
        for (k, (column, db)) in self.columns.iter().zip(change_db).enumerate() {
            for (sum, factor) in white[k..].iter_mut().zip(column) {
                *sum += factor * db;
            }
        }
        let along = dot(&white, &self.level);
        for (x, level) in white.iter_mut().zip(&self.level) {
            *x -= along * level;
        }
        white
    }

    /// Square of the distance of a change from 0 in standard errors, level-free.
    #[must_use]
    pub fn squares(&self, change_db: &[f64]) -> f64 {
        let white = self.whitened(change_db);
        dot(&white, &white)
    }

    /// The level of a change, dB.
    #[must_use]
    pub fn level_db(&self, change_db: &[f64]) -> f64 {
        dot(&self.level_weights, change_db)
    }

    /// Standard error of the level, dB.
    #[must_use]
    pub fn level_error_db(&self) -> f64 {
        self.level_error_db
    }

    /// Logarithm of the determinant of the covariance with the level free.
    #[must_use]
    pub fn ln_determinant(&self) -> f64 {
        self.ln_determinant
    }
}

/// The inner product; summed in lanes, since this is where the time of a diagnosis goes.
#[must_use]
pub fn dot(a: &[f64], b: &[f64]) -> f64 {
    const LANES: usize = 8;
    let mut sums = [0.0; LANES];
    let (a_lanes, b_lanes) = (a.chunks_exact(LANES), b.chunks_exact(LANES));
    let rest = a_lanes.remainder().iter().zip(b_lanes.remainder());
    let rest: f64 = rest.map(|(x, y)| x * y).sum();
    for (x, y) in a_lanes.zip(b_lanes) {
        for lane in 0..LANES {
            sums[lane] += x[lane] * y[lane];
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// The covariance of a change that nobody has thought of, dB^2: of either sign, a few tenths of an octave wide.
#[must_use]
pub fn of_anything(points: &[usize]) -> DMatrix<f64> {
    const WIDE: (f64, f64) = (1.2, 0.9);
    const NARROW: (f64, f64) = (0.8, 0.25);
    DMatrix::from_fn(points.len(), points.len(), |r, c| {
        let apart = octaves(points[r], points[c]);
        [WIDE, NARROW]
            .iter()
            .map(|(db, width)| db * db * bell(apart, *width))
            .sum()
    })
}
