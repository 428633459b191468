//! From findings to the record.

use std::ops::Range;

use super::basis::Basis;
use super::channel_wish::{ChannelWish, Job, all_sections, other_ears, points_below_half};
use super::playable::Playable;
use super::{
    BeforeAfter, Channel, ChannelCurves, LevelDifference, Outcome, ReachPoint, Residual,
    SearchReport, Shared, SharedCurves, TakeResidual, TypedQ,
};
use crate::cost::heard::Ear;
use crate::filter::{Section, cascade};
use crate::fit::residual::{ChannelsRms, channels_rms, economy_ratio_of_channels};
use crate::fit::search::reach::{Effort, Level, Reach};
use crate::fit::{Answer, Freedom, IDLE_DB};
use crate::limits::Limits;
use crate::measurement::grid;
use crate::measurement::judge::JudgedTake;
use crate::measurement::takes::Take;

/// The record of a fit, without cautions.
pub(super) fn record(
    job: &Job<'_>,
    channels: &[ChannelWish<'_>],
    basis: &Basis,
    playable: &Playable,
) -> Outcome {
    let rate_hz = job.limits.rates_hz[0];
    let support = &known_support(channels);
    let trusted_band_hz = job.measured.judging.rig.trusted_band_hz(support);
    let all = all_sections(playable.answer.sections(), channels);
    let sections: Vec<&[Section]> = all.iter().map(Vec::as_slice).collect();
    let none = vec![&[][..]; sections.len()];
    let residuals = Residuals {
        channels,
        weight: &basis.weight,
        trusted: trusted_band_hz.map(|_| basis.trusted(support)),
    };
    let rates_hz = job.limits.rates_hz.iter();
    let fitted = Fitted {
        job,
        basis,
        playable,
        before: residuals.at(&none, rate_hz),
        after: residuals.at(&sections, rate_hz),
        by_rate: rates_hz
            .map(|rate_hz| residuals.weighted(&sections, *rate_hz))
            .collect(),
        sections: &sections,
    };
    let curves = channel_curves(channels, &sections, basis, rate_hz);
    let records: Vec<Channel> = channels
        .iter()
        .zip(curves)
        .enumerate()
        .map(|(index, (wish, curves))| fitted.channel(index, wish, curves))
        .collect();
    Outcome {
        shared: fitted.shared(channels, &records, trusted_band_hz),
        channels: records,
    }
}

/// Grid points where something was wanted and all channels were measured. Contours alone are wanted beyond what was
/// measured too.
fn known_support(channels: &[ChannelWish<'_>]) -> Range<usize> {
    let wanted = channels[0].wanted.support.clone();
    let measured = channels.iter().map(|channel| &channel.measured.support);
    measured.fold(wanted, |known, measured| grid::intersection(&known, measured))
}

/// A fit with the figures of what it left.
struct Fitted<'a> {
    job: &'a Job<'a>,
    basis: &'a Basis,
    playable: &'a Playable,
    /// Of each channel, in frequency order.
    sections: &'a [&'a [Section]],
    before: ResidualsAtRate,
    after: ResidualsAtRate,
    by_rate: Vec<ChannelsRms>,
}

