//! The distortion to expect where the EQ boosts: measured at one or more levels, interpolated, never extrapolated.
//!
//! A boost of g dB drives the earphone as a level g dB higher does, so the distortion there is that measured at the
//! higher level. In frequency the distortion in dB is a straight line in log f, between levels a straight line in dB
//! SPL. Beyond the measured levels the value at the nearest one is given and marked; beyond the measured frequencies
//! there is none.

use serde::{Serialize, Serializer};

use super::error::CostFault;
use crate::error::{Error, Result, Source};
use crate::filter::{Section, cascade};
use crate::measurement::distorted::DistortionCurve;
use crate::measurement::grid;
use crate::measurement::takes::Side;
use crate::units::amplitude_from_db;

/// A rise of this much is a boost, dB.
const BOOST_DB: f64 = 0.1;

/// A level this close to a measured one is that one, dB.
const SAME_LEVEL_DB: f64 = 1e-9;

/// Why a value is no interpolation.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum OutsideMeasured {
    /// No measurement covers the frequency.
    Frequency,
    /// The level is below the lowest measured one, given in dB SPL; that one's value stands.
    BelowLevel(#[serde(skip)] f64),
    /// The level is above the highest measured one, given in dB SPL; that one's value stands, and more is to be expected.
    AboveLevel(#[serde(skip)] f64),
}

/// Distortion at a frequency and a level.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Estimate {
    /// The level, as the measurements state theirs, dB SPL.
    pub level_db_spl: f64,
    /// The distortion, here in dB, in documents in percent, 0 or more; none (`null`) where nothing was measured.
    #[serde(rename = "percent", serialize_with = "in_percent")]
    #[schemars(range(min = 0.0))]
    pub ratio_db: Option<f64>,
    /// Where the value is no interpolation, which side of the measurements it is on: `frequency`, `below-level` or
    /// `above-level` (then the nearest level's value stands here); none (`null`) for an interpolation.
    #[schemars(with = "Option<String>", extend("enum" = ["frequency", "below-level", "above-level", null]))]
    pub outside: Option<OutsideMeasured>,
}

fn in_percent<S: Serializer>(
    ratio_db: &Option<f64>,
    to: S,
) -> std::result::Result<S::Ok, S::Error> {
    let percent = ratio_db.map(|ratio_db| 100.0 * amplitude_from_db(ratio_db));
    percent.serialize(to)
}

/// A frequency at which the EQ boosts.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct BoostedPoint {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// How much harder it is driven, dB, above 0.
    pub rise_db: f64,
    /// Distortion without EQ.
    pub before: Estimate,
    /// Distortion with EQ.
    pub after: Estimate,
}

/// Distortion to expect of one side.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SideDistortion {
    /// The side that was measured.
    pub side: Side,
    /// Levels of the measurements, dB SPL, rising.
    pub measured_db_spl: Vec<f64>,
    /// Third octaves at which the EQ boosts, and where it boosts most; frequencies rising.
    pub points: Vec<BoostedPoint>,
    /// The point with the most distortion after, of those with a value.
    #[serde(skip)]
    pub worst: Option<BoostedPoint>,
}

/// Distortion to expect.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct DistortionFigures {
    /// The level listened at before EQ, as the measurements state theirs, dB SPL.
    pub listening_db_spl: f64,
    /// How much the volume is turned up so that the loudness stays, dB.
    pub turn_up_db: f64,
    /// One entry for each side that was measured.
    pub sides: Vec<SideDistortion>,
}

/// The distortion of `curves` (all of one side) at `frequency_hz` and `level_db_spl`.
#[must_use]
pub fn estimate(curves: &[&DistortionCurve], frequency_hz: f64, level_db_spl: f64) -> Estimate {
    let mut known: Vec<(f64, f64)> = curves
        .iter()
        .filter_map(|curve| Some((curve.level_db_spl, curve.ratio_db_at(frequency_hz)?)))
        .collect();
    known.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (ratio_db, outside) = match (known.first(), known.last()) {
        (Some(&(lowest, ratio_db)), _) if level_db_spl < lowest - SAME_LEVEL_DB => {
            (Some(ratio_db), Some(OutsideMeasured::BelowLevel(lowest)))
        }
        (_, Some(&(highest, ratio_db))) if level_db_spl > highest + SAME_LEVEL_DB => {
            (Some(ratio_db), Some(OutsideMeasured::AboveLevel(highest)))
        }
        (Some(first), Some(last)) => {
            let above = known.partition_point(|(level, _)| *level <= level_db_spl);
            let (l0, r0) = *known.get(above.wrapping_sub(1)).unwrap_or(first);
            let (l1, r1) = *known.get(above).unwrap_or(last);
            let share = if l1 > l0 {
                (level_db_spl - l0) / (l1 - l0)
            } else {
                0.0
            };
            (Some(r0 + share * (r1 - r0)), None)
        }
        _ => (None, Some(OutsideMeasured::Frequency)),
    };
    Estimate {
        level_db_spl,
        ratio_db,
        outside,
    }
}

