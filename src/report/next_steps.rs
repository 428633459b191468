//! Findings about takes, in words: what was found, a colon, what to do.

use std::fmt;

use super::words::{self, count, decimals, signed_decimals_up_to};
use crate::inspection::NextStep;
use crate::inspection::next_step::{TakeName, WhyUnknown};
use crate::measurement::outlier::Kind;
use crate::measurement::takes::Side;

impl fmt::Display for NextStep {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let hz = words::frequency;
        match self {
            Self::OnlyTake => write!(
                f,
                "one take tells neither its seal nor how far it repeats nor how the sides match: nothing can be told. Measure each side three times, seated anew each time."
            ),
            Self::Leaks {
                take,
                loss_at_30_hz_db,
            } => write!(
                f,
                "{take} leaks {} dB at 30 Hz: reseat and measure again.",
                decimals(*loss_at_30_hz_db, 1)
            ),
            Self::DoesNotBelong {
                take,
                kind,
                distance_db,
                largest_db,
                largest_hz,
            } => does_not_belong(f, take, *kind, *distance_db, largest_db.zip(*largest_hz)),
            Self::SharesTooLittle { take } => write!(
                f,
                "{take} shares too little with the others of its side to be compared, and was kept: measure it over the whole range, or leave it out."
            ),
            Self::TwoLevels { side } => write!(
                f,
                "the two takes of {} differ in level, and nothing tells which is right; both were kept: check gain and cable, and measure a third.",
                the_side(*side)
            ),
            Self::Contradict { side, takes } => write!(
                f,
                "the {} of {} contradict each other, and it cannot be told which to believe; all were kept: check that all are of this unit, and measure two more.",
                count(*takes, "take", "takes"),
                the_side(*side)
            ),
            Self::OtherSideDecided { side } => write!(
                f,
                "the takes of {} contradict each other; those nearer to the other side were believed: measure one more to be sure.",
                the_side(*side)
            ),
            Self::NoneSound { side } => write!(
                f,
                "every take of {} was found wanting, and all were kept for want of a better one: measure it anew before you use this.",
                the_side(*side)
            ),
            Self::LessBass {
                side,
                loss_at_30_hz_db,
                sound_ones,
                takes,
            } => write!(
                f,
                "{} of {} {} {} dB at 30 Hz against the other side: a leak{}, or a vent, which looks alike. Try another tip and a firmer seat, and measure again; if nothing changes it is the earphone.",
                match takes {
                    _ if *sound_ones => "even the tightest takes",
                    1 => "the take",
                    _ => "all takes",
                },
                the_side(*side),
                if *takes == 1 { "loses" } else { "lose" },
                decimals(*loss_at_30_hz_db, 1),
                if *takes == 1 { "" } else { " in all of them" },
            ),
            Self::SealUnknown { side, why } => {
                const AGAIN: &str = "Measure once more with another tip and a firmer seat; if the bass stays, the seal is good.";
                let (why, step) = match why {
                    WhyUnknown::NoBass => (
                        "the data do not reach down to 30 Hz",
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
                write!(f, "whether {side} leaks cannot be told: {why}. {step}")
            }
            Self::OneTake { side } => write!(
                f,
                "{} has one take, so it is not known how far it repeats: seat it anew and measure two more.",
                the_side(*side)
            ),
            Self::NoSide { takes } => write!(
                f,
                "{} no side, so left and right cannot be compared: put left or right into the names, or use --left and --right.",
                if *takes == 1 {
                    "1 take says".to_owned()
                } else {
                    format!("{takes} takes say")
                }
            ),
            Self::OneSide { side } => write!(
                f,
                "only {} was measured, so the match is not known: measure the other side.",
                the_side(*side)
            ),
            Self::SidesDifferInLevel { level_db } => write!(
                f,
                "left is {} dB {} than right: exchange the sides on the rig and measure again; if the difference stays with the earphone, set the balance.",
                decimals(level_db.abs(), 1),
                if *level_db > 0.0 { "louder" } else { "quieter" }
            ),
            Self::SidesDifferInForm { worst_db, worst_hz } => write!(
                f,
                "left minus right reaches {} dB at {}, level taken out: one EQ for both sides cannot mend that; fit one for each (`fit --per-side`), or leave it.",
                signed_decimals_up_to(*worst_db, 1),
                hz(*worst_hz)
            ),
            Self::Wanders { spread_db, at_hz } => write!(
                f,
                "the takes differ by {} dB (one standard deviation) at {}: what moves with the seating no section can follow. Leave it alone there, or seat more alike and measure again.",
                decimals(*spread_db, 1),
                hz(*at_hz)
            ),
            Self::DepthVaries { range_mm } => write!(
                f,
                "the depth of the seating varies by {} mm: seat to one depth, by a mark or a stop, to see more of the earphone around the resonance.",
                decimals(*range_mm, 1)
            ),
            Self::BeyondEq { from_hz, to_hz } => write!(
                f,
                "{}: the excess delay is longer than half a period. An equaliser can lift or lower the level there but cannot undo what made it; fill no dip there.",
                band(*from_hz, *to_hz)
            ),
            Self::NoisyTail {
                take,
                noise_below_db,
            } => write!(
                f,
                "{take}: its impulse response ends in noise, or before it has died away, about {} dB below its level: measure longer, or store it with more bits.",
                decimals(*noise_below_db, 0)
            ),
            Self::NothingTrusted => write!(
                f,
                "the rig is trusted nowhere within the data: check the trust table."
            ),
        }
    }
}

fn the_side(side: Side) -> &'static str {
    match side {
        Side::Left => "the left side",
        Side::Right => "the right side",
        Side::Unknown => "the side that is not named",
    }
}

