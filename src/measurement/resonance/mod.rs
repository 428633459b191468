//! The coupler's half-wave resonance: told from the earphone's own peaks by its movement, and taken out.
//!
//! The air between earphone and coupler microphone resonates when it is half a wave long, `L = c / 2f`. A deeper seat
//! raises the frequency, so the frequency tells how the depth changed (a rigid tube, `c` = 343 m/s at 20 degrees
//! Celsius, from memory; end corrections change the length, but hardly its differences). A dip and a second mode above
//! it move by the same ratio. The earphone's own peaks stay, but differ between left and right.
//!
//! 1. One model is fitted to all takes (`joint`): own curves that stay, and a coupler's shape (`shape`) that moves. It
//!    starts where the shape would explain most of what takes of one side differ in.
//! 2. The coupler's is claimed where its movement within sides is far above the takes' noise, where its place is known,
//!    and where no other place does nearly as well. Then the places of the takes are those of the fit.
//! 3. Otherwise nothing is claimed: the highest peak that most takes have ([`peaks`]) is named as one that may be the
//!    coupler's or the earphone's. A frequency from the unit file overrides both.
//! 4. Where it is claimed, the shape is freed from its form, and the own curve with its uncertainty is what is left
//!    ([`TakenOut`]): an estimate for the eye and for comparing variants, which no fit of sections uses.

mod joint;
pub mod peaks;
mod shape;

use std::ops::Range;

use rayon::prelude::*;

use self::joint::{Fit, Joint, Noise, Place, Takes};
use super::grid::{self, OnGrid, frequency_hz};
use super::takes::{Side, median};
use crate::units::octaves;

/// Speed of sound, m/s, at 20 degrees Celsius (from memory).
pub const SOUND_M_PER_S: f64 = 343.0;
/// Band in which peaks are searched, hertz: up to the deepest seats.
pub const SEARCHED_HZ: (f64, f64) = (5000.0, 12_500.0);
/// Distance from the resonance, octaves, within which the curve shows the coupler rather than the earphone.
pub const GUARD_OCTAVES: f64 = 1.0 / 3.0;
/// Band of the curve with the resonance taken out, hertz.
pub const TAKEN_OUT_HZ: (f64, f64) = (4000.0, 14_000.0);

/// Data that end below this show no resonance of a coupler, hertz.
const SHORT_HZ: f64 = 7000.0;
/// Band of the model, hertz: it begins well below what the coupler changes, and ends before its third mode.
const MODELLED_HZ: (f64, f64) = (3500.0, 14_500.0);
/// Grid points that count as one in the model: 1/16 octave, half of the narrowest half width.
const THINNED: usize = 3;
/// Most takes of a side in the model; more would add little but time.
const MOST_TAKES: usize = 16;
/// Distance of the starts, octaves, and how many of the best are tried.
const STARTS: (f64, usize) = (1.0 / 24.0, 4);
/// Where it is expected: 8.5 kHz, within 0.35 octave (standard deviation); about a given frequency, 1 %. Our choice.
const EXPECTED: (f64, f64) = (8500.0, 0.35);
const GIVEN_OCTAVES: f64 = 0.0144;
/// A lower peak is not the coupler's, dB.
const LEAST_HEIGHT_DB: f64 = 4.0;
/// Movement that noise does not feign: drop of the squared rest over its variance, for each take beyond the first of a
/// side, and in all. Set by units that did not move on the bench of planted couplers.
const MOVED: (f64, f64) = (14.0, 30.0);
/// Another place more than this far away (octaves) must be less probable by this (minus twice the logarithm).
const RIVAL: (f64, f64) = (0.03, 6.0);
/// Largest standard error of a place, octaves: half a per cent.
const LARGEST_ERROR: f64 = 0.0072;
/// The curve is told where its standard error near the resonance is at most this share of what was expected.
const TOLD: f64 = 0.6;
/// How far of the way from the fitted peak's middle to the shape's highest point the resonance is.
const TOWARDS_TOP: f64 = 0.7;
/// Within this many octaves of the resonance that is judged.
const JUDGED_OCTAVES: f64 = 0.35;
/// 90 % of a normal distribution are within so many standard deviations.
const NINETY_PERCENT: f64 = 1.645;
/// A peak of a take this near to its place is the resonance itself, octaves.
const SAME_PEAK_OCTAVES: f64 = 1.0 / 12.0;

