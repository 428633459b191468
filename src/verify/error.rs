//! What can be at fault with a sheet that was measured again.

use crate::error::fault::faults;
use crate::measurement::takes::Side;

faults! { VerifyFault, names;
    /// Sessions with less than an octave in common that can be believed.
    Apart => Coverage,
        "less than an octave that both sessions measured and the rig can be believed in",
        "at least an octave",
        "measure before and after over the same range";
    /// A spread of takes that is beyond numbers.
    Spread => Number,
        "takes whose spread cannot be computed with",
        "levels of an earphone in dB",
        "look at them with `bandwright inspect`";
    /// A rate that is not the sheet's, and those that are, in hertz.
    Rate(rate_hz: f64, known_hz: Vec<f64>) => Setting,
        "{rate_hz} Hz",
        (format!("one of the sheet's rates, {known_hz:?}")),
        "name the rate that the equaliser ran at";
    /// A tolerance that is not above 0, in dB.
    Tolerance(tolerance_db: f64) => Setting,
        "{tolerance_db} dB",
        "a number above 0 dB",
        "name how far any third octave may be off, such as 1";
    /// The sides measured after, and those before.
    OtherSides(after: Vec<Side>, before: Vec<Side>) => Coverage,
        (format!("takes of the {}, before of the {}", sides(after), sides(before))),
        "at least one side that was measured before and after",
        "say the sides in the files' names (`left`, `right`), the same way before and after";
    /// Takes that do not say their side.
    UnknownSides => Setting,
        "takes that do not say their side",
        "left and right, since the sheet has an EQ for each",
        "say the sides in the files' names (`left`, `right` as a word) or in a unit file";
}

fn sides(sides: &[Side]) -> String {
    let names: Vec<&str> = sides.iter().map(|side| side.words()).collect();
    names.join(" and ")
}
