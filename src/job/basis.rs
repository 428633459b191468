//! Where a fit may look, and how much it believes what it sees there: trust, weights, and the space of its sections.

use std::ops::Range;

use super::channel_wish::Job;
use super::error::JobFault;
use crate::error::value::Band;
use crate::error::{Error, Result, Source};
use crate::filter::Shape;
use crate::fit::space::Space;
use crate::fit::space::boxes;
use crate::limits::{Limits, Setting};
use crate::measurement::grid;
use crate::measurement::parse::Weight;
use crate::measurement::rig::{Rig, TRUSTED};
use crate::measurement::spread::SpreadFigures;

/// Where a fit may look, and how much it believes what it sees there.
pub(super) struct Basis {
    pub guard_hz: Option<(f64, f64)>,
    pub trust: Vec<f64>,
    pub weight: Vec<f64>,
    pub space: Space,
}

pub(super) fn basis(job: &Job<'_>, limits: &Limits, support: &Range<usize>) -> Result<Basis> {
    let guard_hz = guard_hz(job);
    let trust = trust(&job.measured.judging.rig, guard_hz);
    let spread_db = job.judged.average.spread_db.as_deref();
    let weight = weights(job.measured.weight.as_ref(), &trust, spread_db, support)?;
    Ok(Basis {
        space: space(limits, support, guard_hz)?,
        guard_hz,
        trust,
        weight,
    })
}

impl Basis {
    /// What one more section must gain, where as few as needed are asked for: no less than the takes differ.
    pub fn least_gain_db(&self, job: &Job<'_>, support: &Range<usize>) -> Option<f64> {
        let asked_db = job.wish.least_gain_db?;
        let trusted_band_hz = job.measured.judging.rig.trusted_band_hz(support);
        let spread_db = job.judged.average.spread_db.as_deref();
        let spread =
            spread_db.and_then(|spread_db| SpreadFigures::of(spread_db, support, trusted_band_hz));
        Some(spread.map_or(asked_db, |spread| asked_db.max(spread.rms_db)))
    }

    /// 1 where there is data and trust enough, otherwise 0.
    pub fn trusted(&self, support: &Range<usize>) -> Vec<f64> {
        let trusted = |(i, trust): (usize, &f64)| {
            f64::from(u8::from(support.contains(&i) && *trust >= TRUSTED))
        };
        self.trust.iter().enumerate().map(trusted).collect()
    }
}

/// Where the curve is the coupler's. A rig that is believed everywhere has no such place, and given weights replace it.
fn guard_hz(job: &Job<'_>) -> Option<(f64, f64)> {
    let resonance = job
        .judged
        .resonance
        .as_ref()
        .filter(|resonance| resonance.is_the_coupler_s())?;
    let guarded = job.measured.weight.is_none() && job.measured.judging.rig != Rig::Flat;
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
        let fault = JobFault::NoWeight(grid::band_hz(support).into());
        return Err(Error::of(fault, Source::name("weight")));
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
        let fault = JobFault::NothingAllowed(Band(data_low_hz, useful_hz));
        return Err(Error::of(fault, Source::name(&*limits.name)).at_key("gain_limit"));
    }
    let data = Band(data_low_hz, useful_hz);
    let fault = JobFault::FrequenciesApart(lowest_hz, highest_hz, data);
    Err(Error::of(fault, Source::name(&*limits.name)).at_key("f0_hz"))
}
