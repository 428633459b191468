//! The documents of `fit --json` and `fit --per-side --json`. Their schemas are made from these types ([`mod@super::schema`]):
//! the doc comment of a field is its description there.

use schemars::JsonSchema;
use serde::Serialize;

use super::json::to_json;
use crate::caution::Caution;
use crate::cost::Cost;
use crate::cost::heard::HeardChange;
use crate::cost::loudness::LoudnessChange;
use crate::filter::Section;
use crate::fit::Freedom;
use crate::headroom::{Headroom, Protection};
use crate::job::{TakeResidual, OtherEars, 
    BeforeAfter, Channel, Enough, LevelDifference, LoudnessWish, Outcome, ReachPoint, SearchReport,
    Shared, TypedQ,
};
use crate::measurement::grid;
use crate::measurement::judge::{JudgedTake, Verdict};
use crate::measurement::spread::SpreadFigures;
use crate::measurement::takes::Side;
use crate::report::blocks::Naming;
use crate::report::files::WrittenFile;

/// The document of `fit --json`: one EQ for both sides. Levels and gains are dB, rounded to 0.0001; trust and weight to
/// 0.000001; frequencies of curves to 0.001 Hz. The numbers of the sections stand exactly as in the sheet. The arrays
/// of one object are of equal length. A figure that does not exist is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct FitDocument<'a> {
    /// What it has in common with the document of an EQ for each side.
    #[serde(flatten)]
    pub shared: SharedPart<'a>,
    /// The EQ.
    #[serde(flatten)]
    pub channel: ChannelPart<'a>,
    /// Frequency at which measured and equalised were made to meet the target in `curves`, Hz; `null` where their
    /// weighted means meet it.
    pub aligned_at_hz: Option<f64>,
}

/// The document of `fit --per-side --json`: one EQ for each side. Rounding as in the document of one EQ; what belongs
/// to one side stands in `sides`. `headroom` is that of the worse side, with one preamp for both; residuals, objective,
/// economy ratio and search are those of both together, at the level that they share.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PerSideDocument<'a> {
    /// What it has in common with the document of one EQ.
    #[serde(flatten)]
    pub shared: SharedPart<'a>,
    /// How much louder left is than right beside what is wanted; half of it is in the residual of either side.
    pub level_difference: LevelDifference,
    /// Left, then right.
    pub sides: Vec<SidePart<'a>>,
}

/// How the output impedance of a source bends the response, its mean taken out.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SourceBendPart<'a> {
    /// Name of the source.
    pub source: &'a str,
    /// Its output impedance, ohms.
    pub output_ohm: f64,
    /// Highest minus lowest change of the level, dB, 0 or more.
    pub range_db: f64,
    /// The largest change, dB with its sign.
    pub largest_db: f64,
    /// Its frequency, Hz.
    pub largest_hz: f64,
}

