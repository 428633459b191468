//! What a tested sheet shows: its points, whether the promise was kept, and why not.

use crate::digest::Digest;
use crate::knob::Knob;
use crate::measurement::judge::Judged;
use crate::report::blocks::ColumnKind::{Numbers, Sentences, Words};
use crate::report::blocks::{Block, Column, Part, Report, Row, ProgramSetting, Text};
use crate::report::check_text::{
    advice, change_words, found, percent, ranked_words, resolved_words, side_name, spread_words,
    unverified_words, verdict_sentence,
};
use crate::report::files::WrittenFile;
use crate::report::words::{self, band, count, decimals, decimals_up_to, signed_decimals_up_to};
use crate::verify::explanation::Explanation;
use crate::verify::remeasured::{ACCUSED, LEAST_SHARE, Ranked};
use crate::verify::sheet_check::{LimitsFrom, Outcome};
use crate::verify::{CheckPoint, Remeasured, SheetCheck, Verdict};

/// What is said of a sheet whose sections alone were changed.
const EDITED: &str = "edited: checkpoints and coefficients agree with each other, and not with the sections";

/// The report on a tested sheet; `files` is what was written.
#[must_use]
pub fn report(check: &SheetCheck, promise: Option<&Remeasured>, files: &[WrittenFile]) -> Report {
    let mut report = Report::new(format!("{} toward {}", check.unit, check.target));
    report.parts.push(points(check, promise.is_some()));
    if let Some(promise) = promise {
        report.parts.push(judgement(promise));
        report.parts.push(explanations(promise));
        report.parts.push(conclusion(promise));
    }
    report.with_files(files)
}

/// Whether a point holds.
fn outcome(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Pass => "pass",
        Outcome::Fail => "fail",
        Outcome::NotInSheet => "--",
    }
}

/// The points of the sheet; beside a judged promise, those that fail.
fn points(check: &SheetCheck, briefly: bool) -> Part {
    let of = |outcome| check.count(outcome);
    let (passes, fails, lack) = (
        of(Outcome::Pass),
        of(Outcome::Fail),
        of(Outcome::NotInSheet),
    );
    let lacking = match lack {
        0 => String::new(),
        _ => format!("; {lack} cannot be tested"),
    };
    let head = match fails {
        0 => format!("Sheet: all {passes} points pass{lacking}"),
        _ => format!("Sheet: {fails} of {} points fail{lacking}", passes + fails),
    };
    let shown = |p: &&CheckPoint| !briefly || p.outcome == Outcome::Fail;
    let points = check.points.iter().filter(shown);
    let outcomes = points.clone().map(|p| outcome(p.outcome).to_owned());
    let subjects = points.clone().map(|p| p.subject.words().to_owned());
    let table = Block::table([
        Column::new(Words, "", outcomes),
        Column::new(Words, "", subjects),
        Column::new(Sentences, "", points.map(found)),
    ]);
    let mut blocks = Vec::new();
    if !briefly || fails > 0 {
        blocks.push(table);
    }
    if !briefly {
        blocks.push(Block::about("Limits", limits(check)));
    }
    if check.sections_edited {
        let again = ProgramSetting {
            value: Some("SHEET"),
            ..ProgramSetting::of("fit", Knob::AsIs)
        };
        let text = Text::from(EDITED) + "; " + again + " writes the sheet anew from them.";
        blocks.push(Block::about("Sections", text));
    }
    let file = match check.digest {
        Some(Digest::Intact) => Some("as it was written."),
        Some(Digest::Edited) => Some("edited by hand since it was written."),
        Some(Digest::Missing) => {
            Some("without a digest, so that nothing tells whether it was edited.")
        }
        None => None,
    };
    let file = file.filter(|_| !briefly || check.digest != Some(Digest::Intact));
    blocks.extend(file.map(|file| Block::about("File", file)));
    Part::new(head, blocks)
}

fn limits(check: &SheetCheck) -> Text {
    match &check.limits {
        None => {
            Text::from("not in this sheet; ")
                + ProgramSetting::to(Knob::Limits, "NAME or FILE")
                + " holds others against it."
        }
        Some((name, from)) => {
            let whose = match from {
                LimitsFrom::Sheet => "the sheet's own",
                LimitsFrom::Library => "which come with the program",
                LimitsFrom::File => "from a file",
            };
            format!("{name}, {whose}.").into()
        }
    }
}

