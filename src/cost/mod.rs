//! Stage 6, second part: what the sections cost. This stage knows no fit.
//!
//! All of it in one record is a [`Cost`]: of a [`programme`] by the [`weighting`] of the ear, the change of [`loudness`];
//! with sensitivity, impedance and [`source`], its level [`at_ear`], the [`mod@drive`] that takes, and the [`mod@exposure`];
//! with measured distortion, the [`mod@distortion`] to expect. What cannot be told says what is missing.
//! `job/cost.rs` gathers what it needs to know, `report/figures/cost.rs` words it.

pub mod error;

pub mod weighting;

pub mod programme;

pub mod loudness;

pub mod source;

pub mod at_ear;

pub mod drive;

pub mod exposure;

pub mod heard;

pub mod distortion;

use crate::caution::{Caution, LoudLevel, Volume};
use crate::error::Result;
use crate::filter::Section;
use crate::measurement::OnGrid;
use crate::measurement::distorted::DistortionCurve;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::takes::Side;
use crate::measurement::unit_file::Sensitivity;
use at_ear::Playback;
use distortion::{DistortionFigures, distortion};
use heard::HeardChange;
use drive::{DriveFigures, OutputBend, WishedLevel, drive, output_bend};
use exposure::{Exposure, Field, FieldTable, HARMFUL_DBA, exposure};
use loudness::{LoudnessChange, loudness_change_of_channels};
use programme::{Programme, ProgrammeLevel};
use source::Source;

/// A change of loudness this small is none, LU.
pub const NO_CHANGE_LU: f64 = 0.05;

/// Why nothing is told of the volume and of the output impedance.
const NO_SOURCE: &str = "no source is known";

/// What is asked; with an EQ for each side, one request a side.
#[derive(Debug, Clone, Copy)]
pub struct CostRequest<'a> {
    /// The sections.
    pub sections: &'a [Section],
    /// The sample rate, hertz.
    pub rate_hz: f64,
    /// Gain before them, dB.
    pub preamp_db: f64,
    /// What is played.
    pub programme: &'a Programme,
    /// How that is heard through the unit beside no EQ, all channels together; without it, its change as a signal counts.
    pub heard: Option<HeardChange>,
    /// How high it stands.
    pub level: ProgrammeLevel,
    /// The measured curve, of any level.
    pub response: &'a OnGrid,
    /// How loud the earphone is, where known.
    pub sensitivity: Option<Sensitivity>,
    /// Its impedance, where known.
    pub impedance: Option<&'a ImpedanceByFrequency>,
    /// What feeds it, where known.
    pub source: Option<&'a Source>,
    /// A level of the programme at the eardrum that is wished for.
    pub wished: Option<WishedLevel>,
    /// The field that exposure refers to.
    pub field: Field,
    /// The table that leads there.
    pub table: FieldTable,
    /// Measured distortion; none where empty.
    pub distortion: &'a [DistortionCurve],
    /// Where each side has sections of its own: which side this is, and the sections of the other. Loudness is then that
    /// of both together, since one volume serves both; distortion of the other side does not count.
    pub side: Option<(Side, &'a [Section])>,
    /// The level at which distortion is wanted, as its measurements state theirs, dB SPL; their lowest where left out.
    pub listening_db_spl: Option<f64>,
}

/// Figures, or why there are none: one of the two fields is none (`null`).
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
#[schemars(rename = "Told")]
pub struct FiguresOrReason<T> {
    /// The figures; `null` where something is missing.
    figures: Option<T>,
    /// What is missing, in words without a full stop; `null` where nothing is.
    missing: Option<String>,
}

impl<T> FiguresOrReason<T> {
    /// The figures, where there are any.
    pub fn known(&self) -> Option<&T> {
        self.figures.as_ref()
    }

    /// What is missing, where there are none.
    pub fn missing(&self) -> Option<&str> {
        self.missing.as_deref()
    }

    fn of(figures: std::result::Result<T, String>) -> Self {
        let (figures, missing) = match figures {
            Ok(figures) => (Some(figures), None),
            Err(why) => (None, Some(why)),
        };
        Self { figures, missing }
    }
}

