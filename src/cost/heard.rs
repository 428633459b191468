//! How loud a programme is heard: its A-weighted level in the field that sounds like what the unit plays at the eardrum.
//!
//! What a listener hears of an EQ is its effect on the sound after the earphone, so the unit's own curve counts: a cut where
//! the unit is loud takes more than the same cut elsewhere. With a rig that is an ear simulator, the curve is taken from the
//! eardrum to the field (ISO 11904-2, from memory) before it is weighted; with a rig that is believed everywhere it is
//! taken as the sound in the field itself.
//!
//! `tests/reference/loudness_iso532_1.py` holds this to the loudness of ISO 532-1 at 60 dB a third octave, where fits of the
//! demo are off by about 1 dB at most. The change is that of one programme: one whose spectrum falls faster than pink
//! noise's can be heard to change by 3 dB more or less.

use super::exposure::{Field, FieldTable, field_to_eardrum_db};
use super::programme::{Programme, Spectrum};
use super::weighting::a_db;
use crate::error::Result;
use crate::filter::{Section, cascade};
use crate::measurement::rig::Rig;
use crate::measurement::{OnGrid, grid};
use crate::units::{db_from_power, power_from_db};

/// How much louder a programme is heard with an EQ than without; negative is quieter.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct HeardChange {
    /// Change through the sections alone, dB.
    pub sections_db: f64,
    /// Change through preamp and sections, dB. Minus this is how far to turn up for the loudness of before.
    pub total_db: f64,
}

/// What a unit and the ear's weighting do to a frequency (hertz, above 0), dB: beyond its data the curve is held.
pub fn hearing_db(unit: &OnGrid, rig: &Rig) -> impl Fn(f64) -> f64 {
    let to_eardrum_db = match rig {
        Rig::Flat => None,
        Rig::Iec60318_4 | Rig::Table(_) => {
            Some(field_to_eardrum_db(Field::Diffuse, FieldTable::default()))
        }
    };
    let support = unit.support.clone();
    move |f_hz: f64| {
        let index = grid::frequency_hz().partition_point(|f| *f < f_hz);
        let unit_db = unit.level_db[index.clamp(support.start, support.end - 1)];
        let eardrum_db = to_eardrum_db.as_ref().map_or(0.0, |to_eardrum_db| to_eardrum_db(f_hz));
        unit_db - eardrum_db + a_db(f_hz)
    }
}

/// The unit that is listened through.
#[derive(Debug, Clone, PartialEq)]
pub struct Ear {
    /// Its curve, of any level.
    pub unit: OnGrid,
    /// What it was measured with.
    pub rig: Rig,
}

/// A programme as it is heard through a unit without EQ.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    spectrum: Spectrum,
    /// What the unit and the ear's weighting do at each frequency of the spectrum, dB.
    weighting_db: Vec<f64>,
}

impl Heard {
    /// A programme at `rate_hz` through a unit with this curve, of any level; beyond its data the curve is held.
    ///
    /// # Errors
    /// `Coverage` where the programme has no power below half the rate.
    pub fn new(unit: &OnGrid, rig: &Rig, programme: &Programme, rate_hz: f64) -> Result<Self> {
        let spectrum = programme.spectrum(rate_hz)?;
        let weighting_db = hearing_db(unit, rig);
        Ok(Self {
            weighting_db: spectrum.frequency_hz.iter().map(|f_hz| weighting_db(*f_hz)).collect(),
            spectrum,
        })
    }

    /// What is heard at a frequency, as power of any scale, an octave.
    #[must_use]
    pub fn power_at(&self, f_hz: f64) -> f64 {
        let Spectrum {
            frequency_hz,
            share,
            ..
        } = &self.spectrum;
        let index = frequency_hz.partition_point(|f| *f < f_hz);
        match self.weighting_db.get(index) {
            // Simpson's rule gives every other point half the share: the mean of two neighbours has neither.
            Some(weighting_db) => {
                let next = share.get(index + 1).unwrap_or(&share[index]);
                f64::midpoint(share[index], *next) * power_from_db(*weighting_db)
            }
            None => 0.0,
        }
    }

    /// The change through channels of `sections` at `rate_hz` and a preamp of `preamp_db`; the powers of the channels add.
    #[must_use]
    pub fn change(&self, channels: &[&[Section]], rate_hz: f64, preamp_db: f64) -> HeardChange {
        let power = |sections: &[Section]| -> f64 {
            let points = self.spectrum.frequency_hz.iter().zip(&self.spectrum.share);
            let heard = points.zip(&self.weighting_db).map(|((f_hz, share), db)| {
                share * power_from_db(db + cascade::level_db(sections, rate_hz, *f_hz))
            });
            heard.sum()
        };
        let with: f64 = channels.iter().map(|sections| power(sections)).sum();
        let sections_db = match channels.len() {
            0 => 0.0,
            count => db_from_power(with / (count as f64 * power(&[]))),
        };
        HeardChange {
            sections_db,
            total_db: sections_db + preamp_db,
        }
    }
}
