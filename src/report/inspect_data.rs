//! The document of `inspect --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use super::data::{CautionPart, WrittenFile, hertz, kind, level, rounded, share};
use super::words;
use crate::caution::Caution;
use crate::inspection::{self, Inspection, NextStep, TakeImpulse, TakePhase};
use crate::job::SpreadFigures;
use crate::measurement::grid::{self, OnGrid};
use crate::measurement::judge::{Agreement, JudgedSide, JudgedTake, Seal, Verdict};
use crate::measurement::leak::{Leak, Order};
use crate::measurement::outlier::{Kind, Outlier};
use crate::measurement::phase::BeyondEq;
use crate::measurement::resonance::{Resonance, UnitResonance};
use crate::measurement::rig::Rig;
use crate::measurement::takes::Side;

/// The document of `inspect --json`. Every object has all its fields, whatever was found; a figure that does not exist
/// is `null`. Levels are dB rounded to 0.0001, frequencies 0.001 Hz, times 0.0000001 s, trust 0.000001.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct InspectDocument {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `inspect`.
    #[schemars(extend("const" = "inspect"))]
    pub verb: &'static str,
    /// The units, in the order given.
    pub units: Vec<UnitPart>,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// One unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitPart {
    /// Its name.
    pub unit: String,
    /// The rig: `iec-60318-4`, `flat`, or `table` for a trust of the unit file's own.
    #[schemars(extend("enum" = ["iec-60318-4", "flat", "table"]))]
    pub rig: &'static str,
    /// Loss at 30 Hz from which a take leaks, dB.
    pub leak_threshold_db: f64,
    /// Lowest and highest frequency, Hz, with data and a trust of 0.7 or more; `null` where there is none.
    pub trusted_band_hz: Option<[f64; 2]>,
    /// The takes, in the order given.
    pub takes: Vec<TakePart>,
    /// Names of the takes that were set aside: they count in none of the figures below.
    pub set_aside: Vec<String>,
    /// The sides that have takes: left, right, unknown.
    pub sides: Vec<SidePart>,
    /// How far the kept takes repeat over the trusted band; `null` where that is unknown.
    pub spread: Option<SpreadFigures>,
    /// Left minus right; `null` without both sides.
    #[serde(rename = "match")]
    pub matching: Option<MatchPart>,
    /// The coupler's resonance; `null` where none was found.
    pub resonance: Option<UnitResonancePart>,
    /// Bands whose excess group delay is longer than half a period, so that an equaliser cannot undo what was measured;
    /// empty without phase.
    pub beyond_eq: Vec<SharedBandPart>,
    /// What to do next: about takes, then about sides, then about the unit.
    pub next_steps: Vec<NextStepPart>,
    /// What holds for every unit.
    pub cautions: Vec<CautionPart>,
    /// The curves, at the level of the files.
    pub curves: InspectCurves,
}

/// One take.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TakePart {
    /// Its name.
    pub name: String,
    /// Its side; `unknown` where neither its name nor its unit file says one.
    pub side: Side,
    /// Its number within its side, from 1.
    pub number: usize,
    /// `sound`, `leaks`, `outlier`, `undecided`, or `alone` for the only take of its side.
    #[schemars(extend("enum" = ["sound", "leaks", "outlier", "undecided", "alone"]))]
    pub verdict: &'static str,
    /// Whether it was left out of means and average.
    pub set_aside: bool,
    /// Its loss of bass against the sound takes of its side, whatever the verdict; `null` where the data do not reach
    /// down to 30 Hz or there is nothing to compare with.
    pub seal: Option<LeakPart>,
    /// Why it does not belong; `null` for all but outliers.
    pub outlier: Option<OutlierPart>,
    /// Its level over the median of its side's takes, dB; `null` where it could not be compared.
    pub level_db: Option<f64>,
    /// Its distance from the side's reference, level and leak taken out, dB rms, 0 or more; 0 for the reference itself;
    /// `null` where there is none.
    pub distance_db: Option<f64>,
    /// The coupler's resonance in it; `null` where none was found.
    pub resonance: Option<ResonancePart>,
    /// How much deeper it sat than the unit's median, by the half-wave relation, mm; `null` where no resonance was
    /// found.
    pub deeper_mm: Option<f64>,
    /// What its phase says; `null` without phase.
    pub phase: Option<PhasePart>,
    /// What its impulse response says; `null` for curves.
    pub impulse: Option<ImpulsePart>,
}

