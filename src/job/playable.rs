//! The fit that can be played: within the equaliser's preamp and total boost, and no quieter than was wished.
//!
//! These are ceilings of the search itself (`crate::fit::Ceilings`). What an answer exceeds is known exactly only once its
//! numbers are on the equaliser's steps, at all rates, and for the guard that was asked for: then the ceiling is lowered by
//! that and the search repeated.

use super::outcome::TradeOffPoint;
use crate::cost::heard::{Heard, HeardChange};
use crate::cost::loudness::{LoudnessChange, loudness_change_of_channels};
use crate::cost::programme::Programme;
use crate::error::{Error, ErrorKind, Result};
use crate::filter::Section;
use crate::filter::cascade::levels_db;
use crate::fit::objective::ceilings::{Line, bands_around};
use crate::fit::{Answer, Effort};
use crate::headroom::any_signal::any_signal_slope;
use crate::headroom::error::HeadroomFault;
use crate::headroom::peak::peak;
use crate::headroom::{Headroom, Protection, guarded};
use crate::limits::Limits;
use crate::limits::error::LimitsFault;

/// Most searches for an answer that the equaliser can play. Our choice.
pub(super) const MOST_SEARCHES: usize = 10;
/// Most attempts at an answer that is loud enough. Our choice.
const MOST_LOUD_ATTEMPTS: usize = 6;
/// Number of answers of the trade-off, those whose loss is nearest to the wish, that are improved toward it; and most attempts
/// for each. Our choice.
const MOST_NEARBY: usize = 2;
const MOST_NEARBY_ATTEMPTS: usize = 3;
/// A ceiling is lowered by what was too much and by this times the number of answers so far that were refused, dB: less is
/// lost in the steps of the numbers.
const LOWERED_DB: f64 = 0.02;
/// Answers for the whole of the wanted change that may ask for too much preamp for any signal, before less of the change is
/// fitted: a small enough change needs no preamp. Our choice.
const REFUSED_WHOLE: u32 = 6;
/// The part of the wanted change is lowered in proportion, but to no less than this, and by the factor after it: less is
/// lost in the steps of the numbers. Our choice.
const LEAST_PART: f64 = 0.5;
const LOWERED_PART: f64 = 0.95;
/// Once an answer has enough preamp for any signal, it is searched for anew under a ceiling computed at that answer. The searches
/// end after this many answers in a row that lower J by less than this share. Our choice, see tests/benches/RESULTS.md.
const MOST_NO_BETTER: usize = 2;
const LEAST_FALL: f64 = 1e-3;
/// A wish that is used up to this is used, dB.
const UNUSED_DB: f64 = 0.1;
/// Shares of the loss without a wish for which the trade-off is shown. Our choice.
const TRADE_OFF_SHARES: [f64; 6] = [0.9, 0.75, 0.6, 0.45, 0.3, 0.15];

/// What an answer may not exceed, dB; infinite where there is no such ceiling.
#[derive(Debug, Clone)]
pub(super) struct Most {
    pub loss_db: f64,
    pub gain_db: f64,
    /// What any signal can gain, near answers that exceeded it.
    pub any_signal: Vec<Line>,
    /// The part of the wanted change that is fitted, above 0 to 1.
    pub part: f64,
}

impl Most {
    pub const ANY: Self = Self {
        loss_db: f64::INFINITY,
        gain_db: f64::INFINITY,
        any_signal: Vec::new(),
        part: 1.0,
    };

    /// Lowers the ceilings after an answer with this largest gain was the `refused`-th to ask for too much.
    fn lower(&mut self, too_much: TooMuch, peak_gain_db: f64, any_signal: Vec<Line>, refused: u32) {
        let lowered_db = LOWERED_DB * f64::from(refused);
        if any_signal.is_empty() {
            self.gain_db = self.gain_db.min(peak_gain_db) - too_much.db - lowered_db;
            return;
        }
        // Lines of former answers stay: any signal gains hardly less than any of them says.
        self.any_signal.extend(any_signal);
        for line in &mut self.any_signal {
            line.most_db -= lowered_db;
        }
        if refused > REFUSED_WHOLE {
            let in_proportion = too_much.of_db / (too_much.of_db + too_much.db);
            self.part *= in_proportion.max(LEAST_PART) * LOWERED_PART;
        }
    }
}

