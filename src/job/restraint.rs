//! The fit that can be played: where the preamp it needs is out of the equaliser's reach, boosts are held back.

use crate::cost::loudness::{LoudnessChange, loudness_change_of_channels};
use crate::cost::programme::Programme;
use crate::error::{ErrorKind, Result};
use crate::filter::Section;
use crate::fit::Answer;
use crate::fit::Effort;
use crate::fit::space::Space;
use crate::headroom::{Headroom, Protection, guarded};
use crate::limits::{Limits, Setting};

/// What the sections of all channels need before them, the worst of them, if the equaliser has it and may boost as much;
/// and how loud pink noise then plays.
pub(super) fn headroom_and_loudness(
    channels: &[&[Section]],
    limits: &Limits,
    protection: Protection,
) -> Result<(Headroom, LoudnessChange)> {
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
    let loudness = loudness_change_of_channels(channels, rate_hz, worst.preamp_db, &pink)?;
    Ok((worst, loudness))
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

/// A fit, J and the weighted residual with it, what it needs before it, and how loud it then plays.
pub(super) struct Attempt {
    pub answer: Answer,
    pub objective_db2: f64,
    pub residual_db: f64,
    pub playing: Result<(Headroom, LoudnessChange)>,
}

/// A fit that the equaliser's preamp allows.
#[derive(Clone)]
pub(super) struct Playable {
    pub answer: Answer,
    pub objective_db2: f64,
    pub residual_db: f64,
    pub headroom: Headroom,
    pub loudness: LoudnessChange,
    /// Whether boosts were held back for it.
    pub held_back: bool,
}

impl Playable {
    /// How much quieter it plays than no EQ.
    pub fn loudness_loss_db(&self) -> f64 {
        -self.loudness.total_lu
    }
}

/// The fit that `attempt` makes of a space; where the preamp it needs is out of the equaliser's reach, the best that was
/// found with less boost.
pub(super) fn within_preamp(
    limits: &Limits,
    space: &Space,
    effort: Effort,
    attempt: impl Fn(&Space, Effort) -> Result<Attempt>,
) -> Result<Playable> {
    let played = |most_gain_db: f64, effort, held_back| -> Result<Result<Playable>> {
        let Attempt {
            answer,
            objective_db2,
            residual_db,
            playing,
        } = attempt(&space.with_most_gain(most_gain_db), effort)?;
        Ok(playing.map(|(headroom, loudness)| Playable {
            answer,
            objective_db2,
            residual_db,
            headroom,
            loudness,
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
fn best_with_less_boost(
    gain_db: &Setting,
    effort: Effort,
    played: impl Fn(f64, Effort) -> Option<Playable>,
) -> Option<Playable> {
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
