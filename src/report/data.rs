//! The documents of `fit --json` and `fit --per-side --json`. Their schemas are made from these types ([`mod@super::schema`]):
//! the doc comment of a field is its description there.

use super::cost_data::{CostPart, LoudnessPart, cost_part};
use std::io;

use schemars::JsonSchema;
use serde::Serialize;

use crate::caution::Caution;
use crate::filter::Section;
use crate::headroom::cost::Cost;
use crate::headroom::{Headroom, Protection};
use crate::job::per_side::{LevelDifference, PerSideOutcome, SideOutcome};
use crate::job::{
    BeforeAfter, Enough, FitOutcome, LoudnessWish, ReachPoint, Residual, SearchReport,
    SpreadFigures, TradeOffPoint,
};
use crate::measurement::judge::{JudgedTake, Verdict};
use crate::measurement::takes::Side;

/// What kind of file was written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum FileKind {
    /// The equaliser sheet.
    Sheet,
    /// The picture, SVG.
    Plot,
    /// A target as a curve, CSV.
    Curve,
    /// A target as a recipe, TOML.
    Recipe,
    /// The filters as second-order sections.
    Sos,
    /// The filters as bare coefficients.
    Coefficients,
    /// The filters as impulse responses.
    Impulse,
    /// The filters as a table of gain and phase.
    Response,
}

impl FileKind {
    /// The name used in reports: `sheet`, `plot`, `curve`, `recipe`, `sos`, `coefficients`, `impulse`, `response`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Sheet => "sheet",
            Self::Plot => "plot",
            Self::Curve => "curve",
            Self::Recipe => "recipe",
            Self::Sos => "sos",
            Self::Coefficients => "coefficients",
            Self::Impulse => "impulse",
            Self::Response => "response",
        }
    }
}

/// One file that was written.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, JsonSchema)]
pub struct WrittenFile {
    /// What it holds.
    pub kind: FileKind,
    /// Where it is, as it was typed.
    pub path: String,
}

/// The document of `fit --json`: one EQ for both sides. Levels and gains are dB, rounded to 0.0001; trust and weight to
/// 0.000001; frequencies of curves to 0.001 Hz. The numbers of the sections stand exactly as in the sheet. The arrays
/// of one object are of equal length. A figure that does not exist is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FitDocument {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `fit`.
    #[schemars(extend("const" = "fit"))]
    pub verb: &'static str,
    /// Name of the unit.
    pub unit: String,
    /// Names of the takes that were averaged.
    pub takes: Vec<String>,
    /// The takes that were not averaged, and why; in order of side, then of what was measured.
    pub set_aside: Vec<SetAsidePart>,
    /// Lowest and highest frequency, Hz, of the band that the coupler's resonance distorts: it counts less in the fit,
    /// and no boost and no narrow section is fitted in it. `null` where no such resonance was found.
    pub guard_band_hz: Option<[f64; 2]>,
    /// What the fitted curve was smoothed by, in words; `null` where it was not smoothed.
    pub smoothing: Option<String>,
    /// The wanted response.
    pub target: TargetPart,
    /// Name of the limits.
    pub limits: String,
    /// All sample rates of the limits, Hz. The fit was made at the first.
    pub rates_hz: Vec<f64>,
    /// The sections, by rising frequency.
    pub sections: Vec<SectionPart>,
    /// Bands of a graphic equaliser that stay at 0 dB, Hz, rising: slots of a fixed frequency without a section. Empty
    /// for other equalisers.
    pub idle_bands_hz: Vec<f64>,
    /// With `--sections auto`, how many sections are enough; else `null`.
    pub enough: Option<Enough>,
    /// The preamp, and the largest gains that decide it.
    pub headroom: Headroom,
    /// What the preamp protects against, and with how much room.
    pub protection: Protection,
    /// Change of the loudness of pink noise against no EQ (ITU-R BS.1770).
    pub loudness: LoudnessPart,
    /// With `--max-loudness-loss`, what the wish cost; else `null`.
    pub loudness_wish: Option<LoudnessWish>,
    /// With `--cost` or an option of it, what the EQ costs at the rate of the fit; else `null`.
    pub cost: Option<CostPart>,
    /// Residual: equalised minus target, the level that makes it least removed, before and after.
    pub residual: BeforeAfter,
    /// The weighted residual at each of `rates_hz`.
    pub residual_by_rate: Vec<RateResidual>,
    /// What 0, 1, ... sections could reach, before the numbers were put on the equaliser's steps; from the kept
    /// sections on, where sections were kept.
    pub reach: Vec<ReachPoint>,
    /// The minimised objective J: squared weighted residual plus the economy term, dB^2, 0 or more.
    pub objective_db2: f64,
    /// Sum of the magnitudes of the sections' gains over the magnitude of their summed gain, weighted mean, 1 or more;
    /// 1: no section works against another. `null` without sections.
    pub economy_ratio: Option<f64>,
    /// How the answer was searched for, and how certain it is.
    pub search: SearchReport,
    /// How far the takes repeat over the trusted band; `null` where that is unknown, as with one take a side.
    pub spread: Option<SpreadFigures>,
    /// Lowest and highest frequency, Hz, with data and a trust of 0.7 or more; `null` where there is none.
    pub trusted_band_hz: Option<[f64; 2]>,
    /// Frequency at which measured and equalised were made to meet the target in `curves`, Hz; `null` where their
    /// weighted means meet it.
    pub aligned_at_hz: Option<f64>,
    /// The curves where both measurement and target exist.
    pub curves: CurvesPart,
    /// The summed gain of the sections over the whole grid.
    pub sections_curve: SectionsPart,
    /// What the reader should know. Levels that harm hearing come first (where a cost was asked for), then what the fit
    /// found.
    pub cautions: Vec<CautionPart>,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// The document of `fit --per-side --json`: one EQ for each side. Rounding as in the document of one EQ; what belongs
