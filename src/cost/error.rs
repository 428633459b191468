//! What can be at fault with what tells the cost of sections.

use crate::error::fault::faults;
use crate::measurement::takes::Side;

faults! { CostFault, names;
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