/// What a fit has for all its channels.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SharedPart<'a> {
    /// Version of this schema: 2.
    #[schemars(extend("const" = 2))]
    pub format: u32,
    /// The command that made it: `fit`.
    #[schemars(extend("const" = "fit"))]
    pub verb: &'static str,
    /// Name of the unit.
    pub unit: &'a str,
    /// Names of the takes that were averaged, each side's to its own mean where each has an EQ of its own.
    pub takes: &'a [String],
    /// The takes that were not averaged, and why; in order of side, then of what was measured.
    pub set_aside: Vec<SetAsidePart>,
    /// What was fitted is what other ears are expected to get; `null` where it is what this one ear got.
    pub other_ears: Option<OtherEars>,
    /// What the source in use does to the response, which the curves have; `null` where that is nothing or not known.
    pub source_bend: Option<SourceBendPart<'a>>,
    /// What the fitted curve was smoothed by, in words; `null` where it was not smoothed.
    pub smoothing: Option<String>,
    /// The wanted response.
    pub target: TargetPart<'a>,
    /// Name of the limits.
    pub limits: &'a str,
    /// All sample rates of the limits, Hz. The fit was made at the first.
    pub rates_hz: &'a [f64],
    /// With `--as-is`, what of the given sections was free to change (`--polish`); `null` where they were searched for.
    pub start: Option<Freedom>,
    /// With `--sections auto`, how many sections a channel are enough; else `null`.
    pub enough: Option<Enough>,
    /// The preamp, and the largest gains that decide it.
    pub headroom: Headroom,
    /// What the preamp protects against, and with how much room.
    pub protection: Protection,
    /// Change of the loudness of pink noise against no EQ (ITU-R BS.1770), all channels together.
    pub loudness: &'a LoudnessChange,
    /// Change of what is heard of pink noise through the unit (A-weighted level in a diffuse field) against no EQ, all
    /// channels together.
    pub heard: HeardChange,
    /// With `--max-loudness-loss`, what the wish cost; else `null`.
    pub loudness_wish: Option<&'a LoudnessWish>,
    /// Residual: equalised minus target, the level that makes it least removed, before and after.
    pub residual: BeforeAfter,
    /// The weighted residual at each of `rates_hz`.
    pub residual_by_rate: Vec<RateResidual>,
    /// The minimised objective J: squared weighted residual plus the economy term, dB^2, 0 or more.
    pub objective_db2: f64,
    /// Sum of the magnitudes of the sections' gains over the magnitude of their summed gain, weighted mean, 1 or more;
    /// 1: no section works against another. `null` without sections.
    pub economy_ratio: Option<f64>,
    /// How the answer was searched for, and how certain it is.
    pub search: &'a SearchReport,
    /// How far the takes repeat over the trusted band, sides pooled; `null` where that is unknown, as with one take a side.
    pub spread: Option<SpreadFigures>,
    /// Lowest and highest frequency, Hz, with data and a trust of 0.7 or more; `null` where there is none.
    pub trusted_band_hz: Option<(f64, f64)>,
    /// What the reader should know. Levels that harm hearing come first (where a cost was asked for), then what the fit
    /// found.
    pub cautions: Vec<CautionPart>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// One set of sections, and what it does.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ChannelPart<'a> {
    /// The sections, by rising frequency.
    pub sections: Vec<SectionPart>,
    /// Bands of a graphic equaliser that stay at 0 dB, Hz, rising: slots of a fixed frequency without a section. Empty
    /// for other equalisers.
    pub idle_bands_hz: &'a [f64],
    /// With `--cost` or an option of it, what the EQ costs at the rate of the fit (of one side: its own level, drive and
    /// distortion, the loudness of both together); else `null`.
    pub cost: Option<&'a Cost>,
    /// What 0, 1, ... sections could reach, before the numbers were put on the equaliser's steps; from the kept
    /// sections on, where sections were kept. Where they were given (`start`), without sections alone.
    pub reach: &'a [ReachPoint],
    /// What each take that counts is left with.
    pub take_residuals: &'a [TakeResidual],
    /// The curves where both measurement and target exist.
    pub curves: CurvesPart,
    /// The summed gain of the sections over the whole grid.
    pub sections_curve: SectionsPart,
}

/// One side of a fit with an EQ for each. Residuals and curves are taken at the level that both sides share.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SidePart<'a> {
    /// `left` or `right`.
    pub side: Side,
    /// Names of this side's takes that were averaged.
    pub takes: &'a [String],
    /// The EQ.
    #[serde(flatten)]
    pub channel: ChannelPart<'a>,
    /// This side's residual.
    pub residual: BeforeAfter,
    /// This side's weighted residual at every rate.
    pub residual_by_rate: Vec<RateResidual>,
    /// This side's objective, dB^2, 0 or more.
    pub objective_db2: f64,
    /// This side's economy ratio, 1 or more; `null` without sections.
    pub economy_ratio: Option<f64>,
    /// How this side was searched for at the shared level.
    pub search: &'a SearchReport,
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
    /// The most bass lost from 20 to 40 Hz, dB, positive, where it leaks; else `null`.
    pub worst_loss_db: Option<f64>,
    /// Frequency of that loss, Hz, where it leaks; else `null`.
    pub worst_loss_hz: Option<f64>,
    /// Corner frequency of the leak, Hz, where it leaks; else `null`.
    pub leak_corner_hz: Option<f64>,
}