/// The coupler's resonance in one take.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Resonance {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Its height over a sloping baseline, dB: at least so much, since the baseline is taken from 1/4 octave around it.
    pub height_db: f64,
    /// Its width where it is half its power above the baseline, octaves, from end to end.
    pub width_octaves: f64,
    /// Length of air that is half a wave long at that frequency, mm.
    pub half_wave_mm: f64,
}

/// The coupler's resonance of a unit: what its takes agree on.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct UnitResonance {
    /// Its frequency, Hz: as the unit file gives it, or else the median over the takes.
    pub frequency_hz: f64,
    /// Whether the unit file gives its frequency.
    pub given: bool,
    /// Standard error of a take's frequency, Hz, median over the takes; none (`null`) where it is not seen to move.
    pub standard_error_hz: Option<f64>,
    /// Lowest and highest frequency of any take, Hz.
    pub range_hz: (f64, f64),
    /// Range of the depth of the seating, by the half-wave relation, mm, 0 or more: at least so much, since the standard
    /// errors are taken off and other seatings would go further.
    pub depth_range_mm: f64,
    /// Whether it moved between takes of one side, far beyond their noise and with its dip and second mode; if not, it may
    /// be a peak of the earphone.
    pub moves: bool,
    /// Number of takes in which it was found.
    pub found_in: usize,
    /// Lowest and highest frequency of the band that it distorts, within 1/3 octave of its frequency, Hz.
    pub guard_hz: (f64, f64),
    /// The unit's curve without it; None where that cannot be told.
    #[serde(skip)]
    pub taken_out: Option<TakenOut>,
}

/// The unit's curve, mean of its sides, with peak, dip and second mode of the coupler taken out: an estimate.
#[derive(Debug, Clone, PartialEq)]
pub struct TakenOut {
    /// Its points, by rising frequency.
    pub points: Vec<TakenOutPoint>,
}

/// A point of a curve with the resonance taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TakenOutPoint {
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Level at the level of the average, dB.
    pub level_db: f64,
    /// Lower end of its 90 % band, dB.
    pub low_db: f64,
    /// Upper end, dB.
    pub high_db: f64,
}

impl TakenOut {
    /// Half of the 90 % band at the point nearest to a frequency, dB.
    #[must_use]
    pub fn half_band_db(&self, hz: f64) -> Option<f64> {
        let away = |point: &&TakenOutPoint| octaves(hz, point.frequency_hz).abs();
        let nearest = self.points.iter().min_by(|a, b| away(a).total_cmp(&away(b)));
        nearest.map(|point| 0.5 * (point.high_db - point.low_db))
    }
}

impl UnitResonance {
    /// The grid points of the guarded band.
    #[must_use]
    pub fn guard(&self) -> Range<usize> {
        frequency_hz().partition_point(|f| *f < self.guard_hz.0)
            ..frequency_hz().partition_point(|f| *f <= self.guard_hz.1)
    }

    /// Whether the peak is known to be the coupler's: it moved, or the unit file says so.
    #[must_use]
    pub fn is_the_coupler_s(&self) -> bool {
        self.moves || self.given
    }
}

/// The length of air that is half a wave long at a frequency, millimetres.
#[must_use]
pub fn half_wave_mm(frequency_hz: f64) -> f64 {
    1000.0 * SOUND_M_PER_S / (2.0 * frequency_hz)
}

/// A take in which the resonance is followed.
pub struct Followed<'a> {
    /// Its side.
    pub side: Side,
    /// Its curve at the level of its side's mean.
    pub curve: &'a OnGrid,
    /// Whether it tells about the unit; others only get a frequency of their own.
    pub counts: bool,
}

