//! The document of `inspect --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use super::fit::{CautionPart, kind};
use crate::caution::Caution;
use crate::inspection::{self, Inspection, NextStep, SharedBand, TakeImpulse, TakePhase};
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{JudgedSide, JudgedTake, Match, Seal, Verdict};
use crate::measurement::leak::Loss;
use crate::measurement::outlier::{Kind, Outlier};
use crate::measurement::resonance::{TakenOut, UnitResonance};
use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::Side;
use crate::report::blocks::Naming;
use crate::report::files::WrittenFile;
use crate::report::next_steps::step_text;
use crate::report::words;

/// The document of `inspect --json`. Every object has all its fields, whatever was found; a figure that does not exist
/// is `null`. Levels are dB rounded to 0.0001, frequencies 0.001 Hz, times 0.0000001 s, trust 0.000001.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct InspectDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `inspect`.
    #[schemars(extend("const" = "inspect"))]
    pub verb: &'static str,
    /// The units, in the order given.
    pub units: Vec<UnitPart<'a>>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitPart<'a> {
    /// Its name.
    pub unit: &'a str,
    /// The rig: `iec-60318-4`, `flat`, or `table` for a trust of the unit file's own.
    #[schemars(extend("enum" = ["iec-60318-4", "flat", "table"]))]
    pub rig: &'static str,
    /// Worst loss from 20 to 40 Hz from which a take leaks, dB.
    pub leak_threshold_db: f64,
    /// Lowest and highest frequency, Hz, with data and a trust of 0.7 or more; `null` where there is none.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// The takes, in the order given.
    pub takes: Vec<TakePart<'a>>,
    /// Names of the takes that were set aside: they count in none of the figures below.
    pub set_aside: &'a [String],
    /// The sides that have takes: left, right, unknown.
    pub sides: Vec<SidePart<'a>>,
    /// How far the kept takes repeat over the trusted band; `null` where that is unknown.
    pub spread: Option<SpreadFigures>,
    /// Left minus right; `null` without both sides.
    #[serde(rename = "match")]
    pub matching: Option<&'a Match>,
    /// The coupler's resonance; `null` where none was found.
    pub resonance: Option<UnitResonancePart<'a>>,
    /// Bands whose excess group delay is longer than half a period, so that an equaliser cannot undo what was measured;
    /// empty without phase.
    pub beyond_eq: &'a [SharedBand],
    /// What to do next: about takes, then about sides, then about the unit.
    pub next_steps: Vec<NextStepPart<'a>>,
    /// What holds for every unit.
    pub cautions: Vec<CautionPart>,
    /// The curves, at the level of the files.
    pub curves: InspectCurves<'a>,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakePart<'a> {
    /// What it was judged by.
    #[serde(flatten)]
    pub judged: &'a JudgedTake,
    /// Its number within its side, from 1.
    pub number: usize,
    /// `sound`, `leaks`, `outlier`, `copy` (the same data as `copy_of`, and counted once), `undecided`, or `alone` for the
    /// only take of its side.
    #[schemars(extend("enum" = ["sound", "leaks", "outlier", "copy", "undecided", "alone"]))]
    pub verdict: &'static str,
    /// Whether it is like the other side's takes and unlike its own side's, so that its label may be swapped.
    pub resembles_other_side: bool,
    /// Why it does not belong; `null` for all but outliers.
    pub outlier: Option<OutlierPart>,
    /// What its phase says; `null` without phase.
    pub phase: Option<&'a TakePhase>,
    /// What its impulse response says; `null` for curves.
    pub impulse: Option<ImpulsePart<'a>>,
}

/// Why a take does not belong. A field is `null` where the kind is another.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct OutlierPart {
    /// `shape` (another curve), `narrow` (a narrow deviation), `level-step` (a jump at one frequency), `rough`,
    /// `mains-hum`, `level` (another level), `other-side` (like the other side's takes: label swapped?), or
    /// `blocked-vent` (it lacks a loss of bass that most takes of the unit share).
    #[schemars(extend("enum" = ["shape", "narrow", "level-step", "rough", "mains-hum", "level", "other-side", "blocked-vent"]))]
    pub kind: &'static str,
    /// Largest deviation from the side's reference, dB with its sign; `null` where there is no reference.
    pub largest_db: Option<f64>,
    /// Frequency of that deviation, Hz; `null` where there is no reference.
    pub largest_hz: Option<f64>,
    /// The jump of a `level-step`, dB, positive where the level rises with frequency.
    pub step_db: Option<f64>,
    /// Frequency of the jump, Hz.
    pub step_hz: Option<f64>,
    /// Roughness of a `rough` take, dB rms.
    pub rough_db: Option<f64>,
    /// Mains frequency of a `mains-hum`, Hz.
    pub mains_hz: Option<f64>,
    /// Largest spike of a `mains-hum`, dB.
    pub spike_db: Option<f64>,
    /// Level of a take of another `level`, over the middle of its side's, dB.
    pub off_level_db: Option<f64>,
    /// What a take with a `blocked-vent` has more than the others, where it is most from 20 to 40 Hz, dB.
    pub more_bass_db: Option<f64>,
    /// That frequency, Hz.
    pub more_bass_hz: Option<f64>,
    /// Corner frequency of the loss that the others share, Hz.
    pub vent_corner_hz: Option<f64>,
}

