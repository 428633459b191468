//! Takes that do not belong: how far a take is from a reference once level and leak are taken out.
//!
//! Compared are 40 Hz to 4.5 kHz: below, few rigs are quiet; above, the coupler's resonance and the dips
//! beside it wander with every seating. Of the difference, take minus reference, the level (median over 200 Hz to
//! 2 kHz), a leak and a sound seating's bass ([`leak`]) are taken out. What is left is judged by
//!
//! - its root mean square, each point counting by the trust in the rig: the distance;
//! - its largest value, smoothed over 1/6 octave: a knock is narrow;
//! - a step: the levels over 1/12 octave below and above one frequency differ, and still do over 1/3 octave;
//! - its roughness, what a median over 1/6 octave takes away: a loose cable crackles;
//! - what the leak's fit leaves in the bass: too much bass is no tighter seal.
//!
//! Each is divided by its limit, and the largest of the five is the excess; above 1 (or above three times the
//! excess that is usual among a side's takes, up to 1.5) the take does not belong. Mains hum needs no reference.
//! All limits are our own choice (common practice, no source); sound takes of the demo stay below a third.

use super::grid::{self, OnGrid, POINTS_PER_OCTAVE, frequency_hz};
use super::leak::{self, SealFit};
use super::takes::{self, median};

/// Compared is this band, hertz.
pub const COMPARED_HZ: (f64, f64) = (40.0, 4500.0);
/// Limit of the distance, dB rms.
pub const DISTANCE_LIMIT_DB: f64 = 0.7;
/// Limit of the largest deviation, dB.
pub const LARGEST_LIMIT_DB: f64 = 1.6;
/// Limit of a step, dB.
pub const STEP_LIMIT_DB: f64 = 0.9;
/// Limit of the roughness, dB rms.
pub const ROUGH_LIMIT_DB: f64 = 0.5;
/// Limit of what the leak's fit leaves in the bass, dB rms.
pub const MISFIT_LIMIT_DB: f64 = 0.35;
/// A harmonic of the mains stands out by this, dB.
pub const HUM_LIMIT_DB: f64 = 1.0;
/// A take's level may differ by this from its side's, dB.
pub const LEVEL_LIMIT_DB: f64 = 2.0;

/// What is likely wrong with a take.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// It differs in form, widely: another unit or insert, a mislabelled file, another fit in the coupler.
    Shape,
    /// It differs at one place: a knock or a noise while that frequency was measured.
    Narrow,
    /// Its level jumps at one frequency: something moved or a gain changed during the measurement.
    LevelStep {
        /// The jump, dB, upwards in frequency.
        step_db: f64,
        /// Where.
        at_hz: f64,
    },
    /// It is rough: noise, a loose cable.
    Rough {
        /// Roughness, dB rms.
        rough_db: f64,
    },
    /// Spikes at the mains frequency and its multiples.
    MainsHum {
        /// 50 or 60 Hz.
        mains_hz: f64,
        /// The largest spike, dB above its surroundings.
        spike_db: f64,
    },
    /// The whole level differs: a gain, a cable, a contact.
    Level {
        /// Level over the middle of its side's takes, dB.
        level_db: f64,
    },
}

/// A take that does not belong, with figures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// What is likely wrong.
    pub kind: Kind,
    /// Distance from the side's reference, level and leak taken out, dB rms; none without a reference.
    pub distance_db: Option<f64>,
    /// Largest deviation, take minus reference, smoothed over 1/6 octave, dB.
    pub largest_db: Option<f64>,
    /// Where.
    pub largest_hz: Option<f64>,
}

/// A take against a reference; see the head of the file.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Root mean square of what is left, dB.
    pub distance_db: f64,
    /// Largest deviation, dB.
    pub largest_db: f64,
    /// Where.
    pub largest_hz: f64,
    /// Largest step, dB, upwards in frequency.
    pub step_db: f64,
    /// Roughness, dB rms.
    pub rough_db: f64,
    /// Level, take minus reference, dB.
    pub level_db: f64,
    /// What is likely wrong, where the excess is above 1.
    pub kind: Kind,
    /// The bass; none where the data do not reach far enough.
    pub seal: Option<SealFit>,
}

