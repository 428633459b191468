//! One fit at work, and what each of its channels is fitted to.

use std::ops::Range;

use super::error::JobFault;
use super::measured::Measured;
use super::outcome::OtherEars;
use super::wish::{FitBand, Wish};
use crate::error::{Error, Knob, Result, Source};
use crate::filter::Section;
use crate::fit::{Effort, Stop};
use crate::limits::Limits;
use crate::measurement::expected::{Ears, agreed, blurred, moved};
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::Judged;
use crate::measurement::rig::Rig;
use crate::measurement::takes::Side;
use crate::wanted::{Base, Target, WantedChange, wanted_change};

/// One fit at work.
#[derive(Clone, Copy)]
pub(super) struct Job<'a> {
    pub measured: &'a Measured,
    pub judged: &'a Judged,
    pub wish: &'a Wish,
    pub limits: &'a Limits,
    pub effort: Effort,
    pub stop: &'a Stop,
}

/// What a channel is fitted to.
pub(super) struct ChannelWish<'a> {
    /// Its side; None for one EQ for both.
    pub side: Option<Side>,
    /// As the source in use drives it.
    pub measured: OnGrid,
    /// What other ears are expected to get of it; the measured curve itself where only this ear counts.
    pub expected: OnGrid,
    pub target: Target,
    pub target_db: Vec<f64>,
    pub wanted: WantedChange,
    pub kept: &'a [Section],
}

/// What each channel is fitted to.
pub(super) fn channels<'a>(job: &Job<'a>) -> Result<Vec<ChannelWish<'a>>> {
    let [left, right] = &job.wish.kept;
    if !job.wish.per_side {
        if left != right {
            let unit = Source::name(&*job.measured.unit);
            return Err(Error::of(JobFault::KeptSides, unit));
        }
        return Ok(vec![channel(job, None, &job.judged.average.on_grid, left)?]);
    }
    refuse_unknown_sides(job.measured)?;
    let of_side = |(side, kept): (Side, &'a Vec<Section>)| {
        let judged = job.judged.sides.iter().find(|judged| judged.side == side);
        let mean = &judged.expect("a side with takes keeps one").mean;
        channel(job, Some(side), mean, kept)
    };
    [(Side::Left, left), (Side::Right, right)]
        .into_iter()
        .map(of_side)
        .collect()
}

fn channel<'a>(
    job: &Job<'a>,
    side: Option<Side>,
    measured: &OnGrid,
    kept: &'a [Section],
) -> Result<ChannelWish<'a>> {
    let rate_hz = job.limits.rates_hz[0];
    let contours = job.wish.contours.clone();
    let (other_ears, ears) = (other_ears(job), ears(job)?);
    let measured = match &job.measured.source_bend {
        Some(bend) => bend.bent(measured),
        None => measured.clone(),
    };
    let spread_db = job.judged.average.spread_db.as_deref();
    let own = match other_ears {
        Some(_) => moved(&agreed(&measured, spread_db), ears),
        None => measured.clone(),
    };
    let target = match &job.wish.target {
        Some(target) => target.clone().with_contours(contours).over(&own),
        None => Target::relative_to(&own, contours),
    };
    let (expected, target_on_grid) = match other_ears {
        Some(OtherEars { moved_octaves, .. }) => (
            blurred(&own, moved_octaves, ears),
            target_in_other_ears(&target, rate_hz, moved_octaves, ears),
        ),
        None => (own, target.level_on_grid(rate_hz)),
    };
    let mut wanted = match job.wish.is_taste() {
        true => contours_alone(&target, rate_hz),
        false => wanted_change(&expected, &target_on_grid)
            .map_err(|error| error.about(Source::name(&*target.name)))?,
    };
    wanted.support = playable_support(wanted.support, rate_hz)?;
    wanted.support = wished_support(wanted.support, &job.wish.band)?;
    Ok(ChannelWish {
        side,
        measured,
        expected,
        target,
        target_db: target_on_grid.level_db,
        wanted,
        kept,
    })
}

/// The wanted change that is the contours of `target`, whatever was measured.
fn contours_alone(target: &Target, rate_hz: f64) -> WantedChange {
    let contours = Target {
        base: Base::Flat,
        ..target.clone()
    };
    let on_grid = contours.level_on_grid(rate_hz);
    WantedChange {
        change_db: on_grid.level_db,
        support: on_grid.support,
    }
}

/// How the curve is moved to what other ears get; None where it is that of the ear that listens: where that was said, where
/// the rig is believed everywhere, or where weights were given.
pub(super) fn other_ears(job: &Job<'_>) -> Option<OtherEars> {
    let Job {
        measured, judged, ..
    } = *job;
    let is_this_ear =
        job.wish.this_ear || measured.weight.is_some() || measured.judging.rig == Rig::Flat;
    let resonance_hz = || {
        let takes = judged.order.iter().map(|index| &judged.takes[*index]);
        let kept = takes.filter(|take| !take.set_aside);
        kept.filter_map(|take| take.resonance.map(|found| found.frequency_hz))
    };
    let moves = judged.resonance.as_ref().is_some_and(|found| found.moves);
    let moved_octaves = if moves { deviation_octaves(resonance_hz) } else { 0.0 };
    (!is_this_ear).then_some(OtherEars {
        moved_octaves,
        peak_hz: job.wish.ear_peak_hz,
    })
}

