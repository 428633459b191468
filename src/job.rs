//! The whole job as one readable function, and the record of what came out of it.

use std::ops::Range;

use crate::caution::Caution;
use crate::error::{Error, ErrorKind, Result};
use crate::filter::{Section, Shape, cascade};
use crate::fit::reach::{Effort, Reach};
use crate::fit::space::Space;
use crate::fit::{Answer, Task, boxes, fit, residual};
use crate::headroom::{Headroom, headroom};
use crate::limits::{Limits, Setting};
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Agreement, Judged, JudgedTake, Seal, Settings, judge};
use crate::measurement::parse::Weight;
use crate::measurement::phase::BeyondEq;
use crate::measurement::rig::{Rig, TRUSTED};
use crate::measurement::smooth::{Width, smooth};
use crate::measurement::takes::Take;
use crate::wanted::difference::level_at_hz;
use crate::wanted::{Contour, Target, WantedChange, wanted_change};

pub mod per_side;

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
    /// What the equaliser accepts.
    pub limits: Limits,
    /// Weight of the economy term, 0 or more.
    pub economy: f64,
    /// How long to search.
    pub effort: Effort,
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
    let ground = ground(request, &judged, &wish.wanted.support)?;
    let played = points_below_half(rate_hz);
    let (f_hz, weight) = (&grid::frequency_hz()[..played], &ground.weight[..played]);
    let wanted_db = &wish.wanted.change_db[..played];
    let attempt = |space: &Space, effort: Effort| {
        let answer = fit(&Task {
            frequency_hz: f_hz,
            weight,
            wanted_db,
            limits,
            space,
            economy: request.economy,
            effort,
            seed: 0,
        });
        if answer.sections.is_empty() {
            let now_db = residual::weighted_rms_db(&[], rate_hz, f_hz, weight, wanted_db);
            return Err(nothing_helps(request, now_db));
        }
        Ok(Attempt {
            headroom: playable_headroom(&answer.sections, limits),
            objective_db2: answer.objective_db2,
            answer,
        })
    };
    let played = within_preamp(limits, &ground.space, request.effort, attempt)?;
    let mut outcome = outcome(request, &judged, &wish, &ground, &played);
    outcome.cautions = cautions(&outcome, request, &judged, &wish.target, played.held_back);
    Ok(outcome)
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
    let mut wanted = wanted_change(measured, &target_on_grid).map_err(|mut error| {
        target.name.clone_into(&mut error.place.source);
        error
    })?;
    wanted.support = playable(wanted.support, rate_hz)?;
    Ok(Wish {
        target,
        target_db: target_on_grid.level_db,
        wanted,
    })
}

/// Where a fit may look, and how much it believes what it sees there.
struct Ground {
    guard_hz: Option<(f64, f64)>,
    trust: Vec<f64>,
    weight: Vec<f64>,
    space: Space,
}

fn ground(request: &FitRequest, judged: &Judged, support: &Range<usize>) -> Result<Ground> {
    let guard_hz = guard_hz(request, judged);
    let trust = trust(&request.judging.rig, guard_hz);
    let spread_db = judged.average.spread_db.as_deref();
    let weight = weights(request.weight.as_ref(), &trust, spread_db, support)?;
    Ok(Ground {
        space: space(&request.limits, support, guard_hz)?,
        guard_hz,
        trust,
        weight,
    })
}

fn nothing_helps(request: &FitRequest, now_db: f64) -> Box<Error> {
    Error::new(
        ErrorKind::Refused,
        request.unit.as_str(),
        format!(
            "no section that brings the curve closer to the target than {now_db:.2} dB rms, where it is now"
        ),
        "an improvement over no EQ at all",
        "leave it as it is, or choose another target, other limits or other weights",
    )
}