/// A loss of bass, as a high-pass.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct LeakPart {
    /// Bass lost at 30 Hz, dB; positive is a loss.
    pub loss_at_30_hz_db: f64,
    /// Corner frequency of the high-pass, Hz.
    pub corner_hz: f64,
    /// Its order: `first` (6 dB an octave) or `second` (12 dB an octave).
    pub order: Order,
    /// Its q, above 0; `null` for the first order.
    pub q: Option<f64>,
}

/// Why a take does not belong. A field is `null` where the kind is another.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct OutlierPart {
    /// `shape` (another curve), `narrow` (a narrow deviation), `level-step` (a jump at one frequency), `rough`,
    /// `mains-hum`, or `level` (another level).
    #[schemars(extend("enum" = ["shape", "narrow", "level-step", "rough", "mains-hum", "level"]))]
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
}

/// The coupler's resonance in a take.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ResonancePart {
    /// Its frequency, Hz.
    pub frequency_hz: f64,
    /// Its height over a sloping baseline, dB.
    pub height_db: f64,
    /// Its width at half its power, octaves.
    pub width_octaves: f64,
    /// Length of air that is half a wave long at that frequency, mm.
    pub half_wave_mm: f64,
}

/// What a phase says.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PhasePart {
    /// The constant delay that was removed, s.
    pub delay_s: f64,
    /// Bands whose excess group delay is longer than half a period, so that an equaliser cannot undo what was measured.
    pub beyond_eq: Vec<BandPart>,
    /// Whether there may be more such bands, hidden by noise.
    pub hidden_by_noise: bool,
}

/// A band in which the excess group delay is longer than half a period.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct BandPart {
    /// Lowest frequency, Hz.
    pub from_hz: f64,
    /// Highest frequency, Hz.
    pub to_hz: f64,
    /// The longest excess group delay, counted in periods, s with its sign.
    pub excess_s: f64,
    /// Frequency of that excess, Hz.
    pub at_hz: f64,
}

/// A band in which several takes have an excess group delay longer than half a period.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SharedBandPart {
    /// Lowest frequency in any take, Hz.
    pub from_hz: f64,
    /// Highest frequency in any take, Hz.
    pub to_hz: f64,
    /// The longest excess group delay, counted in periods, s with its sign.
    pub excess_s: f64,
    /// Frequency of that excess, Hz.
    pub at_hz: f64,
    /// Number of kept takes that have it.
    pub in_takes: usize,
    /// Number of kept takes with phase.
    pub of_takes: usize,
}

/// What an impulse response says of itself.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ImpulsePart {
    /// Sample rate, Hz.
    pub rate_hz: f64,
    /// Time from the first sample to the arrival, s.
    pub flight_time_s: f64,
    /// Start and end of the time that was read, s from the first sample.
    pub window_s: [f64; 2],
    /// Level (rms) at the end of the window, dB re the largest sample; `null` for silence.
    pub tail_db: Option<f64>,
    /// Estimate of how far noise as loud as the tail, over the whole window, lies below the response, dB, positive is
    /// below; `null` for silence.
    pub noise_below_db: Option<f64>,
}

/// One side.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SidePart {
    /// Which side.
    pub side: Side,
    /// Number of its takes.
    pub takes: usize,
    /// Number of the takes in its mean.
    pub kept: usize,
    /// Whether its takes agree.
    pub agreement: Agreement,
    /// Name of the take that the others were compared with; `null` where there was nothing to compare.
    pub reference: Option<String>,
    /// What can be said of its seal: `takes-differ` (some leak against others), `like-the-other-side`,
    /// `less-than-the-other-side`, or `cannot-be-told`.
    #[schemars(extend("enum" = ["takes-differ", "like-the-other-side", "less-than-the-other-side", "cannot-be-told"]))]
    pub seal: &'static str,
    /// What its sound takes lose against the other side's, where that is `leak_threshold_db` or more; else `null`.
    pub loses: Option<LeakPart>,
    /// True when every take was found wanting and all were kept.
    pub kept_for_want_of_better: bool,
}