/// By how much an answer needs too much preamp or boosts too much, and how much the equaliser has, dB.
#[derive(Debug, Clone, Copy)]
struct TooMuch {
    db: f64,
    of_db: f64,
}

/// What the sections need before them, and how loud the programme then is.
#[derive(Debug, Clone)]
pub(super) struct Played {
    pub headroom: Headroom,
    /// At the ear.
    pub heard: HeardChange,
    /// Of the signal, by ITU-R BS.1770.
    pub loudness: LoudnessChange,
}

/// A fit, J and the weighted residual with it, what it needs before it, and how loud it then plays.
pub(super) struct Attempt {
    pub answer: Answer,
    pub objective_db2: f64,
    pub residual_db: f64,
    /// The largest gain of all sections together, worst of the rates and channels, dB.
    pub peak_gain_db: f64,
    /// What any signal can gain near this answer: one line a channel, where that guard asks for too much preamp, or did so for an
    /// answer before.
    pub any_signal: Vec<Line>,
    pub playing: Result<Played>,
}

/// A fit that the equaliser's preamp allows.
#[derive(Clone)]
pub(super) struct Playable {
    pub answer: Answer,
    pub objective_db2: f64,
    pub residual_db: f64,
    pub played: Played,
    /// The ceilings under which it was found.
    pub most: Most,
}

impl Playable {
    /// Whether boosts were held back for the equaliser's preamp or total boost.
    pub fn is_held_back(&self) -> bool {
        self.most.gain_db.is_finite() || !self.most.any_signal.is_empty()
    }

    /// How much quieter it plays than no EQ.
    pub fn loudness_loss_db(&self) -> f64 {
        -self.played.heard.total_db
    }
}

impl TradeOffPoint {
    pub(super) fn of(fit: &Playable) -> Self {
        Self {
            loudness_loss_db: fit.loudness_loss_db(),
            preamp_db: fit.played.headroom.preamp_db,
            residual_db: fit.residual_db,
        }
    }
}

/// What the sections of all channels need before them, the worst of them, if the equaliser has it and may boost as much;
/// and how loud the programme is then heard.
pub(super) fn headroom_and_loudness(
    channels: &[&[Section]],
    limits: &Limits,
    protection: Protection,
    heard: &Heard,
) -> Result<Played> {
    let needed =
        |sections: &[Section]| guarded(sections, &limits.rates_hz, &limits.preamp_db, protection);
    let mut worst: Option<Headroom> = None;
    for sections in channels {
        let own = needed(sections)?;
        worst = Some(worst.map_or(own, |worst| worst_of(worst, own)));
    }
    let worst = match worst {
        Some(worst) => worst,
        None => needed(&[])?,
    };
    limits.allow_total_boost(worst.peak_gain_db)?;
    let (rate_hz, pink) = (limits.rates_hz[0], Programme::pink());
    Ok(Played {
        headroom: worst,
        heard: heard.change(channels, rate_hz, worst.preamp_db),
        loudness: loudness_change_of_channels(channels, rate_hz, worst.preamp_db, &pink)?,
    })
}

fn worst_of(one: Headroom, other: Headroom) -> Headroom {
    let peak = if other.peak_gain_db > one.peak_gain_db {
        other
    } else {
        one
    };
    Headroom {
        any_signal_gain_db: one.any_signal_gain_db.max(other.any_signal_gain_db),
        preamp_db: one.preamp_db.min(other.preamp_db),
        ..peak
    }
}

/// The largest gain of all channels at all rates, dB.
pub(super) fn peak_gain_db(channels: &[&[Section]], rates_hz: &[f64]) -> f64 {
    let peaks = channels.iter().flat_map(|sections| {
        rates_hz
            .iter()
            .map(|rate_hz| peak(sections, *rate_hz).gain_db)
    });
    peaks.fold(0.0, f64::max)
}