/// The resonance in each take, and that of the unit. `given_hz` is its frequency where the unit file states it.
#[must_use]
pub fn follow(
    takes: &[Followed<'_>],
    given_hz: Option<f64>,
) -> (Vec<Option<Resonance>>, Option<UnitResonance>) {
    let counted: Vec<usize> = (0..takes.len()).filter(|i| takes[*i].counts).collect();
    let long = |i: &usize| takes[*i].curve.band_hz().1 >= SHORT_HZ;
    let candidates: Vec<Vec<Resonance>> = takes.iter().map(|take| peaks::peaks(take.curve)).collect();
    let moving = counted
        .iter()
        .all(long)
        .then(|| Moving::found(takes, &counted, given_hz))
        .flatten();
    let near = |hz: f64, within: f64| {
        let of_take = |of: &Vec<Resonance>| peaks::nearest(of, hz, within);
        candidates.iter().map(of_take).collect::<Vec<_>>()
    };
    let found = match (&moving, given_hz) {
        (Some(moving), _) => {
            let middle_hz = median(moving.places.iter().map(|(_, place)| place.hz).collect());
            let mut found = near(middle_hz, GUARD_OCTAVES);
            for (i, place) in &moving.places {
                let seen = peaks::nearest(&candidates[*i], place.hz, SAME_PEAK_OCTAVES);
                found[*i] = Some(place.resonance(seen, &moving.form));
            }
            found
        }
        (None, Some(hz)) => near(hz, SAME_PEAK_OCTAVES),
        (None, None) => {
            let of_counted: Vec<Vec<Resonance>> =
                counted.iter().map(|i| candidates[*i].clone()).collect();
            let track = peaks::track(&of_counted);
            let hz: Vec<f64> = track.iter().flatten().map(|r| r.frequency_hz).collect();
            let mut found = match hz.is_empty() {
                true => vec![None; takes.len()],
                false => near(median(hz), GUARD_OCTAVES),
            };
            for (i, of_take) in counted.iter().zip(track) {
                found[*i] = of_take;
            }
            found
        }
    };
    let of_unit = of_unit(&found, &counted, moving, given_hz);
    (found, of_unit)
}

/// What the takes agree on; None if it was found in none and is not given.
fn of_unit(
    found: &[Option<Resonance>],
    counted: &[usize],
    moving: Option<Moving>,
    given_hz: Option<f64>,
) -> Option<UnitResonance> {
    let hz: Vec<f64> = counted
        .iter()
        .filter_map(|i| Some(found[*i]?.frequency_hz))
        .collect();
    let frequency_hz = match given_hz {
        Some(hz) => hz,
        None if hz.is_empty() => return None,
        None => median(hz.clone()),
    };
    let or_it = |hz: f64| if hz.is_finite() && hz > 0.0 { hz } else { frequency_hz };
    let lowest_hz = hz.iter().copied().fold(f64::INFINITY, f64::min);
    let highest_hz = hz.iter().copied().fold(0.0, f64::max);
    let range_hz = (or_it(lowest_hz), or_it(highest_hz));
    let ratio = GUARD_OCTAVES.exp2();
    let error_hz = |moving: &Moving| {
        let errors = moving.places.iter().map(|(_, place)| place.error_hz);
        median(errors.collect())
    };
    let surely = |error_hz: f64| NINETY_PERCENT * error_hz * std::f64::consts::SQRT_2;
    let standard_error_hz = moving.as_ref().map(error_hz);
    let apart_hz = range_hz.1 - range_hz.0;
    let sure = standard_error_hz.map_or(0.0, |error_hz| {
        ((apart_hz - surely(error_hz)) / apart_hz).max(0.0)
    });
    let sure = if sure.is_finite() { sure } else { 0.0 };
    Some(UnitResonance {
        frequency_hz,
        given: given_hz.is_some(),
        standard_error_hz,
        range_hz,
        depth_range_mm: sure * (half_wave_mm(range_hz.0) - half_wave_mm(range_hz.1)),
        moves: moving.is_some(),
        found_in: hz.len(),
        guard_hz: (frequency_hz / ratio, frequency_hz * ratio),
        taken_out: moving.and_then(|moving| moving.taken_out),
    })
}

/// A resonance that was seen to move.
struct Moving {
    /// The takes of the model and the places in them.
    places: Vec<(usize, TakePlace)>,
    /// Height (dB) and width (octaves) of the fitted shape.
    form: (f64, f64),
    taken_out: Option<TakenOut>,
}

struct TakePlace {
    hz: f64,
    error_hz: f64,
}

impl TakePlace {
    /// Height and width as the take shows them, or else as the fitted shape has them.
    fn resonance(&self, seen: Option<Resonance>, (height_db, width_octaves): &(f64, f64)) -> Resonance {
        Resonance {
            frequency_hz: self.hz,
            height_db: seen.map_or(*height_db, |seen| seen.height_db),
            width_octaves: seen.map_or(*width_octaves, |seen| seen.width_octaves),
            half_wave_mm: half_wave_mm(self.hz),
        }
    }
}

impl Moving {
    fn found(takes: &[Followed<'_>], counted: &[usize], given_hz: Option<f64>) -> Option<Self> {
        let (modelled, of_unit) = modelled(takes, counted)?;
        let octaves_of = |hz: f64| octaves(1000.0, hz);
        let first = joint::first_noise(&modelled);
        let place = match given_hz {
            Some(hz) => Place { at: octaves_of(hz), within: GIVEN_OCTAVES },
            None => Place { at: octaves_of(EXPECTED.0), within: EXPECTED.1 },
        };
        let starts = match given_hz {
            Some(hz) => vec![octaves_of(hz)],
            None => starts(&modelled, &first)?,
        };
        // Each start with the noise that it leaves.
        let rough = starts.into_par_iter().filter_map(|at| {
            let model = Joint::new(&modelled, &first, place, (at, shape::FORM))?;
            let fit = model.fitted(at, None, 6).filter(Fit::is_high)?;
            let noise = model.noise_of(&fit);
            Some((fit, noise))
        });
        let fine = apart(ranked(rough)).into_par_iter().filter_map(|(fit, noise)| {
            let at = fit.middle();
            let model = Joint::new(&modelled, &noise, place, (at, shape::FORM))?;
            let fit = model.fitted(at, Some(&fit), 8).filter(Fit::is_high)?;
            Some((fit, noise))
        });
        let fine = ranked(fine);
        let (best, noise) = fine.first()?;
        let model = Joint::new(&modelled, noise, place, (best.middle(), shape::FORM))?;
        let rival = fine[1..]
            .iter()
            .filter(|(fit, _)| (fit.middle() - best.middle()).abs() > RIVAL.0)
            .map(|(fit, _)| fit.cost - best.cost)
            .fold(f64::INFINITY, f64::min);
        let errors = model.place_errors(best)?;
        let freedom: usize = modelled.sides.iter().map(|takes| takes.len() - 1).sum();
        let moved = model.moved(best)? > MOVED.0 * freedom as f64 + MOVED.1;
        let known = median(errors.clone()) < LARGEST_ERROR && rival > RIVAL.1;
        if !(moved && known) {
            return None;
        }
        let towards_top = best.towards_top();
        let places = best.places.iter().zip(&errors).map(|(at, error)| {
            let hz = 1000.0 * (at + towards_top).exp2();
            TakePlace { hz, error_hz: hz * std::f64::consts::LN_2 * error }
        });
        Some(Self {
            places: of_unit.into_iter().zip(places).collect(),
            form: (best.shape[shape::FIRST].exp(), 2.0 * best.shape[1].exp()),
            taken_out: taken_out(&modelled, noise, place, best),
        })
    }
}

impl Fit {
    /// Whether its peak is high enough for a coupler's.
    fn is_high(&self) -> bool {
        self.shape[shape::FIRST] > LEAST_HEIGHT_DB.ln()
    }

    /// Median of the places, octaves over 1 kHz.
    fn middle(&self) -> f64 {
        median(self.places.clone())
    }

    /// From the peak's own middle most of the way to where the shape is highest, octaves: dip and slopes beside it draw the
    /// highest point away from the resonance, and the middle of a fitted peak the other way. On planted tubes and
    /// planted sections alike, the resonance is between them.
    fn towards_top(&self) -> f64 {
        let at = |k: i32| 0.0005 * f64::from(k);
        let shape = shape::Shape::new(&self.shape);
        let level_db = |x: f64| shape.level_db(x);
        let highest = (-60..=60).map(at).max_by(|a, b| level_db(*a).total_cmp(&level_db(*b)));
        TOWARDS_TOP * highest.unwrap_or(0.0)
    }
}

/// The takes that the model can use, thinned, and their indices; None where too little is known.
fn modelled(takes: &[Followed<'_>], counted: &[usize]) -> Option<(Takes, Vec<usize>)> {
    let f_hz = frequency_hz();
    let band = f_hz.partition_point(|f| *f < MODELLED_HZ.0)
        ..f_hz.partition_point(|f| *f <= MODELLED_HZ.1);
    let shared = counted.iter().fold(band.clone(), |shared, i| {
        grid::intersection(&shared, &takes[*i].curve.support)
    });
    if shared.start != band.start || shared.end <= f_hz.partition_point(|f| *f < SHORT_HZ) {
        return None;
    }
    let middles: Vec<usize> = shared.step_by(THINNED).map(|i| i + THINNED / 2).collect();
    let middles = &middles[..middles.len() - 1];
    let thinned = |curve: &OnGrid| -> Vec<f64> {
        let around = |i: &usize| &curve.level_db[i - THINNED / 2..=i + THINNED / 2];
        let mean = |of: &[f64]| of.iter().sum::<f64>() / of.len() as f64;
        middles.iter().map(|i| mean(around(i))).collect()
    };
    let (mut sides, mut of_unit) = (Vec::new(), Vec::new());
    for side in Side::ALL {
        let of_side = counted.iter().filter(|i| takes[**i].side == side);
        let of_side: Vec<usize> = of_side.take(MOST_TAKES).copied().collect();
        if !of_side.is_empty() {
            sides.push(of_side.iter().map(|i| thinned(takes[*i].curve)).collect());
            of_unit.extend(of_side);
        }
    }
    let several = sides.iter().any(|takes: &Vec<Vec<f64>>| takes.len() >= 2);
    let x = middles.iter().map(|i| octaves(1000.0, f_hz[*i])).collect();
    several.then_some((Takes { x, sides }, of_unit))
}

/// Places from which the model's fit may start: where movement of the expected shape explains most.
fn starts(takes: &Takes, noise: &Noise) -> Option<Vec<f64>> {
    /// A resonance nearer to the end of the data is not seen, octaves.
    const FROM_END: f64 = 0.15;
    let (from, to) = (octaves(1000.0, SEARCHED_HZ.0), octaves(1000.0, SEARCHED_HZ.1));
    let to = to.min(takes.x.last()? - FROM_END);
    let places: Vec<f64> = (0..)
        .map(|k| from + STARTS.0 * f64::from(k))
        .take_while(|at| *at <= to)
        .collect();
    let scores = joint::scores(takes, noise, &places)?;
    let highest = |i: &usize| {
        let after = scores.get(i + 1).copied().unwrap_or(f64::NEG_INFINITY);
        (*i == 0 || scores[i - 1] <= scores[*i]) && after < scores[*i]
    };
    let mut tops: Vec<usize> = (0..scores.len()).filter(highest).collect();
    tops.sort_by(|a, b| scores[*b].total_cmp(&scores[*a]));
    Some(tops.into_iter().take(STARTS.1).map(|i| places[i]).collect())
}

/// Fits with their noise, the most probable first.
fn ranked(fits: impl ParallelIterator<Item = (Fit, Noise)>) -> Vec<(Fit, Noise)> {
    let mut fits: Vec<(Fit, Noise)> = fits.collect();
    fits.sort_by(|a, b| a.0.cost.total_cmp(&b.0.cost));
    fits
}

/// The most probable fits at different places.
fn apart(fits: Vec<(Fit, Noise)>) -> Vec<(Fit, Noise)> {
    const MOST: usize = 3;
    let mut apart: Vec<(Fit, Noise)> = Vec::new();
    for (fit, noise) in fits {
        let same = |(other, _): &(Fit, Noise)| (fit.middle() - other.middle()).abs() < STARTS.0;
        if apart.len() < MOST && !apart.iter().any(same) {
            apart.push((fit, noise));
        }
    }
    apart
}

/// The own curve beside a shape that is free; None where the takes moved too little to tell it.
fn taken_out(takes: &Takes, noise: &Noise, place: Place, fit: &Fit) -> Option<TakenOut> {
    let middle = fit.middle();
    let free = (middle, shape::NUMBERS);
    let model = Joint::new(takes, noise, place, free)?;
    let rough = model.fitted(middle, Some(fit), 6)?;
    let noise = model.noise_of(&rough);
    let model = Joint::new(takes, &noise, place, free)?;
    let own = model.own(&model.fitted(middle, Some(&rough), 3)?)?;
    let near: Vec<usize> = (0..takes.x.len())
        .filter(|i| (takes.x[*i] - middle).abs() < JUDGED_OCTAVES)
        .collect();
    let squares = |sd_db: &[f64]| near.iter().map(|i| sd_db[*i].powi(2)).sum::<f64>();
    let told = squares(&own.sd_db) <= TOLD * TOLD * squares(&own.expected_sd_db);
    let points = takes.x.iter().enumerate().map(|(i, x)| {
        let half_db = NINETY_PERCENT * own.sd_db[i];
        TakenOutPoint {
            frequency_hz: 1000.0 * x.exp2(),
            level_db: own.level_db[i],
            low_db: own.level_db[i] - half_db,
            high_db: own.level_db[i] + half_db,
        }
    });
    let within = |point: &TakenOutPoint| {
        (TAKEN_OUT_HZ.0..=TAKEN_OUT_HZ.1).contains(&point.frequency_hz)
    };
    let points: Vec<TakenOutPoint> = points.filter(within).collect();
    (told && !points.is_empty()).then_some(TakenOut { points })
}