/// What was played.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct PlayedProgramme {
    /// Its name.
    pub name: String,
    /// Lowest and highest frequency whose power counts for loudness, Hz.
    pub band_hz: (f64, f64),
    /// How high it stands.
    #[serde(flatten)]
    pub level: ProgrammeLevel,
}

/// What an EQ costs. Documents round volts, milliamperes and percentages to 0.000001.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Cost {
    /// Sample rate of the fit, Hz.
    pub rate_hz: f64,
    /// Gain before the sections, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub preamp_db: f64,
    /// What was played.
    pub programme: PlayedProgramme,
    /// Change of the loudness of that programme against no EQ (ITU-R BS.1770); with an EQ for each side, of both
    /// together.
    pub loudness: LoudnessChange,
    /// Change of the loudness of that programme as it is heard through the unit, A-weighted in a diffuse field; with an EQ for
    /// each side, of both together. None (`null`) where the unit is not known: then `loudness` is what one turns the volume by.
    pub heard: Option<HeardChange>,
    /// Level at the ear and drive of the earphone.
    pub drive: FiguresOrReason<DriveFigures>,
    /// How the source's output impedance changes the response.
    pub output_bend: FiguresOrReason<OutputBend>,
    /// Listening time that rules allow at the volume in use.
    pub exposure: FiguresOrReason<Exposure>,
    /// The same with the volume turned so that the programme is as loud as without EQ.
    pub exposure_as_loud: FiguresOrReason<Exposure>,
    /// The same at the level that was wished for (`--play-at`).
    pub exposure_as_wished: FiguresOrReason<Exposure>,
    /// The level that was wished for.
    #[serde(skip)]
    pub wished: Option<WishedLevel>,
    /// Distortion to expect where the EQ boosts, at the loudness of before.
    pub distortion: FiguresOrReason<DistortionFigures>,
}

impl Cost {
    /// What the volume is turned by so that it plays as loud as without EQ, dB.
    #[must_use]
    pub fn as_loud_db(&self) -> f64 {
        -self.heard.map_or(self.loudness.total_lu, |heard| heard.total_db)
    }

    /// The wished level in a diffuse field; where that cannot be computed, the one at the eardrum as it stands, which is
    /// not lower. None where no level was wished for.
    #[must_use]
    pub fn wished_level(&self) -> Option<LoudLevel> {
        let wished = self.wished?;
        let level = match self.exposure_as_wished.known() {
            Some(exposure) => in_the_field(Volume::Wished, exposure),
            None => LoudLevel {
                volume: Volume::Wished,
                level_dba: wished.level_db,
                at_the_eardrum: true,
            },
        };
        Some(level)
    }

    /// What belongs before the figures: levels that harm hearing.
    #[must_use]
    pub fn cautions(&self) -> Vec<Caution> {
        let known = |volume, told: &FiguresOrReason<Exposure>| {
            let known = told.known();
            known.map(|exposure| in_the_field(volume, exposure))
        };
        let levels = [
            known(Volume::InUse, &self.exposure),
            known(Volume::AsLoud, &self.exposure_as_loud)
                .filter(|_| self.as_loud_db().abs() >= NO_CHANGE_LU),
            self.wished_level(),
        ];
        let harmful = |level: &LoudLevel| level.level_dba > HARMFUL_DBA;
        let levels: Vec<LoudLevel> = levels.into_iter().flatten().filter(harmful).collect();
        let caution = (!levels.is_empty()).then_some(Caution::HarmfulLevel {
            levels,
            limit_dba: HARMFUL_DBA,
        });
        caution.into_iter().collect()
    }
}

fn in_the_field(volume: Volume, exposure: &Exposure) -> LoudLevel {
    LoudLevel {
        volume,
        level_dba: exposure.diffuse_dba,
        at_the_eardrum: false,
    }
}

