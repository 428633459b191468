//! A sheet tested by itself: do its numbers agree with each other, and with what the equaliser can do?

use crate::cost::loudness::loudness_change_of_channels;
use crate::cost::programme::Programme;
use crate::digest::Digest;
use crate::filter::{Section, biquad::Biquad};
use crate::headroom::any_signal::any_signal;
use crate::headroom::peak::peak;
use crate::headroom::preamp::preamp_for;
use crate::limits::{Limits, bounds};
use crate::measurement::takes::Side;
use crate::message::Number;
use crate::sheet::{Channel, Deviation, Guard, Sheet, recompute};

/// Half a unit of a checkpoint's last digit, and the error of the computation, dB.
pub const CHECKPOINT_DB: f64 = 0.5e-4 + 1e-9;
/// Coefficients are printed in full; so far may two computers' sines and cosines differ.
pub const COEFFICIENT: f64 = 1e-12;
/// One unit of a largest gain's last digit, upwards, and the error of the search for it, dB.
pub const LARGEST_GAIN_DB: f64 = 1e-4 + PREAMP_DB;
/// What a preamp may lack, dB: a hundred times the error of the search for the largest gain, since
/// computers round differently, and far below what a player's arithmetic rounds.
pub const PREAMP_DB: f64 = 1e-7;

/// What is said of what a sheet lacks and may lack.
const NOT_IN_SHEET: &str = "not in this sheet";

/// What is tested.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Subject {
    /// The file is a whole sheet of this format.
    Format,
    /// Every number of a section is one that an equaliser could have.
    Numbers,
    /// Checkpoints against the sections.
    Checkpoints,
    /// Checkpoints stand where they are promised: octaves and every f0.
    CheckpointPlaces,
    /// Coefficients against the sections.
    Coefficients,
    /// The stated largest gain of a steady tone.
    PeakGain,
    /// The stated largest gain of any signal.
    AnySignalGain,
    /// The stated change of loudness.
    Loudness,
    /// The preamp is low enough for the guard.
    PreampSuffices,
    /// The preamp is the highest that is low enough, on the equaliser's steps.
    PreampAsComputed,
    /// The rates are the equaliser's.
    Rates,
    /// The sections are within the limits.
    Limits,
    /// All sections together boost no more than the limits allow.
    TotalBoost,
}

impl Subject {
    /// Those that compare with the limits.
    const OF_LIMITS: [Self; 3] = [Self::PreampAsComputed, Self::Rates, Self::Limits];
}

/// How a test ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// It holds.
    Pass,
    /// It does not.
    Fail,
    /// The sheet lacks what it would be held against.
    NotInSheet,
}

/// Where the limits come from that a sheet is held against.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum LimitsFrom {
    /// The sheet has them.
    Sheet,
    /// They come with the program.
    Library,
    /// A file.
    File,
}

impl Subject {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Format => "format",
            Self::Numbers => "sections' numbers",
            Self::Checkpoints => "checkpoints",
            Self::CheckpointPlaces => "checkpoints' frequencies",
            Self::Coefficients => "coefficients",
            Self::PeakGain => "largest gain, tones",
            Self::AnySignalGain => "largest gain, any signal",
            Self::Loudness => "loudness",
            Self::PreampSuffices => "preamp suffices",
            Self::PreampAsComputed => "preamp as computed",
            Self::Rates => "sample rates",
            Self::Limits => "limits",
            Self::TotalBoost => "total boost",
        }
    }
}

/// One point, tested.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct CheckPoint {
    /// What was tested.
    #[serde(rename = "point")]
    pub subject: Subject,
    /// How the test ended.
    pub outcome: Outcome,
    /// The largest deviation, not rounded: a plain number for coefficients, LU for loudness, else dB; none where nothing
    /// is compared by number (`null`, as for an infinite one).
    pub deviation: Option<f64>,
    /// The largest deviation that passes, in the same unit; none (`null`) where there is none.
    pub tolerance: Option<f64>,
    /// Frequency of the deviation, Hz; none (`null`) where it has none.
    pub at_hz: Option<f64>,
    /// Sample rate of the deviation, Hz; none (`null`) where it has none.
    pub rate_hz: Option<f64>,
    /// Side of the deviation; none (`null`) where the sheet has one EQ for both, or the point is about the whole sheet.
    pub side: Option<Side>,
    /// What was found, in words with figures.
    #[serde(skip)]
    pub found: String,
    /// Why that is allowed, or what is expected, in words.
    #[serde(skip)]
    pub because: String,
}

