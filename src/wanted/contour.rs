//! One adjustment of a target: a section's response, or a slope.

use std::fmt;

use super::setting::{Setting, Settings};
use crate::error::{Error, ErrorKind, Result};
use crate::filter::{Section, Shape, response};
use crate::units::octaves;

/// What each number of a contour may be: key, least, most.
const LIMITS: [(&str, f64, f64); 5] = [
    ("f0_hz", 1.0, 24_000.0),
    ("gain_db", -60.0, 60.0),
    ("q", 0.01, 100.0),
    ("db_per_octave", -24.0, 24.0),
    ("pivot_hz", 1.0, 24_000.0),
];

const SECTION_KEYS: [&str; 3] = ["f0_hz", "gain_db", "q"];
const SLOPE_KEYS: [&str; 2] = ["db_per_octave", "pivot_hz"];
const SHAPE_NAMES: [&str; 4] = ["low-shelf", "peaking", "high-shelf", "slope"];

/// The pivot of a slope that names none, in hertz.
const DEFAULT_PIVOT_HZ: f64 = 1000.0;

/// A high rate, for the shape of a section that the asked rate cannot have.
const AMPLE_RATE_HZ: f64 = 192_000.0;

/// One adjustment. The constructors and [`Contour::parse`] check the numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Contour {
    /// The response of a section.
    Section(Section),
    /// A straight line over log frequency.
    Slope {
        /// Change of level for each octave upward, dB.
        db_per_octave: f64,
        /// Where the slope is 0 dB, hertz.
        pivot_hz: f64,
    },
}

impl Contour {
    /// More (or less) bass: a low shelf at 90 Hz, q 0.6, below the voice; our own choice.
    ///
    /// # Errors
    /// `Setting` beyond +-60 dB.
    pub fn bass(gain_db: f64) -> Result<Self> {
        let section = Section {
            shape: Shape::LowShelf,
            f0_hz: 90.0,
            gain_db,
            q: 0.6,
        };
        Self::Section(section).checked("bass")
    }

    /// More (or less) treble: a high shelf at 6 kHz, q 0.5, above the presence of the voice; our own choice.
    ///
    /// # Errors
    /// `Setting` beyond +-60 dB.
    pub fn treble(gain_db: f64) -> Result<Self> {
        let section = Section {
            shape: Shape::HighShelf,
            f0_hz: 6000.0,
            gain_db,
            q: 0.5,
        };
        Self::Section(section).checked("treble")
    }

    /// A slope about 1 kHz.
    ///
    /// # Errors
    /// `Setting` beyond +-24 dB per octave.
    pub fn slope(db_per_octave: f64) -> Result<Self> {
        Self::Slope {
            db_per_octave,
            pivot_hz: DEFAULT_PIVOT_HZ,
        }
        .checked("slope")
    }

    /// Reads `shape=peaking,f0_hz=3000,gain_db=-2,q=1.2` or `shape=slope,db_per_octave=-0.4,pivot_hz=1000`
    /// (the pivot may be left out: 1 kHz).
    ///
    /// # Errors
    /// `Name` for an unknown shape or key, with the nearest spelling; `Number` and `Setting` for its numbers.
    pub fn parse(text: &str) -> Result<Self> {
        let pairs = text.split(',').map(|part| {
            let (key, value) = part.split_once('=').ok_or_else(|| {
                Error::new(
                    ErrorKind::Setting,
                    "contour",
                    format!("`{part}`"),
                    "KEY=VALUE, separated by commas, with decimal points",
                    "write it like shape=peaking,f0_hz=3000,gain_db=-2,q=1.2",
                )
            })?;
            Ok(Setting::typed(key.trim(), value.trim()))
        });
        let settings = pairs.collect::<Result<Vec<_>>>()?;
        Self::from_settings(&Settings {
            source: "contour",
            within: "",
            line: None,
            settings,
        })
    }

    /// One contour from its keys, of a recipe or an option.
    pub(super) fn from_settings(given: &Settings<'_>) -> Result<Self> {
        let shape = given.words("shape", &SHAPE_NAMES)?;
        let section_shape = Shape::ALL.into_iter().find(|known| known.name() == shape);
        let known: &[&str] = if section_shape.is_some() {
            &SECTION_KEYS
        } else {
            &SLOPE_KEYS
        };
        given.only(&[&["shape"], known].concat())?;
        let number = |key| -> Result<f64> {
            let (value, line) = given.number(key)?;
            within_limits(key, value).map_err(|reason| given.refuse(key, line, value, &reason))
        };
        Ok(match section_shape {
            Some(shape) => Self::Section(Section {
                shape,
                f0_hz: number("f0_hz")?,
                gain_db: number("gain_db")?,
                q: number("q")?,
            }),
            None => Self::Slope {
                db_per_octave: number("db_per_octave")?,
                pivot_hz: if given.has("pivot_hz") {
                    number("pivot_hz")?
                } else {
                    DEFAULT_PIVOT_HZ
                },
            },
        })
    }

    /// Level in dB at `frequency_hz`.
    ///
    /// A section is the cookbook section of an equaliser at `rate_hz`, so an equaliser that has it
    /// reproduces the contour exactly. Above half the rate it holds its value there. Where `f0_hz` is not below
    /// half the rate no equaliser has the section: its shape is then that at 192 kHz.
    #[must_use]
    pub fn level_db(&self, rate_hz: f64, frequency_hz: f64) -> f64 {
        match self {
            Self::Section(section) => {
                let playable = section.is_playable_at(rate_hz);
                let rate_hz = if playable { rate_hz } else { AMPLE_RATE_HZ };
                response::level_db(section, rate_hz, frequency_hz.min(rate_hz / 2.0))
            }
            Self::Slope {
                db_per_octave,
                pivot_hz,
            } => db_per_octave * octaves(*pivot_hz, frequency_hz),
        }
    }

    fn checked(self, source: &str) -> Result<Self> {
        let numbers = match &self {
            Self::Section(s) => vec![("f0_hz", s.f0_hz), ("gain_db", s.gain_db), ("q", s.q)],
            Self::Slope {
                db_per_octave,
                pivot_hz,
            } => {
                vec![("db_per_octave", *db_per_octave), ("pivot_hz", *pivot_hz)]
            }
        };
        for (key, value) in numbers {
            within_limits(key, value).map_err(|reason| {
                let next_step = "choose a value within that range";
                Error::new(
                    ErrorKind::Setting,
                    source,
                    value.to_string(),
                    reason,
                    next_step,
                )
                .at_key(key)
            })?;
        }
        Ok(self)
    }
}

fn within_limits(key: &str, value: f64) -> std::result::Result<f64, String> {
    match LIMITS.iter().find(|(name, ..)| *name == key) {
        Some((_, least, most)) if !(*least..=*most).contains(&value) => {
            Err(format!("a number from {least} to {most}"))
        }
        _ => Ok(value),
    }
}

impl fmt::Display for Contour {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Section(Section {
                shape,
                f0_hz,
                gain_db,
                q,
            }) => {
                write!(f, "{shape} {gain_db:+} dB at {f0_hz} Hz, q {q}")
            }
            Self::Slope {
                db_per_octave,
                pivot_hz,
            } => {
                write!(
                    f,
                    "slope {db_per_octave:+} dB per octave about {pivot_hz} Hz"
                )
            }
        }
    }
}