/// The wanted response.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct TargetPart<'a> {
    /// Its name, with its contours.
    pub name: &'a str,
    /// Where it comes from, in words.
    pub source: &'a str,
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
/// Of two sides, the mean is that over both.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CurvesPart {
    /// Frequencies of the common grid that both measurement and target cover, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// The average of the takes, dB.
    pub measured_db: Vec<f64>,
    /// What was fitted, dB: what other ears are expected to get of that, or that curve itself.
    pub expected_db: Vec<f64>,
    /// Standard deviation of the takes, dB, 0 or more; `null` (the whole array) where it is unknown.
    #[schemars(inner(range(min = 0.0)))]
    pub spread_db: Option<Vec<f64>>,
    /// The target, dB.
    pub target_db: Vec<f64>,
    /// Expected plus sections, dB.
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
fn cautions<'a>(
    costs: impl Iterator<Item = &'a Cost>,
    others: &[Caution],
    naming: Naming,
) -> Vec<CautionPart> {
    let mut all: Vec<Caution> = Vec::new();
    for caution in costs.flat_map(Cost::cautions).chain(others.iter().cloned()) {
        if !all.contains(&caution) {
            all.push(caution);
        }
    }
    let part = |caution: &Caution| CautionPart {
        kind: kind(caution),
        text: caution.worded(&|knob| naming(&knob.into())),
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

/// The document of a fit as JSON, with what each channel costs where that was asked; `files` is what was written, and
/// `naming` says what settings are called.
#[must_use]
pub fn fit_json(
    outcome: &Outcome,
    costs: &[Cost],
    files: &[WrittenFile],
    naming: Naming,
) -> String {
    match outcome.channels.len() {
        1 => to_json(&fit_document(outcome, costs.first(), files, naming)),
        _ => to_json(&per_side_document(outcome, costs, files, naming)),
    }
}

/// The document of a fit with one EQ for both sides.
#[must_use]
pub fn fit_document<'a>(
    outcome: &'a Outcome,
    cost: Option<&'a Cost>,
    files: &'a [WrittenFile],
    naming: Naming,
) -> FitDocument<'a> {
    FitDocument {
        shared: shared(outcome, cost.into_iter(), files, naming),
        channel: channel(&outcome.shared, &outcome.channels[0], cost),
        aligned_at_hz: outcome.shared.curves.aligned_at_hz,
    }
}

/// The document of a fit with one EQ for each side.
#[must_use]
pub fn per_side_document<'a>(
    outcome: &'a Outcome,
    costs: &'a [Cost],
    files: &'a [WrittenFile],
    naming: Naming,
) -> PerSideDocument<'a> {
    let side = |(index, own): (usize, &'a Channel)| SidePart {
        side: own.side.unwrap_or(Side::Unknown),
        takes: &own.takes,
        channel: channel(&outcome.shared, own, costs.get(index)),
        residual: own.residual,
        residual_by_rate: by_rate(&outcome.shared, &own.residual_by_rate_db),
        objective_db2: own.objective_db2,
        economy_ratio: economy_ratio(own.economy_ratio, !own.sections.is_empty()),
        search: &own.search,
    };
    PerSideDocument {
        shared: shared(outcome, costs.iter(), files, naming),
        level_difference: outcome.shared.level_difference.unwrap_or_default(),
        sides: outcome.channels.iter().enumerate().map(side).collect(),
    }
}

fn shared<'a>(
    outcome: &'a Outcome,
    costs: impl Iterator<Item = &'a Cost>,
    files: &'a [WrittenFile],
    naming: Naming,
) -> SharedPart<'a> {
    let shared = &outcome.shared;
    SharedPart {
        format: 2,
        verb: "fit",
        unit: &shared.unit,
        takes: &shared.takes,
        set_aside: shared.set_aside.iter().map(set_aside).collect(),
        other_ears: shared.other_ears,
        source_bend: shared.source_bend.as_ref().map(|bend| SourceBendPart {
            source: &bend.source,
            output_ohm: bend.output_ohm,
            range_db: bend.range_db,
            largest_db: bend.largest_db,
            largest_hz: bend.largest_hz,
        }),
        smoothing: shared.smoothing.map(|width| width.to_string()),
        target: TargetPart {
            name: &shared.target,
            source: &shared.target_source,
        },
        limits: &shared.limits,
        rates_hz: &shared.rates_hz,
        start: shared.start,
        enough: shared.enough,
        headroom: shared.headroom,
        protection: shared.protection,
        loudness: &shared.loudness,
        heard: shared.heard,
        loudness_wish: shared.loudness_wish.as_ref(),
        residual: shared.residual,
        residual_by_rate: by_rate(shared, &shared.residual_by_rate_db),
        objective_db2: shared.objective_db2,
        economy_ratio: economy_ratio(shared.economy_ratio, outcome.has_sections()),
        search: &shared.search,
        spread: outcome.spread(),
        trusted_band_hz: shared.trusted_band_hz,
        cautions: cautions(costs, &shared.cautions, naming),
        files,
    }
}