/// A sheet, tested.
#[derive(Debug, Clone, PartialEq, serde::Serialize, schemars::JsonSchema)]
pub struct SheetCheck {
    /// Name of the unit, from the sheet.
    pub unit: String,
    /// Name of the target, from the sheet.
    pub target: String,
    /// Whether the numbers of sections were changed after the sheet was written: checkpoints and coefficients agree with
    /// each other and with the largest gain, and not with the sections.
    pub sections_edited: bool,
    /// Whether the file is as it was written; none (`null`) where a sheet was checked that is no file.
    pub digest: Option<Digest>,
    /// Name of the limits that it was held against, and where they come from; None where there are none.
    #[serde(skip)]
    pub limits: Option<(String, LimitsFrom)>,
    /// The points, in the order in which they were tested.
    #[serde(skip)]
    pub points: Vec<CheckPoint>,
}

impl SheetCheck {
    /// True when no point fails.
    #[must_use]
    pub fn passes(&self) -> bool {
        self.count(Outcome::Fail) == 0
    }

    /// Points with that outcome.
    #[must_use]
    pub fn count(&self, outcome: Outcome) -> usize {
        let with_it = |point: &&CheckPoint| point.outcome == outcome;
        self.points.iter().filter(with_it).count()
    }
}

/// Tests a sheet, against `limits` where given, else its own. Where it has none either, the points that they decide are
/// [`Outcome::NotInSheet`].
#[must_use]
pub fn check_sheet(sheet: &Sheet, limits: Option<(&Limits, LimitsFrom)>) -> SheetCheck {
    let own = sheet.limits.as_ref().map(|own| (own, LimitsFrom::Sheet));
    let limits = limits.or(own);
    let mut points = vec![
        CheckPoint::said(
            Subject::Format,
            true,
            match sheet.knowledge {
                Some(_) => format!("format 1, {}", counted(sheet)),
                None => format!(
                    "format 1, {}; what was known is {NOT_IN_SHEET}",
                    counted(sheet)
                ),
            },
            "every key is known, every number finite, the same rates throughout",
        ),
        numbers(sheet),
    ];
    points.extend(checkpoints(sheet));
    points.push(checkpoint_places(sheet));
    points.push(coefficients(sheet));
    // Gains out of all bounds overflow, and nothing is learnt of them.
    let sane = points[1].outcome == Outcome::Pass;
    if sane {
        points.extend(levels(sheet));
    }
    match limits {
        Some((limits, _)) => points.extend(held_against(sheet, limits, sane)),
        None => points.extend(Subject::OF_LIMITS.map(CheckPoint::not_in_sheet)),
    }
    SheetCheck {
        sections_edited: sections_edited(sheet),
        digest: None,
        unit: sheet.unit.clone(),
        target: sheet.target.clone(),
        limits: limits.map(|(limits, from)| (limits.name.clone(), from)),
        points,
    }
}

impl CheckPoint {
    fn said(subject: Subject, passes: bool, found: String, because: impl Into<String>) -> Self {
        Self {
            subject,
            outcome: if passes { Outcome::Pass } else { Outcome::Fail },
            deviation: None,
            tolerance: None,
            at_hz: None,
            rate_hz: None,
            side: None,
            found,
            because: because.into(),
        }
    }

    fn not_in_sheet(subject: Subject) -> Self {
        Self {
            outcome: Outcome::NotInSheet,
            ..Self::said(
                subject,
                true,
                format!("the limits are {NOT_IN_SHEET}"),
                "other limits can be held against it",
            )
        }
    }

    fn measured(mut self, deviation: f64, tolerance: f64) -> Self {
        self.deviation = Some(deviation);
        self.tolerance = Some(tolerance);
        self
    }
}