/// Everything a fit found, ready for a sheet, a report or a plot. All curves have one value a grid point.
#[derive(Debug, Clone, PartialEq)]
pub struct FitOutcome {
    /// Name of the unit, from its file or its unit file.
    pub unit: String,
    /// Names of the takes that were averaged.
    pub takes: Vec<String>,
    /// The takes that were set aside, and why.
    pub set_aside: Vec<JudgedTake>,
    /// Where the coupler's resonance makes the curve its own, lowest and highest frequency: what is wanted there counts
    /// less, nothing is boosted and nothing narrow fitted. None where there is no such resonance to be seen.
    pub guard_hz: Option<(f64, f64)>,
    /// Smoothing of what was fitted.
    pub smoothing: Option<Width>,
    /// Name of the target, with its contours.
    pub target: String,
    /// Where the target comes from, in words.
    pub target_source: String,
    /// Name of the limits.
    pub limits: String,
    /// All rates of the limits; the fit was made at the first.
    pub rates_hz: Vec<f64>,
    /// The sections in frequency order.
    pub sections: Vec<Section>,
    /// What the sections need before them.
    pub headroom: Headroom,
    /// Before and after, at the rate of the fit.
    pub residual: BeforeAfter,
    /// Weighted residual at each of `rates_hz`, dB.
    pub residual_by_rate_db: Vec<f64>,
    /// The objective J: squared weighted residual plus the economy term, dB^2.
    pub objective_db2: f64,
    /// The economy ratio E, 1 or more: how much the sections work against each other.
    pub economy_ratio: f64,
    /// How the answer was searched for.
    pub search: SearchReport,
    /// Where trust is 0.7 or more and there is data: lowest and highest frequency. None where nothing is trusted.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// The curves.
    pub curves: OutcomeCurves,
    /// J and residual of the best answer for 0 to N sections, before steps.
    pub reach: Vec<ReachPoint>,
    /// What the reader should know first.
    pub cautions: Vec<Caution>,
}

/// How far takes repeat, over the trusted band (all that is known, where nothing is trusted).
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct SpreadFigures {
    /// Root mean square of the spread over the grid points, dB.
    pub rms_db: f64,
    /// The largest spread, dB.
    pub largest_db: f64,
    /// Where that is, hertz.
    pub largest_hz: f64,
}

impl FitOutcome {
    /// Shifts the measured and the equalised curve so that each meets the target at `frequency_hz`, for those who want to
    /// see them so. Levels are free, so no figure changes.
    ///
    /// # Errors
    /// `Coverage` where the curves have no data there.
    pub fn align_at(&mut self, frequency_hz: f64) -> Result<()> {
        let support = self.curves.support.clone();
        let at = |level_db: &[f64]| {
            let curve = OnGrid {
                level_db: level_db.to_vec(),
                support: support.clone(),
            };
            level_at_hz(&curve, frequency_hz)
        };
        let curves = &self.curves;
        let levels = (
            at(&curves.measured_db),
            at(&curves.equalised_db),
            at(&curves.target_db),
        );
        let (Some(measured_db), Some(equalised_db), Some(target_db)) = levels else {
            let (low_hz, high_hz) = grid::band_hz(&support);
            return Err(Error::new(
                ErrorKind::Coverage,
                "align",
                format!("{frequency_hz} Hz"),
                format!(
                    "a frequency from {low_hz:.0} Hz to {high_hz:.0} Hz, where curve and target are known"
                ),
                "choose one within that range",
            ));
        };
        let shift = |curve: &mut [f64], by_db: f64| curve.iter_mut().for_each(|db| *db += by_db);
        shift(&mut self.curves.measured_db, target_db - measured_db);
        shift(&mut self.curves.equalised_db, target_db - equalised_db);
        self.curves.aligned_at_hz = Some(frequency_hz);
        Ok(())
    }

    /// How far the takes repeat; None where the spread is unknown.
    #[must_use]
    pub fn spread(&self) -> Option<SpreadFigures> {
        let spread_db = self.curves.spread_db.as_deref()?;
        let (lowest_hz, highest_hz) = self.trusted_band_hz.unwrap_or((0.0, f64::INFINITY));
        let points = self.curves.support.clone().filter_map(|i| {
            let f_hz = grid::frequency_hz()[i];
            ((lowest_hz..=highest_hz).contains(&f_hz)).then_some((f_hz, spread_db[i]))
        });
        let (mut count, mut squares) = (0.0, 0.0);
        let mut largest = (0.0, 0.0);
        for (f_hz, db) in points {
            count += 1.0;
            squares += db * db;
            if db > largest.1 {
                largest = (f_hz, db);
            }
        }
        (count > 0.0).then(|| SpreadFigures {
            rms_db: f64::sqrt(squares / count),
            largest_db: largest.1,
            largest_hz: largest.0,
        })
    }
}

