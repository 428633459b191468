//! Leaks: the loss of bass by an imperfect seal.
//!
//! A leak acts as a high-pass. To the difference take minus reference, from 20 Hz to 1 kHz, is fitted
//!
//! - a free level;
//! - the bass of the seating: a low shelf at 110 Hz with a Gaussian prior of 0 +- 0.3 dB and at most 1 dB, so that a
//!   harmless difference is neither taken for a leak nor distorts its figures;
//! - a loss of first order, `|H|^2 = 1 / (1 + (fc/f)^2)`; or, if the air in the leak has mass, of second order with a
//!   q, `|H|^2 = r^4 / ((1 - r^2)^2 + (r/q)^2)`, `r = f/fc`.
//!
//! Level and shelf follow by linear least squares for each corner and q of a table; the best is refined by halving
//! steps. The second order is chosen if it fits clearly better: at most half of the first order's squared misfit, and
//! at least 0.05 dB rms less. Source: the models are the simplest of acoustics (from memory); priors and criterion are
//! ours.
//!
//! A loss is judged where it is worst from 20 to 40 Hz ([`Loss`]): a leak with some mass resonates, and can lose next to
//! nothing at one frequency and much an octave below. Which loss counts is set by
//! [`LEAK_THRESHOLD_DB`]; the verdict is given in [`super::judge`].

use std::ops::Range;
use std::sync::LazyLock;

use super::grid::{self, frequency_hz};
use super::takes::median;
use crate::units::db_from_power;

/// Worst loss from 20 to 40 Hz against the sound takes of the same side from which a take counts as leaking, dB. Our
/// choice: five times the difference of sound seatings (0.3 dB rms), and below the 2 dB that must not be missed.
pub const LEAK_THRESHOLD_DB: f64 = 1.5;
/// Band in which the worst loss of a leak is judged, hertz; the data must reach into it. Below it few rigs are quiet, and
/// above it a leak that matters has lost more already.
pub const JUDGED_HZ: (f64, f64) = (20.0, 40.0);
/// Frequency at which the loss of a leak is stated besides, hertz.
pub const LOSS_AT_HZ: f64 = 30.0;

/// Upper end of the fit, hertz.
const TO_HZ: f64 = 1000.0;
/// Grid points from one fitted point to the next: 12 an octave.
const STRIDE: usize = 4;
/// Below this frequency, points are weighted in proportion to frequency: rigs are noisier there, and many data have few
/// independent points.
const FULL_WEIGHT_HZ: f64 = 100.0;
/// Misfit of a point that is expected from noise and ripple, dB.
const EXPECTED_DB: f64 = 0.12;
/// Standard deviation of the bass of sound seatings about their mean, dB.
const SHELF_RMS_DB: f64 = 0.3;
/// Largest difference in bass of a sound seating, dB.
const SHELF_MOST_DB: f64 = 1.0;
/// Frequency and q of the seating's shelf, hertz. Our choice.
const SHELF_HZ: f64 = 110.0;
const SHELF_Q: f64 = 0.6;
/// Table of corner frequencies: the lowest one, hertz; their number per octave; and their total number.
const LOWEST_CORNER_HZ: f64 = 2.0;
const CORNERS_PER_OCTAVE: f64 = 8.0;
const CORNERS: usize = 65;
/// Highest corner frequency of the refined fit, hertz.
const HIGHEST_CORNER_HZ: f64 = 560.0;
/// Table of q for the second order. Our choice.
const QS: [f64; 9] = [0.4, 0.5, 0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5];

/// The order of a leak's high-pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Order {
    /// 6 dB an octave.
    First,
    /// 12 dB an octave, with a q.
    Second,
}

/// A loss of bass, with its figures.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Leak {
    /// Bass lost at 30 Hz, dB; positive is a loss.
    pub loss_at_30_hz_db: f64,
    /// Corner frequency of the high-pass, Hz.
    pub corner_hz: f64,
    /// Its order.
    pub order: Order,
    /// Its q, above 0; none (`null`) for the first order.
    pub q: Option<f64>,
}

impl Leak {
    /// The loss at a frequency, dB, positive. A second-order loss may be slightly negative above its corner.
    #[must_use]
    pub fn loss_db(&self, frequency_hz: f64) -> f64 {
        loss_db(self.corner_hz, self.q, frequency_hz)
    }
}

