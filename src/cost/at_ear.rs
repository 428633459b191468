//! From a programme at the equaliser's input to sound pressure at the eardrum, frequency by frequency.
//!
//! `level(f) = sensitivity (dB SPL at 1 V) + M(f) - M(at_hz) + 20 log10(full_scale_v |Z / (Z + R)|) + preamp + sections(f)`
//!
//! for a full-scale sine: M is the measured curve, whose own level is free, so that it follows the sensitivity at the
//! frequency where that holds; Z the earphone's impedance, R the source's output impedance. A programme has this times
//! its spectrum. The coupler's microphone counts as the eardrum. The curve is taken to have been measured from a source
//! of no output impedance. Outside the measured curve (and outside the impedance's, where R is above 0) nothing is
//! assumed: that part of the programme is not counted, and its share is told.

use std::f64::consts::PI;

use super::programme::{Programme, ProgrammeLevel, Spectrum};
use super::source::Source;
use crate::filter::{Section, cascade};
use crate::measurement::OnGrid;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::unit_file::{Drive, Sensitivity};
use crate::message::Number;
use crate::units::{db_from_amplitude, db_from_power, power_from_db};
use crate::wanted::difference::level_at_hz;

/// The least share of the programme's power over which a current is worth a number.
const ENOUGH: f64 = 0.95;

/// dB SPL at 1 V rms from dB SPL at 1 mW into `ohm`: `+ 10 log10(1000 / ohm)`, +17.96 dB at 16 ohm.
#[must_use]
pub fn db_per_v_from_db_per_mw(db_per_mw: f64, ohm: f64) -> f64 {
    db_per_mw + db_from_power(1000.0 / ohm)
}

/// dB SPL at 1 mW into `ohm` from dB SPL at 1 V rms.
#[must_use]
pub fn db_per_mw_from_db_per_v(db_per_v: f64, ohm: f64) -> f64 {
    db_per_v - db_from_power(1000.0 / ohm)
}

/// `20 log10 |Z / (Z + R)|`: what reaches an earphone of `ohm` behind `output_ohm`, dB, 0 or less. A phase that is
/// unknown counts as 0, which lowers the level the most.
#[must_use]
pub fn divider_db(ohm: f64, phase_deg: Option<f64>, output_ohm: f64) -> f64 {
    let cos = phase_deg.map_or(1.0, |deg| (deg * PI / 180.0).cos());
    let ratio = output_ohm / ohm;
    -db_from_power(1.0 + 2.0 * ratio * cos + ratio * ratio)
}

/// What plays, through what, into what.
#[derive(Debug, Clone, Copy)]
pub struct Playback<'a> {
    /// The measured curve, of any level.
    pub response: &'a OnGrid,
    /// The sections.
    pub sections: &'a [Section],
    /// The sample rate, hertz.
    pub rate_hz: f64,
    /// Gain before the sections, dB.
    pub preamp_db: f64,
    /// How loud the earphone is.
    pub sensitivity: Sensitivity,
    /// Its impedance, where known.
    pub impedance: Option<&'a ImpedanceByFrequency>,
    /// What feeds it; without, 1 V rms for a full-scale sine and no output impedance.
    pub source: Option<&'a Source>,
    /// What is played.
    pub programme: &'a Programme,
    /// How high that stands.
    pub level: ProgrammeLevel,
}