fn channel<'a>(
    shared: &'a Shared,
    channel: &'a Channel,
    cost: Option<&'a Cost>,
) -> ChannelPart<'a> {
    let sections = channel.sections.iter().zip(&channel.typed_q).enumerate();
    let section = |(index, (section, typed_q)): (usize, (&Section, &Option<TypedQ>))| SectionPart {
        section: *section,
        device_q: typed_q.map(|typed_q| typed_q.q),
        kept: channel.kept.contains(&index),
    };
    ChannelPart {
        sections: sections.map(section).collect(),
        idle_bands_hz: &channel.idle_bands_hz,
        cost,
        reach: &channel.reach,
        take_residuals: &channel.take_residuals,
        curves: curves(shared, channel),
        sections_curve: sections_curve(shared, channel),
    }
}

fn by_rate(shared: &Shared, residual_db: &[f64]) -> Vec<RateResidual> {
    let rates = shared.rates_hz.iter().zip(residual_db);
    rates
        .map(|(&rate_hz, &weighted_db)| RateResidual {
            rate_hz,
            weighted_db,
        })
        .collect()
}

fn economy_ratio(ratio: f64, any_section: bool) -> Option<f64> {
    (any_section && ratio.is_finite()).then_some(ratio)
}

fn set_aside(take: &JudgedTake) -> SetAsidePart {
    let loss = match take.verdict {
        Verdict::Leaks(loss) => Some(loss),
        _ => None,
    };
    SetAsidePart {
        take: take.name.clone(),
        finding: take.finding(),
        loss_at_30_hz_db: loss.map(|loss| loss.leak.loss_at_30_hz_db),
        worst_loss_db: loss.map(|loss| loss.worst_loss_db),
        worst_loss_hz: loss.map(|loss| loss.worst_loss_hz),
        leak_corner_hz: loss.map(|loss| loss.leak.corner_hz),
    }
}

fn curves(shared: &Shared, channel: &Channel) -> CurvesPart {
    let (f_hz, all, own) = (grid::frequency_hz(), &shared.curves, &channel.curves);
    let spread_db = all.spread_db.as_deref();
    // An array of JSON has no word for "not a number", so a point with one is left out whole.
    let is_finite = |i: &usize| {
        let finite = |curve: &[f64]| curve.get(*i).is_some_and(|value| value.is_finite());
        let curves = [
            &own.measured_db,
            &own.expected_db,
            &own.target_db,
            &own.equalised_db,
            &all.trust,
            &all.weight,
        ];
        curves.into_iter().all(|curve| finite(curve)) && spread_db.is_none_or(finite)
    };
    let points: Vec<usize> = all.support.clone().filter(is_finite).collect();
    let at_points = |curve: &[f64]| points.iter().map(|i| curve[*i]).collect::<Vec<f64>>();
    CurvesPart {
        frequency_hz: at_points(f_hz),
        measured_db: at_points(&own.measured_db),
        expected_db: at_points(&own.expected_db),
        spread_db: spread_db.map(at_points),
        target_db: at_points(&own.target_db),
        equalised_db: at_points(&own.equalised_db),
        trust: at_points(&all.trust),
        weight: at_points(&all.weight),
    }
}

fn sections_curve(shared: &Shared, channel: &Channel) -> SectionsPart {
    let gains = grid::frequency_hz().iter().zip(&channel.curves.sections_db);
    let (frequency_hz, gain_db) = gains.filter(|(_, gain_db)| gain_db.is_finite()).unzip();
    SectionsPart {
        rate_hz: shared.rates_hz.first().copied(),
        frequency_hz,
        gain_db,
    }
}

/// The tag under which the caution is serialised, so that both documents use one name.
pub(super) fn kind(caution: &Caution) -> String {
    serde_json::to_value(caution)
        .ok()
        .and_then(|value| Some(value.get("caution")?.as_str()?.to_owned()))
        .unwrap_or_default()
}
