//! The faults of a sheet, with their words.

use crate::error::fault::{Show, faults};
use crate::error::{ErrorKind, Fault, Names, Words};
use crate::filter::{QMeaning, Section};
use crate::measurement::takes::Side;

/// Advice for a sheet that was changed.
const RESTORE: &str = "restore the sheet, or fit again";

faults! { SheetFault, names;
    /// A number that is not finite.
    NotFinite(number: f64) => Setting,
        "{number}",
        "a finite number",
        (RESTORE);
    /// Sides of the EQs that are neither one for both nor left and right.
    Sides(sides: Vec<Option<Side>>) => Setting,
        (format!("EQs for {sides:?}")),
        ("one for both sides, or one for the left and one for the right"),
        (RESTORE);
    /// A text without any section.
    NoSections => Format,
        "no [[section]]",
        "a sheet of this program, or a TOML file with a [[section]] table for each section: shape, f0_hz, gain_db, q",
        "type the sections into such a file: the text of another program is not read";
    /// A section that cannot be played at a rate, hertz.
    Unplayable(section: Section, rate_hz: f64) => Setting,
        (format!(
            "f0_hz {}, gain_db {}, q {}",
            section.f0_hz.show(),
            section.gain_db.show(),
            section.q.show()
        )),
        (format!(
            "finite numbers, q above 0, f0_hz above 0 and below {} Hz, half of the rate of {} Hz",
            rate_hz / 2.0,
            rate_hz.show()
        )),
        (RESTORE);
    /// Number of entries of a side whose rates are not the sheet's, and the sheet's rates, hertz.
    OtherRates(count: usize, side: Option<Side>, rates_hz: Vec<f64>) => Setting,
        (match side {
            Some(side) => format!("{count} entries of the {}, or other rates", side.words()),
            None => format!("{count} entries, or other rates"),
        }),
        (format!("one for each of equaliser.rates_hz, {rates_hz:?}")),
        (RESTORE);
    /// Frequencies of a checkpoint that are out of order or range.
    Frequencies => Setting,
        "frequencies out of order or of range",
        "frequencies above 0 and below half the rate, ascending",
        (RESTORE);
    /// A wrong number of something: the number, what it is, the right number, and what there should be one of for each.
    Count(count: usize, what: &'static str, should: usize, each: &'static str) => Setting,
        "{count} {what}",
        "{should}, one for each {each}",
        (RESTORE);
    /// Number of sides with a residual, and whether each side has an EQ of its own.
    ResidualSides(count: usize, per_side: bool) => Setting,
        "{count} sides",
        (match per_side {
            false => "none, since one EQ serves both sides",
            true => "left and right, since each has an EQ of its own",
        }),
        (RESTORE);
    /// A part without a side where others have one.
    NoSide => Setting,
        "no side, where others name one",
        "side = \"left\" or side = \"right\" in every section, checkpoint and set of coefficients, or in none",
        (RESTORE);
    /// A wrong `device_q`, the right one (None if there is none), and its meaning.
    DeviceQ(stated: f64, known: Option<f64>, meaning: QMeaning) => Setting,
        "{stated}",
        (match known {
            Some(known) => format!("{}, q read as {meaning}", known.show()),
            None => format!("none: the section has no {meaning}"),
        }),
        (RESTORE);
    /// Number of numbers of a band, other than two.
    Band(count: usize) => Format,
        "{count} numbers",
        "two, the lowest and the highest frequency",
        "correct the value";
}

/// What would be at fault anywhere, in a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct InSheet(
    /// What it is.
    pub Box<dyn Fault>,
);

impl Fault for InSheet {
    fn kind(&self) -> ErrorKind {
        ErrorKind::Setting
    }

    fn inner(&self) -> Option<&dyn Fault> {
        Some(&*self.0)
    }

    fn words(&self, names: Names<'_>) -> Words {
        Words {
            next_step: RESTORE.to_owned(),
            ..self.0.words(names)
        }
    }
}