/// to one side stands in `sides`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PerSideDocument {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `fit`.
    #[schemars(extend("const" = "fit"))]
    pub verb: &'static str,
    /// Name of the unit.
    pub unit: String,
    /// Names of the takes that were averaged, each side's to its own mean.
    pub takes: Vec<String>,
    /// The takes that were not averaged, and why; in order of side, then of what was measured.
    pub set_aside: Vec<SetAsidePart>,
    /// Lowest and highest frequency, Hz, of the band that the coupler's resonance distorts: it counts less in the fit,
    /// and no boost and no narrow section is fitted in it. `null` where no such resonance was found.
    pub guard_band_hz: Option<[f64; 2]>,
    /// What the fitted curve was smoothed by, in words; `null` where it was not smoothed.
    pub smoothing: Option<String>,
    /// The wanted response.
    pub target: TargetPart,
    /// Name of the limits.
    pub limits: String,
    /// All sample rates of the limits, Hz. The fit was made at the first.
    pub rates_hz: Vec<f64>,
    /// The largest gains, the worse of both sides; `preamp_db` is the same for both.
    pub headroom: Headroom,
    /// What the preamp protects against, and with how much room.
    pub protection: Protection,
    /// Change of the loudness of pink noise against no EQ (ITU-R BS.1770), both sides together.
    pub loudness: LoudnessPart,
    /// With `--max-loudness-loss`, what the wish cost; else `null`.
    pub loudness_wish: Option<LoudnessWish>,
    /// Residual of both sides together, at the level that they share: root of the mean square.
    pub residual: BeforeAfter,
    /// The weighted residual of both sides together at each of `rates_hz`.
    pub residual_by_rate: Vec<RateResidual>,
    /// How much louder left is than right beside what is wanted; half of it is in the residual of either side.
    pub level_difference: LevelDifference,
    /// The minimised objective J, the mean of both sides', dB^2, 0 or more.
    pub objective_db2: f64,
    /// Sum of the magnitudes of the sections' gains over the magnitude of their summed gain, over both sides, 1 or
    /// more; `null` without sections.
    pub economy_ratio: Option<f64>,
    /// With `--sections auto`, how many sections a side are enough; else `null`.
    pub enough: Option<Enough>,
    /// How the answer was searched for, counted over both sides and what they share.
    pub search: SearchReport,
    /// How far the takes repeat over the trusted band, sides pooled; `null` where that is unknown.
    pub spread: Option<SpreadFigures>,
    /// Lowest and highest frequency, Hz, with data and a trust of 0.7 or more; `null` where there is none.
    pub trusted_band_hz: Option<[f64; 2]>,
    /// Left, then right.
    pub sides: Vec<SidePart>,
    /// What the reader should know. Levels that harm hearing come first (where a cost was asked for), then what the fit
    /// found.
    pub cautions: Vec<CautionPart>,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// One side of it: the fields of the document of one EQ, for this side. Residuals and curves are taken at the level
