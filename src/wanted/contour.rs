//! Contours: adjustments of a target by a section's response, a slope or a table.

use std::fmt;
use std::path::Path;

use super::error::{TableFault, WantedFault as Fault};
use crate::error::value::{OutOfRange, Quantity, ValueFault};
use crate::error::{Error, Knob, Result};
use crate::files::Files;
use crate::filter::{Section, Shape, response};
use crate::keys::error::Type;
use crate::keys::{self, PairAt, Table};
use crate::measurement::parse::parse_curve;
use crate::measurement::pchip::Pchip;
use crate::message::Number;
use crate::names::{beside, file_name};
use crate::units::octaves;

/// Allowed range of each number of a contour: key, least, most.
const LIMITS: [(&str, f64, f64); 5] = [
    ("f0_hz", 1.0, 24_000.0),
    ("gain_db", -60.0, 60.0),
    ("q", 0.01, 100.0),
    ("db_per_octave", -24.0, 24.0),
    ("pivot_hz", 1.0, 24_000.0),
];

const SECTION_KEYS: [&str; 3] = ["f0_hz", "gain_db", "q"];
const SLOPE_KEYS: [&str; 2] = ["db_per_octave", "pivot_hz"];
const TABLE_KEYS: [&str; 2] = ["points", "file"];
const SHAPE_NAMES: [&str; 5] = ["low-shelf", "peaking", "high-shelf", "slope", "table"];

/// Most points of a table in a recipe or an option. Our choice: more than anyone types, and still quick to evaluate.
const MOST_POINTS: usize = 1000;

/// Most points of a table in a file of its own. Our choice: a hundred such tables are still quick to evaluate.
const MOST_POINTS_OF_A_FILE: usize = 20_000;

/// The pivot of a slope that states none, hertz.
const DEFAULT_PIVOT_HZ: f64 = 1000.0;

/// Sample rate for the shape of a section whose f0 is not below half of the requested rate, hertz.
const AMPLE_RATE_HZ: f64 = 192_000.0;

/// One adjustment of a target. The constructors and [`Contour::parse`] check the numbers.
#[derive(Debug, Clone, PartialEq)]
pub enum Contour {
    /// The response of a section.
    Section(Section),
    /// A straight line in log frequency.
    Slope {
        /// Change of level per octave upwards, dB.
        db_per_octave: f64,
        /// Frequency at which the slope is 0 dB, hertz.
        pivot_hz: f64,
    },
    /// A curve through given points: monotone cubic in log frequency, constant beyond both ends.
    Table {
        /// Frequency (hertz, increasing) and level (dB); at least two points.
        points: Vec<(f64, f64)>,
        /// The file from which they were read, as written; None if they were typed.
        file: Option<String>,
    },
}

/// A contour as written: complete, or a table in a file that has yet to be read.
#[derive(Debug, Clone, PartialEq)]
pub enum ContourEntry {
    /// Complete.
    Contour(Contour),
    /// A table in a file.
    Table {
        /// The file's name, relative to the recipe.
        file: String,
        /// Line of the recipe that names the file; None for an option.
        line: Option<usize>,
    },
}

impl ContourEntry {
    /// Reads `shape=peaking,f0_hz=3000,gain_db=-2,q=1.2`, `shape=slope,db_per_octave=-0.4,pivot_hz=1000` (the pivot may
    /// be omitted: 1 kHz), `shape=table,points=100:1.5/1000:0` or `shape=table,file=NAME`.
    ///
    /// # Errors
    /// `Name` for an unknown shape or key, with the nearest known name; `Number` and `Setting` for faults of its
    /// numbers.
    pub fn parse(text: &str) -> Result<Self> {
        keys::read_typed(text, Knob::Contour, Self::read)
    }

    /// Refuses unknown keys. Called before missing keys are reported, since an unknown key may be a misspelt one.
    pub(super) fn only_known(given: &Table<'_>) -> Result<()> {
        let of_shape = [&SECTION_KEYS[..], &SLOPE_KEYS, &TABLE_KEYS].concat();
        given.only(&match shape(given) {
            Ok(shape) => Contour::keys(shape),
            Err(_) => [&["shape"], &of_shape[..]].concat(),
        })
    }

