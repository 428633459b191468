//! The inspection of a unit: its takes are judged ([`judge`]), their phases examined for what an equaliser cannot undo
//! ([`phase`](crate::measurement::phase)), and the next steps derived ([`next_step`]).

pub mod next_step;

use std::cmp::Ordering;
use std::ops::Range;

use rayon::prelude::*;

use crate::error::Result;
use crate::measurement::grid::{self, OnGrid, POINTS};
use crate::measurement::judge::{self, Judged, JudgedSide, JudgedTake, Settings, Verdict};
use crate::measurement::phase::BeyondEq;
use crate::measurement::rig::Rig;
use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::{Side, Take, offset_db};
use crate::measurement::unit_file::{OpenedTake, OpenedUnit};
use crate::units::{amplitude_from_db, db_from_power};

pub use next_step::NextStep;

/// All findings about the takes of a unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Inspection {
    /// Name of the unit.
    pub unit: String,
    /// The rig that was assumed.
    pub rig: Rig,
    /// The judged takes; like all lists of takes here, in the order given.
    pub judged: Judged,
    /// The number of each take within its side, from 1.
    pub numbers: Vec<usize>,
    /// Each take at the level of its side: shifted so that the median of its difference from its side's mean over 200
    /// Hz to 2 kHz is 0 dB. None for a take that shares no frequency with the mean.
    pub aligned: Vec<Option<OnGrid>>,
    /// The findings from the phase of each take; None without phase.
    pub phases: Vec<Option<TakePhase>>,
    /// The figures of each impulse response; None for curves.
    pub impulses: Vec<Option<TakeImpulse>>,
    /// Bands where an equaliser cannot undo what was measured, from the kept takes, by frequency.
    pub beyond_eq: Vec<SharedBand>,
    /// Trust at each point of the common grid, 0 to 1.
    pub trust: Vec<f64>,
    /// Lowest and highest grid frequency with data and a trust of at least 0.7, hertz; None if nothing is trusted.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// Lowest and highest frequency of the band around the coupler's resonance, hertz, where the curve is the coupler's as
    /// much as the earphone's. None unless the takes show that the resonance moves, or the unit file gives it, and the rig is not
    /// fully trusted.
    pub guard_hz: Option<(f64, f64)>,
    /// The spread of the kept takes over the trusted band (over all data if nothing is trusted); None if every side has
    /// only one take.
    pub spread: Option<SpreadFigures>,
    /// The next steps: about takes, then sides, then the unit. Empty if the takes agree and everything could be
    /// determined.
    pub next_steps: Vec<NextStep>,
}

/// What the phase of a take says.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct TakePhase {
    /// The constant delay that was removed, s.
    pub delay_s: f64,
    /// Bands where an equaliser cannot undo what was measured.
    pub beyond_eq: Vec<BeyondEq>,
    /// Whether more such bands were found that noise can feign; they are left out.
    pub hidden_by_noise: bool,
}

/// A band of several takes in which an equaliser cannot undo what was measured: from the lowest to the highest frequency
/// in any take, with the longest excess of all.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SharedBand {
    /// The band.
    #[serde(flatten)]
    pub band: BeyondEq,
    /// Number of kept takes that have it.
    #[serde(rename = "in_takes")]
    pub takes: usize,
    /// Number of kept takes with phase.
    pub of_takes: usize,
}

/// What an impulse response says of itself.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct TakeImpulse {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Time from the first sample of the file to the arrival, s.
    pub flight_time_s: f64,
    /// Start and end of the time that was read, s from the first sample.
    pub window_s: (f64, f64),
    /// Level (rms) at the end of the window, dB re the largest sample; none (`null`) for silence.
    pub tail_db: Option<f64>,
}

impl TakeImpulse {
    /// Approximate distance of the noise below the level of the response, dB (positive is below): noise with the power
    /// of the tail over the whole window, against a response as strong as its largest sample. None for silence.
    #[must_use]
    pub fn noise_below_db(&self) -> Option<f64> {
        let samples = (self.window_s.1 - self.window_s.0) * self.rate_hz;
        self.tail_db
            .map(|tail_db| -(tail_db + db_from_power(samples.max(1.0))))
    }
}