/// that both sides share.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SidePart {
    /// `left` or `right`.
    pub side: Side,
    /// Names of this side's takes that were averaged.
    pub takes: Vec<String>,
    /// This side's sections, by rising frequency.
    pub sections: Vec<SectionPart>,
    /// Bands of a graphic equaliser that stay at 0 dB, Hz, rising: slots of a fixed frequency without a section. Empty
    /// for other equalisers.
    pub idle_bands_hz: Vec<f64>,
    /// With `--cost` or an option of it: level, drive and distortion of this side, loudness of both together; else
    /// `null`.
    pub cost: Option<CostPart>,
    /// This side's residual.
    pub residual: BeforeAfter,
    /// This side's weighted residual at every rate.
    pub residual_by_rate: Vec<RateResidual>,
    /// What 0, 1, ... sections a side could reach, before steps.
    pub reach: Vec<ReachPoint>,
    /// This side's objective, dB^2, 0 or more.
    pub objective_db2: f64,
    /// This side's economy ratio, 1 or more; `null` without sections.
    pub economy_ratio: Option<f64>,
    /// How this side was searched for at the shared level.
    pub search: SearchReport,
    /// This side's curves. Levels are relative: over both sides together, the weighted mean of measured minus target is
    /// 0 dB, and likewise of equalised minus target.
    pub curves: CurvesPart,
    /// The summed gain of this side's sections over the whole grid.
    pub sections_curve: SectionsPart,
}

/// A take that does not count.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SetAsidePart {
    /// Its name.
    pub take: String,
    /// What was found, in words.
    pub finding: String,
    /// Bass lost at 30 Hz, dB, positive, where it leaks; else `null`.
    pub loss_at_30_hz_db: Option<f64>,
    /// Corner frequency of the leak, Hz, where it leaks; else `null`.
    pub leak_corner_hz: Option<f64>,
}

/// The wanted response.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetPart {
    /// Its name, with its contours.
    pub name: String,
    /// Where it comes from, in words.
    pub source: String,
}

/// The residual at one sample rate.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct RateResidual {
    /// The sample rate, Hz.
    pub rate_hz: f64,
    /// The weighted residual there, dB rms, 0 or more.
    #[schemars(range(min = 0.0))]
    pub weighted_db: f64,
}

/// Curves, one value for each of `frequency_hz`. Levels are relative: the weighted mean of measured minus target is 0
/// dB, and likewise of equalised minus target; or both are 0 dB at the document's `aligned_at_hz`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CurvesPart {
    /// Frequencies of the common grid that both measurement and target cover, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// The average of the takes, dB.
    pub measured_db: Vec<f64>,
    /// Standard deviation of the takes, dB, 0 or more; `null` (the whole array) where it is unknown.
    #[schemars(inner(range(min = 0.0)))]
    pub spread_db: Option<Vec<f64>>,
    /// The target, dB.
    pub target_db: Vec<f64>,
    /// Measured plus sections, dB.
    pub equalised_db: Vec<f64>,
    /// How far the rig can be believed, 0 to 1.
    #[schemars(inner(range(min = 0.0, max = 1.0)))]
    pub trust: Vec<f64>,
    /// Weight of the fit, 0 or more; given weights are scaled so that the largest is 1.
    #[schemars(inner(range(min = 0.0)))]
    pub weight: Vec<f64>,
}

/// The summed gain of the sections, one value for each of its own `frequency_hz`: the whole grid, also where nothing
/// was measured.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SectionsPart {
    /// Sample rate of this curve, Hz: the one of the fit; `null` where no rate is known.
    pub rate_hz: Option<f64>,
    /// Frequencies of the common grid from 20 Hz, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// Gain of all sections together, preamp not included, dB.
    pub gain_db: Vec<f64>,
}

/// A finding that is no error.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CautionPart {
    /// Its kind, for programs: `seal`, `spread-unknown`, `harmful-level`, `boost`, `quieter` (more than 3 dB of loss),
    /// `boost-once-turned-up` (more than 3 dB above what the sections take from the loudness) and others.
    pub kind: String,
    /// The sentence for people, with the next step where there is one.
    pub text: String,
}

