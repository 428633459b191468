//! Takes that are judged once, and fitted to any number of wishes.

use super::basis::{Basis, basis};
use super::cautions::cautions;
use super::channel_wish::{ChannelWish, Job, all_sections, channels, points_below_half};
use super::error::JobFault;
use super::measured::Measured;
use super::playable::{
    Attempt, MOST_SEARCHES, Most, Playable, Played, any_signal_line, any_signal_too_much_db, headroom_and_loudness,
    peak_gain_db, within, within_loss,
};
use super::reading::{self, Reading};
use super::record::record;
use super::{Enough, LoudnessWish, Outcome, Start, TradeOffPoint, Wish};
use crate::cost::heard::Heard;
use crate::cost::programme::Programme;
use crate::error::{Error, Knob, Result, Source};
use crate::filter::Section;
use crate::fit::objective::ceilings::Line;
use crate::fit::residual::channels_rms;
use crate::fit::search::reach::Level;
use crate::fit::{Answer, Ceilings, ChannelAnswer, Effort, Freedom, Playing, Stop, Task, Wanted, fit, fit_from};
use crate::headroom::Guard;
use crate::limits::Limits;
use crate::measurement::grid;
use crate::measurement::judge::{Judged, judge};
use crate::measurement::smooth::smooth;

/// Largest difference of the residual between readings of the same sections, dB. It is due to rounding alone.
const SAME_RESIDUAL_DB: f64 = 1e-6;

/// What was measured, with its takes judged.
#[derive(Debug, Clone)]
pub struct Prepared {
    pub(super) measured: Measured,
    pub(super) judged: Judged,
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
    /// take, when an EQ for both is to keep sections of single sides, or when the sections to start from contradict the
    /// limits or the rest of the wish; `Refused` when no section brings an improvement (unless there is a start), or none
    /// within the equaliser's preamp; `Stopped` when `stop` was asked before the fit was done.
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
        refuse_start(&job)?;
        let channels = channels(&job)?;
        let limits_left = limits_left(&job)?;
        let support = &channels[0].wanted.support;
        let basis = basis(&job, &limits_left, support)?;
        let least_gain_db = wish.least_gain_db.filter(|_| wish.start.is_none());
        let fitting = Fitting {
            job,
            channels: &channels,
            basis: &basis,
            limits_left: &limits_left,
            heard: heard(&job, &channels)?,
            least_gain_db,
        };
        let (playable, loudness_wish) = fitting.fit_within_loudness_loss()?;
        let mut outcome = record(&job, &channels, &basis, &playable);
        outcome.shared.enough = least_gain_db.map(|least_gain_db| Enough {
            least_gain_db,
            sections: playable.answer.allowed + wish.kept_count(),
        });
        outcome.shared.loudness_wish = loudness_wish;
        let held_back = playable.is_held_back();
        outcome.shared.cautions = cautions(&outcome, &job, &channels, held_back);
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
    /// The programme as it is heard without EQ.
    heard: Heard,
    least_gain_db: Option<f64>,
}

