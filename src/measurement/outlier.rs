//! The comparison of a take with a reference, to find takes that do not belong to their side.
//!
//! Compared is the difference `d = take - reference`, dB, from 40 Hz to 4.5 kHz (below, few rigs are quiet; above, the
//! coupler's resonance and the dips beside it move with every seating). Three things that sound takes may differ in are
//! removed from `d`: the level (median over 200 Hz to 2 kHz), a leak, and the bass of the seating (both fitted by
//! [`leak::fit`]). From the rest `r(f)`, with the rig's trust `t(f)` from 0 to 1, come five figures:
//!
//! - distance: `sqrt(sum t r^2 / sum t)`, dB rms;
//! - largest deviation: the mean of `r` over 1/6 octave, times `t`, that is largest in magnitude, dB; it shows a knock,
//!   which is narrow;
//! - step: the mean of `r` over 1/12 octave above a frequency minus that below it, dB, where the medians over 1/3
//!   octave differ by at least 0.7 of it in the same direction; the largest in magnitude;
//! - roughness: the rms, weighted by `t`, of `r` minus its running median over 9 points (1/6 octave), dB; it shows a
//!   loose cable, which crackles;
//! - misfit: the rms of what the fit of leak and seating leaves up to 1 kHz, dB: too much bass is not a tighter seal.
//!
//! Each is divided by its limit. The largest of the five ratios is the excess; a take with an excess above 1 does not
//! belong (or above three times the excess usual among a side's takes, up to 1.5; `Table::limit`). What is wrong is
//! then told from which figures stand out ([`Kind`]). Mains hum is found in a take without a reference ([`hum`]).
//!
//! Source: our own method and limits (common practice, no source). Sound takes of the demo stay below a third of them.

use rayon::prelude::*;

use super::grid::{self, OnGrid, POINTS_PER_OCTAVE, frequency_hz};
use super::leak::{self, SealFit};
use super::own_seal::Looser;
use super::takes::{self, median};
use crate::units::octaves;

/// Band of the comparison, hertz. Below it few rigs are quiet; above it the curve moves with every seating.
pub const COMPARED_HZ: (f64, f64) = (40.0, 4500.0);
/// Limit of the distance, dB rms.
pub const DISTANCE_LIMIT_DB: f64 = 0.7;
/// Limit of the largest deviation, dB.
pub const LARGEST_LIMIT_DB: f64 = 1.6;
/// Limit of a step, dB.
pub const STEP_LIMIT_DB: f64 = 0.9;
/// Limit of the roughness, dB rms.
pub const ROUGH_LIMIT_DB: f64 = 0.5;
/// Share of the power of a difference that is rough in a rough take. Our choice.
const ROUGH_SHARE: f64 = 0.5;
/// Limit of the misfit of leak and seating, dB rms.
pub const MISFIT_LIMIT_DB: f64 = 0.35;
/// A harmonic of the mains must stand out by at least this, dB.
pub const HUM_LIMIT_DB: f64 = 1.0;
/// Multiples of the mains that are looked at: a rectifier's hum has little beyond.
const HARMONICS: u32 = 9;
/// Band of the points that a harmonic of the mains is compared with, hertz: below the earphone's own sharp peaks.
const HUM_BESIDE_HZ: (f64, f64) = (40.0, 1000.0);
/// A harmonic of the mains must stand out by so many times what other points stand out by. Our choice.
const HUM_OVER_ROUGH: f64 = 1.25;
/// Largest difference of a take's level from its side's median, dB.
pub const LEVEL_LIMIT_DB: f64 = 2.0;

/// What is probably wrong with a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// Its shape differs over a wide band: another unit or insert, a mislabelled file, another fit in the coupler.
    Shape,
    /// It differs in a narrow band: a knock or a noise while these frequencies were measured.
    Narrow,
    /// Its level jumps at one frequency: something moved or a gain changed during the measurement.
    LevelStep {
        /// The jump, dB, upwards in frequency.
        step_db: f64,
        /// Frequency of the jump, hertz.
        at_hz: f64,
    },
    /// It is rough: noise, a loose cable.
    Rough {
        /// Roughness, dB rms.
        rough_db: f64,
    },
    /// There are peaks at the mains frequency and its multiples.
    MainsHum {
        /// 50 or 60 Hz.
        mains_hz: f64,
        /// The largest spike, dB above its surroundings.
        spike_db: f64,
    },
    /// Its level differs at all frequencies: a gain, a cable, a contact.
    Level {
        /// Level minus the median of its side's takes, dB.
        level_db: f64,
    },
    /// It is like the other side's takes, and not like its own side's: its label is swapped.
    OtherSide,
    /// It lacks a loss of bass that repeats in most takes of the unit: its vent was blocked.
    BlockedVent {
        /// Bass over the others' at the frequency where it is most from 20 to 40 Hz, dB.
        more_db: f64,
        /// That frequency, hertz.
        at_hz: f64,
        /// Corner frequency of the loss that the others have, hertz.
        corner_hz: f64,
    },
}