/// What an impulse response says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ImpulsePart<'a> {
    /// What was read of it.
    #[serde(flatten)]
    pub impulse: &'a TakeImpulse,
    /// Estimate of how far noise as loud as the tail, over the whole window, lies below the response, dB, positive is
    /// below; `null` for silence.
    pub noise_below_db: Option<f64>,
}

/// One side.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SidePart<'a> {
    /// Its takes and their agreement.
    #[serde(flatten)]
    pub judged: &'a JudgedSide,
    /// What can be said of its seal: `takes-differ` (some leak against others), `like-the-other-side`,
    /// `less-than-the-other-side`, or `cannot-be-told`.
    #[schemars(extend("enum" = ["takes-differ", "like-the-other-side", "less-than-the-other-side", "cannot-be-told"]))]
    pub seal: &'static str,
    /// What its sound takes lose against the other side's, where that is `leak_threshold_db` or more; else `null`.
    pub loses: Option<&'a Loss>,
}

/// The coupler's resonance of a unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitResonancePart<'a> {
    /// What the takes agree on.
    #[serde(flatten)]
    pub resonance: &'a UnitResonance,
    /// Whether it is told to be the coupler's: only where takes show that the resonance moves, or where the unit file gives
    /// it.
    pub guarded: bool,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NextStepPart<'a> {
    /// Its kind, for programs: `only-take`, `leaks`, `does-not-belong`, `less-bass`, `one-side`, `nothing-trusted` and
    /// others.
    pub kind: &'static str,
    /// Name of the take it is about; `null` where it is about more than one.
    pub take: Option<&'a str>,
    /// The side it is about; `null` where it is about a take or the unit.
    pub side: Option<Side>,
    /// The sentence for people.
    pub text: String,
}

/// Curves at the level of the files, one value for each of `frequency_hz`; a value is `null` where its curve has no
/// data.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct InspectCurves<'a> {
    /// Frequencies of the common grid that any curve covers, rising, Hz.
    pub frequency_hz: &'a [f64],
    /// How far the rig can be believed, 0 to 1.
    #[schemars(inner(range(min = 0.0, max = 1.0)))]
    pub trust: &'a [f64],
    /// Average of the kept takes, both sides weighing the same, dB.
    pub average_db: Vec<Option<f64>>,
    /// Standard deviation of the kept takes, dB, 0 or more; `null` (the whole array) where it is unknown.
    pub spread_db: Option<Vec<Option<f64>>>,
    /// Left minus right without its level part, dB; `null` (the whole array) without both sides.
    pub match_db: Option<Vec<Option<f64>>>,
    /// The same smoothed by 1/3 octave, dB; `null` (the whole array) without both sides.
    pub match_smoothed_db: Option<Vec<Option<f64>>>,
    /// The unit's curve with the coupler's peak, dip and second mode taken out, an estimate for the eye and for comparing
    /// variants that no fit uses; `null` where it cannot be told because the takes moved too little.
    pub resonance_taken_out: Option<TakenOutCurve>,
    /// Mean of each side's kept takes.
    pub sides: Vec<SideCurve>,
    /// Each take, at the level of its side.
    pub takes: Vec<TakeCurve<'a>>,
}

