//! Where a fit may look, and how much it believes what it sees there: trust, weights, and the space of its sections.

use std::ops::Range;

use super::channel_wish::{Job, other_ears};
use super::error::JobFault;
use crate::error::value::Band;
use crate::error::{Error, Result, Source};
use crate::filter::Shape;
use crate::fit::space::Space;
use crate::fit::space::boxes::{self, Believed};
use crate::limits::{Limits, Setting};
use crate::measurement::expected::{DISAGREE_DB, FIXED_BELOW_HZ};
use crate::measurement::grid;
use crate::measurement::parse::Weight;
use crate::measurement::rig::TRUSTED;

/// Where a fit may look, and how much it believes what it sees there.
pub(super) struct Basis {
    pub trust: Vec<f64>,
    pub weight: Vec<f64>,
    pub space: Space,
}

pub(super) fn basis(job: &Job<'_>, limits: &Limits, support: &Range<usize>) -> Result<Basis> {
    let rig = &job.measured.judging.rig;
    let trust = rig.trust_on_grid();
    let spread_db = job.judged.average.spread_db.as_deref();
    let believed = believed(job, spread_db, support);
    let highest_hz = job.wish.band.highest_f0_hz;
    let given = job.measured.weight.as_ref();
    // A contour is known exactly everywhere, whatever the rig.
    let own = match job.wish.is_taste() {
        true => &vec![1.0; grid::POINTS],
        false => &trust,
    };
    Ok(Basis {
        space: space(limits, support, highest_hz, &believed)?,
        weight: weights(given, own, support)?,
        trust,
    })
}

impl Basis {
    /// 1 where there is data and trust enough, otherwise 0.
    pub fn trusted(&self, support: &Range<usize>) -> Vec<f64> {
        let trusted = |(i, trust): (usize, &f64)| {
            f64::from(u8::from(support.contains(&i) && *trust >= TRUSTED))
        };
        self.trust.iter().enumerate().map(trusted).collect()
    }
}

/// Where sections may go: no peaking one above what the rig knows, shelves moderately where ears differ, and boosts gently
/// where the takes disagree or the rig is less than trusted. Given weights or a known ear replace that, and a rig that is
/// believed everywhere knows no other ears. Contours alone depend on no measurement.
fn believed(job: &Job<'_>, spread_db: Option<&[f64]>, support: &Range<usize>) -> Believed {
    /// A section reaches beyond its f0: this many grid points, a twelfth of an octave.
    const NEAR_POINTS: usize = grid::POINTS_PER_OCTAVE / 12;
    if job.measured.weight.is_some() || job.wish.this_ear || job.wish.is_taste() {
        return Believed::EVERYTHING;
    }
    let rig = &job.measured.judging.rig;
    let (trusted_band_hz, trust) = (rig.trusted_band_hz(support), rig.trust_on_grid());
    let f_hz = grid::frequency_hz();
    let mut gentle_hz: Vec<(f64, f64)> = Vec::new();
    let doubtful = |i: usize| {
        trust[i] < 1.0 || spread_db.is_some_and(|spread_db| spread_db[i] > DISAGREE_DB)
    };
    let gently = |i: &usize| {
        let near = i.saturating_sub(NEAR_POINTS)..(i + NEAR_POINTS + 1).min(grid::POINTS);
        grid::intersection(&near, support).any(doubtful)
    };
    let mut last = None;
    for i in support.clone().filter(gently) {
        match gentle_hz.last_mut() {
            Some(band_hz) if last == Some(i - 1) => band_hz.1 = f_hz[i],
            _ => gentle_hz.push((f_hz[i], f_hz[i])),
        }
        last = Some(i);
    }
    Believed {
        peaking_to_hz: trusted_band_hz.map_or(f64::INFINITY, |(_, highest_hz)| highest_hz),
        shelves_to_hz: match other_ears(job) {
            Some(_) => FIXED_BELOW_HZ,
            None => f64::INFINITY,
        },
        gentle_hz,
    }
}

/// Weight of each grid point: `own`, or the given weights, the largest made 1; 0 outside `support`.
fn weights(given: Option<&Weight>, own: &[f64], support: &Range<usize>) -> Result<Vec<f64>> {
    let mut weight = given.map_or_else(|| own.to_vec(), Weight::on_grid);
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

/// What of the limits may be used for data on `support`: no section has its f0 outside the data, above `highest_f0_hz`, or
/// at half the lowest rate or above.
fn space(
    limits: &Limits,
    support: &Range<usize>,
    highest_f0_hz: f64,
    believed: &Believed,
) -> Result<Space> {
    /// Sections closer than this to half the rate have no form of their own left.
    const HIGHEST_SHARE_OF_HALF_RATE: f64 = 0.98;
    let lowest_rate_hz = limits
        .rates_hz
        .iter()
        .copied()
        .fold(f64::INFINITY, f64::min);
    let (data_low_hz, data_high_hz) = grid::band_hz(support);
    let useful_hz = data_high_hz
        .min(highest_f0_hz)
        .min(HIGHEST_SHARE_OF_HALF_RATE * lowest_rate_hz / 2.0);
    let space = boxes::space(limits, (data_low_hz, useful_hz), believed);
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