/// Left minus right. The figures without level are over 100 Hz to 8 kHz, smoothed by 1/3 octave.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct MatchPart {
    /// The level part, dB: median of the difference over 200 Hz to 2 kHz.
    pub level_db: f64,
    /// The difference without its level part, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
}

/// The coupler's resonance of a unit.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnitResonancePart {
    /// Its frequency, median over the takes, Hz.
    pub frequency_hz: f64,
    /// Lowest and highest frequency of any take, Hz.
    pub range_hz: [f64; 2],
    /// Range of the depth of the seating, by the half-wave relation, mm, 0 or more.
    pub depth_range_mm: f64,
    /// Whether it moved between takes; if not, it may be a peak of the earphone.
    pub moves: bool,
    /// Number of takes in which it was found.
    pub found_in: usize,
    /// Lowest and highest frequency of the band that it distorts, Hz.
    pub guard_hz: [f64; 2],
    /// Whether a fit puts no boost and nothing narrow there: only where takes show that the resonance moves.
    pub guarded: bool,
}

/// What to do next.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct NextStepPart {
    /// Its kind, for programs: `only-take`, `leaks`, `does-not-belong`, `less-bass`, `one-side`, `nothing-trusted` and
    /// others.
    pub kind: &'static str,
    /// Name of the take it is about; `null` where it is about more than one.
    pub take: Option<String>,
    /// The side it is about; `null` where it is about a take or the unit.
    pub side: Option<Side>,
    /// The sentence for people.
    pub text: String,
}

/// Curves at the level of the files, one value for each of `frequency_hz`; a value is `null` where its curve has no
/// data.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct InspectCurves {
    /// Frequencies of the common grid that any curve covers, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// How far the rig can be believed, 0 to 1.
    #[schemars(inner(range(min = 0.0, max = 1.0)))]
    pub trust: Vec<f64>,
    /// Average of the kept takes, both sides weighing the same, dB.
    pub average_db: Vec<Option<f64>>,
    /// Standard deviation of the kept takes, dB, 0 or more; `null` (the whole array) where it is unknown.
    pub spread_db: Option<Vec<Option<f64>>>,
    /// Left minus right without its level part, dB; `null` (the whole array) without both sides.
    pub match_db: Option<Vec<Option<f64>>>,
    /// The same smoothed by 1/3 octave, dB; `null` (the whole array) without both sides.
    pub match_smoothed_db: Option<Vec<Option<f64>>>,
    /// Mean of each side's kept takes.
    pub sides: Vec<SideCurve>,
    /// Each take, at the level of its side.
    pub takes: Vec<TakeCurve>,
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
pub struct TakeCurve {
    /// Its name.
    pub name: String,
    /// Its levels, dB; `null` (the whole array) where it shares no frequency with its side.
    pub aligned_db: Option<Vec<Option<f64>>>,
}

/// The document of inspected units; `files` is what was written.
#[must_use]
pub fn inspect_document(inspections: &[Inspection], files: &[WrittenFile]) -> InspectDocument {
    InspectDocument {
        format: 1,
        verb: "inspect",
        units: inspections.iter().map(unit).collect(),
        files: files.to_vec(),
    }
}