/// A loss of bass and where it is worst.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Loss {
    /// Its high-pass.
    #[serde(flatten)]
    pub leak: Leak,
    /// The most that is lost from 20 to 40 Hz, as far down as the data reach, dB; positive is a loss.
    pub worst_loss_db: f64,
    /// Frequency of that loss, Hz.
    pub worst_loss_hz: f64,
}

/// The difference in bass between a take and a reference.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SealFit {
    /// The best-fitting loss; often nearly zero.
    pub leak: Leak,
    /// Lowest frequency of the data, hertz.
    pub from_hz: f64,
    /// The low shelf of the seating, dB, within +-1.
    pub shelf_db: f64,
    /// Root mean square of the rest between 20 Hz and 1 kHz, dB.
    pub misfit_db: f64,
}

/// Level of a small cookbook low shelf per dB of its gain.
fn shelf_db(f_hz: f64) -> f64 {
    let x2 = (f_hz / SHELF_HZ).powi(2);
    0.5 + 0.5 * (1.0 - x2 * x2) / ((1.0 - x2).powi(2) + x2 / (SHELF_Q * SHELF_Q))
}

fn loss_db(corner_hz: f64, q: Option<f64>, f_hz: f64) -> f64 {
    let c2 = (corner_hz / f_hz).powi(2);
    db_from_power(match q {
        None => 1.0 + c2,
        Some(q) => (1.0 - c2).powi(2) + c2 / (q * q),
    })
}

impl SealFit {
    /// The loss with its worst.
    #[must_use]
    pub fn loss(&self) -> Loss {
        let judged = frequency_hz()
            .iter()
            .copied()
            .filter(|f_hz| (self.from_hz.max(JUDGED_HZ.0)..=JUDGED_HZ.1).contains(f_hz));
        let of = |f_hz: f64| (self.leak.loss_db(f_hz), f_hz);
        let worst = judged.map(of).max_by(|a, b| a.0.total_cmp(&b.0));
        let (worst_loss_db, worst_loss_hz) = worst.unwrap_or_else(|| of(JUDGED_HZ.1));
        Loss {
            leak: self.leak,
            worst_loss_db,
            worst_loss_hz,
        }
    }

    /// The fitted difference at a frequency without the level, dB: shelf minus loss.
    #[must_use]
    pub fn explained_db(&self, frequency_hz: f64) -> f64 {
        self.shelf_db * shelf_db(frequency_hz) - self.leak.loss_db(frequency_hz)
    }
}

/// A corner frequency, a q, and the loss at every grid point.
type Model = (f64, Option<f64>, Vec<f64>);

/// All corners for the first order, then for the second order with each q.
static LOSSES_DB: LazyLock<Vec<Model>> = LazyLock::new(|| {
    let mut losses = Vec::new();
    for q in std::iter::once(None).chain(QS.map(Some)) {
        for k in 0..CORNERS {
            let corner_hz = LOWEST_CORNER_HZ * (k as f64 / CORNERS_PER_OCTAVE).exp2();
            let of = |f: &f64| loss_db(corner_hz, q, *f);
            losses.push((corner_hz, q, frequency_hz().iter().map(of).collect()));
        }
    }
    losses
});

static SHELF_DB: LazyLock<Vec<f64>> =
    LazyLock::new(|| frequency_hz().iter().map(|f| shelf_db(*f)).collect());

/// The points that are fitted, and the difference there.
struct Bass {
    at: Vec<usize>,
    difference_db: Vec<f64>,
}

struct Answer {
    squares: f64,
    corner_hz: f64,
    q: Option<f64>,
    shelf_db: f64,
    misfit_db: f64,
}

/// Fits a leak to `difference_db`, take minus reference, one value for each grid point. None if `support` does not
/// cover 40 Hz to 1 kHz.
#[must_use]
pub fn fit(difference_db: &[f64], support: &Range<usize>) -> Option<SealFit> {
    fit_below(TO_HZ, difference_db, support)
}

