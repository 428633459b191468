//! What can be at fault with a single value, at any stage: a number outside its range, a name that is not known.

use std::fmt;

use super::fault::{Fault, Words, show_as_displayed, text};
use super::kind::ErrorKind;
use super::spelling::nearest_spelling;
use crate::knob::Names;
use crate::message::{Number, excerpt};

/// What is at fault with a value.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum ValueFault {
    /// A number outside its range.
    OutOfRange(OutOfRange),
    /// A name that is not known.
    Unknown(UnknownName),
}

impl ValueFault {
    /// A number outside the range from `min` to `max`.
    #[must_use]
    pub fn out_of_range(what: Quantity, found: f64, (min, max): (f64, f64)) -> Self {
        Self::OutOfRange(OutOfRange {
            what,
            found,
            min,
            max,
        })
    }

    /// A name that is none of those `known`.
    #[must_use]
    pub fn unknown<T: ToString>(
        what: NameOf,
        given: &str,
        known: impl IntoIterator<Item = T>,
    ) -> Self {
        Self::Unknown(UnknownName {
            what,
            given: given.to_owned(),
            known: known.into_iter().map(|name| name.to_string()).collect(),
        })
    }
}

impl Fault for ValueFault {
    fn kind(&self) -> ErrorKind {
        match self {
            Self::OutOfRange(fault) => fault.kind(),
            Self::Unknown(_) => ErrorKind::Name,
        }
    }

    fn words(&self, _: Names<'_>) -> Words {
        match self {
            Self::OutOfRange(fault) => fault.words(),
            Self::Unknown(fault) => fault.words(),
        }
    }
}

/// A number outside its range.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OutOfRange {
    /// What it is a number of.
    pub what: Quantity,
    /// The number, in the unit of `what`.
    pub found: f64,
    /// The least that is allowed.
    pub min: f64,
    /// The most that is allowed.
    pub max: f64,
}

