//! The best fit that costs no more loudness than was wished, and what more loudness would buy.
//!
//! Preamp and loudness see nothing of a fit but how far its highest gain lies above its mean, so what must give way is
//! what is wanted above some ceiling. Fits toward the wanted change cut off at ceilings find how low it has to be; each is
//! then judged by what was really wanted. Quick fits find the place, and what all of them cost and leave is the
//! trade-off; the asked effort goes into the best place.

use super::outcome::TradeOffPoint;
use super::restraint::Playable;
use crate::fit::Effort;

/// Halvings of the interval between a ceiling that is low enough and one that is not, with quick fits.
const BISECTIONS: usize = 7;
/// Ceilings between the least and the most that is wanted, for the trade-off.
const CEILINGS: usize = 10;
/// Fits at the asked effort about the best ceiling, each nearer than the one before.
const LONGER_FITS: usize = 4;
/// The first of their steps, as a share of what is wanted at most less what is wanted at least.
const FIRST_STEP: f64 = 1.0 / 64.0;

impl TradeOffPoint {
    pub(super) fn of(fit: &Playable) -> Self {
        Self {
            loudness_loss_db: fit.loudness_loss_db(),
            preamp_db: fit.headroom.preamp_db,
            residual_db: fit.residual_db,
        }
    }
}

/// The best of all fits that lose no more than `most_loss_db`, `free` among them, which knows no ceiling; and the
/// trade-off. `fit_under` fits under a ceiling, in dB of the wanted change, which lies in `wanted_db` (least, most); None where
/// nothing helps there.
pub(super) fn within_loss(
    most_loss_db: f64,
    wanted_db: (f64, f64),
    effort: Effort,
    free: Playable,
    fit_under: impl Fn(f64, Effort) -> Option<Playable>,
) -> (Option<Playable>, Vec<TradeOffPoint>) {
    let mut found: Vec<(f64, Playable)> = vec![(f64::INFINITY, free)];
    let (least_db, most_db) = wanted_db;
    for step in 1..CEILINGS {
        let ceiling_db = least_db + (most_db - least_db) * step as f64 / CEILINGS as f64;
        found.extend(fit_under(ceiling_db, Effort::Quick).map(|fit| (ceiling_db, fit)));
    }
    let fits = |fit: &Playable| fit.loudness_loss_db() <= most_loss_db;
    if !fits(&found[0].1) {
        let (mut enough_db, mut too_much_db) = wanted_db;
        for _ in 0..BISECTIONS {
            let between_db = f64::midpoint(enough_db, too_much_db);
            let fit = fit_under(between_db, Effort::Quick);
            // Where nothing helps, nothing is lost.
            match fit.as_ref().is_none_or(fits) {
                true => enough_db = between_db,
                false => too_much_db = between_db,
            }
            found.extend(fit.map(|fit| (between_db, fit)));
        }
        let best = best_of(&found, fits).map(|(ceiling_db, _)| *ceiling_db);
        if let Some(mut ceiling_db) = best.filter(|_| effort > Effort::Quick) {
            let mut step_db = FIRST_STEP * (most_db - least_db);
            for _ in 0..LONGER_FITS {
                let fit = fit_under(ceiling_db, effort);
                let higher = fit.as_ref().is_none_or(fits);
                found.extend(fit.map(|fit| (ceiling_db, fit)));
                ceiling_db += if higher { step_db } else { -step_db };
                step_db *= 0.5;
            }
        }
    }
    let best = best_of(&found, fits).map(|(_, fit)| fit.clone());
    (best, trade_off(found.iter().map(|(_, fit)| fit)))
}

/// The fit of least J among those that `fit`.
fn best_of(
    found: &[(f64, Playable)],
    fits: impl Fn(&Playable) -> bool,
) -> Option<&(f64, Playable)> {
    let fitting = found.iter().filter(|(_, fit)| fits(fit));
    fitting.min_by(|(_, a), (_, b)| a.objective_db2.total_cmp(&b.objective_db2))
}

/// The fits that no other beats in both loss and residual, by rising loss.
fn trade_off<'a>(fits: impl Iterator<Item = &'a Playable>) -> Vec<TradeOffPoint> {
    let mut points: Vec<TradeOffPoint> = fits.map(TradeOffPoint::of).collect();
    points.sort_by(|a, b| {
        let by_loss = a.loudness_loss_db.total_cmp(&b.loudness_loss_db);
        by_loss.then(a.residual_db.total_cmp(&b.residual_db))
    });
    let mut least_db = f64::INFINITY;
    points.retain(|point| {
        let better = point.residual_db < least_db;
        least_db = least_db.min(point.residual_db);
        better
    });
    points
}