impl Fitted<'_> {
    /// The record of the channel with that index.
    fn channel(&self, index: usize, wish: &ChannelWish<'_>, curves: ChannelCurves) -> Channel {
        let Job { judged, limits, .. } = *self.job;
        let answer = &self.playable.answer.channels[index];
        let sections = self.sections[index];
        let by_rate = self.by_rate.iter();
        Channel {
            side: wish.side,
            takes: match wish.side {
                None => judged.average.takes.clone(),
                Some(side) => {
                    let own = |take: &&JudgedTake| take.side == side && !take.set_aside;
                    let takes = judged.takes.iter().filter(own);
                    takes.map(|take| take.name.clone()).collect()
                }
            },
            take_residuals: self.take_residuals(wish, &curves.sections_db),
            kept: positions(wish.kept, sections),
            typed_q: sections
                .iter()
                .map(|section| typed_q(section, limits))
                .collect(),
            idle_bands_hz: limits.idle_bands_hz(sections),
            residual: BeforeAfter {
                before: self.before.channels[index],
                after: self.after.channels[index],
            },
            residual_by_rate_db: by_rate.map(|rms| rms.channels_db[index]).collect(),
            objective_db2: answer.objective_db2,
            economy_ratio: self.economy_ratio(&[sections]),
            search: search_report(&answer.search, self.job),
            reach: reach(&answer.levels, self.job.wish.kept_count()),
            curves,
            sections: sections.to_vec(),
        }
    }

    /// What each take that counts in the channel is left with.
    fn take_residuals(&self, wish: &ChannelWish<'_>, sections_db: &[f64]) -> Vec<TakeResidual> {
        let Job {
            measured, judged, ..
        } = *self.job;
        let takes = judged.order.iter();
        let takes = takes.map(|index| (&measured.takes[*index], &judged.takes[*index]));
        let counts = |(_, judged): &(&Take, &JudgedTake)| {
            !judged.set_aside && wish.side.is_none_or(|side| judged.side == side)
        };
        let of_take = |(take, judged): (&Take, &JudgedTake)| {
            let known = grid::intersection(&wish.wanted.support, &wish.measured.support);
            let support = grid::intersection(&known, &take.on_grid.support);
            let weight = &self.basis.weight;
            let driven = match &measured.source_bend {
                Some(bend) => &bend.bent(&take.on_grid),
                None => &take.on_grid,
            };
            let left = |with_db: &dyn Fn(usize) -> f64| {
                let error_db = |i: usize| driven.level_db[i] + with_db(i) - wish.target_db[i];
                level_free(&support, weight, error_db)
            };
            let before = left(&|_| 0.0);
            let after = left(&|i| sections_db[i]);
            TakeResidual {
                take: judged.name.clone(),
                before_db: before.rms_db,
                after_db: after.rms_db,
                worst_hz: after.worst.0,
                worst_db: after.worst.1,
                residual_db: after.by_frequency,
            }
        };
        takes.filter(counts).map(of_take).collect()
    }

    /// What all channels share.
    fn shared(
        &self,
        wishes: &[ChannelWish<'_>],
        channels: &[Channel],
        trusted_band_hz: Option<(f64, f64)>,
    ) -> Shared {
        let Job {
            measured,
            judged,
            wish,
            limits,
            effort,
            ..
        } = *self.job;
        let Playable {
            answer, played, ..
        } = self.playable;
        Shared {
            unit: measured.unit.clone(),
            takes: judged.average.takes.clone(),
            set_aside: judged.aside().cloned().collect(),
            other_ears: other_ears(self.job),
            source_bend: measured.source_bend.clone(),
            smoothing: measured.smoothing,
            target: wishes[0].target.name.clone(),
            target_source: wishes[0].target.source.clone(),
            limits: limits.name.clone(),
            rates_hz: limits.rates_hz.clone(),
            start: wish.start.as_ref().map(|start| start.freedom),
            enough: None,
            headroom: played.headroom,
            protection: wish.protection,
            loudness: played.loudness.clone(),
            heard: played.heard,
            ear: Ear {
                unit: wishes[0].expected.clone(),
                rig: measured.judging.rig.clone(),
            },
            loudness_wish: None,
            residual: BeforeAfter {
                before: self.before.together,
                after: self.after.together,
            },
            residual_by_rate_db: self.by_rate.iter().map(|rms| rms.together_db).collect(),
            level_difference: wish.per_side.then_some(LevelDifference {
                before_db: self.before.difference_db,
                after_db: self.after.difference_db,
            }),
            objective_db2: answer.objective_db2,
            economy_ratio: self.economy_ratio(self.sections),
            search: search_of_all(channels, answer, effort),
            trusted_band_hz,
            coupler_hz: judged.coupler_hz(&measured.judging.rig),
            bands_hz: limits.idle_bands_hz(&[]),
            curves: SharedCurves {
                aligned_at_hz: None,
                support: known_support(wishes),
                spread_db: judged.average.spread_db.clone(),
                trust: self.basis.trust.clone(),
                weight: self.basis.weight.clone(),
            },
            cautions: Vec::new(),
        }
    }

    fn economy_ratio(&self, sections: &[&[Section]]) -> f64 {
        let rate_hz = self.job.limits.rates_hz[0];
        economy_ratio_of_channels(sections, rate_hz, grid::frequency_hz(), &self.basis.weight)
    }
}