/// Residuals, level-free, dB rms.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Residual {
    /// With the weights of the fit.
    pub weighted_db: f64,
    /// Unweighted over the trusted band, level refitted there. None where nothing is trusted.
    pub trusted_band_db: Option<f64>,
}

/// The residual without any section and with all of them.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct BeforeAfter {
    /// No sections, free level.
    pub before: Residual,
    /// With the sections.
    pub after: Residual,
}

/// The best answer for one count of sections.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct ReachPoint {
    /// The count allowed.
    pub sections: usize,
    /// Weighted residual, dB.
    pub residual_db: f64,
    /// J, dB^2.
    pub objective_db2: f64,
}

/// How the answer was searched for and how certain it is.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct SearchReport {
    /// Evaluations of the objective.
    pub evaluations: u64,
    /// Local solutions computed.
    pub polishes: u64,
    /// Walks through structures after the first of each search.
    pub restarts: u64,
    /// Independent searches.
    pub searches: u64,
    /// How many of them ended at this answer.
    pub agreeing: u64,
    /// True when the answer leaves nothing to gain, so that a longer search cannot find a better one.
    pub exact: bool,
    /// Why the search stopped, in words.
    pub stop: String,
}

/// Curves on the common grid (`measurement::grid`), one value a grid point.
///
/// Levels are aligned so that the weighted mean of measured minus target is 0 dB, and likewise of
/// equalised minus target.
///
/// [`FitOutcome::align_at`] pins them elsewhere.
#[derive(Debug, Clone, PartialEq)]
pub struct OutcomeCurves {
    /// Where measured and equalised were made to meet the target, hertz; None for the weighted means.
    pub aligned_at_hz: Option<f64>,
    /// Grid points that both the curve and the target cover; values outside mean nothing but for `sections_db`.
    pub support: Range<usize>,
    /// The average of the takes.
    pub measured_db: Vec<f64>,
    /// Standard deviation of the takes; None when unknown.
    pub spread_db: Option<Vec<f64>>,
    /// The target.
    pub target_db: Vec<f64>,
    /// Measured plus sections.
    pub equalised_db: Vec<f64>,
    /// The sum of all sections, without preamp.
    pub sections_db: Vec<f64>,
    /// Trust, 0..1: the rig's, and less about the coupler's resonance.
    pub trust: Vec<f64>,
    /// Weight of the fit, 0 or more; given weights are scaled so that the largest is 1.
    pub weight: Vec<f64>,
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
    let (low_hz, high_hz) = grid::band_hz(&support);
    Err(Error::new(
        ErrorKind::Coverage,
        "rates_hz",
        format!("{rate_hz} Hz for curves from {low_hz:.0} Hz to {high_hz:.0} Hz"),
        "at least one octave of them below half the first rate",
        "name a higher rate first in the limits",
    ))
}

/// Where the curve is the coupler's. A rig that is believed everywhere has no such place, and given weights replace it.
fn guard_hz(request: &FitRequest, judged: &Judged) -> Option<(f64, f64)> {
    let resonance = judged
        .resonance
        .as_ref()
        .filter(|resonance| resonance.moves)?;
    let guarded = request.weight.is_none() && request.judging.rig != Rig::Flat;
    guarded.then_some(resonance.guard_hz)
}

/// Trust at each grid point: the rig's, and less about the coupler's resonance.
fn trust(rig: &Rig, guard_hz: Option<(f64, f64)>) -> Vec<f64> {
    /// What of the trust is left where the curve is the coupler's.
    const GUARDED: f64 = 0.3;
    let mut trust = rig.trust_on_grid();
    if let Some((lowest_hz, highest_hz)) = guard_hz {
        for (f_hz, trust) in grid::frequency_hz().iter().zip(&mut trust) {
            if (lowest_hz..=highest_hz).contains(f_hz) {
                *trust *= GUARDED;
            }
        }
    }
    trust
}