    /// Reads one contour from its keys, for recipes and options.
    pub(super) fn read(given: &Table<'_>) -> Result<Self> {
        Self::only_known(given)?;
        let is_table = shape(given)? == "table";
        match given.optional("file").filter(|_| is_table) {
            Some(file) if given.optional("points").is_some() => {
                Err(file.error(Fault::FileBesidePoints))
            }
            Some(file) => Ok(Self::Table {
                file: file.string()?,
                line: file.line(),
            }),
            None => Contour::read(given).map(Self::Contour),
        }
    }

    /// The complete contour. Its file is read from `files`, relative to the folder of `recipe` (empty: the working
    /// folder).
    ///
    /// # Errors
    /// Those of `files` and of the parsers; `Setting` for levels beyond +-60 dB, which are not a plausible change.
    pub fn open(self, recipe: &str, files: &dyn Files) -> Result<Contour> {
        let file = match self {
            Self::Contour(contour) => return Ok(contour),
            Self::Table { file, .. } => file,
        };
        let path = beside(recipe, &file);
        let curve = parse_curve(&files.read(Path::new(&path))?, &path)?;
        if curve.frequency_hz().len() > MOST_POINTS_OF_A_FILE {
            let points = curve.frequency_hz().len();
            let fault = Fault::TooManyPointsOfFile(points, MOST_POINTS_OF_A_FILE);
            return Err(Error::of(fault, path));
        }
        let points = curve.frequency_hz().iter().copied();
        let points: Vec<(f64, f64)> = points.zip(curve.level_db().iter().copied()).collect();
        check_table(&points).map_err(|fault| Error::of(Fault::TableOfFile(fault), path))?;
        Ok(Contour::Table {
            points,
            file: Some(file),
        })
    }
}

/// The first fault of a table's points.
fn check_table(points: &[(f64, f64)]) -> std::result::Result<(), TableFault> {
    if points.len() < 2 {
        return Err(TableFault::TooFew);
    }
    let mut before_hz = 0.0;
    for &(f_hz, db) in points {
        if !(f_hz.is_finite() && f_hz > before_hz) {
            return Err(TableFault::Order(f_hz, db));
        }
        if let Some(fault) = outside("gain_db", db) {
            return Err(TableFault::Level(f_hz, fault));
        }
        before_hz = f_hz;
    }
    Ok(())
}

impl Contour {
    /// A change of bass: a low shelf at 90 Hz, below the voice, q 0.6. Our choice.
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
        Self::Section(section).checked(Knob::Bass)
    }

    /// A change of treble: a high shelf at 6 kHz, above the presence of the voice, q 0.5. Our choice.
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
        Self::Section(section).checked(Knob::Treble)
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
        .checked(Knob::Slope)
    }

    /// [`ContourEntry::parse`] for a contour without a file.
    ///
    /// # Errors
    /// Those of [`ContourEntry::parse`]; `Setting` for a table in a file.
    pub fn parse(text: &str) -> Result<Self> {
        match ContourEntry::parse(text)? {
            ContourEntry::Contour(contour) => Ok(contour),
            ContourEntry::Table { file, .. } => {
                Err(Error::of(Fault::ContourFile(file), Knob::Contour).at_key("file"))
            }
        }
    }

    /// The keys that a contour of `shape` may have.
    fn keys(shape: &str) -> Vec<&'static str> {
        let known: &[&str] = match shape {
            "table" => &TABLE_KEYS,
            "slope" => &SLOPE_KEYS,
            _ => &SECTION_KEYS,
        };
        [&["shape"], known].concat()
    }

    fn read(given: &Table<'_>) -> Result<Self> {
        let shape = shape(given)?;
        let section_shape = Shape::ALL.into_iter().find(|known| known.name() == shape);
        if shape == "table" {
            return table(given);
        }
        let number = |key| -> Result<f64> {
            let value = given.required(key)?;
            let number = value.number()?;
            match outside(key, number) {
                Some(fault) => Err(value.error(ValueFault::OutOfRange(fault))),
                None => Ok(number),
            }
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
                pivot_hz: if given.optional("pivot_hz").is_some() {
                    number("pivot_hz")?
                } else {
                    DEFAULT_PIVOT_HZ
                },
            },
        })
    }

    /// Level at `frequency_hz`, dB.
    ///
    /// A section has the cookbook's response at `rate_hz`, so that an equaliser with this section reproduces the
    /// contour exactly; above half the rate the level at half the rate is used. If `f0_hz` is not below half the rate,
    /// no equaliser can have the section, and its response at 192 kHz is used.
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
            Self::Table { .. } => self.levels_db(rate_hz, &[frequency_hz])[0],
        }
    }

    /// [`Contour::level_db`] at each of `frequency_hz`, dB.
    #[must_use]
    pub fn levels_db(&self, rate_hz: f64, frequency_hz: &[f64]) -> Vec<f64> {
        let Self::Table { points, .. } = self else {
            let at = |f_hz: &f64| self.level_db(rate_hz, *f_hz);
            return frequency_hz.iter().map(at).collect();
        };
        let (log_f, db): (Vec<f64>, Vec<f64>) =
            points.iter().map(|(f_hz, db)| (f_hz.ln(), *db)).unzip();
        let curve = Pchip::new(&log_f, &db);
        // Frequencies that differ in their last digits may have equal logarithms; such a table is evaluated as steps.
        let step = |f_hz: f64| {
            let above = points.partition_point(|point| point.0 < f_hz);
            points
                .get(above)
                .or(points.last())
                .map_or(0.0, |point| point.1)
        };
        let at = |f_hz: &f64| match &curve {
            Some(curve) => curve.at(f_hz.ln()),
            None => step(*f_hz),
        };
        frequency_hz.iter().map(at).collect()
    }

    fn checked(self, knob: Knob) -> Result<Self> {
        let numbers = match &self {
            Self::Section(s) => vec![("f0_hz", s.f0_hz), ("gain_db", s.gain_db), ("q", s.q)],
            Self::Slope {
                db_per_octave,
                pivot_hz,
            } => {
                vec![("db_per_octave", *db_per_octave), ("pivot_hz", *pivot_hz)]
            }
            Self::Table { points, .. } => points.iter().map(|p| ("gain_db", p.1)).collect(),
        };
        for (key, value) in numbers {
            if let Some(fault) = outside(key, value) {
                return Err(Error::of(ValueFault::OutOfRange(fault), knob).at_key(key));
            }
        }
        Ok(self)
    }
}