/// Compares a take with a reference; `trust` is one weight a grid point. None where they share less than an octave
/// of the compared band.
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
    let mut left_db: Vec<f64> = vec![0.0; f_hz.len()];
    for i in both.clone() {
        left_db[i] = take.level_db[i] - reference.level_db[i];
    }
    let seal = leak::fit(&left_db, &both);
    let level_free = |left_db: &[f64]| -> Vec<f64> {
        let level_db = takes::offset_db(left_db, &both);
        left_db[band.clone()]
            .iter()
            .map(|db| db - level_db)
            .collect()
    };
    let with_leak = level_free(&left_db);
    if let Some(seal) = &seal {
        for i in both.clone() {
            left_db[i] -= seal.explained_db(f_hz[i]);
        }
    }
    let left = level_free(&left_db);
    let trust = &trust[band.clone()];
    let (largest, step, rough_db) = (largest(&left, trust), step(&left), rough_db(&left, trust));
    let mut comparison = Comparison {
        distance_db: rms(&left, trust),
        largest_db: largest.0,
        largest_hz: f_hz[band.start + largest.1],
        step_db: step.0,
        rough_db,
        level_db: takes::offset_db(&left_db, &both),
        kind: Kind::Shape,
        seal,
    };
    if comparison.excess() > 1.0 {
        // A leak's fit bends to a knock or a step in the bass, so these are looked for before and after it.
        let local = [&with_leak, &left]
            .into_iter()
            .find_map(|left| local_kind(left, trust, band.start));
        comparison.kind = match local {
            Some(kind) => kind,
            None if rough_db > ROUGH_LIMIT_DB => Kind::Rough { rough_db },
            None => Kind::Shape,
        };
    }
    Some(comparison)
}

/// A step, where taking it out leaves little; a narrow disturbance, where little is left beside it. `values` begin at
/// grid point `start`.
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

fn rough_db(values: &[f64], trust: &[f64]) -> f64 {
    let smooth = medians(values, 4);
    let rough: Vec<f64> = values
        .iter()
        .zip(smooth)
        .map(|(db, smooth)| db - smooth)
        .collect();
    rms(&rough, trust)
}

impl Comparison {
    /// The largest ratio of a figure to its limit.
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

    /// The outlier that such a take is.
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

/// Mains hum in a take by itself: at two or more of the first five multiples of 50 or 60 Hz its level stands out of
/// its surroundings (median over 1/4 octave) by [`HUM_LIMIT_DB`] or more, and by six times the take's median roughness there.
#[must_use]
pub fn hum(take: &OnGrid) -> Option<Kind> {
    let f_hz = frequency_hz();
    let low = f_hz.partition_point(|f| *f < 40.0)..f_hz.partition_point(|f| *f < 400.0);
    let levels_db = &take.level_db[grid::intersection(&low, &take.support)];
    let rough = levels_db.iter().zip(medians(levels_db, 4));
    let limit_db =
        HUM_LIMIT_DB.max(6.0 * median(rough.map(|(db, smooth)| (db - smooth).abs()).collect()));
    let spikes_db = |mains_hz: f64| -> Vec<f64> {
        let harmonics = (1..=5).map(|n| mains_hz * f64::from(n));
        let spikes = harmonics.filter_map(|f_hz| spike_db(take, f_hz));
        spikes.filter(|db| *db >= limit_db).collect()
    };
    let of = |mains_hz: f64| (mains_hz, spikes_db(mains_hz));
    let (mains_hz, spikes) = [of(60.0), of(50.0)]
        .into_iter()
        .max_by_key(|(_, spikes)| spikes.len())?;
    let spike_db = spikes.iter().copied().fold(0.0, f64::max);
    (spikes.len() >= 2).then_some(Kind::MainsHum { mains_hz, spike_db })
}

/// How far the points at a frequency stand out, dB; none outside the data.
fn spike_db(take: &OnGrid, at_hz: f64) -> Option<f64> {
    let nearest = frequency_hz().partition_point(|f| *f < at_hz / 1.0072);
    let around = nearest.checked_sub(6)?..nearest + 7;
    if around.start < take.support.start || around.end > take.support.end {
        return None;
    }
    let middle = nearest - 1..nearest + 2;
    let (mut inside, mut outside) = (f64::NEG_INFINITY, Vec::new());
    // The slope of the surroundings is taken out by pairs of points symmetric about the middle.
    for i in around {
        if middle.contains(&i) {
            inside = inside.max(take.level_db[i]);
        } else {
            outside.push(0.5 * (take.level_db[i] + take.level_db[2 * nearest - i]));
        }
    }
    // One point of slope up or down inside the middle is no spike.
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

/// The largest mean over 1/6 octave, by trust, and its place.
fn largest(values: &[f64], trust: &[f64]) -> (f64, usize) {
    let means = values.windows(9).enumerate().map(|(k, window)| {
        let mean = window.iter().sum::<f64>() / 9.0;
        (mean * trust[k + 4], k + 4)
    });
    means
        .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))
        .unwrap_or((0.0, 0))
}