/// The best fit that `attempt` makes under ceilings, in at most `attempts`. Where the preamp that it needs or its boost is
/// out of the equaliser's reach, ceilings are lowered by that and it is searched for anew. Where the guard is for any signal,
/// the searches go on after the first answer within reach, under a ceiling computed at that answer: it is more exact there than
/// the ceilings that led to it. Where an answer plays quieter or louder than the ceiling of the loss, that one is moved by the difference and the answer improved from
/// where it is, as is `from`, if given. Where none is loud enough, the last one is returned.
pub(super) fn within(
    mut most: Most,
    attempts: usize,
    effort: Effort,
    from: Option<&Answer>,
    attempt: impl Fn(&Most, Effort, Option<&Answer>) -> Result<Attempt>,
) -> Result<Playable> {
    let mut from = from.cloned();
    let most_loss_db = most.loss_db;
    let mut best: Option<Playable> = None;
    let mut last: Option<Result<Playable>> = None;
    let (mut refused, mut no_better) = (0, 0);
    for _ in 0..attempts {
        let found = match attempt(&most, effort, from.as_ref()) {
            Ok(found) => found,
            Err(error) if error.kind == ErrorKind::Refused => {
                return best.map(Ok).or(last).unwrap_or(Err(error));
            }
            Err(error) => return Err(error),
        };
        match found.playing {
            Ok(played) => {
                let fit = Playable {
                    answer: found.answer,
                    objective_db2: found.objective_db2,
                    residual_db: found.residual_db,
                    played,
                    most: most.clone(),
                };
                from = Some(fit.answer.clone());
                let too_much_db = fit.loudness_loss_db() - most_loss_db;
                let moved_db = most.loss_db - too_much_db - LOWERED_DB;
                // No fit is louder than none, so a ceiling of 0 dB or less leaves nothing.
                most.loss_db = moved_db.max(most.loss_db / 2.0);
                if too_much_db > 0.0 {
                    last = Some(Ok(fit));
                    continue;
                }
                let fallen = |best: &Playable| fit.objective_db2 < best.objective_db2 * (1.0 - LEAST_FALL);
                no_better = if best.as_ref().is_none_or(fallen) { 0 } else { no_better + 1 };
                if best.as_ref().is_none_or(|best| fit.objective_db2 < best.objective_db2) {
                    best = Some(fit);
                }
                if too_much_db < -UNUSED_DB && too_much_db.is_finite() {
                    continue;
                }
                if found.any_signal.is_empty() || most_loss_db.is_finite() || no_better >= MOST_NO_BETTER {
                    break;
                }
                most.any_signal = found.any_signal;
                most.part = 1.0;
                from = None;
            }
            Err(error) => {
                let Some(too_much) = too_much(&error) else {
                    return Err(error);
                };
                refused += 1;
                from = None;
                most.lower(too_much, found.peak_gain_db, found.any_signal, refused);
                if last.as_ref().is_none_or(Result::is_err) {
                    last = Some(Err(error));
                }
            }
        }
    }
    best.map(Ok).or(last).expect("at least one attempt")
}

/// A ceiling for what any signal can gain near `sections`, for which it gains `too_much_db` (negative: less than it may); None
/// where they ring for too long to tell.
pub(super) fn any_signal_line(
    sections: &[Section],
    frequency_hz: &[f64],
    rate_hz: f64,
    too_much_db: f64,
) -> Result<Option<Line>> {
    let bands_hz = bands_around(frequency_hz);
    let slope = any_signal_slope(sections, rate_hz, &bands_hz)?;
    Ok(slope.map(|slope| {
        let levels_db = levels_db(sections, rate_hz, frequency_hz);
        let now_db: f64 = levels_db.iter().zip(&slope).map(|(db, slope)| db * slope).sum();
        Line {
            most_db: now_db - too_much_db,
            bands_hz,
            slope,
        }
    }))
}