/// The shape that the keys state.
fn shape(given: &Table<'_>) -> Result<&'static str> {
    given.required("shape")?.one_of(&SHAPE_NAMES, |name| name)
}

fn table(given: &Table<'_>) -> Result<Contour> {
    let value = given.required("points")?;
    let pairs = value.pairs(Type::Points)?;
    if pairs.len() > MOST_POINTS {
        return Err(value.error(Fault::TooManyPoints(pairs.len(), MOST_POINTS)));
    }
    let points: Vec<(f64, f64)> = pairs.iter().map(|(pair, _)| *pair).collect();
    check_table(&points).map_err(|fault| {
        let at = |(pair, _): &&PairAt| fault.point().is_some_and(|at| same(*pair, at));
        let line = pairs
            .iter()
            .find(at)
            .map_or(value.line(), |(_, line)| *line);
        value.error(Fault::Table(points.len(), fault)).at_line(line)
    })?;
    Ok(Contour::Table { points, file: None })
}

fn same(one: (f64, f64), other: (f64, f64)) -> bool {
    let bits = |pair: (f64, f64)| (pair.0.to_bits(), pair.1.to_bits());
    bits(one) == bits(other)
}

/// The fault of a number outside its range; None if it is inside.
fn outside(key: &str, value: f64) -> Option<OutOfRange> {
    let (_, min, max) = *LIMITS.iter().find(|(name, ..)| *name == key)?;
    (!(min..=max).contains(&value)).then_some(OutOfRange {
        what: Quantity::Contour,
        found: value,
        min,
        max,
    })
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
                write!(
                    f,
                    "{shape} {gain_db:+} dB at {f0_hz} Hz, q {q}",
                    gain_db = Number(*gain_db),
                    f0_hz = Number(*f0_hz),
                    q = Number(*q)
                )
            }
            Self::Slope {
                db_per_octave,
                pivot_hz,
            } => {
                write!(
                    f,
                    "slope {db_per_octave:+} dB per octave about {pivot_hz} Hz",
                    db_per_octave = Number(*db_per_octave),
                    pivot_hz = Number(*pivot_hz)
                )
            }
            Self::Table { points, file } => match file {
                Some(file) => write!(f, "table {}", file_name(file)),
                None => write!(f, "table of {} points", points.len()),
            },
        }
    }
}