fn unit(inspection: &Inspection) -> UnitPart {
    let judged = &inspection.judged;
    UnitPart {
        unit: inspection.unit.clone(),
        rig: rig_name(&inspection.rig),
        leak_threshold_db: level(judged.leak_threshold_db),
        trusted_band_hz: inspection.trusted_band_hz.map(pair_hz),
        takes: (0..judged.takes.len())
            .map(|i| take(inspection, i))
            .collect(),
        set_aside: judged.set_aside.clone(),
        sides: judged.sides.iter().map(side).collect(),
        spread: inspection.spread.map(|spread| SpreadFigures {
            rms_db: level(spread.rms_db),
            largest_db: level(spread.largest_db),
            largest_hz: hertz(spread.largest_hz),
        }),
        matching: judged.matching.as_ref().map(|matching| MatchPart {
            level_db: level(matching.level_db),
            rms_db: level(matching.rms_db),
            worst_db: level(matching.worst_db),
            worst_hz: hertz(matching.worst_hz),
        }),
        resonance: judged
            .resonance
            .as_ref()
            .map(|found| unit_resonance(found, inspection.guard_hz.is_some())),
        beyond_eq: inspection
            .beyond_eq
            .iter()
            .map(|shared| SharedBandPart {
                from_hz: hertz(shared.band.from_hz),
                to_hz: hertz(shared.band.to_hz),
                excess_s: seconds(shared.band.excess_s),
                at_hz: hertz(shared.band.at_hz),
                in_takes: shared.takes,
                of_takes: shared.of_takes,
            })
            .collect(),
        next_steps: inspection.next_steps.iter().map(next_step).collect(),
        cautions: vec![CautionPart {
            kind: kind(&Caution::Seal),
            text: Caution::Seal.to_string(),
        }],
        curves: curves(inspection),
    }
}

/// The name of a rig for programs.
pub(super) fn rig_name(rig: &Rig) -> &'static str {
    match rig {
        Rig::Iec60318_4 => Rig::NAMES[0],
        Rig::Flat => Rig::NAMES[1],
        Rig::Table(_) => "table",
    }
}

fn take(inspection: &Inspection, i: usize) -> TakePart {
    let judged: &JudgedTake = &inspection.judged.takes[i];
    TakePart {
        name: judged.name.clone(),
        side: judged.side,
        number: inspection.numbers[i],
        verdict: match judged.verdict {
            _ if inspection.is_alone(judged) => "alone",
            Verdict::Sound => "sound",
            Verdict::Leaks(_) => "leaks",
            Verdict::Outlier(_) => "outlier",
            Verdict::Undecided { .. } => "undecided",
        },
        set_aside: judged.set_aside,
        seal: judged.seal.as_ref().map(leak),
        outlier: match &judged.verdict {
            Verdict::Outlier(found) => Some(outlier(found)),
            _ => None,
        },
        level_db: judged.level_db.map(level),
        distance_db: judged.distance_db.map(level),
        resonance: judged.resonance.as_ref().map(resonance),
        deeper_mm: judged.deeper_mm.map(level),
        phase: inspection.phases[i].as_ref().map(phase),
        impulse: inspection.impulses[i].as_ref().map(impulse),
    }
}

fn leak(leak: &Leak) -> LeakPart {
    LeakPart {
        loss_at_30_hz_db: level(leak.loss_at_30_hz_db),
        corner_hz: hertz(leak.corner_hz),
        order: leak.order,
        q: leak.q.map(level),
    }
}

fn outlier(outlier: &Outlier) -> OutlierPart {
    let mut part = OutlierPart {
        kind: "shape",
        largest_db: outlier.largest_db.map(level),
        largest_hz: outlier.largest_hz.map(hertz),
        step_db: None,
        step_hz: None,
        rough_db: None,
        mains_hz: None,
        spike_db: None,
        off_level_db: None,
    };
    match outlier.kind {
        Kind::Shape => {}
        Kind::Narrow => part.kind = "narrow",
        Kind::LevelStep { step_db, at_hz } => {
            part.kind = "level-step";
            part.step_db = Some(level(step_db));
            part.step_hz = Some(hertz(at_hz));
        }
        Kind::Rough { rough_db } => {
            part.kind = "rough";
            part.rough_db = Some(level(rough_db));
        }
        Kind::MainsHum { mains_hz, spike_db } => {
            part.kind = "mains-hum";
            part.mains_hz = Some(hertz(mains_hz));
            part.spike_db = Some(level(spike_db));
        }
        Kind::Level { level_db } => {
            part.kind = "level";
            part.off_level_db = Some(level(level_db));
        }
    }
    part
}

