//! The faults of stage 1, with their words.

use std::fmt;

use crate::error::fault::{Show, faults, show_as_displayed};
use crate::error::value::Band;
use crate::error::{ErrorKind, Fault, Knob, Names, Words};
use crate::message::excerpt;

/// Advice for a curve that ends too early.
const EXPORT_WHOLE_CURVE: &str = "export the whole curve, best 20 Hz to 20 kHz";

/// Advice for a file without an impulse response.
const MEASURE_AGAIN: &str = "check the connection and the file, and measure again";

faults! { MeasurementFault, names;
    /// A unit file where takes of one side were asked for; its path.
    UnitFileOfOneSide(path: String) => Setting,
        (format!("the unit file `{path}`")),
        "a curve or a WAV impulse response",
        "name the unit file without an option: it says the sides itself";
    /// No unit of a name; the nearest that there is, and all.
    NoUnitNamed(name: String, near: Option<String>, all: Vec<String>) => Name,
        (format!("no unit named `{name}`")),
        "one unit",
        (match near {
            Some(near) => format!("did you mean `{near}`?"),
            None => format!("the files have {}", quoted(all)),
        });
    /// Several units of a name.
    SeveralUnitsNamed(name: String) => Setting,
        (format!("several units named `{name}`")),
        "one unit",
        "name one of their files alone";
    /// Several units, of which one is meant.
    SeveralUnits(all: Vec<String>) => Setting,
        (format!("{} units: {}", all.len(), quoted(all))),
        "one unit",
        (format!("choose one with {} NAME, or name its files alone", names(Knob::Variant)));
    /// Several units in one session.
    UnitsInSession(all: Vec<String>) => Setting,
        (format!("{} units: {}", all.len(), quoted(all))),
        "one unit",
        "name curves, or one unit file with one unit";
    /// A text of more bytes than are read; the most.
    TextTooLarge(most_bytes: usize) => Format,
        (format!("more than {} MB", most_bytes >> 20)),
        "a text file",
        "check that this is the file you meant; else export fewer points";
    /// A file that is not text, and what it is instead.
    NotText(kind: &'static str) => Format,
        "{kind}",
        "a text file",
        "export the curve as text: frequency in Hz and level in dB, a row for each point";
    /// A quotation mark without its partner.
    LoneQuote => Format,
        "a quotation mark that stands alone",
        "quotation marks in pairs around a field, in data and in header lines",
        "close or remove it, or start the line with # if it is a comment";
    /// Commas that may be separators or decimal signs.
    AmbiguousCommas => Format,
        "four whole numbers a row, separated by commas",
        "commas that either separate columns or mark decimals",
        "separate the columns with semicolons, or write decimal points";
    /// A field that is not a finite number: what it is, its text, and the name of its column.
    NotANumber(what: &'static str, given: String, column: &'static str) => Number,
        (match given.as_str() {
            "" => format!("nothing in the {column} column"),
            given => format!("{what}`{}` in the {column} column", excerpt(given)),
        }),
        "a finite number such as 20.5 or 20,5, without thousands separators",
        "repair or remove this row; start comments with #";
    /// No rows of two numbers: the first line with a number, and whether there is nothing else on it.
    NoRows(first: Option<String>, alone: bool) => Number,
        (match first {
            None => "no numbers".to_owned(),
            Some(line) if *alone => format!("one column only (`{}`)", excerpt(line)),
            Some(line) => format!("`{}`", excerpt(line)),
        }),
        "rows that start with two numbers, frequency in Hz and a value",
        "export the curve with both columns, separated by a comma, semicolon, tab or blank";
    /// A row without the phase that the header promises.
    NoPhase => Number,
        "no number in the third column",
        "phase in degrees, as the header says",
        "repair this row or leave the phase column out";
    /// Frequencies that seem to be in kHz: the lowest and the highest.
    Kilohertz(lowest: f64, highest: f64) => Number,
        "frequencies from {lowest} to {highest}, which look like kHz",
        "frequencies in Hz",
        "multiply the first column by 1000";
    /// A frequency that is not finite.
    FrequencyNotFinite(f_hz: f64) => Number,
        "frequency {f_hz}",
        "a finite frequency in Hz",
        "remove or repair this row";
    /// A frequency that is not above 0 Hz.
    FrequencyNotPositive(f_hz: f64) => Order,
        "frequency {f_hz} Hz",
        "a frequency above 0 Hz",
        "remove this row";
    /// A frequency that occurs twice, hertz.
    FrequencyTwice(f_hz: f64) => Order,
        "frequency {f_hz} Hz a second time",
        "each frequency once",
        "keep one of the two rows";
    /// A frequency below the one before, hertz.
    FrequencyFalls(f_hz: f64, before_hz: f64) => Order,
        "frequency {f_hz} Hz after {before_hz} Hz",
        "increasing frequencies",
        "sort the rows by frequency; one file holds one curve";
    /// Different numbers of frequencies and of values.
    Uneven(frequencies: usize, values: usize) => Format,
        "{frequencies} frequencies and {values} values",
        "one value for each frequency",
        "complete the shorter column";
    /// A phase that is not finite.
    PhaseNotFinite => Number,
        "a phase that is not finite",
        "phase in degrees",
        "repair this row or leave the phase column out";
    /// Number of points of a curve, fewer than three.
    FewPoints(points: usize) => Coverage,
        "{points} points",
        "three points or more",
        (EXPORT_WHOLE_CURVE);
    /// First and last frequency of a curve less than an octave wide, in hertz.
    Narrow(first_hz: f64, last_hz: f64) => Coverage,
        "only {first_hz} Hz to {last_hz} Hz",
        "at least one octave",
        (EXPORT_WHOLE_CURVE);
    /// First and last frequency of a curve with less than an octave inside 20 Hz to 20 kHz, hertz.
    NarrowInBand(first_hz: f64, last_hz: f64) => Coverage,
        "{first_hz} Hz to {last_hz} Hz",
        "at least one octave between 20 Hz and 20 kHz",
        (EXPORT_WHOLE_CURVE);
    /// A weight below 0; None if all weights are 0.
    Weight(below_0: Option<f64>) => Setting,
        (match below_0 {
            Some(weight) => format!("weight {}", weight.show()),
            None => "a weight of 0 everywhere".to_owned(),
        }),
        "weights of 0 or more, at least one above 0 between 20 Hz and 20 kHz",
        "use 0 to leave a range out";
    /// Number of points of an impedance, fewer than two.
    FewImpedancePoints(points: usize) => Coverage,
        "{points} points",
        "two points or more at frequencies that can be told apart",
        "export the whole curve; for one number write it in the unit file";
    /// Distortion whose unit is not stated.
    DistortionUnit => Format,
        "a second column whose unit is not said",
        "a title such as `distortion_percent` or `distortion_db` over it",
        "add the line `frequency_hz,distortion_percent` (or `..._db`) before the numbers";
    /// A trust table that is empty, out of order or outside 0 to 1.
    TrustTable => Setting,
        "a trust table that cannot be read",
        "rows of frequency in Hz (increasing) and trust from 0 to 1",
        "sort the rows and keep every trust between 0 and 1";
    /// A width of smoothing that cannot be read.
    Smoothing(text: String) => Setting,
        "`{text}`",
        "a share of an octave such as 1/3, 1/6 or 1/12, at most 2, or `erb`",
        "leave it out to fit the curve as it is";
    /// No takes at all.
    NoTakes => Coverage,
        "no takes",
        "takes that share at least one octave",
        "give at least one curve";
    /// The band of a take, and the band that the others share.
    TakeApart(own: Band, others: Band) => Coverage,
        "{own} where the others share {others}",
        "takes that share at least one octave",
        "measure all takes over the same range, or leave this one out";
    /// The fault of a WAV file.
    Wav(fault: WavFault) => Format,
        "{fault}",
        "a WAV file (PCM of 16, 24 or 32 bits, or 32-bit floating point) with one impulse response",
        "export the impulse response anew, a few seconds of it";
    /// The number of a channel that does not exist, and how many there are.
    Channel(number: usize, channels: usize) => Setting,
        "{channels} channels, of which number {number} was asked for",
        "a channel from 1 to {channels}",
        "correct the number of the channel";
    /// The number of channels with a signal, where there are several.
    SoundingChannels(count: usize) => Setting,
        "{count} channels with a signal",
        "one channel, or one that is not silent",
        "export one channel alone, or say `channel = 1` for this take in a unit file";
    /// The number of a sample that is not finite.
    SampleNotFinite(number: usize) => Number,
        "sample {number} that is no finite number",
        "finite samples",
        "export the impulse response anew";
    /// Samples that are all 0.
    Silence => Format,
        "silence",
        "an impulse response",
        (MEASURE_AGAIN);
    /// Samples that are all equal.
    Constant => Format,
        "the same value in all samples",
        "an impulse response",
        (MEASURE_AGAIN);
    /// Samples that have no spectrum.
    NoSpectrum => Format,
        "samples without a spectrum",
        "an impulse response",
        (MEASURE_AGAIN);
    /// Seconds after the arrival, the sample rate in hertz, and the band that these cover.
    ShortImpulse(seconds: f64, rate_hz: f64, band: Band) => Coverage,
        (format!("{seconds:.4} s after the arrival at {} Hz, enough for {band}", rate_hz.show())),
        "at least one octave between 20 Hz and 20 kHz",
        "export a longer impulse response, best half a second or more at 44.1 kHz or above";
    /// The number of a channel that was given for a file without channels.
    ChannelOfCurve(number: usize) => Setting,
        "channel {number} of a file that is no WAV file",
        "a channel only for WAV files with several",
        "remove the key `channel`";
    /// A unit file of more bytes than any has; the most.
    UnitFileTooLarge(most_bytes: usize) => Format,
        (format!("more than {} kB", most_bytes >> 10)),
        "a unit file, a page or two of TOML",
        "check that this is the file you meant";
    /// A key of one unit in a file with several units.
    KeyBesideUnits => Setting,
        "a key beside [[unit]] tables",
        "the keys of every unit under its own [[unit]]",
        "move it there (a take becomes [[unit.take]])";
    /// The name of a unit that occurs twice.
    UnitTwice(name: String) => Setting,
        "a second unit named `{name}`",
        "a name of its own for every unit",
        "rename one of them";
    /// A unit file without units.
    NoUnit => Setting,
        "no unit",
        "at least one [[unit]]",
        "add one, or write its keys at the top of the file";
    /// A unit without takes.
    NoTakeOfUnit => Format,
        "no takes",
        "at least one [[take]] with side and file",
        "name the measured curves";
    /// A file that is named twice, and the line of the first.
    FileTwice(file: String, line: Option<usize>) => Setting,
        (match line {
            Some(line) => format!("`{}`, named in line {line} already", excerpt(file)),
            None => format!("the same file as `{file}`"),
        }),
        "a file of its own for every take",
        "name it once: a take counted twice looks like one that repeats perfectly";
    /// A channel number that is not allowed.
    ChannelNumber(number: u64) => Setting,
        "channel {number}",
        "1 for the first channel",
        "count the channels from 1";
    /// The frequency of a sensitivity that is missing.
    NoSensitivity => Setting,
        "a frequency without a sensitivity",
        "sensitivity_db_per_mw or sensitivity_db_per_v beside it",
        "add the sensitivity, or remove this key";
    /// Two sensitivities.
    SecondSensitivity => Setting,
        "a second sensitivity",
        "either sensitivity_db_per_mw or sensitivity_db_per_v",
        "keep the one that was measured; the impedance gives the other";
}

fn quoted(names: &[String]) -> String {
    let names = names.iter().map(|name| format!("`{name}`"));
    names.collect::<Vec<_>>().join(", ")
}

/// What is wrong with a WAV file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WavFault {
    /// More bytes than are read; the most.
    TooLarge(usize),
    /// It ends too early.
    CutShort,
    /// What its reader says.
    Unreadable(&'static str),
    /// An encoding that is not read here.
    Encoding,
    /// No channels, or no sample rate.
    NoChannels,
    /// Bits of a sample.
    Bits(u16),
    /// No samples.
    NoSamples,
}

impl fmt::Display for WavFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooLarge(most_bytes) => write!(f, "more than {} MB", most_bytes >> 20),
            Self::CutShort => write!(f, "a WAV file that is cut short"),
            Self::Unreadable(what) => write!(f, "no readable WAV file ({what})"),
            Self::Encoding => write!(f, "a WAV file of an encoding that is not read here"),
            Self::NoChannels => write!(f, "a WAV header without channels or sample rate"),
            Self::Bits(bits) => write!(f, "samples of {bits} bits"),
            Self::NoSamples => write!(f, "no samples"),
        }
    }
}

show_as_displayed!(WavFault);

/// One of the points of a curve, where its line is not known.
#[derive(Debug, Clone, PartialEq)]
pub struct AtPoint {
    /// Its number, counted from 1.
    pub point: usize,
    /// What is at fault with it.
    pub fault: Box<dyn Fault>,
}

impl Fault for AtPoint {
    fn kind(&self) -> ErrorKind {
        self.fault.kind()
    }

    fn inner(&self) -> Option<&dyn Fault> {
        Some(&*self.fault)
    }

    fn words(&self, names: Names<'_>) -> Words {
        let words = self.fault.words(names);
        let found = format!("{} at point {}", words.found, self.point);
        Words { found, ..words }
    }
}