/// Weight of each grid point: trust over spread, or the given weights, the largest made 1; 0 outside `support`.
fn weights(
    given: Option<&Weight>,
    trust: &[f64],
    spread_db: Option<&[f64]>,
    support: &Range<usize>,
) -> Result<Vec<f64>> {
    /// The spread at which a point counts for 1/sqrt 2 of its trust.
    const SPREAD_DB: f64 = 0.5;
    let mut weight = match (given, spread_db) {
        (Some(weight), _) => weight.on_grid(),
        (None, None) => trust.to_vec(),
        (None, Some(spread_db)) => trust
            .iter()
            .zip(spread_db)
            .map(|(trust, spread_db)| trust / (1.0 + (spread_db / SPREAD_DB).powi(2)).sqrt())
            .collect(),
    };
    for (i, w) in weight.iter_mut().enumerate() {
        if !support.contains(&i) {
            *w = 0.0;
        }
    }
    // Given weights may be of any size; their squares could not be.
    let largest = weight.iter().copied().fold(0.0, f64::max);
    if given.is_some() && largest > 0.0 {
        for w in &mut weight {
            *w /= largest;
        }
    }
    if largest <= 0.0 {
        let (low_hz, high_hz) = grid::band_hz(support);
        return Err(Error::new(
            ErrorKind::Coverage,
            "weight",
            format!("no weight above 0 from {low_hz:.0} Hz to {high_hz:.0} Hz"),
            "some weight where curve and target are known",
            "change the weight file or the rig",
        ));
    }
    Ok(weight)
}

/// What of the limits may be used for data on `support`: no section has its f0 outside the data, nor at half
/// the lowest rate or above.
fn space(limits: &Limits, support: &Range<usize>, guard_hz: Option<(f64, f64)>) -> Result<Space> {
    /// Sections closer than this to half the rate have no form of their own left.
    const HIGHEST_SHARE_OF_HALF_RATE: f64 = 0.98;
    let lowest_rate_hz = limits
        .rates_hz
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let (data_low_hz, data_high_hz) = grid::band_hz(support);
    let useful_hz = data_high_hz.min(HIGHEST_SHARE_OF_HALF_RATE * lowest_rate_hz / 2.0);
    let space = boxes::space(limits, (data_low_hz, useful_hz), guard_hz);
    if space.capacity() > 0 {
        return Ok(space);
    }
    let settings = Shape::ALL.into_iter().flat_map(|shape| {
        limits
            .places(shape)
            .map(move |slot| limits.knobs(shape, slot)[0])
    });
    let settings: Vec<&Setting> = settings.collect();
    let has_one = |f0_hz: &Setting| {
        let highest_hz = f0_hz.at_or_below(useful_hz);
        highest_hz.is_some_and(|highest_hz| highest_hz >= data_low_hz)
    };
    let (lowest_hz, highest_hz) = settings
        .iter()
        .fold((f64::INFINITY, 0.0), |(low, high), f0_hz| {
            (f0_hz.min().min(low), f0_hz.max().max(high))
        });
    if settings.into_iter().any(has_one) {
        return Err(Error::new(
            ErrorKind::Setting,
            &limits.name,
            format!(
                "no section that all rules leave from {data_low_hz:.0} Hz to {useful_hz:.0} Hz"
            ),
            "some gain and some q where there are data that every rate plays",
            "loosen gain_limit, boost_q_max or cut_only",
        )
        .at_key("gain_limit"));
    }
    Err(Error::new(
        ErrorKind::Setting,
        &limits.name,
        format!("section frequencies from {lowest_hz} Hz to {highest_hz} Hz"),
        format!(
            "at least one from {data_low_hz:.0} Hz to {useful_hz:.0} Hz, where there are data that every rate plays"
        ),
        "use limits that reach the measured band",
    )
    .at_key("f0_hz"))
}