fn resonance(resonance: &Resonance) -> ResonancePart {
    ResonancePart {
        frequency_hz: hertz(resonance.frequency_hz),
        height_db: level(resonance.height_db),
        width_octaves: level(resonance.width_octaves),
        half_wave_mm: level(resonance.half_wave_mm),
    }
}

fn unit_resonance(resonance: &UnitResonance, guarded: bool) -> UnitResonancePart {
    UnitResonancePart {
        frequency_hz: hertz(resonance.frequency_hz),
        range_hz: pair_hz(resonance.range_hz),
        depth_range_mm: level(resonance.depth_range_mm),
        moves: resonance.moves,
        found_in: resonance.found_in,
        guard_hz: pair_hz(resonance.guard_hz),
        guarded,
    }
}

fn phase(phase: &TakePhase) -> PhasePart {
    let band = |band: &BeyondEq| BandPart {
        from_hz: hertz(band.from_hz),
        to_hz: hertz(band.to_hz),
        excess_s: seconds(band.excess_s),
        at_hz: hertz(band.at_hz),
    };
    PhasePart {
        delay_s: seconds(phase.delay_s),
        beyond_eq: phase.beyond_eq.iter().map(band).collect(),
        hidden_by_noise: phase.hidden_by_noise,
    }
}

fn impulse(impulse: &TakeImpulse) -> ImpulsePart {
    ImpulsePart {
        rate_hz: impulse.rate_hz,
        flight_time_s: seconds(impulse.flight_time_s),
        window_s: [seconds(impulse.window_s.0), seconds(impulse.window_s.1)],
        tail_db: impulse.tail_db.map(level),
        noise_below_db: impulse.noise_below_db().map(level),
    }
}

fn side(judged: &JudgedSide) -> SidePart {
    let (seal, loses) = match &judged.seal {
        Seal::TakesDiffer => ("takes-differ", judged.sound_takes_lose.as_ref()),
        Seal::LikeTheOtherSide => ("like-the-other-side", None),
        Seal::LessThanTheOtherSide(leak) => ("less-than-the-other-side", Some(leak)),
        Seal::CannotBeTold => ("cannot-be-told", None),
    };
    SidePart {
        side: judged.side,
        takes: judged.takes,
        kept: judged.kept,
        agreement: judged.agreement,
        reference: judged.reference.clone(),
        seal,
        loses: loses.map(leak),
        kept_for_want_of_better: judged.kept_for_want_of_better,
    }
}

fn next_step(step: &NextStep) -> NextStepPart {
    NextStepPart {
        kind: step.kind(),
        take: step.take().map(|take| take.name.clone()),
        side: step.side(),
        text: words::printable(&step.to_string()),
    }
}

fn curves(inspection: &Inspection) -> InspectCurves {
    let judged = &inspection.judged;
    let covered = inspection::covered(inspection);
    let within = |level_db: &[f64], support: &std::ops::Range<usize>| -> Vec<Option<f64>> {
        let at = |i: usize| support.contains(&i).then(|| level(level_db[i]));
        covered.clone().map(at).collect()
    };
    let on_grid = |curve: &OnGrid| within(&curve.level_db, &curve.support);
    let average = &judged.average;
    let spread_db = average.spread_db.as_deref();
    let matching = judged.matching.as_ref();
    InspectCurves {
        frequency_hz: grid::frequency_hz()[covered.clone()]
            .iter()
            .map(|f| hertz(*f))
            .collect(),
        trust: inspection.trust[covered.clone()]
            .iter()
            .map(|t| share(*t))
            .collect(),
        average_db: on_grid(&average.on_grid),
        spread_db: spread_db.map(|spread_db| within(spread_db, &average.on_grid.support)),
        match_db: matching.map(|matching| on_grid(&matching.by_frequency)),
        match_smoothed_db: matching.map(|matching| on_grid(&matching.smoothed)),
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
                name: take.name.clone(),
                aligned_db: aligned.as_ref().map(on_grid),
            })
            .collect(),
    }
}

fn pair_hz((low_hz, high_hz): (f64, f64)) -> [f64; 2] {
    [hertz(low_hz), hertz(high_hz)]
}

fn seconds(s: f64) -> f64 {
    rounded(s, 1e7)
}