/// A take that does not belong, and by how much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// What is probably wrong.
    pub kind: Kind,
    /// Distance from the side's reference with level and leak removed, dB rms; None without a reference.
    pub distance_db: Option<f64>,
    /// Largest deviation, take minus reference, smoothed over 1/6 octave, dB.
    pub largest_db: Option<f64>,
    /// Frequency of that deviation, hertz.
    pub largest_hz: Option<f64>,
}

/// The figures of a take against a reference, as defined at the head of this file.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Root mean square of the rest, dB.
    pub distance_db: f64,
    /// Largest deviation, dB.
    pub largest_db: f64,
    /// Frequency of that deviation, hertz.
    pub largest_hz: f64,
    /// Largest step, dB, upwards in frequency.
    pub step_db: f64,
    /// Roughness, dB rms.
    pub rough_db: f64,
    /// Level of the take minus that of the reference, dB.
    pub level_db: f64,
    /// What is probably wrong; only meaningful if the excess is above 1.
    pub kind: Kind,
    /// Leak and seating of the take against the reference; None if the data do not cover 40 Hz to 1 kHz.
    pub seal: Option<SealFit>,
}

/// Compares a take with a reference. `trust` is one weight from 0 to 1 for each grid point. None if they share less
/// than an octave of [`COMPARED_HZ`].
#[must_use]
pub fn compare(take: &OnGrid, reference: &OnGrid, trust: &[f64]) -> Option<Comparison> {
    let f_hz = frequency_hz();
    let both = grid::intersection(&take.support, &reference.support);
    let compared =
        f_hz.partition_point(|f| *f < COMPARED_HZ.0)..f_hz.partition_point(|f| *f <= COMPARED_HZ.1);
    let band = grid::intersection(&compared, &both);
    if band.len() < POINTS_PER_OCTAVE {
        return None;
    }
    let mut rest_db: Vec<f64> = vec![0.0; f_hz.len()];
    for i in both.clone() {
        rest_db[i] = take.level_db[i] - reference.level_db[i];
    }
    let seal = leak::fit(&rest_db, &both);
    let level_free = |rest_db: &[f64]| -> Vec<f64> {
        let level_db = takes::offset_db(rest_db, &both);
        rest_db[band.clone()]
            .iter()
            .map(|db| db - level_db)
            .collect()
    };
    let with_leak = level_free(&rest_db);
    if let Some(seal) = &seal {
        for i in both.clone() {
            rest_db[i] -= seal.explained_db(f_hz[i]);
        }
    }
    let rest = level_free(&rest_db);
    let trust = &trust[band.clone()];
    let (largest, step, rough_db) = (largest(&rest, trust), step(&rest), rough_db(&rest, trust, 4));
    let mut comparison = Comparison {
        distance_db: rms(&rest, trust),
        largest_db: largest.0,
        largest_hz: f_hz[band.start + largest.1],
        step_db: step.0,
        rough_db,
        level_db: takes::offset_db(&rest_db, &both),
        kind: Kind::Shape,
        seal,
    };
    if comparison.excess() > 1.0 {
        // The fit of a leak adapts to a knock or a step in the bass, so both are also looked for before the leak is
        // removed.
        let local = [&with_leak, &rest]
            .into_iter()
            .find_map(|rest| local_kind(rest, trust, band.start));
        comparison.kind = match local {
            Some(kind) => kind,
            None => rough_kind(&rest, trust).unwrap_or(Kind::Shape),
        };
    }
    Some(comparison)
}