impl Fitting<'_> {
    /// Fits without a ceiling of the loss. If that loses more loudness than is allowed, fits under that ceiling and others,
    /// and takes the best.
    fn fit_within_loudness_loss(&self) -> Result<(Playable, Option<LoudnessWish>)> {
        let effort = self.job.effort;
        let attempt = |most: &Most, effort, from: Option<&Answer>| self.attempt(most, effort, from);
        let free = within(Most::ANY, MOST_SEARCHES, effort, None, attempt)?;
        let Some(most_loss_db) = self.job.wish.most_loudness_loss_db else {
            return Ok((free, None));
        };
        let without = TradeOffPoint::of(&free);
        let most = free.most.clone();
        let under = |loss_db, attempts, effort, from: Option<&Answer>| {
            let most = Most {
                loss_db,
                ..most.clone()
            };
            within(most, attempts, effort, from, attempt).ok()
        };
        let (best, trade_off) = within_loss(most_loss_db, effort, free, under);
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

    /// What counts as good as the best. Contours on what the unit has now can be met exactly, so no other answer is as good,
    /// but for other readings of the same sections.
    fn as_good_db(&self) -> f64 {
        const READINGS_DB: f64 = 1e-3;
        let asked_db = self.job.wish.as_good_db;
        if self.job.wish.is_taste() { asked_db.min(READINGS_DB) } else { asked_db }
    }

    /// One search under ceilings, or an answer improved under them.
    fn attempt(&self, most: &Most, effort: Effort, from: Option<&Answer>) -> Result<Attempt> {
        let Job { limits, wish, .. } = self.job;
        let rate_hz = limits.rates_hz[0];
        let points = points_below_half(rate_hz);
        let f_hz = &grid::frequency_hz()[..points];
        let weight = &seen_everywhere(&self.basis.weight[..points]);
        let wanted_db = |channel: &'_ ChannelWish<'_>| channel.wanted.change_db[..points].to_vec();
        let wanted_db: Vec<Vec<f64>> = self.channels.iter().map(wanted_db).collect();
        let part_db = |change_db: &Vec<f64>| change_db.iter().map(|db| db * most.part).collect();
        let part_db: Vec<Vec<f64>> = wanted_db.iter().map(part_db).collect();
        let playing = self.playing(most, f_hz);
        let task = Task {
            frequency_hz: f_hz,
            weight,
            channels: &self.wanted(&part_db),
            limits: self.limits_left,
            space: &self.basis.space,
            least_gain_db: self.least_gain_db,
            playing: Some(&playing),
            economy: wish.economy,
            effort,
            seed: 0,
            stop: self.job.stop,
        };
        let answer = match (&wish.start, from) {
            (None, None) => fit(&task),
            (None, Some(from)) => improved(from, &task),
            (Some(Start { sections, freedom }), _) => {
                let given = sections.iter().take(self.channels.len());
                let given: Vec<&[Section]> = given.map(Vec::as_slice).collect();
                fit_from(&task, &given, *freedom)
            }
        };
        let whole = Task {
            channels: &self.wanted(&wanted_db),
            ..task
        };
        let mut answer = if most.part < 1.0 { answer.judged_by(&whole) } else { answer };
        self.refuse_stopped()?;
        let all = all_sections(answer.sections(), self.channels);
        let all: Vec<&[Section]> = all.iter().map(Vec::as_slice).collect();
        let wanted_lists: Vec<&[f64]> = wanted_db.iter().map(Vec::as_slice).collect();
        let rms_db = |sections: &[&[Section]]| {
            channels_rms(sections, rate_hz, f_hz, weight, &wanted_lists).together_db
        };
        let residual_db = rms_db(&all);
        match wish.start {
            None => self.refuse_worse(rms_db(&vec![&[][..]; all.len()]), residual_db, &answer)?,
            Some(_) => all.iter().try_for_each(|sections| limits.allows(sections))?,
        }
        let objective_db2 = answer.objective_db2;
        let own = answer.sections().cloned().collect();
        let Reading { channels, playing } = self.loudest_reading(own, |all| rms_db(all) <= residual_db + SAME_RESIDUAL_DB);
        if !channels.iter().eq(answer.sections()) {
            for (channel, sections) in answer.channels.iter_mut().zip(channels) {
                channel.sections = sections;
            }
            answer = answer.judged_by(&whole);
        }
        let all = all_sections(answer.sections(), self.channels);
        let all: Vec<&[Section]> = all.iter().map(Vec::as_slice).collect();
        Ok(Attempt {
            any_signal: self.any_signal_lines(&all, f_hz, &playing, !most.any_signal.is_empty())?,
            playing,
            peak_gain_db: peak_gain_db(&all, &limits.rates_hz),
            objective_db2,
            residual_db,
            answer,
        })
    }

    /// What is asked of loudness and gain under these ceilings, at points of the grid.
    fn playing(&self, most: &Most, f_hz: &[f64]) -> Playing {
        Playing {
            ceilings: Ceilings {
                frequency_hz: f_hz.to_vec(),
                heard: f_hz.iter().map(|f_hz| self.heard.power_at(*f_hz)).collect(),
                most_loss_db: most.loss_db,
                most_gain_db: most.gain_db,
                lines: most.any_signal.clone(),
            },
            as_good_db: self.as_good_db(),
        }
    }

    /// What any signal can gain near these sections of each channel, where that guard asks for too much preamp, or asked for too
    /// much before.
    fn any_signal_lines(
        &self,
        channels: &[&[Section]],
        f_hz: &[f64],
        playing: &Result<Played>,
        asked_before: bool,
    ) -> Result<Vec<Line>> {
        let Job { limits, wish, .. } = self.job;
        let asks = wish.protection.guard == Guard::AnySignal && (playing.is_err() || asked_before);
        let too_much_db = any_signal_too_much_db(playing, limits.preamp_db.min());
        let Some(too_much_db) = too_much_db.filter(|_| asks) else {
            return Ok(Vec::new());
        };
        let line = |sections: &&[Section]| any_signal_line(sections, f_hz, limits.rates_hz[0], too_much_db);
        channels.iter().filter_map(|sections| line(sections).transpose()).collect()
    }

    /// The loudest reading of the shelves of `own`, of those for which `leaves_the_same` holds, which is asked about fitted and
    /// kept sections together. Sections that were given stay as they read.
    fn loudest_reading(
        &self,
        own: Vec<Vec<Section>>,
        leaves_the_same: impl Fn(&[&[Section]]) -> bool,
    ) -> Reading {
        let Job { limits, wish, .. } = self.job;
        let mut others = match wish.start.is_none() && self.as_good_db() > 0.0 {
            true => reading::others(&own, &self.basis.space, self.limits_left),
            false => Vec::new(),
        };
        others.retain(|channels| {
            let all = all_sections(channels.iter(), self.channels);
            leaves_the_same(&all.iter().map(Vec::as_slice).collect::<Vec<_>>())
        });
        let played = std::iter::once(own).chain(others).map(|channels| {
            let all = all_sections(channels.iter(), self.channels);
            let all: Vec<&[Section]> = all.iter().map(Vec::as_slice).collect();
            let playing = headroom_and_loudness(&all, limits, wish.protection, &self.heard);
            Reading { channels, playing }
        });
        reading::loudest(played.collect(), limits.rates_hz[0])
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
        } else if self.least_gain_db.is_some() && none_fitted && any_helps(answer) {
            JobFault::NothingNeeded(before_db)
        } else {
            JobFault::NothingHelps(before_db)
        }))
    }
}

