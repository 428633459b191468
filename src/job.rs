//! The whole job as one readable function: takes are judged, what is wanted is found, sections are fitted, recorded and
//! commented upon.

use crate::headroom::Protection;
use std::ops::Range;

use crate::error::{Error, Result, Source};
use crate::filter::Section;
use crate::fit::reach::Effort;
use crate::fit::space::Space;
use crate::fit::{Answer, Task, fit, residual};
use crate::limits::Limits;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Judged, Settings, judge};
use crate::measurement::parse::Weight;
use crate::measurement::phase::BeyondEq;
use crate::measurement::smooth::{Width, smooth};
use crate::measurement::takes::Take;
use crate::wanted::{Contour, Target, WantedChange, wanted_change};
use error::JobFault;

pub mod error;

pub mod outcome;

pub mod per_side;

pub mod cost;

mod cautions;
mod ground;
mod loudness_wish;
mod record;
mod restraint;

pub use outcome::{
    BeforeAfter, Enough, FitOutcome, LoudnessWish, OutcomeCurves, ReachPoint, Residual,
    SearchReport, SpreadFigures, TradeOffPoint, TypedQ,
};

use cautions::cautions;
use ground::{Ground, ground};
use loudness_wish::within_loss;
use record::{Curves, Findings, record, search_report, sections_db, sum, weighted_shift_db};
use restraint::{Attempt, Played, playing, within_preamp};

/// The weight of the economy term unless another is asked for.
pub const ECONOMY: f64 = 0.001;

/// What one fit needs to know.
#[derive(Debug, Clone)]
pub struct FitRequest {
    /// Name of the unit.
    pub unit: String,
    /// Its takes.
    pub takes: Vec<Take>,
    /// How they are judged, and the rig they were measured with.
    pub judging: Settings,
    /// Smoothing of what is fitted, after the takes are judged and averaged; usually none.
    pub smoothing: Option<Width>,
    /// Where their phase shows what no equaliser can undo, if they have phase.
    pub beyond_eq: Vec<BeyondEq>,
    /// Replaces the weights from trust and spread, when given, and the guard of the coupler's resonance with them.
    pub weight: Option<Weight>,
    /// The target; None: what the unit has now, changed by `contours`.
    pub target: Option<Target>,
    /// Added to the target.
    pub contours: Vec<Contour>,
    /// What the equaliser accepts, kept sections and all.
    pub limits: Limits,
    /// Sections that stay as they are, of the left side and of the right; the same for one EQ for both.
    pub kept: [Vec<Section>; 2],
    /// With it, no more sections than needed: none after which one more lowers the residual by less than this, dB, or than
    /// the takes' own spread, whichever is more.
    pub least_gain_db: Option<f64>,
    /// Weight of the economy term, 0 or more.
    pub economy: f64,
    /// What the preamp protects against.
    pub protection: Protection,
    /// With it, the best fit that plays no more than this quieter than no EQ, dB (ITU-R BS.1770, pink noise).
    pub most_loudness_loss_db: Option<f64>,
    /// How long to search.
    pub effort: Effort,
}

impl FitRequest {
    /// What is asked unless more is said: no target, no taste, the usual judging of takes, weights, economy, guard and
    /// effort.
    #[must_use]
    pub fn new(unit: impl Into<String>, takes: Vec<Take>, limits: Limits) -> Self {
        Self {
            unit: unit.into(),
            takes,
            judging: Settings::default(),
            smoothing: None,
            beyond_eq: Vec::new(),
            weight: None,
            target: None,
            contours: Vec::new(),
            limits,
            kept: [Vec::new(), Vec::new()],
            least_gain_db: None,
            economy: ECONOMY,
            protection: Protection::default(),
            most_loudness_loss_db: None,
            effort: Effort::default(),
        }
    }
}