impl Inspection {
    /// The judged side; None if it has no takes.
    #[must_use]
    pub fn side(&self, side: Side) -> Option<&JudgedSide> {
        self.judged.sides.iter().find(|judged| judged.side == side)
    }

    /// True for the only take of its side: there is nothing to compare it with.
    #[must_use]
    pub fn is_alone(&self, take: &JudgedTake) -> bool {
        take.verdict == Verdict::Sound && self.side(take.side).is_some_and(|side| side.takes == 1)
    }
}

/// Judges the takes of a unit and derives the next steps. `settings.rig` is used, whatever rig the unit's file states.
///
/// # Errors
/// Those of [`judge::judge`].
pub fn inspect(unit: &OpenedUnit, settings: &Settings) -> Result<Inspection> {
    let takes: Vec<Take> = unit
        .takes
        .iter()
        .map(|opened| opened.take.clone())
        .collect();
    let judged = judge::judge(&takes, settings)?;
    let rig = settings.rig.clone();
    let trusted_band_hz = rig.trusted_band_hz(&judged.average.on_grid.support);
    let spread = spread(&judged, trusted_band_hz);
    let guard_hz = judged.coupler_hz(&rig);
    let phases: Vec<Option<TakePhase>> = unit.takes.par_iter().map(phase).collect();
    let mut inspection = Inspection {
        unit: unit.name.clone(),
        numbers: numbers(&takes),
        aligned: takes.iter().map(|take| aligned(take, &judged)).collect(),
        beyond_eq: shared_bands(&of_kept(&judged, &phases)),
        phases,
        impulses: unit.takes.iter().map(impulse).collect(),
        trust: rig.trust_on_grid(),
        rig,
        judged,
        trusted_band_hz,
        guard_hz,
        spread,
        next_steps: Vec::new(),
    };
    inspection.next_steps = next_step::next_steps(&inspection);
    Ok(inspection)
}

fn numbers(takes: &[Take]) -> Vec<usize> {
    let of_side = |upto: usize| {
        takes[..=upto]
            .iter()
            .filter(move |t| t.side == takes[upto].side)
    };
    (0..takes.len()).map(|i| of_side(i).count()).collect()
}

fn aligned(take: &Take, judged: &Judged) -> Option<OnGrid> {
    let side = judged.sides.iter().find(|side| side.side == take.side)?;
    let both = grid::intersection(&take.on_grid.support, &side.mean.support);
    if both.is_empty() {
        return None;
    }
    let mut difference_db = vec![0.0; POINTS];
    for i in both.clone() {
        difference_db[i] = take.on_grid.level_db[i] - side.mean.level_db[i];
    }
    let level_db = offset_db(&difference_db, &both);
    let mut aligned = take.on_grid.clone();
    for i in aligned.support.clone() {
        aligned.level_db[i] -= level_db;
    }
    Some(aligned)
}

fn spread(judged: &Judged, trusted_band_hz: Option<(f64, f64)>) -> Option<SpreadFigures> {
    let average = &judged.average;
    let spread_db = average.spread_db.as_deref()?;
    SpreadFigures::of(spread_db, &average.on_grid.support, trusted_band_hz)
}

/// The figures of the spread over the grid frequencies for which `counts` is true.
fn spread_where(judged: &Judged, counts: impl Fn(f64) -> bool) -> Option<SpreadFigures> {
    let average = &judged.average;
    let spread_db = average.spread_db.as_deref()?;
    SpreadFigures::over(spread_db, &average.on_grid.support, counts)
}

fn phase(opened: &OpenedTake) -> Option<TakePhase> {
    let excess = opened.excess()?;
    let mut beyond_eq = excess.beyond_eq();
    let found = beyond_eq.len();
    beyond_eq.retain(|band| !noise_could_cause(opened, band));
    Some(TakePhase {
        delay_s: excess.delay_s,
        hidden_by_noise: beyond_eq.len() < found,
        beyond_eq,
    })
}