impl Playback<'_> {
    /// A full-scale sine without load, volts rms.
    #[must_use]
    pub fn full_scale_v(&self) -> f64 {
        self.source.map_or(1.0, |source| source.full_scale_v)
    }

    fn output_ohm(&self) -> f64 {
        self.source.map_or(0.0, |source| source.output_ohm)
    }

    /// The sensitivity in dB SPL at 1 V rms.
    ///
    /// # Errors
    /// In words, where the impedance that this needs is not known at that frequency.
    pub fn db_per_v(&self) -> Result<f64, String> {
        let Sensitivity { db_spl, per, at_hz } = self.sensitivity;
        match (per, self.impedance) {
            (Drive::Volt, _) => Ok(db_spl),
            (Drive::Milliwatt, None) => Err(
                "the sensitivity is given per milliwatt and no unit file gives an impedance_ohm"
                    .to_owned(),
            ),
            (Drive::Milliwatt, Some(impedance)) => match impedance.ohm_at(at_hz) {
                Some(ohm) => Ok(db_per_v_from_db_per_mw(db_spl, ohm)),
                None => Err(format!(
                    "the impedance has no data at {at_hz} Hz, where the sensitivity holds",
                    at_hz = Number(at_hz)
                )),
            },
        }
    }

    /// What the output impedance takes at `frequency_hz`, dB; none where that is not known.
    fn loaded_db(&self, frequency_hz: f64) -> Option<f64> {
        if self.output_ohm() == 0.0 {
            return Some(0.0);
        }
        let impedance = self.impedance?;
        let ohm = impedance.ohm_at(frequency_hz)?;
        let phase_deg = impedance.phase_deg_at(frequency_hz);
        Some(divider_db(ohm, phase_deg, self.output_ohm()))
    }

    /// The way of sound, point by point.
    ///
    /// # Errors
    /// In words, what is missing or does not meet.
    pub fn at_ear(&self) -> Result<AtEar, String> {
        let at_hz = self.sensitivity.at_hz;
        let db_per_v = self.db_per_v()?;
        let Some(reference_db) = level_at_hz(self.response, at_hz) else {
            return Err(format!(
                "the measured curve has no data at {at_hz} Hz, where the sensitivity holds",
                at_hz = Number(at_hz)
            ));
        };
        if at_hz >= self.rate_hz / 2.0 {
            return Err(format!(
                "the sensitivity holds at {at_hz} Hz, which a sample rate of {} Hz does not have",
                self.rate_hz,
                at_hz = Number(at_hz)
            ));
        }
        if self.output_ohm() > 0.0 && self.impedance.is_none() {
            return Err(
                "the source has an output impedance and no unit file gives an impedance_ohm"
                    .to_owned(),
            );
        }
        let point = |f_hz: f64, share: f64| {
            let response_db = level_at_hz(self.response, f_hz)?;
            let loaded_db = self.loaded_db(f_hz)?;
            Some(Point {
                frequency_hz: f_hz,
                share,
                eq_db: self.preamp_db + cascade::level_db(self.sections, self.rate_hz, f_hz),
                terminals_dbv: db_from_amplitude(self.full_scale_v()) + loaded_db,
                db_per_v: db_per_v + response_db - reference_db,
                ohm: self.impedance.and_then(|impedance| impedance.ohm_at(f_hz)),
            })
        };
        let Some(at_sensitivity) = point(at_hz, 1.0) else {
            return Err(format!(
                "the impedance has no data at {at_hz} Hz, where the sensitivity holds",
                at_hz = Number(at_hz)
            ));
        };
        let Spectrum {
            frequency_hz,
            share,
            ..
        } = self
            .programme
            .spectrum(self.rate_hz)
            .map_err(|error| error.to_string())?;
        let points: Vec<Point> = frequency_hz
            .iter()
            .zip(&share)
            .filter_map(|(&f_hz, &share)| point(f_hz, share))
            .collect();
        let (Some(first), Some(last)) = (points.first(), points.last()) else {
            return Err("the programme has no power where the earphone was measured".to_owned());
        };
        Ok(AtEar {
            band_hz: (first.frequency_hz, last.frequency_hz),
            counted: points.iter().map(|point| point.share).sum::<f64>().min(1.0),
            rms_db: self.level.rms_db,
            at_sensitivity,
            points,
        })
    }
}

/// One frequency on the way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    /// The frequency, hertz.
    pub frequency_hz: f64,
    /// The programme's share of power here.
    pub share: f64,
    /// Preamp and sections, dB.
    pub eq_db: f64,
    /// A full-scale sine at the earphone without EQ, dB re 1 V rms.
    pub terminals_dbv: f64,
    /// Sound pressure at 1 V rms, dB SPL.
    pub db_per_v: f64,
    /// Magnitude of the impedance, ohms, where known.
    pub ohm: Option<f64>,
}

impl Point {
    /// A full-scale sine here at the earphone, dB re 1 V rms.
    #[must_use]
    pub fn dbv(&self, with_eq: bool) -> f64 {
        self.terminals_dbv + if with_eq { self.eq_db } else { 0.0 }
    }

    /// A full-scale sine here at the eardrum, dB SPL.
    #[must_use]
    pub fn db_spl(&self, with_eq: bool) -> f64 {
        self.db_per_v + self.dbv(with_eq)
    }
}

/// A programme on its way to the eardrum.
#[derive(Debug, Clone, PartialEq)]
pub struct AtEar {
    /// Lowest and highest frequency that is counted, hertz.
    pub band_hz: (f64, f64),
    /// The share of the programme's power that is counted, 0 to 1.
    pub counted: f64,
    /// The frequency at which the sensitivity holds, as a full-scale sine.
    pub at_sensitivity: Point,
    points: Vec<Point>,
    rms_db: f64,
}

impl AtEar {
    /// Level of the programme at the eardrum with `weighting_db` by frequency, dB SPL.
    #[must_use]
    pub fn level_db(&self, with_eq: bool, weighting_db: impl Fn(f64) -> f64) -> f64 {
        self.sum_db(|point| point.db_spl(with_eq) + weighting_db(point.frequency_hz))
    }

    /// Voltage of the equalised programme at the earphone, rms.
    #[must_use]
    pub fn voltage_v(&self) -> f64 {
        power_from_db(self.sum_db(|point| point.dbv(true))).sqrt()
    }

    /// Current of the equalised programme, amperes rms, summed where the impedance is known; none where that is less than
    /// 95 % of what is counted.
    #[must_use]
    pub fn current_a(&self) -> Option<f64> {
        let known = self.points.iter().filter(|point| point.ohm.is_some());
        if known.map(|point| point.share).sum::<f64>() < ENOUGH * self.counted {
            return None;
        }
        let db = self.sum_db(|point| {
            let ohm = point.ohm.unwrap_or(f64::INFINITY);
            point.dbv(true) - db_from_amplitude(ohm)
        });
        Some(power_from_db(db).sqrt())
    }

    /// What preamp and sections do to the rms of the programme's signal, dB.
    #[must_use]
    pub fn eq_db(&self) -> f64 {
        self.sum_db(|point| point.eq_db) - self.sum_db(|_| 0.0)
    }

    fn sum_db(&self, level_db: impl Fn(&Point) -> f64) -> f64 {
        let powers = self.points.iter();
        let sum: f64 = powers
            .map(|point| point.share * power_from_db(level_db(point)))
            .sum();
        self.rms_db + db_from_power(sum)
    }
}
