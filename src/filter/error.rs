//! The faults of stage 3, with their words.

use super::{QMeaning, Section, Shape};
use crate::error::fault::{faults, show_as_displayed};

faults! { FilterFault, names;
    /// A section that cannot be played at a rate, in hertz.
    Unplayable(section: Section, rate_hz: f64) => Setting,
        (format!(
            "{} at {} Hz, {} dB, q {}",
            section.shape, section.f0_hz, section.gain_db, section.q
        )),
        (format!(
            "finite numbers, q above 0 and a frequency above 0 and below {} Hz",
            rate_hz / 2.0
        )),
        ("change the section or the sample rate");
}

show_as_displayed!(QMeaning, Shape);