/// `3.2 to 4.1 kHz`; one frequency where both ends look alike.
#[must_use]
pub fn band(from_hz: f64, to_hz: f64) -> String {
    let (from, to) = (words::frequency(from_hz), words::frequency(to_hz));
    let unit = |text: &str| text.rsplit(' ').next().map(str::to_owned);
    match from.split_once(' ') {
        _ if from == to => from,
        Some((number, _)) if unit(&from) == unit(&to) => format!("{number} to {to}"),
        _ => format!("{from} to {to}"),
    }
}

fn does_not_belong(
    f: &mut fmt::Formatter<'_>,
    take: &TakeName,
    kind: Kind,
    distance_db: Option<f64>,
    largest: Option<(f64, f64)>,
) -> fmt::Result {
    let db = |db: f64| decimals(db.abs(), 1);
    match kind {
        Kind::Shape => {
            write!(f, "{take} is not like the others of its side")?;
            if let Some(rms_db) = distance_db {
                write!(f, " ({} dB rms", db(rms_db))?;
                if let Some((largest_db, at_hz)) = largest {
                    let signed = signed_decimals_up_to(largest_db, 1);
                    write!(f, ", {signed} dB at {}", words::frequency(at_hz))?;
                }
                write!(f, ")")?;
            }
            write!(
                f,
                ": another unit or insert, a mislabelled file, or a bad seat. Check what it is of, and measure again."
            )
        }
        Kind::Narrow => {
            write!(f, "{take} is disturbed at one place")?;
            if let Some((largest_db, at_hz)) = largest {
                let signed = signed_decimals_up_to(largest_db, 1);
                write!(f, ", {signed} dB at {}", words::frequency(at_hz))?;
            }
            write!(f, ": a knock or a noise? Measure again in quiet.")
        }
        Kind::LevelStep { step_db, at_hz } => write!(
            f,
            "{take} jumps by {} dB at {}: something moved or a gain changed while it was measured. Measure again.",
            db(step_db),
            words::frequency(at_hz)
        ),
        Kind::Rough { rough_db } => write!(
            f,
            "{take} is rough ({} dB rms): noise or a loose cable? Check plugs and cable, and measure again.",
            db(rough_db)
        ),
        Kind::MainsHum { mains_hz, spike_db } => write!(
            f,
            "{take} hums at {} and its multiples (spikes of {} dB): keep mains leads away, look for a ground loop, and measure again.",
            words::frequency(mains_hz),
            db(spike_db)
        ),
        Kind::Level { level_db } => write!(
            f,
            "{take} is {} dB {} than the others of its side: check gain, plug and cable, and measure again.",
            db(level_db),
            if level_db > 0.0 { "louder" } else { "quieter" }
        ),
    }
}
