//! One EQ for each side: the job with two sets of sections, one level and one preamp, so that the image does not move.

use super::cautions::{cautions, loudness_bound};
use super::error::JobFault;
use super::ground::{Ground, ground};
use super::record::{Curves, Findings, record, search_report, sections_db, sum, weighted_shift_db};
use super::restraint::{Attempt, Played, playing, within_preamp};
use super::{
    BeforeAfter, Enough, FitOutcome, FitRequest, LoudnessWish, ReachPoint, Residual, SearchReport,
    Wish, as_loud_as_wished, judged, limits_left, points_below_half, range_db, refuse_worse, wish,
    with_kept,
};
use crate::caution::Caution;
use crate::error::{Error, Result, Source};
use crate::filter::Section;
use crate::fit::reach::Effort;
use crate::fit::residual::{self, SidesRms};
use crate::fit::sides::{SidesAnswer, SidesTask, fit_sides};
use crate::fit::space::Space;
use crate::headroom::Headroom;
use crate::headroom::loudness::LoudnessChange;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Judged, JudgedTake};
use crate::measurement::takes::Side;

/// The sides of a per-side fit, in the order in which they are told.
pub const SIDES: [Side; 2] = [Side::Left, Side::Right];

/// Everything a fit with one EQ for each side found.
#[derive(Debug, Clone, PartialEq)]
pub struct PerSideOutcome {
    /// Left and right: the record of each. Level and headroom are those of both: a side's residuals and curves are
    /// at the shared level, and its cautions stand in `cautions` here.
    pub sides: [SideOutcome; 2],
    /// Names of the takes that were averaged, each side's to its own mean, in the order given.
    pub takes: Vec<String>,
    /// The takes that were set aside, and why.
    pub set_aside: Vec<JudgedTake>,
    /// What the sections need before them, the same on both sides: the worst of both.
    pub headroom: Headroom,
    /// How loud pink noise then plays on both sides together, beside no EQ.
    pub loudness: LoudnessChange,
    /// As for one EQ.
    pub loudness_wish: Option<LoudnessWish>,
    /// Of both sides together, at the level they share, at the rate of the fit.
    pub residual: BeforeAfter,
    /// Weighted residual of both together at each of the rates, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// Left minus right in level, beside what is wanted.
    pub level_difference: LevelDifference,
    /// The objective J, the mean of both sides', dB^2.
    pub objective_db2: f64,
    /// The economy ratio E over both sides, 1 or more.
    pub economy_ratio: f64,
    /// How the answer was searched for, both sides and all that they share.
    pub search: SearchReport,
    /// As for one EQ, a side.
    pub enough: Option<Enough>,
    /// What the reader should know first.
    pub cautions: Vec<Caution>,
}

/// One side's record.
#[derive(Debug, Clone, PartialEq)]
pub struct SideOutcome {
    /// Left or right.
    pub side: Side,
    /// Its sections, residuals and curves.
    pub fit: FitOutcome,
}

/// Weighted mean of the left side's residual less that of the right side's, dB: positive where left is too loud beside
/// right. Half of it is part of either side's residual; sections mend it only by being very broad.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct LevelDifference {
    /// Without sections, dB.
    pub before_db: f64,
    /// With them, dB.
    pub after_db: f64,
}