/// What the sections need before them, if the equaliser has it and may boost as much.
fn playable_headroom(sections: &[Section], limits: &Limits) -> Result<Headroom> {
    let headroom = headroom(sections, &limits.rates_hz, &limits.preamp_db)?;
    limits.allow_total_boost(headroom.peak_gain_db)?;
    Ok(headroom)
}

/// A fit, J with it, and what it needs before it.
struct Attempt<A> {
    answer: A,
    objective_db2: f64,
    headroom: Result<Headroom>,
}

/// A fit that the equaliser's preamp allows.
struct Played<A> {
    answer: A,
    objective_db2: f64,
    headroom: Headroom,
    /// Whether boosts were held back for it.
    held_back: bool,
}

/// The fit that `attempt` makes of a space; where the preamp it needs is out of the equaliser's reach, the best that was
/// found with less boost.
fn within_preamp<A>(
    limits: &Limits,
    space: &Space,
    effort: Effort,
    attempt: impl Fn(&Space, Effort) -> Result<Attempt<A>>,
) -> Result<Played<A>> {
    let played = |most_gain_db: f64, effort, held_back| -> Result<Result<Played<A>>> {
        let Attempt {
            answer,
            objective_db2,
            headroom,
        } = attempt(&space.with_most_gain(most_gain_db), effort)?;
        Ok(headroom.map(|headroom| Played {
            answer,
            objective_db2,
            headroom,
            held_back,
        }))
    };
    // The outer error is one of the fit, the inner one of the preamp.
    match played(f64::INFINITY, effort, false)? {
        Err(error) if error.kind == ErrorKind::Refused => {
            let less = |most_gain_db, effort| played(most_gain_db, effort, true).ok()?.ok();
            best_with_less_boost(&limits.gain_db, effort, less).ok_or(error)
        }
        found => found,
    }
}

/// The best of the fits that can be played (`played` gives none otherwise) with a lower most gain. Quick fits
/// find how far it must come down, halving it to 0 dB, where no preamp is needed, and back up; the asked effort
/// then goes into the best place.
fn best_with_less_boost<A>(
    gain_db: &Setting,
    effort: Effort,
    played: impl Fn(f64, Effort) -> Option<Played<A>>,
) -> Option<Played<A>> {
    /// Halvings of the interval between a most gain that can be played and one that cannot.
    const BISECTIONS: usize = 6;
    /// Below this, in dB, the next half is none.
    const LEAST_HALVED_DB: f64 = 1.0;
    let mut too_much_db = gain_db.max();
    let mut found = Vec::new();
    while found.is_empty() {
        let half_db = if too_much_db > LEAST_HALVED_DB {
            too_much_db / 2.0
        } else {
            0.0
        };
        let less_db = gain_db.at_or_below(half_db)?;
        if less_db >= too_much_db {
            return None;
        }
        match played(less_db, Effort::Quick) {
            Some(fit) => found.push((less_db, fit)),
            None => too_much_db = less_db,
        }
    }
    let mut enough_db = found[0].0;
    for _ in 0..BISECTIONS {
        let between_db = gain_db.at_or_below(f64::midpoint(enough_db, too_much_db))?;
        if between_db <= enough_db {
            break;
        }
        match played(between_db, Effort::Quick) {
            Some(fit) => {
                enough_db = between_db;
                found.push((between_db, fit));
            }
            None => too_much_db = between_db,
        }
    }
    found.sort_by(|(_, a), (_, b)| a.objective_db2.total_cmp(&b.objective_db2));
    // What a longer search finds may need more preamp again: then the next best place.
    let places: Vec<f64> = found.iter().map(|(db, _)| *db).take(2).collect();
    let longer = places.into_iter().find_map(|db| played(db, effort));
    let quick = found.into_iter().map(|(_, fit)| fit);
    quick
        .chain(longer)
        .min_by(|a, b| a.objective_db2.total_cmp(&b.objective_db2))
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
    let sections = &answer.sections;
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
    let measured_db = &judged.average.on_grid.level_db;
    let sections_db = sections_db(sections, rate_hz);
    let equalised_db = sum(measured_db, &sections_db);
    let shifts_db = [measured_db, &equalised_db]
        .map(|level_db| weighted_shift_db(&ground.weight, support, level_db, &wish.target_db));
    let curves = Curves {
        measured_db,
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
            sections,
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
        set_aside: judged
            .takes
            .iter()
            .filter(|take| take.set_aside)
            .cloned()
            .collect(),
        sections,
        headroom: played.headroom,
        residual: before_after,
        residual_by_rate_db,
        objective_db2: answer.objective_db2,
        search: search_report(&answer.reach, request.effort),
        curves,
        reach,
    })
}

