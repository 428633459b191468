//! The document of `check --json`: one JSON object, schema below, field by field.
//!
//! Every object has all of its fields; a figure that does not exist is `null`. Levels are dB rounded to 0.0001,
//! frequencies 0.001 Hz, shares 0.000001; deviations and tolerances of points are not rounded.

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

/// The whole document.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckDocument {
    /// Version of this schema: 1.
    pub format: u32,
    /// The command that made it: `check`.
    pub verb: &'static str,
    /// The sheet's file.
    pub sheet: String,
    /// Its unit.
    pub unit: String,
    /// Its target.
    pub target: String,
    /// Whether the file is as it was written: `intact`, `edited` or `missing` (it ends with no digest); `null` without a
    /// file.
    pub digest: Option<Digest>,
    /// The limits that it was held against.
    pub limits: CheckLimitsPart,
    /// Whether every point passes.
    pub passes: bool,
    /// The points.
    pub points: Vec<CheckPointPart>,
    /// Whether the promise was kept; `null` without takes.
    pub promise: Option<PromisePart>,
    /// The files that were written.
    pub files: Vec<WrittenFile>,
}

/// Limits of a check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckLimitsPart {
    /// Their name; `null` where there are none.
    pub name: Option<String>,
    /// Whether they are the sheet's own.
    pub own: bool,
    /// `sheet`, `library` or `file`; `null` where there are none.
    pub from: Option<LimitsFrom>,
}

/// A point.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckPointPart {
    /// What was tested.
    pub point: Subject,
    /// `pass`, `fail` or `not-in-sheet`.
    pub outcome: Outcome,
    /// The largest deviation: dB, but for coefficients.
    pub deviation: Option<f64>,
    /// What is allowed.
    pub tolerance: Option<f64>,
    /// Its frequency, Hz.
    pub at_hz: Option<f64>,
    /// Its rate, Hz.
    pub rate_hz: Option<f64>,
    /// Its side.
    pub side: Option<Side>,
    /// The sentence.
    pub text: String,
}

/// Whether the promise was kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PromisePart {
    /// `kept`, `not-kept` or `cannot-tell`.
    pub verdict: Verdict,
    /// The rate that the promise was computed at, Hz.
    pub rate_hz: f64,
    /// Lowest and highest frequency that was judged, Hz.
    pub judged_hz: [f64; 2],
    /// Takes before.
    pub before: SessionPart,
    /// Takes after.
    pub after: SessionPart,
    /// Spread of one take, dB rms; assumed where `freedom` is 0.
    pub spread_db: f64,
    /// Its degrees of freedom.
    pub freedom: usize,
    /// The level; `null` where levels do not compare.
    pub level: Option<CheckLevelPart>,
    /// The largest change that could hide, dB.
    pub unseen_db: f64,
    /// The likeliest first.
    pub explanations: Vec<ExplanationPart>,
    /// One, or left and right.
    pub changes: Vec<ChangePart>,
}

/// One session.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SessionPart {
    /// Names of the kept takes.
    pub takes: Vec<String>,
    /// Names of those set aside.
    pub set_aside: Vec<String>,
}

/// The level.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckLevelPart {
    /// The preamp, dB.
    pub promised_db: f64,
    /// What was measured, dB.
    pub measured_db: f64,
    /// Its standard error, dB.
    pub error_db: f64,
}

/// An explanation.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExplanationPart {
    /// Its kind.
    pub kind: &'static str,
    /// Posterior probability, 0 to 1.
    pub share: f64,
    /// What it leaves, rms in standard errors.
    pub misfit: f64,
    /// The largest change that it makes to the promise, 50 Hz to 8 kHz, dB.
    pub worst_db: f64,
    /// Where, Hz.
    pub worst_hz: f64,
    /// The side of the section.
    pub side: Option<Side>,
    /// The section's number, from 1.
    pub section_number: Option<usize>,
    /// The section as the sheet has it.
    pub section: Option<Section>,
    /// The number that is wrong: `f0_hz`, `gain_db` or `q`.
    pub number: Option<&'static str>,
    /// What it probably is: the slip, else the fitted number.
    pub fitted: Option<f64>,
    /// The slip of the printed number that fits.
    pub slip: Option<f64>,
    /// How q is read: of peaking sections.
    pub peaking_q: Option<&'static str>,
    /// How q is read: of shelves.
    pub shelf_q: Option<&'static str>,
    /// Which sections play where: `swapped`, `left-on-both`, `right-on-both`, `the-other`.
    pub mix: Option<Mix>,
    /// The rate of the coefficients, Hz.
    pub coefficients_hz: Option<f64>,
    /// The rate that they play at, Hz.
    pub played_hz: Option<f64>,
    /// Lost by the seal at 30 Hz, dB.
    pub loss_at_30_hz_db: Option<f64>,
    /// The sentence.
    pub text: String,
}

/// A change.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChangePart {
    /// The side; `null`: the mean of the sides.
    pub side: Option<Side>,
    /// Takes in the mean before.
    pub takes_before: usize,
    /// Takes in the mean after.
    pub takes_after: usize,
    /// Measured minus promised over the judged band, dB rms.
    pub rms_db: f64,
    /// Its largest value, dB.
    pub worst_db: f64,
    /// Where, Hz.
    pub worst_hz: f64,
    /// Its standard error there, dB.
    pub worst_error_db: f64,
    /// Grid frequencies, Hz.
    pub frequency_hz: Vec<f64>,
    /// Promised, dB.
    pub promised_db: Vec<f64>,
    /// Measured, at the level of the promise, dB.
    pub measured_db: Vec<f64>,
    /// Standard error, dB.
    pub standard_error_db: Vec<f64>,
    /// By the first explanation, dB; `null` for something else.
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