fn counted(sheet: &Sheet) -> String {
    let sections: usize = sheet.channels.iter().map(|c| c.sections.len()).sum();
    format!(
        "{sections} section{} at {} rate{}{}",
        if sections == 1 { "" } else { "s" },
        sheet.rates_hz.len(),
        if sheet.rates_hz.len() == 1 { "" } else { "s" },
        if sheet.is_per_side() {
            ", an EQ for each side"
        } else {
            ""
        },
    )
}

fn of_side(side: Option<Side>) -> String {
    side.map_or_else(String::new, |side| format!(" of the {}", side.words()))
}

fn numbers(sheet: &Sheet) -> CheckPoint {
    let named = |channel: &Channel, section: &Section| {
        let number = [
            ("f0_hz", section.f0_hz, bounds::F0_HZ),
            ("gain_db", section.gain_db, bounds::GAIN_DB),
            ("q", section.q, bounds::q_of(section.shape)),
        ]
        .into_iter()
        .find(|(_, value, bound)| !bound.contains(*value));
        number.map(|(key, value, bound)| {
            let place = of_side(channel.side);
            (
                format!(
                    "{key} {value} of a {}{place}",
                    section.shape,
                    value = Number(value)
                ),
                bound.words(),
            )
        })
    };
    let wild = sheet
        .channels
        .iter()
        .find_map(|channel| channel.sections.iter().find_map(|s| named(channel, s)));
    match wild {
        None => CheckPoint::said(
            Subject::Numbers,
            true,
            "all within what any equaliser has".to_owned(),
            "f0, gain and q are numbers that an equaliser could have",
        ),
        Some((found, expected)) => CheckPoint::said(
            Subject::Numbers,
            false,
            found,
            format!("expected {expected}; the levels were not computed"),
        ),
    }
}

fn checkpoints(sheet: &Sheet) -> Vec<CheckPoint> {
    let deviations = recompute(sheet);
    let worst = deviations
        .iter()
        .max_by(|a, b| unordered_last(a.worst_db()).total_cmp(&unordered_last(b.worst_db())));
    let Some(worst) = worst else {
        return vec![CheckPoint::said(
            Subject::Checkpoints,
            true,
            "none".to_owned(),
            "there is nothing to compare",
        )];
    };
    let deviation = worst.worst_db();
    let passes = deviation <= CHECKPOINT_DB;
    let from_sections = (worst.from_sections_db - worst.stated_db).abs() >= deviation;
    let mut point = CheckPoint::said(
        Subject::Checkpoints,
        passes,
        format!(
            "{} recomputed{}",
            deviations.len(),
            if passes {
                " from sections and from coefficients".to_owned()
            } else {
                format!(
                    ", worst {} dB stated where the {} give {:.4} dB",
                    Number(worst.stated_db),
                    if from_sections {
                        "sections"
                    } else {
                        "coefficients"
                    },
                    Number(if from_sections {
                        worst.from_sections_db
                    } else {
                        worst.from_coefficients_db
                    }),
                )
            }
        ),
        "gains are printed to 0.0001 dB, so half of that",
    )
    .measured(deviation, CHECKPOINT_DB);
    point.at_hz = Some(worst.frequency_hz);
    point.rate_hz = Some(worst.rate_hz);
    point.side = worst.side;
    vec![point]
}

/// Whether checkpoints and coefficients tell of the same filters, no louder than the stated largest gain, and the sections
/// of others.
fn sections_edited(sheet: &Sheet) -> bool {
    let deviations = recompute(sheet);
    let agree = deviations.iter().all(|point| {
        let by_coefficients_db = (point.from_coefficients_db - point.stated_db).abs();
        by_coefficients_db <= CHECKPOINT_DB
            && point.stated_db <= sheet.level.peak_gain_db + LARGEST_GAIN_DB
    });
    let by_sections = |point: &Deviation| (point.from_sections_db - point.stated_db).abs();
    let differs = |point: &Deviation| unordered_last(by_sections(point)) > CHECKPOINT_DB;
    agree && deviations.iter().any(differs)
}

/// What is no number is worse than any.
fn unordered_last(deviation: f64) -> f64 {
    if deviation.is_nan() {
        f64::INFINITY
    } else {
        deviation
    }
}

