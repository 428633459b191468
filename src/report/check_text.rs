//! What `check` found, in words, as its text, its document and its picture have them.

use super::words::{
    self, band, count, decimals, printable, signed_decimals_up_to, signed_typed, typed,
};
use crate::filter::Section;
use crate::measurement::takes::Side;
use crate::verify::explanation::{Explanation, Number, Place, SideMixup};
use crate::verify::remeasured::Change;
use crate::verify::sheet_check::{Outcome, Subject};
use crate::verify::{CheckPoint, Remeasured, Verdict};

/// What was found at a point, with its figures, and where it fails, what was expected.
pub(super) fn found(point: &CheckPoint) -> String {
    let mut text = printable(&point.found);
    // Levels say their figures in words.
    let figures = match point.subject {
        Subject::Checkpoints => point
            .deviation
            .map(|db| format!("{:.5} dB", crate::message::Number(db))),
        Subject::Coefficients => point.deviation.map(|x| format!("{x:.0e}")),
        _ => None,
    };
    let allowed = match point.subject {
        Subject::Checkpoints => point
            .tolerance
            .map(|db| format!("{:.5} dB", crate::message::Number(db))),
        _ => point.tolerance.map(|x| format!("{x:.0e}")),
    };
    if let Some((deviation, allowed)) = figures.zip(allowed) {
        text.push_str(&format!("; off by {deviation} at most, {allowed} allowed"));
    }
    let place: Vec<String> = [
        point.at_hz.map(words::at_frequency),
        point.rate_hz.map(|hz| format!("rate {}", words::rate(hz))),
        point.side.map(|side| side.words().to_owned()),
    ]
    .into_iter()
    .flatten()
    .collect();
    if !place.is_empty() {
        text.push_str(&format!(" ({})", place.join(", ")));
    }
    if point.outcome == Outcome::Fail {
        text.push_str(&format!(": {}", printable(&point.because)));
    }
    text
}

/// The verdict in a few words.
#[must_use]
pub(super) fn verdict_words(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Kept => "kept",
        Verdict::NotKept => "not kept",
        Verdict::CannotTell => "cannot tell",
    }
}

/// `96 %`, `<1 %`, `>99 %`.
pub(super) fn percent(share: f64) -> String {
    match share {
        _ if share < 0.01 => "<1 %".to_owned(),
        _ if share > 0.99 => ">99 %".to_owned(),
        _ => format!("{} %", decimals(100.0 * share, 0)),
    }
}

/// How a row names the EQ.
pub(super) fn side_name(side: Option<Side>) -> &'static str {
    match side {
        Some(side @ (Side::Left | Side::Right)) => words::side_name(side),
        _ => "Change",
    }
}

/// The spread and what it stands on.
pub(super) fn spread_words(promise: &Remeasured) -> String {
    let spread = decimals(promise.spread_db, 2);
    match promise.freedom {
        0 => format!("unknown, one take a side; {spread} dB rms was assumed"),
        freedom => format!(
            "{spread} dB rms a take, from {}",
            count(freedom, "degree of freedom", "degrees of freedom")
        ),
    }
}

/// Measured against promised.
pub(super) fn change_words(change: &Change) -> String {
    format!(
        "measured minus promised {} dB rms; {} dB at most (\u{b1}{} dB) at {}",
        decimals(change.rms_db, 2),
        signed_decimals_up_to(change.worst_db, 2),
        decimals(change.worst_error_db, 2),
        words::frequency(change.worst_hz)
    )
}

/// What to do now.
pub(super) fn advice(promise: &Remeasured) -> String {
    let first = promise.explanations.first().map(|r| r.explanation);
    match (promise.verdict, first) {
        (Verdict::Kept, _) => format!(
            "The measured change is the promised one. A mistake that changes up to {} dB somewhere from {} could hide in these takes.",
            decimals(promise.unseen_db.max(0.1), 1),
            band(promise.told_hz().0, promise.told_hz().1)
        ),
        (Verdict::NotKept, Some(Explanation::SomethingElse)) => {
            "The measured change is not the promised one, and no single mistake explains it. Check every section, the unit, and the takes; then measure again.".to_owned()
        }
        (Verdict::NotKept, _) => {
            "The measured change is not the promised one. Check the first explanation at the equaliser, correct it, and measure again.".to_owned()
        }
        (Verdict::CannotTell, Some(Explanation::SealDiffers { .. })) => {
            "The seal was another after than before. Reseat, and measure again.".to_owned()
        }
        (Verdict::CannotTell, Some(Explanation::NothingWrong)) => format!(
            "Nothing speaks against the sheet, but mistakes that change up to {} dB could hide in these takes. More takes of before and after, seated anew each time, would tell.",
            decimals(promise.unseen_db, 1)
        ),
        (Verdict::CannotTell, _) => format!(
            "These takes cannot tell: mistakes that change up to {} dB remain possible. Measure more takes of before and after, seated anew each time.",
            decimals(promise.unseen_db, 1)
        ),
    }
}