/// A step, if removing it leaves at most 0.4 of the rms; or else a narrow disturbance, if the rest beyond 1/4 octave
/// from it is small. `values` begin at grid point `start`.
fn local_kind(values: &[f64], trust: &[f64], start: usize) -> Option<Kind> {
    let (step_db, at) = step(values);
    if step_db.abs() >= STEP_LIMIT_DB
        && without_step_db(values, trust, at) <= 0.4 * rms(values, trust)
    {
        return Some(Kind::LevelStep {
            step_db,
            at_hz: frequency_hz()[start + at],
        });
    }
    let (largest_db, top) = largest(values, trust);
    let quarter = POINTS_PER_OCTAVE / 4;
    let away = |(i, w): (usize, &f64)| if i.abs_diff(top) > quarter { *w } else { 0.0 };
    let elsewhere: Vec<f64> = trust.iter().enumerate().map(away).collect();
    let narrow = rms(values, &elsewhere) <= 0.5 * DISTANCE_LIMIT_DB;
    (narrow && largest_db.abs() >= LARGEST_LIMIT_DB).then_some(Kind::Narrow)
}

/// Roughness, if most of what differs is rough, at whatever resolution it was measured: what a median over 1/2 octave
/// leaves.
fn rough_kind(values: &[f64], trust: &[f64]) -> Option<Kind> {
    let rough_db = rough_db(values, trust, POINTS_PER_OCTAVE / 4);
    let most = rough_db.powi(2) >= ROUGH_SHARE * rms(values, trust).powi(2);
    (rough_db > ROUGH_LIMIT_DB && most).then_some(Kind::Rough { rough_db })
}

fn rough_db(values: &[f64], trust: &[f64], reach: usize) -> f64 {
    let smooth = medians(values, reach);
    let rough: Vec<f64> = values
        .iter()
        .zip(smooth)
        .map(|(db, smooth)| db - smooth)
        .collect();
    rms(&rough, trust)
}

impl Comparison {
    /// The largest ratio of a figure to its limit; above 1 the take differs.
    #[must_use]
    pub fn excess(&self) -> f64 {
        let misfit_db = self.seal.map_or(0.0, |seal| seal.misfit_db);
        [
            self.distance_db / DISTANCE_LIMIT_DB,
            self.largest_db.abs() / LARGEST_LIMIT_DB,
            self.step_db.abs() / STEP_LIMIT_DB,
            self.rough_db / ROUGH_LIMIT_DB,
            misfit_db / MISFIT_LIMIT_DB,
        ]
        .into_iter()
        .fold(0.0, f64::max)
    }

    /// An outlier of this `kind` with the figures of the comparison.
    #[must_use]
    pub fn outlier(&self, kind: Kind) -> Outlier {
        Outlier {
            kind,
            distance_db: Some(self.distance_db),
            largest_db: Some(self.largest_db),
            largest_hz: Some(self.largest_hz),
        }
    }
}

/// Finds mains hum in a take without a reference. It is hum if at least two of the first `HARMONICS` multiples of 50 or
/// 60 Hz stand out from their surroundings (median over 1/4 octave) by [`HUM_LIMIT_DB`] and by `HUM_OVER_ROUGH` times
/// what 98 in 100 of the other points of `HUM_BESIDE_HZ` stand out by, up or down: roughness makes peaks everywhere, at
/// whatever resolution.
#[must_use]
pub fn hum(take: &OnGrid) -> Option<Kind> {
    let f_hz = frequency_hz();
    let compared = (0..f_hz.len()).filter(|i| (HUM_BESIDE_HZ.0..=HUM_BESIDE_HZ.1).contains(&f_hz[*i]));
    let everywhere: Vec<(f64, f64)> = compared
        .step_by(3)
        .filter_map(|i| Some((f_hz[i], spike_db(take, f_hz[i])?.abs())))
        .collect();
    let of = |mains_hz: f64| {
        let harmonics = (1..=HARMONICS).map(|n| mains_hz * f64::from(n));
        // A spike is as wide as the resolution of its file: to 1/16 octave on either side.
        let beside = |f_hz: f64| {
            let mut distances = harmonics.clone().map(|h_hz| octaves(f_hz, h_hz).abs());
            distances.all(|octaves| octaves > 1.0 / 16.0)
        };
        let others = everywhere.iter().filter(|(f_hz, _)| beside(*f_hz));
        let mut others_db: Vec<f64> = others.map(|(_, db)| *db).collect();
        others_db.sort_by(f64::total_cmp);
        let usual_db = others_db.get(others_db.len() * 98 / 100).copied();
        let limit_db = HUM_LIMIT_DB.max(HUM_OVER_ROUGH * usual_db.unwrap_or(0.0));
        let spikes = harmonics.filter_map(|f_hz| spike_db(take, f_hz));
        let found: Vec<f64> = spikes.filter(|db| *db >= limit_db).collect();
        (mains_hz, found)
    };
    let (mains_hz, spikes) = [of(60.0), of(50.0)]
        .into_iter()
        .max_by_key(|(_, spikes)| spikes.len())?;
    let spike_db = spikes.iter().copied().fold(0.0, f64::max);
    (spikes.len() >= 2).then_some(Kind::MainsHum { mains_hz, spike_db })
}