/// Fits sections for each side toward the target.
///
/// Both sides are measured against the target at one level and get one preamp, so what they differ in level is part of
/// the residual and never removed. Without a target, each side's own measurement is its base.
///
/// # Errors
/// As [`super::run`]; `Setting` when a take has no known side, or a side has no take.
pub fn run(request: &FitRequest) -> Result<PerSideOutcome> {
    refuse_unknown_sides(request)?;
    let limits = &request.limits;
    let rate_hz = limits.rates_hz[0];
    let judged = judged(request)?;
    let measured = SIDES.map(|side| mean_of(&judged, side));
    let [left, right] = measured;
    let wishes = [wish(request, left)?, wish(request, right)?];
    let kept = request.kept.each_ref().map(Vec::as_slice);
    let limits_left = limits_left(request)?;
    let support = &wishes[0].wanted.support;
    let ground = ground(request, &limits_left, &judged, support)?;
    let least_gain_db = ground.least_gain_db(request, &judged, support);
    let played = points_below_half(rate_hz);
    let (f_hz, weight) = (&grid::frequency_hz()[..played], &ground.weight[..played]);
    let wanted_db = wishes
        .each_ref()
        .map(|wish| &wish.wanted.change_db[..played]);
    let attempt = |space: &Space, effort: Effort, ceiling_db: f64| {
        let task = SidesTask {
            frequency_hz: f_hz,
            weight,
            wanted_db,
            limits: &limits_left,
            space,
            kept,
            least_gain_db,
            economy: request.economy,
            effort,
            seed: 0,
        };
        let under = wanted_db.map(|wanted_db| -> Vec<f64> {
            wanted_db.iter().map(|db| db.min(ceiling_db)).collect()
        });
        let answer = fit_sides(&SidesTask {
            wanted_db: under.each_ref().map(Vec::as_slice),
            ..task
        });
        let answer = match ceiling_db.is_finite() {
            true => answer.judged_by(&task),
            false => answer,
        };
        let all = all_sections(&answer, request);
        let rms_db = |sections: [&[Section]; 2]| {
            residual::sides_rms_db(sections, rate_hz, f_hz, weight, wanted_db).together_db
        };
        let (before_db, after_db) = (
            rms_db([&[], &[]]),
            rms_db(all.each_ref().map(Vec::as_slice)),
        );
        let fitted = answer.sections.concat();
        refuse_worse(request, &kept.concat(), before_db, after_db, &fitted)?;
        Ok(Attempt {
            playing: playing(
                &all.each_ref().map(Vec::as_slice),
                limits,
                request.protection,
            ),
            objective_db2: answer.objective_db2,
            residual_db: after_db,
            answer,
        })
    };
    let fit_under = |ceiling_db: f64, effort: Effort| {
        within_preamp(limits, &ground.space, effort, |space, effort| {
            attempt(space, effort, ceiling_db)
        })
    };
    let ranges = wanted_db.map(|wanted_db| range_db(wanted_db, weight));
    let wanted_range_db = (ranges[0].0.min(ranges[1].0), ranges[0].1.max(ranges[1].1));
    let (played, loudness_wish) = as_loud_as_wished(request, wanted_range_db, fit_under)?;
    let mut outcome = outcome(request, &judged, measured, &wishes, &ground, &played);
    let held_back = loudness_wish.as_ref().and_then(loudness_bound);
    outcome.cautions.splice(..0, held_back);
    outcome.loudness_wish = loudness_wish;
    outcome.enough = least_gain_db.map(|least_gain_db| Enough {
        least_gain_db,
        sections: played.answer.allowed + kept_count(request),
    });
    Ok(outcome)
}

/// Sections that each side keeps at most.
fn kept_count(request: &FitRequest) -> usize {
    request.kept.iter().map(Vec::len).max().unwrap_or(0)
}

/// Fitted and kept sections of each side.
fn all_sections(answer: &SidesAnswer, request: &FitRequest) -> [Vec<Section>; 2] {
    [0, 1].map(|side| with_kept(&answer.sections[side], &request.kept[side]))
}

/// Every take must be known to be of one side, and each side must have one.
fn refuse_unknown_sides(request: &FitRequest) -> Result<()> {
    let unknown = request.takes.iter().find(|take| take.side == Side::Unknown);
    if let Some(take) = unknown {
        return Err(Error::of(JobFault::UnknownSide, &*take.name));
    }
    for side in SIDES {
        if request.takes.iter().all(|take| take.side != side) {
            let fault = JobFault::NoTakeOfSide(side);
            return Err(Error::of(fault, Source::name(&*request.unit)));
        }
    }
    Ok(())
}

/// The mean of a side's sound takes.
fn mean_of(judged: &Judged, side: Side) -> &OnGrid {
    let of_side = judged.sides.iter().find(|judged| judged.side == side);
    &of_side.expect("a side with takes keeps one").mean
}

