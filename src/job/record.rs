//! From findings to the record.

use std::ops::Range;

use super::ground::Ground;
use super::{
    BeforeAfter, FitOutcome, FitRequest, OutcomeCurves, ReachPoint, SearchReport, TypedQ, Wish,
};
use crate::filter::{Section, cascade};
use crate::fit::reach::{Effort, Reach};
use crate::fit::{IDLE_DB, residual};
use crate::headroom::Headroom;
use crate::headroom::loudness::LoudnessChange;
use crate::limits::Limits;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Judged, JudgedTake};

/// Levels of the sections over the whole grid. What is not played holds its value, as contours do.
pub(super) fn sections_db(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let f_hz = grid::frequency_hz();
    let played_hz: Vec<f64> = f_hz.iter().map(|f_hz| f_hz.min(rate_hz / 2.0)).collect();
    cascade::levels_db(sections, rate_hz, &played_hz)
}

pub(super) fn sum(one_db: &[f64], other_db: &[f64]) -> Vec<f64> {
    one_db.iter().zip(other_db).map(|(a, b)| a + b).collect()
}

/// Weighted mean of a curve less the target.
pub(super) fn weighted_shift_db(
    weight: &[f64],
    support: &Range<usize>,
    level_db: &[f64],
    target_db: &[f64],
) -> f64 {
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let mean = |i: usize| weight[i] * weight[i] * (level_db[i] - target_db[i]) / total;
    support.clone().map(mean).sum::<f64>()
}

pub(super) fn search_report(reach: &Reach, effort: Effort) -> SearchReport {
    SearchReport {
        evaluations: reach.evaluations,
        polishes: reach.polishes,
        restarts: reach.walks.saturating_sub(reach.searches),
        searches: reach.searches,
        agreeing: reach.agreeing,
        exact: reach.exact,
        enough: reach.enough,
        effort,
        stop: if reach.exact {
            "an exact answer was found".to_owned()
        } else if reach.enough {
            format!("no more than {IDLE_DB} dB is left to gain")
        } else {
            format!("the work of effort `{}` is done", effort.name())
        },
    }
}

/// Curves over the whole grid, and what is taken off measured and equalised so that they lie at the target's level.
pub(super) struct Curves<'a> {
    pub measured: &'a OnGrid,
    pub sections_db: Vec<f64>,
    pub equalised_db: Vec<f64>,
    pub shifts_db: [f64; 2],
}

/// All that goes into the record of a fit.
pub(super) struct Findings<'a> {
    pub request: &'a FitRequest,
    pub judged: &'a Judged,
    pub wish: &'a Wish,
    pub ground: &'a Ground,
    pub takes: Vec<String>,
    pub set_aside: Vec<JudgedTake>,
    pub sections: &'a [Section],
    pub kept: &'a [Section],
    pub headroom: Headroom,
    pub loudness: LoudnessChange,
    pub residual: BeforeAfter,
    pub residual_by_rate_db: Vec<f64>,
    pub objective_db2: f64,
    pub search: SearchReport,
    pub curves: Curves<'a>,
    pub reach: Vec<ReachPoint>,
}

pub(super) fn record(findings: Findings<'_>) -> FitOutcome {
    let Findings {
        request,
        wish,
        ground,
        sections,
        curves,
        ..
    } = findings;
    let limits = &request.limits;
    let support = wish.wanted.support.clone();
    let [measured_shift, equalised_shift] = curves.shifts_db;
    let shifted = |level_db: &[f64], shift_db: f64| level_db.iter().map(|l| l - shift_db).collect();
    let (f_hz, rate_hz) = (grid::frequency_hz(), limits.rates_hz[0]);
    FitOutcome {
        unit: request.unit.clone(),
        takes: findings.takes,
        set_aside: findings.set_aside,
        guard_hz: ground.guard_hz,
        smoothing: request.smoothing,
        target: wish.target.name.clone(),
        target_source: wish.target.source.clone(),
        limits: limits.name.clone(),
        rates_hz: limits.rates_hz.clone(),
        headroom: findings.headroom,
        protection: request.protection,
        loudness: findings.loudness,
        loudness_wish: None,
        residual: findings.residual,
        residual_by_rate_db: findings.residual_by_rate_db,
        objective_db2: findings.objective_db2,
        economy_ratio: residual::economy_ratio(sections, rate_hz, f_hz, &ground.weight),
        search: findings.search,
        trusted_band_hz: request.judging.rig.trusted_band_hz(&support),
        curves: OutcomeCurves {
            aligned_at_hz: None,
            measured_support: curves.measured.support.clone(),
            measured_db: shifted(&curves.measured.level_db, measured_shift),
            spread_db: findings.judged.average.spread_db.clone(),
            target_db: wish.target_db.clone(),
            equalised_db: shifted(&curves.equalised_db, equalised_shift),
            sections_db: curves.sections_db,
            trust: ground.trust.clone(),
            weight: ground.weight.clone(),
            support,
        },
        reach: findings.reach,
        kept: positions(findings.kept, sections),
        idle_bands_hz: limits.idle_bands_hz(sections),
        typed_q: sections
            .iter()
            .map(|section| typed_q(section, limits))
            .collect(),
        sections: sections.to_vec(),
        enough: None,
        cautions: Vec::new(),
    }
}

fn typed_q(section: &Section, limits: &Limits) -> Option<TypedQ> {
    let meaning = limits.rules.meaning_of(section.shape);
    limits.typed_q(section).map(|q| TypedQ { q, meaning })
}

/// Where the kept sections are among all.
fn positions(kept: &[Section], sections: &[Section]) -> Vec<usize> {
    let mut left = kept.to_vec();
    let is_kept = |index: &usize| {
        let found = left.iter().position(|kept| *kept == sections[*index]);
        found.map(|found| left.swap_remove(found)).is_some()
    };
    (0..sections.len()).filter(is_kept).collect()
}