/// A unit's curve with the coupler's resonance taken out, about 4 to 14 kHz, at frequencies of its own.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakenOutCurve {
    /// Its frequencies, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Its levels, at the level of the average, dB.
    pub level_db: Vec<f64>,
    /// Lower end of the band that holds it with 90 % probability at a frequency, dB.
    pub lower_db: Vec<f64>,
    /// Upper end of that band, dB.
    pub upper_db: Vec<f64>,
}

impl From<&TakenOut> for TakenOutCurve {
    fn from(curve: &TakenOut) -> Self {
        let points = || curve.points.iter();
        Self {
            frequency_hz: points().map(|point| point.frequency_hz).collect(),
            level_db: points().map(|point| point.level_db).collect(),
            lower_db: points().map(|point| point.low_db).collect(),
            upper_db: points().map(|point| point.high_db).collect(),
        }
    }
}

/// Mean of a side's kept takes.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SideCurve {
    /// Which side.
    pub side: Side,
    /// The mean, dB.
    pub mean_db: Vec<Option<f64>>,
}

/// A take at the level of its side.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakeCurve<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its levels, dB; `null` (the whole array) where it shares no frequency with its side.
    pub aligned_db: Option<Vec<Option<f64>>>,
}

/// The document of inspected units; `files` is what was written, and `naming` says what settings are called.
#[must_use]
pub fn inspect_document<'a>(
    inspections: &'a [Inspection],
    files: &'a [WrittenFile],
    naming: Naming,
) -> InspectDocument<'a> {
    InspectDocument {
        format: 1,
        verb: "inspect",
        units: inspections.iter().map(|of| unit(of, naming)).collect(),
        files,
    }
}

fn unit(inspection: &Inspection, naming: Naming) -> UnitPart<'_> {
    let judged = &inspection.judged;
    let steps = inspection.next_steps.iter();
    UnitPart {
        unit: &inspection.unit,
        rig: inspection.rig.name(),
        leak_threshold_db: judged.leak_threshold_db,
        trusted_band_hz: inspection.trusted_band_hz,
        takes: (0..judged.takes.len())
            .map(|i| take(inspection, i))
            .collect(),
        set_aside: &judged.set_aside,
        sides: judged.sides.iter().map(side).collect(),
        spread: inspection.spread,
        matching: judged.matching.as_ref(),
        resonance: judged
            .resonance
            .as_ref()
            .map(|resonance| UnitResonancePart {
                resonance,
                guarded: inspection.guard_hz.is_some(),
            }),
        beyond_eq: &inspection.beyond_eq,
        next_steps: steps.map(|step| next_step(step, naming)).collect(),
        cautions: vec![CautionPart {
            kind: kind(&Caution::Seal),
            text: Caution::Seal.to_string(),
        }],
        curves: curves(inspection),
    }
}

fn take(inspection: &Inspection, i: usize) -> TakePart<'_> {
    let judged = &inspection.judged.takes[i];
    TakePart {
        judged,
        number: inspection.numbers[i],
        verdict: match judged.verdict {
            _ if inspection.is_alone(judged) => "alone",
            Verdict::Sound => "sound",
            Verdict::Leaks(_) => "leaks",
            Verdict::Outlier(_) => "outlier",
            Verdict::Copy => "copy",
            Verdict::Undecided { .. } => "undecided",
        },
        resembles_other_side: match &judged.verdict {
            Verdict::Outlier(outlier) => outlier.kind == Kind::OtherSide,
            Verdict::Undecided { other_side, .. } => *other_side,
            _ => false,
        },
        outlier: match &judged.verdict {
            Verdict::Outlier(found) => Some(outlier(found)),
            _ => None,
        },
        phase: inspection.phases[i].as_ref(),
        impulse: inspection.impulses[i].as_ref().map(|impulse| ImpulsePart {
            impulse,
            noise_below_db: impulse.noise_below_db(),
        }),
    }
}