impl Ground {
    /// 1 where there is data and trust enough, otherwise 0.
    fn trusted(&self, support: &Range<usize>) -> Vec<f64> {
        let trusted = |(i, trust): (usize, &f64)| {
            f64::from(u8::from(support.contains(&i) && *trust >= TRUSTED))
        };
        self.trust.iter().enumerate().map(trusted).collect()
    }
}

/// Levels of the sections over the whole grid. What is not played holds its value, as contours do.
fn sections_db(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let f_hz = grid::frequency_hz();
    let played_hz: Vec<f64> = f_hz.iter().map(|f_hz| f_hz.min(rate_hz / 2.0)).collect();
    cascade::levels_db(sections, rate_hz, &played_hz)
}

fn sum(one_db: &[f64], other_db: &[f64]) -> Vec<f64> {
    one_db.iter().zip(other_db).map(|(a, b)| a + b).collect()
}

/// Weighted mean of a curve less the target.
fn weighted_shift_db(
    weight: &[f64],
    support: &Range<usize>,
    level_db: &[f64],
    target_db: &[f64],
) -> f64 {
    let total: f64 = weight.iter().map(|w| w * w).sum();
    let mean = |i: usize| weight[i] * weight[i] * (level_db[i] - target_db[i]) / total;
    support.clone().map(mean).sum::<f64>()
}

fn search_report(reach: &Reach, effort: Effort) -> SearchReport {
    SearchReport {
        evaluations: reach.evaluations,
        polishes: reach.polishes,
        restarts: reach.walks.saturating_sub(reach.searches),
        searches: reach.searches,
        agreeing: reach.agreeing,
        exact: reach.exact,
        stop: if reach.exact {
            "an exact answer was found".to_owned()
        } else {
            format!("the work of effort `{}` is done", effort.name())
        },
    }
}

/// Curves over the whole grid, and what is taken off measured and equalised so that they lie at the target's level.
struct Curves<'a> {
    measured_db: &'a [f64],
    sections_db: Vec<f64>,
    equalised_db: Vec<f64>,
    shifts_db: [f64; 2],
}

/// All that goes into the record of a fit.
struct Findings<'a> {
    request: &'a FitRequest,
    judged: &'a Judged,
    wish: &'a Wish,
    ground: &'a Ground,
    takes: Vec<String>,
    set_aside: Vec<JudgedTake>,
    sections: &'a [Section],
    headroom: Headroom,
    residual: BeforeAfter,
    residual_by_rate_db: Vec<f64>,
    objective_db2: f64,
    search: SearchReport,
    curves: Curves<'a>,
    reach: Vec<ReachPoint>,
}

fn record(findings: Findings<'_>) -> FitOutcome {
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
        residual: findings.residual,
        residual_by_rate_db: findings.residual_by_rate_db,
        objective_db2: findings.objective_db2,
        economy_ratio: residual::economy_ratio(sections, rate_hz, f_hz, &ground.weight),
        search: findings.search,
        trusted_band_hz: request.judging.rig.trusted_band_hz(&support),
        curves: OutcomeCurves {
            aligned_at_hz: None,
            measured_db: shifted(curves.measured_db, measured_shift),
            spread_db: findings.judged.average.spread_db.clone(),
            target_db: wish.target_db.clone(),
            equalised_db: shifted(&curves.equalised_db, equalised_shift),
            sections_db: curves.sections_db,
            trust: ground.trust.clone(),
            weight: ground.weight.clone(),
            support,
        },
        reach: findings.reach,
        sections: sections.to_vec(),
        cautions: Vec::new(),
    }
}