/// What the EQ of `request` costs.
///
/// # Errors
/// `Coverage` where the programme has no power below half the rate; `Setting` for two measurements of distortion of one
/// side at one level.
pub fn cost(request: &CostRequest<'_>) -> Result<Cost> {
    let CostRequest {
        sections,
        rate_hz,
        preamp_db,
        ..
    } = *request;
    let mut channels = vec![sections];
    channels.extend(request.side.map(|(_, others)| others));
    let loudness = loudness_change_of_channels(&channels, rate_hz, preamp_db, request.programme)?;
    let playing = playback(request);
    // What is heard counts, where it is known.
    let total_db = request.heard.map_or(loudness.total_lu, |heard| heard.total_db);
    let drive = playing
        .clone()
        .and_then(|playing| drive(&playing, request.wished));
    let at_ear = playing.and_then(|playing| playing.at_ear());
    let exposure_at = |turn_up_db: f64| {
        at_ear
            .clone()
            .map(|at_ear| exposure(&at_ear, turn_up_db, request.field, request.table))
    };
    let from_source = |turn_up_db: f64| match request.source {
        Some(_) => exposure_at(turn_up_db),
        None => Err(NO_SOURCE.to_owned()),
    };
    let as_wished = match (request.wished, &drive) {
        (None, _) => Err("no level was asked for".to_owned()),
        (Some(_), Err(why)) => Err(why.clone()),
        (Some(_), Ok(figures)) => {
            exposure_at(figures.wished.map_or(f64::NAN, |wished| wished.turn_up_db))
        }
    };
    let bend = match (request.source, request.impedance) {
        (None, _) => Err(NO_SOURCE.to_owned()),
        (_, None) => Err("no unit file gives an impedance_ohm".to_owned()),
        (Some(source), Some(impedance)) => output_bend(impedance, source.output_ohm),
    };
    let sections_db = request.heard.map_or(loudness.sections_lu, |heard| heard.sections_db);
    let distortion = distortion_of(request, sections_db)?;
    Ok(Cost {
        rate_hz,
        preamp_db,
        programme: PlayedProgramme {
            name: loudness.programme.clone(),
            band_hz: loudness.band_hz,
            level: request.level,
        },
        drive: FiguresOrReason::of(drive),
        output_bend: FiguresOrReason::of(bend),
        exposure: FiguresOrReason::of(from_source(0.0)),
        exposure_as_loud: FiguresOrReason::of(from_source(-total_db)),
        exposure_as_wished: FiguresOrReason::of(as_wished),
        wished: request.wished,
        distortion: FiguresOrReason::of(distortion),
        heard: request.heard,
        loudness,
    })
}

/// What plays, or why its level is not known.
fn playback<'a>(request: &CostRequest<'a>) -> std::result::Result<Playback<'a>, String> {
    let Some(sensitivity) = request.sensitivity else {
        return Err("no unit file gives a sensitivity".to_owned());
    };
    Ok(Playback {
        response: request.response,
        sections: request.sections,
        rate_hz: request.rate_hz,
        preamp_db: request.preamp_db,
        sensitivity,
        impedance: request.impedance,
        source: request.source,
        programme: request.programme,
        level: request.level,
    })
}

/// The distortion to expect, or why it is not known.
fn distortion_of(
    request: &CostRequest<'_>,
    sections_db: f64,
) -> Result<std::result::Result<DistortionFigures, String>> {
    let counts = |curve: &&DistortionCurve| match request.side {
        Some((side, _)) => [side, Side::Unknown].contains(&curve.side),
        None => true,
    };
    let curves: Vec<DistortionCurve> = request.distortion.iter().filter(counts).cloned().collect();
    if curves.is_empty() {
        let whose = match request.side {
            Some((side, _)) if !request.distortion.is_empty() => {
                format!(" of the {}", side.words())
            }
            _ => String::new(),
        };
        return Ok(Err(format!("no unit file gives a [[distortion]]{whose}")));
    }
    let figures = distortion(
        &curves,
        request.sections,
        request.rate_hz,
        -sections_db,
        request.listening_db_spl,
    )?;
    Ok(Ok(figures))
}
