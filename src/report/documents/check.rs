//! The document of `check --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use crate::filter::Section;
use crate::measurement::grid;
use crate::measurement::judge::Judged;
use crate::measurement::leak::Leak;
use crate::measurement::takes::Side;
use crate::report::check_text::{found, ranked_words};
use crate::report::files::WrittenFile;
use crate::verify::explanation::{Explanation, Number, Place, SideMixup, SideSeal};
use crate::verify::remeasured::{Change, Ranked};
use crate::verify::sheet_check::LimitsFrom;
use crate::verify::{CheckPoint, Remeasured, SheetCheck};

/// The document of `check --json`. Every object has all its fields; a figure that does not exist is `null`. Levels are
/// dB rounded to 0.0001, frequencies 0.001 Hz, shares 0.000001; deviations and tolerances of points are not rounded.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckDocument<'a> {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `check`.
    #[schemars(extend("const" = "check"))]
    pub verb: &'static str,
    /// Name of the sheet's file.
    pub sheet: &'a str,
    /// What the sheet says of itself.
    #[serde(flatten)]
    pub check: &'a SheetCheck,
    /// The limits that it was held against.
    pub limits: CheckLimitsPart<'a>,
    /// Whether every point passes.
    pub passes: bool,
    /// What was tested.
    pub points: Vec<CheckPointPart<'a>>,
    /// Whether the promise was kept; `null` without takes.
    pub promise: Option<PromisePart<'a>>,
    /// The files that were written; empty where none were asked for.
    pub files: &'a [WrittenFile],
}

/// Limits that a sheet was held against.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckLimitsPart<'a> {
    /// Their name; `null` where the sheet has none and none were given.
    pub name: Option<&'a str>,
    /// Whether they are the sheet's own.
    pub own: bool,
    /// Where they come from; `null` where the sheet has none and none were given.
    pub from: Option<LimitsFrom>,
}

/// A point that was tested.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckPointPart<'a> {
    /// The point.
    #[serde(flatten)]
    pub point: &'a CheckPoint,
    /// The sentence for people.
    pub text: String,
}

/// Whether the promised change was measured.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PromisePart<'a> {
    /// The answer and its figures.
    #[serde(flatten)]
    pub promise: &'a Remeasured,
    /// The takes before.
    pub before: SessionPart<'a>,
    /// The takes after.
    pub after: SessionPart<'a>,
    /// What may have happened, the likeliest first, at least three.
    pub explanations: Vec<ExplanationPart<'a>>,
    /// Whether the first of them leaves more than chance does: at least that is wrong, and more.
    pub incomplete: bool,
    /// The sections that these takes cannot verify: without one, nothing that they resolve would be off by more than the
    /// tolerance.
    pub unverified: Vec<UnverifiedPart>,
    /// One change, or left and right.
    pub changes: Vec<ChangePart<'a>>,
}

/// A section that these takes cannot verify.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct UnverifiedPart {
    /// Side of the section; `null` for both.
    pub side: Option<Side>,
    /// Number of the section within its EQ, from 1.
    pub section_number: usize,
    /// The section as the sheet has it.
    pub section: Section,
}

/// Takes of one session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SessionPart<'a> {
    /// Names of the kept takes.
    pub takes: &'a [String],
    /// Names of those set aside.
    pub set_aside: &'a [String],
}

/// Something that may have happened. A field that does not belong to its kind is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ExplanationPart<'a> {
    /// What happened: `nothing-wrong`; what lies in how it was measured, `seal-differs`, `seat-differs`, `source-differs`;
    /// `section-missing`, `sign-flipped`, `number-wrong`, `shelf-mirrored` (a low shelf entered as a high shelf, or the
    /// reverse), `q-read-as` (the equaliser means something else by q), `gains-halved`, `bypassed`, `applied-twice`,
    /// `one-side-only`, `wrong-side`, `wrong-rate`, `preamp-missing`, `sessions-exchanged` or `something-else`.
    #[schemars(extend("enum" = ["nothing-wrong", "seal-differs", "seat-differs", "source-differs", "section-missing", "sign-flipped", "number-wrong", "shelf-mirrored", "q-read-as", "gains-halved", "bypassed", "applied-twice", "one-side-only", "wrong-side", "wrong-rate", "preamp-missing", "sessions-exchanged", "something-else"]))]
    pub kind: &'static str,
    /// How likely and how large it is.
    #[serde(flatten)]
    pub ranked: &'a Ranked,
    /// What belongs to its kind.
    #[serde(flatten)]
    pub details: ExplanationDetails,
    /// What else happened at the same time; `null` for nothing.
    pub also: Option<AlsoPart>,
    /// The sentence for people.
    pub text: String,
}

