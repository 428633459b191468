//! Findings about takes, in words: what was found, a colon, what to do.

use super::blocks::{ProgramSetting, Text};
use super::words::{self, band, count, decimals, signed_decimals_up_to, the_side};
use crate::inspection::NextStep;
use crate::inspection::next_step::{TakeName, WhyUnknown};
use crate::knob::Knob;
use crate::measurement::outlier::Kind;
use crate::measurement::takes::Side;

/// What was found and what to do, with settings to be named by whoever shows it.
#[must_use]
pub fn step_text(step: &NextStep) -> Text {
    let hz = words::frequency;
    match step {
            NextStep::OnlyTake => "one take tells neither its seal nor how far it repeats nor how the sides match: nothing can be told. Measure each side three times, seated anew each time.".into(),
            NextStep::Leaks {
                take,
                loss_db,
                at_hz,
            } => format!("{take} leaks {} dB at {}: reseat and measure again.",
                decimals(*loss_db, 1),
                hz(*at_hz)
            ).into(),
            NextStep::Copy {
                take,
                original,
                counts,
            } => copy(take, original, *counts).into(),
            NextStep::ResemblesOtherSide { take } => format!("{take} resembles {} and not the other of its own side: label swapped? It was kept. Check which ear it is of.",
                other_side(take.side)
            ).into(),
            NextStep::LeakOrVent { side } => format!("two takes of {} lose the same bass against the third: two leaks that are alike, or a vent that was blocked in the third; all were kept. Measure two more: a corner that repeats to a few hertz is a vent's, one that wanders a leak's. Taping the vent tells too: only a vent's corner goes, and the impedance peak moves.",
                the_side(*side)
            ).into(),
            NextStep::DoesNotBelong {
                take,
                kind,
                distance_db,
                largest_db,
                largest_hz,
            } => does_not_belong(take, *kind, *distance_db, largest_db.zip(*largest_hz)).into(),
            NextStep::SharesTooLittle { take } => format!("{take} shares too little with the others of its side to be compared, and was kept: measure it over the whole range, or leave it out."
            ).into(),
            NextStep::TwoLevels { side } => format!("the two takes of {} differ in level, and nothing tells which is right; both were kept: check gain and cable, and measure a third.",
                the_side(*side)
            ).into(),
            NextStep::Contradict { side, takes } => format!("the {} of {} contradict each other, and it cannot be told which to believe; all were kept: check that all are of this unit, and measure two more.",
                count(*takes, "take", "takes"),
                the_side(*side)
            ).into(),
            NextStep::OtherSideDecided { side } => format!("the takes of {} contradict each other; those that the other side confirms were believed: measure one more to be sure.",
                the_side(*side)
            ).into(),
            NextStep::NoneSound { side } => format!("every take of {} was found wanting, and all were kept for want of a better one: measure it anew before you use this.",
                the_side(*side)
            ).into(),
            NextStep::LessBass {
                side,
                loss_db,
                at_hz,
                corner_hz,
                sound_ones,
                takes,
            } => format!("{} of {} {} {} dB at {} against the other side: a leak{}, or a vent, which looks alike. Seat it anew with another tip: a corner that stays at {} is the earphone's own, one that wanders a leak's. Taping the vent tells too: only a vent's corner goes, and the impedance peak moves.",
                match takes {
                    _ if *sound_ones => "even the tightest takes",
                    1 => "the take",
                    _ => "all takes",
                },
                the_side(*side),
                if *takes == 1 { "loses" } else { "lose" },
                decimals(*loss_db, 1),
                hz(*at_hz),
                if *takes == 1 { "" } else { " in all of them" },
                hz(*corner_hz),
            ).into(),
            NextStep::SealUnknown { side, why } => {
                const AGAIN: &str = "Measure once more with another tip and a firmer seat; if the bass stays, the seal is good.";
                let (why, step) = match why {
                    WhyUnknown::NoBass => (
                        "the data do not reach down to 40 Hz",
                        "Measure from 20 Hz on.",
                    ),
                    WhyUnknown::NoOtherSide => (
                        "its takes are alike and there is no other side to compare them with",
                        AGAIN,
                    ),
                    WhyUnknown::AnotherDifference => (
                        "its takes are alike and the other side's bass differs in another way than by a leak",
                        AGAIN,
                    ),
                };
                let side = the_side(*side);
                format!("whether {side} leaks cannot be told: {why}. {step}").into()
            }
            NextStep::OneTake { side } => format!("{} has one take, so it is not known how far it repeats: seat it anew and measure two more.",
                the_side(*side)
            ).into(),
        NextStep::NoSide { takes } => {
            let takes = if *takes == 1 {
                "1 take says".to_owned()
            } else {
                format!("{takes} takes say")
            };
            Text::from(takes)
                + " no side, so left and right cannot be compared: put left or right into the names, or use "
                + Knob::Left
                + " and "
                + Knob::Right
                + "."
        }
        NextStep::SidesDifferInForm { worst_db, worst_hz } => {
            let worst = format!(
                "left minus right reaches {} dB at {}, level taken out",
                signed_decimals_up_to(*worst_db, 1),
                words::frequency(*worst_hz)
            );
            Text::from(worst)
                + ": one EQ for both sides cannot mend that; fit one for each ("
                + ProgramSetting::of("fit", Knob::PerSide)
                + "), or leave it."
        }
            NextStep::OneSide { side } => format!("only {} was measured, so the match is not known: measure the other side.",
                the_side(*side)
            ).into(),
            NextStep::SidesDifferInLevel { level_db } => format!("left is {} dB {} than right: exchange the sides on the rig and measure again; if the difference stays with the earphone, set the balance.",
                decimals(level_db.abs(), 1),
                if *level_db > 0.0 { "louder" } else { "quieter" }
            ).into(),
            NextStep::Wanders { spread_db, at_hz } => format!("the takes differ by {} dB (one standard deviation) at {}: what moves with the seating no section can follow. Leave it alone there, or seat more alike and measure again.",
                decimals(*spread_db, 1),
                hz(*at_hz)
            ).into(),
            NextStep::DepthVaries { range_mm } => format!("the depth of the seating varies by at least {} mm: seat to one depth, by a mark or a stop, to see more of the earphone around the resonance.",
                decimals(*range_mm, 1)
            ).into(),
            NextStep::BeyondEq { from_hz, to_hz } => format!("{}: the excess delay is longer than half a period. An equaliser can lift or lower the level there but cannot undo what made it; fill no dip there.",
                band(*from_hz, *to_hz)
            ).into(),
            NextStep::NoisyTail {
                take,
                noise_below_db,
            } => format!("{take}: its impulse response ends in noise, or before it has died away, about {} dB below its level: measure longer, or store it with more bits.",
                decimals(*noise_below_db, 0)
            ).into(),
            NextStep::NothingTrusted => "the rig is trusted nowhere within the data: check the trust table.".into(),
        }
}