/// The sections of an answer improved for the task; the record of the search that found them stays.
fn improved(answer: &Answer, task: &Task<'_>) -> Answer {
    let sections: Vec<&[Section]> = answer.channels.iter().map(|c| &c.sections[..]).collect();
    let settled = fit_from(task, &sections, Freedom::All);
    let channels = answer.channels.iter().zip(settled.channels);
    Answer {
        channels: channels
            .map(|(before, settled)| ChannelAnswer {
                sections: settled.sections,
                objective_db2: settled.objective_db2,
                ..before.clone()
            })
            .collect(),
        objective_db2: settled.objective_db2,
        ..*answer
    }
}

/// Whether the sections to start from, if any, can be.
fn refuse_start(job: &Job<'_>) -> Result<()> {
    let Wish {
        start: Some(Start { sections, freedom }),
        per_side,
        kept,
        most_loudness_loss_db,
        ..
    } = job.wish
    else {
        return Ok(());
    };
    let refuse = |fault| Err(Error::of(fault, Source::name(&*job.measured.unit)));
    let [left, right] = sections;
    // No section as it is: the unit without EQ.
    if *freedom != Freedom::AsIs && left.is_empty() && right.is_empty() {
        return refuse(JobFault::NoGivenSection);
    }
    if !per_side && left != right {
        return refuse(JobFault::GivenSides);
    }
    if kept.iter().any(|kept| !kept.is_empty()) {
        return refuse(JobFault::GivenAndKept);
    }
    if let (Freedom::AsIs, Some(most_db)) = (freedom, most_loudness_loss_db) {
        let fault = JobFault::GivenLoudness(*most_db);
        return Err(Error::of(fault, Knob::MaxLoudnessLoss));
    }
    sections.iter().try_for_each(|sections| match freedom {
        Freedom::All => job.limits.has_room_for(sections),
        Freedom::AsIs | Freedom::Gains => job.limits.allows(sections),
    })
}

/// The weights with next to nothing instead of 0, so that ceilings hold where nothing is wanted, too.
fn seen_everywhere(weight: &[f64]) -> Vec<f64> {
    const NEXT_TO_NOTHING: f64 = 1e-6;
    let seen = |weight: &f64| if *weight > 0.0 { *weight } else { NEXT_TO_NOTHING };
    weight.iter().map(seen).collect()
}

/// Pink noise as it is heard through what is expected of the first channel.
fn heard(job: &Job<'_>, channels: &[ChannelWish<'_>]) -> Result<Heard> {
    let rig = &job.measured.judging.rig;
    let unit = &channels[0].expected;
    Heard::new(unit, rig, &Programme::pink(), job.limits.rates_hz[0])
}

/// Whether some number of sections leaves less than none does, by more than is shown.
fn any_helps(answer: &Answer) -> bool {
    const SHOWN_DB: f64 = 0.005;
    answer.channels.iter().any(|channel| {
        let residual_db = |level: Option<&Level>| level.map_or(0.0, |level| level.parts.residual.sqrt());
        let levels = &channel.levels;
        residual_db(levels.last()) < residual_db(levels.first()) - SHOWN_DB
    })
}

fn limits_left(job: &Job<'_>) -> Result<Limits> {
    match job.wish.kept.each_ref().map(Vec::as_slice) {
        [[], []] => Ok(job.limits.clone()),
        kept => job.limits.beside(&kept),
    }
}
