//! The document of `check --json`. Its schema is made from these types ([`mod@super::schema`]).

use schemars::JsonSchema;
use serde::Serialize;

use super::check_text::{explanation_words, found};
use super::data::{WrittenFile, hertz, level, share};
use crate::digest::Digest;
use crate::filter::Section;
use crate::measurement::grid;
use crate::measurement::judge::Judged;
use crate::measurement::takes::Side;
use crate::verify::explanation::{Explanation, Mix, Place};
use crate::verify::remeasured::{Change, Ranked};
use crate::verify::sheet_check::{LimitsFrom, Outcome, Subject};
use crate::verify::{CheckPoint, Remeasured, SheetCheck, Verdict};

/// The document of `check --json`. Every object has all its fields; a figure that does not exist is `null`. Levels are
/// dB rounded to 0.0001, frequencies 0.001 Hz, shares 0.000001; deviations and tolerances of points are not rounded.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckDocument {
    /// Version of this schema: 1.
    #[schemars(extend("const" = 1))]
    pub format: u32,
    /// The command that made it: `check`.
    #[schemars(extend("const" = "check"))]
    pub verb: &'static str,
    /// Name of the sheet's file.
    pub sheet: String,
    /// Name of the unit, from the sheet.
    pub unit: String,
    /// Name of the target, from the sheet.
    pub target: String,
    /// Whether the file is as it was written; `null` where a sheet was checked that is no file.
    pub digest: Option<Digest>,
    /// The limits that it was held against.
    pub limits: CheckLimitsPart,
    /// Whether every point passes.
    pub passes: bool,
    /// What was tested.
    pub points: Vec<CheckPointPart>,
    /// Whether the promise was kept; `null` without takes.
    pub promise: Option<PromisePart>,
    /// The files that were written; empty where none were asked for.
    pub files: Vec<WrittenFile>,
}

/// Limits that a sheet was held against.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckLimitsPart {
    /// Their name; `null` where the sheet has none and none were given.
    pub name: Option<String>,
    /// Whether they are the sheet's own.
    pub own: bool,
    /// Where they come from; `null` where the sheet has none and none were given.
    pub from: Option<LimitsFrom>,
}

/// A point that was tested.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckPointPart {
    /// What was tested.
    pub point: Subject,
    /// How the test ended.
    pub outcome: Outcome,
    /// The largest deviation, not rounded: a plain number for coefficients, LU for loudness, else dB; `null` where
    /// nothing was measured or it is infinite.
    pub deviation: Option<f64>,
    /// The largest deviation that passes, in the same unit; `null` where there is none.
    pub tolerance: Option<f64>,
    /// Frequency of the deviation, Hz; `null` where it has none.
    pub at_hz: Option<f64>,
    /// Sample rate of the deviation, Hz; `null` where it has none.
    pub rate_hz: Option<f64>,
    /// Side of the deviation; `null` where the sheet has one EQ for both, or the point is about the whole sheet.
    pub side: Option<Side>,
    /// The sentence for people.
    pub text: String,
}

/// Whether the promised change was measured.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct PromisePart {
    /// The answer.
    pub verdict: Verdict,
    /// Sample rate at which the promise was computed, Hz.
    pub rate_hz: f64,
    /// Lowest and highest frequency that counted, Hz.
    pub judged_hz: [f64; 2],
    /// The takes before.
    pub before: SessionPart,
    /// The takes after.
    pub after: SessionPart,
    /// Spread of one take, dB rms; assumed where `freedom` is 0.
    pub spread_db: f64,
    /// Degrees of freedom of the spread.
    pub freedom: usize,
    /// The level; `null` where levels before and after do not compare.
    pub level: Option<CheckLevelPart>,
    /// The largest change, 50 Hz to 8 kHz, of a mistake that these takes do not exclude, dB, 0 or more.
    pub unseen_db: f64,
    /// What may have happened, the likeliest first, at least three.
    pub explanations: Vec<ExplanationPart>,
    /// One change, or left and right.
    pub changes: Vec<ChangePart>,
}

/// Takes of one session.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct SessionPart {
    /// Names of the kept takes.
    pub takes: Vec<String>,
    /// Names of those set aside.
    pub set_aside: Vec<String>,
}

