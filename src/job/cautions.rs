//! What the reader of a record should know first.

use super::channel_wish::{ChannelWish, Job};
use super::{Channel, LoudnessWish, Outcome, Shared};
use crate::caution::Caution;
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::measurement::expected::FIXED_BELOW_HZ;
use crate::measurement::grid;
use crate::measurement::judge::{Agreement, Judged, Seal};
use crate::measurement::rig::{Rig, TRUSTED};

/// What the takes themselves ask for.
fn of_takes(judged: &Judged) -> Vec<Caution> {
    let mut cautions = Vec::new();
    for take in judged.aside() {
        cautions.push(Caution::TakeSetAside {
            take: take.name.clone(),
            finding: take.finding(),
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
            (Seal::LessThanTheOtherSide(lost), _) | (_, Some(lost)) => lost,
            _ => continue,
        };
        cautions.push(Caution::SideLosesBass {
            side: side.side.words(),
            loss_db: lost.worst_loss_db,
            at_hz: lost.worst_loss_hz,
        });
    }
    cautions
}

/// What playing it does: boosts, and what turning up to make up for a loss does.
///
/// The rule: a loss of loudness of more than 3 dB, preamp and all, is told, since it invites turning up. So is what the
/// sections play more than 3 dB above what they take from the loudness (pink noise, A-weighted in a diffuse
/// field): turned up by what was lost, that is a boost, be it made by cutting all the rest. More than 3 dB: twice the
/// power (our own choice).
///
/// One volume serves all channels: of what turning up does to them, the worst is told.
fn of_playing(outcome: &Outcome) -> Vec<Caution> {
    /// Below this, a boost is no louder than usual programme differences.
    const BOOST_DB: f64 = 1.0;
    const NOTABLE_DB: f64 = 3.0;
    let Shared {
        headroom, heard, ..
    } = &outcome.shared;
    let mut cautions = Vec::new();
    if headroom.peak_gain_db >= BOOST_DB {
        cautions.push(Caution::Boost {
            peak_gain_db: headroom.peak_gain_db,
        });
    }
    let loss_db = -heard.total_db;
    if loss_db > NOTABLE_DB {
        cautions.push(Caution::Quieter { loss_db });
    }
    let most = |channel: &Channel| {
        let gains = channel.curves.sections_db.iter().zip(grid::frequency_hz());
        gains
            .max_by(|a, b| a.0.total_cmp(b.0))
            .map(|(most_db, at_hz)| (most_db - heard.sections_db, *at_hz))
    };
    // Of equal ones the first.
    let most = outcome.channels.iter().rev().filter_map(most);
    if let Some((rise_db, at_hz)) = most.max_by(|a, b| a.0.total_cmp(&b.0))
        && loss_db > 0.0
        && rise_db > NOTABLE_DB
    {
        cautions.push(Caution::BoostOnceTurnedUp { rise_db, at_hz });
    }
    cautions
}

/// What a wish for little loss of loudness took, if anything.
fn loudness_bound(wish: &LoudnessWish) -> Option<Caution> {
    let without = wish.without;
    (without.loudness_loss_db > wish.most_loss_db).then_some(Caution::LoudnessBound {
        most_loss_db: wish.most_loss_db,
        free_loss_db: without.loudness_loss_db,
        free_residual_db: without.residual_db,
    })
}

/// From this economy ratio on, sections are said to work against each other. Our choice.
const MOST_OPPOSED: f64 = 1.6;

/// A source that changes the response by less than this is not worth a word, dB. Our choice.
const NOTABLE_BEND_DB: f64 = 0.2;

/// A preamp that would be lower without the boosts where the rig knows little.
fn preamp_from_unknown(outcome: &Outcome) -> Option<Caution> {
    /// A preamp that is higher by less is not worth a word, dB.
    const NOTABLE_DB: f64 = 0.5;
    let shared = &outcome.shared;
    shared.other_ears?;
    let is_known = |i: &usize| {
        grid::frequency_hz()[*i] <= FIXED_BELOW_HZ || shared.curves.trust[*i] >= TRUSTED
    };
    let most = |known: bool| {
        let gains = outcome.channels.iter().flat_map(move |channel| {
            let points = (0..grid::POINTS).filter(move |i| is_known(i) == known);
            points.map(|i| (channel.curves.sections_db[i], grid::frequency_hz()[i]))
        });
        gains.max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let (gain_db, at_hz) = most(false)?;
    let known_db = most(true).map_or(0.0, |(gain_db, _)| gain_db).max(0.0);
    (gain_db > known_db + NOTABLE_DB).then_some(Caution::PreampFromUnknown { gain_db, at_hz })
}

/// What of the band cannot be believed, cannot be equalised or was not measured.
fn of_band(shared: &Shared, job: &Job<'_>) -> Vec<Caution> {
    const SEAL_HZ: f64 = 100.0;
    let support = &shared.curves.support;
    let (lowest_hz, highest_hz) = grid::band_hz(support);
    let mut cautions = Vec::new();
    if job.measured.judging.rig == Rig::Iec60318_4 && lowest_hz < SEAL_HZ {
        cautions.push(Caution::Seal);
    }
    if shared.other_ears.is_some() && highest_hz > FIXED_BELOW_HZ {
        let own = shared.other_ears.and_then(|ears| ears.peak_hz);
        cautions.push(match own {
            Some(peak_hz) => Caution::OwnEar { peak_hz },
            None => Caution::OtherEars {
                above_hz: FIXED_BELOW_HZ,
            },
        });
    }
    for band in &job.measured.beyond_eq {
        cautions.push(Caution::BeyondEq {
            from_hz: band.from_hz,
            to_hz: band.to_hz,
            excess_ms: 1000.0 * band.excess_s,
        });
    }
    if support.len() < grid::POINTS && !job.wish.is_taste() {
        cautions.push(Caution::Covers {
            lowest_hz,
            highest_hz,
        });
    }
    cautions
}

/// Where the residual is worse than the figure of the whole says.
fn of_residuals(outcome: &Outcome) -> Vec<Caution> {
    /// A rate is named when its residual is worse by this.
    const RATE_DB: f64 = 0.1;
    /// A single deviation of this size is worth a word.
    const LARGE_DB: f64 = 3.0;
    let shared = &outcome.shared;
    let mut cautions = Vec::new();
    let at_first_rate_db = shared.residual.after.weighted_db;
    let worst = shared
        .rates_hz
        .iter()
        .zip(&shared.residual_by_rate_db)
        .max_by(|a, b| a.1.total_cmp(b.1));
    if let Some((&rate_hz, &residual_db)) = worst
        && residual_db > at_first_rate_db + RATE_DB
    {
        cautions.push(Caution::RateDiffers {
            rate_hz,
            residual_db,
        });
    }
    cautions.extend(outcome.channels.iter().filter_map(|channel| {
        let (frequency_hz, residual_db) = largest_residual(shared, channel)?;
        let is_large = residual_db.abs() >= LARGE_DB;
        is_large.then_some(match channel.side {
            None => Caution::LargeResidual {
                frequency_hz,
                residual_db,
            },
            Some(side) => Caution::SideLargeResidual {
                side: side.words(),
                frequency_hz,
                residual_db,
            },
        })
    }));
    cautions
}

/// What the reader of this outcome should know, most urgent first.
pub(super) fn cautions(
    outcome: &Outcome,
    job: &Job<'_>,
    channels: &[ChannelWish<'_>],
    held_back: bool,
) -> Vec<Caution> {
    let shared = &outcome.shared;
    let mut cautions = of_playing(outcome);
    let (before, after) = (shared.residual.before, shared.residual.after);
    if shared.start.is_some() && after.weighted_db >= before.weighted_db {
        cautions.push(Caution::NoImprovement {
            before_db: before.weighted_db,
            after_db: after.weighted_db,
        });
    }
    cautions.extend(of_takes(job.judged));
    cautions.extend(shared.loudness_wish.as_ref().and_then(loudness_bound));
    if job.limits.has_gains_without_width() {
        cautions.push(Caution::GainsWithoutWidth {
            least_gain_db: LEAST_GAIN_WITH_WIDTH_DB,
        });
    }
    if held_back {
        cautions.push(Caution::PreampBound {
            preamp_min_db: job.limits.lowest_preamp_db(),
        });
    }
    cautions.extend(preamp_from_unknown(outcome));
    if let Some(bend) = &shared.source_bend
        && !job.wish.is_taste()
        && bend.largest_db.abs() >= NOTABLE_BEND_DB
    {
        cautions.push(Caution::SourceBends {
            source: bend.source.clone(),
            largest_db: bend.largest_db,
            at_hz: bend.largest_hz,
        });
    }
    if shared.economy_ratio > MOST_OPPOSED && shared.economy_ratio.is_finite() {
        cautions.push(Caution::SectionsOppose {
            economy_ratio: shared.economy_ratio,
        });
    }
    if job.measured.judging.rig == Rig::Flat
        && channels.iter().any(|channel| channel.target.at_eardrum)
    {
        cautions.push(Caution::EardrumTarget);
    }
    cautions.extend(of_band(shared, job));
    for text in channels.iter().flat_map(|channel| &channel.target.warnings) {
        let caution = Caution::TargetTable { text: text.clone() };
        if !cautions.contains(&caution) {
            cautions.push(caution);
        }
    }
    if shared.curves.spread_db.is_none() {
        cautions.push(Caution::SpreadUnknown);
    }
    cautions.extend(of_residuals(outcome));
    cautions
}

/// The largest residual where it counts and can be believed, with its frequency.
fn largest_residual(shared: &Shared, channel: &Channel) -> Option<(f64, f64)> {
    let curves = &shared.curves;
    let counts = |i: &usize| curves.trust[*i] >= TRUSTED && curves.weight[*i] > 0.0;
    let residual = |i: usize| {
        let residual_db = channel.curves.equalised_db[i] - channel.curves.target_db[i];
        (grid::frequency_hz()[i], residual_db)
    };
    let all = curves.support.clone().filter(counts).map(residual);
    all.max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
}