/// The curves of each channel, with one shift for all channels.
fn channel_curves(
    channels: &[ChannelWish<'_>],
    sections: &[&[Section]],
    basis: &Basis,
    rate_hz: f64,
) -> Vec<ChannelCurves> {
    let mut curves: Vec<ChannelCurves> = channels
        .iter()
        .zip(sections)
        .map(|(wish, sections)| {
            let sections_db = levels_db(sections, rate_hz);
            ChannelCurves {
                measured_support: wish.measured.support.clone(),
                measured_db: wish.measured.level_db.clone(),
                expected_db: wish.expected.level_db.clone(),
                target_db: wish.target_db.clone(),
                equalised_db: sum(&wish.expected.level_db, &sections_db),
                sections_db,
            }
        })
        .collect();
    let support = &known_support(channels);
    let mean_shift_db = |level_db: fn(&ChannelCurves) -> &Vec<f64>| {
        let of = |curves: &ChannelCurves| {
            weighted_shift_db(&basis.weight, support, level_db(curves), &curves.target_db)
        };
        curves.iter().map(of).sum::<f64>() / curves.len() as f64
    };
    let measured_shift_db = mean_shift_db(|curves| &curves.measured_db);
    let equalised_shift_db = mean_shift_db(|curves| &curves.equalised_db);
    for curves in &mut curves {
        shift(&mut curves.measured_db, measured_shift_db);
        shift(&mut curves.expected_db, measured_shift_db);
        shift(&mut curves.equalised_db, equalised_shift_db);
    }
    curves
}

/// How residuals are taken: weighted, and over the trusted band where there is one.
struct Residuals<'a> {
    channels: &'a [ChannelWish<'a>],
    weight: &'a [f64],
    trusted: Option<Vec<f64>>,
}

/// Residuals of some sections.
struct ResidualsAtRate {
    channels: Vec<Residual>,
    together: Residual,
    difference_db: f64,
}

impl Residuals<'_> {
    fn rms(&self, sections: &[&[Section]], rate_hz: f64, weight: &[f64]) -> ChannelsRms {
        let points = points_below_half(rate_hz);
        let channels = self.channels.iter();
        let wanted_db: Vec<&[f64]> = channels
            .map(|channel| &channel.wanted.change_db[..points])
            .collect();
        let f_hz = &grid::frequency_hz()[..points];
        channels_rms(sections, rate_hz, f_hz, &weight[..points], &wanted_db)
    }

    fn weighted(&self, sections: &[&[Section]], rate_hz: f64) -> ChannelsRms {
        self.rms(sections, rate_hz, self.weight)
    }

    fn at(&self, sections: &[&[Section]], rate_hz: f64) -> ResidualsAtRate {
        let weighted = self.weighted(sections, rate_hz);
        let trusted = self.trusted.as_deref();
        let trusted = trusted.map(|trusted| self.rms(sections, rate_hz, trusted));
        let of = |channel: usize| Residual {
            weighted_db: weighted.channels_db[channel],
            trusted_band_db: trusted.as_ref().map(|rms| rms.channels_db[channel]),
        };
        ResidualsAtRate {
            channels: (0..sections.len()).map(of).collect(),
            together: Residual {
                weighted_db: weighted.together_db,
                trusted_band_db: trusted.as_ref().map(|rms| rms.together_db),
            },
            difference_db: weighted.difference_db,
        }
    }
}