/// The change of level.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct CheckLevelPart {
    /// The promised change: the preamp, dB.
    pub promised_db: f64,
    /// The measured change, dB.
    pub measured_db: f64,
    /// Standard error of the measured change, dB, 0 or more.
    pub error_db: f64,
}

/// Something that may have happened. A field that does not belong to its kind is `null`.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ExplanationPart {
    /// What happened: `nothing-wrong`, `seal-differs`, `section-missing`, `sign-flipped`, `number-wrong`, `q-read-as`
    /// (the equaliser means something else by q), `bypassed`, `applied-twice`, `wrong-side`, `wrong-rate`,
    /// `preamp-missing` or `something-else`.
    #[schemars(extend("enum" = ["nothing-wrong", "seal-differs", "section-missing", "sign-flipped", "number-wrong", "q-read-as", "bypassed", "applied-twice", "wrong-side", "wrong-rate", "preamp-missing", "something-else"]))]
    pub kind: &'static str,
    /// Its probability after these takes, 0 to 1.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub share: f64,
    /// What it leaves unexplained, rms in standard errors, 0 or more; about 1 where it fits.
    pub misfit: f64,
    /// The largest change that it makes to the promise, 50 Hz to 8 kHz, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that change, Hz.
    pub worst_hz: f64,
    /// Side of the section; `null` for both.
    pub side: Option<Side>,
    /// Number of the section within its EQ, from 1.
    pub section_number: Option<usize>,
    /// The section as the sheet has it.
    pub section: Option<Section>,
    /// Which number of the section is wrong: `f0_hz`, `gain_db` or `q`.
    #[schemars(extend("enum" = ["f0_hz", "gain_db", "q", null]))]
    pub number: Option<&'static str>,
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
    pub mix: Option<Mix>,
    /// Sample rate that the coefficients are for, Hz.
    pub coefficients_hz: Option<f64>,
    /// Sample rate that they play at, Hz.
    pub played_hz: Option<f64>,
    /// Bass lost by the seal at 30 Hz after against before, dB; negative is a loss before.
    pub loss_at_30_hz_db: Option<f64>,
    /// The sentence for people.
    pub text: String,
}

/// A measured change beside the promised one. Curves have one value for each of `frequency_hz`, at the level of the
/// promise.
#[derive(Debug, Clone, PartialEq, Serialize, JsonSchema)]
pub struct ChangePart {
    /// The side; `null` for the mean of the sides.
    pub side: Option<Side>,
    /// Number of takes in the mean before.
    pub takes_before: usize,
    /// Number of takes in the mean after.
    pub takes_after: usize,
    /// Measured minus promised over the judged band, dB rms, 0 or more.
    pub rms_db: f64,
    /// Its largest value there, dB with its sign.
    pub worst_db: f64,
    /// Frequency of that value, Hz.
    pub worst_hz: f64,
    /// Standard error of that value, dB, 0 or more.
    pub worst_error_db: f64,
    /// Frequencies of the common grid, rising, Hz.
    pub frequency_hz: Vec<f64>,
    /// The promised change, dB.
    pub promised_db: Vec<f64>,
    /// The measured change, dB.
    pub measured_db: Vec<f64>,
    /// Standard error of the measured change, dB, 0 or more.
    pub standard_error_db: Vec<f64>,
    /// What the likeliest explanation predicts, dB; `null` (the whole array) for `something-else`.
    pub explained_db: Option<Vec<f64>>,
}

/// The document of a tested sheet from the file `sheet`; `files` is what was written.
#[must_use]
pub fn check_document(
    sheet: &str,
    check: &SheetCheck,
    promise: Option<&Remeasured>,
    files: &[WrittenFile],
) -> CheckDocument {
    let from = check.limits.as_ref().map(|(_, from)| *from);
    CheckDocument {
        format: 1,
        verb: "check",
        sheet: sheet.to_owned(),
        unit: check.unit.clone(),
        target: check.target.clone(),
        digest: check.digest,
        limits: CheckLimitsPart {
            name: check.limits.as_ref().map(|(name, _)| name.clone()),
            own: from == Some(LimitsFrom::Sheet),
            from,
        },
        passes: check.passes(),
        points: check.points.iter().map(point).collect(),
        promise: promise.map(promise_part),
        files: files.to_vec(),
    }
}

