//! What can be at fault with what sections need before them, or with what tells their cost.

use crate::error::fault::{Show, faults};
use crate::measurement::takes::Side;
use crate::message::Number;

faults! { HeadroomFault, names;
    /// No sample rate.
    NoRate => Setting,
        "no sample rate",
        "at least one",
        "name the sample rates the equaliser runs at";
    /// The preamp that is needed, and the lowest there is, in dB.
    Preamp(needed_db: f64, lowest_db: f64) => Refused,
        (format!("sections that need a preamp of {:.2} dB", Number(*needed_db))),
        (format!(
            "at least {} dB, the lowest this equaliser has: it is {:.2} dB short",
            lowest_db.show(),
            Number(lowest_db - needed_db)
        )),
        "allow less boost (gain_db.max), or use an equaliser with a lower preamp";
    /// A programme with hardly anything between 20 Hz and this frequency, in hertz.
    ProgrammeBand(below_hz: f64) => Coverage,
        "hardly any band between 20 Hz and {below_hz} Hz",
        "bands over at least one octave there, each frequency once",
        "use a programme with more bands, or pink noise";
    /// No measurement of distortion.
    NoDistortion => Coverage,
        "no measurement",
        "at least one",
        "name one in the unit file";
    /// Two measurements of distortion of a side at one level, in dB SPL.
    DistortionTwice(side: Side, level_db_spl: f64) => Setting,
        "two measurements of the {side} at {level_db_spl} dB SPL",
        "one for each side and level",
        "keep one of them";
}