/// The record, with cautions.
fn outcome(
    request: &FitRequest,
    judged: &Judged,
    measured: [&OnGrid; 2],
    wishes: &[Wish; 2],
    ground: &Ground,
    played: &Played<SidesAnswer>,
) -> PerSideOutcome {
    let limits = &request.limits;
    let rate_hz = limits.rates_hz[0];
    let answer = &played.answer;
    let all = all_sections(answer, request);
    let sections = all.each_ref().map(Vec::as_slice);
    let none: [&[Section]; 2] = [&[], &[]];
    let support = &wishes[0].wanted.support;
    let residuals = Residuals {
        wishes,
        weight: &ground.weight,
        trusted: request
            .judging
            .rig
            .trusted_band_hz(support)
            .map(|_| ground.trusted(support)),
    };
    let by_rate: Vec<SidesRms> = limits
        .rates_hz
        .iter()
        .map(|&rate_hz| residuals.weighted(sections, rate_hz))
        .collect();
    let before = residuals.at(none, rate_hz);
    let after = residuals.at(sections, rate_hz);
    let sections_db = sections.map(|sections| sections_db(sections, rate_hz));
    let measured_db = measured.map(|measured| measured.level_db.as_slice());
    let equalised_db = [0, 1].map(|side| sum(measured_db[side], &sections_db[side]));
    // One shift for both sides.
    let shift_db = |level_db: [&[f64]; 2]| {
        let of = |side: usize| {
            let target_db = &wishes[side].target_db;
            weighted_shift_db(&ground.weight, support, level_db[side], target_db)
        };
        0.5 * (of(0) + of(1))
    };
    let shifts_db = [
        shift_db(measured_db),
        shift_db(equalised_db.each_ref().map(Vec::as_slice)),
    ];
    let side_of = |take: &JudgedTake| SIDES.iter().position(|side| *side == take.side);
    let sides = [0, 1].map(|side| {
        let of_side = |take: &&JudgedTake| side_of(take) == Some(side);
        let takes = judged.takes.iter().filter(of_side);
        let fit = record(Findings {
            request,
            judged,
            wish: &wishes[side],
            ground,
            takes: takes
                .filter(|take| !take.set_aside)
                .map(|take| take.name.clone())
                .collect(),
            set_aside: judged.aside().filter(of_side).cloned().collect(),
            sections: sections[side],
            kept: &request.kept[side],
            headroom: played.headroom,
            loudness: played.loudness.clone(),
            residual: BeforeAfter {
                before: before.sides[side],
                after: after.sides[side],
            },
            residual_by_rate_db: by_rate.iter().map(|rms| rms.sides_db[side]).collect(),
            objective_db2: answer.side_objective_db2[side],
            search: search_report(&answer.reach[side], request.effort),
            curves: Curves {
                measured: measured[side],
                sections_db: sections_db[side].clone(),
                equalised_db: equalised_db[side].clone(),
                shifts_db,
            },
            reach: reach(answer, side, kept_count(request)),
        });
        SideOutcome {
            side: SIDES[side],
            fit,
        }
    });
    let reports = sides.each_ref().map(|side| &side.fit.search);
    let exact = reports.iter().all(|report| report.exact);
    let search = SearchReport {
        evaluations: answer.evaluations,
        polishes: answer.polishes,
        restarts: reports.iter().map(|report| report.restarts).sum(),
        searches: reports.iter().map(|report| report.searches).sum(),
        agreeing: reports.iter().map(|report| report.agreeing).sum(),
        exact,
        enough: reports.iter().all(|report| report.enough),
        effort: request.effort,
        stop: reports
            .iter()
            .find(|report| !report.exact || exact)
            .map(|report| report.stop.clone())
            .unwrap_or_default(),
    };
    let mut outcome = PerSideOutcome {
        takes: judged.average.takes.clone(),
        set_aside: judged.aside().cloned().collect(),
        headroom: played.headroom,
        loudness: played.loudness.clone(),
        loudness_wish: None,
        residual: BeforeAfter {
            before: before.together,
            after: after.together,
        },
        residual_by_rate_db: by_rate.iter().map(|rms| rms.together_db).collect(),
        level_difference: LevelDifference {
            before_db: before.difference_db,
            after_db: after.difference_db,
        },
        objective_db2: answer.objective_db2,
        economy_ratio: residual::economy_ratio_of_sides(
            &sections,
            rate_hz,
            grid::frequency_hz(),
            &ground.weight,
        ),
        search,
        enough: None,
        cautions: Vec::new(),
        sides,
    };
    outcome.cautions = cautions_of_both(&outcome, request, judged, wishes, played.held_back);
    outcome
}