/// The largest step and the point above it.
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

/// Running medians over `2 reach + 1` points, fewer at the ends.
fn medians(values: &[f64], reach: usize) -> Vec<f64> {
    let around = |i: usize| {
        let reach = reach.min(i).min(values.len() - 1 - i);
        median(values[i - reach..=i + reach].to_vec())
    };
    (0..values.len()).map(around).collect()
}

/// Takes of one side, each against each of some of them.
pub(super) struct Table {
    /// Which takes were references.
    pub references: Vec<usize>,
    /// For each reference, the comparison of every take; none with itself or where too little is shared.
    pub comparisons: Vec<Vec<Option<Comparison>>>,
}

/// Most references; a larger side is compared with its takes of most bass and an even choice of the others.
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
        let against = |r: &usize| -> Vec<Option<Comparison>> {
            let pair = |(i, take): (usize, &&OnGrid)| {
                (i != *r).then(|| compare(take, takes[*r], trust)).flatten()
            };
            takes.iter().enumerate().map(pair).collect()
        };
        let comparisons = references.iter().map(against).collect();
        Self {
            references,
            comparisons,
        }
    }

    /// The excess up to which takes of this side belong: 1, or three times what is usual, up to 1.5. Usual is the lower
    /// median of a reference's excesses, for the reference where that is least; two takes have no usual.
    pub fn limit(&self) -> f64 {
        let usual = |row: &Vec<Option<Comparison>>| {
            let mut excess: Vec<f64> = row.iter().flatten().map(Comparison::excess).collect();
            excess.sort_by(f64::total_cmp);
            (excess.len() >= 2).then(|| excess[(excess.len() - 1) / 2])
        };
        let least = self
            .comparisons
            .iter()
            .filter_map(usual)
            .fold(f64::INFINITY, f64::min);
        if least.is_finite() {
            (3.0 * least).clamp(1.0, 1.5)
        } else {
            1.0
        }
    }

    /// Takes that belong with the k-th reference, itself counted.
    pub fn group(&self, k: usize) -> Vec<usize> {
        let limit = self.limit();
        let belongs = |(i, c): (usize, &Option<Comparison>)| {
            let near = c.as_ref().is_some_and(|c| c.excess() <= limit);
            (near || i == self.references[k]).then_some(i)
        };
        self.comparisons[k]
            .iter()
            .enumerate()
            .filter_map(belongs)
            .collect()
    }
}

/// Mean level up to 60 Hz over that of the alignment band, dB: orders takes by their bass.
fn bass_db(take: &OnGrid) -> f64 {
    let end = frequency_hz()
        .partition_point(|f| *f <= 60.0)
        .max(take.support.start + 1);
    let bass = &take.level_db[take.support.start..end.min(take.support.end)];
    bass.iter().sum::<f64>() / bass.len() as f64 - takes::offset_db(&take.level_db, &take.support)
}
