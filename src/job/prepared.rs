//! Takes that are judged once, and fitted to any number of wishes.

use std::ops::Range;

use super::basis::{Basis, basis};
use super::cautions::cautions;
use super::error::JobFault;
use super::loudness_wish::within_loss;
use super::record::record;
use super::restraint::{Attempt, Playable, headroom_and_loudness, within_preamp};
use super::{Enough, LoudnessWish, Outcome, TradeOffPoint, Wish};
use crate::error::{Error, Result, Source};
use crate::filter::Section;
use crate::fit::Effort;
use crate::fit::Stop;
use crate::fit::residual::channels_rms;
use crate::fit::space::Space;
use crate::fit::{Answer, ChannelAnswer, Task, Wanted, fit};
use crate::limits::Limits;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Judged, Settings, judge};
use crate::measurement::parse::Weight;
use crate::measurement::phase::BeyondEq;
use crate::measurement::smooth::{Width, smooth};
use crate::measurement::takes::{Side, Take};
use crate::wanted::{Target, WantedChange, wanted_change};

/// What was measured, and how it is read.
#[derive(Debug, Clone)]
pub struct Measured {
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
}

impl Measured {
    /// These takes, judged as usual, with nothing else known.
    #[must_use]
    pub fn new(unit: impl Into<String>, takes: Vec<Take>) -> Self {
        Self {
            unit: unit.into(),
            takes,
            judging: Settings::default(),
            smoothing: None,
            beyond_eq: Vec::new(),
            weight: None,
        }
    }
}

/// What was measured, with its takes judged.
#[derive(Debug, Clone)]
pub struct Prepared {
    pub(super) measured: Measured,
    pub(super) judged: Judged,
}

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
    pub measured: &'a OnGrid,
    pub target: Target,
    pub target_db: Vec<f64>,
    pub wanted: WantedChange,
    pub kept: &'a [Section],
}

impl Prepared {
    /// Judges the takes. What is fitted of them is smoothed where that was asked for.
    ///
    /// # Errors
    /// `Coverage` when takes share less than an octave; `Setting` when the leak threshold is not positive.
    pub fn new(measured: Measured) -> Result<Self> {
        let mut judged = judge(&measured.takes, &measured.judging)?;
        if let Some(width) = measured.smoothing {
            judged.average.on_grid = smooth(&judged.average.on_grid, width);
            for side in &mut judged.sides {
                side.mean = smooth(&side.mean, width);
            }
        }
        Ok(Self { measured, judged })
    }

    /// What was found in the takes.
    #[must_use]
    pub fn judged(&self) -> &Judged {
        &self.judged
    }

    /// Fits sections toward what is wished for, within limits.
    ///
    /// # Errors
    /// `Coverage` when target and measurement share less than an octave or no point has weight; `Setting` when the
    /// equaliser has no frequency there, when an EQ for each side is wished for and a take has no known side or a side no
    /// take, or when an EQ for both is to keep sections of single sides; `Refused` when no section brings an improvement,
    /// or none within the equaliser's preamp; `Stopped` when `stop` was asked before the fit was done.
    pub fn fit(
        &self,
        wish: &Wish,
        limits: &Limits,
        effort: Effort,
        stop: &Stop,
    ) -> Result<Outcome> {
        let job = Job {
            measured: &self.measured,
            judged: &self.judged,
            wish,
            limits,
            effort,
            stop,
        };
        let channels = channels(&job)?;
        let limits_left = limits_left(&job)?;
        let support = &channels[0].wanted.support;
        let basis = basis(&job, &limits_left, support)?;
        let least_gain_db = basis.least_gain_db(&job, support);
        let fitting = Fitting {
            job,
            channels: &channels,
            basis: &basis,
            limits_left: &limits_left,
            least_gain_db,
        };
        let (playable, loudness_wish) = fitting.as_loud_as_wished()?;
        let mut outcome = record(&job, &channels, &basis, &playable);
        outcome.shared.enough = least_gain_db.map(|least_gain_db| Enough {
            least_gain_db,
            sections: playable.answer.allowed + wish.kept_count(),
        });
        outcome.shared.loudness_wish = loudness_wish;
        outcome.shared.cautions = cautions(&outcome, &job, &channels, playable.held_back);
        Ok(outcome)
    }
}