fn place_words(place: &Place) -> String {
    let side = match place.side {
        Some(Side::Left) => "left ",
        Some(Side::Right) => "right ",
        _ => "",
    };
    format!(
        "{side}section {} ({})",
        place.number,
        section_words(&place.section)
    )
}

fn section_words(section: &Section) -> String {
    format!(
        "{} {} Hz {} dB q {}",
        section.shape,
        typed(section.f0_hz),
        signed_typed(section.gain_db),
        typed(section.q)
    )
}

fn number_words(number: Number, value: f64) -> String {
    match number {
        Number::F0Hz => format!("f0 {} Hz", typed(value)),
        Number::GainDb => format!("gain {} dB", signed_typed(value)),
        Number::Q => format!("q {}", typed(value)),
    }
}

/// A fitted number with the digits that it can have.
fn about(number: Number, value: f64) -> String {
    match number {
        Number::F0Hz => words::frequency(value),
        Number::GainDb => format!("{} dB", signed_decimals_up_to(value, 1)),
        Number::Q => decimals(value, 2),
    }
}

/// What may have happened, as a sentence without its full stop.
#[must_use]
pub(super) fn explanation_words(explanation: &Explanation) -> String {
    match explanation {
        Explanation::NothingWrong => {
            "nothing wrong: the sections play as the sheet says".to_owned()
        }
        Explanation::SealDiffers { loss_at_30_hz_db } => format!(
            "the sections play, but the seal of {} loses {} dB at 30 Hz",
            if *loss_at_30_hz_db > 0.0 {
                "after"
            } else {
                "before"
            },
            decimals(loss_at_30_hz_db.abs(), 1)
        ),
        Explanation::SectionMissing { place } => format!("{} is missing", place_words(place)),
        Explanation::SignFlipped { place } => format!(
            "{} has the wrong sign: {} dB",
            place_words(place),
            signed_typed(-place.section.gain_db)
        ),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => {
            let place_words = place_words(place);
            match slip {
                Some(slip) => format!(
                    "{place_words} was entered with {}, probably (measured: about {})",
                    number_words(*number, *slip),
                    about(*number, *fitted)
                ),
                None => format!(
                    "{place_words} has another {}: about {}",
                    match number {
                        Number::F0Hz => "f0",
                        Number::GainDb => "gain",
                        Number::Q => "q",
                    },
                    about(*number, *fitted)
                ),
            }
        }
        Explanation::QReadAs { peaking, shelves } => {
            use crate::filter::QMeaning::Cookbook;
            match (peaking, shelves) {
                (Cookbook, shelves) => format!(
                    "the equaliser reads the q of shelves as {}",
                    shelves.words()
                ),
                (peaking, Cookbook) => {
                    format!(
                        "the equaliser reads the q of peaking sections as {}",
                        peaking.words()
                    )
                }
                (peaking, shelves) => format!(
                    "the equaliser reads the q of peaking sections as {}, that of shelves as {}",
                    peaking.words(),
                    shelves.words()
                ),
            }
        }
        Explanation::Bypassed => "no section plays: the equaliser is bypassed".to_owned(),
        Explanation::AppliedTwice => "every section plays twice".to_owned(),
        Explanation::WrongSide { mix } => match mix {
            SideMixup::Swapped => "left and right are swapped".to_owned(),
            SideMixup::LeftOnBoth => "both sides play the sections of the left".to_owned(),
            SideMixup::RightOnBoth => "both sides play the sections of the right".to_owned(),
            SideMixup::TheOther => "the sections of the other side play".to_owned(),
        },
        Explanation::WrongRate {
            coefficients_hz,
            played_hz,
        } => format!(
            "coefficients of {} play at {}, so that every frequency is {} times what it should be",
            words::rate(*coefficients_hz),
            words::rate(*played_hz),
            decimals(played_hz / coefficients_hz, 3)
        ),
        Explanation::PreampMissing => {
            "the sections play, but the preamp is missing: it can clip".to_owned()
        }
        Explanation::SomethingElse => {
            "something else: a smooth change that no single mistake makes".to_owned()
        }
    }
}