/// What a number is of: what it means, and how a number outside its range is worded.
macro_rules! quantities {
    ($found:ident, $range:ident, $band:ident;
        $($(#[$doc:meta])* $quantity:ident $(($unit:ident: $type:ty))? => $kind:ident,
            $found_text:tt, $expected:tt, $next_step:tt;)+
    ) => {
        /// What a number is of.
        #[derive(Debug, Clone, Copy, PartialEq)]
        #[non_exhaustive]
        pub enum Quantity {
            $($(#[$doc])* $quantity $(($type))?,)+
        }

        impl OutOfRange {
            fn kind(&self) -> ErrorKind {
                match self.what {
                    $(Quantity::$quantity { .. } => ErrorKind::$kind,)+
                }
            }

            #[allow(unused_variables, reason = "not every text shows every part")]
            fn words(&self) -> Words {
                let $found = &self.found;
                let $range = &format!("{} to {}", Number(self.min), Number(self.max));
                let $band = &Band(self.min, self.max);
                match &self.what {
                    $(Quantity::$quantity $(($unit))? => Words {
                        found: text!([$found $($unit)?] $found_text),
                        expected: text!([$range $band $($unit)?] $expected),
                        next_step: text!([$($unit)?] $next_step),
                    },)+
                }
            }
        }
    };
}

/// What to do about most numbers.
const WITHIN: &str = "choose a value within that range";

quantities! { found, range, band;
    /// A setting with its unit as it follows a number, such as ` dB`.
    Setting(unit: &'static str) => Setting,
        "{found}{unit}",
        "{range}{unit}",
        "correct the number";
    /// A setting of a contour.
    Contour => Setting,
        "{found}",
        "a number from {range}",
        (WITHIN);
    /// How far one target is blended with another.
    Share => Setting,
        "{found}",
        "a number from 0 (the base) to 1 (the other)",
        (WITHIN);
    /// How far to go from what was measured to the target; not 0.
    Toward => Setting,
        "{found}",
        "more than 0, where nothing would be to do, and at most 1, which is all the way",
        "0.6, for one, keeps 40 % of the unit's own character";
    /// The rate that a target is shown at, hertz.
    ShownRate => Setting,
        "{found} Hz",
        "{range} Hz",
        "choose the rate at which the music is played";
    /// The frequency at which curve and target are aligned, hertz.
    Alignment => Coverage,
        "{found} Hz",
        "a frequency from {band}, where curve and target are known",
        "choose one within that range";
    /// The frequency at which a target alone is aligned, hertz.
    TargetAlignment => Coverage,
        "{found} Hz",
        "a frequency from {band}, where the target is known",
        "choose one within that range";
    /// Magnitude of an impedance in a file, ohms.
    Impedance => Setting,
        "{found} ohm",
        "{range} ohm",
        "check that the second column is the magnitude of the impedance in ohms";
    /// Phase of an impedance in a file, degrees.
    ImpedancePhase => Setting,
        "a phase of {found} degrees",
        "{range} degrees, as any passive impedance has",
        "correct the third column, or leave it out";
    /// Distortion in a file, percent; not 0.
    DistortionPercent => Setting,
        "{found} percent",
        "more than 0 and at most 100 percent",
        "give small values with more digits, or leave that row out";
    /// Distortion in a file, dB relative to the fundamental.
    DistortionDb => Setting,
        "{found} dB",
        "{range} dB, relative to the fundamental",
        "subtract the fundamental's level, or export percent";
    /// Level of a curve, dB.
    Level => Number,
        "level {found} dB",
        "a level between -1000 and 1000 dB",
        "check that the second column is the level in dB, and remove or repair this row";
    /// Worst loss from 20 to 40 Hz that counts as a leak, dB; not 0. The usual one.
    LeakThreshold(usual_db: f64) => Setting,
        "{found} dB",
        "more than 0 dB",
        "leave it at {usual_db} dB, or set a worst loss from 20 to 40 Hz that you would not accept";
    /// Left free below full scale for true peaks, dB, and what is usual.
    TruePeakMargin(usual_db: f64) => Setting,
        "{found} dB",
        "{range} dB",
        "{usual_db} dB is usual";
    /// Integrated loudness of a programme, LUFS.
    Loudness => Setting,
        "{found} LUFS",
        "{range} LUFS",
        "give the programme's integrated loudness";
    /// Peak of a programme over its rms, dB.
    Crest => Setting,
        "{found} dB",
        "{range} dB, the programme's peak over its rms",
        "use 13 dB where it is unknown";
}

impl OutOfRange {
    /// What was expected instead, in words.
    pub(crate) fn expected(&self) -> String {
        self.words().expected
    }
}

/// A name that is not known.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct UnknownName {
    /// What it should name.
    pub what: NameOf,
    /// The name.
    pub given: String,
    /// The names there are.
    pub known: Vec<String>,
}

/// What a name is of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub enum NameOf {
    /// A key of a TOML file.
    Key,
    /// One of a few words.
    Word,
    /// A side that was measured.
    Side,
    /// A unit of a file with several.
    Unit,
    /// A rig.
    Rig,
    /// A rig, or a file with a trust table.
    RigOrFile,
    /// A rig, a file with a trust table, or the points of one.
    RigOrTable,
    /// Limits of the library.
    Limits,
    /// A target of the library.
    Target,
}

impl UnknownName {
    /// The name that is spelt nearly so.
    #[must_use]
    pub fn near(&self) -> Option<&str> {
        let known = || self.known.iter().map(String::as_str);
        let begins_with = |start: &str| known().find(|name| name.starts_with(start));
        let longer = match self.what {
            // A key without its unit, or a side by its letter: further away than a slip is, but meant.
            NameOf::Key => begins_with(&format!("{}_", self.given)),
            NameOf::Side if self.given.len() == 1 => begins_with(&self.given.to_lowercase()),
            _ => None,
        };
        longer.or_else(|| nearest_spelling(&self.given, known()))
    }

    fn words(&self) -> Words {
        let given = excerpt(&self.given);
        let one_of = format!("one of {}", self.known.join(", "));
        let (found, expected, otherwise) = match self.what {
            NameOf::Key => (
                format!("an unknown key `{given}`"),
                one_of,
                "remove or rename it",
            ),
            NameOf::Word => (format!("`{given}`"), one_of, "choose one of them"),
            NameOf::Side => (
                format!("the side `{given}`"),
                format!("`{}`", self.known.join("` or `")),
                "name the side that was measured",
            ),
            NameOf::Unit => (
                format!("no unit named `{given}`"),
                format!("one of `{}`", self.known.join("`, `")),
                "choose one of them",
            ),
            NameOf::Rig | NameOf::RigOrFile | NameOf::RigOrTable => (
                format!("`{given}`"),
                match self.what {
                    NameOf::RigOrFile => format!("{one_of}, or a file with a trust table"),
                    NameOf::RigOrTable => {
                        format!("{one_of}, a file with a trust table, or points [[Hz, trust], ...]")
                    }
                    _ => one_of,
                },
                "use `flat` only for a curve that is right everywhere",
            ),
            NameOf::Limits => (
                format!("`{given}`, which is no limits of the library and no file"),
                format!("{one_of}, or the path of a limits file"),
                "choose a name or give a path",
            ),
            NameOf::Target => (
                format!("`{given}`, which is no target of the library and no file"),
                format!("{one_of}, or the path of a curve or recipe"),
                "choose a name or give a path",
            ),
        };
        let near = self.near().map(|near| format!("did you mean `{near}`?"));
        Words {
            found,
            expected,
            next_step: near.unwrap_or_else(|| otherwise.to_owned()),
        }
    }
}

/// A range of frequencies, hertz, as messages show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band(
    /// The lowest.
    pub f64,
    /// The highest.
    pub f64,
);

impl From<(f64, f64)> for Band {
    fn from((low_hz, high_hz): (f64, f64)) -> Self {
        Self(low_hz, high_hz)
    }
}

impl fmt::Display for Band {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.0} Hz to {:.0} Hz", self.0, self.1)
    }
}

show_as_displayed!(Band);
