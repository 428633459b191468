//! What can be at fault with an export.

use crate::error::Knob;
use crate::error::fault::{Show, faults};
use crate::headroom::Guard;
use crate::headroom::ringing::BUDGET;
use crate::limits::bounds;
use crate::message::Number;
use crate::verify::sheet_check::CheckPoint;

/// What to do about several rates, or a broken one.
const ONE_RATE: &str = "name the rate that the response is to be played at";

/// What to do about a response that is none.
const SECTIONS: &str = "export the second-order sections instead";

faults! { ExportFault, names;
    /// A side of a sheet with one EQ for both.
    OneForBoth => Setting,
        "a sheet with one EQ for both sides",
        "one with an EQ for each",
        "leave the side out";
    /// A rate that the sheet does not list, and those that it does, in hertz.
    UnlistedRate(rate_hz: f64, known_hz: Vec<f64>) => Setting,
        "{rate_hz} Hz",
        "one of the sheet's rates in Hz, {known_hz}",
        (format!(
            "choose one of these, add {}, or fit for that rate",
            names(Knob::UnlistedRate)
        ));
    /// A rate that no equaliser has, or too low for the highest frequency of a section, in hertz.
    ImpossibleRate(rate_hz: f64, highest_hz: f64) => Setting,
        "{rate_hz} Hz",
        (format!(
            "{}, and more than twice the highest f0_hz, {} Hz",
            bounds::RATE_HZ.words(),
            highest_hz.show()
        )),
        "choose another rate";
    /// A sheet that contradicts itself.
    Contradiction(point: Box<CheckPoint>) => Refused,
        (match point.rate_hz {
            Some(rate_hz) => format!("{} at a rate of {} Hz", point.found, rate_hz.show()),
            None => point.found.clone(),
        }),
        (&*point.because),
        ("`bandwright check` tells all that is wrong with it; then restore it or fit again");
    /// The preamp, the gain that it should make up for, in dB, the rate in hertz, and what it should guard.
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
    /// Rates in hertz, of which an impulse response has one.
    SeveralRates(rates_hz: Vec<f64>) => Setting,
        "several rates, {rates_hz} Hz",
        "one for an impulse response",
        (ONE_RATE);
    /// A rate in hertz that is not whole.
    FractionalRate(rate_hz: f64) => Setting,
        "{rate_hz} Hz",
        "a whole number for a WAV file",
        (ONE_RATE);
    /// Sections that ring for too long.
    Rings => Refused,
        "sections that ring for more than {BUDGET} samples",
        "ones that end sooner",
        (SECTIONS);
    /// Sections whose samples no number can hold.
    TooLoud => Refused,
        "sections that gain too much",
        "samples that a 32-bit number can hold",
        (SECTIONS);
}