/// By how much the preamp that any signal needs is out of reach, dB; negative where it is not. None where an answer is refused
/// for another reason.
pub(super) fn any_signal_too_much_db(playing: &Result<Played>, lowest_preamp_db: f64) -> Option<f64> {
    match playing {
        Ok(played) => Some(lowest_preamp_db - played.headroom.preamp_db),
        Err(error) => too_much(error).map(|too_much| too_much.db),
    }
}

/// Why an answer is refused; None where that is another reason than preamp or total boost.
fn too_much(error: &Error) -> Option<TooMuch> {
    if let Some(HeadroomFault::Preamp(needed_db, lowest_db)) = error.fault() {
        return Some(TooMuch {
            db: lowest_db - needed_db,
            of_db: -lowest_db,
        });
    }
    match error.fault() {
        Some(LimitsFault::TotalBoost(peak_gain_db, most_db)) => Some(TooMuch {
            db: peak_gain_db - most_db,
            of_db: *most_db,
        }),
        _ => None,
    }
}

/// The best of all fits that play no more than `most_loss_db` quieter, `free` among them, which knows no such ceiling; and
/// the trade-off. `fit_within` fits under a ceiling of the loss, dB, in at most so many attempts, from an answer if it is
/// given one; None where nothing helps there.
///
/// The trade-off of one channel is searched for anew at each of its losses. Searches of two channels take several times as
/// long, so there each answer is improved from the one before it, from `free` downwards.
///
/// Beside a search under the wished ceiling itself, the answers nearest to it are improved toward it, so that it leaves no more
/// than they lead to.
pub(super) fn within_loss(
    most_loss_db: f64,
    effort: Effort,
    free: Playable,
    fit_within: impl Fn(f64, usize, Effort, Option<&Answer>) -> Option<Playable>,
) -> (Option<Playable>, Vec<TradeOffPoint>) {
    let free_loss_db = free.loudness_loss_db();
    let is_one = free.answer.channels.len() == 1;
    let mut found = vec![free];
    for share in TRADE_OFF_SHARES {
        let before = found.last().filter(|_| !is_one).map(|fit| &fit.answer);
        found.extend(fit_within(share * free_loss_db, 1, Effort::Quick, before));
    }
    if free_loss_db > most_loss_db {
        let away_db = |fit: &Playable| (fit.loudness_loss_db() - most_loss_db).abs();
        let mut nearby = found.clone();
        nearby.sort_by(|a, b| away_db(a).total_cmp(&away_db(b)));
        nearby.truncate(MOST_NEARBY);
        let searched = fit_within(most_loss_db, MOST_LOUD_ATTEMPTS, effort, None);
        let improved = nearby
            .iter()
            .filter_map(|fit| fit_within(most_loss_db, MOST_NEARBY_ATTEMPTS, effort, Some(&fit.answer)));
        found.extend(best_within(most_loss_db, searched.into_iter().chain(improved)));
    }
    let best = best_within(most_loss_db, found.iter().cloned());
    (best, trade_off(&found))
}

/// The fit of least J among those that play no more than `most_loss_db` quieter.
fn best_within(most_loss_db: f64, fits: impl Iterator<Item = Playable>) -> Option<Playable> {
    let fitting = fits.filter(|fit| fit.loudness_loss_db() <= most_loss_db);
    fitting.min_by(|a, b| a.objective_db2.total_cmp(&b.objective_db2))
}

/// The fits that no other beats in both loss and residual, by rising loss.
fn trade_off(fits: &[Playable]) -> Vec<TradeOffPoint> {
    let mut points: Vec<TradeOffPoint> = fits.iter().map(TradeOffPoint::of).collect();
    points.sort_by(|a, b| {
        let by_loss = a.loudness_loss_db.total_cmp(&b.loudness_loss_db);
        by_loss.then(a.residual_db.total_cmp(&b.residual_db))
    });
    let mut least_db = f64::INFINITY;
    points.retain(|point| {
        let better = point.residual_db < least_db;
        least_db = least_db.min(point.residual_db);
        better
    });
    points
}