/// The best answers for 0 to N sections a side, for one of the sides.
fn reach(answer: &SidesAnswer, side: usize, kept: usize) -> Vec<ReachPoint> {
    let point = |(sections, parts): (usize, &[crate::fit::objective::Parts; 2])| ReachPoint {
        sections: sections + kept,
        residual_db: parts[side].residual.sqrt(),
        objective_db2: parts[side].total(),
    };
    answer.levels.iter().enumerate().map(point).collect()
}

/// How residuals are taken: weighted, and over the trusted band where there is one.
struct Residuals<'a> {
    wishes: &'a [Wish; 2],
    weight: &'a [f64],
    trusted: Option<Vec<f64>>,
}

/// Residuals of some sections.
struct AtRate {
    sides: [Residual; 2],
    together: Residual,
    difference_db: f64,
}

impl Residuals<'_> {
    fn rms(&self, sections: [&[Section]; 2], rate_hz: f64, weight: &[f64]) -> SidesRms {
        let played = points_below_half(rate_hz);
        let wanted_db = self
            .wishes
            .each_ref()
            .map(|wish| &wish.wanted.change_db[..played]);
        let f_hz = &grid::frequency_hz()[..played];
        residual::sides_rms_db(sections, rate_hz, f_hz, &weight[..played], wanted_db)
    }

    fn weighted(&self, sections: [&[Section]; 2], rate_hz: f64) -> SidesRms {
        self.rms(sections, rate_hz, self.weight)
    }

    fn at(&self, sections: [&[Section]; 2], rate_hz: f64) -> AtRate {
        let weighted = self.weighted(sections, rate_hz);
        let trusted = self
            .trusted
            .as_deref()
            .map(|trusted| self.rms(sections, rate_hz, trusted));
        AtRate {
            sides: [0, 1].map(|side| Residual {
                weighted_db: weighted.sides_db[side],
                trusted_band_db: trusted.map(|rms| rms.sides_db[side]),
            }),
            together: Residual {
                weighted_db: weighted.together_db,
                trusted_band_db: trusted.map(|rms| rms.together_db),
            },
            difference_db: weighted.difference_db,
        }
    }
}

/// What both sides have to say, each thing once; what concerns one side names it.
fn cautions_of_both(
    outcome: &PerSideOutcome,
    request: &FitRequest,
    judged: &Judged,
    wishes: &[Wish; 2],
    held_back: bool,
) -> Vec<Caution> {
    let mut all: Vec<Caution> = Vec::new();
    for (SideOutcome { side, fit }, wish) in outcome.sides.iter().zip(wishes) {
        // At other rates it is the residual of both that counts.
        let of_both = FitOutcome {
            residual: outcome.residual,
            residual_by_rate_db: outcome.residual_by_rate_db.clone(),
            ..fit.clone()
        };
        for caution in cautions(&of_both, request, judged, &wish.target, held_back) {
            let caution = match caution {
                Caution::LargeResidual {
                    frequency_hz,
                    residual_db,
                } => Caution::SideLargeResidual {
                    side: side.words(),
                    frequency_hz,
                    residual_db,
                },
                other => other,
            };
            // One volume serves both sides: of what turning up does to them, the worse is told.
            if let Caution::BoostOnceTurnedUp { rise_db, .. } = caution {
                let before = all.iter_mut().find_map(|before| match before {
                    Caution::BoostOnceTurnedUp { rise_db, .. } => Some((*rise_db, before)),
                    _ => None,
                });
                if let Some((other_db, before)) = before {
                    if rise_db > other_db {
                        *before = caution;
                    }
                    continue;
                }
            }
            if !all.contains(&caution) {
                all.push(caution);
            }
        }
    }
    all
}
