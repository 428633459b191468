//! What can be at fault with a fit.

use super::wish::ECONOMY;
use crate::error::fault::{Show, faults};
use crate::error::value::Band;
use crate::error::{Knob, Names};
use crate::measurement::takes::Side;

/// What every fit must bring.
const IMPROVED: &str = "an improvement over no EQ at all";

/// What an EQ for each side needs.
const SIDES: &str = "takes of a known side, left and right, for one EQ each";

faults! { JobFault, names;
    /// A weight of the economy term outside its range.
    Economy(economy: f64) => Setting,
        "{economy}",
        "a number from 0 to 1000",
        "leave it out for the usual {ECONOMY}";
    /// What one more section must gain outside its range, and the usual, dB.
    LeastGain(gain_db: f64, usual_db: f64) => Setting,
        "{gain_db}",
        "0 to 60 dB",
        "leave it out for the usual {usual_db} dB";
    /// Room for the curve between samples outside its range, dB.
    Margin(margin_db: f64) => Setting,
        "{margin_db}",
        "0 to 20 dB",
        "1 dB is usual";
    /// A difference of residuals that counts as none, outside its range, and the usual one, dB.
    AsGood(found_db: f64, usual_db: f64) => Setting,
        "{found_db}",
        "0 to 10 dB",
        "{usual_db} is usual";
    /// A most loss of loudness outside its range, dB.
    LossOfLoudness(loss_db: f64) => Setting,
        "{loss_db}",
        "0 to 60 dB",
        "leave it out for the best fit, however quiet";
    /// The lowest and the highest frequency to fit and the data, which share less than an octave; hertz.
    BandOutside(from_hz: f64, to_hz: f64, data: Band) => Setting,
        (match (from_hz, to_hz) {
            (from_hz, to_hz) if to_hz.is_infinite() => format!("from {from_hz} Hz"),
            (from_hz, to_hz) => format!("from {from_hz} Hz to {to_hz} Hz"),
        }),
        "at least an octave of {data}, where curve and target are known",
        "widen the band, or leave it out to fit wherever there are data";
    /// A highest frequency of sections that leaves less than an octave, hertz.
    HighestTooLow(highest_hz: f64) => Setting,
        "{highest_hz} Hz",
        "100 to 20000 Hz",
        "leave it out to let sections go wherever the measurement can be believed";
    /// An ear's resonance outside where one can lie, hertz.
    EarPeak(peak_hz: f64) => Setting,
        "{peak_hz} Hz",
        "4000 to 14000 Hz",
        "find it with `bandwright listen`, or leave it out to fit for all ears";
    /// An ear's resonance where no other ears are expected.
    EarPeakNotUsed => Setting,
        "an ear's resonance, and a curve that is fitted as it was measured",
        "an ear simulator as the rig, and no weights",
        "leave one of them out";
    /// An ear's resonance, and a simulator's that was not found.
    NoCouplerPeak => Coverage,
        "no resonance of the coupler in these takes to tell how far the ear's lies from it",
        "takes in which it shows",
        "give the unit file a resonance_hz, or leave the ear's out";
    /// A name of a unit without letters.
    EmptyName => Setting,
        "an empty name",
        "a name for the unit",
        "leave it out to take the file's name";
    /// Two measurements of distortion of one side at one level, dB SPL; the file of the other one.
    DistortionTwice(side: Side, level_db_spl: f64, other: String) => Setting,
        (format!(
            "a second measurement of the {} at {} dB SPL, beside `{other}`",
            side.words(),
            level_db_spl.show()
        )),
        "one [[distortion]] for each side and level",
        "keep one of them, or say their sides";
    /// No weight where curve and target are known.
    NoWeight(band: Band) => Coverage,
        "no weight above 0 from {band}",
        "some weight where curve and target are known",
        "change the weight file or the rig";
    /// No section that all rules leave where there are data that every rate plays.
    NothingAllowed(band: Band) => Setting,
        "no section that all rules leave from {band}",
        "some gain and some q where there are data that every rate plays",
        "loosen gain_limit, boost_q_max or cut_only";
    /// The lowest and the highest frequency of sections, in hertz, both outside of the data that every rate plays.
    FrequenciesApart(lowest_hz: f64, highest_hz: f64, data: Band) => Setting,
        "section frequencies from {lowest_hz} Hz to {highest_hz} Hz",
        "at least one from {data}, where there are data that every rate plays",
        "use limits that reach the measured band";
    /// The first rate, too low for curves over this band, in hertz.
    LowRate(rate_hz: f64, band: Band) => Coverage,
        "{rate_hz} Hz for curves from {band}",
        "at least one octave of them below half the first rate",
        "name a higher rate first in the limits";
    /// A take of an unknown side, for one EQ each.
    UnknownSide => Setting,
        "a take of an unknown side",
        (SIDES),
        (name_sides(names));
    /// No take of a side, for one EQ each.
    NoTakeOfSide(side: Side) => Setting,
        "no take of the {side}",
        (SIDES),
        (name_sides(names));
    /// Kept sections of single sides, for one EQ for both.
    KeptSides => Setting,
        "kept sections of single sides",
        "kept sections of both sides, for one EQ for both",
        (format!(
            "fit each side with {}, or keep sections of a sheet that names no sides",
            names(Knob::PerSide)
        ));
    /// The most loss of loudness that was wished, and what the best sections lose, in dB.
    Loudness(most_db: f64, loss_db: f64) => Refused,
        (format!(
            "no sections that help and play at most {} dB quieter; the best ones play {loss_db:.1} dB quieter",
            most_db.show()
        )),
        "an improvement over no EQ at all, as loud as was wished",
        "allow more loss of loudness, or want less";
    /// No given section at all.
    NoGivenSection => Setting,
        "no section",
        "one section or more, to be taken as they are",
        "give the sections of a preset";
    /// Given sections of single sides, for one EQ for both.
    GivenSides => Setting,
        "sections of single sides",
        "sections of both sides, for one EQ for both",
        (format!("take them with {}", names(Knob::PerSide)));
    /// Kept sections beside given ones.
    GivenAndKept => Setting,
        "sections to keep beside sections that are all taken as they are",
        "one of the two",
        "leave the kept sections out";
    /// A most loss of loudness for sections that may not change, dB.
    GivenLoudness(most_db: f64) => Setting,
        "{most_db} dB, for sections that stay as they are",
        "sections of which something may change",
        (format!("leave it out, or free their gains with {}", names(Knob::Polish)));
    /// A fit that was asked to stop.
    Stopped => Stopped,
        "a fit that was asked to stop",
        "a fit that goes on to its end",
        "fit again";
    /// Kept sections that nothing helps: what is left with them, and without any EQ, in dB rms.
    KeptUseless(after_db: f64, before_db: f64) => Refused,
        (format!(
            "kept sections beside which nothing brings the curve closer to the target than {after_db:.2} dB rms; \
             without any EQ it is {before_db:.2} dB"
        )),
        (IMPROVED),
        "keep other sections, or fewer";
    /// No section is worth its place; what is left without, in dB rms.
    NothingNeeded(now_db: f64) => Refused,
        (format!("no section that is worth its place: the curve is {now_db:.2} dB rms from the target")),
        "sections that each lower that by what was asked of one",
        "leave it as it is, ask less of a section, or name the number of sections";
    /// No section helps; what is left without, in dB rms.
    NothingHelps(now_db: f64) => Refused,
        (format!(
            "no section that brings the curve closer to the target than {now_db:.2} dB rms, where it is now"
        )),
        (IMPROVED),
        "leave it as it is, or choose another target, other limits or other weights";
}

fn name_sides(names: Names<'_>) -> String {
    let (left, right) = (names(Knob::Left), names(Knob::Right));
    format!(
        "name sides with {left} FILE and {right} FILE, by `left` or `right` as a word in the file's name, or in a unit file"
    )
}