/// An error over grid points, its level removed.
struct LevelFree {
    /// Weighted rms, dB.
    rms_db: f64,
    /// Where its weight times its size is largest: Hz, and the error there, dB.
    worst: (f64, f64),
    /// Hz and dB.
    by_frequency: Vec<(f64, f64)>,
}

fn level_free(support: &Range<usize>, weight: &[f64], error_db: impl Fn(usize) -> f64) -> LevelFree {
    let total: f64 = support.clone().map(|i| weight[i].powi(2)).sum();
    let weighted = |i: usize| weight[i].powi(2) * error_db(i);
    let level_db = support.clone().map(weighted).sum::<f64>() / total;
    let square = |i: usize| (weight[i] * (error_db(i) - level_db)).powi(2);
    let largest = support.clone().max_by(|a, b| square(*a).total_cmp(&square(*b)));
    let worst = largest.unwrap_or(support.start);
    let rms_db = (support.clone().map(square).sum::<f64>() / total).sqrt();
    let at = |i: usize| (grid::frequency_hz()[i], error_db(i) - level_db);
    LevelFree {
        rms_db,
        worst: at(worst),
        by_frequency: support.clone().map(at).collect(),
    }
}

/// The best answers for 0 to N sections a channel, before steps.
fn reach(levels: &[Level], kept: usize) -> Vec<ReachPoint> {
    let point = |(sections, level): (usize, &Level)| ReachPoint {
        sections: sections + kept,
        residual_db: level.parts.residual.sqrt(),
        objective_db2: level.parts.total(),
    };
    levels.iter().enumerate().map(point).collect()
}

/// The searches of all channels, and what they share.
fn search_of_all(channels: &[Channel], answer: &Answer, effort: Effort) -> SearchReport {
    let reports = || channels.iter().map(|channel| &channel.search);
    let exact = reports().all(|report| report.exact);
    SearchReport {
        evaluations: answer.evaluations,
        polishes: answer.polishes,
        restarts: reports().map(|report| report.restarts).sum(),
        searches: reports().map(|report| report.searches).sum(),
        agreeing: reports().map(|report| report.agreeing).sum(),
        exact,
        enough: reports().all(|report| report.enough),
        effort,
        stop: reports()
            .find(|report| !report.exact || exact)
            .map(|report| report.stop.clone())
            .unwrap_or_default(),
    }
}

/// Levels of the sections over the whole grid. What is not played holds its value, as contours do.
fn levels_db(sections: &[Section], rate_hz: f64) -> Vec<f64> {
    let f_hz = grid::frequency_hz();
    let played_hz: Vec<f64> = f_hz.iter().map(|f_hz| f_hz.min(rate_hz / 2.0)).collect();
    cascade::levels_db(sections, rate_hz, &played_hz)
}

fn shift(level_db: &mut [f64], by_db: f64) {
    for db in level_db {
        *db -= by_db;
    }
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
    let total: f64 = weight[support.clone()].iter().map(|w| w * w).sum();
    let mean = |i: usize| weight[i] * weight[i] * (level_db[i] - target_db[i]) / total;
    support.clone().map(mean).sum::<f64>()
}

fn search_report(reach: &Reach, job: &Job<'_>) -> SearchReport {
    let effort = job.effort;
    let freedom = job.wish.start.as_ref().map(|start| start.freedom);
    SearchReport {
        evaluations: reach.evaluations,
        polishes: reach.polishes,
        restarts: reach.walks.saturating_sub(reach.searches),
        searches: reach.searches,
        agreeing: reach.agreeing,
        exact: reach.exact,
        enough: reach.enough,
        effort,
        stop: if let Some(freedom) = freedom {
            match freedom {
                Freedom::AsIs => "the given sections are taken as they are",
                Freedom::Gains => "the gains of the given sections have settled",
                Freedom::All => "the given sections have settled",
            }
            .to_owned()
        } else if reach.exact {
            "an exact answer was found".to_owned()
        } else if reach.enough {
            format!("no more than {IDLE_DB} dB is left to gain")
        } else {
            format!("the work of effort `{}` is done", effort.name())
        },
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