/// How far the points at a frequency stand out from their surroundings, dB; None outside the data.
fn spike_db(take: &OnGrid, at_hz: f64) -> Option<f64> {
    let nearest = frequency_hz().partition_point(|f| *f < at_hz / 1.0072);
    let around = nearest.checked_sub(6)?..nearest + 7;
    if around.start < take.support.start || around.end > take.support.end {
        return None;
    }
    let middle = nearest - 1..nearest + 2;
    let (mut inside, mut outside) = (f64::NEG_INFINITY, Vec::new());
    // Pairs of points symmetric about the middle are averaged, which removes the slope of the surroundings.
    for i in around {
        if middle.contains(&i) {
            inside = inside.max(take.level_db[i]);
        } else {
            outside.push(0.5 * (take.level_db[i] + take.level_db[2 * nearest - i]));
        }
    }
    // The largest of three middle points exceeds the middle by one step of the slope; that is not a peak.
    let slope_db = (take.level_db[nearest + 6] - take.level_db[nearest - 6]).abs() / 12.0;
    Some(inside - median(outside) - slope_db)
}

fn rms(values: &[f64], weight: &[f64]) -> f64 {
    let total: f64 = weight.iter().sum();
    let squares: f64 = values.iter().zip(weight).map(|(v, w)| w * v * v).sum();
    if total > 0.0 {
        (squares / total).sqrt()
    } else {
        0.0
    }
}

/// The mean over 1/6 octave, times the trust at its centre, that is largest in magnitude, dB; and its index.
fn largest(values: &[f64], trust: &[f64]) -> (f64, usize) {
    let means = values.windows(9).enumerate().map(|(k, window)| {
        let mean = window.iter().sum::<f64>() / 9.0;
        (mean * trust[k + 4], k + 4)
    });
    means
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
        .unwrap_or((0.0, 0))
}

/// The largest step, dB, and the index of the first point above it.
fn step(values: &[f64]) -> (f64, usize) {
    let mean = |part: &[f64]| part.iter().sum::<f64>() / part.len() as f64;
    let mut largest = (0.0_f64, 0);
    for k in 16..values.len().saturating_sub(16) {
        let near_db = mean(&values[k..k + 4]) - mean(&values[k - 4..k]);
        let far_db = median(values[k..k + 16].to_vec()) - median(values[k - 16..k].to_vec());
        let lasts = far_db * near_db > 0.0 && far_db.abs() >= 0.7 * near_db.abs();
        if lasts && near_db.abs() > largest.0.abs() {
            largest = (near_db, k);
        }
    }
    largest
}

fn without_step_db(values: &[f64], trust: &[f64], at: usize) -> f64 {
    let (below, above) = values.split_at(at);
    let level_free = |part: &[f64]| -> Vec<f64> {
        let level = median(part.to_vec());
        part.iter().map(|v| v - level).collect()
    };
    rms(&[level_free(below), level_free(above)].concat(), trust)
}

/// Running medians over `2 reach + 1` points, over fewer towards the ends.
fn medians(values: &[f64], reach: usize) -> Vec<f64> {
    let around = |i: usize| {
        let reach = reach.min(i).min(values.len() - 1 - i);
        median(values[i - reach..=i + reach].to_vec())
    };
    (0..values.len()).map(around).collect()
}

/// Two takes compared, each against the other.
#[derive(Debug, Clone)]
pub(super) struct Pair {
    /// The take against the reference; None if too little is shared.
    pub over: Option<Comparison>,
    /// The reference against the take.
    pub under: Option<Comparison>,
}

impl Pair {
    pub fn new(take: &OnGrid, reference: &OnGrid, trust: &[f64]) -> Self {
        Self {
            over: compare(take, reference, trust),
            under: compare(reference, take, trust),
        }
    }

