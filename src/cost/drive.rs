//! How loud it gets and what that takes: levels at the eardrum, volts, milliamperes, and what the source's output
//! impedance does to the response. The way of sound is in [`super::at_ear`].
//!
//! A programme's peak is its rms and its crest factor; the crest factor is taken to stay what it was through the EQ (it
//! may rise or fall by a few dB, common practice, no source).

use super::at_ear::{Playback, db_per_mw_from_db_per_v, divider_db};
use super::programme::SINE_CREST_DB;
use super::weighting::a_db;
use crate::measurement::grid;
use crate::measurement::impedance::ImpedanceByFrequency;
use crate::measurement::unit_file::Drive;
use crate::units::{amplitude_from_db, db_from_amplitude};

/// A level of the programme at the eardrum that is wished for.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct WishedLevel {
    /// The wished level: dBA where `a_weighted`, else dB SPL.
    pub level_db: f64,
    /// Whether the wish is A-weighted.
    pub a_weighted: bool,
}

/// The level that is reached at the ear, and the drive that it takes.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct DriveFigures {
    /// Sensitivity: dB SPL at 1 V rms.
    pub sensitivity_db_per_v: f64,
    /// Sensitivity: dB SPL at 1 mW; none (`null`) without impedance.
    pub sensitivity_db_per_mw: Option<f64>,
    /// Frequency at which both sensitivities hold, Hz.
    pub sensitivity_at_hz: f64,
    /// Magnitude of the impedance there, ohm, above 0; none (`null`) where it is not known.
    pub impedance_ohm: Option<f64>,
    /// Voltage of a full-scale sine without load at the volume in use, V rms; 1 V where no source is known.
    pub full_scale_v: f64,
    /// Name of the source; none (`null`) where no source is known.
    pub source: Option<String>,
    /// A full-scale sine at `sensitivity_at_hz`.
    pub full_scale_sine: SineFigures,
    /// The programme at the eardrum without EQ.
    pub before: ProgrammeAtEar,
    /// The programme at the eardrum through preamp and sections.
    pub after: ProgrammeAtEar,
    /// The equalised programme at the earphone.
    pub electrical: Electrical,
    /// Room between the programme's peaks and the source's largest sine, dB; negative where it clips. None (`null`)
    /// where no source is known.
    pub source_margin_db: Option<f64>,
    /// Room between the programme's peaks and digital full scale, dB; negative where it clips.
    pub full_scale_margin_db: f64,
    /// What the level of `--play-at` takes; none (`null`) where none was asked for.
    pub wished: Option<WishedFigures>,
    /// Lowest and highest frequency that was counted, Hz.
    pub band_hz: (f64, f64),
    /// Share of the programme's power that was counted, 0 to 1.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub counted: f64,
}

/// A full-scale sine at one frequency.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SineFigures {
    /// Level at the eardrum without EQ, dB SPL.
    pub before_db_spl: f64,
    /// Level at the eardrum through preamp and sections, dB SPL.
    pub after_db_spl: f64,
    /// Voltage at the earphone through preamp and sections, V rms.
    pub voltage_v: f64,
    /// Its current, mA rms; none (`null`) without impedance.
    pub current_ma: Option<f64>,
}

/// A programme at the eardrum.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct ProgrammeAtEar {
    /// Its level, dB SPL.
    pub level_db_spl: f64,
    /// Its A-weighted level, dBA.
    pub level_dba: f64,
}

/// A programme at the earphone.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct Electrical {
    /// Voltage, V rms.
    pub rms_v: f64,
    /// Voltage of the peaks, V.
    pub peak_v: f64,
    /// Current, mA rms; none (`null`) where the impedance is not known over (nearly) the whole band.
    pub rms_ma: Option<f64>,
    /// Current of the peaks, mA; none (`null`) likewise.
    pub peak_ma: Option<f64>,
}

/// What a wished level takes.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct WishedFigures {
    /// The wish.
    #[serde(flatten)]
    pub wished: WishedLevel,
    /// How much to turn up from the volume in use (from 1 V where no source is known), dB; negative is down.
    pub turn_up_db: f64,
    /// Voltage of a full-scale sine without load at that volume, V rms.
    pub full_scale_v: f64,
    /// The equalised programme at the earphone, at that volume.
    pub electrical: Electrical,
    /// Room between the programme's peaks and the source's largest sine at that volume, dB; negative where it clips.
    /// None (`null`) where no source is known.
    pub source_margin_db: Option<f64>,
}

