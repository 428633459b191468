//! What can be at fault with what sections need before them.

use crate::error::fault::{Show, faults};
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
}