/// What the takes themselves ask for.
fn of_takes(judged: &Judged) -> Vec<Caution> {
    let mut cautions = Vec::new();
    for take in judged.takes.iter().filter(|take| take.set_aside) {
        cautions.push(Caution::TakeSetAside {
            take: take.name.clone(),
            finding: take.verdict.to_string(),
        });
    }
    for side in &judged.sides {
        if side.kept_for_want_of_better {
            cautions.push(Caution::NoSoundTake {
                side: side.side.words(),
            });
        }
        if side.agreement == Agreement::CannotBeTold {
            cautions.push(Caution::TakesContradict {
                side: side.side.words(),
            });
        }
        let lost = match (side.seal, side.sound_takes_lose) {
            (Seal::LessThanTheOtherSide(leak), _) | (_, Some(leak)) => leak,
            _ => continue,
        };
        cautions.push(Caution::SideLosesBass {
            side: side.side.words(),
            loss_at_30_hz_db: lost.loss_at_30_hz_db,
        });
    }
    cautions
}

/// What the reader of this outcome should know, most urgent first.
fn cautions(
    outcome: &FitOutcome,
    request: &FitRequest,
    judged: &Judged,
    target: &Target,
    held_back: bool,
) -> Vec<Caution> {
    /// Below this, a boost is no louder than usual programme differences.
    const BOOST_DB: f64 = 1.0;
    /// A rate is named when its residual is worse by this.
    const RATE_DB: f64 = 0.1;
    /// A single deviation of this size is worth a word.
    const LARGE_DB: f64 = 3.0;
    const SEAL_HZ: f64 = 100.0;
    let mut cautions = of_takes(judged);
    let OutcomeCurves { support, .. } = &outcome.curves;
    let (lowest_hz, highest_hz) = grid::band_hz(support);
    if outcome.headroom.peak_gain_db >= BOOST_DB {
        cautions.push(Caution::Boost {
            peak_gain_db: outcome.headroom.peak_gain_db,
        });
    }
    if held_back {
        cautions.push(Caution::PreampBound {
            preamp_min_db: request.limits.lowest_preamp_db(),
        });
    }
    if request.judging.rig == Rig::Iec60318_4 && lowest_hz < SEAL_HZ {
        cautions.push(Caution::Seal);
    }
    if let (Some((lowest_hz, highest_hz)), Some(resonance)) = (outcome.guard_hz, &judged.resonance)
    {
        cautions.push(Caution::CouplerResonance {
            resonance_hz: resonance.frequency_hz,
            lowest_hz,
            highest_hz,
        });
    }
    for band in &request.beyond_eq {
        cautions.push(Caution::BeyondEq {
            from_hz: band.from_hz,
            to_hz: band.to_hz,
            excess_ms: 1000.0 * band.excess_s,
        });
    }
    if support.len() < grid::POINTS {
        cautions.push(Caution::Covers {
            lowest_hz,
            highest_hz,
        });
    }
    let texts = target.warnings.iter().cloned();
    cautions.extend(texts.map(|text| Caution::TargetTable { text }));
    if outcome.curves.spread_db.is_none() {
        cautions.push(Caution::SpreadUnknown);
    }
    let at_first_rate_db = outcome.residual.after.weighted_db;
    let worst = outcome
        .rates_hz
        .iter()
        .zip(&outcome.residual_by_rate_db)
        .max_by(|a, b| a.1.total_cmp(b.1));
    if let Some((&rate_hz, &residual_db)) = worst
        && residual_db > at_first_rate_db + RATE_DB
    {
        cautions.push(Caution::RateDiffers {
            rate_hz,
            residual_db,
        });
    }
    let largest = support
        .clone()
        .filter(|&i| outcome.curves.trust[i] >= TRUSTED && outcome.curves.weight[i] > 0.0)
        .map(|i| {
            let residual_db = outcome.curves.equalised_db[i] - outcome.curves.target_db[i];
            (grid::frequency_hz()[i], residual_db)
        })
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    if let Some((frequency_hz, residual_db)) = largest
        && residual_db.abs() >= LARGE_DB
    {
        cautions.push(Caution::LargeResidual {
            frequency_hz,
            residual_db,
        });
    }
    cautions
}