fn checkpoint_places(sheet: &Sheet) -> CheckPoint {
    let because = "octaves from 31.5 Hz to 16 kHz and every f0 below half the rate";
    for channel in &sheet.channels {
        for checkpoint in &channel.checkpoints {
            let octaves = [31.5, 63.0, 125.0, 250.0, 500.0, 1e3, 2e3, 4e3, 8e3, 16e3];
            let f0 = channel.sections.iter().map(|section| section.f0_hz);
            let lacking = octaves
                .into_iter()
                .chain(f0)
                .filter(|f_hz| *f_hz < checkpoint.rate_hz / 2.0)
                .find(|f_hz| !checkpoint.frequency_hz.contains(f_hz));
            if let Some(f_hz) = lacking {
                let mut point = CheckPoint::said(
                    Subject::CheckpointPlaces,
                    false,
                    format!("no checkpoint at {f_hz} Hz", f_hz = Number(f_hz)),
                    because,
                );
                point.at_hz = Some(f_hz);
                point.rate_hz = Some(checkpoint.rate_hz);
                point.side = channel.side;
                return point;
            }
        }
    }
    CheckPoint::said(
        Subject::CheckpointPlaces,
        true,
        "complete".to_owned(),
        because,
    )
}

fn coefficients(sheet: &Sheet) -> CheckPoint {
    let because = "they are printed in full; computers round sines differently";
    let (mut count, mut worst) = (0, (0.0_f64, None, None, String::new()));
    for channel in &sheet.channels {
        for at_rate in &channel.coefficients {
            for (k, (section, stated)) in channel.sections.iter().zip(&at_rate.section).enumerate()
            {
                count += 5;
                let computed = Biquad::new(section, at_rate.rate_hz).ok();
                let parts = |b: &Biquad| [b.b0, b.b1, b.b2, b.a1, b.a2];
                let names = ["b0", "b1", "b2", "a1", "a2"];
                let computed = computed.map_or([f64::NAN; 5], |b| parts(&b));
                for ((name, stated), computed) in names.iter().zip(parts(stated)).zip(computed) {
                    let deviation =
                        unordered_last((stated - computed).abs() / computed.abs().max(1.0));
                    if deviation > worst.0 {
                        let found = format!(
                            "{name} of section {}{}: {stated}, computed {computed}",
                            k + 1,
                            of_side(channel.side),
                            stated = Number(stated),
                            computed = Number(computed)
                        );
                        worst = (deviation, Some(at_rate.rate_hz), channel.side, found);
                    }
                }
            }
        }
    }
    let (deviation, rate_hz, side, found) = worst;
    let passes = deviation <= COEFFICIENT;
    let found = match passes {
        true => format!("{count} recomputed"),
        false => found,
    };
    let mut point = CheckPoint::said(Subject::Coefficients, passes, found, because)
        .measured(deviation, COEFFICIENT);
    if !passes {
        (point.rate_hz, point.side) = (rate_hz, side);
    }
    point
}

/// The worst of all EQs and rates.
struct Worst {
    gain_db: f64,
    at_hz: Option<f64>,
    rate_hz: f64,
    side: Option<Side>,
}

fn worst(sheet: &Sheet, gain: impl Fn(&[Section], f64) -> (f64, Option<f64>)) -> Option<Worst> {
    let mut worst: Option<Worst> = None;
    for channel in &sheet.channels {
        for &rate_hz in &sheet.rates_hz {
            let (gain_db, at_hz) = gain(&channel.sections, rate_hz);
            if worst.as_ref().is_none_or(|worst| gain_db > worst.gain_db) {
                worst = Some(Worst {
                    gain_db,
                    at_hz,
                    rate_hz,
                    side: channel.side,
                });
            }
        }
    }
    worst
}

fn of_tones(sheet: &Sheet) -> Option<Worst> {
    worst(sheet, |sections, rate_hz| {
        let peak = peak(sections, rate_hz);
        (peak.gain_db, Some(peak.frequency_hz))
    })
}

fn of_anything(sheet: &Sheet) -> Option<Worst> {
    worst(sheet, |sections, rate_hz| {
        (
            any_signal(sections, rate_hz).map_or(f64::INFINITY, |a| a.gain_db),
            None,
        )
    })
}