/// True if noise could produce the band. Noise over a window of T seconds with a share `e` of the level bends the group
/// delay by about `e T/2`. A delay counts as real if it is at least four times that and `e` is below a tenth. Our
/// choice.
fn noise_could_cause(opened: &OpenedTake, band: &BeyondEq) -> bool {
    let Some(impulse) = impulse(opened) else {
        return false;
    };
    let Some(below_db) = impulse.noise_below_db() else {
        return false;
    };
    let level = &opened.take.on_grid;
    let levels_db = &level.level_db[level.support.clone()];
    let strongest_db = levels_db.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let at = grid::frequency_hz().partition_point(|f_hz| *f_hz < band.at_hz);
    let here_db = level.level_db.get(at).copied().unwrap_or(strongest_db);
    let share = amplitude_from_db(strongest_db - here_db - below_db);
    let window_s = impulse.window_s.1 - impulse.window_s.0;
    share >= 0.1 || band.excess_s.abs() < 2.0 * share * window_s
}

fn impulse(opened: &OpenedTake) -> Option<TakeImpulse> {
    opened.impulse.as_ref().map(|impulse| TakeImpulse {
        rate_hz: impulse.rate_hz,
        flight_time_s: impulse.flight_time_s,
        window_s: impulse.window_s,
        tail_db: Some(impulse.tail_db).filter(|db| db.is_finite()),
    })
}

/// The bands where the phases of most takes (of those that have one) show what an equaliser cannot undo.
#[must_use]
pub fn beyond_eq(takes: &[OpenedTake]) -> Vec<BeyondEq> {
    let phases: Vec<TakePhase> = takes.par_iter().filter_map(phase).collect();
    let phases: Vec<&TakePhase> = phases.iter().collect();
    let shared = shared_bands(&phases).into_iter();
    let of_most = shared.filter(|shared| 2 * shared.takes > shared.of_takes);
    of_most.map(|shared| shared.band).collect()
}

fn of_kept<'a>(judged: &Judged, phases: &'a [Option<TakePhase>]) -> Vec<&'a TakePhase> {
    let kept = judged.takes.iter().zip(phases);
    kept.filter(|(take, _)| !take.set_aside)
        .filter_map(|(_, phase)| phase.as_ref())
        .collect()
}

/// The bands of all takes, overlapping ones joined.
fn shared_bands(kept: &[&TakePhase]) -> Vec<SharedBand> {
    let mut all: Vec<BeyondEq> = kept.iter().flat_map(|p| p.beyond_eq.clone()).collect();
    // Sorted by all numbers, so that the order of the takes does not matter.
    let numbers = |band: &BeyondEq| [band.from_hz, band.to_hz, band.excess_s, band.at_hz];
    all.sort_by(|a, b| {
        let pairs = numbers(a).into_iter().zip(numbers(b));
        let differing = pairs.map(|(a, b)| a.total_cmp(&b)).find(|o| o.is_ne());
        differing.unwrap_or(Ordering::Equal)
    });
    let mut joined: Vec<BeyondEq> = Vec::new();
    for band in all {
        let periods = |band: &BeyondEq| band.excess_s.abs() * band.at_hz;
        match joined.last_mut() {
            Some(last) if band.from_hz <= last.to_hz => {
                last.to_hz = last.to_hz.max(band.to_hz);
                if periods(&band) > periods(last) {
                    (last.excess_s, last.at_hz) = (band.excess_s, band.at_hz);
                }
            }
            _ => joined.push(band),
        }
    }
    let has = |phase: &TakePhase, band: &BeyondEq| {
        let overlaps = |b: &BeyondEq| b.from_hz <= band.to_hz && band.from_hz <= b.to_hz;
        phase.beyond_eq.iter().any(overlaps)
    };
    joined
        .into_iter()
        .map(|band| SharedBand {
            takes: kept.iter().filter(|phase| has(phase, &band)).count(),
            of_takes: kept.len(),
            band,
        })
        .collect()
}

/// The smallest range of grid points that contains those of all curves of the inspection.
#[must_use]
pub fn covered(inspection: &Inspection) -> Range<usize> {
    let average = &inspection.judged.average.on_grid.support;
    let takes = inspection
        .aligned
        .iter()
        .flatten()
        .map(|take| &take.support);
    takes.fold(average.clone(), |all, one| {
        all.start.min(one.start)..all.end.max(one.end)
    })
}