/// Those of the costs come first: they are about hearing.
fn cautions<'a>(costs: impl Iterator<Item = &'a Cost>, others: &[Caution]) -> Vec<CautionPart> {
    let mut all: Vec<Caution> = Vec::new();
    for caution in costs.flat_map(Cost::cautions).chain(others.iter().cloned()) {
        if !all.contains(&caution) {
            all.push(caution);
        }
    }
    let part = |caution: &Caution| CautionPart {
        kind: kind(caution),
        text: super::words::caution(caution),
    };
    all.iter().map(part).collect()
}

/// A section, as it stands in the sheet.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SectionPart {
    /// `low-shelf`, `peaking`, `high-shelf`; `f0_hz`, `gain_db`, `q` (the cookbook's).
    #[serde(flatten)]
    pub section: Section,
    /// What the equaliser calls q; `null` where that is the cookbook's q.
    pub device_q: Option<f64>,
    /// Whether it was kept as it was (`--keep`).
    pub kept: bool,
}

fn sections(outcome: &FitOutcome) -> Vec<SectionPart> {
    let typed_q = outcome.typed_q.iter();
    let with_index = outcome.sections.iter().zip(typed_q).enumerate();
    with_index
        .map(|(index, (section, typed_q))| SectionPart {
            section: *section,
            device_q: typed_q.map(|typed_q| typed_q.q),
            kept: outcome.kept.contains(&index),
        })
        .collect()
}

fn loudness_wish(wish: &LoudnessWish) -> LoudnessWish {
    let point = |point: &TradeOffPoint| TradeOffPoint {
        loudness_loss_db: level(point.loudness_loss_db),
        preamp_db: level(point.preamp_db),
        residual_db: level(point.residual_db),
    };
    LoudnessWish {
        most_loss_db: wish.most_loss_db,
        without: point(&wish.without),
        trade_off: wish.trade_off.iter().map(point).collect(),
    }
}

fn enough(enough: &Enough) -> Enough {
    Enough {
        least_gain_db: level(enough.least_gain_db),
        ..*enough
    }
}

fn set_aside(take: &JudgedTake) -> SetAsidePart {
    let leak = match take.verdict {
        Verdict::Leaks(leak) => Some(leak),
        _ => None,
    };
    SetAsidePart {
        take: take.name.clone(),
        finding: take.verdict.to_string(),
        loss_at_30_hz_db: leak.map(|leak| level(leak.loss_at_30_hz_db)),
        leak_corner_hz: leak.map(|leak| hertz(leak.corner_hz)),
    }
}

/// The document of a fit, and of its cost where that was asked. `frequency_hz` is the grid of the outcome's curves; `files` is what was written.
#[must_use]
pub fn fit_document(
    outcome: &FitOutcome,
    cost: Option<&Cost>,
    frequency_hz: &[f64],
    files: &[WrittenFile],
) -> FitDocument {
    let headroom = &outcome.headroom;
    FitDocument {
        format: 1,
        verb: "fit",
        unit: outcome.unit.clone(),
        takes: outcome.takes.clone(),
        set_aside: outcome.set_aside.iter().map(set_aside).collect(),
        guard_band_hz: outcome
            .guard_hz
            .map(|(lowest_hz, highest_hz)| [hertz(lowest_hz), hertz(highest_hz)]),
        smoothing: outcome.smoothing.map(|width| width.to_string()),
        target: TargetPart {
            name: outcome.target.clone(),
            source: outcome.target_source.clone(),
        },
        limits: outcome.limits.clone(),
        rates_hz: outcome.rates_hz.clone(),
        sections: sections(outcome),
        idle_bands_hz: outcome.idle_bands_hz.clone(),
        enough: outcome.enough.as_ref().map(enough),
        headroom: Headroom {
            peak_gain_db: level(headroom.peak_gain_db),
            peak_hz: hertz(headroom.peak_hz),
            peak_rate_hz: headroom.peak_rate_hz,
            any_signal_gain_db: level(headroom.any_signal_gain_db),
            preamp_db: level(headroom.preamp_db),
        },
        protection: outcome.protection,
        loudness: LoudnessPart::of(&outcome.loudness),
        loudness_wish: outcome.loudness_wish.as_ref().map(loudness_wish),
        cost: cost.map(cost_part),
        residual: BeforeAfter {
            before: residual(&outcome.residual.before),
            after: residual(&outcome.residual.after),
        },
        residual_by_rate: outcome
            .rates_hz
            .iter()
            .zip(&outcome.residual_by_rate_db)
            .map(|(&rate_hz, &db)| RateResidual {
                rate_hz,
                weighted_db: level(db),
            })
            .collect(),
        reach: outcome
            .reach
            .iter()
            .map(|point| ReachPoint {
                sections: point.sections,
                residual_db: level(point.residual_db),
                objective_db2: share(point.objective_db2),
            })
            .collect(),
        objective_db2: share(outcome.objective_db2),
        economy_ratio: Some(outcome.economy_ratio)
            .filter(|ratio| ratio.is_finite() && !outcome.sections.is_empty())
            .map(level),
        search: outcome.search.clone(),
        spread: outcome.spread().map(|spread| SpreadFigures {
            rms_db: level(spread.rms_db),
            largest_db: level(spread.largest_db),
            largest_hz: hertz(spread.largest_hz),
        }),
        aligned_at_hz: outcome.curves.aligned_at_hz,
        trusted_band_hz: outcome
            .trusted_band_hz
            .map(|(lowest_hz, highest_hz)| [hertz(lowest_hz), hertz(highest_hz)]),
        curves: curves(outcome, frequency_hz),
        sections_curve: sections_curve(outcome, frequency_hz),
        cautions: cautions(cost.into_iter(), &outcome.cautions),
        files: files.to_vec(),
    }
}