fn point(point: &CheckPoint) -> CheckPointPart {
    // JSON has no word for infinity.
    let finite = |x: Option<f64>| x.filter(|x| x.is_finite());
    CheckPointPart {
        point: point.subject,
        outcome: point.outcome,
        deviation: finite(point.deviation),
        tolerance: finite(point.tolerance),
        at_hz: point.at_hz.map(hertz),
        rate_hz: point.rate_hz,
        side: point.side,
        text: found(point),
    }
}

fn promise_part(promise: &Remeasured) -> PromisePart {
    PromisePart {
        verdict: promise.verdict,
        rate_hz: promise.rate_hz,
        judged_hz: [hertz(promise.judged_hz.0), hertz(promise.judged_hz.1)],
        before: session(&promise.before),
        after: session(&promise.after),
        spread_db: level(promise.spread_db),
        freedom: promise.freedom,
        level: promise.level.map(|l| CheckLevelPart {
            promised_db: level(l.promised_db),
            measured_db: level(l.measured_db),
            error_db: level(l.error_db),
        }),
        unseen_db: level(promise.unseen_db),
        explanations: promise.explanations.iter().map(explanation).collect(),
        changes: promise.changes.iter().map(change).collect(),
    }
}

fn session(judged: &Judged) -> SessionPart {
    SessionPart {
        takes: judged.average.takes.clone(),
        set_aside: judged.set_aside.clone(),
    }
}

fn explanation(ranked: &Ranked) -> ExplanationPart {
    let mut part = ExplanationPart {
        kind: ranked.explanation.name(),
        share: share(ranked.share),
        misfit: level(ranked.misfit),
        worst_db: level(ranked.worst_db),
        worst_hz: hertz(ranked.worst_hz),
        side: None,
        section_number: None,
        section: None,
        number: None,
        fitted: None,
        slip: None,
        peaking_q: None,
        shelf_q: None,
        mix: None,
        coefficients_hz: None,
        played_hz: None,
        loss_at_30_hz_db: None,
        text: explanation_words(&ranked.explanation),
    };
    let mut at = |place: &Place| {
        part.side = place.side;
        part.section_number = Some(place.number);
        part.section = Some(place.section);
    };
    match &ranked.explanation {
        Explanation::SectionMissing { place } | Explanation::SignFlipped { place } => at(place),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => {
            at(place);
            part.number = Some(number.name());
            part.fitted = Some(level(*fitted));
            part.slip = *slip;
        }
        Explanation::QReadAs { peaking, shelves } => {
            part.peaking_q = Some(peaking.name());
            part.shelf_q = Some(shelves.name());
        }
        Explanation::WrongSide { mix } => part.mix = Some(*mix),
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => {
            part.coefficients_hz = Some(*coefficients_hz);
            part.played_hz = Some(*played_hz);
        }
        Explanation::SealDiffers { loss_at_30_hz_db } => {
            part.loss_at_30_hz_db = Some(level(*loss_at_30_hz_db));
        }
        Explanation::NothingWrong
        | Explanation::Bypassed
        | Explanation::AppliedTwice
        | Explanation::PreampMissing
        | Explanation::SomethingElse => {}
    }
    part
}

fn change(change: &Change) -> ChangePart {
    let of = |curve: &[f64]| {
        curve[change.support.clone()]
            .iter()
            .map(|db| level(*db))
            .collect()
    };
    let f_hz = &grid::frequency_hz()[change.support.clone()];
    ChangePart {
        side: change.side,
        takes_before: change.takes_before,
        takes_after: change.takes_after,
        rms_db: level(change.rms_db),
        worst_db: level(change.worst_db),
        worst_hz: hertz(change.worst_hz),
        worst_error_db: level(change.worst_error_db),
        frequency_hz: f_hz.iter().map(|hz| hertz(*hz)).collect(),
        promised_db: of(&change.promised_db),
        measured_db: of(&change.measured_db),
        standard_error_db: of(&change.error_db),
        explained_db: change.explained_db.as_deref().map(of),
    }
}
