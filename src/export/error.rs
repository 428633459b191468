//! The faults of an export, with their words.

use crate::error::Knob;
use crate::error::fault::{Show, faults};
use crate::headroom::Guard;
use crate::headroom::ringing::BUDGET;
use crate::limits::bounds;
use crate::message::Number;
use crate::verify::sheet_check::CheckPoint;

/// Advice for several rates, or a fractional one.
const ONE_RATE: &str = "name the rate that the response is to be played at";

/// Advice if no impulse response can be written.
const EXPORT_SECTIONS: &str = "export the second-order sections instead";

faults! { ExportFault, names;
    /// A side was named, but the sheet has one EQ for both.
    OneForBoth => Setting,
        "a sheet with one EQ for both sides",
        "one with an EQ for each",
        "leave the side out";
    /// A rate that the sheet does not list, and the rates that it lists, hertz.
    UnlistedRate(rate_hz: f64, known_hz: Vec<f64>) => Setting,
        "{rate_hz} Hz",
        "one of the sheet's rates in Hz, {known_hz}",
        (format!(
            "choose one of these, add {}, or fit for that rate",
            names(Knob::UnlistedRate)
        ));
    /// A rate outside the range of equalisers, or too low for the highest frequency of a section, hertz.
    ImpossibleRate(rate_hz: f64, highest_hz: f64) => Setting,
        "{rate_hz} Hz",
        (format!(
            "{}, and more than twice the highest f0_hz, {} Hz",
            bounds::RATE_HZ.words(),
            highest_hz.show()
        )),
        "choose another rate";
    /// A sheet whose numbers contradict each other.
    Contradiction(point: Box<CheckPoint>) => Refused,
        (match point.rate_hz {
            Some(rate_hz) => format!("{} at a rate of {} Hz", point.found, rate_hz.show()),
            None => point.found.clone(),
        }),
        (&*point.because),
        ("`bandwright check` tells all that is wrong with it; then restore it or fit again");
    /// The preamp and the gain that it should compensate, dB; the rate, hertz; and what it should protect against.
    Preamp(preamp_db: f64, gain_db: f64, rate_hz: f64, guard: Guard) => Refused,
        (format!(
            "a preamp of {} dB, where the sections and the margin need {:.4} dB at a rate of {} Hz",
            preamp_db.show(),
            Number(*gain_db),
            rate_hz.show()
        )),
        (format!("enough for the guard `{}`", guard.name())),
        (format!(
            "fit for that rate, or export {} and set one of {:.2} dB",
            names(Knob::WithoutPreamp),
            Number(-gain_db - 0.005)
        ));
    /// The rates, hertz; an impulse response has only one.
    SeveralRates(rates_hz: Vec<f64>) => Setting,
        "several rates, {rates_hz} Hz",
        "one for an impulse response",
        (ONE_RATE);
    /// A rate that is not a whole number, hertz.
    FractionalRate(rate_hz: f64) => Setting,
        "{rate_hz} Hz",
        "a whole number for a WAV file",
        (ONE_RATE);
    /// Sections whose impulse response is too long.
    Rings => Refused,
        "sections that ring for more than {BUDGET} samples",
        "ones that end sooner",
        (EXPORT_SECTIONS);
    /// Sections whose samples exceed the range of the file's numbers.
    TooLoud => Refused,
        "sections that gain too much",
        "samples that a 32-bit number can hold",
        (EXPORT_SECTIONS);
}