/// The document of a fit with one EQ for each side.
#[must_use]
pub fn per_side_document(
    outcome: &PerSideOutcome,
    costs: Option<&[Cost; 2]>,
    frequency_hz: &[f64],
    files: &[WrittenFile],
) -> PerSideDocument {
    // Figures and words are rounded and chosen as for one EQ; what both share stands in the record of either.
    let of_side = |side: &SideOutcome, cost: Option<&Cost>| {
        fit_document(&side.fit, cost, frequency_hz, files)
    };
    let shared = fit_document(
        &FitOutcome {
            takes: outcome.takes.clone(),
            set_aside: outcome.set_aside.clone(),
            residual: outcome.residual,
            residual_by_rate_db: outcome.residual_by_rate_db.clone(),
            objective_db2: outcome.objective_db2,
            economy_ratio: outcome.economy_ratio,
            search: outcome.search.clone(),
            cautions: outcome.cautions.clone(),
            ..outcome.sides[0].fit.clone()
        },
        None,
        frequency_hz,
        files,
    );
    let any = outcome.sides.iter().any(|s| !s.fit.sections.is_empty());
    PerSideDocument {
        format: shared.format,
        verb: shared.verb,
        unit: shared.unit,
        takes: shared.takes,
        set_aside: shared.set_aside,
        guard_band_hz: shared.guard_band_hz,
        smoothing: shared.smoothing,
        target: shared.target,
        limits: shared.limits,
        rates_hz: shared.rates_hz,
        headroom: shared.headroom,
        protection: shared.protection,
        loudness: LoudnessPart::of(&outcome.loudness),
        loudness_wish: outcome.loudness_wish.as_ref().map(loudness_wish),
        residual: shared.residual,
        residual_by_rate: shared.residual_by_rate,
        level_difference: LevelDifference {
            before_db: level(outcome.level_difference.before_db),
            after_db: level(outcome.level_difference.after_db),
        },
        objective_db2: shared.objective_db2,
        economy_ratio: any.then(|| level(outcome.economy_ratio)),
        enough: outcome.enough.as_ref().map(enough),
        search: shared.search,
        spread: shared.spread,
        trusted_band_hz: shared.trusted_band_hz,
        sides: outcome
            .sides
            .iter()
            .enumerate()
            .map(|(index, side)| {
                let own = of_side(side, costs.map(|costs| &costs[index]));
                SidePart {
                    side: side.side,
                    takes: own.takes,
                    sections: own.sections,
                    idle_bands_hz: own.idle_bands_hz,
                    cost: own.cost,
                    residual: own.residual,
                    residual_by_rate: own.residual_by_rate,
                    reach: own.reach,
                    objective_db2: own.objective_db2,
                    economy_ratio: own.economy_ratio,
                    search: own.search,
                    curves: own.curves,
                    sections_curve: own.sections_curve,
                }
            })
            .collect(),
        cautions: cautions(costs.into_iter().flatten(), &outcome.cautions),
        files: shared.files,
    }
}