/// The largest gain that the guard is about, with the margin that the sheet leaves above it, dB.
fn needed_db(sheet: &Sheet, guarded: &Worst) -> f64 {
    guarded.gain_db + sheet.level.true_peak_margin_db
}

fn levels(sheet: &Sheet) -> Vec<CheckPoint> {
    let level = &sheet.level;
    let (Some(of_tones), Some(of_anything)) = (of_tones(sheet), of_anything(sheet)) else {
        return Vec::new();
    };
    let stated = |subject, stated_db: f64, worst: &Worst| {
        let deviation = stated_db - worst.gain_db;
        let passes = (-PREAMP_DB..=LARGEST_GAIN_DB).contains(&deviation);
        let mut point = CheckPoint::said(
            subject,
            passes,
            format!(
                "{stated_db} dB stated, {:.4} dB computed",
                Number(worst.gain_db),
                stated_db = Number(stated_db)
            ),
            "rounded upwards to 0.0001 dB",
        )
        .measured(deviation, LARGEST_GAIN_DB);
        (point.at_hz, point.rate_hz, point.side) = (worst.at_hz, Some(worst.rate_hz), worst.side);
        point
    };
    let guarded = match level.guard {
        Guard::Sine => &of_tones,
        Guard::AnySignal => &of_anything,
    };
    let guard = match level.guard {
        Guard::Sine => "no steady tone may exceed full scale (guard `sine`)",
        Guard::AnySignal => "no signal at all may exceed full scale (guard `any-signal`)",
    };
    let margin_db = level.true_peak_margin_db;
    let needed_db = needed_db(sheet, guarded);
    let over_db = level.preamp_db + needed_db;
    let mut suffices = CheckPoint::said(
        Subject::PreampSuffices,
        over_db <= PREAMP_DB || (needed_db <= 0.0 && level.preamp_db <= 0.0),
        format!(
            "{} dB of preamp, largest gain {:.4} dB{}: {:+.4} dB re full scale",
            Number(level.preamp_db),
            Number(guarded.gain_db),
            match margin_db {
                0.0 => String::new(),
                margin_db => format!(", {} dB to spare", Number(margin_db)),
            },
            Number(over_db)
        ),
        guard,
    )
    .measured(over_db, PREAMP_DB);
    (suffices.at_hz, suffices.rate_hz, suffices.side) =
        (guarded.at_hz, Some(guarded.rate_hz), guarded.side);
    let gains = [
        stated(Subject::PeakGain, level.peak_gain_db, &of_tones),
        stated(
            Subject::AnySignalGain,
            level.any_signal_gain_db,
            &of_anything,
        ),
    ];
    gains
        .into_iter()
        .chain(loudness(sheet))
        .chain([suffices])
        .collect()
}

/// The points that the limits decide; those of levels only where the sections' numbers are `sane`.
fn held_against(sheet: &Sheet, limits: &Limits, sane: bool) -> Vec<CheckPoint> {
    let guarded = match sheet.level.guard {
        _ if !sane => None,
        Guard::Sine => of_tones(sheet),
        Guard::AnySignal => of_anything(sheet),
    };
    let preamp = guarded.map(|guarded| preamp_as_computed(sheet, &guarded, limits));
    let boost = match limits.rules.total_boost_max_db {
        Some(most_db) if sane => total_boost(sheet, limits, most_db),
        _ => None,
    };
    let others = [rates(sheet, limits), within(sheet, limits)];
    preamp.into_iter().chain(boost).chain(others).collect()
}

fn preamp_as_computed(sheet: &Sheet, guarded: &Worst, limits: &Limits) -> CheckPoint {
    let level = &sheet.level;
    let needed_db = needed_db(sheet, guarded);
    match preamp_for(needed_db, &limits.preamp_db) {
        Ok(computed_db) => CheckPoint::said(
            Subject::PreampAsComputed,
            (computed_db - level.preamp_db).abs() <= 1e-9,
            format!(
                "{} dB stated, {computed_db} dB computed",
                Number(level.preamp_db),
                computed_db = Number(computed_db)
            ),
            "the highest preamp of the equaliser that is low enough; a lower one wastes level",
        )
        .measured(level.preamp_db - computed_db, 1e-9),
        Err(error) => CheckPoint::said(
            Subject::PreampAsComputed,
            false,
            error.found(),
            format!("expected {}", error.expected()),
        ),
    }
}