/// What else happened at the same time. A field that does not belong to its kind is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct AlsoPart {
    /// What happened, as in the explanation that it is a part of.
    #[schemars(extend("enum" = ["nothing-wrong", "seal-differs", "seat-differs", "source-differs", "section-missing", "sign-flipped", "number-wrong", "shelf-mirrored", "q-read-as", "gains-halved", "bypassed", "applied-twice", "one-side-only", "wrong-side", "wrong-rate", "preamp-missing", "sessions-exchanged", "something-else"]))]
    pub kind: &'static str,
    /// What belongs to its kind.
    #[serde(flatten)]
    pub details: ExplanationDetails,
}

/// What tells explanations of one kind apart. A field that does not belong to the kind is `null`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, JsonSchema)]
pub struct ExplanationDetails {
    /// Side of the section; `null` for both.
    pub side: Option<Side>,
    /// Number of the section within its EQ, from 1.
    pub section_number: Option<usize>,
    /// The section as the sheet has it.
    pub section: Option<Section>,
    /// Whether a shelf with the wrong sign may as well have been entered as the other shelf: levels are free.
    pub or_mirrored: Option<bool>,
    /// Which number of the section is wrong.
    pub number: Option<Number>,
    /// What that number probably is: the slip, else the number that fits best, in its own unit.
    pub fitted: Option<f64>,
    /// The slip of the printed number that fits, in its own unit; `null` where none does.
    pub slip: Option<f64>,
    /// What q is read as for peaking sections.
    #[schemars(extend("enum" = ["cookbook", "bandwidth-octaves", "width-3-db", "pole-q", null]))]
    pub peaking_q: Option<&'static str>,
    /// What q is read as for shelves.
    #[schemars(extend("enum" = ["cookbook", "slope", null]))]
    pub shelf_q: Option<&'static str>,
    /// Which sections play where.
    pub mix: Option<SideMixup>,
    /// Sample rate that the coefficients are for, Hz.
    pub coefficients_hz: Option<f64>,
    /// Sample rate that they play at, Hz.
    pub played_hz: Option<f64>,
    /// The side that plays its sections while the other does not.
    pub plays: Option<Side>,
    /// What the seal of a unit whose side is not said loses.
    pub unit_seal: Option<SealPart>,
    /// What the seal of the left loses.
    pub left_seal: Option<SealPart>,
    /// What the seal of the right loses.
    pub right_seal: Option<SealPart>,
    /// How much deeper a unit whose side is not said sat after, mm; negative is less deep.
    pub unit_deeper_mm: Option<f64>,
    /// How much deeper the left sat after, mm; negative is less deep.
    pub left_deeper_mm: Option<f64>,
    /// How much deeper the right sat after, mm; negative is less deep.
    pub right_deeper_mm: Option<f64>,
    /// Output impedance of the source before, ohm, 0 or more.
    pub before_ohm: Option<f64>,
    /// Output impedance of the source after, ohm, 0 or more.
    pub after_ohm: Option<f64>,
}

/// A seal that one session has and the other has not.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, JsonSchema)]
pub struct SealPart {
    /// What it loses.
    #[serde(flatten)]
    pub leak: Leak,
    /// Whether the takes of after leak; else those of before.
    pub after: bool,
}

/// A measured change beside the promised one. Curves have one value for each of `frequency_hz`, at the level of the
/// promise.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ChangePart<'a> {
    /// Its figures.
    #[serde(flatten)]
    pub change: &'a Change,
    /// Frequencies of the common grid, rising, Hz.
    pub frequency_hz: &'a [f64],
    /// The promised change, dB.
    pub promised_db: &'a [f64],
    /// The measured change, dB.
    pub measured_db: &'a [f64],
    /// Standard error of the measured change, dB, 0 or more.
    pub standard_error_db: &'a [f64],
    /// What the likeliest explanation predicts, dB; `null` (the whole array) for `something-else`.
    pub explained_db: Option<&'a [f64]>,
}

