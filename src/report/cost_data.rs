//! What an EQ costs, as a part of a document, whose schema is made from these types ([`mod@super::schema`]).

use crate::headroom::loudness::LoudnessChange;
use schemars::JsonSchema;
use serde::Serialize;

use super::data::{hertz, level, rounded, share};
use crate::headroom::cost::{Cost, Told};
use crate::headroom::distortion::{DistortionFigures, Estimate, Outside};
use crate::headroom::drive::{DriveFigures, Electrical, OutputBend, ProgrammeAtEar};
use crate::headroom::exposure::{AllowedTime, CAUTIONS, Exposure, Span};
use crate::measurement::takes::Side;
use crate::units::amplitude_from_db;

/// Figures, or why there are none: one of the two fields is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ToldPart<T> {
    /// The figures; `null` where something is missing.
    pub figures: Option<T>,
    /// What is missing, in words; `null` where nothing is.
    pub missing: Option<String>,
}

impl<T> ToldPart<T> {
    fn of<U>(told: &Told<U>, part: impl FnOnce(&U) -> T) -> Self {
        Self {
            figures: told.known().map(part),
            missing: told.missing().map(str::to_owned),
        }
    }
}

/// What an EQ costs. Levels are dB rounded to 0.0001, frequencies 0.001 Hz, volts, milliamperes and percentages
/// 0.000001.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CostPart {
    /// Sample rate of the fit, Hz.
    pub rate_hz: f64,
    /// Gain before the sections, dB, 0 or less.
    #[schemars(range(max = 0.0))]
    pub preamp_db: f64,
    /// What was played.
    pub programme: ProgrammePart,
    /// Change of the loudness of that programme against no EQ (ITU-R BS.1770); with an EQ for each side, of both
    /// together.
    pub loudness: LoudnessPart,
    /// Level at the ear and drive of the earphone.
    pub drive: ToldPart<DrivePart>,
    /// How the source's output impedance changes the response.
    pub output_bend: ToldPart<OutputBendPart>,
    /// Listening time that rules allow at the volume in use.
    pub exposure: ToldPart<ExposurePart>,
    /// The same with the volume turned so that the programme is as loud as without EQ.
    pub exposure_as_loud: ToldPart<ExposurePart>,
    /// The same at the level of `--play-at`.
    pub exposure_as_wished: ToldPart<ExposurePart>,
    /// Distortion to expect where the EQ boosts.
    pub distortion: ToldPart<DistortionPart>,
}

/// A programme.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ProgrammePart {
    /// Its name.
    pub name: String,
    /// Lowest and highest frequency whose power counts for loudness, Hz.
    pub band_hz: [f64; 2],
    /// Its rms relative to a full-scale sine's, dB.
    pub rms_db: f64,
    /// Its peak over its rms, dB, 0 or more.
    pub crest_db: f64,
}

/// A change of loudness; negative is quieter.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LoudnessPart {
    /// Change through the sections alone, LU.
    pub sections_lu: f64,
    /// Change through preamp and sections, LU.
    pub total_lu: f64,
}

impl LoudnessPart {
    pub(super) fn of(change: &LoudnessChange) -> Self {
        Self {
            sections_lu: level(change.sections_lu),
            total_lu: level(change.total_lu),
        }
    }
}

/// Level and drive.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DrivePart {
    /// Sensitivity: dB SPL at 1 V rms.
    pub sensitivity_db_per_v: f64,
    /// Sensitivity: dB SPL at 1 mW; `null` without impedance.
    pub sensitivity_db_per_mw: Option<f64>,
    /// Frequency at which both sensitivities hold, Hz.
    pub sensitivity_at_hz: f64,
    /// Magnitude of the impedance there, ohm, above 0; `null` where it is not known.
    pub impedance_ohm: Option<f64>,
    /// Name of the source; `null` where none is known, and then `full_scale_v` is 1.
    pub source: Option<String>,
    /// Voltage of a full-scale sine without load at the volume in use, V rms.
    pub full_scale_v: f64,
    /// A full-scale sine at `sensitivity_at_hz`.
    pub full_scale_sine: SinePart,
    /// The programme at the eardrum without EQ.
    pub before: LevelPart,
    /// The programme at the eardrum through preamp and sections.
    pub after: LevelPart,
    /// The equalised programme at the earphone.
    pub electrical: ElectricalPart,
    /// Room between the programme's peaks and the source's largest sine, dB; negative where it clips. `null` where no
    /// source is known.
    pub source_margin_db: Option<f64>,
    /// Room between the programme's peaks and digital full scale, dB; negative where it clips.
    pub full_scale_margin_db: f64,
    /// What the level of `--play-at` takes; `null` where none was asked for.
    pub wished: Option<WishedPart>,
    /// Lowest and highest frequency that was counted, Hz.
    pub band_hz: [f64; 2],
    /// Share of the programme's power that was counted, 0 to 1.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub counted: f64,
}