fn outlier(outlier: &Outlier) -> OutlierPart {
    let part = OutlierPart {
        kind: "shape",
        largest_db: outlier.largest_db,
        largest_hz: outlier.largest_hz,
        ..OutlierPart::default()
    };
    match outlier.kind {
        Kind::Shape => part,
        Kind::Narrow => OutlierPart {
            kind: "narrow",
            ..part
        },
        Kind::LevelStep { step_db, at_hz } => OutlierPart {
            kind: "level-step",
            step_db: Some(step_db),
            step_hz: Some(at_hz),
            ..part
        },
        Kind::Rough { rough_db } => OutlierPart {
            kind: "rough",
            rough_db: Some(rough_db),
            ..part
        },
        Kind::MainsHum { mains_hz, spike_db } => OutlierPart {
            kind: "mains-hum",
            mains_hz: Some(mains_hz),
            spike_db: Some(spike_db),
            ..part
        },
        Kind::Level { level_db } => OutlierPart {
            kind: "level",
            off_level_db: Some(level_db),
            ..part
        },
        Kind::OtherSide => OutlierPart {
            kind: "other-side",
            ..part
        },
        Kind::BlockedVent {
            more_db,
            at_hz,
            corner_hz,
        } => OutlierPart {
            kind: "blocked-vent",
            more_bass_db: Some(more_db),
            more_bass_hz: Some(at_hz),
            vent_corner_hz: Some(corner_hz),
            ..part
        },
    }
}

fn side(judged: &JudgedSide) -> SidePart<'_> {
    let (seal, loses) = match &judged.seal {
        Seal::TakesDiffer => ("takes-differ", judged.sound_takes_lose.as_ref()),
        Seal::LikeTheOtherSide => ("like-the-other-side", None),
        Seal::LessThanTheOtherSide(lost) => ("less-than-the-other-side", Some(lost)),
        Seal::CannotBeTold => ("cannot-be-told", None),
    };
    SidePart {
        judged,
        seal,
        loses,
    }
}

fn next_step(step: &NextStep, naming: Naming) -> NextStepPart<'_> {
    NextStepPart {
        kind: step.kind(),
        take: step.take().map(|take| take.name.as_str()),
        side: step.side(),
        text: words::printable(&step_text(step).in_words(naming)),
    }
}

fn curves(inspection: &Inspection) -> InspectCurves<'_> {
    let judged = &inspection.judged;
    let covered = inspection::covered(inspection);
    let within = |level_db: &[f64], support: &std::ops::Range<usize>| -> Vec<Option<f64>> {
        let at = |i: usize| support.contains(&i).then(|| level_db[i]);
        covered.clone().map(at).collect()
    };
    let on_grid = |curve: &OnGrid| within(&curve.level_db, &curve.support);
    let average = &judged.average;
    let spread_db = average.spread_db.as_deref();
    let matching = judged.matching.as_ref();
    InspectCurves {
        frequency_hz: &grid::frequency_hz()[covered.clone()],
        trust: &inspection.trust[covered.clone()],
        average_db: on_grid(&average.on_grid),
        spread_db: spread_db.map(|spread_db| within(spread_db, &average.on_grid.support)),
        match_db: matching.map(|matching| on_grid(&matching.by_frequency)),
        match_smoothed_db: matching.map(|matching| on_grid(&matching.smoothed)),
        resonance_taken_out: judged
            .resonance
            .as_ref()
            .and_then(|resonance| resonance.taken_out.as_ref())
            .map(TakenOutCurve::from),
        sides: judged
            .sides
            .iter()
            .map(|judged| SideCurve {
                side: judged.side,
                mean_db: on_grid(&judged.mean),
            })
            .collect(),
        takes: judged
            .takes
            .iter()
            .zip(&inspection.aligned)
            .map(|(take, aligned)| TakeCurve {
                name: &take.name,
                aligned_db: aligned.as_ref().map(on_grid),
            })
            .collect(),
    }
}