/// The document of a tested sheet from the file `sheet`; `files` is what was written.
#[must_use]
pub fn check_document<'a>(
    sheet: &'a str,
    check: &'a SheetCheck,
    promise: Option<&'a Remeasured>,
    files: &'a [WrittenFile],
) -> CheckDocument<'a> {
    let from = check.limits.as_ref().map(|(_, from)| *from);
    CheckDocument {
        format: 1,
        verb: "check",
        sheet,
        check,
        limits: CheckLimitsPart {
            name: check.limits.as_ref().map(|(name, _)| name.as_str()),
            own: from == Some(LimitsFrom::Sheet),
            from,
        },
        passes: check.passes(),
        points: check.points.iter().map(point).collect(),
        promise: promise.map(promise_part),
        files,
    }
}

fn point(point: &CheckPoint) -> CheckPointPart<'_> {
    let text = found(point);
    CheckPointPart { point, text }
}

fn promise_part(promise: &Remeasured) -> PromisePart<'_> {
    PromisePart {
        promise,
        before: session(&promise.before),
        after: session(&promise.after),
        explanations: promise.explanations.iter().map(explanation).collect(),
        incomplete: promise.is_incomplete(),
        unverified: promise.unverified.iter().map(unverified).collect(),
        changes: promise.changes.iter().map(change).collect(),
    }
}

fn unverified(place: &Place) -> UnverifiedPart {
    UnverifiedPart {
        side: place.side,
        section_number: place.number,
        section: place.section,
    }
}

fn session(judged: &Judged) -> SessionPart<'_> {
    SessionPart {
        takes: &judged.average.takes,
        set_aside: &judged.set_aside,
    }
}

fn explanation(ranked: &Ranked) -> ExplanationPart<'_> {
    ExplanationPart {
        kind: ranked.explanation.name(),
        ranked,
        details: details(&ranked.explanation),
        also: ranked.also.map(|also| AlsoPart {
            kind: also.name(),
            details: details(&also),
        }),
        text: ranked_words(ranked),
    }
}

fn details(explanation: &Explanation) -> ExplanationDetails {
    let none = ExplanationDetails::default();
    let at = |place: &Place| ExplanationDetails {
        side: place.side,
        section_number: Some(place.number),
        section: Some(place.section),
        ..ExplanationDetails::default()
    };
    match explanation {
        Explanation::SectionMissing { place } | Explanation::ShelfMirrored { place } => at(place),
        Explanation::SignFlipped { place, or_mirrored } => ExplanationDetails {
            or_mirrored: Some(*or_mirrored),
            ..at(place)
        },
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => ExplanationDetails {
            number: Some(*number),
            fitted: Some(*fitted),
            slip: *slip,
            ..at(place)
        },
        Explanation::QReadAs { peaking, shelves } => ExplanationDetails {
            peaking_q: Some(peaking.name()),
            shelf_q: Some(shelves.name()),
            ..none
        },
        Explanation::WrongSide { mix } => ExplanationDetails {
            mix: Some(*mix),
            ..none
        },
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => ExplanationDetails {
            coefficients_hz: Some(*coefficients_hz),
            played_hz: Some(*played_hz),
            ..none
        },
        Explanation::OneSideOnly { plays } => ExplanationDetails {
            plays: Some(*plays),
            ..none
        },
        Explanation::SealDiffers { seals } => ExplanationDetails {
            unit_seal: seals.unit.map(seal),
            left_seal: seals.left.map(seal),
            right_seal: seals.right.map(seal),
            ..none
        },
        Explanation::SeatDiffers { deeper_mm } => ExplanationDetails {
            unit_deeper_mm: deeper_mm.unit,
            left_deeper_mm: deeper_mm.left,
            right_deeper_mm: deeper_mm.right,
            ..none
        },
        Explanation::SourceDiffers {
            before_ohm,
            after_ohm,
        } => ExplanationDetails {
            before_ohm: Some(*before_ohm),
            after_ohm: Some(*after_ohm),
            ..none
        },
        Explanation::NothingWrong
        | Explanation::GainsHalved
        | Explanation::Bypassed
        | Explanation::AppliedTwice
        | Explanation::PreampMissing
        | Explanation::SessionsExchanged
        | Explanation::SomethingElse => none,
    }
}

fn seal(seal: SideSeal) -> SealPart {
    SealPart {
        leak: seal.leak,
        after: seal.after,
    }
}

fn change(change: &Change) -> ChangePart<'_> {
    let support = &change.support;
    ChangePart {
        change,
        frequency_hz: &grid::frequency_hz()[support.clone()],
        promised_db: &change.promised_db[support.clone()],
        measured_db: &change.measured_db[support.clone()],
        standard_error_db: &change.error_db[support.clone()],
        explained_db: change.explained_db.as_ref().map(|db| &db[support.clone()]),
    }
}
