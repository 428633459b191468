//! The document of `check --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use crate::filter::Section;
use crate::measurement::grid;
use crate::measurement::judge::Judged;
use crate::measurement::takes::Side;
use crate::report::check_text::{explanation_words, found};
use crate::report::files::WrittenFile;
use crate::verify::explanation::{Explanation, Number, Place, SideMixup};
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
    /// One change, or left and right.
    pub changes: Vec<ChangePart<'a>>,
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
    /// What happened: `nothing-wrong`, `seal-differs`, `section-missing`, `sign-flipped`, `number-wrong`, `q-read-as`
    /// (the equaliser means something else by q), `bypassed`, `applied-twice`, `wrong-side`, `wrong-rate`,
    /// `preamp-missing` or `something-else`.
    #[schemars(extend("enum" = ["nothing-wrong", "seal-differs", "section-missing", "sign-flipped", "number-wrong", "q-read-as", "bypassed", "applied-twice", "wrong-side", "wrong-rate", "preamp-missing", "something-else"]))]
    pub kind: &'static str,
    /// How likely and how large it is.
    #[serde(flatten)]
    pub ranked: &'a Ranked,
    /// What belongs to its kind.
    #[serde(flatten)]
    pub details: ExplanationDetails,
    /// The sentence for people.
    pub text: String,
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
    /// Bass lost by the seal at 30 Hz after against before, dB; negative is a loss before.
    pub loss_at_30_hz_db: Option<f64>,
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
        changes: promise.changes.iter().map(change).collect(),
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
        text: explanation_words(&ranked.explanation),
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
        Explanation::SectionMissing { place } | Explanation::SignFlipped { place } => at(place),
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
        Explanation::SealDiffers { loss_at_30_hz_db } => ExplanationDetails {
            loss_at_30_hz_db: Some(*loss_at_30_hz_db),
            ..none
        },
        Explanation::NothingWrong
        | Explanation::Bypassed
        | Explanation::AppliedTwice
        | Explanation::PreampMissing
        | Explanation::SomethingElse => none,
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
