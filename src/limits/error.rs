//! What can be at fault with limits, or with sections for them.

use super::bounds;
use super::rules::GainLimit;
use super::setting::{MOST_DECIMALS, MOST_DIGITS, MOST_VALUES, Setting};
use crate::error::fault::{Show, faults};
use crate::filter::q_meaning::LEAST_GAIN_WITH_WIDTH_DB;
use crate::filter::{QMeaning, Section, Shape};

/// What to do about sections that the limits do not allow.
const REFIT: &str = "fit again within these limits";

faults! { LimitsFault, names;
    /// Sections that were asked for, and how many there are.
    Sections(asked: usize, available: usize) => Setting,
        "{asked} sections",
        "1 to {available}, which is what these limits have",
        "ask for fewer sections, or use limits that have more";
    /// Gain of all sections together, and the most, in dB.
    TotalBoost(boost_db: f64, most_db: f64) => Refused,
        (format!("sections that boost by {boost_db:.2} dB together")),
        "at most {most_db} dB",
        "allow more total boost, or less boost of each section (gain_db.max)";
    /// Sections that were given, and the most.
    TooManySections(count: usize, most: usize) => Setting,
        "{count} sections",
        "at most {most}",
        "fit with fewer sections";
    /// The same of one shape.
    TooManyOfShape(shape: Shape, count: usize, most: usize) => Setting,
        "{count} of shape {shape}",
        "at most {most}",
        (REFIT);
    /// A shape that no section has.
    NoSuchShape(shape: Shape) => Setting,
        "a section of shape {shape}",
        "a shape that these limits have",
        (REFIT);
    /// A number of a section that its knob does not have.
    NotAValue(number: f64, setting: Setting) => Setting,
        (number.show()),
        (setting.instead_of(*number)),
        (REFIT);
    /// A section whose q the equaliser cannot express so.
    NoDeviceQ(section: Section, meaning: QMeaning) => Setting,
        (format!("{} (cookbook) with {} dB", section.q.show(), section.gain_db.show())),
        "a section that has a {meaning}",
        (REFIT);
    /// A boost where there are cuts only.
    Boost(section: Section) => Setting,
        "{section}",
        "no boost: cut_only is set",
        (REFIT);
    /// A gain beyond what a limit leaves there.
    Gain(section: Section, limit: GainLimit) => Setting,
        "{section}",
        "{limit} there",
        (REFIT);
    /// A q above the most of a boost.
    BoostQ(q: f64, most_q: f64) => Setting,
        "{q} (cookbook)",
        "at most {most_q} where a section boosts: boost_q_max",
        (REFIT);
    /// A section that finds no slot: its shape and frequency, in hertz.
    NoSlot(shape: Shape, f0_hz: f64) => Setting,
        "a {shape} section at {f0_hz} Hz too many",
        "a slot of its own for each section",
        (REFIT);
    /// Kept sections that leave none of so many.
    KeptAll(available: usize) => Setting,
        "kept sections that leave no other",
        "fewer than the {available} sections of these limits",
        "keep fewer sections, or use limits that have more";
    /// No section of any shape.
    NoShape => Setting,
        "no shape",
        "at least one of low-shelf, peaking and high-shelf, 1 or more of it",
        "say how many sections of each shape there are";
    /// The highest frequency of a section, and half the lowest rate, in hertz.
    BeyondRate(highest_hz: f64, half_hz: f64) => Setting,
        "{highest_hz} Hz",
        "less than {half_hz} Hz, half the lowest of rates_hz: no section can be played at or above it",
        "lower f0_hz, or remove that rate";
    /// Cuts only, where the least gain is this, in dB.
    NoCut(least_db: f64) => Setting,
        "true, with gains of {least_db} dB or more",
        "some gain below 0 dB where only cuts are wanted",
        "lower gain_db.min, or leave cut_only out";
    /// A limit that leaves no gain that a section has; true where there are cuts only as well.
    NoGain(limit: GainLimit, cut_only: bool) => Setting,
        (format!(
            "{}{}, which is no gain that a section has",
            limit.gains(),
            if *cut_only { ", and cut_only" } else { "" }
        )),
        "a range with one of the gains of `gain_db`",
        "correct it; min_db = 0 and max_db = 0 keep a band free of sections";
    /// A limit that with so many before it leaves no gain.
    NoGainTogether(before: usize) => Setting,
        "a limit that with the {before} before it leaves no gain at any frequency",
        "some gain that all of them allow where f0_hz can be",
        "correct it, or one that overlaps it";
    /// The least and the most peaking gain, in dB, none of which has a width; true where there are cuts only.
    NoWidth(min_db: f64, max_db: f64, cut_only: bool) => Setting,
        (format!(
            "\"width-3-db\" with peaking gains of {} to {} dB{}",
            min_db.show(),
            max_db.show(),
            if *cut_only { ", cuts only" } else { "" }
        )),
        "some peaking gain of {LEAST_GAIN_WITH_WIDTH_DB} dB or more either way: \
         a smaller one has no points 3 dB from its top",
        "widen gain_db, or choose another q_meaning";
    /// Slots, other sections, and the sections that there are.
    NoRoom(slots: usize, others: usize, sections: usize) => Setting,
        "{slots} slots and {others} sections beside them",
        "no more than the {sections} of `sections`",
        "correct `sections`, or remove slots or shapes";
    /// A number of rates.
    Rates(count: usize) => Setting,
        "{count} rates",
        (bounds::RATES.words()),
        "name the sample rates the equaliser runs at";
    /// A rate in hertz that cannot be or is there already, and its number.
    Rate(rate_hz: f64, number: usize) => Setting,
        "{rate_hz} Hz as number {number}",
        (format!("rates of {}, each once", bounds::RATE_HZ.words())),
        "correct or remove that rate";
    /// The shapes of a slot: none, or one twice.
    SlotShapes(count: usize) => Setting,
        "{count} shapes, or one twice",
        "one or more of low-shelf, peaking and high-shelf, each once",
        "say what the slot can be";
    /// A number above another: the number with its unit, the key of the other, the other, and the own key.
    Reversed(low: f64, unit: &'static str, high_key: &'static str, high: f64, low_key: &'static str) => Setting,
        (format!(
            "{}{unit} above the {} of {}",
            low.show(),
            if *high_key == "max" { "maximum" } else { high_key },
            high.show()
        )),
        "{low_key} not above {high_key}",
        "exchange the two, or correct one";
    /// An array without values.
    NoValues => Setting,
        "an empty array",
        "at least one value",
        "list the values, or give min and max";
    /// A value that is not above the one before.
    NotAscending(value: f64, before: f64) => Setting,
        "{value} after {before}",
        "values in ascending order, each once",
        "sort the values and remove repetitions";
    /// A minimum from which no octaves can be counted; its unit.
    OctavesFrom(min: f64, unit: &'static str) => Setting,
        "{min}{unit} with a step in octaves",
        "a minimum above 0: octaves are ratios",
        "use `step` instead of `step_octaves`";
    /// A step, and what it should divide; their unit.
    Step(step: f64, span: f64, unit: &'static str) => Setting,
        "a step of {step}{unit}",
        "more than 0 and at most max - min, {span}{unit}",
        "correct the step, or leave it out for a continuous range";
    /// A step so small that the range is continuous; its unit.
    SmallStep(step: f64, unit: &'static str) => Setting,
        "a step of {step}{unit}",
        "at most {MOST_VALUES} steps between min and max",
        "leave the step out: this is a continuous range";
    /// A number with more decimals than steps are counted in.
    Decimals(number: f64) => Setting,
        "{number}",
        "at most {MOST_DECIMALS} decimals where there is a step",
        "round the number";
    /// Significant digits without a step.
    DigitsWithoutStep => Setting,
        "`digits` without `step`",
        "the least step, such as step = 1 for whole numbers, beside it",
        "add the step, or leave the digits out";
    /// A number of significant digits outside its range.
    DigitsRange(digits: usize) => Setting,
        "{digits} digits",
        "1 to {MOST_DIGITS} significant digits",
        "3 is usual: 20, 21 ... 999, 1000, 1010";
    /// The least value, the step and the digits of a setting that do not go together.
    Digits(min: f64, step: f64, digits: usize) => Setting,
        "{digits} digits, with a step of {step} from {min} on",
        "a step that is a power of ten, and a minimum of one step or more that has no more digits",
        "correct them: min = 20, step = 1, digits = 3 gives 20, 21 ... 999, 1000, 1010";
    /// Two keys that exclude each other.
    Both(one: &'static str, other: &'static str) => Setting,
        "both `{one}` and `{other}`",
        "one of the two",
        "remove one of them";
}

/// What of a section a rule can break.
impl Show for Section {
    fn show(&self) -> String {
        let (gain_db, f0_hz) = (self.gain_db.show(), self.f0_hz.show());
        format!("{gain_db} dB at {f0_hz} Hz")
    }
}

impl Show for GainLimit {
    fn show(&self) -> String {
        self.gains()
    }
}