/// A full-scale sine.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SinePart {
    /// Level at the eardrum without EQ, dB SPL.
    pub before_db_spl: f64,
    /// Level at the eardrum with EQ, dB SPL.
    pub after_db_spl: f64,
    /// Voltage at the earphone with EQ, V rms.
    pub voltage_v: f64,
    /// Current with EQ, mA rms; `null` without impedance.
    pub current_ma: Option<f64>,
}

/// A programme at the eardrum.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LevelPart {
    /// Its level, dB SPL.
    pub level_db_spl: f64,
    /// Its A-weighted level, dBA.
    pub level_dba: f64,
}

/// A programme at the earphone.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ElectricalPart {
    /// Voltage, V rms.
    pub rms_v: f64,
    /// Voltage of the peaks, V.
    pub peak_v: f64,
    /// Current, mA rms; `null` without impedance.
    pub rms_ma: Option<f64>,
    /// Current of the peaks, mA; `null` without impedance.
    pub peak_ma: Option<f64>,
}

/// What a wished level takes.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct WishedPart {
    /// The wished level: dBA where `a_weighted`, else dB SPL.
    pub level_db: f64,
    /// Whether the wish is A-weighted.
    pub a_weighted: bool,
    /// How much to turn up from the volume in use, dB; negative is down.
    pub turn_up_db: f64,
    /// Voltage of a full-scale sine without load at that volume, V rms.
    pub full_scale_v: f64,
    /// The equalised programme at the earphone, at that volume.
    pub electrical: ElectricalPart,
    /// Room between the programme's peaks and the source's largest sine at that volume, dB; negative where it clips.
    /// `null` where no source is known.
    pub source_margin_db: Option<f64>,
}

/// What an output impedance does to the response, its mean removed.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OutputBendPart {
    /// Frequencies of the common grid, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Change of the level at each of them, `mean_db` removed, dB.
    pub bend_db: Vec<f64>,
    /// The mean that was removed, dB.
    pub mean_db: f64,
    /// Highest minus lowest, dB, 0 or more.
    pub range_db: f64,
    /// The largest deviation, dB with its sign.
    pub largest_db: f64,
    /// Frequency of that deviation, Hz.
    pub largest_hz: f64,
    /// Whether the phase of the impedance was known.
    pub phase_known: bool,
}

/// Listening time that rules allow: an estimate. Its cautions belong beside every figure.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ExposurePart {
    /// What must be said beside every figure here, in sentences: local rules and a hearing professional come first.
    pub cautions: Vec<&'static str>,
    /// Level at the eardrum, dBA.
    pub eardrum_dba: f64,
    /// The sound field that the rules refer to.
    pub field: crate::headroom::exposure::Field,
    /// The table that leads from the eardrum to that field.
    pub table: crate::headroom::exposure::FieldTable,
    /// Level in that field by that table, dBA.
    pub field_dba: f64,
    /// Level in that field by the other table, dBA.
    pub other_table_dba: f64,
    /// Level in a diffuse field by `table`, whatever the `field`, dBA. It is compared with 85 dBA (above, a caution)
    /// and 100 dBA (above, a wish is refused).
    pub diffuse_dba: f64,
    /// Time a week for adults, WHO-ITU H.870.
    pub adults_per_week: TimePart,
    /// Time a day for adults, WHO-ITU H.870.
    pub adults_per_day: TimePart,
    /// Time a week for children, WHO-ITU H.870.
    pub children_per_week: TimePart,
    /// Time a day for children, WHO-ITU H.870.
    pub children_per_day: TimePart,
    /// Time a day at work, NIOSH 1998.
    pub niosh_per_day: TimePart,
}