fn judgement(promise: &Remeasured) -> Part {
    let mut rows = vec![
        Row::new("Judged", judged_words(promise)),
        Row::new("Resolved", resolved_words(promise)),
    ];
    let unverified = unverified_words(promise);
    if promise.verdict != Verdict::NotKept && !unverified.is_empty() {
        rows.push(Row::new("Unverified", unverified));
    }
    rows.extend([
        Row::new("Before", session(&promise.before)),
        Row::new("After", session(&promise.after)),
        Row::new("Spread", spread_words(promise)),
    ]);
    let changes = promise.changes.iter();
    rows.extend(changes.map(|change| Row::new(side_name(change.side), change_words(change))));
    rows.extend(promise.level.map(|level| {
        let level = format!(
            "{} dB measured (\u{b1}{} dB), {} dB is the preamp's",
            signed_decimals_up_to(level.measured_db, 1),
            decimals(level.error_db, 1),
            signed_decimals_up_to(level.promised_db, 1),
        );
        Row::new("Level", level)
    }));
    let head = format!("Promise: {}", verdict_sentence(promise));
    Part::new(head, [Block::Rows(rows)])
}

fn explanations(promise: &Remeasured) -> Part {
    // The first, and the others that have a share worth telling.
    let told = promise.explanations.iter().enumerate();
    let told = told.filter(|(k, ranked)| *k == 0 || ranked.share >= LEAST_SHARE && is_heard(ranked));
    let ranked = told.map(|(_, ranked)| ranked);
    let shares = ranked.clone().map(|ranked| percent(ranked.share));
    let incomplete = promise.is_incomplete();
    let texts = ranked
        .enumerate()
        .map(|(k, ranked)| explained(ranked, incomplete && k == 0));
    let table = Block::table([
        Column::new(Numbers, "", shares),
        Column::new(Sentences, "", texts),
    ]);
    Part::new("Explanations, with their share of the probability", [table])
}

/// Whether an explanation changes something that anyone could find.
fn is_heard(ranked: &Ranked) -> bool {
    const LEAST_DB: f64 = 0.1;
    let of_no_section = matches!(
        ranked.explanation,
        Explanation::NothingWrong | Explanation::SomethingElse | Explanation::PreampMissing
    );
    of_no_section || ranked.worst_db.abs() >= LEAST_DB
}

fn explained(ranked: &Ranked, incomplete: bool) -> String {
    let size = match ranked.explanation {
        Explanation::NothingWrong | Explanation::SomethingElse | Explanation::PreampMissing => {
            String::new()
        }
        _ => format!(
            "; changes {} dB about {}",
            signed_decimals_up_to(ranked.worst_db, 1),
            words::frequency(ranked.worst_hz)
        ),
    };
    format!(
        "{}{}{size}; leaves {} standard errors rms{}.",
        if incomplete { "at least this: " } else { "" },
        ranked_words(ranked),
        decimals(ranked.misfit, 1),
        if incomplete { ", so that more is wrong" } else { "" }
    )
}

fn conclusion(promise: &Remeasured) -> Part {
    let tolerance = decimals_up_to(promise.tolerance_db, 2);
    let accused = decimals(100.0 * ACCUSED, 0);
    let rules = format!(
        "Kept: at most {tolerance} dB off in every third octave that these takes resolve, with 95 % confidence. Not kept: {accused} % or less is left for nothing wrong, the seal, the seat and the source together. Shares hold only among what is listed in the README."
    );
    Part::without_head([
        Block::paragraph(advice(promise)),
        Block::paragraph(rules),
    ])
}

fn judged_words(promise: &Remeasured) -> String {
    let (lowest_hz, highest_hz) = promise.judged_hz;
    format!(
        "{}, levels {}, promise at {}",
        band(lowest_hz, highest_hz),
        if promise.level.is_some() {
            "compared"
        } else {
            "free"
        },
        words::rate(promise.rate_hz)
    )
}

fn session(judged: &Judged) -> String {
    let kept: usize = judged.sides.iter().map(|side| side.kept).sum();
    let mut text = format!("{} kept", count(kept, "take", "takes"));
    if !judged.set_aside.is_empty() {
        let names: Vec<String> = judged
            .aside()
            .map(|take| format!("{} {}", take.name, take.verdict))
            .collect();
        text.push_str(&format!("; set aside: {}", names.join("; ")));
    }
    text
}