/// Fits of one job.
struct Fitting<'a> {
    job: Job<'a>,
    channels: &'a [ChannelWish<'a>],
    basis: &'a Basis,
    /// What the limits leave beside the kept sections.
    limits_left: &'a Limits,
    least_gain_db: Option<f64>,
}

impl Fitting<'_> {
    /// The fit without a ceiling; where it loses more loudness than wished, the best that was found under one.
    fn as_loud_as_wished(&self) -> Result<(Playable, Option<LoudnessWish>)> {
        let effort = self.job.effort;
        let free = self.within_preamp(f64::INFINITY, effort)?;
        let Some(most_loss_db) = self.job.wish.most_loudness_loss_db else {
            return Ok((free, None));
        };
        let without = TradeOffPoint::of(&free);
        let under = |ceiling_db, effort| self.within_preamp(ceiling_db, effort).ok();
        let (best, trade_off) =
            within_loss(most_loss_db, self.wanted_range_db(), effort, free, under);
        self.refuse_stopped()?;
        let wish = LoudnessWish {
            most_loss_db,
            without,
            trade_off,
        };
        match best {
            Some(best) => Ok((best, Some(wish))),
            None => Err(self.refused(JobFault::Loudness(most_loss_db, without.loudness_loss_db))),
        }
    }

    /// Least and most of what is wanted where it counts.
    fn wanted_range_db(&self) -> (f64, f64) {
        let mut range_db = (f64::INFINITY, f64::NEG_INFINITY);
        for channel in self.channels {
            let wanted = channel.wanted.change_db.iter().zip(&self.basis.weight);
            for (db, _) in wanted.filter(|(_, w)| **w > 0.0) {
                range_db = (db.min(range_db.0), db.max(range_db.1));
            }
        }
        range_db
    }

    /// The best fit toward what is wanted below a ceiling that the equaliser's preamp allows.
    fn within_preamp(&self, ceiling_db: f64, effort: Effort) -> Result<Playable> {
        within_preamp(
            self.job.limits,
            &self.basis.space,
            effort,
            |space, effort| self.attempt(space, effort, ceiling_db),
        )
    }

    /// One fit in a space, toward what is wanted below a ceiling, judged by all that is wanted.
    fn attempt(&self, space: &Space, effort: Effort, ceiling_db: f64) -> Result<Attempt> {
        let Job { limits, wish, .. } = self.job;
        let rate_hz = limits.rates_hz[0];
        let points = points_below_half(rate_hz);
        let (f_hz, weight) = (
            &grid::frequency_hz()[..points],
            &self.basis.weight[..points],
        );
        let wanted_db = |channel: &'_ ChannelWish<'_>| channel.wanted.change_db[..points].to_vec();
        let whole_db: Vec<Vec<f64>> = self.channels.iter().map(wanted_db).collect();
        let below = |wanted_db: &Vec<f64>| wanted_db.iter().map(|db| db.min(ceiling_db)).collect();
        let below_db: Vec<Vec<f64>> = whole_db.iter().map(below).collect();
        let task = Task {
            frequency_hz: f_hz,
            weight,
            channels: &self.wanted(&below_db),
            limits: self.limits_left,
            space,
            least_gain_db: self.least_gain_db,
            economy: wish.economy,
            effort,
            seed: 0,
            stop: self.job.stop,
        };
        let mut answer = fit(&task);
        self.refuse_stopped()?;
        if ceiling_db.is_finite() {
            answer = answer.judged_by(&Task {
                channels: &self.wanted(&whole_db),
                ..task
            });
        }
        let all = all_sections(&answer, self.channels);
        let all: Vec<&[Section]> = all.iter().map(Vec::as_slice).collect();
        let whole_db: Vec<&[f64]> = whole_db.iter().map(Vec::as_slice).collect();
        let rms_db = |sections: &[&[Section]]| {
            channels_rms(sections, rate_hz, f_hz, weight, &whole_db).together_db
        };
        let residual_db = rms_db(&all);
        self.refuse_worse(rms_db(&vec![&[][..]; all.len()]), residual_db, &answer)?;
        Ok(Attempt {
            playing: headroom_and_loudness(&all, limits, wish.protection),
            objective_db2: answer.objective_db2,
            residual_db,
            answer,
        })
    }

    fn wanted<'b>(&'b self, wanted_db: &'b [Vec<f64>]) -> Vec<Wanted<'b>> {
        let channels = self.channels.iter().zip(wanted_db);
        channels
            .map(|(channel, change_db)| Wanted {
                change_db,
                kept: channel.kept,
            })
            .collect()
    }

    fn refuse_stopped(&self) -> Result<()> {
        match self.job.stop.is_asked() {
            true => Err(self.refused(JobFault::Stopped)),
            false => Ok(()),
        }
    }

    fn refused(&self, fault: JobFault) -> Box<Error> {
        Error::of(fault, Source::name(&*self.job.measured.unit))
    }

    /// An EQ that is no better than none is no answer.
    fn refuse_worse(&self, before_db: f64, after_db: f64, answer: &Answer) -> Result<()> {
        let none_fitted = answer.channels.iter().all(|c| c.sections.is_empty());
        let none_kept = self.channels.iter().all(|c| c.kept.is_empty());
        if after_db < before_db && !(none_fitted && none_kept) {
            return Ok(());
        }
        Err(self.refused(if !none_kept {
            JobFault::KeptUseless(after_db, before_db)
        } else if self.least_gain_db.is_some() && none_fitted {
            JobFault::NothingNeeded(before_db)
        } else {
            JobFault::NothingHelps(before_db)
        }))
    }
}