/// A time that a rule allows.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TimePart {
    /// `hours`; `not-limited` where the rule gives no limit; `none` where it allows no time.
    #[schemars(extend("enum" = ["hours", "not-limited", "none"]))]
    pub kind: &'static str,
    /// The hours, rounded down to 0.0001; 0 for `none`; `null` where the rule gives no limit, which does not mean
    /// harmless.
    #[schemars(range(min = 0.0))]
    pub hours: Option<f64>,
    /// The same in words.
    pub words: String,
}

impl TimePart {
    fn of(time: AllowedTime, span: Span) -> Self {
        let (kind, hours) = match time {
            // Downwards: more than the rule allows must not stand here.
            AllowedTime::Hours(hours) => ("hours", Some((hours * 1e4).floor() / 1e4)),
            AllowedTime::NotLimited => ("not-limited", None),
            AllowedTime::None => ("none", Some(0.0)),
        };
        Self {
            kind,
            hours,
            words: time.words(span),
        }
    }
}

/// Distortion to expect.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct DistortionPart {
    /// Level before EQ, dB SPL, as the measurements state theirs.
    pub listening_db_spl: f64,
    /// How much the volume is turned up so that the loudness stays, dB.
    pub turn_up_db: f64,
    /// One entry for each side that was measured.
    pub sides: Vec<SideDistortionPart>,
}

/// Distortion of one side.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SideDistortionPart {
    /// Which side.
    pub side: Side,
    /// Levels of the measurements, dB SPL.
    pub measured_db_spl: Vec<f64>,
    /// The frequencies that are driven harder.
    pub points: Vec<BoostedPart>,
}

/// A frequency that is driven harder.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct BoostedPart {
    /// The frequency, Hz.
    pub frequency_hz: f64,
    /// How much harder it is driven, dB, above 0.
    pub rise_db: f64,
    /// Distortion without EQ.
    pub before: EstimatePart,
    /// Distortion with EQ.
    pub after: EstimatePart,
}

/// Distortion at a level.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct EstimatePart {
    /// The level, dB SPL.
    pub level_db_spl: f64,
    /// The distortion, percent, 0 or more; `null` where nothing was measured.
    #[schemars(range(min = 0.0))]
    pub percent: Option<f64>,
    /// Where the value is no interpolation, which side of the measurements it is on: `frequency`, `below-level` or
    /// `above-level` (then the nearest level's value stands here); `null` for an interpolation.
    #[schemars(extend("enum" = ["frequency", "below-level", "above-level", null]))]
    pub outside: Option<&'static str>,
}

/// The cost as a part of a document.
#[must_use]
pub fn cost_part(cost: &Cost) -> CostPart {
    CostPart {
        rate_hz: cost.rate_hz,
        preamp_db: cost.preamp_db,
        programme: ProgrammePart {
            name: cost.loudness.programme.clone(),
            band_hz: band(cost.loudness.band_hz),
            rms_db: level(cost.programme_level.rms_db),
            crest_db: level(cost.programme_level.crest_db),
        },
        loudness: LoudnessPart::of(&cost.loudness),
        drive: ToldPart::of(&cost.drive, drive),
        output_bend: ToldPart::of(&cost.output_bend, output_bend),
        exposure: ToldPart::of(&cost.exposure, exposure),
        exposure_as_loud: ToldPart::of(&cost.exposure_as_loud, exposure),
        exposure_as_wished: ToldPart::of(&cost.exposure_as_wished, exposure),
        distortion: ToldPart::of(&cost.distortion, distortion),
    }
}

fn band(band_hz: (f64, f64)) -> [f64; 2] {
    [hertz(band_hz.0), hertz(band_hz.1)]
}

