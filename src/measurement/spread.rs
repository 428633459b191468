//! How far takes repeat, in a few figures.

use std::ops::Range;

use super::grid;

/// How far takes repeat, over the trusted band (all that is known, where nothing is trusted).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SpreadFigures {
    /// Root mean square of the spread over the grid points, dB, 0 or more.
    pub rms_db: f64,
    /// The largest spread, dB, 0 or more.
    pub largest_db: f64,
    /// Frequency of the largest spread, Hz.
    pub largest_hz: f64,
}

impl SpreadFigures {
    /// Of a spread over the whole grid, dB, within the trusted band; None where `support` has no point in it.
    #[must_use]
    pub fn of(
        spread_db: &[f64],
        support: &Range<usize>,
        trusted_band_hz: Option<(f64, f64)>,
    ) -> Option<Self> {
        let (lowest_hz, highest_hz) = trusted_band_hz.unwrap_or((0.0, f64::INFINITY));
        Self::over(spread_db, support, |f_hz| {
            (lowest_hz..=highest_hz).contains(&f_hz)
        })
    }

    /// The same over the grid frequencies that count.
    #[must_use]
    pub fn over(
        spread_db: &[f64],
        support: &Range<usize>,
        counts: impl Fn(f64) -> bool,
    ) -> Option<Self> {
        let f_hz = grid::frequency_hz();
        let counted: Vec<usize> = support.clone().filter(|i| counts(f_hz[*i])).collect();
        let by_spread = |a: &usize, b: &usize| spread_db[*a].total_cmp(&spread_db[*b]);
        let largest = counted.iter().copied().max_by(by_spread)?;
        let squares: f64 = counted.iter().map(|i| spread_db[*i].powi(2)).sum();
        Some(Self {
            rms_db: (squares / counted.len() as f64).sqrt(),
            largest_db: spread_db[largest],
            largest_hz: f_hz[largest],
        })
    }
}