/// What to expect of `sections` at `rate_hz`, `turn_up_db` added to their gain (0 leaves frequencies that are neither
/// boosted nor cut as they were). `listening_db_spl` is the level before, the lowest measured level where left out.
///
/// # Errors
/// `Coverage` for no curve; `Setting` for two curves of one side at one level.
pub fn distortion(
    curves: &[DistortionCurve],
    sections: &[Section],
    rate_hz: f64,
    turn_up_db: f64,
    listening_db_spl: Option<f64>,
) -> Result<DistortionFigures> {
    let lowest_db_spl = curves
        .iter()
        .map(|curve| curve.level_db_spl)
        .min_by(f64::total_cmp);
    let Some(lowest_db_spl) = lowest_db_spl else {
        return Err(Error::of(
            CostFault::NoDistortion,
            Source::name("distortion"),
        ));
    };
    let listening_db_spl = listening_db_spl.unwrap_or(lowest_db_spl);
    let rise_db = |f_hz: f64| turn_up_db + cascade::level_db(sections, rate_hz, f_hz);
    let boosted_hz = boosted_hz(rate_hz, &rise_db);
    let mut sides = Vec::new();
    for side in Side::ALL {
        let mut own: Vec<&DistortionCurve> =
            curves.iter().filter(|curve| curve.side == side).collect();
        own.sort_by(|a, b| a.level_db_spl.total_cmp(&b.level_db_spl));
        if own.is_empty() {
            continue;
        }
        if let Some(pair) = own
            .windows(2)
            .find(|pair| pair[0].level_db_spl == pair[1].level_db_spl)
        {
            return Err(Error::of(
                CostFault::DistortionTwice(side, pair[0].level_db_spl),
                Source::name("distortion"),
            ));
        }
        let points: Vec<BoostedPoint> = boosted_hz
            .iter()
            .map(|&frequency_hz| BoostedPoint {
                frequency_hz,
                rise_db: rise_db(frequency_hz),
                before: estimate(&own, frequency_hz, listening_db_spl),
                after: estimate(&own, frequency_hz, listening_db_spl + rise_db(frequency_hz)),
            })
            .collect();
        let most = |point: &&BoostedPoint| point.after.ratio_db;
        let worst = points
            .iter()
            .filter(|point| most(point).is_some())
            .max_by(|a, b| {
                let value = |point| most(point).unwrap_or(f64::NEG_INFINITY);
                value(a).total_cmp(&value(b))
            });
        sides.push(SideDistortion {
            side,
            measured_db_spl: own.iter().map(|curve| curve.level_db_spl).collect(),
            worst: worst.copied(),
            points,
        });
    }
    Ok(DistortionFigures {
        listening_db_spl,
        turn_up_db,
        sides,
    })
}

/// Third octaves from 25 Hz to 20 kHz where it rises, and the grid point where it rises most.
fn boosted_hz(rate_hz: f64, rise_db: &impl Fn(f64) -> f64) -> Vec<f64> {
    let playable = |f_hz: &f64| *f_hz < rate_hz / 2.0;
    let thirds = (-16..=13).map(|n| 1000.0 * 10f64.powf(f64::from(n) / 10.0));
    let most_hz = grid::frequency_hz()
        .iter()
        .copied()
        .filter(playable)
        .max_by(|a, b| rise_db(*a).total_cmp(&rise_db(*b)));
    let mut all: Vec<f64> = thirds
        .filter(playable)
        .chain(most_hz)
        .filter(|f_hz| rise_db(*f_hz) >= BOOST_DB)
        .collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|a, b| *a <= *b * 1.001);
    all
}