fn copy(take: &TakeName, original: &TakeName, counts: bool) -> String {
    let same = format!("{take} has the same data as {original}");
    if take.side == original.side {
        return format!(
            "{same}: a copy, or the same seating measured again. They count once, and tell nothing of how far takes repeat: seat anew for every take."
        );
    }
    if counts {
        return format!(
            "{same}: one measurement cannot be both, and so left and right cannot be compared. Check which ear it is of, and measure the other."
        );
    }
    format!(
        "{same}: one measurement cannot be both. It counts once, on {}, to which it is nearer or which has nothing else: check which ear it is of.",
        the_side(original.side)
    )
}

/// The side that is not this one.
fn other_side(side: Side) -> String {
    match side {
        Side::Left => the_side(Side::Right).to_owned(),
        Side::Right => the_side(Side::Left).to_owned(),
        Side::Unknown => "another side".to_owned(),
    }
}

fn does_not_belong(
    take: &TakeName,
    kind: Kind,
    distance_db: Option<f64>,
    largest: Option<(f64, f64)>,
) -> String {
    let db = |db: f64| decimals(db.abs(), 1);
    let largest = largest.map(|(largest_db, at_hz)| {
        let signed = signed_decimals_up_to(largest_db, 1);
        format!(", {signed} dB at {}", words::frequency(at_hz))
    });
    let largest = largest.unwrap_or_default();
    match kind {
        Kind::Shape => {
            let distance = distance_db.map(|rms_db| format!(" ({} dB rms{largest})", db(rms_db)));
            format!(
                "{take} is not like the others of its side{}: another unit or insert, a mislabelled file, or a bad seat. Check what it is of, and measure again.",
                distance.unwrap_or_default()
            )
        }
        Kind::Narrow => format!(
            "{take} is disturbed at one place{largest}: a knock or a noise? Measure again in quiet."
        ),
        Kind::LevelStep { step_db, at_hz } => format!(
            "{take} jumps by {} dB at {}: something moved or a gain changed while it was measured. Measure again.",
            db(step_db),
            words::frequency(at_hz)
        ),
        Kind::Rough { rough_db } => format!(
            "{take} is rough ({} dB rms): noise or a loose cable? Check plugs and cable, and measure again.",
            db(rough_db)
        ),
        Kind::MainsHum { mains_hz, spike_db } => format!(
            "{take} hums at {} and its multiples (spikes of {} dB): keep mains leads away, look for a ground loop, and measure again.",
            words::frequency(mains_hz),
            db(spike_db)
        ),
        Kind::OtherSide => format!(
            "{take} resembles {} and not the others of its own: label swapped? Check which ear it is of, and give it that side.",
            other_side(take.side)
        ),
        Kind::BlockedVent {
            more_db,
            at_hz,
            corner_hz,
        } => format!(
            "{take} has {} dB more bass at {} than the others, which share a corner at {}, as a vent's does and leaks never do: was the vent blocked here? Free it and measure again. To be sure, tape it on purpose: that gives this curve again, and moves the impedance peak.",
            db(more_db),
            words::frequency(at_hz),
            words::frequency(corner_hz)
        ),
        Kind::Level { level_db } => format!(
            "{take} is {} dB {} than the others of its side: check gain, plug and cable, and measure again.",
            db(level_db),
            if level_db > 0.0 { "louder" } else { "quieter" }
        ),
    }
}