/// What each channel is fitted to.
fn channels<'a>(job: &Job<'a>) -> Result<Vec<ChannelWish<'a>>> {
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
    measured: &'a OnGrid,
    kept: &'a [Section],
) -> Result<ChannelWish<'a>> {
    let rate_hz = job.limits.rates_hz[0];
    let contours = job.wish.contours.clone();
    let target = match &job.wish.target {
        Some(target) => target.clone().with_contours(contours).over(measured),
        None => Target::relative_to(measured, contours),
    };
    let target_on_grid = target.level_on_grid(rate_hz);
    let mut wanted = wanted_change(measured, &target_on_grid)
        .map_err(|error| error.about(Source::name(&*target.name)))?;
    wanted.support = playable_support(wanted.support, rate_hz)?;
    Ok(ChannelWish {
        side,
        measured,
        target,
        target_db: target_on_grid.level_db,
        wanted,
        kept,
    })
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

fn limits_left(job: &Job<'_>) -> Result<Limits> {
    match job.wish.kept.each_ref().map(Vec::as_slice) {
        [[], []] => Ok(job.limits.clone()),
        kept => job.limits.beside(&kept),
    }
}

/// Fitted and kept sections of each channel, in frequency order.
pub(super) fn all_sections(answer: &Answer, channels: &[ChannelWish<'_>]) -> Vec<Vec<Section>> {
    let with_kept = |(fitted, wish): (&ChannelAnswer, &ChannelWish<'_>)| {
        let mut all = [&fitted.sections, wish.kept].concat();
        all.sort_by(|a, b| a.f0_hz.total_cmp(&b.f0_hz).then(a.shape.cmp(&b.shape)));
        all
    };
    answer
        .channels
        .iter()
        .zip(channels)
        .map(with_kept)
        .collect()
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