    /// How far the two are from being of one ear, whichever of them leaks; infinite if too little is shared.
    pub fn excess(&self) -> f64 {
        let both = [&self.over, &self.under].into_iter().flatten();
        both.map(Comparison::excess).fold(f64::INFINITY, f64::min)
    }

    /// The comparison that explains more, as of the take against the reference.
    pub fn better(&self) -> Option<Comparison> {
        match (&self.over, &self.under) {
            (Some(over), Some(under)) if under.excess() < over.excess() => Some(Comparison {
                largest_db: -under.largest_db,
                step_db: -under.step_db,
                level_db: -under.level_db,
                ..under.clone()
            }),
            (over, _) => over.clone(),
        }
    }

    /// How much looser the take seals than the reference.
    pub fn looser(&self) -> Option<Looser> {
        let seal = |c: &Option<Comparison>| c.as_ref().and_then(|c| c.seal);
        Some(Looser::of(seal(&self.over)?, seal(&self.under)?))
    }
}

/// The comparisons of one side's takes with some of them as references.
pub(super) struct Table {
    /// Indices of the takes used as references, in falling order of bass (if there are at most [`REFERENCES`]).
    pub references: Vec<usize>,
    /// For each reference every take; None for itself.
    pub pairs: Vec<Vec<Option<Pair>>>,
}

/// Most references. On a larger side, half of them are the takes with the most bass, and half an even choice of the
/// others.
const REFERENCES: usize = 16;

impl Table {
    pub fn new(takes: &[&OnGrid], trust: &[f64]) -> Self {
        let mut order: Vec<usize> = (0..takes.len()).collect();
        order.sort_by(|a, b| {
            bass_db(takes[*b])
                .total_cmp(&bass_db(takes[*a]))
                .then(a.cmp(b))
        });
        let references: Vec<usize> = if order.len() <= REFERENCES {
            order
        } else {
            let (tight, others) = order.split_at(REFERENCES / 2);
            let even = (0..REFERENCES / 2).map(|k| others[k * others.len() / (REFERENCES / 2)]);
            tight.iter().copied().chain(even).collect()
        };
        let against = |r: &usize| -> Vec<Option<Pair>> {
            let pair = |(i, take): (usize, &&OnGrid)| {
                (i != *r).then(|| Pair::new(take, takes[*r], trust))
            };
            takes.iter().enumerate().map(pair).collect()
        };
        let pairs = references.par_iter().map(against).collect();
        Self { references, pairs }
    }

    /// The largest excess with which takes of this side belong: three times the usual excess, but from 1 to 1.5. The
    /// usual excess is the lower median over a reference's takes, for the reference where it is lowest; with fewer than
    /// three takes the limit is 1.
    pub fn limit(&self) -> f64 {
        let usual = |row: &Vec<Option<Pair>>| {
            let mut excess: Vec<f64> = row.iter().flatten().map(Pair::excess).collect();
            excess.retain(|excess| excess.is_finite());
            excess.sort_by(f64::total_cmp);
            (excess.len() >= 2).then(|| excess[(excess.len() - 1) / 2])
        };
        let least = self.pairs.iter().filter_map(usual).fold(f64::INFINITY, f64::min);
        if least.is_finite() {
            (3.0 * least).clamp(1.0, 1.5)
        } else {
            1.0
        }
    }

    /// Indices of the takes that belong with the k-th reference, itself included: of one ear, whichever leaks.
    pub fn group(&self, k: usize) -> Vec<usize> {
        let limit = self.limit();
        let belongs = |(i, pair): (usize, &Option<Pair>)| {
            let near = pair.as_ref().is_some_and(|pair| pair.excess() <= limit);
            (near || i == self.references[k]).then_some(i)
        };
        self.pairs[k].iter().enumerate().filter_map(belongs).collect()
    }
}

/// Mean level up to 60 Hz minus the level of the alignment band, dB: the order of takes by their bass.
fn bass_db(take: &OnGrid) -> f64 {
    let end = frequency_hz()
        .partition_point(|f| *f <= 60.0)
        .max(take.support.start + 1);
    let bass = &take.level_db[take.support.start..end.min(take.support.end)];
    bass.iter().sum::<f64>() / bass.len() as f64 - takes::offset_db(&take.level_db, &take.support)
}