/// A document as JSON: objects indented, arrays of numbers on one line, a newline at the end.
///
/// # Panics
/// Never for the documents of this module.
#[must_use]
pub fn to_json<T: Serialize>(document: &T) -> String {
    let mut bytes = Vec::new();
    let mut serializer = serde_json::Serializer::with_formatter(&mut bytes, Indented(0));
    document
        .serialize(&mut serializer)
        .expect("string keys, written to memory");
    bytes.push(b'\n');
    String::from_utf8(bytes).expect("serde_json writes UTF-8")
}

fn curves(outcome: &FitOutcome, frequency_hz: &[f64]) -> CurvesPart {
    let all = &outcome.curves;
    let mut part = CurvesPart {
        frequency_hz: Vec::new(),
        measured_db: Vec::new(),
        spread_db: all.spread_db.is_some().then(Vec::new),
        target_db: Vec::new(),
        equalised_db: Vec::new(),
        trust: Vec::new(),
        weight: Vec::new(),
    };
    for i in all.support.clone() {
        // An array of JSON has no word for "not a number", so such a point is left out whole.
        let at = |curve: &[f64]| curve.get(i).copied().filter(|value| value.is_finite());
        let point = || {
            Some([
                hertz(at(frequency_hz)?),
                level(at(&all.measured_db)?),
                level(at(&all.target_db)?),
                level(at(&all.equalised_db)?),
                share(at(&all.trust)?),
                share(at(&all.weight)?),
                level(all.spread_db.as_deref().map_or(Some(0.0), at)?),
            ])
        };
        let Some([f_hz, measured, target, equalised, trust, weight, spread]) = point() else {
            continue;
        };
        part.frequency_hz.push(f_hz);
        part.measured_db.push(measured);
        part.target_db.push(target);
        part.equalised_db.push(equalised);
        part.trust.push(trust);
        part.weight.push(weight);
        if let Some(spread_db) = &mut part.spread_db {
            spread_db.push(spread);
        }
    }
    part
}

fn sections_curve(outcome: &FitOutcome, frequency_hz: &[f64]) -> SectionsPart {
    let (frequency_hz, gain_db) = frequency_hz
        .iter()
        .zip(&outcome.curves.sections_db)
        .filter(|(_, gain_db)| gain_db.is_finite())
        .map(|(&f_hz, &gain_db)| (hertz(f_hz), level(gain_db)))
        .unzip();
    SectionsPart {
        rate_hz: outcome.rates_hz.first().copied(),
        frequency_hz,
        gain_db,
    }
}

fn residual(residual: &Residual) -> Residual {
    Residual {
        weighted_db: level(residual.weighted_db),
        trusted_band_db: residual.trusted_band_db.map(level),
    }
}

/// The tag under which the caution is serialised, so that both documents use one name.
pub(super) fn kind(caution: &Caution) -> String {
    serde_json::to_value(caution)
        .ok()
        .and_then(|value| Some(value.get("caution")?.as_str()?.to_owned()))
        .unwrap_or_default()
}

pub(super) fn level(db: f64) -> f64 {
    rounded(db, 1e4)
}

pub(super) fn share(value: f64) -> f64 {
    rounded(value, 1e6)
}

pub(super) fn hertz(hz: f64) -> f64 {
    rounded(hz, 1e3)
}

/// `value` to a whole number of `1 / per_unit`; adding 0 turns -0 into 0.
pub(super) fn rounded(value: f64, per_unit: f64) -> f64 {
    (value * per_unit).round() / per_unit + 0.0
}

/// Objects over several lines, arrays within one; holds the depth of objects.
struct Indented(usize);

impl Indented {
    fn new_line<W: ?Sized + io::Write>(&self, writer: &mut W) -> io::Result<()> {
        write!(writer, "\n{:indent$}", "", indent = 2 * self.0)
    }
}

impl serde_json::ser::Formatter for Indented {
    fn begin_array_value<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        writer.write_all(if first { b"" } else { b", " })
    }

    fn begin_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.0 += 1;
        writer.write_all(b"{")
    }

    fn begin_object_key<W: ?Sized + io::Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        writer.write_all(if first { b"" } else { b"," })?;
        self.new_line(writer)
    }

    fn begin_object_value<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        writer.write_all(b": ")
    }

    fn end_object<W: ?Sized + io::Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.0 -= 1;
        self.new_line(writer)?;
        writer.write_all(b"}")
    }
}
