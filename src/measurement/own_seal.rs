//! Which seal is the earphone's own, of takes that are alike but for their bass.
//!
//! A leak only ever takes bass away, and takes another amount at every seating; so as a rule the tightest take is right,
//! even if all others leak. But a vent takes bass away too, and the same amount at every seating: its corner repeats. So a
//! seal that most takes of the unit share, both sides together, is the earphone's own, and a take with more bass than they
//! have did not vent. Left against right alone cannot tell the two apart: vents come in pairs.
//!
//! Takes are placed by how much looser each seals than the tightest one (the worst loss from 20 to 40 Hz, [`leak`]); takes
//! of the other side take part where nothing but a loss of bass sets them apart from it.

use super::grid::{self, OnGrid, POINTS};
use super::leak;

/// Largest distance of takes that share a seal, dB from the middle one: at a corner of 40 Hz that is 3 to 4 Hz, and three
/// times what sound seatings differ by.
const SHARED_DB: f64 = 0.9;
/// Least number of takes that tell a vent from leaks that happen to be alike: two of three may be.
const LEAST_SHARING: usize = 3;
/// Largest misfit with which a take of the other side takes part, dB rms; or a quarter of its loss.
const OTHER_MISFIT_DB: f64 = 0.5;

/// Why a seal counts as the earphone's own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    /// No other is tighter.
    Tightest,
    /// Most takes of the unit share it, and none that is tighter than they.
    Shared,
    /// Two of three share it, the third is tighter: two leaks that are alike, or a vent that was blocked.
    Unclear,
}

/// Finds the earphone's own seal. `looser_db` says how much looser each take of the side seals than the tightest of them,
/// `others_db` the same of the other side's takes. Gives the reason, and the index of the take in whose middle the seal is.
pub(super) fn own_seal(looser_db: &[f64], others_db: &[f64]) -> (Why, usize) {
    let near = |places: &[f64], at: f64| {
        places.iter().filter(|db| (**db - at).abs() <= SHARED_DB).count()
    };
    let sharing = |k: usize| {
        let at = looser_db[k];
        near(looser_db, at) + near(others_db, at)
    };
    let away_db = |k: usize| -> f64 {
        let all = looser_db.iter().chain(others_db);
        let near = all.filter(|db| (**db - looser_db[k]).abs() <= SHARED_DB);
        near.map(|db| (db - looser_db[k]).powi(2)).sum()
    };
    let mut by_support: Vec<usize> = (0..looser_db.len()).collect();
    by_support.sort_by(|a, b| {
        let more = sharing(*b).cmp(&sharing(*a));
        more.then_with(|| away_db(*a).total_cmp(&away_db(*b)))
            .then_with(|| looser_db[*a].total_cmp(&looser_db[*b]))
    });
    let tightest = (0..looser_db.len())
        .min_by(|a, b| looser_db[*a].total_cmp(&looser_db[*b]))
        .unwrap_or(0);
    let Some(middle) = by_support.first().copied() else {
        return (Why::Tightest, tightest);
    };
    let most = 2 * sharing(middle) > looser_db.len() + others_db.len();
    let is_tightest = looser_db[middle] - looser_db[tightest] <= SHARED_DB;
    match (most, sharing(middle) >= LEAST_SHARING) {
        (true, true) => (Why::Shared, middle),
        (true, false) if !is_tightest => (Why::Unclear, middle),
        _ => (Why::Tightest, tightest),
    }
}

/// Whether takes of the seals `one` and `other`, as in [`own_seal`], share it.
pub(super) fn shares(one_db: f64, other_db: f64) -> bool {
    (one_db - other_db).abs() <= SHARED_DB
}

/// How much looser a take of the other side seals than `tightest`, dB; None where more than a loss sets them apart.
pub(super) fn looser_than_db(take: &OnGrid, tightest: &OnGrid) -> Option<f64> {
    let both = grid::intersection(&take.support, &tightest.support);
    let mut difference_db = vec![0.0; POINTS];
    for i in both.clone() {
        difference_db[i] = take.level_db[i] - tightest.level_db[i];
    }
    let over = leak::fit(&difference_db, &both)?;
    difference_db.iter_mut().for_each(|db| *db = -*db);
    let under = leak::fit(&difference_db, &both)?;
    let worst_db = |fit: &leak::SealFit| fit.loss().worst_loss_db.max(0.0);
    let looser_db = worst_db(&over) - worst_db(&under);
    let misfit_db = over.misfit_db.min(under.misfit_db);
    (misfit_db <= OTHER_MISFIT_DB.max(0.25 * looser_db.abs())).then_some(looser_db)
}