/// Fits sections toward the target: the whole job.
///
/// # Errors
/// `Coverage` when takes, or target and measurement, share less than an octave or no point has weight; `Setting` when
/// the leak threshold is not positive or the equaliser has no frequency there; `Refused` when no section brings an improvement, or none within its preamp.
pub fn run(request: &FitRequest) -> Result<FitOutcome> {
    let limits = &request.limits;
    let rate_hz = limits.rates_hz[0];
    let judged = judged(request)?;
    let wish = wish(request, &judged.average.on_grid)?;
    let kept = kept_by_both(request)?;
    let limits_left = limits_left(request)?;
    let ground = ground(request, &limits_left, &judged, &wish.wanted.support)?;
    let least_gain_db = ground.least_gain_db(request, &judged, &wish.wanted.support);
    let played = points_below_half(rate_hz);
    let (f_hz, weight) = (&grid::frequency_hz()[..played], &ground.weight[..played]);
    let wanted_db = &wish.wanted.change_db[..played];
    let attempt = |space: &Space, effort: Effort, ceiling_db: f64| {
        let task = Task {
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
        let under: Vec<f64> = wanted_db.iter().map(|db| db.min(ceiling_db)).collect();
        let answer = fit(&Task {
            wanted_db: &under,
            ..task
        });
        let answer = match ceiling_db.is_finite() {
            true => answer.judged_by(&task),
            false => answer,
        };
        let all = with_kept(&answer.sections, kept);
        let rms_db = |sections: &[Section]| {
            residual::weighted_rms_db(sections, rate_hz, f_hz, weight, wanted_db)
        };
        refuse_worse(request, kept, rms_db(&[]), rms_db(&all), &answer.sections)?;
        Ok(Attempt {
            playing: playing(&[&all], limits, request.protection),
            objective_db2: answer.objective_db2,
            residual_db: rms_db(&all),
            answer,
        })
    };
    let fit_under = |ceiling_db: f64, effort: Effort| {
        within_preamp(limits, &ground.space, effort, |space, effort| {
            attempt(space, effort, ceiling_db)
        })
    };
    let wanted_range_db = range_db(wanted_db, weight);
    let (played, wish_for_loudness) = as_loud_as_wished(request, wanted_range_db, fit_under)?;
    let mut outcome = outcome(request, &judged, &wish, &ground, &played);
    outcome.enough = least_gain_db.map(|least_gain_db| Enough {
        least_gain_db,
        sections: played.answer.allowed + kept.len(),
    });
    outcome.loudness_wish = wish_for_loudness;
    outcome.cautions = cautions(&outcome, request, &judged, &wish.target, played.held_back);
    Ok(outcome)
}

/// Least and most of what is wanted where it counts.
fn range_db(wanted_db: &[f64], weight: &[f64]) -> (f64, f64) {
    let counts = wanted_db.iter().zip(weight).filter(|(_, w)| **w > 0.0);
    counts.fold(
        (f64::INFINITY, f64::NEG_INFINITY),
        |(least, most), (db, _)| (db.min(least), db.max(most)),
    )
}

/// The fit without a ceiling; where it loses more loudness than wished, the best that was found under one.
fn as_loud_as_wished<A: Clone>(
    request: &FitRequest,
    wanted_db: (f64, f64),
    fit_under: impl Fn(f64, Effort) -> Result<Played<A>>,
) -> Result<(Played<A>, Option<LoudnessWish>)> {
    let free = fit_under(f64::INFINITY, request.effort)?;
    let Some(most_loss_db) = request.most_loudness_loss_db else {
        return Ok((free, None));
    };
    let without = TradeOffPoint::of(&free);
    let under = |ceiling_db, effort| fit_under(ceiling_db, effort).ok();
    let (best, trade_off) = within_loss(most_loss_db, wanted_db, request.effort, free, under);
    let wish = LoudnessWish {
        most_loss_db,
        without,
        trade_off,
    };
    match best {
        Some(best) => Ok((best, Some(wish))),
        None => Err(request.fault(JobFault::Loudness(most_loss_db, without.loudness_loss_db))),
    }
}

impl FitRequest {
    fn fault(&self, fault: JobFault) -> Box<Error> {
        Error::of(fault, Source::name(&*self.unit))
    }
}

/// The takes judged; what is fitted of them is smoothed where that was asked for.
fn judged(request: &FitRequest) -> Result<Judged> {
    let mut judged = judge(&request.takes, &request.judging)?;
    if let Some(width) = request.smoothing {
        judged.average.on_grid = smooth(&judged.average.on_grid, width);
        for side in &mut judged.sides {
            side.mean = smooth(&side.mean, width);
        }
    }
    Ok(judged)
}

/// What is wanted of a curve.
struct Wish {
    target: Target,
    target_db: Vec<f64>,
    wanted: WantedChange,
}

fn wish(request: &FitRequest, measured: &OnGrid) -> Result<Wish> {
    let rate_hz = request.limits.rates_hz[0];
    let target = match &request.target {
        Some(target) => target
            .clone()
            .with_contours(request.contours.clone())
            .over(measured),
        None => Target::relative_to(measured, request.contours.clone()),
    };
    let target_on_grid = target.level_on_grid(rate_hz);
    let mut wanted = wanted_change(measured, &target_on_grid)
        .map_err(|error| error.about(Source::name(&*target.name)))?;
    wanted.support = playable(wanted.support, rate_hz)?;
    Ok(Wish {
        target,
        target_db: target_on_grid.level_db,
        wanted,
    })
}

/// The kept sections of one EQ for both sides.
fn kept_by_both(request: &FitRequest) -> Result<&[Section]> {
    let [left, right] = &request.kept;
    if left == right {
        return Ok(left);
    }
    Err(request.fault(JobFault::KeptSides))
}

/// What the limits leave beside the kept sections.
fn limits_left(request: &FitRequest) -> Result<Limits> {
    match request.kept.each_ref().map(Vec::as_slice) {
        [[], []] => Ok(request.limits.clone()),
        kept => request.limits.beside(&kept),
    }
}

/// All sections in frequency order.
fn with_kept(fitted: &[Section], kept: &[Section]) -> Vec<Section> {
    let mut all = [fitted, kept].concat();
    all.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
    all
}

/// An EQ that is no better than none is no answer.
fn refuse_worse(
    request: &FitRequest,
    kept: &[Section],
    before_db: f64,
    after_db: f64,
    fitted: &[Section],
) -> Result<()> {
    if after_db < before_db && !(fitted.is_empty() && kept.is_empty()) {
        return Ok(());
    }
    if kept.is_empty() {
        return Err(match request.least_gain_db {
            Some(_) if fitted.is_empty() => request.fault(JobFault::NothingNeeded(before_db)),
            _ => request.fault(JobFault::NothingHelps(before_db)),
        });
    }
    Err(request.fault(JobFault::KeptUseless(after_db, before_db)))
}

/// The record of a fit for the average of the takes, without cautions.
fn outcome(
    request: &FitRequest,
    judged: &Judged,
    wish: &Wish,
    ground: &Ground,
    played: &Played<Answer>,
) -> FitOutcome {
    let limits = &request.limits;
    let rate_hz = limits.rates_hz[0];
    let WantedChange { change_db, support } = &wish.wanted;
    let answer = &played.answer;
    let kept = &request.kept[0];
    let sections = &with_kept(&answer.sections, kept);
    let trusted = ground.trusted(support);
    let trusted_band_hz = request.judging.rig.trusted_band_hz(support);
    let residual = |sections: &[Section], rate_hz: f64| {
        let played = points_below_half(rate_hz);
        let rms_db = |weight: &[f64]| {
            let (f_hz, weight) = (&grid::frequency_hz()[..played], &weight[..played]);
            residual::weighted_rms_db(sections, rate_hz, f_hz, weight, &change_db[..played])
        };
        Residual {
            weighted_db: rms_db(&ground.weight),
            trusted_band_db: trusted_band_hz.map(|_| rms_db(&trusted)),
        }
    };
    let residual_by_rate_db: Vec<f64> = limits
        .rates_hz
        .iter()
        .map(|&rate_hz| residual(sections, rate_hz).weighted_db)
        .collect();
    let before_after = BeforeAfter {
        before: residual(&[], rate_hz),
        after: residual(sections, rate_hz),
    };
    let measured = &judged.average.on_grid;
    let sections_db = sections_db(sections, rate_hz);
    let equalised_db = sum(&measured.level_db, &sections_db);
    let shifts_db = [&measured.level_db, &equalised_db]
        .map(|level_db| weighted_shift_db(&ground.weight, support, level_db, &wish.target_db));
    let curves = Curves {
        measured,
        sections_db,
        equalised_db,
        shifts_db,
    };
    let reach = answer
        .reach
        .levels
        .iter()
        .enumerate()
        .map(|(sections, level)| ReachPoint {
            sections: sections + kept.len(),
            residual_db: level.parts.residual.sqrt(),
            objective_db2: level.parts.total(),
        })
        .collect();
    record(Findings {
        request,
        judged,
        wish,
        ground,
        takes: judged.average.takes.clone(),
        set_aside: judged.aside().cloned().collect(),
        sections,
        kept,
        headroom: played.headroom,
        loudness: played.loudness.clone(),
        residual: before_after,
        residual_by_rate_db,
        objective_db2: answer.objective_db2,
        search: search_report(&answer.reach, request.effort),
        curves,
        reach,
    })
}

/// Grid points below half of `rate_hz`, above which nothing is played.
fn points_below_half(rate_hz: f64) -> usize {
    grid::frequency_hz().partition_point(|f_hz| *f_hz < rate_hz / 2.0)
}

/// What of `support` is played at `rate_hz`.
fn playable(support: Range<usize>, rate_hz: f64) -> Result<Range<usize>> {
    let played = grid::intersection(&support, &(0..points_below_half(rate_hz)));
    if played.len() >= grid::POINTS_PER_OCTAVE || played == support {
        return Ok(played);
    }
    let fault = JobFault::LowRate(rate_hz, grid::band_hz(&support).into());
    Err(Error::of(fault, Source::name("rates_hz")))
}
