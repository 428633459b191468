//! What `check` found, in words, as its text, its document and its picture have them.

use super::words::{
    self, band, count, decimals, decimals_up_to, printable, signed_decimals_up_to, signed_typed,
    typed,
};
use crate::filter::{Section, Shape};
use crate::measurement::leak::Order;
use crate::measurement::takes::Side;
use crate::verify::explanation::{Explanation, Number, OfSides, Place, SideMixup, SideSeal};
use crate::verify::remeasured::{Change, Ranked};
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
        "measured minus promised {} dB rms; {} dB (\u{b1}{} dB) in the third octave that is off most, about {}",
        decimals(change.rms_db, 2),
        signed_decimals_up_to(change.worst_db, 2),
        decimals(change.worst_error_db, 2),
        words::frequency(change.worst_hz)
    )
}

/// The verdict with what it stands on.
#[must_use]
pub(super) fn verdict_sentence(promise: &Remeasured) -> String {
    let verdict = verdict_words(promise.verdict);
    match (promise.verdict, promise.bound_db) {
        (Verdict::Kept, Some(bound_db)) => {
            format!("{verdict}, {} in any third octave (95 %)", at_most(bound_db))
        }
        (Verdict::CannotTell, Some(bound_db)) => {
            format!("{verdict}, {} where these takes resolve it", at_most(bound_db))
        }
        _ => verdict.to_owned(),
    }
}

/// `at most 0.6 dB off`, rounded away from 0.
fn at_most(bound_db: f64) -> String {
    format!("at most {} dB off", decimals((bound_db * 10.0).ceil() / 10.0, 1))
}

/// Where the takes resolve the tolerance.
pub(super) fn resolved_words(promise: &Remeasured) -> String {
    let tolerance = decimals_up_to(promise.tolerance_db, 2);
    match promise.resolved_hz.is_empty() {
        true => format!("nowhere: these takes do not tell {tolerance} dB in any third octave"),
        false => format!(
            "{}: there these takes tell {tolerance} dB in a third octave",
            bands_words(&promise.resolved_hz)
        ),
    }
}

fn bands_words(bands_hz: &[(f64, f64)]) -> String {
    let bands: Vec<String> = bands_hz.iter().map(|(low, high)| band(*low, *high)).collect();
    bands.join(", ")
}

/// What the takes cannot verify: sections, the preamp; empty where there is nothing.
pub(super) fn unverified_words(promise: &Remeasured) -> String {
    let mut parts: Vec<String> = promise.unverified.iter().map(place_words).collect();
    match promise.level {
        None => parts.push("the preamp (levels are free)".to_owned()),
        Some(level) if !level.tells_preamp => {
            parts.push("the preamp (too small for these takes)".to_owned());
        }
        Some(_) => {}
    }
    parts.join("; ")
}

/// What to do now.
pub(super) fn advice(promise: &Remeasured) -> String {
    let first = promise.explanations.first().map(|r| &r.explanation);
    match promise.verdict {
        Verdict::Kept => kept_advice(promise),
        Verdict::NotKept => not_kept_advice(promise, first),
        Verdict::CannotTell => cannot_tell_advice(promise, first),
    }
}

fn kept_advice(promise: &Remeasured) -> String {
    let within = decimals_up_to(promise.tolerance_db, 2);
    let mut text = format!(
        "What plays is what the sheet says, within {within} dB in every third octave from {}.",
        bands_words(&promise.resolved_hz)
    );
    if !promise.unverified.is_empty() {
        text.push_str(" Compare the sections that are not verified with the sheet by eye.");
    }
    if promise.level.is_none() {
        text.push_str(" Look that the preamp is entered too, or measure both at one volume.");
    }
    text
}

fn not_kept_advice(promise: &Remeasured, first: Option<&Explanation>) -> String {
    let text = match first {
        Some(Explanation::PreampMissing) => {
            "Enter the preamp before anything plays loud: without it the sections can clip. Then measure again."
        }
        Some(Explanation::Bypassed) => "Switch the equaliser on, and measure again.",
        Some(Explanation::OneSideOnly { .. }) => {
            "Switch the equaliser on for both sides, and measure again."
        }
        Some(Explanation::SessionsExchanged) => {
            "Give the takes without the sheet as those of before, and check again."
        }
        Some(Explanation::SomethingElse) => {
            "Compare every number at the equaliser with the sheet; look for another EQ, sound effect or device in the way; measure before and after through the same device, EQ off and on."
        }
        Some(e) if e.is_innocent() => {
            "It is louder than promised by more than chance. Set the same volume for before and after; if it was the same, look at the preamp."
        }
        _ if promise.is_incomplete() => {
            "Correct what is told first at the equaliser, compare every other number with the sheet, and measure again."
        }
        _ => "Correct what is told first at the equaliser, and measure again.",
    };
    text.to_owned()
}

