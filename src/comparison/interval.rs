//! A figure, how surely it is known, and by how much two figures differ.
//!
//! Seatings of a side are taken as drawn at random. Two kinds of figures have a standard error:
//!
//! - errors of the takes left out ([`typical`]): the mean of their logarithms, each side by itself, since errors are
//!   positive and spread by ratio; the figure is their geometric mean;
//! - figures of the whole ([`jackknifed`]): the jackknife over the seatings left out, each side by itself (B. Efron and
//!   C. Stein, Annals of Statistics 9, 1981, from memory).
//!
//! Both know what seatings differ in. A search also chooses among answers that are as good as each other, and other seatings
//! make it choose otherwise: this luck has a standard deviation of its own, measured by searches that leave a seating out,
//! for loudness together with what is usual, and its square is added.
//!
//! Intervals are Student's with seatings less sides degrees of freedom, those of differences by Welch and Satterthwaite (from
//! memory). With fewer than three seatings on any side there is none; nor is there one of a figure of the whole where a seating
//! was set aside for a narrow difference, since those that remain were chosen for being alike (simulated, such intervals held
//! the value of the long run in 60 to 67 %).

use crate::verify::student;

/// How surely an interval holds the value of the long run.
pub const CONFIDENCE: f64 = 0.9;
/// Fewest seatings of a side that tell an interval. Two have one difference, and their interval is next to useless.
pub const FEWEST: usize = 3;

/// A figure in dB.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Figure {
    /// Its value, dB.
    pub value_db: f64,
    /// Where its long-run value lies with 90 % confidence, dB; none (`null`) with fewer than three seatings on a side, and of a
    /// figure of the whole where a seating was set aside for a narrow difference.
    pub interval_db: Option<(f64, f64)>,
    /// Lowest and highest value with one seating left out, or of one left out, dB; none (`null`) where none can be left out.
    pub range_db: Option<(f64, f64)>,
    /// Its standard error.
    #[serde(skip)]
    pub error: Option<StandardError>,
}

/// The standard error of a figure.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StandardError {
    /// Its size, dB.
    pub db: f64,
    /// Its degrees of freedom.
    pub freedom: usize,
}

/// A difference of two figures, the one less the other.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Difference {
    /// The difference, dB.
    pub value_db: f64,
    /// Its 90 % interval, dB; none (`null`) where a figure has no standard error.
    pub interval_db: Option<(f64, f64)>,
}

impl Figure {
    /// A figure of which only the value is known.
    #[must_use]
    pub fn alone(value_db: f64) -> Self {
        Self {
            value_db,
            interval_db: None,
            range_db: None,
            error: None,
        }
    }

    /// The same without an interval and a standard error, where what is known does not tell them.
    #[must_use]
    pub fn of_unknown_error(self) -> Self {
        Self {
            interval_db: None,
            error: None,
            ..self
        }
    }

    /// This figure less another.
    #[must_use]
    pub fn less(&self, other: &Self) -> Difference {
        let value_db = self.value_db - other.value_db;
        let interval_db = self.error.zip(other.error).map(|(own, its)| {
            let (own_db2, its_db2) = (own.db.powi(2), its.db.powi(2));
            let sum_db2 = own_db2 + its_db2;
            let parts = own_db2.powi(2) / own.freedom as f64 + its_db2.powi(2) / its.freedom as f64;
            // Errors of 0 dB have all the freedom there is.
            let freedom = if parts > 0.0 { sum_db2.powi(2) / parts } else { own.freedom as f64 };
            let half_db = reach(freedom as usize) * sum_db2.sqrt();
            (value_db - half_db, value_db + half_db)
        });
        Difference {
            value_db,
            interval_db,
        }
    }
}

/// How many standard errors an interval reaches to each side.
fn reach(freedom: usize) -> f64 {
    student::exceeded(0.5 * (1.0 - CONFIDENCE), freedom.max(1))
}

/// Lowest and highest of some values.
fn range(values: impl Iterator<Item = f64> + Clone) -> Option<(f64, f64)> {
    let lowest = values.clone().reduce(f64::min)?;
    Some((lowest, values.reduce(f64::max)?))
}

/// Seatings less sides, where every side has enough.
fn freedom(sides: &[Vec<f64>]) -> Option<usize> {
    let enough = !sides.is_empty() && sides.iter().all(|side| side.len() >= FEWEST);
    enough.then(|| sides.iter().map(|side| side.len() - 1).sum())
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

/// Sum of squares about the mean.
fn squares(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|value| (value - mean).powi(2)).sum()
}

/// The typical error of seatings: their geometric mean, sides counting alike. `errors_db`, above 0, by side; `luck` is the
/// standard deviation of what the search adds, of the error's natural logarithm.
///
/// # Panics
/// If there is no side, or one without seatings.
#[must_use]
pub fn typical(errors_db: &[Vec<f64>], luck: f64) -> Figure {
    let logs: Vec<Vec<f64>> = errors_db
        .iter()
        .map(|side| side.iter().map(|db| db.max(f64::MIN_POSITIVE).ln()).collect())
        .collect();
    let sides = logs.len() as f64;
    let value_db = (logs.iter().map(|side| mean(side)).sum::<f64>() / sides).exp();
    let error = freedom(&logs).map(|freedom| {
        let variance = logs.iter().map(|side| squares(side)).sum::<f64>() / freedom as f64;
        let of_mean = logs.iter().map(|side| variance / side.len() as f64).sum::<f64>();
        ((of_mean / sides.powi(2) + luck.powi(2)).sqrt(), freedom)
    });
    Figure {
        value_db,
        interval_db: error.map(|(log, freedom)| {
            let ratio = (reach(freedom) * log).exp();
            (value_db / ratio, value_db * ratio)
        }),
        range_db: range(errors_db.iter().flatten().copied()),
        error: error.map(|(log, freedom)| StandardError {
            db: log * value_db,
            freedom,
        }),
    }
}

/// A figure of the whole, with what it is when each seating is left out, by side, and the standard deviation of what the
/// search adds, all in dB.
#[must_use]
pub fn jackknifed(value_db: f64, left_out_db: &[Vec<f64>], luck_db: f64) -> Figure {
    let error = freedom(left_out_db).map(|freedom| {
        let of_side = |side: &Vec<f64>| (side.len() - 1) as f64 / side.len() as f64 * squares(side);
        StandardError {
            db: (left_out_db.iter().map(of_side).sum::<f64>() + luck_db.powi(2)).sqrt(),
            freedom,
        }
    });
    Figure {
        value_db,
        interval_db: error.map(|error| {
            let half_db = reach(error.freedom) * error.db;
            (value_db - half_db, value_db + half_db)
        }),
        range_db: range(left_out_db.iter().flatten().copied()),
        error,
    }
}