/// The figures of `playing`, and of a wished level.
///
/// # Errors
/// In words, what is missing.
pub fn drive(playing: &Playback<'_>, wished: Option<WishedLevel>) -> Result<DriveFigures, String> {
    let at_ear = playing.at_ear()?;
    let sine = &at_ear.at_sensitivity;
    let programme = |with_eq| ProgrammeAtEar {
        level_db_spl: at_ear.level_db(with_eq, |_| 0.0),
        level_dba: at_ear.level_db(with_eq, a_db),
    };
    let after = programme(true);
    let crest = amplitude_from_db(playing.level.crest_db);
    let rms_v = at_ear.voltage_v();
    let rms_ma = at_ear.current_a().map(|current_a| 1000.0 * current_a);
    let electrical = Electrical {
        rms_v,
        peak_v: rms_v * crest,
        rms_ma,
        peak_ma: rms_ma.map(|ma| ma * crest),
    };
    // A sine's peak is full scale; a programme's, its crest factor above its rms.
    let full_scale_margin_db =
        SINE_CREST_DB - playing.level.rms_db - playing.level.crest_db - at_ear.eq_db();
    let source_margin_db = playing.source.map(|source| {
        full_scale_margin_db + db_from_amplitude(source.max_voltage_v / source.full_scale_v)
    });
    let per = playing.sensitivity.per;
    let db_per_v = playing.db_per_v()?;
    let wished = wished.map(|wished| {
        let reached_db = if wished.a_weighted {
            after.level_dba
        } else {
            after.level_db_spl
        };
        let turn_up_db = wished.level_db - reached_db;
        let factor = amplitude_from_db(turn_up_db);
        WishedFigures {
            wished,
            turn_up_db,
            full_scale_v: playing.full_scale_v() * factor,
            electrical: Electrical {
                rms_v: electrical.rms_v * factor,
                peak_v: electrical.peak_v * factor,
                rms_ma: electrical.rms_ma.map(|ma| ma * factor),
                peak_ma: electrical.peak_ma.map(|ma| ma * factor),
            },
            source_margin_db: source_margin_db.map(|margin_db| margin_db - turn_up_db),
        }
    });
    let sine_v = amplitude_from_db(sine.dbv(true));
    Ok(DriveFigures {
        sensitivity_db_per_v: db_per_v,
        sensitivity_db_per_mw: match per {
            Drive::Milliwatt => Some(playing.sensitivity.db_spl),
            Drive::Volt => sine.ohm.map(|ohm| db_per_mw_from_db_per_v(db_per_v, ohm)),
        },
        sensitivity_at_hz: playing.sensitivity.at_hz,
        impedance_ohm: sine.ohm,
        full_scale_v: playing.full_scale_v(),
        source: playing.source.map(|source| source.name.clone()),
        full_scale_sine: SineFigures {
            before_db_spl: sine.db_spl(false),
            after_db_spl: sine.db_spl(true),
            voltage_v: sine_v,
            current_ma: sine.ohm.map(|ohm| 1000.0 * sine_v / ohm),
        },
        before: programme(false),
        after,
        electrical,
        source_margin_db,
        full_scale_margin_db,
        wished,
        band_hz: at_ear.band_hz,
        counted: at_ear.counted,
    })
}

/// How the source's output impedance bends the response: `|Z / (Z + R)|` in dB, its mean over the common grid removed.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct OutputBend {
    /// Frequencies of the common grid that the impedance covers, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Change of the level at each of them, `mean_db` removed, dB; positive is louder than on average.
    pub bend_db: Vec<f64>,
    /// The mean that was removed, dB, 0 or less.
    pub mean_db: f64,
    /// Highest minus lowest, dB, 0 or more.
    pub range_db: f64,
    /// The largest deviation, dB with its sign.
    pub largest_db: f64,
    /// Frequency of that deviation, Hz.
    pub largest_hz: f64,
    /// Whether the phase of the impedance was known; else it counts as 0.
    pub phase_known: bool,
}

/// The bend behind `output_ohm`.
///
/// # Errors
/// In words, for an impedance that is one number or no curve between 20 Hz and 20 kHz.
pub fn output_bend(
    impedance: &ImpedanceByFrequency,
    output_ohm: f64,
) -> Result<OutputBend, String> {
    let phase_known = match impedance {
        ImpedanceByFrequency::Ohm(_) => {
            return Err(
                "the impedance is one number, so the output impedance only lowers the level"
                    .to_owned(),
            );
        }
        ImpedanceByFrequency::Curve { phase_deg, .. } => phase_deg.is_some(),
    };
    let (frequency_hz, loss_db): (Vec<f64>, Vec<f64>) = grid::frequency_hz()
        .iter()
        .filter_map(|&f_hz| {
            let ohm = impedance.ohm_at(f_hz)?;
            let loss_db = divider_db(ohm, impedance.phase_deg_at(f_hz), output_ohm);
            Some((f_hz, loss_db))
        })
        .unzip();
    if frequency_hz.len() < 2 {
        return Err("the impedance has no data between 20 Hz and 20 kHz".to_owned());
    }
    let mean_db = loss_db.iter().sum::<f64>() / loss_db.len() as f64;
    let bend_db: Vec<f64> = loss_db.iter().map(|db| db - mean_db).collect();
    let ends = bend_db
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), db| {
            (low.min(*db), high.max(*db))
        });
    let largest = (0..bend_db.len()).fold(0, |best, i| {
        if bend_db[i].abs() > bend_db[best].abs() {
            i
        } else {
            best
        }
    });
    Ok(OutputBend {
        mean_db: mean_db + 0.0,
        range_db: ends.1 - ends.0,
        largest_db: bend_db[largest],
        largest_hz: frequency_hz[largest],
        phase_known,
        frequency_hz,
        bend_db,
    })
}