/// The same from 20 Hz to `to_hz` alone, for curves that differ above.
pub(super) fn fit_below(
    to_hz: f64,
    difference_db: &[f64],
    support: &Range<usize>,
) -> Option<SealFit> {
    let f_hz = frequency_hz();
    let needed = f_hz.partition_point(|f| *f < JUDGED_HZ.1)..f_hz.partition_point(|f| *f <= to_hz);
    if grid::intersection(&needed, support) != needed || difference_db.len() != f_hz.len() {
        return None;
    }
    let covered = support.start..needed.end;
    // Medians of five points, so that a single peak does not bend the fit.
    let at: Vec<usize> = covered.clone().step_by(STRIDE).collect();
    let near = |i: &usize| {
        let reach = (i - covered.start).min(covered.end - 1 - i).min(2);
        median(difference_db[i - reach..=i + reach].to_vec())
    };
    let bass = Bass {
        difference_db: at.iter().map(near).collect(),
        at,
    };
    let (first, second) = LOSSES_DB.split_at(CORNERS);
    let best = |models: &[Model]| {
        let answers = models.iter().map(|(corner_hz, q, losses_db)| {
            bass.answer(*corner_hz, *q, |k, _| losses_db[bass.at[k]])
        });
        answers.min_by(|a, b| a.squares.total_cmp(&b.squares))
    };
    let mut answer = bass.refined(best(first)?);
    if answer.misfit_db > EXPECTED_DB {
        let other = bass.refined(best(second)?);
        let clearly =
            other.squares <= 0.5 * answer.squares && other.misfit_db <= answer.misfit_db - 0.05;
        if clearly {
            answer = other;
        }
    }
    let order = if answer.q.is_some() {
        Order::Second
    } else {
        Order::First
    };
    Some(SealFit {
        leak: Leak {
            loss_at_30_hz_db: loss_db(answer.corner_hz, answer.q, LOSS_AT_HZ),
            corner_hz: answer.corner_hz,
            order,
            q: answer.q,
        },
        from_hz: f_hz[covered.start],
        shelf_db: answer.shelf_db,
        misfit_db: answer.misfit_db,
    })
}

impl Bass {
    /// The best level and shelf for a given loss; `loss(k, f_hz)` gives it in dB.
    fn answer(&self, corner_hz: f64, q: Option<f64>, loss: impl Fn(usize, f64) -> f64) -> Answer {
        let (mut n, mut y, mut g, mut yy, mut gy, mut gg) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for (k, i) in self.at.iter().enumerate() {
            let f_hz = frequency_hz()[*i];
            let left_db = self.difference_db[k] + loss(k, f_hz);
            let (shelf, weight) = (SHELF_DB[*i], (f_hz / FULL_WEIGHT_HZ).min(1.0));
            n += weight;
            y += weight * left_db;
            g += weight * shelf;
            yy += weight * left_db * left_db;
            gy += weight * shelf * left_db;
            gg += weight * shelf * shelf;
        }
        let (yy, gy, gg) = (yy - y * y / n, gy - g * y / n, gg - g * g / n);
        let prior = (EXPECTED_DB / SHELF_RMS_DB).powi(2);
        let shelf_db = (gy / (gg + prior)).clamp(-SHELF_MOST_DB, SHELF_MOST_DB);
        let left = (yy - 2.0 * shelf_db * gy + shelf_db * shelf_db * gg).max(0.0);
        Answer {
            squares: left + prior * shelf_db * shelf_db,
            corner_hz,
            q,
            shelf_db,
            misfit_db: (left / n).sqrt(),
        }
    }

    /// Refines corner and q by a pattern search whose steps are halved until they are below 0.1 %.
    fn refined(&self, mut best: Answer) -> Answer {
        let mut step = 0.5 / CORNERS_PER_OCTAVE;
        while step > 1e-3 {
            let mut moved = false;
            for (corner, q) in [(step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)] {
                let corner_hz =
                    (best.corner_hz * f64::exp2(corner)).clamp(LOWEST_CORNER_HZ, HIGHEST_CORNER_HZ);
                let q = best
                    .q
                    .map(|was| (was * f64::exp2(q)).clamp(QS[0], QS[QS.len() - 1]));
                let tried = self.answer(corner_hz, q, |_, f_hz| loss_db(corner_hz, q, f_hz));
                if tried.squares < best.squares {
                    best = tried;
                    moved = true;
                }
            }
            if !moved {
                step *= 0.5;
            }
        }
        best
    }
}