/// The ears that the curve is expected in: all, or the one whose resonance is known.
fn ears(job: &Job<'_>) -> Result<Ears> {
    let Some(peak_hz) = job.wish.ear_peak_hz else {
        return Ok(Ears::ALL);
    };
    let refuse = |fault: JobFault| Err(Error::of(fault, Knob::EarPeakHz));
    if other_ears(job).is_none() {
        return refuse(JobFault::EarPeakNotUsed);
    }
    match &job.judged.resonance {
        Some(resonance) => Ok(Ears::with_peak(peak_hz, resonance.frequency_hz)),
        None => refuse(JobFault::NoCouplerPeak),
    }
}

/// A target whose base is as blurred as what was measured: detail that no ear has is no aim for it, and a measured curve
/// is its own target. Contours stay as they were asked for.
fn target_in_other_ears(target: &Target, rate_hz: f64, moved_octaves: f64, ears: Ears) -> OnGrid {
    let mut base = target.clone();
    base.contours.clear();
    let (whole, base) = (target.level_on_grid(rate_hz), base.level_on_grid(rate_hz));
    let mut blurred = blurred(&base, moved_octaves, ears);
    for i in blurred.support.clone() {
        blurred.level_db[i] += whole.level_db[i] - base.level_db[i];
    }
    blurred
}

/// Standard deviation (n - 1) of frequencies, octaves; 0 for fewer than two.
fn deviation_octaves<I: Iterator<Item = f64>>(frequencies_hz: impl Fn() -> I) -> f64 {
    let count = frequencies_hz().count() as f64;
    let mean = frequencies_hz().map(f64::log2).sum::<f64>() / count;
    let squares: f64 = frequencies_hz().map(|hz| (hz.log2() - mean).powi(2)).sum();
    if count > 1.0 { (squares / (count - 1.0)).sqrt() } else { 0.0 }
}

/// Every take must be known to be of one side, and each side must have one.
fn refuse_unknown_sides(measured: &Measured) -> Result<()> {
    let takes = &measured.takes;
    if let Some(take) = takes.iter().find(|take| take.side == Side::Unknown) {
        return Err(Error::of(JobFault::UnknownSide, &*take.name));
    }
    for side in Side::BOTH {
        if takes.iter().all(|take| take.side != side) {
            let fault = JobFault::NoTakeOfSide(side);
            return Err(Error::of(fault, Source::name(&*measured.unit)));
        }
    }
    Ok(())
}

/// Fitted and kept sections of each channel, in frequency order.
pub(super) fn all_sections<'a>(
    fitted: impl Iterator<Item = &'a Vec<Section>>,
    channels: &[ChannelWish<'_>],
) -> Vec<Vec<Section>> {
    let with_kept = |(fitted, wish): (&Vec<Section>, &ChannelWish<'_>)| {
        let mut all = [fitted, wish.kept].concat();
        all.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
        all
    };
    fitted.zip(channels).map(with_kept).collect()
}

/// Grid points below half of `rate_hz`, above which nothing is played.
pub(super) fn points_below_half(rate_hz: f64) -> usize {
    grid::frequency_hz().partition_point(|f_hz| *f_hz < rate_hz / 2.0)
}

/// What of `support` is played at `rate_hz`.
fn playable_support(support: Range<usize>, rate_hz: f64) -> Result<Range<usize>> {
    let played = grid::intersection(&support, &(0..points_below_half(rate_hz)));
    if played.len() >= grid::POINTS_PER_OCTAVE || played == support {
        return Ok(played);
    }
    let fault = JobFault::LowRate(rate_hz, grid::band_hz(&support).into());
    Err(Error::of(fault, Source::name("rates_hz")))
}

/// What of `support` lies in the band that was wished for.
fn wished_support(support: Range<usize>, band: &FitBand) -> Result<Range<usize>> {
    let f_hz = grid::frequency_hz();
    let inside = f_hz.partition_point(|f| *f < band.from_hz)..f_hz.partition_point(|f| *f <= band.to_hz);
    let left = grid::intersection(&support, &inside);
    if left.len() >= grid::POINTS_PER_OCTAVE || left == support {
        return Ok(left);
    }
    let fault = JobFault::BandOutside(band.from_hz, band.to_hz, grid::band_hz(&support).into());
    Err(Error::of(fault, if band.from_hz > 0.0 { Knob::FromHz } else { Knob::ToHz }))
}