fn cannot_tell_advice(promise: &Remeasured, first: Option<&Explanation>) -> String {
    let more = "Take more takes of before and after, seated anew each time.";
    match first {
        Some(Explanation::SealDiffers { .. }) => {
            "Reseat until the bass no longer rises, with the same tips, and measure again: the load shows only behind an equal seal.".to_owned()
        }
        Some(Explanation::SeatDiffers { .. }) => {
            "Seat the earphone as deep as before (mark the depth on the coupler), and measure again.".to_owned()
        }
        Some(Explanation::SourceDiffers { .. }) => {
            "Measure before and after through the same device, EQ off and on: another output impedance bends the response.".to_owned()
        }
        Some(Explanation::NothingWrong) => {
            let within = promise.bound_db.is_some_and(|db| db <= promise.tolerance_db);
            match within {
                false => format!("Nothing speaks against the sheet, but these takes are too few or too far apart to tell. {more}"),
                true => "The curve is the promised one, the level is not: set the same volume for before and after, or give levels as free.".to_owned(),
            }
        }
        _ => format!("Look at the first explanation at the equaliser; these takes do not exclude that nothing is wrong. {more}"),
    }
}

pub(super) fn place_words(place: &Place) -> String {
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

/// What may have happened, with what else at the same time, as a sentence without its full stop.
#[must_use]
pub(super) fn ranked_words(ranked: &Ranked) -> String {
    let first = explanation_words(&ranked.explanation);
    match &ranked.also {
        Some(also) => format!("two at once: {first}; and {}", explanation_words(also)),
        None => first,
    }
}

fn seal_words(seals: &OfSides<SideSeal>) -> String {
    let one = |seal: &SideSeal, side: &str| {
        // A resonant leak shows further down.
        let at_hz = match seal.leak.order {
            Order::First => 30.0,
            Order::Second => 20.0,
        };
        format!(
            "{side}loses {} dB at {} Hz {}",
            decimals(seal.leak.loss_db(at_hz), 1),
            typed(at_hz),
            if seal.after { "after" } else { "before" }
        )
    };
    let sides = match (&seals.left, &seals.right) {
        (Some(left), Some(right)) if left == right => one(left, ""),
        _ => of_sides(seals, one),
    };
    format!("the sections play, the seal differs: {sides}")
}

fn seat_words(deeper_mm: &OfSides<f64>) -> String {
    let one = |mm: &f64, side: &str| {
        let way = if *mm > 0.0 { "deeper" } else { "less deep" };
        format!("{side}{} mm {way} after", decimals(mm.abs(), 1))
    };
    let sides = match (&deeper_mm.left, &deeper_mm.right) {
        (Some(left), Some(right)) if left == right => one(left, ""),
        _ => of_sides(deeper_mm, one),
    };
    format!("the sections play, the seat differs: {sides}")
}

fn of_sides<T>(all: &OfSides<T>, one: impl Fn(&T, &str) -> String) -> String {
    let named = [(&all.unit, ""), (&all.left, "left "), (&all.right, "right ")];
    let told: Vec<String> = named
        .iter()
        .filter_map(|(value, side)| value.as_ref().map(|value| one(value, side)))
        .collect();
    told.join(", ")
}

fn source_words(before_ohm: f64, after_ohm: f64) -> String {
    let (ohm, session) = match after_ohm > before_ohm {
        true => (after_ohm, "after"),
        false => (before_ohm, "before"),
    };
    format!(
        "the sections play, the source differs: about {} ohm more output impedance {session}",
        decimals(ohm, 0)
    )
}

/// What may have happened, as a sentence without its full stop.
#[must_use]
pub(super) fn explanation_words(explanation: &Explanation) -> String {
    match explanation {
        Explanation::NothingWrong => {
            "nothing wrong: the sections play as the sheet says".to_owned()
        }
        Explanation::SealDiffers { seals } => seal_words(seals),
        Explanation::SeatDiffers { deeper_mm } => seat_words(deeper_mm),
        Explanation::SourceDiffers {
            before_ohm,
            after_ohm,
        } => source_words(*before_ohm, *after_ohm),
        Explanation::SectionMissing { place } => format!("{} is missing", place_words(place)),
        Explanation::SignFlipped { place, or_mirrored } => format!(
            "{} has the wrong sign: {} dB{}",
            place_words(place),
            signed_typed(-place.section.gain_db),
            if *or_mirrored {
                ", or was entered as the other shelf"
            } else {
                ""
            }
        ),
        Explanation::NumberWrong {
            place,
            number,
            fitted,
            slip,
        } => {
            let place_words = place_words(place);
            match slip {
                Some(slip) if slip == fitted => format!(
                    "{place_words} was entered with {}, probably",
                    number_words(*number, *slip)
                ),
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
        Explanation::ShelfMirrored { place } => format!(
            "{} was entered as a {}",
            place_words(place),
            if place.section.shape == Shape::LowShelf {
                Shape::HighShelf
            } else {
                Shape::LowShelf
            }
        ),
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
        Explanation::GainsHalved => "every gain is half of what it should be".to_owned(),
        Explanation::OneSideOnly { plays } => {
            format!("only the {} plays its sections", plays.words())
        }
        Explanation::SessionsExchanged => {
            "before and after are exchanged: the takes of before have the sections".to_owned()
        }
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
            "something else: a change that no one or two of these make".to_owned()
        }
    }
}