fn drive(figures: &DriveFigures) -> DrivePart {
    let at_ear = |programme: ProgrammeAtEar| LevelPart {
        level_db_spl: level(programme.level_db_spl),
        level_dba: level(programme.level_dba),
    };
    DrivePart {
        sensitivity_db_per_v: level(figures.db_per_v),
        sensitivity_db_per_mw: figures.db_per_mw.map(level),
        sensitivity_at_hz: hertz(figures.at_hz),
        impedance_ohm: figures.ohm.map(level),
        source: figures.source.clone(),
        full_scale_v: small(figures.full_scale_v),
        full_scale_sine: SinePart {
            before_db_spl: level(figures.full_scale_sine.before_db_spl),
            after_db_spl: level(figures.full_scale_sine.after_db_spl),
            voltage_v: small(figures.full_scale_sine.voltage_v),
            current_ma: figures.full_scale_sine.current_ma.map(small),
        },
        before: at_ear(figures.before),
        after: at_ear(figures.after),
        electrical: electrical(&figures.electrical),
        source_margin_db: figures.source_margin_db.map(level),
        full_scale_margin_db: level(figures.full_scale_margin_db),
        wished: figures.wished.map(|wished| WishedPart {
            level_db: wished.wished.level_db,
            a_weighted: wished.wished.a_weighted,
            turn_up_db: level(wished.turn_up_db),
            full_scale_v: small(wished.full_scale_v),
            electrical: electrical(&wished.electrical),
            source_margin_db: wished.source_margin_db.map(level),
        }),
        band_hz: band(figures.band_hz),
        counted: share(figures.counted),
    }
}

fn electrical(electrical: &Electrical) -> ElectricalPart {
    ElectricalPart {
        rms_v: small(electrical.rms_v),
        peak_v: small(electrical.peak_v),
        rms_ma: electrical.rms_ma.map(small),
        peak_ma: electrical.peak_ma.map(small),
    }
}

/// Volts, milliamperes and percentages span decades.
fn small(value: f64) -> f64 {
    rounded(value, 1e6)
}

fn output_bend(bend: &OutputBend) -> OutputBendPart {
    OutputBendPart {
        frequency_hz: bend.frequency_hz.iter().copied().map(hertz).collect(),
        bend_db: bend.bend_db.iter().copied().map(level).collect(),
        mean_db: level(bend.mean_db),
        range_db: level(bend.range_db),
        largest_db: level(bend.largest_db),
        largest_hz: hertz(bend.largest_hz),
        phase_known: bend.phase_known,
    }
}

fn exposure(exposure: &Exposure) -> ExposurePart {
    ExposurePart {
        cautions: CAUTIONS.to_vec(),
        eardrum_dba: level(exposure.eardrum_dba),
        field: exposure.field,
        table: exposure.table,
        field_dba: level(exposure.field_dba),
        other_table_dba: level(exposure.other_table_dba),
        diffuse_dba: level(exposure.diffuse_dba),
        adults_per_week: TimePart::of(exposure.adults.per_week, Span::Week),
        adults_per_day: TimePart::of(exposure.adults.per_day, Span::Day),
        children_per_week: TimePart::of(exposure.children.per_week, Span::Week),
        children_per_day: TimePart::of(exposure.children.per_day, Span::Day),
        niosh_per_day: TimePart::of(exposure.niosh_per_day, Span::Day),
    }
}

fn distortion(figures: &DistortionFigures) -> DistortionPart {
    let estimate = |estimate: &Estimate| EstimatePart {
        level_db_spl: level(estimate.level_db_spl),
        percent: estimate
            .ratio_db
            .map(|ratio_db| small(100.0 * amplitude_from_db(ratio_db))),
        outside: estimate.outside.map(|outside| match outside {
            Outside::Frequency => "frequency",
            Outside::BelowLevel(_) => "below-level",
            Outside::AboveLevel(_) => "above-level",
        }),
    };
    DistortionPart {
        listening_db_spl: level(figures.listening_db_spl),
        turn_up_db: level(figures.turn_up_db),
        sides: figures
            .sides
            .iter()
            .map(|side| SideDistortionPart {
                side: side.side,
                measured_db_spl: side.measured_db_spl.clone(),
                points: side
                    .points
                    .iter()
                    .map(|point| BoostedPart {
                        frequency_hz: hertz(point.frequency_hz),
                        rise_db: level(point.rise_db),
                        before: estimate(&point.before),
                        after: estimate(&point.after),
                    })
                    .collect(),
            })
            .collect(),
    }
}