fn total_boost(sheet: &Sheet, limits: &Limits, most_db: f64) -> Option<CheckPoint> {
    let of_tones = of_tones(sheet)?;
    let mut point = CheckPoint::said(
        Subject::TotalBoost,
        limits.allow_total_boost(of_tones.gain_db).is_ok(),
        format!(
            "{:.4} dB of all sections together, at most {} dB allowed",
            Number(of_tones.gain_db),
            Number(most_db)
        ),
        "total_boost_max_db of the limits",
    )
    .measured(of_tones.gain_db, most_db);
    (point.at_hz, point.rate_hz, point.side) =
        (of_tones.at_hz, Some(of_tones.rate_hz), of_tones.side);
    Some(point)
}

/// The stated change of loudness against that of the sections; none where the sheet does not state it.
fn loudness(sheet: &Sheet) -> Option<CheckPoint> {
    /// Printed to 0.0001 LU; half of that, and what another order of sums may change.
    const PRINTED_LU: f64 = 0.6e-4;
    let stated_lu = sheet.level.loudness_change_lu?;
    let channels: Vec<&[Section]> = sheet
        .channels
        .iter()
        .map(|c| c.sections.as_slice())
        .collect();
    let (rate_hz, preamp_db) = (*sheet.rates_hz.first()?, sheet.level.preamp_db);
    let computed =
        loudness_change_of_channels(&channels, rate_hz, preamp_db, &Programme::pink()).ok()?;
    let deviation = stated_lu - computed.total_lu;
    let mut point = CheckPoint::said(
        Subject::Loudness,
        deviation.abs() <= PRINTED_LU,
        format!(
            "{stated_lu} LU stated, {:.4} LU computed",
            Number(computed.total_lu),
            stated_lu = Number(stated_lu)
        ),
        "of pink noise by ITU-R BS.1770, with preamp, rounded to 0.0001 LU",
    )
    .measured(deviation, PRINTED_LU);
    point.rate_hz = Some(rate_hz);
    Some(point)
}

fn rates(sheet: &Sheet, limits: &Limits) -> CheckPoint {
    let stranger = sheet
        .rates_hz
        .iter()
        .find(|hz| !limits.rates_hz.contains(hz));
    let mut point = CheckPoint::said(
        Subject::Rates,
        stranger.is_none(),
        match stranger {
            None => listed_hz(&sheet.rates_hz),
            Some(hz) => format!("{} Hz", Number(*hz)),
        },
        format!("the equaliser runs at {}", listed_hz(&limits.rates_hz)),
    );
    point.rate_hz = stranger.copied();
    point
}

fn listed_hz(rates_hz: &[f64]) -> String {
    let rates: Vec<String> = rates_hz.iter().map(|&hz| Number(hz).to_string()).collect();
    format!("{} Hz", rates.join(", "))
}

fn within(sheet: &Sheet, limits: &Limits) -> CheckPoint {
    let expected = |error: &crate::error::Error| {
        let key = error.place.key.as_deref().unwrap_or_default();
        (
            format!("{key}: {}", error.found()),
            format!("expected {}", error.expected()),
        )
    };
    for channel in &sheet.channels {
        if let Err(error) = limits.allows(&channel.sections) {
            let (found, because) = expected(&error);
            let mut point = CheckPoint::said(Subject::Limits, false, found, because);
            point.side = channel.side;
            return point;
        }
    }
    let (setting, preamp_db) = (&limits.preamp_db, sheet.level.preamp_db);
    if !setting.contains(preamp_db) {
        return CheckPoint::said(
            Subject::Limits,
            false,
            format!("preamp_db: {preamp_db}", preamp_db = Number(preamp_db)),
            format!("expected {}", setting.instead_of(preamp_db)),
        );
    }
    CheckPoint::said(
        Subject::Limits,
        true,
        "kept".to_owned(),
        format!("count, shapes, ranges and steps of \"{}\"", limits.name),
    )
}
